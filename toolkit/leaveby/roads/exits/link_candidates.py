"""Candidates for a missing link: ways already on the map that could be opened, and short joins that could be built.

Each is bounded from the tree of single exits: no more homes can be relieved than must pass what the link goes around.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse

from leaveby.compiling import njit
from leaveby.errors import refuse
from leaveby.parameters import LINK_SLOPE_SPAN_M, LINK_SPACING_M, LINK_WINDING, RELIEF_SHARE
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.groups import SingleExits, home_vertices
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.links import END_M, Link, by_bound, must_m
from leaveby.roads.exits.street_table import LEAVE_A, LEAVE_B, StreetTable, shortest_out

Elevation = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

MOST_CANDIDATES: Final = 1000
"""Of each kind; the most promising are kept."""


@njit()
def _partings(
    parent: NDArray[np.int32],
    first: NDArray[np.int32],
    size: NDArray[np.int32],
    outside: int,
    here: NDArray[np.int32],
    other: NDArray[np.int32],
) -> NDArray[np.int32]:
    """The outermost vertex that must be passed from `here` but not from `other`, or the outside, for pairs of these."""
    found = np.full(here.shape[0], outside, np.int32)
    for k in range(here.shape[0]):
        at, spot = here[k], first[other[k]]
        while at >= 0 and other[k] >= 0 and at != outside and not first[at] <= spot < first[at] + size[at]:
            found[k] = at
            at = parent[at]
    return found


@dataclass(frozen=True, eq=False)
class _Bounds:
    """For joined vertices: where their ways part, the most homes that a join can relieve, and how far it goes."""

    left: NDArray[np.int32]
    right: NDArray[np.int32]
    most: NDArray[np.float64]
    taken: NDArray[np.int64]

    def key(self, k: int) -> tuple[int, int, int]:
        return (*self.between(k), int(self.taken[k]))

    def between(self, k: int) -> tuple[int, int]:
        left, right = int(self.left[k]), int(self.right[k])
        return min(left, right), max(left, right)

    def chosen(self, rows: NDArray[np.bool_]) -> _Bounds:
        return _Bounds(self.left[rows], self.right[rows], self.most[rows], self.taken[rows])


class _Ends(NamedTuple):
    """One end of each join: its vertex, the vertex that the join lets its people go on to, and a junction at it."""

    vertex: NDArray[np.int32]
    onward: NDArray[np.int32]
    node: NDArray[np.int32]


def _bound(streets: StreetTable, found: SingleExits, homes: PlacedHomes, a: _Ends, b: _Ends) -> _Bounds:
    """Bound the homes that joins relieve."""
    tree = found.tree
    left, right = (_partings(tree.parent, tree.first, tree.size, tree.outside, e.vertex, e.onward) for e in (a, b))
    must = must_m(tree.order, tree.parent, tree.node_count, streets.length_m)
    most = np.zeros(left.size)
    taken = np.zeros(left.size)
    for side, end in ((left, a.vertex), (right, b.vertex)):
        parted = side != tree.outside
        beyond = np.where(parted, must[tree.parent[side]], 0.0)
        # only what lies between the parting and the join is taken away, and what lies beyond the parting stays
        gone = np.where(parted, must[np.maximum(end, 0)] - beyond, 0.0)
        helps = np.flatnonzero(parted & (gone >= RELIEF_SHARE.value * beyond) & (gone > 0.0))
        most[helps] += _homes_within(found, homes, must, side[helps], gone[helps] / RELIEF_SHARE.value)
        taken[helps] = np.maximum(taken[helps], gone[helps])
    cut_off, part = _cut_off(streets, found, homes)
    for end, _, node in (a, b):
        most += np.where(end == NO_WAY_OUT, cut_off[part[node]], 0.0)
    return _Bounds(left, right, most, np.floor(np.log2(np.maximum(taken, 1.0))).astype(np.int64))


def _cut_off(
    streets: StreetTable, found: SingleExits, homes: PlacedHomes
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Homes that gain when a part without a way out gets one, for each such part, and the part of each junction.

    These are the homes in it, and those from which one can drive into it.
    """
    n = streets.node_count
    lost = found.tree.parent[:n] == NO_WAY_OUT
    into = lost.copy()
    if lost.any():
        away, _ = shortest_out(found.passages, np.flatnonzero(lost), weight=streets.length_m)
        into |= np.isfinite(away)
    joined = streets.driven & into[streets.a] & into[streets.b]
    links = sparse.coo_matrix((np.ones(int(joined.sum())), (streets.a[joined], streets.b[joined])), shape=(n, n))
    count, part = sparse.csgraph.connected_components(links, directed=False)
    placed = np.flatnonzero(homes.street >= 0)
    street = homes.street[placed]
    leaves = found.passages.bits[street]
    by_a = (leaves & LEAVE_A > 0) & into[streets.a[street]]
    by_b = (leaves & LEAVE_B > 0) & into[streets.b[street]]
    at = np.where(by_a, streets.a[street], streets.b[street])
    gains = by_a | by_b
    total = np.bincount(part[at[gains]], weights=homes.dwellings[placed][gains], minlength=count)
    return total.astype(np.float64), part.astype(np.int32)


