"""The run card: `drill.html`, two sides for whoever leads, in the order of the clock, and what to talk over at the end.

As on the household's sheet every text is cut by count, so that no name, no number of rounds and no font can burst the
frame. What does not fit stands on the groups' sheets and in the annex.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from importlib.resources import files
from itertools import takewhile
from typing import Any, Final, Literal

from markupsafe import Markup

from leaveby.decision.drill.injects import IGNITION
from leaveby.decision.drill.result import Drill, Inject, Pause, Round, new_at
from leaveby.show.drill import words
from leaveby.show.drill.figures import answers_curve, curve_span, describe_answers_curve
from leaveby.show.figure import as_svg
from leaveby.show.letters import lines
from leaveby.show.templates import page_text
from leaveby.show.wording import clean, clock_words, floor_clock, map_notice

MOST_ROUNDS: Final = 6
"""Rounds on the card; the annex has all."""

SIDE_ROWS: Final = (48, 19)
"""Lines of the order of the clock on each side."""

LETTERS: Final = 84
_KEY_LETTERS: Final = {1: 120, 2: 60}
_CURVE_MM: Final = {1: (188.0, 92.0), 2: (188.0, 42.0), 4: (92.0, 38.0), 6: (92.0, 22.0)}
"""Size of a round's curve, by up to how many rounds there are."""

_TELLING: Final = ("official", "wind", "embers", "smoke", "seen", "road")
_ASK: Final = "Ask: when would you start, and how would you go?"


@dataclass(frozen=True)
class Row:
    """A thing to do at a moment, in as many lines as it takes; a heading has no moment."""

    kind: Literal["head", "say", "ask", "stop"]
    told: list[str]
    since: str = ""
    clock: str = ""


def run_card(drill: Drill, *, made_at: datetime) -> str:
    """Lay out the two sides of the card."""
    rounds = drill.rounds[:MOST_ROUNDS]
    across = 1 if len(rounds) < 3 else 2
    width_mm, height_mm = next(size for most, size in _CURVE_MM.items() if len(rounds) <= most)
    span_s = curve_span(drill, rounds, [one for run in rounds for one in run.placed])
    blocks = []
    for run in rounds:
        figure = answers_curve(drill, run, span_s=span_s, width_mm=width_mm, height_mm=height_mm)
        picture = as_svg(figure, f"Answers, {words.round_title(run)}", describe_answers_curve(drill, run))
        groups = [f"{number} {clean(one.answer.group, 30)}" for number, one in enumerate(run.placed, start=1)]
        told = [*words.came_of(drill, run), "; ".join(groups) or "No answers yet: mark them by hand."]
        letters = _KEY_LETTERS[across]
        blocks.append((words.round_full_title(drill, run), Markup(picture), [lines(one, letters)[0] for one in told]))
    return drill_text(
        "run_card",
        drill,
        style="drill_sheets.css",
        made_at=made_at,
        lines=lines,
        sides=_sides(card_rows(drill)),
        blocks=blocks,
        across=across,
        more=len(drill.rounds) - len(rounds),
    )


def drill_text(template: str, drill: Drill, *, style: str, made_at: datetime, **values: Any) -> str:
    """Fill a template of a drill with what all its pages share."""
    return page_text(
        f"show/drill/{template}.html.j2",
        made_at=made_at,
        style=Markup(files("leaveby.show.drill").joinpath(style).read_text(encoding="utf-8")),
        drill=drill,
        words=words,
        notice=map_notice(drill.network),
        **values,
    )


def most_telling(found: Sequence[Inject], most: int) -> list[Inject]:
    """Keep so many injects, in their order: official and one's own first, and what the fire did last."""
    ranked = sorted(found, key=_rank)[: max(most, 0)]
    return [one for one in found if any(one is kept for kept in ranked)]


def _rank(one: Inject) -> int:
    if one.source == "trainer" or one.basis == IGNITION:
        return 0
    return _TELLING.index(one.kind) if one.kind in _TELLING else len(_TELLING)


