"""Invented valleys, households and fires, small enough to be computed in a second, made in memory without any file.

Coordinates are metres from the south-west corner of the ground; nothing here is a real place.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.decision.fires.members import MemberFires, Members, draw_members
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.fire.fuel.zones import FuelMap, fuel_from_polygons, uniform_fuel
from leaveby.fire.terrain import Grid, Terrain
from leaveby.fire.weather.series import Weather, constant_weather
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import (
    DangerInput,
    FireInput,
    FuelInput,
    Home,
    IgnitionInput,
    Person,
    RoadsInput,
    SafePoint,
    Task,
    TerrainInput,
    Towing,
    Vehicle,
    Way,
    WeatherInput,
)
from leaveby.roads.network.graph import network_from_lines

CRS = "EPSG:32755"
WEST_M, SOUTH_M = 670_000.0, 6_000_000.0
START = datetime(2026, 1, 17, 12, 0, tzinfo=timezone(timedelta(hours=11)))
XY = tuple[float, float]

ASPHALT = {"highway": "secondary", "surface": "asphalt", "maxspeed": "80"}
"""Driven at nine tenths of what is posted: 72 km/h, 20 m/s."""

UTE = Vehicle("ute", "car", width_m=1.9, height_m=1.9, length_m=5.4, mass_kg=2400.0, seats=5, power_kw=140.0)
HOUSE = Vehicle("the house", "trailer", width_m=2.5, height_m=4.0, length_m=8.4, mass_kg=3000.0, towed_by="ute")
INES = Person("Ines", can=("lift", "drive", "tow"))
BO = Person("Bo", can=("lift", "drive"))


def lon_lat(spot: XY) -> XY:
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_degrees.transform(WEST_M + spot[0], SOUTH_M + spot[1])
    return float(lon_deg), float(lat_deg)


def placed(line: list[XY]) -> list[XY]:
    return [(WEST_M + x_m, SOUTH_M + y_m) for x_m, y_m in line]


def ground(width_m: float, height_m: float, *, cell_m: float) -> Grid:
    return Grid(
        x_min_m=WEST_M,
        y_max_m=SOUTH_M + height_m,
        cell_m=cell_m,
        rows=round(height_m / cell_m),
        cols=round(width_m / cell_m),
        crs=CRS,
    )


def centres(grid: Grid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres of the cells, metres from the south-west corner."""
    x_m = (np.arange(grid.cols) + 0.5) * grid.cell_m
    y_m = (grid.rows - np.arange(grid.rows) - 0.5) * grid.cell_m
    return np.broadcast_to(x_m, grid.shape), np.broadcast_to(y_m[:, None], grid.shape)


def steady(
    *, wind_km_h: float, wind_from_deg: float, hours: int = 12, hot_c: float = 38.0, dry: float = 12.0
) -> Weather:
    return constant_weather(
        START,
        air_temperature_c=hot_c,
        relative_humidity_percent=dry,
        wind_speed_m_s=wind_km_h / 3.6,
        wind_from_deg=wind_from_deg,
        drought_factor=10.0,
        curing_percent=100.0,
        hours=hours,
    )


def turned(weather: Weather, *, after_s: float, wind_from_deg: float, wind_factor: float = 1.0) -> Weather:
    """The same weather with a wind change."""
    later = weather.time_s >= after_s
    speed_m_s, from_deg = weather.wind_speed_m_s.copy(), weather.wind_from_deg.copy()
    speed_m_s[later] *= wind_factor
    from_deg[later] = wind_from_deg
    return replace(weather, wind_speed_m_s=speed_m_s, wind_from_deg=from_deg)


def point_fire(spot: XY, *, after_min: float = 0.0, **more: Any) -> IgnitionInput:
    return IgnitionInput(
        f"strike at {spot[0]:.0f} {spot[1]:.0f}", START + timedelta(minutes=after_min), (lon_lat(spot),), **more
    )


def line_fire(*spots: XY, after_min: float = 0.0, **more: Any) -> IgnitionInput:
    return IgnitionInput("line", START + timedelta(minutes=after_min), tuple(lon_lat(spot) for spot in spots), **more)


