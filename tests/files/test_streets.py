"""The community question from files: homes and exits of all kinds, bad input, and what is written."""

from __future__ import annotations

import csv
import json
import warnings
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.crs import CRS
from rasterio.transform import from_origin

from leaveby.ask.streets import StreetOptions, read_raster, survey_streets
from leaveby.caution import OSM_NOTICE, OVERRIDE
from leaveby.decision.streets.result import StreetQuestion, StreetSurvey, SurveyOptions
from leaveby.decision.streets.survey import survey
from leaveby.errors import InputError
from leaveby.files.read.homes import homes_in_building, read_exits, read_homes
from leaveby.files.write.outputs import streets_csv, write_streets
from leaveby.roads.exits.homes import homes_by_street
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.show.in_python import layers
from leaveby.show.streets.scene import streets_scene

ANDORRA = Path(__file__).parents[1] / "data" / "andorra_streets.osm.pbf"
CRS_M = "EPSG:32755"
MADE = datetime(2026, 11, 25, 9, 0, tzinfo=timezone(timedelta(hours=11)))
NOTHING_MORE = StreetOptions(links=0, clearance_groups=0)
EAST, NORTH = 500_000.0, 5_900_000.0

# a main road west to east, cut at both ends; a lane north from its middle, with a loop at its end and an island beyond
LANES = [
    ([(0, 0), (500, 0)], {"highway": "primary", "name": "Valley Road"}),
    ([(500, 0), (1000, 0)], {"highway": "primary", "name": "Valley Road"}),
    ([(500, 0), (500, 400)], {"highway": "residential", "name": "=Mill Lane"}),
    ([(500, 400), (700, 400), (700, 600)], {"highway": "residential", "name": "Quarry Loop"}),
    ([(700, 600), (500, 600), (500, 400)], {"highway": "residential", "name": "Quarry Loop"}),
    ([(3000, 3000), (3300, 3000)], {"highway": "residential", "name": "Far Lane"}),
]


@pytest.fixture
def roads(tmp_path: Path) -> Path:
    rows = [{**tags, "geometry": shapely.LineString([(EAST + x, NORTH + y) for x, y in line])} for line, tags in LANES]
    path = tmp_path / "roads.gpkg"
    geopandas.GeoDataFrame(rows, geometry="geometry", crs=CRS_M).to_file(path, layer="roads", engine="pyogrio")
    return path


def points(path: Path, places: list[tuple[float, float]], *, crs: str | None = CRS_M, **columns: list[object]) -> Path:
    frame = geopandas.GeoDataFrame(columns, geometry=[shapely.Point(EAST + x, NORTH + y) for x, y in places], crs=CRS_M)
    if crs is None:
        frame = frame.set_crs(None, allow_override=True)
    elif crs != CRS_M:
        frame = frame.to_crs(crs)
    with warnings.catch_warnings():
        # that it writes no reference system is what is wanted here
        warnings.filterwarnings("ignore", message="'crs' was not provided", category=UserWarning)
        frame.to_file(path, engine="pyogrio")
    return path


HOMES = [(510.0, 100.0), (520.0, 300.0), (710.0, 500.0), (100.0, 20.0), (3100.0, 3010.0), (-2500.0, 100.0)]


def answered(roads: Path, homes: Path, **options: object) -> StreetSurvey:
    return survey_streets(roads, homes, **{"options": NOTHING_MORE, **options})  # type: ignore[arg-type]


# --- homes ----------------------------------------------------------------------------------------------------


def test_homes_in_are_homes_out(roads: Path, tmp_path: Path) -> None:
    homes = points(tmp_path / "homes.gpkg", HOMES, id=list("abcdef"))
    answer = answered(roads, homes)
    balance = answer.balance
    # 2 on the lane, 1 on the loop behind it, 1 on the through road, 1 on the island, 1 farther than 500 m from a street
    assert (balance.homes, balance.with_choice, balance.behind_exit) == (6.0, 1.0, 3.0)
    assert (balance.no_way_out, balance.not_placed) == (1.0, 1.0)
    assert [(group.name, group.homes) for group in answer.groups if group.kind == "street"] == [("=Mill Lane", 3.0)]
    assert any("more than 500 m from every street" in line for line in answer.assumptions)
    assert any("no exit can be reached" in line for line in answer.assumptions)


