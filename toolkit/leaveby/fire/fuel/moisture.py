"""Moisture of fine dead fuel, by the published equation that goes with each rate-of-spread model.

None of the source papers was read: the coefficients are remembered (mark ``memory``) and are checked by hand only.

The public functions take air temperature in degrees C and relative humidity in percent, and what else they need, as
arrays that broadcast together, and give percent of dry weight: in forest and shrubland never below `DRIEST_PERCENT`.
"""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.compiling import floats, njit, vectorize
from leaveby.parameters import DRIEST_FOREST_FUEL_PERCENT

Period = Literal["afternoon", "day", "night"]

DRIEST_PERCENT: Final = DRIEST_FOREST_FUEL_PERCENT.value
"""Lowest forest and shrubland fuel moisture used. The equations fall below it only outside any weather they were fitted
to, and the power of moisture in the dry eucalypt model would run off to infinity there."""


def _forest_afternoon(T: float, RH: float) -> float:
    """Gould et al. (2007); Matthews, Gould and McCaw (2010): T degrees C, RH %; %."""
    return 2.76 + 0.124 * RH - 0.0187 * T


def _forest_day(T: float, RH: float) -> float:
    """As `_forest_afternoon`, other daylight."""
    return 3.60 + 0.169 * RH - 0.0450 * T


def _forest_night(T: float, RH: float) -> float:
    """As `_forest_afternoon`, at night."""
    return 3.08 + 0.198 * RH - 0.0483 * T


_afternoon_of = njit()(_forest_afternoon)
_day_of = njit()(_forest_day)
_night_of = njit()(_forest_night)


def _forest_by_hour(T: float, RH: float, hour: float, month: int) -> float:
    if 12.0 <= hour < 18.0:
        if month >= 10 or month <= 3:
            return float(_afternoon_of(T, RH))
        return min(float(_afternoon_of(T, RH)), float(_day_of(T, RH)))
    if 7.0 <= hour < 19.0:
        return float(_day_of(T, RH))
    if 5.0 <= hour < 21.0:
        return min(float(_day_of(T, RH)), float(_night_of(T, RH)))
    return float(_night_of(T, RH))


_forest_over: Any = {
    "afternoon": vectorize(_forest_afternoon),
    "day": vectorize(_forest_day),
    "night": vectorize(_forest_night),
}
_by_hour_over = vectorize(_forest_by_hour)


def forest_moisture_percent(
    air_temperature_c: ArrayLike, relative_humidity_percent: ArrayLike, *, period: Period
) -> NDArray[np.float64]:
    """Fine dead fuel moisture content in dry eucalypt forest.

    Sunny from 12 to 17 h, October to March (southern summer) is "afternoon"; other daylight "day".
    """
    values = _forest_over[period](floats(air_temperature_c), floats(relative_humidity_percent))
    return np.asarray(np.maximum(values, DRIEST_PERCENT))


def forest_moisture_by_hour_percent(
    air_temperature_c: ArrayLike,
    relative_humidity_percent: ArrayLike,
    *,
    local_hour: ArrayLike,
    month: ArrayLike,
) -> NDArray[np.float64]:
    """Fine dead fuel moisture content in dry eucalypt forest by local clock time.

    The sky is taken to be clear. Clock time may run an hour ahead of the sun, and neither sunrise nor the hemisphere is
    known here, so where two periods are possible the drier of their equations counts, which makes fires faster:

    - 12 to 18 h, October to March: afternoon; in other months the drier of afternoon and day;
    - 7 to 12 and 18 to 19 h: day;
    - 5 to 7 and 19 to 21 h: the drier of day and night;
    - 21 to 5 h: night.
    """
    T, RH, hour = (floats(values) for values in (air_temperature_c, relative_humidity_percent, local_hour))
    values = _by_hour_over(T, RH, hour, np.asarray(month, dtype=np.int64))
    return np.asarray(np.maximum(values, DRIEST_PERCENT))


def _grass(T: float, RH: float) -> float:
    """McArthur (1966), as fitted in Cheney, Gould and Catchpole (1998): T degrees C, RH %; %."""
    return 9.58 - 0.205 * T + 0.138 * RH


_grass_over = vectorize(_grass)


def grass_moisture_percent(air_temperature_c: ArrayLike, relative_humidity_percent: ArrayLike) -> NDArray[np.float64]:
    """Moisture content of dead grass, never below 0 (the equation itself falls below it in the hottest, driest air)."""
    return np.asarray(np.maximum(_grass_over(floats(air_temperature_c), floats(relative_humidity_percent)), 0.0))


def _shrubland(T: float, RH: float, delta: float) -> float:
    """Anderson et al. (2015), IJWF 24:443-460: T degrees C, RH %, delta 1 on a sunny afternoon; %."""
    return 4.37 + 0.161 * RH - 0.1 * (T - 25.0) - delta * 0.027 * RH


_shrubland_over = vectorize(_shrubland)


def shrubland_moisture_percent(
    air_temperature_c: ArrayLike, relative_humidity_percent: ArrayLike, *, sunny_afternoon: ArrayLike
) -> NDArray[np.float64]:
    """Moisture content of dead fine fuel in shrubland and heath; the afternoon as `sunny_afternoon` has it.

    With this moisture instead of the one published for each of 32 wildfires, the rate of spread is off by 46 to 52 % on
    average instead of 41 (`model_error`).
    """
    delta = floats(sunny_afternoon)
    values = _shrubland_over(floats(air_temperature_c), floats(relative_humidity_percent), delta)
    return np.asarray(np.maximum(values, DRIEST_PERCENT))


def sunny_afternoon(local_hour: ArrayLike) -> NDArray[np.bool_]:
    """Hours that count as a sunny afternoon: 12 to 18 h by the clock in any month.

    The source says 12 to 17 h, October to March; the hour of daylight saving and the hemisphere are not known here, and
    the drier fuel is the faster one.
    """
    hour = np.asarray(local_hour, dtype=np.float64)
    return np.asarray((hour >= 12.0) & (hour < 18.0))
