"""How legs bend once the fire has come: anchors moved to where the whole way is soonest; compiled.

A leg is first found through the anchor of a neighbour, which was the best for that neighbour. When a cell settles, its
anchor is moved to where it is best for this cell: along the edge on which it lies, or a little to the side; a
straight leg across an edge is bent there. Without this, fire among patches of fuel would be late.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from leaveby.fire.arrival.edges import CLEARANCE, by_corner, contrast, go_on, leg_over, on_edge
from leaveby.fire.arrival.ground import Ground, Steps, cell_ellipse
from leaveby.fire.arrival.leg import Anchor, Leg, blocked, distance, line_from
from leaveby.fire.spread.ellipse import compiled, inlined

SIDESTEP: Final = 0.25  # first trial of an anchor to the side, cells
EDGE_TRIALS: Final = 4  # places tried for an anchor along an edge
GLANCE: Final = 0.02  # how far beside an anchor to look which fuels the fire comes from and runs into, cells
SEARCHED: Final = 12  # cells of a leg, from its end, that are searched for an edge it crosses
SLIDE_GAIN: Final = 1e-3  # least promise of a gain that is worth a trial, cells' time


class Bend(NamedTuple):
    """A leg, and the anchor before its anchor; `leg.time` is inf where there is none."""

    leg: Leg
    before: Anchor


@inlined
def _cell_at(ground: Ground, x: float, y: float) -> int:
    """The cell that holds a point, or the nearest one on the grid."""
    col = min(max(math.floor(x + 0.5), 0), ground.cols - 1)
    row = min(max(math.floor(y + 0.5), 0), ground.rows - 1)
    return row * ground.cols + col


@inlined
def _on_grid(ground: Ground, x: float, y: float) -> bool:
    return -0.5 < x < ground.cols - 0.5 and -0.5 < y < ground.rows - 0.5


@compiled
def _slide(
    ground: Ground,
    steps: Steps,
    before: Anchor,
    place: tuple[float, float],
    upright: bool,
    step: int,
    x: float,
    y: float,
    time: float,
) -> Leg:
    """Slide a place along an edge between two fuels to where the leg by it is soonest; the best leg, or a blocked one.

    Where fire crosses an edge the slowness along the edge is the same on both sides (Snell's law); the difference
    of the two is the derivative of the time, and Newton's method brings it to 0.
    """
    best = blocked(before)
    at_x, at_y = place
    along_y = 1.0 if upright else 0.0
    along_x = 1.0 - along_y
    ease = 1.0
    for _ in range(EDGE_TRIALS):
        first_run = max(distance(before.x, before.y, at_x, at_y), 1e-6)
        last_run = max(distance(at_x, at_y, x, y), 1e-6)
        in_x = (at_x - before.x) / first_run
        in_y = (at_y - before.y) / first_run
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
            come_by = _cell_at(ground, mid_x - GLANCE * in_x, mid_y - GLANCE * in_y)
            go_by = _cell_at(ground, mid_x + GLANCE * out_x, mid_y + GLANCE * out_y)
            if ground.cells[come_by]["zone"] < 0 or ground.cells[go_by]["zone"] < 0:
                continue
            s0, x0, y0 = cell_ellipse(ground, steps, come_by, step)
            s1, x1, y1 = cell_ellipse(ground, steps, go_by, step)
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
        new = (at_x + shift * along_x, at_y + shift * along_y)
        if now + shift <= low or now + shift >= high:
            new = by_corner(ground, steps, step, new[0], new[1], before.x, before.y)
        if not _on_grid(ground, new[0], new[1]):
            break
        tried = leg_over(ground, steps, before, new, x, y, min(time, best.time))
        if not tried.time < min(time, best.time):
            if ease < 1.0:
                break
            ease = 0.3
            continue
        best = tried
        at_x, at_y = new
    return best


@compiled
def _straighten(
    ground: Ground, steps: Steps, before: Anchor, anchor: Anchor, x: float, y: float, time: float, slowness: float
) -> Leg:
    """Try to gain time by moving an anchor sideways; the best leg found, or a blocked one."""
    best = blocked(before)
    chord = distance(before.x, before.y, x, y)
    if chord < 1.0:
        return best
    side_x = -(y - before.y) / chord
    side_y = (x - before.x) / chord
    first_run = distance(before.x, before.y, anchor.x, anchor.y)
    last_run = distance(anchor.x, anchor.y, x, y)
    if first_run < 0.5 or last_run < 0.5:
        return best
    upright, level = on_edge(ground, steps, anchor.step, anchor.x, anchor.y)
    if upright or level:
        for way in range(2):
            # on the edge between two fuels an anchor slides along the edge, at a corner along either one
            if upright if way == 0 else level:
                place = (anchor.x, anchor.y)
                least = min(time, best.time)
                slid = _slide(ground, steps, before, place, way == 0, anchor.step, x, y, least)
                if slid.time < best.time:
                    best = slid
        return best
    # how fast a sidestep costs time: its second derivative, as in ground that is alike
    curve = slowness * (1.0 / first_run + 1.0 / last_run)
    shift = -math.copysign(SIDESTEP, (anchor.x - before.x) * side_x + (anchor.y - before.y) * side_y)
    for attempt in range(2):
        new = (anchor.x + shift * side_x, anchor.y + shift * side_y)
        if not _on_grid(ground, new[0], new[1]):
            break
        tried = leg_over(ground, steps, before, new, x, y, np.inf)
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
def refract(ground: Ground, steps: Steps, anchor: Anchor, step: int, x: float, y: float, time: float) -> Leg:
    """Bend a straight leg where it last crosses an edge between two fuels; the best leg found, or a blocked one."""
    length = distance(anchor.x, anchor.y, x, y)
    if length < 0.1:
        return blocked(anchor)
    line = line_from(x, y, (x - anchor.x) / length, (y - anchor.y) / length)
    # back from the end, so that the first edge met is the last one crossed
    ix = math.floor(x + 0.5)
    iy = math.floor(y + 0.5)
    for _ in range(SEARCHED):
        end_x = (x - ix + line.way_x * 0.5) * line.over_x if line.over_x != 0.0 else np.inf
        end_y = (y - iy + line.way_y * 0.5) * line.over_y if line.over_y != 0.0 else np.inf
        t = min(end_x, end_y)
        if t > length - 3.0 * CLEARANCE:
            break
        zone = ground.cells[iy * ground.cols + ix]["zone"]
        upright = end_x < end_y
        if upright:
            ix -= line.way_x
        else:
            iy -= line.way_y
        if ix < 0 or iy < 0 or ix >= ground.cols or iy >= ground.rows:
            break
        other = ground.cells[iy * ground.cols + ix]["zone"]
        if t < 3.0 * CLEARANCE or not contrast(steps, step, zone, other):
            continue
        faster = steps.rates[step, zone]["head_m_s"] > steps.rates[step, other]["head_m_s"]
        lean = CLEARANCE if faster else -CLEARANCE
        lean_x = lean * line.way_x if upright else 0.0
        lean_y = 0.0 if upright else lean * line.way_y
        place = (x - t * line.ux + lean_x, y - t * line.uy + lean_y)
        slid = _slide(ground, steps, anchor, place, upright, step, x, y, time)
        if slid.time < time:
            return slid
    return blocked(anchor)


@compiled
def polish(
    ground: Ground, steps: Steps, bend: Bend, step: int, x: float, y: float, slowness: float, by_edge: bool
) -> Bend:
    """Bend the leg to a cell by an edge where it crosses one, then move its anchor; the old one where nothing gains."""
    best = bend
    if by_edge:
        moved = refract(ground, steps, bend.leg.anchor, step, x, y, bend.leg.time)
        if moved.time < bend.leg.time:
            best = Bend(moved, bend.leg.anchor)
    if best.before.time < best.leg.anchor.time:
        moved = _straighten(ground, steps, best.before, best.leg.anchor, x, y, best.leg.time, slowness)
        if moved.time < best.leg.time:
            best = Bend(moved, best.before)
    return best


@compiled
def retrace(
    ground: Ground,
    steps: Steps,
    before: Anchor,
    anchor: Anchor,
    step: int,
    new: Anchor,
    x: float,
    y: float,
    slowness: float,
) -> Bend:
    """Reach a leg's new anchor sooner, by moving the anchor before it or bending the leg to it; or a blocked one.

    The anchor before was the best for the cell it belonged to, not for the place where the fire now turns.
    """
    moved = _straighten(ground, steps, before, anchor, new.x, new.y, new.time, slowness)
    if not moved.time < new.time:
        moved = refract(ground, steps, anchor, step, new.x, new.y, new.time)
    again = blocked(anchor)
    if moved.time < new.time:
        again = go_on(ground, steps, Anchor(new.x, new.y, moved.time, moved.anchor.step), x, y)
    return Bend(again, moved.anchor)
