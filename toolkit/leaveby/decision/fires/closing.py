"""When each stretch of road shuts: the first moment fire is within the stand-off of any part of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString

from leaveby.errors import refuse
from leaveby.fire.terrain import Grid


@dataclass(frozen=True)
class StretchCells:
    """The grid cells that can shut each stretch, as compressed rows.

    - `first`, shape (stretches + 1,): cells of stretch i stand in `cell[first[i]:first[i + 1]]`.
    - `cell`: flat index into the grid.
    - `inside`, shape (stretches,): False where a part of the stretch lies off the grid, so that its closing can't be
      known.
    """

    first: NDArray[np.int64]
    cell: NDArray[np.int64]
    inside: NDArray[np.bool_]


def stretch_cells(grid: Grid, lines: Sequence[LineString], *, standoff_m: float) -> StretchCells:
    """Find the cells any part of which lies within the stand-off distance (0 m or more) of any part of each line.

    The whole geometry counts, never its ends only: a cell belongs to a line when its centre lies within the
    stand-off plus half the cell's diagonal. That is on the early side by at most one cell. Lines are in the grid's
    reference system.

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=100.0, cell_m=10.0, rows=10, cols=10, crs="EPSG:32755")
    >>> cells = stretch_cells(grid, [LineString([(5, 95), (95, 95)])], standoff_m=0.0)
    >>> sorted(set((cells.cell // 10).tolist())), cells.inside.tolist()
    ([0], [True])
    """
    if not (np.isfinite(standoff_m) and standoff_m >= 0.0):
        raise refuse("roads.standoff_m", f"is {standoff_m}", expected="0 m or more", mend="give the distance in metres")
    x_m, y_m = np.meshgrid(grid.x_m, grid.y_m)
    tree = shapely.STRtree(np.asarray(shapely.points(x_m.ravel(), y_m.ravel())))
    reach_m = standoff_m + grid.cell_m * np.sqrt(0.5)
    shapes = np.asarray(lines, dtype=object)
    which, cell = tree.query(shapes, predicate="dwithin", distance=reach_m)
    order = np.lexsort((cell, which))
    first = np.zeros(len(shapes) + 1, dtype=np.int64)
    first[1:] = np.cumsum(np.bincount(which, minlength=len(shapes)))
    return StretchCells(first=first, cell=cell[order].astype(np.int64), inside=lines_inside(grid, shapes))


def lines_inside(grid: Grid, lines: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Whether each line lies wholly on the grid."""
    inside = shapely.covered_by(lines, shapely.box(*grid.bounds_m)) if len(lines) else np.zeros(0, dtype=bool)
    return np.asarray(inside, dtype=np.bool_)


def closing_times(cells: StretchCells, arrival_s: NDArray[np.float64], *, smoke_lead_s: float) -> NDArray[np.float64]:
    """Moment at which each stretch shuts; inf where nothing within the stand-off burns within the horizon.

    The smoke lead (0 or more) is taken off, since smoke, embers and traffic shut a road before flames do.

    Examples
    --------
    >>> cells = StretchCells(np.array([0, 2, 2]), np.array([0, 3]), np.array([True, True]))
    >>> closing_times(cells, np.array([[900.0, 1.0], [2.0, 700.0]]), smoke_lead_s=600.0).tolist()
    [100.0, inf]
    """
    flat = np.append(arrival_s.ravel(), np.inf)
    # reduceat takes the element at the index itself for an empty run: such stretches are set to inf afterwards.
    padded = np.append(cells.cell, flat.size - 1)
    counts = np.diff(cells.first)
    earliest = np.minimum.reduceat(flat[padded], cells.first[:-1]) if counts.size else np.zeros(0)
    return np.where(counts > 0, earliest, np.inf) - smoke_lead_s


def select(cells: StretchCells, stretches: NDArray[np.int64]) -> StretchCells:
    """Keep only the named stretches, in the given order, so that members look at the cells of few roads."""
    counts = np.diff(cells.first)[stretches]
    first = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    parts = [cells.cell[cells.first[i] : cells.first[i + 1]] for i in stretches]
    cell = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
    return StretchCells(first=first, cell=cell, inside=cells.inside[stretches])
