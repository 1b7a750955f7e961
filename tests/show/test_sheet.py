"""The sheet for the fridge: what starts each way of leaving, word for word, and what is cut when there is too much."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from types import ModuleType
from typing import Any

import pytest
import shapely
import textstat
from hypothesis import example, given
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon

from leaveby.caution import LAST_RESORT, OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HeldUp, HouseholdResult, Rules
from leaveby.errors import InputError
from leaveby.household.plan import LIKE_THE_PLANS
from leaveby.household.plan_tables import OfficialSource, Person
from leaveby.household.readiness import schedule_for
from leaveby.household.shelter import Place
from leaveby.show.in_python import html_of
from leaveby.show.map_words import caution_words
from leaveby.show.plan.neighbours import neighbours_words, sheet_line
from leaveby.show.plan.page import report_page
from leaveby.show.plan.sheet import (
    columns,
    late_lines,
    lines,
    only_words,
    rule_box,
    season_words,
    sheet_page,
    task_columns,
    tell_words,
)
from leaveby.show.wording import slower_line


def words_of(page: str, *, pictures: bool = True) -> str:
    body = page[page.index("<body>") :]
    body = re.sub(r"<(title|desc)\b.*?</\1>", " ", body, flags=re.DOTALL)
    if not pictures:
        body = re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


@pytest.fixture(scope="module")
def page(result: HouseholdResult, invented: ModuleType) -> str:
    return sheet_page(result, made_at=invented.MADE_AT)


# --- cut by count ------------------------------------------------------------------------------------------------


@example(text="\u11000", letters=2, most=1)
@given(text=st.text(max_size=200), letters=st.integers(2, 60), most=st.integers(1, 4))
def test_lines_are_never_more_nor_wider_than_asked_and_say_where_they_are_cut(
    text: str, letters: int, most: int
) -> None:
    found = lines(text, letters, most)
    assert len(found) <= most
    assert all(line and columns(line) <= letters for line in found)
    kept = "".join("".join(found).split())
    whole = "".join(text.split())
    if "…" not in kept and not re.search(r"[^\x20-\x7e]", whole):
        assert kept == whole


@given(words=st.lists(st.text("abcdefgh", min_size=1, max_size=9), min_size=1, max_size=12))
def test_words_are_broken_only_where_a_line_could_not_hold_them(words: list[str]) -> None:
    found = lines(" ".join(words), 30, 12)
    assert [word for line in found for word in line.split()] == words


# --- what starts each way of leaving -----------------------------------------------------------------------------


def far(rules: Rules, reach_m: float, home: tuple[float, float]) -> Rules:
    """The same rules with a go line as a circle about the home."""
    circle = MultiPolygon([shapely.Point(home).buffer(reach_m, quad_segs=64)])
    made = {key: replace(rule, go=replace(rule.go, area=circle)) for key, rule in rules.rules.items()}
    return replace(rules, rules=made)


def with_rules(result: HouseholdResult, invented: ModuleType, reach_m: float = 9400.0, **said: Any) -> HouseholdResult:
    return replace(result, rules=far(invented.invented_rules(**said), reach_m, result.home_xy_m))


def boxes(result: HouseholdResult) -> dict[str, tuple[str, list[str]]]:
    """By title, the rule as one text and the lines under it."""
    found = [rule_box(result, result.ways[way]) for way in ("tow", "car") if way in result.ways]
    return {box.title: (" ".join(box.rule), box.more) for box in found}


def test_each_way_says_from_which_rating_on_it_goes_the_evening_before(
    result: HouseholdResult, invented: ModuleType
) -> None:
    found = boxes(with_rules(result, invented, before=("tow",)))
    # Ready in 4600 s x 1.4 = 107.3 min and 1300 s x 1.4 = 30.3 min, rounded up; the go line 9.4 km from the home.
    assert found == {
        "The house goes": (
            "the evening before a day rated Extreme or worse",
            ["Other days: on word of fire within 10 km.", "Slow day: ready in 1 h 48 min."],
        ),
        "We go": (
            "the evening before a day rated Catastrophic",
            ["Other days: on word of fire within 10 km.", "Slow day: ready in 31 min."],
        ),
    }


def test_a_way_that_never_goes_before_goes_on_word_of_fire(result: HouseholdResult, invented: ModuleType) -> None:
    made = with_rules(result, invented)
    waited = {key: replace(rule, verdict="on word of fire") for key, rule in made.rules.rules.items()}
    found = boxes(replace(made, rules=replace(made.rules, rules=waited)))
    assert found["We go"] == (
        "on word of fire within 10 km",
        ["On any day, at once.", "Slow day: ready in 31 min."],
    )


def test_a_line_beyond_the_ground_makes_any_fire_count(result: HouseholdResult, invented: ModuleType) -> None:
    made = with_rules(result, invented, before=("tow",))
    beyond = {key: replace(rule, beyond=True) for key, rule in made.rules.rules.items()}
    found = boxes(replace(made, rules=replace(made.rules, rules=beyond)))
    assert found["The house goes"][1][0] == "Other days: on word of any fire."


@given(reach_m=st.floats(100.0, 60_000.0))
def test_word_of_a_fire_inside_the_line_always_counts(
    result: HouseholdResult, invented: ModuleType, reach_m: float
) -> None:
    (said, _), *_ = [more for _, more in boxes(with_rules(result, invented, reach_m, before=("tow",))).values()]
    assert float(re.findall(r"within (\d+) km", said)[0]) * 1000.0 >= reach_m * 0.999


def test_days_like_the_plans_have_no_worse_ones(result: HouseholdResult, invented: ModuleType) -> None:
    made = with_rules(result, invented, before=("tow", "car"), milder=LIKE_THE_PLANS)
    assert boxes(made)["We go"][0] == "the evening before a day like the plan's"


def test_without_a_way_out_or_a_rule_nobody_is_told_to_wait(result: HouseholdResult) -> None:
    lost = {name: replace(way, route=None) for name, way in result.ways.items()}
    assert boxes(replace(result, ways=lost)) == {
        "The house stays": ("no way out for it", ["Go without it."]),
        "We go": ("the day before any day of fire danger", ["No way out was found. Ask your fire", "agency."]),
    }
    bare = replace(result, rules=replace(result.rules, rules={}))
    assert boxes(bare)["We go"] == ("the day before any day of fire danger", ["No rule was worked out."])


def test_a_long_rating_is_cut_but_never_what_it_means(result: HouseholdResult, invented: ModuleType) -> None:
    made = with_rules(result, invented, before=("tow",), milder="Very very high to most extreme")
    rule, _ = boxes(made)["The house goes"]
    assert rule.startswith("the evening before a day rated Very")
    assert rule.endswith("… or worse")


# --- the rest of the sheet ---------------------------------------------------------------------------------------


def test_what_has_to_be_said_is_said_in_order(page: str, result: HouseholdResult) -> None:
    text, at = words_of(page), 0
    for words in (
        OVERRIDE,
        result.plan.name,
        "Fire season starts:",
        "Look this over by:",
        "The house goes",
        "We go",
        "1 House and car: Quarrel Flat",
        "Too late to start packing, with fire here or nearer:",
        "To do in order (* only if the house goes, + only by car)",
        "Who fetches whom:",
        "Official warnings here: radio number site",
        "Cut off?",
        LAST_RESORT,
        PLANNING_AID,
    ):
        at = text.index(words, at)
    assert OSM_NOTICE in text
    assert text.startswith(OVERRIDE)


def test_no_clock_time_and_no_fire_of_the_worked_day_is_on_the_sheet(page: str) -> None:
    text = words_of(page)
    assert not re.search(r"\b\d\d?:\d\d\b", text)
    assert "Tannery Ridge" not in text
    assert not re.search(r"\b(quantile|members?|runs?|lead)\b", text)


@pytest.mark.parametrize("make", [sheet_page, report_page])
def test_nothing_promises_and_nothing_reads_as_leave_to_stay(
    make: Any, result: HouseholdResult, invented: ModuleType
) -> None:
    text = words_of(make(result, made_at=invented.MADE_AT)).lower()
    for words in (
        "you have time",
        "there is time",
        "will be open",
        "stays open",
        "safe to stay",
        "is safe",
        "stay until",
    ):
        assert words not in text


def test_the_report_speaks_of_days_not_of_members(result: HouseholdResult, invented: ModuleType) -> None:
    text = words_of(report_page(result, made_at=invented.MADE_AT))
    assert not re.search(r"\b(quantiles?|members?|lead|\d+ runs|the runs|middle run|central run)\b", text)


def test_a_sheet_without_a_worked_day_says_nothing_of_such_days(result: HouseholdResult, invented: ModuleType) -> None:
    text = words_of(sheet_page(invented.without_fire(result), made_at=invented.MADE_AT))
    assert "100 days" not in text
    assert "kW" not in text
    assert "If sent to Sallow hall oval: 2.4 km on foot." in text


def test_what_is_known_of_the_last_resort_word_for_word(result: HouseholdResult, invented: ModuleType) -> None:
    place = Place("Sallow hall oval", "car", 673.0, 103.0, 7988.0, burnt_share=0.981)
    shelter = replace(result.shelter, place=place, place_reachable=False, heat_kw_m2=76.03, heat_limit_kw_m2=12.5)
    text = words_of(sheet_page(replace(result, shelter=shelter), made_at=invented.MADE_AT))
    assert (
        "If sent to Sallow hall oval: 670 m by car. Fire comes there on 99 of 100 days like the plan's. The way may be "
        "shut. House: built for 12.5 kW/m2; this fire may bring 77."
    ) in text
    kept = replace(shelter, place=replace(place, burnt_share=0.0), place_reachable=True)
    text = words_of(sheet_page(replace(result, shelter=kept), made_at=invented.MADE_AT))
    assert "670 m by car. Fire may come there too." in text
    none = words_of(sheet_page(replace(result, shelter=replace(shelter, place=None)), made_at=invented.MADE_AT))
    assert "No place of last resort is known here: ask your fire agency." in none


def test_the_season_and_the_day_to_look_the_sheet_over(result: HouseholdResult) -> None:
    # Eight weeks before 1 October, by hand: 30 days of September, 26 of August.
    made = replace(result, plan=replace(result.plan, season_starts=(10, 1)))
    assert season_words(made) == "Season from 1 October: look this over by 6 August each year."
    assert season_words(result) == ""


def test_where_it_is_too_late_is_said_on_every_side_and_by_roads_that_fit_beside(result: HouseholdResult) -> None:
    told = (
        "Fire at Weeping Gate Road, 3.9 km north of home, or nearer: go by car at once.",
        "Fire at Weeping Gate Road, 4.9 km north-west of home, or nearer: go by car at once.",
        "Fire at Hobbin Gap Road, 6.0 km north-west of home, or nearer: go by car at once.",
        "Fire at Extraordinarily Long and Winding Road, 7.0 km west of home, or nearer: go by car at once.",
        "Where none is named the line still holds.",
    )
    rules = {key: replace(rule, landmarks=told) for key, rule in result.rules.rules.items()}
    named = replace(result, rules=replace(result.rules, rules=rules))
    assert late_lines(named, named.ways["car"]) == ["We: N 2 km, E at any distance, S 2 km, W 2 km"]
    short = replace(
        result,
        rules=replace(result.rules, rules={key: replace(rule, landmarks=told[2:3]) for key, rule in rules.items()}),
    )
    assert late_lines(short, short.ways["car"]) == [
        "We: N 2 km, E at any distance, S 2 km, W 2 km; Hobbin Gap Road 6.0 km NW"
    ]
    # The invented lines lie 2.9 km and 1.5 km off in all of 16 directions but two in the east, where the ground ends.
    assert late_lines(result, result.ways["tow"]) == ["House: N 3 km, E at any distance, S 3 km, W 3 km"]
    assert late_lines(result, result.ways["car"]) == ["We: N 2 km, E at any distance, S 2 km, W 2 km"]


def test_everybodys_tasks_stand_in_the_order_of_the_schedule(result: HouseholdResult) -> None:
    schedule = result.ways["tow"].schedule
    found = task_columns(result)
    assert [column[0] for column in found] == [("name", "Ines"), ("name", "Bo")]
    for (_, name), *told in found:
        mine = [schedule.tasks[place] for place in schedule.order if name in schedule.who[place]]
        ticked = [line for kind, line in told if kind == "task"]
        assert [line.removesuffix("*") for line in ticked if not line.endswith("+")] == mine
    flat = [line for column in found for _, line in column]
    assert "refit the wheels*" in flat
    assert "bags and papers" in flat
    # the plan's shutters are closed only where the house stays
    assert {line for line in flat if line.endswith("+")} == {"close the shutters+"}
    assert only_words(result, found) == " (* only if the house goes, + only by car)"
    # What found no room on the sheet leaves no mark to explain.
    without = [[line for line in column if line != ("task", "close the shutters+")] for column in found]
    assert only_words(result, without) == " (* only if the house goes)"


def test_marks_are_explained_where_there_are_any(result: HouseholdResult) -> None:
    made = {
        ways: only_words(some, task_columns(some))
        for ways in (("tow", "car"), ("tow",), ("car",))
        for some in (crowd(result, 2, 4, ways=ways),)
    }
    assert made == {
        ("tow", "car"): "",
        ("tow",): " (* only if the house goes)",
        ("car",): " (+ only by car)",
    }


def crowd(
    result: HouseholdResult, people: int, tasks: int, *, ways: tuple[str, ...] = ("tow", "car")
) -> HouseholdResult:
    """A household of so many with so many tasks each of which takes one."""
    one = result.plan.tasks[1]
    plan = replace(
        result.plan,
        people=tuple(Person(f"Person {number}", ("lift", "drive", "tow")) for number in range(people)),
        tasks=tuple(replace(one, name=f"job {number}", ways=ways) for number in range(tasks)),
    )
    timed = {name: replace(way, schedule=schedule_for(plan, name)) for name, way in result.ways.items()}
    return replace(result, plan=plan, ways=timed)


@pytest.mark.parametrize(("people", "tasks"), [(1, 3), (1, 30), (2, 30), (3, 30), (4, 9), (7, 30), (12, 30)])
def test_tasks_that_find_no_room_are_counted(result: HouseholdResult, people: int, tasks: int) -> None:
    made = crowd(result, people, tasks)
    found = task_columns(made)
    assert len(found) <= 3
    assert all(len(column) <= 11 for column in found)
    told = [line for column in found for kind, line in column if kind == "task"]
    left = [int(words) for column in found for _, line in column for words in re.findall(r"and (\d+) more", line)]
    everything = sum(len(who) for who in made.ways["tow"].schedule.who)
    assert len(told) + sum(left) == everything


@given(people=st.integers(1, 12), tasks=st.integers(1, 40), long=st.booleans())
def test_a_column_begins_with_a_name_and_a_list_is_split_only_where_it_must_be(
    result: HouseholdResult, people: int, tasks: int, long: bool
) -> None:
    made = crowd(result, people, tasks)
    if long:
        named = {person.name: f"{person.name} of the long name {'o' * 20}" for person in made.plan.people}
        crew = tuple(replace(person, name=named[person.name]) for person in made.plan.people)
        made = replace(made, plan=replace(made.plan, people=crew))
        ways = {}
        for name, way in made.ways.items():
            who = tuple(tuple(named[one] for one in those) for those in way.schedule.who)
            ways[name] = replace(way, schedule=replace(way.schedule, who=who))
        made = replace(made, ways=ways)
    found = task_columns(made)
    again = 0
    for column in found:
        assert len(column) <= 11
        kinds = [kind for kind, _ in column]
        assert kinds[0] == "name"
        # after every name but the last line comes a task of that person
        assert all(kinds[at + 1] == "task" for at, kind in enumerate(kinds[:-2]) if kind == "name")
        again += column[0][1].endswith("(continued)")
        assert not any(line.endswith("(continued)") for _, line in column[1:])
    each = [sum(person.name in who for who in made.ways["tow"].schedule.who) for person in made.plan.people]
    lists = [1 + count for count in each if count]
    if len(lists) > 3 and sorted(lists)[-1] <= 3:  # three lists of four lines to a column
        assert again == 0 or sum(lists) > 27


def test_a_list_goes_on_in_the_next_column_under_its_name(result: HouseholdResult) -> None:
    """By hand: ten lines below her name, nine below it said again, and the last line counts the other six of 25."""
    found = task_columns(crowd(result, 1, 25))
    assert [column[0] for column in found] == [("name", "Person 0"), ("name", "Person 0 (continued)")]
    assert [len(column) for column in found] == [11, 11]
    assert found[1][-1] == ("name", "and 6 more: see report")


def test_who_is_away_is_named_with_the_longest_time(result: HouseholdResult) -> None:
    bo = Person("Bo", ("lift", "drive"), 2100.0, 1200.0, 5400.0)
    people = (*result.plan.people[:1], bo, *result.plan.people[2:])
    assert tell_words(replace(result, plan=replace(result.plan, people=people))) == ["Away: Bo, home in up to 90 min"]
    assert tell_words(result) == []


def test_official_sources_of_the_plan_stand_in_place_of_the_lines(
    result: HouseholdResult, invented: ModuleType
) -> None:
    sources = (OfficialSource("Valley Radio", "99.9 FM"), OfficialSource("Fire line", "", "555 0100", "fire.example"))
    made = replace(result, plan=replace(result.plan, official_sources=sources))
    text = words_of(sheet_page(made, made_at=invented.MADE_AT))
    assert "Official warnings here: Valley Radio 99.9 FM; Fire line 555 0100, fire.example" in text


def test_why_the_car_takes_the_longer_way_is_said(result: HouseholdResult) -> None:
    tow, car = result.ways["tow"], result.ways["car"]
    longer = replace(car, drive_s=replace(car.drive_s, p50_s=tow.drive_s.p50_s + 60.0))
    assert slower_line(replace(result, ways={**result.ways, "car": longer}), longer) == (
        "It takes longer than the way with the house; it was chosen since fire cut it off later on such days."
    )
    assert slower_line(result, car) == slower_line(result, tow) == ""


def test_on_foot_stands_only_where_there_are_no_wheels(result: HouseholdResult, invented: ModuleType) -> None:
    assert "We go on foot" not in words_of(sheet_page(result, made_at=invented.MADE_AT))
    alone = replace(result, ways={"foot": result.ways["foot"]})
    assert "We go on foot" in words_of(sheet_page(alone, made_at=invented.MADE_AT))


def test_names_stay_text(invented: ModuleType) -> None:
    name = "<script>alert('x')</script><b>& \u202e\ud800\x00"
    page = sheet_page(invented.invented_result(street=name, name=name), made_at=invented.MADE_AT)
    assert "<script" not in page
    assert "<b>&amp;" not in page
    assert not re.search("[\x00\u202e\ud800]", page)


def test_the_same_answer_gives_the_same_sheet(result: HouseholdResult, invented: ModuleType, page: str) -> None:
    assert sheet_page(invented.invented_result(), made_at=invented.MADE_AT) == page
    with pytest.raises(InputError):
        sheet_page(result, made_at=invented.MADE_AT.replace(tzinfo=None))


def plain_sentences(page: str) -> str:
    """The words of the sheet without its map and names, each line to read by itself as a sentence."""
    body = re.sub(r"<svg.*?</svg>|<h1.*?</h1>", " ", page[page.index("<body>") :], flags=re.DOTALL)
    body = re.sub(r"</(p|h1|h2|section|div)>", ". ", body)
    body = re.sub(r'</span>(?=<span class="l (task|name))', ". ", body)
    text = html.unescape(re.sub(r"<[^>]+>", " ", body))
    text = re.sub(r"Sallow hall oval|Quarrel Flat showground|[A-Z]\w+ (Road|Lane|Track|Row)", "it", text)
    return " ".join(re.sub(r"[.:;]\s*(?:\.\s*)+", ". ", text).split())


def test_the_sheet_is_read_by_a_child_of_twelve(page: str) -> None:
    # Flesch-Kincaid grade level (Kincaid et al. 1975) by textstat; grade 7 is the school year of children of 12 and 13.
    assert len(plain_sentences(page).split()) > 150
    assert textstat.flesch_kincaid_grade(plain_sentences(page)) <= 7.0


def test_level_ground_is_said_on_every_page_and_at_the_head_of_every_answer(
    result: HouseholdResult, invented: ModuleType
) -> None:
    level, said = invented.on_level_ground(result), "No slopes are counted: where the ground is not level, fire comes"
    pages = {make: words_of(make(level, made_at=invented.MADE_AT)) for make in (sheet_page, report_page)}
    for make, text in pages.items():
        assert (f"{said} sooner." if make is report_page else said.partition(":")[0]) in text[:700]
        assert "slopes are counted" not in words_of(make(result, made_at=invented.MADE_AT))
    assert len(words_of(sheet_page(level, made_at=invented.MADE_AT), pictures=False).split()) <= 400
    for head in (html_of, caution_words):
        assert f"{said} sooner." in head(level)[:600]
        assert said not in head(result)


def among(result: HouseholdResult, set_out: str, *, counted_s: float, street: str = "Mill Road") -> HouseholdResult:
    """The same answer with neighbours on the car's way, and more of them on that of the house."""
    held = HeldUp(street, cars=150, passes_veh_h=700.0, at_once_s=771.4, counted_s=counted_s, set_out=set_out)
    with_car = replace(result.ways["car"], held_up=held)
    with_house = replace(result.ways["tow"], held_up=replace(held, at_once_s=800.0))
    return replace(result, ways={**result.ways, "car": with_car, "tow": with_house})


