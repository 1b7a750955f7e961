"""A plan that a person changes by clicking: what is checked, written, kept and taken back."""

from __future__ import annotations

import hashlib
import math
import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leaveby.ask.household import check_household, demo_folder, load_plan, read_inputs
from leaveby.ask.own_place import (
    Day,
    OwnPlace,
    changed,
    check_place,
    day_table,
    open_place,
    save_place,
    set_of,
    taken_back,
    with_day,
    with_item,
    without_item,
    worst_of,
)
from leaveby.caution import OVERRIDE
from leaveby.errors import InputError
from leaveby.files.read.grids import read_weather
from leaveby.files.write.plan_edit import set_value
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.series import Weather

DEMO = demo_folder() / "plan.toml"
GRID = Grid(0.0, 0.0, 30.0, 2, 2, "EPSG:32755")
SHIPPED = {
    path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in demo_folder().iterdir() if path.is_file()
}


@pytest.fixture
def own(tmp_path: Path) -> OwnPlace:
    """A plan of one's own, in its own folder."""
    shutil.copytree(demo_folder(), tmp_path / "ours")
    return open_place(tmp_path / "ours" / "plan.toml", tmp_path / "unused")


@pytest.fixture(scope="module")
def weather() -> Weather:
    return check_household(DEMO).weather


def test_the_demo_s_own_files_are_never_written(tmp_path: Path) -> None:
    place = open_place(DEMO, tmp_path / "place")
    assert not (tmp_path / "place").exists(), "opening writes nothing"
    assert place.text == DEMO.read_text(encoding="utf-8")
    assert not place.is_saved
    moved = set_of(place, "tasks", 0, {"likely_min": 7})
    saved = save_place(moved)
    assert saved.is_saved
    assert saved.path == (tmp_path / "place" / "plan.toml").resolve()
    assert saved.path.read_text(encoding="utf-8") == moved.text
    assert load_plan(saved.path).tasks[0].likely_s == 420.0
    check_household(saved.path)  # with all files beside it
    assert not list(saved.path.parent.glob(".leaveby-*"))
    again = open_place(DEMO, tmp_path / "place")
    assert (again.path, again.text, again.is_saved) == (saved.path, moved.text, True)
    now = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in demo_folder().iterdir() if path.is_file()
    }
    assert now == SHIPPED


def test_a_plan_with_faults_is_told_and_not_written(own: OwnPlace) -> None:
    before = own.path.read_bytes()
    closed = changed(own, set_value(own.text, ("roads", "closed_ways"), ["w999999999"]))
    wrong = set_of(closed, "tasks", 0, {"likely_min": "soon"})
    found = check_place(wrong)
    assert any(one.startswith("plan.toml line") and 'tasks[1] "gather papers' in one for one in found.faults), found
    with pytest.raises(InputError, match="is not written, since faults were found in it"):
        save_place(wrong)
    assert own.path.read_bytes() == before
    mended = set_of(wrong, "tasks", 0, {"likely_min": 6})
    # said by who looks into the files, which are read all the same
    assert ["no such way" in one for one in check_place(mended).faults] == [True]
    assert check_place(mended).inputs is not None
    back = wrong.before
    assert back is not None
    assert back.before is not None
    assert back.before.text.encode() == before
    assert check_place(back.before).faults == ()
    assert any("a route leads to" in one for one in check_place(back.before).said)


def test_what_was_saved_can_be_taken_back_and_saved_again(own: OwnPlace) -> None:
    before = own.path.read_bytes()
    saved = save_place(set_of(own, "tasks", 0, {"likely_min": 7}))
    back = taken_back(saved)
    assert not back.is_saved
    assert save_place(back).is_saved
    assert own.path.read_bytes() == before
    assert taken_back(own) is own


def test_what_another_program_wrote_is_not_written_over(own: OwnPlace) -> None:
    ours = set_of(own, "tasks", 0, {"likely_min": 7})
    own.path.write_text(own.text + "# theirs\n", encoding="utf-8")
    with pytest.raises(InputError, match="changed by another program"):
        save_place(ours)
    assert own.path.read_text(encoding="utf-8").endswith("# theirs\n")


