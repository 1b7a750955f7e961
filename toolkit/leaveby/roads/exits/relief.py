"""Whom each link relieves, from the one tree of single exits that is there, and links in the order of their relief.

What must be passed changes only for those who hang on the two branches of the tree that a link joins, and these then
hang where the branches part: they are looked for along the streets, and what must be passed with and without the link
is compared home by home.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.parameters import NEW_RELIEF_SHARE
from leaveby.roads.exits.dominators import NO_WAY_OUT, exit_arcs, exit_tree
from leaveby.roads.exits.groups import hangs_on
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.links import END_M, RELIEF, Link, add_down, by_bound, must_m, relieved_homes, with_counts
from leaveby.roads.exits.street_table import (
    BOTH_WAYS,
    LEAVE_A,
    Passages,
    StreetTable,
    gets_out_openly,
    street_passages,
)
from leaveby.roads.network.graph import routing_graph


class _ByWalk(NamedTuple):
    """Homes: number, and of the street of each its place in the walk, ends and bits."""

    home: NDArray[np.int64]
    place: NDArray[np.int32]
    a: NDArray[np.int32]
    b: NDArray[np.int32]
    bits: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class _Cut:
    """What is written to while a link is looked at, its ends with junctions of their own, and then put back.

    The fields of `Whole`; of homes the `street`, and what `became` of each; of vertices, the length to be passed
    before and after, which are `met`, and those that wait with them.
    """

    ways: Passages
    parent: NDArray[np.int32]
    depth: NDArray[np.int32]
    length_m: NDArray[np.float64]
    street: NDArray[np.int32]
    became: NDArray[np.uint8]
    before_m: NDArray[np.float64]
    after_m: NDArray[np.float64]
    home_m: NDArray[np.float64]
    met: NDArray[np.bool_]
    following: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Whole:
    """All streets without a link, with room for the two junctions and two streets at the ends of one.

    Vertices are numbered by their place in the walk through the tree of single exits, so that what hangs on one stands
    behind it; those without a way out come last.

    - `ways`: the streets, between vertices; `vertex`, of each junction and then of each street.
    - `parent`, `size`, `start`, `head`: the tree, and where one gets from each vertex, against travel.
    - `depth`: three times the place of each vertex below the outside, so that two more fit on a street.
    - `length_m`, `must_m`: of each vertex its own length, and the length that must be passed.
    - `by_walk`: homes with a way out in order of their streets in the walk; `home_m`: what they must pass.
    - `gets_out`: junctions from which one gets out by open streets alone.
    """

    streets: StreetTable
    homes: PlacedHomes
    exits: NDArray[np.int32]
    ways: Passages
    vertex: NDArray[np.int32]
    parent: NDArray[np.int32]
    size: NDArray[np.int32]
    start: NDArray[np.int32]
    head: NDArray[np.int32]
    depth: NDArray[np.int32]
    length_m: NDArray[np.float64]
    must_m: NDArray[np.float64]
    by_walk: _ByWalk
    home_m: NDArray[np.float64]
    gets_out: NDArray[np.bool_]
    cut: _Cut


def look_at_all(streets: StreetTable, homes: PlacedHomes, exits: NDArray[np.int32]) -> Whole:
    """Look once at what links are held against."""
    given = street_passages(streets, exits)
    a, b, bits = (np.append(column, np.zeros(2, dtype=column.dtype)) for column in (given.a, given.b, given.bits))
    ways = Passages(given.node_count + 2, a, b, bits)
    tree, n = exit_tree(ways, exits), given.node_count + 2
    length_m = np.concatenate([np.zeros(n), streets.length_m, np.zeros(3)])
    depth = add_down(tree.order[1:], tree.parent, np.full(length_m.size, 3.0), np.zeros(length_m.size))
    must = must_m(tree, length_m[n:-1])
    old = np.argsort(np.where(tree.size > 0, tree.first, length_m.size), kind="stable")
    vertex = np.empty(old.size, dtype=np.int32)
    vertex[old] = np.arange(old.size)
    arcs = exit_arcs(ways, exits)
    arcs = routing_graph(old.size, vertex[arcs.tail], head=vertex[arcs.head])
    placed = np.flatnonzero(homes.street >= 0)
    placed = placed[tree.parent[n + homes.street[placed]] != NO_WAY_OUT]
    place = vertex[n + homes.street[placed]]
    rising = np.argsort(place, kind="stable")
    ways = Passages(n, vertex[a], vertex[b], bits)
    up = tree.parent[old]
    parent = np.where(up == NO_WAY_OUT, NO_WAY_OUT, vertex[up]).astype(np.int32)
    deep, length_m, must = depth[old].astype(np.int32), length_m[old], must[old]
    at = homes.street[placed[rising]]
    by_walk = _ByWalk(placed[rising], place[rising], ways.a[at], ways.b[at], bits[at])
    split: _Split = ((-1, -1), homes.street, vertex[n:], (ways.a, ways.b, bits))
    home_m = _must_from((0, placed.size), by_walk, split, parent, must)
    cut = _Cut(
        ways=Passages(n, ways.a.copy(), ways.b.copy(), bits.copy()),
        parent=parent.copy(),
        depth=deep.copy(),
        length_m=length_m.copy(),
        street=homes.street.copy(),
        became=np.zeros(homes.street.size, dtype=np.uint8),
        before_m=must.copy(),
        after_m=must.copy(),
        home_m=home_m.copy(),
        met=np.zeros(old.size, dtype=np.bool_),
        following=np.empty(old.size, dtype=np.int32),
    )
    return Whole(
        streets=streets,
        homes=homes,
        exits=exits,
        ways=ways,
        vertex=vertex,
        parent=parent,
        size=tree.size[old],
        start=arcs.out_start,
        head=arcs.out_head,
        depth=deep,
        length_m=length_m,
        must_m=must,
        by_walk=by_walk,
        home_m=home_m,
        gets_out=gets_out_openly(streets, exits),
        cut=cut,
    )


@njit()
def _loosened(
    start: NDArray[np.int32],
    head: NDArray[np.int32],
    depth: NDArray[np.int32],
    seeds: NDArray[np.int64],
    limits: tuple[int, int],
    met: NDArray[np.bool_],
    following: NDArray[np.int32],
) -> NDArray[np.int32]:
    """Vertices, deeper than a floor, to which a way from one of the seeds passes nothing less deep than they are.

    Those that hang elsewhere when the seeds are reached from outside of the branch under the floor (Georgiadis,
    Italiano, Laura & Santaroni 2012, ACM-SIAM Symposium on Discrete Algorithms, from memory). `limits`: the depth of
    the end of the link, and the floor. None is `met` before, and none after.
    """
    top, floor = limits
    waiting, seen, count, loose = np.full(top + 1, -1, np.int32), np.empty(depth.shape[0], np.int32), 0, 0
    for v in seeds:
        level = min(depth[v], top)
        if level > floor and not met[v]:
            met[v], following[v], waiting[level] = True, waiting[level], v
    for here in range(top, floor, -1):
        while waiting[here] >= 0:
            v = waiting[here]
            waiting[here] = following[v]
            # those that are loose stand before the others
            seen[count] = v
            if depth[v] == here:
                seen[count], seen[loose] = seen[loose], v
                loose += 1
            count += 1
            for at in range(start[v], start[v + 1]):
                w = head[at]
                if not met[w] and depth[w] > floor:
                    level = min(depth[w], here)
                    met[w], following[w], waiting[level] = True, waiting[level], w
    for v in seen[:count]:
        met[v] = False
    return seen[:loose].copy()


@njit()
def _pass_down(
    branch: tuple[int, int],
    laid: tuple[tuple[int, int, int], tuple[int, int, int]],
    parent: NDArray[np.int32],
    length_m: NDArray[np.float64],
    total: NDArray[np.float64],
) -> None:
    """What must be passed from each vertex of a branch; on a cut street are `laid` the junction and street beyond."""
    for v in range(branch[0], branch[1]):
        total[v] = total[parent[v]] + length_m[v]
        for cut, spot, more in laid:
            if v == cut:
                total[spot] = total[parent[spot]] + length_m[spot]
                total[more] = total[parent[more]] + length_m[more]


_Ways = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.uint8]]
_Split = tuple[tuple[int, int], NDArray[np.int32], NDArray[np.int32], _Ways]
"""Two streets that are cut, as vertices; of each home its street, of each street its vertex, and its ends and bits."""


@njit(inline="always")
def _hangs(k: int, homes: _ByWalk, split: _Split, parent: NDArray[np.int32]) -> int:
    """What a home must pass next."""
    (one, other), street, vertex, (a, b, bits) = split
    at = homes.place[k]
    if at in (one, other):
        s = street[homes.home[k]]
        return hangs_on(vertex[s], a[s], b[s], bits[s], parent)
    return hangs_on(at, homes.a[k], homes.b[k], homes.bits[k], parent)


@njit()
def _must_from(
    rows: tuple[int, int], homes: _ByWalk, split: _Split, parent: NDArray[np.int32], total: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What some homes must pass."""
    found = np.empty(rows[1] - rows[0])
    for k in range(rows[0], rows[1]):
        found[k - rows[0]] = total[_hangs(k, homes, split, parent)]
    return found


