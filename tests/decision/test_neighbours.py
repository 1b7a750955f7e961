"""The neighbours' cars in the household's question: queues by hand, against a traffic simulator, and what they cost."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import uxsim
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from leaveby.decision.fires.closing import lines_inside
from leaveby.decision.fires.scenario import HouseholdInputs, prepare
from leaveby.decision.household.answer import answer_household
from leaveby.decision.household.replay import OtherCars, among_others, replay_many
from leaveby.decision.ways.confidence import latest_on_route
from leaveby.decision.ways.neighbours import Stream, _over_time, bottlenecks, holds_on
from leaveby.decision.ways.roads import WayRoads, roads_for
from leaveby.household.plan_tables import NeighboursInput
from leaveby.parameters import BREAKDOWN_SHARE, JAM_SPACING_M
from leaveby.roads.clearance.queue import Mobilisation, rolling_share
from leaveby.roads.exits.homes import Homes
from leaveby.roads.routing.holds import let_on_s
from smaller import times_alone

INF = float("inf")


def stream(
    cars: list[float] | float,
    headway_s: list[float],
    length_m: list[float],
    *,
    set_out: Any = "at once",
    told_s: float | None = None,
    median_s: float = 300.0,
) -> Stream:
    """Neighbours on one road whose stretches are numbered in the order of travel."""
    count = len(headway_s)
    return Stream(
        set_out=set_out,
        towing_share=0.0,
        cars=np.full(count, cars, dtype=np.float64) if isinstance(cars, float) else np.array(cars),
        headway_s=np.array(headway_s),
        trailer_s=np.zeros(count),
        length_m=np.array(length_m),
        must_pass=tuple(range(count)),
        curve=Mobilisation("test", median_s),
        told_s=told_s,
    )


def passed_s(found: Stream, edge_time_s: NDArray[np.float64], leave_s: float) -> NDArray[np.float64]:
    """When each stretch is left by whoever rolls at a moment, as the answer has it."""
    now_s, holds, left_s = leave_s, dict(holds_on(found, range(edge_time_s.size), edge_time_s)), []
    for at, along_s in enumerate(edge_time_s):
        now_s = (float(let_on_s(holds[at], np.array([now_s]))[0]) if at in holds else now_s) + along_s
        left_s.append(now_s)
    return np.array(left_s)


# --- by hand ---------------------------------------------------------------------------------------------------


def test_the_queue_of_a_single_exit_by_hand() -> None:
    """120 cars ahead, one every 5 s: 600 s, by the deterministic queue (D/D/1; common practice, no source).

    They stand 120 x 7.5 = 900 m back from the second stretch, on the first, 1,000 m long, or beyond it.
    """
    assert JAM_SPACING_M.value == 7.5
    road = stream(120.0, [2.0, 5.0, 2.0], [1000.0, 300.0, 800.0])
    (first,) = bottlenecks(road, range(3))
    assert (first.at, first.back, first.wait_s) == (1, 0, 600.0)
    assert passed_s(road, np.array([50.0, 20.0, 40.0]), 0.0).tolist() == [650.0, 670.0, 710.0]
    # of stretches of 100 m the queue reaches over nine
    short = stream(120.0, [2.0] * 12 + [5.0], [100.0] * 13)
    found = bottlenecks(short, range(13))
    assert [(one.at, one.back, one.wait_s) for one in found] == [(0, 0, 240.0), (12, 3, 360.0)]


def test_one_bottleneck_after_another_costs_what_the_worst_costs() -> None:
    road = stream(60.0, [3.0, 1.0, 6.0, 4.0], [2000.0] * 4)
    assert [(one.at, one.wait_s) for one in bottlenecks(road, range(4))] == [(0, 180.0), (2, 180.0)]
    assert passed_s(road, np.full(4, 100.0), 0.0)[-1] == 400.0 + 60 * 6.0
    # where streams join more cars come, and count by what the stretch passes
    joined = stream([10.0, 10.0, 200.0], [5.0, 5.0, 2.0], [900.0, 9000.0, 900.0])
    assert [(one.at, one.back, one.wait_s) for one in bottlenecks(joined, range(3))] == [(0, 0, 50.0), (2, 1, 350.0)]


def test_the_latest_departure_counts_the_wait_before_what_it_holds_up() -> None:
    """The first stretch is passed before the queue; the second shuts at 5,000 s, and one must be off it by then."""
    road = stream(10.0, [0.5, 20.0], [3000.0, 500.0])
    times_s = np.array([100.0, 30.0])
    holds = holds_on(road, range(2), times_s)
    closing_s = np.array([[INF, 5000.0], [2000.0, INF], [INF, INF]])
    latest_s = latest_on_route(closing_s, times_s, margin_s=60.0, drive_factor=np.array([1.0, 2.0, 1.0]), holds=holds)
    # 5000 - 60 - 30 - 200 - 100; the queue stands 75 m back, so that the first stretch is left after it too
    assert latest_s.tolist() == [4610.0, 2000.0 - 60.0 - 200.0 - 200.0, INF]


def test_over_time_the_queue_grows_and_is_gone_again() -> None:
    """600 cars within some ten minutes through one place that passes one every 2 s."""
    road = stream(600.0, [2.0], [9000.0], set_out="over time", told_s=0.0)
    times_s = np.array([0.0])
    wait_s = np.array([passed_s(road, times_s, at_s)[0] - at_s for at_s in (-60.0, 400.0, 800.0, 3600.0)])
    assert wait_s[0] == wait_s[-1] == 0.0
    # who comes at 800 s finds all those who are rolling by then, less those who have passed
    fine_s = np.linspace(0.0, 800.0, 8001)
    come = 600.0 * rolling_share(road.curve, fine_s)
    queue = float((come[-1] - come + fine_s / 2.0 - 400.0).max())
    assert wait_s[2] == pytest.approx(2.0 * queue, abs=8.0)
    unknown = replace(road, told_s=None)
    assert passed_s(unknown, times_s, 0.0)[0] >= max(wait_s)
    assert passed_s(replace(road, set_out="gone before"), times_s, 400.0)[0] == 400.0


# --- properties ------------------------------------------------------------------------------------------------

roads = st.lists(st.tuples(st.floats(1.0, 9.0), st.floats(20.0, 900.0), st.floats(1.0, 90.0)), min_size=1, max_size=7)


@settings(max_examples=300, deadline=None)
@given(
    roads,
    st.integers(0, 400),
    st.integers(0, 200),
    st.floats(1.0, 3.0),
    st.sampled_from([("at once", None), ("over time", None), ("over time", 600.0)]),
    st.floats(-1000.0, 4000.0),
)
def test_more_cars_or_less_room_never_get_one_through_sooner(
    road: list[tuple[float, float, float]],
    cars: int,
    more: int,
    narrower: float,
    how: tuple[str, float | None],
    leave_s: float,
) -> None:
    headway_s, length_m, time_s = (list(column) for column in zip(*road, strict=True))
    times_s = np.array(time_s)
    few = stream(float(cars), headway_s, length_m, set_out=how[0], told_s=how[1])
    many = replace(few, cars=few.cars + more)
    slow = replace(few, headway_s=few.headway_s * narrower)
    before_s = passed_s(few, times_s, leave_s)
    for other in (many, slow):
        assert (passed_s(other, times_s, leave_s) >= before_s - 1e-6).all()
    assert (before_s >= leave_s + np.cumsum(times_s) - 1e-6).all()
    # and whoever leaves later is nowhere sooner
    assert (passed_s(few, times_s, leave_s + 37.0) >= before_s - 1e-6).all()


@settings(max_examples=200, deadline=None)
@given(roads, st.integers(1, 300), st.integers(0, 2**32), st.floats(1.0, 1.6))
def test_car_by_car_nobody_waits_longer_than_is_counted(
    road: list[tuple[float, float, float]], cars: int, seed: int, factor: float
) -> None:
    """Neighbours who live anywhere along the road and leave when one does, against the wait that is counted."""
    rng = np.random.default_rng(seed)
    headway_s, length_m, time_s = (np.array(column) for column in zip(*road, strict=True))
    travel_s = time_s * factor
    stretch = rng.integers(0, len(road), cars)
    come_s = rng.random(cars) * (np.cumsum(travel_s) - travel_s)[stretch]
    others = OtherCars(stretch, come_s, np.ones(cars), headway_s, length_m)
    met_s = np.cumsum(among_others(travel_s, 0.0, others))
    counted_s = passed_s(stream(float(cars), list(headway_s), list(length_m)), travel_s, 0.0)
    assert (met_s <= counted_s + 1e-6).all()
    assert (met_s >= np.cumsum(travel_s) - 1e-6).all()


# --- against a traffic simulator -------------------------------------------------------------------------------


def simulated_s(
    links: list[tuple[str, str, float, float, float]], cars: list[tuple[str, float]], *, home: str, leave_s: float
) -> float:
    """How long the household takes to `out` in UXsim, a mesoscopic simulator of Newell's kind (open source, MIT).

    Links are (from, to, metres, m/s, cars a second); cars (from, at), those who leave when the household does ahead of
    it. Jam spacing 7.5 m as here, reaction time 1 s, its own.
    """
    world = uxsim.World(
        deltan=1, tmax=9000, print_mode=0, save_mode=0, show_mode=0, show_progress=0, random_seed=3, duo_noise=0.0
    )
    for node in sorted({end for link in links for end in link[:2]} | {"beyond"}):
        world.addNode(node, 0, 0)
    for start, end, far_m, speed_m_s, flow in links:
        world.addLink(
            f"{start} {end}",
            start,
            end,
            length=far_m,
            free_flow_speed=speed_m_s,
            jam_density=1.0 / 7.5,
            capacity_in=flow,
            capacity_out=flow,
            merge_priority=flow,
        )
    # trips end beyond a free street, since no capacity holds where a trip ends
    world.addLink("free", "out", "beyond", length=100.0, free_flow_speed=20.0, jam_density=0.5)
    for start, at_s in sorted(cars, key=lambda one: one[1]):
        if at_s <= leave_s:
            world.addVehicle(start, "beyond", at_s)
    world.addVehicle(home, "beyond", leave_s, name="household")
    for start, at_s in sorted(cars, key=lambda one: one[1]):
        if at_s > leave_s:
            world.addVehicle(start, "beyond", at_s)
    world.exec_simulation()
    household = world.VEHICLES["household"]
    assert household.state == "end"
    return float(household.arrival_time * world.DELTAT) - 100.0 / 20.0 - leave_s


def test_a_single_exit_against_a_mesoscopic_simulator() -> None:
    road = stream(180.0, [4.0], [900.0])
    taken_s = simulated_s([("home", "out", 900.0, 15.0, 0.25)], [("home", 0.0)] * 180, home="home", leave_s=0.0)
    assert passed_s(road, np.array([60.0]), 0.0)[-1] == pytest.approx(taken_s, rel=0.05)


def test_two_narrow_places_one_after_another_against_a_mesoscopic_simulator() -> None:
    """A street, a road and a bridge. Where neighbours live nearer to the bridge, one is through sooner than counted."""
    links = [
        ("home", "road", 600.0, 10.0, 0.4),
        ("road", "bridge", 1500.0, 20.0, 0.5),
        ("bridge", "out", 300.0, 10.0, 0.2),
    ]
    road = stream(150.0, [2.5, 2.0, 5.0], [600.0, 1500.0, 300.0])
    counted_s = passed_s(road, np.array([60.0, 75.0, 30.0]), 0.0)[-1]
    taken_s = simulated_s(links, [("home", 0.0)] * 150, home="home", leave_s=0.0)
    assert counted_s == pytest.approx(taken_s, rel=0.05)
    nearer = [("home", 0.0)] * 100 + [("road", 0.0)] * 50
    assert 0.9 * counted_s < simulated_s(links, nearer, home="home", leave_s=0.0) < counted_s


def test_two_streets_that_join_against_a_mesoscopic_simulator() -> None:
    """Where streams join, by what the stretch passes: of the two streets the household's own takes longer to empty."""
    links = [
        ("home", "fork", 800.0, 10.0, 0.4),
        ("side", "fork", 800.0, 10.0, 0.4),
        ("fork", "out", 1200.0, 15.0, 0.25),
    ]
    taken_s = simulated_s(links, [("home", 0.0)] * 90 + [("side", 0.0)] * 45, home="home", leave_s=0.0)
    road = stream([90.0, 135.0], [2.5, 4.0], [800.0, 1200.0])
    assert passed_s(road, np.array([80.0, 80.0]), 0.0)[-1] == pytest.approx(taken_s, rel=0.05)


