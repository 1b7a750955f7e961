"""Where a trigger line crosses named roads and passes places, so that people can tell by names where the fire may be.

A line on a map helps who has the map. Over the radio one hears names: "the fire has reached Tannery Road". Each
landmark is a name with a direction and a distance from the home: with fire there or nearer one is late for that way.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from leaveby.decision.ways.result import TriggerLine
from leaveby.fire.terrain import Grid
from leaveby.parameters import NEAR_LEAST_M, NEAR_SHARE
from leaveby.regions import assumed
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import COMPASS, compass_words, street
from leaveby.units import METRIC, Measures, outward_words

MOST: Final = 8
"""Landmarks that one line is given, so that they can be learnt by heart."""

PER_DIRECTION: Final = 2
_STEP_M: Final = 100.0

TOO_NEAR: Final = {
    "tow": "leave the house behind",
    "car": "go by car at once, no packing, as directed",
    "foot": "go on foot at once, no packing, as directed",
}
"""What to do when fire is inside a way's line: one is late then, not cut off."""

LANDMARK_ASSUMPTIONS: Final = assumed("decision/rules/supposed", "landmarks")
"""What landmarks rest on, for the list of assumptions of a result."""


@dataclass(frozen=True)
class Landmark:
    """A name that tells how near the fire is.

    - `x_m`, `y_m`: where the road crosses the line, or the place; in the grid's reference system.
    - `bearing_deg`, `distance_m`: from the home, clockwise from grid north.
    """

    kind: Literal["road", "place"]
    name: str
    x_m: float
    y_m: float
    bearing_deg: float
    distance_m: float
    sentence: str


def landmarks(
    line: TriggerLine,
    network: RoadNetwork,
    *,
    grid: Grid,
    home_xy_m: tuple[float, float],
    places: Iterable[tuple[str, float, float]] = (),
    measures: Measures = METRIC,
) -> tuple[Landmark, ...]:
    """Name the roads that a trigger line crosses and the places just inside it, the nearest first.

    No more than two for each of eight directions are given, so that near ones on one side leave room for the others.
    All is in the grid's reference system; where the line runs off the grid there is no crossing to name.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> grid = Grid(x_min_m=0.0, y_max_m=5000.0, cell_m=50.0, rows=100, cols=100, crs="EPSG:32755")
    >>> network = network_from_lines([[(500.0, 2500.0), (4900.0, 2500.0)]], crs="EPSG:32755", names=["Hill Road"])
    >>> area = shapely.MultiPolygon([shapely.box(1000.0, 1000.0, 4000.0, 4000.0)])
    >>> line = TriggerLine("tow", 0.95, 3600.0, area, ())
    >>> for one in landmarks(line, network, grid=grid, home_xy_m=(2000.0, 2500.0), places=[("Mill", 2500.0, 3900.0)]):
    ...     print(one.sentence)
    Fire at Hill Road, 1.0 km west of home, or nearer: leave the house behind.
    Fire at Mill, 1.5 km north of home, or nearer: leave the house behind.
    Fire at Hill Road, 2.0 km east of home, or nearer: leave the house behind.
    """
    found = [
        *road_crossings(line, network, grid=grid, home_xy_m=home_xy_m, measures=measures),
        *places_inside(line, places, grid=grid, home_xy_m=home_xy_m, measures=measures),
    ]
    found.sort(key=lambda one: (one.distance_m, one.name))
    taken: dict[str, int] = {}
    kept = []
    for one in found:
        direction = compass_words(one.bearing_deg)
        taken[direction] = taken.get(direction, 0) + 1
        if taken[direction] <= PER_DIRECTION:
            kept.append(one)
    return tuple(kept[:MOST])


def road_crossings(
    line: TriggerLine,
    network: RoadNetwork,
    *,
    grid: Grid,
    home_xy_m: tuple[float, float],
    measures: Measures = METRIC,
) -> tuple[Landmark, ...]:
    """Find where named roads cross a trigger line, once for each road and each of eight directions, the nearest first.

    Of several crossings in one direction the farthest counts: the early side. Roads without a name or number are left
    out, since nobody will say them over the radio.
    """
    edge_of_area = _edge_within(_filled(line.area), grid)
    if edge_of_area.is_empty:
        return ()
    farthest: dict[tuple[str, str], Landmark] = {}
    for number in shapely.STRtree(network.geometry).query(edge_of_area, predicate="intersects"):
        edge = int(number)
        twin = int(network.twin[edge])
        if not (network.name[edge] or network.ref[edge]) or 0 <= twin < edge:
            continue
        name = street(network, edge)
        for spot in _spots(shapely.intersection(network.geometry[edge], edge_of_area)):
            one = _landmark("road", name, line.way, spot=spot, home_xy_m=home_xy_m, measures=measures)
            key = (name, compass_words(one.bearing_deg))
            if key not in farthest or one.distance_m > farthest[key].distance_m:
                farthest[key] = one
    return tuple(sorted(farthest.values(), key=lambda one: (one.distance_m, one.name)))


