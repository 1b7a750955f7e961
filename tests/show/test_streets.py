"""The page and map of single exits: read without its script, without a network, with the statement on every part."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import StreetQuestion, StreetSurvey, SurveyOptions
from leaveby.decision.streets.survey import survey
from leaveby.errors import InputError
from leaveby.parameters import FEW_HOMES_PER_KM
from leaveby.roads.exits.homes import Homes, homes_by_street, place_homes
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.show.record import record_text
from leaveby.show.streets.map import describe_streets_map, streets_map
from leaveby.show.streets.page import streets_page, survey_sentences
from leaveby.show.streets.record import survey_record
from leaveby.show.streets.scene import COLUMNS, called, group_rows

CRS = "EPSG:32755"
MADE = datetime(2026, 11, 25, 9, 0, tzinfo=timezone(timedelta(hours=11)))
EAST, NORTH = 500_000.0, 5_900_000.0
NASTY = "</td><script>alert('x')</script> & Sons Lane"


def moved(*points: tuple[float, float]) -> list[tuple[float, float]]:
    return [(EAST + x, NORTH + y) for x, y in points]


def invented(**options: object) -> StreetSurvey:
    """A valley: a main road, a lane with two branches and a loop, a gated track that would be a second way out."""
    lines = [
        moved((0, 0), (500, 0)),
        moved((500, 0), (1500, 0)),
        moved((500, 0), (500, 400)),
        moved((500, 400), (250, 600)),
        moved((500, 400), (900, 500)),
        moved((900, 500), (1000, 700), (1200, 500)),
        moved((1200, 500), (900, 500)),
        moved((1200, 500), (1500, 0)),
    ]
    tags = [
        {"highway": "primary"},
        {"highway": "primary"},
        {"width": "3.2"},
        {},
        {},
        {"highway": "residential"},
        {"highway": "residential"},
        {"highway": "track", "barrier": "gate"},
    ]
    names = [
        "Valley Road",
        "Valley Road",
        NASTY,
        "Fern Gully",
        "Stringers Rise",
        "Stringers Loop",
        "Stringers Loop",
        "",
    ]
    streets = street_table(network_from_lines(lines, crs=CRS, names=names, tags=tags))
    homes = homes_by_street(streets, np.array([2.0, 0.0, 6.0, 14.0, 21.0, 40.0, 0.0, 0.0]))
    return survey(
        StreetQuestion(
            streets,
            homes,
            exits=np.array([0, 2]),
            options=SurveyOptions(clearance_homes=1.0, **options),  # type: ignore[arg-type]
            supposed=("An invented valley.",),
        )
    )


@pytest.fixture(scope="module")
def answer() -> StreetSurvey:
    return invented()


@pytest.fixture(scope="module")
def page(answer: StreetSurvey) -> str:
    return streets_page(answer, made_at=MADE)


class Seen(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.scripts = 0
        self.addresses: list[str] = []
        self.rows: list[list[str]] = []
        self.ids: list[str] = []
        self.text: list[str] = []
        self.skip = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.scripts += tag == "script"
        self.skip += tag in ("script", "style")
        self.addresses += [value or "" for key, value in attrs if key in ("src", "href", "action", "data")]
        if "id" in values:
            self.ids.append(values["id"] or "")
        if tag == "tr":
            self.rows.append([])
        if tag == "td" and self.rows:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self.skip -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self.skip:
            self.text.append(data)
            if self.rows and self.rows[-1]:
                self.rows[-1][-1] += data


@pytest.fixture(scope="module")
def seen(page: str) -> Seen:
    parser = Seen()
    parser.feed(page)
    return parser


def test_the_statement_stands_first_and_last(page: str, seen: Seen) -> None:
    text = "".join(seen.text)
    assert text.split("Streets with one way out", 2)[1].strip().startswith(OVERRIDE)
    assert text.count(OVERRIDE) == 2
    assert PLANNING_AID in text
    assert OSM_NOTICE in text
    assert f'<meta name="description" content="{OVERRIDE}">' in page


def test_groups_are_called_what_people_call_them() -> None:
    """By hand: a road of three parts with a lane off the first corner, and nameless ways off the main road."""
    ways = [
        ("Valley Road", "primary", 0.0, ((0, 0), (500, 0))),
        ("Valley Road", "primary", 0.0, ((500, 0), (1000, 0))),
        ("Valley Road", "primary", 0.0, ((1000, 0), (1500, 0))),
        ("Spur Road", "residential", 20.0, ((500, 0), (500, 400))),
        ("Fern Lane", "residential", 0.0, ((500, 400), (700, 400))),
        ("Spur Road", "residential", 10.0, ((500, 400), (500, 900))),
        ("", "service", 0.0, ((500, 900), (600, 900))),
        ("Spur Road", "residential", 5.0, ((500, 900), (500, 1300))),
        ("", "service", 3.0, ((1000, 0), (1000, 200))),
        ("", "track", 2.0, ((1000, 200), (1000, 300))),
        ("", "service", 0.0, ((1000, 200), (1100, 200))),
    ]
    names, kinds, homes, lines = zip(*ways, strict=True)
    network = network_from_lines(
        [moved(*line) for line in lines], crs=CRS, names=list(names), tags=[{"highway": kind} for kind in kinds]
    )
    streets = street_table(network)
    ends = [int(np.flatnonzero((streets.x_m == EAST + x) & (streets.y_m == NORTH))[0]) for x in (0.0, 1500.0)]
    asked = StreetQuestion(streets, homes_by_street(streets, np.array(homes)), exits=np.array(ends))
    found = survey(replace(asked, options=SurveyOptions(links=0, clearance_groups=0)))
    assert [(called(group), group.homes) for group in found.notable] == [
        ("Spur Road and Fern Lane behind it", 35.0),
        ("Spur Road beyond Fern Lane", 15.0),
        ("access road without a name off Valley Road", 5.0),
        ("Spur Road, 0.9 km farther in", 5.0),
        ("track without a name near Valley Road", 2.0),
    ]


def test_nothing_is_fetched(page: str, seen: Seen) -> None:
    assert seen.addresses == []
    assert not re.search(r"@import|url\((?!#|data:font/woff2;base64,)|https?://(?!www\.w3\.org)", page)


def test_names_of_streets_are_never_markup(page: str, seen: Seen) -> None:
    assert seen.scripts == 1
    assert NASTY not in page
    assert any(NASTY in cell for row in seen.rows for cell in row)


def test_the_table_is_read_without_the_script(answer: StreetSurvey, seen: Seen) -> None:
    table = [row for row in seen.rows if len(row) == 10]
    assert len(table) == len(answer.notable)
    first = table[0]
    assert first[0] == "1"
    assert first[2] == "81"
    assert "3.2 m" in first[6]
    assert first[9].strip() == "A B"
    words = " ".join("".join(seen.text).split())
    assert "B: no more than 30 homes on one way out. 1 of 3 groups are beyond it." in words
    assert seen.ids.count("groups") == 1


def test_every_cell_says_what_it_is_sorted_by(page: str, answer: StreetSurvey) -> None:
    body = page.split('<table id="groups">')[1].split("</table>")[0]
    cells = re.findall(r'<td class="([^"]*)" data-sort="([^"]*)"', body)
    assert len(cells) == 10 * len(answer.notable)
    for kind, value in cells:
        if kind:
            assert np.isfinite(float(value))


def test_the_page_is_the_same_for_the_same_answer(answer: StreetSurvey, page: str) -> None:
    assert streets_page(answer, made_at=MADE) == page
    with pytest.raises(InputError, match="UTC offset"):
        streets_page(answer, made_at=datetime(2026, 1, 1))


def test_no_word_says_that_anyone_is_safe(seen: Seen) -> None:
    text = "".join(seen.text).lower()
    for word in ("is safe", "are safe", "will be open", "stays open.", "guarantee", "illegal", "violation", "breach"):
        assert word not in text.replace("nothing here says how long a street stays open.", ""), word


def test_the_link_that_helps_most_is_said_first(answer: StreetSurvey, seen: Seen) -> None:
    best = answer.links[0]
    assert best.homes_relieved == max(link.homes_relieved for link in answer.links)
    text = "".join(seen.text)
    assert f"would relieve {best.homes_relieved:g} homes" in text
    assert "of way that is on the map" in text


@pytest.mark.parametrize(
    ("ends", "where"),
    [(("Mill Road", "Fern Lane"), " from Mill Road to Fern Lane"), (("Mill Road",), " at Mill Road"), ((), "")],
)
def test_a_link_is_said_in_plain_words(answer: StreetSurvey, ends: tuple[str, ...], where: str) -> None:
    """By hand: tags of the map are words, and 324 m are about 300 m."""
    best = replace(answer.links[0], kind="open", reasons=("track", "barrier=lift_gate", "access=private"), open_m=324.0)
    best = replace(best, homes_relieved=230.0)
    said = survey_sentences(replace(answer, links=(best,), link_ends=(ends,)))[-1]
    assert said == (
        f"Opening about 300 m of way that is on the map (track, closed by a lift gate, private){where} (L1 on the map) "
        "would relieve 230 homes, the most of any found."
    )


def test_the_map_is_sound_svg_with_words_for_those_who_cannot_see_it(answer: StreetSurvey) -> None:
    picture = streets_map(answer)
    root = ElementTree.fromstring(picture)
    assert root.get("role") == "img"
    ids = {element.get("id") for element in root.iter()}
    assert {root.get("aria-labelledby"), root.get("aria-describedby")} <= ids
    words = describe_streets_map(answer)
    assert "81 homes" in words
    assert words in "".join(root.itertext())
    labels = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"1", "L1"} <= set(labels)
    assert any("Official warnings override" in (label or "") for label in labels)
    assert "NaN" not in picture
    assert "nan" not in picture


def test_rows_hold_no_infinities(answer: StreetSurvey) -> None:
    rows = group_rows(answer)
    assert [tuple(row) for row in rows] == [COLUMNS] * len(answer.groups)
    text = record_text(survey_record(answer, made_at=MADE))
    assert "Infinity" not in text
    assert "NaN" not in text


def test_remembered_rules_are_told_as_such(seen: Seen) -> None:
    text = "".join(seen.text)
    assert "NFPA 1141: access routes by number of households." in text
    assert "from memory, not read" in text
    more = words_of(invented_with_more_homes())
    assert "C: no more than 100 homes on one way out. 1 of 1 groups are beyond it. NFPA 1141" in more
    assert "Source: NFPA 1141 and 1140; from memory, not read." in more


def test_a_legend_names_only_what_is_drawn_and_a_lack_of_links_is_said_as_what_it_is(answer: StreetSurvey) -> None:
    """By hand: with a link and no cut road; asked for none; and a dead end where nothing within 300 m would join it."""
    text = words_of(streets_page(answer, made_at=MADE))
    assert "a link that would help (L1 most)" in text
    assert "where a numbered group comes out" in text
    assert "goes on, unknown to where" not in text
    asked_for_none = invented_with_more_homes()
    assert "None was looked for." in words_of(asked_for_none)
    assert "a link that would help" not in words_of(asked_for_none)
    alone = words_of(invented_with_more_homes(links=3))
    assert (
        "Which link would help None was found: no gate or track to open, and no link of at most 300 m (no steeper than "
        "16 %, where heights are known) to build. A longer one may help."
    ) in alone
    assert "a link that would help" not in alone


def words_of(page: str) -> str:
    """The words of a page on one line, without its markup."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", page.split("<main>")[1])).split())


