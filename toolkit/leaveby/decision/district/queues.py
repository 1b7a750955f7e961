"""How long each home waits when others of the district set out too: first in, first out, bottleneck by bottleneck.

A group of homes that shares a single exit passes it one behind the other; who comes first to it, passes first. A group
that lies in another joins the others there when it is through its own. The wait is taken off the latest departure
whole, as if the queue stood before the first stretch that shuts: that is on the early side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit
from leaveby.decision.district.roads import DistrictRoads
from leaveby.decision.ways.neighbours import setting_out_s
from leaveby.household.plan_tables import SetOut
from leaveby.parameters import BREAKDOWN_SHARE, NEIGHBOURS_TOW_SHARE, QUICK_MEDIAN_S, TRAILER_AS_CARS
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.clearance.queue import Mobilisation
from leaveby.roads.clearance.tree import lanes_and_capacity
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.groups import SingleExits, single_exits
from leaveby.roads.routing.holds import Hold


@dataclass(frozen=True)
class SettingOut:
    """How the people of a district set out, as a household's neighbours do.

    - `half_rolling_s`: over time: so long after they are told, half of them are rolling.
    - `told_s`: over time: so long after a fire starts they are told; None: whenever each home then waits longest.
    - `towing_share`: so many of them tow, and take up more of the road.
    """

    how: SetOut = "at once"
    half_rolling_s: float = QUICK_MEDIAN_S.value
    told_s: float | None = None
    towing_share: float = NEIGHBOURS_TOW_SHARE.value


@dataclass(frozen=True, eq=False)
class Queues:
    """What each home waits in queues.

    - `most_s`, shape (h,): the wait; where it hangs on the moment at which a home rolls, no less than the longest.
    - `lines`: the queues on the clock of the fire, where it does.
    """

    most_s: NDArray[np.float64]
    lines: Lines | None = None


@dataclass(frozen=True, eq=False)
class Lines:
    """The queues of all groups, as whoever comes to them finds them (`Hold`), those of group g in `first[g : g + 2]`.

    Clocks are those of the safe point: a home comes to its queue when it would be there on an empty road, `drive_s`
    after it rolls. `group`, shape (h,): the inmost one of each home, -1 for none; `inside`: the group around each.
    """

    drive_s: NDArray[np.float64]
    group: NDArray[np.int64]
    inside: NDArray[np.int64]
    first: NDArray[np.int64]
    before_s: NDArray[np.float64]
    free_s: NDArray[np.float64]


def roll_by_s(queues: Queues, latest_s: NDArray[np.float64], homes: slice | None = None) -> NDArray[np.float64]:
    """When each home has to roll to be through its queues in time, from its latest departure with nobody else there.

    `latest_s` has the shape (h,) or (fires, h), or that of some `homes` alone.

    >>> roll_by_s(Queues(np.array([60.0, 0.0])), np.array([600.0, np.inf])).tolist()
    [540.0, inf]
    """
    some, lines = homes or slice(None), queues.lines
    if lines is None:
        return np.asarray(latest_s - queues.most_s[some], dtype=np.float64)
    table = np.atleast_2d(np.asarray(latest_s, dtype=np.float64))
    found = _come_by(
        table, lines.drive_s[some], lines.group[some], lines.inside, lines.first, lines.before_s, lines.free_s
    )
    return np.asarray(found.reshape(np.shape(latest_s)), dtype=np.float64)


@njit()
def _come_by(
    latest_s: NDArray[np.float64],
    drive_s: NDArray[np.float64],
    group: NDArray[np.int64],
    inside: NDArray[np.int64],
    first: NDArray[np.int64],
    before_s: NDArray[np.float64],
    free_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Go back through each home's queues, the outmost first, as `roads.routing.holds.come_by_s` does through one."""
    found = np.empty(latest_s.shape)
    chain = np.empty(inside.shape[0], np.int64)
    for home in range(latest_s.shape[1]):
        count, g = 0, group[home]
        while g >= 0:
            chain[count] = g
            count += 1
            g = inside[g]
        for fire in range(latest_s.shape[0]):
            there_s = latest_s[fire, home] + drive_s[home]
            at_s = there_s
            for k in range(count - 1, -1, -1):
                low, high = first[chain[k]], first[chain[k] + 1]
                # who leaves one queue comes to the next as the place falls free, but for the rounding of sums
                spot = low + np.searchsorted(free_s[low:high], at_s + 1e-6, side="right")
                if spot < high:
                    at_s = min(at_s, before_s[spot])
            found[fire, home] = latest_s[fire, home] - (there_s - at_s if at_s < there_s else 0.0)
    return found


