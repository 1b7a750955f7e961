"""The district's question, from its file to its answer: reads what it names, makes the roads ready, runs the fires."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from leaveby.ask.district_file import DistrictFile, read_file
from leaveby.ask.household import file_record, read_inputs
from leaveby.ask.many_fires import Progress, run_fires
from leaveby.decision.district.fires import FireKit, StartsOfFires, Variant, starts_in, street_rows
from leaveby.decision.district.queues import Queues, SettingOut, queues_of
from leaveby.decision.district.result import DistrictQuestion, DistrictSurvey, HelpAsked, Need, RatingAsked
from leaveby.decision.district.roads import (
    DistrictRoads,
    drives_s,
    free_drive_s,
    homes_in,
    streets_of_homes,
    stretch_lines,
)
from leaveby.decision.district.summary import survey_of
from leaveby.decision.district.variants import link_variant, made_ready, second_exits
from leaveby.decision.fires.closing import stretch_cells
from leaveby.decision.fires.members import MORNINGS, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, bridged, prepare, ratings_days
from leaveby.decision.rules.rules import weather_at
from leaveby.decision.rules.too_near import learning_times_s
from leaveby.decision.ways.roads import GridSampler, road_vehicle
from leaveby.decision.ways.timing import readiness_of
from leaveby.errors import Faults, InputError, refused
from leaveby.files.read.district_shape import LEARNS
from leaveby.files.read.grids import AREA_BUFFER_M, read_starts
from leaveby.files.read.homes import read_homes
from leaveby.fire.fuel.zones import FuelMap
from leaveby.fire.spread.series import FireChoice, SpreadZones, check_models
from leaveby.fire.terrain import Grid, cell_of, gradients
from leaveby.fire.weather.ratings import RatedDay
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import Home, Person, ThreePoints
from leaveby.household.sampling import sample_arrivals
from leaveby.parameters import TRAILER_AS_CARS
from leaveby.regions import table
from leaveby.roads.exits.homes import NOT_PLACED, Homes, place_homes
from leaveby.roads.exits.places import exits_at
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.grades import edge_grades
from leaveby.roads.network.graph import utm_crs
from leaveby.roads.vehicle.travel import travel

_POINTS = 2000


@dataclass(frozen=True, eq=False)
class District:
    """A district made ready: the question, and what its fires need."""

    question: DistrictQuestion
    kit: FireKit


def survey_district(
    district: District | str | Path,
    *,
    workers: int | None = 1,
    scheduler: str | None = None,
    folder: Path | None = None,
    progress: Progress | None = None,
) -> DistrictSurvey:
    """Answer the district's question, or that in a file.

    Parameters
    ----------
    workers : int, optional
        Processes that run fires; with 1 this one runs them, with None as many as there are processors. The answer
        depends neither on their number nor on what becomes of them.
    scheduler : str, optional
        Address of a Dask scheduler whose workers run them instead.
    folder : Path, optional
        Where what each fire leaves behind is kept until the answer is there, so that a run that was stopped goes on;
        in memory when left out.
    progress : callable, optional
        Called with (done, total, seconds left).

    Raises
    ------
    InputError
        With every fault of the file and of what it names; for a scheduler that does not answer, or a full disk.

    Examples
    --------
    >>> survey_district("no_such_district.toml")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_district.toml: there is no such file. Expected a district file (TOML). To ...
    """
    ready = district if isinstance(district, District) else read_district(district)
    columns = run_fires(
        ready.kit, ready.question, workers=workers, scheduler=scheduler, folder=folder, progress=progress
    )
    return survey_of(ready.question, columns)


def read_district(path: str | Path) -> District:
    """Read a district file and everything it names, and make its roads ready; no fire is computed.

    Raises
    ------
    InputError
        With every fault of the file, and of the files that it names.
    """
    ground = read_ground(path)
    file, inputs, roads, plan = ground.file, ground.inputs, ground.roads, ground.inputs.plan
    asked, help_asked = file.own["district"], file.own["help"]
    grid, standoff_m = inputs.terrain.grid, plan.roads.standoff_m
    links = second_exits(
        roads, most=int(help_asked["second_exits"]), elevation=GridSampler(grid, inputs.terrain.elevation_m)
    )
    bus_share = help_asked["bus_percent"] / 100.0
    setting_out, per_home = _setting_out(file), float(asked["vehicles_per_home"])
    queued = partial(queues_of, roads, free_drive_s(ground.base.homes), setting_out=setting_out)
    base = replace(ground.base, queues=queued(vehicles_per_home=per_home))
    variants = [base]
    if help_asked["verge_m"] > 0.0:
        nearer_m = max(standoff_m - help_asked["verge_m"], 0.0)
        variants.append(
            replace(base, name="verge", cells=stretch_cells(grid, stretch_lines(roads), standoff_m=nearer_m))
        )
    with_it = partial(
        link_variant, roads, grid=grid, standoff_m=standoff_m, vehicles_per_home=per_home, setting_out=setting_out
    )
    variants += [replace(with_it(link), name=f"link {number}") for number, link in enumerate(links)]
    names, street_of = streets_of_homes(roads, base.homes)
    order, first = street_rows(street_of)
    kit = FireKit(
        seed=int(asked["seed"]),
        zones=ground.zones,
        gradients=gradients(inputs.terrain),
        choice=FireChoice(plan.fire.models, plan.fire.floor_m_s, plan.fire.set_m_s),
        days=tuple(weather_at(day.weather, _middle(roads, grid)) for day in ground.days),
        starts=ground.starts,
        horizon_s=3600.0 * float(asked["horizon_h"]),
        margin_s=60.0 * float(asked["margin_min"]),
        smoke_lead_s=plan.roads.smoke_lead_s,
        variants=tuple(variants),
        order=order,
        first=first,
        bus_queues=queued(vehicles_per_home=per_home * (1.0 - bus_share)),
    )
    help_found = HelpAsked(60.0 * float(help_asked["siren_min"]), float(help_asked["verge_m"]), bus_share, links)
    question = _question(ground, help_found, streets=names, street_of=street_of, queues=base.queues)
    return District(question, kit)


@dataclass(frozen=True, eq=False)
class DistrictGround:
    """Everything that a district file names, read, and its homes on its roads: all but fires and what would help.

    - `base`: the roads as they are, without queues.
    - `left_out`: homes off the ground or far from every street; `no_way_out`: names of those without a way out.
    """

    file: DistrictFile
    inputs: HouseholdInputs
    days: tuple[RatedDay, ...]
    zones: SpreadZones
    starts: StartsOfFires
    need: Need
    roads: DistrictRoads
    base: Variant
    left_out: float
    no_way_out: tuple[str, ...]
    assumptions: tuple[str, ...]


def read_ground(path: str | Path) -> DistrictGround:
    """Read a district file and everything it names, and put its homes on its roads. Raises as `read_district`."""
    file, faults = read_file(Path(path)), Faults()
    homes = faults.gather(lambda: _homes(file))
    inputs = faults.gather(lambda: _inputs(file, homes))
    need = faults.gather(lambda: _need(file))
    if homes is None or inputs is None or need is None:
        raise InputError(faults)
    days = faults.gather(lambda: ratings_days(inputs))
    zones = starts = made = None
    if days is not None:
        zones, _ = bridged(inputs.fuel, days[0].weather)
        faults.gather(lambda: check_models(inputs.plan.fire.models, zones))
        starts = faults.gather(lambda: _starts(file, inputs, zones.zone))
    placed = faults.gather(lambda: _roads(file, inputs, homes))
    if placed is not None:
        standoff_m = inputs.plan.roads.standoff_m
        made = faults.gather(lambda: made_ready(placed[0], inputs.terrain.grid, standoff_m=standoff_m))
    if faults or days is None or zones is None or starts is None or placed is None or made is None:
        raise InputError(faults)
    roads, base, lost = made
    _, left_out, said = placed
    assumptions = (
        need.said,
        *_supposed(file, inputs.plan),
        *(_of_district(line) for day in days for line in day.said),
        *map(_of_district, file.assumptions),
        *inputs.assumptions,
        *inputs.fuel.assumptions,
        *inputs.weather.assumptions,
        *said,
    )
    return DistrictGround(
        file, inputs, days, zones, starts, need, roads, base, left_out, lost, tuple(dict.fromkeys(assumptions))
    )


def _of_district(line: str) -> str:
    """A sentence about the plan that a district file was read as."""
    return line.replace("The plan", "The district file").replace("the plan", "the district file")


def _homes(file: DistrictFile) -> Homes:
    """Homes in degrees, those outside of the area left away."""
    source = file.named("homes", "file") or file.plan.roads.file
    first = file.plan.safe_points[0]
    crs = utm_crs(first.lon_deg, lat_deg=first.lat_deg)
    homes = read_homes(source, crs=crs)
    x, y = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(homes.x_m, homes.y_m)
    lon_deg, lat_deg = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    inside = np.ones(lon_deg.size, dtype=np.bool_)
    if (box := file.own["homes"]["area_deg"]) is not None:
        inside = (lon_deg >= box[0]) & (lon_deg <= box[2]) & (lat_deg >= box[1]) & (lat_deg <= box[3])
    if not inside.any():
        raise refused(f"{file.plan.where}: [homes] area_deg", "no_homes_in_area", homes=lon_deg.size)
    return homes_in(replace(homes, x_m=lon_deg, y_m=lat_deg), np.flatnonzero(inside))


def _inputs(file: DistrictFile, homes: Homes | None) -> HouseholdInputs:
    """Everything that a plan would name, on ground that holds the homes; the safe points where these can't be read."""
    hours = tuple(sorted(file.own["fires"]["hours"]))
    points = [(one.lon_deg, one.lat_deg) for one in file.plan.safe_points]
    live = np.array(points).T if homes is None else (homes.x_m, homes.y_m)
    home = Home(float(live[0].mean()), float(live[1].mean()))
    plan = replace(file.plan, home=home, rules=replace(file.plan.rules, hours=hours))
    crs = utm_crs(plan.home.lon_deg, lat_deg=plan.home.lat_deg)
    project = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    area = file.own["fires"]["lon_lat_deg"] or ()
    lon, lat = np.array([(plan.home.lon_deg, plan.home.lat_deg), *points, *area]).T
    low, high = (
        [f(np.concatenate([axis, deg])) for axis, deg in zip((lon, lat), live, strict=True)] for f in (np.min, np.max)
    )
    x, y = project.transform(*np.array([low, high, (plan.home.lon_deg, plan.home.lat_deg), *points]).T)
    far = max(float(np.ptp(x[:2])), float(np.ptp(y[:2])))
    around = max(float(np.abs(axis[:2] - edge).max()) for axis in (x, y) for edge in (axis[2:].min(), axis[2:].max()))
    return read_inputs(plan, around_m=AREA_BUFFER_M + min(around, far))


