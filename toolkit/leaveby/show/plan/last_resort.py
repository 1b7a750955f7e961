"""The last resort in words with clock times, and as plain data: never as something that keeps people alive."""

from __future__ import annotations

import math
from typing import Any, Final

from leaveby.caution import LAST_RESORT
from leaveby.decision.ways.result import HouseholdResult
from leaveby.household.shelter import SKIN_LIMIT_KW_M2, LastResort, Place
from leaveby.show import wording
from leaveby.show.record import share_down

_BY: Final = {"tow": "with the trailer on", "car": "by car", "foot": "on foot"}
_BEYOND: Final = "Not within the hours that were computed; this does not mean that it does not come."


def shelter_lines(result: HouseholdResult) -> tuple[str, ...]:
    """Say what is known of the last resort, with clock times; the caution stands apart, above these sentences."""
    shelter = result.shelter
    return (
        wording.every_road_shut_words(result),
        *_closing_lines(result, shelter),
        *_heat_lines(shelter),
        _place_line(result, shelter),
    )


def shelter_record(result: HouseholdResult) -> dict[str, Any]:
    """Lay out the last resort as plain data."""
    shelter = result.shelter
    times = {
        "begins": shelter.begins_s,
        "leaving_ends": shelter.leaving_ends_s,
        "ember_arrival": shelter.ember_arrival_s,
        "front_arrival": shelter.front_arrival_s,
        "latest_start_before_embers": shelter.latest_start_before_embers_s,
        "latest_start_before_front": shelter.latest_start_before_front_s,
    }
    return {
        "heading": shelter.heading,
        "caution": LAST_RESORT,
        "sentences": list(shelter_lines(result)),
        "tasks": list(shelter.tasks),
        "ready_min": wording.minutes_up(shelter.ready_s),
        **{name: wording.iso_minute(result, time_s) for name, time_s in times.items()},
        "why": {name: _why_null(shelter, name, time_s) for name, time_s in times.items() if not math.isfinite(time_s)},
        "closed_before_embers": share_down(shelter.closed_before_embers),
        "closed_before_front": share_down(shelter.closed_before_front),
        "too_late": list(shelter.too_late),
        "heat_kw_m2": None if shelter.heat_kw_m2 is None else math.ceil(shelter.heat_kw_m2 * 10.0 - 1e-9) / 10.0,
        "heat_class": shelter.heat_class,
        "heat_limit_kw_m2": shelter.heat_limit_kw_m2,
        "above_stated_limit": shelter.above_stated_limit,
        "skin_pain_s": _seconds_down(shelter.skin_pain_s),
        "place": None if shelter.place is None else _place_record(result, shelter.place, shelter.place_reachable),
        "assumptions": list(shelter.assumptions),
    }


def _seconds_down(time_s: float | None) -> float | None:
    if time_s is None or not math.isfinite(time_s):
        return None
    return math.floor(time_s * 10.0 + 1e-9) / 10.0


def _why_null(shelter: LastResort, name: str, time_s: float) -> str:
    if name == "leaving_ends":
        return (
            "Within the hours that were computed some road out was not shut in half of the runs; leave early all the "
            "same."
            if time_s > 0.0
            else "There is no way of leaving, even with no fire."
        )
    if name.startswith("latest_start") and not shelter.tasks:
        return "The plan names no task for closing the house."
    if name.startswith("latest_start"):
        return "Neither embers nor front were computed to arrive within the hours; begin early all the same."
    return _BEYOND if time_s > 0.0 else "Before anything that was computed."


def _place_record(result: HouseholdResult, place: Place, reachable: bool) -> dict[str, Any]:
    until = wording.iso_minute(result, place.open_until_s)
    if until is not None:
        why = ""
    elif place.open_until_s > 0.0:
        why = "The way there was not computed to shut within the hours; it may shut at any time."
    else:
        why = "The way there is shut from the start."
    return {
        "name": place.name,
        "way": place.way,
        "distance_m": math.ceil(place.distance_m - 1e-9) if math.isfinite(place.distance_m) else None,
        "travel_min": wording.minutes_up(place.travel_s),
        "leave_for_it_by": until,
        "why": why,
        "reachable_when_begun": reachable,
    }


