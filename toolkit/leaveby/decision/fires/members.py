"""Seeded members: the same household, the same roads, many fires that the published errors allow.

A member is one draw of everything uncertain: how wrong the rate-of-spread equation is, how wrong the forecast wind is
and when the weather comes, how long each task takes, how slow the drive is. The draws are common to all ways of leaving
and to all start times, so that differences between them are never luck.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from leaveby import parameters
from leaveby.chance import stream
from leaveby.household.plan import Plan, uncertain_people

Progress = Callable[[int, int], None]

MORNINGS: Final = 2000
"""So many mornings of the household are drawn at most, and met by the members' fires in turn."""


@dataclass(frozen=True)
class Draws:
    """What is uncertain, drawn once for all ways of leaving; one row or number for each member.

    - `ros_z`: standard normal quantile of the rate-of-spread error, the same for every model in a member.
    - `wind_factor`, `wind_turn_deg`: wind speed over forecast wind speed; direction less forecast direction, clockwise.
    - `weather_shift_s`: when the weather comes less when it was forecast: above 0 it comes later.
    - `drive_factor`: travel time over computed travel time, 1 or more.
    - `duration_uniform`, shape (members, tasks): uniform quantile of each task's duration, tasks in the plan's order;
      those of one member go slowly together.
    - `place_uniform`, `unseen_uniform`, shape (members, ignitions): uniform quantiles of where along its line or area
      each fire starts, and how long it burnt unseen.
    - `arrival_uniform`, shape (members, uncertain people): uniform quantile of when each person comes home.
    """

    ros_z: NDArray[np.float64]
    wind_factor: NDArray[np.float64]
    wind_turn_deg: NDArray[np.float64]
    weather_shift_s: NDArray[np.float64]
    drive_factor: NDArray[np.float64]
    duration_uniform: NDArray[np.float64]
    place_uniform: NDArray[np.float64]
    unseen_uniform: NDArray[np.float64]
    arrival_uniform: NDArray[np.float64]

    @property
    def members(self) -> int:
        """Number of members."""
        return int(self.ros_z.size)


def draw_members(
    members: int,
    *,
    seed: int,
    tasks: Sequence[str] = (),
    ignitions: Sequence[str] = (),
    arrivals: Sequence[str] = (),
    batch: int = 0,
) -> Draws:
    """Draw the members, each uncertain thing from a stream of chance of its own.

    A stream is known by seed, kind, name and batch alone (`leaveby.chance.stream`), so one more task, person or
    ignition leaves every other column bit for bit as it was; a name that stands twice is told apart by its number among
    those alike. Each column has one member in each of as many equal slices as there are members, in an order of its
    own: a Latin hypercube whose columns are drawn one by one (McKay, Beckman and Conover 1979, Technometrics
    21:239-245; from memory), so that few members cover each error evenly.

    Wind speed error is lognormal with median 1, wind direction error normal about 0, the error in when the weather
    comes normal about 0, the drive between as computed and `DRIVE_TIME_FACTOR_HIGH` times as long (never quicker than
    computed). Tasks go slowly together: the normal score of each task is the common one of its member to the stated
    share, its own for the rest (a Gaussian copula with one factor), so that each duration keeps its distribution.
    """

    mornings = min(members, MORNINGS)

    def even(kind: str, name: str = "", *, count: int = members) -> NDArray[np.float64]:
        """One number in each of so many equal slices of 0 to 1, in an order of its own."""
        rng = stream(seed, kind, name, batch=batch)
        return np.asarray((rng.permutation(count) + rng.random(count)) / count, dtype=np.float64)

    def columns(kind: str, names: Sequence[str], *, count: int = members) -> NDArray[np.float64]:
        met: dict[str, int] = {}
        found = np.empty((count, len(names)))
        for column, name in enumerate(names):
            met[name] = met.get(name, 0) + 1
            found[:, column] = even(kind, name if met[name] == 1 else f"{name} ({met[name]})", count=count)
        return found

    def at_home(drawn: NDArray[np.float64]) -> NDArray[np.float64]:
        """Repeat the household's mornings over the members."""
        return np.resize(drawn, (members, *drawn.shape[1:]))

    share = parameters.TASKS_SLOW_TOGETHER.value
    common_z = ndtri(even("slowness of all tasks", count=mornings))
    own_z = ndtri(columns("duration of a task", tasks, count=mornings))
    together_z = np.sqrt(share) * common_z[:, None] + np.sqrt(1.0 - share) * own_z
    return Draws(
        ros_z=ndtri(even("rate of spread")),
        wind_factor=np.exp(parameters.WIND_SPEED_ERROR.value * ndtri(even("wind speed"))),
        wind_turn_deg=parameters.WIND_TURN_ERROR_DEG.value * ndtri(even("wind direction")),
        weather_shift_s=parameters.WEATHER_SHIFT_S.value * ndtri(even("when the weather comes")),
        drive_factor=1.0 + (parameters.DRIVE_TIME_FACTOR_HIGH.value - 1.0) * even("drive"),
        duration_uniform=at_home(ndtr(together_z)),
        place_uniform=columns("place of an ignition", ignitions),
        unseen_uniform=columns("time unseen of an ignition", ignitions),
        arrival_uniform=at_home(columns("arrival of a person", arrivals, count=mornings)),
    )


