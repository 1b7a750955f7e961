"""Leave-by times: ready time, drive and closing brought together, for each way of leaving."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.members import MORNINGS, Draws, Members, first_of, plan_draws
from leaveby.decision.fires.scenario import Scenario
from leaveby.decision.ways.confidence import latest_on_route, latest_start, precision_of, quantiles_of, share_clear
from leaveby.decision.ways.neighbours import held_up
from leaveby.decision.ways.result import WAY_WORDS, HeldUp, WayRoute, WayTiming
from leaveby.decision.ways.roads import CandidateRoute, WayRoads
from leaveby.decision.ways.sensitivity import cost_of_delay, cost_of_tasks, hangs_on
from leaveby.household.plan import Plan, uncertain_people
from leaveby.household.plan_tables import TaskWay, Way
from leaveby.household.practice.learned import missed_s, practised_durations
from leaveby.household.readiness import Mornings, Readiness, criticality, held_up_by, readiness, saved_before_season
from leaveby.household.sampling import sample_arrivals
from leaveby.household.scheduling import Schedule
from leaveby.roads.routing.itinerary import route_along

CURVE_STEP_S: Final = 300.0
NO_FIRE: Final = (
    "Your plan names no fire of its own, so no times of the clock were worked out: go by the rules, by the official "
    "rating of the day."
)
SHARE_SLACK: Final = 1e-9
"""1 - 0.95 is a trifle less than 0.05."""
_SLACK_S: Final = 1e-6
"""Sums in another order differ in their last digits."""


def route_latest_s(scenario: Scenario, candidate: CandidateRoute, *, members: Members) -> NDArray[np.float64]:
    """Give each member's latest departure on one route, shape (members,)."""
    return latest_on_route(
        members.closing_on(candidate.edges),
        candidate.edge_time_s,
        margin_s=scenario.inputs.plan.margin_s,
        drive_factor=members.draws.drive_factor,
        holds=candidate.holds,
    )


@dataclass(frozen=True)
class ChosenRoute:
    """The one route that a way of leaving is timed on.

    - `route`: the route to take.
    - `ruled_by`: the route whose closings give the times: the same one, or an earlier one where fire comes to every
      safe point.
    """

    route: CandidateRoute
    ruled_by: CandidateRoute


def best_route(
    scenario: Scenario,
    candidates: Sequence[CandidateRoute],
    *,
    members: Members,
    burnt_share: Mapping[str, float],
) -> ChosenRoute:
    """Choose the one route to time a way of leaving on: the one with the latest departure at the asked confidence.

    The household takes no part in that: how long getting ready takes comes off every route alike. Equal departures go
    to the route that is clear in more members an hour later, then to the quicker one.

    Routes to a safe point that fire reaches within the horizon in more members than the confidence allows count only
    when there is no other. Then it can't be told which of the safe points will be spared, and times go by the earliest
    of them, each by its best route; so one more fire never makes a time later, not even where it is the last safe point
    that falls away.
    """
    confidence = scenario.inputs.plan.confidence
    spared = [one for one in candidates if burnt_share[one.safe_point] <= 1.0 - confidence + SHARE_SLACK]

    def merit(candidate: CandidateRoute) -> tuple[float, float, float]:
        latest_s = route_latest_s(scenario, candidate, members=members)
        at_s = latest_at_confidence(latest_s, confidence)
        later = float(np.mean(latest_s >= at_s + 3600.0)) if np.isfinite(at_s) else 1.0
        return (at_s, later, -candidate.time_s)

    best = max(spared or candidates, key=merit)
    if spared:
        return ChosenRoute(best, best)
    ends = dict.fromkeys(one.safe_point for one in candidates)
    best_there = [max((one for one in candidates if one.safe_point == end), key=merit) for end in ends]
    return ChosenRoute(best, min(best_there, key=merit))


def departures(scenario: Scenario, chosen: ChosenRoute | None) -> Callable[[Members], NDArray[np.float64]]:
    """Give the function from members to their latest departures on a chosen route; -inf where there is none."""
    if chosen is None:
        return lambda members: np.full(members.draws.members, -np.inf)
    return lambda members: route_latest_s(scenario, chosen.ruled_by, members=members)


