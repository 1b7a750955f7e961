"""What everyone must pass to get out: dominators of the street graph with all exits joined to one outside place.

Junctions and streets are both vertices of one directed graph, so that a street that must be passed and a junction that
must be passed are found alike. Seen from the outside, against the direction of travel, vertex d dominates vertex v when
every way from the outside to v goes through d; so everyone at v must pass d to get out. The immediate dominators form
a tree with the outside at its root. The algorithm is that of Lengauer & Tarjan 1979 (ACM Transactions on Programming
Languages and Systems 1(1), 121-141, simple version, from memory); the undirected bridges are found by the low points of
a depth-first search (Tarjan 1974, Information Processing Letters 2(6), 160-161, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.errors import refuse

NO_WAY_OUT: Final = -1
"""Stands in `parent` for a vertex from which no exit can be reached."""

_ENTER_A: Final = 1
_ENTER_B: Final = 2
_LEAVE_A: Final = 4
_LEAVE_B: Final = 8


@dataclass(frozen=True, eq=False)
class ExitTree:
    """Which street or junction everyone must pass next on the way out, as a tree.

    Vertices are numbered: junctions 0 to n - 1, streets n to n + m - 1, the outside n + m.

    Attributes
    ----------
    node_count, street_count : int
        n and m.
    parent : NDArray[np.int32], shape (n + m + 1,)
        The nearest street or junction that everyone at the vertex must pass; `outside` where there is none;
        `NO_WAY_OUT` where no exit can be reached.
    order : NDArray[np.int32], shape (k,)
        The k vertices with a way out, each after its parent; the outside first.
    first, size : NDArray[np.int32], shape (n + m + 1,)
        All that must pass vertex v, with v itself, stand at places `first[v]` to `first[v] + size[v]` of a walk
        through the tree; `size` is 0 where there is no way out.
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


def street_passages(
    node_count: int,
    a: NDArray[np.int32],
    *,
    b: NDArray[np.int32],
    forward: NDArray[np.bool_],
    backward: NDArray[np.bool_],
    own: NDArray[np.bool_],
    exits: NDArray[np.int32],
) -> NDArray[np.uint8]:
    """How each street may be entered and left at its ends, as bits: enter at a 1, at b 2, leave at a 4, at b 8.

    A street of its residents' own (private, behind a gate, a track) is left by those who live on it or behind it, but
    nobody else counts on it: it is not entered from a junction from which one gets out by open streets alone.

    Parameters
    ----------
    node_count : int
        Number of junctions.
    a, b : NDArray[np.int32], shape (m,)
        The ends of each street.
    forward, backward : NDArray[np.bool_], shape (m,)
        Whether it may be driven from a to b, from b to a; neither for a street that is not driven.
    own : NDArray[np.bool_], shape (m,)
        True for a street of its residents' own.
    exits : NDArray[np.int32]
        Junctions that count as out.

    Examples
    --------
    >>> ends = np.array([0, 1], dtype=np.int32), np.array([1, 2], dtype=np.int32)
    >>> yes, own, exits = np.array([True, True]), np.array([False, True]), np.array([0], dtype=np.int32)
    >>> street_passages(3, ends[0], b=ends[1], forward=yes, backward=yes, own=own, exits=exits).tolist()
    [15, 14]
    """
    bits = forward * _ENTER_A + backward * _ENTER_B + backward * _LEAVE_A + forward * _LEAVE_B
    passage = np.asarray(bits, dtype=np.uint8)
    kept_out = own & (passage > 0)
    if not kept_out.any():
        return passage
    start, end = np.ascontiguousarray(a, dtype=np.int32), np.ascontiguousarray(b, dtype=np.int32)
    out_by_open = _reached(
        node_count, start, end, np.where(own, 0, passage).astype(np.uint8), np.asarray(exits, dtype=np.int32)
    )
    shut = (kept_out & out_by_open[start]) * _ENTER_A + (kept_out & out_by_open[end]) * _ENTER_B
    return np.asarray(passage & ~shut.astype(np.uint8), dtype=np.uint8)


