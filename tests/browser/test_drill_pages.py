"""The drill printed by a real browser: a card of two sides, a page a sheet, whatever names, rounds, injects and paper.

Hostile drills and random ones are made from one that was computed; nothing more is solved for them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from playwright.sync_api import Browser, Page
from prints import LONG, PAPERS, SCRIPTS, UNBROKEN, WIDE, letters, print_out, too_near_the_edge

from leaveby.ask.drill import read_drill, run_drill
from leaveby.ask.household import demo_folder
from leaveby.caution import OVERRIDE
from leaveby.decision.drill.result import Answer, Drill, Inject, Round
from leaveby.decision.drill.rounds import place_answer
from leaveby.files.write.outputs import write_drill
from leaveby.household.plan_tables import Person
from leaveby.show.drill.page import annex_page, participants_page
from leaveby.show.drill.run_card import run_card
from leaveby.show.drill.words import EXERCISE_BANNER
from smaller import Once

MADE_AT = datetime(2026, 11, 25, 9, 0, tzinfo=timezone(timedelta(hours=11)))
LEAST_PT, READ_PT, LEAST_MAP_MM = 8.0, 11.0, 46.0


def with_rounds(drill: Drill, count: int) -> Drill:
    """So many rounds, the computed ones in turn."""
    turns = itertools.islice(itertools.cycle(drill.rounds), count)
    return replace(drill, rounds=tuple(replace(run, number=number) for number, run in enumerate(turns, start=1)))


def with_pauses(run: Round, count: int, *, first_s: float) -> Round:
    """So many pauses up to the end of a round, each as the computed one before it."""
    moments = np.linspace(first_s, run.end_s - 60.0, count)
    pauses = []
    for number, at_s in enumerate(moments, start=1):
        like = max((one for one in run.pauses if one.at_s <= at_s), key=lambda one: one.at_s, default=run.pauses[0])
        pauses.append(replace(like, number=number, at_s=float(at_s)))
    return replace(run, pauses=tuple(pauses))


def with_injects(run: Round, count: int, text: str, *, first_s: float) -> Round:
    """So many injects of the trainer's own beside those of a round, official ones among them."""
    moments = np.linspace(first_s, run.end_s, count)
    kinds = itertools.cycle(("official", "phone", "heard"))
    own = [Inject(float(at_s), kind, text, source="trainer") for at_s, kind in zip(moments, kinds, strict=False)]
    return replace(run, injects=tuple(sorted([*run.injects, *own], key=lambda one: one.at_s)))


def named(drill: Drill, word: str, *, people: int = 12, tasks: int = 30, points: int = 9, groups: int = 12) -> Drill:
    """The drill with this word in every place that a person or a map fills in."""
    old = drill.plan
    plan = replace(
        old,
        name=word[:120],
        people=tuple(Person(f"{word[:110]}{number}", ("lift",)) for number in range(people)),
        tasks=tuple(
            replace(old.tasks[0], name=f"{word[:110]}{number}", ways=("tow", "car"), after=())
            for number in range(tasks)
        ),
        safe_points=tuple(
            replace(old.safe_points[number % len(old.safe_points)], name=f"{word[:110]} {number}")
            for number in range(points)
        ),
    )
    names = dict(
        zip((point.name for point in old.safe_points), (point.name for point in plan.safe_points), strict=False)
    )
    blank = drill.network.name
    rounds = []
    for run in drill.rounds:
        answers = [Answer(f"{word[:58]}{number}", 1, "car", -600.0 * number) for number in range(groups)]
        injects = tuple(replace(one, text=f"{word} {one.text}"[:600]) for one in run.injects)
        shuts = tuple(replace(one, street=word) for one in run.shuts)
        placed = tuple(place_answer(run, one) for one in answers)
        rounds.append(replace(run, injects=injects, shuts=shuts, placed=placed, notes=(word,) * 3, run_from=word))
    return replace(
        drill,
        name=word[:120],
        plan=plan,
        rounds=tuple(rounds),
        notes=(word,),
        network=replace(drill.network, name=tuple(word if name else "" for name in blank)),
        safe_point_xy_m={names[name]: at for name, at in drill.safe_point_xy_m.items() if name in names},
    )


def full(drill: Drill, word: str = LONG) -> Drill:
    """Six rounds of many pauses with twelve injects of six hundred letters each."""
    many = with_rounds(drill, 6)
    begin_s = drill.script.begin_s
    rounds = [with_pauses(run, 9, first_s=begin_s) for run in many.rounds]
    text = (word * 12)[:600]
    return replace(many, rounds=tuple(with_injects(run, 12, text, first_s=begin_s) for run in rounds))


