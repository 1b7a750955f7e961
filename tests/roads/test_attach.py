"""Homes and safe points put on the network exactly where they lie."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.roads.network.attach import attach_points, carries_cars, takes_drives
from leaveby.roads.network.graph import RoadNetwork, network_from_lines
from leaveby.roads.routing.latest_departure import latest_departure

DATA = Path(__file__).parents[1] / "data"
INF = float("inf")


def attach_one(network: RoadNetwork, x_m: float, *, y_m: float, **more: object) -> tuple[RoadNetwork, int]:
    joined, nodes = attach_points(network, [x_m], y_m=[y_m], names=["home"], **more)
    return joined, nodes[0]


def shortest_m(network: RoadNetwork, start: int, goal: int) -> float:
    cost = np.where(network.foot_only, INF, network.length_m)
    never = np.full(network.edge_count, INF)
    return float(latest_departure(network, cost, closing_s=never, targets=goal).drive_s[start])


def bend() -> RoadNetwork:
    """An L: 100 m east, then 100 m north."""
    return network_from_lines([[(0.0, 0.0), (100.0, 0.0), (100.0, 100.0)]], crs="EPSG:32755", names=["Bend Road"])


@given(
    x=st.floats(-50.0, 150.0),
    y=st.floats(-50.0, 150.0),
)
@settings(max_examples=60, deadline=None)
def test_a_point_lies_exactly_and_the_road_keeps_its_length(x: float, y: float) -> None:
    network = bend()
    joined, node = attach_one(network, x, y_m=y)
    assert joined.length_m[joined.way_id > 0].sum() == pytest.approx(network.length_m.sum())
    gap = shapely.distance(shapely.Point(x, y), network.geometry[0])
    if gap > 1.0:
        assert (joined.x_m[node], joined.y_m[node]) == (x, y)
        drive = np.flatnonzero(joined.way_id == 0)
        np.testing.assert_allclose(joined.length_m[drive], 1.4 * gap, atol=2.0)
        assert set(drive[[1, 0]].tolist()) == set(joined.twin[drive].tolist())
    else:
        assert np.hypot(joined.x_m[node] - x, joined.y_m[node] - y) <= 2.0
    # what was known keeps its number and place
    assert joined.node_id[:2].tolist() == network.node_id.tolist()
    assert len(set(joined.node_id.tolist())) == joined.node_count
    assert (joined.twin >= 0).all()
    # from either end one comes to the point: never more than the whole road and the drive
    for end in (0, 1):
        assert shortest_m(joined, end, node) <= 200.0 + 1.4 * gap + 2.0
        assert shortest_m(joined, node, end) == pytest.approx(shortest_m(joined, end, node))


def test_several_points_on_one_road_come_in_order() -> None:
    joined, nodes = attach_points(
        bend(), [80.0, 20.0, 100.0, 50.0], y_m=[0.0, 0.0, 50.0, 0.0], names=["c", "a", "d", "b"]
    )
    order = sorted(range(4), key=lambda k: shortest_m(joined, 0, nodes[k]))
    assert [("c", "a", "d", "b")[k] for k in order] == ["a", "b", "c", "d"]
    assert [shortest_m(joined, 0, nodes[k]) for k in order] == pytest.approx([20.0, 50.0, 80.0, 150.0])
    assert joined.edge_count == 10
    assert set(joined.name) == {"Bend Road"}


def test_points_at_the_same_spot_share_a_node() -> None:
    joined, nodes = attach_points(bend(), [30.0, 30.4, 0.3], y_m=[0.0, 0.0, 0.0], names=["a", "b", "end"])
    assert nodes[0] == nodes[1]
    assert nodes[2] == 0
    assert joined.edge_count == 4


def test_a_one_way_street_stays_one_way() -> None:
    network = network_from_lines([[(0.0, 0.0), (100.0, 0.0)]], crs="EPSG:32755", tags=[{"oneway": "yes"}])
    joined, node = attach_one(network, 40.0, y_m=0.0)
    assert shortest_m(joined, node, 1) == pytest.approx(60.0)
    assert shortest_m(joined, 0, node) == pytest.approx(40.0)
    assert shortest_m(joined, node, 0) == INF
    assert joined.foot_only.sum() == 2


def test_without_a_drive_the_point_moves_onto_the_road() -> None:
    joined, node = attach_one(bend(), 30.0, y_m=40.0, drive=False)
    assert (joined.x_m[node], joined.y_m[node]) == (30.0, 0.0)
    assert (joined.way_id > 0).all()


def test_a_drive_is_said_and_named() -> None:
    joined, _ = attach_one(bend(), 30.0, y_m=-40.0)
    assert any("40 m from the nearest road" in sentence and "56 m" in sentence for sentence in joined.assumptions)
    assert "drive of home" in joined.name


def test_a_home_five_kilometres_from_any_road_is_refused_with_all_others() -> None:
    with pytest.raises(InputError) as caught:
        attach_points(bend(), [0.0, 5100.0, 0.0], y_m=[5000.0, 0.0, 10.0], names=["hut", "yard", "home"])
    assert [fault.place for fault in caught.value.faults] == ["hut", "yard"]
    assert "4901 m away (way 1 (Bend Road)" in caught.value.faults[0].wrong
    assert "500 m" in caught.value.faults[0].expected


def test_missing_positions_and_unlike_lists_are_refused() -> None:
    with pytest.raises(InputError, match="home: its position is missing"):
        attach_one(bend(), float("nan"), y_m=0.0)
    with pytest.raises(InputError, match="2 x, 1 y, 1 names"):
        attach_points(bend(), [0.0, 1.0], y_m=[0.0], names=["home"])


def test_a_footpath_is_passed_over_for_a_road() -> None:
    lines = [[(0.0, 0.0), (100.0, 0.0)], [(0.0, 30.0), (100.0, 30.0)]]
    network = network_from_lines(lines, crs="EPSG:32755", tags=[{"highway": "footway"}, {"highway": "track"}])
    assert carries_cars(network).tolist() == [False, True, False, True]
    joined, node = attach_one(network, 50.0, y_m=1.0, drive=False)
    assert joined.y_m[node] == 30.0
    with pytest.raises(InputError, match="no road in it can be reached"):
        attach_one(network_from_lines(lines[:1], crs="EPSG:32755", tags=[{"highway": "footway"}]), 50.0, y_m=1.0)


def test_a_home_beside_a_motorway_or_above_a_tunnel_takes_the_road_next_to_it() -> None:
    lines = [[(0.0, y), (100.0, y)] for y in (0.0, 10.0, 60.0)]
    tags = [{"highway": "motorway"}, {"tunnel": "yes"}, {"highway": "residential"}]
    joined, node = attach_one(network_from_lines(lines, crs="EPSG:32755", tags=tags), 50.0, y_m=5.0, drive=False)
    assert joined.y_m[node] == 60.0


def test_many_homes_on_a_real_network(andorra: RoadNetwork) -> None:
    """Distances to the nodes that were there before stay the same when 200 homes are put between them."""
    network = andorra
    rng = np.random.default_rng(4)
    edge = rng.choice(np.flatnonzero(carries_cars(network)), 200, replace=False)
    spots = shapely.get_coordinates(shapely.line_interpolate_point(network.geometry[edge], 0.5, normalized=True))
    joined, nodes = attach_points(network, spots[:, 0] + 3.0, y_m=spots[:, 1], names=[f"home {k}" for k in range(200)])
    # the middle of one road may be within a metre of that of another
    assert len(set(nodes)) >= 198
    never, more = np.full(network.edge_count, INF), np.full(joined.edge_count, INF)
    before = latest_departure(
        network, np.where(network.foot_only, INF, network.length_m), closing_s=never, targets=0
    ).drive_s
    after = latest_departure(
        joined, np.where(joined.foot_only, INF, joined.length_m), closing_s=more, targets=0
    ).drive_s
    np.testing.assert_allclose(after[: network.node_count], before, atol=1e-6)
    from_home = np.isfinite(after[list(nodes)])
    assert from_home.mean() > 0.9


def test_drives_open_onto_no_motorway_and_nothing_in_a_tunnel() -> None:
    lines = [[(0.0, 0.0), (9.0, 0.0)], [(9.0, 0.0), (9.0, 9.0)], [(9.0, 9.0), (9.0, 18.0)]]
    tags = [{"highway": "motorway"}, {"tunnel": "no"}, {"tunnel": "yes"}]
    assert takes_drives(network_from_lines(lines, crs="EPSG:32755", tags=tags)).tolist() == [False, True, False] * 2
