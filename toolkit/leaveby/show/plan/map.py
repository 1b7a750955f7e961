"""The map of an answer, drawn from the terrain and the road extract alone: nothing is fetched.

Everything is drawn in the terrain grid's reference system, north up.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from leaveby.decision.lines.landmarks import short_words
from leaveby.decision.ways.result import HouseholdResult, TriggerLine, WayRoute
from leaveby.fire.terrain import Grid
from leaveby.roads.routing.itinerary import compass_words, street
from leaveby.show import wording
from leaveby.show.figure import INK, WAY_COLOURS, blank_figure, figure_style, finite
from leaveby.show.ground import (
    clock_steps,
    edge_lines,
    hill_shade,
    ignition_points,
    shown_triggers,
    shut_streets,
    to_grid,
    trigger_edge,
)
from leaveby.show.map_labels import HALO, Sheet, draw_places, draw_scale, lines_of, name_streets, widened, write_foot
from leaveby.show.map_words import trigger_words
from leaveby.show.scene import MAIN_CLASSES, household_scene
from leaveby.show.symbols import SYMBOLS, line_look, way_symbol
from leaveby.show.templates import sentences

_LAND: Final = LinearSegmentedColormap.from_list("land", ["#c9c6bd", "#fbfaf6"])
_PALE_LAND: Final = LinearSegmentedColormap.from_list("pale land", ["#dedede", "#ffffff"])
_BADGES: Final = 5
_MAX_PIXELS: Final = 260
_STREET_NAMES: Final = 16
_ROUTE_LOOKS: Final = (("-", 3.2), ((0, (3, 1)), 2.4), ((0, (1, 1)), 2.4))
_RULE_LOOKS: Final[dict[str, Any]] = {"go": (0, (5, 2)), "late": (0, (1, 1.2))}
_LEAST_LINE_MM: Final = 40.0
"""Shorter pieces of a rule's line, at a corner of the map, are left out."""

_RULE_WORDS: Final = {"go": "go", "late": "too late"}
_WHOM: Final = {"tow": "house", "car": "we", "foot": "we"}


def plan_map(result: HouseholdResult, *, width_mm: float = 186.0, height_mm: float = 128.0) -> Figure:
    """Draw where the fire comes from, which way out, what shuts first, and where fire is too near to start."""
    with figure_style():
        figure = blank_figure(width_mm, height_mm)
        sheet = _laid_out(figure, result, [positions for _, positions in ignition_points(result)])
        _draw_fire(sheet, result)
        _draw_triggers(sheet, result)
        _draw_routes(sheet, result)
        _draw_badges(sheet, result)
        draw_places(sheet, household_scene(result, only=("home", "safe_points", "ignitions")))
        _name_triggers(sheet, result)
        _draw_names(sheet, result)
    return figure


def sheet_map(result: HouseholdResult, *, width_mm: float, height_mm: float) -> Figure:
    """Draw the ways out, numbered, and the lines of the rules, in black alone: what holds for any fire."""
    with figure_style():
        figure = blank_figure(width_mm, height_mm, foot="")
        sheet = _laid_out(figure, result, [np.array([place]) for place in result.safe_point_xy_m.values()], plain=True)
        _draw_routes(sheet, result)
        for number, (_, route) in enumerate(drawn_routes(result), start=1):
            _badge(sheet, number, to_grid(result, route.line), away_from=[result.home_xy_m])
        draw_places(sheet, household_scene(result, only=("home", "safe_points")))
        landmarks = {
            found[0] for rule in result.rules.drawn for found in map(short_words, rule.landmarks) if found is not None
        }
        _draw_names(sheet, result, first=landmarks, most=len(landmarks))
        for rule in result.rules.drawn:
            for kind, line in (("go", rule.go), ("late", rule.late)):
                _draw_rule_line(sheet, result, line, kind)
        _draw_names(sheet, result, but=landmarks)
    return figure


