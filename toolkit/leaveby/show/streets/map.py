"""The map of single exits, for the page: it needs no network, no tiles and no script."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.decision.streets.result import StreetSurvey
from leaveby.show.figure import GREY, INK, OVERRIDE_LINE, as_svg, blank_figure, figure_style
from leaveby.show.letters import text_width
from leaveby.show.map_labels import HALO, Sheet, draw_lines, draw_scale, name_streets, widened, write_foot
from leaveby.show.streets.scene import called, streets_scene
from leaveby.show.symbols import SYMBOLS, mark_look
from leaveby.show.wording import clean

MOST_STREETS: Final = 40_000
MOST_LABELS: Final = 25
MAP_MM: Final = (190.0, 118.0)
"""Width and height of the map on the page."""

_LEAST: Final = (100, 30, 10, 0)
_MOST_NAMES: Final = 40
_LONGEST_TRIED: Final = 300
_NUMBER_PT: Final = 9.0
_MANY_HOMES: Final = 800
_HOMES: Final = ("home_choice", "home_behind", "home_unsure", "home_lost")


def streets_map(answer: StreetSurvey, *, labelled: Sequence[int] | None = None) -> str:
    """Draw the streets as SVG, those behind single exits thick by the number of homes behind, homes, exits and links.

    The groups whose numbers are `labelled` are written on the map; the first of the short list when left out.
    """
    scene = streets_scene(answer)
    wanted = [group.number for group in answer.notable[:MOST_LABELS]] if labelled is None else labelled
    west, south, east, north = window = _window(answer)
    with figure_style():
        figure = blank_figure(*MAP_MM, foot="")
        figure.set_layout_engine("none")
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set(xlim=(west, east), ylim=(south, north))
        axes.set_axis_off()
        sheet = Sheet(axes, window=window, width_pt=0.96 * MAP_MM[0] / 25.4 * 72.0, plain=True)
        draw_lines(axes, seen_lines(sheet, answer.streets.geometry[_others(answer)]), edgecolor=GREY, linewidth=0.5)
        homes, must = scene.drawn("homes"), scene.drawn("single_exit_streets")
        for kind in _HOMES:
            draw_homes(sheet, kind, homes[homes["symbol"] == kind].geometry.to_numpy(), many=len(homes) > _MANY_HOMES)
        for least in reversed(_LEAST):
            symbol = SYMBOLS[f"single_exit_{least}"]
            lines = seen_lines(sheet, must[must["symbol"] == symbol.kind].geometry.to_numpy())
            draw_lines(axes, lines, edgecolor=symbol.ink, linewidth=symbol.width_pt, capstyle="round")
        draw_scale(sheet, answer.measures)
        write_foot(sheet, OVERRIDE_LINE, size=8.2)
        link, links = SYMBOLS["link"], scene.drawn("links")
        draw_lines(axes, links.geometry, edgecolor=link.ink, linewidth=link.width_pt, linestyle=(0, link.dashes))
        for place in scene.drawn("exits").itertuples():
            axes.plot(place.geometry.x, place.geometry.y, **mark_look(place.symbol))
            sheet.take(place.geometry.x, place.geometry.y, radius_pt=4.0)
        told = scene.drawn("groups")
        groups = {place.number: place for place in told[told["title"].isin(list(map(str, wanted)))].itertuples()}
        for place in groups.values():
            axes.plot(place.geometry.x, place.geometry.y, **mark_look("group"))
            sheet.take(place.geometry.x, place.geometry.y, radius_pt=2.0)
        for number in wanted:
            write_number(sheet, groups[number].title, groups[number].geometry, colour=INK)
        for place in links.itertuples():
            line = place.geometry
            middle = line.interpolate(0.5, normalized=True) if line.geom_type == "LineString" else line.centroid
            write_number(sheet, place.title, middle, colour=link.ink)
        _name_streets(sheet, answer, wanted)
    return as_svg(figure, map_title(answer), describe_streets_map(answer), rounded=True)


def draw_homes(sheet: Sheet, kind: str, places: NDArray[np.object_], *, many: bool) -> None:
    """Dots as the ends of lines with no length, of which thousands are a small drawing; one for many on one spot."""
    symbol, size_pt, spot_m = SYMBOLS[kind], 1.6 if many else 2.6, 0.5 * sheet.m_per_pt
    xy_m = spot_m * np.unique(np.round(shapely.get_coordinates(places) / spot_m), axis=0)
    if symbol.sign == "cross":
        sheet.axes.plot(*xy_m.T, **{**mark_look(kind), "markersize": size_pt + 1.2, "markeredgewidth": 0.8})
        return
    dots: Any = shapely.linestrings(np.stack([xy_m, xy_m + np.array([0.1 * spot_m, 0.0])], axis=1))
    draw_lines(sheet.axes, dots, edgecolor=symbol.ink, linewidth=size_pt, capstyle="round")
    if symbol.colour != "#ffffff":
        draw_lines(sheet.axes, dots, edgecolor=symbol.fill, linewidth=0.6 * size_pt, capstyle="round")


def write_number(sheet: Sheet, text: str, place: Any, *, colour: str) -> None:
    """Write a number near its place where nothing is covered, with a thin line to it where that is farther off."""
    half_m = (text_width(text, size=_NUMBER_PT, weight="bold") + 2.0) * sheet.m_per_pt / 2.0
    high_m = _NUMBER_PT * 1.2 * sheet.m_per_pt / 2.0
    for far_pt in (9.0, 12.0, 18.0, 26.0, 36.0, 48.0, 62.0, 80.0):
        for turn in range(16):
            angle = math.pi * turn / 8.0
            x_m = place.x + math.cos(angle) * (far_pt * sheet.m_per_pt + half_m - high_m)
            y_m = place.y + math.sin(angle) * far_pt * sheet.m_per_pt
            area = shapely.box(x_m - half_m, y_m - high_m, x_m + half_m, y_m + high_m)
            if sheet.frame.covers(area) and not any(area.intersects(other) for other in sheet.taken):
                sheet.taken.append(area)
                if far_pt > 12.0:
                    sheet.axes.plot((place.x, x_m), (place.y, y_m), color=colour, linewidth=0.5, zorder=9)
                look: dict[str, Any] = {"fontsize": _NUMBER_PT, "fontweight": "bold", "color": colour, "zorder": 15}
                sheet.axes.text(x_m, y_m, text, ha="center", va="center", path_effects=HALO, **look)
                return


def _name_streets(sheet: Sheet, answer: StreetSurvey, wanted: Sequence[int]) -> None:
    """Names along the streets that the groups on the map are named after, then along the longest."""
    names, length_m, lines_m = answer.streets.name, answer.streets.length_m, answer.streets.geometry
    rows: dict[str, list[int]] = {}
    for row in np.flatnonzero(answer.streets.driven & shapely.intersects(lines_m, sheet.frame)).tolist():
        if names[row]:
            rows.setdefault(names[row], []).append(row)
    throat = [int(answer.facts.throat[group.row]) for group in answer.groups if group.number in wanted]
    first = {names[street] for street in throat if street >= 0} & rows.keys()
    longest = sorted(rows, key=lambda name: (name not in first, -float(length_m[rows[name]].sum()), name))
    lines = {name: list(lines_m[rows[name]]) for name in longest[:_LONGEST_TRIED]}
    name_streets(sheet, lines, most=_MOST_NAMES, first=first)


def map_title(answer: StreetSurvey) -> str:
    """Name of the map."""
    return f"Map of {len(answer.notable)} groups of homes behind single exits"


def describe_streets_map(answer: StreetSurvey) -> str:
    """What the map says, for a person who can't see it."""
    largest = "; ".join(
        f"{group.number}: {clean(called(group), 90)}, {group.homes:g} homes" for group in answer.notable[:10]
    )
    return (
        f"{answer.balance.behind_exit:g} of {answer.balance.homes:g} homes have a street or junction that everyone "
        f"there must pass. The largest groups are {largest or 'none'}. {len(answer.found.exits)} exits are marked with "
        f"triangles, {len(answer.links)} links that would help with dashed lines."
    )


