"""The questions, from files to answers: reads what a plan names and hands it to the decision room."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from leaveby import __version__
from leaveby.ask.new_given import clock_name
from leaveby.decision.fires.scenario import HouseholdInputs, WideGround, plan_points, prepare
from leaveby.errors import Fault, InputError, refuse, refused
from leaveby.files.read.grids import AREA_BUFFER_M, read_fuel, read_starts, read_terrain, read_weather
from leaveby.files.read.licences import credits_of
from leaveby.files.read.places import read_places
from leaveby.files.read.plan import read_plan
from leaveby.files.read.practice import read_beside
from leaveby.files.read.roads import read_roads
from leaveby.files.read.station import Station
from leaveby.fire.spread.series import MODELS
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.ratings import Rating, day_by_hand
from leaveby.fire.weather.series import Weather
from leaveby.household.plan import Plan
from leaveby.household.practice.learned import practice_said
from leaveby.regions import country_of

if TYPE_CHECKING:
    from leaveby.decision.household.answer import Progress
    from leaveby.decision.ways.result import FirstAnswer, HouseholdResult
    from leaveby.roads.exits.homes import Homes

Read = TypeVar("Read")

MOST_WIDE_CELLS = 250_000
"""Cells of the wide ground: 100 m within 25 km of a home."""


def load_plan(path: str | Path, *, text: str | None = None) -> Plan:
    """Read a plan file, or a text as if it stood there, and check it, the names of its fire models included.

    The practice runs beside it (`practice.csv`) are read with it, where there are any.

    Raises
    ------
    InputError
        With every fault of both files.

    Examples
    --------
    >>> load_plan("nowhere.toml")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: nowhere.toml: there is no such file. Expected a plan file (TOML). To mend it: ...
    """
    practice, faulty = read_beside(path)
    try:
        plan = read_plan(path, fire_models=MODELS, text=text)
    except InputError as error:
        if faulty is None:
            raise
        raise InputError((*error.faults, *faulty.faults), more=error.more + faulty.more) from error
    if faulty is not None:
        raise faulty
    if practice is None:
        return plan
    said = practice_said(plan, practice, confidence=plan.confidence)
    return replace(plan, practice=practice, assumptions=(*plan.assumptions, *said))


def read_inputs(plan: Plan, *, around_m: float = AREA_BUFFER_M) -> HouseholdInputs:
    """Read everything a plan names onto one grid, and bring all faults of all files together.

    The grid reaches `around_m` beyond the plan's places, as far as the terrain goes.

    Raises
    ------
    InputError
        With the faults of terrain, fuel, weather and roads at once, as far as each can be read on its own.
    """
    ground = read_terrain(plan.terrain.file, plan_points(plan), cell_m=plan.terrain.cell_m, around_m=around_m)
    grid = ground.terrain.grid
    faults: list[Fault] = []

    def gathered(reader: Callable[[], Read]) -> Read | None:
        try:
            return reader()
        except InputError as error:
            # a legend that both grounds name is mended once
            told = {(fault.place.partition(" ")[2], fault.wrong) for fault in faults if " " in fault.place}
            faults.extend(one for one in error.faults if (one.place.partition(" ")[2], one.wrong) not in told)
            return None

    fuel_of = partial(read_fuel, grid, plan.fuel.file, country=country_of(plan.roads.region))
    fuel = gathered(partial(fuel_of, legend=plan.fuel.legend, column=plan.fuel.column, one_type=plan.fuel.type))
    weather_of = partial(
        read_weather,
        grid=grid,
        drought_factor=plan.weather.drought_factor,
        fill_gaps=plan.weather.fill_gaps,
        use_gusts=plan.weather.use_gusts,
        station=Station(plan.weather.columns, plan.weather.clock, plan.weather.time_format),
        clock=clock_name((plan.home.lon_deg, plan.home.lat_deg), region=plan.roads.region),
    )
    weather = gathered(partial(weather_of, plan.weather.file))
    tables = {one.weather_file for one in plan.ratings if one.weather_file is not None}
    rated = {file: gathered(partial(weather_of, file)) for file in sorted(tables)}
    home_deg = (plan.home.lon_deg, plan.home.lat_deg)
    network = gathered(lambda: read_roads(plan.roads.file, crs=grid.crs, home_deg=home_deg))
    wide = gathered(lambda: read_wide(plan, grid))
    homes_file = None if plan.neighbours is None else plan.neighbours.file
    homes = None if homes_file is None else gathered(lambda: _homes(homes_file, crs=grid.crs))
    starts_on, starts_file = grid if wide is None else wide.terrain.grid, plan.rules.starts_file
    starts = None if starts_file is None else gathered(lambda: read_starts(starts_file, starts_on))
    if faults or fuel is None or weather is None or network is None:
        raise InputError(faults)
    drawn_from = (plan.terrain.file, plan.fuel.file, plan.weather.file, plan.rules.terrain_file, plan.rules.fuel_file)
    read = file_record(
        plan=plan.where,
        roads=plan.roads.file,
        terrain=plan.terrain.file,
        fuel=plan.fuel.file,
        fuel_legend=plan.fuel.legend,
        weather=plan.weather.file,
        neighbours=homes_file,
        rules_terrain=plan.rules.terrain_file,
        rules_fuel=plan.rules.fuel_file,
        rules_fuel_legend=plan.rules.fuel_legend,
        rules_starts=plan.rules.starts_file,
        practice=plan.practice.file if plan.practice else None,
        **{f"rating_{number}_weather": one.weather_file for number, one in enumerate(plan.ratings, start=1)},
    )
    record = {"leaveby": __version__, "seed": str(plan.seed), "members": str(plan.members), **read}
    return HouseholdInputs(
        plan=plan,
        terrain=ground.terrain,
        fuel=fuel,
        weather=weather,
        network=replace(network, credits=credits_of(drawn_from)),
        assumptions=(
            *ground.assumptions,
            f"Fire is computed on {_cells(grid)}; fire that comes from outside that area is not seen.",
        ),
        record=record,
        places=tuple((place.name, place.lon_deg, place.lat_deg) for place in read_places(plan.roads.file)),
        wide=wide,
        starts=starts,
        ratings=_ratings(plan, weather, rated),
        neighbours=homes,
    )


def _homes(file: Path, *, crs: str) -> Homes:
    from leaveby.files.read.homes import read_homes  # few plans name a file of homes, and it loads much

    return read_homes(file, crs=crs)


def read_wide(plan: Plan, grid: Grid) -> WideGround | None:
    """Read the coarse ground about the home and the safe points, for fire that nobody knows yet.

    It reaches as far around them as the rules ask, or as its terrain file goes; None where the plan names none of it.

    Parameters
    ----------
    grid : Grid
        Of the plan's own ground, which the wide one must hold, for the ways out lie on it.

    Raises
    ------
    InputError
        With the faults of its files, and where it holds less than the plan's own ground.
    """
    rules = plan.rules
    level = plan.terrain.flat and (rules.fuel_file is not None or rules.fuel_type is not None)
    if rules.terrain_file is None and not level:
        return None
    ground = read_terrain(
        rules.terrain_file,
        plan_points(replace(plan, ignitions=())),
        cell_m=rules.cell_m,
        key="rules.terrain_file",
        crs=grid.crs,
        # a cell more than asked, since the grid ends with whole cells in the south and east
        around_m=rules.radius_m + (rules.cell_m or rules.radius_m / 100.0),
        at_most=MOST_WIDE_CELLS,
    )
    wide = ground.terrain.grid
    # Both grids end with whole cells, so that of the same file the wide one may stop a cell sooner.
    sides = zip(("west", "south", "east", "north"), wide.bounds_m, grid.bounds_m, (1, 1, -1, -1), strict=True)
    short = [
        f"{abs(own - end):.0f} m in the {side}" for side, end, own, way in sides if way * (end - own) > wide.cell_m
    ]
    if short:
        raise refused("rules.terrain_file", "wide_ground_too_small", short=", ".join(short))
    fuel = read_fuel(
        wide,
        rules.fuel_file,
        legend=rules.fuel_legend,
        column=rules.fuel_column,
        one_type=rules.fuel_type,
        keys="rules.fuel_",
        country=country_of(plan.roads.region),
    )
    said = f"The rules for a fire nobody knows yet are computed on {_cells(wide)}."
    return WideGround(ground.terrain, fuel, (*ground.assumptions, said))


def _cells(grid: Grid) -> str:
    return f"{grid.cols} x {grid.rows} cells of {grid.cell_m:.0f} m"


def _ratings(plan: Plan, weather: Weather, tables: Mapping[Path, Weather | None]) -> tuple[Rating, ...]:
    """Give the plan's ratings, each with the day that the plan gives it by hand or as a table."""
    found = []
    for number, one in enumerate(plan.ratings, start=1):
        day = None if one.weather_file is None else tables[one.weather_file]
        if one.wind_m_s is not None and one.air_temperature_c is not None and one.relative_humidity_percent is not None:
            day = day_by_hand(
                weather,
                air_temperature_c=one.air_temperature_c,
                relative_humidity_percent=one.relative_humidity_percent,
                wind_speed_m_s=one.wind_m_s,
            )
        file = "" if one.weather_file is None else one.weather_file.name
        where = f'{plan.where}: ratings[{number}] "{one.name}"'
        found.append(Rating(one.name, one.stands_for, day, leave=one.leave, where=where, file=file))
    return tuple(found)


