"""How the minutes that were measured in practice runs enter a plan's times.

**A task.** Its own three points weigh as `PRACTICE_PLAN_RUNS` runs, every run as one: the posterior mean of a Dirichlet
process whose base is the three points' distribution (Ferguson 1973, "A Bayesian analysis of some nonparametric
problems", Annals of Statistics 1:209-230; from memory). With k that weight, n runs sorted by length x_1 <= ... <= x_n
and F0 the three points' distribution,

    F(x) = (k F0(x) + sum_i C_i(x)) / (k + n),    C_i(x) = F0(x) [x >= x_i] for i = 1, 2,  [x >= x_i] for i > 2.

So the two quickest runs only lengthen ("at least so long"): one or two good runs shorten nothing, a slower one counts
at once. A run that takes longer never makes a task shorter in any member, since every C_i falls with its x_i; nor does
a run that is added and is slower than all before it and than the longest of the three points.

**What the list misses.** A run's total, less what the schedule says with the run's own times and everybody at home: so
many minutes were in no task. A task that the run does not know takes its likely time there, so that naming what was
missed in the plan takes it off. They come on top of the ready time, as the asked confidence has them over the runs: of
few runs the most.

**The day is not a practice.** Every measured time, and what was missed, is taken longer by the stated shares for
stress, dark and heat (judgement), the last two unless the run was noted as dark or hot.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby import parameters
from leaveby.confidence import longest_at_confidence
from leaveby.household.plan import Durations, Household, Plan, tasks_for
from leaveby.household.plan_tables import Task, TaskWay
from leaveby.household.practice.runs import Practice, Run
from leaveby.household.sampling import chance_below, sample_durations
from leaveby.household.scheduling import schedule
from leaveby.regions import assumed

_NODES: Final = 2000
_SHARES: Final = {
    "weight": parameters.PRACTICE_PLAN_RUNS.value,
    "only": parameters.PRACTICE_ONLY_LONGER.value,
    "stress": 100.0 * parameters.PRACTICE_STRESS_SHARE.value,
    "dark": 100.0 * parameters.PRACTICE_DARK_SHARE.value,
    "heat": 100.0 * parameters.PRACTICE_HEAT_SHARE.value,
}


def practised_durations(
    tasks: Sequence[Task], runs: Sequence[Run], *, members: int, kind: Durations, uniforms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Draw durations as `sample_durations` does, by the three points and the runs (the head of this module).

    Raises InputError as that does.

    Examples
    --------
    >>> from datetime import datetime
    >>> wheels = Task("wheels", ("tow",), 720.0, 1080.0, 2100.0)
    >>> at, half = datetime(2026, 10, 3, 14, 5), np.array([[0.5], [0.95]])
    >>> plan_s = practised_durations((wheels,), (), members=2, kind="beta_pert", uniforms=half)
    >>> slow = Run(at, "tow", (("wheels", 2400.0),), None)
    >>> (practised_durations((wheels,), (slow,), members=2, kind="beta_pert", uniforms=half) > plan_s).tolist()
    [[True], [True]]
    """
    turned, least_s = uniforms.copy(), np.zeros_like(uniforms)
    for column, task in enumerate(tasks):
        times_s = [run.times_s[task.name] * run.on_the_day for run in runs if task.name in run.times_s]
        if times_s and not task.done_before_season:
            turned[:, column], least_s[:, column] = _learned(task, times_s, kind=kind, uniform=uniforms[:, column])
    return np.maximum(sample_durations(tasks, members=members, kind=kind, uniforms=turned), least_s)


