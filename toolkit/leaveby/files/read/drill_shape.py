"""The agreed shape of a drill file: every section and key, unit, valid range and what stands when it is left out.

The keys are declared as those of the plan file are (`leaveby.household.plan_keys`), and checked one at a time;
`leaveby.ask.drill` reads the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass
from datetime import date, datetime, time
from functools import cache
from typing import Annotated, Any, Final, get_args

from pydantic import ConfigDict, Field, PlainValidator, TypeAdapter, ValidationError

from leaveby import regions
from leaveby.decision.drill.result import DrillWay, OwnKind
from leaveby.errors import Fault, fault_of
from leaveby.household.plan_document import meant
from leaveby.household.plan_keys import (
    Listed,
    Table,
    declared,
    defaults_of,
    keys_from,
    keys_of,
    metric_keys,
    number,
    section,
    twins_of,
    unknown_key,
)

_MENDS: Final[Mapping[str, str]] = regions.table("files/read/kinds")["mends"]


def moment(value: Any) -> time | datetime:
    """Read a clock time of the plan's day ("08:30", or 08:30:00), or a date and time with its UTC offset.

    >>> moment("08:30")
    datetime.time(8, 30)
    """
    if isinstance(value, str):
        for kind in (time, datetime):
            try:
                value = kind.fromisoformat(value.strip())
                break
            except ValueError:
                continue
        else:
            raise ValueError('write hours and minutes in quotes, for example "08:30"')
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError("add the UTC offset of the place on that day, for example +11:00")
        return value
    if isinstance(value, time) and value.tzinfo is None:
        return value
    raise ValueError("give the clock time" if isinstance(value, date) else 'write it in quotes, for example "08:30"')


_CLOCK: Final = 'a clock time on the day of the plan\'s first fire, for example "08:30", or a date and time with offset'
_MINUTES: Final = "minutes after the plan's first fire starts, -1440 to 1440; below 0 is before it"
_SPEED: Final = "km/h, more than 0 and at most 100"


_Clock = Annotated[time | datetime, PlainValidator(moment), section(_CLOCK)]
_Speed = Annotated[float, number("km/h", f"a speed of [drill], {_SPEED}: only in that round", above=0, most=100)]
_AfterFire = Annotated[float, number("min", _MINUTES, least=-1440, most=1440)]
_Flag = Annotated[bool, Field(strict=True)]

keyed = keys_from(__package__, "drill_keys.csv")
"""Declares the keys of a section by its rows in the table beside this module."""


@dataclass(frozen=True, kw_only=True)
@keyed
class DrillSection(Table):
    """The exercise."""

    name: str
    plan: str
    begin_before_fire_min: float = 80.0
    begin_at: _Clock | None = None
    speeds_km_h: Annotated[tuple[_Speed, ...], Listed()] = (5.0, 12.0, 50.0)
    own_fire: _Flag = False
    members: int = 100


@dataclass(frozen=True, kw_only=True)
@keyed
class PausesSection(Table):
    """When every group writes down when it would leave and how; one of the three keys."""

    after_fire_min: Annotated[tuple[_AfterFire, ...], Listed(least=1)] = (-80.0, -20.0, 5.0, 20.0, 40.0, 70.0, 100.0)
    at: Annotated[tuple[_Clock, ...], Listed(least=1)] | None = None
    every_min: float | None = None


@dataclass(frozen=True, kw_only=True)
@keyed
class InjectTable(Table):
    """A piece of word of the trainer's own, handed out at its time; either `at` or `after_fire_min`."""

    at: _Clock | None = None
    after_fire_min: _AfterFire | None = None
    kind: OwnKind
    text: str
    speeds_km_h: Annotated[tuple[_Speed, ...], Listed()] = ()


@dataclass(frozen=True, kw_only=True)
@keyed
class AnswerTable(Table):
    """What a group wrote down at a pause."""

    group: str
    pause: int
    way: DrillWay
    start_after_fire_min: _AfterFire | None = None
    start_at: _Clock | None = None
    speed_km_h: _Speed | None = None


