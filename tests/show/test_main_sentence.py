"""The sentence that tells people when to go, word for word, for every order of the ways, beside the boxes' own words.

All sentences are written by hand. The fire of the invented day starts at 12:40.
"""

from __future__ import annotations

import html
import itertools
import math
import re
from dataclasses import replace
from datetime import datetime, timedelta
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.decision.household.phases import phases
from leaveby.decision.ways.result import HouseholdResult, Phases, WayTiming, opens, way_is_open
from leaveby.fire.weather.ratings import HeldRule, Rating, held_rule
from leaveby.show.plan.page import report_page
from leaveby.show.wording import clock_words, leave_by_line, main_sentence, rule_line, today_words

DAY = "On a day like this, "
NO_TIME = (
    "No leave-by time was found for this day, which does not mean that the fire stays away: leave early, and go at "
    "once when you are told to go."
)
NO_WAY = (
    "No way out was found for you: talk to your fire agency before the season, and be away before a day like this "
    "begins."
)

# State of towing, of the car and on foot: a clock time of the latest start, "closed" (no route), "unbounded" (a route,
# but no time), or None (not in the plan).
TABLE: tuple[tuple[str | None, str | None, str | None, str], ...] = (
    # both wheels in time: towing earlier, equal, later
    (
        "12:55",
        "13:30",
        None,
        DAY + "start getting ready by 12:55 to tow the house out; if you have not started by then, leave the house "
        "behind and start getting ready to go by car by 13:30 at the latest. Earlier is better.",
    ),
    (
        "13:02",
        "13:04",
        None,
        DAY + "start getting ready by 13:00 at the latest, with or without the house. Earlier is better.",
    ),
    (
        "13:04",
        "13:02",
        None,
        DAY + "start getting ready by 13:00 at the latest, with or without the house. Earlier is better.",
    ),
    (
        "13:30",
        "13:30",
        None,
        DAY + "start getting ready by 13:30 at the latest, with or without the house. Earlier is better.",
    ),
    (
        "13:30",
        "12:55",
        None,
        DAY
        + "start getting ready by 12:55 at the latest, with or without the house: going by car has to start earlier "
        "here than towing it, and the earlier time counts. Earlier is better.",
    ),
    # one before the fire starts, the other in time
    (
        "12:15",
        "13:30",
        None,
        DAY
        + "start getting ready by 12:15, before the fire starts, to tow the house out; once it has started, leave the "
        "house behind and start getting ready to go by car by 13:30 at the latest. Earlier is better.",
    ),
    (
        "13:30",
        "12:15",
        None,
        DAY
        + "start getting ready by 12:15, before the fire starts, with or without the house: going by car has to start "
        "earlier here than towing it, and the earlier time counts. Earlier is better.",
    ),
    # both before the fire starts
    (
        "12:00",
        "12:15",
        None,
        DAY
        + "there is no time to get ready once the fire has started, with or without the house: be away before such a "
        "day begins.",
    ),
    (
        "12:15",
        "12:00",
        None,
        DAY
        + "there is no time to get ready once the fire has started, with or without the house: be away before such a "
        "day begins.",
    ),
    # no route for one of them
    (
        "closed",
        "13:30",
        None,
        DAY
        + "leave the house behind, for which no way out was found, and start getting ready to go by car by 13:30 at "
        "the latest. Earlier is better.",
    ),
    (
        "12:55",
        "closed",
        None,
        DAY
        + "start getting ready to tow the house out by 12:55 at the latest; no way out was found by car without it. "
        "Earlier is better.",
    ),
    (
        "12:15",
        "closed",
        None,
        DAY
        + "there is no time to get ready to tow the house out once the fire has started, and no way out was found by "
        "car without it: be away before such a day begins.",
    ),
    (
        "closed",
        "12:15",
        None,
        DAY + "no way out was found with the house, and there is no time to get ready to go by car once the fire has "
        "started: be away before such a day begins.",
    ),
    # no time for one of them
    (
        "unbounded",
        "13:30",
        None,
        DAY + "start getting ready by 13:30 at the latest, with or without the house: no time of its own was found for "
        "towing it. Earlier is better.",
    ),
    (
        "unbounded",
        "12:15",
        None,
        DAY + "start getting ready by 12:15, before the fire starts, with or without the house: no time of its own was "
        "found for towing it. Earlier is better.",
    ),
    (
        "12:55",
        "unbounded",
        None,
        DAY + "start getting ready by 12:55 at the latest, with or without the house: no time of its own was found for "
        "going by car. Earlier is better.",
    ),
    (
        "12:15",
        "unbounded",
        None,
        DAY
        + "start getting ready by 12:15, before the fire starts, to tow the house out; once it has started, leave the "
        "house behind and go by car at once, for which no latest time was found. Earlier is better.",
    ),
    ("unbounded", "unbounded", None, NO_TIME),
    ("unbounded", "closed", None, NO_TIME + " No way out was found by car without the house."),
    ("closed", "unbounded", None, NO_TIME + " Leave the house behind: no way out was found for it."),
    ("unbounded", None, None, NO_TIME),
    (None, "unbounded", None, NO_TIME),
    # only one of them in the plan
    (None, "13:30", None, DAY + "start getting ready to go by car by 13:30 at the latest. Earlier is better."),
    ("12:55", None, None, DAY + "start getting ready to tow the house out by 12:55 at the latest. Earlier is better."),
    (
        None,
        "12:15",
        None,
        DAY + "there is no time to get ready to go by car once the fire has started: be away before such a day begins.",
    ),
    (
        "12:15",
        None,
        None,
        DAY + "there is no time to get ready to tow the house out once the fire has started: be away before such a day "
        "begins.",
    ),
    # no way at all
    ("closed", "closed", None, NO_WAY),
    ("closed", None, None, NO_WAY),
    (None, "closed", "closed", NO_WAY),
    (None, None, "closed", NO_WAY),
    # only on foot
    (None, None, "13:10", DAY + "start getting ready to go on foot by 13:10 at the latest. Earlier is better."),
    (
        None,
        None,
        "12:15",
        DAY
        + "there is no time to get ready to go on foot once the fire has started: be away before such a day begins.",
    ),
    (None, None, "unbounded", NO_TIME),
    (
        "closed",
        "closed",
        "13:10",
        DAY + "no way out was found on wheels: start getting ready to go on foot by 13:10 at the latest. "
        "Earlier is better.",
    ),
    (
        None,
        "closed",
        "12:15",
        DAY
        + "no way out was found on wheels, and there is no time to get ready to go on foot once the fire has started: "
        "be away before such a day begins.",
    ),
    ("closed", None, "unbounded", NO_TIME + " No way out was found on wheels."),
    # on foot beside wheels: named when it has to be earlier than what the sentence names
    (
        "12:55",
        "13:30",
        "13:10",
        DAY + "start getting ready by 12:55 to tow the house out; if you have not started by then, leave the house "
        "behind and start getting ready to go by car by 13:30 at the latest. Earlier is better. On foot, start getting "
        "ready by 13:10 at the latest.",
    ),
    (
        None,
        "13:30",
        "12:15",
        DAY
        + "start getting ready to go by car by 13:30 at the latest. Earlier is better. On foot, start getting ready by "
        "12:15, before the fire starts.",
    ),
    (None, "13:30", "14:00", DAY + "start getting ready to go by car by 13:30 at the latest. Earlier is better."),
    (None, "13:30", "13:33", DAY + "start getting ready to go by car by 13:30 at the latest. Earlier is better."),
    (None, "13:30", "closed", DAY + "start getting ready to go by car by 13:30 at the latest. Earlier is better."),
    (
        "13:30",
        "12:55",
        "13:10",
        DAY
        + "start getting ready by 12:55 at the latest, with or without the house: going by car has to start earlier "
        "here than towing it, and the earlier time counts. Earlier is better.",
    ),
    (
        "12:00",
        "12:15",
        "13:10",
        DAY
        + "there is no time to get ready once the fire has started, with or without the house: be away before such a "
        "day begins. Once it has started, only going on foot is in time: start getting ready for that by 13:10 at the "
        "latest.",
    ),
    (
        None,
        "12:15",
        "unbounded",
        DAY + "there is no time to get ready to go by car once the fire has started: be away before such a day begins. "
        "Once it has started, go on foot at once: no latest time was found for that.",
    ),
    (
        None,
        "12:15",
        "12:00",
        DAY + "there is no time to get ready to go by car once the fire has started: be away before such a day begins.",
    ),
    ("unbounded", "unbounded", "13:10", NO_TIME + " On foot, start getting ready by 13:10 at the latest."),
    (None, "unbounded", "12:15", NO_TIME + " On foot, start getting ready by 12:15, before the fire starts."),
)


