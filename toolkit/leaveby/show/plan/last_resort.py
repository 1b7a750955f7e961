"""The last resort in words with clock times, and as plain data: never as something that keeps people alive."""

from __future__ import annotations

import math
from typing import Any, Final

from leaveby.caution import LAST_RESORT
from leaveby.decision.ways.result import HouseholdResult
from leaveby.decision.ways.timing import NO_FIRE
from leaveby.household.shelter import SKIN_LIMIT_KW_M2, Place
from leaveby.show import wording
from leaveby.show.record import laid_out, share_down
from leaveby.show.templates import sentences

_BEYOND: Final = "Not within the hours that were computed; this does not mean that it does not come."


def shelter_lines(result: HouseholdResult) -> tuple[str, ...]:
    """Say what is known of the last resort, with clock times; the caution stands apart, above these sentences."""
    name = "show/plan/last_resort.txt.j2"
    return tuple(sentences(name, result=result, shelter=result.shelter, skin_limit_kw_m2=SKIN_LIMIT_KW_M2))


def known_words(result: HouseholdResult) -> str:
    """Say in a few words what is known of the place of last resort and of the house: how near, and what fire does."""
    told = {"result": result, "shelter": result.shelter, "place": result.shelter.place}
    return " ".join(sentences("show/plan/last_resort_known.txt.j2", **told))


def shelter_record(result: HouseholdResult) -> dict[str, Any]:
    """Lay out the last resort as plain data."""
    shelter = result.shelter

    def null(time_s: float) -> bool:
        return result.fire is None or not math.isfinite(time_s)

    names = ["begins", "leaving_ends", "ember_arrival", "front_arrival"]
    names += ["latest_start_before_embers", "latest_start_before_front"]
    times: dict[str, float] = {name: getattr(shelter, f"{name}_s") for name in names}
    at: dict[str, Any] = {
        name: None if null(at_s) else wording.iso_minute(result, at_s) for name, at_s in times.items()
    }
    none = result.fire is None
    return laid_out(
        "last resort",
        shelter,
        caution=LAST_RESORT,
        sentences=list(shelter_lines(result)),
        **at,
        why={name: _why_null(result, name, time_s) for name, time_s in times.items() if null(time_s)},
        closed_before_embers=None if none else share_down(shelter.closed_before_embers),
        closed_before_front=None if none else share_down(shelter.closed_before_front),
        place=None if shelter.place is None else _place_record(result, shelter.place, shelter.place_reachable),
    )


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
    reached = None if result.fire is None else reachable
    return laid_out("place", place, of=result, why=why, reachable_when_begun=reached)
