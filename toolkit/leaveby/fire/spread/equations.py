"""Head rate of spread on flat ground: every published equation as printed, and its form in SI for arrays.

Each private function holds one equation in the units and symbols of its paper. Each public one gives the head rate of
spread on flat ground in m/s, as an array; what it takes broadcasts together: `wind_speed_m_s`, the mean open wind at
10 m, and `moisture_percent`, that of fine dead fuel (`fuel.moisture`), besides what its own docstring names.
None of these papers was read in full; where an equation is remembered, its docstring says so. No tabulated value of
the dry eucalypt model was found anywhere: it is checked by hand and by the published statistics of its error only.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.compiling import floats, njit, vectorize
from leaveby.fire.spread.ellipse import SLOPE_FACTOR_PER_DEG, SLOPE_LIMIT_DEG
from leaveby.parameters import CREEP_ROS_M_S

Curing = Literal["cruz2015", "cheney1998"]

CREEP_M_S: Final = CREEP_ROS_M_S.value
"""Slowest head rate of spread of a burning cell, 3.6 m/h. Where an equation says that fire would not spread (wet or
green fuel, no drought) it is still taken to creep on."""

_M_S_PER_KM_H: Final = 1.0 / 3.6
_M_S_PER_M_H: Final = 1.0 / 3600.0
_M_S_PER_M_MIN: Final = 1.0 / 60.0


# --- as printed ------------------------------------------------------------------------------------------------------


def _mark5(F: float, W: float) -> float:
    """Noble, Bary and Gill (1980): F index, W t/ha; R km/h.

    Remembered, not read; confirmed by the distance tables of AS 3959 and by the prediction published for the Bemm River
    fire (index 82, 20 t/ha: 2.0 km/h).
    """
    return 0.0012 * F * W


def _dry_eucalypt(U10: float, MC: float, FHSs: float, FHSns: float, Hns: float) -> float:
    """Cheney, Gould, McCaw and Anderson (2012): U10 km/h, MC %, scores, Hns cm; R m/h.

    Forest Ecology and Management 280:120-131. Remembered, not read, and unverified until the paper is in hand; on 12
    runs of January 2013 in Tasmania its mean error was -4 % (Marsden-Smedley 2014, read).
    """
    phi_M: float = 18.35 * MC**-1.495
    if U10 <= 5.0:
        return 30.0 * phi_M
    R: float = (30.0 + 1.5308 * (U10 - 5.0) ** 0.8576 * FHSs**0.9301 * (FHSns * Hns) ** 0.6366 * 1.03) * phi_M
    return R


def _grass_phi_m(MC: float, U: float) -> float:
    """Cheney, Gould and Catchpole (1998), IJWF 8:1-13 (remembered, not read): MC %, U km/h."""
    if MC < 12.0:
        return math.exp(-0.108 * MC)
    if U <= 10.0:
        return max(0.684 - 0.0342 * MC, 0.0)
    return max(0.547 - 0.0228 * MC, 0.0)


def _curing_cheney1998(C: float) -> float:
    """Cheney, Gould and Catchpole (1998): C %."""
    return 1.12 / (1.0 + 59.2 * math.exp(-0.124 * (C - 50.0)))


def _curing_cruz2015(C: float) -> float:
    """Cruz et al. (2015), IJWF 24:838-848 (remembered, not read): C %."""
    return 1.036 / (1.0 + 103.989 * math.exp(-0.0996 * (C - 20.0)))


def _grass_natural(U: float) -> float:
    """Cheney, Gould and Catchpole (1998): U km/h; km/h before moisture and curing."""
    if U < 5.0:
        return 0.054 + 0.269 * U
    r: float = 1.4 + 0.838 * (U - 5.0) ** 0.844
    return r


def _grass_grazed(U: float) -> float:
    """As `_grass_natural`, cut or grazed."""
    if U < 5.0:
        return 0.054 + 0.209 * U
    r: float = 1.1 + 0.715 * (U - 5.0) ** 0.844
    return r


def _grass_eaten_out(U: float) -> float:
    """As `_grass_natural`, eaten out: half the grazed curve, below 5 km/h too."""
    if U < 5.0:
        return 0.5 * (0.054 + 0.209 * U)
    r: float = 0.55 + 0.357 * (U - 5.0) ** 0.844
    return r


def _shrubland(WF: float, U10: float, H: float, MC: float) -> float:
    """Anderson et al. (2015), IJWF 24:443-460: WF wind factor, U10 km/h, H m, MC %; R m/min.

    Remembered, not read; on 32 published wildfires these coefficients gave a bias of -0.01 km/h and a mean absolute
    percentage error of 41 %, with fuel moisture as computed here of 46 to 52 %.
    """
    shape: float = H**0.227 * math.exp(-0.0762 * MC)
    if U10 >= 5.0:
        R: float = 5.6715 * (WF * U10) ** 0.912 * shape
        return R
    R5: float = 5.6715 * (WF * 5.0) ** 0.912
    return (5.0 + 0.2 * (R5 - 5.0) * U10) * shape


# --- for arrays ------------------------------------------------------------------------------------------------------

_phi_m_of = njit()(_grass_phi_m)
_cruz_of = njit()(_curing_cruz2015)
_cheney_of = njit()(_curing_cheney1998)
_natural_of = njit()(_grass_natural)
_grazed_of = njit()(_grass_grazed)
_eaten_out_of = njit()(_grass_eaten_out)


def _grass(U: float, MC: float, C: float, state: int, curve: int) -> float:
    if state == 0:
        r = _natural_of(U)
    elif state == 1:
        r = _grazed_of(U)
    else:
        r = _eaten_out_of(U)
    phi_C = _cruz_of(C) if curve == 0 else _cheney_of(C)
    return float(r * _phi_m_of(MC, U) * phi_C)


_mark5_over = vectorize(_mark5)
_dry_eucalypt_over = vectorize(_dry_eucalypt)
_grass_over = vectorize(_grass)
_shrubland_over = vectorize(_shrubland)
_cruz_over = vectorize(_curing_cruz2015)
_cheney_over = vectorize(_curing_cheney1998)

GRASS_STATES: Final = ("natural", "grazed", "eaten_out")
"""Grazed is also cut."""


def _km_h(speed_m_s: ArrayLike) -> NDArray[np.float64]:
    return floats(speed_m_s) * 3.6


def mark5_ros_m_s(danger_index: ArrayLike, load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """McArthur Mark 5 in eucalypt forest, known to be slow on wildfires: see `model_error`.

    The danger index is that of forest (the meter ended at 100), the load that of fine surface fuel, t/ha.

    Examples
    --------
    >>> float((mark5_ros_m_s(100.0, 25.0) * 3.6).round(3))
    3.0
    """
    return np.asarray(_mark5_over(floats(danger_index), floats(load_t_ha)) * _M_S_PER_KM_H)


def dry_eucalypt_ros_m_s(
    wind_speed_m_s: ArrayLike,
    moisture_percent: ArrayLike,
    *,
    surface_hazard_score: ArrayLike,
    near_surface_hazard_score: ArrayLike,
    near_surface_height_cm: ArrayLike,
) -> NDArray[np.float64]:
    """Dry eucalypt forest, fuel-hazard-score form: scores 0 to 4, moisture above 0 %.

    The two branches meet at 5 km/h of wind, where the wind term is 0. The form with hazard ratings is not offered: its
    coefficients are not known here with confidence.
    """
    scores = (floats(surface_hazard_score), floats(near_surface_hazard_score), floats(near_surface_height_cm))
    out = _dry_eucalypt_over(_km_h(wind_speed_m_s), floats(moisture_percent), *scores)
    return np.asarray(out * _M_S_PER_M_H)


def curing_coefficient(curing_percent: ArrayLike, *, curve: Curing = "cruz2015") -> NDArray[np.float64]:
    """Share of the rate of spread in fully cured grass.

    The two published curves differ most between 60 and 90 %; the later one is the faster and the default.
    """
    over = _cruz_over if curve == "cruz2015" else _cheney_over
    return np.asarray(over(floats(curing_percent)))


def grass_ros_m_s(
    wind_speed_m_s: ArrayLike,
    moisture_percent: ArrayLike,
    *,
    curing_percent: ArrayLike,
    state: ArrayLike = 0,
    curve: Curing = "cruz2015",
) -> NDArray[np.float64]:
    """Grassland, for a head wider than about 200 m; narrower ones are slower.

    `state` is an index into `GRASS_STATES`. Above 20 to 24 % of moisture the equation gives 0. At 10 km/h of wind and
    12 % of moisture the printed pieces miss each other by less than 0.1 %. Under trees, multiply by
    `FuelType.grass_factor`.
    """
    states, curves = np.asarray(state, dtype=np.int64), 0 if curve == "cruz2015" else 1
    out = _grass_over(_km_h(wind_speed_m_s), floats(moisture_percent), floats(curing_percent), states, curves)
    return np.asarray(out * _M_S_PER_KM_H)


def shrubland_ros_m_s(
    wind_speed_m_s: ArrayLike, moisture_percent: ArrayLike, *, height_m: ArrayLike, wind_factor: ArrayLike = 0.67
) -> NDArray[np.float64]:
    """Shrubland and heath of a mean height; the wind factor is 0.67 in the open and 0.35 under trees.

    Below 5 km/h of wind a straight line to 5 m/min (before height and moisture) in calm air.
    """
    out = _shrubland_over(floats(wind_factor), _km_h(wind_speed_m_s), floats(height_m), floats(moisture_percent))
    return np.asarray(out * _M_S_PER_M_MIN)


def rule_10_percent_ros_m_s(wind_speed_m_s: ArrayLike) -> NDArray[np.float64]:
    """Rule of thumb for forest and shrubland: a tenth of the mean open wind at 10 m.

    For dry fuel (below about 7 %) and strong wind (above 30 km/h); not for grass. Cruz and Alexander (2019), Annals of
    Forest Science 76:44 (abstract read).
    """
    return np.asarray(0.10 * floats(wind_speed_m_s))


def rule_20_percent_ros_m_s(wind_speed_m_s: ArrayLike) -> NDArray[np.float64]:
    """Rule of thumb for fully cured grassland: a fifth of the mean open wind at 10 m.

    From 58 wildfires with winds of 20 to 62 km/h. Cruz, Alexander and Kilinc (2022), Fire 5(2):55 (abstract read).
    """
    return np.asarray(0.20 * floats(wind_speed_m_s))


def grass_meter_ros_m_s(danger_index: ArrayLike) -> NDArray[np.float64]:
    """Rate of spread of the McArthur grassland meter, average pasture, for comparison.

    The equation (Noble et al. 1980, remembered) is 0.13 km/h per unit of the index; the printed meter is nearer 0.128.
    """
    return floats(danger_index) * (0.13 * _M_S_PER_KM_H)


def slope_factor(slope_deg: ArrayLike) -> NDArray[np.float64]:
    """Factor on the rate of spread straight up (above 0) or down (below 0) a slope, used to 20 degrees both ways.

    For a look at one slope; the arrival solver adds wind and slope as vectors (`ellipse`). Noble, Bary and Gill (1980):
    exp(0.069 x degrees). Remembered; confirmed by the rows of AS 3959 for 5 to 20 degrees.
    """
    return np.exp(SLOPE_FACTOR_PER_DEG * np.clip(floats(slope_deg), -SLOPE_LIMIT_DEG, SLOPE_LIMIT_DEG))