@pytest.mark.parametrize(
    ("set_out", "counted_s", "counted"),
    [
        ("at once", 771.4, "The times here have that."),
        ("over time", 0.0, "The times here have up to 0 minutes of it, for neighbours who set out over time."),
        ("over time", 59.0, "The times here have up to 1 minute of it, for neighbours who set out over time."),
        ("over time", 500.0, "The times here have up to 9 minutes of it, for neighbours who set out over time."),
        ("gone before", 0.0, "The times here have none of it, for neighbours who are gone before."),
    ],
)
def test_what_the_neighbours_are_worth_word_for_word(
    result: HouseholdResult, invented: ModuleType, set_out: str, counted_s: float, counted: str
) -> None:
    made = among(result, set_out, counted_s=counted_s)
    worth = "If everyone behind Mill Road leaves when you do, add 13 minutes."
    assert neighbours_words(made.ways["car"]) == [worth, counted]
    assert neighbours_words(result.ways["car"]) == []
    report = words_of(report_page(made, made_at=invented.MADE_AT))
    assert f"{worth} {counted}" in report
    # the house's way is the one with more of them: 800 s are 13 min 20 s
    sheet = words_of(sheet_page(made, made_at=invented.MADE_AT), pictures=False)
    assert "If everyone behind Mill Road leaves when you do, add 14 minutes." in sheet
    assert sheet.count("everyone behind") == 1
    assert "everyone behind" not in words_of(sheet_page(result, made_at=invented.MADE_AT))
    assert len(sheet.split()) <= 400
    assert textstat.flesch_kincaid_grade(plain_sentences(sheet_page(made, made_at=invented.MADE_AT))) <= 7.0


