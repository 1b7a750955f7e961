"""Clearance against the closed form of a queue, against a general-purpose mesoscopic simulator, and by its own laws."""

from __future__ import annotations

import numpy as np
import pytest
import uxsim
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.parameters import ONE_LANE_ONE_WAY_VEH_H, ONE_LANE_TWO_WAY_VEH_H, TWO_LANE_VEH_H
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.clearance.queue import (
    MOBILISATIONS,
    Mobilisation,
    StreetTree,
    clearance,
    not_out,
    rolling_share,
    street_tree,
)
from leaveby.roads.clearance.tree import capacity_veh_h, group_tree, lanes_out, quickest_out
from leaveby.roads.exits.facts import group_facts
from leaveby.roads.exits.groups import single_exits
from leaveby.roads.exits.homes import homes_by_street
from leaveby.roads.exits.places import boundary_exits
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.graph import RoadNetwork


def one_street(vehicles: float, *, capacity: float = 0.4, length: float = 600.0, speed: float = 10.0) -> StreetTree:
    return street_tree(
        np.array([-1], np.int32),
        np.array([length]),
        speed_m_s=np.array([speed]),
        capacity_veh_s=np.array([capacity]),
        vehicles=np.array([vehicles]),
    )


def evenly(over_s: float, step_s: float) -> np.ndarray:
    """All start at an even rate over a time."""
    return np.minimum(np.arange(int(over_s / step_s) + 2) * step_s / over_s, 1.0)


# --- published values ------------------------------------------------------------------------------------------


def test_capacities_are_the_published_ones() -> None:
    # two-lane highway, one direction: course notes, edition taken to be HCM 2000 (seen)
    assert TWO_LANE_VEH_H.value == 1700.0
    # one-lane one-way 1,600; one lane for both ways half of that: FHWA HPMS Field Manual, Appendix N (seen)
    assert (ONE_LANE_ONE_WAY_VEH_H.value, ONE_LANE_TWO_WAY_VEH_H.value) == (1600.0, 800.0)
    assert capacity_veh_h("secondary") == 1700.0
    assert capacity_veh_h("residential|primary") == 800.0
    assert capacity_veh_h("residential", one_way=True, lanes="2") == 3200.0
    assert capacity_veh_h("trunk", lanes="4") == 3400.0


# --- a single bottleneck in closed form ------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.floats(20.0, 800.0), st.floats(0.1, 0.6), st.floats(60.0, 3000.0), st.floats(50.0, 2000.0))
def test_deterministic_queue_at_a_single_bottleneck(
    vehicles: float, capacity: float, over_s: float, length: float
) -> None:
    """Arrivals at an even rate: the last is out after the later of the last arrival and N / c, and the way.

    Deterministic queueing, common practice: no source.
    """
    step = 1.0
    found = clearance(one_street(vehicles, capacity=capacity, length=length), evenly(over_s, step), step_s=step)
    way_s = length / 10.0
    expected = max(over_s, vehicles / capacity) + way_s
    assert found.last_out_s == pytest.approx(expected, abs=3.0 * step + 0.002 * expected)
    half = float(np.interp(expected / 2.0, found.time_s, found.out))
    rate = min(capacity, vehicles / over_s)
    assert half == pytest.approx(max(0.0, rate * (expected / 2.0 - way_s)), abs=2.0 * step * max(rate, 0.1) + 1e-6)


def test_longest_queue_of_the_closed_form() -> None:
    # 600 vehicles over 600 s past 0.4 a second: the queue is longest when the last arrives, (1 - 0.4) x 600 = 360
    found = clearance(one_street(600.0, length=100.0), evenly(600.0, 1.0), step_s=1.0)
    assert found.longest_queue_veh == pytest.approx(360.0, abs=3.0)


