"""Small pieces for notebooks, so that a notebook itself defines nothing: a banner, figures, and a panel with sliders.

`ipywidgets` comes with the extra `lab` and is only looked for when a panel is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Final

import numpy as np
from markupsafe import Markup, escape
from matplotlib.figure import Figure

from leaveby.caution import OVERRIDE
from leaveby.decision.ways.confidence import latest_start
from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.errors import refuse
from leaveby.show.figure import TABLE_OPEN, as_svg
from leaveby.show.plan.map import describe_map, plan_map
from leaveby.show.plan.plots import clear_curve, describe_clear_curve
from leaveby.show.plan.timetable import describe_timetable, timetable_bar
from leaveby.show.wording import WAY_TITLES, clean, clock_words, percent_words, shown_ways, why_words

CONFIDENCES: Final = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
"""Choices of the confidence slider; more than the members can carry are left out."""

_BANNER_STYLE: Final = (
    "border: 2px solid #1a1a1a; padding: 0.4em 0.7em; font-weight: bold; color: #1a1a1a; background: #fff"
)


@dataclass(frozen=True)
class Html:
    """A piece of HTML that a notebook shows as it is.

    Examples
    --------
    >>> Html("<b>so</b>")._repr_html_()
    '<b>so</b>'
    """

    text: str

    def _repr_html_(self) -> str:
        return self.text


@dataclass(frozen=True)
class Slider:
    """A slider whose move asks for a new answer.

    Attributes
    ----------
    name : str
        Key under which its value is handed to the function that computes the answer.
    label : str
        Words beside it, with the unit.
    low, high, step, value : float
        Range, step and first value.
    """

    name: str
    label: str
    low: float
    high: float
    step: float
    value: float


def override_banner() -> Html:
    """Give the override statement as a banner.

    Examples
    --------
    >>> "Leave early" in override_banner().text
    True
    """
    return Html(str(Markup('<p role="note" style="{}">{}</p>').format(_BANNER_STYLE, OVERRIDE)))


def said(sentence: str) -> Html:
    """Give the sentence that a reader came for, large enough to be seen first.

    Examples
    --------
    >>> said("Go <now>.").text.endswith("Go &lt;now&gt;.</p>")
    True
    """
    look = "font-size: 1.3em; line-height: 1.3; font-weight: bold"
    return Html(str(Markup('<p style="{}">{}</p>').format(look, clean(sentence))))


def listed(sentences: Iterable[str]) -> Html:
    """Give sentences as a list, broken between words and not within them.

    Examples
    --------
    >>> listed(["One.", "Two."]).text
    '<ul><li>One.</li><li>Two.</li></ul>'
    """
    items = Markup("").join(Markup("<li>{}</li>").format(clean(sentence)) for sentence in sentences)
    return Html(str(Markup("<ul>{}</ul>").format(items)))


def shown(figure: Figure, title: str, description: str) -> Html:
    """Give any figure as a picture with its text alternative."""
    return Html(_sized(figure, title, description))


def _sized(figure: Figure, title: str, description: str) -> str:
    """A figure that fills a page's width only as far as its letters stay of ordinary size."""
    return boxed(as_svg(figure, title, description), title, width_px=round(float(figure.get_size_inches()[0]) * 125.0))


def boxed(svg: str, title: str, *, width_px: int) -> str:
    """Give a picture the width at which its letters can be read; on a phone it scrolls instead of shrinking.

    Examples
    --------
    >>> boxed("<svg></svg>", "A map", width_px=800)[:44]
    '<div role="group" aria-label="A map" tabinde'
    """
    scrolls = f"max-width: {width_px}px; overflow-x: auto"
    return (
        f'<div role="group" aria-label="{escape(title)}" tabindex="0" style="{scrolls}">'
        f'<div style="min-width: {round(width_px * 0.75)}px">{svg}</div></div>'
    )


def shown_map(result: HouseholdResult) -> Html:
    """Give the map of an answer."""
    return shown(plan_map(result), "Map of the ways out and the fire", describe_map(result))


def shown_timetable(result: HouseholdResult) -> Html:
    """Give the timetable bar of an answer."""
    return shown(timetable_bar(result), "The day as bars", describe_timetable(result))


def float_sliders(sliders: Sequence[Slider], *, style: Mapping[str, str], layout: Any) -> dict[str, Any]:
    """Make the widgets of some sliders, by their names; they answer when let go.

    Parameters
    ----------
    sliders : sequence of Slider
    style, layout
        As ipywidgets takes them.
    """
    widgets = import_widgets()
    return {
        slider.name: widgets.FloatSlider(
            value=slider.value,
            min=slider.low,
            max=slider.high,
            step=slider.step,
            readout_format=_readout(slider.step),
            description=slider.label,
            continuous_update=False,
            style=style,
            layout=layout,
        )
        for slider in sliders
    }


def _readout(step: float) -> str:
    """As many decimals as a slider's steps have, two at the most."""
    return next((f".{places}f" for places in (0, 1) if abs(step * 10**places % 1.0) < 1e-9), ".2f")


