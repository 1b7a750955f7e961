"""The wide ground for fire that nobody knows yet: read by part, in the plan's reference system, as far as files go."""

from __future__ import annotations

import re
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import rasterio
import rasterio.warp
import shapely
from geopandas import GeoDataFrame
from numpy.typing import NDArray
from rasterio.enums import Resampling

from leaveby.ask.household import MOST_WIDE_CELLS, demo_folder, load_plan, read_inputs, read_wide
from leaveby.decision.household.answer import answer_household
from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_starts, read_terrain
from leaveby.fire.fuel.zones import fuel_from_polygons
from leaveby.fire.terrain import Grid
from leaveby.household.plan import Plan

CRS = "EPSG:32755"
ANDORRA = Path(__file__).parents[1] / "data" / "andorra_plan.toml"
LEGEND = "value,fuel_type\n1,dry eucalypt forest\n2,natural grassland\n3,water\n"


def write(
    path: Path, values: NDArray[Any], *, crs: str, west: float, north: float, cell: float, nodata: float | None = None
) -> Path:
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=values.shape[0],
        width=values.shape[1],
        count=1,
        dtype=values.dtype.name,
        crs=crs,
        transform=rasterio.Affine(cell, 0.0, west, 0.0, -cell, north),
        nodata=nodata,
    ) as target:
        target.write(values, 1)
    return path


def whole(path: Path, grid: Grid, how: Resampling, *, missing: float) -> NDArray[np.float64]:
    """All of a raster, brought onto a grid by GDAL in one go."""
    out = np.full(grid.shape, missing)
    with rasterio.open(path) as source:
        band = source.read(1).astype(np.float64)
        band[source.read_masks(1) == 0] = missing
        rasterio.warp.reproject(
            band,
            out,
            src_transform=source.transform,
            src_crs=source.crs,
            src_nodata=missing,
            dst_transform=rasterio.Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m),
            dst_crs=grid.crs,
            dst_nodata=missing,
            resampling=how,
        )
    return out


# --- by part ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_a_part_of_a_raster_gives_what_the_whole_gives(tmp_path: Path, seed: int) -> None:
    """Random rasters in degrees, in the plan's zone and in the one beside it; GDAL on the whole raster is the check."""
    rng = np.random.default_rng(seed)
    crs, cell = [("EPSG:4326", 0.0009), (CRS, 90.0), ("EPSG:32756", 80.0), ("EPSG:3577", 110.0)][seed % 4]
    lon, lat = 149.0 + rng.uniform(-0.5, 0.5), -36.0 + rng.uniform(-0.5, 0.5)
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    rows, cols = rng.integers(300, 500, 2)
    west, north = x - cols * cell * rng.uniform(0.2, 0.8), y + rows * cell * rng.uniform(0.2, 0.8)
    high = rng.uniform(0.0, 90.0, (rows, cols)).astype(np.float32)
    high[rng.random((rows, cols)) < 0.01] = -9999.0
    terrain = write(tmp_path / "t.tif", high, crs=crs, west=west, north=north, cell=cell, nodata=-9999.0)
    codes = write(
        tmp_path / "f.tif",
        rng.integers(1, 4, (rows, cols)).astype(np.uint8),
        crs=crs,
        west=west,
        north=north,
        cell=cell,
    )
    (tmp_path / "legend.csv").write_text(LEGEND, encoding="utf-8")
    cell_m = float(rng.choice([60.0, 100.0, 250.0]))
    ground = read_terrain(
        terrain, {"home": (lon, lat)}, cell_m=cell_m, crs=CRS, around_m=float(rng.uniform(2_000.0, 5_000.0))
    )
    grid = ground.terrain.grid
    assert grid.crs == CRS
    assert grid.rows * grid.cols * cell_m**2 < 0.5 * rows * cols * 80.0**2, "no part of it was to be left out"
    checks = [whole(terrain, grid, how, missing=np.nan) for how in (Resampling.bilinear, Resampling.average)]
    off_m = min(float(np.nanmax(np.abs(one - ground.terrain.elevation_m))) for one in checks)
    assert off_m < 1e-6, "no more than the rounding of another origin"
    fuel = read_fuel(grid, codes, legend=tmp_path / "legend.csv")
    expected = whole(codes, grid, Resampling.nearest, missing=-9999.0)
    assert np.array_equal(fuel.code + 1, expected)


