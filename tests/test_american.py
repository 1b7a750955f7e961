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
from leaveby.ask.household import load_plan, read_inputs
from leaveby.ask.new_given import day_of
from leaveby.errors import InputError
from leaveby.units import MILES_AND_FEET, MILES_AND_YARDS

MEMBERS = 24
METRIC_ALONE = re.compile(r"(?<![\w.(])\d[\d,.]* ?(?:km/h|km|m|°C|degrees C|hectares?)(?![\w/])")


@pytest.fixture(scope="module")
def american_plan(tmp_path_factory: pytest.TempPathFactory, american_demo: ModuleType) -> Path:
    folder = tmp_path_factory.mktemp("american") / "demo"
    plan: Path = american_demo.moved_demo(folder)
    for path, change in (
        (plan, (r'(?m)^(file = "terrain\.tif")$', r"\1\ncell_m = 96")),
        (plan, (r"(?m)^members = \d+", f"members = {MEMBERS}")),
        (plan, (r"(?m)^cell_m = 250\b", "cell_m = 1000")),
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
    # Said first, before any time, on the terminal and in the report; in a few words on the sheet.
    first = " ".join(terminal.split())
    begins = "Fire speeds here come from equations made for dry eucalypt forest of Australia"
    assert 0 < first.index(begins) < first.index("This is a planning aid")
    assert "not for forest and shrubland of US-CA: they may be far off." in first
    report = said(texts["report.html"])
    assert 0 < report.index(begins) < report.index("The rules, for a fire that nobody knows yet")
    few = "Fire speeds here come from equations made for other fuels: see the report."
    assert few in said(texts["plan.html"])
    record = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    # Numbers of a record stay metric, the unit in the key.
    assert record["rules"]["radius_km"] == 25.0
    assert record["made_elsewhere"][0].startswith(begins)
    assert all(line == line.replace(" feet (", " (") for line in record["assumptions"])


def test_every_output_of_a_drill_is_in_miles(
    american_plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["drill", str(american_plan.with_name("drill.toml")), "--out", str(tmp_path)]) in (0, 3)
    told = " ".join(capsys.readouterr().out.split())
    assert "fire at 7.5 mph" in told
    assert "not for forest and shrubland of US-CA: they may be far off." in told
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


def test_a_new_plan_there_is_written_in_its_units(american_plan: Path, tmp_path: Path) -> None:
    """Degrees F and miles an hour as a forecast gives them: 104 F = 40 C by definition, 1 mph = 0.44704 m/s exactly."""
    demo = american_plan.parent
    asked = {
        "--home": "36.1288307, -121.0576066",
        "--region": "US-CA",
        "--ways": "tow,car",
        "--people": "Ines, Bo, Wren*",
        "--roads": str(demo / "roads.osm"),
        "--terrain": str(demo / "terrain.tif"),
        "--fuel": str(demo / "fuel.tif"),
        "--fuel-legend": str(demo / "fuel_legend.csv"),
        "--bad-day": "104 F, 12 %, 40 mph from NW",
    }
    assert cli.main(["new", str(tmp_path / "mine"), *(part for pair in asked.items() for part in pair)]) == 0
    text = (tmp_path / "mine" / "plan.toml").read_text(encoding="utf-8")
    assert not re.search(r"(?m)^\w+_(?:km_h|kg|kw|c) =|^(?:width|height|length)_m =", text)
    for line in ("width_ft = 8.3 ", "height_ft = 13.8 ", "mass_lb = 7496 ", "speed_limit_mph = 37 ", "power_hp = 134 "):
        assert f"\n{line}" in text
    assert "up to 15.5 miles." in text
    plan = load_plan(tmp_path / "mine" / "plan.toml")
    assert [one.name for one in plan.ratings] == ["Moderate", "High", "Very High", "Extreme"]
    # On the side that makes people leave earlier: no smaller, lighter, faster or milder than the metric guess.
    house = next(one for one in plan.vehicles if one.kind == "trailer")
    assert house.width_m >= 2.5
    assert house.mass_kg >= 3400.0
    assert plan.towing is not None
    assert plan.towing.speed_limit_m_s <= 60.0 / 3.6
    hot = plan.ratings[2]
    assert (hot.air_temperature_c or 0.0) >= 38.0
    assert (hot.wind_m_s or 0.0) >= 40.0 / 3.6
    table = (tmp_path / "mine" / "weather.csv").read_text(encoding="utf-8").splitlines()
    assert table[2] == "time,temperature_f,relative_humidity_percent,wind_speed_mph,wind_from_deg"
    assert table[3].endswith(",104,12,40,315")
    weather = read_inputs(plan).weather
    assert weather.air_temperature_c.min() == pytest.approx(40.0)
    assert weather.wind_speed_m_s.max() == pytest.approx(40.0 * 0.44704)


@pytest.mark.parametrize(
    "text", ["104 F, 12 %, 40 mph, NW", "104 F; 12 %; 40 mph; north-west", "40 C, 12, 64.37376 km/h, 315"]
)
def test_a_bad_day_is_read_in_either_unit_where_people_write_fahrenheit(text: str) -> None:
    assert day_of(text, measures=MILES_AND_FEET) == pytest.approx((40.0, 12.0, 64.37376, 315.0))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("104, 12 %, 40 mph, NW", 'temperature "104". Expected degrees F, or degrees C with a C behind'),
        ("104 F, 12 %, 40, NW", 'wind "40". Expected mph, or km/h with km/h behind'),
        ("300 F, 12 %, 40 mph, NW", 'temperature "300 F". Expected degrees F'),
        ("104 F, 12 %", 'write it as in "104 F, 10 %, 30 mph, NW"'),
    ],
)
def test_a_number_that_could_be_either_is_refused_there(text: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        day_of(text, measures=MILES_AND_FEET)


def test_elsewhere_a_day_in_fahrenheit_is_refused_with_the_value_to_write() -> None:
    with pytest.raises(InputError, match="write 40 degrees C"):
        day_of("103 F, 12 %, 40 km/h, NW")
    assert day_of("30 C, 12 %, 40 mph, NW", measures=MILES_AND_YARDS) == pytest.approx((30.0, 12.0, 64.37376, 315.0))
