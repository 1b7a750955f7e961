"""One fact, one number: what the written outputs of one small answer say of the same facts, read back and compared.

Times of people's outputs are those of the data, rounded down to five minutes of the clock.
"""

from __future__ import annotations

import csv
import html
import io
import json
import re
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import pyogrio
import pytest

from leaveby import cli
from leaveby.decision.drill.result import DrillScript
from leaveby.decision.drill.rounds import answer_drill
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import HouseholdResult
from leaveby.files.write.outputs import write_result
from leaveby.notebook.leave_early import start_table
from leaveby.notebook.live.layers import household_sheet, moment_words, stretches
from leaveby.show.drill.record import drill_record
from leaveby.show.drill.words import leave_by_words
from leaveby.show.wording import main_sentence

KML = "{http://www.opengis.net/kml/2.2}"
GPX = "{http://www.topografix.com/GPX/1/1}"
MADE_AT = datetime(2026, 1, 2, tzinfo=UTC)
TITLES = {"tow": "Towing the house", "car": "By car, without the house", "foot": "On foot"}


@pytest.fixture(scope="module")
def inputs(valleys: ModuleType) -> HouseholdInputs:
    """Asked for at 90 %, so that no number at 95 % can stand where one at the asked confidence belongs."""
    shut = (valleys.task("shutters", 5, 8, 15, ("shelter",)),)
    made: HouseholdInputs = valleys.side_valley(members=40, tasks=(*valleys.TASKS, *shut), confidence=0.9)
    return replace(made, network=replace(made.network, from_osm=False))


@pytest.fixture(scope="module")
def result(inputs: HouseholdInputs) -> HouseholdResult:
    return answer_household(inputs, workers=2)


