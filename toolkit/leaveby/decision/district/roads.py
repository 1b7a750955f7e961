"""A district's roads as its vehicles drive them, every home on its street, and the latest departure of all of them.

One backward pass gives the latest departure from every junction. A home stands somewhere along its street: it leaves by
its drive and then by the end of the street that may be left later, so that its time is that of the household's own
question, in which the street is cut where the drive meets it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString
from shapely.ops import substring

from leaveby.compiling import njit
from leaveby.errors import Faults, refuse
from leaveby.parameters import DRIVE_WINDING
from leaveby.roads.exits.homes import NOT_PLACED, Homes, PlacedHomes
from leaveby.roads.exits.links import Link, with_link
from leaveby.roads.exits.street_table import ENTER_A, ENTER_B, LEAVE_A, LEAVE_B, StreetTable, nameless, street_passages
from leaveby.roads.network.graph import RoutingGraph, routing_graph, taken
from leaveby.roads.routing.latest_departure import latest_departure
from leaveby.roads.vehicle.speeds import usual_speed_m_s

Some = TypeVar("Some", bound=Homes)

ON_THE_ROAD_M = 1.0
NOTHING_SHUTS = -1
"""Stands for the street that shuts first where nothing on the way shuts within the horizon, or there is no way."""


@dataclass(frozen=True, eq=False)
class DistrictRoads:
    """Streets, and how long the district's vehicle takes over each; homes on them.

    - `there_s`, `back_s`, shape (m,): from a to b of each street and from b to a, as if every gate of residents' own
      were open to them; inf where the vehicle can't.
    - `exits`: junctions of the safe points, by name.
    - `homes`: those that stand on a street, in their order.
    - `drive_s`, shape (h,): from each home to its street.
    """

    streets: StreetTable
    there_s: NDArray[np.float64]
    back_s: NDArray[np.float64]
    exits: Mapping[str, int]
    homes: PlacedHomes
    drive_s: NDArray[np.float64]

    @property
    def exit_nodes(self) -> NDArray[np.int32]:
        """Junctions that count as out, each once."""
        return np.unique(np.array(list(self.exits.values()), dtype=np.int32))


def some_homes(roads: DistrictRoads, rows: NDArray[np.int64]) -> DistrictRoads:
    """Keep some of the homes."""
    return replace(roads, homes=homes_in(roads.homes, rows), drive_s=roads.drive_s[rows])


def homes_in(homes: Some, rows: NDArray[np.int64]) -> Some:
    """Keep some homes, in the given order."""
    return replace(homes, **taken(homes, (one.name for one in fields(homes) if one.name != "assumptions"), rows))


def drives_s(homes: PlacedHomes, *, region: str) -> NDArray[np.float64]:
    """Time from each home to its street: 1.4 times the straight line, as a household's own question takes it."""
    away_m = np.where(homes.away_m > ON_THE_ROAD_M, DRIVE_WINDING.value * homes.away_m, 0.0)
    return np.asarray(away_m / usual_speed_m_s("service", service="driveway", region=region), dtype=np.float64)


def joined(roads: DistrictRoads, link: Link) -> DistrictRoads:
    """Give the roads with a link built or opened; the pieces of a street that it meets keep that street's speed."""
    streets, homes, from_street = with_link(roads.streets, roads.homes, link=link)
    new = from_street < 0
    length_m = roads.streets.length_m
    share = np.where(new, 1.0, streets.length_m / np.maximum(length_m[from_street], 1e-9))
    own_s = streets.length_m / streets.speed_m_s
    opened = np.zeros(length_m.size, dtype=np.bool_)
    opened[list(link.streets)] = True
    there_s, back_s = (
        np.where(new, own_s, np.where(share == 1.0, time_s[from_street], time_s[from_street] * share))
        for time_s in (roads.there_s, roads.back_s)
    )
    # a way that nobody may drive, once it is opened, is driven at the speed of its class
    shut = ~new & opened[from_street] & ~np.isfinite(there_s) & ~np.isfinite(back_s)
    there_s, back_s = (np.where(shut, own_s, time_s) for time_s in (there_s, back_s))
    return replace(roads, streets=streets, there_s=there_s, back_s=back_s, homes=homes)


