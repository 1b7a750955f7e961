"""The maps of a drill: streets, home, safe points, and what has burnt by a pause.

The place is drawn once in a page for each size (`map_base`) and shown again by reference on every sheet, so that a
drill of many sheets stays small. Maps are drawn as large as they are printed, with no letters below 8 points. The whole
of the modelled ground is shown, whatever burns: a frame around the fire would give it away before it starts. Burnt
ground is hatched, so that it reads in black and white.
"""

from __future__ import annotations

from typing import Final

import shapely.ops
from shapely.geometry import LineString, MultiPolygon
from shapely.geometry.polygon import orient

from leaveby.decision.drill.result import Drill, Pause, Round
from leaveby.show.drill.words import EXERCISE_BANNER, pause_words, round_title
from leaveby.show.figure import MUTED, as_svg, blank_figure, figure_style, shared_svg
from leaveby.show.map_labels import Sheet, draw_lines, draw_places, draw_scale, name_streets
from leaveby.show.scene import drill_scene
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import clock_words, map_notice

MOST_NAMES: Final = 18

ANNEX_MM: Final = 108.0
"""Width of the maps in the annex."""

_FOOT_MM: Final = 5.0
_FOOT_PT: Final = 8.2


def room_mm(drill: Drill, *, beside: tuple[float, float], above: tuple[float, float]) -> tuple[float, bool]:
    """How wide the largest map is that fits into one of two rooms, and whether that is the one beside the fields."""
    grid = drill.terrain.grid
    shape = grid.cols / grid.rows
    wide = [min(width_mm, (height_mm - _FOOT_MM) * shape) for width_mm, height_mm in (beside, above)]
    return max(wide), wide[0] >= wide[1]


def map_base(drill: Drill, width_mm: float = ANNEX_MM) -> str:
    """Draw what all maps of a size share, as SVG that shows nothing by itself: once, before the first map of a page."""
    scene = drill_scene(drill)
    with figure_style():
        sheet = _sheet(drill, width_mm)
        lines: dict[str, list[LineString]] = {}
        for kind, streets in scene.drawn("streets").groupby("symbol"):
            draw_lines(
                sheet.axes, streets.geometry, edgecolor=SYMBOLS[kind].colour, linewidth=SYMBOLS[kind].width_pt, zorder=4
            )
        for street in scene.drawn("streets").itertuples():
            # Short joins from a home or a safe point to its road are no streets, and a kind of road is no name.
            if not street.title.startswith(("drive of ", "unnamed ")):
                lines.setdefault(street.title, []).append(street.geometry)
        draw_scale(sheet, drill.plan.measures)
        draw_places(sheet, scene)
        name_streets(sheet, lines, most=MOST_NAMES)
    figure = sheet.axes.figure.get_figure(root=True)
    # It lies over the fire: what every picture has of its own, paper, frame and foot, must not cover it.
    figure.patch.set_visible(False)
    sheet.axes.patch.set_visible(False)
    sheet.axes.spines[:].set_visible(False)
    figure.texts.clear()
    return shared_svg(figure, _base(width_mm))


def _base(width_mm: float) -> str:
    return f"drill-base-{round(10 * width_mm)}"


def pause_map(drill: Drill, run: Round | None, pause: Pause | None, *, width_mm: float = ANNEX_MM) -> str:
    """Draw the map at a pause: the ground that has burnt by then, and nothing of what comes later.

    The place alone where there is no round or pause. The SVG needs `map_base` of the same size in the same page.
    """
    with figure_style():
        sheet = _sheet(drill, width_mm)
        if run is None or pause is None:
            words = "Map of the place: streets, your home and the safe points of the plan."
            return _picture(sheet, "place", words, width_mm)
        at = clock_words(drill, pause.at_s, step_min=1)
        words = f"Map, {round_title(run)}, pause {pause.number}, {at}. {pause_words(drill, pause)}"
        symbol = SYMBOLS["burnt"]
        look = {"facecolor": symbol.fill, "edgecolor": symbol.colour, "linewidth": symbol.width_pt, "hatch": "////"}
        for area in drill_scene(drill, run, only=pause).drawn("fronts").geometry:
            draw_lines(sheet.axes, [_smooth(sheet, area)], **look, zorder=1)
        return _picture(sheet, f"{run.number}-{pause.number}", words, width_mm)


def round_map(drill: Drill, run: Round) -> str:
    """Draw the map of a round for the trainer: where the fire stands at every pause, numbered."""
    colour = SYMBOLS["burnt"].colour
    with figure_style():
        sheet = _sheet(drill, ANNEX_MM)
        home = shapely.Point(drill.home_xy_m)
        for front in drill_scene(drill, run).drawn("fronts").itertuples():
            look = {"edgecolor": colour, "linewidth": 1.2, "linestyle": "-" if front.number % 2 else (0, (4, 2))}
            draw_lines(sheet.axes, [_smooth(sheet, front.geometry)], **look, zorder=2)
            # Nearest to the home the labels of a growing fire keep apart.
            spot, _ = shapely.ops.nearest_points(front.geometry.boundary, home)
            sheet.write_beside(front.title, (spot.x, spot.y), size=9.0, colour=colour)
        words = "Map for the trainer: the edge of the fire at each pause, P and its number. " + " ".join(
            f"P{pause.number}, {clock_words(drill, pause.at_s, step_min=1)}: {pause_words(drill, pause)}"
            for pause in run.pauses
        )
        return _picture(sheet, f"round-{run.number}", words, ANNEX_MM)


def _sheet(drill: Drill, width_mm: float) -> Sheet:
    """An empty map of the whole of the modelled ground, alike for every picture of a page."""
    grid = drill.terrain.grid
    height_mm = width_mm * grid.rows / grid.cols
    figure = blank_figure(width_mm, height_mm + _FOOT_MM, foot="")
    figure.set_layout_engine("none")
    foot = _FOOT_MM / (height_mm + _FOOT_MM)
    axes = figure.add_axes((0.0, foot, 1.0, 1.0 - foot))
    figure.text(0.005, 0.01, map_notice(drill.network, short=True), fontsize=_FOOT_PT, color=MUTED, va="bottom")
    west, south, east, north = grid.bounds_m
    axes.set(xlim=(west, east), ylim=(south, north), xticks=[], yticks=[])
    return Sheet(axes, window=grid.bounds_m, width_pt=width_mm / 25.4 * 72.0, plain=True)


def _picture(sheet: Sheet, name: str, words: str, width_mm: float) -> str:
    figure = sheet.axes.figure.get_figure(root=True)
    return as_svg(figure, EXERCISE_BANNER, words, name=name, base=_base(width_mm), rounded=True)


def _smooth(sheet: Sheet, area: MultiPolygon) -> MultiPolygon:
    """Without the steps of the cells; edges run against the clock and holes with it, so that these stay open."""
    smooth = shapely.simplify(area, 1.5 * sheet.m_per_pt)
    return MultiPolygon([orient(part) for part in shapely.get_parts(area if smooth.is_empty else smooth)])
