"""Writes an answer: record, page, map layers, rasters, map file, route, timetable, reminders; printed when asked for.

Every file is first written whole in a temporary folder inside the chosen one; only when all are there are they moved to
their names, so that no half-written file is left behind and an earlier answer stays until the new one is complete.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

import geopandas
import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.crs import CRS
from rasterio.transform import Affine
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HouseholdResult
from leaveby.files.write.layers import write_geopackage
from leaveby.files.write.map_file import plan_kml
from leaveby.files.write.printed import find_browser, print_page
from leaveby.files.write.reminders import reminders_ics
from leaveby.files.write.whole import write_whole
from leaveby.fire.terrain import Grid
from leaveby.show.ground import arrival_s, ignition_points, isochrones
from leaveby.show.map_words import caution_words, safe_point_line, way_line, way_name
from leaveby.show.plan.page import plan_page
from leaveby.show.plan.record import record_text, result_record
from leaveby.show.wording import clean, iso_minute, map_notice, minutes_down, minutes_up, shown_ways

NODATA: Final = -9999.0
"""Stands where the fire does not come within the horizon."""

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")
_GPX: Final = "http://www.topografix.com/GPX/1/1"
_XSI: Final = "http://www.w3.org/2001/XMLSchema-instance"


def write_result(
    result: HouseholdResult, out_dir: Path, *, made_at: datetime, pdf: bool = False, browser: Path | None = None
) -> dict[str, Path]:
    """Write an answer's files under a folder, all or none.

    Parameters
    ----------
    result : HouseholdResult
    out_dir : Path
        Made when it is not there. Files of the same names are replaced.
    made_at : datetime
        With UTC offset; stands in the record, the page and the layers.
    pdf : bool
        Whether to print the page as `plan.pdf` too. When not, a `plan.pdf` that is there is taken away.
    browser : Path, optional
        What to print with; as for `leaveby.files.write.printed.find_browser`.

    Returns
    -------
    dict of file name to Path
        `result.json`, `plan.html`, `layers.gpkg`, `arrival.tif`, `lead_time.tif` (where a way has a lead time),
        `plan.kml`, `route.gpx`, `timetable.csv`, `reminders.ics`, `plan.pdf` (when asked for).

    Raises
    ------
    InputError
        If the folder can't be made or written, `made_at` has no offset, or there is nothing to print with.
    """
    if pdf:
        find_browser(browser)
    record = result_record(result, made_at=made_at)
    page = plan_page(result, made_at=made_at)
    writers: dict[str, Any] = {
        "result.json": lambda path: path.write_text(record_text(record), encoding="utf-8"),
        "plan.html": lambda path: path.write_text(page, encoding="utf-8"),
        "layers.gpkg": lambda path: write_layers(result, path, made_at=made_at),
        "arrival.tif": lambda path: write_arrival(result, path),
        "plan.kml": lambda path: path.write_bytes(plan_kml(result, made_at=made_at)),
        "route.gpx": lambda path: path.write_bytes(route_gpx(result, made_at=made_at)),
        "timetable.csv": lambda path: path.write_text(timetable_csv(result), encoding="utf-8", newline=""),
        "reminders.ics": lambda path: path.write_bytes(reminders_ics(result, made_at=made_at)),
    }
    if result.lead_time_s:
        writers["lead_time.tif"] = lambda path: write_lead_time(result, path)
    if pdf:
        writers["plan.pdf"] = lambda path: print_page(page, path, browser=browser)
    # An older one beside the new answer would be read as belonging to it.
    stale = {"lead_time.tif", "plan.pdf"} - writers.keys()
    return write_whole(writers, out_dir, stale=sorted(stale))


def write_arrival(result: HouseholdResult, path: Path) -> None:
    """Write the fire arrival time of the central run: one band, minutes from the scenario's start."""
    _write_grid(
        path,
        result.terrain.grid,
        [("fire arrival time, central run", arrival_s(result))],
        tags={"scenario_start": result.start.isoformat(timespec="seconds"), "zero": "scenario_start"},
    )


def write_lead_time(result: HouseholdResult, path: Path) -> None:
    """Write the lead-time map: one band per way of leaving, minutes by which one must be rolling for a fire there."""
    bands = [
        (f"lead time for leaving, way: {name}", result.lead_time_s[name])
        for name in ("tow", "car", "foot")
        if name in result.lead_time_s
    ]
    bands += [
        (f"lead time for leaving, way: {name}", values)
        for name, values in result.lead_time_s.items()
        if name not in ("tow", "car", "foot")
    ]
    _write_grid(
        path,
        result.terrain.grid,
        bands,
        tags={"zero": "the moment when the fire is at the cell", "meaning": "minutes left to clear the route"},
    )


