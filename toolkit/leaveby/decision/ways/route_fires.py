"""The members' fires on the routes: which routes are worth timing, what every fire does to them, which one to take."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.members import MemberFires, Members
from leaveby.decision.fires.scenario import Scenario, burns_about
from leaveby.decision.ways.roads import CandidateRoute, WayRoads, along, candidate_routes, with_no_fire
from leaveby.decision.ways.timing import ChosenRoute, best_route, route_latest_s
from leaveby.household.plan import ways
from leaveby.household.plan_tables import Way
from leaveby.roads.network.graph import RoutingGraph
from leaveby.roads.routing.itinerary import route

LATTICE: Final = 4
LATTICE_ROS_M_S: Final = 1.0
"""Fires of the lattice: so many to a side, and how fast they spread (an hour for 3.6 km)."""


def gather_routes(
    scenario: Scenario, roads: Mapping[Way, WayRoads], *, graph: RoutingGraph
) -> dict[Way, tuple[CandidateRoute, ...]]:
    """Gather the routes worth timing, by the roads alone: neither the household nor the plan's fires take part.

    Were they found under the plan's own fires, one more ignition could bring up a better route than was known before,
    and so a later leave-by. Fires are set instead on a lattice over the modelled ground, one at a time, each a circle
    that grows at a steady speed: whatever side fire comes from, a way round it is among the routes.
    """
    closings = _lattice_closings(scenario)
    return {
        way: () if found.why_none else candidate_routes(scenario, found, graph=graph, pilot_closing_s=closings)
        for way, found in roads.items()
    }


def refuge_routes(
    scenario: Scenario, roads: Mapping[Way, WayRoads], *, graph: RoutingGraph
) -> tuple[tuple[Way, CandidateRoute], ...]:
    """Find the quickest way to every place of last resort, by car and on foot; the house is not towed there."""
    found = []
    for way, usable in roads.items():
        for place in scenario.inputs.plan.safe_points:
            if way == "tow" or place.kind != "place_of_last_resort" or way not in place.ways:
                continue
            quickest = with_no_fire(graph, usable.travel.time_s, targets=scenario.safe_nodes[place.name])
            best = route(scenario.network, quickest, scenario.home_node)
            if best is not None and best.edges:
                found.append((way, along(best, place.name, roads=usable)))
    return tuple(found)


def _lattice_closings(scenario: Scenario) -> list[NDArray[np.float64]]:
    """When each stretch of road would shut under a circle of fire from each point of the lattice."""
    grid = scenario.inputs.terrain.grid
    share = (np.arange(LATTICE) + 0.5) / LATTICE
    x_m = grid.x_min_m + share * grid.cols * grid.cell_m
    y_m = grid.y_max_m - share * grid.rows * grid.cell_m
    lines = np.asarray(scenario.network.geometry, dtype=object)
    return [shapely.distance(lines, shapely.Point(x, y)) / LATTICE_ROS_M_S for x in x_m for y in y_m]


def share_burnt(scenario: Scenario, fires: MemberFires) -> dict[str, float]:
    """Give the share of members in which fire reaches each safe point within the horizon.

    A point that stands amid bare ground by the fuel map is not reached, though fire may pass all round it.
    """
    reached = np.isfinite(fires.point_arrival_s[:, 1:]).mean(axis=0)
    return {
        name: float(share) if burns_about(scenario, cell) else 0.0
        for (name, cell), share in zip(scenario.safe_cells.items(), reached, strict=True)
    }


def choose_routes(
    scenario: Scenario,
    candidates: Mapping[Way, tuple[CandidateRoute, ...]],
    *,
    members: Members,
    burnt_share: Mapping[str, float],
) -> dict[Way, ChosenRoute]:
    """Choose the one route of each way of leaving that has any (`timing.best_route`)."""
    return {
        way: best_route(scenario, found, members=members, burnt_share=burnt_share)
        for way, found in candidates.items()
        if found
    }


def latest_departures(
    scenario: Scenario,
    chosen: Mapping[Way, ChosenRoute],
    *,
    members: Members,
) -> dict[str, float | None]:
    """Give the latest departure of each way on its chosen route under some members' closings; None when not bounded."""
    plan = scenario.inputs.plan
    latest: dict[str, float | None] = {}
    for way in ways(plan):
        latest[way] = None
        if way in chosen:
            leave_s = route_latest_s(scenario, chosen[way].ruled_by, members=members)
            at_s = latest_at_confidence(leave_s, plan.confidence)
            latest[way] = at_s if np.isfinite(at_s) else None
    return latest
