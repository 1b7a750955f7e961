"""The map of an answer, drawn from the terrain and the road extract alone: nothing is fetched.

Everything is drawn in the terrain grid's reference system, north up.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import shapely
import shapely.affinity
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.path import Path
from numpy.typing import NDArray
from shapely.geometry import LineString, box
from shapely.geometry.base import BaseGeometry

from leaveby.caution import OSM_NOTICE
from leaveby.decision.result import HouseholdResult, WayRoute
from leaveby.fire.terrain import Grid
from leaveby.roads.itinerary import compass_words, street
from leaveby.show.figure import INK, WAY_COLOURS, WAY_DASHES, blank_figure, figure_style, finite
from leaveby.show.ground import (
    ShutStreet,
    arrival_s,
    clock_steps,
    edge_line,
    hill_shade,
    ignition_points,
    shown_triggers,
    shut_streets,
    to_grid,
)
from leaveby.show.wording import WAY_TITLES, clean, clock_words, distance_words, shown_ways, street_words

_FIRE: Final = "#8a1c00"
_ROUTE: Final = "#111111"
_LAND: Final = LinearSegmentedColormap.from_list("land", ["#c9c6bd", "#fbfaf6"])
_MAIN_CLASSES: Final = ("motorway", "trunk", "primary", "secondary", "tertiary")
_BADGES: Final = 5
_MAX_PIXELS: Final = 260
_STREET_NAMES: Final = 16
_HOUSE: Final = Path(
    [(-0.8, -0.8), (0.8, -0.8), (0.8, 0.15), (0.0, 1.0), (-0.8, 0.15), (-0.8, -0.8)],
    [Path.MOVETO, *[Path.LINETO] * 4, Path.CLOSEPOLY],
)
_HOME_LOOK: Final[Mapping[str, Any]] = {
    "marker": _HOUSE,
    "markersize": 10,
    "color": INK,
    "markeredgecolor": "white",
    "linestyle": "none",
}
_SAFE_LOOK: Final[Mapping[str, Any]] = {
    "marker": "o",
    "markersize": 9,
    "color": "white",
    "markeredgecolor": "#00614f",
    "markeredgewidth": 3,
    "linestyle": "none",
}
_LAST_RESORT_LOOK: Final[Mapping[str, Any]] = {
    "marker": "s",
    "markersize": 8,
    "color": "white",
    "markeredgecolor": INK,
    "markeredgewidth": 1.6,
    "linestyle": "none",
}
_IGNITION_LOOK: Final[Mapping[str, Any]] = {
    "marker": "*",
    "markersize": 13,
    "color": _FIRE,
    "markeredgecolor": "white",
    "linestyle": "none",
}
_ROUTE_LOOKS: Final = (("-", 3.2), ((0, (3, 1)), 2.4), ((0, (1, 1)), 2.4))
_HALO: Final[list[patheffects.AbstractPathEffect]] = [patheffects.withStroke(linewidth=2.2, foreground="white")]


def plan_map(result: HouseholdResult, *, width_mm: float = 186.0, height_mm: float = 96.0) -> Figure:
    """Draw where the fire comes from, which way out, what shuts first, and where it is too late to start.

    Parameters
    ----------
    result : HouseholdResult
    width_mm, height_mm : float
        Printed size, above 0.

    Returns
    -------
    Figure
    """
    with figure_style():
        figure = blank_figure(width_mm, height_mm)
        axes, side = figure.subplots(1, 2, width_ratios=(3.1, 1.0))
        side.set_axis_off()
        window = _window(result, aspect=(width_mm * 0.74) / (height_mm * 0.93))
        west, south, east, north = window
        axes.set_xlim(west, east)
        axes.set_ylim(south, north)
        axes.set_aspect("equal")
        axes.set_xticks([])
        axes.set_yticks([])
        _draw_land(axes, result, window)
        times = _draw_fire(axes, result, window)
        _draw_streets(axes, result, window)
        taken: list[BaseGeometry] = []
        _draw_triggers(axes, result, window)
        ends = _draw_routes(axes, result)
        _draw_places(axes, result, window, taken=taken)
        badges = _draw_badges(axes, result, window, taken=taken)
        _name_triggers(axes, result, window, taken=taken)
        _draw_street_names(axes, result, window, taken=taken)
        _draw_scale(axes, window)
        _draw_side(side, result, badges=badges, ends=ends, times=times)
        axes.text(
            0.995,
            0.006,
            OSM_NOTICE,
            transform=axes.transAxes,
            ha="right",
            va="bottom",
            fontsize=5.5,
            color=INK,
            path_effects=_HALO,
            zorder=20,
        )
    return figure


def _window(result: HouseholdResult, *, aspect: float) -> tuple[float, float, float, float]:
    """Crop to home, routes, their ends and the ignitions, and widen to the picture's shape."""
    points = [np.array([result.home_xy_m])]
    for way in shown_ways(result):
        if way.route is not None:
            points.append(shapely.get_coordinates(to_grid(result, way.route.line)))
    points.extend(positions for _, positions in ignition_points(result))
    together = np.vstack(points)
    west, south = together.min(axis=0)
    east, north = together.max(axis=0)
    pad = 0.09 * max(east - west, north - south, 600.0)
    west, south, east, north = west - pad, south - pad, east + pad, north + pad
    width, height = east - west, north - south
    if width / height < aspect:
        extra = (height * aspect - width) / 2.0
        west, east = west - extra, east + extra
    else:
        extra = (width / aspect - height) / 2.0
        south, north = south - extra, north + extra
    return float(west), float(south), float(east), float(north)


