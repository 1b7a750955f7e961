"""Which missing link would help: whom a link relieves, counted exactly, and the links that relieve most.

A link relieves a home when it takes away half or more of the length of street that everyone there must pass: a join
around the first metres of a long dead-end road helps nobody. What must be passed changes only for those who hang on the
two branches of the tree of single exits that a link joins, where they part (an arc that is added moves no dominator of
anything else): these are looked at alone, with and without the link, and compared home by home.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from leaveby.compiling import njit
from leaveby.parameters import NEW_RELIEF_SHARE, RELIEF_SHARE
from leaveby.roads.exits.dominators import NO_WAY_OUT, ExitTree, exit_tree
from leaveby.roads.exits.groups import home_vertices
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.street_table import OPEN_WAY, PER_STREET, StreetTable, gets_out_openly, street_passages
from leaveby.roads.network.graph import taken
from leaveby.roads.vehicle.speeds import USUAL_KM_H
from leaveby.units import m_s_from_km_h

END_M: Final = 1.0
Kind = Literal["open", "build"]


@dataclass(frozen=True, eq=False)
class Link:
    """A street that would let people out another way.

    - `kind`: `open`: ways on the map that residents or nobody may drive, with their `streets` and the `reasons` why,
      each once; `build`: a street that is not there, with `ends` where it leaves one street and meets another: street,
      and distance along it in m.
    - `line`: along the ways, or straight from end to end.
    - `build_m`, `open_m`: metres to build (the straight line times 1.2), metres to open.
    - `steepest`: steepest slope of the ground along it; -inf where no terrain was given.
    - `between`: where the ways of its two ends part, as vertices: links with the same pair let the same groups out.
    - `most_homes`: no more homes than this can be relieved; `homes_relieved`, exact: homes for which it takes away half
      or more of the length of street that they must pass; `homes_freed`: of these, those that then must pass none.
    """

    kind: Kind
    line: BaseGeometry
    streets: tuple[int, ...]
    reasons: tuple[str, ...]
    ends: tuple[tuple[int, float], ...]
    build_m: float
    open_m: float
    steepest: float
    between: tuple[int, int]
    most_homes: float
    homes_relieved: float = 0.0
    homes_freed: float = 0.0


@njit()
def must_m(
    order: NDArray[np.int32],
    parent: NDArray[np.int32],
    nodes: int,
    length_m: NDArray[np.float64],
    beyond_m: float = 0.0,
) -> NDArray[np.float64]:
    """Length of street that must be passed from each vertex, the street itself with it, and what lies beyond."""
    total = np.full(parent.shape[0], beyond_m)
    for k in range(1, order.shape[0]):
        v = order[k]
        total[v] = total[parent[v]] + (length_m[v - nodes] if v >= nodes else 0.0)
    return total


def by_bound(link: Link) -> tuple[float, float, float, str]:
    """Order candidates by what they promise, then by metres to build and to open."""
    return (-link.most_homes, link.build_m, link.open_m, link.line.wkt)


def with_link(
    streets: StreetTable, homes: PlacedHomes, *, link: Link, joined: bool = True
) -> tuple[StreetTable, PlacedHomes]:
    """Add a link to the streets: open its ways to everyone, or split the streets that it joins and lay it between.

    Without `joined` the streets are only split, for comparison.
    """
    if link.kind == "open":
        if not joined:
            return streets, homes
        chosen = set(link.streets)
        forward, backward = streets.forward.copy(), streets.backward.copy()
        nothing = ~(forward | backward)
        rows = np.array(link.streets, dtype=np.int64)
        forward[rows] |= nothing[rows]
        backward[rows] |= nothing[rows]
        reason = tuple(OPEN_WAY if row in chosen else why for row, why in enumerate(streets.reason))
        return replace(streets, forward=forward, backward=backward, reason=reason), homes
    table, placed, ends = _split_at(streets, homes, link)
    return (_appended(table, ends, link) if joined else table), placed


def _split_at(streets: StreetTable, homes: PlacedHomes, link: Link) -> tuple[StreetTable, PlacedHomes, tuple[int, int]]:
    """The streets split where a link to build begins and ends, and the junctions there."""
    table, placed, tail = _split(streets, homes, *link.ends[0])
    table, placed, head = _split(table, placed, *link.ends[1])
    return table, placed, (tail, head)


def _split(
    streets: StreetTable, homes: PlacedHomes, street: int, along_m: float
) -> tuple[StreetTable, PlacedHomes, int]:
    length = float(streets.length_m[street])
    if along_m <= END_M:
        return streets, homes, int(streets.a[street])
    if length - along_m <= END_M:
        return streets, homes, int(streets.b[street])
    line, node = streets.geometry[street], streets.node_count
    at = along_m / length * line.length
    spot = shapely.line_interpolate_point(line, at)
    columns = taken(streets, PER_STREET, np.append(np.arange(streets.street_count), street))
    columns["a"][-1] = columns["b"][street] = node
    columns["length_m"][[street, -1]] = along_m, length - along_m
    columns["geometry"][street], columns["geometry"][-1] = substring(line, 0.0, at), substring(line, at, line.length)
    moved = (homes.street == street) & (homes.along_m > along_m)
    table = replace(
        streets,
        node_id=np.append(streets.node_id, -1 - node),
        x_m=np.append(streets.x_m, spot.x),
        y_m=np.append(streets.y_m, spot.y),
        **columns,
    )
    placed = replace(
        homes,
        street=np.where(moved, streets.street_count, homes.street).astype(np.int32),
        along_m=np.where(moved, homes.along_m - along_m, homes.along_m),
    )
    return table, placed, node


def _appended(streets: StreetTable, ends: tuple[int, int], link: Link) -> StreetTable:
    """The table with a street to build, of which nothing is known but its ends, line and length."""
    new: dict[str, Any] = {
        "a": ends[0],
        "b": ends[1],
        "forward": True,
        "backward": True,
        "reason": OPEN_WAY,
        "on_foot": True,
        "length_m": link.build_m,
        "speed_m_s": m_s_from_km_h(USUAL_KM_H["unclassified"]),
        "width_m": np.inf,
        "steepest": -np.inf,
        "fuel_t_ha": -np.inf,
        "takes_homes": False,
        "geometry": link.line,
        "way_id": 0,
        "name": "link to build",
        "highway": "unclassified",
    }
    columns = taken(streets, PER_STREET, np.append(np.arange(streets.street_count), 0))
    for name, column in columns.items():
        if isinstance(column, tuple):
            columns[name] = (*column[:-1], new.get(name, ""))
        else:
            column[-1] = new[name]
    return replace(streets, **columns)


def _must_pass(
    streets: StreetTable, homes: PlacedHomes, exits: NDArray[np.int32], beyond_m: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Length of street that each home must pass, inf where it has no way out; and whether it must pass none."""
    passages = street_passages(streets, exits)
    tree = exit_tree(passages, exits)
    at = home_vertices(tree, homes.street, passages=passages)
    must = must_m(tree.order, tree.parent, tree.node_count, streets.length_m, beyond_m)[np.maximum(at, 0)]
    lost = at == NO_WAY_OUT
    return np.where(lost, np.inf, must), ~lost & (must == 0.0)


