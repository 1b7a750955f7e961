"""The layers of the maps about roads: drive times for one vehicle, and the streets that have one way out.

Plain data in WGS 84, with the same numbers as the tables beside it and the same colours as the streets' page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiLineString

from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.fire.terrain import Grid
from leaveby.notebook import road_words
from leaveby.notebook.drives import DriveAnswer, RoadArea
from leaveby.notebook.live.ground import (
    Layer,
    LiveSheet,
    Look,
    Mark,
    Picture,
    Shape,
    hills,
    lon_lat,
    look_of,
    to_wgs84,
    window_around,
)
from leaveby.notebook.live.layers import CASING, TOUCHED, class_words, touched, written
from leaveby.roads.routing.itinerary import street
from leaveby.show.figure import GREY, INK
from leaveby.show.streets.map import MOST_LABELS, describe_streets_map, map_title
from leaveby.show.streets.scene import called, streets_scene
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import clean, duration_words, map_notice, street_words

Heights = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

BAND_LOOKS: Final = (
    Look("#0d2b6b", 3.6),
    Look("#00614f", 3.4, "24 5.4"),
    Look("#8a5a00", 3.4, "10.8 4.7"),
    Look("#a3300f", 3.4, "4.4 3.7"),
    Look("#6b2a75", 2.9, "14.3 4 2.9 4"),
)
"""Each band of drive time; the dashes carry it in black and white."""

UNREACHED: Final = Look("#a0a0a0", 1.2)
QUICKEST_COLOUR: Final = "#ffe08a"
_CELLS: Final = 320

CLOSED: Final = Look(INK, 13.0, "2 6")
"""Rungs across what the vehicle can't use."""


def road_sheet(area: RoadArea, answer: DriveAnswer, *, picture: Picture | None = None) -> LiveSheet:
    """What the map of the roads round a home shows for one vehicle, over a picture of the hills."""
    network = area.network
    points = [np.array([area.home_xy_m, *(end.xy_m for end in area.ends)])]
    ways = [drive.route for drive in answer.drives if drive.route is not None and drive.route.edges]
    points += [shapely.get_coordinates(network.geometry[list(way.edges)]) for way in ways]
    return LiveSheet(
        title=f"Map of the roads round your home for {road_words.vehicle_words(answer)}",
        picture=picture,
        layers=(_quickest(area, answer), _closed(area, answer), *_bands(area, answer), _ends(area, answer)),
        window_deg=window_around(np.vstack(points), network.crs),
        measures=answer.measures,
        described=road_words.describe_roads(area, answer),
        notice=map_notice(network),
    )


def _lines(area: RoadArea, edges: Sequence[int]) -> Any:
    return MultiLineString(list(to_wgs84(area.network.geometry[list(edges)], area.network.crs)))


def _quickest(area: RoadArea, answer: DriveAnswer) -> Layer:
    name = "Quickest way to each safe point"
    look = Look(QUICKEST_COLOUR, 11.0)
    shapes: list[Shape] = []
    for drive in answer.drives:
        if drive.route is not None and drive.route.edges:
            told = (f"Quickest way to {clean(drive.end.name, 60)}", road_words.ours_words(answer, drive))
            line = _lines(area, drive.route.edges)
            shapes += [Shape(line, told, Look(INK, 13.5), "under"), Shape(line, told, look, "under")]
    # All dark edges first, so that ways that part leave no line across each other.
    return Layer(name, (*shapes[::2], *shapes[1::2]), meanings=((look, name),) if shapes else ())


def _closed(area: RoadArea, answer: DriveAnswer) -> Layer:
    shapes, marks, meanings = [], [], []
    for stretch in answer.closed:
        told = (street_words(stretch.street), f"Shut to this vehicle: {stretch.reason}")
        line = _lines(area, stretch.edges)
        shapes += [Shape(line, told, CLOSED, "under"), Shape(line, told, TOUCHED, "touch")]
    for number, stretch in road_words.numbered(answer.closed):
        longest = max(area.network.geometry[list(stretch.edges)], key=lambda part: part.length)
        at = longest.interpolate(0.5, normalized=True)
        marks.append(Mark(*lon_lat(at.x, at.y, area.network.crs), "number", str(number)))
        meanings.append((str(number), f"{street_words(stretch.street, 40)}: {stretch.reason}"))
    first: tuple[tuple[Look | str, str], ...] = ((CLOSED, "Shut to this vehicle, by number"),) if shapes else ()
    return Layer("Shut to this vehicle", tuple(shapes), tuple(marks), (*first, *meanings))


def _bands(area: RoadArea, answer: DriveAnswer) -> list[Layer]:
    ends = road_words.drive_bands(answer)
    looks = [*BAND_LOOKS[: len(ends)], UNREACHED]
    words = [f"{road_words.band_words(ends, number)} from home" for number in range(len(ends))]
    words.append("Could be used, but no way leads there")
    layers = []
    for edges, look, text in zip(road_words.edges_by_band(area, answer), looks, words, strict=True):
        if not edges:
            continue
        lines = _lines(area, edges)
        shapes = [Shape(lines, (), Look(CASING, look.width_px + 2.0, opacity=0.8)), Shape(lines, (), look)]
        layers.append(Layer(text, (*shapes, *_touched(area, answer, edges)), meanings=((look, text),)))
    return layers


