"""A plan in the United States from file to outputs: miles, feet, miles an hour and degrees Fahrenheit, no metric alone.

The place is the demo's, moved (`tests/files/american_demo.py`). Common practice, no source: signs in miles and miles an
hour, public forecasts in degrees Fahrenheit and miles an hour.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from leaveby import cli
from leaveby.ask.household import load_plan
from leaveby.units import MILES_AND_FEET

MEMBERS = 24
METRIC_ALONE = re.compile(r"(?<![\w.(])\d[\d,.]* ?(?:km/h|km|m|°C|degrees C|hectares?)(?![\w/])")


@pytest.fixture(scope="module")
def american_plan(tmp_path_factory: pytest.TempPathFactory, american_demo: ModuleType) -> Path:
    folder = tmp_path_factory.mktemp("american") / "demo"
    plan: Path = american_demo.moved_demo(folder)
    for path, change in (
        (plan, (r'(?m)^(file = "terrain\.tif")$', r"\1\ncell_m = 96")),
        (plan, (r"(?m)^members = \d+", f"members = {MEMBERS}")),
        (plan.with_name("drill.toml"), (r"(?m)^members = \d+", f"members = {MEMBERS}")),
    ):
        text, count = re.subn(*change, path.read_text(encoding="utf-8"))
        assert count == 1
        path.write_text(text, encoding="utf-8")
    return plan


def said(text: str) -> str:
    """What a person reads of a page or file, and what is read out of its pictures."""
    text = re.sub(r"<(style|script).*?</\1>", "", text, flags=re.S)
    read_out = re.compile(r'(?:aria-label|content|alt|title)="([^"]*)"')
    text = re.sub(r"<[^>]*>", lambda tag: f" {' '.join(read_out.findall(tag[0]))} ", text)
    return " ".join(html.unescape(text).split())


def metric_alone(text: str) -> Iterator[str]:
    """Quantities in metric units that no local one stands beside."""
    free = re.sub(r"\([^()]*\)", "", said(text))
    yield from (free[max(0, found.start() - 40) : found.end() + 20] for found in METRIC_ALONE.finditer(free))


def test_what_finds_metric_quantities_finds_them() -> None:
    assert len(list(metric_alone("<p>12 km off, 38 °C</p><svg aria-label='x' title=\"about 5 m\"></svg>"))) == 3
    assert not list(metric_alone("<p>7.5 miles (12 km) off, cells of 315 feet (96 m)</p>"))


def test_every_output_of_a_plan_is_in_miles(
    american_plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert load_plan(american_plan).measures is MILES_AND_FEET
    assert cli.main(["plan", str(american_plan), "--out", str(tmp_path)]) in (0, 3)
    terminal = capsys.readouterr().out
    assert re.search(r"To Quarrel Flat [\w ]+, [\d.]+ miles\.", terminal)
    assert not list(metric_alone(terminal))
    texts = {name: (tmp_path / name).read_text(encoding="utf-8") for name in ("plan.html", "report.html", "plan.kml")}
    texts["route.gpx"] = (tmp_path / "route.gpx").read_text(encoding="utf-8")
    for name, text in texts.items():
        assert not list(metric_alone(text)), name
        assert " miles" in said(text), name
    assert re.search(r"\d mph", said(texts["report.html"]))
    assert "fire at 7.5 mph, set by hand" in said(texts["report.html"])
    assert "328 feet (100 m)" in said(texts["report.html"])
    record = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    # Numbers of a record stay metric, the unit in the key.
    assert record["rules"]["radius_km"] == 25.0
    assert all(line == line.replace(" feet (", " (") for line in record["assumptions"])


def test_every_output_of_a_drill_is_in_miles(
    american_plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["drill", str(american_plan.with_name("drill.toml")), "--out", str(tmp_path)]) in (0, 3)
    assert "fire at 7.5 mph" in capsys.readouterr().out
    for name in ("drill.html", "drill_annex.html", "drill_participants.html"):
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert not list(metric_alone(text)), name
        assert re.search(r"to \d+ °F, humidity down to \d+ %, wind to \d+ mph", said(text)), name
        assert re.search(r"[\d.]+ miles? ", said(text)), name
    assert " acres have burnt" in said((tmp_path / "drill_participants.html").read_text(encoding="utf-8"))


def test_check_says_miles(american_plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(american_plan)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert not list(metric_alone(told))
    assert "15.5 miles (25 km)" in told
