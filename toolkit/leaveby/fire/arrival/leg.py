"""Legs: how fast fire runs from a point to another across cells and weather steps, compiled.

A leg is a straight line. Its time is the exact sum over the cells it crosses, with the speeds in force at the moment of
crossing, so no interpolation error builds up; where nothing changes, one step takes it across. Across weather steps
a leg bends so that the direction square to the front stays, which is the exact path in ground that is alike. In
changing ground a leg that is long goes on from a point half way.

Lengths are in cells, x to the east and y to the south, cell centres at whole numbers; slowness in seconds per cell.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.spread.ellipse import compiled, inlined, local_ellipse

LEG_PIECES: Final = 8
"""Cells a leg may cross in ground that changes, before its anchor moves up."""

LEG_STEPS: Final = 100
"""Weather steps a leg may cross before its anchor moves up, by which neighbours come a little late."""

ALIKE: Final = 1e-5  # relative difference of speed that counts as none
GRAZING: Final = 1.5e-3  # legs that move less to the side run along a line, cells
SLIVER: Final = 0.03  # shorter pieces, beside an edge or a corner, make no ground of changing fuel, cells
ROUNDING: Final = 1e-6  # a leg that need not bend is the straight one, its time as good as the same
MOST_TURNS: Final = 60  # halvings alone would come as near
ENOUGH_TURN: Final = 1e-4  # the direction of a bent leg is known so far (radians); its time then far better
RECENT: Final = 8192  # how many ellipses of past steps are kept at hand

CELL: Final = np.dtype(
    [
        ("slowness", np.float32),  # of the step in `stamp`
        ("drift_x", np.float32),
        ("drift_y", np.float32),
        ("gradient_east", np.float32),
        ("gradient_north", np.float32),
        ("zone", np.int32),
        ("stamp", np.int16),
        ("alike", np.int16),
        ("edge", np.int8),  # 1 where a neighbour is of another zone
    ],
    align=True,
)
"""The ground of one cell, and the ellipse last worked out for it: all that legs look at, so that it stays at hand."""

ELLIPSE: Final = np.dtype(
    [("key", np.int64), ("slowness", np.float64), ("drift_x", np.float64), ("drift_y", np.float64)]
)

Cells = NDArray[Any]


class Leg(NamedTuple):
    """A leg to a cell: its time (inf where blocked), last direction, seeming distance, and the anchor to hand on."""

    time: float
    ray_x: float
    ray_y: float
    run: float
    anchor_x: float
    anchor_y: float
    anchor_time: float
    anchor_step: int


@compiled
def _note_likeness(cells: Cells) -> None:
    """Set how many cells around each cell, in every direction (a square), are like it, and which touch another zone."""
    rows, cols = cells.shape
    limit = min(max(rows, cols), 32000)
    for i in range(rows):
        for k in range(cols):
            cells[i, k]["alike"] = limit
    for i in range(rows):
        for k in range(cols):
            here = cells[i, k]
            for di in range(2):
                for dk in range(-1, 2):
                    if (di == 0 and dk < 1) or i + di >= rows or k + dk < 0 or k + dk >= cols:
                        continue
                    other = cells[i + di, k + dk]
                    if (
                        other["zone"] != here["zone"]
                        or abs(other["gradient_east"] - here["gradient_east"]) > 1e-6
                        or abs(other["gradient_north"] - here["gradient_north"]) > 1e-6
                    ):
                        here["alike"] = 0
                        other["alike"] = 0
                    if other["zone"] != here["zone"]:
                        here["edge"] = 1
                        other["edge"] = 1
    none = True
    for i in range(rows):
        for k in range(cols):
            if cells[i, k]["alike"] > 0:
                none = False
    if none:
        return  # hills: no cell is like its neighbours
    for i in range(rows):
        for k in range(cols):
            best = cells[i, k]["alike"] + 0
            if i > 0:
                for dk in range(max(-1, -k), min(2, cols - k)):
                    best = min(best, cells[i - 1, k + dk]["alike"] + 1)
            if k > 0:
                best = min(best, cells[i, k - 1]["alike"] + 1)
            cells[i, k]["alike"] = best
    for i in range(rows - 1, -1, -1):
        for k in range(cols - 1, -1, -1):
            best = cells[i, k]["alike"] + 0
            if i < rows - 1:
                for dk in range(max(-1, -k), min(2, cols - k)):
                    best = min(best, cells[i + 1, k + dk]["alike"] + 1)
            if k < cols - 1:
                best = min(best, cells[i, k + 1]["alike"] + 1)
            cells[i, k]["alike"] = best


def make_cells(
    zone: NDArray[np.int32], gradient_east: NDArray[np.float32], gradient_north: NDArray[np.float32]
) -> Cells:
    """The ground of all cells, shape (rows, cols), of dtype `CELL`.

    Examples
    --------
    >>> flat = np.zeros((3, 3), dtype=np.float32)
    >>> make_cells(np.zeros((3, 3), dtype=np.int32), flat, flat)["alike"][0, 0]
    np.int16(3)
    """
    cells = np.zeros(zone.shape, dtype=CELL)
    cells["zone"] = zone
    cells["gradient_east"] = gradient_east
    cells["gradient_north"] = gradient_north
    cells["stamp"] = -1
    _note_likeness(cells)
    return cells


@compiled
def _work_out(
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    zone: int,
    gradient_east: float,
    gradient_north: float,
    step: int,
) -> tuple[float, float, float]:
    head, e, east, north = local_ellipse(
        weather[step, zone, 0],
        weather[step, zone, 1],
        weather[step, zone, 2],
        gradient_east,
        gradient_north,
        ratios[int(weather[step, zone, 3])],
    )
    # weather[..., 4] is the cell size, negative where fire is followed backwards
    slowness = abs(weather[step, zone, 4]) / (head * (1.0 - e))
    drift = math.copysign(e * slowness, weather[step, zone, 4])
    return slowness, drift * east, -drift * north


@compiled
def _ellipse_before(
    cells: Cells,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    cell: int,
    step: int,
) -> tuple[float, float, float]:
    """Work out a cell's ellipse, or find it among the recent ones; the newest step of a cell is kept with the cell."""
    key = cell * weather.shape[0] + step
    found = recent[key % RECENT]
    if found["key"] == key:
        return found["slowness"], found["drift_x"], found["drift_y"]
    here = cells[cell]
    slowness, drift_x, drift_y = _work_out(
        weather, ratios, here["zone"], here["gradient_east"], here["gradient_north"], step
    )
    if step > here["stamp"]:
        here["slowness"] = slowness
        here["drift_x"] = drift_x
        here["drift_y"] = drift_y
        here["stamp"] = step
    else:
        found["key"] = key
        found["slowness"] = slowness
        found["drift_x"] = drift_x
        found["drift_y"] = drift_y
    return slowness, drift_x, drift_y


