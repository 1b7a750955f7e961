"""From raw ways, or from a graph, to the directed network: where edges begin and end, and which way they may be driven.

Edges begin and end where osmnx lets them (Boeing 2025, Transactions in GIS 29(3), e70037, rules for end points): at
dead ends, junctions, and where a street turns from one-way to two-way. By default they also end
where a way ends, so that no edge mixes the tags of two ways, and at barriers.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.errors import refuse
from leaveby.roads.network.graph import (
    MOTORWAYS,
    SEPARATOR,
    TAGS,
    RoadNetwork,
    check_network,
    great_circle_m,
    metric_crs,
    utm_crs,
    without_point_loops,
)
from leaveby.roads.osm.ways import REVERSED, Ways, is_one_way, join_values, shut_by_end

Split = Literal["ways", "junctions", "nodes"]


def network_from_ways(ways: Ways, *, crs: str | None = None, split: Split = "ways") -> RoadNetwork:
    """Build the directed network from raw ways.

    Parameters
    ----------
    ways : Ways
        Points, tags and barriers.
    crs : str, optional
        Projected reference system in metres. The UTM zone of the middle of the points when left out.
    split : {"ways", "junctions", "nodes"}
        Where edges end: at junctions, way ends and barriers (`ways`, so that each edge has the tags of one way); at
        junctions only (`junctions`: tags of merged ways are joined with '|', and the slowest and narrowest of them
        counts later); or at every point (`nodes`).

    Returns
    -------
    RoadNetwork
        Edges in the order: along the ways, against them, and on foot against one-way streets.

    Raises
    ------
    InputError
        When there is no road, or a coordinate lies out of range.

    Examples
    --------
    >>> ways = Ways(
    ...     way_id=np.array([7]),
    ...     start=np.array([0, 2]),
    ...     node=np.array([1, 2]),
    ...     lon_deg=np.array([147.0, 147.001]),
    ...     lat_deg=np.array([-37.0, -37.0]),
    ...     tags={tag: ("residential" if tag == "highway" else "",) for tag in TAGS},
    ... )
    >>> network = network_from_ways(ways)
    >>> network.crs, network.edge_count, round(float(network.length_m[0]), 2)
    ('EPSG:32755', 2, 88.8)
    """
    clean = _oriented(ways)
    if clean.way_id.size == 0:
        raise refuse(
            "road network",
            "there is no road in it",
            expected="at least one way of two points with a highway tag",
            mend="take a larger area, or check the file",
        )
    _check_range(clean)
    target = (
        metric_crs(crs, place="road network")
        if crs is not None
        else utm_crs(float(clean.lon_deg.mean()), lat_deg=float(clean.lat_deg.mean()))
    )
    identity, first, point = np.unique(clean.node, return_index=True, return_inverse=True)
    point = point.astype(np.int64)
    one_way = np.array(
        [
            is_one_way({tag: clean.tags[tag][i] for tag in ("oneway", "junction", "highway")})
            for i in range(_count(clean))
        ]
    )
    is_end = _end_points(clean, point=point, one_way=one_way, points=identity.size, identity=identity, split=split)
    pieces = _pieces(clean, point=point, is_end=is_end)
    chains = _chains(pieces, point=point, is_end=is_end, one_way=one_way) if split == "junctions" else None
    return _assemble(
        clean, pieces, chains=chains, point=point, identity=identity, first=first, one_way=one_way, crs=target
    )


def _count(ways: Ways) -> int:
    return int(ways.way_id.size)


def _oriented(ways: Ways) -> Ways:
    """Turn ways that run against their points, drop repeated points, and ways of fewer than two points."""
    size = np.diff(ways.start)
    way_of = np.repeat(np.arange(size.size), size)
    against = np.array([value in REVERSED for value in ways.tags["oneway"]], dtype=np.bool_)
    place = np.arange(ways.node.size)
    turned = np.where(against[way_of], ways.start[:-1][way_of] + ways.start[1:][way_of] - 1 - place, place)
    node = ways.node[turned]
    keep = np.ones(node.size, dtype=np.bool_)
    keep[1:] = (node[1:] != node[:-1]) | (way_of[1:] != way_of[:-1])
    left = np.bincount(way_of[keep], minlength=size.size)
    whole = left >= 2
    keep &= whole[way_of]
    start = np.zeros(int(whole.sum()) + 1, dtype=np.int64)
    np.cumsum(left[whole], out=start[1:])
    chosen = np.flatnonzero(whole)
    return Ways(
        way_id=ways.way_id[whole],
        start=start,
        node=node[keep],
        lon_deg=ways.lon_deg[turned][keep],
        lat_deg=ways.lat_deg[turned][keep],
        tags={tag: tuple(values[i] for i in chosen) for tag, values in ways.tags.items()},
        barriers=ways.barriers,
        limits=ways.limits,
        ends=ways.ends,
        assumptions=ways.assumptions,
    )


def _check_range(ways: Ways) -> None:
    bad = ~(
        np.isfinite(ways.lon_deg)
        & np.isfinite(ways.lat_deg)
        & (np.abs(ways.lon_deg) <= 180.0)
        & (np.abs(ways.lat_deg) <= 90.0)
    )
    if bad.any():
        where = int(np.flatnonzero(bad)[0])
        way = int(np.searchsorted(ways.start, where, side="right")) - 1
        raise refuse(
            f"way {ways.way_id[way]}, node {ways.node[where]}",
            f"longitude {ways.lon_deg[where]}, latitude {ways.lat_deg[where]} lie out of range",
            expected="longitude -180 to 180 and latitude -90 to 90 degrees",
            mend="correct the coordinates (are they swapped, or projected?)",
        )


def _end_points(
    ways: Ways,
    *,
    point: NDArray[np.int64],
    one_way: NDArray[np.bool_],
    points: int,
    identity: NDArray[np.int64],
    split: Split,
) -> NDArray[np.bool_]:
    if split == "nodes":
        return np.ones(points, dtype=np.bool_)
    way_of = np.repeat(np.arange(_count(ways)), np.diff(ways.start))
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
    if split == "ways":
        ends[point[ways.start[:-1]]] = True
        ends[point[ways.start[1:] - 1]] = True
        marked = np.array([*ways.barriers, *ways.limits], dtype=np.int64)
        ends |= np.isin(identity, marked) | np.isin(identity, ways.ends)
    return np.asarray(ends, dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Runs of points within one way: from `begin` to `end` (both counted) in the way points."""

    way: NDArray[np.int64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]


