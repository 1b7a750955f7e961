"""Plan files on disk: TOML, file names relative to the plan, missing files among the other faults."""

from __future__ import annotations

from pathlib import Path

import pytest

from leaveby.errors import Fault, InputError
from leaveby.files.read.plan import read_plan

RIGHT = """
[plan]
name = "The Marlow place"
confidence = 0.95
margin_min = 10

[home]
lon_deg = 148.9
lat_deg = -36.1

[[people]]
name = "Bo"
can = ["lift"]

[[tasks]]
name = "bags"
ways = ["foot"]
shortest_min = 5
likely_min = 10
longest_min = 25

[[safe_points]]
name = "showground"
lon_deg = 148.8
lat_deg = -36.2
kind = "safe_point"
ways = ["foot"]

[roads]
file = "maps/roads.osm"

[terrain]
file = "maps/terrain.tif"

[fuel]
file = "maps/fuel.tif"
legend = "maps/legend.csv"

[weather]
file = "weather.csv"

[[ignitions]]
name = "strike"
at = 2026-01-17T12:40:00+11:00
lon_lat_deg = [[148.85, -36.05]]
"""
FILES = ("maps/roads.osm", "maps/terrain.tif", "maps/fuel.tif", "maps/legend.csv", "weather.csv")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "maps").mkdir()
    for name in FILES:
        (tmp_path / name).write_text("x")
    (tmp_path / "home.toml").write_text(RIGHT, encoding="utf-8")
    return tmp_path


def faults_of(path: Path) -> tuple[Fault, ...]:
    with pytest.raises(InputError) as caught:
        read_plan(path)
    return caught.value.faults


def test_files_are_found_beside_the_plan(folder: Path) -> None:
    plan = read_plan(folder / "home.toml")
    assert plan.roads.file == folder / "maps" / "roads.osm"
    assert plan.fuel.legend == folder / "maps" / "legend.csv"
    assert plan.weather.file == folder / "weather.csv"
    assert plan.where == str(folder / "home.toml")


def test_files_are_found_from_another_folder(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder.parent)
    plan = read_plan(Path(folder.name) / "home.toml")
    assert plan.terrain.file == folder / "maps" / "terrain.tif"


def test_a_text_is_a_path_too_and_a_byte_order_mark_is_no_fault(folder: Path) -> None:
    (folder / "home.toml").write_text(RIGHT, encoding="utf-8-sig")
    assert read_plan(str(folder / "home.toml")).name == "The Marlow place"


def test_missing_files_stand_among_the_other_faults(folder: Path) -> None:
    text = RIGHT.replace("confidence = 0.95", "confidence = 1.0").replace('"bags"', '"bags"\nhand = 2')
    (folder / "home.toml").write_text(text, encoding="utf-8")
    (folder / "weather.csv").unlink()
    (folder / "maps" / "legend.csv").unlink()
    faults = faults_of(folder / "home.toml")
    places = [fault.place.removeprefix(f"{folder / 'home.toml'} ") for fault in faults]
    assert places == [
        "line 4: [plan] confidence",
        'line 17: tasks[1] "bags": hand',
        "line 38: [fuel] legend",
        "line 41: [weather] file",
    ]
    assert '"weather.csv"' in faults[-1].wrong
    assert str(folder / "weather.csv") in faults[-1].wrong


def test_five_faults_at_once(folder: Path) -> None:
    text = (
        RIGHT.replace("margin_min = 10", "margin = 10")
        .replace("lat_deg = -36.1", "lat_deg = 136.1")
        .replace("longest_min = 25", "longest_min = 7")
        .replace("+11:00", "")
        .replace('"weather.csv"', '"wether.csv"')
    )
    (folder / "home.toml").write_text(text, encoding="utf-8")
    said = "\n".join(map(str, faults_of(folder / "home.toml")))
    for words in ('"margin_min"', "[home] lat_deg", "likely_min", "without a UTC offset", "wether.csv"):
        assert words in said