def _draw_rule_line(sheet: Sheet, result: HouseholdResult, line: TriggerLine, kind: str) -> None:
    """Draw a line of a rule where it can be labelled: nobody could tell what another one means."""
    cell_m = result.rules.grid.cell_m
    # Out of the steps of the cells: never nearer to the home than it was worked out.
    smooth = shapely.get_parts(line.area.buffer(cell_m).simplify(cell_m / 2.0))
    outer = replace(line, area=MultiPolygon(smooth.tolist()))
    for part in lines_of(trigger_edge(result, outer, sheet.frame)):
        long_enough = part.length >= _LEAST_LINE_MM * 72.0 / 25.4 * sheet.m_per_pt
        if long_enough and sheet.write_along(
            f"{_RULE_WORDS[kind]}: {_WHOM[line.way]}", part, size=9.0, off=0.0, weight="bold"
        ):
            x_m, y_m = np.asarray(part.coords).T[:2]
            sheet.axes.plot(x_m, y_m, color="white", linewidth=3.4, zorder=5)
            sheet.axes.plot(x_m, y_m, color=INK, linewidth=1.7, linestyle=_RULE_LOOKS[kind], zorder=5.1)


def _laid_out(
    figure: Figure, result: HouseholdResult, more: Sequence[NDArray[np.float64]], *, plain: bool = False
) -> Sheet:
    """Begin a map that fills a figure: its ground, streets and scale; the window holds the ways out and more points."""
    width_in, height_in = (float(side) for side in figure.get_size_inches())
    window = _window(result, more, aspect=width_in / height_in)
    west, south, east, north = window
    axes = figure.add_subplot()
    axes.set(xlim=(west, east), ylim=(south, north), aspect="equal", xticks=[], yticks=[])
    shown = min(1.0, height_in * (east - west) / (north - south) / width_in)
    sheet = Sheet(axes, window=window, width_pt=width_in * 72.0 * shown * 0.93, plain=plain)
    _draw_land(sheet, result)
    _draw_streets(sheet, result)
    draw_scale(sheet, result.plan.measures)
    write_foot(sheet, wording.map_notice(result.network, short=True), size=sheet.size(5.5))
    return sheet


def _window(
    result: HouseholdResult, more: Sequence[NDArray[np.float64]], *, aspect: float
) -> tuple[float, float, float, float]:
    """Crop to home, routes, their ends and more points, and widen to the picture's shape."""
    points = [np.array([result.home_xy_m]), *more]
    for way in wording.shown_ways(result):
        if way.route is not None:
            points.append(shapely.get_coordinates(to_grid(result, way.route.line)))
    together = np.vstack(points)
    low, high = together.min(axis=0), together.max(axis=0)
    pad = 0.09 * max(*(high - low), 600.0)
    return widened(low - pad, high + pad, aspect=aspect)