@pytest.mark.parametrize("leave_s", [200.0, 500.0, 900.0, 1500.0])
def test_neighbours_over_time_against_a_mesoscopic_simulator(leave_s: float) -> None:
    """400 cars within some twenty minutes through one place that passes 0.2 a second, as its queue grows and shrinks.

    All of them live where the household does; where that is not known the answer has the longest wait of all places.
    """
    road = stream(400.0, [1.5, 5.0], [4000.0, 400.0], set_out="over time", told_s=0.0, median_s=500.0)
    along_s = np.array([0.0, 200.0, 240.0])
    places = [one for one in bottlenecks(road, range(2)) if one.at == 1]
    assert [one.back for one in places] == [0]
    (hold,) = _over_time(road, [replace(places[0], back=1)], along_s=along_s, share=1.0)
    counted_s = float(let_on_s(hold, np.array([leave_s + 200.0]))[0]) + 40.0 - leave_s
    fine_s = np.linspace(0.0, road.curve.last_s, 20_001)
    set_out_s = np.interp((np.arange(400) + 0.5) / 400, rolling_share(road.curve, fine_s), fine_s)
    links = [("home", "exit", 4000.0, 20.0, 2.0 / 3.0), ("exit", "out", 400.0, 10.0, 0.2)]
    taken_s = simulated_s(links, [("home", float(at_s)) for at_s in set_out_s], home="home", leave_s=leave_s)
    assert counted_s == pytest.approx(taken_s, rel=0.05)
    assert passed_s(road, np.diff(along_s), leave_s)[-1] - leave_s >= counted_s - 1e-6


