from __future__ import annotations

import contextlib
import csv
import html
import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pyogrio
import pytest
import rasterio
from icalendar import Calendar
from pyproj import CRS, Geod, Transformer

from leaveby import cli
from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import TimetableRow
from leaveby.errors import InputError, NotWrittenError
from leaveby.files.write import outputs
from leaveby.files.write.layers import STYLES_TABLE
from leaveby.files.write.map_file import route_gpx
from leaveby.files.write.outputs import NODATA, plain_cell, timetable_csv, write_result
from leaveby.show.in_python import html_of
from leaveby.show.plan.record import result_record
from leaveby.show.scene import household_scene
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import today_words

SLD, SE, OGC = (f"{{http://www.opengis.net/{name}}}" for name in ("sld", "se", "ogc"))
GPX = "{http://www.topografix.com/GPX/1/1}"
NAMES = {
    "arrival.tif",
    "lead_time.tif",
    "result.json",
    "plan.html",
    "report.html",
    "layers.gpkg",
    "plan.kml",
    "route.gpx",
    "timetable.csv",
    "reminders.ics",
}


@pytest.fixture(scope="module")
def result(invented):
    return invented.invented_result()


@pytest.fixture(scope="module")
def written(result, invented, tmp_path_factory):
    return write_result(result, tmp_path_factory.mktemp("answer") / "new", made_at=invented.MADE_AT)


def test_every_file_is_written_and_nothing_else_stays(written):
    assert set(written) == NAMES
    folder = written["result.json"].parent
    assert {path.name for path in folder.iterdir()} == NAMES
    assert all(path.stat().st_size > 0 for path in written.values())


def test_the_record_on_disk_starts_with_the_override_statement(written):
    record = json.loads(written["result.json"].read_text(encoding="utf-8"))
    assert next(iter(record.values())) == OVERRIDE


def test_writing_again_gives_the_same_bytes(written, invented, tmp_path):
    again = write_result(invented.invented_result(), tmp_path, made_at=invented.MADE_AT)
    for name in NAMES - {"layers.gpkg"}:
        assert again[name].read_bytes() == written[name].read_bytes(), name


def test_every_layer_opens_with_reference_system_override_and_notice(written, invented):
    layers = {name for name, _ in pyogrio.list_layers(written["layers.gpkg"])}
    drawn = {"home", "safe_points", "ignitions", "routes", "streets", "isochrones", "triggers", "which_way"}
    assert layers == {*drawn, STYLES_TABLE}
    for layer in layers:
        about = pyogrio.read_info(written["layers.gpkg"], layer=layer)
        if layer in drawn:
            assert CRS.from_user_input(about["crs"]) == CRS.from_user_input(invented.CRS)
        assert about["layer_metadata"]["OVERRIDE"] == OVERRIDE
        assert about["layer_metadata"]["NOTICE"] == OSM_NOTICE
        assert about["dataset_metadata"]["OVERRIDE"] == OVERRIDE


def test_every_layer_brings_a_look_for_each_of_its_things(written):
    # The columns that desktop programs ask for: common practice, no source. Elements of Symbology Encoding 1.1
    # (OGC 05-077r4) and Styled Layer Descriptor 1.1 (05-078r4): from memory.
    looks = pyogrio.read_dataframe(written["layers.gpkg"], layer=STYLES_TABLE, use_arrow=False).set_index(
        "f_table_name"
    )
    names = {str(name) for name, _ in pyogrio.list_layers(written["layers.gpkg"])} - {STYLES_TABLE}
    assert set(looks.index) == names
    assert set(looks["useAsDefault"]) == {True}
    assert set(looks["f_geometry_column"]) == {"geom"}
    assert set(looks["f_table_schema"]) == {""}
    for name in names:
        table = pyogrio.read_dataframe(written["layers.gpkg"], layer=name, use_arrow=False)
        sld = ElementTree.fromstring(looks.loc[name, "styleSLD"])
        assert sld.findtext(f"{SLD}NamedLayer/{SE}Name") == name
        rules = {rule.findtext(f".//{OGC}Literal"): rule for rule in sld.iter(f"{SE}Rule")}
        document = ElementTree.fromstring(looks.loc[name, "styleQML"])
        classes = {one.get("value"): one for one in document.iter("category")}
        assert set(table["symbol"]) == set(rules) == set(classes)
        assert document.find("renderer-v2").get("attr") == "symbol"
        for kind in table["symbol"]:
            assert classes[kind].get("label") == rules[kind].findtext(f"{SE}Description/{SE}Title")
            sign = document.find(f"renderer-v2/symbols/symbol[@name='{classes[kind].get('symbol')}']")
            # The same colours in both, and those of the one table.
            colours = {option.get("value") for option in sign.iter("Option") if "color" in option.get("name", "")}
            told = {part.text for part in rules[kind].iter(f"{SE}SvgParameter") if part.text.startswith("#")}
            numbers = {",".join(str(int(one[at : at + 2], 16)) for at in (1, 3, 5)) + ",255" for one in told}
            assert numbers == colours
            assert told <= {SYMBOLS[kind].colour, SYMBOLS[kind].fill}
        drawn = {"LineString": "Line", "Point": "Point", "Polygon": "Polygon"}
        wanted = {drawn[kind.removeprefix("Multi")] for kind in table.geom_type}
        assert {part.tag for rule in rules.values() for part in rule if "Symbolizer" in part.tag} == {
            f"{SE}{kind}Symbolizer" for kind in wanted
        }


