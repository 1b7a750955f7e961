"""The maps of a drill: streets, home, safe points, and what has burnt by a pause.

The place is drawn once in a page (`map_base`) and shown again by reference on every sheet, so that a drill of many
sheets stays small. The whole of the modelled ground is shown, whatever burns: a frame around the fire would give it
away before it starts. Burnt ground is hatched, so that it reads in black and white.
"""

from __future__ import annotations

from typing import Final

import shapely.ops
from matplotlib.figure import Figure
from shapely.geometry import LineString, MultiPolygon
from shapely.geometry.polygon import orient

from leaveby.decision.drill.result import Drill, Pause, Round
from leaveby.show.drill.words import EXERCISE_BANNER, pause_words, round_title
from leaveby.show.figure import MUTED, as_svg, blank_figure, figure_style, shared_svg
from leaveby.show.map_labels import Sheet, draw_lines, draw_places, draw_scale, name_streets
from leaveby.show.scene import Scene, drill_scene
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import clock_words, map_notice

MOST_NAMES: Final = 18

_WIDTH_MM: Final = 120.0
_FOOT_MM: Final = 5.0
_BASE: Final = "drill-base"


def map_base(drill: Drill) -> str:
    """Draw what all maps of a page share, hidden: put it into the page once, before the first map.

    Returns
    -------
    str
        An `<svg>` element that shows nothing by itself.
    """
    scene = drill_scene(drill)
    with figure_style():
        sheet = _sheet(drill)
        lines: dict[str, list[LineString]] = {}
        for kind, streets in scene.drawn("streets").groupby("symbol"):
            draw_lines(
                sheet.axes, streets.geometry, edgecolor=SYMBOLS[kind].colour, linewidth=SYMBOLS[kind].width_pt, zorder=4
            )
        for street in scene.drawn("streets").itertuples():
            # Short joins from a home or a safe point to its road are no streets, and a kind of road is no name.
            if not street.title.startswith(("drive of ", "unnamed ")):
                lines.setdefault(street.title, []).append(street.geometry)
        draw_scale(sheet)
        draw_places(sheet, scene)
        name_streets(sheet, lines, most=MOST_NAMES)
    figure = _figure(sheet)
    # It lies over the fire: what every picture has of its own, paper, frame and foot, must not cover it.
    figure.patch.set_visible(False)
    sheet.axes.patch.set_visible(False)
    sheet.axes.spines[:].set_visible(False)
    figure.texts.clear()
    return shared_svg(figure, _BASE)


def pause_map(drill: Drill, run: Round | None, pause: Pause | None) -> str:
    """Draw the map at a pause: the ground that has burnt by then, and nothing of what comes later.

    Parameters
    ----------
    run, pause
        None for the map of the place alone.

    Returns
    -------
    str
        An `<svg role="img">` element; needs `map_base` in the same page.
    """
    with figure_style():
        sheet = _sheet(drill)
        if run is None or pause is None:
            return _picture(sheet, "place", "Map of the place: streets, your home and the safe points of the plan.")
        at = clock_words(drill, pause.at_s, step_min=1)
        words = f"Map, {round_title(run)}, pause {pause.number}, {at}. {pause_words(pause)}"
        _draw_burnt(sheet, drill_scene(drill, run, only=pause))
        return _picture(sheet, f"{run.number}-{pause.number}", words)


def _draw_burnt(sheet: Sheet, scene: Scene) -> None:
    symbol = SYMBOLS["burnt"]
    for area in scene.drawn("fronts").geometry:
        look = {"facecolor": symbol.fill, "edgecolor": symbol.colour, "linewidth": symbol.width_pt, "hatch": "////"}
        draw_lines(sheet.axes, [_smooth(sheet, area)], **look, zorder=1)


def round_map(drill: Drill, run: Round) -> str:
    """Draw the map of a round for the trainer: where the fire stands at every pause, numbered."""
    colour = SYMBOLS["burnt"].colour
    with figure_style():
        sheet = _sheet(drill)
        home = shapely.Point(drill.home_xy_m)
        for front in drill_scene(drill, run).drawn("fronts").itertuples():
            look = {"edgecolor": colour, "linewidth": 1.2, "linestyle": "-" if front.number % 2 else (0, (4, 2))}
            draw_lines(sheet.axes, [_smooth(sheet, front.geometry)], **look, zorder=2)
            # Nearest to the home the labels of a growing fire keep apart.
            spot, _ = shapely.ops.nearest_points(front.geometry.boundary, home)
            sheet.write_beside(front.title, (spot.x, spot.y), size=9.0, colour=colour)
        words = "Map for the trainer: the edge of the fire at each pause, P and its number. " + " ".join(
            f"P{pause.number}, {clock_words(drill, pause.at_s, step_min=1)}: {pause_words(pause)}"
            for pause in run.pauses
        )
        return _picture(sheet, f"round-{run.number}", words)


def _sheet(drill: Drill) -> Sheet:
    """An empty map of the whole of the modelled ground, alike for every picture of a page."""
    grid = drill.terrain.grid
    height_mm = _WIDTH_MM * grid.rows / grid.cols
    figure = blank_figure(_WIDTH_MM, height_mm + _FOOT_MM)
    figure.set_layout_engine("none")
    foot = _FOOT_MM / (height_mm + _FOOT_MM)
    axes = figure.add_axes((0.0, foot, 1.0, 1.0 - foot))
    figure.text(0.005, 0.01, map_notice(drill.network), fontsize=6.0, color=MUTED, va="bottom")
    east_m, south_m = grid.x_min_m + grid.cols * grid.cell_m, grid.y_max_m - grid.rows * grid.cell_m
    axes.set(xlim=(grid.x_min_m, east_m), ylim=(south_m, grid.y_max_m), xticks=[], yticks=[])
    return Sheet(axes, window=(grid.x_min_m, south_m, east_m, grid.y_max_m), width_pt=_WIDTH_MM / 25.4 * 72.0)


def _figure(sheet: Sheet) -> Figure:
    return sheet.axes.figure.get_figure(root=True)


def _picture(sheet: Sheet, name: str, words: str) -> str:
    return as_svg(_figure(sheet), EXERCISE_BANNER, words, name=name, base=_BASE, rounded=True)


def _smooth(sheet: Sheet, area: MultiPolygon) -> MultiPolygon:
    """Without the steps of the cells; edges run against the clock and holes with it, so that these stay open."""
    smooth = shapely.simplify(area, 1.5 * sheet.m_per_pt)
    return MultiPolygon([orient(part) for part in shapely.get_parts(area if smooth.is_empty else smooth)])
