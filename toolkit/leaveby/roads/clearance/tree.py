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
    that is left once a queue has formed. `way` is that of
    `quickest_out`; the group has a street as throat (`facts.throat` 0 or more). Gives the street of each row as well.

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
    behind = (tree.size > 0) & (tree.first >= tree.first[mouth]) & (tree.first < tree.first[mouth] + tree.size[mouth])
    inside = np.flatnonzero(behind[:n] & (np.arange(n) != sink))
    # a row is a street and the junction from which it is driven
    length_of = {(int(way[1][node]), node): float(streets.length_m[way[1][node]]) for node in inside.tolist()}
    mine = np.flatnonzero((found.home_vertex != NO_WAY_OUT) & behind[found.home_vertex])
    load: dict[tuple[int, int], float] = defaultdict(float)
    for home in mine.tolist():
        street, near, far = _leaves_by(streets, found, homes, home=home, time_s=way[0])
        key = (street, far)
        if key not in length_of:
            # a street on nobody's quickest way: its own people drive to its nearer end
            key = (street, -1 - near)
            length_of[key] = float(streets.length_m[street]) / 2.0
        load[key] += vehicles_per_home * float(homes.dwellings[home])

    row_of = {key: row for row, key in enumerate(length_of)}
    onward = np.full(len(row_of), -1, dtype=np.int32)
    for (street, from_node), row in row_of.items():
        other = int(streets.b[street] if streets.a[street] == from_node else streets.a[street])
        to_node = other if from_node >= 0 else -1 - from_node
        if to_node != sink:
            onward[row] = row_of[int(way[1][to_node]), to_node]
    vehicles = np.array([load.get(key, 0.0) for key in row_of], dtype=np.float64)
    kept = _carrying(onward, vehicles)
    number = np.full(len(row_of) + 1, -1, dtype=np.int32)
    number[kept] = np.arange(kept.size, dtype=np.int32)
    street_of = np.array([street for street, _ in row_of], dtype=np.int32)[kept]
    lanes, capacity_veh_h = _lanes_and_capacity(streets, street_of)
    return (
        street_tree(
            number[onward[kept]],
            np.maximum(np.array(list(length_of.values()))[kept], LEAST_LENGTH_M),
            speed_m_s=streets.speed_m_s[street_of],
            capacity_veh_s=BREAKDOWN_SHARE.value * capacity_veh_h / 3600.0,
            vehicles=vehicles[kept],
            lanes=lanes,
        ),
        street_of,
    )


def _leaves_by(
    streets: StreetTable, found: SingleExits, homes: PlacedHomes, *, home: int, time_s: NDArray[np.float64]
) -> tuple[int, int, int]:
    """The street of a home, the end by which it is out sooner, and the other end."""
    street = int(homes.street[home])
    a, b = int(streets.a[street]), int(streets.b[street])
    along_m, speed = float(homes.along_m[home]), float(streets.speed_m_s[street])
    leaves = found.passages.bits[street]
    by_a = time_s[a] + along_m / speed if leaves & LEAVE_A else np.inf
    by_b = time_s[b] + (float(streets.length_m[street]) - along_m) / speed if leaves & LEAVE_B else np.inf
    return (street, a, b) if by_a <= by_b else (street, b, a)


def _lanes_and_capacity(
    streets: StreetTable, rows: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    lanes, capacity = [], []
    for s in rows:
        stated, one_way = streets.lanes[s], bool(streets.forward[s] != streets.backward[s])
        lanes.append(lanes_out(stated, one_way=one_way))
        width_m = float(streets.width_m[s])
        capacity.append(capacity_veh_h(streets.highway[s], lanes=stated, one_way=one_way, width_m=width_m))
    return np.array(lanes, dtype=np.float64), np.array(capacity, dtype=np.float64)


def _carrying(onward: NDArray[np.int32], load: NDArray[np.float64]) -> NDArray[np.int64]:
    """Rows that vehicles pass."""
    used = np.zeros(onward.size, dtype=np.bool_)
    for index in np.flatnonzero(load > 0.0).tolist():
        at = index
        while at >= 0 and not used[at]:
            used[at] = True
            at = int(onward[at])
    return np.flatnonzero(used)
