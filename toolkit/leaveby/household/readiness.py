"""How long the household needs: ready times, what is critical, what could be done before the season.

The policy is the list on the fridge: `leaveby.household.scheduling.schedule` fixes, at the likely durations and
arrivals, who does what in which order, and every member follows that list whatever its durations turn out to be and
whenever its people come home: a task waits for everyone it is given to. Ready times are then a longest path in a fixed
graph: a longer task or a later arrival never makes the household ready earlier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import refuse
from leaveby.household.crew import TICK_S
from leaveby.household.plan import (
    Household,
    Plan,
    TaskWay,
    tasks_for,
    uncertain_people,
)
from leaveby.household.sampling import sample_arrivals, sample_durations
from leaveby.household.scheduling import Schedule, schedule

__all__ = [
    "Saving",
    "Schedule",
    "at_confidence",
    "criticality",
    "held_up_by",
    "ready_times",
    "sample_arrivals",
    "sample_durations",
    "saved_before_season",
    "schedule",
    "schedule_for",
]

_NODES_PER_CASE: Final = 2000


@dataclass(frozen=True)
class Saving:
    """What doing one task before the season would save.

    Attributes
    ----------
    task : str
    saved_s : float
        How much earlier the household is ready at the asked confidence, 0 or more.
    ready_s : float
        The ready time at the asked confidence without the task.
    """

    task: str
    saved_s: float
    ready_s: float


def schedule_for(household: Household | Plan, way: TaskWay) -> Schedule:
    """Schedule the tasks of one way at their likely durations and the likely arrivals: the list on the fridge.

    Examples
    --------
    >>> from leaveby.household.plan import Person, Task
    >>> home = Household((Person("Bo", ("lift",)),), (Task("bags", ("car",), 300.0, 600.0, 900.0),))
    >>> schedule_for(home, "car").ready_s
    600.0
    """
    return schedule(tasks_for(household, way), household.people)


def ready_times(
    household: Household | Plan,
    way: TaskWay,
    *,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64] | None = None,
    policy: Schedule | None = None,
) -> NDArray[np.float64]:
    """Work out when the household is ready, for every member.

    Parameters
    ----------
    household : Household or Plan
    way : {"tow", "car", "foot", "shelter"}
    durations_s : (members, tasks) array
        Columns follow `household.tasks`, all of them, so that every way of leaving shares one draw.
    arrivals_s : (members, people) array, optional
        Columns follow `household.people`; may be left out where every arrival is fixed.
    policy : Schedule, optional
        The list to follow; that of `schedule_for` when left out.

    Returns
    -------
    (members,) array
        Seconds from the start of getting ready until everything for this way is done and everyone has arrived.

    Raises
    ------
    InputError
        When the shape of `durations_s` or `arrivals_s` does not fit, one of them holds a time that is negative or not
        finite, arrivals are left out and one is uncertain, or a task can't be done.

    Examples
    --------
    >>> from leaveby.household.plan import Person, Task
    >>> bags = Task("bags", ("car", "tow"), 300.0, 600.0, 900.0)
    >>> wheels = Task("wheels", ("tow",), 1500.0, 2400.0, 4800.0)
    >>> home = Household((Person("Bo", ("lift",)),), (bags, wheels))
    >>> ready_times(home, "tow", durations_s=np.array([[600.0, 2400.0], [900.0, 4800.0]]))
    array([3000., 5700.])
    """
    if policy is None:
        policy = schedule_for(household, way)
    return _followed(household, policy, durations_s, arrivals_s).ready_s


def criticality(
    household: Household | Plan,
    way: TaskWay,
    *,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64] | None = None,
    policy: Schedule | None = None,
) -> dict[str, float]:
    """Count in what share of the members each task is critical.

    A task is critical in a member when a little more time for it makes the household ready later; that includes the
    waiting for people who are busy elsewhere.

    Parameters
    ----------
    household, way, durations_s, arrivals_s, policy
        As for `ready_times`.

    Returns
    -------
    dict of str to float
        The tasks of this way, 0 to 1, the most often critical first.

    Examples
    --------
    >>> from leaveby.household.plan import Person, Task
    >>> bags = Task("bags", ("car",), 300.0, 600.0, 900.0)
    >>> dogs = Task("dogs", ("car",), 300.0, 500.0, 900.0)
    >>> home = Household((Person("Bo", ("lift",)), Person("Ines", ("lift",))), (bags, dogs))
    >>> criticality(home, "car", durations_s=np.array([[600.0, 500.0], [500.0, 600.0], [700.0, 500.0], [800.0, 300.0]]))
    {'bags': 0.75, 'dogs': 0.25}
    """
    if policy is None:
        policy = schedule_for(household, way)
    run = _followed(household, policy, durations_s, arrivals_s)
    shares = np.mean(_latest_finishes(policy, run) - run.finish_s <= TICK_S, axis=0)
    return _most_first(policy.tasks, shares)


def held_up_by(
    household: Household | Plan,
    way: TaskWay,
    *,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64] | None = None,
    policy: Schedule | None = None,
) -> dict[str, float]:
    """Count in what share of the members waiting for each absent person holds the household up.

    It does in a member in which this person is away at first and coming home a little later makes the household ready
    later: because a critical task is theirs, or because they come last.

    Parameters
    ----------
    household, way, durations_s, arrivals_s, policy
        As for `ready_times`.

    Returns
    -------
    dict of str to float
        The people who may be away, 0 to 1, those who hold up most often first.

    Examples
    --------
    >>> from leaveby.household.plan import Person, Task
    >>> bags = Task("bags", ("car",), 300.0, 600.0, 900.0)
    >>> late = Person("Bo", arrives_after_s=500.0, arrives_latest_s=900.0)
    >>> home = Household((Person("Ines", ("lift",)), late), (bags,))
    >>> held_up_by(home, "car", durations_s=np.full((2, 1), 600.0), arrivals_s=np.array([[0.0, 500.0], [0.0, 900.0]]))
    {'Bo': 0.5}
    """
    if policy is None:
        policy = schedule_for(household, way)
    run = _followed(household, policy, durations_s, arrivals_s)
    latest_start_s = _latest_finishes(policy, run) - run.lasts_s
    away = [number for number, person in enumerate(household.people) if person.is_away]
    shares = np.zeros(len(away))
    for place, number in enumerate(away):
        theirs = [task for task, who in enumerate(policy.who) if household.people[number].name in who]
        latest_s = np.minimum(run.ready_s, np.min(latest_start_s[:, theirs], axis=1, initial=np.inf))
        home_s = run.arrivals_s[:, number]
        shares[place] = np.mean((home_s > TICK_S) & (latest_s - home_s <= TICK_S))
    return _most_first([household.people[number].name for number in away], shares)


def saved_before_season(
    household: Household | Plan,
    way: TaskWay,
    *,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64] | None = None,
    confidence: float,
) -> tuple[Saving, ...]:
    """Rank the tasks by what doing them before the season would save, by working each case out anew.

    Without the task the household may follow a new list, or the old one with the task struck out: the better counts.
    What two tasks save together is not the sum of what each saves.

    Parameters
    ----------
    household, way, durations_s, arrivals_s
        As for `ready_times`.
    confidence : float
        Share of members that have to be ready, more than 0 and less than 1.

    Returns
    -------
    tuple of Saving
        The largest saving first; tasks that are already done are left out.

    Examples
    --------
    >>> from leaveby.household.plan import Person, Task
    >>> bags = Task("bags", ("tow",), 300.0, 600.0, 900.0)
    >>> wheels = Task("wheels", ("tow",), 1500.0, 2400.0, 4800.0)
    >>> home = Household((Person("Bo", ("lift",)),), (bags, wheels))
    >>> drawn_s = np.array([[600.0, 2400.0], [900.0, 4800.0]])
    >>> savings = saved_before_season(home, "tow", durations_s=drawn_s, confidence=0.95)
    >>> [(saving.task, saving.saved_s) for saving in savings]
    [('wheels', 4800.0), ('bags', 900.0)]
    """
    policy = schedule_for(household, way)

    def ready_s(home: Household | Plan, lasts_s: NDArray[np.float64], listed: Schedule) -> float:
        times_s = ready_times(home, way, durations_s=lasts_s, arrivals_s=arrivals_s, policy=listed)
        return at_confidence(times_s, confidence)

    now_s = ready_s(household, durations_s, policy)
    savings = []
    for name in policy.tasks:
        number = next(number for number, task in enumerate(household.tasks) if task.name == name)
        without = replace(household.tasks[number], done_before_season=True)
        changed = replace(household, tasks=(*household.tasks[:number], without, *household.tasks[number + 1 :]))
        # The old list with the task struck out is there in any case, so the new one need not be proved the best.
        anew = schedule(tasks_for(changed, way), changed.people, node_limit=_NODES_PER_CASE)
        struck_s = durations_s.copy()
        struck_s[:, number] = 0.0
        then_s = min(ready_s(changed, durations_s, anew), ready_s(household, struck_s, policy))
        savings.append(Saving(task=name, saved_s=max(0.0, now_s - then_s), ready_s=min(now_s, then_s)))
    return tuple(sorted(savings, key=lambda saving: -saving.saved_s))


def at_confidence(times_s: NDArray[np.float64], confidence: float) -> float:
    """Find the time within which at least the asked share of the members is ready.

    Always the time of a member, never between two: the later one counts.

    Parameters
    ----------
    times_s : (members,) array
    confidence : float
        More than 0 and less than 1.

    Returns
    -------
    float
        Seconds.

    Examples
    --------
    >>> at_confidence(np.array([10.0, 20.0, 30.0, 40.0]), 0.6)
    30.0
    """
    if not 0 < confidence < 1:
        raise refuse(
            "confidence", f"is {confidence:g}", expected="more than 0 and less than 1", mend="ask for 0.95, for example"
        )
    if times_s.size == 0:
        raise refuse("members", "are none", expected="at least one", mend="draw members first")
    # Sorted by hand: the arrivals may be inf, and numpy's quantile would take their difference.
    return float(np.sort(times_s)[math.ceil(confidence * (times_s.size - 1))])


def _columns(household: Household | Plan, policy: Schedule, durations_s: NDArray[np.float64]) -> NDArray[np.float64]:
    if durations_s.ndim != 2 or durations_s.shape[1] != len(household.tasks):
        raise refuse(
            "durations_s",
            f"have the shape {durations_s.shape}",
            expected=f"(members, {len(household.tasks)}), a column for every task of the household",
            mend="draw them with sample_durations(household.tasks, ...)",
        )
    position = {task.name: number for number, task in enumerate(household.tasks)}
    picked: NDArray[np.float64] = durations_s[:, [position[name] for name in policy.tasks]]
    if not bool(np.all(np.isfinite(picked) & (picked >= 0))):
        raise refuse(
            "durations_s", "hold a time that is negative or not finite", expected="seconds", mend="redraw them"
        )
    return picked


def _arrivals(
    household: Household | Plan, arrivals_s: NDArray[np.float64] | None, *, members: int
) -> NDArray[np.float64]:
    people = household.people
    if arrivals_s is None:
        uncertain = uncertain_people(household)
        if uncertain:
            raise refuse(
                "arrivals_s",
                f"are left out, and it is uncertain when {', '.join(person.name for person in uncertain)} comes home",
                expected=f"(members, {len(people)}), a column for every person",
                mend="draw them with sample_arrivals(household.people, ...)",
            )
        return sample_arrivals(people, members=members)
    if arrivals_s.shape != (members, len(people)):
        raise refuse(
            "arrivals_s",
            f"have the shape {arrivals_s.shape}",
            expected=f"({members}, {len(people)}), a row for every member and a column for every person",
            mend="draw them with sample_arrivals(household.people, ...)",
        )
    if not bool(np.all(np.isfinite(arrivals_s) & (arrivals_s >= 0))):
        raise refuse("arrivals_s", "hold a time that is negative or not finite", expected="seconds", mend="redraw them")
    return arrivals_s


@dataclass(frozen=True)
class _Run:
    """Every member's way through the list, in seconds; tasks in the order of the list's `tasks`."""

    lasts_s: NDArray[np.float64]
    arrivals_s: NDArray[np.float64]
    finish_s: NDArray[np.float64]
    ready_s: NDArray[np.float64]


def _followed(
    household: Household | Plan,
    policy: Schedule,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64] | None,
) -> _Run:
    lasts_s = _columns(household, policy, durations_s)
    members = lasts_s.shape[0]
    home_s = _arrivals(household, arrivals_s, members=members) if members else np.zeros((0, len(household.people)))
    _check_people(household, policy)
    finish_s = np.zeros_like(lasts_s)
    for task in policy.order:
        theirs = [number for number, person in enumerate(household.people) if person.name in policy.who[task]]
        start_s = np.max(home_s[:, theirs], axis=1, initial=0.0)
        for earlier in policy.waits_for[task]:
            np.maximum(start_s, finish_s[:, earlier], out=start_s)
        finish_s[:, task] = start_s + lasts_s[:, task]
    ready_s = np.maximum(np.max(finish_s, axis=1, initial=0.0), np.max(home_s, axis=1, initial=0.0))
    return _Run(lasts_s=lasts_s, arrivals_s=home_s, finish_s=finish_s, ready_s=ready_s)


def _check_people(household: Household | Plan, policy: Schedule) -> None:
    names = {person.name for person in household.people}
    strangers = sorted({name for who in policy.who for name in who} - names)
    if strangers:
        raise refuse(
            "policy",
            f"gives tasks to {', '.join(strangers)}, who is not of this household",
            expected="a list made for the same people",
            mend="make it with schedule_for",
        )


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