def places_inside(
    line: TriggerLine,
    places: Iterable[tuple[str, float, float]],
    *,
    grid: Grid,
    home_xy_m: tuple[float, float],
    measures: Measures = METRIC,
) -> tuple[Landmark, ...]:
    """Find the places inside a trigger line that lie near it, the nearest to the home first.

    Near is within a quarter of their distance from the home, and 1 km in any case: fire at a place far inside says no
    more than fire at one that is crossed before.
    """
    area = _filled(line.area)
    edge_of_area = _edge_within(area, grid)
    if edge_of_area.is_empty:
        return ()
    found = []
    for name, x_m, y_m in places:
        spot = shapely.Point(x_m, y_m)
        if not name or not area.intersects(spot):
            continue
        one = _landmark("place", name, line.way, spot=(x_m, y_m), home_xy_m=home_xy_m, measures=measures)
        if edge_of_area.distance(spot) <= max(NEAR_LEAST_M.value, NEAR_SHARE.value * one.distance_m):
            found.append(one)
    return tuple(sorted(found, key=lambda one: (one.distance_m, one.name)))


def landmark_words(found: Sequence[Landmark], line: TriggerLine) -> tuple[str, ...]:
    """Give the sentences of a line's landmarks, and what to know where there is none."""
    said = [one.sentence for one in found]
    # Where the line lies beyond the modelled ground fire at any distance counts.
    beyond = dict.fromkeys(compass_words(bearing) for bearing, distance_m in line.distance_m if np.isinf(distance_m))
    if beyond:
        towards = "In every direction" if len(beyond) == len(COMPASS) else f"Towards {', '.join(beyond)}"
        said.append(f"{towards} the line lies beyond the ground that was looked at: a fire anywhere there counts.")
    return (*said, *LANDMARK_ASSUMPTIONS)


def short_words(sentence: str) -> tuple[str, str] | None:
    """Give the name of a landmark's sentence, and how far and where it is; None for one that is about no landmark.

    Examples
    --------
    >>> short_words("Fire at Hill Road, 1.0 km west of home, or nearer: leave the house behind.")
    ('Hill Road', '1.0 km west')
    >>> short_words("A road that crosses a trigger line several times") is None
    True
    """
    found = re.fullmatch(r"Fire at (.+), ([\d.]+ [a-z]+ [a-z-]+) of home, or nearer: .+", sentence)
    return None if found is None else (found[1], found[2])


def _filled(area: shapely.MultiPolygon) -> BaseGeometry:
    """The area without holes: a lake or a town in it does not burn, but fire beside it is as near."""
    return shapely.union_all([shapely.Polygon(part.exterior) for part in area.geoms])


def _edge_within(area: BaseGeometry, grid: Grid) -> BaseGeometry:
    """The area's outline without what is only the edge of the modelled ground."""
    if area.is_empty:
        return shapely.MultiLineString()
    return shapely.intersection(area.boundary, shapely.box(*grid.bounds_m).buffer(-0.5 * grid.cell_m))


def _spots(crossing: BaseGeometry) -> list[tuple[float, float]]:
    """Points of a crossing; a road that runs along the outline for a while gives points all along."""
    parts = [shapely.segmentize(part, _STEP_M) for part in shapely.get_parts(crossing)]
    return [(float(x), float(y)) for part in parts for x, y in shapely.get_coordinates(part)]


def _landmark(
    kind: Literal["road", "place"],
    name: str,
    way: str,
    *,
    spot: tuple[float, float],
    home_xy_m: tuple[float, float],
    measures: Measures,
) -> Landmark:
    east_m, north_m = spot[0] - home_xy_m[0], spot[1] - home_xy_m[1]
    distance_m = float(np.hypot(east_m, north_m))
    bearing_deg = float(np.degrees(np.arctan2(east_m, north_m)) % 360.0)
    where = f"{name}, {outward_words(distance_m, measures)} {compass_words(bearing_deg)} of home"
    sentence = f"Fire at {where}, or nearer: {TOO_NEAR[way]}."
    return Landmark(kind, name, spot[0], spot[1], bearing_deg, distance_m, sentence)
