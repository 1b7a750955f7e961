"""A design of fires: few that are solved, spread so that smooth functions through them tell all others.

Each ignition has fires of its own (the first of several to arrive is the earliest of each alone), so that one more
ignition leaves those of the others as they were. The first fires fill the space of the uncertain numbers out to its
tails; more are set where the time at the asked confidence lies.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
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
from leaveby.decision.fires.members import Draws, MemberFires, first_of, pick_draws, plan_draws
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

FIRES: Final = FIRST + ROUNDS * MORE

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

LatestOf = Callable[[MemberFires, Draws], Mapping[str, NDArray[np.float64]]]
"""From members to the latest departure of each way of leaving."""

Told = Callable[[int, int, Mapping[str, float]], None]
"""Called with how many fires are solved, of how many at most, and the latest departures as they stand."""


@dataclass(frozen=True)
class IgnitionFires:
    """The solved fires of one ignition, and the functions through them, as if it were the only one.

    - `numbers`, shape (fires, numbers): what each fire is made of.
    - `since_s`, shape (fires, stretches + points + 1): seconds from each fire's start to where stretches shut (smoke
      lead not taken off), fire arrives at the points, and embers at the home.
    - `functions`: through all the fires, and without each of `PARTS` parts of them.
    """

    scenario: Scenario
    number: int
    numbers: NDArray[np.float64]
    since_s: NDArray[np.float64]
    functions: tuple[SmoothTimes, ...]

    def members(self, draws: Draws, *, part: int = 0) -> MemberFires:
        """Read members' fires off the functions, each with its error as drawn; without a part, 1 to `PARTS`."""
        plan = self.scenario.inputs.plan
        rng = stream(plan.seed, "error of a fire", plan.ignitions[self.number].name, str(self.number))
        z = fire_numbers(self.scenario, draws, number=self.number)
        return _fires(self.scenario, draws, times_at(self.functions[part], z, rng=rng), number=self.number)

    def known(self, draws: Draws, latest_of: LatestOf) -> tuple[dict[str, float], float]:
        """Give the latest departures at the plan's confidence, and how well the least known of them is known."""
        confidence = self.scenario.inputs.plan.confidence
        whole, *parts = (
            {
                way: latest_at_confidence(one, confidence)
                for way, one in latest_of(self.members(draws, part=part), draws).items()
            }
            for part in range(PARTS + 1)
        )
        unsure = (left_out_error_s(at_s, [part[way] for part in parts]) for way, at_s in whole.items())
        return whole, max(unsure, default=0.0)

    def where_it_matters(self, draws: Draws, latest_of: LatestOf) -> NDArray[np.int64]:
        """Choose members about the asked confidence, as far as may be from each other and from every solved fire."""
        late = 1.0 - self.scenario.inputs.plan.confidence
        about = np.zeros(draws.members, dtype=bool)
        for latest_s in latest_of(self.members(draws), draws).values():
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


@dataclass(frozen=True)
class FireDesign:
    """The solved fires of a scenario, ignition by ignition; the first of each have the same common `draws`."""

    draws: Draws
    ignitions: tuple[IgnitionFires, ...]

    @property
    def solved(self) -> int:
        """How many fires were solved."""
        return sum(len(one.numbers) for one in self.ignitions)


