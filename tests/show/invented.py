"""An invented place, household and answer for the tests of what is shown: nothing here is computed by a model room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import Transformer
from shapely.geometry import LineString, MultiPolygon, Point, box

from leaveby.decision.household.phases import phases
from leaveby.decision.ways.result import (
    FireSummary,
    HangsOn,
    HourShare,
    HouseholdResult,
    Phases,
    Precision,
    Quantiles,
    Rule,
    Rules,
    TaskCost,
    TimetableRow,
    TriggerLine,
    WayOutArea,
    WayRoute,
    WayTiming,
    WhatIf,
)
from leaveby.decision.ways.timing import NO_FIRE
from leaveby.fire.arrival.solve import Arrival
from leaveby.fire.terrain import Grid, Terrain
from leaveby.fire.weather.ratings import HeldRule, RatedDay
from leaveby.fire.weather.series import constant_weather
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import (
    FireInput,
    FuelInput,
    Home,
    IgnitionInput,
    Person,
    RoadsInput,
    SafePoint,
    Task,
    TerrainInput,
    Vehicle,
    WeatherInput,
)
from leaveby.household.readiness import Saving, schedule_for
from leaveby.household.shelter import LastResort, Place, last_resort
from leaveby.roads.network.graph import TAGS, RoadNetwork
from leaveby.roads.routing.itinerary import route_along

CRS = "EPSG:32755"
ZONE = timezone(timedelta(hours=11))
START = datetime(2026, 1, 17, 12, 40, tzinfo=ZONE)
MADE_AT = datetime(2025, 11, 3, 9, 15, 30, tzinfo=ZONE)
GRID = Grid(x_min_m=670_000.0, y_max_m=6_006_000.0, cell_m=50.0, rows=200, cols=200, crs=CRS)
LONG_NAME = "Extraordinarily Long and Winding Old Wool Carters' Road to the Upper Sallow Spur and Beyond " * 4

HOME = (674_000.0, 6_001_500.0)
FLAT = (677_600.0, 5_998_200.0)
HALL = (672_600.0, 5_999_600.0)
FIRE = (672_300.0, 6_005_000.0)


def lon_lat(x_m: float, y_m: float) -> tuple[float, float]:
    lon_deg, lat_deg = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(x_m, y_m)
    return float(lon_deg), float(lat_deg)


def invented_plan(**changes: Any) -> Plan:
    tasks = (
        Task("refit the wheels", ("tow",), 1500.0, 2400.0, 4800.0, hands=2, needs=("lift",)),
        Task("fold the skirts", ("tow",), 300.0, 600.0, 900.0),
        Task("release the tie-downs", ("tow",), 600.0, 900.0, 1800.0, after=("refit the wheels",)),
        Task("disconnect gas and power", ("tow", "shelter"), 240.0, 360.0, 600.0),
        Task("drain the water", ("tow",), 600.0, 900.0, 1200.0),
        Task("hitch and check the lights", ("tow",), 600.0, 900.0, 1800.0, hands=2, after=("release the tie-downs",)),
        Task("close the shutters", ("shelter", "car"), 40.0, 60.0, 120.0),
        Task("bags and papers", ("tow", "car", "foot"), 300.0, 600.0, 900.0),
        Task("load the two goats", ("tow", "car"), 300.0, 600.0, 1500.0, needs=("lift",)),
    )
    people = (Person("Ines", ("lift", "drive", "tow")), Person("Bo", ("lift", "drive")), Person("Wren (child)"))
    plan = Plan(
        name="The Tolmer-Okafor place, 63 Sallow Spur Road",
        confidence=0.95,
        margin_s=600.0,
        members=500,
        seed=20260117,
        horizon_s=8 * 3600.0,
        durations="beta_pert",
        home=Home(*lon_lat(*HOME)),
        people=people,
        tasks=tasks,
        safe_points=(
            SafePoint("Quarrel Flat showground", *lon_lat(*FLAT), kind="safe_point", ways=("tow", "car")),
            SafePoint("Sallow hall oval", *lon_lat(*HALL), kind="place_of_last_resort", ways=("car", "foot")),
        ),
        roads=RoadsInput(Path("roads.osm"), standoff_m=100.0, smoke_lead_s=600.0),
        terrain=TerrainInput(Path("terrain.tif")),
        fuel=FuelInput(type="dry eucalypt forest"),
        weather=WeatherInput(Path("weather.csv")),
        fire=FireInput(models=("dry_eucalypt", "mark5")),
        ignitions=(IgnitionInput("Lightning on Tannery Ridge", START, (lon_lat(*FIRE),)),),
        vehicles=(
            Vehicle("ute", "car", 1.9, 1.9, 5.4, 2400.0, seats=5),
            Vehicle("the house", "trailer", 2.5, 4.2, 8.4, 3400.0, towed_by="ute"),
        ),
    )
    return replace(plan, **changes)


def invented_terrain() -> Terrain:
    rows, cols = np.mgrid[0 : GRID.rows, 0 : GRID.cols].astype(np.float64)
    ridge = 260.0 * np.exp(-(((cols - 0.55 * rows - 40.0) / 26.0) ** 2))
    waves = 70.0 * np.sin(cols / 13.0) * np.cos(rows / 17.0) + 35.0 * np.sin((cols + 2 * rows) / 9.0)
    return Terrain(grid=GRID, elevation_m=620.0 + ridge + waves - 0.6 * rows)


def invented_network(*, street: str = "Sallow Spur Road") -> RoadNetwork:
    """A winding spur from the home, a valley road, and a small block of streets at its foot; two directions each."""
    spur = [
        HOME,
        (674_350.0, 6_001_250.0),
        (674_500.0, 6_000_800.0),
        (675_000.0, 6_000_500.0),
        (675_050.0, 5_999_900.0),
    ]
    stretches: list[tuple[list[tuple[float, float]], str, str]] = [
        (spur[:3], street, "residential"),
        (spur[2:], street, "residential"),
        (
            [(675_050.0, 5_999_900.0), (675_600.0, 5_999_300.0), (676_300.0, 5_999_100.0)],
            "Tannery Lane",
            "unclassified",
        ),
        ([(676_300.0, 5_999_100.0), (677_000.0, 5_998_700.0), FLAT], "Valley Road", "secondary"),
        ([(676_300.0, 5_999_100.0), (677_400.0, 5_999_900.0), (679_000.0, 6_000_700.0)], "Valley Road", "secondary"),
        ([HOME, (673_300.0, 6_000_700.0), HALL], "Old Hall Track", "track"),
        ([HOME, (674_100.0, 6_002_300.0), (673_600.0, 6_003_100.0)], "Sallow Spur Road", "residential"),
        ([HALL, (674_000.0, 5_999_400.0), (675_050.0, 5_999_900.0)], "Hall Road", "tertiary"),
    ]
    for block in range(4):
        west = 675_700.0 + 260.0 * block
        name = f"{['First', 'Second', 'Third', 'Fourth'][block]} Row"
        stretches.append(([(west, 5_998_900.0), (west + 60.0, 5_998_200.0)], name, "residential"))
    lines, names, classes, tails, heads, twins = [], [], [], [], [], []
    nodes: dict[tuple[float, float], int] = {}
    for points, name, kind in stretches:
        first, last = (nodes.setdefault(points[end], len(nodes)) for end in (0, -1))
        for direction in (1, -1):
            lines.append(LineString(points[::direction]))
            names.append(name)
            classes.append(kind)
            tails.append(first if direction == 1 else last)
            heads.append(last if direction == 1 else first)
            twins.append(len(twins) + direction)
    count = len(lines)
    tags = dict.fromkeys(TAGS, ("",) * count) | {"name": tuple(names), "highway": tuple(classes)}
    geometry = np.empty(count, dtype=object)
    geometry[:] = lines
    x_m, y_m = np.array(list(nodes), dtype=np.float64).T
    return RoadNetwork(
        crs=CRS,
        node_id=np.arange(1, len(nodes) + 1, dtype=np.int64),
        x_m=x_m,
        y_m=y_m,
        tail=np.array(tails, dtype=np.int32),
        head=np.array(heads, dtype=np.int32),
        length_m=np.array([line.length for line in lines]),
        geometry=geometry,
        way_id=np.arange(100, 100 + count, dtype=np.int64),
        twin=np.array(twins, dtype=np.int32),
        foot_only=np.zeros(count, dtype=np.bool_),
        assumptions=(),
        **tags,
    )


def invented_arrival() -> Arrival:
    """A fire that runs to the south-east as an ellipse, with a river that stops it in the east."""
    rows, cols = np.mgrid[0 : GRID.rows, 0 : GRID.cols].astype(np.float64)
    east = GRID.x_min_m + (cols + 0.5) * GRID.cell_m - FIRE[0]
    north = GRID.y_max_m - (rows + 0.5) * GRID.cell_m - FIRE[1]
    along, across = (0.55 * east - 0.835 * north), (0.835 * east + 0.55 * north)
    ahead_m_s, focus = 0.62, 0.88
    time_s = (np.sqrt(along**2 + across**2 * 4.2) - focus * along) / (ahead_m_s * (1.0 - focus))
    time_s = np.where((along < 0) & (time_s > 20_000.0), np.inf, time_s)
    time_s = np.where((time_s > 8 * 3600.0) | (east > 7_500.0), np.inf, time_s)
    return Arrival(GRID, time_s, burnable=np.ones(GRID.shape, dtype=bool), horizon_s=8 * 3600.0)


SPOT = box(674_000.0, 5_999_000.0, 674_100.0, 5_999_100.0)


def invented_route(network: RoadNetwork, edges: tuple[int, ...], safe_point: str, closing_s: Any) -> WayRoute:
    found = route_along(
        network,
        edges,
        start=int(network.tail[edges[0]]),
        travel_time_s=network.length_m / (1.2 if safe_point == "Sallow hall oval" else 9.0),
        closing_s=closing_s,
        margin_s=600.0,
    )
    line = LineString([point for edge in edges for point in network.geometry[edge].coords])
    return WayRoute(
        safe_point,
        found.edges,
        found.length_m,
        found.time_s,
        found.steps,
        line,
        found.closes_first,
        found.closes_first_s,
    )


def invented_phases(way: WayTiming, *, ready_s: float) -> Phases:
    """Worked out from the way's own members, each of which gets ready in the same time."""
    departures_s = way.member_latest_start_s + ready_s
    return phases(
        departures_s,
        departures_s,
        start_by_s=-np.inf if way.latest_start_s is None else way.latest_start_s,
        roll_by_s=-np.inf if way.latest_departure_s is None else way.latest_departure_s,
        central_exit_s=-np.inf,
        start=START,
    )


