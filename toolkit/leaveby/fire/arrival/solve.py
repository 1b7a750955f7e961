"""Fire arrival time: forward from ignitions, backward to points that must be left in time.

Method: straight legs with bends, settled in order of time (`kernel`). A leg's time is the exact sum over the
cells its line crosses, with the weather in force while the fire crosses them; across weather steps a leg bends as
the fire's path does. No stencil of fixed directions takes part, so a narrow head is not late.

How far off it is was measured; the figures stand in `about/trust.md`. On ground that is alike it is within 0.1 %; among
patches of fuel and on single steep slopes it is late. Where that matters, take a finer grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from leaveby.caution import OVERRIDE
from leaveby.errors import Faults, refuse
from leaveby.fire.arrival.ground import Ground, fresh, make_ground, make_steps
from leaveby.fire.arrival.kernel import Seeds, burn
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.terrain import Grid, cell_of, check_grid, in_cells, to_xarray
from leaveby.regions import assumed

if TYPE_CHECKING:
    import xarray as xr

MOST_STEPS: Final = 30_000

ARRIVAL_ASSUMPTIONS: Final = assumed("fire/assumptions", "arrival")
"""What an arrival time leaves open, as sentences for the list of assumptions of a result."""


@dataclass(frozen=True)
class Ignition:
    """Where a fire starts, and when (seconds from the scenario's start, perhaps negative).

    The geometry is a point, line or polygon (or several) in the grid's reference system. Everything inside a polygon
    burns at once.
    """

    geometry: BaseGeometry
    at_s: float = 0.0


def ignite_point(x_m: float, y_m: float, *, at_s: float = 0.0) -> Ignition:
    """Start a fire at a point."""
    return Ignition(shapely.Point(x_m, y_m), at_s)


@dataclass(frozen=True)
class Arrival:
    """When the fire comes to each cell; arrays have the shape (rows, cols).

    - `time_s`: seconds from the scenario's start at each cell's centre; inf where it does not come by `horizon_s`.
    - `burnable`: where something burns.
    """

    grid: Grid
    time_s: NDArray[np.float64]
    burnable: NDArray[np.bool_]
    horizon_s: float

    def to_xarray(self, *, crs: str | None = None) -> xr.DataArray:
        """The arrival time as a layer, as `fire.terrain.to_xarray`, in the grid's reference system or another one."""
        attrs = {"override": OVERRIDE, "horizon_s": self.horizon_s}
        layer = to_xarray(self.grid, self.time_s, name="arrival_time_s", long_name="fire arrival time", crs=crs)
        return layer.assign_attrs(attrs)


def arrive(
    spread: SpreadTable,
    ignitions: Sequence[Ignition],
    *,
    horizon_s: float,
    fine: bool = True,
) -> Arrival:
    """Fire arrival time on the grid from any number of ignitions.

    - `ignitions`: at least one. Each is followed by itself, so the work grows with their number; places that start
      together can be one ignition with a geometry of several parts.
    - `horizon_s`: seconds from the scenario's start; above the first ignition's time.
    - `fine`: follow the fire's path at the edges of fuels as closely as that gains. Without it a solve takes a third
      less time, and the error among patches of fuel is two to four times as large: for many members.

    Raises InputError with every fault: an unusable table, an ignition outside the grid or on unburnable ground.

    Examples
    --------
    >>> arrival = arrive(_calm(), [ignite_point(15.0, 885.0)], horizon_s=3600.0)
    >>> float(arrival.time_s[0, 20].round(6))  # 600 m at 0.5 m/s
    1200.0
    """
    ground = _checked_ground(spread)
    _check_ignitions(spread, ignitions, horizon_s=horizon_s)
    burnable = spread.zone >= 0

    def followed(fire: Ignition, over: Ground) -> NDArray[np.float64]:
        """Each fire is followed by itself on a clock that starts with it: one more can then delay nothing."""
        step_s, seeds = np.round(spread.time_s - fire.at_s, 6), _seeds(spread, fire.geometry)
        since_s = _solve(spread, seeds, step_s=step_s, horizon_s=horizon_s - fire.at_s, ground=over, fine=fine)
        since_s += fire.at_s
        return since_s

    time_s = followed(ignitions[0], ground)
    for fire in ignitions[1:]:
        np.minimum(time_s, followed(fire, fresh(ground)), out=time_s)
    time_s[~burnable | (time_s > horizon_s)] = np.inf
    return Arrival(spread.grid, time_s, burnable, horizon_s)


def lead_time(
    spread: SpreadTable,
    points_m: ArrayLike,
    *,
    value_s: ArrayLike,
    horizon_s: float = np.inf,
    fine: bool = True,
    ground: Ground | None = None,
) -> NDArray[np.float64]:
    """How long a fire at each cell takes to some points, plus the points' own values: a backward solve.

    `V(y) = min over s of d(y -> s) + value(s)`, where `d` is the fire's travel time in the unchanging weather of the
    table's first step. With `value = -tau`, the drive time that is needed to clear `s`, `V` is how long after a fire
    starts at `y` one must be rolling.

    - `points_m`, shape (points, 2): x and y in metres, within the grid, where something burns.
    - `value_s`, shape (points,): seconds; may be negative.
    - `horizon_s`: values above it become inf.
    - `fine`: as in `arrive`.
    - `ground`: the table's own by `make_ground`, where many share one; a table that comes with it is not checked.

    Returns shape (rows, cols): seconds; inf where no point is reached, and on unburnable ground.

    Raises InputError for a point outside the grid, on unburnable ground, or without a value.

    Examples
    --------
    >>> lead = lead_time(_calm(), [(15.0, 885.0)], value_s=[-300.0])
    >>> float(lead[0, 20].round(6))  # 600 m at 0.5 m/s, less 300 s
    900.0
    """
    ground = _checked_ground(spread) if ground is None else fresh(ground)
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 2)
    values = np.asarray(value_s, dtype=np.float64).reshape(-1)
    if points.shape[0] == 0 or points.shape[0] != values.size:
        found = f"{points.shape[0]} points and {values.size} values"
        raise refuse("points", found, expected="at least one point, one value each", mend="give both")
    if np.isnan(horizon_s):
        raise refuse("horizon", "is not a number", expected="seconds or inf", mend="give one")
    # on a clock that starts with the least value, so that a shift of all values shifts the answer and no more
    start_s = float(min(values[np.isfinite(values)], default=0.0))
    seeds = _lead_seeds(spread, points, values - start_s)
    one = replace(
        spread,
        time_s=np.array([-np.inf]),
        flat_head_ros_m_s=spread.flat_head_ros_m_s[:1],
        wind_east_m_s=spread.wind_east_m_s[:1],
        wind_north_m_s=spread.wind_north_m_s[:1],
    )
    on_clock_s = horizon_s - start_s
    return start_s + _solve(
        one, seeds, step_s=one.time_s, horizon_s=on_clock_s, ground=ground, backward=True, fine=fine
    )


