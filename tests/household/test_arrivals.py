"""People who are away: sampled arrivals against scipy and textbook moments, ready times by hand and by networkx."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from leaveby.errors import InputError
from leaveby.household.plan import Household, uncertain_people
from leaveby.household.plan_tables import Person, Task
from leaveby.household.readiness import (
    Mornings,
    criticality,
    held_up_by,
    ready_times,
    saved_before_season,
    schedule_for,
)
from leaveby.household.sampling import sample_arrivals, sample_durations
from leaveby.household.scheduling import schedule

MINUTE_S = 60.0


def fixed(name: str, lasts_s: float, *, hands: int = 1, needs: tuple[str, ...] = ()) -> Task:
    return Task(name, ("car",), lasts_s, lasts_s, lasts_s, hands=hands, needs=needs)


def away(name: str, points: tuple[float, float, float], can: tuple[str, ...] = ("lift",)) -> Person:
    soonest_s, likely_s, latest_s = points
    return Person(name, can, arrives_after_s=likely_s, arrives_soonest_s=soonest_s, arrives_latest_s=latest_s)


# --- the sampled arrivals ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("points", [(1200.0, 2100.0, 5400.0), (0.0, 300.0, 3600.0), (600.0, 600.0, 1800.0)])
def test_sampled_arrivals_have_the_moments_of_three_points(points: tuple[float, float, float]) -> None:
    # Mean (a + 4 m + b) / 6: Malcolm, Roseboom, Clark and Fazar 1959 (from memory). Variance (mean - a)(b - mean) / 7:
    # that of a beta distribution whose two parameters add up to 6, worked out from the general formula
    # p q / ((p + q)^2 (p + q + 1)). Triangular: (a + m + b) / 3 and (a2 + m2 + b2 - am - ab - mb) / 18 (from memory).
    low, likely, high = points
    even = (np.arange(40_000)[:, np.newaxis] + 0.5) / 40_000
    pert_s = sample_arrivals((away("Bo", points),), members=40_000, kind="beta_pert", uniforms=even)[:, 0]
    mean = (low + 4 * likely + high) / 6
    assert pert_s.mean() == pytest.approx(mean, rel=1e-3)
    assert pert_s.var() == pytest.approx((mean - low) * (high - mean) / 7, rel=5e-3)
    triangular_s = sample_arrivals((away("Bo", points),), members=40_000, kind="triangular", uniforms=even)[:, 0]
    assert triangular_s.mean() == pytest.approx((low + likely + high) / 3, rel=1e-3)
    squares = low**2 + likely**2 + high**2 - low * likely - low * high - likely * high
    assert triangular_s.var() == pytest.approx(squares / 18, rel=5e-3)


@given(low=st.floats(0, 600), to_peak=st.floats(0, 600), to_high=st.floats(1, 600), uniform=st.floats(0.001, 0.999))
def test_sampled_arrivals_are_those_of_scipy(low: float, to_peak: float, to_high: float, uniform: float) -> None:
    peak, high = low + to_peak, low + to_peak + to_high
    person, at = away("Bo", (low, peak, high)), np.array([[uniform]])
    width = high - low
    share = (peak - low) / width
    pert = stats.beta(1 + 4 * share, 1 + 4 * (1 - share), loc=low, scale=width).ppf(uniform)
    triangular = stats.triang(share, loc=low, scale=width).ppf(uniform)
    assert sample_arrivals((person,), members=1, uniforms=at)[0, 0] == pytest.approx(pert, rel=1e-6, abs=1e-6)
    drawn_s = sample_arrivals((person,), members=1, kind="triangular", uniforms=at)[0, 0]
    assert drawn_s == pytest.approx(triangular, rel=1e-6, abs=1e-6)


def test_arrivals_and_durations_share_one_rule() -> None:
    at = np.random.default_rng(2).random((50, 1))
    as_task = sample_durations((Task("x", ("car",), 60.0, 90.0, 300.0),), members=50, uniforms=at)
    assert np.array_equal(sample_arrivals((away("Bo", (60.0, 90.0, 300.0)),), members=50, uniforms=at), as_task)


def test_only_uncertain_arrivals_take_a_number() -> None:
    people = (Person("Ines"), away("Bo", (60.0, 90.0, 300.0)), Person("Wren", arrives_after_s=700.0))
    assert [person.name for person in uncertain_people(Household(people, ()))] == ["Bo"]
    arrivals_s = sample_arrivals(people, members=3, uniforms=np.array([[0.0], [0.5], [1.0]]))
    assert arrivals_s[:, 0].tolist() == [0.0, 0.0, 0.0]
    assert arrivals_s[[0, 2], 1].tolist() == [60.0, 300.0]
    assert arrivals_s[:, 2].tolist() == [700.0, 700.0, 700.0]


@given(st.floats(0, 5000), st.integers(0, 100))
def test_three_equal_points_are_the_fixed_number_exactly(after_s: float, seed: int) -> None:
    tasks = (Task("bags", ("car",), 60.0, 240.0, 900.0), Task("dogs", ("car",), 30.0, 300.0, 700.0))
    number = Household((Person("Ines", ("lift",)), Person("Bo", ("lift",), arrives_after_s=after_s)), tasks)
    points = replace(number, people=(number.people[0], away("Bo", (after_s, after_s, after_s))))
    drawn_s = sample_durations(tasks, rng=np.random.default_rng(seed), members=30)
    none = np.empty((30, 0))
    arrivals_s = sample_arrivals(points.people, members=30, uniforms=none)
    assert np.array_equal(arrivals_s, sample_arrivals(number.people, members=30))
    assert schedule_for(points, "car") == schedule_for(number, "car")
    ready_s = ready_times(Mornings(number, drawn_s), "car")
    assert np.array_equal(ready_times(Mornings(points, drawn_s, arrivals_s), "car"), ready_s)
    assert np.array_equal(ready_times(Mornings(points, drawn_s), "car"), ready_s)


# --- by hand ----------------------------------------------------------------------------------------------------------


def test_one_at_home_and_one_on_the_way_by_hand() -> None:
    # Ines is home and packs for 10 minutes; Bo, home after t, fuels the ute for 5, which only Bo can. So ready at
    # max(10, t + 5): t = 2, 4, 8 and 20 minutes give 10, 10, 13 and 25, and Bo holds the household up in the last two.
    ines, bo = Person("Ines", ("lift",)), away("Bo", (MINUTE_S, 3 * MINUTE_S, 30 * MINUTE_S), ("fuel",))
    tasks = (fixed("pack", 10 * MINUTE_S, needs=("lift",)), fixed("fuel the ute", 5 * MINUTE_S, needs=("fuel",)))
    home = Household((ines, bo), tasks)
    # The list on the fridge is made for the likely time, 3 minutes.
    assert schedule_for(home, "car").ready_s == 10 * MINUTE_S
    assert schedule_for(home, "car").everyone_home_s == 3 * MINUTE_S
    arrivals_s = MINUTE_S * np.array([[0.0, 2.0], [0.0, 4.0], [0.0, 8.0], [0.0, 20.0]])
    lasts_s = MINUTE_S * np.tile([10.0, 5.0], (4, 1))
    ready_s = ready_times(Mornings(home, lasts_s, arrivals_s), "car")
    assert (ready_s / MINUTE_S).tolist() == [10.0, 10.0, 13.0, 25.0]
    assert held_up_by(Mornings(home, lasts_s, arrivals_s), "car") == {"Bo": 0.5}
    shares = criticality(Mornings(home, lasts_s, arrivals_s), "car")
    assert shares == {"pack": 0.5, "fuel the ute": 0.5}
    # Fuelled before the season, Bo is only waited for: 10, 10, 10 and 20, so 5 minutes saved at the longest.
    (first, second) = saved_before_season(Mornings(home, lasts_s, arrivals_s), "car", confidence=0.95)
    assert (first.task, first.saved_s / MINUTE_S, first.ready_s / MINUTE_S) == ("fuel the ute", 5.0, 20.0)
    assert (second.task, second.saved_s) == ("pack", 0.0)


def test_a_task_for_two_waits_for_the_later_and_a_child_is_waited_for_too() -> None:
    # The wheels take both for 40 minutes, Bo comes after 25 or 50: ready at 65 or 90. The child who is fetched does
    # nothing, and comes at 30 or 100: so 65 and 100, and who is waited for changes from Bo to Wren.
    people = (
        Person("Ines", ("lift",)),
        away("Bo", (1200.0, 1500.0, 3600.0)),
        away("Wren", (1200.0, 1800.0, 7200.0), ()),
    )
    home = Household(people, (fixed("wheels", 40 * MINUTE_S, hands=2),))
    arrivals_s = MINUTE_S * np.array([[0.0, 25.0, 30.0], [0.0, 50.0, 100.0]])
    lasts_s = np.full((2, 1), 40 * MINUTE_S)
    ready_s = ready_times(Mornings(home, lasts_s, arrivals_s), "car")
    assert (ready_s / MINUTE_S).tolist() == [65.0, 100.0]
    assert held_up_by(Mornings(home, lasts_s, arrivals_s), "car") == {"Bo": 0.5, "Wren": 0.5}
    # With no task at all the household still waits.
    idle = replace(home, tasks=())
    ready_s = ready_times(Mornings(idle, np.empty((2, 0)), arrivals_s), "car")
    assert (ready_s / MINUTE_S).tolist() == [30.0, 100.0]


def test_who_is_home_from_the_start_is_not_waited_for() -> None:
    home = Household((Person("Ines", ("lift",)), away("Bo", (0.0, 60.0, 90.0), ())), (fixed("bags", 600.0),))
    lasts_s, arrivals_s = np.full((1, 1), 600.0), np.array([[0.0, 60.0]])
    assert held_up_by(Mornings(home, lasts_s, arrivals_s), "car") == {"Bo": 0.0}


def test_among_equal_lists_the_one_that_hangs_on_nobody_away_is_kept() -> None:
    # At the likely times either could pack; only with Ines does nothing follow from a late Bo.
    for order in (0, 1):
        people = [Person("Ines", ("lift",)), away("Bo", (0.0, 0.0, 3600.0))]
        if order:
            people.reverse()
        made = schedule((fixed("pack", 600.0),), people)
        assert made.who == (("Ines",),)
        assert made.ready_s == 600.0


def test_someone_waited_for_does_not_hide_how_the_others_work_is_laid_out() -> None:
    # Wren is likely home after an hour, so at the likely times every list is ready then; but Wren may be home at once,
    # and then two people with tasks of 6, 4, 4 and 2 minutes are ready after 8 by hand, not after 10 or more.
    people = (Person("Ines", ("lift",)), Person("Bo", ("lift",)), away("Wren", (0.0, 3600.0, 3700.0), ()))
    for lasts in ((2, 4, 4, 6), (4, 4, 2, 6), (4, 2, 6, 4)):
        tasks = tuple(fixed(f"task {number}", minutes * MINUTE_S) for number, minutes in enumerate(lasts))
        home = Household(people, tasks)
        lasts_s = np.array([[task.likely_s for task in tasks]])
        ready_s = ready_times(Mornings(home, lasts_s, np.zeros((1, 3))), "car")
        assert ready_s.tolist() == [8 * MINUTE_S]


# --- against networkx -------------------------------------------------------------------------------------------------


@st.composite
def late_households(draw: st.DrawFn, *, plenty: bool = False) -> Household:
    """With `plenty`, every task has people of its own, so that nobody's hands are short."""
    tasks: list[Task] = []
    people: list[Person] = []
    for number in range(draw(st.integers(1, 6))):
        points = sorted(draw(st.lists(st.integers(0, 30), min_size=3, max_size=3)))
        hands = draw(st.integers(1, 2))
        tasks.append(
            Task(
                f"task {number}",
                ("car",),
                *(float(point) for point in points),
                hands=hands,
                needs=(f"skill {number}",) if plenty else (),
                after=tuple(f"task {one}" for one in range(number) if draw(st.integers(0, 3)) == 0),
            )
        )
        for hand in range(hands if plenty or number == 0 else 0):
            arrives = tuple(
                float(point) for point in sorted(draw(st.lists(st.integers(0, 40), min_size=3, max_size=3)))
            )
            people.append(away(f"person {number} {hand}", arrives, (f"skill {number}",)))
    if not plenty:
        tasks = [replace(task, hands=min(task.hands, len(people))) for task in tasks]
    child = away("child", (0.0, 10.0, float(draw(st.integers(10, 60)))), ())
    return Household((*people, child), tuple(tasks))


