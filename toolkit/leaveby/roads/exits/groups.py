"""Single exits: the streets and junctions that everyone behind them must pass, as nested groups of homes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.roads.exits import dominators, street_table
from leaveby.roads.exits.homes import NOT_PLACED, PlacedHomes


@dataclass(frozen=True, eq=False)
class Difference:
    """A street that everyone behind it must pass, `homes` of them, though the undirected graph has another way.

    It is due to one-way streets, or to ways that only residents use (private, gated, tracks).
    """

    street: int
    homes: float
    why: Literal["one-way streets", "ways that only residents use"]


@dataclass(frozen=True, eq=False)
class SingleExits:
    """Groups of homes behind single exits. A group holds all homes that must pass the same streets and junctions.

    Group g has the same homes behind each place of its shared way, a run through the tree from `gate[g]` (inside) to
    `head[g]` (outside).

    - `exits`: junctions that count as out.
    - `tree`, `foot_tree`: by car; and on foot over all ways that may be walked.
    - `home_vertex`, for each home: nearest street or junction that it must pass; `tree.outside` where it has a choice
      from the start; -1 where it has no way out by car or no street.
    - `homes_behind`, for each vertex: homes that must pass it.
    - `inside`, `homes`, for each group: the group that it lies in, which stands before it, or -1; its homes.
    - `bridge`, for each street: whether its loss would split the undirected street graph, exits joined.
    - `differences`: where must-pass streets and bridges differ, most homes first.
    - `distance_m`: shortest way by car from each junction to an exit; inf where there is none.
    """

    exits: NDArray[np.int32]
    passages: street_table.Passages
    tree: dominators.ExitTree
    foot_tree: dominators.ExitTree
    home_vertex: NDArray[np.int32]
    homes_behind: NDArray[np.float64]
    head: NDArray[np.int32]
    gate: NDArray[np.int32]
    inside: NDArray[np.int32]
    homes: NDArray[np.float64]
    bridge: NDArray[np.bool_]
    differences: tuple[Difference, ...]
    distance_m: NDArray[np.float64]

    @property
    def group_count(self) -> int:
        """Number of groups."""
        return int(self.head.shape[0])


@njit(inline="always")
def hangs_on(vertex: int, a: int, b: int, bits: int, parent: NDArray[np.int32]) -> int:
    """What homes on a street with a way out must pass next, themselves a vertex, from junctions a to b.

    That is the street itself where it can be left by one end only, or where the other end leads back through it.
    """
    one_end = (bits & street_table.LEAVE_A == 0) != (bits & street_table.LEAVE_B == 0)
    if one_end or parent[a] == vertex or parent[b] == vertex or min(parent[a], parent[b]) == dominators.NO_WAY_OUT:
        return vertex
    return int(parent[vertex])


@njit()
def _all_hang_on(
    street: NDArray[np.int32],
    nodes: int,
    a: NDArray[np.int32],
    b: NDArray[np.int32],
    bits: NDArray[np.uint8],
    parent: NDArray[np.int32],
) -> NDArray[np.int32]:
    found = np.full(street.shape[0], dominators.NO_WAY_OUT, np.int32)
    for home, s in enumerate(street):
        if s != NOT_PLACED and parent[nodes + s] != dominators.NO_WAY_OUT:
            found[home] = hangs_on(nodes + s, a[s], b[s], bits[s], parent)
    return found


def home_vertices(
    tree: dominators.ExitTree, street: NDArray[np.int32], *, passages: street_table.Passages
) -> NDArray[np.int32]:
    """Find the nearest street or junction that homes on streets must pass: a vertex of the tree (maybe the outside).

    -1 where there is no way out, or no street (-1).
    """
    at = np.asarray(street, dtype=np.int32)
    found = _all_hang_on(at, tree.node_count, passages.a, passages.b, passages.bits, tree.parent)
    return np.asarray(found, dtype=np.int32)


@njit()
def _grouped(
    order: NDArray[np.int32], parent: NDArray[np.int32], behind: NDArray[np.float64], outside: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Runs of places with the same homes behind them: head, gate, the group around, and the group of each vertex."""
    group = np.full(parent.shape[0], -1, np.int32)
    head = np.empty(order.shape[0], np.int32)
    gate = np.empty(order.shape[0], np.int32)
    inside = np.empty(order.shape[0], np.int32)
    count = 0
    for k in range(1, order.shape[0]):
        v = order[k]
        if behind[v] <= 0.0:
            continue
        up = parent[v]
        if up != outside and behind[up] == behind[v]:
            group[v] = group[up]
            gate[group[v]] = v
        else:
            group[v] = count
            head[count] = v
            gate[count] = v
            inside[count] = group[up] if up != outside else -1
            count += 1
    return head[:count].copy(), gate[:count].copy(), inside[:count].copy(), group


