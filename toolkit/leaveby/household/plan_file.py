"""From a plan document (TOML as read) to a `Plan`: every fault at once, in plain words, then SI units.

`plan_from_document` is the way in. Shape and ranges are checked with pydantic as the nouns of `leaveby.household.plan`
declare their keys, what has to hold between the keys by `leaveby.household.plan_checks`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any, Final, Literal, get_args, get_origin

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from leaveby.errors import Fault, InputError
from leaveby.household.plan import Plan, PlanFile
from leaveby.household.plan_assumed import assumed
from leaveby.household.plan_checks import cross_faults, meant, place_of
from leaveby.household.plan_keys import at_place, keys_of
from leaveby.household.plan_tables import NUMBER, THREE_POINTS

_ADAPTER: Final = TypeAdapter(PlanFile)


def plan_from_document(
    document: Mapping[str, object], *, where: str = "plan", fire_models: Collection[str] | None = None
) -> Plan:
    """Check a plan document and turn it into a `Plan` in SI units.

    What may be left out, and what stands then, is declared with the nouns (`leaveby.household.plan`) and written out in
    `about/plan_keys.md`. Whatever of it could save minutes is said in `Plan.assumptions`.

    Parameters
    ----------
    document : Mapping
        As `tomllib` reads it.
    where : str
        The file, put before the place of each fault.
    fire_models : Collection of str, optional
        The rate-of-spread equations that exist; None leaves their names unchecked.

    Raises
    ------
    InputError
        With every fault of the document.

    Examples
    --------
    >>> try:
    ...     plan_from_document({"plan": {"name": "x", "confidence": 1.0}}, where="home.toml")
    ... except InputError as error:
    ...     print(error.faults[0].place, error.faults[0].wrong, sep=" ")
    home.toml: [plan] confidence is 1.0: no computation can be certain
    """
    plain = _plain(document)
    if not isinstance(plain, dict):
        raise InputError([Fault(where, "is not a table of sections", "a TOML document", "see the example plan")])
    faults = list(cross_faults(plain, where=where, fire_models=fire_models))
    try:
        shape = _ADAPTER.validate_python(plain)
    except ValidationError as error:
        raise InputError([*_shape_faults(plain, error, where), *faults]) from None
    if faults:
        raise InputError(faults)
    plan = Plan(
        **{**vars(shape.plan), "members_at_most": max(shape.plan.members, shape.plan.members_at_most)},
        **{name: value for name, value in vars(shape).items() if name != "plan"},
        where=where,
    )
    return replace(plan, assumptions=tuple(assumed(plan, plain)))


def _plain(value: object) -> Any:
    """Turn mappings and tuples into dicts and lists, so that a document made in a notebook is read like a file.

    A value of None is a key left out: TOML has no other way to say it.
    """
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


# --- faults of shape --------------------------------------------------------------------------------------------


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}..."'
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list):
        shown = ", ".join(_shown(item) for item in value)
        return f"[{shown}]" if len(shown) <= 60 else f"a list of {len(value)}"
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value)


def _shape_faults(document: Mapping[str, object], error: ValidationError, where: str) -> Iterator[Fault]:
    for detail in error.errors(include_url=False):
        loc = tuple(key for key in detail["loc"] if key not in (NUMBER, THREE_POINTS))
        place = place_of(document, loc, where=where) if loc else where
        yield Fault(place, *_told(document, detail, loc))


def _told(document: Mapping[str, object], detail: ErrorDetails, loc: tuple[str | int, ...]) -> tuple[str, str, str]:
    """Say one of pydantic's findings in plain words: what is wrong, what was expected, how to mend it."""
    if detail["type"] == "unexpected_keyword_argument":
        return _unknown_key(loc)
    found = at_place(PlanFile, loc)
    told = found.told if found is not None else ""
    if detail["type"] == "missing":
        return "is missing", told or "a value", _missing_mend(loc)
    told = told or "keys and values"
    wrong, mend = _wrong_and_mend(detail, loc, None if found is None else found.form)
    if loc[-1:] in (("lon_deg",), ("lat_deg",)) and not _is_date_or_time_alone(detail["input"]):
        wrong, mend = f"is {_shown(detail['input'])}", _coordinate_mend(document, loc)
    return wrong, told, mend or f"write {told}"