def at_s(clock: str, start: datetime) -> float:
    hour, minute = map(int, clock.split(":"))
    return (start.replace(hour=hour, minute=minute) - start).total_seconds()


def in_state(result: HouseholdResult, name: str, state: str) -> tuple[WayTiming, Phases]:
    way = result.ways[name]
    if state == "closed":
        endless = replace(way.drive_s, p50_s=math.inf, p90_s=math.inf, p95_s=math.inf)
        way = replace(
            way,
            route=None,
            fits=False,
            latest_start_s=None,
            latest_departure_s=None,
            why="No road is wide enough.",
            drive_s=endless,
            required_s=endless,
        )
        return way, Phases(-math.inf, -math.inf, 0.0, -math.inf)
    if state == "unbounded":
        way = replace(way, latest_start_s=None, latest_departure_s=None, why="Too few runs shut it to name a time.")
        return way, Phases(math.inf, math.inf, 0.0, math.inf)
    start_s = at_s(state, result.start)
    way = replace(way, latest_start_s=start_s, latest_departure_s=start_s + 1500.0, why="")
    return way, Phases(start_s, start_s + 1500.0, 0.07, start_s + 7200.0)


def in_states(result: HouseholdResult, **states: str | None) -> HouseholdResult:
    made = {name: in_state(result, name, state) for name, state in states.items() if state is not None}
    way_phases = {name: found for name, (_, found) in made.items()}
    whole = max(way_phases.values(), key=lambda one: one.shut_from_s)
    return replace(result, ways={name: way for name, (way, _) in made.items()}, way_phases=way_phases, phases=whole)


