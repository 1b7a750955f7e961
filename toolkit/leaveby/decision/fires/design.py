"""A design of fires: few that are solved, spread so that smooth functions through them tell all others.

Each ignition has fires of its own (the first of several to arrive is the earliest of each alone), so that one more
ignition leaves those of the others as they were. The first fires fill the space of the uncertain numbers out to its
tails; more are set where the time at the asked confidence lies.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import reduce
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree
from scipy.special import ndtri
from scipy.stats import qmc

from leaveby.chance import stream
from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.closing import StretchCells
from leaveby.decision.fires.members import Draws, MemberFires, Progress, pick_draws, plan_draws
from leaveby.decision.fires.scenario import Scenario, member_table
from leaveby.decision.fires.smooth import SmoothTimes, smooth_times, times_at
from leaveby.decision.fires.solved import solve_fires
from leaveby.parameters import WEATHER_SHIFT_S, WIND_SPEED_ERROR, WIND_TURN_ERROR_DEG

FIRST: Final = 64
"""Fires of each ignition that fill the space; a power of 2, as Sobol's points want it."""

LEAST_ACROSS: Final = 0.05
"""A patch narrower than this share of its length starts fires along it only."""

APART_AT_LEAST: Final = 1e-3
MORE: Final = 16
ROUNDS: Final = 4
"""Fires of each ignition that are added where the time at the asked confidence lies, so many times at most."""

TAILS: Final = 1.3
"""How much wider than the draws the first fires are spread: out to 2.9 standard deviations."""

PARTS: Final = 8
JUDGED_BY: Final = 2000
"""The error of a time is told by leaving out each of so many parts of the fires, over so many of the members."""

INTERVAL: Final = 0.90
SURE: Final = float(ndtri(0.5 + INTERVAL / 2.0))
"""Share of all intervals that hold the time that endless members, each with its own fire, would give."""

COMMON: Final = 4
"""Numbers that all ignitions of a member share: equation, wind speed, wind direction, when the weather comes."""

LatestOf = Callable[[MemberFires, Draws], Sequence[NDArray[np.float64]]]
"""From members to the latest departure of each way of leaving."""


@dataclass(frozen=True)
class FireDesign:
    """The solved fires of a scenario, and the functions through them.

    - `draws`: of the first fires, common to all ignitions.
    - `numbers`, shape (fires, numbers): of each ignition's fires.
    - `since_s`, shape (fires, stretches + points + 1): seconds from the start of each ignition's fires: to where
      stretches shut (smoke lead not taken off), fire arrives at the points, and embers at the home.
    """

    draws: Draws
    numbers: tuple[NDArray[np.float64], ...]
    since_s: tuple[NDArray[np.float64], ...]

    @property
    def solved(self) -> int:
        """How many fires were solved."""
        return sum(len(one) for one in self.numbers)


def design_fires(
    scenario: Scenario,
    *,
    watched: StretchCells,
    draws: Draws,
    latest_of: LatestOf,
    near_s: float,
    workers: int = 1,
    progress: Progress | None = None,
) -> FireDesign:
    """Solve a design of fires: first all over the space of the numbers, then where the asked confidence lies.

    `draws` are the members that the functions are for; `latest_of` gives the latest departure of each way of leaving as
    if one ignition were the only one. Fires are added until those at the plan's confidence are known as nearly as
    `near_s`.
    """
    first = _first_draws(scenario)
    ignitions = range(len(scenario.starts))
    total, done = (FIRST + ROUNDS * MORE) * len(scenario.starts), 0

    def solve(some: Draws, number: int) -> NDArray[np.float64]:
        def tell(now: int, _: int) -> None:
            if progress is not None:
                progress(done + now, total)

        fires = solve_fires(
            scenario,
            table_of=lambda member: member_table(scenario, draws=some, member=member),
            draws=some,
            watched=watched,
            only=number,
            workers=workers,
            progress=tell,
        )
        return _since(scenario, some, fires, number=number)

    numbers, since = [], []
    for number in ignitions:
        z, since_s = fire_numbers(scenario, first, number=number), solve(first, number)
        done += FIRST
        for _ in range(ROUNDS):
            alone = _Alone(scenario, number, z, since_s, latest_of)
            near = alone.where_it_matters(draws)
            if near.size == 0 or alone.unsure_s(draws) <= near_s:
                break
            more = pick_draws(draws, near)
            z = np.vstack([z, fire_numbers(scenario, more, number=number)])
            since_s = np.vstack([since_s, solve(more, number)])
            done += near.size
        numbers.append(z)
        since.append(since_s)
    return FireDesign(first, tuple(numbers), tuple(since))


