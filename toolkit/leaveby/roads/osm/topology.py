"""From raw ways, or from a graph, to the directed network: where edges begin and end, and which way they may be driven.

Edges begin and end where osmnx lets them (Boeing 2025, Transactions in GIS 29(3), e70037, rules for end points): at
dead ends, junctions, and where a street turns from one-way to two-way. They also end where a way ends, so that no edge
mixes the tags of two ways, and at barriers.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.errors import refused
from leaveby.roads.network import graph
from leaveby.roads.osm.osm_ways import REVERSED, OsmWays, is_one_way, join_values, osm_ways_kept, shut_by_end


def network_from_osm_ways(raw: OsmWays, *, crs: str | None = None) -> graph.RoadNetwork:
    """Build the directed network from raw ways; no road, or a coordinate out of range, is an InputError.

    Edges stand in the order: along the ways, against them, and on foot against one-way streets. `crs` is projected, in
    metres: the UTM zone of the middle of the points when left out.

    Examples
    --------
    >>> raw = OsmWays(
    ...     way_id=np.array([7]),
    ...     start=np.array([0, 2]),
    ...     node=np.array([1, 2]),
    ...     lon_deg=np.array([147.0, 147.001]),
    ...     lat_deg=np.array([-37.0, -37.0]),
    ...     tags={tag: ("residential" if tag == "highway" else "",) for tag in graph.TAGS},
    ... )
    >>> network = network_from_osm_ways(raw)
    >>> network.crs, network.edge_count, round(float(network.length_m[0]), 2)
    ('EPSG:32755', 2, 88.8)
    """
    clean = _oriented(raw)
    if clean.way_id.size == 0:
        raise refused("road network", "ways_without_roads")
    _check_range(clean)
    target = (
        graph.metric_crs(crs, place="road network")
        if crs is not None
        else graph.utm_crs(float(clean.lon_deg.mean()), lat_deg=float(clean.lat_deg.mean()))
    )
    identity, first, of = np.unique(clean.node, return_index=True, return_inverse=True)
    points = _Points(identity, first, of.astype(np.int64))
    said = ("oneway", "junction", "highway")
    one_way = graph.where(
        zip(*(clean.tags[tag] for tag in said), strict=True),
        lambda values: is_one_way(dict(zip(said, values, strict=True))),
    )
    pieces = _pieces(clean, points, is_end=_end_points(clean, points, one_way=one_way))
    return _assemble(clean, pieces, points=points, one_way=one_way, crs=target)


@dataclass(frozen=True, eq=False)
class _Points:
    """Points of the map: identity, where each stands first among the points of ways, and which one each of these is."""

    identity: NDArray[np.int64]
    first: NDArray[np.int64]
    of: NDArray[np.int64]


def _oriented(raw: OsmWays) -> OsmWays:
    """Turn ways that run against their points, drop repeated points, and ways of fewer than two points."""
    size = np.diff(raw.start)
    way_of = np.repeat(np.arange(size.size), size)
    against = graph.where(raw.tags["oneway"], REVERSED.__contains__)
    place = np.arange(raw.node.size)
    turned = np.where(against[way_of], raw.start[:-1][way_of] + raw.start[1:][way_of] - 1 - place, place)
    node = raw.node[turned]
    keep = np.ones(node.size, dtype=np.bool_)
    keep[1:] = (node[1:] != node[:-1]) | (way_of[1:] != way_of[:-1])
    left = np.bincount(way_of[keep], minlength=size.size)
    whole = left >= 2
    keep &= whole[way_of]
    return replace(
        osm_ways_kept(raw, whole),
        start=np.concatenate([[0], np.cumsum(left[whole])]).astype(np.int64),
        node=node[keep],
        lon_deg=raw.lon_deg[turned][keep],
        lat_deg=raw.lat_deg[turned][keep],
    )


def _check_range(raw: OsmWays) -> None:
    bad = ~(
        np.isfinite(raw.lon_deg)
        & np.isfinite(raw.lat_deg)
        & (np.abs(raw.lon_deg) <= 180.0)
        & (np.abs(raw.lat_deg) <= 90.0)
    )
    if bad.any():
        where = int(np.flatnonzero(bad)[0])
        way = int(np.searchsorted(raw.start, where, side="right")) - 1
        place = f"way {raw.way_id[way]}, node {raw.node[where]}"
        raise refused(place, "way_out_of_range", lon_deg=raw.lon_deg[where], lat_deg=raw.lat_deg[where])


def _end_points(raw: OsmWays, known: _Points, *, one_way: NDArray[np.bool_]) -> NDArray[np.bool_]:
    point, points = known.of, known.identity.size
    way_of = np.repeat(np.arange(raw.way_id.size), np.diff(raw.start))
    inner = way_of[1:] == way_of[:-1]
    a, b = point[:-1][inner], point[1:][inner]
    both = ~one_way[way_of[:-1][inner]]
    degree_out = np.bincount(a, minlength=points) + np.bincount(b[both], minlength=points)
    degree_in = np.bincount(b, minlength=points) + np.bincount(a[both], minlength=points)
    pair = np.unique(np.minimum(a, b) * np.int64(points) + np.maximum(a, b))
    neighbours = np.bincount(pair // points, minlength=points) + np.bincount(pair % points, minlength=points)
    degree = degree_in + degree_out
    through = (neighbours == 2) & ((degree == 2) | (degree == 4)) & (degree_out > 0) & (degree_in > 0)
    ends = ~through
    ends[point[raw.start[:-1]]] = True
    ends[point[raw.start[1:] - 1]] = True
    marked = np.array([*raw.barriers, *raw.limits, *raw.ends], dtype=np.int64)
    return np.asarray(ends | np.isin(known.identity, marked), dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Runs of points within one way: from `begin` to `end` (both counted) in the way points."""

    way: NDArray[np.int64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]