def test_a_full_disk_leaves_the_earlier_file(own: OwnPlace, monkeypatch: pytest.MonkeyPatch) -> None:
    ours, before = set_of(own, "tasks", 0, {"likely_min": 7}), own.path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(InputError, match="No space left"):
        save_place(ours)
    assert own.path.read_bytes() == before
    assert not list(own.path.parent.glob(".leaveby-*"))


def test_names_follow_and_go(own: OwnPlace) -> None:
    named = set_of(own, "tasks", 2, {"name": "fill the car"})
    assert [task["after"] for task in named.tables("tasks") if "fill the car" in task.get("after", ())]
    assert not [task for task in named.tables("tasks") if "pack the car" in task.get("after", ())]
    assert check_place(named).faults == ()
    struck = without_item(named, "tasks", 2)
    assert not [task for task in struck.tables("tasks") if "fill the car" in task.get("after", ())]
    assert check_place(struck).faults == ()
    twice = with_item(with_item(struck, "people", {"name": "Somebody", "can": []}), "people", {"name": "Somebody"})
    assert [one["name"] for one in twice.tables("people")][-2:] == ["Somebody", "Somebody 2"]
    assert changed(own, own.text) is own


days = st.builds(
    Day,
    st.floats(10, 50).map(lambda one: round(one, 1)),
    st.integers(1, 95).map(float),
    st.integers(0, 120).map(float),
    st.integers(0, 15).map(lambda one: 22.5 * one),
)


@given(day=days)
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_bad_day_has_the_worst_that_was_asked_and_the_course_that_it_had(
    day: Day, weather: Weather, tmp_path: Path
) -> None:
    path = tmp_path / "day.csv"
    path.write_text(day_table(weather, day, drought_factor=10.0), encoding="utf-8")
    assert path.read_text(encoding="utf-8").startswith(f"# {OVERRIDE}\n")
    made = read_weather(path, grid=GRID, drought_factor=10.0)
    found = worst_of(made)
    assert found.temperature_c == pytest.approx(day.temperature_c, abs=0.051)
    assert found.humidity_percent == pytest.approx(day.humidity_percent, abs=0.051)
    assert found.wind_km_h == pytest.approx(day.wind_km_h, abs=0.051)
    assert (made.start, made.time_s.tolist()) == (weather.start, weather.time_s.tolist())
    if day.wind_km_h > 20.0:
        assert math.isclose((found.wind_from_deg - day.wind_from_deg + 180.0) % 360.0, 180.0, abs_tol=0.1)
        # hotter hours stay hotter, and a change of the wind stays in the day
        order = np.argsort(weather.air_temperature_c[:, 0], kind="stable")
        assert (np.diff(made.air_temperature_c[order, 0]) >= -0.011).all()
        turns = (np.diff(made.wind_from_deg[:, 0]) - np.diff(weather.wind_from_deg[:, 0]) + 180.0) % 360.0 - 180.0
        assert np.abs(turns).max() < 0.03
    assert made.drought_factor.tolist() == weather.drought_factor.tolist()


