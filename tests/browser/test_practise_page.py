"""`leaveby practise` in a real browser: the demo's tow list on a phone, a minute a second, killed twice and gone on."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from leaveby.ask.household import load_plan, plan_household
from leaveby.caution import OVERRIDE
from leaveby.files.read.practice import read_practice
from leaveby.household.plan import tasks_for
from leaveby.household.practice.learned import missed_of_s
from smaller import Once

SPEED = 60.0
SERVER = """
import sys, time
from datetime import datetime, timedelta
from pathlib import Path
from leaveby.practise.page import serve
from leaveby.practise.watch import Clock, open_watch

plan, since, speed = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
wall = lambda: datetime(2026, 10, 3, 23, 30) + timedelta(seconds=(time.time() - since) * speed)
watch = open_watch(Path(plan), "tow", clock=Clock(wall, lambda: time.monotonic() * speed))
serve(watch, address=None, port=None, browser=False, say=lambda words: print(words, flush=True))
"""


@dataclass
class Kept:
    """The server of one run, which is killed and started anew."""

    plan: Path
    since: float = field(default_factory=time.time)
    process: Any = None

    def start(self) -> str:
        words = [sys.executable, "-c", SERVER, str(self.plan), str(self.since), str(SPEED)]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        for line in self.process.stdout:
            if (found := re.search(r"http://\S+", line)) is not None:
                return found.group()
        raise AssertionError("the server ended")

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def kept(small_plan: Path, tmp_path: Path) -> Iterator[Kept]:
    shutil.copytree(small_plan.parent, tmp_path / "demo")
    running = Kept(tmp_path / "demo" / "plan.toml")
    yield running
    running.kill()


def press(page: Page, name: str, then: str) -> None:
    """Press a task's button and wait until the page says what it is now: it does when the disk has it."""
    page.locator(f'[data-task="{name}"]').click()
    expect(page.locator(f'[data-task="{name}"]')).to_have_class(then)


def opened(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator("#tasks button").first).to_be_visible()


