"""The day as bars: leaving, the roads, the fire and the last resort over one clock."""

from __future__ import annotations

import math
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.show import figure as paper
from leaveby.show import wording


@dataclass(frozen=True)
class _Day:
    """The bars being drawn: their axes, over the part of the day between two moments."""

    axes: Axes
    result: HouseholdResult
    low_s: float
    high_s: float

    def bar(
        self, row: int, low_s: float, high_s: float, *, fill: str, hatch: str | None = None, text: str = ""
    ) -> None:
        """Draw one piece of a bar, with its words inside."""
        paper.bar(self.axes, row, low_s, high_s, fill=fill, hatch=hatch, height=0.62)
        if text and high_s > low_s:
            ink = "white" if fill == paper.DARK else paper.INK
            middle_min = (low_s + high_s) / 120.0
            self.axes.text(middle_min, row, text, ha="center", va="center", fontsize=6.8, color=ink, clip_on=True)

    def fits(self, text: str, low_s: float, high_s: float) -> bool:
        """Whether words fit in a piece of a bar (the plot takes about three quarters of the figure's width)."""
        points = float(self.axes.figure.get_figure(root=True).get_size_inches()[0]) * 72.0 * 0.76
        return len(text) * 6.8 * 0.6 <= points * (high_s - low_s) / (self.high_s - self.low_s)

    def beside(self, row: int, at_s: float, text: str, *, side: int = 1) -> None:
        """Write just after a moment, or just before it (`side` -1)."""
        paper.write_beside(self.axes, at_s / 60.0, row, text, side=side)

    def clock(self, at_s: float) -> str:
        """Say a moment of the day."""
        return wording.clock_words(self.result, at_s)


def timetable_bar(result: HouseholdResult, *, width_mm: float = 186.0) -> Figure:
    """Draw the day as bars: each way of leaving, the roads that shut, the fire at the home, and closing the house.

    Leaving and the last resort stand side by side over one clock.
    """
    ways = wording.shown_ways(result)
    rows = [f"LEAVE {wording.WAY_TITLES.get(way.way, way.way).lower()}" for way in ways]
    rows += ["Your ways out", "Fire at your home", "Closing the house", "SHELTER, the last resort"]
    with paper.figure_style():
        figure = paper.blank_figure(width_mm, 16.0 + 5.4 * len(rows))
        axes = figure.add_subplot()
        day = _Day(axes, result, *_span(result))
        for row, way in enumerate(ways):
            _way_bar(day, way, row)
        for row, draw in enumerate((_shut_bar, _fire_bar, _closing_bar, _shelter_bar), start=len(ways)):
            draw(day, row)
        axes.axvline(0.0, color=paper.INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=0)
        paper.write_beside(axes, 0.0, -0.76, "fire starts", size=6.5, side=-1)
        paper.name_rows(axes, rows, low=len(rows) - 0.45, high=-1.05)
        paper.clock_axis(axes, result, day.low_s, high_s=day.high_s, most=10)
        axes.legend(
            handles=[
                Patch(facecolor=fill, edgecolor=paper.INK, hatch=hatch, label=label)
                for fill, hatch, label in (
                    (paper.LIGHT, None, "start before this ends"),
                    (paper.GREY, "//", "get ready, then roll"),
                    ("white", "\\\\\\", "late: go at once"),
                    (paper.DARK, None, "shut, or fire"),
                    ("white", "...", "embers can fall"),
                    ("white", "xxx", "last resort, as directed"),
                )
            ],
            **paper.LOOKS["key_of_day"],
        )
    return figure


def _span(result: HouseholdResult) -> tuple[float, float]:
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


def _way_bar(day: _Day, way: WayTiming, row: int) -> None:
    start_s, leave_s = way.latest_start_s, way.latest_departure_s
    if start_s is None or leave_s is None:
        if way.route is None:
            words, fill = "no way out was found: do not count on it", paper.DARK
        else:
            words, fill = "no leave-by time within the hours computed: leave early", paper.LIGHT
        day.bar(row, day.low_s, day.high_s, fill=fill, text=words)
        return
    shut_s = min(max(day.result.way_phases[way.way].shut_from_s, leave_s), day.high_s)
    begin = f"start by {day.clock(start_s)}"
    day.bar(row, day.low_s, start_s, fill=paper.LIGHT, text=begin if day.fits(begin, day.low_s, start_s) else "")
    day.bar(row, start_s, leave_s, fill=paper.GREY, hatch="//")
    day.bar(row, leave_s, shut_s, fill="white", hatch="\\\\\\")
    roll = f"{'go' if way.way == 'foot' else 'roll'} by {day.clock(leave_s)}, late after that"
    wordings = (f"shut on most such days; {roll}", "shut on most such days", "")
    text = next(said for said in wordings if day.fits(said, shut_s, day.high_s))
    day.bar(row, shut_s, day.high_s, fill=paper.DARK, text=text)


