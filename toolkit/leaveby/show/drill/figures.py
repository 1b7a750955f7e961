"""The figures of a drill: every answer on its clear-probability curve, and the rounds side by side over one clock."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from leaveby.decision.drill.result import Drill, Placed, Round
from leaveby.decision.ways.confidence import share_clear
from leaveby.decision.ways.result import WayTiming
from leaveby.show import figure as paper
from leaveby.show.drill import words
from leaveby.show.plan.plots import MARKERS, draw_curve, finish_curve, mark_leave_by
from leaveby.show.templates import sentences
from leaveby.show.wording import WAY_TITLES, clean, clock_words, percent_words

_POINTS: Final = 500
_LABEL_GAP_PT: Final = 11.0


def answers_curve(
    drill: Drill,
    run: Round,
    *,
    placed: Sequence[Placed] | None = None,
    width_mm: float = 186.0,
    height_mm: float = 72.0,
) -> Figure:
    """Draw the share of computed days on which one gets clear against the start, with every answer where it lies.

    Answers, the round's own when left out, are numbered from 1 in their order; those that stay are not drawn.
    """
    answers = run.placed if placed is None else tuple(placed)
    ways = [way for way in words.ways_of(run) if way.route is not None]
    low_s, high_s = _span(drill, ways, answers)
    at_s = np.linspace(low_s, high_s, _POINTS)
    with paper.figure_style():
        figure = paper.blank_figure(width_mm, height_mm)
        axes = figure.add_subplot()
        for way in ways:
            share = share_clear(way.member_latest_start_s, at_s)
            draw_curve(axes, way, at_s, share, label=WAY_TITLES.get(way.way, way.way))
            mark_leave_by(axes, way, confidence=drill.plan.confidence)
        axes.axhline(drill.plan.confidence * 100.0, color=paper.INK, linewidth=0.8)
        axes.text(
            0.997,
            0.995,
            f"level line: {percent_words(drill.plan.confidence)}, asked for; marks on it: the leave-by",
            transform=axes.transAxes,
            ha="right",
            va="top",
            fontsize=6.8,
        )
        axes.axvline(0.0, color=paper.INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=0)
        axes.text(0.0, 0.03, " fire starts", transform=axes.get_xaxis_transform(), fontsize=6.5, va="bottom", ha="left")
        _draw_answers(axes, answers, low_s=low_s, high_s=high_s, width_mm=width_mm)
        axes.set_ylim(-4.0, 124.0)
        axes.set_yticks([0, 20, 40, 60, 80, 100])
        axes.set_ylabel("days that get clear, in 100")
        paper.clock_axis(axes, drill, low_s, high_s=high_s, most=12)
        finish_curve(axes, legend=bool(ways))
    return figure


def _span(drill: Drill, ways: Sequence[WayTiming], answers: Sequence[Placed]) -> tuple[float, float]:
    """From before the first curve falls, the exercise begins or the first answer, to where all have fallen."""
    times = [drill.script.begin_s, 0.0, *paper.finite(*(one.answer.start_s for one in answers))]
    for way in ways:
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
        axes.plot(
            [one.answer.start_s / 60.0],
            [share],
            marker=MARKERS.get(one.answer.way, "D"),
            markersize=5.5,
            markerfacecolor="white",
            markeredgecolor=paper.WAY_COLOURS.get(one.answer.way, paper.INK),
            markeredgewidth=1.4,
            linestyle="none",
            zorder=6,
        )
        spot = (round(one.answer.start_s / (14.0 * s_per_pt)), round(share / 12.0))
        above = spots.get(spot, 0)
        spots[spot] = above + 1
        axes.annotate(
            str(number),
            (one.answer.start_s / 60.0, share),
            xytext=(_LABEL_GAP_PT * above, 9.0),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=7.5,
            fontweight="bold",
            bbox={"boxstyle": "circle,pad=0.18", "facecolor": "white", "edgecolor": paper.INK, "linewidth": 0.8},
            zorder=7,
        )


def describe_answers_curve(drill: Drill, run: Round, *, placed: Sequence[Placed] | None = None) -> str:
    """Say what the curve with the answers shows."""
    answers = run.placed if placed is None else tuple(placed)
    title = words.round_full_title(run)
    parts = [f"Share of computed days that get clear, by the moment one starts getting ready. {title}."]
    parts += [
        f"{WAY_TITLES[way.way]}: leave-by {clock_words(drill, way.latest_start_s)}."
        for way in words.ways_of(run)
        if way.latest_start_s is not None
    ]
    for number, one in enumerate(answers, start=1):
        parts.append(
            f"{number}, {clean(one.answer.group, 60)}: {words.answer_words(drill, one)}: {words.clear_words(one)}, "
            f"{words.margin_words(drill, one)}."
        )
    return " ".join(parts)


def rounds_strip(drill: Drill, *, width_mm: float = 186.0) -> Figure:
    """Draw the rounds side by side over one clock: leave-bys, the first street to shut, the front at the home."""
    times = [drill.script.begin_s, 0.0]
    for run in drill.rounds:
        times += paper.finite(run.home_s, *(way.latest_start_s for way in run.ways.values()))
        times += [run.shuts[0].at_s] if run.shuts else []
    low_s, high_s = paper.whole_hours(drill, min(times) - 300.0, max(times) + 300.0)
    with paper.figure_style():
        figure = paper.blank_figure(width_mm, 20.0 + 13.0 * len(drill.rounds))
        axes = figure.add_subplot()
        for row, run in enumerate(drill.rounds):
            end_s = min(run.end_s, high_s)
            shut_s = max(run.shuts[0].at_s, 0.0) if run.shuts else end_s
            paper.bar(axes, row, 0.0, min(shut_s, end_s), fill="white", height=0.42, linewidth=0.7)
            paper.bar(axes, row, min(shut_s, end_s), end_s, fill=paper.GREY, hatch="//", height=0.42, linewidth=0.7)
            paper.bar(axes, row, end_s, high_s, fill=paper.DARK, height=0.42, linewidth=0.7)
            for way in words.ways_of(run):
                if way.latest_start_s is None:
                    continue
                at = (way.latest_start_s / 60.0, row + {"tow": -0.42, "car": 0.42, "foot": 0.0}[way.way])
                look: dict[str, Any] = {"marker": MARKERS[way.way], "color": paper.WAY_COLOURS[way.way]}
                axes.plot(*at, markersize=6, linestyle="none", zorder=6, **look)
                axes.annotate(
                    f"{way.way} {clock_words(drill, way.latest_start_s)}",
                    at,
                    xytext=(6.0, 0.0),
                    textcoords="offset points",
                    fontsize=6.8,
                    va="center",
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
                    zorder=5,
                )
        axes.axvline(0.0, color=paper.INK, linewidth=0.9, linestyle=(0, (2, 2)))
        axes.axvline(drill.script.begin_s / 60.0, color=paper.MUTED, linewidth=0.8, linestyle=(0, (1, 2)))
        for at_s, said in ((0.0, "fire starts"), (drill.script.begin_s, "exercise begins")):
            axes.text(at_s / 60.0, -0.72, f" {said}", fontsize=6.5, va="bottom", ha="left")
        names = [words.round_full_title(run) for run in drill.rounds]
        paper.name_rows(axes, names, low=len(drill.rounds) - 0.35, high=-0.75)
        paper.clock_axis(axes, drill, low_s, high_s=high_s, most=12)
        axes.set_xlabel(
            "marks: start getting ready by; hatched: a street of a way out is shut; dark: the front is at the home"
        )
    return figure


def describe_rounds_strip(drill: Drill) -> str:
    """Say what the strip shows."""
    return " ".join(sentences("show/drill/rounds.txt.j2", drill=drill, ways=words.ways_of, words=words))