@pytest.mark.parametrize(("tow", "car", "foot", "sentence"), TABLE)
def test_the_main_sentence_in_every_order_of_the_ways(
    result: HouseholdResult, tow: str | None, car: str | None, foot: str | None, sentence: str
) -> None:
    assert main_sentence(in_states(result, tow=tow, car=car, foot=foot)) == sentence


def test_the_table_holds_every_pair_of_states_of_the_wheels() -> None:
    """So that no case is only reached in the field."""

    def kind(state: str | None) -> str:
        if state is None or ":" not in state:
            return str(state)
        return "before" if state < "12:40" else "timed"

    kinds = ("None", "closed", "unbounded", "before", "timed")
    held = {(kind(tow), kind(car)) for tow, car, _, _ in TABLE}
    # Nothing at all in the plan but feet stands among the rows on foot.
    assert held == set(itertools.product(kinds, kinds)) - {("None", "closed")} | {("None", "closed")}


TIMES = re.compile(r"\b\d\d:\d\d\b")


@pytest.mark.parametrize("seed", range(60))
def test_no_sentence_names_a_later_time_than_a_way_it_speaks_of_needs(result: HouseholdResult, seed: int) -> None:
    """Random orders: the first time named is the earliest of the wheels that have one, and every time is a box's."""
    rng = np.random.default_rng(seed)
    clocks = [f"{11 + int(k) // 60:02d}:{int(k) % 60:02d}" for k in rng.integers(0, 240, size=3)]
    states = [str(rng.choice(["closed", "unbounded", clock, clock, clock])) for clock in clocks]
    made = in_states(result, tow=states[0], car=states[1], foot=states[2])
    said = main_sentence(made)
    timed = {name: way.latest_start_s for name, way in made.ways.items() if way.latest_start_s is not None}
    wheels = [at for name, at in timed.items() if name != "foot"]
    named = TIMES.findall(said)
    assert set(named) <= {clock_words(made, at) for at in timed.values()}
    if named and wheels and "be away" not in said and NO_TIME not in said:
        assert named[0] == clock_words(made, min(wheels))
    for name, at in timed.items():
        if at < 0.0 and clock_words(made, at) in named:
            assert f"{clock_words(made, at)}, before the fire starts" in said, name