def card_rows(drill: Drill) -> list[Row]:
    """Give the order of the clock, cut to the lines of the card: what every round begins with, then round by round."""
    rounds = drill.rounds[:MOST_ROUNDS]
    shared = [
        pauses[0] for pauses in takewhile(partial(_alike, drill), zip(*(run.pauses for run in rounds), strict=False))
    ]
    parts: list[tuple[str, Round, Sequence[Pause]]] = []
    if shared and len(rounds) > 1:
        at = clock_words(drill, drill.script.begin_s, step_min=1)
        parts.append((f"Every round begins so. Set the clock to {at}.", rounds[0], shared))
    first = len(shared) if len(rounds) > 1 else 0
    parts += [(_heading(drill, run, begun=first), run, run.pauses[first:]) for run in rounds]
    most, room = max(len(pauses) for _, _, pauses in parts), -1
    while room < 0 and most > 0:
        needed = sum(2 + min(len(pauses), most) + (len(pauses) > most) for _, _, pauses in parts)
        room, most = sum(SIDE_ROWS) - 3 - needed, most - 1
    most += 1
    # Alike ones of all rounds in turn.
    said = [each for _, run, pauses in parts for pause in pauses[:most] for each in enumerate(new_at(run, pause))]
    kept: set[int] = set()
    for _, one in sorted(said, key=lambda pair: (_rank(pair[1]), pair[0])):
        if len(_say(one)) <= room:
            room -= len(_say(one))
            kept.add(id(one))
    rows: list[Row] = []
    for number, (title, run, pauses) in enumerate(parts):
        common = number == 0 and first > 0
        rows.append(Row("head", [lines(title, LETTERS + 20)[0]]))
        rows += _part_rows(drill, run, pauses[:most], kept=kept, common=common)
        if len(pauses) > most:
            rows.append(Row("head", [f"Then {len(pauses) - most} more pauses: see the annex."]))
        if not common:
            rows.append(
                _row(
                    drill,
                    "stop",
                    run.end_s,
                    ["The fire is at the home, or the hours are over. Stop the round; talk it over."],
                )
            )
    return rows


def _alike(drill: Drill, pauses: Sequence[Pause]) -> bool:
    """Whether pauses of the same number are the same in all rounds, before anybody knows of a fire."""
    told = [new_at(run, pause) for run, pause in zip(drill.rounds, pauses, strict=False)]
    return (
        all(one == pauses[0] for one in pauses)
        and pauses[0].at_s < drill.reported_s
        and all(one == told[0] for one in told)
    )


def _heading(drill: Drill, run: Round, *, begun: int) -> str:
    sheets = {0: "", 1: f" First as above, with sheet {run.number}.1."}
    said = sheets.get(begun, f" First as above, with sheets {run.number}.1 to {run.number}.{begun}.")
    return f"{words.round_full_title(drill, run)}; keep that to yourself.{said}"


def _part_rows(drill: Drill, run: Round, pauses: Sequence[Pause], *, kept: set[int], common: bool) -> list[Row]:
    rows = []
    for pause in pauses:
        fresh = new_at(run, pause)
        for one in fresh:
            if id(one) in kept:
                rows.append(_row(drill, "say", one.at_s, _say(one)))
        left = sum(id(one) not in kept for one in fresh)
        sheet = f"The round's sheet {pause.number}" if common else f"Sheet {run.number}.{pause.number}"
        more = f" ({left} more on it)" if left else ""
        rows.append(_row(drill, "ask", pause.at_s, [f"{sheet}{more}. {_ASK}"]))
    return rows


def _say(one: Inject) -> list[str]:
    return lines(words.inject_words(one), LETTERS, 2)


def _row(drill: Drill, kind: Literal["say", "ask", "stop"], at_s: float, told: list[str]) -> Row:
    begin, at = (floor_clock(drill.start + timedelta(seconds=time_s), 1) for time_s in (drill.script.begin_s, at_s))
    hours, minutes = divmod(round((at - begin).total_seconds() / 60.0), 60)
    return Row(kind, told, f"{hours}:{minutes:02d}", clock_words(drill, at_s, step_min=1))


def _sides(rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """Break the rows between the two sides, never behind a heading."""
    used, at = 0, 0
    while at < len(rows) and used + len(rows[at].told) <= SIDE_ROWS[0]:
        used += len(rows[at].told)
        at += 1
    while 0 < at < len(rows) and rows[at - 1].kind == "head":
        at -= 1
    return list(rows[:at]), list(rows[at:])
