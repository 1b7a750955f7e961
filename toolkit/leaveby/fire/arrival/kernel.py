"""The compiled heart of the arrival solver: legs, settled in order of time.

Every cell carries the leg by which the fire reached it: an anchor (any point, not only a cell's centre), the time at
the anchor, and the direction in which the fire ran last. A settled cell offers its eight neighbours its own anchor,
and, where that is faster, itself, a place on the edge between two fuels, or a corner as a new anchor. Before
it does, its anchor is moved to where it is best, so that legs follow the fire's bent path (`arrival_bends`).

The ellipse makes the order of settling acausal near a needle-shaped head: a cell that improves is settled again.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.arrival.bends import Bend, polish, refract, retrace
from leaveby.fire.arrival.edges import (
    by_corner,
    contrast,
    crossing,
    go_on,
    leg_over,
    near_edge,
    on_edge,
    round_corner,
    round_fuel,
)
from leaveby.fire.arrival.ground import Ellipse, Ground, Steps, cell_ellipse
from leaveby.fire.arrival.leg import Anchor, Leg, blocked, follow_leg
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


class Seeds(NamedTuple):
    """Ignition points on burnable cells: where (cells), and when (s)."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    time: NDArray[np.float64]


class _Queue(NamedTuple):
    """The fronts in order of time, a heap with four branches that has room for one entry more than there are cells."""

    keys: NDArray[np.float64]
    cells: NDArray[np.int32]


class _Settled(NamedTuple):
    """A settled cell: its leg, the anchor before that one's, and the weather step and ellipse at its time."""

    cell: int
    col: int
    row: int
    leg: Leg
    before: Anchor
    step: int
    ellipse: Ellipse
    by_edge: bool
    fine: bool


class _Offer(NamedTuple):
    """What a settled cell may promise a neighbour.

    `hop` is the distance, `slowness` and `drift` the means of the two cells' ellipses (drift along the hop), `known`
    the neighbour's time so far, `small` the least gain that counts, `enough` the time to beat; `direct` whether the
    leg from the settled cell's anchor promises enough, `edge` whether an edge between two fuels lies between.
    """

    cell: int
    dc: int
    dr: int
    x: float
    y: float
    hop: float
    slowness: float
    drift: float
    known: float
    small: float
    enough: float
    ellipse: Ellipse
    direct: bool
    edge: bool


@compiled
def _put(queue: _Queue, size: int, key: float, cell: int) -> None:
    """Put a cell into a queue of some size that has room for it."""
    keys, heap = queue
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
def _close_gap(queue: _Queue, size: int) -> None:
    """Set the queue right after its first entry was taken; `size` is what is left, the last entry moves up."""
    keys, heap = queue
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
def _write(here: Any, leg: Leg, before: Anchor, seed: int) -> None:
    """Write a better leg into a cell, with the anchor before its anchor, and the ignition point that is its anchor."""
    here["seed"] = seed
    here["before_x"] = before.x - leg.anchor.x
    here["before_y"] = before.y - leg.anchor.y
    here["before_s"] = leg.anchor.time - before.time
    here["time"] = leg.time
    here["anchor_x"] = leg.anchor.x
    here["anchor_y"] = leg.anchor.y
    here["anchor_time"] = leg.anchor.time
    here["anchor_step"] = leg.anchor.step
    here["ray_x"] = leg.ray_x
    here["ray_y"] = leg.ray_y
    here["run"] = leg.run
    here["settled"] = 0


@inlined
def _step_at(steps: Steps, time: float, step: int) -> int:
    """The weather step at a time, from an earlier one on."""
    while time >= steps.start_s[step + 1]:
        step += 1
    return step


@compiled
def _drop_stale(fronts: Fronts, queue: _Queue, size: int) -> int:
    """Rebuild a full queue without the entries that a better leg has replaced; at most one a cell stays."""
    kept = 0
    for i in range(size):
        key = queue.keys[i]
        cell = queue.cells[i]
        if fronts[cell]["settled"] == 0 and key == fronts[cell]["time"]:
            _put(queue, kept, key, cell)
            kept += 1
    return kept


@inlined
def _queue_up(fronts: Fronts, queue: _Queue, size: int, key: float, cell: int) -> int:
    """Put a cell into the queue, and give its new size."""
    if size == queue.cells.size:
        size = _drop_stale(fronts, queue, size)
    _put(queue, size, key, cell)
    return size + 1


