"""Two invented places with 40 x 40 km of coarse ground around them, for fire that may start anywhere.

Made in memory, the same on every call. Coordinates are metres from the south-west corner of the plan's own ground, as
in `invented_valley`; hills, farmland, heath and a lake go on over the edge of it without a step.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.fires.scenario import HouseholdInputs, WideGround
from leaveby.fire.fuel.zones import FuelMap, fuel_from_codes
from leaveby.fire.terrain import Grid, Terrain
from leaveby.household.plan import DangerInput


def _beside(name: str) -> ModuleType:
    """The module of this folder that `conftest.load_beside` gives, so that both see the same one."""
    known = f"leaveby_tests_{name}"
    if known not in sys.modules:
        spec = importlib.util.spec_from_file_location(known, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[known] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[known])
    return sys.modules[known]


valley = _beside("invented_valley")

XY = tuple[float, float]
OWN_WIDTH_M, OWN_HEIGHT_M, OWN_CELL_M = 16_000.0, 8_000.0, 100.0
WIDE_M, WIDE_CELL_M = 40_000.0, 200.0
LEGEND = {1: "dry eucalypt forest", 2: "shrubland", 3: "natural grassland", 4: "grazed pasture", 7: "water"}

ONE_HOME: XY = (3_000.0, 4_000.0)
ONE_ROAD = {
    "Sallow Lane": [ONE_HOME, (4_200.0, 4_300.0), (5_400.0, 3_800.0), (7_000.0, 4_100.0)],
    "Tannery Road": [(7_000.0, 4_100.0), (9_000.0, 4_900.0), (11_000.0, 4_400.0), (13_000.0, 4_600.0)],
    "Wicket Lane": [(7_000.0, 4_100.0), (7_300.0, 5_600.0), (8_200.0, 6_700.0)],
}
ONE_SAFE = valley.safe("Quarrel Flat", (13_000.0, 4_600.0))

TWO_HOME: XY = (8_000.0, 4_000.0)
TWO_ROADS = {
    "Bobbin Lane": [TWO_HOME, (8_300.0, 3_500.0)],
    "Tannery Road": [(8_300.0, 3_500.0), (6_000.0, 3_200.0), (4_000.0, 3_700.0), (2_000.0, 3_000.0)],
    "Quarrel Road": [(8_300.0, 3_500.0), (10_000.0, 4_300.0), (12_000.0, 4_800.0), (14_000.0, 5_200.0)],
}
TWO_SAFE = (valley.safe("Tannery Ford", (2_000.0, 3_000.0)), valley.safe("Quarrel Flat", (14_000.0, 5_200.0)))


def _elevation_m(x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gentle hills, higher in the north: slopes of a few degrees."""
    long_waves = 60.0 * np.sin(x_m / 2_600.0 + 0.7) * np.cos(y_m / 3_300.0)
    return 400.0 + 0.008 * y_m + long_waves + 25.0 * np.sin((x_m + 0.6 * y_m) / 1_100.0)


def _codes(x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Forest, with farmland in the south and in clearings, grass at its edge, heath on the tops, and one lake."""
    patch = np.sin(x_m / 1_900.0 + 1.3 * np.sin(y_m / 2_700.0)) + np.cos(y_m / 2_100.0 - 0.4 * np.sin(x_m / 1_500.0))
    farms = patch - y_m / 9_000.0
    code = np.where(farms > 0.5, 3.0, 1.0)
    code[farms > 0.9] = 4.0
    code[patch < -1.55] = 2.0
    code[((x_m + 7_000.0) / 2.2) ** 2 + (y_m - 13_000.0) ** 2 < 900.0**2] = 7.0
    return code


def _ground(grid: Grid) -> tuple[Terrain, FuelMap]:
    x_m, y_m = valley.centres(grid)
    x_m, y_m = x_m + grid.x_min_m - valley.WEST_M, y_m + grid.bounds_m[1] - valley.SOUTH_M
    return Terrain(grid, _elevation_m(x_m, y_m)), fuel_from_codes(grid, _codes(x_m, y_m), legend=LEGEND)


def wide_grid(middle: XY, *, cell_m: float = WIDE_CELL_M) -> Grid:
    """40 x 40 km about a point."""
    cells = round(WIDE_M / cell_m)
    return Grid(
        x_min_m=valley.WEST_M + middle[0] - WIDE_M / 2.0,
        y_max_m=valley.SOUTH_M + middle[1] + WIDE_M / 2.0,
        cell_m=cell_m,
        rows=cells,
        cols=cells,
        crs=valley.CRS,
    )


def _place(roads: dict[str, list[XY]], *, home: XY, wide_cell_m: float, **given: Any) -> HouseholdInputs:
    terrain, fuel = _ground(valley.ground(OWN_WIDTH_M, OWN_HEIGHT_M, cell_m=OWN_CELL_M))
    given.setdefault("danger", DangerInput(scale="australia"))
    inputs: HouseholdInputs = valley.household(
        terrain.grid, roads, home=home, fuel=fuel, elevation_m=terrain.elevation_m, **given
    )
    return replace(inputs, wide=WideGround(*_ground(wide_grid(home, cell_m=wide_cell_m))))


def one_road_out(*, wide_cell_m: float = WIDE_CELL_M, **changes: Any) -> HouseholdInputs:
    """A home at the end of a lane: every way to the one safe point, 10 km off in the east, takes the same two roads."""
    given: dict[str, Any] = {
        "safe_points": (ONE_SAFE,),
        "ignitions": (valley.point_fire((1_500.0, 7_000.0)),),
        "weather": valley.steady(wind_km_h=30.0, wind_from_deg=330.0, hot_c=36.0, dry=15.0),
    }
    return _place(ONE_ROAD, home=ONE_HOME, wide_cell_m=wide_cell_m, **{**given, **changes})


def two_roads_out(*, wide_cell_m: float = WIDE_CELL_M, **changes: Any) -> HouseholdInputs:
    """A home between two safe points 6 km off, one in the west and one in the east, with a road to each."""
    given: dict[str, Any] = {
        "safe_points": TWO_SAFE,
        "ignitions": (valley.point_fire((4_500.0, 7_000.0)),),
        "weather": valley.steady(wind_km_h=30.0, wind_from_deg=330.0, hot_c=36.0, dry=15.0),
    }
    return _place(TWO_ROADS, home=TWO_HOME, wide_cell_m=wide_cell_m, **{**given, **changes})


PLACES = {"one road out": one_road_out, "two roads out": two_roads_out}


def on_wide_ground(inputs: HouseholdInputs) -> HouseholdInputs:
    """The same household with the wide ground as its own."""
    assert inputs.wide is not None
    return replace(inputs, terrain=inputs.wide.terrain, fuel=inputs.wide.fuel)
