"""Random changes of a plan that can only make it harder: a task more, a longer one, a pair of hands or an ability less.

Also an ignition more. Kept apart from the tests that use them, in this folder and among the benchmarks.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from leaveby.household.plan import Plan, can_do
from leaveby.household.plan_tables import TASK_WAYS, IgnitionInput, Task, TaskWay

KINDS = ("task", "longer", "hands", "ability", "person")


def harder_household(plan: Plan, rng: np.random.Generator, *, number: int) -> tuple[str, Plan]:
    """Change the household's side of a plan at random, and say what was changed.

    Longer is a task of which all three times are later by as much or longer by the same factor, or whose likely time is
    later. A change that leaves a task without enough people who can do it is drawn anew.
    """
    while True:
        kind = KINDS[int(rng.integers(len(KINDS)))]
        if kind == "task":
            changed = _with_task(plan, rng, name=f"extra task {number}")
        elif kind == "longer":
            changed = _longer(plan, rng)
        else:
            changed = _fewer_hands(plan, rng, kind)
        if changed is not None:
            return kind, changed


def _with_task(plan: Plan, rng: np.random.Generator, *, name: str) -> Plan:
    ways: list[TaskWay] = [way for way in TASK_WAYS if rng.random() < 0.6] or ["car"]
    likely_s = float(rng.uniform(30.0, 1500.0))
    hands = int(rng.integers(1, 3))
    needs = ("lift",) if rng.random() < 0.3 else ()
    if sum(can_do(person.can, needs) for person in plan.people) < hands:
        hands, needs = 1, ()
    names = [task.name for task in plan.tasks]
    after = tuple(str(one) for one in rng.choice(names, size=int(rng.integers(0, 3)), replace=False))
    extra = Task(
        name,
        tuple(ways),
        likely_s * rng.uniform(0.3, 1.0),
        likely_s,
        likely_s * rng.uniform(1.0, 4.0),
        hands,
        needs,
        after,
    )
    place = int(rng.integers(len(names) + 1))
    return replace(plan, tasks=(*plan.tasks[:place], extra, *plan.tasks[place:]))


def _longer(plan: Plan, rng: np.random.Generator) -> Plan:
    number = int(rng.integers(len(plan.tasks)))
    task = plan.tasks[number]
    how = int(rng.integers(3))
    if how == 0:
        by_s = float(rng.uniform(1.0, 900.0))
        points = {key: getattr(task, key) + by_s for key in ("shortest_s", "likely_s", "longest_s")}
    elif how == 1:
        times = float(rng.uniform(1.0, 2.5))
        points = {key: getattr(task, key) * times for key in ("shortest_s", "likely_s", "longest_s")}
    else:
        points = {"likely_s": float(rng.uniform(task.likely_s, task.longest_s))}
    return replace(plan, tasks=(*plan.tasks[:number], replace(task, **points), *plan.tasks[number + 1 :]))


def _fewer_hands(plan: Plan, rng: np.random.Generator, kind: str) -> Plan | None:
    number = int(rng.integers(len(plan.people)))
    person = plan.people[number]
    if kind == "person" and person.is_away:
        return None  # without someone who is waited for one may well be ready sooner
    kept = () if kind == "hands" else tuple(word for word in person.can if rng.random() < 0.5)
    one = () if kind == "person" else (replace(person, can=kept),)
    people = (*plan.people[:number], *one, *plan.people[number + 1 :])
    enough = all(sum(can_do(one.can, task.needs) for one in people) >= task.hands for task in plan.tasks)
    return replace(plan, people=people) if people and enough else None


def ignition_more(plan: Plan, rng: np.random.Generator, *, number: int, lon_lat_deg: tuple[float, float]) -> Plan:
    """Add an ignition at a place, with the first one or after it."""
    unseen_s = float(rng.choice([0.0, 1200.0]))
    at = plan.starts_at + timedelta(minutes=float(rng.uniform(0.0, 120.0)))
    extra = IgnitionInput(f"extra fire {number}", at, (lon_lat_deg,), unseen_up_to_s=unseen_s)
    return replace(plan, ignitions=(*plan.ignitions, extra))
