"""`leaveby streets` from the command line: what it writes, what it says, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import leaveby
from leaveby import caution
from leaveby.ask.household import demo_folder
from leaveby.cli import main


def test_the_demo_streets_are_surveyed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["streets", str(demo_folder() / "roads.osm"), "--out", str(tmp_path / "out"), "--json"])
    said = capsys.readouterr()
    assert code == 0, said.err
    record = json.loads(said.out)
    assert caution.OVERRIDE in json.dumps(record, ensure_ascii=False)
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "streets.json",
        "streets.html",
        "streets.gpkg",
        "streets.csv",
    }
    # the demo's extract holds all of its invented place and was cut nowhere: nothing is left open
    assert record["go_on_to_somewhere_unknown"]["roads"] == []
    assert record["homes"]["behind_a_single_exit"] == record["homes"]["given"] == 239
    assert record["groups"][0]["homes_for_certain"] == 239
    assert "Sallow Spur Road" in (tmp_path / "out" / "streets.csv").read_text(encoding="utf-8")


def test_a_missing_extract_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["streets", str(tmp_path / "none.osm"), "--out", str(tmp_path / "out")])
    said = capsys.readouterr()
    assert code == 2
    assert "there is no such file" in " ".join(said.err.split())
    assert said.out == ""
    assert not (tmp_path / "out").exists()


def test_the_questions_are_at_hand_in_python() -> None:
    assert callable(leaveby.survey_streets)
    assert callable(leaveby.plan_household)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = leaveby.nothing