def _cut(grid: Grid, window: tuple[float, float, float, float]) -> tuple[slice, slice]:
    west, south, east, north = window
    top = max(0, int((grid.y_max_m - north) // grid.cell_m) - 1)
    bottom = min(grid.rows, int((grid.y_max_m - south) // grid.cell_m) + 2)
    left = max(0, int((west - grid.x_min_m) // grid.cell_m) - 1)
    right = min(grid.cols, int((east - grid.x_min_m) // grid.cell_m) + 2)
    return slice(top, max(bottom, top + 2)), slice(left, max(right, left + 2))


def _draw_land(axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float]) -> None:
    grid = result.terrain.grid
    rows, cols = _cut(grid, window)
    part = result.terrain.elevation_m[rows, cols]
    shade = hill_shade(part, grid.cell_m)
    thin = max(1, math.ceil(max(shade.shape) / _MAX_PIXELS))
    axes.set_facecolor("#f3f2ee")
    axes.imshow(
        shade[::thin, ::thin],
        cmap=_LAND,
        vmin=0.1,
        vmax=0.95,
        extent=_extent(grid, rows, cols),
        interpolation="bilinear",
        zorder=0,
    )
    axes.set_xlim(window[0], window[2])
    axes.set_ylim(window[1], window[3])


def _extent(grid: Grid, rows: slice, cols: slice) -> tuple[float, float, float, float]:
    return (
        grid.x_min_m + cols.start * grid.cell_m,
        grid.x_min_m + cols.stop * grid.cell_m,
        grid.y_max_m - rows.stop * grid.cell_m,
        grid.y_max_m - rows.start * grid.cell_m,
    )


def _draw_fire(axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float]) -> tuple[float, ...]:
    """Isochrones with clock times, over what the window shows."""
    grid = result.terrain.grid
    rows, cols = _cut(grid, window)
    part = arrival_s(result)[rows, cols]
    last_s = _last_that_matters(result)
    times = clock_steps(result, np.where(part <= last_s, part, np.inf), most=7)
    if not times:
        return ()
    last_s = float(part[np.isfinite(part)].max())
    # Just past the last arrival, so that lines close around ground that does not burn and stay where the cells end.
    level = np.where(np.isfinite(part), part, last_s + 60.0)
    west, east, south, north = _extent(grid, rows, cols)
    x_m = np.linspace(west + grid.cell_m / 2.0, east - grid.cell_m / 2.0, part.shape[1])
    y_m = np.linspace(north - grid.cell_m / 2.0, south + grid.cell_m / 2.0, part.shape[0])
    axes.contourf(x_m, y_m, level, levels=[-1e18, times[-1]], colors=["#d9804f"], alpha=0.16, zorder=1)
    lines = axes.contour(x_m, y_m, level, levels=list(times), colors=_FIRE, linewidths=0.8, zorder=3)
    labels = axes.clabel(
        lines, fontsize=6.5, inline_spacing=1, fmt={at_s: clock_words(result, at_s, step_min=1) for at_s in times}
    )
    for label in labels:
        label.set_path_effects(_HALO)
        label.set_zorder(9)
    return times


def _last_that_matters(result: HouseholdResult) -> float:
    """Later isochrones say nothing about leaving: an hour after the fire is at the home and the ways out are shut."""
    times = finite(result.fire.home_p50_s)
    for way in shown_ways(result):
        times += finite(way.latest_departure_s)
        if way.route is not None:
            times += finite(*(float(result.closing_s[edge]) for edge in way.route.edges))
    return max(times, default=math.inf) + 3600.0


def _draw_streets(axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float]) -> None:
    network = result.network
    frame = box(*window)
    big: list[NDArray[np.float64]] = []
    small: list[NDArray[np.float64]] = []
    for edge in range(network.edge_count):
        if 0 <= network.twin[edge] < edge:
            continue
        line = edge_line(result, edge)
        if line.is_empty or not line.intersects(frame):
            continue
        main = network.highway[edge].startswith(_MAIN_CLASSES)
        (big if main else small).append(np.asarray(line.coords)[:, :2])
    for lines, width in ((small, 0.8), (big, 1.5)):
        axes.add_collection(LineCollection(lines, colors="white", linewidths=width + 1.2, zorder=4), autolim=False)
        axes.add_collection(LineCollection(lines, colors="#6f6f6f", linewidths=width, zorder=4.1), autolim=False)


def _draw_triggers(axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float]) -> None:
    frame = box(*window)
    for line in shown_triggers(result):
        colour = WAY_COLOURS.get(line.way, INK)
        edge = line.area.boundary.intersection(frame.buffer(-1e-6 * (window[2] - window[0])))
        for part in _lines_of(edge):
            x_m, y_m = np.asarray(part.coords).T[:2]
            axes.plot(x_m, y_m, color="white", linewidth=3.2, alpha=0.8, zorder=5)
            axes.plot(x_m, y_m, color=colour, linewidth=1.7, linestyle=WAY_DASHES.get(line.way, "-"), zorder=5.1)


def _name_triggers(
    axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float], *, taken: list[BaseGeometry]
) -> None:
    frame = box(*window)
    scale = _metres_per_point(axes, window)
    for line in shown_triggers(result):
        text = {"tow": "towing: fire inside, too late", "car": "car: fire inside, too late"}.get(line.way, line.way)
        for part in sorted(_lines_of(line.area.boundary.intersection(frame)), key=lambda part: -part.length):
            colour = WAY_COLOURS.get(line.way, INK)
            if _write_along(axes, text, part, size=6.2, off=1.0, scale=scale, frame=frame, taken=taken, colour=colour):
                break


def _lines_of(geometry: BaseGeometry) -> list[LineString]:
    if isinstance(geometry, LineString):
        return [] if geometry.is_empty else [geometry]
    if hasattr(geometry, "geoms"):
        return [line for part in geometry.geoms for line in _lines_of(part)]
    return []


def _same_route(one: WayRoute, other: WayRoute) -> bool:
    return one.edges == other.edges and one.safe_point == other.safe_point


def _draw_routes(axes: Axes, result: HouseholdResult) -> list[tuple[tuple[str, ...], str]]:
    """Each different route once, in its own dashes; returns which ways share it and where it ends."""
    drawn: list[tuple[list[str], WayRoute]] = []
    for way in shown_ways(result):
        if way.route is None or way.route.line.is_empty:
            continue
        for names, route in drawn:
            if _same_route(route, way.route):
                names.append(way.way)
                break
        else:
            drawn.append(([way.way], way.route))
    ends = []
    for number, (names, route) in enumerate(drawn):
        x_m, y_m = shapely.get_coordinates(to_grid(result, route.line)).T
        dashes, width = _ROUTE_LOOKS[min(number, len(_ROUTE_LOOKS) - 1)]
        axes.plot(x_m, y_m, color="white", linewidth=width + 2.4, zorder=6 - number * 0.1, solid_capstyle="round")
        axes.plot(x_m, y_m, color=_ROUTE, linewidth=width, linestyle=dashes, zorder=6.5 - number * 0.1)
        ends.append((tuple(names), route.safe_point))
    return ends


def _metres_per_point(axes: Axes, window: tuple[float, float, float, float]) -> float:
    """Ground length of a printed point, before the layout is known: a little too long, so that labels keep apart."""
    figure = axes.figure
    width_in = float(figure.get_figure(root=True).get_size_inches()[0])
    return (window[2] - window[0]) / (width_in * 72.0 * 0.72)


def _label_box(
    x_m: float, y_m: float, text: str, *, size: float, scale: float, angle_deg: float = 0.0, anchor: str = "center"
) -> BaseGeometry:
    """Ground that a label covers; DejaVu's letters are on average 0.6 of their size wide."""
    width = len(text) * size * 0.6 * scale
    height = size * 1.25 * scale
    left = {"center": -width / 2.0, "left": 0.0, "right": -width}[anchor]
    area = box(x_m + left, y_m - height / 2.0, x_m + left + width, y_m + height / 2.0)
    return shapely.affinity.rotate(area, angle_deg, origin=(x_m, y_m))


def _write_beside(
    axes: Axes,
    text: str,
    *,
    at_m: tuple[float, float],
    window: tuple[float, float, float, float],
    taken: list[BaseGeometry],
    size: float = 7.0,
    weight: str = "bold",
    colour: str = INK,
) -> None:
    """Write beside a symbol, on the first of eight sides where nothing stands and the frame does not cut it."""
    scale = _metres_per_point(axes, window)
    frame = box(*window)
    gap = 7.5 * scale
    x_m, y_m = at_m
    sides = (
        (gap, 0.0, "left"),
        (-gap, 0.0, "right"),
        (0.0, gap * 1.3, "center"),
        (0.0, -gap * 1.3, "center"),
        (gap * 0.8, gap, "left"),
        (gap * 0.8, -gap, "left"),
        (-gap * 0.8, gap, "right"),
        (-gap * 0.8, -gap, "right"),
    )
    best, least = sides[0], math.inf
    for side in sides:
        area = _label_box(x_m + side[0], y_m + side[1], text, size=size, scale=scale, anchor=side[2])
        cost = sum(float(area.intersection(other).area) for other in taken) + 4.0 * float(area.difference(frame).area)
        if cost < least - 1e-9:
            best, least = side, cost
    taken.append(_label_box(x_m + best[0], y_m + best[1], text, size=size, scale=scale, anchor=best[2]))
    axes.text(
        x_m + best[0],
        y_m + best[1],
        text,
        ha=best[2],
        va="center",
        fontsize=size,
        fontweight=weight,
        color=colour,
        path_effects=_HALO,
        zorder=15,
        clip_on=True,
    )


def _draw_places(
    axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float], *, taken: list[BaseGeometry]
) -> None:
    frame = box(*window)
    scale = _metres_per_point(axes, window)
    labels: list[tuple[str, tuple[float, float], str]] = [("Home", result.home_xy_m, INK)]
    axes.plot(*result.home_xy_m, **_HOME_LOOK, zorder=14)
    for point in result.plan.safe_points:
        place = result.safe_point_xy_m.get(point.name)
        if place is None or not frame.covers(shapely.Point(place)):
            continue
        last = point.kind == "place_of_last_resort"
        axes.plot(*place, **(_LAST_RESORT_LOOK if last else _SAFE_LOOK), zorder=13)
        labels.append((clean(point.name, 30), place, INK))
    for ignition, (name, positions) in zip(result.plan.ignitions, ignition_points(result), strict=True):
        if len(positions) == 1:
            axes.plot(*positions[0], **_IGNITION_LOOK, zorder=13)
        elif ignition.ring:
            axes.add_patch(Polygon(positions, closed=True, facecolor="none", edgecolor=_FIRE, linewidth=2, zorder=12))
        else:
            axes.plot(*positions.T, color=_FIRE, linewidth=2.4, zorder=12)
        middle = positions.mean(axis=0)
        at = ignition.at.astimezone(result.start.tzinfo).strftime("%H:%M")
        labels.append((f"{clean(name, 30)}, {at}", (float(middle[0]), float(middle[1])), _FIRE))
    taken.extend(shapely.Point(place).buffer(6.0 * scale) for _, place, _ in labels)
    for text, place, colour in labels:
        _write_beside(axes, text, at_m=place, window=window, taken=taken, colour=colour)


def _draw_badges(
    axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float], *, taken: list[BaseGeometry]
) -> tuple[ShutStreet, ...]:
    """Numbers on the streets of the first route, in the order in which they shut."""
    route = next((way.route for way in shown_ways(result) if way.route is not None), None)
    if route is None:
        return ()
    scale = _metres_per_point(axes, window)
    shown = shut_streets(result, route)[:_BADGES]
    for number, shut in enumerate(shown, start=1):
        axes.plot(*shut.where_m, marker="o", markersize=9, color="white", markeredgecolor=INK, zorder=16)
        axes.text(
            *shut.where_m, str(number), ha="center", va="center_baseline", fontsize=6.5, fontweight="bold", zorder=17
        )
        taken.append(shapely.Point(shut.where_m).buffer(6.0 * scale))
    return shown


def _draw_street_names(
    axes: Axes, result: HouseholdResult, window: tuple[float, float, float, float], *, taken: list[BaseGeometry]
) -> None:
    """Names along the streets of the routes first, then along the longest streets, where there is room."""
    network = result.network
    frame = box(*window)
    scale = _metres_per_point(axes, window)
    lines: dict[str, list[LineString]] = {}
    for edge in range(network.edge_count):
        if (network.name[edge] or network.ref[edge]) and not 0 <= network.twin[edge] < edge:
            line = edge_line(result, edge)
            if line.intersects(frame):
                lines.setdefault(street(network, edge), []).append(line)
    on_route = {
        street(network, edge) for way in shown_ways(result) if way.route is not None for edge in way.route.edges
    }
    order = sorted(lines, key=lambda name: (name not in on_route, -sum(line.length for line in lines[name]), name))
    written = 0
    for name in order:
        if written >= _STREET_NAMES:
            break
        text = clean(name, 28)
        merged = shapely.line_merge(shapely.unary_union(lines[name]).intersection(frame))
        parts = sorted(_lines_of(merged), key=lambda line: -line.length)
        size, off = (6.5, 1.15) if name in on_route else (5.6, 0.85)
        if parts and _write_along(axes, text, parts[0], size=size, off=off, scale=scale, frame=frame, taken=taken):
            written += 1


def _write_along(
    axes: Axes,
    text: str,
    line: LineString,
    *,
    size: float,
    off: float,
    scale: float,
    frame: BaseGeometry,
    taken: list[BaseGeometry],
    colour: str = INK,
) -> bool:
    """Write a text along a line where there is room, `off` letter heights beside it; say whether there was."""
    half = len(text) * size * 0.6 * scale / 2.0
    if line.length < 1.3 * half:
        return False
    for share in (0.5, 0.35, 0.65, 0.22, 0.78):
        middle = share * line.length
        start = line.interpolate(max(0.0, middle - half))
        end = line.interpolate(min(line.length, middle + half))
        if start.distance(end) < 0.85 * 2.0 * half:
            continue  # The line bends too much here to carry straight words.
        angle_deg = math.degrees(math.atan2(end.y - start.y, end.x - start.x))
        angle_deg = (angle_deg + 90.0) % 180.0 - 90.0
        at = line.interpolate(middle)
        # Above the line, so that the line itself stays readable.
        turn = math.radians(angle_deg + 90.0)
        x_m, y_m = at.x + math.cos(turn) * size * off * scale, at.y + math.sin(turn) * size * off * scale
        area = _label_box(x_m, y_m, text, size=size, scale=scale, angle_deg=angle_deg)
        if not frame.covers(area) or any(area.intersects(other) for other in taken):
            continue
        axes.text(
            x_m,
            y_m,
            text,
            rotation=angle_deg,
            ha="center",
            va="center",
            fontsize=size,
            color=colour,
            path_effects=_HALO,
            zorder=8,
            clip_on=True,
        )
        taken.append(area)
        return True
    return False


def _draw_scale(axes: Axes, window: tuple[float, float, float, float]) -> None:
    """A scale bar of a round length and an arrow to grid north."""
    west, south, east, north = window
    span = east - west
    length = 10.0 ** math.floor(math.log10(span * 0.3))
    length *= next(factor for factor in (5.0, 2.0, 1.0) if length * factor <= span * 0.3)
    x_m, y_m = west + 0.03 * span, south + 0.05 * (north - south)
    tick = 0.012 * (north - south)
    axes.plot(
        [x_m, x_m, x_m + length, x_m + length],
        [y_m + tick, y_m, y_m, y_m + tick],
        color=INK,
        linewidth=1.4,
        zorder=20,
        path_effects=_HALO,
    )
    axes.text(
        x_m + length / 2.0,
        y_m + tick,
        distance_words(length).replace(".0 km", " km"),
        ha="center",
        va="bottom",
        fontsize=6.5,
        path_effects=_HALO,
        zorder=20,
    )
    axes.annotate(
        "N",
        xy=(0.035, 0.975),
        xytext=(0.035, 0.885),
        xycoords="axes fraction",
        textcoords="axes fraction",
        ha="center",
        va="center",
        fontsize=8,
        fontweight="bold",
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.2},
        path_effects=_HALO,
        zorder=20,
    )