def _checked_ground(spread: SpreadTable) -> Ground:
    check_spread(spread)
    return make_ground(spread.zone, spread.gradient_east, spread.gradient_north)


def _lead_seeds(spread: SpreadTable, points: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ignition points of a backward solve as rows x, y (cells) and value, in order of it; or every fault."""
    faults, grid = Faults(), spread.grid
    x, y = in_cells(grid, points[:, 0], y_m=points[:, 1])
    on = np.isfinite(values) & (np.abs(x - 0.5 * (grid.cols - 1)) < 0.5 * grid.cols)
    on &= np.abs(y - 0.5 * (grid.rows - 1)) < 0.5 * grid.rows
    on[on] = spread.zone[np.floor(y[on] + 0.5).astype(int), np.floor(x[on] + 0.5).astype(int)] >= 0
    for i in np.flatnonzero(~on):
        point, value = points[i], values[i]
        place = f"point {i} at ({point[0]}, {point[1]})"
        cell = cell_of(grid, point[0], y_m=point[1]) if np.isfinite(point).all() else None
        if not np.isfinite(value):
            faults.add(place, "has no value", "seconds", "give its drive time")
        elif cell is None:
            faults.add(place, "lies outside the grid", "a point on the grid", "take in more ground")
        elif spread.zone[cell] < 0:
            faults.add(place, "lies on unburnable ground", "a place where something burns", "move it")
    faults.refuse()
    found = np.stack([x, y, np.round(values, 6)])
    # later ones mostly find their cells taken
    return found[:, np.argsort(found[2], kind="stable")]


def check_spread(spread: SpreadTable) -> None:
    """Refuse a spread table that can't be used, with every fault."""
    check_grid(spread.grid)
    faults = Faults()

    def fault(wrong: str, expected: str, mend: str = "match them") -> None:
        faults.add("spread", wrong, expected, mend)

    steps, zones = spread.time_s.size, spread.shape_row.size
    for name in ("zone", "gradient_east", "gradient_north"):
        found = getattr(spread, name).shape
        if found != spread.grid.shape:
            fault(f"{name} has shape {found}", f"the grid's shape {spread.grid.shape}")
    for name in ("flat_head_ros_m_s", "wind_east_m_s", "wind_north_m_s"):
        table = getattr(spread, name)
        if table.shape != (steps, zones):
            fault(f"{name} has shape {table.shape}", f"steps x zones, {(steps, zones)}")
        elif not np.all(np.isfinite(table)):
            step, zone = np.argwhere(~np.isfinite(table))[0]
            where = f"step {step}, zone {zone}"
            fault(f"{name} is not a number in {where}", "finite m/s", "fill the gap in fuel or weather")
        elif name == "flat_head_ros_m_s" and not np.all(table > 0):
            step, zone = np.argwhere(~(table > 0))[0]
            wrong = f"the flat head rate of spread is {table[step, zone]} m/s in step {step}, zone {zone}"
            fault(wrong, "above 0 m/s where anything burns", "mark what can't burn as zone -1")
    if steps > MOST_STEPS:
        fault(f"has {steps} steps", f"{MOST_STEPS} at most", "take coarser weather")
    if steps == 0 or not np.all(np.diff(spread.time_s) > 0) or np.isnan(spread.time_s).any():
        fault("the steps' times do not increase", "increasing seconds", "sort the weather")
    elif spread.time_s[0] > 0:
        wrong = f"the weather starts {spread.time_s[0]} s after the scenario"
        fault(wrong, "a first step at or before 0 s", "give earlier weather")
    for name in ("gradient_east", "gradient_north"):
        if not np.isfinite(getattr(spread, name)).all():
            fault(f"{name} holds voids", "finite slopes", "fill the terrain's voids")
    if ((spread.zone < -1) | (spread.zone >= zones)).any():
        fault("zone holds numbers without a row", f"-1 to {zones - 1}")
    faults.refuse()


def _check_ignitions(spread: SpreadTable, ignitions: Sequence[Ignition], *, horizon_s: float) -> None:
    faults = Faults()
    if not ignitions:
        faults.add("ignitions", "there are none", "at least one", "say where the fire starts")
    if not np.isfinite(horizon_s):
        faults.add("horizon", f"is {horizon_s} s", "a finite number of seconds", "give one")
    extent = shapely.box(*spread.grid.bounds_m)
    for i, ignition in enumerate(ignitions):
        place = f"ignition {i}"
        geometry = ignition.geometry
        if geometry.is_empty or not geometry.is_valid:
            faults.add(place, "its geometry is empty or crosses itself", "a valid geometry", "draw it again")
            continue
        if not np.isfinite(ignition.at_s):
            faults.add(place, f"its time is {ignition.at_s} s", "finite seconds", "give its time")
            continue
        if ignition.at_s < spread.time_s[0]:
            faults.tell(place, "fire_before_weather", at_s=ignition.at_s, first_s=spread.time_s[0])
        if ignition.at_s >= horizon_s:
            faults.tell(place, "fire_past_horizon", at_s=ignition.at_s, horizon_s=horizon_s)
        if not extent.covers(geometry):
            faults.add(place, "lies outside the grid", "wholly on the grid", "take in more ground")
            continue
        if _seeds(spread, geometry).shape[1] == 0:
            faults.add(place, "lies on unburnable ground", "a place where something burns", "move it")
    faults.refuse()


def _seeds(spread: SpreadTable, geometry: BaseGeometry) -> NDArray[np.float64]:
    """Ignition points on burnable cells as rows x, y (cells) and time 0.

    Points as they are, points along lines and edges a quarter of a cell apart, and the centres inside polygons.
    """
    grid = spread.grid
    found: list[NDArray[np.float64]] = []
    for part in _single_parts(geometry):
        dense = part if part.geom_type == "Point" else shapely.segmentize(part, 0.25 * grid.cell_m)
        xy = shapely.get_coordinates(dense)
        found.append(np.stack(in_cells(grid, xy[:, 0], y_m=xy[:, 1])))
        if part.geom_type == "Polygon":
            x_min, y_min, x_max, y_max = part.bounds
            cols = np.arange(
                max(int((x_min - grid.x_min_m) / grid.cell_m) - 1, 0),
                min(int((x_max - grid.x_min_m) / grid.cell_m) + 2, grid.cols),
            )
            rows = np.arange(
                max(int((grid.y_max_m - y_max) / grid.cell_m) - 1, 0),
                min(int((grid.y_max_m - y_min) / grid.cell_m) + 2, grid.rows),
            )
            x, y = np.meshgrid(grid.x_min_m + (cols + 0.5) * grid.cell_m, grid.y_max_m - (rows + 0.5) * grid.cell_m)
            row, col = np.nonzero(shapely.contains_xy(part, x.ravel(), y.ravel()).reshape(x.shape))
            found.append(np.stack([cols[col], rows[row]]).astype(np.float64))
    seeds = np.concatenate(found, axis=1)
    # a point on the outer edge belongs to the cell inside
    seeds[0] = np.clip(seeds[0], -0.5 + 1e-6, grid.cols - 0.5 - 1e-6)
    seeds[1] = np.clip(seeds[1], -0.5 + 1e-6, grid.rows - 0.5 - 1e-6)
    at = np.floor(seeds + 0.5).astype(int)
    seeds = seeds[:, spread.zone[at[1], at[0]] >= 0]
    return np.vstack([seeds, np.zeros(seeds.shape[1])])


def _single_parts(geometry: BaseGeometry) -> list[BaseGeometry]:
    """Points, lines and polygons of a geometry, however deep its collections."""
    if hasattr(geometry, "geoms"):
        return [single for part in geometry.geoms for single in _single_parts(part)]
    return [geometry]


def bridged_zones(zone: NDArray[np.int32], *, cell_m: float, spot_over_m: float) -> NDArray[np.int32]:
    """Fill barriers (-1) narrower than a spotting distance with the nearest fuel's zone, since embers cross them."""
    burnable = zone >= 0
    if burnable.all() or not burnable.any():
        return zone
    radius = 0.5 * spot_over_m / cell_m
    pad = int(np.ceil(radius)) + 1
    wide = np.pad(burnable, pad, mode="edge")
    grown = ndimage.distance_transform_edt(~wide) <= radius + 0.5
    closed = np.ones_like(grown) if grown.all() else ndimage.distance_transform_edt(grown) > radius
    closed = closed[pad:-pad, pad:-pad] | burnable
    nearest = ndimage.distance_transform_edt(~burnable, return_distances=False, return_indices=True)
    return np.where(closed & ~burnable, zone[tuple(nearest)], zone).astype(np.int32)


def _solve(
    spread: SpreadTable,
    seeds: NDArray[np.float64],
    *,
    step_s: NDArray[np.float64],
    horizon_s: float,
    ground: Ground,
    backward: bool = False,
    fine: bool = True,
) -> NDArray[np.float64]:
    steps = make_steps(
        step_s,
        head_m_s=spread.flat_head_ros_m_s,
        wind_m_s=(spread.wind_east_m_s, spread.wind_north_m_s),
        shape_row=spread.shape_row,
        cell_m=spread.grid.cell_m,
        backward=backward,
    )
    return burn(ground, steps, seeds=Seeds(*seeds.copy()), horizon_s=horizon_s, fine=fine)


def _calm() -> SpreadTable:
    """Even ground without wind, for the examples."""
    grid = Grid(x_min_m=0.0, y_max_m=900.0, cell_m=30.0, rows=30, cols=30, crs="EPSG:32755")
    flat, one = np.zeros(grid.shape, dtype=np.float32), np.ones((1, 1))
    zone, forest = np.zeros(grid.shape, dtype=np.int32), np.zeros(1, dtype=np.int8)
    return SpreadTable(grid, zone, flat, flat, np.zeros(1), 0.5 * one, 0 * one, 0 * one, forest)