def numbers(home: Household, seed: int, members: int = 4) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    return (
        sample_durations(home.tasks, rng=rng, members=members),
        sample_arrivals(home.people, rng=rng, members=members),
    )


@given(late_households(plenty=True), st.integers(0, 1000))
@settings(max_examples=80, deadline=None)
def test_with_hands_enough_it_is_the_longest_path_of_networkx(home: Household, seed: int) -> None:
    lasts_s, arrivals_s = numbers(home, seed)
    ready_s = ready_times(Mornings(home, lasts_s, arrivals_s), "car")
    for member in range(4):
        graph = nx.DiGraph()
        for column, person in enumerate(home.people):
            graph.add_edge("start", ("home", person.name), weight=arrivals_s[member, column])
            for task in home.tasks:
                if task.needs[0] in person.can:
                    graph.add_edge(("home", person.name), ("begin", task.name), weight=0.0)
        for column, task in enumerate(home.tasks):
            graph.add_edge(("begin", task.name), ("end", task.name), weight=lasts_s[member, column])
            graph.add_edges_from(((("end", ahead), ("begin", task.name)) for ahead in task.after), weight=0.0)
        assert ready_s[member] == pytest.approx(nx.dag_longest_path_length(graph))


@given(late_households(), st.integers(0, 1000), st.data())
@settings(max_examples=100, deadline=None)
def test_a_later_arrival_never_makes_a_member_ready_earlier(home: Household, seed: int, data: st.DataObject) -> None:
    policy = schedule_for(home, "car")
    lasts_s, arrivals_s = numbers(home, seed)
    more = data.draw(st.lists(st.floats(0, 60), min_size=arrivals_s.size, max_size=arrivals_s.size))
    later_s = arrivals_s + np.array(more).reshape(arrivals_s.shape)
    before_s = ready_times(Mornings(home, lasts_s, arrivals_s), "car", policy=policy)
    after_s = ready_times(Mornings(home, lasts_s, later_s), "car", policy=policy)
    assert np.all(after_s >= before_s)
    assert np.all(before_s >= arrivals_s.max(axis=1))
    # And never later by more than the arrivals were.
    assert np.all(after_s - before_s <= (later_s - arrivals_s).max(axis=1) + 1e-9)