def invented_shelter(plan: Plan, *, leaving_ends_s: float) -> LastResort:
    rng = np.random.default_rng(3)
    front_s = 6000.0 + rng.gamma(4.0, 1200.0, size=500)
    return last_resort(
        plan,
        shelter_ready_s=rng.uniform(400.0, 900.0, size=500),
        ember_arrival_s=front_s - 1800.0,
        front_arrival_s=front_s,
        leaving_ends_s=leaving_ends_s,
        heat_kw_m2=16.4,
        places=(Place("Sallow hall oval", "foot", 2400.0, 2000.0, 6100.0),),
    )


def invented_way(
    plan: Plan, way: str, route: WayRoute | None, *, ready_s: float, spread_s: float, leave_by_s: float, why: str = ""
) -> WayTiming:
    rng = np.random.default_rng(7)
    drive_s = route.time_s if route is not None else np.inf
    latest = np.sort(leave_by_s + rng.gamma(4.0, spread_s, size=500)) if route is not None else np.full(500, -np.inf)
    start_s = np.arange(-3600.0, 5 * 3600.0, 300.0)
    clear = 1.0 - np.searchsorted(latest, start_s, side="left") / latest.size
    start = float(np.sort(latest)[25]) if route is not None else None

    def spread(middle_s: float) -> Quantiles:
        return Quantiles(middle_s, middle_s * 1.25, middle_s * 1.4)

    schedule = schedule_for(plan, way)  # type: ignore[arg-type]
    return WayTiming(
        way=way,
        ready_s=spread(ready_s),
        drive_s=spread(drive_s),
        required_s=spread(ready_s + drive_s),
        ready_at_confidence_s=ready_s * 1.4,
        ready_rounded_up_s=0.0,
        latest_start_s=start,
        latest_departure_s=None if start is None else start + ready_s,
        why=why,
        fits=route is not None,
        route=route,
        start_s=start_s,
        clear_probability=clear,
        member_latest_start_s=latest,
        member_latest_departure_s=latest + ready_s,
        member_ready_s=np.full(latest.size, ready_s),
        schedule=schedule,
        critical_share={name: (0.97 if name in schedule.critical else 0.04) for name in schedule.tasks},
        held_up_by={},
        savings=tuple(
            Saving(name, saved_s, ready_s - saved_s)
            for name, saved_s in zip(schedule.critical, (2700.0, 1200.0, 900.0, 30.0), strict=False)
        ),
        precision=Precision(
            500, 500, latest[20] if route is not None else -np.inf, latest[30] if route is not None else -np.inf
        ),
        delay_cost=0.03,
        task_costs=tuple(TaskCost(name, 600.0) for name in schedule.critical),
        hangs_on=(HangsOn("how fast the fire runs in its fuel", 0.8), HangsOn("wind speed", 0.1)),
    )


