"""The streets of a community as one table: each stretch once, with who may drive it in which direction.

Routing walks along directed edges; the question which streets have one way out is asked of stretches, whichever way
they are driven. A street of its residents' own (private, behind a gate that a key opens, a track) is left by the people
who live on it or behind it; nobody else counts on it as a way through.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.errors import InputError, refused
from leaveby.parameters import LINK_SPACING_M, POSTED_SHARE
from leaveby.roads.network.attach import carries_cars, takes_drives
from leaveby.roads.network.grades import EdgeGrades
from leaveby.roads.network.graph import MOTORWAYS, SEPARATOR, TAGS, RoadNetwork, judged, routing_graph, taken
from leaveby.roads.routing.latest_departure import latest_departure
from leaveby.roads.vehicle.restrictions import access_closed, barrier_closed, length_limit_m
from leaveby.roads.vehicle.speeds import posted_speed_m_s, reads, surface_speed_m_s, usual_speed_m_s

DRIVES: Final = frozenset({"driveway", "parking_aisle", "drive-through", "emergency_access"})
"""Kinds of service road that are no street: left out of the lengths that access rules speak of. Common practice."""

OPEN_WAY: Final = ""
"""Reason of a street that everyone may drive through."""

_NAMELESS: Final = {"track": "track", "service": "access road"}


def nameless(highway: str) -> str:
    """What a way without a name is called by its class.

    >>> nameless("track"), nameless("residential")
    ('track', 'street')
    """
    return _NAMELESS.get(highway.split(SEPARATOR)[0], "street")


@dataclass(frozen=True, eq=False)
class StreetTable:
    """Stretches of road between n junctions, each of the m once; a value for each, in arrays of shape (n,) or (m,).

    - `node_id`, `x_m`, `y_m`: identity of each junction in the source, and its position.
    - `a`, `b`: junctions at the start and at the end of each street, as its line in `geometry` is drawn.
    - `forward`, `backward`, `on_foot`: whether a car may drive from a to b, from b to a; whether it may be walked.
    - `reason`: why a street is its residents' own (`track`, `barrier=gate`, `access=private`); '' where everyone may
      drive it.
    - `speed_m_s`: of free flow: nine tenths of the posted limit, or the usual speed of the class, and no more than the
      surface allows.
    - `width_m`, `steepest`, `fuel_t_ha`: stated width, inf where none is; steepest grade, rise over run without sign,
      and mean fuel load, -inf where none was given.
    - `takes_homes`: whether a drive of a home can open onto it.
    """

    crs: str
    node_id: NDArray[np.int64]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    a: NDArray[np.int32]
    b: NDArray[np.int32]
    forward: NDArray[np.bool_]
    backward: NDArray[np.bool_]
    reason: tuple[str, ...]
    on_foot: NDArray[np.bool_]
    length_m: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    width_m: NDArray[np.float64]
    steepest: NDArray[np.float64]
    fuel_t_ha: NDArray[np.float64]
    takes_homes: NDArray[np.bool_]
    geometry: NDArray[np.object_]
    way_id: NDArray[np.int64]
    name: tuple[str, ...]
    highway: tuple[str, ...]
    service: tuple[str, ...]
    lanes: tuple[str, ...]
    barrier: tuple[str, ...]
    assumptions: tuple[str, ...]

    @property
    def node_count(self) -> int:
        """Number of junctions and street ends."""
        return int(self.node_id.shape[0])

    @property
    def street_count(self) -> int:
        """Number of streets."""
        return int(self.a.shape[0])

    @property
    def driven(self) -> NDArray[np.bool_]:
        """Streets that a car may drive in some direction."""
        return np.asarray(self.forward | self.backward, dtype=np.bool_)

    @cached_property
    def own(self) -> NDArray[np.bool_]:
        """Streets that only those who live on them or behind them count on."""
        return np.fromiter(map(bool, self.reason), dtype=np.bool_, count=len(self.reason))


PER_STREET: Final = tuple(
    name for name in StreetTable.__dataclass_fields__ if name not in ("crs", "node_id", "x_m", "y_m", "assumptions")
)
"""Attributes of `StreetTable` that hold one value for each street."""


def street_table(
    network: RoadNetwork,
    *,
    grades: EdgeGrades | None = None,
    fuel_t_ha: NDArray[np.float64] | None = None,
    count_tracks: bool = False,
    region: str = "AU",
) -> StreetTable:
    """Take each stretch of a network once, and say who may drive it.

    `grades` are those of its edges (`edge_grades`), `fuel_t_ha` the mean fuel load along each edge, shape (e,); one
    that is missing or negative is refused (InputError). Unless `count_tracks`, only those who live on a track leave by
    it. `region` is country and state, for legal speeds where none is posted.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)]]
    >>> network = network_from_lines(lines, crs="EPSG:32755", tags=[{"width": "5.5"}, {"highway": "track"}])
    >>> streets = street_table(network)
    >>> streets.reason, streets.width_m.tolist(), streets.forward.tolist()
    (('', 'track'), [5.5, inf], [True, True])
    """
    edges = np.arange(network.edge_count)
    main = np.flatnonzero((network.twin < 0) | (edges <= network.twin))
    back = network.twin[main]
    judge = partial(_facts, count_tracks=count_tracks, region=region)
    known = judged(network, judge, tags=[tag for tag in TAGS if tag not in ("name", "ref")])
    facts = [known[edge] for edge in main.tolist()]
    width_m = np.array([fact.width_m for fact in facts], dtype=np.float64)
    unread = int(np.isnan(width_m).sum())
    usable, takes_homes = carries_cars(network), takes_drives(network)
    passes = np.array([fact.passes for fact in facts], dtype=np.bool_)
    sentences = [*network.assumptions]
    if unread:
        sentences.append(f"{unread} stated widths could not be read and were taken for not stated.")
    if grades is not None:
        sentences.extend(grades.assumptions)
    return StreetTable(
        crs=network.crs,
        node_id=network.node_id,
        x_m=network.x_m,
        y_m=network.y_m,
        a=network.tail[main],
        b=network.head[main],
        forward=usable[main] & passes,
        backward=(back >= 0) & usable[back] & passes,
        reason=tuple(fact.reason for fact in facts),
        on_foot=np.array([fact.on_foot for fact in facts], dtype=np.bool_),
        length_m=network.length_m[main],
        speed_m_s=np.array([fact.speed_m_s for fact in facts], dtype=np.float64),
        width_m=np.where(np.isnan(width_m), np.inf, width_m),
        steepest=np.full(main.size, -np.inf) if grades is None else grades.steepest[main],
        fuel_t_ha=_fuel_t_ha(fuel_t_ha, count=network.edge_count)[main],
        takes_homes=takes_homes[main] | ((back >= 0) & takes_homes[back]),
        geometry=network.geometry[main],
        name=tuple(network.name[edge] or network.ref[edge] for edge in main.tolist()),
        assumptions=tuple(sentences),
        **taken(network, ("way_id", "highway", "service", "lanes", "barrier"), main),
    )


def _fuel_t_ha(fuel_t_ha: NDArray[np.float64] | None, *, count: int) -> NDArray[np.float64]:
    if fuel_t_ha is None:
        return np.full(count, -np.inf)
    given = np.asarray(fuel_t_ha, dtype=np.float64)
    if given.shape != (count,) or not np.isfinite(given).all() or (given < 0.0).any():
        raise refused("fuel_t_ha", "fuel_not_by_edge", count=count)
    return given


class _Facts(NamedTuple):
    """What the tags of a stretch say; the width is inf where none is stated, NaN where it can't be read."""

    reason: str
    passes: bool
    speed_m_s: float
    width_m: float
    on_foot: bool


