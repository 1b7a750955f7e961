"""The network from OpenStreetMap against osmnx, which builds the same graph by other means."""

from __future__ import annotations

import gzip
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import osmnx
import pytest
import shapely

from leaveby.errors import InputError
from leaveby.files.read.roads import read_roads
from leaveby.roads.network.graph import (
    TAGS,
    RoadNetwork,
    check_network,
    csr,
    great_circle_m,
    metric_crs,
    network_from_lines,
    select_edges,
    utm_crs,
    without_point_loops,
)
from leaveby.roads.osm.osm_ways import (
    OsmWays,
    barrier_words,
    is_one_way,
    join_values,
    osm_ways_with_points_at,
    shut_by_end,
)
from leaveby.roads.osm.street_graph import network_from_graph
from leaveby.roads.osm.topology import network_from_osm_ways
from leaveby.roads.routing.latest_departure import latest_departure

DATA = Path(__file__).parents[1] / "data"
ANDORRA = DATA / "andorra_drive.osm.bz2"
INF = float("inf")

Edges = Counter[tuple[int, int, float]]


def edges_of_network(network: RoadNetwork) -> Edges:
    drive = ~network.foot_only
    return Counter(
        zip(
            network.node_id[network.tail[drive]].tolist(),
            network.node_id[network.head[drive]].tolist(),
            np.round(network.length_m[drive], 3).tolist(),
            strict=True,
        )
    )


def edges_of_graph(graph: nx.MultiDiGraph[Any]) -> Edges:
    return Counter((u, v, round(length, 3)) for u, v, length in graph.edges(data="length"))


def nearly_the_same(ours: Edges, theirs: Edges) -> bool:
    """Equal but for rounding of the third decimal."""
    mine, other = sorted((ours - theirs).elements()), sorted((theirs - ours).elements())
    return len(mine) == len(other) and all(
        a[:2] == b[:2] and abs(a[2] - b[2]) < 0.0021 for a, b in zip(mine, other, strict=True)
    )


def test_topology_equals_osmnx_once_the_ends_of_ways_are_taken_out(
    andorra: RoadNetwork, unsimplified: nx.MultiDiGraph[Any], simplified: nx.MultiDiGraph[Any]
) -> None:
    """Our roads point by point, simplified by osmnx like its own: same nodes, directed edges, parallels, lengths."""
    places = zip(andorra.x_m.tolist(), andorra.y_m.tolist(), strict=True)
    named = dict(zip(places, andorra.node_id.tolist(), strict=True))
    ours: nx.MultiDiGraph[Any] = nx.MultiDiGraph(crs=andorra.crs)
    for edge in np.flatnonzero(~andorra.foot_only):
        xy = shapely.get_coordinates(andorra.geometry[edge])
        drawn_m = np.hypot(*np.diff(xy, axis=0).T)
        way = [named.get((x, y), (x, y)) for x, y in xy.tolist()]
        ours.add_nodes_from((point, {"x": x, "y": y}) for point, (x, y) in zip(way, xy.tolist(), strict=True))
        parts_m = andorra.length_m[edge] * drawn_m / drawn_m.sum()
        ours.add_edges_from((*pair, {"length": part_m}) for pair, part_m in zip(pairwise(way), parts_m, strict=True))
    assert len(ours) == len(unsimplified)
    merged = osmnx.simplify_graph(ours)
    assert len(simplified) == 4331
    assert simplified.number_of_edges() == 9062
    assert set(merged.nodes) == set(simplified.nodes)
    assert nearly_the_same(edges_of_graph(merged), edges_of_graph(simplified))


def test_way_topology_has_the_same_roads_with_single_tags(
    andorra: RoadNetwork, unsimplified: nx.MultiDiGraph[Any], simplified: nx.MultiDiGraph[Any]
) -> None:
    """Splitting at way ends adds nodes but no length, keeps every junction, and no edge mixes two ways."""
    assert set(simplified.nodes) <= set(andorra.node_id.tolist())
    drive = ~andorra.foot_only
    whole = sum(length for _, _, length in unsimplified.edges(data="length"))
    assert andorra.length_m[drive].sum() == pytest.approx(whole, rel=1e-9)
    assert not any("|" in value for value in andorra.highway)
    by_way = nx.get_edge_attributes(simplified, "highway")
    classes = {value for values in by_way.values() for value in (values if isinstance(values, list) else [values])}
    assert set(andorra.highway) == classes


