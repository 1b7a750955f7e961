"""Smooth functions through solved fires: held against scipy's own functions, closed forms and fires solved plainly."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from leaveby.chance import stream
from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.design import fire_numbers, left_out_error_s
from leaveby.decision.fires.members import Members, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, prepare
from leaveby.decision.fires.smooth import left_out_errors, smooth_times, times_at
from leaveby.decision.household.answer import Fires, answer_household
from leaveby.decision.household.timed import made_ready
from leaveby.decision.ways.confidence import precision_of
from leaveby.decision.ways.timing import ChosenRoute, departures
from smaller import times_alone


@pytest.mark.parametrize(("kernel", "degree"), [("cubic", 1), ("linear", 0)])
def test_the_left_out_error_is_that_of_a_function_through_the_others(kernel: str, degree: int) -> None:
    """Against scipy's RBFInterpolator, fitted anew without each point in turn: the same to eight digits."""
    rng = np.random.default_rng(1)
    numbers = rng.normal(size=(40, 3))
    values = np.column_stack([np.sin(numbers[:, 0]) + numbers[:, 1], np.exp(0.3 * numbers[:, 2])])
    by_hand = np.empty_like(values)
    for left in range(40):
        kept = np.arange(40) != left
        through = RBFInterpolator(numbers[kept], values[kept], kernel=kernel, degree=degree)
        by_hand[left] = values[left] - through(numbers[left : left + 1])[0]
    assert left_out_errors(numbers, values, kernel=kernel) == pytest.approx(by_hand, rel=1e-8, abs=1e-10)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(12))
def test_a_solved_fire_keeps_its_own_times_and_its_class(seed: int) -> None:
    rng = np.random.default_rng(seed)
    numbers = rng.normal(size=(60, int(rng.integers(1, 5))))
    since_s = 3600.0 * np.exp(rng.normal(size=(60, 4)) * 0.2 + numbers[:, :1])
    since_s[:, 1][numbers[:, 0] > 0.3] = np.inf
    since_s[:, 2] = np.inf
    found = times_at(smooth_times(numbers, since_s), numbers)
    assert np.array_equal(np.isfinite(found), np.isfinite(since_s))
    kept = np.isfinite(since_s)
    assert found[kept] == pytest.approx(since_s[kept], rel=1e-6)


def test_what_never_comes_is_no_time_however_far_the_numbers_reach() -> None:
    """Fire comes where the first number is below 0: beyond every solved fire on that side it never does."""
    rng = np.random.default_rng(3)
    numbers = rng.uniform(-2.0, 2.0, size=(80, 2))
    since_s = np.where(numbers[:, :1] < 0.0, 3600.0 * np.exp(numbers[:, 1:]), np.inf)
    smooth = smooth_times(numbers, since_s)
    far = np.column_stack([rng.uniform(2.0, 6.0, 200), rng.uniform(-1.0, 1.0, 200)])
    assert not np.isfinite(times_at(smooth, far)).any()
    assert not np.isfinite(times_at(smooth, far, rng=stream(1, "errors"))).any()


def test_too_few_that_come_stand_for_all_by_their_earliest() -> None:
    """The side that leaves earlier: three fires of sixty come, too few for a function of two numbers."""
    numbers = np.random.default_rng(4).normal(size=(60, 2))
    since_s = np.full((60, 1), np.inf)
    first = np.argsort(numbers[:, 0])[:3]
    since_s[first, 0] = [4000.0, 3000.0, 5000.0]
    found = times_at(smooth_times(numbers, since_s), numbers)
    assert found[first, 0] == pytest.approx([3000.0] * 3)


def test_the_errors_that_are_drawn_are_as_wide_as_those_of_new_fires() -> None:
    """A function with noise on it: the drawn spread about it covers that of new values, within a factor of 1.6."""
    rng = np.random.default_rng(5)

    def since(z: np.ndarray) -> np.ndarray:
        return 3600.0 * np.exp(0.4 * z[:, :1] + 0.05 * rng.normal(size=(len(z), 1)))

    numbers, new = rng.normal(size=(100, 2)), rng.normal(size=(4000, 2))
    smooth = smooth_times(numbers, since(numbers))
    drawn = np.log(times_at(smooth, new, rng=np.random.default_rng(6))) - np.log(times_at(smooth, new))
    missed = np.log(since(new)) - np.log(times_at(smooth, new))
    assert 1.0 <= drawn.std() / missed.std() <= 1.6


