"""How a key of the plan file is declared, and the page for people that is made of the declarations.

Each key is declared once, at the field of the noun in `leaveby.household.plan` that it fills: how it is written (unit,
range, the words that a person is told), its name in the file, what it is, and what stands when it is left out. From
that come the check of a file, the way to SI and the words of its faults (`leaveby.household.plan_file`), and the page.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final, Union, get_args, get_origin, get_type_hints

from pydantic import AfterValidator, AwareDatetime, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from leaveby.units import m_s_from_km_h, s_from_min

_UNITS: Final = {"min": "minutes", "h": "hours", "m": "metres", "km": "kilometres", "%": "percent"}
_SI_PER_UNIT: Final = {"min": 60.0, "h": 3600.0, "km/h": 1.0 / 3.6, "km": 1000.0, "%": 0.01}


class Table:
    """A noun that a section or table of the file fills; other keys than its own are refused."""

    __pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False, revalidate_instances="always")


# --- how a key is declared -----------------------------------------------------------------------------------------


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


def key(what: str, name: str | None = None, *, told: str | None = None) -> Any:
    """Declare what a key is, its name in the file where the field has another, and what a person is told of it."""
    return Field(title=what, alias=name, description=told)


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


Name = Annotated[str, text("a name in quotes", most=120)]
Skill = Annotated[str, text('a word in quotes, for example "lift"')]
File = Annotated[Path, Read(Annotated[str, text('a file name in quotes, for example "roads.osm"')], Path)]
Flag = Annotated[bool, Field(strict=True, description="true or false, without quotes")]
Longitude = Annotated[float, number("degrees", "degrees east, -180 to 180 (WGS 84)", least=-180, most=180)]
Latitude = Annotated[float, number("degrees", "degrees north, -90 to 90; south is negative", least=-90, most=90)]
Minutes = Annotated[float, number("min", least=0, most=24 * 60), AfterValidator(s_from_min)]
MinutesAboveZero = Annotated[float, number("min", above=0, most=24 * 60), AfterValidator(s_from_min)]
Hours = Annotated[float, number("h", above=0, most=72), AfterValidator(lambda hours: s_from_min(hours * 60.0))]
FireSpeed = Annotated[
    float,
    number("km/h", "a rate of spread in km/h, more than 0, at most 150", above=0, most=150),
    AfterValidator(m_s_from_km_h),
]
Moment = Annotated[
    AwareDatetime,
    BeforeValidator(_moment),
    Field(strict=True, description="a date and time with its UTC offset, for example 2026-01-17T12:40:00+11:00"),
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


# --- what was declared ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Declared:
    """What was declared of one place of the file; texts are empty where nothing was said.

    - `form`: what the file holds there, `None` apart; where a number or a table may stand, the number.
    - `table`: the noun whose keys may stand there.
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


def keys_page(file: type) -> str:
    """Write the reference of all keys of a file (`plan.PlanFile`, or that of drills) for people, in Markdown.

    Examples
    --------
    >>> from leaveby.household.plan import PlanFile
    >>> [line for line in keys_page(PlanFile).splitlines() if "`clear_m`" in line]
    ['| `clear_m` | m | 0 to 1000 | not stated | from the house to unmanaged vegetation |']
    """
    lines = [
        f"# Keys of the {_first(file)[4:-1]}",
        "",
        "Every section and key with its unit and range, and what stands when it is left out.",
    ]
    defaults = defaults_of(file)
    for name, hint in keys_of(file).items():
        found = declared(hint)
        many = found.table is None
        table = declared(get_args(found.form)[0]).table if many else found.table
        assert table is not None
        needed = "needed" if defaults[name] is MISSING or found.told.startswith("at least one") else "may be left out"
        lines += ["", f"## {f'[[{name}]]' if many else f'[{name}]'}", "", f"{_first(table)} ({needed})", ""]
        lines += _rows(table)
    return "\n".join(lines) + "\n"


def _first(table: type) -> str:
    return (table.__doc__ or "").strip().splitlines()[0]


def _rows(table: type) -> Iterator[str]:
    defaults = defaults_of(table)
    yield "| key | unit | range | when left out | what it is |"
    yield "|---|---|---|---|---|"
    for name, hint in keys_of(table).items():
        found = declared(hint)
        listed = get_origin(found.form) in (tuple, list)
        unit = found.unit or (declared(get_args(found.form)[0]).unit if listed else "")
        span = found.told if found.table is not None else found.range or found.told
        yield f"| `{name}` | {unit} | {span} | {_shown(defaults[name], unit if found.name else '')} | {found.what} |"


def defaults_of(table: type) -> dict[str, Any]:
    """Give what stands when a key is left out, by the names in the file; `dataclasses.MISSING` for what can't be."""
    hints = get_type_hints(table, include_extras=True)
    return {
        declared(hints[one.name]).name or one.name: one.default if one.default_factory is MISSING else None
        for one in fields(table)
    }


def _shown(default: Any, unit: str) -> str:
    if default is MISSING:
        return "needed"
    if default is None:
        return "not stated"
    if isinstance(default, bool):
        return str(default).lower()
    if isinstance(default, str):
        return f'"{default}"' if default else "empty"
    if isinstance(default, tuple):
        return ", ".join(_shown(one, unit) for one in default) or "none"
    # A field that has another name than its key holds SI.
    return f"{default / _SI_PER_UNIT.get(unit, 1.0):g}"