def test_one_bottleneck_by_hand() -> None:
    """D/D/1 by hand, common practice, no source: past at the arrival, or a headway after the one before."""
    arrival = np.array([0.0, 1.0, 2.0, 30.0, 31.0, 90.0])
    assert pass_bottleneck(arrival, headway_s=4.0).tolist() == [0.0, 4.0, 8.0, 30.0, 34.0, 90.0]
    each = np.array([99.0, 4.0, 40.0, 4.0, 4.0, 4.0])  # the third tows: those behind wait for it
    assert pass_bottleneck(arrival, headway_s=each).tolist() == [0.0, 4.0, 44.0, 48.0, 52.0, 90.0]
    assert pass_bottleneck(np.zeros(0), headway_s=4.0).size == 0


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.floats(0.0, 5000.0), st.floats(0.0, 60.0)), min_size=1, max_size=60))
def test_one_bottleneck_against_one_vehicle_after_another(vehicles: list[tuple[float, float]]) -> None:
    """The recursion that defines the queue with arrivals and service known: common practice, no source."""
    vehicles.sort()
    arrival, headway = (np.array(column) for column in zip(*vehicles, strict=True))
    out = pass_bottleneck(arrival, headway_s=headway)
    past = -np.inf
    for at, behind, told in zip(arrival, headway, out, strict=True):
        past = max(at, past + behind)
        assert told == pytest.approx(past, rel=1e-12, abs=1e-8)
    assert (out >= arrival).all()
    assert (np.diff(out) >= 0.0).all()


@pytest.mark.parametrize("arrival", [[1.0, 0.0], [0.0, np.nan], [0.0, np.inf]])
def test_arrivals_out_of_order_are_refused(arrival: list[float]) -> None:
    with pytest.raises(InputError, match="arrival_s: they are not in order"):
        pass_bottleneck(np.array(arrival), headway_s=2.0)


@pytest.mark.parametrize("headway", [-1.0, np.nan, np.inf])
def test_a_headway_that_is_none_is_refused(headway: float) -> None:
    with pytest.raises(InputError, match="headway_s: it is negative"):
        pass_bottleneck(np.zeros(2), headway_s=headway)


# --- laws ------------------------------------------------------------------------------------------------------


@st.composite
def trees(draw: st.DrawFn) -> StreetTree:
    count = draw(st.integers(1, 12))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    onward = np.array([-1, *(int(rng.integers(0, i)) for i in range(1, count))], np.int32)
    return street_tree(
        onward,
        rng.uniform(5.0, 900.0, count),
        speed_m_s=rng.uniform(3.0, 20.0, count),
        capacity_veh_s=rng.uniform(0.1, 0.6, count),
        vehicles=rng.integers(0, 60, count) + 1.0,
    )


@settings(max_examples=40, deadline=None)
@given(trees())
def test_everyone_gets_out_and_nobody_twice(tree: StreetTree) -> None:
    found = clearance(tree, MOBILISATIONS[0])
    assert found.out[-1] == pytest.approx(tree.vehicles.sum(), abs=2e-3)
    assert (np.diff(found.out) >= -1e-9).all()
    assert (np.diff(found.time_s) >= 0.0).all()
    assert (found.out <= tree.vehicles.sum() * rolling_share(MOBILISATIONS[0], found.time_s) + 1e-6).all()
    root = int(np.flatnonzero(tree.onward < 0)[0])
    assert (np.diff(found.out) <= tree.capacity_veh_s[root] * np.diff(found.time_s) + 1e-6).all()
    assert found.last_out_s >= tree.vehicles.sum() / tree.capacity_veh_s[root]
    assert found.ninety_out_s <= found.last_out_s


@settings(max_examples=25, deadline=None)
@given(trees(), st.floats(1.1, 4.0))
def test_more_vehicles_never_clear_sooner(tree: StreetTree, more: float) -> None:
    few = clearance(tree, MOBILISATIONS[0])
    many = clearance(
        street_tree(
            tree.onward,
            tree.length_m,
            speed_m_s=tree.speed_m_s,
            capacity_veh_s=tree.capacity_veh_s,
            vehicles=tree.vehicles * more,
        ),
        MOBILISATIONS[0],
    )
    assert many.last_out_s >= few.last_out_s - 4.0


def test_being_told_later_never_gets_more_out() -> None:
    found = clearance(one_street(400.0), MOBILISATIONS[1])
    told = np.linspace(-20_000.0, 7000.0, 60)
    left = not_out(found, shuts_s=6000.0, told_s=told)
    assert (np.diff(left) >= 0.0).all()
    assert (left[0], left[-1]) == (0.0, 400.0)
    assert not_out(found, shuts_s=np.inf, told_s=0.0) == 0.0


def fork(first: float, second: float) -> StreetTree:
    """Two streets of 0.2 vehicles a second into a short one of 0.22, with people on the two alone."""
    return street_tree(
        np.array([-1, 0, 0], np.int32),
        np.array([20.0, 900.0, 900.0]),
        speed_m_s=np.full(3, 10.0),
        capacity_veh_s=np.array([0.22, 0.2, 0.2]),
        vehicles=np.array([0.0, first, second]),
    )