def _draw_side(
    axes: Axes,
    result: HouseholdResult,
    *,
    badges: Sequence[ShutStreet],
    ends: Sequence[tuple[tuple[str, ...], str]],
    times: Sequence[float],
) -> None:
    """The legend beside the map, and what shuts first."""
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(1.0, 0.0)
    pen = _Pen(axes)
    pen.head("What you see")
    pen.row("Home", marker=_HOME_LOOK)
    for number, (names, safe_point) in enumerate(ends):
        dashes, width = _ROUTE_LOOKS[min(number, len(_ROUTE_LOOKS) - 1)]
        whom = " and ".join({"tow": "towing", "car": "car", "foot": "foot"}.get(name, name) for name in names)
        pen.row(
            f"Way out ({whom}) to {clean(safe_point, 34)}",
            line={"color": _ROUTE, "linewidth": width, "linestyle": dashes},
        )
    kinds = {point.kind for point in result.plan.safe_points if point.name in result.safe_point_xy_m}
    if "safe_point" in kinds:
        pen.row("Safe point of your plan", marker=_SAFE_LOOK)
    if "place_of_last_resort" in kinds:
        pen.row("Place of last resort", marker=_LAST_RESORT_LOOK)
    pen.row("Where the fire starts", marker=_IGNITION_LOOK)
    if times:
        pen.row("Fire front at the time written on it", line={"color": _FIRE, "linewidth": 0.9})
    for trigger in shown_triggers(result):
        words = {"tow": "tow", "car": "go by car", "foot": "go on foot"}.get(trigger.way, trigger.way)
        pen.row(
            f"Trigger line: fire inside it is too near to start to {words}",
            line={
                "color": WAY_COLOURS.get(trigger.way, INK),
                "linewidth": 1.8,
                "linestyle": WAY_DASHES.get(trigger.way, "-"),
            },
        )
    if badges:
        pen.head("Shuts in this order")
        for number, street in enumerate(badges, start=1):
            pen.row(f"{clock_words(result, street.at_s, step_min=1)} {street_words(street.street, 40)}", badge=number)
    else:
        pen.head("No street of the way out was computed to shut; a road may still shut at any time.")


