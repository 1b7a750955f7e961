"""Known maps of land cover by the codes in a raster, and what their classes burn like.

Classes and codes of CORINE Land Cover (44 in five groups of 11, 11, 12, 5 and 5) and of the National Land Cover
Database (20, four of them in Alaska alone) are from memory; the eleven of the world map were read on its page. What
burns and what does not is common practice, no source.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from geopandas import GeoDataFrame
from hypothesis import given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel
from leaveby.files.read.legends import LEGENDS, fitting, fitting_raster, legend_rows
from leaveby.fire.fuel.types import known_fuel_type
from leaveby.fire.terrain import Grid
from leaveby.regions import COUNTRIES

GRID = Grid(x_min_m=600_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=30, cols=30, crs="EPSG:32755")
CODES = {name: [int(row["value"]) for row in legend_rows(name)] for name in LEGENDS}


def raster(folder: Path, codes: list[int], *, among: list[int] | None = None, seed: int = 1) -> Path:
    """A raster that holds each of the codes, and some more among them."""
    rng = random.Random(seed)
    cells = [*codes, *rng.choices(among or codes, k=900 - len(codes))]
    rng.shuffle(cells)
    values = np.array(cells, dtype=np.int16).reshape(30, 30)
    form = {"driver": "GTiff", "height": 30, "width": 30, "count": 1, "dtype": "int16", "crs": GRID.crs}
    at = rasterio.Affine(100.0, 0.0, 600_000.0, 0.0, -100.0, 6_000_000.0)
    with rasterio.open(folder / "fuel.tif", "w", transform=at, **form) as target:
        target.write(values, 1)
    return folder / "fuel.tif"


def refusal(path: Path, legend: str | None) -> str:
    with pytest.raises(InputError) as caught:
        read_fuel(GRID, path, legend=None if legend is None else Path(legend))
    (fault,) = caught.value.faults
    return str(fault)


def test_the_tables_hold_the_published_classes_once_each() -> None:
    groups = [code // 100 for code in CODES["corine"]]
    assert [groups.count(number) for number in range(1, 6)] == [11, 11, 12, 5, 5]
    assert CODES["corine_44"] == list(range(1, 45))
    assert CODES["nlcd"] == [11, 12, 21, 22, 23, 24, 31, 41, 42, 43, 51, 52, 71, 72, 73, 74, 81, 82, 90, 95]
    for name in LEGENDS:
        rows = legend_rows(name)
        assert len({row["value"] for row in rows}) == len({row["land_cover"] for row in rows}) == len(rows)
        assert all(known_fuel_type(row["fuel_type"]) is not None and row["why"] for row in rows)
        assert {row["mark"] for row in rows} == ({"judgement"} if name == "world" else {"memory"})


@pytest.mark.parametrize("name", LEGENDS)
def test_only_water_ice_rock_and_tidal_ground_are_taken_not_to_burn(name: str) -> None:
    bare = {row["land_cover"].lower() for row in legend_rows(name) if not known_fuel_type(row["fuel_type"]).burns}  # type: ignore[union-attr]
    words = ("water", "ice", "snow", "glacier", "bare rock", "salines", "tidal", "lagoon", "estuar", "sea")
    assert all(any(word in cover for word in words) for cover in bare)
    woods = [row for row in legend_rows(name) if row["land_cover"].lower().endswith((" forest", "tree cover"))]
    assert woods
    assert all(known_fuel_type(row["fuel_type"]).equation == "forest" for row in woods)  # type: ignore[union-attr]


@given(st.sampled_from(LEGENDS), st.integers(0, 10**6))
def test_a_map_is_among_those_that_its_codes_fit(name: str, seed: int) -> None:
    rng = random.Random(seed)
    found = fitting(rng.sample(CODES[name], rng.randint(1, len(CODES[name]))))
    assert name in found
    assert (*found,) == tuple(one for one in LEGENDS if one in found)


@pytest.mark.parametrize("name", LEGENDS)
@pytest.mark.parametrize("country", ["AU", "PT"])
def test_a_raster_of_a_known_map_burns_as_its_table_says(tmp_path: Path, name: str, country: str) -> None:
    path = raster(tmp_path, CODES[name])
    assert name in fitting_raster(path)
    fuel = read_fuel(GRID, path, legend=Path(name), country=country)
    with rasterio.open(path) as source:
        codes = source.read(1)
    table = {int(row["value"]): row["fuel_type"] for row in legend_rows(name, country)}
    expected = [[table[code] for code in line] for line in codes]
    assert [[fuel.types[code].name for code in line] for line in fuel.code] == expected
    assert f'a table of judgement for the map "{name}"' in fuel.assumptions[0]


def test_without_a_legend_the_map_is_named_where_the_codes_fit_only_one(tmp_path: Path) -> None:
    for name in ("corine", "nlcd"):
        said = refusal(raster(tmp_path, CODES[name]), None)
        assert said.startswith("fuel.legend: is missing, so the codes in ")
        assert f'write legend = "{name}", the one known map that has all its codes' in said
    said = refusal(raster(tmp_path, [10, 20, 30]), None)
    assert 'write legend = "world" or legend = "corine_44", whichever map it is' in said
    assert "To mend it: name the legend, or `column`" in refusal(raster(tmp_path, [1, 2, 999]), None)


def test_a_raster_of_another_map_than_was_said_is_one_fault_with_the_map_to_write(tmp_path: Path) -> None:
    said = refusal(raster(tmp_path, CODES["corine"]), "world")
    assert 'is the map "world", which has no code 111, 112, 121, 122, 123 ...' in said
    assert 'write legend = "corine"' in said
    said = refusal(raster(tmp_path, [*CODES["nlcd"], 250]), "nlcd")
    assert "which has no code 250." in said
    assert "what holds no value is to be nodata" in said
    assert "legend" not in said.partition("To mend it: ")[2].partition("make a table")[0]


def test_polygons_with_a_column_of_codes_take_a_known_map_too(tmp_path: Path) -> None:
    boxes = [shapely.box(600_000 + 750 * k, 5_997_000, 600_750 + 750 * k, 6_000_000) for k in range(4)]
    frame = GeoDataFrame({"code_18": ["311", "323", "511", "231"]}, geometry=boxes, crs=GRID.crs)
    frame.to_file(tmp_path / "fuel.gpkg", driver="GPKG")
    fuel = read_fuel(GRID, tmp_path / "fuel.gpkg", column="code_18", legend=Path("corine"))
    row = [fuel.types[code].name for code in fuel.code[15, [1, 10, 18, 28]]]
    assert row == ["dry eucalypt forest", "scrub", "water", "natural grassland"]


@pytest.mark.parametrize("country", sorted(COUNTRIES)[:3])
def test_every_known_map_has_one_row_a_class_in_every_country(country: str) -> None:
    for name in LEGENDS:
        assert [int(row["value"]) for row in legend_rows(name, country)] == CODES[name]
