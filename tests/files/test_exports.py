"""What leaves the house: map file, route file, reminders, tables, layers. Readable by others, and names stay names."""

from __future__ import annotations

import csv
import io
import json
import re
import stat
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree

import fastkml
import icalendar
import numpy as np
import pyogrio
import pytest
import shapely
import vobject
import xmlschema
from dateutil.rrule import rrulestr
from pyproj import Geod, Transformer

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.cli import main
from leaveby.decision.streets.result import StreetQuestion, StreetSurvey
from leaveby.decision.streets.survey import survey
from leaveby.decision.ways.result import HouseholdResult, TimetableRow
from leaveby.errors import InputError
from leaveby.files.write import printed
from leaveby.files.write.layers import STYLES_TABLE, write_geopackage
from leaveby.files.write.map_file import plan_kml, route_gpx
from leaveby.files.write.outputs import timetable_csv, write_result, write_streets
from leaveby.files.write.printed import find_browser, print_page
from leaveby.files.write.reminders import reminders_ics, season_day
from leaveby.roads.exits.homes import Homes, place_homes
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.roads.routing.itinerary import street
from leaveby.show.plan.page import plan_figures
from leaveby.show.scene import household_scene
from leaveby.show.streets.page import streets_page
from leaveby.show.wording import clean, clock_words

TESTS = Path(__file__).parents[1]
KML = "{http://www.opengis.net/kml/2.2}"
GPX = "{http://www.topografix.com/GPX/1/1}"

MARKUP = "<script>alert(1)</script>&\"'"
CONTROL = "Bad\x00\x07\x1b\x85\u202ename"
LONG = "Extraordinarily Long and Winding Road " * 8
NAMES = {
    "markup": MARKUP,
    "equals": "=1+1",
    "plus": "+1",
    "minus": "-1",
    "at": "@SUM(A1)",
    "tab": "\t=1+1",
    "lines": "one\r\nBEGIN:VALARM\r\nACTION:PROCEDURE",
    "kml": "$[name] ]]> &lt;b&gt;",
    "control": CONTROL,
    "long": LONG,
    "letters": "Ōkārito; 森, \\n \U0001f525",
}
"""Names that could be taken for something else: markup, formulas (common practice, no source), properties, entities."""


@pytest.fixture(scope="module")
def result(invented):
    return invented.invented_result()


def named(invented: ModuleType, word: str) -> HouseholdResult:
    """An answer in which everything that a person or a map names is called by this word, with a number where needed."""
    plain = invented.invented_plan
    with pytest.MonkeyPatch.context() as patch:
        calls = {task.name: f"{word} {number}" for number, task in enumerate(plain().tasks)}

        def plan(**changes):
            made = plain(**changes)
            return replace(
                made,
                tasks=tuple(
                    replace(task, name=calls[task.name], after=tuple(calls[name] for name in task.after))
                    for task in made.tasks
                ),
                people=tuple(replace(person, name=f"{word} {n}") for n, person in enumerate(made.people)),
                ignitions=tuple(replace(ignition, name=word) for ignition in made.ignitions),
            )

        patch.setattr(invented, "invented_plan", plan)
        made = invented.invented_result(street=word, name=word)
    points = {point.name: f"{word} {n}" for n, point in enumerate(made.plan.safe_points)}
    return replace(
        made,
        plan=replace(
            made.plan, safe_points=tuple(replace(point, name=points[point.name]) for point in made.plan.safe_points)
        ),
        ways={
            name: replace(way, route=replace(way.route, safe_point=points[way.route.safe_point]))
            for name, way in made.ways.items()
        },
        safe_point_xy_m={points[name]: place for name, place in made.safe_point_xy_m.items()},
        timetable=(TimetableRow(300.0, word, word),),
        assumptions=(word,),
        rules=invented.invented_rules(milder=word, today=word, before=("tow",), landmark=word),
    )


@pytest.fixture(scope="module", params=list(NAMES))
def spoilt(request, invented) -> tuple[str, HouseholdResult]:
    return NAMES[request.param], named(invented, NAMES[request.param])


# --- schemas -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def kml_schema() -> xmlschema.XMLSchema:
    # OGC KML 2.2 (07-147r2), as the library fastkml ships it.
    path = Path(fastkml.__file__).parent / "schema" / "ogckml22.xsd"
    return xmlschema.XMLSchema(str(path), allow="local")


