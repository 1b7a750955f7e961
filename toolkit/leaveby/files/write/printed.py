"""Prints a page as PDF with a browser that is installed: Chromium or one of its kin, without a window or the network.

The page brings its letters and asks for nothing else, so its print is the one that one gets by printing by hand.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from leaveby.errors import refuse, refused
from leaveby.regions import table

_BROWSERS: Final = table("files/write/browsers")
_A4: Final = "<style>@page { size: A4 portrait; }</style>"
"""For pages that leave the paper to the printer: such a browser would take that of its own country."""

_LONGEST_S: Final = 120.0
_MEND: Final = (
    "install Chromium, Google Chrome or Microsoft Edge (on Debian and its kin: sudo apt-get install chromium), name "
    "its program with --browser, or leave out --pdf, open the page (plan.html, drill.html) in any browser and print "
    "it to a PDF there"
)


def find_browser(named: Path | None = None) -> Path:
    """Find the browser that prints: the one that is named (a file, or on the path), or one of the usual ones.

    InputError when there is none, with how to mend it.

    >>> find_browser(Path("no-such-browser"))
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: --browser: no-such-browser is not a program that can be started. Expected ...
    """
    if named is not None:
        found = shutil.which(named)
        if found is None:
            raise refused("--browser", "no_such_browser", named=named)
        return Path(found)
    for name in _BROWSERS["names"]:
        if (found := shutil.which(name)) is not None:
            return Path(found)
    for place in _usual_places():
        if place.is_file():
            return place
    raise refuse("--pdf", "no browser was found that could print", expected="Chromium or one of its kin", mend=_MEND)


def _usual_places() -> Iterator[Path]:
    """Where the systems keep programs that are not on the path."""
    for name in _BROWSERS["mac"]:
        yield Path("/Applications", f"{name}.app", "Contents", "MacOS", name)
    for variable in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"):
        root = os.environ.get(variable)
        if root:
            for parts in _BROWSERS["windows"]:
                yield Path(root, *parts)


def print_page(page: str, path: Path, *, browser: Path | None = None) -> None:
    """Print a page that stands alone as PDF."""
    program = find_browser(browser)
    # Beside the PDF and not among the system's temporary files, which some browsers are kept from reading.
    with tempfile.TemporaryDirectory(prefix="print-", dir=path.parent, ignore_cleanup_errors=True) as folder:
        source, printed = Path(folder, "page.html").resolve(), Path(folder, "page.pdf").resolve()
        source.write_text(page.replace("</head>", f"{_A4}</head>", 1), encoding="utf-8")
        command = [
            str(program),
            *_BROWSERS["flags"],
            *_as_root(),
            f"--user-data-dir={Path(folder, 'profile').resolve()}",
            f"--print-to-pdf={printed}",
            source.as_uri(),
        ]
        said = _run(command, program)
        if not printed.is_file() or not printed.read_bytes().startswith(b"%PDF-"):
            raise _no_pdf(program, said or "it gave no reason")
        printed.replace(path)


def _run(command: list[str], program: Path) -> str:
    try:
        done = subprocess.run(command, check=False, stdin=subprocess.DEVNULL, capture_output=True, timeout=_LONGEST_S)
    except OSError as error:
        raise _no_pdf(program, error.strerror or str(error)) from error
    except subprocess.TimeoutExpired as error:
        raise _no_pdf(program, f"it had not printed after {_LONGEST_S:.0f} s") from error
    lines = [line.strip() for line in done.stderr.decode("utf-8", errors="replace").splitlines() if line.strip()]
    return lines[-1] if lines else ""


def _as_root() -> tuple[str, ...]:
    """Chromium refuses to start for the root user with its sandbox on; containers know no other user."""
    return ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()


def _no_pdf(program: Path, why: str) -> Exception:
    return refuse("--pdf", f"{program.name} printed no PDF ({why})", expected="a PDF", mend=_MEND)
