"""What would change the answer: what a delay costs, and which assumption a leave-by hangs on most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

from leaveby.decision.fires.members import Draws
from leaveby.decision.ways.confidence import latest_start, share_clear
from leaveby.decision.ways.result import HangsOn, TaskCost
from leaveby.household.plan import IgnitionInput, Person, Plan, Way, tasks_for
from leaveby.household.readiness import ready_times
from leaveby.household.sampling import sample_arrivals
from leaveby.household.scheduling import Schedule

DELAY_S: Final = 600.0
GROUPS: Final = 10


def cost_of_delay(member_latest_start_s: NDArray[np.float64], at_s: float, *, delay_s: float = DELAY_S) -> float:
    """Give the share of members that are no longer clear when one starts a delay after a moment instead of at it.

    Counted member by member, each with its own ready time and its own fire.

    Examples
    --------
    >>> round(cost_of_delay(np.arange(0.0, 6000.0, 60.0), 0.0), 2)
    0.1
    """
    now, later = share_clear(member_latest_start_s, np.array([at_s, at_s + delay_s]))
    return float(now - later)


def cost_of_tasks(
    plan: Plan,
    way: Way,
    *,
    policy: Schedule,
    durations_s: NDArray[np.float64],
    arrivals_s: NDArray[np.float64] | None = None,
    latest_departure_s: NDArray[np.float64],
    delay_s: float = DELAY_S,
) -> tuple[TaskCost, ...]:
    """Find how much earlier one must start for each task that takes ten minutes longer, by working it out anew.

    By the definition of the latest start (`confidence.latest_start`), with the list held.

    Waiting for someone who is away counts like a task: ten minutes later home.

    Parameters
    ----------
    plan : Plan
    way : {"tow", "car", "foot"}
    policy : Schedule
        The list that is followed.
    durations_s : ndarray of float64, shape (members, tasks of the plan)
    arrivals_s : ndarray of float64, shape (members, people of the plan), optional
        As for `ready_times`.
    latest_departure_s : ndarray of float64, shape (members,)
    delay_s : float

    Returns
    -------
    tuple of TaskCost
        The dearest first; tasks that cost nothing are left out; empty where no leave-by is bounded.
    """
    if arrivals_s is None:
        arrivals_s = sample_arrivals(plan.people, members=latest_departure_s.size)

    def start_s(lasts_s: NDArray[np.float64], home_s: NDArray[np.float64]) -> float:
        ready_s = ready_times(plan, way, durations_s=lasts_s, arrivals_s=home_s, policy=policy)
        return latest_start(latest_departure_s, ready_s=ready_s, confidence=plan.confidence)

    before_s = start_s(durations_s, arrivals_s)
    if not np.isfinite(before_s):
        return ()
    position = {task.name: number for number, task in enumerate(plan.tasks)}
    later: list[tuple[str, float]] = []
    for task in tasks_for(plan, way):
        longer_s = durations_s.copy()
        longer_s[:, position[task.name]] += delay_s
        later.append((task.name, start_s(longer_s, arrivals_s)))
    for number, person in enumerate(plan.people):
        if person.is_away:
            delayed_s = arrivals_s.copy()
            delayed_s[:, number] += delay_s
            later.append((f"waiting for {person.name}", start_s(durations_s, delayed_s)))
    costs = [TaskCost(task=what, earlier_s=before_s - then_s) for what, then_s in later if then_s < before_s]
    return tuple(sorted(costs, key=lambda cost: -cost.earlier_s))


def hangs_on(
    member_latest_start_s: NDArray[np.float64],
    draws: Draws,
    *,
    ready_s: NDArray[np.float64],
    ignitions: Sequence[IgnitionInput] = (),
    people: Sequence[Person] = (),
) -> tuple[HangsOn, ...]:
    """Share out what makes the members' latest starts differ: the part of the variance each uncertainty explains alone.

    First-order variance shares from the given members, by ten equal groups of each input (Plischke, Borgonovo and Smith
    2013, European Journal of Operational Research 226:536-550; from memory), on ranks, so that members without a
    bound take part; what chance alone would give is taken off.

    Parameters
    ----------
    member_latest_start_s : ndarray of float64, shape (members,)
        In the order of the draws.
    draws : Draws
    ready_s : ndarray of float64, shape (members,)
        Ready time of each member: all task durations and arrivals as one.
    ignitions : sequence of IgnitionInput
        Those of the plan, in the order of the draws: only what is not known of them takes part.
    people : sequence of Person
        Those whose arrival has a spread, in the order of the draws.

    Returns
    -------
    tuple of HangsOn
        Largest first; shares need not add to 1, since uncertainties act together.

    Examples
    --------
    >>> from leaveby.decision.fires.members import draw_members
    >>> draws = draw_members(400, seed=2)
    >>> found = hangs_on(-draws.ros_z, draws, ready_s=np.full(400, 60.0))
    >>> found[0].what, found[0].share > 0.9
    ('how fast the fire runs in its fuel', True)
    """
    inputs: dict[str, NDArray[np.float64]] = {
        "how fast the fire runs in its fuel": draws.ros_z,
        "wind speed": draws.wind_factor,
        "wind direction": draws.wind_turn_deg,
        "when the weather comes": draws.weather_shift_s,
        "how slow the drive is": draws.drive_factor,
        "how long getting ready takes": ready_s,
    }
    for number, ignition in enumerate(ignitions):
        if ignition.somewhere:
            inputs[f"where the fire starts ({ignition.name})"] = draws.place_uniform[:, number]
        if ignition.unseen_up_to_s > 0.0:
            inputs[f"how long the fire burnt unseen ({ignition.name})"] = draws.unseen_uniform[:, number]
    for number, person in enumerate(people):
        inputs[f"when {person.name} comes home"] = draws.arrival_uniform[:, number]
    target = rankdata(member_latest_start_s)
    shares = {what: _explained(values, target) for what, values in inputs.items()}
    ranked = sorted(shares.items(), key=lambda item: -item[1])
    return tuple(HangsOn(what=what, share=share) for what, share in ranked if share > 0.0)


def _explained(values: NDArray[np.float64], target: NDArray[np.float64]) -> float:
    spread = float(np.var(target))
    if spread == 0.0 or np.ptp(values) == 0.0:
        return 0.0
    groups = min(GROUPS, max(2, values.size // 10))
    order = np.argsort(values, kind="stable")
    means = np.array([target[part].mean() for part in np.array_split(order, groups)])
    by_chance = (groups - 1) / (values.size - 1)
    share = float(np.var(means)) / spread
    return max(0.0, (share - by_chance) / (1.0 - by_chance))


def moved(latest_start_s: Mapping[str, float | None], than: Mapping[str, float | None]) -> dict[str, float | None]:
    """Give how much earlier one set of leave-bys is than another, in seconds; None where either is not bounded.

    Examples
    --------
    >>> moved({"car": 600.0, "tow": None}, {"car": 900.0, "tow": 300.0})
    {'car': 300.0, 'tow': None}
    """
    found: dict[str, float | None] = {}
    for way, at_s in latest_start_s.items():
        other_s = than.get(way)
        found[way] = None if at_s is None or other_s is None else other_s - at_s
    return found
