"""How long the household needs: sampled durations, ready times, what is critical, what could be done before the season.

The policy is the list on the fridge: `leaveby.household.scheduling.schedule` fixes, at the likely durations, who does
what in which order, and every member follows that list whatever its durations turn out to be. Ready times are then a
longest path in a fixed graph: a longer task never makes the household ready earlier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from leaveby.errors import refuse
from leaveby.household.crew import TICK_S
from leaveby.household.plan import Durations, Household, Plan, Task, TaskWay, tasks_for
from leaveby.household.scheduling import Schedule, schedule

__all__ = [
    "Saving",
    "Schedule",
    "at_confidence",
    "criticality",
    "ready_times",
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
    if kind not in ("beta_pert", "triangular"):
        raise refuse("durations", f"is {kind!r}", expected="beta_pert or triangular", mend="name one of the two")
    if members < 1:
        raise refuse("members", f"is {members}", expected="1 or more", mend="ask for at least one member")
    for task in tasks:
        if not 0 <= task.shortest_s <= task.likely_s <= task.longest_s < np.inf:
            raise refuse(
                f'task "{task.name}"',
                f"lasts {task.shortest_s:g}, {task.likely_s:g}, {task.longest_s:g} s",
                expected="0 <= shortest <= likely <= longest",
                mend="correct the three durations",
            )
    shape = (members, len(tasks))
    if uniforms is None:
        if rng is None:
            raise refuse("rng", "is missing", expected="a numpy Generator, or uniforms", mend="pass one of the two")
        uniforms = rng.random(shape)
    if uniforms.shape != shape or not bool(np.all((uniforms >= 0) & (uniforms <= 1))):
        raise refuse(
            "uniforms",
            f"have the shape {uniforms.shape} or leave 0 to 1",
            expected=f"numbers from 0 to 1 in the shape {shape}",
            mend="draw one number per member and task",
        )
    low = np.array([task.shortest_s for task in tasks], dtype=np.float64)
    peak = np.array([task.likely_s for task in tasks], dtype=np.float64)
    width = np.array([task.longest_s for task in tasks], dtype=np.float64) - low
    # A task of one fixed duration has no spread; its peak may stand anywhere.
    at = np.divide(peak - low, width, out=np.full_like(width, 0.5), where=width > 0)
    if kind == "beta_pert":
        drawn = betaincinv(1 + _PERT_SHAPE * at, 1 + _PERT_SHAPE * (1 - at), uniforms)
    else:
        rising = np.sqrt(uniforms * at)
        falling = 1 - np.sqrt((1 - uniforms) * (1 - at))
        drawn = np.where(uniforms < at, rising, falling)
    durations_s: NDArray[np.float64] = np.clip(low + width * drawn, low, low + width)
    durations_s[:, [task.done_before_season for task in tasks]] = 0.0
    return durations_s


def schedule_for(household: Household | Plan, way: TaskWay) -> Schedule:
    """Schedule the tasks of one way at their likely durations: the list on the fridge.

    Examples
    --------
    >>> from leaveby.household.plan import Person
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
    policy: Schedule | None = None,
) -> NDArray[np.float64]:
    """Work out when the household is ready, for every member.

    Parameters
    ----------
    household : Household or Plan
    way : {"tow", "car", "foot", "shelter"}
    durations_s : (members, tasks) array
        Columns follow `household.tasks`, all of them, so that every way of leaving shares one draw.
    policy : Schedule, optional
        The list to follow; that of `schedule_for` when left out.

    Returns
    -------
    (members,) array
        Seconds from the start of getting ready until everything for this way is done and everyone has arrived.

    Raises
    ------
    InputError
        When the shape of `durations_s` does not fit, a duration is negative or not finite, or a task can't be done.

    Examples
    --------
    >>> from leaveby.household.plan import Person
    >>> bags = Task("bags", ("car", "tow"), 300.0, 600.0, 900.0)
    >>> wheels = Task("wheels", ("tow",), 1500.0, 2400.0, 4800.0)
    >>> home = Household((Person("Bo", ("lift",)),), (bags, wheels))
    >>> ready_times(home, "tow", durations_s=np.array([[600.0, 2400.0], [900.0, 4800.0]]))
    array([3000., 5700.])
    """
    if policy is None:
        policy = schedule_for(household, way)
    finish_s = _finishes(policy, _columns(household, policy, durations_s))
    return _ready(policy, finish_s)


