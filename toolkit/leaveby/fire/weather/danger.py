"""Fire danger and drought indices, as equations.

The forest index, the Keetch-Byram drought index and the Griffiths drought factor are checked against the climate-index
library xclim; the grassland indices are remembered from Noble et al. (1980) and checked against the printed meter.

The public functions take arrays that broadcast together: temperature in degrees C, humidity, curing and the like in
percent, the mean open wind at 10 m in m/s, rain and soil moisture deficit in mm, loads in t/ha.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.compiling import floats, njit, vectorize

KBDI_CEILING_MM: Final = 203.2
"""Highest index, eight inches. Finkele et al. (2006) stop at 200 mm; xclim and most others at this, the drier one."""

DROUGHT_FACTOR_WINDOW_DAYS: Final = 20


def _ffdi_mark5(T: float, H: float, V: float, D: float) -> float:
    """Noble, Bary and Gill (1980), Aust. J. Ecology 5:201-203 (read in copies): T degrees C, H %, V km/h, D 0 to 10."""
    if D <= 0.0:
        return 0.0
    return 2.0 * math.exp(-0.45 + 0.987 * math.log(D) - 0.0345 * H + 0.0338 * T + 0.0234 * V)


def _gfdi_mark4(T: float, RH: float, U: float, C: float) -> float:
    """Noble, Bary and Gill (1980): T degrees C, RH %, U km/h, C %."""
    if C <= 0.0:
        return 0.0
    return 2.0 * math.exp(-23.6 + 5.01 * math.log(C) + 0.0281 * T - 0.226 * math.sqrt(RH) + 0.633 * math.sqrt(U))


def _gfdi_mark5_moisture(T: float, RH: float, C: float) -> float:
    return (97.7 + 4.06 * RH) / (T + 6.0) - 0.00854 * RH + 3000.0 / C - 30.0


def _gfdi_mark5(M: float, U: float, W: float) -> float:
    """Noble, Bary and Gill (1980): M %, U km/h, W t/ha."""
    if M < 18.8:
        return 3.35 * W * math.exp(-0.0897 * M + 0.0403 * U)
    if M <= 30.0:
        return 0.299 * W * math.exp(-1.686 + 0.0403 * U) * (30.0 - M)
    return 0.0


_ffdi_mark5_of = vectorize(_ffdi_mark5)
_gfdi_mark4_of = vectorize(_gfdi_mark4)
_gfdi_mark5_of = vectorize(_gfdi_mark5)


def forest_fire_danger_index(
    air_temperature_c: ArrayLike,
    relative_humidity_percent: ArrayLike,
    *,
    wind_speed_m_s: ArrayLike,
    drought_factor: ArrayLike,
) -> NDArray[np.float64]:
    """McArthur forest fire danger index, Mark 5, as an equation: the meter ended at 100, it does not.

    The drought factor runs from 0 to 10; at 0 the index is 0.

    Examples
    --------
    >>> float(forest_fire_danger_index(40.0, 15.0, wind_speed_m_s=55 / 3.6, drought_factor=10.0).round(3))
    103.265
    """
    V, D = floats(wind_speed_m_s) * 3.6, floats(drought_factor)
    return _ffdi_mark5_of(floats(air_temperature_c), floats(relative_humidity_percent), V, D)


def grass_fire_danger_index(
    air_temperature_c: ArrayLike,
    relative_humidity_percent: ArrayLike,
    *,
    wind_speed_m_s: ArrayLike,
    curing_percent: ArrayLike,
    version: Literal["mark4", "mark5"] = "mark4",
    load_t_ha: ArrayLike = 4.5,
) -> NDArray[np.float64]:
    """McArthur grassland fire danger index, Mark 4 or Mark 5, as an equation.

    On three fast grass fires Mark 4 was found fair and Mark 5 far too low (Noble 1991, IJWF 1:189-196, abstract read),
    so Mark 4 is the default. The load takes part in Mark 5 only; at a curing of 0 % the index is 0.
    """
    T, RH, C = floats(air_temperature_c), floats(relative_humidity_percent), floats(curing_percent)
    U = floats(wind_speed_m_s) * 3.6
    if version == "mark4":
        return _gfdi_mark4_of(T, RH, U, C)
    M = _gfdi_mark5_moisture_of(T, RH, np.maximum(C, 1e-9))
    return _gfdi_mark5_of(M, U, floats(load_t_ha))


_gfdi_mark5_moisture_of = vectorize(_gfdi_mark5_moisture)


def _kbdi_evapotranspiration(Q: float, T: float, P: float) -> float:
    """Finkele et al. (2006), metric Keetch-Byram: Q mm, T degrees C, P mm a year; mm a day."""
    return 1e-3 * (203.2 - Q) * (0.968 * math.exp(0.0875 * T + 1.5552) - 8.3) / (1.0 + 10.88 * math.exp(-0.00173 * P))


_evapotranspiration_of = njit()(_kbdi_evapotranspiration)


@njit()
def _kbdi_series(
    rain_mm: NDArray[np.float64],
    temperature_c: NDArray[np.float64],
    annual_mm: NDArray[np.float64],
    initial_mm: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    days, places = rain_mm.shape
    for place in range(places):
        index = initial_mm[place]
        lost = 5.0
        for day in range(days):
            rain = rain_mm[day, place]
            kept_off = 0.0
            if rain <= 0.0:
                lost = 5.0
            else:
                kept_off = min(rain, lost)
                lost -= kept_off
            index += _evapotranspiration_of(index, temperature_c[day, place], annual_mm[place]) - (rain - kept_off)
            index = min(max(index, 0.0), KBDI_CEILING_MM)
            out[day, place] = index


def keetch_byram_drought_index_mm(
    rain_mm: ArrayLike, highest_temperature_c: ArrayLike, *, annual_rain_mm: ArrayLike, initial_mm: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Keetch-Byram drought index (soil moisture deficit) day by day, held between 0 and 203.2 mm.

    The first 5 mm of every wet spell do not reach the soil. Rain and highest temperature are those of each 24 h, shape
    (days, ...), the annual rain the mean, and `initial_mm` the index on the day before the first; the index comes at
    the end of each day. Keetch and Byram (1968); Finkele et al. (2006), section 2.1.1, but with the ceiling of xclim
    0.62.0, whose `keetch_byram_drought_index` is the same.
    """
    rain, temperature = np.broadcast_arrays(floats(rain_mm), floats(highest_temperature_c))
    if not (np.all(np.isfinite(rain)) and np.all(np.isfinite(temperature)) and np.all(rain >= 0.0)):
        raise ValueError("rain must be finite and not below 0, temperature finite")
    days, places = rain.shape[0], rain.shape[1:]
    out = np.empty(rain.shape, dtype=np.float64)
    _kbdi_series(
        rain.reshape(days, -1),
        temperature.reshape(days, -1),
        np.broadcast_to(floats(annual_rain_mm), places).reshape(-1),
        np.broadcast_to(floats(initial_mm), places).reshape(-1),
        out.reshape(days, -1),
    )
    return out


