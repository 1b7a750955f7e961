"""Candidates for a missing link: ways already on the map that could be opened, and short joins that could be built.

Each is bounded from the tree of single exits: no more homes can be relieved than must pass what the link goes around.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Final, NamedTuple, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse

from leaveby.compiling import njit
from leaveby.errors import refuse
from leaveby.parameters import LINK_SLOPE_SPAN_M, LINK_WINDING, RELIEF_SHARE
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.groups import SingleExits, home_vertices, under_group
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.join_sieve import SLOTS, Lines, Promise, Spots, block_least, sides, worth_measuring
from leaveby.roads.exits.links import END_M, Link, by_bound, must_m
from leaveby.roads.exits.street_table import LEAVE_A, LEAVE_B, StreetTable, at_shares, shortest_out, spots_along

Elevation = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

MOST_CANDIDATES: Final = 1000
"""Of each kind; the most promising are kept."""
SPOTS_AT_FIRST: Final = 1_000
JOINS_AT_ONCE: Final = 250_000
"""About so many are held at once, however dense the streets: in a town a spot has hundreds of others near it."""

Columns = TypeVar("Columns", "_Bounds", "_Joins")


@njit()
def _sides(
    a: NDArray[np.int32], b: NDArray[np.int32], from_a: NDArray[np.int32], from_b: NDArray[np.int32], homes: Promise
) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.float64]]:
    """As `sides`, for pairs of vertices: kinds, where ways part, of all lefts and then of all rights, what is gone."""
    count = a.shape[0]
    kind, side, gone_m = np.empty(count, np.int64), np.empty((2, count), np.int32), np.empty((2, count))
    for k in range(count):
        kind[k], side[0, k], side[1, k], gone_m[0, k], gone_m[1, k] = sides(a[k], b[k], from_a[k], from_b[k], homes)
    return kind, side, gone_m


@dataclass(frozen=True, eq=False)
class _Bounds:
    """For joined vertices: where their ways part, the most homes that a join can relieve, and the kind of relief."""

    left: NDArray[np.int32]
    right: NDArray[np.int32]
    most: NDArray[np.float64]
    kind: NDArray[np.int64]

    def between(self, k: int) -> tuple[int, int]:
        left, right = int(self.left[k]), int(self.right[k])
        return min(left, right), max(left, right)


class _Ends(NamedTuple):
    """One end of each join: its vertex, the vertex that the join lets its people go on to, and homes that gain there
    where it has no way out."""

    vertex: NDArray[np.int32]
    onward: NDArray[np.int32]
    gain: NDArray[np.float64]


def _promise(
    streets: StreetTable, found: SingleExits, homes: PlacedHomes, gain: NDArray[np.float64], *, least: float
) -> Promise:
    tree = found.tree
    must = must_m(tree, streets.length_m)
    placed = np.flatnonzero(found.home_vertex != NO_WAY_OUT)
    row = placed[np.argsort(tree.first[found.home_vertex[placed]], kind="stable")]
    at = found.home_vertex[row]
    own_m, before = must[at], np.searchsorted(tree.first[at], np.arange(tree.order.size + 1))
    rising = np.argsort(own_m, kind="stable")
    of_homes = (before, own_m, homes.dwellings[row], rising, block_least(own_m), gain[streets.a])
    return Promise(tree.parent, tree.first, tree.size, must, *of_homes, least, RELIEF_SHARE.value)


def _bound(homes: Promise, a: _Ends, b: _Ends) -> _Bounds:
    """Bound the homes that joins relieve."""
    kind, side, gone_m = _sides(a.vertex, b.vertex, a.onward, b.onward, homes)
    helps = np.flatnonzero(gone_m > 0.0)
    at, limit_m, most = side.ravel()[helps], gone_m.ravel()[helps] / RELIEF_SHARE.value, np.zeros(gone_m.size)
    low, high = homes.before[homes.first[at]], homes.before[homes.first[at] + homes.size[at]]
    most[helps] = _within(low, high, limit_m, np.argsort(limit_m), homes.own_m, homes.dwellings, homes.rising)
    total = most.reshape(gone_m.shape).sum(axis=0)
    for end, _, gain in (a, b):
        total += np.where(end == NO_WAY_OUT, gain, 0.0)
    return _Bounds(side[0], side[1], total, kind)


@njit()
def _within(
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    limit_m: NDArray[np.float64],
    order: NDArray[np.int64],
    own_m: NDArray[np.float64],
    dwellings: NDArray[np.float64],
    rising: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Homes at places `low` to `high` of the walk that must pass no more than a length of street in all.

    Lengths are gone through from the least, and the homes that are met added to a tree of partial sums (Fenwick 1994,
    Software: Practice and Experience 24(3), 327-336, from memory).
    """
    sums, found, met = np.zeros(own_m.shape[0] + 1), np.zeros(low.shape[0]), 0
    for q in order:
        while met < rising.shape[0] and own_m[rising[met]] <= limit_m[q]:
            at = rising[met] + 1
            while at < sums.shape[0]:
                sums[at] += dwellings[rising[met]]
                at += at & -at
            met += 1
        for end, sign in ((high[q], 1.0), (low[q], -1.0)):
            at = end
            while at > 0:
                found[q] += sign * sums[at]
                at -= at & -at
    return found


