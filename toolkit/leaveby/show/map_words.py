"""What an exported map says of the things on it, in plain sentences: ways out, trigger lines, fire fronts, streets."""

from __future__ import annotations

import math

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.result import HouseholdResult, TriggerLine, WayTiming
from leaveby.household.plan import SafePoint
from leaveby.show.ground import Isochrone
from leaveby.show.wording import (
    WAY_TITLES,
    clean,
    clock_words,
    day_words,
    distance_words,
    duration_words,
    percent_words,
    street_words,
    why_words,
)


def caution_words() -> str:
    """Everything an export has to say before anything else: the override statement and the notices."""
    return f"{OVERRIDE} {PLANNING_AID} {OSM_NOTICE}."


def day_line(result: HouseholdResult) -> str:
    """Which day was computed, how sure its times are, and in which clock and units they stand."""
    return (
        f"A computed day, for planning before the season: {day_words(result.start)}. Leave-by times are the latest at "
        f"which {percent_words(result.plan.confidence)} of the {result.members} computed runs get clear, rounded down "
        "to 5 minutes. Distances are in metres (m) and kilometres (km), durations in minutes (min)."
    )


def way_name(way: WayTiming) -> str:
    """A way of leaving and where it ends."""
    title = WAY_TITLES.get(way.way, clean(way.way))
    return title if way.route is None else f"{title}: to {clean(way.route.safe_point, 120)}"


def way_line(result: HouseholdResult, way: WayTiming) -> str:
    """By when to start and to roll, how far and how long it is, which street shuts first; or why there is no time."""
    start_s, leave_s = way.latest_start_s, way.latest_departure_s
    said = []
    if start_s is not None and leave_s is not None:
        roll = "be walking by" if way.way == "foot" else "be rolling by"
        early = (
            f" That is before the fire even starts ({result.start.strftime('%H:%M')}): on such a day, go before there "
            "is any fire."
            if start_s < 0.0
            else ""
        )
        said.append(
            f"Start getting ready by {clock_words(result, start_s)}, {roll} {clock_words(result, leave_s)}, at the "
            f"latest on the computed day.{early}"
        )
    else:
        said.append(why_words(way))
    if way.route is not None:
        road = "a walk" if way.way == "foot" else "a drive"
        said.append(
            f"{distance_words(way.route.length_m)}, {road} of {duration_words(way.drive_s.p50_s)}, on a slow day "
            f"{duration_words(way.drive_s.p95_s)}; getting ready takes {duration_words(way.ready_s.p50_s)}, on a slow "
            f"day {duration_words(way.ready_at_confidence_s)}."
        )
        if math.isfinite(way.route.closes_first_s):
            said.append(
                f"The first street to shut: {street_words(way.route.closes_first, 120)}, from "
                f"{clock_words(result, way.route.closes_first_s)} in the middle run, or earlier."
            )
    return " ".join(said)


def safe_point_line(point: SafePoint) -> str:
    """What a place of the plan is, and for which ways of leaving."""
    if point.kind == "place_of_last_resort":
        return (
            "Place of last resort of the plan, for when leaving is no longer possible and under the directions of the "
            "emergency services. Nothing here says that it will keep people alive."
        )
    ways = " and ".join({"tow": "with the house", "car": "by car", "foot": "on foot"}[way] for way in point.ways)
    return f"Safe point of the plan, to be reached {ways}. No place is safe from every fire."


def front_line(result: HouseholdResult, area: Isochrone) -> str:
    """What an isochrone means."""
    return (
        f"Ground that has burnt by {clock_words(result, area.at_s, step_min=1)} in the middle run, "
        f"{math.floor(area.at_s / 60.0)} min after the fire starts. In other runs fire is here earlier."
    )


def trigger_line(result: HouseholdResult, line: TriggerLine) -> str:
    """What a trigger line means."""
    title = WAY_TITLES.get(line.way, clean(line.way))
    return (
        f"{title}: once fire is inside this area, it is too late to start getting ready for this way of leaving. Drawn "
        f"for a lead time of {duration_words(line.ready_s)}, which {percent_words(line.confidence)} of the runs need "
        f"at most, and for the weather of {clock_words(result, line.weather_at_s, step_min=1)} as if it held all "
        "day."
    )


def shut_line(result: HouseholdResult, at_s: float) -> str:
    """When a stretch of road shuts."""
    return (
        f"Shut from {clock_words(result, at_s)} in the middle run, or earlier: by then fire is within "
        f"{math.ceil(result.plan.roads.standoff_m)} m of it, less {duration_words(result.plan.roads.smoke_lead_s)} for "
        "smoke. Roads may shut earlier for reasons no model sees."
    )
