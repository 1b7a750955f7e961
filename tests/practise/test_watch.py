"""A practice run as it is pressed: nothing is lost, whatever clocks and people do, and what is odd is said."""

from __future__ import annotations

import random
import shutil
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from leaveby.ask.household import demo_folder, load_plan
from leaveby.errors import InputError
from leaveby.files.read.practice import read_practice, read_rows
from leaveby.household.practice.runs import Run, standing
from leaveby.practise.watch import Clock, Watch, open_watch, practise_in_terminal, press, state_of

BAGS, WHEELS, SHUTTERS = "gather papers, medicines, water and wool clothes", "refit the wheels", "shutters"


@dataclass
class Hands:
    """Two clocks that a test moves."""

    wall: datetime = datetime(2026, 10, 3, 14, 0)
    even_s: float = 1000.0

    def passes(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.even_s += seconds

    @property
    def clock(self) -> Clock:
        return Clock(lambda: self.wall, lambda: self.even_s)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    shutil.copytree(demo_folder(), tmp_path / "demo")
    return tmp_path / "demo" / "plan.toml"


def begun(plan: Path, hands: Hands) -> Watch:
    watch = open_watch(plan, "tow", clock=hands.clock)
    assert press(watch, "begin") == ""
    return watch


def the_run(plan: Path) -> Run:
    found = read_practice(plan.parent / "practice.csv")
    assert found is not None
    return found.runs[-1]


def of(watch: Watch, task: str) -> dict[str, object]:
    return next(one for one in state_of(watch)["tasks"] if one["name"] == task)


def test_several_at_once_with_a_pause_and_what_it_came_to(plan: Path) -> None:
    hands = Hands()
    watch = open_watch(plan, "tow", clock=hands.clock)
    assert state_of(watch)["state"] == "before"
    assert press(watch, "start", task=BAGS) == "Begin the run first."
    assert not (plan.parent / "practice.csv").exists()
    assert press(watch, "begin") == ""
    assert press(watch, "start", task=BAGS, who=("Bo",)) == ""
    assert press(watch, "start", task=SHUTTERS, who=("Ines", "nobody of ours")) == ""
    hands.passes(60.0)
    assert press(watch, "stop", task=SHUTTERS) == ""
    assert press(watch, "pause") == ""
    assert press(watch, "start", task=WHEELS) == "The run is paused. Go on first."
    hands.passes(600.0)
    assert state_of(watch)["state"] == "paused"
    assert state_of(watch)["elapsed_s"] == 60
    assert press(watch, "go_on") == ""
    hands.passes(240.0)
    assert of(watch, BAGS) == {"name": BAGS, "who": ["Ines"], "state": "going", "lasts_s": 300, "likely_s": 360.0}
    assert press(watch, "end") == f"Stop first: {BAGS}."
    assert press(watch, "stop", task=BAGS) == ""
    assert (
        press(watch, "note", note="dark") == press(watch, "note", note="wet") == press(watch, "note", note="wet") == ""
    )
    assert press(watch, "end") == ""
    assert press(watch, "start", task=BAGS) == "This run is ended. Undo goes on with it."
    assert press(watch, "start", task="no such task") == "This run is ended. Undo goes on with it."
    run = the_run(plan)
    assert run.times_s == {BAGS: 300.0, SHUTTERS: 60.0}
    assert (run.total_s, run.noted, run.who) == (300.0, frozenset({"dark"}), ("Bo", "Ines"))
    said = state_of(watch)["result"]
    assert said[0] == "5 minutes in all; planned 61."
    assert said[1].startswith("Not done in this run: get the child dressed and ready, pack the car,")
    assert (
        said[-1]
        == "A run by day and without fear is quicker than the day itself: answer the plan anew, and leave earlier."
    )


def test_a_press_that_is_repeated_is_one_and_a_strange_one_none(plan: Path) -> None:
    hands = Hands()
    watch = begun(plan, hands)
    for _ in range(2):
        assert press(watch, "begin") == press(watch, "start", task=BAGS) == press(watch, "stop", task=SHUTTERS) == ""
    assert len(read_rows(watch.path).rows) == 2
    assert press(watch, "start", task="(whole run)") == 'There is no "(whole run)" in this list.'
    assert press(watch, "burn") == 'There is no "burn" in this list.'
    assert press(watch, "start", task="=1+1") == 'There is no "=1+1" in this list.'
    assert len(read_rows(watch.path).rows) == 2


def test_two_presses_in_the_same_second_lose_nothing(plan: Path) -> None:
    """Start and stop twice within a second: two lines, none over the other, and no less counted than the 0.4 s."""
    hands = Hands(wall=datetime(2026, 10, 3, 14, 0, 0, 100_000))
    watch = begun(plan, hands)
    for _ in range(2):
        for action in ("start", "stop"):
            hands.passes(0.2)
            assert press(watch, action, task=WHEELS) == ""
    assert press(watch, "start", task=BAGS) == press(watch, "start", task=SHUTTERS) == ""
    assert len(standing(read_rows(watch.path).rows)) == 5
    assert the_run(plan).times_s[WHEELS] == 1.0
    assert set(the_run(plan).open) == {BAGS, SHUTTERS}


def test_undo_takes_back_press_by_press_to_the_beginning(plan: Path) -> None:
    """Against a plain list of what stood after every press, for random presses."""
    rng, hands, deepest = random.Random(4), Hands(), 0
    watch, stood = begun(plan, hands), list[list[object]]()

    def now() -> list[object]:
        rows = standing(read_rows(watch.path).rows)
        return [(row.task, row.start, row.stop) for row in rows]

    for _ in range(150):
        hands.passes(rng.choice([0.0, 0.3, 20.0]))
        before, action = now(), rng.choice(["start", "start", "stop", "pause", "go_on", "end"])
        press(watch, action, task=rng.choice([BAGS, WHEELS, SHUTTERS]))
        if now() != before:
            stood.append(before)
        deepest = max(deepest, len(stood))
        if stood and (rng.random() < 0.2 or state_of(watch)["state"] == "ended"):
            assert press(watch, "undo") == ""
            assert now() == stood.pop()
    assert deepest > 8
    while stood:
        assert press(watch, "undo") == ""
        assert now() == stood.pop()
    assert press(watch, "undo") == "There is nothing to undo."


def test_a_clock_that_is_set_back_lengthens_nothing_away_and_is_said(plan: Path) -> None:
    hands = Hands()
    watch = begun(plan, hands)
    press(watch, "start", task=WHEELS)
    hands.passes(600.0)
    hands.wall -= timedelta(hours=1)
    hands.passes(600.0)
    press(watch, "stop", task=WHEELS)
    assert the_run(plan).times_s[WHEELS] == 1200.0
    assert state_of(watch)["said"] == [
        "The machine's clock was set back by 60 minutes. The run goes on by the time that has passed."
    ]
    # ended in between, it can't be known how long: said
    hands.passes(60.0)
    again = open_watch(plan, "tow", clock=hands.clock)
    assert again.began == watch.began
    assert state_of(again)["said"] == [
        "The run that began on 3 October at 14:00 goes on.",
        "The machine's clock was set back by 59 minutes since the last press. Times go on from that press, so what lay "
        "between is not counted.",
    ]
    assert state_of(again)["elapsed_s"] == 1200
    hands.passes(30.0)
    assert press(again, "end") == ""
    assert the_run(plan).total_s == 1230.0


def test_a_machine_that_sleeps_or_is_set_on_counts_the_longer_time(plan: Path) -> None:
    hands = Hands()
    watch = begun(plan, hands)
    press(watch, "start", task=WHEELS)
    hands.wall += timedelta(minutes=30)
    press(watch, "stop", task=WHEELS)
    assert the_run(plan).times_s[WHEELS] == 1800.0
    assert state_of(watch)["said"] == ["The machine slept or its clock was set on by 30 minutes. They are counted."]


def test_a_run_goes_over_midnight(plan: Path) -> None:
    hands = Hands(wall=datetime(2026, 12, 31, 23, 50))
    watch = begun(plan, hands)
    press(watch, "start", task=WHEELS)
    hands.passes(1500.0)
    press(watch, "stop", task=WHEELS)
    press(watch, "start", task=SHUTTERS)
    watch = open_watch(plan, "tow", clock=hands.clock)
    hands.passes(60.0)
    press(watch, "stop", task=SHUTTERS)
    press(watch, "end")
    run = the_run(plan)
    assert (run.times_s, run.total_s) == ({WHEELS: 1500.0, SHUTTERS: 60.0}, 1560.0)
    assert run.began == datetime(2026, 12, 31, 23, 50)


def test_a_run_that_was_never_ended_is_left_and_said_after_hours(plan: Path) -> None:
    hands = Hands()
    begun(plan, hands)
    hands.passes(5.9 * 3600.0)
    assert open_watch(plan, "tow", clock=hands.clock).began is not None
    assert open_watch(plan, "car", clock=hands.clock).began is None
    hands.passes(3600.0)
    watch = open_watch(plan, "tow", clock=hands.clock)
    assert watch.began is None
    assert watch.said == ["The run of 3 October 2026 was never ended: its tasks count, its total does not."]
    press(watch, "begin")
    assert watch.began == hands.wall


def test_a_person_renamed_and_a_task_deleted_lose_nothing_and_are_said(plan: Path) -> None:
    hands = Hands()
    watch = begun(plan, hands)
    for task in (WHEELS, SHUTTERS):
        press(watch, "start", task=task, who=("Bo",))
        hands.passes(600.0)
        press(watch, "stop", task=task)
    press(watch, "end")
    text = (
        plan.read_text(encoding="utf-8").replace('name = "Bo"', 'name = "Bohdan"').replace(f'"{SHUTTERS}"', '"blinds"')
    )
    plan.write_text(text.replace(f'"{SHUTTERS}"', '"blinds"'), encoding="utf-8")
    changed = load_plan(plan)
    assert changed.practice is not None
    assert changed.practice.runs[0].times_s == {WHEELS: 600.0, SHUTTERS: 600.0}
    assert changed.assumptions[-2:] == (
        'practice.csv has times of "shutters", which is the name of no task in the plan: they count as minutes in no '
        "task. Put the name right there or in the plan, or take the lines out.",
        'practice.csv names "Bo", who is not in the plan: the times count all the same.',
    )


def test_a_way_without_tasks_and_a_faulty_file_are_refused(plan: Path) -> None:
    nothing = plan.read_text(encoding="utf-8").replace(', "foot"', "").replace('["foot"]', '["car"]')
    plan.write_text(nothing, encoding="utf-8")
    with pytest.raises(InputError, match="is foot, and the plan has nothing to do for it"):
        open_watch(plan, "foot")
    (plan.parent / "practice.csv").write_text("nothing of the kind\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 1: lacks date"):
        open_watch(plan, "tow")


def test_edited_by_hand_while_it_goes_the_file_counts(plan: Path) -> None:
    hands = Hands()
    watch = begun(plan, hands)
    with watch.path.open("a", encoding="utf-8") as file:
        file.write("2026-10-03 14:00:00,tow,Bo,shutters,14:00,14:02,by hand")
    assert of(watch, SHUTTERS)["lasts_s"] == 120
    hands.passes(300.0)
    press(watch, "start", task=WHEELS)
    assert of(watch, SHUTTERS)["state"] == "done"
    assert of(watch, WHEELS)["state"] == "going"


def test_a_run_in_a_plain_terminal(plan: Path) -> None:
    """Typed line by line, left by q and by the end of the input, and gone on with."""
    hands, said = Hands(), list[str]()
    number = str([one["name"] for one in state_of(open_watch(plan, "tow"))["tasks"]].index(WHEELS) + 1)

    def typing(*typed: str) -> None:
        left = list(typed)

        def ask(_: str) -> str:
            hands.passes(60.0)
            if not left:
                raise EOFError
            return left.pop(0)

        said.clear()
        practise_in_terminal(open_watch(plan, "tow", clock=hands.clock), ask=ask, say=said.append)

    typing("q")
    assert said[-1] == "Nothing was begun."
    typing("b", number, "dark", "0", "q")
    assert 'There is no "0" in this list.' in said
    assert f"{number} [>] {WHEELS} (Ines, Bo) 2:00" in said
    assert said[-1] == "The run is on the disk. The same command goes on with it."
    typing("p", "g", "u", "e")
    assert f"Stop first: {WHEELS}, (pause)." in said
    assert "PAUSED 5:00 of 61:00 planned (dark)" in said
    typing("g", number, "e")
    assert "5 minutes in all; planned 61." not in said
    assert any(line.startswith("ENDED ") for line in said)
    assert the_run(plan).total_s is not None
