"""Your own place: from what was given to a plan in a folder that can be answered.

Nothing that is there already is written over. What is guessed is marked in the plan, on the side that makes people
leave earlier, and every safe point is one to be confirmed locally.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from leaveby.ask.check import check_inputs
from leaveby.ask.household import load_plan, read_inputs
from leaveby.ask.new_given import NEW, Wanted, clock_of
from leaveby.caution import OVERRIDE
from leaveby.decision.fires.closing import lines_inside
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, prepare
from leaveby.decision.ways.roads import roads_for, with_no_fire
from leaveby.errors import InputError, refused
from leaveby.files.read.grids import LEVEL
from leaveby.files.read.places import read_gatherings
from leaveby.files.read.road_extracts import OSM_ENDINGS, extract_bounds, read_extract
from leaveby.files.write.whole import write_whole
from leaveby.fire.spread.validity import made_in
from leaveby.household.plan import ways
from leaveby.household.plan_keys import twins_of
from leaveby.household.plan_places import NEAREST_KM, Place, nearest_km, slips
from leaveby.parameters import (
    ATTACH_LIMIT_M,
    NEW_APART_DEG,
    NEW_DRIVEN_KM,
    NEW_FARTHEST_KM,
    NEW_LOOKED_AT,
    NEW_OPEN_M,
    NEW_SAFE_POINTS,
    RULES_RADIUS_M,
)
from leaveby.regions import country_of, measures_of, rating_scale, rating_words
from leaveby.roads.routing.itinerary import compass_words
from leaveby.roads.vehicle.restrictions import legal_size
from leaveby.show.templates import quoted, text_of
from leaveby.units import KM_H_PER_MPH, Measures, about_words, given_words, local_words


@dataclass(frozen=True)
class Proposed:
    """A safe point for the new plan: what it is, in words, which ways may end there, and how far and where it lies."""

    name: str
    at_deg: Place
    kind: str
    ways: tuple[str, ...]
    far_km: float
    bearing_deg: float
    measures: Measures

    def __str__(self) -> str:
        """Say what it is and where."""
        far = about_words(1000.0 * self.far_km, self.measures).removeprefix("about ")
        return f"{self.kind}, {far} {compass_words(self.bearing_deg)} of home"


_OWN: Final = {"_mph": "imperial", "_ft": "pounds", "_lb": "pounds", "_hp": "pounds", "_f": "fahrenheit"}
"""In which a key is written where people read such units: an attribute of `leaveby.units.Measures`."""

_SLOWER: Final = ("speed_limit", "power")


def own_line(name: str, value: Any, *, measures: Measures) -> str:
    """Write a line of a plan in the units of the place, a guess on the side that makes people leave earlier.

    Examples
    --------
    >>> from leaveby.units import METRIC, MILES_AND_FEET
    >>> own_line("width_m", 2.5, measures=METRIC), own_line("speed_limit_km_h", 60, measures=MILES_AND_FEET)
    ('width_m = 2.5', 'speed_limit_mph = 37')
    >>> own_line("width_m", 2.5, measures=MILES_AND_FEET), own_line("temperature_c", 38, measures=MILES_AND_FEET)
    ('width_ft = 8.3', 'temperature_f = 101')
    """
    for other, twin in twins_of(name).items():
        if getattr(measures, _OWN.get(twin.ending, ""), False):
            tenth = 10.0 if twin.ending == "_ft" else 1.0
            told = (value / twin.factor + twin.shift) * tenth
            down = name.startswith(_SLOWER)
            return f"{other} = {(math.floor(told + 1e-6) if down else math.ceil(told - 1e-6)) / tenth:g}"
    return f"{name} = {quoted(value)}"


def _rated_days(region: str) -> list[dict[str, Any]]:
    """Days to start from where no scale of ratings is known, in the country's own words where those are."""
    words = {word.casefold(): word for word in rating_words(region)}
    days: list[dict[str, Any]] = NEW["ratings"]
    return [{**day, "name": words[day["name"]]} for day in days if day["name"] in words] if words else days[:-1]


def refuse_what_is_there(folder: Path) -> None:
    """Refuse a folder that is a file, or has a plan already (InputError)."""
    if folder.exists() and not folder.is_dir():
        raise refused(folder, "folder_is_file")
    for name in ("plan.toml", "weather.csv"):
        if (folder / name).exists():
            raise refused(folder, "plan_there", what=name)


