"""`leaveby lab`: whose notebooks it opens, what it is started with, and what it says when something is missing."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import nbformat
import pytest

from leaveby import lab
from leaveby.ask.household import demo_folder, notebooks_folder
from leaveby.caution import OVERRIDE
from leaveby.cli import BAD_INPUT, COMPUTED, main


def test_says_where_the_notebooks_are_and_keeps_what_a_person_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "notebooks"
    assert main(["lab", "--json", "--folder", str(own)]) == COMPUTED
    said = json.loads(capsys.readouterr().out)
    assert said["override"] == OVERRIDE
    assert [Path(path).name for path in said["notebooks"]] == sorted(
        path.name for path in notebooks_folder().glob("*.ipynb")
    )
    changed = own / Path(said["notebooks"][0]).name
    changed.write_text("changed", encoding="utf-8")
    assert main(["lab", "--json", "--folder", str(own)]) == COMPUTED
    assert changed.read_text(encoding="utf-8") == "changed"


@pytest.mark.parametrize(
    ("arguments", "missing", "name"), [(["--simple"], "voila", "Voila"), ([], "jupyterlab", "JupyterLab")]
)
def test_says_how_to_install_what_is_missing(
    arguments: list[str],
    missing: str,
    name: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda wanted: None if wanted == missing else found(wanted))
    assert main(["lab", *arguments, "--folder", str(tmp_path / "notebooks")]) == BAD_INPUT
    said = capsys.readouterr().err
    assert f"{name}" in said
    assert 'pip install "leaveby[lab]"' in said
    assert "Traceback" not in said


def test_a_plan_that_can_not_be_used_is_refused_before_anything_is_served(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = ["--folder", str(tmp_path / "notebooks")]
    assert main(["lab", "--simple", "--plan", str(tmp_path / "nowhere.toml"), *folder]) == BAD_INPUT
    assert "there is no such file" in capsys.readouterr().err
    assert main(["lab", "--plan", str(demo_folder() / "plan.toml"), *folder]) == BAD_INPUT
    assert "--simple" in capsys.readouterr().err


def test_a_folder_that_can_not_be_written_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "notebooks").write_text("a file", encoding="utf-8")
    assert main(["lab", "--json", "--folder", str(tmp_path / "notebooks")]) == BAD_INPUT
    assert "can't be written" in " ".join(capsys.readouterr().err.split())


def test_jupyterlab_is_started_for_this_machine_only_and_told_to_fetch_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[list[str]] = []

    def run(command: list[str], *, env: dict[str, str], check: bool) -> object:
        started.append(command)
        config = Path(env["JUPYTER_CONFIG_PATH"].split(lab.os.pathsep)[0])
        assert "announcements" in (config / "labconfig" / "page_config.json").read_text(encoding="utf-8")
        return lab.subprocess.CompletedProcess(command, 1 if check else 0)

    monkeypatch.setattr(lab.subprocess, "run", run)
    assert lab.open_lab(tmp_path, port=9123, browser=False)
    (command,) = started
    assert {"--ip=127.0.0.1", "--port=9123", "--no-browser", "--LabApp.news_url=None"} <= set(command)
    assert any("NeverCheckForUpdate" in word for word in command)
    assert not any("token" in word for word in command)


def test_the_plain_pages_are_for_this_machine_only(tmp_path: Path) -> None:
    settings = lab.pages_settings(tmp_path, tmp_path / "scratch", port=1, token="secret")
    assert settings["Voila"]["ip"] == "127.0.0.1"
    assert settings["VoilaConfiguration"]["strip_sources"]
    assert settings["VoilaConfiguration"]["file_allowlist"] == []
    assert 0 < settings["MappingKernelManager"]["cull_idle_timeout"] <= 600


def test_no_path_of_a_socket_is_longer_than_a_system_allows(tmp_path: Path) -> None:
    """Unix sockets have paths of up to 103 bytes on macOS, 107 on Linux (their headers, from memory)."""
    for length, way in ((30, "ipc"), (37, "ipc"), (39, "tcp"), (200, "tcp")):
        scratch = Path("/" + "t" * (length - 1))
        settings = lab.pages_settings(tmp_path, scratch, port=1, token="secret")
        assert settings["KernelManager"]["transport"] == way, length


def test_what_a_killed_server_left_goes_with_the_next_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    ended = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    left = tmp_path / f"leaveby-{int(ended.stdout)}-abcd"
    (left / "voila_x").mkdir(parents=True)
    others = [tmp_path / "leaveby-of-mine", tmp_path / f"leaveby-{os.getpid()}-abcd", tmp_path / "leaveby-1-abcd"]
    for one in others:
        one.mkdir()
    made = lab.own_scratch()
    assert not left.exists()
    assert made.stat().st_mode & 0o077 == 0
    assert {*tmp_path.iterdir()} == {*others, made}


def test_a_plan_goes_where_a_notebook_asks_for_one() -> None:
    notebook = nbformat.read(notebooks_folder() / "01_leave_early.ipynb", as_version=4)
    plan = Path("our 'own' plan.toml").resolve()
    given = lab.with_plan(notebook, plan)
    assert len(given.cells) == len(notebook.cells) + 1
    values: dict[str, object] = {}
    exec(next(cell.source for cell in given.cells if "'own'" in cell.source), values)
    assert values["PLAN"] == plan
    speeds = nbformat.read(notebooks_folder() / "03_how_fast_is_fast.ipynb", as_version=4)
    assert lab.with_plan(speeds, plan) == speeds


def test_every_notebook_says_what_it_answers_and_loses_its_words_on_cells() -> None:
    for path in sorted(notebooks_folder().glob("*.ipynb")):
        about = lab.about_notebook(path)
        assert not about.title[0].isdigit(), path.name
        assert about.words.endswith((".", "?")), path.name
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "markdown":
                assert "Run All Cells" not in lab.without_cell_words(cell.source), path.name


@pytest.mark.parametrize("text", ["{}", "", '{"cells": []}', '{"cells": [{"cell_type": "markdown"}]}'])
def test_a_notebook_without_words_is_called_by_its_file(text: str, tmp_path: Path) -> None:
    path = tmp_path / "12_our_street.ipynb"
    path.write_text(text, encoding="utf-8")
    assert lab.about_notebook(path) == lab.About(title="Our street", words="")


def test_the_way_in_is_for_the_person_alone_and_gone_afterwards(tmp_path: Path) -> None:
    with lab.way_in(tmp_path) as way_in:
        way_in("http://127.0.0.1:1/?token=secret")
        (made,) = tmp_path.iterdir()
        assert "?token=secret" in made.read_text(encoding="utf-8")
        assert made.stat().st_mode & 0o077 == 0
    assert list(tmp_path.iterdir()) == []