def _pieces(raw: OsmWays, points: _Points, *, is_end: NDArray[np.bool_]) -> _Pieces:
    way_of = np.repeat(np.arange(raw.way_id.size), np.diff(raw.start))
    cut = is_end[points.of]
    cut[raw.start[:-1]] = True
    cut[raw.start[1:] - 1] = True
    at = np.flatnonzero(cut)
    same = way_of[at[1:]] == way_of[at[:-1]]
    return _Pieces(way=way_of[at[:-1][same]], begin=at[:-1][same], end=at[1:][same])


def _assemble(
    raw: OsmWays,
    pieces: _Pieces,
    *,
    points: _Points,
    one_way: NDArray[np.bool_],
    crs: str,
) -> graph.RoadNetwork:
    motorway = graph.where(raw.tags["highway"], graph.MOTORWAYS.__contains__)
    count, one_way = pieces.way.size, one_way[pieces.way]
    driven_back, walked_back = np.flatnonzero(~one_way), np.flatnonzero(one_way & ~motorway[pieces.way])
    back = np.concatenate([driven_back, walked_back])
    piece = np.concatenate([np.arange(count), back])
    number = np.arange(piece.size)
    along, twin = number < count, np.concatenate([np.full(count, -1), back])
    twin[back] = number[count:]
    begin, end = (
        np.where(along, pieces.begin[piece], pieces.end[piece]),
        np.where(along, pieces.end[piece], pieces.begin[piece]),
    )
    run = np.abs(end - begin) + 1
    offset = np.arange(int(run.sum())) - np.repeat(np.cumsum(run) - run, run)
    at = np.repeat(begin, run) + np.repeat(np.where(along, 1, -1), run) * offset

    x_m, y_m = _projected(raw, crs=crs)
    tail_point, head_point = points.of[begin], points.of[end]
    used, renumbered = np.unique(np.concatenate([tail_point, head_point]), return_inverse=True)
    step_m = np.zeros(points.of.size)
    step_m[1:] = graph.great_circle_m(
        raw.lon_deg[:-1], raw.lat_deg[:-1], lon_b_deg=raw.lon_deg[1:], lat_b_deg=raw.lat_deg[1:]
    )
    along_m = np.cumsum(step_m)
    piece_m = along_m[pieces.end] - along_m[pieces.begin]
    network = graph.RoadNetwork(
        from_osm=True,
        credits=(),
        crs=crs,
        node_id=points.identity[used],
        x_m=x_m[points.first[used]],
        y_m=y_m[points.first[used]],
        tail=renumbered[: tail_point.size].astype(np.int32),
        head=renumbered[tail_point.size :].astype(np.int32),
        length_m=piece_m[piece],
        geometry=np.asarray(
            shapely.linestrings(np.column_stack([x_m[at], y_m[at]]), indices=np.repeat(number, run)), dtype=object
        ),
        way_id=raw.way_id[pieces.way[piece]],
        twin=twin.astype(np.int32),
        foot_only=number >= count + driven_back.size,
        assumptions=raw.assumptions,
        **_tags(raw, pieces, piece, points=points, piece_m=piece_m),
    )
    return graph.check_network(graph.without_point_loops(network))