def _homes_within(
    found: SingleExits,
    homes: PlacedHomes,
    must: NDArray[np.float64],
    side: NDArray[np.int32],
    length_m: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Homes behind a vertex that must pass no more than a length of street in all."""
    tree = found.tree
    placed = np.flatnonzero(found.home_vertex != NO_WAY_OUT)
    spot = tree.first[found.home_vertex[placed]]
    order = np.argsort(spot, kind="stable")
    spot, row = spot[order], placed[order]
    own_m, dwellings = must[found.home_vertex[row]], homes.dwellings[row]
    total = np.zeros(side.size)
    by_side = np.argsort(side, kind="stable")
    starts = np.flatnonzero(np.diff(side[by_side], prepend=-1))
    for group in np.split(by_side, starts[1:]):
        if group.size == 0:
            continue
        vertex = side[group[0]]
        low, high = np.searchsorted(spot, [tree.first[vertex], tree.first[vertex] + tree.size[vertex]])
        rising = np.argsort(own_m[low:high], kind="stable")
        counted = np.concatenate([[0.0], np.cumsum(dwellings[low:high][rising])])
        total[group] = counted[np.searchsorted(own_m[low:high][rising], length_m[group], side="right")]
    return total


def links_to_open(streets: StreetTable, found: SingleExits, *, homes: PlacedHomes) -> tuple[Link, ...]:
    """Find ways already on the map (tracks, gated and private ways) that would join streets of different groups.

    `homes` as given to `single_exits`. What can't relieve a home is left out; most homes (as bounded) first.
    `homes_relieved` is not yet computed.
    """
    paths = _own_paths(streets)
    if paths is None:
        return ()
    # people go on to the way itself, which may lead out elsewhere too; one that nobody drives leads to its other end
    middle = (streets.node_count + paths.street).astype(np.int32)
    lost = found.tree.parent[middle] == NO_WAY_OUT
    a, b = _with_way(found, paths.from_a), _with_way(found, paths.from_b)
    bound = _bound(
        streets,
        found,
        homes,
        _Ends(a, np.where(lost, b, middle).astype(np.int32), paths.from_a),
        _Ends(b, np.where(lost, a, middle).astype(np.int32), paths.from_b),
    )
    kept = np.flatnonzero(bound.most >= 1.0)
    links = []
    for chosen in _shortest_of_each(bound, kept[np.argsort(paths.total_m[kept], kind="stable")]):
        way = paths.way(chosen)
        links.append(
            Link(
                kind="open",
                line=shapely.union_all(streets.geometry[way]),
                streets=tuple(way),
                reasons=tuple(dict.fromkeys(streets.reason[s] for s in way)),
                ends=(),
                build_m=0.0,
                open_m=float(streets.length_m[way].sum()),
                steepest=float(streets.steepest[way].max()),
                between=bound.between(chosen),
                most_homes=float(bound.most[chosen]),
            )
        )
    return tuple(sorted(links, key=by_bound))


@dataclass(frozen=True, eq=False)
class _Paths:
    """Ways over streets of residents' own from one open street to another, one for each pair that meets in the middle.

    `street` is the middle one, from junction `u` to `v`; from each the way goes `before` by `before` to an open street,
    at `from_a` and `from_b`.
    """

    street: NDArray[np.int64]
    u: NDArray[np.int64]
    v: NDArray[np.int64]
    from_a: NDArray[np.int32]
    from_b: NDArray[np.int32]
    total_m: NDArray[np.float64]
    before: NDArray[np.int32]
    street_of: Mapping[tuple[int, int], int]

    def way(self, k: int) -> list[int]:
        way = [int(self.street[k])]
        for at in (int(self.u[k]), int(self.v[k])):
            while self.before[at] >= 0:
                up = int(self.before[at])
                way.append(self.street_of[min(at, up), max(at, up)])
                at = up
        return way


def _own_paths(streets: StreetTable) -> _Paths | None:
    own, n = streets.own, streets.node_count
    open_street = streets.driven & ~own
    touches = np.zeros(n, dtype=np.bool_)
    touches[streets.a[open_street]] = True
    touches[streets.b[open_street]] = True
    rows = np.flatnonzero(own & (streets.a != streets.b))
    ends = np.concatenate([streets.a[rows], streets.b[rows]])
    contacts = np.unique(ends[touches[ends]])
    if contacts.size < 2:
        return None
    length = np.maximum(streets.length_m[rows], 0.1)
    low, high = np.minimum(streets.a[rows], streets.b[rows]), np.maximum(streets.a[rows], streets.b[rows])
    order = np.lexsort((length, high, low))
    keep = order[np.unique(np.column_stack([low[order], high[order]]), axis=0, return_index=True)[1]]
    u, v, street, length = low[keep], high[keep], rows[keep], length[keep]
    away, before, source = sparse.csgraph.dijkstra(
        sparse.coo_matrix((length, (u, v)), shape=(n, n)).tocsr(),
        directed=False,
        indices=contacts,
        min_only=True,
        return_predecessors=True,
    )
    apart = (source[u] != source[v]) & np.isfinite(away[u]) & np.isfinite(away[v])
    street_of = dict(zip(zip(u.tolist(), v.tolist(), strict=True), street.tolist(), strict=True))
    u, v = u[apart], v[apart]
    return _Paths(
        street=street[apart],
        u=u,
        v=v,
        from_a=source[u].astype(np.int32),
        from_b=source[v].astype(np.int32),
        total_m=away[u] + length[apart] + away[v],
        before=before,
        street_of=street_of,
    )


def _with_way(found: SingleExits, node: NDArray[np.int32]) -> NDArray[np.int32]:
    """Junctions, or -1 where there is no way out."""
    return np.where(found.tree.parent[node] == NO_WAY_OUT, NO_WAY_OUT, node).astype(np.int32)


def _shortest_of_each(bound: _Bounds, rows: NDArray[np.int64]) -> list[int]:
    """Of candidates in order of length: the first of each kind of relief, and of these the ones that promise most."""
    best: dict[tuple[int, int, int], int] = {}
    for k in rows.tolist():
        best.setdefault(bound.key(k), k)
    return sorted(best.values(), key=lambda k: (-float(bound.most[k]), k))[:MOST_CANDIDATES]


def links_to_build(
    streets: StreetTable,
    found: SingleExits,
    *,
    homes: PlacedHomes,
    within_m: float = 300.0,
    steepest: float = 0.16,
    elevation: Elevation | None = None,
    least_homes: float = 3.0,
) -> tuple[Link, ...]:
    """Find short joins from streets with one way out to streets that get out another way.

    Of all joins that would let the same groups out, the shortest is kept. What lies between (water, a railway, a house,
    a right of way) is not known here. A join is a straight line `within_m` and no steeper, rise over run, than
    `steepest` over ground whose height in m `elevation` gives at (x_m, y_m), NaN where unknown; without it no slope is
    looked at. The rest is as for `links_to_open`.
    """
    for what, value in (("within_m", within_m), ("steepest", steepest)):
        if not value > 0.0:
            raise refuse(what, f"it is {value}", expected="above 0", mend="correct it")
    joins = _joins(streets, found, within_m=within_m)
    if joins is None:
        return ()
    a, a_share, b, b_share, ends = joins
    bound = _bound(streets, found, homes, *ends)
    good = (bound.most >= max(least_homes, 1e-9)) & (a != b)
    if not good.any():
        return ()
    a, a_share, b, b_share, bound = a[good], a_share[good], b[good], b_share[good], bound.chosen(good)
    begin = shapely.line_interpolate_point(streets.geometry[a], a_share, normalized=True)
    meets = shapely.line_interpolate_point(streets.geometry[b], b_share, normalized=True)
    straight = np.asarray(shapely.distance(begin, meets), dtype=np.float64)
    slope = np.full(a.size, -np.inf) if elevation is None else _slopes(begin, meets, straight, elevation)
    kept = np.flatnonzero((straight > END_M) & (slope <= steepest))
    a_m, b_m = a_share * streets.length_m[a], b_share * streets.length_m[b]
    links = [
        Link(
            kind="build",
            line=shapely.LineString([begin[k], meets[k]]),
            streets=(),
            reasons=(),
            ends=((int(a[k]), float(a_m[k])), (int(b[k]), float(b_m[k]))),
            build_m=float(LINK_WINDING.value * straight[k]),
            open_m=0.0,
            steepest=float(slope[k]),
            between=bound.between(k),
            most_homes=float(bound.most[k]),
        )
        for k in _shortest_of_each(bound, kept[np.argsort(straight[kept], kind="stable")])
    ]
    return tuple(sorted(links, key=by_bound))


_Spots = tuple[NDArray[np.int64], NDArray[np.float64]]


def _joins(
    streets: StreetTable, found: SingleExits, *, within_m: float
) -> tuple[*_Spots, *_Spots, tuple[_Ends, _Ends]] | None:
    """Straight lines from streets with one way out to others: street and share along it of both ends."""
    usable = np.flatnonzero(streets.driven & streets.takes_homes & (streets.length_m > 0.0))
    place_vertex = home_vertices(found.tree, usable.astype(np.int32), passages=found.passages)
    behind = found.homes_behind.copy()
    behind[found.tree.outside] = 0.0
    served = (place_vertex == NO_WAY_OUT) | _under_group(found, place_vertex, behind)
    from_street, from_share = _samples(streets, usable[served])
    if from_street.size == 0:
        return None
    vertex_of = np.full(streets.street_count, NO_WAY_OUT, dtype=np.int32)
    vertex_of[usable] = place_vertex
    spots = shapely.line_interpolate_point(streets.geometry[from_street], from_share, normalized=True)
    a, a_share, b, b_share = _pairs(streets, usable, spots, from_street, from_share, within_m)
    vertex_a = _spot_vertex(streets, found, a, a_share, vertex_of)
    vertex_b = _spot_vertex(streets, found, b, b_share, vertex_of)
    ends = (
        _Ends(vertex_a, _before_spot(found, vertex_b, b), streets.a[a]),
        _Ends(vertex_b, _before_spot(found, vertex_a, a), streets.a[b]),
    )
    return a, a_share, b, b_share, ends


def _under_group(found: SingleExits, vertex: NDArray[np.int32], behind: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a vertex has homes behind it or hangs on one that has."""
    tree = found.tree
    hangs = np.zeros(tree.parent.size, dtype=np.bool_)
    for v in tree.order[1:].tolist():
        up = int(tree.parent[v])
        hangs[v] = behind[v] > 0.0 or (up != tree.outside and hangs[up])
    return np.where(vertex >= 0, hangs[np.maximum(vertex, 0)], False)


def _pairs(
    streets: StreetTable,
    usable: NDArray[np.int64],
    spots: NDArray[np.object_],
    street: NDArray[np.int64],
    share: NDArray[np.float64],
    within_m: float,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Spots near other streets: from each to the nearest point of a street, and to the ends and spots along it."""
    lines = streets.geometry[usable]
    spot, row = shapely.STRtree(lines).query(spots, predicate="dwithin", distance=within_m)
    along = np.asarray(shapely.line_locate_point(lines[row], spots[spot], normalized=True), dtype=np.float64)
    there, there_share = _samples(streets, usable)
    others = shapely.line_interpolate_point(streets.geometry[there], there_share, normalized=True)
    spot_2, other = shapely.STRtree(others).query(spots, predicate="dwithin", distance=within_m)
    return (
        np.concatenate([street[spot], street[spot_2]]),
        np.concatenate([share[spot], share[spot_2]]),
        np.concatenate([usable[row], there[other]]),
        np.concatenate([along, there_share[other]]),
    )


def _samples(streets: StreetTable, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    pieces = np.maximum(1, np.ceil(streets.length_m[rows] / LINK_SPACING_M.value)).astype(np.int64)
    street = np.repeat(rows, pieces + 1)
    start = np.concatenate([[0], np.cumsum(pieces + 1)])[:-1]
    rank = np.arange(street.size) - np.repeat(start, pieces + 1)
    return street, rank / np.repeat(pieces, pieces + 1)


def _spot_vertex(
    streets: StreetTable,
    found: SingleExits,
    street: NDArray[np.int64],
    share: NDArray[np.float64],
    vertex_of: NDArray[np.int32],
) -> NDArray[np.int32]:
    """The vertex of a spot: the junction at a street's end, or the street's; -1 where there is no way out."""
    ends = np.where(share <= 0.0, streets.a[street], np.where(share >= 1.0, streets.b[street], -1)).astype(np.int32)
    return np.where(ends >= 0, _with_way(found, np.maximum(ends, 0)), vertex_of[street]).astype(np.int32)


def _before_spot(found: SingleExits, vertex: NDArray[np.int32], street: NDArray[np.int64]) -> NDArray[np.int32]:
    """What is surely left to pass from a spot: not the street that it splits, a part of which may be gone around."""
    split = vertex == found.tree.node_count + street
    return np.where(split, found.tree.parent[np.maximum(vertex, 0)], vertex).astype(np.int32)


def _slopes(
    begin: NDArray[np.object_], end: NDArray[np.object_], length: NDArray[np.float64], elevation: Elevation
) -> NDArray[np.float64]:
    """Steepest slope of the ground along straight lines, over stretches of about 90 m; inf over unknown ground."""
    pieces = np.maximum(1, np.floor(length / LINK_SLOPE_SPAN_M.value)).astype(np.int64)
    line = np.repeat(np.arange(length.size), pieces + 1)
    start = np.concatenate([[0], np.cumsum(pieces + 1)])[:-1]
    share = (np.arange(line.size) - np.repeat(start, pieces + 1)) / np.repeat(pieces, pieces + 1)
    x0, y0, x1, y1 = shapely.get_x(begin), shapely.get_y(begin), shapely.get_x(end), shapely.get_y(end)
    height = np.asarray(
        elevation(x0[line] + share * (x1 - x0)[line], y0[line] + share * (y1 - y0)[line]), dtype=np.float64
    )
    rise = np.abs(np.diff(height))
    inner = line[1:] == line[:-1]
    step = np.maximum((length / pieces)[line[1:]], END_M)
    grade = np.where(inner, np.where(np.isnan(rise), np.inf, rise / step), -np.inf)
    steep = np.full(length.size, -np.inf)
    np.maximum.at(steep, line[1:], grade)
    return steep
