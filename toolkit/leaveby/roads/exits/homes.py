"""Homes on their streets: each home joined to the nearest street that a drive can open onto, none dropped."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.errors import Faults, refuse, refused
from leaveby.parameters import FAR_HOME_M
from leaveby.roads.exits.street_table import StreetTable

FAR_M: Final = FAR_HOME_M.value
NOT_PLACED: Final = -1
HOMES_AT_ONCE: Final = 20_000


@dataclass(frozen=True, eq=False)
class Homes:
    """Where people live: the name or number of each home or building in its source, each once, and its dwellings.

    A house has 1 dwelling, flats more; positions are in the reference system of the streets.
    """

    identity: tuple[str, ...]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    dwellings: NDArray[np.float64]
    assumptions: tuple[str, ...] = ()

    @property
    def count(self) -> float:
        """Number of dwellings."""
        return float(self.dwellings.sum())


@dataclass(frozen=True, eq=False, kw_only=True)
class PlacedHomes(Homes):
    """Homes on streets: the one each opens onto, or -1 where none is near, and where along it.

    `away_m` is the distance from the street, also where it is too far.
    """

    street: NDArray[np.int32]
    along_m: NDArray[np.float64]
    away_m: NDArray[np.float64]


def check_homes(homes: Homes) -> Homes:
    """Refuse homes with missing values or names that stand twice, naming every kind of fault; return them unchanged."""
    faults = Faults()
    if not homes.identity:
        raise refused("homes", "no_homes")
    twice = [name for name, count in Counter(homes.identity).items() if count > 1]
    if twice:
        few = ", ".join(twice[:5]) + (" ..." if len(twice) > 5 else "")
        faults.tell("homes", "homes_twice", twice=len(twice), homes=len(homes.identity), few=few)
    placed = np.isfinite(homes.x_m) & np.isfinite(homes.y_m)
    counted = np.isfinite(homes.dwellings) & (homes.dwellings > 0.0)
    for good, wrong, expected, mend in (
        (placed, "have no position", "finite coordinates", "give them"),
        (counted, "have no usable number of dwellings", "a number above 0", "correct it"),
    ):
        rows = np.flatnonzero(~good)
        if rows.size:
            names = ", ".join(homes.identity[row] for row in rows[:5])
            faults.add("homes", f"{rows.size} {wrong} ({names})", expected, mend)
    faults.refuse()
    return homes


def place_homes(homes: Homes, streets: StreetTable, *, far_m: float = FAR_M) -> PlacedHomes:
    """Join each home to its street: the nearest that carries cars, is no motorway and not in a tunnel.

    Of streets that are equally near, the one with the lowest way and junction numbers is taken, so that the answer
    depends neither on the order of the streets nor on how an area was cut. A home farther than `far_m` from every
    street is not placed: its street is -1. Unsound homes, or no street that can take one, are an InputError.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> from leaveby.roads.exits.street_table import street_table
    >>> streets = street_table(network_from_lines([[(0.0, 0.0), (90.0, 0.0)]], crs="EPSG:32755"))
    >>> homes = Homes(("1", "2"), np.array([30.0, 0.0]), np.array([20.0, 2000.0]), np.ones(2))
    >>> placed = place_homes(homes, streets)
    >>> placed.street.tolist(), placed.along_m.tolist(), placed.away_m.tolist()
    ([0, -1], [30.0, 0.0], [20.0, 2000.0])
    """
    check_homes(homes)
    takes = np.flatnonzero(streets.takes_homes & streets.driven)
    if takes.size == 0:
        raise refused("streets", "no_street_takes_homes")
    points = np.asarray(shapely.points(homes.x_m, homes.y_m), dtype=object)
    lines = streets.geometry[takes]
    tree = shapely.STRtree(lines)
    # some at a time, so that whoever stops the command does not wait for all of them
    parts = [
        (at, tree.query_nearest(points[at : at + HOMES_AT_ONCE])) for at in range(0, homes.x_m.size, HOMES_AT_ONCE)
    ]
    home, row = np.concatenate([found + np.array([[at], [0]]) for at, found in parts], axis=1)
    street = takes[row]
    low = np.minimum(streets.node_id[streets.a[street]], streets.node_id[streets.b[street]])
    high = np.maximum(streets.node_id[streets.a[street]], streets.node_id[streets.b[street]])
    order = np.lexsort((high, low, streets.way_id[street], home))
    chosen = order[np.unique(home[order], return_index=True)[1]]
    street = street[chosen]
    away = np.asarray(shapely.distance(points, streets.geometry[street]), dtype=np.float64)
    line_m = np.asarray(shapely.length(streets.geometry[street]), dtype=np.float64)
    drawn = np.asarray(shapely.line_locate_point(streets.geometry[street], points), dtype=np.float64)
    share = np.divide(drawn, line_m, out=np.zeros_like(drawn), where=line_m > 0.0)
    near = away <= far_m
    sentences = list(homes.assumptions)
    if not near.all():
        worst = homes.identity[int(np.argmax(away))]
        sentences.append(
            f"{int((~near).sum())} homes lie more than {far_m:.0f} m from every street and belong to no group "
            f"(the farthest, {worst}, {away.max():.0f} m): find out how people leave them."
        )
    return PlacedHomes(
        identity=homes.identity,
        street=np.where(near, street, NOT_PLACED).astype(np.int32),
        along_m=np.where(near, share * streets.length_m[street], 0.0),
        away_m=away,
        dwellings=homes.dwellings,
        x_m=homes.x_m,
        y_m=homes.y_m,
        assumptions=tuple(sentences),
    )


def homes_by_street(streets: StreetTable, count: NDArray[np.float64]) -> PlacedHomes:
    """Place a counted number of homes on each street, shape (m,), 0 or more, at its middle.

    A count that is missing or negative, homes on a street that no car drives, or no home at all are an InputError.
    """
    number = np.asarray(count, dtype=np.float64)
    if number.shape != (streets.street_count,) or not np.isfinite(number).all() or (number < 0.0).any():
        raise refused("homes", "homes_not_counted_by_street", street_count=streets.street_count)
    lost = (number > 0.0) & ~streets.driven
    if lost.any():
        place = f"way {streets.way_id[int(np.flatnonzero(lost)[0])]}"
        raise refused(place, "homes_where_no_car_drives", homes=int(number[lost].sum()), ways=lost.sum())
    rows = np.flatnonzero(number > 0.0)
    if rows.size == 0:
        raise refuse("homes", "there is none in it", expected="at least one home", mend="take a larger area")
    middle = shapely.line_interpolate_point(streets.geometry[rows], 0.5, normalized=True)
    return PlacedHomes(
        identity=tuple(f"way {streets.way_id[row]} street {row}" for row in rows),
        street=rows.astype(np.int32),
        along_m=streets.length_m[rows] / 2.0,
        away_m=np.zeros(rows.size),
        dwellings=number[rows],
        x_m=np.asarray(shapely.get_x(middle), dtype=np.float64),
        y_m=np.asarray(shapely.get_y(middle), dtype=np.float64),
        assumptions=("Homes were counted per street and stand at its middle.",),
    )
