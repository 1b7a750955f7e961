"""The members' fires on the routes: which routes are worth timing, what every fire does to them, which one to take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.closing import StretchCells
from leaveby.decision.confidence import latest_at_confidence
from leaveby.decision.members import (
    Draws,
    MemberFires,
    Progress,
    TableOf,
    earliest_about,
    run_closings,
    run_members,
)
from leaveby.decision.scenario import Scenario, burns_about, member_ignitions
from leaveby.decision.timing import arrivals_of, best_route, durations_of, route_latest_s
from leaveby.decision.ways_out import CandidateRoute, WayRoads, candidate_routes
from leaveby.fire.arrival import Ignition
from leaveby.fire.ellipse import SpreadTable
from leaveby.fire.embers import ember_arrival_at, growing_since_s, spotting_loads_t_ha
from leaveby.household.plan import Way, ways
from leaveby.household.readiness import ready_times
from leaveby.roads.network import RoutingGraph

BATCH: Final = 125
PILOT_MEMBERS: Final = 12


def gather_routes(
    scenario: Scenario,
    roads: Mapping[Way, WayRoads],
    *,
    table_of: TableOf,
    draws: Draws,
    cells: StretchCells,
    graph: RoutingGraph,
    workers: int,
) -> dict[Way, tuple[CandidateRoute, ...]]:
    """Gather the routes worth timing, with some of the first batch's fires as pilots, the slowest to the fastest.

    Parameters
    ----------
    scenario : Scenario
    roads : mapping of way to WayRoads
    table_of : callable
        Spread table of member i of the draws.
    draws : Draws
    cells : StretchCells
        Of all roads.
    graph : RoutingGraph
    workers : int
    """
    plan = scenario.inputs.plan
    spread = np.argsort(draws.ros_z[:BATCH], kind="stable")
    pilots = spread[np.linspace(0, spread.size - 1, min(PILOT_MEMBERS, spread.size)).astype(int)]
    closings = run_closings(
        pilots.size,
        lambda number: table_of(int(pilots[number])),
        ignitions_of=lambda number: member_ignitions(scenario, draws=draws, member=int(pilots[number])),
        horizon_s=plan.horizon_s,
        watched=cells,
        smoke_lead_s=plan.roads.smoke_lead_s,
        workers=workers,
    )
    return {
        way: () if found.why_none else candidate_routes(scenario, found, graph=graph, pilot_closing_s=list(closings))
        for way, found in roads.items()
    }


def solve_fires(
    scenario: Scenario,
    *,
    table_of: TableOf,
    draws: Draws,
    watched: StretchCells,
    workers: int,
    progress: Progress | None = None,
) -> MemberFires:
    """Solve every member's fire: closings of the watched stretches, arrival at home and safe points, embers at home.

    Parameters
    ----------
    scenario : Scenario
    table_of : callable
        Spread table of member i of the draws.
    draws : Draws
    watched : StretchCells
    workers : int
    progress : callable, optional
        Called with (members done, members).
    """
    plan = scenario.inputs.plan
    return run_members(
        draws.members,
        table_of,
        ignitions_of=lambda member: member_ignitions(scenario, draws=draws, member=member),
        horizon_s=plan.horizon_s,
        watched=watched,
        smoke_lead_s=plan.roads.smoke_lead_s,
        points=(scenario.home_cell, *scenario.safe_cells.values()),
        embers_at=lambda table, fires, time_s, cell: embers_at(scenario, table, fires, time_s=time_s, cell=cell),
        workers=workers,
        progress=progress,
    )


def embers_at(
    scenario: Scenario,
    table: SpreadTable,
    ignitions: Sequence[Ignition],
    *,
    time_s: NDArray[np.float64],
    cell: tuple[int, int],
) -> float:
    """Give the earliest embers at a cell under one run's fires, in seconds: with the front about it at the latest."""
    row, col = cell
    ember_s = ember_arrival_at(
        table,
        time_s,
        row=row,
        col=col,
        loads_t_ha=spotting_loads_t_ha(scenario.zones),
        started_s=growing_since_s(ignitions),
    )
    earliest_s = min(ember_s, earliest_about(time_s, row, col=col))
    return earliest_s if earliest_s <= scenario.inputs.plan.horizon_s else np.inf


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
    fires: MemberFires,
    draws: Draws,
    column_of: Mapping[int, int],
    burnt_share: Mapping[str, float],
) -> dict[Way, CandidateRoute]:
    """Choose the one route of each way of leaving that has any (`timing.best_route`)."""
    durations_s, arrivals_s = durations_of(scenario, draws), arrivals_of(scenario, draws)
    return {
        way: best_route(
            scenario,
            found,
            closing_s=fires.closing_s,
            column_of=column_of,
            drive_factor=draws.drive_factor,
            ready_s=ready_times(scenario.inputs.plan, way, durations_s=durations_s, arrivals_s=arrivals_s),
            burnt_share=burnt_share,
        )
        for way, found in candidates.items()
        if found
    }


def leave_bys(
    scenario: Scenario,
    chosen: Mapping[Way, CandidateRoute],
    *,
    draws: Draws,
    closing_s: NDArray[np.float64],
    column_of: Mapping[int, int],
) -> dict[str, float | None]:
    """Give the latest start of each way on its chosen route under some members' closings; None when not bounded."""
    plan = scenario.inputs.plan
    durations_s, arrivals_s = durations_of(scenario, draws), arrivals_of(scenario, draws)
    latest: dict[str, float | None] = {}
    for way in ways(plan):
        latest[way] = None
        if way in chosen:
            leave_s = route_latest_s(
                scenario, chosen[way], closing_s=closing_s, column_of=column_of, drive_factor=draws.drive_factor
            )
            ready_s = ready_times(plan, way, durations_s=durations_s, arrivals_s=arrivals_s)
            at_s = latest_at_confidence(leave_s - ready_s, plan.confidence)
            latest[way] = at_s if np.isfinite(at_s) else None
    return latest