def relieved_homes(
    streets: StreetTable, homes: PlacedHomes, *, link: Link, exits: NDArray[np.int32], beyond_m: float = 0.0
) -> tuple[Link, NDArray[np.int64]]:
    """Count exactly whom a link relieves: add it, find the tree of single exits anew, and compare home by home.

    Everyone has to pass `beyond_m` of street more beyond the exits. Gives the link with its counts, and the homes that
    it relieves.
    """
    if link.kind == "open":
        joined, moved = with_link(streets, homes, link=link)
    else:
        streets, moved, ends = _split_at(streets, homes, link)
        joined = _appended(streets, ends, link)
    before, _ = _must_pass(streets, moved, exits, beyond_m)
    after, free = _must_pass(joined, moved, exits, beyond_m)
    relieved = np.isfinite(after) & (after < before) & (after <= (1.0 - RELIEF_SHARE.value) * before)
    counted = replace(
        link,
        homes_relieved=float(homes.dwellings[relieved].sum()),
        homes_freed=float(homes.dwellings[relieved & free].sum()),
    )
    return counted, np.flatnonzero(relieved)


@dataclass(frozen=True, eq=False)
class Whole:
    """All streets without a link: what must be passed from each vertex, the vertices in order of the walk through the
    tree, the homes in order of their streets, and the junctions from which one gets out by open streets alone."""

    streets: StreetTable
    homes: PlacedHomes
    exits: NDArray[np.int32]
    tree: ExitTree
    must_m: NDArray[np.float64]
    walk: NDArray[np.int32]
    by_street: NDArray[np.int64]
    gets_out: NDArray[np.bool_]
    own: NDArray[np.bool_]


def look_at_all(streets: StreetTable, homes: PlacedHomes, exits: NDArray[np.int32]) -> Whole:
    """Look once at what links are held against."""
    tree = exit_tree(street_passages(streets, exits), exits)
    return Whole(
        streets,
        homes,
        exits,
        tree,
        must_m(tree.order, tree.parent, tree.node_count, streets.length_m),
        tree.order[np.argsort(tree.first[tree.order])],
        np.argsort(homes.street, kind="stable"),
        gets_out_openly(streets, exits),
        streets.own,
    )