def _pieces(ways: Ways, *, point: NDArray[np.int64], is_end: NDArray[np.bool_]) -> _Pieces:
    way_of = np.repeat(np.arange(_count(ways)), np.diff(ways.start))
    cut = is_end[point]
    cut[ways.start[:-1]] = True
    cut[ways.start[1:] - 1] = True
    at = np.flatnonzero(cut)
    same = way_of[at[1:]] == way_of[at[:-1]]
    return _Pieces(way=way_of[at[:-1][same]], begin=at[:-1][same], end=at[1:][same])


def _chains(
    pieces: _Pieces, *, point: NDArray[np.int64], is_end: NDArray[np.bool_], one_way: NDArray[np.bool_]
) -> list[list[tuple[int, bool]]]:
    """Join pieces across points that are no end points; each item is (piece, along its way)."""
    leaving: dict[int, list[tuple[int, int, bool]]] = defaultdict(list)
    for piece, (way, begin, end) in enumerate(zip(pieces.way, pieces.begin, pieces.end, strict=True)):
        leaving[int(point[begin])].append((int(point[begin + 1]), piece, True))
        if not one_way[way]:
            leaving[int(point[end])].append((int(point[end - 1]), piece, False))

    chains: list[list[tuple[int, bool]]] = []
    for origin, exits in leaving.items():
        if not is_end[origin]:
            continue
        seen: set[int] = set()
        for following, piece, along in exits:
            if not is_end[following]:
                # one street drawn twice: osmnx keeps one of the two
                if following in seen:
                    continue
                seen.add(following)
            chain = [(piece, along)]
            used = {piece}
            while True:
                last, way_along = chain[-1]
                at, before = (
                    (int(point[pieces.end[last]]), int(point[pieces.end[last] - 1]))
                    if way_along
                    else (int(point[pieces.begin[last]]), int(point[pieces.begin[last] + 1]))
                )
                if is_end[at]:
                    break
                onward = [item for item in leaving[at] if item[0] != before and item[1] not in used]
                if not onward:
                    break
                chain.append((onward[0][1], onward[0][2]))
                used.add(onward[0][1])
            chains.append(chain)
    return chains