def test_the_demos_list_on_a_phone_killed_twice_and_gone_on(
    kept: Kept, browser: Browser, small_plan: Path, once: Once
) -> None:
    plan = load_plan(kept.plan)
    names = [task.name for task in tasks_for(plan, "tow")]
    address = kept.start()
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    phone, errors, asked = context.new_page(), list[str](), list[str]()
    phone.on("pageerror", lambda error: errors.append(str(error)))
    phone.on("request", lambda request: asked.append(request.url))
    opened(phone, address)
    expect(phone.locator(".override")).to_have_text(OVERRIDE)
    assert sorted(phone.locator("[data-task] b").all_inner_texts()) == sorted(names)
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    phone.get_by_role("button", name="Begin the run").click()
    expect(phone.get_by_role("button", name="Ready to roll")).to_be_visible()
    heights = phone.locator("button").evaluate_all("all => all.map(one => one.getBoundingClientRect().height)")
    assert min(heights) >= 56
    assert Axe().run(phone).response["violations"] == []

    # two at once, seen on the laptop too, and a note; then killed while one goes
    laptop = browser.new_page(viewport={"width": 1280, "height": 900})
    opened(laptop, address)
    first, second, *rest = [one.get_attribute("data-task") or "" for one in phone.locator("[data-task]").all()]
    press(phone, first, "going")
    press(phone, second, "going")
    expect(laptop.locator(f'[data-task="{second}"]')).to_have_class("going")
    phone.locator('[data-note="dark"]').click()
    expect(phone.locator('[data-note="dark"]')).to_have_attribute("aria-pressed", "true")
    press(laptop, second, "done")
    expect(phone.locator(f'[data-task="{second}"]')).to_have_class("done")
    kept.kill()
    phone.locator(f'[data-task="{first}"]').click()
    expect(phone.locator("#wrong")).to_contain_text("NOT kept")

    opened(phone, kept.start())
    expect(phone.locator("#said")).to_have_text(
        re.compile(r"^The run that began on \d October at \d\d:\d\d goes on\.$")
    )
    expect(phone.locator(f'[data-task="{first}"]')).to_have_class("going")
    expect(phone.locator('[data-note="dark"]')).to_have_attribute("aria-pressed", "true")
    press(phone, first, "done")
    phone.get_by_role("button", name="Undo").click()
    expect(phone.locator(f'[data-task="{first}"]')).to_have_class("going")
    press(phone, first, "done")
    phone.get_by_role("button", name="Pause").click()
    expect(phone.locator(f'[data-task="{rest[0]}"]')).to_be_disabled()
    phone.get_by_role("button", name="Go on").click()
    for name in rest[:6]:
        press(phone, name, "going")
        press(phone, name, "done")
    # killed while nobody does anything: what passes until it goes on is in no task
    kept.kill()
    opened(phone, kept.start())
    for name in rest[6:]:
        press(phone, name, "going")
        press(phone, name, "done")
    phone.get_by_role("button", name="Ready to roll").click()
    expect(phone.locator("#result")).to_contain_text("in all; planned 61.")
    expect(phone.locator("#result")).to_contain_text("in no task")
    clock = phone.locator("#clock").inner_text()
    assert Axe().run(phone).response["violations"] == []
    assert errors == []
    assert {url.split("/")[2].split(":")[0] for url in asked if not url.startswith("data:")} == {"127.0.0.1"}
    context.close()
    laptop.close()

    # the file read back: every task once, over midnight, and the total that stood on the page
    practice = read_practice(kept.plan.parent / "practice.csv")
    assert practice is not None
    (run,) = practice.runs
    assert set(run.times_s) == set(names)
    assert (run.open, run.noted) == ((), frozenset({"dark"}))
    assert run.total_s is not None
    minutes, seconds = map(int, clock.split(":"))
    assert run.total_s == 60 * minutes + seconds
    missed_s = missed_of_s(plan, run)
    assert missed_s > 0.0

    # and the leave-by moves by what was measured
    after = plan_household(kept.plan, workers=2)
    before = once(plan_household, load_plan(small_plan))
    towing = [one.ways["tow"] for one in (before, after)]
    assert towing[0].latest_departure_s == towing[1].latest_departure_s
    assert towing[0].latest_start_s is not None
    assert towing[1].latest_start_s is not None
    later_s = towing[1].ready_at_confidence_s - towing[0].ready_at_confidence_s
    assert later_s >= run.on_the_day * missed_s - 1e-6
    assert towing[0].latest_start_s - towing[1].latest_start_s == pytest.approx(later_s, abs=1.0)
    assert after.inputs["practice"].startswith("practice.csv sha256:")
    assert any(line.endswith("until the plan names what they were.") for line in after.assumptions)
    assert replace(after.plan, assumptions=plan.assumptions) == replace(plan, practice=practice)


def test_only_who_has_the_whole_address_is_answered(kept: Kept, browser: Browser) -> None:
    address = kept.start()
    base, token = address.split("?token=")
    page = browser.new_page()
    assert page.request.get(base).status == 403
    assert page.request.get(f"{base}?token={token[:-1]}a{token[-1]}").status == 403
    assert page.request.get(f"{base}state").status == 403
    begin = {"action": "begin"}
    assert page.request.post(f"{base}state", data=begin, headers={"X-Token": "other"}).status == 403
    assert page.request.post(f"{base}state?token={token}", data=begin).status == 403
    assert not (kept.plan.parent / "practice.csv").exists()
    for junk in ("[]", "{", '{"who": 3}', '"begin"'):
        assert page.request.post(f"{base}state", data=junk, headers={"X-Token": token}).status == 400
    answer = page.request.get(address)
    assert answer.status == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'sha256-" in policy
    assert "style-src 'sha256-" in policy
    assert "unsafe" not in policy
    refused: list[str] = []
    page.on("console", lambda told: refused.append(told.text) if told.type == "error" else None)
    page.goto(address)
    assert page.locator(".override").evaluate("one => getComputedStyle(one).fontWeight") == "700"
    assert page.locator("#main button").count() > 0
    assert refused == []
    policy = page.request.get(f"{base}state", headers={"X-Token": token}).headers["content-security-policy"]
    assert policy == "default-src 'none'; frame-ancestors 'none'"
    assert answer.headers["cache-control"] == "no-store"
    # the file made unreadable by hand meanwhile: said on the page, and nothing is written over
    (kept.plan.parent / "practice.csv").write_text("nothing of the kind\n", encoding="utf-8")
    told = page.request.post(f"{base}state", data=begin, headers={"X-Token": token}).json()
    assert "line 1: lacks date" in told["wrong"]
    assert (kept.plan.parent / "practice.csv").read_text(encoding="utf-8") == "nothing of the kind\n"
    page.close()
