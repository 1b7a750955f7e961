"""What one vehicle can do on the roads round a home: drive times, ways to the safe points, what stays shut to it.

Nothing burns here: these are the roads on a clear day with nobody else on them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.ask.household import load_plan, read_inputs
from leaveby.decision.fires.scenario import Scenario, prepare
from leaveby.decision.ways.roads import GridSampler, road_vehicle
from leaveby.fire.terrain import Terrain
from leaveby.regions import measures_of, table_rows
from leaveby.roads.network.grades import EdgeGrades, edge_grades
from leaveby.roads.network.graph import SEPARATOR, RoadNetwork, RoutingGraph, csr
from leaveby.roads.routing.itinerary import Route, route, street
from leaveby.roads.routing.latest_departure import earliest_arrival, latest_departure
from leaveby.roads.vehicle.home_way import household_travel, ways_to_open
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.travel import EdgeTravel
from leaveby.show.wording import WAYS, clean, street_words
from leaveby.units import Measures, local_words

FREE_ROADS: Final = (
    "Minutes are for roads as they are mapped, with no fire, no smoke and nobody in front of you. The drive will take "
    "longer, and any road may be shut."
)
"""Stands beside every drive time."""

_FEW_STREETS: Final = 6
"""More streets that are shut for the same reason are counted, not named."""


@dataclass(frozen=True)
class End:
    """A safe point of the plan on the roads, and the ways of leaving that may end there."""

    name: str
    node: int
    xy_m: tuple[float, float]
    ways: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class RoadArea:
    """Everything that stays the same while the vehicle changes, in the terrain's reference system.

    Places of last resort are shown, but no way to one is offered. `region` is for legal speeds and heights, `vehicles`
    are the plan's own by way of leaving, and `car_travel` shows what the house alone prevents.
    """

    network: RoadNetwork
    graph: RoutingGraph
    grades: EdgeGrades
    terrain: Terrain
    region: str
    home_node: int
    home_xy_m: tuple[float, float]
    ends: tuple[End, ...]
    last_resorts: tuple[tuple[str, tuple[float, float]], ...]
    vehicles: Mapping[str, RoadVehicle]
    car_travel: EdgeTravel | None
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Drive:
    """The quickest way to one end, for one vehicle and for the car without the house.

    No route where the vehicle can't get there, or the plan does not let this way of leaving end there; `shut` says what
    shuts the car's way to this vehicle: street and reason.
    """

    end: End
    route: Route | None
    car_route: Route | None
    shut: tuple[str, ...]


@dataclass(frozen=True)
class ClosedStretch:
    """Road that the vehicle can't use in either direction, all of one street for one reason, or of many streets.

    `edges` holds one direction of each stretch; `car_passes` is whether the car without the house can use it, and
    `on_the_way` whether the car's quickest way to an end runs over it.
    """

    street: str
    reason: str
    edges: tuple[int, ...]
    length_m: float
    car_passes: bool
    on_the_way: bool


@dataclass(frozen=True, eq=False)
class DriveAnswer:
    """What one vehicle can do.

    `reached_s` is when the far end of each edge is reached from the home, driving over this edge; inf where it is not.
    Of `drives` the quickest comes first, those without a route last; of `closed` what the car could use and what lies
    on its way, then the longest. `open_first` are ways whose gates or private access would have to be opened to get to
    any end; None where that does not help, empty where nothing needs to be opened.
    """

    way: str
    vehicle: RoadVehicle
    travel: EdgeTravel
    reached_s: NDArray[np.float64]
    drives: tuple[Drive, ...]
    measures: Measures
    closed: tuple[ClosedStretch, ...]
    open_first: tuple[int, ...] | None


def our_roads(plan: str | Path) -> RoadArea:
    """Read a plan file, every fault of it an InputError, and take what it needs to drive and nothing of the fire."""
    return road_area(prepare(read_inputs(load_plan(plan))))


def road_area(scenario: Scenario) -> RoadArea:
    """Take from a prepared scenario what does not depend on the vehicle, and the plan's own vehicles."""
    plan, network, terrain = scenario.inputs.plan, scenario.network, scenario.inputs.terrain
    grades = edge_grades(network, GridSampler(terrain.grid, terrain.elevation_m))
    kinds = {vehicle.kind for vehicle in plan.vehicles}
    owned = {"tow": {"trailer", "car"} <= kinds, "car": "car" in kinds, "foot": True}
    made = {way: road_vehicle(plan, way) for way in WAYS if owned[way]}
    safe = [place for place in plan.safe_points if place.kind == "safe_point"]
    ends = tuple(End(one.name, scenario.safe_nodes[one.name], scenario.safe_xy_m[one.name], one.ways) for one in safe)
    by_car = None
    if "car" in made:
        home, targets, region = scenario.home_node, [end.node for end in ends], plan.roads.region
        by_car, _ = household_travel(network, made["car"][0], home=home, targets=targets, grade=grades, region=region)
    return RoadArea(
        network=network,
        graph=csr(network),
        grades=grades,
        terrain=terrain,
        region=plan.roads.region,
        home_node=scenario.home_node,
        home_xy_m=scenario.home_xy_m,
        ends=ends,
        last_resorts=tuple((one.name, scenario.safe_xy_m[one.name]) for one in plan.safe_points if one not in safe),
        vehicles={way: vehicle for way, (vehicle, _) in made.items()},
        car_travel=by_car,
        assumptions=tuple(dict.fromkeys(note for _, notes in made.values() for note in notes)),
    )


