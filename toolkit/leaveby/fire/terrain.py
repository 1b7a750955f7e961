"""The grid that terrain, fuel and fire share, and what the ground's shape does to a fire."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from scipy import ndimage, sparse
from scipy.sparse import linalg as splinalg

from leaveby.errors import Fault, InputError

if TYPE_CHECKING:
    import xarray as xr


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

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east and north edge, metres."""
        south, east = self.y_max_m - self.rows * self.cell_m, self.x_min_m + self.cols * self.cell_m
        return (self.x_min_m, south, east, self.y_max_m)


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


def to_xarray(
    grid: Grid, values: NDArray[np.float64], *, name: str, long_name: str = "", crs: str | None = None
) -> xr.DataArray:
    """Values on a grid, such as arrival or lead times, as a layer with coordinates x and y and a reference system.

    North is up (y falls along the rows). The unit, seconds, stands among the attributes.

    Parameters
    ----------
    values : ndarray of float64, shape (rows, cols)
        Seconds; inf where there is no time.
    name, long_name : str
    crs : str, optional
        Another reference system to take the layer to, each cell by its nearest one; inf outside the grid.

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> layer = to_xarray(grid, np.array([[0.0, 60.0], [60.0, np.inf]]), name="lead_time_s")
    >>> float(layer.sel(x=45.0, y=45.0)), layer.rio.crs.to_epsg()
    (60.0, 32755)
    """
    import rioxarray  # noqa: F401  (slow to load; adds the .rio accessor)
    import xarray as xr

    coords = {
        "y": grid.y_max_m - (np.arange(grid.rows) + 0.5) * grid.cell_m,
        "x": grid.x_min_m + (np.arange(grid.cols) + 0.5) * grid.cell_m,
    }
    attrs = {"units": "s", "long_name": long_name or name}
    plain = xr.DataArray(values, coords=coords, dims=("y", "x"), name=name, attrs=attrs)
    layer: xr.DataArray = plain.rio.write_crs(grid.crs)
    if crs is not None:
        layer = layer.rio.reproject(crs, nodata=np.inf)
    return layer


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


def check_grid(grid: Grid) -> None:
    """Refuse a grid on which distances can't be measured in metres.

    Raises
    ------
    InputError
        With every fault: no reference system, one in degrees, axes that are not metres, a cell size or shape that
        can't be used.

    Examples
    --------
    >>> check_grid(Grid(x_min_m=0.0, y_max_m=1.0, cell_m=30.0, rows=10, cols=20, crs="EPSG:4326"))
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: grid: its reference system EPSG:4326 is in degrees. Expected a projected ...
    """
    faults: list[Fault] = []
    wrong = _wrong_crs(grid.crs.strip())
    if wrong:
        wanted = "a projected reference system in metres, such as EPSG:32755"
        faults.append(Fault("grid", wrong, wanted, "reproject to the UTM zone of the place, and name that system"))
    if not (np.isfinite(grid.cell_m) and grid.cell_m > 0):
        faults.append(Fault("grid", f"its cell size is {grid.cell_m} m", "above 0 m", "correct the cell size"))
    if not (np.isfinite(grid.x_min_m) and np.isfinite(grid.y_max_m)):
        faults.append(Fault("grid", "its north-west corner is not a number", "metres", "correct the corner"))
    if grid.rows < 2 or grid.cols < 2:
        faults.append(
            Fault("grid", f"has {grid.rows} x {grid.cols} cells", "2 or more each way", "take in more ground")
        )
    if faults:
        raise InputError(faults)


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
    """Rise over run towards east and towards north, each of shape (rows, cols), dimensionless.

    Least squares over the eight neighbours with twofold weight on the four near ones (Horn 1981). At the edge, the
    surface is carried on in a straight line.

    Raises
    ------
    InputError
        Where an elevation is not finite or the shapes differ.

    References
    ----------
    Horn, B. K. P. (1981), Hill shading and the reflectance map, Proc. IEEE 69(1):14-47 (memory).

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=40.0, cell_m=10.0, rows=4, cols=4, crs="EPSG:32755")
    >>> east, north = gradients(Terrain(grid, np.add.outer([3.0, 2.0, 1.0, 0.0], [0.0, 2.0, 4.0, 6.0])))
    >>> bool(np.allclose(east, 0.2)), bool(np.allclose(north, 0.1))
    (True, True)
    """
    elevation = np.asarray(terrain.elevation_m, dtype=np.float64)
    faults: list[Fault] = []
    if elevation.shape != terrain.grid.shape:
        found = f"has shape {elevation.shape}"
        faults.append(Fault("elevation", found, f"the grid's shape {terrain.grid.shape}", "take both from one file"))
    elif not np.all(np.isfinite(elevation)):
        faults.append(Fault("elevation", "holds voids", "finite metres everywhere", "fill the voids first"))
    if faults:
        raise InputError(faults)
    padded = np.pad(elevation, 1, mode="reflect", reflect_type="odd")
    across = padded[:, 2:] - padded[:, :-2]
    down = padded[2:, :] - padded[:-2, :]
    east = across[:-2] + 2.0 * across[1:-1] + across[2:]
    south = down[:, :-2] + 2.0 * down[:, 1:-1] + down[:, 2:]
    scale = 1.0 / (8.0 * terrain.grid.cell_m)
    return (east * scale).astype(np.float32), (-south * scale).astype(np.float32)


