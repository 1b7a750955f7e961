"""Spotting distance, ember arrival, flames and intensity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leaveby.fire.arrival.embers import (
    LONGEST_SPOTTING_M,
    SHORT_SPOTTING_M,
    ember_arrival_at,
    growing_since_s,
    spotting_distance_m,
    spotting_loads_t_ha,
)
from leaveby.fire.arrival.solve import Ignition, arrive, ignite_point
from leaveby.fire.fuel.types import fuel_type
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.flames import fireline_intensity_kw_m, flame_height_m, flame_length_m
from leaveby.fire.spread.series import SpreadZones
from leaveby.fire.terrain import Grid

CARRY = 2.5
"""Speed of the wind that carries embers over that at 10 m, as stated: judgement."""

SLOWEST_M_S = 3.0
THROWS_S = 300.0


def _table(
    rows: int,
    cols: int,
    *,
    winds_m_s: Sequence[tuple[float, float]] = ((4.0, 0.0),),
    step_s: Sequence[float] = (0.0,),
    ros_km_h: float = 3.6,
    cell_m: float = 50.0,
) -> SpreadTable:
    """One zone; winds as vectors towards east and north, one for each step."""
    grid = Grid(x_min_m=0.0, y_max_m=rows * cell_m, cell_m=cell_m, rows=rows, cols=cols, crs="EPSG:32755")
    wind = np.array(winds_m_s)
    return SpreadTable(
        grid=grid,
        zone=np.zeros(grid.shape, np.int32),
        gradient_east=np.zeros(grid.shape, np.float32),
        gradient_north=np.zeros(grid.shape, np.float32),
        time_s=np.array(step_s, dtype=np.float64),
        flat_head_ros_m_s=np.full((wind.shape[0], 1), ros_km_h / 3.6),
        wind_east_m_s=wind[:, :1],
        wind_north_m_s=wind[:, 1:],
        shape_row=np.zeros(1, np.int8),
    )


def _random(seed: int) -> tuple[SpreadTable, NDArray[np.float64], NDArray[np.float64], float]:
    """A table of two zones under changing winds, burning cells here and there, loads, and a start."""
    rng = np.random.default_rng(seed)
    steps = int(rng.integers(1, 5))
    plain = _table(15, 17, cell_m=float(rng.uniform(20.0, 200.0)))
    shape = plain.grid.shape
    angle = rng.uniform(0.0, 2.0 * np.pi, (steps, 2))
    speed = rng.uniform(0.0, 12.0, (steps, 2)) * (rng.random((steps, 2)) < 0.9)
    table = replace(
        plain,
        zone=rng.integers(-1, 2, shape).astype(np.int32),
        time_s=np.concatenate([[rng.uniform(-400.0, 0.0)], np.sort(rng.uniform(0.0, 900.0, steps - 1))]),
        flat_head_ros_m_s=rng.uniform(0.02, 0.6, (steps, 2)),
        wind_east_m_s=speed * np.cos(angle),
        wind_north_m_s=speed * np.sin(angle),
        shape_row=np.zeros(2, np.int8),
    )
    arrival = rng.uniform(-300.0, 1200.0, shape)
    arrival[rng.random(shape) < rng.uniform(0.7, 0.99)] = np.inf
    arrival[rng.integers(0, 15), rng.integers(0, 17)] = rng.uniform(-300.0, 1200.0)
    loads = rng.uniform(5.0, 30.0, 2)
    if rng.random() < 0.3:
        loads[1] = np.nan
    started = -np.inf if rng.random() < 0.3 else float(arrival.min() - rng.uniform(0.0, 200.0))
    return table, arrival, loads, started


def _carries(table: SpreadTable) -> NDArray[np.float64]:
    winds = np.sqrt(table.wind_east_m_s**2 + table.wind_north_m_s**2)
    return np.array([max(CARRY * max(row), SLOWEST_M_S) for row in winds])


def _flight(table: SpreadTable, thrown_s: float, distance_m: float) -> float:
    """Landing time: step by step, as far as each step's wind carries."""
    now, left = thrown_s, distance_m
    for k, carry in enumerate(_carries(table)):
        until = table.time_s[k + 1] if k + 1 < table.time_s.size else np.inf
        if until <= now:
            continue
        if (until - now) * carry >= left:
            return float(now + left / carry)
        left -= (until - now) * carry
        now = until
    raise AssertionError("the last step holds on")


