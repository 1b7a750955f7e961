"""What a household passes between its home and the first public road: its own private way and gates, and no others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from leaveby.parameters import POCKET_M
from leaveby.roads.network.grades import EdgeGrades
from leaveby.roads.network.graph import FOOT_CLASSES, SEPARATOR, RoadNetwork, judged
from leaveby.roads.routing.itinerary import route
from leaveby.roads.routing.latest_departure import latest_departure
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.restrictions import access_closed, barrier_closed
from leaveby.roads.vehicle.travel import EdgeTravel, travel

_ACCESS: Final = ("highway", "barrier", "access", "vehicle", "motor_vehicle", "motorcar", "foot")
_LANES: Final = frozenset({"service", "track", ""}) | FOOT_CLASSES
"""Classes that lead to a home or a field rather than through: no public road in the sense of `household_travel`."""


@dataclass(frozen=True, eq=False)
class HomeWay:
    """What a household passes between its home and the first public road; nothing where it stands at one.

    - `edges`, `opened`: in the order of travel; those of them that are private or stand behind a gate.
    - `road`: an edge of the public road that is met, or -1 where none can be reached.
    - `sentence`: what was used of private ways and gates, for the assumptions; '' where nothing was.
    """

    edges: tuple[int, ...]
    opened: tuple[int, ...]
    road: int
    sentence: str


def household_travel(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    home: int,
    targets: Sequence[int],
    grade: NDArray[np.float64] | EdgeGrades | None = None,
    region: str = "AU",
) -> tuple[EdgeTravel, HomeWay]:
    """Travel over every edge by a household that uses its own private way and gates, and no others.

    Private ways and gates are opened only along one way, the quickest, from the home to the first public road, and only
    where none of `targets`, the nodes where leaving may end, is reached without. A public road is one that everyone may
    use and that is no service road, track or path; small nets of streets that lead nowhere else (`POCKET_M`) belong to
    the estate. What lies beyond the public road stays shut, also where it would be shorter, and so does every other
    private way.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (0.0, 50.0)], [(0.0, 50.0), (900.0, 50.0)], [(900.0, 50.0), (900.0, 90.0)]]
    >>> tags = [{"highway": "service", "access": "private"}, {}, {"access": "private"}]
    >>> network = network_from_lines(lines, crs="EPSG:32755", names=["Our Drive", "", ""], tags=tags)
    >>> car = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=9e4)
    >>> found, way = household_travel(network, car, home=0, targets=[2])
    >>> found.usable.tolist(), way.opened
    ([True, True, False, True, True, False], (0,))
    """
    closed = travel(network, vehicle, grade=grade, region=region)
    never = np.full(network.edge_count, np.inf)
    shut = latest_departure(network, closed.time_s, closing_s=never, targets=list(targets)) if len(targets) else None
    leads_on = np.isfinite(shut.drive_s) if shut is not None else np.zeros(network.node_count, dtype=np.bool_)
    own, everyones = _own_and_open(network, vehicle)
    public = _public(network, everyones, leads_on)
    if leads_on[home]:
        return closed, _home_way(network, vehicle, closed, closed, public, home, wanted=leads_on)
    free = travel(network, vehicle, grade=grade, region=region, opened=own)
    way = _home_way(network, vehicle, closed, free, public, home, wanted=leads_on)
    if way.road < 0:
        # no public road that leads on: then the first of any kind, so that what stands in the way further on is told
        way = _home_way(network, vehicle, closed, free, public, home, wanted=None)
    if not way.opened:
        return closed, way
    opened = np.zeros(network.edge_count, dtype=np.bool_)
    rows = np.array(way.opened, dtype=np.int64)
    opened[rows] = True
    twins = network.twin[rows]
    opened[twins[twins >= 0]] = True
    found = travel(network, vehicle, grade=grade, region=region, opened=opened)
    return replace(found, assumptions=(*found.assumptions, way.sentence)), way


def _own_and_open(network: RoadNetwork, vehicle: RoadVehicle) -> NDArray[np.bool_]:
    """Ways that a household may take for its own, and roads that are no lanes and neither private nor gated: (2, e).

    Its own may be all but streets that are closed to everybody: on a lane "no" is how many mappers write "private"; on
    a street it means roadworks, or that nobody may drive there.
    """
    mode = "foot" if vehicle.mode == "foot" else "car"

    def judge(_: int, tags: dict[str, str]) -> tuple[bool, bool]:
        lane, closed = _LANES.issuperset(tags["highway"].split(SEPARATOR)), access_closed(tags, mode=mode)
        own = lane or not closed.endswith("=no")
        return own, not (lane or closed or barrier_closed(tags["barrier"], mode=mode)[0])

    return np.array(judged(network, judge, tags=_ACCESS), dtype=np.bool_).reshape(-1, 2).T


def _public(network: RoadNetwork, found: NDArray[np.bool_], leads_on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Public roads among those that are open to everyone, whether or not this vehicle fits on them: no pocket."""
    rows = np.flatnonzero(found)
    size = (network.node_count, network.node_count)
    joined = sparse.coo_matrix((np.ones(rows.size), (network.tail[rows], network.head[rows])), shape=size)
    _, part = sparse.csgraph.connected_components(joined, directed=False)
    once = rows[(network.twin[rows] < 0) | (rows < network.twin[rows])]
    length_m = np.bincount(part[network.tail[once]], weights=network.length_m[once], minlength=part.max() + 1)
    on = np.bincount(part[leads_on], minlength=part.max() + 1) > 0
    pocket = ~on & (length_m <= POCKET_M.value)
    return np.asarray(found & ~pocket[part[network.tail]], dtype=np.bool_)


