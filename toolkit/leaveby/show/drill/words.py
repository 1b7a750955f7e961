"""How a drill is said to a trainer and to a group.

Clock times of injects are whole minutes; leave-by times are rounded down to 5 minutes as everywhere. Nothing here that
a participant reads says what has not happened yet.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import timedelta
from typing import Final

from leaveby.decision.drill.injects import reading_words
from leaveby.decision.drill.result import (
    DRILL_WAY_WORDS,
    EXERCISE_ONLY,
    INVENTED,
    Drill,
    Inject,
    Pause,
    Placed,
    Round,
    round_is_open,
)
from leaveby.decision.drill.rounds import fire_words
from leaveby.decision.ways.result import WayTiming, way_is_open
from leaveby.roads.routing.itinerary import compass_words
from leaveby.show.templates import sentences
from leaveby.show.wording import (
    WAY_TITLES,
    WAYS,
    clean,
    clock_words,
    floor_clock,
    leave_by_line,
    minutes_between,
    ways_asked,
)

EXERCISE_BANNER: Final = f"{EXERCISE_ONLY.upper()}: nothing on this page is happening. No message on it is real."
"""Stands at the head of every page of a drill."""

_AS_THEY_ARE: Final = "seen heard measured wind smoke embers road power phone end"
KIND_WORDS: Final[Mapping[str, str]] = {
    **{kind: kind for kind in _AS_THEY_ARE.split()},
    "official": "official message",
    "leave-by": "last moment",
}

_WORDS: Final = "show/drill/words.txt.j2"

NO_WAY_OPEN: Final = (
    "In this round no way of leaving can be begun in time once the fire has started. Such a morning is left on its "
    "forecast and its fire danger, before there is any smoke to see."
)


def round_title(run: Round) -> str:
    """Name a round as participants know it: its number, never its speed."""
    return f"Round {run.number}"


def round_full_title(drill: Drill, run: Round) -> str:
    """Name a round for the trainer, with its speed."""
    return f"{round_title(run)}: {fire_words(run.speed_m_s, drill.plan.measures)}"


def ways_of(run: Round) -> list[WayTiming]:
    """The ways of leaving of a round, in the order in which they are shown."""
    return [run.ways[name] for name in WAYS if name in run.ways]


def inject_words(one: Inject) -> str:
    """Say an inject on one line; an official message says first that it is invented.

    >>> inject_words(Inject(0.0, "official", "Leave now.")), inject_words(Inject(0.0, "seen", "Smoke."))
    ('Exercise only, invented: Leave now.', 'Smoke.')
    """
    text = clean(one.text)
    return f"{INVENTED}: {text}" if one.kind == "official" else text


def said_words(one: Inject) -> str:
    """Say an inject on a group's sheet, with what sort of word it is."""
    return inject_words(one) if one.kind == "official" else f"({KIND_WORDS[one.kind]}) {clean(one.text)}"


def pause_words(drill: Drill, pause: Pause) -> str:
    """Say what is known of the fire at a pause."""
    where = compass_words(pause.front_bearing_deg)
    (said,) = sentences(_WORDS, part="pause", pause=pause, where=where, measures=drill.plan.measures)
    return said


def weather_words(drill: Drill, pause: Pause) -> str:
    """Say the weather at a pause."""
    return f"Weather now: {reading_words(pause.reading, drill.plan.measures)}."


def leave_by_words(drill: Drill, run: Round) -> list[str]:
    """Say for each way of leaving by when it had to be begun in a round, and when it had to be on the road."""
    ways = ways_asked(drill.script.plan, run.ways)
    lines = [f"{WAY_TITLES[way.way]}: {_leave_by_line(drill, way)}" for way in ways]
    return [*lines, *sentences(_WORDS, part="shut", drill=drill, run=run)]


def _leave_by_line(drill: Drill, way: WayTiming) -> str:
    early_s = way.latest_start_s
    if way.route is None or early_s is None or early_s >= drill.script.begin_s:
        return leave_by_line(drill, way)
    return f"{leave_by_line(drill, way)} That is before this exercise begins."


def verdict_words(drill: Drill, run: Round) -> str:
    """Say in one sentence what a round comes to."""
    ways = ways_of(run)
    shut = [DRILL_WAY_WORDS[way.way] for way in ways if way.route is not None and not way_is_open(way)]
    told = {"open": [DRILL_WAY_WORDS[way.way] for way in ways if way_is_open(way)] if round_is_open(run) else []}
    return " ".join(sentences(_WORDS, part="verdict", drill=drill, run=run, shut=shut, no_way=NO_WAY_OPEN, **told))


