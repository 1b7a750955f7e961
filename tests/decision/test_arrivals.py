"""People who are away, through the whole answer: draws, leave-bys, what these hang on, last resort and replay."""

from __future__ import annotations

from dataclasses import fields, replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from leaveby.decision.drill.fire import drill_draws
from leaveby.decision.fires.members import Draws, draw_members, pick_draws, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.answer import answer_household
from leaveby.decision.household.replay import replay_many
from leaveby.decision.ways.result import HouseholdResult
from leaveby.decision.ways.sensitivity import cost_of_tasks, hangs_on
from leaveby.household.plan_tables import Person, Task
from leaveby.household.readiness import Mornings, schedule_for
from smaller import times_alone

MINUTE_S = 60.0


def bo(soonest_min: float, likely_min: float, latest_min: float) -> Person:
    return Person("Bo", ("lift", "drive"), likely_min * MINUTE_S, soonest_min * MINUTE_S, latest_min * MINUTE_S)


@pytest.fixture(scope="module")
def small(valleys: ModuleType) -> Any:
    """Makes the side valley with a quarter of the cells, Ines at home and someone else perhaps not."""

    def make(other: Person, **changes: Any) -> HouseholdInputs:
        inputs: HouseholdInputs = valleys.side_valley(
            **{"members": 60, "horizon_s": 5 * 3600.0, "people": (valleys.INES, other), **changes}
        )
        grid = valleys.ground(8000.0, 8000.0, cell_m=160.0)
        return replace(
            inputs,
            terrain=valleys.Terrain(grid, np.zeros(grid.shape)),
            fuel=valleys.uniform_fuel(grid, "dry eucalypt forest"),
        )

    return make


def member_times(result: HouseholdResult) -> dict[str, list[float]]:
    return {way: timing.member_latest_start_s.tolist() for way, timing in result.ways.items()}


# --- draws ------------------------------------------------------------------------------------------------------------


def same_but_for_arrivals(one: Draws, other: Draws) -> bool:
    names = [field.name for field in fields(Draws) if field.name != "arrival_uniform"]
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def test_each_uncertain_arrival_is_covered_evenly() -> None:
    """A Latin hypercube has exactly one member in each of n equal slices (McKay, Beckman and Conover 1979)."""
    draws = draw_members(200, seed=5, tasks=("bags",), ignitions=("strike",), arrivals=("Bo", "Wren"))
    assert draws.arrival_uniform.shape == (200, 2)
    for values in draws.arrival_uniform.T:
        assert sorted(np.floor(values * 200).astype(int)) == list(range(200))
    # Paired by chance with all else: no correlation beyond what 200 members give (4 standard errors).
    others = np.column_stack([draws.arrival_uniform, draws.ros_z, draws.wind_turn_deg, draws.duration_uniform])
    apart = np.corrcoef(others.T) - np.eye(others.shape[1])
    assert np.abs(apart).max() < 4.0 / np.sqrt(200)


def test_uncertain_arrivals_change_no_other_draw_in_any_batch() -> None:
    for batch, members in enumerate((4, 7)):
        without = draw_members(members, seed=5, tasks=("a", "b"), ignitions=("strike",), batch=batch)
        found = draw_members(members, seed=5, tasks=("a", "b"), ignitions=("strike",), arrivals=("Bo",), batch=batch)
        assert without.arrival_uniform.shape == (members, 0)
        assert same_but_for_arrivals(without, found)
        again = pick_draws(found, np.arange(1, members))
        assert np.array_equal(again.arrival_uniform, found.arrival_uniform[1:])


def test_a_drill_draws_its_members_as_the_household_question_does(small: Any) -> None:
    plan = small(bo(5, 20, 60), members=30).plan
    expected = plan_draws(plan, 30)
    drawn = drill_draws(plan)
    assert same_but_for_arrivals(drawn, expected)
    assert np.array_equal(drawn.arrival_uniform, expected.arrival_uniform)


# --- the answer -------------------------------------------------------------------------------------------------------


def test_three_equal_points_give_the_answer_of_the_fixed_number(small: Any) -> None:
    number = times_alone(answer_household, small(Person("Bo", ("lift", "drive"), 25 * MINUTE_S)))
    points = times_alone(answer_household, small(bo(25, 25, 25)))
    assert member_times(points) == member_times(number)
    assert points.shelter.ready_s == number.shelter.ready_s
    for way, timing in number.ways.items():
        assert points.ways[way].hangs_on == timing.hangs_on
        assert points.ways[way].task_costs == timing.task_costs
        assert points.ways[way].held_up_by == timing.held_up_by
        assert points.ways[way].schedule == timing.schedule


@given(
    st.tuples(st.floats(0, 40), st.floats(0, 40), st.floats(0, 40)),
    st.floats(0, 60),
    st.sampled_from(["beta_pert", "triangular"]),
)
@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_later_arrival_never_makes_the_leave_by_later(
    small: Any, valleys: ModuleType, points: tuple[float, float, float], more: float, kind: str
) -> None:
    low, likely, high = sorted(points)
    # Ines does everything in any order, so that there is one list to follow; all three points moved move every
    # member's arrival by as much, since the draws stay the same.
    alone = tuple(replace(task, hands=1, needs=("tow",)) for task in valleys.TASKS)
    before = times_alone(answer_household, small(bo(low, likely, high), tasks=alone, durations=kind, members=40))
    later = times_alone(
        answer_household, small(bo(low + more, likely + more, high + more), tasks=alone, durations=kind, members=40)
    )
    for way, timing in before.ways.items():
        then = later.ways[way]
        assert timing.latest_start_s is not None
        assert then.latest_start_s is not None
        assert timing.latest_start_s - more * MINUTE_S - 1e-6 <= then.latest_start_s <= timing.latest_start_s + 1e-6