@pytest.mark.parametrize("name", ["homes.gpkg", "homes.geojson", "homes.shp"])
def test_homes_in_another_reference_system_are_brought_to_the_roads(roads: Path, tmp_path: Path, name: str) -> None:
    here = answered(roads, points(tmp_path / "here.gpkg", HOMES, id=list("abcdef")))
    there = answered(roads, points(tmp_path / name, HOMES, crs="EPSG:4326", id=list("abcdef")))
    np.testing.assert_allclose(here.homes.away_m, there.homes.away_m, atol=0.01)
    assert here.homes.street.tolist() == there.homes.street.tolist()


def test_homes_without_a_reference_system_are_refused(roads: Path, tmp_path: Path) -> None:
    homes = points(tmp_path / "homes.shp", HOMES, crs=None, id=list("abcdef"))
    with pytest.raises(InputError, match="names no reference system"):
        answered(roads, homes)


def test_homes_that_stand_twice_are_refused_by_count(roads: Path, tmp_path: Path) -> None:
    homes = points(tmp_path / "homes.gpkg", HOMES, id=["a", "b", "a", "b", "c", "d"])
    with pytest.raises(InputError, match=r"2 of 6 identities stand more than once \(a, b\)"):
        answered(roads, homes)


def test_an_empty_layer_is_refused(roads: Path, tmp_path: Path) -> None:
    frame = geopandas.GeoDataFrame({"id": []}, geometry=[], crs=CRS_M)
    frame.to_file(tmp_path / "homes.gpkg", engine="pyogrio")
    with pytest.raises(InputError, match="there are no homes in it"):
        answered(roads, tmp_path / "homes.gpkg")


def test_footprints_count_where_they_lie_and_dwellings_as_stated(roads: Path, tmp_path: Path) -> None:
    shapes = [shapely.box(EAST + x, NORTH + y, EAST + x + 12.0, NORTH + y + 9.0) for x, y in HOMES[:3]]
    path = tmp_path / "footprints.gpkg"
    geopandas.GeoDataFrame({"dwellings": [1, 6, 2]}, geometry=shapes, crs=CRS_M).to_file(path, engine="pyogrio")
    answer = answered(roads, path)
    assert answer.balance.behind_exit == 9.0


def test_a_table_of_points_and_one_of_counts(roads: Path, tmp_path: Path) -> None:
    frame = geopandas.GeoSeries([shapely.Point(EAST + x, NORTH + y) for x, y in HOMES[:3]], crs=CRS_M).to_crs(4326)
    table = tmp_path / "homes.csv"
    table.write_text("id,lon_deg,lat_deg\n" + "".join(f"h{i},{p.x:.8f},{p.y:.8f}\n" for i, p in enumerate(frame)))
    assert answered(roads, table).balance.behind_exit == 3.0
    counts = tmp_path / "counts.csv"
    counts.write_text("way_id,homes\n3,12\n1,4\n")
    answer = answered(roads, counts)
    assert (answer.balance.behind_exit, answer.balance.with_choice) == (12.0, 4.0)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("id,lon_deg,lat_deg\n", "there is no row"),
        ("id,east,north\na,1,2\n", "no column says longitude"),
        ("id,lon_deg,lat_deg\na,147.0,-137.0\n", "line 2: lat_deg is '-137.0'"),
        ("id,lon_deg,lat_deg\na,,-37.0\n", "lon_deg is None"),
        ("id,lon_deg,lat_deg,dwellings\na,147.0,-37.0,-3\n", "number of dwellings is '-3'"),
        ("way_id,homes\n3,12\n3,1\n", "way 3 stands twice"),
        ("way_id,homes\n99,12\n", "way 99: 12 homes are counted"),
        ("way_id,homes\n3,many\n", "line 2: it reads"),
    ],
)
def test_bad_tables_are_refused_with_their_line(roads: Path, tmp_path: Path, text: str, match: str) -> None:
    (tmp_path / "homes.csv").write_text(text)
    with pytest.raises(InputError, match=match):
        answered(roads, tmp_path / "homes.csv")


