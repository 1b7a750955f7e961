"""Trigger lines by hand: a fire at 1 m/s on level ground without wind is a circle, and the line is plain geometry."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leaveby.decision.household.timed import made_ready
from leaveby.decision.lines.triggers import BEARINGS_DEG, area_of, distances_to_line
from leaveby.decision.rules.rules import asked_of, household_rules
from leaveby.decision.rules.too_near import Threshold, day_fires, fastest, lead_map, reference_table
from leaveby.decision.ways.result import Rule, TriggerLine
from leaveby.fire.spread.model_error import ros_factor
from leaveby.fire.terrain import Grid
from leaveby.household.plan_tables import RulesInput

HOME = (4050.0, 4050.0)
ROAD_TO = {0.0: (4050.0, 4450.0), 90.0: (4450.0, 4050.0), 180.0: (4050.0, 3650.0), 270.0: (3650.0, 4050.0)}


@pytest.fixture(scope="module", params=list(ROAD_TO))
def drawn(request: pytest.FixtureRequest, valleys: ModuleType) -> tuple[float, Rule]:
    """The bearing of a road of 400 m that leads from the home, and the rule for it."""
    grid = valleys.ground(8000.0, 8000.0, cell_m=100.0)
    end = ROAD_TO[request.param]
    inputs = valleys.household(
        grid,
        {"Hall Road": [HOME, end]},
        home=HOME,
        safe_points=(valleys.safe("the hall", end, ("car",)),),
        ignitions=(valleys.point_fire((7850.0, 7850.0)),),
        weather=valleys.steady(wind_km_h=0.0, wind_from_deg=0.0),
        fire=valleys.FireInput(models=("dry_eucalypt",), set_m_s=1.0),
        tasks=(valleys.task("pack", *[650.0 / 60.0] * 3, ("car",)),),
        rules=RulesInput(learns_s=(600.0, 600.0, 600.0)),
        vehicles=(valleys.UTE,),
        towing=None,
        members=40,
    )
    ready = made_ready(inputs, workers=1)
    (rule,) = household_rules(ready.scenario, ready.candidates, workers=1).rules.values()
    return request.param, rule


@pytest.mark.parametrize(("line", "needs_s", "reach_m"), [("late", 1850.0, 2050.0), ("go", 2450.0, 2650.0)])
def test_the_line_is_farther_on_the_side_of_the_road(
    valleys: ModuleType, drawn: tuple[float, Rule], line: str, needs_s: float, reach_m: float
) -> None:
    """Cells of 100 m. Fire at 1 m/s shuts the road from the cell beside it, 100 m away. It must be farther from there
    than the ready time, 650 s, margin and smoke, 1200 s, and the slow drive, 20 s x 1.475: 1979.5 m from the road. So
    the 19th cell is the last that is too near, the 20th belongs to it as the cell of safety, and the line stands at its
    far edge, 2050 m from the home; and 400 m farther on the side to which the road leads. Who has still to learn of the
    fire needs 600 s more, six cells.
    """
    bearing_deg, rule = drawn
    found: TriggerLine = getattr(rule, line)
    assert found.ready_s == pytest.approx(needs_s)
    reaches_m = dict(found.distance_m)
    by_hand_m = {side: reach_m + 400.0 if side == bearing_deg else reach_m for side in ROAD_TO}
    assert {side: reaches_m[side] for side in ROAD_TO} == pytest.approx(by_hand_m)
    west, south, east, north = found.area.bounds
    x_m, y_m = valleys.placed([HOME])[0]
    sides_m = {0.0: north - y_m, 90.0: east - x_m, 180.0: y_m - south, 270.0: x_m - west}
    assert sides_m == pytest.approx(by_hand_m)


def test_the_share_is_that_of_the_places_within_the_line(drawn: tuple[float, Rule]) -> None:
    """Too near are places less than 2479.5 m from the cells beside the road, five by three and the home's own.

    All starts lie on the ground of 80 x 80 cells, the rest within 25 km counts as not too near: the line is inside. One
    fire in so many square kilometres of a disc of 25 km.
    """
    bearing_deg, rule = drawn
    turn = {0.0: (-1, 0), 90.0: (0, 1), 180.0: (1, 0), 270.0: (0, -1)}[bearing_deg]
    row, col = np.indices((80, 80))
    spots = [(39 + k * turn[0] / 10.0, 40 + k * turn[1] / 10.0) for k in range(41)]
    away = np.min([np.hypot(row - y, col - x) for y, x in spots], axis=0)
    shut = np.argwhere(away <= (100.0 + 50.0 * 2.0**0.5) / 100.0)
    reach_m = 100.0 * np.min([np.hypot(row - y, col - x) for y, x in shut], axis=0)
    near = int((reach_m < 2479.5).sum())
    cells = np.hypot(*np.meshgrid(np.arange(-250, 251), np.arange(-250, 251)))
    assert rule.share == pytest.approx(near / float((cells <= 250.0).sum()), rel=1e-3)


@pytest.mark.parametrize("level", [0.5, 0.95])
def test_the_lead_stands_at_the_rate_of_spread_of_the_asked_confidence(valleys: ModuleType, level: float) -> None:
    """A factor on the rate of spread divides the fire's time by it: with the drive put back, everywhere.

    The equation's own error at 95 % (the 0.95 quantile of the normal is 1.645: any table) against its middle.
    """
    inputs = valleys.household(
        valleys.ground(8000.0, 8000.0, cell_m=100.0),
        {"Hall Road": [HOME, ROAD_TO[90.0]]},
        home=HOME,
        safe_points=(valleys.safe("the hall", ROAD_TO[90.0], ("car",)),),
        ignitions=(valleys.point_fire((4050.0, 7850.0)),),
        weather=valleys.steady(wind_km_h=20.0, wind_from_deg=0.0),
        fire=valleys.FireInput(models=("dry_eucalypt",)),
        tasks=(valleys.task("pack", 10, 10, 10, ("car",)),),
        vehicles=(valleys.UTE,),
        towing=None,
        members=40,
    )
    ready = made_ready(inputs, workers=1)
    asked = asked_of(ready.scenario, ready.candidates, workers=1)
    (cells,) = asked.cells["car"]

    def fire_s(confidence: float) -> NDArray[np.float64]:
        day = day_fires(asked.ground, inputs.weather, draws=asked.draws, confidence=confidence)
        table = reference_table(asked.ground, fastest(day, within=np.ones(12, dtype=bool)), wind_from_deg=0.0)
        return 30.0 + lead_map(table, cells, wanted=Threshold(1.5, 36_000.0, 36_000.0)).astype(np.float64)

    middle_s, found_s = fire_s(0.5), fire_s(level)
    far = np.isfinite(middle_s) & (middle_s > 600.0)
    assert far.sum() > 1000
    factor = ros_factor("dry_eucalypt", {0.5: 0.0, 0.95: 1.645}[level]) / ros_factor("dry_eucalypt", 0.0)
    assert factor == 1.0 or factor > 1.3
    assert middle_s[far] / found_s[far] == pytest.approx(factor, rel=0.01)


@settings(max_examples=60, deadline=None)
@given(
    corners=st.lists(st.tuples(st.floats(2.0, 38.0), st.floats(2.0, 28.0)), min_size=3, max_size=8, unique=True),
    row=st.integers(2, 27),
    col=st.integers(2, 37),
)
def test_distances_are_those_of_rays_through_the_area(corners: list[tuple[float, float]], row: int, col: int) -> None:
    """Against shapely: the far end of what a ray, clockwise from north, shares with the outlined cells.

    The ray is walked in quarter cells: half a step more or less, and a corner that it only grazes may be passed over.
    """
    grid = Grid(x_min_m=1000.0, y_max_m=5000.0, cell_m=10.0, rows=30, cols=40, crs="EPSG:32755")
    hull = shapely.MultiPoint(corners).convex_hull
    x, y = np.meshgrid(np.arange(40) + 0.5, np.arange(30) + 0.5)
    inside = np.asarray(shapely.intersects_xy(hull, x, y))
    others = inside.copy()
    others[row, col] = False
    area = area_of(grid, others)
    x_m, y_m = grid.x_min_m + (col + 0.5) * 10.0, grid.y_max_m - (row + 0.5) * 10.0
    for bearing_deg, reach_m in zip(BEARINGS_DEG, distances_to_line(grid, inside, from_cell=(row, col)), strict=True):
        way = np.array([np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))])
        ray = shapely.LineString([(x_m, y_m), np.array([x_m, y_m]) + 1000.0 * way])
        shared = [part for part in shapely.get_parts(ray.intersection(area)) if part.length > 0.0]
        ends = [float(np.max((shapely.get_coordinates(part) - (x_m, y_m)) @ way)) for part in shared]
        surely = [end for end, part in zip(ends, shared, strict=True) if part.length > 2.5]
        assert reach_m <= max(ends, default=0.0) + 1.25 + 1e-6
        assert reach_m >= max(surely, default=0.0) - 1.25 - 1e-6


def test_a_ray_that_leaves_the_grid_marked_has_no_end() -> None:
    grid = Grid(x_min_m=0.0, y_max_m=90.0, cell_m=10.0, rows=9, cols=9, crs="EPSG:32755")
    inside = np.zeros((9, 9), dtype=bool)
    inside[4, 4:] = True
    reach_m = dict(zip(BEARINGS_DEG, distances_to_line(grid, inside, from_cell=(4, 4)), strict=True))
    assert reach_m[90.0] == np.inf
    assert {reach_m[0.0], reach_m[180.0], reach_m[270.0]} == {0.0}