ROUTES = (
    ("Avinguda Meritxell", "Carretera de la Comella"),
    ("Avinguda del Ravell", "Avinguda Meritxell"),
    ("Avinguda Carlemany", "Avinguda del Ravell"),
    ("Carretera de la Comella", "Avinguda Carlemany"),
    ("Avinguda Sant Antoni", "Carrer Major"),
    ("Carrer Major", "Avinguda Carlemany"),
    ("Avinguda Fiter i Rossell", "Avinguda Sant Antoni"),
    ("Avinguda Doctor Mitjavila", "Carretera d'Engolasters"),
    ("Avinguda d'Enclar", "Avinguda del Pessebre"),
    ("Avinguda del Pessebre", "Avinguda del Ravell"),
)


@pytest.mark.parametrize(("origin", "goal"), ROUTES)
def test_named_routes_are_as_long_as_those_of_osmnx(
    andorra: RoadNetwork, simplified: nx.MultiDiGraph[Any], origin: str, goal: str
) -> None:
    """Shortest path between two named streets, within 0.5 % of osmnx.shortest_path on its own graph."""

    def a_node(street: str) -> int:
        return min(
            u for u, _, name in simplified.edges(data="name") if street in (name if isinstance(name, list) else [name])
        )

    start, end = a_node(origin), a_node(goal)
    path = osmnx.shortest_path(simplified, start, end, weight="length")
    assert path is not None
    length = nx.path_weight(simplified, path, "length")
    number = {int(node): index for index, node in enumerate(andorra.node_id)}
    cost = np.where(andorra.foot_only, INF, andorra.length_m)
    never = np.full(andorra.edge_count, INF)
    ours = latest_departure(andorra, cost, closing_s=never, targets=number[end]).drive_s[number[start]]
    assert length > 500.0
    assert ours == pytest.approx(length, rel=0.005)


def test_shortest_paths_from_one_node_to_all_equal_networkx(
    andorra: RoadNetwork, simplified: nx.MultiDiGraph[Any]
) -> None:
    goal = min(simplified.nodes)
    lengths = nx.single_source_dijkstra_path_length(simplified.reverse(), goal, weight="length")
    number = {int(node): index for index, node in enumerate(andorra.node_id)}
    cost = np.where(andorra.foot_only, INF, andorra.length_m)
    ours = latest_departure(andorra, cost, closing_s=np.full(andorra.edge_count, INF), targets=number[goal]).drive_s
    for node in simplified.nodes:
        assert ours[number[node]] == pytest.approx(lengths.get(node, INF), abs=1e-3)


def test_geometry_and_lengths_agree_and_run_in_the_direction_of_travel(andorra: RoadNetwork) -> None:
    """Great-circle lengths against projected ones: UTM scale 0.9996 to 1.001 and sphere against ellipsoid 0.56 %."""
    drawn = shapely.length(andorra.geometry)
    long = drawn > 1.0
    np.testing.assert_allclose(andorra.length_m[long], drawn[long], rtol=0.0075)
    first, last = shapely.get_point(andorra.geometry, 0), shapely.get_point(andorra.geometry, -1)
    np.testing.assert_array_equal(shapely.get_x(first), andorra.x_m[andorra.tail])
    np.testing.assert_array_equal(shapely.get_y(last), andorra.y_m[andorra.head])
    assert andorra.crs == "EPSG:32631"


def test_twins_run_the_other_way_along_the_same_stretch(andorra: RoadNetwork) -> None:
    with_twin = np.flatnonzero(andorra.twin >= 0)
    back = andorra.twin[with_twin]
    np.testing.assert_array_equal(andorra.twin[back], with_twin)
    np.testing.assert_array_equal(andorra.tail[back], andorra.head[with_twin])
    np.testing.assert_array_equal(andorra.length_m[back], andorra.length_m[with_twin])
    assert all(
        shapely.equals(andorra.geometry[a], andorra.geometry[b])
        for a, b in zip(with_twin[::50], back[::50], strict=True)
    )
    # every stretch of these roads can be walked both ways, for there is no motorway among them
    assert with_twin.size == andorra.edge_count


