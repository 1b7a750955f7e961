"""What this vehicle may not or can't use: height, width, length, weight, access, trailers, gates, steps and mud."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from leaveby.errors import InputError, refused
from leaveby.parameters import HEIGHT_SLACK_M, LOW_HEIGHT_M, WIDTH_SLACK_M
from leaveby.regions import country_of, table
from leaveby.roads.network.graph import FOOT_CLASSES, MOTORWAYS, SEPARATOR
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.units import KG_PER_POUND, METRES_PER_FOOT

_TABLES: Final = table("roads/vehicle/restrictions")
"""What each table holds, its source and mark stand in `restrictions.toml` beside this."""
LEGAL_SIZES: Final[dict[str, dict[str, float]]] = {row["region"]: row for row in _TABLES["legal_size"]}
"""By country, or country and state: `height_m` and `width_m` that the road rules allow without a permit."""
OPEN_ACCESS, CLOSED_ACCESS, GATES, NO_HINDRANCE, TOO_ROUGH_TO_TOW = (
    frozenset[str](_TABLES[name]["values"])
    for name in ("open_access", "closed_access", "gates", "no_hindrance", "too_rough_to_tow")
)

_NO_LIMIT: Final = frozenset({"", "none", "unsigned", "no_sign", "no_indications", "unlimited", "no"})
_LENGTH = re.compile(r"^(\d+(?:[.,]\d+)?)\s*(m|metres|meters|cm|ft|feet)?$")
_FEET = re.compile(r"^(\d+)\s*(?:'|ft)\s*-?\s*(?:(\d+(?:\.\d+)?)\s*(?:\"|''|in)?)?$")
_WEIGHT = re.compile(r"^(\d+(?:[.,]\d+)?)\s*(t|tonnes?|kg|st|lbs?)?$")


def legal_size(region: str) -> tuple[float, float]:
    """Height and width that the road rules of a state, its country, or any country allow without a permit, m.

    >>> legal_size("AU-NSW"), legal_size("US-NV"), legal_size("US-OH"), legal_size("CL")
    ((4.3, 2.5), (4.2672, 2.5908), (4.1148, 2.5908), (4.0, 2.55))
    """
    country = LEGAL_SIZES.get(country_of(region), _TABLES["legal_size_elsewhere"])
    found = LEGAL_SIZES.get(region.upper(), country)
    return found["height_m"], found["width_m"]


def length_limit_m(text: str, *, place: str, region: str = "AU", height: bool = False) -> float:
    """A length from a tag such as `maxheight`; inf where there is no limit. Of several values the least counts.

    >>> length_limit_m("4.3", place="way 1"), round(length_limit_m("14'6\\"", place="way 1"), 2)
    (4.3, 4.42)
    >>> length_limit_m("default", place="way 1", region="AU", height=True)
    4.3
    """
    return min(
        _one_length(part.strip().lower(), place=place, region=region, height=height) for part in re.split(r"[;|]", text)
    )


def _one_length(word: str, *, place: str, region: str, height: bool) -> float:
    if word in _NO_LIMIT:
        return float("inf")
    if height and word == "default":
        return legal_size(region)[0]
    if height and word == "below_default":
        return LOW_HEIGHT_M.value
    if not height and word == "default":
        return float("inf")
    value = float("nan")
    plain, feet = _LENGTH.match(word), _FEET.match(word)
    if plain:
        unit = {"cm": 0.01, "ft": METRES_PER_FOOT, "feet": METRES_PER_FOOT}.get(plain.group(2) or "m", 1.0)
        value = float(plain.group(1).replace(",", ".")) * unit
    elif feet:
        value = (float(feet.group(1)) + float(feet.group(2) or 0.0) / 12.0) * METRES_PER_FOOT
    if value > 0.0:
        return value
    raise refused(place, "limit_not_understood", word=word)


def weight_limit_kg(text: str, *, place: str) -> float:
    """A weight from a tag such as `maxweight`; inf where there is no limit. Of several values the least counts."""
    least = float("inf")
    for part in re.split(r"[;|]", text):
        word = part.strip().lower()
        if word in _NO_LIMIT or word == "default":
            continue
        match = _WEIGHT.match(word)
        unit = {"kg": 1.0, "st": 2000.0 * KG_PER_POUND, "lb": KG_PER_POUND, "lbs": KG_PER_POUND}
        value = float(match.group(1).replace(",", ".")) * unit.get(match.group(2) or "t", 1000.0) if match else 0.0
        if value <= 0.0:
            raise refused(place, "weight_limit_not_understood", word=word)
        least = min(least, value)
    return least


def _values(text: str) -> list[str]:
    return [part.strip() for part in re.split(r"[;|]", text) if part.strip()]


def access_closed(tags: Mapping[str, str], *, mode: str) -> str:
    """The tag that closes a way to a mode (`access=private`), or '' where none does. The most particular tag rules."""
    keys = ("foot", "access") if mode == "foot" else ("motorcar", "motor_vehicle", "vehicle", "access")
    ruling = next((key for key in keys if tags.get(key)), None)
    if mode == "tow":
        for key in ("trailer", "caravan"):
            if any(value in CLOSED_ACCESS for value in _values(tags.get(key, ""))):
                return f"{key}={tags[key]}"
    if ruling is None:
        return ""
    values = _values(tags[ruling])
    return "" if values and all(value in OPEN_ACCESS for value in values) else f"{ruling}={tags[ruling]}"


def barrier_closed(barrier: str, *, mode: str) -> tuple[str, bool]:
    """The barrier that stops a mode, or '', and whether a key opens it.

    >>> barrier_closed("gate", mode="car"), barrier_closed("bollard", mode="car")
    (('gate', True), ('bollard', False))
    >>> barrier_closed("gate", mode="foot")
    ('', True)
    """
    if mode == "foot":
        return "", True
    stopping, opens = "", True
    for item in barrier.split(SEPARATOR):
        kind, _, said = item.partition("=")
        if kind in ("", *NO_HINDRANCE) and said not in CLOSED_ACCESS:
            continue
        if said in OPEN_ACCESS:
            continue
        if not stopping or opens:
            stopping = item
        opens = opens and (kind in GATES or kind in NO_HINDRANCE)
    return stopping, opens


def gate_count(barrier: str) -> int:
    """How many gates stand on an edge that take time to pass."""
    return sum(item.partition("=")[0] in GATES for item in barrier.split(SEPARATOR))


def why_closed(
    tags: Mapping[str, str],
    *,
    vehicle: RoadVehicle,
    opened: bool,
    foot_only: bool,
    region: str,
    place: str,
    doubts: list[str],
) -> str:
    """Why a vehicle can't use an edge, in a few words; '' where it can."""
    mode = vehicle.mode
    kinds = tags.get("highway", "").split(SEPARATOR)
    if mode == "foot":
        if any(kind in MOTORWAYS for kind in kinds):
            return "a motorway is closed to people on foot"
    else:
        if foot_only:
            return "one-way the other way"
        if tags.get("oneway", "") == "reversible":
            return "one-way in a direction that changes"
        walked = [kind for kind in kinds if kind in FOOT_CLASSES]
        said_open = any(
            tags.get(key) and all(value in OPEN_ACCESS for value in _values(tags[key]))
            for key in ("motorcar", "motor_vehicle")
        )
        if walked and ("steps" in walked or not said_open):
            return f"highway={walked[0]} is no road for vehicles"
    closed = access_closed(tags, mode=mode)
    if closed and not opened:
        return closed
    barrier, opens = barrier_closed(tags.get("barrier", ""), mode=mode)
    if barrier and not (opened and opens):
        return f"barrier {barrier}"
    if mode == "foot":
        return ""
    return _too_big(tags, vehicle=vehicle, region=region, place=place, doubts=doubts) or _too_rough(
        tags, vehicle=vehicle
    )


def _too_big(tags: Mapping[str, str], *, vehicle: RoadVehicle, region: str, place: str, doubts: list[str]) -> str:
    measures = (
        ("maxheight", vehicle.height_m, HEIGHT_SLACK_M.value, "low"),
        ("maxwidth", vehicle.width_m, WIDTH_SLACK_M.value, "narrow"),
        ("width", vehicle.width_m, WIDTH_SLACK_M.value, "narrow"),
        ("maxlength", vehicle.length_m, 0.0, "short"),
    )
    for tag, own_m, slack_m, word in measures:
        text = tags.get(tag, "")
        height = tag == "maxheight"
        if not text:
            legal_m = legal_size(region)[0]
            if height and own_m > legal_m:
                return f"no height is posted: only the legal {legal_m:g} m is taken to pass, and this is {own_m:g} m"
            continue
        try:
            limit_m = length_limit_m(text, place=place, region=region, height=height)
        except InputError:
            doubts.append(f"{place}: {tag}={text} can't be read; only cars are let through.")
            limit_m = LOW_HEIGHT_M.value if vehicle.mode == "car" or height else 0.0
            if vehicle.mode == "car" and not height:
                continue
        # the law measures the vehicle itself where the sign only repeats the legal height
        slack = 0.0 if text == "default" else slack_m
        if own_m + slack > limit_m:
            return f"{tag}={text} is too {word} for {own_m:g} m"
    text = tags.get("maxweight", "")
    if text:
        try:
            limit_kg = weight_limit_kg(text, place=place)
        except InputError:
            doubts.append(f"{place}: maxweight={text} can't be read; only cars are let through.")
            limit_kg = float("inf") if vehicle.mode == "car" else 0.0
        if vehicle.mass_kg > limit_kg:
            return f"maxweight={text} is too little for {vehicle.mass_kg / 1000.0:g} t"
    return ""


def _too_rough(tags: Mapping[str, str], *, vehicle: RoadVehicle) -> str:
    four_wd_only = any(value in ("yes", "recommended") for value in _values(tags.get("four_wd_only", "")))
    if four_wd_only and (vehicle.mode == "tow" or not vehicle.four_wheel_drive):
        return "for four-wheel drive only"
    rough = [*_values(tags.get("tracktype", "")), *_values(tags.get("smoothness", ""))]
    if "impassable" in rough:
        return "smoothness=impassable"
    if vehicle.mode == "tow":
        for value in rough:
            if value in TOO_ROUGH_TO_TOW:
                return f"{value} is too rough to tow a house"
    return ""
