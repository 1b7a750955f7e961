"""A notebook panel over a drill: a clock that runs through the exercise, injects up to now, and answers on the curve.

Nothing is computed anew while a control is moved: the rounds, their curves and the arrival of the fire are those of the
drill.
"""

from __future__ import annotations

import asyncio
import math
from types import SimpleNamespace
from typing import Any, Final

from markupsafe import Markup

from leaveby.decision.drill.injects import pause_at
from leaveby.decision.drill.result import DRILL_WAY_WORDS, EXERCISE_ONLY, Answer, Drill, Pause, Placed, Round
from leaveby.decision.drill.rounds import place_answer
from leaveby.notebook.live.drill import burnt_layer, drill_sheet
from leaveby.notebook.live.map import open_map
from leaveby.notebook.widgets import Html, answering, control, import_lab, listed, panel, scrolling, shown, table
from leaveby.show.drill import words
from leaveby.show.drill.figures import answers_curve, describe_answers_curve, describe_rounds_strip, rounds_strip
from leaveby.show.wording import WAYS, clean, clock_words

START_STEP_S: Final = 300.0


def shown_rounds(drill: Drill) -> Html:
    """Give the rounds of a drill side by side."""
    return shown(rounds_strip(drill), "The rounds side by side", describe_rounds_strip(drill))


def moment_of(drill: Drill, run: Round, at_s: float) -> Pause:
    """Give what can be known at any moment of a round, as if a pause were held; its number is that of the last one."""
    held = sum(pause.at_s <= at_s for pause in run.pauses)
    return pause_at(drill, run.arrival, number=max(held, 1), at_s=at_s, reported_s=drill.reported_s)


def injects_list(drill: Drill, run: Round, *, until_s: float, all_of_them: bool = False) -> str:
    """List the injects of a round up to a moment, the latest first, with those that the trainer keeps or without."""
    told = [one for one in run.injects if one.at_s <= until_s and (all_of_them or not one.facilitator_only)]
    items = Markup("").join(
        Markup("<li><strong>{}</strong> [{}: {}] {}{}</li>").format(
            clock_words(drill, one.at_s, step_min=1),
            EXERCISE_ONLY,
            words.KIND_WORDS[one.kind],
            words.inject_words(one),
            " (keep to yourself)" if one.facilitator_only else "",
        )
        for one in reversed(told)
    )
    return str(Markup("<ul>{}</ul>").format(items) if told else Markup("<p>Nothing yet.</p>"))


def answers_table(drill: Drill, run: Round, placed: tuple[Placed, ...]) -> str:
    """Make the table of placed answers, and what a group that stays has to know (HTML)."""
    rows = (
        (
            number,
            clean(one.answer.group, 60),
            words.answer_words(drill, one),
            words.clear_words(one),
            words.margin_words(drill, one),
            words.shut_words(one),
        )
        for number, one in enumerate(placed, start=1)
    )
    head = ("No.", "Group", "Answer", "Clear", "Against the leave-by", "Shut by then")
    stays = any(one.answer.way == "stay" for one in placed)
    after = Markup("<p><strong>{}</strong></p>").format(words.stay_words(drill, run)) if stays else ""
    return scrolling("Answers", table(head, rows, heading=1)) + str(after)


def _controls(drill: Drill) -> SimpleNamespace:
    """What can be moved: the round, the clock, whether the end is shown, and one answer."""
    widgets = import_lab()
    last_min = math.ceil(max(run.end_s - drill.script.begin_s for run in drill.rounds) / 60.0)
    ways = [*(way for way in WAYS if way in drill.rounds[0].ways), "stay"]
    steps = range(math.ceil(last_min * 60.0 / START_STEP_S) + 1)
    moments = [drill.script.begin_s + START_STEP_S * step for step in steps]
    return SimpleNamespace(
        chosen=control(
            "Dropdown",
            "Round",
            options=[(words.round_full_title(run), run) for run in drill.rounds],
            value=drill.rounds[0],
        ),
        clock=control("IntSlider", "Minutes of the exercise", max=last_min, continuous_update=True),
        play=widgets.ToggleButton(value=False, description="Play the clock"),
        reveal=widgets.Checkbox(
            value=True, description="Show what groups may not see yet: leave-bys and the curve", indent=False
        ),
        group=control("Text", "Group", value="A group"),
        way=control("Dropdown", "Would", options=[(DRILL_WAY_WORDS[name], name) for name in ways]),
        start=control(
            "SelectionSlider",
            "Getting ready from",
            options=[(clock_words(drill, at_s, step_min=1), at_s) for at_s in moments],
        ),
        keep=widgets.Button(description="Keep this answer"),
    )


