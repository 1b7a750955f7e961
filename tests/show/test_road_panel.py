from __future__ import annotations

import re
import sys
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
import shapely
from pyproj import Transformer

from leaveby.ask.household import check_household, demo_folder
from leaveby.caution import OSM_NOTICE, OVERRIDE
from leaveby.decision.fires.scenario import prepare
from leaveby.errors import InputError
from leaveby.fire.terrain import Grid, Terrain
from leaveby.notebook import drives as drives_module
from leaveby.notebook import panel_roads as panel_module
from leaveby.notebook.drives import FREE_ROADS, End, RoadArea, drive_answer, reason_words, road_area
from leaveby.notebook.live.map import legend_html
from leaveby.notebook.live.roads import road_sheet
from leaveby.notebook.panel_roads import changed_vehicle, road_panel, vehicle_sliders
from leaveby.notebook.road_words import (
    MOST_LISTED,
    band_words,
    closed_table,
    describe_roads,
    drive_bands,
    drives_table,
    edges_by_band,
)
from leaveby.regions import measures_of
from leaveby.roads.network.grades import constant_grades
from leaveby.roads.network.graph import csr, network_from_lines
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.travel import travel
from leaveby.show.figure import OVERRIDE_LINE

CAR = RoadVehicle(name="ute", mode="car", width_m=1.9, height_m=1.9, length_m=5.4, mass_kg=2400.0, power_w=140e3)
HOUSE = RoadVehicle(
    name="ute with the house",
    mode="tow",
    width_m=2.5,
    height_m=4.2,
    length_m=13.8,
    mass_kg=5800.0,
    power_w=140e3,
    speed_limit_m_s=10.0,
)
FOOT = RoadVehicle(name="on foot", mode="foot")


def hand_area(
    *, names: tuple[str, ...] | None = None, extra: tuple = (), ends: tuple[End, ...] | None = None
) -> RoadArea:
    """Roads that pencil and paper can follow: 60 km/h are posted, so 54 km/h (15 m/s) are driven, on level ground.

    From the home at the origin 1 km of Home Lane; from its end 2 km of Bridge Road north to the oval, under 3.8 m, or
    6 km round by Long Road; past the oval Weigh Street, 5 t; from the home Gate Track, private.
    """
    posted = {"maxspeed": "60"}
    roads = [
        ("Home Lane", [(0.0, 0.0), (1000.0, 0.0)], posted),
        ("Bridge Road", [(1000.0, 0.0), (1000.0, 2000.0)], posted | {"maxheight": "3.8"}),
        ("Long Road", [(1000.0, 0.0), (3000.0, 0.0), (3000.0, 2000.0), (1000.0, 2000.0)], posted),
        ("Weigh Street", [(1000.0, 2000.0), (1000.0, 3000.0)], posted | {"maxweight": "5"}),
        ("Gate Track", [(0.0, 0.0), (0.0, 1000.0)], posted | {"access": "private", "highway": "track"}),
        *extra,
    ]
    network = network_from_lines(
        [line for _, line, _ in roads],
        crs="EPSG:32755",
        names=list(names or (name for name, _, _ in roads)),
        tags=[tags for _, _, tags in roads],
    )
    grid = Grid(x_min_m=-2000.0, y_max_m=5000.0, cell_m=100.0, rows=80, cols=80, crs="EPSG:32755")
    grades = constant_grades(np.zeros(network.edge_count))
    oval = int(np.flatnonzero((network.x_m == 1000.0) & (network.y_m == 2000.0))[0])
    home = int(np.flatnonzero((network.x_m == 0.0) & (network.y_m == 0.0))[0])
    return RoadArea(
        network=network,
        graph=csr(network),
        grades=grades,
        terrain=Terrain(grid, np.zeros(grid.shape)),
        region="AU",
        home_node=home,
        home_xy_m=(0.0, 0.0),
        ends=ends or (End("Oval", oval, (1000.0, 2000.0), ("tow", "car")),),
        last_resorts=(("Hall", (500.0, 300.0)),),
        vehicles={"tow": HOUSE, "car": CAR, "foot": FOOT},
        car_travel=travel(network, CAR, grade=grades, region="AU"),
    )


@pytest.fixture(scope="module")
def area() -> RoadArea:
    return hand_area()


@pytest.fixture(scope="module")
def demo_area() -> RoadArea:
    return road_area(prepare(check_household(demo_folder() / "plan.toml")))


