"""`leaveby new`: from a point and the files at hand to a plan that can be answered, or one thing to change.

That latitude is named first, that south and west are negative or have their letters, and that an O is east in German
and west in French: common practice, no source. A knot is 1.852 km/h and a mile 1.609344 km, exactly (from memory of the
SI brochure and of the international yard); degrees Fahrenheit by their definition.
"""

from __future__ import annotations

import builtins
import json
import math
import shutil
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st

from leaveby.ask import new_given, new_place
from leaveby.ask.household import check_household, demo_folder, load_plan
from leaveby.ask.new_given import (
    NEW,
    countries_near,
    day_of,
    fuel_of,
    people_of,
    point_of,
    region_of,
    wanted_from,
    ways_of,
)
from leaveby.caution import OVERRIDE
from leaveby.cli import main
from leaveby.errors import InputError
from leaveby.files.read.grids import LEVEL
from leaveby.household.plan import Plan
from leaveby.household.plan_places import nearest_km
from leaveby.show.templates import quoted

DEMO, DATA = demo_folder(), Path(__file__).parent / "data"
HOME = "-36.12910, 148.94240"
ASKED: dict[str, str | None] = {
    "home": HOME,
    "ways": "car",
    "people": "Ines, Bo, Wren*",
    "roads": str(DEMO / "roads.osm"),
    "terrain": str(DEMO / "terrain.tif"),
    "fuel": str(DEMO / "fuel.tif"),
    "fuel-legend": str(DEMO / "fuel_legend.csv"),
    "bad-day": "40 C, 10 %, 50 km/h, NW",
}
ANDORRA: dict[str, str | None] = {
    "home": "42.5758 N, 1.4787 E",
    "region": "Andorra",
    "ways": "tow,car,foot",
    "people": "Nela",
    "roads": str(DATA / "andorra_drive.osm.bz2"),
    "terrain": str(DATA / "andorra_dem.tif"),
    "fuel": str(DATA / "andorra_landcover.gpkg"),
    "fuel-column": "c",
    "weather": str(DATA / "andorra_weather.csv"),
}


def words(folder: Path, asked: dict[str, str | None], *more: str) -> list[str]:
    """The words of the command; an option of None has no value, and one of "-" is left out."""
    options = [
        word for name, value in asked.items() if value != "-" for word in (f"--{name}", value) if word is not None
    ]
    return ["new", str(folder), *options, *more]


COMPASS = {"N": "north", "S": "south", "E": "east", "W": "west"}


# --- points --------------------------------------------------------------------------------------------------------


def _decimal(size: float, letter: str) -> tuple[str, str, str]:
    sign = "-" if letter in "SW" else ""
    return f"{sign}{size:.6f}", f"{size:.6f}{letter}", f"{letter}{size:.6f}"


def _sexagesimal(size: float, letter: str) -> tuple[str, str, str]:
    seconds_in_all = round(size * 3600.0, 2)
    degrees, rest = divmod(seconds_in_all, 3600.0)
    minutes, seconds = divmod(rest, 60.0)
    whole = f"{degrees:.0f}", f"{minutes:02.0f}", f"{seconds:05.2f}"
    return (
        "{}°{}'{}\"".format(*whole) + letter,
        "{}° {}′ {}″ ".format(*whole) + letter,
        "{} {} {} ".format(*whole) + letter,
    )


