"""How fast one drives where: posted limits as mapped, usual speeds, surfaces, towing limits."""

from __future__ import annotations

import re
from typing import Final

from leaveby import parameters
from leaveby.errors import InputError, refused
from leaveby.regions import country_of, measures_of, table
from leaveby.roads.network.graph import SEPARATOR
from leaveby.units import KM_H_PER_MPH, m_s_from_km_h

KM_H_PER_KNOT: Final = 1.852
"""Exact: nautical mile."""

_TABLES: Final = table("roads/vehicle/speeds")
"""What each table holds, its source and mark stand in `speeds.toml` beside this."""
ZONE_KM_H: Final[dict[str, dict[str, float]]] = _TABLES["zone"]["km_h"]
USUAL_KM_H: Final[dict[str, float]] = _TABLES["usual"]["km_h"]
SERVICE_KM_H: Final[dict[str, float]] = _TABLES["service"]["km_h"]
TRACK_GRADE_KM_H: Final[dict[str, float]] = _TABLES["track"]["km_h"]
SURFACE_KM_H: Final[dict[str, float]] = _TABLES["surface"]["km_h"]
SMOOTHNESS_KM_H: Final[dict[str, float]] = _TABLES["smoothness"]["km_h"]
_NUMBER = re.compile(r"^(\d+(?:[.,]\d+)?)\s*(km/h|kmh|kph|kmph|mph|knots)?$")
_ZONE = re.compile(r"^([A-Za-z]{2})(?:-[A-Za-z]{2,3})?:(?:zone:?)?([a-z_]+|\d+)$", re.IGNORECASE)


def posted_speed_m_s(text: str, *, place: str = "maxspeed") -> float | None:
    """Posted speed from a `maxspeed` tag.

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
        return m_s_from_km_h(parameters.WALKING_PACE_KM_H.value)
    number = _NUMBER.match(word)
    if number:
        value = float(number.group(1).replace(",", "."))
        if value <= 0.0:
            raise refused(place, "posted_speed_of_nothing", text=text)
        unit = number.group(2) or "km/h"
        return m_s_from_km_h(value * {"mph": KM_H_PER_MPH, "knots": KM_H_PER_KNOT}.get(unit, 1.0))
    zone = _ZONE.match(text)
    if zone:
        country, kind = zone.group(1).upper(), zone.group(2).lower()
        if kind.isdigit() and int(kind) > 0:
            return m_s_from_km_h(float(kind) * (KM_H_PER_MPH if measures_of(country).imperial else 1.0))
        if kind.startswith("zone") and kind[4:].isdigit() and int(kind[4:]) > 0:
            return m_s_from_km_h(float(kind[4:]))
        if kind == "walk":
            return m_s_from_km_h(parameters.WALKING_PACE_KM_H.value)
        if kind in ZONE_KM_H.get(country, {}):
            return m_s_from_km_h(ZONE_KM_H[country][kind])
    raise refused(place, "posted_speed_not_understood", text=text)


def usual_speed_m_s(highway: str, *, service: str = "", tracktype: str = "", region: str = "AU") -> float:
    """Usual speed where none is posted, by class and, on tracks, by track type; never above the region's legal limit.

    Values of merged ways are joined by '|': the slowest counts.
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
    return USUAL_KM_H.get(kind, parameters.OTHER_CLASS_KM_H.value)


def surface_speed_m_s(surface: str, *, smoothness: str = "", tracktype: str = "", towing: bool = False) -> float:
    """Highest speed that the surface allows; inf where it is sealed or nothing is said of it."""
    limits = [float("inf")]
    for value in re.split(r"[;|]", surface):
        if value.strip():
            limits.append(SURFACE_KM_H.get(value.strip(), parameters.UNKNOWN_SURFACE_KM_H.value))
    limits += [
        SMOOTHNESS_KM_H.get(value, parameters.UNKNOWN_SURFACE_KM_H.value)
        for value in smoothness.split(SEPARATOR)
        if value
    ]
    limits += [TRACK_GRADE_KM_H.get(value, 15.0) for value in tracktype.split(SEPARATOR) if value not in ("", "grade1")]
    slowest = min(limits)
    return m_s_from_km_h(
        slowest * parameters.TOW_ON_LOOSE.value if towing and slowest <= SURFACE_KM_H["compacted"] else slowest
    )


def rolling_resistance(surface: str, *, tracktype: str = "") -> float:
    """Rolling resistance coefficient by surface: 0.015 sealed, 0.03 loose, 0.08 soft (common practice, no source)."""
    values = {value.strip() for value in re.split(r"[;|]", surface)} - {""}
    grades = set(tracktype.split(SEPARATOR)) - {""}
    if not values.isdisjoint(_TABLES["soft"]["values"]) or grades & {"grade4", "grade5"}:
        return 0.08
    if not values.isdisjoint(_TABLES["loose"]["values"]) or grades & {"grade2", "grade3"}:
        return 0.03
    return 0.015


def towing_limit_m_s(region: str, *, combined_mass_kg: float, motorway: bool = False) -> float:
    """Published speed limit for towing in a state or country (`AU-WA`, `GB`) with so heavy a combination.

    inf where only the posted limit counts or none is known.
    """
    for rule in _TABLES["towing"]:
        if rule["region"] in (region.upper(), country_of(region)) and combined_mass_kg > rule.get("above_kg", 0.0):
            unit, factor = ("km_h", 1.0) if "km_h" in rule else ("mph", KM_H_PER_MPH)
            return m_s_from_km_h(factor * float(rule.get(f"motorway_{unit}", rule[unit]) if motorway else rule[unit]))
    return float("inf")


def reads(text: str) -> bool:
    """Whether a `maxspeed` tag is understood."""
    try:
        posted_speed_m_s(text)
    except InputError:
        return False
    return True
