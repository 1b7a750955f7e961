"""The report: `report.html`, everything behind the sheet, one file without script or outside address."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Final

import numpy as np
import shapely
from markupsafe import Markup

from leaveby.decision.rules.words import share_words
from leaveby.decision.ways.result import HouseholdResult, Rule
from leaveby.regions import table_rows
from leaveby.roads.routing.itinerary import COMPASS
from leaveby.show import wording
from leaveby.show.figure import as_svg
from leaveby.show.plan import plots, timetable
from leaveby.show.plan.last_resort import shelter_lines
from leaveby.show.plan.map import describe_map, map_sentences, plan_map
from leaveby.show.plan.neighbours import neighbours_words
from leaveby.show.plan.practice import practice_lines
from leaveby.show.templates import made_with, page_text

_STEPS_SHOWN: Final = 24
_SAVINGS_SHOWN: Final = 5
_ABOUT: Final = {row["what"]: row["words"].split("; ") for row in table_rows(__package__, "about_words.csv")}
"""What a time hangs on, and words by which an assumption shows that it is about it."""


def report_page(result: HouseholdResult, *, made_at: datetime, figures: Mapping[str, str] | None = None) -> str:
    """Lay out everything that is known of an answer, for a person who is not technical."""
    drawn = plan_figures(result) if figures is None else figures
    landmarks = [line for rule in result.rules.drawn for line in rule.landmarks if line.startswith("Fire at ")]
    rules = list(result.rules.rules.values())
    return page_text(
        "show/plan/report.html.j2",
        made_at=made_at,
        result=result,
        notice=wording.map_notice(result.network),
        figures={name: Markup(text) for name, text in drawn.items()},
        rule_hours=[f"{one.from_hour % 24} to {one.until_hour % 24} h" for one in rules[0].hours] if rules else [],
        rule_rows=[_rule_row(rule) for rule in rules],
        sides=lambda rule: _sides(result, rule),
        map_lines=map_sentences(result)[1:],
        tasks_way=main_way(result),
        practised=practice_lines(result.plan, made_at=made_at),
        savings=ranked_savings(result),
        landmarks=landmarks,
        neighbours_words=neighbours_words,
        shelter=shelter_lines(result),
        steps_shown=_STEPS_SHOWN,
        notes_by=_notes(result),
        worth=worth(result),
        made_with=made_with(result.inputs, f"Computed from {result.members} such days", *_how_near(result)),
    )


def _rule_row(rule: Rule) -> tuple[str, str, str, list[str]]:
    """Day, way, when to go, and how many fires are too near by hour."""
    day = wording.clean(rule.rating, 40)
    when = "on word of fire" if rule.verdict == "on word of fire" else "the evening before"
    return day, wording.WAY_TITLES[rule.way], when, [share_words(hour.share) for hour in rule.hours]


def _sides(result: HouseholdResult, rule: Rule) -> list[str]:
    """Say, for fire on each side of the home, which safe points leave most time, where that is known."""
    home, found = shapely.Point(result.home_xy_m), dict[str, list[str]]()
    span_m = 2.0 * result.rules.radius_m
    for number, side in enumerate(COMPASS):
        turns = np.radians(45.0 * number + np.array([-22.5, 0.0, 22.5]))
        corners = [(home.x + span_m * np.sin(turn), home.y + span_m * np.cos(turn)) for turn in turns]
        sector = shapely.Polygon([(home.x, home.y), *corners])
        largest = max(rule.ways_out, key=lambda one: one.area.intersection(sector).area)
        if largest.area.intersects(sector):
            found.setdefault(" or ".join(largest.safe_points) or "no way out", []).append(side)
    return [f"Fire to the {', '.join(sides)}: {wording.clean(points, 120)}." for points, sides in found.items()]


def _notes(result: HouseholdResult) -> dict[str, list[str]]:
    """Everything that was assumed, each sentence once, by what it is about."""
    about = {
        "What the plan left open": result.plan.assumptions,
        "The rules": result.rules.assumptions,
        "The roads": result.network.assumptions,
        "The last resort": result.shelter.assumptions,
    }
    taken = {line for told in about.values() for line in told}
    grouped = {title: [line for line in result.assumptions if line in told] for title, told in about.items()}
    rest = [line for line in result.assumptions if line not in taken]
    worth_s = {what: max(each.values()) for what, each in worth(result).items()}

    def order(line: str) -> float:
        about = (what for what, words in _ABOUT.items() if any(word in line.lower() for word in words))
        return -max((worth_s.get(what, 0.0) for what in about), default=0.0)

    return {
        "Fire, weather, tasks and the drive": sorted(rest, key=order),
        "Beyond what was tested": [*result.outside_validity],
        **grouped,
    }


def worth(result: HouseholdResult) -> dict[str, dict[str, float]]:
    """How much earlier the bad side of each uncertainty puts the latest start, by way, in seconds; the most first.

    Of the time between a middling day and the earliest of twenty days, as its share of the spread has it: shares are of
    squares, so that the root is taken.
    """
    found: dict[str, dict[str, float]] = {}
    for way in wording.shown_ways(result):
        if not way.hangs_on:
            continue
        early_s, middle_s = np.quantile(way.member_latest_start_s, (0.05, 0.5), method="lower")
        if math.isfinite(early_s) and math.isfinite(middle_s):
            for part in way.hangs_on:
                found.setdefault(part.what, {})[way.way] = math.sqrt(part.share) * float(middle_s - early_s)
    return dict(sorted(found.items(), key=lambda item: -max(item[1].values())))


def plan_figures(result: HouseholdResult) -> dict[str, str]:
    """Draw the page's figures as SVG text with text alternatives, by name."""
    way = main_way(result)
    drawn = {
        "map": (plan_map(result), "Map of the ways out and the fire", describe_map(result)),
        "tasks": (
            plots.task_bars(result, way),
            "Tasks before leaving",
            plots.describe_tasks(result, way),
        ),
    }
    if result.fire is not None:
        bars, curve = timetable.timetable_bar(result), plots.clear_curve(result)
        drawn["timetable"] = (bars, "The day as bars", timetable.describe_timetable(result))
        drawn["chance"] = (curve, "Chance of getting clear", plots.describe_clear_curve(result))
    return {name: as_svg(*parts) for name, parts in drawn.items()}