def _cut_off(streets: StreetTable, found: SingleExits, homes: PlacedHomes) -> NDArray[np.float64]:
    """Homes that gain when the part without a way out that a junction lies in gets one.

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
    return np.asarray(total[part], dtype=np.float64)


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
    gain = _cut_off(streets, found, homes)
    bound = _bound(
        _promise(streets, found, homes, gain, least=1.0),
        _Ends(a, np.where(lost, b, middle).astype(np.int32), gain[paths.from_a]),
        _Ends(b, np.where(lost, a, middle).astype(np.int32), gain[paths.from_b]),
    )
    kept = np.flatnonzero(bound.most >= 1.0)
    links = []
    for chosen in _most(bound, _shortest_of_each(bound, kept, paths.total_m)).tolist():
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


def _shortest_of_each(bound: _Bounds, rows: NDArray[np.int64], length_m: NDArray[np.float64]) -> NDArray[np.int64]:
    """Of candidates the shortest of each kind of relief, the first of those that are as short."""
    rows = rows[np.argsort(length_m[rows], kind="stable")]
    return np.sort(rows[np.unique(bound.kind[rows], return_index=True)[1]])


def _most(bound: _Bounds, rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Of candidates those that promise most."""
    return rows[np.lexsort((rows, -bound.most[rows]))[:MOST_CANDIDATES]]


def links_to_build(
    streets: StreetTable,
    found: SingleExits,
    *,
    homes: PlacedHomes,
    within_m: float = 300.0,
    steepest: float = 0.16,
    elevation: Elevation | None = None,
    least_homes: float = 3.0,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Link, ...]:
    """Find short joins from streets with one way out to streets that get out another way.

    Of all joins that would let the same groups out, the shortest is kept. What lies between (water, a railway, a house,
    a right of way) is not known here. A join is a straight line `within_m` and no steeper, rise over run, than
    `steepest` over ground whose height in m `elevation` gives at (x_m, y_m), NaN where unknown; without it no slope is
    looked at. `progress` is called with (done, total). The rest is as for `links_to_open`.
    """
    for what, value in (("within_m", within_m), ("steepest", steepest)):
        if not value > 0.0:
            raise refuse(what, f"it is {value}", expected="above 0", mend="correct it")
    parts, least = [], max(least_homes, 1e-9)
    promise = _promise(streets, found, homes, _cut_off(streets, found, homes), least=least)
    # where the ground may be too steep, the shortest of a kind may be none
    near = partial(_joins, streets, found, promise, within_m=within_m, prune=elevation is None)
    for one, ends in near(progress=progress or (lambda *_: None)):
        bound = _bound(promise, *ends)
        good = np.flatnonzero(bound.most >= least)
        bound, one = _rows(bound, good), _rows(one, good)
        one = replace(one, meets=_meeting(streets, one))
        straight = np.sqrt(np.sum((one.meets - one.begins) ** 2, axis=1))
        slope = np.full(good.size, -np.inf) if elevation is None else _slopes(one, straight, elevation)
        kept = np.flatnonzero((straight > END_M) & (slope <= steepest))
        chosen = _shortest_of_each(bound, kept, straight)
        parts.append((_rows(bound, chosen), _rows(one, chosen), straight[chosen], slope[chosen]))
    if not parts:
        return ()
    bound, one = _together([part[0] for part in parts]), _together([part[1] for part in parts])
    straight, slope = (np.concatenate([part[k] for part in parts]) for k in (2, 3))
    links = [
        Link(
            kind="build",
            line=shapely.LineString([one.begins[k], one.meets[k]]),
            streets=(),
            reasons=(),
            ends=tuple(
                (int(street[k]), float(share[k] * streets.length_m[street[k]]))
                for street, share in ((one.a, one.a_share), (one.b, one.b_share))
            ),
            build_m=float(LINK_WINDING.value * straight[k]),
            open_m=0.0,
            steepest=float(slope[k]),
            between=bound.between(k),
            most_homes=float(bound.most[k]),
        )
        for k in _most(bound, _shortest_of_each(bound, np.arange(straight.size), straight)).tolist()
    ]
    return tuple(sorted(links, key=by_bound))


