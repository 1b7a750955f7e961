"""`leaveby lab --simple` in a real browser: every notebook as a plain page, from the front page to a moved slider."""

from __future__ import annotations

import json
import math
import re
import signal
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import nbformat
import psutil
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import APIRequestContext, Browser, BrowserContext, ConsoleMessage, Page, expect
from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from leaveby.ask.drill import run_drill
from leaveby.ask.household import notebooks_folder
from leaveby.caution import OVERRIDE
from leaveby.show.wording import clock_words

NOTEBOOKS = sorted(path.name for path in notebooks_folder().glob("*.ipynb"))

ANSWER_TEXT = "[...document.querySelectorAll('.widget-html-content')].map(e => e.textContent).join('\\n')"
SLOW_MS = 600_000
HANGS_S = SLOW_MS / 1000
SETTLED = """() => new Promise(done => {
    let waiting = setTimeout(finish, 300);
    const watch = new MutationObserver(() => { clearTimeout(waiting); waiting = setTimeout(finish, 300); });
    function finish() { watch.disconnect(); done(); }
    watch.observe(document.body, { childList: true, subtree: true, characterData: true });
})"""
"""The page has stood still for a third of a second: the whole answer was drawn anew, not only its first words."""
OLD_PARTS = "Unsatisfied version|No satisfying version|Federation Runtime|Failed to create module"
"""Voila brings older parts of JupyterLab than the widgets name, says so, and works."""


