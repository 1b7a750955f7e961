"""Writes a scene as KML 2.2 (OGC 07-147r2), for globes and phones, and its ways out as GPX 1.1, for route finders.

Positions are WGS 84. Names stand in `name`, which is plain text; a `description` of KML is read as HTML by those who
show it, so what stands there is escaped once more; `ExtendedData` holds numbers and times only, with the unit in the
name.
"""

from __future__ import annotations

import html
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from itertools import chain, count, groupby
from typing import Any, Final
from xml.etree import ElementTree

import shapely
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from leaveby.caution import OVERRIDE
from leaveby.show.scene import Scene
from leaveby.show.symbols import SYMBOLS
from leaveby.show.templates import xml
from leaveby.show.wording import WAYS, check_made_at

_KML: Final = "http://www.opengis.net/kml/2.2"
_GPX: Final = "http://www.topografix.com/GPX/1/1"
_XSI: Final = "http://www.w3.org/2001/XMLSchema-instance"
_WGS84: Final = "EPSG:4326"

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
    "triggers": dict.fromkeys(("confidence_share", "needed_min")),
    "ignitions": dict.fromkeys(("burns_from_iso",)),
    "isochrones": dict.fromkeys(("reached_at_iso", "reached_after_start_min")),
    "shut_streets": dict.fromkeys(("shuts_at_iso", "shuts_after_start_min")),
}
"""Names in `ExtendedData`, with the columns that they are taken from where those are called otherwise."""


def plan_kml(scene: Scene, *, made_at: datetime) -> bytes:
    """Lay out the scene of a household's answer as KML."""
    check_made_at(made_at)
    folders = []
    for title, names in groupby(_LAYERS, key=lambda name: scene.layers[name].title):
        group = {name: scene.drawn(name, crs=_WGS84).to_dict("records") for name in names}
        # Why there is no way out at all is said in the folder that would hold the ways.
        if "routes" in group or any(group.values()):
            things = [(thing, _told(thing, _FACTS.get(name, {}))) for name, rows in group.items() for thing in rows]
            named = zip(_apart([thing["title"] for thing, _ in things]), things, strict=True)
            folders.append((title, scene.layers[next(iter(group))].words, list(named)))
    root = xml(
        "files/write/plan.kml.j2",
        scene=scene,
        made=made_at.strftime("%Y-%m-%d %H:%M"),
        override=OVERRIDE,
        symbols=[SYMBOLS[kind] for kind in _STYLED],
        folders=folders,
        escape_html=html.escape,
        # Turns #rrggbb into KML's aabbggrr.
        colour=lambda colour: f"ff{colour[5:7]}{colour[3:5]}{colour[1:3]}",
        coordinates=_coordinates,
        orient=orient,
    )
    return _bytes(root, _KML)


def _apart(titles: Sequence[str]) -> list[str]:
    """Names of the things of a folder: those that several things share get a number.

    >>> _apart(["Mill", "Fern", "Mill"])
    ['Mill', 'Fern', 'Mill (2)']
    """
    used: dict[str, None] = {}
    for title in titles:
        numbered = (f"{title} ({number})" for number in count(2))
        used[next(name for name in chain([title], numbered) if name not in used)] = None
    return list(used)


def _told(thing: dict[str, Any], facts: Mapping[str, Any]) -> dict[str, str]:
    """The facts of a thing that are known, as text."""
    told = {name: thing[column or name] for name, column in facts.items()}
    known = {
        name: value
        for name, value in told.items()
        if isinstance(value, str) or (value is not None and math.isfinite(value))
    }
    return {name: value if isinstance(value, str) else _number(name, value) for name, value in known.items()}


def _number(name: str, value: float) -> str:
    kept = math.ceil(value) if name.endswith("_m") else value
    return f"{kept:g}" if kept < 1e5 else f"{kept:.0f}"


def _coordinates(geometry: BaseGeometry) -> str:
    return " ".join(f"{lon_deg:.7f},{lat_deg:.7f}" for lon_deg, lat_deg in shapely.get_coordinates(geometry))


def route_gpx(scene: Scene, *, made_at: datetime) -> bytes:
    """Write the ways out as GPX 1.1: a waypoint for the home and each safe point, a track for each way of leaving."""
    home, places, routes = (scene.drawn(name, crs=_WGS84) for name in ("home", "safe_points", "routes"))
    root = xml(
        "files/write/route.gpx.j2",
        scene=scene,
        made=made_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        override=OVERRIDE,
        places=[*home.itertuples(), *places.itertuples()],
        routes=list(routes.itertuples()),
        positions=shapely.get_coordinates,
    )
    return _bytes(root, _GPX)


def _bytes(root: ElementTree.Element, space: str) -> bytes:
    ElementTree.register_namespace("", space)
    ElementTree.register_namespace("xsi", _XSI)
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"
