"""The door of the notebooks: in JupyterLab, or as plain pages without code, served to this machine only.

JupyterLab, Voila and what they bring come with the extra `lab` and are only looked for when asked for.
"""

from __future__ import annotations

import base64
import hashlib
import html
import importlib.util
import json
import os
import re
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import jinja2

from leaveby.ask.household import check_household, notebooks_folder
from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.errors import refused
from leaveby.files.write.whole import is_over
from leaveby.regions import table
from leaveby.show.in_python import STAND_HERE
from leaveby.show.letters import letters_css

LOOPBACK: Final = "127.0.0.1"
NO_BROWSER: Final = "No browser was found here. Put the address into one on this machine."
LAB_PORT: Final = 8888
PAGES_PORT: Final = 8866
_RUN_WORDS: Final = re.compile(r"[^.\n]*\bfirst cell\b[^.]*\.(\s*Then choose[^.]*\.)?")
"""What a notebook says of its cells, where cells can't be seen."""

_OLD_S: Final = 86_400.0
_SCRATCH: Final = "leaveby-"
_LONGEST_PATH: Final = 103 - len("/voila_abcdefgh/kernel-01234567-89ab-cdef-0123-456789abcdef-ipc-5")
"""Of the folder in which Voila and Jupyter make such sockets; 103 bytes is the longest path of one on macOS."""

_PAGES: Final = Path(__file__).resolve().parent / "pages"


@dataclass(frozen=True)
class About:
    """What a notebook says of itself: its title, and the first sentence below it."""

    title: str
    words: str


def own_notebooks(folder: Path) -> Path:
    """Copy the notebooks that are not there yet, so that a person's changes to theirs are kept; give the folder.

    A folder that can't be written is an InputError.
    """
    source = notebooks_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in sorted(source.glob("*.ipynb")):
            if not (folder / path.name).exists():
                shutil.copyfile(path, folder / path.name)
    except OSError as error:
        raise refused("--folder", "lab_folder_not_writable", folder=folder, strerror=error.strerror) from error
    return folder.resolve()


