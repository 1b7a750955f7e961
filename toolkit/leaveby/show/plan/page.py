"""The page for the fridge: `plan.html`, one file without script or outside address, for screen and A4 paper."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Final

from markupsafe import Markup

from leaveby.decision.ways.result import HouseholdResult
from leaveby.show import wording
from leaveby.show.figure import as_svg
from leaveby.show.plan import plots, timetable
from leaveby.show.plan.last_resort import shelter_lines
from leaveby.show.plan.map import describe_map, plan_map
from leaveby.show.templates import made_with, page_text
from leaveby.units import km_h_from_m_s

_STEPS_SHOWN: Final = 24
_SAVINGS_SHOWN: Final = 5

LANDMARKS_SHOWN: Final = 2
"""The nearest named roads and places on the trigger lines under the map: more of them stand in the record."""


def plan_page(result: HouseholdResult, *, made_at: datetime, figures: Mapping[str, str] | None = None) -> str:
    """Lay out an answer as a page for a person who is not technical."""
    drawn = plan_figures(result) if figures is None else figures
    landmarks = [line for rule in result.rules.drawn for line in rule.landmarks if line.startswith("Fire at ")]
    return page_text(
        "show/plan/plan.html.j2",
        made_at=made_at,
        result=result,
        notice=wording.map_notice(result.network),
        figures={name: Markup(text) for name, text in drawn.items()},
        tasks_way=main_way(result),
        savings=ranked_savings(result),
        landmarks=landmarks[:LANDMARKS_SHOWN],
        km_h_from_m_s=km_h_from_m_s,
        shelter=shelter_lines(result),
        steps_shown=_STEPS_SHOWN,
        made_with=made_with(result.inputs, f"Computed from {result.members} runs", *_how_near(result)),
    )


def plan_figures(result: HouseholdResult) -> dict[str, str]:
    """Draw the page's figures as SVG text with text alternatives, by name."""
    way = main_way(result)
    drawn = {
        "map": (plan_map(result), "Map of the ways out and the fire", describe_map(result)),
        "tasks": (plots.task_bars(result, way), "Tasks before leaving", plots.describe_tasks(result, way)),
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
