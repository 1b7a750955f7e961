"""What everyone must pass to get out: dominators of the street graph with all exits joined to one outside place.

Junctions and streets are both vertices of one directed graph, so that a street that must be passed and a junction that
must be passed are found alike. Seen from the outside, against the direction of travel, vertex d dominates vertex v when
every way from the outside to v goes through d; so everyone at v must pass d to get out. The immediate dominators form
a tree with the outside at its root. The algorithm is that of Lengauer & Tarjan 1979 (ACM Transactions on Programming
Languages and Systems 1(1), 121-141, simple version, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from leaveby.compiling import njit
from leaveby.errors import refused
from leaveby.roads.exits.street_table import BOTH_WAYS, ENTER_A, ENTER_B, LEAVE_A, LEAVE_B, Passages
from leaveby.roads.network.graph import RoutingGraph, routing_graph

NO_WAY_OUT: Final = -1
"""Stands in `parent` for a vertex from which no exit can be reached."""


@dataclass(frozen=True, eq=False)
class ExitTree:
    """Which street or junction everyone must pass next on the way out, as a tree.

    Vertices are numbered: n junctions 0 to n - 1, m streets n to n + m - 1, the outside n + m. For each of them:

    - `parent`: the nearest street or junction that everyone there must pass; `outside` where there is none;
      `NO_WAY_OUT` where no exit can be reached.
    - `first`, `size`: all that must pass vertex v, with v itself, stand at places `first[v]` to `first[v] + size[v]` of
      a walk through the tree; `size` is 0 where there is no way out.

    `order` holds the vertices with a way out, each after its parent; the outside first.
    """

    node_count: int
    street_count: int
    parent: NDArray[np.int32]
    order: NDArray[np.int32]
    first: NDArray[np.int32]
    size: NDArray[np.int32]

    @property
    def outside(self) -> int:
        """Number of the vertex that stands for everything beyond the exits."""
        return self.node_count + self.street_count


@njit()
def _walk(
    start: NDArray[np.int32], head: NDArray[np.int32], root: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Depth-first search: its number of each vertex (-1 where not reached), the vertices in order, and for each of
    these the number of the one it was found from."""
    total = start.shape[0] - 1
    number, cursor = np.full(total, -1, np.int32), start[:-1].copy()
    vertex, above, stack = np.empty(total, np.int32), np.zeros(total, np.int32), np.empty(total, np.int32)
    number[root], vertex[0], stack[0] = 0, root, root
    count = depth = 1
    while depth > 0:
        here = stack[depth - 1]
        found = -1
        while found < 0 and cursor[here] < start[here + 1]:
            following = head[cursor[here]]
            cursor[here] += 1
            if number[following] < 0:
                found = following
        if found < 0:
            depth -= 1
            continue
        number[found], vertex[count], above[count] = count, found, number[here]
        count += 1
        stack[depth] = found
        depth += 1
    return number, vertex[:count].copy(), above[:count].copy()


@njit()
def _least(
    v: int, forest: NDArray[np.int32], label: NDArray[np.int32], semi: NDArray[np.int32], path: NDArray[np.int32]
) -> int:
    """The vertex of least semidominator on the way up from v, with the way shortened for the next to come."""
    if forest[v] < 0:
        return v
    depth = 0
    here = v
    while forest[forest[here]] >= 0:
        path[depth] = here
        depth += 1
        here = forest[here]
    root = forest[here]
    while depth > 0:
        depth -= 1
        below = path[depth]
        up = forest[below]
        if semi[label[up]] < semi[label[below]]:
            label[below] = label[up]
        forest[below] = root
    return int(label[v])


@njit()
def _dominators(
    start: NDArray[np.int32],
    tail: NDArray[np.int32],
    number: NDArray[np.int32],
    vertex: NDArray[np.int32],
    above: NDArray[np.int32],
) -> NDArray[np.int32]:
    """Immediate dominators; a vertex is its number in the search, so that what is met together lies together.

    `tail` holds the tails of the arcs that enter each vertex, from `start` on.
    """
    count = vertex.shape[0]
    semi, label = np.arange(count).astype(np.int32), np.arange(count).astype(np.int32)
    forest, bucket, following = np.full(count, -1, np.int32), np.full(count, -1, np.int32), np.full(count, -1, np.int32)
    idom, path = np.zeros(count, np.int32), np.empty(count, np.int32)
    for w in range(count - 1, 0, -1):
        least = w
        for place in range(start[vertex[w]], start[vertex[w] + 1]):
            other = number[tail[place]]
            if other >= 0:
                least = min(least, semi[_least(other, forest, label, semi, path)])
        semi[w] = least
        following[w] = bucket[least]
        bucket[least] = w
        up = above[w]
        forest[w] = up
        waiting = bucket[up]
        bucket[up] = -1
        while waiting >= 0:
            best = _least(waiting, forest, label, semi, path)
            idom[waiting] = best if semi[best] < semi[waiting] else up
            waiting = following[waiting]
    for w in range(1, count):
        if idom[w] != semi[w]:
            idom[w] = idom[idom[w]]
    return idom