def _by_definition(
    table: SpreadTable,
    arrival: NDArray[np.float64],
    row: int,
    col: int,
    *,
    loads: NDArray[np.float64],
    started: float,
    every_s: float,
) -> float:
    """Go over all cells and all moments at which they throw, one by one."""
    best = float(arrival[row, col])
    for r, c in zip(*np.nonzero(np.isfinite(arrival) & (table.zone >= 0)), strict=True):
        zone = int(table.zone[r, c])
        east, north = (col - c) * table.grid.cell_m, (r - row) * table.grid.cell_m
        distance = float(np.hypot(east, north))
        lit = float(arrival[r, c])
        moments = np.append(np.arange(lit, lit + THROWS_S, every_s), table.time_s)
        for thrown in moments[(moments >= lit) & (moments <= lit + THROWS_S) & (moments < best)]:
            step = max(int(np.searchsorted(table.time_s, thrown, side="right")) - 1, 0)
            grown = 1.0 - np.exp(-0.115 * (thrown - started) / 60.0)
            R = 3.6 * table.flat_head_ros_m_s[step, zone] * grown
            reach = 1000.0 * (R * (4.17 - 0.033 * loads[zone]) - 0.36)
            if not distance <= np.nanmin([np.nanmax([reach, 100.0]), 35_000.0]):
                continue
            lands = _flight(table, float(thrown), distance)
            for k in range(step, table.time_s.size):
                if k > step and table.time_s[k] >= lands:
                    break
                towards = np.arctan2(table.wind_north_m_s[k, zone], table.wind_east_m_s[k, zone])
                off = abs((np.arctan2(north, east) - towards + np.pi) % (2.0 * np.pi) - np.pi)
                calm = table.wind_east_m_s[k, zone] == table.wind_north_m_s[k, zone] == 0.0
                if distance == 0.0 or calm or np.rad2deg(off) <= 45.0:
                    best = min(best, lands)
    return best


@pytest.mark.parametrize("seed", range(30))
def test_one_cell_agrees_with_all_cells_and_moments(seed: int) -> None:
    table, arrival, loads, started = _random(seed)
    rng = np.random.default_rng(1000 + seed)
    # Moments half a second apart: a landing can be late by as much, times how much slower the air is then.
    every_s = 0.5
    slack_s = every_s * _carries(table).max() / _carries(table).min() + 1e-6
    for row, col in zip(rng.integers(0, 15, 4), rng.integers(0, 17, 4), strict=True):
        got = ember_arrival_at(table, arrival, row=int(row), col=int(col), loads_t_ha=loads, started_s=started)
        slowly = _by_definition(table, arrival, int(row), int(col), loads=loads, started=started, every_s=every_s)
        assert got <= slowly + 1e-6
        assert got == slowly or got >= slowly - slack_s


def test_the_random_fields_hold_every_kind_of_case() -> None:
    # What fields like the thirty above have to hold: embers before the front, none at all, far throws, and throws that
    # only a grown fire makes.
    before = none = far = grown = 0
    for seed in range(40):
        table, arrival, loads, started = _random(seed)
        for row, col in ((2, 3), (7, 9), (12, 14)):
            got = ember_arrival_at(table, arrival, row=row, col=col, loads_t_ha=loads, started_s=started)
            full = ember_arrival_at(table, arrival, row=row, col=col, loads_t_ha=loads)
            short = ember_arrival_at(table, arrival, row=row, col=col, loads_t_ha=np.full(2, np.nan))
            before += got < arrival[row, col]
            none += np.isinf(got)
            far += got < short
            grown += full < got
            assert full <= got <= short
    assert min(before, none, far, grown) >= 10


