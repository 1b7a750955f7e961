"""Which joins between streets are worth measuring: those that could be the shortest of their kind of relief.

A town has fifty times as many places that lie near one another as kinds of relief. Here all are gone through roughly;
what could be shortest, within a tenth of a millimetre, is then measured as if nothing had been left out.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.roads.exits.links import END_M

SLACK_M: Final = 1e-4
"""Far more than rounding does to a length, far less than anyone measures."""
_BLOCK: Final = 64
SLOTS: Final = 2**20
"""Of kinds whose shortest join is kept in mind; those that fall on one slot put one another out."""


class Promise(NamedTuple):
    """What the homes are that a join can relieve, see `link_candidates`.

    Of each vertex `parent`, `first`, `size` in the tree of single exits and the length that must be passed; of homes,
    in order of the walk, how many stand before each place of it, what they must pass, dwellings, which pass less than
    which, and the least that any of a block of them must pass; of the part without a way out in which a street begins
    the homes that gain when it gets one. Fewer homes than `least` are not worth a link; one relieves a home of which it
    takes away a `share`.
    """

    parent: NDArray[np.int32]
    first: NDArray[np.int32]
    size: NDArray[np.int32]
    must_m: NDArray[np.float64]
    before: NDArray[np.int64]
    own_m: NDArray[np.float64]
    dwellings: NDArray[np.float64]
    rising: NDArray[np.int64]
    least_m: NDArray[np.float64]
    gain: NDArray[np.float64]
    least: float
    share: float


class Lines(NamedTuple):
    """Streets that can be met: number, box, corners from `start` on, and the vertex at the start, along it, at the end.

    Places on them stand from `place_at` on: x, y, and which of these vertices.
    """

    street: NDArray[np.int64]
    box: NDArray[np.float64]
    start: NDArray[np.int64]
    xy_m: NDArray[np.float64]
    vertices: NDArray[np.int32]
    place_at: NDArray[np.int64]
    place_m: NDArray[np.float64]
    place_on: NDArray[np.int64]


class Spots(NamedTuple):
    """Where joins may begin, street after street: x, y, vertex, and the `run` of those on the street of row `line`.

    Near each run lie the streets of rows `near`, from `near_at` on.
    """

    xy_m: NDArray[np.float64]
    vertex: NDArray[np.int32]
    run: NDArray[np.int64]
    line: NDArray[np.int64]
    near_at: NDArray[np.int64]
    near: NDArray[np.int64]


def block_least(own_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """The least of each block of homes."""
    return np.asarray(np.minimum.reduceat(own_m, np.arange(0, own_m.size, _BLOCK))) if own_m.size else own_m


@njit(inline="always")
def _side(here: int, onward: int, homes: Promise) -> tuple[int, float]:
    """The outermost vertex that must be passed from `here` but not from `onward`, or the outside, the last vertex.

    With it the length that is then taken away: what lies between it and here. What lies beyond it stays; 0 where that
    is too long for anybody to be relieved.
    """
    outside = homes.parent.shape[0] - 1
    found, at = int(outside), here
    if onward >= 0:
        spot = homes.first[onward]
        while at >= 0 and at != outside and not homes.first[at] <= spot < homes.first[at] + homes.size[at]:
            found, at = at, int(homes.parent[at])
    if found == outside:
        return found, 0.0
    beyond_m = homes.must_m[homes.parent[found]]
    gone_m = homes.must_m[max(here, 0)] - beyond_m
    return found, gone_m if gone_m > 0.0 and gone_m >= homes.share * beyond_m else 0.0


@njit(inline="always")
def sides(
    here: int, other: int, on_from_here: int, on_from_there: int, homes: Promise
) -> tuple[int, int, int, float, float]:
    """The kind of relief of a join between two vertices, where the ways of both ends part, and what it takes away.

    Of one kind are those between the same branches that take away about as much.
    """
    left, left_m = _side(here, on_from_here, homes)
    right, right_m = _side(other, on_from_there, homes)
    doubled = math.frexp(max(left_m, right_m, 1.0))[1] - 1
    return (min(left, right) * 2**28 + max(left, right)) * 64 + doubled, left, right, left_m, right_m


@njit(inline="always")
def _homes_within(low: int, high: int, limit_m: float, enough: float, homes: Promise) -> float:
    """Homes at some places of the walk that must pass no more than a length, counted until there are enough."""
    total, at = 0.0, low
    while at < high and total < enough:
        block = at // _BLOCK
        end = min((block + 1) * _BLOCK, high)
        if homes.least_m[block] <= limit_m:
            for k in range(at, end):
                if homes.own_m[k] <= limit_m:
                    total += homes.dwellings[k]
        at = end
    return total


@njit(inline="always")
def _promised(
    here: int, other: int, streets: tuple[int, int], nodes: int, enough: float, homes: Promise
) -> tuple[int, float]:
    """The kind of relief of a join between two vertices on two streets, and its homes, no more than are enough."""
    # a street that the join splits may be gone around
    from_here = homes.parent[other] if other == nodes + streets[1] else other
    from_there = homes.parent[here] if here == nodes + streets[0] else here
    kind, left, right, left_m, right_m = sides(here, other, from_here, from_there, homes)
    most = 0.0
    for side, gone_m in ((left, left_m), (right, right_m)):
        if gone_m > 0.0:
            low, high = homes.before[homes.first[side]], homes.before[homes.first[side] + homes.size[side]]
            most += _homes_within(low, high, gone_m / homes.share, enough, homes)
    if here < 0:
        most += homes.gain[streets[0]]
    if other < 0:
        most += homes.gain[streets[1]]
    return kind, most


_Known = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]
_Best = tuple[NDArray[np.int64], NDArray[np.float64]]


@njit(inline="always")
def _slot(kind: int, best_of: NDArray[np.int64]) -> int:
    return int((kind * 0x9E3779B97F4A7C1 >> 20) & (best_of.shape[0] - 1))


@njit(inline="always")
def _longest_m(
    here: int, rows: tuple[int, int], lines: Lines, homes: Promise, nodes: int, known: _Known, best: _Best, far_m: float
) -> float:
    """How long a join to a street can be to be the shortest of its kind, -1 where none is worth it."""
    longest_m, (from_spot, kinds, most), (best_of, best_m) = -1.0, known, best
    for k in range(3):
        at = lines.vertices[rows[1], k]
        if from_spot[at] != here or at < 0 or here < 0:
            from_spot[at], streets = here, (lines.street[rows[0]], lines.street[rows[1]])
            kinds[at], most[at] = _promised(here, at, streets, nodes, homes.least * (1.0 + 1e-9), homes)
        if most[at] >= homes.least * (1.0 - 1e-9) and most[at] > 0.0:
            slot = _slot(kinds[at], best_of)
            shortest_m = best_m[slot] + 2.0 * SLACK_M if best_of[slot] == kinds[at] else far_m
            longest_m = max(longest_m, min(shortest_m, far_m))
    return longest_m


@njit()
def _far_m(x: float, y: float, row: int, lines: Lines) -> tuple[float, float, float]:
    """How far a spot is from the start of a line, from a point between its ends, and from its end.

    Each is inf where the nearest point of the line is surely not that one.
    """
    at_start, between, at_end = np.inf, np.inf, np.inf
    first, last = lines.start[row], lines.start[row + 1] - 1
    for k in range(first, last):
        dx, dy = lines.xy_m[k + 1, 0] - lines.xy_m[k, 0], lines.xy_m[k + 1, 1] - lines.xy_m[k, 1]
        px, py = x - lines.xy_m[k, 0], y - lines.xy_m[k, 1]
        long = math.sqrt(dx * dx + dy * dy)
        along = (px * dx + py * dy) / long if long > 0.0 else 0.0
        held = min(max(along, 0.0), long)
        ux, uy = (dx / long, dy / long) if long > 0.0 else (0.0, 0.0)
        far = math.sqrt((px - held * ux) ** 2 + (py - held * uy) ** 2)
        starts, ends = k == first and along <= SLACK_M, k == last - 1 and along >= long - SLACK_M
        if starts:
            at_start = min(at_start, far)
        if ends:
            at_end = min(at_end, far)
        if not (starts and along < -SLACK_M) and not (ends and along > long + SLACK_M):
            between = min(between, far)
    return at_start, between, at_end


@njit()
def worth_measuring(
    spots: Spots,
    lines: Lines,
    homes: Promise,
    nodes: int,
    within_m: float,
    best_of: NDArray[np.int64],
    best_m: NDArray[np.float64],
    prune: bool,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Joins that could be the shortest of their kind: the spot, the row of the street met, its place there or -1.

    `best_of` and `best_m`, of a length that is a power of two, hold the shortest that was met of some kinds, from call
    to call. Unless `prune`, all are given that promise enough homes.
    """
    found, count = np.empty((1024, 3), np.int64), 0
    far_m, straight = within_m + SLACK_M, np.empty(3)
    possible, sure = homes.least * (1.0 - 1e-9), homes.least * (1.0 + 1e-9)
    # what a spot promises with each vertex is the same for all streets that meet there; the last is for those without
    from_spot = np.full(homes.parent.shape[0] + 1, -9)
    kinds, most = np.empty(from_spot.shape[0], np.int64), np.empty(from_spot.shape[0])
    known, best = (from_spot, kinds, most), (best_of, best_m)
    for spot in range(spots.xy_m.shape[0]):
        (x, y), here, run = spots.xy_m[spot], spots.vertex[spot], spots.run[spot]
        mine = spots.line[run]
        for near in range(spots.near_at[run], spots.near_at[run + 1]):
            row = spots.near[near]
            dx = max(lines.box[row, 0] - x, x - lines.box[row, 2], 0.0)
            dy = max(lines.box[row, 1] - y, y - lines.box[row, 3], 0.0)
            if row == mine or dx * dx + dy * dy > far_m * far_m:
                continue
            # most are too far off for what they promise: then their lines need not be gone along
            longest_m = _longest_m(here, (mine, row), lines, homes, nodes, known, best, far_m)
            longest_m = far_m if longest_m > 0.0 and not prune else longest_m
            if longest_m < 0.0 or dx * dx + dy * dy > longest_m * longest_m:
                continue
            straight[0], straight[1], straight[2] = _far_m(x, y, row, lines)
            least_m = straight.min()
            if least_m > longest_m:
                continue
            for place in range(lines.place_at[row] - 1, lines.place_at[row + 1]):
                on_line, long = place < lines.place_at[row], least_m
                if not on_line:
                    long = math.hypot(lines.place_m[place, 0] - x, lines.place_m[place, 1] - y)
                if not END_M - SLACK_M <= long <= far_m:
                    continue
                wanted, ways, slot, at = False, 0, 0, 0
                for k in range(3):
                    if straight[k] > least_m + SLACK_M if on_line else lines.place_on[place] != k:
                        continue
                    ways += 1
                    at = lines.vertices[row, k]
                    if most[at] >= possible and most[at] > 0.0:
                        slot = _slot(kinds[at], best_of)
                        wanted |= not prune or best_of[slot] != kinds[at] or long <= best_m[slot] + SLACK_M
                if not wanted:
                    continue
                if count == found.shape[0]:
                    found = np.concatenate((found, np.empty_like(found)))
                found[count, 0], found[count, 1], found[count, 2] = spot, row, -1 if on_line else place
                count += 1
                # the shortest so far, where it surely counts
                counts = ways == 1 and most[at] >= sure and END_M + SLACK_M < long <= within_m - SLACK_M
                if counts and (best_of[slot] != kinds[at] or long < best_m[slot]):
                    best_of[slot], best_m[slot] = kinds[at], long
    return found[:count, 0].copy(), found[:count, 1].copy(), found[:count, 2].copy()
