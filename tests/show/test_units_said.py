"""Miles, feet and degrees Fahrenheit on every output where signs use them, rounded to the side that makes people leave.

International yard and pound agreement (1959): 1 mile = 1609.344 m, 1 ft = 0.3048 m, 1 yd = 0.9144 m, exact. That public
forecasts of the United States give degrees Fahrenheit and miles an hour: common practice, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.decision.lines.landmarks import short_words
from leaveby.decision.rules.words import rule_sentence
from leaveby.decision.ways.result import HouseholdResult
from leaveby.show import map_words, wording
from leaveby.show.figure import blank_figure
from leaveby.show.map_labels import Sheet, draw_scale
from leaveby.show.plan.last_resort import known_words
from leaveby.show.plan.map import map_sentences
from leaveby.show.plan.sheet import late_lines, rule_box
from leaveby.units import (
    METRIC,
    MILES_AND_FEET,
    MILES_AND_YARDS,
    Measures,
    about_words,
    area_words,
    broad_words,
    distance_words,
    far_words,
    farther_words,
    given_words,
    legend_words,
    local_words,
    mass_words,
    nearer_words,
    outward_words,
    reach_words,
    rounded_words,
    size_words,
    speed_words,
    temperature_words,
)

METRES = {"km": 1000.0, "m": 1.0, "miles": 1609.344, "mile": 1609.344, "mi": 1609.344, "feet": 0.3048, "yards": 0.9144}
IMPERIAL = st.sampled_from([MILES_AND_FEET, MILES_AND_YARDS])
ANY = st.sampled_from([METRIC, MILES_AND_FEET, MILES_AND_YARDS])
LENGTH = st.floats(1.0, 200_000.0)


def in_metres(words: str) -> float:
    number, unit = words.split(" ")
    return float(number) * METRES[unit]


# --- rounding, by hand and by property -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (distance_words(1609.344, MILES_AND_FEET), "1 mile"),
        (distance_words(3218.0, MILES_AND_FEET), "2 miles"),
        (distance_words(30.48, MILES_AND_FEET), "100 feet"),
        (distance_words(300.0, MILES_AND_FEET), "980 feet"),
        (distance_words(310.0, MILES_AND_FEET), "0.2 miles"),
        (distance_words(300.0, MILES_AND_YARDS), "330 yards"),
        (distance_words(500.0, MILES_AND_YARDS), "0.3 miles"),
        (rounded_words(16_093.44, MILES_AND_FEET), "10 miles"),
        (outward_words(1609.4, MILES_AND_FEET), "1.1 miles"),
        (outward_words(40.0, MILES_AND_FEET), "200 feet"),
        (farther_words(1609.4, MILES_AND_FEET), "1.1 miles"),
        (broad_words(1609.4, MILES_AND_FEET), "1.5 mi"),
        (broad_words(1609.4, MILES_AND_FEET, whole=True), "2 mi"),
        (nearer_words(1609.4, MILES_AND_FEET), "1 mile"),
        (nearer_words(100.0, MILES_AND_FEET), "less than 0.1 miles"),
        (nearer_words(99.0, METRIC), "less than 100 m"),
        (about_words(16_200.0, MILES_AND_FEET), "about 10 miles"),
        (about_words(1609.344, MILES_AND_FEET), "about 1 mile"),
        (about_words(1500.0, MILES_AND_FEET), "under 1 mile"),
        (given_words(100.0, MILES_AND_FEET), "329 feet"),
        (given_words(100.0, MILES_AND_YARDS), "110 yards"),
        (given_words(30.48, MILES_AND_FEET), "100 feet"),
        (given_words(16_093.44, MILES_AND_FEET), "10 miles"),
        (far_words(100.0, MILES_AND_FEET), "0.1 miles"),
        (speed_words(17.8816, MILES_AND_FEET), "40 mph"),
        (speed_words(17.8817, MILES_AND_FEET, ".0f"), "41 mph"),
        (speed_words(17.8816, MILES_AND_FEET, ".1f"), "40.0 mph"),
        (temperature_words(37.7778, MILES_AND_FEET), "101 °F"),
        (temperature_words(37.7778, MILES_AND_YARDS), "38 °C"),
        (size_words(2.5908, MILES_AND_FEET), "8 ft 6 in"),
        (size_words(3.6576, MILES_AND_FEET), "12 ft"),
        (area_words(10_000.0, MILES_AND_FEET), "2 acres"),
        (area_words(4000.0, MILES_AND_FEET), "less than an acre"),
        (mass_words(453.59237, MILES_AND_FEET), "1 000 pounds"),
        (mass_words(4000.0, MILES_AND_YARDS), "4 t"),
        (legend_words(MILES_AND_YARDS), "Distances are in yards and miles, durations in minutes (min)."),
    ],
)
def test_quantities_by_hand(said: str, words: str) -> None:
    assert said == words


@given(LENGTH, ANY)
def test_distances_of_lines_are_never_understated(length_m: float, measures: Measures) -> None:
    """Too late when fire is nearer than: a shorter worded distance would have people wait longer."""
    for words, most_over_m in (
        (outward_words(length_m, measures), max(100.0, 0.1 * 1609.4)),
        (farther_words(length_m, measures), 0.1 * 1609.4),
        (broad_words(length_m, measures), 1000.0),
        *([(reach_words(length_m, measures), 161.0)] if measures.imperial else []),
        (broad_words(length_m, measures, whole=True), 1609.4),
    ):
        worded_m = in_metres(words)
        assert worded_m >= length_m - 1e-6
        assert worded_m < length_m + most_over_m
    if measures.imperial and length_m < measures.near_most * measures.near_m:
        assert in_metres(given_words(length_m, measures)) >= length_m - 1e-5


@given(st.floats(0.0, 200_000.0), ANY)
def test_a_front_is_never_said_to_be_farther_than_it_is(length_m: float, measures: Measures) -> None:
    words = nearer_words(length_m, measures)
    if words.startswith("less than "):
        assert length_m < in_metres(words.removeprefix("less than ")) + 1e-6
    else:
        assert in_metres(words) <= length_m + 1e-6
        assert in_metres(words) > length_m - 161.0


@given(st.floats(0.01, 60.0), IMPERIAL, st.sampled_from([".0f", ".1f"]))
def test_speeds_of_fires_and_winds_are_never_understated(speed_m_s: float, measures: Measures, form: str) -> None:
    number, unit = speed_words(speed_m_s, measures, form).split(" ")
    assert unit == "mph"
    assert float(number) * 1609.344 / 3600.0 >= speed_m_s - 1e-5
    assert float(number) * 1609.344 / 3600.0 < speed_m_s + 0.4471


@given(LENGTH, ANY)
def test_plain_distances_are_near(length_m: float, measures: Measures) -> None:
    tenth_m, whole_m = 0.0501 * measures.far_m, 0.501 * measures.far_m
    assert in_metres(far_words(length_m, measures)) == pytest.approx(length_m, abs=tenth_m)
    assert in_metres(distance_words(length_m, measures)) == pytest.approx(length_m, abs=tenth_m)
    assert in_metres(rounded_words(length_m, measures)) == pytest.approx(
        length_m, abs=whole_m if length_m >= 9.9 * measures.far_m else tenth_m
    )


@given(st.floats(-20.0, 55.0))
def test_heat_is_never_understated(temperature_c: float) -> None:
    shown = float(temperature_words(temperature_c, MILES_AND_FEET).removesuffix(" °F"))
    assert 0.0 <= shown - (1.8 * temperature_c + 32.0) + 2e-6 < 1.0 + 4e-6


@given(st.floats(0.3, 6.0), IMPERIAL)
def test_sizes_are_to_the_inch(length_m: float, measures: Measures) -> None:
    found = re.fullmatch(r"(\d+) ft(?: (\d+) in)?", size_words(length_m, measures))
    assert found is not None
    assert 0 <= int(found[2] or 1) < 12
    assert int(found[1]) * 0.3048 + int(found[2] or 0) * 0.0254 == pytest.approx(length_m, abs=0.0128)


# --- sentences that hold in metric units -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("comes within 100 m of any part of it", "comes within 328 feet (100 m) of any part of it"),
        ("cells of 30 m.", "cells of 98.4 feet (30 m)."),
        ("above 108 km/h", "above 67.1 mph (108 km/h)"),
        ("an hour more per 600 m of ascent", "an hour more per 0.373 miles (600 m) of ascent"),
        ("no farther than 35 km.", "no farther than 21.7 miles (35 km)."),
        (
            "reaches 54 km/h, outside 0 to 30 km/h (x)",
            "reaches 33.6 mph (54 km/h), outside 0 to 18.6 mph (0 to 30 km/h) (x)",
        ),
        ("only the legal 4.1148 m is taken to pass", "only the legal 13 ft 6 in (4.1148 m) is taken to pass"),
        ("at 40 °C", "at 104 °F (40 °C)"),
        ("3.4 t, 140 kW", "7500 pounds (3.4 t), 140 kW"),
        ("25 t/ha in 2 m/s and 3 m2, 10 min, w123 m", "25 t/ha in 2 m/s and 3 m2, 10 min, w123 m"),
    ],
)
def test_what_was_computed_with_keeps_its_unit_beside_the_local_one(sentence: str, said: str) -> None:
    assert local_words(sentence, MILES_AND_FEET) == said
    assert local_words(sentence, METRIC) == sentence


def test_weights_and_heat_stay_as_they_are_where_people_read_them_so() -> None:
    assert local_words("3.4 t at 40 °C, 10 km", MILES_AND_YARDS) == "3.4 t at 40 °C, 6.21 miles (10 km)"


# --- the household's outputs, word for word --------------------------------------------------------------------


@pytest.fixture(scope="module")
def american(result: HouseholdResult) -> HouseholdResult:
    """The invented answer where distances are in miles; its own sentences of rules are made by hand and stay."""
    plan = result.plan
    return replace(result, plan=replace(plan, roads=replace(plan.roads, region="US-OR")))


def test_the_sheet_says_miles(result: HouseholdResult, american: HouseholdResult) -> None:
    metric, miles = ([late_lines(one, one.ways[way]) for way in ("tow", "car")] for one in (result, american))
    assert metric == [
        ["House: N 3 km, E at any distance, S 3 km, W 3 km"],
        ["We: N 2 km, E at any distance, S 2 km, W 2 km"],
    ]
    assert miles == [
        ["House: N 2 mi, E at any distance, S 2 mi, W 2 mi"],
        ["We: N 1 mi, E at any distance, S 1 mi, W 1 mi"],
    ]
    assert rule_box(result, result.ways["tow"]).more[0] == "Other days: on word of fire within 7 km."
    assert rule_box(american, american.ways["tow"]).more[0] == "Other days: on word of fire within 5 mi."


def test_word_of_fire_is_never_cut_on_the_sheet() -> None:
    """Forty-one columns hold it up to 99 miles; cut, "5 miles" read "5 m..."."""
    for miles in (1, 9, 15, 99):
        line = f"Other days: on word of fire within {broad_words(miles * 1609.344, MILES_AND_FEET, whole=True)}."
        assert len(line) <= 41
        assert line.endswith(f" {miles} mi.")


def test_map_and_export_say_miles(american: HouseholdResult) -> None:
    said = map_sentences(american)
    assert "Lightning on Tannery Ridge starts 2.4 miles to the north-west of your home." in said
    assert any(line.startswith("Towing the house: 3.2 miles to Quarrel Flat showground;") for line in said)
    assert any(line.endswith("the line reaches farthest to the north, 1.9 miles from your home.") for line in said)
    assert map_words.day_line(american).endswith("Distances are in feet and miles, durations in minutes (min).")
    assert "To Quarrel Flat showground, 3.2 miles." in map_words.way_lines(american, american.ways["tow"])
    assert map_words.shut_line(american, 3600.0) == (
        "Shut from 13:40 on a middling day, or earlier: by then fire is within 329 feet of it, less 10 min for smoke. "
        "Roads may shut earlier for reasons no model sees."
    )
    heading = "The rules (in brackets: of 100 fires within 15.5 miles, those too near):"
    assert wording.rules_heading(american) == heading
    assert not re.search(r"\d (?:km|m)\b", known_words(american))


def test_rules_and_landmarks_say_miles(result: HouseholdResult) -> None:
    rule = result.rules.drawn[0]
    assert "of 100 fires that start within 15 miles on such a day" in rule_sentence(
        rule, radius_m=24_140.16, measures=MILES_AND_FEET
    )
    for sentence, short in (
        (
            "Fire at Hill Road, 1.5 miles west of home, or nearer: leave the house behind.",
            ("Hill Road", "1.5 miles west"),
        ),
        ("Fire at Mill, 900 feet north of home, or nearer: leave the house behind.", ("Mill", "900 feet north")),
        ("Fire at Mill, 1 mile north-east of home, or nearer: leave the house behind.", ("Mill", "1 mile north-east")),
    ):
        assert short_words(sentence) == short


@given(st.floats(200.0, 80_000.0), ANY)
def test_scale_bars_are_round_and_as_long_as_they_say(span_m: float, measures: Measures) -> None:
    figure = blank_figure(100.0, 80.0, foot="")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    draw_scale(Sheet(axes, window=(0.0, 0.0, span_m, 0.8 * span_m), width_pt=300.0), measures)
    x_m, _ = axes.lines[0].get_data()
    length_m = float(x_m[-1] - x_m[0])
    words = next(text.get_text() for text in axes.texts if text.get_text() != "N")
    assert in_metres(words) == pytest.approx(length_m, rel=1e-9)
    assert length_m <= 0.3 * span_m + 1e-6
    assert length_m >= 0.05 * span_m
    assert math.log10(float(words.split(" ")[0])) % 1.0 == pytest.approx(math.log10(5.0), abs=1e-9) or words[0] in "012"
