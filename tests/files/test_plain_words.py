"""What sheet, report and terminal say is understood by a person who never heard the words of those who compute it.

Which words those are is common practice, no source. Three places: the demo, its plan with two fires, and a real valley.
"""

from __future__ import annotations

import contextlib
import html
import io
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from leaveby import cli
from leaveby.ask.household import demo_folder, load_plan, plan_household
from leaveby.show.plan.page import report_page
from leaveby.show.plan.sheet import sheet_page
from smaller import Once, coarse

REAL = Path(__file__).resolve().parents[1] / "data" / "andorra_plan.toml"
MADE_AT = datetime(2026, 1, 2, tzinfo=UTC)
UNHEARD_OF = re.compile(
    r"\b(quantiles?|percentiles?|members?|lead times?|leads? of|designs? of fires?|scenarios?|sampled|seeded|horizon"
    r"|standard deviations?|Monte Carlo|p50|p9\d|(?:every|each|the|of|in|computed|central|middle|more|\d+) runs?)\b",
    re.IGNORECASE,
)


def words_of(page: str) -> str:
    body = re.sub(r"<style.*?</style>", " ", page[page.index("<body>") :], flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_the_words_are_found() -> None:
    for words in ("in 3 of 40 runs", "every computed run", "20 members", "the lead time", "a design of fires"):
        assert UNHEARD_OF.search(words), words
    assert not UNHEARD_OF.search("where fire runs fast; the line runs off the ground; run leaveby again; it leads out")


@pytest.mark.parametrize("place", ["demo", "two fires", "a real valley"])
def test_no_word_is_said_that_only_those_know_who_compute(place: str, small_plan: Path, once: Once) -> None:
    if place == "demo":
        plan = load_plan(small_plan)
    else:
        file = REAL if place == "a real valley" else demo_folder() / "plan_two_fronts.toml"
        plan = coarse(load_plan(file), members=24)
    result = once(plan_household, plan)
    terminal = io.StringIO()
    with contextlib.redirect_stdout(terminal):
        cli._say_result(result, {})
    texts = {
        "sheet": words_of(sheet_page(result, made_at=MADE_AT)),
        "report": words_of(report_page(result, made_at=MADE_AT)),
        "terminal": " ".join(terminal.getvalue().split()),
    }
    for name, text in texts.items():
        found = [text[max(0, one.start() - 60) : one.end() + 60] for one in UNHEARD_OF.finditer(text)]
        assert found == [], name
        if "on foot" in text.lower() and name != "report":
            assert any("foot" in point.ways for point in plan.safe_points)
