"""The catalogue of lists: every plan's tasks in many orders, and the list of them that is ready soonest when asked for.

A list fixes who does which task, and in which order each person takes theirs; a task waits for what it comes after and
for its people. More to do must never mean more time, and a search breaks that: with one more task it may stumble on a
better list than it found before (list schedules have such anomalies besides: Graham 1969, "Bounds on multiprocessing
timing anomalies", SIAM Journal on Applied Mathematics 17:416-429; from memory). The catalogue keeps the order exactly,
since the list of a harder plan, with what makes it harder struck out, stands in the catalogue of the easier one:

- where a task comes in a list, and who is sooner put on it, are numbers drawn by the names of the task and the person
  alone, so the others keep their order when a task is added that none of them waits for;
- durations take no part in a list, only in how long it takes;
- a list of a crew with fewer hands is in the catalogue too: of every smaller crew, a person less or an ability less
  (`smaller_crews`), all lists are taken up.

A list without a task, with a shorter one or with more hands is ready no later in any member, so the best list of the
easier plan is ready no later than the best of the harder one, at any confidence.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import compress, product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.chance import stream
from leaveby.compiling import njit
from leaveby.confidence import latest_at_confidence, longest_at_confidence, rank_at
from leaveby.household.plan import can_do
from leaveby.household.plan_tables import Person, Task

LISTS: Final = 8192
"""Lists of one crew. A constant: with a number that hung on the plan the catalogues would not hold each other."""

_BLOCK: Final = 32
"""Members that are put through a list side by side."""

MOST_CREWS: Final = 1024
"""Where more smaller crews can be made, people count as there or not there, their abilities undivided."""


@dataclass(frozen=True)
class TaskList:
    """One list: who does what in which order, by positions of the tasks and people that it was made for."""

    order: tuple[int, ...]
    who: tuple[tuple[int, ...], ...]


class _Work(NamedTuple):
    """What there is to do, as compiled code takes it; times have the shapes (tasks, members) and (people, members)."""

    before: NDArray[np.bool_]
    hands: NDArray[np.int64]
    lasts_s: NDArray[np.float64]
    home_s: NDArray[np.float64]


@dataclass(frozen=True)
class Catalogue:
    """All lists for the tasks of one way: their orders, who is sooner put on a task, and the crews that may do them.

    The `members` are numbered with those who have most to do first: they tell soonest that a list is no better.
    """

    order: NDArray[np.int64]
    ranks: NDArray[np.float64]
    members: NDArray[np.int64]
    work: _Work
    crews: tuple[NDArray[np.bool_], ...]


def soonest_list(lists: Catalogue, *, confidence: float) -> tuple[TaskList, float]:
    """Find the list by which the household is ready soonest, and its ready time in seconds, at the asked confidence."""
    rank = rank_at(lists.members.size, confidence)
    best_s, best = np.inf, None
    for able in lists.crews:
        if longest_at_confidence(_least_s(lists, able), confidence) >= best_s:
            continue
        who = _assigned(lists.ranks, able, lists.work.hands)
        number, found_s = _soonest(lists.order, who, lists.work, rank, best_s)
        if number >= 0:
            best_s, best = found_s, _listed(lists, who, number)
    assert best is not None
    return best, float(best_s)


def latest_list(
    lists: Catalogue, latest_departure_s: NDArray[np.float64], *, confidence: float
) -> tuple[TaskList, float]:
    """Find the list with which getting ready may start latest, where how late depends on who is late with which fire.

    Needed where a few members take so long that the ready time at the asked confidence does not tell of them; then it
    is not enough that a list is ready soonest. Every list of the catalogue is put through, which takes seconds. Given
    with it is its latest start: the lesser of the latest departure less the ready time, both at the asked confidence,
    and the time from which the asked share of members gets clear.
    """
    leave_s = latest_departure_s[lists.members]
    leave_by_s = latest_at_confidence(leave_s, confidence)
    best_s, best = -np.inf, None
    for able in lists.crews:
        if leave_by_s - longest_at_confidence(_least_s(lists, able), confidence) <= best_s:
            continue
        who = _assigned(lists.ranks, able, lists.work.hands)
        for number in range(LISTS):
            ready_s = _ready(lists.order[number], who[number], lists.work, 0, leave_s.size)
            start_s = leave_by_s - longest_at_confidence(ready_s, confidence)
            if start_s > best_s:
                start_s = min(start_s, latest_at_confidence(leave_s - ready_s, confidence))
            if start_s > best_s:
                best_s, best = start_s, _listed(lists, who, number)
    assert best is not None
    return best, float(best_s)


def smaller_crews(tasks: Sequence[Task], people: Sequence[Person]) -> Iterator[NDArray[np.bool_]]:
    """Give who can do which task, for the crew itself and for every smaller one that can still do all of them.

    In a smaller crew people stay out of tasks that they could do: of all, or of those that need some ability. Each is
    an array of shape (tasks, people).
    """
    asked = {word for task in tasks for word in task.needs}
    choices = [_kept(person, asked, whole=False) for person in people]
    if np.prod([float(len(one)) for one in choices]) > MOST_CREWS:
        choices = [_kept(person, asked, whole=True) for person in people]
    met = set()
    for skills in product(*choices):
        able = np.array([[can_do(can, task.needs) for can in skills] for task in tasks], dtype=np.bool_)
        able = able.reshape(len(tasks), len(people))
        if able.tobytes() not in met and all(able.sum(axis=1) >= [task.hands for task in tasks]):
            met.add(able.tobytes())
            yield able


def _kept(person: Person, asked: set[str], *, whole: bool) -> list[tuple[str, ...]]:
    """What may be kept of a person's abilities, most first: all that is asked for, less of it, at the end nothing."""
    if not person.can:
        return [()]
    words = [word for word in person.can if word in asked]
    bits = sorted(product((True, False), repeat=len(words)), key=lambda kept: -sum(kept))
    some = [tuple(compress(words, kept)) for kept in bits]
    # Someone who can do something is put on tasks without needs as well: a word that no task asks for stands for that.
    kept = [("", *words)] if whole else [("", *one) for one in some]
    return [*kept, ()]


