"""The figures of an answer: clear-probability curve, tasks bar chart, timetable bar, ready times.

Every function returns a matplotlib `Figure` made without pyplot, so that nothing global changes; `as_svg` of
`leaveby.show.figure` turns it into a picture inside a page. Each figure has a function `describe_...` beside it that
says the same in words.
"""

from __future__ import annotations

import math
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from leaveby.decision.result import HouseholdResult, WayTiming
from leaveby.show.figure import (
    INK,
    MUTED,
    PALE,
    WAY_COLOURS,
    WAY_DASHES,
    blank_figure,
    clock_axis,
    figure_style,
    finite,
    whole_hours,
)
from leaveby.show.wording import (
    WAY_TITLES,
    clean,
    clock_words,
    duration_words,
    percent_words,
    shown_ways,
    street_words,
    why_words,
)

CRITICAL_SHARE: Final = 0.5
"""A task that decides the ready time in at least this share of members is marked as critical."""

_MARKERS: Final = {"tow": "s", "car": "o", "foot": "^"}
_WAY_WORDS: Final = {"tow": "towing", "car": "car", "foot": "foot"}
_TOO_LATE: Final = "#3a3a3a"
_ROLLING: Final = "#bdbdbd"
_START: Final = "#f7f7f5"


def clear_curve(result: HouseholdResult) -> Figure:
    """Draw the share of members that get clear against the moment when one starts getting ready.

    Parameters
    ----------
    result : HouseholdResult

    Returns
    -------
    Figure
        One falling line per way of leaving, the asked confidence as a level line, the latest starts as marks.
    """
    ways = [way for way in shown_ways(result) if way.start_s.size and way.route is not None]
    times = [time_s for way in ways for time_s in _falling_part(way)]
    low_s, high_s = whole_hours(result, min(times), max(times)) if times else (0.0, result.plan.horizon_s)
    with figure_style():
        figure = blank_figure(92.0, 62.0)
        axes = figure.add_subplot()
        for way in ways:
            axes.plot(
                way.start_s / 60.0,
                way.clear_probability * 100.0,
                color=WAY_COLOURS.get(way.way, INK),
                linestyle=WAY_DASHES.get(way.way, "-"),
                linewidth=1.8,
                marker=_MARKERS.get(way.way, "D"),
                markevery=[],
                label=_WAY_WORDS.get(way.way, way.way),
            )
            if way.latest_start_s is not None and low_s <= way.latest_start_s <= high_s:
                axes.plot(
                    [way.latest_start_s / 60.0],
                    [result.plan.confidence * 100.0],
                    marker=_MARKERS.get(way.way, "D"),
                    color=WAY_COLOURS.get(way.way, INK),
                    markersize=6,
                    markeredgecolor="white",
                    zorder=5,
                    clip_on=False,
                )
        axes.axhline(result.plan.confidence * 100.0, color=INK, linewidth=0.8)
        axes.text(
            0.995,
            result.plan.confidence * 100.0 - 1.5,
            f"asked for: {percent_words(result.plan.confidence)}",
            transform=axes.get_yaxis_transform(),
            ha="right",
            va="top",
            fontsize=7,
        )
        axes.set_ylim(0.0, 104.0)
        axes.set_ylabel("runs that get clear, in 100")
        axes.set_xlabel("when you start getting ready")
        clock_axis(axes, result, low_s, high_s=high_s, most=7)
        axes.grid(color=PALE, linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
        if ways:
            axes.legend(
                loc="lower center",
                bbox_to_anchor=(0.5, 1.0),
                ncols=3,
                fontsize=6.8,
                frameon=False,
                handlelength=3.4,
                columnspacing=1.4,
            )
        else:
            axes.text(0.5, 0.5, "no way of leaving to draw", transform=axes.transAxes, ha="center")
    return figure


def _falling_part(way: WayTiming) -> list[float]:
    """Where the curve is worth looking at: from before it begins to fall to where it has fallen."""
    below = [float(at) for at, share in zip(way.start_s, way.clear_probability, strict=True) if share < 0.999]
    first = below[0] if below else float(way.start_s[0])
    gone = [float(at) for at, share in zip(way.start_s, way.clear_probability, strict=True) if share <= 0.005]
    last = gone[0] if gone else float(way.start_s[-1])
    return [max(first - 1800.0, float(way.start_s[0])), last, *finite(way.latest_start_s)]


def describe_clear_curve(result: HouseholdResult) -> str:
    """Say what the clear-probability curve shows."""
    lines = []
    for way in shown_ways(result):
        title = WAY_TITLES.get(way.way, way.way)
        if way.route is None or not way.start_s.size:
            lines.append(f"{title}: no curve, since there is no way to draw.")
            continue
        marks = []
        for level in (0.95, 0.5, 0.05):
            late = [at for at, share in zip(way.start_s, way.clear_probability, strict=True) if share < level]
            if late:
                marks.append(f"below {percent_words(level)} from {clock_words(result, float(late[0]))}")
        lines.append(f"{title}: {', '.join(marks)}." if marks else f"{title}: does not fall within the hours drawn.")
    return "Share of computed runs that get clear, by the moment one starts getting ready. " + " ".join(lines)


def ready_time_bars(result: HouseholdResult) -> Figure:
    """Draw how long getting ready and the drive take: the middle run and the run with 95 in 100 no slower."""
    ways = shown_ways(result)
    with figure_style():
        figure = blank_figure(120.0, 16.0 + 17.0 * max(1, len(ways)))
        axes = figure.add_subplot()
        labels, places = [], []
        for number, way in enumerate(ways):
            for offset, (ready_s, drive_s, words) in enumerate(
                (
                    (way.ready_s.p50_s, way.drive_s.p50_s, "middle run"),
                    (way.ready_s.p95_s, way.required_s.p95_s - way.ready_s.p95_s, "slow run (95 in 100 are faster)"),
                )
            ):
                place = number * 2.6 + offset
                places.append(place)
                labels.append(f"{WAY_TITLES.get(way.way, way.way)}\n{words}")
                if not math.isfinite(ready_s):
                    _beside(axes, 0.0, place, "no ready time", size=7.0)
                    continue
                axes.barh(place, ready_s / 60.0, color="white", edgecolor=INK, height=0.8, linewidth=0.8)
                total_s = ready_s
                if math.isfinite(drive_s):
                    axes.barh(
                        place,
                        max(drive_s, 0.0) / 60.0,
                        left=ready_s / 60.0,
                        color=_ROLLING,
                        edgecolor=INK,
                        height=0.8,
                        linewidth=0.8,
                        hatch="//",
                    )
                    total_s = ready_s + max(drive_s, 0.0)
                _beside(axes, total_s / 60.0, place, duration_words(total_s), size=7.0)
        axes.set_yticks(places, labels, fontsize=6.5)
        axes.invert_yaxis()
        axes.margins(x=0.18)
        axes.set_xlim(left=0.0)
        axes.set_xlabel("minutes from starting to get ready")
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(
            handles=[
                Patch(facecolor="white", edgecolor=INK, label="getting ready"),
                Patch(facecolor=_ROLLING, edgecolor=INK, hatch="//", label="on the road"),
            ],
            loc="lower right",
            fontsize=7,
            frameon=False,
        )
    return figure


def task_bars(result: HouseholdResult, way: str, *, width_mm: float = 92.0) -> Figure:
    """Draw who does what when, at the likely durations, with the tasks that decide the ready time marked.

    Parameters
    ----------
    result : HouseholdResult
    way : str
        A key of `result.ways`.
    width_mm : float
        Printed width.

    Returns
    -------
    Figure
    """
    timing = result.ways[way]
    schedule = timing.schedule
    count = len(schedule.tasks)
    with figure_style():
        figure = blank_figure(width_mm, 21.0 + 4.3 * max(count, 2))
        axes = figure.add_subplot()
        for row, place in enumerate(schedule.order):
            start_min, finish_min = schedule.start_s[place] / 60.0, schedule.finish_s[place] / 60.0
            critical = is_critical(timing, schedule.tasks[place])
            axes.barh(
                row,
                finish_min - start_min,
                left=start_min,
                height=0.72,
                facecolor=_TOO_LATE if critical else "white",
                edgecolor=INK,
                linewidth=0.8,
            )
            who = clean(", ".join(schedule.who[place]), 24)
            if who:
                _beside(axes, finish_min, row, who, size=6.2, colour=MUTED)
        axes.set_yticks(
            range(count),
            [_task_label(timing, schedule.tasks[place]) for place in schedule.order],
            fontsize=6.6,
        )
        for label, place in zip(axes.get_yticklabels(), schedule.order, strict=True):
            if is_critical(timing, schedule.tasks[place]):
                label.set_fontweight("bold")
        axes.set_ylim(max(count, 1) - 0.4, -0.6)
        longest_min = max([schedule.ready_s, *schedule.finish_s], default=0.0) / 60.0
        axes.set_xlim(0.0, max(longest_min, 1.0) * 1.28)
        axes.axvline(schedule.ready_s / 60.0, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
        axes.set_xlabel("minutes after you start", fontsize=7.2)
        axes.tick_params(axis="y", length=0)
        axes.spines[["top", "right", "left"]].set_visible(False)
        if not count:
            axes.text(0.5, 0.5, "nothing to do before leaving", transform=axes.transAxes, ha="center", va="center")
        else:
            axes.legend(
                handles=[
                    Patch(facecolor=_TOO_LATE, edgecolor=INK, label="decides when you can go"),
                    Patch(facecolor="white", edgecolor=INK, label="has some slack"),
                ],
                loc="lower center",
                bbox_to_anchor=(0.3, 1.0),
                ncols=2,
                fontsize=6.4,
                frameon=False,
                columnspacing=1.2,
                handlelength=1.8,
            )
    return figure


def is_critical(timing: WayTiming, task: str) -> bool:
    """Whether a task decides the ready time in half of the members or more, or at the likely durations."""
    return timing.critical_share.get(task, 0.0) >= CRITICAL_SHARE or task in timing.schedule.critical


def _task_label(timing: WayTiming, task: str) -> str:
    name = clean(task, 30)
    return f"{name} ●" if is_critical(timing, task) else name


def describe_tasks(result: HouseholdResult, way: str) -> str:
    """Say who does what when."""
    timing = result.ways[way]
    schedule = timing.schedule
    parts = [f"Tasks before leaving: {WAY_TITLES.get(way, way).lower()}, in minutes after you start."]
    for place in schedule.order:
        name = schedule.tasks[place]
        critical = ", decides when you can go" if is_critical(timing, name) else ""
        parts.append(
            f"{clean(name, 60)}: {math.floor(schedule.start_s[place] / 60.0)} to "
            f"{math.ceil(schedule.finish_s[place] / 60.0)}, {clean(', '.join(schedule.who[place]), 60)}{critical}."
        )
    parts.append(f"Ready after {duration_words(schedule.ready_s)} if each task takes its usual time.")
    return " ".join(parts)


def timetable_bar(result: HouseholdResult, *, width_mm: float = 186.0) -> Figure:
    """Draw the day as bars: each way of leaving, the roads that shut, the fire at the home, and closing the house.

    Parameters
    ----------
    result : HouseholdResult
    width_mm : float
        Printed width.

    Returns
    -------
    Figure
        Leaving and the last resort stand side by side over one clock.
    """
    ways = shown_ways(result)
    low_s, high_s = _day(result)
    rows: list[str] = []
    with figure_style():
        figure = blank_figure(width_mm, 16.0 + 5.4 * (len(ways) + 4))
        axes = figure.add_subplot()
        for way in ways:
            rows.append(f"LEAVE {WAY_TITLES.get(way.way, way.way).lower()}")
            _way_bar(axes, result, way, row=len(rows) - 1, low_s=low_s, high_s=high_s)
        rows.append("Your ways out")
        _shut_bar(axes, result, row=len(rows) - 1, high_s=high_s)
        rows.append("Fire at your home")
        _fire_bar(axes, result, row=len(rows) - 1, high_s=high_s)
        rows.append("Closing the house")
        _closing_bar(axes, result, row=len(rows) - 1, low_s=low_s, high_s=high_s)
        rows.append("SHELTER, the last resort")
        _shelter_bar(axes, result, row=len(rows) - 1, low_s=low_s, high_s=high_s)
        axes.axvline(0.0, color=INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=0)
        _beside(axes, 0.0, -0.76, "fire starts", size=6.5, side=-1)
        axes.set_yticks(range(len(rows)), rows, fontsize=7.2)
        axes.set_ylim(len(rows) - 0.45, -1.05)
        axes.tick_params(axis="y", length=0)
        axes.spines[["top", "right", "left"]].set_visible(False)
        clock_axis(axes, result, low_s, high_s=high_s, most=10)
        axes.legend(
            handles=[
                Patch(facecolor=_START, edgecolor=INK, label="start before this ends"),
                Patch(facecolor=_ROLLING, edgecolor=INK, hatch="//", label="be getting ready, then roll"),
                Patch(facecolor=_TOO_LATE, edgecolor=INK, label="too late, shut, or fire"),
                Patch(facecolor="white", edgecolor=INK, hatch="...", label="embers can fall"),
                Patch(facecolor="white", edgecolor=INK, hatch="xxx", label="last resort, as directed"),
            ],
            loc="upper center",
            bbox_to_anchor=(0.42, 1.2),
            ncols=5,
            fontsize=6.5,
            frameon=False,
            handlelength=2.4,
            columnspacing=1.4,
        )
    return figure


def _day(result: HouseholdResult) -> tuple[float, float]:
    """The part of the day worth drawing: from before the earliest start to after the latest event."""
    times = [0.0, *finite(result.fire.home_p05_s, result.fire.ember_home_p05_s)]
    for way in shown_ways(result):
        times += finite(way.latest_start_s, way.latest_departure_s)
        if way.route is not None:
            times += finite(way.route.closes_first_s)
    if len(times) == 1:
        times.append(result.plan.horizon_s)
    return whole_hours(result, min(times) - 1800.0, max(times) + 1800.0)


def _bar(
    axes: Axes,
    row: int,
    low_s: float,
    high_s: float,
    *,
    colour: str,
    hatch: str | None = None,
    text: str = "",
    ink: str = INK,
) -> None:
    """One piece of a bar, with its words inside where they fit."""
    if high_s <= low_s:
        return
    axes.barh(
        row,
        (high_s - low_s) / 60.0,
        left=low_s / 60.0,
        height=0.62,
        facecolor=colour,
        edgecolor=INK,
        linewidth=0.8,
        hatch=hatch,
    )
    if text:
        axes.text((low_s + high_s) / 120.0, row, text, ha="center", va="center", fontsize=6.8, color=ink, clip_on=True)


def _beside(
    axes: Axes, at_min: float, row: float, text: str, *, size: float = 6.8, side: int = 1, colour: str = INK
) -> None:
    """Write just after a place on the clock, or just before it (`side` -1)."""
    axes.annotate(
        text,
        (at_min, row),
        xytext=(3.0 * side, 0.0),
        textcoords="offset points",
        ha="left" if side > 0 else "right",
        va="center",
        fontsize=size,
        color=colour,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
    )


def _fits(axes: Axes, text: str, low_s: float, high_s: float, *, whole_s: float) -> bool:
    """Whether words fit in a piece of a bar (the plot takes about three quarters of the figure's width)."""
    figure = axes.figure.get_figure(root=True)
    points = float(figure.get_size_inches()[0]) * 72.0 * 0.76
    return len(text) * 6.8 * 0.6 <= points * (high_s - low_s) / whole_s


def _way_bar(axes: Axes, result: HouseholdResult, way: WayTiming, *, row: int, low_s: float, high_s: float) -> None:
    whole_s = high_s - low_s
    start_s, leave_s = way.latest_start_s, way.latest_departure_s
    if start_s is None or leave_s is None:
        if way.route is None:
            words, colour, ink = "no way out was found: do not count on it", _TOO_LATE, "white"
        else:
            words, colour, ink = "no leave-by time within the hours computed: leave early", _START, INK
        _bar(axes, row, low_s, high_s, colour=colour, text=words, ink=ink)
        return
    leave_s = max(leave_s, start_s)
    begin = f"start by {clock_words(result, start_s)}"
    roll = f"roll by {clock_words(result, leave_s)}" if way.way != "foot" else f"go by {clock_words(result, leave_s)}"
    _bar(
        axes,
        row,
        low_s,
        start_s,
        colour=_START,
        text=begin if _fits(axes, begin, low_s, start_s, whole_s=whole_s) else "",
    )
    _bar(axes, row, start_s, leave_s, colour=_ROLLING, hatch="//")
    late = f"too late ({roll})"
    if not _fits(axes, late, leave_s, high_s, whole_s=whole_s):
        late = "too late" if _fits(axes, "too late", leave_s, high_s, whole_s=whole_s) else ""
    _bar(axes, row, leave_s, high_s, colour=_TOO_LATE, text=late, ink="white")


def _shut_bar(axes: Axes, result: HouseholdResult, *, row: int, high_s: float) -> None:
    """From the first closing on any of the routes."""
    shut = [
        (way.route.closes_first_s, way.route.closes_first)
        for way in shown_ways(result)
        if way.route is not None and math.isfinite(way.route.closes_first_s)
    ]
    if not shut:
        low_s, _ = _day(result)
        _beside(axes, low_s / 60.0, row, "no closing computed; a road may still shut at any time")
        return
    at_s, street = min(shut)
    words = f"{street_words(street, 26)} shut from {clock_words(result, at_s)}"
    low_s, _ = _day(result)
    if _fits(axes, words, at_s, high_s, whole_s=high_s - low_s):
        _bar(axes, row, at_s, high_s, colour=_TOO_LATE, text=words, ink="white")
    else:
        _bar(axes, row, at_s, high_s, colour=_TOO_LATE)
        _beside(axes, at_s / 60.0, row, words, side=-1)


def _fire_bar(axes: Axes, result: HouseholdResult, *, row: int, high_s: float) -> None:
    ember_s, front_s = result.fire.ember_home_p05_s, result.fire.home_p05_s
    low_s, _ = _day(result)
    if not finite(ember_s, front_s):
        _beside(axes, low_s / 60.0, row, "not within the hours computed; it may still come")
        return
    first_s = min(ember_s, front_s)
    if math.isfinite(ember_s):
        _bar(axes, row, ember_s, min(front_s, high_s), colour="white", hatch="...")
    if math.isfinite(front_s):
        _bar(axes, row, front_s, high_s, colour=_TOO_LATE)
    words = []
    if math.isfinite(ember_s):
        words.append(f"embers can fall from {clock_words(result, ember_s)}")
    if math.isfinite(front_s):
        words.append(f"front can arrive from {clock_words(result, front_s)}")
    _beside(axes, first_s / 60.0, row, ", ".join(words), side=-1)


def _closing_bar(axes: Axes, result: HouseholdResult, *, row: int, low_s: float, high_s: float) -> None:
    """The last stretch of time in which the house can be closed before the embers."""
    shelter = result.shelter
    if not shelter.tasks:
        _beside(axes, low_s / 60.0, row, "no task for closing the house in your plan")
        return
    begin_s = shelter.latest_start_before_embers_s
    takes = duration_words(shelter.ready_s)
    if not math.isfinite(begin_s):
        _beside(axes, low_s / 60.0, row, f"takes up to {takes}; begin early, if you are directed to shelter")
        return
    _bar(axes, row, max(begin_s, low_s), min(begin_s + shelter.ready_s, high_s), colour=_ROLLING, hatch="//")
    words = f"begin by {clock_words(result, begin_s)}, takes up to {takes}"
    if _fits(axes, words, low_s, begin_s, whole_s=high_s - low_s):
        _beside(axes, begin_s / 60.0, row, words, side=-1)
    else:
        _beside(axes, max(begin_s + shelter.ready_s, low_s) / 60.0, row, words)


def _shelter_bar(axes: Axes, result: HouseholdResult, *, row: int, low_s: float, high_s: float) -> None:
    """From when leaving is no longer an option."""
    ends_s = result.shelter.leaving_ends_s
    if not ends_s < high_s:
        _beside(axes, low_s / 60.0, row, "only if you can't leave any more and are directed to")
        return
    from_s = max(ends_s, low_s)
    _bar(axes, row, from_s, high_s, colour="white", hatch="xxx")
    words = "only once leaving is over, as directed"
    if _fits(axes, words, low_s, from_s, whole_s=high_s - low_s):
        _beside(axes, from_s / 60.0, row, words, side=-1)


def describe_timetable(result: HouseholdResult) -> str:
    """Say what the timetable bar shows."""
    parts = []
    for way in shown_ways(result):
        title = WAY_TITLES.get(way.way, way.way)
        if way.latest_start_s is None or way.latest_departure_s is None:
            parts.append(f"{title}: {why_words(way)}")
        else:
            parts.append(
                f"{title}: start getting ready by {clock_words(result, way.latest_start_s)}, be on your way by "
                f"{clock_words(result, way.latest_departure_s)}; after that it is too late."
            )
    parts += [f"{clock_words(result, row.at_s)}: {row.sentence}" for row in result.timetable if math.isfinite(row.at_s)]
    return " ".join(parts)
