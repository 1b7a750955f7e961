"""The way itself: order, closings, turns, alternatives."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import networkx as nx
import numpy as np
import pytest

from leaveby.errors import InputError
from leaveby.roads.network.graph import RoadNetwork, network_from_lines
from leaveby.roads.routing.itinerary import (
    alternatives,
    compass_words,
    route,
    route_along,
    shared_share,
    shut_along,
    street,
    turn_words,
)
from leaveby.roads.routing.latest_departure import earliest_arrival, latest_departure

DATA = Path(__file__).parents[1] / "data"
INF = float("inf")


def square() -> RoadNetwork:
    """Home at the south-west corner, safe point at the north-east: by Hill Road and Main Road, or by Creek Road."""
    return network_from_lines(
        [
            [(0.0, 0.0), (0.0, 1000.0)],
            [(0.0, 1000.0), (1000.0, 1000.0)],
            [(0.0, 0.0), (1200.0, 0.0)],
            [(1200.0, 0.0), (1000.0, 1000.0)],
        ],
        crs="EPSG:32755",
        names=["Hill Road", "Main Road", "Creek Road", "Creek Road"],
    )


HOME, SAFE = 0, 2


def test_the_street_that_closes_first_and_the_one_that_sets_the_departure() -> None:
    """At 10 m/s: Hill Road shuts at 900 s, cleared after 100; Main Road at 950 s, cleared after 200: leave by 750."""
    network = square()
    closing = np.full(8, INF)
    closing[0], closing[1] = 900.0, 950.0
    closing[2] = 0.0
    result = latest_departure(network, network.length_m / 10.0, closing_s=closing, targets=SAFE)
    way = route(network, result, HOME)
    assert way is not None
    assert [step.street for step in way.steps] == ["Hill Road", "Main Road"]
    assert (way.length_m, way.time_s) == (2000.0, 200.0)
    assert (way.closes_first, way.closes_first_s, way.closes_first_edge) == ("Hill Road", 900.0, 0)
    assert way.latest_departure_s == 750.0
    assert way.latest_departure_s == result.time_s[HOME]


@pytest.mark.parametrize("seed", range(40))
def test_streets_shut_in_the_order_of_their_first_stretch(seed: int) -> None:
    """Against plain Python over random closings with many ties; a drive that was put on is named only for want of else.

    Drives carry way 0, as `attach_points` numbers them.
    """
    rng = np.random.default_rng(seed)
    names = [str(rng.choice(["Hill Road", "Main Road", "Creek Road", "Ford Lane"])) for _ in range(8)]
    lines = [[(100.0 * k, 0.0), (100.0 * (k + 1), 0.0)] for k in range(8)]
    network = network_from_lines(lines, crs="EPSG:32755", names=["drive of home", *names[1:]])
    network = replace(network, way_id=np.where(network.way_id == 1, 0, network.way_id))
    closing_s = rng.choice([300.0, 600.0, 900.0, INF], size=network.edge_count)
    if seed % 4 == 0:
        closing_s[1:] = INF
    edges = list(range(8))
    found = shut_along(network, edges, closing_s)
    named = [edge for edge in edges[1:] if closing_s[edge] < INF] or [edge for edge in edges if closing_s[edge] < INF]
    first: dict[str, float] = {}
    for edge in named:
        first[street(network, edge)] = min(first.get(street(network, edge), INF), closing_s[edge])
    assert {name: at_s for name, _, at_s in found} == first
    assert [at_s for _, _, at_s in found] == sorted(first.values())
    assert all(closing_s[edge] == at_s and street(network, edge) == name for name, edge, at_s in found)
    assert all(a[1] < b[1] for a, b in pairwise(found) if a[2] == b[2])
    way = route_along(network, edges, start=0, travel_time_s=network.length_m, closing_s=closing_s)
    assert (way.closes_first, way.closes_first_edge, way.closes_first_s) == (found[0] if found else ("", -1, INF))


def test_the_latest_way_is_not_always_the_quickest() -> None:
    network = square()
    closing = np.full(8, INF)
    closing[1] = 500.0
    time_s = network.length_m / 10.0
    latest = route(network, latest_departure(network, time_s, closing_s=closing, targets=SAFE), HOME)
    soon = route(network, earliest_arrival(network, time_s, closing_s=closing, start=HOME, depart_s=0.0), SAFE)
    late = route(network, earliest_arrival(network, time_s, closing_s=closing, start=HOME, depart_s=400.0), SAFE)
    assert latest is not None
    assert soon is not None
    assert late is not None
    assert {step.street for step in latest.steps} == {"Creek Road"}
    assert latest.latest_departure_s == INF
    assert [step.street for step in soon.steps] == ["Hill Road", "Main Road"]
    assert {step.street for step in late.steps} == {"Creek Road"}


def test_directions() -> None:
    network = square()
    never = np.full(8, INF)
    way = route(network, latest_departure(network, network.length_m / 10.0, closing_s=never, targets=SAFE), HOME)
    assert way is not None
    told = [(step.turn, step.compass, step.street, step.length_m) for step in way.steps]
    assert told == [("start", "north", "Hill Road", 1000.0), ("right", "east", "Main Road", 1000.0)]
    back = route(network, latest_departure(network, network.length_m / 10.0, closing_s=never, targets=HOME), SAFE)
    assert back is not None
    told = [(step.turn, step.compass, step.street, step.length_m) for step in back.steps]
    assert told == [("start", "west", "Main Road", 1000.0), ("left", "south", "Hill Road", 1000.0)]


@pytest.mark.parametrize("heading", range(0, 360, 15))
def test_turns_and_compass(heading: int) -> None:
    assert turn_words(heading, heading + 90) == "right"
    assert turn_words(heading, heading - 90) == "left"
    assert turn_words(heading, heading) == "straight on"
    assert turn_words(heading, heading + 180) == "turn back"
    assert compass_words(heading) in {"north", "north-east", "east", "south-east"} | {
        "south",
        "south-west",
        "west",
        "north-west",
    }


def test_names_of_streets_without_names() -> None:
    tags = [
        {"name": "", "ref": "B12"},
        {"highway": "service", "service": "driveway"},
        {"highway": "track"},
        {"junction": "roundabout"},
        {"name": "Old Road|New Road"},
    ]
    lines = [[(100.0 * k, 0.0), (100.0 * k + 100.0, 0.0)] for k in range(5)]
    network = network_from_lines(lines, crs="EPSG:32755", tags=tags)
    assert [street(network, edge) for edge in range(5)] == [
        "B12",
        "driveway",
        "unnamed track",
        "roundabout",
        "Old Road / New Road",
    ]


def test_short_unnamed_pieces_do_not_break_up_the_directions() -> None:
    tags = [
        {"name": "Valley Road", "ref": "C1", "highway": "secondary"},
        {"ref": "C1", "highway": "secondary", "bridge": "yes"},
        {"name": "Valley Road", "ref": "C1", "highway": "secondary"},
    ]
    lines = [[(100.0 * k, 0.0), (100.0 * k + 100.0, 0.0)] for k in range(3)]
    network = network_from_lines(lines, crs="EPSG:32755", tags=tags)
    way = route_along(network, [0, 1, 2], start=0, travel_time_s=network.length_m, closing_s=np.full(6, INF))
    assert [(step.street, step.length_m) for step in way.steps] == [("Valley Road", 300.0)]


def test_no_way_and_no_distance() -> None:
    network = square()
    shut = np.full(8, INF)
    result = latest_departure(network, shut, closing_s=shut, targets=SAFE)
    assert route(network, result, HOME) is None
    there = route(network, result, SAFE)
    assert there is not None
    assert (there.edges, there.time_s, there.latest_departure_s, there.steps) == ((), 0.0, INF, ())
    arrival = earliest_arrival(network, shut, closing_s=shut, start=HOME)
    assert route(network, arrival, SAFE) is None
    with pytest.raises(InputError, match="does not belong"):
        route(network, result, 99)
    with pytest.raises(InputError, match="edge 1 does not start at node 0"):
        route_along(network, [1], start=0, travel_time_s=shut, closing_s=shut)


def test_alternatives_share_as_little_as_can_be() -> None:
    network = square()
    never = np.full(8, INF)
    time_s = network.length_m / 10.0
    first = route(network, latest_departure(network, time_s, closing_s=never, targets=SAFE), HOME)
    assert first is not None
    others = alternatives(network, first, travel_time_s=time_s, targets=SAFE)
    assert len(others) == 1
    assert shared_share(network, others[0], route_b=first) == 0.0
    # one that is far too long is not offered
    assert alternatives(network, first, travel_time_s=time_s, targets=SAFE, longest=1.01) == ()
    assert alternatives(network, first, travel_time_s=np.full(8, INF), targets=SAFE) == ()


def test_alternatives_on_a_real_network(andorra: RoadNetwork) -> None:
    """Up to three other ways over real roads; where two ways that share no street exist (Menger 1927), one is found."""
    network = andorra
    time_s = np.where(network.foot_only, INF, network.length_m / 10.0)
    never = np.full(network.edge_count, INF)
    streets: nx.Graph[int] = nx.Graph()
    streets.add_edges_from(zip(network.tail.tolist(), network.head.tolist(), strict=True))
    cuts = nx.Graph(streets)
    cuts.remove_edges_from(list(nx.bridges(streets)))
    block = sorted(max(nx.connected_components(cuts), key=len))
    start, goal = block[0], block[len(block) // 2]
    first = route(network, latest_departure(network, time_s, closing_s=never, targets=goal), start)
    assert first is not None
    others = alternatives(network, first, travel_time_s=time_s, targets=goal, longest=20.0)
    assert 1 <= len(others) <= 3
    for k, way in enumerate(others):
        assert way.nodes[0] == start
        assert way.nodes[-1] == goal
        assert way.time_s >= first.time_s - 1e-6
        for other in (first, *others[:k]):
            assert shared_share(network, way, route_b=other) < 0.8
    assert shared_share(network, others[0], route_b=first) < 0.2
