"""Radiant heat from a flame front on a house, and how long skin bears it.

The view-factor method of AS 3959:2009 Appendix B, from memory: a flat rectangular flame of one temperature, as wide as
the front, leans at the tilt that gives the largest flux; the receiver stands at mid flame height; the air between
absorbs after Fuss and Hammins 2002, "An estimate of the correction applied to radiant flame measurements due to
attenuation by atmospheric CO2 and H2O", Fire Safety Journal 37:181-190 (polynomial from memory). The printed distances
of Method 1 for forest come out of it to rounding, which is tested.

It says nothing of embers, of burning things near the house, of wind damage or of whether people inside live.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby import parameters
from leaveby.errors import refuse, refused

EXPOSURE_EDGES_KW_M2: Final = (12.5, 19.0, 29.0, 40.0)
EXPOSURE_CLASSES: Final = ("BAL-12.5", "BAL-19", "BAL-29", "BAL-40", "BAL-FZ")
"""Names of the construction classes of AS 3959 by the flux they stand for; above 40 kW/m2 the flame zone."""

PAIN_DOSE: Final = 86.0
"""Lowest dose of bare skin that hurts, in (kW/m2)^(4/3) s, of 86 to 103 with a mean of 92: UK Health and Safety
Laboratory 2007, as copied in the article on the thermal dose unit; read in that copy."""

_STEFAN_BOLTZMANN_KW_M2_K4: Final = 5.67e-11
_FARTHEST_PATH_M: Final = 100.0
_STEEPEST_DEG: Final = 20.0
_TILTS_DEG: Final = np.linspace(0.0, 90.0, 901)

# Rows: powers 0 to 4 of the path in m; columns: 1, air temperature in K, flame temperature in K, relative humidity 0-1.
_FUSS_HAMMINS: Final = np.array(
    [
        [1.486, -2.003e-3, 4.68e-5, -6.052e-2],
        [1.225e-2, -5.9e-5, 1.662e-6, -1.759e-3],
        [-1.489e-4, 6.893e-7, -1.922e-8, 2.092e-5],
        [8.381e-7, -3.823e-9, 1.0511e-10, -1.166e-7],
        [-1.685e-9, 7.637e-12, -2.085e-13, 2.35e-10],
    ]
)


def transmissivity(path_m: ArrayLike) -> NDArray[np.float64]:
    """Share of the radiation that passes through the air of the standard's design day (35 degrees C, 25 %).

    Beyond 100 m, where the method ends, the value at 100 m stands: more heat, not less.

    Examples
    --------
    >>> transmissivity([0.0, 50.0, 100.0, 300.0]).round(3)
    array([0.905, 0.768, 0.723, 0.723])
    """
    path = np.minimum(_numbers("path_m", path_m, low=0.0), _FARTHEST_PATH_M)
    a = _FUSS_HAMMINS @ np.array(
        [
            1.0,
            parameters.AIR_TEMPERATURE_K.value,
            parameters.FLAME_TEMPERATURE_K.value,
            parameters.AIR_HUMIDITY_PERCENT.value / 100.0,
        ]
    )
    through: NDArray[np.float64] = np.polynomial.polynomial.polyval(path, a)
    return through


def _view_factor_as_3959(
    d: NDArray[np.float64], Lf: NDArray[np.float64], Wf: float, theta: float, alpha: NDArray[np.float64]
) -> NDArray[np.float64]:
    # AS 3959 Appendix B: d m, Lf m, Wf m, theta and alpha rad; h puts the receiver at mid flame height.
    h = 0.5 * Lf * np.sin(alpha) - d * np.tan(theta)
    D = d - 0.5 * Lf * np.cos(alpha)
    X1 = (Lf * np.sin(alpha) - 0.5 * Lf * np.cos(alpha) * np.tan(theta) - d * np.tan(theta) - h) / D
    X2 = (h + D * np.tan(theta)) / D
    Y1 = Y2 = 0.5 * Wf / D

    def corner(X: NDArray[np.float64], Y: NDArray[np.float64]) -> NDArray[np.float64]:
        by_x = X / np.sqrt(1 + X**2) * np.arctan(Y / np.sqrt(1 + X**2))
        by_y = Y / np.sqrt(1 + Y**2) * np.arctan(X / np.sqrt(1 + Y**2))
        both: NDArray[np.float64] = by_x + by_y
        return both

    phi: NDArray[np.float64] = (corner(X1, Y1) + corner(X2, Y2)) / np.pi
    return phi


def radiant_heat(distance_m: ArrayLike, *, flame_length_m: ArrayLike, slope_deg: float = 0.0) -> NDArray[np.float64]:
    """Largest radiant heat on a house from a flame front, in kW/m2.

    - `distance_m`: from the house to the edge of the vegetation that burns, 0 or more; broadcast with the flame length.
    - `slope_deg`: degrees by which the land falls away from the house under the vegetation, 0 to 20. Flat and rising
      land are 0.

    Where the flames can lean over the house it is that of the flame itself. Raises InputError when a value is negative
    or not finite, or the slope lies outside 0 to 20 degrees.

    AS 3959:2009 Appendix B (from memory): flame 1090 K, emissivity 0.95, front 100 m wide, air 308 K and 25 %, tilt
    chosen for the largest flux. Printed distances stop at 100 m.

    Examples
    --------
    >>> radiant_heat([19.0, 35.0, 48.0], flame_length_m=23.7).round(1)
    array([40.5, 19.3, 12.4])
    """
    if not 0.0 <= slope_deg <= _STEEPEST_DEG:
        raise refused("slope_deg", "slope_beyond_method", slope_deg=slope_deg)
    d, Lf = np.broadcast_arrays(
        _numbers("distance_m", distance_m, low=0.0), _numbers("flame_length_m", flame_length_m, low=0.0)
    )
    alpha = np.radians(_TILTS_DEG)
    over = (d <= 0.5 * Lf) & (Lf > 0)
    # Where flames reach the house the geometry has no answer; a far distance keeps the arithmetic finite there.
    reach = np.where(over, 0.5 * Lf + 1.0, np.maximum(d, 1e-9))[..., np.newaxis]
    length = Lf[..., np.newaxis]
    phi = _view_factor_as_3959(reach, length, parameters.FLAME_FRONT_WIDTH_M.value, np.radians(slope_deg), alpha)
    through = transmissivity(reach - 0.5 * length * np.cos(alpha))
    flame_kw_m2 = (
        parameters.FLAME_EMISSIVITY.value * _STEFAN_BOLTZMANN_KW_M2_K4 * parameters.FLAME_TEMPERATURE_K.value**4
    )
    heat: NDArray[np.float64] = np.where(over, flame_kw_m2, flame_kw_m2 * np.max(through * phi, axis=-1))
    return heat


def exposure_class(heat_kw_m2: float) -> str:
    """Name the construction class that AS 3959 has for a radiant heat: BAL-12.5, -19, -29, -40, BAL-FZ above 40 kW/m2.

    A flux below 12.5 is named BAL-12.5 too: the class below it depends on the distance to all vegetation, which is for
    a licensed practitioner to say.

    Examples
    --------
    >>> exposure_class(12.5), exposure_class(12.6), exposure_class(41.0)
    ('BAL-12.5', 'BAL-19', 'BAL-FZ')
    """
    (heat,) = np.atleast_1d(_numbers("heat_kw_m2", heat_kw_m2, low=0.0))
    return EXPOSURE_CLASSES[int(np.searchsorted(EXPOSURE_EDGES_KW_M2, heat, side="left"))]


def time_to_pain(heat_kw_m2: float) -> float:
    """Seconds until bare skin in a steady radiant heat, more than 0, has taken the lowest dose that hurts.

    Below about 2.5 kW/m2 it runs early, since skin cools as it heats. Raises InputError when the heat is not above 0.

    Examples
    --------
    >>> round(time_to_pain(10.0), 2)
    3.99
    """
    if not (np.isfinite(heat_kw_m2) and heat_kw_m2 > 0):
        raise refused("heat_kw_m2", "no_heat", heat_kw_m2=heat_kw_m2)
    return float(PAIN_DOSE / heat_kw_m2 ** (4.0 / 3.0))


def _numbers(name: str, values: ArrayLike, *, low: float) -> NDArray[np.float64]:
    numbers = np.asarray(values, dtype=np.float64)
    if not bool(np.all(np.isfinite(numbers) & (numbers >= low))):
        raise refuse(name, "holds a value that is negative or not finite", expected="0 or more", mend="correct it")
    return numbers
