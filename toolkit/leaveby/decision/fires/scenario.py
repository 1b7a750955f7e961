"""The household's scenario made ready: points on the roads, fires on the grid, spread tables for each member."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from leaveby.decision.fires.members import Draws
from leaveby.errors import Fault, Faults, fault_of, refused
from leaveby.fire.arrival.solve import Ignition, bridged_zones
from leaveby.fire.fuel.zones import FuelMap
from leaveby.fire.spread import series
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FireChoice, SpreadZones
from leaveby.fire.terrain import Terrain, cell_of, gradients
from leaveby.fire.weather.ratings import District, RatedDay, Rating, rated_days
from leaveby.fire.weather.series import Weather, perturbed, rebased, shifted
from leaveby.household.plan import LIKE_THE_PLANS, Plan, way_numbers
from leaveby.parameters import SPOT_OVER_M
from leaveby.roads.exits.homes import Homes
from leaveby.roads.network.attach import attach_points
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.latest_departure import latest_departure

CENTRAL_Z: Final = 0.0


_NEAR: Final = timedelta(hours=6)
"""Weather that misses the fires by less is told in minutes and hours."""


@dataclass(frozen=True)
class WideGround:
    """The coarse ground for fire that nobody knows yet, in the reference system of the plan's own ground."""

    terrain: Terrain
    fuel: FuelMap
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True)
class HouseholdInputs:
    """Everything a plan names, read: what the doors hand to the decision room.

    - `network`: in the grid's reference system, without the plan's own points.
    - `places`: name, longitude and latitude of the places of the road extract, for landmarks.
    - `ratings`: those that the plan names, with the days that it gives them.
    - `record`: name and digest of each file, version and seed: enough to tell which inputs made a result.
    - `wide`: the ground of the rules; None when the plan names none and they stand on its own.
    - `neighbours`: the homes that the plan's neighbours are counted from, where it names a file of them.
    - `starts`, on that ground: how likely fires start in each cell, in any unit; None: everywhere alike.
    """

    plan: Plan
    terrain: Terrain
    fuel: FuelMap
    weather: Weather
    network: RoadNetwork
    assumptions: tuple[str, ...]
    record: Mapping[str, str]
    places: tuple[tuple[str, float, float], ...] = ()
    wide: WideGround | None = None
    starts: NDArray[np.float64] | None = None
    ratings: tuple[Rating, ...] = ()
    neighbours: Homes | None = None

    @property
    def starts_at(self) -> datetime:
        """Where the clock stands at 0 s: the first ignition, or the weather's first row where the plan has no fire."""
        return self.plan.starts_at if self.plan.has_worked_day else self.weather.start


@dataclass(frozen=True)
class FireStart:
    """Where and when one fire of the plan starts.

    - `at_s`, `unseen_up_to_s`: as seen, from the first ignition; it may have burnt for up to so long before.
    - `points_m`, shape (points, 2): where it may start when that is not known: centres of the burnable cells along the
      line or in the ring; empty when the whole shape burns from the start.
    """

    shape: BaseGeometry
    at_s: float
    unseen_up_to_s: float
    points_m: NDArray[np.float64]

    def picked(self, uniform: NDArray[np.float64]) -> NDArray[np.int64]:
        """Say at which of its points members start that drew these numbers between 0 and 1."""
        count = len(self.points_m)
        return np.minimum((uniform * count).astype(np.int64), count - 1)

    def began_s(self, unseen_uniform: NDArray[np.float64]) -> NDArray[np.float64]:
        """Say when it begins in members that drew these shares of the time that it may have burnt unseen."""
        return self.at_s - self.unseen_up_to_s * unseen_uniform


