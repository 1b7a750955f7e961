"""A notebook panel over a drill: a clock that runs through the exercise, injects up to now, and answers on the curve.

Nothing is computed anew while a control is moved: the rounds, their curves and the arrival of the fire are those of the
drill.
"""

from __future__ import annotations

import asyncio
import math
from typing import Any, Final

from markupsafe import Markup

from leaveby.decision.drill.injects import pause_at
from leaveby.decision.drill.result import DRILL_WAY_WORDS, EXERCISE_ONLY, Answer, Drill, Pause, Placed, Round
from leaveby.decision.drill.rounds import place_answer
from leaveby.notebook.widgets import boxed, import_widgets, override_banner, shown
from leaveby.show.drill.figures import answers_curve, describe_answers_curve
from leaveby.show.drill.map import map_base, pause_map
from leaveby.show.drill.words import (
    EXERCISE_BANNER,
    KIND_WORDS,
    answer_words,
    clear_words,
    inject_words,
    leave_by_words,
    margin_words,
    pause_words,
    round_full_title,
    round_title,
    shut_words,
    stay_words,
    verdict_words,
    weather_words,
)
from leaveby.show.wording import WAYS, clean, clock_words

START_STEP_S: Final = 300.0
MAP_WIDTH_PX: Final = 460


def moment_of(drill: Drill, run: Round, at_s: float) -> Pause:
    """Give what can be known at any moment of a round, as if a pause were held; its number is that of the last one.

    Parameters
    ----------
    drill : Drill
    run : Round
    at_s : float
    """
    held = sum(pause.at_s <= at_s for pause in run.pauses)
    return pause_at(
        drill.weather,
        run.arrival,
        home_xy_m=drill.home_xy_m,
        number=max(held, 1),
        at_s=at_s,
        reported_s=drill.reported_s,
    )


def injects_list(drill: Drill, run: Round, *, until_s: float, all_of_them: bool = False) -> str:
    """List the injects of a round up to a moment, the latest first.

    Parameters
    ----------
    drill : Drill
    run : Round
    until_s : float
    all_of_them : bool
        Also those that the trainer keeps.

    Returns
    -------
    str
        HTML.
    """
    told = [one for one in run.injects if one.at_s <= until_s and (all_of_them or not one.facilitator_only)]
    items = Markup("").join(
        Markup("<li><strong>{}</strong> [{}: {}] {}{}</li>").format(
            clock_words(drill, one.at_s, step_min=1),
            EXERCISE_ONLY,
            KIND_WORDS[one.kind],
            inject_words(one),
            " (keep to yourself)" if one.facilitator_only else "",
        )
        for one in reversed(told)
    )
    return str(Markup("<ul>{}</ul>").format(items) if told else Markup("<p>Nothing yet.</p>"))


def answers_table(drill: Drill, run: Round, placed: tuple[Placed, ...]) -> str:
    """Make the table of placed answers, and what a group that stays has to know.

    Returns
    -------
    str
        HTML.
    """
    rows = Markup("").join(
        Markup('<tr><td>{}</td><th scope="row">{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>').format(
            number,
            clean(one.answer.group, 60),
            answer_words(drill, one),
            clear_words(one),
            margin_words(drill, one),
            shut_words(one),
        )
        for number, one in enumerate(placed, start=1)
    )
    head = Markup(
        '<div style="overflow-x: auto" tabindex="0" role="region" aria-label="Answers"><table style="min-width: 44em">'
        '<thead><tr><th scope="col">No.</th><th scope="col">Group</th><th scope="col">Answer</th>'
        '<th scope="col">Clear</th><th scope="col">Against the leave-by</th><th scope="col">Shut by then</th></tr>'
        "</thead><tbody>"
    )
    stays = any(one.answer.way == "stay" for one in placed)
    after = Markup("<p><strong>{}</strong></p>").format(stay_words(drill, run)) if stays else Markup("")
    return str(head + rows + Markup("</tbody></table></div>") + after)


