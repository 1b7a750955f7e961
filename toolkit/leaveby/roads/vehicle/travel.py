"""How long this vehicle takes on each stretch of road, and which it can't use."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from leaveby.errors import InputError, refuse
from leaveby.parameters import ASCENT_PER_HOUR_M, GATE_TIME_S, POSTED_SHARE
from leaveby.roads.network.grades import EdgeGrades, constant_grades
from leaveby.roads.network.grades import edge_grades as edge_grades
from leaveby.roads.network.graph import FOOT_CLASSES, SEPARATOR, TAGS, RoadNetwork
from leaveby.roads.routing.itinerary import route
from leaveby.roads.routing.latest_departure import latest_departure
from leaveby.roads.vehicle.pull import RoadVehicle as RoadVehicle
from leaveby.roads.vehicle.pull import sustained_speed_m_s
from leaveby.roads.vehicle.restrictions import access_closed, barrier_closed, gate_count, why_closed
from leaveby.roads.vehicle.speeds import (
    posted_speed_m_s,
    rolling_resistance,
    sight_speed_m_s,
    surface_speed_m_s,
    usual_speed_m_s,
)
from leaveby.units import SECONDS_PER_HOUR

UNREADABLE_POSTED_KM_H: Final = 30.0
"""Taken for a posted speed that can't be read, where the usual speed is not lower still. Judgement."""

CRAWL_M_S: Final = 0.5
"""Slower than this (1.8 km/h) counts as not getting through: the clutch, not the engine, sets the limit. Judgement."""

_FEW = 5


