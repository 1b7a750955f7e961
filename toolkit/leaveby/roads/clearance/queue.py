"""Clearance: how long a group of homes takes to get out by its one way, and how many are not out when it shuts.

People get ready along an S-shaped curve, drive down a tree of streets, and queue, first in, first out, where more come
than a street passes. Counted are the vehicles that have come to a place and got past it by each time (Newell 1993,
Transportation Research B 27(4), 281-313, simplified theory of kinematic waves, from memory). A queue that fills its
street reaches back into those behind: it changes who waits where, and where streets of like capacity meet also a little
when the last of them are through; that is not followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from leaveby.compiling import njit
from leaveby.errors import Fault, Faults, refuse, refused
from leaveby.parameters import JAM_SPACING_M, MIDDLE_MEDIAN_S, MOBILISATION_SPREAD, QUICK_MEDIAN_S, SLOW_MEDIAN_S
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.clearance.spillback import Streets, times_out

_TAIL: Final = 0.99
LEAST_VEH: Final = 1e-3
PARTS: Final = 8_000
"""Of all vehicles of a group, where they are followed one after another."""
STEP_S: Final = 2.0
MOST_CAPACITY_SHARE: Final = 0.5
"""Flow is never above this share of speed times jam density: a queue dissolves no faster than traffic drives."""


@dataclass(frozen=True)
class Mobilisation:
    """When homes get going after they are told to leave: an S-shaped curve with a long tail.

    No measured distribution for wildfire households was found, so the numbers are judgement, and a range is shown. Half
    are rolling at `median_s`; `spread` is the standard deviation of the logarithm of the time. The last hundredth is
    cut off and shared among the others.
    """

    name: str
    median_s: float
    spread: float = MOBILISATION_SPREAD.value

    @property
    def last_s(self) -> float:
        """When the last are rolling."""
        return self.median_s * float(np.exp(self.spread * 2.3263478740408408))


MOBILISATIONS: Final = (
    Mobilisation("quick", QUICK_MEDIAN_S.value),
    Mobilisation("middle", MIDDLE_MEDIAN_S.value),
    Mobilisation("slow", SLOW_MEDIAN_S.value),
)
"""The range that is shown. Judgement."""


def rolling_share(curve: Mobilisation, time_s: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Share of the homes that are rolling by a time after they were told to leave."""
    at = np.asarray(time_s, dtype=np.float64)
    with np.errstate(divide="ignore"):
        share = ndtr(np.log(np.maximum(at, 0.0) / curve.median_s) / curve.spread) / _TAIL
    return np.asarray(np.clip(share, 0.0, 1.0), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class StreetTree:
    """Streets that all lead to one way out, each to the next (`onward`, -1 for the one that leads out), shape (s,).

    `room_veh` vehicles stand on each when it is full; `vehicles` are those of the homes along it, which enter at its
    inner end.
    """

    onward: NDArray[np.int32]
    length_m: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    capacity_veh_s: NDArray[np.float64]
    room_veh: NDArray[np.float64]
    vehicles: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Clearance:
    """How a group gets out, from the moment when it is told to leave.

    - `time_s`, `out`, shape (t,): rising times to when the last vehicle is out, and vehicles that are out by then, even
      in between. `ninety_out_s`: when nine tenths are out.
    - `longest_queue_veh`: most vehicles that are rolling and not out, beyond those that would be with no queue
      anywhere.
    """

    vehicles: float
    time_s: NDArray[np.float64]
    out: NDArray[np.float64]
    last_out_s: float
    ninety_out_s: float
    longest_queue_veh: float


def street_tree(
    onward: NDArray[np.int32],
    length_m: NDArray[np.float64],
    *,
    speed_m_s: NDArray[np.float64],
    capacity_veh_s: NDArray[np.float64],
    vehicles: NDArray[np.float64],
    lanes: NDArray[np.float64] | float = 1.0,
) -> StreetTree:
    """Make a tree of streets, and refuse one that can't be followed."""
    count = onward.size
    Faults(
        Fault("streets", f"{what} is missing or not {word}", f"one value {word} for each street", "correct it")
        for what, values, good, word in (
            ("length_m", length_m, np.asarray(length_m) > 0.0, "above 0"),
            ("speed_m_s", speed_m_s, np.asarray(speed_m_s) > 0.0, "above 0"),
            ("capacity_veh_s", capacity_veh_s, np.asarray(capacity_veh_s) > 0.0, "above 0"),
            ("vehicles", vehicles, np.asarray(vehicles) >= 0.0, "0 or more"),
        )
        if np.shape(values) != (count,) or not (good & np.isfinite(values)).all()
    ).refuse()
    if (
        int((onward < 0).sum()) != 1
        or (onward >= count).any()
        or _inner_first(np.asarray(onward, dtype=np.int32)).size < count
    ):
        raise refused("streets", "streets_without_one_end")
    room = np.maximum(length_m * np.asarray(lanes) / JAM_SPACING_M.value, 1.0)
    return StreetTree(
        onward=np.asarray(onward, dtype=np.int32),
        length_m=np.asarray(length_m, dtype=np.float64),
        speed_m_s=np.asarray(speed_m_s, dtype=np.float64),
        capacity_veh_s=np.asarray(capacity_veh_s, dtype=np.float64),
        room_veh=np.asarray(room, dtype=np.float64),
        vehicles=np.asarray(vehicles, dtype=np.float64),
    )


_Count = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Rising times, and vehicles that have come by then, even in between."""


@njit()
def _inner_first(onward: NDArray[np.int32]) -> NDArray[np.int32]:
    """Streets so that each stands before the one it leads into; fewer than all where they run in a circle."""
    count = onward.shape[0]
    waiting = np.zeros(count, np.int32)
    for s in range(count):
        if onward[s] >= 0:
            waiting[onward[s]] += 1
    order = np.empty(count, np.int32)
    filled = 0
    for s in range(count):
        if waiting[s] == 0:
            order[filled] = s
            filled += 1
    done = 0
    while done < filled:
        up = onward[order[done]]
        done += 1
        if up >= 0:
            waiting[up] -= 1
            if waiting[up] == 0:
                order[filled] = up
                filled += 1
    return order[:filled].copy()


def clearance(tree: StreetTree, curve: Mobilisation | NDArray[np.float64], *, step_s: float = STEP_S) -> Clearance:
    """Follow the vehicles of all homes down the tree of streets until the last is out.

    Beyond the way out nothing holds them up: where the road that they come to is full itself, it takes longer. `curve`
    says when homes get going, or is the share that is rolling at 0, `step_s`, 2 `step_s`, ... rising to 1, even in
    between. A step that is not above 0, and a share that does not rise from 0 to 1, are an InputError.

    360 vehicles at once, 1,800 an hour out: 720 s in the queue and 60 s on the way.

    >>> tree = street_tree(
    ...     np.array([-1], dtype=np.int32), np.array([600.0]), speed_m_s=np.array([10.0]),
    ...     capacity_veh_s=np.array([0.5]), vehicles=np.array([360.0]),
    ... )
    >>> round(clearance(tree, np.array([0.0, 1.0])).last_out_s)
    780
    """
    if not step_s > 0.0:
        raise refuse("step_s", f"it is {step_s}", expected="above 0", mend="correct it")
    fresh = np.diff(_shares(curve, step_s))
    capacity = np.minimum(tree.capacity_veh_s, MOST_CAPACITY_SHARE * tree.speed_m_s * tree.room_veh / tree.length_m)
    order, way_s = _inner_first(tree.onward), tree.length_m / tree.speed_m_s
    gate, gate_s, out_s = _gates(order, tree.onward, way_s, capacity, tree.vehicles, float(fresh.max()) / step_s)
    by_gate = np.argsort(gate, kind="stable")
    gates = order[gate[order] == order]
    first, last = (np.searchsorted(gate[by_gate], gates, side=side) for side in ("left", "right"))
    coming: dict[int, list[_Count]] = {}
    time, out, full = np.zeros(1), np.zeros(1), False
    for g, low, high in zip(gates.tolist(), first.tolist(), last.tolist(), strict=True):
        own = by_gate[low:high]
        own_count = _coming(gate_s[own], tree.vehicles[own], fresh, step_s)
        came, out = _together(own_count, coming.pop(g, []), step_s=step_s)
        time = pass_bottleneck(came, headway_s=np.diff(out, prepend=0.0) / capacity[g])
        full |= bool((out - np.interp(came, time, out)).max() > tree.room_veh[g])
        onward = int(tree.onward[g])
        if onward >= 0:
            coming.setdefault(int(gate[onward]), []).append((time + gate_s[onward], out))
    if full:
        late_s, late = _spilled(tree, capacity, fresh, step_s)
        at = np.union1d(time, late_s)
        time, out = at, np.minimum(np.interp(at, time, out), np.interp(at, late_s, late))
    free_time, free = _coming(out_s, tree.vehicles, fresh, step_s)
    at = np.union1d(time, free_time)
    return Clearance(
        vehicles=float(tree.vehicles.sum()),
        time_s=time,
        out=out,
        last_out_s=float(np.interp(out[-1] - LEAST_VEH, out, time)),
        ninety_out_s=float(np.interp(0.9 * out[-1], out, time)),
        longest_queue_veh=float((np.interp(at, free_time, free) - np.interp(at, time, out)).max()),
    )


def _shares(curve: Mobilisation | NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """The share that is rolling at every step, to 1."""
    if isinstance(curve, Mobilisation):
        steps = np.arange(np.ceil(curve.last_s / step_s) + 1.0, dtype=np.float64)
        return rolling_share(curve, step_s * steps)
    share = np.asarray(curve, dtype=np.float64)
    if share.size < 2 or not np.isfinite(share).all() or (np.diff(share) < 0.0).any() or share[0] != 0.0:
        raise refuse("curve", "it does not rise", expected="shares that rise from 0 to 1", mend="correct it")
    if abs(share[-1] - 1.0) > 1e-9:
        raise refuse("curve", f"it ends at {share[-1]}", expected="a last share of 1", mend="correct it")
    return share


@njit()
def _gates(
    order: NDArray[np.int32],
    onward: NDArray[np.int32],
    way_s: NDArray[np.float64],
    capacity: NDArray[np.float64],
    vehicles: NDArray[np.float64],
    most_per_s: float,
) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """For each street the next one, itself or farther out, that holds people up; the way past it, and all the way out.

    A street holds up nobody who is not held up longer farther out, unless it passes less than every street beyond; nor
    where no more than it passes set out behind it at any time, `most_per_s` being the greatest share in a second. The
    one that leads out counts always.
    """
    behind, least = vehicles.copy(), capacity.copy()
    gate, gate_s, out_s = np.empty(order.shape[0], np.int32), way_s.copy(), way_s.copy()
    for s in order:
        if onward[s] >= 0:
            behind[onward[s]] += behind[s]
    for s in order[::-1]:
        up = onward[s]
        gate[s] = s
        if up < 0:
            continue
        out_s[s] += out_s[up]
        narrow = capacity[s] < least[up]
        least[s] = min(capacity[s], least[up])
        if not narrow or behind[s] * most_per_s <= capacity[s]:
            gate[s] = gate[up]
            gate_s[s] += gate_s[up]
    return gate, gate_s, out_s


def _coming(
    way_s: NDArray[np.float64], vehicles: NDArray[np.float64], fresh: NDArray[np.float64], step_s: float
) -> _Count:
    """Vehicles that have come to a place with nothing to hold them up, by the ways they have to it."""
    whole, rest = np.divmod(way_s / step_s, 1.0)
    place = np.concatenate([whole, whole + 1.0]).astype(np.int64)
    # a way that ends between two steps is shared by both, which is the line between them
    ways = np.bincount(place, weights=np.concatenate([vehicles * (1.0 - rest), vehicles * rest]))
    count = np.concatenate([[0.0], np.cumsum(np.convolve(ways, fresh))])
    return np.asarray(step_s * np.arange(count.size), dtype=np.float64), count


def _together(own: _Count, others: list[_Count], *, step_s: float) -> _Count:
    """Streams of vehicles as one, in the order in which they come."""
    if not others:
        return own
    ends = np.array([time[-1] for time, _ in others])
    at = np.union1d(step_s * np.arange(max(own[0].size, int(ends.max() / step_s) + 1)), ends)
    count = np.sum([np.interp(at, *one) for one in (own, *others)], axis=0)
    return at, np.maximum.accumulate(count)


def _spilled(tree: StreetTree, capacity: NDArray[np.float64], fresh: NDArray[np.float64], step_s: float) -> _Count:
    """Vehicles that are out where streets hold no more than their room: part after part, all of one size."""
    count, part_veh = tree.onward.size, float(tree.vehicles.sum()) / PARTS
    bounds = np.round(np.concatenate([[0.0], np.cumsum(tree.vehicles)]) / part_veh).astype(np.int64)
    # the golden section spreads any run of parts evenly over the curve
    rank = np.argsort(np.argsort(np.arange(PARTS) * 0.6180339887498949 % 1.0))
    share = np.concatenate([[0.0], np.cumsum(fresh)])
    sets_out = np.interp((rank + 0.5) / PARTS, share, step_s * np.arange(share.size))
    street = np.repeat(np.arange(count), np.diff(bounds))
    way_s, density = tree.length_m / tree.speed_m_s, tree.room_veh / tree.length_m
    back_s = tree.length_m * (density / capacity - 1.0 / tree.speed_m_s)
    room = np.maximum(tree.room_veh, capacity * (way_s + back_s) + part_veh) / part_veh
    onward = np.where(tree.onward < 0, count, tree.onward).astype(np.int64)
    out = times_out(
        Streets(
            onward,
            way_s,
            back_s,
            part_veh / capacity,
            np.clip(room, 1, PARTS).astype(np.int64),
            np.argsort(onward, kind="stable"),
            np.searchsorted(np.sort(onward), np.arange(count + 2)),
            sets_out[np.lexsort((sets_out, street))],
            bounds,
        )
    )
    return out, np.asarray(part_veh * np.arange(1, PARTS + 1), dtype=np.float64)


def not_out(found: Clearance, *, shuts_s: float, told_s: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Vehicles, never rounded down, that are not out when the way out shuts, by the moment when people were told.

    `told_s` is when people were told to leave, on the clock of `shuts_s`; inf: not within the horizon, which is no
    leave to wait.
    """
    left_s = shuts_s - np.asarray(told_s, dtype=np.float64)
    gone = np.where(left_s >= found.last_out_s, found.vehicles, np.interp(left_s, found.time_s, found.out, left=0.0))
    return np.asarray(found.vehicles - gone, dtype=np.float64)
