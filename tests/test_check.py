"""`leaveby check`: what it says of a plan without a fault can be acted on, and acting on it changes what it says."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio

from leaveby.ask.check import Checked, check_inputs
from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.cli import main

DATA = Path(__file__).parent / "data"
HOME_ROAD = """<tag k="highway" v="unclassified"/>
    <tag k="surface" v="gravel"/>
    <tag k="name" v="Sallow Spur Road"/>"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(demo_folder(), tmp_path / "place", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    return tmp_path / "place"


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def checked(plan: Path) -> Checked:
    return check_inputs(read_inputs(load_plan(plan)))


def said(plan: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["check", str(plan)]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_of_feet_it_speaks_only_where_the_plan_does(folder: Path) -> None:
    plan = folder / "plan.toml"
    edit(plan, 'ways = ["tow", "car"]\n\n[[safe', 'ways = ["tow", "car", "foot"]\n\n[[safe')
    assert set(checked(plan).roads) == {"tow", "car", "foot"}


def test_every_kind_of_file_has_its_assumptions(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(folder / "plan.toml", capsys)
    for words in (
        "The terrain was coarsened from cells of 30 m",
        "Built-up land is taken to carry fire like grazed pasture",
        "Each weather row is taken to hold from its own time",
        "Turn restrictions, and closings that depend on the season or the hour, were not read from the map",
        "0.5 km of road came out steeper than 25 %",
        "The rules for a fire nobody knows yet are computed on",
    ):
        assert words in text
    assert main(["check", str(folder / "plan.toml"), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert {"override", "faults", "roads", "reach", "changes", "assumptions"} == set(record)
    assert set(record["roads"]) == {"tow", "car"}
    assert "foot" not in text


def test_an_assumption_names_the_key_and_its_line_and_writing_it_takes_the_assumption_away(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = folder / "plan.toml"
    for words, old in (
        ("The fire is driven by the mean wind", r"use_gusts = .*"),
        ("states no stand-off", r"standoff_m = .*"),
    ):
        lines = [line for line in plan.read_text(encoding="utf-8").splitlines() if not re.match(old, line)]
        plan.write_text("\n".join(lines), encoding="utf-8")
        (sentence,) = [line for line in checked(plan).assumptions if words in line]
        found = re.search(r"To change it: .*plan\.toml line (\d+): \[(\w+)\] (\w+), write (\w+ = \w+)", sentence)
        assert found is not None, sentence
        assert lines[int(found[1]) - 1].startswith(f"[{found[2]}]")
        assert found[4].startswith(found[3])
        lines.insert(int(found[1]), found[4])
        plan.write_text("\n".join(lines), encoding="utf-8")
        assert not any(words in line for line in checked(plan).assumptions)
    capsys.readouterr()


def test_that_no_neighbours_are_counted_is_said_with_the_key_that_counts_them(folder: Path) -> None:
    plan = folder / "plan.toml"
    without = re.sub(r"\[neighbours\].*?(?=\n\[)", "", plan.read_text(encoding="utf-8"), flags=re.DOTALL)
    plan.write_text(without, encoding="utf-8")
    told = "No neighbours' cars are counted on the road: on a single-exit street leave earlier still."
    (sentence,) = [line for line in checked(plan).assumptions if line.startswith(told)]
    assert sentence.endswith("[neighbours] homes, write homes = 40, or how many homes leave by the same road as you.")
    for counted in ("homes = 40", 'file = "roads.osm"'):
        plan.write_text(f"{without}\n[neighbours]\n{counted}\n", encoding="utf-8")
        said = [line for line in checked(plan).assumptions if line.startswith(("Neighbours", "No neighbours"))]
        assert len(said) == 1
        assert said[0].startswith("Neighbours leave when you do, ahead of you: 2 cars a home, of which 10 % tow.")


def test_where_a_locked_gate_shuts_everyone_in_the_line_to_write_is_said_and_writing_it_mends(folder: Path) -> None:
    """The demo's roads with every safe point behind locked gates of public roads."""
    plan, roads = folder / "plan.toml", folder / "roads.osm"
    public = r'<tag k="highway" v="(tertiary|secondary|primary)"/>'
    locked = r'<tag k="highway" v="\1"/><tag k="access" v="private"/>'
    gated = re.sub(public, locked, roads.read_text(encoding="utf-8"))
    roads.write_text(gated, encoding="utf-8")
    before = checked(plan)
    assert before.roads["car"].startswith("Leaving by car, without the house: no route.")
    (car,) = [line for line in before.changes if line.startswith("Leaving by car")]
    found = re.search(r"write (open_gates = \[.*?\]) in .*plan\.toml line (\d+): \[roads\] open_gates\.", car)
    assert found is not None, car
    assert "if you can open it at once, in smoke and without power" in car
    lines = plan.read_text(encoding="utf-8").splitlines()
    if lines[int(found[2]) - 1].startswith("open_gates"):
        lines[int(found[2]) - 1] = found[1]
    else:
        lines.insert(int(found[2]), found[1])
    plan.write_text("\n".join(lines), encoding="utf-8")
    after = checked(plan)
    assert "a route leads to" in after.roads["car"]
    assert not [line for line in after.changes if line.startswith("Leaving by car")]


def test_the_own_private_way_is_named_with_what_to_write(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit(
        folder / "roads.osm", HOME_ROAD, HOME_ROAD.replace("unclassified", "service") + '<tag k="access" v="private"/>'
    )
    text = said(folder / "plan.toml", capsys)
    assert "private ways or gates on it, to the first public road" in text
    assert re.search(r'\(way 27\).*To change it: .*\[roads\].*, write open_gates = \["w27"\] if you can open it', text)


def test_how_far_the_files_reach_is_said_by_direction() -> None:
    """The Andorra raster ends 11 km west and 14 km north of the home, its polygons at the border."""
    inputs = read_inputs(load_plan(DATA / "andorra_plan.toml"))
    reach = check_inputs(inputs).reach
    assert inputs.wide is not None
    grid, fuel = inputs.wide.terrain.grid, inputs.wide.fuel
    (short,) = [line for line in reach if line.startswith("The ground of the rules ends")]
    told = {side: float(far) for far, side in re.findall(r"([\d.]+) km (north|east|south|west)", short)}
    assert set(told) == {"north", "south", "west"}
    with rasterio.open(DATA / "andorra_dem.tif") as source:
        north_m = (source.bounds.top - inputs.plan.home.lat_deg) * 111_200.0
    assert told["north"] == pytest.approx(north_m / 1000.0, abs=0.3)
    assert "and they are for fires within 25 km" in short
    assert reach[0].startswith("The roads end ")
    (fuel_line,) = [line for line in reach if line.startswith("Of the ground of the rules, the fuel file says nothing")]
    shares = [float(share) for share in re.findall(r"(\d+) % (?:north|east|south|west)", fuel_line)]
    unmapped = float(np.mean([fuel.types[code].name == "unmapped" for code in fuel.code.ravel()]))
    assert min(shares) <= 100 * unmapped <= max(shares)
    assert grid.cell_m == 100.0


def test_a_fault_of_a_ratings_day_is_found_by_check(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two days that do not rise, though each could be a day: common sense, no source."""
    plan = folder / "plan.toml"
    days = "".join(
        f'[[ratings]]\nname = "{name}"\nwind_km_h = {wind}\ntemperature_c = {heat}\nhumidity_percent = {damp}\n'
        for name, wind, heat, damp in (("mild", 60, 44, 5), ("worse", 10, 20, 60))
    )
    text = plan.read_text(encoding="utf-8") + f"\n{days}"
    text = text if "[danger]" in text else text + '\n[danger]\nscale = "own"\n'
    plan.write_text(text, encoding="utf-8")
    assert main(["check", str(plan)]) == 2
    assert 'ratings[2] "worse"' in " ".join(capsys.readouterr().err.split())
