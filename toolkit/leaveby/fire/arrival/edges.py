"""Where legs turn: at the edge between two fuels, at a barrier's corner, and in ground that changes; compiled.

Fire bends where it passes from one fuel into another, runs along the edge inside the faster of the two, and slips
through where two patches of it touch. Anchors on the edges themselves follow it there; between cells' centres alone
it would be late by up to half a cell's creep through the slower fuel.
"""

from __future__ import annotations

import math
from typing import Final

from leaveby.fire.arrival.ground import Ellipse, Ground, Steps
from leaveby.fire.arrival.leg import Anchor, Leg, blocked, follow_leg
from leaveby.fire.spread.ellipse import compiled, inlined

CLEARANCE: Final = 5e-4  # distance of an anchor from an edge or a barrier's corner, cells
CONTRAST: Final = 0.1  # relative difference of flat head rates from which the border of two fuels is an edge
HALVINGS: Final = 8  # of an edge's length, to find where fire crosses it


@inlined
def contrast(steps: Steps, step: int, one: int, other: int) -> bool:
    """Whether fire runs so differently in two zones that their border bends its path."""
    return (
        one != other
        and one >= 0
        and other >= 0
        and abs(steps.rates[step, one]["head_m_s"] - steps.rates[step, other]["head_m_s"])
        > CONTRAST * steps.rates[step, one]["head_m_s"]
    )


@inlined
def near_edge(ground: Ground, x: float, y: float) -> bool:
    """Whether a point lies in a cell that touches another fuel."""
    row = math.floor(y + 0.5)
    col = math.floor(x + 0.5)
    inside = 0 <= row < ground.rows and 0 <= col < ground.cols
    return inside and ground.cells[row * ground.cols + col]["edge"] > 0


@compiled
def on_edge(ground: Ground, steps: Steps, step: int, x: float, y: float) -> tuple[bool, bool]:
    """Whether a point lies on an upright, and on a level edge between two fuels."""
    cells = ground.cells
    cols = ground.cols
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
        upright = contrast(steps, step, cells[at]["zone"], cells[at + 1]["zone"])
    if abs(y - above - 0.5) < 2.0 * CLEARANCE and 0 <= above < ground.rows - 1:
        at = above * cols + col
        level = contrast(steps, step, cells[at]["zone"], cells[at + cols]["zone"])
    return upright, level


@compiled
def by_corner(
    ground: Ground, steps: Steps, step: int, corner_x: float, corner_y: float, from_x: float, from_y: float
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
            if row < 0 or row >= ground.rows or col < 0 or col >= ground.cols:
                continue
            zone = ground.cells[row * ground.cols + col]["zone"]
            rate = steps.rates[step, zone]["head_m_s"] if zone >= 0 else 0.0
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
    run_x: float, run_y: float, run: float, here: Ellipse, there: Ellipse, dx: int, dy: int
) -> tuple[float, float, float]:
    """Where fire passes soonest from a cell into a neighbour of another fuel, from the first cell's centre, and when.

    The first cell's front seems to come from `run` behind it. Over an edge the time is convex in the place, so halving
    its derivative finds the least; the place is a little inside the faster fuel, so that legs along the edge run
    there. To a neighbour at the corner, it is the corner.
    """
    s0, x0, y0 = here
    s1, x1, y1 = there
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
def go_on(ground: Ground, steps: Steps, anchor: Anchor, x: float, y: float) -> Leg:
    """The leg from an anchor to a point, its anchor that one always; the anchor's step may be an earlier one."""
    step = anchor.step
    while anchor.time >= steps.start_s[step + 1]:
        step += 1
    kept = Anchor(anchor.x, anchor.y, anchor.time, step)
    leg = follow_leg(ground, steps, kept, x, y, 0.0, 0.0)
    return Leg(leg.time, leg.ray_x, leg.ray_y, leg.run, kept)


@compiled
def leg_over(
    ground: Ground, steps: Steps, anchor: Anchor, over: tuple[float, float], x: float, y: float, enough: float
) -> Leg:
    """The leg from an anchor to a point by a place between them, its new anchor; blocked if it is not `enough`."""
    first = follow_leg(ground, steps, anchor, over[0], over[1], 0.0, 0.0)
    if not first.time < enough:
        return blocked(anchor)
    return go_on(ground, steps, Anchor(over[0], over[1], first.time, anchor.step), x, y)


@inlined
def _corner_inside(ground: Ground, row: int, col: int) -> bool:
    """Whether all four cells that meet at the lower right corner of a cell lie on the grid."""
    return 0 <= row < ground.rows - 1 and 0 <= col < ground.cols - 1


@compiled
def round_fuel(
    ground: Ground, steps: Steps, anchor: Anchor, step: int, col: int, row: int, x: float, y: float, enough: float
) -> Leg:
    """The best leg from an anchor to a point round a corner of another fuel at a cell, if it beats `enough`."""
    cells = ground.cells
    cols = ground.cols
    best = Leg(enough, 0.0, 0.0, 0.0, anchor)
    for down in range(-1, 1):
        for right in range(-1, 1):
            if not _corner_inside(ground, row + down, col + right):
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
                contrast(steps, step, one, beside)
                or contrast(steps, step, one, below)
                or contrast(steps, step, across, beside)
                or contrast(steps, step, across, below)
            ):
                continue
            corner = by_corner(ground, steps, step, col + right + 0.5, row + down + 0.5, 1.0 * col, 1.0 * row)
            over = leg_over(ground, steps, anchor, corner, x, y, best.time)
            if over.time < best.time:
                best = over
    return best


@compiled
def round_corner(ground: Ground, steps: Steps, anchor: Anchor, col: int, row: int, x: float, y: float) -> Leg:
    """The best leg from an anchor to a point round a barrier's corner at a cell; blocked where there is none."""
    best = blocked(anchor)
    for down in range(-1, 1):
        for right in range(-1, 1):
            if not _corner_inside(ground, row + down, col + right):
                continue
            at = (row + down) * ground.cols + col + right
            shut = 0
            away_x = 0.0
            away_y = 0.0
            for below in range(2):
                for beside in range(2):
                    if ground.cells[at + below * ground.cols + beside]["zone"] < 0:
                        shut += 1
                        away_x = 0.5 - beside
                        away_y = 0.5 - below
            if shut != 1:
                continue
            # a little off the corner, so that legs along the barrier's edge run in the open
            corner = (col + right + 0.5 + CLEARANCE * away_x, row + down + 0.5 + CLEARANCE * away_y)
            second = leg_over(ground, steps, anchor, corner, x, y, best.time)
            if second.time < best.time:
                best = second
    return best