def task(name: str, shortest: float, likely: float, longest: float, ways: tuple[Way, ...], **more: Any) -> Task:
    """A task, in minutes."""
    return Task(name, ways, 60.0 * shortest, 60.0 * likely, 60.0 * longest, **more)


EVERY: tuple[Way, ...] = ("tow", "car", "foot")
TASKS = (
    task("gather papers and water", 3, 6, 14, EVERY),
    task("pack the car", 4, 8, 18, ("tow", "car"), after=("gather papers and water",)),
    task("refit the wheels", 12, 18, 35, ("tow",), hands=2, needs=("lift",)),
    task("hitch the house", 4, 7, 15, ("tow",), hands=2, after=("refit the wheels", "pack the car")),
)


def safe(name: str, spot: XY, ways: tuple[Way, ...] = EVERY, *, last_resort: bool = False) -> SafePoint:
    lon_deg, lat_deg = lon_lat(spot)
    return SafePoint(name, lon_deg, lat_deg, "place_of_last_resort" if last_resort else "safe_point", ways)


def household(
    grid: Grid,
    roads: dict[str, list[XY]],
    *,
    home: XY,
    safe_points: tuple[SafePoint, ...],
    ignitions: tuple[IgnitionInput, ...],
    weather: Weather,
    fuel: FuelMap | str = "dry eucalypt forest",
    tags: dict[str, dict[str, str]] | None = None,
    elevation_m: NDArray[np.float64] | None = None,
    **changes: Any,
) -> HouseholdInputs:
    """Make the inputs of a plan that no file holds; `changes` go to the plan."""
    lon_deg, lat_deg = lon_lat(home)
    plan = Plan(
        name="An invented household",
        confidence=0.95,
        margin_s=600.0,
        members=200,
        seed=11,
        horizon_s=6 * 3600.0,
        durations="beta_pert",
        home=Home(lon_deg, lat_deg),
        people=(INES, BO),
        tasks=TASKS,
        safe_points=safe_points,
        roads=RoadsInput(Path("roads.osm"), standoff_m=100.0, smoke_lead_s=600.0),
        terrain=TerrainInput(Path("terrain.tif")),
        fuel=FuelInput(type="dry eucalypt forest"),
        weather=WeatherInput(Path("weather.csv")),
        fire=FireInput(models=("dry_eucalypt", "mark5")),
        danger=DangerInput(scale="own"),
        ignitions=ignitions,
        vehicles=(UTE, HOUSE),
        towing=Towing(70.0 / 3.6),
    )
    names = list(roads)
    return HouseholdInputs(
        plan=replace(plan, **changes),
        terrain=Terrain(grid, np.zeros(grid.shape) if elevation_m is None else elevation_m),
        fuel=uniform_fuel(grid, fuel) if isinstance(fuel, str) else fuel,
        weather=weather,
        network=network_from_lines(
            [placed(roads[name]) for name in names],
            crs=CRS,
            names=names,
            tags=[(tags or {}).get(name, ASPHALT) for name in names],
        ),
        assumptions=(),
        record={},
    )


# --- five fires and five ways to meet them -------------------------------------------------------------------------

SIDE_VALLEY = {
    "Sallow Lane": [(1500.0, 3300.0), (3500.0, 3300.0)],
    "Tannery Road": [(3500.0, 3300.0), (3500.0, 1500.0), (7500.0, 1000.0)],
    "Quarrel Road": [(3500.0, 3300.0), (5600.0, 5500.0), (7500.0, 5700.0)],
}
FLAT = safe("Quarrel Flat", (7500.0, 5700.0))
FORD = safe("Tannery Ford", (7500.0, 1000.0))


def side_valley(**changes: Any) -> HouseholdInputs:
    """A lane out of a side valley, then two roads; a fire from the north-west on a strong wind."""
    given: dict[str, Any] = {
        "home": (1500.0, 3300.0),
        "safe_points": (FLAT, FORD),
        "ignitions": (point_fire((700.0, 7600.0)),),
        "weather": steady(wind_km_h=30.0, wind_from_deg=330.0, hot_c=32.0, dry=20.0),
    }
    return household(ground(8000.0, 8000.0, cell_m=100.0), SIDE_VALLEY, **{**given, **changes})