def _write_grid(
    path: Path, grid: Grid, bands: Sequence[tuple[str, NDArray[np.float64]]], *, tags: Mapping[str, str]
) -> None:
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": len(bands),
        "height": grid.rows,
        "width": grid.cols,
        "crs": CRS.from_user_input(grid.crs),
        "transform": Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m),
        "nodata": NODATA,
        "compress": "deflate",
        "tiled": False,
    }
    with rasterio.open(path, "w", **profile) as raster:
        for number, (description, values_s) in enumerate(bands, start=1):
            minutes = np.asarray(values_s, dtype=np.float64) / 60.0
            kept = np.isfinite(minutes)
            # Towards minus infinity, so that no cell gains seconds by the narrower number.
            narrow = np.where(kept, minutes, NODATA).astype(np.float32)
            high = kept & (narrow.astype(np.float64) > minutes)
            narrow = np.where(high, np.nextafter(narrow, np.float32(-np.inf)), narrow)
            raster.write(narrow, number)
            raster.set_band_description(number, description)
            raster.update_tags(number, units="minutes", nodata_means="not within the hours that were computed")
            raster.set_band_unit(number, "min")
        raster.update_tags(OVERRIDE=OVERRIDE, PLANNING_AID=PLANNING_AID, units="minutes", **tags)


def write_layers(result: HouseholdResult, path: Path, *, made_at: datetime) -> None:
    """Write the GeoPackage: plain columns, units in their names, the override statement in each layer's metadata."""
    notes = {"OVERRIDE": OVERRIDE, "PLANNING_AID": PLANNING_AID}
    if map_notice(result.network):
        notes["NOTICE"] = map_notice(result.network)
    write_geopackage(layers(result), path, notes=notes, made_at=made_at)


def layers(result: HouseholdResult) -> dict[str, geopandas.GeoDataFrame]:
    """Lay out the map layers as tables, one for each kind of thing; a kind of which there is none is left out.

    `home`, `safe_points`, `ignitions`, `routes`, `streets`, `isochrones`, `triggers`, `which_way`.

    Times stand twice: as ISO 8601 text with offset, and in minutes from the scenario's start; empty where a time is not
    within the horizon.
    """
    crs = result.network.crs
    grid_crs = result.terrain.grid.crs
    tables: dict[str, tuple[list[dict[str, Any]], str]] = {
        "home": ([{"name": clean(result.plan.name), "geometry": Point(result.home_xy_m)}], crs),
        "safe_points": (_safe_point_rows(result), crs),
        "ignitions": (_ignition_rows(result), grid_crs),
        "routes": (_route_rows(result), crs),
        "streets": (_street_rows(result), crs),
        "isochrones": (
            [{**_moment(result, "reached", area.at_s), "geometry": area.area} for area in isochrones(result, most=16)],
            grid_crs,
        ),
        "triggers": (_trigger_rows(result), grid_crs),
        "which_way": (_which_way_rows(result), grid_crs),
    }
    return {
        name: geopandas.GeoDataFrame(rows, geometry="geometry", crs=layer_crs)
        for name, (rows, layer_crs) in tables.items()
        if rows
    }


def _moment(result: HouseholdResult, name: str, time_s: float) -> dict[str, Any]:
    return {f"{name}_at_iso": iso_minute(result, time_s), f"{name}_after_start_min": minutes_down(time_s)}


def _safe_point_rows(result: HouseholdResult) -> list[dict[str, Any]]:
    return [
        {
            "name": clean(point.name),
            "kind": point.kind,
            "ways": ", ".join(point.ways),
            "geometry": Point(result.safe_point_xy_m[point.name]),
        }
        for point in result.plan.safe_points
        if point.name in result.safe_point_xy_m
    ]


def _ignition_rows(result: HouseholdResult) -> list[dict[str, Any]]:
    rows = []
    for ignition, (name, positions) in zip(result.plan.ignitions, ignition_points(result), strict=True):
        if len(positions) == 1:
            geometry: BaseGeometry = Point(positions[0])
        elif ignition.ring:
            geometry = Polygon(positions)
        else:
            geometry = LineString(positions)
        rows.append(
            {
                "name": clean(name),
                "burns_from_iso": ignition.at.astimezone(result.start.tzinfo).isoformat(timespec="minutes"),
                "geometry": geometry,
            }
        )
    return rows


def _route_rows(result: HouseholdResult) -> list[dict[str, Any]]:
    rows = []
    for way in shown_ways(result):
        if way.route is None:
            continue
        rows.append(
            {
                "way": way.way,
                "safe_point": clean(way.route.safe_point),
                "length_m": float(way.route.length_m),
                "likely_drive_min": minutes_up(way.drive_s.p50_s),
                "latest_start_iso": iso_minute(result, way.latest_start_s),
                "latest_departure_iso": iso_minute(result, way.latest_departure_s),
                "shuts_first_street": clean(way.route.closes_first),
                **_moment(result, "shuts_first", way.route.closes_first_s),
                "geometry": way.route.line,
            }
        )
    return rows


