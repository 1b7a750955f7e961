"""Latest departure and earliest arrival against brute force, networkx and scipy."""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from leaveby.errors import InputError
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.network.graph import RoutingGraph, routing_graph
from leaveby.roads.routing.holds import Hold, come_by_s, let_on_s, worst_of
from leaveby.roads.routing.latest_departure import earliest_arrival, latest_departure

INF = float("inf")


def random_graph(
    seed: int, *, nodes: int = 7, edges: int = 15
) -> tuple[RoutingGraph, NDArray[np.float64], NDArray[np.float64]]:
    """A small directed graph with loops and parallel edges, some edges unusable, some that never close."""
    rng = np.random.default_rng(seed)
    tail = rng.integers(0, nodes, edges).astype(np.int32)
    head = rng.integers(0, nodes, edges).astype(np.int32)
    travel = rng.uniform(0.0, 100.0, edges)
    travel[rng.random(edges) < 0.1] = INF
    travel[rng.random(edges) < 0.1] = 0.0
    closing = rng.uniform(0.0, 400.0, edges)
    closing[rng.random(edges) < 0.25] = INF
    closing[rng.random(edges) < 0.05] = -INF
    return routing_graph(nodes, tail, head=head), travel, closing


def simple_paths(graph: RoutingGraph, start: int, goal: int) -> Iterator[list[int]]:
    """All simple paths as edge lists, by plain search."""

    def walk(at: int, seen: set[int], edges: list[int]) -> Iterator[list[int]]:
        if at == goal:
            yield list(edges)
            return
        for edge in range(graph.edge_count):
            onward = int(graph.head[edge])
            if graph.tail[edge] == at and onward not in seen:
                yield from walk(onward, seen | {onward}, [*edges, edge])

    yield from walk(start, {start}, [])


def best_by_hand(
    graph: RoutingGraph,
    travel: NDArray[np.float64],
    closing: NDArray[np.float64],
    *,
    start: int,
    goals: dict[int, float],
    margin: float,
) -> float:
    """Latest departure over all simple paths: the largest t such that every edge is cleared before it shuts."""
    best = -INF
    for goal, deadline in goals.items():
        for path in simple_paths(graph, start, goal):
            if any(travel[edge] == INF for edge in path):
                continue
            passed = 0.0
            latest = INF
            for edge in path:
                passed += travel[edge]
                latest = min(latest, closing[edge] - margin - passed)
            best = max(best, min(latest, deadline - passed))
    return best


def with_deadlines(
    graph: RoutingGraph, travel: NDArray[np.float64], closing: NDArray[np.float64], *, goals: dict[int, float]
) -> tuple[RoutingGraph, NDArray[np.float64], NDArray[np.float64]]:
    """The same roads, and behind each goal a door to the last node that shuts at the goal's deadline."""
    doors, out = np.array(list(goals), dtype=np.int32), graph.node_count
    tail, head = np.append(graph.tail, doors), np.append(graph.head, np.full(doors.size, out, dtype=np.int32))
    return (
        routing_graph(out + 1, tail, head=head),
        np.append(travel, np.zeros(doors.size)),
        np.append(closing, list(goals.values())),
    )


@pytest.mark.parametrize("seed", range(200))
def test_latest_departure_is_the_best_over_all_simple_paths(seed: int) -> None:
    graph, travel, closing = random_graph(seed)
    margin = float(seed % 3) * 10.0
    goals = {0: INF} if seed % 2 else {0: INF, 1: 150.0}
    if seed % 2:
        result = latest_departure(graph, travel, closing_s=closing, targets=0, margin_s=margin)
    else:
        doors, over, shuts = with_deadlines(
            graph, travel, closing, goals={goal: deadline + margin for goal, deadline in goals.items()}
        )
        result = latest_departure(doors, over, closing_s=shuts, targets=graph.node_count, margin_s=margin)
    for node in range(graph.node_count):
        expected = best_by_hand(graph, travel, closing, start=node, goals=goals, margin=margin)
        assert result.time_s[node] == pytest.approx(expected, abs=1e-9)


# --- queues --------------------------------------------------------------------------------------------------------

