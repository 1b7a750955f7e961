"""What is known of each group behind a single exit: lengths, widths, grades, tracks, fuel, and leaving on foot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from leaveby.compiling import njit
from leaveby.roads.exits.dominators import NO_WAY_OUT, ExitTree, greatest_behind, sum_behind
from leaveby.roads.exits.groups import SingleExits, home_vertices, weights
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.places import at_outline, map_outline
from leaveby.roads.exits.street_table import DRIVES, StreetTable, walked
from leaveby.roads.network.graph import SEPARATOR, where


@dataclass(frozen=True, eq=False)
class GroupFacts:
    """What is known of each group, one value for each; lengths in metres along the streets, by car.

    Drives, car parks and tracks are left out of lengths, widths, grades and fuel.

    - `throat`: the outermost street of the longest way that everyone of the group must pass and only they, or -1 where
      it is a junction only; `start`, `mouth`: innermost and outermost place of that way, as vertices.
    - `choice`: the first junction, on the way out, from which there is a choice of ways.
    - `shared_m`, `dead_end_m`: length of the one way that all share, and the longest way from the end of a street
      behind, to there.
    - `streets_m`, `track_m`: all streets behind, and the shared way, added up; tracks among them.
    - `narrowest_m`, `no_width_m`: least stated width, inf where none is; length of streets that state none.
    - `steepest`, `fuel_t_ha`: steepest grade, and mean fuel load; -inf where not given.
    - `foot_homes`: homes of the group that can be left on foot without passing the throat.
    - `at_edge`: whether a dead end behind lies at the outline of the map, beyond which the street may go on.
    """

    throat: NDArray[np.int32]
    start: NDArray[np.int32]
    mouth: NDArray[np.int32]
    choice: NDArray[np.int32]
    shared_m: NDArray[np.float64]
    dead_end_m: NDArray[np.float64]
    streets_m: NDArray[np.float64]
    narrowest_m: NDArray[np.float64]
    no_width_m: NDArray[np.float64]
    track_m: NDArray[np.float64]
    steepest: NDArray[np.float64]
    fuel_t_ha: NDArray[np.float64]
    foot_homes: NDArray[np.float64]
    at_edge: NDArray[np.bool_]


@njit()
def _down(
    order: NDArray[np.int32],
    parent: NDArray[np.int32],
    nodes: int,
    outside: int,
    length: NDArray[np.float64],
    worst: NDArray[np.float64],
    choice: NDArray[np.int32],
    added: NDArray[np.float64],
    least: NDArray[np.float64],
) -> None:
    """Along the one way from each vertex to the first junction with a choice.

    The columns of `length` are added up into `added`; of those of `worst` the greatest goes to `least`.
    """
    for k in range(1, order.shape[0]):
        v = order[k]
        up = parent[v]
        if v < nodes and (up == outside or up < nodes):
            choice[v] = v
            added[v, :] = 0.0
            least[v, :] = -np.inf
            continue
        choice[v] = choice[up] if up != outside else -1
        for column in range(length.shape[1]):
            added[v, column] = (added[up, column] if up != outside else 0.0) + length[v, column]
        for column in range(worst.shape[1]):
            above = least[up, column] if up != outside else -np.inf
            least[v, column] = max(above, worst[v, column])


def group_facts(
    streets: StreetTable, found: SingleExits, homes: PlacedHomes, *, outline: BaseGeometry | None = None
) -> GroupFacts:
    """Measure each group's streets; `homes` as given to `single_exits`, `outline` of what the map holds."""
    tree = found.tree
    n, total = tree.node_count, tree.outside + 1
    counted, length, worst = _per_vertex(streets, tree)
    choice = np.full(total, -1, dtype=np.int32)
    added, above = np.zeros_like(length), np.full_like(worst, -np.inf)
    _down(tree.order, tree.parent, n, tree.outside, length, worst, choice, added, above)
    start, mouth, throat = _corridors(found.head, found.gate, tree.parent, n, choice, added[:, _ALL].copy())
    up = tree.parent[mouth]
    # nothing is shared beyond a mouth that is itself a junction with a choice
    goes_on = ((up != tree.outside) & (choice[mouth] != mouth))[:, None]
    whole = np.column_stack([sum_behind(tree, column)[mouth] for column in length.T])
    whole += np.where(goes_on, added[up], 0.0)
    greatest = np.column_stack([greatest_behind(tree, column)[mouth] for column in worst.T])
    greatest = np.maximum(greatest, np.where(goes_on, above[up], -np.inf))

    far = np.full(total, -np.inf)
    far[n:-1] = np.where(counted, _farthest_m(streets, found), -np.inf)
    deepest = greatest_behind(tree, far)[mouth]
    base = found.distance_m[np.maximum(choice[mouth], 0)]
    dead_end = np.maximum(np.where(np.isfinite(deepest), deepest - base, 0.0), added[start, _COUNTED])
    edge = np.zeros(total)
    edge[:n] = at_outline(streets, map_outline(streets) if outline is None else outline)
    fuel_m = whole[:, _BURNING]
    return GroupFacts(
        throat=throat,
        start=start,
        mouth=mouth,
        choice=choice[mouth],
        shared_m=added[start, _ALL],
        dead_end_m=np.asarray(dead_end, dtype=np.float64),
        streets_m=whole[:, _COUNTED],
        narrowest_m=-greatest[:, 0],
        no_width_m=whole[:, _NO_WIDTH],
        track_m=whole[:, _TRACK],
        steepest=greatest[:, 1],
        fuel_t_ha=np.divide(whole[:, _FUEL], fuel_m, out=np.full(fuel_m.size, -np.inf), where=fuel_m > 0.0),
        foot_homes=np.maximum(found.homes - _held(streets, found, homes, throat=throat, mouth=mouth), 0.0),
        at_edge=greatest_behind(tree, edge)[mouth] > 0.0,
    )


