"""The streets of a group as its people drive them, each to the next, down to the one way out; and what roads pass."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby import parameters
from leaveby.compiling import njit
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
    row_of = np.full(n + 1, -1, dtype=np.int64)
    row_of[inside] = np.arange(inside.size)
    mine = np.flatnonzero((found.home_vertex != NO_WAY_OUT) & behind[found.home_vertex])
    street, near, far = _leaves_by(streets, found, homes, rows=mine, time_s=way[0])
    # a street on nobody's quickest way: its own people drive to its nearer end
    apart = (row_of[far] < 0) | (way[1][far] != street)
    pairs, first, which = np.unique(
        street[apart].astype(np.int64) * n + near[apart], return_index=True, return_inverse=True
    )
    seen = np.argsort(first)
    own_street, own_near = np.divmod(pairs[seen], n)
    row = row_of[far]
    row[apart] = inside.size + np.argsort(seen)[which]

    driven = way[1][inside].astype(np.int64)
    there = np.where(streets.a[driven] == inside, streets.b[driven], streets.a[driven])
    to_node = np.concatenate([there, own_near])
    onward = row_of[np.where(to_node == sink, n, to_node)].astype(np.int32)
    length = np.concatenate([streets.length_m[driven], streets.length_m[own_street] / 2.0])
    leaving = vehicles_per_home * homes.dwellings[mine]
    vehicles = np.asarray(np.bincount(row, weights=leaving, minlength=onward.size), dtype=np.float64)
    kept = _carrying(onward, vehicles)
    number = np.full(onward.size + 1, -1, dtype=np.int32)
    number[kept] = np.arange(kept.size, dtype=np.int32)
    street_of = np.concatenate([driven, own_street])[kept].astype(np.int32)
    lanes, capacity_veh_h = (column[street_of] for column in lanes_and_capacity(streets))
    return (
        street_tree(
            number[onward[kept]],
            np.maximum(length[kept], LEAST_LENGTH_M),
            speed_m_s=streets.speed_m_s[street_of],
            capacity_veh_s=parameters.BREAKDOWN_SHARE.value * capacity_veh_h / 3600.0,
            vehicles=vehicles[kept],
            lanes=lanes,
        ),
        street_of,
    )


def _leaves_by(
    streets: StreetTable,
    found: SingleExits,
    homes: PlacedHomes,
    *,
    rows: NDArray[np.int64],
    time_s: NDArray[np.float64],
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """The street of each of some homes, the end by which it is out sooner, and the other end."""
    street = homes.street[rows]
    a, b = streets.a[street], streets.b[street]
    along_m, speed = homes.along_m[rows], streets.speed_m_s[street]
    leaves = found.passages.bits[street]
    by_a = np.where(leaves & LEAVE_A > 0, time_s[a] + along_m / speed, np.inf)
    by_b = np.where(leaves & LEAVE_B > 0, time_s[b] + (streets.length_m[street] - along_m) / speed, np.inf)
    return street, np.where(by_a <= by_b, a, b), np.where(by_a <= by_b, b, a)


@lru_cache(maxsize=1)
def lanes_and_capacity(streets: StreetTable) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lanes in the direction of leaving, and what passes, of every street; those of a kind are judged once."""
    one_way = (streets.forward != streets.backward).tolist()
    kinds = list(zip(streets.highway, streets.lanes, one_way, streets.width_m.tolist(), strict=True))
    told = {
        (kind, lanes, one, width_m): (
            lanes_out(lanes, one_way=one),
            capacity_veh_h(kind, lanes=lanes, one_way=one, width_m=width_m),
        )
        for kind, lanes, one, width_m in set(kinds)
    }
    lanes, capacity = np.array([told[kind] for kind in kinds], dtype=np.float64).T
    return lanes, capacity


@njit()
def _carrying(onward: NDArray[np.int32], load: NDArray[np.float64]) -> NDArray[np.int64]:
    """Rows that vehicles pass."""
    used = np.zeros(onward.shape[0], np.bool_)
    for at in np.flatnonzero(load > 0.0):
        while at >= 0 and not used[at]:
            used[at] = True
            at = onward[at]
    return np.flatnonzero(used)
