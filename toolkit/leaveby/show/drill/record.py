"""The drill as plain data: what stands in `drill.json`, documented by `drill.schema.json` beside this module.

Clock times are ISO 8601 with the plan's UTC offset, rounded down to whole minutes; minutes before a leave-by are
rounded down, minutes after it up; shares are rounded down. A time that is not there is null and has its `why`.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any, Final

from leaveby.caution import LAST_RESORT
from leaveby.decision.drill.result import Drill, Inject, Pause, Placed, Round, round_is_open
from leaveby.decision.drill.rounds import speed_words
from leaveby.decision.ways.result import WayTiming, way_is_open
from leaveby.roads.routing.itinerary import compass_words
from leaveby.show.drill.words import (
    EXERCISE_BANNER,
    early_minutes,
    inject_words,
    start_by_s,
    verdict_words,
    ways_of,
)
from leaveby.show.record import record_head, share_down
from leaveby.show.wording import iso_minute, map_notice, minutes_up, why_words
from leaveby.units import km_h_from_m_s

RECORD_VERSION: Final = 1
"""Rises when a field changes its meaning or goes."""


def drill_record(drill: Drill, *, made_at: datetime) -> dict[str, Any]:
    """Lay out a drill as plain data, in the order and with the names of `drill.json`.

    The same drill and moment, with UTC offset, give the same record; the clock is never read here. Only `json`'s own
    types are used, and no number is infinite. `drill.schema.json` beside this module describes it (JSON Schema
    2020-12).
    """
    first = {"exercise": EXERCISE_BANNER}
    return {
        **record_head(made_at, first=first, last_resort=LAST_RESORT, record_version=RECORD_VERSION),
        "drill": drill.name,
        "plan": drill.plan.name,
        "begins": iso_minute(drill, drill.script.begin_s),
        "fire_starts": drill.start.isoformat(timespec="seconds"),
        "confidence": float(drill.plan.confidence),
        "members": int(drill.members),
        "rounds": [_round(drill, run) for run in drill.rounds],
        "assumptions": list(drill.assumptions),
        "outside_validity": list(drill.outside_validity),
        "notes": list(drill.notes),
        "inputs": {str(name): str(value) for name, value in sorted(drill.inputs.items())},
        "notices": [notice for notice in (map_notice(drill.network),) if notice],
    }


def _round(drill: Drill, run: Round) -> dict[str, Any]:
    return {
        "number": run.number,
        "fire": speed_words(run.speed_m_s),
        "speed_kmh": None if run.speed_m_s is None else round(km_h_from_m_s(run.speed_m_s), 6),
        "ros_factor": round(float(run.scale), 4),
        "run": {"from": run.run_from, "length_km": round(run.run_m / 1000.0, 3)},
        "open_when_fire_starts": round_is_open(run),
        "every_road_shut_from": iso_minute(drill, run.phases.shut_from_s),
        "verdict": verdict_words(drill, run),
        "front_at_home": iso_minute(drill, run.home_s),
        "embers_at_home": iso_minute(drill, run.ember_s),
        "ends": iso_minute(drill, run.end_s),
        "ways": {way.way: _way(drill, way) for way in ways_of(run)},
        "closings": [
            {"street": one.street, "at": iso_minute(drill, one.at_s), "ways": list(one.ways)} for one in run.shuts
        ],
        "injects": [_inject(drill, one) for one in run.injects],
        "pauses": [_pause(drill, one) for one in run.pauses],
        "answers": [_placed(drill, one) for one in run.placed],
        "notes": list(run.notes),
    }


def _way(drill: Drill, way: WayTiming) -> dict[str, Any]:
    start, departure = iso_minute(drill, way.latest_start_s), iso_minute(drill, way.latest_departure_s)
    return {
        "open_when_fire_starts": way_is_open(way),
        "latest_start": start,
        "latest_departure": departure,
        "why": "" if start is not None and departure is not None else why_words(way),
        "ready_min": {"p50": minutes_up(way.ready_s.p50_s), "p95": minutes_up(way.ready_s.p95_s)},
        "drive_min": {"p50": minutes_up(way.drive_s.p50_s), "p95": minutes_up(way.drive_s.p95_s)},
        "safe_point": None if way.route is None else way.route.safe_point,
        "clear_probability": [
            [iso_minute(drill, float(at_s)), share_down(share)]
            for at_s, share in zip(way.start_s, way.clear_probability, strict=True)
        ],
    }


def _inject(drill: Drill, one: Inject) -> dict[str, Any]:
    return {
        "at": iso_minute(drill, one.at_s),
        "kind": one.kind,
        "text": inject_words(one),
        "source": one.source,
        "facilitator_only": bool(one.facilitator_only),
        "basis": one.basis,
    }


def _pause(drill: Drill, one: Pause) -> dict[str, Any]:
    reading, known = one.reading, math.isfinite(one.front_m)
    return {
        "number": one.number,
        "at": iso_minute(drill, one.at_s),
        "temperature_c": round(reading.air_temperature_c, 1),
        "relative_humidity_percent": round(reading.relative_humidity_percent, 1),
        "wind_kmh": round(km_h_from_m_s(reading.wind_speed_m_s), 1),
        "wind_from": compass_words(reading.wind_from_deg),
        "gust_kmh": None if reading.gust_m_s is None else round(km_h_from_m_s(reading.gust_m_s), 1),
        "fire_danger_index": round(reading.danger_index, 1),
        "front_m": math.floor(one.front_m) if known else None,
        "front_direction": compass_words(one.front_bearing_deg) if known else None,
        "burnt_ha": round(one.burnt_ha, 1),
    }


def _placed(drill: Drill, one: Placed) -> dict[str, Any]:
    answer = one.answer
    why = "" if one.early_s is not None else "This way has no leave-by in this round."
    if answer.way == "stay":
        why = "Staying is no way of leaving and has no such curve; nothing here says that it is survivable."
    return {
        "group": answer.group,
        "pause": answer.pause,
        "way": answer.way,
        "start": iso_minute(drill, answer.start_s),
        "clear_probability": None if one.clear_probability is None else share_down(one.clear_probability),
        "leave_by": iso_minute(drill, start_by_s(drill, one)),
        "minutes_before_leave_by": early_minutes(drill, one),
        "why": why,
        "shut_at_start": list(one.shut_at_start),
        "shut_when_rolling": list(one.shut_at_rolling),
    }