def catalogue(
    tasks: Sequence[Task],
    people: Sequence[Person],
    *,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64],
) -> Catalogue:
    """Make all lists for the tasks of one way, with durations (members, tasks) and arrivals (members, people)."""
    position = {task.name: number for number, task in enumerate(tasks)}
    before = np.zeros((len(tasks), len(tasks)), dtype=np.bool_)
    for number, task in enumerate(tasks):
        before[number, [position[name] for name in task.after]] = True
    keys = np.empty((LISTS, len(tasks)))
    ranks = np.empty((LISTS, len(tasks), len(people)))
    for number, task in enumerate(tasks):
        keys[:, number] = stream(0, "place in a list", task.name).random(LISTS)
        for column, person in enumerate(people):
            ranks[:, number, column] = stream(0, "who does a task", task.name, person.name).random(LISTS)
    # The first list is the plan's own: its tasks as they stand, by its people as they stand.
    keys[0] = np.arange(len(tasks))
    ranks[0] = np.arange(len(people))
    hands = np.array([task.hands for task in tasks], dtype=np.int64)
    members = np.argsort(-(durations_s @ hands + arrivals_s.max(axis=1)), kind="stable")
    lasts_s, home_s = (np.ascontiguousarray(times_s[members].T) for times_s in (durations_s, arrivals_s))
    work = _Work(before, hands, lasts_s, home_s)
    return Catalogue(_orders(keys, before), ranks, members, work, tuple(smaller_crews(tasks, people)))


