"""The day as bars: leaving, the roads, the fire and the last resort over one clock."""

from __future__ import annotations

import math

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.show import figure as paper
from leaveby.show import wording


def timetable_bar(result: HouseholdResult, *, width_mm: float = 186.0) -> Figure:
    """Draw the day as bars: each way of leaving, the roads that shut, the fire at the home, and closing the house.

    Parameters
    ----------
    width_mm : float
        Printed width.

    Returns
    -------
    Figure
        Leaving and the last resort stand side by side over one clock.
    """
    ways = wording.shown_ways(result)
    low_s, high_s = _day(result)
    rows: list[str] = []
    with paper.figure_style():
        figure = paper.blank_figure(width_mm, 16.0 + 5.4 * (len(ways) + 4))
        axes = figure.add_subplot()
        for way in ways:
            rows.append(f"LEAVE {wording.WAY_TITLES.get(way.way, way.way).lower()}")
            _way_bar(axes, result, way, row=len(rows) - 1, low_s=low_s, high_s=high_s)
        rows.append("Your ways out")
        _shut_bar(axes, result, row=len(rows) - 1, high_s=high_s)
        rows.append("Fire at your home")
        _fire_bar(axes, result, row=len(rows) - 1, high_s=high_s)
        rows.append("Closing the house")
        _closing_bar(axes, result, row=len(rows) - 1, low_s=low_s, high_s=high_s)
        rows.append("SHELTER, the last resort")
        _shelter_bar(axes, result, row=len(rows) - 1, low_s=low_s, high_s=high_s)
        axes.axvline(0.0, color=paper.INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=0)
        paper.write_beside(axes, 0.0, -0.76, "fire starts", size=6.5, side=-1)
        axes.set_yticks(range(len(rows)), rows, fontsize=7.2)
        axes.set_ylim(len(rows) - 0.45, -1.05)
        axes.tick_params(axis="y", length=0)
        axes.spines[["top", "right", "left"]].set_visible(False)
        paper.clock_axis(axes, result, low_s, high_s=high_s, most=10)
        axes.legend(
            handles=[
                Patch(facecolor=paper.LIGHT, edgecolor=paper.INK, label="start before this ends"),
                Patch(facecolor=paper.GREY, edgecolor=paper.INK, hatch="//", label="get ready, then roll"),
                Patch(facecolor="white", edgecolor=paper.INK, hatch="\\\\\\", label="late: go at once"),
                Patch(facecolor=paper.DARK, edgecolor=paper.INK, label="shut, or fire"),
                Patch(facecolor="white", edgecolor=paper.INK, hatch="...", label="embers can fall"),
                Patch(facecolor="white", edgecolor=paper.INK, hatch="xxx", label="last resort, as directed"),
            ],
            loc="upper center",
            bbox_to_anchor=(0.42, 1.2),
            ncols=6,
            fontsize=6.3,
            frameon=False,
            handlelength=2.0,
            columnspacing=1.1,
        )
    return figure


def _day(result: HouseholdResult) -> tuple[float, float]:
    """The part of the day worth drawing: from before the earliest start to after the latest event."""
    times = [
        0.0,
        *paper.finite(result.shelter.front_arrival_s, result.shelter.ember_arrival_s, result.phases.shut_from_s),
    ]
    for way in wording.shown_ways(result):
        times += paper.finite(way.latest_start_s, way.latest_departure_s, result.way_phases[way.way].shut_from_s)
        if way.route is not None:
            times += paper.finite(way.route.closes_first_s)
    if len(times) == 1:
        times.append(result.plan.horizon_s)
    return paper.whole_hours(result, min(times) - 1800.0, max(times) + 1800.0)