@given(
    st.floats(-89.9, 89.9).map(lambda value: round(value, 6)),
    st.floats(-179.9, 179.9).map(lambda value: round(value, 6)),
)
def test_a_point_is_read_back_however_it_is_written(lat_deg: float, lon_deg: float) -> None:
    north, east = "S" if lat_deg < 0 else "N", "W" if lon_deg < 0 else "E"
    lat, lon = _decimal(abs(lat_deg), north), _decimal(abs(lon_deg), east)
    dms_lat, dms_lon = _sexagesimal(abs(lat_deg), north), _sexagesimal(abs(lon_deg), east)
    minus = lat[0].replace("-", "−"), lon[0].replace("-", "−")
    pieces = [part.partition(".") for part in (lat[0], lon[0])]
    comma = [f"{whole},{rest}" for whole, _, rest in pieces]
    written = [
        *(f"{lat[0]}{between}{lon[0]}" for between in (", ", ",", " ", "; ", " / ", "  ")),
        ", ".join(minus),
        f"({lat[0]}, {lon[0]})",
        f"geo:{lat[0]},{lon[0]}",
        f"lat: {lat[0]}, lon: {lon[0]}",
        f"lon={lon[0]}&lat={lat[0]}",
        f"https://maps.example/#map=15/{lat[0]}/{lon[0]}",
        f"https://maps.example/@{lat[0]},{lon[0]},15z",
        "; ".join(comma),
        " ".join(comma),
        *(f"{a} {b}" for a, b in zip(lat[1:], lon[1:], strict=True)),
        f"{lon[1]}, {lat[1]}",
        f"{lon[2]} {lat[2]}",
        f"{abs(lat_deg):.6f} degrees {COMPASS[north]}, {abs(lon_deg):.6f}° {COMPASS[east].title()}",
        *(f"{a}, {b}" for a, b in zip(dms_lat, dms_lon, strict=True)),
        *(f"{a} {b}" for a, b in zip(dms_lat, dms_lon, strict=True)),
        f"{dms_lon[0]} {dms_lat[0]}",
    ]
    for text in written:
        lon_read, lat_read = point_of(text)
        assert lat_read == pytest.approx(lat_deg, abs=2e-6), text
        assert lon_read == pytest.approx(lon_deg, abs=2e-6), text


@given(st.text(alphabet="0123456789.,;NSEWO°'\"-+ dms/", max_size=30))
def test_what_is_no_point_is_refused_and_never_breaks(text: str) -> None:
    try:
        lon_deg, lat_deg = point_of(text)
    except InputError:
        return
    assert abs(lat_deg) <= 90.0
    assert abs(lon_deg) <= 180.0


def test_a_letter_is_never_lost() -> None:
    assert point_of("36d07m44.8S 148d56m32.6E") == pytest.approx((148.94239, -36.12911), abs=1e-4)
    assert point_of("36d07m44.8s S 148d56m32.6s E") == pytest.approx((148.94239, -36.12911), abs=1e-4)
    for one_letter in ("36.1291 S, 148.9424", "36.1291 E148.9424", "36.1291, 148.9424 E"):
        with pytest.raises(InputError, match="both letters"):
            point_of(one_letter)


# --- the country, the bad day, the names ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lon_deg", "lat_deg", "country"),
    [(11.58, 49.95, "DE"), (12.99, 55.60, "SE"), (1.48, 42.58, "AD"), (7.36, 43.78, "FR"), (-8.0, 37.1, "PT")],
)
def test_near_a_border_the_country_is_asked_and_the_right_one_among_the_named(
    lon_deg: float, lat_deg: float, country: str
) -> None:
    """Bayreuth, Malmoe, Andorra, Menton, the Algarve (an atlas, from memory)."""
    near = countries_near((lon_deg, lat_deg))
    assert len(near) > 1
    assert country in near


@given(st.floats(141.5, 149.0), st.floats(-37.0, -31.0))
def test_far_from_borders_the_country_is_guessed(lon_deg: float, lat_deg: float) -> None:
    assert countries_near((lon_deg, lat_deg)) == ("AU",)


