"""How fast is fast: the rate-of-spread models side by side, and how far a fire gets while one hitches up.

One day, one fuel and one slope at a time. Speeds of the fire are rounded up where they are written, those of people
down.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from leaveby.errors import refuse
from leaveby.notebook.fire_day import DRIVING_KM_H, SET_KM_H, Course, DaySpeeds, FireDay, ModelSpeed, courses
from leaveby.notebook.widgets import laid_out
from leaveby.show.figure import INK, LOOKS, MUTED, PALE, blank_figure, figure_style
from leaveby.show.wording import MODEL_WORDS
from leaveby.units import km_h_from_m_s, m_s_from_km_h

_LOOKS: Final[Mapping[str, tuple[str, Any]]] = {
    "dry_eucalypt": ("#7a1746", "-"),
    "mark5": ("#14507a", (0, (6, 2))),
    "grass": ("#5f4a00", (0, (6, 1.5, 1, 1.5))),
    "shrubland": ("#00594c", (0, (3, 1.5))),
    "rule_10_percent": ("#4a3a8c", (0, (1, 1.2))),
    "rule_20_percent": ("#3d3d3d", (0, (2, 1, 1, 1, 1, 1))),
}
"""Colour and dashes of each model; labels at the lines carry the names."""

_WIDTH_MM: Final = 170.0
_HEIGHT_MM: Final = 140.0
_SLACK: Final = 1e-9


def speed_words(speed_m_s: float) -> str:
    """Speed of a fire in km/h, rounded up."""
    return f"{_up(km_h_from_m_s(speed_m_s))} km/h"


def _up(value: float) -> str:
    if value >= 10.0:
        return f"{math.ceil(value - _SLACK):d}"
    return f"{math.ceil(value * 10.0 - _SLACK) / 10.0:g}"


def _distance(course: Course, minutes: float) -> str:
    """How far a course gets: the fire's rounded up, people's down."""
    length_km = course.speed_m_s * minutes * 60.0 / 1000.0
    if course.kind == "people":
        return f"{math.floor(length_km * 10.0 + _SLACK) / 10.0:g} km" if length_km < 10 else f"{int(length_km)} km"
    return f"{_up(length_km)} km"


def model_bars(speeds: DaySpeeds) -> Figure:
    """Draw each model's rate of spread with its published error band, against the speeds set by hand."""
    with figure_style():
        figure = blank_figure(_WIDTH_MM, 24.0 + 13.0 * len(speeds.models))
        axes = figure.subplots()
        most = max(60.0, 1.03 * max(km_h_from_m_s(speed.high_m_s) for speed in speeds.models))
        axes.set(xlim=(0.0, most), ylim=(len(speeds.models) - 0.35, -0.6))
        for row, speed in enumerate(speeds.models):
            colour, _ = _LOOKS[speed.model]
            low, middle, high, printed = (
                km_h_from_m_s(value) for value in (speed.low_m_s, speed.middle_m_s, speed.high_m_s, speed.printed_m_s)
            )
            band = Rectangle(
                (low, row), high - low, 0.34, facecolor=PALE, edgecolor=colour, linewidth=1.1, hatch="///", zorder=2
            )
            band.set_gid(f"band-{speed.model}")
            axes.add_patch(band)
            axes.plot([middle, middle], [row - 0.03, row + 0.37], color=colour, linewidth=3.2, zorder=4)
            axes.plot(printed, row + 0.17, color=colour, **LOOKS["printed_speed"])
            axes.text(0.004 * most, row - 0.16, _row_words(speed), **LOOKS["speed_row"])
        for set_km_h in SET_KM_H:
            axes.axvline(set_km_h, color=MUTED, linewidth=1.0, linestyle=(0, (2, 2)), zorder=1)
            axes.text(set_km_h, -0.62, f"{set_km_h:g} km/h", **LOOKS["set_speed"])
        axes.set_yticks([])
        axes.set_xlabel(
            "km/h; dot: as the equation is printed; thick line: middle of the published error; hatched: 9 of 10 runs"
        )
        axes.spines[["top", "right", "left"]].set_visible(False)
    return figure


def _row_words(speed: ModelSpeed) -> str:
    name = MODEL_WORDS[speed.model]
    return (
        f"{name[0].upper()}{name[1:]}: {speed_words(speed.printed_m_s)} as printed, middle "
        f"{speed_words(speed.middle_m_s)}, one run in 20 faster than {speed_words(speed.high_m_s)}"
    )


def describe_model_bars(speeds: DaySpeeds) -> str:
    """Say what the chart of models shows."""
    rows = "; ".join(_row_words(speed) for speed in speeds.models)
    marks = ", ".join(f"{set_km_h:g}" for set_km_h in SET_KM_H)
    return f"Rate of spread in {day_words(speeds.day)}. {rows}. Lines mark {marks} km/h, set by hand."


def day_words(day: FireDay) -> str:
    """The day in one line."""
    slope = f"{abs(day.slope_deg):g} degrees {'uphill' if day.slope_deg > 0.0 else 'downhill'}"
    return (
        f"{day.fuel}, {day.air_temperature_c:g} °C, humidity {day.relative_humidity_percent:g} %, "
        f"wind {day.wind_km_h:g} km/h, drought factor {day.drought_factor:g}, "
        f"{slope if day.slope_deg else 'flat ground'}"
    )