@compiled
def _seed(ground: Ground, steps: Steps, seeds: Seeds, fronts: Fronts, queue: _Queue, horizon: float) -> int:
    """Offer every ignition point to the cells around it; the size of the queue."""
    cols = ground.cols
    size = 0
    for i in range(seeds.x.size):
        anchor = Anchor(seeds.x[i], seeds.y[i], seeds.time[i], _step_at(steps, seeds.time[i], 0))
        col0 = math.floor(anchor.x + 0.5)
        row0 = math.floor(anchor.y + 0.5)
        for row in range(max(row0 - SEED_REACH, 0), min(row0 + SEED_REACH + 1, ground.rows)):
            for col in range(max(col0 - SEED_REACH, 0), min(col0 + SEED_REACH + 1, cols)):
                cell = row * cols + col
                # over an edge between fuels the seed's own cell hands the fire on
                other_fuel = ground.cells[cell]["zone"] != ground.cells[row0 * cols + col0]["zone"]
                if other_fuel or fronts[cell]["time"] <= anchor.time:
                    continue
                new = follow_leg(ground, steps, anchor, 1.0 * col, 1.0 * row, 0.0, 0.0)
                if new.time < fronts[cell]["time"] and new.time <= horizon:
                    _write(fronts[cell], new, anchor, i if new.anchor.time == anchor.time else -1)
                    size = _queue_up(fronts, queue, size, new.time, cell)
    return size


@compiled
def _slide_seed(ground: Ground, steps: Steps, seeds: Seeds, fronts: Fronts, cell: int) -> None:
    """Start the leg to a cell from a better place of the line or perimeter that burns first.

    The ignition points along a line follow one another, and the time to a cell has one least place along a straight
    line; a neighbour's best point is near this cell's. Narrow ellipses need it: their heads are narrower than a cell.
    """
    here = fronts[cell]
    row = cell // ground.cols
    col = cell - row * ground.cols
    for way in range(-1, 2, 2):
        stride = 1
        while True:
            i = here["seed"] + way * stride
            if i < 0 or i >= seeds.x.size or here["seed"] < 0:
                break
            anchor = Anchor(seeds.x[i], seeds.y[i], seeds.time[i], _step_at(steps, seeds.time[i], 0))
            new = follow_leg(ground, steps, anchor, 1.0 * col, 1.0 * row, 0.0, 0.0)
            if new.time < here["time"] - 1e-9:
                _write(here, new, anchor, i if new.anchor.time == anchor.time else -1)
                stride *= 2
            elif stride > 1:
                stride = 1
            else:
                break


@inlined
def _settle(ground: Ground, steps: Steps, fronts: Fronts, cell: int, fine: bool) -> _Settled:
    """Settle a cell: move its anchor to where it is best for this cell, and gather what it hands on."""
    row = cell // ground.cols
    col = cell - row * ground.cols
    here = fronts[cell]
    here["settled"] = 1
    anchor = Anchor(here["anchor_x"], here["anchor_y"], here["anchor_time"], here["anchor_step"] + 0)
    leg = Leg(here["time"], 1.0 * here["ray_x"], 1.0 * here["ray_y"], 1.0 * here["run"], anchor)
    step = _step_at(steps, leg.time, anchor.step)
    ellipse = cell_ellipse(ground, steps, cell, step)
    old_time = anchor.time - here["before_s"]
    # the time before is known to a float32 only
    old_step = anchor.step
    while old_step > 0 and old_time < steps.start_s[old_step] - 0.01:
        old_step -= 1
    before = Anchor(anchor.x + here["before_x"], anchor.y + here["before_y"], old_time, old_step)
    by_edge = ground.cells[cell]["edge"] > 0
    # of coarse legs every fifth one is enough: what one gains is handed on
    if fine or (old_time < anchor.time and (row + 2 * col) % 5 == 0):
        bend = polish(ground, steps, Bend(leg, before), step, 1.0 * col, 1.0 * row, ellipse.slowness, fine and by_edge)
        if bend.leg.time < leg.time:
            leg = bend.leg
            before = bend.before
            _write(here, leg, before, -1)
            here["settled"] = 1
            if leg.time < steps.start_s[step]:
                # sooner than the change of weather
                step = _step_at(steps, leg.time, anchor.step)
                ellipse = cell_ellipse(ground, steps, cell, step)
    return _Settled(cell, col, row, leg, before, step, ellipse, by_edge, fine)


@inlined
def _edge_between(ground: Ground, steps: Steps, here: _Settled, dc: int, dr: int) -> bool:
    """Whether an edge between two fuels lies between a cell and a neighbour; to one at the corner, beside the way."""
    cells = ground.cells
    zone = cells[here.cell]["zone"]
    if dc == 0 or dr == 0:
        return contrast(steps, here.step, zone, cells[here.cell + dr * ground.cols + dc]["zone"])
    beside = cells[here.cell + dc]["zone"]
    below = cells[here.cell + dr * ground.cols]["zone"]
    differ = contrast(steps, here.step, zone, beside) or contrast(steps, here.step, zone, below)
    return differ and min(beside, below) >= 0


