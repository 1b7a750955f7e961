"""A real browser for the tests of this folder, and a place to keep the pictures that it takes."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from leaveby.ask import demo_folder, notebooks_folder

ROOT = Path(__file__).resolve().parents[2]
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking")
"""For a machine without a screen, for the root user of a container, and so that the browser itself calls nobody."""


@pytest.fixture(scope="session")
def browser_path() -> str:
    """Path of the Chromium that the system has."""
    for name in ("chromium", "chromium-browser"):
        found = shutil.which(name)
        if found is not None:
            return found
    pytest.fail(
        "These tests open the pages in a real browser, and Chromium is not installed. On Debian and its kin: "
        "sudo apt-get install chromium fonts-dejavu",
        pytrace=False,
    )


@pytest.fixture(scope="session")
def artefacts() -> Path:
    """Folder that keeps pictures and prints for people to look at; git does not see it."""
    folder = ROOT / ".browser_artefacts"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def browser(browser_path: str) -> Iterator[Browser]:
    """One browser per test file; shut before the next file, so that its event loop is in nobody's way."""
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=browser_path, args=list(FLAGS))
        yield opened
        opened.close()


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
