"""Where legs turn: at the edge between two fuels, at a barrier's corner, and in ground that changes; compiled.

Fire bends where it passes from one fuel into another, runs along the edge inside the faster of the two, and slips
through where two patches of it touch. Anchors on the edges themselves follow it there; between cells' centres alone
it would be late by up to half a cell's creep through the slower fuel.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.arrival.leg import Cells, Leg, follow_leg
from leaveby.fire.spread.ellipse import compiled, inlined

CLEARANCE: Final = 5e-4  # distance of an anchor from an edge or a barrier's corner, cells
CONTRAST: Final = 0.1  # relative difference of flat head rates from which the border of two fuels is an edge
HALVINGS: Final = 8  # of an edge's length, to find where fire crosses it


@inlined
def contrast(weather: NDArray[np.float64], step: int, one: int, other: int) -> bool:
    """Whether fire runs so differently in two zones that their border bends its path."""
    return (
        one != other
        and one >= 0
        and other >= 0
        and abs(weather[step, one, 0] - weather[step, other, 0]) > CONTRAST * weather[step, one, 0]
    )


@inlined
def near_edge(cells: Cells, rows: int, cols: int, x: float, y: float) -> bool:
    """Whether a point lies in a cell that touches another fuel."""
    row = math.floor(y + 0.5)
    col = math.floor(x + 0.5)
    return 0 <= row < rows and 0 <= col < cols and cells[row * cols + col]["edge"] > 0


@compiled
def on_edge(
    cells: Cells, rows: int, cols: int, weather: NDArray[np.float64], step: int, x: float, y: float
) -> tuple[bool, bool]:
    """Whether a point lies on an upright, and on a level edge between two fuels."""
    upright = False
    level = False
    row = math.floor(y + 0.5)
    col = math.floor(x + 0.5)
    if cells[row * cols + col]["edge"] == 0:
        return upright, level
    left = math.floor(x)
    above = math.floor(y)
    if abs(x - left - 0.5) < 2.0 * CLEARANCE and 0 <= left < cols - 1:
        at = row * cols + left
        upright = contrast(weather, step, cells[at]["zone"], cells[at + 1]["zone"])
    if abs(y - above - 0.5) < 2.0 * CLEARANCE and 0 <= above < rows - 1:
        at = above * cols + col
        level = contrast(weather, step, cells[at]["zone"], cells[at + cols]["zone"])
    return upright, level


@compiled
def by_corner(
    cells: Cells,
    rows: int,
    cols: int,
    weather: NDArray[np.float64],
    step: int,
    corner_x: float,
    corner_y: float,
    from_x: float,
    from_y: float,
) -> tuple[float, float]:
    """A place at the corner of four cells, a little inside the fastest fuel, so that legs along edges run there.

    Where two or three cells share that fuel, the place is between them; where two share it across the corner, it is
    in that from which the fire comes.
    """
    left = math.floor(corner_x)
    above = math.floor(corner_y)
    fastest = 0.0
    lean_x = 0.0
    lean_y = 0.0
    for down in range(2):
        for right in range(2):
            row = above + down
            col = left + right
            if row < 0 or row >= rows or col < 0 or col >= cols:
                continue
            zone = cells[row * cols + col]["zone"]
            rate = weather[step, zone, 0] if zone >= 0 else 0.0
            if rate > (1.0 + 1e-9) * fastest:
                fastest = rate
                lean_x = right - 0.5
                lean_y = down - 0.5
            elif rate > 0.0 and rate >= (1.0 - 1e-9) * fastest:
                if lean_x + right - 0.5 != 0.0 or lean_y + down - 0.5 != 0.0:
                    lean_x += right - 0.5
                    lean_y += down - 0.5
                elif (right - 0.5) * (from_x - left - 0.5) + (down - 0.5) * (from_y - above - 0.5) > 0.0:
                    lean_x = right - 0.5
                    lean_y = down - 0.5
    long = max(abs(lean_x), abs(lean_y), 1e-9)
    return left + 0.5 + CLEARANCE * lean_x / long, above + 0.5 + CLEARANCE * lean_y / long


@compiled
def crossing(
    run_x: float,
    run_y: float,
    run: float,
    s0: float,
    x0: float,
    y0: float,
    s1: float,
    x1: float,
    y1: float,
    dx: int,
    dy: int,
) -> tuple[float, float, float]:
    """Where fire passes soonest from a cell into a neighbour of another fuel, from the first cell's centre, and when.

    The first cell's front seems to come from `run` behind it. Over an edge the time is convex in the place, so halving
    its derivative finds the least; the place is a little inside the faster fuel, so that legs along the edge run
    there. To a neighbour at the corner, it is the corner.
    """
    px = 0.5 * dx
    py = 0.5 * dy
    if dx == 0 or dy == 0:
        low = -0.5
        high = 0.5
        for _ in range(HALVINGS):
            at = 0.5 * (low + high)
            px = 0.5 * dx + at * abs(dy)
            py = 0.5 * dy + at * abs(dx)
            far = max(math.sqrt((run_x + px) * (run_x + px) + (run_y + py) * (run_y + py)), 1e-9)
            rest = math.sqrt((dx - px) * (dx - px) + (dy - py) * (dy - py))
            slope_x = s0 * (run_x + px) / far - x0 - s1 * (dx - px) / rest + x1
            slope_y = s0 * (run_y + py) / far - y0 - s1 * (dy - py) / rest + y1
            if slope_x * abs(dy) + slope_y * abs(dx) > 0.0:
                high = at
            else:
                low = at
        first_is_faster = s0 - math.sqrt(x0 * x0 + y0 * y0) < s1 - math.sqrt(x1 * x1 + y1 * y1)
        lean = -CLEARANCE if first_is_faster else CLEARANCE
        px += lean * dx
        py += lean * dy
    far = math.sqrt((run_x + px) * (run_x + px) + (run_y + py) * (run_y + py))
    rest = math.sqrt((dx - px) * (dx - px) + (dy - py) * (dy - py))
    after = (far - run) * s0 - x0 * px - y0 * py + rest * s1 - x1 * (dx - px) - y1 * (dy - py)
    return px, py, after


@compiled
def go_on(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    ax: float,
    ay: float,
    a_time: float,
    step: int,
    x: float,
    y: float,
) -> Leg:
    """The leg from an anchor to a point, its anchor that one always; `step` is the anchor's or an earlier one."""
    while a_time >= step_s[step + 1]:
        step += 1
    leg = follow_leg(
        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts, ax, ay, a_time, step, x, y, 0.0, 0.0
    )
    return Leg(leg.time, leg.ray_x, leg.ray_y, leg.run, ax, ay, a_time, step)


