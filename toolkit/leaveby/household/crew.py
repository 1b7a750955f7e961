"""The tasks and people as numbers, one schedule from one list, and what bounds every schedule from below.

Knows nothing of names. `leaveby.household.scheduling` searches among the lists.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

TICK_S: Final = 1e-6
"""Times nearer to each other than this are the same."""


@dataclass(frozen=True)
class Crew:
    """The tasks and people as numbers."""

    before: tuple[tuple[int, ...], ...]
    behind: tuple[tuple[int, ...], ...]
    durations_s: tuple[float, ...]
    longest_s: tuple[float, ...]
    hands: tuple[int, ...]
    able: tuple[tuple[int, ...], ...]
    arrives_s: tuple[float, ...]
    arrives_soonest_s: tuple[float, ...]
    arrives_latest_s: tuple[float, ...]
    sought: tuple[float, ...]
    """How much work could be asked of each person: the least sought is put on a task first."""


@dataclass(frozen=True)
class Draft:
    """One schedule: the list it was made from, who was spared what, and what came of it."""

    order: tuple[int, ...]
    spared: frozenset[tuple[int, int]]
    start_s: tuple[float, ...]
    who: tuple[tuple[int, ...], ...]
    ready_s: float


def common_step(crew: Crew) -> float:
    """Find the largest whole number of seconds that divides every duration and arrival; 0 when there is none.

    All starts in a schedule in which nothing can start earlier by itself are multiples of it, so that bounds may be
    rounded up and improvements are at least that large.
    """
    times_s = (*crew.durations_s, *crew.arrives_s)
    if any(abs(one - round(one)) > TICK_S for one in times_s):
        return 0.0
    return float(math.gcd(*(round(one) for one in times_s)))


def serial(crew: Crew, order: Sequence[int], *, spared: frozenset[tuple[int, int]] = frozenset()) -> Draft:
    """Place the tasks of a list one by one at the earliest time at which enough of those who can are free.

    `spared` holds (task, person) pairs that are not used where enough others can do the task.
    """
    count = len(crew.hands)
    busy: list[list[tuple[float, float]]] = [[] for _ in crew.arrives_s]
    start_s, finish_s = [0.0] * count, [0.0] * count
    who: list[tuple[int, ...]] = [()] * count
    last: list[tuple[float, int | None]] = [(0.0, None) for _ in crew.arrives_s]

    def kept_free(person: int, task: int) -> tuple[bool, float, int]:
        # Whoever did what this task waits for anyway adds no new waiting; else whoever has been idle the longest.
        end_s, done = last[person]
        return done not in crew.before[task], end_s, person

    for task in order:
        lasts_s, hands = crew.durations_s[task], crew.hands[task]
        able = [person for person in crew.able[task] if (task, person) not in spared]
        if len(able) < hands:
            able = list(crew.able[task])
        at_s = max((finish_s[earlier] for earlier in crew.before[task]), default=0.0)
        if hands:
            moments = {at_s}
            for person in able:
                moments.add(crew.arrives_s[person])
                moments.update(end for _, end in busy[person])
            for moment in sorted(moments):
                if moment < at_s:
                    continue
                until = moment + lasts_s
                free = [
                    person
                    for person in able
                    if crew.arrives_s[person] <= moment
                    and not any(begin < until and end > moment for begin, end in busy[person])
                ]
                if len(free) >= hands:
                    at_s = moment
                    free.sort(key=lambda person: (crew.sought[person], *kept_free(person, task)))
                    who[task] = tuple(sorted(free[:hands]))
                    break
        start_s[task], finish_s[task] = at_s, at_s + lasts_s
        for person in who[task]:
            busy[person].append((at_s, at_s + lasts_s))
            last[person] = max(last[person], (at_s + lasts_s, task), key=lambda done: done[0])
    ready_s = max((*finish_s, *crew.arrives_s))
    return Draft(tuple(order), spared, tuple(start_s), tuple(who), ready_s)


def list_by(crew: Crew, key: Sequence[float]) -> tuple[int, ...]:
    """Make a list in which every task stands behind those it waits for, else by rising key."""
    waiting = [len(set(ahead)) for ahead in crew.before]
    heap = [(key[task], task) for task, left in enumerate(waiting) if left == 0]
    heapq.heapify(heap)
    order: list[int] = []
    while heap:
        _, task = heapq.heappop(heap)
        order.append(task)
        for later in set(crew.behind[task]):
            waiting[later] -= 1
            if waiting[later] == 0:
                heapq.heappush(heap, (key[later], later))
    return tuple(order)


def backward(crew: Crew) -> Crew:
    """Turn the time around: what came before comes behind, and everyone is there."""
    there_s = (0.0,) * len(crew.arrives_s)
    return replace(
        crew,
        before=crew.behind,
        behind=crew.before,
        arrives_s=there_s,
        arrives_soonest_s=there_s,
        arrives_latest_s=there_s,
    )


def heads_and_tails(crew: Crew) -> tuple[list[float], list[float]]:
    """Earliest start, and longest stretch from the start to the end of everything, with hands unlimited."""
    order = list_by(crew, [0.0] * len(crew.hands))
    heads, tails = [0.0] * len(order), [0.0] * len(order)
    for task in order:
        arrivals = sorted(crew.arrives_s[person] for person in crew.able[task])
        home_s = arrivals[crew.hands[task] - 1] if crew.hands[task] else 0.0
        heads[task] = max([home_s, *(heads[earlier] + crew.durations_s[earlier] for earlier in crew.before[task])])
    for task in reversed(order):
        tails[task] = crew.durations_s[task] + max((tails[later] for later in crew.behind[task]), default=0.0)
    return heads, tails


def lower_bound(crew: Crew) -> float:
    """Bound the ready time from below: longest path, last arrival, and the work that a group has to share."""
    heads, tails = heads_and_tails(crew)
    bound_s = max((*crew.arrives_s, *(head + tail for head, tail in zip(heads, tails, strict=True))))
    groups = {frozenset(able) for able in crew.able} | {frozenset(range(len(crew.arrives_s)))}
    for group in groups:
        inside = [task for task, able in enumerate(crew.able) if crew.hands[task] and group.issuperset(able)]
        if not inside:
            continue
        first_s = min(heads[task] for task in inside)
        rest_s = min(tails[task] - crew.durations_s[task] for task in inside)
        work_s = sum(crew.hands[task] * crew.durations_s[task] for task in inside)
        bound_s = max(bound_s, _shared(work_s, [max(first_s, crew.arrives_s[person]) for person in group]) + rest_s)
        alone = [task for task in inside if 2 * crew.hands[task] > len(group)]
        if alone:
            bound_s = max(
                bound_s,
                min(heads[task] for task in alone)
                + sum(crew.durations_s[task] for task in alone)
                + min(tails[task] - crew.durations_s[task] for task in alone),
            )
    step_s = common_step(crew)
    return math.ceil((bound_s - TICK_S) / step_s) * step_s if step_s > 0 else bound_s


def _shared(work_s: float, from_s: Iterable[float]) -> float:
    """Find the moment at which people who start at `from_s` can have shared `work_s`."""
    starts = sorted(from_s)
    for count, following in enumerate([*starts[1:], math.inf], start=1):
        done_s = (work_s + sum(starts[:count])) / count
        if done_s <= following:
            return done_s
    raise AssertionError("the last stretch has no end")


def held_order(crew: Crew, draft: Draft) -> tuple[tuple[int, ...], tuple[tuple[int, ...], ...]]:
    """Fix order and people: what each task waits for, by its predecessors and by what its people do just before."""
    rank = {task: number for number, task in enumerate(draft.order)}
    # By start, then finish, then place in the list: so a task without duration stands before what follows it at once.
    order = sorted(
        draft.order, key=lambda task: (draft.start_s[task], draft.start_s[task] + crew.durations_s[task], rank[task])
    )
    waits_for: list[dict[int, None]] = [dict.fromkeys(ahead) for ahead in crew.before]
    for person in range(len(crew.arrives_s)):
        mine = [task for task in order if person in draft.who[task]]
        for earlier, later in pairwise(mine):
            waits_for[later][earlier] = None
    return tuple(order), tuple(tuple(ahead) for ahead in waits_for)
