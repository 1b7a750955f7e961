"""One practice run as it goes: what was pressed, on the disk before the next press, how things stand, and a terminal.

The file is the memory: how a run stands is read from `practice.csv` each time, so that a run goes on when whatever
served it was ended. Times in it go on evenly, by a clock that nobody can set; where the machine's own clock is set or
sleeps, the later of the two counts, and it is said.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from leaveby.ask.household import load_plan
from leaveby.caution import OVERRIDE
from leaveby.decision.ways.timing import listed_for
from leaveby.errors import clean, refused
from leaveby.files.read.practice import practice_beside, read_rows
from leaveby.files.write.practice import append_row
from leaveby.household.plan import Plan, tasks_for
from leaveby.household.plan_tables import TaskWay
from leaveby.household.practice.learned import planned_s
from leaveby.household.practice.runs import PAUSE, UNDONE, WHOLE, Row, lasted_s, runs_of, standing, words_of
from leaveby.household.scheduling import Schedule
from leaveby.show.plan.practice import run_words
from leaveby.show.templates import sentences

GOES_ON: Final = timedelta(hours=6)
"""A run that was not ended is gone on with when its last press is no older than this."""
BACK_AT_MOST: Final = timedelta(hours=24)
NOTICED: Final = timedelta(seconds=2)
NOTES: Final = ("dark", "wet", "alone", "hot")


@dataclass(frozen=True)
class Clock:
    """The machine's two clocks: the one that people set, and one that goes evenly, in seconds from whenever."""

    wall: Callable[[], datetime] = datetime.now
    even_s: Callable[[], float] = time.monotonic


@dataclass
class Watch:
    """A run of one way: `began` is None before its first press. `said` is what has to be told of it, once each."""

    plan: Plan
    way: TaskWay
    path: Path
    clock: Clock
    listed: Schedule
    began: datetime | None
    wall: datetime
    even_s: float
    said: list[str] = field(default_factory=list)


def open_watch(path: Path, way: TaskWay, *, clock: Clock | None = None) -> Watch:
    """Go on with the run of a plan's way that was not ended, or get ready for a new one.

    Raises
    ------
    InputError
        With every fault of the plan and of `practice.csv`, and where the plan has nothing to do for this way.
    """
    clock, plan, file = clock or Clock(), load_plan(path), practice_beside(path)
    if not tasks_for(plan, way):
        raise refused("--way", "nothing_to_practise", way=way)
    told = read_rows(file)
    rows, listed = standing(told.rows), listed_for(plan, way)
    wall, even_s = clock.wall(), clock.even_s()
    unended = [row.began for row in rows if row.task == WHOLE and row.way == way and row.stop is None]
    watch = Watch(plan, way, file, clock, listed, None, wall, even_s, [*told.said])
    if unended:
        last = _last([row for row in told.rows if row.began == max(unended) and row.way == way])
        if last - BACK_AT_MOST <= wall <= last + GOES_ON:
            watch.began, watch.wall = max(unended), max(wall, last)
            watch.said += _say("goes_on", watch, back=last - wall)
        else:
            watch.said += _say("never_ended", watch, day=max(unended))
    return watch


def _say(kind: str, watch: Watch, **values: object) -> list[str]:
    told: dict[str, Any] = {"back": timedelta(0), "day": None, "names": "", **values}
    return sentences("practise/said.txt.j2", kind=kind, way=watch.way, began=watch.began, **told)


def _last(rows: Sequence[Row]) -> datetime:
    return max(row.stop or row.start for row in rows)


def _own(watch: Watch) -> list[Row]:
    """The lines of this run, in the order in which they were pressed."""
    rows = read_rows(watch.path).rows
    return [row for row in rows if row.began == watch.began and row.way == watch.way]