@dataclass(frozen=True)
class Scenario:
    """Inputs brought together on one grid and one clock, which starts with the first ignition.

    - `network`: with the home and the safe points on it.
    - `places_m`: name, x and y of the places of the extract.
    - `zones`, `burnable`, shape (rows, cols): narrow ground that does not burn is bridged in the first, as mapped in
      the second.
    """

    inputs: HouseholdInputs
    network: RoadNetwork
    home_node: int
    safe_nodes: Mapping[str, int]
    home_xy_m: tuple[float, float]
    safe_xy_m: Mapping[str, tuple[float, float]]
    places_m: tuple[tuple[str, float, float], ...]
    home_cell: tuple[int, int]
    safe_cells: Mapping[str, tuple[int, int]]
    starts: tuple[FireStart, ...]
    choice: FireChoice
    weather: Weather
    zones: SpreadZones
    burnable: NDArray[np.bool_]
    gradients: tuple[NDArray[np.float32], NDArray[np.float32]]


def plan_points(plan: Plan) -> dict[str, tuple[float, float]]:
    """Name every place of a plan that has to lie on the terrain, with its longitude and latitude."""
    points = {"home": (plan.home.lon_deg, plan.home.lat_deg)}
    for place in plan.safe_points:
        points[f'safe point "{place.name}"'] = (place.lon_deg, place.lat_deg)
    for ignition in plan.ignitions:
        for number, lon_lat in enumerate(ignition.lon_lat_deg):
            points[f'ignition "{ignition.name}", point {number + 1}'] = lon_lat
    return points


def district(inputs: HouseholdInputs) -> District:
    """Say how the danger of days is measured where the plan is made."""
    plan = inputs.plan
    return series.district_of(inputs.fuel, scale=plan.rating_scale, models=plan.fire.models, lat_deg=plan.home.lat_deg)


def ratings_days(inputs: HouseholdInputs) -> tuple[RatedDay, ...]:
    """Make a day of weather for each rating of the plan, in rising order; its own day where it knows of none.

    Raises InputError with every fault of the ratings and their days.
    """
    where, ratings = district(inputs), inputs.ratings
    if where.scale == "own" and not ratings:
        ratings = (Rating(LIKE_THE_PLANS, weather=inputs.weather),)
    return rated_days(inputs.weather, district=where, ratings=ratings, hours=inputs.plan.rules.hours)


def prepare(inputs: HouseholdInputs) -> Scenario:
    """Put the plan's places on the roads and on the grid, and its fires on the clock.

    Raises InputError with every fault: places too far from any road or off the grid, weather that does not reach
    over the horizon, models that are not known.
    """
    plan, grid = inputs.plan, inputs.terrain.grid
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    names = ["home", *(place.name for place in plan.safe_points)]
    lon_lat = [(plan.home.lon_deg, plan.home.lat_deg), *((place.lon_deg, place.lat_deg) for place in plan.safe_points)]
    x_m, y_m = to_grid.transform(*np.array(lon_lat, dtype=np.float64).T)
    cells = [cell_of(grid, float(x), y_m=float(y)) for x, y in zip(x_m, y_m, strict=True)]
    faults = Faults(
        Fault(name, "lies outside the grid", "a place on the terrain", "correct the place, or give a larger terrain")
        for name, cell in zip(names, cells, strict=True)
        if cell is None
    )
    _refuse_another_day(plan, inputs.weather)
    weather = rebased(inputs.weather, inputs.starts_at)
    faults += _uncovered(plan, weather)
    for way in plan.roads.closed_ways:
        if way_numbers([way]).isdisjoint(inputs.network.way_id[inputs.network.way_id > 0].tolist()):
            faults.tell("roads.closed_ways", "closed_way_unknown", way=way, file=plan.roads.file.name)
    faults.refuse()
    zones, burnable = bridged(inputs.fuel, weather)
    series.check_models(plan.fire.models, zones)
    network, nodes = attach_points(inputs.network, x_m, y_m=y_m, names=names)
    _check_connected(plan, network, nodes)
    positions = [(float(x), float(y)) for x, y in zip(x_m, y_m, strict=True)]
    found = [cell for cell in cells if cell is not None]
    return Scenario(
        inputs=inputs,
        network=network,
        home_node=nodes[0],
        safe_nodes=dict(zip(names[1:], nodes[1:], strict=True)),
        home_xy_m=positions[0],
        safe_xy_m=dict(zip(names[1:], positions[1:], strict=True)),
        places_m=tuple(
            (name, float(x), float(y))
            for name, lon_deg, lat_deg in inputs.places
            for x, y in [to_grid.transform(lon_deg, lat_deg)]
        ),
        home_cell=found[0],
        safe_cells=dict(zip(names[1:], found[1:], strict=True)),
        starts=_fire_starts(plan, to_grid, zones=zones),
        choice=FireChoice(plan.fire.models, plan.fire.floor_m_s, plan.fire.set_m_s),
        weather=weather,
        zones=zones,
        burnable=burnable,
        gradients=gradients(inputs.terrain),
    )


