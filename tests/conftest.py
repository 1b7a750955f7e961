"""What holds for all tests: no property is judged by the clock of the machine that it happens to run on.

And the demo's household made small, for tests that look at what is done with an answer and not at its numbers.
"""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import settings

from leaveby.ask.household import demo_folder, notebooks_folder

settings.register_profile("any machine", parent=settings.default, deadline=None)
settings.load_profile("any machine")


def load_module(place: str) -> ModuleType:
    """Load a module of the tests by its file, "folder/name", once for all that ask."""
    path = Path(__file__).parent / f"{place}.py"
    known = f"leaveby_tests_{path.stem}"
    if known not in sys.modules:
        spec = importlib.util.spec_from_file_location(known, path)
        assert spec is not None
        assert spec.loader is not None
        sys.modules[known] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[known])
    return sys.modules[known]


@pytest.fixture(scope="session")
def invented() -> ModuleType:
    """An answer made by hand, for tests that look at how it is shown."""
    return load_module("show/invented")


@pytest.fixture(scope="session")
def valleys() -> ModuleType:
    """Invented households in plain valleys, made in memory."""
    return load_module("decision/invented_valley")


@pytest.fixture(scope="session")
def harder() -> ModuleType:
    """Changes that make a plan harder."""
    return load_module("decision/harder_plans")


@pytest.fixture(scope="session")
def invented_data() -> ModuleType:
    """A server of invented open data on this machine."""
    return load_module("files/open_data_server")


@pytest.fixture(scope="session")
def places() -> ModuleType:
    """Two invented places with wide ground."""
    return load_module("decision/places")


@pytest.fixture(scope="session")
def small_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's household with few members and large cells, so that an answer is there soon."""
    folder = tmp_path_factory.mktemp("household") / "demo"
    shutil.copytree(demo_folder(), folder)
    for name in ("plan.toml", "drill.toml"):
        text, changed = re.subn(r"(?m)^members = \d+", "members = 24", (folder / name).read_text(encoding="utf-8"))
        assert changed == 1, name
        (folder / name).write_text(text, encoding="utf-8")
    plan = folder / "plan.toml"
    text, changed = re.subn(r'(?m)^(file = "terrain\.tif")$', r"\1\ncell_m = 96", plan.read_text(encoding="utf-8"))
    assert changed == 1
    text, changed = re.subn(r"(?m)^cell_m = 250\b", "cell_m = 1000", text)
    assert changed == 1
    plan.write_text(text, encoding="utf-8")
    return plan


@pytest.fixture(scope="session")
def small_notebooks(small_plan: Path) -> Callable[[Path], None]:
    """Copies the notebooks into a folder; their first cells are changed as a person would: own files, small numbers."""

    def copied(folder: Path) -> None:
        folder.mkdir()
        for path in notebooks_folder().glob("*.ipynb"):
            notebook = json.loads(path.read_text(encoding="utf-8"))
            for cell in notebook["cells"]:
                if "parameters" in cell["metadata"].get("tags", ()):
                    source = "".join(cell["source"]).replace("demo_folder() /", f"Path({str(small_plan.parent)!r}) /")
                    source = re.sub(r"(?m)^(MEMBERS|TRUTHS) = \d+", r"\1 = 24", source)
                    cell["source"] = f"from pathlib import Path\n\n{source}"
            (folder / path.name).write_text(json.dumps(notebook), encoding="utf-8")

    return copied