def file_record(**files: str | Path | Sequence[Path] | None) -> dict[str, str]:
    """The version, and the name and digest of each file that is there, for the record of an answer."""
    record = {"leaveby": __version__}
    for name, held in files.items():
        paths = [held] if isinstance(held, str | Path) else held or ()
        for number, path in enumerate(map(Path, paths), start=1):
            if path.is_file():
                with path.open("rb") as source:
                    digest = hashlib.file_digest(source, "sha256").hexdigest()
                record[f"{name}_{number}" if number > 1 else name] = f"{path.name} sha256:{digest}"
    return record


def plan_household(
    plan: Plan | str | Path,
    *,
    members: int | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    first: Callable[[FirstAnswer], None] | None = None,
) -> HouseholdResult:
    """Answer the household question for a plan, or for the plan in a file.

    Parameters
    ----------
    members : int, optional
        How many times the uncertain day is played through; as the plan says when left out.
    workers : int, optional
        Threads; as many as the machine has processors when left out. The answer does not depend on it.
    progress : callable, optional
        Called with (what, done, total, present leave-bys in words).
    first : callable, optional
        Called with what few fires say of the ways of leaving, while more are solved; not without a fire.

    Raises
    ------
    InputError
        With every fault of the plan and of what it names.
    """
    # here, since checking a plan does without
    from threadpoolctl import threadpool_limits

    from leaveby.decision.household.answer import answer_household
    from leaveby.decision.ways.result import HouseholdResult

    # The answer knows nothing of how it is shown; a notebook asks it all the same.
    HouseholdResult._repr_html_ = _html_of  # type: ignore[attr-defined]

    read = plan if isinstance(plan, Plan) else load_plan(plan)
    read = read if members is None else replace(read, members=members)
    # numpy's own threads only wait for each other on matrices as small as these
    with threadpool_limits(1, user_api="blas"):
        inputs = read_inputs(read)
        threads, room = workers or os.cpu_count() or 1, room_bytes()
        return answer_household(inputs, workers=threads, progress=progress, first=first, room_bytes=room)