@dataclass(frozen=True, eq=False)
class EdgeTravel:
    """Travel over each edge of a network by one vehicle.

    Attributes
    ----------
    time_s : NDArray[np.float64], shape (e,)
        Time to clear the edge; inf where it can't be used.
    usable : NDArray[np.bool_], shape (e,)
        Whether the vehicle can use it.
    why_not : tuple[str, ...], length e
        Why it can't, '' where it can.
    limited_by : tuple[str, ...], length e
        What sets the speed: `posted`, `usual`, `surface`, `vehicle limit`, `grade`, `smoke`, `walking`; '' where
        closed.
    assumptions : tuple[str, ...]
        What was supposed.
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
    network : RoadNetwork
        With e edges.
    vehicle : RoadVehicle
        What rolls, or walks.
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

    Returns
    -------
    EdgeTravel

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
    seen = None if visibility_m is None else _per_edge(visibility_m, count=count, what="visibility_m", least=0.0)
    grades = _grades(grade, count=count)

    assumptions: list[str] = []
    doubts: list[str] = []
    why = _closures(network, vehicle, region=region, doubts=doubts, own=opened)
    if vehicle.mode == "foot":
        cap = np.full(count, vehicle.walking_speed_m_s)
        source = ["walking"] * count
    else:
        cap, source = _road_speeds(network, vehicle, region=region, posted_share=posted_share, doubts=doubts, why=why)
    time_s, pieces_stop, engine_rules = _times(network, vehicle, grades=grades, cap=cap, seen=seen, limited=source)
    for edge in np.flatnonzero(pieces_stop):
        if not why[edge]:
            why[edge] = engine_rules[edge]
    gates = np.array([gate_count(value) if value else 0 for value in network.barrier], dtype=np.float64)
    if vehicle.mode == "foot":
        gates[:] = 0.0
    usable = np.array([reason == "" for reason in why], dtype=np.bool_)
    time_s = np.where(usable, time_s + gates * GATE_TIME_S.value, np.inf)
    if not np.isfinite(time_s[usable]).all():
        bad = int(np.flatnonzero(usable & ~np.isfinite(time_s))[0])
        raise refuse(network.place(bad), "it has no travel time", expected="a speed above 0", mend="correct its tags")

    assumptions.extend(network.assumptions)
    assumptions.extend(
        _sentences(vehicle, grades=grades, seen=seen, posted_share=posted_share, gated=bool((gates > 0).any()))
    )
    if grades is not None:
        assumptions.extend(grades.assumptions)
    assumptions.extend(_counted(doubts))
    return EdgeTravel(
        time_s=time_s,
        usable=usable,
        why_not=tuple(why),
        limited_by=tuple(rule if open_ else "" for rule, open_ in zip(source, usable, strict=True)),
        assumptions=tuple(assumptions),
    )


@dataclass(frozen=True, eq=False)
class HomeWay:
    """What a household passes between its home and the first public road.

    Attributes
    ----------
    edges : tuple[int, ...]
        From the home to the first public road, in the order of travel; empty where the home stands at one.
    opened : tuple[int, ...]
        Those of them that are private or stand behind a gate.
    road : int
        An edge of the public road that is met, or -1 where none can be reached.
    sentence : str
        What was used of private ways and gates, for the assumptions; '' where nothing was.
    """

    edges: tuple[int, ...]
    opened: tuple[int, ...]
    road: int
    sentence: str


def household_travel(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    home: int,
    targets: Sequence[int],
    grade: NDArray[np.float64] | EdgeGrades | None = None,
    region: str = "AU",
) -> tuple[EdgeTravel, HomeWay]:
    """Travel over every edge by a household that uses its own private way and gates, and no others.

    Private ways and gates are opened only along one way, the quickest, from the home to the first public road, and only
    where no target is reached without. A public road is one that everyone may use and that is no service road, track
    or path; small nets of streets that lead nowhere else (`POCKET_M`) belong to the estate. What lies beyond the public
    road stays shut, also where it would be shorter, and so does every other private way.

    Parameters
    ----------
    network : RoadNetwork
        With the home on it, e edges.
    vehicle : RoadVehicle
    home : int
        Node of the home.
    targets : sequence of int
        Nodes where leaving may end.
    grade, region
        As for `travel`.

    Returns
    -------
    EdgeTravel, HomeWay

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (0.0, 50.0)], [(0.0, 50.0), (900.0, 50.0)], [(900.0, 50.0), (900.0, 90.0)]]
    >>> tags = [{"highway": "service", "access": "private"}, {}, {"access": "private"}]
    >>> network = network_from_lines(lines, crs="EPSG:32755", names=["Our Drive", "", ""], tags=tags)
    >>> car = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=9e4)
    >>> found, way = household_travel(network, car, home=0, targets=[2])
    >>> found.usable.tolist(), way.opened
    ([True, True, False, True, True, False], (0,))
    >>> way.sentence
    'Used the private way Our Drive (way 1) between your home and the first public road: nothing says that ...'
    """
    closed = travel(network, vehicle, grade=grade, region=region)
    never = np.full(network.edge_count, np.inf)
    shut = latest_departure(network, closed.time_s, closing_s=never, targets=list(targets)) if len(targets) else None
    leads_on = np.isfinite(shut.drive_s) if shut is not None else np.zeros(network.node_count, dtype=np.bool_)
    public = _public(network, vehicle, leads_on)
    if leads_on[home]:
        return closed, _home_way(network, vehicle, closed, closed, public, home, wanted=leads_on)
    free = travel(network, vehicle, grade=grade, region=region, opened=_may_be_own(network, vehicle))
    way = _home_way(network, vehicle, closed, free, public, home, wanted=leads_on)
    if way.road < 0:
        # no public road that leads on: then the first of any kind, so that what stands in the way further on is told
        way = _home_way(network, vehicle, closed, free, public, home, wanted=None)
    if not way.opened:
        return closed, way
    opened = np.zeros(network.edge_count, dtype=np.bool_)
    rows = np.array(way.opened, dtype=np.int64)
    opened[rows] = True
    twins = network.twin[rows]
    opened[twins[twins >= 0]] = True
    found = travel(network, vehicle, grade=grade, region=region, opened=opened)
    return replace(found, assumptions=(*found.assumptions, way.sentence)), way


_ACCESS: Final = ("access", "vehicle", "motor_vehicle", "motorcar", "foot")
_LANES: Final = frozenset({"service", "track", ""}) | FOOT_CLASSES
"""Classes that lead to a home or a field rather than through: no public road in the sense of `household_travel`."""


POCKET_M: Final = 2000.0
"""Streets that lead nowhere but over private ways or gates belong to the same estate up to this length. Judgement."""


def _may_be_own(network: RoadNetwork, vehicle: RoadVehicle) -> NDArray[np.bool_]:
    """Ways that a household may take for its own: all but streets that are closed to everybody.

    On a lane "no" is how many mappers write "private"; on a street it means roadworks, or that nobody may drive there.
    """
    mode = "foot" if vehicle.mode == "foot" else "car"
    columns = [getattr(network, tag) for tag in _ACCESS]
    found = np.ones(network.edge_count, dtype=np.bool_)
    for edge, (highway, *values) in enumerate(zip(network.highway, *columns, strict=True)):
        closed = access_closed(dict(zip(_ACCESS, values, strict=True)), mode=mode)
        found[edge] = not closed.endswith("=no") or _LANES.issuperset(highway.split(SEPARATOR))
    return found


def _public(network: RoadNetwork, vehicle: RoadVehicle, leads_on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Public roads, whether or not this vehicle fits on them: no lanes, not private or gated, no pocket."""
    mode = "foot" if vehicle.mode == "foot" else "car"
    columns = [getattr(network, tag) for tag in _ACCESS]
    known: dict[tuple[str, ...], bool] = {}
    found = np.zeros(network.edge_count, dtype=np.bool_)
    for edge, key in enumerate(zip(network.highway, network.barrier, *columns, strict=True)):
        if key not in known:
            lane = _LANES.issuperset(key[0].split(SEPARATOR))
            shut = (
                access_closed(dict(zip(_ACCESS, key[2:], strict=True)), mode=mode)
                or barrier_closed(key[1], mode=mode)[0]
            )
            known[key] = not lane and not shut
        found[edge] = known[key]
    rows = np.flatnonzero(found)
    size = (network.node_count, network.node_count)
    joined = sparse.coo_matrix((np.ones(rows.size), (network.tail[rows], network.head[rows])), shape=size)
    _, part = sparse.csgraph.connected_components(joined, directed=False)
    once = rows[(network.twin[rows] < 0) | (rows < network.twin[rows])]
    length_m = np.bincount(part[network.tail[once]], weights=network.length_m[once], minlength=part.max() + 1)
    on = np.bincount(part[leads_on], minlength=part.max() + 1) > 0
    pocket = ~on & (length_m <= POCKET_M)
    return np.asarray(found & ~pocket[part[network.tail]], dtype=np.bool_)