@pytest.mark.parametrize(
    ("wait_s", "minutes"),
    [(1.0, "1 minute"), (60.0, "1 minute"), (60.1, "2 minutes"), (3540.0, "59 minutes"), (4801.0, "1 h 21 min")],
)
def test_a_wait_is_rounded_up(result: HouseholdResult, wait_s: float, minutes: str) -> None:
    held = HeldUp("", cars=9, passes_veh_h=700.0, at_once_s=wait_s, counted_s=wait_s, set_out="at once")
    (worth, _) = neighbours_words(replace(result.ways["car"], held_up=held))
    assert worth == f"If everyone behind a road without a name leaves when you do, add {minutes}."


def test_a_long_street_is_cut_on_the_sheet_but_never_the_minutes(result: HouseholdResult) -> None:
    made = among(result, "at once", counted_s=800.0, street="Upper Lantern River Mill Road North")
    (line,) = sheet_line([made.ways["tow"], made.ways["car"]])
    assert line == "If everyone behind Upper Lantern River Mi… leaves when you do, add 14 minutes."
    assert len(line) <= 78


def test_the_sheet_has_few_words(page: str) -> None:
    assert len(words_of(page, pictures=False).split()) <= 400


def test_shares_of_the_rules_stand_by_rating_and_hour_in_the_report(
    result: HouseholdResult, invented: ModuleType
) -> None:
    text = words_of(report_page(with_rules(result, invented, before=("tow",)), made_at=invented.MADE_AT))
    assert "10 to 16 h 16 to 10 h" in text
    assert "Extreme Towing the house the evening before 34 1" in text
    assert "Extreme By car, without the house on word of fire 3 1" in text
    assert "where to go for fire on which side" in text
