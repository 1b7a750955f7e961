"""Single exits: the streets and junctions that everyone behind them must pass, as nested groups of homes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, cast

import numba
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from leaveby.errors import refuse
from leaveby.roads.dominators import (
    NO_WAY_OUT,
    ExitTree,
    bridges,
    exit_tree,
    greatest_behind,
    street_passages,
    sum_behind,
)
from leaveby.roads.homes import NOT_PLACED, PlacedHomes
from leaveby.roads.network import SEPARATOR
from leaveby.roads.street_table import DRIVES, StreetTable, distance_out_m

MAIN_ROADS: Final = frozenset(
    {
        "motorway",
        "motorway_link",
        "trunk",
        "trunk_link",
        "primary",
        "primary_link",
        "secondary",
        "secondary_link",
        "tertiary",
        "tertiary_link",
    }
)
"""Classes that lead out of an area: where such a road ends in an extract, the extract was cut. Judgement."""

EDGE_M: Final = 250.0
"""A dead end this near to the outline of the map may go on beyond it. Judgement."""

NO_GROUP: Final = -1

_CELL_M: Final = 250.0
_OUTLINE_RATIO: Final = 0.1


@dataclass(frozen=True, eq=False)
class Difference:
    """A street that everyone behind it must pass though the undirected graph has another way.

    Attributes
    ----------
    street : int
    homes : float
        Homes behind it.
    why : str
        `one-way streets`, or `ways that only residents use` (private, gated, tracks).
    """

    street: int
    homes: float
    why: Literal["one-way streets", "ways that only residents use"]


@dataclass(frozen=True, eq=False)
class SingleExits:
    """Groups of homes behind single exits. A group holds all homes that must pass the same streets and junctions.

    Group g has the same homes behind each place of its shared way, a run through the tree from `gate[g]` (inside)
    to `head[g]` (outside).

    Attributes
    ----------
    exits : NDArray[np.int32]
        Junctions that count as out.
    passage : NDArray[np.uint8], shape (m,)
        How each street may be entered and left, see `street_passages`.
    tree, foot_tree : ExitTree
        By car; and on foot over all ways that may be walked.
    home_vertex : NDArray[np.int32], shape (h,)
        Nearest street or junction that each home must pass; `tree.outside` where it has a choice from the start;
        -1 where it has no way out by car or no street.
    homes_behind : NDArray[np.float64], shape (n + m + 1,)
        Homes that must pass each junction and street.
    head, gate : NDArray[np.int32], shape (g,)
        Outermost and innermost place that exactly this group must pass.
    inside : NDArray[np.int32], shape (g,)
        The group that this one lies in, or -1. A group stands after the one that it lies in.
    homes : NDArray[np.float64], shape (g,)
    bridge : NDArray[np.bool_], shape (m,)
        Streets whose loss would split the undirected street graph, exits joined.
    differences : tuple[Difference, ...]
        Where must-pass streets and bridges differ, most homes first.
    distance_m : NDArray[np.float64], shape (n,)
        Shortest way by car from each junction to an exit; inf where there is none.
    """

    exits: NDArray[np.int32]
    passage: NDArray[np.uint8]
    tree: ExitTree
    foot_tree: ExitTree
    home_vertex: NDArray[np.int32]
    homes_behind: NDArray[np.float64]
    head: NDArray[np.int32]
    gate: NDArray[np.int32]
    inside: NDArray[np.int32]
    homes: NDArray[np.float64]
    bridge: NDArray[np.bool_]
    differences: tuple[Difference, ...]
    distance_m: NDArray[np.float64]

    @property
    def group_count(self) -> int:
        """Number of groups."""
        return int(self.head.shape[0])


@dataclass(frozen=True, eq=False)
class GroupFacts:
    """What is known of each group, one value for each; lengths in metres along the streets, by car.

    Attributes
    ----------
    throat : NDArray[np.int32], shape (g,)
        The outermost street of the longest way that everyone of the group must pass and only they, or -1 where it is a
        junction only.
    start, mouth : NDArray[np.int32], shape (g,)
        Innermost and outermost place of that way, as vertices.
    choice : NDArray[np.int32], shape (g,)
        The first junction, on the way out, from which there is a choice of ways.
    shared_m : NDArray[np.float64]
        Length of the one way that all share, from its start to that junction.
    dead_end_m : NDArray[np.float64]
        Longest way from the end of a street behind to that junction; drives and car parks left out.
    streets_m : NDArray[np.float64]
        All streets behind, and the shared way, added up; drives and car parks left out.
    narrowest_m : NDArray[np.float64]
        Least width that is stated on any of them; inf where none is stated.
    no_width_m : NDArray[np.float64]
        Length of those that state no width.
    track_m : NDArray[np.float64]
        Length of tracks among them.
    steepest : NDArray[np.float64]
        Steepest grade on any of them; -inf without terrain.
    fuel_t_ha : NDArray[np.float64]
        Mean fuel load along them; -inf where no fuel was given.
    foot_homes : NDArray[np.float64]
        Homes of the group that can be left on foot without passing the throat.
    at_edge : NDArray[np.bool_]
        Whether a dead end behind lies at the outline of the map, beyond which the street may go on.
    """

    throat: NDArray[np.int32]
    start: NDArray[np.int32]
    mouth: NDArray[np.int32]
    choice: NDArray[np.int32]
    shared_m: NDArray[np.float64]
    dead_end_m: NDArray[np.float64]
    streets_m: NDArray[np.float64]
    narrowest_m: NDArray[np.float64]
    no_width_m: NDArray[np.float64]
    track_m: NDArray[np.float64]
    steepest: NDArray[np.float64]
    fuel_t_ha: NDArray[np.float64]
    foot_homes: NDArray[np.float64]
    at_edge: NDArray[np.bool_]


def boundary_exits(streets: StreetTable, *, area: BaseGeometry | None = None) -> NDArray[np.int32]:
    """Take for out every junction on a main road outside the area, and every cut end of a main road.

    A street that crosses the area's edge and ends beyond it leads nowhere; one that meets a main road there leads out.
    So the extract has to reach well beyond the area: at a cut edge every road looks like a dead end.

    Parameters
    ----------
    streets : StreetTable
    area : shapely geometry, optional
        The area asked about, in the reference system of the streets; the whole extract when left out, so that only the
        ends of main roads count.

    Returns
    -------
    NDArray[np.int32]
        Junctions, in order.

    Raises
    ------
    InputError
        When no main road leads out.

    Examples
    --------
    >>> from leaveby.roads.network import network_from_lines
    >>> from leaveby.roads.street_table import street_table
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)]]
    >>> roads = network_from_lines(lines, crs="EPSG:32755", tags=[{"highway": "primary"}, {"highway": "residential"}])
    >>> boundary_exits(street_table(roads)).tolist()
    [0]
    """
    driven = streets.driven
    main = driven & np.array([not MAIN_ROADS.isdisjoint(kind.split(SEPARATOR)) for kind in streets.highway])
    on_main = np.zeros(streets.node_count, dtype=np.bool_)
    on_main[streets.a[main]] = True
    on_main[streets.b[main]] = True
    neighbours = _neighbours(streets, driven)
    out = on_main & (neighbours == 1)
    if area is not None:
        shapely.prepare(area)
        out |= on_main & ~np.asarray(shapely.intersects_xy(area, streets.x_m, streets.y_m), dtype=np.bool_)
    found = np.flatnonzero(out).astype(np.int32)
    if found.size == 0:
        raise refuse(
            "exits",
            "no main road leads out of these roads",
            expected="a main road (motorway to tertiary) that is cut by the edge of the extract or leaves the area",
            mend="name the exits, or take an extract that reaches to the next main road",
        )
    return found


def _neighbours(streets: StreetTable, driven: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many other junctions each junction is joined to by a driven street."""
    real = driven & (streets.a != streets.b)
    low = np.minimum(streets.a[real], streets.b[real]).astype(np.int64)
    high = np.maximum(streets.a[real], streets.b[real]).astype(np.int64)
    pair = np.unique(low * streets.node_count + high)
    count = np.bincount(pair // streets.node_count, minlength=streets.node_count)
    return np.asarray(count + np.bincount(pair % streets.node_count, minlength=streets.node_count), dtype=np.int64)


def exits_at(
    streets: StreetTable,
    x_m: NDArray[np.float64],
    *,
    y_m: NDArray[np.float64],
    names: tuple[str, ...],
    far_m: float = 500.0,
) -> NDArray[np.int32]:
    """Take for out the nearest junction or street end to each given place.

    Raises
    ------
    InputError
        Naming every place that is farther than `far_m` from all of them.

    Examples
    --------
    >>> from leaveby.roads.network import network_from_lines
    >>> from leaveby.roads.street_table import street_table
    >>> table = street_table(network_from_lines([[(0.0, 0.0), (90.0, 0.0)]], crs="EPSG:32755"))
    >>> exits_at(table, np.array([80.0]), y_m=np.array([5.0]), names=("bridge",)).tolist()
    [1]
    """
    driven = np.zeros(streets.node_count, dtype=np.bool_)
    driven[streets.a[streets.driven]] = True
    driven[streets.b[streets.driven]] = True
    rows = np.flatnonzero(driven)
    if len(names) == 0 or rows.size == 0:
        raise refuse("exits", "there is none", expected="at least one exit on a street", mend="name the exits")
    places = shapely.points(x_m, y_m)
    tree = shapely.STRtree(np.asarray(shapely.points(streets.x_m[rows], streets.y_m[rows]), dtype=object))
    which, row = tree.query_nearest(places, all_matches=False)
    node = rows[row[np.argsort(which)]]
    away = np.hypot(streets.x_m[node] - x_m, streets.y_m[node] - y_m)
    far = np.flatnonzero(away > far_m)
    if far.size:
        said = "; ".join(f"{names[i]} {away[i]:.0f} m" for i in far[:10])
        raise refuse(
            "exits",
            f"{far.size} lie far from every junction ({said})",
            expected=f"exits within {far_m:.0f} m of a junction or street end",
            mend="correct their coordinates, or put them on the road",
        )
    return np.unique(node).astype(np.int32)


def home_vertices(
    tree: ExitTree, street: NDArray[np.int32], *, a: NDArray[np.int32], b: NDArray[np.int32], passage: NDArray[np.uint8]
) -> NDArray[np.int32]:
    """Find the nearest street or junction that a home on a street must pass.

    That is the street itself where it can be left by one end only, or where the other end leads back through it.

    Parameters
    ----------
    tree : ExitTree
    street : NDArray[np.int32], shape (h,)
        Street of each home, or -1.
    a, b, passage : shape (m,)
        As for `exit_tree`.

    Returns
    -------
    NDArray[np.int32], shape (h,)
        A vertex of the tree (maybe the outside), or -1 where there is no way out.

    Examples
    --------
    >>> a, b = np.array([0, 1, 2, 2], dtype=np.int32), np.array([1, 2, 0, 3], dtype=np.int32)
    >>> passage = np.full(4, 15, dtype=np.uint8)
    >>> tree = exit_tree(4, a, b=b, passage=passage, exits=np.array([0, 1], dtype=np.int32))
    >>> home_vertices(tree, np.array([0, 3], dtype=np.int32), a=a, b=b, passage=passage).tolist()
    [8, 7]
    """
    known = street != NOT_PLACED
    s = np.where(known, street, 0)
    vertex = tree.node_count + s
    one_end = np.isin(passage[s] & 12, (4, 8))
    back_through = np.zeros(s.shape, dtype=np.bool_)
    for end in (a[s], b[s]):
        back_through |= (tree.parent[end] == vertex) | (tree.parent[end] == NO_WAY_OUT)
    found = np.where(one_end | back_through, vertex, tree.parent[vertex])
    lost = ~known | (tree.parent[vertex] == NO_WAY_OUT)
    return np.where(lost, NO_WAY_OUT, found).astype(np.int32)


@numba.njit(cache=True, nogil=True)
def _grouped(
    order: NDArray[np.int32], parent: NDArray[np.int32], behind: NDArray[np.float64], outside: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Runs of places with the same homes behind them: head, gate, the group around, and the group of each vertex."""
    group = np.full(parent.shape[0], -1, np.int32)
    head = np.empty(order.shape[0], np.int32)
    gate = np.empty(order.shape[0], np.int32)
    inside = np.empty(order.shape[0], np.int32)
    count = 0
    for k in range(1, order.shape[0]):
        v = order[k]
        if behind[v] <= 0.0:
            continue
        up = parent[v]
        if up != outside and behind[up] == behind[v]:
            group[v] = group[up]
            gate[group[v]] = v
        else:
            group[v] = count
            head[count] = v
            gate[count] = v
            inside[count] = group[up] if up != outside else -1
            count += 1
    return head[:count].copy(), gate[:count].copy(), inside[:count].copy(), group


def single_exits(
    streets: StreetTable, homes: PlacedHomes, *, exits: NDArray[np.int32], compare: bool = True
) -> SingleExits:
    """Find the groups of homes that share single exits.

    Parameters
    ----------
    streets : StreetTable
        With n junctions and m streets.
    homes : PlacedHomes
    exits : NDArray[np.int32]
        Junctions that count as out, from `boundary_exits` or `exits_at`.
    compare : bool
        Also find the undirected bridges and why they differ; two more passes over the streets.

    Returns
    -------
    SingleExits

    Raises
    ------
    InputError
        When there is no exit.

    Examples
    --------
    >>> from leaveby.roads.homes import homes_by_street
    >>> from leaveby.roads.network import network_from_lines
    >>> from leaveby.roads.street_table import street_table
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)], [(90.0, 90.0), (300.0, 90.0)]]
    >>> streets = street_table(network_from_lines(lines, crs="EPSG:32755"))
    >>> found = single_exits(streets, homes_by_street(streets, np.array([0.0, 5.0, 12.0])), exits=np.array([0]))
    >>> found.homes.tolist(), found.inside.tolist()
    ([17.0, 12.0], [-1, 0])
    """
    out = np.unique(np.asarray(exits, dtype=np.int32))
    own = streets.own
    passage = street_passages(
        streets.node_count, streets.a, b=streets.b, forward=streets.forward, backward=streets.backward, own=own
    )
    tree = exit_tree(streets.node_count, streets.a, b=streets.b, passage=passage, exits=out)
    walked = np.where(streets.on_foot, 15, 0).astype(np.uint8)
    foot_tree = exit_tree(streets.node_count, streets.a, b=streets.b, passage=walked, exits=out)
    vertex = home_vertices(tree, homes.street, a=streets.a, b=streets.b, passage=passage)
    behind = sum_behind(tree, _weights(tree, vertex, homes.dwellings))
    head, gate, inside, _ = _grouped(tree.order, tree.parent, behind, tree.outside)
    bridge = np.zeros(streets.street_count, dtype=np.bool_)
    differences: tuple[Difference, ...] = ()
    if compare:
        driven = np.flatnonzero(streets.driven)
        bridge[driven] = bridges(streets.node_count, streets.a[driven], b=streets.b[driven], joined=out)
        differences = _differences(streets, tree, homes=behind, exits=out, bridge=bridge)
    return SingleExits(
        exits=out,
        passage=passage,
        tree=tree,
        foot_tree=foot_tree,
        home_vertex=vertex,
        homes_behind=behind,
        head=head,
        gate=gate,
        inside=inside,
        homes=behind[head],
        bridge=bridge,
        differences=differences,
        distance_m=distance_out_m(streets, passage, exits=out),
    )


def _weights(tree: ExitTree, vertex: NDArray[np.int32], dwellings: NDArray[np.float64]) -> NDArray[np.float64]:
    reached = vertex != NO_WAY_OUT
    count = np.bincount(vertex[reached], weights=dwellings[reached], minlength=tree.outside + 1)
    return np.asarray(count, dtype=np.float64)


def _differences(
    streets: StreetTable,
    tree: ExitTree,
    *,
    homes: NDArray[np.float64],
    exits: NDArray[np.int32],
    bridge: NDArray[np.bool_],
) -> tuple[Difference, ...]:
    number = tree.node_count + np.arange(streets.street_count)
    odd = np.flatnonzero((homes[number] > 0.0) & (tree.size[number] > 0) & streets.driven & ~bridge)
    if odd.size == 0:
        return ()
    no_own = np.zeros(streets.street_count, dtype=np.bool_)
    passage = street_passages(
        streets.node_count, streets.a, b=streets.b, forward=streets.forward, backward=streets.backward, own=no_own
    )
    shared = exit_tree(streets.node_count, streets.a, b=streets.b, passage=passage, exits=exits)
    still = shared.size[number] > 1
    found = [
        Difference(
            street=int(street),
            homes=float(homes[number[street]]),
            why="one-way streets"
            if still[street] or streets.forward[street] != streets.backward[street]
            else "ways that only residents use",
        )
        for street in odd
    ]
    return tuple(sorted(found, key=lambda item: (-item.homes, item.street)))


@numba.njit(cache=True, nogil=True)
def _down(
    order: NDArray[np.int32],
    parent: NDArray[np.int32],
    nodes: int,
    outside: int,
    length: NDArray[np.float64],
    worst: NDArray[np.float64],
    choice: NDArray[np.int32],
    added: NDArray[np.float64],
    least: NDArray[np.float64],
) -> None:
    """Along the one way from each vertex to the first junction with a choice.

    The columns of `length` are added up into `added`; of those of `worst` the greatest goes to `least`.
    """
    for k in range(1, order.shape[0]):
        v = order[k]
        up = parent[v]
        if v < nodes and (up == outside or up < nodes):
            choice[v] = v
            added[v, :] = 0.0
            least[v, :] = -np.inf
            continue
        choice[v] = choice[up] if up != outside else -1
        for column in range(length.shape[1]):
            added[v, column] = (added[up, column] if up != outside else 0.0) + length[v, column]
        for column in range(worst.shape[1]):
            above = least[up, column] if up != outside else -np.inf
            least[v, column] = max(above, worst[v, column])


def group_facts(
    streets: StreetTable, found: SingleExits, homes: PlacedHomes, *, outline: BaseGeometry | None = None
) -> GroupFacts:
    """Measure each group's streets.

    Parameters
    ----------
    streets : StreetTable
    found : SingleExits
    homes : PlacedHomes
        As given to `single_exits`.
    outline : shapely geometry, optional
        Outline of what the map holds; from `map_outline` when left out.

    Examples
    --------
    >>> from leaveby.roads.homes import homes_by_street
    >>> from leaveby.roads.network import network_from_lines
    >>> from leaveby.roads.street_table import street_table
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)], [(90.0, 0.0), (0.0, 0.5)]]
    >>> streets = street_table(network_from_lines(lines, crs="EPSG:32755"))
    >>> placed = homes_by_street(streets, np.array([0.0, 5.0, 0.0]))
    >>> found = single_exits(streets, placed, exits=np.array([0, 3]))
    >>> facts = group_facts(streets, found, placed)
    >>> facts.shared_m.tolist(), facts.dead_end_m.tolist(), facts.choice.tolist()
    ([90.0], [90.0], [1])
    """
    tree = found.tree
    n, m, total = tree.node_count, tree.street_count, tree.outside + 1
    counted = streets.driven & np.array([kind not in DRIVES for kind in streets.service], dtype=np.bool_)
    track = np.array(["track" in kind.split(SEPARATOR) for kind in streets.highway], dtype=np.bool_)
    burning = np.isfinite(streets.fuel_t_ha)
    length = np.zeros((total, 6))
    columns = (
        counted,
        counted & ~np.isfinite(streets.width_m),
        counted & track,
        counted & burning,
    )
    for column, kept in enumerate(columns):
        length[n : n + m, column] = np.where(kept, streets.length_m, 0.0)
    length[n : n + m, 4] = np.where(counted & burning, streets.length_m * np.where(burning, streets.fuel_t_ha, 0.0), 0)
    length[n : n + m, 5] = np.where(streets.driven, streets.length_m, 0.0)
    worst = np.full((total, 2), -np.inf)
    worst[n : n + m, 0] = np.where(counted, -streets.width_m, -np.inf)
    worst[n : n + m, 1] = np.where(counted, streets.steepest, -np.inf)

    choice = np.full(total, -1, dtype=np.int32)
    added, above = np.zeros_like(length), np.full_like(worst, -np.inf)
    _down(tree.order, tree.parent, n, tree.outside, length, worst, choice, added, above)
    start, mouth, throat = _corridors(found.head, found.gate, tree.parent, n, choice, added[:, 5].copy())
    up = tree.parent[mouth]
    # nothing is shared beyond a mouth that is itself a junction with a choice
    goes_on = (up != tree.outside) & (choice[mouth] != mouth)
    rest = np.where(goes_on[:, None], added[up], 0.0)
    rest_worst = np.where(goes_on[:, None], above[up], -np.inf)
    everything = np.column_stack([sum_behind(tree, length[:, column])[mouth] for column in range(6)]) + rest
    steepest = np.maximum(greatest_behind(tree, worst[:, 1])[mouth], rest_worst[:, 1])
    narrowest = -np.maximum(greatest_behind(tree, worst[:, 0])[mouth], rest_worst[:, 0])

    far = np.full(total, -np.inf)
    far[n : n + m] = np.where(counted, _farthest_m(streets, found), -np.inf)
    base = found.distance_m[np.maximum(choice[mouth], 0)]
    deepest = greatest_behind(tree, far)[mouth]
    dead_end = np.maximum(np.where(np.isfinite(deepest), deepest - base, 0.0), added[start, 0])

    pinch = np.where(throat >= 0, throat + n, mouth)
    foot_vertex = home_vertices(
        found.foot_tree,
        homes.street,
        a=streets.a,
        b=streets.b,
        passage=np.where(streets.on_foot, 15, 0).astype(np.uint8),
    )
    foot_behind = sum_behind(found.foot_tree, _weights(found.foot_tree, foot_vertex, homes.dwellings))
    stuck = found.home_vertex != NO_WAY_OUT
    no_foot = np.where(foot_vertex == NO_WAY_OUT, homes.dwellings, 0.0)
    unwalked = np.bincount(found.home_vertex[stuck], weights=no_foot[stuck], minlength=total).astype(np.float64)
    held = foot_behind[pinch] + sum_behind(tree, unwalked)[mouth]
    edge = np.zeros(total)
    edge[:n] = _at_outline(streets, map_outline(streets) if outline is None else outline)
    fuel_m = everything[:, 3]
    return GroupFacts(
        throat=throat,
        start=start,
        mouth=mouth,
        choice=choice[mouth],
        shared_m=added[start, 5],
        dead_end_m=np.asarray(dead_end, dtype=np.float64),
        streets_m=everything[:, 0],
        narrowest_m=narrowest,
        no_width_m=everything[:, 1],
        track_m=everything[:, 2],
        steepest=steepest,
        fuel_t_ha=np.divide(everything[:, 4], fuel_m, out=np.full(fuel_m.size, -np.inf), where=fuel_m > 0.0),
        foot_homes=np.maximum(found.homes - held, 0.0),
        at_edge=greatest_behind(tree, edge)[mouth] > 0.0,
    )


def shared_way(found: SingleExits, group: int) -> tuple[int, ...]:
    """List the junctions and streets that everyone of a group must pass to the first choice of ways, from inside out.

    Examples
    --------
    >>> from leaveby.roads.homes import homes_by_street
    >>> from leaveby.roads.network import network_from_lines
    >>> from leaveby.roads.street_table import street_table
    >>> streets = street_table(network_from_lines([[(0.0, 0.0), (90.0, 0.0)]], crs="EPSG:32755"))
    >>> found = single_exits(streets, homes_by_street(streets, np.array([5.0])), exits=np.array([0]))
    >>> shared_way(found, 0)
    (2, 0)
    """
    tree = found.tree
    way = [int(found.gate[group])]
    beyond = False
    while True:
        here = way[-1]
        up = int(tree.parent[here])
        beyond = beyond or here == int(found.head[group])
        if up == tree.outside or (beyond and here < tree.node_count and up < tree.node_count):
            return tuple(way)
        way.append(up)


@numba.njit(cache=True, nogil=True)
def _corridors(
    head: NDArray[np.int32],
    gate: NDArray[np.int32],
    parent: NDArray[np.int32],
    nodes: int,
    choice: NDArray[np.int32],
    shared_m: NDArray[np.float64],
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """The longest one way within each group's own run: where it starts, its outermost place and outermost street.

    A run may hold several such ways, with a choice of ways between them.
    """
    groups = head.shape[0]
    start, mouth, throat = np.empty(groups, np.int32), np.empty(groups, np.int32), np.full(groups, -1, np.int32)
    for g in range(groups):
        best = gate[g]
        here = gate[g]
        while here != head[g]:
            here = parent[here]
            if shared_m[here] > shared_m[best]:
                best = here
        if shared_m[best] == 0.0:
            start[g] = head[g]
            mouth[g] = head[g]
            continue
        start[g] = best
        here = best
        while True:
            if here >= nodes:
                throat[g] = here - nodes
            if here == head[g] or choice[parent[here]] != choice[best]:
                break
            if parent[here] == choice[best]:
                break
            here = parent[here]
        mouth[g] = here
    return start, mouth, throat


def _farthest_m(streets: StreetTable, found: SingleExits) -> NDArray[np.float64]:
    """Longest way out from any point of each street."""
    from_a, from_b = found.distance_m[streets.a], found.distance_m[streets.b]
    length = streets.length_m
    both = streets.forward & streets.backward
    with np.errstate(invalid="ignore"):
        turn = np.clip(np.where(np.isfinite(from_a + from_b), (from_b + length - from_a) / 2.0, 0.0), 0.0, length)
    middle = np.minimum(from_a + turn, from_b + length - turn)
    one_end = np.where(np.isinf(from_b), from_a + length, from_b + length)
    two_way = np.where(np.isinf(from_a) | np.isinf(from_b), one_end, middle)
    one_way = np.where(streets.forward, from_b + length, from_a + length)
    value = np.where(both, two_way, one_way)
    return np.where(np.isfinite(value), value, -np.inf)


def map_outline(streets: StreetTable) -> BaseGeometry:
    """Outline of the area that the streets cover: a concave hull of 250 m cells that hold a junction.

    Examples
    --------
    >>> from leaveby.roads.network import network_from_lines
    >>> from leaveby.roads.street_table import street_table
    >>> lines = [[(0.0, 0.0), (900.0, 0.0)], [(0.0, 0.0), (0.0, 900.0)]]
    >>> round(map_outline(street_table(network_from_lines(lines, crs="EPSG:32755"))).area)
    405000
    """
    cell = np.unique(np.column_stack([streets.x_m // _CELL_M, streets.y_m // _CELL_M]), axis=0, return_index=True)[1]
    places = shapely.multipoints(np.column_stack([streets.x_m[cell], streets.y_m[cell]]))
    return cast(BaseGeometry, shapely.concave_hull(places, ratio=_OUTLINE_RATIO))


def _at_outline(streets: StreetTable, outline: BaseGeometry) -> NDArray[np.bool_]:
    ends = np.flatnonzero(_neighbours(streets, streets.driven) == 1)
    near = np.zeros(streets.node_count, dtype=np.bool_)
    line = shapely.boundary(outline) if outline.geom_type in ("Polygon", "MultiPolygon") else outline
    shapely.prepare(line)
    places = shapely.points(streets.x_m[ends], streets.y_m[ends])
    inner = shapely.dwithin(places, line, EDGE_M) | ~np.asarray(shapely.covers(outline, places), dtype=np.bool_)
    near[ends] = inner
    return near
