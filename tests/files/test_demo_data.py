"""The demo data: made again by its script, believable, and read by libraries from outside this project."""

from __future__ import annotations

import csv
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import networkx as nx
import numpy as np
import osmnx
import pyproj
import pytest
import rasterio
import shapely

from leaveby.caution import OVERRIDE
from leaveby.files.read.plan import read_plan
from leaveby.files.read.roads import read_roads
from leaveby.fire.arrival.solve import Ignition, arrive
from leaveby.fire.fuel.zones import FuelMap, fuel_from_codes, fuel_type
from leaveby.fire.spread.series import FireChoice, spread_zones, table_for_member
from leaveby.fire.terrain import Grid, Terrain, cell_of, gradients
from leaveby.fire.weather.series import rebased
from leaveby.fire.weather.table import weather_from_table

DEMO = Path(__file__).parents[2] / "data_demo"
TEXTS = ("roads.osm", "fuel_legend.csv", "weather.csv", "plan.toml", "plan_two_fronts.toml")
PLANS = ("plan.toml", "plan_two_fronts.toml")
STREET = "Sallow Spur Road"


@pytest.fixture(scope="module")
def remade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    subprocess.run([sys.executable, "-B", str(DEMO / "make_demo.py"), str(folder)], check=True)
    return folder


