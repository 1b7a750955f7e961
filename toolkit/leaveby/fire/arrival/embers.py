"""Embers ahead of the front: how far they are thrown, and when the first can land.

A place throws embers downwind while it flames, as far as its fire then reaches: a fire that has just started from a
point has not grown yet and throws them less far. They land no sooner than the wind aloft can have carried them.
Whatever is doubtful is decided for the earlier ember; `EMBER_ASSUMPTIONS` says how.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby import parameters
from leaveby.compiling import njit, vectorize
from leaveby.fire.arrival.solve import Ignition
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.series import SpreadZones

SHORT_SPOTTING_M: Final = parameters.SHORT_SPOTTING_M.value
"""Distance taken for fuels without a spotting equation (grass, shrubs), and the least in forest."""

HALF_ANGLE_DEG: Final = parameters.EMBER_HALF_ANGLE_DEG.value
"""Embers land up to this angle to either side of downwind."""

LONGEST_SPOTTING_M: Final = parameters.LONGEST_SPOTTING_M.value
"""Where the equation is cut."""

WIND_ALOFT_FACTOR: Final = parameters.WIND_ALOFT_FACTOR.value
"""Speed of the wind that carries embers over that of the wind at 10 m."""

SLOWEST_FLIGHT_M_S: Final = parameters.SLOWEST_FLIGHT_M_S.value
"""Embers fly at least as fast as this."""

THROWING_S: Final = parameters.EMBER_THROWING_S.value
"""How long a place throws embers, from when the front reaches it."""

GROWTH_PER_S: Final = 0.115 / 60.0
"""A fire from a point has reached the share 1 - exp(-0.115 t) of its steady rate, t in minutes (as used with Canadian
forest fuels; from memory)."""

EMBER_ASSUMPTIONS: Final = (
    f"Embers are taken to fly at {WIND_ALOFT_FACTOR:g} times the strongest wind at 10 m anywhere on the map, "
    f"{3.6 * SLOWEST_FLIGHT_M_S:.0f} km/h at least (judgement), and to keep that speed where the wind turns. A place "
    "counts as reached by the first ember.",
    f"Every burning place throws embers for {THROWING_S / 60.0:g} minutes, as far as a head fire on flat ground in its "
    f"fuel, up to {HALF_ANGLE_DEG:g} degrees to either side of downwind; grass and shrubs throw them "
    f"{SHORT_SPOTTING_M:g} m (judgement).",
    "A fire given as a point throws embers only as far as it has grown, by 1 - exp(-0.115 t), t in minutes "
    "(remembered). Give a fire that is large already as a line or a ring.",
    f"No ember is taken to fly farther than {LONGEST_SPOTTING_M / 1000.0:g} km.",
    "The spotting equation is remembered (Noble et al. 1980). On slopes, and from stringybark or candlebark, fires can "
    "throw embers farther.",
)


def _spotting_mark5(R: float, W: float) -> float:
    """Noble, Bary and Gill (1980): R km/h, W t/ha; S km."""
    return R * (4.17 - 0.033 * W) - 0.36


_spotting_of = njit()(_spotting_mark5)
_spotting_over = vectorize(_spotting_mark5)


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


def spotting_loads_t_ha(zones: SpreadZones) -> NDArray[np.float64]:
    """Fuel load that the spotting equation takes in each zone: forest and unmapped fuel; NaN in grass and shrubland.

    Returns
    -------
    ndarray of float64, shape (zones,)
        t/ha. Where it is NaN no equation holds, and embers are thrown `SHORT_SPOTTING_M`.

    Examples
    --------
    >>> from leaveby.fire.fuel.types import fuel_type
    >>> from leaveby.fire.terrain import Grid
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> zones = SpreadZones(grid, np.zeros((2, 2), np.int32), (fuel_type("woodland"), fuel_type("heath")),
    ...     np.zeros(2, np.int32), np.zeros(2, np.bool_))
    >>> spotting_loads_t_ha(zones)
    array([15., nan])
    """
    return np.array(
        [kind.surface_load_t_ha if kind.equation in ("forest", "any") else np.nan for kind in zones.types],
        dtype=np.float64,
    )


def growing_since_s(ignitions: Sequence[Ignition]) -> float:
    """Say since when a fire grows: its first start where it starts from points; -inf where any start is a line or area.

    One fire more, or an earlier one, never makes it later.

    Examples
    --------
    >>> from leaveby.fire.arrival.solve import ignite_point
    >>> growing_since_s([ignite_point(0.0, 0.0, at_s=60.0), ignite_point(9.0, 9.0)])
    0.0
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
    half_angle_deg: float = HALF_ANGLE_DEG,
) -> float:
    """Earliest moment at which an ember can land in one cell.

    A cell throws embers from when the front reaches it for `THROWING_S`, at any of these moments as far as the spotting
    equation gives for the head rate of spread of its zone at that moment on flat ground, times the share to which a
    fire from a point has grown. An ember flies with the strongest wind of the
    table at each moment (integrated over the weather steps) times `WIND_ALOFT_FACTOR`. It may land where the cell lies
    within the half angle of downwind, by the wind over the throwing cell at any moment of its flight.

    Parameters
    ----------
    table : SpreadTable
        For rates of spread and the wind, by step and zone.
    arrival_time_s : ndarray of float64, shape (rows, cols)
        Fire arrival; inf where not within the horizon.
    row, col : int
        The cell.
    loads_t_ha : ndarray of float64, shape (zones,)
        As from `spotting_loads_t_ha`.
    started_s : float
        Since when the fire grows, as from `growing_since_s`; -inf for one that is fully grown.
    half_angle_deg : float
        0 to 180 to either side of downwind.

    Returns
    -------
    float
        Seconds, never later than the fire itself; inf where no ember comes.

    References
    ----------
    Noble, Bary and Gill (1980), spotting distance; growth as in `GROWTH_PER_S`. Remembered, not read.

    Examples
    --------
    A cell 60 m downwind of a fire in a wind of 4 m/s, which carries embers at 10 m/s:

    >>> from leaveby.fire.terrain import Grid
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=3, crs="EPSG:32755")
    >>> flat, one = np.zeros((2, 3), np.float32), np.ones((1, 1))
    >>> table = SpreadTable(grid, np.zeros((2, 3), np.int32), flat, flat, np.zeros(1), one, 4 * one, 0 * one,
    ...     np.zeros(1, np.bool_))
    >>> arrival = np.array([[5.0, 900.0, 1800.0], [9.0, 900.0, 1800.0]])
    >>> ember_arrival_at(table, arrival, row=0, col=2, loads_t_ha=np.array([np.nan]))
    11.0
    """
    if arrival_time_s.shape != table.grid.shape:
        raise ValueError(f"arrival times have the shape {arrival_time_s.shape}, the grid {table.grid.shape}")
    if np.any(np.isnan(arrival_time_s)):
        raise ValueError("an arrival time is not a number")
    strongest_m_s = np.hypot(table.wind_east_m_s, table.wind_north_m_s).max(axis=1)
    earliest: float = _first_ember(
        np.ascontiguousarray(arrival_time_s),
        table.zone,
        table.time_s,
        table.flat_head_ros_m_s,
        table.wind_east_m_s,
        table.wind_north_m_s,
        np.maximum(WIND_ALOFT_FACTOR * strongest_m_s, SLOWEST_FLIGHT_M_S),
        np.asarray(loads_t_ha, dtype=np.float64),
        row,
        col,
        table.grid.cell_m,
        float(started_s),
        float(np.cos(np.deg2rad(half_angle_deg))),
    )
    return earliest


