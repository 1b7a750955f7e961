"""What can't be computed is refused in words, and a morning that is already lost is an answer that says so first."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from leaveby import caution
from leaveby.ask.household import demo_folder
from leaveby.cli import main
from leaveby.confidence import latest_at_confidence
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import opens, way_is_open
from leaveby.errors import InputError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "place"
    shutil.copytree(demo_folder(), copy, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    edit(copy, "members = 20000", "members = 20")
    edit(copy, "cell_m = 250", "cell_m = 1000")
    edit(copy, 'file = "terrain.tif"', 'file = "terrain.tif"\ncell_m = 96')
    return copy


def edit(folder: Path, old: str, new: str) -> None:
    path = folder / "plan.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in the plan"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = main(["plan", str(folder / "plan.toml"), "--out", str(folder / "out"), "--workers", "2"])
    said = capsys.readouterr()
    return code, said.out, " ".join(said.err.split())


CASES: dict[str, tuple[Callable[[Path], None], tuple[str, ...]]] = {
    "tasks in a ring": (
        lambda f: edit(
            f,
            'name = "fold up the skirts"\n',
            'name = "fold up the skirts"\nafter = ["release the tie-downs"]\n',
        ),
        ("wait for each other in a ring", '"fold up the skirts" before "refit the wheels"', "To mend it"),
    ),
    "a task that nobody can do": (
        lambda f: edit(f, 'needs = ["lift"]\nafter = ["fold', 'needs = ["weld"]\nafter = ["fold'),
        ("refit the wheels", '"weld"', "which nobody can do", "To mend it"),
    ),
    "a likely time outside its range": (
        lambda f: edit(f, "likely_min = 18", "likely_min = 48"),
        ("refit the wheels", "likely_min", "is 48, outside", "12 to 35"),
    ),
    "certainty": (
        lambda f: edit(f, "confidence = 0.95", "confidence = 1.0"),
        ("confidence", "no computation can be certain", "0.5 to 0.999"),
    ),
}


@pytest.mark.parametrize("case", sorted(CASES))
def test_what_can_not_be_computed_is_refused_at_the_door(
    case: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, words = CASES[case]
    spoil(folder)
    code, out, err = run(folder, capsys)
    assert (code, out) == (2, "")
    for word in words:
        assert word in err
    assert not (folder / "out").exists()


def test_all_of_them_are_said_at_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for case in ("certainty", "a task that nobody can do", "a likely time outside its range", "tasks in a ring"):
        CASES[case][0](folder)
    code, _, err = run(folder, capsys)
    assert code == 2
    assert err.count("To mend it:") >= 4


@pytest.mark.parametrize("confidence", [1.0, 1.5, 0.0, -0.1, float("nan")])
def test_no_number_of_members_gives_certainty(confidence: float) -> None:
    with pytest.raises(InputError, match="nothing computed can be certain"):
        latest_at_confidence(np.array([1.0, 2.0]), confidence)


def test_roads_that_do_not_join_are_refused_even_without_any_fire(valleys: ModuleType) -> None:
    """In memory too, not only from files; the safe point stands on a road of its own."""
    inputs = valleys.household(
        valleys.ground(4000.0, 4000.0, cell_m=100.0),
        {"Home Lane": [(500.0, 500.0), (1500.0, 500.0)], "Far Road": [(2500.0, 3000.0), (3500.0, 3000.0)]},
        home=(500.0, 500.0),
        safe_points=(valleys.safe("the far end", (3500.0, 3000.0)),),
        ignitions=(valleys.point_fire((3000.0, 3500.0)),),
        weather=valleys.steady(wind_km_h=10.0, wind_from_deg=0.0),
        members=20,
    )
    with pytest.raises(InputError, match="no road of it leads from the home to any safe point") as caught:
        answer_household(inputs)
    assert "the far end" in str(caught.value)
    assert all(fault.expected and fault.mend for fault in caught.value.faults)


# --- lost from the start -------------------------------------------------------------------------------------------


def at_the_door(folder: Path) -> None:
    """The fire starts a kilometre from the home, on the only street out, and runs at 25 km/h."""
    edit(folder, "lon_lat_deg = [[148.85795, -36.07622]]", "lon_lat_deg = [[148.93600, -36.12300]]")
    edit(folder, "[fire]\n", "[fire]\nset_km_h = 25\n")
    edit(folder, "what_if_km_h = [12, 50]", "what_if_km_h = []")


def test_no_way_open_from_the_start_is_an_answer_that_says_so_first(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at_the_door(folder)
    code, out, err = run(folder, capsys)
    assert code == 3, err
    told = " ".join(out.split())
    assert told.startswith(caution.OVERRIDE)
    too_late = "there is no time to get ready once the fire has started, with or without the house: be away before"
    # Before any time of day; the rules, which hold for any fire, stand above the worked day.
    assert too_late in re.split(r"\d:\d\d", told, maxsplit=1)[0], out
    page = (folder / "out" / "report.html").read_text(encoding="utf-8")
    assert page.index(too_late) < page.lower().index("<h2")
    assert "last resort" in page.lower()
    assert caution.LAST_RESORT.split(". ")[0] in page
    record = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    assert record["shelter"]
    begin = datetime.fromisoformat("2026-01-17T09:20:00+11:00")
    for way in record["ways"].values():
        assert way["latest_start"] is None or datetime.fromisoformat(way["latest_start"]) < begin


def test_a_cut_end_between_two_fronts_says_from_when_there_is_no_way_out(valleys: ModuleType) -> None:
    """The end of the lane burns first, then fire comes from the other side: the timetable names when each way ends."""
    inputs: Any = valleys.household(
        valleys.ground(8000.0, 8000.0, cell_m=100.0),
        {"Sallow Lane": [(1500.0, 4000.0), (5000.0, 4000.0)], "Main Road": [(5000.0, 4000.0), (7500.0, 4000.0)]},
        home=(1500.0, 4000.0),
        safe_points=(valleys.safe("the town", (7500.0, 4000.0)),),
        ignitions=(valleys.point_fire((5200.0, 7400.0)), valleys.point_fire((1400.0, 700.0), after_min=40.0)),
        weather=valleys.turned(
            valleys.steady(wind_km_h=12.0, wind_from_deg=0.0, hot_c=28.0, dry=25.0), after_s=7200.0, wind_from_deg=180.0
        ),
        members=60,
    )
    result = answer_household(inputs, workers=2)
    car = result.ways["car"]
    assert car.route is not None
    assert car.latest_departure_s is not None
    assert car.route.closes_first_s < result.fire.home_p50_s
    ends = {row.kind: row for row in result.timetable}
    assert ends["late car"].at_s == car.latest_departure_s
    assert ends["late car"].sentence.startswith("Late from now on by car, without the house: no packing, go at once")
    assert ends["last resort"].at_s == result.phases.shut_from_s > car.latest_departure_s
    assert ends["shut car"].sentence.startswith("On a middling day, ")
    assert ends["shut car"].at_s == car.route.closes_first_s
    assert way_is_open(car)
    assert opens(result)