def _griffiths(I: float, x: float) -> float:  # noqa: E741 - symbol of the paper
    """Griffiths (1999) as given by Finkele et al. (2006): I mm, x dimensionless."""
    return 10.5 * (1.0 - math.exp(-(I + 30.0) / 40.0)) * (41.0 * x**2 + x) / (40.0 * x**2 + x + 1.0)


def _x_of_event(N: float, P: float) -> float:
    """Finkele et al. (2006): N days since the wettest day of the event, P mm in the event."""
    x: float = N**1.3 / (N**1.3 + P - 2.0)
    return x


def _x_limit(I: float) -> float:  # noqa: E741 - symbol of the paper
    """Finkele et al. (2006), equation 14."""
    if I < 20.0:
        return 1.0 / (1.0 + 0.1135 * I)
    return 75.0 / (270.525 - 1.267 * I)


_griffiths_of = njit()(_griffiths)
_x_of_event_of = njit()(_x_of_event)
_x_limit_of = njit()(_x_limit)


@njit()
def _drought_factor_series(
    rain_mm: NDArray[np.float64], deficit_mm: NDArray[np.float64], out: NDArray[np.float64]
) -> None:
    days, places = rain_mm.shape
    for place in range(places):
        for last in range(DROUGHT_FACTOR_WINDOW_DAYS - 1, days):
            x = 1.0
            day = last - DROUGHT_FACTOR_WINDOW_DAYS + 1
            while day <= last:
                if rain_mm[day, place] <= 2.0:
                    day += 1
                    continue
                total = 0.0
                wettest = 0.0
                age = 0
                while day <= last and rain_mm[day, place] > 2.0:
                    amount = rain_mm[day, place]
                    total += amount
                    if amount >= wettest:
                        wettest = amount
                        age = last - day + 1
                    day += 1
                x = min(x, _x_of_event_of(float(age), total))
            deficit = deficit_mm[last, place]
            x = min(x, _x_limit_of(deficit))
            out[last - DROUGHT_FACTOR_WINDOW_DAYS + 1, place] = min(10.0, _griffiths_of(deficit, x))