def test_a_folder_in_place_of_a_file_is_said(folder: Path) -> None:
    (folder / "home.toml").write_text(RIGHT.replace('"maps/roads.osm"', '"maps"'), encoding="utf-8")
    (fault,) = faults_of(folder / "home.toml")
    assert "which is a folder" in fault.wrong


@pytest.mark.parametrize(
    ("text", "place", "said"),
    [
        ("[plan]\nname = The place\n", "line 2", "TOML"),
        ("[plan]\nname = 'a'\n[plan]\n", "line 3", "TOML"),
        ("[plan\n", "line 1", "TOML"),
    ],
)
def test_broken_toml_is_said_with_its_line(tmp_path: Path, text: str, place: str, said: str) -> None:
    (tmp_path / "home.toml").write_text(text, encoding="utf-8")
    (fault,) = faults_of(tmp_path / "home.toml")
    assert place in fault.place
    assert said in fault.wrong


def test_what_is_no_readable_text_is_said(tmp_path: Path) -> None:
    (tmp_path / "home.toml").write_bytes(b'[plan]\nname = "M\xe4rz"\n')
    (fault,) = faults_of(tmp_path / "home.toml")
    assert "line 2" in fault.place
    assert "UTF-8" in fault.mend
    assert "no such file" in faults_of(tmp_path / "none.toml")[0].wrong
    assert "folder" in faults_of(tmp_path)[0].wrong


def test_an_empty_file_names_every_section_that_is_missing(tmp_path: Path) -> None:
    (tmp_path / "home.toml").write_text("", encoding="utf-8")
    missing = {fault.place.split(": ")[-1] for fault in faults_of(tmp_path / "home.toml")}
    assert missing == {
        "[plan]",
        "[home]",
        "[[people]]",
        "[[tasks]]",
        "[[safe_points]]",
        "[roads]",
        "[terrain]",
        "[fuel]",
        "[weather]",
    }


def test_lines_are_those_of_the_second_table_too(folder: Path) -> None:
    more = '\n[[people]]\nname = "Bo"\ncan = [] # nothing yet\n\n[[people]] # no name\ncan = ["lift"]\n'
    (folder / "home.toml").write_text(RIGHT + more, encoding="utf-8")
    places = sorted(fault.place.removeprefix(f"{folder / 'home.toml'} ") for fault in faults_of(folder / "home.toml"))
    last = len(RIGHT.splitlines())
    assert places == [
        f'line {last + 3}: people[2] "Bo": name',
        f"line {last + 6}: people[3] (without a name): name",
    ]


def test_files_of_ratings_and_rules_are_found_beside_the_plan(folder: Path) -> None:
    more = """
[[ratings]]
name = "High"

[[ratings]]
name = "Extreme"
weather_file = "maps/extreme.csv"

[rules]
starts_file = "maps/starts.tif"
terrain_file = "maps/terrain.tif"
fuel_file = "maps/fuel.tif"
fuel_legend = "maps/legend.csv"
learns_after_min = { shortest_min = 10, likely_min = 5, longest_min = 60 }
"""
    (folder / "home.toml").write_text(RIGHT + more, encoding="utf-8")
    last = len(RIGHT.splitlines())
    faults = faults_of(folder / "home.toml")
    assert sorted(fault.place.removeprefix(f"{folder / 'home.toml'} ") for fault in faults) == [
        f'line {last + 7}: ratings[2] "Extreme": weather_file',
        f"line {last + 10}: [rules] starts_file",
        f"line {last + 14}: [rules] learns_after_min.likely_min",
    ]
    for name in ("extreme.csv", "starts.tif"):
        (folder / "maps" / name).write_text("x")
    (folder / "home.toml").write_text(RIGHT + more.replace("likely_min = 5", "likely_min = 25"), encoding="utf-8")
    plan = read_plan(folder / "home.toml")
    assert [one.weather_file for one in plan.ratings] == [None, folder / "maps" / "extreme.csv"]
    rules = plan.rules
    assert (rules.starts_file, rules.terrain_file) == (folder / "maps" / "starts.tif", folder / "maps" / "terrain.tif")
    assert (rules.fuel_file, rules.fuel_legend) == (folder / "maps" / "fuel.tif", folder / "maps" / "legend.csv")
