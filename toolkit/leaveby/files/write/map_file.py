"""Writes an answer as KML 2.2 (OGC 07-147r2), for globes and phones: ways out, safe points, triggers, fronts, streets.

Positions are WGS 84. Names stand in `name`, which is plain text; a `description` is read as HTML by those who show it,
so what stands there is escaped once more; `ExtendedData` holds numbers and times only, with the unit in the name.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Final
from xml.etree import ElementTree

import numpy as np
import shapely
from pyproj import Transformer
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry, BaseMultipartGeometry
from shapely.geometry.polygon import orient

from leaveby.caution import OVERRIDE
from leaveby.decision.ways.result import HouseholdResult, clock
from leaveby.roads.routing.itinerary import street
from leaveby.show.figure import INK, WAY_COLOURS
from leaveby.show.ground import ignition_points, isochrones, shown_triggers
from leaveby.show.map_legend import FIRE
from leaveby.show.map_words import (
    caution_words,
    day_line,
    front_line,
    safe_point_line,
    shut_line,
    trigger_line,
    way_line,
    way_name,
)
from leaveby.show.wording import (
    WAY_TITLES,
    check_made_at,
    clean,
    clock_words,
    every_road_shut_words,
    floor_clock,
    iso_minute,
    minutes_between,
    minutes_down,
    minutes_up,
    percent_words,
    shown_ways,
    street_words,
)

_KML: Final = "http://www.opengis.net/kml/2.2"
_NAME_LETTERS: Final = 120
_FRONTS: Final = 16
_SHUT_COLOUR: Final = "#6b6b6b"

Change = Callable[[BaseGeometry], BaseGeometry]
Facts = Mapping[str, str | float | None]


def plan_kml(result: HouseholdResult, *, made_at: datetime) -> bytes:
    """Lay out the map of an answer as KML.

    Parameters
    ----------
    result : HouseholdResult
    made_at : datetime
        With UTC offset.

    Returns
    -------
    bytes
        UTF-8, with XML declaration; the same for the same answer and moment.

    Raises
    ------
    InputError
        If `made_at` has no UTC offset.
    """
    check_made_at(made_at)
    ElementTree.register_namespace("", _KML)
    root = ElementTree.Element(f"{{{_KML}}}kml")
    document = ElementTree.SubElement(root, f"{{{_KML}}}Document")
    _text(document, "name", f"When to leave: {clean(result.plan.name, _NAME_LETTERS)}")
    _text(document, "open", "1")
    made = f"Made {made_at.strftime('%Y-%m-%d %H:%M')} by leaveby."
    _describe(document, f"{caution_words(result)} {day_line(result)} {every_road_shut_words(result)} {made}")
    _styles(document)
    _places(document, result)
    _ways_out(document, result)
    _triggers(document, result)
    _fire(document, result)
    _shut_streets(document, result)
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _places(document: ElementTree.Element, result: HouseholdResult) -> None:
    folder = _folder(document, "Home, safe points and places of last resort", "The places that the plan names.")
    home = Point(result.plan.home.lon_deg, result.plan.home.lat_deg)
    _placemark(folder, "Home", "Where the plan starts from.", style="home", geometry=home)
    for point in result.plan.safe_points:
        style = "last-resort" if point.kind == "place_of_last_resort" else "safe-point"
        position = Point(point.lon_deg, point.lat_deg)
        _placemark(folder, clean(point.name, _NAME_LETTERS), safe_point_line(point), style=style, geometry=position)


def _ways_out(document: ElementTree.Element, result: HouseholdResult) -> None:
    change = _to_wgs84(result.network.crs)
    shown = [(way, way.route) for way in shown_ways(result)]
    without = [f"{way_name(way)}: {way_line(result, way)}" for way, route in shown if route is None]
    folder = _folder(document, "Ways out", " ".join(["The road that each way of leaving is timed on.", *without]))
    for way, route in shown:
        if route is None or route.line.is_empty:
            continue
        facts: Facts = {
            "length_m": math.ceil(route.length_m),
            "likely_drive_min": minutes_up(way.drive_s.p50_s),
            "latest_start_iso": iso_minute(result, way.latest_start_s),
            "latest_departure_iso": iso_minute(result, way.latest_departure_s),
            "shuts_first_iso": iso_minute(result, route.closes_first_s),
        }
        style = f"way-{way.way}" if way.way in WAY_COLOURS else "way-car"
        _placemark(folder, way_name(way), way_line(result, way), style=style, geometry=change(route.line), facts=facts)


def _triggers(document: ElementTree.Element, result: HouseholdResult) -> None:
    lines = [line for line in shown_triggers(result) if not line.area.is_empty]
    if not lines:
        return
    change = _to_wgs84(result.terrain.grid.crs)
    folder = _folder(document, "Trigger lines", "Where the fire may be at the latest when getting ready starts.")
    for line in lines:
        title = WAY_TITLES.get(line.way, clean(line.way))
        facts: Facts = {
            "confidence_share": line.confidence,
            "lead_time_min": minutes_up(line.ready_s),
            "weather_at_iso": iso_minute(result, line.weather_at_s),
        }
        _placemark(
            folder,
            f"Trigger line: {title} ({percent_words(line.confidence)})",
            trigger_line(result, line),
            style=f"trigger-{line.way}" if line.way in WAY_COLOURS else "trigger-car",
            geometry=change(line.area),
            facts=facts,
        )


def _fire(document: ElementTree.Element, result: HouseholdResult) -> None:
    change = _to_wgs84(result.terrain.grid.crs)
    folder = _folder(document, "The fire", "One computed fire, the middle run: a real one can be faster, or elsewhere.")
    starts = zip(result.plan.ignitions, ignition_points(result), strict=True)
    for ignition, (name, positions) in starts:
        at = ignition.at.astimezone(result.start.tzinfo)
        if len(positions) == 1:
            where: BaseGeometry = Point(positions[0])
        else:
            where = Polygon(positions) if ignition.ring else LineString(positions)
        _placemark(
            folder,
            f"Fire starts: {clean(name, _NAME_LETTERS)}",
            f"Burns from {at.strftime('%H:%M')} in the computed day.",
            style="ignition",
            geometry=change(where),
            facts={"burns_from_iso": at.isoformat(timespec="minutes")},
        )
    for area in isochrones(result, most=_FRONTS):
        if area.area.is_empty:
            continue
        facts: Facts = {
            "reached_at_iso": iso_minute(result, area.at_s),
            "reached_after_start_min": minutes_down(area.at_s),
        }
        name = f"Fire front at {clock_words(result, area.at_s, step_min=1)}"
        _placemark(folder, name, front_line(result, area), style="front", geometry=change(area.area), facts=facts)


def _shut_streets(document: ElementTree.Element, result: HouseholdResult) -> None:
    """Stretches of the same street that shut in the same minute stand together; both directions are one line."""
    network = result.network
    stretches: dict[tuple[float, str], list[LineString]] = {}
    for edge in np.flatnonzero(np.isfinite(result.closing_s)).tolist():
        twin = int(network.twin[edge])
        if 0 <= twin < edge and result.closing_s[twin] <= result.closing_s[edge]:
            continue
        # the whole minute of the clock, as it is written
        minute_s = 60.0 * minutes_between(result, floor_clock(clock(result, float(result.closing_s[edge])), 1))
        name = street_words(street(network, edge), _NAME_LETTERS)
        stretches.setdefault((minute_s, name), []).append(network.geometry[edge])
    if not stretches:
        return
    change = _to_wgs84(network.crs)
    folder = _folder(document, "Streets that shut", "In the order in which they shut in the middle run, or earlier.")
    for (at_s, name), lines in sorted(stretches.items(), key=lambda item: item[0]):
        facts: Facts = {"shuts_at_iso": iso_minute(result, at_s), "shuts_after_start_min": minutes_down(at_s)}
        geometry = change(shapely.MultiLineString(lines) if len(lines) > 1 else lines[0])
        words = f"Shuts from {clock_words(result, at_s)}: {name}"
        _placemark(folder, words, shut_line(result, at_s), style="shut", geometry=geometry, facts=facts)


def _styles(document: ElementTree.Element) -> None:
    for identity, colour in (
        ("home", INK),
        ("safe-point", WAY_COLOURS["foot"]),
        ("last-resort", INK),
    ):
        icon = _part(_style(document, identity), "IconStyle")
        _text(icon, "color", _kml_colour(colour))
    for way, colour in WAY_COLOURS.items():
        _line_style(document, f"way-{way}", colour, width=5.0)
        _line_style(document, f"trigger-{way}", colour, width=3.0)
    ignition = _style(document, "ignition")
    _text(_part(ignition, "IconStyle"), "color", _kml_colour(FIRE))
    _outline(ignition, FIRE, width=4.0)
    _line_style(document, "front", FIRE, width=1.5)
    _line_style(document, "shut", _SHUT_COLOUR, width=3.0)


def _line_style(document: ElementTree.Element, identity: str, colour: str, *, width: float) -> None:
    _outline(_style(document, identity), colour, width=width)


def _outline(style: ElementTree.Element, colour: str, *, width: float) -> None:
    line = _part(style, "LineStyle")
    _text(line, "color", _kml_colour(colour))
    _text(line, "width", f"{width:g}")
    # The ground stays to be seen under a line that means its edge.
    _text(_part(style, "PolyStyle"), "fill", "0")


def _style(document: ElementTree.Element, identity: str) -> ElementTree.Element:
    return ElementTree.SubElement(document, f"{{{_KML}}}Style", {"id": identity})


def _kml_colour(colour: str) -> str:
    """Turn #rrggbb into KML's aabbggrr.

    Examples
    --------
    >>> _kml_colour("#0b3c8c")
    'ff8c3c0b'
    """
    return f"ff{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _folder(document: ElementTree.Element, name: str, description: str) -> ElementTree.Element:
    folder = _part(document, "Folder")
    _text(folder, "name", name)
    _describe(folder, description)
    return folder


def _placemark(
    folder: ElementTree.Element,
    name: str,
    description: str,
    *,
    style: str,
    geometry: BaseGeometry,
    facts: Facts | None = None,
) -> None:
    placemark = _part(folder, "Placemark")
    _text(placemark, "name", name)
    # A balloon shows this placemark's words and none of the document's.
    _describe(placemark, f"{description} {OVERRIDE}")
    _text(placemark, "styleUrl", f"#{style}")
    told = {key: value for key, value in (facts or {}).items() if value is not None}
    if told:
        extended = _part(placemark, "ExtendedData")
        for key, value in told.items():
            data = ElementTree.SubElement(extended, f"{{{_KML}}}Data", {"name": key})
            _text(data, "value", value if isinstance(value, str) else f"{value:g}" if value < 1e5 else f"{value:.0f}")
    _shape(placemark, geometry)


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
        _ring(_part(polygon, "outerBoundaryIs"), turned.exterior)
        for hole in turned.interiors:
            _ring(_part(polygon, "innerBoundaryIs"), hole)
    elif isinstance(geometry, LineString):
        line = _part(parent, "LineString")
        _text(line, "tessellate", "1")
        _text(line, "coordinates", _coordinates(geometry))
    else:
        _text(_part(parent, "Point"), "coordinates", _coordinates(geometry))


def _ring(boundary: ElementTree.Element, ring: BaseGeometry) -> None:
    _text(_part(boundary, "LinearRing"), "coordinates", _coordinates(ring))


def _coordinates(geometry: BaseGeometry) -> str:
    return " ".join(f"{lon_deg:.7f},{lat_deg:.7f}" for lon_deg, lat_deg in shapely.get_coordinates(geometry))


def _to_wgs84(crs: str) -> Change:
    change = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)

    def changed(geometry: BaseGeometry) -> BaseGeometry:
        turned: BaseGeometry = shapely.transform(
            geometry, lambda points: np.column_stack(change.transform(points[:, 0], points[:, 1]))
        )
        return turned

    return changed


def _part(parent: ElementTree.Element, name: str) -> ElementTree.Element:
    return ElementTree.SubElement(parent, f"{{{_KML}}}{name}")


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    _part(parent, name).text = text


def _describe(parent: ElementTree.Element, text: str) -> None:
    _text(parent, "description", html.escape(text, quote=False))
