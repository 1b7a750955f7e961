"""The pages, the record and the panel of a drill.

Exercise practice (every message and sheet says that it is an exercise; participants see nothing of what comes): common
practice, no source.
"""

from __future__ import annotations

import asyncio
import html
import json
import re
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pytest
import shapely
from pyproj import Transformer
from shapely.geometry import shape

from leaveby.ask.drill import read_drill, run_drill
from leaveby.ask.household import demo_folder
from leaveby.caution import LAST_RESORT, OVERRIDE, PLANNING_AID
from leaveby.decision.drill.result import INVENTED, Answer, Drill, OwnInject, known_by, new_at
from leaveby.decision.drill.rounds import place_answer
from leaveby.decision.ways.confidence import share_clear
from leaveby.decision.ways.result import Phases
from leaveby.errors import InputError
from leaveby.notebook.panel_drills import drill_panel, injects_list, moment_of
from leaveby.show.drill.figures import answers_curve, describe_answers_curve, describe_rounds_strip
from leaveby.show.drill.map import map_base, pause_map
from leaveby.show.drill.page import drill_page, participants_page
from leaveby.show.drill.record import drill_record
from leaveby.show.drill.words import (
    EXERCISE_BANNER,
    NO_WAY_OPEN,
    clear_words,
    leave_by_words,
    margin_words,
    stay_words,
    verdict_words,
)
from leaveby.show.in_python import layers
from leaveby.show.record import record_text
from leaveby.show.scene import drill_scene
from leaveby.show.symbols import mark_look
from leaveby.show.wording import clock_words

MADE_AT = datetime(2025, 11, 3, 9, 15, tzinfo=timezone(timedelta(hours=11)))
SCHEMA = json.loads(files("leaveby.show.drill").joinpath("drill.schema.json").read_text(encoding="utf-8"))
NASTY = "<script>alert('x')</script><b>& =1+1"
VOID = {"meta", "br", "img", "link", "path", "use", "rect", "circle", "image"}
PROMISES = (
    "you have time",
    "there is time",
    "enough time",
    "will be open",
    "stays open",
    "safe to stay",
    "you are safe",
)


class Page(HTMLParser):
    """Tags, identifiers, and the words of each sheet (a table of class `sheet`)."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.sheets: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.tags.append((tag, values))
        if values.get("class") == "sheet":
            self.sheets.append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.sheets and "style" not in self.open:
            self.sheets[-1] += f" {data.strip()}"


@pytest.fixture(scope="module")
def drill() -> Drill:
    return run_drill(replace(read_drill(demo_folder() / "drill.toml"), members=20), workers=2)


@pytest.fixture(scope="module")
def trainer(drill: Drill) -> str:
    return drill_page(drill, made_at=MADE_AT)


@pytest.fixture(scope="module")
def groups(drill: Drill) -> str:
    return participants_page(drill, made_at=MADE_AT)


def test_the_end_of_leaving_in_a_round_word_for_word(drill: Drill) -> None:
    """The demo's fire starts at 09:20; the exercise begins before it."""
    run = drill.rounds[0]

    def said(at_s: float) -> tuple[str, str]:
        made = replace(run, phases=Phases(3600.0, 4800.0, 0.05, at_s), ember_s=np.inf, home_s=np.inf)
        return leave_by_words(drill, made)[-1], stay_words(drill, made)

    assert said(12_000.0) == (
        "From 12:40 on, every road out is shut in more than half of this round's runs; between the times above and "
        "that one is late: no packing, go at once and as directed.",
        "Staying is no way of leaving and has no curve. In this round the last way of leaving had to be begun by 10:20 "
        "to be in time; every road out is shut on more than half of such days from 12:40, the last resort no sooner.",
    )
    assert said(-60.0)[0] == (
        "From the moment when the fire starts, every road out is shut in more than half of this round's runs."
    )
    assert said(np.inf) == (
        "In half of this round's runs some road out was not shut within the hours; that is no leave to wait.",
        "Staying is no way of leaving and has no curve. In this round the last way of leaving had to be begun by 10:20 "
        "to be in time.",
    )


