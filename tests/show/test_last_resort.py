"""What is said of lateness, of shut roads and of the last resort, word for word; all sentences are written by hand.

The fire of the invented day starts at 12:40. Members of the tests are counted by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from leaveby.caution import LAST_RESORT
from leaveby.decision.household.phases import EVERY_ROAD_SHUT, late_words, timetable
from leaveby.decision.ways.result import HouseholdResult, Phases
from leaveby.household.shelter import LastResort
from leaveby.show.plan.last_resort import shelter_lines, shelter_record
from leaveby.show.plan.timetable import describe_timetable
from leaveby.show.wording import every_road_shut_words

SHUT_AT = 95 * 60.0  # 14:15


def with_shut(result: HouseholdResult, at_s: float, **more: Any) -> HouseholdResult:
    """The answer with every road shut on most such days from a moment, and a last resort that begins there."""
    shelter: LastResort = replace(
        result.shelter,
        leaving_ends_s=at_s,
        begins_s=at_s if 0.0 <= at_s < math.inf else 0.0,
        ember_arrival_s=70 * 60.0,
        front_arrival_s=100 * 60.0,
        ready_s=14 * 60.0,
        closed_before_embers=0.08,
        latest_start_before_embers_s=56 * 60.0,
        too_late=("close the shutters",),
        place=replace(result.shelter.place, open_until_s=61 * 60.0),
        place_reachable=False,
        **more,
    )
    return replace(result, phases=replace(result.phases, shut_from_s=at_s), shelter=shelter)


def test_when_every_road_is_shut_word_for_word(result: HouseholdResult) -> None:
    said = {at_s: every_road_shut_words(with_shut(result, at_s)) for at_s in (SHUT_AT, 0.0, -60.0, math.inf, -math.inf)}
    assert said[SHUT_AT] == (
        "From 14:15, on more than half of such days every road out is shut, or shuts before you are through; on many "
        "of them that comes earlier. Only from then on, and only as officially directed, is there a last resort. "
        "Before that you are late, not cut off: go at once, as directed."
    )
    assert (
        said[0.0]
        == said[-60.0]
        == (
            "From the moment when the fire starts, on more than half of such days every road out is shut, or shuts "
            "before you are through. Be away before such a day begins; there is a last resort only as officially "
            "directed."
        )
    )
    assert said[math.inf] == (
        "Within the hours looked at some road out was not shut on a middling day, or on half of such days. That is no "
        "leave to wait: leave early, and at once when you are told to go."
    )
    assert said[-math.inf] == "No road leads from the home to a safe point of your plan, even with no fire."


def test_the_last_resort_word_for_word(result: HouseholdResult) -> None:
    # 8 of 100 such days are closed in time: 92 are not. Embers at 13:50, the front at 14:20; begun by 13:36, so 13:35.
    lines = shelter_lines(with_shut(result, SHUT_AT))
    assert lines[0].startswith("From 14:15, on more than half of such days")
    assert lines[1:5] == (
        "Closing the house takes up to 14 min: close the shutters, disconnect gas and power.",
        "Embers can fall from 13:50, the fire front from 14:20.",
        "Closing that is begun at 14:15 is not done before the embers in 92 of 100 such days; to be done in time it "
        "has to begin by 13:35, before the last resort begins: leaving comes first.",
        "Too late at 14:15 on this list: close the shutters.",
    )
    assert lines[-1] == (
        "The nearest place of last resort is Sallow hall oval, 2.4 km and 34 min on foot; if you are directed there, "
        "leave for it by 13:40 at the latest, before the last resort begins."
    )


def test_where_some_road_stays_unshut_no_last_resort_begins(result: HouseholdResult) -> None:
    lines = shelter_lines(with_shut(result, math.inf))
    assert lines[3] == (
        "To be done before the embers, closing has to begin by 13:35, and only if you are officially directed to "
        "shelter: leaving comes first."
    )
    assert not any("14:15" in line or "begun at" in line for line in lines)
    record = shelter_record(with_shut(result, math.inf))
    assert record["leaving_ends"] is None
    assert record["why"]["leaving_ends"] == (
        "Within the hours that were computed some road out was not shut on half of such days; leave early all the same."
    )


def test_the_last_resort_promises_nothing(result: HouseholdResult) -> None:
    assert shelter_record(result)["caution"] == LAST_RESORT
    for at_s in (SHUT_AT, 0.0, math.inf, -math.inf):
        for tasks in (("close the shutters",), ()):
            for line in shelter_lines(with_shut(result, at_s, tasks=tasks)):
                assert not any(words in line for words in ("no longer an option", "no road out", " safe to", "survive"))
                assert "nan" not in line
                assert line.endswith(".")


@pytest.mark.parametrize(
    ("way", "sentence"),
    [
        (
            "tow",
            "if it is not rolling, leave it behind, and go as officially directed. Every ten "
            "minutes later you are caught on up to 8 more of 100 such days.",
        ),
        (
            "car",
            "no packing, go at once and as officially directed. Every ten "
            "minutes later you are caught on up to 8 more of 100 such days.",
        ),
        (
            "foot",
            "no packing, go at once and as officially directed. Every ten "
            "minutes later you are caught on up to 8 more of 100 such days.",
        ),
    ],
)
def test_lateness_word_for_word(way: str, sentence: str) -> None:
    assert late_words(way, Phases(0.0, 600.0, 0.0701, 6000.0)) == sentence
    assert late_words(way, Phases(0.0, 600.0, 0.0, 6000.0)) == sentence.split(" Every")[0]


def test_the_timetable_word_for_word(result: HouseholdResult) -> None:
    """Towing by 13:00 and 14:00, shut from 15:00; by car by 13:30 and 13:55, shut from 15:30; no way on foot."""
    found = {
        "tow": Phases(1200.0, 4800.0, 0.05, 8400.0),
        "car": Phases(3000.0, 4500.0, 0.12, 10200.0),
        "foot": Phases(-math.inf, -math.inf, 0.0, -math.inf),
    }
    tow, car, foot = (result.ways[name] for name in ("tow", "car", "foot"))
    timings: Any = {
        "tow": replace(
            tow,
            latest_start_s=1200.0,
            latest_departure_s=4800.0,
            route=replace(tow.route, closes_first="Tannery Lane", closes_first_s=9000.0),
        ),
        "car": replace(
            car,
            latest_start_s=3000.0,
            latest_departure_s=4500.0,
            route=replace(car.route, closes_first="", closes_first_s=math.inf),
        ),
        "foot": replace(foot, latest_start_s=None, latest_departure_s=None, route=None),
    }
    rows = timetable(
        timings,
        fire=replace(result.fire, home_p50_s=math.inf),
        way_phases=found,
        phases=found["car"],
        shelter=replace(result.shelter, ember_arrival_s=600.0, front_arrival_s=11000.0),
        confidence=0.95,
    )
    assert [(row.at_s, row.sentence) for row in rows] == [
        (0.0, "The fire of this day starts."),
        (600.0, "Embers may reach the home from now on (in the earliest 5 % of such days)."),
        (1200.0, "Latest start of getting ready to leave with the house."),
        (3000.0, "Latest start of getting ready to leave by car, without the house."),
        (
            4500.0,
            "Late from now on by car, without the house: no packing, go at once and as officially directed. Every ten "
            "minutes later you are caught on up to 12 more of 100 such days.",
        ),
        (
            4800.0,
            "Late from now on with the house: if it is not rolling, leave it behind, and go as officially directed. "
            "Every ten minutes later you are caught on up to 5 more of 100 such days.",
        ),
        (8400.0, "On more than half of such days no road gets clear with the house from now on."),
        (9000.0, "On a middling day, Tannery Lane shuts on the way with the house."),
        (10200.0, EVERY_ROAD_SHUT),
        (11000.0, "The front may reach the home from now on (in the earliest 5 % of such days)."),
    ]
    assert EVERY_ROAD_SHUT == (
        "On more than half of such days every road out is shut from now on, or shuts before you are through. Only from "
        "here on, and only as officially directed, is there a last resort."
    )


def test_the_picture_of_the_day_says_no_other_than_the_boxes(result: HouseholdResult) -> None:
    words = describe_timetable(replace(result, timetable=()))
    assert "too late" not in words
    for name in ("tow", "car", "foot"):
        assert f"After that you are late: {late_words(name, result.way_phases[name])}" in words
