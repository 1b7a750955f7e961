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
from leaveby.regions import WITH_RULES, country_of
from leaveby.units import min_from_s

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
    said = (_assumed_values, _assumed_of_people, _assumed_of_tasks, _assumed_of_ways, _assumed_of_rules)
    return replace(plan, assumptions=tuple(one for part in said for one in part(plan, plain)))


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


def _assumed_values(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    asked, roads = document["plan"], document["roads"]
    if "confidence" not in asked:
        yield f"The plan states no confidence; {100.0 * plan.confidence:g} of 100 such days have to end well."
    if "margin_min" not in asked:
        yield f"The plan states no margin; {plan.margin_s / 60:g} minutes are kept before the closing of every stretch."
    if "durations" not in asked:
        spread = "task durations and arrivals are" if uncertain_people(plan) else "task durations are"
        yield f"The plan does not say how {spread} spread between shortest and longest; beta-PERT is used."
    if "standoff_m" not in roads:
        yield f"The plan states no stand-off; a stretch shuts once fire is within {plan.roads.standoff_m:g} m."
    if "smoke_lead_min" not in roads:
        yield f"The plan states no smoke lead; a stretch shuts {plan.roads.smoke_lead_s / 60:g} minutes before that."
    yield assumed_rules(plan)
    yield from _assumed_of_neighbours(plan)
    yield from assumed_of_ground(plan, document)


def assumed_rules(plan: Plan) -> str:
    """Say by which road rules the extract is read."""
    if country_of(plan.roads.region) in WITH_RULES:
        return f"Where the road extract says nothing, the road rules of {plan.roads.region} are taken."
    return (
        f"The road rules of {plan.roads.region} are not known here: where the road extract says nothing, usual "
        "speeds and heights are taken, and for towing only the limit of the plan."
    )


def assumed_of_ground(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    """Say what was taken for granted of ways, weather and fire."""
    weather = document["weather"]
    if plan.roads.closed_ways:
        yield f"No way out runs over the ways that the plan closes: {', '.join(plan.roads.closed_ways)}."
    if plan.roads.open_gates:
        yield f"The household can open these gates at once: {', '.join(plan.roads.open_gates)}."
    if "drought_factor" not in weather:
        yield "The plan states no drought factor; 10, the driest, is used."
    if not plan.weather.use_gusts:
        yield "The fire is driven by the mean wind; gusts carry it faster for short times."
    if plan.weather.fill_gaps:
        yield "Gaps in the weather may be filled."
    if plan.fire.set_m_s is not None:
        yield f"The head rate of spread is set by hand to {plan.fire.set_m_s * 3.6:g} km/h; no equation is used."
    elif "models" not in document.get("fire", {}):
        yield f"The plan names no rate-of-spread equation; the fastest of {', '.join(plan.fire.models)} governs."


def _assumed_of_neighbours(plan: Plan) -> Iterator[str]:
    found = plan.neighbours
    if found is None:
        yield "No neighbours' cars are counted on the road: on a single-exit street leave earlier still."
        return
    setting_out = {
        "at once": "leave when you do, ahead of you",
        "over time": f"set out over time, half of them within {found.half_rolling_s / 60.0:g} minutes of being told",
        "gone before": "are taken to be gone before you leave",
    }
    yield (
        f"Neighbours {setting_out[found.set_out]}: {found.cars_per_home:g} cars a home, of which "
        f"{100.0 * found.towing_share:g} % tow."
    )
    if found.set_out == "over time" and found.told_s is None:
        yield "When neighbours are told to leave is not known: they are met when the queue is longest."


def _assumed_of_people(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    at_home = [one["name"] for one in document["people"] if "arrives_after_min" not in one]
    if at_home:
        yield f"At home from the start, since the plan says nothing else: {', '.join(at_home)}."
    idle = [one.name for one in plan.people if not one.can]
    if idle:
        yield f"Takes no task, since the plan lists nothing that they can do: {', '.join(idle)}."
    late = [one for one in plan.people if one.is_away]
    if late:
        yield f"Nobody leaves before everyone has arrived; waited for: {', '.join(one.name for one in late)}."
    for one in late:
        soonest_min, likely_min, latest_min = (min_from_s(point_s) for point_s in one.arrival_points_s)
        if one.arrival_is_uncertain:
            yield (
                f"{one.name} comes home {soonest_min:g} to {latest_min:g} minutes after getting ready starts, likely "
                f"{likely_min:g}: not certain, so every member has its own."
            )
        else:
            yield f"Taken as certain: {one.name} is home {likely_min:g} minutes after getting ready starts."


def _assumed_of_tasks(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    alone = [one["name"] for one in document["tasks"] if "hands" not in one and not one.get("done_before_season")]
    if alone:
        yield f"One person is enough, since the plan says nothing else, for: {', '.join(alone)}."
    done = [task.name for task in plan.tasks if task.done_before_season]
    if done:
        yield f"Taken as done before the season, so without time today: {', '.join(done)}."
    cars = [one for one in plan.vehicles if one.kind == "car"]
    seats = [one.name for one in cars if one.seats is None]
    if seats:
        yield f"Everyone is taken to fit in, since the plan states no seats of: {', '.join(seats)}."
    power = [one.name for one in cars if one.power_kw is None]
    if power:
        yield f"Hills do not slow these cars, since the plan states no power of: {', '.join(power)}."


def _assumed_of_ways(plan: Plan, _: Mapping[str, Any]) -> Iterator[str]:
    reach = {way for point in plan.safe_points if point.kind == "safe_point" for way in point.ways}
    for way in WAYS:
        reason = why_no_way(plan, way)
        if reason is not None:
            if way == "car" or any(one.kind == "trailer" for one in plan.vehicles):
                yield f"Leaving by {way} is not worked out. {reason}"
            continue
        if way not in reach and way != "foot":  # of going on foot nothing is said unless it is asked for
            yield f"No safe point takes {way}, so leaving by {way} has nowhere to end."
    ways_of = {task.name: task.ways for task in plan.tasks}
    for task_way in TASK_WAYS:
        for task in plan.tasks:
            if task_way not in task.ways or task.done_before_season:
                continue
            absent = ", ".join(f"'{name}'" for name in task.after if task_way not in ways_of[name])
            if absent:
                yield f"For {task_way}, '{task.name}' does not wait for {absent}, which are not done then."


def _assumed_of_rules(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    rules, stated = plan.rules, document.get("rules", {})
    if plan.rating_scale == "own" and not plan.ratings:
        yield (
            f'No scale of fire danger ratings is known here for {plan.roads.region}, and the plan names none: "'
            f'{LIKE_THE_PLANS}" is the only one that the rules are made for.'
        )
    if plan.rating_scale == "europe" and plan.danger.scale is None:
        yield (
            "Fire danger ratings are taken to be the six European ones; where the local forecast has others, they "
            "belong under [[ratings]]."
        )
    if "learns_after_min" not in stated:
        soonest_min, likely_min, latest_min = (min_from_s(one_s) for one_s in rules.learns_s)
        yield (
            f"The plan does not say after how long word of a fire reaches the household; {soonest_min:g} to "
            f"{latest_min:g} minutes, likely {likely_min:g}, are taken."
        )
    if "radius_km" not in stated:
        yield f"Fires that start more than {rules.radius_m / 1000.0:g} km from the home take no part in the rules."
    if "hours" not in stated:
        yield f"Word of a fire is taken to come at {', '.join(f'{hour}:00' for hour in rules.hours)}."
    if "wind_percent" not in stated:
        yield "The plan does not say where the wind of bad days comes from; all directions count alike."
    if "starts_file" not in stated:
        yield "The plan does not say where fires start; they start everywhere alike in what can burn."