class _Pen:
    """Writes rows of a legend downwards."""

    def __init__(self, axes: Axes) -> None:
        self.axes = axes
        self.y = 0.0
        height_in = float(axes.figure.get_figure(root=True).get_size_inches()[1])
        self.line = 7.0 * 1.3 / (height_in * 72.0 * 0.93)
        width_in = float(axes.figure.get_figure(root=True).get_size_inches()[0])
        self.letters = max(12, int(width_in * 72.0 * 0.235 * 0.80 / (6.6 * 0.55)))

    def head(self, text: str) -> None:
        """A heading."""
        if self.y > 0.0:
            self.y += 0.6 * self.line
        for part in textwrap.wrap(text, self.letters + 3):
            self.axes.text(0.0, self.y, part, va="top", fontsize=7.0, fontweight="bold")
            self.y += self.line
        self.y += 0.3 * self.line

    def row(
        self,
        text: str,
        *,
        marker: Mapping[str, Any] | None = None,
        line: Mapping[str, Any] | None = None,
        badge: int | None = None,
    ) -> None:
        """A symbol and what it means."""
        middle = self.y + 0.45 * self.line
        if marker is not None:
            self.axes.plot(0.08, middle, **marker)
        if line is not None:
            self.axes.plot([0.0, 0.16], [middle, middle], **line)
        if badge is not None:
            self.axes.plot(0.08, middle, marker="o", markersize=9, color="white", markeredgecolor=INK)
            self.axes.text(0.08, middle, str(badge), ha="center", va="center_baseline", fontsize=6.5, fontweight="bold")
        for part in textwrap.wrap(text, self.letters, break_long_words=True):
            self.axes.text(0.21, self.y, part, va="top", fontsize=6.6)
            self.y += self.line
        self.y += 0.35 * self.line