def hitch_chart(speeds: DaySpeeds, minutes: float, *, driving_km_h: Mapping[str, float] = DRIVING_KM_H) -> Figure:
    """Draw how far each fire, and people, get while one hitches up for so many minutes, which are above 0."""
    if not 0.0 < minutes < math.inf:
        raise refuse("minutes to hitch", f"they are {minutes}", expected="above 0", mend="correct them")
    shown = courses(speeds, driving_km_h=driving_km_h)
    near_m_s = max(m_s_from_km_h(SET_KM_H[1]), *(speed.middle_m_s for speed in speeds.models))
    near = tuple(course for course in shown if course.speed_m_s <= near_m_s * (1.0 + _SLACK))
    with figure_style():
        figure = blank_figure(_WIDTH_MM, _HEIGHT_MM)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 1.2))
        for axes, drawn, labelled in (
            (upper, shown, tuple(course for course in shown if course not in near)),
            (lower, near, near),
        ):
            _draw_courses(axes, speeds, drawn, minutes=minutes)
            _label_ends(axes, labelled, minutes=minutes, height_pt=_HEIGHT_MM / 25.4 * 72.0 * 0.39)
        upper.set_title(f"every speed, for the {minutes:g} minutes until you are hitched", loc="left", fontsize=8.0)
        lower.set_title("the slower ones, drawn larger", loc="left", fontsize=8.0)
        lower.set_xlabel("minutes since you began to hitch up; pale: 9 of 10 runs, over all models shown", loc="left")
    return figure


def _draw_courses(axes: Any, speeds: DaySpeeds, drawn: Sequence[Course], *, minutes: float) -> None:
    last_min = 60.0 * math.ceil(minutes / 60.0)
    per_m_s = minutes * 0.06
    axes.set_xlim(0.0, last_min)
    axes.set_ylim(0.0, 1.04 * per_m_s * max(course.speed_m_s for course in drawn))
    slowest = min(speed.low_m_s for speed in speeds.models)
    fastest = max(speed.high_m_s for speed in speeds.models)
    axes.fill([0.0, minutes, minutes], [0.0, slowest * per_m_s, fastest * per_m_s], color=PALE, zorder=0)
    for course in drawn:
        colour, dashes, width = _course_look(course)
        axes.plot(
            [0.0, minutes],
            [0.0, course.speed_m_s * per_m_s],
            color=colour,
            linestyle=dashes,
            linewidth=width,
            label=course.label,
            zorder=2.5 if course.kind == "people" else 3,
        )
    axes.axvline(minutes, color=INK, linewidth=1.2, zorder=2)
    axes.set_xticks(np.arange(0.0, last_min + 1.0, 10.0 if last_min <= 60.0 else 20.0))
    axes.set_ylabel("km")
    axes.spines[["top", "right"]].set_visible(False)


def _course_look(course: Course) -> tuple[str, Any, float]:
    if course.kind == "model":
        return (*_LOOKS[course.model], 1.9)
    return {"band": (MUTED, (0, (1, 2.5)), 1.2), "set": (INK, "-", 1.1), "people": ("#9a9a9a", "-", 3.0)}[course.kind]


def _label_ends(axes: Any, shown: Sequence[Course], *, minutes: float, height_pt: float) -> None:
    """Write beside the chart what each line is and how far it got, none over another, joined to its line's end."""
    most_km = axes.get_ylim()[1]
    order = sorted(shown, key=lambda course: course.speed_m_s)
    ends = [course.speed_m_s * minutes * 0.06 / most_km for course in order]
    for course, end, at in zip(order, ends, spread_out(ends, gap=11.0 / height_pt), strict=True):
        axes.annotate(
            f"{course.label}: {_distance(course, minutes)}",
            (minutes, end * most_km),
            xytext=(1.05, at),
            fontweight="normal" if course.kind == "people" else "bold",
            color=_course_look(course)[0] if course.kind == "model" else INK,
            **LOOKS["end_of_course"],
        )


def spread_out(wanted: Sequence[float], *, gap: float) -> list[float]:
    """Move rising places between 0 and 1 apart by a gap, as little as can be and within 0 to 1 where there is room."""
    placed: list[float] = []
    for at in wanted:
        placed.append(max(at, placed[-1] + gap) if placed else max(at, 0.0))
    ceiling = 1.0
    for number in range(len(placed) - 1, -1, -1):
        placed[number] = min(placed[number], ceiling)
        ceiling = placed[number] - gap
    return placed


def describe_hitch_chart(speeds: DaySpeeds, minutes: float, *, driving_km_h: Mapping[str, float] = DRIVING_KM_H) -> str:
    """Say how far each gets while one hitches up."""
    parts = [f"{course.label}: {_distance(course, minutes)}" for course in courses(speeds, driving_km_h=driving_km_h)]
    return f"While you hitch up for {minutes:g} minutes, in {day_words(speeds.day)}. {'; '.join(parts)}."


def hitch_table(speeds: DaySpeeds, minutes: float) -> str:
    """Make the table of models: speed as printed, its published error, how far the fire gets meanwhile (HTML)."""
    return laid_out("notebook/speeds.html.j2", speeds=speeds, minutes=minutes, said=speed_words, up=_up)
