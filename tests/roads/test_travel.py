"""Travel times: tags as they are written on the map, the power balance, restrictions."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.regions import WITH_RULES, country_of
from leaveby.roads.network.attach import attach_points
from leaveby.roads.network.grades import EdgeGrades
from leaveby.roads.network.graph import RoadNetwork, network_from_lines
from leaveby.roads.vehicle.home_way import ways_to_open
from leaveby.roads.vehicle.pull import RoadVehicle, sustained_speed_m_s
from leaveby.roads.vehicle.restrictions import (
    LEGAL_SIZES,
    access_closed,
    gate_count,
    length_limit_m,
    weight_limit_kg,
)
from leaveby.roads.vehicle.speeds import (
    SURFACE_KM_H,
    USUAL_KM_H,
    ZONE_KM_H,
    posted_speed_m_s,
    rolling_resistance,
    surface_speed_m_s,
    towing_limit_m_s,
    usual_speed_m_s,
)
from leaveby.roads.vehicle.travel import EdgeTravel, travel

INF = float("inf")
CAR = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=100e3)
HOUSE = RoadVehicle(name="house", mode="tow", width_m=2.5, height_m=4.2, length_m=13.0, mass_kg=7000.0, power_w=150e3)
FEET = RoadVehicle(name="on foot", mode="foot")


def one_road(length_m: float = 1000.0, **tags: str) -> RoadNetwork:
    return network_from_lines([[(0.0, 0.0), (length_m, 0.0)]], crs="EPSG:32755", tags=[tags])


def along(result: EdgeTravel) -> float:
    return float(result.time_s[0])


# --- posted speeds ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "km_h"),
    [
        ("50", 50.0),
        ("50 km/h", 50.0),
        ("62,5", 62.5),
        # 1 mile = 1.609344 km exactly (international yard and pound agreement, 1959)
        ("40 mph", 64.37376),
        ("40mph", 64.37376),
        ("10 knots", 18.52),
        ("walk", 5.0),
        ("50;30", 30.0),
        ("80|50", 50.0),
        ("AU:urban", 50.0),
        ("AU:rural", 100.0),
        ("DE:zone:30", 30.0),
        ("DE:zone30", 30.0),
        ("GB:nsl_single", 96.56064),
        ("AD:urban", 50.0),
        ("none", INF),
    ],
)
def test_posted_speeds_are_understood(text: str, km_h: float) -> None:
    """Forms in use on the map, after the OpenStreetMap documentation of the maxspeed key (from memory)."""
    speed = posted_speed_m_s(text)
    assert speed is not None
    assert speed * 3.6 == pytest.approx(km_h, rel=1e-12)


@pytest.mark.parametrize("text", ["", "signals", "variable"])
def test_nothing_posted(text: str) -> None:
    assert posted_speed_m_s(text) is None


@pytest.mark.parametrize(
    "text", ["0", "-10", "0 mph", "fast", "50 furlongs", "XX:urban", "50;fast", "nan", "1e3", "五十"]
)
def test_other_posted_speeds_are_refused_with_their_place(text: str) -> None:
    with pytest.raises(InputError, match="way 17") as caught:
        posted_speed_m_s(text, place="way 17")
    assert caught.value.faults[0].mend


@given(st.text(max_size=20))
def test_no_posted_speed_is_read_as_nothing_like_zero(text: str) -> None:
    try:
        speed = posted_speed_m_s(text)
    except InputError:
        return
    assert speed is None or speed > 0.0


def test_a_speed_that_cannot_be_read_is_slow_and_said() -> None:
    network = one_road(maxspeed="fast", highway="primary")
    result = travel(network, CAR)
    assert along(result) == pytest.approx(1000.0 / (30.0 / 3.6))
    assert any("way 1" in sentence and "maxspeed=fast" in sentence for sentence in result.assumptions)
    with pytest.raises(InputError, match=r"way 1, primary: the posted speed 'fast'"):
        posted_speed_m_s("fast", place=network.place(0))


def test_a_posted_speed_of_zero_closes_the_road_and_is_said() -> None:
    result = travel(one_road(maxspeed="0"), CAR)
    assert not result.usable.any()
    assert result.why_not == ("maxspeed=0", "maxspeed=0")
    assert result.time_s.tolist() == [INF, INF]
    assert any("taken as closed" in sentence for sentence in result.assumptions)


def test_posted_share_is_a_judgement_and_is_said() -> None:
    """50 km/h over 1 km is 72 s; at 90 % of it 80 s."""
    result = travel(one_road(maxspeed="50", highway="secondary"), CAR)
    assert along(result) == pytest.approx(80.0)
    assert any("90 % of the posted limit" in sentence for sentence in result.assumptions)


def test_no_limit_means_the_usual_speed() -> None:
    assert along(travel(one_road(maxspeed="none", highway="motorway"), CAR)) == pytest.approx(36.0)


def test_usual_speeds_fall_with_the_class_of_road() -> None:
    """The order of classes is that of the map; speeds may not rise on the way down (common practice, no source)."""
    order = ["motorway", "trunk", "primary", "secondary", "tertiary", "unclassified", "residential", "service"]
    speeds = [usual_speed_m_s(kind) for kind in order]
    assert speeds == sorted(speeds, reverse=True)
    assert usual_speed_m_s("never heard of") == pytest.approx(10 / 3.6)
    assert min(USUAL_KM_H.values()) > 0.0
    # where a state's open-road limit is lower than the usual speed, the limit rules
    assert usual_speed_m_s("trunk", region="AD") * 3.6 == pytest.approx(60.0)


def test_surface_and_track_type() -> None:
    assert surface_speed_m_s("asphalt") == surface_speed_m_s("") == INF
    assert surface_speed_m_s("gravel") > surface_speed_m_s("sand") > surface_speed_m_s("mud")
    assert surface_speed_m_s("unheard-of") * 3.6 == pytest.approx(20.0)
    assert surface_speed_m_s("asphalt|gravel") == surface_speed_m_s("gravel")
    assert surface_speed_m_s("gravel", towing=True) < surface_speed_m_s("gravel")
    assert min(SURFACE_KM_H.values()) > 0.0
    fast, slow = (travel(one_road(highway="track", tracktype=kind), CAR).time_s[0] for kind in ("grade1", "grade3"))
    assert slow > fast
    on_gravel = along(travel(one_road(highway="primary", surface="gravel"), CAR))
    assert on_gravel == pytest.approx(1000.0 / surface_speed_m_s("gravel"))


# --- towing limits ---------------------------------------------------------------------------------------------


def test_the_countries_with_rules_are_those_that_a_plan_may_ask_for() -> None:
    assert set(ZONE_KM_H) == set(WITH_RULES)
    assert {country_of(region) for region in LEGAL_SIZES} <= set(WITH_RULES)


@pytest.mark.parametrize(
    ("region", "mass_kg", "km_h"),
    [
        # read in secondary pages (towingguide.com and others), not in the rules themselves
        ("AU-WA", 3000.0, 100.0),
        ("AU-NSW", 5000.0, 100.0),
        ("AU-NSW", 4000.0, INF),
        ("AU-VIC", 7000.0, INF),
        # from memory: New Zealand road code; Highway Code rule 124 (50 mph); California Vehicle Code 22406 (55 mph)
        ("NZ", 3000.0, 90.0),
        ("GB", 3000.0, 80.4672),
        ("US-CA", 3000.0, 88.51392),
    ],
)
def test_towing_limits_by_state(region: str, mass_kg: float, km_h: float) -> None:
    assert towing_limit_m_s(region, combined_mass_kg=mass_kg) * 3.6 == pytest.approx(km_h)


def test_the_vehicles_own_limit_rules() -> None:
    slow = RoadVehicle(
        name="house",
        mode="tow",
        width_m=2.5,
        height_m=4.2,
        length_m=13.0,
        mass_kg=7e3,
        power_w=2e5,
        speed_limit_m_s=10.0,
    )
    result = travel(one_road(maxspeed="100", highway="primary"), slow)
    assert along(result) == pytest.approx(100.0)


# --- power balance ---------------------------------------------------------------------------------------------

HANDS = {
    # car, 1.5 t, 75 kW of which 0.70 at the wheels: 52.5 kW; Cd 0.40, 2.0 m2 -> 0.5 * 1.2 * 0.8 = 0.48 kg/m
    #   level   b = 14710 N * 0.015                      =  220.6 N    0.48 v3 +  220.6 v = 52500 -> 44.6 m/s
    #   6 %     b = 14710 N * (0.015 + 0.06)  / 1.00180  = 1101.3 N    0.48 v3 + 1101.3 v = 52500 -> 32.6 m/s
    #   12 %    b = 14710 N * (0.015 + 0.12)  / 1.00717  = 1971.7 N    0.48 v3 + 1971.7 v = 52500 -> 23.5 m/s
    "car": (1500.0, 75e3, 0.40, 2.0, (44.6, 32.6, 23.5)),
    # utility and caravan, 4.5 t, 130 kW: 91 kW; Cd 0.9, 6.0 m2 -> 0.5 * 1.2 * 5.4 = 3.24 kg/m
    #   level   b = 44130 N * 0.015                      =  661.9 N    3.24 v3 +  661.9 v = 91000 -> 28.2 m/s
    #   6 %     b = 44130 N * 0.075 / 1.00180            = 3303.8 N    3.24 v3 + 3303.8 v = 91000 -> 19.9 m/s
    #   12 %    b = 44130 N * 0.135 / 1.00717            = 5915.1 N    3.24 v3 + 5915.1 v = 91000 -> 13.9 m/s
    "caravan": (4500.0, 130e3, 0.90, 6.0, (28.2, 19.9, 13.9)),
    # small house behind a light truck, 8.5 t, 150 kW: 105 kW; Cd 0.9, 9.0 m2 -> 0.5 * 1.2 * 8.1 = 4.86 kg/m
    #   level   b = 83357 N * 0.015                      =  1250.3 N   4.86 v3 +  1250.3 v = 105000 -> 24.8 m/s
    #   6 %     b = 83357 N * 0.075 / 1.00180            =  6240.5 N   4.86 v3 +  6240.5 v = 105000 -> 14.5 m/s
    #   12 %    b = 83357 N * 0.135 / 1.00717            = 11173.0 N   4.86 v3 + 11173.0 v = 105000 -> 9.1 m/s
    "house": (8500.0, 150e3, 0.90, 9.0, (24.8, 14.5, 9.1)),
}


@pytest.mark.parametrize("name", list(HANDS))
def test_power_balance_against_a_hand_calculation(name: str) -> None:
    """Air drag, rolling resistance 0.015 and gravity balanced against power on 0, 6 and 12 %, worked by hand above."""
    mass_kg, power_w, drag, area_m2, by_hand = HANDS[name]
    vehicle = RoadVehicle(
        name=name,
        mode="car",
        width_m=2.0,
        height_m=2.0,
        length_m=5.0,
        mass_kg=mass_kg,
        power_w=power_w,
        drag_coefficient=drag,
        frontal_area_m2=area_m2,
        power_share=0.70,
    )
    grades = np.array([0.0, 0.06, 0.12])
    speeds = sustained_speed_m_s(vehicle, grades, rolling=np.full(3, 0.015))
    np.testing.assert_allclose(speeds, by_hand, atol=0.1)
    for speed, grade in zip(speeds, grades, strict=True):
        # the same balance in other words: force from sines and cosines, and numpy's polynomial roots
        angle = math.atan(grade)
        force = mass_kg * 9.80665 * (0.015 * math.cos(angle) + math.sin(angle))
        roots = np.roots([0.5 * 1.2 * drag * area_m2, 0.0, force, -power_w * 0.70])
        real = roots[(np.abs(roots.imag) < 1e-9) & (roots.real > 0.0)].real
        assert real.size == 1
        assert speed == pytest.approx(real[0], rel=1e-9)


@given(
    grade=st.floats(-0.3, 0.3),
    mass_kg=st.floats(500.0, 40_000.0),
    power_w=st.floats(5_000.0, 500_000.0),
    rolling=st.floats(0.005, 0.1),
)
def test_the_balance_closes_for_any_vehicle(grade: float, mass_kg: float, power_w: float, rolling: float) -> None:
    vehicle = RoadVehicle(
        name="any", mode="car", width_m=2.0, height_m=2.0, length_m=5.0, mass_kg=mass_kg, power_w=power_w
    )
    speed = float(sustained_speed_m_s(vehicle, np.array([grade]), rolling=np.array([rolling]))[0])
    assert speed > 0.0
    # air drag, rolling resistance and gravity, as in every text on vehicle dynamics
    angle = math.atan(grade)
    force = mass_kg * 9.80665 * (rolling * math.cos(angle) + math.sin(angle))
    needed = (0.5 * 1.2 * vehicle.drag * vehicle.area_m2 * speed**2 + force) * speed
    assert needed == pytest.approx(vehicle.power_w * vehicle.power_share, rel=1e-6)


def test_downhill_the_house_goes_no_faster_than_uphill_and_the_car_is_not_held_back() -> None:
    down, flat = np.array([-0.1]), np.array([0.1])
    roll = np.array([0.015])
    assert sustained_speed_m_s(HOUSE, down, rolling=roll) == sustained_speed_m_s(HOUSE, flat, rolling=roll)
    assert sustained_speed_m_s(CAR, down, rolling=roll) > sustained_speed_m_s(CAR, flat, rolling=roll)


def test_grade_slows_the_edge_in_its_own_direction_and_pieces_add_up() -> None:
    network = one_road(2000.0, maxspeed="100", highway="primary")
    up = travel(network, HOUSE, grade=np.array([0.10, -0.10]))
    level = travel(network, HOUSE, grade=np.zeros(2))
    assert up.time_s[0] > level.time_s[0]
    halves = EdgeGrades(
        start=np.array([0, 2, 4]),
        share=np.full(4, 0.5),
        grade=np.array([0.10, 0.0, 0.0, -0.10]),
        mean=np.array([0.05, -0.05]),
        steepest=np.array([0.10, 0.10]),
        assumptions=("capped",),
    )
    both = travel(network, HOUSE, grade=halves)
    assert both.time_s[0] == pytest.approx(0.5 * (up.time_s[0] + level.time_s[0]))
    assert "capped" in both.assumptions
    assert any("level" in sentence for sentence in travel(network, HOUSE).assumptions)


def test_too_steep_is_closed_not_slow() -> None:
    weak = RoadVehicle(
        name="weak", mode="tow", width_m=2.5, height_m=4.0, length_m=12.0, mass_kg=9000.0, power_w=150e3, max_grade=0.15
    )
    result = travel(one_road(), weak, grade=np.array([0.2, -0.2]))
    assert result.why_not == ("too steep (20 %)", "too steep (20 %)")


# --- restrictions ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("4.3", 4.3),
        ("4,3 m", 4.3),
        ("430 cm", 4.3),
        ("14'", 4.2672),
        ("13'6\"", 4.1148),
        ("14 ft", 4.2672),
        ("none", INF),
        ("", INF),
        ("4.5;3.8", 3.8),
        ("default", 4.3),
        ("below_default", 2.0),
    ],
)
def test_height_limits_are_understood(text: str, metres: float) -> None:
    """1 ft = 0.3048 m exactly; forms after the OpenStreetMap documentation of the maxheight key (from memory)."""
    assert length_limit_m(text, place="way 1", region="AU", height=True) == pytest.approx(metres)


@pytest.mark.parametrize("text", ["0", "-3", "tall", "4.3 parsecs"])
def test_other_limits_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="way 1"):
        length_limit_m(text, place="way 1", height=True)
    with pytest.raises(InputError, match="way 1"):
        weight_limit_kg(text, place="way 1")


def test_weight_limits() -> None:
    """1 lb = 0.45359237 kg exactly; a short ton is 2,000 lb."""
    assert weight_limit_kg("3.5;7.5", place="way 1") == 3500.0
    assert weight_limit_kg("5 st", place="way 1") == pytest.approx(4535.9237)
    assert weight_limit_kg("10000 lbs", place="way 1") == pytest.approx(4535.9237)


@pytest.mark.parametrize(
    ("tags", "car", "house"),
    [
        ({"maxheight": "4.0"}, "", "maxheight=4.0 is too low for 4.2 m"),
        ({"maxheight": "4.25"}, "", "maxheight=4.25 is too low for 4.2 m"),
        ({"maxheight": "4.3"}, "", ""),
        ({"maxheight": "default"}, "", ""),
        ({"maxheight": "below_default"}, "", "maxheight=below_default is too low for 4.2 m"),
        ({"maxheight": "tall"}, "", "maxheight=tall is too low for 4.2 m"),
        ({"maxheight": "1.4"}, "maxheight=1.4 is too low for 1.5 m", "maxheight=1.4 is too low for 4.2 m"),
        ({"maxwidth": "2.5"}, "", "maxwidth=2.5 is too narrow for 2.5 m"),
        ({"width": "2.2"}, "", "width=2.2 is too narrow for 2.5 m"),
        ({"maxlength": "12"}, "", "maxlength=12 is too short for 13 m"),
        ({"maxweight": "3.5"}, "", "maxweight=3.5 is too little for 7 t"),
        ({"maxweight": "heavy"}, "", "maxweight=heavy is too little for 7 t"),
        ({"trailer": "no"}, "", "trailer=no"),
        ({"caravan": "no"}, "", "caravan=no"),
        ({"access": "private"}, "access=private", "access=private"),
        ({"access": "no"}, "access=no", "access=no"),
        ({"access": "no", "motor_vehicle": "yes"}, "", ""),
        ({"access": "destination"}, "", ""),
        ({"access": "forestry;agricultural"}, "access=forestry;agricultural", "access=forestry;agricultural"),
        ({"access": "who knows"}, "access=who knows", "access=who knows"),
        ({"motor_vehicle": "no"}, "motor_vehicle=no", "motor_vehicle=no"),
        ({"barrier": "gate"}, "barrier gate", "barrier gate"),
        ({"barrier": "gate=yes"}, "", ""),
        ({"barrier": "lift_gate=private"}, "barrier lift_gate=private", "barrier lift_gate=private"),
        ({"barrier": "cattle_grid"}, "", ""),
        ({"barrier": "bollard"}, "barrier bollard", "barrier bollard"),
        ({"highway": "path"}, "highway=path is no road for vehicles", "highway=path is no road for vehicles"),
        ({"highway": "path", "motor_vehicle": "yes"}, "", ""),
        ({"highway": "steps", "motor_vehicle": "yes"}, *["highway=steps is no road for vehicles"] * 2),
        ({"highway": "track", "tracktype": "grade5"}, "", "grade5 is too rough to tow a house"),
        ({"highway": "track", "four_wd_only": "yes"}, "for four-wheel drive only", "for four-wheel drive only"),
        ({"smoothness": "impassable"}, "smoothness=impassable", "smoothness=impassable"),
        ({"oneway": "reversible"}, *["one-way in a direction that changes"] * 2),
    ],
)
def test_what_a_vehicle_cannot_use(tags: dict[str, str], car: str, house: str) -> None:
    network = one_road(**tags)
    assert travel(network, CAR).why_not[0] == car
    assert travel(network, HOUSE).why_not[0] == house


def test_a_legal_height_of_default_depends_on_the_country() -> None:
    """4.3 m in Australia (read in secondary pages); 4.0 m in the European Union (Directive 96/53/EC, from memory)."""
    network = one_road(maxheight="default")
    assert travel(network, HOUSE, region="AU-NSW").usable.all()
    assert not travel(network, HOUSE, region="AD").usable.any()


def test_a_household_opens_its_own_gates_but_not_a_bollard() -> None:
    mine = RoadVehicle(
        name="car",
        mode="car",
        width_m=1.8,
        height_m=1.5,
        length_m=4.5,
        mass_kg=1800.0,
        power_w=1e5,
        opens_gates=frozenset({1}),
    )
    assert travel(one_road(access="private"), mine).usable.all()
    assert not travel(one_road(barrier="bollard"), mine).usable.any()
    open_road, gated = travel(one_road(), mine), travel(one_road(barrier="gate"), mine)
    assert gated.usable.all()
    assert gated.time_s[0] - open_road.time_s[0] == pytest.approx(60.0)
    assert any("gate" in sentence for sentence in gated.assumptions)


def test_one_way_streets_and_people_on_foot() -> None:
    network = one_road(oneway="yes")
    car, feet = travel(network, CAR), travel(network, FEET)
    assert car.why_not == ("", "one-way the other way")
    assert feet.usable.all()
    # 4 km/h (judgement): 1 km in 15 min; and Naismith 1892: an hour more for 600 m up
    assert along(feet) == pytest.approx(900.0)
    uphill = travel(network, FEET, grade=np.array([0.1, -0.1]))
    assert uphill.time_s.tolist() == pytest.approx([900.0 + 600.0, 900.0])
    assert travel(one_road(highway="motorway"), FEET).why_not[0] == "a motorway is closed to people on foot"
    assert travel(one_road(highway="steps"), FEET).usable.all()
    assert travel(one_road(foot="no"), FEET).why_not[0] == "foot=no"
    assert travel(one_road(barrier="gate"), FEET).usable.all()
    assert travel(one_road(access="private"), FEET).why_not[0] == "access=private"
    slow = RoadVehicle(name="with a child", mode="foot", speed_limit_m_s=0.5)
    assert along(travel(network, slow)) == pytest.approx(2000.0)


def test_a_merged_road_is_as_slow_and_narrow_as_its_worst_part() -> None:
    network = one_road(highway="primary|track", maxspeed="80|", surface="asphalt|gravel", maxheight="|4")
    result = travel(network, CAR)
    assert along(result) == pytest.approx(1000.0 / (15.0 / 3.6))
    assert not travel(network, HOUSE).usable.any()


@given(
    st.sampled_from(["primary", "track", "service", "path", "odd"]),
    st.sampled_from(["", "50", "walk", "junk", "0", "none"]),
    st.sampled_from(["", "gravel", "odd"]),
    st.sampled_from(["", "default", "3", "junk"]),
)
def test_no_edge_is_ever_without_a_time_or_a_reason(highway: str, maxspeed: str, surface: str, maxheight: str) -> None:
    network = one_road(highway=highway, maxspeed=maxspeed, surface=surface, maxheight=maxheight)
    for vehicle in (CAR, HOUSE, FEET):
        result = travel(network, vehicle, grade=np.array([0.05, -0.05]))
        assert not np.isnan(result.time_s).any()
        assert (np.isfinite(result.time_s) == result.usable).all()
        assert all((why == "") == bool(usable) for why, usable in zip(result.why_not, result.usable, strict=True))
        # nothing moves 1 km in under half a minute
        assert (result.time_s > 30.0).all()


def test_grades_of_another_network_are_refused() -> None:
    network = one_road()
    joined, _ = attach_points(network, [500.0], y_m=[0.0], names=["home"])
    with pytest.raises(InputError, match="attach homes and safe points first"):
        travel(joined, CAR, grade=np.zeros(network.edge_count))
    with pytest.raises(InputError, match="missing"):
        travel(network, CAR, grade=np.array([0.1, float("nan")]))


def test_vehicles_that_cannot_be_are_refused_with_all_their_faults() -> None:
    with pytest.raises(InputError) as caught:
        RoadVehicle(name="ghost", mode="tow", width_m=-1.0, height_m=40.0, mass_kg=0.0, power_w=float("nan"))
    assert len(caught.value.faults) == 4


def test_the_ways_a_household_has_to_open() -> None:
    """A gated drive, then a choice: a private short cut or the open road round it."""
    lines = [
        [(0.0, 0.0), (0.0, 50.0)],
        [(0.0, 50.0), (100.0, 50.0)],
        [(0.0, 50.0), (0.0, 500.0), (100.0, 500.0), (100.0, 50.0)],
        [(100.0, 50.0), (200.0, 50.0)],
    ]
    tags = [{"barrier": "gate", "highway": "service"}, {"access": "private"}, {}, {"barrier": "bollard"}]
    network = network_from_lines(lines, crs="EPSG:32755", tags=tags)
    corner, beyond = 2, 3
    assert ways_to_open(network, CAR, start=0, targets=corner) == (1,)
    assert ways_to_open(network, replace(CAR, opens_gates=frozenset({1})), start=0, targets=corner) == ()
    assert ways_to_open(network, CAR, start=0, targets=beyond) is None


@pytest.mark.parametrize(("region", "height_m", "passes"), [("AU", 4.2, True), ("AU", 4.4, False), ("GB", 4.4, True)])
def test_roads_without_a_posted_height_let_only_the_legal_height_pass(
    region: str, height_m: float, passes: bool
) -> None:
    """Legal heights: AU 4.3 m read in secondary pages; GB 5.03 m (16 ft 6 in, posted below that) from memory."""
    network = network_from_lines([[(0.0, 0.0), (500.0, 0.0)]], crs="EPSG:32755", tags=[{"highway": "tertiary"}])
    house = RoadVehicle(
        name="house", mode="tow", width_m=2.5, height_m=height_m, length_m=13.0, mass_kg=7000.0, power_w=150e3
    )
    found = travel(network, house, region=region)
    assert found.usable.tolist() == [passes, passes]
    if not passes:
        assert "no height is posted" in found.why_not[0]


def test_gates_on_an_edge_are_counted_and_grids_are_none() -> None:
    assert gate_count("gate|lift_gate=yes|cattle_grid") == 2


@pytest.mark.parametrize(
    ("surface", "tracktype", "value"),
    [
        ("asphalt", "", 0.015),
        ("", "", 0.015),
        ("gravel", "", 0.03),
        ("asphalt", "grade3", 0.03),
        ("sand|asphalt", "", 0.08),
        ("gravel", "grade5", 0.08),
    ],
)
def test_the_softest_ground_of_an_edge_sets_its_rolling_resistance(surface: str, tracktype: str, value: float) -> None:
    """Common practice, no source: 0.015 sealed, 0.03 loose, 0.08 soft."""
    assert rolling_resistance(surface, tracktype=tracktype) == value


@pytest.mark.parametrize(
    ("tags", "mode", "closed"),
    [
        ({"access": "private"}, "car", "access=private"),
        ({"access": "private", "motor_vehicle": "yes"}, "car", ""),
        ({"access": "yes", "trailer": "no"}, "tow", "trailer=no"),
        ({"access": "yes", "trailer": "no"}, "car", ""),
        ({"access": "private", "foot": "yes"}, "foot", ""),
        ({"motor_vehicle": "no"}, "foot", ""),
    ],
)
def test_the_most_particular_access_tag_rules(tags: dict[str, str], mode: str, closed: str) -> None:
    """OpenStreetMap's key page of access: a key for a kind of traveller overrides those above it."""
    assert access_closed(tags, mode=mode) == closed