def test_the_day_that_stands_is_written_as_it_is(weather: Weather, tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(day_table(weather, worst_of(weather), drought_factor=10.0), encoding="utf-8")
    made = read_weather(path, grid=GRID, drought_factor=10.0)
    for quantity in ("air_temperature_c", "relative_humidity_percent", "wind_speed_m_s", "wind_from_deg", "gust_m_s"):
        assert np.allclose(getattr(made, quantity), getattr(weather, quantity), atol=0.006), quantity


def test_a_bad_day_is_written_with_the_plan_and_over_no_file(own: OwnPlace, weather: Weather) -> None:
    before = {path.name: path.read_bytes() for path in own.path.parent.iterdir()}
    first = with_day(own, weather, Day(45.0, 5.0, 80.0, 0.0))
    moved = with_day(first, weather, Day(46.0, 5.0, 80.0, 0.0))
    assert check_place(moved).faults == ()
    assert worst_of(read_inputs_of(moved)).temperature_c == 46.0
    assert first.before is own
    assert not (own.path.parent / "bad_day.csv").exists()
    saved = save_place(moved)
    assert saved.is_saved
    assert load_plan(saved.path).weather.file.name == "bad_day.csv"
    kept = (own.path.parent / "bad_day.csv").read_bytes()
    again = save_place(with_day(saved, weather, Day(47.0, 5.0, 80.0, 0.0)))
    assert load_plan(again.path).weather.file.name == "bad_day_2.csv"
    assert (own.path.parent / "bad_day.csv").read_bytes() == kept
    for name, held in before.items():
        if name != "plan.toml":
            assert (own.path.parent / name).read_bytes() == held, name
    (line,) = [one for one in again.text.split("\n") if one not in own.text.split("\n")]
    assert line == 'file = "bad_day_2.csv"'


def read_inputs_of(place: OwnPlace) -> Weather:
    inputs = check_place(place).inputs
    assert inputs is not None
    return inputs.weather


@given(data=st.data())
@settings(max_examples=15, deadline=None)
def test_random_changes_are_read_back_and_undone_byte_for_byte(data: st.DataObject, tmp_path_factory: Any) -> None:
    folder = tmp_path_factory.mktemp("own")
    place = first = open_place(DEMO, folder)
    comments = re.findall(r"#.*", first.text)
    for _ in range(data.draw(st.integers(1, 5))):
        what = data.draw(st.sampled_from(("minutes", "person", "point", "close")))
        if what == "minutes":
            number = data.draw(st.integers(0, 19))
            likely = place.tables("tasks")[number]["likely_min"] + data.draw(st.floats(0, 0.4))
            place = set_of(place, "tasks", number, {"likely_min": likely})
            assert load(place).tasks[number].likely_s == pytest.approx(60.0 * likely)
        elif what == "person":
            name = data.draw(st.text("abcü #\"'\\", min_size=1, max_size=8).filter(str.strip))
            place = with_item(place, "people", {"name": name, "can": []})
            assert load(place).people[-1].name.startswith(name)
            place = without_item(place, "people", len(place.tables("people")) - 1)
        elif what == "point":
            lon = data.draw(st.floats(148.9, 148.95))
            place = set_of(place, "ignitions", 0, {"lon_lat_deg": [[lon, -36.07]]})
            assert load(place).ignitions[0].lon_lat_deg == ((lon, -36.07),)
        else:
            ways = data.draw(st.lists(st.integers(1, 999).map(lambda one: f"w{one}"), unique=True, max_size=4))
            place = changed(place, set_value(place.text, ("roads", "closed_ways"), ways or None))
            assert load(place).roads.closed_ways == tuple(ways)
        assert sorted(re.findall(r"#.*", place.text)) == sorted(comments)
        assert tomllib.loads(place.text)["fire"] == tomllib.loads(first.text)["fire"]
    while place.before is not None:
        place = place.before
    assert place.text.encode() == DEMO.read_bytes()


def load(place: OwnPlace) -> Any:
    return load_plan(place.folder / place.path.name, text=place.text)


def test_a_forecast_on_a_grid_is_left_alone(own: OwnPlace, weather: Weather) -> None:
    twice = {
        name: np.repeat(getattr(weather, name), 2, axis=1)
        for name in (
            "air_temperature_c",
            "relative_humidity_percent",
            "wind_speed_m_s",
            "wind_from_deg",
            "gust_m_s",
            "drought_factor",
            "curing_percent",
        )
    }
    grid = Weather(weather.start, weather.time_s, **twice, place=np.zeros((2, 2), dtype=np.int32))
    with pytest.raises(InputError, match="can't be moved here"):
        with_day(own, grid, worst_of(weather))
    assert read_inputs(load_plan(own.path)).weather.places == 1
