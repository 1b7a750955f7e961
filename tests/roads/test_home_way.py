"""A household's own private way and gates: used between its home and the first public road, and nowhere else.

Access and barrier tags as in the OpenStreetMap wiki's pages on access and barriers (from memory); that a household
drives its own drive and opens its own gate is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from pyproj import Transformer

from leaveby.files.read.roads import read_roads
from leaveby.roads.network.attach import attach_points
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import route
from leaveby.roads.routing.latest_departure import latest_departure
from leaveby.roads.vehicle.home_way import HomeWay, household_travel
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.travel import EdgeTravel, travel

INF = float("inf")
CRS = "EPSG:32755"
LAT, LON = -37.0, 147.0
M_LAT = 111_195.0
M_LON = M_LAT * float(np.cos(np.radians(LAT)))
CAR = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=100e3)
HOUSE = RoadVehicle(name="house", mode="tow", width_m=2.5, height_m=3.9, length_m=13.0, mass_kg=7000.0, power_w=150e3)
FEET = RoadVehicle(name="on foot", mode="foot")

Line = Sequence[tuple[float, float]]


def extract(
    file: Path, ways: Sequence[tuple[Line, dict[str, str]]], points: dict[tuple[float, float], dict[str, str]]
) -> Path:
    """An extract in metres from a corner, written as XML; lines that share a place meet there."""
    place: dict[tuple[float, float], int] = {}
    for line, _ in ways:
        for at in line:
            place.setdefault(at, len(place) + 1)
    text = ["<?xml version='1.0' encoding='UTF-8'?>", '<osm version="0.6">']
    for (x, y), number in place.items():
        inner = "".join(f'<tag k="{k}" v="{v}"/>' for k, v in points.get((x, y), {}).items())
        text.append(f'<node id="{number}" lat="{LAT + y / M_LAT:.7f}" lon="{LON + x / M_LON:.7f}">{inner}</node>')
    for number, (line, tags) in enumerate(ways, start=100):
        inner = "".join(f'<nd ref="{place[at]}"/>' for at in line)
        inner += "".join(f'<tag k="{k}" v="{v}"/>' for k, v in tags.items())
        text.append(f'<way id="{number}">{inner}</way>')
    file.write_text("\n".join([*text, "</osm>"]), encoding="utf-8")
    return file


def left(
    file: Path, home: tuple[float, float], end: tuple[float, float], vehicle: RoadVehicle = CAR
) -> tuple[RoadNetwork, EdgeTravel, HomeWay, list[int]]:
    """Network, travel, the way to the first public road, and the ways of the route (empty where there is none)."""
    network = read_roads(file, crs=CRS)
    to_grid = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    xy = [to_grid.transform(LON + x / M_LON, LAT + y / M_LAT) for x, y in (home, end)]
    network, nodes = attach_points(network, [p[0] for p in xy], y_m=[p[1] for p in xy], names=["home", "hall"])
    found, way = household_travel(network, vehicle, home=nodes[0], targets=[nodes[1]])
    reach = latest_departure(
        network, found.time_s, closing_s=np.full(network.edge_count, INF), targets=np.array([nodes[1]])
    )
    taken = route(network, reach, nodes[0])
    passed = [] if taken is None else list(dict.fromkeys(int(network.way_id[edge]) for edge in taken.edges))
    return network, found, way, [one for one in passed if one]


ROAD = [(0.0, 0.0), (1000.0, 0.0), (3000.0, 0.0)]
PRIVATE = {"highway": "service", "service": "driveway", "access": "private", "name": "Wattle Drive"}


@pytest.mark.parametrize("vehicle", [CAR, HOUSE, FEET], ids=["car", "tow", "foot"])
@pytest.mark.parametrize("access", ["private", "no", "residents", "permit"])
def test_a_home_on_its_private_drive_gets_out(tmp_path: Path, vehicle: RoadVehicle, access: str) -> None:
    file = extract(
        tmp_path / "roads.osm",
        [(ROAD, {"highway": "tertiary"}), ([(1000.0, 0.0), (1000.0, 300.0)], {**PRIVATE, "access": access})],
        {},
    )
    _, found, way, passed = left(file, (1000.0, 300.0), (2900.0, 0.0), vehicle)
    assert passed == [101, 100]
    assert way.sentence.startswith(
        "Used the private way Wattle Drive (way 101) between your home and the first public road"
    )
    assert way.sentence in found.assumptions


@pytest.mark.parametrize("vehicle", [CAR, HOUSE], ids=["car", "tow"])
def test_a_gate_in_the_middle_of_the_drive_is_opened_and_said(tmp_path: Path, vehicle: RoadVehicle) -> None:
    drive = [(1000.0, 0.0), (1000.0, 150.0), (1000.0, 300.0)]
    for tags in ({"highway": "service"}, {"highway": "track"}, PRIVATE):
        for gate in ({"barrier": "gate"}, {"barrier": "gate", "locked": "yes", "access": "private"}):
            file = extract(
                tmp_path / "roads.osm", [(ROAD, {"highway": "residential"}), (drive, tags)], {(1000.0, 150.0): gate}
            )
            _, _, way, passed = left(file, (1000.0, 300.0), (2900.0, 0.0), vehicle)
            assert passed == [101, 100]
            assert "the gate on " in way.sentence
            assert ("the private way" in way.sentence) == ("access" in tags)


def test_a_bollard_is_not_opened(tmp_path: Path) -> None:
    drive = [(1000.0, 0.0), (1000.0, 150.0), (1000.0, 300.0)]
    file = extract(
        tmp_path / "roads.osm",
        [(ROAD, {"highway": "residential"}), (drive, PRIVATE)],
        {(1000.0, 150.0): {"barrier": "bollard"}},
    )
    _, _, way, passed = left(file, (1000.0, 300.0), (2900.0, 0.0))
    assert passed == []
    assert way.opened == ()


def test_a_private_estate_road_with_several_homes_is_left_by_its_near_end_only(tmp_path: Path) -> None:
    """The estate's back gate stays shut, and so do the neighbours' drives."""
    estate = [(1000.0, 0.0), (1000.0, 200.0), (1000.0, 400.0), (1000.0, 1200.0)]
    file = extract(
        tmp_path / "roads.osm",
        [
            (ROAD, {"highway": "tertiary"}),
            (estate, {"highway": "residential", "access": "private", "name": "Estate Road"}),
            ([(1000.0, 200.0), (1060.0, 200.0)], PRIVATE),
            ([(1000.0, 400.0), (1060.0, 400.0)], PRIVATE),
            ([(0.0, 1200.0), (1000.0, 1200.0), (3000.0, 1200.0), (3000.0, 0.0)], {"highway": "unclassified"}),
        ],
        {},
    )
    network, found, way, passed = left(file, (1060.0, 200.0), (2900.0, 1200.0))
    assert passed == [102, 101, 100, 104]
    opened = {int(network.way_id[edge]) for edge in way.opened}
    assert opened == {101, 102}
    shut = [edge for edge in range(network.edge_count) if network.access[edge] == "private" and not found.usable[edge]]
    assert {int(network.way_id[edge]) for edge in shut} == {101, 103}
    assert not found.usable[[e for e in shut if network.way_id[e] == 101]].any()


def test_somebody_elses_drive_is_no_short_cut(tmp_path: Path) -> None:
    """From a home on a public road, and from one whose own drive ends at a public road across from another drive."""
    long_way = [(1000.0, 0.0), (1000.0, -3000.0), (1400.0, -3000.0), (1400.0, 0.0)]
    ways = [
        ([(0.0, 0.0), (1000.0, 0.0)], {"highway": "residential"}),
        (long_way, {"highway": "residential"}),
        ([(1400.0, 0.0), (3000.0, 0.0)], {"highway": "residential"}),
        ([(1000.0, 0.0), (1400.0, 0.0)], PRIVATE),
        ([(1000.0, 0.0), (1000.0, 200.0)], PRIVATE),
    ]
    file = extract(tmp_path / "roads.osm", ways, {})
    assert left(file, (100.0, 0.0), (2900.0, 0.0))[3] == [100, 101, 102]
    _, _, way, passed = left(file, (1000.0, 200.0), (2900.0, 0.0))
    assert passed == [104, 101, 102]
    assert "way 103" not in way.sentence


def test_a_way_that_is_private_and_gated_far_from_home_stays_shut(tmp_path: Path) -> None:
    """Also where the same way, by its number, begins at the home and goes on beyond a public road."""
    through = [(1000.0, 300.0), (1000.0, 0.0), (1000.0, -300.0), (3000.0, -300.0)]
    ways = [
        (through, {**PRIVATE, "highway": "track"}),
        ([(-1500.0, 0.0), (1000.0, 0.0), (1500.0, 0.0)], {"highway": "unclassified"}),
        ([(3000.0, -300.0), (3200.0, -300.0)], {"highway": "residential"}),
    ]
    file = extract(tmp_path / "roads.osm", ways, {(1000.0, -300.0): {"barrier": "gate"}})
    network, found, way, passed = left(file, (1000.0, 300.0), (3190.0, -300.0))
    assert passed == []
    assert len(way.opened) == 1
    private = np.array([value == "private" for value in network.access])
    y = network.y_m - network.y_m[network.tail[private]].max()
    beyond = private & (y[network.tail] + y[network.head] < -700.0)
    assert beyond.any()
    assert not found.usable[beyond].any()


def test_on_foot_a_gate_needs_no_opening_and_a_private_way_does(tmp_path: Path) -> None:
    drive = [(1000.0, 0.0), (1000.0, 150.0), (1000.0, 300.0)]
    gate = {(1000.0, 150.0): {"barrier": "gate"}}
    file = extract(tmp_path / "roads.osm", [(ROAD, {"highway": "residential"}), (drive, {"highway": "track"})], gate)
    assert left(file, (1000.0, 300.0), (2900.0, 0.0), FEET)[2].sentence == ""
    file = extract(tmp_path / "roads.osm", [(ROAD, {"highway": "residential"}), (drive, PRIVATE)], gate)
    sentence = left(file, (1000.0, 300.0), (2900.0, 0.0), FEET)[2].sentence
    assert "the private way Wattle Drive" in sentence
    assert "the gate" not in sentence


def court(length_m: float) -> list[tuple[Line, dict[str, str]]]:
    """A private estate road, a gate at its end, and an open street inside; beyond the far end another gated way."""
    return [
        (ROAD, {"highway": "tertiary"}),
        ([(1000.0, 0.0), (1000.0, 50.0), (1000.0, 200.0)], {"highway": "residential"}),
        ([(1000.0, 200.0), (1000.0 + length_m, 200.0)], {"highway": "residential"}),
    ]


def test_an_estate_of_open_streets_behind_a_gate_is_left_by_its_gate(tmp_path: Path) -> None:
    gate = {(1000.0, 50.0): {"barrier": "lift_gate"}}
    file = extract(tmp_path / "roads.osm", court(600.0), gate)
    _, _, way, passed = left(file, (1600.0, 200.0), (2900.0, 0.0))
    assert passed == [102, 101, 100]
    assert way.sentence.startswith("Used the lift gate on way 101 between your home and the first public road")


def test_a_valley_whose_road_ends_at_a_gate_has_no_way_out(tmp_path: Path) -> None:
    """2.2 km of public street: the gate at its end is not the household's."""
    gate = {(1000.0, 50.0): {"barrier": "lift_gate"}}
    file = extract(tmp_path / "roads.osm", court(2200.0), gate)
    _, _, way, passed = left(file, (3200.0, 200.0), (2900.0, 0.0))
    assert passed == []
    assert way.opened == ()


