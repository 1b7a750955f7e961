"""What can only make it worse never makes the leave-by later: a later start, an extra task, more wind, and so on.

Each property is drawn by hypothesis and put through the whole answer on small invented ground.
"""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import WAY_WORDS, HouseholdResult
from leaveby.roads.network.graph import network_from_lines
from smaller import times_alone

FEW = settings(
    max_examples=8, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
MEMBERS = 40
SLACK_S = 1e-6

wind_km_h = st.floats(8.0, 30.0)
wind_from_deg = st.floats(310.0, 350.0)
fire_spots = st.tuples(st.floats(500.0, 2500.0), st.floats(6200.0, 7600.0))
seeds = st.integers(0, 1000)


def answered(inputs: Any) -> HouseholdResult:
    return times_alone(answer_household, inputs, workers=1)


def starts(result: HouseholdResult) -> dict[str, float]:
    """Latest start of each way: inf where it is shut in too few members to name a time, -inf where there is no way."""
    found = {}
    for way, timing in result.ways.items():
        if timing.route is None:
            found[way] = -np.inf
        else:
            found[way] = np.inf if timing.latest_start_s is None else timing.latest_start_s
    return found


def departures(result: HouseholdResult) -> dict[str, float]:
    """Latest departure of each way, likewise."""
    found = {}
    for way, timing in result.ways.items():
        none = -np.inf if timing.route is None else np.inf
        found[way] = none if timing.latest_departure_s is None else timing.latest_departure_s
    return found


def never_later(worse: HouseholdResult, before: HouseholdResult, *, slack_s: float = SLACK_S) -> None:
    for way, start_s in starts(worse).items():
        assert start_s <= starts(before)[way] + slack_s, way


def ends_where_fire_comes(result: HouseholdResult, way: str) -> bool:
    """Whether the answer warns that every route of this way ends where fire may come later."""
    return any(said.startswith(f"Every route {WAY_WORDS[way]} ends where") for said in result.assumptions)


def goes_by_another(result: HouseholdResult, way: str) -> bool:
    """Whether times go by another safe point than the named one, since fire may come to all of them."""
    return any(f"times {WAY_WORDS[way]} go by the one" in said for said in result.assumptions)


def small(valleys: ModuleType, spot: tuple[float, float], **changes: Any) -> Any:
    """The side valley with a quarter of the cells."""
    given_ = {"members": MEMBERS, "ignitions": (valleys.point_fire(spot),), "horizon_s": 5 * 3600.0}
    inputs = valleys.side_valley(**{**given_, **changes})
    grid = valleys.ground(8000.0, 8000.0, cell_m=160.0)
    return replace(
        inputs,
        terrain=valleys.Terrain(grid, np.zeros(grid.shape)),
        fuel=valleys.uniform_fuel(grid, "dry eucalypt forest"),
    )


@given(fire_spots, wind_km_h, wind_from_deg, seeds)
@FEW
def test_a_later_start_never_raises_the_clear_probability(
    valleys: ModuleType, spot: tuple[float, float], wind: float, turn: float, seed: int
) -> None:
    weather = valleys.steady(wind_km_h=wind, wind_from_deg=turn, hot_c=30.0, dry=25.0)
    for timing in answered(small(valleys, spot, weather=weather, seed=seed)).ways.values():
        assert np.all(np.diff(timing.start_s) > 0.0)
        assert np.all(np.diff(timing.clear_probability) <= 0.0)
        if timing.latest_start_s is not None:
            # The curve at the leave-by itself, counted from the members: at least the confidence. It may be more: the
            # leave-by promises besides that the wheels roll by the latest departure.
            assert np.mean(timing.member_latest_start_s >= timing.latest_start_s) >= 0.95


@given(fire_spots, st.floats(1.0, 60.0), st.sampled_from(["tow", "car", "foot"]), seeds)
@FEW
def test_an_extra_task_never_makes_it_later(
    valleys: ModuleType, spot: tuple[float, float], minutes: float, way: str, seed: int
) -> None:
    """The task stands in both plans, done before the season in one, so that all members are the same draws.

    One pair of hands, so that the list on the fridge is only an order, and no order is luckier than another.
    """
    extra = valleys.task("extra", minutes / 2, minutes, minutes * 2, (way,))
    alone = tuple(replace(one, hands=1) for one in valleys.TASKS)
    given_ = {"people": (valleys.INES,), "seed": seed}
    done = answered(small(valleys, spot, tasks=(*alone, replace(extra, done_before_season=True)), **given_))
    to_do = answered(small(valleys, spot, tasks=(*alone, extra), **given_))
    never_later(to_do, done)
    before, after = starts(done)[way], starts(to_do)[way]
    if np.isfinite(before):
        assert before - after >= 60.0 * minutes / 2 - SLACK_S


@given(fire_spots, st.floats(0.55, 0.9), st.floats(0.0, 0.09), seeds)
@FEW
def test_a_higher_confidence_never_makes_it_later(
    valleys: ModuleType, spot: tuple[float, float], confidence: float, more: float, seed: int
) -> None:
    lower = answered(small(valleys, spot, confidence=confidence, seed=seed))
    higher = answered(small(valleys, spot, confidence=confidence + more, seed=seed))
    never_later(higher, lower)


@given(fire_spots, st.floats(0.0, 1200.0), st.floats(0.0, 1200.0), seeds)
@FEW
def test_a_lower_margin_never_makes_it_earlier(
    valleys: ModuleType, spot: tuple[float, float], margin_s: float, more_s: float, seed: int
) -> None:
    """And as every stretch is held that much before it shuts, each second of margin is a second of the leave-by."""
    narrow = answered(small(valleys, spot, margin_s=margin_s, seed=seed))
    wide = answered(small(valleys, spot, margin_s=margin_s + more_s, seed=seed))
    never_later(wide, narrow)
    for way, start_s in starts(narrow).items():
        if np.isfinite(start_s):
            assert start_s - starts(wide)[way] == pytest.approx(more_s, abs=1e-3)


@given(fire_spots, st.floats(0.0, 400.0), seeds)
@FEW
def test_a_wider_stand_off_never_makes_it_later(
    valleys: ModuleType, spot: tuple[float, float], more_m: float, seed: int
) -> None:
    inputs = small(valleys, spot, seed=seed)
    wider = replace(inputs.plan, roads=replace(inputs.plan.roads, standoff_m=inputs.plan.roads.standoff_m + more_m))
    never_later(answered(replace(inputs, plan=wider)), answered(inputs))


@given(fire_spots, st.sampled_from(["Tannery Road", "Quarrel Road", "Sallow Lane"]), seeds)
@FEW
def test_a_closed_road_never_makes_it_later(
    valleys: ModuleType, spot: tuple[float, float], name: str, seed: int
) -> None:
    """Closed to all. The lane is on every way out: without it there is none, which is said, not timed.

    Where fire comes to every safe point, times go by the one that is cut off first; a road closed to that very one
    takes it out of the reckoning, so such a pair is not compared.

    A closed road may leave only safe points that fire reaches later, which were passed over before although they could
    be left for a little later: such a pair is not compared, and the answer says that one must be ready to go farther.
    The moment from which every road out is shut on most such days, to any safe point, is compared always.
    """
    shut = {name: {**valleys.ASPHALT, "access": "no"}}
    before = answered(small(valleys, spot, seed=seed))
    after = answered(small(valleys, spot, seed=seed, tags=shut))
    assert after.phases.shut_from_s <= before.phases.shut_from_s + SLACK_S
    for way, start_s in starts(after).items():
        if ends_where_fire_comes(after, way) == ends_where_fire_comes(before, way) and not goes_by_another(before, way):
            assert start_s <= starts(before)[way] + SLACK_S, way
    if name == "Sallow Lane":
        assert set(starts(after).values()) == {-np.inf}


@given(st.floats(1500.0, 6500.0), wind_km_h, st.floats(0.0, 25.0), seeds)
@FEW
def test_more_wind_on_a_fire_that_it_drives_at_the_road_never_makes_it_later(
    valleys: ModuleType, x_m: float, wind: float, more: float, seed: int
) -> None:
    """A road square to the wind, and the fire upwind of it: the head comes first, and more wind makes it faster.

    For a fire that the wind drives past the road this does not hold, and is not claimed: a stronger wind makes the fire
    narrower, and its flank comes later. Within a cell's breadth at the slower head, since cells are judged at centres.
    """

    def at(wind_now: float) -> HouseholdResult:
        weather = valleys.steady(wind_km_h=wind_now, wind_from_deg=0.0, hot_c=30.0, dry=25.0)
        inputs = small(
            valleys,
            (x_m, 6800.0),
            weather=weather,
            seed=seed,
            home=(400.0, 2000.0),
            safe_points=(valleys.safe("the bridge", (7600.0, 2000.0)),),
            ignitions=(valleys.point_fire((x_m, 6800.0)),),
        )
        road = network_from_lines(
            [valleys.placed([(400.0, 2000.0), (7600.0, 2000.0)])],
            crs=valleys.CRS,
            names=["Cross Road"],
            tags=[valleys.ASPHALT],
        )
        return answered(replace(inputs, network=road))

    before, after = at(wind), at(wind + more)
    never_later(after, before, slack_s=5.0)
    assert set(after.ways) == {"tow", "car", "foot"}