def invented_triggers() -> tuple[TriggerLine, ...]:
    lines = []
    for way, ready_s, reach_m in (("tow", 5400.0, 2900.0), ("car", 1500.0, 1500.0)):
        area = shapely.affinity.rotate(
            shapely.affinity.scale(Point(HOME).buffer(reach_m), 0.7, 1.0), 25.0, origin=HOME
        ).union(LineString([HOME, (675_050.0, 5_999_900.0), (676_300.0, 5_999_100.0), FLAT]).buffer(reach_m * 0.4))
        bearings = tuple((number * 22.5, reach_m if number not in (4, 5) else np.inf) for number in range(16))
        lines.append(TriggerLine(way, 0.95, ready_s, MultiPolygon([area]), bearings))
    return tuple(lines)


def invented_rules(
    *,
    before: Sequence[str] = (),
    today: str | None = "Extreme",
    lines: Sequence[TriggerLine] | None = None,
    held: HeldRule | None = None,
    milder: str = "Extreme",
    landmark: str = "Ferry Lane",
) -> Rules:
    """Rules for two ratings; on days of the milder one, ways in `before` go the evening before."""
    weather = constant_weather(
        START, air_temperature_c=38.0, relative_humidity_percent=12.0, wind_speed_m_s=12.0, wind_from_deg=315.0
    )
    days = (
        RatedDay(milder, weather, 74.0, leave=False, told="Take action now.", said=()),
        RatedDay("Catastrophic", weather, 120.0, leave=True, told="Leave bushfire risk areas.", said=()),
    )
    found = {}
    for day in days:
        for late in invented_triggers() if lines is None else lines:
            away = day.leave or late.way in before
            share, verdict = (0.34, "evening before") if away else (0.021, "on word of fire")
            reach = [shapely.buffer(part, 400.0) for part in late.area.geoms]
            found[day.name, late.way] = Rule(
                rating=day.name,
                way=late.way,
                verdict=verdict,
                told=day.leave,
                share=share,
                hours=(HourShare(10, 16, share, verdict), HourShare(16, 34, 0.01, "on word of fire")),
                go=replace(late, ready_s=late.ready_s + 3000.0, area=MultiPolygon(reach)),
                late=late,
                go_cells=np.ones(GRID.shape, dtype=bool),
                late_cells=np.ones(GRID.shape, dtype=bool),
                equal_cells=np.ones((1, *GRID.shape), dtype=bool),
                lead_s=invented_arrival().time_s - late.ready_s,
                landmarks=(f"Fire at or past {landmark}: no towing.",) if late.way == "tow" else (),
                beyond=False,
                ways_out=()
                if late.way == "tow"
                else (WayOutArea(("Quarrel Flat showground",), MultiPolygon([SPOT]), "Fire here: the showground."),),
                sentence=f"On a day rated {day.name}, the rule {late.way}.",
            )
    assumed = ("Rules take fire to start anywhere.",)
    return Rules(days, found, today, GRID, 25_000.0, 0.05, assumed, held or HeldRule(today))