def _refuse_another_day(plan: Plan, weather: Weather) -> None:
    """Refuse weather of another day than that of the plan's fires, or of another year."""
    begins, ends = weather.start, weather.start + timedelta(seconds=float(weather.time_s[-1]))
    if not plan.has_worked_day or begins - _NEAR <= plan.starts_at <= ends + _NEAR:
        return
    at = plan.starts_at
    mend = "name the weather of that day, or correct `at` of the ignitions"
    if (at.month, at.day) in {(day.month, day.day) for day in (begins, ends)}:
        mend = f"the years differ: write {begins.year} in `at` of the ignitions, or {at.year} in the table"
    place = f"weather.file {plan.weather.file}"
    raise refused(place, "weather_of_another_day", begins=begins, ends=ends, at=at, mend=mend)


def _uncovered(plan: Plan, weather: Weather) -> Iterator[Fault]:
    """Find where the weather leaves the plan's own fires uncovered; nothing without any."""
    if not plan.has_worked_day:
        return
    unseen_s = max(ignition.unseen_up_to_s for ignition in plan.ignitions)
    if weather.time_s[0] > -unseen_s:
        yield fault_of("weather.file", "weather_starts_late", late_min=(weather.time_s[0] + unseen_s) / 60.0)
    usual_step_s = float(np.median(np.diff(weather.time_s))) if weather.time_s.size > 1 else np.inf
    covered_to_s = float(weather.time_s[-1]) + usual_step_s
    if covered_to_s < plan.horizon_s:
        to_h, horizon_h = covered_to_s / 3600.0, plan.horizon_s / 3600.0
        yield fault_of("weather.file", "weather_ends_early", to_h=to_h, horizon_h=horizon_h)


def bridged(fuel: FuelMap, weather: Weather) -> tuple[SpreadZones, NDArray[np.bool_]]:
    """Cross fuel and weather with narrow ground that does not burn bridged; and what burns by the fuel map itself."""
    mapped = series.spread_zones(fuel, weather)
    zone = bridged_zones(mapped.zone, cell_m=mapped.grid.cell_m, spot_over_m=SPOT_OVER_M.value)
    return replace(mapped, zone=zone), mapped.zone >= 0


def _check_connected(plan: Plan, network: RoadNetwork, nodes: tuple[int, ...]) -> None:
    """Refuse an extract in which the home and all safe points lie on roads that don't join, vehicles left aside."""
    ends = [node for node, place in zip(nodes[1:], plan.safe_points, strict=True) if place.kind == "safe_point"]
    if not ends:
        return
    never = np.full(network.edge_count, np.inf)
    free = latest_departure(network, network.length_m, closing_s=never, targets=ends)
    if not np.isfinite(free.drive_s[nodes[0]]):
        names = ", ".join(place.name for place in plan.safe_points if place.kind == "safe_point")
        raise refused(f"roads.file {plan.roads.file}", "roads_that_join_not", names=names)