def griffiths_drought_factor(rain_mm: ArrayLike, deficit_mm: ArrayLike) -> NDArray[np.float64]:
    """Drought factor from the rain of 20 days and the soil moisture deficit.

    A rain event is a run of days with more than 2 mm; it counts with its total and with the days since its wettest day,
    the latest day being 1 day ago (rain since this morning, age 0 in Finkele et al., can't occur in daily sums). The
    driest-looking limit on x of Finkele et al. (equation 14) applies.

    Daily rain and deficit (as from `keetch_byram_drought_index_mm`) have the shape (days, ...), 20 days at least; the
    factor, 0 to 10, is that of day 20 and every later one: xclim 0.62.0's `griffiths_drought_factor` with "xlim" is the
    same, with NaN for the first 19 days.
    """
    rain, deficit = np.broadcast_arrays(floats(rain_mm), floats(deficit_mm))
    if rain.shape[0] < DROUGHT_FACTOR_WINDOW_DAYS:
        raise ValueError(f"the drought factor needs {DROUGHT_FACTOR_WINDOW_DAYS} days of rain, not {rain.shape[0]}")
    if not (
        np.all(np.isfinite(rain)) and np.all(rain >= 0.0) and np.all((deficit >= 0.0) & (deficit <= KBDI_CEILING_MM))
    ):
        raise ValueError("rain must not be below 0 mm and the deficit must lie in 0 to 203.2 mm")
    days = rain.shape[0]
    out = np.empty((days - DROUGHT_FACTOR_WINDOW_DAYS + 1, *rain.shape[1:]), dtype=np.float64)
    _drought_factor_series(rain.reshape(days, -1), deficit.reshape(days, -1), out.reshape(out.shape[0], -1))
    return out


def _drought_factor_noble(I: float, N: float, P: float) -> float:  # noqa: E741 - symbol of the paper
    """Noble, Bary and Gill (1980), read in a copy: I mm, N days, P mm."""
    D: float = 0.191 * (I + 104.0) * (N + 1.0) ** 1.5 / (3.52 * (N + 1.0) ** 1.5 + P - 1.0)
    return min(D, 10.0)


_drought_factor_noble_over = vectorize(_drought_factor_noble)


def noble_drought_factor(
    deficit_mm: ArrayLike, days_since_rain: ArrayLike, *, last_rain_mm: ArrayLike
) -> NDArray[np.float64]:
    """Drought factor in the older form that stands beside the Mark 5 equations, up to 10.

    Soon after rain it can differ by several units from `griffiths_drought_factor`.
    """
    return _drought_factor_noble_over(floats(deficit_mm), floats(days_since_rain), floats(last_rain_mm))
