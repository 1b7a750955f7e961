"""The roads as each way of leaving meets them: the vehicle, its travel times, and the routes worth timing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from leaveby.decision.fires.scenario import Scenario
from leaveby.decision.ways.neighbours import Stream, holds_on, stream_of
from leaveby.decision.ways.result import WAY_WORDS
from leaveby.fire.terrain import Grid, in_cells
from leaveby.household.plan import Plan, towing_car, trailer, way_numbers
from leaveby.household.plan_tables import Way
from leaveby.parameters import DEFAULT_CAR_POWER_KW
from leaveby.roads.network.grades import edge_grades
from leaveby.roads.network.graph import RoadNetwork, RoutingGraph
from leaveby.roads.routing.holds import Hold, let_on_s
from leaveby.roads.routing.itinerary import Route, alternatives, route, street
from leaveby.roads.routing.latest_departure import LatestDeparture, latest_departure
from leaveby.roads.vehicle.home_way import HomeWay, household_travel
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.speeds import towing_limit_m_s
from leaveby.roads.vehicle.travel import EdgeTravel
from leaveby.units import Measures, distance_words, far_words, local_words

MOST_ROUTES: Final = 24
"""Routes timed for each way of leaving, the quickest first."""


@dataclass(frozen=True)
class WayRoads:
    """The roads as one way of leaving can use them.

    - `targets`: where this way may end.
    - `why_none`: why no route exists even with no fire; "" when one does.
    - `home_way`: from the home to the first public road.
    - `neighbours`: their cars on the road; None where none are counted.
    """

    way: Way
    vehicle: RoadVehicle
    travel: EdgeTravel
    targets: Mapping[int, str]
    why_none: str
    home_way: HomeWay
    neighbours: Stream | None = None

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Travel time of each edge, behind the neighbours' trailers where there are any."""
        return (
            self.travel.time_s if self.neighbours is None else np.maximum(self.travel.time_s, self.neighbours.trailer_s)
        )


@dataclass(frozen=True)
class CandidateRoute:
    """A route that could be the one to take: its edges in order, their times, and where it ends.

    `holds` are the queues of the neighbours' cars: before which of the edges, and how whoever comes finds it.
    """

    safe_point: str
    edges: tuple[int, ...]
    edge_time_s: NDArray[np.float64]
    holds: tuple[tuple[int, Hold], ...] = ()

    @property
    def time_s(self) -> float:
        """Travel time from the home to the safe point, without a wait."""
        return float(self.edge_time_s.sum())

    @property
    def waits_s(self) -> NDArray[np.float64]:
        """The longest wait until each edge is driven, whenever one leaves; shape (edges,)."""
        waits_s = np.zeros(len(self.edges))
        for at, hold in self.holds:
            waits_s[at:] += hold.most_s
        return waits_s

    @property
    def held_up_s(self) -> float:
        """The longest wait on the whole way, whenever one leaves."""
        return float(self.waits_s.max(initial=0.0))

    def drive_s(self, drive_factor: NDArray[np.float64], *, leave_s: float) -> NDArray[np.float64]:
        """How long the drive takes, with the waits, for whoever leaves at a moment; inf: with the longest waits."""
        if not self.holds or not np.isfinite(leave_s):
            return self.time_s * drive_factor + self.held_up_s
        now_s, holds = np.full(drive_factor.shape, leave_s), dict(self.holds)
        for at, along_s in enumerate(self.edge_time_s):
            now_s = (let_on_s(holds[at], now_s) if at in holds else now_s) + along_s * drive_factor
        return now_s - leave_s


def along(way: Route, end: str, *, roads: WayRoads) -> CandidateRoute:
    """Take a way to a safe point as a candidate."""
    time_s = roads.time_s[np.asarray(way.edges, dtype=np.int64)]
    holds = () if roads.neighbours is None else holds_on(roads.neighbours, way.edges, time_s)
    return CandidateRoute(end, way.edges, time_s, holds)


def with_no_fire(
    network: RoadNetwork | RoutingGraph, travel_time_s: NDArray[np.float64], *, targets: int | list[int]
) -> LatestDeparture:
    """Find the quickest ways to some targets where no stretch ever shuts."""
    never = np.full(travel_time_s.size, np.inf)
    return latest_departure(network, travel_time_s, closing_s=never, targets=targets)


