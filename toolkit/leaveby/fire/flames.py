"""Flames and fireline intensity of forest fires, for the radiant heat on a house."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.parameters import HEAT_YIELD_KJ_KG


def _flame_height_mark5(R: float, W: float) -> float:
    """Noble, Bary and Gill (1980): R km/h, W t/ha; Z m."""
    return 13.0 * R + 0.24 * W - 2.0


def _flame_length_as3959(R: float, W: float) -> float:
    """AS 3959 Appendix B: R km/h, W overall fuel t/ha; Lf m."""
    return (13.0 * R + 0.24 * W) / 2.0


def _byram(H: float, w: float, r: float) -> float:
    """Byram (1959): H kJ/kg, w kg/m2, r m/s; I kW/m."""
    return H * w * r


_vectorize: Any = numba.vectorize
_flame_height_over = _vectorize(nopython=True, cache=True)(_flame_height_mark5)
_flame_length_over = _vectorize(nopython=True, cache=True)(_flame_length_as3959)
_byram_over = _vectorize(nopython=True, cache=True)(_byram)


def _array(values: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)


def flame_height_m(head_ros_m_s: ArrayLike, load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """Flame height in eucalypt forest by the Mark 5 equations, never below 0.

    Parameters
    ----------
    head_ros_m_s : array_like
        Head rate of spread, m/s.
    load_t_ha : array_like
        Fine fuel, t/ha.

    Returns
    -------
    ndarray of float64
        Metres.

    References
    ----------
    Noble, Bary and Gill (1980). Remembered, not read.

    Examples
    --------
    >>> float(flame_height_m(1.0 / 3.6, 20.0).round(1))
    15.8
    """
    return np.asarray(np.maximum(_flame_height_over(_array(head_ros_m_s) * 3.6, _array(load_t_ha)), 0.0))


def flame_length_m(head_ros_m_s: ArrayLike, overall_load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """Flame length of the Australian standard for building in bushfire-prone areas, forest and woodland.

    Parameters
    ----------
    head_ros_m_s : array_like
        Head rate of spread, m/s.
    overall_load_t_ha : array_like
        Fine fuel with canopy and bark, t/ha.

    Returns
    -------
    ndarray of float64
        Metres.

    References
    ----------
    AS 3959:2009, Appendix B. Remembered, and confirmed by its distance tables.

    Examples
    --------
    >>> float(flame_length_m(3.0 / 3.6, 35.0).round(1))
    23.7
    """
    out: NDArray[np.float64] = _flame_length_over(_array(head_ros_m_s) * 3.6, _array(overall_load_t_ha))
    return out


def fireline_intensity_kw_m(
    head_ros_m_s: ArrayLike, load_t_ha: ArrayLike, *, heat_yield_kj_kg: float = HEAT_YIELD_KJ_KG.value
) -> NDArray[np.float64]:
    """Byram's fireline intensity, by default with the heat yield of AS 3959.

    Parameters
    ----------
    head_ros_m_s : array_like
        Head rate of spread, m/s.
    load_t_ha : array_like
        Fuel that burns in the flames, t/ha.
    heat_yield_kj_kg : float
        Heat given off by a kilogram of fuel, kJ/kg; older reports take 16,000.

    Returns
    -------
    ndarray of float64
        kW per metre of front.

    References
    ----------
    Byram (1959). Remembered, not read.

    Examples
    --------
    >>> float(fireline_intensity_kw_m(1.0, 20.0))
    37200.0
    """
    out: NDArray[np.float64] = _byram_over(heat_yield_kj_kg, _array(load_t_ha) * 0.1, _array(head_ros_m_s))
    return out
