"""The drill, from its file to its rounds: reads a drill file and the plan that it names, every fault at once."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime, time
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from leaveby.ask.household import load_plan, read_inputs
from leaveby.decision.drill.result import Answer, Drill, DrillScript, OwnInject
from leaveby.decision.drill.rounds import Progress, answer_drill
from leaveby.errors import Fault, InputError
from leaveby.files.read.drill_shape import SECTIONS, TABLES, place_in, read_table
from leaveby.files.read.plan import toml_document, toml_text, with_line
from leaveby.household.plan import Plan, ways
from leaveby.household.plan_document import nearest_word
from leaveby.units import m_s_from_km_h, s_from_min

_WHAT: Final = "a drill file (TOML)"


def read_drill(path: str | Path) -> DrillScript:
    """Read a drill file and the plan that it names.

    Optional in the file, with what stands when they are left out: `speeds_km_h` 5, 12 and 50; `own_fire` false;
    `members` 100; an inject's and an answer's speeds (every round); `[[injects]]` and `[[answers]]` whole. Clock times
    are those of the day and the UTC offset of the plan's first fire; a date and time with offset says another day.

    Parameters
    ----------
    path : str or Path
        A TOML file. File names in it are relative to its own folder.

    Returns
    -------
    DrillScript
        In SI units.

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
    path = Path(path)
    where, text = str(path), toml_text(path, what=_WHAT)
    document = toml_document(text, where=where)
    faults: list[Fault] = []
    sections = {name: _section(document, name, where=where, faults=faults) for name in SECTIONS}
    tables = {name: _tables(document, name, where=where, faults=faults) for name in TABLES}
    faults += [_unknown_section(name, where=where) for name in document if name not in (*SECTIONS, *TABLES)]
    plan, plan_faults = _plan(path, sections["drill"]["plan"], where=where)
    speeds = _speeds(sections["drill"], where=where, faults=faults)
    script = None
    if plan is not None:
        script = _script(document, sections, tables, plan=plan, speeds=speeds, where=where, faults=faults)
    if faults or plan_faults or script is None:
        raise InputError([*(with_line(fault, text, where=where) for fault in faults), *plan_faults])
    return script


def run_drill(
    drill: DrillScript | str | Path, *, workers: int | None = None, progress: Progress | None = None
) -> Drill:
    """Run a drill, or the drill in a file.

    Parameters
    ----------
    drill : DrillScript, str or Path
    workers : int, optional
        Threads; as many as the machine has processors when left out. The drill does not depend on it.
    progress : callable, optional
        Called with (what, members done, members, "").

    Returns
    -------
    Drill

    Raises
    ------
    InputError
        With every fault of the drill file, of the plan and of what it names.
    """
    script = drill if isinstance(drill, DrillScript) else read_drill(drill)
    inputs = read_inputs(script.plan)
    return answer_drill(inputs, script, workers=workers or os.cpu_count() or 1, progress=progress)


def _section(document: Mapping[str, Any], name: str, *, where: str, faults: list[Fault]) -> dict[str, Any]:
    found = document.get(name)
    if isinstance(found, dict):
        return read_table(name, found, where=where, faults=faults)
    wrong = "is missing" if found is None else "is not a section"
    faults.append(Fault(f"{where}: [{name}]", wrong, "a section with " + ", ".join(SECTIONS[name]), "add the section"))
    return dict.fromkeys(SECTIONS[name])