@dataclass
class Noticed:
    """What a page did that it should not have done."""

    errors: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)

    def watch(self, page: Page) -> None:
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", self._listen)
        page.on("request", lambda request: self._address(request.url))
        page.on("websocket", lambda socket: self._address(socket.url))

    def _listen(self, message: ConsoleMessage) -> None:
        if message.type == "error" or (message.type == "warning" and not re.search(OLD_PARTS, message.text)):
            self.errors.append(f"{message.type}: {message.text}")

    def _address(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("data", "blob") and parts.hostname != "127.0.0.1":
            self.outside.append(url)


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    opened = browser.new_context(viewport={"width": 1280, "height": 900}, reduced_motion="reduce")
    opened.set_default_timeout(SLOW_MS)
    yield opened
    opened.close()


@pytest.fixture
def stranger(context: BrowserContext) -> APIRequestContext:
    """Someone on the same machine who was not given the address."""
    return context.request


def axe_findings(page: Page) -> list[str]:
    """Findings of axe-core that are serious or critical, in one line each."""
    found = Axe().run(page).response["violations"]
    return [
        f"{item['id']} ({item['impact']}): {node['html'][:200]}"
        for item in found
        if item["impact"] in ("serious", "critical")
        for node in item["nodes"]
    ]


OTHER_LETTERS = """() => [...document.querySelectorAll('body *')].filter(one =>
    one.getClientRects().length && !one.matches('script, style, svg *')
    && (one.matches('select, input, textarea, button')
        || [...one.childNodes].some(part => part.nodeType === 3 && part.data.trim()))
    && !getComputedStyle(one).fontFamily.includes('DejaVu')
).map(one => [one.tagName, one.textContent.trim().slice(0, 30), getComputedStyle(one).fontFamily])"""
"""What is seen in other letters than those that the page carries, which a machine has or lacks."""


def answer_text(page: Page) -> str:
    """Everything the page says beside its controls, the text alternatives of pictures included."""
    said = page.evaluate(ANSWER_TEXT)
    assert isinstance(said, str)
    return said


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_from_the_front_page_to_a_moved_slider(
    name: str, served: Any, context: BrowserContext, artefacts: Path
) -> None:
    page = context.new_page()
    noticed = Noticed()
    noticed.watch(page)
    page.goto(served.address)
    expect(page.get_by_role("note")).to_have_text(OVERRIDE)
    page.locator(f"a[href$='{name}']").click(no_wait_after=True)
    expect(page.locator("#rendered_cells")).to_be_visible(timeout=SLOW_MS)
    page.wait_for_load_state("networkidle")
    cells = page.locator("#rendered_cells")
    # said once, and on top however far one scrolls
    note = page.get_by_role("note").filter(visible=True)
    expect(note).to_have_text(OVERRIDE)
    page.evaluate("document.querySelector('#rendered_cells').scrollIntoView({ block: 'end' })")
    expect(note).to_be_in_viewport(ratio=1)
    page.keyboard.press("Home")
    assert page.locator(".fault").all_text_contents() == []
    assert page.locator(".cm-editor:visible, .jp-InputArea-editor:visible, .highlight:visible").count() == 0
    text = cells.inner_text()
    for code in ("import ", "PLAN =", "override_banner(", "Run All Cells"):
        assert code not in text, code
    sliders = page.locator(".noUi-handle")
    expect(sliders.first).to_be_visible()
    assert changes(page), "no slider changed the answer"
    page.evaluate(SETTLED)
    page.screenshot(path=artefacts / f"plain_{Path(name).stem}_1280.png", full_page=True)
    assert page.evaluate(OTHER_LETTERS) == []
    chosen = page.locator("#rendered_cells select:not([multiple])").evaluate_all("all => all.map(x => x.selectedIndex)")
    assert all(at >= 0 for at in chosen), chosen
    assert axe_findings(page) == []
    page.set_viewport_size({"width": 390, "height": 844})
    page.screenshot(path=artefacts / f"plain_{Path(name).stem}_390.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert noticed.outside == []
    assert noticed.errors == []


def changes(page: Page) -> bool:
    """Move each slider in turn with the keyboard until one changes what the page says."""
    sliders = page.locator(".noUi-handle")
    for number in range(sliders.count()):
        slider = sliders.nth(number)
        before, stood = answer_text(page), slider.get_attribute("aria-valuenow")
        slider.focus()
        for key in ("ArrowRight", "ArrowLeft"):
            page.keyboard.press(key)
            if slider.get_attribute("aria-valuenow") != stood:
                break
        try:
            page.wait_for_function(f"before => ({ANSWER_TEXT}) !== before", arg=before)
        except PlaywrightTimeoutError:
            continue
        return True
    return False


def test_the_drill_hides_its_end_until_it_is_asked_for(
    served: Any, context: BrowserContext, artefacts: Path, small_plan: Path
) -> None:
    """When the front is at the home, and when roads shut, stand nowhere in the page before the button is pressed."""
    drill = run_drill(small_plan.parent / "drill.toml", members=24)  # as the page computes it
    page = context.new_page()
    page.goto(f"{served.base}voila/render/05_drill.ipynb?token={served.token}")
    reveal = page.get_by_role("button", name="Show what came of it")
    expect(reveal).to_be_visible(timeout=SLOW_MS)
    page.wait_for_load_state("networkidle")
    run = drill.rounds[0]
    ends = {
        clock_words(drill, max(at_s, 0.0), step_min=1)
        for at_s in (run.home_s, run.phases.shut_from_s, *(one.at_s for one in run.shuts))
        if math.isfinite(at_s)
    }
    assert len(ends) > 2
    text = "document.body.innerText + [...document.querySelectorAll('svg')].map(e => e.textContent).join(' ')"
    for pause in run.pauses[:2]:
        said = page.evaluate(text)
        assert f"Round 1, pause {pause.number}: it is {clock_words(drill, pause.at_s, step_min=1)}" in said
        assert [at for at in ends if at in said] == []
        assert "of 100 such days" not in said.split("What was taken for granted")[0].split("Pause by pause")[1]
        page.get_by_role("button", name="Go on to the next pause").click()
        expect(page.get_by_text(f"Round 1, pause {pause.number + 1}")).to_be_visible()
    reveal.click()
    expect(page.get_by_text("The front is at the home at").first).to_be_visible()
    said = page.evaluate(text)
    assert clock_words(drill, run.home_s, step_min=1) in said
    assert all(one.street in said for one in run.shuts)
    page.evaluate(SETTLED)
    page.screenshot(path=artefacts / "plain_05_drill_shown.png", full_page=True)
    assert axe_findings(page) == []
    page.get_by_role("button", name="Hide what came of it").click()
    expect(page.get_by_text("The front is at the home at")).to_have_count(0)


def test_the_front_page_lists_what_can_be_asked(served: Any, context: BrowserContext, artefacts: Path) -> None:
    page = context.new_page()
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(served.address)
        page.screenshot(path=artefacts / f"plain_front_{width}.png", full_page=True)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.locator(".questions a b").count() == len(NOTEBOOKS)
        assert axe_findings(page) == []


def test_no_script_but_those_known_runs_in_a_page(served: Any, context: BrowserContext) -> None:
    """Names of files and streets reach a page as text; were one ever taken for code, the page's policy stops it."""
    reply = context.request.get(f"{served.base}voila/render/03_how_fast_is_fast.ipynb?token={served.token}")
    for policy in (reply.headers["content-security-policy"], served_policy(served, context)):
        allowed = dict(part.split(" ", 1) for part in policy.split("; "))
        assert "unsafe-inline" not in allowed["script-src"]
        assert allowed["default-src"] == "'self'"
        assert not re.search(r"https?:|\*(?!$)", allowed["script-src"])
    # in the page as it is served: nothing but data, and what Voila says while a cell is worked out
    for kind, script in re.findall(r"<script(?![^>]*src=)([^>]*)>(.*?)</script>", reply.text(), re.DOTALL):
        assert "json" in kind or script == "window.voila_heartbeat()", script
    page = context.new_page()
    page.goto(f"{served.base}?token={served.token}")
    page.evaluate("document.body.innerHTML += '<img src=x onerror=\"window.ran = 1\">'")
    page.evaluate("document.body.append(Object.assign(document.createElement('script'), {textContent: 'ran = 1'}))")
    page.wait_for_timeout(500)
    assert page.evaluate("window.ran") is None


def served_policy(served: Any, context: BrowserContext) -> str:
    """The policy of the front page."""
    policy = context.request.get(f"{served.base}?token={served.token}").headers["content-security-policy"]
    assert isinstance(policy, str)
    return policy


def test_who_was_not_given_the_address_is_refused(served: Any, stranger: APIRequestContext) -> None:
    for path in ("", "voila/tree", f"voila/render/{NOTEBOOKS[0]}", "?token=guessed"):
        reply = stranger.get(served.base + path)
        assert "/login" in reply.url, path
        assert "Leave early" not in reply.text(), path
        assert served.token not in reply.text(), path
    for path in (f"voila/files/{NOTEBOOKS[0]}", "voila/api/contents", "api/kernels/0-0-0-0-0"):
        reply = stranger.get(served.base + path)
        assert reply.status in (403, 404) or "/login" in reply.url, path
    assert stranger.get(f"{served.base}logout").status == 200


def test_a_closed_page_leaves_no_computation_behind(served: Any, context: BrowserContext) -> None:
    page = context.new_page()
    page.goto(f"{served.base}voila/render/03_how_fast_is_fast.ipynb?token={served.token}")
    page.locator(".noUi-handle").first.wait_for()
    kernel = json.loads(page.locator("#jupyter-config-data").first.text_content() or "")["kernelId"]
    where = f"{served.base}api/kernels/{kernel}?token={served.token}"
    assert context.request.get(where).status == 200
    page.close(run_before_unload=True)
    expect_gone = context.new_page()
    expect_gone.goto(served.base)
    expect_gone.wait_for_function(
        "where => fetch(where).then(reply => reply.status === 404)", arg=where, timeout=SLOW_MS, polling=200
    )


def test_a_killed_server_leaves_no_computation_behind(
    start_pages: Callable[..., Any], tmp_path: Path, context: BrowserContext
) -> None:
    """What it leaves on the disk goes with the next start (`test_lab_command.py`)."""
    folder = tmp_path / "notebooks"
    folder.mkdir()
    own = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell("import os; print('computed by', os.getpid())")],
        metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}},
    )
    nbformat.write(own, folder / "98_own.ipynb")
    running = start_pages(folder)
    page = context.new_page()
    page.goto(f"{running.base}voila/render/98_own.ipynb?token={running.token}")
    said = page.get_by_text("computed by").text_content()
    assert said is not None
    kernel = psutil.Process(int(said.split()[-1]))
    assert kernel.is_running()
    running.stop(signal.SIGKILL)
    kernel.wait(HANGS_S)
    assert not kernel.is_running()


