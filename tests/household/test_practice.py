"""What a plan's times learn from practice runs: never too much from good ones, at once from slow ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import beta, triang

from leaveby import parameters
from leaveby.chance import stream
from leaveby.confidence import longest_at_confidence
from leaveby.household.plan import Durations, Household
from leaveby.household.plan_tables import Person, Task
from leaveby.household.practice.learned import missed_of_s, missed_s, planned_s, practice_said, practised_durations
from leaveby.household.practice.runs import PAUSE, WHOLE, Practice, Row, Run, runs_of
from leaveby.household.readiness import Mornings, readiness, ready_times, saved_before_season
from leaveby.household.sampling import chance_below, sample_durations

AT = datetime(2026, 10, 3, 14, 0)
MEMBERS = 400
EVEN = ((np.arange(MEMBERS) + 0.5) / MEMBERS)[:, np.newaxis]
ON_THE_DAY = 1.3
KINDS: tuple[Durations, ...] = ("beta_pert", "triangular")


def task(name: str, *points_min: float, after: tuple[str, ...] = (), hands: int = 1) -> Task:
    return Task(name, ("tow",), *(60.0 * point for point in points_min), hands=hands, after=after)


WHEELS = task("wheels", 12, 18, 35)


def run_of(total_min: float | None = None, *, noted: str = "", days: int = 0, **times_min: float) -> Run:
    lasts_s = tuple((name.replace("_", " "), 60.0 * time_min) for name, time_min in times_min.items())
    total_s = None if total_min is None else 60.0 * total_min
    return Run(AT + timedelta(days=days), "tow", lasts_s, total_s, noted=frozenset(noted.split()))


def wheels(*times_min: float, kind: Durations = "beta_pert") -> NDArray[np.float64]:
    runs = [run_of(wheels=time_min, days=day) for day, time_min in enumerate(times_min)]
    return practised_durations((WHEELS,), runs, members=MEMBERS, kind=kind, uniforms=EVEN)[:, 0]


@pytest.mark.parametrize("kind", KINDS)
def test_the_chance_below_is_that_of_the_published_distributions(kind: Durations) -> None:
    """Held against scipy's own beta and triangular distributions; the shape of PERT from its head in `sampling`."""
    at, times_s = (18.0 - 12.0) / 23.0, np.linspace(0.0, 2400.0, 97)
    other = beta(1 + 4 * at, 5 - 4 * at, loc=720.0, scale=1380.0)
    other = other if kind == "beta_pert" else triang(at, loc=720.0, scale=1380.0)
    assert chance_below(WHEELS, times_s, kind=kind) == pytest.approx(other.cdf(times_s), abs=1e-12)
    assert chance_below(task("fixed", 5, 5, 5), np.array([299.0, 300.0]), kind=kind).tolist() == [0.0, 1.0]
    for peak in (12.0, 35.0):
        edge = triang((peak - 12.0) / 23.0, loc=720.0, scale=1380.0)
        found = chance_below(task("edge", 12, peak, 35), times_s, kind="triangular")
        assert found == pytest.approx(edge.cdf(times_s), abs=1e-12)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("times_min", [(20.0,), (3.0, 4.0, 25.0), (9.0, 10.0, 11.0, 14.0, 40.0)])
def test_durations_invert_the_posterior_that_is_written_down(kind: Durations, times_min: tuple[float, ...]) -> None:
    """F by the equation in the head of the module, on its own path; quantiles by searching it."""
    grid_s = np.linspace(0.0, 4000.0, 400_001)
    below = chance_below(WHEELS, grid_s, kind=kind)
    measured = sorted(60.0 * one * ON_THE_DAY for one in times_min)
    parts = [below * (grid_s >= one) if rank < 2 else 1.0 * (grid_s >= one) for rank, one in enumerate(measured)]
    posterior = (4.0 * below + sum(parts)) / (4.0 + len(measured))
    by_search_s = grid_s[np.searchsorted(posterior, EVEN[:, 0] - 1e-12)]
    assert wheels(*times_min, kind=kind) == pytest.approx(by_search_s, abs=0.02)