def letters(area: RoadArea, answer) -> list[str]:
    """Everything that is written on the map."""
    return [mark.text for layer in road_sheet(area, answer).layers for mark in layer.marks]


def drawn_m(area: RoadArea, answer) -> dict[str, float]:
    """Length on the ground of the road that is drawn in each band of the map, by what the legend calls it."""
    found = {}
    back = Transformer.from_crs("EPSG:4326", area.network.crs, always_xy=True)
    for layer in road_sheet(area, answer).layers:
        seen = [shape.geometry for shape in layer.shapes if shape.pane == "lines"]
        if seen:
            ground = shapely.transform(seen[-1], lambda xy: np.column_stack(back.transform(xy[:, 0], xy[:, 1])))
            ((_, words),) = layer.meanings
            found[words] = ground.length
    return found


# --- what is computed -------------------------------------------------------------------------------------------


def test_ways_and_minutes_are_those_of_pencil_and_paper(area):
    # Car: 3 km at 15 m/s are 200 s. House: 7 km at its own 10 m/s are 700 s, since the bridge is too low.
    tow = drive_answer(area, "tow", vehicle=HOUSE)
    (drive,) = tow.drives
    assert drive.route.time_s == pytest.approx(700.0)
    assert drive.route.length_m == pytest.approx(7000.0)
    assert drive.car_route.time_s == pytest.approx(200.0)
    assert drive.shut == ("Bridge Road: posted height 3.8 m is too low for yours of 4.2 m",)
    car = drive_answer(area, "car", vehicle=CAR)
    assert car.drives[0].route.time_s == pytest.approx(200.0)
    assert car.drives[0].shut == ()


def test_what_is_shut_stands_with_its_reason_and_what_matters_first(area):
    closed = drive_answer(area, "tow", vehicle=HOUSE).closed
    assert [(part.street, part.reason, part.car_passes, part.on_the_way) for part in closed] == [
        ("Bridge Road", "posted height 3.8 m is too low for yours of 4.2 m", True, True),
        ("Weigh Street", "posted weight 5 t is too little for yours of 5.8 t", True, False),
        ("Gate Track", "private", False, False),
    ]
    assert [part.length_m for part in closed] == pytest.approx([2000.0, 1000.0, 1000.0])


def test_one_way_streets_are_not_shut():
    one_way = ("Single Street", [(1000.0, 3000.0), (2000.0, 3000.0)], {"oneway": "yes", "maxspeed": "60"})
    area = hand_area(extra=(one_way,))
    assert "Single Street" not in {part.street for part in drive_answer(area, "car", vehicle=CAR).closed}


def test_times_agree_with_networkx(demo_area):
    # Shortest paths of the library networkx over the same travel times.
    network = demo_area.network
    for way, vehicle in demo_area.vehicles.items():
        answer = drive_answer(demo_area, way, vehicle=vehicle)
        graph = nx.MultiDiGraph()
        graph.add_nodes_from(range(network.node_count))
        for edge in np.flatnonzero(answer.travel.usable):
            graph.add_edge(int(network.tail[edge]), int(network.head[edge]), time_s=float(answer.travel.time_s[edge]))
        known = nx.single_source_dijkstra_path_length(graph, demo_area.home_node, weight="time_s")
        for edge in range(network.edge_count):
            expected = known.get(int(network.tail[edge]), np.inf) + answer.travel.time_s[edge]
            assert answer.reached_s[edge] == pytest.approx(expected, rel=1e-9)
        for drive in answer.drives:
            if drive.route is not None:
                assert drive.route.time_s == pytest.approx(known[drive.end.node])


def test_the_demo_house_is_kept_from_what_the_signs_forbid(demo_area):
    answer = drive_answer(demo_area, "tow", vehicle=demo_area.vehicles["tow"])
    reasons = {part.reason for part in answer.closed if part.car_passes}
    assert any("height" in reason for reason in reasons)
    assert any("width" in reason for reason in reasons)
    assert any("weight" in reason for reason in reasons)
    low = changed_vehicle(demo_area.vehicles["tow"], height_m=3.5, mass_t=4.0, speed_km_h=70.0)
    left = {part.reason for part in drive_answer(demo_area, "tow", vehicle=low).closed if part.car_passes}
    assert not any("height" in reason or "weight" in reason for reason in left)


