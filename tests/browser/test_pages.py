"""The pages that are written to disk, opened as a person opens them: on a desk, on a phone, and by who can't see them.

Accessibility is checked with axe-core (Deque Systems), which implements the rules of the Web Content Accessibility
Guidelines, levels A and AA.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from prints import print_in

from leaveby.ask.district import survey_district
from leaveby.ask.drill import read_drill, run_drill
from leaveby.ask.household import demo_folder, load_plan, plan_household
from leaveby.ask.streets import survey_streets
from leaveby.caution import OVERRIDE
from leaveby.files.write.outputs import write_district, write_drill, write_result, write_streets
from leaveby.files.write.printed import print_page
from smaller import Once

MADE_AT = datetime(2026, 1, 2, tzinfo=UTC)
PAGES = ("plan.html", "report.html", "streets.html", "district.html")
PAGES += ("drill.html", "drill_annex.html", "drill_participants.html")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory, small_plan: Path, once: Once) -> Path:
    """The demo's pages, from few members."""
    folder, demo = tmp_path_factory.mktemp("pages"), demo_folder()
    streets = once(survey_streets, demo / "roads.osm", terrain=demo / "terrain.tif")
    write_result(once(plan_household, load_plan(small_plan)), folder, made_at=MADE_AT)
    write_streets(streets, folder, made_at=MADE_AT)
    write_district(survey_district(small_plan.with_name("district.toml")), folder, made_at=MADE_AT)
    drill = once(run_drill, replace(read_drill(demo / "drill.toml"), members=20), workers=2)
    write_drill(drill, folder, made_at=MADE_AT)
    return folder


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    yield context.new_page()
    context.close()


def findings(page: Page) -> list[str]:
    """What axe-core calls serious or critical, in one line each."""
    return [
        f"{item['id']} ({item['impact']}): {node['html'][:200]}"
        for item in Axe().run(page).response["violations"]
        if item["impact"] in ("serious", "critical")
        for node in item["nodes"]
    ]


def test_the_check_finds_a_barrier_where_there_is_one(page: Page) -> None:
    page.set_content(
        '<html lang="en"><title>t</title><img src="data:,"><p style="color: #bbb; background: #fff">pale</p>'
    )
    found = " ".join(findings(page))
    assert "image-alt" in found
    assert "color-contrast" in found


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", PAGES)
def test_page_opens_without_fault_and_without_barrier(
    name: str, width: int, written: Path, page: Page, artefacts: Path
) -> None:
    errors: list[str] = []
    asked: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type in ("error", "warning") else None)
    page.on("request", lambda request: asked.append(request.url))
    page.set_viewport_size({"width": width, "height": 900})
    page.goto((written / name).as_uri())
    assert OVERRIDE in page.inner_text("body")
    page.screenshot(path=artefacts / f"{Path(name).stem}_{width}.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert findings(page) == []
    assert errors == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


BOXES = """() => [...document.querySelectorAll('body *')].map(e => {
  const b = e.getBoundingClientRect();
  return [e.tagName, ...[b.left, b.top, b.right, b.bottom].map(edge => Math.round(10 * edge))];
})"""


def boxes(browser: Browser, path: Path, width: int) -> list[list[object]]:
    tab = browser.new_page(viewport={"width": width, "height": 900})
    tab.goto(path.as_uri())
    # A page may be said to be loaded before its letters are read, and then shows them as soon as they are.
    tab.evaluate("() => Promise.all([...document.fonts].map(face => face.load()))")
    found: list[list[object]] = tab.evaluate(BOXES)
    tab.close()
    return found


@pytest.mark.parametrize("name", PAGES)
def test_the_fonts_of_the_machine_change_nothing(
    name: str,
    written: Path,
    browser: Browser,
    browser_path: str,
    elsewhere: Mapping[str, Browser],
    letter_boxes: Callable[[Path], list[object]],
    tmp_path: Path,
) -> None:
    text = (written / name).read_text(encoding="utf-8")
    on_screen = {width: boxes(browser, written / name, width) for width in (1280, 390)}
    assert len(on_screen[390]) > 200
    print_page(text, tmp_path / "as_is.pdf", browser=Path(browser_path))
    as_is = letter_boxes(tmp_path / "as_is.pdf")
    for fonts, other in elsewhere.items():
        print_in(other, text, tmp_path / f"{fonts}.pdf")
        assert letter_boxes(tmp_path / f"{fonts}.pdf") == as_is
        for width, expected in on_screen.items():
            assert boxes(other, written / name, width) == expected