def single_exits(
    streets: street_table.StreetTable,
    homes: PlacedHomes,
    *,
    exits: NDArray[np.int32],
    compare: bool = True,
    known: NDArray[np.int32] | None = None,
) -> SingleExits:
    """Find the groups of homes that share single exits.

    `exits` are junctions that count as out, from `boundary_exits` or `exits_at`; without any it is an InputError. With
    `compare` the undirected bridges are found too, and why they differ: two more passes over the streets. By the
    `known` exits it is told who can do without streets of residents' own; by all of them when left out.

    Examples
    --------
    >>> from leaveby.roads.exits.homes import homes_by_street
    >>> from leaveby.roads.exits.street_table import street_table
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)], [(90.0, 90.0), (300.0, 90.0)]]
    >>> streets = street_table(network_from_lines(lines, crs="EPSG:32755"))
    >>> found = single_exits(streets, homes_by_street(streets, np.array([0.0, 5.0, 12.0])), exits=np.array([0]))
    >>> found.homes.tolist(), found.inside.tolist()
    ([17.0, 12.0], [-1, 0])
    """
    out = np.unique(np.asarray(exits, dtype=np.int32))
    passages = street_table.street_passages(streets, out if known is None else np.asarray(known, dtype=np.int32))
    tree = dominators.exit_tree(passages, out)
    vertex = home_vertices(tree, homes.street, passages=passages)
    behind = dominators.sum_behind(tree, weights(tree, vertex, homes.dwellings))
    head, gate, inside, _ = _grouped(tree.order, tree.parent, behind, tree.outside)
    bridge = np.zeros(streets.street_count, dtype=np.bool_)
    differences: tuple[Difference, ...] = ()
    if compare:
        driven = np.flatnonzero(streets.driven)
        bridge[driven] = dominators.bridges(streets.node_count, streets.a[driven], b=streets.b[driven], joined=out)
        differences = _differences(streets, tree, homes=behind, exits=out, bridge=bridge)
    return SingleExits(
        exits=out,
        passages=passages,
        tree=tree,
        foot_tree=dominators.exit_tree(street_table.walked(streets), out),
        home_vertex=vertex,
        homes_behind=behind,
        head=head,
        gate=gate,
        inside=inside,
        homes=behind[head],
        bridge=bridge,
        differences=differences,
        distance_m=street_table.shortest_out(passages, out, weight=streets.length_m)[0],
    )


def weights(
    tree: dominators.ExitTree, vertex: NDArray[np.int32], dwellings: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Add up dwellings at the vertex that each home hangs on; those without a way out are left to be listed."""
    reached = vertex != dominators.NO_WAY_OUT
    count = np.bincount(vertex[reached], weights=dwellings[reached], minlength=tree.outside + 1)
    return np.asarray(count, dtype=np.float64)


def _differences(
    streets: street_table.StreetTable,
    tree: dominators.ExitTree,
    *,
    homes: NDArray[np.float64],
    exits: NDArray[np.int32],
    bridge: NDArray[np.bool_],
) -> tuple[Difference, ...]:
    number = tree.node_count + np.arange(streets.street_count)
    odd = np.flatnonzero((homes[number] > 0.0) & (tree.size[number] > 0) & streets.driven & ~bridge)
    if odd.size == 0:
        return ()
    no_own = np.zeros(streets.street_count, dtype=np.bool_)
    shared = dominators.exit_tree(street_table.street_passages(streets, exits, own=no_own), exits)
    still = shared.size[number] > 1
    found = [
        Difference(
            street=int(street),
            homes=float(homes[number[street]]),
            why="one-way streets"
            if still[street] or streets.forward[street] != streets.backward[street]
            else "ways that only residents use",
        )
        for street in odd
    ]
    return tuple(sorted(found, key=lambda item: (-item.homes, item.street)))


def under_group(found: SingleExits) -> NDArray[np.bool_]:
    """Whether each vertex has homes behind it or hangs on one that has: all that hang on an outermost one with homes.

    The last is for a vertex of -1: it has no way out, and none to hang on.
    """
    tree, total = found.tree, found.tree.parent.size
    tops = np.flatnonzero((tree.parent == tree.outside) & (found.homes_behind > 0.0))
    change = np.zeros(total + 1)
    change[tree.first[tops]] += 1.0
    change[tree.first[tops] + tree.size[tops]] -= 1.0
    within = np.cumsum(change)[tree.first] > 0.0
    within[(tree.size == 0) | (np.arange(total) == tree.outside)] = False
    return np.append(within, False)