def _first_draws(scenario: Scenario) -> Draws:
    """Spread the first fires over the numbers that all ignitions share, evenly and out to the tails."""
    plan = scenario.inputs.plan
    even = qmc.Sobol(COMMON, rng=stream(plan.seed, "design of fires")).random(FIRST)
    z = TAILS * ndtri(np.clip(even, 1e-6, 1.0 - 1e-6))
    return replace(
        plan_draws(plan, FIRST, batch=1),
        ros_z=z[:, 0],
        wind_factor=np.exp(WIND_SPEED_ERROR.value * z[:, 1]),
        wind_turn_deg=WIND_TURN_ERROR_DEG.value * z[:, 2],
        weather_shift_s=WEATHER_SHIFT_S.value * z[:, 3],
    )


def fire_numbers(scenario: Scenario, draws: Draws, *, number: int | None = None) -> NDArray[np.float64]:
    """Give the numbers that make a member's fire, each of about unit spread, shape (members, numbers).

    The first `COMMON` are common to all ignitions; of the ignition of that number (none: left out) there follow how
    long it burnt unseen and where it started, as far as the plan leaves that open.
    """
    columns = [
        draws.ros_z,
        np.log(draws.wind_factor) / WIND_SPEED_ERROR.value,
        draws.wind_turn_deg / WIND_TURN_ERROR_DEG.value,
        draws.weather_shift_s / WEATHER_SHIFT_S.value,
    ]
    if number is not None:
        start = scenario.starts[number]
        if start.unseen_up_to_s > 0.0:
            columns.append(np.sqrt(12.0) * (draws.unseen_uniform[:, number] - 0.5))
        if len(start.points_m) > 1:
            columns += list(_along_and_across(start.points_m)[start.picked(draws.place_uniform[:, number])].T)
    return np.column_stack(columns)