def _tables(document: Mapping[str, Any], name: str, *, where: str, faults: list[Fault]) -> list[dict[str, Any]]:
    found = document.get(name, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        wanted = f"tables, each under [[{name}]]"
        faults.append(
            Fault(f"{where}: [[{name}]]", "is not a list of tables", wanted, "write each under its own header")
        )
        return []
    return [read_table(name, table, number=number, where=where, faults=faults) for number, table in enumerate(found)]


def _unknown_section(name: str, *, where: str) -> Fault:
    known = (*SECTIONS, *TABLES)
    near = nearest_word(name, known)
    return Fault(
        f"{where}: [{name}]",
        "is not a section of a drill file",
        "one of " + ", ".join(known),
        f'write "{near}" if that was meant' if near is not None else "take the section away",
    )


def _plan(path: Path, name: str | None, *, where: str) -> tuple[Plan | None, tuple[Fault, ...]]:
    """Read the plan; its faults are those of another file, so they keep their own places."""
    if name is None:
        return None, ()
    found = (path.parent / Path(name).expanduser()).resolve()
    if not found.is_file():
        wrong = f'names "{name}", ' + ("which is a folder" if found.is_dir() else f"and there is no file {found}")
        wanted = "a plan file, its name relative to the folder of the drill file"
        return None, (Fault(f"{where}: [drill] plan", wrong, wanted, "correct the name, or put the file there"),)
    try:
        return load_plan(found), ()
    except InputError as error:
        return None, error.faults


def _speeds(drill: Mapping[str, Any], *, where: str, faults: list[Fault]) -> tuple[float, ...]:
    found: tuple[float, ...] | None = drill["speeds_km_h"]
    if found is None:
        return ()
    place = f"{where}: [drill] speeds_km_h"
    if len(set(found)) < len(found):
        faults.append(Fault(place, "names a speed twice", "each speed once", "take one of them out"))
    if not found and drill["own_fire"] is False:
        faults.append(Fault(place, "is empty", "a speed, or own_fire = true", "name a speed, for example [5, 12, 50]"))
    return found


def _seconds(plan: Plan, moment: time | datetime | None) -> float | None:
    """Seconds from the plan's first ignition; a bare clock time is taken on that day."""
    if moment is None:
        return None
    if isinstance(moment, time):
        moment = datetime.combine(plan.starts_at.date(), moment, tzinfo=plan.starts_at.tzinfo)
    return (moment - plan.starts_at).total_seconds()


def _script(
    document: Mapping[str, Any],
    sections: Mapping[str, Mapping[str, Any]],
    tables: Mapping[str, list[dict[str, Any]]],
    *,
    plan: Plan,
    speeds: tuple[float, ...],
    where: str,
    faults: list[Fault],
) -> DrillScript | None:
    """Check what has to hold between the keys and the plan, and make the nouns; None where a fault was found."""
    drill = sections["drill"]
    begin_s = _seconds(plan, drill["begin_at"])
    if begin_s is not None and begin_s > 0.0:
        faults.append(
            Fault(
                f"{where}: [drill] begin_at",
                "is after the plan's first fire starts",
                f"at or before {plan.starts_at:%H:%M}, so that the groups can leave on the forecast alone",
                "begin earlier",
            )
        )
    pauses_s = _pauses(sections["pauses"], plan=plan, begin_s=begin_s, where=where, faults=faults)
    every_s = None if sections["pauses"]["every_min"] is None else s_from_min(float(sections["pauses"]["every_min"]))
    raw = {name: document.get(name, []) for name in TABLES}
    injects = [
        _inject(one, raw["injects"][number], number=number, plan=plan, speeds=speeds, where=where, faults=faults)
        for number, one in enumerate(tables["injects"])
    ]
    answers = [
        _answer(
            one,
            raw["answers"][number],
            number=number,
            plan=plan,
            speeds=speeds,
            pauses=(begin_s, pauses_s, every_s),
            where=where,
            faults=faults,
        )
        for number, one in enumerate(tables["answers"])
    ]
    _check_twice(answers, where=where, faults=faults)
    if faults or begin_s is None:
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
        where=where,
    )


def _pauses(
    pauses: Mapping[str, Any], *, plan: Plan, begin_s: float | None, where: str, faults: list[Fault]
) -> tuple[float, ...]:
    if (pauses["at"] is None) == (pauses["every_min"] is None):
        # A key at fault is None as well, and its own fault has been said.
        if not any(f"{where}: [pauses]" in fault.place for fault in faults):
            both = "names both at and every_min" if pauses["at"] is not None else "names neither at nor every_min"
            faults.append(Fault(f"{where}: [pauses]", both, "one of the two", "keep one of them"))
        return ()
    found = [_seconds(plan, moment) for moment in pauses["at"] or ()]
    pauses_s = tuple(at_s for at_s in found if at_s is not None)
    place = f"{where}: [pauses] at"
    if any(after <= before for before, after in pairwise(pauses_s)):
        faults.append(Fault(place, "does not rise", "each later than the one before", "put them in order"))
    if begin_s is not None and pauses_s and min(pauses_s) < begin_s:
        faults.append(Fault(place, "holds a time before the exercise begins", "begin_at or later", "correct it"))
    return pauses_s