def test_a_leave_by_before_the_exercise_says_so(drill: Drill) -> None:
    car = replace(drill.rounds[0].ways["car"], latest_start_s=-7200.0, latest_departure_s=-6000.0)
    run = replace(drill.rounds[0], ways={"car": car})
    begun = replace(drill, script=replace(drill.script, begin_s=-3600.0))
    assert leave_by_words(begun, run)[0] == (
        "By car, without the house: Start getting ready by 07:20, before the fire starts (09:20), be rolling by 07:40. "
        "That is before this exercise begins."
    )


@pytest.mark.parametrize("which", ["trainer", "groups"])
def test_the_pages_stand_alone(request: pytest.FixtureRequest, which: str) -> None:
    text = request.getfixturevalue(which)
    page = Page(text)
    assert page.open == []
    ids = [values["id"] for _, values in page.tags if values.get("id")]
    assert len(ids) == len(set(ids))
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "object", "embed", "base", "form", "img"}
    for _, values in page.tags:
        for name, value in values.items():
            assert not name.startswith("on")
            if name in {"src", "href", "xlink:href"} and value:
                assert value.startswith("#")
                assert value[1:] in ids
    assert "@import" not in text
    assert not re.search(r"url\((?!#|&quot;|data:font/woff2;base64,)", text)


@pytest.mark.parametrize("which", ["trainer", "groups"])
def test_every_sheet_says_exercise_only_and_that_warnings_override(request: pytest.FixtureRequest, which: str) -> None:
    """A table's head is repeated on each printed page that the table runs over (CSS 2.1, 17.2, from memory)."""
    text = request.getfixturevalue(which)
    page = Page(text)
    assert len(page.sheets) > 6
    for sheet in page.sheets:
        assert sheet.split("Official")[0].strip() == EXERCISE_BANNER
        assert OVERRIDE in sheet
    assert ".sheet > thead { display: table-header-group; }" in text
    assert text.count('<thead><tr><td><div class="head"') == len(page.sheets)
    assert PLANNING_AID in text
    assert not any(words in html.unescape(text).lower() for words in PROMISES)


@pytest.mark.parametrize("which", ["trainer", "groups"])
def test_official_messages_are_marked_as_invented(request: pytest.FixtureRequest, drill: Drill, which: str) -> None:
    """Common practice, no source: a message of an exercise says so, so that nobody takes it for a real one."""
    text = html.unescape(request.getfixturevalue(which))
    for run in drill.rounds:
        for one in run.injects:
            if one.kind == "official":
                for found in re.finditer(re.escape(one.text), text):
                    assert INVENTED in text[found.start() - 80 : found.start()]


def pages_of(drill: Drill, groups: str) -> Iterator[tuple[Any, Any, str]]:
    sheets = Page(groups).sheets[1:]
    wanted = [(run, pause) for run in drill.rounds for pause in run.pauses]
    assert len(sheets) == len(wanted)
    for (run, pause), sheet in zip(wanted, sheets, strict=True):
        yield run, pause, sheet


def test_a_sheet_holds_nothing_of_what_comes_later(drill: Drill, groups: str) -> None:
    for run, pause, sheet in pages_of(drill, groups):
        assert f"Round {run.number}, sheet {run.number}.{pause.number}" in sheet
        told = {one.text for one in known_by(run, pause)}
        for one in run.injects:
            if one.text not in told:
                assert one.text not in sheet
        for one in new_at(run, pause):
            assert one.text in sheet
        forecast = [one.text for one in known_by(run, pause) if one.at_s == drill.script.begin_s]
        rest = sheet
        for words in forecast:
            rest = rest.replace(words, "")
        at = (drill.start + timedelta(seconds=pause.at_s)).strftime("%H:%M")
        assert all(clock <= at for clock in re.findall(r"\b\d\d:\d\d\b", rest))