def _home_way(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    closed: EdgeTravel,
    free: EdgeTravel,
    public: NDArray[np.bool_],
    home: int,
    *,
    wanted: NDArray[np.bool_] | None,
) -> HomeWay:
    """The quickest way from the home to the first public road, on what is not public itself."""
    never = np.full(network.edge_count, np.inf)
    met = np.zeros(network.node_count, dtype=np.bool_)
    met[network.tail[public]] = True
    met[network.head[public]] = True
    # where a public road is met the way ends: nothing goes on from there over somebody else's land
    time_s = np.where(public | met[network.tail], np.inf, free.time_s)
    ends = np.flatnonzero(met if wanted is None else met & wanted)
    found = None
    if ends.size:
        reach = latest_departure(network, time_s, closing_s=never, targets=ends.astype(np.int32))
        found = route(network, reach, home)
    if found is None:
        return HomeWay((), (), -1, "")
    last = found.nodes[-1]
    at_end = np.flatnonzero(public & ((network.tail == last) | (network.head == last)))
    opened = tuple(edge for edge in found.edges if not closed.usable[edge])
    return HomeWay(found.edges, opened, int(at_end[0]), _opened_words(network, vehicle, opened))


def _opened_words(network: RoadNetwork, vehicle: RoadVehicle, opened: tuple[int, ...]) -> str:
    if not opened:
        return ""
    private: dict[str, None] = {}
    gates: dict[str, None] = {}
    for edge in opened:
        tags = network.edge_tags(edge)
        called = f"{tags['name']} (way {network.way_id[edge]})" if tags.get("name") else f"way {network.way_id[edge]}"
        if access_closed(tags, mode=vehicle.mode):
            private[called] = None
        barrier = barrier_closed(tags.get("barrier", ""), mode=vehicle.mode)[0]
        if barrier:
            gates[f"{barrier.partition('=')[0].replace('_', ' ')} on {called}"] = None
    parts = [f"the private way {item}" for item in private] + [f"the {item}" for item in gates]
    used = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return (
        f"Used {used} between your home and the first public road: nothing says that you may, or that a gate opens "
        "when the power is off. Make sure of both. All other private ways and gates count as shut."
    )


