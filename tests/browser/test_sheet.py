"""The sheet for the fridge printed by a real browser: one side, whatever the names, the paper and the machine's fonts.

Hostile plans and ordinary ones are laid out with only the fonts of one family installed. Nothing is solved for them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from types import ModuleType
from typing import Any

import pypdfium2
import pytest
from axe_playwright_python.sync_playwright import Axe
from matplotlib import get_data_path
from playwright.sync_api import Browser, Page
from prints import LONG, PAPERS, SCRIPTS, UNBROKEN, WIDE, letters, print_out, too_near_the_edge

from leaveby.caution import OVERRIDE
from leaveby.decision.ways.result import HeldUp, HouseholdResult
from leaveby.files.write.printed import print_page
from leaveby.household.plan import LIKE_THE_PLANS
from leaveby.household.plan_tables import OfficialSource, Person
from leaveby.household.practice.runs import Practice, Run
from leaveby.household.readiness import schedule_for
from leaveby.show.plan.sheet import sheet_page

ROOT = Path(__file__).resolve().parents[2]
MADE_AT = datetime(2026, 11, 25, 9, 0, tzinfo=timezone(timedelta(hours=11)))
LEAST_PT, LEAST_MAP_MM = 8.0, 100.0


def household(
    result: HouseholdResult, *, people: int = 3, tasks: int = 9, word: str = "", away: bool = False
) -> HouseholdResult:
    """A household of so many with so many tasks, named with this word."""
    old = result.plan.tasks
    plan = replace(
        result.plan,
        people=tuple(
            Person(f"{word}{number}" or "?", ("lift", "drive", "tow"), 900.0 * away) for number in range(people)
        ),
        tasks=tuple(
            replace(old[number % 2], name=f"{word or 'carry things'} {number}", ways=("tow", "car"), hands=1, after=())
            for number in range(tasks)
        ),
    )
    ways = {name: replace(way, schedule=schedule_for(plan, name)) for name, way in result.ways.items()}  # type: ignore[arg-type]
    return replace(result, plan=plan, ways=ways)


def turned(result: HouseholdResult, turns: int, street: str = "Lantern River Road") -> HouseholdResult:
    """Ways out with so many turns, the car's another one than the house's."""
    ways = dict(result.ways)
    for name in ("tow", "car"):
        way = ways[name]
        assert way.route is not None
        step = replace(way.route.steps[-1], turn="slight left", street=street)
        edges = way.route.edges if name == "tow" else way.route.edges[:-1]
        ways[name] = replace(way, route=replace(way.route, steps=(step,) * turns, edges=edges))
    return replace(result, ways=ways)


def renamed(result: HouseholdResult, word: str) -> HouseholdResult:
    """The same answer with this word in every place of the sheet that a person or a map fills in."""
    points = {point.name: f"{word} {n}" for n, point in enumerate(result.plan.safe_points)}
    plan = replace(
        result.plan,
        name=word[:120],
        season_starts=(12, 28),
        safe_points=tuple(replace(point, name=points[point.name]) for point in result.plan.safe_points),
        official_sources=tuple(OfficialSource(word[:120], word[:60], word[:60], word[:120]) for _ in range(3)),
    )
    ways = {
        name: replace(
            way, route=None if way.route is None else replace(way.route, safe_point=points[way.route.safe_point])
        )
        for name, way in result.ways.items()
    }
    told = tuple(f"Fire at {word}{number}, {number}.5 km north-west of home, or nearer: go." for number in range(8))
    rules = {
        key: replace(rule, rating=word if rule.rating == "Extreme" else rule.rating, landmarks=told)
        for key, rule in result.rules.rules.items()
    }
    place = result.shelter.place
    assert place is not None
    return replace(
        result,
        plan=plan,
        ways=ways,
        rules=replace(result.rules, rules=rules),
        safe_point_xy_m={points[name]: at for name, at in result.safe_point_xy_m.items()},
        shelter=replace(result.shelter, place=replace(place, name=word, burnt_share=0.98), heat_limit_kw_m2=12.5),
    )


def hostile(made: ModuleType, word: str) -> HouseholdResult:
    base = replace(
        made.invented_result(street=word), rules=made.invented_rules(before=("tow", "car"), landmark=word[:40])
    )
    people = household(base, people=12, tasks=30, word=word, away=True)
    return renamed(turned(people, 60, word), word)


def with_rules(made: ModuleType, **said: Any) -> HouseholdResult:
    result: HouseholdResult = replace(made.invented_result(), rules=made.invented_rules(**said))
    return result


def streetless(made: ModuleType) -> HouseholdResult:
    """No names on the map, no rules, no tasks."""
    result = household(made.invented_result(street=""), tasks=0)
    blank = ("",) * result.network.edge_count
    return replace(
        result, network=replace(result.network, name=blank, ref=blank), rules=replace(result.rules, rules={})
    )


def practised(result: HouseholdResult) -> HouseholdResult:
    """The same household after a dozen practice runs with the house."""
    runs = (Run(datetime(2026, 9, 30, 14, 0), "tow", (), 5040.0),) * 12
    return replace(result, plan=replace(result.plan, practice=Practice("practice.csv", runs)))


def abroad(made: ModuleType) -> HouseholdResult:
    """In the United States: miles, and equations made for other fuels."""
    result = with_rules(made, before=("tow", "car"))
    roads = replace(result.plan.roads, region="US-CA")
    return replace(result, plan=replace(result.plan, roads=roads), made_elsewhere=("made for other fuels",))


def among_neighbours(result: HouseholdResult, street: str = "Upper Lantern River Mill Road") -> HouseholdResult:
    """With neighbours on every way that has wheels, who cost an hour and more."""
    held = HeldUp(street, cars=999, passes_veh_h=700.0, at_once_s=5930.0, counted_s=5930.0, set_out="at once")
    ways = {name: way if name == "foot" else replace(way, held_up=held) for name, way in result.ways.items()}
    return replace(result, ways=ways)


CASES: dict[str, Callable[[ModuleType], HouseholdResult]] = {
    "ordinary": lambda made: made.invented_result(),
    "evening before": lambda made: with_rules(made, before=("tow", "car")),
    "like the plans": lambda made: with_rules(made, before=("tow",), milder=LIKE_THE_PLANS),
    "no worked day": lambda made: made.without_fire(made.invented_result()),
    "abroad": abroad,
    "practised": lambda made: practised(made.invented_result()),
    "twelve people, practised": lambda made: practised(household(made.invented_result(), people=12, tasks=30)),
    "wide, level and practised": lambda made: practised(made.on_level_ground(hostile(made, WIDE))),
    "one person": lambda made: household(made.invented_result(), people=1, tasks=30),
    "twelve people": lambda made: household(made.invented_result(), people=12, tasks=30, away=True),
    "eight turns": lambda made: turned(made.invented_result(), 8),
    "sixty turns": lambda made: turned(made.invented_result(), 60),
    "car alone": lambda made: replace(made.invented_result(), ways={"car": made.invented_result().ways["car"]}),
    "on foot": lambda made: replace(made.invented_result(), ways={"foot": made.invented_result().ways["foot"]}),
    "no way out": lambda made: replace(
        made.invented_result(),
        ways={name: replace(way, route=None) for name, way in made.invented_result().ways.items()},
    ),
    "streetless": streetless,
    "neighbours": lambda made: among_neighbours(made.invented_result()),
    "one person and neighbours": lambda made: among_neighbours(household(made.invented_result(), people=1, tasks=30)),
    "long and neighbours": lambda made: among_neighbours(hostile(made, LONG), LONG),
    "wide and neighbours": lambda made: among_neighbours(made.on_level_ground(hostile(made, WIDE)), WIDE),
    "unbroken and neighbours": lambda made: among_neighbours(hostile(made, UNBROKEN), UNBROKEN),
    "level": lambda made: made.on_level_ground(made.invented_result()),
    "long and level": lambda made: made.on_level_ground(hostile(made, LONG)),
    "wide and level": lambda made: made.on_level_ground(hostile(made, WIDE)),
    "long": lambda made: hostile(made, LONG),
    "wide": lambda made: hostile(made, WIDE),
    "unbroken": lambda made: hostile(made, UNBROKEN),
    **{name: (lambda made, word=word: hostile(made, word)) for name, word in SCRIPTS.items()},
}
FAMILIES = {
    "dejavu": [Path(get_data_path(), "fonts", "ttf")],
    "liberation": [Path("/usr/share/fonts/truetype", name) for name in ("liberation", "liberation2")],
    "noto": [Path("/usr/share/fonts", kind, "noto") for kind in ("truetype", "opentype")],
}
"""Folders of fonts of a family: matplotlib's own are everywhere, the others where a machine has them."""
HERE = [name for name, folders in FAMILIES.items() if any(folder.is_dir() for folder in folders)]