@dataclass(frozen=True, kw_only=True)
class DrillFile(Table):
    """The drill file."""

    drill: DrillSection
    pauses: PausesSection = PausesSection()
    injects: tuple[InjectTable, ...] = ()
    answers: tuple[AnswerTable, ...] = ()


_OF: Final = {"drill": DrillSection, "pauses": PausesSection, "injects": InjectTable, "answers": AnswerTable}
SECTIONS: Final = {name: keys_of(_OF[name]) for name in ("drill", "pauses")}
"""Keys of the sections that stand once."""

TABLES: Final = {name: keys_of(_OF[name]) for name in ("injects", "answers")}
"""Keys of the tables that stand any number of times."""

_NAMES: Final = {"injects": "text", "answers": "group"}


def place_in(section: str, number: int | None, *, table: Mapping[str, Any], key: str, where: str) -> str:
    """Say where a key stands, as the writer of the file would.

    >>> place_in("answers", 1, table={"group": "Mill Lane"}, key="way", where="drill.toml")
    'drill.toml: answers[2] "Mill Lane": way'
    >>> place_in("drill", None, table={}, key="name", where="drill.toml")
    'drill.toml: [drill] name'
    """
    if number is None:
        return f"{where}: [{section}] {key}".rstrip()
    name = table.get(_NAMES[section])
    words = f' "{name[:40]}"' if isinstance(name, str) and name.strip() else " (without a name)"
    return f"{where}: {section}[{number + 1}]{words}" + (f": {key}" if key else "")


@cache
def _adapter(hint: Any) -> TypeAdapter[Any]:
    return TypeAdapter(hint, config=ConfigDict(allow_inf_nan=False))


def read_table(
    section: str,
    table: Mapping[str, Any],
    *,
    number: int | None = None,
    where: str,
    faults: list[Fault],
    noun: type | None = None,
) -> dict[str, Any]:
    """Read one section or table: its values by key, None for those at fault, whose faults are added to the list.

    `noun` is what it fills in another kind of file, which declares its keys likewise.
    """
    noun = noun or _OF[section]
    keys, defaults = keys_of(noun), defaults_of(noun)
    table, written = metric_keys(noun, table)

    def place(name: str) -> str:
        return place_in(section, number, table=table, key=written.get(name, name), where=where)

    for name in [name for name in table if name not in keys]:
        if (twice := unknown_key(name, keys)) is not None:
            faults.append(Fault(place(name), *twice, "take one of the two away"))
            continue
        mend = meant(name, keys, "take the key away")
        faults.append(fault_of(place(name), "no_key_of_drills", keys=", ".join(keys), mend=mend))
    found: dict[str, Any] = {}
    for name, hint in keys.items():
        told, default = declared(hint).told, defaults[name]
        found[name] = None if default is MISSING else default
        if name in table:
            try:
                found[name] = _adapter(hint).validate_python(table[name])
            except ValidationError as error:
                found[name] = None
                given = shown(table[name])
                if name in written:
                    twin = twins_of(name)[written[name]]
                    told = twin.words(told, "km/h")
                    given = f"{given} once it is metric"
                faults.append(Fault(place(name), f"is {given}", told, _mend(error, hint) or f"write {told}"))
        elif default is MISSING:
            faults.append(Fault(place(name), "is missing", told, f'add a line that begins with "{name} ="'))
    return found


def _mend(error: ValidationError, hint: Any) -> str:
    first = error.errors(include_url=False)[0]
    if first["type"] == "literal_error":
        return meant(first["input"], get_args(declared(hint).form), "write one of these")
    if first["type"] == "value_error":
        return str(first["ctx"]["error"])
    return _MENDS.get(first["type"], "")


def shown(value: Any) -> str:
    """Show a value as it stands in the file, shortened.

    >>> shown("way out"), shown(True), shown([1, 2])
    ('"way out"', 'true', '[1, 2]')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a section"
    words = f'"{value}"' if isinstance(value, str) else str(value)
    return words if len(words) <= 60 else f"{words[:57]}..."
