"""The streets of a group as its people drive them, each to the next, down to the one way out; and what roads pass."""

from __future__ import annotations

import re
from collections import defaultdict
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby import parameters
from leaveby.roads.clearance.queue import StreetTree, street_tree
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.facts import GroupFacts
from leaveby.roads.exits.groups import SingleExits
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.street_table import LEAVE_A, LEAVE_B, StreetTable, shortest_out
from leaveby.roads.network.graph import MOTORWAYS, SEPARATOR

LEAST_LENGTH_M = 1.0

_TWO_LANE: Final = frozenset({"trunk", "primary", "secondary", "tertiary"})
_LANES = re.compile(r"^\d+$")


def lanes_out(lanes: str, *, one_way: bool) -> int:
    """Lanes in the direction of leaving, from the `lanes` tag: all of a one-way street, else half, at least 1.

    Values of merged ways are joined by '|': the least counts. Nothing stated counts as one.
    """
    stated = [int(value) for value in re.split(r"[;|]", lanes) if _LANES.match(value.strip())]
    if not stated:
        return 1
    return max(1, min(stated) if one_way else min(stated) // 2)


def capacity_veh_h(highway: str, *, lanes: str = "", one_way: bool = False, width_m: float = float("inf")) -> float:
    """Vehicles an hour that a road passes in the direction of leaving, in base conditions.

    Trunk to tertiary roads: 1,700 a lane (one-way with one lane 1,600). Lesser roads: 1,600 when one-way; else 800, as
    a road with one lane for both ways, unless at least 5.5 m or two lanes are stated, which makes them two-lane roads.
    Tracks: 400, judgement.

    >>> capacity_veh_h("primary"), capacity_veh_h("residential"), capacity_veh_h("residential", width_m=6.0)
    (1700.0, 800.0, 1700.0)
    >>> capacity_veh_h("residential", lanes="2"), capacity_veh_h("track"), capacity_veh_h("secondary", width_m=3.0)
    (1700.0, 400.0, 800.0)
    """
    return min(_capacity(kind, lanes=lanes, one_way=one_way, width_m=width_m) for kind in highway.split(SEPARATOR))


def _capacity(kind: str, *, lanes: str, one_way: bool, width_m: float) -> float:
    out = lanes_out(lanes, one_way=one_way)
    if kind == "track":
        return parameters.TRACK_VEH_H.value
    if kind in MOTORWAYS:
        return parameters.MOTORWAY_LANE_VEH_H.value * out
    if one_way:
        return parameters.ONE_LANE_ONE_WAY_VEH_H.value * out
    stated = [int(value) for value in re.split(r"[;|]", lanes) if _LANES.match(value.strip())]
    if width_m < parameters.TWO_LANES_FROM_M.value or (stated and min(stated) < 2):
        return parameters.ONE_LANE_TWO_WAY_VEH_H.value
    if kind.removesuffix("_link") in _TWO_LANE or np.isfinite(width_m) or stated:
        return parameters.TWO_LANE_VEH_H.value * out
    return parameters.ONE_LANE_TWO_WAY_VEH_H.value


def quickest_out(streets: StreetTable, found: SingleExits) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Find the quickest way by car from each junction to an exit on empty roads: time, and the street to take."""
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
            capacity_veh_s=parameters.BREAKDOWN_SHARE.value * capacity_veh_h / 3600.0,
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