def test_the_shares_are_those_that_are_stated() -> None:
    assert run_of().on_the_day == pytest.approx(ON_THE_DAY)
    assert run_of(noted="dark").on_the_day == pytest.approx(1.2)
    assert run_of(noted="dark hot wet").on_the_day == pytest.approx(1.1)
    shares = (parameters.PRACTICE_STRESS_SHARE, parameters.PRACTICE_DARK_SHARE, parameters.PRACTICE_HEAT_SHARE)
    assert {one.mark for one in shares} == {"judgement"}


@given(
    st.lists(st.floats(0.1, 90.0), max_size=8),
    st.integers(0, 7),
    st.floats(0.0, 60.0),
    st.sampled_from(KINDS),
)
@settings(max_examples=150, deadline=None)
def test_a_slower_run_makes_no_task_shorter_in_any_member(
    times_min: list[float], which: int, longer_min: float, kind: Durations
) -> None:
    before_s = wheels(*times_min, kind=kind)
    if times_min:
        slower = list(times_min)
        slower[which % len(slower)] += longer_min
        assert np.all(wheels(*slower, kind=kind) >= before_s - 1e-6)
    # one more, slower than all before it and than the longest that was planned
    slowest = max([35.0, *times_min]) + longer_min
    assert np.all(wheels(*times_min, slowest, kind=kind) >= before_s - 1e-6)
    assert np.all(wheels(*times_min[:2], kind=kind) >= wheels(kind=kind) - 1e-6)


def test_one_good_run_shortens_nothing_and_one_slow_run_counts_at_once() -> None:
    plan_s = wheels()
    assert wheels(1.0) == pytest.approx(plan_s, rel=1e-12)
    assert wheels(1.0, 2.0) == pytest.approx(plan_s, rel=1e-12)
    assert wheels(1.0, 2.0, 3.0).mean() < plan_s.mean()
    slow_s = wheels(50.0)
    assert longest_at_confidence(slow_s, 0.95) == pytest.approx(50.0 * 60.0 * ON_THE_DAY)
    assert longest_at_confidence(plan_s, 0.95) < 30.0 * 60.0


def test_a_task_that_is_done_by_now_takes_no_time_whatever_it_took_in_practice() -> None:
    done = replace(WHEELS, done_before_season=True)
    lasts_s = practised_durations((done,), [run_of(wheels=50.0)], members=9, kind="beta_pert", uniforms=EVEN[:9])
    assert not lasts_s.any()


TRUTHS = {"quicker": (6.0, 10.0, 20.0), "as planned": (12.0, 18.0, 35.0), "slower": (20.0, 32.0, 60.0)}


@pytest.mark.parametrize(
    ("name", "bias", "spread"), [("quicker", 0.09, 0.09), ("as planned", 0.05, 0.06), ("slower", 0.05, 0.07)]
)
def test_fifty_runs_come_near_a_known_distribution(name: str, bias: float, spread: float) -> None:
    """Runs drawn from a known distribution: the middle and the 95 % point after 50, over 60 simulated households.

    Stated in `about/trust.md`: on the mean within `bias` of the true ones (times the shares of the day), never less
    than 3 % below; a single household within `spread` beside that, standard deviation.
    """
    truth = task("wheels", *TRUTHS[name])
    rng = np.random.default_rng(5)
    true_s = sample_durations((truth,), members=MEMBERS, uniforms=EVEN)[:, 0] * ON_THE_DAY
    found = []
    for _ in range(60):
        drawn_min = sample_durations((truth,), rng=rng, members=50)[:, 0] / 60.0
        learned_s = wheels(*drawn_min)
        found.append([longest_at_confidence(learned_s, at) / longest_at_confidence(true_s, at) for at in (0.5, 0.95)])
    off = np.array(found) - 1.0
    assert np.all(np.abs(off.mean(axis=0)) < bias)
    assert np.all(off.mean(axis=0) > -0.03)
    assert np.all(off.std(axis=0) < spread)
    before = longest_at_confidence(wheels(), 0.95) / longest_at_confidence(true_s, 0.95) - 1.0
    assert abs(off.mean(axis=0)[1]) < abs(before)


CREW = (Person("Ines", ("lift",)), Person("Bo", ("lift",), arrives_after_s=1800.0))
HOME = Household(
    CREW, (WHEELS, task("bags", 3, 6, 14), task("dog", 5, 10, 25), task("hitch", 4, 7, 15, after=("wheels", "bags")))
)


