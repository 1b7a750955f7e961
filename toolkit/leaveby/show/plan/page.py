"""The page for the fridge: `plan.html`, one file without script or outside address, for screen and A4 paper."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from leaveby.caution import LAST_RESORT, OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HouseholdResult, WayTiming, WhatIf
from leaveby.roads.routing.itinerary import Step
from leaveby.show import wording
from leaveby.show.figure import as_svg
from leaveby.show.letters import letters_css
from leaveby.show.plan.last_resort import shelter_lines
from leaveby.show.plan.map import describe_map, plan_map
from leaveby.show.plan.plots import (
    clear_curve,
    describe_clear_curve,
    describe_tasks,
    task_bars,
)
from leaveby.show.plan.timetable import describe_timetable, timetable_bar
from leaveby.units import km_h_from_m_s

_STEPS_SHOWN: Final = 24
_SAVINGS_SHOWN: Final = 5

LANDMARKS_SHOWN: Final = 2
"""Landmarks named under the map."""


def plan_page(result: HouseholdResult, *, made_at: datetime, figures: Mapping[str, str] | None = None) -> str:
    """Lay out an answer as a page for a person who is not technical."""
    wording.check_made_at(made_at)
    drawn = dict(plan_figures(result) if figures is None else figures)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("leaveby.show.plan").joinpath("plan.html.j2").read_text(encoding="utf-8"))
    ways = [_way(result, way) for way in wording.shown_ways(result)]
    ways += [_missing_way(name) for name in wording.WAYS if name not in result.ways]
    notes = [wording.clean(line) for line in result.assumptions]
    notes += [f"Beyond what was tested: {wording.clean(line)}" for line in result.outside_validity]
    tasks_way = main_way(result)
    return template.render(
        letters=Markup(letters_css()),
        override=OVERRIDE,
        planning_aid=PLANNING_AID,
        last_resort=LAST_RESORT,
        notice=wording.map_notice(result.network),
        name=wording.clean(result.plan.name, 90),
        day=wording.day_words(result.start),
        ignitions=_ignitions(result),
        made=made_at.strftime("%Y-%m-%d %H:%M"),
        sentence=wording.main_sentence(result),
        confidence=f"{wording.percent_words(result.plan.confidence)}",
        ways=ways,
        figures={name: Markup(text) for name, text in drawn.items()},
        task_title=_SHORT.get(tasks_way, tasks_way).lower(),
        savings=ranked_savings(result),
        changes=_changes(result),
        landmarks=_nearest_landmarks(result),
        what_ifs=[_what_if(result, what_if) for what_if in result.what_ifs],
        what_if_ways=[_SHORT.get(way.way, way.way) for way in _ways_out(result)],
        shelter_heading=result.shelter.heading,
        shelter=[wording.clean(line) for line in shelter_lines(result)],
        routes=_routes(result),
        note_lines=notes,
        made_with=_made_with(result),
    )


_SHORT: Final[Mapping[str, str]] = {"tow": "Tow", "car": "Car", "foot": "Foot"}


def plan_figures(result: HouseholdResult) -> dict[str, str]:
    """Draw the page's figures as SVG text with text alternatives, by name."""
    tasks_way = main_way(result)
    return {
        "timetable": as_svg(timetable_bar(result), "The day as bars", describe_timetable(result)),
        "map": as_svg(
            plan_map(result),
            "Map of the ways out and the fire",
            describe_map(result),
        ),
        "tasks": as_svg(task_bars(result, tasks_way), "Tasks before leaving", describe_tasks(result, tasks_way)),
        "chance": as_svg(clear_curve(result), "Chance of getting clear", describe_clear_curve(result)),
    }


def main_way(result: HouseholdResult) -> str:
    """The way of leaving whose tasks are drawn: the one with the most to do among those with a route."""
    ways = [way for way in wording.shown_ways(result) if way.route is not None] or list(wording.shown_ways(result))
    return max(ways, key=lambda way: len(way.schedule.tasks)).way


def _ignitions(result: HouseholdResult) -> str:
    parts = [
        f"{wording.clean(ignition.name, 60)} at {ignition.at.astimezone(result.start.tzinfo).strftime('%H:%M')}"
        for ignition in result.plan.ignitions
    ]
    return f"Fire: {', '.join(parts)}."


def _way(result: HouseholdResult, way: WayTiming) -> dict[str, Any]:
    title = wording.WAY_TITLES.get(way.way, wording.clean(way.way))
    lines = []
    start_s, leave_s = way.latest_start_s, way.latest_departure_s
    timed = way.route is not None and start_s is not None and leave_s is not None
    if timed and wording.before_fire(way):
        lines.append(
            f"That is before the fire even starts ({result.start.strftime('%H:%M')}): on such a day, go before there "
            "is any fire."
        )
    if not timed:
        lines.append(wording.why_words(way))
    lines += [wording.counts_words(result, way), wording.late_line(result, way)]
    if way.route is not None:
        lines.append(f"To {wording.clean(way.route.safe_point, 60)}, {wording.distance_words(way.route.length_m)}.")
        lines.append(wording.need_line(way))
        lines.append(wording.first_shut_line(result, way.route))
    short = "no way out" if way.route is None else "no time found: leave early"
    return {
        "title": title,
        "start": wording.clock_words(result, start_s) if timed and start_s is not None else "",
        "leave": wording.clock_words(result, leave_s) if timed and leave_s is not None else "",
        "roll_label": wording.roll_label(way),
        "short": short,
        "lines": [line for line in lines if line],
        "line": wording.leave_by_line(result, way) if timed else short,
    }