BOXES: tuple[tuple[str, str, str, dict[str, list[str]]], ...] = (
    (
        "12:55",
        "13:30",
        "13:10",
        {
            "Towing the house": [
                "start getting ready by",
                "12:55",
                "be rolling by",
                "13:20",
                "After that you are late: if it is not rolling, leave it behind, and go as officially directed. Every "
                "ten minutes later you are caught on up to 7 more of 100 such days.",
            ],
            "By car, without the house": [
                "start getting ready by",
                "13:30",
                "be rolling by",
                "13:55",
                "After that you are late: no packing, go at once and as officially directed. Every ten "
                "minutes later you are caught on up to 7 more of 100 such days.",
            ],
            "On foot": [
                "start getting ready by",
                "13:10",
                "be walking by",
                "13:35",
                "After that you are late: no packing, go at once and as officially directed. Every ten "
                "minutes later you are caught on up to 7 more of 100 such days.",
            ],
        },
    ),
    (
        "13:30",
        "12:55",
        "closed",
        {
            "Towing the house": [
                "start getting ready by",
                "13:30",
                "be rolling by",
                "13:55",
                "The earlier time counts: 12:55, as for going by car.",
            ],
            "By car, without the house": [
                "start getting ready by",
                "12:55",
                "be rolling by",
                "13:20",
                "After that you",
            ],
        },
    ),
    (
        "13:04",
        "13:02",
        "unbounded",
        {
            "Towing the house": [
                "start getting ready by",
                "13:00",
                "be rolling by",
                "13:25",
                "After that you are late",
            ],
            "By car, without the house": ["start getting ready by", "13:00", "be rolling by", "13:25", "After that"],
            "On foot": ["no time found: leave early", "Too few runs shut it to name a time."],
        },
    ),
    (
        "12:15",
        "13:30",
        "12:00",
        {
            "Towing the house": [
                "start getting ready by",
                "12:15",
                "be rolling by",
                "12:40",
                "That is before the fire even starts (12:40): on such a day, go before there is any fire.",
            ],
            "By car, without the house": ["start getting ready by", "13:30", "be rolling by", "13:55", "After that"],
            "On foot": ["start getting ready by", "12:00", "be walking by", "12:25", "That is before the fire even"],
        },
    ),
    (
        "unbounded",
        "12:15",
        "13:10",
        {
            "Towing the house": [
                "no time found: leave early",
                "Too few runs shut it to name a time.",
                "The earlier time counts: 12:15, as for going by car.",
            ],
            "By car, without the house": [
                "start getting ready by",
                "12:15",
                "be rolling by",
                "12:40",
                "That is before the fire even starts (12:40)",
            ],
            "On foot": ["start getting ready by", "13:10", "be walking by", "13:35"],
        },
    ),
    (
        "12:55",
        "unbounded",
        "closed",
        {
            "Towing the house": [
                "start getting ready by",
                "12:55",
                "be rolling by",
                "13:20",
                "After that you are late",
            ],
            "By car, without the house": [
                "no time found: leave early",
                "Too few runs shut it to name a time.",
                "The earlier time counts: 12:55, as for towing the house.",
            ],
        },
    ),
    (
        "12:15",
        "unbounded",
        "closed",
        {
            "Towing the house": [
                "start getting ready by",
                "12:15",
                "be rolling by",
                "12:40",
                "That is before the fire",
            ],
            "By car, without the house": [
                "no time found: leave early",
                "Too few runs shut it to name a time.",
                "To Quarrel",
            ],
        },
    ),
)


def boxes(page: str) -> dict[str, list[str]]:
    """Words of each box, in order: heading to list of lines."""
    found = {}
    for box in re.findall(r'<li class="way">(.*?)</li>', page, re.DOTALL):
        parts = [html.unescape(part).strip() for part in re.split(r"<[^>]+>", box)]
        words = [part for part in parts if part]
        found[words[0]] = words[1:]
    return found


@pytest.mark.parametrize(("tow", "car", "foot", "expected"), BOXES)
def test_the_boxes_say_what_the_sentence_says(
    result: HouseholdResult,
    invented: Any,
    figures: dict[str, str],
    tow: str,
    car: str,
    foot: str,
    expected: dict[str, list[str]],
) -> None:
    made = in_states(result, tow=tow, car=car, foot=foot)
    found = boxes(report_page(made, made_at=invented.MADE_AT, figures=figures))
    assert list(found) == list(expected)
    for title, lines in expected.items():
        for line, said in zip(lines, found[title], strict=False):
            assert said.startswith(line), (title, line, said)


