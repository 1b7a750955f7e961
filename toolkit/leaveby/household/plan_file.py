"""From a plan document (TOML as read) to a `Plan`: every fault at once, in plain words, then SI units.

`plan_from_document` is the way in. Shape and ranges are checked with pydantic against `leaveby.household.plan_shape`,
what has to hold between the keys by `leaveby.household.plan_checks`.
"""

from __future__ import annotations

import math
import types
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from leaveby.errors import Fault, InputError
from leaveby.household.plan import (
    TASK_WAYS,
    WAYS,
    Animal,
    FireInput,
    FuelInput,
    Home,
    House,
    IgnitionInput,
    Person,
    Plan,
    RoadsInput,
    SafePoint,
    Task,
    TerrainInput,
    Towing,
    Vehicle,
    WeatherInput,
    skill_word,
    uncertain_people,
    why_no_way,
)
from leaveby.household.plan_checks import cross_faults, nearest_word, place_of
from leaveby.household.plan_shape import NUMBER, THREE_POINTS, ArrivalTable, IgnitionTable, PersonTable, PlanFile
from leaveby.regions import WITH_RULES, country_of
from leaveby.units import m_s_from_km_h, min_from_s, s_from_min

_ADAPTER: Final = TypeAdapter(PlanFile)
_MINUTES_PER_HOUR: Final = 60.0


