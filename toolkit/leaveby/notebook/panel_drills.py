"""A notebook panel over a drill: pause by pause what is known, and only when asked what came of it.

Nothing is computed anew while a control is moved: the rounds, their curves and the arrival of the fire are those of the
drill. What the fire does next, the curve and when roads shut stand nowhere in the panel before a button is pressed.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from markupsafe import Markup

from leaveby.decision.drill.result import DRILL_WAY_WORDS, EXERCISE_ONLY, Answer, Drill, Pause, Placed, Round, known_by
from leaveby.decision.drill.rounds import place_answer
from leaveby.notebook.live.ground import Layer, LiveSheet, Shape, hills, to_wgs84, window_around
from leaveby.notebook.live.layers import BURNT, name_marks, street_shapes, stretches, written
from leaveby.notebook.live.map import open_map
from leaveby.notebook.widgets import answering, control, import_lab, laid_out, listed, panel, scrolling, shown
from leaveby.show.drill import words
from leaveby.show.drill.figures import answers_curve, describe_answers_curve
from leaveby.show.drill.words import EXERCISE_BANNER
from leaveby.show.ground import burnt_area
from leaveby.show.scene import drill_scene
from leaveby.show.wording import WAYS, clean, clock_words, map_notice

START_STEP_S: Final = 300.0
_NO_PAUSE: Final = "This round ends before its first pause: press the button to see what came of it."


def answers_table(drill: Drill, run: Round, placed: tuple[Placed, ...]) -> str:
    """Make the table of placed answers, and what a group that stays has to know (HTML)."""
    rows = laid_out("notebook/drill.html.j2", part="answers", drill=drill, placed=placed, words=words)
    stays = any(one.answer.way == "stay" for one in placed)
    after = Markup("<p><strong>{}</strong></p>").format(words.stay_words(drill, run)) if stays else ""
    return scrolling("Answers", rows) + str(after)


def _controls(drill: Drill) -> SimpleNamespace:
    """What can be moved or pressed: the round and its pause, one answer, and what shows the end."""
    widgets = import_lab()
    last_s = max(run.end_s for run in drill.rounds) - drill.script.begin_s
    ways = [*(way for way in WAYS if way in drill.rounds[0].ways), "stay"]
    moments = [drill.script.begin_s + START_STEP_S * step for step in range(math.ceil(last_s / START_STEP_S) + 1)]
    return SimpleNamespace(
        chosen=control("Dropdown", "Round", options=[(words.round_title(run), run) for run in drill.rounds]),
        ahead=widgets.Button(description="Go on to the next pause", layout=widgets.Layout(width="20em")),
        reveal=widgets.Button(description="Show what came of it", layout=widgets.Layout(width="20em")),
        group=control("Text", "Group", value="A group"),
        way=control("Dropdown", "Would", options=[(DRILL_WAY_WORDS[name], name) for name in ways]),
        start=control(
            "SelectionSlider",
            "Getting ready from",
            options=[(clock_words(drill, at_s, step_min=1), at_s) for at_s in moments],
        ),
        keep=widgets.Button(description="Keep this answer", layout=widgets.Layout(width="20em")),
    )


def drill_panel(drill: Drill) -> Any:
    """Make a panel over a drill that begins at the first pause and keeps the end hidden until it is asked for.

    It shows what a group knows at a pause. A button goes on to the next pause; another shows what came of the round:
    its fire at every later pause, the times to start by, when the roads shut, and the answer on the curve. Whatever is
    moved on hides that again.
    """
    widgets, by = import_lab(), _controls(drill)
    kept: dict[int, list[Placed]] = {run.number: list(run.placed) for run in drill.rounds}
    title, known, injects, said, came = (widgets.HTML() for _ in range(5))
    drawn, sheet = open_map(), drill_sheet(drill)
    at = SimpleNamespace(pause=0, open=False)

    def answer() -> Placed:
        run: Round = by.chosen.value
        start_s = None if by.way.value == "stay" else float(by.start.value)
        group = clean(by.group.value, 60) or "A group"
        return place_answer(run, Answer(group, max(at.pause, 1), by.way.value, start_s, run.speed_m_s))

    def tell() -> None:
        run: Round = by.chosen.value
        at.pause = min(max(at.pause, 1), len(run.pauses))
        by.ahead.disabled = at.pause >= len(run.pauses)
        if not run.pauses:
            title.value, known.value, injects.value = f"<h3>{words.round_title(run)}</h3>", _NO_PAUSE, ""
            drawn.show(sheet.under(()))
            return
        pause = run.pauses[at.pause - 1]
        clock = clock_words(drill, pause.at_s, step_min=1)
        title.value = f"<h3>{words.round_title(run)}, pause {pause.number}: it is {clock}.</h3>"
        told = words.weather_words(drill, pause), words.pause_words(drill, pause)
        known.value = str(Markup("<p>{} <strong>{}</strong></p>").format(*told))
        drawn.show(sheet.under((burnt_layer(drill, run, pause),)))
        new = [f"{clock_words(drill, one.at_s, step_min=1)} {words.said_words(one)}" for one in known_by(run, pause)]
        injects.value = listed(reversed(new)).text if new else "<p>Nothing yet.</p>"

    def place() -> None:
        run, now = by.chosen.value, answer()
        told = f"{now.answer.group}: {words.answer_words(drill, now)}."
        said.value = str(Markup("<p>Your answer, {}</p>").format(told))
        by.reveal.description = "Hide what came of it" if at.open else "Show what came of it"
        before = kept[run.number]
        placed = tuple(before) if before and before[-1] == now else (*before, now)
        came.value = _came_of(drill, run, placed, after=at.pause) if at.open else ""

    def moved() -> None:
        at.open = False
        tell()
        place()

    def another() -> None:
        at.pause = 1
        moved()

    def go_on(_button: object) -> None:
        at.pause += 1
        moved()

    def reveal(_button: object) -> None:
        at.open = not at.open
        place()

    def keep_it(_button: object) -> None:
        kept[by.chosen.value.number].append(answer())
        place()

    moved()
    ask = widgets.HTML(f"<h3>When would you leave? {EXERCISE_ONLY}.</h3>")
    parts = (by.chosen, title, known, drawn.box, injects, by.ahead, ask, by.group, by.way, by.start, by.keep, said)
    notes = listed(drill.notes).text if drill.notes else ""
    made = panel(*parts, by.reveal, came, more=f"<p><strong>{words.EXERCISE_BANNER}</strong></p>{notes}")
    answering(made, (by.chosen,), another)
    answering(made, (by.group, by.way, by.start), place)
    for button, work in ((by.ahead, go_on), (by.reveal, reveal), (by.keep, keep_it)):
        button.on_click(work)
    return made


def _came_of(drill: Drill, run: Round, placed: tuple[Placed, ...], *, after: int) -> str:
    """What a round comes to (HTML): what the fire does next, its end, its roads, and the answers on their curves."""
    described = describe_answers_curve(drill, run, placed=placed)
    curve = shown(answers_curve(drill, run, placed=placed), f"Answers, {words.round_title(run)}", described).text
    answers = Markup(answers_table(drill, run, placed))
    told = {"drill": drill, "run": run, "after": after, "words": words}
    return laid_out("notebook/drill.html.j2", part="came", curve=Markup(curve), answers=answers, **told)


MOST_NAMES: Final = 18


def drill_sheet(drill: Drill) -> LiveSheet:
    """What the map shows in every round: streets with their names, the home and the safe points.

    The whole of the modelled ground is shown, whatever burns: a frame around the fire would give it away.
    """
    grid, roads, scene = drill.terrain.grid, stretches(drill.network), drill_scene(drill)
    corners = np.reshape(grid.bounds_m, (2, 2))
    named, least_m = np.flatnonzero(roads.named).tolist(), 0.1 * float(np.ptp(corners[:, 0]))
    return LiveSheet(
        title=EXERCISE_BANNER,
        picture=hills(grid, drill.terrain.elevation_m),
        layers=(
            Layer("Streets", street_shapes(roads, zip(roads.name, roads.kind, strict=True))),
            Layer("Street names", (), name_marks(roads, named, least_m=least_m, most=MOST_NAMES)),
            written(scene, ("safe_points", "home"), title="Home and safe points"),
        ),
        window_deg=window_around(corners, grid.crs),
        measures=drill.plan.measures,
        described="Map of the place: streets, your home and the safe points of the plan, and what is known to burn.",
        notice=map_notice(drill.network),
    )


def burnt_layer(drill: Drill, run: Round, moment: Pause) -> Layer:
    """What has burnt by a moment, as far as it is known then, and nothing of what comes later."""
    name = "Burnt by now"
    if not math.isfinite(moment.front_m):
        return Layer(name)
    grid = drill.terrain.grid
    area = to_wgs84(burnt_area(grid, run.arrival.time_s, by_s=moment.at_s), grid.crs)
    told = (f"Burnt by {clock_words(drill, moment.at_s, step_min=1)}",)
    return Layer(name, (Shape(area, told, BURNT, "area"),), meanings=((BURNT, "Burnt by now, exercise only"),))
