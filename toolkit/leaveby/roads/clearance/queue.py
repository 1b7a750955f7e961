"""Clearance: how long a group of homes takes to get out by its one way, and how many are not out when it shuts.

People get ready along an S-shaped curve, drive down a tree of streets, and queue where more arrive than a street
passes. Streets fill up and spill back. Each street is followed by the numbers of vehicles that have entered and left it
(Newell 1993, Transportation Research B 27(4), 281-313, simplified theory of kinematic waves; as a link model Yperman,
Logghe & Immers 2005; from memory), with a merge that shares what is free by capacity.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from leaveby.compiling import njit
from leaveby.errors import Fault, Faults, refuse, refused
from leaveby.parameters import JAM_SPACING_M, MIDDLE_MEDIAN_S, MOBILISATION_SPREAD, QUICK_MEDIAN_S, SLOW_MEDIAN_S

_TAIL: Final = 0.99
LEAST_VEH: Final = 1e-3
STEP_S: Final = 2.0
MOST_STEPS: Final = 200_000
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


def rolling_s(curve: Mobilisation, share: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """When a share of the homes, 0 to 1, is rolling: the reverse of `rolling_share`.

    Of n vehicles the k-th sets out when (k - 1/2) / n are rolling.

    >>> rolling_s(Mobilisation("quick", 600.0), 0.5 / 0.99).round(6)
    np.float64(600.0)
    """
    return np.asarray(curve.median_s * np.exp(curve.spread * ndtri(_TAIL * np.asarray(share, dtype=np.float64))))


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

    - `time_s`, `out`, `rolling`, shape (t,): times from 0, evenly spaced, to when the last vehicle is out; vehicles
      that are out, and that have started, by then. `ninety_out_s`: when nine tenths are out.
    - `longest_queue_veh`: most vehicles that are rolling and not out, beyond those that would be with no queue
      anywhere.
    - `waiting_in_drives`: most vehicles that could not get onto their street because it was full.
    """

    vehicles: float
    time_s: NDArray[np.float64]
    out: NDArray[np.float64]
    rolling: NDArray[np.float64]
    last_out_s: float
    ninety_out_s: float
    longest_queue_veh: float
    waiting_in_drives: float


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
    says when homes get going, or is the share that is rolling at 0, `step_s`, 2 `step_s`, ... rising to 1. A street
    that is driven in less than a step takes a whole one. A step that is not above 0, a share that does not rise from 0
    to 1, or more than 200,000 steps are an InputError.

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
    total = float(tree.vehicles.sum())
    share = _all_shares(tree, curve, total=total, step_s=step_s)
    speed = tree.speed_m_s
    density = tree.room_veh / tree.length_m
    capacity = np.minimum(tree.capacity_veh_s, MOST_CAPACITY_SHARE * speed * density)
    wave = capacity / (density - capacity / speed)
    free_lag = np.maximum(tree.length_m / speed / step_s, 1.0)
    wave_lag = np.maximum(tree.length_m / wave / step_s, 1.0)
    order, most = _inner_first(tree.onward), capacity * step_s
    # a street that is driven in less than a step still passes its capacity
    room = np.maximum(tree.room_veh, most * (free_lag + wave_lag))
    out, held = _simulate(tree.onward, tree.vehicles, free_lag, wave_lag, most, room, share, total)
    if out[-1] < total - LEAST_VEH:
        raise AssertionError("a street never emptied")
    unqueued = _unqueued(order, tree.onward, tree.vehicles, free_lag, share, out.size)
    time = _clock(out.size, step_s)
    return Clearance(
        vehicles=total,
        time_s=time,
        out=out,
        rolling=total * share[: out.size],
        last_out_s=float(time[-1]),
        ninety_out_s=float(time[int(np.searchsorted(out, 0.9 * total))]),
        longest_queue_veh=float(np.maximum(unqueued - out, 0.0).max()),
        waiting_in_drives=held,
    )


def _all_shares(
    tree: StreetTree, curve: Mobilisation | NDArray[np.float64], *, total: float, step_s: float
) -> NDArray[np.float64]:
    """The share that is rolling at every step that it can take until the last is out."""
    if isinstance(curve, Mobilisation):
        share = rolling_share(curve, _clock(int(np.ceil(curve.last_s / step_s)) + 1, step_s))
    else:
        share = np.asarray(curve, dtype=np.float64)
        if share.size < 2 or not np.isfinite(share).all() or (np.diff(share) < 0.0).any() or share[0] != 0.0:
            raise refuse("curve", "it does not rise", expected="shares that rise from 0 to 1", mend="correct it")
        if abs(share[-1] - 1.0) > 1e-9:
            raise refuse("curve", f"it ends at {share[-1]}", expected="a last share of 1", mend="correct it")
    # at least this many steps are free flow and one full queue; more than twice that means nobody moves
    free_s = float((tree.length_m / tree.speed_m_s).sum()) + step_s * tree.onward.size
    slowest = float(tree.capacity_veh_s.min())
    bound = share.size + int(np.ceil((free_s + 2.0 * total / slowest + 60.0) / step_s))
    if bound > MOST_STEPS:
        raise refused("clearance", "clearance_of_too_many_steps", bound=bound, step_s=step_s, most=MOST_STEPS)
    return np.concatenate([share, np.ones(bound - share.size)])