def _learned(
    task: Task, times_s: Sequence[float], *, kind: Durations, uniform: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn quantiles of the posterior into quantiles of the three points, and the least that the duration then is.

    Between two measured times F is a multiple of F0 and a constant, so there it is inverted by F0; at a measured time
    it jumps, and whoever falls into the jump takes just that time.
    """
    sorted_s, number = np.sort(np.asarray(times_s, dtype=np.float64)), np.arange(len(times_s) + 1)
    weight = parameters.PRACTICE_PLAN_RUNS.value
    longer = np.minimum(number, int(parameters.PRACTICE_ONLY_LONGER.value))
    below, whole = weight + longer, number - longer
    top = np.append(below[:-1] * chance_below(task, sorted_s, kind=kind) + whole[:-1], np.inf) / (
        weight + sorted_s.size
    )
    part = np.searchsorted(top, uniform, side="left")
    turned = (uniform * (weight + sorted_s.size) - whole[part]) / below[part]
    return np.clip(turned, 0.0, 1.0), np.concatenate(([0.0], sorted_s))[part]


def at_home(household: Household | Plan, done: Collection[str] = ()) -> Household:
    """Give the household as it practises: everybody is at home, and tasks named are done though they count as done."""
    people = tuple(
        replace(one, arrives_after_s=0.0, arrives_soonest_s=None, arrives_latest_s=None) for one in household.people
    )
    tasks = tuple(
        replace(task, done_before_season=task.done_before_season and task.name not in done) for task in household.tasks
    )
    return Household(people, tasks, household.vehicles, household.animals)


def planned_s(household: Household | Plan, way: TaskWay) -> float:
    """Work out what a run would take by the plan: its list at the likely times, everybody at home."""
    crew = at_home(household)
    return schedule(tasks_for(crew, way), crew.people, node_limit=_NODES).ready_s


def predicted_s(household: Household | Plan, run: Run) -> float:
    """Work out what the schedule says with a run's own times; likely ones where it has none."""
    crew = at_home(household, run.times_s)
    lasts_s = {task.name: task.likely_s for task in crew.tasks} | dict(run.lasts_s)
    tasks = tuple(
        replace(task, shortest_s=lasts_s[task.name], likely_s=lasts_s[task.name], longest_s=lasts_s[task.name])
        for task in tasks_for(crew, run.way)
    )
    return schedule(tasks, crew.people, node_limit=_NODES).ready_s


def missed_of_s(household: Household | Plan, run: Run) -> float:
    """How much of a run was in no task, in seconds; 0 where it was not ended."""
    return 0.0 if run.total_s is None else max(0.0, run.total_s - predicted_s(household, run))


def missed_s(household: Household | Plan, runs: Sequence[Run], *, confidence: float) -> dict[TaskWay, float]:
    """By way, what comes on top of the ready time for what its list misses; ways without an ended run stand out."""
    found: dict[TaskWay, list[float]] = {}
    for run in runs:
        if run.total_s is not None:
            found.setdefault(run.way, []).append(run.on_the_day * missed_of_s(household, run))
    return {way: longest_at_confidence(np.array(each), confidence) for way, each in found.items()}


def practice_said(household: Household | Plan, practice: Practice, *, confidence: float) -> tuple[str, ...]:
    """Say how practice runs enter, what they could not be matched with, and what the list misses."""
    known, people = {task.name for task in household.tasks}, {person.name for person in household.people}
    runs, said = practice.runs, [*_say("rule", **_SHARES)]
    for way, more_s in missed_s(household, runs, confidence=confidence).items():
        worst = max((run for run in runs if run.way == way), key=lambda run: missed_of_s(household, run))
        missed, total, more = map(whole_minutes, (missed_of_s(household, worst), worst.total_s or 0.0, more_s))
        if more:
            said += _say("missed", missed=missed, total=total, way=way, day=day_of(worst), more=more)
    strange = [task for run in runs for task in (*run.times_s, *run.open) if task not in known]
    renamed = [name for run in runs for name in run.who if name not in people]
    said += _say("strange", names=_quoted(strange)) if strange else ()
    said += _say("renamed", names=_quoted(renamed)) if renamed else ()
    for run in runs:
        said += _say("not_ended", day=day_of(run), way=run.way) if run.total_s is None else ()
        said += _say("open", day=day_of(run), way=run.way, names=_quoted(run.open)) if run.open else ()
    return (*said, *practice.said)


_say: Final = partial(assumed, "household/practice/said")


def _quoted(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in dict.fromkeys(names))


def day_of(run: Run) -> str:
    """The day of a run in words."""
    return f"{run.began.day} {run.began:%B %Y}"


def whole_minutes(time_s: float) -> int:
    """Minutes, rounded up."""
    return math.ceil(time_s / 60.0 - 1e-9)