def ways_to_open(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    start: int,
    targets: int | Sequence[int] | NDArray[np.int32],
    region: str = "AU",
) -> tuple[int, ...] | None:
    """Ways whose gates or private access a household has to open to get from its home to a safe point at all.

    For saying what to write into the plan when a home on a private drive or behind a gate has no way out.

    Parameters
    ----------
    network : RoadNetwork
        The roads.
    vehicle : RoadVehicle
        With the ways that it opens already.
    start : int
        Node of the home.
    targets : int or sequence of int
        Safe points.
    region : str
        As for `travel`.

    Returns
    -------
    tuple of int, or None
        Ways to add to `opens_gates`, in the order of travel, as little of them as can be. Empty where none is needed,
        None where opening does not help.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (0.0, 50.0)], [(0.0, 50.0), (900.0, 50.0)]]
    >>> network = network_from_lines(lines, crs="EPSG:32755", tags=[{"access": "private"}, {}])
    >>> car = RoadVehicle(name="car", mode="car", width_m=1.8, height_m=1.5, length_m=4.5, mass_kg=1800.0, power_w=9e4)
    >>> ways_to_open(network, car, start=0, targets=2)
    (1,)
    """
    everything = frozenset(network.way_id.tolist())
    closed = travel(network, vehicle, region=region)
    opened = travel(network, replace(vehicle, opens_gates=everything), region=region)
    # a second behind a closed gate weighs more than any drive on open roads
    heavy = 1.0 + float(opened.time_s[opened.usable].sum())
    cost = np.where(closed.usable, opened.time_s, opened.time_s * heavy + opened.usable)
    never = np.full(network.edge_count, np.inf)
    way = route(network, latest_departure(network, cost, closing_s=never, targets=targets), start)
    if way is None:
        return None
    return tuple(dict.fromkeys(int(network.way_id[edge]) for edge in way.edges if not closed.usable[edge]))


def _per_edge(value: float | NDArray[np.float64], *, count: int, what: str, least: float) -> NDArray[np.float64]:
    array = np.asarray(value, dtype=np.float64)
    if array.shape not in ((), (count,)):
        raise refuse(what, f"its shape is {array.shape}", expected=f"one value, or {count}", mend="give one per edge")
    if np.isnan(array).any() or (array < least).any():
        raise refuse(what, "a value is missing or too low", expected=f"{least:g} or more", mend="correct it")
    return np.broadcast_to(array, (count,))


def _grades(grade: NDArray[np.float64] | EdgeGrades | None, *, count: int) -> EdgeGrades | None:
    if grade is None:
        return None
    grades = grade if isinstance(grade, EdgeGrades) else constant_grades(np.asarray(grade, dtype=np.float64))
    if grades.mean.shape != (count,):
        raise refuse(
            "grade",
            f"it has {grades.mean.size} edges",
            expected=f"{count}, one per edge of this network",
            mend="attach homes and safe points first, then sample the grades",
        )
    return grades


def _closures(
    network: RoadNetwork, vehicle: RoadVehicle, *, region: str, doubts: list[str], own: NDArray[np.bool_] | None
) -> list[str]:
    """Why each edge is closed; equal tags are judged once."""
    columns = [getattr(network, tag) for tag in TAGS if tag not in ("name", "ref", "maxspeed", "surface", "lanes")]
    names = [tag for tag in TAGS if tag not in ("name", "ref", "maxspeed", "surface", "lanes")]
    known: dict[tuple[object, ...], str] = {}
    why: list[str] = []
    for edge, values in enumerate(zip(*columns, strict=True)):
        opened = int(network.way_id[edge]) in vehicle.opens_gates or (own is not None and bool(own[edge]))
        foot_only = bool(network.foot_only[edge])
        key = (*values, opened, foot_only)
        if key not in known:
            known[key] = why_closed(
                dict(zip(names, values, strict=True)),
                vehicle=vehicle,
                opened=opened,
                foot_only=foot_only,
                region=region,
                place=network.place(edge),
                doubts=doubts,
            )
        why.append(known[key])
    return why


