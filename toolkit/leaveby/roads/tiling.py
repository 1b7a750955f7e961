"""A large area cut into tiles and put together again, so that the answer does not depend on the cut.

Streets end where ways meet, which is found once for the whole area. A street belongs to one tile, whole, and so does a
home; each tile also sees the streets around it, so that barriers, and the street nearest to a home, are the same as in
one piece. Whatever reaches across tiles, such as what everyone must pass, is computed after the tiles are put together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import refuse
from leaveby.roads.homes import Homes, PlacedHomes, place_homes
from leaveby.roads.street_table import StreetTable, street_table
from leaveby.roads.topology import network_from_ways
from leaveby.roads.ways import Ways


def cut_ways(ways: Ways) -> tuple[Ways, NDArray[np.int64]]:
    """Cut ways where they meet, and at barriers and limits, so that each part is one street.

    Parameters
    ----------
    ways : Ways

    Returns
    -------
    Ways, NDArray[np.int64]
        The parts, numbered from 0 by their `way_id`; and the identity of the way that each was cut from.

    Examples
    --------
    >>> from leaveby.roads.network import TAGS
    >>> tags = {tag: ("residential", "track") if tag == "highway" else ("", "") for tag in TAGS}
    >>> ways = Ways(
    ...     way_id=np.array([70, 80]), start=np.array([0, 3, 5]), node=np.array([1, 2, 3, 2, 4]),
    ...     lon_deg=np.array([147.0, 147.1, 147.2, 147.1, 147.1]), lat_deg=np.array([-37.0] * 4 + [-37.1]), tags=tags,
    ... )
    >>> parts, source = cut_ways(ways)
    >>> source.tolist(), np.diff(parts.start).tolist()
    ([70, 70, 80], [2, 2, 2])
    """
    size = np.diff(ways.start)
    way_of = np.repeat(np.arange(size.size), size)
    identity, use = np.unique(ways.node, return_inverse=True)
    met = np.bincount(use, minlength=identity.size) > 1
    met |= np.isin(identity, np.array([*ways.barriers, *ways.limits, *ways.ends], dtype=np.int64))
    cut = met[use]
    first = np.zeros(ways.node.size, dtype=np.bool_)
    last = first.copy()
    first[ways.start[:-1][size > 0]] = True
    last[ways.start[1:][size > 0] - 1] = True
    cut |= first | last
    at = np.flatnonzero(cut)
    same = (way_of[at[1:]] == way_of[at[:-1]]) if at.size else np.zeros(0, dtype=np.bool_)
    begin, end = at[:-1][same], at[1:][same]
    run = end - begin + 1
    start = np.concatenate([[0], np.cumsum(run)]).astype(np.int64)
    point = np.repeat(begin, run) + np.arange(start[-1]) - np.repeat(start[:-1], run)
    source = way_of[begin]
    parts = replace(
        ways,
        way_id=np.arange(begin.size, dtype=np.int64),
        start=start,
        node=ways.node[point],
        lon_deg=ways.lon_deg[point],
        lat_deg=ways.lat_deg[point],
        tags={tag: tuple(values[i] for i in source) for tag, values in ways.tags.items()},
    )
    return parts, ways.way_id[source]


@dataclass(frozen=True, eq=False)
class Tile:
    """What one tile is given.

    Attributes
    ----------
    parts : Ways
        Its streets and those around it, each one part of a way.
    source : NDArray[np.int64]
        Way that each part was cut from.
    owned : NDArray[np.bool_]
        Which parts are its own.
    homes : Homes, optional
        Its homes; none where nobody lives in it.
    home_row : NDArray[np.int64]
        Their rows among all homes.
    crs : str
    far_m : float
    count_tracks : bool
    region : str
    """

    parts: Ways
    source: NDArray[np.int64]
    owned: NDArray[np.bool_]
    homes: Homes | None
    home_row: NDArray[np.int64]
    crs: str
    far_m: float
    count_tracks: bool
    region: str


@dataclass(frozen=True, eq=False)
class TileStreets:
    """What one tile gives back: its own streets, and the street (by part) of each of its homes.

    Attributes
    ----------
    streets : StreetTable
        Its own rows only, with its own junctions; `way_id` holds the part.
    home_row : NDArray[np.int64]
    home_part : NDArray[np.int64]
        Part of a way that each home opens onto, or -1.
    along_m, away_m : NDArray[np.float64]
    """

    streets: StreetTable
    home_row: NDArray[np.int64]
    home_part: NDArray[np.int64]
    along_m: NDArray[np.float64]
    away_m: NDArray[np.float64]


def cut_tiles(
    parts: Ways,
    source: NDArray[np.int64],
    *,
    x_m: NDArray[np.float64],
    y_m: NDArray[np.float64],
    homes: Homes,
    crs: str,
    tile_m: float,
    buffer_m: float,
    far_m: float,
    count_tracks: bool = False,
    region: str = "AU",
) -> tuple[Tile, ...]:
    """Deal out streets and homes to square tiles.

    Parameters
    ----------
    parts : Ways
        From `cut_ways`.
    source : NDArray[np.int64]
        Way that each part was cut from.
    x_m, y_m : NDArray[np.float64]
        Position of each point of the parts in `crs`.
    homes : Homes
        In `crs`.
    crs : str
    tile_m : float
        Side of a tile, above 0.
    buffer_m : float
        How far around itself a tile sees; more than `far_m`, so that no nearer street is missed.
    far_m, count_tracks, region
        As for `place_homes` and `street_table`.

    Raises
    ------
    InputError
        When the tile has no side, or the buffer does not reach as far as homes do.

    Examples
    --------
    >>> cut_tiles(None, None, x_m=None, y_m=None, homes=None, crs="", tile_m=1e4, buffer_m=100.0, far_m=500.0)
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: buffer_m: it is 100, and homes are joined to streets up to 500 m away. Expected ...
    """
    if not tile_m > 0.0:
        raise refuse("tile_m", f"it is {tile_m}", expected="metres above 0", mend="correct it")
    if not buffer_m > far_m:
        raise refuse(
            "buffer_m",
            f"it is {buffer_m:g}, and homes are joined to streets up to {far_m:g} m away",
            expected=f"more than {far_m:g} m",
            mend="widen the buffer",
        )
    start = parts.start[:-1]
    west, east = np.minimum.reduceat(x_m, start), np.maximum.reduceat(x_m, start)
    south, north = np.minimum.reduceat(y_m, start), np.maximum.reduceat(y_m, start)
    head, tail = parts.node[start], parts.node[parts.start[1:] - 1]
    column, row = np.floor(x_m[start] / tile_m).astype(np.int64), np.floor(y_m[start] / tile_m).astype(np.int64)
    home_column = np.floor(homes.x_m / tile_m).astype(np.int64)
    home_row = np.floor(homes.y_m / tile_m).astype(np.int64)
    squares = np.unique(
        np.concatenate([np.column_stack([column, row]), np.column_stack([home_column, home_row])]), axis=0
    )
    tiles = []
    for i, j in squares.tolist():
        owned = (column == i) & (row == j)
        mine = np.flatnonzero((home_column == i) & (home_row == j))
        near = (
            (east >= i * tile_m - buffer_m)
            & (west <= (i + 1) * tile_m + buffer_m)
            & (north >= j * tile_m - buffer_m)
            & (south <= (j + 1) * tile_m + buffer_m)
        )
        ends = np.unique(np.concatenate([head[owned], tail[owned], head[near], tail[near]]))
        seen = near | owned | np.isin(head, ends) | np.isin(tail, ends)
        tiles.append(
            Tile(
                parts=_some(parts, seen),
                source=source[seen],
                owned=owned[seen],
                homes=_some_homes(homes, mine) if mine.size else None,
                home_row=mine,
                crs=crs,
                far_m=far_m,
                count_tracks=count_tracks,
                region=region,
            )
        )
    return tuple(tiles)


def _some(parts: Ways, keep: NDArray[np.bool_]) -> Ways:
    size = np.diff(parts.start)
    points = np.repeat(keep, size)
    rows = np.flatnonzero(keep)
    node = parts.node[points]
    here = set(node.tolist())
    return replace(
        parts,
        way_id=parts.way_id[keep],
        start=np.concatenate([[0], np.cumsum(size[keep])]).astype(np.int64),
        node=node,
        lon_deg=parts.lon_deg[points],
        lat_deg=parts.lat_deg[points],
        tags={tag: tuple(values[i] for i in rows) for tag, values in parts.tags.items()},
        barriers={key: value for key, value in parts.barriers.items() if key in here},
        limits={key: value for key, value in parts.limits.items() if key in here},
        assumptions=(),
    )


def _some_homes(homes: Homes, rows: NDArray[np.int64]) -> Homes:
    return Homes(tuple(homes.identity[i] for i in rows), homes.x_m[rows], homes.y_m[rows], homes.dwellings[rows], ())


def tile_streets(tile: Tile) -> TileStreets:
    """Make one tile's streets, and join its homes to the nearest, those around it included.

    Examples
    --------
    >>> from leaveby.roads.network import TAGS
    >>> tags = {tag: ("residential",) if tag == "highway" else ("",) for tag in TAGS}
    >>> parts = Ways(
    ...     way_id=np.array([0]), start=np.array([0, 2]), node=np.array([1, 2]), lon_deg=np.array([147.0, 147.001]),
    ...     lat_deg=np.array([-37.0, -37.0]), tags=tags,
    ... )
    >>> nobody = np.zeros(0, dtype=np.int64)
    >>> tile = Tile(parts, np.array([70]), np.array([True]), None, nobody, "EPSG:32755", 500.0, False, "AU")
    >>> tile_streets(tile).streets.street_count
    1
    """
    nobody = np.zeros(0, dtype=np.int64)
    nowhere = np.zeros(0)
    if tile.parts.way_id.size == 0:
        lost = np.full(tile.home_row.size, -1, dtype=np.int64)
        away = np.full(tile.home_row.size, np.inf)
        return TileStreets(_empty(tile), tile.home_row, lost, np.zeros(lost.size), away)
    streets = street_table(
        network_from_ways(tile.parts, crs=tile.crs), count_tracks=tile.count_tracks, region=tile.region
    )
    of_part = dict(zip(tile.parts.way_id.tolist(), tile.source.tolist(), strict=True))
    part = streets.way_id
    own_parts = tile.parts.way_id[tile.owned]
    rows = np.flatnonzero(np.isin(part, own_parts))
    own = _rows(streets, rows)
    if tile.homes is None:
        return TileStreets(own, nobody, nobody, nowhere, nowhere)
    if not (streets.takes_homes & streets.driven).any():
        lost = np.full(tile.home_row.size, -1, dtype=np.int64)
        return TileStreets(own, tile.home_row, lost, np.zeros(lost.size), np.full(lost.size, np.inf))
    # equally near streets are told apart by the numbers of their ways, not of their parts
    named = replace(streets, way_id=np.array([of_part[int(i)] for i in part], dtype=np.int64))
    placed = place_homes(tile.homes, named, far_m=tile.far_m)
    return TileStreets(
        own,
        tile.home_row,
        np.where(placed.street >= 0, part[np.maximum(placed.street, 0)], -1),
        placed.along_m,
        placed.away_m,
    )


def _empty(tile: Tile) -> StreetTable:
    none = np.zeros(0)
    no = np.zeros(0, dtype=np.bool_)
    whole = np.zeros(0, dtype=np.int32)
    return StreetTable(
        crs=tile.crs,
        node_id=np.zeros(0, dtype=np.int64),
        x_m=none,
        y_m=none,
        a=whole,
        b=whole,
        forward=no,
        backward=no,
        reason=(),
        on_foot=no,
        length_m=none,
        speed_m_s=none,
        width_m=none,
        steepest=none,
        fuel_t_ha=none,
        takes_homes=no,
        geometry=np.zeros(0, dtype=object),
        way_id=np.zeros(0, dtype=np.int64),
        name=(),
        highway=(),
        service=(),
        lanes=(),
        barrier=(),
        assumptions=(),
    )


_PER_NODE = ("node_id", "x_m", "y_m")
_NOT_ROWS = ("crs", "assumptions", *_PER_NODE)


def _rows(streets: StreetTable, rows: NDArray[np.int64]) -> StreetTable:
    changed: dict[str, Any] = {}
    for field in fields(StreetTable):
        if field.name in _NOT_ROWS:
            continue
        values = getattr(streets, field.name)
        changed[field.name] = tuple(values[i] for i in rows) if isinstance(values, tuple) else values[rows]
    return replace(streets, **changed)


def joined_tiles(
    tiles: Sequence[TileStreets], *, homes: Homes, source: NDArray[np.int64], far_m: float, assumptions: Sequence[str]
) -> tuple[StreetTable, PlacedHomes]:
    """Put the tiles together: streets in the order of their parts, junctions in the order of their numbers.

    Parameters
    ----------
    tiles : sequence of TileStreets
        In any order.
    homes : Homes
        All homes.
    source : NDArray[np.int64]
        Way that each part was cut from.
    far_m : float
    assumptions : sequence of str
        Said while reading.

    Raises
    ------
    InputError
        When the tiles hold no street.

    Examples
    --------
    >>> joined_tiles([], homes=None, source=None, far_m=500.0, assumptions=())
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: streets: there is none in any tile. Expected ...
    """
    filled = [tile for tile in tiles if tile.streets.street_count]
    if not filled:
        raise refuse("streets", "there is none in any tile", expected="roads", mend="take another area")
    tables = [tile.streets for tile in filled]
    node_id, first = np.unique(np.concatenate([table.node_id for table in tables]), return_index=True)
    x_m = np.concatenate([table.x_m for table in tables])[first]
    y_m = np.concatenate([table.y_m for table in tables])[first]
    part = np.concatenate([table.way_id for table in tables])
    order = np.argsort(part, kind="stable")
    if (np.diff(part[order]) == 0).any():
        raise AssertionError("a street belongs to two tiles")
    merged: dict[str, Any] = {}
    for field in fields(StreetTable):
        if field.name in _NOT_ROWS:
            continue
        values = [getattr(table, field.name) for table in tables]
        if isinstance(values[0], tuple):
            flat = [item for table_values in values for item in table_values]
            merged[field.name] = tuple(flat[i] for i in order)
        else:
            merged[field.name] = np.concatenate(values)[order]
    for end in ("a", "b"):
        ids = np.concatenate([table.node_id[getattr(table, end)] for table in tables])[order]
        merged[end] = np.searchsorted(node_id, ids).astype(np.int32)
    merged["way_id"] = source[part[order]]
    used = np.unique(np.concatenate([merged["a"], merged["b"]]))
    number = np.full(node_id.size, -1, dtype=np.int32)
    number[used] = np.arange(used.size, dtype=np.int32)
    merged["a"], merged["b"] = number[merged["a"]], number[merged["b"]]
    said = dict.fromkeys((*assumptions, *(line for table in tables for line in table.assumptions)))
    streets = replace(
        tables[0],
        node_id=node_id[used],
        x_m=x_m[used],
        y_m=y_m[used],
        assumptions=tuple(said),
        **merged,
    )
    return streets, _joined_homes(tiles, homes, streets, part[order], far_m)


def _joined_homes(
    tiles: Sequence[TileStreets], homes: Homes, streets: StreetTable, part: NDArray[np.int64], far_m: float
) -> PlacedHomes:
    count = len(homes.identity)
    row = np.concatenate([tile.home_row for tile in tiles])
    if row.size != count or np.unique(row).size != count:
        raise AssertionError("a home belongs to no tile, or to two")
    of_home = np.full(count, -1, dtype=np.int64)
    along, away = np.zeros(count), np.zeros(count)
    of_home[row] = np.concatenate([tile.home_part for tile in tiles])
    along[row] = np.concatenate([tile.along_m for tile in tiles])
    away[row] = np.concatenate([tile.away_m for tile in tiles])
    street = np.where(of_home >= 0, np.searchsorted(part, of_home), -1)
    lost = np.flatnonzero(street < 0)
    sentences = list(homes.assumptions)
    if lost.size:
        # how far they are from every street can lie beyond what their tile saw
        far = place_homes(_some_homes(homes, lost), streets, far_m=far_m)
        away[lost] = far.away_m
        sentences += far.assumptions
    return PlacedHomes(
        identity=homes.identity,
        street=street.astype(np.int32),
        along_m=along,
        away_m=away,
        dwellings=homes.dwellings,
        x_m=homes.x_m,
        y_m=homes.y_m,
        assumptions=tuple(sentences),
    )
