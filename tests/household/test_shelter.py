"""The last resort: whether closing the house fits, what is said, and what must never be said."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import (
    FireInput,
    FuelInput,
    Home,
    House,
    IgnitionInput,
    Person,
    RoadsInput,
    SafePoint,
    Task,
    TerrainInput,
    WeatherInput,
)
from leaveby.household.readiness import Mornings, ready_times
from leaveby.household.sampling import sample_durations
from leaveby.household.shelter import HEADING, LastResort, Place, last_resort, latest_start

MINUTE_S = 60.0

PLAN = Plan(
    name="The Marlow place",
    confidence=0.95,
    margin_s=600.0,
    members=100,
    seed=1,
    horizon_s=8 * 3600.0,
    durations="beta_pert",
    home=Home(148.9, -36.1),
    house=House(heat_limit_kw_m2=12.5, clear_m=20.0),
    people=(Person("Ines", can=("lift",)), Person("Wren")),
    tasks=(
        # Common practice, no source: shutters for the whole house go on in about one minute.
        Task("shutters", ("car", "shelter"), 30.0, 60.0, 120.0),
        Task("gutters", ("shelter",), 600.0, 1200.0, 2400.0, needs=("lift",)),
        Task("gas off", ("shelter",), 120.0, 180.0, 600.0, after=("gutters",)),
        Task("bags", ("car",), 300.0, 600.0, 900.0),
    ),
    safe_points=(SafePoint("showground", 148.8, -36.2, "safe_point", ("car",)),),
    roads=RoadsInput(Path("r.osm"), standoff_m=100.0, smoke_lead_s=600.0),
    terrain=TerrainInput(Path("t.tif")),
    fuel=FuelInput(type="dry eucalypt forest"),
    weather=WeatherInput(Path("w.csv")),
    fire=FireInput(models=("dry_eucalypt",)),
    ignitions=(
        IgnitionInput("strike", datetime.fromisoformat("2026-01-17T12:40:00+11:00"), lon_lat_deg=((148.85, -36.05),)),
    ),
)
OVAL = Place("oval", "foot", distance_m=700.0, travel_s=9.5 * MINUTE_S, open_until_s=70 * MINUTE_S)
HALL = Place("hall", "car", distance_m=4000.0, travel_s=5 * MINUTE_S, open_until_s=30 * MINUTE_S)


def worked_out(**more: object) -> LastResort:
    known: dict[str, object] = {
        "shelter_ready_s": np.full(100, 25 * MINUTE_S),
        "ember_arrival_s": np.linspace(60 * MINUTE_S, 90 * MINUTE_S, 100),
        "front_arrival_s": np.linspace(80 * MINUTE_S, 110 * MINUTE_S, 100),
        "leaving_ends_s": 50 * MINUTE_S,
        "heat_kw_m2": 33.21,
        "places": (OVAL, HALL),
    }
    plan = more.pop("plan", PLAN)
    assert isinstance(plan, Plan)
    return last_resort(plan, **{**known, **more})  # type: ignore[arg-type]


def test_hand_worked_example() -> None:
    # Closing takes 25 minutes and begins when leaving ends, at 50: done at 75. Embers come between 60 and 90 in equal
    # steps: by 75 on half of such days; the front not before 80. By 35 it had to begin to be done before the embers
    # in (nearly) all members: 60 - 25.
    found = worked_out()
    assert found.begins_s == 50 * MINUTE_S
    assert found.closed_before_embers == pytest.approx(0.5, abs=0.01)
    assert found.closed_before_front == 1.0
    # Of 100 members ceil(0.95 * 101) = 96 have to be in time, so the fifth from below counts: 60 + 30 * 4/99 minutes.
    assert found.latest_start_before_embers_s / MINUTE_S == pytest.approx(35 + 30 * 4 / 99)
    assert found.ember_arrival_s / MINUTE_S == pytest.approx(60 + 30 * 4 / 99)
    assert found.heat_class == "BAL-40"
    assert found.above_stated_limit is True
    assert found.place == OVAL
    assert found.place_reachable


@pytest.mark.parametrize("done", [True, False])
def test_without_a_task_for_it_the_house_is_never_closed_at_once(done: bool) -> None:
    """No task named, or all done before the season, is nothing known: no share is closed, no moment is in time."""
    tasks = tuple(replace(task, done_before_season=True) for task in PLAN.tasks) if done else ()
    found = worked_out(plan=replace(PLAN, tasks=tasks), shelter_ready_s=np.zeros(100))
    assert found.tasks == ()
    assert found.ready_s == np.inf
    assert found.closed_before_embers == found.closed_before_front == 0.0
    assert found.latest_start_before_embers_s == found.latest_start_before_front_s == -np.inf
    never = worked_out(
        plan=replace(PLAN, tasks=tasks),
        ember_arrival_s=np.full(100, np.inf),
        front_arrival_s=np.full(100, np.inf),
    )
    assert never.latest_start_before_embers_s == -np.inf


def test_order_of_the_list_and_what_comes_too_late() -> None:
    found = worked_out()
    assert set(found.tasks) == {"shutters", "gutters", "gas off"}
    # The list alone: gutters 20, gas 3, shutters 1, one pair of hands: 24 minutes from minute 50; embers from 61.
    assert found.policy.ready_s == 24 * MINUTE_S
    assert "gutters" in found.too_late
    assert "gas off" in found.too_late


def test_the_heading_and_no_promise_anywhere() -> None:
    cases = (
        worked_out(),
        worked_out(leaving_ends_s=0.0),
        worked_out(leaving_ends_s=np.inf),
        worked_out(heat_kw_m2=5.0),
        worked_out(heat_kw_m2=None),
        worked_out(places=()),
        worked_out(plan=replace(PLAN, house=House(), tasks=())),
    )
    for found in cases:
        assert found.heading == HEADING
        assert "official directions" in found.heading
        for said in found.assumptions:
            assert not re.search(r"\b(safe|safely|safety|survive|survivable|will hold|stays? open\.)\b", said), said
            assert said.endswith(".")


def test_below_the_stated_limit_is_no_comfort() -> None:
    assert worked_out(heat_kw_m2=9.0).above_stated_limit is False
    assert worked_out(heat_kw_m2=12.6).above_stated_limit is True


def test_nothing_stated_is_said() -> None:
    found = worked_out(plan=replace(PLAN, house=House()))
    assert found.above_stated_limit is None
    assert any("does not state what radiant heat" in said for said in found.assumptions)
    assert any("no clear distance" in said for said in found.assumptions)


def test_nearest_place_that_can_still_be_reached() -> None:
    early = worked_out(leaving_ends_s=10 * MINUTE_S)
    assert early.place == HALL
    late = worked_out(leaving_ends_s=75 * MINUTE_S)
    assert not late.place_reachable
    cut_off = replace(OVAL, travel_s=np.inf, distance_m=np.inf, open_until_s=-np.inf)
    assert not worked_out(places=(cut_off,)).place_reachable


def test_the_last_resort_begins_when_leaving_has_ended_and_not_before() -> None:
    # Begun at 50 minutes, 25 minutes long, embers between 60 and 90: too late in the members with embers before 75.
    found = worked_out()
    assert found.begins_s == found.leaving_ends_s == 50 * MINUTE_S
    assert found.latest_start_before_embers_s < found.begins_s
    assert worked_out(leaving_ends_s=70 * MINUTE_S).begins_s == 70 * MINUTE_S
    assert worked_out(leaving_ends_s=-5 * MINUTE_S).begins_s == 0.0
    before = worked_out(ember_arrival_s=np.full(100, 20.5 * MINUTE_S))
    assert before.latest_start_before_embers_s == pytest.approx(-4.5 * MINUTE_S)


def test_embers_come_with_the_front_at_the_latest() -> None:
    found = worked_out(ember_arrival_s=np.full(100, np.inf))
    assert found.ember_arrival_s == found.front_arrival_s


def test_from_sampled_durations() -> None:
    drawn = sample_durations(PLAN.tasks, rng=np.random.default_rng(2), members=100)
    found = worked_out(shelter_ready_s=ready_times(Mornings(PLAN, drawn), "shelter"))
    assert found.ready_s > 24 * MINUTE_S
    assert 0.0 < found.closed_before_embers < 1.0


@given(st.lists(st.tuples(st.floats(0, 1e4), st.floats(0, 1e4) | st.just(float("inf"))), min_size=1, max_size=50))
def test_latest_start_is_in_time_for_the_asked_share(times: list[tuple[float, float]]) -> None:
    ready, arrival = (np.array(column) for column in zip(*times, strict=True))
    start = latest_start(ready, arrival_s=arrival, confidence=0.9)
    assert np.mean(arrival - ready >= start) >= 0.9 - 1e-9


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match="one ready time"):
        worked_out(shelter_ready_s=np.ones(3))
    with pytest.raises(InputError, match="no time"):
        worked_out(front_arrival_s=np.full(100, np.nan))
    with pytest.raises(InputError, match="negative or not finite"):
        worked_out(shelter_ready_s=np.full(100, np.inf))
    with pytest.raises(InputError, match="not a number"):
        worked_out(leaving_ends_s=np.nan)
