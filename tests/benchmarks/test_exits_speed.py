"""Single exits on a real large topology and on three million junctions.

Run with: pytest tests/benchmarks/test_exits_speed.py --benchmark-enable

Wanted: the survey of the San Francisco Bay topology (321,270 junctions) in at most 20 times what igraph takes for the
bridges of the same graph in the same run; three million junctions in at most 30 times, and 6 GiB. That the answers
agree on a part of it is seen in every run. The whole command, files and pages included, on invented towns of four
sizes: no faster growth than n log n, and no more than 60 times what networkx takes for the dominators alone.
"""

from __future__ import annotations

import lzma
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import igraph
import networkx as nx
import numpy as np
import pytest
from numpy.typing import NDArray
from towns import write_town

from leaveby.cli import main
from leaveby.files.read.roads import read_roads
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.groups import SingleExits, single_exits
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.street_table import StreetTable
from measured import run_measured

DATA = Path(__file__).parents[1] / "data"
PART_NODES = 20_000

Streets = tuple[int, NDArray[np.int32], NDArray[np.int32]]


def bay_topology() -> Streets:
    with lzma.open(DATA / "bay_topology.gr.xz", "rt") as lines:
        count, _ = (int(word) for word in next(lines).split()[2:4])
        pairs = np.array([line.split() for line in lines], dtype=np.int32) - 1
    assert (count, len(pairs)) == (321_270, 397_415)
    return count, pairs[:, 0].copy(), pairs[:, 1].copy()


@pytest.fixture(scope="module")
def bay() -> Streets:
    return bay_topology()


def part(streets: Streets, nodes: int) -> Streets:
    _, a, b = streets
    kept = (a < nodes) & (b < nodes)
    return nodes, a[kept], b[kept]


def table(streets: Streets) -> StreetTable:
    """The topology as streets open both ways, with lengths drawn from a fixed seed."""
    count, a, b = streets
    size = a.size
    rng = np.random.default_rng(20251125)
    nothing = ("",) * size
    return StreetTable(
        crs="EPSG:32610",
        node_id=np.arange(count, dtype=np.int64),
        x_m=np.zeros(count),
        y_m=np.zeros(count),
        a=a,
        b=b,
        forward=np.ones(size, dtype=np.bool_),
        backward=np.ones(size, dtype=np.bool_),
        reason=nothing,
        on_foot=np.ones(size, dtype=np.bool_),
        length_m=rng.lognormal(4.0, 0.8, size),
        speed_m_s=np.full(size, 12.0),
        width_m=np.full(size, np.inf),
        steepest=np.full(size, -np.inf),
        fuel_t_ha=np.full(size, -np.inf),
        takes_homes=np.ones(size, dtype=np.bool_),
        geometry=np.full(size, None, dtype=object),
        way_id=np.arange(size, dtype=np.int64),
        name=nothing,
        highway=nothing,
        service=nothing,
        lanes=nothing,
        barrier=nothing,
        assumptions=(),
    )


def homes_on(streets: StreetTable) -> PlacedHomes:
    """Up to eight homes on each street."""
    number = np.random.default_rng(1).integers(1, 9, streets.street_count).astype(np.float64)
    nowhere = np.zeros(streets.street_count)
    return PlacedHomes(
        identity=("",) * streets.street_count,
        street=np.arange(streets.street_count, dtype=np.int32),
        along_m=nowhere,
        away_m=nowhere,
        dwellings=number,
        x_m=nowhere,
        y_m=nowhere,
    )


def least_s(run: Callable[[], Any], other: Callable[[], Any], *, rounds: int) -> tuple[float, float]:
    """Least time of each, taken by turns so that a busy machine disturbs both alike."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for function, taken in zip((run, other), times, strict=True):
            begin = time.perf_counter()
            function()
            taken.append(time.perf_counter() - begin)
    return min(times[0]), min(times[1])


def graph_of(streets: Streets) -> igraph.Graph:
    count, a, b = streets
    return igraph.Graph(n=count, edges=np.column_stack([a, b]))


def agrees_with_igraph(topology: Streets, found: SingleExits) -> int:
    """Hold bridges and what must be passed against igraph's bridges, and give their number."""
    count, a, _ = topology
    by_igraph = graph_of(topology).bridges()
    assert np.flatnonzero(found.bridge).tolist() == sorted(by_igraph)
    # where every street is open both ways, what must be passed from beyond a street is a bridge, and the reverse
    street = slice(count, count + a.size)
    reached = found.tree.parent[street] != NO_WAY_OUT
    np.testing.assert_array_equal(found.tree.size[street] > 1, found.bridge & reached)
    assert found.differences == ()
    assert found.homes[found.inside < 0].sum() == homes_on(table(topology)).dwellings[reached].sum()
    return len(by_igraph)


def test_a_part_of_a_large_topology_agrees_with_igraph(bay: Streets) -> None:
    topology = part(bay, PART_NODES)
    streets = table(topology)
    found = single_exits(streets, homes_on(streets), exits=np.array([0], dtype=np.int32))
    assert agrees_with_igraph(topology, found) > 1000


