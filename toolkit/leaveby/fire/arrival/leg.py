"""Legs: how fast fire runs from a point to another across cells and weather steps, compiled.

A leg is a straight line. Its time is the exact sum over the cells it crosses, with the speeds in force at the moment of
crossing, so no interpolation error builds up; where nothing changes, one step takes it across. Across weather steps
a leg bends so that the direction square to the front stays, which is the exact path in ground that is alike. In
changing ground a leg that is long goes on from a point half way.

Lengths are in cells, x to the east and y to the south, cell centres at whole numbers; slowness in seconds per cell.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.arrival.ground import LEG_STEPS, Ellipse, Ground, Steps, cell_ellipse
from leaveby.fire.spread.ellipse import compiled, inlined

LEG_PIECES: Final = 8
"""Cells a leg may cross in ground that changes, before its anchor moves up."""

ALIKE: Final = 1e-5  # relative difference of speed that counts as none
GRAZING: Final = 1.5e-3  # legs that move less to the side run along a line, cells
SLIVER: Final = 0.03  # shorter pieces, beside an edge or a corner, make no ground of changing fuel, cells
ROUNDING: Final = 1e-6  # a leg that need not bend is the straight one, its time as good as the same
MOST_TURNS: Final = 60  # halvings alone would come as near
ENOUGH_TURN: Final = 1e-4  # the direction of a bent leg is known so far (radians); its time then far better


class Anchor(NamedTuple):
    """The point from which a leg starts, the time there, and the weather step that it falls in."""

    x: float
    y: float
    time: float
    step: int


class Leg(NamedTuple):
    """A leg to a point: its time (inf where blocked), last direction, seeming distance, and the anchor to hand on."""

    time: float
    ray_x: float
    ray_y: float
    run: float
    anchor: Anchor


class _Line(NamedTuple):
    """A straight line across cells: its start, direction, one over it (0 where it is 0), and its sense each way."""

    x: float
    y: float
    ux: float
    uy: float
    over_x: float
    over_y: float
    way_x: int
    way_y: int


class _Bent(NamedTuple):
    """A bent leg: steps really crossed, the time after them, last direction, seeming distance, and the last bend."""

    crossed: int
    after: float
    ray_x: float
    ray_y: float
    run: float
    x: float  # from the anchor
    y: float


class _Walk(NamedTuple):
    """What was met along a straight leg: weather steps crossed, whether the ground was alike, and where it half was."""

    anchor: Anchor
    time: float
    step: int
    pieces: int
    crossed: int
    same: bool
    one_fuel: bool
    zone: int
    half_t: float
    half_time: float
    cross_t: float


@inlined
def blocked(anchor: Anchor) -> Leg:
    """A leg that never comes."""
    return Leg(np.inf, 0.0, 0.0, 0.0, anchor)


@inlined
def distance(x0: float, y0: float, x1: float, y1: float) -> float:
    """Length of the straight line between two points, cells."""
    return math.sqrt((x1 - x0) * (x1 - x0) + (y1 - y0) * (y1 - y0))


@inlined
def line_from(x: float, y: float, ux: float, uy: float) -> _Line:
    """A line from a point in a direction (unit vector)."""
    over_x = 1.0 / ux if abs(ux) > 1e-12 else 0.0
    over_y = 1.0 / uy if abs(uy) > 1e-12 else 0.0
    way_x = 1 if ux > 0.0 else -1
    way_y = 1 if uy > 0.0 else -1
    return _Line(x, y, ux, uy, over_x, over_y, way_x, way_y)


@inlined
def _first_cell(line: _Line) -> tuple[int, int]:
    return math.floor(line.x + 1e-7 * line.ux + 0.5), math.floor(line.y + 1e-7 * line.uy + 0.5)


@inlined
def _ends(line: _Line, ix: int, iy: int, reach: int) -> tuple[float, float]:
    """How far along a line the square of cells that are alike around a cell ends, to the side and up or down."""
    box = reach + 0.5
    end_x = (ix + line.way_x * box - line.x) * line.over_x if line.over_x != 0.0 else np.inf
    end_y = (iy + line.way_y * box - line.y) * line.over_y if line.over_y != 0.0 else np.inf
    return end_x, end_y


@inlined
def _next_cell(line: _Line, t: float, ends: tuple[float, float], ix: int, iy: int, reach: int) -> tuple[int, int]:
    """The cell that a line enters at a distance where it leaves another."""
    end_x, end_y = ends
    if reach > 0:
        ix = math.floor(line.x + line.ux * (t + 1e-7) + 0.5)
        iy = math.floor(line.y + line.uy * (t + 1e-7) + 0.5)
    elif abs(end_x - end_y) < 1e-7:
        ix += line.way_x
        iy += line.way_y
    elif end_x < end_y:
        ix += line.way_x
    else:
        iy += line.way_y
    return ix, iy


@inlined
def _shut_corner(ground: Ground, line: _Line, ix: int, iy: int) -> bool:
    """Whether the corner over which a line entered a cell lies between two barrier cells, which let nothing through."""
    beside = ground.cells[iy * ground.cols + ix - line.way_x]["zone"]
    below = ground.cells[(iy - line.way_y) * ground.cols + ix]["zone"]
    return bool(beside < 0 and below < 0)


@compiled
def _in_sight(ground: Ground, x0: float, y0: float, x1: float, y1: float) -> bool:
    """Whether the straight line between two points crosses burnable cells only."""
    length = distance(x0, y0, x1, y1)
    line = line_from(x0, y0, (x1 - x0) / max(length, 1e-9), (y1 - y0) / max(length, 1e-9))
    ix, iy = _first_cell(line)
    while True:
        if ix < 0 or iy < 0 or ix >= ground.cols or iy >= ground.rows:
            return False
        here = ground.cells[iy * ground.cols + ix]
        if here["zone"] < 0:
            return False
        reach = here["alike"]
        ends = _ends(line, ix, iy, reach)
        t = min(ends[0], ends[1])
        if t >= length - 1e-6:
            return True
        ix, iy = _next_cell(line, t, ends, ix, iy, reach)
        if (
            abs(ends[0] - ends[1]) < 1e-7
            and 0 <= ix < ground.cols
            and 0 <= iy < ground.rows
            and _shut_corner(ground, line, ix, iy)
        ):
            return False


@compiled
def _bent(parts: NDArray[np.float64], crossed: int, dx: float, dy: float, nx: float, ny: float) -> _Bent:
    """Earliest time over some weather steps, with the slowness square to the front kept across them.

    `parts`, row by row: duration, slowness, drift x, drift y of each step on the way (the last one lasts). What burns
    is the sum of the steps' ellipses, and their reaches along a direction add up. So for every direction square to
    the front there is a time before which the sum does not reach as far as the point, and the latest of these is the
    arrival. Over the half circle towards the point that time has one peak: Newton's method on how far the front
    misses the point sideways finds it, from a first guess `nx`, `ny`, held between directions known to lie on either
    side.
    """
    for j in range(crossed + 1):
        p = 1.0 / parts[j, 1]
        e2 = (parts[j, 2] * parts[j, 2] + parts[j, 3] * parts[j, 3]) * p * p
        a = p / (1.0 - e2)
        parts[j, 4] = a * p  # half the breadth, squared
        parts[j, 5] = a * p * parts[j, 2]  # the ellipse's centre
        parts[j, 6] = a * p * parts[j, 3]
        parts[j, 7] = a * a * a * p  # half the length times half the breadth, squared
    low_x = dy
    low_y = -dx
    high_x = -dy
    high_y = dx
    if nx * dx + ny * dy <= 0.0:
        nx = dx
        ny = dy
    last_turn = np.inf
    for _ in range(MOST_TURNS):
        norm = 1.0 / math.sqrt(nx * nx + ny * ny)
        nx *= norm
        ny *= norm
        ahead = nx * dx + ny * dy
        off = nx * dy - ny * dx  # how far to the left of the front's foremost place the point lies
        round_m = 0.0  # the front's radius of curvature
        bx = 0.0
        by = 0.0
        n = 0
        while True:
            along = parts[n, 5] * nx + parts[n, 6] * ny
            over = 1.0 / math.sqrt(parts[n, 4] + along * along)
            reach = along + 1.0 / over
            curve = parts[n, 7] * over * over * over
            side = reach * over * (nx * parts[n, 6] - ny * parts[n, 5])
            lasted = parts[n, 0]
            if n == crossed or ahead <= reach * lasted:
                break
            ahead -= reach * lasted
            off -= side * lasted
            round_m += curve * lasted
            bx += lasted * over * (reach * parts[n, 5] + parts[n, 4] * nx)
            by += lasted * over * (reach * parts[n, 6] + parts[n, 4] * ny)
            n += 1
        lasted = ahead / reach
        off -= side * lasted
        round_m += curve * lasted
        turn = off / round_m
        if abs(turn) < ENOUGH_TURN:
            break
        if off > 0.0:
            low_x = nx
            low_y = ny
        else:
            high_x = nx
            high_y = ny
        new_x = nx - turn * ny
        new_y = ny + turn * nx
        if (
            low_x * new_y - low_y * new_x <= 0.0
            or new_x * high_y - new_y * high_x <= 0.0
            or abs(turn) > 0.5 * abs(last_turn)
        ):
            # beyond a direction known to be too far, or to and fro: the middle
            low = 1.0 / math.sqrt(low_x * low_x + low_y * low_y)
            high = 1.0 / math.sqrt(high_x * high_x + high_y * high_y)
            new_x = low * low_x + high * high_x
            new_y = low * low_y + high * high_y
            if new_x * new_x + new_y * new_y < 1e-6:
                new_x = dx
                new_y = dy
        last_turn = turn
        nx = new_x
        ny = new_y
    ux = over * (reach * parts[n, 5] + parts[n, 4] * nx)
    uy = over * (reach * parts[n, 6] + parts[n, 4] * ny)
    speed = math.sqrt(ux * ux + uy * uy)
    after = lasted + 0.5 * off * turn / reach
    return _Bent(n, after, ux / speed, uy / speed, speed * round_m / curve, bx, by)


@compiled
def _bends_in_sight(ground: Ground, steps: Steps, anchor: Anchor, x: float, y: float, bend: _Bent) -> bool:
    """Whether each part of a bent leg crosses burnable cells only."""
    parts = steps.parts
    lx = bend.ray_x * parts[bend.crossed, 1] - parts[bend.crossed, 2]
    ly = bend.ray_y * parts[bend.crossed, 1] - parts[bend.crossed, 3]
    px = anchor.x
    py = anchor.y
    for j in range(bend.crossed):
        cl = parts[j, 5] * lx + parts[j, 6] * ly
        mx = parts[j, 4] * lx + parts[j, 5] * cl
        my = parts[j, 4] * ly + parts[j, 6] * cl
        over = 1.0 / math.sqrt(mx * lx + my * ly)
        qx = px + parts[j, 0] * (parts[j, 5] + mx * over)
        qy = py + parts[j, 0] * (parts[j, 6] + my * over)
        if not _in_sight(ground, px, py, qx, qy):
            return False
        px = qx
        py = qy
    return _in_sight(ground, px, py, x, y)


@inlined
def _of_zone(ground: Ground, x: float, y: float, zone: int) -> bool:
    """Whether a point lies in a zone, or off the grid."""
    col = math.floor(x + 0.5)
    row = math.floor(y + 0.5)
    inside = 0 <= row < ground.rows and 0 <= col < ground.cols
    return not inside or zone < 0 or ground.cells[row * ground.cols + col]["zone"] == zone


@compiled
def _faster_side(ground: Ground, steps: Steps, anchor: Anchor, x: float, y: float) -> tuple[float, float]:
    """Where a leg along an edge starts if it keeps to that side of the edge where fire is faster in its middle."""
    upright = abs(x - anchor.x) < abs(y - anchor.y)
    best = 0.0
    x0 = anchor.x
    y0 = anchor.y
    for side in range(2):
        sx = (anchor.x if side == 0 else x) if upright else anchor.x
        sy = anchor.y if upright else (anchor.y if side == 0 else y)
        col = math.floor((sx if upright else 0.5 * (anchor.x + x)) + 0.5)
        row = math.floor((0.5 * (anchor.y + y) if upright else sy) + 0.5)
        if row < 0 or row >= ground.rows or col < 0 or col >= ground.cols:
            continue
        zone = ground.cells[row * ground.cols + col]["zone"]
        if zone >= 0 and steps.rates[anchor.step, zone]["head_m_s"] > best:
            best = steps.rates[anchor.step, zone]["head_m_s"]
            x0 = sx
            y0 = sy
    return x0, y0


@inlined
def _note_part(
    parts: NDArray[np.float64], n: int, part_t: float, total: tuple[float, float, float], last: Ellipse
) -> None:
    """Note the mean ellipse along a part of a leg, from the sums along it; of a part without length, the last one."""
    if part_t > 1e-12:
        over = 1.0 / part_t
        parts[n, 1] = total[0] * over
        parts[n, 2] = total[1] * over
        parts[n, 3] = total[2] * over
    else:
        parts[n, 1] = last.slowness
        parts[n, 2] = last.drift_x
        parts[n, 3] = last.drift_y


@inlined
def _walk(ground: Ground, steps: Steps, anchor: Anchor, line: _Line, length: float) -> _Walk:
    """Add up the time along a straight line, cell by cell and step by step; inf where a barrier stands in the way."""
    time = anchor.time
    step = anchor.step
    step_end = steps.start_s[step + 1]
    begun = anchor.time
    ix, iy = _first_cell(line)
    t = 0.0
    pieces = 0
    crossed = 0
    same = True
    one_fuel = True
    zone = -1
    first = -1.0
    part_t = 0.0
    part_s = 0.0
    part_x = 0.0
    part_y = 0.0
    half_t = -1.0
    half_time = anchor.time
    cross_t = 0.0
    while True:
        cell = iy * ground.cols + ix
        here = ground.cells[cell]
        if here["zone"] < 0:
            time = np.inf
            break
        reach = here["alike"]
        ends = _ends(line, ix, iy, reach)
        end = max(min(ends[0], ends[1], length), t)
        now = cell_ellipse(ground, steps, cell, step)
        pace = now.slowness - now.drift_x * line.ux - now.drift_y * line.uy
        if end - t > SLIVER:
            # a sliver beside an edge or a corner does not count
            if zone < 0:
                zone = here["zone"] + 0
            elif zone != here["zone"]:
                one_fuel = False
            if first < 0.0:
                first = pace
            elif abs(pace - first) > ALIKE * first:
                same = False
        while time + (end - t) * pace > step_end:
            done = max((step_end - time) / pace, 0.0)
            part_s += done * now.slowness
            part_x += done * now.drift_x
            part_y += done * now.drift_y
            t += done
            time = step_end
            cross_t = t
            if crossed == LEG_STEPS or step_end <= begun:
                # too many steps for one leg (or none of this one's time): go on from here
                anchor = Anchor(line.x + line.ux * t, line.y + line.uy * t, step_end, step + 1)
                crossed = 0
            else:
                steps.parts[crossed, 0] = step_end - begun
                _note_part(steps.parts, crossed, t - part_t, (part_s, part_x, part_y), now)
                crossed += 1
            begun = step_end
            part_t = t
            part_s = 0.0
            part_x = 0.0
            part_y = 0.0
            step += 1
            step_end = steps.start_s[step + 1]
            now = cell_ellipse(ground, steps, cell, step)
            pace = now.slowness - now.drift_x * line.ux - now.drift_y * line.uy
            first = pace
        ahead = end - t
        part_s += ahead * now.slowness
        part_x += ahead * now.drift_x
        part_y += ahead * now.drift_y
        time += ahead * pace
        t = end
        pieces += 1
        if half_t < 0.0 and t >= 0.5 * length:
            half_t = t
            half_time = time
        if t >= length - 1e-6:
            if crossed > 0:
                _note_part(steps.parts, crossed, t - part_t, (part_s, part_x, part_y), now)
            break
        ix, iy = _next_cell(line, t, ends, ix, iy, reach)
        if ground.barriers and abs(ends[0] - ends[1]) < 1e-7 and _shut_corner(ground, line, ix, iy):
            time = np.inf
            break
    return _Walk(anchor, time, step, pieces, crossed, same, one_fuel, zone, half_t, half_time, cross_t)


@compiled
def follow_leg(ground: Ground, steps: Steps, anchor: Anchor, x: float, y: float, hint_x: float, hint_y: float) -> Leg:
    """Follow a leg from an anchor to a point; the hint is a first guess of the direction square to the front."""
    length = distance(anchor.x, anchor.y, x, y)
    if length < 1e-9:
        return Leg(anchor.time, 0.0, 0.0, 0.0, anchor)
    x0 = anchor.x
    y0 = anchor.y
    ux = (x - x0) / length
    uy = (y - y0) / length
    if length > 0.1 and (0.0 < abs(x - x0) < GRAZING or 0.0 < abs(y - y0) < GRAZING):
        # along an edge between two fuels, from a little on one side of it to a little on the other: in the faster
        x0, y0 = _faster_side(ground, steps, anchor, x, y)
        ux = 1.0 * round(ux)
        uy = 1.0 * round(uy)
    walk = _walk(ground, steps, anchor, line_from(x0, y0, ux, uy), length)
    anchor = walk.anchor
    time = walk.time
    if time == np.inf:
        return blocked(anchor)
    if walk.crossed == 0:
        short = walk.pieces <= LEG_PIECES and length <= LEG_PIECES + 1
        if walk.same or short or walk.step != anchor.step:
            return Leg(time, ux, uy, length, anchor)
        half = Anchor(x0 + ux * walk.half_t, y0 + uy * walk.half_t, walk.half_time, anchor.step)
        return Leg(time, ux, uy, length, half)

    if walk.same or (walk.one_fuel and length <= LEG_PIECES + 1):
        bend = _bent(steps.parts, walk.crossed, x - anchor.x, y - anchor.y, hint_x, hint_y)
        n = bend.crossed
        bent_time = bend.after + (steps.start_s[anchor.step + n] if n > 0 else anchor.time)
        bend_x = anchor.x + bend.x
        bend_y = anchor.y + bend.y
        if (
            bent_time <= time + ROUNDING * (time - anchor.time)
            and _of_zone(ground, bend_x, bend_y, walk.zone)
            and (not ground.barriers or _bends_in_sight(ground, steps, anchor, x, y, bend))
        ):
            inside = -0.5 < bend_x < ground.cols - 0.5 and -0.5 < bend_y < ground.rows - 0.5
            if inside and ((not walk.same and walk.pieces > LEG_PIECES) or n >= LEG_STEPS):
                anchor = Anchor(bend_x, bend_y, steps.start_s[anchor.step + n], anchor.step + n)
            return Leg(min(bent_time, time), bend.ray_x, bend.ray_y, bend.run, anchor)
    turn = Anchor(x0 + ux * walk.cross_t, y0 + uy * walk.cross_t, steps.start_s[walk.step], walk.step)
    return Leg(time, ux, uy, length - walk.cross_t, turn)
