"""Terrain in tiles, with voids, in other units and reference systems: the same ground as the whole, or one mend.

That a .hgt tile holds 1201 x 1201 (3 arc-seconds) or 3601 x 3601 (1 arc-second) big-endian two-byte metres, rows from
the north, neighbours sharing their outer row, voids -32768, and is named by the middle of its south-west sample: the
public description of the shuttle mission's tiles, from memory; GDAL's own reader is held against it. The international
foot is 0.3048 m exactly (from memory).
"""

from __future__ import annotations

import itertools
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.errors import InputError
from leaveby.files.read.grids import Ground, read_terrain
from leaveby.files.read.rasters import tile_of

DEMO, DEM = demo_folder(), Path(__file__).parents[1] / "data" / "andorra_dem.tif"
HOME = {"home": (149.0, -36.5)}
Heights = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def hill(lon: NDArray[np.float64], lat: NDArray[np.float64]) -> NDArray[np.float64]:
    """A smooth ground, some hundred metres up and down over some km."""
    return 500.0 + 200.0 * np.sin(40.0 * lon) * np.cos(35.0 * lat) + 900.0 * (lon - 149.0) + 400.0 * (lat + 36.5)


def write(
    path: Path,
    values: NDArray[np.generic],
    *,
    west: float,
    north: float,
    cell: float,
    crs: str = "EPSG:4326",
    nodata: float | None = None,
    units: str | None = None,
) -> Path:
    size = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype.name}
    at = rasterio.Affine(cell, 0.0, west, 0.0, -cell, north)
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=at, nodata=nodata, **size) as target:
        target.write(values, 1)
        if units:
            target.units = (units,)
    return path


def cells(west: float, north: float, *, cell: float, rows: int, cols: int) -> tuple[NDArray[np.float64], ...]:
    return np.meshgrid(west + (np.arange(cols) + 0.5) * cell, north - (np.arange(rows) + 0.5) * cell)  # type: ignore[return-value]


def degree(folder: Path, name: str, heights: Heights = hill, *, side: int = 600) -> Path:
    """A tile of one degree named by its south-west corner."""
    south = float(name[1:3]) * (-1.0 if name[0] == "S" else 1.0)
    west = float(name[4:]) * (-1.0 if name[3] == "W" else 1.0)
    lon, lat = cells(west, south + 1.0, cell=1.0 / side, rows=side, cols=side)
    made = heights(lon, lat).astype(np.float32)
    return write(folder / f"{name}.tif", made, west=west, north=south + 1.0, cell=1.0 / side)


def hgt(folder: Path, name: str, *, side: int = 1201, heights: Heights = hill) -> Path:
    south = float(name[1:3]) * (-1.0 if name[0] == "S" else 1.0)
    west = float(name[4:])
    lon, lat = np.meshgrid(west + np.arange(side) / (side - 1), south + 1.0 - np.arange(side) / (side - 1))
    path = folder / f"{name}.hgt"
    path.write_bytes(np.round(heights(lon, lat)).astype(">i2").tobytes())
    return path


def off_m(ground: Ground, heights: Heights = hill) -> float:
    """How far a ground is from what the heights are, at the worst."""
    grid = ground.terrain.grid
    back = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    lon, lat = back.transform(*np.meshgrid(grid.x_m, grid.y_m))
    return float(np.abs(heights(lon, lat) - ground.terrain.elevation_m).max())


def refusal(files: Path | list[Path], places: dict[str, tuple[float, float]], **more: object) -> str:
    with pytest.raises(InputError) as caught:
        read_terrain(files, places, **more)  # type: ignore[arg-type]
    return str(caught.value)


