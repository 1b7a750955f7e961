"""Queues that reach back into the streets behind: vehicle after vehicle through a tree of streets with limited room."""

from __future__ import annotations

import heapq
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import njit


class Streets(NamedTuple):
    """Streets that lead to one way out, for vehicles all alike, or equal parts of them; shape (s,) unless stated.

    - `onward`: the street that each leads into, s for the one that leads out.
    - `way_s`, `back_s`: how long a vehicle drives along it, and how long until the room that one leaves at its outer
      end has come back to its inner end.
    - `headway_s`: least time between two, at either end; who waits to get onto a street is let in by turns, the more
      often the shorter that of the street where they come from.
    - `room`: vehicles that it holds.
    - `from_street`, `from_at`: streets that lead into each, those into u at places `from_at[u]` to `from_at[u + 1]`,
      and into the outside last.
    - `sets_out_s`, `own_at`: when those who live along each street set out, in order, with their places as above.
    """

    onward: NDArray[np.int64]
    way_s: NDArray[np.float64]
    back_s: NDArray[np.float64]
    headway_s: NDArray[np.float64]
    room: NDArray[np.int64]
    from_street: NDArray[np.int64]
    from_at: NDArray[np.int64]
    sets_out_s: NDArray[np.float64]
    own_at: NDArray[np.int64]


class _Held(NamedTuple):
    """What stands on the streets: how many came onto each and left it, when the last did, and when those on it can.

    `ready_s` and `left_s` hold the last `room` of each street in rings that begin at `ring_at`. `turn` and `own_turn`
    say whose turn it is, on the count `now` of the street that they wait for.
    """

    came: NDArray[np.int64]
    left: NDArray[np.int64]
    started: NDArray[np.int64]
    in_s: NDArray[np.float64]
    out_s: NDArray[np.float64]
    ring_at: NDArray[np.int64]
    ready_s: NDArray[np.float64]
    left_s: NDArray[np.float64]
    turn: NDArray[np.float64]
    own_turn: NDArray[np.float64]
    now: NDArray[np.float64]


@njit(error_model="numpy", inline="always")
def _next(u: int, streets: Streets, held: _Held) -> tuple[float, int]:
    """When the next one can get onto a street (or out), and from where: a street, or -1 for a drive along it."""
    count = streets.onward.shape[0]
    opens_s = -np.inf
    if u < count:
        opens_s = held.in_s[u] + streets.headway_s[u]
        over = held.came[u] - streets.room[u]
        if over >= 0:
            if held.left[u] <= over:
                return np.inf, -1
            opens_s = max(opens_s, held.left_s[held.ring_at[u] + over % streets.room[u]] + streets.back_s[u])
    best_s, best_turn, chosen = np.inf, np.inf, -1
    if u < count and held.started[u] < streets.own_at[u + 1]:
        best_s = max(opens_s, streets.sets_out_s[held.started[u]])
        best_turn = max(held.own_turn[u], held.now[u])
    for place in range(streets.from_at[u], streets.from_at[u + 1]):
        k = streets.from_street[place]
        if held.came[k] > held.left[k]:
            at_s = held.ready_s[held.ring_at[k] + held.left[k] % streets.room[k]]
            at_s = max(opens_s, at_s, held.out_s[k] + streets.headway_s[k])
            turn = max(held.turn[k], held.now[u])
            if at_s < best_s or (at_s == best_s and turn < best_turn):
                best_s, best_turn, chosen = at_s, turn, k
    return best_s, chosen


@njit(error_model="numpy")
def times_out(streets: Streets) -> NDArray[np.float64]:
    """When one after another is out; every wait is that of the street, the room or the turn that it is due to."""
    count, total = streets.onward.shape[0], streets.sets_out_s.shape[0]
    ring_at = np.zeros(count + 1, np.int64)
    ring_at[1:] = np.cumsum(streets.room)
    held = _Held(
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
        streets.own_at[:-1].copy(),
        np.full(count, -np.inf),
        np.full(count, -np.inf),
        ring_at,
        np.empty(ring_at[count]),
        np.empty(ring_at[count]),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count + 1),
    )
    out, done = np.empty(total), 0
    due, by = np.full(count + 1, np.inf), np.full(count + 1, -1, np.int64)
    waiting = [(0.0, count)]
    waiting.clear()
    for u in range(count):
        if streets.own_at[u] < streets.own_at[u + 1]:
            due[u] = streets.sets_out_s[streets.own_at[u]]
            heapq.heappush(waiting, (due[u], u))
    while done < total:
        at_s, u = heapq.heappop(waiting)
        if at_s != due[u]:
            continue
        k, up, full = int(by[u]), -1, -1
        if k < 0:
            held.started[u] += 1
            held.now[u] = max(held.own_turn[u], held.now[u])
            held.own_turn[u] = held.now[u] + streets.headway_s[u]
        else:
            if held.came[k] - held.left[k] == streets.room[k]:
                full = k
            held.left_s[held.ring_at[k] + held.left[k] % streets.room[k]] = at_s
            held.left[k] += 1
            held.out_s[k] = at_s
            held.now[u] = max(held.turn[k], held.now[u])
            held.turn[k] = held.now[u] + streets.headway_s[k]
        if u == count:
            out[done] = at_s
            done += 1
        else:
            if held.came[u] == held.left[u]:
                up = int(streets.onward[u])
            held.ready_s[held.ring_at[u] + held.came[u] % streets.room[u]] = at_s + streets.way_s[u]
            held.came[u] += 1
            held.in_s[u] = at_s
        due[u] = np.inf
        # what is known of other streets has changed where one was full, or stood empty
        for v in (u, full, up):
            if v >= 0:
                then_s, chosen = _next(v, streets, held)
                if then_s <= due[v]:
                    by[v] = chosen
                if then_s < due[v]:
                    due[v] = then_s
                    heapq.heappush(waiting, (then_s, v))
    return out