def _clock(count: int, step_s: float) -> NDArray[np.float64]:
    return np.asarray(step_s * np.arange(count), dtype=np.float64)


@njit()
def _at(history: NDArray[np.float64], start: int, size: int, step: int, back: float) -> float:
    """A count at `back` steps before `step`, between two steps on the line between them; 0 before the beginning."""
    place = step - back
    if place <= 0.0:
        return 0.0
    low = int(np.floor(place))
    rest = place - low
    value = history[start + low % size]
    if rest > 0.0:
        value += rest * (history[start + (low + 1) % size] - value)
    return float(value)


@njit()
def _let_in(
    onward: NDArray[np.int32],
    most: NDArray[np.float64],
    sending: NDArray[np.float64],
    given: NDArray[np.float64],
    free: NDArray[np.float64],
    wish: NDArray[np.float64],
    queue: NDArray[np.float64],
    entered: NDArray[np.float64],
) -> None:
    """Share what is free by capacity among those who still want more, street and drives alike."""
    streets = onward.shape[0]
    asked = np.zeros(streets)
    for s in range(streets):
        if wish[s] > 1e-12:
            asked[s] = most[s]
    for s in range(streets):
        if onward[s] >= 0 and sending[s] - given[s] > 1e-12:
            asked[onward[s]] += most[s]
    left_over = free.copy()
    for s in range(streets):
        if left_over[s] > 1e-12 and wish[s] > 1e-12:
            part = min(wish[s], left_over[s] * most[s] / asked[s])
            wish[s] -= part
            queue[s] -= part
            entered[s] += part
            free[s] -= part
    for s in range(streets):
        up = onward[s]
        if up >= 0 and left_over[up] > 1e-12 and sending[s] - given[s] > 1e-12:
            part = min(sending[s] - given[s], left_over[up] * most[s] / asked[up])
            given[s] += part
            entered[up] += part
            free[up] -= part


@njit()
def _simulate(
    onward: NDArray[np.int32],
    vehicles: NDArray[np.float64],
    free_lag: NDArray[np.float64],
    wave_lag: NDArray[np.float64],
    most: NDArray[np.float64],
    room: NDArray[np.float64],
    share: NDArray[np.float64],
    total: float,
) -> tuple[NDArray[np.float64], float]:
    """Step by step until the last is out: vehicles out, and the most that wait in drives."""
    streets, steps = onward.shape[0], share.shape[0]
    start = np.zeros(streets + 1, np.int64)
    for s in range(streets):
        start[s + 1] = start[s] + int(np.ceil(max(free_lag[s], wave_lag[s]))) + 3
    came, went = np.zeros(start[streets]), np.zeros(start[streets])
    entered, left, queue = np.zeros(streets), np.zeros(streets), np.zeros(streets)
    sending, free, wish, given = np.zeros(streets), np.zeros(streets), np.zeros(streets), np.zeros(streets)
    out = np.zeros(steps)
    held = 0.0
    for step in range(1, steps):
        fresh = share[step] - share[step - 1]
        for s in range(streets):
            size = int(start[s + 1] - start[s])
            arrived = _at(came, start[s], size, step, free_lag[s])
            sending[s] = max(0.0, min(arrived - left[s], most[s]))
            gone = _at(went, start[s], size, step, wave_lag[s])
            free[s] = max(0.0, min(gone + room[s] - entered[s], most[s]))
            queue[s] += vehicles[s] * fresh
            wish[s] = min(queue[s], most[s])
            given[s] = 0.0
        for _ in range(4):
            _let_in(onward, most, sending, given, free, wish, queue, entered)
        waiting = 0.0
        for s in range(streets):
            if onward[s] < 0:
                given[s] = sending[s]
                out[step] = out[step - 1] + given[s]
            left[s] += given[s]
            size = int(start[s + 1] - start[s])
            came[start[s] + step % size] = entered[s]
            went[start[s] + step % size] = left[s]
            waiting += queue[s]
        held = max(held, waiting)
        if out[step] >= total - 1e-3:
            return out[: step + 1].copy(), held
    return out, held


def _unqueued(
    order: NDArray[np.int32],
    onward: NDArray[np.int32],
    vehicles: NDArray[np.float64],
    free_lag: NDArray[np.float64],
    share: NDArray[np.float64],
    steps: int,
) -> NDArray[np.float64]:
    """Vehicles that would be out at each step with no queue anywhere."""
    way = free_lag.copy()
    for s in order[::-1].tolist():
        if onward[s] >= 0:
            way[s] += way[onward[s]]
    total = np.zeros(steps)
    at = np.arange(share.size)
    for s in np.flatnonzero(vehicles > 0.0).tolist():
        total += vehicles[s] * np.interp(at[:steps] - way[s], at, share, left=0.0)
    return total


def not_out(found: Clearance, *, shuts_s: float, told_s: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Vehicles, never rounded down, that are not out when the way out shuts, by the moment when people were told.

    `told_s` is when people were told to leave, on the clock of `shuts_s`; inf: not within the horizon, which is no
    leave to wait.
    """
    left_s = shuts_s - np.asarray(told_s, dtype=np.float64)
    place = np.searchsorted(found.time_s, left_s, side="right") - 1
    gone = np.where(place >= 0, found.out[np.maximum(place, 0)], 0.0)
    gone = np.where(left_s >= found.last_out_s, found.vehicles, gone)
    return np.asarray(found.vehicles - gone, dtype=np.float64)
