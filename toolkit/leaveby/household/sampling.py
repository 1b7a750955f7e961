"""Three-point times, drawn: how long each task takes, and when people who are away come home.

Both are inverted from uniform numbers, so that several runs can share their chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv

from leaveby.errors import Faults, refuse, refused
from leaveby.household.plan import Durations, arrival_faults
from leaveby.household.plan_tables import Person, Task

_PERT_SHAPE: Final = 4.0


def sample_durations(
    tasks: Sequence[Task],
    *,
    rng: np.random.Generator | None = None,
    members: int,
    kind: Durations = "beta_pert",
    uniforms: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Draw three-point durations by inverting their distribution, in seconds; 0 for tasks done before the season.

    `beta_pert` is the beta distribution between shortest and longest with shape 4, so that its mean is (shortest + 4
    likely + longest) / 6 (Malcolm, Roseboom, Clark and Fazar 1959, Operations Research 7:646-669; from memory);
    `triangular` has its peak at likely, a heavier tail and so longer ready times. `uniforms`, shape (members, tasks),
    are numbers from 0 to 1 to invert, so that several runs share their chance; `rng` draws them when left out.

    Raises InputError when neither is given, their shape is wrong, or a likely duration lies outside its range.

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
            raise refused(f'task "{task.name}"', "three_points_out_of_order", task=task)
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
    """Draw when each person is home, in seconds from the start of getting ready, shape (members, people).

    As `sample_durations`. A fixed arrival is the same in every member and takes no chance: `uniforms` hold a column for
    each person whose arrival has a spread, and no others.

    Examples
    --------
    >>> crew = (Person("Ines"), Person("Bo", arrives_after_s=1500.0, arrives_latest_s=3000.0))
    >>> sample_arrivals(crew, members=2, kind="triangular", uniforms=np.array([[0.0], [1.0]]))
    array([[   0., 1500.],
           [   0., 3000.]])
    """
    _check_sampling(kind, members)
    Faults(arrival_faults(people)).refuse()
    uncertain = [number for number, person in enumerate(people) if person.arrival_is_uncertain]
    arrivals_s = np.tile(np.array([person.arrives_after_s for person in people], dtype=np.float64), (members, 1))
    if uncertain or uniforms is not None:
        points_s = np.array([people[number].arrival_points_s for number in uncertain], dtype=np.float64)
        uniforms = _uniforms((members, len(uncertain)), rng=rng, uniforms=uniforms, of="person with uncertain arrival")
        arrivals_s[:, uncertain] = _inverted(points_s.reshape(-1, 3), uniforms=uniforms, kind=kind)
    return arrivals_s


def chance_below(task: Task, times_s: NDArray[np.float64], *, kind: Durations) -> NDArray[np.float64]:
    """Give the chance that a task lasts no longer than each of some times, by its three points.

    >>> chance_below(Task("bags", ("car",), 60.0, 120.0, 180.0), np.array([30.0, 120.0, 300.0]), kind="triangular")
    array([0. , 0.5, 1. ])
    """
    width_s = task.longest_s - task.shortest_s
    if width_s <= 0.0:
        return np.asarray(times_s >= task.shortest_s, dtype=np.float64)
    at, x = (task.likely_s - task.shortest_s) / width_s, np.clip((times_s - task.shortest_s) / width_s, 0.0, 1.0)
    if kind == "beta_pert":
        return np.asarray(betainc(1 + _PERT_SHAPE * at, 1 + _PERT_SHAPE * (1 - at), x), dtype=np.float64)
    rising = np.divide(x * x, at, out=np.zeros_like(x), where=x < at)
    falling = 1.0 - np.divide((1.0 - x) ** 2, 1.0 - at, out=np.zeros_like(x), where=x >= at if at < 1.0 else x > 1.0)
    return np.where(x < at, rising, falling)


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
        raise refused("uniforms", "uniforms_out_of_range", shape=uniforms.shape, wanted=shape, of=of)
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
