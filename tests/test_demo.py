"""The demo: the wheel carries it, it is the same twice, it fits a small machine, and it says what it has to say."""

from __future__ import annotations

import contextlib
import html
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import jsonschema
import pytest
import textstat

import leaveby
from leaveby import caution
from leaveby.ask.household import demo_folder, load_plan, plan_household
from leaveby.show.plan.record import result_record
from leaveby.show.record import record_text
from measured import run_measured
from smaller import coarse, times_alone

ROOT = Path(__file__).resolve().parents[1]
TWO_GIB_IN_KIB = 2 * 1024 * 1024
WARNINGS = ("-W", "error", "-W", "ignore::PendingDeprecationWarning")  # rasterio multiplies transforms the old way
DEMO = ("-m", "leaveby", "demo", "--json")
MADE_AT = datetime(2026, 1, 2, tzinfo=UTC)


class Ran(NamedTuple):
    """Where the demo wrote, what it said, and how much memory it took at most."""

    out: Path
    said: str
    peak_kib: int


@pytest.fixture(scope="module")
def installed_away(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel's content in a folder of its own, away from the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "--quiet", "--wheel-dir", str(folder), str(ROOT)],
        check=True,
        capture_output=True,
    )
    (wheel,) = folder.glob("leaveby-*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(folder / "site")
    return folder / "site"


@pytest.fixture(scope="module")
def demo_run(installed_away: Path, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """`leaveby demo --json` from the wheel, in an empty folder."""
    folder = tmp_path_factory.mktemp("somewhere")
    done, peak_kib = run_measured([*WARNINGS, *DEMO], folder, env={**os.environ, "PYTHONPATH": str(installed_away)})
    assert done.returncode == 0, done.stderr
    hand_on_machine_code(installed_away / "leaveby")
    return Ran(folder / "leaveby_out", done.stdout, peak_kib)


def hand_on_machine_code(made: Path) -> None:
    """Give the checkout what it has not compiled yet: the same modules, which numba knows by what is written in them.

    Each file comes whole or not at all, the code before the index that names it: other tests run beside this one.
    """
    for file in sorted(made.rglob("__pycache__/*.nb[ci]")):
        place = Path(leaveby.__file__).parent / file.relative_to(made)
        place.parent.mkdir(exist_ok=True)
        beside = place.with_suffix(".handed")
        shutil.copyfile(file, beside)
        with contextlib.suppress(OSError):  # it has its own by now, or the disk knows no links
            place.hardlink_to(beside)
        beside.unlink()


def test_the_demo_runs_away_from_the_checkout(demo_run: Ran, installed_away: Path) -> None:
    out = demo_run.out
    record = json.loads(demo_run.said)
    assert record == json.loads((out / "result.json").read_text(encoding="utf-8"))
    schema = installed_away / "leaveby" / "show" / "plan" / "result.schema.json"
    jsonschema.validate(record, json.loads(schema.read_text(encoding="utf-8")))
    assert next(iter(record)) == "override"
    assert {path.name for path in out.iterdir()} == {
        "result.json",
        "plan.html",
        "report.html",
        "layers.gpkg",
        "arrival.tif",
        "lead_time.tif",
        "plan.kml",
        "route.gpx",
        "reminders.ics",
        "timetable.csv",
    }
    for name in ("tow", "car"):
        assert record["ways"][name]["latest_start"] is not None
    assert record["scenario"]["members"] >= 500


def test_the_demo_shows_the_leave_by_under_each_model_and_at_12_and_50_km_h(demo_run: Ran) -> None:
    """About 12 km/h on a really bad day and runs near 50 km/h: common practice, no source."""
    labels = " ".join(row["label"] for row in json.loads(demo_run.said)["what_if"])
    for words in ("dry eucalypt", "Mark 5", "12 km/h", "50 km/h"):
        assert words in labels


def test_a_faster_fire_never_gives_more_time(demo_run: Ran) -> None:
    rows = {row["label"]: row["latest_start"]["car"] for row in json.loads(demo_run.said)["what_if"]}
    twelve, fifty = (next(at for label, at in rows.items() if f"{speed} km/h" in label) for speed in (12, 50))
    assert fifty < twelve


def test_the_demo_fits_in_two_gibibytes(demo_run: Ran) -> None:
    assert demo_run.peak_kib < TWO_GIB_IN_KIB


def test_the_library_installs_lean(installed_away: Path) -> None:
    (metadata,) = installed_away.glob("leaveby-*.dist-info/METADATA")
    wanted = re.findall(r"^Requires-Dist: ([\w-]+)(.*)$", metadata.read_text(encoding="utf-8"), re.MULTILINE)
    always = {name.lower() for name, rest in wanted if "extra ==" not in rest}
    assert not always & {
        "jupyterlab",
        "ipywidgets",
        "jupytext",
        "pytest",
        "hypothesis",
        "scikit-fmm",
        "igraph",
    }
    assert {"numpy", "networkx", "osmnx", "geopandas"} <= always
    extras = {name.lower() for name, rest in wanted if "lab" in rest}
    assert "jupyterlab" in extras


def test_the_same_seed_gives_the_same_answer_whatever_the_threads() -> None:
    plan = coarse(load_plan(demo_folder() / "plan.toml"), members=24)
    one, two = (record_text(result_record(plan_household(plan, workers=n), made_at=MADE_AT)) for n in (1, 2))
    assert one == two
    other = plan_household(replace(plan, seed=plan.seed + 1), workers=2)
    assert record_text(result_record(other, made_at=MADE_AT)) != one


def test_two_fronts_and_a_cut_end() -> None:
    """Fire came from two sides and the end of the one-way-out street burnt first (common practice, no source)."""
    plan = coarse(load_plan(demo_folder() / "plan_two_fronts.toml"), members=40)
    result = times_alone(plan_household, plan, workers=2)
    route = result.ways["car"].route
    assert route is not None
    assert route.closes_first_s < result.fire.home_p50_s
    assert len(plan.ignitions) == 2


def test_every_output_says_that_official_warnings_override(demo_run: Ran) -> None:
    out = demo_run.out
    for name in ("result.json", "plan.html", "report.html", "plan.kml", "route.gpx", "timetable.csv"):
        assert caution.OVERRIDE.split(". ")[0] in (out / name).read_text(encoding="utf-8"), name
    for name in ("layers.gpkg", "arrival.tif", "lead_time.tif"):
        assert caution.OVERRIDE.split(". ")[0].encode() in (out / name).read_bytes(), name


def test_the_sheet_of_the_demo_is_short_and_plain(demo_run: Ran) -> None:
    """Flesch-Kincaid grade level (Kincaid et al. 1975) by textstat: 7 is the school year of children of 12 and 13."""
    page = (demo_run.out / "plan.html").read_text(encoding="utf-8")
    body = re.sub(r"<svg.*?</svg>", " ", page[page.index("<body>") :], flags=re.DOTALL)
    assert len(html.unescape(re.sub(r"<[^>]+>", " ", body)).split()) <= 400
    ended = re.sub(r'</(p|h1|h2|section|div)>|</span>(?=<span class="l (task|name))', ". ", body)
    text = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", ended)).split())
    assert textstat.flesch_kincaid_grade(re.sub(r"[.:;]\s*(?:\.\s*)+", ". ", text)) <= 7.0


def test_no_output_promises_anything(demo_run: Ran) -> None:
    out = demo_run.out
    for name in ("result.json", "plan.html", "report.html", "plan.kml", "timetable.csv"):
        text = (out / name).read_text(encoding="utf-8").lower()
        for words in (
            "is safe to",
            "you are safe",
            "safe to stay",
            "road will be open",
            "you have time",
            "enough time",
        ):
            assert words not in text, (name, words)