def new_plan(wanted: Wanted, folder: Path, *, progress: Callable[[str], None]) -> tuple[dict[str, Path], list[str]]:
    """Write a plan and what belongs to it into a folder, all or none, and say what it holds and what is left open.

    Raises
    ------
    InputError
        Where the folder has a plan already, a file that was given can't be used, or no safe point is found.
    """
    refuse_what_is_there(folder)
    _check_home(wanted)
    with tempfile.TemporaryDirectory() as scratch:
        progress("Looking for safe points, and whether the roads lead there.")
        points = [_proposed(wanted, name, at, by_hand=True) for name, at in wanted.safe_points]
        points = points or _found(wanted, Path(scratch), folder)
        progress("Checking the plan.")
        inputs = _read(wanted, points, Path(scratch), folder)
        checked = check_inputs(inputs)
    written = write_whole(_texts(wanted, points, folder.resolve()), folder)
    load_plan(written["plan.toml"])
    words = [f"Safe point, to be confirmed locally: {one.name}, {one}." for one in points]
    words += wanted.station_said
    if wanted.region_guessed:
        words.append(f"Country: {wanted.region}, guessed from the point.")
    words += [LEVEL] if wanted.terrain is None else []
    words += [told for way, told in checked.roads.items() if way in wanted.ways]
    words += [local_words(one, inputs.plan.measures) for one in (*checked.changes, *checked.reach)]
    words.append(f"No fault found. {len(checked.assumptions)} things were taken for granted; leaveby check says them.")
    return written, words


def _check_home(wanted: Wanted) -> None:
    """Refuse a home outside of where the road extract says that it ends, or of where its roads do."""
    if not wanted.roads.name.lower().endswith(OSM_ENDINGS):
        return
    told, beside_m = extract_bounds(wanted.roads), 0.0
    if told is None:
        ways, beside_m = read_extract(wanted.roads), ATTACH_LIMIT_M.value
        told = ways.lon_deg.min(), ways.lat_deg.min(), ways.lon_deg.max(), ways.lat_deg.max()
    west, south, east, north = map(float, told)

    def inside(at: Place) -> Place:
        return min(max(at[0], west), east), min(max(at[1], south), north)

    def off_m(at: Place) -> float:
        return 1000.0 * nearest_km(at, [inside(at)])

    home = wanted.home
    if off_m(home) > beside_m:
        meant = [one.mend for one in slips(*home) if one.place is not None and off_m(one.place) <= beside_m]
        mend = meant[0] if meant else "take a larger extract, or correct the point"
        side = compass_words(_bearing_deg(inside(home), home))
        raise refused("--home", "home_off_roads", off_m=off_m(home), side=side, path=wanted.roads, mend=mend)


def _bearing_deg(origin: Place, at: Place) -> float:
    east = (at[0] - origin[0]) * math.cos(math.radians(origin[1]))
    return math.degrees(math.atan2(east, at[1] - origin[1])) % 360.0


def _proposed(wanted: Wanted, name: str, at: Place, *, kind: str = "given by hand", by_hand: bool = False) -> Proposed:
    """A safe point; one that is near is for walking to, and for driving where people name it and nobody walks."""
    far_km = nearest_km(wanted.home, [at])
    may_end = tuple(way for way in wanted.ways if (way == "foot") == (far_km < NEW_DRIVEN_KM.value))
    may_end = wanted.ways if by_hand and not may_end else may_end
    return Proposed(name, at, kind, may_end, far_km, _bearing_deg(wanted.home, at), measures_of(wanted.region))


def _found(wanted: Wanted, scratch: Path, folder: Path) -> list[Proposed]:
    """Propose where people gather, out of the forest, where the roads lead, on sides that differ, the nearest first."""
    places = read_gatherings(wanted.roads)
    named = [_proposed(wanted, one.name, (one.lon_deg, one.lat_deg), kind=one.kind) for one in places]
    nearest: dict[str, Proposed] = {}
    for one in sorted(named, key=lambda one: one.far_km):
        beside = sum(_apart_deg(one, other) < NEW_APART_DEG.value for other in nearest.values())
        if one.ways and NEAREST_KM < one.far_km <= NEW_FARTHEST_KM.value and beside < NEW_LOOKED_AT.value:
            nearest.setdefault(one.name, one)
    points, scenario, chosen = list(nearest.values()), None, list[Proposed]()
    while points and scenario is None:
        try:
            scenario = prepare(_read(wanted, points, scratch, folder))
        except InputError as error:
            off = {fault.place.removeprefix('safe point "').removesuffix('"') for fault in error.faults}
            points = [one for one in points if one.name not in off]
            if off - nearest.keys():
                raise
    reached = _reached(scenario, points) if scenario is not None else []
    outside = [one for one in reached if scenario is not None and not _in_forest(scenario, one.name)]
    for one in sorted(outside, key=lambda one: (-len(one.ways), one.far_km)):
        alike = [other for other in chosen if ("foot" in other.ways) == ("foot" in one.ways)]
        if len(alike) < NEW_SAFE_POINTS.value and all(_apart_deg(one, other) >= NEW_APART_DEG.value for other in alike):
            chosen.append(one)
    if {*wanted.ways} - {"foot"} - {way for one in chosen for way in one.ways} or not chosen:
        raise refused(
            "--safe-point",
            "no_safe_point_found",
            path=wanted.roads,
            nearest=len(nearest),
            there=len(points),
            reached=len(reached),
            outside=len(outside),
        )
    return chosen


