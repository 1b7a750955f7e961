"""What can be wrong with the input, said so that a person can mend it.

A `Fault` names the place, what is wrong, what was expected and how to mend it.
`InputError` carries every fault that was found in one reading, never only the first.
What takes more than a line to say stands in `faults.toml`, by name. `clean` makes quoted names fit to be shown.
"""

from __future__ import annotations

import tomllib
import traceback
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, TypeVar

Read = TypeVar("Read")

MOST_FAULTS: Final = 200
"""Nobody mends more at once."""

_SLIPS: Final = (ArithmeticError, AssertionError, AttributeError, LookupError, NameError, TypeError)
"""What our own lines raise where they are wrong; of a file they would have said so."""

STOPPED: Final = 130
STOPPED_WORDS: Final = "Stopped. Nothing half-written was left."
"""What the program gives and says where Ctrl and C stopped it."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with the input.

    Attributes
    ----------
    place : str
        Where: a file and line, a key of the plan (`tasks[2].hands`), a row and column.
    wrong : str
        What stands there and why it can't be used.
    expected : str
        What would have been right, with its unit and valid range.
    mend : str
        What to do about it.

    Examples
    --------
    >>> print(Fault("weather.csv row 4", "humidity is 140 %", "0 to 100 %", "correct the row"))
    weather.csv row 4: humidity is 140 %. Expected 0 to 100 %. To mend it: correct the row.
    """

    place: str
    wrong: str
    expected: str
    mend: str

    def __str__(self) -> str:
        return f"{self.place}: {self.wrong}. Expected {self.expected}. To mend it: {self.mend}."


class InputError(ValueError):
    """The input can't be used; `faults` holds everything that is wrong with it, up to `MOST_FAULTS`; `more` the rest.

    Examples
    --------
    >>> raise InputError([Fault("a", "is 1", "2", "write 2")])
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: a: is 1. Expected 2. To mend it: write 2.
    """

    def __init__(self, faults: Iterable[Fault], *, more: int = 0) -> None:
        found = tuple(faults)
        self.faults: tuple[Fault, ...] = found[:MOST_FAULTS]
        self.more: int = more + len(found) - len(self.faults)
        if not self.faults:
            raise TypeError("an InputError needs at least one fault")
        super().__init__("\n".join(str(fault) for fault in self.faults))


class NotWrittenError(InputError):
    """What was asked was worked out, but not all of it could be written; `written` are the files that are there."""

    def __init__(self, faults: Iterable[Fault], written: Mapping[str, Path] | None = None) -> None:
        super().__init__(faults)
        self.written: Mapping[str, Path] = written or {}


class Faults(list[Fault]):
    """What one reading has found wrong so far.

    Examples
    --------
    >>> faults = Faults()
    >>> faults.add("a", "is 1", "2", "write 2")
    >>> faults.refuse()
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: a: is 1. Expected 2. To mend it: write 2.
    """

    def add(self, place: str, wrong: str, expected: str, mend: str) -> None:
        """Note a fault."""
        self.append(Fault(place, wrong, expected, mend))

    def tell(self, place: object, told: str, /, **values: object) -> None:
        """Note a fault in the words of `faults.toml`."""
        self.append(fault_of(place, told, **values))

    def gather(self, read: Callable[[], Read]) -> Read | None:
        """Give what is read; None where it can't be, with its faults noted."""
        try:
            return read()
        except InputError as error:
            self.extend(error.faults)
            return None

    def refuse(self, *, most: int | None = None) -> None:
        """Raise them, the first `most` of them if so many are not to be read, if there are any."""
        if self:
            raise InputError(self[:most])


def refuse(place: str, wrong: str, *, expected: str, mend: str) -> InputError:
    """Make the error for a single fault: `raise refuse(...)`.

    Examples
    --------
    >>> str(refuse("home", "is 5 km off", expected="a road near", mend="move it"))
    'home: is 5 km off. Expected a road near. To mend it: move it.'
    """
    return InputError([Fault(place, wrong, expected, mend)])


def fault_of(place: object, told: str, /, **values: object) -> Fault:
    """Make a fault in the words that `faults.toml` has under the name `told`, with the values that they ask for.

    Examples
    --------
    >>> fault_of("heat", "no_heat", heat_kw_m2=-1.0).wrong
    'is -1'
    """
    words = _words()[told]
    return Fault(str(place), *(words[part].format(**values) for part in ("wrong", "expected", "mend")))


def refused(place: object, told: str, /, **values: object) -> InputError:
    """Make the error for a single fault in the words of `faults.toml`: `raise refused(...)`."""
    return InputError([fault_of(place, told, **values)])


def is_ours(error: BaseException, *kinds: type[Exception]) -> bool:
    """Whether an exception is a slip of ours, or of `kinds` too, by the lines that raised it: no fault of a file."""
    frames = [frame for frame, _ in traceback.walk_tb(error.__traceback__)]
    raised_in = str(frames[-1].f_globals.get("__name__")) if frames else ""
    return (
        isinstance(error, (*_SLIPS, *kinds))
        and not isinstance(error, InputError)
        and raised_in.partition(".")[0] == __name__.partition(".")[0]
    )


@cache
def _words() -> Any:
    return tomllib.loads(files("leaveby").joinpath("faults.toml").read_text(encoding="utf-8"))


def _shown(letter: str) -> str:
    if letter.isspace():
        return " "
    hidden = unicodedata.category(letter) in {"Cc", "Cf", "Cs", "Co", "Cn"} and letter != "\u200d"
    return "" if hidden else letter


def clean(text: str, limit: int | None = None) -> str:
    """Make a name fit to be shown on one line: no control characters, no line breaks, no more than `limit` letters.

    Characters that turn the direction of the text are taken out as well, since they can make a line read otherwise
    than it stands.

    >>> clean("a\\x00b\\n  c"), clean("Sallow Spur Road", 8)
    ('ab c', 'Sallow …')
    """
    kept = text if text.isprintable() else "".join(map(_shown, text))
    line = " ".join(kept.split())
    if limit is not None and len(line) > limit:
        return line[: limit - 1] + "…"
    return line
