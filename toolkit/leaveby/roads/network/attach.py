"""Put homes and safe points on the road network exactly where they lie."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from leaveby.errors import Fault, Faults, InputError, fault_of, refuse, refused
from leaveby.parameters import ATTACH_LIMIT_M, DRIVE_WINDING
from leaveby.roads.network import graph

_ON_THE_ROAD_M = 1.0
"""A point this near a road stands on it: no drive is added; and a node this near a foot of a perpendicular is taken."""


def carries_cars(network: graph.RoadNetwork) -> NDArray[np.bool_]:
    """Edges of a class that cars use, in a direction in which they may be driven."""
    on_foot = graph.where(network.highway, lambda kind: graph.FOOT_CLASSES.issuperset(kind.split(graph.SEPARATOR)))
    return np.asarray(~on_foot & ~network.foot_only, dtype=np.bool_)


def takes_drives(network: graph.RoadNetwork) -> NDArray[np.bool_]:
    """Edges that a drive can open onto: those that carry cars, but no motorways and nothing in a tunnel."""
    no_motorway = graph.where(network.highway, lambda kind: graph.MOTORWAYS.isdisjoint(kind.split(graph.SEPARATOR)))
    no_tunnel = graph.where(network.tunnel, lambda said: set(said.split(graph.SEPARATOR)) <= {"", "no"})
    return np.asarray(carries_cars(network) & no_motorway & no_tunnel, dtype=np.bool_)


def attach_points(
    network: graph.RoadNetwork,
    x_m: Sequence[float] | NDArray[np.float64],
    *,
    y_m: Sequence[float] | NDArray[np.float64],
    names: Sequence[str],
    limit_m: float = ATTACH_LIMIT_M.value,
    drive: bool = True,
) -> tuple[graph.RoadNetwork, tuple[int, ...]]:
    """Put points (homes, safe points) on the network: split the nearest road, in both directions, at its nearest spot.

    Existing nodes keep their numbers; edges are numbered anew, so attach before computing anything per edge. Gives the
    new network and, for each point, its node. `names` are for errors, assumptions and drives. A point farther than
    `limit_m` from any road that `takes_drives` is refused, with all others like it (InputError). Where one lies off the
    road by more than a metre, a `drive` is added from it to the road, both ways, as long as the straight line times
    1.4; without it the point is moved onto the road.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> network = network_from_lines([[(0.0, 0.0), (100.0, 0.0)]], crs="EPSG:32755")
    >>> joined, nodes = attach_points(network, [30.0, 60.0], y_m=[10.0, 0.0], names=["home", "hall"])
    >>> nodes, joined.node_count, round(float(joined.length_m.max()), 1)
    ((4, 3), 5, 40.0)
    """
    xs, ys = np.asarray(x_m, dtype=np.float64).ravel(), np.asarray(y_m, dtype=np.float64).ravel()
    if not (xs.size == ys.size == len(names)):
        given = f"{xs.size} x, {ys.size} y, {len(names)} names"
        raise refuse("points", given, expected="as many of each", mend="complete them")
    bad = [name for name, x, y in zip(names, xs, ys, strict=True) if not (np.isfinite(x) and np.isfinite(y))]
    if bad:
        raise InputError([Fault(name, "its position is missing", "finite coordinates", "give them") for name in bad])
    points = np.asarray(shapely.points(xs, ys), dtype=object)
    edge_of, away_m = _nearest(network, points, names=names, limit_m=limit_m)
    parts, places, road_node = _cut(network, points, edge_of)

    nodes: list[int] = []
    sentences: list[str] = []
    for index, name in enumerate(names):
        if drive and away_m[index] > _ON_THE_ROAD_M:
            nodes.append(network.node_count + len(places))
            places.append((float(xs[index]), float(ys[index])))
            parts += _drive(network, nodes[-1], road_node[index], places=places, name=name)
            sentences.append(
                f"{name}: {away_m[index]:.0f} m from the nearest road ({network.place(int(edge_of[index]))}); a drive "
                f"of {DRIVE_WINDING.value * away_m[index]:.0f} m was supposed ({DRIVE_WINDING.value:g} times the "
                "straight line, judgement)."
            )
        else:
            nodes.append(road_node[index])
    return _with_parts(network, parts, places=places, sentences=sentences), tuple(nodes)


def _nearest(
    network: graph.RoadNetwork, points: NDArray[np.object_], *, names: Sequence[str], limit_m: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The nearest road of each point, and how far it is; refuses points that are far from all of them."""
    candidates = np.flatnonzero(takes_drives(network))
    if candidates.size == 0:
        raise refused("road network", "no_road_for_drives")
    edge_of = candidates[shapely.STRtree(network.geometry[candidates]).query_nearest(points, all_matches=False)[1]]
    away_m = np.asarray(shapely.distance(points, network.geometry[edge_of]), dtype=np.float64)
    Faults(
        fault_of(name, "no_road_near", gap=gap, road=network.place(int(edge)), limit_m=limit_m)
        for name, gap, edge in zip(names, away_m, edge_of, strict=True)
        if gap > limit_m
    ).refuse()
    return edge_of, away_m


class _Part(NamedTuple):
    """An edge to come: a part of edge `source`, or a drive (`source` -1) with a name."""

    tail: int
    head: int
    length_m: float
    line: shapely.LineString
    source: int
    name: str = ""


