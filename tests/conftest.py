"""What holds for all tests: no property is judged by the clock of the machine that it happens to run on.

And the demo's household made small, for tests that look at what is done with an answer and not at its numbers.

Where no browser is installed the tests in tests/browser don't run, and the end of the report says so in one line, also
when processes share the tests. With LEAVEBY_BROWSER set to `required`, as .ci/run sets it, that is an error.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import re
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import settings

from leaveby.ask.household import demo_folder, notebooks_folder
from leaveby.errors import InputError
from leaveby.files.write.printed import find_browser
from smaller import Once, shared_folder

LEFT_OUT = pytest.StashKey[int]()
FIRST = [
    Path(__file__).parent / name for name in ("test_demo.py", "browser/test_sheet.py", "browser/test_streets_sides.py")
]
"""A demo that makes machine code for all tests, in a checkout that has none, and meanwhile, for the other process, the
longest files that need none of it."""
SMALL = {
    "plan.toml": {
        r"members = \d+": "members = 24",
        r'file = "terrain\.tif"$': 'file = "terrain.tif"\ncell_m = 96',
        r"cell_m = 250\b": "cell_m = 1000",
    },
    "drill.toml": {r"members = \d+": "members = 24"},
    "district.toml": {
        r"of_each_rating = \d+": "of_each_rating = 20",
        r"horizon_h = \d+": "horizon_h = 3",
        r"second_exits = \d+": "second_exits = 1",
    },
}
"""What the small household's files have instead of the demo's: beginnings of lines, and what stands there."""

settings.register_profile("any machine", parent=settings.default, deadline=None)
settings.load_profile("any machine")


def browser_is_installed() -> bool:
    try:
        find_browser()
    except InputError:
        return False
    return True


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "told_by(file): left out where that file runs too, which asks the same and more")
    if os.environ.get("LEAVEBY_BROWSER") == "required" and not browser_is_installed():
        raise pytest.UsageError("no browser is installed, and the tests in tests/browser need one: install chromium")


@pytest.hookimpl(trylast=True)  # what was chosen with -k is known by then
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    here = [item for item in items if Path(__file__).with_name("browser") in item.path.parents]
    if here and not browser_is_installed():
        items[:] = [item for item in items if item not in here]
        config.hook.pytest_deselected(items=here)
        config.stash[LEFT_OUT] = len(here)
    running = {item.path for item in items}
    told = [
        item
        for item in items
        if (by := item.get_closest_marker("told_by")) is not None and config.rootpath / by.args[0] in running
    ]
    items[:] = [item for item in items if item not in told]
    config.hook.pytest_deselected(items=told)
    items.sort(key=lambda item: FIRST.index(item.path) if item.path in FIRST else len(FIRST))


def pytest_sessionfinish(session: pytest.Session) -> None:
    told = getattr(session.config, "workeroutput", None)
    if told is not None:
        told["left_out"] = session.config.stash.get(LEFT_OUT, 0)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """A process that shared the tests has ended; each of them has left out the same."""
    node.config.stash[LEFT_OUT] = getattr(node, "workeroutput", {}).get("left_out", 0)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    left_out = config.stash.get(LEFT_OUT, 0)
    if left_out:
        terminalreporter.write_line(
            f"NO BROWSER: {left_out} tests in tests/browser did not run; install chromium", red=True, bold=True
        )


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
def american_demo() -> ModuleType:
    """The demo's place moved to the United States, in miles and feet."""
    return load_module("files/american_demo")


@pytest.fixture(scope="session")
def places() -> ModuleType:
    """Two invented places with wide ground."""
    return load_module("decision/places")


@pytest.fixture(scope="session")
def small_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's household, drill and district with few members, fires and large cells; nobody writes beside them.

    One folder for all processes that share the tests, so that an answer to it is worked out once (`once`).
    """
    folder = shared_folder(tmp_path_factory) / "small_household"
    if not folder.exists():
        made = tmp_path_factory.mktemp("household") / "demo"
        shutil.copytree(demo_folder(), made)
        for name, changes in SMALL.items():
            text = (made / name).read_text(encoding="utf-8")
            for words, fewer in changes.items():
                text, changed = re.subn(rf"(?m)^{words}", fewer, text)
                assert changed == 1, (name, words)
            (made / name).write_text(text, encoding="utf-8")
        with contextlib.suppress(OSError):  # another process was sooner, and made the same
            made.rename(folder)
    return folder / "plan.toml"


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """Gives what a question answers, to be read: worked out once for all processes that share the tests."""
    return Once(shared_folder(tmp_path_factory))


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
                    source = re.sub(r"(?m)^(MEMBERS|TRUTHS|DAYS) = \d+", r"\1 = 24", source)
                    cell["source"] = f"from pathlib import Path\n\n{source}"
            (folder / path.name).write_text(json.dumps(notebook), encoding="utf-8")

    return copied
