"""From many members to one time: the leave-by, the share that is clear, and each member's own on a route."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence, longest_at_confidence
from leaveby.decision.ways.result import Quantiles


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
) -> NDArray[np.float64]:
    """Give each member's latest departure on a fixed route: L = min over its stretches of (c - m - time to clear it).

    The household can't know which fire it has, so a route is timed as chosen beforehand, never as if the best way for
    each member were known. Closings have shape (members, stretches) in travel order; inf where no stretch shuts.
    """
    cleared_s = np.cumsum(edge_time_s)[None, :] * drive_factor[:, None]
    return np.asarray(np.min(closing_s - margin_s - cleared_s, axis=1, initial=np.inf), dtype=np.float64)
