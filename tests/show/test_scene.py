"""What a map shows, made once: its tables, its symbols, and what an answer says of itself in a notebook."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from pyproj import CRS

from leaveby.caution import OSM_NOTICE, OVERRIDE
from leaveby.show.figure import WAY_COLOURS, WAY_DASHES
from leaveby.show.in_python import html_of, layers
from leaveby.show.scene import TOLD, household_scene
from leaveby.show.symbols import SIGNS, SYMBOLS, line_look, mark_look
from leaveby.show.wording import clock_words, main_sentence

HOUSEHOLD = {"home", "safe_points", "ignitions", "routes", "streets", "isochrones", "triggers", "which_way"}


class Text(HTMLParser):
    """The words of a piece of HTML, and its tags."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words, self.tags = "", set()
        self.feed(text)

    def handle_starttag(self, tag, _attrs):
        self.tags.add(tag)

    def handle_data(self, data):
        self.words += data


def test_layers_come_as_tables_in_the_plans_projected_system(result, invented):
    found = layers(result)
    assert set(found) == {*HOUSEHOLD, "shut_streets"}
    for name, table in found.items():
        assert CRS.from_user_input(table.crs) == CRS.from_user_input(invented.CRS), name
        assert table.crs.is_projected
        assert tuple(table.columns[: len(TOLD)]) == TOLD
        assert set(table["symbol"]) <= set(SYMBOLS)
        assert not table["at_s"].isna().any()
        assert (table["title"].str.len() > 0).all() or name == "streets"
        assert table.attrs["OVERRIDE"] == OVERRIDE
        assert table.attrs["NOTICE"] == OSM_NOTICE


def test_a_table_may_be_changed_without_changing_the_next(result):
    layers(result)["home"]["title"] = "elsewhere"
    assert layers(result)["home"]["title"].tolist() == ["Home"]


def test_the_layer_of_trigger_lines_has_both_of_every_rating_and_maps_those_of_one(result):
    table = household_scene(result, only=("triggers",))
    things = table.layers["triggers"].things
    assert sorted(zip(things["rating"], things["way"], things["kind"], strict=True)) == sorted(
        (rating, way, kind)
        for rating in ("Extreme", "Catastrophic")
        for way in ("tow", "car")
        for kind in ("go", "late")
    )
    # The highest rating that is waited out by any way.
    assert set(table.drawn("triggers")["rating"]) == {"Extreme"}
    for row in things.itertuples():
        rule = result.rules.rules[row.rating, row.way]
        line = rule.go if row.kind == "go" else rule.late
        assert row.geometry.equals(line.area)
        assert row.needed_min == line.ready_s / 60.0


def test_what_there_is_none_of_leaves_an_empty_table_for_maps_and_none_in_python(result, invented):
    bare = replace(result, rules=invented.invented_rules(lines=()))
    assert household_scene(bare).drawn("triggers").empty
    assert not {"triggers", "which_way"} & set(layers(bare))


def test_shut_streets_stand_in_the_order_in_which_they_shut(result):
    shut = layers(result)["shut_streets"]
    assert shut["at_s"].is_monotonic_increasing
    assert np.isfinite(shut["at_s"]).all()
    for row in shut.itertuples():
        assert row.title.startswith(f"Shuts from {clock_words(result, row.at_s)}: ")


def test_every_symbol_can_be_drawn_and_no_two_look_alike():
    # Kinds that share a mark in the same map would be taken for each other; ways and their trigger lines share a colour
    # on purpose and differ in width.
    looks = [(one.sign, one.colour, one.fill, one.width_pt, one.dashes) for one in SYMBOLS.values()]
    assert len(looks) == len(set(looks))
    for kind, symbol in SYMBOLS.items():
        assert symbol.words
        if symbol.sign:
            assert symbol.sign in SIGNS
            assert mark_look(kind)["markersize"] > 0.0
        else:
            assert line_look(kind)["linewidth"] > 0.0
    marks = [symbol.sign for symbol in SYMBOLS.values() if symbol.sign in {"ring", "square", "house", "star"}]
    assert len(marks) == len(set(marks)) == 4
    assert WAY_COLOURS == {"tow": "#0b3c8c", "car": "#a33b00", "foot": "#00614f"}
    assert len(set(WAY_DASHES.values())) == 3


def test_a_result_says_the_main_sentence_the_times_and_the_override_statement_of_itself(result):
    page = Text(html_of(result))
    assert page.words.startswith(OVERRIDE)
    assert main_sentence(result) in page.words
    for way in result.ways.values():
        if way.latest_start_s is not None:
            assert f"Start getting ready by {clock_words(result, way.latest_start_s)}" in page.words
    assert OSM_NOTICE in page.words
    assert not page.tags & {"script", "img", "link", "style", "iframe"}


@pytest.mark.parametrize("word", ["<script>alert(1)</script>", "<b>& =1+1", "a\u202eb"])
def test_names_stay_text_in_a_notebook(invented, word):
    page = Text(html_of(invented.invented_result(street=word, name=word)))
    assert not page.tags & {"script", "b"}
    assert "\u202e" not in page.words