@pytest.fixture(scope="module")
def gpx_schema() -> xmlschema.XMLSchema:
    # GPX 1.1, the published schema; tests/data/README.md says where this copy comes from.
    return xmlschema.XMLSchema(str(TESTS / "data" / "gpx_1_1.xsd"), allow="local")


def answers(invented: ModuleType) -> Iterator[HouseholdResult]:
    plain = invented.invented_result()
    yield plain
    never = replace(plain.fire.arrival, time_s=np.full_like(plain.fire.arrival.time_s, np.inf))
    routes = {
        name: replace(
            way,
            latest_start_s=None,
            latest_departure_s=None,
            why="The fire does not shut this way.",
            route=replace(way.route, closes_first="", closes_first_s=np.inf),
        )
        for name, way in plain.ways.items()
    }
    yield replace(
        plain,
        fire=replace(plain.fire, arrival=never),
        ways=routes,
        rules=invented.invented_rules(lines=()),
        closing_s=np.full_like(plain.closing_s, np.inf),
    )
    yield replace(plain, ways={name: replace(way, route=None, why="No road.") for name, way in routes.items()})
    yield replace(plain, rules=invented.invented_rules(before=("tow", "car")))
    yield invented.without_fire(plain)


def test_the_map_file_keeps_to_the_kml_schema(invented, kml_schema):
    for answer in answers(invented):
        kml_schema.validate(io.BytesIO(plan_kml(household_scene(answer), made_at=invented.MADE_AT)))


def test_the_route_file_keeps_to_the_gpx_schema(invented, gpx_schema):
    for answer in answers(invented):
        gpx_schema.validate(io.BytesIO(route_gpx(household_scene(answer), made_at=invented.MADE_AT)))


def test_the_schemas_would_notice(invented, result, kml_schema, gpx_schema):
    kml = (
        plan_kml(household_scene(result), made_at=invented.MADE_AT)
        .replace(b"<styleUrl>", b"<point>")
        .replace(b"</styleUrl>", b"</point>")
    )
    assert not kml_schema.is_valid(io.BytesIO(kml))
    gpx = route_gpx(household_scene(result), made_at=invented.MADE_AT).replace(b"lat=", b"latitude=")
    assert not gpx_schema.is_valid(io.BytesIO(gpx))


# --- names stay names --------------------------------------------------------------------------------------------


