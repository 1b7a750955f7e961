"""The answer as plain data: what stands in `result.json`, documented by `result.schema.json` beside this module.

Clock times are ISO 8601 with the scenario's UTC offset, rounded down to whole minutes; durations are minutes, rounded
up to a tenth; shares are rounded down. A time without end is never a number: it is null, with `why` beside it.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any, Final

from leaveby.decision.ways.result import (
    HouseholdResult,
    Rules,
    TriggerLine,
    WayRoute,
    WayTiming,
    WhatIf,
    way_is_open,
)
from leaveby.decision.ways.timing import NO_FIRE
from leaveby.show import wording
from leaveby.show.plan.last_resort import shelter_record
from leaveby.show.plan.neighbours import neighbours_words
from leaveby.show.plan.practice import practice_record
from leaveby.show.record import SLACK, clear_probabilities, laid_out, record_head, share_down, share_up
from leaveby.units import km_h_from_m_s

RECORD_VERSION: Final = 4
"""Rises when a field changes its meaning or goes."""


def result_record(result: HouseholdResult, *, made_at: datetime) -> dict[str, Any]:
    """Lay out an answer as plain data, in the order and with the names of `result.json`.

    The same result and moment, with UTC offset, give the same record; the clock is never read here. Only `json`'s own
    types are used, and no number is infinite. `result.schema.json` beside this module describes it (JSON Schema
    2020-12).
    """
    return {
        **record_head(made_at, record_version=RECORD_VERSION),
        "today": wording.today_words(result),
        "scenario": _scenario(result),
        "confidence": float(result.plan.confidence),
        "ways": {way.way: _way(result, way) for way in wording.shown_ways(result)},
        "fire": _fire(result),
        "rules": rules_record(result.rules),
        "shelter": shelter_record(result),
        "assumptions": list(result.assumptions),
        "outside_validity": list(result.outside_validity),
        **({"made_elsewhere": list(result.made_elsewhere)} if result.made_elsewhere else {}),
        **({"practice": practised} if (practised := practice_record(result.plan, made_at=made_at)) else {}),
        "timetable": [laid_out("moment", row, of=result) for row in result.timetable],
        "every_road_shut": {
            "at": wording.iso_minute(result, result.phases.shut_from_s),
            "sentence": wording.every_road_shut_words(result),
        },
        "what_if": [_what_if(result, what_if) for what_if in result.what_ifs],
        "inputs": {str(name): str(value) for name, value in sorted(result.inputs.items())},
        "notices": [notice for notice in (wording.map_notice(result.network),) if notice],
    }


def _scenario(result: HouseholdResult) -> dict[str, Any]:
    plan = result.plan
    return {
        "plan": plan.name,
        "start": None if result.fire is None else result.start.isoformat(timespec="seconds"),
        "horizon_min": wording.minutes_down(plan.horizon_s),
        "margin_min": wording.minutes_up(plan.margin_s),
        "members": int(result.members),
        "ignitions": [
            {"name": ignition.name, "at": ignition.at.isoformat(timespec="seconds")} for ignition in plan.ignitions
        ],
    }


def _way(result: HouseholdResult, way: WayTiming) -> dict[str, Any]:
    phases, worked = result.way_phases[way.way], result.fire is not None
    timed = None not in (wording.iso_minute(result, at_s) for at_s in (way.latest_start_s, way.latest_departure_s))
    return laid_out(
        "way",
        way,
        of=result,
        open=way_is_open(way) if worked else None,
        why="" if timed else wording.why_words(way),
        late_cost_10_min=share_up(phases.ten_minutes_cost) if worked else None,
        shut_from=wording.iso_minute(result, phases.shut_from_s),
        route=None if way.route is None else _route(result, way.route, likely_s=way.drive_s.p50_s),
        clear_probability=clear_probabilities(result, way) if worked else [],
        tasks=_tasks(way),
        caught_by_10_min_delay=share_up(way.delay_cost) if worked else None,
        **({} if way.held_up is None else {"neighbours": laid_out("neighbours", way.held_up, said=_said(way))}),
        **_waited_for(result, way),
    )


def _said(way: WayTiming) -> str:
    return " ".join(neighbours_words(way))


def _route(result: HouseholdResult, route: WayRoute, *, likely_s: float) -> dict[str, Any]:
    at = wording.iso_minute(result, route.closes_first_s)
    beyond = "No stretch of this route shuts within the hours that were computed."
    why = "" if at is not None else NO_FIRE if result.fire is None else beyond
    first = {"street": route.closes_first, "at": at, "why": why}
    return laid_out("route", route, likely_min=wording.minutes_up(likely_s), closes_first=first)


def _fire(result: HouseholdResult) -> dict[str, Any] | None:
    fire = result.fire
    if fire is None:
        return None
    beyond = "Not within the hours that were computed; this does not mean that it does not come."
    arrival = {"p05": wording.iso_minute(result, fire.home_p05_s), "p50": wording.iso_minute(result, fire.home_p50_s)}
    ember = wording.iso_minute(result, fire.ember_home_p05_s)
    return {
        "arrival_home": {**arrival, "why": "" if None not in arrival.values() else beyond},
        "head_ros_kmh": _kmh(fire.head_ros_m_s),
        "ember_arrival_home": ember,
        "ember_why": "" if ember is not None else beyond,
        "governing": [
            {"from": wording.iso_minute(result, at_s), "model": model, "head_ros_kmh": _kmh(ros_m_s)}
            for at_s, model, ros_m_s in fire.governing
        ],
    }


def _kmh(speed_m_s: float) -> float:
    return math.ceil(km_h_from_m_s(float(speed_m_s)) * 100.0 - SLACK) / 100.0


def rules_record(rules: Rules) -> dict[str, Any]:
    """Lay out the rules by rating and way of leaving."""
    found: dict[str, dict[str, Any]] = {day.name: {} for day in rules.days}
    for (rating, way), rule in rules.rules.items():
        found[rating][way] = laid_out("rule", rule, go=_line(rule.go), late=_line(rule.late))
    return {
        "today": rules.today,
        "held": rules.held.rating,
        "radius_km": rules.radius_m / 1000.0,
        "allowed_share": rules.allowed_share,
        "ratings": [laid_out("day", day, ways=found[day.name]) for day in rules.days],
    }


def _line(line: TriggerLine) -> dict[str, Any]:
    return {
        "needed_min": wording.minutes_up(line.ready_s),
        "area_km2": round(float(line.area.area) / 1e6, 3),
        "distances": [
            {
                "bearing_deg": round(float(bearing_deg), 2),
                "distance_m": math.ceil(distance_m / 10.0 - SLACK) * 10 if math.isfinite(distance_m) else None,
                "why": "" if math.isfinite(distance_m) else "The line lies beyond the ground that was looked at.",
            }
            for bearing_deg, distance_m in line.distance_m
        ],
    }


def _what_if(result: HouseholdResult, what_if: WhatIf) -> dict[str, Any]:
    return {
        "label": what_if.label,
        "head_ros_kmh": _kmh(what_if.head_ros_m_s),
        "latest_start": {name: wording.iso_minute(result, at_s) for name, at_s in what_if.latest_start_s.items()},
        "why": {
            name: what_if.why.get(name, "No time could be computed.")
            for name, at_s in what_if.latest_start_s.items()
            if wording.iso_minute(result, at_s) is None
        },
        "earlier_min": {
            name: None if earlier_s is None else round(earlier_s / 60.0, 1)
            for name, earlier_s in what_if.earlier_s.items()
        },
    }


def _tasks(way: WayTiming) -> list[dict[str, Any]]:
    schedule = way.schedule
    return [
        {
            "task": name,
            "start_min": wording.minutes_down(schedule.start_s[place]),
            "finish_min": wording.minutes_up(schedule.finish_s[place]),
            "who": list(schedule.who[place]),
            "critical": name in schedule.critical,
            "critical_share": share_down(way.critical_share.get(name, 0.0)),
        }
        for place in schedule.order
        for name in (schedule.tasks[place],)
    ]


def _waited_for(result: HouseholdResult, way: WayTiming) -> dict[str, Any]:
    """Whom the household may have to wait for; a key that stands only where someone is away at first."""
    rows = [
        {
            "person": person.name,
            "shortest_min": wording.minutes_down(person.arrival_points_s[0]),
            "likely_min": wording.minutes_up(person.arrival_points_s[1]),
            "longest_min": wording.minutes_up(person.arrival_points_s[2]),
            "held_up_share": share_down(float(way.held_up_by.get(person.name, 0.0))),
        }
        for person in result.plan.people
        if person.is_away
    ]
    return {"waited_for": rows} if rows else {}