def test_the_sheets_do_not_give_the_end_away(drill: Drill, groups: str) -> None:
    text = html.unescape(groups)
    assert "leave-by" not in text.lower()
    assert "latest start" not in text.lower()
    assert "round ends" not in text.lower()
    for words in ("fire at 5", "fire at 12", "fire at 50", "5 km/h fire", "clear in", "no way of leaving"):
        assert words not in text
    for run in drill.rounds:
        assert verdict_words(drill, run) not in text
        assert f"{run.scale:.3g}." not in text
    # Burnt ground is drawn as it was at each pause, never beyond.
    before = [pause for pause in drill.rounds[0].pauses if pause.at_s < drill.reported_s]
    for pause in before:
        assert "<pattern" not in pause_map(drill, drill.rounds[0], pause)
    assert "<pattern" in pause_map(drill, drill.rounds[0], drill.rounds[0].pauses[-1])


def test_the_shared_drawing_lies_over_the_fire_and_does_not_cover_it(drill: Drill) -> None:
    svg = "{http://www.w3.org/2000/svg}"
    picture = ElementTree.fromstring(pause_map(drill, drill.rounds[0], drill.rounds[0].pauses[-1]))
    assert picture[-1].tag == f"{svg}use"
    base = ElementTree.fromstring(map_base(drill))
    assert picture[-1].get("href") == f"#{base.find(f'{svg}defs/{svg}g').get('id')}"
    width = float(picture.get("viewBox").split()[2])
    filled = [path for path in base.iter(f"{svg}path") if "fill: none" not in path.get("style", "fill: none")]
    assert filled
    for path in filled:
        across = [float(part) for part in path.get("d").split() if not part.isalpha()][::2]
        assert max(across) - min(across) < width / 20.0


def test_signs_mean_on_a_drills_map_what_they_mean_on_the_plans(drill: Drill, groups: str) -> None:
    places = layers(drill)["safe_points"]
    kinds = {point.name: point.kind for point in drill.plan.safe_points}
    for place in places.itertuples():
        wanted = {"safe_point": ("o", "#00614f"), "place_of_last_resort": ("s", "#1a1a1a")}[kinds[place.title]]
        look = mark_look(place.symbol)
        assert (look["marker"], look["markeredgecolor"]) == wanted
    assert "Ring: a safe point of the plan. Square: a place of last resort." in groups


@pytest.mark.parametrize("number", range(3))
def test_a_pauses_scene_holds_nothing_of_the_others(drill: Drill, number: int) -> None:
    run = drill.rounds[0]
    known = [pause for pause in run.pauses if np.isfinite(pause.front_m)]
    pause = known[number % len(known)]
    fronts = drill_scene(drill, run, only=pause).drawn("fronts")
    assert fronts["at_s"].tolist() == [pause.at_s]
    cell_m2 = drill.terrain.grid.cell_m**2
    assert fronts.area.sum() == pytest.approx((run.arrival.time_s <= pause.at_s).sum() * cell_m2)
    assert len(drill_scene(drill, run).drawn("fronts")) == len(known)
    assert drill_scene(drill).drawn("fronts").empty


def test_every_sheet_has_lines_to_write_on(drill: Drill, groups: str) -> None:
    assert groups.count('class="lines"') == sum(len(run.pauses) for run in drill.rounds)
    for words in ("tow the house", "go by car, without the house", "stay, under official directions"):
        assert words in groups
    assert ".sheet + .sheet { break-before: page; }" in groups


