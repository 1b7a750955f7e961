"""Which way out for which fire: for fire at each place, the safe point to which the wheels may roll latest.

For each safe point the best route there has a lead-time map (see `triggers`). The largest of them at a place says which
way leaves most time when fire stands there.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter

from leaveby.decision.fires.members import Members
from leaveby.decision.fires.scenario import Scenario
from leaveby.decision.lines.triggers import area_of, lead_time_of
from leaveby.decision.ways.result import WAY_WORDS, WayOutArea
from leaveby.decision.ways.roads import CandidateRoute, WayRoads
from leaveby.decision.ways.timing import best_route
from leaveby.fire.terrain import Grid
from leaveby.parameters import TIE_S

UNTOUCHED: Final = 0
"""Code of ground from which fire reaches none of the routes, or where nothing burns."""

TOO_LATE: Final = -1
"""Code of ground from which fire leaves too little time on every route."""

MOST_SAFE_POINTS: Final = 16

WHICH_WAY_ASSUMPTIONS: Final = (
    "Which way out is best for a fire at a place is worked out for one fire there, in the unchanging weather of the "
    "worst step; a second fire, or another wind, can turn it around.",
)
"""What the map rests on, for the list of assumptions of a result."""


@dataclass(frozen=True)
class WayOutMap:
    """Which way out for which fire, for one way of leaving.

    - `lead_s`, shape (rows, cols): the largest lead over the routes; inf where there is one that fire does not reach.
    - `code`, shape (rows, cols): `TOO_LATE`, `UNTOUCHED`, or the sum of 2**k over the routes k that are best.
    - `areas`: the largest first, too late last; ground that is `UNTOUCHED` has none.
    """

    lead_s: NDArray[np.float64]
    code: NDArray[np.int64]
    areas: tuple[WayOutArea, ...]


def route_to_each(
    scenario: Scenario,
    candidates: Sequence[CandidateRoute],
    *,
    members: Members,
) -> tuple[CandidateRoute, ...]:
    """Choose the best route to each safe point among those of one way, by the rule of the one route that is timed.

    In the order of the plan's safe points, none for those that no candidate ends at.
    """
    found = []
    for place in scenario.inputs.plan.safe_points:
        here = [one for one in candidates if one.safe_point == place.name]
        if here:
            found.append(best_route(scenario, here, members=members, burnt_share={place.name: 0.0}).route)
    return tuple(found)


def way_out_map(
    scenario: Scenario,
    roads: WayRoads,
    *,
    ready_s: float,
    routes: Sequence[CandidateRoute],
    confidence: float,
    step: int,
    workers: int = 1,
) -> WayOutMap:
    """Map which of 1 to 16 routes, from `route_to_each`, to take for fire in each cell; see `triggers.lead_time_of`."""
    if not 1 <= len(routes) <= MOST_SAFE_POINTS:
        raise ValueError(f"{len(routes)} routes can't be compared: 1 to {MOST_SAFE_POINTS}")

    def lead_of(route: CandidateRoute) -> NDArray[np.float64]:
        return lead_time_of(scenario, roads, edges=route.edges, confidence=confidence, step=step)

    with ThreadPoolExecutor(max_workers=workers) as pool:
        leads = list(pool.map(lead_of, routes))
    lead_s, code = best_of(np.stack(leads), ready_s=ready_s)
    names = tuple(route.safe_point for route in routes)
    return WayOutMap(lead_s, code, areas_of(scenario.inputs.terrain.grid, code, names=names, way=roads.way))


def best_of(leads_s: NDArray[np.float64], *, ready_s: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Find the largest of lead-time maps, shape (routes, rows, cols), and which reach it within a minute: lead, code.

    A route that fire from a cell does not reach at all (inf) is best there alone, or with the others that it does not
    reach. As with trigger lines, a cell counts as too late when it or a neighbour is: the early side.
    """
    lead_s = leads_s.max(axis=0)
    # Infinite leads have no difference; where the best is infinite only infinite ones are equal to it.
    with np.errstate(invalid="ignore"):
        close = np.where(np.isinf(lead_s), np.isinf(leads_s), lead_s - leads_s <= TIE_S.value)
    weights = 2 ** np.arange(leads_s.shape[0], dtype=np.int64)
    code = np.asarray((close * weights[:, None, None]).sum(axis=0), dtype=np.int64)
    code[np.all(np.isinf(leads_s), axis=0)] = UNTOUCHED
    late = minimum_filter(lead_s, size=3, mode="nearest") <= ready_s
    code[late] = TOO_LATE
    return lead_s, code


def areas_of(grid: Grid, code: NDArray[np.int64], *, names: Sequence[str], way: str) -> tuple[WayOutArea, ...]:
    """Outline the ground of each answer."""
    made = []
    for value in np.unique(code):
        if value == UNTOUCHED:
            continue
        here = () if value == TOO_LATE else tuple(name for k, name in enumerate(names) if int(value) >> k & 1)
        made.append(WayOutArea(here, area_of(grid, code == value), _sentence(here, way)))
    return tuple(sorted(made, key=lambda one: (not one.safe_points, -one.area.area)))


def _sentence(safe_points: tuple[str, ...], way: str) -> str:
    if not safe_points:
        return f"Fire here: late for leaving {WAY_WORDS[way]}, to any of the safe points; go at once, as directed."
    if len(safe_points) == 1:
        return f"Fire here: {safe_points[0]} leaves most time, leaving {WAY_WORDS[way]}."
    last = safe_points[-1]
    return (
        f"Fire here: {', '.join(safe_points[:-1])} and {last} leave the same time within a minute, leaving "
        f"{WAY_WORDS[way]}."
    )