def road_vehicle(plan: Plan, way: Way) -> tuple[RoadVehicle, tuple[str, ...]]:
    """Turn the plan's vehicles into what rolls on the road for one way of leaving, with what had to be assumed."""
    gates, closed = way_numbers(plan.roads.open_gates), way_numbers(plan.roads.closed_ways)
    if way == "foot":
        return RoadVehicle(name="on foot", mode="foot", opens_gates=gates, closed_ways=closed), ()
    house, towing = trailer(plan), towing_car(plan)
    if way == "tow" and towing is not None:
        car = towing
    else:
        # The car that fits through least decides where all of them can go.
        car = max((v for v in plan.vehicles if v.kind == "car"), key=lambda v: (v.height_m, v.width_m, v.mass_kg))
    notes: tuple[str, ...] = ()
    power_kw = car.power_kw
    if power_kw is None:
        power_kw = DEFAULT_CAR_POWER_KW.value
        notes = (f"No engine power was given for {car.name}: {power_kw:.0f} kW was taken.",)
    alone = RoadVehicle(
        name=car.name,
        mode="car",
        width_m=car.width_m,
        height_m=car.height_m,
        length_m=car.length_m,
        mass_kg=car.mass_kg,
        power_w=1000.0 * power_kw,
        opens_gates=gates,
        closed_ways=closed,
    )
    if way == "car" or house is None:
        return alone, notes
    # The lower of what the household will not exceed and what the region publishes for towing.
    own_m_s = plan.towing.speed_limit_m_s if plan.towing is not None else float("inf")
    mass_kg = car.mass_kg + house.mass_kg
    limit_m_s, motorway_m_s = (
        min(own_m_s, towing_limit_m_s(plan.roads.region, combined_mass_kg=mass_kg, motorway=motorway))
        for motorway in (False, True)
    )
    towed = replace(
        alone,
        name=f"{car.name} with {house.name}",
        mode="tow",
        width_m=max(car.width_m, house.width_m),
        height_m=max(car.height_m, house.height_m),
        length_m=car.length_m + house.length_m,
        mass_kg=mass_kg,
        speed_limit_m_s=limit_m_s,
        motorway_limit_m_s=motorway_m_s if motorway_m_s != limit_m_s else None,
    )
    return towed, notes


