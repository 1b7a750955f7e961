"""The figures of an answer: clear-probability curve, tasks bar chart.

Every function returns a matplotlib `Figure` made without pyplot, so that nothing global changes; `as_svg` of
`leaveby.show.figure` turns it into a picture inside a page. Each figure has a function `describe_...` beside it that
says the same in words.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray

from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.household.plan_tables import Person
from leaveby.show import figure as paper
from leaveby.show import wording
from leaveby.show.templates import sentences

CRITICAL_SHARE: Final = 0.8
"""A task that decides the ready time in at least this share of members is marked as critical."""

OFTEN_SHARE: Final = 0.3
"""And in at least this share, as one that often does."""

CURVE_HEIGHT_MM: Final = 55.0
"""Printed height of the clear-probability curve."""

MARKERS: Final = {"tow": "s", "car": "o", "foot": "^"}


_TASK_LOOKS: Final = (
    (paper.DARK, None, "decides when you can go"),
    (paper.GREY, "//", "often decides"),
    ("white", None, "has slack"),
)
_WAITING_WORDS: Final = (
    "and that decides when you can go",
    "and that often decides",
    "seldom the last thing to wait for",
)


def clear_curve(result: HouseholdResult, *, start_at_s: float | None = None) -> Figure:
    """Draw the share of members that get clear against the moment when one starts getting ready; and a moment to mark.

    One falling line per way of leaving, the asked confidence as a level line, the latest starts as marks.
    """
    ways = [way for way in wording.shown_ways(result) if way.start_s.size and way.route is not None]
    times = [time_s for way in ways for time_s in _falling_part(way)] + paper.finite(start_at_s)
    low_s, high_s = paper.whole_hours(result, min(times), max(times)) if times else (0.0, result.plan.horizon_s)
    with paper.figure_style():
        figure = paper.blank_figure(92.0, CURVE_HEIGHT_MM)
        axes = figure.add_subplot()
        for way in ways:
            look = {
                "marker": MARKERS.get(way.way, "D"),
                "markevery": [],
                "label": wording.WAY_WORDS.get(way.way, way.way),
            }
            draw_curve(axes, way, way.start_s, way.clear_probability, **look)
            if way.latest_start_s is not None and low_s <= way.latest_start_s <= high_s:
                mark_leave_by(axes, way, confidence=result.plan.confidence)
        axes.axhline(result.plan.confidence * 100.0, color=paper.INK, linewidth=0.8)
        asked, across = f"asked for: {wording.percent_words(result.plan.confidence)}", axes.get_yaxis_transform()
        axes.text(0.995, result.plan.confidence * 100.0 - 1.5, asked, transform=across, **paper.LOOKS["asked_for"])
        if start_at_s is not None:
            axes.axvline(start_at_s / 60.0, color=paper.INK, linewidth=1.2, linestyle=(0, (2, 1.5)))
        axes.set_ylim(0.0, 104.0)
        axes.set_ylabel("of 100 such days get clear")
        paper.clock_axis(axes, result, low_s, high_s=high_s, most=7)
        finish_curve(axes, legend=bool(ways))
    return figure


def draw_curve(axes: Axes, way: WayTiming, at_s: NDArray[np.float64], share: NDArray[np.float64], **look: Any) -> None:
    """Draw the share that gets clear with a way of leaving against the start, in its colour and dashes."""
    colour, dashes = paper.WAY_COLOURS.get(way.way, paper.INK), paper.WAY_DASHES.get(way.way, "-")
    axes.plot(at_s / 60.0, share * 100.0, color=colour, linestyle=dashes, linewidth=1.8, **look)


def finish_curve(axes: Axes, *, legend: bool) -> None:
    """Give a figure of clear-probability curves its grid, frame and key; or the words for having none."""
    axes.set_xlabel("when you start getting ready")
    axes.grid(color=paper.PALE, linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    if legend:
        paper.key_above(axes, 0.5, fontsize=6.8, handlelength=3.4, columnspacing=1.4)
    else:
        axes.text(0.5, 0.5, "no way of leaving to draw", transform=axes.transAxes, ha="center")


def mark_leave_by(axes: Axes, way: WayTiming, *, confidence: float) -> None:
    """Mark a way's latest start on the level of the asked confidence."""
    if way.latest_start_s is None:
        return
    marker, colour = MARKERS.get(way.way, "D"), paper.WAY_COLOURS.get(way.way, paper.INK)
    at_min, level = way.latest_start_s / 60.0, confidence * 100.0
    axes.plot([at_min], [level], marker=marker, color=colour, **paper.LOOKS["leave_by"])


def _falling_part(way: WayTiming) -> list[float]:
    """Where the curve is worth looking at: from before it begins to fall to where it has fallen."""
    below, gone = way.start_s[way.clear_probability < 0.999], way.start_s[way.clear_probability <= 0.005]
    first, last = float(below[0] if below.size else way.start_s[0]), float(gone[0] if gone.size else way.start_s[-1])
    return [max(first - 1800.0, float(way.start_s[0])), last, *paper.finite(way.latest_start_s)]