# --- in the household's answer ---------------------------------------------------------------------------------

OVER: Any = "over time"
GONE: Any = "gone before"


def roads_of(inputs: HouseholdInputs) -> WayRoads:
    scenario = prepare(inputs)
    inside = lines_inside(inputs.terrain.grid, scenario.network.geometry)
    return roads_for(scenario, "car", inside=inside)


@pytest.fixture(scope="module")
def answers(valleys: ModuleType) -> dict[str, tuple[HouseholdInputs, Any]]:
    made = {}
    for name, neighbours in {
        "none": None,
        "gone": NeighboursInput(homes=100, set_out=GONE),
        "few": NeighboursInput(homes=50),
        "many": NeighboursInput(homes=100),
        "more cars": NeighboursInput(homes=100, cars_per_home=3.0),
        "over time": NeighboursInput(homes=250, cars_per_home=4.0, set_out=OVER),
        "over time, told": NeighboursInput(homes=250, cars_per_home=4.0, set_out=OVER, told_s=0.0),
    }.items():
        inputs = valleys.side_valley(members=200, neighbours=neighbours)
        # at the rules and what-ifs of two of them is looked as well
        answered = answer_household if name in ("none", "many") else partial(times_alone, answer_household)
        made[name] = (inputs, answered(inputs, workers=2))
    return made