@pytest.fixture(scope="module")
def sheets(invented: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("sheets")
    made = {}
    for name, case in CASES.items():
        made[name] = folder / f"{name.replace(' ', '_')}.html"
        made[name].write_text(sheet_page(case(invented), made_at=MADE_AT), encoding="utf-8")
    return made


@pytest.fixture(scope="module", params=HERE)
def machine(
    request: pytest.FixtureRequest, browser: Browser, browser_path: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Page]]:
    """A browser on a machine that has the fonts of one family alone."""
    folder = tmp_path_factory.mktemp("fonts")
    (folder / "fonts.conf").write_text(
        '<?xml version="1.0"?>\n<!DOCTYPE fontconfig SYSTEM "fonts.dtd">\n<fontconfig>'
        + "".join(f"<dir>{one}</dir>" for one in FAMILIES[request.param])
        + f"<cachedir>{folder / 'cache'}</cachedir></fontconfig>\n",
        encoding="utf-8",
    )
    opened = browser.browser_type.launch(
        executable_path=browser_path,
        args=["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"],
        env={**os.environ, "FONTCONFIG_FILE": str(folder / "fonts.conf")},
    )
    yield request.param, opened.new_page(viewport={"width": 720, "height": 1000})
    opened.close()


BOXES = """() => {
  const faults = [], say = e => e.tagName + '.' + e.className + ': ' + e.textContent.trim().slice(0, 50);
  const flows = [...document.querySelectorAll('main, main *')].filter(
    e => !e.closest('svg') && getComputedStyle(e).display !== 'inline');
  for (const e of flows) {
    if (e.matches('.l')) continue;  // a line is what is cut, with an ellipsis
    if (e.scrollHeight > e.clientHeight) faults.push(['high', say(e)]);
    if (e.scrollWidth > e.clientWidth + 1) faults.push(['wide', say(e)]);
  }
  for (const e of flows.slice(1).concat([...document.querySelectorAll('main svg')])) {
    const a = e.getBoundingClientRect(), b = e.parentElement.getBoundingClientRect();
    if (a.width && (a.top < b.top - .6 || a.left < b.left - .6 || a.right > b.right + .6 || a.bottom > b.bottom + .6))
      faults.push(['outside', say(e)]);
  }
  const parts = [...document.querySelector('main').children].map(e => [e, e.getBoundingClientRect()]);
  parts.forEach(([e, a], n) => n && a.top < parts[n - 1][1].bottom - .1 && faults.push(['over', say(e)]));
  for (const e of document.querySelectorAll('.middle > *, .tasks > *, .boxes > *')) {
    const next = e.nextElementSibling;
    const right = e.getBoundingClientRect().right;
    if (next && next.getBoundingClientRect().left < right - .1) faults.push(['beside', say(e)]);
  }
  return faults;
}"""