# --- tiles ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_tiles_in_any_order_give_what_the_whole_raster_gives(tmp_path: Path, seed: int) -> None:
    """Random rasters cut at random into tiles, some with a few rows in common, voids among them."""
    rng = np.random.default_rng(seed)
    crs, cell = [("EPSG:4326", 0.0009), ("EPSG:32755", 90.0)][seed % 2]
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(149.0, -36.5)
    rows, cols = (int(one) for one in rng.integers(260, 400, 2))
    west, north = x - cols * cell * rng.uniform(0.4, 0.6), y + rows * cell * rng.uniform(0.4, 0.6)
    values = rng.uniform(0.0, 60.0, (rows, cols)).astype(np.float32)
    values[rng.random((rows, cols)) < 0.005] = -9999.0
    whole = write(tmp_path / "all.tif", values, west=west, north=north, cell=cell, crs=crs, nodata=-9999.0)
    downs = [0, *sorted(int(one) for one in rng.integers(60, rows - 60, 2)), rows]
    across = [0, int(rng.integers(100, cols - 100)), cols]
    both = int(rng.integers(0, 3))
    tiles = []
    for top, bottom in itertools.pairwise(downs):
        for left, right in itertools.pairwise(across):
            if bottom > top:
                part = values[top : bottom + both, left : right + both]
                at = {"west": west + left * cell, "north": north - top * cell}
                tiles.append(
                    write(tmp_path / f"{top}_{left}.tif", part, **at, cell=cell, crs=crs, nodata=-9999.0)  # type: ignore[arg-type]
                )
    rng.shuffle(tiles)
    cell_m = float(rng.choice([60.0, 100.0, 250.0]))
    one, many = (
        read_terrain(files, HOME, cell_m=cell_m, crs="EPSG:32755", around_m=9_000.0) for files in (whole, tiles)
    )
    assert many.terrain.grid == one.terrain.grid
    assert many.terrain.elevation_m == pytest.approx(one.terrain.elevation_m, abs=1e-4)
    assert many.assumptions == one.assumptions


def test_tiles_of_other_reference_systems_and_cells_join(tmp_path: Path) -> None:
    east = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32755", always_xy=True)
    left, top = east.transform(148.95, -36.3)
    x, y = cells(left, top, cell=60.0, rows=900, cols=900)
    lon, lat = pyproj.Transformer.from_crs("EPSG:32755", "EPSG:4326", always_xy=True).transform(x, y)
    metric = write(
        tmp_path / "m.tif", hill(lon, lat).astype(np.float32), west=left, north=top, cell=60.0, crs="EPSG:32755"
    )
    tiles = [degree(tmp_path, "S37E148"), metric]
    for files in (tiles, tiles[::-1]):
        ground = read_terrain(files, HOME, cell_m=100.0, around_m=8_000.0)
        assert ground.terrain.grid.crs == "EPSG:32755"
        assert off_m(ground) < 5.0


def test_tiles_of_the_shuttle_mission_are_read_as_the_format_says(tmp_path: Path) -> None:
    tiles = [hgt(tmp_path, "S37E148"), hgt(tmp_path, "S37E149", side=3601)]
    for files in (tiles, tiles[::-1], tiles[:1]):
        at = {"home": (148.97 if len(files) == 1 else 149.0, -36.5)}
        assert off_m(read_terrain(files, at, cell_m=100.0, around_m=2_500.0)) < 3.5
    broken = tiles[0].rename(tmp_path / "S37E147.hgt")
    broken.write_bytes(broken.read_bytes()[:-2])
    said = refusal([tiles[1], broken], HOME)
    assert "S37E147.hgt of 2,884,800 bytes can't be read as a tile of heights" in said
    assert "a whole .hgt file of 2,884,802 or 25,934,402 bytes" in said
    named = tiles[1].rename(tmp_path / "heights.hgt")
    assert "keep its name" in refusal(named, HOME)


def test_real_heights_are_the_same_in_four_tiles(tmp_path: Path) -> None:
    """SRTM tile N42E001, NASA/USGS, public domain, with its real voids."""
    with rasterio.open(DEM) as source:
        high, at = source.read(1), source.transform
    tiles = [
        write(
            tmp_path / f"{row}{col}.tif",
            high[row : row + 600, col : col + 600],
            west=at.c + col * at.a,
            north=at.f + row * at.e,
            cell=at.a,
            nodata=-32768,
        )
        for row in range(0, high.shape[0], 600)
        for col in range(0, high.shape[1], 600)
    ]
    home = {"home": (1.5218, 42.5069)}
    one, many = (read_terrain(files, home, cell_m=60.0, around_m=12_000.0) for files in (DEM, tiles))
    assert many.terrain.elevation_m == pytest.approx(one.terrain.elevation_m, abs=1e-4)
    assert many.assumptions == one.assumptions


