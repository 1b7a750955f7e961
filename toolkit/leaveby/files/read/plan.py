"""Reads a plan file: TOML with the standard library, file names resolved against the plan, every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from leaveby.errors import Fault, InputError, fault_of, refused
from leaveby.files.read.guard import MOST_PLAN_BYTES, named_in, regular, text_of, wrong_with
from leaveby.files.read.legends import LEGENDS, fitting_raster
from leaveby.household.plan import Plan
from leaveby.household.plan_document import place_of
from leaveby.household.plan_file import plan_from_document

FILE_KEYS: Final = (
    ("roads", "file"),
    ("neighbours", "file"),
    ("terrain", "file"),
    ("fuel", "file"),
    ("fuel", "legend"),
    ("weather", "file"),
    ("ratings", "weather_file"),
    ("rules", "starts_file"),
    ("rules", "terrain_file"),
    ("rules", "fuel_file"),
    ("rules", "fuel_legend"),
)
KINDS: Final = ("plan", "drill", "district")
_PLACE: Final = re.compile(
    r"(?:\[(?P<plain>\w+)\](?: (?P<plain_key>\w+)\S*)?|"
    r"(?P<table>\w+)\[(?P<number>\d+)\](?: \".*\"| \(without a name\))?(?:: (?P<key>\w+).*)?)"
)
_HEADER: Final = re.compile(r"\s*\[{1,2}\s*(?P<name>\w+)\s*\]{1,2}\s*(?:#.*)?$")
_MENDS: Final = {"is a folder": "name the file in it", "may not be read": "ask for the right to read it"}
_LINE: Final = re.compile(r"\(at (line \d+, column \d+|end of document)\)")


def read_plan(path: str | Path, *, fire_models: Collection[str] | None = None, text: str | None = None) -> Plan:
    """Read a plan file (TOML), in which file names are relative to its own folder.

    `fire_models` are the rate-of-spread equations that exist; None leaves their names unchecked. `text` is read instead
    of what the file holds. Raises InputError with every fault: of the file itself, of its keys, between its keys, and
    of the files that it names.

    Examples
    --------
    >>> read_plan("no_such_plan.toml")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_plan.toml: there is no such file. Expected a plan file (TOML). To mend it: ...
    """
    path = Path(path)
    text = toml_text(path) if text is None else text
    document = toml_document(text, where=str(path))
    refuse_another("plan", document, where=str(path))
    return plan_in(document, path, text=text, fire_models=fire_models)


def plan_in(document: dict[str, Any], path: Path, *, text: str, fire_models: Collection[str] | None = None) -> Plan:
    """Check a document with the sections of a plan, in which file names are relative to the folder of `path`.

    `text` is what the file holds, to name the lines of faults. Raises InputError as `read_plan`.
    """
    faults: list[Fault] = []
    for section, key in FILE_KEYS:
        for loc, table in _tables(document, section):
            held = table.get(key)
            names = held if isinstance(held, list) else [held]
            for number, name in enumerate(names):
                if not isinstance(name, str) or not name.strip() or ("legend" in key and name in LEGENDS):
                    continue
                found, wrong = named_in(path.parent, name)
                names[number] = str(found)
                if wrong:
                    wanted = "a file, its name relative to the folder of the plan"
                    if "legend" in key:
                        wanted += f"; or a known map, {', '.join(LEGENDS)}"
                    place = place_of(document, (*loc, key, *([number] if held is names else [])), where=str(path))
                    faults.append(fault_of(place, "named_file_missing", name=name, wrong=wrong, wanted=wanted))
            if isinstance(held, str):
                table[key] = names[0]
    try:
        plan = plan_from_document(document, where=str(path), fire_models=fire_models)
    except InputError as error:
        told = [_with_map(fault, document) for fault in error.faults]
        said = (with_line(fault, text, where=str(path)) for fault in (*told, *faults))
        raise InputError(said, more=error.more) from error
    if faults:
        raise InputError(with_line(fault, text, where=str(path)) for fault in faults)
    return plan


def _with_map(fault: Fault, document: dict[str, Any]) -> Fault:
    """Name the known map that a raster without a legend can be, in how to mend that."""
    found = re.search(r"\[(fuel|rules)\] (fuel_)?legend$", fault.place)
    file = document[found[1]].get(f"{found[2] or ''}file") if found else None
    if found is None or not fault.wrong.startswith("is missing") or not isinstance(file, str):
        return fault
    try:
        maps = fitting_raster(Path(file))
    except InputError:  # its own faults are said when the plan's shape is right
        return fault
    words = " or ".join(f'{found[2] or ""}legend = "{one}"' for one in maps)
    only = ", the one known map that has all its codes" if len(maps) == 1 else ", whichever map it is"
    return replace(fault, mend=f"write {words}{only}; or {fault.mend}") if maps else fault


def _tables(document: dict[str, Any], section: str) -> Iterator[tuple[tuple[str | int, ...], dict[str, Any]]]:
    """Give a section, or each of the tables of its name, and where it stands."""
    held = document.get(section)
    for number, table in enumerate(held if isinstance(held, list) else [held]):
        if isinstance(table, dict):
            yield ((section, number) if isinstance(held, list) else (section,)), table


def with_line(fault: Fault, text: str, *, where: str) -> Fault:
    """Add the line to the place of a fault, if the file is written in the usual way: headers and keys on their own.

    Examples
    --------
    >>> fault = Fault("my.toml: [plan] seed", "is -1", "0 or more", "correct it")
    >>> with_line(fault, "[plan]\\nseed = -1\\n", where="my.toml").place
    'my.toml line 2: [plan] seed'
    """
    found = _PLACE.fullmatch(fault.place.removeprefix(f"{where}: "))
    if found is None:
        return fault
    section, number, key = (
        found["plain"] or found["table"],
        int(found["number"] or 1),
        found["key"] or found["plain_key"],
    )
    line, met = None, 0
    for count, row in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(row)
        if header is not None:
            if met == number:
                break
            met += header["name"] == section
            line = count if met == number else None
        elif met == number and key is not None and re.match(rf"\s*{re.escape(key)}\s*=", row):
            line = count
            break
    if line is None:
        return fault
    return replace(fault, place=f"{where} line {line}: {found[0]}")


def refuse_another(kind: str, document: Collection[str], *, where: str) -> None:
    """Refuse a file of another kind: each has a section of its name, and no other has that."""
    other = next((one for one in KINDS if one in document), kind)
    if kind not in document and other != kind:
        raise refused(where, "file_of_another_kind", kind=kind, other=other)


def has_any(path: Path, sections: Collection[str]) -> bool:
    """Whether a file can be read and has any of some sections."""
    try:
        return not toml_document(toml_text(path), where=str(path)).keys().isdisjoint(sections)
    except InputError:
        return False


def toml_text(path: Path, *, what: str = "a plan file (TOML)") -> str:
    """Read a TOML file as text."""
    mend = _MENDS.get(wrong_with(path), "check the name and the folder; `leaveby demo` shows an example plan")
    regular(path, expected=what, mend=mend, most_bytes=MOST_PLAN_BYTES)
    return text_of(path, place=str(path), told="toml_not_utf8")


def toml_document(text: str, *, where: str) -> dict[str, Any]:
    """Parse TOML.

    Examples
    --------
    >>> toml_document("a = 1", where="my.toml")
    {'a': 1}
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        told = _LINE.search(str(error))
        place = f"{where} {told.group(1)}" if told else where
        wrong = _LINE.sub("", str(error)).strip()
        raise refused(place, "toml_unreadable", wrong=wrong[:1].lower() + wrong[1:]) from error
    except RecursionError as error:
        raise refused(where, "toml_unreadable", wrong="lists or tables stand too deep within each other") from error
    except (ValueError, OverflowError) as error:
        raise refused(where, "toml_unreadable", wrong="it holds a number of too many digits, or no date") from error