def test_without_a_table_of_zones_the_country_is_asked_and_the_clock_goes_by_the_sun(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(new_given, "_zones", tuple)
    assert main(words(tmp_path / "new", ASKED)) == 2
    assert "--region: is missing" in " ".join(capsys.readouterr().err.split())
    offset = new_given.clock_of((148.9, -36.1), region="AU").utcoffset(None)
    assert offset is not None
    assert offset.total_seconds() == 10 * 3600


@given(st.floats(0.0, 60.0).map(lambda value: round(value, 1)))
def test_a_wind_in_another_unit_is_answered_with_the_number_to_write(knots: float) -> None:
    for unit, in_km_h in (("knots", 1.852), ("mph", 1.609344), ("m/s", 3.6)):
        with pytest.raises(InputError) as refused:
            day_of(f"40, 10, {knots} {unit}, NW")
        assert refused.value.faults[0].mend == f"write {math.ceil(in_km_h * knots)} km/h"
    with pytest.raises(InputError, match="write 40 degrees C"):
        day_of("104 F, 10, 50, NW")


@pytest.mark.parametrize(
    ("said", "deg"),
    [("N", 0), ("from NNE", 22.5), ("east", 90), ("south-west", 225), ("North West", 315), ("300°", 300)],
)
def test_where_the_wind_comes_from(said: str, deg: float) -> None:
    assert day_of(f"40 °C; 10 %; 50 km/h; {said}") == (40.0, 10.0, 50.0, deg)


@pytest.mark.parametrize("day", ["100 F, 12 %, 40 mph from NE", "38 C, 12 %, 65 km/h, NE"])
def test_where_the_country_is_not_known_units_are_no_fault(day: str) -> None:
    with pytest.raises(InputError) as caught:
        wanted_from({"home": "37.82, -122.23", "bad_day": day}, ask=None)
    assert "--home" in {one.place for one in caught.value.faults}
    assert "--bad-day" not in {one.place for one in caught.value.faults}


def test_every_example_of_a_question_can_be_answered_so() -> None:
    readers: dict[str, Callable[[str], object]] = {
        "home": point_of,
        "region": region_of,
        "ways": ways_of,
        "people": people_of,
        "fuel": fuel_of,
        "bad_day": day_of,
    }
    for name, read in readers.items():
        assert read(NEW["asked"][name]["example"].strip('"'))


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_is_the_same_in_the_plan(text: str) -> None:
    assert tomllib.loads(f"name = {quoted(text)}")["name"] == text


# --- the plan ------------------------------------------------------------------------------------------------------


def made(folder: Path, asked: dict[str, str | None], *more: str) -> Plan:
    assert main(words(folder, asked, *more)) == 0
    return load_plan(folder / "plan.toml")


def test_the_written_plan_is_what_was_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "my place"
    plan = made(folder, ASKED | {"ways": "tow,car", "people": 'Ines, Bo "the" Ö\\, Wren*'})
    said = " ".join(capsys.readouterr().out.split())
    assert (plan.home.lon_deg, plan.home.lat_deg) == (148.9424, -36.1291)
    assert [(one.name, bool(one.can)) for one in plan.people] == [
        ("Ines", True),
        ('Bo "the" Ö\\', True),
        ("Wren", False),
    ]
    assert {way for task in plan.tasks for way in task.ways} == {"tow", "car", "shelter"}
    assert plan.roads.region == "AU"
    assert "guessed from the point" in (folder / "plan.toml").read_text(encoding="utf-8")
    assert plan.roads.file == DEMO / "roads.osm"
    assert plan.terrain.file == plan.rules.terrain_file == DEMO / "terrain.tif"
    assert plan.fuel.legend == plan.rules.fuel_legend == DEMO / "fuel_legend.csv"
    assert plan.fire.models == ("dry_eucalypt", "mark5")
    assert not plan.ignitions
    assert not plan.official_sources
    assert plan.season_starts == (10, 1)
    # a village of the demo's map, out of its forest, to which both ways lead
    assert [(one.name, one.ways) for one in plan.safe_points] == [("Quarrel Flat", ("tow", "car"))]
    assert "to be confirmed locally: Quarrel Flat" in said
    assert f"leaveby plan '{folder / 'plan.toml'}'" in said
    table = [row.split(",") for row in (folder / "weather.csv").read_text(encoding="utf-8").splitlines()[3:]]
    assert {tuple(row[1:]) for row in table} == {("40", "10", "50", "315")}
    assert {row[0][-6:] for row in table} == {"+11:00"}  # daylight saving in January in the south-east of Australia
    assert main(["check", str(folder / "plan.toml")]) == 0


def test_nothing_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plan.toml").write_text("mine", encoding="utf-8")
    assert main(words(tmp_path, ASKED)) == 2
    assert "nothing is written over" in " ".join(capsys.readouterr().err.split())
    assert [path.name for path in tmp_path.iterdir()] == ["plan.toml"]
    assert (tmp_path / "plan.toml").read_text(encoding="utf-8") == "mine"


def test_files_in_the_folder_are_named_from_there(tmp_path: Path) -> None:
    folder = tmp_path / "ours"
    folder.mkdir()
    asked = dict(ASKED)
    for name in ("roads", "terrain", "fuel", "fuel-legend"):
        given_file = asked[name]
        assert given_file is not None
        asked[name] = str(shutil.copy(given_file, folder))
    made(folder, asked)
    document = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    assert (document["roads"]["file"], document["terrain"]["file"]) == ("roads.osm", "terrain.tif")
    assert (document["fuel"], document["weather"]["file"]) == (
        {"file": "fuel.tif", "legend": "fuel_legend.csv"},
        "weather.csv",
    )
    moved = tmp_path / "moved"
    folder.rename(moved)
    assert main(["check", str(moved / "plan.toml")]) == 0


def test_tiles_of_heights_are_named_side_by_side(tmp_path: Path) -> None:
    tiles = [str(shutil.copy(DEMO / "terrain.tif", tmp_path / name)) for name in ("one.tif", "two.tif")]
    more = [word for tile in tiles for word in ("--terrain", tile)]
    plan = made(tmp_path / "new", ASKED | {"terrain": "-"}, *more)
    assert plan.terrain.file == plan.rules.terrain_file == tuple(map(Path, tiles))


def test_a_known_map_is_named_by_a_word_and_proposed_where_the_codes_fit_only_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with rasterio.open(DEMO / "fuel.tif") as source:
        codes, profile = source.read(1), source.profile
    with rasterio.open(tmp_path / "cover.tif", "w", **{**profile, "dtype": "int16", "nodata": -1}) as target:
        target.write(np.choose(np.clip(codes, 0, 4), [111, 231, 323, 321, 512]).astype(np.int16), 1)
    asked = ASKED | {"fuel": str(tmp_path / "cover.tif"), "fuel-legend": "-"}
    assert main(words(tmp_path / "new", asked)) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "its codes are all in the known map corine" in said
    assert "add it, with corine for example" in said
    plan = made(tmp_path / "new", asked | {"fuel-legend": "corine", "safe-point": "Quarrel Flat: -36.1415, 148.8583"})
    assert plan.fuel.legend == plan.rules.fuel_legend == Path("corine")
    assert main(["check", str(tmp_path / "new" / "plan.toml")]) == 0
    capsys.readouterr()
    (tmp_path / "new" / "plan.toml").write_text(
        (tmp_path / "new" / "plan.toml").read_text(encoding="utf-8").replace('legend = "corine"\n', "", 1),
        encoding="utf-8",
    )
    assert main(["check", str(tmp_path / "new" / "plan.toml")]) == 2
    assert 'write legend = "corine", the one known map' in " ".join(capsys.readouterr().err.split())


EXPORT = """Datum;Uhrzeit;Temperatur;Feuchte [%];Wind;Windrichtung;Niederschlag
"""


def _export(folder: Path, *, names: str = "") -> Path:
    """Thirty hours of a station as it writes them, in the letters of Windows."""
    more = ";4" * names.count(";")
    lines = [f"{17 + hour // 24}.01.2026;{hour % 24:02d}:00;38,5;12;14,5{more};NW;0" for hour in range(30)]
    text = EXPORT.replace("Wind;", f"Wind{names};") + "\n".join(lines)
    (folder / "export.csv").write_bytes(f"# Höhe 700 m\n{text}".encode("cp1252"))
    return folder / "export.csv"


def test_a_stations_own_export_is_read_and_what_was_taken_stands_in_the_plan(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ASKED | {"weather": str(_export(tmp_path)), "bad-day": "-"}
    plan = made(tmp_path / "new", asked)
    said = " ".join(capsys.readouterr().out.split())
    text = (tmp_path / "new" / "plan.toml").read_text(encoding="utf-8")
    assert dict(plan.weather.columns) == {
        "time": "Uhrzeit",
        "date": "Datum",
        "temperature_c": "Temperatur",
        "relative_humidity_percent": "Feuchte [%]",
        "wind_speed_m_s": "Wind",
        "wind_from_compass": "Windrichtung",
    }
    assert plan.weather.clock == "Australia/Sydney"
    assert plan.weather.time_format == "%d.%m.%Y %H:%M"
    assert text.count("(yours?)\ncolumns = {") == 1
    for line in (
        'wind_speed_m_s is its column "Wind", whose unit it does not name: the one that burns fastest',
        "its clock is Australia/Sydney, that of the place, since it names none (yours?)",
        "it was read as Windows letters (cp1252) (yours?)",
        "its numbers have decimal commas (yours?)",
    ):
        assert line in said
    inputs = check_household(plan)
    assert set(inputs.weather.wind_speed_m_s.ravel()) == {14.5}
    assert set(inputs.weather.wind_from_deg.ravel()) == {315.0}
    assert inputs.weather.start.isoformat() == "2026-01-17T00:00:00+11:00"
    knots = made(tmp_path / "other", asked | {"weather-as": "wind_speed_kn = Wind; clock = +10:00"})
    assert dict(knots.weather.columns)["wind_speed_kn"] == "Wind"
    assert check_household(knots).weather.start.isoformat() == "2026-01-17T00:00:00+10:00"


def test_check_says_the_lines_to_write_for_an_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made(tmp_path / "new", ASKED | {"weather": str(_export(tmp_path, names=" (m/s)")), "bad-day": "-"})
    plan = tmp_path / "new" / "plan.toml"
    lines = plan.read_text(encoding="utf-8").splitlines()
    own = ("columns = ", "clock = ", "time_format = ")
    plan.write_text("\n".join(line for line in lines if not line.startswith(own)), encoding="utf-8")
    capsys.readouterr()
    assert main(["check", str(plan)]) == 2
    mend = " ".join(capsys.readouterr().err.split()).partition("if that is right: ")[2].rstrip(".")
    bare = plan.read_text(encoding="utf-8")
    plan.write_text(bare.replace("[weather]\n", f"[weather]\n{mend.replace('; ', chr(10))}\n"), encoding="utf-8")
    assert main(["check", str(plan)]) == 0


def test_stopped_midway_nothing_is_left(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    for place in ("check_inputs", "write_whole"):
        with monkeypatch.context() as patched:
            patched.setattr(new_place, place, stop)
            assert main(words(tmp_path / "new", ASKED)) == 130
        assert not (tmp_path / "new").exists()


def test_level_ground_is_said_loudly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = made(tmp_path / "new", ASKED | {"terrain": "-", "flat": None}, "--flat")
    assert LEVEL in " ".join(capsys.readouterr().out.split())
    inputs = check_household(plan)
    assert plan.terrain.flat
    assert plan.terrain.file is None
    assert float(abs(inputs.terrain.elevation_m).max()) == 0.0
    assert LEVEL in inputs.assumptions
    assert inputs.wide is not None
    west, south, east, north = inputs.wide.terrain.grid.bounds_m
    assert min(east - west, north - south) >= 2 * plan.rules.radius_m


def test_andorra_with_safe_points_by_hand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A real valley whose extract names no ground: it is said so, and what to write."""
    assert main(words(tmp_path / "new", ANDORRA)) == 2
    assert '--safe-point "NAME: LAT, LON"' in " ".join(capsys.readouterr().err.split())
    by_hand = ("--safe-point", "main valley: 42.5455, 1.5155", "--safe-point", "lower village: 42.5662 N 1.4905 E")
    plan = made(tmp_path / "new", ANDORRA, *by_hand)
    assert [(one.name, one.ways) for one in plan.safe_points] == [
        ("main valley", ("tow", "car")),
        ("lower village", ("foot",)),
    ]
    assert plan.roads.region == "AD"
    # The equations were made for forests of Australia: elsewhere the rule of thumb stands beside them.
    assert plan.fire.models == ("dry_eucalypt", "mark5", "rule_10_percent")
    assert plan.rating_scale == "own"
    assert [one.name for one in plan.ratings] == ["moderate", "high", "very high"]
    assert plan.fuel.column == plan.rules.fuel_column == "c"
    assert plan.weather.file == DATA / "andorra_weather.csv"
    assert max(task.hands for task in plan.tasks) == 1  # one person does the work of two in twice the time
    wheels = next(task for task in plan.tasks if task.name == "refit the wheels")
    assert wheels.likely_s == 2 * 60.0 * next(one for one in NEW["tasks"] if one["name"] == wheels.name)["minutes"][1]
    assert not (tmp_path / "new" / "weather.csv").exists()


def test_places_in_the_forest_off_the_roads_and_off_the_terrain_are_not_proposed(tmp_path: Path) -> None:
    inputs = check_household(DEMO / "plan.toml")
    grid, fuel, home = inputs.terrain.grid, inputs.fuel, (148.9424, -36.1291)
    back = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    around = round(300.0 / grid.cell_m)
    deep = off = None
    for x, y in zip(inputs.network.x_m, inputs.network.y_m, strict=True):
        col, row = int((x - grid.x_min_m) / grid.cell_m), int((grid.y_max_m - y) / grid.cell_m)
        part = fuel.code[max(row - around, 0) : row + around, max(col - around, 0) : col + around]
        place = back.transform(x, y)
        if (
            part.size
            and {fuel.types[code].equation for code in part.ravel()} == {"forest"}
            and nearest_km(home, [place]) > 3.5
        ):
            deep = place
    assert deep is not None
    off = back.transform(grid.x_min_m + 300.0, grid.y_max_m - 300.0)
    added = {"Deep Wood": deep, "Nowhere": off, "Over the Hills": (149.2, -36.1)}
    nodes = "".join(
        f'<node id="{900000 + number}" version="1" lat="{at[1]:.7f}" lon="{at[0]:.7f}"><tag k="place" v="town"/>'
        f'<tag k="name" v="{name}"/></node>'
        for number, (name, at) in enumerate(added.items())
    )
    roads = tmp_path / "roads.osm"
    text = (DEMO / "roads.osm").read_text(encoding="utf-8")
    roads.write_text(text.replace("<node ", f"{nodes}<node ", 1), encoding="utf-8")
    plan = made(tmp_path / "new", ASKED | {"roads": str(roads)})
    assert [one.name for one in plan.safe_points] == ["Quarrel Flat"]


def test_at_a_terminal_what_is_missing_is_asked_one_by_one(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    answers = iter(["Sallow Spur", HOME, "car", "Ines, Bo", "40, 10, 27 knots, NW", "40, 10, 50, NW"])
    questions: list[str] = []

    def ask(question: str) -> str:
        questions.append(question)
        return next(answers)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(builtins, "input", ask)
    missing = dict.fromkeys(("home", "ways", "people", "bad-day"), "-")
    made(tmp_path / "new", ASKED | missing)
    assert len(questions) == 6
    assert "is a name, not a point" in questions[1]
    assert "write 51 km/h" in questions[5]


def test_without_a_terminal_everything_missing_is_named_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "new")]) == 2
    said = " ".join(capsys.readouterr().err.split())
    for option in ("home", "ways", "people", "roads", "terrain", "fuel", "bad-day"):
        assert f"--{option}: is missing" in said
    assert not (tmp_path / "new").exists()


# --- wrong inputs of real people, and the one thing to change ---------------------------------------------------------


def _spreadsheet(folder: Path) -> dict[str, str]:
    (folder / "weather.csv").write_text("time;temperature_c\n2026-01-17T12:00:00+11:00;38,5\n", encoding="utf-8")
    return {"weather": str(folder / "weather.csv"), "bad-day": "-"}


def _no_offset(folder: Path) -> dict[str, str]:
    text = (DEMO / "weather.csv").read_text(encoding="utf-8").replace("+11:00", "")
    (folder / "weather.csv").write_text(text, encoding="utf-8")
    return {"weather": str(folder / "weather.csv"), "bad-day": "-"}


def _a_file(folder: Path) -> dict[str, str]:
    (folder / "new").write_text("", encoding="utf-8")
    return {}


def _a_plan(folder: Path) -> dict[str, str]:
    (folder / "new").mkdir()
    (folder / "new" / "plan.toml").write_text("", encoding="utf-8")
    return {}


def _bounded(folder: Path, change: str) -> dict[str, str]:
    """The demo's roads with an edge 200 m west of the home, and a change to the point."""
    text = (DEMO / "roads.osm").read_text(encoding="utf-8")
    edge = '<bounds minlat="-36.3" minlon="148.5" maxlat="-35.9" maxlon="148.94018"/>'
    (folder / "roads.osm").write_text(text.replace("<node ", f"{edge}<node ", 1), encoding="utf-8")
    return {"roads": str(folder / "roads.osm"), "home": change}


ANDORRA_BY_HAND: dict[str, str] = {name: value for name, value in ANDORRA.items() if value} | {
    "safe-point": "main valley: 42.5455, 1.5155",
    "fuel-legend": "-",
    "bad-day": "-",
}


def _tile(
    folder: Path,
    name: str,
    *,
    cells: Callable[[np.ndarray], np.ndarray] = lambda cells: cells,  # type: ignore[type-arg]
) -> dict[str, str]:
    """A tile of one degree named by its south-west corner."""
    south, west = (int(part[1:]) * (-1 if part[0] in "SW" else 1) for part in (name[:3], name[3:]))
    at = rasterio.Affine(0.01, 0.0, west, 0.0, -0.01, south + 1)
    form = {"driver": "GTiff", "height": 100, "width": 100, "count": 1, "dtype": "int16", "crs": "EPSG:4326"}
    with rasterio.open(folder / f"{name}.tif", "w", transform=at, **form) as target:
        target.write(cells(np.full((100, 100), 500, dtype=np.int16)), 1)
    return {"terrain": str(folder / f"{name}.tif")}


def _relabelled(folder: Path, crs: str) -> dict[str, str]:
    """The demo's heights with the label of another zone."""
    path = shutil.copy(DEMO / "terrain.tif", folder / "terrain.tif")
    with rasterio.open(path, "r+") as target:
        target.crs = crs
    return {"terrain": str(path)}


def _high(folder: Path, times: float) -> dict[str, str]:
    """Real heights of the mountains in another unit, the file saying nothing of it."""
    with rasterio.open(DATA / "andorra_dem.tif") as source:
        high, profile = source.read(1).astype(np.float32), source.profile
    high[high > -1000] *= times
    with rasterio.open(folder / "feet.tif", "w", **{**profile, "dtype": "float32"}) as target:
        target.write(high, 1)
    return {"terrain": str(folder / "feet.tif")}


def _cut_tile(folder: Path) -> dict[str, str]:
    (folder / "S37E148.hgt").write_bytes(bytes(1_000_000))
    return {"terrain": str(folder / "S37E148.hgt")}


def _picture(folder: Path) -> dict[str, str]:
    (folder / "terrain.tif").write_bytes(b"P5\n2 2\n255\n\0\0\0\0")
    return {"terrain": str(folder / "terrain.tif")}


WRONG: dict[str, tuple[Callable[[Path], dict[str, str]] | dict[str, str], str]] = {
    "sign lost": ({"home": "36.12910, 148.94240", "region": "AU"}, "write -36.1291 instead of 36.1291"),
    "sign lost, by the extract": (
        lambda at: _bounded(at, "36.129100, 148.900000") | {"region": "AU"},
        "write -36.1291",
    ),
    "two letters of one kind": ({"home": "36.1291 S 148.9424 S"}, "write both letters"),
    "swapped": ({"home": "148.94240, -36.12910"}, 'write "-36.1291, 148.9424"'),
    "of another continent": ({"home": "48.94240, -36.12910", "region": "AU"}, "take a larger extract"),
    "swapped, in range": (
        {name: value for name, value in ANDORRA.items() if value} | {"home": "1.47870, 42.57580", "bad-day": "-"},
        "longitude and latitude look exchanged: write longitude 1.4787 and latitude 42.5758",
    ),
    "61 minutes": ({"home": "36 61 02 S 148 56 32 E"}, "write it as decimal degrees"),
    "degrees with minutes behind a point": ({"home": "36.5 7 44 S 148 56 32 E"}, "write it as decimal degrees"),
    "decimal commas between commas": ({"home": "-36,1291,148,9424"}, "write decimal points"),
    "the letter O": ({"home": "36.1291 S 148.9424 O"}, "write E or W instead of O"),
    "sign and letter": ({"home": "-36.1291 S, 148.9424 E"}, "write 36.1291 S if that is meant"),
    "a town's name": ({"home": "Quarrel Flat"}, "look the place up on a map"),
    "one number": ({"home": "-36.1291"}, "write the two numbers"),
    "too coarse": ({"home": "-36.1, 148.9"}, "four or more figures"),
    "outside the extract by 200 m": (lambda at: _bounded(at, HOME), "take a larger extract"),
    "extract of the next town": (
        {"roads": str(DATA / "andorra_drive.osm.bz2"), "safe-point": "Q: -36.1415, 148.8583"},
        "take a larger extract, or correct the point",
    ),
    "a town of the same name elsewhere": ({"home": "42.57580, 1.47870", "region": "AU"}, "correct the point"),
    "terrain of elsewhere": ({"terrain": str(DATA / "andorra_dem.tif")}, "give a terrain raster that covers it"),
    "terrain tile of the next degree": (
        lambda at: _tile(at, "S37E149"),
        "correct the place, or add the tile S37E148",
    ),
    "terrain tile with latitude and longitude exchanged": (
        lambda at: ANDORRA_BY_HAND | _tile(at, "N01E042", cells=lambda cells: cells + 1000),
        "or, if the place is right, give the tile N42E001 instead",
    ),
    "terrain of another zone": (lambda at: _relabelled(at, "EPSG:32754"), "write EPSG:32755"),
    "terrain in feet": (
        lambda at: ANDORRA_BY_HAND | _high(at, 3.28084),
        "those in feet times 0.3048",
    ),
    "terrain tile that was cut": (lambda at: _cut_tile(at), "fetch or unpack it once more, and keep its name"),
    "terrain that is a picture": (lambda at: _picture(at), "give a raster in one of these forms"),
    "fuel of another map than was said": ({"fuel-legend": "corine"}, "make a table with the columns value,fuel_type"),
    "roads file misspelt": ({"roads": str(DEMO / "road.osm")}, "roads.osm"),
    "roads are a folder": ({"roads": str(DEMO)}, "is a folder"),
    "roads are a weather table": (
        {"roads": str(DEMO / "weather.csv"), "safe-point": "Q: -36.1415, 148.8583"},
        "weather.csv",
    ),
    "legend missing": ({"fuel-legend": "-"}, "--fuel-legend: is missing"),
    "column missing": ({"fuel": str(DATA / "andorra_landcover.gpkg"), "fuel-legend": "-"}, "--fuel-column: is missing"),
    "column misspelt": (
        {
            "fuel": str(DATA / "andorra_landcover.gpkg"),
            "fuel-column": "cc",
            "fuel-legend": "-",
            "safe-point": "Q: -36.1415, 148.8583",
        },
        'write "c" if that was meant',
    ),
    "unknown fuel": (
        {"fuel": "dry eucalypt forrest", "fuel-legend": "-"},
        'write "dry eucalypt forest" if that was meant',
    ),
    "no people": ({"people": " , "}, "--people"),
    "nobody takes tasks": ({"people": "Wren*, Kit*"}, "without the *"),
    "unknown way": ({"ways": "cart"}, 'write "car" if that was meant'),
    "humidity of 140 %": ({"bad-day": "40, 140 %, 50, NW"}, "1 to 100 %"),
    "wind in knots": ({"bad-day": "40, 10, 27 knots, NW"}, "write 51 km/h"),
    "wind in words": ({"bad-day": "40, 10, strong, NW"}, 'wind "strong"'),
    "decimal commas in the day": ({"bad-day": "38,5, 10, 50, NW"}, "5 parts"),
    "a mild day": ({"bad-day": "18, 70, 5, NW"}, "day"),
    "unknown country": ({"region": "UK"}, 'write "GB" if that was meant'),
    "unknown state": ({"region": "AU-NWS"}, 'write "AU-NSW" if that was meant'),
    "a spreadsheet's weather": (_spreadsheet, "semicolons"),
    "two columns for the wind": (
        lambda at: {"weather": str(_export(at, names=" (m/s);Wind (kt)")), "bad-day": "-"},
        'wind_speed_m_s = "Wind (m/s)" or wind_speed_kn = "Wind (kt)"',
    ),
    "weather without offset": (_no_offset, "add the offset"),
    "safe point without a name": ({"safe-point": "-36.1, 148.9"}, "NAME: LAT, LON"),
    "safe point swapped": ({"safe-point": "hall: 148.86741, -36.14314"}, 'write "-36.14314, 148.86741"'),
    "safe point at home": ({"safe-point": f"shed: {HOME}"}, "safe point"),
    "level beside terrain": ({"flat": ""}, "keep --terrain"),
    "folder is a file": (_a_file, "is a file"),
    "folder has a plan": (_a_plan, "nothing is written over"),
}


@pytest.mark.parametrize("case", sorted(WRONG))
def test_wrong_inputs_are_answered_with_the_one_thing_to_change(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change, mend = WRONG[case]
    changed = change if isinstance(change, dict) else change(tmp_path)
    flat = ["--flat"] if "flat" in changed else []
    before = sorted(tmp_path.rglob("*"))
    assert main(words(tmp_path / "new", ASKED | {name: value for name, value in changed.items() if value}, *flat)) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert mend in said
    assert "To mend it: " in said
    assert sorted(tmp_path.rglob("*")) == before


def test_a_folder_that_may_not_be_written_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    assert main(words(tmp_path / "new", ASKED)) == 2
    assert "Permission denied" in " ".join(capsys.readouterr().err.split())


def test_with_json_nothing_else_stands_on_standard_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(tmp_path / "new", ASKED, "--json")) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["override"] == OVERRIDE
    assert record["files"] == [str(tmp_path / "new" / name) for name in ("plan.toml", "weather.csv")]