def test_a_raster_larger_than_the_memory_is_read(tmp_path: Path) -> None:
    """40,000 x 40,000 cells would be 12.8 GB as numbers; nothing but what lies around the home is touched."""
    path, side = tmp_path / "country.tif", 40_000
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=side,
        width=side,
        count=1,
        dtype="int16",
        crs=CRS,
        transform=rasterio.Affine(30.0, 0.0, 200_000.0, 0.0, -30.0, 6_600_000.0),
        tiled=True,
        sparse_ok=True,
        compress="deflate",
    ):
        pass
    tracemalloc.start()
    try:
        ground = read_terrain(path, {"home": (149.0, -36.0)}, around_m=25_000.0, at_most=MOST_WIDE_CELLS)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert ground.terrain.grid.shape == (500, 500)
    assert ground.terrain.grid.cell_m == pytest.approx(100.0)
    assert peak < 300e6


def test_ground_of_very_small_cells_is_thinned_before_it_is_averaged(tmp_path: Path) -> None:
    """A slope and a chequerboard of 1 km keep their shape where 5 m cells are brought to 100 m."""
    side, cell = 4_100, 5.0
    x, y = pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(149.0, -36.0)
    west, north = round(x) - side * cell / 2.0, round(y) + side * cell / 2.0
    along = (np.arange(side) + 0.5) * cell
    slope = (0.05 * along[None, :] + 0.02 * along[:, None]).astype(np.float32)
    board = (1 + ((along[None, :] // 1000.0 + along[:, None] // 1000.0) % 2)).astype(np.uint8)
    terrain = write(tmp_path / "t.tif", slope, crs=CRS, west=west, north=north, cell=cell)
    codes = write(tmp_path / "f.tif", board, crs=CRS, west=west, north=north, cell=cell)
    (tmp_path / "legend.csv").write_text(LEGEND, encoding="utf-8")
    ground = read_terrain(terrain, {"home": (149.0, -36.0)}, cell_m=100.0, around_m=25_000.0, at_most=MOST_WIDE_CELLS)
    grid = ground.terrain.grid
    east_m = grid.x_min_m + (np.arange(grid.cols) + 0.5) * 100.0 - west
    south_m = north - grid.y_max_m + (np.arange(grid.rows) + 0.5) * 100.0
    expected = 0.05 * east_m[None, :] + 0.02 * south_m[:, None]
    assert np.abs(ground.terrain.elevation_m - expected).max() < 1.0
    fuel = read_fuel(grid, codes, legend=tmp_path / "legend.csv")
    there = (east_m[None, :] // 1000.0 + south_m[:, None] // 1000.0) % 2
    assert np.mean(fuel.code == there) > 0.99


@pytest.mark.parametrize("seed", range(4))
def test_polygons_about_the_grid_give_what_all_polygons_give(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    grid = Grid(x_min_m=660_000.0, y_max_m=6_020_000.0, cell_m=200.0, rows=100, cols=100, crs=CRS)
    middles = rng.uniform([620_000.0, 5_960_000.0], [720_000.0, 6_060_000.0], (400, 2))
    shapes = [shapely.Point(at).buffer(rng.uniform(500.0, 6_000.0), quad_segs=6) for at in middles]
    classes = rng.choice(["heath", "natural grassland", "water"], len(shapes)).tolist()
    layer = GeoDataFrame({"c": classes}, geometry=shapes, crs=CRS).to_crs("EPSG:4326" if seed % 2 else CRS)
    layer.to_file(tmp_path / "fuel.gpkg", driver="GPKG")
    read = read_fuel(grid, tmp_path / "fuel.gpkg", column="c")
    expected = fuel_from_polygons(grid, list(layer.to_crs(CRS).geometry), classes=classes)
    named = [np.array([one.name for one in fuel.types])[fuel.code] for fuel in (read, expected)]
    assert np.array_equal(*named)
    near = [name for name, at in zip(classes, shapes, strict=True) if at.intersects(shapely.box(*grid.bounds_m))]
    there = list(dict.fromkeys(near))
    assert [one.name for one in read.types if one.name in classes] == there, "in the order of the file"


# --- of a plan ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> Plan:
    return load_plan(demo_folder() / "plan.toml")


def own_grid(plan: Plan) -> Grid:
    return read_terrain(plan.terrain.file, {"home": (plan.home.lon_deg, plan.home.lat_deg)}).terrain.grid


def with_rules(plan: Plan, **changes: Any) -> Plan:
    return replace(plan, rules=replace(plan.rules, **{"cell_m": None, **changes}))


def refused(plan: Plan) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_wide(plan, own_grid(plan))
    return [str(fault) for fault in caught.value.faults]


def test_the_demo_has_ground_for_25_km_around_every_place(demo: Plan) -> None:
    inputs = read_inputs(demo)
    wide, own = inputs.wide, inputs.terrain.grid
    assert wide is not None
    grid = wide.terrain.grid
    assert grid.crs == own.crs
    assert wide.fuel.grid == grid
    assert grid.rows * grid.cols <= MOST_WIDE_CELLS
    to_ground = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    west, south, east, north = grid.bounds_m
    for place in (demo.home, *demo.safe_points):
        x_m, y_m = to_ground.transform(place.lon_deg, place.lat_deg)
        assert min(x_m - west, north - y_m, east - x_m, y_m - south) >= demo.rules.radius_m
    said = f"The rules for a fire nobody knows yet are computed on {grid.cols} x {grid.rows} cells of "
    assert sum(line.startswith(said) for line in wide.assumptions) == 1
    assert not any("nobody knows" in line for line in inputs.assumptions), "the worked day's sheet says its own alone"
    assert {"rules_terrain", "rules_fuel", "rules_fuel_legend"} <= set(inputs.record)
    assert re.fullmatch(r"terrain_wide\.tif sha256:[0-9a-f]{64}", inputs.record["rules_terrain"])


def test_a_plan_that_names_no_wide_ground_has_none(demo: Plan) -> None:
    bare = with_rules(
        demo, terrain_file=None, fuel_file=None, fuel_legend=None, fuel_column=None, fuel_type=None, cell_m=None
    )
    assert read_wide(bare, own_grid(bare)) is None
    assert read_inputs(bare).wide is None
    assert "rules_terrain" not in read_inputs(bare).record


def test_ground_smaller_than_asked_is_a_smaller_grid() -> None:
    """The Andorra raster ends 11 km west of the home: the grid ends there too, and nothing is made up beyond."""
    plan = load_plan(ANDORRA)
    assert plan.rules.terrain_file is not None
    own_crs = own_grid(plan).crs
    wide = read_wide(plan, own_grid(plan))
    assert wide is not None
    grid = wide.terrain.grid
    west, south, east, north = grid.bounds_m
    with rasterio.open(plan.rules.terrain_file) as source:
        ends = rasterio.warp.transform_bounds(source.crs, own_crs, *source.bounds)
    places = [(place.lon_deg, place.lat_deg) for place in (plan.home, *plan.safe_points)]
    x_m, _ = pyproj.Transformer.from_crs("EPSG:4326", own_crs, always_xy=True).transform(*np.array(places).T)
    assert grid.cell_m == 100.0
    assert (west, north) == pytest.approx((ends[0], ends[3]), abs=1.0)
    assert 10_000.0 < x_m[0] - west < 12_000.0
    assert 0.0 <= south - ends[1] < 100.0
    assert 0.0 <= east - max(x_m) - 25_000.0 < 100.0, "in the east the raster goes on"
    assert wide.fuel.grid == grid
    assert any("terrain cells had no elevation" in line for line in wide.assumptions), "its real voids"


def test_voids_are_filled_and_counted_and_too_many_are_refused(demo: Plan, tmp_path: Path) -> None:
    with rasterio.open(demo.rules.terrain_file) as source:
        high, crs, at = source.read(1), source.crs.to_string(), source.transform
    few, many = high.copy(), high.copy()
    few[300:310, 20:40], many[:, :250] = -9999, -9999
    for name, values in (("few", few), ("many", many)):
        write(tmp_path / f"{name}.tif", values, crs=crs, west=at.c, north=at.f, cell=at.a, nodata=-9999.0)
    plan = with_rules(demo, terrain_file=tmp_path / "few.tif")
    wide = read_wide(plan, own_grid(plan))
    assert wide is not None
    assert np.isfinite(wide.terrain.elevation_m).all()
    (line,) = [line for line in wide.assumptions if "had no elevation and were filled" in line]
    assert 0 < int(line.split()[0]) <= 200
    (fault,) = refused(with_rules(demo, terrain_file=tmp_path / "many.tif"))
    assert re.search(r"rules\.terrain_file: \d\d % of the area has no elevation in .*many\.tif", fault)


def cut(plan: Plan, path: Path, *, west: int = 0, east: int = 600, north: int = 0, south: int = 600) -> Plan:
    """The plan with only some columns and rows of its wide ground."""
    with rasterio.open(plan.rules.terrain_file) as source:
        high, crs, at = source.read(1), source.crs.to_string(), source.transform
    part = high[north:south, west:east]
    write(path, part, crs=crs, west=at.c + west * at.a, north=at.f - north * at.a, cell=at.a)
    return with_rules(plan, terrain_file=path)


def test_wide_ground_off_the_home_is_refused_with_the_places(demo: Plan, tmp_path: Path) -> None:
    faults = refused(cut(demo, tmp_path / "west.tif", east=240))
    assert [fault.split(":")[0] for fault in faults] == ["home", *(f'safe point "{p.name}"' for p in demo.safe_points)]
    for fault in faults:
        assert "lies outside the terrain" in fault
        assert "(rules.terrain_file)" in fault
        assert "give a terrain raster that covers it" in fault


@pytest.mark.parametrize(
    ("sides", "said"),
    [
        ({"west": 256}, ["400 m in the west"]),
        ({"north": 258, "east": 344}, ["600 m in the north", "[34][0-9]{2} m in the east"]),
        ({"south": 345}, ["in the south"]),
    ],
)
def test_wide_ground_that_holds_less_than_the_plans_own_is_refused(
    demo: Plan, tmp_path: Path, sides: dict[str, int], said: list[str]
) -> None:
    """The ways out lie on the plan's own ground: all of it must be there."""
    plan = cut(demo, tmp_path / "part.tif", **sides)
    plan = replace(plan, safe_points=plan.safe_points[-1:])  # the sports ground, beside the home
    own = read_terrain(demo.terrain.file, {"all": (demo.home.lon_deg, demo.home.lat_deg)}, around_m=20_000.0)
    with pytest.raises(InputError) as caught:
        read_wide(plan, own.terrain.grid)
    (fault,) = [str(one) for one in caught.value.faults]
    assert fault.startswith("rules.terrain_file: ")
    assert "ends before the plan's own ground" in fault
    assert "name the plan's own terrain.file here too" in fault
    for words in said:
        assert re.search(words, fault)


def test_what_was_taken_for_granted_of_the_wide_ground_is_said(demo: Plan) -> None:
    inputs = read_inputs(with_rules(demo, cell_m=2000.0, hours=(13,)))
    assert inputs.wide is not None
    fuel = replace(inputs.wide.fuel, assumptions=("Half of it is guessed.",))
    few = replace(inputs.plan, members=20, danger=replace(inputs.plan.danger, scale="own"))
    answer = answer_household(replace(inputs, plan=few, wide=replace(inputs.wide, fuel=fuel)), workers=2)
    said = [line for line in answer.assumptions if line.startswith(("The rules for a fire nobody", "On the ground of"))]
    assert said == [inputs.wide.assumptions[-1], "On the ground of the rules: Half of it is guessed."]


def test_the_plans_own_files_will_do(demo: Plan) -> None:
    """A small ground is no fault: it ends where it ends."""
    inputs = read_inputs(with_rules(demo, terrain_file=demo.terrain.file, fuel_file=demo.fuel.file))
    assert inputs.wide is not None
    west, south, east, north = inputs.wide.terrain.grid.bounds_m
    assert 9_500.0 < east - west <= 9_600.0 + 1e-6
    assert 9_500.0 < north - south <= 9_600.0 + 1e-6


def test_the_wide_ground_is_in_the_plans_reference_system_whatever_its_file_is_in(demo: Plan, tmp_path: Path) -> None:
    with rasterio.open(demo.rules.terrain_file) as source:
        to, width, height = rasterio.warp.calculate_default_transform(
            source.crs, "EPSG:4326", source.width, source.height, *source.bounds
        )
        turned = np.full((height, width), -9999, dtype=np.int16)
        rasterio.warp.reproject(
            source.read(1),
            turned,
            src_transform=source.transform,
            src_crs=source.crs,
            dst_transform=to,
            dst_crs="EPSG:4326",
            dst_nodata=-9999,
            resampling=Resampling.bilinear,
        )
    with rasterio.open(
        tmp_path / "degrees.tif",
        "w",
        driver="GTiff",
        height=height,
        width=width,
        count=1,
        dtype="int16",
        crs="EPSG:4326",
        transform=to,
        nodata=-9999,
    ) as target:
        target.write(turned, 1)
    own = own_grid(demo)
    plain = read_wide(with_rules(demo, cell_m=200.0, radius_m=20_000.0), own)
    other = read_wide(with_rules(demo, cell_m=200.0, radius_m=20_000.0, terrain_file=tmp_path / "degrees.tif"), own)
    assert plain is not None
    assert other is not None
    assert other.terrain.grid == plain.terrain.grid
    assert np.abs(other.terrain.elevation_m - plain.terrain.elevation_m).mean() < 3.0
    assert np.array_equal(other.fuel.code, plain.fuel.code)


def test_too_small_a_cell_is_refused_and_a_larger_one_taken(demo: Plan) -> None:
    (fault,) = refused(with_rules(demo, cell_m=50.0))
    assert re.match(r"rules\.terrain_file: cells of 50 m make 1\d{3} x 1\d{3} cells of the area", fault)
    assert "at most 250,000 in all" in fault
    assert "give a larger rules.cell_m" in fault
    wide = read_wide(with_rules(demo, cell_m=200.0), own_grid(demo))
    assert wide is not None
    assert wide.terrain.grid.cell_m == 200.0


def test_the_faults_of_the_wide_fuel_are_named_by_its_keys(demo: Plan, tmp_path: Path) -> None:
    (tmp_path / "legend.csv").write_text("value,fuel_type\n1,heath\n1,water\n", encoding="utf-8")
    for changes, place in (
        ({"fuel_legend": None}, "rules.fuel_legend"),
        ({"fuel_legend": tmp_path / "legend.csv"}, "rules.fuel_legend"),
        ({"fuel_file": None, "fuel_legend": None}, "rules.fuel"),
        ({"fuel_file": ANDORRA.with_name("andorra_landcover.gpkg"), "fuel_column": "no"}, "rules.fuel_column"),
    ):
        for fault in refused(with_rules(demo, **changes)):
            assert re.match(rf"{re.escape(place)}\b(?!\.)", fault), fault


def test_the_faults_of_both_grounds_come_together(demo: Plan, tmp_path: Path) -> None:
    (tmp_path / "legend.csv").write_text("value,fuel_type\n1,heath\n", encoding="utf-8")
    plan = with_rules(demo, fuel_legend=tmp_path / "legend.csv")
    plan = replace(plan, fuel=replace(plan.fuel, legend=tmp_path / "legend.csv"))
    with pytest.raises(InputError) as caught:
        read_inputs(plan)
    places = {str(fault).split()[0] for fault in caught.value.faults}
    assert {"fuel.file", "rules.fuel_file"} <= places


def test_a_legend_that_both_grounds_name_is_faulted_once(demo: Plan, tmp_path: Path) -> None:
    (tmp_path / "legend.csv").write_text("value,fuel_type\n1,heath\n1,water\n", encoding="utf-8")
    plan = with_rules(demo, fuel_legend=tmp_path / "legend.csv")
    plan = replace(plan, fuel=replace(plan.fuel, legend=tmp_path / "legend.csv"))
    with pytest.raises(InputError) as caught:
        read_inputs(plan)
    (fault,) = [str(one) for one in caught.value.faults]
    assert fault.startswith("fuel.legend ")


def _starts(path: Path, values: NDArray[np.float64]) -> Path:
    """A raster of how likely fires start, over cells of 100 m."""
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        dtype="float32",
        count=1,
        height=values.shape[0],
        width=values.shape[1],
        crs="EPSG:32755",
        transform=rasterio.Affine(100.0, 0.0, 600_000.0, 0.0, -100.0, 6_000_000.0),
        nodata=-1.0,
    ) as target:
        target.write(values.astype(np.float32), 1)
    return path


def test_where_fires_start_is_read_onto_the_ground_of_the_rules(tmp_path: Path) -> None:
    """Cells twice as wide take the mean of four; ground beyond the raster and its voids have no starts."""
    values = np.arange(16.0).reshape(4, 4)
    values[0, :2] = -1.0  # a void
    grid = Grid(x_min_m=600_000.0, y_max_m=6_000_000.0, cell_m=200.0, rows=3, cols=2, crs="EPSG:32755")
    found = read_starts(_starts(tmp_path / "starts.tif", values), grid)
    assert found == pytest.approx(np.array([[4.5, 4.5], [10.5, 12.5], [0.0, 0.0]]))


@pytest.mark.parametrize("values", [np.zeros((4, 4)), np.full((4, 4), -0.5)])
def test_starts_that_can_not_be_are_refused(tmp_path: Path, values: NDArray[np.float64]) -> None:
    grid = Grid(x_min_m=600_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=4, cols=4, crs="EPSG:32755")
    with pytest.raises(InputError, match=r"rules\.starts_file .*starts\.tif: holds .* at the least"):
        read_starts(_starts(tmp_path / "starts.tif", values), grid)