def _middle(roads: DistrictRoads, grid: Grid) -> tuple[int, int]:
    """The cell in the middle of the homes, whose weather is taken for all."""
    found = cell_of(grid, float(np.median(roads.homes.x_m)), y_m=float(np.median(roads.homes.y_m)))
    return (0, 0) if found is None else found


def _roads(file: DistrictFile, inputs: HouseholdInputs, homes: Homes) -> tuple[DistrictRoads, float, tuple[str, ...]]:
    """The roads with the homes on them, how many homes were left out, and what was supposed."""
    plan, network, grid = inputs.plan, inputs.network, inputs.terrain.grid
    grades = edge_grades(network, GridSampler(grid, inputs.terrain.elevation_m))
    streets = street_table(network, grades=grades, region=plan.roads.region)
    vehicle, notes = road_vehicle(plan, file.own["need"]["way"])
    every = np.ones(network.edge_count, dtype=np.bool_)
    driven = travel(network, vehicle, grade=grades, region=plan.roads.region, opened=every)
    edges = np.arange(network.edge_count)
    main = np.flatnonzero((network.twin < 0) | (edges <= network.twin))
    back = network.twin[main]
    there_s = np.where(streets.forward, driven.time_s[main], np.inf)
    back_s = np.where(streets.backward, driven.time_s[np.maximum(back, 0)], np.inf)
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    x_m, y_m = (np.asarray(axis, dtype=np.float64) for axis in to_grid.transform(homes.x_m, homes.y_m))
    placed = place_homes(replace(homes, x_m=x_m, y_m=y_m), streets)
    west, south, east, north = grid.bounds_m
    kept = (placed.street != NOT_PLACED) & (x_m > west) & (x_m < east) & (y_m > south) & (y_m < north)
    if not kept.any():
        raise refused(f"{plan.where}: [homes]", "homes_off_the_ground", homes=kept.size, far_m=500.0)
    x, y = to_grid.transform(*np.array([(one.lon_deg, one.lat_deg) for one in plan.safe_points]).T)
    names = tuple(one.name for one in plan.safe_points)
    exits, faults = dict[str, int](), Faults()
    for name, px, py in zip(names, x, y, strict=True):
        try:
            exits[name] = int(exits_at(streets, np.array([px]), y_m=np.array([py]), names=(name,))[0])
        except InputError as error:
            faults += [replace(one, place=f'{plan.where}: safe point "{name}"') for one in error.faults]
    faults.refuse()
    stands = homes_in(placed, np.flatnonzero(kept))
    roads = DistrictRoads(streets, there_s, back_s, exits, stands, drives_s(stands, region=plan.roads.region))
    said = (*streets.assumptions, *placed.assumptions, *driven.assumptions, *notes)
    return roads, float(placed.dwellings[~kept].sum()), said


