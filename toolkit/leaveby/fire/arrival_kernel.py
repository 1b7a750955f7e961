"""The compiled heart of the arrival solver: straight legs with bends, settled in order of time.

Every cell carries the leg by which the fire reached it: an anchor (any point, not only a cell's centre), the time at
the anchor, and the direction in which the fire ran last. A settled cell offers its eight neighbours its own anchor,
and itself as a new anchor where that is faster. A leg's time is the exact sum over the cells the straight line
crosses, with the speeds in force at the moment of crossing, so no interpolation error builds up; where nothing
changes, one step takes the leg across. Legs across weather steps bend so that the direction square to the front
stays (the exact path in ground that is alike); legs in changing ground are cut short and go on from a point half way.

The ellipse makes the order of settling acausal near a needle-shaped head: a cell that improves is settled again.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leaveby.fire.ellipse import local_ellipse

LEG_PIECES: Final = 8
"""Cells a leg may cross in ground that changes, before its anchor moves up."""

LEG_STEPS: Final = 8
"""Weather steps a leg may cross before its anchor moves up."""

ALIKE: Final = 1e-5
SEED_REACH: Final = 2


class Field(NamedTuple):
    """What the kernel reads; flat arrays over cells in row order, lengths in cells, columns to the east, rows south."""

    rows: int
    cols: int
    cell_m: float
    sign: float
    barriers: bool
    zone: NDArray[np.int32]
    gradient_east: NDArray[np.float32]
    gradient_north: NDArray[np.float32]
    alike: NDArray[np.int16]
    step_s: NDArray[np.float64]
    flat_head: NDArray[np.float64]
    wind_east: NDArray[np.float64]
    wind_north: NDArray[np.float64]
    shape: NDArray[np.int8]
    ratios: NDArray[np.float64]
    slowness: NDArray[np.float32]
    drift_x: NDArray[np.float32]
    drift_y: NDArray[np.float32]
    stamp: NDArray[np.int16]


class Labels(NamedTuple):
    """What the kernel writes for each cell: time, anchor (relative to the cell), last direction, place in the heap."""

    time: NDArray[np.float64]
    anchor_x: NDArray[np.float32]
    anchor_y: NDArray[np.float32]
    anchor_time: NDArray[np.float64]
    anchor_step: NDArray[np.int16]
    ray_x: NDArray[np.float32]
    ray_y: NDArray[np.float32]
    place: NDArray[np.int32]
    heap_key: NDArray[np.float64]
    heap_cell: NDArray[np.int32]
    heap_size: NDArray[np.int64]


class Leg(NamedTuple):
    """A leg to a cell: its time (inf where blocked), last direction, and the anchor to hand on."""

    time: float
    ray_x: float
    ray_y: float
    anchor_x: float
    anchor_y: float
    anchor_time: float
    anchor_step: int


@njit(cache=True, nogil=True)
def alike_reach(
    zone: NDArray[np.int32], gradient_east: NDArray[np.float32], gradient_north: NDArray[np.float32]
) -> NDArray[np.int16]:
    """How many cells around each cell, in every direction (square), are like it in zone and slope; 0 at an edge."""
    rows, cols = zone.shape
    limit = np.int16(min(max(rows, cols), 32000))
    reach = np.full((rows, cols), limit, dtype=np.int16)
    for i in range(rows):
        for k in range(cols):
            z = zone[i, k]
            east = gradient_east[i, k]
            north = gradient_north[i, k]
            for di in range(2):
                for dk in range(-1, 2):
                    if di == 0 and dk < 1:
                        continue
                    if i + di >= rows or k + dk < 0 or k + dk >= cols:
                        continue
                    if (
                        zone[i + di, k + dk] != z
                        or abs(gradient_east[i + di, k + dk] - east) > 1e-6
                        or abs(gradient_north[i + di, k + dk] - north) > 1e-6
                    ):
                        reach[i, k] = 0
                        reach[i + di, k + dk] = 0
    for i in range(rows):
        for k in range(cols):
            best = reach[i, k]
            if i > 0:
                for dk in range(-1, 2):
                    if 0 <= k + dk < cols:
                        best = min(best, np.int16(reach[i - 1, k + dk] + 1))
            if k > 0:
                best = min(best, np.int16(reach[i, k - 1] + 1))
            reach[i, k] = best
    for i in range(rows - 1, -1, -1):
        for k in range(cols - 1, -1, -1):
            best = reach[i, k]
            if i < rows - 1:
                for dk in range(-1, 2):
                    if 0 <= k + dk < cols:
                        best = min(best, np.int16(reach[i + 1, k + dk] + 1))
            if k < cols - 1:
                best = min(best, np.int16(reach[i, k + 1] + 1))
            reach[i, k] = best
    return reach


@njit(cache=True, nogil=True)
def cell_ellipse(f: Field, cell: int, step: int) -> tuple[float, float, float]:
    """Slowness (s per cell) and drift (s per cell, in grid axes) of a cell in a weather step."""
    if f.stamp[cell] != step:
        z = f.zone[cell]
        head, e, east, north = local_ellipse(
            f.flat_head[step, z],
            f.wind_east[step, z],
            f.wind_north[step, z],
            f.gradient_east[cell],
            f.gradient_north[cell],
            f.ratios[f.shape[z]],
        )
        slowness = f.cell_m / (head * (1.0 - e))
        drift = f.sign * e * slowness
        f.slowness[cell] = slowness
        f.drift_x[cell] = drift * east
        f.drift_y[cell] = -drift * north
        f.stamp[cell] = step
    return (1.0 * f.slowness[cell]), (1.0 * f.drift_x[cell]), (1.0 * f.drift_y[cell])


@njit(cache=True, nogil=True)
def _in_sight(f: Field, x0: float, y0: float, x1: float, y1: float) -> bool:
    """Whether the straight line between two points crosses burnable cells only."""
    length = math.hypot(x1 - x0, y1 - y0)
    ux = 0.0
    uy = 0.0
    if length > 1e-9:
        ux = (x1 - x0) / length
        uy = (y1 - y0) / length
    ix = math.floor(x0 + 1e-7 * ux + 0.5)
    iy = math.floor(y0 + 1e-7 * uy + 0.5)
    t = 0.0
    while True:
        if ix < 0 or iy < 0 or ix >= f.cols or iy >= f.rows:
            return False
        cell = iy * f.cols + ix
        if f.zone[cell] < 0:
            return False
        box = f.alike[cell] + 0.5
        end = length
        if ux > 1e-12:
            end = min(end, (ix + box - x0) / ux)
        elif ux < -1e-12:
            end = min(end, (ix - box - x0) / ux)
        if uy > 1e-12:
            end = min(end, (iy + box - y0) / uy)
        elif uy < -1e-12:
            end = min(end, (iy - box - y0) / uy)
        t = max(end, t + 1e-7)
        if t >= length - 1e-6:
            return True
        next_x = math.floor(x0 + ux * (t + 1e-7) + 0.5)
        next_y = math.floor(y0 + uy * (t + 1e-7) + 0.5)
        if (
            next_x != ix
            and next_y != iy
            and 0 <= next_x < f.cols
            and 0 <= next_y < f.rows
            and f.zone[iy * f.cols + next_x] < 0
            and f.zone[next_y * f.cols + ix] < 0
        ):
            return False
        ix = next_x
        iy = next_y


@njit(cache=True, nogil=True)
def _bent(
    f: Field,
    parts: NDArray[np.float64],
    crossed: int,
    ax: float,
    ay: float,
    a_step: int,
    x: float,
    y: float,
    ray_x: float,
    ray_y: float,
) -> tuple[bool, float, float, float, int, float, float]:
    """Earliest time over `crossed` weather steps, with the slowness square to the front kept across them.

    `parts` rows: duration, slowness, drift x, drift y of each step on the way (last: unknown duration). Maximises the
    concave dual over the direction of the last part; every direction gives a time at or before the true one.
    Returns success, time, last direction, steps really crossed and the last bend.
    """
    n = crossed
    dx = x - ax
    dy = y - ay
    ux = ray_x
    uy = ray_y
    for j in range(n):
        p = 1.0 / parts[1, j]
        e2 = (parts[2, j] * parts[2, j] + parts[3, j] * parts[3, j]) * p * p
        a = p / (1.0 - e2)
        parts[4, j] = p * a
        parts[5, j] = a * p * parts[2, j]
        parts[6, j] = a * p * parts[3, j]
        parts[7, j] = a * a * p * a
    while n > 0:
        s = parts[1, n]
        sx = parts[2, n]
        sy = parts[3, n]
        converged = False
        bx = 0.0
        by = 0.0
        value = 0.0
        for _ in range(20):
            lx = ux * s - sx
            ly = uy * s - sy
            turn = s * (lx * ux + ly * uy)
            bx = 0.0
            by = 0.0
            bend = 0.0
            for j in range(n):
                cl = parts[5, j] * lx + parts[6, j] * ly
                mx = parts[4, j] * lx + parts[5, j] * cl
                my = parts[4, j] * ly + parts[6, j] * cl
                q = math.sqrt(mx * lx + my * ly)
                over = 1.0 / q
                bx += parts[0, j] * (parts[5, j] + mx * over)
                by += parts[0, j] * (parts[6, j] + my * over)
                bend += parts[0, j] * parts[7, j] * over * over * over
            rx = dx - bx
            ry = dy - by
            value = lx * rx + ly * ry
            slope = s * (ux * ry - uy * rx)
            curve = -s * (ux * rx + uy * ry) - bend * turn * turn
            change = -slope / curve if curve < 0.0 else math.copysign(0.3, slope)
            change = min(max(change, -0.5), 0.5)
            nx = ux - change * uy
            ny = uy + change * ux
            norm = 1.0 / math.sqrt(nx * nx + ny * ny)
            ux = nx * norm
            uy = ny * norm
            if abs(change) < 1e-5:
                converged = True
                break
        if not converged:
            return False, 0.0, ux, uy, n, 0.0, 0.0
        if value >= 0.0:
            return True, f.step_s[a_step + n] + value, ux, uy, n, ax + bx, ay + by
        n -= 1
        if n > 0:
            # the direction of the step before, from the slowness that is kept
            lx = ux * s - sx + parts[2, n]
            ly = uy * s - sy + parts[3, n]
            norm = math.hypot(lx, ly)
            if norm > 0.0:
                ux = lx / norm
                uy = ly / norm
    return False, 0.0, ux, uy, 0, 0.0, 0.0


@njit(cache=True, nogil=True)
def _bends_in_sight(
    f: Field,
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
    lx = ray_x * parts[1, n] - parts[2, n]
    ly = ray_y * parts[1, n] - parts[3, n]
    px = ax
    py = ay
    for j in range(n):
        cl = parts[5, j] * lx + parts[6, j] * ly
        mx = parts[4, j] * lx + parts[5, j] * cl
        my = parts[4, j] * ly + parts[6, j] * cl
        over = 1.0 / math.sqrt(mx * lx + my * ly)
        qx = px + parts[0, j] * (parts[5, j] + mx * over)
        qy = py + parts[0, j] * (parts[6, j] + my * over)
        if not _in_sight(f, px, py, qx, qy):
            return False
        px = qx
        py = qy
    return _in_sight(f, px, py, x, y)


@njit(cache=True, nogil=True)
def leg(
    f: Field,
    parts: NDArray[np.float64],
    ax: float,
    ay: float,
    a_time: float,
    a_step: int,
    col: int,
    row: int,
) -> Leg:
    """Follow a leg from an anchor to the centre of a cell."""
    x = float(col)
    y = float(row)
    length = math.sqrt((x - ax) * (x - ax) + (y - ay) * (y - ay))
    if length < 1e-9:
        if f.zone[row * f.cols + col] < 0:
            return Leg(np.inf, 0.0, 0.0, ax, ay, a_time, a_step)
        return Leg(a_time, 0.0, 0.0, ax, ay, a_time, a_step)
    ux = (x - ax) / length
    uy = (y - ay) / length
    x0 = ax
    y0 = ay
    time = a_time
    step = a_step
    step_end = f.step_s[step + 1]
    begun = a_time
    ix = math.floor(x0 + 1e-7 * ux + 0.5)
    iy = math.floor(y0 + 1e-7 * uy + 0.5)
    t = 0.0
    pieces = 0
    crossed = 0
    same = True
    first = -1.0
    part_length = 0.0
    part_s = 0.0
    part_x = 0.0
    part_y = 0.0
    half_x = ax
    half_y = ay
    half_time = a_time
    half_done = False
    cross_x = ax
    cross_y = ay
    while True:
        cell = iy * f.cols + ix
        if f.zone[cell] < 0:
            return Leg(np.inf, 0.0, 0.0, ax, ay, a_time, a_step)
        reach = f.alike[cell]
        box = reach + 0.5
        end = length
        if ux > 1e-12:
            end = min(end, (ix + box - x0) / ux)
        elif ux < -1e-12:
            end = min(end, (ix - box - x0) / ux)
        if uy > 1e-12:
            end = min(end, (iy + box - y0) / uy)
        elif uy < -1e-12:
            end = min(end, (iy - box - y0) / uy)
        end = max(end, t)
        s, sx, sy = cell_ellipse(f, cell, step)
        pace = s - sx * ux - sy * uy
        if first < 0.0:
            first = pace
        elif abs(pace - first) > ALIKE * first:
            same = False
        while time + (end - t) * pace > step_end:
            done = max((step_end - time) / pace, 0.0)
            part_length += done
            part_s += done * s
            part_x += done * sx
            part_y += done * sy
            t += done
            time = step_end
            cross_x = x0 + ux * t
            cross_y = y0 + uy * t
            if crossed == LEG_STEPS or step_end <= begun:
                # too many steps for one leg (or none of this one's time): go on from here
                ax = cross_x
                ay = cross_y
                a_time = step_end
                a_step = step + 1
                crossed = 0
            else:
                parts[0, crossed] = step_end - begun
                if part_length > 1e-12:
                    parts[1, crossed] = part_s / part_length
                    parts[2, crossed] = part_x / part_length
                    parts[3, crossed] = part_y / part_length
                else:
                    parts[1, crossed] = s
                    parts[2, crossed] = sx
                    parts[3, crossed] = sy
                crossed += 1
            begun = step_end
            part_length = 0.0
            part_s = 0.0
            part_x = 0.0
            part_y = 0.0
            step += 1
            step_end = f.step_s[step + 1]
            s, sx, sy = cell_ellipse(f, cell, step)
            pace = s - sx * ux - sy * uy
            first = pace
        ahead = end - t
        part_length += ahead
        part_s += ahead * s
        part_x += ahead * sx
        part_y += ahead * sy
        time += ahead * pace
        t = end
        pieces += 1
        if not half_done and t >= 0.5 * length:
            half_done = True
            half_x = x0 + ux * t
            half_y = y0 + uy * t
            half_time = time
        if t >= length - 1e-6:
            break
        next_x = math.floor(x0 + ux * (t + 1e-7) + 0.5)
        next_y = math.floor(y0 + uy * (t + 1e-7) + 0.5)
        if next_x != ix and next_y != iy and f.zone[iy * f.cols + next_x] < 0 and f.zone[next_y * f.cols + ix] < 0:
            return Leg(np.inf, 0.0, 0.0, ax, ay, a_time, a_step)
        if next_x == ix and next_y == iy:
            t += 1e-7
        ix = next_x
        iy = next_y

    if crossed == 0:
        if same or pieces <= LEG_PIECES or step != a_step:
            return Leg(time, ux, uy, ax, ay, a_time, a_step)
        return Leg(time, ux, uy, half_x, half_y, half_time, a_step)

    if same or length <= LEG_PIECES + 1:
        if part_length > 1e-12:
            parts[1, crossed] = part_s / part_length
            parts[2, crossed] = part_x / part_length
            parts[3, crossed] = part_y / part_length
        else:
            parts[1, crossed] = s
            parts[2, crossed] = sx
            parts[3, crossed] = sy
        good, bent_time, ray_x, ray_y, n, bend_x, bend_y = _bent(f, parts, crossed, ax, ay, a_step, x, y, ux, uy)
        if good and bent_time <= time and (not f.barriers or _bends_in_sight(f, parts, n, ax, ay, x, y, ray_x, ray_y)):
            inside = -0.5 < bend_x < f.cols - 0.5 and -0.5 < bend_y < f.rows - 0.5
            if inside and ((not same and pieces > LEG_PIECES) or n >= LEG_STEPS):
                return Leg(bent_time, ray_x, ray_y, bend_x, bend_y, f.step_s[a_step + n], a_step + n)
            return Leg(bent_time, ray_x, ray_y, ax, ay, a_time, a_step)
    return Leg(time, ux, uy, cross_x, cross_y, f.step_s[step], step)


@njit(cache=True, nogil=True)
def _lift(labels: Labels, at: int) -> None:
    """Move a heap entry towards the top."""
    key = labels.heap_key[at]
    cell = labels.heap_cell[at]
    while at > 0:
        above = (at - 1) >> 1
        if labels.heap_key[above] <= key:
            break
        labels.heap_key[at] = labels.heap_key[above]
        labels.heap_cell[at] = labels.heap_cell[above]
        labels.place[labels.heap_cell[at]] = at
        at = above
    labels.heap_key[at] = key
    labels.heap_cell[at] = cell
    labels.place[cell] = at


@njit(cache=True, nogil=True)
def _take_first(labels: Labels) -> int:
    """Take the earliest cell off the heap."""
    first = int(labels.heap_cell[0]) + 0
    labels.place[first] = -1
    size = labels.heap_size[0] - 1
    labels.heap_size[0] = size
    if size > 0:
        key = labels.heap_key[size]
        cell = labels.heap_cell[size]
        at = 0
        while True:
            below = 2 * at + 1
            if below >= size:
                break
            if below + 1 < size and labels.heap_key[below + 1] < labels.heap_key[below]:
                below += 1
            if labels.heap_key[below] >= key:
                break
            labels.heap_key[at] = labels.heap_key[below]
            labels.heap_cell[at] = labels.heap_cell[below]
            labels.place[labels.heap_cell[at]] = at
            at = below
        labels.heap_key[at] = key
        labels.heap_cell[at] = cell
        labels.place[cell] = at
    return first


@njit(cache=True, nogil=True)
def _accept(f: Field, labels: Labels, cell: int, new: Leg) -> None:
    """Write a better leg and put the cell in the heap."""
    row = cell // f.cols
    col = cell - row * f.cols
    labels.time[cell] = new.time
    labels.anchor_x[cell] = new.anchor_x - col
    labels.anchor_y[cell] = new.anchor_y - row
    labels.anchor_time[cell] = new.anchor_time
    labels.anchor_step[cell] = new.anchor_step
    labels.ray_x[cell] = new.ray_x
    labels.ray_y[cell] = new.ray_y
    at = labels.place[cell]
    if at < 0:
        at = labels.heap_size[0]
        labels.heap_size[0] = at + 1
        labels.heap_cell[at] = cell
    labels.heap_key[at] = new.time
    _lift(labels, at)


@njit(cache=True, nogil=True)
def seed(
    f: Field,
    labels: Labels,
    seed_x: NDArray[np.float64],
    seed_y: NDArray[np.float64],
    seed_time: NDArray[np.float64],
    horizon: float,
) -> None:
    """Offer every ignition point to the cells around it."""
    parts = np.empty((8, LEG_STEPS + 1))
    for i in range(seed_x.size):
        step = int(np.searchsorted(f.step_s, seed_time[i], side="right")) - 1
        col0 = math.floor(seed_x[i] + 0.5)
        row0 = math.floor(seed_y[i] + 0.5)
        for row in range(max(row0 - SEED_REACH, 0), min(row0 + SEED_REACH + 1, f.rows)):
            for col in range(max(col0 - SEED_REACH, 0), min(col0 + SEED_REACH + 1, f.cols)):
                cell = row * f.cols + col
                if f.zone[cell] < 0:
                    continue
                new = leg(f, parts, seed_x[i], seed_y[i], seed_time[i], step, col, row)
                if new.time < labels.time[cell] and new.time <= horizon:
                    _accept(f, labels, cell, new)


@njit(cache=True, nogil=True)
def sweep(f: Field, labels: Labels, horizon: float) -> int:
    """Settle cells in order of time until none is left within the horizon; return how many settlings it took."""
    parts = np.empty((8, LEG_STEPS + 1))
    settled = 0
    while labels.heap_size[0] > 0:
        cell = _take_first(labels)
        settled += 1
        row = cell // f.cols
        col = cell - row * f.cols
        time = labels.time[cell]
        ax = 1.0 * labels.anchor_x[cell]
        ay = 1.0 * labels.anchor_y[cell]
        a_time = labels.anchor_time[cell]
        a_step = int(labels.anchor_step[cell]) + 0  # the sum widens it in compiled code
        ux = 1.0 * labels.ray_x[cell]
        uy = 1.0 * labels.ray_y[cell]
        run = math.sqrt(ax * ax + ay * ay)
        step = a_step
        while time >= f.step_s[step + 1]:
            step += 1
        s0, x0, y0 = cell_ellipse(f, cell, step)
        for dr in range(-1, 2):
            if row + dr < 0 or row + dr >= f.rows:
                continue
            for dc in range(-1, 2):
                if (dr == 0 and dc == 0) or col + dc < 0 or col + dc >= f.cols:
                    continue
                other = cell + dr * f.cols + dc
                if f.zone[other] < 0:
                    continue
                known = labels.time[other]
                s1, x1, y1 = cell_ellipse(f, other, step)
                s = 0.5 * (s0 + s1)
                drift = 0.5 * ((x0 + x1) * dc + (y0 + y1) * dr)
                hop = 1.0 if dr == 0 or dc == 0 else 1.4142135623730951
                fromx = dc + ux * run
                fromy = dr + uy * run
                guess = time + (math.sqrt(fromx * fromx + fromy * fromy) - run) * s - drift
                small = 1e-6 * hop * s
                if guess >= known - small:
                    continue
                new = leg(f, parts, col + ax, row + ay, a_time, a_step, col + dc, row + dr)
                bend_guess = time + hop * s - drift
                if new.time > bend_guess + small and bend_guess < known - small:
                    bend = leg(f, parts, float(col), float(row), time, step, col + dc, row + dr)
                    if bend.time < new.time - small:
                        new = bend
                if new.time < known - small and new.time <= horizon:
                    _accept(f, labels, other, new)
    return settled


@njit(cache=True, nogil=True)
def slowness_vectors(f: Field, labels: Labels) -> None:
    """Replace each cell's last direction by the slowness vector of the front there (s per cell, grid axes)."""
    for cell in range(f.rows * f.cols):
        time = labels.time[cell]
        if not time < np.inf:
            labels.ray_x[cell] = 0.0
            labels.ray_y[cell] = 0.0
            continue
        step = int(labels.anchor_step[cell]) + 0  # the sum widens it in compiled code
        while time >= f.step_s[step + 1]:
            step += 1
        s, sx, sy = cell_ellipse(f, cell, step)
        ux = 1.0 * labels.ray_x[cell]
        uy = 1.0 * labels.ray_y[cell]
        if ux == 0.0 and uy == 0.0:
            drift = math.sqrt(sx * sx + sy * sy)
            ux = sx / drift if drift > 0.0 else 1.0
            uy = sy / drift if drift > 0.0 else 0.0
        labels.ray_x[cell] = ux * s - sx
        labels.ray_y[cell] = uy * s - sy
