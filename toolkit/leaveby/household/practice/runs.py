"""Practice runs as nouns: from the lines of `practice.csv`, as pressed or written, to runs with their times."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Final

from leaveby import parameters
from leaveby.household.plan_tables import TaskWay

WHOLE: Final = "(whole run)"
PAUSE: Final = "(pause)"
UNDONE: Final = "undone"
COLUMNS: Final = ("date", "way", "who", "task", "start", "stop", "note")


@dataclass(frozen=True)
class Row:
    """One line of `practice.csv`: something begun, or begun and ended.

    `began` is when its run began, which with the way tells the run; `task` is one of the plan's, or `WHOLE` or `PAUSE`.
    Of lines with the same run, task and start the last counts: a stop is written as a new line, and so is what is
    undone. Moments have no UTC offset: the clock of the place, going on evenly through a run.
    """

    began: datetime
    way: TaskWay
    who: tuple[str, ...]
    task: str
    start: datetime
    stop: datetime | None = None
    note: str = ""


@dataclass(frozen=True)
class Run:
    """One practice of a way: how long each task took that was ended, pauses taken off, in the order of their starts.

    - `total_s`: from the first press to the last, pauses taken off; None where the run was not ended.
    - `noted`: the words of its notes; `who`: everybody who did something; `open`: tasks that were begun and not ended.
    """

    began: datetime
    way: TaskWay
    lasts_s: tuple[tuple[str, float], ...]
    total_s: float | None
    noted: frozenset[str] = frozenset()
    who: tuple[str, ...] = ()
    open: tuple[str, ...] = ()

    @property
    def times_s(self) -> Mapping[str, float]:
        """How long each task took."""
        return dict(self.lasts_s)

    @property
    def on_the_day(self) -> float:
        """What the times of this run are multiplied by, for the stress, dark and heat that it did not have."""
        dark = 0.0 if "dark" in self.noted else parameters.PRACTICE_DARK_SHARE.value
        heat = 0.0 if "hot" in self.noted else parameters.PRACTICE_HEAT_SHARE.value
        return 1.0 + parameters.PRACTICE_STRESS_SHARE.value + dark + heat


@dataclass(frozen=True)
class Practice:
    """What `practice.csv` holds: runs by when they began, and what has to be said of the file."""

    file: str
    runs: tuple[Run, ...]
    said: tuple[str, ...] = ()


def standing(rows: Iterable[Row]) -> list[Row]:
    """Give the lines that count: of each start the last, unless it was undone, in the order of the starts.

    >>> from dataclasses import replace
    >>> at = datetime(2026, 10, 3, 14, 5)
    >>> begun = Row(at, "car", ("Bo",), "bags", at)
    >>> done = replace(begun, stop=at.replace(minute=9))
    >>> standing([begun, done]) == [done], standing([begun, done, begun]) == [begun]
    (True, True)
    >>> standing([begun, replace(begun, note=UNDONE)])
    []
    """
    last = {(row.began, row.way, row.task, row.start): row for row in rows}
    return sorted((row for row in last.values() if UNDONE not in words_of(row.note)), key=lambda row: row.start)


def words_of(note: str) -> frozenset[str]:
    """Take a note apart into its words.

    >>> sorted(words_of("Dark, wet"))
    ['dark', 'wet']
    """
    return frozenset(re.findall(r"\w+", note.casefold()))


def lasted_s(row: Row, pauses: Sequence[Row], *, until: datetime | None = None) -> float:
    """How long a line's task lasted, pauses taken off; what is still open lasts until the given moment."""
    stop = row.stop or until or row.start
    spans = ((max(row.start, pause.start), min(stop, pause.stop or until or stop)) for pause in pauses)
    return (stop - row.start).total_seconds() - sum(max(0.0, (b - a).total_seconds()) for a, b in spans)


def runs_of(rows: Sequence[Row]) -> tuple[Run, ...]:
    """Make runs of the lines, by when they began."""
    kept = sorted(standing(rows), key=lambda row: (row.began, row.way))
    return tuple(_run(list(group)) for _, group in groupby(kept, key=lambda row: (row.began, row.way)))


def _run(rows: Sequence[Row]) -> Run:
    pauses = [row for row in rows if row.task == PAUSE]
    whole = [row for row in rows if row.task == WHOLE]
    tasks = [row for row in rows if row.task not in (WHOLE, PAUSE)]
    lasts_s: dict[str, float] = {}
    for row in tasks:
        if row.stop is not None:
            lasts_s[row.task] = lasts_s.get(row.task, 0.0) + lasted_s(row, pauses)
    unfinished = tuple(dict.fromkeys(row.task for row in tasks if row.stop is None))
    ended = [row for row in whole if row.stop is not None]
    return Run(
        began=rows[0].began,
        way=rows[0].way,
        lasts_s=tuple((task, time_s) for task, time_s in lasts_s.items() if task not in unfinished),
        total_s=sum(lasted_s(row, pauses) for row in ended) if ended else None,
        noted=frozenset[str]().union(*(words_of(row.note) for row in rows)),
        who=tuple(dict.fromkeys(name for row in tasks for name in row.who)),
        open=unfinished,
    )
