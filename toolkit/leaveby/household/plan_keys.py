"""How a key of the plan file is declared, and what was declared of it.

Each key is declared once: by the field of the noun in `leaveby.household.plan_tables` that it fills, which says of what
kind it is and what stands when it is left out, and by the field's row in `plan_keys.csv`, which says how it is written.
From that come the check of a file, the way to SI and the words of its faults (`leaveby.household.plan_file`), and the
page for people, `about/plan_keys.md`.
"""

from __future__ import annotations

import json
import re
import types
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from pydantic import AfterValidator, AwareDatetime, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from leaveby.regions import table_rows
from leaveby.units import (
    KG_PER_POUND,
    KM_H_PER_MPH,
    KW_PER_HORSEPOWER,
    METRES_PER_FOOT,
    METRES_PER_KM,
    m_s_from_km_h,
    s_from_min,
)

_UNITS: Final = {
    "min": "minutes",
    "h": "hours",
    "m": "metres",
    "km": "kilometres",
    "%": "percent",
    "kg": "kilograms",
    "kW": "kilowatts",
}
_TO_SI: Final[Mapping[str, Callable[[float], float]]] = {
    "min": s_from_min,
    "h": lambda hours: s_from_min(hours * 60.0),
    "km": lambda far_km: far_km * METRES_PER_KM,
    "km/h": m_s_from_km_h,
}


_PLAIN_NUMBER: Final = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?")


@dataclass(frozen=True)
class Twin:
    """Another unit in which a number may be written: the key's name then ends in it instead of in the metric one."""

    ending: str
    of: str
    unit: str
    factor: float
    shift: float = 0.0

    def metric(self, value: Any) -> Any:
        """Convert a number, or the numbers of a list; what is neither stays, to be found at fault."""
        if isinstance(value, list):
            return [self.metric(one) for one in value]
        return (value - self.shift) * self.factor if type(value) in (int, float) else value

    def words(self, told: str, unit: str) -> str:
        """What a person is told of the metric key, in this unit."""
        told = _PLAIN_NUMBER.sub(lambda found: f"{float(found[0]) / self.factor + self.shift:.6g}", told)
        return told.replace(_UNITS.get(unit, unit), self.unit)


TWINS: Final = (
    Twin("_mph", "_km_h", "mph", KM_H_PER_MPH),
    Twin("_miles", "_km", "miles", KM_H_PER_MPH),
    Twin("_ft", "_m", "feet", METRES_PER_FOOT),
    Twin("_in", "_m", "inches", METRES_PER_FOOT / 12.0),
    Twin("_lb", "_kg", "pounds", KG_PER_POUND),
    Twin("_hp", "_kw", "horsepower", KW_PER_HORSEPOWER),
    Twin("_f", "_c", "degrees F", 1.0 / 1.8, 32.0),
)
"""Every key that ends in a unit of the second column may be written in that of the first, not both at once."""


def twins_of(name: str) -> dict[str, Twin]:
    """Give the keys that stand for a metric one in other units.

    Examples
    --------
    >>> list(twins_of("width_m")), list(twins_of("speed_limit_km_h")), list(twins_of("name"))
    (['width_ft', 'width_in'], ['speed_limit_mph'], [])
    """
    return {name.removesuffix(one.of) + one.ending: one for one in TWINS if name.endswith(one.of)}