def test_a_ring_is_a_safe_point_and_a_square_a_last_resort_in_the_layers_too(written):
    looks = pyogrio.read_dataframe(written["layers.gpkg"], layer=STYLES_TABLE, use_arrow=False).set_index(
        "f_table_name"
    )
    sld = ElementTree.fromstring(looks.loc["safe_points", "styleSLD"])
    signs = {
        rule.findtext(f".//{OGC}Literal"): rule.findtext(f".//{SE}WellKnownName") for rule in sld.iter(f"{SE}Rule")
    }
    assert signs == {"safe_point": "circle", "last_resort": "square"}


def test_streets_carry_closing_times_as_text_and_as_minutes(written, result):
    streets = pyogrio.read_dataframe(written["layers.gpkg"], layer="streets", use_arrow=False)
    assert len(streets) == result.network.edge_count
    for row, closing_s in zip(streets.itertuples(), result.closing_s, strict=True):
        if np.isfinite(closing_s):
            assert row.shuts_after_start_min <= closing_s / 60.0 < row.shuts_after_start_min + 0.11
            at = datetime.fromisoformat(row.shuts_at_iso)
            assert 0.0 <= (result.start - at).total_seconds() + closing_s < 60.0
        else:
            assert np.isnan(row.shuts_after_start_min)
            assert not isinstance(row.shuts_at_iso, str)


def test_number_columns_name_their_unit(written):
    # Text, identifiers and shares apart, every column ends in its unit.
    for layer in {name for name, _ in pyogrio.list_layers(written["layers.gpkg"])} - {STYLES_TABLE}:
        about = pyogrio.read_info(written["layers.gpkg"], layer=layer)
        for field, kind in zip(about["fields"], about["dtypes"], strict=True):
            if kind != "object":
                assert re.search(r"(_m|_min|_share|_id|^edge)$", field), f"{layer}.{field}"


@pytest.mark.parametrize("name", ["arrival.tif", "lead_time.tif"])
def test_rasters_are_north_up_with_reference_system_units_and_override(written, name, invented):
    with rasterio.open(written[name]) as raster:
        assert raster.crs == rasterio.crs.CRS.from_user_input(invented.CRS)
        assert raster.transform.e < 0.0 < raster.transform.a
        assert raster.transform.b == raster.transform.d == 0.0
        assert (raster.bounds.left, raster.bounds.top) == (invented.GRID.x_min_m, invented.GRID.y_max_m)
        assert raster.nodata == NODATA
        assert raster.tags()["OVERRIDE"] == OVERRIDE
        assert set(raster.units) == {"min"}
        assert set(raster.dtypes) == {"float32"}
        assert all(raster.descriptions)


def test_arrival_in_minutes_is_never_later_than_computed(written, result):
    with rasterio.open(written["arrival.tif"]) as raster:
        minutes = raster.read(1).astype(np.float64)
    exact = result.fire.arrival.time_s / 60.0
    came = np.isfinite(exact)
    assert np.array_equal(minutes == NODATA, ~came)
    assert np.all(minutes[came] <= exact[came])
    assert np.allclose(minutes[came], exact[came], atol=1e-3)


def test_lead_time_has_a_band_for_each_way(written):
    with rasterio.open(written["lead_time.tif"]) as raster:
        assert [words.rsplit(" ", 1)[1] for words in raster.descriptions] == ["tow", "car"]


