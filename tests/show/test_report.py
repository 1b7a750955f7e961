from __future__ import annotations

import html
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from leaveby.caution import LAST_RESORT, OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HangsOn, HouseholdResult
from leaveby.errors import InputError
from leaveby.show.figure import INK, MUTED, WAY_COLOURS
from leaveby.show.plan.page import report_page, worth
from leaveby.show.wording import clean, main_sentence

VOID = {"meta", "br", "img", "link", "input", "hr", "path", "use", "rect", "circle", "image"}
NASTY = "<script>alert('x')</script><b>& \"Tolmer\""


class Page(HTMLParser):
    """What a check needs of a page: tags in order, headings, identifiers, references, text outside of style."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.headings: list[int] = []
        self.ids: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.tags.append((tag, values))
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if values.get("id"):
            self.ids.append(values["id"])

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open and data.strip():
            self.words.append(data.strip())

    @property
    def text(self) -> str:
        return " ".join(self.words)


@pytest.fixture(scope="module")
def page_text(result, invented, figures):
    return report_page(result, made_at=invented.MADE_AT, figures=figures)


@pytest.fixture(scope="module")
def page(page_text):
    return Page(page_text)


def body_words(page):
    return page.text.split("When to leave:", 2)[2] if page.text.count("When to leave:") > 1 else page.text


def test_the_override_statement_is_the_first_thing_on_the_page(page):
    assert page.words[0].startswith("Report")  # the title of the window
    assert page.words[1] == OVERRIDE


def test_every_tag_is_closed_and_no_identifier_stands_twice(page):
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))


def test_headings_go_down_one_level_at_a_time(page):
    # WCAG 2.1, technique G141, from memory: headings nest without gaps; one first-level heading.
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))


def test_the_page_stands_alone(page, page_text):
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "link", "iframe", "object", "embed", "base", "form"}
    for _, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in {"src", "href", "xlink:href", "data", "action"} and value:
                assert value.startswith(("#", "data:image/png;base64,"))
    assert "@import" not in page_text
    assert not re.search(r"url\((?!#|data:font/woff2;base64,)", page_text)


def test_the_page_names_its_language_and_letters(page):
    assert ("html", {"lang": "en"}) in page.tags
    assert ("meta", {"charset": "utf-8"}) in page.tags


def test_every_figure_has_a_text_alternative(page, page_text):
    # SVG accessibility as commonly done (WAI-ARIA graphics: role img, name from title), from memory.
    pictures = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert len(pictures) == 4
    for attributes in pictures:
        assert attributes["role"] == "img"
        assert attributes["aria-labelledby"] in page.ids
        assert attributes["aria-describedby"] in page.ids
    assert len(re.findall(r"<title id=\"[^\"]+\">[^<]{5,}</title>", page_text)) == 4
    assert len(re.findall(r"<desc id=\"[^\"]+\">[^<]{30,}</desc>", page_text)) == 4


def test_what_has_to_be_said_is_said_in_order(page, result):
    text = page.text
    order = [
        OVERRIDE,
        "Report: The Tolmer-Okafor place",
        main_sentence(result),
        "Towing the house",
        "By car, without the house",
        "On foot",
        "The day: leave, or the last resort",
        "The map",
        "What there is to do",
        "The later you start",
        "What saves the most",
        "What if the fire is another one",
        result.shelter.heading,
        LAST_RESORT,
        "The way out, turn by turn",
        "What was assumed",
        PLANNING_AID,
    ]
    at = text.index(OVERRIDE)
    for words in order:
        at = text.index(words, at)
    assert OSM_NOTICE in text


def test_times_are_rounded_down_to_five_minutes(page, result):
    for way in result.ways.values():
        minutes = 12 * 60 + 40 + way.latest_start_s / 60.0
        down = int(minutes // 5) * 5
        assert f"{down // 60:02d}:{down % 60:02d}" in page.words


def test_every_assumption_and_every_what_if_is_on_the_page(page, result):
    for line in (*result.assumptions, *result.outside_validity):
        assert clean(line) in page.text
    for what_if in result.what_ifs:
        assert what_if.label in page.text


def test_the_page_never_promises(page):
    # The project's rule: never that staying is safe, that a road will be open, or that there is time.
    text = page.text.lower()
    for words in ("you have time", "there is time", "will be open", "stays open", "safe to stay", "is safe", "be safe"):
        assert words not in text


def test_the_same_result_gives_the_same_page(invented):
    pages = {report_page(invented.invented_result(), made_at=invented.MADE_AT) for _ in range(2)}
    assert len(pages) == 1


def test_a_moment_without_offset_is_refused(result, invented, figures):
    with pytest.raises(InputError):
        report_page(result, made_at=invented.MADE_AT.replace(tzinfo=None), figures=figures)


def test_names_with_markup_or_formulas_are_shown_as_text(invented):
    result = invented.invented_result(street=NASTY, name=NASTY)
    text = report_page(result, made_at=invented.MADE_AT)
    page = Page(text)
    assert page.open == []
    assert not {tag for tag, _ in page.tags} & {"script", "b"}
    assert html.escape("<script>alert('x')</script>", quote=False).replace("'", "&#39;") in text
    assert "<script>alert('x')</script>" in page.text


def test_letters_that_break_xml_or_turn_the_text_do_not_break_the_page(invented):
    name = "Bad\x00\x0b\x1b\u202e\ud800name $x_1$ \\frac \U0001f525"
    page = Page(report_page(invented.invented_result(street=name, name=name), made_at=invented.MADE_AT))
    assert "Bad name $x_1$ \\frac \U0001f525" in page.text
    assert not re.search("[\x00\x0b\x1b\u202e\ud800]", page.text)


def test_a_very_long_street_name_is_cut_for_the_page(invented):
    assert len(invented.LONG_NAME) > 300
    page = Page(report_page(invented.invented_result(street=invented.LONG_NAME), made_at=invented.MADE_AT))
    assert invented.LONG_NAME.strip() not in page.text
    assert invented.LONG_NAME[:30] in page.text


def without_route(way):
    endless = replace(way.drive_s, p50_s=np.inf, p90_s=np.inf, p95_s=np.inf)
    return replace(
        way,
        route=None,
        fits=False,
        latest_start_s=None,
        latest_departure_s=None,
        why="The house is too high for every way out.",
        drive_s=endless,
        required_s=endless,
        clear_probability=np.zeros_like(way.clear_probability),
        member_latest_start_s=np.full(way.member_latest_start_s.size, -np.inf),
    )


def test_a_way_without_a_route_is_told_in_words(result, invented):
    ways = {**result.ways, "tow": without_route(result.ways["tow"])}
    page = Page(report_page(replace(result, ways=ways), made_at=invented.MADE_AT))
    assert "no way out" in page.words
    assert "The house is too high for every way out." in page.text
    assert "leave the house behind" in page.text


def test_no_way_at_all_still_makes_a_page(result, invented):
    ways = {name: without_route(way) for name, way in result.ways.items()}
    page = Page(
        report_page(
            replace(result, ways=ways, rules=invented.invented_rules(lines=()), what_ifs=()), made_at=invented.MADE_AT
        )
    )
    assert "No way out was found for you" in page.text
    assert page.open == []


def test_a_start_before_the_fire_says_so(result, invented, figures):
    early = replace(result.ways["tow"], latest_start_s=-1500.0, latest_departure_s=2000.0)
    changed = replace(result, ways={**result.ways, "tow": early})
    page = Page(report_page(changed, made_at=invented.MADE_AT, figures=figures))
    assert "12:15" in page.words
    assert "before the fire even starts (12:40)" in page.text
    assert "leave the house behind" in main_sentence(changed)


def test_a_fire_that_never_comes_still_asks_to_leave_early(result, invented):
    fire = replace(
        result.fire,
        arrival=replace(result.fire.arrival, time_s=np.full_like(result.fire.arrival.time_s, np.inf)),
        home_p05_s=np.inf,
        home_p50_s=np.inf,
        ember_home_p05_s=np.inf,
    )
    ways = {
        name: replace(
            way,
            latest_start_s=None,
            latest_departure_s=None,
            why="The fire does not shut this way within 8 hours.",
            route=replace(way.route, closes_first="", closes_first_s=np.inf),
            clear_probability=np.ones_like(way.clear_probability),
        )
        for name, way in result.ways.items()
    }
    closing_s = np.full_like(result.closing_s, np.inf)
    changed = replace(result, fire=fire, ways=ways, closing_s=closing_s, timetable=())
    page = Page(report_page(changed, made_at=invented.MADE_AT))
    assert "leave early" in main_sentence(changed)
    assert "does not shut this way" in page.text


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 definition, from memory."""
    parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("colour", [INK, MUTED, "#3d3d3d", "#8a1c00", *WAY_COLOURS.values()])