def test_an_area_without_homes_is_refused_and_homes_outside_are_counted(roads: Path, tmp_path: Path) -> None:
    homes = points(tmp_path / "homes.gpkg", HOMES, id=list("abcdef"))
    box = geopandas.GeoSeries([shapely.box(EAST + 400, NORTH + 50, EAST + 900, NORTH + 700)], crs=CRS_M).to_crs(4326)
    west, south, east, north = box.total_bounds
    answer = answered(roads, homes, options=replace(NOTHING_MORE, area_deg=(west, south, east, north)))
    assert (answer.balance.homes, answer.balance.outside_area, answer.balance.behind_exit) == (6.0, 3.0, 3.0)
    with pytest.raises(InputError, match="none of 6 homes lies in it"):
        answered(roads, homes, options=replace(NOTHING_MORE, area_deg=(10.0, 10.0, 10.1, 10.1)))
    with pytest.raises(InputError, match="is no box"):
        answered(roads, homes, options=replace(NOTHING_MORE, area_deg=(east, south, west, north)))


def test_a_region_that_does_not_exist_is_refused(roads: Path) -> None:
    with pytest.raises(InputError, match=r'region: is "AU-NWS", and AU has no such state.*AU-NSW'):
        survey_streets(roads, options=StreetOptions(region="AU-NWS"))


def test_roads_alone_hold_no_homes(roads: Path) -> None:
    with pytest.raises(InputError, match="holds roads only"):
        survey_streets(roads)


@pytest.mark.parametrize(
    ("tags", "area", "homes"),
    [
        ({"building": "house"}, 90.0, 1.0),
        ({"building": "yes"}, 90.0, 1.0),
        ({"building": "yes"}, 12.0, 0.0),
        ({"building": "yes", "amenity": "school"}, 900.0, 0.0),
        ({"building": "apartments", "building:flats": "7"}, 900.0, 7.0),
        ({"building": "apartments"}, 200.0, 6.0),
        ({"building": "garage"}, 50.0, 0.0),
        ({"building": "hotel"}, 500.0, 0.0),
    ],
)
def test_homes_in_a_building(tags: dict[str, str], area: float, homes: float) -> None:
    assert homes_in_building(tags, area_m2=area) == homes


def test_buildings_of_a_real_extract_are_all_accounted_for() -> None:
    homes = read_homes(ANDORRA, crs="EPSG:32631")
    said = " ".join(homes.assumptions)
    # 5,721 buildings are told of this extract; multipolygons and points with a building tag come on top
    assert "of 5769 buildings 5215 were taken for homes" in said
    assert "554 buildings were not counted as homes" in said
    assert len(set(homes.identity)) == len(homes.identity) == 5215


# --- exits ----------------------------------------------------------------------------------------------------


def test_exits_from_a_layer_and_a_table(roads: Path, tmp_path: Path) -> None:
    homes = points(tmp_path / "homes.gpkg", HOMES, id=list("abcdef"))
    exits = points(tmp_path / "exits.gpkg", [(1000.0, 5.0)], name=["east"])
    answer = answered(roads, homes, exits=exits)
    # with one way out the whole main road has one: everyone passes its eastern part
    assert answer.groups[0].homes == 4.0
    assert any("at the 1 places named: east" in line for line in answer.assumptions)
    names, x, _ = read_exits(exits, crs=CRS_M)
    assert names == ("east",)
    assert x[0] == pytest.approx(EAST + 1000.0)
    far = points(tmp_path / "far.gpkg", [(9000.0, 5.0)], name=["nowhere"])
    with pytest.raises(InputError, match="far from every junction"):
        answered(roads, homes, exits=far)


