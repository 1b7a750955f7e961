"""The way itself: its stretches, street by street with turns, the street that closes first, and other ways."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.errors import refused
from leaveby.roads.network.graph import SEPARATOR, RoadNetwork, RoutingGraph, csr
from leaveby.roads.routing.latest_departure import EarliestArrival, LatestDeparture, latest_departure

COMPASS: Final = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")

_LOOK_M = 15.0
_SHORT_M = 150.0
_PENALTIES: Final = (1000.0, 30.0, 10.0, 3.0, 1.0, 0.3)
_MOST_SHARED = 0.8


@dataclass(frozen=True)
class Step:
    """One street of a way.

    `turn` is how one comes onto it (`start`, `straight on`, `slight left`, `left`, `sharp left`, `turn back`, ...),
    `compass` the direction in which it starts, from grid north; `street` its name or number, or the kind of road where
    it has none. Length and time are along its `edges`.
    """

    turn: str
    compass: str
    street: str
    length_m: float
    time_s: float
    edges: tuple[int, ...]


@dataclass(frozen=True)
class Route:
    """A way from one node to another, its nodes and edges in the order of travel: one node more than edges.

    - `length_m`, `time_s`: of the whole way.
    - `latest_departure_s`: by when to leave to clear every stretch, with the margin, before it shuts; inf where none
      shuts.
    - `closes_first_edge`, `closes_first`, `closes_first_s`: the first of `shut_along`: stretch, its street, and when;
      -1, '' and inf where none shuts.
    """

    nodes: tuple[int, ...]
    edges: tuple[int, ...]
    length_m: float
    time_s: float
    latest_departure_s: float
    closes_first_edge: int
    closes_first: str
    closes_first_s: float
    steps: tuple[Step, ...]


def street(network: RoadNetwork, edge: int) -> str:
    """What to call the road of an edge: its name, else its number, else its kind."""
    words = network.name[edge] or network.ref[edge]
    if words:
        return " / ".join(dict.fromkeys(part for part in words.split(SEPARATOR) if part))
    if network.junction[edge] == "roundabout":
        return "roundabout"
    kind = network.highway[edge].split(SEPARATOR)[0]
    if kind == "service" and network.service[edge] == "driveway":
        return "driveway"
    plain = {"service": "service road", "residential": "street", "unclassified": "road", "": "road"}
    return f"unnamed {plain.get(kind, kind.replace('_', ' '))}"


def shut_along(
    network: RoadNetwork, edges: Sequence[int], closing_s: NDArray[np.float64]
) -> tuple[tuple[str, int, float], ...]:
    """The streets of a way in the order in which they shut, each with its stretch that shuts first, and when.

    Short drives that were put on to reach a road carry no name that a person knows: they stand here only where nothing
    else shuts. Streets that shut at once stand in the order of travel.
    """
    finite = [edge for edge in edges if closing_s[edge] < np.inf]
    named = [edge for edge in finite if network.way_id[edge] != 0] or finite
    first: dict[str, int] = {}
    for edge in named:
        name = street(network, edge)
        if name not in first or closing_s[edge] < closing_s[first[name]]:
            first[name] = int(edge)
    found = [(name, edge, float(closing_s[edge])) for name, edge in first.items()]
    return tuple(sorted(found, key=lambda one: (one[2], edges.index(one[1]))))


def route(network: RoadNetwork, result: LatestDeparture | EarliestArrival, node: int) -> Route | None:
    """The way that a routing result of this network holds, or None where there is none.

    `node` is where the way begins (`LatestDeparture`: the way to its safe point that can be left latest) or ends
    (`EarliestArrival`: the quickest way from its start).

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (0.0, 300.0)], [(0.0, 300.0), (400.0, 300.0)]]
    >>> network = network_from_lines(lines, crs="EPSG:32755", names=["Hill Road", "Main Road"])
    >>> closing = np.array([np.inf, 900.0, np.inf, np.inf])
    >>> result = latest_departure(network, network.length_m / 10.0, closing_s=closing, targets=2)
    >>> way = route(network, result, 0)
    >>> way.latest_departure_s, way.closes_first, [(step.turn, step.street) for step in way.steps]
    (830.0, 'Main Road', [('start', 'Hill Road'), ('right', 'Main Road')])
    """
    if not 0 <= node < network.node_count or result.time_s.shape != (network.node_count,):
        raise refused("route", "route_of_another_network", node=node, last=network.node_count - 1)
    edges: list[int] = []
    at = node
    if isinstance(result, LatestDeparture):
        begin, there, following, end_of = node, result.target[node] >= 0, result.next_edge, network.head
    else:
        begin, there, following, end_of = result.start, result.time_s[node] < np.inf, result.previous_edge, network.tail
    if not there:
        return None
    while following[at] >= 0:
        edges.append(int(following[at]))
        at = int(end_of[edges[-1]])
    if isinstance(result, EarliestArrival):
        edges.reverse()
    return route_along(
        network,
        edges,
        start=begin,
        travel_time_s=result.travel_s,
        closing_s=result.closing_s,
        margin_s=result.margin_s,
    )


def route_along(
    network: RoadNetwork,
    edges: Sequence[int],
    *,
    start: int,
    travel_time_s: NDArray[np.float64],
    closing_s: NDArray[np.float64],
    margin_s: float = 0.0,
) -> Route:
    """Describe the way along edges in the order of travel from the node `start`; InputError where they do not join."""
    nodes = [start]
    for edge in edges:
        if int(network.tail[edge]) != nodes[-1]:
            raise refused("route", "route_not_joined", edge=edge, node=nodes[-1])
        nodes.append(int(network.head[edge]))
    latest = np.inf
    for edge in reversed(edges):
        latest = min(latest, float(closing_s[edge]) - margin_s) - float(travel_time_s[edge])
    shutting = shut_along(network, edges, closing_s)
    first = shutting[0][1] if shutting else -1
    return Route(
        nodes=tuple(nodes),
        edges=tuple(int(edge) for edge in edges),
        length_m=float(network.length_m[list(edges)].sum()) if edges else 0.0,
        time_s=float(travel_time_s[list(edges)].sum()) if edges else 0.0,
        latest_departure_s=float(latest),
        closes_first_edge=int(first),
        closes_first=shutting[0][0] if shutting else "",
        closes_first_s=shutting[0][2] if shutting else float("inf"),
        steps=_steps(network, edges, travel_time_s=travel_time_s),
    )


def _heading_deg(network: RoadNetwork, edge: int, *, leaving: bool) -> float | None:
    """Direction at the start (or end) of an edge, clockwise from grid north; None for an edge of no length."""
    line = network.geometry[edge]
    whole = float(shapely.length(line))
    if whole == 0.0:
        return None
    reach = min(_LOOK_M, whole)
    a, b = (0.0, reach) if leaving else (whole - reach, whole)
    p, q = shapely.line_interpolate_point(line, a), shapely.line_interpolate_point(line, b)
    return float(np.degrees(np.arctan2(q.x - p.x, q.y - p.y)) % 360.0)


def turn_words(before_deg: float, after_deg: float) -> str:
    """The turn from one heading to another."""
    change = (after_deg - before_deg + 180.0) % 360.0 - 180.0
    side = "right" if change > 0.0 else "left"
    names = ("straight on", f"slight {side}", side, f"sharp {side}", "turn back")
    return names[bisect_right((20.0, 50.0, 120.0, 165.0), abs(change))]


def compass_words(heading_deg: float) -> str:
    """The nearest of eight points of the compass."""
    return COMPASS[round(heading_deg / 45.0) % 8]


def _steps(network: RoadNetwork, edges: Sequence[int], *, travel_time_s: NDArray[np.float64]) -> tuple[Step, ...]:
    groups: list[tuple[str, list[int]]] = []
    for edge in edges:
        name = street(network, edge)
        if groups and (groups[-1][0] == name or _goes_unnoticed(network, groups[-1][1], edge=edge)):
            groups[-1][1].append(edge)
        else:
            groups.append((name, [edge]))
    steps: list[Step] = []
    before: float | None = None
    for name, members in groups:
        after = _heading_deg(network, members[0], leaving=True)
        heading = after if after is not None else (before if before is not None else 0.0)
        steps.append(
            Step(
                turn="start" if before is None else turn_words(before, heading),
                compass=compass_words(heading),
                street=name,
                length_m=float(network.length_m[members].sum()),
                time_s=float(travel_time_s[members].sum()),
                edges=tuple(int(edge) for edge in members),
            )
        )
        end = _heading_deg(network, members[-1], leaving=False)
        before = end if end is not None else heading
    return tuple(steps)


def _goes_unnoticed(network: RoadNetwork, members: Sequence[int], *, edge: int) -> bool:
    """Whether a stretch without a name of its own (a bridge, a split carriageway) just carries the same road on."""
    if network.name[edge] or network.junction[edge] == "roundabout" or network.junction[members[-1]] == "roundabout":
        return False
    if network.ref[edge]:
        return network.ref[edge] in {network.ref[member] for member in members}
    before = _heading_deg(network, members[-1], leaving=False)
    after = _heading_deg(network, edge, leaving=True)
    return (
        network.length_m[edge] < _SHORT_M
        and network.highway[edge] == network.highway[members[-1]]
        and (before is None or after is None or turn_words(before, after) == "straight on")
    )


def shared_share(network: RoadNetwork, route_a: Route, *, route_b: Route) -> float:
    """Share of the length of `route_a` that `route_b` runs along too, in either direction."""
    if route_a.length_m == 0.0:
        return 1.0
    other = _both_ways(network, route_b.edges)
    return float(sum(network.length_m[edge] for edge in route_a.edges if other[edge]) / route_a.length_m)


def _both_ways(network: RoadNetwork, edges: Sequence[int]) -> NDArray[np.bool_]:
    taken = np.zeros(network.edge_count, dtype=np.bool_)
    taken[list(edges)] = True
    back = network.twin[list(edges)]
    taken[back[back >= 0]] = True
    return taken


def alternatives(
    network: RoadNetwork,
    first: Route,
    *,
    travel_time_s: NDArray[np.float64],
    targets: int | Sequence[int] | NDArray[np.int32],
    count: int = 3,
    longest: float = 4.0,
    graph: RoutingGraph | None = None,
) -> tuple[Route, ...]:
    """Other ways that share as little as can be with the first, and with each other.

    Stretches that are taken already are made to look slower, a thousand times at first and then less, until a way comes
    out that is no more than `longest` times as slow as the first. None, one or up to `count` ways; each shares less
    than 80 % of its length with any other. `graph` is the index of the network, where it is at hand.
    """
    index = csr(network) if graph is None else graph
    never = np.full(network.edge_count, np.inf)
    start = first.nodes[0]
    found: list[Route] = []
    while len(found) < count:
        taken = _both_ways(network, [edge for way in (first, *found) for edge in way.edges])
        following = None
        for penalty in _PENALTIES:
            slowed = np.where(taken, travel_time_s * (1.0 + penalty), travel_time_s)
            way = route(network, latest_departure(index, slowed, closing_s=never, targets=targets), start)
            if way is None:
                return tuple(found)
            way = route_along(network, way.edges, start=start, travel_time_s=travel_time_s, closing_s=never)
            if (
                way.time_s <= longest * first.time_s
                and way.edges
                and all(shared_share(network, way, route_b=other) < _MOST_SHARED for other in (first, *found))
            ):
                following = way
                break
        if following is None:
            break
        found.append(following)
    return tuple(found)