def test_the_trainers_page_holds_everything(drill: Drill, trainer: str) -> None:
    text = " ".join(Page(trainer).sheets)
    for run in drill.rounds:
        assert verdict_words(drill, run) in text
        for one in run.injects:
            assert one.text in text
        for one in run.placed:
            assert one.answer.group in text
            assert margin_words(drill, one) in text
        for shut in run.shuts:
            assert shut.street in text
        for note in run.notes:
            assert note in text
    for line in drill.assumptions:
        assert line in text
    assert LAST_RESORT in text
    assert f"{drill.members} members" in text


def test_a_round_without_a_way_out_says_so_plainly(drill: Drill, trainer: str) -> None:
    fifty = drill.rounds[2]
    assert fifty.speed_m_s == 50.0 / 3.6
    assert verdict_words(drill, fifty).startswith(NO_WAY_OPEN)
    assert trainer.count('class="say closed"') >= 3


def test_minutes_are_rounded_to_the_side_that_leaves_earlier(drill: Drill) -> None:
    run = drill.rounds[0]
    latest_s = run.ways["car"].latest_start_s
    assert latest_s is not None
    early = place_answer(run, Answer("x", 1, "car", latest_s - 119.0))
    late = place_answer(run, Answer("x", 1, "car", latest_s + 61.0))
    assert margin_words(drill, early).startswith("1 min before")
    assert margin_words(drill, late).startswith("2 min after")
    assert clear_words(replace(late, clear_probability=0.9999)) == "99.9 % clear"
    assert "no promise" in clear_words(replace(late, clear_probability=1.0))


def test_the_same_drill_gives_the_same_files(drill: Drill, trainer: str, groups: str) -> None:
    assert drill_page(drill, made_at=MADE_AT) == trainer
    assert participants_page(drill, made_at=MADE_AT) == groups
    assert drill_record(drill, made_at=MADE_AT) == drill_record(drill, made_at=MADE_AT)


def test_a_moment_without_offset_is_refused(drill: Drill) -> None:
    for make in (drill_page, participants_page, drill_record):
        with pytest.raises(InputError, match="made_at"):
            make(drill, made_at=MADE_AT.replace(tzinfo=None))


def nasty(drill: Drill) -> Drill:
    """The drill with markup, a formula and control characters in every name that a person writes."""
    words = f"{NASTY}\x00\u202e"
    run = drill.rounds[0]
    answer = place_answer(run, Answer(words, 1, "car", -600.0))
    mine = replace(run.injects[0], text=words, source="trainer", kind="heard")
    shuts = tuple(replace(one, street=words) for one in run.shuts)
    plan = replace(
        drill.plan,
        name=words,
        people=tuple(replace(one, name=words) for one in drill.plan.people),
        tasks=tuple(replace(one, name=f"{words}{number}", after=()) for number, one in enumerate(drill.plan.tasks)),
    )
    changed = replace(run, placed=(answer,), injects=(mine, *run.injects[1:]), shuts=shuts, notes=(words,))
    return replace(drill, name=words, plan=plan, rounds=(changed,))


def test_names_with_markup_or_formulas_are_shown_as_text(drill: Drill) -> None:
    wrong = nasty(drill)
    for text in (drill_page(wrong, made_at=MADE_AT), participants_page(wrong, made_at=MADE_AT)):
        page = Page(text)
        assert page.open == []
        assert not {tag for tag, _ in page.tags} & {"script"}
        assert "<script>" not in text
        assert "<script>alert('x')</script>" in " ".join(page.sheets)
        assert "\x00" not in text
        assert "\u202e" not in text
    record = drill_record(wrong, made_at=MADE_AT)
    jsonschema.validate(json.loads(record_text(record)), SCHEMA)