def test_index_lists_every_edge_once_where_it_leaves_and_enters(andorra: RoadNetwork) -> None:
    graph = csr(andorra)
    assert sorted(graph.out_edge.tolist()) == list(range(andorra.edge_count))
    for node in (0, 17, andorra.node_count - 1):
        leaving = graph.out_edge[graph.out_start[node] : graph.out_start[node + 1]]
        assert sorted(leaving.tolist()) == np.flatnonzero(andorra.tail == node).tolist()
        entering = graph.in_edge[graph.in_start[node] : graph.in_start[node + 1]]
        assert sorted(entering.tolist()) == np.flatnonzero(andorra.head == node).tolist()


def test_graph_of_an_older_osmnx_is_taken_over(tmp_path: Path) -> None:
    """353 nodes and 948 edges, as the file says; lengths as they stand in it."""
    file = tmp_path / "piedmont.graphml"
    file.write_bytes(gzip.decompress((DATA / "piedmont.graphml.gz").read_bytes()))
    network = read_roads(file)
    graph = osmnx.load_graphml(file)
    assert (len(graph), graph.number_of_edges()) == (353, 948)
    assert network.node_count == 353
    assert edges_of_network(network) == edges_of_graph(graph)
    assert network.crs == "EPSG:32610"
    assert any("no surface" in sentence for sentence in network.assumptions)


def test_great_circle_against_handbook() -> None:
    """A nautical mile was made to be a minute of latitude: 1852 m, here to 0.1 % (common practice, no source)."""
    minute = great_circle_m(np.zeros(1), np.zeros(1), lon_b_deg=np.zeros(1), lat_b_deg=np.full(1, 1 / 60))
    assert minute[0] == pytest.approx(1852.0, rel=1e-3)
    assert osmnx.distance.great_circle(42.5, 1.5, 42.6, 1.7) == pytest.approx(
        great_circle_m(np.array([1.5]), np.array([42.5]), lon_b_deg=np.array([1.7]), lat_b_deg=np.array([42.6]))[0],
        rel=1e-12,
    )


@pytest.mark.parametrize(
    ("lon", "lat", "zone"),
    [
        (147.3, -37.0, "EPSG:32755"),
        (-122.2, 37.8, "EPSG:32610"),
        (179.9, 10.0, "EPSG:32660"),
        (180.0, 0.0, "EPSG:32660"),
    ],
)
def test_utm_zones(lon: float, lat: float, zone: str) -> None:
    assert utm_crs(lon, lat_deg=lat) == zone


def test_reference_systems_that_are_not_in_metres_are_refused() -> None:
    for crs in ("EPSG:4326", "EPSG:2227", "nonsense"):
        with pytest.raises(InputError, match="roads"):
            metric_crs(crs, place="roads")


def make_ways(
    points: dict[int, tuple[float, float]], runs: list[tuple[list[int], dict[str, str]]], **more: Any
) -> OsmWays:
    """Ways over points given as (longitude, latitude)."""
    node = np.array([point for run, _ in runs for point in run], dtype=np.int64)
    return OsmWays(
        way_id=np.arange(100, 100 + len(runs)),
        start=np.concatenate([[0], np.cumsum([len(run) for run, _ in runs])]).astype(np.int64),
        node=node,
        lon_deg=np.array([points[int(p)][0] for p in node]),
        lat_deg=np.array([points[int(p)][1] for p in node]),
        tags={
            tag: tuple({"highway": "residential", **tags}.get(tag, "") for _, tags in runs)
            for tag in TAGS
            if tag != "barrier"
        },
        **more,
    )


POINTS = {i: (147.0 + 0.001 * i, -37.0) for i in range(8)}


def test_one_way_streets_are_driven_one_way_and_walked_both() -> None:
    network = network_from_osm_ways(make_ways(POINTS, [([0, 1], {"oneway": "yes"}), ([1, 2], {"oneway": "-1"})]))
    pairs = [
        (int(network.node_id[t]), int(network.node_id[h]), bool(f))
        for t, h, f in zip(network.tail, network.head, network.foot_only, strict=True)
    ]
    assert sorted(pairs) == [(0, 1, False), (1, 0, True), (1, 2, True), (2, 1, False)]


def test_a_motorway_and_a_roundabout_are_one_way_without_saying_so() -> None:
    network = network_from_osm_ways(
        make_ways(POINTS, [([0, 1], {"highway": "motorway"}), ([1, 2, 3, 1], {"junction": "roundabout"})])
    )
    assert (network.highway.count("motorway"), network.foot_only.sum()) == (1, 1)
    loop = network.tail == network.head
    assert loop.sum() == 2
    assert network.foot_only[loop].tolist() == [False, True]


