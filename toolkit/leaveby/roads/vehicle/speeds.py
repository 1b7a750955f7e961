"""How fast one drives where: posted limits as mapped, usual speeds, surfaces, towing limits, smoke."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import InputError, refuse
from leaveby.parameters import (
    DECELERATION_M_S2,
    REACTION_TIME_S,
    TOW_LIMIT_CALIFORNIA_KM_H,
    TOW_LIMIT_GREAT_BRITAIN_MPH,
    TOW_LIMIT_NEW_ZEALAND_KM_H,
    TOW_LIMIT_NSW_HEAVY_KM_H,
    TOW_LIMIT_NSW_HEAVY_MASS_KG,
    TOW_LIMIT_WA_KM_H,
    WALKING_PACE_KM_H,
)
from leaveby.roads.network.graph import SEPARATOR
from leaveby.roads.vehicle.pull import GRAVITY_M_S2
from leaveby.units import m_s_from_km_h

KM_H_PER_MPH: Final = 1.609344
"""Exact: international mile."""
KM_H_PER_KNOT: Final = 1.852
"""Exact: nautical mile."""

ZONE_KM_H: Final[dict[str, dict[str, float]]] = {
    "AU": {"urban": 50.0, "rural": 100.0, "motorway": 100.0, "school": 40.0, "living_street": 10.0},
    "NZ": {"urban": 50.0, "rural": 100.0, "motorway": 100.0, "school": 40.0, "living_street": 10.0},
    "GB": {"urban": 48.28032, "nsl_single": 96.56064, "nsl_dual": 112.65408, "motorway": 112.65408, "rural": 96.56064},
    "US": {"urban": 40.2336, "rural": 88.51392, "motorway": 88.51392, "living_street": 24.14016},
    "CA": {"urban": 50.0, "rural": 80.0, "motorway": 100.0},
    "ZA": {"urban": 60.0, "rural": 100.0, "motorway": 120.0},
    "DE": {"urban": 50.0, "rural": 100.0, "motorway": 130.0, "living_street": 5.0, "bicycle_road": 30.0},
    "FR": {"urban": 50.0, "rural": 80.0, "motorway": 130.0, "living_street": 20.0},
    "ES": {"urban": 30.0, "rural": 90.0, "motorway": 120.0, "living_street": 20.0, "trunk": 90.0},
    "PT": {"urban": 50.0, "rural": 90.0, "motorway": 120.0, "living_street": 20.0},
    "IT": {"urban": 50.0, "rural": 90.0, "motorway": 130.0, "trunk": 110.0},
    "GR": {"urban": 50.0, "rural": 90.0, "motorway": 130.0, "living_street": 20.0},
    "AD": {"urban": 50.0, "rural": 60.0, "living_street": 20.0},
    "AT": {"urban": 50.0, "rural": 100.0, "motorway": 130.0, "living_street": 5.0},
    "CH": {"urban": 50.0, "rural": 80.0, "motorway": 120.0, "living_street": 20.0},
}
"""Legal limits where none is posted, by country and zone, km/h.

