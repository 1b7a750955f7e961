"""Trigger lines by hand: a fire at 1 m/s on level ground without wind is a circle, and the line is plain geometry."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.decision.fires.scenario import HouseholdInputs, prepare
from leaveby.decision.household.answer import answer_household
from leaveby.decision.lines.triggers import BEARINGS_DEG, area_of, decision_span_s, distances_to_line, lead_time_of
from leaveby.decision.ways.result import TriggerLine, WayTiming
from leaveby.decision.ways.roads import roads_for
from leaveby.fire.spread.model_error import ros_factor
from leaveby.fire.terrain import Grid

HOME = (4050.0, 4050.0)
ROAD_TO = {0.0: (4050.0, 4450.0), 90.0: (4450.0, 4050.0), 180.0: (4050.0, 3650.0), 270.0: (3650.0, 4050.0)}


@pytest.fixture(scope="module", params=list(ROAD_TO))
def drawn(request: pytest.FixtureRequest, valleys: ModuleType) -> tuple[float, TriggerLine]:
    """The bearing of a road of 400 m that leads from the home, and the line."""
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
        vehicles=(valleys.UTE,),
        towing=None,
        members=40,
    )
    found = answer_household(inputs, workers=2)
    return request.param, next(one for one in found.triggers if one.way == "car" and one.confidence == 0.95)


def test_the_line_is_farther_on_the_side_of_the_road(valleys: ModuleType, drawn: tuple[float, TriggerLine]) -> None:
    """Cells of 100 m. Fire at 1 m/s shuts the road from the cell beside it, 100 m away. It must be farther from there
    than the ready time, 650 s, the slow drive, 20 s x 1.475, and margin and smoke, 1200 s: 1979.5 m from the road. So
    the 19th cell is the last that is too near, the 20th belongs to it as the cell of safety, and the line stands at its
    far edge, 2050 m from the home; and 400 m farther on the side to which the road leads.
    """
    bearing_deg, line = drawn
    assert line.ready_s == pytest.approx(650.0)
    reach_m = dict(line.distance_m)
    by_hand_m = {side: 2450.0 if side == bearing_deg else 2050.0 for side in ROAD_TO}
    assert {side: reach_m[side] for side in ROAD_TO} == pytest.approx(by_hand_m)
    west, south, east, north = line.area.bounds
    x_m, y_m = valleys.placed([HOME])[0]
    sides_m = {0.0: north - y_m, 90.0: east - x_m, 180.0: y_m - south, 270.0: x_m - west}
    assert sides_m == pytest.approx(by_hand_m)


@pytest.fixture(scope="module")
def windy(valleys: ModuleType) -> HouseholdInputs:
    """Forest in a wind, by one equation whose error is a factor on the rate of spread."""
    return valleys.household(
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


@pytest.fixture(scope="module")
def timing(windy: HouseholdInputs) -> WayTiming:
    return answer_household(windy, workers=2).ways["car"]


def test_the_lead_stands_at_the_rate_of_spread_of_the_asked_confidence(
    windy: HouseholdInputs, timing: WayTiming
) -> None:
    """A factor on the rate of spread divides the fire's time by it: with drive, margin and smoke put back, everywhere.

    The equation's own error at 95 % (the 0.95 quantile of the normal is 1.645: any table) against its middle.
    """
    scenario = prepare(windy)
    roads = roads_for(scenario, "car", inside=np.ones(scenario.network.edge_count, dtype=bool))
    assert timing.route is not None
    edges = timing.route.edges
    taken_s = {0.5: 20.0 * 1.25 + 1200.0, 0.95: 20.0 * 1.475 + 1200.0}
    fire_s = {
        level: taken_s[level] + lead_time_of(scenario, roads, edges=edges, confidence=level, step=0)
        for level in taken_s
    }
    far = np.isfinite(fire_s[0.5]) & (fire_s[0.5] > 600.0)
    assert far.sum() > 1000
    factor = ros_factor("dry_eucalypt", 1.645) / ros_factor("dry_eucalypt", 0.0)
    assert factor > 1.3
    assert fire_s[0.5][far] / fire_s[0.95][far] == pytest.approx(factor, rel=0.01)


@pytest.mark.parametrize(
    ("latest_start_s", "span_s"),
    [
        (1200.0, (1200.0, 3000.0)),
        (-900.0, (0.0, 1800.0)),  # Before the fire starts there is no fire weather to look at.
        (None, (0.0, 36_000.0)),
    ],
)
def test_the_weather_of_a_line_is_looked_for_from_the_latest_start_to_the_end_of_a_slow_day(
    timing: WayTiming, latest_start_s: float | None, span_s: tuple[float, float]
) -> None:
    """Getting ready and driving takes 1800 s on a slow day; the horizon is 10 h."""
    given_ = replace(timing, latest_start_s=latest_start_s, required_s=replace(timing.required_s, p95_s=1800.0))
    assert decision_span_s(given_, horizon_s=36_000.0) == span_s


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
