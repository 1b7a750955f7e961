"""Where an extract ends: roads that its edge cuts are neither dead ends nor, but for main roads, ways out.

Pieces are cut out of a real extract as common tools cut by a box: every way with a point in it, complete, and the box
in the header (common practice, no source). What is found in a piece is held against the whole.
"""

from __future__ import annotations

import html
import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import osmium
import pytest
from pyproj import Transformer

from leaveby.ask.streets import survey_streets
from leaveby.cli import main
from leaveby.decision.streets.result import StreetSurvey, SurveyOptions
from leaveby.errors import InputError
from leaveby.roads.exits.places import roads_at
from leaveby.show.in_python import layers
from leaveby.show.streets.page import streets_page, survey_sentences
from leaveby.show.streets.record import survey_record
from leaveby.show.streets.scene import streets_scene

ANDORRA = Path(__file__).parents[1] / "data" / "andorra_streets.osm.pbf"
PLAIN = SurveyOptions(links=0, clearance_groups=0)
MADE = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
LON, LAT = 147.0, -37.0
M_LAT = 111_195.0
M_LON = M_LAT * float(np.cos(np.radians(LAT)))

Box = tuple[float, float, float, float]
Way = tuple[list[tuple[float, float]], dict[str, str]]


def piece(source: Path, file: Path, box: Box) -> Path:
    """Every way with a point in the box, complete."""
    west, south, east, north = box
    inside: set[int] = set()
    ways: set[int] = set()
    needed: set[int] = set()
    for item in osmium.FileProcessor(str(source)):
        if isinstance(item, osmium.osm.Node):
            if west <= item.location.lon <= east and south <= item.location.lat <= north:
                inside.add(item.id)
        elif isinstance(item, osmium.osm.Way):
            refs = [ref.ref for ref in item.nodes]
            if not inside.isdisjoint(refs):
                ways.add(item.id)
                needed.update(refs)
    header = osmium.io.Header()
    header.add_box(osmium.osm.Box(*box))
    with osmium.SimpleWriter(str(file), header=header) as writer:
        for item in osmium.FileProcessor(str(source)):
            node = isinstance(item, osmium.osm.Node) and (item.id in needed or item.id in inside)
            if node or (isinstance(item, osmium.osm.Way) and item.id in ways):
                writer.add(item)
    return file


@pytest.fixture(scope="module")
def whole() -> StreetSurvey:
    return survey_streets(ANDORRA, options=PLAIN)