def test_inks_have_enough_contrast_on_white(colour):
    # WCAG 2.1 success criterion 1.4.3, level AA: 4.5 to 1 for text, from memory.
    assert 1.05 / (luminance(colour) + 0.05) >= 4.5


def test_every_note_stands_on_the_page_however_many(result, invented, figures):
    many = tuple(
        f"Assumption {number}: something was supposed about a thing that nobody gave." for number in range(120)
    )
    page = Page(report_page(replace(result, assumptions=many), made_at=invented.MADE_AT, figures=figures))
    for line in many:
        assert line in page.words


def test_a_leave_by_before_the_fire_is_marked_in_the_table(result, invented, figures):
    early = replace(result.what_ifs[0], latest_start_s={"tow": -3000.0, "car": 60.0, "foot": None})
    page = Page(report_page(replace(result, what_ifs=(early,)), made_at=invented.MADE_AT, figures=figures))
    assert "11:50, before the fire starts" in page.words
    assert "12:40" in page.words


def test_what_the_times_hang_on_stands_in_order_of_minutes(result: HouseholdResult) -> None:
    """By hand: starts from 0 to 100 min, 45 min from the 6th to the 51st; shares of squares 0.64 and 0.04: 36 and 9."""
    parts = (HangsOn("wind speed", 0.04), HangsOn("when the weather comes", 0.64))
    tow = replace(result.ways["tow"], member_latest_start_s=60.0 * np.arange(101.0), hangs_on=parts)
    never = replace(result.ways["car"], member_latest_start_s=np.full(101, -np.inf), hangs_on=parts)
    found = worth(replace(result, ways={"tow": tow, "car": never}))
    assert list(found) == ["when the weather comes", "wind speed"]
    assert found["when the weather comes"] == {"tow": pytest.approx(36.0 * 60.0)}
    assert found["wind speed"] == {"tow": pytest.approx(9.0 * 60.0)}