def metric_keys(table: type, content: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Turn keys in other units into the metric ones, and give the names that they had by those that they have now.

    Where the metric key stands as well, its twin stays, and is at fault as a key that is none.
    """
    found, written = dict(content), dict[str, str]()
    for name in keys_of(table):
        for other, twin in twins_of(name).items():
            if other in found and name not in found:
                found[name], written[name] = twin.metric(found.pop(other)), other
    return found, written


def unknown_key(name: object, known: Collection[str]) -> tuple[str, str] | None:
    """What is wrong with a key that only says in another unit what stands there already, and what was expected."""
    same = next((metric for metric in known if name in twins_of(metric)), None)
    return None if same is None else (f"says in another unit what {same} says", f"{same} or {name}, not both")


class Table:
    """A noun that a section or table of the file fills; other keys than its own are refused."""

    __pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False, revalidate_instances="always")


@dataclass(frozen=True)
class Read:
    """Stands at a field whose type is not what the file holds: what is read there, and what is made of it."""

    form: Any
    then: Callable[[Any], Any]

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Check as `form`."""
        return core_schema.no_info_after_validator_function(self.then, handler.generate_schema(self.form))


@dataclass(frozen=True)
class Listed:
    """Stands at a field that a list fills, of what the field's tuple holds."""

    least: int = 0
    then: Callable[[list[Any]], tuple[Any, ...]] = tuple

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Check as a list."""
        item: Any = get_args(source)[0]
        return Read(
            Annotated[list[item], Field(strict=True, min_length=self.least)], self.then
        ).__get_pydantic_core_schema__(source, handler)


def each_once(words: list[Any]) -> tuple[Any, ...]:
    """Keep the first of equal words."""
    return tuple(dict.fromkeys(words))


Noun = TypeVar("Noun")


def keys_from(package: str, name: str) -> Callable[[type[Noun]], type[Noun]]:
    """Declare the keys of nouns by the rows of a table beside a package's modules; stands below `dataclass`.

    Each row is about one field: the `key` in the file where that has another name than the field, `unit` and range of a
    number, the longest that a text may be, what a person is told that was expected, and what it is. A number whose key
    has another name becomes SI.
    """
    rows = table_rows(package, name)

    def keyed(noun: type[Noun]) -> type[Noun]:
        hints = get_type_hints(noun, include_extras=True)
        for row in rows:
            if row["noun"] == noun.__name__:
                noun.__annotations__[row["field"]] = _with_key(hints[row["field"]], row)
        return noun

    return keyed


def _with_key(hint: Any, row: Mapping[str, str]) -> Any:
    parts = get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    bare, told, annotated = parts[0], row["told"] or None, cast("Any", Annotated)
    least, above, most = (json.loads(row[edge] or "null") for edge in ("least", "above", "most"))
    rule: list[Any] = []
    if bare in (int, float):
        rule = [number(row["unit"], row["told"], least=least, above=above, most=most)]
        if row["key"] and row["unit"] in _TO_SI:
            rule.append(AfterValidator(_TO_SI[row["unit"]]))
    elif bare is str:
        rule = [text(row["told"], most=most)]
    elif get_origin(bare) is Literal and told is None:
        told = "one of " + ", ".join(f'"{word}"' for word in get_args(bare))
    if rule:
        hint, told = annotated[bare, *rule] if len(parts) == 1 else annotated[bare, *rule] | None, None
    return annotated[hint, Field(title=row["what"], alias=row["key"] or None, description=told)]


def key(what: str, *, told: str | None = None) -> Any:
    """Declare at a field itself what a key is, and what a person is told of it."""
    return Field(title=what, description=told)


def section(told: str) -> Any:
    """Declare what a person is told of a whole section."""
    return Field(description=told)


def text(told: str, *, pattern: str = r"\S", most: int | None = None) -> Any:
    """Declare a text that is not empty."""
    return Field(strict=True, min_length=1, max_length=most, pattern=pattern, description=told)


def number(
    unit: str,
    told: str = "",
    *,
    least: float | None = None,
    above: float | None = None,
    most: float | None = None,
) -> Any:
    """Declare a number with its unit and range, and what a person is told where that is not just the two."""
    low = f"{least:g}" if above is None else f"more than {above:g}"
    high = "" if most is None else f" to {most:g}" if above is None else f" and at most {most:g}"
    return Field(
        strict=True,
        ge=least,
        gt=above,
        le=most,
        description=told or f"{_UNITS[unit]}, {low}{high}",
        json_schema_extra={"unit": unit, "range": low + (high or " or more")},
    )


def _month_and_day(words: str) -> tuple[int, int]:
    month, day = words.split("-")
    return int(month), int(day)


def _moment(value: object) -> object:
    # A date-time in quotes is a text to TOML; it says the same, so it is read.
    if isinstance(value, str):
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            return value
    return value


_FIRST: Final = datetime(1900, 1, 1, tzinfo=UTC)
_LAST: Final = datetime(2200, 1, 1, tzinfo=UTC)
"""Outside of these no weather is known or forecast, and clocks run out."""

Name = Annotated[str, text("a name in quotes", most=120)]
Skill = Annotated[str, text('a word in quotes, for example "lift"')]
File = Annotated[Path, Read(Annotated[str, text('a file name in quotes, for example "roads.osm"')], Path)]
Files = Annotated[
    Path | tuple[Path, ...],
    Read(
        Annotated[
            list[Annotated[str, text('a file name in quotes, for example "S37E148.tif"')]],
            BeforeValidator(lambda names: [names] if isinstance(names, str) else names),
            Field(
                strict=True,
                min_length=1,
                description='a file name in quotes, or a list of them: ["S37E148.tif", "S37E149.tif"]',
            ),
        ],
        lambda names: Path(names[0]) if len(names) == 1 else tuple(map(Path, names)),
    ),
]
Flag = Annotated[bool, Field(strict=True, description="true or false, without quotes")]
Minutes = Annotated[float, number("min", least=0, most=24 * 60), AfterValidator(s_from_min)]
FireSpeed = Annotated[
    float,
    number("km/h", "a rate of spread in km/h, more than 0, at most 150", above=0, most=150),
    AfterValidator(m_s_from_km_h),
]
Moment = Annotated[
    AwareDatetime,
    BeforeValidator(_moment),
    Field(
        strict=True,
        ge=_FIRST,
        le=_LAST,
        description="a date and time with its UTC offset, for example 2026-01-17T12:40:00+11:00",
    ),
]
MonthAndDay = Annotated[
    tuple[int, int],
    Read(
        Annotated[
            str,
            Field(
                strict=True,
                pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])$",
                description='month and day in quotes, for example "10-01", with a day up to 28',
            ),
        ],
        _month_and_day,
    ),
]
Point = Annotated[
    tuple[float, float],
    Read(
        Annotated[
            list[Annotated[float, Field(strict=True, description="a number of degrees")]],
            Field(strict=True, min_length=2, max_length=2, description="a pair [longitude, latitude] in degrees"),
        ],
        tuple,
    ),
]


@dataclass(frozen=True)
class Declared:
    """What was declared of one place of the file; texts are empty where nothing was said.

    - `form`: what the file holds there, `None` apart; where a number or a table may stand, the number.
    - `table`: the noun whose keys may stand there.
    - `unit`: of a number, or of the numbers of a list.
    """

    form: Any
    table: type | None
    told: str = ""
    what: str = ""
    name: str = ""
    unit: str = ""
    range: str = ""


@cache
def declared(hint: Any) -> Declared:
    """Take a type apart: what the file holds there, and what its declarations say, the outermost first."""
    said: dict[str, Any] = {}
    forms: list[Any] = []
    ahead = [hint]
    while ahead:
        hint = ahead.pop()
        if get_origin(hint) is Annotated:
            bare, *extras = get_args(hint)
            for one in reversed([extra for extra in extras if isinstance(extra, FieldInfo)]):
                more = one.json_schema_extra if isinstance(one.json_schema_extra, dict) else {}
                for what, value in {"told": one.description, "what": one.title, "name": one.alias, **more}.items():
                    if value is not None:
                        said.setdefault(what, value)
            ahead.append(next((extra.form for extra in extras if isinstance(extra, Read)), bare))
        elif get_origin(hint) in (Union, types.UnionType):
            ahead += [part for part in reversed(get_args(hint)) if part is not types.NoneType]
        else:
            forms.append(hint)
    if "unit" not in said and get_origin(forms[0]) in (tuple, list) and get_args(forms[0]):
        said["unit"] = declared(get_args(forms[0])[0]).unit
    return Declared(
        forms[0], next((form for form in forms if isinstance(form, type) and is_dataclass(form)), None), **said
    )


@cache
def keys_of(table: type) -> Mapping[str, Any]:
    """Give the keys of a section or table, by their names in the file, with the types that declare them."""
    hints = get_type_hints(table, include_extras=True)
    return {declared(hint).name or name: hint for name, hint in hints.items()}


def at_place(file: type, loc: Sequence[str | int]) -> Declared | None:
    """Follow a place through the file; None where there is no such key. What is told of a list holds for its items."""
    found = Declared(file, file)
    for step in loc:
        if isinstance(step, int):
            item = declared(get_args(found.form)[0])
            found = item if item.told else replace(item, told=found.told)
            continue
        keys = keys_of(found.table) if found.table is not None else {}
        if step not in keys:
            return None
        found = declared(keys[step])
    return found


def defaults_of(table: type) -> dict[str, Any]:
    """Give what stands when a key is left out, by the names in the file; `dataclasses.MISSING` for what can't be."""
    hints = get_type_hints(table, include_extras=True)
    return {
        declared(hints[one.name]).name or one.name: one.default if one.default_factory is MISSING else None
        for one in fields(table)
    }