def drill_panel(drill: Drill, *, minute_s: float = 1.0) -> Any:
    """Make a panel with a clock over a drill.

    The clock can be moved or played: a minute of the exercise takes `minute_s` seconds then. The injects up to now and
    the fire as it is known are shown; an answer that is set with the controls lies on the curve at once, and stays
    there when it is kept. What would give the end away can be hidden, for when groups look on.
    """
    widgets, by = import_lab(), _controls(drill)
    kept: dict[int, list[Placed]] = {run.number: list(run.placed) for run in drill.rounds}
    title, known, injects, verdict, curve, rows = (widgets.HTML() for _ in range(6))
    drawn, sheet = open_map(), drill_sheet(drill)

    def now_s() -> float:
        return float(drill.script.begin_s + 60.0 * by.clock.value)

    def answer() -> Placed:
        run: Round = by.chosen.value
        at_s = None if by.way.value == "stay" else float(by.start.value)
        group = clean(by.group.value, 60) or "A group"
        return place_answer(
            run, Answer(group, moment_of(drill, run, now_s()).number, by.way.value, at_s, run.speed_m_s)
        )

    def tell() -> None:
        run: Round = by.chosen.value
        at_s = min(now_s(), run.end_s)
        moment = moment_of(drill, run, at_s)
        over = " This round has ended." if at_s >= run.end_s else ""
        title.value = f"<h3>{words.round_title(run)}: it is {clock_words(drill, at_s, step_min=1)}.{over}</h3>"
        told = words.weather_words(moment), words.pause_words(moment)
        known.value = str(Markup("<p>{} <strong>{}</strong></p>").format(*told))
        drawn.show(sheet.under((burnt_layer(drill, run, moment),)))
        injects.value = injects_list(drill, run, until_s=at_s, all_of_them=by.reveal.value)

    def place() -> None:
        run: Round = by.chosen.value
        if not by.reveal.value:
            verdict.value = curve.value = rows.value = ""
            return
        before, now = kept[run.number], answer()
        placed = tuple(before) if before and before[-1] == now else (*before, now)
        lines = listed(words.leave_by_words(drill, run)).text
        verdict.value = str(Markup("<p><strong>{}</strong></p>").format(words.verdict_words(drill, run))) + lines
        curve.value = shown(
            answers_curve(drill, run, placed=placed),
            f"Answers, {words.round_title(run)}",
            describe_answers_curve(drill, run, placed=placed),
        ).text
        rows.value = answers_table(drill, run, placed)

    def both() -> None:
        tell()
        place()

    def keep_it(_button: object) -> None:
        kept[by.chosen.value.number].append(answer())
        place()

    both()
    ask = widgets.HTML(f"<h3>When would you leave? {EXERCISE_ONLY}.</h3>")
    player = widgets.HBox([by.play, by.clock])
    parts = (by.chosen, player, by.reveal, title, known, drawn.box, injects, ask, by.group, by.way, by.start, by.keep)
    made = panel(*parts, verdict, curve, rows, more=f"<p><strong>{words.EXERCISE_BANNER}</strong></p>")
    answering(made, (by.clock,), tell)
    answering(made, (by.chosen, by.reveal), both)
    answering(made, (by.group, by.way, by.start), place)
    by.keep.on_click(keep_it)
    _let_play(by.play, by.clock, minute_s=minute_s)
    return made


def _let_play(play: Any, clock: Any, *, minute_s: float) -> None:
    """Let a button play the clock. The browser's own player has buttons without names, unknown to screen readers."""
    running: set[asyncio.Task[None]] = set()

    async def tick() -> None:
        while play.value and clock.value < clock.max:
            await asyncio.sleep(minute_s)
            if play.value:
                clock.value += 1
        play.value = False

    def start_or_stop(change: Any) -> None:
        if not change["new"]:
            return
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            # Outside a notebook nothing runs a clock.
            play.value = False
            return
        task = loop.create_task(tick())
        running.add(task)
        task.add_done_callback(running.discard)

    play.observe(start_or_stop, names="value")
