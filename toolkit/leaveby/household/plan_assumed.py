"""What a plan leaves open and a default fills, in sentences, where it could save minutes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from leaveby.household.plan import TASK_WAYS, WAYS, Plan, uncertain_people, why_no_way
from leaveby.regions import WITH_RULES, country_of
from leaveby.units import min_from_s


def assumed(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    """Say what was assumed of a plan, given the document that it was made of."""
    yield from _assumed_values(plan, document)
    yield from _assumed_of_people(plan, document)
    yield from _assumed_of_tasks(plan, document)
    yield from _assumed_of_ways(plan)


def _assumed_values(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    asked, roads, weather = document["plan"], document["roads"], document["weather"]
    if "confidence" not in asked:
        yield f"The plan states no confidence; {plan.confidence:g} of the members have to be clear."
    if "margin_min" not in asked:
        yield f"The plan states no margin; {plan.margin_s / 60:g} minutes are kept before the closing of every stretch."
    if "durations" not in asked:
        spread = "task durations and arrivals are" if uncertain_people(plan) else "task durations are"
        yield f"The plan does not say how {spread} spread between shortest and longest; beta-PERT is used."
    if "standoff_m" not in roads:
        yield f"The plan states no stand-off; a stretch shuts once fire is within {plan.roads.standoff_m:g} m."
    if "smoke_lead_min" not in roads:
        yield f"The plan states no smoke lead; a stretch shuts {plan.roads.smoke_lead_s / 60:g} minutes before that."
    if country_of(plan.roads.region) in WITH_RULES:
        yield f"Where the road extract says nothing, the road rules of {plan.roads.region} are taken."
    else:
        yield (
            f"The road rules of {plan.roads.region} are not known here: where the road extract says nothing, usual "
            "speeds and heights are taken, and for towing only the limit of the plan."
        )
    if plan.roads.open_gates:
        yield f"The household can open these gates at once: {', '.join(plan.roads.open_gates)}."
    if "drought_factor" not in weather:
        yield "The plan states no drought factor; 10, the driest, is used."
    if not plan.weather.use_gusts:
        yield "The fire is driven by the mean wind; gusts carry it faster for short times."
    if plan.weather.fill_gaps:
        yield "Gaps in the weather may be filled."
    if plan.fire.set_m_s is not None:
        yield f"The head rate of spread is set by hand to {plan.fire.set_m_s * 3.6:g} km/h; no equation is used."
    elif "models" not in document.get("fire", {}):
        yield f"The plan names no rate-of-spread equation; the fastest of {', '.join(plan.fire.models)} governs."


def _assumed_of_people(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    at_home = [one["name"] for one in document["people"] if "arrives_after_min" not in one]
    if at_home:
        yield f"At home from the start, since the plan says nothing else: {', '.join(at_home)}."
    idle = [one.name for one in plan.people if not one.can]
    if idle:
        yield f"Takes no task, since the plan lists nothing that they can do: {', '.join(idle)}."
    late = [one for one in plan.people if one.is_away]
    if late:
        yield f"Nobody leaves before everyone has arrived; waited for: {', '.join(one.name for one in late)}."
    for one in late:
        soonest_min, likely_min, latest_min = (min_from_s(point_s) for point_s in one.arrival_points_s)
        if one.arrival_is_uncertain:
            yield (
                f"{one.name} comes home {soonest_min:g} to {latest_min:g} minutes after getting ready starts, likely "
                f"{likely_min:g}: not certain, so every member has its own."
            )
        else:
            yield f"Taken as certain: {one.name} is home {likely_min:g} minutes after getting ready starts."


def _assumed_of_tasks(plan: Plan, document: Mapping[str, Any]) -> Iterator[str]:
    alone = [one["name"] for one in document["tasks"] if "hands" not in one and not one.get("done_before_season")]
    if alone:
        yield f"One person is enough, since the plan says nothing else, for: {', '.join(alone)}."
    done = [task.name for task in plan.tasks if task.done_before_season]
    if done:
        yield f"Taken as done before the season, so without time today: {', '.join(done)}."
    seats = [one.name for one in plan.vehicles if one.kind == "car" and one.seats is None]
    if seats:
        yield f"Everyone is taken to fit in, since the plan states no seats of: {', '.join(seats)}."
    power = [one.name for one in plan.vehicles if one.kind == "car" and one.power_kw is None]
    if power:
        yield f"Hills do not slow these cars, since the plan states no power of: {', '.join(power)}."


def _assumed_of_ways(plan: Plan) -> Iterator[str]:
    reach = {way for point in plan.safe_points if point.kind == "safe_point" for way in point.ways}
    for way in WAYS:
        reason = why_no_way(plan, way)
        if reason is not None:
            if way == "car" or any(one.kind == "trailer" for one in plan.vehicles):
                yield f"Leaving by {way} is not worked out. {reason}"
            continue
        if way not in reach:
            yield f"No safe point takes {way}, so leaving by {way} has nowhere to end."
    for task_way in TASK_WAYS:
        for task in plan.tasks:
            if task_way not in task.ways or task.done_before_season:
                continue
            absent = [name for name in task.after if task_way not in _ways_of(plan, name)]
            if absent:
                yield f"For {task_way}, '{task.name}' does not wait for {_quoted(absent)}, which are not done then."


def _ways_of(plan: Plan, name: str) -> tuple[str, ...]:
    return next(task.ways for task in plan.tasks if task.name == name)


def _quoted(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
