"""A real browser for the tests of this folder, and a place to keep the pictures that it takes.

Where no browser is installed these tests don't run: `tests/conftest.py` sees to it.
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pypdfium2
import pytest
from matplotlib import get_data_path
from playwright.sync_api import Browser, expect, sync_playwright

from leaveby.files.write.printed import find_browser
from shown_cells import own_jupyter

ROOT = Path(__file__).resolve().parents[2]
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking")
"""For a machine without a screen, for the root user of a container, and so that the browser itself calls nobody."""

HANGS_S = 600.0
"""What has not answered or ended by then hangs; a slow machine is none of these tests' business."""

CLOSED_WHILE_OPENING = re.compile(
    r"Uncaught exception GET /api/kernels/\S+/channels(?:(?!Uncaught exception).)*?"
    r"AttributeError: 'NoneType' object has no attribute 'kernel_ws_protocol'\n",
    re.DOTALL,
)
"""What jupyter_server says of a page that is closed while its connection opens: nobody waits for that any more."""

expect.set_options(timeout=1000 * HANGS_S)


@pytest.fixture(scope="session")
def browser_path() -> str:
    """Path of the browser that the system has."""
    return str(find_browser())


@dataclass
class Served:
    """A running `leaveby lab --simple`: its process, its folder, its address with the token, and what it said."""

    process: subprocess.Popen[str]
    folder: Path
    address: str
    said: list[str]

    @property
    def base(self) -> str:
        return self.address.split("?")[0]

    @property
    def token(self) -> str:
        return self.address.split("token=")[1]

    def stop(self, how: signal.Signals = signal.SIGINT) -> str:
        """End it as Ctrl and C does, or as a system does that shuts down, and give all that it said for itself."""
        self.process.send_signal(how)
        _, rest = self.process.communicate(timeout=HANGS_S)
        return CLOSED_WHILE_OPENING.sub("", "".join(self.said) + (rest or ""))


def started_pages(folder: Path, *arguments: str, ctrl_c: bool = True) -> Served:
    """Start `leaveby lab --simple` on a folder; what it says comes on standard error."""
    # A process inherits whether Ctrl and C is ignored, and these tests may run where it is: behind a script.
    before = signal.signal(signal.SIGINT, signal.default_int_handler if ctrl_c else signal.SIG_IGN)
    try:
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "leaveby", "lab", "--simple", "--no-browser"),
                *("--folder", str(folder), *arguments),
            ],
            cwd=folder.parent,
            env={**os.environ, **own_jupyter(folder.parent)},
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )
    finally:
        signal.signal(signal.SIGINT, before)
    assert process.stderr is not None
    said: list[str] = []
    for line in process.stderr:
        said.append(line)
        if (found := re.search(r"http://\S+", line)) is not None:
            return Served(process=process, folder=folder, address=found.group(), said=said)
    process.wait(timeout=HANGS_S)
    process.stderr.close()
    raise AssertionError(f"the server ended: {''.join(said)}")


@pytest.fixture(scope="session")
def start_pages() -> Callable[..., Served]:
    return started_pages


@pytest.fixture(scope="package")
def own_folder(tmp_path_factory: pytest.TempPathFactory, small_notebooks: Callable[[Path], None]) -> Path:
    """A person's notebooks, about a household of their own, for plain pages and JupyterLab alike."""
    folder = tmp_path_factory.mktemp("lab") / "notebooks"
    small_notebooks(folder)
    return folder


@pytest.fixture(scope="package")
def served(own_folder: Path, small_plan: Path) -> Iterator[Served]:
    """The plain pages, served once for all files of this folder; ended as Ctrl and C does, without complaint."""
    running = started_pages(own_folder, "--plan", str(small_plan))
    yield running
    said = running.stop()
    assert running.process.returncode == 0, said
    assert "Traceback" not in said, said


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


@pytest.fixture(scope="package")
def browser(browser_path: str) -> Iterator[Browser]:
    """One browser for this folder; shut before the next folder, so that its event loop is in nobody's way."""
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=browser_path, args=list(FLAGS))
        yield opened
        opened.close()


@pytest.fixture(scope="package")
def elsewhere(browser: Browser, browser_path: str, font_sets: dict[str, Path]) -> Iterator[dict[str, Browser]]:
    """The same browser on machines with other fonts."""
    opened = {
        fonts: browser.browser_type.launch(
            executable_path=browser_path,
            args=["--headless", "--no-sandbox"],
            env={**os.environ, "FONTCONFIG_FILE": str(setting)},
        )
        for fonts, setting in font_sets.items()
    }
    yield opened
    for one in opened.values():
        one.close()