def test_rounding_never_makes_a_time_after_the_start_read_as_one_before_it(result: HouseholdResult) -> None:
    """A fire at 12:42: a start by 12:43 would round down to 12:40, before the fire; it is said as 12:42."""
    later = replace(result, start=result.start + timedelta(minutes=2))
    assert clock_words(later, 60.0) == "12:42"
    assert clock_words(later, 180.0) == "12:45"
    assert clock_words(later, -1.0) == "12:40"
    car = replace(later.ways["car"], latest_start_s=60.0, latest_departure_s=120.0)
    made = replace(later, ways={"car": car})
    assert main_sentence(made) == (
        "On a day like this, start getting ready to go by car by 12:42 at the latest. Earlier is better."
    )
    assert leave_by_line(made, car) == "Start getting ready by 12:42, be rolling by 12:42."


def test_the_leave_by_line_word_for_word(result: HouseholdResult) -> None:
    made = in_states(result, tow="12:15", car="13:30", foot="closed")
    assert leave_by_line(made, made.ways["tow"]) == (
        "Start getting ready by 12:15, before the fire starts (12:40), be rolling by 12:40."
    )
    assert leave_by_line(made, made.ways["car"]) == "Start getting ready by 13:30, be rolling by 13:55."
    assert leave_by_line(made, made.ways["foot"]) == "No road is wide enough."
    walking = in_states(result, foot="13:10")
    assert leave_by_line(walking, walking.ways["foot"]) == "Start getting ready by 13:10, be walking by 13:35."


@pytest.mark.parametrize(("tow", "car", "foot", "sentence"), TABLE)
def test_a_way_is_open_as_long_as_it_is_in_time(
    result: HouseholdResult, tow: str | None, car: str | None, foot: str | None, sentence: str
) -> None:
    """Exit code 3 and `opens` against the phases: open is in time when the fire starts; late is not open, nor shut."""
    made = in_states(result, tow=tow, car=car, foot=foot)
    for name, way in made.ways.items():
        assert way_is_open(way) == (made.way_phases[name].start_by_s >= 0.0)
    assert opens(made) == any(found.start_by_s >= 0.0 for found in made.way_phases.values())
    assert opens(made) or "be away before" in sentence


def test_late_is_not_shut() -> None:
    """100 members that can be left for at 61, 62, ... 160 minutes: 95 % until 65, more than half shut after 111."""
    departures_s = 60.0 * np.arange(61.0, 161.0)
    found = phases(
        departures_s,
        departures_s,
        start_by_s=1800.0,
        roll_by_s=65 * 60.0,
        central_exit_s=-np.inf,
        start=datetime(2026, 1, 17, 12, 40),
    )
    # After 111 minutes 51 of 100 are shut: 14:31, and 14:35 on a clock of five minutes.
    assert found.shut_from_s == 115 * 60.0
    assert found.ten_minutes_cost == 0.10


# --- the plan's own day against its own rule ------------------------------------------------------------------------

RATED = "This plan's own day is rated Extreme, and on such a day "
TODAY = {
    "tow": (
        ("tow",),
        "Extreme",
        f"{RATED}the house goes the evening before. Its clock times for leaving with the house are only for if you are "
        "still there.",
    ),
    "car": (
        ("car",),
        "Extreme",
        f"{RATED}you go by car the evening before. Its clock times for leaving by car, without the house are only for "
        "if you are still there.",
    ),
    "both": (
        ("tow", "car"),
        "Extreme",
        f"{RATED}the house goes and you go by car the evening before. Its clock times for leaving with the house and "
        "by car, without the house are only for if you are still there.",
    ),
    "foot": (
        ("foot",),
        "Extreme",
        f"{RATED}you go on foot the evening before. Its clock times for leaving on foot are only for if you are still "
        "there.",
    ),
    "none": ((), "Extreme", ""),
    "none of it by the computed share, but the rating itself tells": (
        (),
        "Catastrophic",
        "This plan's own day is rated Catastrophic, and on such a day the house goes and you go by car the evening "
        "before. Its clock times for leaving with the house and by car, without the house are only for if you are "
        "still there.",
    ),
}