@njit()
def _relieved(
    rows: tuple[int, int],
    homes: _ByWalk,
    split: _Split,
    parent: NDArray[np.int32],
    total: NDArray[np.float64],
    before_m: NDArray[np.float64],
    became: NDArray[np.uint8],
) -> None:
    """Say what `became` of some homes: 1 where enough of what they had to pass is gone, 2 where all is."""
    for k in range(rows[0], rows[1]):
        after_m = total[_hangs(k, homes, split, parent)]
        if after_m < before_m[k] and after_m <= (1.0 - RELIEF) * before_m[k]:
            became[homes.home[k]] = 2 if after_m == 0.0 else 1


class _End(NamedTuple):
    """One end of a link: its vertex, from where one gets on from it, and what is reached as it is; its cut street."""

    vertex: int
    seeds: tuple[int, ...]
    along: tuple[int, ...]
    cut: int


def _cut_at(whole: Whole, cut: _Cut, spare: int, end: tuple[int, float]) -> _End:
    """Lay a junction where a link ends on a street; the street keeps the part at its outer end, a spare one the other.

    In the tree they hang on each other where the street is a one-way street, or must be passed from its inner end.
    """
    (street, along_m), ways, n = end, cut.ways, cut.ways.node_count
    rest_m = float(whole.streets.length_m[street]) - along_m
    a, b, here = int(ways.a[street]), int(ways.b[street]), int(whole.vertex[n + street])
    if along_m <= END_M or rest_m <= END_M:
        node = a if along_m <= END_M else b
        return _End(node, (node,), (), -1)
    bits, more, (spot, beyond) = int(ways.bits[street]), ways.a.size - 2 + spare, _spares(whole, spare)
    both_ways = bits == BOTH_WAYS
    by_b = bits & LEAVE_A == 0 or (both_ways and cut.parent[a] == here)
    inner = a if by_b else b
    ways.a[more], ways.b[more], ways.bits[more] = (a, spot, bits) if by_b else (spot, b, bits)
    (ways.a if by_b else ways.b)[street] = spot
    cut.length_m[[here, beyond]] = (rest_m, along_m) if by_b else (along_m, rest_m)
    rows = whole.by_walk.home[slice(*_places(whole, (here, here + 1)))]
    cut.street[rows[(whole.homes.along_m[rows] > along_m) != by_b]] = more
    if both_ways and cut.parent[inner] != here:
        cut.parent[[spot, beyond]], cut.depth[[spot, beyond]] = cut.parent[here], cut.depth[here]
        return _End(spot, (here, inner), (spot, beyond), here)
    if cut.parent[inner] == here:
        cut.parent[inner] = beyond
    cut.parent[[spot, beyond]] = here, spot
    cut.depth[[spot, beyond]] = cut.depth[here] + np.array([1, 2])
    return _End(spot, (here, inner) if both_ways else (inner,), (spot,), here)


