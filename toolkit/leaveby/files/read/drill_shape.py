"""The agreed shape of a drill file: every section and key, unit, valid range and what stands when it is left out.

This module only describes the file and checks one value at a time; `leaveby.ask.drill` reads it. The `expected` of a
key is what a person is told that was expected there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, Final, get_args

from leaveby.decision.drill.result import DrillWay, OwnKind
from leaveby.errors import Fault
from leaveby.household.plan_checks import nearest_word

FASTEST_KM_H: Final = 100.0
MOST_MEMBERS: Final = 5000
LONGEST_TEXT: Final = 600

REQUIRED: Final = object()
"""Stands for a key that can't be left out."""

KINDS: Final[tuple[str, ...]] = get_args(OwnKind)
DRILL_WAYS: Final[tuple[str, ...]] = get_args(DrillWay)


class UnfitError(ValueError):
    """A value that can't be used; its words say how to mend it, where there is more to say than what was expected."""


@dataclass(frozen=True)
class Key:
    """One key of a section.

    Attributes
    ----------
    expected : str
        In words, with unit and range.
    read : callable
        From the value as TOML has it to the value used; raises `UnfitError`.
    default : object
        What stands when it is left out; `REQUIRED` for what can't be.
    """

    expected: str
    read: Callable[[Any], Any]
    default: Any = REQUIRED


def _text(most: int) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if not isinstance(value, str) or not value.strip():
            raise UnfitError("write it in quotes" if not isinstance(value, str) else "fill it in")
        if len(value) > most:
            raise UnfitError("shorten it")
        return value

    return read


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise UnfitError("write true or false, without quotes")
    return value


def _number(low: float, high: float, *, above: bool = False) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UnfitError("write the number alone, without quotes")
        if not math.isfinite(value) or not low <= value <= high or (above and value <= low):
            raise UnfitError
        return float(value)

    return read


def _whole(low: int, high: int) -> Callable[[Any], int]:
    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise UnfitError("write a whole number, without quotes")
        if not low <= value <= high:
            raise UnfitError
        return value

    return read


def _word(words: Sequence[str]) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if value in words:
            return str(value)
        near = nearest_word(value, words) if isinstance(value, str) else None
        raise UnfitError(f'write "{near}" if that was meant' if near is not None else "write one of these")

    return read