def describe_clear_curve(result: HouseholdResult) -> str:
    """Say what the clear-probability curve shows."""
    lines = ["Share of such days that get clear, by the moment one starts getting ready."]
    for way in wording.shown_ways(result):
        said = "no curve, since there is no way to draw"
        if way.route is not None and way.start_s.size:
            marks = []
            for level in (0.95, 0.5, 0.05):
                late_s = way.start_s[way.clear_probability < level]
                if late_s.size:
                    at = wording.clock_words(result, float(late_s[0]))
                    marks.append(f"below {wording.percent_words(level)} from {at}")
            said = ", ".join(marks) or "does not fall within the hours drawn"
        lines.append(f"{wording.WAY_TITLES.get(way.way, way.way)}: {said}.")
    return " ".join(lines)


@dataclass(frozen=True)
class _Bar:
    """A row of the tasks bar chart: a task, or the waiting for someone who is away."""

    label: str
    start_s: float
    finish_s: float
    beside: str
    rank: int
    is_task: bool


def _bars(result: HouseholdResult, way: str) -> list[_Bar]:
    """Those who are waited for first, then the tasks in the order of the list."""
    timing = result.ways[way]
    schedule = timing.schedule
    waits = []
    for person in filter(lambda person: person.is_away, result.plan.people):
        rank = _rank(timing.held_up_by.get(person.name, 0.0))
        title = f"{wording.clean(person.name, 18)} comes home"
        waits.append(_Bar(title, 0.0, person.arrives_after_s, _home_words(person), rank, False))
    tasks = [
        _Bar(
            wording.clean(schedule.tasks[place], 48),
            schedule.start_s[place],
            schedule.finish_s[place],
            wording.clean(", ".join(schedule.who[place]), 24),
            task_rank(timing, schedule.tasks[place]),
            True,
        )
        for place in schedule.order
    ]
    return [*waits, *tasks]


def _home_words(person: Person) -> str:
    soonest_s, likely_s, latest_s = person.arrival_points_s
    if person.arrival_is_uncertain:
        return f"in {math.floor(soonest_s / 60.0)} to {math.ceil(latest_s / 60.0)} min"
    return f"in {math.ceil(likely_s / 60.0)} min"


def task_bars(result: HouseholdResult, way: str) -> Figure:
    """Draw who does what when, at the likely durations, with the tasks that decide the ready time marked.

    Where someone is away at first, the waiting for them stands above the tasks as a thin bar, marked likewise.
    """
    schedule = result.ways[way].schedule
    bars = _bars(result, way)
    count = len(bars)
    with paper.figure_style():
        figure = paper.blank_figure(178.0, 17.5 + max(count, 2) * min(4.3, max(2.9, 40.0 / max(count, 1))))
        axes = figure.add_subplot()
        for row, bar in enumerate(bars):
            start_min, finish_min = bar.start_s / 60.0, bar.finish_s / 60.0
            look = dict(zip(("facecolor", "hatch"), _TASK_LOOKS[bar.rank], strict=False), **paper.LOOKS["task"])
            axes.barh(row, finish_min - start_min, left=start_min, height=0.72 if bar.is_task else 0.3, **look)
            if bar.beside:
                paper.write_beside(axes, finish_min, row, bar.beside, size=6.2, colour=paper.MUTED)
        names = [f"{bar.label} ●" if bar.rank == 0 else bar.label for bar in bars]
        paper.name_rows(axes, names, low=max(count, 1) - 0.4, high=-0.6, size=6.6 if count <= 10 else 6.1)
        for label, bar in zip(axes.get_yticklabels(), bars, strict=True):
            if bar.rank == 0:
                label.set_fontweight("bold")
        longest_min = max([schedule.ready_s, *schedule.finish_s], default=0.0) / 60.0
        axes.set_xlim(0.0, max(longest_min, 1.0) * 1.28)
        axes.axvline(schedule.ready_s / 60.0, color=paper.INK, linewidth=0.9, linestyle=(0, (4, 2)))
        if not count:
            axes.text(0.5, 0.5, "nothing to do before leaving", transform=axes.transAxes, ha="center", va="center")
        else:
            handles = [
                Patch(facecolor=colour, edgecolor=paper.INK, hatch=hatch, label=words)
                for colour, hatch, words in _TASK_LOOKS
            ]
            paper.key_above(axes, 0.22, handles=handles, fontsize=6.2, columnspacing=1.0, handlelength=1.6)
    return figure


def task_rank(timing: WayTiming, task: str) -> int:
    """0 for a task that decides the ready time in nearly all members, 1 for one that often does, 2 for one with slack.

    Where no members were run for it, the likely durations decide.
    """
    return _rank(timing.critical_share.get(task, 1.0 if task in timing.schedule.critical else 0.0))


def _rank(share: float) -> int:
    if share >= CRITICAL_SHARE:
        return 0
    return 1 if share >= OFTEN_SHARE else 2


def describe_tasks(result: HouseholdResult, way: str) -> str:
    """Say who does what when."""
    timing = result.ways[way]
    said = sentences(
        "show/plan/tasks.txt.j2",
        timing=timing,
        away=[person for person in result.plan.people if person.is_away],
        home_words=_home_words,
        waiting_words=lambda name: _WAITING_WORDS[_rank(timing.held_up_by.get(name, 0.0))],
        task_words=lambda name: _TASK_LOOKS[task_rank(timing, name)][2],
    )
    return " ".join(said)
