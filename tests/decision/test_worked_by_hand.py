"""Small pieces of the decision room against what is worked out by hand from their definitions."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString

from leaveby.decision.fires.closing import StretchCells, lines_inside, select
from leaveby.decision.fires.design import SURE, left_out_error_s
from leaveby.decision.fires.members import draw_members
from leaveby.decision.fires.smooth import smooth_times, times_at
from leaveby.decision.fires.solved import earliest_about
from leaveby.decision.household.phases import phases
from leaveby.decision.lines.landmarks import landmark_words
from leaveby.decision.rules.too_near import DayFires, fastest, steps_between
from leaveby.decision.ways.confidence import latest_on_route, quantiles_of
from leaveby.decision.ways.precision import half_width_s
from leaveby.decision.ways.result import Precision, Quantiles, TriggerLine
from leaveby.decision.ways.sensitivity import cost_of_delay, moved
from leaveby.decision.ways.timing import curve_moments
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.series import constant_weather

GRID = Grid(x_min_m=0.0, y_max_m=100.0, cell_m=10.0, rows=10, cols=10, crs="EPSG:32755")
UNBOUNDED = Precision(members=9, fires=9, low_s=np.inf, high_s=np.inf)


def test_stretches_that_leave_the_grid_are_told_apart() -> None:
    lines = np.array([LineString([(5, 95), (95, 95)]), LineString([(5, 95), (105, 95)])])
    assert lines_inside(GRID, lines).tolist() == [True, False]
    part = select(StretchCells(np.array([0, 2, 3]), np.array([0, 3, 9]), np.array([True, False])), np.array([1]))
    assert (part.first.tolist(), part.cell.tolist(), part.inside.tolist()) == ([0, 1], [9], [False])


def test_a_cells_earliest_is_that_of_the_nine_about_it() -> None:
    assert earliest_about(np.array([[5.0, 9.0], [np.inf, np.inf]]), 1, col=1) == 5.0


def test_one_more_task_leaves_the_other_columns_as_they_were() -> None:
    draws = draw_members(100, seed=1, tasks=("bags", "wheels"), ignitions=("strike",))
    more = draw_members(100, seed=1, tasks=("goats", "bags", "wheels"), ignitions=("strike",))
    assert draws.duration_uniform.shape == (100, 2)
    assert draws.drive_factor.min() >= 1.0
    assert np.array_equal(more.duration_uniform[:, 1:], draws.duration_uniform)


def test_a_function_through_fires_gives_the_time_between_them() -> None:
    z = np.random.default_rng(1).normal(size=(80, 2))
    found_s = times_at(smooth_times(z, 3600.0 * np.exp(0.5 * z[:, :1])), np.array([[0.5, 0.0]]))[0, 0]
    assert found_s == pytest.approx(3600.0 * np.exp(0.25), rel=0.01)


def test_what_leaving_out_a_part_tells_of_an_error() -> None:
    # 10 s either way in two of four parts: a root mean square of 10 / sqrt(2); 1.645 is the normal's 95 % point
    assert left_out_error_s(100.0, [90.0, 110.0, 100.0, 100.0]) == pytest.approx(SURE * 10.0 / np.sqrt(2.0))
    assert pytest.approx(1.645, abs=0.001) == SURE
    assert left_out_error_s(np.inf, [np.inf, np.inf]) == 0.0
    assert left_out_error_s(100.0, [90.0, np.inf]) == np.inf


@pytest.mark.parametrize(
    ("found", "half_s"),
    [
        (Precision(members=100, fires=100, low_s=0.0, high_s=600.0), 300.0),
        (UNBOUNDED, 0.0),
        (Precision(members=9, fires=9, low_s=0.0, high_s=np.inf), np.inf),
    ],
)
def test_half_the_width_of_an_interval(found: Precision, half_s: float) -> None:
    assert half_width_s(found) == half_s


def test_points_of_a_duration_lie_on_the_long_side() -> None:
    assert quantiles_of(np.arange(1.0, 101.0)) == Quantiles(p50_s=51.0, p90_s=91.0, p95_s=96.0)


def test_the_latest_departure_is_the_closing_less_the_margin_and_the_time_to_clear() -> None:
    closing_s, times_s = np.array([[1000.0, 900.0]]), np.array([60.0, 120.0])
    found_s = latest_on_route(closing_s, times_s, margin_s=100.0, drive_factor=np.array([1.0]))
    assert found_s.tolist() == [900.0 - 100.0 - 180.0]


def test_what_a_delay_costs_and_how_far_leave_bys_move() -> None:
    assert cost_of_delay(np.arange(0.0, 6000.0, 60.0), 0.0) == pytest.approx(0.1)
    assert moved({"car": 600.0, "tow": None}, {"car": 900.0, "tow": 300.0}) == {"car": 300.0, "tow": None}


def test_the_curve_goes_by_five_minutes_over_the_bounded_members() -> None:
    assert curve_moments(np.array([400.0, 1000.0, np.inf])).tolist() == [0.0, 300.0, 600.0, 900.0, 1200.0]
    assert curve_moments(np.array([np.inf])).tolist() == [0.0]


def test_the_last_resort_begins_at_a_whole_five_minutes_of_the_clock() -> None:
    departures_s = np.array([1000.0, 1200.0, 1500.0, 4000.0, 9000.0])
    found = phases(
        departures_s,
        departures_s,
        start_by_s=400.0,
        roll_by_s=1000.0,
        central_exit_s=1450.0,
        start=datetime(2026, 1, 17, 12, 40),
    )
    assert (found.ten_minutes_cost, found.shut_from_s) == (0.6, 1500.0)


def test_a_line_beyond_the_grid_is_said_to_be_there() -> None:
    line = TriggerLine("car", 0.95, 1800.0, shapely.MultiPolygon(), ((0.0, np.inf),))
    assert landmark_words((), line)[0] == (
        "Towards north the line lies beyond the ground that was looked at: a fire anywhere there counts."
    )


def test_the_fastest_of_some_hours_is_the_fastest_of_each_fuel() -> None:
    """Forest is worst in the second hour, grass in the third; over the ground the third is, and the wind is its."""
    weather = constant_weather(
        datetime(2026, 1, 17, 12, tzinfo=UTC),
        hours=4,
        air_temperature_c=30.0,
        relative_humidity_percent=20.0,
        wind_speed_m_s=1.0,
        wind_from_deg=0.0,
    )
    weather.wind_speed_m_s[:, 0], weather.wind_from_deg[:, 0] = [1.0, 2.0, 3.0, 4.0], [350.0, 10.0, 30.0, 120.0]
    head_m_s = np.array([[1.0, 1.0], [4.0, 2.0], [3.0, 5.0], [9.0, 9.0]])
    day = DayFires(weather, head_m_s, np.stack([1.5 * head_m_s, 0.5 * head_m_s]), head_m_s.mean(axis=1))
    found = fastest(day, within=np.array([True, True, True, False]))
    assert found.head_m_s.tolist() == [4.0, 5.0]
    assert found.factor.tolist() == [1.5, 0.5]
    assert (found.wind_m_s, found.turns_deg) == (3.0, 90.0)


@pytest.mark.parametrize(
    ("from_hour", "until_hour", "held"),
    [(13.0, 15.0, [13, 14]), (13.5, 14.5, [13, 14]), (22.0, 34.0, [22, 23, 0, 1, 2, 3]), (6.0, 8.0, [3])],
)
def test_the_hours_of_a_span_are_those_that_hold_in_it(from_hour: float, until_hour: float, held: list[int]) -> None:
    """Weather by the hour from noon to three at night: a step that began before the span holds on into it."""
    weather = constant_weather(
        datetime(2026, 1, 17, 12, tzinfo=UTC),
        hours=16,
        air_temperature_c=30.0,
        relative_humidity_percent=20.0,
        wind_speed_m_s=1.0,
        wind_from_deg=0.0,
    )
    within = steps_between(weather, from_hour=from_hour, until_hour=until_hour)
    assert [(12 + step) % 24 for step in np.flatnonzero(within)] == held