def main_way(result: HouseholdResult) -> str:
    """The way of leaving whose tasks are drawn: the one with the most to do among those with a route."""
    ways = [way for way in wording.shown_ways(result) if way.route is not None] or list(wording.shown_ways(result))
    return max(ways, key=lambda way: len(way.schedule.tasks)).way


def ranked_savings(result: HouseholdResult) -> list[dict[str, str]]:
    """What saves at least a minute when done beforehand, the most first: `task`, `way` and `saved` as words.

    A task stands once, with every way of leaving that it helps and the most that it saves in any of them.
    """
    best: dict[str, tuple[float, list[str]]] = {}
    for way in wording.shown_ways(result):
        for saving in way.savings:
            if saving.saved_s >= 60.0:
                saved_s, names = best.get(saving.task, (0.0, []))
                best[saving.task] = (max(saved_s, saving.saved_s), [*names, way.way])
    order = sorted(best.items(), key=lambda item: (-item[1][0], item[0]))[:_SAVINGS_SHOWN]
    return [
        {"task": wording.clean(task, 60), "way": ", ".join(names), "saved": f"{math.floor(saved_s / 60.0)} min"}
        for task, (saved_s, names) in order
    ]


def _how_near(result: HouseholdResult) -> list[str]:
    """How near the least known time is."""
    ways_out = [way.precision for way in wording.shown_ways(result) if way.route is not None]
    timed = [one for one in ways_out if math.isfinite(one.high_s - one.low_s)]
    if not timed:
        return []
    worst = max(timed, key=lambda one: one.high_s - one.low_s)
    return [f"times {wording.near_words(worst)}"]