def _cut(
    network: graph.RoadNetwork, points: NDArray[np.object_], edge_of: NDArray[np.int64]
) -> tuple[list[_Part], list[tuple[float, float]], list[int]]:
    """Cut roads where points lie nearest: the parts, the new nodes, and the node on the road of each point."""
    lines = network.geometry[edge_of]
    along = np.asarray(shapely.line_locate_point(lines, points), dtype=np.float64).tolist()
    line_m = np.asarray(shapely.length(lines), dtype=np.float64).tolist()
    road_node = [-1] * len(along)
    # both directions of one stretch are cut at the same spots: number them along the one with the lower number
    by_stretch: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for index, (edge, at_m, whole_m) in enumerate(zip(edge_of.tolist(), along, line_m, strict=True)):
        twin = int(network.twin[edge])
        if at_m <= _ON_THE_ROAD_M:
            road_node[index] = int(network.tail[edge])
        elif whole_m - at_m <= _ON_THE_ROAD_M:
            road_node[index] = int(network.head[edge])
        elif 0 <= twin < edge:
            by_stretch[twin].append((whole_m - at_m, index))
        else:
            by_stretch[edge].append((at_m, index))
    parts: list[_Part] = []
    places: list[tuple[float, float]] = []
    for main, spots in by_stretch.items():
        merged: list[tuple[float, int]] = []
        for at_m, index in sorted(spots):
            if not merged or at_m - merged[-1][0] > _ON_THE_ROAD_M:
                spot = shapely.line_interpolate_point(network.geometry[main], at_m)
                merged.append((at_m, network.node_count + len(places)))
                places.append((spot.x, spot.y))
            road_node[index] = merged[-1][1]
        parts += _between(network, main, merged)
        twin = int(network.twin[main])
        if twin >= 0 and twin != main:
            whole_m = float(shapely.length(network.geometry[main]))
            parts += _between(network, twin, [(whole_m - at_m, node) for at_m, node in reversed(merged)])
    return parts, places, road_node


def _between(network: graph.RoadNetwork, edge: int, spots: list[tuple[float, int]]) -> list[_Part]:
    """The parts of an edge between spots (distance along, node)."""
    line = network.geometry[edge]
    whole_m = float(shapely.length(line))
    stops = [(0.0, int(network.tail[edge])), *spots, (whole_m, int(network.head[edge]))]
    return [
        _Part(
            tail,
            head,
            float(network.length_m[edge]) * (to_m - from_m) / whole_m,
            shapely.LineString(substring(line, from_m, to_m).coords),
            edge,
        )
        for (from_m, tail), (to_m, head) in pairwise(stops)
    ]


def _drive(
    network: graph.RoadNetwork, home: int, road: int, *, places: list[tuple[float, float]], name: str
) -> tuple[_Part, _Part]:
    known = network.node_count
    end = (float(network.x_m[road]), float(network.y_m[road])) if road < known else places[road - known]
    line = shapely.LineString([places[home - known], end])
    length_m, words = DRIVE_WINDING.value * float(line.length), f"drive of {name}"
    return _Part(home, road, length_m, line, -1, words), _Part(road, home, length_m, line.reverse(), -1, words)


def _with_parts(
    old: graph.RoadNetwork, parts: list[_Part], *, places: list[tuple[float, float]], sentences: list[str]
) -> graph.RoadNetwork:
    """The network with parts in the place of the edges that they were cut from, and drives added."""
    if not parts:
        return graph.check_network(replace(old, assumptions=(*old.assumptions, *sentences)))
    tail, head, length_m, lines, source, names = zip(*parts, strict=True)
    gone = np.array(source, dtype=np.int64)
    kept = np.setdiff1d(np.arange(old.edge_count), gone)
    number = np.full(old.edge_count + 1, -1, dtype=np.int32)
    number[kept] = np.arange(kept.size, dtype=np.int32)
    edges = graph.taken(old, graph.PER_EDGE, np.concatenate([kept, gone]))
    new = slice(kept.size, None)
    edges["tail"][new], edges["head"][new], edges["length_m"][new], edges["geometry"][new] = tail, head, length_m, lines
    edges["way_id"][new][gone < 0] = 0
    edges["foot_only"][new][gone < 0] = False
    for tag in graph.TAGS:
        words = [{"highway": "service", "service": "driveway", "name": name}.get(tag, "") for name in names]
        whole: tuple[str, ...] = edges[tag]
        of_parts = zip(whole[new], words, source, strict=True)
        edges[tag] = whole[: kept.size] + tuple(word if edge < 0 else value for value, word, edge in of_parts)
    x_m, y_m = np.array(places, dtype=np.float64).reshape(-1, 2).T
    least = int(min(0, old.node_id.min())) if old.node_id.size else 0
    return graph.check_network(
        replace(
            old,
            node_id=np.concatenate([old.node_id, least - 1 - np.arange(len(places), dtype=np.int64)]),
            x_m=np.concatenate([old.x_m, x_m]),
            y_m=np.concatenate([old.y_m, y_m]),
            twin=np.concatenate([number[old.twin[kept]], kept.size + _twins(old, parts)]).astype(np.int32),
            assumptions=(*old.assumptions, *sentences),
            **edges,
        )
    )


def _twins(network: graph.RoadNetwork, parts: list[_Part]) -> NDArray[np.int64]:
    """Pair the added parts: same ends the other way round, from the twin edge or for the same drive."""
    twin = np.full(len(parts), -1, dtype=np.int64)
    waiting: dict[tuple[int, int, int, str], int] = {}
    for index, part in enumerate(parts):
        back = int(network.twin[part.source]) if part.source >= 0 else -1
        other = waiting.pop((part.head, part.tail, back, part.name), None)
        if other is None:
            waiting[part.tail, part.head, part.source, part.name] = index
        else:
            twin[index], twin[other] = other, index
    return twin
