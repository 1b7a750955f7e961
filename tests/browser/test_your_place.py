"""Notebook 00 as a plain page: every change by mouse and by keyboard alone, saved and read again."""

from __future__ import annotations

import base64
import re
import shutil
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from test_plain_pages import SETTLED, SLOW_MS, Noticed, axe_findings

from leaveby.ask.household import check_household, load_plan, notebooks_folder
from leaveby.caution import OVERRIDE


@dataclass
class Person:
    """Someone at the page, who has a mouse, or the keyboard alone."""

    page: Page
    has_mouse: bool
    noticed: Noticed = field(default_factory=Noticed)

    @property
    def status(self) -> Locator:
        return self.page.locator(".leaveby-place")

    def settle(self) -> None:
        self.page.evaluate(SETTLED)

    @contextmanager
    def heard(self) -> Iterator[None]:
        """Waits until what is done inside was heard, checked and shown."""
        before = self.status.get_attribute("data-said")
        yield
        expect(self.status).not_to_have_attribute("data-said", before or "")

    def press(self, name: str, *, nth: int = 0) -> None:
        with self.heard():
            button = self.page.get_by_role("button", name=name, exact=True).nth(nth)
            if self.has_mouse:
                button.click()
            else:
                button.focus()
                self.page.keyboard.press("Enter")

    def write(self, label: str, text: str, *, nth: int = 0) -> None:
        """Put a text into a field; letters take keys even of those who have a mouse."""
        with self.heard():
            box = self.page.get_by_role("textbox", name=label, exact=True).nth(nth)
            if self.has_mouse:
                box.click(click_count=3)
            else:
                box.focus()
                self.page.keyboard.press("Control+A")
            self.page.keyboard.type(text)
            self.page.keyboard.press("Tab")

    def tick(self, name: str, *, nth: int = 0) -> None:
        with self.heard():
            box = self.page.get_by_role("checkbox", name=name, exact=True).nth(nth)
            if self.has_mouse:
                box.click()
            else:
                box.focus()
                self.page.keyboard.press("Space")

    def choose(self, label: str, begins: str, *, heard: bool = False) -> None:
        """Choose what begins with some words, from a list that is open or folds out."""
        self.settle()
        held = self.page.get_by_label(label, exact=True)
        texts = [text.replace("\u00a0", " ") for text in held.locator("option").all_text_contents()]
        wanted = next(at for at, text in enumerate(texts) if text.startswith(begins))
        with self.heard() if heard else nullcontext():
            if self.has_mouse:
                held.select_option(index=wanted)  # what a click on the row does; browsers draw folded lists themselves
            else:
                held.focus()
                self.page.keyboard.press("Home")
                for _ in range(wanted):
                    self.page.keyboard.press("ArrowDown")
        self.settle()

    def slide(self, label: str, steps: int) -> None:
        handle = self.page.get_by_role("slider", name=label)
        handle.scroll_into_view_if_needed()
        if self.has_mouse:
            track = handle.locator("xpath=ancestor::*[contains(@class, 'noUi-base')]").bounding_box()
            low, high, now = (float(handle.get_attribute(f"aria-value{one}") or 0) for one in ("min", "max", "now"))
            assert track is not None
            x, y = track["x"] + track["width"] * (now - low) / (high - low), track["y"] + track["height"] / 2
            self.page.mouse.move(x, y)
            self.page.mouse.down()
            self.page.mouse.move(x + steps * track["width"] / (high - low), y, steps=5)
            with self.heard():
                self.page.mouse.up()
        else:
            handle.focus()
            for _ in range(steps):
                with self.heard():
                    self.page.keyboard.press("ArrowRight")

    def go_to(self, lat_deg: float, lon_deg: float) -> None:
        """Choose a point: with the mouse near the middle of the map, to which it is not moved, else by its numbers."""
        self.write("Point (latitude, longitude)", f"{lat_deg}, {lon_deg}")

    def click_on_home(self) -> None:
        """Click on the map beside where the home is drawn."""
        with self.heard():
            self.page.locator(".leaflet-container").scroll_into_view_if_needed()
            sign = self.page.locator(".leaflet-marker-icon").filter(has_text=re.compile("^Home$")).bounding_box()
            assert sign is not None
            self.page.mouse.click(sign["x"] - 4, sign["y"] - 4)

    def point(self) -> tuple[float, float]:
        lat, lon = self.page.get_by_role("textbox", name="Point (latitude, longitude)").input_value().split(", ")
        return float(lat), float(lon)