@inlined
def cell_ellipse(
    cells: Cells, recent: Cells, weather: NDArray[np.float64], ratios: NDArray[np.float64], cell: int, step: int
) -> tuple[float, float, float]:
    """Slowness and drift of a cell in a weather step."""
    here = cells[cell]
    slowness = 1.0 * here["slowness"]
    drift_x = 1.0 * here["drift_x"]
    drift_y = 1.0 * here["drift_y"]
    if here["stamp"] != step:
        slowness, drift_x, drift_y = _ellipse_before(cells, recent, weather, ratios, cell, step)
    return slowness, drift_x, drift_y


@compiled
def _in_sight(cells: Cells, rows: int, cols: int, x0: float, y0: float, x1: float, y1: float) -> bool:
    """Whether the straight line between two points crosses burnable cells only."""
    length = math.sqrt((x1 - x0) * (x1 - x0) + (y1 - y0) * (y1 - y0))
    ux = (x1 - x0) / max(length, 1e-9)
    uy = (y1 - y0) / max(length, 1e-9)
    over_x = 1.0 / ux if abs(ux) > 1e-12 else 0.0
    over_y = 1.0 / uy if abs(uy) > 1e-12 else 0.0
    way_x = 1 if ux > 0.0 else -1
    way_y = 1 if uy > 0.0 else -1
    ix = math.floor(x0 + 1e-7 * ux + 0.5)
    iy = math.floor(y0 + 1e-7 * uy + 0.5)
    while True:
        if ix < 0 or iy < 0 or ix >= cols or iy >= rows:
            return False
        here = cells[iy * cols + ix]
        if here["zone"] < 0:
            return False
        reach = here["alike"]
        box = reach + 0.5
        end_x = (ix + way_x * box - x0) * over_x if over_x != 0.0 else np.inf
        end_y = (iy + way_y * box - y0) * over_y if over_y != 0.0 else np.inf
        t = min(end_x, end_y)
        if t >= length - 1e-6:
            return True
        corner = abs(end_x - end_y) < 1e-7
        if reach > 0:
            ix = math.floor(x0 + ux * (t + 1e-7) + 0.5)
            iy = math.floor(y0 + uy * (t + 1e-7) + 0.5)
        elif corner:
            ix += way_x
            iy += way_y
        elif end_x < end_y:
            ix += way_x
        else:
            iy += way_y
        if (
            corner
            and 0 <= ix < cols
            and 0 <= iy < rows
            and cells[iy * cols + ix - way_x]["zone"] < 0
            and cells[(iy - way_y) * cols + ix]["zone"] < 0
        ):
            return False


