"""The notebook's panel over the rules: what a wind, an hour and a later word of fire change."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import shapely

from leaveby.ask.household import load_plan, plan_household, read_inputs
from leaveby.caution import OVERRIDE
from leaveby.decision.household.timed import made_ready
from leaveby.decision.rules.rules import Asked, asked_of, look
from leaveby.decision.rules.too_near import DayFires, day_fires, hours_of
from leaveby.decision.ways.result import HouseholdResult, Rule
from leaveby.notebook import panel_rules
from leaveby.notebook.leave_early import leave_early_panel, replayed, shown_timetable
from leaveby.notebook.panel_rules import described, rules_map, rules_panel, told
from leaveby.units import METRIC
from smaller import Once


@pytest.fixture(scope="module")
def answer(small_plan: Path, once: Once) -> HouseholdResult:
    return once(plan_household, load_plan(small_plan))


@pytest.fixture(scope="module")
def asked(answer: HouseholdResult) -> Asked:
    ready = made_ready(read_inputs(answer.plan), workers=2)
    return asked_of(ready.scenario, ready.candidates, workers=2)


def rule_of(answer: HouseholdResult, rating: str, way: str) -> Rule:
    return next(rule for (name, one), rule in answer.rules.rules.items() if (name, one) == (rating, way))


def fires_of(answer: HouseholdResult, asked: Asked, rating: str) -> DayFires:
    (day,) = (day for day in answer.rules.days if day.name == rating)
    return day_fires(asked.ground, day.weather, draws=asked.draws, confidence=answer.plan.confidence)


@pytest.mark.parametrize("way", ["tow", "car"])
def test_no_wind_and_no_hour_reaches_beyond_the_rule(answer: HouseholdResult, asked: Asked, way: str) -> None:
    """The rule's line is for wind from anywhere at the worst of all hours: any other lies within it."""
    rule, fires = rule_of(answer, "High", way), fires_of(answer, asked, "High")
    within = shapely.union_all(list(rule.go.area.geoms)).buffer(1e-6)
    for span in hours_of(answer.plan.rules.hours):
        for wind_from_deg in (None, 0.0, 135.0, 270.0):
            found = look(asked, rule, fires=fires, span=span, wind_from_deg=wind_from_deg)
            assert found.late.area.difference(found.go.area.buffer(1e-6)).area == pytest.approx(0.0, abs=1.0)
            outside = found.go.area.difference(within).area
            assert outside <= 0.02 * rule.go.area.area, (span, wind_from_deg)


def test_word_that_comes_later_moves_the_line_outwards_and_counts_more(answer: HouseholdResult, asked: Asked) -> None:
    rule, fires = rule_of(answer, "High", "car"), fires_of(answer, asked, "High")
    found = [
        look(asked, rule, fires=fires, span=(13, 16), wind_from_deg=315.0, learns_s=60.0 * minutes)
        for minutes in (0, 30, 90)
    ]
    assert found[0].share < found[1].share < found[2].share
    for sooner, later in pairwise(found):
        assert sooner.go.area.difference(later.go.area.buffer(1e-6)).area == pytest.approx(0.0, abs=1.0)
        assert sooner.late.area.equals(later.late.area)
    assert found[0].go.area.equals(found[0].late.area)


def test_what_is_looked_at_is_said_beside_the_rule(answer: HouseholdResult, asked: Asked) -> None:
    rule, fires = rule_of(answer, "High", "car"), fires_of(answer, asked, "High")
    one = look(asked, rule, fires=fires, span=(13, 16), wind_from_deg=315.0, learns_s=1800.0)
    text = re.sub(r"<[^>]+>", "|", told(answer, "High", {"tow": one, "car": one}, counted=True))
    count = -(-round(100.0 * one.share, 9) // 1)
    assert f"{count:.0f} of 100 fires may leave too little time to drive away" in text
    assert "over all winds, at the worst hours" in text
    line = told(answer, "High", {"tow": one, "car": one}, counted=False)
    assert "may leave too little time" not in line
    assert line.count("the line alone: choose where the wind comes from to count fires") == 2
    words = described({"car": one}, "High", METRIC)
    assert (
        "By car, without the house, with fire inside, or word of it, leave this way at once: farthest to the" in words
    )
    assert rules_map(answer, asked, {"car": one}).axes


def test_a_move_changes_the_answer_and_the_override_stands_above(
    answer: HouseholdResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[dict[str, Any]] = []
    first = panel_rules.look

    def noted(*given: Any, **more: Any) -> Any:
        seen.append(more)
        return first(*given, **more)

    monkeypatch.setattr(panel_rules, "look", noted)
    banner, rating, wind, hours, learns, words, picture = rules_panel(answer).children
    assert OVERRIDE in banner.value
    seen.clear()
    for control, value in ((wind, "north-east"), (hours, (16, 19)), (learns, 90), (rating, "Extreme")):
        before = words.value + picture.value
        control.value = value
        assert words.value + picture.value != before, control.description
    assert (seen[-1]["wind_from_deg"], seen[-1]["span"], seen[-1]["learns_s"]) == (45.0, (16, 19), 5400.0)
    assert "rated Extreme" in words.value
    wind.value = "anywhere"
    assert seen[-1]["wind_from_deg"] is None
    assert "the line alone" in words.value


def test_without_a_fire_of_its_own_the_panels_of_the_clock_say_so(
    result: HouseholdResult, invented: ModuleType
) -> None:
    calm = invented.without_fire(result)
    for panel in (leave_early_panel, shown_timetable, replayed):
        text = re.sub(r"<[^>]+>", "", panel(calm).text)
        assert text.startswith("Your plan names no fire of its own, so no times of the clock were worked out")
        assert not re.search(r"\d\d:\d\d", text)
