"""A district's latest departures, queues, links and fires, against other ways of finding them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
from numpy.typing import NDArray

from leaveby.decision.district.queues import SettingOut, queues_of, roll_by_s
from leaveby.decision.district.roads import (
    DistrictRoads,
    drives_s,
    free_drive_s,
    home_graph,
    joined,
    latest_of_homes,
    stretch_lines,
)
from leaveby.decision.district.variants import link_variant, made_ready, second_exits
from leaveby.decision.fires.closing import closing_times, stretch_cells
from leaveby.decision.rules.words import verdict_of, verdict_sentence
from leaveby.decision.ways.neighbours import setting_out_s
from leaveby.errors import InputError
from leaveby.fire.terrain import Grid
from leaveby.roads.clearance.queue import Mobilisation
from leaveby.roads.clearance.tree import lanes_and_capacity
from leaveby.roads.exits.groups import single_exits
from leaveby.roads.exits.homes import Homes, place_homes
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.attach import attach_points
from leaveby.roads.network.graph import RoadNetwork, network_from_lines
from leaveby.roads.routing.latest_departure import latest_departure
from leaveby.roads.vehicle.speeds import usual_speed_m_s

CRS = "EPSG:32755"
GRID = Grid(x_min_m=-200.0, y_max_m=1400.0, cell_m=25.0, rows=64, cols=64, crs=CRS)
DRIVE_M_S = usual_speed_m_s("service", service="driveway")


def random_town(rng: np.random.Generator) -> tuple[RoadNetwork, Homes]:
    """A grid of streets with some taken away, one-way ones among them, and homes beside them."""
    spots = {
        (i, j): (300.0 * i + rng.uniform(-60, 60), 300.0 * j + rng.uniform(-60, 60)) for i in range(4) for j in range(4)
    }
    pairs = [((i, j), (i + di, j + dj)) for i, j in spots for di, dj in ((1, 0), (0, 1)) if (i + di, j + dj) in spots]
    graph = nx.Graph(pairs)
    for pair in rng.permutation(len(pairs))[:9]:
        graph.remove_edge(*pairs[pair])
        if not nx.is_connected(graph):
            graph.add_edge(*pairs[pair])
    lines = [[spots[a], spots[b]] for a, b in graph.edges]
    tags = [
        {"highway": "residential", "oneway": "yes"} if rng.random() < 0.15 else {"highway": "residential"}
        for _ in lines
    ]
    x_m, y_m = rng.uniform(0.0, 900.0, 12), rng.uniform(0.0, 900.0, 12)
    homes = Homes(tuple(f"home {row}" for row in range(12)), x_m, y_m, np.ones(12))
    return network_from_lines(lines, crs=CRS, tags=tags), homes


def roads_of(network: RoadNetwork, homes: Homes, exit_node: int) -> DistrictRoads:
    streets = street_table(network)
    placed = place_homes(homes, streets)
    time_s = streets.length_m / streets.speed_m_s
    there_s, back_s = np.where(streets.forward, time_s, np.inf), np.where(streets.backward, time_s, np.inf)
    return DistrictRoads(streets, there_s, back_s, {"out": exit_node}, placed, drives_s(placed, region="AU"))


def random_arrival(rng: np.random.Generator) -> NDArray[np.float64]:
    """A fire from a random spot, with speeds that differ by direction; parts it never reaches."""
    x_m, y_m = np.meshgrid(GRID.x_m, GRID.y_m)
    away = np.hypot(
        (x_m - rng.uniform(0, 900)) * rng.uniform(0.5, 2), (y_m - rng.uniform(0, 900)) * rng.uniform(0.5, 2)
    )
    arrival_s = away / rng.uniform(0.1, 0.6)
    return np.where(arrival_s > 3000.0, np.inf, arrival_s)


def towns(count: int) -> Iterator[tuple[np.random.Generator, RoadNetwork, Homes, DistrictRoads]]:
    for seed in range(count):
        rng = np.random.default_rng(seed)
        network, homes = random_town(rng)
        yield rng, network, homes, roads_of(network, homes, int(rng.integers(network.node_count)))


def test_every_home_has_the_time_of_a_network_that_is_cut_at_its_drive() -> None:
    """The household's own question cuts the road where the drive meets it; so it is done here, home by home."""
    compared = 0
    for rng, network, homes, roads in towns(12):
        graph = home_graph(roads)
        arrival_s, factor = random_arrival(rng), rng.uniform(1.0, 1.5)
        cells = stretch_cells(GRID, stretch_lines(roads), standoff_m=30.0)
        latest_s, _ = latest_of_homes(
            graph, closing_times(cells, arrival_s, smoke_lead_s=60.0), margin_s=30.0, drive_factor=factor
        )
        speed = float(roads.streets.speed_m_s[0])
        for row, name in enumerate(homes.identity):
            alone, (node,) = attach_points(network, homes.x_m[[row]], y_m=homes.y_m[[row]], names=[name])
            own = stretch_cells(GRID, list(alone.geometry), standoff_m=30.0)
            drive = np.array(alone.highway) == "service"
            time_s = np.where(alone.foot_only, np.inf, alone.length_m / np.where(drive, DRIVE_M_S, speed))
            found = latest_departure(
                alone,
                factor * time_s,
                closing_s=closing_times(own, arrival_s, smoke_lead_s=60.0),
                targets=list(roads.exits.values()),
                margin_s=30.0,
            )
            assert latest_s[row] == pytest.approx(found.time_s[node], abs=1e-6), (name, row)
            compared += bool(np.isfinite(latest_s[row]))
    assert compared > 60


