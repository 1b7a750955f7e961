"""The household's panel: how sure one wants to be, when one starts, and what becomes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from markupsafe import Markup

from leaveby.ask.household import plan_household, read_inputs
from leaveby.decision.household.replay import Replay, caught_in_words, replay_many
from leaveby.decision.household.what_ifs import Asking, Held, asked_anew, furthest
from leaveby.decision.ways.confidence import latest_start
from leaveby.decision.ways.result import FirstAnswer, HouseholdResult, WayTiming
from leaveby.decision.ways.timing import NO_FIRE
from leaveby.notebook.widgets import (
    Html,
    Slider,
    answering,
    control,
    float_sliders,
    import_lab,
    laid_out,
    listed,
    override_line,
    panel,
    shown,
)
from leaveby.roads.routing.itinerary import street
from leaveby.show import wording
from leaveby.show.in_python import STAND_HERE, html_of
from leaveby.show.plan.plots import clear_curve, describe_clear_curve
from leaveby.show.plan.practice import describe_bars, practice_bars, runs_for
from leaveby.show.plan.timetable import describe_timetable, timetable_bar
from leaveby.show.templates import sentences

WORKING: Final = "The answer is being worked out: a first one stands here within seconds."

CONFIDENCES: Final = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
"""Choices of the confidence slider; more than the members can carry are left out."""


def answered(plan: str | Path, *, workers: int | None = None) -> HouseholdResult:
    """Answer the household question where a cell stands: first from few fires, then from all, in its place."""
    handle = import_lab("IPython.display").display(Html(f"<p role='status'>{WORKING}</p>"), display_id=True)

    def show(html: str) -> None:
        if handle is not None:
            # below the statement that stays on top
            answer = f"<div class='leaveby-answer' style='scroll-margin-top: 9em'>{html}</div>"
            handle.update(Html(f"{answer}<script>{STAND_HERE}</script>"))

    result = plan_household(plan, workers=workers, first=lambda few: show(first_words(few)))
    show(html_of(result))
    return result


def first_words(few: FirstAnswer) -> str:
    """Say what few fires tell: the earlier end of the interval counts (HTML)."""
    override = Markup(override_line())
    return laid_out("notebook/household.html.j2", part="first", few=few, override=override, between=_between)


def _between(few: FirstAnswer, way: WayTiming) -> str:
    early_s, late_s = way.precision.low_s, way.precision.high_s
    if way.latest_start_s is None or not math.isfinite(early_s) or not math.isfinite(late_s):
        return wording.leave_by_line(few, way)
    early, late = (wording.clock_words(few, at_s) for at_s in (early_s, late_s))
    before = ", before the fire starts" if early_s < 0.0 else ""
    sure = "" if early == late else f" More fires may move it to as late as {late}."
    return f"Start getting ready by {early}{before}.{sure}"


def shown_timetable(result: HouseholdResult) -> Html:
    """Give the timetable bar of an answer."""
    if result.fire is None:
        return listed([NO_FIRE])
    return shown(timetable_bar(result), "The day as bars", describe_timetable(result))


def practised(result: HouseholdResult) -> Html:
    """Show each practice run beside the planned bars, for the way with the most to do that was practised."""
    ways = [way for way in wording.shown_ways(result) if runs_for(result.plan, way.way)]
    if not ways:
        return listed(sentences("show/plan/practice.txt.j2", kind="none"))
    way = max(ways, key=lambda one: len(one.schedule.tasks))
    tasks = [way.schedule.tasks[place] for place in way.schedule.order]
    said = describe_bars(result.plan, way.way, tasks)
    return shown(practice_bars(result.plan, way.way, tasks), f"Practised: {wording.WAY_TITLES[way.way]}", said)


def replayed(result: HouseholdResult, *, truths: int = 100, seed: int = 1) -> Html:
    """Walk a household that follows the times through fires drawn anew, and say how often it is caught."""
    if result.fire is None:
        return listed([NO_FIRE])
    found = replays(result, truths=truths, seed=seed)
    return listed(caught_in_words(found, confidence=result.plan.confidence))


def replays(result: HouseholdResult, *, truths: int, seed: int) -> dict[str, Replay]:
    """Replay the ways of leaving that the plan asks for, in their order."""
    found = replay_many(read_inputs(result.plan), result, truths=truths, rng=np.random.default_rng(seed), workers=2)
    return {way.way: found[way.way] for way in wording.shown_ways(result) if way.way in found}


def leave_early_panel(result: HouseholdResult) -> Any:
    """Make a panel that answers "what if we ask for more, start later, or the day is worse".

    How sure one wants to be and when one starts, then wind, when the weather comes, how long tasks take and the road:
    all work on the fires that the answer already holds, and move no farther than those reach. Without `ipywidgets` it
    is an InputError. Where the plan has no fire of its own nothing moves, and that is said.
    """
    if result.fire is None:
        return listed([NO_FIRE])
    widgets = import_lab()
    now = {"result": result}
    levels, moments = usable_confidences(result), start_moments(result)
    sure = control(
        "SelectionSlider",
        "How sure you want to be",
        options=[(wording.percent_words(level), level) for level in levels],
        value=min(levels, key=lambda level: abs(level - result.plan.confidence)),
    )
    begin = control(
        "SelectionSlider",
        "When you start getting ready",
        options=[(wording.clock_words(result, at_s), at_s) for at_s in moments],
        value=min(moments, key=abs),
    )
    held = result.held if isinstance(result.held, Held) else None
    asked = {} if held is None else _controls(result, held)
    note = widgets.HTML("" if held is None else _note(held))
    words, picture = widgets.HTML(), widgets.HTML()

    def redraw() -> None:
        words.value = start_table(now["result"], confidence=sure.value, start_at_s=begin.value)
        picture.value = shown(
            clear_curve(now["result"], start_at_s=begin.value),
            "Chance of getting clear",
            describe_clear_curve(now["result"]),
        ).text

    def recompute() -> None:
        if held is not None:
            for slider in _spans(held, sure.value):
                asked[slider.name].min, asked[slider.name].max = slider.low, slider.high
            found = asked_anew(held, _asking(result, asked, confidence=sure.value))
            now["result"] = replace(result, plan=replace(result.plan, confidence=sure.value), ways=found)
        redraw()

    recompute()
    made = panel(sure, begin, *asked.values(), *([note] if note.value else []), words, picture)
    answering(made, (begin,), redraw)
    return answering(made, (sure, *asked.values()), recompute)


def _spans(held: Held, confidence: float) -> tuple[Slider, ...]:
    """The sliders that move the fire, as far as the solved fires reach; none where members had fires of their own."""
    if held.design is None:
        return ()
    wind, later = furthest(held.design, confidence)
    low, high = (math.trunc(round((at - 1.0) * 20.0, 9)) / 20.0 + 1.0 for at in wind)
    soon, late = (math.trunc(at_s / 900.0) * 15.0 for at_s in later)
    return (
        Slider("wind", "Wind, times the forecast", low, high, 0.05, 1.0),
        Slider("later", "Weather later (minutes)", soon, late, 15.0, 0.0),
    )


def _controls(result: HouseholdResult, held: Held) -> dict[str, Any]:
    tasks = [("all tasks", ""), *((wording.clean(task.name, 60), task.name) for task in result.plan.tasks)]
    longer = Slider("longer", "That takes times as long", 0.5, 2.0, 0.1, 1.0)
    # Of a choice that is None the widget shows no name.
    roads: dict[str, Any] = {"as planned": ()}
    for way, road in sorted(held.roads(), key=lambda one: (wording.WAYS.index(one[0]), one[1].time_s)):
        lengths_m: dict[str, float] = {}
        for edge in road.edges:
            words = wording.street_words(street(result.network, edge), 40)
            lengths_m[words] = lengths_m.get(words, 0.0) + float(result.network.length_m[edge])
        longest = sorted(sorted(lengths_m, key=lambda words: -lengths_m[words])[:4], key=list(lengths_m).index)
        minutes = math.ceil(road.time_s / 60.0)
        named = (
            f"{wording.WAY_TITLES[way]}: {wording.clean(road.safe_point, 40)}, {minutes} min, by {', '.join(longest)}"
        )
        roads.setdefault(named, (way, road))
    made = {
        **float_sliders(_spans(held, result.plan.confidence)),
        "task": control("Dropdown", "Task", options=tasks),
        **float_sliders((longer,)),
        "road": control("Dropdown", "Road", options=list(roads.items())),
    }
    return made if len(roads) > 1 else {name: one for name, one in made.items() if name != "road"}


def _asking(result: HouseholdResult, asked: Mapping[str, Any], *, confidence: float) -> Asking:
    factor, task = round(asked["longer"].value, 3), asked["task"].value
    road = asked["road"].value if "road" in asked else ()
    names = [task] if task else [one.name for one in result.plan.tasks]
    return Asking(
        wind_factor=round(asked["wind"].value, 3) if "wind" in asked else 1.0,
        later_s=60.0 * asked["later"].value if "later" in asked else 0.0,
        times_as_long={} if factor == 1.0 else dict.fromkeys(names, factor),
        confidence=confidence,
        roads=dict((road,)) if road else {},
    )


def _note(held: Held) -> str:
    """Say what can be moved, and how far (HTML)."""
    if held.design is not None:
        return "<p>Wind and weather move as far as the fires reach that were solved.</p>"
    count = held.timed.members.draws.members
    return (
        f"<p>Wind and weather can't be moved here: each of the {count} members has a fire of its own, so other fires "
        "would have to be solved.</p>"
    )


def usable_confidences(result: HouseholdResult) -> tuple[float, ...]:
    """Confidences that the number of members can carry: at least one member has to be left to fail."""
    most = 1.0 - 1.0 / result.members
    return tuple(level for level in CONFIDENCES if level <= most) or (0.5,)


def start_moments(result: HouseholdResult) -> tuple[float, ...]:
    """Moments of starting to get ready to choose from, in seconds from the scenario's start: every 15 clock minutes.

    From before the first curve falls to where the last has fallen, and always the scenario's start.
    """
    latest = [way.member_latest_start_s for way in wording.shown_ways(result)]
    finite_s = np.concatenate([values[np.isfinite(values)] for values in latest] or [np.zeros(0)])
    low_s, high_s = (float(finite_s.min()), float(finite_s.max())) if finite_s.size else (0.0, result.plan.horizon_s)
    offset_s = (result.start.minute % 15) * 60.0 + result.start.second
    first = math.floor((min(low_s, 0.0) + offset_s) / 900.0) - 2
    last = math.ceil((max(high_s, 0.0) + offset_s) / 900.0)
    steps = {number * 900.0 - offset_s for number in range(first, last + 1)}
    return tuple(sorted(steps | {0.0}))


def start_table(result: HouseholdResult, *, confidence: float, start_at_s: float) -> str:
    """Say for each way of leaving the latest start at a confidence, and what becomes of a start at a moment (HTML)."""
    told = {"result": result, "confidence": confidence, "start_at_s": start_at_s}
    words = {"by_words": _by_words, "fate_words": _fate_words}
    return laid_out("notebook/household.html.j2", part="starts", **told, **words)


def _by_words(result: HouseholdResult, way: WayTiming, confidence: float) -> str:
    if way.route is None:
        return wording.why_words(way)
    latest_s = latest_start(way.member_latest_departure_s, ready_s=way.member_ready_s, confidence=confidence)
    asked_s = math.inf if way.latest_start_s is None else way.latest_start_s
    if confidence == result.plan.confidence:
        latest_s = asked_s  # the leave-by itself: the same number as everywhere
    elif confidence > result.plan.confidence:
        latest_s = min(latest_s, asked_s)
    if math.isinf(latest_s):
        if confidence == result.plan.confidence and way.why:
            return wording.why_words(way)
        return "No time found within the hours computed: leave early." if latest_s > 0.0 else "No time is early enough."
    early = ", before the fire starts" if latest_s < 0.0 else ""
    return f"{wording.clock_words(result, latest_s)}{early}"


def _fate_words(way: WayTiming, start_at_s: float) -> str:
    if way.route is None:
        return "No way out."
    caught = float(np.mean(way.member_latest_start_s < start_at_s))
    if caught == 0.0:
        return "Clear on every day computed, which is no promise."
    return f"Not clear in {math.ceil(caught * 100.0 - 1e-9)} of 100 such days."