def _now(watch: Watch, rows: Sequence[Row]) -> datetime:
    """The moment: by the even clock, or by the machine's where that is ahead; never before what was written.

    So a task that is begun anew in the second in which it was stopped begins after that, on a line of its own.
    """
    wall, even_s = watch.clock.wall(), watch.clock.even_s()
    even = watch.wall + timedelta(seconds=even_s - watch.even_s)
    if abs(wall - even) > NOTICED:
        found = _say("set_back" if wall < even else "ahead", watch, back=abs(wall - even))
        watch.said += [line for line in found if wall > even or not any("was set back" in said for said in watch.said)]
    if wall > even:
        watch.wall, watch.even_s, even = wall, even_s, wall
    return max([even, *([_last(rows)] if rows else [])])


def press(watch: Watch, action: str, *, task: str = "", who: Sequence[str] = (), note: str = "") -> str:
    """Take a press and give what is wrong with it, or "" when it is on the disk; the same press twice is one.

    `action` is one of begin, start, stop, pause, go_on, note, end and undo; `task` and `who` go with start and stop,
    `note`, one of `NOTES`, with note, which takes a word away that is there.
    """
    rows = _own(watch)
    now = _now(watch, rows)
    down = now.replace(microsecond=0)
    if action == "begin" and watch.began is None:
        watch.began = down
        rows = [Row(down, watch.way, (), WHOLE, down)]
        append_row(watch.path, rows[0])
        return ""
    standing_rows = standing(rows)
    whole = next((row for row in standing_rows if row.task == WHOLE), None)
    if whole is None or action == "begin":
        return "" if action == "begin" else " ".join(_say("not_begun", watch))
    if action == "undo":
        undone = _undone(rows)
        if undone is not None:
            append_row(watch.path, undone)
        return "" if undone is not None else " ".join(_say("nothing_to_undo", watch))
    if whole.stop is not None:
        return " ".join(_say("ended", watch))
    # starts are rounded down and stops up
    up = now if now == down else down + timedelta(seconds=1)
    if action == "note" and note in NOTES:
        held = words_of(whole.note) & set(NOTES)
        append_row(watch.path, replace(whole, note=" ".join(one for one in NOTES if (one in held) != (one == note))))
        return ""
    named = {"pause": PAUSE, "go_on": PAUSE, "end": WHOLE}.get(action, task)
    people = [name for name in who if any(name == person.name for person in watch.plan.people)]
    row, wrong = _pressed(watch, action, standing_rows, task=named, who=people, at=(down, up))
    if row is not None:
        append_row(watch.path, row)
    return wrong


def _pressed(
    watch: Watch, action: str, rows: Sequence[Row], *, task: str, who: Sequence[str], at: tuple[datetime, datetime]
) -> tuple[Row | None, str]:
    """The line that a press makes, if any, and what is wrong with it."""
    (down, up), going = at, {row.task: row for row in rows if row.stop is None}
    if action == "end" and len(going) > 1:
        names = ", ".join(clean(name, 60) for name in going if name != WHOLE)
        return None, " ".join(_say("still_going", watch, names=names))
    if action in ("stop", "go_on", "end"):
        return (replace(going[task], stop=max(up, going[task].start)) if task in going else None), ""
    if action not in ("start", "pause") or task not in (PAUSE, *watch.listed.tasks):
        return None, " ".join(_say("unknown", watch, names=clean(task or action, 60)))
    if PAUSE in going or task in going:
        return None, " ".join(_say("paused", watch)) if action == "start" and task not in going else ""
    return Row(rows[0].began, watch.way, tuple(who), task, down), ""


def _undone(rows: Sequence[Row]) -> Row | None:
    """The line that takes back the last press that still stands: what was ended goes on, what was begun was not."""
    current, pressed = dict[tuple[str, datetime], Row](), list[tuple[str, datetime]]()
    for row in rows:
        key = (row.task, row.start)
        before = current.get(key)
        current[key] = row
        taken_back = UNDONE in words_of(row.note)
        if taken_back or (before is not None and before.stop is not None and row.stop is None):
            del pressed[len(pressed) - 1 - pressed[::-1].index(key)]
            if taken_back:
                del current[key]
        elif before is None or before.stop != row.stop:
            pressed.append(key)
    last = current[pressed[-1]] if pressed else None
    if last is None or (last.task == WHOLE and last.stop is None):
        return None
    return replace(last, stop=None) if last.stop is not None else replace(last, note=f"{last.note} {UNDONE}".strip())


