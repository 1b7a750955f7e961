"""All homes of a district in one backward pass against a plain loop over homes on a networkx graph, on the same fires.

Run with: pytest tests/benchmarks/test_district_speed.py --benchmark-enable

Wanted: the same latest departures, at least 50 times faster, in one run. That they are the same is seen in every run.
"""

from __future__ import annotations

import heapq
import math
import sys
import time
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from numpy.typing import NDArray

from leaveby.decision.district.roads import DistrictRoads, HomeGraph, drives_s, home_graph, homes_in, latest_of_homes
from leaveby.files.read.homes import place_from_file
from leaveby.files.read.roads import read_roads
from leaveby.roads.exits.places import exits_at
from leaveby.roads.exits.street_table import street_table

STREETS = Path(__file__).parents[1] / "data" / "andorra_streets.osm.pbf"
MARGIN_S = 300.0


@pytest.fixture(scope="module")
def homes() -> tuple[HomeGraph, int, NDArray[np.float64]]:
    """Every building of Andorra, and closings of its streets as a front from the south would bring them."""
    network = read_roads(STREETS)
    streets = street_table(network, region="AD")
    placed = place_from_file(STREETS, streets)
    placed = homes_in(placed, np.flatnonzero(placed.street >= 0))
    time_s = streets.length_m / streets.speed_m_s
    there_s, back_s = np.where(streets.forward, time_s, np.inf), np.where(streets.backward, time_s, np.inf)
    middle = int(np.argmin(np.hypot(streets.x_m - np.median(streets.x_m), streets.y_m - np.median(streets.y_m))))
    out = exits_at(streets, streets.x_m[[middle]], y_m=streets.y_m[[middle]], names=("middle",))
    roads = DistrictRoads(streets, there_s, back_s, {"middle": int(out[0])}, placed, drives_s(placed, region="AD"))
    rng = np.random.default_rng(3)
    y_m = np.array([line.bounds[1] for line in streets.geometry])
    street_s = 1800.0 + (y_m - y_m.min()) / 1.2 + rng.uniform(0.0, 900.0, y_m.size)
    closing_s = np.concatenate([street_s, *[street_s[placed.street]] * 3])
    return home_graph(roads), streets.street_count, closing_s


def plain_loop(homes: HomeGraph, closing_s: NDArray[np.float64], streets: int, rows: range) -> list[float]:
    """Home by home: a search backward from the safe point over a networkx graph until the home's ends are settled."""
    graph = nx.MultiDiGraph()
    for tail, head, street, travel_s in zip(
        homes.graph.tail.tolist(),
        homes.graph.head.tolist(),
        homes.edge_street.tolist(),
        homes.travel_s.tolist(),
        strict=True,
    ):
        graph.add_edge(tail, head, travel_s=travel_s, shut_s=float(closing_s[street]) - MARGIN_S)
    found, h = [], homes.home_count
    for home in rows:
        ends = {int(node) for node in homes.ends[home]}
        best: dict[int, float] = {}
        waiting = [(-math.inf, int(node)) for node in homes.targets]
        while waiting and not ends <= best.keys():
            key, node = heapq.heappop(waiting)
            if node in best:
                continue
            best[node] = -key
            for before, _, facts in graph.in_edges(node, data=True) if node in graph else ():
                if before not in best:
                    leave_s = min(-key, facts["shut_s"]) - facts["travel_s"]
                    heapq.heappush(waiting, (-leave_s, before))
        latest_s = -math.inf
        for end, node in enumerate(homes.ends[home].tolist()):
            half_s, shut_s = float(homes.half_s[home, end]), float(closing_s[streets + end * h + home]) - MARGIN_S
            if math.isfinite(half_s):
                there_s = best.get(node, -math.inf)
                latest_s = max(latest_s, (min(there_s, shut_s) if half_s > 0.0 else there_s) - half_s)
        drive_s = float(homes.drive_s[home])
        shut_s = float(closing_s[streets + 2 * h + home]) - MARGIN_S if drive_s > 0.0 else math.inf
        found.append(min(latest_s, shut_s) - drive_s)
    return found


def test_the_same_latest_departures(homes: tuple[HomeGraph, int, NDArray[np.float64]]) -> None:
    graph, streets, closing_s = homes
    latest_s, _ = latest_of_homes(graph, closing_s, margin_s=MARGIN_S)
    rows = range(0, graph.home_count, 97)
    assert latest_s[rows.start :: rows.step] == pytest.approx(plain_loop(graph, closing_s, streets, rows), abs=1e-6)
    assert np.isfinite(latest_s).mean() > 0.5


@pytest.mark.benchmark
def test_at_least_fifty_times_faster(homes: tuple[HomeGraph, int, NDArray[np.float64]]) -> None:
    graph, streets, closing_s = homes
    latest_of_homes(graph, closing_s, margin_s=MARGIN_S)
    began = time.perf_counter()
    for _ in range(5):
        latest_of_homes(graph, closing_s, margin_s=MARGIN_S)
    ours_s = (time.perf_counter() - began) / 5.0
    rows = range(0, graph.home_count, 50)
    began = time.perf_counter()
    plain_loop(graph, closing_s, streets, rows)
    plain_s = (time.perf_counter() - began) * graph.home_count / len(rows)
    sys.stdout.write(
        f"\n{graph.home_count} homes: {1000.0 * ours_s:.1f} ms against {plain_s:.1f} s, {plain_s / ours_s:.0f} times\n"
    )
    assert plain_s >= 50.0 * ours_s
