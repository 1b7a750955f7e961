"""Embers ahead of the front: how far they are thrown, and when the first can land.

A place throws embers downwind while it flames, as far as its fire then reaches: a fire that has just started from a
point has not grown yet and throws them less far. They land no sooner than the wind aloft can have carried them.
Whatever is doubtful is decided for the earlier ember; `EMBER_ASSUMPTIONS` says how.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby import parameters
from leaveby.compiling import njit, vectorize
from leaveby.fire.arrival.solve import Ignition
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.series import SpreadZones
from leaveby.regions import assumed

SHORT_SPOTTING_M: Final = parameters.SHORT_SPOTTING_M.value
LONGEST_SPOTTING_M: Final = parameters.LONGEST_SPOTTING_M.value
HALF_ANGLE_DEG: Final = parameters.EMBER_HALF_ANGLE_DEG.value
WIND_ALOFT_FACTOR: Final = parameters.WIND_ALOFT_FACTOR.value
SLOWEST_FLIGHT_M_S: Final = parameters.SLOWEST_FLIGHT_M_S.value
THROWING_S: Final = parameters.EMBER_THROWING_S.value

GROWTH_PER_S: Final = 0.115 / 60.0
"""A fire from a point has reached the share 1 - exp(-0.115 t) of its steady rate, t in minutes (as used with Canadian
forest fuels; from memory)."""

EMBER_ASSUMPTIONS: Final = assumed(
    "fire/assumptions",
    "embers",
    aloft=WIND_ALOFT_FACTOR,
    slowest_km_h=3.6 * SLOWEST_FLIGHT_M_S,
    throwing_min=THROWING_S / 60.0,
    angle_deg=HALF_ANGLE_DEG,
    short_m=SHORT_SPOTTING_M,
    farthest_km=LONGEST_SPOTTING_M / 1000.0,
)


def _spotting_mark5(R: float, W: float) -> float:
    """Noble, Bary and Gill (1980): R km/h, W t/ha; S km."""
    return R * (4.17 - 0.033 * W) - 0.36


# The inner functions make no arrays: without counting references they take a quarter of the time.
_COMPILED: Final[dict[str, Any]] = {"error_model": "numpy", "_nrt": False}
_compiled = njit(**_COMPILED)
_inlined = njit(inline="always", **_COMPILED)
_spotting_of = _compiled(_spotting_mark5)
_spotting_over = vectorize(_spotting_mark5)


def spotting_distance_m(head_ros_m_s: ArrayLike, load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """Maximum spotting distance in eucalypt forest, m, within 0 to 35 km; the load is fine surface fuel.

    Noble, Bary and Gill (1980). Remembered, not read.
    """
    R = np.asarray(head_ros_m_s, dtype=np.float64) * 3.6
    distance = _spotting_over(R, np.asarray(load_t_ha, dtype=np.float64)) * 1000.0
    return np.asarray(np.clip(distance, 0.0, LONGEST_SPOTTING_M))


def spotting_loads_t_ha(zones: SpreadZones) -> NDArray[np.float64]:
    """Fuel load that the spotting equation takes in each zone: forest and unmapped fuel; NaN in grass and shrubland.

    One value for each zone, t/ha. Where it is NaN no equation holds, and embers are thrown `SHORT_SPOTTING_M`.
    """
    wooded = ("forest", "any")
    return np.array([kind.surface_load_t_ha if kind.equation in wooded else np.nan for kind in zones.types])


def growing_since_s(ignitions: Sequence[Ignition]) -> float:
    """Say since when a fire grows: its first start where it starts from points; -inf where any start is a line or area.

    One fire more, or an earlier one, never makes it later.
    """
    if any(fire.geometry.geom_type not in ("Point", "MultiPoint") for fire in ignitions):
        return -math.inf
    return min(fire.at_s for fire in ignitions)


def ember_arrival_at(
    table: SpreadTable,
    arrival_time_s: NDArray[np.float64],
    *,
    row: int,
    col: int,
    loads_t_ha: NDArray[np.float64],
    started_s: float = -math.inf,
) -> float:
    """Earliest moment at which an ember can land in one cell.

    A cell throws embers from when the front reaches it for `THROWING_S`, at any of these moments as far as the spotting
    equation gives for the head rate of spread of its zone at that moment on flat ground, times the share to which a
    fire from a point has grown. An ember flies with the strongest wind of the table at each moment (integrated over the
    weather steps) times `WIND_ALOFT_FACTOR`. It may land where the cell lies within the half angle of downwind, by the
    wind over the throwing cell at any moment of its flight.

    `arrival_time_s`, shape (rows, cols), is inf where no fire comes within the horizon; so is the answer, in seconds,
    where no ember does, and it is never later than the fire itself.
    """
    if arrival_time_s.shape != table.grid.shape:
        raise ValueError(f"arrival times have the shape {arrival_time_s.shape}, the grid {table.grid.shape}")
    if np.any(np.isnan(arrival_time_s)):
        raise ValueError("an arrival time is not a number")
    carry_m_s = np.maximum(
        WIND_ALOFT_FACTOR * np.hypot(table.wind_east_m_s, table.wind_north_m_s).max(axis=1), SLOWEST_FLIGHT_M_S
    )
    flown_m = np.concatenate([[0.0], np.cumsum(carry_m_s[:-1] * np.diff(table.time_s))])
    fire = _Fire(
        np.ascontiguousarray(arrival_time_s),
        table.zone,
        table.flat_head_ros_m_s,
        np.asarray(loads_t_ha, dtype=np.float64),
        table.grid.cell_m,
        float(started_s),
    )
    least_cosine = float(np.cos(np.deg2rad(HALF_ANGLE_DEG)))
    air = _Air(table.time_s, carry_m_s, flown_m, table.wind_east_m_s, table.wind_north_m_s, least_cosine)
    return float(_first_ember(fire, air, row, col))


class _Fire(NamedTuple):
    """The fire that throws embers: when it comes to each cell, and how fast it then is by step and zone."""

    time_s: NDArray[np.float64]
    zone: NDArray[np.int32]
    flat_m_s: NDArray[np.float64]
    load_t_ha: NDArray[np.float64]
    cell_m: float
    started_s: float


class _Air(NamedTuple):
    """The air that carries embers, by step: its speed, how far one has flown before it, and the wind at 10 m."""

    step_s: NDArray[np.float64]
    carry_m_s: NDArray[np.float64]
    flown_m: NDArray[np.float64]
    wind_east: NDArray[np.float64]
    wind_north: NDArray[np.float64]
    least_cosine: float


@_inlined
def _flown_m(air: _Air, moment_s: float, step: int) -> float:
    """How far an ember in the air since the first step would have flown by a moment within a step."""
    return float(air.flown_m[step] + air.carry_m_s[step] * (moment_s - air.step_s[step]))


@_inlined
def _step_of(starts: NDArray[np.float64], value: float) -> int:
    return max(int(np.searchsorted(starts, value, side="right")) - 1, 0)


@_compiled
def _downwind(air: _Air, east: float, north: float, step: int, zone: int) -> bool:
    """Whether a displacement lies within the half angle of downwind; in calm air everywhere."""
    wind_east, wind_north = air.wind_east[step, zone], air.wind_north[step, zone]
    size = math.sqrt((east * east + north * north) * (wind_east * wind_east + wind_north * wind_north))
    return size == 0.0 or east * wind_east + north * wind_north >= air.least_cosine * size - 1e-9


@_compiled
def _needed_km_h(distance_m: float, load_t_ha: float) -> float:
    """The rate of spread from which embers reach so far: the equation is a straight line in it. NaN where none does."""
    if distance_m <= SHORT_SPOTTING_M:
        return 0.0
    a_km_h = _spotting_of(1.0, load_t_ha) - _spotting_of(0.0, load_t_ha)
    return (distance_m / 1000.0 - _spotting_of(0.0, load_t_ha)) / a_km_h if a_km_h > 0.0 else np.nan


@_compiled
def _thrown_s(fire: _Fire, needed_km_h: float, step: int, zone: int) -> float:
    """The moment from which the fire of a step throws as far as is needed; -inf where always, inf where never."""
    if needed_km_h <= 0.0:
        return -np.inf
    rate = 3.6 * fire.flat_m_s[step, zone]
    if rate < needed_km_h:
        return np.inf
    if fire.started_s == -np.inf:
        return -np.inf
    return np.inf if rate == needed_km_h else fire.started_s - math.log1p(-needed_km_h / rate) / GROWTH_PER_S


@_compiled
def _landing_m(air: _Air, east: float, north: float, zone: int, step: int, first_m: float, last_m: float) -> float:
    """How far the air has moved when the first ember of a weather step lands; inf where none blows this way.

    It may be in the air over this step and the next ones: those thrown last (`last_m`) are in the air longest. Where
    only a later step's wind blows this way, none lands before it.
    """
    for j in range(step, air.step_s.size):
        if j > step and air.flown_m[j] >= last_m:
            break
        if _downwind(air, east, north, j, zone):
            return max(first_m, float(air.flown_m[j])) if j > step else first_m
    return np.inf


@_inlined
def _from_cell(fire: _Fire, air: _Air, cell: tuple[int, int], east: float, north: float, best_m: float) -> float:
    """How far the air has moved when the first ember of a burning cell lands a displacement away; up to `best_m`."""
    zone = fire.zone[cell]
    lit = fire.time_s[cell]
    distance = math.sqrt(east * east + north * north)
    first = _step_of(air.step_s, lit)
    if distance > LONGEST_SPOTTING_M or _flown_m(air, lit, first) + distance >= best_m:
        return best_m
    needed = _needed_km_h(distance, fire.load_t_ha[zone])
    if math.isnan(needed):
        return best_m
    for k in range(first, air.step_s.size):
        throw = lit if k == first else air.step_s[k]
        if throw > lit + THROWING_S or _flown_m(air, throw, k) + distance >= best_m:
            break
        last = lit + THROWING_S
        if k + 1 < air.step_s.size:
            last = min(last, air.step_s[k + 1])
        throw = max(throw, _thrown_s(fire, needed, k, zone))
        if throw > last:
            continue
        land_m = _flown_m(air, throw, k) + distance
        if land_m < best_m:
            best_m = min(best_m, _landing_m(air, east, north, zone, k, land_m, _flown_m(air, last, k) + distance))
    return best_m


@_compiled
def _first_ember(fire: _Fire, air: _Air, row: int, col: int) -> float:
    best = float(fire.time_s[row, col])
    best_m = _flown_m(air, best, _step_of(air.step_s, best)) if best < np.inf else np.inf
    for r in range(fire.time_s.shape[0]):
        for c in range(fire.time_s.shape[1]):
            if fire.zone[r, c] < 0 or not fire.time_s[r, c] < best:
                continue
            land_m = _from_cell(fire, air, (r, c), (col - c) * fire.cell_m, (r - row) * fire.cell_m, best_m)
            if land_m < best_m:
                at = _step_of(air.flown_m, land_m)
                best = air.step_s[at] + (land_m - air.flown_m[at]) / air.carry_m_s[at]
                best_m = land_m
    return best
