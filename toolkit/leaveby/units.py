"""Conversions between the units at the door and SI inside, and how people read distances, speeds, heat and sizes.

Exact by definition: 1 km/h = 1000 m / 3600 s; 1 min = 60 s; 1 mile = 1609.344 m, 1 yard = 0.9144 m, 1 foot = 0.3048 m,
1 pound = 0.45359237 kg (international yard and pound agreement, 1959). Words of a quantity are made here alone, in the
units that a `Measures` names. A record's numbers stay SI or metric, with the unit in the key.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:  # asking for help must load no library
    import numpy as np
    from numpy.typing import NDArray

Number = TypeVar("Number", float, "NDArray[np.float64]")

SECONDS_PER_MINUTE = 60.0
SECONDS_PER_HOUR = 3600.0
METRES_PER_KM = 1000.0
METRES_PER_MILE = 1609.344
METRES_PER_YARD = 0.9144
METRES_PER_FOOT = 0.3048
KG_PER_POUND = 0.45359237
KM_H_PER_MPH = METRES_PER_MILE / METRES_PER_KM
M2_PER_ACRE = 43_560.0 * METRES_PER_FOOT**2
KW_PER_HORSEPOWER = 550.0 * METRES_PER_FOOT * KG_PER_POUND * 9.80665 / 1000.0
"""550 foot-pounds a second, under standard gravity."""
METRES_PER_DEGREE = 111_195.0
"""Of latitude, on the mean sphere."""

_SLACK: Final = 1e-6
"""Absorbs the last bits of a float before a distance or speed is rounded up, far below what anybody measures."""


@dataclass(frozen=True)
class Measures:
    """The units in which people read a distance, a speed, a temperature, a size and an area where they live.

    - `far`, `far_m`: of long distances, by name and length; speeds are so many of them an hour, `fast`.
    - `near`, `near_m`, `near_most`: of short distances, and up to how many of them one counts.
    - `near_step`: to how many of them a short distance is rounded outwards.
    - `imperial`: sizes in feet and inches, areas in acres; `fahrenheit`, `pounds`: temperatures, and weights so.
    """

    name: str
    far: str = "km"
    far_m: float = METRES_PER_KM
    near: str = "m"
    near_m: float = 1.0
    near_most: float = 1000.0
    near_step: float = 50.0
    fast: str = "km/h"
    imperial: bool = False
    fahrenheit: bool = False
    pounds: bool = False


METRIC: Final = Measures("metric")
MILES_AND_YARDS: Final = Measures(
    "miles and yards", "miles", METRES_PER_MILE, "yards", METRES_PER_YARD, 440.0, 50.0, "mph", imperial=True
)
MILES_AND_FEET: Final = Measures(
    "miles and feet",
    "miles",
    METRES_PER_MILE,
    "feet",
    METRES_PER_FOOT,
    1000.0,
    100.0,
    "mph",
    imperial=True,
    fahrenheit=True,
    pounds=True,
)
SYSTEMS: Final = {one.name: one for one in (METRIC, MILES_AND_YARDS, MILES_AND_FEET)}
"""Systems of units by name; `leaveby.regions.measures_of` says which holds where."""


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


def distance_words(length_m: float, measures: Measures) -> str:
    """A distance, to the nearest ten metres (feet, yards), or tenth of a kilometre (mile).

    >>> distance_words(143.0, METRIC), distance_words(12345.0, METRIC)
    ('140 m', '12.3 km')
    >>> distance_words(143.0, MILES_AND_FEET), distance_words(12345.0, MILES_AND_FEET)
    ('470 feet', '7.7 miles')
    """
    near = length_m / measures.near_m
    if near < measures.near_most - 5.0:
        return f"{max(10, round(near / 10.0) * 10)} {measures.near}"
    return far_words(length_m, measures)


def far_words(length_m: float, measures: Measures) -> str:
    """A distance to the nearest tenth of a kilometre (mile), however short.

    >>> far_words(12345.0, METRIC), far_words(300.0, METRIC), far_words(300.0, MILES_AND_FEET)
    ('12.3 km', '0.3 km', '0.2 miles')
    """
    return _far(f"{length_m / measures.far_m:.1f}", measures)


def rounded_words(length_m: float, measures: Measures) -> str:
    """A length as a person would say it: to 10 m, from 100 m on to 50 m, then to tenths and from 10 on to kilometres.

    >>> [rounded_words(length_m, METRIC) for length_m in (3.0, 84.0, 853.0, 1270.0, 45_638.0)]
    ['10 m', '80 m', '850 m', '1.3 km', '46 km']
    >>> [rounded_words(length_m, MILES_AND_FEET) for length_m in (3.0, 84.0, 853.0, 45_638.0)]
    ['10 feet', '300 feet', '0.5 miles', '28 miles']
    """
    near, far = length_m / measures.near_m, length_m / measures.far_m
    step = 10.0 if near < 97.5 else 50.0
    if near < measures.near_most - 25.0:
        return f"{max(10.0, round(near / step) * step):.0f} {measures.near}"
    return _far(f"{far:.{0 if far >= 9.95 else 1}f}", measures).replace(".0 km", " km")


def outward_words(length_m: float, measures: Measures) -> str:
    """A distance rounded up: a fire a little farther out already counts.

    >>> outward_words(1501.0, METRIC), outward_words(801.0, METRIC), outward_words(1501.0, MILES_AND_FEET)
    ('1.6 km', '850 m', '1 mile')
    """
    near = length_m / measures.near_m
    if near < measures.near_most:
        return f"{int(math.ceil(near / measures.near_step - 1e-9) * measures.near_step)} {measures.near}"
    return farther_words(length_m, measures)


def reach_words(length_m: float, measures: Measures) -> str:
    """How far a line lies at its farthest: in miles rounded up; in kilometres to the nearest tenth.

    >>> reach_words(3009.0, METRIC), reach_words(3009.0, MILES_AND_FEET)
    ('3.0 km', '1.9 miles')
    """
    return outward_words(length_m, measures) if measures.imperial else distance_words(length_m, measures)


def farther_words(length_m: float, measures: Measures) -> str:
    """A distance in kilometres (miles) rounded up to a tenth, however short.

    >>> farther_words(30.0, METRIC), farther_words(30.0, MILES_AND_FEET)
    ('0.1 km', '0.1 miles')
    """
    return _far(f"{math.ceil(length_m / measures.far_m * 10.0 - 1e-9) / 10.0:.1f}", measures)


def nearer_words(length_m: float, measures: Measures) -> str:
    """How far off a fire is, rounded down to a hundred metres (tenth of a mile): nearer, not farther.

    >>> nearer_words(1290.0, METRIC), nearer_words(30.0, METRIC), nearer_words(1290.0, MILES_AND_FEET)
    ('1.2 km', 'less than 100 m', '0.8 miles')
    """
    tenths = math.floor(length_m / measures.far_m * 10.0)
    if tenths < 1:
        return f"less than {'0.1 miles' if measures.imperial else '100 m'}"
    return _far(f"{tenths / 10.0:.1f}", measures) if measures.imperial else distance_words(tenths * 100.0, measures)


def about_words(length_m: float, measures: Measures) -> str:
    """A distance as word of a fire gives it.

    >>> about_words(4400.0, METRIC), about_words(400.0, METRIC), about_words(4400.0, MILES_AND_FEET)
    ('about 4 km', 'under 1 km', 'about 3 miles')
    """
    far = length_m / measures.far_m
    return f"about {_far(f'{far:.0f}', measures)}" if far >= 1.0 else f"under {_far('1', measures)}"


def legend_words(measures: Measures) -> str:
    """Say in which units distances and durations stand on a map.

    >>> legend_words(MILES_AND_FEET)
    'Distances are in feet and miles, durations in minutes (min).'
    """
    units = f"{measures.near} and {measures.far}" if measures.imperial else "metres (m) and kilometres (km)"
    return f"Distances are in {units}, durations in minutes (min)."


def broad_words(length_m: float, measures: Measures, *, whole: bool = False) -> str:
    """A distance rounded up to kilometres or half (whole) miles, in letters that fit the sheet: to be learnt by heart.

    >>> broad_words(3001.0, METRIC), broad_words(3001.0, MILES_AND_FEET), broad_words(3400.0, MILES_AND_FEET)
    ('4 km', '2 mi', '2.5 mi')
    >>> broad_words(3400.0, MILES_AND_FEET, whole=True)
    '3 mi'
    """
    step, unit = (0.5, "mi") if measures.imperial else (1.0, measures.far)
    step = 1.0 if whole else step
    return f"{math.ceil(length_m / measures.far_m / step - 1e-9) * step:g} {unit}"


def given_words(length_m: float, measures: Measures) -> str:
    """A distance that somebody set, as it was set where it is round; a short one in whole feet (yards) rounded up.

    >>> [given_words(length_m, METRIC) for length_m in (25_000.0, 1500.0, 100.0)]
    ['25 km', '1.5 km', '100 m']
    >>> [given_words(length_m, MILES_AND_FEET) for length_m in (24_140.16, 25_000.0, 100.0)]
    ['15 miles', '15.5 miles', '329 feet']
    """
    near, far = length_m / measures.near_m, length_m / measures.far_m
    if near < measures.near_most:
        return f"{math.ceil(near - _SLACK) if measures.imperial else near:g} {measures.near}"
    return _far(f"{float(f'{far:.3g}') if measures.imperial else far:g}", measures)


def speed_words(speed_m_s: float, measures: Measures, form: str = "g") -> str:
    """A speed in the form given; in miles an hour a form with decimals is rounded up: a faster fire or wind.

    >>> speed_words(12.0 / 3.6, METRIC), speed_words(12.0 / 3.6, METRIC, ".1f")
    ('12 km/h', '12.0 km/h')
    >>> speed_words(12.0 / 3.6, MILES_AND_FEET), speed_words(12.0 / 3.6, MILES_AND_FEET, ".0f")
    ('7.46 mph', '8 mph')
    """
    speed = speed_m_s * SECONDS_PER_HOUR / measures.far_m
    if not measures.imperial:
        return f"{speed:{form}} {measures.fast}"
    if form.endswith("f"):
        tenth = 10.0 ** -int(form[1:-1])
        return f"{math.ceil(speed / tenth - _SLACK) * tenth:{form}} {measures.fast}"
    return f"{float(f'{speed:.3g}'):g} {measures.fast}"


def temperature_words(temperature_c: float, measures: Measures) -> str:
    """A temperature in whole degrees.

    >>> temperature_words(40.0, METRIC), temperature_words(40.0, MILES_AND_FEET)
    ('40 °C', '104 °F')
    """
    if not measures.fahrenheit:
        return f"{temperature_c:.0f} °C"
    return f"{math.ceil(temperature_c * 1.8 + 32.0 - _SLACK)} °F"


def size_words(length_m: float, measures: Measures) -> str:
    """The size of a vehicle or a gap, to the nearest inch where there are feet.

    >>> size_words(4.1148, METRIC), size_words(4.1148, MILES_AND_FEET), size_words(3.048, MILES_AND_FEET)
    ('4.1148 m', '13 ft 6 in', '10 ft')
    """
    if not measures.imperial:
        return f"{length_m:g} m"
    feet, inches = divmod(round(length_m / METRES_PER_FOOT * 12.0), 12)
    return f"{feet} ft {inches} in" if inches else f"{feet} ft"


def area_words(area_m2: float, measures: Measures) -> str:
    """An area to two digits.

    >>> area_words(4_321_000.0, METRIC), area_words(4_321_000.0, MILES_AND_FEET), area_words(10.0, METRIC)
    ('430 hectares', '1 100 acres', 'less than a hectare')
    """
    unit, one, unit_m2 = ("acres", "an acre", M2_PER_ACRE) if measures.imperial else ("hectares", "a hectare", 1e4)
    area = area_m2 / unit_m2
    if area < 1.0:
        return f"less than {one}"
    digits = max(0, math.floor(math.log10(area)) - 1)
    return f"{round(area / 10**digits) * 10**digits:,d} {unit}".replace(",", " ")


def mass_words(mass_kg: float, measures: Measures) -> str:
    """The mass of a vehicle.

    >>> mass_words(5800.0, METRIC), mass_words(5800.0, MILES_AND_FEET)
    ('5.8 t', '12 790 pounds')
    """
    if not measures.pounds:
        return f"{mass_kg / 1000.0:g} t"
    return f"{math.ceil(mass_kg / KG_PER_POUND / 10.0 - _SLACK) * 10:,d} pounds".replace(",", " ")


_NUMBER: Final = r"-?\d[\d,]*(?:\.\d+)?"
_METRIC: Final = re.compile(
    rf"(?<![\w.])(?:({_NUMBER})( to |-))?({_NUMBER}) (km/h|km|m|t|°C|degrees C)(?![\w/.]\w|[\w/])"
)


def local_words(sentence: str, measures: Measures) -> str:
    """A sentence about what was computed with: the local unit stands before each metric quantity, which stays.

    Assumptions, reasons and limits of equations are told in the units in which they hold, of whatever room they come.

    >>> local_words("Fire shuts a road 10 minutes before it comes within 100 m of it.", MILES_AND_FEET)
    'Fire shuts a road 10 minutes before it comes within 328 feet (100 m) of it.'
    >>> local_words("outside 0 to 30 km/h", MILES_AND_FEET), local_words("outside 0 to 30 km/h", METRIC)
    ('outside 0 to 18.6 mph (0 to 30 km/h)', 'outside 0 to 30 km/h')
    """
    return sentence if measures == METRIC else _METRIC.sub(lambda found: _beside(found, measures), sentence)


def _beside(found: re.Match[str], measures: Measures) -> str:
    low, to, high, unit = found.groups()
    values = [float(text.replace(",", "")) for text in (low, high) if text is not None]
    if (unit in ("°C", "degrees C") and not measures.fahrenheit) or (unit == "t" and not measures.pounds):
        return found[0]
    if unit in ("°C", "degrees C"):
        told = [f"{value * 1.8 + 32.0:.0f}" for value in values], "°F"
    elif unit == "t":
        told = [f"{value * 1000.0 / KG_PER_POUND:.3g}" for value in values], "pounds"
    elif unit == "km/h":
        told = [f"{value / KM_H_PER_MPH:.3g}" for value in values], measures.fast
    elif unit == "m" and max(values) < 10.0:
        return f"{size_words(values[-1], measures)} ({found[0]})" if low is None else found[0]
    else:
        length_m = [value * (METRES_PER_KM if unit == "km" else 1.0) for value in values]
        far = max(length_m) / measures.near_m >= measures.near_most
        of, name = (measures.far_m, measures.far) if far else (measures.near_m, measures.near)
        told = [f"{value / of:.3g}" for value in length_m], name
    numbers = [f"{float(text):g}" for text in told[0]]
    return f"{(to or '').join(numbers)} {told[1]} ({found[0]})"


def _far(number: str, measures: Measures) -> str:
    if not measures.imperial:
        return f"{number} {measures.far}"
    number = number.removesuffix(".0")
    return f"{number} {measures.far.removesuffix('s') if number == '1' else measures.far}"
