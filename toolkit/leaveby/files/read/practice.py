"""Reads `practice.csv`, the practice runs beside a plan: as it was written press by press, or edited by hand.

A run is told by its `date`, a day or a day and the time at which it began, and its `way`. Clock times earlier than its
beginning are after midnight. A comma or a semicolon stands between the cells, the columns in any order.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from leaveby.errors import Faults, InputError, refused
from leaveby.files.read.guard import raw_of, wrong_with
from leaveby.household.plan_tables import TASK_WAYS
from leaveby.household.practice.runs import COLUMNS, Practice, Row, runs_of

NAME: Final = "practice.csv"
LONGEST: Final = timedelta(hours=12)
BETWEEN_NAMES: Final = " + "
_TIME: Final = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,]\d+)?)?")
_DATE: Final = re.compile(r"(\d{4}-\d\d-\d\d)(?:[ T]+(\S+))?")
_CUT: Final = "The last line of practice.csv was cut off while it was written, and is left out: press that once more."


class Told(NamedTuple):
    """What a file holds: the lines that can be read, its separator and columns, and what has to be said of it."""

    rows: tuple[Row, ...]
    separator: str = ","
    columns: tuple[str, ...] = COLUMNS
    said: tuple[str, ...] = ()
    whole: int = 0
    """So many bytes are whole lines; after them there is only one that was cut off."""


def practice_beside(plan: str | Path) -> Path:
    """Give where the practice runs of a plan file lie."""
    return Path(plan).parent / NAME


def read_practice(path: Path) -> Practice | None:
    """Read the practice runs of a file; None where there is none, or nothing in it.

    Raises
    ------
    InputError
        With every fault, by line.
    """
    told = read_rows(path)
    runs = runs_of(told.rows)
    return Practice(str(path), runs, told.said) if runs else None


def read_rows(path: Path) -> Told:
    """Read the lines of a file, which may not be there yet; InputError with every fault of it, by line."""
    if wrong_with(path).startswith("there is no"):
        return Told(())
    raw = raw_of(path, expected="the record of practice runs")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise refused(f"{path} line {line}", "practice_not_utf8") from error
    (told, faults), whole = _read(text, path), len(raw) if text.strip() else 0
    if faults and not text.endswith(("\n", "\r")):
        # only a line that was being written when the machine stopped has no end
        whole = max(raw.rfind(b"\n"), raw.rfind(b"\r")) + 1
        told, faults = _read(raw[:whole].decode("utf-8-sig"), path)
        told = told._replace(said=(_CUT,))
    faults.refuse()
    return told._replace(whole=whole)


def _read(text: str, path: Path) -> tuple[Told, Faults]:
    faults, lines = Faults(), text.splitlines(keepends=True)
    first = lines[0] if lines else ""
    separator = ";" if first.count(";") > first.count(",") else ","
    cells = _cells(lines, separator, path, faults)
    columns = tuple(cell.strip().casefold() for cell in next(cells, (1, list(COLUMNS)))[1])
    missing = [name for name in COLUMNS if name not in columns]
    if missing or len(set(columns)) != len(columns):
        lacks = ", ".join(missing) or "nothing, and names a column twice"
        faults.tell(f"{path} line 1", "practice_columns", lacks=lacks, columns=",".join(COLUMNS))
        return Told(()), faults
    rows, began = [], dict[tuple[str, str], datetime]()
    for line, held in cells:
        place = f"{path} line {line}"
        if len(held) > len(columns):
            faults.tell(place, "practice_cells", cells=len(held), most=len(columns))
            continue
        named = dict.fromkeys(columns, "") | dict(zip(columns, (cell.strip() for cell in held), strict=False))
        row = _row(named, place, began, faults)
        if row is not None:
            rows.append(row)
    return Told(tuple(rows), separator, columns), faults


def _cells(lines: list[str], separator: str, path: Path, faults: Faults) -> Iterator[tuple[int, list[str]]]:
    """Give the cells of each line that is not empty, with its number."""
    reader = csv.reader(lines, delimiter=separator, strict=True)
    line = 1
    while True:
        try:
            held = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            faults.tell(f"{path} line {line}", "practice_quotes", error=error)
        else:
            if any(cell.strip() for cell in held):
                yield line, held
        line = reader.line_num + 1


def _row(named: dict[str, str], place: str, began: dict[tuple[str, str], datetime], faults: Faults) -> Row | None:
    """Make one line; the first one of a run tells when it began, where its date does not."""
    before = len(faults)
    way = next((one for one in TASK_WAYS if one == named["way"].casefold()), None)
    if way is None:
        faults.add(f"{place}: way", f'is "{named["way"]}"', f"one of {', '.join(TASK_WAYS)}", "name the way of the run")
    if not named["task"]:
        faults.add(f"{place}: task", "is empty", "the name of a task", "name what was done, or take the line out")
    start, stop = (_clock(named[key], f"{place}: {key}", faults) for key in ("start", "stop"))
    if start is None and not named["start"]:
        faults.add(f"{place}: start", "is empty", "a clock time, 14:05 or 14:05:09", "write when it was begun")
    day = _moment(named["date"], start, f"{place}: date", faults)
    if len(faults) > before or way is None or start is None or day is None:
        return None
    run = began.setdefault((named["date"], way), day)
    starts = _after(run, start)
    stops = None if stop is None else _after(starts, stop)
    for key, moment, since in (("start", starts, run), ("stop", stops, starts)):
        if moment is not None and moment - since > LONGEST:
            since_words = "the run began" if key == "start" else "its start"
            faults.tell(f"{place}: {key}", "practice_before", told=named[key], what=since_words, since=since)
    who = tuple(name.strip() for name in named["who"].split(BETWEEN_NAMES.strip()) if name.strip())
    return Row(run, way, who, named["task"], starts, stops, named["note"]) if len(faults) == before else None


def _clock(text: str, place: str, faults: Faults) -> time | None:
    if not text:
        return None
    found = _TIME.fullmatch(text)
    try:
        if found is not None:
            hour, minute, second = (int(part or 0) for part in found.groups())
            return time(hour, minute, second)
    except ValueError:
        pass
    faults.add(place, f'is "{text}"', "a clock time, 14:05 or 14:05:09", "write it so")
    return None


def _moment(text: str, start: time | None, place: str, faults: Faults) -> datetime | None:
    """When a run began: its date with the time beside it, or else with the first start."""
    found = _DATE.fullmatch(text)
    try:
        day = date.fromisoformat(found[1]) if found else None
    except ValueError:
        day = None
    if found is None or day is None:
        faults.add(place, f'is "{text}"', "a day, 2026-10-03, with the time its run began or without", "write it so")
        return None
    at = _clock(found[2], place, faults) if found[2] else start
    return None if at is None else datetime.combine(day, at)


def _after(since: datetime, at: time) -> datetime:
    """The first moment with this clock time that is not before another one."""
    same_day = datetime.combine(since.date(), at)
    return same_day if same_day >= since else same_day + timedelta(days=1)


def read_beside(plan: str | Path) -> tuple[Practice | None, InputError | None]:
    """Read what lies beside a plan, or give what is wrong with it, to be said with the faults of the plan."""
    try:
        return read_practice(practice_beside(plan)), None
    except InputError as error:
        return None, error
