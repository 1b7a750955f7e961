"""The grid that terrain, fuel and fire share, and what the ground's shape does to a fire."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square cells in a projected, metric reference system.

    Row 0 is the northernmost row, column 0 the westernmost. A cell is addressed by its centre.

    Attributes
    ----------
    x_min_m, y_max_m : float
        Outer north-west corner of the north-west cell, in metres.
    cell_m : float
        Cell size in metres, above 0.
    rows, cols : int
        Shape, each at least 2.
    crs : str
        Reference system that `pyproj.CRS` understands, projected with metre axes (checked where files are read).

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=300.0, cell_m=30.0, rows=10, cols=20, crs="EPSG:32755")
    >>> grid.shape
    (10, 20)
    """

    x_min_m: float
    y_max_m: float
    cell_m: float
    rows: int
    cols: int
    crs: str

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (self.rows, self.cols)


def cell_of(grid: Grid, x_m: float, *, y_m: float) -> tuple[int, int] | None:
    """Row and column of the cell that holds a point, or None where the point lies outside.

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=300.0, cell_m=30.0, rows=10, cols=20, crs="EPSG:32755")
    >>> cell_of(grid, 45.0, y_m=299.0), cell_of(grid, -1.0, y_m=0.0)
    ((0, 1), None)
    """
    col = int(np.floor((x_m - grid.x_min_m) / grid.cell_m))
    row = int(np.floor((grid.y_max_m - y_m) / grid.cell_m))
    if 0 <= row < grid.rows and 0 <= col < grid.cols:
        return (row, col)
    return None


def centre_of(grid: Grid, row: int, *, col: int) -> tuple[float, float]:
    """Coordinates (x, y) in metres of a cell's centre.

    Examples
    --------
    >>> centre_of(Grid(x_min_m=0.0, y_max_m=300.0, cell_m=30.0, rows=10, cols=20, crs="EPSG:32755"), 0, col=1)
    (45.0, 285.0)
    """
    return (grid.x_min_m + (col + 0.5) * grid.cell_m, grid.y_max_m - (row + 0.5) * grid.cell_m)


@dataclass(frozen=True)
class Terrain:
    """Elevation on a grid, without voids.

    Attributes
    ----------
    grid : Grid
    elevation_m : ndarray of float64, shape (rows, cols)
        Metres above sea level, finite everywhere.
    """

    grid: Grid
    elevation_m: NDArray[np.float64]