def design_fires(
    scenario: Scenario,
    *,
    watched: StretchCells,
    draws: Draws,
    latest_of: LatestOf,
    near_s: float,
    first: int = FIRST,
    workers: int = 1,
    told: Told | None = None,
) -> FireDesign:
    """Solve a design of fires: first all over the space of the numbers, then where the asked confidence lies.

    `draws` are the members that the functions are for; `latest_of` gives the latest departure of each way of leaving as
    if one ignition were the only one. Fires are added until those at the plan's confidence are known as nearly as
    `near_s`; with `first` of each ignition, a power of 2, it begins.
    """
    spread, few = _first_draws(scenario, first), first_of(draws, JUDGED_BY)
    total, done = (FIRES - FIRST + first) * len(scenario.starts), 0
    present: dict[str, float] = {}

    def solve(some: Draws, number: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        def tell(now: int, _: int) -> None:
            if told is not None:
                told(done + now, total, present)

        fires = solve_fires(
            scenario,
            table_of=lambda member: member_table(scenario, draws=some, member=member),
            draws=some,
            watched=watched,
            only=number,
            workers=workers,
            progress=tell,
        )
        return fire_numbers(scenario, some, number=number), _since(scenario, some, fires, number=number)

    ignitions = []
    for number in range(len(scenario.starts)):
        alone = _through(scenario, number, *solve(spread, number))
        done += first
        for _ in range(ROUNDS):
            latest_s, unsure_s = alone.known(few, latest_of)
            present |= {way: min(at_s, present.get(way, np.inf)) for way, at_s in latest_s.items()}
            if unsure_s <= near_s:
                break
            near = alone.where_it_matters(draws, latest_of)
            if near.size == 0:
                break
            z, since_s = solve(pick_draws(draws, near), number)
            done += near.size
            alone = _through(scenario, number, np.vstack([alone.numbers, z]), np.vstack([alone.since_s, since_s]))
        ignitions.append(alone)
    return FireDesign(spread, tuple(ignitions))


def _through(
    scenario: Scenario, number: int, numbers: NDArray[np.float64], since_s: NDArray[np.float64]
) -> IgnitionFires:
    """Put functions through an ignition's fires, and through all but each part of them."""
    part = np.arange(len(numbers)) % PARTS + 1
    functions = tuple(smooth_times(numbers[part != without], since_s[part != without]) for without in range(PARTS + 1))
    return IgnitionFires(scenario, number, numbers, since_s, functions)


def _first_draws(scenario: Scenario, count: int) -> Draws:
    """Spread the first fires over the numbers that all ignitions share, evenly and out to the tails."""
    plan = scenario.inputs.plan
    even = qmc.Sobol(COMMON, rng=stream(plan.seed, "design of fires")).random(count)
    z = TAILS * ndtri(np.clip(even, 1e-6, 1.0 - 1e-6))
    return replace(
        plan_draws(plan, count, batch=1),
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
    """Put times since the fire's start on the scenario's clock, in the same array."""
    plan, times_s = scenario.inputs.plan, since_s
    times_s += scenario.starts[number].began_s(draws.unseen_uniform[:, [number]])
    times_s[times_s > plan.horizon_s] = np.inf
    points = 1 + len(scenario.safe_cells)
    stretches = times_s.shape[1] - points - 1
    times_s[:, :stretches] -= plan.roads.smoke_lead_s
    return MemberFires(
        closing_s=times_s[:, :stretches],
        point_arrival_s=times_s[:, stretches:-1],
        ember_s=times_s[:, -1],
    )


def left_out_error_s(whole_s: float, parts_s: Sequence[float]) -> float:
    """Give half the width of the interval that holds a time, from what it is without each part of the fires.

    The root mean square of how far it moves stands for its standard error.
    """
    if all(part_s == whole_s for part_s in parts_s):
        return 0.0
    if not np.all(np.isfinite([whole_s, *parts_s])):
        return np.inf
    return SURE * float(np.sqrt(np.mean((np.array(parts_s) - whole_s) ** 2)))


def design_members(design: FireDesign, draws: Draws, *, part: int = 0) -> MemberFires:
    """Read the members' fires off the functions, the first of all ignitions to arrive; without a part, 1 to `PARTS`."""
    return earliest_of(one.members(draws, part=part) for one in design.ignitions)


def earliest_of(fires: Iterable[MemberFires]) -> MemberFires:
    """Give what the first of some fires does, member by member; no more than two of them are held at a time."""

    def earlier(one: MemberFires, other: MemberFires) -> MemberFires:
        names = (field.name for field in fields(MemberFires))
        return MemberFires(*(np.minimum(getattr(one, name), getattr(other, name)) for name in names))

    return reduce(earlier, fires)


def first_fires(design: FireDesign) -> MemberFires:
    """Give what the first fires of the design did, as they were solved, all ignitions together."""
    return earliest_of(
        _fires(one.scenario, design.draws, one.since_s[:FIRST].copy(), number=one.number) for one in design.ignitions
    )