def leave_early_panel(
    result: HouseholdResult,
    *,
    sliders: Sequence[Slider] = (),
    answer: Callable[[Mapping[str, float]], HouseholdResult] | None = None,
) -> Any:
    """Make a panel that answers "what if we ask for more, start later, or the day is worse".

    Two sliders, how sure one wants to be and when one starts, work on the members that the answer already holds.
    Further sliders ask `answer` for a new one, which should reuse what did not change.

    Parameters
    ----------
    result : HouseholdResult
        The answer to begin with.
    sliders : sequence of Slider
        Needs `answer`.
    answer : callable, optional
        Given the values of all `sliders` by name, gives the answer for them.

    Returns
    -------
    ipywidgets.VBox
        Shown by a notebook as it is.

    Raises
    ------
    InputError
        If `ipywidgets` is not installed, or sliders are given without `answer`.
    """
    if sliders and answer is None:
        raise refuse("answer", "is missing", expected="a function that computes the answer", mend="pass answer=...")
    widgets = import_widgets()
    held = {"result": result}
    wide = {"description_width": "16em"}
    layout = widgets.Layout(width="34em")
    sure = widgets.SelectionSlider(
        options=[(percent_words(level), level) for level in usable_confidences(result)],
        value=min(usable_confidences(result), key=lambda level: abs(level - result.plan.confidence)),
        description="How sure you want to be",
        style=wide,
        layout=layout,
    )
    moments = start_moments(result)
    begin = widgets.SelectionSlider(
        options=[(clock_words(result, at_s), at_s) for at_s in moments],
        value=min(moments, key=abs),
        description="When you start getting ready",
        style=wide,
        layout=layout,
    )
    asked = float_sliders(sliders, style=wide, layout=layout)
    words, picture = widgets.HTML(), widgets.HTML()

    def redraw(_change: object = None) -> None:
        words.value = start_table(held["result"], confidence=sure.value, start_at_s=begin.value)
        picture.value = _sized(
            clear_curve(held["result"], start_at_s=begin.value),
            "Chance of getting clear",
            describe_clear_curve(held["result"]),
        )

    def recompute(_change: object) -> None:
        if answer is not None:
            held["result"] = answer({name: float(slider.value) for name, slider in asked.items()})
        redraw()

    for slider in (sure, begin):
        slider.observe(redraw, names="value")
    for slider in asked.values():
        slider.observe(recompute, names="value")
    redraw()
    banner = widgets.HTML(override_banner().text)
    return widgets.VBox([banner, sure, begin, *asked.values(), words, picture])


def import_widgets() -> Any:
    """Give the module `ipywidgets`, which comes with the extra `lab`.

    Raises
    ------
    InputError
        If it is not installed.
    """
    try:
        return import_module("ipywidgets")
    except ImportError as error:
        raise refuse(
            "ipywidgets",
            "is not installed",
            expected="the notebooks' libraries",
            mend='install them with: pip install "leaveby[lab]"',
        ) from error


def usable_confidences(result: HouseholdResult) -> tuple[float, ...]:
    """Confidences that the number of members can carry: at least one member has to be left to fail."""
    most = 1.0 - 1.0 / result.members
    return tuple(level for level in CONFIDENCES if level <= most) or (0.5,)


def start_moments(result: HouseholdResult) -> tuple[float, ...]:
    """Moments of starting to get ready to choose from, in seconds from the scenario's start: every 15 clock minutes.

    From before the first curve falls to where the last has fallen, and always the scenario's start.
    """
    latest = [way.member_latest_start_s for way in shown_ways(result)]
    finite_s = np.concatenate([values[np.isfinite(values)] for values in latest] or [np.zeros(0)])
    low_s, high_s = (float(finite_s.min()), float(finite_s.max())) if finite_s.size else (0.0, result.plan.horizon_s)
    offset_s = (result.start.minute % 15) * 60.0 + result.start.second
    first = math.floor((min(low_s, 0.0) + offset_s) / 900.0) - 2
    last = math.ceil((max(high_s, 0.0) + offset_s) / 900.0)
    steps = {number * 900.0 - offset_s for number in range(first, last + 1)}
    return tuple(sorted(steps | {0.0}))


def start_table(result: HouseholdResult, *, confidence: float, start_at_s: float) -> str:
    """Say for each way of leaving the latest start at a confidence, and what becomes of a start at a moment.

    Parameters
    ----------
    result : HouseholdResult
    confidence : float
        Above 0 and below 1.
    start_at_s : float
        When getting ready starts, seconds from the scenario's start.

    Returns
    -------
    str
        An HTML table.
    """
    at = clock_words(result, start_at_s)
    head = Markup(
        TABLE_OPEN
        + '<thead><tr><th scope="col">Way of leaving</th><th scope="col">Start getting ready by ({} sure)</th>'
        '<th scope="col">If you start at {}</th></tr></thead><tbody>'
    ).format(percent_words(confidence), at)
    rows = Markup("").join(
        Markup('<tr><th scope="row">{}</th><td>{}</td><td>{}</td></tr>').format(
            WAY_TITLES.get(way.way, way.way), _by_words(result, way, confidence), _fate_words(way, start_at_s)
        )
        for way in shown_ways(result)
    )
    return str(head + rows + Markup("</tbody></table>"))


def _by_words(result: HouseholdResult, way: WayTiming, confidence: float) -> str:
    if way.route is None:
        return why_words(way)
    latest_s = latest_start(way.member_latest_departure_s, ready_s=way.member_ready_s, confidence=confidence)
    asked_s = math.inf if way.latest_start_s is None else way.latest_start_s
    if confidence == result.plan.confidence:
        latest_s = asked_s  # the leave-by itself: the same number as everywhere
    elif confidence > result.plan.confidence:
        latest_s = min(latest_s, asked_s)
    if math.isinf(latest_s):
        return "No time found within the hours computed: leave early." if latest_s > 0.0 else "No time is early enough."
    early = ", before the fire starts" if latest_s < 0.0 else ""
    return f"{clock_words(result, latest_s)}{early}"


def _fate_words(way: WayTiming, start_at_s: float) -> str:
    if way.route is None:
        return "No way out."
    caught = float(np.mean(way.member_latest_start_s < start_at_s))
    if caught == 0.0:
        return "Clear in every computed run, which is no promise."
    return f"Not clear in {math.ceil(caught * 100.0 - 1e-9)} of 100 runs."
