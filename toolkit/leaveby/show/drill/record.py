"""The drill as plain data: what stands in `drill.json`, documented by `drill.schema.json` beside this module.

Clock times are ISO 8601 with the plan's UTC offset, rounded down to whole minutes; minutes before a leave-by are
rounded down, minutes after it up; shares are rounded down. A time that is not there is null and has its `why`.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any, Final

from leaveby.caution import LAST_RESORT
from leaveby.decision.drill.result import Drill, Pause, Placed, Round, round_is_open
from leaveby.decision.drill.rounds import fire_words
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
from leaveby.show.record import clear_probabilities, laid_out, record_head
from leaveby.show.wording import iso_minute, map_notice, why_words

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
    return laid_out(
        "round",
        run,
        of=drill,
        fire=fire_words(run.speed_m_s, drill.plan.measures),
        run={"from": run.run_from, "length_km": round(run.run_m / 1000.0, 3)},
        open_when_fire_starts=round_is_open(run),
        verdict=verdict_words(drill, run),
        ways={way.way: _way(drill, way) for way in ways_of(run)},
        injects=[laid_out("inject", one, of=drill, text=inject_words(one)) for one in run.injects],
        pauses=[laid_out("pause", one, of=drill, front_direction=_front_direction(one)) for one in run.pauses],
        answers=[_placed(drill, one) for one in run.placed],
    )


def _way(drill: Drill, way: WayTiming) -> dict[str, Any]:
    timed = None not in (iso_minute(drill, at_s) for at_s in (way.latest_start_s, way.latest_departure_s))
    return laid_out(
        "way in a drill",
        way,
        of=drill,
        open_when_fire_starts=way_is_open(way),
        why="" if timed else why_words(way),
        safe_point=None if way.route is None else way.route.safe_point,
        clear_probability=clear_probabilities(drill, way),
    )


def _front_direction(one: Pause) -> str | None:
    return compass_words(one.front_bearing_deg) if math.isfinite(one.front_m) else None


def _placed(drill: Drill, one: Placed) -> dict[str, Any]:
    why = "" if one.early_s is not None else "This way has no leave-by in this round."
    if one.answer.way == "stay":
        why = "Staying is no way of leaving and has no such curve; nothing here says that it is survivable."
    by = iso_minute(drill, start_by_s(drill, one))
    return laid_out("answer", one, of=drill, leave_by=by, minutes_before_leave_by=early_minutes(drill, one), why=why)