def state_of(watch: Watch) -> Mapping[str, Any]:
    """How a run stands, as plain data for a page or a terminal: tasks in the order of the list, with their times."""
    rows = _own(watch)
    now, kept = _now(watch, rows), standing(rows)
    whole = next((row for row in kept if row.task == WHOLE), None)
    pauses = [row for row in kept if row.task == PAUSE]
    likely_s = {task.name: task.likely_s for task in watch.plan.tasks}
    tasks = []
    for place in watch.listed.order:
        name = watch.listed.tasks[place]
        own = [row for row in kept if row.task == name]
        going = any(row.stop is None for row in own)
        tasks.append(
            {
                "name": name,
                "who": list(watch.listed.who[place]),
                "state": "going" if going else "done" if own else "waiting",
                "lasts_s": math.floor(sum(lasted_s(row, pauses, until=now) for row in own)),
                "likely_s": likely_s[name],
            }
        )
    ended = whole is not None and whole.stop is not None
    return {
        "override": OVERRIDE,
        "way": watch.way,
        "state": "before" if whole is None else "ended" if ended else "paused" if _open(pauses) else "going",
        "elapsed_s": 0 if whole is None else math.floor(lasted_s(whole, pauses, until=now)),
        "planned_s": planned_s(watch.plan, watch.way),
        "notes": [word for word in NOTES if whole is not None and word in words_of(whole.note)],
        "people": [person.name for person in watch.plan.people if any(person.name in who for who in watch.listed.who)],
        "tasks": tasks,
        "said": list(dict.fromkeys(watch.said)),
        "result": list(run_words(watch.plan, runs_of(rows)[0])) if ended else [],
    }


def _open(rows: Sequence[Row]) -> bool:
    return any(row.stop is None for row in rows)


_LETTERS: Final = {"b": "begin", "p": "pause", "g": "go_on", "u": "undo", "e": "end"}


def practise_in_terminal(watch: Watch, *, ask: Callable[[str], str], say: Callable[[str], None]) -> None:
    """Take presses line by line until the run is ended, or `q` or the end of the input leaves it to be gone on with.

    Parameters
    ----------
    ask : callable
        Gives a line when called with a prompt, and raises EOFError when there are no more.
    say : callable
        Called with each line to show.
    """
    while True:
        state = state_of(watch)
        for line in state_lines(state):
            say(line)
        if state["state"] == "ended":
            return
        try:
            typed = ask("> ").strip()
        except EOFError:
            typed = "q"
        if typed == "q":
            for line in sentences("practise/terminal.txt.j2", kind="left", state=state):
                say(line)
            return
        wrong = _press(watch, state, typed)
        if wrong:
            say(wrong)


def state_lines(state: Mapping[str, Any]) -> list[str]:
    """How a run stands, a line for each task, with what can be typed."""
    return sentences("practise/terminal.txt.j2", kind="state", state=state, notes=NOTES)


def _press(watch: Watch, state: Mapping[str, Any], typed: str) -> str:
    if typed in _LETTERS:
        return press(watch, _LETTERS[typed])
    if typed in NOTES:
        return press(watch, "note", note=typed)
    tasks = state["tasks"]
    if not (typed.isascii() and typed.isdigit() and 1 <= int(typed) <= len(tasks)):
        return press(watch, "start", task=typed)
    task = tasks[int(typed) - 1]
    return press(watch, "stop" if task["state"] == "going" else "start", task=task["name"], who=task["who"])
