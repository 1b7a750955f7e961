"""Too near: fire at a place leaves less time than it takes to learn of it, get ready, and clear the road.

For each hour of a rating's day, each wind and each route, one backward solve gives for fire at any place how long it
takes to the road, less the drive; a place is too near when too many members need longer. A member has its own speed of
fire, drive, ready time and time to learn of the fire, so only what the members need is put at the confidence.

With `d` the travel time of the reference fire, `f` how much faster a member's fire is, `g` how much slower its drive,
`tau` the drive and `need` all else that it needs, a member is in time where `d / f - g tau >= need` at every point of
the road. That holds where `min(d - k tau) >= f need + max(f g - k, 0) tau_last`, whatever the `k`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from leaveby.chance import stream
from leaveby.confidence import longest_at_confidence
from leaveby.decision.fires.closing import StretchCells, select
from leaveby.decision.fires.members import Draws
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.fire.arrival.ground import Ground as LegsGround
from leaveby.fire.arrival.ground import make_ground
from leaveby.fire.arrival.solve import lead_time
from leaveby.fire.spread.ellipse import SpreadTable, any_wind
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FireChoice, FlatSpread, SpreadZones, flat_spread, table_for_member
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.series import Weather, local_hour, perturbed
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import Person, Way
from leaveby.household.sampling import sample_arrivals
from leaveby.parameters import CREEP_ROS_M_S

WIND_NODES: Final = 9

LESS_WIND_M_S: Final = (5.0 / 3.6, 0.0)
"""Above the first the printed equations of grass, dry eucalypt forest and shrubland rise many times as steeply; without
any, fire runs to all sides, which in forest counts for more than what a light wind gains ahead of it."""


@dataclass(frozen=True)
class Ground:
    """The ground on which fires may start, and where a household's routes run over it.

    - `start_share`, shape (rows, cols): how likely a fire starts in each cell; sums to 1 with `off_share`.
    - `off_share`, shape (16,): the same for ground within the radius that the map does not hold, by direction.
    """

    grid: Grid
    zones: SpreadZones
    gradients: tuple[NDArray[np.float32], NDArray[np.float32]]
    choice: FireChoice
    home_cell: tuple[int, int]
    start_share: NDArray[np.float64]
    off_share: NDArray[np.float64]

    @cached_property
    def legs_over(self) -> LegsGround:
        """The ground as the solver takes it, made once for all winds."""
        return make_ground(self.zones.zone, *self.gradients)


@dataclass(frozen=True)
class Needs:
    """What the members of one way of leaving need, common to all ratings, winds and hours.

    - `learns_s`, shape (members,): from the start of a fire until one knows of it and has decided.
    - `ready_s`, shape (members,): getting ready.
    - `kept_s`: margin and smoke lead, the same for all.
    """

    way: Way
    draws: Draws
    learns_s: NDArray[np.float64]
    ready_s: NDArray[np.float64]
    kept_s: float


def learning_times_s(plan: Plan, members: int, *, seed: int | None = None) -> NDArray[np.float64]:
    """Draw how long every member takes to know of a fire and to decide, by the plan's own seed or another."""
    soonest_s, likely_s, latest_s = plan.rules.learns_s
    knows = Person("word of fire", (), likely_s, soonest_s, latest_s)
    rng = stream(plan.seed if seed is None else seed, "learning of a fire")
    even = (rng.permutation(members) + rng.random(members)) / members
    uniforms = even[:, None] if knows.arrival_is_uncertain else np.zeros((members, 0))
    return sample_arrivals((knows,), members=members, kind=plan.durations, uniforms=uniforms)[:, 0]


def table_on(ground: Ground, weather: Weather, *, z: float) -> SpreadTable:
    """Make the spread table of a day on the ground, every model at one standard normal number of its error."""
    return table_for_member(
        ground.zones, weather, gradients=ground.gradients, choice=ground.choice, ros_factors=ros_factors(z)
    )


@dataclass(frozen=True)
class DayFires:
    """How fast the reference fire runs on a day, model errors at the confidence, and how much faster members' fires.

    - `head_m_s`, shape (steps, zones): of the reference fire, on flat ground.
    - `member_m_s`, shape (members, steps, zones): of each member's fire.
    - `mean_m_s`, shape (steps,): of the reference fire, over the ground.
    - `calm`: the same day with no wind above the next of `LESS_WIND_M_S`; None where it has none.
    """

    weather: Weather
    head_m_s: NDArray[np.float64]
    member_m_s: NDArray[np.float64]
    mean_m_s: NDArray[np.float64]
    calm: DayFires | None = None