def _starts(file: DistrictFile, inputs: HouseholdInputs, zone: NDArray[np.int32]) -> StartsOfFires:
    """Where fires start: what burns, by the raster of starts and inside the area, where the file names them."""
    own, grid = file.own["fires"], inputs.terrain.grid
    weight = np.where(_burns(inputs.fuel) & (zone >= 0), 1.0, 0.0)
    if (raster := file.named("fires", "starts_file")) is not None:
        weight *= read_starts(raster, grid, key="fires.starts_file")
    if own["lon_lat_deg"] is not None:
        project = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
        ring = shapely.Polygon(np.column_stack(project.transform(*np.array(own["lon_lat_deg"]).T)))
        x_m, y_m = np.meshgrid(grid.x_m, grid.y_m)
        # a cell any part of which may lie in the area counts
        weight *= shapely.dwithin(ring, shapely.points(x_m, y_m), grid.cell_m * np.sqrt(0.5))
    if not weight.any():
        raise refused(f"{inputs.plan.where}: [fires]", "starts_where_nothing_burns")
    shares = () if own["wind_as_forecast"] else own["wind_percent"] or (1.0,) * 16
    return starts_in(weight, hours=own["hours"], wind_shares=shares)


def _burns(fuel: FuelMap) -> NDArray[np.bool_]:
    return np.array([kind.burns for kind in fuel.types], dtype=np.bool_)[fuel.code]


