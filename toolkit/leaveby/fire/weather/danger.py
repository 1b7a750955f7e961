"""The forest fire danger index, as an equation; checked against the climate-index library xclim."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.compiling import floats, vectorize


def _ffdi_mark5(T: float, H: float, V: float, D: float) -> float:
    """Noble, Bary and Gill (1980), Aust. J. Ecology 5:201-203 (read in copies): T degrees C, H %, V km/h, D 0 to 10."""
    if D <= 0.0:
        return 0.0
    return 2.0 * math.exp(-0.45 + 0.987 * math.log(D) - 0.0345 * H + 0.0338 * T + 0.0234 * V)


_ffdi_mark5_of = vectorize(_ffdi_mark5)


def forest_fire_danger_index(
    air_temperature_c: ArrayLike,
    relative_humidity_percent: ArrayLike,
    *,
    wind_speed_m_s: ArrayLike,
    drought_factor: ArrayLike,
) -> NDArray[np.float64]:
    """McArthur forest fire danger index, Mark 5, as an equation: the meter ended at 100, it does not.

    Temperature in degrees C, humidity in percent, the mean open wind at 10 m; arrays broadcast together. The drought
    factor runs from 0 to 10; at 0 the index is 0.

    Examples
    --------
    >>> float(forest_fire_danger_index(40.0, 15.0, wind_speed_m_s=55 / 3.6, drought_factor=10.0).round(3))
    103.265
    """
    V, D = floats(wind_speed_m_s) * 3.6, floats(drought_factor)
    return _ffdi_mark5_of(floats(air_temperature_c), floats(relative_humidity_percent), V, D)
