"""What rolls on the road for a plan, and which of its roads lead out."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from leaveby.ask.household import demo_folder, load_plan
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, prepare
from leaveby.decision.household.phases import last_exits_s
from leaveby.decision.ways.roads import GridSampler, candidate_routes, road_vehicle, roads_for
from leaveby.fire.terrain import Grid
from leaveby.household.plan_tables import Towing, Vehicle
from leaveby.roads.network.graph import csr
from leaveby.roads.routing.itinerary import street


@pytest.mark.parametrize(
    ("region", "asked_km_h", "towed_km_h"), [("AU-WA", 130.0, 100.0), ("AU-WA", 70.0, 70.0), ("AU-NSW", 130.0, 100.0)]
)
def test_the_lower_of_the_plans_and_the_published_towing_limit_holds(
    region: str, asked_km_h: float, towed_km_h: float
) -> None:
    """100 km/h towing in Western Australia, and in New South Wales above 4.5 t combined: read in secondary pages."""
    plan = load_plan(demo_folder() / "plan.toml")
    asked = replace(plan, towing=Towing(asked_km_h / 3.6), roads=replace(plan.roads, region=region))
    vehicle, _ = road_vehicle(asked, "tow")
    assert vehicle.mass_kg > 4500.0
    assert vehicle.speed_limit_m_s * 3.6 == pytest.approx(towed_km_h)


@pytest.mark.parametrize(
    ("region", "asked_km_h", "elsewhere_km_h", "motorway_km_h"),
    [("PT", 130.0, 70.0, 100.0), ("PT", 90.0, 70.0, 90.0), ("PT", 60.0, 60.0, None), ("AU-WA", 130.0, 100.0, None)],
)
def test_motorways_have_the_lower_of_the_plans_and_their_own_limit(
    region: str, asked_km_h: float, elsewhere_km_h: float, motorway_km_h: float | None
) -> None:
    """Portugal: 70 to 80 km/h towing, 100 on motorways: read in two caravan pages, the lower taken."""
    plan = load_plan(demo_folder() / "plan.toml")
    asked = replace(plan, towing=Towing(asked_km_h / 3.6), roads=replace(plan.roads, region=region))
    vehicle, _ = road_vehicle(asked, "tow")
    assert vehicle.speed_limit_m_s * 3.6 == pytest.approx(elsewhere_km_h)
    if motorway_km_h is None:
        assert vehicle.motorway_limit_m_s is None
    else:
        assert vehicle.motorway_limit_m_s is not None
        assert vehicle.motorway_limit_m_s * 3.6 == pytest.approx(motorway_km_h)


VAN = Vehicle("van", "car", width_m=2.1, height_m=2.6, length_m=6.0, mass_kg=3100.0, seats=3, power_kw=90.0)


def test_the_vehicle_on_the_road_is_car_and_house_together(valleys: ModuleType) -> None:
    """By hand: the widest and the highest of the two, lengths and masses added; mass between 2.4 and 5.4 t decides."""
    plan = valleys.side_valley().plan
    house = replace(valleys.HOUSE, width_m=1.7)
    vehicle, _ = road_vehicle(replace(plan, vehicles=(valleys.UTE, house)), "tow")
    assert (vehicle.width_m, vehicle.height_m) == (1.9, 4.0)
    assert vehicle.length_m == pytest.approx(5.4 + 8.4)
    assert vehicle.mass_kg == 2400.0 + 3000.0
    assert vehicle.power_w == 140_000.0
    low, _ = road_vehicle(replace(plan, vehicles=(valleys.UTE, replace(house, height_m=1.2, width_m=2.5))), "tow")
    assert (low.width_m, low.height_m) == (2.5, 1.9)
    # Neither is above 4.5 t alone, together they are: the limit for towing heavy in New South Wales holds.
    fast = replace(plan, towing=Towing(130.0 / 3.6), roads=replace(plan.roads, region="AU-NSW"))
    assert road_vehicle(fast, "tow")[0].speed_limit_m_s * 3.6 == pytest.approx(100.0)


def test_of_two_cars_the_one_that_fits_through_least_decides(valleys: ModuleType) -> None:
    plan = replace(valleys.side_valley().plan, vehicles=(valleys.UTE, VAN, valleys.HOUSE))
    assert road_vehicle(plan, "car")[0].name == "van"
    assert road_vehicle(plan, "tow")[0].name == "ute with the house"


@given(x=st.floats(0.0, 1000.0), y=st.floats(0.0, 600.0), seed=st.integers(0, 99))
def test_a_grid_is_read_between_its_centres_as_scipy_does(x: float, y: float, seed: int) -> None:
    grid = Grid(x_min_m=5000.0, y_max_m=9600.0, cell_m=100.0, rows=6, cols=10, crs="EPSG:32755")
    values = np.random.default_rng(seed).uniform(0.0, 500.0, grid.shape)
    centres_x, centres_y = 5050.0 + 100.0 * np.arange(10), 9050.0 + 100.0 * np.arange(6)
    peer = RegularGridInterpolator((centres_y, centres_x), values[::-1])
    spot = [(np.clip(9000.0 + y, 9050.0, 9550.0), np.clip(5000.0 + x, 5050.0, 5950.0))]
    found = GridSampler(grid, values)(np.array([5000.0 + x]), np.array([9000.0 + y]))
    assert found == pytest.approx(peer(spot), rel=1e-6, abs=1e-6)


def two_roads(valleys: ModuleType, **changes: Any) -> HouseholdInputs:
    """A short road west and a long one east, level, sealed, driven at 20 m/s: 100 s and 150 s."""
    home = (4000.0, 4050.0)
    given_: dict[str, Any] = {
        "home": home,
        "safe_points": (
            valleys.safe("the west", (2000.0, 4050.0), ("car",)),
            valleys.safe("the east", (7000.0, 4050.0), ("car",)),
        ),
        "ignitions": (valleys.point_fire((4050.0, 7850.0)),),
        "weather": valleys.steady(wind_km_h=0.0, wind_from_deg=0.0),
        "vehicles": (valleys.UTE,),
        "towing": None,
    }
    roads = {"West Road": [home, (2000.0, 4050.0)], "East Road": [home, (7000.0, 4050.0)]}
    return valleys.household(valleys.ground(8000.0, 8000.0, cell_m=100.0), roads, **{**given_, **changes})


def named(scenario: Scenario, name: str) -> np.ndarray:
    return np.array([street(scenario.network, edge) == name for edge in range(scenario.network.edge_count)])


def test_a_stretch_that_leaves_the_modelled_ground_is_no_way_out(valleys: ModuleType) -> None:
    scenario = prepare(two_roads(valleys))
    west = named(scenario, "West Road")
    found = roads_for(scenario, "car", inside=~west)
    assert np.isinf(found.travel.time_s[west]).all()
    assert not found.travel.usable[west].any()
    assert np.isfinite(found.travel.time_s[~west]).all()
    assert found.why_none == ""
    none = roads_for(scenario, "car", inside=np.zeros_like(west))
    assert "leaves the modelled area" in none.why_none


def test_a_place_of_last_resort_is_not_where_leaving_ends(valleys: ModuleType) -> None:
    west = valleys.safe("the west", (2000.0, 4050.0), ("car",), last_resort=True)
    east = valleys.safe("the east", (7000.0, 4050.0), ("car",))
    scenario = prepare(two_roads(valleys, safe_points=(west, east)))
    everywhere = np.ones(scenario.network.edge_count, dtype=bool)
    assert set(roads_for(scenario, "car", inside=everywhere).targets.values()) == {"the east"}


@pytest.mark.parametrize(
    ("shut_west_s", "shut_east_s", "last_s"),
    [
        (2000.0, 2000.0, 2000.0 - 600.0 - 100.0),  # The nearer end is left for later.
        (2000.0, 3000.0, 3000.0 - 600.0 - 150.0),
        (400.0, 300.0, 400.0 - 600.0 - 100.0),
        (np.inf, 300.0, np.inf),
    ],
)
def test_no_way_out_is_the_last_of_all_ways_with_the_margin_kept(
    valleys: ModuleType, shut_west_s: float, shut_east_s: float, last_s: float
) -> None:
    """By hand: the road shuts, 600 s margin, and the drive of 2 km or 3 km at 20 m/s."""
    scenario = prepare(two_roads(valleys))
    everywhere = np.ones(scenario.network.edge_count, dtype=bool)
    closing_s = np.where(named(scenario, "West Road"), shut_west_s, shut_east_s)
    car = roads_for(scenario, "car", inside=everywhere)
    walk = roads_for(scenario, "foot", inside=everywhere)
    assert walk.why_none
    found = last_exits_s(scenario, {"car": car, "foot": walk}, graph=csr(scenario.network), closing_s=closing_s)
    assert found == {"car": pytest.approx(last_s, abs=1.0), "foot": -np.inf}
    # A second, slower way never takes the first one's time away, in whatever order they stand.
    slow = replace(car, travel=replace(car.travel, time_s=2.0 * car.travel.time_s))
    for roads in ({"tow": slow, "car": car}, {"car": car, "tow": slow}):
        again = last_exits_s(scenario, roads, graph=csr(scenario.network), closing_s=closing_s)
        assert max(again.values()) == again["car"] == found["car"]
        assert again["tow"] < again["car"] or np.isinf(again["car"])


def test_a_long_way_round_is_timed_where_a_pilot_fire_favours_it(valleys: ModuleType) -> None:
    """400 m to the end, or 4.4 km round: eleven times as slow, so it is looked at only where the short road shuts."""
    home, end = (4000.0, 4050.0), (4400.0, 4050.0)
    inputs = valleys.household(
        valleys.ground(8000.0, 8000.0, cell_m=100.0),
        {"Short Road": [home, end], "Long Road": [home, (4000.0, 6050.0), (4400.0, 6050.0), end]},
        home=home,
        safe_points=(valleys.safe("the end", end, ("car",)),),
        ignitions=(valleys.point_fire((4050.0, 7850.0)),),
        weather=valleys.steady(wind_km_h=0.0, wind_from_deg=0.0),
        vehicles=(valleys.UTE,),
        towing=None,
    )
    scenario = prepare(inputs)
    everywhere = np.ones(scenario.network.edge_count, dtype=bool)
    car, graph = roads_for(scenario, "car", inside=everywhere), csr(scenario.network)
    closing_s = np.where(named(scenario, "Short Road"), 700.0, 5000.0)
    short, both = (["Short Road"], [20.0]), (["Short Road", "Long Road"], [20.0, 220.0])
    for pilots, (names, times_s) in (([], short), ([closing_s], both)):
        found = candidate_routes(scenario, car, graph=graph, pilot_closing_s=pilots)
        assert [{street(scenario.network, edge) for edge in one.edges} for one in found] == [{name} for name in names]
        assert [one.time_s for one in found] == pytest.approx(times_s, abs=1.0)
