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
from leaveby.household.plan import tasks_for
from leaveby.household.plan_tables import IgnitionInput, Person, Way
from leaveby.household.readiness import Mornings, ready_times
from leaveby.household.sampling import sample_arrivals
from leaveby.household.scheduling import Schedule

DELAY_S: Final = 600.0
GROUPS: Final = 10


def cost_of_delay(member_latest_start_s: NDArray[np.float64], at_s: float) -> float:
    """Give the share of members that are no longer clear when one starts a delay after a moment instead of at it.

    Counted member by member, each with its own ready time and its own fire.
    """
    now, later = share_clear(member_latest_start_s, np.array([at_s, at_s + DELAY_S]))
    return float(now - later)


def cost_of_tasks(
    mornings: Mornings, way: Way, *, policy: Schedule, latest_departure_s: NDArray[np.float64], confidence: float
) -> tuple[TaskCost, ...]:
    """Find how much earlier one must start for each task that takes ten minutes longer, by working it out anew.

    By the definition of the latest start (`confidence.latest_start`), with the list held. Waiting for someone who is
    away counts like a task: ten minutes later home. The dearest comes first; none where no leave-by is bounded.
    """
    household, durations_s, arrivals_s = mornings.household, mornings.durations_s, mornings.arrivals_s
    if arrivals_s is None:
        arrivals_s = sample_arrivals(household.people, members=latest_departure_s.size)

    def start_s(lasts_s: NDArray[np.float64], home_s: NDArray[np.float64]) -> float:
        ready_s = ready_times(Mornings(household, lasts_s, home_s), way, policy=policy)
        return latest_start(latest_departure_s, ready_s=ready_s, confidence=confidence)

    before_s = start_s(durations_s, arrivals_s)
    if not np.isfinite(before_s):
        return ()
    position = {task.name: number for number, task in enumerate(household.tasks)}
    later: list[tuple[str, float]] = []
    for task in tasks_for(household, way):
        longer_s = durations_s.copy()
        longer_s[:, position[task.name]] += DELAY_S
        later.append((task.name, start_s(longer_s, arrivals_s)))
    for number, person in enumerate(household.people):
        if person.is_away:
            delayed_s = arrivals_s.copy()
            delayed_s[:, number] += DELAY_S
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
    2013, European Journal of Operational Research 226:536-550; from memory), on ranks, so that members without a bound
    take part; what chance alone would give is taken off. The largest comes first; shares need not add to 1, since
    uncertainties act together. Of ignitions only what is not known takes part, of people those whose arrival has a
    spread.
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
    """Give how much earlier one set of leave-bys is than another, in seconds; None where either is not bounded."""
    both = {way: (at_s, than.get(way)) for way, at_s in latest_start_s.items()}
    return {way: None if at_s is None or other_s is None else other_s - at_s for way, (at_s, other_s) in both.items()}