_COUNTED, _NO_WIDTH, _TRACK, _BURNING, _FUEL, _ALL = range(6)


def _per_vertex(
    streets: StreetTable, tree: ExitTree
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Which streets count; by vertex, lengths to add up (`_COUNTED` and so on); -width and grade, to compare."""
    track = where(streets.highway, lambda kind: "track" in kind.split(SEPARATOR))
    drive = where(streets.service, DRIVES.__contains__)
    counted = streets.driven & ~drive & ~track
    burning = counted & np.isfinite(streets.fuel_t_ha)
    kept = (counted, counted & ~np.isfinite(streets.width_m), streets.driven & track, burning, burning, streets.driven)
    length, worst = np.zeros((tree.outside + 1, 6)), np.full((tree.outside + 1, 2), -np.inf)
    rows = slice(tree.node_count, -1)
    length[rows] = np.where(np.column_stack(kept), streets.length_m[:, None], 0.0)
    length[rows, _FUEL] *= np.where(burning, streets.fuel_t_ha, 0.0)
    worst[rows] = np.where(counted[:, None], np.column_stack([-streets.width_m, streets.steepest]), -np.inf)
    return counted, length, worst


def _held(
    streets: StreetTable, found: SingleExits, homes: PlacedHomes, *, throat: NDArray[np.int32], mouth: NDArray[np.int32]
) -> NDArray[np.float64]:
    """Homes of each group that can't be left on foot without passing the throat, or the mouth where there is none."""
    pinch = np.where(throat >= 0, throat + streets.node_count, mouth)
    vertex = home_vertices(found.foot_tree, homes.street, passages=walked(streets))
    behind = sum_behind(found.foot_tree, weights(found.foot_tree, vertex, homes.dwellings))
    no_foot = np.where(vertex == NO_WAY_OUT, homes.dwellings, 0.0)
    return behind[pinch] + sum_behind(found.tree, weights(found.tree, found.home_vertex, no_foot))[mouth]


def shared_way(found: SingleExits, group: int) -> tuple[int, ...]:
    """List the junctions and streets that everyone of a group must pass to the first choice of ways, inmost first."""
    tree = found.tree
    way = [int(found.gate[group])]
    beyond = False
    while True:
        here = way[-1]
        up = int(tree.parent[here])
        beyond = beyond or here == int(found.head[group])
        if up == tree.outside or (beyond and here < tree.node_count and up < tree.node_count):
            return tuple(way)
        way.append(up)


@njit()
def _corridors(
    head: NDArray[np.int32],
    gate: NDArray[np.int32],
    parent: NDArray[np.int32],
    nodes: int,
    choice: NDArray[np.int32],
    shared_m: NDArray[np.float64],
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """The longest one way within each group's own run: where it starts, its outermost place and outermost street.

    A run may hold several such ways, with a choice of ways between them.
    """
    groups = head.shape[0]
    start, mouth, throat = np.empty(groups, np.int32), np.empty(groups, np.int32), np.full(groups, -1, np.int32)
    for g in range(groups):
        best = gate[g]
        here = gate[g]
        while here != head[g]:
            here = parent[here]
            if shared_m[here] > shared_m[best]:
                best = here
        if shared_m[best] == 0.0:
            start[g] = head[g]
            mouth[g] = head[g]
            continue
        start[g] = best
        here = best
        while True:
            if here >= nodes:
                throat[g] = here - nodes
            if here == head[g] or choice[parent[here]] != choice[best]:
                break
            if parent[here] == choice[best]:
                break
            here = parent[here]
        mouth[g] = here
    return start, mouth, throat


def _farthest_m(streets: StreetTable, found: SingleExits) -> NDArray[np.float64]:
    """Longest way out from any point of each street."""
    from_a, from_b = found.distance_m[streets.a], found.distance_m[streets.b]
    length = streets.length_m
    both = streets.forward & streets.backward
    with np.errstate(invalid="ignore"):
        turn = np.clip(np.where(np.isfinite(from_a + from_b), (from_b + length - from_a) / 2.0, 0.0), 0.0, length)
    middle = np.minimum(from_a + turn, from_b + length - turn)
    one_end = np.where(np.isinf(from_b), from_a + length, from_b + length)
    two_way = np.where(np.isinf(from_a) | np.isinf(from_b), one_end, middle)
    one_way = np.where(streets.forward, from_b + length, from_a + length)
    value = np.where(both, two_way, one_way)
    return np.where(np.isfinite(value), value, -np.inf)