def test_repeated_points_loops_of_no_length_and_single_points() -> None:
    points = {**POINTS, 20: POINTS[0], 21: POINTS[0]}
    network = network_from_osm_ways(make_ways(points, [([0, 0, 1], {}), ([2], {}), ([0, 20, 21, 0], {})]))
    assert network.edge_count == 2
    assert any("no length" in sentence for sentence in network.assumptions)


def test_parallel_streets_and_loops_are_kept() -> None:
    network = network_from_osm_ways(make_ways(POINTS, [([0, 1], {}), ([0, 2, 1], {}), ([1, 3, 4, 1], {})]))
    assert network.edge_count == 6
    assert int((network.tail == network.head).sum()) == 2


def test_barriers_lie_on_the_stretch_that_they_shut() -> None:
    ways = make_ways(
        POINTS,
        [([0, 1, 2], {"highway": "tertiary"}), ([1, 3, 4], {"highway": "service"})],
        barriers={1: "gate", 3: "lift_gate", 4: "gate"},
    )
    network = network_from_osm_ways(ways)
    on = {
        (int(network.node_id[t]), int(network.node_id[h])): barrier
        for t, h, barrier in zip(network.tail, network.head, network.barrier, strict=True)
    }
    # the gate at the junction shuts the service road only; the one at the dead end shuts nothing
    assert on[(0, 1)] == on[(1, 2)] == ""
    assert "gate" in on[(1, 3)]
    assert sorted(value for value in {on[(1, 3)], on[(3, 4)]} if value)
    assert "lift_gate" in on[(1, 3)] + on[(3, 4)]
    assert on[(1, 3)] == on[(3, 1)]


def test_a_height_limit_on_a_point_counts_for_the_road() -> None:
    ways = make_ways(POINTS, [([0, 1, 2], {})], barriers={1: "height_restrictor"}, limits={1: {"maxheight": "2.1"}})
    network = network_from_osm_ways(ways)
    assert sorted(network.maxheight) == ["", "", "2.1", "2.1"]


def test_a_way_gets_a_point_where_it_crosses_the_edge() -> None:
    """The line from (147, -37) to (147.1, -37.1) crosses the meridian 147.05 half way; by hand."""
    ways = make_ways({1: (147.0, -37.0), 2: (147.1, -37.1)}, [([1, 2], {})])
    cut = osm_ways_with_points_at(ways, (146.9, -37.2, 147.05, -36.9))
    assert cut.lon_deg.tolist() == pytest.approx([147.0, 147.05, 147.1])
    assert cut.lat_deg.tolist() == pytest.approx([-37.0, -37.05, -37.1])
    assert (cut.node.tolist(), cut.start.tolist(), cut.ends.tolist()) == ([1, -1, 2], [0, 3], [-1])


@pytest.mark.parametrize(
    ("tags", "words"),
    [
        ({"barrier": "lift_gate", "access": "private"}, "lift_gate=private"),
        ({"barrier": "gate", "access": "private", "motorcar": "yes"}, "gate=yes"),
        ({"barrier": "gate", "locked": "no"}, "gate=yes"),
        ({"barrier": "gate", "locked": "yes"}, "gate"),
    ],
)
def test_a_barrier_says_who_may_pass_it(tags: dict[str, str], words: str) -> None:
    """The more particular access key rules (OpenStreetMap's key page of access)."""
    assert barrier_words(tags) == words


def test_coordinates_out_of_range_are_refused() -> None:
    with pytest.raises(InputError, match=r"way 100, node 1.*lie out of range"):
        network_from_osm_ways(make_ways({0: (147.0, -37.0), 1: (37.0, 147.0)}, [([0, 1], {})]))
    with pytest.raises(InputError, match="there is no road"):
        network_from_osm_ways(make_ways(POINTS, [([0], {})]))


def small_graph(**edge: Any) -> nx.MultiDiGraph[Any]:
    graph: nx.MultiDiGraph[Any] = nx.MultiDiGraph(crs="EPSG:32755")
    graph.add_node(1, x=0.0, y=0.0)
    graph.add_node(2, x=300.0, y=400.0)
    graph.add_edge(1, 2, **{"length": 500.0, "highway": "residential", "osmid": 9, **edge})
    return graph


@pytest.mark.parametrize("length", [None, float("nan"), -1.0, "long"])
def test_a_graph_without_lengths_is_refused(length: object) -> None:
    with pytest.raises(InputError, match=r"edge 1 to 2 \(way 9\): its length"):
        network_from_graph(small_graph(length=length))


