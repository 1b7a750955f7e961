"""Which way out for which fire, on level ground without wind, where a fire at 1 m/s is a circle and all is geometry."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from leaveby.decision.fires.closing import closing_times, select, stretch_cells
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, prepare
from leaveby.decision.household.answer import answer_household
from leaveby.decision.lines.which_way import (
    TOO_LATE,
    UNTOUCHED,
    WayOutMap,
    areas_of,
    best_of,
    route_to_each,
    way_out_map,
)
from leaveby.decision.ways.result import WayTiming
from leaveby.decision.ways.roads import WayRoads, candidate_routes, roads_for
from leaveby.fire.terrain import Grid
from leaveby.household.plan import FireInput
from leaveby.parameters import TIE_S
from leaveby.roads.network.graph import csr

HOME = (4000.0, 4050.0)
ROADS = {"West Road": [HOME, (500.0, 4050.0)], "East Road": [HOME, (7500.0, 4050.0)]}
DRIVE_S, FACTOR, TAKEN_S, READY_S = 3500.0 / 20.0, 1.475, 1200.0, 600.0


@dataclass(frozen=True)
class Case:
    inputs: HouseholdInputs
    scenario: Scenario
    roads: WayRoads
    timing: WayTiming
    found: WayOutMap


@pytest.fixture(scope="module")
def case(valleys: ModuleType) -> Case:
    grid = valleys.ground(8000.0, 8000.0, cell_m=100.0)
    inputs = valleys.household(
        grid,
        ROADS,
        home=HOME,
        safe_points=(
            valleys.safe("the west", (500.0, 4050.0), ("car",)),
            valleys.safe("the east", (7500.0, 4050.0), ("car",)),
        ),
        ignitions=(valleys.point_fire((4050.0, 7850.0)),),
        weather=valleys.steady(wind_km_h=0.0, wind_from_deg=0.0),
        fire=FireInput(models=("dry_eucalypt",), set_m_s=1.0),
        tasks=(valleys.task("pack", 10, 10, 10, ("car",)),),
        vehicles=(valleys.UTE,),
        towing=None,
        members=40,
    )
    timing = answer_household(inputs, workers=2).ways["car"]
    scenario = prepare(inputs)
    network = scenario.network
    cells = stretch_cells(grid, list(network.geometry), standoff_m=100.0)
    roads = roads_for(scenario, "car", inside=cells.inside)
    candidates = candidate_routes(scenario, roads, graph=csr(network), pilot_closing_s=[])
    every = np.arange(network.edge_count)
    closing_s = closing_times(select(cells, every), np.full(grid.shape, 9000.0), smoke_lead_s=600.0)[None, :]
    routes = route_to_each(
        scenario,
        candidates,
        members=valleys.members_with(closing_s),
    )
    assert [route.safe_point for route in routes] == ["the west", "the east"]
    found = way_out_map(scenario, roads, ready_s=timing.ready_at_confidence_s, routes=routes, confidence=0.95, step=0)
    return Case(inputs, scenario, roads, timing, found)


def by_hand_s(x_m: np.ndarray, y_m: np.ndarray, *, to_x_m: float) -> np.ndarray:
    """Distance to the road at 1 m/s, less stand-off, less the whole drive on the one stretch, less smoke and margin."""
    low, high = sorted((HOME[0], to_x_m))
    aside_m = np.maximum(np.maximum(low - x_m, x_m - high), 0.0)
    return np.hypot(aside_m, y_m - HOME[1]) - 100.0 - DRIVE_S * FACTOR - TAKEN_S


def test_the_largest_lead_is_that_of_plain_geometry(valleys: ModuleType, case: Case) -> None:
    x_m, y_m = valleys.centres(case.inputs.terrain.grid)
    west, east = by_hand_s(x_m, y_m, to_x_m=500.0), by_hand_s(x_m, y_m, to_x_m=7500.0)
    # The stand-off is widened by half a cell's diagonal, and a cell is judged at its centre: within a cell, early.
    far = np.maximum(west, east) > 0.0
    off = np.maximum(west, east)[far] - case.found.lead_s[far]
    assert off.min() >= -1.0
    assert off.max() <= 100.0


def test_fire_in_the_east_sends_west_and_the_other_way_round(valleys: ModuleType, case: Case) -> None:
    x_m, _ = valleys.centres(case.inputs.terrain.grid)
    code = case.found.code
    assert set(np.unique(code)) == {TOO_LATE, 1, 2, 3}
    assert np.all(x_m[code == 1] > HOME[0])
    assert np.all(x_m[code == 2] < HOME[0])
    assert np.all(np.abs(x_m[code == 3] - HOME[0]) < 3500.0)
    assert (code == 1).sum() == pytest.approx((code == 2).sum(), rel=0.05)


def test_ways_that_are_equal_within_a_minute_are_both_named(valleys: ModuleType, case: Case) -> None:
    """Due north of the home both roads are equally far: on the axis, the two cells beside it."""
    x_m, _ = valleys.centres(case.inputs.terrain.grid)
    axis = np.abs(x_m - HOME[0]) < 60.0
    open_there = axis & (case.found.code != TOO_LATE)
    assert open_there.any()
    assert np.all(case.found.code[open_there] == 3)
    tie = next(one for one in case.found.areas if len(one.safe_points) == 2)
    assert "the west and the east leave the same time within a minute" in tie.sentence


def test_near_fire_leaves_no_way_and_that_is_said(case: Case) -> None:
    home = shapely.Point(case.scenario.home_xy_m)
    none = case.found.areas[-1]
    assert none.safe_points == ()
    assert none.area.contains(home)
    assert none.sentence == (
        "Fire here: late for leaving by car, without the house, to any of the safe points; go at once, as directed."
    )
    assert np.all(case.found.lead_s[case.found.code > 0] > READY_S)


def test_the_areas_cover_the_ground_once(case: Case) -> None:
    areas = [one.area for one in case.found.areas]
    assert sum(one.area for one in areas) == pytest.approx(8000.0 * 8000.0)
    assert shapely.union_all(areas).area == pytest.approx(8000.0 * 8000.0)


def test_no_route_at_all_is_not_mapped(case: Case) -> None:
    with pytest.raises(ValueError, match="0 routes"):
        way_out_map(
            case.scenario,
            case.roads,
            ready_s=case.timing.ready_at_confidence_s,
            routes=(),
            confidence=0.95,
            step=0,
        )


leads = hnp.arrays(
    np.float64,
    st.tuples(st.integers(1, 4), st.integers(1, 5), st.integers(1, 5)),
    elements=st.one_of(st.floats(-5e3, 5e3), st.just(np.inf)),
)


@given(leads, st.floats(0.0, 3000.0))
@settings(max_examples=150, deadline=None)
def test_the_code_says_what_the_maps_say(leads_s: np.ndarray, ready_s: float) -> None:
    """Cell by cell in plain Python: who is within a minute of the best, and where a neighbour is too late."""
    lead_s, code = best_of(leads_s, ready_s=ready_s)
    count, rows, cols = leads_s.shape
    for row in range(rows):
        for col in range(cols):
            here = [leads_s[k, row, col] for k in range(count)]
            best = max(here)
            assert lead_s[row, col] == best
            around = [
                max(leads_s[k, r, c] for k in range(count))
                for r in range(max(row - 1, 0), min(row + 2, rows))
                for c in range(max(col - 1, 0), min(col + 2, cols))
            ]
            if min(around) <= ready_s:
                assert code[row, col] == TOO_LATE
            elif all(np.isinf(value) for value in here):
                assert code[row, col] == UNTOUCHED
            else:
                within = [value == best if np.isinf(best) else best - value <= TIE_S.value for value in here]
                assert code[row, col] == sum(2**k for k, yes in enumerate(within) if yes)


def test_the_ground_of_each_answer_is_outlined_the_largest_first() -> None:
    """By hand: cells of 900 m2, two for the hall, one for both, one too late."""
    grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    found = areas_of(grid, np.array([[3, -1], [1, 1]]), names=("the hall", "the beach"), way="car")
    assert [(one.safe_points, one.area.area) for one in found] == [
        (("the hall",), 1800.0),
        (("the hall", "the beach"), 900.0),
        ((), 900.0),
    ]


def test_untouched_ground_has_no_area() -> None:
    grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    assert areas_of(grid, np.zeros((2, 2), np.int64), names=("the hall",), way="tow") == ()