@pytest.fixture(scope="module")
def streets() -> Iterator[nx.MultiDiGraph[Any]]:
    """The extract as osmnx reads it, without what carries no highway tag."""
    wanted = ["highway", "name", "access", "maxheight", "maxwidth", "maxspeed", "surface", "tracktype", "oneway"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(osmnx.settings, "useful_tags_way", wanted)
        graph = osmnx.graph_from_xml(DEMO / "roads.osm", simplify=False, retain_all=True)
        off = [(u, v, k) for u, v, k, tags in graph.edges(keys=True, data=True) if "highway" not in tags]
        graph.remove_edges_from(off)
        graph.remove_nodes_from(list(nx.isolates(graph)))
        yield graph


def _undirected(graph: nx.MultiDiGraph[Any], *, private: bool, tracks: bool) -> nx.Graph[Any]:
    plain: nx.Graph[Any] = nx.Graph()
    for u, v, tags in graph.edges(data=True):
        if (private or tags.get("access") != "private") and (tracks or tags["highway"] != "track"):
            plain.add_edge(u, v, **tags)
    return plain


def _nearest(graph: nx.MultiDiGraph[Any], lon: float, lat: float, *, street: str | None = None) -> int:
    ends = [u for u, _, tags in graph.edges(data=True) if street in (None, tags.get("name"))]
    return min(ends, key=lambda n: (graph.nodes[n]["x"] - lon) ** 2 + (graph.nodes[n]["y"] - lat) ** 2)


@pytest.mark.parametrize("name", TEXTS)
def test_the_script_makes_the_same_text_files(remade: Path, name: str) -> None:
    assert (remade / name).read_bytes() == (DEMO / name).read_bytes()


@pytest.mark.parametrize("name", ["terrain.tif", "fuel.tif", "terrain_wide.tif", "fuel_wide.tif"])
def test_the_script_makes_the_same_grids(remade: Path, name: str) -> None:
    with rasterio.open(remade / name) as new, rasterio.open(DEMO / name) as old:
        assert (new.profile["crs"], new.transform, new.nodata) == (old.profile["crs"], old.transform, old.nodata)
        # to the last step of rounding, and that in next to no cell: other machines add up in another order
        new_values, old_values = new.read(1).astype(float), old.read(1).astype(float)
    assert np.mean(new_values != old_values) < 0.001
    if name.startswith("terrain"):
        assert np.abs(new_values - old_values).max() < 2.0


def test_the_script_makes_the_same_bytes_twice(remade: Path, tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-B", str(DEMO / "make_demo.py"), str(tmp_path)], check=True)
    first = {path.name: path.read_bytes() for path in remade.iterdir()}
    assert first == {path.name: path.read_bytes() for path in tmp_path.iterdir()}


def test_the_folder_stays_small() -> None:
    assert sum(path.stat().st_size for path in DEMO.iterdir() if path.is_file()) < 3_000_000


def _band(name: str) -> tuple[np.ndarray[Any, Any], Any]:
    with rasterio.open(DEMO / name) as source:
        return source.read(1).astype(float), source.profile


def test_the_wide_ground_is_the_locality_inside_and_reaches_25_km_beyond_every_place() -> None:
    """By GDAL's own averaging and counting; the seam is no higher than the steps on either side of it."""
    plan = tomllib.loads((DEMO / "plan.toml").read_text(encoding="utf-8"))
    for own_name, wide_name, how in (
        ("terrain.tif", "terrain_wide.tif", rasterio.enums.Resampling.average),
        ("fuel.tif", "fuel_wide.tif", rasterio.enums.Resampling.mode),
    ):
        own, of_own = _band(own_name)
        wide, of_wide = _band(wide_name)
        assert of_own["crs"] == of_wide["crs"]
        resampled = np.full(wide.shape, -1.0)
        rasterio.warp.reproject(
            own,
            resampled,
            src_transform=of_own["transform"],
            src_crs=of_own["crs"],
            dst_transform=of_wide["transform"],
            dst_crs=of_wide["crs"],
            dst_nodata=-1.0,
            resampling=how,
        )
        inside = np.zeros(wide.shape, dtype=bool)
        inside[252:348, 252:348] = True  # 9.6 km in cells of 100 m, 25.2 km from the edges
        assert (resampled[inside] >= 0.0).all()
        assert np.mean(np.abs(resampled - wide)[inside] > 0.51) < 0.001
        if own_name == "terrain.tif":
            (rows, cols) = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
            top, left = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
            at_seam = [
                np.abs(wide[top, cols[0]] - wide[top, cols[0] - 1]),
                np.abs(wide[top, cols[-1]] - wide[top, cols[-1] + 1]),
                np.abs(wide[rows[0], left] - wide[rows[0] - 1, left]),
                np.abs(wide[rows[-1], left] - wide[rows[-1] + 1, left]),
            ]
            usual = np.abs(np.diff(wide[top, left], axis=1))
            assert max(float(step.mean()) for step in at_seam) < 2.0 * usual.mean()
            assert max(float(step.max()) for step in at_seam) < 1.5 * usual.max()
        else:
            assert set(np.unique(wide)) <= set(np.unique(own)), "a type that the legend may not have"
            assert {1.0, 3.0, 4.0, 5.0, 7.0} <= set(np.unique(wide[~inside]))
    west, south, east, north = rasterio.transform.array_bounds(*wide.shape, of_wide["transform"])
    to_ground = pyproj.Transformer.from_crs("EPSG:4326", of_wide["crs"], always_xy=True)
    for place in (plan["home"], *plan["safe_points"]):
        x_m, y_m = to_ground.transform(place["lon_deg"], place["lat_deg"])
        assert min(x_m - west, east - x_m, y_m - south, north - y_m) >= 25_000.0
    assert sum((DEMO / name).stat().st_size for name in ("terrain_wide.tif", "fuel_wide.tif")) < 400_000


def test_osmnx_reads_the_extract(streets: nx.MultiDiGraph[Any]) -> None:
    plain = _undirected(streets, private=True, tracks=True)
    junctions = [node for node, degree in plain.degree() if degree != 2]
    assert 150 <= len(junctions) <= 400
    assert nx.is_connected(plain)
    speeds = {str(tags.get("maxspeed")) for *_, tags in streets.edges(data=True)}
    assert {"80", "60", "60 km/h", "AU:urban", "30 mph", "None"} <= speeds
    # common practice, no source: a rural through road, its side streets, some of them unsealed, some loops
    assert len(nx.cycle_basis(plain)) > 20
    surfaces = {tags.get("surface") for *_, tags in streets.edges(data=True)}
    assert {"asphalt", "gravel", "unpaved"} <= surfaces


def test_streets_meet_only_at_nodes(streets: nx.MultiDiGraph[Any]) -> None:
    nodes = streets.nodes
    lines = {
        tuple(sorted((u, v))): shapely.LineString([(nodes[n]["x"], nodes[n]["y"]) for n in (u, v)])
        for u, v in streets.edges()
    }
    ends, shapes = list(lines), list(lines.values())
    tree = shapely.STRtree(shapes)
    first, second = tree.query(shapes, predicate="crosses")
    assert [(ends[a], ends[b]) for a, b in zip(first, second, strict=True)] == []


def test_the_home_has_one_way_out(streets: nx.MultiDiGraph[Any]) -> None:
    plan = tomllib.loads((DEMO / "plan.toml").read_text(encoding="utf-8"))
    home = _nearest(streets, plan["home"]["lon_deg"], plan["home"]["lat_deg"], street=STREET)
    town = _nearest(streets, plan["safe_points"][0]["lon_deg"], plan["safe_points"][0]["lat_deg"])
    everything = _undirected(streets, private=True, tracks=True)
    behind = {name for u, v, name in _bridges_between(everything, home, town)}
    assert STREET in behind
    # by car: without the private fire trail; with the house on: without the narrow track as well
    for tracks, least_m in ((True, 3200.0), (False, 4000.0)):
        open_roads = _undirected(streets, private=False, tracks=tracks)
        shared = [(u, v) for u, v, name in _bridges_between(open_roads, home, town) if name == STREET]
        assert sum(open_roads.edges[edge]["length"] for edge in shared) > least_m
    length_m = sum(tags["length"] for *_, tags in everything.edges(data=True) if tags.get("name") == STREET)
    assert 4000.0 <= length_m <= 6000.0
    assert any(tags.get("access") == "private" for *_, tags in streets.edges(data=True))


def _bridges_between(graph: nx.Graph[Any], home: int, town: int) -> list[tuple[int, int, str]]:
    """Edges that every way from home to town must pass, with their street."""
    path = nx.shortest_path(graph, home, town)
    bridges = {frozenset(edge) for edge in nx.bridges(graph)}
    return [(u, v, str(graph.edges[u, v].get("name"))) for u, v in pairwise(path) if frozenset((u, v)) in bridges]


def test_the_high_load_must_go_round(streets: nx.MultiDiGraph[Any]) -> None:
    plan = tomllib.loads((DEMO / "plan.toml").read_text(encoding="utf-8"))
    house = next(vehicle for vehicle in plan["vehicles"] if vehicle["kind"] == "trailer")
    heights = {tags["maxheight"]: tags["name"] for *_, tags in streets.edges(data=True) if "maxheight" in tags}
    widths = {tags["maxwidth"]: tags["name"] for *_, tags in streets.edges(data=True) if "maxwidth" in tags}
    assert heights == {"3.8": "Hobbin Gap Road", "4.6 m": "Old Dray Road"}
    assert widths == {"2.2": "Slipware Track"}
    assert 3.8 < house["height_m"] < 4.6
    assert house["width_m"] > 2.2
    home = _nearest(streets, plan["home"]["lon_deg"], plan["home"]["lat_deg"], street=STREET)
    town = _nearest(streets, plan["safe_points"][0]["lon_deg"], plan["safe_points"][0]["lat_deg"])
    car = _undirected(streets, private=False, tracks=True)
    tow = _undirected(streets, private=False, tracks=False)
    tow.remove_edges_from([(u, v) for u, v, tags in tow.edges(data=True) if tags.get("maxheight") == "3.8"])
    assert nx.has_path(tow, home, town)
    by_car = nx.shortest_path_length(car, home, town, weight="length")
    assert nx.shortest_path_length(tow, home, town, weight="length") > by_car + 500.0


def test_the_extract_holds_homes_and_places() -> None:
    root = ElementTree.parse(DEMO / "roads.osm").getroot()
    assert root.attrib["version"] == "0.6"
    tags = [{tag.attrib["k"]: tag.attrib["v"] for tag in way.findall("tag")} for way in root.findall("way")]
    homes = [own for own in tags if own.get("building") == "house"]
    assert 100 <= len(homes) <= 250
    assert sum(own["addr:street"] == STREET for own in homes) >= 25
    places = {tag.attrib["v"] for tag in root.iterfind("node/tag[@k='place']")}
    assert {"village", "hamlet"} <= places
    assert len(root.findall("node/tag[@k='barrier']")) == 2
    assert any("waterway" in own for own in tags)
    known = {node.attrib["id"] for node in root.findall("node")}
    assert {nd.attrib["ref"] for nd in root.iterfind("way/nd")} <= known


def test_the_terrain_is_ridge_country() -> None:
    with rasterio.open(DEMO / "terrain.tif") as source:
        z = source.read(1).astype(float)
        assert source.crs == rasterio.crs.CRS.from_epsg(32755)
        assert source.res == (30.0, 30.0)
        assert min(z.shape) >= 200
        assert source.dtypes[0] == "float32"
        bounds, nodata = source.bounds, source.nodata
    assert nodata not in z
    assert z.min() > 250.0
    assert z.max() < 1000.0
    assert np.ptp(z) > 500.0
    slope_deg = np.degrees(np.arctan(np.hypot(*np.gradient(z, 30.0))))
    # common practice, no source: hill country has slopes of 5 to 15 degrees as a rule, seldom above 35
    assert 5.0 < np.median(slope_deg) < 15.0
    assert np.percentile(slope_deg, 99.9) < 40.0
    # the zone of the reference system is that of the place: 6 degrees wide, the 55th around 147 degrees east
    to_degrees = pyproj.Transformer.from_crs(32755, 4326, always_xy=True)
    lon, _ = to_degrees.transform(bounds.left, bounds.bottom)
    assert int((lon + 180.0) // 6.0) + 1 == 55


def test_the_street_follows_the_ridge(streets: nx.MultiDiGraph[Any]) -> None:
    with rasterio.open(DEMO / "terrain.tif") as source:
        to_map = pyproj.Transformer.from_crs(4326, source.crs, always_xy=True)
        nodes = {n for u, v, tags in streets.edges(data=True) if tags.get("name") == STREET for n in (u, v)}
        points = [to_map.transform(streets.nodes[n]["x"], streets.nodes[n]["y"]) for n in nodes]
        height = np.array([value[0] for value in source.sample(points)])
        beside = [np.array([v[0] for v in source.sample([(x, y + off) for x, y in points])]) for off in (-600.0, 600.0)]
    assert np.mean((height > beside[0]) & (height > beside[1])) > 0.9


@pytest.fixture(scope="module")
def ground() -> tuple[Grid, Terrain, FuelMap]:
    with rasterio.open(DEMO / "terrain.tif") as source:
        z = source.read(1).astype(np.float64)
        left, top = source.transform.c, source.transform.f
    with rasterio.open(DEMO / "fuel.tif") as source:
        codes = source.read(1)
        assert (source.transform.c, source.transform.f, source.shape) == (left, top, z.shape)
    with (DEMO / "fuel_legend.csv").open(encoding="utf-8", newline="") as table:
        legend = {int(row["value"]): row["fuel_type"] for row in csv.DictReader(table)}
    assert all(fuel_type(name).name == name for name in legend.values())
    assert set(np.unique(codes)) == set(legend)
    grid = Grid(x_min_m=left, y_max_m=top, cell_m=30.0, rows=z.shape[0], cols=z.shape[1], crs="EPSG:32755")
    return grid, Terrain(grid, z), fuel_from_codes(grid, codes, legend=legend)


def _weather_columns() -> dict[str, list[str]]:
    with (DEMO / "weather.csv").open(encoding="utf-8", newline="") as table:
        rows = list(csv.DictReader(table))
    return {name: [row[name] for row in rows] for name in rows[0]}


def test_the_weather_is_a_severe_day_with_a_change() -> None:
    columns = _weather_columns()
    times = [datetime.fromisoformat(text) for text in columns["time"]]
    assert {b - a for a, b in pairwise(times)} == {timedelta(minutes=30)}
    assert (times[0].hour, times[-1].hour) == (6, 22)
    assert all(time.utcoffset() == timedelta(hours=11) for time in times)
    series = {name: np.array([float(v) for v in values]) for name, values in columns.items() if name != "time"}
    hot = int(series["temperature_c"].argmax())
    assert series["temperature_c"][hot] == 41.0
    assert series["relative_humidity_percent"].min() == 9.0
    assert 45.0 <= series["wind_speed_km_h"].max() <= 55.0
    assert np.all(series["gust_km_h"] > series["wind_speed_km_h"])
    change = next(k for k, time in enumerate(times) if time.hour == 17)
    assert np.all((series["wind_from_deg"][:change] > 290.0) & (series["wind_from_deg"][:change] < 345.0))
    assert np.all((series["wind_from_deg"][change:] > 200.0) & (series["wind_from_deg"][change:] < 250.0))
    assert series["temperature_c"][change] < series["temperature_c"][change - 1] - 5.0


@pytest.mark.parametrize("name", PLANS)
def test_the_plans_are_read(name: str) -> None:
    plan = read_plan(DEMO / name)
    first = (DEMO / name).read_text(encoding="utf-8").splitlines()[0]
    assert OVERRIDE.split(" anything")[0] in first
    assert [point.kind for point in plan.safe_points].count("place_of_last_resort") == 1
    assert sum("tow" in point.ways for point in plan.safe_points) >= 2
    assert {way for task in plan.tasks for way in task.ways} == {"tow", "car", "foot", "shelter"}
    shutters = next(task for task in plan.tasks if task.name == "shutters")
    assert shutters.likely_s == 60.0
    assert {"tow", "car", "shelter"} <= set(shutters.ways)


def test_the_roads_are_read() -> None:
    network = read_roads(DEMO / "roads.osm")
    assert len(network.length_m) > 300


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_the_mouth_burns_before_the_home(ground: tuple[Grid, Terrain, FuelMap], name: str, factor: float) -> None:
    grid, terrain, fuel = ground
    plan = read_plan(DEMO / name)
    weather = rebased(weather_from_table(_weather_columns(), where="weather.csv", drought_factor=10.0), plan.starts_at)
    models = plan.fire.models
    spread = table_for_member(
        spread_zones(fuel, weather),
        weather,
        gradients=gradients(terrain),
        choice=FireChoice(models),
        ros_factors=dict.fromkeys(models, factor),
    )
    to_map = pyproj.Transformer.from_crs(4326, 32755, always_xy=True)
    ignitions = [
        Ignition(shapely.Point(to_map.transform(*fire.lon_lat_deg[0])), (fire.at - plan.starts_at).total_seconds())
        for fire in plan.ignitions
    ]
    arrival = arrive(spread, ignitions, horizon_s=plan.horizon_s)
    x_m, y_m = to_map.transform(plan.home.lon_deg, plan.home.lat_deg)
    home = cell_of(grid, x_m, y_m=y_m)
    mouth = cell_of(grid, grid.x_min_m + 4700.0, y_m=grid.y_max_m - grid.rows * grid.cell_m + 4400.0)
    assert home is not None
    assert mouth is not None
    mouth_h, home_h = arrival.time_s[mouth] / 3600.0, arrival.time_s[home] / 3600.0
    assert 0.75 < mouth_h < 6.0
    assert mouth_h + 0.25 < home_h < plan.horizon_s / 3600.0