@compiled
def _bent(
    parts: NDArray[np.float64],
    crossed: int,
    dx: float,
    dy: float,
    nx: float,
    ny: float,
) -> tuple[int, float, float, float, float, float, float]:
    """Earliest time over some weather steps, with the slowness square to the front kept across them.

    `parts`, row by row: duration, slowness, drift x, drift y of each step on the way (the last one lasts). What burns
    is the sum of the steps' ellipses, and their reaches along a direction add up. So for every direction square to
    the front there is a time before which the sum does not reach as far as the point, and the latest of these is the
    arrival. Over the half circle towards the point that time has one peak: Newton's method on how far the front
    misses the point sideways finds it, from a first guess `nx`, `ny`, held between directions known to lie on either
    side. Returns the steps really crossed, the time after them, last direction, seeming distance and the last bend
    relative to the anchor.
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
    return n, after, ux / speed, uy / speed, speed * round_m / curve, bx, by


@compiled
def _bends_in_sight(
    cells: Cells,
    rows: int,
    cols: int,
    parts: NDArray[np.float64],
    n: int,
    ax: float,
    ay: float,
    x: float,
    y: float,
    ray_x: float,
    ray_y: float,
) -> bool:
    """Whether each part of a bent leg crosses burnable cells only."""
    lx = ray_x * parts[n, 1] - parts[n, 2]
    ly = ray_y * parts[n, 1] - parts[n, 3]
    px = ax
    py = ay
    for j in range(n):
        cl = parts[j, 5] * lx + parts[j, 6] * ly
        mx = parts[j, 4] * lx + parts[j, 5] * cl
        my = parts[j, 4] * ly + parts[j, 6] * cl
        over = 1.0 / math.sqrt(mx * lx + my * ly)
        qx = px + parts[j, 0] * (parts[j, 5] + mx * over)
        qy = py + parts[j, 0] * (parts[j, 6] + my * over)
        if not _in_sight(cells, rows, cols, px, py, qx, qy):
            return False
        px = qx
        py = qy
    return _in_sight(cells, rows, cols, px, py, x, y)


@inlined
def _of_zone(cells: Cells, rows: int, cols: int, x: float, y: float, zone: int) -> bool:
    """Whether a point lies in a zone, or off the grid."""
    col = math.floor(x + 0.5)
    row = math.floor(y + 0.5)
    return row < 0 or row >= rows or col < 0 or col >= cols or zone < 0 or cells[row * cols + col]["zone"] == zone


@compiled
def _faster_side(
    cells: Cells,
    rows: int,
    cols: int,
    weather: NDArray[np.float64],
    step: int,
    ax: float,
    ay: float,
    x: float,
    y: float,
) -> tuple[float, float]:
    """Where a leg along an edge starts if it keeps to that side of the edge where fire is faster in its middle."""
    upright = abs(x - ax) < abs(y - ay)
    best = 0.0
    x0 = ax
    y0 = ay
    for side in range(2):
        sx = (ax if side == 0 else x) if upright else ax
        sy = ay if upright else (ay if side == 0 else y)
        col = math.floor((sx if upright else 0.5 * (ax + x)) + 0.5)
        row = math.floor((0.5 * (ay + y) if upright else sy) + 0.5)
        if row < 0 or row >= rows or col < 0 or col >= cols:
            continue
        zone = cells[row * cols + col]["zone"]
        if zone >= 0 and weather[step, zone, 0] > best:
            best = weather[step, zone, 0]
            x0 = sx
            y0 = sy
    return x0, y0


@compiled
def follow_leg(
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
    x: float,
    y: float,
    hint_x: float,
    hint_y: float,
) -> Leg:
    """Follow a leg from an anchor to a point; the hint is a first guess of the direction square to the front."""
    length = math.sqrt((x - ax) * (x - ax) + (y - ay) * (y - ay))
    if length < 1e-9:
        return Leg(a_time, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
    x0 = ax
    y0 = ay
    ux = (x - ax) / length
    uy = (y - ay) / length
    if length > 0.1 and (0.0 < abs(x - ax) < GRAZING or 0.0 < abs(y - ay) < GRAZING):
        # along an edge between two fuels, from a little on one side of it to a little on the other: in the faster
        x0, y0 = _faster_side(cells, rows, cols, weather, a_step, ax, ay, x, y)
        ux = 1.0 * round(ux)
        uy = 1.0 * round(uy)
    time = a_time
    step = a_step
    step_end = step_s[step + 1]
    begun = a_time
    over_x = 1.0 / ux if abs(ux) > 1e-12 else 0.0
    over_y = 1.0 / uy if abs(uy) > 1e-12 else 0.0
    way_x = 1 if ux > 0.0 else -1
    way_y = 1 if uy > 0.0 else -1
    ix = math.floor(x0 + 1e-7 * ux + 0.5)
    iy = math.floor(y0 + 1e-7 * uy + 0.5)
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
    half_time = a_time
    cross_t = 0.0
    while True:
        cell = iy * cols + ix
        here = cells[cell]
        if here["zone"] < 0:
            return Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
        reach = here["alike"]
        box = reach + 0.5
        end_x = (ix + way_x * box - x0) * over_x if over_x != 0.0 else np.inf
        end_y = (iy + way_y * box - y0) * over_y if over_y != 0.0 else np.inf
        end = max(min(end_x, end_y, length), t)
        s, sx, sy = cell_ellipse(cells, recent, weather, ratios, cell, step)
        pace = s - sx * ux - sy * uy
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
            part_s += done * s
            part_x += done * sx
            part_y += done * sy
            t += done
            time = step_end
            cross_t = t
            if crossed == LEG_STEPS or step_end <= begun:
                # too many steps for one leg (or none of this one's time): go on from here
                ax = x0 + ux * t
                ay = y0 + uy * t
                a_time = step_end
                a_step = step + 1
                crossed = 0
            else:
                parts[crossed, 0] = step_end - begun
                if t - part_t > 1e-12:
                    over = 1.0 / (t - part_t)
                    parts[crossed, 1] = part_s * over
                    parts[crossed, 2] = part_x * over
                    parts[crossed, 3] = part_y * over
                else:
                    parts[crossed, 1] = s
                    parts[crossed, 2] = sx
                    parts[crossed, 3] = sy
                crossed += 1
            begun = step_end
            part_t = t
            part_s = 0.0
            part_x = 0.0
            part_y = 0.0
            step += 1
            step_end = step_s[step + 1]
            s, sx, sy = cell_ellipse(cells, recent, weather, ratios, cell, step)
            pace = s - sx * ux - sy * uy
            first = pace
        ahead = end - t
        part_s += ahead * s
        part_x += ahead * sx
        part_y += ahead * sy
        time += ahead * pace
        t = end
        pieces += 1
        if half_t < 0.0 and t >= 0.5 * length:
            half_t = t
            half_time = time
        if t >= length - 1e-6:
            break
        corner = abs(end_x - end_y) < 1e-7
        if reach > 0:
            ix = math.floor(x0 + ux * (t + 1e-7) + 0.5)
            iy = math.floor(y0 + uy * (t + 1e-7) + 0.5)
        elif corner:
            ix += way_x
            iy += way_y
        elif end_x < end_y:
            ix += way_x
        else:
            iy += way_y
        # two barrier cells that touch at a corner let nothing through
        if (
            barriers
            and corner
            and cells[iy * cols + ix - way_x]["zone"] < 0
            and cells[(iy - way_y) * cols + ix]["zone"] < 0
        ):
            return Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)

    if crossed == 0:
        if same or (pieces <= LEG_PIECES and length <= LEG_PIECES + 1) or step != a_step:
            return Leg(time, ux, uy, length, ax, ay, a_time, a_step)
        return Leg(time, ux, uy, length, x0 + ux * half_t, y0 + uy * half_t, half_time, a_step)

    if same or (one_fuel and length <= LEG_PIECES + 1):
        if t - part_t > 1e-12:
            over = 1.0 / (t - part_t)
            parts[crossed, 1] = part_s * over
            parts[crossed, 2] = part_x * over
            parts[crossed, 3] = part_y * over
        else:
            parts[crossed, 1] = s
            parts[crossed, 2] = sx
            parts[crossed, 3] = sy
        n, after, ray_x, ray_y, run, bend_x, bend_y = _bent(parts, crossed, x - ax, y - ay, hint_x, hint_y)
        bent_time = after + (step_s[a_step + n] if n > 0 else a_time)
        if (
            bent_time <= time + ROUNDING * (time - a_time)
            and _of_zone(cells, rows, cols, ax + bend_x, ay + bend_y, zone)
            and (not barriers or _bends_in_sight(cells, rows, cols, parts, n, ax, ay, x, y, ray_x, ray_y))
        ):
            bent_time = min(bent_time, time)
            bend_x += ax
            bend_y += ay
            inside = -0.5 < bend_x < cols - 0.5 and -0.5 < bend_y < rows - 0.5
            if inside and ((not same and pieces > LEG_PIECES) or n >= LEG_STEPS):
                return Leg(bent_time, ray_x, ray_y, run, bend_x, bend_y, step_s[a_step + n], a_step + n)
            return Leg(bent_time, ray_x, ray_y, run, ax, ay, a_time, a_step)
    return Leg(time, ux, uy, length - cross_t, x0 + ux * cross_t, y0 + uy * cross_t, step_s[step], step)
