"""From a plan document (TOML as read) to a `Plan`: every fault at once, in plain words, then SI units.

`plan_from_document` is the way in. Shape and ranges are checked with pydantic as the nouns of `leaveby.household.plan`
declare their keys, what has to hold between the keys by `leaveby.household.plan_checks`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any, Final, Literal, get_args, get_origin

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from leaveby.errors import Fault, InputError, fault_of
from leaveby.household.plan import LIKE_THE_PLANS, Plan, PlanFile, uncertain_people, why_no_way
from leaveby.household.plan_checks import cross_faults
from leaveby.household.plan_document import meant, place_of
from leaveby.household.plan_keys import at_place, declared, keys_of, metric_keys, twins_of, unknown_key
from leaveby.household.plan_tables import NUMBER, TASK_WAYS, THREE_POINTS, WAYS
from leaveby.regions import WITH_RULES, country_of, sentences

_ADAPTER: Final = TypeAdapter(PlanFile)
_UNCERTAIN: Final = ("arrives_after_min", "learns_after_min")

MOST_TABLES: Final = 200
"""Of each kind: no household has more tasks, people or safe points."""


def plan_from_document(
    document: Mapping[str, object], *, where: str = "plan", fire_models: Collection[str] | None = None
) -> Plan:
    """Check a plan document and turn it into a `Plan` in SI units.

    What may be left out, and what stands then, is declared with the nouns (`leaveby.household.plan`) and written out in
    `about/plan_keys.md`. Whatever of it could save minutes is said in `Plan.assumptions`.

    - `document`: as `tomllib` reads it.
    - `where`: the file, put before the place of each fault.
    - `fire_models`: the rate-of-spread equations that exist; None leaves their names unchecked.

    Raises InputError with every fault of the document.

    Examples
    --------
    >>> try:
    ...     plan_from_document({"plan": {"name": "x", "confidence": 1.0}}, where="home.toml")
    ... except InputError as error:
    ...     print(error.faults[0].place, error.faults[0].wrong, sep=" ")
    home.toml: [plan] confidence is 1.0: no computation can be certain
    """
    read = _plain(document)
    if not isinstance(read, dict):
        raise InputError([Fault(where, "is not a table of sections", "a TOML document", "see the example plan")])
    if many := [name for name, found in read.items() if isinstance(found, list) and len(found) > MOST_TABLES]:
        raise InputError(fault_of(f"{where}: [[{name}]]", "too_many_tables", most=MOST_TABLES) for name in many)
    plain, twins = _metric(read)
    faults = list(cross_faults(plain, where=where, fire_models=fire_models))
    try:
        shape = _ADAPTER.validate_python(plain)
    except ValidationError as error:
        faults = [*_shape_faults(plain, error, where), *faults]
        raise InputError([_as_written(fault, plain, twins, where) for fault in faults]) from None
    if faults:
        raise InputError([_as_written(fault, plain, twins, where) for fault in faults])
    plan = Plan(
        **vars(shape.plan),
        **{name: value for name, value in vars(shape).items() if name != "plan"},
        where=where,
    )
    return replace(plan, assumptions=_assumed(plan, plain))


def _plain(value: object) -> Any:
    """Turn mappings and tuples into dicts and lists, so that a document made in a notebook is read like a file.

    A value of None is a key left out: TOML has no other way to say it.
    """
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _metric(document: Mapping[str, Any]) -> tuple[dict[str, Any], dict[tuple[str | int, ...], tuple[str, object]]]:
    """Turn keys in other units into metric ones; by the place of each the key and the value that were written."""
    made, written = dict(document), dict[tuple[str | int, ...], tuple[str, object]]()
    for name, hint in keys_of(PlanFile).items():
        found, content = declared(hint), document.get(name)
        many = found.table is None
        table = declared(get_args(found.form)[0]).table if many else found.table
        tables: list[Any] = content if many and isinstance(content, list) else [content]
        if table is None or not all(isinstance(one, dict) for one in tables):
            continue
        turned = [metric_keys(table, one) for one in tables]
        made[name] = [one for one, _ in turned] if many else turned[0][0]
        for number, ((_, names), one) in enumerate(zip(turned, tables, strict=True)):
            loc = (name, number) if many else (name,)
            written |= {(*loc, metric): (other, one[other]) for metric, other in names.items()}
    return made, written


def _as_written(
    fault: Fault,
    document: Mapping[str, Any],
    twins: Mapping[tuple[str | int, ...], tuple[str, object]],
    where: str,
) -> Fault:
    """Say a fault of a key in another unit as it was written."""
    for loc, (other, value) in twins.items():
        place, metric = place_of(document, loc, where=where), _value_at(document, loc)
        told, rest = at_place(PlanFile, loc), fault.place.removeprefix(place)
        if told is None or not (fault.place == place or fault.place.startswith(f"{place}[")):
            continue
        if rest and isinstance(value, list):
            number = int(rest.strip("[]")) - 1
            metric, value = metric[number], value[number]
        twin = twins_of(str(loc[-1]))[other]
        expected = twin.words(fault.expected, told.unit)
        return Fault(
            place_of(document, (*loc[:-1], other), where=where) + rest,
            fault.wrong.replace(_shown(metric), _shown(value)),
            expected,
            fault.mend.replace(fault.expected, expected),
        )
    return fault


def _value_at(document: Mapping[str, Any], loc: Sequence[str | int]) -> Any:
    found: Any = document
    for key in loc:
        found = found[key]
    return found


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
    if loc[-2] in _UNCERTAIN:
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
    if isinstance(value, list) and loc[-1] in _UNCERTAIN:
        return f"{wrong}, a list", "write one number of minutes, or name the three points as shown"
    return wrong, ""


def _unknown_key(loc: tuple[str | int, ...]) -> tuple[str, str, str]:
    above = at_place(PlanFile, loc[:-1])
    known = keys_of(above.table) if above is not None and above.table is not None else ()
    word = "section" if len(loc) == 1 else "key"
    wrong = f"is not a {word} of a plan file" if len(loc) == 1 else "is not a key of this section"
    if (twice := unknown_key(loc[-1], known)) is not None:
        return *twice, "take one of the two away"
    all_known = [*known, *(twin for name in known for twin in twins_of(name))]
    return wrong, "one of " + ", ".join(known), meant(loc[-1], all_known, f"take the {word} away")


def _coordinate_mend(document: Mapping[str, object], loc: tuple[str | int, ...]) -> str:
    table = _value_at(document, loc[:-1])
    lon, lat = table.get("lon_deg"), table.get("lat_deg")
    numbers = [value for value in (lon, lat) if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) == 2 and abs(numbers[0]) <= 90 and abs(numbers[1]) <= 180:
        return "longitude and latitude look exchanged: exchange lon_deg and lat_deg"
    if any(isinstance(value, str) for value in (lon, lat)):
        return "write decimal degrees without quotes"
    return ""


def _assumed(plan: Plan, document: Mapping[str, Any]) -> tuple[str, ...]:
    """Say what the plan left open and a default filled, if it could save minutes."""
    ways_of = {task.name: task.ways for task in plan.tasks}
    after = (
        (way, task) for way in TASK_WAYS for task in plan.tasks if way in task.ways and not task.done_before_season
    )
    absent = ((way, task.name, [name for name in task.after if way not in ways_of[name]]) for way, task in after)
    return (
        *_told_of(plan, document, "asked", uncertain=uncertain_people(plan)),
        assumed_rules(plan),
        *_told_of(plan, document, "neighbours"),
        *assumed_of_ground(plan, document),
        *_told_of(
            plan,
            document,
            "rest",
            ways={way: why_no_way(plan, way) for way in WAYS},
            reached=lambda way: any(one.kind == "safe_point" and way in one.ways for one in plan.safe_points),
            not_waited_for=[one for one in absent if one[2]],
            like_the_plans=LIKE_THE_PLANS,
        ),
    )


def assumed_rules(plan: Plan) -> str:
    """Say by which road rules the extract is read."""
    return " ".join(_told_of(plan, {}, "rules", known_rules=country_of(plan.roads.region) in WITH_RULES))


def assumed_of_ground(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    """Say what was taken for granted of ways, weather and fire."""
    yield from _told_of(plan, document, "ground")


def _told_of(plan: Plan, document: Mapping[str, Any], part: str, **values: Any) -> tuple[str, ...]:
    return sentences("household/plan_assumed.txt.j2", part=part, plan=plan, document=document, **values)