@compiled
def _over_edge(ground: Ground, steps: Steps, here: _Settled, offer: _Offer, new: Leg, enough: float) -> Bend:
    """The leg from a settled cell's anchor to a neighbour over the edge between them; blocked if it gains nothing."""
    leg = here.leg
    best = Bend(blocked(leg.anchor), leg.anchor)
    soonest = new.time
    step_end = steps.start_s[here.step + 1]
    for later in range(2):
        # what arrives after a change of weather may cross where that one favours it
        ellipse = offer.ellipse
        if later == 1:
            ellipse = cell_ellipse(ground, steps, offer.cell, here.step + 1)
        over_x, over_y, after = crossing(
            leg.ray_x * leg.run, leg.ray_y * leg.run, leg.run, here.ellipse, ellipse, offer.dc, offer.dr
        )
        place = (over_x + here.col, over_y + here.row)
        if offer.hop > 1.0:
            place = by_corner(ground, steps, here.step, place[0], place[1], 1.0 * here.col, 1.0 * here.row)
        limit = min(enough, soonest + TURN_SLACK * offer.slowness)
        untold = min(leg.time + after, offer.known) > step_end
        if leg.time + after < limit or (untold and leg.time < limit):
            over = leg_over(ground, steps, leg.anchor, place, offer.x, offer.y, limit)
            before = leg.anchor
            if leg.time + after < limit <= over.time:
                # the front came by faster ground than lies straight before that place: it bends where that ends
                to = refract(ground, steps, before, here.step, place[0], place[1], limit)
                if to.time < limit:
                    before = to.anchor
                    over = go_on(ground, steps, Anchor(place[0], place[1], to.time, before.step), offer.x, offer.y)
            if over.time < limit:
                best = Bend(over, before)
                soonest = over.time
        if not (here.fine and untold) or offer.hop > 1.0:
            break
    return best


@inlined
def _best_offer(ground: Ground, steps: Steps, fronts: Fronts, here: _Settled, offer: _Offer) -> Bend:
    """The best leg from a settled cell to a neighbour; a blocked one where none beats what the neighbour has."""
    anchor = here.leg.anchor
    time = here.leg.time
    step_end = steps.start_s[here.step + 1]
    x = offer.x
    y = offer.y
    enough = offer.enough
    before = here.before
    new = blocked(anchor)
    if offer.direct:
        hint_x = here.leg.ray_x * here.ellipse.slowness - here.ellipse.drift_x
        hint_y = here.leg.ray_y * here.ellipse.slowness - here.ellipse.drift_y
        new = follow_leg(ground, steps, anchor, x, y, hint_x, hint_y)
        if new.anchor.time > anchor.time:
            before = anchor
        if new.time == np.inf:
            new = round_corner(ground, steps, anchor, here.col, here.row, x, y)
            before = anchor
    turn_guess = time + offer.hop * offer.slowness - offer.drift
    promising = new.time > turn_guess + offer.small and turn_guess < enough
    if promising or min(turn_guess, offer.known) > step_end:
        centre = Anchor(1.0 * here.col, 1.0 * here.row, time, here.step)
        turn = follow_leg(ground, steps, centre, x, y, 0.0, 0.0)
        if turn.time < new.time - offer.small:
            new = turn
            before = anchor
            if here.by_edge:
                over = round_fuel(ground, steps, anchor, here.step, here.col, here.row, x, y, turn.time)
                if over.time < turn.time:
                    new = over
    if offer.edge:
        there = fronts[offer.cell]
        upright, level = on_edge(ground, steps, here.step, there["anchor_x"], there["anchor_y"])
        if there["settled"] == 0 and not (upright or level):
            # as soon, but over the edge: what lies behind is better reached from there
            enough = offer.known + TURN_SLACK * offer.slowness
        bend = _over_edge(ground, steps, here, offer, new, enough)
        if bend.leg.time < np.inf:
            new = bend.leg
            before = bend.before
    if (
        here.fine
        and here.by_edge
        and new.time < enough
        and anchor.time < new.anchor.time
        and here.before.time < anchor.time
        and new.anchor.time != time
        and near_edge(ground, anchor.x, anchor.y)
    ):
        bend = retrace(ground, steps, here.before, anchor, here.step, new.anchor, x, y, here.ellipse.slowness)
        if bend.leg.time < new.time:
            new = bend.leg
            before = bend.before
    return Bend(new if new.time < enough else blocked(anchor), before)