def cut(drill: Drill, *, down: tuple[float, float] = (0.0, 1.0), across: tuple[float, float] = (0.0, 1.0)) -> Drill:
    """The drill on a part of its ground, for maps of another shape: from and to shares of its height and breadth."""
    grid = drill.terrain.grid
    low, high = (round(share * grid.rows) for share in down)
    left, right = (round(share * grid.cols) for share in across)
    rows, cols = slice(low, high), slice(left, right)
    part = replace(
        grid,
        x_min_m=grid.x_min_m + left * grid.cell_m,
        y_max_m=grid.y_max_m - low * grid.cell_m,
        rows=high - low,
        cols=right - left,
    )
    terrain = replace(drill.terrain, grid=part, elevation_m=drill.terrain.elevation_m[rows, cols])
    rounds = [
        replace(run, arrival=replace(run.arrival, grid=part, time_s=run.arrival.time_s[rows, cols]))
        for run in drill.rounds
    ]
    return replace(drill, terrain=terrain, rounds=tuple(rounds))


def at_random(drill: Drill, seed: int) -> Drill:
    """Rounds, pauses, injects and names as they fall."""
    chance = np.random.default_rng(seed)
    words = [LONG, WIDE, UNBROKEN, "Öl", *SCRIPTS.values()]
    begin_s = drill.script.begin_s
    some = named(
        with_rounds(drill, int(chance.integers(1, 8))),
        str(chance.choice(words)),
        people=int(chance.integers(1, 20)),
        tasks=int(chance.integers(0, 40)),
        points=int(chance.integers(4, 12)),
        groups=int(chance.integers(0, 15)),
    )
    rounds = []
    for run in some.rounds:
        text = (str(chance.choice(words)) * 20)[: int(chance.integers(20, 600))]
        paused = with_pauses(run, int(chance.integers(1, 14)), first_s=float(chance.uniform(begin_s, 0.0)))
        rounds.append(with_injects(paused, int(chance.integers(0, 25)), text, first_s=begin_s))
    return replace(some, rounds=tuple(rounds))


HOSTILE = {"long": LONG, "wide": WIDE, "unbroken": UNBROKEN, **SCRIPTS}
CASES: dict[str, Callable[[Drill], Drill]] = {
    "demo": lambda drill: drill,
    "one round": lambda drill: with_rounds(drill, 1),
    "two rounds": lambda drill: with_rounds(drill, 2),
    "six rounds": full,
    "nine rounds": lambda drill: with_rounds(drill, 9),
    "many pauses": lambda drill: replace(
        drill, rounds=tuple(with_pauses(run, 40, first_s=drill.script.begin_s) for run in drill.rounds)
    ),
    "wide ground": lambda drill: cut(drill, down=(0.45, 0.8)),
    "tall ground": lambda drill: cut(drill, across=(0.45, 1.0)),
    **{name: (lambda drill, word=word: full(named(drill, word), word)) for name, word in HOSTILE.items()},
    **{f"random {seed}": (lambda drill, seed=seed: at_random(drill, seed)) for seed in range(6)},
}


@pytest.fixture(scope="module")
def computed(once: Once) -> Drill:
    return once(run_drill, replace(read_drill(demo_folder() / "drill.toml"), members=20), workers=2)


@pytest.fixture(scope="module")
def tab(browser: Browser) -> Page:
    return browser.new_page(viewport={"width": 740, "height": 1000})


FAULTS = """() => {
  const faults = [], say = e => e.tagName + '.' + e.className + ': ' + e.textContent.trim().slice(0, 50);
  for (const sheet of document.querySelectorAll('section.sheet')) {
    const flows = [sheet, ...sheet.querySelectorAll('*')].filter(
      e => !e.closest('svg') && getComputedStyle(e).display !== 'inline');
    for (const e of flows) {
      if (e.matches('.l, i')) continue;  // a line is what is cut, with an ellipsis
      const more = e.scrollHeight - e.clientHeight;
      if (more > 1 && e.clientHeight) faults.push(['high', say(e), more]);
      if (e.scrollWidth > e.clientWidth + 1 && e.clientWidth) faults.push(['wide', say(e)]);
    }
    const own = sheet.getBoundingClientRect();
    for (const e of [...flows.slice(1), ...sheet.querySelectorAll('svg')]) {
      const a = e.getBoundingClientRect();
      const over = Math.max(own.top - a.top, own.left - a.left, a.right - own.right, a.bottom - own.bottom);
      if (a.width && over > .6)
        faults.push(['outside', say(e)]);
    }
    for (const group of [sheet, ...sheet.querySelectorAll('.write, tbody, td, .came, .place')]) {
      const parts = [...group.children].map(e => [e, e.getBoundingClientRect()]);
      parts.forEach(([e, a], n) => parts.slice(0, n).forEach(([f, b]) => {
        if (a.left < b.right - .6 && b.left < a.right - .6 && a.top < b.bottom - .6 && b.top < a.bottom - .6)
          faults.push(['over', say(e), say(f)]);
      }));
    }
  }
  return faults;
}"""
SIZES = """() => Math.min(...[...document.querySelectorAll('main *')].filter(e => !e.closest('svg') &&
  [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())).map(
  e => parseFloat(getComputedStyle(e).fontSize) * 0.75))"""