@njit()
def _places(idom: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Where each vertex stands in a walk through the tree, and how many stand there that hang on it."""
    count = idom.shape[0]
    size, first, following = np.ones(count, np.int32), np.zeros(count, np.int32), np.ones(count, np.int32)
    for w in range(count - 1, 0, -1):
        size[idom[w]] += size[w]
    for w in range(1, count):
        up = idom[w]
        first[w] = following[up]
        following[up] += size[w]
        following[w] = first[w] + 1
    return first, size


def exit_arcs(streets: Passages, exits: NDArray[np.int32]) -> RoutingGraph:
    """Where one gets from each vertex against the direction of travel: from the outside to the exits, and on.

    Exits or streets that are not there are an InputError.
    """
    n, m = streets.node_count, streets.a.size
    out = np.unique(np.asarray(exits, dtype=np.int32))
    if out.size == 0:
        raise refused("exits", "no_exits")
    for what, nodes in (("streets", streets.a), ("streets", streets.b), ("exits", out)):
        if nodes.size and (int(nodes.min()) < 0 or int(nodes.max()) >= n):
            raise refused(what, "no_such_junction", last=n - 1)
    # against the direction of travel: onto a street from where it is left, and off it to where it is entered
    own = np.arange(n, n + m, dtype=np.int32)
    tail = np.column_stack([streets.a, streets.b, own, own])
    head = np.column_stack([own, own, streets.a, streets.b])
    kept = (streets.bits[:, None] & np.array([LEAVE_A, LEAVE_B, ENTER_A, ENTER_B], dtype=np.uint8)) > 0
    return routing_graph(
        n + m + 1,
        np.concatenate([tail[kept], np.full(out.size, n + m, dtype=np.int32)]),
        head=np.concatenate([head[kept], out]),
    )


def exit_tree(streets: Passages, exits: NDArray[np.int32]) -> ExitTree:
    """Find for each junction and street what everyone there must pass to get out.

    A triangle with a dead end on one corner, the exit on another:

    >>> a, b = np.array([0, 1, 2, 2], dtype=np.int32), np.array([1, 2, 0, 3], dtype=np.int32)
    >>> tree = exit_tree(Passages(4, a, b, np.full(4, 15, dtype=np.uint8)), np.array([0], dtype=np.int32))
    >>> tree.parent[3], tree.parent[7], tree.parent[2]  # the dead end hangs on street 3, that on junction 2, that on 0
    (np.int32(7), np.int32(2), np.int32(0))
    """
    n, m = streets.node_count, streets.a.size
    graph = exit_arcs(streets, exits)
    number, vertex, above = _walk(graph.out_start, graph.out_head, n + m)
    idom = _dominators(graph.in_start, graph.in_tail, number, vertex, above)
    parent = np.full(n + m + 1, NO_WAY_OUT, dtype=np.int32)
    first, size = np.zeros(n + m + 1, dtype=np.int32), np.zeros(n + m + 1, dtype=np.int32)
    parent[vertex] = vertex[idom]
    first[vertex], size[vertex] = _places(idom)
    return ExitTree(n, m, parent, vertex, first, size)


@njit()
def _gather(
    order: NDArray[np.int32], parent: NDArray[np.int32], total: NDArray[np.float64], greatest: bool
) -> NDArray[np.float64]:
    for k in range(order.shape[0] - 1, 0, -1):
        v = order[k]
        up = parent[v]
        total[up] = max(total[up], total[v]) if greatest else total[up] + total[v]
    return total


def sum_behind(tree: ExitTree, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Add up a value per vertex over everything that must pass each vertex, the vertex itself with it."""
    return np.asarray(_gather(tree.order, tree.parent, np.array(value, dtype=np.float64), False))


def greatest_behind(tree: ExitTree, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Find the greatest value over everything that must pass each vertex, the vertex itself with it."""
    return np.asarray(_gather(tree.order, tree.parent, np.array(value, dtype=np.float64), True))


def bridges(
    node_count: int, a: NDArray[np.int32], *, b: NDArray[np.int32], joined: NDArray[np.int32] | None = None
) -> NDArray[np.bool_]:
    """Find the streets whose loss splits an undirected street graph; parallel streets and loops never do.

    Without directions that is a street that something else must pass to get out, where each part of the graph has a
    way out somewhere. `joined` are junctions that are joined to one another outside of the graph (the exits).
    """
    out = np.zeros(0, dtype=np.int64) if joined is None else np.asarray(joined, dtype=np.int64)
    links = sparse.coo_matrix((np.ones(a.size, dtype=np.int8), (a, b)), shape=(node_count, node_count))
    _, part = sparse.csgraph.connected_components(links, directed=False)
    apart, one_of_each = np.unique(part, return_index=True)
    alone = one_of_each[~np.isin(apart, part[out])]
    every = Passages(node_count, a, b, np.full(a.size, BOTH_WAYS, dtype=np.uint8))
    tree = exit_tree(every, np.concatenate([out, alone]).astype(np.int32))
    return np.asarray(tree.size[node_count:-1] > 1, dtype=np.bool_)
