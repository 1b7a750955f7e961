"""The locality as a mapper would have written it down: OpenStreetMap XML 0.6."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from xml.sax.saxutils import quoteattr

from demo_lines import Point, lengths, tenth
from demo_roads import RAILWAY, WATERS, Locality, Road, Tags, join


def _pieces(road: Road) -> Iterator[tuple[list[Point], Tags]]:
    """The road cut into ways of equal tags, as mappers do; neighbours share their end."""
    total = lengths(road.line)[-1]
    cuts = [
        join(road, along_m) for first, last, _ in road.stretches for along_m in (first, last) if 0.0 < along_m < total
    ]
    marks = lengths(road.line)
    ends = sorted({0, len(road.line) - 1, *(road.line.index(p) for p in cuts)})
    named = {} if ", driveway" in road.name else {"name": road.name}
    for i, j in pairwise(ends):
        tags = {**road.tags, **named}
        middle = 0.5 * (marks[i] + marks[j])
        for first, last, own in road.stretches:
            if first < middle < last:
                tags |= own
        yield road.line[i : j + 1], tags


def osm_xml(locality: Locality, to_lon_lat: Callable[[list[Point]], list[Point]]) -> str:
    """The locality as OpenStreetMap XML 0.6; `to_lon_lat` turns local points into longitude and latitude."""
    nodes: dict[Point, Tags] = {}
    ways: list[tuple[list[Point], Tags]] = []
    for road in locality.roads.values():
        ways += _pieces(road)
        for p, tags in road.node_tags.items():
            nodes.setdefault(tenth(p), {}).update(tags)
    ways += [(home.corners, home.tags) for home in locality.homes]
    ways += locality.areas
    # waters and the railway get points of their own, so that they share no node with a road
    for name, water in WATERS.items():
        kind = "river" if name == "Lantern River" else "stream"
        ways.append(([(x, y) for x, y, _ in water], {"waterway": kind, "name": name}))
    ways.append((RAILWAY, {"railway": "disused", "name": "Quarrel Flat branch line (closed)"}))
    for p, tags in locality.places:
        nodes.setdefault(tenth(p), {}).update(tags)
    for line, _ in ways:
        for p in line:
            nodes.setdefault(tenth(p), {})

    ids = {p: k for k, p in enumerate(nodes, start=1)}
    degrees = to_lon_lat(list(nodes))
    lon, lat = [d[0] for d in degrees], [d[1] for d in degrees]
    out = [
        "<?xml version='1.0' encoding='UTF-8'?>",
        "<!-- An invented place. Nothing here was taken from OpenStreetMap or from any real map. -->",
        '<osm version="0.6" generator="make_demo.py" attribution="an invented place">',
    ]
    meta = 'version="1" timestamp="2026-01-01T00:00:00Z"'
    for (p, tags), x, y in zip(nodes.items(), lon, lat, strict=True):
        inner = [f"    <tag k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in tags.items()]
        head = f'  <node id="{ids[p]}" {meta} lat="{y:.7f}" lon="{x:.7f}"'
        out += [f"{head}>", *inner, "  </node>"] if inner else [f"{head}/>"]
    for k, (line, tags) in enumerate(ways, start=1):
        out.append(f'  <way id="{k}" {meta}>')
        out += [f'    <nd ref="{ids[tenth(p)]}"/>' for p in line]
        out += [f"    <tag k={quoteattr(key)} v={quoteattr(v)}/>" for key, v in tags.items()]
        out.append("  </way>")
    return "\n".join([*out, "</osm>", ""])
