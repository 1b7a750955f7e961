"""The neighbours' cars on the way out: where they hold a household up, and for how long.

Every stretch of a route passes so many cars an hour; the narrowest for those who come to it makes the queue. It stands
back from there as far as its cars reach, so the wait is counted in full where its end stands: what lies between is
left no later than that. All of it is on the early side: neighbours are ahead, wherever on the way they live, and all of
them keep to the household's route to its end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.decision.fires.scenario import Scenario
from leaveby.decision.ways.result import HeldUp
from leaveby.errors import InputError
from leaveby.household.plan_tables import NeighboursInput, SetOut
from leaveby.parameters import BREAKDOWN_SHARE, DRIVE_TIME_FACTOR_HIGH, JAM_SPACING_M, TRAILER_AS_CARS, TRAILER_AS_HEAVY
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.clearance.queue import Mobilisation, rolling_share
from leaveby.roads.clearance.tree import capacity_veh_h, lanes_out
from leaveby.roads.exits.dominators import exit_tree
from leaveby.roads.exits.street_table import ENTER_A, LEAVE_B, Passages
from leaveby.roads.network.attach import takes_drives
from leaveby.roads.network.grades import EdgeGrades
from leaveby.roads.network.graph import RoadNetwork, judged
from leaveby.roads.routing.holds import Hold, worst_of
from leaveby.roads.routing.itinerary import street
from leaveby.roads.routing.latest_departure import LatestDeparture
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.restrictions import length_limit_m
from leaveby.roads.vehicle.speeds import towing_limit_m_s
from leaveby.roads.vehicle.travel import EdgeTravel, travel

FROM_EVERY_S: Final = 60.0
"""Homes of neighbours are looked at as far from the queue as every minute of the drive to it."""


@dataclass(frozen=True, eq=False)
class Stream:
    """The neighbours' cars by edge of the network, shape (e,), as one way of leaving meets them.

    - `cars`: how many take each edge on their way out; 0 on the household's own way and on made-up drives.
    - `headway_s`: how long each of them takes to pass, of which `towing_share` tow.
    - `trailer_s`: how long their trailers take on it; 0 where they may be overtaken, or none is.
    - `must_pass`: edges, in the order of travel, that lie on every way out of the household.
    """

    set_out: SetOut
    towing_share: float
    cars: NDArray[np.float64]
    headway_s: NDArray[np.float64]
    trailer_s: NDArray[np.float64]
    length_m: NDArray[np.float64]
    must_pass: tuple[int, ...]
    curve: Mobilisation
    told_s: float | None


@dataclass(frozen=True)
class Bottleneck:
    """Where a queue forms on a route: before the stretch `at`; its end may stand before the stretch `back`.

    `cars` pass it, each in `headway_s`; `wait_s` is what that is beyond the bottlenecks before it, all at once.
    """

    at: int
    back: int
    cars: float
    headway_s: float
    wait_s: float


def stream_of(
    scenario: Scenario,
    vehicle: RoadVehicle,
    *,
    found: EdgeTravel,
    free: LatestDeparture,
    own: Sequence[int],
    grades: EdgeGrades,
) -> Stream | None:
    """Lay the neighbours' cars on the roads, as the plan tells of them; None on foot, or where it does not.

    - `found`: what the household's vehicle can use; `own` its own way to the first public road.
    - `free`: the quickest ways out with no fire, which the homes of a file take as well.
    """
    told, network = scenario.inputs.plan.neighbours, scenario.network
    if told is None or vehicle.mode == "foot":
        return None
    shared = network.way_id != 0
    shared[np.array(own, dtype=np.int64)] = False
    homes = _homes_by_edge(scenario, told, found=found, free=free)
    slower = told.set_out != "gone before" and told.towing_share > 0.0
    return Stream(
        set_out=told.set_out,
        towing_share=told.towing_share,
        cars=np.where(shared, np.ceil(homes * told.cars_per_home - 1e-9), 0.0),
        headway_s=_headway_s(network, 1.0 + told.towing_share * (TRAILER_AS_CARS.value - 1.0)),
        trailer_s=np.where(shared, _trailer_s(scenario, vehicle, grades), 0.0) if slower else np.zeros(shared.size),
        length_m=network.length_m,
        must_pass=_must_pass(scenario, found, targets=np.unique(free.target[free.target >= 0])),
        curve=Mobilisation("the neighbours", told.half_rolling_s),
        told_s=told.told_s,
    )


def _homes_by_edge(
    scenario: Scenario, told: NeighboursInput, *, found: EdgeTravel, free: LatestDeparture
) -> NDArray[np.float64]:
    """How many homes besides the household's leave over each edge."""
    network, placed = scenario.network, scenario.inputs.neighbours
    if placed is None:
        return np.full(network.edge_count, float(told.homes or 0))
    takes = np.flatnonzero(takes_drives(network) & found.usable)
    by_node, by_edge = np.zeros(network.node_count), np.zeros(network.edge_count)
    if takes.size:
        near = shapely.STRtree(network.geometry[takes]).nearest(shapely.points(placed.x_m, placed.y_m))
        edge, twin = takes[near], network.twin[takes[near]]
        # by the end of the street that is out sooner; whoever lives farther in finds them on all of it
        back = (twin >= 0) & (free.drive_s[network.tail[edge]] < free.drive_s[network.head[edge]])
        edge = np.where(back, twin, edge)
        np.add.at(by_edge, edge, placed.dwellings)
        np.add.at(by_node, network.head[edge], placed.dwellings)
    # the farthest first, so that all who come to a junction are there when it is left
    for node in np.argsort(-free.drive_s, kind="stable").tolist():
        edge = int(free.next_edge[node])
        if edge >= 0 and by_node[node] > 0.0:
            by_edge[edge] += by_node[node]
            by_node[network.head[edge]] += by_node[node]
    return by_edge


