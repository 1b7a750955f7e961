"""The panel of streets with one way out: the slider takes groups away, and what is left is what the survey found."""

from __future__ import annotations

import re
from typing import Any

import pytest

from leaveby.ask.household import demo_folder
from leaveby.ask.streets import survey_streets
from leaveby.caution import OVERRIDE
from leaveby.decision.streets.result import StreetSurvey
from leaveby.notebook.live.map import legend_html
from leaveby.notebook.live.roads import survey_sheet
from leaveby.notebook.panel_streets import groups_from, street_panel, street_table
from smaller import Once


@pytest.fixture(scope="module")
def answer(once: Once) -> StreetSurvey:
    return once(survey_streets, demo_folder() / "roads.osm", terrain=demo_folder() / "terrain.tif")


def parts(panel: Any) -> tuple[Any, str]:
    banner, said, slider, drawn, rows = panel.children
    return slider, "\n".join(part.value for part in (banner, said, rows, *drawn.children[-2:]))


def numbers_on_the_map(panel: Any) -> list[str]:
    (groups,) = [group for group in panel.children[3].children[0].layers if group.name.startswith("Groups")]
    return re.findall(r">(\d+)</span>", "".join(mark.icon.html for mark in groups.layers))


def test_the_slider_takes_small_groups_away(answer: StreetSurvey) -> None:
    panel = street_panel(answer, least_homes=1)
    slider, everything = parts(panel)
    assert OVERRIDE in everything
    before = numbers_on_the_map(panel)
    slider.value = 30
    _, fewer = parts(panel)
    homes = [int(found) for found in re.findall(r"<tr><th scope=\"row\">\d+</th><td>[^<]*</td><td>(\d+)</td>", fewer)]
    assert homes == sorted(homes, reverse=True)
    assert homes
    assert min(homes) >= 30
    assert fewer.count("<tr>") < everything.count("<tr>")
    left = numbers_on_the_map(panel)
    assert left == [str(group.number) for group in groups_from(answer, 30.0)[:25]]
    assert len(left) < len(before)
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
    sheet = survey_sheet(answer)
    key = legend_html([row for layer in sheet.layers for row in layer.meanings], sheet.notice)
    for words in ("100 homes or more", "30 to 99", "10 to 29", "Up to 9", "An exit"):
        assert words in key
    assert ("OpenStreetMap" in key) == answer.from_osm