def _is_date_or_time_alone(value: object) -> bool:
    return isinstance(value, date | time) and not isinstance(value, datetime)


def _missing_mend(loc: tuple[str | int, ...]) -> str:
    if len(loc) == 1:
        return "add it; the example plan shows one"
    if loc[-2] == "arrives_after_min":
        return f'write "{loc[-1]} =" and the minutes between the braces'
    return f'add a line that begins with "{loc[-1]} ="'


def _wrong_and_mend(detail: ErrorDetails, loc: tuple[str | int, ...], form: Any) -> tuple[str, str]:
    """Say what is wrong and how to mend it; no mend where it is to write what was expected."""
    kind, value = detail["type"], detail["input"]
    wrong = f"is {_shown(value)}"
    if kind == "dataclass_type":
        return wrong, "write it as a section of its own"
    if loc == ("plan", "confidence") and isinstance(value, int | float) and not isinstance(value, bool) and value >= 1:
        if 50 <= value < 100:
            return f"is {value}", f"write a share, not per cent: {value / 100:g}"
        return f"is {value}: no computation can be certain", "ask for 0.95, or at most 0.999"
    if kind == "timezone_aware":
        return f"{wrong}, without a UTC offset", "add the offset of the place on that day, for example +11:00"
    if _is_date_or_time_alone(value):
        return f"{wrong}, which is not a date with a time", "write date, time and offset"
    if kind in ("too_short", "string_too_short") and not value:
        return "is empty", "fill it in"
    if get_origin(form) is Literal:
        return wrong, meant(value, [str(word) for word in get_args(form)], "write one of these")
    if isinstance(value, str | list):
        return _wrong_text_or_list(wrong, value, loc, form)
    if isinstance(value, float) and not math.isfinite(value):
        return f"is {value}, not a finite number", "write the number"
    return wrong, ""


def _wrong_text_or_list(wrong: str, value: str | list[Any], loc: tuple[str | int, ...], form: Any) -> tuple[str, str]:
    if isinstance(value, str) and form in (int, float, bool):
        return f"{wrong}, a text", "write it without quotes, the number or true/false alone"
    if isinstance(value, str) and get_origin(form) in (list, tuple):
        return f"{wrong}, not a list", f"put it in brackets: [{_shown(value)}]"
    if isinstance(value, list) and loc[-1] == "arrives_after_min":
        return f"{wrong}, a list", "write one number of minutes, or name the three points as shown"
    return wrong, ""


def _unknown_key(loc: tuple[str | int, ...]) -> tuple[str, str, str]:
    above = at_place(PlanFile, loc[:-1])
    known = keys_of(above.table) if above is not None and above.table is not None else ()
    word = "section" if len(loc) == 1 else "key"
    wrong = f"is not a {word} of a plan file" if len(loc) == 1 else "is not a key of this section"
    return wrong, "one of " + ", ".join(known), meant(loc[-1], known, f"take the {word} away")


def _coordinate_mend(document: Mapping[str, object], loc: tuple[str | int, ...]) -> str:
    table: Any = document
    for key in loc[:-1]:
        table = table[key]
    lon, lat = table.get("lon_deg"), table.get("lat_deg")
    numbers = [value for value in (lon, lat) if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) == 2 and abs(numbers[0]) <= 90 and abs(numbers[1]) <= 180:
        return "longitude and latitude look exchanged: exchange lon_deg and lat_deg"
    if any(isinstance(value, str) for value in (lon, lat)):
        return "write decimal degrees without quotes"
    return ""