Queue = tuple[NDArray[np.float64], float, float]
"""When others come to a stretch, how long each of them takes, and how long those take who come when one does."""


def random_queues(rng: np.random.Generator, edges: int) -> dict[int, Queue]:
    """On half of the edges: bursts and stragglers, or a block of cars that leaves with one, or both."""
    found = {}
    for edge in np.flatnonzero(rng.random(edges) < 0.5).tolist():
        cars = int(rng.integers(0, 12))
        come_s = np.sort(rng.choice([rng.uniform(0.0, 40.0), *rng.uniform(-50.0, 350.0, 6)], cars))
        found[edge] = (come_s, float(rng.uniform(1.0, 25.0)), float(rng.choice([0.0, rng.uniform(0.0, 60.0)])))
    return found


def hold_of(queue: Queue) -> Hold:
    come_s, headway_s, ahead_s = queue
    return Hold(ahead_s, come_s, pass_bottleneck(come_s, headway_s=headway_s) + headway_s)


def on_by_hand(queue: Queue, at_s: float) -> float:
    """Stand in the line and count: those who came before one go first, one by one."""
    come_s, headway_s, ahead_s = queue
    free_s = -INF
    for one_s in come_s.tolist():
        if one_s < at_s:
            free_s = max(one_s, free_s) + headway_s
    return max(free_s, at_s + ahead_s)


def latest_along(way: list[tuple[float, float, Queue | None]], *, margin: float) -> float:
    """The latest departure on one path by driving along it again and again, half the doubt each time.

    Stretches are (travel time, closing, queue). -inf where not even the beginning of time is early enough, inf where
    nothing shuts.
    """

    def through(leave_s: float) -> bool:
        now_s = leave_s
        for travel_s, closing_s, queue in way:
            now_s = (now_s if queue is None else on_by_hand(queue, now_s)) + travel_s
            if now_s > closing_s - margin:
                return False
        return True

    early, late = -5000.0, 5000.0
    if not through(early):
        return -INF
    if through(late):
        return INF
    while late - early > 1e-9:
        middle = (early + late) / 2.0
        early, late = (middle, late) if through(middle) else (early, middle)
    return early


@pytest.mark.parametrize("seed", range(300))
def test_with_queues_it_is_the_best_over_all_paths_of_networkx(seed: int) -> None:
    """300 random graphs whose queues grow and shrink with the clock, against a search over `all_simple_edge_paths`."""
    graph, travel, closing = random_graph(seed, nodes=6, edges=12)
    queues = random_queues(np.random.default_rng(10_000 + seed), graph.edge_count)
    margin = float(seed % 3) * 10.0
    holds = {edge: hold_of(queue) for edge, queue in queues.items()}
    result = latest_departure(graph, travel, closing_s=closing, targets=[0, 1], margin_s=margin, holds=holds)
    roads = nx.MultiDiGraph()
    roads.add_nodes_from(range(graph.node_count))
    for edge in np.flatnonzero(np.isfinite(travel)).tolist():
        roads.add_edge(int(graph.tail[edge]), int(graph.head[edge]), key=edge)
    for node in range(2, graph.node_count):
        ways = nx.all_simple_edge_paths(roads, node, [0, 1])
        best = max(
            (
                latest_along([(travel[edge], closing[edge], queues.get(edge)) for _, _, edge in way], margin=margin)
                for way in ways
            ),
            default=-INF,
        )
        assert result.time_s[node] == pytest.approx(best, abs=1e-6)
        # the way that is kept is one of those
        at, kept = node, []
        while np.isfinite(result.time_s[node]) and result.next_edge[at] >= 0:
            kept.append(edge := int(result.next_edge[at]))
            at = int(graph.head[edge])
        if kept:
            along = latest_along([(travel[one], closing[one], queues.get(one)) for one in kept], margin=margin)
            assert along == pytest.approx(best, abs=1e-6)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**32), st.floats(-400.0, 800.0), st.floats(0.0, 300.0))
