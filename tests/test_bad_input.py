"""Bad input through the command line: a clear message with place and mend, exit code 2, and nothing half-written."""

from __future__ import annotations

import ast
import json
import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from string import Formatter

import numpy as np
import pytest
import rasterio

import leaveby
from leaveby.ask.household import demo_folder
from leaveby.cli import main

Spoil = Callable[[Path], object]
DATA = Path(__file__).parent / "data"
LARGE_CELLS = ('file = "terrain.tif"', 'file = "terrain.tif"\ncell_m = 96')
"""For what is computed, with no eye on its numbers."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a copy of the demo with few members and its rules on large cells, so that what is computed ends soon."""
    copy = tmp_path / "place"
    shutil.copytree(demo_folder(), copy, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    edit(copy, "members = 20000", "members = 40")
    edit(copy, "\ncell_m = 250 ", "\ncell_m = 1000 ")
    return copy


def edit(folder: Path, old: str, new: str, *, file: str = "plan.toml", count: int = 1) -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {file}"
    path.write_text(text.replace(old, new, count), encoding="utf-8")


def edited(folder: Path, old: str, new: str) -> Path:
    edit(folder, old, new)
    return folder


def edit_weather(folder: Path, change: Callable[[list[str]], list[str]]) -> None:
    path = folder / "weather.csv"
    path.write_text("\n".join(change(path.read_text(encoding="utf-8").splitlines())) + "\n", encoding="utf-8")


def set_cell(lines: list[str], *, row: int, column: str, value: str) -> list[str]:
    first = next(number for number, line in enumerate(lines) if line.startswith("time"))
    names = lines[first].split(",")
    cells = lines[first + row].split(",")
    cells[names.index(column)] = value
    return [*lines[: first + row], ",".join(cells), *lines[first + row + 1 :]]


def without_offset(lines: list[str]) -> list[str]:
    return [line.replace("+11:00", "") for line in lines]


def an_island(folder: Path) -> None:
    """Roads that do not join: one at the home, one at each safe point."""
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    places = [plan["home"], *plan["safe_points"]]
    nodes, ways = [], []
    for number, place in enumerate(places):
        for end, step in enumerate((0.0, 0.001)):
            nodes.append(
                f'<node id="{10 * number + end + 1}" lat="{place["lat_deg"] + step}" lon="{place["lon_deg"]}"/>'
            )
        ways.append(
            f'<way id="{number + 1}"><nd ref="{10 * number + 1}"/><nd ref="{10 * number + 2}"/>'
            '<tag k="highway" v="residential"/></way>'
        )
    (folder / "roads.osm").write_text(
        '<?xml version="1.0"?><osm version="0.6" generator="test">' + "".join(nodes + ways) + "</osm>", encoding="utf-8"
    )


def no_towing_task(folder: Path) -> None:
    path = folder / "plan.toml"
    tasks, safe_points = path.read_text(encoding="utf-8").split("[[safe_points]]", 1)
    head, tasks = tasks.split("[[tasks]]", 1)
    tasks = tasks.replace('ways = ["tow", ', "ways = [").replace('ways = ["tow"]', 'ways = ["car"]')
    path.write_text(f"{head}[[tasks]]{tasks}[[safe_points]]{safe_points}", encoding="utf-8")


def run(folder: Path, capsys: pytest.CaptureFixture[str], command: str = "plan") -> tuple[int, str, str]:
    arguments = [command, str(folder / "plan.toml")]
    if command == "plan":
        arguments += ["--out", str(folder / "out"), "--workers", "2"]
    code = main(arguments)
    said = capsys.readouterr()
    return code, " ".join(said.out.split()), " ".join(said.err.split())


CASES: dict[str, tuple[Spoil, list[str]]] = {
    "a missing file": (
        lambda f: (f / "terrain.tif").unlink(),
        ["terrain", "there is no file", "To mend it"],
    ),
    "a home outside the terrain": (
        lambda f: edit(f, "lon_deg = 148.9", "lon_deg = 149.9"),
        ["home", "outside the terrain", "a longitude from"],
    ),
    "no way to any safe point": (
        an_island,
        ["roads.osm", "no road of it leads from the home to any safe point", "To mend it"],
    ),
    "weather with a gap": (
        lambda f: edit_weather(f, lambda lines: lines[:12] + lines[13:]),
        ["weather.csv", "row", "To mend it"],
    ),
    "weather without units": (
        lambda f: edit_weather(f, lambda lines: [line.replace("temperature_c", "temperature") for line in lines]),
        ["weather.csv", "temperature", "To mend it"],
    ),
    "weather without a time offset": (
        lambda f: edit_weather(f, without_offset),
        ["weather.csv", "row", "offset"],
    ),
    "an impossible humidity": (
        lambda f: edit_weather(
            f, lambda lines: set_cell(lines, row=5, column="relative_humidity_percent", value="140")
        ),
        ["weather.csv", "row", "140", "0 to 100"],
    ),
    "a terrain without a reference system": (
        lambda f: strip_crs(f / "terrain.tif"),
        ["terrain.file", "no reference system", "To mend it"],
    ),
    "weather that ends too soon": (
        lambda f: edit_weather(f, lambda lines: lines[:14]),
        ["weather.file", "whole horizon", "To mend it"],
    ),
    "weather of the year before": (
        lambda f: edit_weather(f, lambda lines: [line.replace("2026-01-", "2025-01-") for line in lines]),
        ["it is of 17 January 2025", "the years differ: write 2025 in `at` of the ignitions, or 2026 in the table"],
    ),
    "weather of another month": (
        lambda f: edit_weather(f, lambda lines: [line.replace("2026-01-", "2025-03-") for line in lines]),
        ["the first fire starts on 17 January 2026", "name the weather of that day"],
    ),
    "the roads of another town": (
        lambda f: shutil.copy(DATA / "andorra_streets.osm.pbf", edited(f, '"roads.osm"', '"a.osm.pbf"') / "a.osm.pbf"),
        ["km from the nearest road of", "longitude 1.4", "take the extract that holds the home"],
    ),
    "an unknown fuel type in the legend": (
        lambda f: edit(f, "dry eucalypt forest", "dry triffid forest", file="fuel_legend.csv"),
        ["fuel", "dry triffid forest", "To mend it"],
    ),
    "a model that does not exist": (
        lambda f: edit(f, '"mark5"', '"mark6"'),
        ["fire", "mark6", "mark5"],
    ),
    "certainty": (
        lambda f: edit(f, "confidence = 0.95", "confidence = 1.0"),
        ["confidence", "To mend it"],
    ),
    "a home without its minus sign": (
        lambda f: edit(f, "lat_deg = -36.12910", "lat_deg = 36.12910"),
        ["1 fault", "[home] lat_deg", "write -36.1291 instead of 36.1291"],
    ),
    "a code twice in the legend": (
        lambda f: edit(f, "2,shrubland", "2,shrubland\n02,natural grassland", file="fuel_legend.csv"),
        ["1 fault", "fuel_legend.csv row 4", "row 3", "To mend it"],
    ),
    "towing without a task": (
        no_towing_task,
        ["[[tasks]]", "nothing that is left to do before leaving with the trailer"],
    ),
    "a region that does not exist": (
        lambda f: edit(f, "[roads]", '[roads]\nregion = "AU-NWS"'),
        ["1 fault", "[roads] region", "AU-NSW"],
    ),
    "a home far from any road": (
        lambda f: edit(f, "lon_deg = 148.94240\nlat_deg = -36.12910", "lon_deg = 148.88196\nlat_deg = -36.07494"),
        ["home", "the nearest road is", "To mend it"],
    ),
}


def strip_crs(path: Path) -> None:
    with rasterio.open(path) as source:
        band, profile = source.read(1), source.profile
    profile.update(crs=None)
    with rasterio.open(path, "w", **profile) as target:
        target.write(band, 1)


@pytest.mark.parametrize("command", ["plan", "check"])
@pytest.mark.parametrize("case", sorted(CASES))
def test_bad_input_is_named_and_leaves_nothing(
    case: str, command: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, words = CASES[case]
    spoil(folder)
    code, out, err = run(folder, capsys, command)
    assert code == 2, err
    assert out == ""
    for word in words:
        assert word in err
    assert "Traceback" not in err
    assert not (folder / "out").exists()


def test_five_faults_are_said_at_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit(folder, "confidence = 0.95", "confidence = 95")
    edit(folder, "margin_min = 10", "margin_minutes = 10")
    edit(folder, 'file = "roads.osm"', 'file = "streets.osm"')
    edit(folder, "likely_min", "likeliest_min")
    edit(folder, "hands = 2", "hands = 9")
    code, _, err = run(folder, capsys)
    assert code == 2
    for place in ("confidence", "margin_minutes", "streets.osm", "likeliest_min", "hands"):
        assert place in err
    assert err.count("To mend it:") >= 5


def test_faults_of_several_files_are_said_at_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit(folder, "dry eucalypt forest", "dry triffid forest", file="fuel_legend.csv")
    edit_weather(folder, lambda lines: set_cell(lines, row=5, column="relative_humidity_percent", value="140"))
    (folder / "roads.osm").write_text("<osm><node", encoding="utf-8")
    code, _, err = run(folder, capsys)
    assert code == 2
    for word in ("dry triffid forest", "140", "roads.osm"):
        assert word in err


def test_a_trailer_too_high_for_every_route_is_an_answer_not_a_fault(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edit(folder, "height_m = 4.2", "height_m = 5.0")
    edit(folder, *LARGE_CELLS)
    code, out, err = run(folder, capsys)
    assert code == 3, err
    assert "Towing the house No route takes the vehicle" in out
    assert (folder / "out" / "result.json").exists()
    tow = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))["ways"]["tow"]
    assert tow["latest_start"] is None
    assert "No route takes the vehicle" in tow["why"]
    assert "5 m" in tow["why"]


def test_a_home_on_its_own_private_gated_way_has_a_way_out_and_check_says_it(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The demo's home road made private, with a gate that somebody has locked."""
    ours = """<tag k="highway" v="unclassified"/>
    <tag k="surface" v="gravel"/>
    <tag k="name" v="Sallow Spur Road"/>"""
    private = """<tag k="highway" v="service"/>
    <tag k="access" v="private"/>
    <tag k="barrier" v="gate"/>
    <tag k="surface" v="gravel"/>
    <tag k="name" v="Sallow Spur Road"/>"""
    edit(folder, ours, private, file="roads.osm")
    code, out, _ = run(folder, capsys, "check")
    assert code == 0
    assert "Leaving by car, without the house: " in out
    assert "private ways or gates on it, to the first public road, Sallow Spur Road; a route leads to " in out
    edit(folder, *LARGE_CELLS)
    code, out, err = run(folder, capsys)
    assert "No way out" not in out
    record = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    assert record["ways"]["car"]["latest_start"] is not None, err
    said = [line for line in record["assumptions"] if line.startswith("Used the private way Sallow Spur Road (way 27)")]
    assert len(said) == 1


def test_an_answer_stays_whole_when_its_folder_can_not_be_written(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "out").write_text("a file stands where the folder should be", encoding="utf-8")
    code, _, err = run(folder, capsys)
    assert code == 2
    assert "To mend it" in err
    assert (folder / "out").read_text(encoding="utf-8").startswith("a file stands")


def test_terrain_voids_are_filled_and_counted(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder / "terrain.tif"
    with rasterio.open(path) as source:
        band, profile = source.read(1), source.profile
    nodata = profile["nodata"]
    assert nodata is not None
    band[100:104, 100:104] = nodata
    with rasterio.open(path, "w", **profile) as target:
        target.write(band, 1)
    assert np.sum(band == nodata) == 16
    code, out, _ = run(folder, capsys, "check")
    assert code == 0
    assert "had no elevation and were filled" in out


TELLING = ("refused", "fault_of", "faults.tell", "cast.faults.tell", "sheet.tell", "file.fault", "not_fetched")
ADDED = {"not_fetched": {"by_hand"}}
"""What a way of telling gives to the words by itself."""


def test_every_fault_that_is_told_has_its_words_and_all_the_values_they_ask_for() -> None:
    """Our own rule: the words stand in a table, so a name or a value left out would only show when a person errs."""
    package = Path(leaveby.__file__).parent
    words = tomllib.loads((package / "faults.toml").read_text(encoding="utf-8"))
    asked = {
        told: {
            re.split(r"[.\[]", field)[0]
            for text in parts.values()
            for _, field, _, _ in Formatter().parse(text)
            if field
        }
        for told, parts in words.items()
    }
    assert all(list(parts) == ["wrong", "expected", "mend"] for parts in words.values())
    met = set()
    for path in sorted(package.rglob("*.py")):
        nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
        # the guard of the readers is given the words for what a library throws, which it puts into them
        through = [(node.arg, node.value) for node in nodes if isinstance(node, ast.keyword)]
        through += [
            (arg.arg, default)
            for node in nodes
            if isinstance(node, ast.FunctionDef)
            for arg, default in zip(node.args.kwonlyargs, node.args.kw_defaults, strict=True)
        ]
        for name, value in through:
            if name == "told" and isinstance(value, ast.Constant) and value.value:
                assert asked[str(value.value)] <= {"said"}
                met.add(str(value.value))
        for call in (node for node in nodes if isinstance(node, ast.Call)):
            if ast.unparse(call.func) not in TELLING:
                continue
            if not isinstance(call.args[1], ast.Constant):
                assert path.name in ("errors.py", "drill.py", "connection.py", "guard.py"), "these alone pass a name on"
                continue
            told = str(call.args[1].value)
            given = {value.arg for value in call.keywords} | ADDED.get(ast.unparse(call.func), set())
            assert given == asked[told], f"{path} line {call.lineno}: {told}"
            met.add(told)
    assert met == set(words), "words that nobody says"
