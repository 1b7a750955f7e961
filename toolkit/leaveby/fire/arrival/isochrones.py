"""What is read off a solved arrival field: isochrones, places."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import contourpy
import geopandas as gpd
import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from leaveby.caution import OVERRIDE
from leaveby.errors import Fault, Faults
from leaveby.fire.arrival.solve import Arrival
from leaveby.fire.terrain import cell_of


def isochrones(arrival: Arrival, times_s: Sequence[float]) -> gpd.GeoDataFrame:
    """Ground burnt at each time, as polygons: one row a time, columns `time_s`, `override` and `geometry`.

    Between cell centres the time is taken on the straight line, so at a moment when the wind jumps an edge may be off
    by up to half a cell; unburnable cells are cut out. A time before the first ignition gives an empty geometry.

    Raises InputError where a time is not finite or lies past the horizon.
    """
    grid = arrival.grid
    Faults(
        Fault(f"time {i}", f"is {time} s", f"up to the horizon, {arrival.horizon_s} s", "take a longer horizon")
        for i, time in enumerate(times_s)
        if not (np.isfinite(time) and time <= arrival.horizon_s)
    ).refuse()
    reached = np.isfinite(arrival.time_s)
    top = arrival.horizon_s + 1.0
    field = np.where(reached, arrival.time_s, top)
    near = ndimage.binary_dilation(reached, np.ones((3, 3), dtype=bool))
    beside = near & ~arrival.burnable
    if beside.any():
        nearest = ndimage.distance_transform_edt(~reached, return_distances=False, return_indices=True)
        field[beside] = field[tuple(nearest)][beside]
    field = np.pad(field, 1, mode="edge")
    x = grid.x_min_m + (np.arange(-1, grid.cols + 1) + 0.5) * grid.cell_m
    y = grid.y_max_m - (np.arange(-1, grid.rows + 1) + 0.5) * grid.cell_m
    low = min(float(field.min()), min(times_s, default=0.0)) - 1.0
    extent = shapely.box(*grid.bounds_m)
    rows, cols = np.nonzero(ndimage.binary_dilation(beside, np.ones((3, 3), dtype=bool)) & ~arrival.burnable)
    half = 0.5 * grid.cell_m
    west, south = x[cols + 1] - half, y[rows + 1] - half
    blocked = shapely.union_all(shapely.box(west, south, x[cols + 1] + half, y[rows + 1] + half))
    generator = contourpy.contour_generator(x, y, field, fill_type=contourpy.FillType.OuterOffset)
    shapes: list[BaseGeometry] = []
    for time in times_s:
        filled: Any = generator.filled(low, float(time))
        points, offsets = filled
        pieces = []
        for ring_points, ring_offsets in zip(points, offsets, strict=True):
            rings = [ring_points[a:b] for a, b in itertools.pairwise(ring_offsets)]
            pieces.append(shapely.make_valid(shapely.Polygon(rings[0], rings[1:])))
        burnt = shapely.intersection(shapely.union_all(pieces), extent)
        shapes.append(_polygons_only(shapely.difference(burnt, blocked)))
    return gpd.GeoDataFrame(
        {"time_s": [float(time) for time in times_s], "override": [OVERRIDE] * len(shapes)},
        geometry=shapes,
        crs=grid.crs,
    )


def arrival_near(arrival: Arrival, x_m: float, *, y_m: float, within_m: float = 0.0) -> float:
    """Earliest arrival within a distance of a point, in seconds; inf where none within the horizon.

    The cell that holds the point counts, and every cell of which any part may lie within the distance.

    Raises InputError where the point lies outside the grid or the distance is negative.
    """
    grid = arrival.grid
    at = cell_of(grid, x_m, y_m=y_m)
    faults = Faults()
    if at is None:
        faults.add("point", f"({x_m}, {y_m}) lies outside the grid", "on the grid", "take in more ground")
    if not (np.isfinite(within_m) and within_m >= 0):
        faults.add("distance", f"is {within_m} m", "0 m or more", "correct it")
    faults.refuse()
    assert at is not None
    earliest = float(arrival.time_s[at])
    if within_m > 0:
        x = (x_m - grid.x_min_m) / grid.cell_m - 0.5
        y = (grid.y_max_m - y_m) / grid.cell_m - 0.5
        away_x = np.maximum(np.abs(np.arange(grid.cols) - x) - 0.5, 0.0)
        away_y = np.maximum(np.abs(np.arange(grid.rows) - y) - 0.5, 0.0)
        near = np.hypot(away_y[:, None], away_x[None, :]) * grid.cell_m <= within_m
        earliest = min(earliest, float(arrival.time_s[near].min()))
    return earliest


def _polygons_only(geometry: BaseGeometry) -> BaseGeometry:
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon" and part.area > 0])