def _bar(
    axes: Axes,
    row: int,
    low_s: float,
    high_s: float,
    *,
    colour: str,
    hatch: str | None = None,
    text: str = "",
    ink: str = paper.INK,
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
        edgecolor=paper.INK,
        linewidth=0.8,
        hatch=hatch,
    )
    if text:
        axes.text(
            (low_s + high_s) / 120.0,
            row,
            text,
            ha="center",
            va="center",
            fontsize=6.8,
            color=ink,
            clip_on=True,
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
            words, colour, ink = "no way out was found: do not count on it", paper.DARK, "white"
        else:
            words, colour, ink = "no leave-by time within the hours computed: leave early", paper.LIGHT, paper.INK
        _bar(axes, row, low_s, high_s, colour=colour, text=words, ink=ink)
        return
    shut_s = min(max(result.way_phases[way.way].shut_from_s, leave_s), high_s)
    begin = f"start by {wording.clock_words(result, start_s)}"
    begin = begin if _fits(axes, begin, low_s, start_s, whole_s=whole_s) else ""
    _bar(axes, row, low_s, start_s, colour=paper.LIGHT, text=begin)
    _bar(axes, row, start_s, leave_s, colour=paper.GREY, hatch="//")
    _bar(axes, row, leave_s, shut_s, colour="white", hatch="\\\\\\")
    roll = f"{'go' if way.way == 'foot' else 'roll'} by {wording.clock_words(result, leave_s)}, late after that"
    wordings = (f"shut in most runs; {roll}", "shut in most runs", "")
    shut = next(said for said in wordings if _fits(axes, said, shut_s, high_s, whole_s=whole_s))
    _bar(axes, row, shut_s, high_s, colour=paper.DARK, text=shut, ink="white")


def _shut_bar(axes: Axes, result: HouseholdResult, *, row: int, high_s: float) -> None:
    """From the first closing on any of the routes."""
    shut = [
        (way.route.closes_first_s, way.route.closes_first)
        for way in wording.shown_ways(result)
        if way.route is not None and math.isfinite(way.route.closes_first_s)
    ]
    if not shut:
        low_s, _ = _day(result)
        paper.write_beside(axes, low_s / 60.0, row, "no closing computed; a road may still shut at any time")
        return
    at_s, street = min(shut, key=lambda one: one[0])
    at = wording.clock_words(result, at_s)
    words = f"{wording.street_words(street, 26)} shut from {at} in the middle run, or earlier"
    low_s, _ = _day(result)
    if _fits(axes, words, at_s, high_s, whole_s=high_s - low_s):
        _bar(axes, row, at_s, high_s, colour=paper.DARK, text=words, ink="white")
    else:
        _bar(axes, row, at_s, high_s, colour=paper.DARK)
        paper.write_beside(axes, at_s / 60.0, row, words, side=-1)


def _fire_bar(axes: Axes, result: HouseholdResult, *, row: int, high_s: float) -> None:
    ember_s, front_s = result.shelter.ember_arrival_s, result.shelter.front_arrival_s
    low_s, _ = _day(result)
    if not paper.finite(ember_s, front_s):
        paper.write_beside(axes, low_s / 60.0, row, "not within the hours computed; it may still come")
        return
    whole_s = high_s - low_s
    left_free_s = min(ember_s, front_s)
    if math.isfinite(ember_s):
        end_s = min(front_s, high_s)
        _bar(axes, row, ember_s, end_s, colour="white", hatch="...")
        words = f"embers can fall from {wording.clock_words(result, ember_s)}"
        if _fits(axes, words, low_s, ember_s, whole_s=whole_s):
            paper.write_beside(axes, ember_s / 60.0, row, words, side=-1)
            left_free_s = low_s
        elif _fits(axes, words, ember_s, end_s, whole_s=whole_s):
            paper.write_beside(axes, ember_s / 60.0, row, words)
    if math.isfinite(front_s):
        words = f"front can arrive from {wording.clock_words(result, front_s)}"
        inside = _fits(axes, words, front_s, high_s, whole_s=whole_s)
        _bar(axes, row, front_s, high_s, colour=paper.DARK, text=words if inside else "", ink="white")
        if not inside and _fits(axes, words, low_s, left_free_s, whole_s=whole_s):
            paper.write_beside(axes, left_free_s / 60.0, row, words, side=-1)


def _closing_bar(axes: Axes, result: HouseholdResult, *, row: int, low_s: float, high_s: float) -> None:
    """Closing the house as it is begun when every road is shut in most runs, and no sooner."""
    shelter = result.shelter
    if not shelter.tasks:
        paper.write_beside(axes, low_s / 60.0, row, "no task for closing the house in your plan")
        return
    takes = wording.duration_words(shelter.ready_s)
    begin_s = shelter.begins_s
    if not math.isfinite(shelter.leaving_ends_s) or begin_s >= high_s:
        paper.write_beside(axes, low_s / 60.0, row, f"takes up to {takes}; only if you are directed to shelter")
        return
    end_s = min(begin_s + shelter.ready_s, high_s)
    _bar(axes, row, begin_s, end_s, colour=paper.GREY, hatch="//")
    late = math.ceil(100.0 * (1.0 - shelter.closed_before_embers) - 1e-9)
    words = f"takes up to {takes}; begun then, not done before embers in {late} of 100 runs"
    if _fits(axes, words, low_s, begin_s, whole_s=high_s - low_s):
        paper.write_beside(axes, begin_s / 60.0, row, words, side=-1)
    elif _fits(axes, words, end_s, high_s, whole_s=high_s - low_s):
        paper.write_beside(axes, end_s / 60.0, row, words)


def _shelter_bar(axes: Axes, result: HouseholdResult, *, row: int, low_s: float, high_s: float) -> None:
    """From when every road is shut in most runs."""
    ends_s = result.phases.shut_from_s
    if not ends_s < high_s:
        paper.write_beside(axes, low_s / 60.0, row, "only if you can't leave any more and are directed to")
        return
    from_s = max(ends_s, low_s)
    _bar(axes, row, from_s, high_s, colour="white", hatch="xxx")
    words = f"from {wording.clock_words(result, from_s)} every road is shut in most runs: only then, as directed"
    if _fits(axes, words, low_s, from_s, whole_s=high_s - low_s):
        paper.write_beside(axes, from_s / 60.0, row, words, side=-1)


def describe_timetable(result: HouseholdResult) -> str:
    """Say what the timetable bar shows."""
    parts = []
    for way in wording.shown_ways(result):
        said = f"{wording.leave_by_line(result, way)} {wording.late_line(result, way)}".strip()
        parts.append(f"{wording.WAY_TITLES.get(way.way, way.way)}: {said}")
    parts += [
        f"{wording.clock_words(result, row.at_s)}: {row.sentence}"
        for row in result.timetable
        if math.isfinite(row.at_s)
    ]
    return " ".join(parts)
