"""The local shape of spread: wind and slope combined, length-to-breadth, flank and back.

From a point, in unchanging conditions, fire takes the shape of an ellipse with the ignition at its rear focus.
With head rate of spread `H`, eccentricity `e` and head direction `w` (a unit vector), the rate of spread at an angle
`phi` from the head is `p / (1 - e cos phi)` with `p = H (1 - e)`, so fire needs exactly `(|d| - e w.d) / p` for a
displacement `d`. The arrival solver works with that pair: slowness `1/p` and drift `(e/p) w`.

Every doubtful point is decided towards faster spread: of two length-to-breadth relations for forest the rounder one
holds, the ratio is capped, slopes past the published range count as the steepest published, and the ellipse is
rounded off where it would give less than the published rate along the wind. `SHAPE_ASSUMPTIONS` lists them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.compiling import njit
from leaveby.errors import refuse
from leaveby.fire.terrain import Grid
from leaveby.regions import assumed

SLOPE_FACTOR_PER_DEG: Final = 0.069
"""Noble, Bary & Gill 1980, exponent of the slope factor (memory; agrees with the seen AS 3959:2009 tables)."""

WIND_FACTOR_PER_KM_H: Final = 0.0234
"""Noble, Bary & Gill 1980, wind term of the forest fire danger index (seen)."""

WIND_KM_H_PER_SLOPE_DEG: Final = SLOPE_FACTOR_PER_DEG / WIND_FACTOR_PER_KM_H
"""How much wind one degree of slope is worth when the two are added as vectors: 2.949 km/h."""

SLOPE_LIMIT_DEG: Final = 20.0
"""The published slope factor is used to 20 degrees, up and down."""

LENGTH_TO_BREADTH_LIMIT: Final = 6.0
"""Narrower ellipses are not used; a rounder one has faster flanks."""

SHAPE_ASSUMPTIONS: Final = assumed("fire/assumptions", "shape")
"""What the shape of the fire rests on, as sentences for the list of assumptions of a result."""

COMPILED: Final[dict[str, Any]] = {
    "error_model": "numpy",
    "_nrt": False,
    "fastmath": {"contract"},
}
"""How the inner functions are compiled: they make no arrays, so the counting of references, which takes three
quarters of the time otherwise, is left out where numba knows how (`_nrt`). A product and a sum may be rounded once
(`contract`)."""

compiled = njit(**COMPILED)
inlined = njit(inline="always", **COMPILED)

LB_TABLE_STEP_KM_H: Final = 0.03125
LB_TABLE_SIZE: Final = 12801


@dataclass(frozen=True)
class SpreadTable:
    """What the arrival solver needs to know of fuel, weather and terrain, without a copy of it per cell and step.

    For each weather step and zone it holds the head rate of spread on flat ground (above 0) and the wind, the open one
    at 10 m as the vector it blows towards; the slope acts per cell. Grids have the shape (rows, cols), tables (steps,
    zones).

    - `zone`: of each cell (a fuel type, or one within a weather place), 0 to zones-1; -1 where nothing burns.
    - `gradient_east`, `gradient_north`: rise over run towards east and north, finite.
    - `time_s`, shape (steps,): start of each step in seconds from the scenario's start, increasing, the first at or
      before 0; the last holds on.
    - `shape_row`, shape (zones,): row of `shape_table` whose length-to-breadth relation applies: 0 forest, 1 grass, 2
      any wind.
    """

    grid: Grid
    zone: NDArray[np.int32]
    gradient_east: NDArray[np.float32]
    gradient_north: NDArray[np.float32]
    time_s: NDArray[np.float64]
    flat_head_ros_m_s: NDArray[np.float64]
    wind_east_m_s: NDArray[np.float64]
    wind_north_m_s: NDArray[np.float64]
    shape_row: NDArray[np.int8]


def _alexander_1985(wind_km_h: NDArray[np.float64]) -> NDArray[np.float64]:
    """LB = 1 + 0.0012 W^2.154, W in km/h (Alexander 1985; memory)."""
    W = wind_km_h
    return 1.0 + 0.0012 * W**2.154


def _taylor_1997(wind_km_h: NDArray[np.float64]) -> NDArray[np.float64]:
    """LB = 1 + 8.729 (1 - exp(-0.030 W))^2.155, W in km/h (forest; Taylor, Pike & Alexander 1997; memory)."""
    W = wind_km_h
    return 1.0 + 8.729 * (1.0 - np.exp(-0.030 * W)) ** 2.155


def _grass(wind_km_h: NDArray[np.float64]) -> NDArray[np.float64]:
    """LB = 1.1 W^0.464, W in km/h (grass; memory)."""
    W = wind_km_h
    return 1.1 * W**0.464


def _uncapped_ratio(wind_km_h: NDArray[np.float64], *, grass: bool) -> NDArray[np.float64]:
    ratio = _grass(wind_km_h) if grass else np.minimum(_alexander_1985(wind_km_h), _taylor_1997(wind_km_h))
    return np.maximum(ratio, 1.0)


def any_wind(spread: SpreadTable) -> SpreadTable:
    """Let the wind of every step come from anywhere, and change as it likes: no fire of its speed is ever sooner.

    Fire then spreads as fast in every direction as it may uphill. Nothing narrower would hold: a wind that blows
    downhill and is worth as much as the slope leaves the ellipse round, at the uphill rate.
    """
    calm = np.zeros_like(spread.wind_east_m_s)
    return replace(
        spread, wind_east_m_s=calm, wind_north_m_s=calm, shape_row=np.full(spread.shape_row.size, 2, dtype=np.int8)
    )


def length_to_breadth(wind_km_h: ArrayLike, *, grass: bool = False) -> NDArray[np.float64]:
    """Length-to-breadth ratio of the ellipse for a wind (at 10 m, km/h) that already holds the slope's share.

    In forest the smaller of the two relations, in grass its own; at least 1 and at most 6.
    """
    wind = np.asarray(wind_km_h, dtype=np.float64)
    if not np.all(np.isfinite(wind)) or np.any(wind < 0):
        raise refuse("wind", "is negative or not a number", expected="0 km/h or more", mend="correct the wind")
    return np.minimum(_uncapped_ratio(wind, grass=grass), LENGTH_TO_BREADTH_LIMIT)


def eccentricity(ratio: ArrayLike) -> NDArray[np.float64]:
    """Eccentricity of an ellipse from its length-to-breadth ratio (at least 1): sqrt(1 - 1/LB^2)."""
    LB = np.asarray(ratio, dtype=np.float64)
    if not np.all(LB >= 1.0):
        raise refuse("length-to-breadth", "is below 1 or not a number", expected="1 or more", mend="correct the ratio")
    return np.sqrt(1.0 - 1.0 / LB**2)


@cache
def shape_table() -> NDArray[np.float64]:
    """Length-to-breadth of forest (row 0) and grass (row 1) at every 1/32 km/h from 0 to 400, read only, not capped.

    Between its entries the ratio is taken on the straight line (off by less than 0.00002), then capped. Row 2 is round,
    for fire under any wind at all (`any_wind`).
    """
    wind_km_h = LB_TABLE_STEP_KM_H * np.arange(LB_TABLE_SIZE, dtype=np.float64)
    table = np.stack(
        [
            _uncapped_ratio(wind_km_h, grass=False),
            _uncapped_ratio(wind_km_h, grass=True),
            np.ones_like(wind_km_h),
        ]
    )
    table.setflags(write=False)
    return table


@compiled
def local_ellipse(
    flat_head_ros_m_s: float,
    wind_east_m_s: float,
    wind_north_m_s: float,
    gradient_east: float,
    gradient_north: float,
    ratio_row: NDArray[np.float64],
) -> tuple[float, float, float, float]:
    """Head rate of spread (m/s), eccentricity and head direction (east, north; unit vector) for one cell.

    The head runs along the vector sum of the wind and 2.949 km/h upslope per degree of slope, at the flat rate times
    exp(0.069 x slope in degrees along that direction); the ratio follows from the length of the sum. The ellipse
    is then rounded off until it gives, along the wind, at least the flat rate times the slope factor along the wind.
    `ratio_row` is a row of `shape_table`.
    """
    wind_km_h = 3.6 * math.sqrt(wind_east_m_s * wind_east_m_s + wind_north_m_s * wind_north_m_s)
    effective_east = 3.6 * wind_east_m_s
    effective_north = 3.6 * wind_north_m_s
    steepness = math.sqrt(gradient_east * gradient_east + gradient_north * gradient_north)
    flat = steepness < 1e-9
    if not flat:
        slope_deg = math.degrees(math.atan(steepness))
        worth = min(slope_deg, SLOPE_LIMIT_DEG) * WIND_KM_H_PER_SLOPE_DEG / steepness
        effective_east += worth * gradient_east
        effective_north += worth * gradient_north
    effective_km_h = math.sqrt(effective_east * effective_east + effective_north * effective_north)
    if effective_km_h < 1e-9:
        return flat_head_ros_m_s, 0.0, 1.0, 0.0
    east = effective_east / effective_km_h
    north = effective_north / effective_km_h

    at = effective_km_h / LB_TABLE_STEP_KM_H
    if at >= LB_TABLE_SIZE - 1:
        ratio = ratio_row[LB_TABLE_SIZE - 1]
    else:
        below = int(at)
        ratio = ratio_row[below] + (at - below) * (ratio_row[below + 1] - ratio_row[below])
    ratio = min(ratio, LENGTH_TO_BREADTH_LIMIT)
    e = math.sqrt(1.0 - 1.0 / (ratio * ratio))
    if flat:
        return flat_head_ros_m_s, e, east, north

    along_deg = math.degrees(math.atan(gradient_east * east + gradient_north * north))
    along_deg = min(max(along_deg, -SLOPE_LIMIT_DEG), SLOPE_LIMIT_DEG)
    head = flat_head_ros_m_s * math.exp(SLOPE_FACTOR_PER_DEG * along_deg)
    if wind_km_h > 1e-9:
        wind_over = 3.6 / wind_km_h
        cos_off = (wind_east_m_s * east + wind_north_m_s * north) * wind_over
        if cos_off < 1.0 - 1e-9:
            gradient = (wind_east_m_s * gradient_east + wind_north_m_s * gradient_north) * wind_over
            along_wind_deg = math.degrees(math.atan(gradient))
            along_wind_deg = min(max(along_wind_deg, -SLOPE_LIMIT_DEG), SLOPE_LIMIT_DEG)
            published = flat_head_ros_m_s * math.exp(SLOPE_FACTOR_PER_DEG * along_wind_deg)
            if published >= head:
                head = published
                e = 0.0
            else:
                e = min(e, (head - published) / (head - published * cos_off))
    return head, e, east, north