CLOCKS = "Its clock times for leaving with the house and by car, without the house are only for if you are still there."
BOTH = f"the house goes and you go by car the evening before. {CLOCKS}"
NONE = "This plan's own day has none of the ratings that the rules are for: leave as on a day rated"
LEAST = "at the latest, and earlier where officials say so."
NO_RULE = "for which it has no rule"
OTHERS = {
    "left out, the next higher waits": (
        ((), "High", HeldRule("Extreme")),
        f"This plan's own day is rated High, {NO_RULE}: that of the next higher rating it names, Extreme, holds.",
    ),
    "left out, the next higher goes before": (
        (("car",), "High", HeldRule("Extreme")),
        f"This plan's own day is rated High, {NO_RULE}: that of the next higher rating it names, Extreme, holds. On "
        "such a day you go by car the evening before. Its clock times for leaving by car, without the house are only "
        "for if you are still there.",
    ),
    "left out, and nothing higher, which waits": (
        ((), "Severe", HeldRule("Extreme", above=True)),
        f"This plan's own day is rated Severe, {NO_RULE}: leave as on a day rated Extreme, the highest it names, "
        f"{LEAST}",
    ),
    "left out, and nothing higher, which goes before": (
        (("tow", "car"), "Severe", HeldRule("Extreme", above=True)),
        f"This plan's own day is rated Severe, {NO_RULE}: leave as on a day rated Extreme, the highest it names, "
        f"{LEAST} On such a day {BOTH}",
    ),
    "left out, and the rating itself tells people to leave": (
        ((), "Catastrophic", HeldRule("Extreme", above=True, tells=True)),
        f"This plan's own day is rated Catastrophic, {NO_RULE}: leave as on a day rated Extreme, the highest it names, "
        f"{LEAST} Its rating itself tells people to leave: {BOTH}",
    ),
    "left out, and it and the next higher tell people to leave": (
        ((), "Very bad", HeldRule("Catastrophic", tells=True)),
        f"This plan's own day is rated Very bad, {NO_RULE}: that of the next higher rating it names, Catastrophic, "
        f"holds. Its rating itself tells people to leave: {BOTH}",
    ),
    "below the lowest, or in words of one's own, which waits": (
        ((), None, HeldRule("Extreme")),
        f"{NONE} Extreme {LEAST}",
    ),
    "below the lowest, or in words of one's own, which goes before": (
        (("tow", "car"), None, HeldRule("Catastrophic", above=False)),
        f"{NONE} Catastrophic {LEAST} On such a day {BOTH}",
    ),
}
SCALE = ("Moderate", "High", "Extreme", "Catastrophic")
"""The Australian ratings of September 2022, as a public news page has them (see `ratings.toml`)."""


@pytest.mark.parametrize("case", OTHERS)
def test_a_day_that_the_plan_has_no_rule_for_is_told_whose_rule_holds_word_for_word(
    result: HouseholdResult, invented: ModuleType, case: str
) -> None:
    (before, today, held), said = OTHERS[case]
    made = ruled(result, invented, before, today=today, held=held)
    assert today_words(made) == said
    for name in ("tow", "car"):
        early = "the evening before" in said and (name in before or ("you go by car" in said and "house goes" in said))
        assert leave_by_line(made, made.ways[name]).startswith("If you are still" if early else "Start getting")


@pytest.mark.parametrize("named", [some for count in range(1, 5) for some in itertools.combinations(SCALE, count)])
@pytest.mark.parametrize("today", [None, *SCALE])
@pytest.mark.parametrize("own", [False, True])
def test_the_rule_that_holds_is_the_next_higher_that_the_plan_names(
    today: str | None, named: tuple[str, ...], own: bool
) -> None:
    """Every day against every choice of ratings, in the scale's words and in words of one's own."""
    called = {name: f"our {name.lower()} day" if own else name for name in SCALE}
    ratings = [Rating(called[name], stands_for=name.upper() if own else None) for name in named]
    day, held = held_rule(today, ratings, scale="australia")
    rank = -1 if today is None else SCALE.index(today)
    higher = [name for name in named if SCALE.index(name) >= rank]
    assert held.rating == called[higher[0] if higher else named[-1]]
    assert held.above == (not higher)
    assert day == (called[today] if today in named else today)
    assert held.tells == (today == "Catastrophic" and today not in named)