def test_the_route_file_says_when_it_was_made_and_what_overrides_it(written):
    # That it keeps to the published schema is checked in test_exports.py.
    root = ElementTree.fromstring(written["route.gpx"].read_bytes())
    assert root.get("version") == "1.1"
    assert root.findtext(f"{GPX}metadata/{GPX}time") == "2025-11-02T22:15:30Z"
    assert OVERRIDE in (root.findtext(f"{GPX}metadata/{GPX}desc") or "")


def test_the_tracks_lie_on_the_ground_where_the_routes_do(written, result, invented):
    # Geodesic lengths by PROJ on the WGS 84 ellipsoid; the map projection stretches by less than 1 in 500 here.
    root = ElementTree.fromstring(written["route.gpx"].read_bytes())
    tracks = root.findall(f"{GPX}trk")
    assert len(tracks) == 3
    geod = Geod(ellps="WGS84")
    for track, way in zip(tracks, ("tow", "car", "foot"), strict=True):
        points = [(float(p.attrib["lon"]), float(p.attrib["lat"])) for p in track.iter(f"{GPX}trkpt")]
        lon_deg, lat_deg = zip(*points, strict=True)
        assert geod.line_length(lon_deg, lat_deg) == pytest.approx(result.ways[way].route.length_m, rel=0.002)
        home = Transformer.from_crs(invented.CRS, "EPSG:4326", always_xy=True).transform(*result.home_xy_m)
        assert points[0] == pytest.approx(home, abs=1e-6)


def test_home_and_every_safe_point_are_waypoints(written, result):
    root = ElementTree.fromstring(written["route.gpx"].read_bytes())
    names = [point.findtext(f"{GPX}name") for point in root.findall(f"{GPX}wpt")]
    assert names == ["Home", *(point.name for point in result.plan.safe_points)]


def test_the_timetable_starts_with_the_override_statement(written):
    rows = list(csv.DictReader(io.StringIO(written["timetable.csv"].read_text(encoding="utf-8"))))
    assert rows[0]["kind"] == "override"
    assert rows[0]["sentence"] == OVERRIDE
    assert rows[1]["at_iso"] == "2026-01-17T12:45+11:00"
    assert rows[1]["after_start_min"] == "5"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum(a1)", "\t=1+1", " =cmd|' /C calc'!A0", "\r=1", "\u202e=1"])
def test_no_cell_can_be_read_as_a_formula(result, text):
    # Characters that spreadsheets take as the start of a formula: common practice, no source.
    assert plain_cell(text)[0] == "'"
    row = TimetableRow(60.0, text, text)
    changed = replace(result, timetable=(row,))
    for cells in csv.reader(io.StringIO(timetable_csv(changed))):
        assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for cell in cells)


def test_names_with_markup_stay_text_in_the_route_file(invented):
    name = "<b>Tolmer</b> & ]]> \x00\x1b"
    root = ElementTree.fromstring(
        route_gpx(household_scene(invented.invented_result(name=name)), made_at=invented.MADE_AT)
    )
    assert root.findtext(f"{GPX}metadata/{GPX}name") == "Ways out: <b>Tolmer</b> & ]]>"


@pytest.mark.parametrize("broken", ["report_page", "write_geopackage", "write_arrival", "timetable_csv"])
def test_nothing_is_left_when_a_file_fails(result, invented, tmp_path, monkeypatch, broken):
    def fail(*_args, **_kwargs):
        raise RuntimeError("no")

    monkeypatch.setattr(outputs, broken, fail)
    with pytest.raises((RuntimeError, NotWrittenError), match="no"):
        write_result(result, tmp_path / "new", made_at=invented.MADE_AT)
    assert not (tmp_path / "new").exists()