def _need(file: DistrictFile) -> Need:
    """What the household needs, as equally likely times."""
    own, plan = file.own["need"], file.need_plan
    if plan is not None:
        scenario = prepare(read_inputs(plan))
        ready = readiness_of(scenario, own["way"], plan_draws(plan, MORNINGS)).ready_s
        return Need(
            np.sort(learning_times_s(plan, _POINTS)), np.sort(ready), f"The household is that of the plan {plan.name}."
        )
    learns = LEARNS if own["learns_after_min"] is None else own["learns_after_min"]
    learns_s, ready_s = (_likely(told) for told in (learns, own["ready_min"]))
    said = "It knows of a fire and has decided {} to {} minutes after its start, and is ready to roll {} to {} later."
    ends = (f"{one[end] / 60.0:.0f}" for one in (learns_s, ready_s) for end in (0, -1))
    return Need(learns_s, ready_s, f"One household stands for all. {said.format(*ends)}")


def _likely(told: float | ThreePoints) -> NDArray[np.float64]:
    """Equally likely times between three points, beta-PERT, in rising order."""
    if not isinstance(told, ThreePoints):
        return np.array([float(told)])
    one = Person("time", (), told.likely_s, told.shortest_s, told.longest_s)
    even = (np.arange(_POINTS)[:, None] + 0.5) / _POINTS
    uniforms = even if one.arrival_is_uncertain else np.zeros((_POINTS, 0))
    return sample_arrivals((one,), members=_POINTS, kind="beta_pert", uniforms=uniforms)[:, 0]