def test_the_width_by_hand() -> None:
    """Parts that move the time by 60 s up or down: 60 s root mean square, 1.645 of that."""
    assert left_out_error_s(0.0, [60.0, -60.0, 60.0, -60.0]) == pytest.approx(98.7, abs=0.1)
    assert left_out_error_s(np.inf, [np.inf, np.inf]) == 0.0
    assert left_out_error_s(100.0, [np.inf, 100.0]) == np.inf


def many(inputs: HouseholdInputs, **changes: object) -> HouseholdInputs:
    return replace(inputs, plan=replace(inputs.plan, members=4000, **changes))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def valley(valleys: ModuleType) -> HouseholdInputs:
    """One road out of a valley, fire on the side from which the wind blows, and a wind change that turns it."""
    grid = valleys.ground(8000.0, 8000.0, cell_m=200.0)
    weather = valleys.turned(valleys.steady(wind_km_h=35.0, wind_from_deg=330.0), after_s=7200.0, wind_from_deg=230.0)
    return valleys.household(
        grid,
        {"main road": [(6000.0, 2000.0), (4000.0, 2500.0), (300.0, 3000.0)]},
        home=(6000.0, 2000.0),
        safe_points=(valleys.safe("the hall", (300.0, 3000.0), ("tow", "car")),),
        ignitions=(valleys.point_fire((2500.0, 7000.0)),),
        weather=weather,
        tags={"main road": valleys.ASPHALT},
        vehicles=(valleys.UTE, valleys.HOUSE),
    )


def test_a_design_of_fires_tells_what_each_members_own_fire_tells(valley: HouseholdInputs) -> None:
    """4,000 members read off the functions, 250 with fires of their own: no farther apart than both intervals."""
    by_design = times_alone(answer_household, many(valley), workers=2)
    plainly = times_alone(answer_household, replace(valley, plan=replace(valley.plan, members=250)), workers=2)
    for way in ("tow", "car"):
        timing, plain = by_design.ways[way], plainly.ways[way]
        assert timing.precision.fires <= 128 < plain.precision.fires
        near_s = (timing.precision.high_s - timing.precision.low_s + plain.precision.high_s - plain.precision.low_s) / 2
        assert abs(timing.latest_departure_s - plain.latest_departure_s) <= near_s  # type: ignore[operator]
        assert timing.precision.low_s <= timing.latest_start_s <= timing.precision.high_s  # type: ignore[operator]
        assert len(timing.member_latest_start_s) == 4000


@pytest.mark.parametrize("number", range(2))
def test_one_more_ignition_never_makes_it_later_by_a_design_either(
    valley: HouseholdInputs, valleys: ModuleType, number: int
) -> None:
    """The fires of the first ignition are the same, and what shuts first counts."""
    rng = np.random.default_rng(200 + number)
    spot = (float(rng.uniform(200.0, 7800.0)), float(rng.uniform(200.0, 7800.0)))
    extra = valleys.point_fire(spot, after_min=float(rng.uniform(0.0, 120.0)))
    more = replace(valley.plan, ignitions=(*valley.plan.ignitions, extra))
    before = times_alone(answer_household, many(valley), workers=2).ways
    after = times_alone(answer_household, many(replace(valley, plan=more)), workers=2).ways
    for way in ("tow", "car"):
        assert after[way].latest_departure_s <= before[way].latest_departure_s  # type: ignore[operator]
        assert after[way].latest_start_s <= before[way].latest_start_s  # type: ignore[operator]


def beside_the_road(valleys: ModuleType, *, from_m: float) -> HouseholdInputs:
    """Wind along a road that lies beside the fire's path: fire shuts it in a part of the days only."""
    grid = valleys.ground(8000.0, 8000.0, cell_m=200.0)
    return valleys.household(
        grid,
        {"main road": [(7000.0, 4000.0), (300.0, 4000.0)]},
        home=(7000.0, 4000.0),
        safe_points=(valleys.safe("the hall", (300.0, 4000.0), ("car",)),),
        ignitions=(valleys.point_fire((1000.0, 4000.0 + from_m)),),
        weather=valleys.steady(wind_km_h=45.0, wind_from_deg=270.0),
        tags={"main road": valleys.ASPHALT},
        vehicles=(valleys.UTE,),
        towing=None,
        tasks=(valleys.task("pack", 5, 10, 20, ("car",)),),
        horizon_s=2.0 * 3600.0,
        members=2000,
        confidence=0.9,
    )