def test_the_street_named_is_the_one_whose_closing_sets_the_time() -> None:
    """Without that closing one may leave later; a closing of any other street by a second sooner changes nothing."""
    looked_at = 0
    for rng, _, _, roads in towns(8):
        graph = home_graph(roads)
        m, h = roads.streets.street_count, len(roads.homes.identity)
        closing_s = np.full(m + 3 * h, np.inf)
        closing_s[:m] = np.where(rng.random(m) < 0.4, rng.uniform(200.0, 3000.0, m), np.inf)
        latest_s, shuts = latest_of_homes(graph, closing_s, margin_s=0.0)
        for home in np.flatnonzero((shuts >= 0) & np.isfinite(latest_s)).tolist():
            without = closing_s.copy()
            without[shuts[home]] = np.inf
            later_s, _ = latest_of_homes(graph, without, margin_s=0.0)
            assert later_s[home] > latest_s[home]
            looked_at += 1
        assert (shuts[np.isposinf(latest_s)] == -1).all()
    assert looked_at > 20


def waits_s(
    roads: DistrictRoads, drive_s: NDArray[np.float64], vehicles_per_home: float, *, tow: float | None = None
) -> NDArray[np.float64]:
    """How long each home waits when all set out at once."""
    setting_out = SettingOut() if tow is None else SettingOut(towing_share=tow)
    queues = queues_of(roads, drive_s, vehicles_per_home=vehicles_per_home, setting_out=setting_out)
    assert queues.lines is None
    return queues.most_s


def test_a_queue_by_hand() -> None:
    """Six homes at once with two vehicles each behind one narrow street: 800 vehicles an hour, nine tenths in a queue.

    Deterministic queue (common practice, no source): the last of twelve vehicles is through 12 times 5 s after the
    first comes, less the headway of the first, and less what it drives longer. A tenth of them tow unless told
    otherwise, and a trailer makes two cars of one.
    """
    lines = [[(0.0, 0.0), (300.0, 0.0)], [(300.0, 0.0), (600.0, 0.0)]]
    network = network_from_lines(lines, crs=CRS, tags=[{"highway": "residential"}] * 2)
    x_m = np.array([310.0, 320.0, 330.0, 340.0, 350.0, 360.0])
    homes = Homes(tuple("abcdef"), x_m, np.zeros(6), np.ones(6))
    roads = roads_of(network, homes, 0)
    drive_s = free_drive_s(home_graph(roads))
    wait_s = waits_s(roads, drive_s, 2.0)
    headway_s = 3600.0 / (0.9 * 800.0)
    for found_s, as_cars in (
        (wait_s, 1.1),
        (waits_s(roads, drive_s, 2.0, tow=0.0), 1.0),
        (waits_s(roads, drive_s, 2.0, tow=0.5), 1.5),
    ):
        expected = np.maximum(np.arange(6) * 2.0 * as_cars * headway_s - (drive_s - drive_s[0]), 0.0)
        assert found_s == pytest.approx(expected, abs=1e-9)
    assert waits_s(roads, drive_s, 1.0).max() < wait_s.max()