@njit()
def _flown_m(
    moment_s: float, step: int, step_s: NDArray[np.float64], carry_m_s: NDArray[np.float64], sum_m: NDArray[np.float64]
) -> float:
    """How far an ember in the air since the first step would have flown by a moment within a step."""
    return float(sum_m[step] + carry_m_s[step] * (moment_s - step_s[step]))


@njit()
def _downwind(east: float, north: float, wind_east: float, wind_north: float, least_cosine: float) -> bool:
    """Whether a displacement lies within the half angle of downwind; in calm air everywhere."""
    size = math.sqrt((east * east + north * north) * (wind_east * wind_east + wind_north * wind_north))
    return size == 0.0 or east * wind_east + north * wind_north >= least_cosine * size - 1e-9


@njit()
def _first_ember(
    time_s: NDArray[np.float64],
    zones: NDArray[np.int32],
    step_s: NDArray[np.float64],
    flat_m_s: NDArray[np.float64],
    wind_east: NDArray[np.float64],
    wind_north: NDArray[np.float64],
    carry_m_s: NDArray[np.float64],
    loads: NDArray[np.float64],
    row: int,
    col: int,
    cell_m: float,
    started_s: float,
    least_cosine: float,
) -> float:
    steps = step_s.size
    sum_m = np.zeros(steps)
    for k in range(1, steps):
        sum_m[k] = sum_m[k - 1] + carry_m_s[k - 1] * (step_s[k] - step_s[k - 1])
    best = float(time_s[row, col])
    best_m = np.inf
    if best < np.inf:
        first = max(int(np.searchsorted(step_s, best, side="right")) - 1, 0)
        best_m = _flown_m(best, first, step_s, carry_m_s, sum_m)

    for r in range(time_s.shape[0]):
        for c in range(time_s.shape[1]):
            zone = zones[r, c]
            lit = time_s[r, c]
            if zone < 0 or not lit < best:
                continue
            east = (col - c) * cell_m
            north = (r - row) * cell_m
            distance = math.sqrt(east * east + north * north)
            first = max(int(np.searchsorted(step_s, lit, side="right")) - 1, 0)
            if distance > LONGEST_SPOTTING_M or _flown_m(lit, first, step_s, carry_m_s, sum_m) + distance >= best_m:
                continue
            # The rate of spread, km/h, from which embers reach so far: the equation is a straight line in it.
            needed = 0.0
            if distance > SHORT_SPOTTING_M:
                a_km_h = _spotting_of(1.0, loads[zone]) - _spotting_of(0.0, loads[zone])
                if not a_km_h > 0.0:
                    continue
                needed = (distance / 1000.0 - _spotting_of(0.0, loads[zone])) / a_km_h

            for k in range(first, steps):
                throw = lit if k == first else step_s[k]
                if throw > lit + THROWING_S or throw >= best:
                    break
                last = lit + THROWING_S
                if k + 1 < steps:
                    last = min(last, step_s[k + 1])
                if needed > 0.0:
                    rate = 3.6 * flat_m_s[k, zone]
                    if rate < needed:
                        continue
                    if started_s > -np.inf:
                        if rate == needed:
                            continue
                        throw = max(throw, started_s - math.log1p(-needed / rate) / GROWTH_PER_S)
                        if throw > last:
                            continue
                land_m = _flown_m(throw, k, step_s, carry_m_s, sum_m) + distance
                if land_m >= best_m:
                    continue
                # In the air until it lands, over this weather step and perhaps the next ones: those thrown last are
                # in the air longest. Where only a later step's wind blows this way, none lands before it.
                airborne_m = _flown_m(last, k, step_s, carry_m_s, sum_m) + distance
                for j in range(k, steps):
                    if j > k and sum_m[j] >= airborne_m:
                        break
                    if _downwind(east, north, wind_east[j, zone], wind_north[j, zone], least_cosine):
                        land_m = max(land_m, sum_m[j]) if j > k else land_m
                        if land_m < best_m:
                            at = max(int(np.searchsorted(sum_m, land_m, side="right")) - 1, 0)
                            best = step_s[at] + (land_m - sum_m[at]) / carry_m_s[at]
                            best_m = land_m
                        break
    return best