def _alone(table: SpreadTable, lit_s: float, row: int, col: int) -> NDArray[np.float64]:
    arrival = np.full(table.grid.shape, np.inf)
    arrival[row, col] = lit_s
    return arrival


FOREST = np.array([25.0])


def test_embers_land_downwind_within_the_distance_only() -> None:
    # By hand: 0.36 km/h in 25 t/ha reach 0.36 (4.17 - 0.825) - 0.36 = 0.844 km; the wind of 4 m/s carries at 10 m/s.
    table = _table(41, 41, ros_km_h=0.36)
    arrival = _alone(table, 600.0, 20, 5)

    def at(row: int, col: int) -> float:
        return ember_arrival_at(table, arrival, row=row, col=col, loads_t_ha=FOREST)

    assert at(20, 21) == pytest.approx(600.0 + 80.0)
    assert at(20, 22) == np.inf
    assert at(20, 4) == np.inf
    assert at(10, 15) == pytest.approx(600.0 + 500.0 * np.sqrt(2.0) / 10.0)  # just within 45 degrees
    assert at(10, 14) == np.inf


def test_embers_fly_with_the_wind_of_each_hour() -> None:
    # By hand: 600 s at 2.5 x 4 m/s are 6,000 m, the other 2,000 m take 100 s at 2.5 x 8 m/s.
    table = _table(3, 180, winds_m_s=((4.0, 0.0), (8.0, 0.0)), step_s=(0.0, 600.0))
    arrival = _alone(table, 0.0, 1, 0)
    assert ember_arrival_at(table, arrival, row=1, col=160, loads_t_ha=FOREST) == pytest.approx(700.0)


def test_no_ember_flies_farther_than_the_cut() -> None:
    # 20 km/h in 25 t/ha would reach 66.5 km: cut at 35 km.
    table = _table(3, 60, ros_km_h=20.0, cell_m=1000.0)
    arrival = _alone(table, 0.0, 1, 0)
    assert ember_arrival_at(table, arrival, row=1, col=35, loads_t_ha=FOREST) == pytest.approx(3500.0)
    assert ember_arrival_at(table, arrival, row=1, col=36, loads_t_ha=FOREST) == np.inf


def test_calm_air_carries_embers_slowly_to_all_sides() -> None:
    table = _table(41, 41, winds_m_s=((0.0, 0.0),))
    arrival = _alone(table, 0.0, 20, 20)
    for row, col in ((20, 40), (20, 0), (0, 20)):
        assert ember_arrival_at(table, arrival, row=row, col=col, loads_t_ha=FOREST) == pytest.approx(1000.0 / 3.0)


def test_a_fire_just_lit_throws_no_kilometres() -> None:
    # By hand: 4 km need (4 + 0.36) / 3.345 = 1.3034 of 3.6 km/h, reached after -ln(1 - 0.36207) / 0.115 = 3.9089 min;
    # then 400 s of flight. 5 km are in reach only 5.12 min after the start, when this place throws no more.
    table = _table(3, 201)
    arrival = _alone(table, 0.0, 1, 0)

    def at(col: int, started_s: float) -> float:
        return ember_arrival_at(table, arrival, row=1, col=col, loads_t_ha=FOREST, started_s=started_s)

    assert at(80, 0.0) == pytest.approx(60.0 * 3.9089 + 400.0, abs=0.01)
    assert at(100, 0.0) == np.inf
    assert at(80, -60.0) == pytest.approx(60.0 * 2.9089 + 400.0, abs=0.01)
    assert at(80, -np.inf) == pytest.approx(400.0)
    assert at(2, 0.0) == pytest.approx(10.0)  # 100 m: the least distance, at once


