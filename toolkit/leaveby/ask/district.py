"""The district's question, from its file to its answer: reads what it names, makes the roads ready, runs the fires."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from leaveby.ask.household import load_plan, read_inputs
from leaveby.ask.many_fires import run_fires
from leaveby.decision.district.fires import FireKit, StartsOfFires, starts_in, street_rows
from leaveby.decision.district.queues import waits_s
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
from leaveby.errors import Fault, InputError, fault_of, refused
from leaveby.files.read.district_shape import LEARNS, OWN, SECTIONS, of_a_plan, ways_in
from leaveby.files.read.drill_shape import place_in, read_table
from leaveby.files.read.grids import AREA_BUFFER_M, read_starts
from leaveby.files.read.homes import read_homes
from leaveby.files.read.plan import plan_in, toml_document, toml_text, with_line
from leaveby.fire.fuel.zones import FuelMap
from leaveby.fire.spread.series import FireChoice, check_models
from leaveby.fire.terrain import cell_of, gradients
from leaveby.fire.weather.ratings import RatedDay
from leaveby.household.plan import Plan
from leaveby.household.plan_document import meant
from leaveby.household.plan_tables import Home, Person, ThreePoints
from leaveby.household.sampling import sample_arrivals
from leaveby.regions import table
from leaveby.roads.exits.homes import NOT_PLACED, Homes, place_homes
from leaveby.roads.exits.places import exits_at
from leaveby.roads.exits.street_table import street_table
from leaveby.roads.network.grades import edge_grades
from leaveby.roads.network.graph import utm_crs
from leaveby.roads.vehicle.travel import travel

Progress = Callable[[int, int, float], None]
"""Called with how many fires are done, of how many, and the seconds left."""

_USUAL_CAR = {"name": "a car", "kind": "car", "width_m": 2.0, "height_m": 2.0, "length_m": 5.0, "mass_kg": 2500}
_POINTS = 2000


@dataclass(frozen=True, eq=False)
class District:
    """A district made ready: the question, and what its fires need."""

    question: DistrictQuestion
    kit: FireKit


@dataclass(frozen=True, eq=False)
class _File:
    """A district file as read: its own sections by key, in SI, and the plan that holds what it shares with one."""

    own: Mapping[str, Mapping[str, Any]]
    plan: Plan
    path: Path


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
    file = _read(Path(path))
    fires, asked, help_asked = file.own["fires"], file.own["district"], file.own["help"]
    homes = _homes(file)
    inputs = _inputs(file, homes)
    plan = replace(inputs.plan, rules=replace(inputs.plan.rules, hours=tuple(sorted(fires["hours"]))))
    inputs = replace(inputs, plan=plan)
    days = ratings_days(inputs)
    roads, left_out, said = _roads(file, inputs, homes)
    grid, standoff_m = inputs.terrain.grid, plan.roads.standoff_m
    roads, base, lost = made_ready(roads, grid, standoff_m=standoff_m)
    per_home = float(asked["vehicles_per_home"])
    drive_s = free_drive_s(base.homes)
    elevation = GridSampler(grid, inputs.terrain.elevation_m)
    links = second_exits(roads, most=int(help_asked["second_exits"]), elevation=elevation)
    variants = [replace(base, waits_s=waits_s(roads, drive_s, vehicles_per_home=per_home))]
    if help_asked["verge_m"] > 0.0:
        nearer_m = max(standoff_m - help_asked["verge_m"], 0.0)
        nearer = stretch_cells(grid, stretch_lines(roads), standoff_m=nearer_m)
        variants.append(replace(variants[0], name="verge", cells=nearer))
    for number, link in enumerate(links):
        with_it = link_variant(roads, link, grid=grid, standoff_m=standoff_m, vehicles_per_home=per_home)
        variants.append(replace(with_it, name=f"link {number}"))
    names, street_of = streets_of_homes(roads, base.homes)
    order, first = street_rows(street_of)
    bus_share = help_asked["bus_percent"] / 100.0
    zones, _ = bridged(inputs.fuel, days[0].weather)
    check_models(plan.fire.models, zones)
    kit = FireKit(
        seed=int(asked["seed"]),
        zones=zones,
        gradients=gradients(inputs.terrain),
        choice=FireChoice(plan.fire.models, plan.fire.floor_m_s, plan.fire.set_m_s),
        days=tuple(weather_at(day.weather, roads_cell(roads, inputs)) for day in days),
        starts=_starts(file, inputs, zones.zone),
        horizon_s=3600.0 * float(asked["horizon_h"]),
        margin_s=60.0 * float(asked["margin_min"]),
        smoke_lead_s=plan.roads.smoke_lead_s,
        variants=tuple(variants),
        order=order,
        first=first,
        bus_waits_s=waits_s(roads, drive_s, vehicles_per_home=per_home * (1.0 - bus_share)),
    )
    help_found = HelpAsked(60.0 * float(help_asked["siren_min"]), float(help_asked["verge_m"]), bus_share, links)
    question = _question(file, inputs, days, roads=roads, help_found=help_found)
    question = replace(
        question,
        streets=names,
        street_of=street_of,
        waits_s=variants[0].waits_s,
        left_out=left_out,
        no_way_out=lost,
        assumptions=tuple(dict.fromkeys((*question.assumptions, *said))),
    )
    return District(question, kit)


def _read(path: Path) -> _File:
    """The file, its own sections checked and the rest as a plan, every fault of both at once."""
    where, text = str(path), toml_text(path, what="a district file (TOML)")
    document = toml_document(text, where=where)
    faults: list[Fault] = []
    own: dict[str, dict[str, Any]] = {}
    for name in document:
        if name not in SECTIONS:
            mend = meant(name, SECTIONS, "take the section away")
            faults.append(
                fault_of(f"{where}: [{name}]", "no_section_of_districts", known=", ".join(SECTIONS), mend=mend)
            )
    for name, noun in OWN.items():
        held = document.get(name, {})
        if not isinstance(held, dict):
            place = place_in(name, None, table={}, key="", where=where)
            faults.append(Fault(place, "is no section", "keys and values under it", "write it as a section"))
            held = {}
        if name == "fires" and held.get("of_each_rating") == 0:
            faults.append(fault_of(f"{where}: [fires] of_each_rating", "no_fires", fires=0))
            held = {**held, "of_each_rating": 250}
        own[name] = read_table(name, held, where=where, faults=faults, noun=noun)
    need = own["need"]
    need_plan = _need_plan(path, need, faults)
    if need["plan"] is None and need["ready_min"] is None and "ready_min" not in document.get("need", {}):
        faults.append(
            Fault(f"{where}: [need]", "is missing", "ready_min, or a plan", 'add a line "ready_min = 25", say')
        )
    for section, key in (("homes", "file"), ("fires", "starts_file")):
        name = own[section][key]
        if name is not None and not (path.parent / Path(name).expanduser()).is_file():
            wanted = "a file, its name relative to the folder of the district file"
            wrong = "and there is no such file"
            place = f"{where}: [{section}] {key}"
            faults.append(fault_of(place, "named_file_missing", name=name, wrong=wrong, wanted=wanted))
    made = _as_plan(document, own)
    plan = None
    try:
        plan = plan_in(made, path, text=text)
    except InputError as error:
        faults.extend(error.faults)
    if faults or plan is None:
        raise InputError(with_line(fault, text, where=where) for fault in faults)
    if need_plan is not None:
        plan = replace(plan, rules=replace(plan.rules, learns_s=need_plan.rules.learns_s))
        if "vehicles" not in document:
            plan = replace(plan, vehicles=need_plan.vehicles, towing=need_plan.towing)
    return _File({**own, "need": {**need, "of_plan": need_plan}}, plan, path)


def _need_plan(path: Path, need: Mapping[str, Any], faults: list[Fault]) -> Plan | None:
    if need["plan"] is None:
        return None
    try:
        return load_plan(path.parent / Path(need["plan"]).expanduser())
    except InputError as error:
        faults.extend(error.faults)
        return None


def _as_plan(document: dict[str, Any], own: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """What a district shares with a plan; its household stands near the safe points until homes are read."""
    shared = of_a_plan(document)
    asked = own["district"]
    points = [one for one in shared.get("safe_points", []) if isinstance(one, dict)]
    degrees = [(one.get("lon_deg"), one.get("lat_deg")) for one in points]
    known = [
        (float(lon), float(lat))
        for lon, lat in degrees
        if isinstance(lon, int | float) and isinstance(lat, int | float)
    ]
    lon_deg, lat_deg = np.mean(known, axis=0).tolist() if known else (0.0, 0.0)
    vehicles = document.get("vehicles", [dict(_USUAL_CAR)])
    plan: dict[str, Any] = {"name": asked["name"] or "district", "members": 2000, "durations": "beta_pert"}
    if asked["confidence"] is not None:
        plan["confidence"] = asked["confidence"]
    for key, value in (("margin_min", asked["margin_min"]), ("horizon_h", asked["horizon_h"])):
        if value is not None:
            plan[key] = value
    task = {"name": "get ready", "ways": ways_in(vehicles), "shortest_min": 1, "likely_min": 1, "longest_min": 1}
    return {
        "plan": plan,
        "home": {"lon_deg": lon_deg, "lat_deg": min(lat_deg + 0.02, 90.0)},
        "people": [{"name": "whoever drives", "can": ["drive", "tow"]}],
        "tasks": [task],
        **shared,
        "vehicles": vehicles,
    }


def _homes(file: _File) -> Homes:
    """Homes in degrees, those outside of the area left away."""
    own = file.own["homes"]
    source = file.plan.roads.file if own["file"] is None else file.path.parent / Path(own["file"]).expanduser()
    first = file.plan.safe_points[0]
    crs = utm_crs(first.lon_deg, lat_deg=first.lat_deg)
    homes = read_homes(source, crs=crs)
    x, y = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(homes.x_m, homes.y_m)
    lon_deg, lat_deg = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    inside = np.ones(lon_deg.size, dtype=np.bool_)
    if (box := own["area_deg"]) is not None:
        inside = (lon_deg >= box[0]) & (lon_deg <= box[2]) & (lat_deg >= box[1]) & (lat_deg <= box[3])
    if not inside.any():
        raise refused(f"{file.plan.where}: [homes] area_deg", "no_homes_in_area", homes=lon_deg.size)
    return homes_in(replace(homes, x_m=lon_deg, y_m=lat_deg), np.flatnonzero(inside))


def _inputs(file: _File, homes: Homes) -> HouseholdInputs:
    """Everything that a plan would name, on ground that holds the homes."""
    plan = replace(file.plan, home=Home(float(homes.x_m.mean()), float(homes.y_m.mean())))
    points = [(one.lon_deg, one.lat_deg) for one in plan.safe_points]
    crs = utm_crs(plan.home.lon_deg, lat_deg=plan.home.lat_deg)
    project = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    area = file.own["fires"]["lon_lat_deg"] or ()
    lon, lat = np.array([(plan.home.lon_deg, plan.home.lat_deg), *points, *area]).T
    low, high = (
        [f(np.concatenate([axis, deg])) for axis, deg in ((lon, homes.x_m), (lat, homes.y_m))] for f in (np.min, np.max)
    )
    x, y = project.transform(*np.array([low, high, (plan.home.lon_deg, plan.home.lat_deg), *points]).T)
    far = max(float(np.ptp(x[:2])), float(np.ptp(y[:2])))
    around = max(float(np.abs(axis[:2] - edge).max()) for axis in (x, y) for edge in (axis[2:].min(), axis[2:].max()))
    return read_inputs(plan, around_m=AREA_BUFFER_M + min(around, far))


def roads_cell(roads: DistrictRoads, inputs: HouseholdInputs) -> tuple[int, int]:
    """The cell in the middle of the homes, whose weather is taken for all."""
    found = cell_of(inputs.terrain.grid, float(np.median(roads.homes.x_m)), y_m=float(np.median(roads.homes.y_m)))
    return (0, 0) if found is None else found


def _roads(file: _File, inputs: HouseholdInputs, homes: Homes) -> tuple[DistrictRoads, float, tuple[str, ...]]:
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
    exits = {
        name: int(exits_at(streets, np.array([px]), y_m=np.array([py]), names=(name,))[0])
        for name, px, py in zip(names, x, y, strict=True)
    }
    stands = homes_in(placed, np.flatnonzero(kept))
    roads = DistrictRoads(streets, there_s, back_s, exits, stands, drives_s(stands, region=plan.roads.region))
    said = (*streets.assumptions, *placed.assumptions, *driven.assumptions, *notes)
    return roads, float(placed.dwellings[~kept].sum()), said


def _starts(file: _File, inputs: HouseholdInputs, zone: NDArray[np.int32]) -> StartsOfFires:
    """Where fires start: what burns, by the raster of starts and inside the area, where the file names them."""
    own, grid = file.own["fires"], inputs.terrain.grid
    weight = np.where(_burns(inputs.fuel) & (zone >= 0), 1.0, 0.0)
    if own["starts_file"] is not None:
        weight *= read_starts(file.path.parent / Path(own["starts_file"]).expanduser(), grid)
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


def _need(file: _File) -> Need:
    """What the household needs, as equally likely times."""
    own, plan = file.own["need"], file.own["need"]["of_plan"]
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


def _question(
    file: _File,
    inputs: HouseholdInputs,
    days: tuple[RatedDay, ...],
    *,
    roads: DistrictRoads,
    help_found: HelpAsked,
) -> DistrictQuestion:
    plan, asked, fires = inputs.plan, file.own["district"], file.own["fires"]
    allowed = asked["allowed_percent"]
    need = _need(file)
    words = table("decision/district/supposed")
    holds = {
        "winds": not fires["wind_percent"] and not fires["wind_as_forecast"],
        "starts": fires["starts_file"] is None,
    }
    given = {
        "vehicles": asked["vehicles_per_home"],
        "people": asked["people_per_home"],
        "standoff": plan.roads.standoff_m,
        "smoke": plan.roads.smoke_lead_s / 60.0,
        "margin": asked["margin_min"],
        "hours": ", ".join(f"{hour}:00" for hour in fires["hours"]),
    }
    said = [line.format(**given) for name, line in words.items() if holds.get(name, True)]
    of_days = (line for day in days for line in day.said)
    record = {**inputs.record, "seed": str(asked["seed"]), "fires": str(fires["of_each_rating"] * len(days))}
    return DistrictQuestion(
        name=asked["name"],
        seed=int(asked["seed"]),
        fires=int(fires["of_each_rating"]),
        hours=tuple(fires["hours"]),
        ratings=tuple(RatingAsked(day.name, day.leave, float(day.weather.wind_speed_m_s.max())) for day in days),
        confidence=plan.confidence,
        allowed_share=1.0 - plan.confidence if allowed is None else allowed / 100.0,
        horizon_s=3600.0 * float(asked["horizon_h"]),
        need=need,
        help=help_found,
        roads=roads,
        streets=(),
        street_of=np.zeros(0, dtype=np.int64),
        waits_s=np.zeros(0),
        people_per_home=float(asked["people_per_home"]),
        vehicles_per_home=float(asked["vehicles_per_home"]),
        measures=plan.measures,
        assumptions=(need.said, *said, *of_days, *inputs.assumptions, *inputs.fuel.assumptions),
        from_osm=inputs.network.from_osm,
        credits=inputs.network.credits,
        inputs=record,
    )