@pytest.fixture(scope="module")
def plan(small_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small household's plan, to be written."""
    folder = tmp_path_factory.mktemp("own") / "ours"
    shutil.copytree(small_plan.parent, folder)
    return folder / "plan.toml"


@pytest.fixture(scope="module")
def pages(plan: Path, start_pages: Callable[..., Any]) -> Iterator[Any]:
    folder = plan.parent.parent / "notebooks"
    folder.mkdir()
    shutil.copyfile(notebooks_folder() / "00_your_place.ipynb", folder / "00_your_place.ipynb")
    running = start_pages(folder, "--plan", str(plan))
    yield running
    said = running.stop()
    assert "Traceback" not in said, said


@pytest.fixture(params=["mouse", "keyboard"])
def person(
    request: pytest.FixtureRequest, browser: Browser, pages: Any, plan: Path, small_plan: Path
) -> Iterator[Person]:
    """A page just opened, on the plan as it was in the beginning."""
    for left in plan.parent.glob("bad_day*"):
        left.unlink()
    shutil.copyfile(small_plan, plan)
    context = browser.new_context(
        viewport={"width": 1280, "height": 1000}, reduced_motion="reduce", accept_downloads=True
    )
    context.set_default_timeout(SLOW_MS)
    page = context.new_page()
    one = Person(page, request.param == "mouse")
    one.noticed.watch(page)
    page.goto(f"{pages.base}voila/render/00_your_place.ipynb?token={pages.token}")
    expect(page.locator("#rendered_cells")).to_be_visible(timeout=SLOW_MS)
    expect(page.locator(".leaflet-touch-pane path").first).to_be_attached()
    one.settle()
    expect(one.status).to_contain_text("It is saved as it stands here")
    yield one
    context.close()
    assert one.noticed.outside == []
    assert one.noticed.errors == []


def test_places_and_roads(person: Person, plan: Path, artefacts: Path) -> None:
    page, before = person.page, plan.read_bytes()
    home = tomllib.loads(plan.read_text(encoding="utf-8"))["home"]
    if person.has_mouse:
        person.click_on_home()
        lat, lon = person.point()
        # a pixel is some 20 m here
        assert abs(lat - home["lat_deg"]) < 0.002
        assert abs(lon - home["lon_deg"]) < 0.002
    else:
        person.go_to(-36.12915, 148.94245)
    at = person.point()
    person.press("The home is here")
    expect(person.status).to_contain_text("Not saved yet")
    person.press("Add a safe point here")
    expect(person.status).to_contain_text("1 fault")  # nearer than a kilometre to the home: what `leaveby check` says
    expect(person.status).to_contain_text("To mend it")
    page.screenshot(path=artefacts / "your_place_fault.png", full_page=True)
    assert axe_findings(page) == []
    person.choose("What to move to the point", "Safe point 5")
    expect(page.get_by_text(re.compile("^Safe point 5: Safe point stands at "))).to_be_visible()
    person.go_to(-36.1421, 148.8602)
    person.press("Move it to the point")
    expect(person.status).to_contain_text("no fault found")
    person.go_to(-36.0801, 148.8703)
    person.press("Add a fire start here")
    person.choose("What to move to the point", "Fire start 1")
    expect(page.get_by_text(re.compile("^Fire start 1: lightning .* stands at "))).to_be_visible()
    person.press("Move it to the point")
    person.go_to(-36.0911, 148.9102)
    road = page.get_by_label("A road near the point").locator("option").first.text_content() or ""
    (way,) = re.findall(r"\((w\d+)\)", road)
    person.tick("This road is closed: no way out runs over it")
    expect(page.get_by_text("Closed by the plan", exact=True).last).to_be_visible()
    second = page.get_by_label("A road near the point").locator("option").nth(1).text_content() or ""
    person.choose("A road near the point", second.replace("\u00a0", " "))
    expect(page.get_by_role("checkbox", name="This road is closed: no way out runs over it")).not_to_be_checked()
    person.tick("Its gate or private way is ours to open")
    assert plan.read_bytes() == before, "nothing is written before it is asked for"
    person.press("Save")
    expect(person.status).to_contain_text("Saved.")
    read, wrote = load_plan(plan), plan.read_text(encoding="utf-8")
    assert (read.home.lat_deg, read.home.lon_deg) == at
    assert (read.safe_points[-1].lat_deg, read.safe_points[-1].lon_deg) == (-36.1421, 148.8602)
    assert [one.lon_lat_deg for one in read.ignitions] == [((148.8703, -36.0801),), ((148.8703, -36.0801),)]
    assert read.roads.closed_ways == (way,)
    assert len(read.roads.open_gates) == 1
    assert re.findall(r"#.*", wrote) == re.findall(r"#.*", before.decode())
    assert check_household(plan).plan == read
    # taken back to the beginning, step by step, and written: the same bytes
    for _ in range(7):
        person.press("Take the last change back")
    expect(person.status).to_contain_text("Not saved yet")
    person.press("Save")
    expect(person.status).to_contain_text("Saved.")
    assert plan.read_bytes() == before


def test_people_tasks_and_the_day(person: Person, plan: Path) -> None:
    page, before = person.page, plan.read_text(encoding="utf-8")
    lists = ["safe point", "person", "task", "fire start"]
    names = {kind: nth for nth, kind in enumerate(lists)}
    # people: added, named, changed, moved up, struck
    person.press("Add a person")
    person.write("Name", "Old Tam", nth=names["person"])
    person.write("Can do (lift, drive, tow)", "lift, drive")
    person.write("Home after (minutes)", "20, 35, 90")
    person.press("Move this person up")
    person.choose("People", "1. Ines")
    expect(page.get_by_role("textbox", name="Name", exact=True).nth(names["person"])).to_have_value("Ines")
    person.press("Move this person down")
    # tasks: one renamed, of which others speak; one added, ticked, reordered; one struck
    person.choose("Tasks", "3. pack the car")
    expect(page.get_by_role("textbox", name="What there is to do")).to_have_value("pack the car")
    person.write("What there is to do", "fill the car")
    person.write("Minutes when it goes badly", "22")
    person.choose("Tasks", "4. load the animals")
    expect(page.get_by_role("textbox", name="What there is to do")).to_have_value("load the animals")
    person.press("Strike this task")
    person.press("Add a task")
    person.write("What there is to do", "find the cat")
    person.write("Minutes as a rule", "soon")
    expect(person.status).to_contain_text('"find the cat": likely_min')
    expect(person.status).to_contain_text("1 fault")
    person.press("Save")
    expect(person.status).to_contain_text("is not written, since faults were found in it (1)")
    assert plan.read_text(encoding="utf-8") == before
    person.write("Minutes as a rule", "12.5")
    person.tick("After shutters")
    person.tick("For leaving on foot (foot)", nth=1)
    person.press("Move this task up")
    # the day
    person.slide("Strongest wind (km/h)", 6)
    person.slide("Highest temperature (C)", 2)
    person.slide("Lowest humidity (%)", 1)
    person.choose("The strongest wind comes from", "north", heard=True)
    # a fire start
    person.write("Starts at", "2026-01-17T09:50:00+11:00")
    person.press("Save")
    expect(person.status).to_contain_text("Saved.")
    read = load_plan(plan)
    assert [one.name for one in read.people] == ["Bo", "Ines", "Old Tam", "Wren (child)"]
    tam = read.people[2]
    assert (tam.can, tam.arrival_points_s) == (("lift", "drive"), (1200.0, 2100.0, 5400.0))
    tasks = {task.name: task for task in read.tasks}
    assert "load the animals" not in tasks
    assert tasks["fill the car"].longest_s == 22 * 60
    assert "fill the car" in tasks["hitch the house to the ute"].after
    assert [task.name for task in read.tasks][-2] == "find the cat"
    cat = tasks["find the cat"]
    assert (cat.likely_s, cat.after, cat.ways) == (750.0, ("shutters",), ("tow", "car"))
    assert read.weather.file.name == "bad_day.csv"
    assert read.ignitions[0].at.isoformat() == "2026-01-17T09:50:00+11:00"
    weather = check_household(plan).weather
    assert weather.wind_speed_m_s.max() * 3.6 == pytest.approx(60.0, abs=1.1 if person.has_mouse else 0.02)
    assert weather.air_temperature_c.max() == pytest.approx(43.0, abs=1.1 if person.has_mouse else 0.02)
    assert (plan.parent / "bad_day.csv").read_text(encoding="utf-8").startswith(f"# {OVERRIDE}")
    assert axe_findings(page) == []
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    cut = page.evaluate(
        "[...document.querySelectorAll('#rendered_cells button.jupyter-button')]"
        ".filter(e => e.scrollWidth > e.clientWidth || e.getBoundingClientRect().right > 390).map(e => e.textContent)"
    )
    assert cut == []
    if not person.has_mouse:
        reachable = tabbed(page)
        for name in ("Save", "Add a task", "Strike this task", "Move this task up", "Tasks", "The home is here"):
            assert name in reachable, name
        answered(person, plan)


def tabbed(page: Page) -> set[str]:
    """The names of everything to which the Tab key leads."""
    page.evaluate("document.activeElement.blur(); window.scrollTo(0, 0)")
    found: set[str] = set()
    for _ in range(200):
        page.keyboard.press("Tab")
        name = page.evaluate(
            "(document.activeElement.getAttribute('aria-label') || document.activeElement.textContent).trim()"
        )
        found.add(name)
        if name == "Save, and work out the answer":
            break
    return found


def answered(person: Person, plan: Path) -> None:
    """The answer, its sheet beside the plan, and the same sheet behind the link on the page."""
    page = person.page
    person.press("Save, and work out the answer")
    link = page.get_by_role("link", name="The sheet for the fridge, to print (plan.html)")
    expect(link).to_be_visible(timeout=SLOW_MS)
    sheet = (plan.parent / "answer" / "plan.html").read_bytes()
    assert base64.b64decode((link.get_attribute("href") or "").split("base64,")[1]) == sheet
    assert OVERRIDE in sheet.decode()
    assert b"find the cat" in sheet
    assert axe_findings(page) == []
