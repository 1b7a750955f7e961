"""Embers ahead of the front: how far they are thrown, and when the first can land.

An ember can land where a cell that is alight lies upwind within the maximum spotting distance. The flight takes no time
here, every burning cell throws as far as a head fire in its zone would, and a place counts as reached by its first
ember: each choice makes the embers early. `EMBER_ASSUMPTIONS` says so.
"""

from __future__ import annotations

from typing import Any, Final

import numba
import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby import parameters
from leaveby.fire.ellipse import SpreadTable
from leaveby.fire.spread import SpreadZones

SHORT_SPOTTING_M: Final = parameters.SHORT_SPOTTING_M.value
"""Distance taken for fuels without a spotting equation (grass, shrubs), and the least in forest."""

HALF_ANGLE_DEG: Final = parameters.EMBER_HALF_ANGLE_DEG.value
"""Embers land up to this angle to either side of downwind."""

LONGEST_SPOTTING_M: Final = parameters.LONGEST_SPOTTING_M.value
"""Where the equation is cut."""

EMBER_ASSUMPTIONS: Final = (
    "Embers are taken to fly in no time, from every burning cell as far as from a head fire on flat ground in its "
    "fuel, up to 45 degrees to either side of downwind; a place counts as reached by the first ember.",
    "No ember is taken to fly farther than 35 km.",
    "The spotting equation is remembered (Noble et al. 1980). On slopes, and from stringybark or candlebark, fires can "
    "throw embers farther.",
)

_COARSE_CELLS: Final = 128


def _spotting_mark5(R: float, W: float) -> float:
    """Noble, Bary and Gill (1980): R km/h, W t/ha; S km."""
    return R * (4.17 - 0.033 * W) - 0.36


_vectorize: Any = numba.vectorize
_spotting_over = _vectorize(nopython=True, cache=True)(_spotting_mark5)