def _road_speeds(
    network: RoadNetwork,
    vehicle: RoadVehicle,
    *,
    region: str,
    posted_share: float,
    doubts: list[str],
    why: list[str],
) -> tuple[NDArray[np.float64], list[str]]:
    """The least of posted or usual speed, surface and vehicle limit, and which of them it is."""
    known: dict[tuple[str, ...], tuple[float, str, str]] = {}
    cap = np.empty(network.edge_count)
    source: list[str] = []
    towing = vehicle.mode == "tow"
    columns = (
        network.highway,
        network.maxspeed,
        network.surface,
        network.smoothness,
        network.tracktype,
        network.service,
    )
    for edge, key in enumerate(zip(*columns, strict=True)):
        if key not in known:
            highway, maxspeed, surface, smoothness, tracktype, service = key
            usual = usual_speed_m_s(highway, service=service, tracktype=tracktype, region=region)
            base, rule, closed = usual, "usual", ""
            place = network.place(edge)
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
                    base = min(usual, UNREADABLE_POSTED_KM_H / 3.6)
                    doubts.append(
                        f"{place}: maxspeed={maxspeed} can't be read; {base * 3.6:.0f} km/h was taken (judgement)."
                    )
            ground = surface_speed_m_s(surface, smoothness=smoothness, tracktype=tracktype, towing=towing)
            choices = [(base, rule), (ground, "surface"), (vehicle.speed_limit_m_s, "vehicle limit")]
            known[key] = (*min(choices, key=lambda item: item[0]), closed)
        cap[edge], rule, closed = known[key]
        source.append(rule)
        if closed and not why[edge]:
            why[edge] = closed
    return cap, source


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
) -> tuple[NDArray[np.float64], NDArray[np.bool_], list[str]]:
    """Time over every edge, summed over its pieces; which edges stop the vehicle, and why. Notes what limits most."""
    flat = grades if grades is not None else constant_grades(np.zeros(network.edge_count))
    of = np.repeat(np.arange(network.edge_count), np.diff(flat.start))
    piece_m = network.length_m[of] * flat.share
    reasons = [""] * network.edge_count
    if vehicle.mode == "foot":
        climb_s = np.maximum(flat.grade, 0.0) * piece_m / ASCENT_PER_HOUR_M.value * SECONDS_PER_HOUR
        time_s = np.bincount(of, weights=piece_m / cap[of] + climb_s, minlength=network.edge_count).astype(np.float64)
        return time_s, np.zeros(network.edge_count, dtype=np.bool_), reasons

    rolling = np.array(
        [rolling_resistance(s, tracktype=t) for s, t in zip(network.surface, network.tracktype, strict=True)]
    )
    engine = sustained_speed_m_s(vehicle, flat.grade, rolling=rolling[of])
    sight = np.full(of.size, np.inf) if seen is None else sight_speed_m_s(seen[of], grade=flat.grade)
    speed = np.minimum(np.minimum(cap[of], engine), sight)
    stopped = speed < CRAWL_M_S
    stop = np.bincount(of, weights=stopped, minlength=network.edge_count) > 0
    blind = np.bincount(of, weights=sight < CRAWL_M_S, minlength=network.edge_count) > 0
    for edge in np.flatnonzero(stop):
        reasons[edge] = "no sight in the smoke" if blind[edge] else f"too steep ({100 * flat.steepest[edge]:.0f} %)"
    safe = np.where(stopped, 1.0, speed)
    piece_s = piece_m / safe
    time_s = np.bincount(of, weights=piece_s, minlength=network.edge_count).astype(np.float64)
    free_s = network.length_m / cap
    for edge in np.flatnonzero(time_s > free_s * (1.0 + 1e-9)):
        at = slice(flat.start[edge], flat.start[edge + 1])
        limited[edge] = "smoke" if (sight[at] < engine[at]).sum() * 2 > at.stop - at.start else "grade"
    return np.where(stop, np.inf, time_s), stop, reasons


def _sentences(
    vehicle: RoadVehicle,
    *,
    grades: EdgeGrades | None,
    seen: NDArray[np.float64] | None,
    posted_share: float,
    gated: bool,
) -> list[str]:
    said = []
    if grades is None:
        said.append("Roads count as level: no terrain was given. Hills make the drive longer than computed.")
    if vehicle.mode == "foot":
        said.append(
            f"On foot: {vehicle.walking_speed_m_s * 3.6:.1f} km/h (judgement), and an hour more per "
            f"{ASCENT_PER_HOUR_M.value:.0f} m of ascent (Naismith)."
        )
        if seen is not None:
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
    if seen is not None:
        said.append(
            "Smoke limits speed by the stopping sight distance of road design handbooks (2.5 s, 3.4 m/s2); "
            "drivers may be slower, and roads may be shut for smoke altogether."
        )
    return said


def _counted(doubts: list[str]) -> list[str]:
    unique = list(Counter(doubts))
    more = [f"and {len(unique) - _FEW} more such tags."] if len(unique) > _FEW else []
    return unique[:_FEW] + more
