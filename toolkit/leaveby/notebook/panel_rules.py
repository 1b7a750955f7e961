"""A notebook panel over the rules: a rating, a wind, some hours, how soon one learns of a fire, and the lines then."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.figure import Figure

from leaveby.ask.household import read_inputs
from leaveby.decision.household.timed import made_ready
from leaveby.decision.rules.rules import Asked, Look, asked_of, look
from leaveby.decision.rules.too_near import DayFires, day_fires, hours_of
from leaveby.decision.rules.words import TIME_TO, share_words
from leaveby.decision.ways.result import HouseholdResult
from leaveby.notebook.widgets import answering, control, import_lab, laid_out, panel, shown
from leaveby.roads.routing.itinerary import COMPASS, compass_words
from leaveby.show.figure import blank_figure, figure_style
from leaveby.show.map_labels import Sheet, draw_lines, draw_places, draw_scale, lines_of
from leaveby.show.scene import household_scene
from leaveby.show.symbols import SYMBOLS, line_look, way_symbol
from leaveby.show.wording import LINE_MEANS, WAY_TITLES, clean
from leaveby.units import Measures, reach_words

WIDTH_MM: Final = 150.0
ABOUT_M: Final = 1500.0
"""Ground that a map shows beyond the farthest line."""


def rules_panel(result: HouseholdResult, *, workers: int = 2) -> Any:
    """Make a panel that answers "and with wind from there, in the morning, or when we learn of it late".

    Every move solves the lines of one wind anew, by one backward solve for each way and road out.

    Raises
    ------
    InputError
        If `ipywidgets` is not installed, or no way of leaving has a road out.
    """
    widgets = import_lab()
    rules, plan = result.rules, result.plan
    ready = made_ready(read_inputs(plan), workers=workers)
    asked = asked_of(ready.scenario, ready.candidates, workers=workers)
    days: dict[str, DayFires] = {
        day.name: day_fires(asked.ground, day.weather, draws=asked.draws, confidence=plan.confidence)
        for day in rules.days
    }
    spans = {f"{start}:00 to {end % 24}:00": (start, end) for start, end in hours_of(plan.rules.hours)}
    winds = {"anywhere": None, **{words: 45.0 * number for number, words in enumerate(COMPASS)}}
    drawn = rules.drawn[0].rating if rules.drawn else rules.days[0].name
    rating = control("Dropdown", "A day rated", options=[day.name for day in rules.days], value=drawn)
    wind = control("Dropdown", "Wind from", options=list(winds), value="north-west")
    hours = control("Dropdown", "A fire that starts from", options=list(spans.items()))
    learns = control(
        "IntSlider",
        "Known after (minutes)",
        min=0,
        max=120,
        step=5,
        value=5 * round(plan.rules.learns_s[1] / 300.0),
    )
    words, picture = widgets.HTML(), widgets.HTML()

    def redraw() -> None:
        found: dict[str, Look] = {
            rule.way: look(
                asked,
                rule,
                fires=days[rating.value],
                span=hours.value,
                wind_from_deg=winds[wind.value],
                learns_s=60.0 * learns.value,
            )
            for rule in rules.of(rating.value)
        }
        words.value = told(result, rating.value, found, counted=winds[wind.value] is not None)
        text = described(found, rating.value, result.plan.measures)
        picture.value = shown(rules_map(result, asked, found), "Where fire is too near", text).text

    redraw()
    made = panel(rating, wind, hours, learns, words, picture)
    answering(made, (rating, wind, hours, learns), redraw)
    return made


def told(result: HouseholdResult, rating: str, found: Mapping[str, Look], *, counted: bool) -> str:
    """Say the rules of a rating, and what is looked at (HTML); nothing is counted for wind from anywhere at once."""
    values = {"result": result, "rating": rating, "found": found, "counted": counted}
    return laid_out("notebook/household.html.j2", part="rules", share=share_words, time_to=TIME_TO, **values)


def described(found: Mapping[str, Look], rating: str, measures: Measures) -> str:
    """Say where the lines lie, for who can't see the map."""
    said = [f"Map of where fire is too near on a day rated {clean(rating)}."]
    for way, one in found.items():
        for kind, line in (("go", one.go), ("late", one.late)):
            far = max(line.distance_m, key=lambda at: at[1])
            reach = "beyond the ground that was looked at" if math.isinf(far[1]) else reach_words(far[1], measures)
            said.append(f"{WAY_TITLES[way]}, {LINE_MEANS[kind]}: farthest to the {compass_words(far[0])}, {reach}.")
    return " ".join(said)


def rules_map(result: HouseholdResult, asked: Asked, found: Mapping[str, Look]) -> Figure:
    """Draw the lines of every way of leaving about the home, streets and safe points."""
    grid = asked.ground.grid
    x_m, y_m = result.home_xy_m
    spots = np.array([result.home_xy_m, *result.safe_point_xy_m.values()])
    reach_m = [abs(spots - (x_m, y_m)).max()]
    reach_m += [at_m for one in found.values() for _, at_m in one.go.distance_m if math.isfinite(at_m)]
    half_m = max(reach_m) + ABOUT_M
    west, south, east, north = grid.bounds_m
    window = (max(x_m - half_m, west), max(y_m - half_m, south), min(x_m + half_m, east), min(y_m + half_m, north))
    ground = shapely.box(*grid.bounds_m).buffer(-1.5 * grid.cell_m)
    scene = household_scene(result, only=("home", "safe_points", "streets"))
    with figure_style():
        figure = blank_figure(WIDTH_MM, WIDTH_MM * (window[3] - window[1]) / (window[2] - window[0]))
        figure.set_layout_engine("none")
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set(xlim=window[0::2], ylim=window[1::2], xticks=[], yticks=[])
        sheet = Sheet(axes, window=window, width_pt=WIDTH_MM / 25.4 * 72.0)
        for kind, streets in scene.drawn("streets").groupby("symbol"):
            draw_lines(axes, streets.geometry, edgecolor=SYMBOLS[kind].colour, linewidth=0.6, zorder=2)
        draw_places(sheet, scene)
        for way, one in found.items():
            look_of = line_look(way_symbol("trigger", way))
            for line, width, said in ((one.go, 1.2, "go when fire is inside"), (one.late, 2.4, "too late inside")):
                parts = lines_of(line.area.boundary.intersection(ground).intersection(sheet.frame))
                for part in parts:
                    axes.plot(*part.xy, **{**look_of, "linewidth": width}, zorder=5)
                text = f"{WAY_TITLES[way]}: {said}"
                colour = look_of["color"]
                smooth = [shapely.LineString(shapely.get_coordinates(part.simplify(grid.cell_m))) for part in parts]
                any(sheet.write_along(text, part, size=7.0, off=1.0, colour=colour) for part in smooth)
        draw_scale(sheet, result.plan.measures)
    return figure
