"""Writes a scene as KML 2.2 (OGC 07-147r2), for globes and phones, and its ways out as GPX 1.1, for route finders.

Positions are WGS 84. Names stand in `name`, which is plain text; a `description` of KML is read as HTML by those who
show it, so what stands there is escaped once more; `ExtendedData` holds numbers and times only, with the unit in the
name.
"""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import groupby
from typing import Any, Final
from xml.etree import ElementTree

import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry, BaseMultipartGeometry
from shapely.geometry.polygon import orient

from leaveby.caution import OVERRIDE
from leaveby.show.scene import Scene
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import WAYS, check_made_at, clean

_KML: Final = "http://www.opengis.net/kml/2.2"
_GPX: Final = "http://www.topografix.com/GPX/1/1"
_XSI: Final = "http://www.w3.org/2001/XMLSchema-instance"
_WGS84: Final = "EPSG:4326"
_NAME_LETTERS: Final = 120

_LAYERS: Final = ("home", "safe_points", "routes", "triggers", "ignitions", "isochrones", "shut_streets")
"""In the order of the folders; neighbours under one title share a folder."""

_STYLED: Final = (
    *("home", "safe_point", "last_resort"),
    *(f"{what}_{way}" for way in WAYS for what in ("way", "trigger")),
    *("ignition", "front", "shut"),
)

_FACTS: Final[Mapping[str, Mapping[str, Any]]] = {
    "routes": {
        "length_m": "length_m",
        "likely_drive_min": "likely_drive_min",
        "latest_start_iso": "latest_start_iso",
        "latest_departure_iso": "latest_departure_iso",
        "shuts_first_iso": "shuts_first_at_iso",
    },
    "triggers": dict.fromkeys(("confidence_share", "lead_time_min", "weather_at_iso")),
    "ignitions": dict.fromkeys(("burns_from_iso",)),
    "isochrones": dict.fromkeys(("reached_at_iso", "reached_after_start_min")),
    "shut_streets": dict.fromkeys(("shuts_at_iso", "shuts_after_start_min")),
}
"""Names in `ExtendedData`, with the columns that they are taken from where those are called otherwise."""


def plan_kml(scene: Scene, *, made_at: datetime) -> bytes:
    """Lay out the scene of a household's answer as KML."""
    check_made_at(made_at)
    ElementTree.register_namespace("", _KML)
    root = ElementTree.Element(f"{{{_KML}}}kml")
    document = _part(root, "Document")
    _text(document, "name", f"When to leave: {clean(scene.title, _NAME_LETTERS)}")
    _text(document, "open", "1")
    made = f"Made {made_at.strftime('%Y-%m-%d %H:%M')} by leaveby."
    _describe(document, f"{scene.caution} {scene.words} {made}")
    _styles(document)
    for title, names in groupby(_LAYERS, key=lambda name: scene.layers[name].title):
        group = {name: scene.drawn(name, crs=_WGS84) for name in names}
        # Why there is no way out at all is said in the folder that would hold the ways.
        if "routes" not in group and not any(map(len, group.values())):
            continue
        folder = _part(document, "Folder")
        _text(folder, "name", title)
        _describe(folder, scene.layers[next(iter(group))].words)
        for name, things in group.items():
            for thing in things.to_dict("records"):
                _placemark(folder, thing, facts=_FACTS.get(name, {}))
    return _bytes(root)


def _placemark(folder: ElementTree.Element, thing: dict[str, Any], *, facts: Mapping[str, Any]) -> None:
    placemark = _part(folder, "Placemark")
    _text(placemark, "name", thing["title"])
    # A balloon shows this placemark's words and none of the document's.
    _describe(placemark, f"{thing['words']} {OVERRIDE}")
    _text(placemark, "styleUrl", f"#{_identity(thing['symbol'])}")
    told = {name: thing[column or name] for name, column in facts.items()}
    told = {name: value for name, value in told.items() if isinstance(value, str) or math.isfinite(value or math.nan)}
    if told:
        extended = _part(placemark, "ExtendedData")
        for name, value in told.items():
            data = ElementTree.SubElement(extended, f"{{{_KML}}}Data", {"name": name})
            _text(data, "value", value if isinstance(value, str) else _number(name, value))
    _shape(placemark, thing["geometry"])


def _number(name: str, value: float) -> str:
    kept = math.ceil(value) if name.endswith("_m") else value
    return f"{kept:g}" if kept < 1e5 else f"{kept:.0f}"