def described_route(
    scenario: Scenario, candidate: CandidateRoute, *, travel_time_s: NDArray[np.float64], closing_s: NDArray[np.float64]
) -> WayRoute:
    """Describe a route by its streets, and by what shuts first in the central run's fire."""
    network = scenario.network
    way = route_along(
        network,
        candidate.edges,
        start=scenario.home_node,
        travel_time_s=travel_time_s,
        closing_s=closing_s,
        margin_s=scenario.inputs.plan.margin_s,
    )
    corners = [
        shapely.get_coordinates(network.geometry[edge])[0 if number == 0 else 1 :]
        for number, edge in enumerate(way.edges)
    ]
    return WayRoute(
        safe_point=candidate.safe_point,
        edges=way.edges,
        length_m=way.length_m,
        time_s=way.time_s,
        steps=way.steps,
        line=shapely.LineString(np.concatenate(corners)),
        closes_first=way.closes_first,
        closes_first_s=way.closes_first_s,
    )


def mornings_of(scenario: Scenario, draws: Draws) -> Mornings:
    """Give every member's task durations and when every person is home, common to all ways of leaving."""
    return mornings_of_plan(scenario.inputs.plan, draws)


def listed_for(plan: Plan, way: TaskWay) -> Schedule:
    """Give the list of a way that is ready soonest, as an answer follows it unless the fires ask for another."""
    draws = first_of(plan_draws(plan, plan.members), MORNINGS)
    return readiness(mornings_of_plan(plan, draws), way, confidence=plan.confidence).policy


def mornings_of_plan(plan: Plan, draws: Draws) -> Mornings:
    """Give the same for a plan without its place."""
    mornings = min(draws.members, MORNINGS)
    runs, uniforms = plan.practice.runs if plan.practice else (), draws.duration_uniform[:mornings]
    drawn_s = practised_durations(plan.tasks, runs, members=mornings, kind=plan.durations, uniforms=uniforms)
    home_s = sample_arrivals(plan.people, members=draws.members, kind=plan.durations, uniforms=draws.arrival_uniform)
    missed = missed_s(plan, runs, confidence=plan.confidence)
    return Mornings(plan, np.resize(drawn_s, (draws.members, len(plan.tasks))), home_s, missed)


def readiness_of(
    scenario: Scenario, way: TaskWay, draws: Draws, *, latest_departure_s: NDArray[np.float64] | None = None
) -> Readiness:
    """Choose the list of one way, and how long getting ready takes by it in every member.

    It is the list that is ready soonest; with latest departures, the one with which getting ready may start latest.
    """
    first = first_of(draws, MORNINGS)
    leave_s = None if latest_departure_s is None else latest_departure_s[: first.members]
    confidence = scenario.inputs.plan.confidence
    found = readiness(mornings_of(scenario, first), way, confidence=confidence, latest_departure_s=leave_s)
    # what the household's mornings took is repeated over all members
    return replace(
        found,
        ready_s=np.resize(found.ready_s, draws.members),
        catalogue_s=np.resize(found.catalogue_s, draws.members),
    )


def readiness_that_clears(
    scenario: Scenario, way: Way, draws: Draws, *, latest_departure_s: NDArray[np.float64]
) -> Readiness:
    """Choose the list of one way so that one statement holds: see `confidence.latest_start`.

    The list that is ready soonest, as long as the asked share of members gets clear by it, each with its own fire, when
    it is begun at the latest departure less the ready time. It nearly always does: those who are late in getting ready
    are seldom those whom the fire leaves least time. Where it does not, the list with which one may start latest.
    """
    found = readiness_of(scenario, way, draws)
    confidence = scenario.inputs.plan.confidence
    start_s = latest_at_confidence(latest_departure_s, confidence) - found.at_confidence_s
    clears = all(
        latest_at_confidence(latest_departure_s - ready_s, confidence) >= start_s - _SLACK_S
        for ready_s in (found.ready_s, found.catalogue_s)
    )
    if clears or not np.isfinite(start_s):
        return found
    return readiness_of(scenario, way, draws, latest_departure_s=latest_departure_s)