def test_who_comes_later_is_never_let_on_sooner(seed: int, at_s: float, later_s: float) -> None:
    rng = np.random.default_rng(seed)
    queues = [(*one[:2], one[2]) for one in random_queues(rng, 8).values()]
    for queue in queues:
        hold = hold_of(queue)
        on_s, then_s = let_on_s(hold, np.array([at_s, at_s + later_s]))
        assert on_s == pytest.approx(on_by_hand(queue, at_s))
        assert at_s <= on_s <= then_s
        assert on_s - at_s <= hold.most_s + 1e-9
        by_s = float(come_by_s(hold, np.array([at_s]))[0])
        assert on_by_hand(queue, by_s - 1e-6) <= at_s + 1e-9
        assert on_by_hand(queue, by_s + 1e-6) > at_s - 1e-9
        assert come_by_s(hold, np.array([INF, -INF])).tolist() == [INF, -INF]
    if queues:
        worst = let_on_s(worst_of([hold_of(queue) for queue in queues]), np.array([at_s]))[0]
        assert worst == pytest.approx(max(on_by_hand(queue, at_s) for queue in queues))


@pytest.mark.parametrize("seed", range(40))
def test_the_way_that_is_kept_attains_the_latest_departure(seed: int) -> None:
    graph, travel, closing = random_graph(seed, nodes=12, edges=40)
    result = latest_departure(graph, travel, closing_s=closing, targets=0, margin_s=5.0)
    for node in range(graph.node_count):
        if result.time_s[node] == -INF:
            assert result.target[node] == -1
            assert result.drive_s[node] == INF
            continue
        at, latest, passed = node, INF, 0.0
        while result.next_edge[at] >= 0:
            edge = int(result.next_edge[at])
            assert graph.tail[edge] == at
            passed += travel[edge]
            latest = min(latest, closing[edge] - 5.0 - passed)
            at = int(graph.head[edge])
        assert at == result.target[node] == 0
        assert latest == pytest.approx(result.time_s[node], abs=1e-9)
        assert passed == pytest.approx(result.drive_s[node], abs=1e-9)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=100, deadline=None)
def test_leaving_at_the_latest_departure_gets_through_and_a_second_later_does_not(seed: int) -> None:
    """Forward and backward pass agree: the two are computed by different recurrences."""
    graph, travel, closing = random_graph(seed, nodes=10, edges=30)
    latest = latest_departure(graph, travel, closing_s=closing, targets=0, margin_s=3.0).time_s
    for node in range(1, graph.node_count):
        if not np.isfinite(latest[node]):
            continue
        just = earliest_arrival(
            graph, travel, closing_s=closing, start=node, depart_s=latest[node] - 1e-6, margin_s=3.0
        )
        late = earliest_arrival(graph, travel, closing_s=closing, start=node, depart_s=latest[node] + 1.0, margin_s=3.0)
        assert just.time_s[0] < INF
        assert late.time_s[0] == INF


@given(seed=st.integers(0, 10_000))
@settings(max_examples=100, deadline=None)
def test_reversing_time_maps_earliest_arrival_onto_latest_departure(seed: int) -> None:
    """With time and edges turned round, closings become openings and the latest departure an earliest arrival.

    The earliest arrival with openings is found here by plain relaxation (Bellman 1958) until nothing changes.
    """
    graph, travel, closing = random_graph(seed, nodes=9, edges=25)
    deadline = 500.0
    doors, over, shuts = with_deadlines(graph, travel, closing, goals={0: deadline})
    latest = latest_departure(doors, over, closing_s=shuts, targets=graph.node_count).time_s[:-1]
    arrive = np.full(graph.node_count, INF)
    arrive[0] = -deadline
    for _ in range(graph.node_count):
        for edge in range(graph.edge_count):
            opened, onward = int(graph.head[edge]), int(graph.tail[edge])
            arrive[onward] = min(arrive[onward], max(arrive[opened], -closing[edge]) + travel[edge])
    np.testing.assert_allclose(latest, -arrive, atol=1e-9)