def slope_deg(gradient_east: NDArray[np.float32], *, gradient_north: NDArray[np.float32]) -> NDArray[np.float64]:
    """Steepest slope in degrees, 0 to below 90, from rise over run towards east and north.

    Examples
    --------
    >>> slope_deg(np.float32([[1.0]]), gradient_north=np.float32([[0.0]]))
    array([[45.]])
    """
    steepness = np.hypot(gradient_east.astype(np.float64), gradient_north.astype(np.float64))
    return np.degrees(np.arctan(steepness))


def fill_voids(elevation_m: NDArray[np.float64], *, valid: NDArray[np.bool_]) -> tuple[NDArray[np.float64], int]:
    """Fill the cells that are not valid and say how many there were.

    Each void becomes the smooth surface between the values around it (harmonic: every filled cell is the mean of
    its four neighbours), so a fill holds no new summit or pit.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (rows, cols)
    valid : ndarray of bool, shape (rows, cols)

    Raises
    ------
    InputError
        Where no cell is valid, or a cell that is said to be valid is not finite.

    Examples
    --------
    >>> filled, count = fill_voids(np.array([[1.0, -9.0, 3.0]]), valid=np.array([[True, False, True]]))
    >>> filled, count
    (array([[1., 2., 3.]]), 1)
    """
    if not valid.any():
        raise InputError([Fault("elevation", "is void everywhere", "some terrain", "take a file over this place")])
    if not np.all(np.isfinite(elevation_m[valid])):
        raise InputError([Fault("elevation", "holds values that are not finite", "metres", "mark them as voids")])
    count = int(valid.size - np.count_nonzero(valid))
    filled = np.where(valid, elevation_m, 0.0).astype(np.float64)
    if count == 0:
        return filled, 0
    nearest = ndimage.distance_transform_edt(~valid, return_distances=False, return_indices=True)
    filled = filled[tuple(nearest)]
    rows, cols = np.nonzero(~valid)
    number = np.full(valid.shape, -1, dtype=np.int64)
    number[rows, cols] = np.arange(count)
    known = np.zeros(count)
    neighbours = np.zeros(count)
    pairs: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    for step_row, step_col in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        to_row, to_col = rows + step_row, cols + step_col
        inside = (to_row >= 0) & (to_row < valid.shape[0]) & (to_col >= 0) & (to_col < valid.shape[1])
        here = np.nonzero(inside)[0]
        there = number[to_row[here], to_col[here]]
        neighbours[here] += 1.0
        fixed = there < 0
        known[here[fixed]] += filled[to_row[here[fixed]], to_col[here[fixed]]]
        pairs.append((here[~fixed], there[~fixed]))
    here = np.concatenate([pair[0] for pair in pairs])
    there = np.concatenate([pair[1] for pair in pairs])
    diagonal = np.arange(count)
    system = sparse.csc_matrix(
        (
            np.concatenate([neighbours, -np.ones(here.size)]),
            (np.concatenate([diagonal, here]), np.concatenate([diagonal, there])),
        ),
        shape=(count, count),
    )
    filled[rows, cols] = splinalg.spsolve(system, known)
    return filled, count