def _home_way(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    closed: EdgeTravel,
    free: EdgeTravel,
    public: NDArray[np.bool_],
    home: int,
    *,
    wanted: NDArray[np.bool_] | None,
) -> HomeWay:
    """The quickest way from the home to the first public road, on what is not public itself."""
    never = np.full(network.edge_count, np.inf)
    met = np.zeros(network.node_count, dtype=np.bool_)
    met[network.tail[public]] = True
    met[network.head[public]] = True
    # where a public road is met the way ends: nothing goes on from there over somebody else's land
    time_s = np.where(public | met[network.tail], np.inf, free.time_s)
    ends = np.flatnonzero(met if wanted is None else met & wanted)
    found = None
    if ends.size:
        reach = latest_departure(network, time_s, closing_s=never, targets=ends.astype(np.int32))
        found = route(network, reach, home)
    if found is None:
        return HomeWay((), (), -1, "")
    last = found.nodes[-1]
    at_end = np.flatnonzero(public & ((network.tail == last) | (network.head == last)))
    opened = tuple(edge for edge in found.edges if not closed.usable[edge])
    return HomeWay(found.edges, opened, int(at_end[0]), _opened_words(network, vehicle, opened))


def _opened_words(network: RoadNetwork, vehicle: RoadVehicle, opened: tuple[int, ...]) -> str:
    if not opened:
        return ""
    private: dict[str, None] = {}
    gates: dict[str, None] = {}
    for edge in opened:
        tags = network.edge_tags(edge)
        called = f"{tags['name']} (way {network.way_id[edge]})" if tags.get("name") else f"way {network.way_id[edge]}"
        if access_closed(tags, mode=vehicle.mode):
            private[called] = None
        barrier = barrier_closed(tags.get("barrier", ""), mode=vehicle.mode)[0]
        if barrier:
            gates[f"{barrier.partition('=')[0].replace('_', ' ')} on {called}"] = None
    parts = [f"the private way {item}" for item in private] + [f"the {item}" for item in gates]
    used = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return (
        f"Used {used} between your home and the first public road: nothing says that you may, or that a gate opens "
        "when the power is off. Make sure of both. All other private ways and gates count as shut."
    )


def ways_to_open(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    start: int,
    targets: int | Sequence[int] | NDArray[np.int32],
    region: str = "AU",
) -> tuple[int, ...] | None:
    """Ways whose gates or private access a household has to open to get from its home (`start`) to a safe point at all.

    For saying what to write into the plan (`opens_gates`) when a home on a private drive or behind a gate has no way
    out: in the order of travel, as little of them as can be. Empty where none is needed, None where opening does not
    help.
    """
    everything = frozenset(network.way_id.tolist())
    closed = travel(network, vehicle, region=region)
    opened = travel(network, replace(vehicle, opens_gates=everything), region=region)
    # a second behind a closed gate weighs more than any drive on open roads
    heavy = 1.0 + float(opened.time_s[opened.usable].sum())
    cost = np.where(closed.usable, opened.time_s, opened.time_s * heavy + opened.usable)
    never = np.full(network.edge_count, np.inf)
    way = route(network, latest_departure(network, cost, closing_s=never, targets=targets), start)
    if way is None:
        return None
    return tuple(dict.fromkeys(int(network.way_id[edge]) for edge in way.edges if not closed.usable[edge]))
