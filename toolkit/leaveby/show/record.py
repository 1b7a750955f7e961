"""What every record shares: its head, its numbers, and how it becomes text.

Shares and minutes before something are rounded down, minutes after it up; a time without end is never a number.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import lru_cache
from itertools import groupby
from operator import attrgetter, itemgetter
from typing import Any, Final

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import WayTiming
from leaveby.regions import table_rows
from leaveby.roads.routing.itinerary import compass_words
from leaveby.show.wording import Clocked, check_made_at, iso_minute, minutes_down, minutes_up
from leaveby.units import km_h_from_m_s

SLACK: Final = 1e-9
"""Absorbs the last bits of a float before it is rounded."""


def record_head(made_at: datetime, *, first: Mapping[str, str] | None = None, **more: Any) -> dict[str, Any]:
    """What a record begins with: the override statement before all, and at the end the moment of writing.

    >>> from datetime import timezone
    >>> list(record_head(datetime(2026, 1, 17, tzinfo=timezone.utc), first={"exercise": "Only."}, record_version=1))
    ['override', 'exercise', 'planning_aid', 'record_version', 'made_at']
    """
    check_made_at(made_at)
    head = {"override": OVERRIDE, **(first or {}), "planning_aid": PLANNING_AID, **more}
    return {**head, "made_at": made_at.isoformat(timespec="seconds")}


def record_text(record: Mapping[str, Any]) -> str:
    """Write a record as JSON text, letters that can't be seen as their codes; refuses numbers that JSON does not know.

    >>> record_text({"a": [1, None]})
    '{\\n  "a": [\\n    1,\\n    null\\n  ]\\n}\\n'
    """
    text = _indented(record, "\n")
    # A terminal would obey them.
    return re.sub(r"[^ -~\n]", lambda one: one[0] if one[0].isprintable() else json.dumps(one[0])[1:-1], text) + "\n"


@lru_cache
def _encoder(line: str) -> Callable[[Any], str]:
    return json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(f",{line}", ": ")).encode


def _is_full(value: Any) -> bool:
    # most are plain, and whether something is a mapping takes long to ask
    return value.__class__ not in (float, str, bool, int) and bool(value) and isinstance(value, Mapping | list | tuple)


def _indented(value: Any, line: str) -> str:
    """As `json.dumps` with an indent of 2, which is slow: what holds no full list or table is written in one go."""
    inner, named, parts = f"{line}  ", isinstance(value, Mapping), list[str]()
    encode = _encoder(inner)
    if not _is_full(value):
        return encode(value)
    for full, run in groupby(value.items() if named else value, lambda one: _is_full(one[1] if named else one)):
        some = list(run)
        if not full:
            parts.append(encode(dict(some) if named else some)[1:-1])
        elif named:
            parts.extend(f"{encode(key)}: {_indented(part, inner)}" for key, part in some)
        else:
            parts.extend(_indented(part, inner) for part in some)
    text = f",{inner}".join(parts)
    return f"{{{inner}{text}{line}}}" if named else f"[{inner}{text}{line}]"


def share_down(share: float) -> float:
    """A share to four digits, never rounded up.

    >>> share_down(0.99999), share_down(0.5)
    (0.9999, 0.5)
    """
    return math.floor(float(share) * 1e4 + SLACK) / 1e4


def share_up(share: float) -> float:
    """A share of runs that are caught to four digits, never rounded down."""
    return math.ceil(float(share) * 1e4 - SLACK) / 1e4


def finite_or_none(value: float, digits: int = 2) -> float | None:
    """Rounded, or None for a value that is not known.

    >>> finite_or_none(3.14159), finite_or_none(math.inf)
    (3.14, None)
    """
    return round(value, digits) if math.isfinite(value) else None


_HOW: Final[Mapping[str, Callable[[Any], Any]]] = {
    "": lambda value: value,
    "list": list,
    "min up": minutes_up,
    "min down": minutes_down,
    "share up": share_up,
    "share down": share_down,
    "hour": lambda hour: hour % 24,
    "km": lambda far_m: round(far_m / 1000.0, 3),
    "km2": lambda area_m2: round(float(area_m2) / 1e6, 3),
    "m up": lambda far_m: math.ceil(far_m - SLACK) if math.isfinite(far_m) else None,
    "m up exactly": math.ceil,
    "m down": lambda far_m: math.floor(far_m) if math.isfinite(far_m) else None,
    "tenth up": lambda value: math.ceil(value * 10.0 - SLACK) / 10.0,
    "tenth down": lambda value: math.floor(value * 10.0 + SLACK) / 10.0 if math.isfinite(value) else None,
    "km/h": lambda speed_m_s: round(km_h_from_m_s(speed_m_s), 6),
    "km/h to tenths": lambda speed_m_s: round(km_h_from_m_s(speed_m_s), 1),
    "compass": compass_words,
    "1 digits": lambda value: round(float(value), 1),
    "3 digits": lambda value: round(float(value), 3),
    "4 digits": lambda value: round(float(value), 4),
}
"""How the value of a field becomes that of a key; None stays None."""

_KEYS: Final = {
    noun: list(rows) for noun, rows in groupby(table_rows(__package__, "record_keys.csv"), itemgetter("noun"))
}


def laid_out(noun: str, thing: object, *, of: Clocked | None = None, **given: Any) -> dict[str, Any]:
    """Lay out a thing as its rows in `record_keys.csv` say, with what is `given` for keys that no field fills.

    Clock times are those `of` an answer; a key of no field for which nothing is given is left out.
    """
    found = {}
    for row in _KEYS[noun]:
        if row["field"]:
            given[row["key"]] = _as(row["how"], attrgetter(row["field"])(thing), of)
        if row["key"] in given:
            found[row["key"]] = given[row["key"]]
    return found


def _as(how: str, value: Any, of: Clocked | None) -> Any:
    if how.startswith("list of "):
        return [laid_out(how.removeprefix("list of "), one, of=of) for one in value]
    if how in _KEYS:
        return laid_out(how, value, of=of)
    if how == "clock" and of is not None:
        return iso_minute(of, value)
    return None if value is None else _HOW[how](value)


def clear_probabilities(of: Clocked, way: WayTiming) -> list[list[Any]]:
    """The clear-probability curve of a way of leaving: moments and shares."""
    pairs = zip(way.start_s, way.clear_probability, strict=True)
    return [[iso_minute(of, float(at_s)), share_down(share)] for at_s, share in pairs]