def _along_and_across(points_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say where points lie along their longest extent and across it, in units of its spread; a line has no across."""
    from_middle_m = points_m - points_m.mean(axis=0)
    _, extent_m, axes = np.linalg.svd(from_middle_m, full_matrices=False)
    wide = axes[extent_m > LEAST_ACROSS * extent_m[0]]
    return np.asarray(from_middle_m @ wide.T * np.sqrt(len(points_m)) / extent_m[0], dtype=np.float64)


def _since(scenario: Scenario, draws: Draws, fires: MemberFires, *, number: int) -> NDArray[np.float64]:
    smoke_lead_s = scenario.inputs.plan.roads.smoke_lead_s
    times_s = np.column_stack([fires.closing_s + smoke_lead_s, fires.point_arrival_s, fires.ember_s])
    return np.asarray(times_s - scenario.starts[number].began_s(draws.unseen_uniform[:, [number]]))


def _fires(scenario: Scenario, draws: Draws, since_s: NDArray[np.float64], *, number: int) -> MemberFires:
    plan = scenario.inputs.plan
    times_s = since_s + scenario.starts[number].began_s(draws.unseen_uniform[:, [number]])
    times_s[times_s > plan.horizon_s] = np.inf
    points = 1 + len(scenario.safe_cells)
    stretches = times_s.shape[1] - points - 1
    return MemberFires(
        closing_s=times_s[:, :stretches] - plan.roads.smoke_lead_s,
        point_arrival_s=times_s[:, stretches:-1],
        ember_s=times_s[:, -1],
    )


def _predicted(
    scenario: Scenario, draws: Draws, smooth: SmoothTimes, *, number: int, errors: bool = True
) -> MemberFires:
    plan = scenario.inputs.plan
    rng = stream(plan.seed, "error of a fire", plan.ignitions[number].name, str(number)) if errors else None
    z = fire_numbers(scenario, draws, number=number)
    return _fires(scenario, draws, times_at(smooth, z, rng=rng), number=number)


@dataclass(frozen=True)
class _Alone:
    """One ignition's fires, as if it were the only one."""

    scenario: Scenario
    number: int
    numbers: NDArray[np.float64]
    since_s: NDArray[np.float64]
    latest_of: LatestOf

    def latest_s(self, draws: Draws, *, without: int | None = None) -> Sequence[NDArray[np.float64]]:
        kept = _kept(len(self.numbers), without)
        smooth = smooth_times(self.numbers[kept], self.since_s[kept])
        return self.latest_of(_predicted(self.scenario, draws, smooth, number=self.number), draws)

    def where_it_matters(self, draws: Draws) -> NDArray[np.int64]:
        """Choose members about the asked confidence, as far as may be from each other and from every solved fire."""
        late = 1.0 - self.scenario.inputs.plan.confidence
        about = np.zeros(draws.members, dtype=bool)
        for latest_s in self.latest_s(draws):
            share = (np.argsort(np.argsort(latest_s)) + 0.5) / draws.members
            about |= np.isfinite(latest_s) & (share > 0.5 * late) & (share < 2.0 * late)
        open_to = np.flatnonzero(about)
        if open_to.size == 0:
            return open_to
        z = fire_numbers(self.scenario, pick_draws(draws, open_to), number=self.number)
        apart = KDTree(self.numbers).query(z)[0]
        chosen = []
        for _ in range(MORE):
            farthest = int(np.argmax(apart))
            if apart[farthest] < APART_AT_LEAST:
                break  # the same fire twice tells nothing, and no function goes through it
            chosen.append(farthest)
            apart = np.minimum(apart, np.linalg.norm(z - z[farthest], axis=1))
        return open_to[np.array(chosen, dtype=np.int64)]

    def unsure_s(self, draws: Draws) -> float:
        """Give how well the latest departures at the plan's confidence are known, the widest of all ways."""
        confidence = self.scenario.inputs.plan.confidence
        first = pick_draws(draws, np.arange(min(JUDGED_BY, draws.members)))
        whole = [latest_at_confidence(one, confidence) for one in self.latest_s(first)]
        parts = [
            [latest_at_confidence(one, confidence) for one in self.latest_s(first, without=k)] for k in range(PARTS)
        ]
        return max((left_out_error_s(one, of) for one, *of in zip(whole, *parts, strict=True)), default=0.0)


def left_out_error_s(whole_s: float, parts_s: Sequence[float]) -> float:
    """Give half the width of the interval that holds a time, from what it is without each part of the fires.

    The root mean square of how far it moves stands for its standard error.
    """
    if all(part_s == whole_s for part_s in parts_s):
        return 0.0
    if not np.all(np.isfinite([whole_s, *parts_s])):
        return np.inf
    return SURE * float(np.sqrt(np.mean((np.array(parts_s) - whole_s) ** 2)))


def _kept(fires: int, without: int | None) -> NDArray[np.bool_]:
    return np.asarray(np.arange(fires) % PARTS != (PARTS if without is None else without))


def design_members(
    scenario: Scenario, design: FireDesign, draws: Draws, *, without: int | None = None, errors: bool = True
) -> MemberFires:
    """Read the members' fires off the functions, the first of all ignitions to arrive.

    Either as if one part of the fires (0 to `PARTS` - 1) had not been solved, or each prediction with its error, as
    drawn.
    """
    found = []
    for number, (z, since_s) in enumerate(zip(design.numbers, design.since_s, strict=True)):
        kept = _kept(len(z), without)
        smooth = smooth_times(z[kept], since_s[kept])
        found.append(_predicted(scenario, draws, smooth, number=number, errors=errors))
    return earliest_of(found)


def earliest_of(fires: Sequence[MemberFires]) -> MemberFires:
    """Give what the first of some fires does, member by member."""
    every = [[getattr(one, field.name) for one in fires] for field in fields(MemberFires)]
    return MemberFires(*(reduce(np.minimum, of) for of in every))


def first_fires(scenario: Scenario, design: FireDesign) -> MemberFires:
    """Give what the first fires of the design did, as they were solved, all ignitions together."""
    return earliest_of(
        [_fires(scenario, design.draws, s[:FIRST], number=number) for number, s in enumerate(design.since_s)]
    )
