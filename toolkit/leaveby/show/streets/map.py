"""The map of single exits, for the page: it needs no network, no tiles and no script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.decision.streets.result import StreetSurvey
from leaveby.show.figure import GREY, as_svg, blank_figure, figure_style
from leaveby.show.map_labels import Sheet, draw_lines, draw_scale
from leaveby.show.streets.scene import streets_scene
from leaveby.show.symbols import SYMBOLS, mark_look
from leaveby.show.wording import clean

MOST_STREETS: Final = 40_000
MOST_LABELS: Final = 25

_LEAST: Final = (100, 30, 10, 0)
_WIDTH_MM: Final = 186.0


def streets_map(answer: StreetSurvey, *, labelled: Sequence[int] | None = None) -> str:
    """Draw the streets as SVG, those behind single exits thick by the number of homes behind, exits and links.

    The groups whose numbers are `labelled` are written on the map; the first of the short list when left out.
    """
    scene = streets_scene(answer)
    wanted = set(labelled) if labelled is not None else {group.number for group in answer.notable[:MOST_LABELS]}
    west, south, east, north = window = _window(answer)
    # The line at the foot takes 4 mm.
    height_mm = _WIDTH_MM * (north - south) / (east - west)
    with figure_style():
        figure = blank_figure(_WIDTH_MM, height_mm + 4.0)
        figure.set_layout_engine("none")
        foot = 4.0 / (height_mm + 4.0)
        axes = figure.add_axes((0.0, foot, 1.0, 1.0 - foot))
        axes.set(xlim=(west, east), ylim=(south, north))
        axes.set_axis_off()
        sheet = Sheet(axes, window=window, width_pt=_WIDTH_MM / 25.4 * 72.0)
        draw_lines(axes, _seen(sheet, answer.streets.geometry[_others(answer)]), edgecolor=GREY, linewidth=0.4)
        for least in reversed(_LEAST):
            symbol, must = SYMBOLS[f"single_exit_{least}"], scene.drawn("single_exit_streets")
            lines = _seen(sheet, must[must["symbol"] == symbol.kind].geometry.to_numpy())
            draw_lines(axes, lines, edgecolor=symbol.ink, linewidth=symbol.width_pt, capstyle="round")
        draw_scale(sheet)
        link, links = SYMBOLS["link"], scene.drawn("links")
        draw_lines(axes, links.geometry, edgecolor=link.ink, linewidth=link.width_pt, linestyle=(0, link.dashes))
        for place in scene.drawn("exits").itertuples():
            axes.plot(place.geometry.x, place.geometry.y, **mark_look(place.symbol))
        shown = [place for place in scene.drawn("groups").itertuples() if place.number in wanted]
        for place in shown:
            axes.plot(place.geometry.x, place.geometry.y, **mark_look("group"))
            sheet.take(place.geometry.x, place.geometry.y, radius_pt=2.0)
        for place in shown:
            sheet.write_beside(place.title, (place.geometry.x, place.geometry.y))
        for place in links.itertuples():
            line = place.geometry
            middle = line.interpolate(0.5, normalized=True) if line.geom_type == "LineString" else line.centroid
            sheet.write_beside(place.title, (middle.x, middle.y), size=6.0, colour=link.ink)
    return as_svg(figure, map_title(answer), describe_streets_map(answer), rounded=True)


def map_title(answer: StreetSurvey) -> str:
    """Name of the map."""
    return f"Map of {len(answer.notable)} groups of homes behind single exits"


def describe_streets_map(answer: StreetSurvey) -> str:
    """What the map says, for a person who can't see it."""
    largest = "; ".join(
        f"{group.number}: {clean(group.name, 60)}, {group.homes:g} homes" for group in answer.notable[:10]
    )
    return (
        f"{answer.balance.behind_exit:g} of {answer.balance.homes:g} homes have a street or junction that everyone "
        f"there must pass. The largest groups are {largest or 'none'}. {len(answer.found.exits)} exits are marked with "
        f"triangles, {len(answer.links)} links that would help with dashed lines."
    )


def _window(answer: StreetSurvey) -> tuple[float, float, float, float]:
    """West, south, east, north of the homes and the exits that matter, with some room around; never a narrow strip."""
    homes = answer.homes
    x = np.concatenate([homes.x_m, answer.streets.x_m[answer.found.exits[:200]]])
    y = np.concatenate([homes.y_m, answer.streets.y_m[answer.found.exits[:200]]])
    far = max(float(np.ptp(x)), 500.0) * 0.03
    low, high = np.array([x.min(), y.min()]) - far, np.array([x.max(), y.max()]) + far
    width, height = high - low
    # Between 0.3 and 1.4 times as high as wide.
    more = np.array([max(height / 1.4 - width, 0.0), max(0.3 * width - height, 0.0)]) / 2.0
    (west, south), (east, north) = low - more, high + more
    return float(west), float(south), float(east), float(north)


def _others(answer: StreetSurvey) -> NDArray[np.int64]:
    """The streets that nobody has to pass, the longest where there are too many to draw."""
    behind = answer.found.homes_behind[answer.streets.node_count : answer.found.tree.outside]
    rows = np.flatnonzero(answer.streets.driven & ~(behind > 0.0))
    if rows.size > MOST_STREETS:
        rows = rows[np.argsort(-answer.streets.length_m[rows], kind="stable")[:MOST_STREETS]]
    return rows


def _seen(sheet: Sheet, lines: NDArray[np.object_]) -> NDArray[np.object_]:
    """Lines of which something is on the map, as fine as a print shows them."""
    simple = shapely.simplify(lines, 0.2 * sheet.m_per_pt, preserve_topology=False)
    shown: NDArray[np.object_] = simple[shapely.intersects(simple, sheet.frame)]
    return shown