def relieved_by(whole: Whole, link: Link) -> tuple[Link, NDArray[np.int64]]:
    """Count as `relieved_homes` does, from the tree that is there: what the link loosens hangs where its ends part.

    Where an end of the link has no open way out, or ways are opened, more may change: then all is found anew.
    """
    if link.kind == "open" or not all(_open_at(whole, *end) for end in link.ends):
        return relieved_homes(whole.streets, whole.homes, link=link, exits=whole.exits)
    cut, n = whole.cut, whole.ways.node_count
    ends = [_cut_at(whole, cut, spare, end) for spare, end in enumerate(link.ends)]
    laid = ((ends[0].cut, *_spares(whole, 0)), (ends[1].cut, *_spares(whole, 1)))
    split: _Split = ((laid[0][0], laid[1][0]), cut.street, whole.vertex[n:], (cut.ways.a, cut.ways.b, cut.ways.bits))
    parting, sides = _parted(cut, ends[0].vertex, ends[1].vertex)
    branches, moved = [], []
    for end, side in zip(ends, sides, strict=True):
        if side == parting:
            continue
        limits = int(cut.depth[end.vertex]), int(cut.depth[side])
        seeds = np.array(end.seeds, dtype=np.int64)
        moved.append(_loosened(whole.start, whole.head, cut.depth, seeds, limits, cut.met, cut.following))
        if limits[0] > limits[1]:
            moved.append(np.array(end.along, dtype=np.int32))
        # what is laid on a cut street has no place in the walk: it comes with that street
        under = next((other.cut for k, other in enumerate(ends) if side in _spares(whole, k)), side)
        branches.append((under, under + int(whole.size[under])))
    loose = np.concatenate([np.zeros(0, dtype=np.int32), *moved])
    # without the link the same is passed as ever, but for rounding behind a street that is cut
    behind = [(at, at + int(whole.size[at])) for at in split[0] if at >= 0]
    for branch in behind:
        _pass_down(branch, laid, cut.parent, cut.length_m, cut.before_m)
    for low, high in (_places(whole, branch) for branch in behind):
        cut.home_m[low:high] = _must_from((low, high), whole.by_walk, split, cut.parent, cut.before_m)
    cut.parent[loose] = parting
    for branch in branches:
        _pass_down(branch, laid, cut.parent, cut.length_m, cut.after_m)
    for branch in branches:
        rows = _places(whole, branch)
        _relieved(rows, whole.by_walk, split, cut.parent, cut.after_m, cut.home_m, cut.became)
    found = with_counts(link, whole.homes, np.flatnonzero(cut.became), np.flatnonzero(cut.became == 2))
    _put_back(whole, [*branches, *behind], loose, [street for street, _ in link.ends])
    return found