def _list(item: Callable[[Any], Any], *, least: int = 0) -> Callable[[Any], tuple[Any, ...]]:
    def read(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise UnfitError("put it in brackets")
        if len(value) < least:
            raise UnfitError("fill it in")
        return tuple(item(one) for one in value)

    return read


def moment(value: Any) -> time | datetime:
    """Read a clock time of the plan's day ("08:30", or 08:30:00), or a date and time with its UTC offset.

    Examples
    --------
    >>> moment("08:30")
    datetime.time(8, 30)
    """
    if isinstance(value, str):
        for kind in (time, datetime):
            try:
                return moment(kind.fromisoformat(value.strip()))
            except ValueError as error:
                if isinstance(error, UnfitError):
                    raise
        raise UnfitError('write hours and minutes in quotes, for example "08:30"')
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise UnfitError("add the UTC offset of the place on that day, for example +11:00")
        return value
    if isinstance(value, time) and value.tzinfo is None:
        return value
    raise UnfitError("give the clock time" if isinstance(value, date) else 'write it in quotes, for example "08:30"')


_CLOCK: Final = 'a clock time on the day of the plan\'s first fire, for example "08:30", or a date and time with offset'
_SPEED: Final = f"km/h, more than 0 and at most {FASTEST_KM_H:g}"
_SPEEDS: Final = _list(_number(0.0, FASTEST_KM_H, above=True))

SECTIONS: Final[Mapping[str, Mapping[str, Key]]] = {
    "drill": {
        "name": Key("a name in quotes, at most 120 letters", _text(120)),
        "plan": Key("the plan file's name in quotes, relative to this file", _text(1000)),
        "begin_at": Key(_CLOCK, moment),
        "speeds_km_h": Key(f"a list of speeds in {_SPEED}, for example [5, 12, 50]", _SPEEDS, (5.0, 12.0, 50.0)),
        "own_fire": Key("true or false: also run the plan's own fire", _flag, False),
        "members": Key(f"a whole number, 20 to {MOST_MEMBERS}", _whole(20, MOST_MEMBERS), 100),
    },
    "pauses": {
        "at": Key(f"a list, rising, each {_CLOCK}", _list(moment, least=1), None),
        "every_min": Key("minutes, 5 to 240", _number(5.0, 240.0), None),
    },
}
"""Sections that stand once."""

TABLES: Final[Mapping[str, Mapping[str, Key]]] = {
    "injects": {
        "at": Key(_CLOCK, moment, None),
        "after_fire_min": Key("minutes after the plan's first fire starts, 0 to 1440", _number(0.0, 1440.0), None),
        "kind": Key("one of " + ", ".join(f'"{kind}"' for kind in KINDS), _word(KINDS)),
        "text": Key(f"the words to give out, in quotes, at most {LONGEST_TEXT} letters", _text(LONGEST_TEXT)),
        "speeds_km_h": Key(f"a list of speeds of [drill], {_SPEED}: only in these rounds", _SPEEDS, ()),
    },
    "answers": {
        "group": Key("a group's name in quotes, at most 60 letters", _text(60)),
        "pause": Key("the number of the pause, 1 or more", _whole(1, 1000)),
        "way": Key("one of " + ", ".join(f'"{way}"' for way in DRILL_WAYS), _word(DRILL_WAYS)),
        "start_at": Key(_CLOCK, moment, None),
        "speed_km_h": Key(
            f"a speed of [drill], {_SPEED}: only in that round", _number(0.0, FASTEST_KM_H, above=True), None
        ),
    },
}
"""Tables that stand any number of times."""

_NAMES: Final = {"injects": "text", "answers": "group"}


def place_in(section: str, number: int | None, *, table: Mapping[str, Any], key: str, where: str) -> str:
    """Say where a key stands, as the writer of the file would.

    Examples
    --------
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


def read_table(
    section: str, table: Mapping[str, Any], *, number: int | None = None, where: str, faults: list[Fault]
) -> dict[str, Any]:
    """Read one section or table: its values by key, None for those at fault, whose faults are added to the list."""
    keys = SECTIONS[section] if number is None else TABLES[section]
    faults.extend(_unknown(section, table, keys, number=number, where=where))
    found: dict[str, Any] = {}
    for name, key in keys.items():
        place = place_in(section, number, table=table, key=name, where=where)
        if name not in table:
            found[name] = None if key.default is REQUIRED else key.default
            if key.default is REQUIRED:
                faults.append(Fault(place, "is missing", key.expected, f'add a line that begins with "{name} ="'))
            continue
        try:
            found[name] = key.read(table[name])
        except UnfitError as error:
            found[name] = None
            faults.append(Fault(place, f"is {shown(table[name])}", key.expected, str(error) or f"write {key.expected}"))
    return found


def _unknown(
    section: str, table: Mapping[str, Any], keys: Mapping[str, Key], *, number: int | None, where: str
) -> Iterator[Fault]:
    for name in table:
        if name not in keys:
            near = nearest_word(name, keys)
            yield Fault(
                place_in(section, number, table=table, key=name, where=where),
                "is not a key of this section",
                "one of " + ", ".join(keys),
                f'write "{near}" if that was meant' if near is not None else "take the key away",
            )


def shown(value: Any) -> str:
    """Show a value as it stands in the file, shortened.

    Examples
    --------
    >>> shown("way out"), shown(True), shown([1, 2])
    ('"way out"', 'true', '[1, 2]')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a section"
    words = f'"{value}"' if isinstance(value, str) else str(value)
    return words if len(words) <= 60 else f"{words[:57]}..."