def test_who_counts_no_neighbours_has_the_answer_of_who_has_none_ahead(
    answers: dict[str, tuple[HouseholdInputs, Any]],
) -> None:
    none, gone = answers["none"][1], answers["gone"][1]
    for way, timing in none.ways.items():
        other = gone.ways[way]
        assert (timing.latest_start_s, timing.latest_departure_s) == (other.latest_start_s, other.latest_departure_s)
        assert (timing.drive_s, timing.member_latest_departure_s.tolist()) == (
            other.drive_s,
            other.member_latest_departure_s.tolist(),
        )
    assert none.ways["car"].held_up is None
    assert gone.ways["car"].held_up.counted_s == 0.0
    assert gone.ways["car"].held_up.at_once_s == answers["many"][1].ways["car"].held_up.at_once_s


def test_the_wait_stands_in_every_number_that_hangs_on_the_drive(
    answers: dict[str, tuple[HouseholdInputs, Any]],
) -> None:
    """200 cars, of which a tenth tow and count twice, through 0.9 x 1,700 an hour: 200 x 1.1 x 2.353 s = 518 s."""
    none, many = answers["none"][1], answers["many"][1]
    wait_s = 200 * (1.0 + 0.1 * (2.0 - 1.0)) * 3600.0 / (BREAKDOWN_SHARE.value * 1700.0)
    for way in ("tow", "car"):
        before, after = none.ways[way], many.ways[way]
        assert after.held_up.street == "Sallow Lane"
        assert after.held_up.at_once_s == after.held_up.counted_s == pytest.approx(wait_s)
        assert after.latest_departure_s == pytest.approx(before.latest_departure_s - wait_s)
        assert after.latest_start_s == pytest.approx(before.latest_start_s - wait_s)
        assert after.drive_s.p95_s == pytest.approx(before.drive_s.p95_s + wait_s)
        assert (after.member_latest_departure_s <= before.member_latest_departure_s).all()
    assert many.ways["foot"].latest_departure_s == none.ways["foot"].latest_departure_s
    assert many.phases.shut_from_s < none.phases.shut_from_s
    for one, other in zip(none.what_ifs, many.what_ifs, strict=True):
        assert other.latest_start_s["car"] < one.latest_start_s["car"] - 0.9 * wait_s
    for key, rule in none.rules.rules.items():
        more = many.rules.rules[key]
        assert more.share >= rule.share
        assert (more.go_cells | ~rule.go_cells).all()
        assert (more.late_cells | ~rule.late_cells).all()
        both = np.isfinite(rule.lead_s) & np.isfinite(more.lead_s)
        assert both.any()
        assert more.lead_s[both] == pytest.approx(rule.lead_s[both] - wait_s, abs=1.0)
        assert (more.late_cells.sum() > rule.late_cells.sum()) or rule.late_cells.all()