def _places(whole: Whole, branch: tuple[int, int]) -> tuple[int, int]:
    """From where to where the homes on some vertices stand."""
    low, high = np.searchsorted(whole.by_walk.place, np.array(branch, dtype=np.int32)).tolist()
    return low, high


def _put_back(whole: Whole, branches: list[tuple[int, int]], loose: NDArray[np.int32], streets: list[int]) -> None:
    """Make all that was written to as it was."""
    cut, ways, n = whole.cut, whole.ways, whole.ways.node_count
    for first, last in branches:
        cut.before_m[first:last] = cut.after_m[first:last] = whole.must_m[first:last]
        homes = slice(*_places(whole, (first, last)))
        cut.home_m[homes] = whole.home_m[homes]
    cut.became[:] = 0
    at = whole.vertex[[n + street for street in streets]]
    ends = np.concatenate([ways.a[streets], ways.b[streets], at, loose])
    cut.parent[ends], cut.length_m[at] = whole.parent[ends], whole.length_m[at]
    cut.ways.a[streets], cut.ways.b[streets] = ways.a[streets], ways.b[streets]
    rows = np.concatenate([whole.by_walk.home[slice(*_places(whole, (v, v + 1)))] for v in at.tolist()])
    cut.street[rows] = whole.homes.street[rows]


