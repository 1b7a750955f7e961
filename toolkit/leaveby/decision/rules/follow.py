"""Households that follow the rules through fires drawn anew: how often does one lose the race for the road?

Every fire has its own place, hour, wind, model error and weather; every household its own morning, drive and time to
learn of it. The fire then runs forward through the whole of its day, wind changes included.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.chance import stream
from leaveby.decision.fires.closing import closing_times
from leaveby.decision.fires.members import Draws, plan_draws
from leaveby.decision.fires.solved import solve_each
from leaveby.decision.rules.rules import Asked
from leaveby.decision.rules.too_near import RouteCells, learning_times_s, table_on
from leaveby.decision.ways.result import Rule, Rules
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.decision.ways.timing import readiness_of
from leaveby.fire.arrival.solve import Ignition
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.weather.ratings import RatedDay
from leaveby.fire.weather.series import perturbed, rebased, shifted
from leaveby.household.plan_tables import Way

FOLLOWED_S = 8.0 * 3600.0
"""So long every fire is followed from its start."""


@dataclass(frozen=True)
class Followed:
    """What became of households that followed one rule, or would have waited for word although told not to.

    - `fires`: how many.
    - `went`: in how many of them the fire came inside the line, so that one went (or would have).
    - `stayed_behind`: of those who would tow, how many found it too late by the time they knew, and drove.
    - `caught`: how many met a stretch with fire on it; `from_afar`: how many of them by a fire that started outside the
      line; `margin_lost`: how many passed one without the full margin.
    """

    rule: Rule
    fires: int
    went: int
    stayed_behind: int
    caught: int
    from_afar: int
    margin_lost: int


@dataclass(frozen=True)
class _Fires:
    """Fires drawn anew: where and when each starts (seconds on the day's clock), its wind's turn, and all else."""

    draws: Draws
    learns_s: NDArray[np.float64]
    xy_m: NDArray[np.float64]
    at_s: NDArray[np.float64]
    turn_deg: NDArray[np.float64]


def follow(
    asked: Asked,
    rules: Rules,
    day: RatedDay,
    *,
    fires: int,
    seed: int,
    progress: Callable[[int, int], None] | None = None,
) -> dict[Way, Followed]:
    """Follow the rules of a rated day through so many fires, by each way of leaving on its own.

    `seed` is another than the plan's, or households meet the very members that the rules were made from.
    """
    ground = asked.ground
    drawn = _drawn(asked, day, fires=fires, seed=seed)
    ready_s = {way: readiness_of(asked.scenario, way, drawn.draws).ready_s for way in asked.routes}
    met: dict[Way, list[_Met]] = {way: [] for way in asked.routes}

    def table_of(fire: int) -> SpreadTable:
        from_start = rebased(day.weather, day.weather.start + timedelta(seconds=float(drawn.at_s[fire])))
        weather = shifted(from_start, float(drawn.draws.weather_shift_s[fire]))
        factor, turn = float(drawn.draws.wind_factor[fire]), float(drawn.turn_deg[fire])
        z = float(drawn.draws.ros_z[fire])
        return table_on(ground, perturbed(weather, wind_factor=factor, wind_turn_deg=turn), z=z)

    def keep(fire: int, _: SpreadTable, time_s: NDArray[np.float64]) -> None:
        morning = {way: float(ready_s[way][fire]) for way in asked.routes}
        late_s, factor = float(drawn.learns_s[fire]), float(drawn.draws.drive_factor[fire])
        for way in asked.routes:
            met[way].append(_meet(asked, rules, _Morning(day.name, late_s, morning, factor), way=way, time_s=time_s))

    solve_each(
        fires,
        table_of,
        ignitions_of=lambda fire: (Ignition(shapely.Point(drawn.xy_m[fire]), 0.0),),
        horizon_s=FOLLOWED_S,
        keep=keep,
        workers=asked.workers,
        progress=progress,
    )
    return {
        way: Followed(rules.rules[day.name, way], fires, *(int(sum(column)) for column in zip(*found, strict=True)))
        for way, found in met.items()
    }


def _drawn(asked: Asked, day: RatedDay, *, fires: int, seed: int) -> _Fires:
    plan, ground = asked.scenario.inputs.plan, asked.ground
    rng = stream(seed, "fires that nobody knows", day.name)
    share = ground.start_share.ravel()
    at = rng.choice(share.size, size=fires, p=share / share.sum())
    row, col = np.divmod(at, ground.grid.cols)
    xy_m = np.column_stack([ground.grid.x_m[col], ground.grid.y_m[row]])
    first_s, last_s = float(day.weather.time_s[0]), float(day.weather.time_s[-1])
    wind_deg = rng.choice(360.0 * np.arange(16) / 16.0, size=fires, p=np.asarray(plan.rules.wind_shares))
    wind_deg += rng.uniform(-11.25, 11.25, size=fires)
    at_s = rng.uniform(first_s, last_s, size=fires)
    now = np.searchsorted(day.weather.time_s, at_s, side="right") - 1
    return _Fires(
        draws=plan_draws(plan, fires, seed=seed),
        learns_s=learning_times_s(plan, fires, seed=seed),
        xy_m=xy_m,
        at_s=at_s,
        turn_deg=wind_deg - day.weather.wind_from_deg[now, 0],
    )


@dataclass(frozen=True)
class _Morning:
    """One household on a day of a rating: how long until it knows, getting ready by each way, and a slow drive."""

    rating: str
    learns_s: float
    ready_s: Mapping[Way, float]
    drive_factor: float


_Met = tuple[bool, bool, bool, bool, bool]
"""Whether a household went, stayed behind, was caught, and by a fire from outside the line, lost its margin."""


def _meet(asked: Asked, rules: Rules, morning: _Morning, *, way: Way, time_s: NDArray[np.float64]) -> _Met:
    """Send one household off under one fire.

    It goes so long after fire first came inside the line as word takes, and by the road that the sheet names for every
    ground where fire then lies, or else for the place where it came in: of several that are named, by the one that
    fares worst. Who finds it too late to tow leaves the house behind and drives, whatever the car's own line says.
    """
    rule = rules.rules[morning.rating, way]
    first = np.where(rule.go_cells, time_s, np.inf)
    at = int(first.argmin())
    if not np.isfinite(first.flat[at]):
        return (False, False, False, False, False)
    word_s = float(first.flat[at]) + morning.learns_s
    behind = way == "tow" and bool((rule.late_cells & (time_s <= word_s)).any()) and "car" in asked.routes
    if behind:
        way = "car"
        rule = rules.rules[morning.rating, way]
    named = np.flatnonzero(rule.equal_cells[:, time_s <= word_s].all(axis=1))
    if not named.size:
        named = np.flatnonzero(rule.equal_cells.reshape(-1, time_s.size)[:, at])
    plan = asked.scenario.inputs.plan
    spare_s = min(
        _spare_s(asked.routes[way][number], asked.cells[way][number], morning, way=way, word_s=word_s, time_s=time_s)
        for number in named
    )
    afar = not bool(rule.go_cells.flat[int(time_s.argmin())])
    return (True, behind, spare_s < 0.0, spare_s < 0.0 and afar, spare_s < plan.margin_s + plan.roads.smoke_lead_s)


def _spare_s(
    route: CandidateRoute, cells: RouteCells, morning: _Morning, *, way: Way, word_s: float, time_s: NDArray[np.float64]
) -> float:
    """Give how long before fire comes to a stretch one is past it, at the least; below 0: after."""
    passed_s = word_s + morning.ready_s[way] + np.cumsum(route.edge_time_s) * morning.drive_factor + route.waits_s
    return float(np.min(closing_times(cells.stretches, time_s, smoke_lead_s=0.0) - passed_s, initial=np.inf))