def day_fires(ground: Ground, weather: Weather, *, draws: Draws, confidence: float) -> DayFires:
    """Work out the speeds of a day's fires.

    Wind factors are read off `WIND_NODES` winds between the members' weakest and strongest.
    """
    zones, choice = ground.zones, ground.choice

    def flat(wind_factor: float, z: float | None) -> FlatSpread:
        return flat_spread(
            perturbed(weather, wind_factor=wind_factor),
            zones,
            choice=choice,
            ros_factors=None if z is None else ros_factors(z),
        )

    calm = None
    for most_m_s in LESS_WIND_M_S:
        if calm is None and (weather.wind_speed_m_s > most_m_s).any():
            slower = replace(weather, wind_speed_m_s=np.minimum(weather.wind_speed_m_s, most_m_s))
            calm = day_fires(ground, slower, draws=draws, confidence=confidence)
    head_m_s = flat(1.0, float(ndtri(confidence))).head_ros_m_s
    cells = np.bincount(zones.zone[zones.zone >= 0].ravel(), minlength=head_m_s.shape[1])
    mean_m_s = head_m_s @ (cells / cells.sum())
    if choice.set_m_s is not None:
        return DayFires(weather, head_m_s, np.broadcast_to(head_m_s, (draws.members, *head_m_s.shape)), mean_m_s, calm)
    log_wind = np.log(draws.wind_factor)
    nodes = np.linspace(log_wind.min(), log_wind.max(), WIND_NODES)
    found = [flat(float(np.exp(node)), None) for node in nodes]
    by_node = np.stack([one.by_model_m_s for one in found])
    factors = [ros_factors(float(z)) for z in draws.ros_z]
    at = np.interp(log_wind, nodes, np.arange(nodes.size))
    below = np.minimum(at.astype(np.int64), nodes.size - 2)
    part = (at - below)[:, None, None]
    member_m_s = np.full((draws.members, *head_m_s.shape), max(choice.floor_m_s or 0.0, CREEP_ROS_M_S.value))
    for number, model in enumerate(found[0].models):
        rate = (1.0 - part) * by_node[below, number] + part * by_node[below + 1, number]
        rate *= np.array([one[model] for one in factors])[:, None, None]
        np.maximum(member_m_s, rate, out=member_m_s)
    return DayFires(weather, head_m_s, member_m_s, mean_m_s, calm)


@dataclass(frozen=True)
class Fastest:
    """The fastest that fire may be in some steps of a day.

    - `head_m_s`, shape (zones,): of the reference fire, on flat ground, in the step that is worst for each zone.
    - `factor`, shape (members,): how much faster each member's fire may be, in the fuel where that is most.
    - `wind_m_s`: of the step that is worst over the ground, and `turns_deg` how far the day's wind turns from it.
    - `still`: the same without wind; None where there is none.
    """

    head_m_s: NDArray[np.float64]
    factor: NDArray[np.float64]
    wind_m_s: float
    turns_deg: float
    still: Fastest | None = None

    @property
    def key(self) -> tuple[object, ...]:
        """Tell apart what leads are solved for."""
        still = self.still and self.still.key
        return self.head_m_s.tobytes(), self.factor.tobytes(), self.wind_m_s, self.turns_deg, still


def fastest(day: DayFires, *, within: NDArray[np.bool_]) -> Fastest:
    """Put the steps together in which fire may run; `within` has shape (steps,).

    Members differ most from the reference fire in light winds, and a factor of one fuel holds for all: a windier day's
    is never less than what the calmer one's comes to, or more wind would leave more time.
    """
    head_m_s = day.head_m_s[within].max(axis=0)
    factor = (day.member_m_s[:, within].max(axis=1) / head_m_s).max(axis=1)
    still = None
    if day.calm is not None:
        calm = fastest(day.calm, within=within)
        still = calm.still or calm
        factor = np.maximum(factor, calm.factor * (calm.head_m_s / head_m_s).max())
    step = int(np.argmax(np.where(within, day.mean_m_s, -1.0)))
    from_deg = day.weather.wind_from_deg[:, 0]
    turns_deg = np.mod(from_deg - from_deg[step] + 180.0, 360.0) - 180.0
    most_deg = float(turns_deg[np.argmax(np.abs(turns_deg))])
    return Fastest(head_m_s, factor, float(day.weather.wind_speed_m_s[step, 0]), most_deg, still)


def reference_table(ground: Ground, fire: Fastest, *, wind_from_deg: float | None) -> SpreadTable:
    """Make the reference fire's table of one unchanging step: with wind from a direction, or None: from anywhere."""
    angle = np.radians(wind_from_deg or 0.0)
    one = np.ones((1, fire.head_m_s.size))
    table = SpreadTable(
        ground.grid,
        ground.zones.zone,
        *ground.gradients,
        np.zeros(1),
        fire.head_m_s[None],
        -fire.wind_m_s * float(np.sin(angle)) * one,
        -fire.wind_m_s * float(np.cos(angle)) * one,
        ground.zones.grass.astype(np.int8),
    )
    return any_wind(table) if wind_from_deg is None else table


