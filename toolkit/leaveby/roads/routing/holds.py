"""Where other cars hold one up: when one is let on to a stretch, by the moment at which one comes to it.

First in, first out: who comes later is never let on sooner. So the moment of being let on never falls with that of
coming, its inverse exists, and label-setting stays exact (`latest_departure`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Hold:
    """The queue at the beginning of a stretch, as whoever comes to it finds it.

    - `ahead_s`: how long those take who come when one does, whenever that is, and stand ahead.
    - `before_s`, `free_s`, shape (k,), both rising: who comes after `before_s[i]` is let on at `free_s[i]` or later.

    Examples
    --------
    Three cars at 0, 2 and 60 s, one every 5 s: at 1 s one finds one of them ahead, at 50 s none, at 61 s one.

    >>> queue = Hold(before_s=np.array([0.0, 2.0, 60.0]), free_s=np.array([5.0, 10.0, 65.0]))
    >>> let_on_s(queue, np.array([1.0, 50.0, 61.0])).tolist()
    [5.0, 50.0, 65.0]
    >>> come_by_s(queue, np.array([9.0, 50.0, 64.0])).tolist()
    [2.0, 50.0, 60.0]
    """

    ahead_s: float = 0.0
    before_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    free_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))

    @property
    def most_s(self) -> float:
        """The longest wait, whenever one comes."""
        return max(self.ahead_s, float((self.free_s - self.before_s).max(initial=0.0)))


def let_on_s(hold: Hold, come_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """When one is let on that comes at a moment, of the same shape; never falls with it."""
    ahead = np.searchsorted(hold.before_s, come_s, side="left")
    found: NDArray[np.float64] = np.maximum(come_s + hold.ahead_s, np.append(-np.inf, hold.free_s)[ahead])
    return found


def come_by_s(hold: Hold, on_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The latest moment to come and still be let on by a moment, of the same shape: the inverse of `let_on_s`."""
    passed = np.searchsorted(hold.free_s, on_s, side="right")
    found: NDArray[np.float64] = np.minimum(on_s - hold.ahead_s, np.append(hold.before_s, np.inf)[passed])
    return found


def worst_of(holds: Sequence[Hold]) -> Hold:
    """Put together what the queue may be like: at every moment the longest wait of all of them."""
    order = np.argsort(before_s := np.concatenate([hold.before_s for hold in holds]), kind="stable")
    free_s = np.maximum.accumulate(np.concatenate([hold.free_s for hold in holds])[order])
    rises = np.diff(free_s, prepend=-np.inf) > 0.0
    return Hold(max(hold.ahead_s for hold in holds), before_s[order][rises], free_s[rises])


Laid = tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]


def laid_by_edge(holds: Mapping[int, Hold], count: int) -> Laid:
    """Lay holds out for compiled code, by edge: `ahead_s`, and `before_s`, `free_s` from `first[e]` to `first[e + 1]`.

    Without holds `ahead_s` is empty.
    """
    if not holds:
        return np.zeros(0), np.zeros(1, dtype=np.int64), np.zeros(0), np.zeros(0)
    ahead_s, length = np.zeros(count), np.zeros(count, dtype=np.int64)
    for edge, hold in holds.items():
        ahead_s[edge], length[edge] = hold.ahead_s, hold.before_s.size
    first = np.append(0, np.cumsum(length))
    ordered = [holds[edge] for edge in sorted(holds)]
    before_s, free_s = (np.concatenate([getattr(one, name) for one in ordered]) for name in ("before_s", "free_s"))
    return ahead_s, first, before_s, free_s
