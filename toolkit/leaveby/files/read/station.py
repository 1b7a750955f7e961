"""A weather station's own export: which of its columns is what, in which unit, and how its times are written.

`likely` proposes that, and says in words what was taken; a plan holds it (`[weather] columns`, `clock`,
`time_format`), and `in_our_words` brings the table to the names and forms of `leaveby.fire.weather.table` by it. How
stations name things stands in `station.toml`.
"""

from __future__ import annotations

import csv
import re
import zoneinfo
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from leaveby.errors import Faults, refused
from leaveby.files.read.guard import raw_of
from leaveby.fire.weather.series import LIMITS, to_ours
from leaveby.fire.weather.table import KNOWN_COLUMNS
from leaveby.household.plan_document import meant
from leaveby.regions import table, table_rows

_WORDS: Final[Mapping[str, Any]] = table("files/read/station")
_WRITTEN: Final[Mapping[str, Any]] = _WORDS["written"]
_QUANTITIES: Final = [name for name in _WORDS if name not in ("units", "written")]
_NEEDED: Final = ("air_temperature_c", "relative_humidity_percent", "wind_speed_m_s", "wind_from_deg")
_TO_OURS: Final = {row["name"]: to_ours(row) for row in table_rows("leaveby.fire.weather", "columns.csv")}
COLUMNS: Final = ("time", "date", "wind_from_compass", *KNOWN_COLUMNS)
"""What `[weather] columns` may hold: the names of the columns of our own tables, with the unit in each; `date` beside
`time` where a station has a column for each; `wind_from_compass` where it writes NW and the like."""

FORECASTS: Final = (".nc", ".nc4", ".cdf")
"""Endings of gridded forecasts, which are no tables."""

_SEPARATORS: Final = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_DATED: Final = re.compile(r"\d{4}|\d+[/.-]\d+")
_WITH_TIME: Final = re.compile(r"\d[/. -]\D*\d.*\d:\d|^\d{8} ?\d\d|\d[ -][A-Za-z]{3}[ -]\d.*:")
_CLOCK: Final = re.compile(r"^\d{1,2}:\d")


@dataclass(frozen=True)
class Station:
    """How a station's export is to be read: our name and its name of each column, its clock, how its times look.

    - `clock`: where its times have no offset: "+11:00", "UTC" or a zone such as "Australia/Sydney".
    - `time_format`: where its times are not in ISO 8601: as `strptime` has it, "%d/%m/%Y %H:%M".
    """

    columns: tuple[tuple[str, str], ...] = ()
    clock: str | None = None
    time_format: str | None = None

    def __str__(self) -> str:
        """The keys of a plan."""
        lines = [f"columns = {{ {', '.join(f'{ours} = {_quoted(theirs)}' for ours, theirs in self.columns)} }}"]
        lines += [f"clock = {_quoted(self.clock)}"] if self.clock else []
        lines += [f"time_format = {_quoted(self.time_format)}"] if self.time_format else []
        return "; ".join(lines)


OWN: Final = Station()
"""No export: our own table."""