# Growth from a point, 1 - exp(-0.115 t), t in minutes (computed from a remembered equation).
@pytest.mark.parametrize(("minutes", "share"), [(5, 0.4373), (10, 0.6834), (20, 0.8997), (30, 0.9683)])
def test_a_fire_from_a_point_reaches_its_share_of_the_steady_rate(minutes: float, share: float) -> None:
    # 4 km need (4 + 0.36) / 3.345 km/h, see above: reached a minute after the fire came here, then 400 s of flight.
    table = _table(3, 201, ros_km_h=4.36 / 3.345 / share)
    arrival = _alone(table, 0.0, 1, 0)
    started_s = 60.0 - 60.0 * minutes
    landed_s = ember_arrival_at(table, arrival, row=1, col=80, loads_t_ha=FOREST, started_s=started_s)
    assert landed_s == pytest.approx(460.0, abs=1.0)


def test_embers_in_the_air_turn_with_the_wind() -> None:
    # The wind blows east and turns to the north. By hand: thrown at 0 s, 3,000 m north is reached at 300 s, with the
    # wind that then blows; 500 m north no sooner than the turn.
    turned = _table(101, 3, winds_m_s=((4.0, 0.0), (0.0, 4.0)), step_s=(0.0, 100.0))
    arrival = _alone(turned, 0.0, 80, 1)
    assert ember_arrival_at(turned, arrival, row=20, col=1, loads_t_ha=FOREST) == pytest.approx(300.0)
    assert ember_arrival_at(turned, arrival, row=70, col=1, loads_t_ha=FOREST) == pytest.approx(100.0)
    # It turns only after the place has burnt out at 300 s: what was thrown last is in the air until 300 s + 1,500/10.
    late = replace(turned, time_s=np.array([0.0, 400.0]))
    assert ember_arrival_at(late, arrival, row=50, col=1, loads_t_ha=FOREST) == pytest.approx(400.0)
    assert ember_arrival_at(late, arrival, row=70, col=1, loads_t_ha=FOREST) == np.inf


def test_a_lightning_strike_nine_kilometres_away_in_a_light_wind() -> None:
    # 8 km/h carries embers at 20 km/h: 27 minutes for 9 km, and the fire has to grow and run first. The fire is as fast
    # as any member's: 12 km/h.
    table = _table(21, 101, winds_m_s=((8.0 / 3.6, 0.0),), ros_km_h=12.0, cell_m=100.0)
    arrival = arrive(table, [ignite_point(50.0, 1050.0)], horizon_s=7200.0).time_s
    ember = ember_arrival_at(table, arrival, row=10, col=90, loads_t_ha=FOREST, started_s=0.0)
    assert 27.0 * 60.0 < ember < arrival[10, 90]


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 10_000), st.integers(0, 14), st.integers(0, 16))
def test_no_ember_outruns_the_wind_nor_comes_after_the_fire(seed: int, row: int, col: int) -> None:
    table, arrival, loads, started = _random(seed)
    got = ember_arrival_at(table, arrival, row=row, col=col, loads_t_ha=loads, started_s=started)
    r, c = np.indices(table.grid.shape)
    far_m = table.grid.cell_m * np.hypot(r - row, c - col)
    burning = np.where(table.zone >= 0, arrival, np.inf)
    assert got <= arrival[row, col]
    assert got >= min(float((burning + far_m / _carries(table).max()).min()), float(arrival[row, col])) - 1e-6


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 10_000), st.integers(0, 14), st.integers(0, 16), st.floats(1.0, 4.0))
def test_more_wind_in_unchanging_directions_is_not_later(seed: int, row: int, col: int, more: float) -> None:
    # The same fire. Where winds turn or drop, a slower ember may be in the air long enough to turn with them.
    table, arrival, loads, started = _random(seed)
    speed = np.hypot(table.wind_east_m_s, table.wind_north_m_s) + 0.1
    angle = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, 2)
    table = replace(table, wind_east_m_s=speed * np.cos(angle), wind_north_m_s=speed * np.sin(angle))
    faster = replace(table, wind_east_m_s=more * table.wind_east_m_s, wind_north_m_s=more * table.wind_north_m_s)
    slow, fast = (
        ember_arrival_at(one, arrival, row=row, col=col, loads_t_ha=loads, started_s=started) for one in (table, faster)
    )
    assert fast <= slow + 1e-6


