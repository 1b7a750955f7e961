"""The map of a district, for its page: it needs no network, no tiles and no script."""

from __future__ import annotations

from typing import Final

import numpy as np

from leaveby.decision.district.result import DistrictSurvey
from leaveby.show.district.scene import district_scene
from leaveby.show.figure import GREY, INK, OVERRIDE_LINE, as_svg, blank_figure, figure_style
from leaveby.show.map_labels import Sheet, draw_lines, draw_scale, name_streets, widened, write_foot
from leaveby.show.streets.map import draw_homes, seen_lines, write_number
from leaveby.show.symbols import SYMBOLS, mark_look

MAP_MM: Final = (190.0, 118.0)
GOES: Final = ("goes_on_word", "goes_last", "goes_often", "goes_always")
"""Homes, those that go first drawn on top."""
MARKED: Final = 5
_MOST_NAMES: Final = 30
_MANY_HOMES: Final = 800


def district_map(survey: DistrictSurvey) -> str:
    """Draw the streets as SVG, homes by the ratings under which they go early, and where fire cuts people off."""
    scene, streets = district_scene(survey), survey.question.roads.streets
    homes = scene.drawn("homes")
    x_m, y_m = homes.geometry.x.to_numpy(), homes.geometry.y.to_numpy()
    exits = scene.drawn("exits").geometry
    x_m, y_m = np.append(x_m, exits.x), np.append(y_m, exits.y)
    far = max(float(np.ptp(x_m)), float(np.ptp(y_m)), 500.0) * 0.04
    low, high = np.array([x_m.min(), y_m.min()]) - far, np.array([x_m.max(), y_m.max()]) + far
    west, south, east, north = window = widened(low, high, aspect=MAP_MM[0] / MAP_MM[1])
    with figure_style():
        figure = blank_figure(*MAP_MM, foot="")
        figure.set_layout_engine("none")
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set(xlim=(west, east), ylim=(south, north))
        axes.set_axis_off()
        sheet = Sheet(axes, window=window, width_pt=0.96 * MAP_MM[0] / 25.4 * 72.0, plain=True)
        draw_lines(
            axes, seen_lines(sheet, streets.geometry[np.flatnonzero(streets.driven)]), edgecolor=GREY, linewidth=0.6
        )
        for kind in GOES:
            places = homes[homes["symbol"] == kind].geometry.to_numpy()
            draw_homes(sheet, kind, places, many=len(homes) > _MANY_HOMES)
        draw_scale(sheet, survey.measures)
        write_foot(sheet, OVERRIDE_LINE, size=8.2)
        link, links = SYMBOLS["link"], scene.drawn("links")
        draw_lines(axes, links.geometry, edgecolor=link.ink, linewidth=link.width_pt, linestyle=(0, link.dashes))
        for place in scene.drawn("exits").itertuples():
            axes.plot(place.geometry.x, place.geometry.y, **mark_look(place.symbol))
            sheet.take(place.geometry.x, place.geometry.y, radius_pt=4.0)
        for place in scene.drawn("cut_off").head(MARKED).itertuples():
            axes.plot(place.geometry.x, place.geometry.y, **mark_look(place.symbol))
            sheet.take(place.geometry.x, place.geometry.y, radius_pt=3.0)
            write_number(sheet, place.title, place.geometry, colour=SYMBOLS["cut_off"].ink)
        for place in links.itertuples():
            write_number(sheet, place.title, place.geometry.interpolate(0.5, normalized=True), colour=INK)
        _name_streets(sheet, survey)
    return as_svg(figure, f"Map of the district {scene.title}", describe(survey), rounded=True)


def _name_streets(sheet: Sheet, survey: DistrictSurvey) -> None:
    """Names along the streets with homes, those that go first before the others."""
    streets = survey.question.roads.streets
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(streets.name):
        if name:
            rows.setdefault(name, []).append(row)
    first = [one.name for one in survey.streets if one.name in rows]
    lines = {name: list(streets.geometry[rows[name]]) for name in first}
    name_streets(sheet, lines, most=_MOST_NAMES, first=set(first[:10]))


def describe(survey: DistrictSurvey) -> str:
    """What the map says, for a person who can't see it."""
    first = ", ".join(one.name for one in survey.streets[:5])
    places = "; ".join(f"C{number}: {one.street}" for number, one in enumerate(survey.cut_off[:MARKED], start=1))
    return f"Least time is on {first}. Fire cuts off most people at {places or 'no street'}. Triangles are safe points."
