"""Schedules and ready times against textbook networks, networkx, an integer programme and scipy's distributions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import lil_array

from leaveby.confidence import longest_at_confidence
from leaveby.errors import InputError
from leaveby.household.plan import Household, can_do, tasks_for
from leaveby.household.plan_tables import TASK_WAYS, Person, Task, TaskWay
from leaveby.household.readiness import (
    Mornings,
    criticality,
    ready_times,
    saved_before_season,
    schedule_for,
)
from leaveby.household.sampling import sample_durations
from leaveby.household.scheduling import Schedule, schedule

MINUTE_S = 60.0
DURATIONS = ("shortest_s", "likely_s", "longest_s")

# The textbook network of 14 activities with three-point durations in days, and its answers: a PERT problem with a
# worked answer table, wizedu.com question 717873. Answers for A to F and the rules for mean and standard deviation were
# read there; the total along A-C-E-H-I-K-M-N was computed from the equation that was read, (a + 4 m + b) / 6.

NETWORK = {
    "A": (5, 5, 7, ()),
    "B": (1, 2, 5, ()),
    "C": (5, 5, 5, ("A",)),
    "D": (4, 8, 13, ("A",)),
    "E": (1, 10, 17, ("B", "C")),
    "F": (1, 5, 7, ("D",)),
    "G": (2, 6, 9, ("D",)),
    "H": (4, 4, 6, ("E", "F")),
    "I": (2, 7, 10, ("G", "H")),
    "J": (2, 4, 7, ("I",)),
    "K": (6, 10, 13, ("I",)),
    "L": (2, 6, 6, ("J",)),
    "M": (2, 2, 3, ("K",)),
    "N": (7, 7, 12, ("L", "M")),
}
DATES = {  # earliest start, earliest finish, latest start, latest finish, slack
    "A": (0, 5.33, 0, 5.33, 0),
    "B": (0, 2.33, 8, 10.33, 8),
    "C": (5.33, 10.33, 5.33, 10.33, 0),
    "D": (5.33, 13.5, 7.17, 15.33, 1.83),
    "E": (10.33, 20, 10.33, 20, 0),
    "F": (13.5, 18.17, 15.33, 20, 1.83),
}


def fixed(
    name: str, lasts_s: float, *, hands: int = 1, needs: tuple[str, ...] = (), after: tuple[str, ...] = ()
) -> Task:
    return Task(name, ("tow",), lasts_s, lasts_s, lasts_s, hands=hands, needs=needs, after=after)


def crew(count: int) -> tuple[Person, ...]:
    return tuple(Person(f"person {number}", can=("lift",)) for number in range(count))


def textbook() -> tuple[Task, ...]:
    return tuple(
        Task(name, ("tow",), float(a), float(m), float(b), after=after) for name, (a, m, b, after) in NETWORK.items()
    )


def textbook_means() -> tuple[Task, ...]:
    return tuple(
        replace(task, likely_s=(a + 4 * m + b) / 6)
        for task, (a, m, b, _) in zip(textbook(), NETWORK.values(), strict=True)
    )


@pytest.mark.parametrize("name", DATES)
def test_textbook_dates(name: str) -> None:
    made = schedule(textbook_means(), crew(14))
    number = made.tasks.index(name)
    start, finish, latest_start, latest_finish, slack = DATES[name]
    spare = made.float_s[number]
    found = (
        made.start_s[number],
        made.finish_s[number],
        made.start_s[number] + spare,
        made.finish_s[number] + spare,
        spare,
    )
    assert found == pytest.approx((start, finish, latest_start, latest_finish, slack), abs=0.006)


def test_textbook_total_and_critical_path() -> None:
    made = schedule(textbook_means(), crew(14))
    assert made.ready_s == pytest.approx(50.83, abs=0.005)
    assert "".join(made.critical) == "ACEHIKMN"


def test_three_point_mean_and_sampled_mean() -> None:
    # Activity E: mean 9.67 days, read in the same answer table. The beta-PERT of shape 4 keeps the printed mean.
    drawn = sample_durations((Task("E", ("tow",), 1.0, 10.0, 17.0),), rng=np.random.default_rng(5), members=40_000)
    assert drawn.mean() == pytest.approx(9.67, abs=0.05)


def test_sampled_network_is_later_than_its_means() -> None:
    # Where paths merge the mean of the longest is above the longest of the means (Jensen; plain mathematics), so the
    # textbook's single path is optimistic.
    tasks = textbook()
    drawn = sample_durations(tasks, rng=np.random.default_rng(5), members=20_000)
    ready = ready_times(Mornings(Household(crew(14), tasks), drawn), "tow")
    assert 50.83 < ready.mean() < 53.0


# --- against scipy ---------------------------------------------------------------------------------------------------


@given(low=st.floats(0, 600), to_peak=st.floats(0, 600), to_high=st.floats(0, 600), uniform=st.floats(0.001, 0.999))
def test_inverted_distributions_are_those_of_scipy(low: float, to_peak: float, to_high: float, uniform: float) -> None:
    width = to_peak + to_high
    task = Task("x", ("tow",), low, low + to_peak, low + width)
    at = np.array([[uniform]])
    pert = sample_durations((task,), members=1, kind="beta_pert", uniforms=at)[0, 0]
    triangular = sample_durations((task,), members=1, kind="triangular", uniforms=at)[0, 0]
    if width < 1e-3:
        assert low <= pert <= low + width
        assert low <= triangular <= low + width
        return
    peak = to_peak / width
    beta = stats.beta(1 + 4 * peak, 1 + 4 * (1 - peak), loc=low, scale=width)
    assert pert == pytest.approx(beta.ppf(uniform), rel=1e-6, abs=1e-6)
    assert triangular == pytest.approx(stats.triang(peak, loc=low, scale=width).ppf(uniform), rel=1e-9, abs=1e-6)


def test_triangular_is_the_later_of_the_two_at_high_confidence() -> None:
    task = Task("wheels", ("tow",), 1500.0, 2400.0, 4800.0)
    at = np.full((1, 1), 0.95)
    pert, triangular = (
        sample_durations((task,), members=1, kind=kind, uniforms=at)[0, 0] for kind in ("beta_pert", "triangular")
    )
    assert triangular > pert > 2400.0


def test_done_before_the_season_takes_no_time_and_changes_no_other_draw() -> None:
    tasks = (Task("a", ("tow",), 60.0, 90.0, 300.0), Task("b", ("tow",), 60.0, 90.0, 300.0))
    before = sample_durations(tasks, rng=np.random.default_rng(3), members=50)
    after = sample_durations(
        (replace(tasks[0], done_before_season=True), tasks[1]), rng=np.random.default_rng(3), members=50
    )
    assert np.all(after[:, 0] == 0)
    assert np.array_equal(after[:, 1], before[:, 1])


# --- random households -----------------------------------------------------------------------------------------------


@st.composite
def households(draw: st.DrawFn, *, most: int = 9) -> Household:
    skills = ("lift", "drive", "climb")
    people = tuple(
        Person(
            f"person {number}",
            can=("home", *draw(st.lists(st.sampled_from(skills), unique=True, max_size=3))),
            arrives_after_s=float(draw(st.sampled_from((0, 0, 0, 3, 11)))),
        )
        for number in range(draw(st.integers(1, 4)))
    )
    tasks: list[Task] = []
    for number in range(draw(st.integers(1, most))):
        needs = tuple(draw(st.lists(st.sampled_from(skills), unique=True, max_size=2)))
        able = sum(can_do(person.can, needs) for person in people)
        if able == 0:
            needs, able = (), len(people)
        shortest, more, most_more = (draw(st.integers(0, 9)) for _ in range(3))
        tasks.append(
            Task(
                f"task {number}",
                ("tow",),
                float(shortest),
                float(shortest + more),
                float(shortest + more + most_more + 1),
                hands=draw(st.integers(1, min(able, 3))),
                needs=needs,
                after=tuple(f"task {one}" for one in range(number) if draw(st.integers(0, 4)) == 0),
            )
        )
    return Household(people, tuple(tasks))


def assert_feasible(made: Schedule, home: Household) -> None:
    people = {person.name: person for person in home.people}
    position = {name: number for number, name in enumerate(made.tasks)}
    for task in home.tasks:
        number = position[task.name]
        assert made.finish_s[number] == pytest.approx(made.start_s[number] + task.likely_s)
        assert len(set(made.who[number])) == task.hands
        for ahead in task.after:
            assert made.finish_s[position[ahead]] <= made.start_s[number] + 1e-9
        for name in made.who[number]:
            assert can_do(people[name].can, task.needs)
            assert people[name].arrives_after_s <= made.start_s[number]
    for name in people:
        mine = sorted(
            (made.start_s[number], made.finish_s[number]) for number, who in enumerate(made.who) if name in who
        )
        assert all(end <= begin + 1e-9 for (_, end), (begin, _) in pairwise(mine))
    assert made.ready_s == max((*made.finish_s, *(person.arrives_after_s for person in home.people)))
    assert made.ready_s >= made.lower_bound_s - 1e-6


@given(households(most=12))
@settings(max_examples=120, deadline=None)
def test_every_schedule_can_be_followed(home: Household) -> None:
    made = schedule(home.tasks, home.people)
    assert_feasible(made, home)
    likely = np.array([[task.likely_s for task in home.tasks]])
    # Following the list at the durations it was made for gives the time that the schedule says.
    assert ready_times(Mornings(home, likely), "tow") == pytest.approx([made.ready_s])


@given(households(), st.data())
@settings(max_examples=120, deadline=None)
def test_longer_never_makes_ready_earlier(home: Household, data: st.DataObject) -> None:
    policy = schedule_for(home, "tow")
    shape = (4, len(home.tasks))
    first = np.array(data.draw(st.lists(st.floats(0, 50), min_size=shape[0] * shape[1], max_size=shape[0] * shape[1])))
    more = np.array(data.draw(st.lists(st.floats(0, 50), min_size=first.size, max_size=first.size)))
    before = ready_times(Mornings(home, first.reshape(shape)), "tow", policy=policy)
    after = ready_times(Mornings(home, (first + more).reshape(shape)), "tow", policy=policy)
    assert np.all(after >= before)


@given(households(most=6), st.integers(0, 5), st.integers(1, 30))
@settings(max_examples=80, deadline=None)
def test_extra_or_longer_task_never_helps_even_when_the_list_is_made_anew(
    home: Household, which: int, more: int
) -> None:
    # Graham's anomalies (1969) strike rules, not optima: these schedules are proved the earliest.
    made = schedule_for(home, "tow")
    assert made.ready_s == pytest.approx(made.lower_bound_s)
    number = which % len(home.tasks)
    task = home.tasks[number]
    longer = replace(task, likely_s=task.likely_s + more, longest_s=task.longest_s + more)
    changed = replace(home, tasks=(*home.tasks[:number], longer, *home.tasks[number + 1 :]))
    extra = replace(home, tasks=(*home.tasks, fixed("extra", float(more))))
    assert schedule_for(changed, "tow").ready_s >= made.ready_s - 1e-6
    assert schedule_for(extra, "tow").ready_s >= made.ready_s - 1e-6


@given(households(most=7))
@settings(max_examples=60, deadline=None)
def test_critical_is_what_lengthens_the_ready_time(home: Household) -> None:
    policy = schedule_for(home, "tow")
    likely = np.array([[task.likely_s for task in home.tasks]])
    shares = criticality(Mornings(home, likely), "tow")
    for number, task in enumerate(home.tasks):
        longer = likely.copy()
        longer[0, number] += 1e-3
        (later,) = ready_times(Mornings(home, longer), "tow") - policy.ready_s
        assert (later > 5e-4) == (task.name in policy.critical) == (shares[task.name] == 1.0)
        longer[0, number] = likely[0, number] + policy.float_s[number]
        assert ready_times(Mornings(home, longer), "tow")[0] == pytest.approx(policy.ready_s)


@given(households())
@settings(max_examples=80, deadline=None)
def test_hands_unlimited_is_the_longest_path_of_networkx(home: Household) -> None:
    plenty = tuple(Person(f"neighbour {number}", can=("home", "lift", "drive", "climb")) for number in range(40))
    graph = nx.DiGraph()
    for task in home.tasks:
        graph.add_edge(("begin", task.name), ("end", task.name), weight=task.likely_s)
        graph.add_edges_from(((("end", ahead), ("begin", task.name)) for ahead in task.after), weight=0.0)
    made = schedule(home.tasks, plenty)
    assert made.ready_s == pytest.approx(nx.dag_longest_path_length(graph))


# --- the true optimum ------------------------------------------------------------------------------------------------


def starting_windows(tasks: Sequence[Task], lasts: Sequence[int], horizon: int) -> list[range]:
    """When each task can start at all: after all that it waits for in a row, and with time for all that waits for it.

    Tasks stand behind those that they come after.
    """
    position = {task.name: number for number, task in enumerate(tasks)}
    first, last = [0] * len(tasks), [horizon - one for one in lasts]
    for number, task in enumerate(tasks):
        first[number] = max((first[position[name]] + lasts[position[name]] for name in task.after), default=0)
    for number, task in reversed(list(enumerate(tasks))):
        for ahead in (position[name] for name in task.after):
            last[ahead] = min(last[ahead], last[number] - lasts[ahead])
    return [range(one, other + 1) for one, other in zip(first, last, strict=True)]


def optimum(home: Household, horizon: int) -> float:
    """Solve the same problem as a time-indexed integer programme (HiGHS in scipy).

    People with the same skills who arrive together are counted and not told apart: tasks that are never more at once
    than there are of them can always be shared out (colours of an interval graph, common practice).
    """
    tasks, people = home.tasks, list(dict.fromkeys(replace(person, name="") for person in home.people))
    alike = [sum(replace(person, name="") == one for person in home.people) for one in people]
    index: dict[tuple[object, ...], int] = {}
    lasts = [int(task.likely_s) for task in tasks]
    windows = starting_windows(tasks, lasts, horizon)
    for number, task in enumerate(tasks):
        for moment in windows[number]:
            index["start", number, moment] = len(index)
            for who, person in enumerate(people):
                if can_do(person.can, task.needs) and moment >= person.arrives_after_s:
                    index["on", number, who, moment] = len(index)
    index["ready",] = len(index)
    rows: list[tuple[dict[int, float], float, float]] = []
    position = {task.name: number for number, task in enumerate(tasks)}
    for number, task in enumerate(tasks):
        starts = {moment: index["start", number, moment] for moment in windows[number]}
        rows.append((dict.fromkeys(starts.values(), 1.0), 1, 1))
        ends = {column: float(moment + lasts[number]) for moment, column in starts.items()}
        rows.append(({**ends, index["ready",]: -1.0}, -np.inf, 0))
        for moment, column in starts.items():
            on = {index[key]: 1.0 for who in range(len(people)) if (key := ("on", number, who, moment)) in index}
            rows.append(({**on, column: -float(task.hands)}, 0, 0))
        for ahead in task.after:
            other = position[ahead]
            row = {column: float(moment) for moment, column in starts.items()}
            row |= {index["start", other, moment]: -float(moment + lasts[other]) for moment in windows[other]}
            rows.append((row, 0, np.inf))
    for who in range(len(people)):
        for moment in range(horizon):
            row = {
                index[key]: 1.0
                for number in range(len(tasks))
                for began in range(max(0, moment - lasts[number] + 1), moment + 1)
                if (key := ("on", number, who, began)) in index
            }
            if row:
                rows.append((row, -np.inf, alike[who]))
    matrix = lil_array((len(rows), len(index)))
    for number, (row, _, _) in enumerate(rows):
        for column, value in row.items():
            matrix[number, column] = value
    upper = np.full(len(index), float(max(alike)))
    lower, cost = np.zeros(len(index)), np.zeros(len(index))
    upper[-1], lower[-1], cost[-1] = horizon, max(person.arrives_after_s for person in people), 1.0
    solved = milp(
        cost,
        constraints=LinearConstraint(matrix.tocsr(), [row[1] for row in rows], [row[2] for row in rows]),
        integrality=np.ones(len(index)),
        bounds=Bounds(lower, upper),
    )
    assert solved.status == 0
    return float(round(solved.fun))


def drawn_household(seed: int, count: int) -> Household:
    rng = np.random.default_rng(seed)
    skills = ("lift", "drive", "climb")
    people = tuple(
        Person(
            f"person {number}",
            can=("home", *(skill for skill in skills if rng.random() < 0.6)),
            arrives_after_s=float(rng.integers(0, 8)) if rng.random() < 0.3 else 0.0,
        )
        for number in range(int(rng.integers(2, 5)))
    )
    tasks = []
    for number in range(count):
        needs = tuple(skill for skill in skills if rng.random() < 0.25)
        able = sum(can_do(person.can, needs) for person in people)
        if able == 0:
            needs, able = (), len(people)
        tasks.append(
            fixed(
                f"task {number}",
                float(rng.integers(1, 9)),
                hands=int(rng.integers(1, min(2, able) + 1)),
                needs=needs,
                after=tuple(f"task {one}" for one in range(number) if rng.random() < 0.15),
            )
        )
    return Household(people, tuple(tasks))


@pytest.mark.parametrize(("seed", "count"), [(seed, count) for count in (6, 9, 12) for seed in range(6)])
def test_up_to_twelve_tasks_reach_the_true_optimum(seed: int, count: int) -> None:
    home = drawn_household(seed, count)
    made = schedule(home.tasks, home.people)
    assert_feasible(made, home)
    assert made.ready_s == optimum(home, int(made.ready_s))


@pytest.mark.parametrize("seed", range(8))
def test_the_best_of_uneven_durations_is_that_of_whole_ones_to_scale(seed: int) -> None:
    # Whole durations let bounds be rounded up to their common step; uneven ones do not. Both have to agree.
    home = drawn_household(seed, 8)
    whole = schedule(home.tasks, home.people)
    tasks = tuple(replace(one, **{key: getattr(one, key) * 0.37 for key in DURATIONS}) for one in home.tasks)
    people = tuple(replace(one, arrives_after_s=one.arrives_after_s * 0.37) for one in home.people)
    uneven = schedule(tasks, people)
    assert uneven.ready_s == pytest.approx(0.37 * whole.ready_s)
    assert uneven.lower_bound_s == pytest.approx(uneven.ready_s)


# --- a household on a trailer ----------------------------------------------------------------------------------------


def task(name: str, named: tuple[TaskWay, ...], minutes: tuple[float, float, float], **more: object) -> Task:
    shortest, likely, longest = (MINUTE_S * one for one in minutes)
    return replace(Task(name, named, shortest, likely, longest), **more)


def trailer_home() -> Household:
    return Household(
        people=(
            Person("Ines", can=("lift", "drive", "tow")),
            Person("Bo", can=("lift", "drive"), arrives_after_s=25 * MINUTE_S),
            Person("Wren"),
        ),
        tasks=(
            task("refit the wheels", ("tow",), (25, 40, 80), hands=2, needs=("lift",)),
            task("fold the skirts", ("tow",), (10, 15, 30)),
            task("release the tie-downs", ("tow",), (5, 10, 20), needs=("lift",), after=("refit the wheels",)),
            task("gas and power off", ("tow", "car", "shelter"), (3, 5, 10)),
            task("drain the water", ("tow",), (5, 10, 20)),
            task("hitch", ("tow",), (5, 10, 25), hands=2, after=("release the tie-downs", "fold the skirts")),
            task("check the lights", ("tow",), (2, 5, 10), hands=2, after=("hitch",)),
            # Common practice, no source: shutters for the whole house go on in about one minute.
            task("shutters", ("tow", "car", "foot", "shelter"), (0.5, 1, 2)),
            task("load the goats", ("tow", "car"), (5, 15, 40)),
            task("bags", ("tow", "car", "foot"), (5, 10, 25)),
            task("gutters", ("shelter",), (10, 20, 40), needs=("lift",)),
            task("close the gate", ("tow", "car"), (1, 1, 2), after=("check the lights", "load the goats")),
        ),
    )


def test_shutters_take_about_a_minute_alone() -> None:
    # Common practice, no source: shutters for the whole house go on in about one minute.
    home = trailer_home()
    alone = Household((home.people[0],), tuple(one for one in home.tasks if one.name == "shutters"))
    drawn = sample_durations(alone.tasks, rng=np.random.default_rng(1), members=2000)
    ready = ready_times(Mornings(alone, drawn), "shelter")
    assert 50.0 < np.median(ready) < 75.0


def test_hand_worked_ready_times() -> None:
    # With Bo home from the start and nothing but the wheels (two people, 40), the tie-downs (10), the hitch (two
    # people, 10) and the lights (two people, 5), everything waits for what stands before: 65 minutes by hand.
    home = trailer_home()
    chain = ("refit the wheels", "release the tie-downs", "hitch", "check the lights")
    people = tuple(replace(person, arrives_after_s=0.0) for person in home.people)
    tasks = tuple(replace(one, after=one.after[:1]) for one in home.tasks if one.name in chain)
    made = schedule_for(Household(people, tasks), "tow")
    assert made.ready_s == 65 * MINUTE_S
    assert made.critical == chain
    # Coming home after 25 minutes, Bo holds up the wheels by just that.
    late = tuple(replace(person, arrives_after_s=25 * MINUTE_S) if person.name == "Bo" else person for person in people)
    assert schedule_for(Household(late, tasks), "tow").ready_s == 90 * MINUTE_S


def test_nobody_leaves_before_everyone_is_home() -> None:
    home = trailer_home()
    drawn = sample_durations(home.tasks, rng=np.random.default_rng(1), members=200)
    for way in TASK_WAYS:
        assert ready_times(Mornings(home, drawn), way).min() >= 25 * MINUTE_S
    nothing_left = replace(home, tasks=tuple(replace(one, done_before_season=True) for one in home.tasks))
    assert np.all(ready_times(Mornings(nothing_left, drawn), "tow") == 25 * MINUTE_S)


def test_no_hands_are_counted_of_someone_who_can_do_nothing() -> None:
    made = schedule_for(trailer_home(), "tow")
    assert "Wren" not in {name for who in made.who for name in who}
    with pytest.raises(InputError, match="3 at once, and 2 can do it"):
        schedule((fixed("piano", 60.0, hands=3),), trailer_home().people)


def test_tasks_of_another_way_drop_out_but_their_order_stays() -> None:
    by_car = {one.name: one.after for one in tasks_for(trailer_home(), "car")}
    assert set(by_car) == {"gas and power off", "shutters", "load the goats", "bags", "close the gate"}
    assert by_car["close the gate"] == ("load the goats",)


def test_saved_before_the_season_is_worked_out_anew() -> None:
    home = trailer_home()
    drawn = sample_durations(home.tasks, rng=np.random.default_rng(1), members=500)
    savings = saved_before_season(Mornings(home, drawn), "tow", confidence=0.95)
    assert savings[0].task == "refit the wheels"
    assert [one.saved_s for one in savings] == sorted((one.saved_s for one in savings), reverse=True)
    now = longest_at_confidence(ready_times(Mornings(home, drawn), "tow"), 0.95)
    for one in savings:
        done = replace(
            home, tasks=tuple(replace(t, done_before_season=True) if t.name == one.task else t for t in home.tasks)
        )
        anew = longest_at_confidence(ready_times(Mornings(done, drawn), "tow"), 0.95)
        assert one.ready_s <= anew + 1e-6
        assert one.saved_s == pytest.approx(now - one.ready_s)
        assert one.saved_s >= 0.0
    # Not a sum: all at once saves everything but the wait for Bo.
    assert sum(one.saved_s for one in savings) != pytest.approx(now - 25 * MINUTE_S, abs=1.0)


def test_shares_of_criticality_are_those_of_a_small_delay() -> None:
    home = trailer_home()
    drawn = sample_durations(home.tasks, rng=np.random.default_rng(1), members=300)
    shares = criticality(Mornings(home, drawn), "tow")
    assert set(shares) == {one.name for one in tasks_for(home, "tow")}
    ready = ready_times(Mornings(home, drawn), "tow")
    for name, share in shares.items():
        delayed = drawn.copy()
        delayed[:, [one.name for one in home.tasks].index(name)] += 1e-3
        assert share == np.mean(ready_times(Mornings(home, delayed), "tow") > ready + 5e-4)
    assert shares["refit the wheels"] == 1.0
    assert min(shares.values()) < 0.5


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tasks", "said"),
    [
        ((fixed("a", 1.0, after=("b",)), fixed("b", 1.0, after=("a",))), "wait for each other in a ring"),
        ((fixed("a", 1.0, after=("z",)),), 'names "z"'),
        ((fixed("a", 1.0, needs=("fly",)),), "0 can do it"),
        ((fixed("a", 1.0), fixed("a", 2.0)), "the same name twice"),
        ((fixed("a", float("nan")),), "lasts nan s"),
    ],
)
def test_impossible_tasks_are_refused_in_words(tasks: tuple[Task, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        schedule(tasks, crew(2))


def test_durations_that_do_not_fit_are_refused() -> None:
    home = trailer_home()
    with pytest.raises(InputError, match="a column for every task"):
        ready_times(Mornings(home, np.ones((5, 2))), "car")
    with pytest.raises(InputError, match="negative or not finite"):
        ready_times(Mornings(home, np.full((5, len(home.tasks)), np.nan)), "car")
    with pytest.raises(InputError, match="tow, car, foot or shelter"):
        ready_times(Mornings(home, np.ones((5, len(home.tasks)))), "boat")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="0 <= shortest <= likely <= longest"):
        sample_durations((Task("x", ("tow",), 5.0, 4.0, 9.0),), rng=np.random.default_rng(1), members=3)
    with pytest.raises(InputError, match="shape"):
        sample_durations(home.tasks, members=3, uniforms=np.full((3, 1), 0.5))
    with pytest.raises(InputError, match="is missing"):
        sample_durations(home.tasks, members=3)