def test_every_sheet_is_one_side_with_nothing_cut_and_nothing_small(
    machine: tuple[str, Page], sheets: dict[str, Path], artefacts: Path
) -> None:
    fonts, tab = machine
    faults: list[object] = []
    for name, path in sheets.items():
        tab.emulate_media(media="print")
        tab.goto(path.as_uri())
        tab.evaluate("() => Promise.all([...document.fonts].map(face => face.load()))")
        faults += [(name, fault) for fault in tab.evaluate(BOXES)]
        width_px = tab.evaluate("document.querySelector('.map svg').getBoundingClientRect().width")
        assert width_px / 96.0 * 25.4 >= LEAST_MAP_MM, name
        for paper in PAPERS:
            printed = artefacts / f"sheet_{name.replace(' ', '_')}_{fonts}_{paper}.pdf"
            sides = print_out(tab, printed, paper)
            faults += [] if sides == 1 else [(name, paper, sides)]
            told = letters(printed)[0]
            assert len(told) > 600, name
            faults += [(name, paper, letter, size) for letter, size, _ in told if size < LEAST_PT]
            faults += [(name, paper, letter, box) for letter, _, box in told if too_near_the_edge(box, paper)]
    assert faults == [], faults[:20]


def test_words_of_the_sheet_are_large(sheets: dict[str, Path], browser: Browser) -> None:
    """The rules are set in 20 points and more, what is read beside them in 12; small print alone is smaller."""
    tab = browser.new_page()
    tab.goto(sheets["ordinary"].as_uri())
    sizes = tab.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => !e.closest('svg') && [...e.childNodes].some("
        "n => n.nodeType === 3 && n.textContent.trim())).map(e => [e.closest('.foot') ? 'foot' : e.closest('.rule') ? "
        "'rule' : 'body', parseFloat(getComputedStyle(e).fontSize) * 0.75])"
    )
    least = {kind: min(size for what, size in sizes if what == kind) for kind in ("rule", "body", "foot")}
    assert least["rule"] >= 20.0
    assert least["body"] >= 12.0
    assert least["foot"] >= LEAST_PT
    colours = tab.evaluate(
        "[...new Set([...document.querySelectorAll('main, main *')].flatMap(e => { const s = getComputedStyle(e);"
        " return [s.color, s.backgroundColor]; }))]"
    )
    assert set(colours) <= {"rgb(0, 0, 0)", "rgba(0, 0, 0, 0)"}
    tab.close()


@pytest.mark.parametrize("width", [1280, 390])
def test_the_sheet_opens_on_a_screen_without_barrier(width: int, sheets: dict[str, Path], browser: Browser) -> None:
    for name in ("ordinary", "unbroken", "mixed"):
        tab = browser.new_page(viewport={"width": width, "height": 900})
        tab.goto(sheets[name].as_uri())
        assert tab.evaluate("document.documentElement.scrollWidth") <= width, name
        found = [one for one in Axe().run(tab).response["violations"] if one["impact"] in ("serious", "critical")]
        assert found == [], name
        tab.close()


def test_the_sheet_is_printed_as_pdf_prints_it(sheets: dict[str, Path], browser_path: str, tmp_path: Path) -> None:
    print_page(sheets["twelve people"].read_text(encoding="utf-8"), tmp_path / "plan.pdf", browser=Path(browser_path))
    with pypdfium2.PdfDocument(tmp_path / "plan.pdf") as printed:
        assert len(printed) == 1
        assert printed[0].get_size() == pytest.approx(PAPERS["A4"], abs=1.0)
        said = "".join(printed[0].get_textpage().get_text_bounded().split())
        assert said.startswith("".join(OVERRIDE.split()))
