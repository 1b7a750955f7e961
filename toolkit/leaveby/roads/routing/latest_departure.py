"""The exact latest departure from everywhere, earliest arrival, and the way itself, on roads that close.

Roads only close, and queues are first in, first out. So arriving earlier is never worse, waiting never helps, and one
label-setting pass is exact: backward from the safe points for the latest departure, forward from the start for the
earliest arrival (without queues). This is the time-dependent form of Dijkstra's algorithm under the first-in first-out
property (from memory: Kaufman & Smith 1993, IVHS Journal 1(1), 1-11).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.errors import refuse, refused
from leaveby.roads.network.graph import RoadNetwork, RoutingGraph, csr
from leaveby.roads.routing.holds import Hold, laid_by_edge


@dataclass(frozen=True, eq=False)
class LatestDeparture:
    """By when one must leave each node to reach a safe point before the roads close.

    - `time_s`, `drive_s`: latest moment to leave the node (+inf: nothing on the way closes within the horizon, which is
      no leave to wait; -inf: no way out), and travel time along the way that allows it (inf where there is no way out).
    - `next_edge`, `target`: edge to take from the node, -1 at targets, and node of the safe point that it leads to;
      both -1 where there is no way out.
    - `travel_s`, `closing_s`, `margin_s`: of each edge, as they were used.
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
    """When each node can be reached from `start`, left at `depart_s`.

    `time_s` is inf where a node can't be reached any more; `previous_edge` is the edge by which it is reached, -1 at
    the start and where it is not. The rest is as in `LatestDeparture`.
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
    ahead_s: NDArray[np.float64],
    first: NDArray[np.int64],
    before_s: NDArray[np.float64],
    free_s: NDArray[np.float64],
) -> None:
    """L(u) = max over e = (u, v) of min(L(v), c(e) - m) - w(e), come for through the hold of e (`holds.come_by_s`).

    Ties go to the shorter drive. `label` holds (-L, drive) and `onward` (edge, target) of each node. A node that is
    popped has its final label. What lies close together in use lies close together in memory.
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
            if ahead_s.shape[0]:
                passed = first[edge] + np.searchsorted(free_s[first[edge] : first[edge + 1]], -leave, side="right")
                leave += ahead_s[edge]
                if passed < first[edge + 1] and -before_s[passed] > leave:
                    leave = -before_s[passed]
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


def _checked(
    network: RoadNetwork | RoutingGraph, *, nodes: Any, what: str, seconds: dict[str, Any], **times: Any
) -> tuple[RoutingGraph, NDArray[np.int32], list[NDArray[np.float64]]]:
    """The graph, the nodes named `what` and the times of every edge, refused where one can't be used."""
    graph = network if isinstance(network, RoutingGraph) else csr(network)
    arrays = []
    for name, values in times.items():
        array = np.ascontiguousarray(values, dtype=np.float64)
        shape, least = (graph.edge_count,), 0.0 if name == "travel_time_s" else -np.inf
        if array.shape != shape:
            raise refuse(name, f"its shape is {array.shape}", expected=f"shape {shape}", mend="give one value per edge")
        if np.isnan(array).any():
            raise refused(name, "edge_times_missing", missing=int(np.isnan(array).sum()))
        if array.size and array.min() < least:
            raise refused(name, "edge_times_too_short", shortest=array.min(), least=least)
        arrays.append(array)
    chosen = np.atleast_1d(np.asarray(nodes))
    if chosen.size == 0 or chosen.min() < 0 or chosen.max() >= graph.node_count:
        raise refused(what, "no_such_targets", nodes=chosen.tolist()[:5], last=graph.node_count - 1)
    for name, value in seconds.items():
        if not np.isfinite(value):
            raise refuse(name, f"it is {value}", expected="a finite number of seconds", mend="correct it")
    return graph, np.ascontiguousarray(chosen, dtype=np.int32), arrays


def latest_departure(
    network: RoadNetwork | RoutingGraph,
    travel_time_s: NDArray[np.float64],
    *,
    closing_s: NDArray[np.float64],
    targets: int | Sequence[int] | NDArray[np.int32],
    margin_s: float = 0.0,
    holds: Mapping[int, Hold] | None = None,
) -> LatestDeparture:
    """Latest departure from every node to the best of the targets, exact, in one backward pass.

    An edge may be entered only if it is cleared, with the margin, before it shuts. Ties go to the shorter drive, so
    that where nothing closes the way is the quickest. Where something closes, the way kept is the one that can be left
    latest; `earliest_arrival` gives the quickest for a known departure.

    - `travel_time_s`, shape (e,): 0 or more; inf where the vehicle can't use the edge.
    - `closing_s`, shape (e,): first moment at which the edge is shut; inf: never within the horizon, -inf: from the
      beginning.
    - `targets`: nodes of the safe points.
    - `margin_s`: every edge must be cleared this long before it shuts.
    - `holds`: the queues at the beginning of some edges; `drive_s` is without the wait in them.

    Raises InputError for missing or negative travel times, missing closings, unknown nodes.

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
    seconds = {"margin_s": margin_s}
    graph, goal, (travel, closing) = _checked(
        network, nodes=targets, what="targets", seconds=seconds, travel_time_s=travel_time_s, closing_s=closing_s
    )
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
        *laid_by_edge(holds or {}, graph.edge_count),
    )
    drive_s, next_edge, target = label[:, 1].copy(), onward[:, 0].copy(), onward[:, 1].copy()
    return LatestDeparture(0.0 - label[:, 0], drive_s, next_edge, target, travel, closing, float(margin_s))


def earliest_arrival(
    network: RoadNetwork | RoutingGraph,
    travel_time_s: NDArray[np.float64],
    *,
    closing_s: NDArray[np.float64],
    start: int,
    depart_s: float = 0.0,
    margin_s: float = 0.0,
) -> EarliestArrival:
    """Earliest arrival at every node when one leaves the node `start` at `depart_s`, exact, in one forward pass.

    Arguments and errors as for `latest_departure`.
    """
    seconds = {"depart_s": depart_s, "margin_s": margin_s}
    graph, starts, (travel, closing) = _checked(
        network, nodes=start, what="start", seconds=seconds, travel_time_s=travel_time_s, closing_s=closing_s
    )
    origin = int(starts[0])
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