def test_an_earlier_answer_stays_when_the_new_one_fails(result, invented, tmp_path, monkeypatch):
    first = write_result(result, tmp_path, made_at=invented.MADE_AT)
    before = {name: path.read_bytes() for name, path in first.items()}

    def fail(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(outputs, "write_lead_time", fail)
    with pytest.raises(InputError, match="No space left"):
        write_result(replace(result, timetable=()), tmp_path, made_at=invented.MADE_AT)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_folder_that_cannot_be_made_is_an_input_error(result, invented, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(InputError) as caught:
        write_result(result, blocked / "under", made_at=invented.MADE_AT)
    assert "--out" in caught.value.faults[0].mend


def test_what_an_answer_has_not_does_not_stay_from_an_earlier_one(result, invented, tmp_path):
    write_result(result, tmp_path, made_at=invented.MADE_AT)
    bare = replace(invented.without_fire(result), rules=invented.invented_rules(lines=()))
    assert set(write_result(bare, tmp_path, made_at=invented.MADE_AT)) == {path.name for path in tmp_path.iterdir()}
    assert {path.name for path in tmp_path.iterdir()} == NAMES - {"lead_time.tif", "arrival.tif", "timetable.csv"}


# --- what the day's own rule says, and plans without a fire ---------------------------------------------------------


CLOCK = re.compile(r"\b\d\d:\d\d\b(?! to \d\d:)")


def said_by(result, invented, folder):
    """What people read, by output, from its beginning: plain text."""
    paths = write_result(result, folder, made_at=invented.MADE_AT)
    stream = io.StringIO()
    with contextlib.redirect_stdout(stream):
        cli._say_result(result, {})
    texts = {name: paths[name].read_text(encoding="utf-8") for name in ("plan.kml", "route.gpx")}
    texts = {name: html.unescape(html.unescape(text)) for name, text in texts.items()}
    for name in ("plan.html", "report.html"):
        page = re.sub(r"<style>.*?</style>", "", paths[name].read_text(encoding="utf-8"), flags=re.DOTALL)
        texts[name] = html.unescape(re.sub(r"<[^>]+>", "\n", page[page.index("<body>") :]))
    texts["notebook"] = html.unescape(re.sub(r"<[^>]+>", "\n", html_of(result)))
    texts["terminal"] = " ".join(stream.getvalue().split())
    record = json.loads(paths["result.json"].read_text(encoding="utf-8"))
    texts["result.json"] = "\n".join(words_of(record))
    calendar = Calendar.from_ical(paths["reminders.ics"].read_bytes())
    texts |= {f"reminder {n}": str(part["description"]) for n, part in enumerate([calendar, *calendar.events])}
    if "timetable.csv" in paths:
        rows = csv.DictReader(io.StringIO(paths["timetable.csv"].read_text(encoding="utf-8")))
        texts["timetable.csv"] = "\n".join(row["sentence"] for row in rows)
    return texts


def words_of(part):
    if isinstance(part, dict):
        return [word for value in part.values() for word in words_of(value)]
    if isinstance(part, list):
        return [word for value in part for word in words_of(value)]
    return [part] if isinstance(part, str) else []


def test_what_the_days_own_rule_says_comes_right_after_the_override_statement(result, invented, tmp_path):
    changed = replace(result, rules=invented.invented_rules(before=("tow", "car")))
    said = today_words(changed)
    assert "the house goes and you go by car the evening before" in said
    texts = said_by(changed, invented, tmp_path)
    assert not CLOCK.search(texts.pop("plan.html"))  # the sheet has nothing of the plan's own day to be read against it
    assert len(texts) >= 9
    for name, text in texts.items():
        before, found, _ = text.partition(said)
        assert found, name
        before = before[before.index(OVERRIDE) + len(OVERRIDE) :]
        if name == "result.json":
            before = before.replace(PLANNING_AID, "").replace(invented.MADE_AT.isoformat(timespec="seconds"), "")
        assert not before.strip(), (name, before)


OF_CLOSING = (
    *("shuts at", "shuts from", "not shut", "computed to shut", "street to shut", "no closing", "of 100 such days"),
    *("not computed", "within the hours", "where the fire starts", "middling day"),
)


def test_without_a_fire_no_output_names_a_time_or_says_when_a_road_shuts(result, invented, tmp_path):
    bare = invented.without_fire(result)
    for name, text in said_by(bare, invented, tmp_path).items():
        for made in (invented.MADE_AT, invented.MADE_AT.astimezone(UTC)):
            text = text.replace(made.isoformat(timespec="seconds"), "").replace(made.strftime("%Y-%m-%d %H:%M"), "")
            text = text.replace(made.strftime("%Y-%m-%dT%H:%M:%SZ"), "")
        assert not CLOCK.findall(text), name
        assert OVERRIDE in text, name
        for words in OF_CLOSING:
            assert words not in text.lower(), (name, words)


def test_the_record_without_a_fire_keeps_to_its_schema_and_holds_no_time_of_that_day(result, invented):
    schema = json.loads(files("leaveby.show.plan").joinpath("result.schema.json").read_text(encoding="utf-8"))
    record = result_record(invented.without_fire(result), made_at=invented.MADE_AT)
    jsonschema.validate(record, schema)
    assert record["fire"] is None
    assert record["scenario"]["start"] is None
    text = json.dumps(record | {"made_at": ""})
    assert invented.START.date().isoformat() not in text
    assert result_record(result, made_at=invented.MADE_AT)["rules"] == record["rules"]