@dataclass(frozen=True, eq=False)
class HomeGraph:
    """What a routing of all homes needs, and no more: it travels to every worker.

    Closings stand in one row: those of the m streets, then of the way from each home along its street to the end a, to
    the end b, and of its drive, h each.

    - `edge_street`, `travel_s`, shape (e,): of each directed edge.
    - `targets`: nodes of the safe points.
    - `ends`, `half_s`, shape (h, 2): the ends of each home's street, and the time to them, inf where that can't be.
    """

    graph: RoutingGraph
    edge_street: NDArray[np.int32]
    travel_s: NDArray[np.float64]
    targets: NDArray[np.int32]
    home_street: NDArray[np.int32]
    ends: NDArray[np.int32]
    half_s: NDArray[np.float64]
    drive_s: NDArray[np.float64]

    @property
    def home_count(self) -> int:
        """Number of homes."""
        return int(self.home_street.size)


def home_graph(roads: DistrictRoads, *, inside: NDArray[np.bool_] | None = None) -> HomeGraph:
    """Index the roads for routing.

    `inside`, shape (m + 3 h,), tells which stretches lie wholly on the ground that fire is computed on; when others
    shut can't be known, so that nobody counts on them. Private ways and gates are open to those who live behind them,
    and to nobody else.
    """
    streets, homes = roads.streets, roads.homes
    m, h = streets.street_count, len(homes.identity)
    known = np.ones(m + 3 * h, dtype=np.bool_) if inside is None else inside
    bits = street_passages(streets, roads.exit_nodes).bits
    there_s, back_s = (np.where(known[:m], time_s, np.inf) for time_s in (roads.there_s, roads.back_s))
    there = np.flatnonzero((bits & ENTER_A > 0) & (bits & LEAVE_B > 0) & np.isfinite(there_s))
    back = np.flatnonzero((bits & ENTER_B > 0) & (bits & LEAVE_A > 0) & np.isfinite(back_s))
    graph = routing_graph(
        streets.node_count,
        np.concatenate([streets.a[there], streets.b[back]]),
        head=np.concatenate([streets.b[there], streets.a[back]]),
    )
    street = homes.street
    share = np.clip(homes.along_m / np.maximum(streets.length_m[street], 1e-9), 0.0, 1.0)
    half_s = np.full((h, 2), np.inf)
    for end, (time_s, part, leave) in enumerate(((back_s, share, LEAVE_A), (there_s, 1.0 - share, LEAVE_B))):
        # a home at the very end of a street need not drive it
        at_end = part * streets.length_m[street] <= ON_THE_ROAD_M
        driven = np.isfinite(time_s[street]) & (bits[street] & leave > 0) & known[m + end * h : m + (end + 1) * h]
        half_s[driven, end] = part[driven] * time_s[street[driven]]
        half_s[at_end, end] = 0.0
    half_s[~known[m + 2 * h :]] = np.inf
    return HomeGraph(
        graph=graph,
        edge_street=np.concatenate([there, back]).astype(np.int32),
        travel_s=np.concatenate([there_s[there], back_s[back]]),
        targets=roads.exit_nodes,
        home_street=street.astype(np.int32),
        ends=np.column_stack([streets.a[street], streets.b[street]]).astype(np.int32),
        half_s=half_s,
        drive_s=roads.drive_s,
    )