@njit()
def _incidence(
    node_count: int, a: NDArray[np.int32], b: NDArray[np.int32], passage: NDArray[np.uint8]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Streets at each junction as compressed rows; entry 2 s for the end a of street s, 2 s + 1 for its end b."""
    start = np.zeros(node_count + 1, np.int32)
    for s in range(a.shape[0]):
        if passage[s]:
            start[a[s] + 1] += 1
            start[b[s] + 1] += 1
    for v in range(node_count):
        start[v + 1] += start[v]
    spot = start[:-1].copy()
    at = np.empty(start[node_count], np.int32)
    for s in range(a.shape[0]):
        if passage[s]:
            at[spot[a[s]]] = 2 * s
            spot[a[s]] += 1
            at[spot[b[s]]] = 2 * s + 1
            spot[b[s]] += 1
    return start, at


@njit()
def _walk(
    node_count: int,
    a: NDArray[np.int32],
    b: NDArray[np.int32],
    passage: NDArray[np.uint8],
    start: NDArray[np.int32],
    at: NDArray[np.int32],
    exits: NDArray[np.int32],
    number: NDArray[np.int32],
    vertex: NDArray[np.int32],
    above: NDArray[np.int32],
) -> int:
    """Depth-first search from the outside against the direction of travel; the count of vertices that are reached.

    `number` is the search's number of a vertex, `vertex` the reverse, `above` the number of the one it was found from.
    """
    streets = a.shape[0]
    outside = node_count + streets
    cursor = np.empty(node_count + streets, np.int32)
    stack = np.empty(node_count + streets + 1, np.int32)
    number[:] = -1
    number[outside] = 0
    vertex[0] = outside
    above[0] = 0
    count = 1
    for k in range(exits.shape[0]):
        origin = exits[k]
        if number[origin] >= 0:
            continue
        number[origin] = count
        vertex[count] = origin
        above[count] = 0
        count += 1
        cursor[origin] = start[origin]
        stack[0] = origin
        depth = 1
        while depth > 0:
            here = stack[depth - 1]
            found = -1
            if here < node_count:
                place = cursor[here]
                end = start[here + 1]
                while place < end:
                    item = at[place]
                    place += 1
                    s = item >> 1
                    leave = 8 if item & 1 else 4
                    if passage[s] & leave and number[node_count + s] < 0:
                        found = node_count + s
                        break
                cursor[here] = place
            else:
                s = here - node_count
                place = cursor[here]
                while place < 2:
                    entered = passage[s] & (1 << place)
                    end_node = a[s] if place == 0 else b[s]
                    place += 1
                    if entered and number[end_node] < 0:
                        found = end_node
                        break
                cursor[here] = place
            if found < 0:
                depth -= 1
                continue
            number[found] = count
            vertex[count] = found
            above[count] = number[here]
            count += 1
            cursor[found] = start[found] if found < node_count else 0
            stack[depth] = found
            depth += 1
    return count


@njit()
def _reached(
    node_count: int,
    a: NDArray[np.int32],
    b: NDArray[np.int32],
    passage: NDArray[np.uint8],
    exits: NDArray[np.int32],
) -> NDArray[np.bool_]:
    """Junctions from which an exit can be reached."""
    total = node_count + a.shape[0] + 1
    start, at = _incidence(node_count, a, b, passage)
    number, vertex, above = np.empty(total, np.int32), np.empty(total, np.int32), np.empty(total, np.int32)
    _walk(node_count, a, b, passage, start, at, exits, number, vertex, above)
    return number[:node_count] >= 0


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
    node_count: int,
    a: NDArray[np.int32],
    b: NDArray[np.int32],
    passage: NDArray[np.uint8],
    exits: NDArray[np.int32],
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    streets = a.shape[0]
    total = node_count + streets + 1
    outside = total - 1
    start, at = _incidence(node_count, a, b, passage)
    number = np.empty(total, np.int32)
    vertex = np.empty(total, np.int32)
    above = np.empty(total, np.int32)
    count = _walk(node_count, a, b, passage, start, at, exits, number, vertex, above)
    is_exit = np.zeros(node_count, np.bool_)
    for k in range(exits.shape[0]):
        is_exit[exits[k]] = True

    # from here on a vertex is its number in the search, so that what is met together lies together
    semi = np.arange(count).astype(np.int32)
    label = np.arange(count).astype(np.int32)
    forest = np.full(count, -1, np.int32)
    idom = np.zeros(count, np.int32)
    bucket = np.full(count, -1, np.int32)
    following = np.full(count, -1, np.int32)
    path = np.empty(count, np.int32)
    for w in range(count - 1, 0, -1):
        here = vertex[w]
        least = w
        if here < node_count:
            if is_exit[here]:
                least = 0
            else:
                for place in range(start[here], start[here + 1]):
                    item = at[place]
                    s = item >> 1
                    enter = 2 if item & 1 else 1
                    if passage[s] & enter:
                        other = number[node_count + s]
                        if other >= 0:
                            value = semi[_least(other, forest, label, semi, path)]
                            least = min(least, value)
        else:
            s = here - node_count
            for end in range(2):
                if passage[s] & (4 << end):
                    other = number[a[s] if end == 0 else b[s]]
                    if other >= 0:
                        value = semi[_least(other, forest, label, semi, path)]
                        least = min(least, value)
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

    size_of = np.ones(count, np.int32)
    for w in range(count - 1, 0, -1):
        size_of[idom[w]] += size_of[w]
    first_of = np.zeros(count, np.int32)
    next_of = np.ones(count, np.int32)
    for w in range(1, count):
        up = idom[w]
        first_of[w] = next_of[up]
        next_of[up] += size_of[w]
        next_of[w] = first_of[w] + 1

    parent = np.full(total, -1, np.int32)
    first = np.zeros(total, np.int32)
    size = np.zeros(total, np.int32)
    for w in range(count):
        v = vertex[w]
        parent[v] = vertex[idom[w]]
        first[v] = first_of[w]
        size[v] = size_of[w]
    parent[outside] = outside
    return parent, vertex[:count].copy(), first, size


def exit_tree(
    node_count: int,
    a: NDArray[np.int32],
    *,
    b: NDArray[np.int32],
    passage: NDArray[np.uint8],
    exits: NDArray[np.int32],
) -> ExitTree:
    """Find for each junction and street what everyone there must pass to get out.

    Parameters
    ----------
    node_count : int
        Number of junctions, n.
    a, b : NDArray[np.int32], shape (m,)
        The ends of each street.
    passage : NDArray[np.uint8], shape (m,)
        From `street_passages`.
    exits : NDArray[np.int32], shape (k,)
        Junctions that count as out, at least one.

    Raises
    ------
    InputError
        When there is no exit, or an end or exit is no junction.

    Examples
    --------
    A triangle with a dead end on one corner, the exit on another.

    >>> a, b = np.array([0, 1, 2, 2], dtype=np.int32), np.array([1, 2, 0, 3], dtype=np.int32)
    >>> yes, no = np.ones(4, dtype=bool), np.zeros(4, dtype=bool)
    >>> passage = street_passages(4, a, b=b, forward=yes, backward=yes, own=no, exits=np.array([0]))
    >>> tree = exit_tree(4, a, b=b, passage=passage, exits=np.array([0], dtype=np.int32))
    >>> tree.parent[3], tree.parent[7], tree.parent[2]  # the dead end hangs on street 3, that on junction 2, that on 0
    (np.int32(7), np.int32(2), np.int32(0))
    """
    ends_a, ends_b = np.ascontiguousarray(a, dtype=np.int32), np.ascontiguousarray(b, dtype=np.int32)
    out = np.unique(np.asarray(exits, dtype=np.int32))
    if out.size == 0:
        raise refuse(
            "exits",
            "there is no way out of these roads",
            expected="at least one exit",
            mend="name the exits, or take an extract in which a main road leads out",
        )
    for what, nodes in (("streets", ends_a), ("streets", ends_b), ("exits", out)):
        if nodes.size and (int(nodes.min()) < 0 or int(nodes.max()) >= node_count):
            raise refuse(
                what,
                "a junction is named that does not exist",
                expected=f"junctions 0 to {node_count - 1}",
                mend="number the junctions from 0 without gaps",
            )
    if not (ends_a.shape == ends_b.shape == passage.shape):
        raise refuse(
            "streets",
            f"{ends_a.size} starts, {ends_b.size} ends and {passage.size} passages",
            expected="one of each for each street",
            mend="give arrays of the same length",
        )
    parent, order, first, size = _dominators(node_count, ends_a, ends_b, passage, out)
    return ExitTree(node_count, int(ends_a.size), parent, order, first, size)


@njit()
def _sums(order: NDArray[np.int32], parent: NDArray[np.int32], value: NDArray[np.float64]) -> None:
    for k in range(order.shape[0] - 1, 0, -1):
        v = order[k]
        value[parent[v]] += value[v]


@njit()
def _greatest(order: NDArray[np.int32], parent: NDArray[np.int32], value: NDArray[np.float64]) -> None:
    for k in range(order.shape[0] - 1, 0, -1):
        v = order[k]
        value[parent[v]] = max(value[parent[v]], value[v])


def sum_behind(tree: ExitTree, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Add up a value over everything that must pass each vertex, the vertex itself with it.

    Parameters
    ----------
    tree : ExitTree
    value : NDArray[np.float64], shape (n + m + 1,)
        Per vertex.

    Examples
    --------
    >>> a, b = np.array([0, 1], dtype=np.int32), np.array([1, 2], dtype=np.int32)
    >>> tree = exit_tree(3, a, b=b, passage=np.array([15, 15], dtype=np.uint8), exits=np.array([0], dtype=np.int32))
    >>> sum_behind(tree, np.array([0.0, 0.0, 5.0, 2.0, 1.0, 0.0]))[[3, 4]].tolist()
    [8.0, 6.0]
    """
    total = np.array(value, dtype=np.float64)
    _sums(tree.order, tree.parent, total)
    return total


def greatest_behind(tree: ExitTree, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Find the greatest value over everything that must pass each vertex, the vertex itself with it.

    Examples
    --------
    >>> a, b = np.array([0, 1], dtype=np.int32), np.array([1, 2], dtype=np.int32)
    >>> tree = exit_tree(3, a, b=b, passage=np.array([15, 15], dtype=np.uint8), exits=np.array([0], dtype=np.int32))
    >>> greatest_behind(tree, np.array([0.0, 0.0, 5.0, 2.0, 1.0, 0.0]))[3]
    np.float64(5.0)
    """
    most = np.array(value, dtype=np.float64)
    _greatest(tree.order, tree.parent, most)
    return most


@njit()
def _bridges(
    node_count: int, a: NDArray[np.int32], b: NDArray[np.int32], joined: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    streets = a.shape[0]
    start, at = _incidence(node_count, a, b, np.ones(streets, np.uint8))
    number = np.full(node_count, -1, np.int32)
    low = np.empty(node_count, np.int32)
    cursor = np.empty(node_count, np.int32)
    stack = np.empty(node_count, np.int32)
    via = np.full(node_count, -1, np.int32)
    bridge = np.zeros(streets, np.bool_)
    count = 1
    # number 0 is the outside place that all joined junctions touch: they are searched first
    for turn in range(2):
        for origin in range(node_count):
            if number[origin] >= 0 or (turn == 0 and not joined[origin]):
                continue
            number[origin] = count
            low[origin] = 0 if joined[origin] else count
            count += 1
            cursor[origin] = start[origin]
            stack[0] = origin
            depth = 1
            while depth > 0:
                here = stack[depth - 1]
                if cursor[here] < start[here + 1]:
                    item = at[cursor[here]]
                    cursor[here] += 1
                    s = item >> 1
                    if s == via[here]:
                        continue
                    other = a[s] if item & 1 else b[s]
                    if number[other] < 0:
                        number[other] = count
                        low[other] = 0 if joined[other] else count
                        count += 1
                        cursor[other] = start[other]
                        via[other] = s
                        stack[depth] = other
                        depth += 1
                    else:
                        low[here] = min(low[here], number[other])
                    continue
                depth -= 1
                if depth > 0:
                    up = stack[depth - 1]
                    low[up] = min(low[up], low[here])
                    if low[here] > number[up]:
                        bridge[via[here]] = True
    return bridge


def bridges(
    node_count: int, a: NDArray[np.int32], *, b: NDArray[np.int32], joined: NDArray[np.int32] | None = None
) -> NDArray[np.bool_]:
    """Find the streets whose loss splits an undirected street graph.

    Parameters
    ----------
    node_count : int
        Number of junctions.
    a, b : NDArray[np.int32], shape (m,)
        The ends of each street. Parallel streets and loops are never bridges.
    joined : NDArray[np.int32], optional
        Junctions that are joined to one another outside of the graph (the exits).

    Returns
    -------
    NDArray[np.bool_], shape (m,)

    Examples
    --------
    >>> a, b = np.array([0, 1, 2, 2], dtype=np.int32), np.array([1, 2, 0, 3], dtype=np.int32)
    >>> bridges(4, a, b=b).tolist()
    [False, False, False, True]
    >>> bridges(4, a, b=b, joined=np.array([0, 3])).tolist()
    [False, False, False, False]
    """
    touched = np.zeros(node_count, dtype=np.bool_)
    if joined is not None:
        touched[joined] = True
    found = _bridges(
        node_count, np.ascontiguousarray(a, dtype=np.int32), np.ascontiguousarray(b, dtype=np.int32), touched
    )
    return np.asarray(found, dtype=np.bool_)
