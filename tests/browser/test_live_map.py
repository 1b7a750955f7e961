"""The maps that can be moved, in a real browser: what lies where, what a street says, and what the clock changes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, Route, expect
from shapely import Point

from leaveby.ask.household import check_household
from leaveby.caution import OVERRIDE
from leaveby.decision.fires.scenario import prepare
from leaveby.notebook.drives import road_area
from leaveby.roads.routing.itinerary import street

SLOW_MS = 600_000
MIDDLE = """path => {
    const at = path.getPointAtLength(path.getTotalLength() / 2), to = path.getScreenCTM();
    return [at.x * to.a + to.e, at.y * to.d + to.f];
}"""
TOUCH = ".leaflet-touch-pane path"


@pytest.fixture
def outside() -> list[str]:
    return []


@pytest.fixture
def page(browser: Browser, outside: list[str]) -> Iterator[Page]:
    """A page that reaches this machine only; what it asks of any other is refused and kept."""
    context = browser.new_context(viewport={"width": 1280, "height": 1000}, reduced_motion="reduce")
    context.set_default_timeout(SLOW_MS)
    opened = context.new_page()

    def gate(route: Route) -> None:
        url = route.request.url
        if urlsplit(url).hostname == "127.0.0.1" or url.startswith(("data:", "blob:")):
            route.continue_()
        else:
            outside.append(url)
            route.abort()

    opened.route("**/*", gate)
    yield opened
    context.close()


def opened_map(page: Page, served: Any, name: str) -> None:
    page.goto(f"{served.base}voila/render/{name}.ipynb?token={served.token}")
    expect(page.locator(TOUCH).first).to_be_attached(timeout=SLOW_MS)
    page.locator(".leaflet-container").scroll_into_view_if_needed()
    expect(page.locator(".leaflet-control-attribution")).to_have_text("leaveby")  # the demo is no map of anybody's


def point_at(page: Page, nth: int) -> None:
    x, y = page.locator(TOUCH).nth(nth).evaluate(MIDDLE)
    page.mouse.move(x, y)


def shape_of(page: Page, pane: str) -> str:
    return page.evaluate(
        f"[...document.querySelectorAll('.leaflet-{pane}-pane path')].map(e => e.getAttribute('d')).join()"
    )


def test_the_household_s_map(served: Any, page: Page, outside: list[str], artefacts: Path) -> None:
    opened_map(page, served, "01_leave_early")
    expect(page.get_by_text("Home", exact=True).last).to_be_visible()
    picture = page.locator(".leaflet-container img.leaflet-image-layer")
    assert (picture.get_attribute("src") or "").startswith("data:image/png;base64,")
    assert picture.evaluate("image => image.complete && image.naturalWidth > 50")
    burnt, shut = shape_of(page, "area"), shape_of(page, "under")
    # To the end of the day with the keyboard: the fire grows and streets shut.
    handle = page.locator(".leaflet-container").locator("xpath=following::*[contains(@class, 'noUi-handle')][1]")
    handle.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function(
        "before => [...document.querySelectorAll('.leaflet-area-pane path')]"
        ".map(e => e.getAttribute('d')).join() !== before",
        arg=burnt,
        timeout=SLOW_MS,
    )
    page.keyboard.press("End")
    expect(page.get_by_text("The fire is at your home.")).to_be_visible(timeout=SLOW_MS)
    assert shape_of(page, "under") != shut
    # The burnt ground was drawn last, and still lies under the streets: a street can be pointed at.
    levels = page.evaluate(
        "['area', 'under', 'lines', 'over', 'touch']"
        ".map(p => +getComputedStyle(document.querySelector(`.leaflet-${p}-pane`)).zIndex)"
    )
    assert levels == sorted(levels)
    box = page.locator(".leaflet-container")
    point_at(page, 30)
    expect(box.get_by_text(re.compile("may shut")).first).to_be_visible(timeout=SLOW_MS)
    page.mouse.down()
    page.mouse.up()
    expect(page.locator(".leaflet-popup").get_by_text(re.compile("may shut"))).to_be_visible(timeout=SLOW_MS)
    page.screenshot(path=artefacts / "live_map_household.png")
    # Off and on again at the upper right.
    page.locator(".leaflet-control-layers").hover()
    names = page.locator(".leaflet-control-layers-overlays label")
    assert names.count() >= 10
    streets = names.filter(has_text="Streets")
    streets.locator("input").uncheck()
    expect(page.locator(TOUCH)).to_have_count(0)
    streets.locator("input").check()
    expect(page.locator(TOUCH).first).to_be_attached()
    assert outside == []


def test_the_map_of_the_roads(served: Any, small_plan: Path, page: Page, outside: list[str], artefacts: Path) -> None:
    opened_map(page, served, "02_our_roads")
    assert page.get_by_text(OVERRIDE).count() >= 2
    # The sign of the home lies on the end of its road, as on the ground.
    area = road_area(prepare(check_household(small_plan)))
    out = [edge for edge in range(area.network.edge_count) if area.network.tail[edge] == area.home_node]
    assert out
    home = page.locator(".leaflet-marker-icon").filter(has_text=re.compile("^Home$")).bounding_box()
    assert home is not None
    paths = np.array(
        page.evaluate(
            """() => [...document.querySelectorAll('.leaflet-lines-pane path')].flatMap(path => {
                const to = path.getScreenCTM(), long = path.getTotalLength(), found = [];
                for (let at = 0; at <= long; at += 2) {
                    const p = path.getPointAtLength(at);
                    found.push([p.x * to.a + to.e, p.y * to.d + to.f]);
                }
                return found;
            })"""
        )
    )
    away_px = np.hypot(paths[:, 0] - home["x"], paths[:, 1] - home["y"]).min()
    # On the ground the home stands this far from the nearest road, and 2 km are as many pixels as the bar says.
    bar = page.locator(".leaflet-control-scale-line")
    number, unit = (bar.text_content() or "").split()
    bar_m = float(number) * {"km": 1000.0, "m": 1.0}[unit]
    m_px = bar_m / (bar.bounding_box() or {"width": np.nan})["width"]
    roads = [line for line, way in zip(area.network.geometry, area.network.way_id, strict=True) if way]
    away_m = min(Point(area.home_xy_m).distance(line) for line in roads)
    assert away_px == pytest.approx(away_m / m_px, abs=3.0)
    point_at(page, 5)
    expect(page.get_by_text(re.compile("Reached in .* from home")).first).to_be_visible(timeout=SLOW_MS)
    said = page.locator(".leaflet-bottom.leaflet-right").inner_text()
    names = {street(area.network, edge) for edge in range(area.network.edge_count)}
    assert any(name in said for name in names)
    before = page.locator(".leaflet-map-pane").get_attribute("style")
    page.locator(".leaflet-control-zoom-in").click()
    expect(page.locator(".leaflet-control-scale-line")).not_to_have_text(f"{number} {unit}")
    shown = page.locator(".leaflet-container").bounding_box()
    assert shown is not None
    x, y = shown["x"] + shown["width"] / 2, shown["y"] + shown["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 100, y + 60, steps=4)
    page.mouse.up()
    assert page.locator(".leaflet-map-pane").get_attribute("style") != before
    page.screenshot(path=artefacts / "live_map_roads.png")
    assert outside == []


def test_the_map_of_single_exits(served: Any, page: Page, outside: list[str], artefacts: Path) -> None:
    opened_map(page, served, "04_dead_end_streets")
    point_at(page, page.locator(TOUCH).count() - 1)
    expect(
        page.locator(".leaflet-bottom.leaflet-right").get_by_text(re.compile("homes have to pass it"))
    ).to_be_visible(timeout=SLOW_MS)
    page.screenshot(path=artefacts / "live_map_exits.png")
    assert outside == []
