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
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri

from leaveby.chance import stream
from leaveby.confidence import longest_at_confidence
from leaveby.decision.fires.members import Draws
from leaveby.decision.fires.scenario import FireChoice
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.fire.arrival.solve import lead_time
from leaveby.fire.spread.ellipse import SpreadTable, any_wind
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import SpreadZones, flat_spread, table_for_member
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.series import Weather, local_hour
from leaveby.household.plan import Plan, Way
from leaveby.household.plan_tables import Person
from leaveby.household.sampling import sample_arrivals
from leaveby.parameters import CREEP_ROS_M_S
from leaveby.roads.network.graph import RoadNetwork

WIND_NODES: Final = 9
ROAD_STEP_CELLS: Final = 0.5
FARTHER: Final = 1.3
"""Lead times are followed a little beyond what is too near, so that the notebook can ask for more."""


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
        ground.zones,
        weather,
        gradients=ground.gradients,
        models=ground.choice.models,
        ros_factors=ros_factors(z),
        floor_m_s=ground.choice.floor_m_s,
        set_m_s=ground.choice.set_m_s,
    )


def reference_table(
    ground: Ground, weather: Weather, *, confidence: float, wind_from_deg: float | None = None, step: int = 0
) -> SpreadTable:
    """Make the reference fire's table, model errors at the confidence: with wind from anywhere, or from a direction.

    A direction turns the whole day so that the step's wind comes from there.
    """
    z = float(ndtri(confidence))
    if wind_from_deg is None:
        return any_wind(table_on(ground, weather, z=z))
    turn_deg = wind_from_deg - weather.wind_from_deg[step : step + 1]
    return table_on(ground, replace(weather, wind_from_deg=np.mod(weather.wind_from_deg + turn_deg, 360.0)), z=z)


def speed_factors(
    ground: Ground, weather: Weather, *, step: int, draws: Draws, confidence: float
) -> NDArray[np.float64]:
    """Give how much faster each member's fire is than the reference fire, in the fuel where that is most; (members,).

    Wind factors are read off `WIND_NODES` winds between the members' weakest and strongest.
    """
    if ground.choice.set_m_s is not None:
        return np.ones(draws.members)
    at = slice(step, step + 1)
    log_wind = np.log(draws.wind_factor)
    nodes = np.append(np.linspace(log_wind.min(), log_wind.max(), WIND_NODES), 0.0)

    def repeated(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.repeat(values[at], nodes.size, axis=0)

    # One moment of the day under every wind, as steps too short for the sun to move.
    winds = replace(
        weather,
        time_s=weather.time_s[step] + 0.001 * np.arange(nodes.size),
        air_temperature_c=repeated(weather.air_temperature_c),
        relative_humidity_percent=repeated(weather.relative_humidity_percent),
        wind_speed_m_s=repeated(weather.wind_speed_m_s) * np.exp(nodes)[:, None],
        wind_from_deg=repeated(weather.wind_from_deg),
        gust_m_s=None,
        drought_factor=repeated(weather.drought_factor),
        curing_percent=repeated(weather.curing_percent),
    )
    flat = flat_spread(winds, ground.zones, models=ground.choice.models)
    least = max(ground.choice.floor_m_s or 0.0, CREEP_ROS_M_S.value)
    used = np.unique(ground.zones.zone[ground.zones.zone >= 0])
    own = [ros_factors(float(z)) for z in draws.ros_z]
    reference = ros_factors(float(ndtri(confidence)))
    fastest = np.zeros(draws.members)
    for zone in used:
        by_model = flat.by_model_m_s[:, :, zone]
        head = np.full(draws.members, least)
        base = least
        for number, model in enumerate(flat.models):
            rate = np.interp(log_wind, nodes[:-1], by_model[number, :-1])
            head = np.maximum(head, rate * np.array([one[model] for one in own]))
            base = max(base, float(by_model[number, -1]) * reference[model])
        fastest = np.maximum(fastest, head / base)
    return fastest


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


def threshold(needs: Needs, factor: NDArray[np.float64], *, drive_s: float, confidence: float) -> Threshold:
    """Put the members' needs at the confidence; see the module's words. `factor` is from `speed_factors`."""
    slowed = factor * needs.draws.drive_factor
    ratio = longest_at_confidence(slowed, confidence)
    over_s = np.maximum(slowed - ratio, 0.0) * drive_s
    late_s = factor * (needs.ready_s + needs.kept_s) + over_s
    go_s = late_s + factor * needs.learns_s
    return Threshold(ratio, longest_at_confidence(go_s, confidence), longest_at_confidence(late_s, confidence))


def lead_map(
    spread: SpreadTable,
    route: CandidateRoute,
    network: RoadNetwork,
    *,
    wanted: Threshold,
    standoff_m: float,
    step: int,
    beyond: float = FARTHER,
) -> NDArray[np.float32]:
    """Map how long fire at each cell takes to a route, less the stretched drive; inf beyond what matters. Seconds.

    With `beyond`, so many times the threshold is followed.
    """
    points, values, cleared_s = [], [], 0.0
    for edge, time_s in zip(route.edges, route.edge_time_s, strict=True):
        cleared_s += float(time_s)
        spots = shapely.get_coordinates(
            shapely.segmentize(network.geometry[edge], ROAD_STEP_CELLS * spread.grid.cell_m)
        )
        points.append(spots)
        values.append(np.full(len(spots), -cleared_s * wanted.drive_ratio))
    found = lead_time(
        spread,
        np.concatenate(points),
        value_s=np.concatenate(values),
        reach_m=standoff_m + spread.grid.cell_m * float(np.sqrt(0.5)),
        step=step,
        horizon_s=beyond * wanted.go_s,
        fine=False,
    )
    return found.astype(np.float32)


def worst_step(ground: Ground, weather: Weather, *, from_hour: float, until_hour: float, confidence: float) -> int:
    """Choose the step in which fire is fastest over the ground, among those that hold between two clock hours.

    Up to 24 hours may lie between them. Where the weather has no step there, its worst step is taken.
    """
    table = reference_table(ground, weather, confidence=confidence)
    cells = np.bincount(table.zone[table.zone >= 0].ravel(), minlength=table.flat_head_ros_m_s.shape[1])
    mean_m_s = table.flat_head_ros_m_s @ (cells / cells.sum())
    # a step counts that begins in the span, and the one that holds when it begins
    after = np.mod(local_hour(weather) - from_hour, 24.0)
    within = after < until_hour - from_hour
    within |= after == after.max()
    return int(np.argmax(np.where(within, mean_m_s, -1.0)))


def hours_of(hours: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Give the spans that the hours of the rules stand for: each to the next, the last over the night to the first.

    Examples
    --------
    >>> hours_of((10, 13, 16, 19)), hours_of((12,))
    (((10, 13), (13, 16), (16, 19), (19, 34)), ((12, 36),))
    """
    ordered = sorted(hours)
    return tuple(zip(ordered, [*ordered[1:], ordered[0] + 24], strict=True))