def test_more_neighbours_and_more_cars_are_never_a_later_leave_by(
    answers: dict[str, tuple[HouseholdInputs, Any]],
) -> None:
    for names in (("none", "few", "many", "more cars"), ("none", "over time"), ("none", "over time, told")):
        for way in ("tow", "car"):
            times = [answers[name][1].ways[way].latest_start_s for name in names]
            assert times == sorted(times, reverse=True)
            assert times[-1] < times[0]


@pytest.mark.parametrize("name", ["many", "more cars", "over time", "over time, told"])
def test_households_replayed_among_their_neighbours_are_caught_no_more_than_promised(
    name: str, answers: dict[str, tuple[HouseholdInputs, Any]]
) -> None:
    """Neighbours live anywhere along the road, drawn anew, and are passed car by car; see `replay.among_others`."""
    inputs, result = answers[name]
    found = replay_many(inputs, result, truths=200, rng=np.random.default_rng(20_260_117), workers=2)
    for way in ("tow", "car"):
        assert found[way].start_s is not None
        assert found[way].caught <= found[way].within_margin <= found[way].allowed, str(found[way])


def test_who_leaves_the_neighbours_out_is_caught_among_them(
    valleys: ModuleType, answers: dict[str, tuple[HouseholdInputs, Any]]
) -> None:
    """The replay has teeth: the leave-by without neighbours, followed where 1,600 cars are on the road."""
    inputs = valleys.side_valley(members=200, neighbours=NeighboursInput(homes=400, cars_per_home=4.0))
    _, without = answers["none"]
    found = replay_many(inputs, without, truths=100, rng=np.random.default_rng(3), workers=2)
    assert found["car"].within_margin > found["car"].allowed