def test_higher_than_the_law_allows_gets_nowhere(area):
    # Legal height of trailers in Australia, 4.3 m: read in secondary pages.
    tall = replace(HOUSE, height_m=4.4)
    answer = drive_answer(area, "tow", vehicle=tall)
    assert answer.drives[0].route is None
    assert answer.open_first is None
    assert "No safe point can be reached" in drives_table(answer)
    assert "no way" in drives_table(answer)
    assert drive_bands(answer) == ()
    assert "Oval: no way" in letters(area, answer)


def test_behind_a_gate_one_is_told_what_to_open():
    top = ("Gate Road", [(0.0, 1000.0), (0.0, 2000.0)], {"maxspeed": "60"})
    area = hand_area(extra=(top,))
    node = int(np.flatnonzero((area.network.x_m == 0.0) & (area.network.y_m == 2000.0))[0])
    shut_in = replace(area, ends=(End("Dam", node, (0.0, 2000.0), ("tow", "car")),))
    answer = drive_answer(shut_in, "tow", vehicle=HOUSE)
    way = int(area.network.way_id[area.network.name.index("Gate Track")])
    assert answer.open_first == (way,)
    assert f"ways {way} of the map" in drives_table(answer)


def test_an_end_that_the_plan_keeps_from_a_way_is_not_offered(area):
    answer = drive_answer(area, "foot", vehicle=FOOT)
    assert answer.drives[0].route is None
    assert "not for this, by your plan" in drives_table(answer)
    assert "names no safe point for leaving this way" in drives_table(answer)
    assert "Oval: not for this, by your plan" in letters(area, answer)


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("maxwidth=2.2 is too narrow for 2.5 m", "posted width 2.2 m is too narrow for yours of 2.5 m"),
        ("maxheight=12'6\" is too low for 4.2 m", "posted height 12'6\" is too low for yours of 4.2 m"),
        ("barrier lift_gate=private", "lift gate across the road"),
        ("highway=path is no road for vehicles", "path, no road for vehicles"),
        ("motor_vehicle=forestry", "access marked: forestry"),
        ("very_horrible is too rough to tow a house", "ground marked very horrible, too rough to tow a house"),
        ("too steep (28 %)", "too steep (28 %)"),
    ],
)
def test_reasons_are_said_in_plain_words(reason, words):
    assert reason_words(reason) == words


def test_many_streets_shut_for_one_reason_are_counted():
    # Nine short streets go off at the oval: with Long Road and Weigh Street eleven off the way have no posted height.
    stubs = tuple(
        (f"Stub {number}", [(1000.0, 2000.0), (1060.0 + 80.0 * np.cos(number), 2000.0 + 80.0 * np.sin(number))], {})
        for number in range(9)
    )
    area = hand_area(extra=stubs)
    answer = drive_answer(area, "tow", vehicle=replace(HOUSE, height_m=4.4))
    counted = next(part for part in answer.closed if part.street.endswith(" streets"))
    assert counted.street == "11 streets"
    assert "legal 4.3 m" in counted.reason
    assert not any(part.street.startswith("Stub") for part in answer.closed)
    assert len(answer.closed) <= MOST_LISTED


# --- what is drawn ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", ["tow", "car", "foot"])
def test_every_usable_road_lies_in_the_band_of_its_time(demo_area, way):
    answer = drive_answer(demo_area, way, vehicle=demo_area.vehicles[way])
    ends = drive_bands(answer)
    assert 1 <= len(ends) <= 5
    bands = edges_by_band(demo_area, answer)
    twin = demo_area.network.twin
    seen = []
    for number, edges in enumerate(bands):
        low = ends[number - 1] if number else 0.0
        for edge in edges:
            both = [edge] if twin[edge] < 0 else [edge, int(twin[edge])]
            sooner = min(answer.reached_s[both]) / 60.0
            seen.extend(both)
            if number < len(ends):
                assert low < sooner <= ends[number] or sooner == 0.0
            else:
                assert sooner == np.inf
    assert len(seen) == len(set(seen))
    assert set(np.flatnonzero(answer.travel.usable)) <= set(seen)


def test_the_map_draws_as_much_road_as_it_says(area):
    answer = drive_answer(area, "tow", vehicle=HOUSE)
    ends = drive_bands(answer)
    found = drawn_m(area, answer)
    for number, edges in enumerate(edges_by_band(area, answer)):
        length = float(area.network.length_m[list(edges)].sum())
        label = (
            f"{band_words(ends, number)} from home" if number < len(ends) else "Could be used, but no way leads there"
        )
        assert found.pop(label, 0.0) == pytest.approx(length, abs=0.5)
    assert found == {}