def drill_panel(drill: Drill, *, minute_s: float = 1.0) -> Any:
    """Make a panel with a clock over a drill.

    The clock can be moved or played. The injects up to now and the fire as it is known are shown; an answer that is set
    with the controls lies on the curve at once, and stays there when it is kept. What would give the end away can be
    hidden, for when groups look on.

    Parameters
    ----------
    drill : Drill
    minute_s : float
        How long a minute of the exercise takes while the clock is played, in seconds, above 0.

    Returns
    -------
    ipywidgets.VBox
        Shown by a notebook as it is.

    Raises
    ------
    InputError
        If `ipywidgets` is not installed.
    """
    widgets = import_widgets()
    wide, layout = {"description_width": "16em"}, widgets.Layout(width="34em")
    held: dict[int, list[Placed]] = {run.number: list(run.placed) for run in drill.rounds}
    chosen = widgets.Dropdown(
        options=[(round_full_title(run), run) for run in drill.rounds],
        value=drill.rounds[0],
        description="Round",
        style=wide,
        layout=layout,
    )
    last_min = math.ceil(max(run.end_s - drill.script.begin_s for run in drill.rounds) / 60.0)
    clock = widgets.IntSlider(
        value=0, min=0, max=last_min, step=1, description="Minutes of the exercise", style=wide, layout=layout
    )
    play = widgets.ToggleButton(value=False, description="Play the clock")
    reveal = widgets.Checkbox(
        value=True, description="Show what groups may not see yet: leave-bys and the curve", indent=False
    )
    group = widgets.Text(value="A group", description="Group", style=wide, layout=layout)
    ways = [*(way for way in WAYS if way in drill.rounds[0].ways), "stay"]
    way = widgets.Dropdown(
        options=[(DRILL_WAY_WORDS[name], name) for name in ways], description="Would", style=wide, layout=layout
    )
    steps = range(math.ceil(last_min * 60.0 / START_STEP_S) + 1)
    moments = [drill.script.begin_s + START_STEP_S * step for step in steps]
    start = widgets.SelectionSlider(
        options=[(clock_words(drill, at_s, step_min=1), at_s) for at_s in moments],
        description="Getting ready from",
        style=wide,
        layout=layout,
    )
    keep = widgets.Button(description="Keep this answer")
    title, known, picture, injects, verdict, curve, table = (widgets.HTML() for _ in range(7))

    def answer() -> Placed:
        run: Round = chosen.value
        at_s = None if way.value == "stay" else float(start.value)
        words = clean(group.value, 60) or "A group"
        return place_answer(run, Answer(words, moment_of(drill, run, now_s()).number, way.value, at_s, run.speed_m_s))

    def now_s() -> float:
        return float(drill.script.begin_s + 60.0 * clock.value)

    def tell(_change: object = None) -> None:
        run: Round = chosen.value
        at_s = min(now_s(), run.end_s)
        moment = moment_of(drill, run, at_s)
        over = " This round has ended." if at_s >= run.end_s else ""
        title.value = str(
            Markup("<h3>{}: it is {}.{}</h3>").format(round_title(run), clock_words(drill, at_s, step_min=1), over)
        )
        known.value = str(Markup("<p>{} <strong>{}</strong></p>").format(weather_words(moment), pause_words(moment)))
        picture.value = boxed(pause_map(drill, run, moment), "Map of the fire as it is known", width_px=MAP_WIDTH_PX)
        injects.value = injects_list(drill, run, until_s=at_s, all_of_them=reveal.value)

    def place(_change: object = None) -> None:
        run: Round = chosen.value
        if not reveal.value:
            verdict.value = curve.value = table.value = ""
            return
        kept, now = held[run.number], answer()
        placed = tuple(kept) if kept and kept[-1] == now else (*kept, now)
        lines = Markup("").join(Markup("<li>{}</li>").format(line) for line in leave_by_words(drill, run))
        verdict.value = str(Markup("<p><strong>{}</strong></p><ul>{}</ul>").format(verdict_words(drill, run), lines))
        curve.value = shown(
            answers_curve(drill, run, placed=placed),
            f"Answers, {round_title(run)}",
            describe_answers_curve(drill, run, placed=placed),
        ).text
        table.value = answers_table(drill, run, placed)

    def keep_it(_button: object) -> None:
        held[chosen.value.number].append(answer())
        place()

    def both(_change: object = None) -> None:
        tell()
        place()

    running: set[asyncio.Task[None]] = set()

    async def tick() -> None:
        """Play the clock. The browser's own player has buttons without names, which screen readers can't tell."""
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

    clock.observe(tell, names="value")
    play.observe(start_or_stop, names="value")
    for control in (chosen, reveal):
        control.observe(both, names="value")
    for control in (group, way, start):
        control.observe(place, names="value")
    keep.on_click(keep_it)
    both()
    banner = widgets.HTML(override_banner().text + str(Markup("<p><strong>{}</strong></p>").format(EXERCISE_BANNER)))
    base = widgets.HTML(map_base(drill))
    return widgets.VBox(
        [
            banner,
            base,
            chosen,
            widgets.HBox([play, clock]),
            reveal,
            title,
            known,
            picture,
            injects,
            widgets.HTML(f"<h3>When would you leave? {EXERCISE_ONLY}.</h3>"),
            group,
            way,
            start,
            keep,
            verdict,
            curve,
            table,
        ]
    )
