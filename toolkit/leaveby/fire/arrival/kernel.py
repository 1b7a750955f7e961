"""The compiled heart of the arrival solver: legs, settled in order of time.

Every cell carries the leg by which the fire reached it: an anchor (any point, not only a cell's centre), the time at
the anchor, and the direction in which the fire ran last. A settled cell offers its eight neighbours its own anchor,
and, where that is faster, itself, a place on the edge between two fuels, or a corner as a new anchor. Before
it does, its anchor is moved to where it is best, so that legs follow the fire's bent path (`arrival_bends`).

The ellipse makes the order of settling acausal near a needle-shaped head: a cell that improves is settled again.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.arrival.bends import polish, retrace
from leaveby.fire.arrival.edges import (
    by_corner,
    contrast,
    crossing,
    leg_over,
    near_edge,
    on_edge,
    round_corner,
    round_fuel,
)
from leaveby.fire.arrival.leg import (
    ELLIPSE,
    LEG_STEPS,
    RECENT,
    Cells,
    Leg,
    cell_ellipse,
    follow_leg,
)
from leaveby.fire.spread.ellipse import compiled, inlined

SEED_REACH: Final = 2  # cells around an ignition point that it is offered to
TURN_SLACK: Final = 1e-3  # how much later a leg that turns at an edge may be and still be kept, cells' time
REOPEN_GAIN: Final = 1e-5  # least gain that opens a settled cell again, share of the time without drift
COARSE_GAIN: Final = 1e-3  # the same, for coarse legs
OFFER_GAIN: Final = 1e-3  # least promise for which an unsettled cell is offered a leg, the same share


FRONT: Final = np.dtype(
    [
        ("time", np.float64),
        ("anchor_time", np.float64),
        ("anchor_x", np.float64),
        ("anchor_y", np.float64),
        ("ray_x", np.float32),  # direction of the last part of the leg
        ("ray_y", np.float32),
        ("run", np.float32),  # distance from which the front here seems to come
        ("before_x", np.float32),  # the anchor before, relative to the anchor
        ("before_y", np.float32),
        ("before_s", np.float32),  # time from there to the anchor
        ("seed", np.int32),  # the ignition point that is the anchor, or -1
        ("anchor_step", np.int16),
        ("settled", np.int8),
    ],
    align=True,
)
"""How the fire came to one cell."""

Fronts = NDArray[Any]


@compiled
def _put(keys: NDArray[np.float64], heap: NDArray[np.int32], size: int, key: float, cell: int) -> None:
    """Put a cell into a heap of some size that has room for it."""
    at = size
    while at > 0:
        above = (at - 1) >> 2
        if keys[above] <= key:
            break
        keys[at] = keys[above]
        heap[at] = heap[above]
        at = above
    keys[at] = key
    heap[at] = cell


@compiled
def _close_gap(keys: NDArray[np.float64], heap: NDArray[np.int32], size: int) -> None:
    """Set the heap right after its first entry was taken; `size` is what is left, the last entry moves up."""
    key = keys[size]
    cell = heap[size]
    at = 0
    while True:
        first = 4 * at + 1
        if first >= size:
            break
        least = first
        for other in range(first + 1, min(first + 4, size)):
            if keys[other] < keys[least]:
                least = other
        if keys[least] >= key:
            break
        keys[at] = keys[least]
        heap[at] = heap[least]
        at = least
    keys[at] = key
    heap[at] = cell


@inlined
def _write(here: Any, new: Leg, before_x: float, before_y: float, before_time: float, seed: int) -> None:
    """Write a better leg into a cell, with the anchor before its anchor, and the ignition point that is its anchor."""
    here["seed"] = seed
    here["before_x"] = before_x - new.anchor_x
    here["before_y"] = before_y - new.anchor_y
    here["before_s"] = new.anchor_time - before_time
    here["time"] = new.time
    here["anchor_x"] = new.anchor_x
    here["anchor_y"] = new.anchor_y
    here["anchor_time"] = new.anchor_time
    here["anchor_step"] = new.anchor_step
    here["ray_x"] = new.ray_x
    here["ray_y"] = new.ray_y
    here["run"] = new.run
    here["settled"] = 0


@compiled
def _drop_stale(fronts: Fronts, keys: NDArray[np.float64], heap: NDArray[np.int32], size: int) -> int:
    """Rebuild a full heap without the entries that a better leg has replaced; at most one a cell stays."""
    kept = 0
    for i in range(size):
        key = keys[i]
        cell = heap[i]
        if fronts[cell]["settled"] == 0 and key == fronts[cell]["time"]:
            _put(keys, heap, kept, key, cell)
            kept += 1
    return kept


@compiled
def _slide_seed(
    cells: Cells,
    rows: int,
    cols: int,
    recent: Cells,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    parts: NDArray[np.float64],
    fronts: Fronts,
    cell: int,
    seed_x: NDArray[np.float64],
    seed_y: NDArray[np.float64],
    seed_time: NDArray[np.float64],
) -> None:
    """Start the leg to a cell from a better place of the line or perimeter that burns first.

    The ignition points along a line follow one another, and the time to a cell has one least place along a straight
    line; a neighbour's best point is near this cell's. Narrow ellipses need it: their heads are narrower than a cell.
    """
    here = fronts[cell]
    row = cell // cols
    col = cell - row * cols
    for way in range(-1, 2, 2):
        stride = 1
        while True:
            i = here["seed"] + way * stride
            if i < 0 or i >= seed_x.size or here["seed"] < 0:
                break
            step = 0
            while seed_time[i] >= step_s[step + 1]:
                step += 1
            new = follow_leg(
                cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                seed_x[i], seed_y[i], seed_time[i], step, 1.0 * col, 1.0 * row, 0.0, 0.0,
            )  # fmt: skip
            if new.time < here["time"] - 1e-9:
                _write(here, new, seed_x[i], seed_y[i], seed_time[i], i if new.anchor_time == seed_time[i] else -1)
                stride *= 2
            elif stride > 1:
                stride = 1
            else:
                break


@compiled
def _burn(
    cells: Cells,
    fronts: Fronts,
    rows: int,
    cols: int,
    keys: NDArray[np.float64],
    heap: NDArray[np.int32],
    recent: Cells,
    parts: NDArray[np.float64],
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    barriers: bool,
    seed_x: NDArray[np.float64],
    seed_y: NDArray[np.float64],
    seed_time: NDArray[np.float64],
    horizon: float,
    fine: bool,
) -> None:
    size = 0
    for i in range(seed_x.size):
        step = 0
        while seed_time[i] >= step_s[step + 1]:
            step += 1
        col0 = math.floor(seed_x[i] + 0.5)
        row0 = math.floor(seed_y[i] + 0.5)
        for row in range(max(row0 - SEED_REACH, 0), min(row0 + SEED_REACH + 1, rows)):
            for col in range(max(col0 - SEED_REACH, 0), min(col0 + SEED_REACH + 1, cols)):
                cell = row * cols + col
                # over an edge between fuels the seed's own cell hands the fire on
                if cells[cell]["zone"] != cells[row0 * cols + col0]["zone"] or fronts[cell]["time"] <= seed_time[i]:
                    continue
                new = follow_leg(
                    cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                    seed_x[i], seed_y[i], seed_time[i], step, 1.0 * col, 1.0 * row, 0.0, 0.0,
                )  # fmt: skip
                if new.time < fronts[cell]["time"] and new.time <= horizon:
                    seed = i if new.anchor_time == seed_time[i] else -1
                    _write(fronts[cell], new, seed_x[i], seed_y[i], seed_time[i], seed)
                    if size == heap.size:
                        size = _drop_stale(fronts, keys, heap, size)
                    _put(keys, heap, size, new.time, cell)
                    size += 1

    settled = 0
    gain = REOPEN_GAIN if fine else COARSE_GAIN
    patience = 4 * rows * cols
    while size > 0:
        key = keys[0]
        cell = int(heap[0]) + 0
        size -= 1
        if size > 0:
            _close_gap(keys, heap, size)
        if key > fronts[cell]["time"]:
            continue  # it came off earlier, by a better leg
        if fronts[cell]["seed"] >= 0 and seed_x.size > 1:
            _slide_seed(
                cells, rows, cols, recent, weather, ratios, step_s, barriers, parts, fronts, cell,
                seed_x, seed_y, seed_time,
            )  # fmt: skip
        settled += 1
        if settled > patience:
            # never seen; it makes sure that this ends
            gain *= 10.0
            patience += 4 * rows * cols
        row = cell // cols
        col = cell - row * cols
        zone = cells[cell]["zone"]
        here = fronts[cell]
        here["settled"] = 1
        time = here["time"]
        ax = here["anchor_x"]
        ay = here["anchor_y"]
        a_time = here["anchor_time"]
        a_step = here["anchor_step"] + 0
        ux = 1.0 * here["ray_x"]
        uy = 1.0 * here["ray_y"]
        run = 1.0 * here["run"]
        step = a_step
        while time >= step_s[step + 1]:
            step += 1
        s0, x0, y0 = cell_ellipse(cells, recent, weather, ratios, cell, step)
        old_x = ax + here["before_x"]
        old_y = ay + here["before_y"]
        old_time = a_time - here["before_s"]
        by_edge = cells[cell]["edge"] > 0
        # the time before is known to a float32 only
        old_step = a_step
        while old_step > 0 and old_time < step_s[old_step] - 0.01:
            old_step -= 1
        # of coarse legs every fifth one is enough: what one gains is handed on
        if fine or (old_time < a_time and (row + 2 * col) % 5 == 0):
            bend = polish(
                cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                old_x, old_y, old_time, old_step, ax, ay, a_time, a_step, step,
                1.0 * col, 1.0 * row, time, s0, fine and by_edge,
            )  # fmt: skip
            if bend.leg.time < time:
                old_x = bend.before_x
                old_y = bend.before_y
                old_time = bend.before_time
                old_step = bend.before_step
                _write(here, bend.leg, old_x, old_y, old_time, -1)
                here["settled"] = 1
                time = bend.leg.time
                ax = bend.leg.anchor_x
                ay = bend.leg.anchor_y
                a_time = bend.leg.anchor_time
                a_step = bend.leg.anchor_step
                ux = bend.leg.ray_x
                uy = bend.leg.ray_y
                run = bend.leg.run
                if time < step_s[step]:
                    # sooner than the change of weather
                    step = a_step
                    while time >= step_s[step + 1]:
                        step += 1
                    s0, x0, y0 = cell_ellipse(cells, recent, weather, ratios, cell, step)
        for dr in range(-1, 2):
            if row + dr < 0 or row + dr >= rows:
                continue
            for dc in range(-1, 2):
                if (dr == 0 and dc == 0) or col + dc < 0 or col + dc >= cols:
                    continue
                other = cell + dr * cols + dc
                if cells[other]["zone"] < 0:
                    continue
                there = fronts[other]
                known = there["time"]
                if known <= step_s[step]:
                    continue  # what burnt before this weather does not depend on it
                s1, x1, y1 = cell_ellipse(cells, recent, weather, ratios, other, step)
                s = 0.5 * (s0 + s1)
                drift = 0.5 * ((x0 + x1) * dc + (y0 + y1) * dr)
                from_x = dc + ux * run
                from_y = dr + uy * run
                guess = time + (math.sqrt(from_x * from_x + from_y * from_y) - run) * s - drift
                hop = 1.0 if dr == 0 or dc == 0 else 1.4142135623730951
                # a settled cell is opened again for a real gain only
                small = (gain if there["settled"] > 0 else OFFER_GAIN) * hop * s
                edge = False
                if by_edge and known > time:
                    if hop == 1.0:
                        edge = contrast(weather, step, zone, cells[other]["zone"])
                    else:
                        beside = cells[cell + dc]["zone"]
                        below = cells[cell + dr * cols]["zone"]
                        edge = (contrast(weather, step, zone, beside) or contrast(weather, step, zone, below)) and min(
                            beside, below
                        ) >= 0
                # what arrives after a change of weather can't be told from the weather before it
                step_end = step_s[step + 1]
                enough = known - small if known <= step_end else max(known - small, step_end)
                direct = guess < enough or min(guess, known) >= step_end
                if not (direct or edge):
                    continue
                before_x = old_x
                before_y = old_y
                before_time = old_time
                new = Leg(np.inf, 0.0, 0.0, 0.0, ax, ay, a_time, a_step)
                if direct:
                    new = follow_leg(
                        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                        ax, ay, a_time, a_step, 1.0 * (col + dc), 1.0 * (row + dr), ux * s0 - x0, uy * s0 - y0,
                    )  # fmt: skip
                if new.anchor_time > a_time:
                    before_x = ax
                    before_y = ay
                    before_time = a_time
                if direct and new.time == np.inf:
                    new = round_corner(
                        cells, rows, cols, recent, weather, ratios, step_s, parts,
                        col, row, ax, ay, a_time, a_step, 1.0 * (col + dc), 1.0 * (row + dr),
                    )  # fmt: skip
                    before_x = ax
                    before_y = ay
                    before_time = a_time
                turn_guess = time + hop * s - drift
                if (new.time > turn_guess + small and turn_guess < enough) or min(turn_guess, known) > step_end:
                    turn = follow_leg(
                        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                        1.0 * col, 1.0 * row, time, step, 1.0 * (col + dc), 1.0 * (row + dr), 0.0, 0.0,
                    )  # fmt: skip
                    if turn.time < new.time - small:
                        new = turn
                        before_x = ax
                        before_y = ay
                        before_time = a_time
                        if by_edge:
                            over = round_fuel(
                                cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                                col, row, ax, ay, a_time, a_step, step, 1.0 * (col + dc), 1.0 * (row + dr), turn.time,
                            )  # fmt: skip
                            if over.time < turn.time:
                                new = over
                if edge:
                    upright, level = on_edge(cells, rows, cols, weather, step, there["anchor_x"], there["anchor_y"])
                    if there["settled"] == 0 and not (upright or level):
                        # as soon, but over the edge: what lies behind is better reached from there
                        enough = known + TURN_SLACK * s
                    for later in range(2):
                        # what arrives after a change of weather may cross where that one favours it
                        s2, x2, y2 = s1, x1, y1
                        if later == 1:
                            s2, x2, y2 = cell_ellipse(cells, recent, weather, ratios, other, step + 1)
                        over_x, over_y, after = crossing(ux * run, uy * run, run, s0, x0, y0, s2, x2, y2, dc, dr)
                        over_x += col
                        over_y += row
                        if hop > 1.0:
                            over_x, over_y = by_corner(
                                cells, rows, cols, weather, step, over_x, over_y, 1.0 * col, 1.0 * row
                            )
                        limit = min(enough, new.time + TURN_SLACK * s)
                        untold = min(time + after, known) > step_end
                        if time + after < limit or (untold and time < limit):
                            over = leg_over(
                                cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                                ax, ay, a_time, a_step, over_x, over_y,
                                1.0 * (col + dc), 1.0 * (row + dr), limit,
                            )  # fmt: skip
                            if over.time < limit:
                                new = over
                                before_x = ax
                                before_y = ay
                                before_time = a_time
                        if not (fine and untold) or hop > 1.0:
                            break
                if (
                    fine
                    and by_edge
                    and new.time < enough
                    and a_time < new.anchor_time
                    and old_time < a_time
                    and new.anchor_time != time
                    and near_edge(cells, rows, cols, ax, ay)
                ):
                    bend = retrace(
                        cells, rows, cols, recent, weather, ratios, step_s, barriers, parts,
                        old_x, old_y, old_time, old_step, ax, ay, a_time, a_step, step,
                        new, 1.0 * (col + dc), 1.0 * (row + dr), s0,
                    )  # fmt: skip
                    if bend.leg.time < new.time:
                        new = bend.leg
                        before_x = bend.before_x
                        before_y = bend.before_y
                        before_time = bend.before_time
                if new.time < enough and new.time <= horizon:
                    same = new.anchor_time == a_time and new.anchor_x == ax and new.anchor_y == ay
                    _write(there, new, before_x, before_y, before_time, here["seed"] if same else -1)
                    if size == heap.size:
                        size = _drop_stale(fronts, keys, heap, size)
                    _put(keys, heap, size, new.time, other)
                    size += 1

    for cell in range(rows * cols):
        here = fronts[cell]
        time = here["time"]
        if not time < np.inf:
            continue
        step = here["anchor_step"] + 0
        while time >= step_s[step + 1]:
            step += 1
        s, sx, sy = cell_ellipse(cells, recent, weather, ratios, cell, step)
        ux = 1.0 * here["ray_x"]
        uy = 1.0 * here["ray_y"]
        if ux == 0.0 and uy == 0.0:
            drift = math.sqrt(sx * sx + sy * sy)
            ux = sx / drift if drift > 0.0 else 1.0
            uy = sy / drift if drift > 0.0 else 0.0
        here["ray_x"] = ux * s - sx
        here["ray_y"] = uy * s - sy


def burn(
    cells: Cells,
    *,
    weather: NDArray[np.float64],
    ratios: NDArray[np.float64],
    step_s: NDArray[np.float64],
    seed_x: NDArray[np.float64],
    seed_y: NDArray[np.float64],
    seed_time: NDArray[np.float64],
    horizon: float,
    fine: bool = True,
) -> Fronts:
    """Let fire run over the cells from the ignition points on, and give how it came to each.

    Parameters
    ----------
    cells : ndarray of `CELL`, shape (rows, cols)
        The ellipses kept in them change.
    weather : ndarray of float64, shape (steps, zones, 5)
        Flat head rate of spread (m/s), wind east and north (m/s), row of `ratios`, and the cell size (m), negative
        to follow fire backwards.
    ratios : ndarray of float64
        As `shape_table`.
    step_s : ndarray of float64, shape (steps,)
        Starts of the weather steps; no seed lies before the first.
    seed_x, seed_y, seed_time : ndarray of float64
        Ignition points (cells) on burnable cells, and their times (s).
    horizon : float
        Later times are left out.
    fine : bool
        Bend legs at the edges of fuels as far as that gains; without it legs are coarser, and a third quicker to find.

    Returns
    -------
    ndarray of `FRONT`, shape (rows, cols)
        `time` is inf where fire did not come; `ray_x` and `ray_y` of reached cells hold the slowness vector of the
        front (s per cell).

    Examples
    --------
    >>> flat = np.zeros((3, 3), dtype=np.float32)
    >>> from leaveby.fire.arrival.leg import make_cells
    >>> cells = make_cells(np.zeros((3, 3), dtype=np.int32), flat, flat)
    >>> one, weather = np.ones(1), np.array([[[0.5, 0.0, 0.0, 0.0, 30.0]]])
    >>> fronts = burn(cells, weather=weather, ratios=np.ones((1, 12801)), step_s=0 * one, seed_x=0 * one,
    ...               seed_y=0 * one, seed_time=0 * one, horizon=1e9)
    >>> fronts["time"][0]
    array([  0.,  60., 120.])
    """
    rows, cols = cells.shape
    recent = np.zeros(RECENT, dtype=ELLIPSE)
    recent["key"] = -1
    fronts = np.zeros(cells.shape, dtype=FRONT)
    fronts["time"] = np.inf
    _burn(
        cells.reshape(rows * cols),
        fronts.reshape(rows * cols),
        rows,
        cols,
        np.empty(rows * cols + 1),
        np.empty(rows * cols + 1, dtype=np.int32),
        recent,
        np.empty((LEG_STEPS + 1, 8)),
        np.ascontiguousarray(weather),
        np.array(ratios),
        np.append(step_s, np.inf),
        bool((cells["zone"] < 0).any()),
        np.array(seed_x),
        np.array(seed_y),
        np.array(seed_time),
        float(horizon),
        fine,
    )
    return fronts
