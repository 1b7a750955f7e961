"""Households that follow the rules through fires drawn anew: how often does one lose the race for the road?

Every fire has its own place, hour, wind, model error and weather; every household its own morning, drive and time to
learn of it. The fire then runs forward through the whole of its day, wind changes included.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.chance import stream
from leaveby.decision.fires.closing import StretchCells, closing_times, stretch_cells
from leaveby.decision.fires.members import Draws, plan_draws
from leaveby.decision.fires.solved import solve_each
from leaveby.decision.rules.rules import Asked
from leaveby.decision.rules.too_near import learning_times_s, table_on
from leaveby.decision.ways.result import Rule, Rules
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.decision.ways.timing import readiness_of
from leaveby.fire.arrival.solve import Ignition
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.weather.ratings import RatedDay
from leaveby.fire.weather.series import perturbed, shifted
from leaveby.household.plan import Way

FOLLOWED_S = 8.0 * 3600.0
"""So long every fire is followed from its start."""


@dataclass(frozen=True)
class Followed:
    """What became of households that followed one rule, or would have waited for word although told not to.

    - `fires`: how many.
    - `went`: in how many of them the fire came inside the line, so that one went (or would have).
    - `stayed_behind`: of those who would tow, how many found it too late by the time they knew, and drove.
    - `caught`: how many met a stretch with fire on it; `margin_lost`: how many passed one without the full margin.
    """

    rule: Rule
    fires: int
    went: int
    stayed_behind: int
    caught: int
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
    plan, ground = asked.scenario.inputs.plan, asked.ground
    drawn = _drawn(asked, day, fires=fires, seed=seed)
    own = {way: rules.rules[day.name, way] for way in asked.routes}
    cells = {way: _cells(asked, routes) for way, routes in asked.routes.items()}
    ready_s = {way: readiness_of(asked.scenario, way, drawn.draws).ready_s for way in asked.routes}
    met: dict[Way, list[tuple[bool, bool, bool, bool]]] = {way: [] for way in asked.routes}

    def table_of(fire: int) -> SpreadTable:
        weather = shifted(day.weather, float(drawn.draws.weather_shift_s[fire]) - drawn.at_s[fire])
        factor, turn = float(drawn.draws.wind_factor[fire]), float(drawn.turn_deg[fire])
        z = float(drawn.draws.ros_z[fire])
        return table_on(ground, perturbed(weather, wind_factor=factor, wind_turn_deg=turn), z=z)

    def keep(fire: int, _: SpreadTable, time_s: NDArray[np.float64]) -> None:
        for way in asked.routes:
            met[way].append(
                _meet(
                    own[way],
                    [_Route(one, part) for one, part in zip(asked.routes[way], cells[way], strict=True)],
                    time_s,
                    learns_s=float(drawn.learns_s[fire]),
                    ready_s=float(ready_s[way][fire]),
                    drive_factor=float(drawn.draws.drive_factor[fire]),
                    margin_s=plan.margin_s,
                    smoke_lead_s=plan.roads.smoke_lead_s,
                )
            )

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
        way: Followed(own[way], fires, *(int(sum(column)) for column in zip(*met[way], strict=True))) for way in met
    }


def _drawn(asked: Asked, day: RatedDay, *, fires: int, seed: int) -> _Fires:
    plan, ground = asked.scenario.inputs.plan, asked.ground
    rng = stream(seed, "fires that nobody knows", day.name)
    share = ground.start_share.ravel()
    at = rng.choice(share.size, size=fires, p=share / share.sum())
    row, col = np.divmod(at, ground.grid.cols)
    grid = ground.grid
    xy_m = np.column_stack([grid.x_min_m + (col + 0.5) * grid.cell_m, grid.y_max_m - (row + 0.5) * grid.cell_m])
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
class _Route:
    route: CandidateRoute
    cells: StretchCells


def _cells(asked: Asked, routes: tuple[CandidateRoute, ...]) -> list[StretchCells]:
    network, plan = asked.scenario.network, asked.scenario.inputs.plan
    return [
        stretch_cells(
            asked.ground.grid, list(network.geometry[np.asarray(one.edges)]), standoff_m=plan.roads.standoff_m
        )
        for one in routes
    ]


def _meet(
    rule: Rule,
    routes: list[_Route],
    time_s: NDArray[np.float64],
    *,
    learns_s: float,
    ready_s: float,
    drive_factor: float,
    margin_s: float,
    smoke_lead_s: float,
) -> tuple[bool, bool, bool, bool]:
    """Send one household off under one fire: whether it went, stayed behind, was caught, lost its margin."""
    first = np.where(rule.go_cells, time_s, np.inf)
    at = int(first.argmin())
    inside_s = float(first.flat[at])
    if not np.isfinite(inside_s):
        return (False, False, False, False)
    word_s = inside_s + learns_s
    burnt = time_s <= word_s
    if rule.way == "tow" and bool((rule.late_cells & burnt).any()):
        return (True, True, False, False)
    one = routes[int(rule.route_cells.flat[at])]
    passed_s = word_s + ready_s + np.cumsum(one.route.edge_time_s) * drive_factor
    fire_s = closing_times(one.cells, time_s, smoke_lead_s=0.0)
    caught = bool((passed_s > fire_s).any())
    return (True, False, caught, bool((passed_s > fire_s - smoke_lead_s - margin_s).any()))
