"""How long the household needs: sampled durations, ready times, what is critical, what could be done before the season.

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
from scipy.special import betaincinv

from leaveby.errors import InputError, refuse
from leaveby.household.crew import TICK_S
from leaveby.household.plan import (
    Durations,
    Household,
    Person,
    Plan,
    Task,
    TaskWay,
    arrival_faults,
    tasks_for,
    uncertain_people,
)
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

_PERT_SHAPE: Final = 4.0
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


def sample_durations(
    tasks: Sequence[Task],
    *,
    rng: np.random.Generator | None = None,
    members: int,
    kind: Durations = "beta_pert",
    uniforms: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Draw three-point durations by inverting their distribution.

    `beta_pert` is the beta distribution between shortest and longest with shape 4, so that its mean is
    (shortest + 4 likely + longest) / 6; `triangular` has its peak at likely, a heavier tail and so longer ready times.

    Parameters
    ----------
    tasks : sequence of Task
        For example all tasks of a household: columns follow this order.
    rng : numpy.random.Generator, optional
        Needed unless `uniforms` are given.
    members : int
        1 or more.
    kind : {"beta_pert", "triangular"}
    uniforms : (members, tasks) array, optional
        Numbers from 0 to 1 to invert, so that several runs share their chance.

    Returns
    -------
    (members, tasks) array
        Seconds; 0 for a task that is done before the season.

    Raises
    ------
    InputError
        When neither `rng` nor `uniforms` is given, their shape is wrong, or a likely duration lies outside its range.

    Notes
    -----
    Malcolm, Roseboom, Clark and Fazar 1959, "Application of a technique for research and development program
    evaluation", Operations Research 7:646-669 (mean and three points; from memory).

    Examples
    --------
    >>> wheels = Task("wheels", ("tow",), shortest_s=1500.0, likely_s=2400.0, longest_s=4800.0)
    >>> drawn_s = sample_durations((wheels,), rng=np.random.default_rng(1), members=4000)
    >>> bool(abs(drawn_s.mean() - 2650.0) < 30.0)
    True
    """
    _check_sampling(kind, members)
    for task in tasks:
        if not 0 <= task.shortest_s <= task.likely_s <= task.longest_s < np.inf:
            raise refuse(
                f'task "{task.name}"',
                f"lasts {task.shortest_s:g}, {task.likely_s:g}, {task.longest_s:g} s",
                expected="0 <= shortest <= likely <= longest",
                mend="correct the three durations",
            )
    points_s = np.array([(task.shortest_s, task.likely_s, task.longest_s) for task in tasks], dtype=np.float64)
    uniforms = _uniforms((members, len(tasks)), rng=rng, uniforms=uniforms, of="task")
    durations_s = _inverted(points_s.reshape(-1, 3), uniforms=uniforms, kind=kind)
    durations_s[:, [task.done_before_season for task in tasks]] = 0.0
    return durations_s


def sample_arrivals(
    people: Sequence[Person],
    *,
    rng: np.random.Generator | None = None,
    members: int,
    kind: Durations = "beta_pert",
    uniforms: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Draw when each person is home, by the same distributions as the durations of tasks.

    Parameters
    ----------
    people : sequence of Person
        Everyone: columns follow this order.
    rng : numpy.random.Generator, optional
        Needed unless `uniforms` are given or every arrival is fixed.
    members : int
        1 or more.
    kind : {"beta_pert", "triangular"}
    uniforms : (members, uncertain people) array, optional
        Numbers from 0 to 1 to invert; a column only for each of those whose arrival has a spread.

    Returns
    -------
    (members, people) array
        Seconds from the start of getting ready; a fixed arrival is the same in every member.

    Raises
    ------
    InputError
        When neither `rng` nor `uniforms` is given, their shape is wrong, or three points are not in rising order.

    Examples
    --------
    >>> crew = (Person("Ines"), Person("Bo", arrives_after_s=1500.0, arrives_latest_s=3000.0))
    >>> sample_arrivals(crew, members=2, kind="triangular", uniforms=np.array([[0.0], [1.0]]))
    array([[   0., 1500.],
           [   0., 3000.]])
    """
    _check_sampling(kind, members)
    faults = arrival_faults(people)
    if faults:
        raise InputError(faults)
    uncertain = [number for number, person in enumerate(people) if person.arrival_is_uncertain]
    arrivals_s = np.tile(np.array([person.arrives_after_s for person in people], dtype=np.float64), (members, 1))
    if uncertain or uniforms is not None:
        points_s = np.array([people[number].arrival_points_s for number in uncertain], dtype=np.float64)
        uniforms = _uniforms((members, len(uncertain)), rng=rng, uniforms=uniforms, of="person with uncertain arrival")
        arrivals_s[:, uncertain] = _inverted(points_s.reshape(-1, 3), uniforms=uniforms, kind=kind)
    return arrivals_s


def _check_sampling(kind: str, members: int) -> None:
    if kind not in ("beta_pert", "triangular"):
        raise refuse("durations", f"is {kind!r}", expected="beta_pert or triangular", mend="name one of the two")
    if members < 1:
        raise refuse("members", f"is {members}", expected="1 or more", mend="ask for at least one member")


def _uniforms(
    shape: tuple[int, int], *, rng: np.random.Generator | None, uniforms: NDArray[np.float64] | None, of: str
) -> NDArray[np.float64]:
    if uniforms is None:
        if rng is None:
            raise refuse("rng", "is missing", expected="a numpy Generator, or uniforms", mend="pass one of the two")
        return rng.random(shape)
    if uniforms.shape != shape or not bool(np.all((uniforms >= 0) & (uniforms <= 1))):
        raise refuse(
            "uniforms",
            f"have the shape {uniforms.shape} or leave 0 to 1",
            expected=f"numbers from 0 to 1 in the shape {shape}",
            mend=f"draw one number per member and {of}",
        )
    return uniforms


def _inverted(points_s: NDArray[np.float64], *, uniforms: NDArray[np.float64], kind: Durations) -> NDArray[np.float64]:
    """Turn uniform numbers, shape (members, things), into times by each thing's three points, shape (things, 3)."""
    low, peak = points_s[:, 0], points_s[:, 1]
    width = points_s[:, 2] - low
    # A time that is fixed has no spread; its peak may stand anywhere.
    at = np.divide(peak - low, width, out=np.full_like(width, 0.5), where=width > 0)
    if kind == "beta_pert":
        drawn = betaincinv(1 + _PERT_SHAPE * at, 1 + _PERT_SHAPE * (1 - at), uniforms)
    else:
        rising = np.sqrt(uniforms * at)
        falling = 1 - np.sqrt((1 - uniforms) * (1 - at))
        drawn = np.where(uniforms < at, rising, falling)
    inverted_s: NDArray[np.float64] = np.clip(low + width * drawn, low, low + width)
    return inverted_s


def schedule_for(household: Household | Plan, way: TaskWay) -> Schedule:
    """Schedule the tasks of one way at their likely durations and the likely arrivals: the list on the fridge.

    Examples
    --------
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
