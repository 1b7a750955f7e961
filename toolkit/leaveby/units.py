"""Conversions between the units at the door (km/h, minutes) and SI inside.

Exact by definition: 1 km/h = 1000 m / 3600 s; 1 min = 60 s.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])

SECONDS_PER_MINUTE = 60.0
SECONDS_PER_HOUR = 3600.0
METRES_PER_KM = 1000.0
METRES_PER_DEGREE = 111_195.0
"""Of latitude, on the mean sphere."""


def m_s_from_km_h(speed_km_h: Number) -> Number:
    """Speed in m/s from km/h.

    >>> m_s_from_km_h(36.0)
    10.0
    """
    return speed_km_h * METRES_PER_KM / SECONDS_PER_HOUR


def km_h_from_m_s(speed_m_s: Number) -> Number:
    """Speed in km/h from m/s.

    >>> km_h_from_m_s(10.0)
    36.0
    """
    return speed_m_s * SECONDS_PER_HOUR / METRES_PER_KM


def s_from_min(time_min: Number) -> Number:
    """Seconds from minutes.

    >>> s_from_min(1.5)
    90.0
    """
    return time_min * SECONDS_PER_MINUTE


def min_from_s(time_s: Number) -> Number:
    """Minutes from seconds.

    >>> min_from_s(90.0)
    1.5
    """
    return time_s / SECONDS_PER_MINUTE