def _styles(document: ElementTree.Element) -> None:
    for symbol in (SYMBOLS[kind] for kind in _STYLED):
        style = ElementTree.SubElement(document, f"{{{_KML}}}Style", {"id": _identity(symbol.kind)})
        if symbol.sign:
            _text(_part(style, "IconStyle"), "color", _kml_colour(symbol.ink))
        if symbol.screen_px:
            line = _part(style, "LineStyle")
            _text(line, "color", _kml_colour(symbol.ink))
            _text(line, "width", f"{symbol.screen_px:g}")
            # The ground stays to be seen under a line that means its edge.
            _text(_part(style, "PolyStyle"), "fill", "0")


def _identity(kind: str) -> str:
    return kind.replace("_", "-")


def _kml_colour(colour: str) -> str:
    """Turn #rrggbb into KML's aabbggrr."""
    return f"ff{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _shape(parent: ElementTree.Element, geometry: BaseGeometry) -> None:
    if isinstance(geometry, BaseMultipartGeometry):
        parts = list(geometry.geoms)
        holder = parent if len(parts) == 1 else _part(parent, "MultiGeometry")
        for part in parts:
            _shape(holder, part)
    elif isinstance(geometry, Polygon):
        polygon = _part(parent, "Polygon")
        _text(polygon, "tessellate", "1")
        # Outer edges run against the clock, holes with it.
        turned = orient(geometry, 1.0)
        for name, ring in (("outer", turned.exterior), *(("inner", hole) for hole in turned.interiors)):
            boundary = _part(_part(polygon, f"{name}BoundaryIs"), "LinearRing")
            _text(boundary, "coordinates", _coordinates(ring))
    elif isinstance(geometry, LineString):
        line = _part(parent, "LineString")
        _text(line, "tessellate", "1")
        _text(line, "coordinates", _coordinates(geometry))
    else:
        _text(_part(parent, "Point"), "coordinates", _coordinates(geometry))


def _coordinates(geometry: BaseGeometry) -> str:
    return " ".join(f"{lon_deg:.7f},{lat_deg:.7f}" for lon_deg, lat_deg in shapely.get_coordinates(geometry))


def route_gpx(scene: Scene, *, made_at: datetime) -> bytes:
    """Write the ways out as GPX 1.1: a waypoint for the home and each safe point, a track for each way of leaving."""
    ElementTree.register_namespace("", _GPX)
    ElementTree.register_namespace("xsi", _XSI)
    about = {"version": "1.1", "creator": "leaveby", f"{{{_XSI}}}schemaLocation": f"{_GPX} {_GPX}/gpx.xsd"}
    root = ElementTree.Element(f"{{{_GPX}}}gpx", about)
    metadata = _part(root, "metadata", _GPX)
    _text(metadata, "name", f"Ways out: {clean(scene.title, _NAME_LETTERS)}", _GPX)
    _text(metadata, "desc", scene.caution, _GPX)
    _text(metadata, "time", made_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), _GPX)
    for name in ("home", "safe_points", "routes"):
        for thing in scene.drawn(name, crs=_WGS84).itertuples():
            points = shapely.get_coordinates(thing.geometry)
            if name == "routes":
                track = _part(root, "trk", _GPX)
                _text(track, "name", thing.title, _GPX)
                _text(track, "desc", f"{OVERRIDE} {thing.words}", _GPX)
                segment = _part(track, "trkseg", _GPX)
                for lon_lat in points:
                    _position(segment, "trkpt", lon_lat)
            else:
                words = OVERRIDE if name == "home" else f"{thing.words} {OVERRIDE}"
                point = _position(root, "wpt", points[0])
                _text(point, "name", thing.title, _GPX)
                _text(point, "desc", words, _GPX)
    return _bytes(root)


def _position(parent: ElementTree.Element, name: str, lon_lat: Any) -> ElementTree.Element:
    lon_deg, lat_deg = lon_lat
    return ElementTree.SubElement(parent, f"{{{_GPX}}}{name}", {"lat": f"{lat_deg:.7f}", "lon": f"{lon_deg:.7f}"})


def _part(parent: ElementTree.Element, name: str, space: str = _KML) -> ElementTree.Element:
    return ElementTree.SubElement(parent, f"{{{space}}}{name}")


def _text(parent: ElementTree.Element, name: str, text: str, space: str = _KML) -> None:
    _part(parent, name, space).text = text


def _describe(parent: ElementTree.Element, text: str) -> None:
    _text(parent, "description", html.escape(text, quote=False))


def _bytes(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"
