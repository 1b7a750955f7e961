"""Where lines lie: the outline of marked ground, and how far it reaches from the home."""

from __future__ import annotations

from typing import Final

import numpy as np
import rasterio
import rasterio.features
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from leaveby.fire.terrain import Grid

BEARINGS_DEG: Final = tuple(360.0 * k / 16.0 for k in range(16))


def area_of(grid: Grid, inside: NDArray[np.bool_]) -> MultiPolygon:
    """Outline the marked cells."""
    transform = rasterio.Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m)
    shapes = rasterio.features.shapes(inside.astype(np.uint8), mask=inside, transform=transform)
    return MultiPolygon([Polygon(rings[0], rings[1:]) for rings in (shape["coordinates"] for shape, _ in shapes)])


def distances_to_line(grid: Grid, inside: NDArray[np.bool_], *, from_cell: tuple[int, int]) -> tuple[float, ...]:
    """Measure how far the marked cells reach from a cell in 16 directions, clockwise from north, in m.

    0 where none lies in that direction; inf where they reach the grid's edge.
    """
    reach = []
    for bearing_deg in BEARINGS_DEG:
        angle = np.radians(bearing_deg)
        # Quarter-cell steps off the cells' edges, so that no cell on the ray is stepped over.
        steps = (np.arange(4 * (grid.rows + grid.cols)) + 0.5) * 0.25
        rows = np.floor(from_cell[0] + 0.5 - steps * np.cos(angle)).astype(int)
        cols = np.floor(from_cell[1] + 0.5 + steps * np.sin(angle)).astype(int)
        on_grid = (rows >= 0) & (rows < grid.rows) & (cols >= 0) & (cols < grid.cols)
        last = int(on_grid.sum()) - 1
        marked = inside[rows[on_grid], cols[on_grid]]
        # The ray's own cell counts as part of where one stands, not of a direction.
        marked &= (rows[on_grid] != from_cell[0]) | (cols[on_grid] != from_cell[1])
        if not marked.any():
            reach.append(0.0)
        elif marked[last]:
            reach.append(float("inf"))
        else:
            reach.append(float((steps[np.flatnonzero(marked)[-1]] + 0.125) * grid.cell_m))
    return tuple(reach)