def _closing_lines(result: HouseholdResult, shelter: LastResort) -> list[str]:
    if not shelter.tasks:
        return ["Your plan names no task for closing the house."]
    tasks = ", ".join(wording.clean(task, 40) for task in shelter.tasks)
    told = [f"Closing the house takes up to {wording.duration_words(shelter.ready_s)}: {tasks}."]
    if not math.isfinite(shelter.ember_arrival_s):
        told.append("Embers were not computed to arrive within the hours; they may still come.")
        return told
    front = (
        f", the fire front from {wording.clock_words(result, shelter.front_arrival_s)}"
        if math.isfinite(shelter.front_arrival_s)
        else ""
    )
    told.append(f"Embers can fall from {wording.clock_words(result, shelter.ember_arrival_s)}{front}.")
    by = wording.clock_words(result, shelter.latest_start_before_embers_s)
    if shelter.leaving_ends_s == math.inf:
        told.append(
            f"To be done before the embers, closing has to begin by {by}, and only if you are officially directed to "
            "shelter: leaving comes first."
        )
        return told
    begun = wording.clock_words(result, shelter.begins_s)
    late = math.ceil(100.0 * (1.0 - shelter.closed_before_embers) - 1e-9)
    passed = shelter.latest_start_before_embers_s < shelter.begins_s
    when = f"by {by}, before the last resort begins: leaving comes first" if passed else f"by {by} at the latest"
    told.append(
        f"Closing that is begun at {begun} is not done before the embers in {late} of 100 runs; to be done in time it "
        f"has to begin {when}."
    )
    if set(shelter.too_late) == set(shelter.tasks):
        told.append(f"Begun at {begun}, none of these tasks is done before the embers.")
    elif shelter.too_late:
        told.append(
            f"Too late at {begun} on this list: {', '.join(wording.clean(task, 40) for task in shelter.too_late)}."
        )
    return told


def _heat_lines(shelter: LastResort) -> list[str]:
    if shelter.heat_kw_m2 is None:
        return []
    told = (
        f"The front puts up to {math.ceil(shelter.heat_kw_m2 * 10.0 - 1e-9) / 10.0:g} kW of heat on each square metre"
    )
    if shelter.heat_limit_kw_m2 is None or shelter.above_stated_limit is None:
        told += " of the house; what it was built for is not stated."
    elif shelter.above_stated_limit:
        told += f" of the house, more than the {shelter.heat_limit_kw_m2:g} kW you state it was built for."
    else:
        told += (
            f" of the house; you state that it was built for {shelter.heat_limit_kw_m2:g} kW, which says nothing about "
            "embers, smoke or the people inside."
        )
    pain_s = shelter.skin_pain_s
    if pain_s is not None and math.isfinite(pain_s) and shelter.heat_kw_m2 >= SKIN_LIMIT_KW_M2:
        told += f" Outside, bare skin hurts within {max(1, math.floor(pain_s))} s."
    return [told]


def _place_line(result: HouseholdResult, shelter: LastResort) -> str:
    place = shelter.place
    if place is None:
        return "Your plan names no place of last resort. Ask your fire agency which one serves your address."
    name = wording.clean(place.name, 60)
    if not math.isfinite(place.travel_s) or place.open_until_s == -math.inf:
        return f"No road leads in time to the nearest place of last resort, {name}, in this scenario."
    if not math.isfinite(place.open_until_s):
        until = "no closing of the way there was computed, and it may still shut"
    else:
        by = wording.clock_words(result, place.open_until_s)
        until = f"if you are directed there, leave for it by {by} at the latest"
        if not shelter.place_reachable:
            until += ", before the last resort begins"
    return (
        f"The nearest place of last resort is {name}, {wording.distance_words(place.distance_m)} and "
        f"{wording.duration_words(place.travel_s)} {_BY[place.way]}; {until}."
    )