def test_a_length_shorter_than_the_line_is_refused() -> None:
    """An edge that counts as 1 m where it is 500 m long would let people leave far too late."""
    with pytest.raises(InputError, match="shorter than the line drawn"):
        network_from_graph(small_graph(length=1.0))


def test_graphs_that_lack_what_is_needed_are_refused() -> None:
    graph = small_graph()
    del graph.graph["crs"]
    with pytest.raises(InputError, match="no reference system"):
        network_from_graph(graph)
    graph = small_graph()
    del graph.nodes[1]["x"]
    with pytest.raises(InputError, match="node 1: it has no position"):
        network_from_graph(graph)
    with pytest.raises(InputError, match="no directions"):
        network_from_graph(nx.MultiGraph(small_graph()))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no edges"):
        network_from_graph(nx.MultiDiGraph(crs="EPSG:4326"))
    graph = small_graph()
    graph.graph["crs"] = "EPSG:4326"
    with pytest.raises(InputError, match="out of range"):
        network_from_graph(graph)


def test_a_gate_on_a_node_of_a_graph_lies_on_the_lesser_road() -> None:
    graph = small_graph()
    graph.add_node(3, x=600.0, y=400.0)
    graph.add_node(4, x=300.0, y=800.0)
    graph.nodes[2]["barrier"] = "gate"
    for u, v, kind, length in ((2, 1, "residential", 500.0), (2, 3, "residential", 300.0), (2, 4, "service", 400.0)):
        graph.add_edge(u, v, length=length, highway=kind, osmid=v)
    network = network_from_graph(graph)
    shut = {network.highway[i] for i in range(network.edge_count) if network.barrier[i]}
    assert shut == {"service"}


def test_selecting_edges_keeps_twins_true() -> None:
    network = network_from_lines([[(0.0, 0.0), (9.0, 0.0)], [(9.0, 0.0), (9.0, 5.0)]], crs="EPSG:32755")
    kept = select_edges(network, np.array([True, True, False, True]))
    assert kept.twin.tolist() == [-1, 2, 1]
    assert check_network(kept) is kept


def test_lines_by_hand_are_checked() -> None:
    with pytest.raises(InputError, match=r"lines\[0\]"):
        network_from_lines([[(0.0, 0.0)]], crs="EPSG:32755")
    with pytest.raises(InputError, match="colour"):
        network_from_lines([[(0.0, 0.0), (1.0, 0.0)]], crs="EPSG:32755", tags=[{"colour": "red"}])


@pytest.mark.parametrize(
    ("tags", "expected"),
    [({"oneway": "-1"}, True), ({"junction": "roundabout"}, True), ({"highway": "track"}, False)],
)
def test_which_ways_are_one_way(tags: dict[str, str], expected: bool) -> None:
    """The meaning of the tags is common practice, no source."""
    assert is_one_way(tags) is expected


def test_values_of_merged_ways_are_joined_each_once() -> None:
    assert join_values(["gravel", "asphalt", "gravel"]) == "gravel|asphalt"
    assert join_values(["", ""]) == ""
    assert join_values(["gravel", ""]) == "gravel|"


@pytest.mark.parametrize(
    ("ends", "length_m", "highway", "shut"),
    [
        ([5], [80.0], ["service"], []),
        ([5, 6], [80.0, 20.0], ["service", "service"], [6]),
        ([5, 6, 7], [80.0, 20.0, 5.0], ["tertiary", "tertiary", "track"], [7]),
        ([5, 6, 7], [80.0, 20.0, 5.0], ["tertiary", "tertiary", "primary"], [5, 6, 7]),
    ],
)
def test_which_stretch_a_barrier_shuts(
    ends: list[int], length_m: list[float], highway: list[str], shut: list[int]
) -> None:
    assert shut_by_end(ends, length_m=length_m, highway=highway) == shut


def test_selected_edges_keep_their_twins_and_point_loops_go() -> None:
    network = network_from_lines([[(0.0, 0.0), (9.0, 0.0)], [(9.0, 0.0), (9.0, 5.0)]], crs="EPSG:32755")
    long = select_edges(network, network.length_m > 6.0)
    assert (long.length_m.tolist(), long.twin.tolist()) == ([9.0, 9.0], [1, 0])
    assert select_edges(network, network.tail != 0).twin.tolist() == [2, -1, 0]
    assert without_point_loops(network) is network