def _facts(_: int, tags: dict[str, str], *, count_tracks: bool, region: str) -> _Facts:
    reason, passes = _why_own(tags, count_tracks=count_tracks)
    try:
        width_m = length_limit_m(tags["width"], place="width")
    except InputError:
        width_m = float("nan")
    on_foot = MOTORWAYS.isdisjoint(tags["highway"].split(SEPARATOR)) and not access_closed(tags, mode="foot")
    return _Facts(reason, passes, _free_flow_m_s(tags, region=region), width_m, on_foot)


def _free_flow_m_s(tags: dict[str, str], *, region: str) -> float:
    usual = usual_speed_m_s(tags["highway"], service=tags["service"], tracktype=tags["tracktype"], region=region)
    surface = surface_speed_m_s(tags["surface"], smoothness=tags["smoothness"], tracktype=tags["tracktype"])
    posted = posted_speed_m_s(tags["maxspeed"]) if reads(tags["maxspeed"]) else None
    driven = usual if posted is None or not np.isfinite(posted) else POSTED_SHARE.value * posted
    return min(driven, surface)


def _why_own(tags: dict[str, str], *, count_tracks: bool) -> tuple[str, bool]:
    """Why only residents count on a way, and whether a car passes it at all."""
    barrier, opens = barrier_closed(tags.get("barrier", ""), mode="car")
    if barrier:
        return f"barrier={barrier}", opens
    closed = access_closed(tags, mode="car")
    if closed:
        return closed, True
    if tags.get("oneway", "") == "reversible":
        return "oneway=reversible", True
    if "impassable" in tags.get("smoothness", "").split(SEPARATOR):
        return "smoothness=impassable", False
    if tags.get("four_wd_only", "") in ("yes", "recommended"):
        return "for four-wheel drive only", True
    if not count_tracks and "track" in tags.get("highway", "").split(SEPARATOR):
        return "track", True
    return OPEN_WAY, True


ENTER_A: Final = 1
ENTER_B: Final = 2
LEAVE_A: Final = 4
LEAVE_B: Final = 8
BOTH_WAYS: Final = ENTER_A | ENTER_B | LEAVE_A | LEAVE_B


