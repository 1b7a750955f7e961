"""The household's panel: how sure one wants to be, when one starts, and what becomes of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np

from leaveby.ask.household import read_inputs
from leaveby.decision.household.replay import caught_in_words, replay_many
from leaveby.decision.ways.confidence import latest_start
from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.errors import refuse
from leaveby.notebook.widgets import Html, Slider, answering, control, float_sliders, import_lab, listed, panel, shown
from leaveby.notebook.widgets import table as html_table
from leaveby.show.plan.plots import clear_curve, describe_clear_curve
from leaveby.show.plan.timetable import describe_timetable, timetable_bar
from leaveby.show.wording import WAY_TITLES, clock_words, percent_words, shown_ways, why_words

CONFIDENCES: Final = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
"""Choices of the confidence slider; more than the members can carry are left out."""


def shown_timetable(result: HouseholdResult) -> Html:
    """Give the timetable bar of an answer."""
    return shown(timetable_bar(result), "The day as bars", describe_timetable(result))


def replayed(result: HouseholdResult, *, truths: int = 100, seed: int = 1) -> Html:
    """Walk a household that follows the times through fires drawn anew, and say how often it is caught.

    Parameters
    ----------
    result : HouseholdResult
    truths : int
        Fires drawn anew, 1 or more.
    seed : int
    """
    found = replay_many(read_inputs(result.plan), result, truths=truths, rng=np.random.default_rng(seed), workers=2)
    return listed(caught_in_words(found, confidence=result.plan.confidence))


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
    widgets = import_lab()
    held = {"result": result}
    levels, moments = usable_confidences(result), start_moments(result)
    sure = control(
        "SelectionSlider",
        "How sure you want to be",
        options=[(percent_words(level), level) for level in levels],
        value=min(levels, key=lambda level: abs(level - result.plan.confidence)),
    )
    begin = control(
        "SelectionSlider",
        "When you start getting ready",
        options=[(clock_words(result, at_s), at_s) for at_s in moments],
        value=min(moments, key=abs),
    )
    asked = float_sliders(sliders)
    words, picture = widgets.HTML(), widgets.HTML()

    def redraw() -> None:
        words.value = start_table(held["result"], confidence=sure.value, start_at_s=begin.value)
        picture.value = shown(
            clear_curve(held["result"], start_at_s=begin.value),
            "Chance of getting clear",
            describe_clear_curve(held["result"]),
        ).text

    def recompute() -> None:
        if answer is not None:
            held["result"] = answer({name: float(slider.value) for name, slider in asked.items()})
        redraw()

    redraw()
    made = panel(sure, begin, *asked.values(), words, picture)
    answering(made, (sure, begin), redraw)
    answering(made, asked.values(), recompute)
    return made


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
    """Say for each way of leaving the latest start at a confidence, and what becomes of a start at a moment (HTML)."""
    return html_table(
        (
            "Way of leaving",
            f"Start getting ready by ({percent_words(confidence)} sure)",
            f"If you start at {clock_words(result, start_at_s)}",
        ),
        (
            (WAY_TITLES.get(way.way, way.way), _by_words(result, way, confidence), _fate_words(way, start_at_s))
            for way in shown_ways(result)
        ),
    )


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
