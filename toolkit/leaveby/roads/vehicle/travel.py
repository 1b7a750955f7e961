"""How long this vehicle takes on each stretch of road, and which it can't use."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import InputError, refuse, refused
from leaveby.parameters import ASCENT_PER_HOUR_M, CRAWL_M_S, GATE_TIME_S, POSTED_SHARE, UNREADABLE_POSTED_KM_H
from leaveby.roads.network.grades import EdgeGrades, constant_grades
from leaveby.roads.network.graph import TAGS, RoadNetwork, judged
from leaveby.roads.vehicle.pull import RoadVehicle, sustained_speed_m_s
from leaveby.roads.vehicle.restrictions import gate_count, why_closed
from leaveby.roads.vehicle.speeds import (
    posted_speed_m_s,
    rolling_resistance,
    sight_speed_m_s,
    surface_speed_m_s,
    usual_speed_m_s,
)
from leaveby.units import SECONDS_PER_HOUR

_FEW = 5


@dataclass(frozen=True, eq=False)
class EdgeTravel:
    """Travel over each edge of a network by one vehicle.

    - `time_s`: to clear the edge; inf where the vehicle can't use it.
    - `why_not`: why it can't, '' where it can.
    - `limited_by`: what sets the speed: `posted`, `usual`, `surface`, `vehicle limit`, `grade`, `smoke`, `walking`; ''
      where closed.
    """

    time_s: NDArray[np.float64]
    usable: NDArray[np.bool_]
    why_not: tuple[str, ...]
    limited_by: tuple[str, ...]
    assumptions: tuple[str, ...]


def travel(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    grade: NDArray[np.float64] | EdgeGrades | None = None,
    visibility_m: float | NDArray[np.float64] | None = None,
    region: str = "AU",
    posted_share: float = POSTED_SHARE.value,
    opened: NDArray[np.bool_] | None = None,
) -> EdgeTravel:
    """Travel time of a vehicle on every edge.

    The speed is the least of the posted speed (times `posted_share`) or the usual speed for the class, what the surface
    allows, the vehicle's own or towing limit, what the engine holds on the grade with the mass, and the speed from
    which one can stop within the distance one sees. On foot it is the walking speed, and an hour more for each 600 m of
    ascent.

    Parameters
    ----------
    grade : NDArray[np.float64], shape (e,), or EdgeGrades, optional
        Rise over run in the direction of travel. Left out, roads count as level, and that is said.
    visibility_m : float or NDArray[np.float64], shape (e,), optional
        Distance seen through smoke; clear air when left out.
    region : str
        Country, or country and state (`AU-NSW`), for legal speeds and heights.
    posted_share : float
        Mean speed over the posted limit, above 0 to 1.
    opened : NDArray[np.bool_], shape (e,), optional
        Edges whose gates and private access this household opens, beside the ways of `opens_gates`.

    Raises
    ------
    InputError
        For values out of range.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> network = network_from_lines([[(0.0, 0.0), (500.0, 0.0)]], crs="EPSG:32755", tags=[{"maxspeed": "50"}])
    >>> car = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=9e4)
    >>> result = travel(network, car, posted_share=1.0)
    >>> result.time_s.tolist(), result.limited_by
    ([36.0, 36.0], ('posted', 'posted'))
    """
    count = network.edge_count
    if not 0.0 < posted_share <= 1.0:
        raise refuse("posted_share", f"it is {posted_share}", expected="above 0 to 1", mend="correct it")
    seen = None if visibility_m is None else _seen_m(visibility_m, count)
    grades = _grades(grade, count=count)
    on_foot = vehicle.mode == "foot"

    doubts: list[str] = []
    why = _closures(network, vehicle, region=region, doubts=doubts, own=opened)
    if on_foot:
        cap, source = np.full(count, vehicle.walking_speed_m_s), ["walking"] * count
    else:
        found = _road_speeds(network, vehicle, region=region, posted_share=posted_share, doubts=doubts)
        speeds, source, shut = (list(column) for column in zip(*found, strict=True))
        cap, why = np.array(speeds, dtype=np.float64), [one or other for one, other in zip(why, shut, strict=True)]
    time_s, stops = _times(network, vehicle, grades=grades, cap=cap, seen=seen, limited=source)
    why = [one or stops.get(edge, "") for edge, one in enumerate(why)]
    gates = np.array([0 if on_foot or not value else gate_count(value) for value in network.barrier], dtype=np.float64)
    usable = np.array([reason == "" for reason in why], dtype=np.bool_)
    time_s = np.where(usable, time_s + gates * GATE_TIME_S.value, np.inf)
    if not np.isfinite(time_s[usable]).all():
        bad = int(np.flatnonzero(usable & ~np.isfinite(time_s))[0])
        raise refuse(network.place(bad), "it has no travel time", expected="a speed above 0", mend="correct its tags")
    said = _sentences(
        vehicle, level=grades is None, smoke=seen is not None, posted_share=posted_share, gated=bool((gates > 0).any())
    )
    return EdgeTravel(
        time_s=time_s,
        usable=usable,
        why_not=tuple(why),
        limited_by=tuple(rule if open_ else "" for rule, open_ in zip(source, usable, strict=True)),
        assumptions=(*network.assumptions, *said, *(grades.assumptions if grades else ()), *_counted(doubts)),
    )


def _seen_m(visibility_m: float | NDArray[np.float64], count: int) -> NDArray[np.float64]:
    array = np.asarray(visibility_m, dtype=np.float64)
    what, shape = "visibility_m", array.shape
    if shape not in ((), (count,)):
        raise refuse(what, f"its shape is {shape}", expected=f"one value, or {count}", mend="give one per edge")
    if np.isnan(array).any() or (array < 0.0).any():
        raise refuse(what, "a value is missing or too low", expected="0 or more", mend="correct it")
    return np.broadcast_to(array, (count,))


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
    return judged(network, judge, tags=tags, beside=(opened, network.foot_only))


def _road_speeds(
    network: RoadNetwork, vehicle: RoadVehicle, *, region: str, posted_share: float, doubts: list[str]
) -> list[tuple[float, str, str]]:
    """The least of posted or usual speed, surface and vehicle limit; which of them it is; and why a sign shuts it."""

    def judge(edge: int, tags: dict[str, str]) -> tuple[float, str, str]:
        maxspeed, place = tags["maxspeed"], network.place(edge)
        usual = usual_speed_m_s(tags["highway"], service=tags["service"], tracktype=tags["tracktype"], region=region)
        base, rule, closed = usual, "usual", ""
        try:
            posted = posted_speed_m_s(maxspeed, place=place)
            if posted is not None and np.isfinite(posted):
                base, rule = posted * posted_share, "posted"
                if "" in maxspeed.split("|"):
                    base, rule = min((base, rule), (usual, "usual"))
        except InputError:
            if _says_zero(maxspeed):
                closed = f"maxspeed={maxspeed}"
                doubts.append(f"{place}: a posted speed of {maxspeed} is taken as closed.")
            else:
                base = min(usual, UNREADABLE_POSTED_KM_H.value / 3.6)
                doubts.append(
                    f"{place}: maxspeed={maxspeed} can't be read; {base * 3.6:.0f} km/h was taken (judgement)."
                )
        ground = surface_speed_m_s(
            tags["surface"],
            smoothness=tags["smoothness"],
            tracktype=tags["tracktype"],
            towing=vehicle.mode == "tow",
        )
        choices = [(base, rule), (ground, "surface"), (vehicle.speed_limit_m_s, "vehicle limit")]
        return (*min(choices, key=lambda item: item[0]), closed)

    tags = ("highway", "maxspeed", "surface", "smoothness", "tracktype", "service")
    return judged(network, judge, tags=tags)


def _says_zero(maxspeed: str) -> bool:
    return any(part.strip().split(" ")[0].replace(".", "").strip("0") == "" for part in maxspeed.split(";") if part)


def _times(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    grades: EdgeGrades | None,
    cap: NDArray[np.float64],
    seen: NDArray[np.float64] | None,
    limited: list[str],
) -> tuple[NDArray[np.float64], dict[int, str]]:
    """Time over every edge, summed over its pieces; why edges stop the vehicle. Notes in `limited` what limits most."""
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
    engine = sustained_speed_m_s(vehicle, flat.grade, rolling=np.array(rolling)[of])
    sight = np.full(of.size, np.inf) if seen is None else sight_speed_m_s(seen[of], grade=flat.grade)
    speed = np.minimum(np.minimum(cap[of], engine), sight)
    stopped = speed < CRAWL_M_S.value
    stop = np.bincount(of, weights=stopped, minlength=count) > 0
    blind = np.bincount(of, weights=sight < CRAWL_M_S.value, minlength=count) > 0
    stops = {
        edge: "no sight in the smoke" if blind[edge] else f"too steep ({100 * flat.steepest[edge]:.0f} %)"
        for edge in np.flatnonzero(stop).tolist()
    }
    piece_s = piece_m / np.where(stopped, 1.0, speed)
    time_s = np.bincount(of, weights=piece_s, minlength=count).astype(np.float64)
    for edge in np.flatnonzero(time_s > network.length_m / cap * (1.0 + 1e-9)):
        at = slice(flat.start[edge], flat.start[edge + 1])
        limited[edge] = "smoke" if (sight[at] < engine[at]).sum() * 2 > at.stop - at.start else "grade"
    return np.where(stop, np.inf, time_s), stops


def _sentences(vehicle: RoadVehicle, *, level: bool, smoke: bool, posted_share: float, gated: bool) -> list[str]:
    said = []
    if level:
        said.append("Roads count as level: no terrain was given. Hills make the drive longer than computed.")
    if vehicle.mode == "foot":
        said.append(
            f"On foot: {vehicle.walking_speed_m_s * 3.6:.1f} km/h (judgement), and an hour more per "
            f"{ASCENT_PER_HOUR_M.value:.0f} m of ascent (Naismith)."
        )
        if smoke:
            said.append("On foot: smoke was not taken to slow walking; no figures for it were found.")
        return said
    said.append(
        f"{vehicle.name}: mean speed is {100 * posted_share:.0f} % of the posted limit; where none is posted, the "
        "usual speed for the class of road (judgement)."
    )
    said.append(
        f"{vehicle.name}: {vehicle.mass_kg / 1000:g} t, {vehicle.power_w / 1000:g} kW of which "
        f"{100 * vehicle.power_share:.0f} % reach the wheels, frontal area {vehicle.area_m2:.1f} m2, "
        f"drag coefficient {vehicle.drag:g} (judgement where not given)."
    )
    if gated:
        said.append(f"Each gate on the way costs {GATE_TIME_S.value:.0f} s (judgement).")
    if smoke:
        said.append(
            "Smoke limits speed by the stopping sight distance of road design handbooks (2.5 s, 3.4 m/s2); "
            "drivers may be slower, and roads may be shut for smoke altogether."
        )
    return said


def _counted(doubts: list[str]) -> list[str]:
    unique = list(Counter(doubts))
    more = [f"and {len(unique) - _FEW} more such tags."] if len(unique) > _FEW else []
    return unique[:_FEW] + more
