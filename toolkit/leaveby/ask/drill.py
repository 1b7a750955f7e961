"""The drill, from its file to its rounds: reads a drill file and the plan that it names, every fault at once."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leaveby.ask.household import load_plan, read_inputs
from leaveby.decision.drill.result import Answer, Drill, DrillScript, OwnInject, begin_fault, pause_fault
from leaveby.decision.fires.scenario import HouseholdInputs, prepare
from leaveby.errors import Fault, InputError, fault_of
from leaveby.files.read.drill_shape import SECTIONS, TABLES, place_in, read_table
from leaveby.files.read.guard import named_in
from leaveby.files.read.plan import has_any, refuse_another, toml_document, toml_text, with_line
from leaveby.household.plan import Plan, ways
from leaveby.household.plan_document import listed, meant
from leaveby.regions import sentences
from leaveby.units import m_s_from_km_h, s_from_min, speed_words

if TYPE_CHECKING:
    from leaveby.decision.drill.rounds import Progress


def is_drill(path: str | Path) -> bool:
    """Tell a drill file from a plan file, by its sections; what can't be read is taken for a plan."""
    return has_any(Path(path), (*SECTIONS, *TABLES))


def read_drill(path: str | Path) -> DrillScript:
    """Read a drill file and the plan that it names.

    `about/drill_keys.md` lists its keys, with what stands when they are left out. Clock times are those of the day and
    the UTC offset of the plan's first fire; a date and time with offset says another day. File names in it are relative
    to its own folder.

    Raises
    ------
    InputError
        With every fault of the drill file and of the plan.

    Examples
    --------
    >>> read_drill("no_such_drill.toml")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_drill.toml: there is no such file. Expected a drill file (TOML). To mend it: ...
    """
    script, _, faults = _read(Path(path))
    if script is None:
        raise InputError(faults)
    return script


def check_drill(path: str | Path) -> tuple[DrillScript, HouseholdInputs]:
    """Read a drill, its plan and everything that names, and compute no fire.

    Raises
    ------
    InputError
        With every fault of all of them.
    """
    script, plan, faults = _read(Path(path))
    inputs = None
    try:
        if plan is not None:
            inputs = read_inputs(plan)
            scenario = prepare(inputs)
            if script is not None:
                faults += begin_fault(script, weather_from_s=float(scenario.weather.time_s[0]))
    except InputError as error:
        faults += error.faults
    if faults or script is None or inputs is None:
        raise InputError(faults)
    return script, inputs


def found_in(script: DrillScript) -> list[str]:
    """Say what a drill file holds, and what makes little sense in it, with how to mend it."""
    speeds = ", ".join(speed_words(speed, script.plan.measures) for speed in script.speeds_m_s)
    speeds = speeds.replace(f" {script.plan.measures.fast},", ",")
    return [*sentences("ask/drill.txt.j2", script=script, speeds=speeds), *map(str, pause_fault(script))]


def _read(path: Path) -> tuple[DrillScript | None, Plan | None, list[Fault]]:
    """The drill and its plan, as far as they can be used, and the faults of both."""
    where, text = str(path), toml_text(path, what="a drill file (TOML)")
    document = toml_document(text, where=where)
    refuse_another("drill", document, where=where)
    file = _File(where, document, [])
    sections = {name: _section(file, name) for name in SECTIONS}
    tables = {name: _tables(file, name) for name in TABLES}
    for name in document:
        if name not in (*SECTIONS, *TABLES):
            _unknown_section(file, name)
    plan, plan_faults = _plan(path, sections["drill"]["plan"], where=where)
    speeds = _speeds(file, sections["drill"])
    script = None if plan is None else _script(file, sections, tables, plan=plan, speeds=speeds)
    return script, plan, [*(with_line(fault, text, where=where) for fault in file.faults), *plan_faults]