def test_what_is_not_certain_leaves_less_time_than_its_likely_value(small: Any) -> None:
    likely = times_alone(answer_household, small(bo(20, 20, 20)))
    spread = times_alone(answer_household, small(bo(15, 20, 100)))
    for way in ("tow", "car", "foot"):
        first, then = likely.ways[way].latest_start_s, spread.ways[way].latest_start_s
        assert first is not None
        assert then is not None
        assert then < first
        # The list on the fridge is the same: it is made for the likely times.
        assert spread.ways[way].schedule.who == likely.ways[way].schedule.who
        assert spread.ways[way].schedule.start_s == likely.ways[way].schedule.start_s


def test_the_answer_names_whom_it_hangs_on_and_who_holds_it_up(small: Any) -> None:
    result = times_alone(answer_household, small(bo(10, 60, 180), members=120, durations="triangular"))
    foot = result.ways["foot"]
    shares = {part.what: part.share for part in foot.hangs_on}
    assert shares["when Bo comes home"] > 0.05
    assert foot.held_up_by["Bo"] > 0.9
    assert "waiting for Bo" in {cost.task for cost in foot.task_costs}
    at_home = times_alone(answer_household, small(Person("Bo", ("lift", "drive"))))
    assert all("Bo" not in part.what for timing in at_home.ways.values() for part in timing.hangs_on)
    assert all(timing.held_up_by == {} for timing in at_home.ways.values())
    assert all("Bo" not in cost.task for timing in at_home.ways.values() for cost in timing.task_costs)


def test_hanging_on_an_arrival_finds_known_shares() -> None:
    """By hand: for y = 2a + b with a and b alike and independent, a explains 4/5 of the variance and b 1/5."""
    draws = draw_members(4000, seed=4, arrivals=("Bo", "Wren"))
    latest_s = -(2.0 * draws.arrival_uniform[:, 0] + draws.arrival_uniform[:, 1])
    people = (bo(0, 1, 2), Person("Wren", (), 60.0, 0.0, 120.0))
    found = {part.what: part.share for part in hangs_on(latest_s, draws, ready_s=np.full(4000, 60.0), people=people)}
    assert found["when Bo comes home"] == pytest.approx(0.8, abs=0.05)
    assert found["when Wren comes home"] == pytest.approx(0.2, abs=0.05)


def test_ten_minutes_later_home_costs_ten_minutes_where_it_decides(small: Any) -> None:
    """By hand: bags take 5 minutes, so Bo, home after 20, decides; ten minutes later costs ten, longer bags nothing."""
    bags = Task("bags", ("foot",), 300.0, 300.0, 300.0, needs=("tow",))
    plan = small(bo(20, 20, 20), tasks=(bags,)).plan
    costs = cost_of_tasks(
        Mornings(plan, np.full((20, 1), 300.0)),
        "foot",
        policy=schedule_for(plan, "foot"),
        latest_departure_s=np.linspace(4000.0, 9000.0, 20),
        confidence=plan.confidence,
    )
    assert [(cost.task, cost.earlier_s) for cost in costs] == [("waiting for Bo", 600.0)]


def test_closing_the_house_waits_for_everyone_too(small: Any) -> None:
    """With next to nothing to close, the time it takes is that of the arrival: scipy's triangular quantile."""
    shutters = Task("shutters", ("shelter",), 30.0, 60.0, 120.0)
    inputs = small(bo(20, 40, 100), tasks=(shutters,), durations="triangular", members=200)
    result = times_alone(answer_household, inputs)
    home = stats.triang(20 / 80, loc=20, scale=80)
    # Of 200 members ceil(0.95 * 201) = 191 are waited for: a little past the quantile, and drawn in two batches.
    assert home.ppf(0.95) - 0.5 <= result.shelter.ready_s / MINUTE_S <= home.ppf(0.96) + 0.5


# --- the replay -------------------------------------------------------------------------------------------------------


def test_the_replay_comes_home_when_its_member_does(small: Any) -> None:
    """An answer that allows for the spread keeps its promise; one that takes the likely arrival as certain does not."""
    spread = small(bo(10, 20, 180), members=120, durations="triangular")
    kept = replay_many(
        spread, times_alone(answer_household, spread, workers=2), truths=120, rng=np.random.default_rng(77), workers=2
    )
    certain = times_alone(answer_household, small(bo(20, 20, 20), members=120, durations="triangular"), workers=2)
    broken = replay_many(spread, certain, truths=120, rng=np.random.default_rng(77), workers=2)
    for way in ("tow", "car", "foot"):
        assert kept[way].within_margin <= kept[way].allowed, str(kept[way])
        assert broken[way].within_margin > broken[way].allowed, str(broken[way])