def test_survey_of_a_large_topology_against_igraph(benchmark: Any, bay: Streets) -> None:
    """The whole of `single_exits`: by car and on foot, groups, undirected bridges beside it, distances out."""
    _, a, b = bay
    streets = table(bay)
    homes = homes_on(streets)
    exits = np.array([0], dtype=np.int32)
    found = benchmark.pedantic(lambda: single_exits(streets, homes, exits=exits), rounds=3, warmup_rounds=1)
    assert agrees_with_igraph(bay, found) == 98_893
    ours_s, igraph_s = least_s(lambda: single_exits(streets, homes, exits=exits), graph_of(bay).bridges, rounds=5)
    begin = time.perf_counter()
    number = sum(1 for _ in nx.bridges(nx.Graph(zip(a.tolist(), b.tolist(), strict=True))))
    networkx_s = time.perf_counter() - begin
    assert number == 98_893
    benchmark.extra_info.update(
        times_igraph=round(ours_s / igraph_s, 2), faster_than_networkx=round(networkx_s / ours_s, 1)
    )
    assert ours_s <= 20.0 * igraph_s


def joined_copies(streets: Streets) -> Streets:
    """Ten copies of a topology, each joined to the next by two streets."""
    count, a, b = streets
    copies = 10
    shift = (np.arange(copies) * count).astype(np.int32)
    tail = (a[None, :] + shift[:, None]).ravel()
    head = (b[None, :] + shift[:, None]).ravel()
    joins = np.array([(k * count + j, (k + 1) * count + j) for k in range(copies - 1) for j in (0, 7)], dtype=np.int32)
    return (
        copies * count,
        np.concatenate([tail, joins[:, 0]]).astype(np.int32),
        np.concatenate([head, joins[:, 1]]).astype(np.int32),
    )


def test_joined_copies_of_a_part_agree_with_igraph(bay: Streets) -> None:
    topology = joined_copies(part(bay, 2000))
    streets = table(topology)
    found = single_exits(streets, homes_on(streets), exits=np.array([0], dtype=np.int32))
    assert agrees_with_igraph(topology, found) > 1000


def survey_of_copies(streets: Streets) -> SingleExits:
    table_of_all = table(joined_copies(streets))
    return single_exits(table_of_all, homes_on(table_of_all), exits=np.array([0], dtype=np.int32))


def peak_gib(words: list[str], folder: Path) -> float:
    there = os.pathsep.join(path for path in sys.path if path)
    done, peak_kib = run_measured(words, folder, env={**os.environ, "PYTHONPATH": there})
    assert done.returncode == 0, done.stderr
    return peak_kib / 2**20


def test_three_million_junctions(benchmark: Any, bay: Streets, tmp_path: Path) -> None:
    topology = joined_copies(bay)
    streets = table(topology)
    homes = homes_on(streets)
    begin = time.perf_counter()
    found = benchmark.pedantic(lambda: single_exits(streets, homes, exits=np.array([0], dtype=np.int32)), rounds=1)
    taken_s = time.perf_counter() - begin
    gib = peak_gib(["-c", "import test_exits_speed as here; here.survey_of_copies(here.bay_topology())"], tmp_path)
    reached = found.tree.parent[: topology[0]] != NO_WAY_OUT
    assert reached.sum() > 3_000_000
    graph = graph_of(topology)
    begin = time.perf_counter()
    graph.bridges()
    times = taken_s / (time.perf_counter() - begin)
    benchmark.extra_info.update(times_igraph=round(times, 2), gib=round(gib, 2))
    assert times <= 30.0
    assert gib <= 6.0


def whole_command_s(folder: Path, side: int) -> float:
    """Processor time of `leaveby streets` on a town of side x side junctions with eight homes to nine of them."""
    town = folder / f"town_{side}.osm.pbf"
    write_town(town, side=side, homes=side * side * 8 // 9)
    begin = time.process_time()
    assert main(["streets", str(town), "--out", str(folder / f"out_{side}"), "--region", "AU-NSW"]) == 0
    return time.process_time() - begin


def test_the_whole_command_grows_no_faster_than_n_log_n(benchmark: Any, tmp_path: Path) -> None:
    whole_command_s(tmp_path, 20)
    sides = (75, 150, 300, 548)
    taken_s = benchmark.pedantic(lambda: [whole_command_s(tmp_path, side) for side in sides], rounds=1)
    largest = ["streets", str(tmp_path / f"town_{sides[-1]}.osm.pbf"), "--region", "AU-NSW"]
    gib = peak_gib(["-m", "leaveby", *largest, "--out", str(tmp_path / "out")], tmp_path)
    roads = read_roads(tmp_path / "town_150.osm.pbf")
    graph = nx.DiGraph(zip(roads.head.tolist(), roads.tail.tolist(), strict=True))
    begin = time.process_time()
    reached = nx.immediate_dominators(graph, int(roads.tail[0]))
    peer_s = time.process_time() - begin
    assert len(reached) > 15_000
    per_n_log_n = [one_s / (side**2 * np.log(side**2)) for one_s, side in zip(taken_s, sides, strict=True)]
    benchmark.extra_info.update(
        seconds=[round(one_s, 1) for one_s in taken_s],
        times_networkx=round(taken_s[1] / peer_s),
        gib=round(gib, 2),
    )
    assert per_n_log_n[-1] <= 1.3 * min(per_n_log_n[:-1])
    assert taken_s[1] <= 60.0 * peer_s
    assert gib <= 4.5