def _shut_bar(day: _Day, row: int) -> None:
    """From the first closing on any of the routes."""
    routes = [way.route for way in wording.shown_ways(day.result) if way.route is not None]
    shut = [route for route in routes if math.isfinite(route.closes_first_s)]
    if not shut:
        day.beside(row, day.low_s, "no closing computed; a road may still shut at any time")
        return
    first = min(shut, key=lambda route: route.closes_first_s)
    at_s = first.closes_first_s
    street = wording.street_words(first.closes_first, 26)
    words = f"{street} shut from {day.clock(at_s)} on a middling day, or earlier"
    inside = day.fits(words, at_s, day.high_s)
    day.bar(row, at_s, day.high_s, fill=paper.DARK, text=words if inside else "")
    if not inside:
        day.beside(row, at_s, words, side=-1)


def _fire_bar(day: _Day, row: int) -> None:
    ember_s, front_s = day.result.shelter.ember_arrival_s, day.result.shelter.front_arrival_s
    if not paper.finite(ember_s, front_s):
        day.beside(row, day.low_s, "not within the hours computed; it may still come")
        return
    left_free_s = min(ember_s, front_s)
    if math.isfinite(ember_s):
        end_s = min(front_s, day.high_s)
        day.bar(row, ember_s, end_s, fill="white", hatch="...")
        words = f"embers can fall from {day.clock(ember_s)}"
        if day.fits(words, day.low_s, ember_s):
            day.beside(row, ember_s, words, side=-1)
            left_free_s = day.low_s
        elif day.fits(words, ember_s, end_s):
            day.beside(row, ember_s, words)
    if math.isfinite(front_s):
        words = f"front can arrive from {day.clock(front_s)}"
        inside = day.fits(words, front_s, day.high_s)
        day.bar(row, front_s, day.high_s, fill=paper.DARK, text=words if inside else "")
        if not inside and day.fits(words, day.low_s, left_free_s):
            day.beside(row, left_free_s, words, side=-1)


def _closing_bar(day: _Day, row: int) -> None:
    """Closing the house as it is begun when every road is shut on most such days, and no sooner."""
    shelter = day.result.shelter
    if not shelter.tasks:
        day.beside(row, day.low_s, "no task for closing the house in your plan")
        return
    takes = f"takes up to {wording.duration_words(shelter.ready_s)}"
    begin_s = shelter.begins_s
    if not math.isfinite(shelter.leaving_ends_s) or begin_s >= day.high_s:
        day.beside(row, day.low_s, f"{takes}; only if you are directed to shelter")
        return
    end_s = min(begin_s + shelter.ready_s, day.high_s)
    day.bar(row, begin_s, end_s, fill=paper.GREY, hatch="//")
    late = math.ceil(100.0 * (1.0 - shelter.closed_before_embers) - 1e-9)
    words = f"{takes}; begun then, not done before embers in {late} of 100 such days"
    if day.fits(words, day.low_s, begin_s):
        day.beside(row, begin_s, words, side=-1)
    elif day.fits(words, end_s, day.high_s):
        day.beside(row, end_s, words)


def _shelter_bar(day: _Day, row: int) -> None:
    """From when every road is shut on most such days."""
    ends_s = day.result.phases.shut_from_s
    if not ends_s < day.high_s:
        day.beside(row, day.low_s, "only if you can't leave any more and are directed to")
        return
    from_s = max(ends_s, day.low_s)
    day.bar(row, from_s, day.high_s, fill="white", hatch="xxx")
    words = f"from {day.clock(from_s)} every road is shut on most such days: only then, as directed"
    if day.fits(words, day.low_s, from_s):
        day.beside(row, from_s, words, side=-1)


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
