"""The map of the roads round a home: drive times for one vehicle, the ways to the safe points, what it can't use."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from shapely.geometry import LineString

from leaveby.notebook.drives import FREE_ROADS, ClosedStretch, Drive, DriveAnswer, RoadArea
from leaveby.notebook.road_tables import numbered, ours_words, vehicle_words
from leaveby.roads.routing.itinerary import Route, street
from leaveby.show.figure import INK, blank_figure, figure_style
from leaveby.show.ground import hill_shade
from leaveby.show.map_labels import HALO, Sheet, draw_scale, lines_of
from leaveby.show.map_legend import HOME_LOOK, LAST_RESORT_LOOK, SAFE_LOOK
from leaveby.show.wording import clean, distance_words, duration_words, map_notice

BAND_LOOKS: Final[tuple[tuple[str, Any, float], ...]] = (
    ("#0d2b6b", "-", 2.8),
    ("#00614f", (0, (7, 1.6)), 2.6),
    ("#8a5a00", (0, (3.2, 1.4)), 2.6),
    ("#a3300f", (0, (1.3, 1.1)), 2.6),
    ("#6b2a75", (0, (5, 1.4, 1, 1.4)), 2.2),
)
"""Colour, dashes and width of each band of drive time; the dashes carry it in black and white."""

_STEPS_MIN: Final = (1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 240.0, 480.0)
_LAND: Final = LinearSegmentedColormap.from_list("road land", ["#cfcdc6", "#fdfcfa"])
UNREACHED_COLOUR: Final = "#a0a0a0"
QUICKEST_COLOUR: Final = "#ffe08a"
_SHARE: Final = 0.72
_MAX_PIXELS: Final = 240
_NAMES: Final = 14


def drive_bands(answer: DriveAnswer) -> tuple[float, ...]:
    """Upper ends of the bands of drive time in minutes: even steps, five at most, that hold every road reached.

    Roads farther off than twice the slowest way to a safe point share the last band, whose end is inf.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> drive_bands(SimpleNamespace(reached_s=np.array([30.0, 400.0, np.inf]), drives=()))
    (2.0, 4.0, 6.0, 8.0)
    """
    reached = answer.reached_s[np.isfinite(answer.reached_s)] / 60.0
    if not reached.size:
        return ()
    last = float(reached.max())
    slowest = max((drive.route.time_s / 60.0 for drive in answer.drives if drive.route is not None), default=math.inf)
    far = last > 2.0 * slowest
    wanted = 1.25 * slowest if far else last
    bands = 4 if far else 5
    step = next((step for step in _STEPS_MIN if step * bands >= wanted), math.ceil(wanted / bands))
    ends = [step * number for number in range(1, max(1, math.ceil(wanted / step - 1e-9)) + 1)]
    return (*ends, math.inf) if last > ends[-1] else tuple(ends)


def band_words(ends: Sequence[float], number: int) -> str:
    """One band of drive time in words.

    Examples
    --------
    >>> band_words((5.0, 10.0, float("inf")), 1), band_words((5.0, 10.0, float("inf")), 2)
    ('5 to 10 min', 'over 10 min')
    """
    low = ends[number - 1] if number else 0.0
    return f"over {low:g} min" if math.isinf(ends[number]) else f"{low:g} to {ends[number]:g} min"


def edges_by_band(area: RoadArea, answer: DriveAnswer) -> tuple[tuple[int, ...], ...]:
    """Edges of each band, and last those that can be used but not reached; each stretch once, by its sooner direction.

    Returns
    -------
    tuple of tuple of int
        As many as there are bands, and one more.
    """
    ends = np.array(drive_bands(answer))
    network = area.network
    twin = network.twin
    other = np.where(twin >= 0, answer.reached_s[twin], np.inf)
    usable_there = np.where(twin >= 0, answer.travel.usable[twin], False)
    at_min = np.minimum(answer.reached_s, other) / 60.0
    once = (answer.travel.usable | usable_there) & ~((twin >= 0) & (twin < np.arange(network.edge_count)))
    number = np.searchsorted(ends, at_min, side="left") if ends.size else np.zeros(at_min.size, dtype=np.intp)
    number = np.where(np.isfinite(at_min), number, ends.size)
    return tuple(tuple(int(edge) for edge in np.flatnonzero(once & (number == band))) for band in range(ends.size + 1))


def road_map(area: RoadArea, answer: DriveAnswer, *, width_mm: float = 186.0, height_mm: float = 118.0) -> Figure:
    """Draw the roads by drive time from the home, the ways to the safe points, and what the vehicle can't use.

    Parameters
    ----------
    area : RoadArea
    answer : DriveAnswer
    width_mm, height_mm : float
        Printed size, above 0.

    Returns
    -------
    Figure
    """
    with figure_style():
        figure = blank_figure(width_mm, height_mm)
        axes, side = figure.subplots(1, 2, width_ratios=(_SHARE, 1.0 - _SHARE))
        side.set_axis_off()
        window = _window(area, answer, aspect=width_mm * _SHARE / (height_mm * 0.92))
        axes.set_aspect("equal")
        axes.set_xticks([])
        axes.set_yticks([])
        sheet = Sheet(axes, window=window, width_pt=width_mm / 25.4 * 72.0 * _SHARE * 0.95)
        _draw_land(sheet, area)
        axes.set_xlim(window[0], window[2])
        axes.set_ylim(window[1], window[3])
        for drive in answer.drives:
            if drive.route is not None:
                _draw_way(sheet, area, drive.route)
        handles = _draw_roads(sheet, area, answer)
        _draw_closed(sheet, area, answer.closed)
        draw_scale(sheet)
        _draw_places(sheet, area, answer)
        _draw_names(sheet, area, answer)
        side.legend(handles=handles, loc="upper left", frameon=False, fontsize=7.2, borderaxespad=0.0, handlelength=3.2)
        axes.text(
            0.995,
            0.006,
            map_notice(area.network),
            transform=axes.transAxes,
            ha="right",
            va="bottom",
            fontsize=5.5,
            path_effects=HALO,
            zorder=20,
        )
    return figure


def _window(area: RoadArea, answer: DriveAnswer, *, aspect: float) -> tuple[float, float, float, float]:
    """The home, the ends and the ways to them, with some room, in the picture's shape."""
    network = area.network
    points = [np.array([area.home_xy_m, *(end.xy_m for end in area.ends)])]
    for drive in answer.drives:
        for way in (drive.route, drive.car_route):
            if way is not None and way.edges:
                points.append(shapely.get_coordinates(network.geometry[list(way.edges)]))
    together = np.vstack(points)
    west, south = together.min(axis=0)
    east, north = together.max(axis=0)
    pad = 0.1 * max(east - west, north - south, 500.0)
    west, south, east, north = west - pad, south - pad, east + pad, north + pad
    extra = ((north - south) * aspect - (east - west)) / 2.0
    if extra > 0.0:
        west, east = west - extra, east + extra
    else:
        more = ((east - west) / aspect - (north - south)) / 2.0
        south, north = south - more, north + more
    return float(west), float(south), float(east), float(north)


