"""Searches all schedules of a small household: a better one is found, or the best is proved.

Every schedule in which nothing can start earlier by itself is reached by placing the tasks in the order of their
starts, each as soon as its predecessors and its people allow. Branches are cut by bounds from below, and where the same
tasks were placed before with everything at least as early (branch and bound with dominance; common practice of the
field).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations

from leaveby.household.crew import TICK_S, Crew, Draft, common_step, heads_and_tails


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
    """Look for a schedule that is ready earlier than the best known; tell whether none was left to look at."""
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