def run_drill(
    drill: DrillScript | str | Path,
    *,
    members: int | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Drill:
    """Run a drill, or the drill in a file.

    Parameters
    ----------
    members : int, optional
        How many times each round's uncertain day is played through; as the drill says when left out.
    workers : int, optional
        Threads; as many as the machine has processors when left out. The drill does not depend on it.
    progress : callable, optional
        Called with (what, members done, members, "").

    Raises
    ------
    InputError
        With every fault of the drill file, of the plan and of what it names.
    """
    # here, since checking a drill does without
    from leaveby.decision.drill.rounds import answer_drill

    script = drill if isinstance(drill, DrillScript) else read_drill(drill)
    script = script if members is None else replace(script, members=members)
    inputs = read_inputs(script.plan)
    return answer_drill(inputs, script, workers=workers or os.cpu_count() or 1, progress=progress)


@dataclass(frozen=True)
class _File:
    """A drill file while it is read: its name, what it holds, and the faults found so far."""

    where: str
    document: Mapping[str, Any]
    faults: list[Fault]

    def fault(self, place: str, told: str, /, **values: object) -> None:
        place = place if place.startswith(self.where) else f"{self.where}: {place}"
        self.faults.append(fault_of(place, told, **values))

    def place(self, name: str, number: int, key: str = "") -> str:
        """Where a key of a table stands."""
        return place_in(name, number, table=self.table(name, number), key=key, where=self.where)

    def table(self, name: str, number: int) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self.document[name][number]
        return found


def _given(file: _File, place: str, table: Mapping[str, Any], keys: Sequence[str]) -> list[str]:
    """Which of several keys that say the same a table has; a fault where there is more than one."""
    found = [key for key in keys if key in table]
    if len(found) > 1:
        file.fault(place, "time_of_several_keys", both=" and ".join(found))
    return found


def _section(file: _File, name: str) -> dict[str, Any]:
    found = file.document.get(name, {} if name == "pauses" else None)
    if isinstance(found, dict):
        return read_table(name, found, where=file.where, faults=file.faults)
    wrong = "is missing" if found is None else "is not a section"
    file.fault(f"[{name}]", "drill_without_section", wrong=wrong, keys=", ".join(SECTIONS[name]))
    return dict.fromkeys(SECTIONS[name])


def _tables(file: _File, name: str) -> list[dict[str, Any]]:
    found = file.document.get(name, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        file.fault(f"[[{name}]]", "drill_without_tables", name=name)
        return []
    return [
        read_table(name, table, number=number, where=file.where, faults=file.faults)
        for number, table in enumerate(found)
    ]


def _unknown_section(file: _File, name: str) -> None:
    known = (*SECTIONS, *TABLES)
    mend = meant(name, known, "take the section away")
    file.fault(f"[{name}]", "no_section_of_drills", known=", ".join(known), mend=mend)


def _plan(path: Path, name: str | None, *, where: str) -> tuple[Plan | None, tuple[Fault, ...]]:
    """Read the plan; its faults are those of another file, so they keep their own places."""
    if name is None:
        return None, ()
    found, wrong = named_in(path.parent, name)
    if wrong:
        wanted = "a plan file, its name relative to the folder of the drill file"
        return None, (fault_of(f"{where}: [drill] plan", "named_file_missing", name=name, wrong=wrong, wanted=wanted),)
    try:
        plan = load_plan(found)
    except InputError as error:
        return None, error.faults
    if not plan.has_worked_day:
        wrong, wanted = f"names {found.name}, which has no fire of its own", "a plan with a fire for the drill"
        mend = "add [[ignitions]] to that plan, or name another plan"
        return None, (Fault(f"{where}: [drill] plan", wrong, wanted, mend),)
    return plan, ()


def _speeds(file: _File, drill: Mapping[str, Any]) -> tuple[float, ...]:
    found: tuple[float, ...] | None = drill["speeds_km_h"]
    if found is None:
        return ()
    place = "[drill] speeds_km_h"
    if len(set(found)) < len(found):
        file.fault(place, "drill_speed_twice")
    if not found and drill["own_fire"] is False:
        file.fault(place, "drill_without_rounds")
    return found


def _seconds(plan: Plan, moment: time | datetime | float | None) -> float | None:
    """Seconds from the plan's first ignition, of minutes after it or a clock time; a bare one is taken on that day."""
    if moment is None:
        return None
    if isinstance(moment, int | float):
        return s_from_min(float(moment))
    if isinstance(moment, time):
        moment = datetime.combine(plan.starts_at.date(), moment, tzinfo=plan.starts_at.tzinfo)
    return (moment - plan.starts_at).total_seconds()


@dataclass(frozen=True)
class _Frame:
    """What injects and answers are held against: the plan, the rounds' speeds in km/h, and when the clock stops."""

    plan: Plan
    speeds: tuple[float, ...]
    begin_s: float | None
    pauses_s: tuple[float, ...]
    every_s: float | None


def _script(
    file: _File,
    sections: Mapping[str, Mapping[str, Any]],
    tables: Mapping[str, list[dict[str, Any]]],
    *,
    plan: Plan,
    speeds: tuple[float, ...],
) -> DrillScript | None:
    """Check what has to hold between the keys and the plan, and make the nouns; None where a fault was found."""
    drill, pauses = sections["drill"], sections["pauses"]
    given = _given(file, "[drill]", file.document.get("drill", {}), ("begin_before_fire_min", "begin_at"))
    early_min = drill["begin_before_fire_min"]
    begin_s = _seconds(plan, drill["begin_at"] if "begin_at" in given else None if early_min is None else -early_min)
    if begin_s is not None and begin_s > 0.0:
        file.fault("[drill] begin_at", "drill_begins_late", starts_at=plan.starts_at)
    key, pauses_s = _pauses(file, pauses, plan=plan, begin_s=begin_s)
    every_s = None if pauses["every_min"] is None else s_from_min(float(pauses["every_min"]))
    frame = _Frame(plan, speeds, begin_s, pauses_s, every_s)
    injects = [_inject(file, one, number=number, frame=frame) for number, one in enumerate(tables["injects"])]
    answers = [_answer(file, one, number=number, frame=frame) for number, one in enumerate(tables["answers"])]
    _check_twice(file, answers)
    if file.faults or begin_s is None:
        return None
    return DrillScript(
        name=drill["name"],
        plan=plan,
        speeds_m_s=tuple(m_s_from_km_h(speed) for speed in speeds),
        own_fire=drill["own_fire"],
        begin_s=begin_s,
        pauses_s=pauses_s,
        every_s=every_s,
        members=drill["members"],
        injects=tuple(one for one in injects if one is not None),
        answers=tuple(one for one in answers if one is not None),
        where=file.where,
        pauses_key=key,
    )


def _pauses(
    file: _File, pauses: Mapping[str, Any], *, plan: Plan, begin_s: float | None
) -> tuple[str, tuple[float, ...]]:
    """The key that says when the pauses are, and when they are; none where they come every so many minutes."""
    section = file.document.get("pauses", {})
    given = _given(file, "[pauses]", section if isinstance(section, dict) else {}, tuple(SECTIONS["pauses"]))
    key = given[0] if given else "after_fire_min"
    if key == "every_min":
        return key, ()
    found = [_seconds(plan, moment) for moment in pauses[key] or ()]
    pauses_s = tuple(at_s for at_s in found if at_s is not None)
    if any(after <= before for before, after in pairwise(pauses_s)):
        file.fault(f"[pauses] {key}", "pauses_out_of_order")
    if begin_s is not None and pauses_s and min(pauses_s) < begin_s:
        if given:
            file.fault(f"[pauses] {key}", "pause_before_beginning")
        pauses_s = tuple(at_s for at_s in pauses_s if at_s >= begin_s)
    return key, pauses_s


def _check_speed(file: _File, speed: float | None, speeds: tuple[float, ...], place: str) -> None:
    if speed is not None and speed not in speeds:
        named = ", ".join(f"{one:g}" for one in speeds) or "none"
        file.fault(place, "speed_of_no_round", speed=speed, named=named)


def _inject(file: _File, one: Mapping[str, Any], *, number: int, frame: _Frame) -> OwnInject | None:
    place = file.place("injects", number)
    given = _given(file, place, file.table("injects", number), ("after_fire_min", "at"))
    if not given:
        file.fault(place, "inject_without_time")
    for speed in one["speeds_km_h"] or ():
        _check_speed(file, speed, frame.speeds, file.place("injects", number, "speeds_km_h"))
    at_s = _seconds(frame.plan, one[given[0]]) if given else None
    if at_s is None or one["kind"] is None or one["text"] is None or one["speeds_km_h"] is None:
        return None
    speeds = tuple(m_s_from_km_h(speed) for speed in one["speeds_km_h"])
    return OwnInject(at_s, one["kind"], one["text"], speeds, where=f"injects[{number + 1}]")


def _answer(file: _File, one: Mapping[str, Any], *, number: int, frame: _Frame) -> Answer | None:
    def place(key: str) -> str:
        return file.place("answers", number, key)

    starts = ("start_after_fire_min", "start_at")
    given = _given(file, file.place("answers", number), file.table("answers", number), starts)
    key = given[0] if given else starts[0]
    way, start_s, pause = one["way"], _seconds(frame.plan, one[key]), one["pause"]
    own = (*ways(frame.plan), "stay")
    if way is not None and way not in own:
        file.fault(place("way"), "way_of_no_household", way=way, own=listed(own))
    if way is not None and way != "stay" and not given:
        file.fault(place(key), "answer_without_start")
    _check_speed(file, one["speed_km_h"], frame.speeds, place("speed_km_h"))
    pause_s = _pause_s(file, pause, frame, place("pause"))
    if start_s is not None and pause_s is not None and start_s < pause_s:
        file.fault(place(key), "answer_before_pause")
    if one["group"] is None or way is None or pause is None or (start_s is None and way != "stay"):
        return None
    speed = None if one["speed_km_h"] is None else m_s_from_km_h(float(one["speed_km_h"]))
    return Answer(one["group"], pause, way, None if way == "stay" else start_s, speed, where=f"answers[{number + 1}]")


def _pause_s(file: _File, pause: int | None, frame: _Frame, place: str) -> float | None:
    """When a numbered pause is held; None where that is not known, or it is no pause of this drill."""
    if pause is None:
        return None
    if frame.pauses_s:
        if pause <= len(frame.pauses_s):
            return frame.pauses_s[pause - 1]
        file.fault(place, "no_such_pause", pause=pause, pauses=len(frame.pauses_s))
        return None
    if frame.every_s is None or frame.begin_s is None:
        return None
    pause_s = frame.begin_s + (pause - 1) * frame.every_s
    if pause_s > frame.plan.horizon_s:
        file.fault(place, "pause_beyond_plan", pause=pause, hours=frame.plan.horizon_s / 3600.0)
    return pause_s


def _check_twice(file: _File, answers: list[Answer | None]) -> None:
    seen: dict[tuple[str, int, float | None], int] = {}
    for number, one in enumerate(answers):
        if one is None:
            continue
        first = seen.setdefault((one.group, one.pause, one.speed_m_s), number)
        if first != number:
            place = place_in("answers", number, table={"group": one.group}, key="", where=file.where)
            file.fault(place, "second_answer", pause=one.pause, first=first + 1)