@dataclass(frozen=True)
class Threshold:
    """How long fire must take to a route, less the drive, for one step of a day: in the reference fire's time.

    - `drive_ratio`: by how much the drive is stretched in the lead time (`k` of the module's words).
    - `go_s`: with less than this, fire that starts there is too near: one has to learn of it first.
    - `late_s`: with less than this, it is too late to begin getting ready even now.
    """

    drive_ratio: float
    go_s: float
    late_s: float


def threshold(
    needs: Needs, factor: NDArray[np.float64], *, drive_s: float, confidence: float, held_up_s: float = 0.0
) -> Threshold:
    """Put the members' needs at the confidence; see the module's words. `factor` is from `fastest`.

    How long the neighbours' cars hold one up on the way (`held_up_s`) counts as if it were all at its beginning.
    """
    slowed = factor * needs.draws.drive_factor
    ratio = longest_at_confidence(slowed, confidence)
    over_s = np.maximum(slowed - ratio, 0.0) * drive_s
    late_s = factor * (needs.ready_s + needs.kept_s + held_up_s) + over_s
    go_s = late_s + factor * needs.learns_s
    return Threshold(ratio, longest_at_confidence(go_s, confidence), longest_at_confidence(late_s, confidence))


@dataclass(frozen=True)
class RouteCells:
    """Where fire shuts a route, and until when one is on it.

    - `stretches`: the cells that shut each of its stretches.
    - `xy_m`, shape (cells, 2), `cleared_s`, shape (cells,): centres of those that burn, and the drive until the last
      stretch that fire there shuts lies behind.
    """

    stretches: StretchCells
    xy_m: NDArray[np.float64]
    cleared_s: NDArray[np.float64]


def route_cells(
    ground: Ground, routes: Sequence[CandidateRoute], *, edges: Sequence[int], shut_by: StretchCells
) -> tuple[RouteCells, ...]:
    """Find the cells of some routes; `shut_by` holds those of each of `edges`."""
    grid, at_of = ground.grid, {edge: at for at, edge in enumerate(edges)}
    made = []
    for route in routes:
        stretches = select(shut_by, np.array([at_of[edge] for edge in route.edges], dtype=np.int64))
        cleared_s = np.zeros(grid.rows * grid.cols)
        np.maximum.at(cleared_s, stretches.cell, np.repeat(np.cumsum(route.edge_time_s), np.diff(stretches.first)))
        cells = np.unique(stretches.cell)
        cells = cells[ground.zones.zone.ravel()[cells] >= 0]
        row, col = np.divmod(cells, grid.cols)
        made.append(RouteCells(stretches, np.column_stack([grid.x_m[col], grid.y_m[row]]), cleared_s[cells]))
    return tuple(made)


def edges_of(routes: Sequence[CandidateRoute]) -> tuple[int, ...]:
    """Name the edges of some routes, each once."""
    return tuple(sorted({edge for route in routes for edge in route.edges}))


def lead_map(
    spread: SpreadTable, route: RouteCells, *, wanted: Threshold, legs_over: LegsGround | None = None
) -> NDArray[np.float32]:
    """Map how long fire at each cell takes to a route, less the stretched drive; inf where that is enough. Seconds."""
    if not len(route.xy_m):
        return np.full(spread.grid.shape, np.inf, dtype=np.float32)
    found = lead_time(
        spread,
        route.xy_m,
        value_s=-wanted.drive_ratio * route.cleared_s,
        horizon_s=wanted.go_s,
        fine=False,
        ground=legs_over,
    )
    return found.astype(np.float32)


def steps_between(weather: Weather, *, from_hour: float, until_hour: float) -> NDArray[np.bool_]:
    """Mark the steps that hold between two clock hours, on any day; up to 24 hours may lie between. Shape (steps,).

    Where the weather has none there, the last before is taken.
    """
    after = np.mod(local_hour(weather) - from_hour, 24.0)
    within = after < until_hour - from_hour
    if after.min() > 0.0:
        # the one before the span goes on into it
        within |= after == after.max()
    return within


def hours_of(hours: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Give the spans that the hours of the rules stand for: each to the next, the last over the night to the first.

    Examples
    --------
    >>> hours_of((10, 13, 16, 19)), hours_of((12,))
    (((10, 13), (13, 16), (16, 19), (19, 34)), ((12, 36),))
    """
    ordered = sorted(hours)
    return tuple(zip(ordered, [*ordered[1:], ordered[0] + 24], strict=True))
