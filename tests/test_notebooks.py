"""Every notebook runs from top to bottom without a click, defines nothing, and is stored without outputs."""

from __future__ import annotations

import ast
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import jupytext
import nbclient
import nbformat
import pytest

from leaveby import notebook as door
from leaveby.ask.household import load_plan, plan_household
from leaveby.caution import OVERRIDE
from leaveby.decision.ways.result import FirstAnswer
from leaveby.notebook.leave_early import first_words
from leaveby.show.wording import clock_words
from shown_cells import assert_outputs, own_jupyter

NOTEBOOKS = Path(__file__).resolve().parents[1] / "notebooks"
NAMES = sorted(path.name for path in NOTEBOOKS.glob("*.ipynb"))


def test_there_are_notebooks_and_each_has_its_twin() -> None:
    assert "01_leave_early.ipynb" in NAMES
    assert [path.name for path in sorted(NOTEBOOKS.glob("*.py"))] == [name.replace(".ipynb", ".py") for name in NAMES]


@pytest.mark.parametrize("name", NAMES)
def test_stored_without_outputs_and_like_its_twin(name: str) -> None:
    notebook = nbformat.read(NOTEBOOKS / name, as_version=4)
    twin = jupytext.read(NOTEBOOKS / name.replace(".ipynb", ".py"))
    assert [(cell.cell_type, cell.source) for cell in notebook.cells] == [
        (cell.cell_type, cell.source) for cell in twin.cells
    ]
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@pytest.mark.parametrize("name", NAMES)
def test_defines_nothing_and_says_that_warnings_override(name: str) -> None:
    notebook = nbformat.read(NOTEBOOKS / name, as_version=4)
    code = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")
    defined = [
        node
        for node in ast.walk(ast.parse(code))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda)
    ]
    assert defined == []
    # On top, before anything runs; what runs says it too (below).
    first = notebook.cells[0]
    assert (first.cell_type, "override" in first.source) == ("markdown", True)
    first_code = next(cell for cell in notebook.cells if cell.cell_type == "code")
    assert first_code.metadata.get("tags") == ["parameters"]


@pytest.mark.parametrize("name", NAMES)
def test_comes_in_through_one_door(name: str) -> None:
    """A notebook takes from `leaveby` and `leaveby.notebook` only, and each name is one that the door gives."""
    notebook = nbformat.read(NOTEBOOKS / name, as_version=4)
    code = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            assert [alias.name for alias in node.names] == ["leaveby"]
        elif isinstance(node, ast.ImportFrom):
            assert (node.module, node.level) == ("leaveby.notebook", 0)
            assert {alias.name for alias in node.names} <= set(door.__all__)


def test_the_door_gives_what_it_names_and_nothing_else() -> None:
    # Twice: a module of the same name would stand in its place once it has been loaded.
    for name in (*door.__all__, *door.__all__):
        assert callable(getattr(door, name)), name
    with pytest.raises(AttributeError, match="no_such_panel"):
        door.no_such_panel  # noqa: B018


@pytest.fixture(scope="module")
def own_notebooks(tmp_path_factory: pytest.TempPathFactory, small_notebooks: Callable[[Path], None]) -> Path:
    """The notebooks with a small household in their first cells: as shipped, the demo's own tests answer it."""
    folder = tmp_path_factory.mktemp("own") / "notebooks"
    small_notebooks(folder)
    return folder


@pytest.mark.told_by("tests/browser/test_jupyterlab.py")
@pytest.mark.parametrize("name", NAMES)
def test_runs_from_top_to_bottom(
    name: str, own_notebooks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is no browser; where there is one, JupyterLab runs the same cells, and the same is asked of them."""
    for variable, value in own_jupyter(tmp_path).items():
        monkeypatch.setenv(variable, value)
    notebook = nbformat.read(own_notebooks / name, as_version=4)
    client = nbclient.NotebookClient(notebook, timeout=600, resources={"metadata": {"path": os.fspath(tmp_path)}})
    client.execute()
    assert_outputs(name, notebook.cells)


@pytest.mark.parametrize("name", NAMES)
def test_what_the_first_cell_names_is_shipped(name: str) -> None:
    """The files that a notebook begins with lie where the installation keeps them."""
    notebook = nbformat.read(NOTEBOOKS / name, as_version=4)
    first = next(cell.source for cell in notebook.cells if cell.cell_type == "code")
    for file in re.findall(r'demo_folder\(\) / "([^"]+)"', first):
        assert (door.demo_folder() / file).is_file(), file


def test_a_first_answer_stands_before_the_whole_one_and_its_earlier_end_is_named(small_plan: Path) -> None:
    """Its interval is for 90 in 100 such answers: on a household that does not change, half as wide again holds all."""
    happened: list[object] = []
    result = plan_household(
        small_plan, workers=2, first=happened.append, progress=lambda what, *_: happened.append(what)
    )
    (few,) = (one for one in happened if isinstance(one, FirstAnswer))
    assert "rules" not in happened[: happened.index(few)]
    assert few.start == result.start
    words = first_words(few)
    assert OVERRIDE in words
    assert "It is being refined" in words
    for name in ("tow", "car"):
        known, at_s = few.ways[name].precision, result.ways[name].latest_start_s
        assert at_s is not None
        width_s = known.high_s - known.low_s
        assert known.low_s - width_s - 300.0 <= at_s <= known.high_s + width_s + 300.0
        assert f"Start getting ready by {clock_words(few, known.low_s)}" in words


def test_without_a_fire_there_is_no_first_answer(small_plan: Path) -> None:
    plan = replace(load_plan(small_plan), ignitions=())
    few: list[FirstAnswer] = []
    plan_household(plan, workers=2, first=few.append)
    assert few == []