def _spares(whole: Whole, spare: int) -> tuple[int, int]:
    """The junction at one end of a link, and the street beyond it."""
    n, vertex = whole.ways.node_count, whole.vertex
    return int(vertex[n - 2 + spare]), int(vertex[vertex.size - 3 + spare])


def _parted(cut: _Cut, one: int, other: int) -> tuple[int, tuple[int, int]]:
    """The nearest vertex that must be passed from both of two, and the outermost before it on the way from each."""
    here, before = [one, other], [one, other]
    while here[0] != here[1]:
        k = int(cut.depth[here[0]] < cut.depth[here[1]])
        before[k], here[k] = here[k], int(cut.parent[here[k]])
    return here[0], (before[0], before[1])


def _open_at(whole: Whole, street: int, along_m: float) -> bool:
    """Whether one gets out by open streets alone from a spot on a street."""
    streets = whole.streets
    a, b = (bool(whole.gets_out[end[street]]) for end in (streets.a, streets.b))
    if along_m <= END_M:
        return a
    if streets.length_m[street] - along_m <= END_M:
        return b
    return not streets.reason[street] and bool((streets.forward[street] and b) or (streets.backward[street] and a))


def rank_links(
    streets: StreetTable,
    homes: PlacedHomes,
    *,
    exits: NDArray[np.int32],
    candidates: tuple[Link, ...],
    most: int = 10,
    tries: int = 400,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[tuple[Link, ...], tuple[str, ...]]:
    """Rank candidates by the homes that they relieve, exact, then by metres to build, then by metres to open.

    Candidates are computed in the order of their bounds until none that is left could still come among the first
    `most`; `progress` is called with (done, total). One that relieves few but homes that a better one of its kind
    relieves already is left out. Gives the first `most`, and a sentence where the computing was ended before that was
    certain.
    """
    if not candidates:
        return (), ()
    whole = look_at_all(streets, homes, exits)
    waiting = sorted(candidates, key=by_bound)
    done: list[_Done] = []
    for count, link in enumerate(waiting):
        # what is left relieves no more than its bound: at its best it still stands behind the last of the first `most`
        # looked at now and then: it takes longer than a link
        now = count % 8 == 0 or count == tries
        if now and progress is not None:
            progress(count, min(tries, len(waiting)))
        if now and 0 < most <= bisect_left(done, by_bound(link), key=_first):
            ranked = _useful(done, homes.dwellings, most)
            if most <= len(ranked) and _by_relief(ranked[most - 1]) < by_bound(link):
                return ranked, ()
        if count >= tries:
            return _useful(done, homes.dwellings, most), (
                f"{len(waiting) - tries} possible links were not computed; each could relieve "
                f"{link.most_homes:g} homes at most.",
            )
        counted, relieved = relieved_by(whole, link)
        if relieved.size:
            insort(done, (_by_relief(counted), counted, relieved), key=_first)
    return _useful(done, homes.dwellings, most), ()


def _by_relief(link: Link) -> tuple[float, float, float, str]:
    return (-link.homes_relieved, link.build_m, link.open_m, link.line.wkt)


_Done = tuple[tuple[float, float, float, str], Link, NDArray[np.int64]]
"""By what a link is ranked, the link, and the homes that it relieves."""


def _first(one: _Done) -> tuple[float, float, float, str]:
    return one[0]


def _useful(done: list[_Done], dwellings: NDArray[np.float64], most: int) -> tuple[Link, ...]:
    """Those, in order, that relieve someone whom no better one of their kind does; no more than `most`."""
    served = {kind: np.zeros(dwellings.size, dtype=np.bool_) for kind in ("open", "build")}
    kept: list[Link] = []
    for _, link, relieved in done:
        if len(kept) == most:
            break
        fresh = relieved[~served[link.kind][relieved]]
        if float(dwellings[fresh].sum()) >= NEW_RELIEF_SHARE.value * link.homes_relieved:
            kept.append(link)
            served[link.kind][relieved] = True
    return tuple(kept)
