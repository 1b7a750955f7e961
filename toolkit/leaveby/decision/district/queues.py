"""How long each home waits when all of a district set out at once: first in, first out, bottleneck by bottleneck.

A group of homes that shares a single exit passes it one behind the other; who comes first to it, passes first. A group
that lies in another joins the others there when it is through its own. The wait is taken off the latest departure
whole, as if the queue stood before the first stretch that shuts: that is on the early side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.district.roads import DistrictRoads
from leaveby.parameters import BREAKDOWN_SHARE
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.clearance.tree import lanes_and_capacity
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.groups import SingleExits, single_exits


def waits_s(roads: DistrictRoads, drive_s: NDArray[np.float64], *, vehicles_per_home: float) -> NDArray[np.float64]:
    """Give how long each home waits in queues before the single exits that it must pass, in seconds, shape (h,).

    `drive_s` is its time to the safe point on empty roads, inf where there is none: it waits for nothing then. All its
    vehicles have to be through.
    """
    found = single_exits(roads.streets, roads.homes, exits=roads.exit_nodes, compare=False)
    vehicles = vehicles_per_home * roads.homes.dwellings
    here = np.isfinite(drive_s) & (found.home_vertex != NO_WAY_OUT)
    through_s = np.where(here, drive_s, 0.0)
    _, capacity_veh_h = lanes_and_capacity(roads.streets)
    waiting: list[list[NDArray[np.int64]]] = [[] for _ in range(found.group_count)]
    for group, rows in _own_homes(found, here):
        waiting[group].append(rows)
    for group in range(found.group_count - 1, -1, -1):  # a group stands behind the one that it lies in
        if not waiting[group]:
            continue
        rows = np.sort(np.concatenate(waiting[group]))
        passes_veh_s = _passes_veh_s(roads, found, group, capacity_veh_h)
        if np.isfinite(passes_veh_s):
            rows = rows[np.argsort(through_s[rows], kind="stable")]
            through_s[rows] = pass_bottleneck(through_s[rows], headway_s=vehicles[rows] / passes_veh_s)
        around = int(found.inside[group])
        if around >= 0:
            waiting[around].append(rows)
    return np.where(here, through_s - np.where(here, drive_s, 0.0), 0.0)


def _run(found: SingleExits, group: int) -> list[int]:
    """The places that exactly a group's homes must pass, inmost first."""
    run = [int(found.gate[group])]
    while run[-1] != int(found.head[group]):
        run.append(int(found.tree.parent[run[-1]]))
    return run


def _own_homes(found: SingleExits, here: NDArray[np.bool_]) -> list[tuple[int, NDArray[np.int64]]]:
    """The homes of each group that lie in no group within it."""
    group_of = np.full(found.tree.parent.size + 1, -1, dtype=np.int64)
    for group in range(found.group_count):
        for vertex in _run(found, group):
            group_of[vertex] = group
    at = np.where(here, group_of[np.maximum(found.home_vertex, 0)], -1)
    order = np.argsort(at, kind="stable")
    groups, first = np.unique(at[order], return_index=True)
    parts = np.split(order, first[1:])
    return [(int(group), rows) for group, rows in zip(groups, parts, strict=True) if group >= 0]


def _passes_veh_s(roads: DistrictRoads, found: SingleExits, group: int, capacity_veh_h: NDArray[np.float64]) -> float:
    """What the narrowest street of a group's shared way passes once a queue has formed; inf where it is a junction."""
    nodes = roads.streets.node_count
    passed = [vertex - nodes for vertex in _run(found, group) if vertex >= nodes]
    return BREAKDOWN_SHARE.value / 3600.0 * float(capacity_veh_h[passed].min(initial=np.inf))
