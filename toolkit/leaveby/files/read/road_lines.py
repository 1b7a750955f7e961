"""Layers of lines (GeoPackage, shapefile, GeoJSON) as roads."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas
import networkx as nx
import numpy as np
import pyogrio
import shapely
from pyproj import Transformer

from leaveby.errors import Fault, Faults, refuse, refused
from leaveby.files.read.guard import guarded_layer
from leaveby.files.read.road_extracts import NOT_ROADS, TAG_KEYS, WAY_TAGS
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.osm.osm_ways import OsmWays
from leaveby.roads.osm.street_graph import network_from_graph
from leaveby.roads.osm.topology import network_from_osm_ways

_IDS = ("osm_id", "osmid", "way_id", "id", "fid")
_CLASS_SUPPOSED = "road"


def read_road_lines(file: Path, *, crs: str | None = None, layer: str | None = None) -> RoadNetwork:
    """Read a layer of lines as roads; called by `read_roads`, which explains the parameters.

    Lines join where they share a point. A layer of directed edges with columns `u` and `v`, as osmnx writes it, is
    taken as it stands.
    """
    with guarded_layer(file):
        layer = _line_layer(file, layer=layer)
    frame = read_layer(
        file,
        layer=layer,
        none=("there is no road in it", "at least one line"),
        shape=("the line is empty", "a line", "draw the line or delete the row"),
    )
    frame = frame.explode(index_parts=False, ignore_index=True)
    not_lines = sorted(set(frame.geom_type) - {"LineString", "LinearRing"})
    if not_lines:
        raise refuse(str(file), f"it holds {not_lines}", expected="lines", mend="name the layer of road lines")
    if {"u", "v", "length"} <= set(frame.columns):
        return _directed_edges(frame, crs=crs)
    return network_from_osm_ways(_ways(file, frame), crs=crs)


def read_layer(
    file: Path, *, layer: str | None, none: tuple[str, str], shape: tuple[str, str, str]
) -> geopandas.GeoDataFrame:
    """Read a layer that names its reference system, holds something, and draws every row of it.

    `none` and `shape` are the words for a layer without rows and for a row without a shape: what is wrong, what was
    expected and, of the row, how to mend it.
    """
    with guarded_layer(file):
        frame = geopandas.read_file(file, layer=layer, engine="pyogrio")
        if not isinstance(frame, geopandas.GeoDataFrame) or frame.crs is None:
            raise refused(file, "layer_without_crs")
        xy, row = shapely.get_coordinates(frame.geometry.to_numpy(), return_index=True)
        lon, lat = Transformer.from_crs(frame.crs, "EPSG:4326", always_xy=True).transform(xy[:, 0], xy[:, 1])
        off = np.flatnonzero(~((np.abs(lon) <= 180.0) & (np.abs(lat) <= 90.0)))
        if off.size:
            x, y = xy[off[0]]
            raise refused(
                f"{file} row {row[off[0]] + 1}", "layer_off_the_earth", x=x, y=y, crs=frame.crs.to_string()[:60]
            )
    if len(frame) == 0:
        raise refuse(str(file), none[0], expected=none[1], mend="take a larger area")
    empty = np.flatnonzero(frame.geometry.isna() | frame.geometry.is_empty)
    Faults(Fault(f"{file} row {row + 1}", *shape) for row in empty).refuse(most=20)
    return frame


def _line_layer(file: Path, *, layer: str | None) -> str | None:
    layers = {str(name): str(kind) for name, kind in pyogrio.list_layers(file)}
    if layer is not None:
        if layer not in layers:
            raise refused(f"{file}, layer {layer!r}", "no_such_layer", layers=sorted(layers))
        return layer
    lines = [name for name, kind in layers.items() if "Line" in kind or kind in ("Unknown", "None")]
    if len(lines) != 1:
        wrong = f"it has {len(lines)} layers of lines: {lines}" if lines else "it has no layer of lines"
        raise refused(file, "layer_of_lines_unclear", wrong=wrong)
    return lines[0]


def _directed_edges(frame: geopandas.GeoDataFrame, *, crs: str | None) -> RoadNetwork:
    graph: nx.MultiDiGraph[Any] = nx.MultiDiGraph(crs=frame.crs)
    for record in frame.to_dict("records"):
        line = record.pop("geometry")
        u, v = record.pop("u"), record.pop("v")
        record.pop("key", None)
        for node, (x, y) in ((u, line.coords[0][:2]), (v, line.coords[-1][:2])):
            graph.add_node(node, x=float(x), y=float(y))
        graph.add_edge(u, v, geometry=shapely.force_2d(line), **record)
    return network_from_graph(graph, crs=crs)


def _ways(file: Path, frame: geopandas.GeoDataFrame) -> OsmWays:
    by_lower = {str(name).lower(): name for name in frame.columns}
    tags: dict[str, list[str]] = {}
    for tag in WAY_TAGS:
        name = by_lower.get(TAG_KEYS[tag]) or by_lower.get(tag)
        tags[tag] = [_word(value) for value in frame[name]] if name is not None else [""] * len(frame)
    assumptions: list[str] = []
    unclassed = sum(not value for value in tags["highway"])
    if unclassed:
        tags["highway"] = [value or _CLASS_SUPPOSED for value in tags["highway"]]
        assumptions.append(f"{file.name}: {unclassed} lines say no class of road and were taken for minor roads.")
    if not any(tags["oneway"]):
        assumptions.append(f"{file.name}: no column tells one-way streets; all lines were taken as open both ways.")
    keep = np.array([kind not in NOT_ROADS for kind in tags["highway"]], dtype=np.bool_)
    if not keep.any():
        told = ", ".join(sorted(set(tags["highway"]))[:4])
        mend = "take a layer of roads, or the extract itself"
        raise refuse(str(file), f"none of its lines is a road or path in use ({told})", expected="roads", mend=mend)
    frame = frame[keep]
    chosen = np.flatnonzero(keep)
    lines = shapely.force_2d(frame.geometry.to_numpy())
    xy, of = shapely.get_coordinates(lines, return_index=True)
    lon, lat = Transformer.from_crs(frame.crs, "EPSG:4326", always_xy=True).transform(xy[:, 0], xy[:, 1])
    decimals = 8 if frame.crs.is_geographic else 3
    _, node = np.unique(np.round(xy, decimals), axis=0, return_inverse=True)
    ident = next((by_lower[name] for name in _IDS if name in by_lower), None)
    numbers = [_number(value) for value in frame[ident]] if ident is not None else [None] * len(frame)
    return OsmWays(
        way_id=np.array(
            [row + 1 if number is None else number for row, number in zip(chosen, numbers, strict=True)], dtype=np.int64
        ),
        start=np.concatenate([[0], np.cumsum(np.bincount(of, minlength=len(frame)))]).astype(np.int64),
        node=node.ravel().astype(np.int64) + 1,
        lon_deg=np.asarray(lon, dtype=np.float64),
        lat_deg=np.asarray(lat, dtype=np.float64),
        tags={tag: tuple(values[i] for i in chosen) for tag, values in tags.items()},
        assumptions=tuple(assumptions),
    )


def _word(value: object) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _number(value: object) -> int | None:
    try:
        return int(str(value).removesuffix(".0"))
    except ValueError:
        return None
