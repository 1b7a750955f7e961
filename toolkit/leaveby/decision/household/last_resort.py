"""The other side of the decision: what the last resort would have to withstand, and which place could be reached."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.members import Draws
from leaveby.decision.fires.scenario import FireChoice, Scenario, table_at
from leaveby.decision.ways.roads import CandidateRoute, WayRoads
from leaveby.decision.ways.timing import readiness_of
from leaveby.fire.spread.ellipse import SLOPE_FACTOR_PER_DEG, SLOPE_LIMIT_DEG
from leaveby.fire.spread.flames import fuel_flame_length_m
from leaveby.fire.terrain import slope_deg
from leaveby.household.heat import radiant_heat
from leaveby.household.plan import Way
from leaveby.household.shelter import LastResort, Place, last_resort
from leaveby.roads.network.graph import RoutingGraph
from leaveby.roads.routing.itinerary import route
from leaveby.roads.routing.latest_departure import latest_departure

REACH_OF_FLAMES_M = 100.0
"""Vegetation farther from the house than this does not count for radiant heat (AS 3959)."""


def last_resort_side(
    scenario: Scenario,
    draws: Draws,
    *,
    front_arrival_s: NDArray[np.float64],
    ember_arrival_s: NDArray[np.float64],
    leaving_ends_s: float,
    choice: FireChoice,
    places: Sequence[Place],
) -> LastResort:
    """Work out the last resort of the scenario.

    Parameters
    ----------
    scenario : Scenario
    draws : Draws
    front_arrival_s, ember_arrival_s : ndarray of float64, shape (members,)
        At the home.
    leaving_ends_s : float
        When every road is shut in most runs (`Phases.shut_from_s` of the household).
    choice : FireChoice
    places : sequence of Place
        Places of last resort with the way there.
    """
    closing = readiness_of(scenario, "shelter", draws)
    return last_resort(
        scenario.inputs.plan,
        shelter_ready_s=closing.ready_s,
        policy=closing.policy,
        ember_arrival_s=ember_arrival_s,
        front_arrival_s=front_arrival_s,
        leaving_ends_s=leaving_ends_s,
        heat_kw_m2=heat_on_house(scenario, choice),
        places=places,
    )


def heat_on_house(scenario: Scenario, choice: FireChoice) -> float:
    """Give the radiant heat on the house from the fastest front in the fuel around it, in kW/m2.

    The fuel with the longest flames within 100 m of the house counts, as if it stood at the stated clear distance (none
    stated: none counted); the ground is taken to fall away under it as steeply as it does anywhere there, up to 20
    degrees.
    """
    plan, grid = scenario.inputs.plan, scenario.inputs.terrain.grid
    clear_m = plan.house.clear_m or 0.0
    row, col = scenario.home_cell
    span = int(np.ceil(REACH_OF_FLAMES_M / grid.cell_m))
    near = (slice(max(row - span, 0), row + span + 1), slice(max(col - span, 0), col + span + 1))
    zones = np.unique(scenario.zones.zone[near])
    zones = zones[zones >= 0]
    if zones.size == 0:
        return 0.0
    table = table_at(scenario, choice, z=0.0)
    east, north = scenario.gradients
    steepest_deg = float(min(slope_deg(east[near], gradient_north=north[near]).max(), SLOPE_LIMIT_DEG))
    ends_s = np.append(table.time_s[1:], np.inf)
    steps = (table.time_s < plan.horizon_s) & (ends_s > 0.0)
    ros_m_s = table.flat_head_ros_m_s[steps][:, zones].max(axis=0) * np.exp(SLOPE_FACTOR_PER_DEG * steepest_deg)
    flames_m = [fuel_flame_length_m(scenario.zones.types[zone], ros) for zone, ros in zip(zones, ros_m_s, strict=True)]
    return float(np.max(radiant_heat(clear_m, flame_length_m=flames_m, slope_deg=steepest_deg)))


@dataclass(frozen=True)
class RefugeRoute:
    """The quickest way to a place of last resort, by one way of leaving."""

    way: Way
    route: CandidateRoute


def refuge_routes(scenario: Scenario, roads: Mapping[Way, WayRoads], *, graph: RoutingGraph) -> tuple[RefugeRoute, ...]:
    """Find the quickest way to every place of last resort, by car and on foot; the house is not towed there."""
    never = np.full(scenario.network.edge_count, np.inf)
    found = []
    for way, usable in roads.items():
        for place in scenario.inputs.plan.safe_points:
            if way == "tow" or place.kind != "place_of_last_resort" or way not in place.ways:
                continue
            node = scenario.safe_nodes[place.name]
            result = latest_departure(graph, usable.travel.time_s, closing_s=never, targets=node)
            best = route(scenario.network, result, scenario.home_node)
            if best is not None and best.edges:
                time_s = usable.travel.time_s[np.asarray(best.edges, dtype=np.int64)]
                found.append(RefugeRoute(way, CandidateRoute(place.name, best.edges, time_s)))
    return tuple(found)


def refuge_place(scenario: Scenario, refuge: RefugeRoute, *, latest_s: NDArray[np.float64]) -> Place:
    """Say until when a place of last resort can be reached, at the asked confidence.

    Parameters
    ----------
    scenario : Scenario
    refuge : RefugeRoute
    latest_s : ndarray of float64, shape (members,)
        Latest departure on its route.
    """
    edges = np.asarray(refuge.route.edges, dtype=np.int64)
    return Place(
        name=refuge.route.safe_point,
        way=refuge.way,
        distance_m=float(scenario.network.length_m[edges].sum()),
        travel_s=refuge.route.time_s,
        open_until_s=latest_at_confidence(latest_s, scenario.inputs.plan.confidence),
    )