def test_a_group_within_another_queues_twice_at_most_as_long_as_it_takes() -> None:
    """Two side streets join one way out: nobody waits longer than all vehicles take, and the last so long about."""
    lines = [[(0.0, 0.0), (300.0, 0.0)], [(300.0, 0.0), (600.0, 0.0)], [(300.0, 0.0), (300.0, 300.0)]]
    network = network_from_lines(lines, crs=CRS, tags=[{"highway": "residential"}] * 3)
    homes = Homes(
        tuple("abcd"), np.array([500.0, 560.0, 300.0, 300.0]), np.array([0.0, 0.0, 200.0, 260.0]), np.full(4, 30.0)
    )
    roads = roads_of(network, homes, 0)
    drive_s = free_drive_s(home_graph(roads))
    wait_s = waits_s(roads, drive_s, 1.0)
    every_s = 120.0 * 1.1 * 3600.0 / (0.9 * 800.0)
    assert every_s * 0.7 < wait_s.max() < every_s


def passed_car_by_car(
    roads: DistrictRoads, drive_s: NDArray[np.float64], setting_out: SettingOut, vehicles: float
) -> list[Callable[[float], float]]:
    """For each home: when one that would be at the safe point at a moment is there, behind all others, car by car."""
    found = single_exits(roads.streets, roads.homes, exits=roads.exit_nodes, compare=False)
    _, capacity_veh_h = lanes_and_capacity(roads.streets)
    curve = Mobilisation("", setting_out.half_rolling_s)
    of_place: dict[int, int] = {}
    narrow = []
    for group in range(found.group_count):
        run = [int(found.gate[group])]
        while run[-1] != found.head[group]:
            run.append(int(found.tree.parent[run[-1]]))
        of_place |= dict.fromkeys(run, group)
        passed = [capacity_veh_h[v - roads.streets.node_count] for v in run if v >= roads.streets.node_count]
        # a trailer makes two cars of one (common practice, no source)
        narrow.append((1.0 + setting_out.towing_share) * 3600.0 / (0.9 * min(passed)) if passed else 0.0)
    own = [of_place.get(int(vertex), -1) for vertex in found.home_vertex]
    queues: dict[int, list[tuple[float, float]]] = {}
    came: dict[int, list[float]] = {group: [] for group in range(found.group_count)}
    for group in range(found.group_count):
        homes = [home for home, its in enumerate(own) if its == group for _ in range(int(vehicles))]
        out_s = setting_out_s(curve, len(homes)) + (setting_out.told_s or 0.0)
        came[group] = [float(drive_s[home] + at_s) for home, at_s in zip(homes, out_s, strict=True)]
    for group in reversed(range(found.group_count)):
        free_s, queues[group] = -np.inf, []
        for at_s in sorted(came[group]):
            past_s = max(at_s, free_s)
            free_s = past_s + narrow[group]
            queues[group].append((at_s, free_s))
            if found.inside[group] >= 0:
                came[int(found.inside[group])].append(past_s)

    def passes(home: int) -> Callable[[float], float]:
        def there_s(at_s: float) -> float:
            group = own[home]
            while group >= 0:
                at_s = max([at_s, *(free_s for came_s, free_s in queues[group] if came_s < at_s and narrow[group])])
                group = int(found.inside[group])
            return at_s

        return there_s

    return [passes(home) for home in range(len(own))]


def test_over_time_each_home_rolls_as_late_as_a_queue_followed_car_by_car_allows() -> None:
    """At the moment told it is through in time; half a second later it is not. Told whenever: never later than any."""
    queued = 0
    for rng, _, _, roads in towns(16):
        drive_s = free_drive_s(home_graph(roads))
        if not np.isfinite(drive_s).all():
            continue
        setting_out = SettingOut("over time", rng.uniform(60.0, 400.0), rng.uniform(0.0, 600.0), rng.uniform())
        queues = queues_of(roads, drive_s, vehicles_per_home=30.0, setting_out=setting_out)
        unknown = queues_of(roads, drive_s, vehicles_per_home=30.0, setting_out=replace(setting_out, told_s=None))
        latest_s = rng.uniform(0.0, 4000.0, (20, drive_s.size))
        latest_s[0], latest_s[1] = np.inf, -np.inf
        rolls_s = roll_by_s(queues, latest_s)
        assert np.isposinf(rolls_s[0]).all()
        assert np.isneginf(rolls_s[1]).all()
        assert (rolls_s <= latest_s).all()
        assert (roll_by_s(unknown, latest_s)[2:] <= rolls_s[2:] + 1e-6).all()
        assert (roll_by_s(queues, latest_s[:, 3:7], slice(3, 7)) == rolls_s[:, 3:7]).all()
        assert (roll_by_s(queues, latest_s[5]) == rolls_s[5]).all()
        for home, there_s in enumerate(passed_car_by_car(roads, drive_s, setting_out, 30.0)):
            for late_s, roll_s in zip(latest_s[2:, home], rolls_s[2:, home], strict=True):
                assert there_s(roll_s + drive_s[home] - 1e-6) <= late_s + drive_s[home]
                assert there_s(roll_s + drive_s[home] + 0.5) > late_s + drive_s[home]
                queued += roll_s < late_s
    assert queued > 300


