"""What a map or an exported layer shows, as shapes: isochrones, shut streets, ignitions, light on the hills.

Everything is in the terrain grid's reference system.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.features import shapes
from rasterio.transform import Affine
from shapely.geometry import LineString, MultiPolygon, Polygon, box, shape
from shapely.geometry.base import BaseGeometry

from leaveby.decision.ways.result import HouseholdResult, TriggerLine, WayRoute, clock
from leaveby.fire.terrain import Grid
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import shut_along
from leaveby.show.wording import floor_clock, minutes_between

_SMALLEST_CELLS: Final = 30
_STEPS_MIN: Final = (5, 10, 15, 30, 60, 120, 180, 240)


@dataclass(frozen=True)
class Isochrone:
    """Ground, as whole cells, that has burnt by a moment in the scenario's central run."""

    at_s: float
    area: MultiPolygon


@dataclass(frozen=True)
class ShutStreet:
    """A street of a route, the first moment when a part of it shuts, and the stretch that shuts first."""

    street: str
    at_s: float
    line: LineString


def clock_steps(result: HouseholdResult, reached_s: NDArray[np.float64], *, most: int) -> tuple[float, ...]:
    """Moments on whole clock steps, no more than `most`, between the first and the last finite time of an array."""
    burnt = reached_s[np.isfinite(reached_s)]
    if not burnt.size or burnt.max() <= burnt.min():
        return ()
    first_s, last_s = float(burnt.min()), float(burnt.max())
    span_min = (last_s - first_s) / 60.0
    step_min = next((step for step in _STEPS_MIN if span_min / step <= most), _STEPS_MIN[-1])
    moment = floor_clock(clock(result, first_s), 1)
    moment = moment.replace(hour=0, minute=0)
    times = []
    while (at_s := minutes_between(result, moment) * 60.0) <= last_s + step_min * 60.0:
        if first_s < at_s <= last_s:
            times.append(at_s)
        moment += timedelta(minutes=step_min)
    return tuple(times)


def isochrones(result: HouseholdResult, *, most: int = 8) -> tuple[Isochrone, ...]:
    """Outline the ground that has burnt by moments on whole clock steps, no more than `most`, as whole cells."""
    if result.fire is None:
        return ()
    reached_s = result.fire.arrival.time_s
    grid = result.terrain.grid
    times = clock_steps(result, reached_s, most=most)
    return tuple(Isochrone(at_s=at_s, area=burnt_area(grid, reached_s, by_s=at_s)) for at_s in times)


def burnt_area(grid: Grid, arrival_s: NDArray[np.float64], *, by_s: float) -> MultiPolygon:
    """Outline the cells that the fire has reached by a moment.

    >>> grid = Grid(x_min_m=0.0, y_max_m=20.0, cell_m=10.0, rows=2, cols=2, crs="EPSG:32755")
    >>> burnt_area(grid, np.array([[0.0, 50.0], [np.inf, np.inf]]), by_s=60.0).area
    200.0
    """
    mask = np.asarray(arrival_s <= by_s)
    transform = Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m)
    parts = [shape(area) for area, value in shapes(mask.astype(np.uint8), mask=mask, transform=transform) if value == 1]
    return MultiPolygon([part for part in parts if isinstance(part, Polygon)])


def shut_streets(result: HouseholdResult, route: WayRoute) -> tuple[ShutStreet, ...]:
    """Streets of a route in the order in which they shut; those that do not shut within the horizon stay out."""
    lines = edge_lines(result.network, result.terrain.grid.crs)
    return tuple(
        ShutStreet(street=name, at_s=at_s, line=lines[edge])
        for name, edge, at_s in shut_along(result.network, route.edges, result.closing_s)
    )


def to_grid(result: HouseholdResult, geometry: BaseGeometry) -> BaseGeometry:
    """Bring a geometry from the road network's reference system to the grid's, where they are not the same."""
    return _moved(geometry, result.network.crs, result.terrain.grid.crs)  # type: ignore[no-any-return]


def edge_lines(network: RoadNetwork, crs: str) -> NDArray[np.object_]:
    """Line of every edge of a road network, in a grid's reference system."""
    return _moved(network.geometry, network.crs, crs)  # type: ignore[no-any-return]


def _moved(geometry: Any, crs: str, wanted: str) -> Any:
    if CRS.from_user_input(crs) == CRS.from_user_input(wanted):
        return geometry
    change = Transformer.from_crs(crs, wanted, always_xy=True)
    return shapely.transform(geometry, lambda points: np.column_stack(change.transform(points[:, 0], points[:, 1])))


def ignition_points(result: HouseholdResult) -> tuple[tuple[str, NDArray[np.float64]], ...]:
    """Name and positions, in the grid's reference system, of each ignition: shape (points, 2)."""
    change = Transformer.from_crs("EPSG:4326", result.terrain.grid.crs, always_xy=True)
    found = []
    for ignition in result.plan.ignitions:
        lon_deg, lat_deg = np.array(ignition.lon_lat_deg, dtype=np.float64).T
        found.append((ignition.name, np.column_stack(change.transform(lon_deg, lat_deg))))
    return tuple(found)


def hill_shade(elevation_m: NDArray[np.float64], cell_m: float) -> NDArray[np.float64]:
    """Light the ground from the north-west, 45 degrees up: 0 in full shade to 1 in full light."""
    south_m, east_m = np.gradient(elevation_m, cell_m)
    # Normal of the ground in east, north, up; rows run south.
    east, north, up = -east_m, south_m, 1.0
    length = np.sqrt(east**2 + north**2 + up**2)
    light = np.array([-0.5, 0.5, math.sqrt(0.5)])
    bright: NDArray[np.float64] = np.clip((east * light[0] + north * light[1] + up * light[2]) / length, 0.0, 1.0)
    return bright


def shown_triggers(result: HouseholdResult) -> tuple[TriggerLine, ...]:
    """The trigger lines drawn: for each way, where it is too late to begin getting ready, on days of one rating."""
    return tuple(rule.late for rule in result.rules.drawn)


def trigger_edge(result: HouseholdResult, line: TriggerLine, frame: BaseGeometry) -> BaseGeometry:
    """The part of a trigger line inside the map; where the area only ends with the computed ground there is no line."""
    grid = result.rules.grid
    ground = box(*grid.bounds_m).buffer(-1.5 * grid.cell_m)
    least_m2 = _SMALLEST_CELLS * grid.cell_m**2
    # Ponds and bare spots make holes and specks that say nothing about when to start.
    parts = [
        Polygon(part.exterior, [hole for hole in part.interiors if Polygon(hole).area >= least_m2])
        for part in line.area.geoms
        if part.area >= least_m2
    ]
    edge: BaseGeometry = MultiPolygon(parts).boundary.intersection(ground).intersection(frame)
    return edge