def drive_answer(area: RoadArea, way: str, *, vehicle: RoadVehicle) -> DriveAnswer:
    """Find where a vehicle gets to from the home, how long it drives, and what stays shut to it."""
    network = area.network
    home, targets, region = area.home_node, [end.node for end in area.ends if way in end.ways], area.region
    found, _ = household_travel(network, vehicle, home=home, targets=targets, grade=area.grades, region=region)
    never = np.full(network.edge_count, np.inf)
    arrival = earliest_arrival(area.graph, found.time_s, closing_s=never, start=home)
    by_car = (
        None
        if area.car_travel is None or way == "foot"
        else earliest_arrival(area.graph, area.car_travel.time_s, closing_s=never, start=home)
    )
    drives, on_the_way = [], set[int]()
    for end in area.ends:
        ours = route(network, arrival, end.node) if way in end.ways else None
        cars = None if by_car is None else route(network, by_car, end.node)
        shut: tuple[str, ...] = ()
        if way in end.ways:
            wanted = cars.edges if cars is not None else _unhindered(area, end.node)
            on_the_way.update(wanted)
            shut = _shut_on(area, found, wanted)
        drives.append(Drive(end=end, route=ours, car_route=cars, shut=shut))
    drives.sort(key=lambda drive: math.inf if drive.route is None else drive.route.time_s)
    open_first: tuple[int, ...] | None = ()
    if targets and all(drive.route is None for drive in drives):
        open_first = ways_to_open(network, vehicle, start=home, targets=targets, region=region)
    return DriveAnswer(
        way=way,
        vehicle=vehicle,
        travel=found,
        reached_s=arrival.time_s[network.tail] + found.time_s,
        drives=tuple(drives),
        measures=measures_of(region),
        closed=_closed(area, found, on_the_way=on_the_way),
        open_first=open_first,
    )


def _unhindered(area: RoadArea, node: int) -> tuple[int, ...]:
    """Edges of the shortest way for something that fits everywhere."""
    never = np.full(area.network.edge_count, np.inf)
    free = latest_departure(area.graph, area.network.length_m, closing_s=never, targets=node)
    way = route(area.network, free, area.home_node)
    return () if way is None else way.edges


def _shut_on(area: RoadArea, found: EdgeTravel, edges: tuple[int, ...]) -> tuple[str, ...]:
    streets: dict[str, dict[str, None]] = {}
    for edge in edges:
        if not found.usable[edge]:
            streets.setdefault(_reason(area, found, edge), {})[street_words(street(area.network, edge))] = None
    told = {
        reason: ", ".join(names) if len(names) <= _FEW_STREETS else f"{len(names)} streets"
        for reason, names in streets.items()
    }
    return tuple(f"{words}: {reason}" for reason, words in told.items())


def _closed(area: RoadArea, found: EdgeTravel, *, on_the_way: set[int]) -> tuple[ClosedStretch, ...]:
    network = area.network
    groups: dict[tuple[str, bool, bool], dict[str, list[int]]] = {}
    for edge in np.flatnonzero(~found.usable):
        twin = int(network.twin[edge])
        # The wrong direction of a one-way street is no closed road, and a stretch counts once for both directions.
        if network.foot_only[edge] or (twin >= 0 and found.usable[twin]):
            continue
        if 0 <= twin < edge and not network.foot_only[twin]:
            continue
        both = [int(edge)] if twin < 0 else [int(edge), twin]
        passes = area.car_travel is not None and bool(area.car_travel.usable[both].any())
        key = (_reason(area, found, int(edge)), passes, any(one in on_the_way for one in both))
        groups.setdefault(key, {}).setdefault(street_words(street(network, int(edge))), []).append(int(edge))
    made = []
    for (reason, passes, on_way), streets in groups.items():
        if len(streets) > _FEW_STREETS:
            streets = {f"{len(streets)} streets": [edge for edges in streets.values() for edge in edges]}
        made += [
            ClosedStretch(
                street=name,
                reason=reason,
                edges=tuple(edges),
                length_m=float(network.length_m[edges].sum()),
                car_passes=passes,
                on_the_way=on_way,
            )
            for name, edges in streets.items()
        ]
    return tuple(sorted(made, key=lambda part: (not part.on_the_way, not part.car_passes, -part.length_m, part.street)))


def _reason(area: RoadArea, found: EdgeTravel, edge: int) -> str:
    return local_words(reason_words(found.why_not[edge]), measures_of(area.region))


_REASONS: Final = tuple((re.compile(row["reason"]), row["words"]) for row in table_rows(__package__, "reasons.csv"))


def reason_words(reason: str) -> str:
    """Say in plain words why a road is closed to a vehicle; what is not known stands as it is."""
    for pattern, words in _REASONS:
        if pattern.match(reason):
            return clean(pattern.sub(words, reason).replace("_", " ").replace(SEPARATOR, ", "), 120)
    return clean(reason, 120)