def test_a_fire_from_points_grows_from_its_first_start() -> None:
    points = [ignite_point(0.0, 0.0, at_s=900.0), ignite_point(500.0, 0.0, at_s=300.0)]
    assert growing_since_s(points) == 300.0
    assert growing_since_s([*points, Ignition(shapely.MultiPoint([(0, 0), (9, 9)]), 100.0)]) == 100.0
    for large in (shapely.LineString([(0, 0), (9, 9)]), shapely.box(0, 0, 9, 9)):
        assert growing_since_s([*points, Ignition(large, 5000.0)]) == -np.inf


def test_nothing_burning_throws_nothing() -> None:
    table = _table(10, 10)
    arrival = np.full(table.grid.shape, np.inf)
    assert np.isinf(ember_arrival_at(table, arrival, row=0, col=0, loads_t_ha=FOREST))
    with pytest.raises(ValueError, match="shape"):
        ember_arrival_at(table, np.zeros((2, 2)), row=0, col=0, loads_t_ha=FOREST)
    with pytest.raises(ValueError, match="not a number"):
        ember_arrival_at(table, np.full(table.grid.shape, np.nan), row=0, col=0, loads_t_ha=FOREST)


def test_only_forest_throws_far() -> None:
    table = _table(3, 400)
    types = tuple(fuel_type(name) for name in ("woodland", "natural grassland", "scrub", "unmapped"))
    zones = SpreadZones(table.grid, table.zone, types, np.zeros(4, np.int32), np.zeros(4, np.bool_))
    loads = spotting_loads_t_ha(zones)
    assert loads[[0, 3]].tolist() == [15.0, 25.0]
    assert np.isnan(loads[1:3]).all()
    arrival = _alone(table, 0.0, 1, 0)
    for load in loads:
        reached = [
            np.isfinite(ember_arrival_at(table, arrival, row=1, col=col, loads_t_ha=np.array([load])))
            for col in range(1, 400)
        ]
        farthest_m = SHORT_SPOTTING_M if np.isnan(load) else float(spotting_distance_m(1.0, load))
        assert sum(reached) == int(farthest_m // 50.0)


@settings(deadline=None)
@given(st.floats(0.0, 10.0), st.floats(0.0, 40.0), st.floats(0.0, 5.0))
def test_faster_fires_throw_no_shorter_and_stand_no_lower(ros: float, load: float, more: float) -> None:
    assert 0.0 <= spotting_distance_m(ros, load) <= spotting_distance_m(ros + more, load) <= LONGEST_SPOTTING_M
    assert 0.0 <= flame_height_m(ros, load) <= flame_height_m(ros + more, load)
    assert 0.0 <= flame_length_m(ros, load) <= flame_length_m(ros + more, load)
    assert 0.0 <= fireline_intensity_kw_m(ros, load) <= fireline_intensity_kw_m(ros + more, load)


def test_documented_spotting_lies_within_what_the_equation_allows() -> None:
    # Camp Fire, 8 November 2018: spots to 6.3 km (read, NIST TN 2135). Its rate of 5.5 to 7 km/h is from memory; with
    # 15 to 25 t/ha the equation allows more than was seen, as a maximum must.
    for ros, load in ((5.5, 25.0), (7.0, 15.0)):
        assert spotting_distance_m(ros / 3.6, load) > 6300.0
    # 7 February 2009: spots to 33 km at 68 to 153 m/min (from memory).
    assert spotting_distance_m(153.0 / 60.0, 20.0) > 30_000.0
