"""The pages of a drill: `drill.html` for the trainer, `drill_participants.html` with the sheets for the groups.

Both are one file each, without script or outside address, and print on A4 in black and white. The head of every printed
page says that this is an exercise and that official warnings override. The participants' file holds nothing of what
comes later than each pause: no arrival, no leave-by, no speed, no number of pauses still to come.
"""

from __future__ import annotations

from datetime import datetime
from importlib.resources import files
from typing import Any, Final

from markupsafe import Markup

from leaveby.decision.drill.result import Drill, Pause, Round, any_round_is_open, new_at
from leaveby.decision.drill.rounds import speed_words
from leaveby.household.plan import tasks_for
from leaveby.show.drill import words
from leaveby.show.drill.figures import answers_curve, describe_answers_curve, describe_rounds_strip, rounds_strip
from leaveby.show.drill.map import map_base, pause_map, round_map
from leaveby.show.figure import as_svg
from leaveby.show.templates import made_with, page_text
from leaveby.show.wording import WAYS, map_notice

MANY_NEW: Final = 13
"""More new injects than this are set in smaller type beside a smaller map, so that a sheet stays one page."""


def drill_page(drill: Drill, *, made_at: datetime) -> str:
    """Lay out the trainer's part: how to run it, every inject, the closings, the answers on their curves."""
    rounds = "; ".join(speed_words(run.speed_m_s) for run in drill.rounds)
    computed = f"Computed from {drill.members} members in each of {len(drill.rounds)} rounds ({rounds})"

    def curve(run: Round) -> Markup:
        title = f"Answers, {words.round_title(run)}"
        return Markup(as_svg(answers_curve(drill, run), title, describe_answers_curve(drill, run)))

    return _page(
        "drill.html.j2",
        drill,
        made_at=made_at,
        strip=Markup(as_svg(rounds_strip(drill), "The rounds side by side", describe_rounds_strip(drill))),
        curve=curve,
        round_map=lambda run: Markup(round_map(drill, run)),
        # A pause comes after what is known by then.
        timeline=lambda run: sorted([*run.injects, *run.pauses], key=lambda one: (one.at_s, isinstance(one, Pause))),
        any_round_is_open=any_round_is_open,
        made_with=made_with(drill.inputs, computed),
    )


def participants_page(drill: Drill, *, made_at: datetime) -> str:
    """Lay out the sheets for the groups: one page for the place and household, one for each pause of each round."""
    return _page(
        "drill_participants.html.j2",
        drill,
        made_at=made_at,
        pause_map=lambda run, pause: Markup(pause_map(drill, run, pause)),
        ways=[way for way in WAYS if way in drill.rounds[0].ways],
        tasks_for=tasks_for,
        new_at=new_at,
        most_new=MANY_NEW,
    )


def _page(template: str, drill: Drill, *, made_at: datetime, **values: Any) -> str:
    return page_text(
        f"show/drill/{template}",
        made_at=made_at,
        style=Markup(files("leaveby.show.drill").joinpath("drill.css").read_text(encoding="utf-8")),
        drill=drill,
        words=words,
        notice=map_notice(drill.network),
        base=Markup(map_base(drill)),
        **values,
    )