def test_a_day_that_no_scale_rates_goes_by_the_highest_in_the_plans_own_words() -> None:
    assert held_rule(None, (Rating("amber"), Rating("red")), scale="own") == (None, HeldRule("red"))
    assert held_rule("a day like the plan's", (), scale="own")[1] == HeldRule("a day like the plan's")


def ruled(result: HouseholdResult, invented: ModuleType, before: tuple[str, ...], **how: Any) -> HouseholdResult:
    lines = invented.invented_triggers()
    if "foot" in before:
        lines = tuple(replace(line, way="foot") for line in lines[:1])
    return replace(result, rules=invented.invented_rules(before=before, lines=lines, **how))


@pytest.mark.parametrize("case", TODAY)
def test_what_the_days_own_rule_says_word_for_word(result: HouseholdResult, invented: ModuleType, case: str) -> None:
    before, today, said = TODAY[case]
    made = ruled(result, invented, before, today=today)
    assert today_words(made) == said
    # A day that one is away from has no clock times but for those who stayed.
    for way in made.ways.values():
        early = "the evening before" in said and way.way in (before or ("tow", "car"))
        assert leave_by_line(made, way).startswith(
            "If you are still there, start getting" if early else "Start getting"
        )


def test_a_day_like_the_plans_is_no_rating(result: HouseholdResult, invented: ModuleType) -> None:
    like = "a day like the plan's"
    assert today_words(ruled(result, invented, ("tow",), milder=like, today=like)) == (
        "On a day like this plan's own, the house goes the evening before. Its clock times for leaving with the house "
        "are only for if you are still there."
    )


def test_without_a_day_of_its_own_or_any_rule_there_is_nothing_to_say(
    result: HouseholdResult, invented: ModuleType
) -> None:
    for today in ("Extreme", None):
        assert today_words(invented.without_fire(ruled(result, invented, ("tow", "car"), today=today))) == ""
    assert today_words(replace(result, rules=invented.invented_rules(lines=()))) == ""


@given(name=st.text(max_size=200), share=st.floats(0.0, 1.0), told=st.booleans())
def test_a_rule_fits_on_a_line_of_a_terminal(result: HouseholdResult, name: str, share: float, told: bool) -> None:
    for rule in result.rules.rules.values():
        for way in ("tow", "car", "foot"):
            verdict = "evening before" if told else rule.verdict
            line = rule_line(replace(rule, way=way, rating=name, share=share, told=told, verdict=verdict))
            assert len(line) <= 80
            assert line.isprintable()
    assert rule_line(next(iter(result.rules.rules.values()))) == "  Extreme, tow: on word of fire inside the line (3)"


WITHOUT_FIRE = (
    "Your plan names no fire of its own, so no times of the clock were worked out: go by the rules, by the official "
    "rating of the day."
)


@pytest.mark.parametrize(
    ("states", "said"),
    [
        ({"tow": "unbounded", "car": "unbounded"}, WITHOUT_FIRE),
        (
            {"tow": "closed", "car": "unbounded"},
            f"{WITHOUT_FIRE} Leave the house behind: no way out was found for it.",
        ),
        (
            {"tow": "unbounded", "car": "closed"},
            f"{WITHOUT_FIRE} No way out was found by car without the house.",
        ),
        (
            {"tow": "closed", "car": "closed", "foot": "unbounded"},
            f"{WITHOUT_FIRE} Leave the house behind: no way out was found for it. No way out was found by car without "
            "the house.",
        ),
        ({"foot": "unbounded"}, WITHOUT_FIRE),
        (
            {"tow": "closed", "car": "closed", "foot": "closed"},
            "No way out was found for you: talk to your fire agency before the season, and be away before any day of "
            "fire danger begins.",
        ),
    ],
)
def test_the_main_sentence_without_a_fire(
    result: HouseholdResult, invented: ModuleType, states: dict[str, str], said: str
) -> None:
    assert main_sentence(invented.without_fire(in_states(result, **states))) == said