def test_with_nothing_closing_the_latest_departure_is_the_deadline_less_the_way() -> None:
    """Then latest departure, turned round in time, is earliest arrival on the graph with all edges turned."""
    graph, travel, _ = random_graph(3, nodes=40, edges=160)
    never = np.full(graph.edge_count, INF)
    turned = routing_graph(graph.node_count, graph.head, head=graph.tail)
    forward = earliest_arrival(turned, travel, closing_s=never, start=0).time_s
    doors, over, shuts = with_deadlines(graph, travel, never, goals={0: 0.0})
    backward = latest_departure(doors, over, closing_s=shuts, targets=graph.node_count).time_s[:-1]
    np.testing.assert_allclose(backward, -forward, atol=1e-9)


@pytest.mark.parametrize("seed", range(10))
def test_with_nothing_closing_travel_times_equal_networkx_and_scipy(seed: int) -> None:
    """networkx and scipy shortest paths, to 1e-9."""
    graph, travel, _ = random_graph(seed, nodes=60, edges=240)
    never = np.full(graph.edge_count, INF)
    result = latest_departure(graph, travel, closing_s=never, targets=[0, 1])
    reached = np.isfinite(result.drive_s)
    assert (result.time_s[reached] == INF).all()
    assert (result.time_s[~reached] == -INF).all()

    usable = np.isfinite(travel)
    multi: nx.MultiDiGraph[int] = nx.MultiDiGraph()
    multi.add_nodes_from(range(graph.node_count))
    multi.add_weighted_edges_from(
        zip(graph.head[usable].tolist(), graph.tail[usable].tolist(), travel[usable].tolist(), strict=True)
    )
    by_networkx = nx.multi_source_dijkstra_path_length(multi, {0, 1}, weight="weight")
    for node in range(graph.node_count):
        assert result.drive_s[node] == pytest.approx(by_networkx.get(node, INF), abs=1e-9)

    # scipy sums parallel edges and drops zeros, so give it the least of each pair and a tiny time instead of none
    least: dict[tuple[int, int], float] = {}
    for edge in np.flatnonzero(usable):
        pair = (int(graph.head[edge]), int(graph.tail[edge]))
        least[pair] = min(least.get(pair, INF), max(float(travel[edge]), 1e-14))
    rows, cols = np.array(list(least)).T
    matrix = sparse.csr_matrix((list(least.values()), (rows, cols)), shape=(graph.node_count, graph.node_count))
    by_scipy = csgraph.dijkstra(matrix, indices=[0, 1], min_only=True)
    np.testing.assert_allclose(result.drive_s, by_scipy, atol=1e-9)


def test_earliest_arrival_equals_networkx_where_nothing_closes() -> None:
    graph, travel, _ = random_graph(5, nodes=60, edges=240)
    usable = np.isfinite(travel)
    multi: nx.MultiDiGraph[int] = nx.MultiDiGraph()
    multi.add_nodes_from(range(graph.node_count))
    multi.add_weighted_edges_from(
        zip(graph.tail[usable].tolist(), graph.head[usable].tolist(), travel[usable].tolist(), strict=True)
    )
    lengths = nx.single_source_dijkstra_path_length(multi, 0, weight="weight")
    result = earliest_arrival(graph, travel, closing_s=np.full(graph.edge_count, INF), start=0, depart_s=100.0)
    for node in range(graph.node_count):
        assert result.time_s[node] == pytest.approx(100.0 + lengths.get(node, INF), abs=1e-9)


def test_a_one_way_trap_has_no_way_out() -> None:
    """0 -> 1 -> 2 -> 1: who enters the loop never comes to the safe point 3 (0 -> 3)."""
    graph = routing_graph(4, np.array([0, 1, 2, 0], dtype=np.int32), head=np.array([1, 2, 1, 3], dtype=np.int32))
    result = latest_departure(graph, np.ones(4), closing_s=np.full(4, INF), targets=3)
    assert result.time_s.tolist() == [INF, -INF, -INF, INF]
    assert result.next_edge.tolist() == [3, -1, -1, -1]