def _headway_s(network: RoadNetwork, cars: float) -> NDArray[np.float64]:
    """How long each car takes to pass each edge once a queue has formed, where it stands for so many on average."""

    def judge(edge: int, tags: dict[str, str]) -> float:
        try:
            width_m = length_limit_m(tags["width"], place="width")
        except InputError:
            width_m = np.inf
        one_way = bool(network.twin[edge] < 0)
        return capacity_veh_h(tags["highway"], lanes=tags["lanes"], one_way=one_way, width_m=width_m)

    passes = judged(network, judge, tags=("highway", "lanes", "width"), beside=(network.twin < 0,))
    return 3600.0 * cars / (BREAKDOWN_SHARE.value * np.array(passes, dtype=np.float64))


def _trailer_s(scenario: Scenario, vehicle: RoadVehicle, grades: EdgeGrades) -> NDArray[np.float64]:
    """How long a neighbour with a trailer takes on each edge; 0 where it may be overtaken, or is not on the road."""
    network, region = scenario.network, scenario.inputs.plan.roads.region
    mass_kg = vehicle.mass_kg if vehicle.mode == "tow" else TRAILER_AS_HEAVY.value * vehicle.mass_kg
    slow_m_s, motorway_m_s = (
        towing_limit_m_s(region, combined_mass_kg=mass_kg, motorway=motorway) for motorway in (False, True)
    )
    trailer = replace(vehicle, mode="tow", mass_kg=mass_kg, speed_limit_m_s=slow_m_s, motorway_limit_m_s=motorway_m_s)
    time_s = travel(network, trailer, grade=grades, region=region).time_s
    lanes = judged(
        network,
        lambda edge, tags: lanes_out(tags["lanes"], one_way=bool(network.twin[edge] < 0)),
        tags=("lanes",),
        beside=(network.twin < 0,),
    )
    return np.where(np.isfinite(time_s) & (np.array(lanes) < 2), time_s, 0.0)


def _must_pass(scenario: Scenario, found: EdgeTravel, *, targets: NDArray[np.int64]) -> tuple[int, ...]:
    """Edges that lie on every way from the home to any of the targets, by dominators."""
    network = scenario.network
    bits = np.where(found.usable, ENTER_A | LEAVE_B, 0).astype(np.uint8)
    passages = Passages(network.node_count, network.tail, network.head, bits)
    tree = exit_tree(passages, targets.astype(np.int32))
    at, edges = int(tree.parent[scenario.home_node]), list[int]()
    while 0 <= at != tree.outside:
        if at >= network.node_count:
            edges.append(at - network.node_count)
        at = int(tree.parent[at])
    return tuple(edges)


