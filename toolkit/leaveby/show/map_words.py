"""What an exported map says of the things on it, in plain sentences: ways out, trigger lines, fire fronts, streets."""

from __future__ import annotations

from typing import Any

from shapely.geometry.base import BaseGeometry

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HouseholdResult, Rule, TriggerLine, WayTiming
from leaveby.household.plan_tables import SafePoint
from leaveby.show import wording
from leaveby.show.ground import Isochrone, trigger_edge
from leaveby.show.templates import sentences
from leaveby.units import distance_words


def caution_words(result: HouseholdResult) -> str:
    """Everything an export has to say before anything else: the override statement and the notices."""
    today, flat, notice = wording.today_words(result), wording.flat_words(result), wording.map_notice(result.network)
    said = [OVERRIDE, today, flat, PLANNING_AID, f"{notice}." if notice else ""]
    return " ".join(line for line in said if line)


def day_line(result: HouseholdResult) -> str:
    """Which day was computed, how sure its times are, and in which clock and units they stand."""
    return _said("day", result=result)


def way_name(way: WayTiming) -> str:
    """A way of leaving and where it ends."""
    title = wording.WAY_TITLES.get(way.way, wording.clean(way.way))
    return title if way.route is None else f"{title}: to {wording.clean(way.route.safe_point, 120)}"


def way_lines(result: HouseholdResult, way: WayTiming) -> list[str]:
    """By when to start and to roll, how far and how long it is, which street shuts first; or why there is no time."""
    said = [wording.by_when(result, way), wording.counts_words(result, way), wording.late_line(result, way)]
    if way.route is not None:
        away = distance_words(way.route.length_m, result.plan.measures)
        said += [f"To {wording.clean(way.route.safe_point, 120)}, {away}.", wording.need_line(way)]
        said += [wording.slower_line(result, way), wording.first_shut_line(result, way.route)]
    return [line for line in said if line]


def safe_point_line(point: SafePoint) -> str:
    """What a place of the plan is, and for which ways of leaving."""
    return _said("place", point=point)


def front_line(result: HouseholdResult, area: Isochrone) -> str:
    """What an isochrone means."""
    return _said("front", result=result, at_s=area.at_s)


def trigger_line(rule: Rule, kind: str) -> str:
    """What a line of a rule means."""
    return _said("line", rule=rule, of=kind, line=rule.go if kind == "go" else rule.late)


def trigger_words(result: HouseholdResult, trigger: TriggerLine, frame: BaseGeometry) -> tuple[bool, str]:
    """Whether a trigger line runs through a map's ground, `frame` in the grid's system, and what it says there."""
    drawn = not trigger_edge(result, trigger, frame).is_empty
    told = {"rating": result.rules.drawn[0].rating, "way": trigger.way, "drawn": drawn}
    return drawn, _said("trigger", inside=drawn or trigger.area.intersects(frame), **told)


def shut_line(result: HouseholdResult, at_s: float) -> str:
    """When a stretch of road shuts."""
    return _said("shut", result=result, at_s=at_s)


def _said(kind: str, **values: Any) -> str:
    return " ".join(sentences("show/map_words.txt.j2", kind=kind, **values))