def _projected(raw: OsmWays, *, crs: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x_m, y_m = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(raw.lon_deg, raw.lat_deg)
    if not (np.isfinite(x_m).all() and np.isfinite(y_m).all()):
        raise refused("road network", "points_not_projected", crs=crs)
    return np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)


def _tags(
    raw: OsmWays, pieces: _Pieces, piece: NDArray[np.int64], *, points: _Points, piece_m: NDArray[np.float64]
) -> dict[str, tuple[str, ...]]:
    """The tags of each edge: those of its piece, with the limits that stand on points of it."""
    barrier, limits = _standing_on(raw, pieces, points=points, piece_m=piece_m)
    found: dict[str, tuple[str, ...]] = {}
    ways, of_edge, nothing = pieces.way.tolist(), piece.tolist(), ("",) * piece.size
    for tag in graph.TAGS:
        of_way = barrier if tag == "barrier" else raw.tags[tag]
        if not any(of_way) and not any(tag in said for said in limits.values()):
            found[tag] = nothing
            continue
        of_piece = barrier if tag == "barrier" else [of_way[way] for way in ways]
        for at, said in limits.items():
            if tag in said:
                of_piece[at] = join_values([value for value in (of_piece[at], said[tag]) if value])
        found[tag] = tuple([of_piece[at] for at in of_edge])
    return found


def _standing_on(
    raw: OsmWays,
    pieces: _Pieces,
    *,
    points: _Points,
    piece_m: NDArray[np.float64],
) -> tuple[list[str], dict[int, dict[str, str]]]:
    """Lay each barrier and limit that stands on a point upon the pieces that it shuts."""
    barrier: list[list[str]] = [[] for _ in range(pieces.way.size)]
    limits: dict[int, dict[str, str]] = defaultdict(dict)
    marked = np.array(sorted({*raw.barriers, *raw.limits}), dtype=np.int64)
    if marked.size == 0:
        return [""] * pieces.way.size, {}
    node_at = points.identity[points.of]
    at = np.flatnonzero(np.isin(node_at, marked))
    touching: dict[int, list[tuple[int, bool]]] = defaultdict(list)
    order = np.argsort(pieces.begin, kind="stable")
    sorted_begin, sorted_end = pieces.begin[order], pieces.end[order]
    for position in at:
        low = int(np.searchsorted(sorted_end, position, side="left"))
        while low < order.size and sorted_begin[low] <= position <= sorted_end[low]:
            inner = bool(sorted_begin[low] < position < sorted_end[low])
            touching[int(node_at[position])].append((int(order[low]), inner))
            low += 1
    for node, met in touching.items():
        shut = [piece for piece, inner in met if inner]
        if not shut:
            ends = [piece for piece, _ in met]
            shut = shut_by_end(
                ends,
                length_m=[float(piece_m[piece]) for piece in ends],
                highway=[raw.tags["highway"][pieces.way[piece]] for piece in ends],
            )
        for piece in dict.fromkeys(shut):
            if node in raw.barriers:
                barrier[piece].append(raw.barriers[node])
            for tag, value in raw.limits.get(node, {}).items():
                had = limits[piece].get(tag)
                limits[piece][tag] = join_values([had, value] if had else [value])
    return [graph.SEPARATOR.join(dict.fromkeys(kinds)) for kinds in barrier], dict(limits)