def time_way(
    scenario: Scenario,
    roads: WayRoads,
    *,
    chosen: ChosenRoute | None,
    members: Members,
    central_closing_s: NDArray[np.float64],
) -> WayTiming:
    """Time one way of leaving on its chosen route; without a route it has no times, and says why."""
    plan, way, draws = scenario.inputs.plan, roads.way, members.draws
    mornings = mornings_of(scenario, draws)
    latest_of = departures(scenario, chosen)
    latest_departure_s = latest_of(members)
    found = readiness_that_clears(scenario, way, draws, latest_departure_s=latest_departure_s)
    policy, ready_s = found.policy, found.ready_s
    latest_start_s = latest_departure_s - ready_s
    start_at_s = latest_start(latest_departure_s, ready_s=ready_s, confidence=plan.confidence)
    leave_at_s = latest_at_confidence(latest_departure_s, plan.confidence)
    drive_s = np.full(draws.members, np.inf)
    if chosen is not None:
        drive_s = chosen.route.drive_s(draws.drive_factor, leave_s=leave_at_s)
    if chosen is None:
        why = roads.why_none
    else:
        why = "" if np.isfinite(start_at_s) else why_unbounded(scenario, way, latest_departure_s)
    moments_s = curve_moments(latest_start_s)
    return WayTiming(
        way=way,
        ready_s=quantiles_of(ready_s),
        drive_s=quantiles_of(drive_s),
        required_s=quantiles_of(ready_s + drive_s),
        ready_at_confidence_s=found.at_confidence_s,
        ready_rounded_up_s=found.rounded_up_s,
        latest_start_s=start_at_s if np.isfinite(start_at_s) else None,
        latest_departure_s=leave_at_s if np.isfinite(leave_at_s) else None,
        why=why,
        fits=chosen is not None,
        route=None
        if chosen is None
        else described_route(scenario, chosen.route, travel_time_s=roads.time_s, closing_s=central_closing_s),
        start_s=moments_s,
        clear_probability=share_clear(latest_start_s, moments_s),
        member_latest_start_s=np.sort(latest_start_s),
        member_latest_departure_s=latest_departure_s,
        member_ready_s=ready_s,
        schedule=policy,
        critical_share=criticality(mornings, way, policy=policy),
        held_up_by=held_up_by(mornings, way, policy=policy),
        savings=saved_before_season(mornings, way, confidence=plan.confidence, policy=policy),
        precision=precision_of(members, latest_of, ready_s=ready_s, confidence=plan.confidence),
        delay_cost=cost_of_delay(latest_start_s, start_at_s) if np.isfinite(start_at_s) else 0.0,
        task_costs=cost_of_tasks(
            mornings, way, policy=policy, latest_departure_s=latest_departure_s, confidence=plan.confidence
        ),
        hangs_on=()
        if chosen is None
        else hangs_on(latest_start_s, draws, ready_s=ready_s, ignitions=plan.ignitions, people=uncertain_people(plan)),
        held_up=held_up_on(scenario, roads, None if chosen is None else chosen.route),
    )


def held_up_on(scenario: Scenario, roads: WayRoads, route: CandidateRoute | None) -> HeldUp | None:
    """Tell what the neighbours' cars are worth on a route."""
    if roads.neighbours is None or route is None:
        return None
    return held_up(roads.neighbours, scenario.network, route.edges, counted_s=route.held_up_s)


def why_unbounded(scenario: Scenario, way: Way, latest_departure_s: NDArray[np.float64]) -> str:
    """Say why no time can be named: fire shuts the way in too few members."""
    plan = scenario.inputs.plan
    if not plan.has_worked_day:
        return NO_FIRE
    shut = 100.0 * float(np.mean(np.isfinite(latest_departure_s)))
    return (
        f"In {shut:.0f} % of such days fire shuts this way within {plan.horizon_s / 3600.0:g} hours: too "
        f"few to name a time {WAY_WORDS[way]}. That is no leave to stay: leave early, and as officially directed."
    )


def curve_moments(latest_start_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Choose the moments of the clear-probability curve: every five minutes from when all are clear to when none is."""
    bounded = latest_start_s[np.isfinite(latest_start_s)]
    if bounded.size == 0:
        return np.array([0.0])
    first = np.floor(bounded.min() / CURVE_STEP_S) - 1.0
    last = np.ceil(bounded.max() / CURVE_STEP_S)
    # Fires that miss the route for hours would stretch the curve over days of nothing: it keeps to 300 points.
    step = max(1.0, np.ceil((last - first) / 300.0))
    return np.asarray(np.arange(min(first, 0.0), last + step, step) * CURVE_STEP_S, dtype=np.float64)