def test_whoever_goes_when_all_have_gone_waits_for_nobody_and_a_longer_curve_queues_less() -> None:
    *_, roads = next(towns(1))
    drive_s = free_drive_s(home_graph(roads))
    gone = queues_of(roads, drive_s, vehicles_per_home=50.0, setting_out=SettingOut("gone before"))
    assert gone.most_s.tolist() == [0.0] * drive_s.size
    longest = [
        queues_of(roads, drive_s, vehicles_per_home=50.0, setting_out=SettingOut("over time", half_s)).most_s.max()
        for half_s in (30.0, 300.0, 3000.0, 30_000.0)
    ]
    assert longest == sorted(longest, reverse=True)
    assert longest[0] > longest[-1]


def test_a_link_gives_what_running_the_roads_with_it_gives() -> None:
    """The variant looks only at new stretches; here all of the roads with the link are made and run anew."""
    tried = gained = 0
    for rng, _, _, roads in towns(14):
        try:
            roads, base, _ = made_ready(roads, GRID, standoff_m=30.0)
        except InputError:
            continue
        for link in second_exits(roads, most=2, elevation=None):
            with_it = link_variant(
                roads, link, grid=GRID, standoff_m=30.0, vehicles_per_home=2.0, setting_out=SettingOut()
            )
            built = joined(roads, link)
            anew, whole, lost = made_ready(built, GRID, standoff_m=30.0)
            assert not lost
            for _ in range(4):
                arrival_s = random_arrival(rng)
                before_s = closing_times(base.cells, arrival_s, smoke_lead_s=60.0)
                own_s = closing_times(with_it.cells, arrival_s, smoke_lead_s=60.0)
                assert with_it.take is not None
                variant_s, _ = latest_of_homes(
                    with_it.homes, np.concatenate([before_s, own_s])[with_it.take], margin_s=30.0
                )
                closing_s = closing_times(whole.cells, arrival_s, smoke_lead_s=60.0)
                again_s, _ = latest_of_homes(whole.homes, closing_s, margin_s=30.0)
                assert (variant_s == again_s).all()
                gained += bool((variant_s > latest_of_homes(base.homes, before_s, margin_s=30.0)[0]).any())
            waits = waits_s(anew, free_drive_s(whole.homes), 2.0)
            assert (with_it.queues.most_s == waits).all()
            tried += 1
    assert tried >= 8
    assert gained >= 5


def test_an_exit_that_nobody_reaches_is_named() -> None:
    lines = [[(0.0, 0.0), (300.0, 0.0)], [(0.0, 600.0), (300.0, 600.0)]]
    network = network_from_lines(lines, crs=CRS, tags=[{"highway": "residential"}] * 2)
    homes = Homes(("a",), np.array([100.0]), np.zeros(1), np.ones(1))
    roads = replace(roads_of(network, homes, 0), exits={"town": 0, "island": 2})
    with pytest.raises(InputError) as refused:
        made_ready(roads, GRID, standoff_m=30.0)
    assert [fault.place for fault in refused.value.faults] == ['safe point "island"']


@pytest.mark.parametrize(
    ("share", "told", "inside", "words"),
    [
        (
            0.34,
            False,
            "",
            "On a day rated Extreme, go by car the evening before. Whoever waits for word of fire takes a chance: of "
            "100 fires that start in the district on such a day, 34 may leave too little time to drive away.",
        ),
        (
            0.34,
            True,
            "",
            "On a day rated Extreme, go by car the evening before, since the rating itself tells people to leave. "
            "Whoever waits for word of fire takes a chance: of 100 fires that start in the district on such a day, 34 "
            "may leave too little time to drive away.",
        ),
        (
            0.011,
            False,
            "on first word of any fire",
            "On a day rated Extreme, go by car on first word of any fire. Even so, of 100 fires that start in the "
            "district on such a day, 2 may leave too little time to drive away.",
        ),
    ],
)
def test_what_a_street_is_told(share: float, told: bool, inside: str, words: str) -> None:
    assert verdict_sentence("Extreme", "car", share=share, told=told, where="in the district", inside=inside) == words


def test_the_evening_before_goes_by_the_share_or_the_rating() -> None:
    found = [verdict_of(share, told=told, allowed=0.05) for share in (0.0, 0.05, 0.051) for told in (False, True)]
    assert found == ["on word of fire", "evening before"] * 2 + ["evening before"] * 2
