"""More to do is never more time: the list that is followed, under changes that can only make a plan harder."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leaveby.chance import stream
from leaveby.confidence import latest_at_confidence, longest_at_confidence
from leaveby.household.catalogue import catalogue, smaller_crews, soonest_list
from leaveby.household.plan import Household, can_do, tasks_for
from leaveby.household.plan_tables import Person, Task
from leaveby.household.readiness import Mornings, Readiness, readiness, ready_times, schedule_for
from leaveby.household.sampling import sample_durations
from leaveby.household.scheduling import schedule_of

MEMBERS = 60
SLACK_S = 1e-6
CONFIDENCES = (0.5, 0.8, 0.95)


def drawn(home: Household, seed: int) -> NDArray[np.float64]:
    """Durations with a stream of chance for each task, by its name."""
    uniforms = np.column_stack([stream(seed, "task", task.name).random(MEMBERS) for task in home.tasks])
    return sample_durations(home.tasks, members=MEMBERS, uniforms=uniforms)


def ready(home: Household, seed: int, confidence: float) -> Readiness:
    return readiness(Mornings(home, drawn(home, seed)), "tow", confidence=confidence)


@st.composite
def households(draw: st.DrawFn) -> Household:
    skills = ("lift", "climb")
    people = tuple(
        Person(f"person {number}", can=("home", *draw(st.lists(st.sampled_from(skills), unique=True, max_size=2))))
        for number in range(draw(st.integers(1, 3)))
    )
    tasks: list[Task] = []
    for number in range(draw(st.integers(1, 7))):
        needs = tuple(draw(st.lists(st.sampled_from(skills), unique=True, max_size=1)))
        able = sum(can_do(person.can, needs) for person in people)
        if able == 0:
            needs, able = (), len(people)
        shortest, more, most = (draw(st.integers(1, 20)) for _ in range(3))
        tasks.append(
            Task(
                f"task {number}",
                ("tow",),
                60.0 * shortest,
                60.0 * (shortest + more),
                60.0 * (shortest + more + most),
                hands=draw(st.integers(1, min(able, 2))),
                needs=needs,
                after=tuple(f"task {one}" for one in range(number) if draw(st.integers(0, 4)) == 0),
            )
        )
    return Household(people, tuple(tasks))


def can_still_be_done(home: Household) -> bool:
    return all(sum(can_do(person.can, task.needs) for person in home.people) >= task.hands for task in home.tasks)


def harder(home: Household, draw: Any) -> Household | None:
    """Change a household so that it can only be harder: a task more, a longer one, an ability or a person less."""
    kind = draw(st.sampled_from(("task", "longer", "slower", "ability", "hands", "person")))
    which = draw(st.integers(0, 20))
    if kind == "task":
        names = [task.name for task in home.tasks]
        likely = draw(st.floats(1.0, 3600.0))
        extra = Task(
            "another",
            ("tow",),
            likely * 0.5,
            likely,
            likely * 2.0,
            needs=draw(st.sampled_from(((), home.tasks[0].needs))),
            after=tuple(draw(st.lists(st.sampled_from(names), unique=True, max_size=2))),
        )
        place = which % (len(names) + 1)
        tasks = list(home.tasks)
        # A task that others already come after stands behind them in the file or not: names tell the order, not places.
        tasks.insert(place, extra)
        return replace(home, tasks=tuple(tasks))
    if kind in ("longer", "slower"):
        number = which % len(home.tasks)
        task = home.tasks[number]
        by = draw(st.floats(1.0, 1800.0)) if kind == "longer" else 0.0
        times = draw(st.floats(1.0, 3.0)) if kind == "slower" else 1.0
        points = {key: getattr(task, key) * times + by for key in ("shortest_s", "likely_s", "longest_s")}
        return replace(home, tasks=(*home.tasks[:number], replace(task, **points), *home.tasks[number + 1 :]))
    number = which % len(home.people)
    person = home.people[number]
    if kind == "person":
        people = (*home.people[:number], *home.people[number + 1 :])
    else:
        lost = draw(st.sampled_from(person.can))
        can = () if kind == "hands" else tuple(word for word in person.can if word != lost)
        people = (*home.people[:number], replace(person, can=can), *home.people[number + 1 :])
    changed = replace(home, people=people)
    return changed if people and can_still_be_done(changed) else None


@given(households(), st.data(), st.integers(0, 1000), st.sampled_from(CONFIDENCES))
@settings(max_examples=150, deadline=None)
def test_what_makes_a_plan_harder_never_makes_it_ready_sooner(
    home: Household, data: st.DataObject, seed: int, confidence: float
) -> None:
    before = ready(home, seed, confidence)
    changed = harder(home, data.draw)
    if changed is not None:
        after = ready(changed, seed, confidence)
        assert after.at_confidence_s >= before.at_confidence_s - SLACK_S


@given(households(), st.integers(0, 1000), st.sampled_from(CONFIDENCES))
@settings(max_examples=60, deadline=None)
def test_what_is_counted_on_is_never_less_than_the_list_that_is_followed(
    home: Household, seed: int, confidence: float
) -> None:
    found = ready(home, seed, confidence)
    by_list_s = ready_times(Mornings(home, drawn(home, seed)), "tow", policy=found.policy)
    assert found.rounded_up_s >= 0.0
    assert found.ready_s == pytest.approx(by_list_s + found.rounded_up_s)
    assert found.at_confidence_s == pytest.approx(longest_at_confidence(found.ready_s, confidence))
    # The list never does worse than the one made for the likely durations.
    likely_s = ready_times(Mornings(home, drawn(home, seed)), "tow", policy=schedule_for(home, "tow"))
    assert longest_at_confidence(by_list_s, confidence) <= longest_at_confidence(likely_s, confidence) + SLACK_S


@given(households(), st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_the_catalogue_times_its_lists_as_they_are_followed(home: Household, seed: int) -> None:
    """Two ways to the same number: the compiled search, and the list laid out and followed member by member."""
    tasks = tasks_for(home, "tow")
    lasts_s = drawn(home, seed)
    lists = catalogue(tasks, home.people, durations_s=lasts_s, arrivals_s=np.zeros((MEMBERS, len(home.people))))
    listed, said_s = soonest_list(lists, confidence=0.9)
    policy = schedule_of(tasks, home.people, listed)
    followed_s = ready_times(Mornings(home, lasts_s), "tow", policy=policy)
    assert longest_at_confidence(followed_s, 0.9) == pytest.approx(said_s, rel=1e-12)
    for task, who in zip(tasks, policy.who, strict=True):
        people = {person.name: person for person in home.people}
        assert len(set(who)) == task.hands
        assert all(can_do(people[name].can, task.needs) for name in who)


def test_a_crew_of_two_in_all_its_lists_by_hand() -> None:
    """Three tasks of 10, 10 and 20 minutes by two people: 20 minutes, one of them does the long one alone."""
    tasks = tuple(
        Task(name, ("tow",), 60.0 * lasts, 60.0 * lasts, 60.0 * lasts)
        for name, lasts in (("bags", 10), ("dog", 10), ("wheels", 20))
    )
    home = Household((Person("Ines", ("lift",)), Person("Bo", ("lift",))), tasks)
    found = readiness(Mornings(home, np.full((5, 3), [600.0, 600.0, 1200.0])), "tow", confidence=0.5)
    assert found.at_confidence_s == 1200.0
    assert found.policy.who[0] == found.policy.who[1] != found.policy.who[2]


def test_smaller_crews_hold_those_of_every_smaller_household() -> None:
    crew = (Person("Ines", ("lift", "climb")), Person("Bo", ("lift", "drive")), Person("Wren"))
    tasks = (Task("bags", ("tow",), 1.0, 1.0, 1.0), Task("roof", ("tow",), 1.0, 1.0, 1.0, needs=("climb",)))
    whole = {able.tobytes() for able in smaller_crews(tasks, crew)}
    for smaller in (
        (replace(crew[0], can=("climb",)), crew[1], crew[2]),
        (crew[0], replace(crew[1], can=()), crew[2]),
        (crew[0], replace(crew[1], can=("drive",)), replace(crew[2], can=())),
    ):
        assert {able.tobytes() for able in smaller_crews(tasks, smaller)} <= whole


def test_where_the_late_are_those_without_time_another_list_is_looked_for() -> None:
    """The list then followed clears the road in the asked share of members, and none of the catalogue starts later."""
    tasks = tuple(Task(name, ("tow",), 300.0, 600.0, 4000.0) for name in ("bags", "dog", "wheels", "gas"))
    home = Household((Person("Ines", ("lift",)), Person("Bo", ("lift",))), tasks)
    lasts_s = drawn(home, 3)
    first = readiness(Mornings(home, lasts_s), "tow", confidence=0.9)
    # Fires that leave the slowest members the least time, and a few others no more.
    leave_s = 50_000.0 - 10.0 * np.argsort(np.argsort(first.ready_s)) ** 2
    leave_s[np.argsort(first.ready_s)[:5]] = 1000.0
    roll_by_s = latest_at_confidence(leave_s, 0.9)
    assert latest_at_confidence(leave_s - first.ready_s, 0.9) < roll_by_s - first.at_confidence_s
    found = readiness(Mornings(home, lasts_s), "tow", latest_departure_s=leave_s, confidence=0.9)
    start_s = min(roll_by_s - found.at_confidence_s, latest_at_confidence(leave_s - found.ready_s, 0.9))
    assert start_s >= latest_at_confidence(leave_s - first.ready_s, 0.9) - SLACK_S


def larger(seed: int) -> Household:
    """Eleven tasks for three people: so many lists that no search looks at all of them."""
    rng = np.random.default_rng(seed)
    tasks = []
    for number in range(11):
        shortest_s = 60.0 * int(rng.integers(1, 20))
        hands = int(rng.integers(1, 3)) if rng.random() < 0.3 else 1
        needs = ("lift",) if rng.random() < 0.4 else ()
        after = tuple(f"task {one}" for one in range(number) if rng.random() < 0.12)
        tasks.append(
            Task(f"task {number}", ("tow",), shortest_s, 2.0 * shortest_s, 4.0 * shortest_s, hands, needs, after)
        )
    return Household(tuple(Person(f"person {number}", ("home", "lift")) for number in range(3)), tuple(tasks))


def a_minute_longer(home: Household, number: int) -> Household:
    task = home.tasks[number]
    points = {key: getattr(task, key) + 60.0 for key in ("shortest_s", "likely_s", "longest_s")}
    return replace(home, tasks=(*home.tasks[:number], replace(task, **points), *home.tasks[number + 1 :]))


@pytest.mark.parametrize("seed", range(2, 10))
def test_where_searches_show_anomalies_the_list_that_is_followed_does_not(seed: int) -> None:
    """A task a minute longer, or one of three who can lift no longer can: never ready sooner."""
    home = larger(seed)
    before_s = ready(home, 1, 0.9).at_confidence_s
    for number in range(3):
        assert ready(a_minute_longer(home, number), 1, 0.9).at_confidence_s >= before_s - SLACK_S
        person = replace(home.people[number], can=("home",))
        weaker = replace(home, people=(*home.people[:number], person, *home.people[number + 1 :]))
        assert ready(weaker, 1, 0.9).at_confidence_s >= before_s - SLACK_S


def test_the_list_for_the_likely_durations_alone_would_show_anomalies() -> None:
    """What the test above would miss if it had no teeth: of these households some were ready minutes sooner."""

    def by_likely_s(home: Household) -> float:
        ready_s = ready_times(Mornings(home, drawn(home, 1)), "tow", policy=schedule_for(home, "tow"))
        return longest_at_confidence(ready_s, 0.9)

    sooner_s = [by_likely_s(larger(seed)) - by_likely_s(a_minute_longer(larger(seed), 0)) for seed in (5, 6, 8)]
    assert max(sooner_s) > 60.0