def test_what_the_list_misses_by_hand() -> None:
    """Wheels 40 alone by one, bags 6 and dog 10 by the other, then hitch 10: 50 minutes of 63, so 13 in no task.

    Bo is at home in practice, whatever the plan says of the day.
    """
    run = run_of(63.0, wheels=40.0, bags=6.0, dog=10.0, hitch=10.0)
    assert missed_of_s(HOME, run) == 13.0 * 60.0
    assert missed_s(HOME, [run], confidence=0.95) == {"tow": pytest.approx(13.0 * 60.0 * ON_THE_DAY)}
    assert planned_s(HOME, "tow") == (18.0 + 7.0) * 60.0
    # named since: a task of 13 minutes before the hitch, on the wheels' chain
    named = replace(
        HOME,
        tasks=(*HOME.tasks[:3], replace(HOME.tasks[3], after=("keys",)), task("keys", 9, 13, 20, after=("wheels",))),
    )
    assert missed_of_s(named, run) == 0.0
    # taken out of the plan: its time is in no task
    without = replace(HOME, tasks=(replace(WHEELS), HOME.tasks[1], HOME.tasks[2]))
    assert missed_of_s(without, run) == 23.0 * 60.0
    # counted as done beforehand by now: in the practice it took its time
    done = replace(HOME, tasks=(replace(WHEELS, done_before_season=True), *HOME.tasks[1:]))
    assert missed_of_s(done, run) == 13.0 * 60.0
    assert missed_of_s(HOME, run_of(None, wheels=40.0)) == 0.0
    assert missed_of_s(HOME, run_of(5.0, wheels=40.0)) == 0.0


def drawn(home: Household, runs: list[Run], seed: int) -> Mornings:
    uniforms = np.column_stack([stream(seed, "task", one.name).random(60) for one in home.tasks])
    lasts_s = practised_durations(home.tasks, runs, members=60, kind="beta_pert", uniforms=uniforms)
    people = tuple(replace(one, arrives_after_s=0.0) for one in home.people)
    return Mornings(replace(home, people=people), lasts_s, missed_s=missed_s(home, runs, confidence=0.9))


@st.composite
def practised(draw: st.DrawFn) -> list[Run]:
    runs = []
    for day in range(draw(st.integers(0, 5))):
        times = {name: draw(st.floats(1.0, 60.0)) for name in ("wheels", "bags", "dog", "hitch")}
        longest = max(times["wheels"], times["bags"]) + times["hitch"] + times["dog"]
        runs.append(run_of(longest + draw(st.floats(0.0, 30.0)), days=day, **times))
    return runs


@given(practised(), st.data(), st.integers(0, 1000))
@settings(max_examples=80, deadline=None)
def test_a_slower_run_never_makes_the_ready_time_shorter(runs: list[Run], data: st.DataObject, seed: int) -> None:
    """Slower in its tasks and as much in all, or in all alone; and one or two runs of any length beside none."""
    plain_s = readiness(drawn(HOME, [], seed), "tow", confidence=0.9).at_confidence_s
    assert readiness(drawn(HOME, runs[:2], seed), "tow", confidence=0.9).at_confidence_s >= plain_s - 1e-6
    if not runs:
        return
    before_s = readiness(drawn(HOME, runs, seed), "tow", confidence=0.9).at_confidence_s
    which = data.draw(st.integers(0, len(runs) - 1))
    more_s = {name: 60.0 * data.draw(st.floats(0.0, 30.0)) for name, _ in runs[which].lasts_s}
    idle_s = 60.0 * data.draw(st.floats(0.0, 10.0))
    total_s = (runs[which].total_s or 0.0) + sum(more_s.values()) + idle_s
    lasts_s = tuple((name, time_s + more_s[name]) for name, time_s in runs[which].lasts_s)
    slower = [*runs[:which], replace(runs[which], lasts_s=lasts_s, total_s=total_s), *runs[which + 1 :]]
    assert readiness(drawn(HOME, slower, seed), "tow", confidence=0.9).at_confidence_s >= before_s - 1e-6


