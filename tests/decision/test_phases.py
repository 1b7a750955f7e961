"""The three phases of leaving, against counting members, and on whole households."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime, timedelta
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.answer import answer_household
from leaveby.decision.household.phases import phases, shut_in_most_s
from leaveby.decision.ways.confidence import latest_at_confidence
from leaveby.decision.ways.result import HouseholdResult
from smaller import times_alone

START = datetime(2026, 1, 17, 12, 42, 30)
TIMES = st.lists(st.floats(-7200.0, 40_000.0) | st.just(np.inf) | st.just(-np.inf), min_size=1, max_size=60)


def caught(departures_s: np.ndarray, at_s: float) -> int:
    """By the meaning of a latest departure: whoever rolls after it is caught."""
    return sum(latest_s < at_s for latest_s in departures_s.tolist())


@given(TIMES)
def test_most_are_shut_after_the_moment_and_not_at_it(times: list[float]) -> None:
    departures_s = np.array(times)
    at_s = shut_in_most_s(departures_s)
    assert 2 * caught(departures_s, at_s) <= len(times)
    if at_s < np.inf:
        assert 2 * caught(departures_s, np.nextafter(at_s, np.inf)) > len(times)


@given(TIMES, st.floats(-7200.0, 40_000.0) | st.just(np.inf) | st.just(-np.inf), st.sampled_from([0.5, 0.8, 0.95]))
def test_the_phases_follow_each_other(times: list[float], central_exit_s: float, confidence: float) -> None:
    departures_s = np.array(times)
    roll_by_s = latest_at_confidence(departures_s, confidence)
    found = phases(
        departures_s,
        departures_s,
        start_by_s=roll_by_s - 600.0,
        roll_by_s=roll_by_s,
        central_exit_s=central_exit_s,
        start=START,
    )
    assert found.start_by_s <= found.roll_by_s <= found.shut_from_s
    # Never is anybody told that leaving has ended while half of the runs, or the central one, still get out.
    assert found.shut_from_s >= max(shut_in_most_s(departures_s), central_exit_s)
    if np.isfinite(found.shut_from_s):
        clock = START + timedelta(seconds=found.shut_from_s)
        assert (clock.minute % 5, clock.second) == (0, 0)
        assert found.shut_from_s < max(shut_in_most_s(departures_s), central_exit_s, roll_by_s) + 300.0 + 1e-3
    assert 0.0 <= found.ten_minutes_cost <= 1.0


@given(st.lists(st.floats(0.0, 20_000.0), min_size=2, max_size=60), st.floats(0.0, 1.0))
def test_no_ten_minutes_of_the_late_phase_cost_more_than_is_said(times: list[float], share: float) -> None:
    departures_s = np.array(times)
    roll_by_s = latest_at_confidence(departures_s, 0.95)
    found = phases(departures_s, departures_s, start_by_s=0.0, roll_by_s=roll_by_s, central_exit_s=-np.inf, start=START)
    at_s = roll_by_s + share * (shut_in_most_s(departures_s) - roll_by_s)
    lost = (caught(departures_s, at_s + 600.0) - caught(departures_s, at_s)) / len(times)
    assert lost <= found.ten_minutes_cost + 1e-9


@pytest.fixture(scope="module")
def asked(valleys: ModuleType) -> HouseholdInputs:
    shut = (valleys.task("shutters", 5, 8, 15, ("shelter",)),)
    inputs: HouseholdInputs = valleys.side_valley(members=40, tasks=(*valleys.TASKS, *shut))
    return inputs


@pytest.fixture(scope="module")
def answer(asked: HouseholdInputs) -> HouseholdResult:
    return answer_household(asked, workers=2)


def test_no_time_hangs_on_rules_and_what_ifs(asked: HouseholdInputs, answer: HouseholdResult) -> None:
    """So that tests of times may leave them out (`smaller.times_alone`)."""
    alone = times_alone(answer_household, asked, workers=2)
    assert (len(answer.what_ifs), len(answer.rules.rules)) > (0, 0)
    assert (len(alone.what_ifs), len(alone.rules.rules)) == (0, 0)
    whole, other = (
        [
            *map(
                asdict,
                (*one.ways.values(), *one.way_phases.values(), one.phases, one.shelter, one.fire, *one.timetable),
            )
        ]
        for one in (answer, alone)
    )
    np.testing.assert_equal(other, whole)


def test_the_last_resort_of_a_household_begins_with_the_third_phase(answer: HouseholdResult) -> None:
    assert set(answer.way_phases) == set(answer.ways)
    assert answer.shelter.leaving_ends_s == answer.phases.shut_from_s
    assert answer.shelter.begins_s == answer.phases.shut_from_s
    for name, way in answer.ways.items():
        found = answer.way_phases[name]
        assert (found.start_by_s, found.roll_by_s) == (way.latest_start_s, way.latest_departure_s)
        assert found.roll_by_s < found.shut_from_s <= answer.phases.shut_from_s
        # Half an hour before it most runs of this valley still get clear.
        assert np.mean(way.member_latest_start_s + way.ready_s.p50_s > way.latest_departure_s) > 0.5


def test_nothing_of_the_last_resort_stands_before_the_third_phase(answer: HouseholdResult) -> None:
    (row,) = [one for one in answer.timetable if "last resort" in one.sentence]
    assert row.at_s == answer.phases.shut_from_s
    for one in answer.timetable:
        for words in ("no longer an option", "No road out", "no road out by car", "no towing", "shelter"):
            assert words not in one.sentence
