"""Which missing link would help: whom a link relieves, counted exactly, and the links that relieve most.

A link relieves a home when it takes away half or more of the length of street that everyone there must pass: a join
around the first metres of a long dead-end road helps nobody. The street is added, the tree of single exits is found
anew, and the homes are compared one by one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from leaveby.compiling import njit
from leaveby.parameters import NEW_RELIEF_SHARE, RELIEF_SHARE
from leaveby.roads.exits.dominators import NO_WAY_OUT, exit_tree
from leaveby.roads.exits.groups import home_vertices
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.street_table import OPEN_WAY, PER_STREET, StreetTable, street_passages
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
    order: NDArray[np.int32], parent: NDArray[np.int32], nodes: int, length_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Length of street that must be passed from each vertex, the street itself with it."""
    total = np.zeros(parent.shape[0])
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
    table, placed, tail = _split(streets, homes, *link.ends[0])
    table, placed, head = _split(table, placed, *link.ends[1])
    if joined:
        table = _appended(table, tail, head, line=link.line, length_m=link.build_m)
    return table, placed


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


def _appended(streets: StreetTable, tail: int, head: int, *, line: BaseGeometry, length_m: float) -> StreetTable:
    """The table with a street to build, of which nothing is known but its ends, line and length."""
    new: dict[str, Any] = {
        "a": tail,
        "b": head,
        "forward": True,
        "backward": True,
        "reason": OPEN_WAY,
        "on_foot": True,
        "length_m": length_m,
        "speed_m_s": m_s_from_km_h(USUAL_KM_H["unclassified"]),
        "width_m": np.inf,
        "steepest": -np.inf,
        "fuel_t_ha": -np.inf,
        "takes_homes": False,
        "geometry": line,
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
    streets: StreetTable, homes: PlacedHomes, exits: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Length of street that each home must pass, inf where it has no way out; and whether it must pass none."""
    passages = street_passages(streets, exits)
    tree = exit_tree(passages, exits)
    at = home_vertices(tree, homes.street, passages=passages)
    must = must_m(tree.order, tree.parent, tree.node_count, streets.length_m)[np.maximum(at, 0)]
    lost = at == NO_WAY_OUT
    return np.where(lost, np.inf, must), ~lost & (must == 0.0)


def relieved_homes(
    streets: StreetTable, homes: PlacedHomes, *, link: Link, exits: NDArray[np.int32]
) -> tuple[Link, NDArray[np.bool_]]:
    """Count exactly whom a link relieves: add it, find the tree of single exits anew, and compare home by home.

    Gives the link with its counts, and which homes it relieves.
    """
    before, _ = _must_pass(*with_link(streets, homes, link=link, joined=False), exits)
    after, free = _must_pass(*with_link(streets, homes, link=link), exits)
    relieved = np.isfinite(after) & (after < before) & (after <= (1.0 - RELIEF_SHARE.value) * before)
    counted = replace(
        link,
        homes_relieved=float(homes.dwellings[relieved].sum()),
        homes_freed=float(homes.dwellings[relieved & free].sum()),
    )
    return counted, relieved


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
    waiting = sorted(candidates, key=by_bound)
    done: list[tuple[Link, NDArray[np.bool_]]] = []
    for count, link in enumerate(waiting):
        ranked = _useful(done, homes.dwellings)
        # what is left relieves no more than its bound: at its best it still stands behind the last of the first `most`
        if 0 < most <= len(ranked) and _by_relief(ranked[most - 1]) < by_bound(link):
            break
        if count >= tries:
            return ranked[:most], (
                f"{len(waiting) - tries} possible links were not computed; each could relieve "
                f"{link.most_homes:g} homes at most.",
            )
        done.append(relieved_homes(streets, homes, link=link, exits=exits))
    return _useful(done, homes.dwellings)[:most], ()


def _by_relief(link: Link) -> tuple[float, float, float, str]:
    return (-link.homes_relieved, link.build_m, link.open_m, link.line.wkt)


def _useful(done: list[tuple[Link, NDArray[np.bool_]]], dwellings: NDArray[np.float64]) -> tuple[Link, ...]:
    """Those that relieve someone whom no better one of their kind does, in order."""
    served: dict[str, NDArray[np.bool_]] = {}
    kept: list[Link] = []
    helpful = (item for item in done if item[0].homes_relieved > 0.0)
    for link, relieved in sorted(helpful, key=lambda item: _by_relief(item[0])):
        before = served.get(link.kind, np.zeros(relieved.size, dtype=np.bool_))
        if float(dwellings[relieved & ~before].sum()) >= NEW_RELIEF_SHARE.value * link.homes_relieved:
            kept.append(link)
            served[link.kind] = before | relieved
    return tuple(kept)