def _setting_out(file: DistrictFile) -> SettingOut:
    own = file.own["neighbours"]
    told_min, towing_share = own["told_after_fire_min"], own["towing_percent"] / 100.0
    told_s = None if told_min is None else 60.0 * told_min
    return SettingOut(own["set_out"], 60.0 * own["half_rolling_min"], told_s, towing_share)


def _supposed(file: DistrictFile, plan: Plan) -> Iterator[str]:
    """What is taken for granted of every district, where it holds."""
    asked, fires, neighbours = (file.own[name] for name in ("district", "fires", "neighbours"))
    how, told_min = neighbours["set_out"], neighbours["told_after_fire_min"]
    holds = {
        "winds": not fires["wind_percent"] and not fires["wind_as_forecast"],
        "starts": fires["starts_file"] is None,
        "at_once": how == "at once",
        "over_time": how == "over time",
        "gone_before": how == "gone before",
        "not_told": how == "over time" and told_min is None,
        "queue": how != "gone before",
    }
    given = {
        "vehicles": asked["vehicles_per_home"],
        "people": asked["people_per_home"],
        "standoff": plan.roads.standoff_m,
        "smoke": plan.roads.smoke_lead_s / 60.0,
        "margin": asked["margin_min"],
        "hours": ", ".join(f"{hour}:00" for hour in fires["hours"]),
        "half": neighbours["half_rolling_min"],
        "tow": neighbours["towing_percent"],
        "as_cars": TRAILER_AS_CARS.value,
        "told": "" if told_min is None else f", {told_min:g} minutes after a fire starts",
    }
    for name, line in table("decision/district/supposed").items():
        if holds.get(name, True):
            yield line.format(**given)


def _question(
    ground: DistrictGround,
    help_found: HelpAsked,
    *,
    streets: tuple[str, ...],
    street_of: NDArray[np.int64],
    queues: Queues,
) -> DistrictQuestion:
    file, inputs, days, plan = ground.file, ground.inputs, ground.days, ground.inputs.plan
    asked, fires = file.own["district"], file.own["fires"]
    allowed = asked["allowed_percent"]
    own = file_record(homes=file.named("homes", "file"), starts=file.named("fires", "starts_file"))
    record = {**inputs.record, **own, "seed": str(asked["seed"]), "fires": str(fires["of_each_rating"] * len(days))}
    return DistrictQuestion(
        name=asked["name"],
        seed=int(asked["seed"]),
        fires=int(fires["of_each_rating"]),
        hours=tuple(fires["hours"]),
        ratings=tuple(RatingAsked(day.name, day.leave, float(day.weather.wind_speed_m_s.max())) for day in days),
        confidence=plan.confidence,
        allowed_share=1.0 - plan.confidence if allowed is None else allowed / 100.0,
        horizon_s=3600.0 * float(asked["horizon_h"]),
        need=ground.need,
        help=help_found,
        roads=ground.roads,
        streets=streets,
        street_of=street_of,
        setting_out=_setting_out(file),
        queues=queues,
        people_per_home=float(asked["people_per_home"]),
        vehicles_per_home=float(asked["vehicles_per_home"]),
        left_out=ground.left_out,
        no_way_out=ground.no_way_out,
        measures=plan.measures,
        assumptions=ground.assumptions,
        from_osm=inputs.network.from_osm,
        credits=inputs.network.credits,
        inputs=record,
    )