@inlined
def _offer(
    ground: Ground, steps: Steps, fronts: Fronts, queue: _Queue, size: int, here: _Settled, gain: float, horizon: float
) -> int:
    """Offer a settled cell's leg to its eight neighbours; the size of the queue."""
    leg = here.leg
    step_start = steps.start_s[here.step]
    step_end = steps.start_s[here.step + 1]
    for dr in range(-1, 2):
        if here.row + dr < 0 or here.row + dr >= ground.rows:
            continue
        for dc in range(-1, 2):
            if (dr == 0 and dc == 0) or here.col + dc < 0 or here.col + dc >= ground.cols:
                continue
            other = here.cell + dr * ground.cols + dc
            if ground.cells[other]["zone"] < 0:
                continue
            there = fronts[other]
            known = there["time"]
            if known <= step_start:
                continue  # what burnt before this weather does not depend on it
            ellipse = cell_ellipse(ground, steps, other, here.step)
            s = 0.5 * (here.ellipse.slowness + ellipse.slowness)
            drift = 0.5 * (
                (here.ellipse.drift_x + ellipse.drift_x) * dc + (here.ellipse.drift_y + ellipse.drift_y) * dr
            )
            from_x = dc + leg.ray_x * leg.run
            from_y = dr + leg.ray_y * leg.run
            guess = leg.time + (math.sqrt(from_x * from_x + from_y * from_y) - leg.run) * s - drift
            hop = 1.0 if dr == 0 or dc == 0 else 1.4142135623730951
            # a settled cell is opened again for a real gain only
            small = (gain if there["settled"] > 0 else OFFER_GAIN) * hop * s
            edge = here.by_edge and known > leg.time and _edge_between(ground, steps, here, dc, dr)
            # what arrives after a change of weather can't be told from the weather before it
            enough = known - small if known <= step_end else max(known - small, step_end)
            direct = guess < enough or min(guess, known) >= step_end
            if not (direct or edge):
                continue
            x = 1.0 * (here.col + dc)
            y = 1.0 * (here.row + dr)
            offer = _Offer(other, dc, dr, x, y, hop, s, drift, known, small, enough, ellipse, direct, edge)
            bend = _best_offer(ground, steps, fronts, here, offer)
            new = bend.leg
            if new.time < np.inf and new.time <= horizon:
                anchor = leg.anchor
                same = new.anchor.time == anchor.time and new.anchor.x == anchor.x and new.anchor.y == anchor.y
                _write(there, new, bend.before, fronts[here.cell]["seed"] if same else -1)
                size = _queue_up(fronts, queue, size, new.time, other)
    return size


@compiled
def _burn(
    ground: Ground, steps: Steps, seeds: Seeds, fronts: Fronts, queue: _Queue, horizon: float, fine: bool
) -> None:
    """Seed the fire, then settle cell after cell in order of time, each offering its leg to its neighbours."""
    size = _seed(ground, steps, seeds, fronts, queue, horizon)
    settled = 0
    gain = REOPEN_GAIN if fine else COARSE_GAIN
    patience = 4 * fronts.size
    while size > 0:
        key = queue.keys[0]
        cell = int(queue.cells[0]) + 0
        size -= 1
        if size > 0:
            _close_gap(queue, size)
        if key > fronts[cell]["time"]:
            continue  # it came off earlier, by a better leg
        if fronts[cell]["seed"] >= 0 and seeds.x.size > 1:
            _slide_seed(ground, steps, seeds, fronts, cell)
        settled += 1
        if settled > patience:
            # never seen; it makes sure that this ends
            gain *= 10.0
            patience += 4 * fronts.size
        here = _settle(ground, steps, fronts, cell, fine)
        size = _offer(ground, steps, fronts, queue, size, here, gain, horizon)


def burn(ground: Ground, steps: Steps, *, seeds: Seeds, horizon_s: float, fine: bool = True) -> NDArray[np.float64]:
    """Let fire run over the cells from the ignition points on, and give when it came to each; shape (rows, cols).

    The first step begins at or before every seed. If not `fine`, legs are bent less at the edges of fuels, and found in
    a third less time. The time is inf where fire did not come before the horizon.
    """
    count = ground.cells.size
    fronts = np.zeros(count, dtype=FRONT)
    fronts["time"] = np.inf
    queue = _Queue(np.empty(count + 1), np.empty(count + 1, dtype=np.int32))
    _burn(ground, steps, seeds, fronts, queue, float(horizon_s), fine)
    del queue
    return np.array(fronts["time"]).reshape(ground.rows, ground.cols)
