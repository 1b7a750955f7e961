"""Trigger lines: where the fire may be at the latest when getting ready starts.

For fire at a place `y`, the lead time is how many seconds from now the wheels must roll: the least, over the points `s`
of the route, of the fire's travel time from `y` to `s` less the drive time to clear `s`, the margin and the smoke lead.
One backward arrival solve gives it everywhere. The line for a way of leaving is its contour at that way's ready time.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import rasterio
import rasterio.features
import shapely
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter
from scipy.special import ndtri
from shapely.geometry import MultiPolygon, Polygon

from leaveby.decision.fires.scenario import Scenario, table_at
from leaveby.decision.ways.result import TriggerLine, WayTiming
from leaveby.decision.ways.roads import WayRoads
from leaveby.fire.arrival.solve import lead_time
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.terrain import Grid
from leaveby.parameters import DRIVE_TIME_FACTOR_HIGH

BEARINGS_DEG: Final = tuple(360.0 * k / 16.0 for k in range(16))


def design_step(table: SpreadTable, *, from_s: float, until_s: float) -> int:
    """Choose the design weather: the step within a span of time in which the fire is fastest over what burns."""
    cells = np.bincount(table.zone[table.zone >= 0].ravel(), minlength=table.flat_head_ros_m_s.shape[1])
    mean_m_s = table.flat_head_ros_m_s @ (cells / cells.sum())
    ends_s = np.append(table.time_s[1:], np.inf)
    within = (table.time_s < until_s) & (ends_s > from_s)
    return int(np.argmax(np.where(within, mean_m_s, -1.0)))


def decision_span_s(timing: WayTiming, *, horizon_s: float) -> tuple[float, float]:
    """Give the span for which a way's trigger line is drawn: from its latest start until the slow drive is over.

    Where no latest start is known, the whole horizon: the worst weather of the day.
    """
    if timing.latest_start_s is None:
        return 0.0, horizon_s
    begin_s = max(timing.latest_start_s, 0.0)
    return begin_s, begin_s + timing.required_s.p95_s


def lead_time_of(
    scenario: Scenario, roads: WayRoads, *, edges: Sequence[int], confidence: float, step: int
) -> NDArray[np.float64]:
    """Map the lead time of one route of a way of leaving, for fire in each cell: seconds until the wheels must roll.

    The weather is that of a step (`design_step`), unchanging; the rate of spread stands at the asked quantile, 0.5 or
    more, of the models' errors and the drive at the same of its own: together on the early side of that confidence.
    Negative where it is too late even if the wheels are rolling already; inf where nothing burns or no fire comes from.
    """
    plan, network = scenario.inputs.plan, scenario.network
    table = table_at(scenario, z=float(ndtri(confidence)))
    factor = 1.0 + (DRIVE_TIME_FACTOR_HIGH.value - 1.0) * confidence
    taken_s = plan.margin_s + plan.roads.smoke_lead_s
    points: list[NDArray[np.float64]] = []
    values: list[NDArray[np.float64]] = []
    cleared_s = 0.0
    for edge in edges:
        cleared_s += float(roads.travel.time_s[edge]) * factor
        spots = shapely.get_coordinates(shapely.segmentize(network.geometry[edge], table.grid.cell_m))
        points.append(spots)
        values.append(np.full(len(spots), -cleared_s - taken_s))
    return lead_time(
        table,
        np.concatenate(points),
        value_s=np.concatenate(values),
        reach_m=plan.roads.standoff_m + table.grid.cell_m * float(np.sqrt(0.5)),
        step=step,
    )


def trigger_line(
    scenario: Scenario,
    lead_s: NDArray[np.float64],
    *,
    way: str,
    confidence: float,
    ready_s: float,
    weather_at_s: float,
) -> TriggerLine:
    """Draw the line at which getting ready must have begun: lead time equal to the ready time.

    A cell belongs to the area when it or a neighbour has no more lead than the ready time, so the line lies up to a
    cell farther from the road than the contour: the early side.
    """
    grid = scenario.inputs.terrain.grid
    late = minimum_filter(lead_s, size=3, mode="nearest") <= ready_s
    distance_m = zip(BEARINGS_DEG, distances_to_line(grid, late, from_cell=scenario.home_cell), strict=True)
    return TriggerLine(way, confidence, ready_s, weather_at_s, area_of(grid, late), tuple(distance_m))


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
