"""The panel of streets with one way out: the slider takes groups away, and what is left is what the survey found."""

from __future__ import annotations

import re
from typing import Any

import pytest

from leaveby.ask.household import demo_folder
from leaveby.ask.streets import survey_streets
from leaveby.caution import OVERRIDE
from leaveby.decision.streets.result import StreetSurvey
from leaveby.notebook.street_panel import groups_from, map_key, street_panel, street_table


@pytest.fixture(scope="module")
def answer() -> StreetSurvey:
    return survey_streets(demo_folder() / "roads.osm")


def parts(panel: Any) -> tuple[Any, str]:
    (slider,) = [part for part in panel.children if hasattr(part, "min")]
    return slider, "\n".join(part.value for part in panel.children if isinstance(part.value, str))


def test_the_slider_takes_small_groups_away(answer: StreetSurvey) -> None:
    panel = street_panel(answer, least_homes=1)
    slider, everything = parts(panel)
    assert OVERRIDE in everything
    slider.value = 30
    _, fewer = parts(panel)
    homes = [int(found) for found in re.findall(r"<tr><th scope=\"row\">\d+</th><td>[^<]*</td><td>(\d+)</td>", fewer)]
    assert homes == sorted(homes, reverse=True)
    assert homes
    assert min(homes) >= 30
    assert fewer.count("<tr>") < everything.count("<tr>")
    assert fewer.count("<use ") < everything.count("<use ")
    slider.value = slider.max
    assert parts(panel)[1].count('scope="row"') >= 1


def test_the_panel_begins_within_its_span(answer: StreetSurvey) -> None:
    for least_homes in (-3, 10_000):
        slider, _ = parts(street_panel(answer, least_homes=least_homes))
        assert slider.min <= slider.value <= slider.max


def test_every_group_of_the_table_is_one_of_the_survey(answer: StreetSurvey) -> None:
    table = street_table(answer, 10.0)
    for group in groups_from(answer, 10.0)[:25]:
        assert f'<th scope="row">{group.number}</th>' in table
    assert "may shut long before" in table


def test_no_group_is_no_promise(answer: StreetSurvey) -> None:
    said = street_table(answer, 1e6)
    assert "<table" not in said
    assert "nothing about how long any street stays open" in said


def test_the_key_says_every_class_of_the_map(answer: StreetSurvey) -> None:
    key = map_key(answer)
    for words in ("100 homes or more", "30 to 99", "10 to 29", "1 to 9"):
        assert words in key
    assert ("OpenStreetMap" in key) == answer.from_osm