def room_bytes() -> float:
    """Say how much memory this machine has, or the container that this runs in; inf where nothing tells."""
    found = [inf]
    with suppress(AttributeError, OSError, ValueError):  # a system that has no such question
        found.append(float(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")))
    with suppress(OSError, ValueError):  # no container, or one without a limit
        found.append(float(Path("/sys/fs/cgroup/memory.max").read_text("ascii")))
    return min(found)


def _html_of(result: HouseholdResult) -> str:
    from leaveby.show.in_python import html_of  # the maps and layers that it brings are loaded when it is shown

    return html_of(result)


def check_household(plan: Plan | str | Path) -> HouseholdInputs:
    """Read a plan and everything it names, say every fault (InputError), and compute no fire."""
    inputs = read_inputs(plan if isinstance(plan, Plan) else load_plan(plan))
    prepare(inputs)
    return inputs


def demo_folder() -> Path:
    """Find the demo's files: in the installed package, or beside it in a checkout.

    Raises
    ------
    InputError
        When the installation lacks them.
    """
    return _shipped("_demo", "data_demo", what="demo files")


def notebooks_folder() -> Path:
    """Find the notebooks, as `demo_folder` finds the demo's files."""
    return _shipped("_notebooks", "notebooks", what="notebooks")


def _shipped(inside: str, beside: str, *, what: str) -> Path:
    package = Path(__file__).resolve().parents[1]
    for folder in (package.parents[1] / beside, package / inside):
        if folder.is_dir():
            return folder
    expected = f"a folder {inside} in {package}"
    raise refuse("the installation", f"lacks the {what}", expected=expected, mend="install leaveby anew")