@compiled
def leg_over(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    ax: float,
    ay: float,
    a_time: float,
    a_step: int,
    over_x: float,
    over_y: float,
    x: float,
    y: float,
    enough: float,
) -> Leg:
    """The leg from an anchor to a point by a place between them, its new anchor; a late one if it is not `enough`."""
    first = follow_leg(
        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
        ax, ay, a_time, a_step, over_x, over_y, 0.0, 0.0,
    )  # fmt: skip
    if not first.time < enough:
        return Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
    return go_on(
        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts, over_x, over_y, first.time, a_step, x, y
    )


@compiled
def round_fuel(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    col: int,
    row: int,
    ax: float,
    ay: float,
    a_time: float,
    a_step: int,
    step: int,
    x: float,
    y: float,
    enough: float,
) -> Leg:
    """The best leg from an anchor to a point round a corner of another fuel at a cell, if it beats `enough`."""
    best = Leg(enough, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
    for down in range(-1, 1):
        for right in range(-1, 1):
            if row + down < 0 or row + down + 1 >= rows or col + right < 0 or col + right + 1 >= cols:
                continue
            at = (row + down) * cols + col + right
            one = cells[at]["zone"]
            beside = cells[at + 1]["zone"]
            below = cells[at + cols]["zone"]
            across = cells[at + cols + 1]["zone"]
            # along a straight edge there is no corner
            if (one == beside and below == across) or (one == below and beside == across):
                continue
            if not (
                contrast(weather, step, one, beside)
                or contrast(weather, step, one, below)
                or contrast(weather, step, across, beside)
                or contrast(weather, step, across, below)
            ):
                continue
            corner_x, corner_y = by_corner(
                cells, rows, cols, weather, step, col + right + 0.5, row + down + 0.5, 1.0 * col, 1.0 * row
            )
            over = leg_over(
                cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                ax, ay, a_time, a_step, corner_x, corner_y, x, y, best.time,
            )  # fmt: skip
            if over.time < best.time:
                best = over
    return best


@compiled
def round_corner(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    parts: NDArray[np.float64],
    col: int,
    row: int,
    ax: float,
    ay: float,
    a_time: float,
    a_step: int,
    x: float,
    y: float,
) -> Leg:
    """The best leg from an anchor to a point round a barrier's corner at a cell; a late one where there is none."""
    best = Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
    for down in range(-1, 1):
        for right in range(-1, 1):
            if row + down < 0 or row + down + 1 >= rows or col + right < 0 or col + right + 1 >= cols:
                continue
            at = (row + down) * cols + col + right
            shut = 0
            away_x = 0.0
            away_y = 0.0
            for below in range(2):
                for beside in range(2):
                    if cells[at + below * cols + beside]["zone"] < 0:
                        shut += 1
                        away_x = 0.5 - beside
                        away_y = 0.5 - below
            if shut != 1:
                continue
            # a little off the corner, so that legs along the barrier's edge run in the open
            corner_x = col + right + 0.5 + CLEARANCE * away_x
            corner_y = row + down + 0.5 + CLEARANCE * away_y
            second = leg_over(
                cells, rows, cols, recent, weather, ratios, step_s, True, parts,
                ax, ay, a_time, a_step, corner_x, corner_y, x, y, best.time,
            )  # fmt: skip
            if second.time < best.time:
                best = second
    return best
