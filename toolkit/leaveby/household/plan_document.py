"""A plan document whose shape is not known to be right: what can be read of it, and how its places are named.

Whatever is not of the right kind is passed over here: its shape is at fault and is reported with the others.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from leaveby.errors import Fault
from leaveby.regions import table

NAMED_TABLES = ("people", "animals", "vehicles", "tasks", "safe_points", "ignitions", "ratings", "official_sources")


@dataclass(frozen=True)
class Document:
    """A document as it was read, and the file that it came from."""

    content: Mapping[str, object]
    where: str

    def fault(self, loc: Sequence[str | int], told: str, /, **values: object) -> Fault:
        """Make a fault of one key, in the words that `plan_faults.toml` has for it."""
        words = table("household/plan_faults")[told]
        said = (words[part].format(**values) for part in ("wrong", "expected", "mend"))
        return Fault(place_of(self.content, loc, where=self.where), *said)

    def section(self, name: str) -> Mapping[str, object]:
        """Give a section; empty where there is none."""
        found = self.content.get(name)
        return found if isinstance(found, Mapping) else {}

    def tables(self, name: str) -> Iterator[tuple[int, Mapping[str, object]]]:
        """Give the tables of one kind, with their positions."""
        found = self.content.get(name)
        for number, one in enumerate(found if isinstance(found, list) else ()):
            if isinstance(one, Mapping):
                yield number, one


def place_of(document: Mapping[str, object], loc: Sequence[str | int], *, where: str = "") -> str:
    """Say where a key stands, as the writer of the file would: with the name that the table carries.

    Tables of one kind are counted from 1, in the order of the file.

    Examples
    --------
    >>> place_of({"tasks": [{"name": "hitch"}]}, ("tasks", 0, "hands"), where="home.toml")
    'home.toml: tasks[1] "hitch": hands'
    >>> place_of({}, ("plan", "confidence"))
    '[plan] confidence'
    """
    section, rest = str(loc[0]), list(loc[1:])
    if rest and isinstance(rest[0], int) and section in NAMED_TABLES:
        number = rest.pop(0)
        text = f"{section}[{int(number) + 1}]"
        tables = document.get(section)
        if isinstance(tables, Sequence) and int(number) < len(tables):
            one = tables[int(number)]
            name = one.get("name") if isinstance(one, Mapping) else None
            text += f' "{name}"' if isinstance(name, str) else " (without a name)"
        if rest:
            text += ": "
    elif section in NAMED_TABLES:
        text = f"[[{section}]]"
    else:
        text = f"[{section}]" + (" " if rest else "")
    keys = [f"[{key + 1}]" if isinstance(key, int) else f".{key}" for key in rest]
    text += "".join(keys).removeprefix(".")
    return f"{where}: {text}" if where else text


def nearest_word(word: str, known: Iterable[str]) -> str | None:
    """Find the known word that was probably meant, or None."""
    by_folded = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def meant(word: object, known: Iterable[str], otherwise: str) -> str:
    """Say how to mend a word: by the known one that was probably meant, or otherwise.

    Examples
    --------
    >>> meant("confidnce", ["confidence", "members"], "take it away")
    'write "confidence" if that was meant'
    """
    near = nearest_word(word, known) if isinstance(word, str) else None
    return f'write "{near}" if that was meant' if near is not None else otherwise


def number_in(value: object) -> float | None:
    """Give a value that is a finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def text_in(value: object) -> str | None:
    """Give a value that is a text with something in it, or None."""
    return value if isinstance(value, str) and value.strip() else None


def texts_in(value: object) -> list[str]:
    """Give the texts of a list."""
    return [item for item in value if isinstance(item, str)] if isinstance(value, list) else []


def listed(names: Iterable[str]) -> str:
    """Put names in quotes, one after another."""
    return ", ".join(f'"{name}"' for name in names)
