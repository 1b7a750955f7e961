"""What the leave-bys promise, measured at length: replays, and 200 random changes of the demo's plan.

With `-s` the figures are written out. Smaller versions stand among the tests of the decision room. How many members and
truths there are may be set by LEAVEBY_REPLAY_MEMBERS, LEAVEBY_REPLAY_TRUTHS and LEAVEBY_CHANGE_MEMBERS.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from types import ModuleType

import numpy as np
import pyproj
import pytest
from numpy.typing import NDArray
from scipy.stats import betabinom

from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.decision.fires.closing import select, stretch_cells
from leaveby.decision.fires.members import Members, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, member_table, prepare
from leaveby.decision.fires.solved import solve_fires
from leaveby.decision.household.answer import answer_household
from leaveby.decision.household.replay import replay_many
from leaveby.decision.ways.confidence import latest_start
from leaveby.decision.ways.roads import roads_for
from leaveby.decision.ways.route_fires import choose_routes, gather_routes, share_burnt
from leaveby.decision.ways.timing import readiness_that_clears, route_latest_s
from leaveby.fire.terrain import centre_of
from leaveby.household.plan import Plan, ways
from leaveby.household.plan_tables import Way
from leaveby.roads.network.graph import csr

MEMBERS = int(os.environ.get("LEAVEBY_REPLAY_MEMBERS", "400"))
TRUTHS = int(os.environ.get("LEAVEBY_REPLAY_TRUTHS", "1000"))
CONFIDENCES = (0.5, 0.9, 0.95, 0.99)


@pytest.mark.benchmark
@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_five_scenarios_are_caught_no_more_than_promised(confidence: float, valleys: ModuleType) -> None:
    """Pooled over scenarios, one way of each, so that counts are independent; and every way within its own bound."""
    one_each = []
    for name, make in valleys.SCENARIOS.items():
        inputs = make(members=MEMBERS, confidence=confidence)
        result = answer_household(inputs, workers=2)
        found = replay_many(inputs, result, truths=TRUTHS, rng=np.random.default_rng(20_260_117), workers=2)
        for way, one in found.items():
            sys.stdout.write(
                f"{confidence:g} {name}, {way}: caught {100 * one.caught_share:.1f} %, margin not kept "
                f"{100 * one.within_margin_share:.1f} % (at most {100 * one.allowed / TRUTHS:.1f} %)\n"
            )
            assert one.within_margin <= one.allowed
        one_each.append(found["car"] if "car" in found else found["foot"])
    rank = MEMBERS - int(np.ceil(confidence * (MEMBERS + 1) - 1e-9)) + 1
    mean = len(one_each) * betabinom.mean(TRUTHS, rank, MEMBERS + 1 - rank)
    variance = len(one_each) * betabinom.var(TRUTHS, rank, MEMBERS + 1 - rank)
    assert sum(one.within_margin for one in one_each) <= mean + 3.1 * np.sqrt(variance)
    assert sum(one.caught for one in one_each) <= mean + 3.1 * np.sqrt(variance)


Departures = dict[Way, NDArray[np.float64]]


def departures(inputs: HouseholdInputs) -> tuple[Scenario, Departures]:
    """Every member's latest departure by each way, as the household question works it out, and nothing beside."""
    scenario, plan = prepare(inputs), inputs.plan
    cells = stretch_cells(inputs.terrain.grid, list(scenario.network.geometry), standoff_m=plan.roads.standoff_m)
    roads = {way: roads_for(scenario, way, inside=cells.inside) for way in ways(plan)}
    candidates = gather_routes(scenario, roads, graph=csr(scenario.network))
    edges = sorted({edge for found in candidates.values() for one in found for edge in one.edges})
    column_of = {edge: column for column, edge in enumerate(edges)}
    draws = plan_draws(plan, plan.members)
    fires = solve_fires(
        scenario,
        table_of=lambda member: member_table(scenario, draws=draws, member=member),
        draws=draws,
        watched=select(cells, np.array(edges, dtype=np.int64)),
        workers=2,
    )
    members = Members(draws, fires, column_of)
    chosen = choose_routes(scenario, candidates, members=members, burnt_share=share_burnt(scenario, fires))
    return scenario, {way: route_latest_s(scenario, one.ruled_by, members=members) for way, one in chosen.items()}


def start_times(scenario: Scenario, plan: Plan, leave_s: Departures) -> dict[Way, float]:
    changed = replace(scenario, inputs=replace(scenario.inputs, plan=plan))
    found = {}
    for way in ways(plan):
        if way in leave_s:
            ready = readiness_that_clears(changed, way, plan_draws(plan, plan.members), latest_departure_s=leave_s[way])
            found[way] = latest_start(leave_s[way], ready_s=ready.ready_s, confidence=plan.confidence)
    return found


@pytest.mark.benchmark
def test_two_hundred_random_changes_of_the_demos_plan_never_make_it_later(harder: ModuleType) -> None:
    """170 changes of the household, each on top of the one before in chains of five, and 30 ignitions more.

    The household has no part in the fires (checked bit for bit in the decision room), so the demo's own are solved
    once; each ignition is solved anew.
    """
    plan = load_plan(demo_folder() / "plan.toml")
    inputs = read_inputs(replace(plan, members=int(os.environ.get("LEAVEBY_CHANGE_MEMBERS", "100"))))
    plan = inputs.plan
    rng = np.random.default_rng(200)
    scenario, leave_s = departures(inputs)
    first = start_times(scenario, plan, leave_s)
    moved_s: list[float] = []
    for _ in range(34):
        changed, before = plan, first
        for number in range(5):
            kind, changed = harder.harder_household(changed, rng, number=number)
            after = start_times(scenario, changed, leave_s)
            for way, start_s in after.items():
                assert start_s <= before[way] + 1e-6, (kind, way, start_s - before[way])
                moved_s.append(before[way] - start_s)
            before = after
    grid, burns = inputs.terrain.grid, np.argwhere(scenario.burnable)
    to_degrees = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    for number in range(30):
        row, col = burns[int(rng.integers(len(burns)))]
        spot = to_degrees.transform(*centre_of(grid, int(row), col=int(col)))
        another = harder.ignition_more(plan, rng, number=number, lon_lat_deg=spot)
        _, then_s = departures(replace(inputs, plan=another))
        for way, start_s in start_times(scenario, plan, then_s).items():
            assert start_s <= first[way] + 1e-6, (number, way, start_s - first[way])
            moved_s.append(first[way] - start_s)
    earlier = np.mean(np.array(moved_s) > 1.0)
    most_min = max(moved_s) / 60.0
    sys.stdout.write(f"{len(moved_s)} leave-bys: {earlier:.0%} earlier, by up to {most_min:.0f} minutes\n")
