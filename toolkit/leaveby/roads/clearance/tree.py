"""The streets of a group as its people drive them: each to the next, down to the one way out."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from leaveby.roads.clearance.capacity import BREAKDOWN_SHARE, capacity_veh_h, lanes_out
from leaveby.roads.clearance.queue import StreetTree, street_tree
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.facts import GroupFacts
from leaveby.roads.exits.groups import SingleExits
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.street_table import LEAVE_A, LEAVE_B, StreetTable, shortest_out

LEAST_LENGTH_M = 1.0


def quickest_out(streets: StreetTable, found: SingleExits) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Find the quickest way by car from each junction to an exit on empty roads: time, and the street to take.

    Examples
    --------
    >>> from leaveby.roads.exits.groups import single_exits
    >>> from leaveby.roads.exits.homes import homes_by_street
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> from leaveby.roads.exits.street_table import street_table
    >>> streets = street_table(network_from_lines([[(0.0, 0.0), (100.0, 0.0)]], crs="EPSG:32755"))
    >>> found = single_exits(streets, homes_by_street(streets, np.array([5.0])), exits=np.array([0]))
    >>> quickest_out(streets, found)[0].round(1).tolist()
    [0.0, 9.0]
    """
    time_s = np.maximum(streets.length_m, LEAST_LENGTH_M) / streets.speed_m_s
    return shortest_out(found.passages, found.exits, weight=time_s)


def group_tree(
    streets: StreetTable,
    found: SingleExits,
    *,
    facts: GroupFacts,
    homes: PlacedHomes,
    group: int,
    way: tuple[NDArray[np.float64], NDArray[np.int32]],
    vehicles_per_home: float,
) -> tuple[StreetTree, NDArray[np.int32]]:
    """Lay out a group's streets for `clearance`, to the outer end of the one way that only the group must pass.

    Homes leave their street by the nearer end. Capacities are the published ones of the road types, times the share
    that is left once a queue has formed.

    Parameters
    ----------
    streets : StreetTable
    found : SingleExits
    facts : GroupFacts
    homes : PlacedHomes
    group : int
        One with a street as throat (`facts.throat` 0 or more).
    way : tuple
        From `quickest_out`.
    vehicles_per_home : float

    Returns
    -------
    StreetTree, NDArray[np.int32]
        The tree, and the street of each of its rows.

    Examples
    --------
    >>> from leaveby.roads.exits.facts import group_facts
    >>> from leaveby.roads.exits.groups import single_exits
    >>> from leaveby.roads.exits.homes import homes_by_street
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> from leaveby.roads.exits.street_table import street_table
    >>> lines = [[(0.0, 0.0), (100.0, 0.0)], [(100.0, 0.0), (100.0, 90.0)]]
    >>> streets = street_table(network_from_lines(lines, crs="EPSG:32755"))
    >>> placed = homes_by_street(streets, np.array([0.0, 5.0]))
    >>> found = single_exits(streets, placed, exits=np.array([0]))
    >>> facts, way = group_facts(streets, found, placed), quickest_out(streets, found)
    >>> tree, rows = group_tree(
    ...     streets, found, facts=facts, homes=placed, group=0, way=way, vehicles_per_home=2.0
    ... )
    >>> tree.onward.tolist(), rows.tolist(), tree.vehicles.tolist()
    ([-1, 0], [0, 1], [0.0, 10.0])
    """
    tree, n = found.tree, streets.node_count
    mouth = int(facts.mouth[group])
    sink = mouth if mouth < n else int(tree.parent[mouth])
    first, size = int(tree.first[mouth]), int(tree.size[mouth])
    spot = tree.first[:n]
    inside = np.flatnonzero((tree.size[:n] > 0) & (spot >= first) & (spot < first + size))
    time_s, onward_street = way

    row_of: dict[tuple[int, int], int] = {}
    rows: list[tuple[int, int, float]] = []

    def row(street: int, from_node: int, length_m: float) -> int:
        key = (street, from_node)
        if key not in row_of:
            row_of[key] = len(rows)
            rows.append((street, from_node, length_m))
        return row_of[key]

    for node in inside.tolist():
        if node != sink:
            street = int(onward_street[node])
            row(street, node, float(streets.length_m[street]))

    mine = np.flatnonzero(found.home_vertex != NO_WAY_OUT)
    at = tree.first[found.home_vertex[mine]]
    mine = mine[(at >= first) & (at < first + size)]
    load: dict[int, float] = defaultdict(float)
    for home in mine.tolist():
        street = int(homes.street[home])
        a, b = int(streets.a[street]), int(streets.b[street])
        along, length = float(homes.along_m[home]), float(streets.length_m[street])
        speed = float(streets.speed_m_s[street])
        leaves = found.passages.bits[street]
        by_a = time_s[a] + along / speed if leaves & LEAVE_A else np.inf
        by_b = time_s[b] + (length - along) / speed if leaves & LEAVE_B else np.inf
        near, far = (a, b) if by_a <= by_b else (b, a)
        key = (street, far)
        if key not in row_of:
            # a street on nobody's quickest way: its own people drive to its nearer end
            key = (street, -1 - near)
            row(street, -1 - near, length / 2.0)
        load[row_of[key]] += vehicles_per_home * float(homes.dwellings[home])

    onward = np.full(len(rows), -1, dtype=np.int32)
    for index, (street, from_node, _) in enumerate(rows):
        if from_node < 0:
            to_node = -1 - from_node
        else:
            to_node = int(streets.b[street] if streets.a[street] == from_node else streets.a[street])
        if to_node != sink:
            onward[index] = row_of[int(onward_street[to_node]), to_node]
    vehicles = np.array([load.get(index, 0.0) for index in range(len(rows))], dtype=np.float64)
    kept = _carrying(onward, vehicles)
    number = np.full(len(rows) + 1, -1, dtype=np.int32)
    number[kept] = np.arange(kept.size, dtype=np.int32)
    street_of = np.array([rows[index][0] for index in kept], dtype=np.int32)
    length_m = np.array([rows[index][2] for index in kept], dtype=np.float64)
    one_way = streets.forward != streets.backward
    lanes = np.array([lanes_out(streets.lanes[s], one_way=bool(one_way[s])) for s in street_of], dtype=np.float64)
    capacity = np.array(
        [
            capacity_veh_h(
                streets.highway[s], lanes=streets.lanes[s], one_way=bool(one_way[s]), width_m=float(streets.width_m[s])
            )
            for s in street_of
        ],
        dtype=np.float64,
    )
    return (
        street_tree(
            number[onward[kept]],
            np.maximum(length_m, LEAST_LENGTH_M),
            speed_m_s=streets.speed_m_s[street_of],
            capacity_veh_s=BREAKDOWN_SHARE.value * capacity / 3600.0,
            vehicles=vehicles[kept],
            lanes=lanes,
        ),
        street_of,
    )


def _carrying(onward: NDArray[np.int32], load: NDArray[np.float64]) -> NDArray[np.int64]:
    """Rows that vehicles pass."""
    used = np.zeros(onward.size, dtype=np.bool_)
    for index in np.flatnonzero(load > 0.0).tolist():
        at = index
        while at >= 0 and not used[at]:
            used[at] = True
            at = int(onward[at])
    return np.flatnonzero(used)