def criticality(
    household: Household | Plan,
    way: TaskWay,
    *,
    durations_s: NDArray[np.float64],
    policy: Schedule | None = None,
) -> dict[str, float]:
    """Count in what share of the members each task is critical.

    A task is critical in a member when a little more time for it makes the household ready later; that includes the
    waiting for people who are busy elsewhere.

    Parameters
    ----------
    household, way, durations_s, policy
        As for `ready_times`.

    Returns
    -------
    dict of str to float
        The tasks of this way, 0 to 1, the most often critical first.

    Examples
    --------
    >>> from leaveby.household.plan import Person
    >>> bags = Task("bags", ("car",), 300.0, 600.0, 900.0)
    >>> dogs = Task("dogs", ("car",), 300.0, 500.0, 900.0)
    >>> home = Household((Person("Bo", ("lift",)), Person("Ines", ("lift",))), (bags, dogs))
    >>> criticality(home, "car", durations_s=np.array([[600.0, 500.0], [500.0, 600.0], [700.0, 500.0], [800.0, 300.0]]))
    {'bags': 0.75, 'dogs': 0.25}
    """
    if policy is None:
        policy = schedule_for(household, way)
    lasts_s = _columns(household, policy, durations_s)
    finish_s = _finishes(policy, lasts_s)
    latest_s = np.repeat(_ready(policy, finish_s)[:, np.newaxis], len(policy.tasks), axis=1)
    for task in reversed(policy.order):
        for earlier in policy.waits_for[task]:
            np.minimum(latest_s[:, earlier], latest_s[:, task] - lasts_s[:, task], out=latest_s[:, earlier])
    shares = np.mean(latest_s - finish_s <= TICK_S, axis=0)
    paired = zip(policy.tasks, (float(share) for share in shares), strict=True)
    return dict(sorted(paired, key=lambda pair: -pair[1]))


def saved_before_season(
    household: Household | Plan, way: TaskWay, *, durations_s: NDArray[np.float64], confidence: float
) -> tuple[Saving, ...]:
    """Rank the tasks by what doing them before the season would save, by working each case out anew.

    Without the task the household may follow a new list, or the old one with the task struck out: the better counts.
    What two tasks save together is not the sum of what each saves.

    Parameters
    ----------
    household, way, durations_s
        As for `ready_times`.
    confidence : float
        Share of members that have to be ready, more than 0 and less than 1.

    Returns
    -------
    tuple of Saving
        The largest saving first; tasks that are already done are left out.

    Examples
    --------
    >>> from leaveby.household.plan import Person
    >>> bags = Task("bags", ("tow",), 300.0, 600.0, 900.0)
    >>> wheels = Task("wheels", ("tow",), 1500.0, 2400.0, 4800.0)
    >>> home = Household((Person("Bo", ("lift",)),), (bags, wheels))
    >>> drawn_s = np.array([[600.0, 2400.0], [900.0, 4800.0]])
    >>> savings = saved_before_season(home, "tow", durations_s=drawn_s, confidence=0.95)
    >>> [(saving.task, saving.saved_s) for saving in savings]
    [('wheels', 4800.0), ('bags', 900.0)]
    """
    policy = schedule_for(household, way)
    now_s = at_confidence(ready_times(household, way, durations_s=durations_s, policy=policy), confidence)
    savings = []
    for name in policy.tasks:
        number = next(number for number, task in enumerate(household.tasks) if task.name == name)
        without = replace(household.tasks[number], done_before_season=True)
        changed = replace(household, tasks=(*household.tasks[:number], without, *household.tasks[number + 1 :]))
        # The old list with the task struck out is there in any case, so the new one need not be proved the best.
        anew = schedule(tasks_for(changed, way), changed.people, node_limit=_NODES_PER_CASE)
        struck_s = durations_s.copy()
        struck_s[:, number] = 0.0
        then_s = min(
            at_confidence(ready_times(changed, way, durations_s=durations_s, policy=anew), confidence),
            at_confidence(ready_times(household, way, durations_s=struck_s, policy=policy), confidence),
        )
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


def _finishes(policy: Schedule, lasts_s: NDArray[np.float64]) -> NDArray[np.float64]:
    finish_s = np.zeros_like(lasts_s)
    for task in policy.order:
        start_s = np.full(lasts_s.shape[0], policy.earliest_s[task])
        for earlier in policy.waits_for[task]:
            np.maximum(start_s, finish_s[:, earlier], out=start_s)
        finish_s[:, task] = start_s + lasts_s[:, task]
    return finish_s


def _ready(policy: Schedule, finish_s: NDArray[np.float64]) -> NDArray[np.float64]:
    ready_s: NDArray[np.float64] = np.max(finish_s, axis=1, initial=policy.everyone_home_s)
    return ready_s
