"""How legs bend once the fire has come: anchors moved to where the whole way is soonest; compiled.

A leg is first found through the anchor of a neighbour, which was the best for that neighbour. When a cell settles, its
anchor is moved to where it is best for this cell: along the edge on which it lies, or a little to the side; a
straight leg across an edge is bent there. Without this, fire among patches of fuel would be late.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.arrival.edges import CLEARANCE, by_corner, contrast, go_on, leg_over, on_edge
from leaveby.fire.arrival.leg import Cells, Leg, cell_ellipse
from leaveby.fire.spread.ellipse import compiled

SIDESTEP: Final = 0.25  # first trial of an anchor to the side, cells
EDGE_TRIALS: Final = 4  # places tried for an anchor along an edge
GLANCE: Final = 0.02  # how far beside an anchor to look which fuels the fire comes from and runs into, cells
SEARCHED: Final = 12  # cells of a leg, from its end, that are searched for an edge it crosses
SLIDE_GAIN: Final = 1e-3  # least promise of a gain that is worth a trial, cells' time


class Bend(NamedTuple):
    """A leg, and the anchor before its anchor with its time and weather step; `leg.time` is inf where there is none."""

    leg: Leg
    before_x: float
    before_y: float
    before_time: float
    before_step: int


@compiled
def _slide(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    old_x: float,
    old_y: float,
    old_time: float,
    old_step: int,
    ax: float,
    ay: float,
    step: int,
    x: float,
    y: float,
    time: float,
    along_y: float,
    along_x: float,
) -> Leg:
    """Slide an anchor along an edge between two fuels to where the leg by it is soonest; the best leg, or a late one.

    Where fire crosses an edge the slowness along the edge is the same on both sides (Snell's law); the difference
    of the two is the derivative of the time, and Newton's method brings it to 0.
    """
    best = Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, old_time, step)
    at_x = ax
    at_y = ay
    ease = 1.0
    for _ in range(EDGE_TRIALS):
        first_run = max(math.sqrt((at_x - old_x) * (at_x - old_x) + (at_y - old_y) * (at_y - old_y)), 1e-6)
        last_run = max(math.sqrt((x - at_x) * (x - at_x) + (y - at_y) * (y - at_y)), 1e-6)
        in_x = (at_x - old_x) / first_run
        in_y = (at_y - old_y) / first_run
        out_x = (x - at_x) / last_run
        out_y = (y - at_y) / last_run
        now = at_x * along_x + at_y * along_y
        low = math.floor(now + 0.5) - 0.5
        high = low + 1.0
        # at the end of this cell's edge the fuels change: each way has a derivative of its own
        end = 0
        if now - low < 3.0 * CLEARANCE:
            end = -1
        elif high - now < 3.0 * CLEARANCE:
            end = 1
        slope = 0.0
        curve = 0.0
        s0 = 1.0
        for side in range(-1, 2, 2):
            off = side * GLANCE if end != 0 else 0.0
            mid_x = at_x + off * along_x
            mid_y = at_y + off * along_y
            col0 = min(max(math.floor(mid_x - GLANCE * in_x + 0.5), 0), cols - 1)
            row0 = min(max(math.floor(mid_y - GLANCE * in_y + 0.5), 0), rows - 1)
            col1 = min(max(math.floor(mid_x + GLANCE * out_x + 0.5), 0), cols - 1)
            row1 = min(max(math.floor(mid_y + GLANCE * out_y + 0.5), 0), rows - 1)
            if cells[row0 * cols + col0]["zone"] < 0 or cells[row1 * cols + col1]["zone"] < 0:
                continue
            s0, x0, y0 = cell_ellipse(cells, recent, weather, ratios, row0 * cols + col0, step)
            s1, x1, y1 = cell_ellipse(cells, recent, weather, ratios, row1 * cols + col1, step)
            slope = (s0 * in_x - x0 - s1 * out_x + x1) * along_x + (s0 * in_y - y0 - s1 * out_y + y1) * along_y
            in_off = in_x * along_y - in_y * along_x
            out_off = out_x * along_y - out_y * along_x
            curve = s0 * in_off * in_off / first_run + s1 * out_off * out_off / last_run
            if end == 0 or slope * side < 0.0:
                break
            slope = 0.0
        if slope == 0.0:
            break
        # at most to the end of this cell's edge, or of the next one's
        if slope > 0.0 and end == -1:
            low -= 1.0
        if slope < 0.0 and end == 1:
            high += 1.0
        shift = -ease * slope / max(curve, 1e-9 * s0)
        shift = min(max(shift, low - now), high - now)
        if -slope * shift - 0.5 * curve * shift * shift < SLIDE_GAIN * s0:
            break
        new_x = at_x + shift * along_x
        new_y = at_y + shift * along_y
        if now + shift <= low or now + shift >= high:
            new_x, new_y = by_corner(cells, rows, cols, weather, step, new_x, new_y, old_x, old_y)
        if not (-0.5 < new_x < cols - 0.5 and -0.5 < new_y < rows - 0.5):
            break
        tried = leg_over(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
            old_x, old_y, old_time, old_step, new_x, new_y, x, y, min(time, best.time),
        )  # fmt: skip
        if not tried.time < min(time, best.time):
            if ease < 1.0:
                break
            ease = 0.3
            continue
        best = tried
        at_x = new_x
        at_y = new_y
    return best


@compiled
def straighten(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    old_x: float,
    old_y: float,
    old_time: float,
    old_step: int,
    ax: float,
    ay: float,
    step: int,
    x: float,
    y: float,
    time: float,
    slowness: float,
) -> Leg:
    """Try to gain time by moving an anchor sideways; the best leg found, or a late one."""
    best = Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, old_time, step)
    chord = math.sqrt((x - old_x) * (x - old_x) + (y - old_y) * (y - old_y))
    if chord < 1.0:
        return best
    side_x = -(y - old_y) / chord
    side_y = (x - old_x) / chord
    first_run = math.sqrt((ax - old_x) * (ax - old_x) + (ay - old_y) * (ay - old_y))
    last_run = math.sqrt((x - ax) * (x - ax) + (y - ay) * (y - ay))
    if first_run < 0.5 or last_run < 0.5:
        return best
    upright, level = on_edge(cells, rows, cols, weather, step, ax, ay)
    if upright or level:
        for way in range(2):
            # on the edge between two fuels an anchor slides along the edge, at a corner along either one
            if upright if way == 0 else level:
                slid = _slide(
                    cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                    old_x, old_y, old_time, old_step, ax, ay, step, x, y, min(time, best.time), 1.0 - way, 1.0 * way,
                )  # fmt: skip
                if slid.time < best.time:
                    best = slid
        return best
    # how fast a sidestep costs time: its second derivative, as in ground that is alike
    curve = slowness * (1.0 / first_run + 1.0 / last_run)
    shift = -math.copysign(SIDESTEP, (ax - old_x) * side_x + (ay - old_y) * side_y)
    for attempt in range(2):
        new_x = ax + shift * side_x
        new_y = ay + shift * side_y
        if not (-0.5 < new_x < cols - 0.5 and -0.5 < new_y < rows - 0.5):
            break
        tried = leg_over(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
            old_x, old_y, old_time, old_step, new_x, new_y, x, y, np.inf,
        )  # fmt: skip
        if not tried.time < np.inf:
            break
        if tried.time < min(time, best.time):
            best = tried
        if attempt == 0:
            was = shift
            shift = 0.5 * was - (tried.time - time) / (was * curve)
            shift = min(max(shift, -3.0 * SIDESTEP), 3.0 * SIDESTEP)
            if abs(shift) < 0.1 * SIDESTEP or abs(shift - was) < 0.2 * SIDESTEP:
                break
    return best


@compiled
def refract(
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
    step: int,
    x: float,
    y: float,
    time: float,
) -> Leg:
    """Bend a straight leg where it last crosses an edge between two fuels; the best leg found, or a late one."""
    none = Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, step)
    length = math.sqrt((x - ax) * (x - ax) + (y - ay) * (y - ay))
    if length < 0.1:
        return none
    ux = (x - ax) / length
    uy = (y - ay) / length
    over_x = 1.0 / ux if abs(ux) > 1e-12 else 0.0
    over_y = 1.0 / uy if abs(uy) > 1e-12 else 0.0
    way_x = 1 if ux > 0.0 else -1
    way_y = 1 if uy > 0.0 else -1
    # back from the end, so that the first edge met is the last one crossed
    ix = math.floor(x + 0.5)
    iy = math.floor(y + 0.5)
    for _ in range(SEARCHED):
        end_x = (x - ix + way_x * 0.5) * over_x if over_x != 0.0 else np.inf
        end_y = (y - iy + way_y * 0.5) * over_y if over_y != 0.0 else np.inf
        t = min(end_x, end_y)
        if t > length - 3.0 * CLEARANCE:
            break
        zone = cells[iy * cols + ix]["zone"]
        upright = end_x < end_y
        if upright:
            ix -= way_x
        else:
            iy -= way_y
        if ix < 0 or iy < 0 or ix >= cols or iy >= rows:
            break
        before = cells[iy * cols + ix]["zone"]
        if t < 3.0 * CLEARANCE or not contrast(weather, step, zone, before):
            continue
        lean = CLEARANCE if weather[step, zone, 0] > weather[step, before, 0] else -CLEARANCE
        along_y = 1.0 if upright else 0.0
        slid = _slide(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts, ax, ay, a_time, a_step,
            x - t * ux + (lean * way_x if upright else 0.0), y - t * uy + (0.0 if upright else lean * way_y),
            step, x, y, time, along_y, 1.0 - along_y,
        )  # fmt: skip
        if slid.time < time:
            return slid
    return none


@compiled
def polish(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    old_x: float,
    old_y: float,
    old_time: float,
    old_step: int,
    ax: float,
    ay: float,
    a_time: float,
    a_step: int,
    step: int,
    x: float,
    y: float,
    time: float,
    slowness: float,
    by_edge: bool,
) -> Bend:
    """Bend the leg to a cell by an edge where it crosses one, then move its anchor; a late one where nothing gains."""
    best = Bend(Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step), old_x, old_y, old_time, old_step)
    if by_edge:
        moved = refract(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
            ax, ay, a_time, a_step, step, x, y, time,
        )  # fmt: skip
        if moved.time < time:
            old_x = ax
            old_y = ay
            old_time = a_time
            old_step = a_step
            best = Bend(moved, old_x, old_y, old_time, old_step)
            time = moved.time
            ax = moved.anchor_x
            ay = moved.anchor_y
            a_time = moved.anchor_time
            a_step = moved.anchor_step
    if old_time < a_time:
        moved = straighten(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
            old_x, old_y, old_time, old_step, ax, ay, a_step, x, y, time, slowness,
        )  # fmt: skip
        if moved.time < time:
            best = Bend(moved, old_x, old_y, old_time, old_step)
    return best


@compiled
def retrace(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    old_x: float,
    old_y: float,
    old_time: float,
    old_step: int,
    ax: float,
    ay: float,
    a_time: float,
    a_step: int,
    step: int,
    new: Leg,
    x: float,
    y: float,
    slowness: float,
) -> Bend:
    """Reach the new anchor of a leg sooner, by moving the anchor before it or bending the leg to it; or a late one.

    The anchor before was the best for the cell it belonged to, not for the place where the fire now turns.
    """
    moved = straighten(
        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
        old_x, old_y, old_time, old_step, ax, ay, a_step, new.anchor_x, new.anchor_y, new.anchor_time, slowness,
    )  # fmt: skip
    if not moved.time < new.anchor_time:
        moved = refract(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
            ax, ay, a_time, a_step, step, new.anchor_x, new.anchor_y, new.anchor_time,
        )  # fmt: skip
    again = Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
    if moved.time < new.anchor_time:
        again = go_on(
            cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
            new.anchor_x, new.anchor_y, moved.time, moved.anchor_step, x, y,
        )  # fmt: skip
    return Bend(again, moved.anchor_x, moved.anchor_y, moved.anchor_time, moved.anchor_step)