def test_the_record_is_described_by_its_schema(drill: Drill) -> None:
    record = json.loads(record_text(drill_record(drill, made_at=MADE_AT)))
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(record, SCHEMA)
    assert list(record)[:2] == ["override", "exercise"]
    answers = {(row["group"], run["number"]): row for run in record["rounds"] for row in run["answers"]}
    assert answers["Tank and pump", 1]["clear_probability"] is None
    assert "survivable" in answers["Tank and pump", 1]["why"]
    for run, own in zip(record["rounds"], drill.rounds, strict=True):
        assert all(row["text"].startswith(INVENTED) for row in run["injects"] if row["kind"] == "official")
        assert len(run["injects"]) == len(own.injects)
        for row, placed in zip(run["answers"], own.placed, strict=True):
            if placed.early_s is not None:
                assert placed.early_s / 60.0 - 1.0 < row["minutes_before_leave_by"] <= placed.early_s / 60.0


def test_a_round_whose_fire_does_not_come_is_told(drill: Drill) -> None:
    run = drill.rounds[0]
    far = replace(run, home_s=np.inf, ember_s=np.inf, shuts=(), placed=(), end_s=drill.plan.horizon_s)
    spared = replace(drill, rounds=(far,))
    text = drill_page(spared, made_at=MADE_AT)
    assert "does not come to the home within the hours computed" in text
    assert "that does not mean that it stays usable" in text
    assert "No answers stand in the drill file yet" in text
    jsonschema.validate(drill_record(spared, made_at=MADE_AT), SCHEMA)


# --- figures ---------------------------------------------------------------------------------------------------------


def test_answers_are_drawn_on_the_curve(drill: Drill) -> None:
    run = drill.rounds[1]
    axes = answers_curve(drill, run).axes[0]
    marks = [line for line in axes.lines if line.get_markerfacecolor() == "white"]
    drawn = [one for one in run.placed if one.answer.start_s is not None]
    assert len(marks) == len(drawn) > 0
    for mark, one in zip(marks, drawn, strict=True):
        assert one.answer.start_s is not None
        members = run.ways[one.answer.way].member_latest_start_s
        (share,) = share_clear(members, np.array([one.answer.start_s]))
        assert [float(mark.get_xdata()[0]), float(mark.get_ydata()[0])] == [one.answer.start_s / 60.0, share * 100.0]
        assert one.answer.group in describe_answers_curve(drill, run)


def test_the_strip_is_told_in_words(drill: Drill) -> None:
    words = describe_rounds_strip(drill)
    for run in drill.rounds:
        assert clock_words(drill, run.home_s, step_min=1) in words
    assert "fire at 50 km/h" in words


# --- the panel -------------------------------------------------------------------------------------------------------


MAP_LAYERS = ["Burnt by now", "Streets", "Street names", "Home and safe points"]


def parts(panel: Any) -> dict[str, Any]:
    names = "banner chosen player reveal title known picture injects ask group way start keep verdict curve table"
    return dict(zip(names.split(), panel.children, strict=True))


def test_the_panel_begins_with_the_banner_and_shows_an_answer_without_a_click(drill: Drill) -> None:
    shown = parts(drill_panel(drill))
    assert OVERRIDE in shown["banner"].value
    assert EXERCISE_BANNER in shown["banner"].value
    assert "Round 1: it is 08:00" in shown["title"].value
    assert "No fire is known of" in shown["known"].value
    chart = shown["picture"].children[0]
    assert [group.name for group in chart.layers if hasattr(group, "layers")] == MAP_LAYERS
    assert "<svg" in shown["curve"].value
    assert "Corner house" in shown["table"].value


