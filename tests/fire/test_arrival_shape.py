"""Arrival against exact answers: the ellipse, any wind history on uniform ground, tilted planes, quarter turns."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from leaveby.fire.arrival.isochrones import isochrones
from leaveby.fire.arrival.solve import arrive, ignite_point
from leaveby.fire.spread.ellipse import SpreadTable, eccentricity, length_to_breadth
from leaveby.fire.terrain import Grid

CELL_M = 30.0


def square(cells: int) -> Grid:
    return Grid(x_min_m=0.0, y_max_m=cells * CELL_M, cell_m=CELL_M, rows=cells, cols=cells, crs="EPSG:32755")


def uniform(grid: Grid, *, time_s, head, east, north, gradient=(0.0, 0.0)) -> SpreadTable:
    ones = np.ones(grid.shape, dtype=np.float32)
    column = [np.asarray(values, dtype=np.float64).reshape(-1, 1) for values in (head, east, north)]
    return SpreadTable(
        grid,
        np.zeros(grid.shape, dtype=np.int32),
        ones * np.float32(gradient[0]),
        ones * np.float32(gradient[1]),
        np.asarray(time_s, dtype=np.float64),
        *column,
        np.zeros(1, dtype=bool),
    )


def wind_for(ratio: float) -> float:
    """Wind in km/h that gives a length-to-breadth ratio."""
    if ratio == 1:
        return 0.0
    return float(brentq(lambda w: float(length_to_breadth(w)) - ratio + 1e-9, 0.0, 100.0))


def centres(grid: Grid):
    x = grid.x_min_m + (np.arange(grid.cols) + 0.5) * grid.cell_m
    y = grid.y_max_m - (np.arange(grid.rows) + 0.5) * grid.cell_m
    return np.meshgrid(x, y)


def plain_ellipse(x, y, *, head, e, along):
    """Time to (x, y) from a point at the rear focus of a growing ellipse: plain mathematics of the conic.

    In polar form about a focus, r = p / (1 - e cos phi), with p = head (1 - e) per unit of time.
    """
    distance = np.hypot(x, y)
    return (distance - e * (x * along[0] + y * along[1])) / (head * (1.0 - e))


@pytest.mark.parametrize("ratio", [1, 2, 3, 4, 6])
def test_uniform_wind_gives_the_exact_ellipse(ratio: int) -> None:
    # Source: plain mathematics of the ellipse about its rear focus. Limits: the accuracy asked of this solver.
    grid = square(500)
    x, y = centres(grid)
    x0, y0 = 7480.0, 7511.0
    wind = wind_for(ratio) / 3.6
    e = float(eccentricity(ratio))
    beyond = np.hypot(x - x0, y - y0) > 15 * CELL_M
    worst = 0.0
    for k in range(16):
        along = (np.cos(2 * np.pi * k / 16), np.sin(2 * np.pi * k / 16))
        table = uniform(grid, time_s=[0.0], head=[0.5], east=[wind * along[0]], north=[wind * along[1]])
        arrival = arrive(table, [ignite_point(x0, y0)], horizon_s=1e9)
        exact = plain_ellipse(x - x0, y - y0, head=0.5, e=e, along=along)
        error = arrival.time_s[beyond] / exact[beyond] - 1.0
        assert error.max() <= (0.01 if ratio <= 4 else 0.02)
        assert error.min() >= -0.03
        assert np.abs(error).mean() <= 0.003
        worst = max(worst, float(np.abs(error).max()))
    assert worst < 2e-4  # what this method reaches


def test_head_flank_and_back_move_at_the_ellipse_s_rates() -> None:
    # Source: plain mathematics of the ellipse; back/head = (1 - e)/(1 + e) (shape relations: memory).
    grid = square(200)
    wind = wind_for(2) / 3.6
    e = float(eccentricity(2))
    table = uniform(grid, time_s=[0.0], head=[0.5], east=[wind], north=[0.0])
    arrival = arrive(table, [ignite_point(3015.0, 2985.0)], horizon_s=1e9)
    speed_m_s = CELL_M / np.abs(np.diff(arrival.time_s[100]))
    assert speed_m_s[150] == pytest.approx(0.5, rel=1e-4)
    assert speed_m_s[50] == pytest.approx(0.5 * (1 - e) / (1 + e), rel=1e-4)


def history(name: str):
    """Step starts (s), head rates (m/s) and winds (m/s, east and north) of three wind histories."""
    if name == "steady turn":
        time_s = 900.0 * np.arange(12)
        kmh, deg, head = np.full(12, 22.0), 8.0 * np.arange(12), np.full(12, 0.9)
    elif name == "sudden change":
        time_s, kmh, deg = np.array([0.0, 5400.0]), np.array([24.0, 24.0]), np.array([0.0, -90.0])
        head = np.array([0.9, 0.9])
    else:
        time_s = 1800.0 * np.arange(6)
        kmh, deg = np.array([24.0, 12.0, 2.0, 5.0, 16.0, 24.0]), np.full(6, 20.0)
        head = np.array([1.0, 0.5, 0.2, 0.25, 0.6, 1.0])
    return time_s, head, kmh / 3.6 * np.cos(np.radians(deg)), kmh / 3.6 * np.sin(np.radians(deg))


def exact_support(angle, until, *, time_s, head, east, north):
    """Support function of the burnt region on uniform ground: the integral over time of the ellipses' own.

    Source: the burnt region is the Minkowski sum of what burns in each step (Huygens' principle), and support
    functions add. An ellipse about its rear focus has c cos(phi) + sqrt(b^2 + c^2 cos(phi)^2) with a = head/(1 + e).
    """
    nx, ny = np.cos(angle), np.sin(angle)
    ends = np.append(time_s[1:], np.inf)
    total = np.zeros(np.broadcast(angle, until).shape)
    for j in range(time_s.size):
        lasted = np.clip(until, time_s[j], ends[j]) - time_s[j]
        wind = np.hypot(east[j], north[j])
        e = float(eccentricity(length_to_breadth(wind * 3.6)))
        a = head[j] / (1 + e)
        cosine = (east[j] * nx + north[j] * ny) / wind
        total = total + lasted * (a * e * cosine + np.sqrt(a**2 * (1 - e**2) + (a * e * cosine) ** 2))
    return total


@pytest.mark.parametrize("name", ["steady turn", "sudden change", "lull and rise"])
def test_changing_wind_gives_the_exact_region(name: str) -> None:
    grid = square(500)
    time_s, head, east, north = history(name)
    x0, y0 = 4503.0, (10497.0 if name != "steady turn" else 4497.0)
    table = uniform(grid, time_s=time_s, head=head, east=east, north=north)
    arrival = arrive(table, [ignite_point(x0, y0)], horizon_s=10000.0)
    told = {"time_s": time_s, "head": head, "east": east, "north": north}

    # Limits: the accuracy asked of this solver, at four times.
    times = [3500.0, 5000.0, 7500.0, 9500.0]
    angle = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    fine = np.linspace(0.0, 2 * np.pi, 3600, endpoint=False)
    for time, burnt in zip(times, isochrones(arrival, times).geometry, strict=True):
        support = exact_support(fine, time, **told)
        slope = np.gradient(np.append(support, support[:2]), fine[1])[:-2]
        area = 0.5 * np.sum(support**2 - slope**2) * fine[1]  # of a convex region from its support function
        assert burnt.area == pytest.approx(area, rel=0.01)
        points = np.array(max(burnt.geoms, key=lambda part: part.area).exterior.coords) - (x0, y0)
        reached = np.max(points @ np.stack([np.cos(angle), np.sin(angle)]), axis=0)
        assert np.allclose(reached, exact_support(angle, time, **told), rtol=0.015)

    # The arrival itself, at cells all over the region: the time when the region's edge passes.
    x, y = centres(grid)
    cells = np.argwhere((arrival.time_s < 9900) & (np.hypot(x - x0, y - y0) > 15 * CELL_M))
    cells = cells[np.random.default_rng(5).integers(0, len(cells), 150)]
    dx = x[cells[:, 0], cells[:, 1]][:, None] - x0
    dy = y[cells[:, 0], cells[:, 1]][:, None] - y0
    low, high = np.zeros((len(cells), 1)), np.full((len(cells), 1), 10000.0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        outside = dx * np.cos(fine) + dy * np.sin(fine) - exact_support(fine, middle, **told)
        out = outside.max(axis=1, keepdims=True) > 0
        low, high = np.where(out, middle, low), np.where(out, high, middle)
    error = arrival.time_s[cells[:, 0], cells[:, 1]] / high[:, 0] - 1.0
    assert np.abs(error).max() < 2e-3


@pytest.mark.parametrize("slope", [5.0, 10.0, 15.0])
def test_tilted_plane(slope: float) -> None:
    # Source: slope factor exp(0.069 deg), Noble et al. 1980 (memory; agrees with the seen AS 3959:2009 tables).
    grid = square(200)
    rise = np.tan(np.radians(slope))
    table = uniform(grid, time_s=[0.0], head=[0.3], east=[0.0], north=[4.0], gradient=(0.0, rise))
    arrival = arrive(table, [ignite_point(3015.0, 1515.0)], horizon_s=1e9)
    distance = 100 * CELL_M
    assert arrival.time_s[49, 100] == pytest.approx(distance / (0.3 * np.exp(0.069 * slope)), rel=1e-4)
    # the whole plane is an ellipse about the ignition, with the ratio of 14.4 km/h and 2.949 km/h per degree
    e = float(eccentricity(length_to_breadth(14.4 + 0.069 / 0.0234 * slope)))
    x, y = centres(grid)
    exact = plain_ellipse(x - 3015.0, y - 1515.0, head=0.3 * np.exp(0.069 * slope), e=e, along=(0.0, 1.0))
    beyond = np.hypot(x - 3015.0, y - 1515.0) > 15 * CELL_M
    assert np.abs(arrival.time_s[beyond] / exact[beyond] - 1.0).max() < 1e-3


def hills(grid: Grid, seed: int, *, steepest: float = 0.3):
    """Gradients of a sum of waves, as a smooth made-up terrain."""
    rng = np.random.default_rng(seed)
    x, y = centres(grid)
    east, north = np.zeros(grid.shape), np.zeros(grid.shape)
    for _ in range(5):
        k = 2 * np.pi / (CELL_M * rng.uniform(30, 70))
        bearing, phase = rng.uniform(0, 2 * np.pi, 2)
        wave = np.cos(k * (x * np.cos(bearing) + y * np.sin(bearing)) + phase) * steepest / 5
        east += wave * np.cos(bearing)
        north += wave * np.sin(bearing)
    return east.astype(np.float32), north.astype(np.float32)


def test_a_quarter_turn_of_everything_turns_the_answer() -> None:
    grid = square(151)
    east, north = hills(grid, 3)
    zone = np.zeros(grid.shape, dtype=np.int32)
    zone[30:33, 20:120] = -1
    wind, time_s = np.array([[6.0], [3.0]]), np.array([0.0, 4000.0])
    head = np.array([[0.4], [0.6]])
    grass = np.zeros(1, dtype=bool)
    first = SpreadTable(grid, zone, east, north, time_s, head, wind, 0.5 * wind, grass)
    # a quarter turn against the clock: east becomes north, north becomes west
    turned = SpreadTable(
        grid, np.rot90(zone).copy(), -np.rot90(north), np.rot90(east), time_s, head, -0.5 * wind, wind, grass
    )
    middle = 75.5 * CELL_M
    one = arrive(first, [ignite_point(middle - 900, middle - 1500)], horizon_s=1e6).time_s
    two = arrive(turned, [ignite_point(middle + 1500, middle - 900)], horizon_s=1e6).time_s
    burnt = np.isfinite(one) & (one > 600)
    assert np.array_equal(np.isfinite(np.rot90(one)), np.isfinite(two))
    difference = np.abs(two / np.where(np.rot90(burnt), np.rot90(one), np.nan) - 1.0)
    assert np.nanmax(difference) < 0.01
    assert np.nanmean(difference) < 0.001
