"""Where out is: the exits that are named, or those that main roads make at the edge of the map."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, cast

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from scipy import sparse
from shapely.geometry.base import BaseGeometry

from leaveby.errors import InputError, refuse, refused
from leaveby.parameters import MAP_EDGE_M
from leaveby.roads.exits.street_table import StreetTable, shortest_out, street_passages
from leaveby.roads.network.graph import SEPARATOR, where

MAIN_ROADS: Final = (
    frozenset({"motorway", "motorway_link", "trunk", "trunk_link", "primary", "primary_link"}),
    frozenset({"secondary", "secondary_link"}),
    frozenset({"tertiary", "tertiary_link"}),
)
"""Classes whose cut ends lead out of a map: lesser ones are only asked where the greater have none. Judgement."""

_CELL_M: Final = 250.0
_ON_EDGE_DEG: Final = 2e-7
"""Twice the last digit of a place in OpenStreetMap: a junction this near to the edge lies on it."""
_NAMED: Final = 12
_OUTLINE_RATIO: Final = 0.1


def neighbours(streets: StreetTable, driven: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Count for each junction the other junctions that it is joined to by one of the given streets."""
    real = driven & (streets.a != streets.b)
    low = np.minimum(streets.a[real], streets.b[real]).astype(np.int64)
    high = np.maximum(streets.a[real], streets.b[real]).astype(np.int64)
    pair = np.unique(low * streets.node_count + high)
    count = np.bincount(pair // streets.node_count, minlength=streets.node_count)
    return np.asarray(count + np.bincount(pair % streets.node_count, minlength=streets.node_count), dtype=np.int64)


def map_outline(streets: StreetTable) -> BaseGeometry:
    """Outline of the area that the streets cover: a concave hull of 250 m cells that hold a junction."""
    cell = np.unique(np.column_stack([streets.x_m // _CELL_M, streets.y_m // _CELL_M]), axis=0, return_index=True)[1]
    places = shapely.multipoints(np.column_stack([streets.x_m[cell], streets.y_m[cell]]))
    return cast(BaseGeometry, shapely.concave_hull(places, ratio=_OUTLINE_RATIO))


def at_outline(streets: StreetTable, outline: BaseGeometry) -> NDArray[np.bool_]:
    """Tell which street ends lie at the outline of the map, or beyond it."""
    ends = np.flatnonzero(neighbours(streets, streets.driven) == 1)
    near = np.zeros(streets.node_count, dtype=np.bool_)
    line = shapely.boundary(outline) if outline.geom_type in ("Polygon", "MultiPolygon") else outline
    shapely.prepare(line)
    places = shapely.points(streets.x_m[ends], streets.y_m[ends])
    inner = shapely.dwithin(places, line, MAP_EDGE_M.value) | ~np.asarray(
        shapely.covers(outline, places), dtype=np.bool_
    )
    near[ends] = inner
    return near


def boundary_exits(
    streets: StreetTable, *, area: BaseGeometry | None = None, outline: BaseGeometry | None = None
) -> tuple[NDArray[np.int32], tuple[str, ...]]:
    """Take for out where main roads are cut by the outline of the map, and what leads there outside of the area.

    A street that crosses the area's edge and ends beyond it leads nowhere, and neither does a main road up a valley; so
    the extract has to reach well beyond the area. At a cut edge every road looks like a dead end, and a real dead end
    near the edge looks like a cut one: look at the exits that were taken, and name them where they are wrong.

    With an `area` (in the reference system of the streets), junctions outside of it count as out when a cut end of a
    main road is reached from them by car without coming back into it. `outline` is that of what the map holds, from
    `map_outline` when left out. Gives junctions in order, and what was supposed; InputError when no main road leads
    out.
    """
    driven = streets.driven
    edge = map_outline(streets) if outline is None else outline
    at_edge = at_outline(streets, edge) & (neighbours(streets, driven) == 1)
    cut = np.zeros(streets.node_count, dtype=np.bool_)
    for classes in MAIN_ROADS:
        main = driven & _of_class(streets, classes)
        cut = (cut | _touched(streets, main)) & at_edge
        if cut.any():
            break
    if not cut.any():
        raise refused("exits", "no_main_road_leads_out")
    ends = np.flatnonzero(cut).astype(np.int32)
    names = ", ".join(roads_at(streets, ends))
    sentences = (
        f"Out was taken to be where these main roads are cut by the edge of the map: {names}. Whether each of them can "
        "be used, and leads on, has to be looked up.",
    )
    return (ends if area is None else _beyond(streets, ends, area)), sentences


def roads_at(streets: StreetTable, nodes: NDArray[np.int32]) -> tuple[str, ...]:
    """Name the streets that meet at some junctions, each once; the way where one has no name."""
    chosen = np.zeros(streets.node_count, dtype=np.bool_)
    chosen[nodes] = True
    met = np.flatnonzero(streets.driven & (chosen[streets.a] | chosen[streets.b]))
    return tuple(dict.fromkeys(streets.name[i] or f"way {streets.way_id[i]}" for i in met))


def bounds_exits(
    streets: StreetTable, bounds: tuple[float, float, float, float], *, area: BaseGeometry | None = None
) -> tuple[NDArray[np.int32], NDArray[np.int32], tuple[str, ...]]:
    """Take for out where roads cross the edge (west, south, east, north, degrees) at which an extract ends.

    Every road that the edge cuts may lead out. Main roads (motorway to tertiary) that run on to a cut end beyond it
    count as exits. All others go on to somewhere unknown: lesser roads, and main roads that come back or meet another
    beyond the edge. Where an extract names a box that no main road crosses (it was cut along a border, say), main
    roads that end at the outline of its streets are taken instead, see `boundary_exits`; where some cross it, those go
    on to somewhere unknown.

    The streets come from ways with a point wherever they cross the edge, see `osm_ways_with_points_at`; `area` is as
    for `boundary_exits`. Gives junctions that count as out, those from which a road goes on to somewhere unknown, and
    what was supposed; InputError when no main road leads out.
    """
    driven = streets.driven
    out_by = _beyond_deg(streets.crs, bounds, streets.x_m, streets.y_m)
    outside, on_edge = out_by > _ON_EDGE_DEG, np.abs(out_by) <= _ON_EDGE_DEG
    over = driven & over_edge(streets, bounds)
    main = driven & _of_class(streets, frozenset[str]().union(*MAIN_ROADS))
    dead = neighbours(streets, driven) == 1
    touched, by_main = (_touched(streets, rows) for rows in (driven, main))
    if outside.any():
        cut = on_edge & touched & _touched(streets, driven & ~over)
        runs_on = _leads_to(streets, main & over, dead & ~on_edge) | (dead & on_edge)
        sure = cut & by_main & runs_on
    else:
        # nothing lies outside: the ways were clipped, and end at their last point before the edge
        ring = shapely.segmentize(shapely.box(*bounds), max_segment_length=0.02)
        there = Transformer.from_crs("EPSG:4326", streets.crs, always_xy=True)
        edge = shapely.transform(ring, lambda xy: np.column_stack(there.transform(xy[:, 0], xy[:, 1]))).boundary
        cut = dead & np.asarray(
            shapely.dwithin(shapely.points(streets.x_m, streets.y_m), edge, MAP_EDGE_M.value), dtype=np.bool_
        )
        sure = cut & by_main
    if not sure.any():
        return _by_outline(streets, cut, area=area)
    border = at_outline(streets, map_outline(streets)) & dead & by_main & ~outside & ~on_edge
    maybe = (cut | border) & ~sure
    ends, unknown = np.flatnonzero(sure).astype(np.int32), np.flatnonzero(maybe).astype(np.int32)
    sentences = [
        "Out was taken to be where these main roads are cut by the edge at which the extract says that it ends: "
        f"{', '.join(roads_at(streets, ends))}. Whether each of them can be used, and leads on, has to be looked up."
    ]
    if unknown.size:
        names = roads_at(streets, unknown)
        sentences.append(
            f"{unknown.size} other roads are cut by the edge and go on to somewhere unknown; they count neither as "
            f"ways out nor as dead ends: {', '.join(names[:_NAMED])}{' ...' if len(names) > _NAMED else ''}."
        )
    if area is not None:
        ends = _beyond(streets, ends, area)
        unknown = np.setdiff1d(_beyond(streets, unknown, area), ends) if unknown.size else unknown
    return ends, unknown, tuple(sentences)


def _of_class(streets: StreetTable, classes: frozenset[str]) -> NDArray[np.bool_]:
    return where(streets.highway, lambda kind: not classes.isdisjoint(kind.split(SEPARATOR)))


def _by_outline(
    streets: StreetTable, cut: NDArray[np.bool_], *, area: BaseGeometry | None
) -> tuple[NDArray[np.int32], NDArray[np.int32], tuple[str, ...]]:
    """Where no main road goes on at the edge, as `bounds_exits` gives it; `cut` are the junctions at the edge."""
    try:
        exits, said = boundary_exits(streets, area=area)
    except InputError as error:
        lesser = roads_at(streets, np.flatnonzero(cut).astype(np.int32))
        if not lesser:
            raise
        raise refused("exits", "only_lesser_roads_lead_out", lesser=", ".join(lesser[:_NAMED])) from error
    no_edge = "The extract says at which box it ends, but no main road goes on there: its streets' outline was taken."
    return exits, np.zeros(0, dtype=np.int32), (no_edge, *said)


def over_edge(streets: StreetTable, bounds: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    """Tell which streets lie beyond the edge (west, south, east, north, degrees) at which an extract ends."""
    middle = shapely.line_interpolate_point(streets.geometry, 0.5, normalized=True)
    return _beyond_deg(streets.crs, bounds, shapely.get_x(middle), shapely.get_y(middle)) > 0.0


def _beyond_deg(
    crs: str, bounds: tuple[float, float, float, float], x_m: NDArray[np.float64], y_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Degrees by which places lie outside of a box; negative within."""
    west, south, east, north = bounds
    back = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = (np.asarray(axis, dtype=np.float64) for axis in back.transform(x_m, y_m))
    return np.asarray(np.maximum.reduce([west - lon, lon - east, south - lat, lat - north]), dtype=np.float64)


def _touched(streets: StreetTable, rows: NDArray[np.bool_]) -> NDArray[np.bool_]:
    found = np.zeros(streets.node_count, dtype=np.bool_)
    found[streets.a[rows]] = True
    found[streets.b[rows]] = True
    return found


def _leads_to(streets: StreetTable, rows: NDArray[np.bool_], ends: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Junctions that some streets join to one of the given ends."""
    size = (streets.node_count, streets.node_count)
    joined = sparse.coo_matrix((np.ones(int(rows.sum())), (streets.a[rows], streets.b[rows])), shape=size)
    _, part = sparse.csgraph.connected_components(joined, directed=False)
    reached = np.bincount(part[ends], minlength=int(part.max()) + 1) > 0
    return np.asarray(reached[part] & _touched(streets, rows), dtype=np.bool_)


def _beyond(streets: StreetTable, ends: NDArray[np.int32], area: BaseGeometry) -> NDArray[np.int32]:
    """Junctions outside of an area from which one of the ends is reached by car without coming back into it."""
    driven = streets.driven
    cut = np.zeros(streets.node_count, dtype=np.bool_)
    cut[ends] = True
    shapely.prepare(area)
    within = np.asarray(shapely.intersects_xy(area, streets.x_m, streets.y_m), dtype=np.bool_)
    beyond = driven & ~within[streets.a] & ~within[streets.b] & ~streets.own
    passages = street_passages(streets, ends)
    open_ways = replace(passages, bits=np.where(beyond, passages.bits, 0).astype(np.uint8))
    away, _ = shortest_out(open_ways, ends, weight=streets.length_m)
    out = np.isfinite(away) & (~within | cut)
    return np.flatnonzero(out).astype(np.int32)


def exits_at(
    streets: StreetTable,
    x_m: NDArray[np.float64],
    *,
    y_m: NDArray[np.float64],
    names: tuple[str, ...],
    far_m: float = 500.0,
) -> NDArray[np.int32]:
    """Take for out the nearest junction or street end to each given place; InputError for all farther than `far_m`."""
    rows = np.flatnonzero(_touched(streets, streets.driven))
    if len(names) == 0 or rows.size == 0:
        raise refuse("exits", "there is none", expected="at least one exit on a street", mend="name the exits")
    places = shapely.points(x_m, y_m)
    tree = shapely.STRtree(np.asarray(shapely.points(streets.x_m[rows], streets.y_m[rows]), dtype=object))
    which, row = tree.query_nearest(places, all_matches=False)
    node = rows[row[np.argsort(which)]]
    away = np.hypot(streets.x_m[node] - x_m, streets.y_m[node] - y_m)
    far = np.flatnonzero(away > far_m)
    if far.size:
        said = "; ".join(f"{names[i]} {away[i]:.0f} m" for i in far[:10])
        raise refused("exits", "exits_far_from_roads", size=far.size, said=said, far_m=far_m)
    return np.unique(node).astype(np.int32)
