"""The fire of a drill: the plan's own, its head rate of spread scaled until the run to the home has a given mean speed.

"A fire at 12 km/h": in the central run each of the plan's fires is followed by itself; the one that comes to the home
first, or starts nearest where none comes, is the run. Its length is straight, from where it starts to the cell that
burns at (or nearest to) the home. One factor multiplies the head rate on flat ground in every fuel and at every step,
such that the run takes its length over the speed. Its members share that speed: neither the published error nor weather
that comes sooner or later takes part, and a member's wind error turns and narrows its fire but does not speed it up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import shapely
from scipy.optimize import brentq

from leaveby.decision.fires.members import Draws, Members, Progress, plan_draws
from leaveby.decision.fires.scenario import CENTRAL_Z, Scenario, central_ignitions, member_table, table_at
from leaveby.decision.fires.solved import solve_fires
from leaveby.decision.household.timed import Asked, Timed, time_ways
from leaveby.errors import refused
from leaveby.fire.arrival.solve import arrive
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.terrain import centre_of
from leaveby.household.plan import Plan
from leaveby.parameters import FASTEST_HEAD_M_S
from leaveby.units import km_h_from_m_s

_TOLERANCE: Final = 1e-4
_MOST_DOUBLINGS: Final = 24


@dataclass(frozen=True)
class HomeRun:
    """The run of one fire to the home.

    - `fire`: place among the plan's ignitions.
    - `cell`: the cell that burns at the home, or the nearest to it.
    - `length_m`: straight, from where the fire starts to the centre of that cell.
    - `speed_m_s`: mean over it in the plan's own central run; 0 where the fire does not come within the horizon.
    """

    fire: int
    cell: tuple[int, int]
    length_m: float
    speed_m_s: float


@dataclass(frozen=True)
class RunFire:
    """The fire of one round of a drill.

    - `speed_m_s`: mean speed of its run to the home; None for the plan's own fire.
    - `scale`: factor on the plan's own head rate of spread.
    - `central`: of the central run.
    - `table_of`: spread table of member i under given draws.
    """

    speed_m_s: float | None
    scale: float
    central: SpreadTable
    table_of: Callable[[Draws, int], SpreadTable]


def drill_draws(plan: Plan) -> Draws:
    """Draw the members of a drill as the household question draws them, the same for every run."""
    return plan_draws(plan, plan.members)


def scaled_table(table: SpreadTable, scale: float) -> SpreadTable:
    """Multiply the head rate of spread on flat ground everywhere, up to 30 m/s."""
    return replace(table, flat_head_ros_m_s=np.minimum(table.flat_head_ros_m_s * scale, FASTEST_HEAD_M_S.value))


def home_run(scenario: Scenario, table: SpreadTable) -> HomeRun:
    """Find the fire that runs to the home in a central run, and how far that is; one that starts there is refused."""
    # Homes stand in clearings: the home's cell, or the nearest one that burns.
    rows, cols = np.nonzero(scenario.zones.zone >= 0)
    row, col = scenario.home_cell
    nearest = int(np.argmin((rows - row) ** 2 + (cols - col) ** 2))
    cell = int(rows[nearest]), int(cols[nearest])
    plan, grid = scenario.inputs.plan, scenario.inputs.terrain.grid
    home = shapely.Point(*centre_of(grid, cell[0], col=cell[1]))
    found = []
    for number, ignition in enumerate(central_ignitions(scenario)):
        length_m = float(shapely.distance(ignition.geometry, home))
        until_s = max(plan.horizon_s, ignition.at_s + 60.0)
        time_s = float(arrive(table, [ignition], horizon_s=until_s).time_s[cell])
        taken_s = time_s - ignition.at_s
        speed_m_s = length_m / taken_s if np.isfinite(taken_s) and taken_s > 0.0 else 0.0
        found.append((time_s, length_m, number, speed_m_s))
    _, length_m, number, speed_m_s = min(found)
    if length_m < grid.cell_m:
        raise refused(f'ignition "{plan.ignitions[number].name}"', "fire_starts_at_home")
    return HomeRun(number, cell, length_m, speed_m_s)


def _scale_for_speed(scenario: Scenario, table: SpreadTable, *, run: HomeRun, speed_m_s: float) -> float:
    """The factor on the own central table's head rates with which a run has a mean speed, to a part in a thousand.

    Refused where the home lies so far to the fire's flank or back that no head rate up to 30 m/s brings it there.
    """
    ignition = central_ignitions(scenario)[run.fire]
    wanted_s = run.length_m / speed_m_s

    def late(log_scale: float) -> float:
        """How much too late, as a share of the wanted time; 3 where it is more than that."""
        arrival = arrive(
            scaled_table(table, float(np.exp(log_scale))), [ignition], horizon_s=ignition.at_s + 4.0 * wanted_s
        )
        return min((float(arrival.time_s[run.cell]) - ignition.at_s) / wanted_s - 1.0, 3.0)

    guess = float(np.log(speed_m_s / run.speed_m_s)) if run.speed_m_s > 0.0 else 0.0
    low, high, step = guess, guess, 0.25
    for _ in range(_MOST_DOUBLINGS):
        if late(low) >= 0.0:
            break
        low, step = low - step, 2.0 * step
    step = 0.25
    for _ in range(_MOST_DOUBLINGS):
        if late(high) <= 0.0:
            break
        if float(np.exp(high) * table.flat_head_ros_m_s.min()) > FASTEST_HEAD_M_S.value:
            place, fastest_km_h = (
                f"drill.speeds_km_h {km_h_from_m_s(speed_m_s):g}",
                km_h_from_m_s(FASTEST_HEAD_M_S.value),
            )
            raise refused(place, "run_not_reached", fastest_km_h=fastest_km_h)
        high, step = high + step, 2.0 * step
    if high - low < 1e-12:
        return float(np.exp(low))
    return float(np.exp(brentq(late, low, high, xtol=_TOLERANCE, rtol=_TOLERANCE)))


def own_fire(scenario: Scenario) -> RunFire:
    """Take the plan's own fire, its members those of the household question."""

    def table_of(draws: Draws, member: int) -> SpreadTable:
        return member_table(scenario, draws=draws, member=member)

    return RunFire(None, 1.0, table_at(scenario, z=CENTRAL_Z), table_of)


def fire_at_speed(scenario: Scenario, *, run: HomeRun, speed_m_s: float) -> RunFire:
    """Make the fire whose run to the home has a given mean speed: see the head of this module.

    Its members keep the forecast's clock: weather that came sooner would make another speed of it.
    """
    own = own_fire(scenario)
    scale = _scale_for_speed(scenario, own.central, run=run, speed_m_s=speed_m_s)
    central = scaled_table(own.central, scale)

    def table_of(draws: Draws, member: int) -> SpreadTable:
        on_time = replace(draws, weather_shift_s=np.zeros(draws.members))
        return replace(own.table_of(on_time, member), flat_head_ros_m_s=central.flat_head_ros_m_s)

    return RunFire(speed_m_s, scale, central, table_of)


def time_run(asked: Asked, fire: RunFire, *, draws: Draws, progress: Progress | None = None) -> Timed:
    """Time every way of leaving under one fire, as the household question does."""
    fires = solve_fires(
        asked.scenario,
        table_of=partial(fire.table_of, draws),
        draws=draws,
        watched=asked.watched,
        workers=asked.workers,
        progress=progress,
    )
    return time_ways(asked, Members(draws, fires, asked.column_of), central=fire.central)