def _cut(grid: Grid, window: tuple[float, float, float, float]) -> tuple[slice, slice]:
    west, south, east, north = window
    top = max(0, int((grid.y_max_m - north) // grid.cell_m) - 1)
    bottom = min(grid.rows, int((grid.y_max_m - south) // grid.cell_m) + 2)
    left = max(0, int((west - grid.x_min_m) // grid.cell_m) - 1)
    right = min(grid.cols, int((east - grid.x_min_m) // grid.cell_m) + 2)
    return slice(top, max(bottom, top + 2)), slice(left, max(right, left + 2))


def _draw_land(sheet: Sheet, result: HouseholdResult) -> None:
    axes, window = sheet.axes, sheet.window
    grid = result.terrain.grid
    rows, cols = _cut(grid, window)
    part = result.terrain.elevation_m[rows, cols]
    shade = hill_shade(part, grid.cell_m)
    thin = max(1, math.ceil(max(shade.shape) / _MAX_PIXELS))
    axes.set_facecolor("white" if sheet.plain else "#f3f2ee")
    axes.imshow(
        shade[::thin, ::thin],
        cmap=_PALE_LAND if sheet.plain else _LAND,
        vmin=0.1,
        vmax=0.95,
        extent=_extent(grid, rows, cols),
        interpolation="bilinear",
        zorder=0,
    )
    axes.set(xlim=window[::2], ylim=window[1::2])


def _extent(grid: Grid, rows: slice, cols: slice) -> tuple[float, float, float, float]:
    return (
        grid.x_min_m + cols.start * grid.cell_m,
        grid.x_min_m + cols.stop * grid.cell_m,
        grid.y_max_m - rows.stop * grid.cell_m,
        grid.y_max_m - rows.start * grid.cell_m,
    )


def _draw_fire(sheet: Sheet, result: HouseholdResult) -> None:
    """Isochrones with clock times, over what the window shows."""
    if result.fire is None:
        return
    axes, window = sheet.axes, sheet.window
    grid = result.terrain.grid
    rows, cols = _cut(grid, window)
    part = result.fire.arrival.time_s[rows, cols]
    last_s = last_that_matters_s(result)
    times = clock_steps(result, np.where(part <= last_s, part, np.inf), most=7)
    if not times:
        return
    # Lines end where ground does not burn: they would crowd along its edge.
    level = np.ma.masked_invalid(part)
    west, east, south, north = _extent(grid, rows, cols)
    x_m = np.linspace(west + grid.cell_m / 2.0, east - grid.cell_m / 2.0, part.shape[1])
    y_m = np.linspace(north - grid.cell_m / 2.0, south + grid.cell_m / 2.0, part.shape[0])
    axes.contourf(x_m, y_m, level, levels=[-1e18, times[-1]], colors=["#d9804f"], alpha=0.16, zorder=1)
    lines = axes.contour(x_m, y_m, level, levels=list(times), colors=SYMBOLS["front"].colour, linewidths=0.8, zorder=3)
    labels = axes.clabel(
        lines,
        fontsize=6.5,
        inline_spacing=1,
        fmt={at_s: wording.clock_words(result, at_s, step_min=1) for at_s in times},
    )
    for label in labels:
        place = label.get_position()
        if not sheet.holds(label.get_text(), *place, size=6.5, angle_deg=float(label.get_rotation())):
            label.remove()  # Half a clock time would be read as another one.
            continue
        label.set_path_effects(HALO)
        label.set_zorder(9)


def last_that_matters_s(result: HouseholdResult) -> float:
    """Later isochrones say nothing about leaving: an hour after the fire is at the home and the ways out are shut."""
    times = [] if result.fire is None else finite(result.fire.home_p50_s)
    for way in wording.shown_ways(result):
        times += finite(way.latest_departure_s)
        if way.route is not None:
            times += finite(*(float(result.closing_s[edge]) for edge in way.route.edges))
    return max(times, default=math.inf) + 3600.0


def _seen_streets(sheet: Sheet, result: HouseholdResult) -> list[tuple[int, LineString]]:
    """The stretches of road on the map, both directions as one."""
    twin, lines = result.network.twin, edge_lines(result.network, result.terrain.grid.crs)
    seen = ((twin < 0) | (twin >= np.arange(twin.size))) & ~shapely.is_empty(lines)
    return [(edge, lines[edge]) for edge in np.flatnonzero(seen & shapely.intersects(lines, sheet.frame)).tolist()]


def _draw_streets(sheet: Sheet, result: HouseholdResult) -> None:
    """Draw small roads, then main ones, and broader."""
    highway, seen = result.network.highway, _seen_streets(sheet, result)
    for main, width in ((False, 0.8), (True, 1.5)):
        lines = [
            np.asarray(line.coords)[:, :2] for edge, line in seen if highway[edge].startswith(MAIN_CLASSES) is main
        ]
        for colour, wider, above in (("white", 1.2, 4), ("#6f6f6f", 0.0, 4.1)):
            look: dict[str, Any] = {"colors": colour, "linewidths": width + wider, "zorder": above}
            sheet.axes.add_collection(LineCollection(lines, **look), autolim=False)


def _draw_triggers(sheet: Sheet, result: HouseholdResult) -> None:
    for line in shown_triggers(result):
        for part in lines_of(trigger_edge(result, line, sheet.frame)):
            x_m, y_m = np.asarray(part.coords).T[:2]
            sheet.axes.plot(x_m, y_m, color="white", linewidth=3.2, alpha=0.8, zorder=5)
            sheet.axes.plot(x_m, y_m, **line_look(way_symbol("trigger", line.way)), zorder=5.1)


def _name_triggers(sheet: Sheet, result: HouseholdResult) -> None:
    for line in shown_triggers(result):
        whom = wording.ways_words((line.way,))
        text = f"{whom}: {wording.INSIDE_WORDS.get(line.way, 'fire inside')}"
        colour = WAY_COLOURS.get(line.way, INK)
        for part in lines_of(trigger_edge(result, line, sheet.frame)):
            if sheet.write_along(text, part, size=6.2, off=1.0, colour=colour):
                break


def drawn_routes(result: HouseholdResult) -> tuple[tuple[tuple[str, ...], WayRoute], ...]:
    """Each different route once, with the ways of leaving that share it."""
    return tuple((names, route) for names, route in wording.shared_routes(result) if not route.line.is_empty)


def _draw_routes(sheet: Sheet, result: HouseholdResult) -> None:
    """Each different route once, in its own dashes."""
    for number, (_, route) in enumerate(drawn_routes(result)):
        x_m, y_m = shapely.get_coordinates(to_grid(result, route.line)).T
        dashes, width = _ROUTE_LOOKS[min(number, len(_ROUTE_LOOKS) - 1)]
        sheet.axes.plot(x_m, y_m, color="white", linewidth=width + 2.4, zorder=6 - number * 0.1, solid_capstyle="round")
        sheet.axes.plot(x_m, y_m, color=INK, linewidth=width, linestyle=dashes, zorder=6.5 - number * 0.1)


def _draw_badges(sheet: Sheet, result: HouseholdResult) -> None:
    """Numbers on the streets of the first route, in the order in which they shut, where there is room."""
    route = next((way.route for way in wording.shown_ways(result) if way.route is not None), None)
    busy = [result.home_xy_m, *result.safe_point_xy_m.values()]
    shut = shut_streets(result, route)[:_BADGES] if route is not None and result.fire is not None else ()
    for number, street_shut in enumerate(shut, start=1):
        busy += _badge(sheet, number, street_shut.line, away_from=busy)


def _badge(
    sheet: Sheet, number: int, line: BaseGeometry, *, away_from: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Set a number on a line, where there is room for it; gives where."""
    along = [line.interpolate(share, normalized=True) for share in (0.5, 0.75, 0.25, 0.95, 0.05)]
    places = [(float(point.x), float(point.y)) for point in along if sheet.frame.covers(point)]
    size = sheet.size(6.5)
    free = [at for at in places if all(math.dist(at, other) > 1.9 * size * sheet.m_per_pt for other in away_from)]
    for at in free[:1]:
        sheet.take(*at, radius_pt=0.95 * size)
        sheet.axes.plot(*at, marker="o", markersize=1.4 * size, color="white", markeredgecolor=INK, zorder=16)
        look: dict[str, Any] = {"ha": "center", "va": "center_baseline", "fontsize": size, "fontweight": "bold"}
        sheet.axes.text(*at, str(number), zorder=17, **look)
    return free[:1]


def _draw_names(
    sheet: Sheet,
    result: HouseholdResult,
    *,
    first: Collection[str] = (),
    but: Collection[str] = (),
    most: int = _STREET_NAMES,
) -> None:
    """Names along the streets that come first, or of the routes, then along the longest, where there is room."""
    network = result.network
    lines: dict[str, list[LineString]] = {}
    for edge, line in _seen_streets(sheet, result):
        if (network.name[edge] or network.ref[edge]) and street(network, edge) not in but:
            lines.setdefault(street(network, edge), []).append(line)
    routes = [way.route for way in wording.shown_ways(result) if way.route is not None]
    ahead = first or {street(network, edge) for route in routes for edge in route.edges}
    name_streets(sheet, lines, most=most, first=ahead)


def map_sentences(result: HouseholdResult) -> list[str]:
    """Say what the map shows: where the fire starts, the routes, what shuts in which order, the lines of the rules."""
    starts = []
    for name, positions in ignition_points(result):
        offset = positions - np.array(result.home_xy_m)
        east_m, north_m = offset[int(np.argmin(np.hypot(offset[:, 0], offset[:, 1])))]
        bearing_deg = math.degrees(math.atan2(east_m, north_m))
        starts.append((name, float(np.hypot(east_m, north_m)), compass_words(bearing_deg)))
    return sentences(
        "show/plan/map.txt.j2",
        result=result,
        starts=starts,
        badges=_BADGES,
        triggers=shown_triggers(result),
        trigger_words=lambda line: trigger_words(result, line, box(*result.terrain.grid.bounds_m))[1],
        shut_streets=shut_streets,
        compass_words=compass_words,
    )


def describe_map(result: HouseholdResult) -> str:
    """Say what the map shows, as its text alternative."""
    return " ".join(map_sentences(result))