def _apart_deg(one: Proposed, other: Proposed) -> float:
    return abs((one.bearing_deg - other.bearing_deg + 180.0) % 360.0 - 180.0)


def _reached(scenario: Scenario, points: Sequence[Proposed]) -> list[Proposed]:
    """Keep of each place the ways by which the home's roads lead there, with no fire."""
    network, reached = scenario.network, set[tuple[str, str]]()
    inside = lines_inside(scenario.inputs.terrain.grid, network.geometry)
    for way in ways(scenario.inputs.plan):
        roads = roads_for(scenario, way, inside=inside)
        for node, name in roads.targets.items():
            free = with_no_fire(network, roads.travel.time_s, targets=[node])
            if np.isfinite(free.drive_s[scenario.home_node]):
                reached.add((name, way))
    kept = [replace(one, ways=tuple(way for way in one.ways if (one.name, way) in reached)) for one in points]
    return [one for one in kept if one.ways]


def _in_forest(scenario: Scenario, name: str) -> bool:
    """Whether forest, or ground of which nothing is known, lies about a place; of one fuel for everywhere: no."""
    fuel, (row, col) = scenario.inputs.fuel, scenario.safe_cells[name]
    about = math.ceil(NEW_OPEN_M.value / fuel.grid.cell_m)
    near = np.unique(fuel.code[max(row - about, 0) : row + about + 1, max(col - about, 0) : col + about + 1])
    return len(fuel.types) > 1 and any(fuel.types[code].equation in ("forest", "any") for code in near)


def _read(wanted: Wanted, points: Sequence[Proposed], scratch: Path, folder: Path) -> HouseholdInputs:
    """Read the plan, as it would be written, and all that it names."""
    for name, text in _texts(wanted, points, scratch).items():
        (scratch / name).write_text(text, encoding="utf-8")
    try:
        return read_inputs(load_plan(scratch / "plan.toml"))
    except InputError as error:
        faults = [replace(one, place=one.place.replace(str(scratch), str(folder))) for one in error.faults]
        raise InputError(faults) from error


def _texts(wanted: Wanted, points: Sequence[Proposed], folder: Path) -> dict[str, str]:
    """The plan's own files by name; others are named from its folder where they lie in it, else by their whole path."""

    def named(file: object) -> object:
        if isinstance(file, tuple) and file and isinstance(file[0], Path):
            return named(file[0]) if len(file) == 1 else [named(one) for one in file]
        own = isinstance(file, Path) and folder in file.parents
        return file.relative_to(folder).as_posix() if own and isinstance(file, Path) else file

    south = wanted.home[1] < 0.0
    made = text_of(
        "ask/new_plan.toml.j2",
        wanted=wanted,
        files={name: named(getattr(wanted, name)) for name in ("roads", "terrain", "weather")},
        fuel={key: named(value) for key, value in wanted.fuel.items()},
        able=sum(takes_tasks for _, takes_tasks in wanted.people),
        tasks=[task for task in NEW["tasks"] if {*task["ways"]} & {*wanted.ways, "shelter"}],
        points=points,
        season="10-01" if south else "06-01",
        height_m=min(4.2, legal_size(wanted.region)[0]),
        own=partial(own_line, measures=measures_of(wanted.region)),
        reach=given_words(RULES_RADIUS_M.value, measures_of(wanted.region)),
        elsewhere=country_of(wanted.region) not in made_in("dry_eucalypt"),
        own_ratings=_rated_days(wanted.region) if rating_scale(wanted.region) == "own" else [],
    )
    if isinstance(wanted.weather, Path):
        return {"plan.toml": made}
    summer = datetime(2026, 1 if south else 8, 15, tzinfo=clock_of(wanted.home, region=wanted.region))
    hours = [(summer + timedelta(hours=hour)).isoformat() for hour in range(36)]
    heat, wet, wind, wind_from = wanted.weather
    measures = measures_of(wanted.region)
    told = {"temperature": ("c", heat), "wind_speed": ("km_h", wind)}
    if measures.imperial:
        told["wind_speed"] = "mph", wind / KM_H_PER_MPH
    if measures.fahrenheit:
        told["temperature"] = "f", heat * 1.8 + 32.0
    day = (told["temperature"][1], wet, told["wind_speed"][1], wind_from)
    columns = [f"{name}_{unit}" for name, (unit, _) in told.items()]
    table = text_of("ask/new_weather.csv.j2", override=OVERRIDE, hours=hours, day=day, columns=columns)
    return {"plan.toml": made, "weather.csv": table}