def _fire_starts(plan: Plan, to_grid: pyproj.Transformer, *, zones: SpreadZones) -> tuple[FireStart, ...]:
    made = []
    for source in plan.ignitions:
        corners = np.column_stack(to_grid.transform(*np.array(source.lon_lat_deg, dtype=np.float64).T))
        line = shapely.Point(corners[0]) if len(corners) == 1 else shapely.LineString(corners)
        shape: BaseGeometry = shapely.Polygon(corners) if source.ring else line
        points = np.zeros((0, 2))
        if source.somewhere and not isinstance(shape, shapely.Point):
            points = _burnable_along(zones, shape)
            if not len(points):
                raise refused(f'ignition "{source.name}"', "fire_where_nothing_burns")
        at_s = (source.at - plan.starts_at).total_seconds()
        made.append(FireStart(shape, at_s, source.unseen_up_to_s, points))
    return tuple(made)


def _burnable_along(zones: SpreadZones, shape: BaseGeometry) -> NDArray[np.float64]:
    """Centres of the burnable cells within half a cell's diagonal of a shape, in a fixed order along it."""
    grid = zones.grid
    rows, cols = np.nonzero(zones.zone >= 0)
    x_m, y_m = grid.x_m[cols], grid.y_m[rows]
    near = shapely.dwithin(shapely.points(x_m, y_m), shape, grid.cell_m * np.sqrt(0.5))
    found = np.column_stack([x_m[near], y_m[near]])
    if isinstance(shape, shapely.LineString):
        along = shapely.line_locate_point(shape, shapely.points(found))
        found = found[np.argsort(along, kind="stable")]
    return np.asarray(found, dtype=np.float64)


def member_ignitions(scenario: Scenario, *, draws: Draws, member: int) -> tuple[Ignition, ...]:
    """Give one member's fires: its own starting points where the plan names a line or area, its own unseen time."""
    made = []
    for number, start in enumerate(scenario.starts):
        shape = start.shape
        if len(start.points_m):
            shape = shapely.Point(start.points_m[start.picked(draws.place_uniform[member : member + 1, number])[0]])
        unseen_s = start.unseen_up_to_s * float(draws.unseen_uniform[member, number])
        made.append(Ignition(shape, start.at_s - unseen_s))
    return tuple(made)


def first_start_s(scenario: Scenario, draws: Draws) -> NDArray[np.float64]:
    """Give when the first of each member's fires starts, shape (members,)."""
    starts = [start.began_s(draws.unseen_uniform[:, number]) for number, start in enumerate(scenario.starts)]
    return np.asarray(np.min(starts, axis=0), dtype=np.float64)


def central_ignitions(scenario: Scenario) -> tuple[Ignition, ...]:
    """Give the central run's fires: as seen, and from the middle of a line or area whose point is not known."""
    return tuple(
        Ignition(
            shapely.Point(start.points_m[len(start.points_m) // 2]) if len(start.points_m) else start.shape, start.at_s
        )
        for start in scenario.starts
    )


def _table(scenario: Scenario, weather: Weather, *, z: float) -> SpreadTable:
    return series.table_for_member(
        scenario.zones, weather, gradients=scenario.gradients, choice=scenario.choice, ros_factors=ros_factors(z)
    )


def member_table(scenario: Scenario, *, draws: Draws, member: int) -> SpreadTable:
    """Make one member's spread table: its own wind at its own time, every model multiplied by its own error."""
    weather = shifted(scenario.weather, float(draws.weather_shift_s[member]))
    wind_factor, turn_deg = float(draws.wind_factor[member]), float(draws.wind_turn_deg[member])
    own = perturbed(weather, wind_factor=wind_factor, wind_turn_deg=turn_deg)
    return _table(scenario, own, z=float(draws.ros_z[member]))


def table_at(scenario: Scenario, *, z: float) -> SpreadTable:
    """Make a spread table with the forecast wind and every model at one quantile of its error."""
    return _table(scenario, scenario.weather, z=z)


def commonest_zone(scenario: Scenario) -> int:
    """Find the zone that covers most of the ground that burns."""
    zone = scenario.zones.zone
    return int(np.bincount(zone[zone >= 0].ravel()).argmax())


def burns_about(scenario: Scenario, cell: tuple[int, int]) -> bool:
    """Whether anything in a cell and the eight around it burns by the fuel map itself."""
    row, col = cell
    return bool(scenario.burnable[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2].any())