class Shown(HTMLParser):
    """What a reader of HTML would show of a text: its words, and whether it found markup."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.words = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):  # noqa: ARG002
        self.tags.append(tag)

    def handle_data(self, data):
        self.words += data


def test_names_stay_names_in_the_map_file(spoilt, invented, kml_schema):
    word, answer = spoilt
    data = plan_kml(household_scene(answer), made_at=invented.MADE_AT)
    kml_schema.validate(io.BytesIO(data))
    root = ElementTree.fromstring(data)
    names = [element.text or "" for element in root.iter(f"{KML}name")]
    start = clean(word)[:60]
    assert f"Fire starts: {clean(word, 120)}" in names
    assert any(name.startswith("Shuts from ") and start in name for name in names)
    assert f"When to leave: {clean(word, 120)}" in names
    # A globe reads a description as HTML (OGC 07-147r2, 9.1.3.10, from memory).
    described = [Shown(element.text or "") for element in root.iter(f"{KML}description")]
    assert all(shown.tags == [] for shown in described)
    assert any(start in shown.words for shown in described)
    # Other text than names and descriptions is ours alone: numbers, times, references.
    for value in root.iter(f"{KML}value"):
        assert re.fullmatch(r"[\d.]+|\d{4}-\d\d-\d\dT\d\d:\d\d[+-]\d\d:\d\d", value.text or "")


def test_names_stay_names_in_the_route_file(spoilt, invented, gpx_schema):
    word, answer = spoilt
    data = route_gpx(household_scene(answer), made_at=invented.MADE_AT)
    gpx_schema.validate(io.BytesIO(data))
    root = ElementTree.fromstring(data)
    assert root.findtext(f"{GPX}metadata/{GPX}name") == f"Ways out: {clean(word, 120)}"
    assert clean(f"{word} 0", 120) in [point.findtext(f"{GPX}name") for point in root.iter(f"{GPX}wpt")]
    tags = {element.tag.removeprefix(GPX) for element in root.iter()}
    assert tags == {"gpx", "metadata", "name", "desc", "time", "wpt", "trk", "trkseg", "trkpt"}


def test_names_stay_names_in_the_reminders(spoilt, invented):
    word, answer = spoilt
    data = reminders_ics(answer, made_at=invented.MADE_AT)
    calendar = icalendar.Calendar.from_ical(data)
    assert {part.name for part in calendar.walk()} == {"VCALENDAR", "VEVENT", "VALARM"}
    assert {str(alarm["ACTION"]) for alarm in calendar.walk("VALARM")} == {"DISPLAY"}
    for event in calendar.walk("VEVENT"):
        assert str(event["SUMMARY"]).endswith(f"({clean(word, 90)})")
    assert clean(f"{word} 0", 60) in str(calendar.walk("VEVENT")[-1]["DESCRIPTION"])


def test_names_stay_names_in_the_timetable(spoilt):
    word, answer = spoilt
    rows = list(csv.reader(io.StringIO(timetable_csv(answer))))
    assert {len(row) for row in rows} == {4}
    for row in rows:
        for cell in row:
            assert not cell.lstrip().startswith(("=", "+", "-", "@", "\t", "\r"))
            assert not re.search(r"[\x00-\x1f\x7f-\x9f\u202e]", cell)
    assert any(clean(word) in cell for cell in rows[-1])


def test_names_stay_names_in_the_layers(spoilt, invented, tmp_path):
    word, answer = spoilt
    path = tmp_path / "layers.gpkg"
    write_geopackage(household_scene(answer), path, made_at=invented.MADE_AT)
    assert pyogrio.read_dataframe(path, layer="home", use_arrow=False)["name"].tolist() == [clean(word)]
    assert clean(word) in pyogrio.read_dataframe(path, layer="streets", use_arrow=False)["name"].tolist()
    points = pyogrio.read_dataframe(path, layer="safe_points", use_arrow=False)["name"].tolist()
    assert points == [clean(f"{word} {number}") for number in range(2)]
    routes = pyogrio.read_dataframe(path, layer="routes", use_arrow=False)
    assert set(routes["safe_point"]) <= set(points)


def test_names_stay_names_in_the_figures(spoilt):
    word, answer = spoilt
    for name, picture in plan_figures(answer).items():
        root = ElementTree.fromstring(picture)
        tags = {element.tag.rsplit("}", 1)[-1] for element in root.iter()}
        assert not tags & {"script", "foreignObject", "a", "animate", "set"}, name
        for element in root.iter():
            for key, value in element.attrib.items():
                assert not key.lower().startswith("on")
                if key.endswith("href"):
                    assert value.startswith(("#", "data:image/png;base64,"))
        if name in ("map", "tasks"):
            assert clean(word)[:12].strip() in "".join(root.itertext()), name


# --- the map file ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def kml(result, invented):
    return ElementTree.fromstring(plan_kml(household_scene(result), made_at=invented.MADE_AT))


def folder(root: ElementTree.Element, name: str) -> ElementTree.Element:
    return next(part for part in root.iter(f"{KML}Folder") if part.findtext(f"{KML}name") == name)


def coordinates(element: ElementTree.Element) -> list[list[tuple[float, float]]]:
    return [
        [(float(lon), float(lat)) for lon, lat in (place.split(",") for place in (part.text or "").split())]
        for part in element.iter(f"{KML}coordinates")
    ]


def facts(placemark: ElementTree.Element) -> dict[str, str]:
    return {data.attrib["name"]: data.findtext(f"{KML}value") or "" for data in placemark.iter(f"{KML}Data")}


def test_the_map_file_begins_with_what_has_to_be_said(kml):
    said = kml.findtext(f"{KML}Document/{KML}description")
    assert said.startswith(OVERRIDE)
    assert PLANNING_AID in said
    assert OSM_NOTICE in said
    assert "95 %" in said
    assert "UTC+11:00" in said
    for placemark in kml.iter(f"{KML}Placemark"):
        assert (placemark.findtext(f"{KML}description") or "").endswith(OVERRIDE)


def test_the_ways_lie_where_the_routes_do_and_say_their_times(kml, result, invented):
    # Geodesic lengths by PROJ on the WGS 84 ellipsoid; the map projection stretches by less than 1 in 500 here.
    geod = Geod(ellps="WGS84")
    placemarks = folder(kml, "Ways out").findall(f"{KML}Placemark")
    assert len(placemarks) == 3
    home = Transformer.from_crs(invented.CRS, "EPSG:4326", always_xy=True).transform(*result.home_xy_m)
    for placemark, way in zip(placemarks, ("tow", "car", "foot"), strict=True):
        timing = result.ways[way]
        (line,) = coordinates(placemark)
        assert line[0] == pytest.approx(home, abs=1e-6)
        assert geod.line_length(*zip(*line, strict=True)) == pytest.approx(timing.route.length_m, rel=0.002)
        told = facts(placemark)
        assert timing.route.length_m <= float(told["length_m"]) < timing.route.length_m + 1.0
        start = datetime.fromisoformat(told["latest_start_iso"])
        assert 0.0 <= timing.latest_start_s - (start - result.start).total_seconds() < 60.0
        words = placemark.findtext(f"{KML}description") or ""
        down = start.replace(minute=start.minute - start.minute % 5)
        assert f"Start getting ready by {down.strftime('%H:%M')}" in words


def test_areas_keep_their_size_and_their_edges_run_as_the_standard_asks(kml, result):
    # OGC 07-147r2, 10.8, from memory: outer boundaries run against the clock. Areas on the ellipsoid by PROJ.
    geod = Geod(ellps="WGS84")
    lines = [line for rule in result.rules.of("Extreme") for line in (rule.go, rule.late)]
    for placemark, line in zip(folder(kml, "Trigger lines").findall(f"{KML}Placemark"), lines, strict=True):
        area_m2 = 0.0
        for polygon in placemark.iter(f"{KML}Polygon"):
            outer = coordinates(polygon.find(f"{KML}outerBoundaryIs"))[0]
            assert outer[0] == outer[-1]
            assert shapely.LinearRing(outer).is_ccw
            area_m2 += geod.polygon_area_perimeter(*zip(*outer, strict=True))[0]
        assert area_m2 == pytest.approx(line.area.area, rel=0.004)


def test_every_stretch_that_shuts_is_there_once_and_never_later(kml, result):
    geod = Geod(ellps="WGS84")
    found_m = 0.0
    moments, by_name = [], {}
    for placemark in folder(kml, "Streets that shut").findall(f"{KML}Placemark"):
        told = facts(placemark)
        moments.append(float(told["shuts_after_start_min"]))
        by_name.setdefault(placemark.findtext(f"{KML}name").split(": ", 1)[1], []).append(moments[-1])
        assert datetime.fromisoformat(told["shuts_at_iso"]) == result.start + timedelta(minutes=moments[-1])
        found_m += sum(geod.line_length(*zip(*line, strict=True)) for line in coordinates(placemark))
    assert moments == sorted(moments)
    network = result.network
    shut = np.flatnonzero(np.isfinite(result.closing_s))
    assert set(moments) <= {np.floor(result.closing_s[edge] / 60.0) for edge in shut}
    for edge in shut:  # said on the clock in steps of 5 minutes, rounded down
        said = [at for at in by_name[street(network, edge)] if at <= result.closing_s[edge] / 60.0]
        assert result.closing_s[edge] / 60.0 - max(said) < 5.0
    # Both directions of a stretch are one line.
    pairs = {frozenset((edge, int(network.twin[edge]))) for edge in shut}
    assert found_m == pytest.approx(sum(network.length_m[min(pair)] for pair in pairs), rel=0.002)


def test_a_stretch_that_shuts_as_the_fire_starts_says_so(result, invented):
    """By hand: shut at 0 seconds is 0 minutes after the start, not a fact that is missing."""
    closing_s = np.where(np.isfinite(result.closing_s), 0.0, np.inf)
    scene = household_scene(replace(result, closing_s=closing_s))
    kml = ElementTree.fromstring(plan_kml(scene, made_at=invented.MADE_AT))
    shut = folder(kml, "Streets that shut").findall(f"{KML}Placemark")
    assert {facts(placemark)["shuts_after_start_min"] for placemark in shut} == {"0"}


def cut_up(answer: HouseholdResult, seed: int) -> HouseholdResult:
    """The same answer with every street called alike, shutting bit by bit at random moments, and both starts one name.

    A safe point is called as the home is on the map.
    """
    rng = np.random.default_rng(seed)
    closing_s = np.where(
        rng.random(answer.closing_s.size) < 0.9, rng.uniform(0.0, 900.0, answer.closing_s.size), np.inf
    )
    twin = answer.network.twin
    closing_s = np.where((twin >= 0) & (twin < np.arange(twin.size)), closing_s[twin], closing_s)  # both directions
    network = replace(answer.network, name=("Mill Road",) * answer.network.edge_count)
    starts = tuple(replace(one, name="Spur") for one in answer.plan.ignitions * 2)
    return replace(
        named_home(answer),
        network=network,
        closing_s=closing_s,
        plan=replace(named_home(answer).plan, ignitions=starts),
    )


def named_home(answer: HouseholdResult) -> HouseholdResult:
    old = answer.plan.safe_points[0]
    points = (replace(old, name="Home"), *answer.plan.safe_points[1:])
    places = {"Home" if name == old.name else name: at for name, at in answer.safe_point_xy_m.items()}
    return replace(answer, plan=replace(answer.plan, safe_points=points), safe_point_xy_m=places)


@pytest.mark.parametrize("seed", range(20))
def test_each_thing_is_one_item_of_its_folder_and_nothing_is_lost(result, invented, kml_schema, seed):
    """By hand: as many items as there are names said; all shut stretches; all places and starts, under names apart."""
    answer = cut_up(result, seed)
    data = plan_kml(household_scene(answer), made_at=invented.MADE_AT)
    kml_schema.validate(io.BytesIO(data))
    root = ElementTree.fromstring(data)
    for part in root.iter(f"{KML}Folder"):
        names = [item.findtext(f"{KML}name") for item in part.findall(f"{KML}Placemark")]
        assert len(names) == len(set(names)), names
    shut = np.flatnonzero(np.isfinite(answer.closing_s)).tolist()
    said = {clock_words(answer, 60.0 * np.floor(answer.closing_s[edge] / 60.0)) for edge in shut}
    items = folder(root, "Streets that shut").findall(f"{KML}Placemark")
    assert len(items) <= len(said)
    drawn = sum(len(coordinates(item)) for item in items)
    assert drawn == len({frozenset((edge, int(answer.network.twin[edge]))) for edge in shut})
    places = folder(root, "Home, safe points and places of last resort").findall(f"{KML}Placemark")
    assert [item.findtext(f"{KML}name") for item in places][:2] == ["Home", "Home (2)"]
    assert len(places) == 1 + len(answer.plan.safe_points)
    fire = [item.findtext(f"{KML}name") for item in folder(root, "The fire").findall(f"{KML}Placemark")]
    assert fire[:2] == ["Fire starts: Spur", "Fire starts: Spur (2)"]


def test_fronts_carry_their_times(kml, result):
    fire = folder(kml, "The fire").findall(f"{KML}Placemark")
    fronts = [facts(part) for part in fire if (part.findtext(f"{KML}name") or "").startswith("Fire front at ")]
    assert len(fronts) > 3
    for told in fronts:
        at = datetime.fromisoformat(told["reached_at_iso"])
        assert at == result.start + timedelta(minutes=float(told["reached_after_start_min"]))


def test_another_reader_finds_the_same_places(result, invented):
    text = plan_kml(household_scene(result), made_at=invented.MADE_AT).decode().split("\n", 1)[1]
    (document,) = fastkml.KML.from_string(text).features
    assert [part.name for part in document.features] == [
        "Home, safe points and places of last resort",
        "Ways out",
        "Trigger lines",
        "The fire",
        "Streets that shut",
    ]
    home, *places = document.features[0].features
    assert (home.geometry.x, home.geometry.y) == pytest.approx(
        (result.plan.home.lon_deg, result.plan.home.lat_deg), abs=1e-6
    )
    assert [place.name for place in places] == [point.name for point in result.plan.safe_points]


def test_a_map_program_finds_the_same_names_in_the_right_place(result, invented, tmp_path):
    # GDAL's reader, by way of pyogrio.
    path = tmp_path / "plan.kml"
    path.write_bytes(plan_kml(household_scene(result), made_at=invented.MADE_AT))
    assert [name for name, _ in pyogrio.list_layers(path)][:2] == [
        "Home, safe points and places of last resort",
        "Ways out",
    ]
    ways = pyogrio.read_dataframe(path, layer="Ways out", use_arrow=False)
    assert ways.crs.to_epsg() == 4326
    assert ways.iloc[0]["Name"] == "Towing the house: to Quarrel Flat showground"
    lengths_m = ways.to_crs(invented.CRS).length
    for length_m, way in zip(lengths_m, ("tow", "car", "foot"), strict=True):
        assert length_m == pytest.approx(result.ways[way].route.length_m, abs=1.0)


# --- reminders ---------------------------------------------------------------------------------------------------


def with_done(result: HouseholdResult) -> HouseholdResult:
    tasks = tuple(replace(task, done_before_season=task.name == "drain the water") for task in result.plan.tasks)
    return replace(result, plan=replace(result.plan, tasks=tasks))


@pytest.fixture(scope="module")
def ics(result, invented):
    return reminders_ics(with_done(result), made_at=invented.MADE_AT)


def test_reminders_come_every_year_for_the_whole_day_with_alarms(ics):
    events = icalendar.Calendar.from_ical(ics).walk("VEVENT")
    assert len(events) == 3
    for event in events:
        start, end = event.decoded("DTSTART"), event.decoded("DTEND")
        assert type(start) is date
        assert end - start == timedelta(days=1)
        assert start == date(2026, 7, 1)
        rule = rrulestr(event["RRULE"].to_ical().decode(), dtstart=datetime(2026, 7, 1))
        assert [moment.date() for moment in rule[:3]] == [date(2026, 7, 1), date(2027, 7, 1), date(2028, 7, 1)]
        triggers = [alarm.decoded("TRIGGER") for alarm in event.walk("VALARM")]
        assert triggers == [timedelta(days=-7, hours=9), timedelta(hours=9)]
        words = str(event["DESCRIPTION"])
        assert words.startswith(OVERRIDE)
        assert PLANNING_AID in words
        assert "does not say when your fire season starts: 1 July was taken" in words
        assert all(OVERRIDE in str(alarm["DESCRIPTION"]) for alarm in event.walk("VALARM"))


def test_reminders_name_what_to_do_and_what_it_saves(ics):
    check, done, save = (str(event["DESCRIPTION"]) for event in icalendar.Calendar.from_ical(ics).walk("VEVENT"))
    assert "- Towing the house: to Quarrel Flat showground" in check
    assert "- drain the water\n" in done
    assert re.search(r'- doing "refit the wheels" before the season saves \d+ min \(tow\)', save)


def test_identities_stay_the_same_between_runs_and_differ_between_households(result, invented):
    def identities(answer, made_at):
        events = icalendar.Calendar.from_ical(reminders_ics(answer, made_at=made_at)).walk("VEVENT")
        return [str(event["UID"]) for event in events]

    first = identities(with_done(result), invented.MADE_AT)
    later = replace(with_done(result), members=900, assumptions=())
    assert identities(later, invented.MADE_AT + timedelta(days=200)) == first
    assert len(set(first)) == 3
    assert not set(first) & set(identities(invented.invented_result(name="Another place"), invented.MADE_AT))


def test_lines_are_ended_and_folded_as_the_standard_asks(ics):
    # RFC 5545, 3.1, from memory: lines end in CRLF and are no longer than 75 octets.
    assert ics.endswith(b"END:VCALENDAR\r\n")
    lines = ics.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    # 3.6 and 3.6.1, from memory: what has to be there.
    assert ics.count(b"VERSION:2.0") == ics.count(b"PRODID:") == 1
    assert ics.count(b"\r\nUID:") == ics.count(b"\r\nDTSTAMP:") == ics.count(b"BEGIN:VEVENT") == 3


def test_another_reader_reads_the_same_reminders(invented):
    word = 'A "place"; with, odd \\letters\\ & <b>森</b>'
    data = reminders_ics(invented.invented_result(name=word), made_at=invented.MADE_AT)
    ours = icalendar.Calendar.from_ical(data).walk("VEVENT")
    theirs = vobject.readOne(data.decode()).vevent_list
    assert [event.summary.value for event in theirs] == [str(event["SUMMARY"]) for event in ours]
    assert [event.description.value for event in theirs] == [str(event["DESCRIPTION"]) for event in ours]
    assert [event.dtstart.value for event in theirs] == [event.decoded("DTSTART") for event in ours]
    assert word in theirs[0].summary.value


@pytest.mark.parametrize(
    ("lat_deg", "season_starts"),
    [
        # Statutory bush fire danger period of New South Wales: 1 October (Rural Fires Act 1997, s. 81, from memory);
        # dry season of northern Australia from May; Mediterranean summer season from June: common practice, no source.
        (-36.1, (10, 1)),
        (-33.8, (10, 1)),
        (-12.5, (5, 1)),
        (42.5, (6, 1)),
    ],
)
def test_the_reminder_comes_well_before_the_season(lat_deg, season_starts):
    day, season = date(2026, *season_day(lat_deg)), date(2026, *season_starts)
    assert timedelta(days=28) <= season - day <= timedelta(days=150)


@pytest.mark.parametrize(
    ("season", "day"),
    # Pencil and paper: 56 days before 1 October is 6 August; before 1 February, 7 December of the year before.
    [((10, 1), (8, 6)), ((2, 1), (12, 7))],
)
def test_the_plan_s_own_season_is_taken_where_it_gives_one(result, invented, season, day):
    told = replace(result, plan=replace(result.plan, season_starts=season))
    event = icalendar.Calendar.from_ical(reminders_ics(told, made_at=invented.MADE_AT)).walk("VEVENT")[0]
    assert (event.decoded("DTSTART").month, event.decoded("DTSTART").day) == day
    assert "Your plan file says that the fire season starts on" in str(event["DESCRIPTION"])


def test_the_first_reminder_lies_ahead(result, invented):
    for made, first in ((date(2026, 6, 30), date(2026, 7, 1)), (date(2026, 7, 1), date(2027, 7, 1))):
        at = invented.MADE_AT.replace(year=made.year, month=made.month, day=made.day)
        event = icalendar.Calendar.from_ical(reminders_ics(result, made_at=at)).walk("VEVENT")[0]
        assert event.decoded("DTSTART") == first


def test_a_moment_without_offset_is_refused(result, invented):
    for write, what in ((plan_kml, household_scene(result)), (reminders_ics, result)):
        with pytest.raises(InputError, match="UTC offset"):
            write(what, made_at=invented.MADE_AT.replace(tzinfo=None))


# --- printing ----------------------------------------------------------------------------------------------------


def test_without_a_browser_it_says_how_to_mend_it_and_writes_nothing(result, invented, tmp_path, monkeypatch):
    monkeypatch.setattr(printed.shutil, "which", lambda _name: None)
    monkeypatch.setattr(printed, "_usual_places", lambda: iter([tmp_path / "not there"]))
    with pytest.raises(InputError) as caught:
        write_result(result, tmp_path / "new", made_at=invented.MADE_AT, pdf=True)
    (fault,) = caught.value.faults
    assert fault.place == "--pdf"
    for word in ("install", "--browser", "plan.html"):
        assert word in fault.mend
    assert not (tmp_path / "new").exists()


def program(path: Path, text: str) -> Path:
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_where_a_browser_prints_nothing_the_rest_of_the_new_answer_stands(result, invented, tmp_path):
    out, anew = tmp_path / "out", replace(result, timetable=())
    write_result(result, out, made_at=invented.MADE_AT)
    (out / "plan.pdf").write_bytes(b"of the earlier answer")
    alone = write_result(anew, tmp_path / "alone", made_at=invented.MADE_AT)
    broken = program(tmp_path / "broken", "echo 'no display for you' >&2")
    with pytest.raises(InputError, match="broken printed no PDF \\(no display for you\\)"):
        write_result(anew, out, made_at=invented.MADE_AT, pdf=True, browser=broken)
    assert {path.name for path in out.iterdir()} == set(alone)
    for name in ("timetable.csv", "plan.html", "result.json"):
        assert (out / name).read_bytes() == alone[name].read_bytes(), name


def test_the_browser_is_kept_from_the_network_and_its_traces_are_taken_away(tmp_path):
    told = tmp_path / "told"
    script = (
        f'for word in "$@"; do echo "$word" >> {told}; case "$word" in --print-to-pdf=*) '
        'printf "%%PDF-1.7" > "${word#--print-to-pdf=}";; esac; done'
    )
    out = tmp_path / "out"
    out.mkdir()
    print_page("<p>words</p>", out / "plan.pdf", browser=program(tmp_path / "browser", script))
    assert [path.name for path in out.iterdir()] == ["plan.pdf"]
    words = told.read_text(encoding="utf-8").splitlines()
    assert "--host-resolver-rules=MAP * ~NOTFOUND" in words
    assert "--disable-background-networking" in words
    assert any(word.startswith(f"--user-data-dir={out.resolve()}") for word in words)
    assert words[-1].startswith("file://")


def test_an_old_print_does_not_stay_beside_an_answer_that_is_not_printed(result, invented, tmp_path):
    (tmp_path / "plan.pdf").write_bytes(b"%PDF-1.7 of last year")
    written = write_result(result, tmp_path, made_at=invented.MADE_AT)
    assert "plan.pdf" not in written
    assert not (tmp_path / "plan.pdf").exists()


def test_a_program_that_is_named_but_not_there_is_refused():
    with pytest.raises(InputError, match="--browser: no-such-browser"):
        find_browser(Path("no-such-browser"))


@pytest.mark.parametrize(
    ("words", "place"),
    [
        (["--pdf", "--browser", "no-such-browser"], "no-such-browser is not a program"),
        (["--browser", "x"], "--pdf beside"),
    ],
)
def test_the_command_line_refuses_before_it_computes(words, place, tmp_path, capsys):
    assert main(["demo", *words, "--out", str(tmp_path / "out")]) == 2
    assert place in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out").exists()


# --- the community's files ---------------------------------------------------------------------------------------


def surveyed(word: str) -> StreetSurvey:
    """A main road, and a lane of that name with two homes of that name behind it; a gated track might be opened."""
    east, north = 500_000.0, 5_900_000.0
    lines = [
        [(east + x_m, north + y_m) for x_m, y_m in line]
        for line in ([(0, 0), (500, 0)], [(500, 0), (900, 0)], [(500, 0), (500, 400)], [(500, 400), (900, 0)])
    ]
    tags = [{"highway": "primary"}] * 2 + [{"highway": "residential"}, {"highway": "track", "barrier": "gate"}]
    streets = street_table(
        network_from_lines(lines, crs="EPSG:32755", names=["Valley Road", word, word, ""], tags=tags)
    )
    homes = Homes((word, f"{word} 2"), np.full(2, east + 510.0), north + np.array([250.0, 350.0]), np.ones(2))
    return survey(StreetQuestion(streets, place_homes(homes, streets), exits=np.array([0, 2]), supposed=(word,)))


@pytest.fixture(scope="module", params=list(NAMES))
def community(request, tmp_path_factory, invented) -> tuple[str, dict[str, Path]]:
    word = NAMES[request.param]
    out = tmp_path_factory.mktemp("streets")
    return word, write_streets(surveyed(word), out, made_at=invented.MADE_AT)


def test_names_stay_names_on_the_streets_page(community, invented):
    word, files = community
    page = Shown(files["streets.html"].read_text(encoding="utf-8"))
    # No other tags than with a plain name, but that a long name takes another line.
    plain = Shown(streets_page(surveyed("Mill Lane"), made_at=invented.MADE_AT))
    assert set(page.tags) == set(plain.tags)
    assert page.tags.count("script") == 1
    for tag in ("table", "tr", "td", "section", "path", "li"):
        assert page.tags.count(tag) == plain.tags.count(tag), tag
    assert clean(word)[:40].strip() in page.words
    assert not re.search("[\x00\x07\x1b\x85\u202e]", page.words)


def test_names_stay_names_in_the_streets_table(community):
    word, files = community
    rows = list(csv.reader(io.StringIO(files["streets.csv"].read_text(encoding="utf-8"))))
    assert len({len(row) for row in rows}) == 1
    assert any(clean(word, 120) in cell for row in rows for cell in row)
    for row in rows[1:]:
        for cell in row:
            assert not re.search(r"[\x00-\x1f\x7f-\x9f\u202e]", cell)
            if not re.fullmatch(r"-?[\d.]+", cell):
                assert not cell.lstrip().startswith(("=", "+", "-", "@"))


def test_names_stay_names_in_the_street_layers(community):
    word, files = community
    path = files["streets.gpkg"]
    assert clean(word) in pyogrio.read_dataframe(path, layer="single_exit_streets", use_arrow=False)["name"].tolist()
    homes = pyogrio.read_dataframe(path, layer="homes", use_arrow=False)["identity"].tolist()
    assert homes == [clean(word, 120), clean(f"{word} 2", 120)]
    for layer, _ in pyogrio.list_layers(path):
        about = pyogrio.read_info(path, layer=layer)
        assert about["layer_metadata"]["OVERRIDE"] == OVERRIDE
        assert about["crs"] == (None if layer == STYLES_TABLE else "EPSG:32755")


def test_names_stay_names_in_the_streets_record(community):
    word, files = community
    record = json.loads(files["streets.json"].read_text(encoding="utf-8"))
    assert next(iter(record.values())) == OVERRIDE
    assert clean(word) in record["assumptions"]