def spotting_distance_m(head_ros_m_s: ArrayLike, load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """Maximum spotting distance in eucalypt forest, within 0 to 35 km.

    Parameters
    ----------
    head_ros_m_s : array_like
        Head rate of spread, m/s.
    load_t_ha : array_like
        Fine surface fuel, t/ha.

    Returns
    -------
    ndarray of float64
        Metres.

    References
    ----------
    Noble, Bary and Gill (1980). Remembered, not read.

    Examples
    --------
    >>> float(spotting_distance_m(1.0 / 3.6, 20.0).round(0))
    3150.0
    """
    R = np.asarray(head_ros_m_s, dtype=np.float64) * 3.6
    distance = _spotting_over(R, np.asarray(load_t_ha, dtype=np.float64)) * 1000.0
    return np.asarray(np.clip(distance, 0.0, LONGEST_SPOTTING_M))


def zone_spotting_m(table: SpreadTable, zones: SpreadZones) -> NDArray[np.float64]:
    """Spotting distance by step and zone: the equation in forest (and unmapped fuel), 100 m in grass and shrubland.

    Returns
    -------
    ndarray of float64, shape (steps, zones)
        Metres, at least `SHORT_SPOTTING_M`.

    Examples
    --------
    >>> from leaveby.fire.fuel_types import fuel_type
    >>> from leaveby.fire.terrain import Grid
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> zones = SpreadZones(grid, np.zeros((2, 2), np.int32), (fuel_type("woodland"),), np.zeros(1, np.int32),
    ...     np.zeros(1, np.bool_))
    >>> flat = np.zeros((2, 2), np.float32)
    >>> one = np.ones((1, 1))
    >>> table = SpreadTable(grid, zones.zone, flat, flat, np.zeros(1), one, 10 * one, 0 * one, zones.grass)
    >>> zone_spotting_m(table, zones).round(0)
    array([[12870.]])
    """
    load = np.array([kind.surface_load_t_ha for kind in zones.types])
    wooded = np.array([kind.equation in ("forest", "any") for kind in zones.types])
    distance = spotting_distance_m(table.flat_head_ros_m_s, load[np.newaxis, :])
    return np.maximum(np.where(wooded[np.newaxis, :], distance, 0.0), SHORT_SPOTTING_M)


def _sources(
    table: SpreadTable, arrival_time_s: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Cells that burn within the horizon: row, column, step, zone and time."""
    if arrival_time_s.shape != table.grid.shape:
        raise ValueError(f"arrival times have the shape {arrival_time_s.shape}, the grid {table.grid.shape}")
    if np.any(np.isnan(arrival_time_s)):
        raise ValueError("an arrival time is not a number")
    row, col = np.nonzero(np.isfinite(arrival_time_s) & (table.zone >= 0))
    time = arrival_time_s[row, col]
    step = np.maximum(np.searchsorted(table.time_s, time, side="right") - 1, 0)
    return row, col, step, table.zone[row, col].astype(np.intp), time


def ember_arrival_at(
    table: SpreadTable,
    arrival_time_s: NDArray[np.float64],
    *,
    row: int,
    col: int,
    spotting_m: NDArray[np.float64],
    half_angle_deg: float = HALF_ANGLE_DEG,
) -> float:
    """Earliest moment at which an ember can land in one cell.

    A cell alight throws embers in the wind of the step in which the front reaches it.

    Parameters
    ----------
    table : SpreadTable
        For the wind, by step and zone.
    arrival_time_s : ndarray of float64, shape (rows, cols)
        Fire arrival; inf where not within the horizon.
    row, col : int
        The cell.
    spotting_m : ndarray of float64, shape (steps, zones)
        As from `zone_spotting_m`.
    half_angle_deg : float
        0 to 180 to either side of downwind.

    Returns
    -------
    float
        Seconds, never later than the fire itself; inf where no ember comes within the horizon.

    Examples
    --------
    >>> from leaveby.fire.terrain import Grid
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=3, crs="EPSG:32755")
    >>> flat, one = np.zeros((2, 3), np.float32), np.ones((1, 1))
    >>> table = SpreadTable(grid, np.zeros((2, 3), np.int32), flat, flat, np.zeros(1), one, 10 * one, 0 * one,
    ...     np.zeros(1, np.bool_))
    >>> arrival = np.array([[5.0, 900.0, 1800.0], [9.0, 900.0, 1800.0]])
    >>> ember_arrival_at(table, arrival, row=0, col=2, spotting_m=70 * one)
    5.0
    """
    if arrival_time_s.shape != table.grid.shape:
        raise ValueError(f"arrival times have the shape {arrival_time_s.shape}, the grid {table.grid.shape}")
    if np.any(np.isnan(arrival_time_s)):
        raise ValueError("an arrival time is not a number")
    earliest: float = _first_ember(
        np.ascontiguousarray(arrival_time_s),
        table.zone,
        table.time_s,
        table.wind_east_m_s,
        table.wind_north_m_s,
        spotting_m,
        row,
        col,
        table.grid.cell_m,
        float(np.cos(np.deg2rad(half_angle_deg))),
    )
    return earliest


@numba.njit(cache=True, nogil=True)
def _first_ember(
    time_s: NDArray[np.float64],
    zones: NDArray[np.int32],
    step_s: NDArray[np.float64],
    wind_east: NDArray[np.float64],
    wind_north: NDArray[np.float64],
    reach_m: NDArray[np.float64],
    row: int,
    col: int,
    cell_m: float,
    least_cosine: float,
) -> float:
    best = float(time_s[row, col])
    for r in range(time_s.shape[0]):
        for c in range(time_s.shape[1]):
            zone = zones[r, c]
            if zone < 0 or not time_s[r, c] < best:
                continue
            step = max(np.searchsorted(step_s, time_s[r, c], side="right") - 1, 0)
            east = (col - c) * cell_m
            north = (r - row) * cell_m
            distance = np.hypot(east, north)
            if distance > reach_m[step, zone]:
                continue
            wind = np.hypot(wind_east[step, zone], wind_north[step, zone])
            along = east * wind_east[step, zone] + north * wind_north[step, zone]
            if wind == 0.0 or along >= least_cosine * distance * wind - 1e-9:
                best = float(time_s[r, c])
    return best


@numba.njit(cache=True, nogil=True)
def _throw(
    rows: NDArray[np.intp],
    cols: NDArray[np.intp],
    time: NDArray[np.float64],
    reach_m: NDArray[np.float64],
    wind_east: NDArray[np.float64],
    wind_north: NDArray[np.float64],
    block_m: float,
    half_angle: float,
    out: NDArray[np.float64],
) -> None:
    slack = np.sqrt(2.0) * block_m
    for k in range(rows.size):
        span = int(np.ceil((reach_m[k] + slack) / block_m))
        wind = np.hypot(wind_east[k], wind_north[k])
        for r in range(max(rows[k] - span, 0), min(rows[k] + span + 1, out.shape[0])):
            for c in range(max(cols[k] - span, 0), min(cols[k] + span + 1, out.shape[1])):
                if out[r, c] <= time[k]:
                    continue
                east = (c - cols[k]) * block_m
                north = (rows[k] - r) * block_m
                distance = np.hypot(east, north)
                if distance > reach_m[k] + slack:
                    continue
                if distance > slack and wind > 0.0:
                    cosine = (east * wind_east[k] + north * wind_north[k]) / (distance * wind)
                    angle = np.arccos(min(1.0, max(-1.0, cosine)))
                    if angle > half_angle + np.arcsin(slack / distance):
                        continue
                out[r, c] = time[k]


def ember_arrival(
    table: SpreadTable,
    arrival_time_s: NDArray[np.float64],
    *,
    spotting_m: NDArray[np.float64],
    half_angle_deg: float = HALF_ANGLE_DEG,
) -> NDArray[np.float64]:
    """Earliest moment at which an ember can land, everywhere.

    Worked out on blocks of cells, at most 128 a side. A block throws from its first cell alight, and is hit where any
    part of it could be, so the result is never later than that of `ember_arrival_at`, and early by the time the fire
    takes to cross about two blocks.

    Parameters
    ----------
    table, arrival_time_s, spotting_m, half_angle_deg
        As in `ember_arrival_at`.

    Returns
    -------
    ndarray of float64, shape (rows, cols)
        Seconds, never later than the fire itself; inf where no ember comes within the horizon.

    Examples
    --------
    >>> from leaveby.fire.terrain import Grid
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=3, crs="EPSG:32755")
    >>> flat, one = np.zeros((2, 3), np.float32), np.ones((1, 1))
    >>> table = SpreadTable(grid, np.zeros((2, 3), np.int32), flat, flat, np.zeros(1), one, 10 * one, 0 * one,
    ...     np.zeros(1, np.bool_))
    >>> arrival = np.array([[5.0, 900.0, 1800.0], [9.0, 900.0, 1800.0]])
    >>> ember_arrival(table, arrival, spotting_m=70 * one).max()
    np.float64(5.0)
    """
    grid = table.grid
    row, col, step, zone, time = _sources(table, arrival_time_s)
    size = int(np.ceil(max(grid.shape) / _COARSE_CELLS))
    blocks = (-(-grid.rows // size), -(-grid.cols // size))
    out = np.full(blocks, np.inf)
    if time.size:
        # One source for each block, step and zone: its first moment alight.
        key = ((row // size) * blocks[1] + col // size) * (spotting_m.size) + step * spotting_m.shape[1] + zone
        order = np.lexsort((time, key))
        first = order[np.flatnonzero(np.diff(key[order], prepend=-1))]
        first = first[np.argsort(time[first], kind="stable")]
        step, zone = step[first], zone[first]
        _throw(
            row[first] // size,
            col[first] // size,
            time[first],
            spotting_m[step, zone],
            table.wind_east_m_s[step, zone],
            table.wind_north_m_s[step, zone],
            size * grid.cell_m,
            float(np.deg2rad(half_angle_deg)),
            out,
        )
    fine = np.repeat(np.repeat(out, size, axis=0), size, axis=1)[: grid.rows, : grid.cols]
    return np.asarray(np.minimum(fine, arrival_time_s))