def test_streets_that_meet_in_a_full_one_take_turns() -> None:
    """By hand: the short street is full, so each of two like streets gets half until one is empty.

    100 are out after 100 / 0.11 s, when 200 of the other 300 are left, and these come at no more than 0.2 a second:
    1,000 s more. With room for all of them in the short street it would be 400 / 0.22 s.
    """
    way_s = 92.0
    found = clearance(fork(100.0, 300.0), np.array([0.0, 1.0]), step_s=1.0)
    assert found.last_out_s == pytest.approx(100.0 / 0.11 + 200.0 / 0.2 + way_s, rel=0.01)
    assert float(np.interp(500.0, found.time_s, found.out)) == pytest.approx(0.22 * (500.0 - way_s), rel=0.02)


def test_a_queue_before_a_bottleneck_holds_back_nothing_but_those_in_it() -> None:
    """A bottleneck that is followed by a narrower one counts for nothing; the narrow one alone sets the time."""
    onward = np.array([-1, 0, 1], np.int32)
    tree = street_tree(
        onward,
        np.array([60.0, 75.0, 300.0]),
        speed_m_s=np.full(3, 10.0),
        capacity_veh_s=np.array([0.05, 0.4, 0.4]),
        vehicles=np.array([0.0, 0.0, 200.0]),
    )
    found = clearance(tree, evenly(200.0, 1.0), step_s=1.0)
    assert found.last_out_s == pytest.approx(200.0 / 0.05 + 43.5, rel=0.002)


def in_turn(tree: StreetTree, over_s: float, parts: int) -> np.ndarray:
    """When vehicles, each in as many parts, that set out evenly over a time are out: street by street, each part alone.

    A queue with arrivals and service known, first in, first out (common practice, no source), in plain Python.
    """
    coming: dict[int, list[float]] = {street: [] for street in range(-1, tree.onward.size)}
    for street in range(tree.onward.size - 1, -1, -1):  # each leads to one of a lower number
        count = round(tree.vehicles[street] * parts)
        own = [over_s * (k + 0.5) / count for k in range(count)]
        past_s = -np.inf
        for at_s in sorted(coming[street] + own):
            there_s = at_s + tree.length_m[street] / tree.speed_m_s[street]
            past_s = max(there_s, past_s + 1.0 / (tree.capacity_veh_s[street] * parts))
            coming[int(tree.onward[street])].append(past_s)
    return np.sort(coming[-1])