def test_a_country_in_large_tiles_costs_what_the_place_costs(tmp_path: Path) -> None:
    side = 40_000
    for number in range(2):
        with rasterio.open(
            tmp_path / f"{number}.tif",
            "w",
            driver="GTiff",
            height=side,
            width=side,
            count=1,
            dtype="int16",
            crs="EPSG:32755",
            transform=rasterio.Affine(30.0, 0.0, 200_000.0 + number * 30.0 * side, 0.0, -30.0, 6_600_000.0),
            tiled=True,
            sparse_ok=True,
            compress="deflate",
        ):
            pass
    tracemalloc.start()
    try:
        files = [tmp_path / "1.tif", tmp_path / "0.tif"]
        ground = read_terrain(files, {"home": (149.0, -36.0)}, around_m=25_000.0, at_most=250_000)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert ground.terrain.grid.shape == (500, 500)
    assert peak < 300e6


def test_a_plan_names_its_tiles_and_they_stand_in_the_record(tmp_path: Path) -> None:
    with rasterio.open(DEMO / "terrain.tif") as source:
        high, at, crs = source.read(1), source.transform, source.crs.to_string()
    half = high.shape[1] // 2
    for name, part, west in (("w", high[:, :half], at.c), ("e", high[:, half:], at.c + half * at.a)):
        write(tmp_path / f"{name}.tif", part, west=west, north=at.f, cell=at.a, crs=crs)
    for name in ("roads.osm", "fuel.tif", "fuel_legend.csv", "weather.csv", "fuel_wide.tif", "terrain_wide.tif"):
        (tmp_path / name).symlink_to(DEMO / name)
    text = (DEMO / "plan.toml").read_text(encoding="utf-8")
    plan = tmp_path / "plan.toml"
    plan.write_text(text.replace('file = "terrain.tif"', 'file = ["w.tif", "e.tif"]'), encoding="utf-8")
    inputs, whole = read_inputs(load_plan(plan)), read_inputs(load_plan(DEMO / "plan.toml"))
    assert np.allclose(inputs.terrain.elevation_m, whole.terrain.elevation_m)
    assert inputs.record["terrain"].startswith("w.tif sha256:")
    assert inputs.record["terrain_2"].startswith("e.tif sha256:")
    plan.write_text(text.replace('file = "terrain.tif"', 'file = ["w.tif", "f.tif"]'), encoding="utf-8")
    with pytest.raises(InputError, match=r'\[terrain\] file\[2\]: names "f.tif", and there is no file'):
        load_plan(plan)


# --- voids and gaps -------------------------------------------------------------------------------------------------