def test_faults_are_said_in_plain_words(served: Any, context: BrowserContext) -> None:
    own = nbformat.v4.new_notebook(
        cells=[
            nbformat.v4.new_markdown_cell("# My own"),
            nbformat.v4.new_code_cell("from leaveby.ask.household import load_plan\n\nload_plan('nowhere.toml')"),
        ]
    )
    nbformat.write(own, served.folder / "99_my_own.ipynb")
    page = context.new_page()
    page.goto(served.address)
    page.get_by_role("link", name="My own").click(no_wait_after=True)
    fault = page.locator(".fault")
    expect(fault).to_contain_text("nowhere.toml: there is no such file", timeout=SLOW_MS)
    assert "Traceback" not in page.content()
    (served.folder / "99_my_own.ipynb").unlink()


def test_a_second_start_while_the_port_is_taken_finds_another(
    served: Any, stranger: APIRequestContext, start_pages: Callable[..., Any], tmp_path: Path
) -> None:
    port = urlsplit(served.address).port
    # Started as a script's background job is, which Ctrl and C does not reach: ending it the other way ends it as well.
    folder = tmp_path / "notebooks"
    second = start_pages(folder, "--port", str(port), ctrl_c=False)
    try:
        assert urlsplit(second.address).port != port
        assert second.token != served.token
        assert "/login" in stranger.get(f"{second.base}?token={served.token}").url
        assert "Leave early" in stranger.get(second.address).text()
    finally:
        said = second.stop(signal.SIGTERM)
    assert second.process.returncode == 0, said
    assert "Traceback" not in said, said
    assert not list(folder.glob(".way_in_*"))