def queues_of(
    roads: DistrictRoads, drive_s: NDArray[np.float64], *, vehicles_per_home: float, setting_out: SettingOut
) -> Queues:
    """Give what each home waits before the single exits that it must pass.

    `drive_s` is its time to the safe point on empty roads, inf where there is none: it waits for nothing then. All its
    vehicles have to be through.
    """
    if setting_out.how == "gone before":
        return Queues(np.zeros(drive_s.size))
    found = single_exits(roads.streets, roads.homes, exits=roads.exit_nodes, compare=False)
    vehicles = vehicles_per_home * roads.homes.dwellings
    as_cars = 1.0 + setting_out.towing_share * (TRAILER_AS_CARS.value - 1.0)
    here = np.isfinite(drive_s) & (found.home_vertex != NO_WAY_OUT)
    own_s, group = np.where(here, drive_s, 0.0), _groups(found, here)
    if setting_out.how == "at once":
        past_s, _ = _pass_all(roads, found, group, own_s, vehicles * as_cars)
        return Queues(np.where(here, past_s - own_s, 0.0))
    parts = np.maximum(np.ceil(vehicles - 1e-9), 1.0).astype(np.int64)
    home = np.repeat(np.arange(vehicles.size), parts)
    curve = Mobilisation("the district", setting_out.half_rolling_s)
    come_s = own_s[home] + _set_out_s(curve, group[home]) + (setting_out.told_s or 0.0)
    _, holds = _pass_all(roads, found, group[home], come_s, (vehicles * as_cars / parts)[home])
    longest_s = np.zeros(found.group_count + 1)  # the last stands for no group
    for number, hold in enumerate(holds):  # the group around another comes before it
        longest_s[number] = hold.most_s + longest_s[int(found.inside[number])]
    if setting_out.told_s is None:
        return Queues(longest_s[group])
    first = np.append(0, np.cumsum([hold.before_s.size for hold in holds], dtype=np.int64))
    before_s = np.concatenate([np.zeros(0), *(hold.before_s for hold in holds)])
    free_s = np.concatenate([np.zeros(0), *(hold.free_s for hold in holds)])
    return Queues(longest_s[group], Lines(own_s, group, found.inside.astype(np.int64), first, before_s, free_s))


def _set_out_s(curve: Mobilisation, group: NDArray[np.int64]) -> NDArray[np.float64]:
    """When each vehicle sets out after it is told: those of each group spread over the curve by themselves."""
    order = np.argsort(group, kind="stable")
    _, first, count = np.unique(group[order], return_index=True, return_counts=True)
    rank = np.empty(group.size, dtype=np.int64)
    rank[order] = np.arange(group.size) - np.repeat(first, count)
    return setting_out_s(curve, int(count.max(initial=0)))[rank]


def _pass_all(
    roads: DistrictRoads,
    found: SingleExits,
    group: NDArray[np.int64],
    come_s: NDArray[np.float64],
    vehicles: NDArray[np.float64],
) -> tuple[NDArray[np.float64], list[Hold]]:
    """When each is through all its queues, and the queue of each group as one more finds it.

    `group` is the inmost one of each, `come_s` when it comes and `vehicles` how many cars it is worth.
    """
    past_s, holds = come_s.copy(), [Hold()] * found.group_count
    _, capacity_veh_h = lanes_and_capacity(roads.streets)
    waiting: list[list[NDArray[np.int64]]] = [[] for _ in range(found.group_count)]
    order = np.argsort(group, kind="stable")
    groups, first = np.unique(group[order], return_index=True)
    for number, rows in zip(groups.tolist(), np.split(order, first[1:]), strict=True):
        if number >= 0:
            waiting[number].append(rows)
    for number in range(found.group_count - 1, -1, -1):  # a group stands behind the one that it lies in
        if not waiting[number]:
            continue
        rows = np.sort(np.concatenate(waiting[number]))
        passes_veh_s = _passes_veh_s(roads, found, number, capacity_veh_h)
        if np.isfinite(passes_veh_s):
            rows = rows[np.argsort(past_s[rows], kind="stable")]
            headway_s, on_s = vehicles[rows] / passes_veh_s, past_s[rows]
            past_s[rows] = pass_bottleneck(on_s, headway_s=headway_s)
            holds[number] = Hold(0.0, on_s, past_s[rows] + headway_s)
        around = int(found.inside[number])
        if around >= 0:
            waiting[around].append(rows)
    return past_s, holds


def _run(found: SingleExits, group: int) -> list[int]:
    """The places that exactly a group's homes must pass, inmost first."""
    run = [int(found.gate[group])]
    while run[-1] != int(found.head[group]):
        run.append(int(found.tree.parent[run[-1]]))
    return run


def _groups(found: SingleExits, here: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The inmost group of each home; -1 where it lies in none, or is not here."""
    group_of = np.full(found.tree.parent.size + 1, -1, dtype=np.int64)
    for group in range(found.group_count):
        for vertex in _run(found, group):
            group_of[vertex] = group
    return np.where(here, group_of[np.maximum(found.home_vertex, 0)], -1)


def _passes_veh_s(roads: DistrictRoads, found: SingleExits, group: int, capacity_veh_h: NDArray[np.float64]) -> float:
    """What the narrowest street of a group's shared way passes once a queue has formed; inf where it is a junction."""
    nodes = roads.streets.node_count
    passed = [vertex - nodes for vertex in _run(found, group) if vertex >= nodes]
    return BREAKDOWN_SHARE.value / 3600.0 * float(capacity_veh_h[passed].min(initial=np.inf))