def _rows(table: Columns, rows: NDArray[np.int64]) -> Columns:
    return type(table)(*(getattr(table, column.name)[rows] for column in fields(table)))


def _together(tables: list[Columns]) -> Columns:
    columns = (column.name for column in fields(tables[0]))
    return type(tables[0])(*(np.concatenate([getattr(table, name) for table in tables]) for name in columns))


@dataclass(frozen=True, eq=False)
class _Joins:
    """Straight lines between streets: of both ends the street and the share along it, and x and y in m.

    Where the end `b` is the nearest point of its street, `meets` is NaN until it is asked for.
    """

    a: NDArray[np.int64]
    a_share: NDArray[np.float64]
    b: NDArray[np.int64]
    b_share: NDArray[np.float64]
    begins: NDArray[np.float64]
    meets: NDArray[np.float64]


def _joins(
    streets: StreetTable,
    found: SingleExits,
    promise: Promise,
    *,
    within_m: float,
    prune: bool,
    progress: Callable[[int, int], None],
) -> Iterator[tuple[_Joins, tuple[_Ends, _Ends]]]:
    """Straight lines from streets with one way out to others, some at a time: from spots to streets near them.

    They meet these at the nearest point, and at the ends and spots along them. Of joins that surely are not the
    shortest of their kind some are left out.
    """
    usable = np.flatnonzero(streets.driven & streets.takes_homes & (streets.length_m > 0.0))
    place_vertex = home_vertices(found.tree, usable.astype(np.int32), passages=found.passages)
    served = (place_vertex == NO_WAY_OUT) | under_group(found)[place_vertex]
    street, share = spots_along(streets, usable[served], at_most=1)
    if street.size == 0:
        return
    vertex_of = np.full(streets.street_count, NO_WAY_OUT, dtype=np.int32)
    vertex_of[usable] = place_vertex
    at_spot = partial(_spot_vertex, streets, found, vertex_of=vertex_of)
    # where a join begins at one end of a street, it meets another street at the other
    there, there_share = spots_along(streets, usable, at_most=2)
    place_m, lines = at_shares(streets.geometry[there], there_share), streets.geometry[usable]
    places = np.asarray(shapely.points(place_m), dtype=object)
    of_lines, of_places = shapely.STRtree(lines), shapely.STRtree(places)
    # of joins as long as one another that comes first which the trees hold first
    rank = np.argsort(of_places.query(shapely.box(*shapely.total_bounds(places))))
    at = np.searchsorted(usable, np.arange(streets.street_count))
    ends = np.column_stack([at_spot(usable, np.full(usable.size, end)) for end in (0.0, 0.5, 1.0)])
    laid = _laid(usable, lines, ends, there=there, there_share=there_share, place_m=place_m)
    best = np.full(SLOTS, -1), np.full(SLOTS, np.inf)
    low, count = 0, SPOTS_AT_FIRST
    while low < street.size:
        progress(low, street.size)
        some = slice(low, low + count)
        begins, begin = at_shares(streets.geometry[street[some]], share[some]), at_spot(street[some], share[some])
        spots = np.asarray(shapely.points(begins), dtype=object)
        run = np.flatnonzero(np.diff(street[some], prepend=-1))
        row = at[street[some][run]]
        reach = laid.box[row] + (within_m + 1.0) * np.array([-1.0, -1.0, 1.0, 1.0])
        from_run, near = of_lines.query(shapely.box(*reach.T))
        runs = np.cumsum(np.diff(street[some], prepend=street[some][0]) > 0, dtype=np.int64)
        begun = Spots(begins, begin, runs, row, np.searchsorted(from_run, np.arange(run.size + 1)), near)
        spot, met, place = worth_measuring(begun, laid, promise, streets.node_count, within_m, *best, prune)
        low, count = low + count, int(np.clip(count * JOINS_AT_ONCE / max(spot.size, 1), 100, 10 * SPOTS_AT_FIRST))
        on_line = place < 0
        along = np.where(on_line, 0.0, there_share[place])
        along[on_line] = shapely.line_locate_point(lines[met[on_line]], spots[spot[on_line]], normalized=True)
        meets = np.where(on_line[:, None], np.nan, laid.place_m[place])
        other = np.where(on_line, lines[met], places[place])
        order = np.lexsort((np.where(on_line, np.arange(spot.size), rank[place]), spot, ~on_line))
        order = order[shapely.dwithin(other[order], spots[spot[order]], within_m)]
        joins = _Joins(
            street[some][spot[order]],
            share[some][spot[order]],
            usable[met[order]],
            along[order],
            begins[spot[order]],
            meets[order],
        )
        vertex_a, vertex_b = begin[spot[order]], at_spot(joins.b, joins.b_share)
        yield (
            joins,
            (
                _Ends(vertex_a, _before_spot(found, vertex_b, joins.b), promise.gain[joins.a]),
                _Ends(vertex_b, _before_spot(found, vertex_a, joins.a), promise.gain[joins.b]),
            ),
        )