@pytest.mark.parametrize("seed", range(60))
def test_nothing_is_opened_beyond_the_first_public_road(tmp_path: Path, seed: int) -> None:
    """Random nets: whatever is opened is joined to the home without touching a public road on the way."""
    rng = np.random.default_rng(seed)
    ways: list[tuple[Line, dict[str, str]]] = []
    kinds = [
        {"highway": "residential"},
        {"highway": "service"},
        {"highway": "track"},
        PRIVATE,
        {"highway": "residential", "access": "private"},
        {"highway": "tertiary"},
    ]
    side = 5
    for i in range(side):
        for j in range(side):
            for di, dj in ((1, 0), (0, 1)):
                if i + di < side and j + dj < side and rng.random() < 0.75:
                    a, b = (400.0 * i, 400.0 * j), (400.0 * (i + di), 400.0 * (j + dj))
                    middle = ((a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0)
                    ways.append(([a, middle, b], kinds[int(rng.integers(len(kinds)))]))
    gates = {line[1]: {"barrier": "gate"} for line, _ in ways if rng.random() < 0.2}
    ways.append(([(0.0, 0.0), (-400.0, 0.0)], {"highway": "residential"}))
    file = extract(tmp_path / "roads.osm", ways, gates)
    home = ways[int(rng.integers(len(ways) - 1))][0][1]
    network, found, way, _ = left(file, (home[0] + 3.0, home[1] + 3.0), (-390.0, 0.0))
    lanes = {"service", "track"}
    end = int(np.argmin(network.x_m))
    streets: nx.Graph[int] = nx.Graph()
    for edge in range(network.edge_count):
        if network.highway[edge] not in lanes and not network.access[edge] and not network.barrier[edge]:
            length_m = float(network.length_m[edge])
            streets.add_edge(int(network.tail[edge]), int(network.head[edge]), length_m=length_m)
    shut_s = travel(network, CAR).time_s
    reach = latest_departure(network, shut_s, closing_s=np.full(network.edge_count, INF), targets=[end])
    public = set[int]()
    for part in nx.connected_components(streets):
        if streets.subgraph(part).size("length_m") > 2000.0 or np.isfinite(reach.drive_s[list(part)]).any():
            public |= part
    assert public
    for edge in way.edges[1:]:
        assert int(network.tail[edge]) not in public
    shut = {edge for edge in range(network.edge_count) if network.access[edge] == "private" or network.barrier[edge]}
    twins = {int(network.twin[edge]) for edge in way.opened}
    assert {edge for edge in shut if found.usable[edge]} == set(way.opened) | (twins - {-1})


@pytest.mark.parametrize("kind", ["residential", "unclassified", "tertiary"])
def test_a_street_that_is_closed_to_all_is_nobodys_drive(tmp_path: Path, kind: str) -> None:
    """On a lane `access=no` is how many write a private drive; on a street it is roadworks (common practice)."""
    street = [(1000.0, 0.0), (1000.0, 300.0)]
    tags = {"highway": kind, "access": "no", "name": "Quarry Street"}
    file = extract(tmp_path / "roads.osm", [(ROAD, {"highway": "tertiary"}), (street, tags)], {})
    _, _, way, passed = left(file, (1000.0, 300.0), (2900.0, 0.0), CAR)
    assert passed == []
    assert way.opened == ()