def test_the_clock_brings_injects_and_never_later_ones(
    drill: Drill, nothing_more_is_solved: Callable[[], None]
) -> None:
    shown = parts(drill_panel(drill))
    shown["reveal"].value = False
    clock = shown["player"].children[1]
    nothing_more_is_solved()
    run, layers = drill.rounds[0], shown["picture"].children[0].layers
    burnt = next(one for one in layers if one.name == "Burnt by now")
    at_s = run.end_s
    clock.value = 0
    assert burnt.layers == ()  # nobody knows of a fire yet
    clock.value = round((at_s - drill.script.begin_s) / 60.0)
    (area,) = (shape(feature["geometry"]) for one in burnt.layers for feature in one.data["features"])
    reached = run.arrival.time_s <= min(drill.script.begin_s + 60.0 * clock.value, at_s)
    back = Transformer.from_crs("EPSG:4326", drill.terrain.grid.crs, always_xy=True)
    ground = shapely.transform(area, lambda xy: np.column_stack(back.transform(xy[:, 0], xy[:, 1])))
    assert ground.area == pytest.approx(reached.sum() * drill.terrain.grid.cell_m**2, rel=1e-3)
    clock.value = 110
    assert "it is 09:50" in shown["title"].value
    text = html.unescape(shown["injects"].value)
    for one in drill.rounds[0].injects:
        assert (one.text in text) == (one.at_s <= 110 * 60.0 - 4800.0 and not one.facilitator_only)
    assert (shown["curve"].value, shown["table"].value, shown["verdict"].value) == ("", "", "")
    clock.value = clock.max
    assert "This round has ended" in shown["title"].value


def test_the_clock_plays_by_itself_until_it_is_stopped(drill: Drill) -> None:
    play, clock = parts(drill_panel(drill, minute_s=0.001))["player"].children

    async def watch() -> None:
        play.value = True
        while clock.value < 3:
            await asyncio.sleep(0.001)
        play.value = False
        stopped = clock.value
        await asyncio.sleep(0.02)
        assert clock.value == stopped
        clock.value = clock.max - 1
        play.value = True
        while play.value:
            await asyncio.sleep(0.001)
        assert clock.value == clock.max

    def press() -> None:
        play.value = True

    # In a thread of its own: a browser's session, where one is open, keeps a loop running in this one.
    with ThreadPoolExecutor(1) as beside:
        beside.submit(asyncio.run, asyncio.wait_for(watch(), 30.0)).result()
        # Where nothing runs, the button comes up again.
        beside.submit(press).result()
    assert play.value is False


def test_an_answer_lies_on_the_curve_at_once_and_may_be_kept(
    drill: Drill, nothing_more_is_solved: Callable[[], None]
) -> None:
    shown = parts(drill_panel(drill))
    shown["group"].value = NASTY
    shown["way"].value = "car"
    nothing_more_is_solved()
    shown["start"].value = shown["start"].options[10][1]
    start_s = float(shown["start"].value)
    (share,) = share_clear(drill.rounds[0].ways["car"].member_latest_start_s, np.array([start_s]))
    words = clear_words(place_answer(drill.rounds[0], Answer("x", 1, "car", start_s)))
    assert words in shown["table"].value
    assert (share == 1.0) == ("no promise" in words)
    assert "<script>" not in shown["table"].value + shown["curve"].value
    rows = shown["table"].value.count("<tr>")
    shown["keep"].click()
    assert shown["table"].value.count("<tr>") == rows
    shown["way"].value = "stay"
    assert shown["table"].value.count("<tr>") == rows + 1
    assert "Staying is no way of leaving" in shown["table"].value
    shown["chosen"].value = drill.rounds[2]
    assert NO_WAY_OPEN in shown["verdict"].value


def test_any_moment_is_known_as_at_a_pause(drill: Drill) -> None:
    run = drill.rounds[0]
    for pause in run.pauses:
        assert moment_of(drill, run, pause.at_s) == pause
    assert injects_list(drill, run, until_s=-1e9) == "<p>Nothing yet.</p>"
    assert "keep to yourself" in injects_list(drill, run, until_s=run.end_s, all_of_them=True)


def test_own_injects_are_marked_as_the_trainers(drill: Drill, trainer: str) -> None:
    assert isinstance(drill.script.injects[0], OwnInject)
    assert "your own" in trainer


def test_without_the_notebook_libraries_one_is_told_how_to_get_them(
    drill: Drill, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(InputError, match=r"leaveby\[lab\]"):
        drill_panel(drill)
