"""How long the household needs: ready times, what is critical, what could be done before the season.

The policy is the list on the fridge: it fixes who does what in which order, and every member follows that list whatever
its durations turn out to be and whenever its people come home: a task waits for everyone it is given to. Ready times
are then a longest path in a fixed graph: a longer task or a later arrival never makes the household ready earlier.

The list is the one that is ready soonest at the asked confidence of two: the best of the catalogue
(`leaveby.household.catalogue`), and the one that `leaveby.household.scheduling.schedule` finds at the likely durations
and arrivals. The ready time that is counted on is never less than that of the catalogue's best, by which more to do is
never more time: where the other list is sooner, its ready times are rounded up by what it is sooner (`Readiness`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import longest_at_confidence
from leaveby.errors import refuse, refused
from leaveby.household.catalogue import catalogue, latest_list, soonest_list
from leaveby.household.crew import TICK_S
from leaveby.household.plan import Household, Plan, tasks_for, uncertain_people
from leaveby.household.plan_tables import TaskWay
from leaveby.household.sampling import sample_arrivals
from leaveby.household.scheduling import Schedule, schedule, schedule_of

_NODES_PER_CASE: Final = 2000


@dataclass(frozen=True)
class Mornings:
    """How long a household's tasks take and when its people are home, by member, in seconds.

    `durations_s`, shape (members, tasks), has a column for every task of the household, so that every way of leaving
    shares one draw; `arrivals_s`, shape (members, people), may be left out where every arrival is fixed. `missed_s`, by
    way, comes on top of every ready time: what the list misses (`leaveby.household.practice`). The functions here
    refuse (InputError) other shapes, times that are negative or not finite, and a task that can't be done.
    """

    household: Household | Plan
    durations_s: NDArray[np.float64]
    arrivals_s: NDArray[np.float64] | None = None
    missed_s: Mapping[TaskWay, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Saving:
    """What doing one task before the season would save, 0 or more, and the ready time without it, at confidence."""

    task: str
    saved_s: float
    ready_s: float


@dataclass(frozen=True)
class Readiness:
    """The list that is followed (`policy`, at likely times), and how long getting ready takes by it in every member.

    - `ready_s`, shape (members,): what is counted on, by the list, plus `rounded_up_s`; `at_confidence_s`: what the
      asked share of members does not exceed of it.
    - `rounded_up_s`: 0 or more, see the head of this module; 0 where the list is the catalogue's best.
    - `catalogue_s`, shape (members,): by the catalogue's best list.
    """

    policy: Schedule
    ready_s: NDArray[np.float64]
    at_confidence_s: float
    rounded_up_s: float
    catalogue_s: NDArray[np.float64]


def readiness(
    mornings: Mornings, way: TaskWay, *, confidence: float, latest_departure_s: NDArray[np.float64] | None = None
) -> Readiness:
    """Choose the list to follow, and work out when the household is ready by it.

    A task more, a longer one, or a pair of hands less never makes the ready time at the asked confidence (above 0,
    below 1) shorter. With latest departures, one for each member, it is the list with which getting ready may start
    latest under those fires (`catalogue.latest_list`): needed only where the other does not clear the road in the asked
    share of members when it is begun at the latest departure less the ready time, both at the asked confidence.

    Examples
    --------
    >>> from leaveby.household.plan_tables import Person, Task
    >>> bags = Task("bags", ("car", "tow"), 300.0, 600.0, 900.0)
    >>> home = Household((Person("Bo", ("lift",)),), (bags,))
    >>> readiness(Mornings(home, np.array([[600.0], [900.0]])), "car", confidence=0.5).at_confidence_s
    900.0
    """
    household = mornings.household
    tasks, people = tasks_for(household, way), household.people
    # The catalogue's best is there in any case, so this one need not be proved the best.
    likely = schedule(tasks, people, node_limit=_NODES_PER_CASE)
    lasts_s = _columns(mornings, [task.name for task in tasks])
    lists = catalogue(tasks, people, durations_s=lasts_s, arrivals_s=_arrivals(mornings))
    if latest_departure_s is not None:
        listed, _ = latest_list(lists, latest_departure_s, confidence=confidence)
        policy = schedule_of(tasks, people, listed)
        ready_s = ready_times(mornings, way, policy=policy)
        return Readiness(policy, ready_s, longest_at_confidence(ready_s, confidence), 0.0, ready_s)
    listed, least_s = soonest_list(lists, confidence=confidence)
    least_s += mornings.missed_s.get(way, 0.0)
    best = schedule_of(tasks, people, listed)
    best_s, by_likely_s = (ready_times(mornings, way, policy=policy) for policy in (best, likely))
    short_s = least_s - longest_at_confidence(by_likely_s, confidence)
    if short_s > TICK_S:
        return Readiness(likely, by_likely_s + short_s, least_s, short_s, best_s)
    return Readiness(best, best_s, least_s, 0.0, best_s)


def schedule_for(household: Household | Plan, way: TaskWay) -> Schedule:
    """Schedule the tasks of one way at their likely durations and the likely arrivals: the list on the fridge."""
    return schedule(tasks_for(household, way), household.people)


def ready_times(mornings: Mornings, way: TaskWay, *, policy: Schedule | None = None) -> NDArray[np.float64]:
    """Work out when the household is ready, for every member, shape (members,).

    That is in seconds from the start of getting ready until everything for this way is done and everyone has arrived,
    by the list given, or else that of `schedule_for`.

    Examples
    --------
    >>> from leaveby.household.plan_tables import Person, Task
    >>> bags = Task("bags", ("car", "tow"), 300.0, 600.0, 900.0)
    >>> wheels = Task("wheels", ("tow",), 1500.0, 2400.0, 4800.0)
    >>> home = Household((Person("Bo", ("lift",)),), (bags, wheels))
    >>> ready_times(Mornings(home, np.array([[600.0, 2400.0], [900.0, 4800.0]])), "tow")
    array([3000., 5700.])
    """
    followed = _followed(mornings, policy or schedule_for(mornings.household, way))
    return followed.ready_s + mornings.missed_s.get(way, 0.0)


def criticality(mornings: Mornings, way: TaskWay, *, policy: Schedule | None = None) -> dict[str, float]:
    """Count in what share of the members each task is critical.

    A task is critical in a member when a little more time for it makes the household ready later; that includes the
    waiting for people who are busy elsewhere. The tasks of this way, the most often critical first.
    """
    policy = policy or schedule_for(mornings.household, way)
    run = _followed(mornings, policy)
    shares = np.mean(_latest_finishes(policy, run) - run.finish_s <= TICK_S, axis=0)
    return _most_first(policy.tasks, shares)


def held_up_by(mornings: Mornings, way: TaskWay, *, policy: Schedule | None = None) -> dict[str, float]:
    """Count in what share of the members waiting for each absent person holds the household up.

    It does in a member in which this person is away at first and coming home a little later makes the household ready
    later: because a critical task is theirs, or because they come last. Those who may be away, who hold up most often
    first.
    """
    policy, people = policy or schedule_for(mornings.household, way), mornings.household.people
    run = _followed(mornings, policy)
    latest_start_s = _latest_finishes(policy, run) - run.lasts_s
    away = [number for number, person in enumerate(people) if person.is_away]
    shares = np.zeros(len(away))
    for place, number in enumerate(away):
        theirs = [task for task, who in enumerate(policy.who) if people[number].name in who]
        latest_s = np.minimum(run.ready_s, np.min(latest_start_s[:, theirs], axis=1, initial=np.inf))
        home_s = run.arrivals_s[:, number]
        shares[place] = np.mean((home_s > TICK_S) & (latest_s - home_s <= TICK_S))
    return _most_first([people[number].name for number in away], shares)


def saved_before_season(
    mornings: Mornings, way: TaskWay, *, confidence: float, policy: Schedule | None = None
) -> tuple[Saving, ...]:
    """Rank the tasks by what doing them before the season would save, by working each case out anew.

    Without the task the household may follow a new list, or the old one with the task struck out: the better counts.
    What two tasks save together is not the sum of what each saves. The largest saving first.
    """
    household = mornings.household
    policy = policy or schedule_for(household, way)

    def ready_s(mornings: Mornings, listed: Schedule) -> float:
        return longest_at_confidence(ready_times(mornings, way, policy=listed), confidence)

    now_s = ready_s(mornings, policy)
    savings = []
    names = [task.name for task in household.tasks]
    for name in policy.tasks:
        number = names.index(name)
        without = replace(household.tasks[number], done_before_season=True)
        changed = replace(household, tasks=(*household.tasks[:number], without, *household.tasks[number + 1 :]))
        # Here the old list with the task struck out is there.
        anew = schedule(tasks_for(changed, way), changed.people, node_limit=_NODES_PER_CASE)
        struck_s = mornings.durations_s.copy()
        struck_s[:, number] = 0.0
        struck = replace(mornings, durations_s=struck_s)
        then_s = min(ready_s(replace(mornings, household=changed), anew), ready_s(struck, policy))
        savings.append(Saving(task=name, saved_s=max(0.0, now_s - then_s), ready_s=min(now_s, then_s)))
    return tuple(sorted(savings, key=lambda saving: -saving.saved_s))


def _columns(mornings: Mornings, tasks: Sequence[str]) -> NDArray[np.float64]:
    every, durations_s = mornings.household.tasks, mornings.durations_s
    if durations_s.ndim != 2 or durations_s.shape[1] != len(every):
        expected = f"(members, {len(every)}), a column for every task of the household"
        drawing = "sample_durations(household.tasks, ...)"
        raise refused("durations_s", "misshapen", shape=durations_s.shape, expected=expected, drawing=drawing)
    position = {task.name: number for number, task in enumerate(every)}
    return _times("durations_s", durations_s[:, [position[name] for name in tasks]])


def _arrivals(mornings: Mornings) -> NDArray[np.float64]:
    people, drawing = mornings.household.people, "sample_arrivals(household.people, ...)"
    members, arrivals_s = mornings.durations_s.shape[0], mornings.arrivals_s
    if arrivals_s is None:
        late = ", ".join(person.name for person in uncertain_people(mornings.household))
        if late:
            raise refused("arrivals_s", "arrivals_left_out", late=late, people=len(people), drawing=drawing)
        return sample_arrivals(people, members=members)
    if arrivals_s.shape != (members, len(people)):
        expected = f"({members}, {len(people)}), a row for every member and a column for every person"
        raise refused("arrivals_s", "misshapen", shape=arrivals_s.shape, expected=expected, drawing=drawing)
    return _times("arrivals_s", arrivals_s)


def _times(name: str, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    if not bool(np.all(np.isfinite(times_s) & (times_s >= 0))):
        raise refuse(name, "hold a time that is negative or not finite", expected="seconds", mend="redraw them")
    return times_s


@dataclass(frozen=True)
class _Run:
    """Every member's way through the list, in seconds; tasks in the order of the list's `tasks`."""

    lasts_s: NDArray[np.float64]
    arrivals_s: NDArray[np.float64]
    finish_s: NDArray[np.float64]
    ready_s: NDArray[np.float64]


def _followed(mornings: Mornings, policy: Schedule) -> _Run:
    lasts_s, people = _columns(mornings, policy.tasks), mornings.household.people
    home_s = _arrivals(mornings) if len(lasts_s) else np.zeros((0, len(people)))
    strangers = sorted({name for who in policy.who for name in who} - {person.name for person in people})
    if strangers:
        raise refused("policy", "list_of_strangers", strangers=", ".join(strangers))
    finish_s = np.zeros_like(lasts_s)
    for task in policy.order:
        theirs = [number for number, person in enumerate(people) if person.name in policy.who[task]]
        start_s = np.max(home_s[:, theirs], axis=1, initial=0.0)
        for earlier in policy.waits_for[task]:
            np.maximum(start_s, finish_s[:, earlier], out=start_s)
        finish_s[:, task] = start_s + lasts_s[:, task]
    ready_s = np.maximum(np.max(finish_s, axis=1, initial=0.0), np.max(home_s, axis=1, initial=0.0))
    return _Run(lasts_s=lasts_s, arrivals_s=home_s, finish_s=finish_s, ready_s=ready_s)


def _latest_finishes(policy: Schedule, run: _Run) -> NDArray[np.float64]:
    """Give the latest finish of each task in each member that does not make the household ready later."""
    latest_s = np.repeat(run.ready_s[:, np.newaxis], len(policy.tasks), axis=1)
    for task in reversed(policy.order):
        for earlier in policy.waits_for[task]:
            np.minimum(latest_s[:, earlier], latest_s[:, task] - run.lasts_s[:, task], out=latest_s[:, earlier])
    return latest_s


def _most_first(names: Sequence[str], shares: NDArray[np.float64]) -> dict[str, float]:
    paired = zip(names, (float(share) for share in shares), strict=True)
    return dict(sorted(paired, key=lambda pair: -pair[1]))