@given(late_households(), st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_who_holds_up_is_found_by_a_small_delay(home: Household, seed: int) -> None:
    lasts_s, arrivals_s = numbers(home, seed, members=12)
    ready_s = ready_times(Mornings(home, lasts_s, arrivals_s), "car")
    shares = held_up_by(Mornings(home, lasts_s, arrivals_s), "car")
    assert set(shares) == {person.name for person in home.people if person.arrival_points_s[2] > 0}
    assert list(shares.values()) == sorted(shares.values(), reverse=True)
    for column, person in enumerate(home.people):
        if person.name in shares:
            delayed_s = arrivals_s.copy()
            delayed_s[:, column] += 1e-3
            later = ready_times(Mornings(home, lasts_s, delayed_s), "car") > ready_s + 5e-4
            assert shares[person.name] == np.mean(later & (arrivals_s[:, column] > 1e-6))


# --- what is refused --------------------------------------------------------------------------------------------------


def test_arrivals_out_of_order_are_refused_all_at_once() -> None:
    people = (
        away("Ines", (90.0, 60.0, 300.0)),
        away("Bo", (-5.0, 60.0, 300.0)),
        away("Wren", (0.0, 60.0, float("inf"))),
        away("Sol", (0.0, float("nan"), 90.0)),
        Person("Ada", ("lift",), arrives_after_s=60.0),
    )
    for refused in (lambda: sample_arrivals(people, members=3), lambda: schedule((fixed("bags", 60.0),), people)):
        with pytest.raises(InputError) as caught:
            refused()
        places = [fault.place for fault in caught.value.faults]
        assert places == ['person "Ines"', 'person "Bo"', 'person "Wren"', 'person "Sol"']
        assert all(fault.expected == "0 <= soonest <= likely <= latest" for fault in caught.value.faults)


def test_uncertain_arrivals_can_not_be_left_out_nor_misshapen() -> None:
    home = Household((Person("Ines", ("lift",)), away("Bo", (0.0, 60.0, 300.0))), (fixed("bags", 60.0),))
    lasts_s = np.full((3, 1), 60.0)
    with pytest.raises(InputError, match="uncertain when Bo comes home"):
        ready_times(Mornings(home, lasts_s), "car")
    with pytest.raises(InputError, match="a column for every person"):
        ready_times(Mornings(home, lasts_s, np.zeros((3, 1))), "car")
    with pytest.raises(InputError, match="negative or not finite"):
        ready_times(Mornings(home, lasts_s, np.full((3, 2), np.nan)), "car")
    with pytest.raises(InputError, match="numpy Generator"):
        sample_arrivals(home.people, members=3)
    with pytest.raises(InputError, match="numbers from 0 to 1"):
        sample_arrivals(home.people, members=3, uniforms=np.zeros((3, 2)))
    strangers = schedule_for(replace(home, people=(Person("Zed", ("lift",)),)), "car")
    with pytest.raises(InputError, match="Zed, who is not of this household"):
        ready_times(Mornings(home, lasts_s, np.zeros((3, 2))), "car", policy=strangers)
