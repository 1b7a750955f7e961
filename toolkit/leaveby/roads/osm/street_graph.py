"""Street graphs of osmnx taken over as a network."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from typing import Any, Final

import networkx as nx
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from leaveby.errors import Fault, Faults, refuse, refused
from leaveby.roads.network import graph as roads
from leaveby.roads.osm.osm_ways import barrier_words, shut_by_end

_FEW: Final = 20


def _text(value: object) -> str:
    """A tag value of a graph as text; lists (merged ways) are joined."""
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, list | tuple | set):
        return roads.SEPARATOR.join(dict.fromkeys(_text(item) for item in value))
    return str(value)


def network_from_graph(graph: nx.MultiDiGraph[Any], *, crs: str | None = None) -> roads.RoadNetwork:
    """Take over a street graph of osmnx (or one with the same attributes).

    Nodes have `x` and `y`, edges `length` in metres and, where they bend, `geometry`; `graph.graph["crs"]` names the
    reference system (longitude and latitude, or projected in metres). `crs` is that of the network: left out, that of
    the graph when it is projected, else the UTM zone. An undirected or empty graph, a missing reference system, node
    position or length, or a length below 0 is an InputError.

    Examples
    --------
    >>> graph = nx.MultiDiGraph(crs="EPSG:32755")
    >>> graph.add_node(1, x=0.0, y=0.0)
    >>> graph.add_node(2, x=300.0, y=400.0)
    >>> _ = graph.add_edge(1, 2, length=500.0, highway="residential", oneway=True, osmid=7)
    >>> network = network_from_graph(graph)
    >>> network.edge_count, network.foot_only.tolist(), network.highway
    (2, [False, True], ('residential', 'residential'))
    """
    edges = list(graph.edges(keys=True, data=True))
    _check(graph, edges)
    identity = list(graph.nodes)
    number = {node: index for index, node in enumerate(identity)}
    x, y = (np.array([float(graph.nodes[node][axis]) for node in identity]) for axis in ("x", "y"))
    source, target = _target(graph.graph["crs"], crs, x, y, identity=identity)
    to_crs = Transformer.from_crs(source, target, always_xy=True)
    x_m, y_m = (np.asarray(axis, dtype=np.float64) for axis in to_crs.transform(x, y))

    tail = np.array([number[u] for u, *_ in edges], dtype=np.int32)
    head = np.array([number[v] for _, v, *_ in edges], dtype=np.int32)
    ends = np.stack([np.column_stack([x_m[tail], y_m[tail]]), np.column_stack([x_m[head], y_m[head]])], axis=1)
    shapes = np.asarray(shapely.linestrings(ends), dtype=object)
    for index, (*_, data) in enumerate(edges):
        if data.get("geometry") is not None:
            shapes[index] = shapely.transform(
                data["geometry"], lambda xy: np.column_stack(to_crs.transform(xy[:, 0], xy[:, 1]))
            )
    length_m = np.array([float(data["length"]) for *_, data in edges])
    texts = {
        tag: [_text(data.get("4wd_only" if tag == "four_wd_only" else tag)) for *_, data in edges] for tag in roads.TAGS
    }
    twin = _twins_by_shape(tail, head, shapes=shapes, length_m=length_m)
    standing = {
        number[node]: barrier_words({key: value for key, value in data.items() if isinstance(value, str)})
        for node, data in graph.nodes(data=True)
        if data.get("barrier")
    }
    _lay_on_edges(
        texts["barrier"], standing, tail=tail, head=head, twin=twin, length_m=length_m, highway=texts["highway"]
    )
    no_motorway = [roads.MOTORWAYS.isdisjoint(kind.split(roads.SEPARATOR)) for kind in texts["highway"]]
    lonely = np.flatnonzero((twin < 0) & np.array(no_motorway, dtype=np.bool_) & (tail != head))
    twin[lonely] = np.arange(len(edges), len(edges) + lonely.size, dtype=np.int32)
    order = np.concatenate([np.arange(len(edges)), lonely])
    network = roads.RoadNetwork(
        from_osm=True,
        crs=target,
        node_id=np.array([_first_int(node) for node in identity], dtype=np.int64),
        x_m=x_m,
        y_m=y_m,
        tail=np.concatenate([tail, head[lonely]]),
        head=np.concatenate([head, tail[lonely]]),
        length_m=length_m[order],
        geometry=np.concatenate([shapes, shapely.reverse(shapes[lonely])]),
        way_id=np.array([_first_int(data.get("osmid")) for *_, data in edges], dtype=np.int64)[order],
        twin=np.concatenate([twin, lonely.astype(np.int32)]),
        foot_only=np.arange(order.size) >= len(edges),
        assumptions=_graph_assumptions(edges),
        **{tag: tuple(values[index] for index in order) for tag, values in texts.items()},
    )
    return roads.check_network(roads.without_point_loops(network))


_Edges = list[tuple[Any, Any, Any, dict[str, Any]]]


def _check(graph: nx.MultiDiGraph[Any], edges: _Edges) -> None:
    """Refuse a graph that is undirected or empty, or in which a reference system, positions or lengths are missing."""
    if not graph.is_directed():
        raise refused("road graph", "graph_without_directions")
    if graph.graph.get("crs") is None:
        raise refused("road graph", "graph_without_crs")
    faults = Faults(
        Fault(f"node {node}", "it has no position", "x and y", "give x and y of every node")
        for node, data in graph.nodes(data=True)
        if not all(isinstance(data.get(axis), int | float) and np.isfinite(data[axis]) for axis in ("x", "y"))
    )
    for u, v, _, data in edges:
        length = data.get("length")
        if not isinstance(length, int | float) or not np.isfinite(length) or length < 0.0:
            wrong = "its length is missing" if length is None else f"its length is {length!r}"
            place = f"edge {u} to {v} (way {_text(data.get('osmid'))})"
            faults.tell(place, "edge_without_length", wrong=wrong)
    if len(faults) > _FEW:
        more = Fault("and further", f"{len(faults) - _FEW} faults of the same kind", "none", "mend them likewise")
        faults[_FEW:] = [more]
    faults.refuse()
    if not edges:
        raise refuse("road graph", "it has no edges", expected="at least one road", mend="take a larger area")


def _target(
    named: object, crs: str | None, x: NDArray[np.float64], y: NDArray[np.float64], *, identity: list[Any]
) -> tuple[CRS, str]:
    """The reference system of a graph, and the one that its network is to have."""
    try:
        source = CRS.from_user_input(named)
    except Exception as error:
        raise refused("road graph", "graph_crs_unknown", named=named) from error
    if not source.is_geographic:
        return source, roads.metric_crs(crs or str(named), place="road graph")
    outside = (np.abs(x) > 180.0) | (np.abs(y) > 90.0)
    if outside.any():
        raise refused(f"node {identity[int(np.flatnonzero(outside)[0])]}", "node_out_of_range")
    return source, roads.metric_crs(crs or roads.utm_crs(float(x.mean()), lat_deg=float(y.mean())), place="road graph")


def _lay_on_edges(
    barrier: list[str],
    standing: Mapping[int, str],
    *,
    tail: NDArray[np.int32],
    head: NDArray[np.int32],
    twin: NDArray[np.int32],
    length_m: NDArray[np.float64],
    highway: list[str],
) -> None:
    """Write the barriers that stand on nodes upon the edges that they shut."""
    meeting: dict[int, list[int]] = defaultdict(list)
    for edge in range(tail.size):
        if 0 <= twin[edge] < edge:
            continue
        for node in {int(tail[edge]), int(head[edge])} & standing.keys():
            meeting[node].append(edge)
    for node, ends in meeting.items():
        for edge in shut_by_end(ends, length_m=[float(length_m[e]) for e in ends], highway=[highway[e] for e in ends]):
            for each in {edge, int(twin[edge])} - {-1}:
                barrier[each] = roads.SEPARATOR.join(filter(None, (barrier[each], standing[node])))


def _first_int(value: object) -> int:
    if isinstance(value, list | tuple):
        value = next(iter(value), 0)
    try:
        return int(np.int64(int(str(value))))
    except (OverflowError, ValueError):
        return 0


def _graph_assumptions(edges: _Edges) -> tuple[str, ...]:
    present = Counter(key for *_, data in edges for key in data)
    absent = [tag for tag in ("surface", "maxheight", "maxweight", "access", "barrier") if present[tag] == 0]
    if not absent:
        return ()
    return (
        f"The road graph holds no {', '.join(absent)}: limits, surfaces and gates that exist on the ground are "
        "unknown here. Check the way out by eye, or read the roads from the map data itself.",
    )


def _twins_by_shape(
    tail: NDArray[np.int32],
    head: NDArray[np.int32],
    *,
    shapes: NDArray[np.object_],
    length_m: NDArray[np.float64],
) -> NDArray[np.int32]:
    """Pair the two directions of each stretch: same ends, same length and the same middle."""
    twin = np.full(tail.size, -1, dtype=np.int32)
    middle = shapely.get_coordinates(shapely.line_interpolate_point(shapes, 0.5, normalized=True))
    waiting: dict[tuple[int, int], list[int]] = defaultdict(list)
    for index in range(tail.size):
        opposite = waiting[(int(head[index]), int(tail[index]))]
        for other in opposite:
            if abs(length_m[index] - length_m[other]) < 0.5 and np.abs(middle[index] - middle[other]).max() < 1.0:
                twin[index], twin[other] = other, index
                opposite.remove(other)
                break
        else:
            waiting[(int(tail[index]), int(head[index]))].append(index)
    return twin