def bottlenecks(stream: Stream, edges: Sequence[int]) -> tuple[Bottleneck, ...]:
    """Find where queues form along some edges in the order of travel, each with a longer wait than those before it.

    Of n cars that are ahead at once, the last is past a stretch after n headways, whatever came before: first in, first
    out through one bottleneck after another, the longest counts.
    """
    rows = np.array(edges, dtype=np.int64)
    cars, headway_s = stream.cars[rows], stream.headway_s[rows]
    begins_m = np.append(0.0, np.cumsum(stream.length_m[rows]))[:-1]
    shared = np.flatnonzero(cars > 0.0)
    found: list[Bottleneck] = []
    for at in shared.tolist():
        reach_m = begins_m[at] - cars[at] * JAM_SPACING_M.value
        # the stretch on which the end of the queue stands
        back = max(int(np.searchsorted(begins_m, reach_m, side="right")) - 1, int(shared[0]))
        found.append(Bottleneck(at, min(back, at), float(cars[at]), float(headway_s[at]), 0.0))
    kept: list[Bottleneck] = []
    longest_s = 0.0
    for one in sorted(found, key=lambda one: (one.back, -one.cars * one.headway_s, one.at)):
        whole_s = one.cars * one.headway_s
        if whole_s > longest_s:
            kept.append(replace(one, wait_s=whole_s - longest_s))
            longest_s = whole_s
    return tuple(kept)


def holds_on(stream: Stream, edges: Sequence[int], edge_time_s: NDArray[np.float64]) -> tuple[tuple[int, Hold], ...]:
    """Give the queues on some edges in the order of travel: before which of them, and how whoever comes finds it."""
    places = bottlenecks(stream, edges)
    if stream.set_out == "gone before":
        return ()
    if stream.set_out == "at once":
        return tuple((one.back, Hold(one.wait_s)) for one in places)
    along_s = np.append(0.0, np.cumsum(edge_time_s))
    found: list[list[Hold]] = [[] for _ in places]
    drives = int(np.ceil(along_s[-1] / FROM_EVERY_S)) + 1
    for share in np.linspace(0.0, 1.0, drives) if places else ():
        for kept, hold in zip(found, _over_time(stream, places, along_s=along_s, share=float(share)), strict=True):
            kept.append(hold)
    every = [worst_of(kept) for kept in found]
    if stream.told_s is None:
        every = [Hold(hold.most_s) for hold in every]
    return tuple((one.back, hold) for one, hold in zip(places, every, strict=True))


def holds_everywhere(stream: Stream, edge_time_s: NDArray[np.float64]) -> dict[int, Hold]:
    """Give the queues that stand on every way out, by edge of the network: those of the single exit."""
    edges = stream.must_pass
    return {edges[at]: hold for at, hold in holds_on(stream, edges, edge_time_s[list(edges)])}


def _over_time(
    stream: Stream, places: Sequence[Bottleneck], *, along_s: NDArray[np.float64], share: float
) -> list[Hold]:
    """The queues one after another, for neighbours who live at this share of the drive from the home to the first."""
    set_out_s = setting_out_s(stream.curve, max(int(one.cars) for one in places)) + (stream.told_s or 0.0)
    holds, past_s, before = list[Hold](), np.zeros(0), 0
    for number, one in enumerate(places):
        joins_s = set_out_s[before : int(one.cars)] + share * along_s[one.at]
        on_s = past_s + (along_s[one.at] - along_s[places[number - 1].at] if number else 0.0)
        come_s = np.sort(np.concatenate([on_s, joins_s]))
        past_s, before = pass_bottleneck(come_s, headway_s=one.headway_s), max(before, int(one.cars))
        # on the clock of whoever comes to the end of the queue, and may drive on slowly
        on_to_s = along_s[one.at] - along_s[one.back]
        slowly_s = DRIVE_TIME_FACTOR_HIGH.value * on_to_s
        holds.append(Hold(0.0, come_s - slowly_s, past_s + one.headway_s - on_to_s))
    return holds


def setting_out_s(curve: Mobilisation, cars: int) -> NDArray[np.float64]:
    """When so many cars get going after they are told: spread over the curve so that more only add to those before."""
    fine_s = np.linspace(0.0, curve.last_s, 20_001)
    # the digits of the car's number in base two, mirrored (van der Corput 1935, from memory)
    shares = sum((np.arange(cars) >> bit & 1) / 2.0 ** (bit + 1) for bit in range(20))
    return np.asarray(np.interp(shares, rolling_share(curve, fine_s), fine_s), dtype=np.float64)


def held_up(stream: Stream, network: RoadNetwork, edges: Sequence[int], *, counted_s: float) -> HeldUp | None:
    """Tell what the neighbours' cars are worth on a route; None where there is none on it."""
    places = bottlenecks(stream, edges)
    if not places:
        return None
    worst = places[-1]
    return HeldUp(
        street=street(network, edges[worst.at]),
        cars=int(worst.cars),
        passes_veh_h=3600.0 / worst.headway_s,
        at_once_s=worst.cars * worst.headway_s,
        counted_s=counted_s,
        set_out=stream.set_out,
    )