@given(practised(), st.integers(0, 1000), st.floats(60.0, 1800.0))
@settings(max_examples=40, deadline=None)
def test_more_to_do_is_never_more_time_with_runs_too(runs: list[Run], seed: int, longer_s: float) -> None:
    """The catalogue's promise, with practised times and what the list misses on top, held as it was measured."""
    before = drawn(HOME, runs, seed)
    found = readiness(before, "tow", confidence=0.9)
    longer_task = replace(before, durations_s=before.durations_s + np.eye(4)[1] * longer_s)
    assert readiness(longer_task, "tow", confidence=0.9).at_confidence_s >= found.at_confidence_s - 1e-6
    by_list_s = ready_times(before, "tow", policy=found.policy)
    assert found.ready_s == pytest.approx(by_list_s + found.rounded_up_s)
    assert found.at_confidence_s == pytest.approx(longest_at_confidence(found.ready_s, 0.9))
    leave_s = np.full(60, 20_000.0) - 50.0 * np.arange(60)
    other = readiness(before, "tow", confidence=0.9, latest_departure_s=leave_s)
    assert other.ready_s == pytest.approx(ready_times(before, "tow", policy=other.policy))


def test_what_is_missed_comes_on_top_and_no_task_done_beforehand_takes_it_off() -> None:
    run = run_of(63.0, wheels=40.0, bags=6.0, dog=10.0, hitch=10.0)
    with_runs = drawn(HOME, [run], 1)
    without = replace(with_runs, missed_s={})
    gap_s = ready_times(with_runs, "tow") - ready_times(without, "tow")
    assert gap_s == pytest.approx(np.full(60, 13.0 * 60.0 * ON_THE_DAY))
    assert np.array_equal(ready_times(with_runs, "car"), ready_times(without, "car"))
    saved = [saved_before_season(one, "tow", confidence=0.9) for one in (with_runs, without)]
    assert [one.saved_s for one in saved[0]] == pytest.approx([one.saved_s for one in saved[1]])


def rows(*told: tuple[str, str, str | None]) -> list[Row]:
    """Lines of one run from clock times after 14:00."""
    at = {None: None} | {
        clock: AT.replace(hour=int(clock[:2]), minute=int(clock[3:])) for one in told for clock in one[1:] if clock
    }
    return [Row(AT, "tow", ("Bo",), name, at[start] or AT, at[stop]) for name, start, stop in told]


def test_pauses_come_off_whatever_runs_meanwhile_and_a_task_in_two_parts_is_their_sum() -> None:
    (run,) = runs_of(
        rows(
            (WHOLE, "14:00", "15:00"),
            ("wheels", "14:05", "14:25"),
            (PAUSE, "14:10", "14:20"),
            ("wheels", "14:30", "14:35"),
            ("bags", "14:12", None),
        )
    )
    assert run.times_s == {"wheels": 15.0 * 60.0}
    assert run.total_s == 50.0 * 60.0
    assert run.open == ("bags",)


def test_what_is_said_of_runs_word_for_word() -> None:
    runs = (
        run_of(63.0, wheels=40.0, bags=6.0, dog=10.0, hitch=10.0),
        replace(run_of(None, days=30, goat=4.0), who=("Bob",), open=("dog",)),
    )
    assert practice_said(HOME, Practice("practice.csv", runs, ("And more.",)), confidence=0.9) == (
        "Practice runs count beside the three times of a task, which weigh as 4 runs (judgement); the 2 quickest only "
        "lengthen it. Each is taken 10 % longer for stress, 10 % for the dark and 10 % for heat (judgement), the last "
        "two unless it was noted as dark or hot.",
        "13 of your 63 minutes were in no task (tow, 3 October 2026). So 17 minutes are added to getting ready until "
        "the plan names what they were.",
        'practice.csv has times of "goat", which is the name of no task in the plan: they count as minutes in no task. '
        "Put the name right there or in the plan, or take the lines out.",
        'practice.csv names "Bob", who is not in the plan: the times count all the same.',
        "The run of 2 November 2026 (tow) was not ended: its tasks count, its total does not.",
        'In the run of 2 November 2026 (tow) "dog" was begun and not ended, and does not count.',
        "And more.",
    )