def grass_line(**changes: Any) -> HouseholdInputs:
    """Grass before forest, and a fire that starts somewhere along a line in the west."""
    from shapely import box

    grid = ground(8000.0, 8000.0, cell_m=100.0)
    shapes = [box(WEST_M, SOUTH_M, WEST_M + 2500.0, SOUTH_M + 8000.0)]
    forest = box(*grid.bounds_m).difference(shapes[0])
    fuel = fuel_from_polygons(grid, [*shapes, forest], classes=["natural grassland", "dry eucalypt forest"])
    given: dict[str, Any] = {
        "fuel": fuel,
        "ignitions": (line_fire((300.0, 4200.0), (300.0, 7000.0), somewhere=True),),
        "weather": steady(wind_km_h=15.0, wind_from_deg=290.0, hot_c=28.0, dry=30.0),
    }
    return side_valley(**{**given, **changes})


def two_fronts(**changes: Any) -> HouseholdInputs:
    """A fire on either side, the second later, and a wind change between them."""
    given: dict[str, Any] = {
        "ignitions": (point_fire((5200.0, 7700.0)), point_fire((6000.0, 300.0), after_min=50.0)),
        "weather": turned(
            steady(wind_km_h=20.0, wind_from_deg=350.0, hot_c=30.0, dry=25.0), after_s=7200.0, wind_from_deg=200.0
        ),
    }
    return side_valley(**{**given, **changes})


def heath_on_foot(**changes: Any) -> HouseholdInputs:
    """Heath on a hillside, a breeze, nothing that drives: on foot to the beach."""
    grid = ground(5400.0, 5400.0, cell_m=60.0)
    x_m, y_m = centres(grid)
    given: dict[str, Any] = {
        "home": (2300.0, 2000.0),
        "safe_points": (safe("the beach", (2300.0, 400.0)),),
        "ignitions": (point_fire((400.0, 5000.0)),),
        "weather": steady(wind_km_h=12.0, wind_from_deg=330.0, hot_c=26.0, dry=35.0),
        "fuel": "heath",
        "elevation_m": 0.08 * y_m + 0.02 * x_m,
        "vehicles": (),
        "towing": None,
        "tasks": tuple(replace(one, ways=("foot",), after=()) for one in TASKS[:1]),
        "tags": {"Beach Track": {"highway": "track"}},
    }
    return household(
        grid, {"Beach Track": [(2300.0, 2000.0), (2000.0, 1200.0), (2300.0, 400.0)]}, **{**given, **changes}
    )


def seen_late(**changes: Any) -> HouseholdInputs:
    """A slow fire in an easterly that may have burnt unseen for half an hour before it was reported."""
    weather = steady(wind_km_h=16.0, wind_from_deg=80.0, hot_c=28.0, dry=30.0)
    given: dict[str, Any] = {
        "ignitions": (point_fire((7800.0, 3600.0), unseen_up_to_s=1800.0),),
        "weather": replace(weather, start=START - timedelta(hours=1)),
    }
    return side_valley(**{**given, **changes})


SCENARIOS = {
    "a strong north-westerly and a point": side_valley,
    "grass before forest and somewhere on a line": grass_line,
    "two fronts and a wind change": two_fronts,
    "heath, a hill and on foot": heath_on_foot,
    "a slow fire that was seen late": seen_late,
}


def members_with(closing_s: NDArray[np.float64]) -> Members:
    """Members that drive as computed, with given closings."""
    count = closing_s.shape[0]
    draws = replace(draw_members(count, seed=1), drive_factor=np.ones(count))
    fires = MemberFires(closing_s, point_arrival_s=np.full((count, 1), np.inf), ember_s=np.full(count, np.inf))
    return Members(draws, fires, {edge: edge for edge in range(closing_s.shape[1])})