def _touched(area: RoadArea, answer: DriveAnswer, edges: Sequence[int]) -> list[Shape]:
    network = area.network
    edges = [edge for edge in edges if network.way_id[edge] != 0]
    words = []
    for edge in edges:
        twin = int(network.twin[edge])
        at_s = min(float(answer.reached_s[one]) for one in (edge, twin) if one >= 0)
        reached = f"Reached in {duration_words(at_s)} from home" if np.isfinite(at_s) else "No way leads there"
        words.append((street_words(street(network, edge), 80), class_words(network.highway[edge]), reached))
    return touched(to_wgs84(network.geometry[edges], network.crs), words)


def _ends(area: RoadArea, answer: DriveAnswer) -> Layer:
    crs = area.network.crs
    words = {drive.end.name: road_words.ours_words(answer, drive) for drive in answer.drives}
    marks = [Mark(*lon_lat(*place, crs), "last_resort", clean(name, 30)) for name, place in area.last_resorts]
    for end in area.ends:
        told = f"{clean(end.name, 30)}: {words[end.name]}" if end.name in words else clean(end.name, 30)
        marks.append(Mark(*lon_lat(*end.xy_m, crs), "safe_point", told))
    marks.append(Mark(*lon_lat(*area.home_xy_m, crs), "home", "Home"))
    signs: list[tuple[Look | str, str]] = [("home", "Home"), ("safe_point", "Safe point of your plan")]
    if area.last_resorts:
        signs.append(("last_resort", "Place of last resort"))
    return Layer("Home and safe points", (), tuple(marks), tuple(signs))


def survey_sheet(answer: StreetSurvey, *, heights: Heights | None = None) -> LiveSheet:
    """What the map of single exits shows; `heights` gives the elevation at x_m and y_m, for the hills under it."""
    homes, streets, scene = answer.homes, answer.streets, streets_scene(answer)
    around = np.column_stack([homes.x_m, homes.y_m])
    exits = answer.found.exits[:200]
    around = np.vstack([around, np.column_stack([streets.x_m[exits], streets.y_m[exits]])])
    return LiveSheet(
        title=map_title(answer),
        measures=answer.measures,
        picture=None if heights is None else _hills_around(around, streets.crs, heights=heights),
        layers=(
            *_street_classes(answer),
            written(scene, ("links",), title="Missing links"),
            written(scene, ("exits",), title="Exits", named=False),
            group_layer(answer, answer.notable),
        ),
        window_deg=window_around(around, streets.crs),
        described=describe_streets_map(answer),
        notice=map_notice(answer),
    )


def _hills_around(places_m: NDArray[np.float64], crs: str, *, heights: Heights) -> Picture:
    """The hills under places and a little beyond, in cells coarse enough for a picture."""
    (west, south), (east, north) = places_m.min(axis=0), places_m.max(axis=0)
    far_m = max(float(east - west), float(north - south), 600.0)
    pad_m = 0.2 * far_m
    cell_m = 1.4 * far_m / _CELLS
    rows = math.ceil((north - south + 2.0 * pad_m) / cell_m)
    cols = math.ceil((east - west + 2.0 * pad_m) / cell_m)
    grid = Grid(float(west) - pad_m, float(north) + pad_m, cell_m, max(rows, 2), max(cols, 2), crs)
    y_m, x_m = np.mgrid[0 : grid.rows, 0 : grid.cols]
    return hills(grid, heights(grid.x_min_m + (x_m + 0.5) * cell_m, grid.y_max_m - (y_m + 0.5) * cell_m))


def _street_classes(answer: StreetSurvey) -> list[Layer]:
    """Streets by the homes that have to pass them: the darker and broader, the more."""
    streets, found = answer.streets, answer.found
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    must = streets.driven & (behind > 0.0)
    lines = to_wgs84(streets.geometry, streets.crs)
    layers = [_class_layer(answer, lines, streets.driven & ~must, "Other streets", look=Look(GREY, 1.8))]
    for least, most in ((0, 10), (10, 30), (30, 100), (100, np.inf)):
        kind = f"single_exit_{least}"
        look = look_of(kind, width_px=2.4 * SYMBOLS[kind].width_pt)
        rows = must & (behind >= least) & (behind < most)
        layers.append(_class_layer(answer, lines, rows, SYMBOLS[kind].words, look=look))
    return [layer for layer in layers if layer.shapes]


def _class_layer(answer: StreetSurvey, lines: Any, which: NDArray[np.bool_], name: str, *, look: Look) -> Layer:
    streets, found, rows = answer.streets, answer.found, np.flatnonzero(which)
    if not rows.size:
        return Layer(name)
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    told = []
    for row in rows.tolist():
        title = street_words(streets.name[row].replace("|", " / "), 80)
        kind = class_words(streets.highway[row])
        homes = f"{behind[row]:g} homes have to pass it" if behind[row] > 0.0 else "Nobody has only this way out"
        own = (f"Only for those who live there: {streets.reason[row]}",) if streets.reason[row] else ()
        told.append((title, kind, homes, *own))
    seen = MultiLineString(list(lines[rows]))
    drawn = (Shape(seen, (), Look(CASING, look.width_px + 2.0)), Shape(seen, (), look))
    return Layer(name, (*drawn, *touched(lines[rows], told)), meanings=((look, name),))


def group_layer(answer: StreetSurvey, groups: Sequence[StreetGroup]) -> Layer:
    """The numbers of the first of some groups, the same as in the table."""
    marks, meanings = [], []
    for group in groups[:MOST_LABELS]:
        place = lon_lat(group.x_m, group.y_m, answer.streets.crs)
        marks.append(Mark(*place, "number", str(group.number)))
        meanings.append((str(group.number), f"{street_words(called(group), 80)}: {group.homes:g} homes"))
    return Layer("Groups behind a single exit", (), tuple(marks), tuple(meanings[:10]))