def plan_from_document(
    document: Mapping[str, object], *, where: str = "plan", fire_models: Collection[str] | None = None
) -> Plan:
    """Check a plan document and turn it into a `Plan` in SI units.

    Optional in the file, with what stands when they are left out: `confidence` 0.95, `margin_min` 10, `members` 500,
    `seed` 1, `horizon_h` 8, `durations` "beta_pert"; of a person `arrives_after_min` 0; of a task `hands` 1, `needs`
    and `after` empty, `done_before_season` false; `standoff_m` 100, `smoke_lead_min` 10, `region` "AU",
    `open_gates` empty; `drought_factor` 10; `use_gusts` and `fill_gaps` false; `models` dry eucalypt and Mark 5;
    `what_if_km_h` empty; `[house]`, `[fire]`, `[[animals]]` and `[[vehicles]]` whole. Whatever of this could save
    minutes is said in `Plan.assumptions`.

    Of someone who is away, `arrives_after_min` counts from the start of getting ready. A number is taken as certain;
    three points, `{ shortest_min = 20, likely_min = 35, longest_min = 90 }`, are sampled like a task's, by the
    distribution that `durations` names.

    Parameters
    ----------
    document : Mapping
        As `tomllib` reads it.
    where : str
        The file, put before the place of each fault.
    fire_models : Collection of str, optional
        The rate-of-spread equations that exist; None leaves their names unchecked.

    Returns
    -------
    Plan

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
    shape: PlanFile | None = None
    try:
        shape = _ADAPTER.validate_python(plain)
    except ValidationError as error:
        faults = [*_shape_faults(plain, error, where), *faults]
    if faults or shape is None:
        raise InputError(faults)
    return _to_plan(shape, plain, where)


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


def _unwrapped(hint: Any, *, within: bool = False) -> tuple[Any, str | None]:
    """Take `X | None` and `Annotated` off a type; give the bare type and the outermost description.

    Where a number or a table may stand it is the number, and `within` the table, since only a table has keys.
    """
    told: str | None = None
    while True:
        if get_origin(hint) is Annotated:
            bare, *extras = get_args(hint)
            for extra in reversed(extras):
                if told is None and isinstance(extra, FieldInfo) and extra.description is not None:
                    told = extra.description
            hint = bare
        elif get_origin(hint) in (Union, types.UnionType):
            parts = [part for part in get_args(hint) if part is not types.NoneType]
            hint = parts[-1 if within else 0]
        else:
            return hint, told


def _expected(loc: Sequence[str | int], *, within: bool = False) -> tuple[Any, str | None]:
    """Follow a place through the shape: the bare type that stands there and what is expected in words."""
    hint: Any = PlanFile
    told: str | None = None
    for key in loc:
        hint, _ = _unwrapped(hint, within=True)
        if isinstance(key, int):
            (hint,) = get_args(hint)
            told = _unwrapped(hint)[1] or told
        else:
            hints = get_type_hints(hint, include_extras=True)
            if key not in hints:
                return None, None
            hint = hints[key]
            told = _unwrapped(hint)[1]
    return _unwrapped(hint, within=within)[0], told


def _keys_of(loc: Sequence[str | int]) -> list[str]:
    hint = _expected(loc, within=True)[0]
    return list(get_type_hints(hint)) if hint is not None else []


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
    kind, value = detail["type"], detail["input"]
    bare, told = _expected(loc)
    if kind == "unexpected_keyword_argument":
        return _unknown_key(loc)
    if kind == "missing":
        expected = told or "a value"
        key = str(loc[-1])
        if len(loc) == 1:
            return "is missing", expected, "add it; the example plan shows one"
        if loc[-2] == "arrives_after_min":
            return "is missing", expected, f'write "{key} =" and the minutes between the braces'
        return "is missing", expected, f'add a line that begins with "{key} ="'
    if told is None:
        told = "keys and values"
    if kind == "dataclass_type":
        return f"is {_shown(value)}", told, "write it as a section of its own"
    if loc == ("plan", "confidence") and isinstance(value, int | float) and not isinstance(value, bool) and value >= 1:
        if 50 <= value < 100:
            return f"is {value}", told, f"write a share, not per cent: {value / 100:g}"
        return f"is {value}: no computation can be certain", told, "ask for 0.95, or at most 0.999"
    if kind == "timezone_aware":
        return (
            f"is {_shown(value)}, without a UTC offset",
            told,
            "add the offset of the place on that day, for example +11:00",
        )
    if isinstance(value, date | time) and not isinstance(value, datetime):
        return f"is {_shown(value)}, which is not a date with a time", told, "write date, time and offset"
    if loc[-1] in ("lon_deg", "lat_deg"):
        return f"is {_shown(value)}", told, _coordinate_mend(document, loc, told)
    if kind in ("too_short", "string_too_short") and not value:
        return "is empty", told, "fill it in"
    if get_origin(bare) is Literal:
        words = [str(word) for word in get_args(bare)]
        near = nearest_word(value, words) if isinstance(value, str) else None
        mend = f'write "{near}" if that was meant' if near is not None else "write one of these"
        return f"is {_shown(value)}", told, mend
    if isinstance(value, str) and bare in (int, float, bool):
        return f"is {_shown(value)}, a text", told, "write it without quotes, the number or true/false alone"
    if loc[-1] == "arrives_after_min" and isinstance(value, list):
        return f"is {_shown(value)}, a list", told, "write one number of minutes, or name the three points as shown"
    if isinstance(value, str) and get_origin(bare) is list:
        return f"is {_shown(value)}, not a list", told, f"put it in brackets: [{_shown(value)}]"
    if isinstance(value, float) and not math.isfinite(value):
        return f"is {value}, not a finite number", told, "write the number"
    return f"is {_shown(value)}", told, f"write {told}"


def _unknown_key(loc: tuple[str | int, ...]) -> tuple[str, str, str]:
    key, known = str(loc[-1]), _keys_of(loc[:-1])
    word = "section" if len(loc) == 1 else "key"
    near = nearest_word(key, known)
    return (
        f"is not a {word} of a plan file" if len(loc) == 1 else "is not a key of this section",
        "one of " + ", ".join(known),
        f'write "{near}" if that was meant' if near is not None else f"take the {word} away",
    )


def _coordinate_mend(document: Mapping[str, object], loc: tuple[str | int, ...], told: str) -> str:
    table: Any = document
    for key in loc[:-1]:
        table = table[key]
    lon, lat = table.get("lon_deg"), table.get("lat_deg")
    numbers = [value for value in (lon, lat) if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) == 2 and abs(numbers[0]) <= 90 and abs(numbers[1]) <= 180:
        return "longitude and latitude look exchanged: exchange lon_deg and lat_deg"
    if any(isinstance(value, str) for value in (lon, lat)):
        return "write decimal degrees without quotes"
    return f"write {told}"


# --- from the shape to the nouns --------------------------------------------------------------------------------


def _month_and_day(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    month, day = text.split("-")
    return int(month), int(day)


def _to_plan(shape: PlanFile, document: Mapping[str, Any], where: str) -> Plan:
    plan = Plan(
        name=shape.plan.name,
        confidence=shape.plan.confidence,
        margin_s=s_from_min(shape.plan.margin_min),
        members=shape.plan.members,
        members_at_most=max(shape.plan.members, shape.plan.members_at_most),
        precision_s=None if shape.plan.precision_min is None else s_from_min(shape.plan.precision_min),
        season_starts=_month_and_day(shape.plan.season_starts),
        seed=shape.plan.seed,
        horizon_s=s_from_min(shape.plan.horizon_h * _MINUTES_PER_HOUR),
        durations=shape.plan.durations,
        home=Home(lon_deg=shape.home.lon_deg, lat_deg=shape.home.lat_deg),
        house=House(heat_limit_kw_m2=shape.house.heat_limit_kw_m2, clear_m=shape.house.clear_m),
        people=tuple(_person(one) for one in shape.people),
        animals=tuple(Animal(name=one.name, note=one.note) for one in shape.animals),
        vehicles=tuple(
            Vehicle(
                name=one.name,
                kind=one.kind,
                width_m=one.width_m,
                height_m=one.height_m,
                length_m=one.length_m,
                mass_kg=one.mass_kg,
                seats=one.seats,
                power_kw=one.power_kw,
                towed_by=one.towed_by,
            )
            for one in shape.vehicles
        ),
        towing=None if shape.towing is None else Towing(m_s_from_km_h(shape.towing.speed_limit_km_h)),
        tasks=tuple(
            Task(
                name=one.name,
                ways=tuple(dict.fromkeys(one.ways)),
                shortest_s=s_from_min(one.shortest_min),
                likely_s=s_from_min(one.likely_min),
                longest_s=s_from_min(one.longest_min),
                hands=one.hands,
                needs=_skills(one.needs),
                after=tuple(dict.fromkeys(one.after)),
                done_before_season=one.done_before_season,
            )
            for one in shape.tasks
        ),
        safe_points=tuple(
            SafePoint(
                name=one.name,
                lon_deg=one.lon_deg,
                lat_deg=one.lat_deg,
                kind=one.kind,
                ways=tuple(dict.fromkeys(one.ways)),
            )
            for one in shape.safe_points
        ),
        roads=RoadsInput(
            file=Path(shape.roads.file),
            standoff_m=shape.roads.standoff_m,
            smoke_lead_s=s_from_min(shape.roads.smoke_lead_min),
            open_gates=tuple(shape.roads.open_gates),
            region=shape.roads.region,
        ),
        terrain=TerrainInput(file=Path(shape.terrain.file), cell_m=shape.terrain.cell_m),
        fuel=FuelInput(
            file=None if shape.fuel.file is None else Path(shape.fuel.file),
            legend=None if shape.fuel.legend is None else Path(shape.fuel.legend),
            column=shape.fuel.column,
            type=shape.fuel.type,
        ),
        weather=WeatherInput(
            file=Path(shape.weather.file),
            drought_factor=shape.weather.drought_factor,
            use_gusts=shape.weather.use_gusts,
            fill_gaps=shape.weather.fill_gaps,
        ),
        fire=FireInput(
            models=tuple(dict.fromkeys(shape.fire.models)),
            floor_m_s=None if shape.fire.floor_km_h is None else m_s_from_km_h(shape.fire.floor_km_h),
            set_m_s=None if shape.fire.set_km_h is None else m_s_from_km_h(shape.fire.set_km_h),
            what_if_m_s=tuple(m_s_from_km_h(speed_km_h) for speed_km_h in shape.fire.what_if_km_h),
        ),
        ignitions=tuple(_ignition(one) for one in shape.ignitions),
        where=where,
    )
    return _with_assumptions(plan, document)


def _person(shape: PersonTable) -> Person:
    after = shape.arrives_after_min
    if not isinstance(after, ArrivalTable):
        return Person(name=shape.name, can=_skills(shape.can), arrives_after_s=s_from_min(after))
    return Person(
        name=shape.name,
        can=_skills(shape.can),
        arrives_after_s=s_from_min(after.likely_min),
        arrives_soonest_s=s_from_min(after.shortest_min),
        arrives_latest_s=s_from_min(after.longest_min),
    )


def _skills(words: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(skill_word(word) for word in words))


def _ignition(shape: IgnitionTable) -> IgnitionInput:
    points = tuple((pair[0], pair[1]) for pair in shape.lon_lat_deg)
    if shape.ring and points[0] == points[-1]:
        points = points[:-1]
    return IgnitionInput(
        name=shape.name,
        at=shape.at,
        lon_lat_deg=points,
        ring=shape.ring,
        somewhere=shape.somewhere,
        unseen_up_to_s=s_from_min(shape.unseen_up_to_min),
    )


def _with_assumptions(plan: Plan, document: Mapping[str, Any]) -> Plan:
    return replace(plan, assumptions=(*_assumed_values(plan, document), *_assumed_of_household(plan, document)))


def _assumed_values(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    asked, roads, weather = document["plan"], document["roads"], document["weather"]
    if "confidence" not in asked:
        yield f"The plan states no confidence; {plan.confidence:g} of the members have to be clear."
    if "margin_min" not in asked:
        yield f"The plan states no margin; {plan.margin_s / 60:g} minutes are kept before the closing of every stretch."
    if "durations" not in asked:
        spread = "task durations and arrivals are" if uncertain_people(plan) else "task durations are"
        yield f"The plan does not say how {spread} spread between shortest and longest; beta-PERT is used."
    if "standoff_m" not in roads:
        yield f"The plan states no stand-off; a stretch shuts once fire is within {plan.roads.standoff_m:g} m."
    if "smoke_lead_min" not in roads:
        yield f"The plan states no smoke lead; a stretch shuts {plan.roads.smoke_lead_s / 60:g} minutes before that."
    if country_of(plan.roads.region) in WITH_RULES:
        yield f"Where the road extract says nothing, the road rules of {plan.roads.region} are taken."
    else:
        yield (
            f"The road rules of {plan.roads.region} are not known here: where the road extract says nothing, usual "
            "speeds and heights are taken, and for towing only the limit of the plan."
        )
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


def _assumed_of_household(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
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
    alone = [one["name"] for one in document["tasks"] if "hands" not in one and not one.get("done_before_season")]
    if alone:
        yield f"One person is enough, since the plan says nothing else, for: {', '.join(alone)}."
    done = [task.name for task in plan.tasks if task.done_before_season]
    if done:
        yield f"Taken as done before the season, so without time today: {', '.join(done)}."
    seats = [one.name for one in plan.vehicles if one.kind == "car" and one.seats is None]
    if seats:
        yield f"Everyone is taken to fit in, since the plan states no seats of: {', '.join(seats)}."
    power = [one.name for one in plan.vehicles if one.kind == "car" and one.power_kw is None]
    if power:
        yield f"Hills do not slow these cars, since the plan states no power of: {', '.join(power)}."
    reach = {way for point in plan.safe_points if point.kind == "safe_point" for way in point.ways}
    for way in WAYS:
        reason = why_no_way(plan, way)
        if reason is not None:
            if way == "car" or any(one.kind == "trailer" for one in plan.vehicles):
                yield f"Leaving by {way} is not worked out. {reason}"
            continue
        if way not in reach:
            yield f"No safe point takes {way}, so leaving by {way} has nowhere to end."
    for task_way in TASK_WAYS:
        for task in plan.tasks:
            if task_way not in task.ways or task.done_before_season:
                continue
            absent = [name for name in task.after if task_way not in _ways_of(plan, name)]
            if absent:
                yield f"For {task_way}, '{task.name}' does not wait for {_quoted(absent)}, which are not done then."


def _ways_of(plan: Plan, name: str) -> tuple[str, ...]:
    return next(task.ways for task in plan.tasks if task.name == name)


def _quoted(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
