"""Flames and fireline intensity, each kind of vegetation by its own equation, for the radiant heat on a house.

A forest's flames on grass or shrubs would be three to six times too long: grass and shrubs take Byram's flame length,
from the intensity. The public functions take arrays that broadcast together: head rates of spread in m/s, fuel that
burns in the flames in t/ha, intensities in kW per metre of front. Flames are in metres. All equations are remembered,
not read; those of AS 3959:2009 are confirmed by its distance tables, to which the factor for grass is fitted.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.compiling import floats, vectorize
from leaveby.fire.fuel.types import FuelType
from leaveby.parameters import GRASS_FLAME_FACTOR, HEAT_YIELD_KJ_KG
from leaveby.regions import assumed

FLAME_ASSUMPTIONS: Final = assumed("fire/assumptions", "flames")
"""What the flames rest on, for the list of assumptions of a result."""


def _flame_height_mark5(R: float, W: float) -> float:
    """Noble, Bary and Gill (1980): R km/h, W t/ha; Z m."""
    return 13.0 * R + 0.24 * W - 2.0


def _flame_length_as3959(R: float, W: float) -> float:
    """AS 3959 Appendix B: R km/h, W overall fuel t/ha; Lf m."""
    return (13.0 * R + 0.24 * W) / 2.0


def _flame_length_byram(I: float) -> float:  # noqa: E741 - as printed
    """Byram (1959): I kW/m; L m."""
    return float(0.0775 * I**0.46)


def _byram(H: float, w: float, r: float) -> float:
    """Byram (1959): H kJ/kg, w kg/m2, r m/s; I kW/m."""
    return H * w * r


_flame_height_over = vectorize(_flame_height_mark5)
_flame_length_over = vectorize(_flame_length_as3959)
_byram_length_over = vectorize(_flame_length_byram)
_byram_over = vectorize(_byram)


def flame_height_m(head_ros_m_s: ArrayLike, load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """Flame height in eucalypt forest by the Mark 5 equations, never below 0."""
    return np.asarray(np.maximum(_flame_height_over(floats(head_ros_m_s) * 3.6, floats(load_t_ha)), 0.0))


def flame_length_m(head_ros_m_s: ArrayLike, overall_load_t_ha: ArrayLike) -> NDArray[np.float64]:
    """Flame length of the Australian standard for building in bushfire-prone areas, forest and woodland.

    The load is that of fine fuel with canopy and bark.
    """
    return np.asarray(_flame_length_over(floats(head_ros_m_s) * 3.6, floats(overall_load_t_ha)))


def byram_flame_length_m(intensity_kw_m: ArrayLike) -> NDArray[np.float64]:
    """Flame length by Byram's equation, which the standard takes for scrub and shrubland."""
    return np.asarray(_byram_length_over(floats(intensity_kw_m)))


def fuel_flame_length_m(fuel: FuelType, head_ros_m_s: ArrayLike) -> NDArray[np.float64]:
    """Flame length of a head fire in a fuel type, by the flame equation of its vegetation.

    Forest and woodland: the standard's equation. Shrubs: Byram's. Grass: Byram's with the intensity 1.14 times as
    high, which meets the distances that the standard prints. "any": the longest of the three. Where nothing burns: 0.

    Examples
    --------
    >>> from leaveby.fire.fuel.types import fuel_type
    >>> names = ["natural grassland", "shrubland", "dry eucalypt forest"]
    >>> [float(fuel_flame_length_m(fuel_type(name), 3.0 / 3.6).round(1)) for name in names]
    [4.8, 7.9, 23.7]
    """
    ros = floats(head_ros_m_s)
    intensity = fireline_intensity_kw_m(ros, fuel.overall_load_t_ha)
    kind = fuel.flame_equation
    length = np.zeros(ros.shape)
    if kind in ("forest", "any"):
        length = np.maximum(length, flame_length_m(ros, fuel.overall_load_t_ha))
    if kind in ("shrubland", "any"):
        length = np.maximum(length, byram_flame_length_m(intensity))
    if kind in ("grass", "any"):
        length = np.maximum(length, byram_flame_length_m(GRASS_FLAME_FACTOR.value * intensity))
    return length


def fireline_intensity_kw_m(
    head_ros_m_s: ArrayLike, load_t_ha: ArrayLike, *, heat_yield_kj_kg: float = HEAT_YIELD_KJ_KG.value
) -> NDArray[np.float64]:
    """Byram's fireline intensity, by default with the heat yield of AS 3959; older reports take 16,000."""
    return np.asarray(_byram_over(heat_yield_kj_kg, floats(load_t_ha) * 0.1, floats(head_ros_m_s)))