def test_trailers_ahead_hold_up_those_behind_and_take_up_road(valleys: ModuleType) -> None:
    """In the United Kingdom who tows may drive 50 mph where others may drive more (Highway Code, rule 124; memory)."""
    fast = {"highway": "secondary", "surface": "asphalt", "maxspeed": "110"}
    tags = dict.fromkeys(valleys.SIDE_VALLEY, fast)

    def of(share: float) -> WayRoads:
        inputs = valleys.side_valley(tags=tags, neighbours=NeighboursInput(homes=30, towing_share=share))
        plan = replace(inputs.plan, roads=replace(inputs.plan.roads, region="GB"))
        return roads_of(replace(inputs, plan=plan))

    alone, towed = of(0.0), of(0.5)
    assert alone.time_s.tolist() == alone.travel.time_s.tolist()
    shared = towed.neighbours.cars > 0.0
    assert (towed.time_s[shared] >= towed.neighbours.length_m[shared] / (50 * 0.44704) - 1e-6).all()
    assert (towed.time_s[shared] > alone.time_s[shared]).all()
    assert towed.neighbours.headway_s == pytest.approx(1.5 * alone.neighbours.headway_s)


def test_roads_that_lead_nowhere_and_homes_on_them_take_no_part(valleys: ModuleType) -> None:
    """A track that joins no other road, and a home on it."""
    inputs = valleys.household(
        valleys.ground(8000.0, 8000.0, cell_m=100.0),
        {**valleys.SIDE_VALLEY, "Lost Track": [(500.0, 500.0), (900.0, 600.0)]},
        home=(1500.0, 3300.0),
        safe_points=(valleys.FLAT, valleys.FORD),
        ignitions=(valleys.point_fire((700.0, 7600.0)),),
        weather=valleys.steady(wind_km_h=30.0, wind_from_deg=330.0),
        neighbours=NeighboursInput(cars_per_home=1.0),
    )
    x_m, y_m = np.array([700.0, 2500.0]) + valleys.WEST_M, np.array([560.0, 3310.0]) + valleys.SOUTH_M
    found = roads_of(replace(inputs, neighbours=Homes(("lost", "lane"), x_m, y_m, np.array([9.0, 2.0]))))
    assert found.neighbours is not None
    names = prepare(inputs).network.name
    assert [names[edge] for edge in found.neighbours.must_pass] == ["Sallow Lane"]
    assert {name for name, cars in zip(names, found.neighbours.cars, strict=True) if cars == 2.0} == {
        "Sallow Lane",
        "Quarrel Road",
    }


def test_homes_are_counted_by_the_road_they_leave_by(valleys: ModuleType) -> None:
    """Seven dwellings up the lane, five on the road to the ford."""
    x_m = np.array([2000.0, 3000.0, 3500.0, 6500.0]) + valleys.WEST_M
    y_m = np.array([3330.0, 3270.0, 2500.0, 1100.0]) + valleys.SOUTH_M
    placed = Homes(("a", "b", "c", "d"), x_m, y_m, np.array([3.0, 4.0, 1.0, 4.0]))
    inputs = replace(valleys.side_valley(neighbours=NeighboursInput(cars_per_home=2.0)), neighbours=placed)
    found = roads_of(inputs)
    network = prepare(inputs).network
    by_road: dict[str, float] = {}
    for edge in range(network.edge_count):
        name = network.name[edge]
        by_road[name] = max(by_road.get(name, 0.0), float(found.neighbours.cars[edge]))
    assert by_road["Sallow Lane"] == 14.0
    # the shorter of the two ways out is that to Quarrel Flat; those on the road to the ford go there
    assert (by_road["Quarrel Road"], by_road["Tannery Road"]) == (14.0, 10.0)
    assert [network.name[edge] for edge in found.neighbours.must_pass] == ["Sallow Lane"]
