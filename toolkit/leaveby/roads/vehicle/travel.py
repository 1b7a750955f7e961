"""How long this vehicle takes on each stretch of road, and which it can't use."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby import parameters
from leaveby.errors import InputError, refuse, refused
from leaveby.parameters import ASCENT_PER_HOUR_M, CRAWL_M_S, GATE_TIME_S, POSTED_SHARE, UNREADABLE_POSTED_KM_H
from leaveby.regions import sentences
from leaveby.roads.network.grades import EdgeGrades, constant_grades
from leaveby.roads.network.graph import MOTORWAYS, SEPARATOR, TAGS, RoadNetwork, judged
from leaveby.roads.vehicle.pull import RoadVehicle, sustained_speed_m_s
from leaveby.roads.vehicle.restrictions import gate_count, legal_size, why_closed
from leaveby.roads.vehicle.speeds import posted_speed_m_s, rolling_resistance, surface_speed_m_s, usual_speed_m_s
from leaveby.units import SECONDS_PER_HOUR

_FEW = 5


@dataclass(frozen=True, eq=False)
class EdgeTravel:
    """Travel over each edge of a network by one vehicle.

    - `time_s`: to clear the edge; inf where the vehicle can't use it.
    - `why_not`: why it can't, '' where it can.
    """

    time_s: NDArray[np.float64]
    usable: NDArray[np.bool_]
    why_not: tuple[str, ...]
    assumptions: tuple[str, ...]


def travel(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    grade: NDArray[np.float64] | EdgeGrades | None = None,
    region: str = "AU",
    opened: NDArray[np.bool_] | None = None,
) -> EdgeTravel:
    """Travel time of a vehicle on every edge.

    The speed is the least of nine tenths of the posted speed or the usual speed for the class, what the surface allows,
    the vehicle's own or towing limit, and what the engine holds on the grade with the mass. On foot it is the walking
    speed, and an hour more for each 600 m of ascent.

    - `grade`: rise over run in the direction of travel; left out, roads count as level, and that is said.
    - `region`: country, or country and state (`AU-NSW`), for legal speeds and heights.
    - `opened`: edges whose gates and private access this household opens, beside the ways of `opens_gates`.

    Raises InputError for values out of range.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> network = network_from_lines([[(0.0, 0.0), (500.0, 0.0)]], crs="EPSG:32755", tags=[{"maxspeed": "50"}])
    >>> car = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=9e4)
    >>> travel(network, car).time_s.tolist()
    [40.0, 40.0]
    """
    count = network.edge_count
    grades = _grades(grade, count=count)
    on_foot = vehicle.mode == "foot"

    doubts: list[str] = []
    why = _closures(network, vehicle, region=region, doubts=doubts, own=opened)
    if on_foot:
        cap = np.full(count, vehicle.walking_speed_m_s)
    else:
        speeds, shut = zip(*_road_speeds(network, vehicle, region=region, doubts=doubts), strict=True)
        cap, why = np.array(speeds, dtype=np.float64), [one or other for one, other in zip(why, shut, strict=True)]
    time_s, stops = _times(network, vehicle, grades=grades, cap=cap)
    why = [one or stops.get(edge, "") for edge, one in enumerate(why)]
    gates = np.array([0 if on_foot or not value else gate_count(value) for value in network.barrier], dtype=np.float64)
    usable = np.array([reason == "" for reason in why], dtype=np.bool_)
    time_s = np.where(usable, time_s + gates * GATE_TIME_S.value, np.inf)
    if not np.isfinite(time_s[usable]).all():
        bad = int(np.flatnonzero(usable & ~np.isfinite(time_s))[0])
        raise refuse(network.place(bad), "it has no travel time", expected="a speed above 0", mend="correct its tags")
    said = _sentences(vehicle, level=grades is None, gated=bool((gates > 0).any()), region=region)
    said += [*(grades.assumptions if grades else ()), *_counted(doubts)]
    return EdgeTravel(time_s=time_s, usable=usable, why_not=tuple(why), assumptions=(*network.assumptions, *said))


def _grades(grade: NDArray[np.float64] | EdgeGrades | None, *, count: int) -> EdgeGrades | None:
    if grade is None:
        return None
    grades = grade if isinstance(grade, EdgeGrades) else constant_grades(np.asarray(grade, dtype=np.float64))
    if grades.mean.shape != (count,):
        raise refused("grade", "grades_of_another_network", size=grades.mean.size, count=count)
    return grades


_NOT_SHUTTING: Final = ("name", "ref", "maxspeed", "surface", "lanes")


def _closures(
    network: RoadNetwork, vehicle: RoadVehicle, *, region: str, doubts: list[str], own: NDArray[np.bool_] | None
) -> list[str]:
    """Why each edge is closed."""
    opened = np.isin(network.way_id, list(vehicle.opens_gates))
    if own is not None:
        opened = opened | own

    def judge(edge: int, tags: dict[str, str]) -> str:
        return why_closed(
            tags,
            vehicle=vehicle,
            opened=bool(opened[edge]),
            foot_only=bool(network.foot_only[edge]),
            region=region,
            place=network.place(edge),
            doubts=doubts,
        )

    tags = [tag for tag in TAGS if tag not in _NOT_SHUTTING]
    why = judged(network, judge, tags=tags, beside=(opened, network.foot_only))
    closed = np.isin(network.way_id, list(vehicle.closed_ways))
    return ["closed in the plan" if shut else one for one, shut in zip(why, closed.tolist(), strict=True)]


def _road_speeds(
    network: RoadNetwork, vehicle: RoadVehicle, *, region: str, doubts: list[str]
) -> list[tuple[float, str]]:
    """The least of posted or usual speed, surface and vehicle limit; and why a sign shuts the edge."""

    def judge(edge: int, tags: dict[str, str]) -> tuple[float, str]:
        maxspeed, place = tags["maxspeed"], network.place(edge)
        usual = usual_speed_m_s(tags["highway"], service=tags["service"], tracktype=tags["tracktype"], region=region)
        base, closed = usual, ""
        try:
            posted = posted_speed_m_s(maxspeed, place=place)
            if posted is not None and np.isfinite(posted):
                base = posted * POSTED_SHARE.value
                if "" in maxspeed.split("|"):
                    base = min(base, usual)
        except InputError:
            if _says_zero(maxspeed):
                closed = f"maxspeed={maxspeed}"
                doubts.append(f"{place}: a posted speed of {maxspeed} is taken as closed.")
            else:
                base = min(usual, UNREADABLE_POSTED_KM_H.value / 3.6)
                doubts.append(
                    f"{place}: maxspeed={maxspeed} can't be read; {base * 3.6:.0f} km/h was taken (judgement)."
                )
        rough = {"smoothness": tags["smoothness"], "tracktype": tags["tracktype"]}
        ground = surface_speed_m_s(tags["surface"], **rough, towing=vehicle.mode == "tow")
        limit = vehicle.speed_limit_m_s
        if vehicle.motorway_limit_m_s is not None and MOTORWAYS.issuperset(tags["highway"].split(SEPARATOR)):
            limit = vehicle.motorway_limit_m_s
        return min(base, ground, limit), closed

    tags = ("highway", "maxspeed", "surface", "smoothness", "tracktype", "service")
    return judged(network, judge, tags=tags)


def _says_zero(maxspeed: str) -> bool:
    return any(part.strip().split(" ")[0].replace(".", "").strip("0") == "" for part in maxspeed.split(";") if part)


def _times(
    network: RoadNetwork, vehicle: RoadVehicle, *, grades: EdgeGrades | None, cap: NDArray[np.float64]
) -> tuple[NDArray[np.float64], dict[int, str]]:
    """Time over every edge, summed over its pieces; and why edges stop the vehicle."""
    count = network.edge_count
    flat = grades if grades is not None else constant_grades(np.zeros(count))
    of = np.repeat(np.arange(count), np.diff(flat.start))
    piece_m = network.length_m[of] * flat.share
    if vehicle.mode == "foot":
        climb_s = np.maximum(flat.grade, 0.0) * piece_m / ASCENT_PER_HOUR_M.value * SECONDS_PER_HOUR
        return np.bincount(of, weights=piece_m / cap[of] + climb_s, minlength=count).astype(np.float64), {}

    rolling = judged(
        network,
        lambda _, tags: rolling_resistance(tags["surface"], tracktype=tags["tracktype"]),
        tags=("surface", "tracktype"),
    )
    speed = np.minimum(cap[of], sustained_speed_m_s(vehicle, flat.grade, rolling=np.array(rolling)[of]))
    stopped = speed < CRAWL_M_S.value
    stop = np.bincount(of, weights=stopped, minlength=count) > 0
    stops = {edge: f"too steep ({100 * flat.steepest[edge]:.0f} %)" for edge in np.flatnonzero(stop).tolist()}
    time_s = np.bincount(of, weights=piece_m / np.where(stopped, 1.0, speed), minlength=count).astype(np.float64)
    return np.where(stop, np.inf, time_s), stops


def _sentences(vehicle: RoadVehicle, *, level: bool, gated: bool, region: str) -> list[str]:
    told = {"vehicle": vehicle, "level": level, "gated": gated, "region": region, "legal_m": legal_size(region)[1]}
    return [*sentences("roads/vehicle/travel.txt.j2", p=parameters, **told)]


def _counted(doubts: list[str]) -> list[str]:
    unique = list(Counter(doubts))
    more = [f"and {len(unique) - _FEW} more such tags."] if len(unique) > _FEW else []
    return unique[:_FEW] + more
