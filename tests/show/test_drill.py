"""The pages, the record and the panel of a drill.

Exercise practice (every message and sheet says that it is an exercise; participants see nothing of what comes): common
practice, no source.
"""

from __future__ import annotations

import html
import json
import re
import sys
from collections.abc import Callable, Iterator
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
from leaveby.notebook.panel_drills import drill_panel
from leaveby.show.drill.figures import answers_curve, describe_answers_curve
from leaveby.show.drill.map import map_base, pause_map
from leaveby.show.drill.page import NEW_LINES, annex_page, participants_page
from leaveby.show.drill.record import drill_record
from leaveby.show.drill.run_card import LETTERS, SIDE_ROWS, card_rows, most_telling, run_card
from leaveby.show.drill.words import (
    EXERCISE_BANNER,
    NO_WAY_OPEN,
    clear_words,
    drill_lines,
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
from smaller import Once

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
def drill(once: Once) -> Drill:
    return once(run_drill, replace(read_drill(demo_folder() / "drill.toml"), members=20), workers=2)


@pytest.fixture(scope="module")
def trainer(drill: Drill) -> str:
    return annex_page(drill, made_at=MADE_AT)


@pytest.fixture(scope="module")
def card(drill: Drill) -> str:
    return run_card(drill, made_at=MADE_AT)


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
        "From 12:40 on, every road out is shut on more than half of such days; between the times above and that one is "
        "late: no packing, go at once and as directed.",
        "Staying is no way of leaving and has no curve. In this round the last way of leaving had to be begun by 10:20 "
        "to be in time; every road out is shut on more than half of such days from 12:40, the last resort no sooner.",
    )
    assert said(-60.0)[0] == (
        "From the moment when the fire starts, every road out is shut on more than half of such days."
    )
    assert said(np.inf) == (
        "On half of such days some road out was not shut within the hours looked at; that is no leave to wait.",
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


@pytest.mark.parametrize("which", ["card", "trainer", "groups"])
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


@pytest.mark.parametrize("which", ["card", "trainer", "groups"])
def test_every_sheet_says_exercise_only_and_that_warnings_override(request: pytest.FixtureRequest, which: str) -> None:
    """A table's head is repeated on each printed page that the table runs over (CSS 2.1, 17.2, from memory)."""
    text = request.getfixturevalue(which)
    page = Page(text)
    assert len(page.sheets) == 2 if which == "card" else len(page.sheets) > 6
    for sheet in page.sheets:
        assert sheet.split("Official")[0].strip() == EXERCISE_BANNER
        assert OVERRIDE in sheet
    if which == "trainer":
        assert ".sheet > thead { display: table-header-group; }" in text
        assert text.count('<thead><tr><td><div class="head"') == len(page.sheets)
    assert PLANNING_AID in text
    assert not any(words in html.unescape(text).lower() for words in PROMISES)


@pytest.mark.parametrize("which", ["card", "trainer", "groups"])
def test_official_messages_are_marked_as_invented(request: pytest.FixtureRequest, drill: Drill, which: str) -> None:
    """Common practice, no source: a message of an exercise says so, so that nobody takes it for a real one."""
    text = " ".join(" ".join(Page(request.getfixturevalue(which)).sheets).split())
    marked = 0
    for run in drill.rounds:
        for one in run.injects:
            if one.kind == "official":
                for found in re.finditer(re.escape(one.text[:40]), text):
                    assert INVENTED in text[found.start() - 80 : found.start()]
                    marked += 1
    assert marked > 3


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
        sheet = " ".join(sheet.split())
        for one in run.injects:
            if one.text not in told:
                assert one.text[:60] not in sheet
        fresh = new_at(run, pause)
        shown = [one for one in fresh if one.text[:60] in sheet]
        assert shown == (list(fresh) if len(fresh) <= NEW_LINES[1] else most_telling(fresh, NEW_LINES[1] - 1))
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
    for words in ("start by", "fire at 5", "fire at 12", "fire at 50", "5 km/h fire", "clear in", "no way of leaving"):
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
    assert groups.count('class="write"') == 1 + 2 * sum(len(run.pauses) for run in drill.rounds)
    for words in ("tow the house", "go by car, without the house", "stay, under official directions"):
        assert words in groups
    assert ".sheet + .sheet { break-before: page; }" in groups
    assert "font: 11pt" in groups


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
    assert f"{drill.members} such days" in text


def test_a_round_without_a_way_out_says_so_plainly(drill: Drill, trainer: str) -> None:
    fifty = drill.rounds[2]
    assert fifty.speed_m_s == 50.0 / 3.6
    assert verdict_words(drill, fifty).startswith(NO_WAY_OPEN)
    assert trainer.count('class="say closed"') >= 3


def test_the_card_goes_by_the_clock_and_fits_its_lines(drill: Drill) -> None:
    """08:00 is when the exercise begins and 80 minutes before the fire, so a pause 5 minutes after it is at 1:25."""
    rows = card_rows(drill)
    assert sum(len(row.told) for row in rows) <= sum(SIDE_ROWS)
    assert all(len(line) <= LETTERS + 20 for row in rows for line in row.told)
    assert rows[0].told[0].startswith("Every round begins so. Set the clock to 08:00")
    assert [row.told[0].split(":")[0] for row in rows if row.kind == "head"][1:] == ["Round 1", "Round 2", "Round 3"]
    for number, run in enumerate(drill.rounds):
        heads = [at for at, row in enumerate(rows) if row.kind == "head"] + [len(rows)]
        part = rows[heads[number + 1] + 1 : heads[number + 2]]
        assert part[-1].kind == "stop"
        assert part[-1].clock == clock_words(drill, run.end_s, step_min=1)
        at = [row.clock for row in part]
        assert at == sorted(at)
        asked = [row.told[0] for row in part if row.kind == "ask"]
        assert [one.split(" ")[1].rstrip(".") for one in asked] == [
            f"{run.number}.{n}" for n in range(3, 3 + len(asked))
        ]
        assert len(asked) == len(run.pauses) - 2
    first = next(row for row in rows if row.kind == "ask" and row.told[0].startswith("Sheet 1.3"))
    assert (first.since, first.clock) == ("1:25", "09:25")
    # The trainer's own and official words come first where not all fit.
    told = " ".join(" ".join(row.told) for row in rows if row.kind == "say")
    for run in drill.rounds:
        for pause in run.pauses:
            for one in new_at(run, pause):
                assert one.source != "trainer" or one.text[:40] in told


def test_the_card_keeps_times_to_start_by_for_the_end(drill: Drill, card: str) -> None:
    first, second = Page(card).sheets
    before, after = second.split("Talk it over")
    for words in ("Start by", "last moment", "shut on most days"):
        assert words not in first + before
    for run in drill.rounds:
        for way in run.ways.values():
            if way.latest_start_s is not None:
                assert clock_words(drill, way.latest_start_s) in after
    assert card.count("<svg") == len(drill.rounds)


TECHNICAL = re.compile(r"\b(quantiles?|members?|(central|model) runs?|head rate|lead times?|lead)\b", re.IGNORECASE)


def test_words_that_only_the_trade_knows_are_not_said(drill: Drill, card: str, trainer: str, groups: str) -> None:
    own = trainer.split("What was assumed")[0]
    for text in (" ".join(" ".join(Page(one).sheets) for one in (card, own, groups)), " ".join(drill_lines(drill))):
        assert TECHNICAL.findall(text) == []


def test_the_terminal_says_each_mend_once_and_what_is_wrong_in_every_round(drill: Drill) -> None:
    late = "drill.toml: pause 3 lies after the end. Expected pauses before that. To mend it: give sooner pauses."
    rounds = tuple(replace(run, notes=(late, f"Only in {number}.")) for number, run in enumerate(drill.rounds))
    lines = drill_lines(replace(drill, rounds=rounds))
    assert lines.count("  drill.toml: pause 3 lies after the end.") == len(rounds) > 1
    assert all(f"  Only in {number}." in lines for number in range(len(rounds)))
    assert lines[-3:] == [
        "",
        "For what is left out or too late above:",
        "  Expected pauses before that. To mend it: give sooner pauses.",
    ]
    none = drill_lines(replace(drill, rounds=tuple(replace(run, notes=()) for run in drill.rounds)))
    assert not any("left out or too late" in line for line in none)


def test_minutes_are_rounded_to_the_side_that_leaves_earlier(drill: Drill) -> None:
    run = drill.rounds[0]
    latest_s = run.ways["car"].latest_start_s
    assert latest_s is not None
    # The fire starts at 09:20; what is said counts from the time to start by as it is said, down to 5 minutes.
    by_s = 300.0 * np.floor(latest_s / 300.0)
    early = place_answer(run, Answer("x", 1, "car", by_s - 119.0))
    late = place_answer(run, Answer("x", 1, "car", by_s + 61.0))
    at = clock_words(drill, latest_s)
    assert margin_words(drill, early) == f"1 min before {at}"
    assert margin_words(drill, late) == f"2 min after {at}"
    assert clear_words(replace(late, clear_probability=0.9999)) == "clear on 99 of 100 such days"
    assert "no promise" in clear_words(replace(late, clear_probability=1.0))


def test_the_same_drill_gives_the_same_files(drill: Drill, trainer: str, groups: str) -> None:
    assert annex_page(drill, made_at=MADE_AT) == trainer
    assert run_card(drill, made_at=MADE_AT) == run_card(drill, made_at=MADE_AT)
    assert participants_page(drill, made_at=MADE_AT) == groups
    assert drill_record(drill, made_at=MADE_AT) == drill_record(drill, made_at=MADE_AT)


def test_a_moment_without_offset_is_refused(drill: Drill) -> None:
    for make in (run_card, annex_page, participants_page, drill_record):
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
    for text in (make(wrong, made_at=MADE_AT) for make in (run_card, annex_page, participants_page)):
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
                # From the time to start by as it is said, which is up to five minutes sooner.
                assert placed.early_s / 60.0 - 6.0 < row["minutes_before_leave_by"] <= placed.early_s / 60.0
                by, start = (datetime.fromisoformat(row[key]) for key in ("leave_by", "start"))
                assert (by - start).total_seconds() / 60.0 == row["minutes_before_leave_by"]
                assert by.minute % 5 == 0


def test_a_round_whose_fire_does_not_come_is_told(drill: Drill) -> None:
    run = drill.rounds[0]
    far = replace(run, home_s=np.inf, ember_s=np.inf, shuts=(), placed=(), end_s=drill.plan.horizon_s)
    spared = replace(drill, rounds=(far,))
    text = annex_page(spared, made_at=MADE_AT)
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


# --- the panel -------------------------------------------------------------------------------------------------------


MAP_LAYERS = ["Burnt by now", "Streets", "Street names", "Home and safe points"]


def parts(panel: Any) -> dict[str, Any]:
    names = "banner chosen title known picture injects ahead ask group way start keep said reveal came"
    return dict(zip(names.split(), panel.children, strict=True))


def words_of(shown: dict[str, Any]) -> str:
    """Everything that the panel says, its controls and its map left out."""
    return html.unescape(
        " ".join(getattr(part, "value", "") for part in shown.values() if hasattr(part, "placeholder"))
    )


def test_the_panel_begins_at_the_first_pause_and_hides_the_end(drill: Drill) -> None:
    shown = parts(drill_panel(drill))
    assert OVERRIDE in shown["banner"].value
    assert EXERCISE_BANNER in shown["banner"].value
    assert "Round 1, pause 1: it is 08:00" in shown["title"].value
    assert "No fire is known of" in shown["known"].value
    chart = shown["picture"].children[0]
    assert [group.name for group in chart.layers if hasattr(group, "layers")] == MAP_LAYERS
    assert shown["came"].value == ""
    assert [label for label, _ in shown["chosen"].options] == ["Round 1", "Round 2", "Round 3"]


@pytest.mark.parametrize("number", range(3))
def test_before_the_button_nothing_tells_of_the_end(
    drill: Drill, number: int, nothing_more_is_solved: Callable[[], None]
) -> None:
    shown = parts(drill_panel(drill))
    nothing_more_is_solved()
    run = drill.rounds[number]
    shown["chosen"].value = run
    for pause in run.pauses:
        assert f"Round {run.number}, pause {pause.number}: it is {clock_words(drill, pause.at_s, step_min=1)}" in (
            shown["title"].value
        )
        text = words_of(shown)
        told = {one.text for one in known_by(run, pause)}
        for one in run.injects:
            assert (one.text in text) == (one.text in told)
        ends = [run.home_s, run.phases.shut_from_s, *(one.at_s for one in run.shuts if one.at_s > pause.at_s)]
        for at_s in ends:
            if at_s > pause.at_s:
                assert clock_words(drill, at_s, step_min=1) not in text.replace("17:00", "").replace("16:30", "")
        assert verdict_words(drill, run) not in text
        assert "<svg" not in text
        burnt = next(one for one in shown["picture"].children[0].layers if one.name == "Burnt by now")
        assert (burnt.layers == ()) == (not np.isfinite(pause.front_m))
        if burnt.layers:
            (area,) = (shape(feature["geometry"]) for one in burnt.layers for feature in one.data["features"])
            back = Transformer.from_crs("EPSG:4326", drill.terrain.grid.crs, always_xy=True)
            ground = shapely.transform(area, lambda xy, to=back: np.column_stack(to.transform(xy[:, 0], xy[:, 1])))
            reached = run.arrival.time_s <= pause.at_s
            assert ground.area == pytest.approx(reached.sum() * drill.terrain.grid.cell_m**2, rel=1e-3)
        shown["reveal"].click()
        text = words_of(shown)
        assert verdict_words(drill, run) in text
        assert shown["came"].value.count("<svg") == 1
        for one in run.shuts:
            assert one.street in text
        shown["reveal"].click()
        assert shown["came"].value == ""
        shown["reveal"].click()
        shown["ahead"].click()  # what is moved on hides the end again
        assert shown["came"].value == ""
    assert shown["ahead"].disabled


def test_an_answer_lies_on_the_curve_when_asked_and_may_be_kept(
    drill: Drill, nothing_more_is_solved: Callable[[], None]
) -> None:
    shown = parts(drill_panel(drill))
    shown["group"].value = NASTY
    shown["way"].value = "car"
    nothing_more_is_solved()
    shown["start"].value = shown["start"].options[10][1]
    assert "go by car, without the house, getting ready from 08:50" in shown["said"].value
    shown["reveal"].click()
    start_s = float(shown["start"].value)
    (share,) = share_clear(drill.rounds[0].ways["car"].member_latest_start_s, np.array([start_s]))
    words = clear_words(place_answer(drill.rounds[0], Answer("x", 1, "car", start_s)))
    assert words in shown["came"].value
    assert (share == 1.0) == ("no promise" in words)
    assert "<script>" not in shown["came"].value + shown["said"].value
    rows = shown["came"].value.count("<tr>")
    shown["keep"].click()
    assert shown["came"].value.count("<tr>") == rows
    shown["way"].value = "stay"
    assert shown["came"].value.count("<tr>") == rows + 1
    assert "Staying is no way of leaving" in shown["came"].value
    shown["chosen"].value = drill.rounds[2]
    shown["reveal"].click()
    assert NO_WAY_OPEN in shown["came"].value


def test_a_round_without_a_pause_can_be_looked_at(drill: Drill) -> None:
    bare = replace(drill, rounds=(replace(drill.rounds[0], pauses=(), placed=()),))
    shown = parts(drill_panel(bare))
    assert "ends before its first pause" in shown["known"].value
    assert shown["ahead"].disabled
    shown["reveal"].click()
    assert verdict_words(drill, drill.rounds[0]) in html.unescape(shown["came"].value)


def test_own_injects_are_marked_as_the_trainers(drill: Drill, trainer: str) -> None:
    assert isinstance(drill.script.injects[0], OwnInject)
    assert "your own" in trainer


def test_without_the_notebook_libraries_one_is_told_how_to_get_them(
    drill: Drill, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(InputError, match=r"leaveby\[lab\]"):
        drill_panel(drill)
