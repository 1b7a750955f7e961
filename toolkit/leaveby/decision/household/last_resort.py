"""The other side of the decision: what the last resort would have to withstand, and which place could be reached."""

from __future__ import annotations

import numpy as np

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.scenario import Scenario, table_at
from leaveby.decision.household.timed import Timed
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.decision.ways.timing import readiness_of, route_latest_s
from leaveby.fire.spread.ellipse import SLOPE_FACTOR_PER_DEG, SLOPE_LIMIT_DEG
from leaveby.fire.spread.flames import fuel_flame_length_m
from leaveby.fire.terrain import slope_deg
from leaveby.household.heat import radiant_heat
from leaveby.household.plan_tables import Way
from leaveby.household.shelter import LastResort, Place, last_resort

REACH_OF_FLAMES_M = 100.0
"""Vegetation farther from the house than this does not count for radiant heat (AS 3959)."""


def last_resort_side(timed: Timed) -> LastResort:
    """Work out the last resort of the scenario; leaving ends when every road is shut on most such days."""
    scenario, fires = timed.asked.scenario, timed.members.fires
    closing = readiness_of(scenario, "shelter", timed.members.draws)
    return last_resort(
        scenario.inputs.plan,
        shelter_ready_s=closing.ready_s,
        policy=closing.policy,
        ember_arrival_s=fires.ember_s,
        front_arrival_s=fires.point_arrival_s[:, 0],
        leaving_ends_s=timed.phases.shut_from_s,
        heat_kw_m2=heat_on_house(scenario) if scenario.starts else None,
        places=[_place(timed, way, route) for way, route in timed.asked.refuges],
    )


def heat_on_house(scenario: Scenario) -> float:
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
    table = table_at(scenario, z=0.0)
    east, north = scenario.gradients
    steepest_deg = float(min(slope_deg(east[near], gradient_north=north[near]).max(), SLOPE_LIMIT_DEG))
    ends_s = np.append(table.time_s[1:], np.inf)
    steps = (table.time_s < plan.horizon_s) & (ends_s > 0.0)
    ros_m_s = table.flat_head_ros_m_s[steps][:, zones].max(axis=0) * np.exp(SLOPE_FACTOR_PER_DEG * steepest_deg)
    flames_m = [fuel_flame_length_m(scenario.zones.types[zone], ros) for zone, ros in zip(zones, ros_m_s, strict=True)]
    return float(np.max(radiant_heat(clear_m, flame_length_m=flames_m, slope_deg=steepest_deg)))


def _place(timed: Timed, way: Way, route: CandidateRoute) -> Place:
    """Say until when a place of last resort can be reached, at the asked confidence, and how often fire comes there."""
    scenario = timed.asked.scenario
    latest_s = route_latest_s(scenario, route, members=timed.members)
    return Place(
        name=route.safe_point,
        way=way,
        distance_m=float(scenario.network.length_m[np.asarray(route.edges, dtype=np.int64)].sum()),
        travel_s=route.time_s + route.held_up_s,
        open_until_s=latest_at_confidence(latest_s, scenario.inputs.plan.confidence),
        burnt_share=timed.burnt_share.get(route.safe_point, 0.0),
    )
