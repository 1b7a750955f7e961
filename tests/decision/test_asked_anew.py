"""An answer asked anew by its own functions: the middle is the answer, worse is never later, and nothing is solved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from types import ModuleType

import numpy as np
import pytest

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires import solved
from leaveby.decision.fires.design import fire_numbers
from leaveby.decision.fires.members import Draws, Members, first_of
from leaveby.decision.household.answer import answer_household
from leaveby.decision.household.what_ifs import Asking, Held, asked_anew, furthest
from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.decision.ways.timing import ChosenRoute, departures
from leaveby.errors import InputError
from smaller import times_alone

WAYS = ("tow", "car")


@pytest.fixture(scope="module")
def answered(valleys: ModuleType) -> HouseholdResult:
    """Fire on the side from which the wind blows, two ways out of a valley, 6,000 members."""
    grid = valleys.ground(8000.0, 8000.0, cell_m=200.0)
    inputs = valleys.household(
        grid,
        {
            "main road": [(6000.0, 2000.0), (4000.0, 2500.0), (300.0, 3000.0)],
            "back road": [(6000.0, 2000.0), (7700.0, 300.0)],
        },
        home=(6000.0, 2000.0),
        safe_points=(
            valleys.safe("the hall", (300.0, 3000.0), ("tow", "car")),
            valleys.safe("the shop", (7700.0, 300.0), ("car",)),
        ),
        ignitions=(valleys.point_fire((2500.0, 7000.0)),),
        weather=valleys.turned(
            valleys.steady(wind_km_h=35.0, wind_from_deg=330.0), after_s=7200.0, wind_from_deg=230.0
        ),
        tags={"main road": valleys.ASPHALT, "back road": valleys.ASPHALT},
        vehicles=(valleys.UTE, valleys.HOUSE),
    )
    return times_alone(answer_household, replace(inputs, plan=replace(inputs.plan, members=6000)), workers=2)


@pytest.fixture
def anew(answered: HouseholdResult, monkeypatch: pytest.MonkeyPatch) -> Callable[..., dict[str, WayTiming]]:
    """Asks anew; that a fire is solved meanwhile is a fault."""

    def arrive(*_: object, **__: object) -> None:
        raise AssertionError("a fire was solved")

    monkeypatch.setattr(solved, "arrive", arrive)
    return lambda **asked: asked_anew(held_by(answered), Asking(**asked))


def held_by(result: HouseholdResult) -> Held:
    assert isinstance(result.held, Held)
    return result.held


def half_s(one: WayTiming) -> float:
    return (one.precision.high_s - one.precision.low_s) / 2.0


def test_every_slider_at_its_middle_is_the_answer(answered: HouseholdResult, anew: Callable[..., object]) -> None:
    assert held_by(answered).design is not None
    ones = dict.fromkeys((task.name for task in answered.plan.tasks), 1.0)
    for found in (anew(), anew(times_as_long=ones, confidence=answered.plan.confidence)):
        for way in WAYS:
            told, own = found[way], answered.ways[way]  # type: ignore[index]
            assert (told.latest_start_s, told.latest_departure_s) == (own.latest_start_s, own.latest_departure_s)
            assert told.precision == own.precision
            assert np.array_equal(told.member_latest_start_s, own.member_latest_start_s)
            assert told.route == own.route


def test_more_wind_is_never_later_than_the_interval_allows(
    answered: HouseholdResult, anew: Callable[..., dict[str, WayTiming]]
) -> None:
    rng = np.random.default_rng(7)
    design = held_by(answered).design
    assert design is not None
    (low, high), _ = furthest(design, answered.plan.confidence)
    assert low < 0.9 < 1.1 < high
    factors = np.sort(np.concatenate([[low, 1.0, high], rng.uniform(low, high, 5)]))
    found = [anew(wind_factor=float(factor)) for factor in factors]
    for way in WAYS:
        for calmer, windier in pairwise(found):
            later_s = windier[way].latest_start_s - calmer[way].latest_start_s  # type: ignore[operator]
            assert later_s <= half_s(windier[way]) + half_s(calmer[way])
        assert found[-1][way].latest_start_s < found[0][way].latest_start_s  # type: ignore[operator]


def test_a_hair_of_wind_moves_the_answer_by_a_hair(
    answered: HouseholdResult, anew: Callable[..., dict[str, WayTiming]]
) -> None:
    """Fewer members are read once the fire moves; that must not show as a jump."""
    for way, told in anew(wind_factor=1.0 + 1e-6).items():
        if way in WAYS:
            assert told.latest_start_s == pytest.approx(answered.ways[way].latest_start_s, abs=1.0)


def test_weather_that_comes_later_moves_the_members_that_drew_it(
    answered: HouseholdResult, anew: Callable[..., dict[str, WayTiming]]
) -> None:
    """Against the same functions read at shifted draws by hand, set off as documented."""
    held = held_by(answered)
    own = first_of(held.timed.members.draws, 4000)
    moved = held.read(replace(own, weather_shift_s=own.weather_shift_s + 900.0))
    told = anew(later_s=900.0)["car"]
    assert told.member_latest_departure_s.size == 4000
    column = [held.timed.members.column_of[edge] for edge in held.timed.chosen["car"].ruled_by.edges]
    before_s = held.timed.members.fires.closing_s[:, column]
    assert before_s.shape[0] == 6000
    inner = np.abs(own.weather_shift_s) < 3600.0  # nobody of these is at the edge of the solved fires
    earliest_s = np.min(moved.fires.closing_s[:, column], axis=1)
    seen = inner & np.isfinite(told.member_latest_departure_s)
    apart_s = earliest_s[seen] - told.member_latest_departure_s[seen]
    assert np.ptp(apart_s) < 1800.0  # the margin and the drive, within what drives differ
    assert np.corrcoef(earliest_s[seen], told.member_latest_departure_s[seen])[0, 1] > 0.99


def test_slower_tasks_are_never_later(answered: HouseholdResult, anew: Callable[..., dict[str, WayTiming]]) -> None:
    rng = np.random.default_rng(8)
    names = [task.name for task in answered.plan.tasks]
    for _ in range(12):
        quick = {name: float(rng.uniform(0.5, 1.5)) for name in names}
        slow = {name: factor + float(rng.uniform(0.0, 1.0)) for name, factor in quick.items()}
        fast, later = anew(times_as_long=quick), anew(times_as_long=slow)
        for way in WAYS:
            assert later[way].latest_start_s <= fast[way].latest_start_s  # type: ignore[operator]
            assert later[way].latest_departure_s == fast[way].latest_departure_s
    whole = anew(times_as_long=dict.fromkeys(names, 2.0))["tow"]
    assert whole.ready_s.p50_s == pytest.approx(2.0 * answered.ways["tow"].ready_s.p50_s)


def test_asking_for_more_is_never_later(answered: HouseholdResult, anew: Callable[..., dict[str, WayTiming]]) -> None:
    levels = [anew(confidence=level) for level in (0.5, 0.8, 0.9, 0.95, 0.98, 0.99)]
    for way in WAYS:
        starts = [found[way].latest_start_s for found in levels]
        assert starts == sorted(starts, reverse=True)  # type: ignore[type-var]
        assert levels[0][way].latest_departure_s == latest_at_confidence(
            answered.ways[way].member_latest_departure_s, 0.5
        )


def test_another_road_is_timed_on_its_own_stretches(
    answered: HouseholdResult, anew: Callable[..., dict[str, WayTiming]]
) -> None:
    held = held_by(answered)
    assert held.timed.burnt_share["the hall"] > 0.05
    assert held.roads() == []  # fire may come to where the other road ends
    unburnt = dict.fromkeys(held.timed.burnt_share, 0.0)
    others = replace(held, timed=replace(held.timed, burnt_share=unburnt)).roads()
    assert [way for way, _ in others] == ["car"]
    assert all(road is not held.timed.chosen[way].route for way, road in others)
    way, road = others[0]
    told = anew(roads={way: road})
    assert told[way].route.edges == road.edges  # type: ignore[union-attr]
    scenario, members = held.timed.asked.scenario, held.timed.members
    latest_s = departures(scenario, ChosenRoute(road, road))(members)
    assert np.array_equal(told[way].member_latest_departure_s, latest_s)
    assert told[way].route.edges != answered.ways[way].route.edges  # type: ignore[union-attr]
    for same in set(WAYS) - {way}:
        assert told[same].latest_start_s == answered.ways[same].latest_start_s


def test_beyond_the_solved_fires_nothing_is_told(answered: HouseholdResult, anew: Callable[..., object]) -> None:
    design = held_by(answered).design
    assert design is not None
    wind, later_s = furthest(design, 0.95)
    for asked in ({"wind_factor": wind[1] * 1.01}, {"wind_factor": wind[0] / 1.01}, {"later_s": later_s[1] + 60.0}):
        with pytest.raises(InputError, match="as far as the solved fires reach"):
            anew(**asked, confidence=0.95)
    surer, less = furthest(design, 0.99), furthest(design, 0.5)
    assert surer[0][1] < wind[1] < less[0][1]
    assert surer[1][0] > later_s[0] > less[1][0]
    # two and three quarters standard deviations of 0.15 less 1.645 of them, at the least
    assert wind[1] > np.exp(0.15 * (2.75 - 1.645))


def test_nobody_is_moved_out_of_the_solved_fires(answered: HouseholdResult, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those whom their own draw put there stay where they were; all others end where the fires do."""
    held = held_by(answered)
    assert held.design is not None
    (one,) = held.design.ignitions
    most = one.numbers.max(axis=0)
    z = fire_numbers(one.scenario, first_of(held.timed.members.draws, 4000), number=0)
    before = held.unmoved
    (_, windiest), (_, latest_s) = furthest(held.design, 0.5)
    drawn: list[Draws] = []
    read = Held.read
    monkeypatch.setattr(Held, "read", lambda self, draws, **part: drawn.append(draws) or read(self, draws, **part))
    asked_anew(held, Asking(wind_factor=windiest, later_s=latest_s, confidence=0.5))
    (moved,) = [draws for draws in drawn if draws.members == before.draws.members]
    numbers = fire_numbers(one.scenario, moved, number=0)
    for column in (1, 3):
        assert np.all(numbers[:, column] <= np.maximum(z[:, column], most[column]) + 1e-9)
        assert np.mean(np.isclose(numbers[:, column], most[column])) > 0.3
    assert np.array_equal(numbers[:, [0, 2]], z[:, [0, 2]])


def test_where_fire_comes_to_the_end_of_the_road_no_time_is_told(
    answered: HouseholdResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = held_by(answered)
    end = held.timed.chosen["tow"].route.safe_point
    calm = replace(held, timed=replace(held.timed, burnt_share=dict.fromkeys(held.timed.burnt_share, 0.0)))
    read = Held.read

    def reached(self: Held, draws: Draws, *, part: int = 0) -> Members:
        found = read(self, draws, part=part)
        return replace(found, fires=replace(found.fires, point_arrival_s=np.zeros_like(found.fires.point_arrival_s)))

    monkeypatch.setattr(Held, "read", reached)
    told = asked_anew(calm, Asking(wind_factor=1.05))["tow"]
    assert told.latest_start_s is None
    assert told.why == f"Fire reaches {end} in 100 of 100 such days: take another road."
    assert np.all(told.member_latest_start_s == -np.inf)


def test_with_fires_of_their_own_the_fire_stays(answered: HouseholdResult) -> None:
    held = replace(held_by(answered), design=None)
    with pytest.raises(InputError, match="can't be moved"):
        asked_anew(held, Asking(wind_factor=1.1))
    assert asked_anew(held, Asking())["car"].latest_start_s == answered.ways["car"].latest_start_s
