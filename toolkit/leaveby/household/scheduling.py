"""Who does what in which order: a crew-limited schedule of the tasks.

Each person is a renewable resource of one, with skills and a time of arrival (the likely one). A serial schedule
generation scheme (Kolisch 1996, European Journal of Operational Research 90:320-333; from memory) is run over lists
made by several priority rules, each improved forward and backward, then by moving single tasks in the list and single
people between tasks. Where that leaves a gap to the lower bound, an exact search follows
(`searched`). The bound is kept with the schedule; when it is proved the best, the two are equal.

The schedule fixes who does what in which order: the list on the fridge. Under it every start is a maximum of finishes
and arrivals, so a longer task or a later arrival never makes the household ready earlier; a crew that chose anew at
every moment could be (anomalies: `leaveby.household.catalogue`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from graphlib import CycleError, TopologicalSorter
from itertools import combinations
from typing import Final

from leaveby.errors import Faults
from leaveby.household.catalogue import TaskList
from leaveby.household.crew import (
    TICK_S,
    Crew,
    Draft,
    backward,
    common_step,
    heads_and_tails,
    held_order,
    list_by,
    lower_bound,
    serial,
)
from leaveby.household.plan import arrival_faults, can_do
from leaveby.household.plan_tables import Person, Task

NODE_LIMIT: Final = 20_000
"""Branches of the exact search; enough to prove the best schedule of most households of a dozen tasks."""

_SEARCH_LIMIT: Final = 400
"""Schedules that may be tried after the priority rules."""


@dataclass(frozen=True)
class Schedule:
    """Who does what in which order, with its times, in seconds from the start of getting ready.

    - `tasks`: names, in the order in which they were given; the other fields follow it.
    - `ready_s`, `everyone_home_s`: when everything is done and everyone has arrived; when the last person arrives.
    - `float_s`: how much longer each task may take before `ready_s` moves, the order and the people held.
    - `critical`: tasks without float: any of them a little longer makes the household ready later.
    - `order`: the list on the fridge: positions of the tasks by start.
    - `waits_for`: for each task, positions of those that have to be finished first: the ones it comes `after`, and
      those that its people do just before.
    - `lower_bound_s`: no schedule for these durations is ready before this.
    """

    tasks: tuple[str, ...]
    start_s: tuple[float, ...]
    finish_s: tuple[float, ...]
    who: tuple[tuple[str, ...], ...]
    ready_s: float
    everyone_home_s: float
    float_s: tuple[float, ...]
    critical: tuple[str, ...]
    order: tuple[int, ...]
    waits_for: tuple[tuple[int, ...], ...]
    lower_bound_s: float


def schedule(
    tasks: Sequence[Task],
    people: Sequence[Person],
    *,
    node_limit: int = NODE_LIMIT,
) -> Schedule:
    """Schedule tasks, those of one way as `tasks_for` picks them, for a crew, as early as can be found.

    Everyone arrives at the likely time; those with an empty `can` take no task, but they still have to arrive. A task
    that is done before the season takes no time and no hands. `node_limit` are the branches of the exact search that
    follows when the priority rules leave a gap to the lower bound.

    Raises InputError when there is nobody, a task names an unknown predecessor, the tasks wait for each other in a
    ring, too few people can do a task, or a likely duration or arrival is negative or not finite.

    Examples
    --------
    >>> def task(name, minutes, hands=1, after=()):
    ...     return Task(name, ("tow",), 60.0 * minutes, 60.0 * minutes, 60.0 * minutes, hands=hands, after=after)
    >>> crew = (Person("Ines", can=("lift",)), Person("Bo", can=("lift",)))
    >>> made = schedule((task("wheels", 40, hands=2), task("gas", 5), task("hitch", 10, after=("wheels",))), crew)
    >>> made.ready_s / 60, made.critical
    (50.0, ('wheels', 'hitch'))
    """
    return _made(tuple(tasks), tuple(people), node_limit)


@lru_cache(maxsize=256)
def _made(tasks: tuple[Task, ...], people: tuple[Person, ...], node_limit: int) -> Schedule:
    """Make the schedule; an answer asks for the same one again for every batch of members and every other fire."""
    crew = _crew(tasks, people)
    bound_s = lower_bound(crew)
    best = _moved_about(crew, _best_by_rules(crew, bound_s))
    if best.ready_s > bound_s + TICK_S:
        found, proved = searched(crew, best, node_limit=node_limit)
        if proved:
            bound_s = found.ready_s
        if found is not best:
            best = _moved_about(crew, found)
    return _finished(crew, best, tasks=tasks, people=people, bound_s=bound_s)


def _crew(tasks: Sequence[Task], people: Sequence[Person]) -> Crew:
    faults = Faults()
    if not people:
        faults.add("people", "is empty", "at least one person", "add who lives there")
    faults += arrival_faults(people)
    names = [task.name for task in tasks]
    position = {name: number for number, name in enumerate(names)}
    before: list[tuple[int, ...]] = []
    for task in tasks:
        place = f'task "{task.name}"'
        if not (math.isfinite(task.likely_s) and task.likely_s >= 0):
            faults.add(place, f"lasts {task.likely_s} s", "seconds, finite and 0 or more", "correct the duration")
        for name in (name for name in task.after if name not in position):
            faults.tell(f"{place}: after", "unknown_predecessor", name=name)
        before.append(tuple(position[name] for name in task.after if name in position))
    if len(position) != len(names):
        faults.add("tasks", "hold the same name twice", "names that stand once", "rename one")
    try:
        TopologicalSorter(dict(enumerate(before))).prepare()
    except CycleError as error:
        ring = " before ".join(f'"{names[number]}"' for number in error.args[1])
        faults.add("tasks", f"wait for each other in a ring: {ring}", "an order", "take one name out of after")
    hands = tuple(0 if task.done_before_season else task.hands for task in tasks)
    able = tuple(
        tuple(number for number, person in enumerate(people) if can_do(person.can, task.needs)) for task in tasks
    )
    for task, count, who in zip(tasks, hands, able, strict=True):
        if count > len(who):
            faults.tell(f'task "{task.name}": hands', "too_few_hands", count=count, able=len(who))
    faults.refuse()
    behind: list[list[int]] = [[] for _ in tasks]
    for number, ahead in enumerate(before):
        for earlier in ahead:
            behind[earlier].append(number)
    lasts_s = tuple(0.0 if task.done_before_season else float(task.likely_s) for task in tasks)
    sought = [0.0] * len(people)
    for number, who in enumerate(able):
        for person in who:
            sought[person] += lasts_s[number] * hands[number] / len(who)
    return Crew(
        before=tuple(before),
        behind=tuple(tuple(later) for later in behind),
        durations_s=lasts_s,
        longest_s=tuple(
            0.0 if task.done_before_season else max(task.longest_s, lasts)
            for task, lasts in zip(tasks, lasts_s, strict=True)
        ),
        hands=hands,
        able=able,
        arrives_s=tuple(person.arrives_after_s for person in people),
        arrives_soonest_s=tuple(person.arrival_points_s[0] for person in people),
        arrives_latest_s=tuple(person.arrival_points_s[2] for person in people),
        sought=tuple(sought),
    )


def schedule_of(tasks: Sequence[Task], people: Sequence[Person], listed: TaskList) -> Schedule:
    """Lay out a list at the likely durations and arrivals, for the tasks and people that it was made for."""
    crew = _crew(tasks, people)
    free_s, start_s = list(crew.arrives_s), [0.0] * len(tasks)
    finish_s = [0.0] * len(tasks)
    for task in listed.order:
        ahead_s = (finish_s[earlier] for earlier in crew.before[task])
        start_s[task] = max((*ahead_s, *(free_s[person] for person in listed.who[task]), 0.0))
        finish_s[task] = start_s[task] + crew.durations_s[task]
        for person in listed.who[task]:
            free_s[person] = finish_s[task]
    draft = Draft(listed.order, frozenset(), tuple(start_s), listed.who, max((*finish_s, *crew.arrives_s)))
    return _finished(crew, draft, tasks=tasks, people=people, bound_s=lower_bound(crew))


def _best_by_rules(crew: Crew, bound_s: float) -> Draft:
    heads, tails = heads_and_tails(crew)
    count = len(tails)
    works = [crew.hands[task] * crew.durations_s[task] for task in range(count)]
    rules = (
        [-tail for tail in tails],
        [crew.durations_s[task] - tails[task] for task in range(count)],
        [-crew.hands[task] * tails[task] for task in range(count)],
        [len(crew.able[task]) - crew.hands[task] - 1e-9 * tails[task] for task in range(count)],
        [-(works[task] + sum(works[later] for later in crew.behind[task])) for task in range(count)],
        [heads[task] for task in range(count)],
        [float(task) for task in range(count)],
    )
    best: Draft | None = None
    for rule in rules:
        draft = _improved_both_ways(crew, serial(crew, list_by(crew, rule)))
        if best is None or _better(crew, draft, best):
            best = draft
        if best.ready_s <= bound_s + TICK_S:
            return best
    assert best is not None
    return best


def _better(crew: Crew, one: Draft, other: Draft) -> bool:
    """Compare by the ready time, then with order and people held: by that at the longest and latest, then the soonest.

    The last because someone who is likely to be waited for hides how well the others' work is laid out.
    """
    if abs(one.ready_s - other.ready_s) > TICK_S:
        return one.ready_s < other.ready_s
    held: dict[str, Sequence[float]] = {"lasts_s": crew.longest_s, "home_s": crew.arrives_latest_s}
    sooner_s = _ready_when_held(crew, other, **held) - _ready_when_held(crew, one, **held)
    if abs(sooner_s) <= TICK_S and crew.arrives_soonest_s != crew.arrives_s:
        held = {"lasts_s": crew.durations_s, "home_s": crew.arrives_soonest_s}
        sooner_s = _ready_when_held(crew, other, **held) - _ready_when_held(crew, one, **held)
    return sooner_s > TICK_S


def _ready_when_held(crew: Crew, draft: Draft, *, lasts_s: Sequence[float], home_s: Sequence[float]) -> float:
    """Work out the ready time under other durations and arrivals, with order and people held."""
    order, waits_for = held_order(crew, draft)
    finish_s = [0.0] * len(order)
    for task in order:
        start_s = max(
            (*(finish_s[earlier] for earlier in waits_for[task]), *(home_s[one] for one in draft.who[task]), 0.0)
        )
        finish_s[task] = start_s + lasts_s[task]
    return max((*finish_s, *home_s))


def _improved_both_ways(crew: Crew, draft: Draft) -> Draft:
    mirror = backward(crew)
    while True:
        ends = [-(draft.start_s[task] + crew.durations_s[task]) for task in range(len(draft.order))]
        late = serial(mirror, list_by(mirror, ends), spared=draft.spared)
        starts = [-(late.start_s[task] + crew.durations_s[task]) for task in range(len(draft.order))]
        again = serial(crew, list_by(crew, starts), spared=draft.spared)
        if again.ready_s >= draft.ready_s - TICK_S:
            return draft
        draft = again


def _moved_about(crew: Crew, best: Draft) -> Draft:
    """Move one task in the list, or spare one person one task, as long as that is better.

    Also where the ready time can't be bettered: among equals the list is kept that suffers least when tasks take long.
    """
    tried, moved = 0, True
    while moved and tried < _SEARCH_LIMIT:
        moved = False
        for order, spared in _neighbours(crew, best):
            tried += 1
            draft = serial(crew, order, spared=spared)
            if _better(crew, draft, best):
                best, moved = _improved_both_ways(crew, draft), True
                break
            if tried >= _SEARCH_LIMIT:
                break
    return best


def _neighbours(crew: Crew, draft: Draft) -> Iterable[tuple[tuple[int, ...], frozenset[tuple[int, int]]]]:
    order = list(draft.order)
    place = {task: number for number, task in enumerate(order)}
    for task in order:
        for person in draft.who[task]:
            if len(crew.able[task]) > crew.hands[task]:
                yield draft.order, draft.spared ^ {(task, person)}
        low = max((place[earlier] + 1 for earlier in crew.before[task]), default=0)
        high = min((place[later] for later in crew.behind[task]), default=len(order))
        rest = order[: place[task]] + order[place[task] + 1 :]
        for number in range(low, high):
            if number != place[task]:
                yield (*rest[:number], task, *rest[number:]), draft.spared


def _finished(crew: Crew, draft: Draft, *, tasks: Sequence[Task], people: Sequence[Person], bound_s: float) -> Schedule:
    order, waits_for = held_order(crew, draft)
    finish_s = tuple(draft.start_s[task] + crew.durations_s[task] for task in range(len(tasks)))
    latest_s = [draft.ready_s] * len(tasks)
    for task in reversed(order):
        for earlier in waits_for[task]:
            latest_s[earlier] = min(latest_s[earlier], latest_s[task] - crew.durations_s[task])
    float_s = tuple(max(0.0, latest_s[task] - finish_s[task]) for task in range(len(tasks)))
    return Schedule(
        tasks=tuple(task.name for task in tasks),
        start_s=draft.start_s,
        finish_s=finish_s,
        who=tuple(tuple(people[person].name for person in who) for who in draft.who),
        ready_s=draft.ready_s,
        everyone_home_s=max(crew.arrives_s),
        float_s=float_s,
        critical=tuple(task.name for task, spare_s in zip(tasks, float_s, strict=True) if spare_s <= TICK_S),
        order=order,
        waits_for=waits_for,
        lower_bound_s=bound_s,
    )


@dataclass
class _Search:
    """What the branches share. Changed as the search goes on, and thrown away after it."""

    crew: Crew
    tails: list[float]
    least_s: float
    gain_s: float
    """A better schedule is better by at least this."""
    nodes_left: int
    kinds: list[int]
    """For each person the first one with the same skills: those can stand in for each other."""
    groups: list[tuple[int, ...]]
    """The people who can do some task, and everyone: work that only a group can do is shared within it."""
    inside: list[list[int]]
    """For each task the groups within which it has to be done."""
    best: list[tuple[int, float, tuple[int, ...]]] | None = None
    seen: dict[int, list[tuple[float, ...]]] = field(default_factory=dict)


def searched(crew: Crew, draft: Draft, *, node_limit: int) -> tuple[Draft, bool]:
    """Look for a schedule that is ready earlier than the best known; tell whether none was left to look at.

    Every schedule in which nothing can start earlier by itself is reached by placing the tasks in the order of their
    starts, each as soon as its predecessors and its people allow. Branches are cut by bounds from below, and where the
    same tasks were placed before with everything at least as early (branch and bound with dominance; common practice of
    the field).
    """
    people = range(len(crew.arrives_s))
    skills = [frozenset(task for task, able in enumerate(crew.able) if person in able) for person in people]
    groups = sorted({*crew.able, tuple(people)})
    search = _Search(
        crew=crew,
        tails=heads_and_tails(crew)[1],
        least_s=draft.ready_s,
        gain_s=max(TICK_S, common_step(crew) - TICK_S),
        nodes_left=node_limit,
        kinds=[skills.index(skill) for skill in skills],
        groups=groups,
        inside=[
            [number for number, group in enumerate(groups) if crew.hands[task] and set(group).issuperset(able)]
            for task, able in enumerate(crew.able)
        ],
    )
    _branch(search, 0, 0.0, list(crew.arrives_s), [0.0] * len(crew.hands), max(crew.arrives_s), [])
    proved = search.nodes_left > 0
    if search.best is None:
        return draft, proved
    order = tuple(task for task, _, _ in search.best)
    placed = sorted(search.best)
    return (
        Draft(
            order=order,
            spared=frozenset(),
            start_s=tuple(start_s for _, start_s, _ in placed),
            who=tuple(who for _, _, who in placed),
            ready_s=search.least_s,
        ),
        proved,
    )


def _branch(
    search: _Search,
    placed: int,
    now_s: float,
    free_s: list[float],
    finish_s: list[float],
    ready_s: float,
    path: list[tuple[int, float, tuple[int, ...]]],
) -> None:
    """Place every task that can come next. `placed` is a set of bits; `now_s` is the last start so far."""
    crew = search.crew
    if search.nodes_left <= 0:
        return
    search.nodes_left -= 1
    if len(path) == len(crew.hands):
        if ready_s < search.least_s - search.gain_s:
            search.least_s, search.best = ready_s, list(path)
        return
    if _cut(search, placed, now_s, free_s, finish_s) or _seen_before(search, placed, now_s, free_s, finish_s, ready_s):
        return
    choices: list[tuple[float, float, int, tuple[int, ...]]] = []
    for task, ahead in enumerate(crew.before):
        if placed >> task & 1 or not all(placed >> earlier & 1 for earlier in ahead):
            continue
        from_s = max((now_s, *(finish_s[earlier] for earlier in ahead)))
        for who in _crews(search, task, free_s):
            start_s = max((from_s, *(free_s[person] for person in who)))
            choices.append((start_s, -search.tails[task], task, who))
    for start_s, _, task, who in sorted(choices):
        if start_s + search.tails[task] >= search.least_s - search.gain_s:
            continue
        end_s = start_s + crew.durations_s[task]
        then_free_s = list(free_s)
        for person in who:
            then_free_s[person] = end_s
        then_finish_s = list(finish_s)
        then_finish_s[task] = end_s
        path.append((task, start_s, who))
        _branch(search, placed | 1 << task, start_s, then_free_s, then_finish_s, max(ready_s, end_s), path)
        path.pop()


def _crews(search: _Search, task: int, free_s: list[float]) -> Iterator[tuple[int, ...]]:
    """Give the crews for a task; of people with the same skills always those who are free first."""
    hands = search.crew.hands[task]
    able = sorted(search.crew.able[task], key=lambda person: (search.kinds[person], free_s[person], person))
    met: set[tuple[int, ...]] = set()
    for who in combinations(able, hands):
        kinds = tuple(search.kinds[person] for person in who)
        # Combinations come in the order of `able`, so the first of each mixture takes the earliest of each kind.
        if kinds not in met:
            met.add(kinds)
            yield tuple(sorted(who))


def _cut(search: _Search, placed: int, now_s: float, free_s: list[float], finish_s: list[float]) -> bool:
    """Tell whether whatever follows is ready no earlier than the best that is known."""
    crew = search.crew
    limit_s = search.least_s - search.gain_s
    works_s = [0.0] * len(search.groups)
    for task, ahead in enumerate(crew.before):
        if placed >> task & 1:
            continue
        from_s = max((now_s, *(finish_s[earlier] for earlier in ahead if placed >> earlier & 1)))
        hands = crew.hands[task]
        if hands:
            from_s = max(from_s, sorted(free_s[person] for person in crew.able[task])[hands - 1])
        if from_s + search.tails[task] >= limit_s:
            return True
        for number in search.inside[task]:
            works_s[number] += hands * crew.durations_s[task]
    left_s = [max(0.0, limit_s - max(now_s, moment)) for moment in free_s]
    return any(
        work_s > sum(left_s[person] for person in group) for group, work_s in zip(search.groups, works_s, strict=True)
    )


def _seen_before(
    search: _Search, placed: int, now_s: float, free_s: list[float], finish_s: list[float], ready_s: float
) -> bool:
    """Tell whether the same tasks were placed before with everything at least as early; else remember this."""
    crew = search.crew
    by_kind = sorted((search.kinds[person], max(now_s, moment)) for person, moment in enumerate(free_s))
    waited_for = [
        max(now_s, finish_s[task])
        for task, later in enumerate(crew.behind)
        if placed >> task & 1 and any(not placed >> one & 1 for one in later)
    ]
    state = (now_s, ready_s, *(moment for _, moment in by_kind), *waited_for)
    known = search.seen.setdefault(placed, [])
    if any(all(before <= here + TICK_S for before, here in zip(other, state, strict=True)) for other in known):
        return True
    known.append(state)
    return False