def _assemble(
    ways: Ways,
    pieces: _Pieces,
    *,
    chains: list[list[tuple[int, bool]]] | None,
    point: NDArray[np.int64],
    identity: NDArray[np.int64],
    first: NDArray[np.int64],
    one_way: NDArray[np.bool_],
    crs: str,
) -> RoadNetwork:
    step = np.zeros(point.size, dtype=np.float64)
    step[1:] = great_circle_m(
        ways.lon_deg[:-1], ways.lat_deg[:-1], lon_b_deg=ways.lon_deg[1:], lat_b_deg=ways.lat_deg[1:]
    )
    along_m = np.cumsum(step)
    piece_m = along_m[pieces.end] - along_m[pieces.begin]

    if chains is None:
        single = np.arange(pieces.way.size)
        two_way = single[~one_way[pieces.way]]
        chains = [[(int(piece), True)] for piece in single] + [[(int(piece), False)] for piece in two_way]
    motorway = np.array([value in MOTORWAYS for value in ways.tags["highway"]], dtype=np.bool_)
    drivable = len(chains)
    walked = [
        [(piece, not along) for piece, along in reversed(chain)]
        for chain in chains
        if all(one_way[pieces.way[piece]] and not motorway[pieces.way[piece]] for piece, _ in chain)
    ]
    chains = chains + walked

    flat_piece = np.array([piece for chain in chains for piece, _ in chain], dtype=np.int64)
    flat_along = np.array([along for chain in chains for _, along in chain], dtype=np.bool_)
    chain_size = np.array([len(chain) for chain in chains], dtype=np.int64)
    chain_of = np.repeat(np.arange(len(chains)), chain_size)
    chain_start = np.concatenate([[0], np.cumsum(chain_size)])[:-1]
    is_last = np.ones(flat_piece.size, dtype=np.bool_)
    is_last[:-1] = chain_of[1:] != chain_of[:-1]

    begin = np.where(flat_along, pieces.begin[flat_piece], pieces.end[flat_piece])
    end = np.where(flat_along, pieces.end[flat_piece], pieces.begin[flat_piece])
    # every piece gives its points but the last, which the next piece of the chain repeats
    run = np.abs(end - begin) + is_last
    total = int(run.sum())
    offset = np.arange(total) - np.repeat(np.concatenate([[0], np.cumsum(run)])[:-1], run)
    at = np.repeat(begin, run) + np.repeat(np.where(flat_along, 1, -1), run) * offset
    edge_of = np.repeat(chain_of, run)

    x_all, y_all = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(ways.lon_deg, ways.lat_deg)
    if not (np.isfinite(x_all).all() and np.isfinite(y_all).all()):
        raise refuse(
            "road network",
            f"points can't be projected to {crs}",
            expected="a reference system made for this area",
            mend="leave the reference system out, so that the UTM zone of the area is taken",
        )
    geometry = np.asarray(shapely.linestrings(np.column_stack([x_all[at], y_all[at]]), indices=edge_of), dtype=object)

    tail_point = point[begin[chain_start]]
    head_point = point[end[np.flatnonzero(is_last)]]
    used, renumbered = np.unique(np.concatenate([tail_point, head_point]), return_inverse=True)
    tail, head = renumbered[: tail_point.size].astype(np.int32), renumbered[tail_point.size :].astype(np.int32)
    length_m = np.bincount(chain_of, weights=piece_m[flat_piece], minlength=len(chains)).astype(np.float64)
    foot_only = np.arange(len(chains)) >= drivable

    piece_barrier, piece_limits = _standing_on(ways, pieces, point=point, identity=identity, piece_m=piece_m)
    tags: dict[str, tuple[str, ...]] = {}
    for tag in TAGS:
        if tag == "barrier":
            of_piece = piece_barrier
        else:
            of_way = ways.tags[tag]
            of_piece = [of_way[way] for way in pieces.way]
            for piece, limits in piece_limits.items():
                if tag in limits:
                    of_piece[piece] = join_values([value for value in (of_piece[piece], limits[tag]) if value])
        tags[tag] = tuple(
            of_piece[chain[0][0]]
            if len(chain) == 1
            else (
                join_values([of_piece[piece] for piece, _ in chain])
                if tag != "barrier"
                else SEPARATOR.join(dict.fromkeys(v for p, _ in chain if (v := of_piece[p])))
            )
            for chain in chains
        )

    network = RoadNetwork(
        from_osm=True,
        crs=crs,
        node_id=identity[used],
        x_m=np.asarray(x_all, dtype=np.float64)[first[used]],
        y_m=np.asarray(y_all, dtype=np.float64)[first[used]],
        tail=tail,
        head=head,
        length_m=length_m,
        geometry=geometry,
        way_id=ways.way_id[pieces.way[flat_piece[chain_start]]],
        twin=_twins(chains),
        foot_only=foot_only,
        assumptions=ways.assumptions,
        **tags,
    )
    return check_network(without_point_loops(network))


