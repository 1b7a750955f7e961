"""The pages of a drill: `drill.html` for the trainer, `drill_participants.html` with the sheets for the groups.

Both are one file each, without script or outside address, and print on A4 in black and white. The head of every printed
page says that this is an exercise and that official warnings override. The participants' file holds nothing of what
comes later than each pause: no arrival, no leave-by, no speed, no number of pauses still to come.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from leaveby.caution import LAST_RESORT, OVERRIDE, PLANNING_AID
from leaveby.decision.drill.result import (
    DRILL_WAY_WORDS,
    EXERCISE_ONLY,
    INVENTED,
    Drill,
    Inject,
    Pause,
    Placed,
    Round,
    any_round_is_open,
    new_at,
    round_is_open,
)
from leaveby.decision.drill.rounds import speed_words
from leaveby.household.plan import tasks_for
from leaveby.show import wording
from leaveby.show.drill import words
from leaveby.show.drill.figures import answers_curve, describe_answers_curve, describe_rounds_strip, rounds_strip
from leaveby.show.drill.map import map_base, pause_map, round_map
from leaveby.show.figure import as_svg
from leaveby.show.letters import letters_css

MANY_NEW: Final = 13
"""More new injects than this are set in smaller type beside a smaller map, so that a sheet stays one page."""


def drill_page(drill: Drill, *, made_at: datetime) -> str:
    """Lay out the trainer's part: how to run it, every inject, the closings, the answers on their curves."""
    notes = [wording.clean(line) for line in drill.assumptions]
    notes += [f"Beyond what was tested: {wording.clean(line)}" for line in drill.outside_validity]
    return _render(
        "drill.html.j2",
        drill,
        made_at=made_at,
        strip=Markup(as_svg(rounds_strip(drill), "The rounds side by side", describe_rounds_strip(drill))),
        rounds=[_round_parts(drill, run) for run in drill.rounds],
        groups=_groups(drill),
        no_round_open="" if any_round_is_open(drill) else words.NO_WAY_OPEN.replace("this round", "every round"),
        last_resort=LAST_RESORT,
        confidence=wording.percent_words(drill.plan.confidence),
        notes=notes,
        made_with=_made_with(drill),
    )


def participants_page(drill: Drill, *, made_at: datetime) -> str:
    """Lay out the sheets for the groups: one page for the place and household, one for each pause of each round."""
    return _render(
        "drill_participants.html.j2",
        drill,
        made_at=made_at,
        place_map=Markup(pause_map(drill, None, None)),
        people=", ".join(wording.clean(person.name, 40) for person in drill.plan.people),
        animals=", ".join(wording.clean(animal.name, 40) for animal in drill.plan.animals),
        safe_points=[
            {
                "name": wording.clean(point.name, 60),
                "kind": "safe point" if point.kind == "safe_point" else "place of last resort",
                "ways": ", ".join(DRILL_WAY_WORDS[way] for way in point.ways),
            }
            for point in drill.plan.safe_points
        ],
        tasks=_tasks(drill),
        choices=[DRILL_WAY_WORDS[way] for way in (*(way for way in wording.WAYS if way in _ways(drill)), "stay")],
        sheets=[_sheet(drill, run, pause) for run in drill.rounds for pause in run.pauses],
    )


def _render(template: str, drill: Drill, *, made_at: datetime, **values: Any) -> str:
    wording.check_made_at(made_at)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    text = files("leaveby.show.drill").joinpath(template).read_text(encoding="utf-8")
    style = files("leaveby.show.drill").joinpath("drill.css").read_text(encoding="utf-8")
    return environment.from_string(text).render(
        style=Markup(f"{letters_css()}\n{style}"),
        override=OVERRIDE,
        planning_aid=PLANNING_AID,
        exercise=words.EXERCISE_BANNER,
        exercise_only=EXERCISE_ONLY,
        invented=INVENTED,
        notice=wording.map_notice(drill.network),
        name=wording.clean(drill.name, 120),
        plan=wording.clean(drill.plan.name, 90),
        day=wording.day_words(drill.start),
        begins=wording.clock_words(drill, drill.script.begin_s, step_min=1),
        made=made_at.strftime("%Y-%m-%d %H:%M"),
        base=Markup(map_base(drill)),
        **values,
    )


def _ways(drill: Drill) -> tuple[str, ...]:
    return tuple(drill.rounds[0].ways)


def _round_parts(drill: Drill, run: Round) -> dict[str, Any]:
    return {
        "title": words.round_full_title(run),
        "number": run.number,
        "verdict": words.verdict_words(drill, run),
        "is_open": round_is_open(run),
        "about": _about(run),
        "leave_by": words.leave_by_words(drill, run),
        "shuts": [
            {
                "street": wording.clean(one.street, 60),
                "at": wording.clock_words(drill, max(one.at_s, 0.0), step_min=1),
                "early": one.at_s < 0.0,
                "ways": ", ".join(one.ways),
            }
            for one in run.shuts
        ],
        "rows": _timeline(drill, run),
        "map": Markup(round_map(drill, run)),
        "curve": Markup(
            as_svg(answers_curve(drill, run), f"Answers, {words.round_title(run)}", describe_answers_curve(drill, run))
        ),
        "placed": [_placed(drill, one, number) for number, one in enumerate(run.placed, start=1)],
        "stay": words.stay_words(drill, run) if any(one.answer.way == "stay" for one in run.placed) else "",
        "notes": [wording.clean(line) for line in run.notes],
    }


