"""The pages of a drill beside the run card: the annex for the leader, and the sheets for the groups.

All are one file each, without script or outside address, and print in black and white. The head of every printed page
says that this is an exercise and that official warnings override. The groups' file holds nothing of what comes later
than each pause: no arrival, no time to start by, no speed, no number of pauses still to come.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from markupsafe import Markup

from leaveby.decision.drill.result import DRILL_WAY_WORDS, Drill, Pause, Round, any_round_is_open, new_at
from leaveby.decision.drill.rounds import fire_words
from leaveby.household.plan import tasks_for
from leaveby.household.plan_tables import Way
from leaveby.show.drill import words
from leaveby.show.drill.figures import answers_curve, describe_answers_curve
from leaveby.show.drill.map import map_base, pause_map, room_mm, round_map
from leaveby.show.drill.run_card import drill_text, most_telling
from leaveby.show.figure import as_svg
from leaveby.show.letters import lines
from leaveby.show.templates import made_with
from leaveby.show.wording import WAYS, clean, clock_words, duration_words

LETTERS: Final = 86
"""Columns of a line over the whole width of a sheet."""

NEW_LINES: Final = (9, 17)
"""Lines for what is new: on a sheet with a large map, and at the most."""

_MAP_ROOM: Final = {"place": (112.0, 100.0, 52.0), "few": (118.0, 124.0, 80.0), "many": (100.0, 92.0, 48.0)}
"""Of each kind of sheet: width and height for a map beside the fields, and height for one above them."""

_TASK_LINES, _LETTER_MM = 12, 2.2


def annex_page(drill: Drill, *, made_at: datetime) -> str:
    """Lay out what the leader may want beside the card: every inject, the closings, the answers on their curves."""
    rounds = "; ".join(fire_words(run.speed_m_s, drill.plan.measures) for run in drill.rounds)
    computed = f"Worked out for {drill.members} such days in each of {len(drill.rounds)} rounds ({rounds})"

    def curve(run: Round) -> Markup:
        title = f"Answers, {words.round_title(run)}"
        return Markup(as_svg(answers_curve(drill, run), title, describe_answers_curve(drill, run)))

    return drill_text(
        "drill_annex",
        drill,
        style="drill_annex.css",
        made_at=made_at,
        base=Markup(map_base(drill)),
        any_round_is_open=any_round_is_open,
        curve=curve,
        round_map=lambda run: Markup(round_map(drill, run)),
        # A pause comes after what is known by then.
        timeline=lambda run: sorted([*run.injects, *run.pauses], key=lambda one: (one.at_s, isinstance(one, Pause))),
        made_with=made_with(drill.inputs, computed),
    )


def participants_page(drill: Drill, *, made_at: datetime) -> str:
    """Lay out the sheets for the groups: one page for the place and household, one for each pause of each round."""
    rooms = {
        name: room_mm(drill, beside=(width_mm, height_mm), above=(190.0, low_mm))
        for name, (width_mm, height_mm, low_mm) in _MAP_ROOM.items()
    }
    ways: list[Way] = [way for way in WAYS if way in drill.rounds[0].ways]
    fresh = [(run, pause, _fresh(drill, run, pause)) for run in drill.rounds for pause in run.pauses]
    kinds = ["few" if len(new) <= NEW_LINES[0] else "many" for _, _, new in fresh]
    wide_mm, is_beside = rooms["place"]
    point_letters = int((190.0 - wide_mm - 3.0) / _LETTER_MM) if is_beside else LETTERS
    sizes = {rooms[kind][0] for kind in ("place", *kinds)}
    return drill_text(
        "drill_participants",
        drill,
        style="drill_sheets.css",
        made_at=made_at,
        base=Markup("".join(map_base(drill, width_mm) for width_mm in sorted(sizes))),
        place_mm=rooms["place"],
        sheets=[(*each, rooms[kind]) for each, kind in zip(fresh, kinds, strict=True)],
        map_of=lambda run, pause, width_mm: Markup(pause_map(drill, run, pause, width_mm=width_mm)),
        ways=ways,
        points=[lines(one, point_letters, 3) for one in _points(drill)][:5],
        tasks=_broken([_tasks(drill, way) for way in ways], _TASK_LINES),
        lines=lines,
        letters_across=LETTERS,
    )


def _fresh(drill: Drill, run: Round, pause: Pause) -> list[str]:
    """What is new at a pause, in as many lines of each as all of it leaves room for; the most telling of too much."""
    found = new_at(run, pause)
    kept = found if len(found) <= NEW_LINES[1] else most_telling(found, NEW_LINES[1] - 1)
    told = [f"{clock_words(drill, one.at_s, step_min=1)} {words.said_words(one)}" for one in kept]
    left = len(found) - len(kept)
    told_lines = [line for each in _broken(told, NEW_LINES[1] - (left > 0)) for line in each]
    return [*told_lines, f"And {left} more pieces of word: ask for them."] if left else told_lines


def _broken(told: Sequence[str], most: int) -> list[list[str]]:
    """Break texts into no more lines in all than that, each into as many as leaves room for the others."""
    fitting = ([lines(one, LETTERS, each) for one in told] for each in range(most, 0, -1))
    return next((broken for broken in fitting if sum(map(len, broken)) <= most), [])


def _points(drill: Drill) -> list[str]:
    return [
        f"{clean(point.name, 60)}, {point.kind.replace('_', ' ')}: "
        f"{', '.join(DRILL_WAY_WORDS[way] for way in point.ways)}"
        for point in drill.plan.safe_points
    ]


def _tasks(drill: Drill, way: Way) -> str:
    tasks = [
        f"{clean(task.name, 60)} ({duration_words(task.likely_s)}{f', {task.hands} people' if task.hands > 1 else ''})"
        for task in tasks_for(drill.plan, way)
    ]
    how = DRILL_WAY_WORDS[way]
    return f"To {how}: {'; '.join(tasks) or 'nothing'}."