@pytest.mark.parametrize("seed", range(8))
def test_who_has_a_choice_on_the_whole_is_never_certain_to_hang_on_one_road_in_a_piece(
    whole: StreetSurvey, tmp_path: Path, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    homes = whole.homes
    there = Transformer.from_crs(whole.streets.crs, "EPSG:4326", always_xy=True)
    answer = None
    while answer is None:
        home = int(rng.integers(len(homes.identity)))
        lon, lat = there.transform(homes.x_m[home], homes.y_m[home])
        wide = rng.uniform(0.006, 0.03)
        tall = wide * rng.uniform(0.5, 1.0)
        box = tuple(round(float(value), 6) for value in (lon - wide, lat - tall, lon + wide, lat + tall))
        file = tmp_path / "piece.osm.pbf"
        file.unlink(missing_ok=True)
        try:
            answer = survey_streets(piece(ANDORRA, file, box), options=PLAIN)
        except InputError as error:
            if "main road" not in str(error):
                raise
    ids = {name: row for row, name in enumerate(homes.identity)}
    best = answer.if_they_lead_on or answer.found
    compared = 0
    for row, name in enumerate(answer.homes.identity):
        before = ids[name]
        street, old = int(answer.homes.street[row]), int(homes.street[before])
        if street < 0 or old < 0 or answer.streets.way_id[street] != whole.streets.way_id[old]:
            continue
        if whole.found.home_vertex[before] == whole.found.tree.outside:
            compared += 1
            assert best.home_vertex[row] == best.tree.outside, name
    assert compared
    balance = answer.balance
    parts = (balance.with_choice, balance.behind_exit, balance.depends, balance.no_way_out, balance.not_placed)
    assert sum(parts) + balance.outside_area == pytest.approx(balance.homes)
    for group in answer.groups:
        assert group.certain <= group.homes


def test_an_extract_along_a_border_keeps_the_rule_of_its_outline(whole: StreetSurvey, tmp_path: Path) -> None:
    """A box in the header that no main road crosses, as extracts by country have it."""
    file = tmp_path / "country.osm.pbf"
    header = osmium.io.Header()
    header.add_box(osmium.osm.Box(1.40, 42.40, 1.80, 42.67))
    with osmium.SimpleWriter(str(file), header=header) as writer:
        for item in osmium.FileProcessor(str(ANDORRA)):
            writer.add(item)
    answer = survey_streets(file, options=PLAIN)
    assert answer.balance == whole.balance
    assert answer.maybe.size == 0
    assert any("no main road goes on there" in line for line in answer.assumptions)


def extract(file: Path, ways: list[Way], homes: list[tuple[float, float]], box_m: Box | None) -> Path:
    """Roads and houses in metres from a corner, and where the file says that it ends."""
    place: dict[tuple[float, float], int] = {}
    for line, _ in ways:
        for at in line:
            place.setdefault(at, len(place) + 1)
    rows = ["<?xml version='1.0' encoding='UTF-8'?>", '<osm version="0.6">']
    if box_m is not None:
        west, south, east, north = box_m
        rows.append(
            f'<bounds minlat="{LAT + south / M_LAT:.7f}" minlon="{LON + west / M_LON:.7f}" '
            f'maxlat="{LAT + north / M_LAT:.7f}" maxlon="{LON + east / M_LON:.7f}"/>'
        )
    for (x, y), number in place.items():
        rows.append(f'<node id="{number}" lat="{LAT + y / M_LAT:.7f}" lon="{LON + x / M_LON:.7f}"/>')
    for number, (x, y) in enumerate(homes, start=10_000):
        rows.append(
            f'<node id="{number}" lat="{LAT + y / M_LAT:.7f}" lon="{LON + x / M_LON:.7f}">'
            '<tag k="building" v="house"/></node>'
        )
    for number, (line, tags) in enumerate(ways, start=100):
        inner = "".join(f'<nd ref="{place[at]}"/>' for at in line)
        inner += "".join(f'<tag k="{k}" v="{v}"/>' for k, v in tags.items())
        rows.append(f'<way id="{number}">{inner}</way>')
    file.write_text("\n".join([*rows, "</osm>"]), encoding="utf-8")
    return file


# a suburb of 40 homes: one tertiary road out at the south, a street that the edge cuts at the north, a lane off it
SUBURB: list[Way] = [
    ([(500.0, -300.0), (500.0, 100.0)], {"highway": "tertiary", "name": "Mill Road"}),
    ([(500.0, 100.0), (500.0, 500.0)], {"highway": "residential", "name": "Long Street"}),
    ([(500.0, 500.0), (500.0, 900.0), (500.0, 2500.0)], {"highway": "residential", "name": "Cut Street"}),
    ([(500.0, 500.0), (800.0, 500.0)], {"highway": "residential", "name": "Blind Lane"}),
]
HOMES = [(515.0, 110.0 + 12.0 * i) for i in range(30)] + [(560.0 + 20.0 * i, 510.0) for i in range(10)]
EDGE: Box = (0.0, 0.0, 1000.0, 1000.0)


def words_of(page: str) -> str:
    """The words of a page on one line, without its markup."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", page)).split())


def test_a_lesser_road_that_the_edge_cuts_is_neither_a_dead_end_nor_a_way_out(tmp_path: Path) -> None:
    answer = survey_streets(extract(tmp_path / "roads.osm", SUBURB, HOMES, EDGE), options=PLAIN)
    assert roads_at(answer.streets, answer.found.exits) == ("Mill Road",)
    assert roads_at(answer.streets, answer.maybe) == ("Cut Street",)
    balance = answer.balance
    assert (balance.with_choice, balance.behind_exit, balance.depends) == (0.0, 10.0, 30.0)
    said = survey_sentences(answer)
    assert said[0] == (
        "40 of 40 homes hang on Mill Road on this map, but none for certain: the others because the map ends there. "
        "Take an extract that reaches to the next main roads before relying on these numbers."
    )
    assert said[1:4] == [
        "10 of 40 homes have a street or junction that everyone there must pass to get out, wherever the roads lead "
        "that the edge of the map cuts.",
        "30 homes more may have only one way out, or none: that depends on 1 road that goes on beyond the edge to "
        "somewhere unknown.",
        "The most hang on Blind Lane: 10 homes.",
    ]
    page = words_of(streets_page(answer, made_at=MADE))
    assert page.index(said[0]) < page.index(said[1])
    assert "0 to 40" in page
    record = survey_record(answer, made_at=MADE)
    assert record["homes"]["depends_on_roads_cut_by_the_edge"] == 30.0
    assert record["roads_out"] == ["Mill Road"]
    assert record["go_on_to_somewhere_unknown"]["roads"] == ["Cut Street"]
    tables = layers(streets_scene(answer))
    assert sorted(tables["exits"]["leads_out"]) == ["unknown", "yes"]
    assert "choice of ways only if roads lead out that the edge of the map cuts" in set(tables["homes"]["found"])


def test_the_edge_and_not_the_farthest_point_is_where_the_map_ends(tmp_path: Path) -> None:
    """Two tertiary roads that meet beyond the edge and go on to a cut end are two ways out, not one."""
    ways = [
        *SUBURB[:2],
        ([(500.0, 500.0), (500.0, 900.0), (500.0, 1500.0)], {"highway": "tertiary", "name": "North Road"}),
        ([(500.0, -300.0), (1500.0, -300.0), (1500.0, 1500.0), (500.0, 1500.0)], {"highway": "tertiary"}),
        ([(1500.0, 1500.0), (2500.0, 1500.0)], {"highway": "tertiary"}),
        ([(500.0, 100.0), (800.0, 100.0), (800.0, 500.0)], {"highway": "residential"}),
        ([(500.0, 500.0), (800.0, 500.0)], {"highway": "residential", "name": "Blind Lane"}),
    ]
    answer = survey_streets(extract(tmp_path / "roads.osm", ways, HOMES, EDGE), options=PLAIN)
    assert roads_at(answer.streets, answer.found.exits) == ("Mill Road", "North Road")
    assert answer.maybe.size == 0
    assert answer.balance.with_choice == 40.0


def test_a_main_road_that_only_bulges_over_the_edge_is_no_way_out(tmp_path: Path) -> None:
    bulge = [(500.0, 500.0), (500.0, 990.0), (600.0, 1020.0), (700.0, 990.0), (700.0, 700.0)]
    ways = [*SUBURB[:2], (bulge, {"highway": "tertiary", "name": "Bow Road"}), SUBURB[3]]
    answer = survey_streets(extract(tmp_path / "roads.osm", ways, HOMES, EDGE), options=PLAIN)
    assert roads_at(answer.streets, answer.found.exits) == ("Mill Road",)
    assert roads_at(answer.streets, answer.maybe) == ("Bow Road",)


def test_ways_clipped_at_the_edge_go_on_too(tmp_path: Path) -> None:
    """A file of which every way ends at its last point before the edge: nothing lies beyond."""
    ways: list[Way] = [
        ([(500.0, 20.0), (500.0, 100.0)], {"highway": "tertiary", "name": "Mill Road"}),
        SUBURB[1],
        ([(500.0, 500.0), (500.0, 980.0)], {"highway": "residential", "name": "Cut Street"}),
        SUBURB[3],
    ]
    answer = survey_streets(extract(tmp_path / "roads.osm", ways, HOMES, EDGE), options=PLAIN)
    assert roads_at(answer.streets, answer.found.exits) == ("Mill Road",)
    assert set(roads_at(answer.streets, answer.maybe)) == {"Cut Street", "Blind Lane"}
    assert answer.balance.depends == 40.0


def test_without_bounds_the_outline_rules_as_before(tmp_path: Path) -> None:
    answer = survey_streets(extract(tmp_path / "roads.osm", SUBURB, HOMES, None), options=PLAIN)
    assert answer.balance.behind_exit == 40.0
    assert answer.maybe.size == 0
    assert survey_sentences(answer)[0] == (
        "40 of 40 homes hang on Mill Road, and streets behind it end at the edge of the map: they may go on. Take an "
        "extract that reaches to the next main roads before relying on this."
    )


def test_an_edge_that_cuts_lesser_roads_only_is_refused_with_their_names(tmp_path: Path) -> None:
    file = extract(tmp_path / "roads.osm", SUBURB[1:], HOMES, EDGE)
    with pytest.raises(InputError, match=r"cuts only lesser roads .*Cut Street"):
        survey_streets(file, options=PLAIN)


def test_the_terminal_says_which_exits_were_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = extract(tmp_path / "roads.osm", SUBURB, HOMES, EDGE)
    assert main(["streets", str(file), "--out", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    assert "Ways out: Mill Road.\n" in out
    assert "Go on beyond the edge of the map, unknown to where: Cut Street.\n" in out
    assert "40 of 40 homes hang on Mill Road on this map, but none for certain" in " ".join(out.split())


# --- few homes ------------------------------------------------------------------------------------------------


def test_few_mapped_homes_are_never_an_all_clear(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """3 homes on 3 km of residential streets, none of them behind a single exit, and 2 km of street that is."""
    ways: list[Way] = [
        ([(-500.0, 0.0), (0.0, 0.0), (1000.0, 0.0), (1500.0, 0.0)], {"highway": "tertiary", "name": "Mill Road"}),
        ([(0.0, 0.0), (0.0, 2000.0)], {"highway": "residential", "name": "Empty Street"}),
        ([(1000.0, 0.0), (1000.0, 1000.0)], {"highway": "residential", "name": "Bare Street"}),
    ]
    homes = [(300.0, 10.0), (400.0, 10.0), (500.0, 10.0)]
    file = extract(tmp_path / "roads.osm", ways, homes, (-400.0, -100.0, 1400.0, 2500.0))
    answer = survey_streets(file, options=PLAIN)
    assert answer.few_homes
    assert answer.balance.behind_exit == 0.0
    assert answer.residential_m == pytest.approx(3000.0, rel=1e-3)
    assert [(one.name, one.homes) for one in answer.by_length] == [("Empty Street", 0.0), ("Bare Street", 0.0)]
    assert [one.streets_m for one in answer.by_length] == pytest.approx([2000.0, 1000.0], rel=1e-3)
    first = survey_sentences(answer)[0]
    assert first == (
        "Only 3 homes are known along about 3 km of residential streets, fewer than 5 to the kilometre (judgement): "
        "most homes are missing, and no count of homes here is an all clear. Single exits are therefore ranked by the "
        "length of residential street behind them as well. The longest: about 2 km with 0 homes behind Empty Street."
    )
    page = streets_page(answer, made_at=MADE)
    assert first in words_of(page)
    assert page.index("Empty Street</td>") < page.index("Bare Street</td>")
    record = survey_record(answer, made_at=MADE)
    assert record["too_few_homes_for_the_streets"] is True
    assert [one["everyone_must_pass"] for one in record["ranked_by_street_length"]] == ["Empty Street", "Bare Street"]
    assert main(["streets", str(file), "--json", "--out", str(tmp_path / "out")]) == 0
    assert json.loads(capsys.readouterr().out)["says"][0] == first


def test_homes_that_are_missing_in_one_part_are_told_there(tmp_path: Path) -> None:
    ways: list[Way] = [
        ([(-500.0, 0.0), (0.0, 0.0), (1000.0, 0.0), (1500.0, 0.0)], {"highway": "tertiary", "name": "Mill Road"}),
        ([(0.0, 0.0), (0.0, 1000.0)], {"highway": "residential", "name": "Empty Street"}),
        ([(1000.0, 0.0), (1000.0, 1000.0)], {"highway": "residential", "name": "Full Street"}),
    ]
    homes = [(1010.0, 30.0 + 20.0 * i) for i in range(40)]
    file = extract(tmp_path / "roads.osm", ways, homes, (-400.0, -100.0, 1400.0, 2500.0))
    answer = survey_streets(file, options=PLAIN)
    assert not answer.few_homes
    assert [one.name for one in answer.by_length] == ["Empty Street"]
    said = survey_sentences(answer)
    assert said[0].startswith("40 of 40 homes")
    assert any(line.startswith("Homes seem to be missing behind 1 single exit: ") for line in said)