def _speed_fault(speed: float | None, speeds: tuple[float, ...], place: str) -> list[Fault]:
    if speed is None or speed in speeds:
        return []
    named = ", ".join(f"{one:g}" for one in speeds) or "none"
    wrong = f"names {speed:g} km/h, which is no round"
    return [Fault(place, wrong, f"a speed of [drill]: {named}", "correct the speed")]


def _inject(
    one: Mapping[str, Any],
    table: Mapping[str, Any],
    *,
    number: int,
    plan: Plan,
    speeds: tuple[float, ...],
    where: str,
    faults: list[Fault],
) -> OwnInject | None:
    def place(key: str) -> str:
        return place_in("injects", number, table=table, key=key, where=where)

    if ("at" in table) == ("after_fire_min" in table):
        wrong = "has both at and after_fire_min" if "at" in table else "has no time"
        faults.append(Fault(place(""), wrong, "either at or after_fire_min", "give one of the two"))
    for speed in one["speeds_km_h"] or ():
        faults += _speed_fault(speed, speeds, place("speeds_km_h"))
    at_s = _seconds(plan, one["at"]) if one["after_fire_min"] is None else s_from_min(float(one["after_fire_min"]))
    if at_s is None or one["kind"] is None or one["text"] is None or one["speeds_km_h"] is None:
        return None
    return OwnInject(at_s, one["kind"], one["text"], tuple(m_s_from_km_h(speed) for speed in one["speeds_km_h"]))


def _answer(
    one: Mapping[str, Any],
    table: Mapping[str, Any],
    *,
    number: int,
    plan: Plan,
    speeds: tuple[float, ...],
    pauses: tuple[float | None, tuple[float, ...], float | None],
    where: str,
    faults: list[Fault],
) -> Answer | None:
    def place(key: str) -> str:
        return place_in("answers", number, table=table, key=key, where=where)

    begin_s, pauses_s, every_s = pauses
    way, start_s, pause = one["way"], _seconds(plan, one["start_at"]), one["pause"]
    own = (*ways(plan), "stay")
    if way is not None and way not in own:
        words = ", ".join(f'"{name}"' for name in own)
        faults.append(
            Fault(place("way"), f'is "{way}", no way of this plan\'s household', f"one of {words}", "correct it")
        )
    if way is not None and way != "stay" and "start_at" not in table:
        wanted = "the clock time at which the group would start getting ready"
        faults.append(Fault(place("start_at"), "is missing", wanted, 'add a line that begins with "start_at ="'))
    faults += _speed_fault(one["speed_km_h"], speeds, place("speed_km_h"))
    pause_s = None
    if pause is not None and pauses_s and pause > len(pauses_s):
        wanted = f"1 to {len(pauses_s)}"
        faults.append(Fault(place("pause"), f"is {pause}, and there are {len(pauses_s)} pauses", wanted, "correct it"))
    elif pause is not None and pauses_s:
        pause_s = pauses_s[pause - 1]
    elif pause is not None and every_s is not None and begin_s is not None:
        pause_s = begin_s + (pause - 1) * every_s
        if pause_s > plan.horizon_s:
            wanted = f"a pause within the {plan.horizon_s / 3600.0:g} hours of the plan"
            faults.append(Fault(place("pause"), f"is {pause}, which comes later than that", wanted, "correct it"))
    if start_s is not None and pause_s is not None and start_s < pause_s:
        faults.append(
            Fault(
                place("start_at"),
                "is before the pause at which it was written down",
                "the time of the pause or later",
                "correct it; who has left already gave that answer at an earlier pause",
            )
        )
    if one["group"] is None or way is None or pause is None or (start_s is None and way != "stay"):
        return None
    speed = None if one["speed_km_h"] is None else m_s_from_km_h(float(one["speed_km_h"]))
    return Answer(one["group"], pause, way, None if way == "stay" else start_s, speed)


def _check_twice(answers: list[Answer | None], *, where: str, faults: list[Fault]) -> None:
    seen: dict[tuple[str, int, float | None], int] = {}
    for number, one in enumerate(answers):
        if one is None:
            continue
        key = (one.group, one.pause, one.speed_m_s)
        if key in seen:
            faults.append(
                Fault(
                    place_in("answers", number, table={"group": one.group}, key="", where=where),
                    f"is the second answer of this group at pause {one.pause}, after answers[{seen[key] + 1}]",
                    "one answer of a group at a pause (of a round)",
                    "take one out, or say with speed_km_h which round each is for",
                )
            )
        seen.setdefault(key, number)