@pytest.mark.parametrize("seed", range(25))
def test_trees_with_room_against_one_vehicle_after_another(seed: int) -> None:
    """Within the step by which people set out, and one vehicle's time past the narrowest place."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 12))
    tree = street_tree(
        np.array([-1, *(int(rng.integers(0, i)) for i in range(1, count))], np.int32),
        rng.uniform(5.0, 600.0, count),
        speed_m_s=rng.uniform(5.0, 20.0, count),
        capacity_veh_s=rng.uniform(0.1, 0.6, count),
        vehicles=rng.integers(0, 80, count) + 1.0,
        lanes=1e5,
    )
    found, out_s = clearance(tree, evenly(300.0, 2.0)), in_turn(tree, 300.0, 10)
    near_s = 2.0 + 1.0 / tree.capacity_veh_s.min()
    assert found.last_out_s == pytest.approx(out_s[-1], abs=near_s)
    for share in (0.25, 0.5, 0.75, 0.9):
        there_s = np.interp(share * found.vehicles, found.out, found.time_s)
        assert there_s == pytest.approx(out_s[int(share * out_s.size)], abs=near_s)


def test_a_chain_of_short_streets_by_hand() -> None:
    """100 vehicles at 0.4 a second, and forty streets of 2 s each: no street takes longer because it is short."""
    tree = street_tree(
        np.arange(-1, 39, dtype=np.int32),
        np.full(40, 20.0),
        speed_m_s=np.full(40, 10.0),
        capacity_veh_s=np.full(40, 0.4),
        vehicles=np.append(np.zeros(39), 100.0),
    )
    for step_s in (1.0, 5.0):
        found = clearance(tree, np.array([0.0, 1.0]), step_s=step_s)
        assert found.last_out_s == pytest.approx(100.0 / 0.4 + 80.0, abs=0.01 + (step_s > 1.0) * step_s)


def test_mobilisation_is_s_shaped_with_a_long_tail() -> None:
    for curve in MOBILISATIONS:
        time = np.linspace(0.0, curve.last_s, 500)
        rate = np.diff(rolling_share(curve, time))
        peak = int(rate.argmax())
        assert (rate >= 0.0).all()
        assert 0 < peak < rate.size / 3
        assert curve.last_s > 3.0 * curve.median_s
    assert [curve.median_s for curve in MOBILISATIONS] == sorted(curve.median_s for curve in MOBILISATIONS)


@pytest.mark.parametrize(
    ("onward", "match"), [([0], "do not all lead"), ([-1, -1], "do not all lead"), ([-1, 2, 1], "do not all lead")]
)
def test_streets_that_lead_nowhere_are_refused(onward: list[int], match: str) -> None:
    count = len(onward)
    with pytest.raises(InputError, match=match):
        street_tree(
            np.array(onward, np.int32),
            np.full(count, 100.0),
            speed_m_s=np.full(count, 10.0),
            capacity_veh_s=np.full(count, 0.4),
            vehicles=np.ones(count),
        )


@pytest.mark.parametrize("shares", [[0.5, 1.0], [-0.1, 1.0], [0.0, 0.8, 0.5, 1.0], [0.0, np.nan, 1.0], [0.0, 0.9]])
def test_a_curve_that_does_not_rise_from_0_to_1_is_refused(shares: list[float]) -> None:
    """Homes that are rolling at the start have no step in which they are let in."""
    with pytest.raises(InputError, match=r"curve: it (does not rise|ends at)"):
        clearance(valley(1.0), np.array(shares))


def test_a_missing_capacity_is_refused() -> None:
    with pytest.raises(InputError, match="capacity_veh_s is missing"):
        one_street(10.0, capacity=float("nan"))


# --- against a general-purpose mesoscopic simulator ------------------------------------------------------------


def simulated_last_out_s(tree: StreetTree, curve: Mobilisation, *, until_s: float) -> tuple[float, float]:
    """The same streets and starts in UXsim (Seo, general-purpose mesoscopic simulator); last and ninetieth percentile.

    Its own fundamental diagram is used: jam spacing 7.5 m, reaction time 1 s; capacities hold where streets end.
    """
    world = uxsim.World(
        deltan=1, tmax=until_s, print_mode=0, save_mode=0, show_mode=0, show_progress=0, random_seed=7, duo_noise=0.0
    )
    # trips end beyond a free street, since no capacity holds where a trip ends
    world.addNode("out", 0, 0)
    world.addNode("beyond", -1, 0)
    world.addLink("free", "out", "beyond", length=100.0, free_flow_speed=20.0, jam_density=0.5)
    for street in range(tree.onward.size):
        world.addNode(f"n{street}", street + 1, 0)
    for street, onward in enumerate(tree.onward):
        capacity = float(tree.capacity_veh_s[street])
        world.addLink(
            f"s{street}",
            f"n{street}",
            "out" if onward < 0 else f"n{onward}",
            length=float(tree.length_m[street]),
            free_flow_speed=float(tree.speed_m_s[street]),
            jam_density=1.0 / 7.5,
            capacity_in=capacity,
            capacity_out=capacity,
            merge_priority=capacity,
        )
    # the k-th of v vehicles starts when the curve passes (k + 1/2) / v
    fine = np.linspace(0.0, curve.last_s, 20_001)
    share = rolling_share(curve, fine)
    starts = [
        (float(at), street)
        for street, vehicles in enumerate(tree.vehicles)
        for at in np.interp((np.arange(round(vehicles)) + 0.5) / max(vehicles, 1.0), share, fine)
    ]
    for at, street in sorted(starts):
        world.addVehicle(f"n{street}", "beyond", at)
    world.exec_simulation()
    arrived = np.sort([vehicle.arrival_time for vehicle in world.VEHICLES.values() if vehicle.state == "end"])
    assert arrived.size >= 0.98 * len(world.VEHICLES)
    free_s = 100.0 / 20.0
    last, ninetieth = arrived[-1] * world.DELTAT, arrived[int(0.9 * arrived.size)] * world.DELTAT
    return float(last) - free_s, float(ninetieth) - free_s


def valley(vehicles: float) -> StreetTree:
    """Nine streets: a main street of four stretches, side streets of different length and capacity."""
    onward = np.array([-1, 0, 1, 2, 0, 1, 2, 3, 3], np.int32)
    return street_tree(
        onward,
        np.array([800.0, 500.0, 400.0, 600.0, 300.0, 450.0, 250.0, 700.0, 350.0]),
        speed_m_s=np.array([14.0, 14.0, 11.0, 11.0, 8.0, 8.0, 8.0, 8.0, 8.0]),
        capacity_veh_s=np.array([0.22, 0.42, 0.42, 0.42, 0.2, 0.2, 0.2, 0.2, 0.2]),
        vehicles=np.array([0.0, 20.0, 20.0, 20.0, 80.0, 60.0, 40.0, 60.0, 50.0]) * vehicles,
    )


def test_single_street_against_a_mesoscopic_simulator() -> None:
    tree, curve = one_street(500.0, capacity=0.25), Mobilisation("quick", 300.0)
    found = clearance(tree, curve)
    last_s, ninety_s = simulated_last_out_s(tree, curve, until_s=4000.0)
    assert found.last_out_s == pytest.approx(last_s, rel=0.05)
    assert found.ninety_out_s == pytest.approx(ninety_s, rel=0.05)


def test_valley_with_side_streets_against_a_mesoscopic_simulator() -> None:
    tree, curve = valley(2.0), Mobilisation("quick", 600.0)
    found = clearance(tree, curve)
    last_s, ninety_s = simulated_last_out_s(tree, curve, until_s=6000.0)
    assert found.last_out_s == pytest.approx(last_s, rel=0.05)
    assert found.ninety_out_s == pytest.approx(ninety_s, rel=0.05)


def test_a_fork_into_a_short_street_against_a_mesoscopic_simulator() -> None:
    tree, curve = fork(100.0, 300.0), Mobilisation("told early", 120.0)
    found = clearance(tree, curve)
    last_s, ninety_s = simulated_last_out_s(tree, curve, until_s=6000.0)
    assert found.last_out_s == pytest.approx(last_s, rel=0.05)
    assert found.ninety_out_s == pytest.approx(ninety_s, rel=0.05)


def test_real_streets_against_a_mesoscopic_simulator(andorra: RoadNetwork) -> None:
    """A real group of streets in steep ground, with a home every 40 m."""
    streets = street_table(andorra, region="AD")
    count = np.where(streets.driven & streets.takes_homes, np.ceil(streets.length_m / 40.0), 0.0)
    homes = homes_by_street(streets, count)
    found = single_exits(streets, homes, exits=boundary_exits(streets)[0], compare=False)
    facts = group_facts(streets, found, homes)
    fits = np.flatnonzero((facts.throat >= 0) & (found.homes < 200.0))
    group = int(fits[np.argmax(found.homes[fits])])
    assert found.homes[group] > 120.0
    tree, _ = group_tree(
        streets,
        found,
        facts=facts,
        homes=homes,
        group=group,
        way=quickest_out(streets, found),
        vehicles_per_home=2.0,
    )
    assert tree.onward.size > 8
    assert tree.vehicles.sum() == pytest.approx(2.0 * found.homes[group])
    curve = Mobilisation("told early", 120.0)
    result = clearance(tree, curve)
    last_s, ninety_s = simulated_last_out_s(tree, curve, until_s=9000.0)
    assert result.last_out_s == pytest.approx(last_s, rel=0.05)
    assert result.ninety_out_s == pytest.approx(ninety_s, rel=0.05)


@pytest.mark.parametrize(
    ("lanes", "one_way", "expected"),
    [("4", False, 2), ("2", True, 2), ("", True, 1), ("3|2", True, 2), ("1", False, 1)],
)
def test_lanes_in_the_direction_of_leaving(lanes: str, one_way: bool, expected: int) -> None:
    """Common practice, no source."""
    assert lanes_out(lanes, one_way=one_way) == expected


def test_room_on_a_street_is_a_vehicle_every_seven_and_a_half_metres() -> None:
    """Common practice, no source."""
    two = np.full(2, 0.25)
    tree = street_tree(
        np.array([-1, 0], np.int32), np.array([150.0, 75.0]), speed_m_s=two, capacity_veh_s=two, vehicles=two
    )
    assert tree.room_veh.tolist() == [20.0, 10.0]