@dataclass(frozen=True)
class Sheet:
    """A table of text as it stands in a file.

    - `units`: what stands in a line under the names, "" where there is none.
    - `rows`, `lines`: cells, and the line of the file of each row.
    - `said`: how it is written, where that is not our own way.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    said: tuple[str, ...]

    def column(self, name: str) -> list[str]:
        """The cells of a column."""
        at = self.names.index(name)
        return [row[at] for row in self.rows]

    @property
    def ours(self) -> bool:
        """Whether it has the names of our own tables."""
        return "time" in self.names and len({*self.names} & {*KNOWN_COLUMNS}) >= 2


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def read_sheet(path: Path, *, where: str) -> Sheet:
    """Read an export whatever it is written in: UTF-8, UTF-16 or cp1252; commas, semicolons, tabs or bars.

    Lines before the names are passed over, and so are comments with #. Raises InputError for what is no table.
    """
    raw = raw_of(path, expected="a weather table", place=where)
    said = []
    try:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text, coded = raw.decode("utf-16"), "UTF-16"
        else:
            text, coded = raw.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        try:
            text, coded = raw.decode("cp1252"), "Windows letters (cp1252)"
        except UnicodeDecodeError as error:
            raise refused(where, "csv_not_utf8") from error
    if "\0" in text:
        raise refused(where, "csv_not_utf8")
    said += [f"it was read as {coded}"] if coded else []
    kept = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    try:
        cut = {mark: [next(csv.reader([line], delimiter=mark), []) for _, line in kept] for mark in _SEPARATORS}
    except csv.Error as error:
        raise refused(where, "row_unreadable", error=error) from error
    often = {mark: Counter(map(len, rows)).most_common(1)[0] for mark, rows in cut.items() if rows}
    mark = max(often, key=lambda one: (often[one][0] > 3) * often[one][0] * often[one][1], default=",")
    width = often[mark][0] if often else 0
    body = [(number, tuple(cell.strip() for cell in row)) for (number, _), row in zip(kept, cut[mark], strict=True)]
    body = body[next((at for at, (_, row) in enumerate(body) if len(row) == width), 0) :]
    if width < 4 or len(body) < 2:
        raise refused(where, "no_table")
    if mark != ",":
        said.append(f"its columns are separated by {_SEPARATORS[mark]}")
    names, rest = body[0][1], body[1:]
    units = ("",) * width
    if len(rest[0][1]) == width and not any(re.search(r"\d{2}", cell) for cell in rest[0][1]):
        units, rest = rest[0][1], rest[1:]
    faults = Faults()
    for number, row in rest:
        if len(row) != width:
            faults.tell(f"{where} row {number}", "row_of_other_width", values=len(row), width=width)
    faults.refuse(most=5)
    if any(re.fullmatch(r"-?\d+,\d+", cell) for _, row in rest for cell in row):
        said.append("its numbers have decimal commas")
        rest = [(number, tuple(re.sub(r"^(-?\d+),(\d+)$", r"\1.\2", cell) for cell in row)) for number, row in rest]
    return Sheet(names, units, tuple(row for _, row in rest), tuple(number for number, _ in rest), tuple(said))


def likely(sheet: Sheet, *, where: str, clock: str, given: Station = OWN) -> tuple[Station, tuple[str, ...]]:
    """Propose what the columns of an export are, and say what was taken.

    A unit that the export does not name is taken to be the one, of those that its numbers allow, that burns fastest.

    - `clock`: of the place, for times without an offset, where no name says UTC.
    - `given`: what is known already, and is kept.

    Raises InputError with every column that is missing or that several could be, and what to write.
    """
    faults, known, said = Faults(), dict(given.columns), []
    stems = {_quantity(ours): theirs for ours, theirs in known.items()}
    for quantity in _QUANTITIES:
        if quantity in stems:
            continue
        ours, found = _WORDS[quantity]["ours"], _candidates(sheet, quantity, taken=[*stems.values()])
        if quantity == "date" and ("time" not in stems or _DATED.search(_first(sheet, stems["time"]))):
            continue
        if len(found) > 1:
            written = " or ".join(f"{_our_name(sheet, quantity, one)[0]} = {_quoted(one)}" for one in found)
            faults.tell(where, "columns_in_doubt", what=_named(quantity), found=", ".join(found), written=written)
        elif not found and quantity in (*_NEEDED, "time"):
            listed = ", ".join(name for name in sheet.names if name)
            faults.tell(where, "column_not_found", what=_named(quantity), names=listed, ours=ours[0])
        elif found:
            name, why = _our_name(sheet, quantity, found[0])
            known[name], stems[quantity] = found[0], found[0]
            said.append(f"{name} is its column {_quoted(found[0])}{why}")
    faults.refuse()
    how, zone = given.time_format, given.clock
    texts = _moments(sheet, known)
    if how is None and any(_iso(text) is None for text in texts if text):
        how = _format_of(texts, where=where)
        said.append(f'its times are written as "{how}"')
    if zone is None and not all(_has_offset(text, how) for text in texts):
        told = re.search(
            r"\b(utc|gmt|zulu|z)\b", _plain(" ".join(known[one] for one in ("time", "date") if one in known))
        )
        zone = "UTC" if told else clock
        said.append(f"its clock is {zone}" + ("" if told else ", that of the place, since it names none"))
    return Station(tuple(known.items()), zone, how), (*said, *sheet.said)


def in_our_words(
    sheet: Sheet, station: Station, *, where: str
) -> tuple[dict[str, list[str]], list[int], tuple[str, ...]]:
    """Bring an export to the columns of our own tables, the lines of the file they stand on, and what was done.

    Raises InputError for columns that it lacks, names of ours that there are not, and an unknown clock. Cells that
    can't be read stay as they are, for the reader of our tables to name them.
    """
    faults, known = Faults(), dict(station.columns)
    for ours, theirs in known.items():
        if ours not in COLUMNS:
            faults.tell(
                where,
                "no_such_column_of_ours",
                ours=ours,
                known=", ".join(COLUMNS),
                mend=meant(ours, COLUMNS, "correct it"),
            )
        elif theirs not in sheet.names:
            mend = meant(theirs, sheet.names, "write one of them")
            faults.tell(where, "no_such_column", theirs=theirs, names=", ".join(sheet.names), mend=mend)
    if "time" not in known:
        faults.tell(where, "column_not_found", what="the time", names=", ".join(sheet.names), ours="time")
    zone = _zone(station.clock, faults, where)
    faults.refuse()
    columns: dict[str, list[str]] = {"time": []}
    for text in _moments(sheet, known):
        moment = _moment(text, station.time_format)
        if moment is not None and moment.tzinfo is None and zone is not None:
            moment = moment.replace(tzinfo=zone)
        columns["time"].append(text if moment is None else moment.isoformat())
    for ours, theirs in known.items():
        if ours in ("time", "date"):
            continue
        cells = ["" if cell.lower() in _WRITTEN["missing"] else cell for cell in sheet.column(theirs)]
        if ours == "wind_from_compass":
            ours, cells = "wind_from_deg", [_degrees(cell) for cell in cells]
        columns[ours] = cells
    lines, said = [*sheet.lines], list(sheet.said)
    moments = [_iso(text) for text in columns["time"]]
    if len(moments) > 1 and all(a and b and a.tzinfo and b.tzinfo and a > b for a, b in pairwise(moments)):
        columns, lines = {name: cells[::-1] for name, cells in columns.items()}, lines[::-1]
        said.append("its rows were turned, for the newest stood first")
    return columns, lines, tuple(said)


def _candidates(sheet: Sheet, quantity: str, *, taken: Sequence[str]) -> list[str]:
    """Columns that may be a quantity; of several, those that hold something, then those with a unit in their name."""
    word = _WORDS[quantity]
    found = [
        name
        for name in sheet.names
        if name not in taken and re.search(word["names"], _plain(name)) and not re.search(word["without"], _plain(name))
    ]
    found = [name for name in found if _held(sheet, name)]
    if quantity == "gust_m_s":  # not needed, and a gap in it would be a fault
        found = [name for name in found if len(_held(sheet, name)) == len(sheet.rows)]
    if quantity in ("time", "date"):
        kinds = (_WITH_TIME, _CLOCK) if quantity == "time" else (_DATED,)
        return next((one for kind in kinds if (one := [n for n in found if kind.search(_first(sheet, n))])), [])
    return found


def _held(sheet: Sheet, name: str) -> list[str]:
    """The cells of a column that hold something."""
    return [cell for cell in sheet.column(name) if cell.lower() not in ("", *_WRITTEN["missing"])]


def _plain(name: str) -> str:
    """A name in small letters, its words apart: windSpeed, wind_speed and Wind-Speed [m/s] are alike."""
    apart = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", name)
    return " ".join(re.sub(r"[^a-z0-9à-ÿ%°/]+", " ", apart.lower()).split())


def _first(sheet: Sheet, name: str) -> str:
    return next((cell for cell in sheet.column(name) if cell), "")


def _quantity(ours: str) -> str:
    return next((one for one in _QUANTITIES if ours in _WORDS[one]["ours"]), ours)


def _named(quantity: str) -> str:
    return f"the {LIMITS[quantity][0]}" if quantity in LIMITS else f"the {quantity}"


def _our_name(sheet: Sheet, quantity: str, theirs: str) -> tuple[str, str]:
    """Our name of a column, which tells its unit, and what of it was supposed."""
    ours: list[str] = _WORDS[quantity]["ours"]
    cells = _held(sheet, theirs)
    if quantity == "wind_from_deg":
        words = any(re.fullmatch(r"[A-Za-z -]+", cell) for cell in cells)
        return (ours[1], ", in words of the compass") if words else (ours[0], "")
    if len(ours) == 1:
        return ours[0], ""
    told = f"{_plain(theirs)} {sheet.units[sheet.names.index(theirs)].lower()}".strip()
    for unit, pattern in _WORDS["units"].items():
        named = [one for one in ours if one.endswith(f"_{unit}")]
        if named and re.search(pattern, told):
            return named[0], ""
    numbers = np.array([float(cell) for cell in cells if re.fullmatch(r"-?\d+(\.\d+)?", cell)] or [0.0])
    _, _, low, high = LIMITS[quantity]
    for name in ours:
        factor, shift = _TO_OURS[name]
        if low <= factor * numbers.min() + shift and factor * numbers.max() + shift <= high:
            return name, ", whose unit it does not name: the one that burns fastest of those that its numbers allow"
    return ours[0], ", whose unit it does not name"


def _moments(sheet: Sheet, known: Mapping[str, str]) -> list[str]:
    times = sheet.column(known["time"])
    return (
        [f"{day} {time}" for day, time in zip(sheet.column(known["date"]), times, strict=True)]
        if "date" in known
        else times
    )


def _iso(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _moment(text: str, how: str | None) -> datetime | None:
    if how is None:
        return _iso(text)
    try:
        return datetime.strptime(text, how)
    except ValueError:
        return None


def _has_offset(text: str, how: str | None) -> bool:
    moment = _moment(text, how)
    return moment is None or moment.tzinfo is not None


def _format_of(texts: Sequence[str], *, where: str) -> str:
    """How times are written, where only one form fits all of them, and makes of them a series."""
    fits = []
    for how in _WRITTEN["formats"]:
        read = [(_moment(text, how), text) for text in texts if text]
        # digits alone can be cut in several ways
        whole = how.startswith("%Y%m")
        moments = [one if one and (not whole or f"{one:{how}}" == text) else None for one, text in read]
        if all(moments) and moments:
            steps = [abs((b - a).total_seconds()) for a, b in pairwise(moments) if a and b]
            fits.append((max(steps, default=0.0), how))
    if not fits:
        raise refused(where, "times_unreadable", text=next((text for text in texts if _iso(text) is None), ""))
    best = [how for step, how in fits if step == min(fits)[0]]
    if len(best) > 1:
        written = " or ".join(f'time_format = "{how}"' for how in best)
        raise refused(where, "times_in_doubt", text=texts[0], written=written)
    found: str = best[0]
    return found


def _zone(clock: str | None, faults: Faults, where: str) -> tzinfo | None:
    if clock is None:
        return None
    found = re.fullmatch(r"([+-])(\d\d):?(\d\d)", clock)
    if found:
        ahead = timedelta(hours=int(found[2]), minutes=int(found[3]))
        return timezone(ahead if found[1] == "+" else -ahead)
    try:
        return zoneinfo.ZoneInfo(clock)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        faults.tell(where, "no_such_clock", clock=clock)
        return None


def _degrees(word: str) -> str:
    plain: str = re.sub(r"(north|south|east|west)", lambda found: found[0][0], word.lower())
    plain = re.sub(r"[\s-]", "", plain)
    return f"{22.5 * _WRITTEN['compass'].index(plain):g}" if plain in _WRITTEN["compass"] else word
