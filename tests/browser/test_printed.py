"""The report printed by a real browser: nothing cut or over the edge, names as text.

The same page gives the same print whatever fonts the machine has: those that it has, quite other ones, or signs alone.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from types import ModuleType

import numpy as np
import pypdfium2
import pytest
from playwright.sync_api import Browser, Page
from prints import print_in

from leaveby.ask.household import load_plan, plan_household
from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import StreetQuestion
from leaveby.decision.streets.survey import survey
from leaveby.decision.ways.result import HouseholdResult, TimetableRow
from leaveby.errors import InputError
from leaveby.files.write.outputs import write_result
from leaveby.files.write.printed import find_browser, print_page
from leaveby.roads.exits.homes import homes_by_street
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.show.plan.page import report_page
from leaveby.show.streets.page import streets_page
from leaveby.show.wording import clean
from smaller import Once, coarse

ROOT = Path(__file__).resolve().parents[2]
MADE_AT = datetime(2026, 11, 25, 9, 0, tzinfo=timezone(timedelta(hours=11)))
MARKUP = "<script>alert(1)</script>&\"'"
LONG = "Extraordinarily Long and Winding Road " * 8
UNBROKEN = "Ooooooooooooooooooooooooooooooooooooooo" * 8
SCRIPTS = "Ḥafāʾir Ưu-Điện, Ἀκρόπολις, Річка, Ğöl; 森の家 🔥 طريق الوادي หมู่บ้าน " * 2
"""Letters that the pages carry, and letters that they leave to the machine."""
A4_PT = (595.3, 841.9)
MM_PT = 72.0 / 25.4
LEAST_MAP_MM = 72.0
"""A map lower than this would no longer be read: judgement."""


def renamed(result: HouseholdResult, word: str) -> HouseholdResult:
    """The same answer with this word in every place of the page that a person fills in."""
    points = {point.name: f"{word} {n}" for n, point in enumerate(result.plan.safe_points)}
    plan = replace(
        result.plan,
        safe_points=tuple(replace(point, name=points[point.name]) for point in result.plan.safe_points),
        ignitions=tuple(replace(ignition, name=word) for ignition in result.plan.ignitions),
    )
    ways = {
        name: replace(
            way,
            why=word if way.why else "",
            route=None if way.route is None else replace(way.route, safe_point=points[way.route.safe_point]),
            savings=tuple(replace(saving, task=f"{word} {n}") for n, saving in enumerate(way.savings)),
        )
        for name, way in result.ways.items()
    }
    return replace(
        result,
        plan=plan,
        ways=ways,
        safe_point_xy_m={points[name]: place for name, place in result.safe_point_xy_m.items()},
        timetable=(*result.timetable, TimetableRow(4500.0, "fire", word)),
        assumptions=tuple(f"{word}: {number}" for number in range(40)),
        rules=replace(
            result.rules,
            rules={
                key: replace(rule, landmarks=(f"Fire at {word}, 2 km north of home, or nearer.",) * 2)
                for key, rule in result.rules.rules.items()
            },
        ),
        what_ifs=tuple(replace(one, label=word) for one in result.what_ifs),
    )


def day_before(result: HouseholdResult) -> HouseholdResult:
    """The same answer with times so early that each needs its day beside it."""
    ways = {
        name: replace(
            way,
            latest_start_s=None if way.latest_start_s is None else way.latest_start_s - 86_400.0,
            latest_departure_s=None if way.latest_departure_s is None else way.latest_departure_s - 86_400.0,
        )
        for name, way in result.ways.items()
    }
    return replace(result, ways=ways)


REAL = {"two fronts": "data_demo/plan_two_fronts.toml", "andorra": "tests/data/andorra_plan.toml"}
"""Plans of the project, with fewer members than they ask for: the page is as full, the wait shorter."""
CASES = {
    "invented": lambda made: made.invented_result(),
    "markup": lambda made: renamed(made.invented_result(street=MARKUP, name=MARKUP), MARKUP),
    "long": lambda made: renamed(made.invented_result(street=LONG, name=LONG), LONG),
    "unbroken": lambda made: renamed(made.invented_result(street=UNBROKEN, name=UNBROKEN), UNBROKEN),
    "day before": lambda made: day_before(made.invented_result()),
    "other scripts": lambda made: renamed(made.invented_result(street=SCRIPTS, name=SCRIPTS), SCRIPTS),
}


@pytest.fixture(scope="module", params=[*REAL, *CASES])
def answer(request: pytest.FixtureRequest, invented: ModuleType, once: Once) -> tuple[str, HouseholdResult]:
    name = request.param
    if name in CASES:
        return name, CASES[name](invented)
    return name, once(plan_household, coarse(load_plan(ROOT / REAL[name]), members=24))


@pytest.fixture(scope="module")
def page(answer: tuple[str, HouseholdResult]) -> tuple[str, str]:
    return answer[0], report_page(answer[1], made_at=MADE_AT)


@pytest.fixture(scope="module")
def print_out(page: tuple[str, str], browser_path: str, artefacts: Path) -> pypdfium2.PdfDocument:
    name, text = page
    path = artefacts / f"printed_{name.replace(' ', '_')}.pdf"
    print_page(text, path, browser=Path(browser_path))
    return pypdfium2.PdfDocument(path)


@pytest.fixture(scope="module")
def opened(page: tuple[str, str], browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Page:
    """The page laid out for print in a window as wide as the paper between its margins."""
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(page[1], encoding="utf-8")
    tab = browser.new_page(viewport={"width": round(190 / 25.4 * 96), "height": round(280 / 25.4 * 96)})
    asked: list[str] = []
    tab.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    tab.on("request", lambda request: asked.append(request.url))
    tab.emulate_media(media="print")
    tab.goto(path.as_uri())
    assert asked == [path.as_uri()], "the page asks for something, or runs something"
    return tab


# --- the print ---------------------------------------------------------------------------------------------------


def test_every_side_is_a4_and_has_something_on_it(print_out: pypdfium2.PdfDocument) -> None:
    for side in print_out:
        assert side.get_size() == pytest.approx(A4_PT, abs=1.0)
        assert side.get_textpage().get_text_bounded().strip()


def assert_within_the_edge(printed: pypdfium2.PdfDocument) -> None:
    for side in printed:
        dark = np.asarray(side.render(scale=100.0 / 72.0, grayscale=True).to_numpy()).squeeze() < 250
        edge = round(5.0 * 100.0 / 25.4)  # the margins are 8 mm and more
        inner = dark[edge:-edge, edge:-edge]
        assert inner.any()
        assert dark.sum() == inner.sum()


def assert_within_the_margins(printed: pypdfium2.PdfDocument) -> None:
    for side in printed:
        words = side.get_textpage()
        width_pt, height_pt = side.get_size()
        for number in range(words.count_chars()):
            left, bottom, right, top = words.get_charbox(number)
            if right > left and top > bottom:
                assert left > 8.0 * MM_PT
                assert right < width_pt - 8.0 * MM_PT
                assert bottom > 6.0 * MM_PT
                assert top < height_pt - 7.0 * MM_PT


def test_nothing_is_printed_over_the_edge(print_out: pypdfium2.PdfDocument) -> None:
    assert_within_the_edge(print_out)
    assert_within_the_margins(print_out)


@pytest.mark.parametrize("fonts", ["signs", "others"])
def test_the_fonts_of_the_machine_change_nothing(
    fonts: str,
    page: tuple[str, str],
    print_out: pypdfium2.PdfDocument,
    elsewhere: Mapping[str, Browser],
    letter_boxes: Callable[[Path], list[object]],
    artefacts: Path,
    tmp_path: Path,
) -> None:
    name, text = page
    assert len(print_out) > 1
    print_in(elsewhere[fonts], text, tmp_path / "plan.pdf")
    if name == "other scripts":  # some of its letters are the machine's: they may be wider, and must not spill
        printed = pypdfium2.PdfDocument(tmp_path / "plan.pdf")
        assert_within_the_edge(printed)
        assert_within_the_margins(printed)
    else:
        assert letter_boxes(tmp_path / "plan.pdf") == letter_boxes(artefacts / f"printed_{name.replace(' ', '_')}.pdf")


def squeezed(text: str) -> str:
    """Letters and digits alone: a print breaks lines and joins letters as it likes."""
    return re.sub(r"[\W_]", "", text.replace("ﬁ", "fi").replace("ﬂ", "fl")).casefold()


def test_what_has_to_be_said_is_in_print(print_out: pypdfium2.PdfDocument) -> None:
    sides = [squeezed(side.get_textpage().get_text_bounded()) for side in print_out]
    assert sides[0].startswith(squeezed(OVERRIDE))
    assert squeezed(PLANNING_AID) in sides[-1]
    assert "computedfrom" in sides[-1]


def plain(text: str) -> str:
    """Letters of ASCII and digits alone: a print may give those of other scripts in another order."""
    return re.sub(r"[^a-z0-9]", "", squeezed(text))


def test_everything_that_was_assumed_is_printed_in_full(
    answer: tuple[str, HouseholdResult], print_out: pypdfium2.PdfDocument
) -> None:
    printed = "".join(plain(side.get_textpage().get_text_bounded()) for side in print_out)
    notes = [*answer[1].assumptions, *answer[1].outside_validity]
    assert len(notes) > 3
    for note in notes:
        assert plain(clean(note)) in printed, note


def test_names_are_printed_as_they_are_written(page: tuple[str, str], print_out: pypdfium2.PdfDocument) -> None:
    if page[0] == "markup":
        first = "".join(print_out[0].get_textpage().get_text_bounded().split())
        assert f"Report:{MARKUP}" in first


# --- the layout --------------------------------------------------------------------------------------------------

BOXES = """() => [...document.querySelectorAll(
    'main > *, .way, .way *, td, th, li, h1, h2, h3, p, figcaption')].filter(e => e.offsetParent).map(e => {
  const b = e.getBoundingClientRect();
  return [e.tagName + '.' + e.className + ': ' + e.textContent.trim().slice(0, 40),
    b.left, b.right, e.scrollWidth - e.clientWidth, getComputedStyle(e).display];
})"""


def test_no_box_is_wider_than_the_paper_or_than_what_holds_it(opened: Page) -> None:
    width_px = opened.evaluate("document.documentElement.clientWidth")
    assert opened.evaluate("document.documentElement.scrollWidth") <= width_px
    boxes = opened.evaluate(BOXES)
    assert len(boxes) > 50
    for words, left_px, right_px, more_px, display in boxes:
        assert left_px >= -0.5, words
        assert right_px <= width_px + 0.5, words
        assert display == "inline" or more_px <= 1, words


PARTS = """() => {
  const own = document.querySelector('main').getBoundingClientRect();
  const parts = [...document.querySelector('main').children].map(e => e.getBoundingClientRect());
  return [own.top, own.bottom, parts.filter(b => b.height > 0).map(b => [b.top, b.bottom])];
}"""


def test_no_part_of_the_report_lies_on_another_or_hangs_out(opened: Page) -> None:
    top, bottom, parts = opened.evaluate(PARTS)
    assert len(parts) > 8
    assert parts[0][0] >= top - 0.5
    assert max(low for _, low in parts) <= bottom + 0.5
    for (_, above), (below, _) in itertools.pairwise(parts):
        assert below >= above - 0.5


def test_the_map_stays_large_enough_to_read(opened: Page) -> None:
    height_px = opened.evaluate("document.querySelector('.map svg').getBoundingClientRect().height")
    assert height_px / 96.0 * 25.4 >= LEAST_MAP_MM - 0.1  # a pixel is 0.26 mm


LETTERS = """() => [...document.querySelectorAll('svg')].flatMap(svg => {
  const own = svg.getBoundingClientRect(), ctm = svg.getScreenCTM();
  const frame = text => {
    const cut = text.closest('[clip-path]');
    if (!cut) return own;
    const rect = document.getElementById(cut.getAttribute('clip-path').slice(5, -1)).querySelector('rect');
    const [x, y, w, h] = ['x', 'y', 'width', 'height'].map(name => Number(rect.getAttribute(name)));
    const low = new DOMPoint(x, y).matrixTransform(ctm), high = new DOMPoint(x + w, y + h).matrixTransform(ctm);
    return {left: low.x, top: low.y, right: high.x, bottom: high.y};
  };
  return [...svg.querySelectorAll('text')].map(text => {
    const b = text.getBoundingClientRect(), f = frame(text);
    return [text.textContent, b.left - f.left, f.right - b.right, b.top - f.top, f.bottom - b.bottom];
  });
})"""


def test_no_word_of_a_figure_is_cut_by_its_frame(opened: Page) -> None:
    words = opened.evaluate(LETTERS)
    assert len(words) > 40
    for text, *room_px in words:
        assert min(room_px) >= -3.0, text  # letters have air around them


def test_no_name_becomes_an_element(page: tuple[str, str], opened: Page) -> None:
    assert opened.evaluate("document.querySelectorAll('script, iframe, object, embed, link, a, img, form').length") == 0
    if page[0] == "markup":
        assert opened.title() == f"Report: {MARKUP}"
        assert MARKUP in opened.inner_text("h1")
        assert opened.evaluate("[...document.querySelectorAll('svg text')].some(t => t.textContent.includes('<scr'))")


# --- the whole road ----------------------------------------------------------------------------------------------


def test_an_answer_is_written_with_its_print(invented: ModuleType, browser_path: str, tmp_path: Path) -> None:
    written = write_result(invented.invented_result(), tmp_path, made_at=MADE_AT, pdf=True, browser=Path(browser_path))
    assert written["plan.pdf"].read_bytes().startswith(b"%PDF-")
    assert {path.name for path in tmp_path.iterdir()} == set(written)
    first = pypdfium2.PdfDocument(written["plan.pdf"])[0]
    assert squeezed(first.get_textpage().get_text_bounded()).startswith(squeezed(OVERRIDE))


def test_the_browser_of_the_system_is_found(browser_path: str) -> None:
    assert find_browser().is_file()
    assert find_browser(Path(browser_path)) == Path(browser_path)


def test_a_folder_that_is_not_there_is_no_reason_to_hang(browser_path: str, tmp_path: Path) -> None:
    with pytest.raises((InputError, OSError)):
        print_page("<p>words</p>", tmp_path / "not there" / "plan.pdf", browser=Path(browser_path))


@pytest.mark.parametrize("word", [MARKUP, LONG, UNBROKEN])
def test_names_stay_names_on_the_streets_page(browser: Browser, tmp_path: Path, word: str) -> None:
    east, north = 500_000.0, 5_900_000.0
    lines = [
        [(east + x_m, north + y_m) for x_m, y_m in line]
        for line in ([(0, 0), (500, 0)], [(500, 0), (900, 0)], [(500, 0), (500, 400)])
    ]
    tags = [{"highway": "primary"}] * 2 + [{"highway": "residential"}]
    streets = street_table(network_from_lines(lines, crs="EPSG:32755", names=["Valley Road", word, word], tags=tags))
    homes = homes_by_street(streets, np.array([0.0, 0.0, 12.0]))
    answer = survey(StreetQuestion(streets, homes, exits=np.array([0, 2])))
    path = tmp_path / "streets.html"
    path.write_text(streets_page(answer, made_at=MADE_AT), encoding="utf-8")
    tab = browser.new_page(viewport={"width": 1200, "height": 900})
    asked: list[str] = []
    tab.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(path.as_uri())
    assert asked == [path.as_uri()]
    assert clean(word)[:60].strip() in tab.inner_text("main, body")
    assert tab.evaluate("document.scripts.length") == 1
    assert tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    tab.close()
