"""The questions, from files to answers: reads what a plan names and hands it to the decision room."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from leaveby import __version__
from leaveby.decision.fires.scenario import HouseholdInputs, plan_points, prepare
from leaveby.decision.ways.roads import road_check
from leaveby.errors import Fault, InputError
from leaveby.files.read.grids import read_fuel, read_terrain, read_weather
from leaveby.files.read.places import read_places
from leaveby.files.read.plan import read_plan
from leaveby.files.read.roads import read_roads
from leaveby.fire.spread.series import MODELS
from leaveby.household.plan import Plan, Way

if TYPE_CHECKING:
    from leaveby.decision.household.answer import Progress
    from leaveby.decision.ways.result import HouseholdResult

Read = TypeVar("Read")


def load_plan(path: str | Path) -> Plan:
    """Read a plan file and check it, the names of its fire models included.

    Raises
    ------
    InputError
        With every fault of the file.

    Examples
    --------
    >>> load_plan("nowhere.toml")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: nowhere.toml: there is no such file. Expected a plan file (TOML). To mend it: ...
    """
    return read_plan(path, fire_models=MODELS)


def read_inputs(plan: Plan) -> HouseholdInputs:
    """Read everything a plan names onto one grid, and bring all faults of all files together.

    Raises
    ------
    InputError
        With the faults of terrain, fuel, weather and roads at once, as far as each can be read on its own.
    """
    ground = read_terrain(plan.terrain.file, plan_points(plan), cell_m=plan.terrain.cell_m)
    grid = ground.terrain.grid
    faults: list[Fault] = []

    def gathered(reader: Callable[[], Read]) -> Read | None:
        try:
            return reader()
        except InputError as error:
            faults.extend(error.faults)
            return None

    fuel = gathered(
        lambda: read_fuel(
            grid, plan.fuel.file, legend=plan.fuel.legend, column=plan.fuel.column, one_type=plan.fuel.type
        )
    )
    weather = gathered(
        lambda: read_weather(
            plan.weather.file,
            grid,
            drought_factor=plan.weather.drought_factor,
            fill_gaps=plan.weather.fill_gaps,
            use_gusts=plan.weather.use_gusts,
        )
    )
    home_deg = (plan.home.lon_deg, plan.home.lat_deg)
    network = gathered(lambda: read_roads(plan.roads.file, crs=grid.crs, home_deg=home_deg))
    if fuel is None or weather is None or network is None:
        raise InputError(faults)
    read = file_record(
        plan=plan.where,
        roads=plan.roads.file,
        terrain=plan.terrain.file,
        fuel=plan.fuel.file,
        fuel_legend=plan.fuel.legend,
        weather=plan.weather.file,
    )
    record = {"leaveby": __version__, "seed": str(plan.seed), "members": str(plan.members), **read}
    return HouseholdInputs(
        plan=plan,
        terrain=ground.terrain,
        fuel=fuel,
        weather=weather,
        network=network,
        assumptions=ground.assumptions,
        record=record,
        places=tuple((place.name, place.lon_deg, place.lat_deg) for place in read_places(plan.roads.file)),
    )


def file_record(**files: str | Path | None) -> dict[str, str]:
    """The version, and the name and digest of each file that is there, for the record of an answer."""
    record = {"leaveby": __version__}
    for name, path in files.items():
        if path is not None and Path(path).is_file():
            with Path(path).open("rb") as source:
                record[name] = f"{Path(path).name} sha256:{hashlib.file_digest(source, 'sha256').hexdigest()}"
    return record


def plan_household(
    plan: Plan | str | Path,
    *,
    members: int | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
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

    Raises
    ------
    InputError
        With every fault of the plan and of what it names.
    """
    # here, since checking a plan does without
    from threadpoolctl import threadpool_limits

    from leaveby.decision.household.answer import answer_household
    from leaveby.decision.ways.result import HouseholdResult
    from leaveby.show.in_python import html_of

    # The answer knows nothing of how it is shown; a notebook asks it all the same.
    HouseholdResult._repr_html_ = html_of  # type: ignore[attr-defined]

    read = plan if isinstance(plan, Plan) else load_plan(plan)
    read = read if members is None else replace(read, members=members)
    # numpy's own threads only wait for each other on matrices as small as these
    with threadpool_limits(1, user_api="blas"):
        return answer_household(read_inputs(read), workers=workers or os.cpu_count() or 1, progress=progress)


def check_roads(inputs: HouseholdInputs) -> dict[Way, str]:
    """Say for each way of leaving how the home gets to the first public road, and whether a route leads on from there.

    Raises
    ------
    InputError
        With every fault of the plan's places.
    """
    return road_check(prepare(inputs))


def check_household(plan: Plan | str | Path) -> HouseholdInputs:
    """Read a plan and everything it names, say every fault, and compute no fire.

    Raises
    ------
    InputError
        With every fault.
    """
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
    """Find the notebooks: in the installed package, or beside it in a checkout.

    Raises
    ------
    InputError
        When the installation lacks them.
    """
    return _shipped("_notebooks", "notebooks", what="notebooks")


def _shipped(inside: str, beside: str, *, what: str) -> Path:
    package = Path(__file__).resolve().parents[1]
    for folder in (package.parents[1] / beside, package / inside):
        if folder.is_dir():
            return folder
    raise InputError(
        [Fault("the installation", f"lacks the {what}", f"a folder {inside} in {package}", "install leaveby anew")]
    )
