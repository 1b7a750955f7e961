"""The last resort in words with clock times, and as plain data: never as something that keeps people alive."""

from __future__ import annotations

import math
from typing import Any, Final

from leaveby.caution import LAST_RESORT
from leaveby.decision.ways.result import HouseholdResult
from leaveby.decision.ways.timing import NO_FIRE
from leaveby.household.shelter import SKIN_LIMIT_KW_M2, Place
from leaveby.show import wording
from leaveby.show.record import share_down
from leaveby.show.templates import sentences

_BEYOND: Final = "Not within the hours that were computed; this does not mean that it does not come."


def shelter_lines(result: HouseholdResult) -> tuple[str, ...]:
    """Say what is known of the last resort, with clock times; the caution stands apart, above these sentences."""
    name = "show/plan/last_resort.txt.j2"
    return tuple(sentences(name, result=result, shelter=result.shelter, skin_limit_kw_m2=SKIN_LIMIT_KW_M2))


def known_words(result: HouseholdResult) -> str:
    """Say in a few words what is known of the place of last resort and of the house: how near, and what fire does."""
    shelter, place = result.shelter, result.shelter.place
    if place is None or not math.isfinite(place.travel_s):
        said = ["No place of last resort is known here: ask your fire agency."]
    else:
        by = {"tow": "with the trailer on", "car": "by car", "foot": "on foot"}[place.way]
        said = [f"If sent to {wording.clean(place.name, 30)}: {wording.distance_words(place.distance_m)} {by}."]
        share = math.ceil(100.0 * place.burnt_share - 1e-9)
        if result.fire is not None:
            said.append(
                f"Fire comes there on {share} of 100 days like the plan's." if share else "Fire may come there too."
            )
            said += [] if shelter.place_reachable else ["The way may be shut."]
    if result.fire is not None and shelter.heat_kw_m2 is not None and shelter.heat_limit_kw_m2 is not None:
        heat = f"{shelter.heat_limit_kw_m2:g} kW/m2; this fire may bring {math.ceil(shelter.heat_kw_m2 - 1e-9)}"
        said.append(f"House: built for {heat}.")
    return " ".join(said)


def shelter_record(result: HouseholdResult) -> dict[str, Any]:
    """Lay out the last resort as plain data."""
    shelter, pain_s = result.shelter, result.shelter.skin_pain_s

    def null(time_s: float) -> bool:
        return result.fire is None or not math.isfinite(time_s)

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
        **{name: None if null(time_s) else wording.iso_minute(result, time_s) for name, time_s in times.items()},
        "why": {name: _why_null(result, name, time_s) for name, time_s in times.items() if null(time_s)},
        "closed_before_embers": None if result.fire is None else share_down(shelter.closed_before_embers),
        "closed_before_front": None if result.fire is None else share_down(shelter.closed_before_front),
        "too_late": list(shelter.too_late),
        "heat_kw_m2": None if shelter.heat_kw_m2 is None else math.ceil(shelter.heat_kw_m2 * 10.0 - 1e-9) / 10.0,
        "heat_class": shelter.heat_class,
        "heat_limit_kw_m2": shelter.heat_limit_kw_m2,
        "above_stated_limit": shelter.above_stated_limit,
        "skin_pain_s": None if pain_s is None or pain_s == math.inf else math.floor(pain_s * 10.0 + 1e-9) / 10.0,
        "place": None if shelter.place is None else _place_record(result, shelter.place, shelter.place_reachable),
        "assumptions": list(shelter.assumptions),
    }


def _why_null(result: HouseholdResult, name: str, time_s: float) -> str:
    shelter = result.shelter
    if result.fire is None:
        return NO_FIRE
    if name == "leaving_ends":
        return (
            "Within the hours that were computed some road out was not shut on half of such days; leave early all the "
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
    elif result.fire is None:
        why = NO_FIRE
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
        "reachable_when_begun": None if result.fire is None else reachable,
    }