@dataclass(frozen=True)
class GridSampler:
    """Reads a grid at points, linear between cell centres; beyond the outermost centres the edge's value holds."""

    grid: Grid
    values: NDArray[np.float64]

    def __call__(self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Value at each point."""
        col, row = in_cells(self.grid, x_m, y_m=y_m)
        found = map_coordinates(self.values, np.stack([row, col]), order=1, mode="nearest")
        return np.asarray(found, dtype=np.float64)


def roads_for(scenario: Scenario, way: Way, *, inside: NDArray[np.bool_]) -> WayRoads:
    """Find what one way of leaving can use of the roads: travel times, where it may end, and why it can't, if so.

    Stretches that do not lie wholly `inside` the modelled area are left out: when fire comes there can't be known.
    """
    plan, network = scenario.inputs.plan, scenario.network
    vehicle, notes = road_vehicle(plan, way)
    elevation = GridSampler(scenario.inputs.terrain.grid, scenario.inputs.terrain.elevation_m)
    grades = edge_grades(network, elevation)
    # a place of last resort is not where leaving ends
    ends = [place for place in plan.safe_points if way in place.ways and place.kind == "safe_point"]
    targets = {scenario.safe_nodes[place.name]: place.name for place in ends}
    found, home_way = household_travel(
        network, vehicle, home=scenario.home_node, targets=list(targets), grade=grades, region=plan.roads.region
    )
    time_s = np.where(inside, found.time_s, np.inf)
    kept = EdgeTravel(
        time_s=time_s,
        usable=found.usable & inside,
        why_not=found.why_not,
        assumptions=(*notes, *grades.assumptions, *found.assumptions),
    )
    why, neighbours = "", None
    if not targets:
        why = f"The plan names no safe point that may be reached {WAY_WORDS[way]}."
    else:
        free = with_no_fire(network, time_s, targets=list(targets))
        if not np.isfinite(free.drive_s[scenario.home_node]):
            why = _why_no_route(scenario, kept, list(targets))
        else:
            neighbours = stream_of(scenario, vehicle, found=kept, free=free, own=home_way.edges, grades=grades)
    return WayRoads(way, vehicle, kept, targets, why_none=why, home_way=home_way, neighbours=neighbours)


def road_sentence(scenario: Scenario, roads: WayRoads) -> str:
    """Say how the home gets to the first public road by one way, and whether a route leads on; no fire is computed."""
    network, words, measures = scenario.network, WAY_WORDS[roads.way], scenario.inputs.plan.measures
    if roads.why_none:
        return f"Leaving {words}: no route. {roads.why_none}"
    free = with_no_fire(network, roads.travel.time_s, targets=list(roads.targets))
    found = route(network, free, scenario.home_node)
    if found is None:
        raise AssertionError("a way without a reason against it has no route")
    end = roads.targets[found.nodes[-1]]
    return (
        f"Leaving {words}: {_to_the_road(network, roads.home_way, measures)}a route leads to {end}, "
        f"{far_words(found.length_m, measures)}, {found.time_s / 60.0:.0f} min on free roads with no fire."
    )


def _to_the_road(network: RoadNetwork, way: HomeWay, measures: Measures) -> str:
    if way.road < 0:
        return ""
    over = list(dict.fromkeys(street(network, edge) for edge in way.edges))
    road = street(network, way.road)
    if not over:
        return f"the home stands at {road}; "
    length_m = float(network.length_m[np.asarray(way.edges, dtype=np.int64)].sum())
    opened = ", private ways or gates on it," if way.opened else ""
    length = distance_words(length_m, measures) if measures.imperial else f"{length_m:.0f} m"
    return f"{length} over {', '.join(over)}{opened} to the first public road, {road}; "


def _why_no_route(scenario: Scenario, found: EdgeTravel, targets: list[int]) -> str:
    """Name what stands in the way: the closed stretches on the route an unhindered vehicle would take."""
    network = scenario.network
    way = route(network, with_no_fire(network, network.length_m, targets=targets), scenario.home_node)
    if way is None:
        return "No road of the extract leads from the home to a safe point."
    shut = [edge for edge in way.edges if not found.usable[edge]]
    reasons = list(
        dict.fromkeys(f"{street(network, edge)}: {found.why_not[edge] or 'leaves the modelled area'}" for edge in shut)
    )
    told = local_words("; ".join(reasons[:4]), scenario.inputs.plan.measures)
    return f"No route takes the vehicle, even with no fire. On the shortest way: {told}."


def candidate_routes(
    scenario: Scenario, roads: WayRoads, *, graph: RoutingGraph, pilot_closing_s: Sequence[NDArray[np.float64]]
) -> tuple[CandidateRoute, ...]:
    """Gather the routes worth timing: the quickest to each end, others that share little, and what pilot fires favour.

    The quickest come first, at most `MOST_ROUTES`; none when no end can be reached.
    """
    network, home = scenario.network, scenario.home_node
    time_s = roads.travel.time_s
    margin_s = scenario.inputs.plan.margin_s
    found: dict[tuple[int, ...], Route] = {}

    def keep(result: LatestDeparture) -> None:
        way = route(network, result, home)
        if way is not None and way.edges:
            found.setdefault(way.edges, way)

    for node in roads.targets:
        quickest = with_no_fire(graph, time_s, targets=node)
        keep(quickest)
        first = route(network, quickest, home)
        if first is not None and first.edges:
            others = alternatives(network, first, travel_time_s=time_s, targets=node, graph=graph)
            found.update({way.edges: way for way in others if way.edges})
    for closing_s in pilot_closing_s:
        keep(latest_departure(graph, time_s, closing_s=closing_s, targets=list(roads.targets), margin_s=margin_s))
    # which routes are timed hangs on the household's own pace: more neighbours bring up no better one
    quickest_first = sorted(found.values(), key=lambda way: float(time_s[list(way.edges)].sum()))[:MOST_ROUTES]
    made = [along(way, roads.targets[way.nodes[-1]], roads=roads) for way in quickest_first]
    return tuple(sorted(made, key=lambda candidate: candidate.time_s))