@given(
    st.sampled_from([("int16", -32768, True), ("int16", -32768, False), ("int16", -9999, False)])
    | st.sampled_from([("float32", float("nan"), False), ("float32", -3.4e38, False), ("float32", -9999.0, True)]),
    st.integers(0, 2**32 - 1),
)
def test_voids_are_filled_between_the_heights_around_them_and_counted(
    tmp_path_factory: pytest.TempPathFactory, kind: tuple[str, float, bool], seed: int
) -> None:
    """Marked or not, a void becomes no summit and no pit, and what has a height keeps it."""
    rng, (dtype, void, marked) = np.random.default_rng(seed), kind
    values = np.cumsum(rng.uniform(-6.0, 6.0, (120, 120)), axis=1).astype(dtype)
    high, deep, at = rng.integers(1, 20), rng.integers(1, 20), rng.integers(30, 60, 2)
    hole = np.s_[at[0] : at[0] + high, at[1] : at[1] + deep]
    rim = values[at[0] - 1 : at[0] + high + 1, at[1] - 1 : at[1] + deep + 1].copy()
    sound = values.astype(np.float64)
    values[hole] = void
    path = tmp_path_factory.mktemp("void") / "t.tif"
    write(path, values, west=676_000.0, north=5_960_000.0, cell=50.0, crs="EPSG:32755", nodata=void if marked else None)
    home = pyproj.Transformer.from_crs("EPSG:32755", "EPSG:4326", always_xy=True).transform(679_000.0, 5_957_000.0)
    ground = read_terrain(path, {"home": home}, cell_m=50.0)
    found = ground.terrain.elevation_m
    known = np.ones(found.shape, dtype=bool)
    known[hole] = False
    sound = sound[:, : found.shape[1]]
    assert found[known] == pytest.approx(sound[known], abs=1e-9)
    assert rim.min() - 1e-3 <= found[hole].min()
    assert found[hole].max() <= rim.max() + 1e-3
    (said,) = ground.assumptions
    assert said.startswith(f"{high * deep} of {found.size} terrain cells had no elevation and were filled from those")
    wide = 50.0 * (2 * ((min(high, deep) + 1) // 2))
    assert said.endswith(f"the largest gap is {wide:.0f} m wide.")


def test_a_hole_in_a_slope_is_filled_with_the_slope(tmp_path: Path) -> None:
    """Source: a plane is its own fill. Weighted by distance from all sides it is met within a seventh of its rise."""
    x, y = np.meshgrid(np.arange(120) * 50.0, np.arange(120) * 50.0)
    plane = (200.0 + 0.2 * x + 0.1 * y).astype(np.float32)
    values = plane.copy()
    values[50:60, 40:56] = np.nan
    path = write(tmp_path / "t.tif", values, west=676_000.0, north=5_960_000.0, cell=50.0, crs="EPSG:32755")
    home = pyproj.Transformer.from_crs("EPSG:32755", "EPSG:4326", always_xy=True).transform(679_000.0, 5_957_000.0)
    found = read_terrain(path, {"home": home}, cell_m=50.0).terrain.elevation_m
    assert np.abs(found - plane[:, : found.shape[1]])[50:60, 40:56].max() < (0.2 * 800.0 + 0.1 * 500.0) / 7.0


def test_a_gap_over_land_is_refused_with_the_tile_to_add_and_adding_it_mends(tmp_path: Path) -> None:
    places = {"home": (148.98, -36.5), "oval": (149.02, -35.5)}
    tiles = [degree(tmp_path, name) for name in ("S37E148", "S37E149", "S36E149")]
    said = refusal(tiles, places, cell_m=200.0, around_m=20_000.0)
    assert "terrain.file: " in said
    assert "add the one of that place to the list (the tile S36E148" in said or "the tile S36E148," in said
    assert "around latitude -35." in said
    assert off_m(read_terrain([*tiles, degree(tmp_path, "S36E148")], places, cell_m=200.0, around_m=20_000.0)) < 10.0


def test_a_wide_gap_of_few_cells_is_refused_with_its_place(tmp_path: Path) -> None:
    path = degree(tmp_path, "S37E148")
    with rasterio.open(path, "r+") as target:
        values = target.read(1)
        values[300:345, 300:360] = np.nan  # 8 km
        target.write(values, 1)
    said = refusal(path, {"home": (148.5, -36.5)}, cell_m=200.0, around_m=30_000.0)
    assert "has a gap 8" in said
    assert "around latitude -36.5" in said
    assert "longitude 148.5" in said


def test_a_tile_of_sea_is_taken_for_sea_and_said(tmp_path: Path) -> None:
    def shore(lon: NDArray[np.float64], lat: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(lon < 148.9, hill(lon, lat), 0.0)

    files = [degree(tmp_path, "S37E148", shore), degree(tmp_path, "S37E150", shore)]
    ground = read_terrain(files, {"home": (148.8, -36.5), "islet": (150.02, -36.5)}, cell_m=500.0, around_m=9_000.0)
    grid = ground.terrain.grid
    east = grid.cols * 2 // 5
    assert ground.terrain.elevation_m[:, east:].max() == 0.0
    assert ground.terrain.elevation_m[:, : east // 4].min() > 0.0
    assert any("were taken for sea: if there is land, its slopes are missing" in line for line in ground.assumptions)


# --- other reference systems and units ------------------------------------------------------------------------------


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:3577", "EPSG:32755", "EPSG:3112", "EPSG:32758"])
def test_lengths_are_true_on_the_grid_whatever_the_raster_is_in(tmp_path: Path, crs: str) -> None:
    """Web maps stretch a kilometre at 36.5 degrees by a quarter (pyproj): fire would seem to need longer for it."""
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(149.0, -36.5)
    lon_lat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    left, top = x - 20_000.0, y + 20_000.0
    heights = hill(*lon_lat.transform(*cells(left, top, cell=100.0, rows=400, cols=400))).astype(np.float32)
    ground = read_terrain(
        write(tmp_path / "t.tif", heights, west=left, north=top, cell=100.0, crs=crs), HOME, cell_m=100.0
    )
    grid = ground.terrain.grid
    back = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    middle = grid.x_m[grid.cols // 2], grid.y_m[grid.rows // 2]
    lon, lat = back.transform([middle[0]] * 2, [middle[1], middle[1] + 1000.0])
    azimuth, _, far_m = pyproj.Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    assert far_m == pytest.approx(1000.0, rel=0.01)
    assert abs(azimuth) < 4.0, "winds come from true north, and the grid's north must be near it"
    assert off_m(ground) < 5.0


@pytest.mark.parametrize("unit", ["ft", "foot", "US survey foot"])
def test_feet_that_a_file_names_are_turned_to_metres_and_said(tmp_path: Path, unit: str) -> None:
    lon, lat = cells(148.9, -36.4, cell=0.001, rows=200, cols=200)
    feet = (hill(lon, lat) / 0.3048).astype(np.float32)
    ground = read_terrain(write(tmp_path / "t.tif", feet, west=148.9, north=-36.4, cell=0.001, units=unit), HOME)
    assert off_m(ground) < 5.0
    assert any("are in feet, as the file says, and were turned to metres" in line for line in ground.assumptions)


def test_heights_that_can_be_no_metres_are_refused(tmp_path: Path) -> None:
    """Steep real heights in feet (SRTM tile N42E001); in metres hardly a cell is steeper than 60 degrees."""
    with rasterio.open(DEM) as source:
        high, at = source.read(1).astype(np.float64), source.transform
    high[high < -600] = 2000.0
    for times, said in ((3.28084, "are no metres"), (10.0, "are no metres")):
        path = tmp_path / "t.tif"
        write(path, (high * times).astype(np.float32), west=at.c, north=at.f, cell=at.a)
        assert said in refusal(path, {"home": (1.5218, 42.5069)}, cell_m=60.0)


def test_a_raster_labelled_with_the_next_zone_is_refused_with_the_label_to_write(tmp_path: Path) -> None:
    left, top = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32755", always_xy=True).transform(148.9, -36.4)
    heights = np.full((300, 300), 200.0, dtype=np.float32)
    path = write(tmp_path / "t.tif", heights, west=left, north=top, cell=100.0, crs="EPSG:32754")
    said = refusal(path, HOME)
    assert "its reference system, EPSG:32754, is of another zone: write EPSG:32755" in said
    with rasterio.open(path, "r+") as target:
        target.crs = "EPSG:32755"
    assert read_terrain(path, HOME).terrain.elevation_m.max() == 200.0


@pytest.mark.parametrize(
    ("given_tile", "said"),
    [("S37E150", "add the tile S37E149"), ("N36E149", "write 36.5 instead of -36.5 for the latitude")],
)
def test_the_next_tile_or_one_of_another_half_of_the_earth_is_told(tmp_path: Path, given_tile: str, said: str) -> None:
    assert said in refusal(degree(tmp_path, given_tile), {"home": (149.3, -36.5)})


def test_a_tile_of_swapped_latitude_and_longitude_is_told(tmp_path: Path) -> None:
    said = refusal(degree(tmp_path, "N01E042"), {"home": (1.4787, 42.5758)})
    assert "longitude and latitude look exchanged" in said
    assert "or, if the place is right, give the tile N42E001 instead" in said


@given(st.floats(-179.99, 179.99), st.floats(-84.99, 84.99))
def test_a_tile_is_named_by_the_corner_below_and_left(lon_deg: float, lat_deg: float) -> None:
    name = tile_of(lon_deg, lat_deg)
    south = int(name[1:3]) * (1 if name[0] == "N" else -1)
    west = int(name[4:]) * (1 if name[3] == "E" else -1)
    assert south <= lat_deg < south + 1
    assert west <= lon_deg < west + 1


def test_a_picture_is_no_terrain(tmp_path: Path) -> None:
    path = tmp_path / "t.tif"
    path.write_bytes(b"P5\n2 2\n255\n\0\0\0\0")  # a portable grey map
    assert "can't be read as a raster" in refusal(path, HOME)