def test_exits_that_are_no_places_are_refused_in_words(tmp_path: Path) -> None:
    area = shapely.Point(EAST, NORTH).buffer(20.0)
    geopandas.GeoDataFrame({"name": ["yard"]}, geometry=[area], crs=CRS_M).to_file(tmp_path / "areas.gpkg")
    with pytest.raises(InputError, match=r"holds \['Polygon'\]\. Expected points\. .*give the exits as points"):
        read_exits(tmp_path / "areas.gpkg", crs=CRS_M)
    (tmp_path / "none.csv").write_text("name,lon_deg,lat_deg\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"there is no row in it\. Expected a header and at least one row"):
        read_exits(tmp_path / "none.csv", crs=CRS_M)
    (tmp_path / "exits.txt").write_text("148,-36", encoding="utf-8")
    with pytest.raises(InputError, match=r"exits\.txt"):
        read_exits(tmp_path / "exits.txt", crs=CRS_M)
    (tmp_path / "two.csv").write_text("lon_deg,lat_deg\n147.0,-37.0\n147.01,-37.0\n", encoding="utf-8")
    names, x, y = read_exits(tmp_path / "two.csv", crs=CRS_M)
    assert names == ("row 2", "row 3")
    # 0.01 degrees of longitude at 37 degrees south: 0.01 x 111.32 km x cos 37 = 889 m, 890 m on the ellipsoid (by hand)
    assert np.hypot(*(np.diff(one)[0] for one in (x, y))) == pytest.approx(889.5, abs=2.0)


def test_an_extract_without_buildings_counts_its_addresses_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "addresses.osm"
    number = '<tag k="addr:housenumber" v="{0}"/>'
    nodes = "".join(f'<node id="{at}" lat="-37.0" lon="147.0{at}">{number.format(at)}</node>' for at in (1, 2, 3))
    path.write_text(f'<?xml version="1.0"?><osm version="0.6" generator="test">{nodes}</osm>', encoding="utf-8")
    homes = read_homes(path, crs=CRS_M)
    assert homes.dwellings.tolist() == [1.0, 1.0, 1.0]
    assert homes.assumptions == ("addresses.osm has no buildings: its 3 addresses were counted as one home each.",)


def test_roads_without_an_exit_are_refused(tmp_path: Path) -> None:
    rows = [
        {"highway": "residential", "geometry": shapely.LineString([(EAST, NORTH), (EAST + 100.0, NORTH)])},
    ]
    path = tmp_path / "roads.gpkg"
    geopandas.GeoDataFrame(rows, geometry="geometry", crs=CRS_M).to_file(path, engine="pyogrio")
    with pytest.raises(InputError, match="no main road leads out"):
        answered(path, points(tmp_path / "homes.gpkg", [(50.0, 5.0)], id=["a"]))


# --- what is written ------------------------------------------------------------------------------------------


@pytest.fixture
def answer(roads: Path, tmp_path: Path) -> StreetSurvey:
    homes = points(tmp_path / "homes.gpkg", HOMES, id=["=1+1", "b", "c", "d", "e", "f"])
    return survey_streets(roads, homes, options=SurveyOptions(clearance_homes=1.0))


def test_files_are_written_and_carry_the_statement(answer: StreetSurvey, tmp_path: Path) -> None:
    out = tmp_path / "out"
    written = write_streets(answer, out, made_at=MADE)
    assert sorted(written) == ["streets.csv", "streets.gpkg", "streets.html", "streets.json"]
    assert sorted(path.name for path in out.iterdir()) == sorted(written)
    record = json.loads(written["streets.json"].read_text())
    assert record["override"] == OVERRIDE
    assert record["homes"] == {
        "given": 6.0,
        "with_a_choice_of_ways": 1.0,
        "behind_a_single_exit": 3.0,
        "depends_on_roads_cut_by_the_edge": 0.0,
        "no_way_out_by_car": 1.0,
        "too_far_from_any_street": 1.0,
        "outside_the_area": 0.0,
    }
    assert record["too_far_from_any_street"] == ["f"]
    assert record["no_way_out_by_car"] == ["e"]
    assert record["groups"][0]["clearance"][0]["last_out_min"] > record["groups"][0]["clearance"][0]["half_rolling_min"]
    for name, _ in pyogrio.list_layers(written["streets.gpkg"]):
        meta = pyogrio.read_info(written["streets.gpkg"], layer=name)["layer_metadata"]
        assert meta["OVERRIDE"] == OVERRIDE
    assert OVERRIDE in written["streets.html"].read_text()


def test_the_table_holds_no_formulas(answer: StreetSurvey) -> None:
    rows = list(csv.reader(streets_csv(answer).splitlines()))
    assert OVERRIDE in rows[1][2]
    assert all(not cell.startswith(("=", "+", "@")) for row in rows for cell in row)
    assert any(row[2] == "'=Mill Lane" for row in rows)
    assert len({len(row) for row in rows}) == 1


def test_layers_say_what_becomes_of_each_home(answer: StreetSurvey) -> None:
    tables = layers(streets_scene(answer))
    assert sorted(tables["homes"]["found"]) == [
        "behind a single exit",
        "behind a single exit",
        "behind a single exit",
        "choice of ways",
        "no way out by car on this map",
        "too far from any street",
    ]
    assert tables["single_exit_streets"]["homes_behind"].max() == 3.0
    assert tables["homes"].crs == answer.streets.crs


def test_roads_of_openstreetmap_carry_its_notice(answer: StreetSurvey, tmp_path: Path) -> None:
    assert not answer.from_osm
    assert OSM_NOTICE not in streets_csv(answer)
    mapped = survey_streets(ANDORRA, options=replace(NOTHING_MORE, region="AD"))
    assert mapped.from_osm
    assert OSM_NOTICE in streets_csv(mapped)
    written = write_streets(mapped, tmp_path / "out", made_at=MADE)
    assert OSM_NOTICE in written["streets.html"].read_text()
    assert json.loads(written["streets.json"].read_text())["notice"] == OSM_NOTICE


def test_nothing_half_written_is_left(answer: StreetSurvey, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(InputError, match="can't be written"):
        write_streets(answer, blocked / "out", made_at=MADE)
    with pytest.raises(InputError, match="UTC offset"):
        write_streets(answer, tmp_path / "out", made_at=datetime(2026, 1, 1))
    assert not (tmp_path / "out").exists()


def test_the_same_answer_gives_the_same_files(answer: StreetSurvey, tmp_path: Path) -> None:
    one = write_streets(answer, tmp_path / "one", made_at=MADE)
    two = write_streets(answer, tmp_path / "two", made_at=MADE)
    for name in ("streets.csv", "streets.json", "streets.html", "streets.gpkg"):
        assert one[name].read_bytes() == two[name].read_bytes(), name


# --- with a fire ----------------------------------------------------------------------------------------------


def test_those_who_are_not_out_when_the_exit_shuts(roads: Path, tmp_path: Path) -> None:
    """Fire comes to the mouth of the lane after two hours: told at once most get out, told then nobody does."""
    minutes = np.full((40, 60), 600.0, dtype=np.float32)
    minutes[25:35, 20:32] = 120.0
    arrival = tmp_path / "arrival.tif"
    with rasterio.open(
        arrival,
        "w",
        driver="GTiff",
        dtype="float32",
        count=1,
        height=40,
        width=60,
        crs=CRS.from_user_input(CRS_M),
        transform=from_origin(EAST - 100.0, NORTH + 700.0, 25.0, 25.0),
        nodata=-9999.0,
    ) as raster:
        raster.write(minutes, 1)
    homes = points(tmp_path / "homes.gpkg", HOMES[:3], id=list("abc"), dwellings=[100, 80, 60])
    answer = survey_streets(
        roads,
        homes,
        arrival=arrival,
        options=StreetOptions(standoff_m=50.0, smoke_lead_s=600.0, links=0, told_s=(0.0, 3600.0, 6600.0, 7200.0)),
    )
    group = next(group for group in answer.groups if group.clearance)
    assert group.shuts_s == pytest.approx(110.0 * 60.0)
    for cleared in group.clearance:
        left = [vehicles for _, vehicles in cleared.not_out]
        assert left == sorted(left)
        assert left[-1] == left[-2] == group.vehicles == 480.0
    quick, _, slow = (cleared.not_out[0][1] for cleared in group.clearance)
    assert quick < slow
    assert any("one fire of the arrival raster" in line for line in answer.assumptions)
    page = write_streets(answer, tmp_path / "out", made_at=MADE)["streets.html"].read_text()
    assert "Vehicles that are not out when the way shuts" in page


# --- terrain and fuel -----------------------------------------------------------------------------------------


def raster(path: Path, values: np.ndarray, *, cell_m: float = 50.0) -> Path:
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        dtype="float32",
        count=1,
        height=values.shape[0],
        width=values.shape[1],
        crs=CRS.from_user_input(CRS_M),
        transform=from_origin(EAST - 500.0, NORTH + 3500.0, cell_m, cell_m),
        nodata=-9999.0,
    ) as target:
        target.write(values.astype(np.float32), 1)
    return path


def test_grades_and_fuel_along_the_streets_of_a_group(roads: Path, tmp_path: Path) -> None:
    """Ground that rises by 12 % to the north, with 20 t/ha west of the lane and 8 t/ha east of it."""
    rows, columns = np.mgrid[0:90, 0:90]
    heights = raster(tmp_path / "heights.tif", 0.12 * (4500.0 - 50.0 * (rows + 0.5)))
    fuel = raster(tmp_path / "fuel.tif", np.where(-500.0 + 50.0 * (columns + 0.5) < 450.0, 20.0, 8.0))
    homes = points(tmp_path / "homes.gpkg", HOMES[:3], id=list("abc"), dwellings=[3, 3, 3])
    answer = survey_streets(roads, homes, terrain=heights, fuel=fuel, options=NOTHING_MORE)
    lane = next(group for group in answer.groups if group.name == "=Mill Lane")
    assert answer.facts.steepest[lane.row] == pytest.approx(0.12, abs=0.01)
    assert 8.0 <= answer.facts.fuel_t_ha[lane.row] < 10.0
    page = write_streets(answer, tmp_path / "out", made_at=MADE)["streets.html"].read_text()
    assert "Mean fuel" in page
    sample = read_raster(heights, crs=CRS_M, what="terrain")
    x, y = np.array([EAST + 10.0, EAST - 9000.0]), np.array([NORTH + 137.0, NORTH])
    high = sample(x, y)
    assert high[0] == pytest.approx(0.12 * (1000.0 + 137.0), abs=0.01)
    assert np.isnan(high[1])


# --- the survey itself ----------------------------------------------------------------------------------------


def test_options_out_of_range_are_refused_together() -> None:
    lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)]]
    streets = street_table(network_from_lines(lines, crs=CRS_M))
    homes = homes_by_street(streets, np.array([0.0, 5.0]))
    with pytest.raises(InputError) as caught:
        survey(
            StreetQuestion(
                streets,
                homes,
                exits=np.array([0]),
                options=SurveyOptions(people_per_home=0.0, vehicles_per_home=99.0, link_within_m=-1.0),
            )
        )
    assert len(caught.value.faults) == 3


def test_factors_are_stated_and_used() -> None:
    lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)]]
    streets = street_table(network_from_lines(lines, crs=CRS_M))
    homes = homes_by_street(streets, np.array([0.0, 8.0]))
    options = SurveyOptions(people_per_home=2.0, vehicles_per_home=1.5)
    answer = survey(StreetQuestion(streets, homes, exits=np.array([0]), options=options))
    assert (answer.groups[0].people, answer.groups[0].vehicles) == (16.0, 12.0)
    assert any(line.startswith("2 people and 1.5 vehicles") for line in answer.assumptions)