MAPS = "[...document.querySelectorAll('section .map svg')].map(e => e.getBoundingClientRect().width / 96 * 25.4)"
FIELDS = "[...document.querySelectorAll('.write .fill')].map(e => e.getBoundingClientRect().height / 96 * 25.4)"
CUT_WORDS = """() => [...document.querySelectorAll('section .map svg, .came svg')].flatMap(svg => {
  const own = svg.getBoundingClientRect();
  return [...svg.querySelectorAll('text')].map(text => [text, text.getBoundingClientRect()]).filter(
    ([, b]) => b.width && Math.max(own.left - b.left, b.right - own.right, own.top - b.top, b.bottom - own.bottom) > 3
  ).map(([text]) => text.textContent);
})"""


def too_small_or_outside(path: Path, paper: str) -> list[object]:
    """Letters of a print below 8 points, or nearer to the paper's edge than its margins."""
    return [
        (number, letter, round(size, 2), box)
        for number, side in enumerate(letters(path), start=1)
        for letter, size, box in side
        if size < LEAST_PT - 0.01 or too_near_the_edge(box, paper)
    ]


def opened(tab: Page, text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8")
    tab.emulate_media(media="print")
    tab.goto(path.as_uri())
    tab.evaluate("() => Promise.all([...document.fonts].map(face => face.load()))")


@pytest.mark.parametrize("name", CASES)
def test_the_card_is_two_sides_and_every_sheet_a_page(
    name: str, computed: Drill, tab: Page, artefacts: Path, tmp_path: Path
) -> None:
    drill = CASES[name](computed)
    stem = f"drill_{name.replace(' ', '_')}"
    # Of rounds that come again the sheets differ by their number alone: with plain names all are printed.
    handed = replace(drill, rounds=drill.rounds[: len(computed.rounds)]) if name in HOSTILE else drill
    wanted = {
        "card": (run_card(drill, made_at=MADE_AT), 2, LEAST_PT),
        "groups": (
            participants_page(handed, made_at=MADE_AT),
            1 + sum(len(run.pauses) for run in handed.rounds),
            READ_PT,
        ),
    }
    for what, (text, pages, least_pt) in wanted.items():
        opened(tab, text, tmp_path / f"{what}.html")
        faults = tab.evaluate(FAULTS)
        assert faults == [], (what, faults[:10])
        assert tab.evaluate(SIZES) >= least_pt - 0.01, what
        assert tab.evaluate(CUT_WORDS) == [], what
        for paper in PAPERS:
            path = artefacts / f"{stem}_{what}_{paper}.pdf"
            assert print_out(tab, path, paper) == pages, (what, paper)
            small = too_small_or_outside(path, paper)
            assert small == [], (what, paper, small[:10])
    assert min(tab.evaluate(MAPS)) >= LEAST_MAP_MM
    assert min(tab.evaluate(FIELDS)) >= 6.0  # room for a line of handwriting, judgement


@pytest.mark.parametrize("name", ["demo", "long", "mixed"])
def test_the_annex_prints_without_small_letters(
    name: str, computed: Drill, tab: Page, artefacts: Path, tmp_path: Path
) -> None:
    opened(tab, annex_page(CASES[name](computed), made_at=MADE_AT), tmp_path / "annex.html")
    assert tab.evaluate("document.documentElement.scrollWidth") <= 740
    for paper in PAPERS:
        path = artefacts / f"drill_{name}_annex_{paper}.pdf"
        assert print_out(tab, path, paper) > 2
        small = too_small_or_outside(path, paper)
        assert small == [], small[:10]


def test_maps_are_as_large_as_their_sheets_give(computed: Drill, tab: Page, tmp_path: Path) -> None:
    """On square ground a map is half as wide as the sheet where little is new; where much is, 90 mm high."""
    opened(tab, participants_page(computed, made_at=MADE_AT), tmp_path / "groups.html")
    widths = tab.evaluate(MAPS)
    assert max(widths) > 110.0
    assert min(widths) > 80.0
    opened(tab, participants_page(cut(computed, down=(0.45, 0.8)), made_at=MADE_AT), tmp_path / "wide.html")
    assert max(tab.evaluate(MAPS)) > 180.0


def test_a_drill_is_written_with_its_prints_all_or_none(computed: Drill, browser_path: str, tmp_path: Path) -> None:
    written = write_drill(computed, tmp_path, made_at=MADE_AT, pdf=True, browser=Path(browser_path))
    prints = {"drill.pdf", "drill_annex.pdf", "drill_participants.pdf"}
    assert prints < set(written)
    assert {path.name for path in tmp_path.iterdir()} == set(written)
    with pypdfium2.PdfDocument(written["drill.pdf"]) as printed:
        assert len(printed) == 2
        for side in printed:
            assert side.get_size() == pytest.approx(PAPERS["A4"], abs=1.0)
            said = "".join(side.get_textpage().get_text_bounded().split())
            assert said.startswith("".join((EXERCISE_BANNER + OVERRIDE).split()))
    # Without being asked for, no older print stays beside the new pages.
    write_drill(computed, tmp_path, made_at=MADE_AT)
    assert prints.isdisjoint(path.name for path in tmp_path.iterdir())