def about_notebook(path: Path) -> About:
    """Read a notebook's title and first sentence from its first cell of text; the file's name stands in for a title.

    >>> about_notebook(notebooks_folder() / "01_leave_early.ipynb").title
    'Leave early'
    """
    try:
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        text = next("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        text = ""
    return about_text(text, otherwise=re.sub(r"^\d+_", "", path.stem).replace("_", " ").capitalize())


def about_text(text: str, *, otherwise: str) -> About:
    """Read a title and the first sentence below it from Markdown.

    >>> about_text("# Our roads\\n\\nHow long it takes. And more.", otherwise="")
    About(title='Our roads', words='How long it takes.')
    """
    lines = text.strip().split("\n")
    titled = lines[0].startswith("# ")
    body = " ".join(line.strip() for line in lines[1 if titled else 0 :] if not line.startswith("#")).strip()
    first = re.split(r"(?<=[.?!])\s", body, maxsplit=1)[0]
    return About(title=lines[0][2:].strip() if titled else otherwise, words=first)


def open_lab(folder: Path, *, port: int | None, browser: bool) -> bool:
    """Open a folder of notebooks in JupyterLab, which then fetches no news, versions or extensions.

    It takes the next free port when this one is taken. Gives whether it ended well.
    """
    needed("jupyterlab", "JupyterLab")
    command = [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--notebook-dir={folder}",
        f"--ip={LOOPBACK}",
        f"--port={LAB_PORT if port is None else port}",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.news_url=None",
        "--LabApp.extension_manager=readonly",
    ]
    # The settings beside this module take away the question whether news may be fetched.
    settings = {**os.environ, "JUPYTER_CONFIG_PATH": _before("JUPYTER_CONFIG_PATH", _PAGES / "config")}
    words = command if browser else [*command, "--no-browser"]
    return subprocess.run(words, env=settings, check=False).returncode == 0


def _before(variable: str, folder: Path) -> str:
    """A folder put before those that a variable of the environment names."""
    return os.pathsep.join(filter(None, (str(folder), os.environ.get(variable))))


def open_pages(
    folder: Path, *, port: int | None, browser: bool, say: Callable[[str], None], plan: Path | None = None
) -> None:
    """Serve a folder of notebooks as plain pages, to this machine only and with a token, until it is stopped.

    It begins with `port` and takes the next that is free. `say` is given the words for the terminal, the address with
    its token among them; `plan` is the plan file for the notebooks that ask for one, the demo's when left out. Without
    Voila, or with faults in the plan, it is an InputError.
    """
    needed("voila", "Voila, which shows the notebooks as plain pages,")
    if plan is not None:
        check_household(plan)
    os.environ["JUPYTER_PATH"] = _before("JUPYTER_PATH", _PAGES)
    token, scratch = secrets.token_hex(24), own_scratch()
    served = import_module("voila.app").Voila(
        config=import_module("traitlets.config").Config(
            pages_settings(folder, scratch, port=PAGES_PORT if port is None else port, token=token, plan=plan)
        ),
        config_file_paths=[],
    )
    served.initialize([])
    served.tornado_settings = {
        "voila_jinja2_env": _front_page(served.template_paths, folder, plan),
        # its page of leaving asks for it
        "static_path": import_module("jupyter_server").DEFAULT_STATIC_FILES_PATH,
        "headers": {"Content-Security-Policy": pages_policy()},
        "ws_ping_interval": 0,  # its pings end connections after 30 seconds; a page closed on this machine is seen
    }
    with way_in(folder) as made_way:

        def opened() -> None:
            address = f"{served.connection_url}?token={token}"
            say(f"The pages are at {address}")
            say("The address is for you alone: whoever has it can use the pages, and run programs as you through them.")
            say("To stop, press Ctrl and C.")
            if browser and not webbrowser.open(made_way(address)):
                say(NO_BROWSER)

        import_module("tornado.ioloop").IOLoop.current().add_callback(opened)
        try:
            served.start()
        finally:
            shutil.rmtree(scratch, ignore_errors=True)


def pages_policy() -> str:
    """What a plain page may load and run: files of this server, and of what stands in it the scripts known here alone.

    Widgets set styles in place, come as blobs, and what draws maps makes functions of text.
    """
    # Voila's sign of life while a cell is worked out, and what brings one to the answer
    own = " ".join(digest_of(script) for script in ("window.voila_heartbeat()", STAND_HERE))
    return (
        f"default-src 'self'; script-src 'self' blob: 'unsafe-eval' {own}; style-src 'self' 'unsafe-inline'; "
        f"img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' ws://{LOOPBACK}:*; object-src 'none'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
    )


def digest_of(held: str) -> str:
    """Name a script or a style sheet that stands in a page as a policy does, by its letters."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(held.encode('utf-8')).digest()).decode()}'"


def own_scratch() -> Path:
    """Make a folder for what passes between pages and computations, and take away those of servers that were killed."""
    for left in Path(tempfile.gettempdir()).glob(f"{_SCRATCH}*-*"):
        whose = left.name.removeprefix(_SCRATCH).partition("-")[0]
        if whose.isdigit() and not left.is_symlink() and is_over(int(whose)):
            shutil.rmtree(left, ignore_errors=True)  # another person's stays
    return Path(tempfile.mkdtemp(prefix=f"{_SCRATCH}{os.getpid()}-"))


def pages_settings(folder: Path, scratch: Path, *, port: int, token: str, plan: Path | None = None) -> dict[str, Any]:
    """Settings of the server of plain pages: what it shows, to whom, and when it ends a computation."""
    fixed = table("lab")
    return {
        **fixed,
        "Voila": {
            **fixed["Voila"],
            "ip": LOOPBACK,
            "port": port,
            "token": token,
            "root_dir": str(folder),
            "connection_dir_root": str(scratch),
        },
        "VoilaConfiguration": {
            **fixed["VoilaConfiguration"],
            "resources": {"override": OVERRIDE, "letters": letters_css()},
            "prelaunch_hook": _prepared(plan),
        },
        # Sockets only this person can reach carry what passes between page and computation; Windows lacks these, and
        # no path of one may be longer than a hundred letters or so.
        "KernelManager": {"transport": "ipc" if os.name == "posix" and len(str(scratch)) <= _LONGEST_PATH else "tcp"},
    }


def _prepared(plan: Path | None) -> Callable[..., Any]:
    """What is done to a notebook before it is worked out: the page's title, and the household's plan in it."""

    def prepared(_handler: object, *, notebook: Any, **_rest: object) -> Any:
        text = next((cell.source for cell in notebook.cells if cell.cell_type == "markdown"), "")
        notebook.metadata["title"] = about_text(text, otherwise="leaveby").title
        for cell in notebook.cells:
            if cell.cell_type == "markdown":
                cell["source"] = without_cell_words(cell.source)
        return notebook if plan is None else with_plan(notebook, plan)

    return prepared


def without_cell_words(text: str) -> str:
    """Take out what a notebook says of its cells and how to run them.

    >>> without_cell_words("Our roads. The first cell holds what you may change. Then choose *Run, Run All Cells*.")
    'Our roads.'
    """
    return _RUN_WORDS.sub("", text).strip()


def with_plan(notebook: Any, plan: Path) -> Any:
    """Put a plan file into a notebook that has one among its parameters; another one is given back as it is."""
    for place, cell in enumerate(notebook.cells):
        if "parameters" in cell.metadata.get("tags", ()) and re.search(r"^PLAN\s*=", cell.source, re.MULTILINE):
            given = import_module("nbformat.v4").new_code_cell(
                f"from pathlib import Path\n\nPLAN = Path({str(plan.resolve())!r})"
            )
            cells = [*notebook.cells[: place + 1], given, *notebook.cells[place + 1 :]]
            return type(notebook)({**notebook, "cells": cells})
    return notebook


def _front_page(template_paths: list[str], folder: Path, plan: Path | None) -> jinja2.Environment:
    pages = jinja2.Environment(
        loader=jinja2.FileSystemLoader(template_paths), autoescape=True, extensions=["jinja2.ext.i18n"]
    )
    pages.globals.update(
        letters=letters_css(),
        override=OVERRIDE,
        planning_aid=PLANNING_AID,
        plan="" if plan is None else plan.name,
        about=lambda path: about_notebook(folder / path),
    )
    return pages


@contextmanager
def way_in(folder: Path) -> Iterator[Callable[[str], str]]:
    """Give the browser a file that leads to the address, since others can read the words a browser is started with.

    Only the person can read the file, and it is gone afterwards. It lies among the notebooks, because a browser that is
    kept in a box of its own can't open files elsewhere.
    """
    made: list[Path] = []
    for left in folder.glob(".way_in_*.html"):  # by one that was killed: its address leads nowhere
        if time.time() - left.stat().st_mtime > _OLD_S:
            left.unlink(missing_ok=True)

    def made_way(address: str) -> str:
        handle, name = tempfile.mkstemp(prefix=".way_in_", suffix=".html", dir=folder)
        made.append(Path(name))
        with open(handle, "w", encoding="utf-8") as file:  # noqa: PTH123
            file.write(f'<!DOCTYPE html><meta http-equiv="refresh" content="0;url={html.escape(address)}">')
        return made[-1].as_uri()

    try:
        yield made_way
    finally:
        for path in made:
            path.unlink(missing_ok=True)


def needed(module: str, name: str, *, place: str = "leaveby lab") -> None:
    """Refuse to go on without a library of the extra `lab`."""
    if importlib.util.find_spec(module) is None:
        raise refused(place, "lab_not_installed", name=name)
