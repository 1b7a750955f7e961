"""The grid that terrain, fuel and fire share, and what the ground's shape does to a fire."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from leaveby.errors import Faults

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square cells in a projected, metric reference system.

    Row 0 is the northernmost row, column 0 the westernmost. A cell is addressed by its centre; `x_min_m`, `y_max_m` are
    the outer north-west corner of the north-west one. `rows` and `cols` are at least 2, and `crs` is one that
    `pyproj.CRS` understands, with metre axes (checked where files are read).
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

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east and north edge, metres."""
        south, east = self.y_max_m - self.rows * self.cell_m, self.x_min_m + self.cols * self.cell_m
        return (self.x_min_m, south, east, self.y_max_m)

    @property
    def x_m(self) -> NDArray[np.float64]:
        """East of the columns' centres, shape (cols,)."""
        return np.asarray(self.x_min_m + (np.arange(self.cols) + 0.5) * self.cell_m)

    @property
    def y_m(self) -> NDArray[np.float64]:
        """North of the rows' centres, falling, shape (rows,)."""
        return np.asarray(self.y_max_m - (np.arange(self.rows) + 0.5) * self.cell_m)


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


def in_cells(
    grid: Grid, x_m: NDArray[np.float64], *, y_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places in cells from the centre of the north-west cell: to the east and to the south."""
    return (x_m - grid.x_min_m) / grid.cell_m - 0.5, (grid.y_max_m - y_m) / grid.cell_m - 0.5


def centre_of(grid: Grid, row: int, *, col: int) -> tuple[float, float]:
    """Coordinates (x, y) in metres of a cell's centre."""
    return (grid.x_min_m + (col + 0.5) * grid.cell_m, grid.y_max_m - (row + 0.5) * grid.cell_m)


def to_xarray(
    grid: Grid, values: NDArray[np.float64], *, name: str, long_name: str = "", crs: str | None = None
) -> xr.DataArray:
    """Values on a grid, such as arrival or lead times (s), as a layer with coordinates x and y and a reference system.

    North is up (y falls along the rows). With `crs`, the layer is taken to that reference system, each cell by its
    nearest one; inf outside the grid.
    """
    import rioxarray  # noqa: F401  (slow to load; adds the .rio accessor)
    import xarray as xr

    attrs = {"units": "s", "long_name": long_name or name}
    plain = xr.DataArray(values, coords={"y": grid.y_m, "x": grid.x_m}, dims=("y", "x"), name=name, attrs=attrs)
    layer: xr.DataArray = plain.rio.write_crs(grid.crs)
    if crs is not None:
        layer = layer.rio.reproject(crs, nodata=np.inf)
    return layer


@dataclass(frozen=True)
class Terrain:
    """Elevation on a grid in metres above sea level, without voids: finite everywhere."""

    grid: Grid
    elevation_m: NDArray[np.float64]


def check_grid(grid: Grid) -> None:
    """Refuse a grid on which distances can't be measured in metres.

    Raises InputError with every fault: no reference system, one in degrees, axes that are not metres, an unusable cell
    size or shape.
    """
    faults = Faults()
    wrong = _wrong_crs(grid.crs.strip())
    if wrong:
        faults.tell("grid", "grid_unusable", wrong=wrong)
    if not (np.isfinite(grid.cell_m) and grid.cell_m > 0):
        faults.add("grid", f"its cell size is {grid.cell_m} m", "above 0 m", "correct the cell size")
    if not (np.isfinite(grid.x_min_m) and np.isfinite(grid.y_max_m)):
        faults.add("grid", "its north-west corner is not a number", "metres", "correct the corner")
    if grid.rows < 2 or grid.cols < 2:
        faults.add("grid", f"has {grid.rows} x {grid.cols} cells", "2 or more each way", "take in more ground")
    faults.refuse()


def _wrong_crs(name: str) -> str | None:
    if not name:
        return "has no reference system"
    try:
        crs = CRS.from_user_input(name)
    except CRSError:
        return f"its reference system {name!r} is not known"
    if crs.is_geographic:
        return f"its reference system {name} is in degrees"
    if not crs.is_projected:
        return f"its reference system {name} is not projected"
    if any(abs(axis.unit_conversion_factor - 1.0) > 1e-9 for axis in crs.axis_info[:2]):
        return f"its reference system {name} is in {crs.axis_info[0].unit_name}"
    return None


def gradients(terrain: Terrain) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Rise over run towards east and towards north, each of shape (rows, cols).

    Least squares over the eight neighbours with twofold weight on the four near ones (Horn 1981, Hill shading and the
    reflectance map, Proc. IEEE 69(1):14-47, memory). At the edge, the surface is carried on in a straight line.

    Raises InputError where an elevation is not finite or the shapes differ.
    """
    elevation = np.asarray(terrain.elevation_m, dtype=np.float64)
    faults = Faults()
    if elevation.shape != terrain.grid.shape:
        wanted = f"the grid's shape {terrain.grid.shape}"
        faults.add("elevation", f"has shape {elevation.shape}", wanted, "take both from one file")
    elif not np.all(np.isfinite(elevation)):
        faults.add("elevation", "holds voids", "finite metres everywhere", "fill the voids first")
    faults.refuse()
    padded = np.pad(elevation, 1, mode="reflect", reflect_type="odd")
    across = padded[:, 2:] - padded[:, :-2]
    down = padded[2:, :] - padded[:-2, :]
    east = across[:-2] + 2.0 * across[1:-1] + across[2:]
    south = down[:, :-2] + 2.0 * down[:, 1:-1] + down[:, 2:]
    scale = 1.0 / (8.0 * terrain.grid.cell_m)
    return (east * scale).astype(np.float32), (-south * scale).astype(np.float32)


def slope_deg(gradient_east: NDArray[np.float32], *, gradient_north: NDArray[np.float32]) -> NDArray[np.float64]:
    """Steepest slope in degrees, 0 to below 90, from rise over run towards east and north."""
    steepness = np.hypot(gradient_east.astype(np.float64), gradient_north.astype(np.float64))
    return np.degrees(np.arctan(steepness))