def _window(answer: StreetSurvey) -> tuple[float, float, float, float]:
    """West, south, east, north of the homes and the exits that matter, with some room around, in the map's shape."""
    homes, exits = answer.homes, answer.found.exits[:200]
    x = np.concatenate([homes.x_m, answer.streets.x_m[exits]])
    y = np.concatenate([homes.y_m, answer.streets.y_m[exits]])
    far = max(float(np.ptp(x)), float(np.ptp(y)), 500.0) * 0.04
    low, high = np.array([x.min(), y.min()]) - far, np.array([x.max(), y.max()]) + far
    return widened(low, high, aspect=MAP_MM[0] / MAP_MM[1])


def _others(answer: StreetSurvey) -> NDArray[np.int64]:
    """The streets that nobody has to pass, the longest where there are too many to draw."""
    behind = answer.found.homes_behind[answer.streets.node_count : answer.found.tree.outside]
    rows = np.flatnonzero(answer.streets.driven & ~(behind > 0.0))
    if rows.size > MOST_STREETS:
        rows = rows[np.argsort(-answer.streets.length_m[rows], kind="stable")[:MOST_STREETS]]
    return rows


def seen_lines(sheet: Sheet, lines: NDArray[np.object_]) -> NDArray[np.object_]:
    """Lines of which something is on the map, as fine as a print shows them."""
    simple = shapely.simplify(lines, 0.2 * sheet.m_per_pt, preserve_topology=False)
    shown: NDArray[np.object_] = simple[shapely.intersects(simple, sheet.frame)]
    return shown