def _draw_land(sheet: Sheet, area: RoadArea) -> None:
    grid = area.terrain.grid
    west, south, east, north = sheet.window
    top = max(0, int((grid.y_max_m - north) // grid.cell_m) - 1)
    bottom = min(grid.rows, int((grid.y_max_m - south) // grid.cell_m) + 2)
    left = max(0, int((west - grid.x_min_m) // grid.cell_m) - 1)
    right = min(grid.cols, int((east - grid.x_min_m) // grid.cell_m) + 2)
    sheet.axes.set_facecolor("#f5f4f0")
    if bottom - top < 2 or right - left < 2:
        return
    shade = hill_shade(area.terrain.elevation_m[top:bottom, left:right], grid.cell_m)
    thin = max(1, math.ceil(max(shade.shape) / _MAX_PIXELS))
    extent = (
        grid.x_min_m + left * grid.cell_m,
        grid.x_min_m + right * grid.cell_m,
        grid.y_max_m - bottom * grid.cell_m,
        grid.y_max_m - top * grid.cell_m,
    )
    sheet.axes.imshow(
        shade[::thin, ::thin], cmap=_LAND, vmin=0.1, vmax=0.95, extent=extent, interpolation="bilinear", zorder=0
    )


def _merged(sheet: Sheet, area: RoadArea, edges: Sequence[int]) -> list[LineString]:
    """Edges inside the map joined into long lines, so that dashes run on over junctions."""
    inside = [line for line in area.network.geometry[list(edges)] if line.intersects(sheet.frame)]
    return lines_of(shapely.line_merge(shapely.union_all(inside))) if inside else []


def _draw_way(sheet: Sheet, area: RoadArea, way: Route) -> None:
    """A pale casing with dark edges under the roads of a way."""
    points = [np.asarray(line.coords)[:, :2] for line in area.network.geometry[list(way.edges)]]
    for width, colour, level in ((7.4, INK, 2.0), (6.0, QUICKEST_COLOUR, 2.1)):
        sheet.axes.add_collection(
            LineCollection(points, colors=colour, linewidths=width, zorder=level, capstyle="round"), autolim=False
        )


def _draw_roads(sheet: Sheet, area: RoadArea, answer: DriveAnswer) -> list[Line2D]:
    ends = drive_bands(answer)
    bands = edges_by_band(area, answer)
    handles = [
        Line2D([], [], **HOME_LOOK, label="Home"),
        Line2D([], [], **SAFE_LOOK, label="Safe point of your plan"),
    ]
    if any(drive.route is not None for drive in answer.drives):
        handles.append(Line2D([], [], color=QUICKEST_COLOUR, linewidth=5.0, label="Quickest way to each safe point"))
    looks = [*BAND_LOOKS[: len(ends)], (UNREACHED_COLOUR, "-", 0.9)]
    words = [f"{band_words(ends, number)} from home" for number in range(len(ends))]
    words.append("Could be used, but no way leads there")
    for edges, (colour, dashes, width), text in zip(bands, looks, words, strict=True):
        lines = [np.asarray(line.coords)[:, :2] for line in _merged(sheet, area, edges)]
        if not lines:
            continue
        sheet.axes.add_collection(
            LineCollection(lines, colors="white", linewidths=width + 1.0, zorder=3, alpha=0.8), autolim=False
        )
        drawn = LineCollection(lines, colors=colour, linewidths=width, linestyles=[dashes], zorder=3.1)
        drawn.set_label(text)
        sheet.axes.add_collection(drawn, autolim=False)
        handles.append(Line2D([], [], color=colour, linestyle=dashes, linewidth=width, label=text))
    if area.last_resorts:
        handles.insert(2, Line2D([], [], **LAST_RESORT_LOOK, label="Place of last resort"))
    if answer.closed:
        handles.append(
            Line2D(
                [], [], marker="x", color=INK, linestyle="none", markersize=6, label="Shut to this vehicle, by number"
            )
        )
    return handles


def _draw_closed(sheet: Sheet, area: RoadArea, closed: Sequence[ClosedStretch]) -> None:
    """Crosses along what can't be used, and a number on what the table lists."""
    for stretch in closed:
        for line in _merged(sheet, area, stretch.edges):
            count = max(1, round(line.length / (6.5 * sheet.m_per_pt)))
            along = [line.interpolate((number + 0.5) / count, normalized=True) for number in range(count)]
            x_m, y_m = [point.x for point in along], [point.y for point in along]
            for colour, width, level in (("white", 3.4, 5.0), (INK, 1.5, 5.1)):
                sheet.axes.plot(
                    x_m,
                    y_m,
                    linestyle="none",
                    marker="x",
                    markersize=5.0,
                    markeredgewidth=width,
                    color=colour,
                    zorder=level,
                )
    for number, stretch in numbered(closed):
        lines = _merged(sheet, area, stretch.edges)
        if not lines:
            continue
        middle = lines[0].interpolate(0.5, normalized=True)
        if not sheet.frame.covers(middle):
            continue
        sheet.take(middle.x, middle.y, radius_pt=13.0)
        sheet.axes.annotate(
            str(number),
            (middle.x, middle.y),
            xytext=(8.0, 8.0),
            textcoords="offset points",
            ha="center",
            va="center_baseline",
            fontsize=7.0,
            fontweight="bold",
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": "white", "edgecolor": INK, "linewidth": 0.9},
            zorder=16,
        )


def _draw_places(sheet: Sheet, area: RoadArea, answer: DriveAnswer) -> None:
    sheet.axes.plot(*area.home_xy_m, **HOME_LOOK, zorder=14)
    sheet.take(*area.home_xy_m, radius_pt=6.0)
    for end in area.ends:
        sheet.axes.plot(*end.xy_m, **SAFE_LOOK, zorder=13)
        sheet.take(*end.xy_m, radius_pt=6.0)
    sheet.write_beside("Home", area.home_xy_m)
    for name, place in area.last_resorts:
        if sheet.frame.covers(shapely.Point(place)):
            sheet.axes.plot(*place, **LAST_RESORT_LOOK, zorder=12)
            sheet.take(*place, radius_pt=6.0)
            sheet.write_beside(clean(name, 30), place, size=6.4, weight="normal")
    for drive in answer.drives:
        sheet.write_beside(f"{clean(drive.end.name, 30)}: {_end_words(answer, drive)}", drive.end.xy_m)


def _end_words(answer: DriveAnswer, drive: Drive) -> str:
    if answer.way not in drive.end.ways:
        return {"tow": "not for towing", "car": "not by car", "foot": "not on foot"}.get(answer.way, "not this way")
    return "no way" if drive.route is None else duration_words(drive.route.time_s)


def _draw_names(sheet: Sheet, area: RoadArea, answer: DriveAnswer) -> None:
    """Names along the streets of the ways and of what is shut first, then along the longest, where there is room."""
    network = area.network
    lines: dict[str, list[Any]] = {}
    for edge in range(network.edge_count):
        if (network.name[edge] or network.ref[edge]) and network.way_id[edge] and not 0 <= network.twin[edge] < edge:
            line = network.geometry[edge]
            if line.intersects(sheet.frame):
                lines.setdefault(street(network, edge), []).append(line)
    first = {street(network, edge) for drive in answer.drives if drive.route is not None for edge in drive.route.edges}
    first |= {stretch.street for _, stretch in numbered(answer.closed)}
    order = sorted(lines, key=lambda name: (name not in first, -sum(line.length for line in lines[name]), name))
    written = 0
    for name in order:
        if written >= _NAMES:
            break
        joined = shapely.line_merge(shapely.union_all(lines[name]).intersection(sheet.frame))
        written += any(sheet.write_along(clean(name, 28), part, size=6.3, off=1.25) for part in lines_of(joined)[:2])


def describe_road_map(area: RoadArea, answer: DriveAnswer) -> str:
    """Say what the map shows: how long to each safe point, how much road lies in each band, what is shut and why."""
    ends = drive_bands(answer)
    length_m = area.network.length_m
    bands = [
        f"{band_words(ends, number)}: {distance_words(float(length_m[list(edges)].sum()))}"
        for number, edges in enumerate(edges_by_band(area, answer)[: len(ends)])
        if edges
    ]
    reached = [f"{clean(drive.end.name, 60)}: {ours_words(answer, drive)}" for drive in answer.drives]
    shut = [f"{stretch.street}, {stretch.reason}" for _, stretch in numbered(answer.closed)]
    parts = [
        f"Map of the roads round your home for {vehicle_words(answer)}, north up.",
        f"Quickest ways: {'; '.join(reached)}." if reached else "The plan names no safe point.",
        f"Roads by time from home: {'; '.join(bands)}.",
        f"Shut to this vehicle: {'; '.join(shut)}." if shut else "No mapped road is shut to this vehicle.",
        FREE_ROADS,
    ]
    return " ".join(parts)
