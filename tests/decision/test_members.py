"""Members: the same draws from the same seed, even cover, the same answer whatever the threads, sampled fire starts."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from leaveby.ask.household import demo_folder, load_plan, plan_household, read_inputs
from leaveby.chance import stream
from leaveby.cli import main
from leaveby.decision.fires.members import MORNINGS, MemberFires, Members, draw_members, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, member_ignitions, prepare
from leaveby.decision.household import answer
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.confidence import precision_of
from leaveby.decision.ways.sensitivity import cost_of_delay, hangs_on
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import IgnitionInput
from leaveby.parameters import TASKS_SLOW_TOGETHER
from smaller import coarse, times_alone


@pytest.fixture(scope="module")
def plan() -> Plan:
    whole = load_plan(demo_folder() / "plan.toml")
    return replace(coarse(whole, members=30), fire=replace(whole.fire, models=("dry_eucalypt",), what_if_m_s=()))


@pytest.fixture(scope="module")
def inputs(plan: Plan) -> HouseholdInputs:
    return read_inputs(plan)


def with_ignition(inputs: HouseholdInputs, ignition: IgnitionInput, **changes: object) -> HouseholdInputs:
    return replace(inputs, plan=replace(inputs.plan, ignitions=(ignition,), **changes))


def test_draws_cover_each_error_evenly() -> None:
    """A Latin hypercube has exactly one member in each of n equal slices (McKay, Beckman and Conover 1979)."""
    draws = draw_members(200, seed=5, ignitions=("strike",), arrivals=("Bo",))
    even = (
        stats.norm.cdf(draws.ros_z),
        stats.norm.cdf(draws.weather_shift_s / 3600.0),
        draws.place_uniform[:, 0],
        draws.unseen_uniform[:, 0],
        draws.arrival_uniform[:, 0],
    )
    for values in even:
        assert sorted(np.floor(values * 200).astype(int)) == list(range(200))


def test_the_errors_have_the_stated_size() -> None:
    draws = draw_members(4000, seed=5)
    assert np.median(draws.wind_factor) == pytest.approx(1.0, abs=0.01)
    assert np.std(np.log(draws.wind_factor)) == pytest.approx(0.15, rel=0.02)
    assert np.std(draws.wind_turn_deg) == pytest.approx(12.0, rel=0.02)
    assert np.std(draws.weather_shift_s) == pytest.approx(3600.0, rel=0.02)
    assert np.mean(draws.weather_shift_s) == pytest.approx(0.0, abs=10.0)
    assert draws.drive_factor.min() >= 1.0


TASKS = tuple(f"task {number}" for number in range(5))
PEOPLE = ("Bo", "Wren")
FIRES = ("strike", "line")


@given(st.integers(0, 2**40), st.integers(0, 9), st.integers(1, 60), st.permutations(TASKS), st.integers(0, 4))
@settings(max_examples=60, deadline=None)
def test_what_is_added_leaves_every_other_draw_as_it_was(
    seed: int, batch: int, members: int, tasks: list[str], missing: int
) -> None:
    """Bit for bit: a task, a person or an ignition less, or in another place, redraws nothing else."""
    whole = draw_members(members, seed=seed, batch=batch, tasks=tasks, ignitions=FIRES, arrivals=PEOPLE)
    kept = tasks[:missing] + tasks[missing + 1 :]
    less = draw_members(members, seed=seed, batch=batch, tasks=kept, ignitions=FIRES[1:], arrivals=PEOPLE[:1])
    for name in ("ros_z", "wind_factor", "wind_turn_deg", "weather_shift_s", "drive_factor"):
        assert np.array_equal(getattr(whole, name), getattr(less, name)), name
    assert np.array_equal(np.delete(whole.duration_uniform, missing, axis=1), less.duration_uniform)
    assert np.array_equal(whole.place_uniform[:, 1:], less.place_uniform)
    assert np.array_equal(whole.unseen_uniform[:, 1:], less.unseen_uniform)
    assert np.array_equal(whole.arrival_uniform[:, :1], less.arrival_uniform)


def test_streams_hang_on_nothing_but_their_names() -> None:
    """Worked out apart: sha256 of the JSON of seed, kind, names and batch, its first 16 bytes the seed of PCG64.

    Python's own `hash` of words differs from run to run; this one may not.
    """
    digest = hashlib.sha256(b'[7, "duration of a task", ["bags"], 2]').digest()
    expected = np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "big"))).random(5)
    assert np.array_equal(stream(7, "duration of a task", "bags", batch=2).random(5), expected)


def test_no_two_uncertain_things_share_their_chance() -> None:
    draws = draw_members(4000, seed=5, tasks=("a", "a", "b"), ignitions=("a", "a"), arrivals=("a",))
    columns = np.column_stack(
        [
            draws.ros_z,
            draws.wind_factor,
            draws.wind_turn_deg,
            draws.weather_shift_s,
            draws.drive_factor,
            draws.place_uniform,
            draws.unseen_uniform,
            draws.arrival_uniform,
        ]
    )
    apart = np.corrcoef(columns.T) - np.eye(columns.shape[1])
    assert np.abs(apart).max() < 4.5 / np.sqrt(4000)


def test_tasks_go_slowly_together_and_each_keeps_its_own_distribution() -> None:
    """The normal scores of two tasks are correlated by the stated share; each score alone is uniform (scipy's test)."""
    uniforms = np.concatenate([draw_members(2000, seed=5, tasks=TASKS, batch=n).duration_uniform for n in range(10)])
    scores = np.corrcoef(stats.norm.ppf(uniforms).T)
    assert scores[~np.eye(5, dtype=bool)] == pytest.approx(TASKS_SLOW_TOGETHER.value, abs=0.02)
    for column in uniforms.T:
        assert stats.kstest(column, "uniform").pvalue > 1e-4
    # What is common makes a long morning likelier: variances of 5 scores add up, and their covariances.
    total = stats.norm.ppf(uniforms).sum(axis=1)
    assert np.var(total) == pytest.approx(5 + 20 * TASKS_SLOW_TOGETHER.value, rel=0.03)


def test_the_households_mornings_are_drawn_once_and_met_by_all_fires() -> None:
    """2,000 mornings at most, so that the list is chosen and timed on the same ones however many fires there are."""
    few, many = (draw_members(n, seed=5, tasks=TASKS, arrivals=("Bo",)) for n in (MORNINGS, 5 * MORNINGS // 2))
    for name in ("duration_uniform", "arrival_uniform"):
        once, all_of_them = getattr(few, name), getattr(many, name)
        assert np.array_equal(all_of_them[:MORNINGS], once)
        assert np.array_equal(all_of_them[MORNINGS : 2 * MORNINGS], once)
        assert np.array_equal(all_of_them[2 * MORNINGS :], once[: MORNINGS // 2])
    assert len(np.unique(many.ros_z)) == many.members


def test_a_fire_somewhere_along_a_line_starts_on_that_line(inputs: HouseholdInputs, plan: Plan) -> None:
    line = IgnitionInput(
        "somewhere on the ridge",
        at=plan.starts_at,
        lon_lat_deg=((148.8536, -36.0785), (148.8900, -36.0800)),
        somewhere=True,
        unseen_up_to_s=1800.0,
    )
    scenario = prepare(with_ignition(inputs, line))
    draws = plan_draws(scenario.inputs.plan, 60, seed=3)
    starts = [member_ignitions(scenario, draws=draws, member=member)[0] for member in range(60)]
    shape = scenario.starts[0].shape
    assert all(start.geometry.distance(shape) <= inputs.terrain.grid.cell_m for start in starts)
    along = [shapely.line_locate_point(shape, start.geometry) for start in starts]
    assert np.ptp(along) > 0.8 * shape.length
    assert all(-1800.0 <= start.at_s <= 0.0 for start in starts)


def test_a_fire_that_may_have_burnt_unseen_leaves_less_time(inputs: HouseholdInputs, plan: Plan) -> None:
    seen = plan.ignitions[0]
    base = times_alone(answer_household, inputs, workers=2)
    unseen = times_alone(answer_household, with_ignition(inputs, replace(seen, unseen_up_to_s=3600.0)), workers=2)
    for way in ("tow", "car"):
        first, then = base.ways[way].latest_start_s, unseen.ways[way].latest_start_s
        assert first is not None
        assert then is not None
        assert then <= first


def test_the_interval_of_a_leave_by_agrees_with_the_exact_one() -> None:
    """Source: scipy.stats.quantile_test, the exact binomial interval of a quantile (Conover 1999)."""
    latest_s = np.random.default_rng(8).normal(0.0, 600.0, 600)
    fires = MemberFires(latest_s[:, None], point_arrival_s=latest_s[:, None], ember_s=latest_s)
    members = Members(draw_members(600, seed=1), fires, {0: 0}, solved=600)
    found = precision_of(members, lambda some: some.fires.ember_s, confidence=0.95)
    exact = stats.quantile_test(latest_s, p=0.05).confidence_interval(0.90)
    width = exact.high - exact.low
    assert found.low_s == pytest.approx(exact.low, abs=0.1 * width)
    assert found.high_s == pytest.approx(exact.high, abs=0.1 * width)
    part = replace(members, fires=replace(fires, ember_s=latest_s + 60.0))
    wider = precision_of(
        replace(members, left_out=(members, part, part)), lambda some: some.fires.ember_s, confidence=0.95
    )
    # By hand: both parts move it by 60 s, so the standard error is 60 s, and 1.645 of that on either side.
    assert wider.low_s == pytest.approx(found.low_s - 98.7, abs=0.1)
    assert wider.high_s == pytest.approx(found.high_s + 98.7, abs=0.1)


def test_what_it_hangs_on_finds_known_shares() -> None:
    """By hand: for y = 2a + b with a and b alike and independent, a explains 4/5 of the variance and b 1/5."""
    draws = draw_members(4000, seed=4)
    latest_s = -(2.0 * draws.ros_z + draws.wind_turn_deg / 12.0)
    found = {part.what: part.share for part in hangs_on(latest_s, draws, ready_s=np.full(4000, 60.0))}
    assert found["how fast the fire runs in its fuel"] == pytest.approx(0.8, abs=0.05)
    assert found["wind direction"] == pytest.approx(0.2, abs=0.05)
    assert found.get("wind speed", 0.0) < 0.02


def test_ten_minutes_late_catches_those_between() -> None:
    latest_s = np.array([0.0, 100.0, 500.0, 700.0])
    assert cost_of_delay(latest_s, 0.0) == 0.75


def test_stopping_in_the_middle_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("leaveby.ask.household.plan_household", stopped)
    assert main(["demo", "--out", str(tmp_path / "out")]) == 130
    assert list(tmp_path.iterdir()) == []


def test_a_stop_while_members_run_is_passed_on(inputs: HouseholdInputs) -> None:
    def stop(what: str, done: int, total: int, present: str) -> None:
        assert (what, total, present) == ("fires", 30, "")
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        answer_household(inputs, workers=2, progress=stop)


def test_the_leave_by_at_present_is_told_once_the_first_fires_are_solved(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answer, "EACH_SOLVED_INSTEAD", 40)
    told: list[str] = []
    many = replace(plan, members=400, precision_s=1.0)
    times_alone(plan_household, many, workers=2, progress=lambda _what, _done, _total, present: told.append(present))
    assert any("tow" in words and "car" in words for words in told)