def _least_s(lists: Catalogue, able: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Bound every list of a crew from below, in each member: work that a group of people has to share takes a share."""
    work, least_s = lists.work, lists.work.home_s.max(axis=0)
    for group in np.unique(np.vstack([able, able.any(axis=0)]), axis=0):
        inside = ~np.any(able & ~group, axis=1)
        if inside.any():
            np.maximum(least_s, work.hands[inside] @ work.lasts_s[inside] / group.sum(), out=least_s)
    # A trifle less, since the same sum in another order may differ in its last digits.
    return np.asarray(least_s * (1.0 - 1e-9), dtype=np.float64)


def _listed(lists: Catalogue, who: NDArray[np.int64], number: int) -> TaskList:
    return TaskList(
        order=tuple(int(task) for task in lists.order[number]),
        who=tuple(
            tuple(sorted(int(person) for person in row[:hands]))
            for row, hands in zip(who[number], lists.work.hands, strict=True)
        ),
    )


@njit()
def _raise(times_s: NDArray[np.float64], least_s: NDArray[np.float64]) -> None:  # pragma: no cover - compiled
    for member in range(times_s.size):
        if least_s[member] > times_s[member]:
            times_s[member] = least_s[member]


@njit()
def _orders(keys: NDArray[np.float64], before: NDArray[np.bool_]) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """Every list's order: of the tasks whose predecessors are placed, always the one with the least number next."""
    lists, count = keys.shape
    order = np.empty((lists, count), np.int64)
    placed = np.empty(count, np.bool_)
    for one in range(lists):
        placed[:] = False
        for place in range(count):
            following = -1
            for task in range(count):
                if placed[task] or (following >= 0 and keys[one, task] >= keys[one, following]):
                    continue
                can = True
                for earlier in range(count):
                    if before[task, earlier] and not placed[earlier]:
                        can = False
                        break
                if can:
                    following = task
            order[one, place] = following
            placed[following] = True
    return order


@njit()
def _assigned(
    ranks: NDArray[np.float64], able: NDArray[np.bool_], hands: NDArray[np.int64]
) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """Every list's people on each task: of those who can, the ones with the least numbers."""
    lists, tasks, people = ranks.shape
    who = np.full((lists, tasks, max(people, 1)), -1, np.int64)
    for one in range(lists):
        for task in range(tasks):
            for hand in range(hands[task]):
                best = -1
                for person in range(people):
                    if not able[task, person]:
                        continue
                    taken = False
                    for other in range(hand):
                        if who[one, task, other] == person:
                            taken = True
                    if not taken and (best < 0 or ranks[one, task, person] < ranks[one, task, best]):
                        best = person
                who[one, task, hand] = best
    return who


@njit()
def _ready(
    order: NDArray[np.int64], who: NDArray[np.int64], work: _Work, first: int, count: int
) -> NDArray[np.float64]:  # pragma: no cover - compiled
    """The ready times of `count` members from the `first` on, by one list; side by side, since that is far faster."""
    finish_s, free_s = np.empty((order.size, count)), work.home_s[:, first : first + count].copy()
    ready_s = np.zeros(count)
    for person in range(free_s.shape[0]):
        _raise(ready_s, free_s[person])
    for task in order:
        moment_s = finish_s[task]
        moment_s[:] = 0.0
        for hand in range(work.hands[task]):
            _raise(moment_s, free_s[who[task, hand]])
        for earlier in range(order.size):
            if work.before[task, earlier]:
                _raise(moment_s, finish_s[earlier])
        for member in range(count):
            moment_s[member] += work.lasts_s[task, first + member]
        for hand in range(work.hands[task]):
            free_s[who[task, hand]] = moment_s
        _raise(ready_s, moment_s)
    return ready_s


@njit()
def _soonest(
    order: NDArray[np.int64], who: NDArray[np.int64], work: _Work, rank: int, than_s: float
) -> tuple[int, float]:  # pragma: no cover - compiled
    """The list whose `rank`-th ready time is least and less than a given one; -1 where none is."""
    members = work.lasts_s.shape[1]
    ready_s = np.empty(members)
    best, best_s = -1, than_s
    for one in range(order.shape[0]):
        no_sooner = 0
        for first in range(0, members, _BLOCK):
            count = min(_BLOCK, members - first)
            ready_s[first : first + count] = _ready(order[one], who[one], work, first, count)
            for member in range(first, first + count):
                no_sooner += ready_s[member] >= best_s
            if no_sooner > members - rank:
                break
        if no_sooner <= members - rank:
            best, best_s = one, np.partition(ready_s, rank - 1)[rank - 1]
    return best, best_s
