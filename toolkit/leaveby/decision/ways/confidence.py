"""From many members to one time: the leave-by, the share that is clear, each member's own, and how well it is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence, longest_at_confidence, rank_at
from leaveby.decision.fires.design import SURE, left_out_error_s
from leaveby.decision.fires.members import Members
from leaveby.decision.ways.result import Precision, Quantiles
from leaveby.roads.routing.holds import Hold, come_by_s


def latest_start(latest_departure_s: NDArray[np.float64], *, ready_s: NDArray[np.float64], confidence: float) -> float:
    """Give the latest start S that keeps one promise with the latest departure R: the two are one statement.

    Starting by S, the wheels roll by R in at least the asked share of members, and rolling by R clears the road in at
    least the asked share: S is R less the ready time at the asked confidence. Those late in getting ready need not be
    those whom the fire leaves least time, so S is besides never later than the time from which that share of members,
    each with its own ready time and its own fire, gets clear.

    Examples
    --------
    >>> leave = np.array([100.0, 200.0, 300.0, 400.0])
    >>> latest_start(leave, ready_s=np.array([20.0, 10.0, 30.0, 40.0]), confidence=0.6)
    170.0
    >>> latest_start(leave, ready_s=np.array([0.0, 0.0, 0.0, 400.0]), confidence=0.6)
    100.0
    """
    leave_by_s = latest_at_confidence(latest_departure_s, confidence)
    if not np.isfinite(leave_by_s):
        return leave_by_s
    jointly_s = latest_at_confidence(latest_departure_s - ready_s, confidence)
    return min(leave_by_s - longest_at_confidence(ready_s, confidence), jointly_s)


def quantiles_of(member_duration_s: NDArray[np.float64]) -> Quantiles:
    """Give the 50, 90 and 95 % points of a sampled duration, each an order statistic on the long side."""
    return Quantiles(
        p50_s=longest_at_confidence(member_duration_s, 0.5),
        p90_s=longest_at_confidence(member_duration_s, 0.9),
        p95_s=longest_at_confidence(member_duration_s, 0.95),
    )


def share_clear(member_latest_s: NDArray[np.float64], at_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the share of members that are clear when they begin at each moment; never rises with time.

    Examples
    --------
    >>> share_clear(np.array([10.0, 20.0, np.inf]), np.array([0.0, 15.0, 20.0, 25.0])).round(2).tolist()
    [1.0, 0.67, 0.67, 0.33]
    """
    ordered = np.sort(member_latest_s)
    return 1.0 - np.searchsorted(ordered, at_s, side="left") / ordered.size


def latest_on_route(
    closing_s: NDArray[np.float64],
    edge_time_s: NDArray[np.float64],
    *,
    margin_s: float,
    drive_factor: NDArray[np.float64],
    holds: Sequence[tuple[int, Hold]] = (),
) -> NDArray[np.float64]:
    """Give each member's latest departure on a fixed route: L = min over its stretches of (c - m - time to clear it).

    With the queues that stand before some of its stretches (`holds`), from the last stretch back to the first.

    The household can't know which fire it has, so a route is timed as chosen beforehand, never as if the best way for
    each member were known. Closings have shape (members, stretches) in travel order; inf where no stretch shuts.
    """
    latest_s = np.full(drive_factor.size, np.inf)
    queues = dict(holds)
    for at in range(len(edge_time_s) - 1, -1, -1) if queues else ():
        latest_s = np.minimum(latest_s, closing_s[:, at] - margin_s) - edge_time_s[at] * drive_factor
        latest_s = come_by_s(queues[at], latest_s) if at in queues else latest_s
    if queues:
        return latest_s
    # stretch by stretch, so that many members need no more room
    for column_s, along_s in zip(closing_s.T, np.cumsum(edge_time_s), strict=True):
        np.minimum(latest_s, column_s - margin_s - along_s * drive_factor, out=latest_s)
    return latest_s


def precision_of(
    members: Members,
    latest_of: Callable[[Members], NDArray[np.float64]],
    *,
    ready_s: NDArray[np.float64] | float = 0.0,
    confidence: float,
) -> Precision:
    """Estimate the interval that a leave-by lies in; its bounds may be infinite.

    Two errors add: that of the rank among finitely many members (the ranks between which the asked point of endless
    members lies, by the binomial's normal approximation; common practice, no source), and that of fires read off smooth
    functions (`fires.design.left_out_error_s`). With ready times the interval is that of the latest start, else of the
    latest departure.
    """
    leave_s = np.sort(latest_of(members))
    count = leave_s.size
    lasts_s = np.broadcast_to(np.asarray(ready_s, dtype=np.float64), (count,))
    at = count - rank_at(count, confidence)
    off = int(np.ceil(SURE * np.sqrt(count * confidence * (1.0 - confidence))))
    half_s = 0.0
    if members.left_out:
        known_s, *parts_s = (latest_at_confidence(latest_of(one), confidence) for one in members.left_out)
        half_s = left_out_error_s(known_s, parts_s)
    start_s = latest_start(latest_of(members), ready_s=lasts_s, confidence=confidence)
    # getting ready takes as long whatever the fire is known to
    ahead_s = leave_s[at] - start_s if np.isfinite(start_s) else 0.0
    low_s, high_s = leave_s[max(at - off, 0)], leave_s[min(at + off, count - 1)]
    return Precision(
        members=count,
        fires=members.solved,
        low_s=float(low_s - half_s - ahead_s),
        high_s=float(high_s + half_s - ahead_s),
    )


def half_width_s(precision: Precision) -> float:
    """Give half the width of the interval; 0 when both bounds are the same infinity, inf when only one is bounded."""
    if precision.low_s == precision.high_s:
        return 0.0
    half_s = (precision.high_s - precision.low_s) / 2.0
    return half_s if np.isfinite(half_s) else np.inf
