"""`leaveby lab` in a real browser: JupyterLab opens each notebook, runs all its cells, and nothing goes wrong."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, ConsoleMessage, expect

from leaveby.ask.household import notebooks_folder
from shown_cells import assert_outputs, own_jupyter

NOTEBOOKS = sorted(path.name for path in notebooks_folder().glob("*.ipynb"))
SLOW_MS = 600_000
DONE = """() => {
    const panel = window.jupyterapp.shell.currentWidget;
    const kernel = panel?.sessionContext?.session?.kernel;
    if (!kernel || kernel.status !== "idle") return false;
    const cells = panel.content.model.toJSON().cells.filter(cell => cell.cell_type === "code");
    const failed = cells.some(cell => cell.outputs.some(output => output.output_type === "error"));
    return failed || cells.every(cell => cell.execution_count !== null);
}"""


@pytest.fixture(scope="module")
def address(own_folder: Path) -> Iterator[str]:
    """Where JupyterLab is, with its token."""
    config = own_folder.parent / "config"
    config.mkdir()
    (config / "jupyter_server_config.json").write_text(
        json.dumps(
            {
                "ServerApp": {"allow_root": True},  # the tests may run in a container
                "LabApp": {"expose_app_in_browser": True},  # so that they can see when the cells are done
            }
        ),
        encoding="utf-8",
    )
    said = own_folder.parent / "said.txt"
    with said.open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "leaveby", "lab", "--no-browser", "--folder", str(own_folder)],
            env={
                **os.environ,
                **own_jupyter(own_folder.parent / "lab"),
                "JUPYTER_CONFIG_DIR": str(config),
                "JUPYTERLAB_SETTINGS_DIR": str(config / "settings"),
                "JUPYTERLAB_WORKSPACES_DIR": str(config / "workspaces"),
            },
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
    try:
        deadline = time.monotonic() + 600.0
        while (found := re.search(r"http://127\.0\.0\.1:\d+/lab\?token=\w+", said.read_text(encoding="utf-8"))) is None:
            assert process.poll() is None, said.read_text(encoding="utf-8")
            assert time.monotonic() < deadline, said.read_text(encoding="utf-8")
            time.sleep(0.1)
        yield found.group()
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(timeout=600)


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_opens_and_runs_all_cells(name: str, address: str, browser: Browser, artefacts: Path) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 3600})
    context.set_default_timeout(SLOW_MS)
    errors: list[str] = []
    outside: list[str] = []

    def listen(message: ConsoleMessage) -> None:
        if message.type == "error":
            errors.append(f"{message.text} {message.location}")

    page = context.new_page()
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", listen)
    page.on(
        "request",
        lambda request: (
            None
            if request.url.startswith(("data:", "blob:")) or urlsplit(request.url).hostname == "127.0.0.1"
            else outside.append(request.url)
        ),
    )
    base, token = address.split("/lab?token=")
    page.goto(f"{base}/lab/workspaces/{Path(name).stem}/tree/{name}?token={token}")
    expect(page.locator(".jp-Notebook")).to_be_visible()
    page.wait_for_function(
        "() => window.jupyterapp.shell.currentWidget?.sessionContext?.session?.kernel?.status === 'idle'"
    )
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.wait_for_function(DONE, polling=200)
    shown: dict[str, Any] = page.evaluate("() => window.jupyterapp.shell.currentWidget.content.model.toJSON()")
    assert_outputs(name, shown["cells"])
    if "widget-view" in str(shown["cells"]):
        expect(page.locator(".jp-OutputArea .jupyter-widgets").first).to_be_visible()
    assert page.get_by_text("news").count() == 0
    page.screenshot(path=artefacts / f"lab_{Path(name).stem}.png")
    page.evaluate("() => window.jupyterapp.commands.execute('kernelmenu:shutdown')")
    context.close()
    assert errors == []
    assert outside == []