def test_margin_and_later_closings_move_the_answer_the_right_way() -> None:
    graph, travel, closing = random_graph(21, nodes=20, edges=80)
    base = latest_departure(graph, travel, closing_s=closing, targets=0).time_s
    with_margin = latest_departure(graph, travel, closing_s=closing, targets=0, margin_s=60.0).time_s
    later = latest_departure(graph, travel, closing_s=closing + 30.0, targets=0).time_s
    slower = latest_departure(graph, travel * 1.5, closing_s=closing, targets=0).time_s
    assert (with_margin <= base).all()
    assert (later >= base).all()
    assert (slower <= base).all()
    finite = np.isfinite(base)
    # with every closing 30 s later and nothing else, every finite answer is 30 s later
    np.testing.assert_allclose(later[finite], base[finite] + 30.0, atol=1e-9)


def test_who_clears_a_road_at_the_very_moment_with_the_margin_gets_through() -> None:
    """By hand: 10 s of road that shuts at 40 s, a margin of 5 s: left at 25 s it is cleared at 35 s, just in time."""
    graph = routing_graph(2, np.array([0], dtype=np.int32), head=np.array([1], dtype=np.int32))
    road = {"closing_s": np.array([40.0]), "margin_s": 5.0}
    assert latest_departure(graph, np.array([10.0]), targets=1, **road).time_s.tolist() == [25.0, INF]
    for depart_s, arrive_s in ((25.0, 35.0), (25.001, INF)):
        found = earliest_arrival(graph, np.array([10.0]), start=0, depart_s=depart_s, **road)
        assert found.time_s[1] == arrive_s


def test_a_node_that_is_bettered_keeps_the_better() -> None:
    """By hand, to node 0: node 1 takes 100 s straight and 20 s by 2; node 4 takes 520 s by 1 and 210 s by 3."""
    roads = [(1, 0, 100.0), (2, 0, 10.0), (1, 2, 10.0), (4, 1, 500.0), (3, 0, 200.0), (4, 3, 10.0)]
    tail, head, travel_s = (np.array(column) for column in zip(*roads, strict=True))
    graph = routing_graph(5, tail.astype(np.int32), head=head.astype(np.int32))
    found = latest_departure(graph, travel_s, closing_s=np.full(6, INF), targets=0)
    assert found.time_s[[1, 4]].tolist() == [INF, INF]
    assert found.drive_s[[1, 4]].tolist() == [20.0, 210.0]


def test_zero_length_loops_do_no_harm() -> None:
    graph = routing_graph(2, np.array([0, 0], dtype=np.int32), head=np.array([0, 1], dtype=np.int32))
    result = latest_departure(graph, np.array([0.0, 5.0]), closing_s=np.array([INF, 20.0]), targets=1)
    assert result.time_s.tolist() == [15.0, INF]


@pytest.mark.parametrize(
    ("travel", "closing", "said"),
    [
        ([1.0, float("nan")], [INF, INF], "travel_time_s: 1 values are missing"),
        ([1.0, -1.0], [INF, INF], "a value is -1.0 s"),
        ([1.0], [INF, INF], "its shape is (1,)"),
        ([1.0, 1.0], [INF, float("nan")], "closing_s: 1 values are missing"),
    ],
)
def test_missing_times_are_refused(travel: list[float], closing: list[float], said: str) -> None:
    graph = routing_graph(2, np.array([0, 0], dtype=np.int32), head=np.array([0, 1], dtype=np.int32))
    with pytest.raises(InputError) as caught:
        latest_departure(graph, np.array(travel), closing_s=np.array(closing), targets=1)
    assert said in str(caught.value)


def test_unknown_nodes_and_moments_are_refused() -> None:
    graph = routing_graph(2, np.array([0], dtype=np.int32), head=np.array([1], dtype=np.int32))
    times, never = np.ones(1), np.full(1, INF)
    with pytest.raises(InputError, match="targets: nodes"):
        latest_departure(graph, times, closing_s=never, targets=2)
    with pytest.raises(InputError, match="targets: nodes"):
        latest_departure(graph, times, closing_s=never, targets=[])
    with pytest.raises(InputError, match="margin_s"):
        latest_departure(graph, times, closing_s=never, targets=1, margin_s=INF)
    with pytest.raises(InputError, match="depart_s"):
        earliest_arrival(graph, times, closing_s=never, start=0, depart_s=INF)
    with pytest.raises(InputError, match="does not exist"):
        routing_graph(1, np.array([0], dtype=np.int32), head=np.array([1], dtype=np.int32))
