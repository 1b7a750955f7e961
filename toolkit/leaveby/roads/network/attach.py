"""Put homes and safe points on the road network exactly where they lie."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from leaveby.errors import Fault, InputError
from leaveby.roads.network.graph import FOOT_CLASSES, MOTORWAYS, SEPARATOR, TAGS, RoadNetwork, check_network

ATTACH_LIMIT_M: Final = 500.0
"""Farther than this from any road a point is refused. Judgement: longer farm drives should be drawn as roads."""

DRIVE_WINDING: Final = 1.4
"""Length of an unmapped drive over its straight line. Judgement, on the long side."""

_ON_THE_ROAD_M = 1.0
"""A point this near a road stands on it: no drive is added; and a node this near a foot of a perpendicular is taken."""


def carries_cars(network: RoadNetwork) -> NDArray[np.bool_]:
    """Edges of a class that cars use, in a direction in which they may be driven.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (9.0, 0.0)], [(9.0, 0.0), (9.0, 9.0)]]
    >>> network = network_from_lines(lines, crs="EPSG:32755", tags=[{"highway": "track"}, {"highway": "steps"}])
    >>> carries_cars(network).tolist()
    [True, False, True, False]
    """
    by_class = np.array(
        [not FOOT_CLASSES.issuperset(value.split(SEPARATOR)) for value in network.highway], dtype=np.bool_
    )
    return np.asarray(by_class & ~network.foot_only, dtype=np.bool_)


def takes_drives(network: RoadNetwork) -> NDArray[np.bool_]:
    """Edges that a drive can open onto: those that carry cars, but no motorways and nothing in a tunnel.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (9.0, 0.0)], [(9.0, 0.0), (9.0, 9.0)]]
    >>> network = network_from_lines(lines, crs="EPSG:32755", tags=[{"highway": "motorway"}, {"tunnel": "no"}])
    >>> takes_drives(network).tolist()
    [False, True, False, True]
    """
    open_ground = np.array(
        [
            MOTORWAYS.isdisjoint(kind.split(SEPARATOR)) and set(tunnel.split(SEPARATOR)) <= {"", "no"}
            for kind, tunnel in zip(network.highway, network.tunnel, strict=True)
        ],
        dtype=np.bool_,
    )
    return np.asarray(carries_cars(network) & open_ground, dtype=np.bool_)


def attach_points(
    network: RoadNetwork,
    x_m: Sequence[float] | NDArray[np.float64],
    *,
    y_m: Sequence[float] | NDArray[np.float64],
    names: Sequence[str],
    limit_m: float = ATTACH_LIMIT_M,
    eligible: NDArray[np.bool_] | None = None,
    drive: bool = True,
) -> tuple[RoadNetwork, tuple[int, ...]]:
    """Put points (homes, safe points) on the network: split the nearest road, in both directions, at its nearest spot.

    Existing nodes keep their numbers; edges are numbered anew, so attach before computing anything per edge.

    Parameters
    ----------
    network : RoadNetwork
        The roads.
    x_m, y_m : sequences of float
        The points, in the network's reference system.
    names : sequence of str
        What to call each point in errors, assumptions and the name of its drive.
    limit_m : float
        A point farther than this from any eligible road is refused.
    eligible : NDArray[np.bool_], shape (e,), optional
        Edges that a point may be put on; `takes_drives` when left out.
    drive : bool
        Where a point lies off the road by more than a metre, add a drive from it to the road, both ways, as long
        as the straight line times 1.4. Without it the point is moved onto the road.

    Returns
    -------
    RoadNetwork, tuple of int
        The new network and, for each point, its node.

    Raises
    ------
    InputError
        Naming every point that is too far from any road, with its distance.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> network = network_from_lines([[(0.0, 0.0), (100.0, 0.0)]], crs="EPSG:32755")
    >>> joined, nodes = attach_points(network, [30.0, 60.0], y_m=[10.0, 0.0], names=["home", "hall"])
    >>> nodes, joined.node_count, round(float(joined.length_m.max()), 1)
    ((4, 3), 5, 40.0)
    >>> attach_points(network, [0.0], y_m=[5000.0], names=["home"])
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: home: the nearest road is 5000 m away (...). Expected ...
    """
    xs, ys = np.asarray(x_m, dtype=np.float64).ravel(), np.asarray(y_m, dtype=np.float64).ravel()
    if not (xs.size == ys.size == len(names)):
        raise InputError(
            [Fault("points", f"{xs.size} x, {ys.size} y, {len(names)} names", "as many of each", "complete them")]
        )
    bad = [name for name, x, y in zip(names, xs, ys, strict=True) if not (np.isfinite(x) and np.isfinite(y))]
    if bad:
        raise InputError([Fault(name, "its position is missing", "finite coordinates", "give them") for name in bad])
    usable = takes_drives(network) if eligible is None else np.asarray(eligible, dtype=np.bool_)
    if not usable.any():
        raise InputError(
            [
                Fault(
                    "road network",
                    "no road in it can be reached by a drive",
                    "at least one",
                    "read a larger area or more classes",
                )
            ]
        )
    candidates = np.flatnonzero(usable)
    points = shapely.points(xs, ys)
    nearest = shapely.STRtree(network.geometry[candidates]).query_nearest(points, all_matches=False)
    edge_of = candidates[nearest[1]]
    away = np.asarray(shapely.distance(points, network.geometry[edge_of]), dtype=np.float64)
    faults = [
        Fault(
            name,
            f"the nearest road is {gap:.0f} m away ({network.place(int(edge))})",
            f"a road within {limit_m:.0f} m",
            "check its coordinates; if they are right, add the drive or track to the roads file, or raise the limit",
        )
        for name, gap, edge in zip(names, away, edge_of, strict=True)
        if gap > limit_m
    ]
    if faults:
        raise InputError(faults)

    building = _Building(network)
    cuts: dict[int, list[tuple[float, int]]] = defaultdict(list)
    along = np.asarray(shapely.line_locate_point(network.geometry[edge_of], points), dtype=np.float64)
    line_m = np.asarray(shapely.length(network.geometry[edge_of]), dtype=np.float64)
    road_node = [-1] * xs.size
    for index, (edge, at_m, whole_m) in enumerate(zip(edge_of, along, line_m, strict=True)):
        if at_m <= _ON_THE_ROAD_M:
            road_node[index] = int(network.tail[edge])
        elif whole_m - at_m <= _ON_THE_ROAD_M:
            road_node[index] = int(network.head[edge])
        else:
            cuts[int(edge)].append((float(at_m), index))
    # both directions of one stretch are cut at the same spots: number them along the one with the lower number
    by_stretch: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for edge, spots in cuts.items():
        twin = int(network.twin[edge])
        main = edge if twin < 0 else min(edge, twin)
        whole_m = float(shapely.length(network.geometry[edge]))
        by_stretch[main].extend((at_m if edge == main else whole_m - at_m, index) for at_m, index in spots)
    for main, spots in by_stretch.items():
        spots.sort()
        merged: list[tuple[float, int]] = []
        for at_m, index in spots:
            if not merged or at_m - merged[-1][0] > _ON_THE_ROAD_M:
                spot = shapely.line_interpolate_point(network.geometry[main], at_m)
                merged.append((at_m, building.add_node(spot.x, spot.y)))
            road_node[index] = merged[-1][1]
        building.cut(main, merged)
        twin = int(network.twin[main])
        if twin >= 0 and twin != main:
            whole_m = float(shapely.length(network.geometry[main]))
            building.cut(twin, [(whole_m - at_m, node) for at_m, node in reversed(merged)])

    nodes: list[int] = []
    sentences: list[str] = []
    for index, name in enumerate(names):
        if drive and away[index] > _ON_THE_ROAD_M:
            nodes.append(building.add_node(float(xs[index]), float(ys[index])))
            building.add_drive(nodes[-1], road_node[index], name=name)
            sentences.append(
                f"{name}: {away[index]:.0f} m from the nearest road ({network.place(int(edge_of[index]))}); a drive of "
                f"{DRIVE_WINDING * away[index]:.0f} m was supposed (1.4 times the straight line, judgement)."
            )
        else:
            nodes.append(road_node[index])
    return building.finish(sentences), tuple(nodes)


class _Building:
    """The parts of the network to come, gathered before the arrays are made."""

    def __init__(self, network: RoadNetwork) -> None:
        self.network = network
        self.x: list[float] = []
        self.y: list[float] = []
        self.gone: set[int] = set()
        self.tail: list[int] = []
        self.head: list[int] = []
        self.length_m: list[float] = []
        self.shape: list[shapely.LineString] = []
        self.source: list[int] = []
        self.foot_only: list[bool] = []
        self.drive_name: list[str] = []
        self.part: list[tuple[int, int]] = []

    def add_node(self, x_m: float, y_m: float) -> int:
        self.x.append(x_m)
        self.y.append(y_m)
        return self.network.node_count + len(self.x) - 1

    def cut(self, edge: int, spots: list[tuple[float, int]]) -> None:
        """Replace an edge by its parts between the spots (distance along, node)."""
        network = self.network
        self.gone.add(edge)
        line = network.geometry[edge]
        whole_m = float(shapely.length(line))
        stops = [(0.0, int(network.tail[edge])), *spots, (whole_m, int(network.head[edge]))]
        for (from_m, tail), (to_m, head) in pairwise(stops):
            self._edge(
                tail,
                head,
                length_m=float(network.length_m[edge]) * (to_m - from_m) / whole_m,
                shape=shapely.LineString(substring(line, from_m, to_m).coords),
                source=edge,
                foot_only=bool(network.foot_only[edge]),
                name="",
            )

    def add_drive(self, home: int, road: int, *, name: str) -> None:
        network = self.network
        known = network.node_count
        end = (
            (float(network.x_m[road]), float(network.y_m[road]))
            if road < known
            else (self.x[road - known], self.y[road - known])
        )
        line = shapely.LineString([(self.x[home - known], self.y[home - known]), end])
        for tail, head, shape in ((home, road, line), (road, home, line.reverse())):
            self._edge(
                tail,
                head,
                length_m=DRIVE_WINDING * float(line.length),
                shape=shape,
                source=-1,
                foot_only=False,
                name=f"drive of {name}",
            )

    def _edge(
        self,
        tail: int,
        head: int,
        *,
        length_m: float,
        shape: shapely.LineString,
        source: int,
        foot_only: bool,
        name: str,
    ) -> None:
        self.tail.append(tail)
        self.head.append(head)
        self.length_m.append(length_m)
        self.shape.append(shape)
        self.source.append(source)
        self.foot_only.append(foot_only)
        self.drive_name.append(name)

    def finish(self, sentences: list[str]) -> RoadNetwork:
        old = self.network
        kept = np.array([edge for edge in range(old.edge_count) if edge not in self.gone], dtype=np.int64)
        number = np.full(old.edge_count + 1, -1, dtype=np.int32)
        number[kept] = np.arange(kept.size, dtype=np.int32)
        added = len(self.tail)
        geometry = np.empty(kept.size + added, dtype=object)
        geometry[: kept.size] = old.geometry[kept]
        geometry[kept.size :] = self.shape
        least = int(min(0, old.node_id.min())) if old.node_id.size else 0
        ids = least - 1 - np.arange(len(self.x), dtype=np.int64)
        drive = {"highway": "service", "service": "driveway"}
        tags: dict[str, Any] = {}
        for tag in TAGS:
            values: tuple[str, ...] = getattr(old, tag)
            new = tuple(
                values[source] if source >= 0 else (name if tag == "name" else drive.get(tag, ""))
                for source, name in zip(self.source, self.drive_name, strict=True)
            )
            tags[tag] = tuple(values[edge] for edge in kept) + new
        return check_network(
            RoadNetwork(
                crs=old.crs,
                from_osm=old.from_osm,
                node_id=np.concatenate([old.node_id, ids]),
                x_m=np.concatenate([old.x_m, np.array(self.x, dtype=np.float64)]),
                y_m=np.concatenate([old.y_m, np.array(self.y, dtype=np.float64)]),
                tail=np.concatenate([old.tail[kept], np.array(self.tail, dtype=np.int32)]),
                head=np.concatenate([old.head[kept], np.array(self.head, dtype=np.int32)]),
                length_m=np.concatenate([old.length_m[kept], np.array(self.length_m, dtype=np.float64)]),
                geometry=geometry,
                way_id=np.concatenate(
                    [
                        old.way_id[kept],
                        np.array([old.way_id[s] if s >= 0 else 0 for s in self.source], dtype=np.int64),
                    ]
                ),
                twin=np.concatenate([number[old.twin[kept]], kept.size + self._twins()]).astype(np.int32)
                if added
                else number[old.twin[kept]],
                foot_only=np.concatenate([old.foot_only[kept], np.array(self.foot_only, dtype=np.bool_)]),
                assumptions=(*old.assumptions, *sentences),
                **tags,
            )
        )

    def _twins(self) -> NDArray[np.int64]:
        """Pair the added parts: same ends the other way round, from the twin edge or for the same drive."""
        twin = np.full(len(self.tail), -1, dtype=np.int64)
        waiting: dict[tuple[int, int, int, str], int] = {}
        for index, (tail, head, source) in enumerate(zip(self.tail, self.head, self.source, strict=True)):
            back = int(self.network.twin[source]) if source >= 0 else -1
            other = waiting.pop((head, tail, back, self.drive_name[index]), None)
            if other is None:
                waiting[(tail, head, source, self.drive_name[index])] = index
            else:
                twin[index], twin[other] = other, index
        return twin
