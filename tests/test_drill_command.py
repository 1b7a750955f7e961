"""`leaveby drill` from the command line: what it writes, what it says, what it refuses."""

from __future__ import annotations

import json
import shutil
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest

import leaveby
from leaveby import caution
from leaveby.ask.household import demo_folder
from leaveby.cli import main
from leaveby.show.drill.words import EXERCISE_BANNER

FILES = {"drill.json", "drill.html", "drill_annex.html", "drill_participants.html"}


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's drill with few members."""
    folder = tmp_path_factory.mktemp("small") / "demo"
    shutil.copytree(demo_folder(), folder)
    text = (folder / "drill.toml").read_text(encoding="utf-8")
    (folder / "drill.toml").write_text(text.replace("members = 100", "members = 20"), encoding="utf-8")
    return folder / "drill.toml"


def test_the_demo_drill_is_run(small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["drill", str(small), "--out", str(tmp_path / "out"), "--json", "--workers", "2"])
    said = capsys.readouterr()
    assert code == 0, said.err
    record = json.loads(said.out)
    assert record == json.loads((tmp_path / "out" / "drill.json").read_text(encoding="utf-8"))
    schema = files("leaveby.show.drill").joinpath("drill.schema.json").read_text(encoding="utf-8")
    jsonschema.validate(record, json.loads(schema))
    assert next(iter(record)) == "override"
    assert record["members"] == 20
    assert {path.name for path in (tmp_path / "out").iterdir()} == FILES
    for name in FILES:
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert caution.OVERRIDE in text, name
        assert EXERCISE_BANNER in text, name
    assert [row["speed_kmh"] for row in record["rounds"]] == [5.0, 12.0, 50.0]
    # A run of L km at v km/h takes L / v hours (pencil and paper); the front counts at the earliest cell about the
    # home, up to one and a half cells of 48 m before its own.
    for row in record["rounds"]:
        taken_min = 60.0 * row["run"]["length_km"] / row["speed_kmh"]
        hours, minutes = row["front_at_home"][11:16].split(":")
        at_min = 60 * int(hours) + int(minutes) - (9 * 60 + 20)
        assert taken_min * (1.0 - 0.11 / row["run"]["length_km"]) - 1.5 <= at_min <= taken_min


def test_a_way_that_is_shut_in_every_round_is_said_plainly(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    text = small.read_text(encoding="utf-8").split("# What invented groups")[0]
    only = small.with_name("only_50.toml")
    only.write_text(text.replace("[5, 12, 50]", "[50]").replace("speeds_km_h = [5]\n", ""), encoding="utf-8")
    code = main(["drill", str(only), "--out", str(tmp_path / "out")])
    said = capsys.readouterr()
    assert code == 3, said.err
    told = " ".join(said.out.split())
    assert "no way of leaving can be begun in time once the fire has started" in told
    assert caution.OVERRIDE in told
    assert EXERCISE_BANNER in told
    assert "20 such days" in told
    assert "only_50.toml: [pauses] after_fire_min: pauses 4 to 7 lie after the end of round 1" in told
    assert "only_50.toml: [pauses] after_fire_min: in round 1 every road out is shut on more than half" in told
    page = (tmp_path / "out" / "drill_annex.html").read_text(encoding="utf-8")
    assert "In every round no way of leaving can be begun in time once the fire has started" in page


def test_every_fault_is_said_at_once_and_nothing_is_written(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = small.with_name("wrong.toml")
    text = small.read_text(encoding="utf-8")
    text = text.replace("members = 20", "members = 2").replace('kind = "phone"', 'kind = "telephone"')
    wrong.write_text(text.replace("pause = 1", "pause = 99"), encoding="utf-8")
    code = main(["drill", str(wrong), "--out", str(tmp_path / "out")])
    said = capsys.readouterr()
    assert code == 2
    assert "3 faults" in said.err
    for words in ("members", "telephone", "99"):
        assert words in said.err
    assert said.out == ""
    assert not (tmp_path / "out").exists()


def test_a_missing_file_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["drill", str(tmp_path / "none.toml")]) == 2
    assert "there is no such file" in " ".join(capsys.readouterr().err.split())
    assert main(["drill", str(tmp_path / "none.toml"), "--workers", "0"]) == 2
    assert "--workers" in capsys.readouterr().err


def test_the_question_is_at_hand_in_python() -> None:
    assert callable(leaveby.run_drill)
    assert "run_drill" in leaveby.__all__


def test_check_reads_a_drill_and_its_plan(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(small)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert caution.OVERRIDE in said
    for words in (
        "no fault found. No fire was computed.",
        "A drill of 3 rounds, with fires at 5, 12, 50 km/h.",
        "It begins 80 minutes before the fire of the plan starts, which is at 09:20.",
        "7 pauses, 5 of them after the fire starts.",
        "Injects of your own: 4. Answers of groups: 7.",
        "a route leads to",
    ):
        assert words in said
    assert main(["check", str(small), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["faults"] == []
    assert record["drill"][0].startswith("A drill of 3 rounds")
    # A plan is checked as before, without a word of drills.
    assert main(["check", str(small.with_name("plan.toml"))]) == 0
    assert "A drill" not in capsys.readouterr().out


def test_check_says_every_fault_of_a_drill(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = small.with_name("wrong_check.toml")
    text = small.read_text(encoding="utf-8")
    wrong.write_text(text.replace("members = 20", "members = 2").replace('kind = "phone"', 'kind = "letter"'), "utf-8")
    assert main(["check", str(wrong), "--json"]) == 2
    record = json.loads(capsys.readouterr().out)
    assert len(record["faults"]) == 2
    assert {"place", "wrong", "expected", "mend"} == set(record["faults"][0])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--pdf", "--browser", "no-such-browser"], "no-such-browser is not a program"),
        (["--browser", "x"], "--pdf beside"),
    ],
)
def test_a_print_that_cannot_be_made_is_refused_before_it_computes(
    words: list[str], told: str, small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["drill", str(small), *words, "--out", str(tmp_path / "out")]) == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out").exists()
