"""What the household and the drill share: what is asked made ready, and every way of leaving timed under fires."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.fires.closing import StretchCells, closing_times, select, stretch_cells
from leaveby.decision.fires.design import FIRES, JUDGED_BY, PARTS
from leaveby.decision.fires.members import MORNINGS, Members
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, central_ignitions, prepare
from leaveby.decision.household.phases import last_exits_s, phases_of
from leaveby.decision.ways.result import Phases, WayTiming
from leaveby.decision.ways.roads import CandidateRoute, WayRoads, roads_for
from leaveby.decision.ways.route_fires import choose_routes, gather_routes, refuge_routes, share_burnt
from leaveby.decision.ways.timing import ChosenRoute, time_way
from leaveby.errors import refused
from leaveby.fire.arrival.solve import Arrival, arrive
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.household.catalogue import LISTS
from leaveby.household.plan import ways
from leaveby.household.plan_tables import Way
from leaveby.roads.network.graph import RoutingGraph, csr


@dataclass(frozen=True)
class Asked:
    """What is asked, made ready: the ground, the roads of each way, and the stretches whose closing matters.

    - `refuges`: the quickest way to each place of last resort, by each way of leaving.
    - `column_of`: where each edge of those routes stands among the `watched`.
    """

    scenario: Scenario
    cells: StretchCells
    graph: RoutingGraph
    roads: Mapping[Way, WayRoads]
    candidates: Mapping[Way, tuple[CandidateRoute, ...]]
    refuges: tuple[tuple[Way, CandidateRoute], ...]
    watched: StretchCells
    column_of: Mapping[int, int]
    workers: int


def made_ready(inputs: HouseholdInputs, *, workers: int) -> Asked:
    """Put everything on one grid, and gather the routes worth timing."""
    scenario = prepare(inputs)
    network = scenario.network
    cells = stretch_cells(inputs.terrain.grid, list(network.geometry), standoff_m=inputs.plan.roads.standoff_m)
    graph = csr(network)
    roads = {way: roads_for(scenario, way, inside=cells.inside) for way in ways(inputs.plan)}
    candidates = gather_routes(scenario, roads, graph=graph)
    refuges = refuge_routes(scenario, roads, graph=graph)
    known = [*(one for found in candidates.values() for one in found), *(one for _, one in refuges)]
    edges = sorted({edge for one in known for edge in one.edges})
    return Asked(
        scenario=scenario,
        cells=cells,
        graph=graph,
        roads=roads,
        candidates=candidates,
        refuges=refuges,
        watched=select(cells, np.array(edges, dtype=np.int64)),
        column_of={edge: column for column, edge in enumerate(edges)},
        workers=workers,
    )


COPIES: Final = 6
"""Of what is known of all members, so many stand side by side at most (measured: up to 4.8)."""

BASE_BYTES: Final = 7e8
WORK_BYTES: Final = 1.5e8
CELL_BYTES: Final = 1500.0
"""What the libraries take, reading functions piece by piece, and each cell beside what is solved on it (measured)."""


def room_needed(asked: Asked) -> tuple[float, float]:
    """Estimate from above the memory that an answer takes, in bytes: for all but the members, and for each of them."""
    plan, grid = asked.scenario.inputs.plan, asked.scenario.inputs.terrain.grid
    wide = asked.scenario.inputs.wide
    cells = grid.rows * grid.cols + (wide.terrain.grid.rows * wide.terrain.grid.cols if wide else 0)
    columns = len(asked.column_of) + len(asked.scenario.safe_cells) + 2
    own = 5 + 2 * len(asked.scenario.starts) + len(plan.tasks) + 2 * len(plan.people)
    lists = LISTS * len(plan.tasks) * (2 * len(plan.people) + 3) + MORNINGS * len(plan.tasks) * 8
    fires = columns * (len(asked.scenario.starts) * FIRES * (PARTS + 1) * COPIES + (PARTS + 1) * JUDGED_BY * 2)
    fixed = BASE_BYTES + WORK_BYTES + cells * (CELL_BYTES + 200.0 * asked.workers) + 8.0 * (fires + lists)
    return fixed, 8.0 * COPIES * (columns + own)


def refuse_too_large(asked: Asked, *, room_bytes: float) -> None:
    """Refuse what would not fit into the memory there is (InputError), with the members that would."""
    plan = asked.scenario.inputs.plan
    fixed, each = room_needed(asked)
    if (needed := fixed + each * plan.members) <= room_bytes:
        return
    fits = int((room_bytes - fixed) / each) // 100 * 100
    needed_gb, room_gb = needed / 1e9, room_bytes / 1e9
    starts, stretches = len(asked.scenario.starts), len(asked.column_of)
    if fits < 100:
        raise refused(
            "terrain.cell_m", "plan_beyond_memory", needed=needed_gb, room=room_gb, starts=starts, stretches=stretches
        )
    raise refused(
        "plan.members",
        "members_beyond_memory",
        members=plan.members,
        fits=fits,
        needed=needed_gb,
        room=room_gb,
        starts=starts,
        stretches=stretches,
    )


@dataclass(frozen=True)
class Timed:
    """Every way of leaving, timed under the members' fires.

    - `arrival`, `closing_s`: in the central run, the front, and when each edge shuts; inf without a fire.
    - `burnt_share`: by safe point, the share of members in which fire reaches it.
    - `way_phases`, `phases`: of each way of leaving, and of the household.
    """

    asked: Asked
    members: Members
    arrival: Arrival
    closing_s: NDArray[np.float64]
    burnt_share: Mapping[str, float]
    chosen: Mapping[Way, ChosenRoute]
    ways: Mapping[str, WayTiming]
    way_phases: Mapping[str, Phases]
    phases: Phases


def time_ways(asked: Asked, members: Members, *, central: SpreadTable) -> Timed:
    """Choose a route for every way of leaving and time it, with the central run's fire beside."""
    scenario, plan = asked.scenario, asked.scenario.inputs.plan
    arrival = _arrival(scenario, central)
    closing_s = closing_times(asked.cells, arrival.time_s, smoke_lead_s=plan.roads.smoke_lead_s)
    burnt_share = share_burnt(scenario, members.fires)
    chosen = choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share)
    timings: dict[str, WayTiming] = {
        way: time_way(scenario, roads, chosen=chosen.get(way), members=members, central_closing_s=closing_s)
        for way, roads in asked.roads.items()
    }
    way_phases, phases = phases_of(
        scenario,
        timings,
        candidates=asked.candidates,
        chosen=chosen,
        members=members,
        central_exit_s=last_exits_s(scenario, asked.roads, graph=asked.graph, closing_s=closing_s),
    )
    return Timed(asked, members, arrival, closing_s, burnt_share, chosen, timings, way_phases, phases)


def _arrival(scenario: Scenario, central: SpreadTable) -> Arrival:
    """Solve the central run; nothing comes where the plan has no fire."""
    horizon_s = scenario.inputs.plan.horizon_s
    if scenario.starts:
        return arrive(central, central_ignitions(scenario), horizon_s=horizon_s)
    return Arrival(central.grid, np.full(central.grid.shape, np.inf), central.zone >= 0, horizon_s)