def stretch_lines(roads: DistrictRoads, rows: NDArray[np.int64] | None = None) -> list[LineString]:
    """Draw the stretches in the order of `HomeGraph`; only some `rows` of them where given."""
    streets, homes = roads.streets, roads.homes
    m, h = streets.street_count, len(homes.identity)
    lines = []
    for row in range(m + 3 * h) if rows is None else rows.tolist():
        if row < m:
            lines.append(streets.geometry[row])
            continue
        kind, home = divmod(row - m, h)
        street = int(homes.street[home])
        line = streets.geometry[street]
        at = float(homes.along_m[home]) / max(float(streets.length_m[street]), 1e-9) * line.length
        foot = line.interpolate(at)
        if kind < 2:
            lines.append(substring(line, 0.0, at) if kind == 0 else substring(line, at, line.length))
        elif homes.away_m[home] > ON_THE_ROAD_M:
            lines.append(LineString([(homes.x_m[home], homes.y_m[home]), (foot.x, foot.y)]))
        else:
            lines.append(foot)
    return lines


def changed_stretches(before: DistrictRoads, after: DistrictRoads) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Tell for each stretch with a link which one it is without, and the rows that are new: -1 there."""
    m, h, more = before.streets.street_count, len(before.homes.identity), after.streets.street_count
    same = np.full(more + 3 * h, -1, dtype=np.int64)
    kept = np.array([before.streets.geometry[row] is after.streets.geometry[row] for row in range(m)], dtype=np.bool_)
    same[:m][kept] = np.flatnonzero(kept)
    home_kept = (after.homes.street < m) & kept[np.minimum(after.homes.street, m - 1)]
    for part in range(3):
        rows = np.flatnonzero(home_kept | (part == 2))
        same[more + part * h + rows] = m + part * h + rows
    return same, np.flatnonzero(same < 0)


@njit()
def _shuts_first(
    time_s: NDArray[np.float64],
    next_edge: NDArray[np.int32],
    head: NDArray[np.int32],
    closing_s: NDArray[np.float64],
    margin_s: float,
) -> NDArray[np.int32]:
    """The edge whose closing sets each node's latest departure along its way; -1 where none does."""
    count = time_s.shape[0]
    found = np.full(count, -2, np.int32)
    waiting = np.empty(count, np.int32)
    for first in range(count):
        node, size = first, 0
        while found[node] == -2:
            edge = next_edge[node]
            if edge < 0:
                found[node] = -1
                break
            waiting[size] = node
            size += 1
            node = head[edge]
        for spot in range(size - 1, -1, -1):
            at = waiting[spot]
            edge = next_edge[at]
            sets = closing_s[edge] - margin_s < time_s[head[edge]]
            found[at] = edge if sets else found[head[edge]]
    return found