def test_the_map_numbers_what_the_table_lists(area):
    answer = drive_answer(area, "tow", vehicle=HOUSE)
    written = letters(area, answer)
    assert {"Home", "Oval: 7.0 km, 12 min", "Hall"} <= set(written)
    sheet = road_sheet(area, answer)
    legend = legend_html([row for layer in sheet.layers for row in layer.meanings], sheet.notice)
    for words in ("Bridge Road: posted height", "Place of last resort", "north is up", OSM_NOTICE, OVERRIDE_LINE):
        assert words in legend
    assert [words for words in written if words.isdigit()] == ["1", "2", "3"]
    for number in (1, 2, 3):
        assert f'<th scope="row">{number}</th>' in closed_table(answer)


def test_the_map_says_the_same_in_words(area):
    words = describe_roads(area, drive_answer(area, "tow", vehicle=HOUSE))
    assert "Oval: 7.0 km, 12 min" in words
    assert "Bridge Road, posted height 3.8 m is too low for yours of 4.2 m" in words
    assert FREE_ROADS in words
    assert "any road may be shut" in words


def test_far_roads_share_one_band(area):
    answer = drive_answer(area, "tow", vehicle=HOUSE)
    far = answer.reached_s.copy()
    far[far == far[np.isfinite(far)].max()] = 36_000.0
    ends = drive_bands(replace(answer, reached_s=far))
    assert ends[-1] == np.inf
    assert len(ends) <= 5
    assert ends[-2] >= 700.0 / 60.0


def test_long_lists_are_counted_not_shown(area):
    answer = drive_answer(area, "tow", vehicle=HOUSE)
    many = replace(answer, closed=tuple(replace(answer.closed[0], street=f"S{number}") for number in range(30)))
    table = closed_table(many)
    assert table.count('<th scope="row">') == MOST_LISTED
    assert "And 18 more, 36.0 km in all." in table
    assert "S29" not in table


def test_names_with_markup_stay_text():
    bad = "<script>alert(1)</script> $x_1$"
    node = int(hand_area().ends[0].node)
    area = hand_area(
        names=("Home Lane", bad, "Long Road", "Weigh Street", "Gate Track"),
        ends=(End(bad, node, (1000.0, 2000.0), ("tow", "car")),),
    )
    answer = drive_answer(area, "tow", vehicle=HOUSE)
    sheet = road_sheet(area, answer)
    legend = legend_html([row for layer in sheet.layers for row in layer.meanings], sheet.notice)
    for text in (drives_table(answer), closed_table(answer), legend):
        assert "<script>" not in text
        assert "&lt;script&gt;" in text


# --- the panel --------------------------------------------------------------------------------------------------


@pytest.fixture
def counted(monkeypatch):
    """Count what is computed anew."""
    calls = {"household_travel": 0, "edge_grades": 0, "csr": 0, "hills": 0, "road_sheet": 0}

    def counting(name, original):
        def wrapper(*arguments, **named):
            calls[name] += 1
            return original(*arguments, **named)

        return wrapper

    for module, name in (
        (drives_module, "household_travel"),
        (drives_module, "edge_grades"),
        (drives_module, "csr"),
        (panel_module, "hills"),
        (panel_module, "road_sheet"),
    ):
        monkeypatch.setattr(module, name, counting(name, getattr(module, name)))
    return calls


def parts(panel):
    banner, chosen, height, mass, speed, title, drives, picture, closed, taken = panel.children
    return banner, chosen, (height, mass, speed), title, drives, picture, closed, taken


def test_the_panel_begins_with_the_banner_and_the_plans_vehicle(area):
    banner, chosen, sliders, title, drives, picture, closed, taken = parts(road_panel(area))
    assert OVERRIDE in banner.value
    assert chosen.value == "tow"
    assert [slider.value for slider in sliders] == pytest.approx([4.2, 5.8, 36.0])
    assert "4.2 m high" in title.value
    assert "7.0 km, 12 min" in drives.value
    assert "3.0 km, 4 min" in drives.value
    assert FREE_ROADS in drives.value
    assert OVERRIDE_LINE in picture.children[-2].value
    assert "7.0 km, 12 min" in picture.children[-1].value
    assert "Bridge Road" in closed.value
    assert "judgement" in taken.value