def relieved_by(whole: Whole, link: Link) -> tuple[Link, NDArray[np.int64]]:
    """Count as `relieved_homes` does, among those alone whom the link can help.

    Where an end of the link has no open way out, or ways are opened, more than the two branches may change: then all
    streets are looked at.
    """
    sides = [v for v in link.between if v != whole.tree.outside]
    beyond = {int(whole.tree.parent[v]) for v in sides}
    if link.kind == "open" or len(beyond) != 1 or not all(_open_at(whole, *end) for end in link.ends):
        return relieved_homes(whole.streets, whole.homes, link=link, exits=whole.exits)
    streets, homes, ends, rows = _part(whole, sides, link.ends)
    here = replace(link, ends=ends)
    out = np.array([streets.node_count - 1], dtype=np.int32)
    counted, relieved = relieved_homes(streets, homes, link=here, exits=out, beyond_m=float(whole.must_m[beyond.pop()]))
    return replace(counted, ends=link.ends), rows[relieved]


def _open_at(whole: Whole, street: int, along_m: float) -> bool:
    """Whether one gets out by open streets alone from a spot on a street."""
    streets = whole.streets
    a, b = (bool(whole.gets_out[end[street]]) for end in (streets.a, streets.b))
    if along_m <= END_M:
        return a
    if streets.length_m[street] - along_m <= END_M:
        return b
    return not whole.own[street] and bool((streets.forward[street] and b) or (streets.backward[street] and a))


def _part(
    whole: Whole, sides: list[int], ends: tuple[tuple[int, float], ...]
) -> tuple[StreetTable, PlacedHomes, tuple[tuple[int, float], ...], NDArray[np.int64]]:
    """The streets that hang on some vertices, all else as one junction, the last, that is out; homes, and their rows.

    Streets of no length stand for what joins a junction to the outside, and for the ends of a link that lie outside.
    """
    tree, streets, n = whole.tree, whole.streets, whole.tree.node_count
    inside = np.concatenate([whole.walk[tree.first[v] : tree.first[v] + tree.size[v]] for v in sides])
    nodes, kept = np.sort(inside[inside < n]), np.sort(inside[inside >= n]).astype(np.int64) - n

    def local(node: NDArray[np.int32]) -> NDArray[np.int32]:
        place = np.minimum(np.searchsorted(nodes, node), max(nodes.size - 1, 0))
        known = nodes[place] == node if nodes.size else np.zeros(node.size, np.bool_)
        return np.where(known, place, nodes.size).astype(np.int32)

    added = [(nodes.size, int(local(np.array([v]))[0]), True) for v in sides if v < n]
    moved = []
    for street, along_m in ends:
        row = int(np.searchsorted(kept, street))
        if row < kept.size and kept[row] == street:
            moved.append((row, along_m))
            continue
        at_b = streets.length_m[street] - along_m <= END_M
        node = streets.a[street] if along_m <= END_M else streets.b[street] if at_b else np.int32(-1)
        moved.append((kept.size + len(added), 0.0))
        added.append((int(local(np.array([node]))[0]), nodes.size, False))
    more = np.array(added, dtype=np.int32).reshape(-1, 3)
    columns = taken(streets, PER_STREET, np.concatenate([kept, np.zeros(len(added), dtype=np.int64)]))
    columns["a"] = np.concatenate([local(streets.a[kept]), more[:, 0]])
    columns["b"] = np.concatenate([local(streets.b[kept]), more[:, 1]])
    columns["forward"][kept.size :] = False
    columns["backward"][kept.size :] = more[:, 2] > 0
    columns["length_m"][kept.size :] = 0.0
    columns["reason"] = (*columns["reason"][: kept.size], *(OPEN_WAY,) * len(added))
    blank = np.zeros(nodes.size + 1)
    table = replace(streets, node_id=blank.astype(np.int64), x_m=blank, y_m=blank, **columns)
    first, last = (np.searchsorted(whole.homes.street, kept, side, sorter=whole.by_street) for side in _SIDES)
    count = last - first
    rows = whole.by_street[np.repeat(first - np.cumsum(count) + count, count) + np.arange(count.sum())]
    placed = replace(
        whole.homes,
        street=np.repeat(np.arange(kept.size, dtype=np.int32), count),
        along_m=whole.homes.along_m[rows],
        dwellings=whole.homes.dwellings[rows],
    )
    return table, placed, tuple(moved), rows


_SIDES: Final[tuple[Literal["left"], Literal["right"]]] = ("left", "right")


def rank_links(
    streets: StreetTable,
    homes: PlacedHomes,
    *,
    exits: NDArray[np.int32],
    candidates: tuple[Link, ...],
    most: int = 10,
    tries: int = 400,
) -> tuple[tuple[Link, ...], tuple[str, ...]]:
    """Rank candidates by the homes that they relieve, exact, then by metres to build, then by metres to open.

    Candidates are computed in the order of their bounds until none that is left could still come among the first
    `most`. One that relieves few but homes that a better one of its kind relieves already is left out. Gives the first
    `most`, and a sentence where the computing was ended before that was certain.
    """
    if not candidates:
        return (), ()
    whole = look_at_all(streets, homes, exits)
    waiting = sorted(candidates, key=by_bound)
    done: list[_Done] = []
    for count, link in enumerate(waiting):
        # what is left relieves no more than its bound: at its best it still stands behind the last of the first `most`
        if 0 < most <= bisect_left(done, by_bound(link), key=_first):
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
