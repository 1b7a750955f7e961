"""What an exported map says of the things on it, in plain sentences: ways out, trigger lines, fire fronts, streets."""

import math

from shapely.geometry.base import BaseGeometry

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HouseholdResult, Rule, TriggerLine, WayTiming
from leaveby.household.plan_tables import SafePoint
from leaveby.show.ground import Isochrone, trigger_edge
from leaveby.show.wording import (
    LINE_MEANS,
    WAY_TITLES,
    by_when,
    clean,
    clock_words,
    counts_words,
    day_words,
    days_words,
    duration_words,
    first_shut_line,
    flat_words,
    late_line,
    main_sentence,
    map_notice,
    need_line,
    percent_words,
    slower_line,
    today_words,
)
from leaveby.units import distance_words, given_words, legend_words


def caution_words(result: HouseholdResult) -> str:
    """Everything an export has to say before anything else: the override statement and the notices."""
    notice = map_notice(result.network)
    said = [OVERRIDE, today_words(result), flat_words(result), PLANNING_AID, f"{notice}." if notice else ""]
    return " ".join(line for line in said if line)


def day_line(result: HouseholdResult) -> str:
    """Which day was computed, how sure its times are, and in which clock and units they stand."""
    if result.fire is None:
        return f"{main_sentence(result)} {legend_words(result.plan.measures)}"
    return (
        f"A computed day, for planning before the season: {day_words(result.start)}. Leave-by times are the latest at "
        f"which {percent_words(result.plan.confidence)} of {result.members} such days get clear, rounded down "
        f"to 5 minutes. {legend_words(result.plan.measures)}"
    )


def way_name(way: WayTiming) -> str:
    """A way of leaving and where it ends."""
    title = WAY_TITLES.get(way.way, clean(way.way))
    return title if way.route is None else f"{title}: to {clean(way.route.safe_point, 120)}"


def way_lines(result: HouseholdResult, way: WayTiming) -> list[str]:
    """By when to start and to roll, how far and how long it is, which street shuts first; or why there is no time."""
    said = [by_when(result, way), counts_words(result, way), late_line(result, way)]
    if way.route is not None:
        end = f"To {clean(way.route.safe_point, 120)}, {distance_words(way.route.length_m, result.plan.measures)}."
        said += [end, need_line(way), slower_line(result, way), first_shut_line(result, way.route)]
    return [line for line in said if line]


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
        f"Ground that has burnt by {clock_words(result, area.at_s, step_min=1)} on a middling day, "
        f"{math.floor(area.at_s / 60.0)} min after the fire starts. On other days fire is here earlier."
    )


def trigger_line(rule: Rule, kind: str) -> str:
    """What a line of a rule means."""
    line = rule.go if kind == "go" else rule.late
    return (
        f"{WAY_TITLES[rule.way]}, on {days_words(rule.rating)}, whatever the wind: {LINE_MEANS[kind]}. Drawn for "
        f"{duration_words(line.ready_s)}, which {percent_words(line.confidence)} of such days need at most."
    )


def trigger_words(result: HouseholdResult, trigger: TriggerLine, frame: BaseGeometry) -> tuple[bool, str]:
    """Whether a trigger line runs through a map's ground, `frame` in the grid's system, and what it says there."""
    words = {"tow": "tow", "car": "go by car", "foot": "go on foot"}.get(trigger.way, trigger.way)
    days = f"On {days_words(result.rules.drawn[0].rating)}"
    if not trigger_edge(result, trigger, frame).is_empty:
        return True, f"{days}: fire inside this line is too near to start to {words}"
    if trigger.area.intersects(frame):
        return False, f"{days}, fire anywhere on this map is too near to start to {words}"
    return False, f"{days}, the line for starting to {words} lies outside this map"


def shut_line(result: HouseholdResult, at_s: float) -> str:
    """When a stretch of road shuts."""
    within = given_words(math.ceil(result.plan.roads.standoff_m), result.plan.measures)
    return (
        f"Shut from {clock_words(result, at_s)} on a middling day, or earlier: by then fire is within {within} of it, "
        f"less {duration_words(result.plan.roads.smoke_lead_s)} for smoke. Roads may shut earlier for reasons no model "
        "sees."
    )