def _about(run: Round) -> str:
    length = wording.distance_words(run.run_m)
    if run.speed_m_s is None:
        return "The fire as the plan's own equations give it."
    return (
        f"{wording.clean(run.run_from, 60)[:1].upper()}{wording.clean(run.run_from, 60)[1:]}: {length} to the home in "
        f"{wording.duration_words(run.run_m / run.speed_m_s)}. The plan's own head rate of spread is multiplied by "
        f"{run.scale:.3g}."
    )


def _timeline(drill: Drill, run: Round) -> list[dict[str, Any]]:
    """Injects and pauses in order of time; a pause comes after what is known by then."""
    rows: list[tuple[float, int, dict[str, Any]]] = [(one.at_s, 0, _inject(drill, one)) for one in run.injects]
    rows += [
        (
            pause.at_s,
            1,
            {
                "at": wording.clock_words(drill, pause.at_s, step_min=1),
                "kind": "pause",
                "label": f"Pause {pause.number}",
                "text": f"Hand out sheet {run.number}.{pause.number}: every group writes down when, and how.",
                "more": f"{words.weather_words(pause)} {words.pause_words(pause)}",
                "basis": "",
                "official": False,
            },
        )
        for pause in run.pauses
    ]
    return [row for _, _, row in sorted(rows, key=lambda item: (item[0], item[1]))]


def _inject(drill: Drill, one: Inject) -> dict[str, Any]:
    return {
        "at": wording.clock_words(drill, one.at_s, step_min=1),
        "kind": "keep" if one.facilitator_only else "give",
        "label": words.KIND_WORDS[one.kind],
        "text": wording.clean(one.text),
        "more": "",
        "basis": "your own" if one.source == "trainer" else wording.clean(one.basis),
        "official": one.kind == "official",
    }


def _placed(drill: Drill, one: Placed, number: int) -> dict[str, Any]:
    return {
        "number": number,
        "group": wording.clean(one.answer.group, 60),
        "pause": one.answer.pause,
        "answer": words.answer_words(drill, one),
        "share": words.clear_words(one),
        "margin": words.margin_words(drill, one),
        "late": one.early_s is not None and one.early_s < 0.0,
        "shut": words.shut_words(one),
    }


def _groups(drill: Drill) -> list[dict[str, Any]]:
    """What every group's answers came to, round by round."""
    names = list(dict.fromkeys(one.answer.group for run in drill.rounds for one in run.placed))
    return [
        {
            "group": wording.clean(name, 60),
            "cells": [
                [
                    f"pause {one.answer.pause}: {words.answer_words(drill, one)}: {words.clear_words(one)}, "
                    f"{words.margin_words(drill, one)}"
                    for one in run.placed
                    if one.answer.group == name
                ]
                for run in drill.rounds
            ],
        }
        for name in names
    ]


def _tasks(drill: Drill) -> list[dict[str, str]]:
    """The household's tasks by way of leaving; how long they take together is for the groups to reckon."""
    found: Mapping[str, Any] = {way: tasks_for(drill.plan, way) for way in wording.WAYS if way in _ways(drill)}
    return [
        {
            "way": DRILL_WAY_WORDS[way],
            "list": "; ".join(
                f"{wording.clean(task.name, 60)} ({wording.duration_words(task.likely_s)}"
                + (f", {task.hands} people)" if task.hands > 1 else ")")
                for task in tasks
            )
            or "nothing",
        }
        for way, tasks in found.items()
    ]


def _sheet(drill: Drill, run: Round, pause: Pause) -> dict[str, Any]:
    fresh = new_at(run, pause)
    return {
        "title": f"{words.round_title(run)}, sheet {run.number}.{pause.number}: it is "
        f"{wording.clock_words(drill, pause.at_s, step_min=1)}",
        "new": [_inject(drill, one) for one in fresh],
        "many": len(fresh) > MANY_NEW,
        "weather": words.weather_words(pause),
        "fire": words.pause_words(pause),
        "map": Markup(pause_map(drill, run, pause)),
    }


def _made_with(drill: Drill) -> str:
    version, seed = drill.inputs.get("leaveby", ""), drill.inputs.get("seed", "")
    rounds = "; ".join(speed_words(run.speed_m_s) for run in drill.rounds)
    parts = [f"Computed from {drill.members} members in each of {len(drill.rounds)} rounds ({rounds})"]
    parts += [f"leaveby {wording.clean(version, 30)}"] if version else []
    parts += [f"seed {wording.clean(seed, 30)}"] if seed else []
    return ", ".join(parts) + "."