def latest_of_homes(
    homes: HomeGraph, closing_s: NDArray[np.float64], *, margin_s: float, drive_factor: float = 1.0
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Latest departure of every home to the best safe point, and the street whose closing sets it.

    - `closing_s`, shape (m + 3 h,): of the stretches, in the order of `HomeGraph`.
    - `drive_factor`: 1 or more: how much longer every drive takes.

    Gives seconds, shape (h,): inf where nothing on the way shuts, -inf without a way out; and the streets,
    `NOTHING_SHUTS` where none does.

    Examples
    --------
    >>> from leaveby.roads.exits.homes import PlacedHomes
    >>> from leaveby.roads.exits.street_table import street_table
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> streets = street_table(network_from_lines([[(0.0, 0.0), (300.0, 0.0)]], crs="EPSG:32755"))
    >>> one, none = np.ones(1), np.zeros(1)
    >>> home = PlacedHomes(("1",), 200.0 * one, none, one, street=np.zeros(1, dtype=np.int32), along_m=200.0 * one,
    ...     away_m=none)
    >>> roads = DistrictRoads(streets, np.array([30.0]), np.array([30.0]), {"town": 0}, home, none)
    >>> latest_s, shuts = latest_of_homes(home_graph(roads), np.array([900.0, 800.0, 700.0, 600.0]), margin_s=60.0)
    >>> latest_s.tolist(), shuts.tolist()
    ([720.0], [0])
    """
    h = homes.home_count
    m = closing_s.size - 3 * h
    edges_s = closing_s[homes.edge_street]
    found = latest_departure(
        homes.graph, drive_factor * homes.travel_s, closing_s=edges_s, targets=homes.targets, margin_s=margin_s
    )
    sets = _shuts_first(found.time_s, found.next_edge, homes.graph.head, edges_s, margin_s)
    half_closing_s = np.column_stack([closing_s[m : m + h], closing_s[m + h : m + 2 * h]])
    there_s = found.time_s[homes.ends]
    # a way that ends where it begins, or a street that is no way, keeps nobody
    shut_s = np.where(homes.half_s > 0.0, half_closing_s - margin_s, np.inf)
    with np.errstate(invalid="ignore"):
        by_end = np.where(np.isfinite(homes.half_s), np.minimum(there_s, shut_s) - drive_factor * homes.half_s, -np.inf)
    end = np.where(by_end[:, 1] > by_end[:, 0], 1, 0)
    rows = np.arange(h)
    on_street_s = by_end[rows, end]
    drive_shut_s = np.where(homes.drive_s > 0.0, closing_s[m + 2 * h :] - margin_s, np.inf)
    latest_s = np.minimum(on_street_s, drive_shut_s) - drive_factor * homes.drive_s
    edge = sets[homes.ends[rows, end]]
    beyond = np.where(edge >= 0, homes.edge_street[np.maximum(edge, 0)] if edge.size else -1, NOTHING_SHUTS)
    own = (drive_shut_s < on_street_s) | (shut_s[rows, end] < there_s[rows, end])
    shuts = np.where(own, homes.home_street, beyond)
    return latest_s, np.where(np.isfinite(latest_s), shuts, NOTHING_SHUTS).astype(np.int32)


def free_drive_s(homes: HomeGraph) -> NDArray[np.float64]:
    """Time from each home to the nearest safe point while nothing is shut; inf where none is reached. Shape (h,)."""
    found = latest_departure(
        homes.graph, homes.travel_s, closing_s=np.full(homes.travel_s.size, np.inf), targets=homes.targets
    )
    return np.asarray((found.drive_s[homes.ends] + homes.half_s).min(axis=1) + homes.drive_s, dtype=np.float64)


def street_called(streets: StreetTable, street: int) -> str:
    """Name a stretch by its street, or by its class and way where it has no name; "" for none."""
    if street < 0:
        return ""
    if streets.name[street]:
        return streets.name[street]
    return f"{nameless(streets.highway[street])} without a name (way {streets.way_id[street]})"


def streets_of_homes(roads: DistrictRoads, homes: HomeGraph) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    """Name the streets with homes, each once, in order of letters, and the one of each home.

    A home on a stretch without a name counts to the first street with one on its quickest way out.
    """
    streets = roads.streets
    found = latest_departure(
        homes.graph, homes.travel_s, closing_s=np.full(homes.travel_s.size, np.inf), targets=homes.targets
    )
    end = (found.drive_s[homes.ends] + homes.half_s).argmin(axis=1)
    called = []
    for home, own in enumerate(homes.home_street.tolist()):
        street, node = own, int(homes.ends[home, end[home]])
        while not streets.name[street] and (edge := int(found.next_edge[node])) >= 0:
            street, node = int(homes.edge_street[edge]), int(homes.graph.head[edge])
        called.append(street_called(streets, street if streets.name[street] else own))
    names, street_of = np.unique(np.array(called), return_inverse=True)
    return tuple(str(name) for name in names), street_of.astype(np.int64)


def check_exits(roads: DistrictRoads, homes: HomeGraph) -> None:
    """Refuse a district without homes on streets, and safe points that no home reaches, each by its name."""
    if not len(roads.homes.identity) or (roads.homes.street == NOT_PLACED).any():
        raise refuse("homes", "none stands on a street", expected="at least one", mend="take a larger area, or others")
    faults = Faults()
    for name, node in roads.exits.items():
        if not np.isfinite(free_drive_s(replace(homes, targets=np.array([node], dtype=np.int32)))).any():
            faults.tell(f'safe point "{name}"', "exit_nobody_reaches")
    faults.refuse()