def invented_with_more_homes(*, links: int = 0) -> str:
    lines = [moved((0, 0), (500, 0)), moved((500, 0), (500, 400))]
    streets = street_table(network_from_lines(lines, crs=CRS, names=["Valley Road", "Fern Gully"]))
    homes = homes_by_street(streets, np.array([0.0, 150.0]))
    asked = StreetQuestion(streets, homes, exits=np.array([0]), options=SurveyOptions(links=links))
    return streets_page(survey(asked), made_at=MADE)


def test_where_nobody_has_a_single_exit_the_page_promises_nothing() -> None:
    lines = [moved((0, 0), (500, 0)), moved((0, 0), (0, 400), (500, 0)), moved((500, 0), (900, 0))]
    streets = street_table(network_from_lines(lines, crs=CRS))
    placed = place_homes(Homes(("a",), np.array([EAST + 250.0]), np.array([NORTH + 5.0]), np.ones(1)), streets)
    text = streets_page(survey(StreetQuestion(streets, placed, exits=np.array([0, 2]))), made_at=MADE)
    assert "None of 1 homes was found behind a single exit" in text
    assert "says nothing about how long any street stays open" in text


def test_streets_in_the_united_states_are_told_in_miles_and_feet() -> None:
    """International yard and pound agreement (1959); that signs there are in miles: common practice, no source."""
    seen = Seen()
    seen.feed(streets_page(invented(region="US-CA"), made_at=MADE))
    text = " ".join(" ".join(seen.text).split())
    free = re.sub(r"\([^()]*\)", "", text)
    assert re.findall(r"(?<![\w.])\d[\d,.]* (?:km/h|km|m|kilomet\w+)\b", free) == []
    assert re.search(r"\d (?:miles|feet)\b", free)
    assert "ft (about" not in text
    metric = Seen()
    metric.feed(streets_page(invented(), made_at=MADE))
    assert "ft (about" in " ".join(metric.text)


def test_too_few_homes_are_counted_to_the_mile() -> None:
    """15 homes to the kilometre are 24.1 to the mile: 1.609344 km exactly."""
    said = [
        " ".join(survey_sentences(replace(invented(region=region), few_homes=True, residential_m=1609.344)))
        for region in ("AU-NSW", "US-CA")
    ]
    few = FEW_HOMES_PER_KM.value
    assert f"about 1.6 km of residential streets, fewer than {few:g} to the kilometre (judgement)" in said[0]
    assert f"about 1 mile of residential streets, fewer than {few * 1.609344:.3g} to the mile (judgement)" in said[1]