def invented_result(*, street: str = "Sallow Spur Road", name: str | None = None, **changes: Any) -> HouseholdResult:
    plan = invented_plan() if name is None else invented_plan(name=name)
    network = invented_network(street=street)
    arrival = invented_arrival()
    closing_s = np.array(
        [
            min(
                float(arrival.time_s[int((GRID.y_max_m - y_m) // 50.0), int((x_m - GRID.x_min_m) // 50.0)])
                for x_m, y_m in line.segmentize(50.0).coords
            )
            - 900.0
            for line in network.geometry
        ]
    )
    out = invented_route(network, (0, 2, 4, 6), "Quarrel Flat showground", closing_s)
    track = invented_route(network, (10,), "Sallow hall oval", closing_s)
    ways = {
        "tow": invented_way(plan, "tow", out, ready_s=4600.0, spread_s=700.0, leave_by_s=-900.0),
        "car": invented_way(plan, "car", out, ready_s=1300.0, spread_s=700.0, leave_by_s=2700.0),
        "foot": invented_way(plan, "foot", track, ready_s=600.0, spread_s=500.0, leave_by_s=1500.0),
    }
    ready_s = {"tow": 4600.0, "car": 1300.0, "foot": 600.0}
    found = {name: invented_phases(way, ready_s=ready_s[name]) for name, way in ways.items()}
    last = max(found.values(), key=lambda one: one.shut_from_s)
    result = HouseholdResult(
        plan=plan,
        start=START,
        ways=ways,
        fire=FireSummary(
            arrival=arrival,
            home_p05_s=7000.0,
            home_p50_s=9100.0,
            ember_home_p05_s=5200.0,
            head_ros_m_s=3.1,
            governing=((0.0, "dry_eucalypt", 2.2), (1800.0, "dry_eucalypt", 3.1), (3600.0, "mark5", 1.9)),
        ),
        rules=invented_rules(),
        shelter=invented_shelter(plan, leaving_ends_s=last.shut_from_s),
        what_ifs=(
            WhatIf(
                "as forecast, dry eucalypt forest equation alone",
                3.1,
                {"tow": 900.0, "car": 4100.0, "foot": 2800.0},
                {},
                {"tow": -300.0, "car": -120.0, "foot": 0.0},
            ),
            WhatIf("as forecast, Mark 5 equation alone", 1.9, {"tow": 3900.0, "car": 7300.0, "foot": 6000.0}, {}, {}),
            WhatIf("12 km/h by hand", 12.0 / 3.6, {"tow": 500.0, "car": 3800.0, "foot": 2500.0}, {}, {}),
            WhatIf(
                "50 km/h by hand",
                50.0 / 3.6,
                {"tow": None, "car": None, "foot": None},
                dict.fromkeys(ways, "too late before the fire starts"),
                dict.fromkeys(ways),
            ),
        ),
        timetable=(
            TimetableRow(300.0, "tow", "From 12:45 there is no towing: leave the house behind."),
            TimetableRow(4000.0, "car", "From 13:45 it is too late to start getting ready to go by car."),
            TimetableRow(5200.0, "fire", "From 14:05 embers can fall on your home."),
        ),
        assumptions=(
            "The drought factor was not given: 10, the driest, was used.",
            "Every stretch counts as shut once fire is within 100 m of any part of it, and 10 minutes before that.",
            "Streets without a posted speed were given the usual one of their class.",
            "A fire from a point is taken to run at full speed from its first minute.",
        ),
        outside_validity=("Mark 5 was used beyond the winds it was measured in (60 km/h against 50).",),
        network=network,
        closing_s=closing_s,
        home_xy_m=HOME,
        safe_point_xy_m={"Quarrel Flat showground": FLAT, "Sallow hall oval": HALL},
        terrain=invented_terrain(),
        members=500,
        inputs={"leaveby": "0.1.0", "seed": "20260117", "roads": "sha256:0f"},
        phases=last,
        way_phases=found,
    )
    return replace(result, **changes)


def on_level_ground(result: HouseholdResult) -> HouseholdResult:
    """The same answer of a plan that has no heights."""
    return replace(result, plan=replace(result.plan, terrain=TerrainInput(flat=True)))


def without_fire(result: HouseholdResult) -> HouseholdResult:
    """The same household with a plan that names no fire, as the decision room answers for it."""
    plan = replace(result.plan, ignitions=())
    never = np.full(500, np.inf)
    ways = {
        name: replace(
            way,
            latest_start_s=None,
            latest_departure_s=None,
            why=NO_FIRE,
            route=None if way.route is None else replace(way.route, closes_first="", closes_first_s=np.inf),
            start_s=np.array([0.0]),
            clear_probability=np.array([1.0]),
            member_latest_start_s=never,
            member_latest_departure_s=never,
            precision=Precision(500, 0, np.inf, np.inf),
            delay_cost=0.0,
            task_costs=(),
            hangs_on=(),
        )
        for name, way in result.ways.items()
    }
    open_ended = Phases(np.inf, np.inf, 0.0, np.inf)
    shelter = last_resort(
        plan,
        shelter_ready_s=np.full(500, 500.0),
        ember_arrival_s=never,
        front_arrival_s=never,
        leaving_ends_s=np.inf,
        places=(Place("Sallow hall oval", "foot", 2400.0, 2000.0, np.inf),),
    )
    return replace(
        result,
        plan=plan,
        ways=ways,
        fire=None,
        shelter=shelter,
        what_ifs=(),
        timetable=(),
        closing_s=np.full(result.closing_s.size, np.inf),
        phases=open_ended,
        way_phases=dict.fromkeys(ways, open_ended),
    )