@pytest.fixture(scope="module")
def written(result: HouseholdResult, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_result(result, tmp_path_factory.mktemp("answer") / "out", made_at=MADE_AT)


@pytest.fixture(scope="module")
def record(written: dict[str, Path]) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(written["result.json"].read_text(encoding="utf-8"))
    return loaded


@pytest.fixture(scope="module")
def page(written: dict[str, Path]) -> str:
    """Every word of the page, the pictures' descriptions among them."""
    text = written["report.html"].read_text(encoding="utf-8")
    return " ".join(html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", text, flags=re.DOTALL)).split())


@pytest.fixture(scope="module")
def terminal(result: HouseholdResult, written: dict[str, Path]) -> str:
    stream = io.StringIO()
    held, sys.stdout = sys.stdout, stream
    try:
        cli._say_result(result, written)
    finally:
        sys.stdout = held
    return " ".join(stream.getvalue().split())


@pytest.fixture(scope="module")
def kml(written: dict[str, Path]) -> dict[str, tuple[str, dict[str, str]]]:
    """Name of each placemark to its description and its facts."""
    root = ElementTree.fromstring(written["plan.kml"].read_bytes())
    return {
        mark.findtext(f"{KML}name", ""): (
            html.unescape(mark.findtext(f"{KML}description", "")),
            {one.attrib["name"]: one.findtext(f"{KML}value", "") for one in mark.iter(f"{KML}Data")},
        )
        for mark in root.iter(f"{KML}Placemark")
    }


def five(moment: str) -> str:
    """The clock time of a moment of the data, as people are told it."""
    at = datetime.fromisoformat(moment)
    return f"{at.hour:02d}:{at.minute - at.minute % 5:02d}"


def timetable_rows(written: dict[str, Path]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(written["timetable.csv"].read_text(encoding="utf-8"))))


@pytest.mark.parametrize("way", ["tow", "car", "foot"])
def test_the_leave_by_is_one_number(
    way: str,
    result: HouseholdResult,
    written: dict[str, Path],
    record: dict[str, Any],
    page: str,
    terminal: str,
    kml: dict[str, tuple[str, dict[str, str]]],
) -> None:
    told = record["ways"][way]
    start, leave = told["latest_start"], told["latest_departure"]
    early = ", before the fire starts" if datetime.fromisoformat(start) < result.start else ""
    fire = " (12:00)" if early else ""
    roll = "be walking by" if way == "foot" else "be rolling by"
    line = f"tart getting ready by {five(start)}{early}{fire}, {roll} {five(leave)}."
    assert line in terminal
    assert line in page
    described, facts = next(mark for name, mark in kml.items() if name.startswith(f"{TITLES[way]}: to"))
    assert line in described
    assert (facts["latest_start_iso"], facts["latest_departure_iso"]) == (start, leave)
    routes = pyogrio.read_dataframe(written["layers.gpkg"], layer="routes", use_arrow=False).set_index("way")
    assert (routes.loc[way].latest_start_iso, routes.loc[way].latest_departure_iso) == (start, leave)
    rows = {row["kind"]: row["at_iso"] for row in timetable_rows(written)}
    assert (rows[f"start {way}"], rows[f"late {way}"]) == (start, leave)
    track = ElementTree.fromstring(written["route.gpx"].read_bytes()).findall(f"{GPX}trk")
    (words,) = [t.findtext(f"{GPX}desc", "") for t in track if t.findtext(f"{GPX}name", "").startswith(TITLES[way])]
    assert line in words
    # the notebook's panel, at the confidence that was asked for
    table = start_table(result, confidence=result.plan.confidence, start_at_s=0.0)
    (cell,) = re.findall(rf'<th scope="row">{TITLES[way]}</th><td>([^<]+)</td>', table)
    assert cell == five(start) + early
    said = moment_words(result, stretches(result.network, result.closing_s), at_s=-20_000.0)
    assert f"{TITLES[way]}: start by {five(start)}." in said
    assert not set(re.findall(r"\d\d:\d\d", main_sentence(result))) - {
        five(one["latest_start"]) for one in record["ways"].values()
    }


@pytest.mark.parametrize("way", ["tow", "car", "foot"])
def test_the_first_street_to_shut_is_one_street_and_one_time(
    way: str,
    result: HouseholdResult,
    written: dict[str, Path],
    record: dict[str, Any],
    page: str,
    terminal: str,
    kml: dict[str, tuple[str, dict[str, str]]],
) -> None:
    first = record["ways"][way]["route"]["closes_first"]
    street, at = first["street"], first["at"]
    assert street
    line = f"The first street to shut: {street}, from {five(at)} on a middling day, or earlier."
    assert line in terminal
    assert line in page
    assert f"shuts in this order: {street} at {five(at)}" in page
    described, facts = next(mark for name, mark in kml.items() if name.startswith(f"{TITLES[way]}: to"))
    assert line in described
    assert facts["shuts_first_iso"] == at
    assert f"Shuts from {five(at)}: {street}" in kml
    assert kml[f"Shuts from {five(at)}: {street}"][1]["shuts_at_iso"] == at
    routes = pyogrio.read_dataframe(written["layers.gpkg"], layer="routes", use_arrow=False).set_index("way")
    assert (routes.loc[way].shuts_first_street, routes.loc[way].shuts_first_at_iso) == (street, at)
    streets = pyogrio.read_dataframe(written["layers.gpkg"], layer="streets", use_arrow=False)
    on_way = streets[streets.on_route_of.str.contains(way) & (streets.osm_way_id != 0)]
    assert on_way.shuts_at_iso.min() == at
    rows = [r for r in timetable_rows(written) if r["kind"] == f"shut {way}"]
    assert [(row["at_iso"], street in row["sentence"]) for row in rows] == [(at, True)]
    if way == "tow":  # the live map numbers the streets of the first way out
        (layer,) = [one for one in household_sheet(result).layers if one.name == "What shuts first"]
        assert layer.meanings[1] == ("1", f"{five(at)} {street}")


@pytest.mark.parametrize("way", ["tow", "car", "foot"])
def test_ready_time_and_drive_are_one_number_each(
    way: str, written: dict[str, Path], record: dict[str, Any], page: str, kml: dict[str, tuple[str, dict[str, str]]]
) -> None:
    told = record["ways"][way]
    minutes = re.compile(r"Getting ready takes (?:(\d+) h )?(\d+) min, on a slow day (?:(\d+) h )?(\d+) min")
    described, facts = next(mark for name, mark in kml.items() if name.startswith(f"{TITLES[way]}: to"))
    line = minutes.search(described)
    assert line is not None
    assert line.group(0) in page
    usual, slow = (60 * int(line.group(n) or 0) + int(line.group(n + 1)) for n in (1, 3))
    assert 0.0 <= usual - told["ready_min"]["p50"] < 1.0
    assert 0.0 <= slow - told["ready_at_confidence_min"] < 1.0
    ready = told["ready_min"]
    assert ready["p50"] < told["ready_at_confidence_min"] == ready["p90"] < ready["p95"]  # asked for: 90 %
    routes = pyogrio.read_dataframe(written["layers.gpkg"], layer="routes", use_arrow=False).set_index("way")
    likely = told["drive_min"]["p50"]
    assert told["route"]["likely_min"] == likely == float(facts["likely_drive_min"])
    assert routes.loc[way].likely_drive_min == likely
    if way != "foot":
        lines = pyogrio.read_dataframe(written["layers.gpkg"], layer="triggers", use_arrow=False)
        drawn = [name for name in kml if name.endswith(f": {TITLES[way]}") and " line, " in name]
        assert len(drawn) == 2  # of one rating: the one to go by, and the one inside which it is too late
        for rating in record["rules"]["ratings"]:
            for kind, title in (("go", "Go line"), ("late", "Too late line")):
                asked = lines[(lines.way == way) & (lines.rating == rating["name"]) & (lines.kind == kind)]
                needed = rating["ways"][way][kind]["needed_min"]
                assert asked.needed_min.tolist() == [needed]
                name = f"{title}, {rating['name']}: {TITLES[way]}"
                assert name not in drawn or float(kml[name][1]["needed_min"]) == needed


def test_the_end_of_leaving_is_one_moment_everywhere(
    result: HouseholdResult, written: dict[str, Path], record: dict[str, Any], page: str, terminal: str
) -> None:
    at = record["every_road_shut"]["at"]
    assert at is not None
    assert record["shelter"]["leaving_ends"] == record["shelter"]["begins"] == at
    assert record["shelter"]["sentences"][0] == record["every_road_shut"]["sentence"]
    assert five(at) == at[11:16]
    said = f"From {five(at)}, on more than half of such days every road out is shut"
    assert said in page
    assert said in terminal
    assert said in html.unescape(written["plan.kml"].read_text(encoding="utf-8"))
    rows = {row["kind"]: row["at_iso"] for row in timetable_rows(written)}
    assert rows["last resort"] == at
    assert f"Closing that is begun at {five(at)}" in page
    assert said in " ".join(moment_words(result, stretches(result.network, result.closing_s), at_s=0.0))


def test_embers_and_front_have_one_time_each(written: dict[str, Path], record: dict[str, Any], page: str) -> None:
    ember, front = record["shelter"]["ember_arrival"], record["shelter"]["front_arrival"]
    rows = timetable_rows(written)
    early = [r["at_iso"] for r in rows if "(in the earliest 10 % of such days)" in r["sentence"]]
    assert early == sorted([ember, front])
    assert f"Embers can fall from {five(ember)}, the fire front from {five(front)}." in page
    assert not set(re.findall(r"[Ee]mbers can fall from (\d\d:\d\d)", page)) - {five(ember)}


def test_no_output_says_that_leaving_is_over_while_most_runs_get_clear(
    written: dict[str, Path], page: str, terminal: str
) -> None:
    texts = [written[name].read_text(encoding="utf-8") for name in ("result.json", "timetable.csv", "plan.kml")]
    for text in (page, terminal, *texts, written["reminders.ics"].read_text(encoding="utf-8")):
        for words in ("no longer an option", "no road out by car", "no towing", "No way out on foot", "too late to"):
            assert words.lower() not in text.lower()


def test_a_drill_of_the_plans_own_fire_says_the_same(inputs: HouseholdInputs, record: dict[str, Any]) -> None:
    plan = inputs.plan
    script = DrillScript(
        name="The same day", plan=plan, speeds_m_s=(), own_fire=True, begin_s=0.0, pauses_s=(600.0,), every_s=None,
        members=plan.members,
    )  # fmt: skip
    drill = answer_drill(inputs, script, workers=2)
    (told,) = drill_record(drill, made_at=MADE_AT)["rounds"]
    words = " ".join(leave_by_words(drill, drill.rounds[0]))
    for way in ("tow", "car", "foot"):
        mine, its = told["ways"][way], record["ways"][way]
        for name in ("latest_start", "latest_departure"):
            assert mine[name] == its[name]
        assert f"tart getting ready by {five(its['latest_start'])}" in words
        assert mine["ready_min"]["p50"] == its["ready_min"]["p50"]
        first = its["route"]["closes_first"]
        shuts = [(one["at"], one["street"]) for one in told["closings"] if way in one["ways"]]
        assert shuts[0] == (first["at"], first["street"])
        if its["open"]:  # else before the exercise begins
            (inject,) = [
                one for one in told["injects"] if one["kind"] == "leave-by" and its["latest_start"] == one["at"]
            ]
            assert inject["text"].endswith(f": {five(its['latest_start'])}.")
    assert told["every_road_shut_from"] == record["every_road_shut"]["at"]
    assert f"From {five(record['every_road_shut']['at'])} on, every road out is shut" in words


NOTICED = ("result.json", "plan.html", "report.html", "plan.kml", "route.gpx", "layers.gpkg")


def test_the_notice_of_openstreetmap_stands_where_it_is_due_and_nowhere_else(
    result: HouseholdResult, written: dict[str, Path], tmp_path: Path
) -> None:
    """ODbL 1.0, section 4.3 (from memory): a notice on what is made from the database; none on an invented place."""
    for name in NOTICED:
        assert b"OpenStreetMap" not in written[name].read_bytes(), name
    mapped = replace(result, network=replace(result.network, from_osm=True))
    for name, path in write_result(mapped, tmp_path, made_at=MADE_AT).items():
        if name in NOTICED:
            assert b"OpenStreetMap contributors" in path.read_bytes(), name
