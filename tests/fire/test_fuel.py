"""Fuel maps: from codes, from polygons, uniform; nothing unknown passes in silence."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon, box

from leaveby.errors import InputError
from leaveby.fire.fuel.types import FUEL_TYPES, LAND_COVER, UNMAPPED, FuelType, fuel_type
from leaveby.fire.fuel.zones import FuelMap, fuel_from_codes, fuel_from_polygons, uniform_fuel
from leaveby.fire.terrain import Grid, centre_of

GRID = Grid(x_min_m=1000.0, y_max_m=2000.0, cell_m=10.0, rows=12, cols=16, crs="EPSG:32755")


def _names(fuel: FuelMap) -> np.ndarray:
    return np.array([kind.name for kind in fuel.types])[fuel.code]


def _faults(call: object, *args: object, **options: object) -> list[str]:
    with pytest.raises(InputError) as caught:
        call(*args, **options)  # type: ignore[operator]
    return [str(fault) for fault in caught.value.faults]


def test_the_table_covers_what_a_practitioner_expects() -> None:
    expected = {
        "dry eucalypt forest": "forest",
        "tall wet forest": "forest",
        "woodland": "forest",
        "grassy woodland": "grass",
        "grassy open forest": "grass",
        "natural grassland": "grass",
        "grazed pasture": "grass",
        "eaten-out pasture": "grass",
        "shrubland": "shrubland",
        "heath": "shrubland",
        "scrub": "shrubland",
        "water": "none",
        "bare ground": "none",
        "sealed surface": "none",
    }
    assert {name: FUEL_TYPES[name].equation for name in expected} == expected
    # AS 3959 Table B2, from memory: forest 25/35 t/ha, woodland 15/25, grassland 4.5.
    assert (FUEL_TYPES["dry eucalypt forest"].surface_load_t_ha, FUEL_TYPES["woodland"].overall_load_t_ha) == (
        25.0,
        25.0,
    )
    assert FUEL_TYPES["natural grassland"].surface_load_t_ha == 4.5
    # Cheney and Sullivan (2008), from memory: half the open-grassland rate in woodland, 0.3 in open forest.
    assert (FUEL_TYPES["grassy woodland"].grass_factor, FUEL_TYPES["grassy open forest"].grass_factor) == (0.5, 0.3)
    assert all(kind.source for kind in FUEL_TYPES.values())


def test_land_cover_is_burnable_unless_it_plainly_is_not() -> None:
    assert all(name in FUEL_TYPES for name in LAND_COVER.values())
    for cover in ("residential", "industrial", "wetland", "farmland", "park", "forest", "scrub", "heath", "grassland"):
        assert fuel_type(cover).burns, cover
    for cover in ("water", "bare_rock", "scree", "sand", "reservoir"):
        assert not fuel_type(cover).burns, cover


def test_an_unknown_name_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match="dry eucalypt forest"):
        fuel_type("triffids")


def test_codes_and_legend() -> None:
    values = np.full(GRID.shape, 3)
    values[2:5, 4:9] = 7
    fuel = fuel_from_codes(GRID, values, legend={3: "Natural Grassland", 7: FUEL_TYPES["water"]})
    names = _names(fuel)
    assert names[0, 0] == "natural grassland"
    assert np.all(names[2:5, 4:9] == "water")
    assert fuel.assumptions == ("These are taken not to burn, though embers cross them: water.",)


def test_codes_without_a_legend_are_refused_with_their_place_all_at_once() -> None:
    values = np.full(GRID.shape, 3)
    values[4, 7] = 9
    values[6, 2] = 8
    faults = _faults(fuel_from_codes, GRID, values, legend={3: "heath", 5: "triffids"}, where="fuel.tif")
    assert any("fuel.tif row 5, column 8: the code 9 is not in the legend" in fault for fault in faults)
    assert any("fuel.tif row 7, column 3: the code 8" in fault for fault in faults)
    assert any("legend value 5: 'triffids' is not known" in fault for fault in faults)
    assert len(faults) == 3


def test_voids_burn_as_fast_as_anything_and_are_listed() -> None:
    values = np.full(GRID.shape, 3.0)
    values[0, :2] = -9999
    values[1, 0] = np.nan
    fuel = fuel_from_codes(GRID, values, legend={3: "heath"}, nodata=-9999)
    assert np.argwhere(_names(fuel) == "unmapped").tolist() == [[0, 0], [0, 1], [1, 0]]
    assert sum(kind == UNMAPPED for kind in fuel.types) == 1
    assert any(line.startswith("3 of 192 fuel cells have no value") for line in fuel.assumptions)


def test_a_raster_of_another_shape_is_refused() -> None:
    assert any(
        "rows and columns" in fault for fault in _faults(fuel_from_codes, GRID, np.zeros((3, 3)), legend={0: "heath"})
    )


def test_polygons_by_their_cell_centres_and_the_smallest_on_top() -> None:
    forest = box(1000.0, 1880.0, 1100.0, 2000.0)
    lake = Polygon([(1022.0, 1935.0), (1061.0, 1941.0), (1048.0, 1983.0)])
    fuel = fuel_from_polygons(GRID, [lake, forest], classes=["lake", "bush"], legend={"bush": "dry eucalypt forest"})
    names = _names(fuel)
    for row in range(GRID.rows):
        for col in range(GRID.cols):
            x, y = centre_of(GRID, row, col=col)
            point = shapely.Point(x, y)
            if min(point.distance(lake.exterior), point.distance(forest.exterior)) < 0.05:
                continue
            expected = "unmapped"
            if forest.contains(point):
                expected = "dry eucalypt forest"
            if lake.contains(point):
                expected = "water"
            assert names[row, col] == expected, (row, col)
    assert (names == "water").sum() > 0
    assert any("have no polygon" in line and "fastest" in line for line in fuel.assumptions)
    assert any("several polygons: the smallest one counts" in line for line in fuel.assumptions)


def test_polygon_faults_are_told_at_once() -> None:
    bow_tie = Polygon([(1000, 1900), (1050, 1950), (1050, 1900), (1000, 1950)])
    faults = _faults(
        fuel_from_polygons,
        GRID,
        [box(1000, 1900, 1050, 1950), LineString([(0, 0), (1, 1)]), None, bow_tie, Polygon()],
        classes=["wood"] * 5,
        where="cover.gpkg",
    )
    for what in (
        "polygon 2: it is a LineString",
        "polygon 3: it is missing",
        "polygon 4: the polygon is not valid",
        "polygon 5: it is an empty Polygon",
    ):
        assert any(what in fault for fault in faults), (what, faults)
    assert len(faults) == 4
    assert any("classes" in fault for fault in _faults(fuel_from_polygons, GRID, [box(0, 0, 1, 1)], classes=[]))


@pytest.mark.parametrize("name", ["triffids", None])
def test_unknown_and_missing_classes_burn_as_the_fastest_and_are_listed(name: str | None) -> None:
    fuel = fuel_from_polygons(GRID, [box(1000, 1880, 1160, 2000)], classes=[name])
    assert np.all(_names(fuel) == "unmapped")
    assert any(str(name) in line for line in fuel.assumptions)


def test_built_up_land_burns_and_is_listed() -> None:
    fuel = fuel_from_polygons(GRID, [box(1000, 1880, 1160, 2000)], classes=["residential"])
    assert fuel.types[int(fuel.code[0, 0])].burns
    assert any("Built-up land" in line for line in fuel.assumptions)


def test_no_polygons_at_all_leaves_all_unmapped() -> None:
    fuel = fuel_from_polygons(GRID, [], classes=[])
    assert np.all(_names(fuel) == "unmapped")
    assert any("192 of 192 fuel cells have no polygon" in line for line in fuel.assumptions)


def test_uniform_fuel_says_so() -> None:
    assert any("heath everywhere" in line for line in uniform_fuel(GRID, "heath").assumptions)


@pytest.mark.parametrize(
    "change",
    [
        {"surface_load_t_ha": -1.0},
        {"surface_load_t_ha": float("nan")},
        {"surface_hazard_score": 5.0},
        {"surface_hazard_score": 0.0},
        {"grass_factor": 0.0},
        {"shrub_wind_factor": 2.0},
    ],
)
def test_a_fuel_type_that_no_equation_can_take_is_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="dry eucalypt forest"):
        dataclasses.replace(FUEL_TYPES["dry eucalypt forest"], **change)


def test_a_code_without_a_type_is_refused() -> None:
    with pytest.raises(ValueError, match="does not exist"):
        FuelMap(GRID, np.full(GRID.shape, 2, np.int16), (FuelType("a", "none"),))
    with pytest.raises(ValueError, match="shape"):
        FuelMap(GRID, np.zeros((2, 2), np.int16), (FuelType("a", "none"),))