def plan_draws(plan: Plan, members: int, *, seed: int | None = None, batch: int = 0) -> Draws:
    """Draw members for everything in a plan that is uncertain, by the plan's own seed or another."""
    return draw_members(
        members,
        seed=plan.seed if seed is None else seed,
        tasks=[task.name for task in plan.tasks],
        ignitions=[ignition.name for ignition in plan.ignitions],
        arrivals=[person.name for person in uncertain_people(plan)],
        batch=batch,
    )


def pick_draws(draws: Draws, which: NDArray[np.int64]) -> Draws:
    """Keep some of the members: the same draws, fewer of them, in the given order."""
    return Draws(**{field.name: getattr(draws, field.name)[which] for field in fields(Draws)})


@dataclass(frozen=True)
class MemberFires:
    """What each member's fire did to the places that matter.

    - `closing_s`, shape (members, stretches): when each watched stretch shuts, smoke lead taken off.
    - `point_arrival_s`, shape (members, points): arrival at each watched cell.
    - `ember_s`, shape (members,): earliest embers at the first of the points, the home.
    """

    closing_s: NDArray[np.float64]
    point_arrival_s: NDArray[np.float64]
    ember_s: NDArray[np.float64]


@dataclass(frozen=True)
class Members:
    """All members, with what each one's fire did to the watched stretches.

    - `column_of`: where each watched edge of the road network stands among the columns of `fires.closing_s`.
    - `solved`: how many fires were solved for them.
    - `left_out`: where their fires are read off smooth functions: the first of the members, and what those would be if
      a part of the solved fires had been left out, a part each. Empty where every member's own fire was solved.
    """

    draws: Draws
    fires: MemberFires
    column_of: Mapping[int, int]
    solved: int = 0
    left_out: tuple[Members, ...] = ()

    def closing_on(self, edges: Iterable[int]) -> NDArray[np.float64]:
        """Give the closings of some watched edges, shape (members, edges)."""
        return self.fires.closing_s.T[[self.column_of[int(edge)] for edge in edges]].T


def first_of(draws: Draws, most: int) -> Draws:
    """Keep the first members, so many of them at most."""
    return pick_draws(draws, np.arange(min(most, draws.members)))


def pick_fires(fires: MemberFires, which: NDArray[np.int64]) -> MemberFires:
    """Keep the fires of some of the members."""
    return MemberFires(**{field.name: getattr(fires, field.name)[which] for field in fields(MemberFires)})
