"""The maps of a drill, as SVG drawn by hand: streets, home, safe points, and what has burnt by a pause.

The streets are drawn once in a page (`map_base`) and shown again by reference on every sheet, so that a drill of many
sheets stays small. The whole of the modelled ground is shown, whatever burns: a frame around the fire would give it
away before it starts. Burnt ground is hatched, so that it reads in black and white.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Final

import numpy as np
import shapely
import shapely.affinity
import shapely.ops
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiPolygon
from shapely.geometry.base import BaseGeometry

from leaveby.decision.drill.result import Drill, Pause, Round
from leaveby.roads.routing.itinerary import street
from leaveby.show.drill.words import EXERCISE_BANNER, pause_words, round_title
from leaveby.show.figure import INK, MUTED, OVERRIDE_LINE
from leaveby.show.ground import burnt_area
from leaveby.show.letters import text_width
from leaveby.show.map_labels import lines_of
from leaveby.show.wording import clean, clock_words, map_notice

WIDTH: Final = 1000.0
MOST_NAMES: Final = 18
_MAIN_CLASSES: Final = ("motorway", "trunk", "primary", "secondary", "tertiary")


def map_base(drill: Drill) -> str:
    """Draw what all maps of a page share, hidden: put it into the page once, before the first map.

    Returns
    -------
    str
        An `<svg>` element that shows nothing by itself.
    """
    scale = _scale(drill)
    lines: dict[bool, list[LineString]] = {True: [], False: []}
    for edge in range(drill.network.edge_count):
        if not 0 <= drill.network.twin[edge] < edge:
            lines[drill.network.highway[edge].startswith(_MAIN_CLASSES)].append(drill.network.geometry[edge])
    parts = [
        '<svg width="0" height="0" style="position: absolute" aria-hidden="true"><defs>',
        '<pattern id="drill-burnt" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect width="9" height="9" fill="#f3d9c9"/><path d="M0 0V9" stroke="#7a2d12" stroke-width="2.4"/></pattern>',
        '<g id="drill-base">',
    ]
    for main, width in ((False, 1.6), (True, 3.4)):
        path = _line_path(drill, lines[main])
        parts.append(f'<path d="{path}" fill="none" stroke="#6f6f6f" stroke-width="{width}" stroke-linejoin="round"/>')
    parts += ["</g>", '<g id="drill-words">', *_names(drill), *_places(drill), _scale_bar(drill, scale), "</g>"]
    return "".join([*parts, "</defs></svg>"])


def pause_map(drill: Drill, run: Round | None, pause: Pause | None) -> str:
    """Draw the map at a pause: the ground that has burnt by then, and nothing of what comes later.

    Parameters
    ----------
    drill : Drill
    run, pause
        None for the map of the place alone.

    Returns
    -------
    str
        An `<svg role="img">` element; needs `map_base` in the same page.
    """
    burnt = ""
    if run is None or pause is None:
        name, words = "map-place", "Map of the place: streets, your home and the safe points of the plan."
    else:
        name = f"map-{run.number}-{pause.number}"
        at = clock_words(drill, pause.at_s, step_min=1)
        words = f"Map, {round_title(run)}, pause {pause.number}, {at}. {pause_words(pause)}"
        if math.isfinite(pause.front_m):
            area = burnt_area(drill.terrain.grid, run.arrival.time_s, by_s=pause.at_s)
            burnt = (
                f'<path d="{_area_path(drill, area)}" fill="url(#drill-burnt)" fill-rule="evenodd" stroke="#7a2d12" '
                'stroke-width="2.5"/>'
            )
    return _sheet(drill, name, words, burnt)


def round_map(drill: Drill, run: Round) -> str:
    """Draw the map of a round for the trainer: where the fire stands at every pause, numbered."""
    outlines = []
    for pause in run.pauses:
        if not math.isfinite(pause.front_m):
            continue
        area = burnt_area(drill.terrain.grid, run.arrival.time_s, by_s=pause.at_s)
        outlines.append(
            f'<path d="{_area_path(drill, area)}" fill="none" stroke="#7a2d12" stroke-width="2.6" '
            f'stroke-dasharray="{"none" if pause.number % 2 else "7 4"}"/>'
        )
        x, y = _place(drill, *_nearest_edge(area, drill.home_xy_m))
        x, y = min(max(x, 24.0), WIDTH - 24.0), min(max(y, 28.0), _height(drill) - 8.0)
        outlines.append(_label(f"P{pause.number}", x, y, size=26.0, colour="#7a2d12", anchor="middle"))
    words = "Map for the trainer: the edge of the fire at each pause, P and its number. " + " ".join(
        f"P{pause.number}, {clock_words(drill, pause.at_s, step_min=1)}: {pause_words(pause)}" for pause in run.pauses
    )
    return _sheet(drill, f"map-round-{run.number}", words, "".join(outlines))


def _nearest_edge(area: MultiPolygon, home_xy_m: tuple[float, float]) -> tuple[float, float]:
    """The place on the outline that is nearest to the home, where the labels of a growing fire keep apart."""
    spot, _ = shapely.ops.nearest_points(area.boundary, shapely.Point(home_xy_m))
    return float(spot.x), float(spot.y)


def _sheet(drill: Drill, name: str, words: str, fire: str) -> str:
    height = _height(drill)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {height + 26:.0f}" role="img" '
        f'aria-labelledby="{name}-title" aria-describedby="{name}-desc">'
        f'<title id="{name}-title">{escape(EXERCISE_BANNER)}</title><desc id="{name}-desc">{escape(words)}</desc>'
        f'<rect width="{WIDTH:.0f}" height="{height:.0f}" fill="#ffffff" stroke="{INK}" stroke-width="1.5"/>'
        f'{fire}<use href="#drill-base"/><use href="#drill-words"/>'
        + _label(map_notice(drill.network), 4.0, height + 19.0, size=14.0, colour=MUTED, weight="normal")
        + _label(OVERRIDE_LINE, WIDTH - 4.0, height + 19.0, size=14.0, colour=MUTED, anchor="end", weight="normal")
        + "</svg>"
    )


def _scale(drill: Drill) -> float:
    """Picture units per metre."""
    return WIDTH / (drill.terrain.grid.cols * drill.terrain.grid.cell_m)


def _height(drill: Drill) -> float:
    return drill.terrain.grid.rows * drill.terrain.grid.cell_m * _scale(drill)


def _place(drill: Drill, x_m: float, y_m: float) -> tuple[float, float]:
    grid, scale = drill.terrain.grid, _scale(drill)
    return (x_m - grid.x_min_m) * scale, (grid.y_max_m - y_m) * scale


def _frame(drill: Drill) -> BaseGeometry:
    grid = drill.terrain.grid
    south, east = grid.y_max_m - grid.rows * grid.cell_m, grid.x_min_m + grid.cols * grid.cell_m
    return shapely.box(grid.x_min_m, south, east, grid.y_max_m)


def _path(drill: Drill, corners: NDArray[np.float64], first: NDArray[np.bool_], *, close: str = "") -> str:
    grid, scale = drill.terrain.grid, _scale(drill)
    x = np.round((corners[:, 0] - grid.x_min_m) * scale, 1)
    y = np.round((grid.y_max_m - corners[:, 1]) * scale, 1)
    words = [
        f"{(close if at else '') + 'M' if begins else 'L'}{a:g} {b:g}"
        for at, (begins, a, b) in enumerate(zip(first, x, y, strict=True))
    ]
    return "".join(words) + close


def _starts(which: NDArray[np.int64]) -> NDArray[np.bool_]:
    first = np.ones(which.size, dtype=np.bool_)
    first[1:] = which[1:] != which[:-1]
    return first


def _line_path(drill: Drill, lines: Sequence[LineString]) -> str:
    if not lines:
        return ""
    cut = shapely.intersection(np.asarray(lines, dtype=object), _frame(drill))
    parts = [part for part in shapely.get_parts(cut) if part.geom_type == "LineString"]
    kept = shapely.simplify(np.asarray(parts, dtype=object), 0.5 / _scale(drill), preserve_topology=False)
    corners, which = shapely.get_coordinates(kept, return_index=True)
    return _path(drill, corners, _starts(which)) if which.size else ""


def _area_path(drill: Drill, area: MultiPolygon) -> str:
    smooth = shapely.simplify(area, 0.75 * drill.terrain.grid.cell_m)
    rings = shapely.get_rings(shapely.get_parts(smooth if not smooth.is_empty else area))
    corners, which = shapely.get_coordinates(rings, return_index=True)
    return _path(drill, corners, _starts(which), close="Z") if which.size else ""


def _label(
    text: str,
    x: float,
    y: float,
    *,
    size: float,
    colour: str = INK,
    anchor: str = "start",
    weight: str = "bold",
    turn_deg: float = 0.0,
) -> str:
    turn = f' transform="rotate({turn_deg:.1f} {x:.1f} {y:.1f})"' if turn_deg else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" font-weight="{weight}" '
        f'font-family="DejaVu Sans, sans-serif" fill="{colour}" text-anchor="{anchor}" paint-order="stroke" '
        f'stroke="#ffffff" stroke-width="{size / 4:.1f}" stroke-linejoin="round"{turn}>{escape(text)}</text>'
    )


def _names(drill: Drill) -> list[str]:
    """Names along the longest streets, none over another."""
    network, frame, scale = drill.network, _frame(drill), _scale(drill)
    found: dict[str, list[LineString]] = {}
    for edge in range(network.edge_count):
        if (
            network.name[edge]
            and not 0 <= network.twin[edge] < edge
            and not street(network, edge).startswith("drive of ")
        ):
            found.setdefault(street(network, edge), []).append(network.geometry[edge])
    order = sorted(found, key=lambda name: (-sum(line.length for line in found[name]), name))
    marks = [drill.home_xy_m, *drill.safe_point_xy_m.values()]
    taken: list[BaseGeometry] = [shapely.Point(_place(drill, *mark)).buffer(30.0) for mark in marks]
    labels: list[str] = []
    for name in order:
        if len(labels) >= MOST_NAMES:
            break
        merged = shapely.line_merge(shapely.unary_union(found[name]).intersection(frame))
        for part in sorted(lines_of(merged), key=lambda line: -line.length)[:2]:
            text = clean(name, 28)
            half = text_width(text, size=17.0) / 2.0
            if part.length * scale < 2.2 * half:
                continue
            spot = part.interpolate(0.5, normalized=True)
            start, end = (part.interpolate(part.length / 2.0 + step / scale) for step in (-half, half))
            turn_deg = -math.degrees(math.atan2(end.y - start.y, end.x - start.x))
            turn_deg = (turn_deg + 90.0) % 180.0 - 90.0
            x, y = _place(drill, spot.x, spot.y)
            area = shapely.affinity.rotate(shapely.box(x - half, y - 24.0, x + half, y + 4.0), turn_deg, origin=(x, y))
            if any(area.intersects(other) for other in taken) or not 0.0 < x - half < x + half < WIDTH:
                continue
            taken.append(area)
            off = math.radians(turn_deg)
            labels.append(
                _label(
                    text,
                    x + 5.0 * math.sin(off),
                    y - 5.0 * math.cos(off),
                    size=17.0,
                    anchor="middle",
                    weight="normal",
                    turn_deg=turn_deg,
                )
            )
            break
    return labels


def _places(drill: Drill) -> list[str]:
    """The home as a house, safe points as squares, places of last resort as open rings."""
    parts = []
    x, y = _place(drill, *drill.home_xy_m)
    parts.append(
        f'<path d="M{x - 11:.1f} {y + 9:.1f}v-11l11 -10l11 10v11z" fill="{INK}" stroke="#ffffff" stroke-width="2"/>'
    )
    parts.append(_label("Home", x, y + 27.0, size=20.0, anchor="middle"))
    for point in drill.plan.safe_points:
        spot = drill.safe_point_xy_m.get(point.name)
        if spot is None:
            continue
        x, y = _place(drill, *spot)
        if point.kind == "safe_point":
            parts.append(
                f'<rect x="{x - 8:.1f}" y="{y - 8:.1f}" width="16" height="16" fill="#ffffff" stroke="{INK}" '
                'stroke-width="4"/>'
            )
        else:
            parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="#ffffff" stroke="{INK}" stroke-width="3" '
                'stroke-dasharray="4 3"/>'
            )
        left = x > 0.72 * WIDTH
        parts.append(
            _label(
                clean(point.name, 34),
                x + (-14.0 if left else 14.0),
                y + 6.0,
                size=17.0,
                anchor="end" if left else "start",
            )
        )
    return parts


def _scale_bar(drill: Drill, scale: float) -> str:
    wanted = WIDTH / 6.0 / scale
    power = 10.0 ** math.floor(math.log10(wanted))
    length = next(step * power for step in (5.0, 2.0, 1.0) if step * power <= wanted)
    words = f"{length / 1000.0:g} km" if length >= 1000.0 else f"{length:g} m"
    y = _height(drill) - 14.0
    return (
        f'<path d="M14 {y - 8:.0f}v8h{length * scale:.1f}v-8" fill="none" stroke="{INK}" stroke-width="2"/>'
        + _label(words, 20.0, y - 8.0, size=16.0)
        + _label("N", WIDTH - 22.0, 30.0, size=20.0, anchor="middle")
        + f'<path d="M{WIDTH - 22:.0f} 36v26m-6 -18l6 -9l6 9" fill="none" stroke="{INK}" stroke-width="2.4"/>'
    )