def describe_map(result: HouseholdResult) -> str:
    """Say what the map shows: where the fire starts, the routes, what shuts in which order, the trigger distances."""
    parts = ["Map of your home, the ways out and the fire of this scenario, north up."]
    home = np.array(result.home_xy_m)
    for name, positions in ignition_points(result):
        offset = positions - home
        nearest = offset[int(np.argmin(np.hypot(offset[:, 0], offset[:, 1])))]
        parts.append(
            f"{clean(name)} starts {distance_words(float(np.hypot(*nearest)))} to the "
            f"{compass_words(math.degrees(math.atan2(nearest[0], nearest[1])))} of your home."
        )
    for way in shown_ways(result):
        if way.route is None:
            parts.append(f"{WAY_TITLES.get(way.way, way.way)}: no route.")
            continue
        shut = [
            f"{street_words(street.street)} at {clock_words(result, street.at_s, step_min=1)}"
            for street in shut_streets(result, way.route)[:_BADGES]
        ]
        shuts = f"; shuts in this order: {', '.join(shut)}" if shut else "; no closing was computed on it"
        parts.append(
            f"{WAY_TITLES.get(way.way, way.way)}: {distance_words(way.route.length_m)} to "
            f"{clean(way.route.safe_point, 60)}{shuts}."
        )
    for line in shown_triggers(result):
        near = [(bearing, at_m) for bearing, at_m in line.distance_m if math.isfinite(at_m)]
        if near:
            bearing_deg, at_m = max(near, key=lambda item: item[1])
            parts.append(
                f"Trigger line ({WAY_TITLES.get(line.way, line.way)}): reaches farthest from your home to the "
                f"{compass_words(bearing_deg)}, {distance_words(at_m)}."
            )
    return " ".join(parts)
