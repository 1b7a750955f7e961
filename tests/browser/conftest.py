"""A real browser for the tests of this folder, and a place to keep the pictures that it takes.

Where no browser is installed these tests don't run, and the end of the report says so in one line. With LEAVEBY_BROWSER
set to `required`, as .ci/run sets it, that is an error.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pypdfium2
import pytest
from matplotlib import get_data_path
from playwright.sync_api import Browser, expect, sync_playwright

from leaveby.errors import InputError
from leaveby.files.write.printed import find_browser

ROOT = Path(__file__).resolve().parents[2]
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking")
"""For a machine without a screen, for the root user of a container, and so that the browser itself calls nobody."""
LEFT_OUT = pytest.StashKey[int]()

expect.set_options(timeout=180_000)  # a hanging page ends here; a slow machine is none of these tests' business


def installed_browser() -> str | None:
    try:
        return str(find_browser())
    except InputError:
        return None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    here = [item for item in items if Path(__file__).parent in item.path.parents]
    if not here or installed_browser() is not None:
        return
    if os.environ.get("LEAVEBY_BROWSER") == "required":
        raise pytest.UsageError(f"no browser is installed, and {len(here)} tests need one: install chromium")
    items[:] = [item for item in items if item not in here]
    config.hook.pytest_deselected(items=here)
    config.stash[LEFT_OUT] = len(here)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    left_out = config.stash.get(LEFT_OUT, 0)
    if left_out:
        terminalreporter.write_line(
            f"NO BROWSER: {left_out} tests in tests/browser did not run; install chromium", red=True, bold=True
        )


@pytest.fixture(scope="session")
def browser_path() -> str:
    """Path of the browser that the system has."""
    return str(find_browser())


@pytest.fixture(scope="session")
def start_pages() -> Callable[..., subprocess.Popen[str]]:
    """Starts `leaveby lab --simple` on a folder, and gives its process; what it says comes on standard error."""

    def started(folder: Path, *arguments: str, ctrl_c: bool = True) -> subprocess.Popen[str]:
        # A process inherits whether Ctrl and C is ignored, and these tests may run where it is: behind a script.
        before = signal.signal(signal.SIGINT, signal.default_int_handler if ctrl_c else signal.SIG_IGN)
        try:
            return subprocess.Popen(
                [
                    *(sys.executable, "-m", "leaveby.cli", "lab", "--simple", "--no-browser"),
                    *("--folder", str(folder), *arguments),
                ],
                cwd=folder.parent,
                env={**os.environ, "JUPYTER_PLATFORM_DIRS": "1", "IPYTHONDIR": str(folder.parent / "ipython")},
                stderr=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                text=True,
            )
        finally:
            signal.signal(signal.SIGINT, before)

    return started


@pytest.fixture(scope="session")
def letter_boxes() -> Callable[[Path], list[list[tuple[str, tuple[float, ...]]]]]:
    """Reads where each letter of a print stands, side by side: the letter, and its box in tenths of a point."""

    def read(path: Path) -> list[list[tuple[str, tuple[float, ...]]]]:
        with pypdfium2.PdfDocument(path) as printed:
            sides = []
            for side in printed:
                words = side.get_textpage()
                sides.append(
                    [
                        (words.get_text_range(at, 1), tuple(round(edge, 1) for edge in words.get_charbox(at)))
                        for at in range(words.count_chars())
                    ]
                )
            return sides

    return read


@pytest.fixture(scope="session")
def font_sets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Fontconfig files for machines with other fonts: with signs alone, and with a Times-like and an East Asian one.

    With no font at all Chromium may show no words, not even those of a page's own letters.
    """
    folder = tmp_path_factory.mktemp("fonts")
    found = importlib.util.find_spec("uxsim")
    assert found is not None
    assert found.origin is not None
    queue_fonts = Path(found.origin).parent / "files"
    shipped = Path(get_data_path()) / "fonts" / "ttf"
    others = [
        *shipped.glob("STIXGeneral*.ttf"),
        *queue_fonts.glob("HackGen-Regular.ttf"),
    ]
    sets = {}
    for name, fonts in (("signs", [shipped / "STIXSizFiveSymReg.ttf"]), ("others", others)):
        (folder / name).mkdir()
        for font in fonts:
            shutil.copy(font, folder / name)
        sets[name] = folder / f"{name}.conf"
        sets[name].write_text(
            '<?xml version="1.0"?>\n<!DOCTYPE fontconfig SYSTEM "fonts.dtd">\n'
            f"<fontconfig><dir>{folder / name}</dir><cachedir>{folder / 'cache'}</cachedir></fontconfig>\n",
            encoding="utf-8",
        )
    return sets


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
