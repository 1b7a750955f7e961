"""Routing on a real large topology, and reading a real extract, as ratios to well-kept libraries in one run.

Run with: pytest tests/benchmarks/test_roads_speed.py --benchmark-enable

Wanted: the latest departure of all nodes in at most twice the time of scipy's csgraph.dijkstra on the same graph and at
least ten times as fast as networkx; reading .osm.pbf at least three times as fast as osmnx.graph_from_xml reads the
same area. That the answers agree on a part of it is seen in every run.
"""

from __future__ import annotations

import lzma
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import osmium
import osmnx
import pytest
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from leaveby.files.read.roads import read_roads
from leaveby.roads.network.graph import RoutingGraph, routing_graph
from leaveby.roads.routing.latest_departure import latest_departure

DATA = Path(__file__).parents[1] / "data"
INF = float("inf")
PART_NODES = 20_000


def bay(nodes: int | None) -> tuple[RoutingGraph, NDArray[np.float64]]:
    """The San Francisco Bay topology of the DIMACS challenge, with travel times drawn from a fixed seed."""
    with lzma.open(DATA / "bay_topology.gr.xz", "rt") as lines:
        count, _ = (int(word) for word in next(lines).split()[2:4])
        pairs = np.array([line.split() for line in lines], dtype=np.int64) - 1
    assert (count, len(pairs)) == (321_270, 397_415)
    if nodes is not None:
        count = nodes
        pairs = pairs[(pairs < nodes).all(axis=1)]
    travel = np.random.default_rng(20251125).lognormal(3.0, 0.7, len(pairs)) + 1.0
    tail, head = pairs.astype(np.int32).T
    graph = routing_graph(count, np.concatenate([tail, head]), head=np.concatenate([head, tail]))
    return graph, np.concatenate([travel, travel])


def least_s(run: Callable[[], Any], other: Callable[[], Any], *, rounds: int) -> tuple[float, float]:
    """Least time of each, taken by turns so that a busy machine disturbs both alike."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for function, taken in zip((run, other), times, strict=True):
            begin = time.perf_counter()
            function()
            taken.append(time.perf_counter() - begin)
    return min(times[0]), min(times[1])


def record(benchmark: Any, **ratios: float) -> None:
    benchmark.extra_info.update({key: round(value, 3) for key, value in ratios.items()})


def matrix_of(graph: RoutingGraph, travel: NDArray[np.float64]) -> sparse.csr_matrix:
    return sparse.csr_matrix((travel, (graph.head, graph.tail)), shape=(graph.node_count, graph.node_count))


def networkx_of(graph: RoutingGraph, travel: NDArray[np.float64]) -> nx.DiGraph[int]:
    streets: nx.DiGraph[int] = nx.DiGraph()
    streets.add_weighted_edges_from(zip(graph.head.tolist(), graph.tail.tolist(), travel.tolist(), strict=True))
    return streets


def test_latest_departure_on_a_part_agrees_with_scipy_and_networkx() -> None:
    graph, travel = bay(PART_NODES)
    ours = latest_departure(graph, travel, closing_s=np.full(graph.edge_count, INF), targets=0)
    np.testing.assert_allclose(ours.drive_s, csgraph.dijkstra(matrix_of(graph, travel), indices=0), rtol=1e-9)
    by_networkx = nx.single_source_dijkstra_path_length(networkx_of(graph, travel), 0, weight="weight")
    assert all(abs(by_networkx[node] - ours.drive_s[node]) < 1e-6 for node in by_networkx)


def test_latest_departure_against_scipy_and_networkx(benchmark: Any) -> None:
    graph, travel = bay(None)
    never = np.full(graph.edge_count, INF)
    matrix = matrix_of(graph, travel)
    ours = benchmark.pedantic(
        lambda: latest_departure(graph, travel, closing_s=never, targets=0), rounds=5, warmup_rounds=1
    )
    np.testing.assert_allclose(ours.drive_s, csgraph.dijkstra(matrix, indices=0), rtol=1e-9)
    streets = networkx_of(graph, travel)
    begin = time.perf_counter()
    by_networkx = nx.single_source_dijkstra_path_length(streets, 0, weight="weight")
    networkx_s = time.perf_counter() - begin
    assert all(abs(by_networkx[node] - ours.drive_s[node]) < 1e-6 for node in by_networkx)
    ours_s, scipy_s = least_s(
        lambda: latest_departure(graph, travel, closing_s=never, targets=0),
        lambda: csgraph.dijkstra(matrix, indices=0),
        rounds=15,
    )
    record(benchmark, times_scipy=ours_s / scipy_s, faster_than_networkx=networkx_s / ours_s)
    assert ours_s <= 2.0 * scipy_s
    assert networkx_s >= 10.0 * ours_s


def some_closings(graph: RoutingGraph) -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    return np.where(rng.random(graph.edge_count) < 0.3, rng.uniform(0.0, 50_000.0, graph.edge_count), INF)


def test_closings_never_let_anyone_leave_later() -> None:
    graph, travel = bay(PART_NODES)
    closing, never = some_closings(graph), np.full(graph.edge_count, INF)
    result = latest_departure(graph, travel, closing_s=closing, targets=0)
    reached = np.isfinite(latest_departure(graph, travel, closing_s=never, targets=0).drive_s)
    assert (result.time_s[~reached] == -INF).all()
    finite = np.isfinite(result.time_s)
    assert finite.any()
    first = result.next_edge[finite]
    onward = result.time_s[graph.head[first]]
    np.testing.assert_allclose(result.time_s[finite], np.minimum(onward, closing[first]) - travel[first], atol=1e-6)


def test_latest_departure_with_closings(benchmark: Any) -> None:
    """Closings make no difference to the time that it takes."""
    graph, travel = bay(None)
    closing, never = some_closings(graph), np.full(graph.edge_count, INF)
    benchmark.pedantic(lambda: latest_departure(graph, travel, closing_s=closing, targets=0), rounds=5, warmup_rounds=1)
    with_s, without_s = least_s(
        lambda: latest_departure(graph, travel, closing_s=closing, targets=0),
        lambda: latest_departure(graph, travel, closing_s=never, targets=0),
        rounds=9,
    )
    record(benchmark, times_without_closings=with_s / without_s)
    assert with_s <= 2.0 * without_s


@pytest.fixture(scope="module")
def extract(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The roads of Andorra, in the binary form."""
    file = tmp_path_factory.mktemp("roads") / "andorra.osm.pbf"
    with osmium.SimpleWriter(str(file)) as writer:
        for item in osmium.FileProcessor(str(DATA / "andorra_drive.osm.bz2")):
            writer.add(item)
    return file


def test_an_extract_in_the_binary_form_has_the_same_junctions(extract: Path) -> None:
    found, other = read_roads(extract), read_roads(DATA / "andorra_drive.osm.bz2")
    assert found.edge_count > 9000
    assert set(found.node_id.tolist()) == set(other.node_id.tolist())


def test_reading_an_extract_against_osmnx(benchmark: Any, extract: Path) -> None:
    benchmark.pedantic(lambda: read_roads(extract), rounds=3, warmup_rounds=1)
    ours_s, osmnx_s = least_s(
        lambda: read_roads(extract),
        lambda: osmnx.graph_from_xml(DATA / "andorra_drive.osm.bz2", retain_all=True),
        rounds=2,
    )
    record(benchmark, faster_than_osmnx=osmnx_s / ours_s)
    assert osmnx_s >= 3.0 * ours_s
