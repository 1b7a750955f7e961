"""A plan without a fire of its own: rules, ready times and the quickest ways out, and nothing about the clock."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from leaveby.cli import NO_WAY, exit_code
from leaveby.confidence import longest_at_confidence
from leaveby.decision.fires.closing import lines_inside
from leaveby.decision.fires.members import plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, prepare
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import HouseholdResult
from leaveby.decision.ways.roads import road_sentence, roads_for
from leaveby.decision.ways.timing import NO_FIRE, readiness_of


def no_fire(valleys: ModuleType, **changes: object) -> HouseholdInputs:
    """The side valley without its fire; its weather covers half of the horizon, for no fire has to be followed."""
    made: HouseholdInputs = valleys.side_valley(ignitions=(), members=60, horizon_s=48 * 3600.0, **changes)
    return made


@pytest.fixture(scope="module")
def inputs(valleys: ModuleType) -> HouseholdInputs:
    return no_fire(valleys)


@pytest.fixture(scope="module")
def result(inputs: HouseholdInputs) -> HouseholdResult:
    return answer_household(inputs, workers=2)


def test_nothing_of_the_clock_is_worked_out(result: HouseholdResult) -> None:
    assert result.fire is None
    assert result.what_ifs == ()
    assert result.timetable == ()
    assert not np.isfinite(result.closing_s).any()
    assert result.shelter.heat_kw_m2 is None
    for way in result.ways.values():
        assert way.route is not None
        assert (way.latest_start_s, way.latest_departure_s, way.why) == (None, None, NO_FIRE)


def test_the_way_out_is_the_quickest_and_ready_times_are_those_of_the_mornings(
    inputs: HouseholdInputs, result: HouseholdResult
) -> None:
    scenario = prepare(inputs)
    for name, way in result.ways.items():
        assert way.route is not None
        # `road_sentence` looks for the quickest way to any safe point, with no fire.
        quickest = f"a route leads to {way.route.safe_point}, {way.route.length_m / 1000.0:.1f} km"
        inside = lines_inside(scenario.inputs.terrain.grid, scenario.network.geometry)
        assert quickest in road_sentence(scenario, roads_for(scenario, name, inside=inside))
        ready_s = readiness_of(scenario, name, plan_draws(inputs.plan, 60)).ready_s
        assert way.ready_at_confidence_s == pytest.approx(longest_at_confidence(ready_s, inputs.plan.confidence))
        assert np.array_equal(way.member_ready_s, ready_s)


def test_the_rules_are_those_of_the_same_plan_with_a_fire(valleys: ModuleType, result: HouseholdResult) -> None:
    with_fire = answer_household(valleys.side_valley(members=60), workers=2)
    assert with_fire.rules.today == result.rules.today
    assert with_fire.rules.rules.keys() == result.rules.rules.keys()
    for key, rule in result.rules.rules.items():
        other = with_fire.rules.rules[key]
        assert rule.sentence == other.sentence
        assert np.array_equal(rule.go_cells, other.go_cells)


def test_the_exit_code_is_of_the_roads_alone(result: HouseholdResult) -> None:
    assert exit_code(result) == 0
    shut = {name: replace(way, route=None, fits=False) for name, way in result.ways.items()}
    assert exit_code(replace(result, ways=shut)) == NO_WAY
