"""What `leaveby check` says of a file that can be read: ways out, how far its files reach, what was supposed, by key.

No fire is computed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from leaveby.ask.household import load_plan, read_inputs
from leaveby.decision.district.result import not_counted
from leaveby.decision.fires.closing import lines_inside
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, prepare, ratings_days
from leaveby.decision.ways.result import WAY_WORDS
from leaveby.decision.ways.roads import WayRoads, road_sentence, roads_for, with_no_fire
from leaveby.errors import Fault
from leaveby.files.read.plan import with_line
from leaveby.fire.fuel.types import UNMAPPED
from leaveby.fire.fuel.zones import FuelMap
from leaveby.household.plan import asked_ways, ways
from leaveby.household.plan_tables import Way
from leaveby.regions import table
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import route, street
from leaveby.units import Measures

_CHANGES: Final = table("ask/check")
_Box = tuple[float, float, float, float]
_SIDES: Final = ("north", "east", "south", "west")
_LEAST_UNMAPPED: Final = 0.01


@dataclass(frozen=True)
class Checked:
    """What there is to say of a plan, or of a district, without a fault.

    - `roads`: for each way of leaving, how the home gets out, or the homes.
    - `reach`: how far roads, ground and fuel go, by direction, and what is not seen beyond.
    - `changes`: what could be written to get out where nothing leads out now.
    - `assumptions`: all that was taken for granted of plan, terrain, fuel, weather and roads, with the key to change.
    """

    roads: Mapping[Way, str]
    reach: tuple[str, ...]
    changes: tuple[str, ...]
    assumptions: tuple[str, ...]


def check_file(path: Path) -> tuple[str, list[str], Checked, Measures]:
    """Check a file with all that it names.

    Gives which kind it is, by its sections ("plan" too where it can't be read), what a drill or district holds, what
    there is to say of it, and in which units. Raises InputError with every fault.
    """
    from leaveby.ask.drill import check_drill, found_in, is_drill  # here, since `new` checks plans alone
    from leaveby.files.read.district_shape import is_district

    if is_drill(path):
        script, inputs = check_drill(path)
        return "drill", found_in(script), check_inputs(inputs), inputs.plan.measures
    if is_district(path):
        return "district", *check_district(path)
    inputs = read_inputs(load_plan(path))
    return "plan", [], check_inputs(inputs), inputs.plan.measures


def check_inputs(inputs: HouseholdInputs) -> Checked:
    """Check what a plan holds together with all that it names.

    Raises
    ------
    InputError
        With every fault of the plan's places, and of the days of its ratings.
    """
    scenario, plan = prepare(inputs), inputs.plan
    (x, y), around = scenario.home_xy_m, (*scenario.home_xy_m, *scenario.home_xy_m)
    ratings_days(inputs)
    inside = lines_inside(inputs.terrain.grid, scenario.network.geometry)
    known = {way: roads_for(scenario, way, inside=inside) for way in ways(plan)}
    found = {way: known[way] for way in asked_ways(plan, {way: not roads.why_none for way, roads in known.items()})}
    wide = () if inputs.wide is None else (*inputs.wide.assumptions, *inputs.wide.fuel.assumptions)
    supposed = [*plan.assumptions, *inputs.assumptions, *inputs.fuel.assumptions, *inputs.weather.assumptions]
    supposed += [*wide, *(line for roads in found.values() for line in roads.travel.assumptions)]
    file = Path(plan.where)
    text = file.read_text(encoding="utf-8-sig") if file.is_file() else ""
    return Checked(
        roads={way: road_sentence(scenario, roads) for way, roads in found.items()},
        reach=(
            _roads_end(scenario.network, around, "home"),
            *_ground_ends(scenario, around),
            *_unmapped(inputs.fuel, "the worked day", "fuel.file", (x, y), "home"),
            *(
                ()
                if inputs.wide is None
                else _unmapped(inputs.wide.fuel, "the rules", "rules.fuel_file", (x, y), "home")
            ),
        ),
        changes=tuple(line for roads in found.values() for line in _gates(scenario, roads, text)),
        assumptions=tuple(_with_key(line, plan.where, text) for line in dict.fromkeys(supposed)),
    )


def check_district(path: Path) -> tuple[list[str], Checked, Measures]:
    """Check a district file with all that it names: what it holds, what there is to say of it, and in which units.

    Raises
    ------
    InputError
        With every fault of the file, of what it names, and of its places.
    """
    from leaveby.ask.district import read_ground  # here, since checking a plan does without

    ground = read_ground(path)
    inputs, roads, homes, text = ground.inputs, ground.roads, ground.roads.homes, ground.file.text
    box = (homes.x_m.min(), homes.y_m.min(), homes.x_m.max(), homes.y_m.max())
    around: _Box = tuple(map(float, box))  # type: ignore[assignment]
    middle = ((around[0] + around[2]) / 2.0, (around[1] + around[3]) / 2.0)
    grid_m = _told(_sides_m(around, inputs.terrain.grid.bounds_m))
    fires = ground.file.own["fires"]["of_each_rating"]
    found = [
        f"A district of {homes.dwellings.sum():g} homes, each with {ground.file.own['district']['people_per_home']:g} "
        "people.",
        f"{fires} fires for each of these ratings: {', '.join(day.name for day in ground.days)}.",
        *not_counted(ground.left_out, len(ground.no_way_out)),
    ]
    way, ends = ground.file.own["need"]["way"], ", ".join(roads.exits)
    checked = Checked(
        roads={way: f"Leaving {WAY_WORDS[way]}: from each of these homes a route leads to a safe point ({ends})."},
        reach=(
            _roads_end(inputs.network, around, "the homes"),
            f"The ground of the fires ends {grid_m} of the homes: fire from farther is not seen (terrain.file).",
            *_unmapped(inputs.fuel, "the fires", "fuel.file", middle, "the middle of the homes"),
        ),
        changes=(),
        assumptions=tuple(_with_key(line, inputs.plan.where, text, kind="district") for line in ground.assumptions),
    )
    return found, checked, inputs.plan.measures


def _with_key(sentence: str, where: str, text: str, *, kind: str = "plan") -> str:
    """A sentence, and the key to write where what it says can be changed by one, with its line."""
    for change in (*_CHANGES.get(kind, ()), *_CHANGES["changes"]):
        if found := re.search(change["says"], sentence):
            return f"{sentence} To change it: {_place(change['key'], where, text)}, {found.expand(change['write'])}."
    return sentence


def _place(key: str, where: str, text: str) -> str:
    """A key with the file and the line where it stands, or where its section begins."""
    return with_line(Fault(f"{where}: {key}", "", "", ""), text, where=where).place


def _sides_m(around: _Box, box: _Box) -> dict[str, float]:
    """How far a box (west, south, east, north) goes beyond another to each side."""
    (west, south, east, north), (low_x, low_y, high_x, high_y) = box, around
    return dict(zip(_SIDES, (north - high_y, east - high_x, low_y - south, low_x - west), strict=True))


def _told(sides_m: Mapping[str, float]) -> str:
    return ", ".join(f"{max(far_m, 0.0) / 1000.0:.1f} km {side}" for side, far_m in sides_m.items())


def _roads_end(network: RoadNetwork, around: _Box, whose: str) -> str:
    box = (network.x_m.min(), network.y_m.min(), network.x_m.max(), network.y_m.max())
    roads_m = _sides_m(around, tuple(map(float, box)))  # type: ignore[arg-type]
    return f"The roads end {_told(roads_m)} of {whose}: a way out beyond is not seen (roads.file)."


def _ground_ends(scenario: Scenario, around: _Box) -> Iterator[str]:
    inputs = scenario.inputs
    own_m = _sides_m(around, inputs.terrain.grid.bounds_m)
    if inputs.plan.has_worked_day or inputs.wide is None:
        yield f"The ground of the worked day ends {_told(own_m)} of home: fire from farther is not seen (terrain.file)."
    radius_m = inputs.plan.rules.radius_m
    wide_m = own_m if inputs.wide is None else _sides_m(around, inputs.wide.terrain.grid.bounds_m)
    short = {side: far_m for side, far_m in wide_m.items() if far_m < radius_m}
    if short:
        yield (
            f"The ground of the rules ends {_told(short)} of home, and they are for fires within "
            f"{radius_m / 1000.0:g} km: those that start farther on these sides are not seen by the rules "
            "(rules.terrain_file)."
        )


def _unmapped(fuel: FuelMap, ground: str, key: str, at: tuple[float, float], whose: str) -> Iterator[str]:
    """On which sides of a place the fuel says nothing."""
    grid, (x, y) = fuel.grid, at
    nothing = np.isin(fuel.code, [n for n, kind in enumerate(fuel.types) if kind == UNMAPPED])
    east, north = np.meshgrid(grid.x_m - x, grid.y_m - y)
    side = np.round(np.degrees(np.arctan2(east, north)) / 90.0).astype(int) % 4
    share = {word: float(nothing[side == n].mean()) if (side == n).any() else 0.0 for n, word in enumerate(_SIDES)}
    told = ", ".join(f"{100.0 * one:.0f} % {word}" for word, one in share.items() if one >= _LEAST_UNMAPPED)
    if told:
        yield (
            f"Of the ground of {ground}, the fuel file says nothing of {told} of {whose}: it burns there as the "
            f"fastest of all ({key})."
        )


def _gates(scenario: Scenario, roads: WayRoads, text: str) -> Iterator[str]:
    """The gates and private ways to name where nothing leads out but through them."""
    plan, network = scenario.inputs.plan, scenario.network
    if not roads.why_none or not roads.targets:
        return
    shortest = route(network, with_no_fire(network, network.length_m, targets=[*roads.targets]), scenario.home_node)
    shut = [edge for edge in (shortest.edges if shortest else ()) if not roads.travel.usable[edge]]
    named = {f"w{network.way_id[edge]}": street(network, edge) for edge in shut if network.way_id[edge] > 0}
    opened = tuple(dict.fromkeys((*plan.roads.open_gates, *named)))
    tried = replace(plan, roads=replace(plan.roads, open_gates=opened))
    inside = lines_inside(scenario.inputs.terrain.grid, network.geometry)
    again = roads_for(replace(scenario, inputs=replace(scenario.inputs, plan=tried)), roads.way, inside=inside)
    if named and not again.why_none:
        ids = ", ".join(f'"{one}"' for one in opened)
        yield (
            f"Leaving {WAY_WORDS[roads.way]}, a route leads out through {', '.join(dict.fromkeys(named.values()))}: if "
            f"you can open it at once, in smoke and without power, write open_gates = [{ids}] in "
            f"{_place('[roads] open_gates', plan.where, text)}."
        )