def _laid(
    usable: NDArray[np.int64],
    lines: NDArray[np.object_],
    vertices: NDArray[np.int32],
    *,
    there: NDArray[np.int64],
    there_share: NDArray[np.float64],
    place_m: NDArray[np.float64],
) -> Lines:
    """Streets and places on them, as the sieve goes through them."""
    return Lines(
        usable,
        shapely.bounds(lines),
        np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(lines))]),
        shapely.get_coordinates(lines),
        vertices,
        np.searchsorted(there, np.append(usable, usable[-1] + 1)),
        place_m,
        np.where(there_share <= 0.0, 0, np.where(there_share >= 1.0, 2, 1)),
    )


def _meeting(streets: StreetTable, joins: _Joins) -> NDArray[np.float64]:
    """Where joins meet their streets."""
    meets = joins.meets.copy()
    asked = np.flatnonzero(np.isnan(meets[:, 0]))
    meets[asked] = at_shares(streets.geometry[joins.b[asked]], joins.b_share[asked])
    return meets


def _spot_vertex(
    streets: StreetTable,
    found: SingleExits,
    street: NDArray[np.int64],
    share: NDArray[np.float64],
    *,
    vertex_of: NDArray[np.int32],
) -> NDArray[np.int32]:
    """The vertex of a spot: the junction at a street's end, or the street's; -1 where there is no way out."""
    ends = np.where(share <= 0.0, streets.a[street], np.where(share >= 1.0, streets.b[street], -1)).astype(np.int32)
    return np.where(ends >= 0, _with_way(found, np.maximum(ends, 0)), vertex_of[street]).astype(np.int32)


def _before_spot(found: SingleExits, vertex: NDArray[np.int32], street: NDArray[np.int64]) -> NDArray[np.int32]:
    """What is surely left to pass from a spot: not the street that it splits, a part of which may be gone around."""
    split = vertex == found.tree.node_count + street
    return np.where(split, found.tree.parent[np.maximum(vertex, 0)], vertex).astype(np.int32)


def _slopes(joins: _Joins, length: NDArray[np.float64], elevation: Elevation) -> NDArray[np.float64]:
    """Steepest slope of the ground along straight lines, over stretches of about 90 m; inf over unknown ground."""
    pieces = np.maximum(1, np.floor(length / LINK_SLOPE_SPAN_M.value)).astype(np.int64)
    line = np.repeat(np.arange(length.size), pieces + 1)
    start = np.concatenate([[0], np.cumsum(pieces + 1)])[:-1]
    share = (np.arange(line.size) - np.repeat(start, pieces + 1)) / np.repeat(pieces, pieces + 1)
    (x0, y0), (x1, y1) = joins.begins.T, joins.meets.T
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
