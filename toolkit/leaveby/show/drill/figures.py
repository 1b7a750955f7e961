"""The figure of a drill: every answer on the clear-probability curve of its way of leaving in a round."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from leaveby.decision.drill.result import Drill, Placed, Round
from leaveby.decision.ways.confidence import share_clear
from leaveby.show import figure as paper
from leaveby.show.drill import words
from leaveby.show.plan.plots import MARKERS, draw_curve, mark_leave_by
from leaveby.show.wording import WAY_TITLES, WAY_WORDS, clean, clock_words

LETTERS_PT: Final = 8.2
"""No letter of a drill's figures is smaller."""

_POINTS: Final = 500
_LABEL_GAP_PT: Final = 12.0


def answers_curve(
    drill: Drill,
    run: Round,
    *,
    placed: Sequence[Placed] | None = None,
    span_s: tuple[float, float] | None = None,
    width_mm: float = 186.0,
    height_mm: float = 76.0,
) -> Figure:
    """Draw on how many of 100 such days one gets clear against the start, with every answer where it lies.

    Answers, the round's own when left out, are numbered from 1 in their order; those that stay are not drawn. The clock
    goes over `span_s`, from where the round's curves are worth looking at when left out.
    """
    answers = run.placed if placed is None else tuple(placed)
    ways = [way for way in words.ways_of(run) if way.route is not None]
    low_s, high_s = span_s or curve_span(drill, [run], answers)
    at_s = np.linspace(low_s, high_s, _POINTS)
    foot: dict[str, Any] = {"fontsize": LETTERS_PT, "color": paper.MUTED, "x": 0.995, "ha": "right", "style": "italic"}
    with paper.figure_style():
        figure = paper.blank_figure(width_mm, height_mm, foot="")
        axes = figure.add_subplot()
        axes.axhline(drill.plan.confidence * 100.0, color=paper.INK, linewidth=0.8)
        axes.axvline(0.0, color=paper.INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=0)
        for way in ways:
            share = share_clear(way.member_latest_start_s, at_s)
            draw_curve(axes, way, at_s, share)
            mark_leave_by(axes, way, confidence=drill.plan.confidence)
            middle_s = float(at_s[int(np.argmax(share <= 0.3))]) if share[-1] <= 0.3 else high_s
            look: dict[str, Any] = {"color": paper.WAY_COLOURS[way.way], "pad": 0.4, "fontweight": "bold"}
            _say(axes, middle_s, 30.0, WAY_WORDS[way.way], side=-1 if middle_s > high_s - 1800.0 else 1, **look)
        _draw_answers(axes, answers, low_s=low_s, high_s=high_s, width_mm=width_mm)
        axes.set(ylim=(-4.0, 124.0), yticks=[0, 50, 100], ylabel="of 100 days")
        axes.grid(color=paper.PALE, linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(labelsize=LETTERS_PT)
        axes.yaxis.label.set_fontsize(LETTERS_PT)
        paper.clock_axis(axes, drill, low_s, high_s=high_s, most=max(3, round(width_mm / 16.0)))
        if not ways:
            axes.text(0.5, 0.5, "no way of leaving to draw", transform=axes.transAxes, ha="center", fontsize=LETTERS_PT)
        if span_s is None:  # a page says it once for several of them
            axes.set_xlabel("when you start getting ready", fontsize=LETTERS_PT)
            axes.text(0.0, 1.01, "fire starts", transform=axes.get_xaxis_transform(), ha="center", fontsize=LETTERS_PT)
            figure.supxlabel(paper.OVERRIDE_LINE, **foot)
    return figure


def _say(axes: Axes, at_s: float, share: float, text: str, *, side: int, pad: float = 0.2, **look: Any) -> None:
    box = {"facecolor": "white", "edgecolor": "none", "pad": pad}
    place: dict[str, Any] = {
        "xytext": (4.0 * side, 0.0),
        "textcoords": "offset points",
        "ha": "left" if side > 0 else "right",
    }
    axes.annotate(text, (at_s / 60.0, share), va="center", fontsize=LETTERS_PT, bbox=box, zorder=5, **place, **look)


def curve_span(drill: Drill, rounds: Sequence[Round], answers: Sequence[Placed]) -> tuple[float, float]:
    """From before the first curve falls, the exercise begins or the first answer, to where all have fallen."""
    times = [drill.script.begin_s, 0.0, *paper.finite(*(one.answer.start_s for one in answers))]
    for way in (way for run in rounds for way in words.ways_of(run) if way.route is not None):
        bounded = way.member_latest_start_s[np.isfinite(way.member_latest_start_s)]
        if bounded.size:
            times += [float(bounded.min()) - 600.0, float(np.quantile(bounded, 0.98)) + 600.0]
    return paper.whole_hours(drill, min(times), max(times))


def _draw_answers(axes: Axes, answers: Sequence[Placed], *, low_s: float, high_s: float, width_mm: float) -> None:
    """A numbered mark at each answer; numbers that would lie over each other are set one above the other."""
    s_per_pt = (high_s - low_s) / (width_mm / 25.4 * 72.0 * 0.86)
    spots: dict[tuple[int, int], int] = {}
    for number, one in enumerate(answers, start=1):
        if one.answer.start_s is None or one.clear_probability is None:
            continue
        share = one.clear_probability * 100.0
        marker, colour = MARKERS.get(one.answer.way, "D"), paper.WAY_COLOURS.get(one.answer.way, paper.INK)
        at_min = one.answer.start_s / 60.0
        axes.plot([at_min], [share], marker=marker, markeredgecolor=colour, **paper.LOOKS["answer"])
        spot = (round(one.answer.start_s / (14.0 * s_per_pt)), round(share / 12.0))
        above = spots.get(spot, 0)
        spots[spot] = above + 1
        look: dict[str, Any] = {"fontsize": LETTERS_PT, **paper.LOOKS["answer_number"]}
        axes.annotate(str(number), (at_min, share), xytext=(_LABEL_GAP_PT * above, 9.0), **look)


def describe_answers_curve(drill: Drill, run: Round, *, placed: Sequence[Placed] | None = None) -> str:
    """Say what the curve with the answers shows."""
    answers = run.placed if placed is None else tuple(placed)
    title = words.round_full_title(drill, run)
    parts = [f"On how many of 100 such days one gets clear, by the moment one starts getting ready. {title}."]
    parts += [
        f"{WAY_TITLES[way.way]}: start by {clock_words(drill, way.latest_start_s)}."
        for way in words.ways_of(run)
        if way.latest_start_s is not None
    ]
    for number, one in enumerate(answers, start=1):
        parts.append(
            f"{number}, {clean(one.answer.group, 60)}: {words.answer_words(drill, one)}: {words.clear_words(one)}, "
            f"{words.margin_words(drill, one)}."
        )
    return " ".join(parts)