From memory of the countries' road rules; where states differ the lowest of them.
"""

USUAL_KM_H: Final[dict[str, float]] = {
    "motorway": 100.0,
    "motorway_link": 50.0,
    "trunk": 80.0,
    "trunk_link": 40.0,
    "primary": 65.0,
    "primary_link": 35.0,
    "secondary": 55.0,
    "secondary_link": 30.0,
    "tertiary": 50.0,
    "tertiary_link": 30.0,
    "unclassified": 40.0,
    "residential": 30.0,
    "living_street": 10.0,
    "road": 30.0,
    "busway": 30.0,
    "service": 15.0,
    "track": 15.0,
}
"""Usual speed by class where no limit is posted, km/h. Judgement, on the slow side of common free-flow tables."""

OTHER_CLASS_KM_H: Final = 10.0
"""Usual speed on any class that is not in the table. Judgement."""

SERVICE_KM_H: Final[dict[str, float]] = {"driveway": 10.0, "parking_aisle": 10.0, "alley": 10.0, "drive-through": 5.0}
"""Usual speed by kind of service road, km/h. Judgement."""

TRACK_GRADE_KM_H: Final[dict[str, float]] = {
    "grade1": 30.0,
    "grade2": 25.0,
    "grade3": 18.0,
    "grade4": 12.0,
    "grade5": 8.0,
}
"""Speed by track type, km/h. Judgement."""

SURFACE_KM_H: Final[dict[str, float]] = {
    **dict.fromkeys(("asphalt", "paved", "concrete", "chipseal", "sealed", "tarmac", "bitumen"), float("inf")),
    "concrete:plates": 70.0,
    "concrete:lanes": 40.0,
    "paving_stones": 40.0,
    "paving_stones:lanes": 30.0,
    "bricks": 40.0,
    "sett": 35.0,
    "cobblestone": 25.0,
    "unhewn_cobblestone": 20.0,
    "metal": 30.0,
    "metal_grid": 30.0,
    "wood": 20.0,
    "rubber": 30.0,
    "compacted": 60.0,
    "fine_gravel": 50.0,
    "unpaved": 40.0,
    "gravel": 40.0,
    "pebblestone": 30.0,
    "shells": 30.0,
    "dirt": 25.0,
    "earth": 25.0,
    "ground": 25.0,
    "soil": 25.0,
    "clay": 20.0,
    "grass_paver": 20.0,
    "woodchips": 15.0,
    "grass": 15.0,
    "sand": 12.0,
    "mud": 8.0,
    "rock": 8.0,
    "stone": 8.0,
    "snow": 15.0,
    "ice": 10.0,
}
"""Highest speed by surface, km/h. Judgement."""

UNKNOWN_SURFACE_KM_H: Final = 20.0
SMOOTHNESS_KM_H: Final[dict[str, float]] = {
    "excellent": float("inf"),
    "good": float("inf"),
    "intermediate": 60.0,
    "bad": 30.0,
    "very_bad": 15.0,
    "horrible": 8.0,
    "very_horrible": 5.0,
}
"""Highest speed by smoothness, km/h. Judgement."""

LOOSE: Final = frozenset(
    {
        "compacted",
        "fine_gravel",
        "unpaved",
        "gravel",
        "pebblestone",
        "shells",
        "dirt",
        "earth",
        "ground",
        "soil",
        "clay",
    }
)
SOFT: Final = frozenset({"grass", "sand", "mud", "woodchips", "snow", "grass_paver"})

TOW_ON_LOOSE: Final = 0.7
"""A trailer on a surface that is not sealed runs at this share of the speed of a car. Judgement."""

_NUMBER = re.compile(r"^(\d+(?:[.,]\d+)?)\s*(km/h|kmh|kph|kmph|mph|knots)?$")
_ZONE = re.compile(r"^([A-Za-z]{2})(?:-[A-Za-z]{2,3})?:(?:zone:?)?([a-z_]+|\d+)$", re.IGNORECASE)


def posted_speed_m_s(text: str, *, place: str = "maxspeed") -> float | None:
    """Posted speed from a `maxspeed` tag.

    Parameters
    ----------
    text : str
        As tagged: `50`, `40 mph`, `walk`, `none`, `AU:urban`, `50;30` (the lowest counts), ...
    place : str
        Where it stands, for the error.

    Returns
    -------
    float or None
        m/s; inf for `none` (no limit); None where nothing is posted (empty, or signs that change).

    Raises
    ------
    InputError
        For 0, a negative or an unknown value.

    Examples
    --------
    >>> round(posted_speed_m_s("40 mph"), 3), posted_speed_m_s("36;72"), posted_speed_m_s("none")
    (17.882, 10.0, inf)
    >>> posted_speed_m_s("fast", place="way 7")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: way 7: the posted speed 'fast' is not understood. Expected ...
    """
    known = [value for part in re.split(r"[;|]", text) if (value := _one_speed(part.strip(), place=place)) is not None]
    return min(known) if known else None


def _one_speed(text: str, *, place: str) -> float | None:
    word = text.lower()
    if word in {"", "signals", "variable", "unposted", "implicit", "sign", "national", "default", "unknown"}:
        return None
    if word in {"none", "unlimited", "no"}:
        return float("inf")
    if word in {"walk", "walking", "foot"}:
        return m_s_from_km_h(WALKING_PACE_KM_H.value)
    number = _NUMBER.match(word)
    if number:
        value = float(number.group(1).replace(",", "."))
        if value <= 0.0:
            raise refuse(
                place,
                f"the posted speed is {text!r}",
                expected="a speed above 0",
                mend="check the sign; a road that is closed should be tagged access=no",
            )
        unit = number.group(2) or "km/h"
        return m_s_from_km_h(value * {"mph": KM_H_PER_MPH, "knots": KM_H_PER_KNOT}.get(unit, 1.0))
    zone = _ZONE.match(text)
    if zone:
        country, kind = zone.group(1).upper(), zone.group(2).lower()
        if kind.isdigit() and int(kind) > 0:
            return m_s_from_km_h(float(kind) * (KM_H_PER_MPH if country in {"GB", "US"} else 1.0))
        if kind.startswith("zone") and kind[4:].isdigit() and int(kind[4:]) > 0:
            return m_s_from_km_h(float(kind[4:]))
        if kind == "walk":
            return m_s_from_km_h(WALKING_PACE_KM_H.value)
        if kind in ZONE_KM_H.get(country, {}):
            return m_s_from_km_h(ZONE_KM_H[country][kind])
    raise refuse(
        place,
        f"the posted speed {text!r} is not understood",
        expected="a number with km/h, mph or knots, walk, none, or a zone such as AU:urban",
        mend="correct the maxspeed tag of this way",
    )


def usual_speed_m_s(highway: str, *, service: str = "", tracktype: str = "", region: str = "AU") -> float:
    """Usual speed where none is posted, by class and, on tracks, by track type; never above the region's legal limit.

    Values of merged ways are joined by '|': the slowest counts.

    Examples
    --------
    >>> usual_speed_m_s("residential"), usual_speed_m_s("track|primary", tracktype="grade2|")  # 30 and 15 km/h
    (8.333333333333334, 4.166666666666667)
    """
    speeds = [_usual_km_h(kind, service=service, tracktype=tracktype) for kind in highway.split(SEPARATOR)]
    country = region.upper()[:2]
    legal = ZONE_KM_H.get(country, {})
    ceiling = (
        legal.get("motorway", legal.get("rural", float("inf")))
        if "motorway" in highway
        else legal.get("rural", float("inf"))
    )
    return m_s_from_km_h(min([*speeds, ceiling]))


def _usual_km_h(kind: str, *, service: str, tracktype: str) -> float:
    if kind == "service" and service:
        return min(SERVICE_KM_H.get(value, USUAL_KM_H["service"]) for value in service.split(SEPARATOR))
    if kind == "track" and tracktype:
        return min(TRACK_GRADE_KM_H.get(value, USUAL_KM_H["track"]) for value in tracktype.split(SEPARATOR))
    return USUAL_KM_H.get(kind, OTHER_CLASS_KM_H)


def surface_speed_m_s(surface: str, *, smoothness: str = "", tracktype: str = "", towing: bool = False) -> float:
    """Highest speed that the surface allows; inf where it is sealed or nothing is said of it.

    Examples
    --------
    >>> round(surface_speed_m_s("gravel") * 3.6, 1), round(surface_speed_m_s("gravel", towing=True) * 3.6, 1)
    (40.0, 28.0)
    """
    limits = [float("inf")]
    for value in re.split(r"[;|]", surface):
        if value.strip():
            limits.append(SURFACE_KM_H.get(value.strip(), UNKNOWN_SURFACE_KM_H))
    limits += [SMOOTHNESS_KM_H.get(value, UNKNOWN_SURFACE_KM_H) for value in smoothness.split(SEPARATOR) if value]
    limits += [TRACK_GRADE_KM_H.get(value, 15.0) for value in tracktype.split(SEPARATOR) if value not in ("", "grade1")]
    slowest = min(limits)
    return m_s_from_km_h(slowest * TOW_ON_LOOSE if towing and slowest <= SURFACE_KM_H["compacted"] else slowest)


def rolling_resistance(surface: str, *, tracktype: str = "") -> float:
    """Rolling resistance coefficient by surface: 0.015 sealed, 0.03 loose, 0.08 soft (common practice, no source).

    Examples
    --------
    >>> rolling_resistance("asphalt"), rolling_resistance("gravel"), rolling_resistance("sand|asphalt")
    (0.015, 0.03, 0.08)
    """
    values = {value.strip() for value in re.split(r"[;|]", surface)} - {""}
    grades = set(tracktype.split(SEPARATOR)) - {""}
    if values & SOFT or grades & {"grade4", "grade5"}:
        return 0.08
    if values & LOOSE or grades & {"grade2", "grade3"}:
        return 0.03
    return 0.015


def towing_limit_m_s(region: str, *, combined_mass_kg: float) -> float:
    """Published speed limit for towing in a state or country; inf where only the posted limit counts or none is known.

    Parameters
    ----------
    region : str
        Country, or country and state: `AU-WA`, `AU-NSW`, `NZ`, `GB`, `US-CA`.
    combined_mass_kg : float
        Mass of tow vehicle and trailer.

    Examples
    --------
    >>> round(towing_limit_m_s("AU-WA", combined_mass_kg=3000.0) * 3.6)
    100
    >>> towing_limit_m_s("AU-NSW", combined_mass_kg=3000.0)
    inf
    """
    state = region.upper()
    if state == "AU-WA":
        return m_s_from_km_h(TOW_LIMIT_WA_KM_H.value)
    if state == "AU-NSW" and combined_mass_kg > TOW_LIMIT_NSW_HEAVY_MASS_KG.value:
        return m_s_from_km_h(TOW_LIMIT_NSW_HEAVY_KM_H.value)
    if state.startswith("NZ"):
        return m_s_from_km_h(TOW_LIMIT_NEW_ZEALAND_KM_H.value)
    if state.startswith("GB"):
        return m_s_from_km_h(TOW_LIMIT_GREAT_BRITAIN_MPH.value * KM_H_PER_MPH)
    if state == "US-CA":
        return m_s_from_km_h(TOW_LIMIT_CALIFORNIA_KM_H.value)
    return float("inf")


def sight_speed_m_s(
    visibility_m: NDArray[np.float64] | float, *, grade: NDArray[np.float64] | float = 0.0
) -> NDArray[np.float64]:
    """Highest speed from which one can stop within the distance one sees: the stopping sight distance solved for speed.

    Parameters
    ----------
    visibility_m : float or NDArray[np.float64]
        Distance seen, 0 or more; inf for clear air.
    grade : float or NDArray[np.float64]
        Rise over run in the direction of travel; downhill lengthens the way to stop.

    Examples
    --------
    >>> (sight_speed_m_s(np.array([0.0, 20.0, 100.0, np.inf])) * 3.6).round(1).tolist()
    [0.0, 21.4, 68.1, inf]
    """
    seen = np.asarray(visibility_m, dtype=np.float64)
    if np.isnan(seen).any() or (seen < 0.0).any():
        raise refuse("visibility_m", "it is missing or negative", expected="metres, 0 or more", mend="correct it")
    a = np.maximum(DECELERATION_M_S2.value + GRAVITY_M_S2 * np.asarray(grade, dtype=np.float64), 0.2)
    t = REACTION_TIME_S.value
    return np.asarray(-a * t + np.sqrt((a * t) ** 2 + 2.0 * a * seen), dtype=np.float64)


def reads(text: str) -> bool:
    """Whether a `maxspeed` tag is understood.

    Examples
    --------
    >>> reads("50"), reads("fast")
    (True, False)
    """
    try:
        posted_speed_m_s(text)
    except InputError:
        return False
    return True
