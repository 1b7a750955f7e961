"""A missing link: what it is, the streets with it, and whom it relieves, counted by finding single exits anew.

A link relieves a home when it takes away half or more of the length of street that everyone there must pass: a join
around the first metres of a long dead-end road helps nobody.
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
from leaveby.parameters import RELIEF_SHARE
from leaveby.roads.exits.dominators import NO_WAY_OUT, ExitTree, exit_tree
from leaveby.roads.exits.groups import home_vertices
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.street_table import OPEN_WAY, PER_STREET, StreetTable, street_passages
from leaveby.roads.network.graph import taken
from leaveby.roads.vehicle.speeds import USUAL_KM_H
from leaveby.units import m_s_from_km_h

END_M: Final = 1.0
RELIEF: Final = RELIEF_SHARE.value
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
def add_down(
    rows: NDArray[np.int32], parent: NDArray[np.int32], value: NDArray[np.float64], total: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Add the value of each vertex to the total of its parent, which comes before it."""
    for v in rows:
        total[v] = total[parent[v]] + value[v]
    return total


def must_m(tree: ExitTree, length_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Length of street that must be passed from each vertex, the street itself with it."""
    value = np.concatenate([np.zeros(tree.node_count), length_m, [0.0]])
    return np.asarray(add_down(tree.order[1:], tree.parent, value, np.zeros(value.size)))


def by_bound(link: Link) -> tuple[float, float, float, str]:
    """Order candidates by what they promise, then by metres to build and to open."""
    return (-link.most_homes, link.build_m, link.open_m, link.line.wkt)


def with_link(
    streets: StreetTable, homes: PlacedHomes, *, link: Link, joined: bool = True
) -> tuple[StreetTable, PlacedHomes, NDArray[np.int64]]:
    """Add a link to the streets: open its ways to everyone, or split the streets that it joins and lay it between.

    Without `joined` the streets are only split, for comparison. Gives streets, homes, and for each of these streets
    which of those given it is, or is a piece of: -1 for the one that is laid.
    """
    if link.kind == "open":
        own = np.arange(streets.street_count)
        if not joined:
            return streets, homes, own
        chosen = set(link.streets)
        forward, backward = streets.forward.copy(), streets.backward.copy()
        nothing = ~(forward | backward)
        rows = np.array(link.streets, dtype=np.int64)
        forward[rows] |= nothing[rows]
        backward[rows] |= nothing[rows]
        reason = tuple(OPEN_WAY if row in chosen else why for row, why in enumerate(streets.reason))
        return replace(streets, forward=forward, backward=backward, reason=reason), homes, own
    table, placed, ends, piece_of = _split_at(streets, homes, link)
    return (_appended(table, ends, link), placed, np.append(piece_of, -1)) if joined else (table, placed, piece_of)


def _split_at(
    streets: StreetTable, homes: PlacedHomes, link: Link
) -> tuple[StreetTable, PlacedHomes, tuple[int, int], NDArray[np.int64]]:
    """The streets split where a link to build begins and ends, the junctions there, and whose piece each street is."""
    table, placed, at, piece_of = streets, homes, list[int](), np.arange(streets.street_count)
    for street, along_m in link.ends:
        table, placed, node = _split(table, placed, street, along_m)
        at.append(node)
        piece_of = np.append(piece_of, np.full(table.street_count - piece_of.size, street))
    return table, placed, (at[0], at[1]), piece_of


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


def _must_pass(streets: StreetTable, homes: PlacedHomes, exits: NDArray[np.int32]) -> NDArray[np.float64]:
    """Length of street that each home must pass, inf where it has no way out."""
    passages = street_passages(streets, exits)
    tree = exit_tree(passages, exits)
    at = home_vertices(tree, homes.street, passages=passages)
    return np.where(at == NO_WAY_OUT, np.inf, must_m(tree, streets.length_m)[np.maximum(at, 0)])


def relieved_homes(
    streets: StreetTable, homes: PlacedHomes, *, link: Link, exits: NDArray[np.int32]
) -> tuple[Link, NDArray[np.int64]]:
    """Count exactly whom a link relieves: add it, find the tree of single exits anew, and compare home by home.

    Gives the link with its counts, and the homes that it relieves.
    """
    if link.kind == "open":
        joined, moved, _ = with_link(streets, homes, link=link)
    else:
        streets, moved, ends, _ = _split_at(streets, homes, link)
        joined = _appended(streets, ends, link)
    before, after = _must_pass(streets, moved, exits), _must_pass(joined, moved, exits)
    relieved = np.isfinite(after) & (after < before) & (after <= (1.0 - RELIEF) * before)
    return with_counts(link, homes, np.flatnonzero(relieved), np.flatnonzero(relieved & (after == 0.0)))


def with_counts(
    link: Link, homes: PlacedHomes, relieved: NDArray[np.int64], freed: NDArray[np.int64]
) -> tuple[Link, NDArray[np.int64]]:
    """Give a link with the homes that it relieves, and of these frees, and the ones that it relieves."""
    counted = replace(
        link,
        homes_relieved=float(homes.dwellings[relieved].sum()),
        homes_freed=float(homes.dwellings[freed].sum()),
    )
    return counted, relieved
