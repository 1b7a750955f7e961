"""What was practised, in words and as data: how often, when last, how long against the plan, what was in no task."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from matplotlib.figure import Figure

from leaveby.household.plan import Plan
from leaveby.household.plan_tables import TASK_WAYS
from leaveby.household.practice.learned import missed_of_s, planned_s, whole_minutes
from leaveby.household.practice.runs import Run
from leaveby.show import figure as paper
from leaveby.show import wording
from leaveby.show.templates import sentences

STALE_AFTER: Final = timedelta(days=366)
"""A practice that is older than a year says little of today."""

_TEMPLATE: Final = "show/plan/practice.txt.j2"


def runs_for(plan: Plan, way: str) -> tuple[Run, ...]:
    """The practice runs of one way, by when they began."""
    return () if plan.practice is None else tuple(run for run in plan.practice.runs if run.way == way)


def is_stale(run: Run, made_at: datetime) -> bool:
    """Whether a run lies more than a year before a moment."""
    return made_at.replace(tzinfo=None) - run.began > STALE_AFTER


def practised_words(plan: Plan, way: str, *, made_at: datetime, short: bool = False) -> str:
    """Say how often a way was practised, when last, and how long it took; "" where it never was."""
    runs = runs_for(plan, way)
    if not runs:
        return ""
    ended = [run for run in runs if run.total_s is not None]
    (said,) = sentences(
        _TEMPLATE,
        kind="practised",
        count=len(runs),
        last=runs[-1].began,
        stale=is_stale(runs[-1], made_at),
        short=short,
        total=whole_minutes(ended[-1].total_s or 0.0) if ended else None,
        planned=whole_minutes(planned_s(plan, runs[-1].way)),
    )
    return said


def practice_lines(plan: Plan, *, made_at: datetime) -> list[str]:
    """For each way that was practised how often, when last and how long, and what its last run had in no task."""
    told = []
    for way in TASK_WAYS:
        words, runs = practised_words(plan, way, made_at=made_at), runs_for(plan, way)
        if words:
            missed = whole_minutes(missed_of_s(plan, runs[-1]))
            told += sentences(
                _TEMPLATE, kind="lines", way=wording.WAY_TITLES.get(way, "Shelter"), words=words, missed=missed
            )
    return told


def run_words(plan: Plan, run: Run) -> tuple[str, ...]:
    """Say how a run that was ended went: its total against the plan, what was in no task, what took longer."""
    likely_s = {task.name: task.likely_s for task in plan.tasks}
    slower = [
        (wording.clean(name, 60), whole_minutes(time_s), whole_minutes(likely_s[name]))
        for name, time_s in run.lasts_s
        if name in likely_s and time_s > likely_s[name]
    ]
    told = {"total": whole_minutes(run.total_s or 0.0), "planned": whole_minutes(planned_s(plan, run.way))}
    left = [
        wording.clean(task.name, 60) for task in plan.tasks if run.way in task.ways and task.name not in run.times_s
    ]
    missed = whole_minutes(missed_of_s(plan, run))
    return tuple(sentences(_TEMPLATE, kind="run", missed=missed, slower=slower, left=left, **told))


def practice_record(plan: Plan, *, made_at: datetime) -> dict[str, Any]:
    """Lay out the practice runs by way; an empty table where there are none."""
    found = dict[str, Any]()
    for way in TASK_WAYS:
        runs = runs_for(plan, way)
        if runs:
            found[way] = {
                "sentence": practised_words(plan, way, made_at=made_at),
                "stale": is_stale(runs[-1], made_at),
                "planned_min": wording.minutes_up(planned_s(plan, way)),
                "runs": [_run_record(plan, run) for run in runs],
            }
    return found


def _run_record(plan: Plan, run: Run) -> dict[str, Any]:
    return {
        "began": run.began.isoformat(timespec="seconds"),
        "total_min": None if run.total_s is None else wording.minutes_up(run.total_s),
        "missed_min": None if run.total_s is None else wording.minutes_up(missed_of_s(plan, run)),
        "noted": sorted(run.noted),
        "tasks": [{"task": name, "lasted_min": wording.minutes_up(time_s)} for name, time_s in run.lasts_s],
    }


def practice_bars(plan: Plan, way: str, tasks: Sequence[str]) -> Figure:
    """Draw each task's planned minutes as a bar from the shortest to the longest, and every run as a dot on it."""
    runs, planned = runs_for(plan, way), {task.name: task for task in plan.tasks}
    with paper.figure_style():
        drawn = paper.blank_figure(178.0, 22.0 + 5.0 * max(len(tasks), 2))
        axes = drawn.add_subplot()
        for row, name in enumerate(tasks):
            low, likely, high = (
                at / 60.0 for at in (planned[name].shortest_s, planned[name].likely_s, planned[name].longest_s)
            )
            axes.barh(row, high - low, left=low, height=0.6, facecolor="white", edgecolor=paper.INK, linewidth=0.7)
            axes.plot([likely, likely], [row - 0.3, row + 0.3], color=paper.INK, linewidth=1.6)
            at = [run.times_s[name] / 60.0 for run in runs if name in run.times_s]
            axes.plot(at, [row] * len(at), linestyle="none", marker="o", color=paper.INK, markersize=4.0)
        names = [wording.clean(name, 48) for name in tasks]
        paper.name_rows(axes, names, low=max(len(tasks), 1) - 0.4, high=-0.6, size=6.6)
        axes.set_xlabel("minutes: planned from shortest to longest with the likely one marked; dots are your runs")
        axes.set_xlim(left=0.0)
    return drawn


def describe_bars(plan: Plan, way: str, tasks: Sequence[str]) -> str:
    """Say what the bars show."""
    runs, planned = runs_for(plan, way), {task.name: task for task in plan.tasks}
    rows = [
        (
            wording.clean(name, 60),
            whole_minutes(planned[name].likely_s),
            [whole_minutes(run.times_s[name]) for run in runs if name in run.times_s],
        )
        for name in tasks
    ]
    return " ".join(sentences(_TEMPLATE, kind="bars", rows=rows))
