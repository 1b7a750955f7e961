"""The example that is worked by hand in about/hand_example.md: one road, one rate of spread, fixed durations.

The notebook of checks shows the same example, and both take it from one place; the numbers by hand are retyped here.

Source of every expected number: the arithmetic written beside it. Without wind and slope a fire from a point is a
circle; a speed of 1 m/s makes a metre a second.
"""

from __future__ import annotations

from math import hypot
from types import ModuleType

import numpy as np
import pytest
import shapely

from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import HouseholdResult, TriggerLine, WayTiming
from leaveby.verify.hand_example import HOME_M, hand_example_inputs

CELL_M = 50.0
CLOSE_S = 0.5 * CELL_M * 2.0**0.5
"""A cell is judged at its centre: a closing may come out early by half a cell's diagonal, at 1 m/s."""

FACTOR = 1.475
"""Which 95 % of the drives do not exceed: 1 + 0.95 x 0.5, drives being as likely anywhere from 1 to 1.5."""

SAMPLED = 0.01
"""How far a hundred members may be off that factor."""


@pytest.fixture(scope="module")
def result(valleys: ModuleType) -> HouseholdResult:
    # The road lies on a row of cell centres, and so does the fire.
    assert (valleys.WEST_M, valleys.SOUTH_M) == HOME_M
    return answer_household(hand_example_inputs(), workers=2)


@pytest.fixture(scope="module")
def car(result: HouseholdResult) -> WayTiming:
    return result.ways["car"]


def test_the_drive(result: HouseholdResult, car: WayTiming) -> None:
    """12 km at nine tenths of 80 km/h: 20 m/s, 600 s, 150 s a stretch."""
    assert car.route is not None
    assert car.route.length_m == pytest.approx(12_000.0, abs=0.1)
    assert car.route.time_s == pytest.approx(600.0, abs=0.1)
    assert [step.street for step in car.route.steps] == ["Home Lane", "Ford Road", "Hill Road", "Town Road"]
    assert car.drive_s.p95_s == pytest.approx(600.0 * FACTOR, abs=600.0 * SAMPLED)
    assert car.required_s.p95_s == pytest.approx(1200.0 + 600.0 * FACTOR, abs=600.0 * SAMPLED)
    assert result.fire.head_ros_m_s == 1.0


def test_the_closings(result: HouseholdResult, car: WayTiming) -> None:
    """Distance of the fire from the nearest point of each stretch, less 100 m, less 600 s."""
    assert car.route is not None
    by_hand_s = [hypot(to_the_side_m, 6100.0) - 700.0 for to_the_side_m in (3750.0, 750.0, 0.0, 2250.0)]
    assert by_hand_s == pytest.approx([6460.5, 5445.9, 5400.0, 5801.7], abs=0.06)
    for edge, expected_s in zip(car.route.edges, by_hand_s, strict=True):
        assert expected_s - CLOSE_S <= result.closing_s[edge] <= expected_s + 0.1
    assert car.route.closes_first == "Hill Road"
    assert car.route.closes_first_s == pytest.approx(5400.0, abs=0.1)


def test_ready_after_twenty_minutes(car: WayTiming) -> None:
    """One pair of hands: 15 and 5 minutes one after the other."""
    assert (car.ready_s.p50_s, car.ready_s.p95_s, car.ready_at_confidence_s) == (1200.0, 1200.0, 1200.0)


def test_latest_departure_and_latest_start(car: WayTiming) -> None:
    """Hill Road binds: 5,400 - 600 - 450 x 1.475 = 4,136 s; 1,200 s before that, 2,936 s."""
    assert car.latest_departure_s == pytest.approx(4800.0 - 450.0 * FACTOR, abs=450.0 * SAMPLED)
    assert car.latest_start_s == pytest.approx(2936.0, abs=450.0 * SAMPLED)
    # Every member lies between the quickest and the slowest drive.
    assert car.member_latest_start_s.min() >= 4800.0 - 450.0 * 1.5 - 1200.0
    assert car.member_latest_start_s.max() <= 4800.0 - 450.0 - 1200.0 + 0.1


def test_probability_of_being_clear(car: WayTiming) -> None:
    """Clear at t when the factor is at most (3,600 - t) / 450: always at 2,700 s, two thirds at 3,000 s, then never."""
    clear = dict(zip(car.start_s.tolist(), car.clear_probability.tolist(), strict=True))
    assert clear[2700.0] == 1.0
    assert clear[3000.0] == pytest.approx(2.0 / 3.0, abs=2 * SAMPLED)
    assert clear[3300.0] == 0.0


def test_fire_at_the_home(result: HouseholdResult) -> None:
    """The nearest of the nine cells about the home: sqrt(6,700^2 + 6,050^2) = 9,027 s at 1 m/s."""
    assert result.fire.home_p50_s == pytest.approx(hypot(6700.0, 6050.0), abs=0.5)
    # The weather is the same at all hours, so its coming sooner or later changes the last digits alone.
    assert result.fire.home_p05_s == pytest.approx(result.fire.home_p50_s, abs=1e-6)


@pytest.mark.parametrize(("line", "learns_s", "by_hand_m"), [("late", 0.0, 3163.75), ("go", 600.0, 3763.75)])
def test_trigger_lines_north_of_hill_road(
    valleys: ModuleType, result: HouseholdResult, line: str, learns_s: float, by_hand_m: float
) -> None:
    """d - 100 - 450 f - 600 - 600 = 1,200 north of the middle of Hill Road, or 600 more for who has yet to learn of it;
    drawn up to a cell and a half farther."""
    assert by_hand_m == 100.0 + 450.0 * FACTOR + 600.0 + 600.0 + 1200.0 + learns_s
    (rule,) = result.rules.rules.values()
    assert rule.way == "car"
    north = shapely.LineString(
        [(valleys.WEST_M + 7500.0, valleys.SOUTH_M), (valleys.WEST_M + 7500.0, valleys.SOUTH_M + 6500.0)]
    )
    found: TriggerLine = getattr(rule, line)
    reach_m = found.area.intersection(north).length
    assert by_hand_m <= reach_m <= by_hand_m + 1.5 * CELL_M


def test_on_foot_there_is_nowhere_to_go(result: HouseholdResult) -> None:
    foot = result.ways["foot"]
    assert foot.route is None
    assert foot.latest_start_s is None
    assert "no safe point" in foot.why
    assert np.all(foot.member_latest_start_s == -np.inf)