def _street_rows(result: HouseholdResult) -> list[dict[str, Any]]:
    network = result.network
    on_route: dict[int, list[str]] = {}
    for way in shown_ways(result):
        for edge in () if way.route is None else way.route.edges:
            on_route.setdefault(edge, []).append(way.way)
    return [
        {
            "edge": edge,
            "osm_way_id": int(network.way_id[edge]),
            "name": clean(network.name[edge]),
            "class": clean(network.highway[edge]),
            "length_m": float(network.length_m[edge]),
            "on_route_of": ", ".join(on_route.get(edge, [])),
            **_moment(result, "shuts", float(result.closing_s[edge])),
            "geometry": network.geometry[edge],
        }
        for edge in range(network.edge_count)
    ]


def _trigger_rows(result: HouseholdResult) -> list[dict[str, Any]]:
    return [
        {
            "way": line.way,
            "confidence_share": float(line.confidence),
            "lead_time_min": minutes_up(line.ready_s),
            "weather_at_iso": iso_minute(result, line.weather_at_s),
            "meaning": "fire inside this area is too near to start getting ready for this way of leaving",
            "geometry": line.area if isinstance(line.area, MultiPolygon) else MultiPolygon([line.area]),
        }
        for line in result.triggers
        if not line.area.is_empty
    ]


def _which_way_rows(result: HouseholdResult) -> list[dict[str, Any]]:
    return [
        {
            "way": way,
            "safe_points": ", ".join(area.safe_points),
            "meaning": area.sentence,
            "geometry": area.area,
        }
        for way, areas in result.which_way.items()
        for area in areas
    ]


def route_gpx(result: HouseholdResult, *, made_at: datetime) -> bytes:
    """Write the routes as GPX 1.1: a waypoint for the home and each safe point, a track for each way of leaving.

    Parameters
    ----------
    result : HouseholdResult
    made_at : datetime
        With UTC offset.

    Returns
    -------
    bytes
        UTF-8, with XML declaration.
    """
    change = Transformer.from_crs(result.network.crs, "EPSG:4326", always_xy=True)
    ElementTree.register_namespace("", _GPX)
    ElementTree.register_namespace("xsi", _XSI)
    root = ElementTree.Element(
        f"{{{_GPX}}}gpx",
        {
            "version": "1.1",
            "creator": "leaveby",
            f"{{{_XSI}}}schemaLocation": f"{_GPX} {_GPX}/gpx.xsd",
        },
    )
    about = ElementTree.SubElement(root, f"{{{_GPX}}}metadata")
    _text(about, "name", f"Ways out: {clean(result.plan.name, 120)}")
    _text(about, "desc", caution_words(result))
    _text(about, "time", made_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"))
    _waypoint(root, result.plan.home.lon_deg, result.plan.home.lat_deg, name="Home", description=OVERRIDE)
    for point in result.plan.safe_points:
        words = f"{safe_point_line(point)} {OVERRIDE}"
        _waypoint(root, point.lon_deg, point.lat_deg, name=clean(point.name, 120), description=words)
    for way in shown_ways(result):
        if way.route is None or way.route.line.is_empty:
            continue
        track = ElementTree.SubElement(root, f"{{{_GPX}}}trk")
        _text(track, "name", way_name(way))
        _text(track, "desc", f"{OVERRIDE} {way_line(result, way)}")
        segment = ElementTree.SubElement(track, f"{{{_GPX}}}trkseg")
        x_m, y_m = shapely.get_coordinates(way.route.line).T
        for lon_deg, lat_deg in zip(*change.transform(x_m, y_m), strict=True):
            ElementTree.SubElement(
                segment, f"{{{_GPX}}}trkpt", {"lat": _degrees(float(lat_deg)), "lon": _degrees(float(lon_deg))}
            )
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _waypoint(root: ElementTree.Element, lon_deg: float, lat_deg: float, *, name: str, description: str) -> None:
    point = ElementTree.SubElement(root, f"{{{_GPX}}}wpt", {"lat": _degrees(lat_deg), "lon": _degrees(lon_deg)})
    _text(point, "name", name)
    _text(point, "desc", description)


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    ElementTree.SubElement(parent, f"{{{_GPX}}}{name}").text = text


def _degrees(angle_deg: float) -> str:
    return f"{angle_deg:.7f}"


def timetable_csv(result: HouseholdResult) -> str:
    """Write the timetable as CSV, the override statement first: moment, minutes from the start, kind, sentence.

    A cell that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(["at_iso", "after_start_min", "kind", "sentence"])
    writer.writerow(["", "", "override", OVERRIDE])
    for row in result.timetable:
        moment = _moment(result, "row", row.at_s)
        minutes = moment["row_after_start_min"]
        writer.writerow(
            [
                moment["row_at_iso"] or "",
                "" if minutes is None else f"{math.floor(minutes)}",
                plain_cell(row.kind),
                plain_cell(row.sentence),
            ]
        )
    return stream.getvalue()


def plain_cell(text: str) -> str:
    """Make a text that no spreadsheet reads as a formula.

    Examples
    --------
    >>> plain_cell("=1+1"), plain_cell("  @sum"), plain_cell("from 13:05")
    ("'=1+1", "'@sum", 'from 13:05')
    """
    line = clean(text)
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line