def clear_words(placed: Placed) -> str:
    """Count among a hundred such days those on which an answer gets clear, never rounded up.

    >>> from leaveby.decision.drill.result import Answer
    >>> clear_words(Placed(Answer("A", 1, "car", 0.0), 0.919, 60.0, 60.0, (), ()))
    'clear on 91 of 100 such days'
    """
    if placed.clear_probability is None:
        return "not on a curve"
    if placed.clear_probability >= 1.0:
        return "clear on every day looked at, which is no promise"
    return f"clear on {math.floor(placed.clear_probability * 100.0 + 1e-9)} of 100 such days"


def margin_words(drill: Drill, placed: Placed) -> str:
    """Say how long before or after the time to start by an answer lies: minutes before rounded down, after up."""
    if placed.answer.way == "stay":
        return "staying has no time to start by"
    early_min = early_minutes(drill, placed)
    if early_min is None or placed.latest_start_s is None:
        return "no time to start by was found for this way"
    return f"{abs(early_min)} min {'before' if early_min >= 0 else 'after'} {clock_words(drill, placed.latest_start_s)}"


def start_by_s(drill: Drill, placed: Placed) -> float | None:
    """The time to start by of an answer's way as it is said everywhere, rounded down to 5 minutes of the clock."""
    if placed.latest_start_s is None:
        return None
    return minutes_between(drill, floor_clock(drill.start + timedelta(seconds=placed.latest_start_s), 5)) * 60.0


def early_minutes(drill: Drill, placed: Placed) -> int | None:
    """Minutes from an answer to the time to start by, rounded down; None where there is none."""
    by_s, start_s = start_by_s(drill, placed), placed.answer.start_s
    return None if by_s is None or start_s is None else math.floor((by_s - start_s) / 60.0 + 1e-9)


def shut_words(placed: Placed) -> str:
    """Say what was shut on the way at the time of an answer, and by the time of rolling.

    >>> from leaveby.decision.drill.result import Answer
    >>> shut_words(Placed(Answer("A", 1, "car", 0.0), 0.5, 60.0, 60.0, (), ("Mill Lane",)))
    'nothing on this way yet; when they roll: Mill Lane'
    """
    if placed.answer.way == "stay":
        return ""
    now = ", ".join(clean(name, 40) for name in placed.shut_at_start) or "nothing on this way yet"
    more = [clean(name, 40) for name in placed.shut_at_rolling if name not in placed.shut_at_start]
    return f"{now}; when they roll: {', '.join(more)}" if more else now


def answer_words(drill: Drill, placed: Placed) -> str:
    """Say an answer: how, and from when."""
    answer = placed.answer
    if answer.start_s is None:
        return DRILL_WAY_WORDS[answer.way]
    return f"{DRILL_WAY_WORDS[answer.way]}, getting ready from {clock_words(drill, answer.start_s, step_min=1)}"


def stay_words(drill: Drill, run: Round) -> str:
    """Say what a group that stays has to know, without any promise."""
    return " ".join(sentences("show/drill/stay.txt.j2", drill=drill, run=run))


def came_of(drill: Drill, run: Round) -> list[str]:
    """Say in a few words what a round came to: the times to start by, the roads, the fire at the home."""
    ways = [way for way in ways_of(run) if way.route is not None]
    return sentences("show/drill/came_of.txt.j2", drill=drill, run=run, ways=ways)


def drill_lines(drill: Drill) -> list[str]:
    """Say on a terminal what a drill comes to; what its file could do better once, though several rounds have it."""
    lines = [*drill.notes, f"{drill.name}", f"Each round was worked out for {drill.members} such days."]
    mends: dict[str, None] = {}
    for run in drill.rounds:
        lines += ["", f"{round_full_title(drill, run)}. {verdict_words(drill, run)}"]
        lines += [f"  {line}" for line in leave_by_words(drill, run)]
        for note in run.notes:
            what, _, mend = note.partition(" Expected ")
            lines.append(f"  {what}")
            if mend:
                mends[f"  Expected {mend}"] = None
    return [*lines, "", "For what is left out or too late above:", *mends] if mends else lines