@dataclass(frozen=True, eq=False)
class Passages:
    """Streets between junctions (`a`, `b`, shape (m,)), and how each may be entered and left at its ends.

    `bits` is the sum of `ENTER_A`, `ENTER_B`, `LEAVE_A` and `LEAVE_B`, of those that may be.
    """

    node_count: int
    a: NDArray[np.int32]
    b: NDArray[np.int32]
    bits: NDArray[np.uint8]


def street_passages(
    streets: StreetTable, exits: NDArray[np.int32], *, own: NDArray[np.bool_] | None = None
) -> Passages:
    """Say how each street may be entered and left by car.

    A street of its residents' own (private, behind a gate, a track; `streets.own`, or `own`) is left by those who live
    on it or behind it, but nobody else counts on it: it is not entered from a junction from which one gets out, to one
    of `exits`, by open streets alone.
    """
    there, back = streets.forward, streets.backward
    bits = np.asarray(there * (ENTER_A | LEAVE_B) + back * (ENTER_B | LEAVE_A), dtype=np.uint8)
    kept_out = (streets.own if own is None else own) & (bits > 0)
    passages = Passages(streets.node_count, streets.a, streets.b, bits)
    if not kept_out.any():
        return passages
    gets_out = gets_out_openly(streets, exits, own=own)
    shut = (kept_out & gets_out[streets.a]) * ENTER_A + (kept_out & gets_out[streets.b]) * ENTER_B
    return replace(passages, bits=np.asarray(bits & ~shut.astype(np.uint8), dtype=np.uint8))


def gets_out_openly(
    streets: StreetTable, exits: NDArray[np.int32], *, own: NDArray[np.bool_] | None = None
) -> NDArray[np.bool_]:
    """Junctions from which one gets to one of `exits` by streets that are open to everyone alone."""
    there, back = streets.forward, streets.backward
    bits = np.asarray(there * (ENTER_A | LEAVE_B) + back * (ENTER_B | LEAVE_A), dtype=np.uint8)
    bits[streets.own if own is None else own] = 0
    shared = Passages(streets.node_count, streets.a, streets.b, bits)
    return np.isfinite(shortest_out(shared, exits, weight=streets.length_m)[0])


def walked(streets: StreetTable) -> Passages:
    """Streets as people on foot pass them."""
    bits = np.where(streets.on_foot, BOTH_WAYS, 0).astype(np.uint8)
    return Passages(streets.node_count, streets.a, streets.b, bits)


def shortest_out(
    streets: Passages, exits: NDArray[np.integer[Any]], *, weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Find the least way by car from each junction to an exit, by a length or time of each street, 0 or more."""
    there = np.flatnonzero((streets.bits & ENTER_A > 0) & (streets.bits & LEAVE_B > 0))
    back = np.flatnonzero((streets.bits & ENTER_B > 0) & (streets.bits & LEAVE_A > 0))
    street = np.concatenate([there, back])
    ways = latest_departure(
        routing_graph(
            streets.node_count,
            np.concatenate([streets.a[there], streets.b[back]]),
            head=np.concatenate([streets.b[there], streets.a[back]]),
        ),
        np.asarray(weight, dtype=np.float64)[street],
        closing_s=np.full(street.size, np.inf),
        targets=np.asarray(exits, dtype=np.int32),
    )
    edge = ways.next_edge
    onward = np.where(edge >= 0, street[np.maximum(edge, 0)] if street.size else -1, -1)
    return np.asarray(ways.drive_s, dtype=np.float64), onward.astype(np.int32)


def spots_along(
    streets: StreetTable, rows: NDArray[np.int64], *, at_most: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Spots along streets, of those that lie at the same junction so many: street, and share along it."""
    pieces = np.maximum(1, np.ceil(streets.length_m[rows] / LINK_SPACING_M.value)).astype(np.int64)
    street = np.repeat(rows, pieces + 1)
    start = np.concatenate([[0], np.cumsum(pieces + 1)])[:-1]
    rank = np.arange(street.size) - np.repeat(start, pieces + 1)
    share = rank / np.repeat(pieces, pieces + 1)
    ends = np.flatnonzero((share <= 0.0) | (share >= 1.0))
    node = np.where(share[ends] <= 0.0, streets.a[street[ends]], streets.b[street[ends]])
    rising = np.argsort(node, kind="stable")
    ends, node = ends[rising], node[rising]
    kept = np.ones(street.size, dtype=np.bool_)
    kept[ends[at_most:][node[at_most:] == node[:-at_most]]] = False
    return street[kept], share[kept]


def at_shares(lines: NDArray[np.object_], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where a share of each line ends, x and y; the ends themselves need not be measured for that."""
    xy_m, last = shapely.get_coordinates(lines), np.cumsum(shapely.get_num_coordinates(lines)) - 1
    first = np.concatenate([[0], last[:-1] + 1]) if last.size else last
    found = xy_m[np.where(share <= 0.0, first, last)]
    within = np.flatnonzero((share > 0.0) & (share < 1.0))
    at = shapely.line_interpolate_point(lines[within], share[within], normalized=True)
    found[within] = shapely.get_coordinates(at)
    return found