def _missing_way(name: str) -> dict[str, Any]:
    return {
        "title": wording.WAY_TITLES[name],
        "start": "",
        "leave": "",
        "short": "not in your plan",
        "lines": ["Your plan does not hold this way of leaving."],
    }


def ranked_savings(result: HouseholdResult) -> list[dict[str, str]]:
    """What saves at least a minute when done beforehand, the most first: `task`, `way` and `saved` as words.

    A task stands once, with every way of leaving that it helps and the most that it saves in any of them.
    """
    best: dict[str, tuple[float, list[str]]] = {}
    for way in wording.shown_ways(result):
        for saving in way.savings:
            if saving.saved_s < 60.0:
                continue
            saved_s, names = best.get(saving.task, (0.0, []))
            best[saving.task] = (max(saved_s, saving.saved_s), [*names, _SHORT.get(way.way, way.way).lower()])
    order = sorted(best.items(), key=lambda item: (-item[1][0], item[0]))[:_SAVINGS_SHOWN]
    return [
        {"task": wording.clean(task, 60), "way": ", ".join(names), "saved": f"{math.floor(saved_s / 60.0)} min"}
        for task, (saved_s, names) in order
    ]


def _ways_out(result: HouseholdResult) -> list[WayTiming]:
    """Ways of leaving that have a route; without one there is nothing to compare."""
    return [way for way in wording.shown_ways(result) if way.route is not None]


def _nearest_landmarks(result: HouseholdResult) -> list[str]:
    """The nearest named roads and places on the trigger lines: more of them stand in the record."""
    named = [line for said in result.landmarks.values() for line in said if line.startswith("Fire at ")]
    return [wording.clean(line, 160) for line in named[:LANDMARKS_SHOWN]]


def _changes(result: HouseholdResult) -> list[str]:
    """Say in words what ten minutes of delay cost, what the times hang on most, and when to leave the night before."""
    lines = [table.summary for table in result.day_before.values()]
    for way in _ways_out(result):
        if way.latest_start_s is None:
            continue
        caught = math.ceil(100.0 * way.delay_cost - 1e-9)
        hangs = f" Its time hangs most on {way.hangs_on[0].what}." if way.hangs_on else ""
        lines.append(
            f"{_SHORT.get(way.way, way.way)}: start ten minutes late, and {caught} more of 100 runs are caught.{hangs}"
        )
    return lines


def _what_if(result: HouseholdResult, what_if: WhatIf) -> dict[str, Any]:
    cells = []
    for way in _ways_out(result):
        at_s = what_if.latest_start_s.get(way.way)
        if at_s is not None and math.isfinite(at_s):
            early = ", before the fire starts" if at_s < 0.0 else ""
            cells.append({"text": f"{wording.clock_words(result, at_s)}{early}", "is_time": True})
        else:
            cells.append(
                {"text": wording.clean(what_if.why.get(way.way, "no time could be computed"), 90), "is_time": False}
            )
    return {
        "label": wording.clean(what_if.label, 80),
        "speed": f"{km_h_from_m_s(float(what_if.head_ros_m_s)):.1f} km/h",
        "cells": cells,
    }


def _routes(result: HouseholdResult) -> list[dict[str, Any]]:
    """Each different route once, with the ways of leaving that take it."""
    return [
        {
            "title": f"{' and '.join(_SHORT.get(name, name) for name in names)}: to "
            f"{wording.clean(route.safe_point, 60)}, {wording.distance_words(route.length_m)}",
            "steps": _step_words(route.steps),
        }
        for names, route in wording.shared_routes(result)
    ]


def _step_words(steps: Sequence[Step]) -> list[str]:
    """Turns in words; a long list is shortened where it is the least use, at its end, and says so."""
    shown = []
    for step in steps[:_STEPS_SHOWN]:
        turn = wording.clean(step.turn, 40)
        lead = f"Head {step.compass} on" if turn == "start" else f"{turn.capitalize()} onto"
        shown.append(f"{lead} {wording.street_words(step.street)}, {wording.distance_words(step.length_m)}")
    if len(steps) > _STEPS_SHOWN:
        rest_m = sum(step.length_m for step in steps[_STEPS_SHOWN:])
        shown.append(
            f"and {len(steps) - _STEPS_SHOWN} more turns over {wording.distance_words(rest_m)}: see the route file"
        )
    return shown


def _made_with(result: HouseholdResult) -> str:
    version = result.inputs.get("leaveby", "")
    seed = result.inputs.get("seed", "")
    parts = [f"Computed from {result.members} runs", *_how_near(result)]
    if version:
        parts.append(f"leaveby {wording.clean(version, 30)}")
    if seed:
        parts.append(f"seed {wording.clean(seed, 30)}")
    return ", ".join(parts) + "."


def _how_near(result: HouseholdResult) -> list[str]:
    """How near the least known time is."""
    timed = [way.precision for way in _ways_out(result) if math.isfinite(way.precision.high_s - way.precision.low_s)]
    if not timed:
        return []
    worst = max(timed, key=lambda one: one.high_s - one.low_s)
    return [f"times known to within {math.ceil((worst.high_s - worst.low_s) / 120.0)} min either way"]
