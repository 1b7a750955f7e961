"""The streets page printed by a real browser: two sides for a meeting, the annex on sides of its own, nothing cut.

Besides the demo and Andorra, random areas and hostile ones are laid out: the longest names, no group at all, one home,
hundreds of groups, names in other scripts.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
import shapely
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from prints import PAPERS, letters, print_out, too_near_the_edge

from leaveby.ask.household import demo_folder
from leaveby.ask.streets import StreetOptions, survey_streets
from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import StreetQuestion, StreetSurvey, SurveyOptions
from leaveby.decision.streets.survey import survey
from leaveby.roads.exits.homes import homes_by_street
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.roads.osm.access_rules import RULES
from leaveby.show.record import record_text
from leaveby.show.streets.page import LEAST_HOMES, streets_page
from leaveby.show.streets.record import survey_record
from smaller import Once

ANDORRA = Path(__file__).parents[1] / "data" / "andorra_streets.osm.pbf"
MADE_AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
LEAST_PT, LEAST_MAP_PT = 9.0, 8.0
CRS = "EPSG:32755"
LONG = "Extraordinarily Long and Winding Road " * 4
UNBROKEN = "Wm" * 70
MARKUP = "<script>alert(1)</script>&\"' Lane"
SCRIPTS = "森の家と川の向こうの学校; طريق الوادي القديم; หมู่บ้านริมแม่น้ำ; नदी के पार का रास्ता 🔥 Ḥafāʾir Ưu-Điện Ἀκρόπολις "
WORDS = ("Mill", "Fern", "Quarry", "Lantern", "Hobbin", "Tannery", "Old Dray", "Vinegar", "Ōkārito", "Río", "Þing")
KINDS = ("Road", "Lane", "Court", "Street", "Rise")


def area(
    name: Callable[[int], str], *, branches: int, homes: float, seed: int = 1, loops: float = 0.0, **asked: Any
) -> StreetSurvey:
    """A main road with so many dead-end branches, each with a few twigs; some branches come back to the main road."""
    rng = np.random.default_rng(seed)
    step = 300.0
    lines, tags, names, count = [], [], [], []

    def add(points: list[tuple[float, float]], kind: str, called: str, dwellings: float) -> None:
        lines.append([(500_000.0 + x, 5_900_000.0 + y) for x, y in points])
        tags.append({"highway": kind})
        names.append(called)
        count.append(dwellings)

    for at in range(branches + 1):
        add([(at * step, 0.0), ((at + 1) * step, 0.0)], "primary", "Valley Road", 1.0 if loops else 0.0)
        if at == branches:
            break
        x, side = (at + 1) * step, 1.0 if at % 2 else -1.0
        far = float(rng.uniform(150.0, 900.0)) * side
        add([(x, 0.0), (x, far)], "residential", name(4 * at), round(homes * float(rng.uniform(0.2, 1.0))))
        for twig in range(int(rng.integers(0, 4))):
            turn = float(rng.uniform(0.0, math.pi)) * side
            end = (x + 130.0 * math.cos(turn), far + 130.0 * math.sin(turn))
            kind = ("residential", "service", "track")[int(rng.integers(3))]
            add([(x, far), end], kind, name(4 * at + twig + 1), round(homes * float(rng.uniform(0.0, 1.0))))
        if rng.random() < loops:
            add([(x, far), (x + step, 0.0)], "residential", name(4 * at + 3), 0.0)
    streets = street_table(network_from_lines(lines, crs=CRS, names=names, tags=tags))
    placed = homes_by_street(streets, np.array(count))
    ends = np.flatnonzero(
        (streets.y_m == streets.y_m[0]) & ((streets.x_m == streets.x_m.min()) | (streets.x_m == streets.x_m.max()))
    )
    options = SurveyOptions(**{"links": 0, "clearance_groups": 3, **asked})
    return survey(StreetQuestion(streets, placed, exits=ends, options=options, supposed=(name(1), name(2))))


def plain(seed: int) -> Callable[[int], str]:
    rng = np.random.default_rng(seed)
    told = {}

    def name(number: int) -> str:
        made = f"{WORDS[int(rng.integers(len(WORDS)))]} {KINDS[int(rng.integers(len(KINDS)))]}"
        return told.setdefault(number, made if rng.random() < 0.8 else "")

    return name


def random_area(seed: int) -> StreetSurvey:
    rng = np.random.default_rng(seed)
    return area(
        plain(seed),
        branches=int(rng.integers(1, 40)),
        homes=float(rng.uniform(0.5, 60.0)),
        seed=seed,
        loops=float(rng.uniform(0.0, 0.6)),
        links=int(rng.integers(0, 4)),
        region=str(rng.choice(["AU-NSW", "US-CA", "US", "AD"])),
    )


CASES: dict[str, Callable[[Once], StreetSurvey]] = {
    "demo": lambda once: once(survey_streets, demo_folder() / "roads.osm", terrain=demo_folder() / "terrain.tif"),
    "andorra": lambda _: survey_streets(
        ANDORRA, options=StreetOptions(region="AD", links=3, clearance_groups=12, area_deg=(1.40, 42.43, 1.60, 42.60))
    ),
    "long": lambda _: area(lambda n: f"{LONG}{n}", branches=30, homes=20.0, rules=tuple(RULES), links=5),
    "unbroken": lambda _: area(lambda n: f"{UNBROKEN}{n}", branches=30, homes=20.0, rules=tuple(RULES), links=5),
    "wide": lambda _: area(lambda n: "WWWWWW MMMMMM " * 9 + str(n), branches=30, homes=20.0, links=5),
    "markup": lambda _: area(lambda n: f"{MARKUP} {n}", branches=12, homes=20.0),
    "scripts": lambda _: area(lambda n: f"{SCRIPTS}{n}", branches=20, homes=20.0),
    "nameless": lambda _: area(lambda _: "", branches=20, homes=20.0),
    "one name": lambda _: area(lambda _: "Mill Road", branches=20, homes=20.0),
    "no group": lambda _: area(lambda n: f"Mill Road {n}", branches=6, homes=0.0, loops=1.0),
    "one home": lambda _: area(lambda n: f"Mill Road {n}", branches=1, homes=1.0, seed=1),
    "300 groups": lambda _: area(plain(9), branches=300, homes=30.0),
    **{f"random {seed}": (lambda _, seed=seed: random_area(seed)) for seed in range(20)},
}


@pytest.fixture(scope="module", params=list(CASES))
def opened(
    request: pytest.FixtureRequest, browser: Browser, once: Once, tmp_path_factory: pytest.TempPathFactory
) -> Any:
    answer = CASES[request.param](once)
    path = tmp_path_factory.mktemp("page") / "streets.html"
    path.write_text(streets_page(answer, made_at=MADE_AT), encoding="utf-8")
    tab = browser.new_page(viewport={"width": 1280, "height": 1000})
    tab.goto(path.as_uri())
    tab.evaluate("() => Promise.all([...document.fonts].map(face => face.load()))")
    yield request.param, answer, tab
    tab.close()


BOXES = """() => {
  const faults = [], say = e => e.tagName + '.' + e.className + ': ' + e.textContent.trim().slice(0, 60);
  for (const side of document.querySelectorAll('.side')) {
    const own = side.getBoundingClientRect();
    const flows = [side, ...side.querySelectorAll('*')].filter(
      e => !e.closest('svg') && !['inline', 'contents'].includes(getComputedStyle(e).display));
    for (const e of flows) {
      const b = e.getBoundingClientRect();
      if (b.bottom > own.bottom + .5 || b.right > own.right + .5 || b.left < own.left - .5)
        faults.push(['out', say(e)]);
      if (!e.matches('.l') && e.scrollWidth > e.clientWidth + 1) faults.push(['wide', say(e)]);
    }
    [...side.children].forEach((e, n, all) => n && e.getBoundingClientRect().top <
      all[n - 1].getBoundingClientRect().bottom - .1 && faults.push(['over', say(e)]));
  }
  for (const row of document.querySelectorAll('tr')) [...row.cells].forEach((e, n, all) => n &&
    e.getBoundingClientRect().left < all[n - 1].getBoundingClientRect().right - .6 && faults.push(['beside', say(e)]));
  const annex = document.querySelector('.annex').getBoundingClientRect();
  for (const e of document.querySelectorAll('.annex *'))
    if (e.getBoundingClientRect().right > annex.right + 1) faults.push(['annex', say(e)]);
  return faults;
}"""

LETTERS = """() => {
  const svg = document.querySelector('.map svg'), own = svg.getBoundingClientRect();
  return [[own.left, own.top, own.right, own.bottom], [...svg.querySelectorAll('text')].map(t => {
    const box = t.getBBox(), placed = t.getScreenCTM();
    const corners = [[0, 0], [1, 0], [1, 1], [0, 1]].map(([x, y]) => {
      const p = new DOMPoint(box.x + x * box.width, box.y + (.2 + .6 * y) * box.height).matrixTransform(placed);
      return [p.x, p.y];
    });
    return [t.textContent, corners];
  })];
}"""


def squeezed(text: str) -> str:
    return re.sub(r"[\W_]", "", text.replace("ﬁ", "fi").replace("ﬂ", "fl")).casefold()


def test_two_sides_and_an_annex_with_nothing_cut_and_nothing_small(
    opened: tuple[str, StreetSurvey, Page], artefacts: Path
) -> None:
    name, _, tab = opened
    tab.emulate_media(media="print")
    assert tab.evaluate(BOXES) == []
    map_pt = tab.evaluate("document.querySelector('.map svg').getBoundingClientRect().width") * 0.75
    assert map_pt >= 535.0  # as wide as it was drawn: its letters keep their size
    for paper in PAPERS:
        path = artefacts / f"streets_{name.replace(' ', '_')}_{paper}.pdf"
        print_out(tab, path, paper)
        with pypdfium2.PdfDocument(path) as printed:
            told = [squeezed(side.get_textpage().get_text_bounded()) for side in printed]
        assert told[0].startswith(squeezed(OVERRIDE))
        assert squeezed(PLANNING_AID) in told[1]
        assert [side.startswith("annex") for side in told] == [False, False, True, *[False] * (len(told) - 3)]
        for side in letters(path):
            assert all(size >= LEAST_MAP_PT for _, size, _ in side)
            assert [letter for letter, _, box in side if too_near_the_edge(box, paper)] == []


def test_text_is_nine_points_and_more(opened: tuple[str, StreetSurvey, Page]) -> None:
    _, _, tab = opened
    tab.emulate_media(media="print")
    sizes = tab.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => !e.closest('svg') && [...e.childNodes].some("
        "n => n.nodeType === 3 && n.textContent.trim())).map(e => parseFloat(getComputedStyle(e).fontSize) * 0.75)"
    )
    assert min(sizes) >= LEAST_PT


def test_no_word_of_the_map_lies_on_another_or_over_its_frame(opened: tuple[str, StreetSurvey, Page]) -> None:
    _, _, tab = opened
    tab.emulate_media(media="print")
    frame, words = tab.evaluate(LETTERS)
    shapes = [(text, shapely.Polygon(corners)) for text, corners in words]
    assert len(shapes) > 2
    inside = shapely.box(*frame).buffer(0.5)
    for number, (text, shape) in enumerate(shapes):
        assert inside.covers(shape), text
        for other, beside in shapes[:number]:
            assert shape.intersection(beside).area <= 0.1 * min(shape.area, beside.area), (text, other)


def test_names_and_numbers_are_those_of_the_record(opened: tuple[str, StreetSurvey, Page]) -> None:
    _, answer, tab = opened
    record = json.loads(record_text(survey_record(answer, made_at=MADE_AT)))
    groups = {str(group["number"]): group for group in record["groups"]}
    rows = tab.evaluate(
        "[...document.querySelectorAll('#groups tbody tr')].map(r => [...r.cells].map(c => c.textContent.trim()))"
    )
    large = [group for group in record["groups"] if group["short_list"] and group["homes"] >= LEAST_HOMES]
    assert [row[0] for row in rows] == [str(group["number"]) for group in large]
    for row in rows:
        group = groups[row[0]]
        assert row[1].removesuffix("†").strip().removesuffix("*").strip() == group["called"]
        low, high = (f"{group[key]:g}" for key in ("homes_for_certain", "homes"))
        assert row[2] == (high if low == high else f"{low} to {high}")
        assert not re.search(r"\bway[ /]?\d+", row[1])
    first = tab.evaluate(
        "[...document.querySelectorAll('.groups tbody tr')].map(r => [r.cells[0].textContent.trim(), "
        "r.cells[1].querySelector('.l').textContent.trim(), r.cells[2].textContent.trim()])"
    )
    assert len(first) >= min(len(large), 4)
    for row, wanted in zip(first, rows, strict=False):
        assert (row[0], row[2]) == (wanted[0], wanted[2])
        assert groups[row[0]]["everyone_must_pass"].startswith(row[1].removesuffix("…"))
    small = [group for group in record["groups"] if group["short_list"] and group["homes"] < LEAST_HOMES]
    told = tab.evaluate("[...document.querySelectorAll('[aria-labelledby=h-small] li')].map(e => e.textContent)")
    found = {number: line.split(": ", 1)[1] for line in told for number in line.split(": ", 1)[0].split(", ")}
    assert found == {str(group["number"]): group["called"] for group in small}


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", ["demo", "unbroken", "no group", "scripts"])
def test_it_opens_on_a_screen_without_barrier(
    width: int, name: str, browser: Browser, once: Once, tmp_path: Path
) -> None:
    answer = CASES[name](once)
    (tmp_path / "streets.html").write_text(streets_page(answer, made_at=MADE_AT), encoding="utf-8")
    tab = browser.new_page(viewport={"width": width, "height": 900})
    tab.goto((tmp_path / "streets.html").as_uri())
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    found = [one for one in Axe().run(tab).response["violations"] if one["impact"] in ("serious", "critical")]
    assert found == []
    tab.close()


def test_whose_rule_it_is_and_that_it_is_not_local(browser: Browser, tmp_path: Path) -> None:
    """By hand, from the regions of each rule (ISO 3166-2): California's is at home in US-CA, maybe in US, not in AU."""
    answer = area(plain(1), branches=3, homes=40.0)
    for region, said in (
        ("US-CA", "in force here, region US-CA"),
        ("US", "local only if the streets lie there, region US"),
        ("AU", "not a rule of this place, region AU"),
        ("AU-NSW", "not a rule of this place, region AU-NSW"),
    ):
        page = streets_page(replace(answer, options=replace(answer.options, region=region)), made_at=MADE_AT)
        path = tmp_path / "streets.html"
        path.write_text(page, encoding="utf-8")
        tab = browser.new_page()
        tab.goto(path.as_uri())
        side = " ".join(tab.inner_text(".side:nth-of-type(2)").split())
        assert f"California fire safe regulations (State of California, United States; {said}). Source: 14 CCR" in side
        assert f"in force only where adopted; not local by itself, region {region})" in side
        assert "NFPA 1141 and 1140; from memory, not read." in side
        tab.close()


def test_no_word_that_only_its_makers_know(opened: tuple[str, StreetSurvey, Page]) -> None:
    _, _, tab = opened
    text = tab.inner_text("main").casefold()
    for word in ("quantile", "member", "dominator", "junction graph", "undirected", "node", "throat", "median"):
        assert not re.search(rf"\b{word}s?\b", text), word