def test_a_lower_house_takes_the_bridge(area):
    _, _, (height, _, _), title, drives, picture, closed, _ = parts(road_panel(area))
    before = drives.value, picture.children[-1].value, closed.value
    # 0.1 m is kept to spare under a sign, so 3.75 m is too high for 3.8 m and 3.65 m is not; 3 km at 10 m/s are 300 s.
    height.value = 3.75
    assert "Bridge Road" in closed.value
    height.value = 3.65
    assert "3.65 m high" in title.value
    assert "3.0 km, 5 min" in drives.value
    assert "Bridge Road" not in closed.value
    assert all(
        old != new for old, new in zip(before, (drives.value, picture.children[-1].value, closed.value), strict=True)
    )


def test_a_lighter_house_takes_the_street_and_a_faster_one_is_sooner(area):
    _, _, (_, mass, speed), _, drives, _, closed, _ = parts(road_panel(area))
    assert "Weigh Street" in closed.value
    mass.value = 5.0
    assert "Weigh Street" not in closed.value
    # 54 km/h are driven where 60 are posted: above that the house's own limit changes nothing. 7 km at 15 m/s: 467 s.
    speed.value = 80.0
    assert "7.0 km, 8 min" in drives.value
    speed.value = 20.0
    assert "7.0 km, 21 min" in drives.value


def test_another_vehicle_brings_its_own_measures(area):
    _, chosen, sliders, title, drives, _, _, _ = parts(road_panel(area))
    chosen.value = "car"
    assert [slider.value for slider in sliders] == pytest.approx([1.9, 2.4, 130.0])
    assert "the car without the house" in title.value
    assert "3.0 km, 4 min" in drives.value
    chosen.value = "foot"
    assert all(slider.disabled for slider in sliders)
    chosen.value = "tow"
    assert not any(slider.disabled for slider in sliders)
    assert [slider.value for slider in sliders] == pytest.approx([4.2, 5.8, 36.0])


def test_a_move_computes_travel_times_once_and_nothing_else(area, counted):
    panel = road_panel(area)
    assert counted == {"household_travel": 1, "edge_grades": 0, "csr": 0, "hills": 1, "road_sheet": 1}
    panel.children[2].value = 3.5
    assert counted == {"household_travel": 2, "edge_grades": 0, "csr": 0, "hills": 1, "road_sheet": 2}
    panel.children[2].value = 3.5
    assert counted == {"household_travel": 2, "edge_grades": 0, "csr": 0, "hills": 1, "road_sheet": 2}
    panel.children[1].value = "car"
    assert counted == {"household_travel": 3, "edge_grades": 0, "csr": 0, "hills": 1, "road_sheet": 3}


def test_sliders_hold_what_is_unusual():
    giant = replace(HOUSE, height_m=5.9, mass_kg=40_000.0, speed_limit_m_s=2.0)
    for slider in vehicle_sliders(giant):
        assert slider.low <= slider.value <= slider.high


def test_a_way_that_the_plan_lacks_is_refused(area):
    with pytest.raises(InputError, match="balloon"):
        road_panel(area, way="balloon")


def test_without_the_notebook_libraries_one_is_told_how_to_get_them(area, monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(InputError, match=r"leaveby\[lab\]"):
        road_panel(area)


def test_the_sliders_are_in_feet_and_pounds_where_people_read_them(area):
    """1 ft = 0.3048 m, 1 lb = 0.45359237 kg, 1 mile = 1.609344 km, exactly (1959)."""
    american = replace(area, region="US-CA")
    height, mass, speed = vehicle_sliders(HOUSE, measures_of(american.region))
    assert [one.label for one in (height, mass, speed)] == [
        "Height (feet)",
        "Mass of the whole, loaded (thousand pounds)",
        "Fastest you go (mph)",
    ]
    assert height.value * 0.3048 == pytest.approx(HOUSE.height_m)
    assert mass.value * 453.59237 == pytest.approx(HOUSE.mass_kg)
    assert speed.high * 1.609344 == pytest.approx(130.0)
    answers = [drive_answer(one, "tow", vehicle=HOUSE) for one in (area, american)]
    assert "miles" in drives_table(answers[1]) or "feet" in drives_table(answers[1])
    assert " km" not in drives_table(answers[1])
    assert re.search(r"\d (?:km|m)\b", drives_table(answers[0]))


def test_the_panel_moves_the_vehicle_by_feet(area):
    panel = road_panel(replace(area, region="US-CA"), way="tow")
    said = str([child.value for child in panel.children if hasattr(child, "value")])
    assert re.search(r"\d+ ft(?: \d+ in)? high", said)
    assert "pounds in all" in said
