"""Writes `practice.csv`: a line for each press, on the disk before the next one is taken."""

from __future__ import annotations

import csv
import io
import os
from datetime import datetime
from pathlib import Path
from typing import Final

from leaveby.errors import refused
from leaveby.files.read.practice import BETWEEN_NAMES, read_rows
from leaveby.household.practice.runs import COLUMNS, Row

_CLOCK: Final = "%H:%M:%S"


def append_row(path: Path, row: Row) -> None:
    """Add a line to the file, in its own columns, and wait until the disk has it; InputError where it can't be written.

    A line that was cut off when a machine stopped is taken away: it was never confirmed to anybody.
    """
    told, new = read_rows(path), not path.exists()
    try:
        with path.open("x+b" if new else "r+b") as file:
            file.seek(max(told.whole - 1, 0))
            ended = file.read(1) in b"\r\n"
            file.seek(told.whole)
            file.truncate()
            head = "" if told.whole else ",".join(COLUMNS) + "\n"
            between = "" if ended or not told.whole else "\n"
            file.write((head + between + _line(row, told.separator, told.columns)).encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        if new and os.name == "posix":
            folder = os.open(path.parent, os.O_RDONLY)
            os.fsync(folder)  # the name of a new file too
            os.close(folder)
    except OSError as error:
        raise refused(path.parent, "folder_not_writable", error=error.strerror or error) from error


def _line(row: Row, separator: str, columns: tuple[str, ...]) -> str:
    held = {
        "date": row.began.strftime(f"%Y-%m-%d {_CLOCK}"),
        "way": row.way,
        "who": BETWEEN_NAMES.join(row.who),
        "task": row.task,
        "start": _clock(row.start),
        "stop": "" if row.stop is None else _clock(row.stop),
        "note": row.note,
    }
    made = io.StringIO()
    csv.writer(made, delimiter=separator, lineterminator="\n").writerow([held.get(name, "") for name in columns])
    return made.getvalue()


def _clock(moment: datetime) -> str:
    return moment.strftime(_CLOCK)