def test_a_fire_that_mostly_misses_the_road_is_told_by_functions_too(valleys: ModuleType) -> None:
    """Shut in a fifth of the days; against 1,500 members with fires of their own: within both half widths."""
    inputs = beside_the_road(valleys, from_m=2500.0)
    by_design = times_alone(answer_household, inputs, workers=2)
    car = by_design.ways["car"]
    assert 0.1 < np.isfinite(car.member_latest_departure_s).mean() < 0.3
    assert car.precision.fires <= 128
    asked = made_ready(inputs, workers=2)
    draws = plan_draws(inputs.plan, 1500, seed=77)
    plain = Members(draws, Fires(asked, None).solved("", asked.scenario, draws), asked.column_of, solved=1500)
    (route,) = asked.candidates["car"]
    latest_of = departures(asked.scenario, ChosenRoute(route, route))
    known = precision_of(plain, latest_of, confidence=0.9)
    near_s = (car.precision.high_s - car.precision.low_s + known.high_s - known.low_s) / 2.0
    assert abs(car.latest_departure_s - latest_at_confidence(latest_of(plain), 0.9)) <= near_s  # type: ignore[operator]


@pytest.mark.parametrize("from_m", [3150.0, 3200.0])
def test_where_the_asked_time_lies_near_the_last_that_is_shut_members_are_solved(
    valleys: ModuleType, from_m: float
) -> None:
    """Shut in an eighth of the days and asked at 90 of 100: what functions tell worst, so they are not used."""
    found = times_alone(answer_household, beside_the_road(valleys, from_m=from_m), workers=2)
    assert found.ways["car"].precision.fires == found.members == 500
    assert (
        sum("days with a fire of their own each, so 500 of those were computed" in one for one in found.assumptions)
        == 1
    )


def test_the_numbers_of_a_fire_are_of_unit_spread(valley: HouseholdInputs, valleys: ModuleType) -> None:
    """Lines and unseen time bring numbers of their own; the first four are common."""
    line = valleys.line_fire((1000.0, 7000.0), (3000.0, 7000.0), after_min=60.0, somewhere=True, unseen_up_to_s=1800.0)
    inputs = replace(valley, plan=replace(valley.plan, ignitions=(line,)))
    scenario = prepare(inputs)
    draws = plan_draws(inputs.plan, 2000)
    numbers = fire_numbers(scenario, draws, number=0)
    assert numbers.shape == (2000, 7)
    assert numbers.std(axis=0)[:6] == pytest.approx(np.ones(6), abs=0.02)
    assert 0.0 < numbers.std(axis=0)[6] < 0.3  # the line's cells are two wide
    assert np.array_equal(numbers[:, :4], fire_numbers(scenario, draws))
    assert latest_at_confidence(numbers[:, 0], 0.5) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("kind", ["line", "ring", "hardly unseen"])
def test_fires_somewhere_and_few_members_to_choose_from_have_functions_too(
    valley: HouseholdInputs, valleys: ModuleType, kind: str
) -> None:
    """300 members only, so that fires are wanted that were solved before."""
    start = {
        "line": valleys.line_fire((1000.0, 7000.0), (3000.0, 7000.0), after_min=60.0, somewhere=True),
        "ring": valleys.line_fire(
            (1000.0, 7500.0), (3000.0, 7500.0), (2000.0, 6000.0), after_min=60.0, somewhere=True, ring=True
        ),
        "hardly unseen": valleys.point_fire((2500.0, 7000.0), after_min=60.0, unseen_up_to_s=60.0),
    }[kind]
    plan = replace(valley.plan, ignitions=(start,), members=300, precision_s=1.0, confidence=0.99)
    found = times_alone(answer_household, replace(valley, plan=plan), workers=2)
    assert found.ways["car"].latest_departure_s is not None