def _twins(chains: list[list[tuple[int, bool]]]) -> NDArray[np.int32]:
    edge_with = {tuple(chain): edge for edge, chain in enumerate(chains)}
    back = [edge_with.get(tuple((piece, not along) for piece, along in reversed(chain)), -1) for chain in chains]
    return np.array(back, dtype=np.int32)


def _standing_on(
    ways: Ways,
    pieces: _Pieces,
    *,
    point: NDArray[np.int64],
    identity: NDArray[np.int64],
    piece_m: NDArray[np.float64],
) -> tuple[list[str], dict[int, dict[str, str]]]:
    """Lay each barrier and limit that stands on a point upon the pieces that it shuts."""
    barrier: list[list[str]] = [[] for _ in range(pieces.way.size)]
    limits: dict[int, dict[str, str]] = defaultdict(dict)
    marked = np.array(sorted({*ways.barriers, *ways.limits}), dtype=np.int64)
    if marked.size == 0:
        return [""] * pieces.way.size, {}
    at = np.flatnonzero(np.isin(identity[point], marked))
    touching: dict[int, list[tuple[int, bool]]] = defaultdict(list)
    order = np.argsort(pieces.begin, kind="stable")
    sorted_begin, sorted_end = pieces.begin[order], pieces.end[order]
    for position in at:
        low = int(np.searchsorted(sorted_end, position, side="left"))
        while low < order.size and sorted_begin[low] <= position <= sorted_end[low]:
            inner = bool(sorted_begin[low] < position < sorted_end[low])
            touching[int(identity[point[position]])].append((int(order[low]), inner))
            low += 1
    for node, met in touching.items():
        shut = [piece for piece, inner in met if inner]
        if not shut:
            ends = [piece for piece, _ in met]
            shut = shut_by_end(
                ends,
                length_m=[float(piece_m[piece]) for piece in ends],
                highway=[ways.tags["highway"][pieces.way[piece]] for piece in ends],
            )
        for piece in dict.fromkeys(shut):
            if node in ways.barriers:
                barrier[piece].append(ways.barriers[node])
            for tag, value in ways.limits.get(node, {}).items():
                had = limits[piece].get(tag)
                limits[piece][tag] = join_values([had, value] if had else [value])
    return [SEPARATOR.join(dict.fromkeys(kinds)) for kinds in barrier], dict(limits)
