"""The exact latest departure from everywhere, earliest arrival, and the way itself, on roads that close.

Roads only close. So arriving earlier is never worse, waiting never helps, and one label-setting pass is exact: backward
from the safe points for the latest departure, forward from the start for the earliest arrival. This is the
time-dependent form of Dijkstra's algorithm under the first-in first-out property (from memory: Kaufman & Smith 1993,
IVHS Journal 1(1), 1-11).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.errors import refuse
from leaveby.roads.network.graph import RoadNetwork, RoutingGraph, csr


@dataclass(frozen=True, eq=False)
class LatestDeparture:
    """By when one must leave each node to reach a safe point before the roads close.

    Attributes
    ----------
    time_s : NDArray[np.float64], shape (n,)
        Latest moment to leave the node. +inf: nothing on the way closes within the horizon (which is no leave to wait).
        -inf: no way out.
    drive_s : NDArray[np.float64], shape (n,)
        Travel time along the way that allows the latest departure; inf where there is no way out.
    next_edge : NDArray[np.int32], shape (n,)
        Edge to take from the node; -1 at targets and where there is no way out.
    target : NDArray[np.int32], shape (n,)
        Node of the safe point that this way leads to, or -1.
    travel_s, closing_s : NDArray[np.float64], shape (e,)
        The travel and closing times that were used.
    margin_s : float
        The margin that was used.
    """

    time_s: NDArray[np.float64]
    drive_s: NDArray[np.float64]
    next_edge: NDArray[np.int32]
    target: NDArray[np.int32]
    travel_s: NDArray[np.float64]
    closing_s: NDArray[np.float64]
    margin_s: float


@dataclass(frozen=True, eq=False)
class EarliestArrival:
    """When each node can be reached from one start, left at one moment.

    Attributes
    ----------
    time_s : NDArray[np.float64], shape (n,)
        Earliest arrival; inf where the node can't be reached any more.
    previous_edge : NDArray[np.int32], shape (n,)
        Edge by which the node is reached; -1 at the start and where it is not reached.
    start : int
        Node of the start.
    depart_s : float
        Moment of departure.
    travel_s, closing_s, margin_s
        As in `LatestDeparture`.
    """

    time_s: NDArray[np.float64]
    previous_edge: NDArray[np.int32]
    start: int
    depart_s: float
    travel_s: NDArray[np.float64]
    closing_s: NDArray[np.float64]
    margin_s: float


@njit()
def _push(
    key: NDArray[np.float64], node: NDArray[np.int32], size: int, first: float, second: float, which: int
) -> None:
    """Put an entry into a heap of `size` entries, four children to each, least (first, second) on top."""
    spot = size
    while spot > 0:
        parent = (spot - 1) >> 2
        above = key[parent, 0]
        if above < first or (above == first and key[parent, 1] <= second):
            break
        key[spot, 0] = above
        key[spot, 1] = key[parent, 1]
        node[spot] = node[parent]
        spot = parent
    key[spot, 0] = first
    key[spot, 1] = second
    node[spot] = which


@njit()
def _drop_top(key: NDArray[np.float64], node: NDArray[np.int32], size: int) -> None:
    """Take the top from a heap of `size` entries."""
    last = size - 1
    first, second, which = key[last, 0], key[last, 1], node[last]
    spot = 0
    while True:
        child = (spot << 2) + 1
        if child >= last:
            break
        best = child
        best_first, best_second = key[child, 0], key[child, 1]
        for other in range(child + 1, min(child + 4, last)):
            other_first = key[other, 0]
            if other_first < best_first or (other_first == best_first and key[other, 1] < best_second):
                best, best_first, best_second = other, other_first, key[other, 1]
        if first < best_first or (first == best_first and second <= best_second):
            break
        key[spot, 0] = best_first
        key[spot, 1] = best_second
        node[spot] = node[best]
        spot = best
    key[spot, 0] = first
    key[spot, 1] = second
    node[spot] = which


@njit()
def _latest(
    in_start: NDArray[np.int32],
    in_edge: NDArray[np.int32],
    in_tail: NDArray[np.int32],
    travel_s: NDArray[np.float64],
    closing_s: NDArray[np.float64],
    margin_s: float,
    targets: NDArray[np.int32],
    label: NDArray[np.float64],
    onward: NDArray[np.int32],
    heap_key: NDArray[np.float64],
    heap_node: NDArray[np.int32],
) -> None:
    """L(u) = max over e = (u, v) of min(L(v), c(e) - m) - w(e); ties go to the shorter drive.

    `label` holds (-L, drive) and `onward` (edge, target) of each node. A node that is popped has its final label. What
    lies close together in use lies close together in memory.
    """
    label[:] = np.inf
    onward[:] = -1
    size = 0
    for k in range(targets.shape[0]):
        node = targets[k]
        if onward[node, 1] < 0:
            label[node, 0] = -np.inf
            label[node, 1] = 0.0
            onward[node, 1] = node
            _push(heap_key, heap_node, size, -np.inf, 0.0, node)
            size += 1
    while size > 0:
        key = heap_key[0, 0]
        tie = heap_key[0, 1]
        v = heap_node[0]
        _drop_top(heap_key, heap_node, size)
        size -= 1
        if key > label[v, 0] or tie > label[v, 1]:
            continue
        goal = onward[v, 1]
        for row in range(in_start[v], in_start[v + 1]):
            edge = in_edge[row]
            w = travel_s[edge]
            if w == np.inf:
                continue
            # with the sign turned: -L(u) = max(-L(v), m - c(e)) + w(e)
            shut = margin_s - closing_s[edge]
            leave = (key if key > shut else shut) + w
            u = in_tail[row]
            here = label[u, 0]
            if leave > here or leave == np.inf:
                continue
            long = tie + w
            if leave < here or long < label[u, 1]:
                label[u, 0] = leave
                label[u, 1] = long
                onward[u, 0] = edge
                onward[u, 1] = goal
                _push(heap_key, heap_node, size, leave, long, u)
                size += 1


@njit()
def _earliest(
    out_start: NDArray[np.int32],
    out_edge: NDArray[np.int32],
    out_head: NDArray[np.int32],
    travel_s: NDArray[np.float64],
    closing_s: NDArray[np.float64],
    margin_s: float,
    start: int,
    depart_s: float,
    arrive: NDArray[np.float64],
    previous: NDArray[np.int32],
) -> None:
    """A(v) = min over e = (u, v) with A(u) + w(e) <= c(e) - m of A(u) + w(e)."""
    arrive[:] = np.inf
    previous[:] = -1
    room = out_edge.shape[0] + 2
    heap_key = np.empty((room, 2))
    heap_node = np.empty(room, dtype=np.int32)
    arrive[start] = depart_s
    _push(heap_key, heap_node, 0, depart_s, 0.0, start)
    size = 1
    while size > 0:
        now = heap_key[0, 0]
        u = heap_node[0]
        _drop_top(heap_key, heap_node, size)
        size -= 1
        if now > arrive[u]:
            continue
        for row in range(out_start[u], out_start[u + 1]):
            edge = out_edge[row]
            then = now + travel_s[edge]
            if then > closing_s[edge] - margin_s:
                continue
            v = out_head[row]
            if then < arrive[v]:
                arrive[v] = then
                previous[v] = edge
                _push(heap_key, heap_node, size, then, 0.0, v)
                size += 1


def _graph_of(network: RoadNetwork | RoutingGraph) -> RoutingGraph:
    return network if isinstance(network, RoutingGraph) else csr(network)


def _times(values: Any, *, shape: tuple[int, ...], what: str, least: float) -> NDArray[np.float64]:
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.shape != shape:
        raise refuse(what, f"its shape is {array.shape}", expected=f"shape {shape}", mend="give one value per edge")
    if np.isnan(array).any():
        raise refuse(
            what,
            f"{int(np.isnan(array).sum())} values are missing",
            expected="a time in seconds for every edge (inf where it can't be used, or never closes)",
            mend="compute the missing values; none is made up",
        )
    if array.size and array.min() < least:
        raise refuse(
            what,
            f"a value is {array.min()} s",
            expected=f"{least} s or more",
            mend="a road can't be driven in less than no time: correct it",
        )
    return array


def _finite(value: float, *, what: str) -> None:
    if not np.isfinite(value):
        raise refuse(what, f"it is {value}", expected="a finite number of seconds", mend="correct it")


def _nodes(values: Any, *, graph: RoutingGraph, what: str) -> NDArray[np.int32]:
    array = np.atleast_1d(np.asarray(values))
    if array.size == 0 or array.min() < 0 or array.max() >= graph.node_count:
        raise refuse(
            what,
            f"nodes {array.tolist()[:5]}",
            expected=f"at least one node, 0 to {graph.node_count - 1}",
            mend="take the nodes that attach_points gave for this network",
        )
    return np.ascontiguousarray(array, dtype=np.int32)


def latest_departure(
    network: RoadNetwork | RoutingGraph,
    travel_time_s: NDArray[np.float64],
    *,
    closing_s: NDArray[np.float64],
    targets: int | Sequence[int] | NDArray[np.int32],
    margin_s: float = 0.0,
) -> LatestDeparture:
    """Latest departure from every node to the best of the targets, exact, in one backward pass.

    An edge may be entered only if it is cleared, with the margin, before it shuts. Ties go to the shorter drive, so
    that where nothing closes the way is the quickest. Where something closes, the way kept is the one that can be left
    latest; `earliest_arrival` gives the quickest for a known departure.

    Parameters
    ----------
    network : RoadNetwork or RoutingGraph
        With n nodes and e edges.
    travel_time_s : NDArray[np.float64], shape (e,)
        0 or more; inf where the vehicle can't use the edge.
    closing_s : NDArray[np.float64], shape (e,)
        First moment at which the edge is shut; inf: never within the horizon, -inf: shut from the beginning.
    targets : int or sequence of int
        Nodes of the safe points.
    margin_s : float
        Every edge must be cleared this long before it shuts.

    Raises
    ------
    InputError
        For missing or negative travel times, missing closings, unknown nodes.

    Examples
    --------
    >>> from leaveby.roads.network.graph import routing_graph
    >>> graph = routing_graph(3, np.array([0, 1, 0], dtype=np.int32), head=np.array([1, 2, 2], dtype=np.int32))
    >>> out = latest_departure(
    ...     graph, np.array([10.0, 10.0, 50.0]), closing_s=np.array([100.0, 60.0, 95.0]), targets=2, margin_s=5.0
    ... )
    >>> out.time_s.tolist(), out.next_edge.tolist()
    ([40.0, 45.0, inf], [2, 1, -1])
    """
    graph = _graph_of(network)
    travel = _times(travel_time_s, shape=(graph.edge_count,), what="travel_time_s", least=0.0)
    closing = _times(closing_s, shape=(graph.edge_count,), what="closing_s", least=-np.inf)
    goal = _nodes(targets, graph=graph, what="targets")
    _finite(margin_s, what="margin_s")
    room = graph.edge_count + goal.size + 1
    label, onward = np.empty((graph.node_count, 2)), np.empty((graph.node_count, 2), dtype=np.int32)
    _latest(
        graph.in_start,
        graph.in_edge,
        graph.in_tail,
        travel,
        closing,
        float(margin_s),
        goal,
        label,
        onward,
        np.empty((room, 2)),
        np.empty(room, dtype=np.int32),
    )
    return LatestDeparture(
        0.0 - label[:, 0],
        label[:, 1].copy(),
        onward[:, 0].copy(),
        onward[:, 1].copy(),
        travel,
        closing,
        float(margin_s),
    )


def earliest_arrival(
    network: RoadNetwork | RoutingGraph,
    travel_time_s: NDArray[np.float64],
    *,
    closing_s: NDArray[np.float64],
    start: int,
    depart_s: float = 0.0,
    margin_s: float = 0.0,
) -> EarliestArrival:
    """Earliest arrival at every node when one leaves `start` at `depart_s`, exact, in one forward pass.

    Parameters
    ----------
    network : RoadNetwork or RoutingGraph
        With n nodes and e edges.
    start : int
        Node one leaves from.
    depart_s : float
        Moment of departure.

    Examples
    --------
    >>> from leaveby.roads.network.graph import routing_graph
    >>> graph = routing_graph(3, np.array([0, 1, 0], dtype=np.int32), head=np.array([1, 2, 2], dtype=np.int32))
    >>> never = np.full(3, np.inf)
    >>> earliest_arrival(graph, np.array([10.0, 10.0, 50.0]), closing_s=never, start=0, depart_s=5.0).time_s.tolist()
    [5.0, 15.0, 25.0]
    """
    graph = _graph_of(network)
    travel = _times(travel_time_s, shape=(graph.edge_count,), what="travel_time_s", least=0.0)
    closing = _times(closing_s, shape=(graph.edge_count,), what="closing_s", least=-np.inf)
    origin = int(_nodes(start, graph=graph, what="start")[0])
    _finite(depart_s, what="depart_s")
    _finite(margin_s, what="margin_s")
    arrive, previous = np.empty(graph.node_count), np.empty(graph.node_count, dtype=np.int32)
    _earliest(
        graph.out_start,
        graph.out_edge,
        graph.out_head,
        travel,
        closing,
        float(margin_s),
        origin,
        float(depart_s),
        arrive,
        previous,
    )
    return EarliestArrival(arrive, previous, origin, float(depart_s), travel, closing, float(margin_s))
