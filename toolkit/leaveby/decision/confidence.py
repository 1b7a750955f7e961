"""From many members to one time: the order statistics that keep to the early side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.result import Quantiles
from leaveby.errors import refuse


def latest_at_confidence(member_latest_s: NDArray[np.float64], confidence: float) -> float:
    """Give the latest time by which at least the asked share of members is clear, and a new member in that share too.

    An order statistic, never interpolated: with n members, the time that ceil(confidence (n + 1)) of them can still
    meet, so that the chance that a member not among them misses it is no more than the confidence leaves (the expected
    coverage of order statistics, k / (n + 1)). Where that asks for more members than there are, the earliest of all.

    Parameters
    ----------
    member_latest_s : ndarray of float64, shape (members,)
        Each member's own latest time; may hold inf and -inf.
    confidence : float
        Above 0 and below 1.

    Returns
    -------
    float
        inf when that many members are not bounded at all.

    Raises
    ------
    InputError
        For a confidence of 1 or more: no number of members can promise that.

    Examples
    --------
    >>> latest_at_confidence(np.array([10.0, 20.0, 30.0, 40.0]), 0.6)
    20.0
    """
    if not 0.0 < confidence < 1.0:
        raise refuse(
            "plan.confidence",
            f"is {confidence}",
            expected="above 0 and below 1; nothing computed can be certain",
            mend="ask for 0.95, say",
        )
    ordered = np.sort(member_latest_s)
    # The small allowance keeps 0.95 * 100 = 95.00000000000001 from asking for 96 members.
    needed = min(int(np.ceil(confidence * (ordered.size + 1) - 1e-9)), ordered.size)
    return float(ordered[ordered.size - needed])


def longest_at_confidence(member_duration_s: NDArray[np.float64], confidence: float) -> float:
    """Give the duration that at least the asked share of members does not exceed.

    Examples
    --------
    >>> longest_at_confidence(np.array([10.0, 20.0, 30.0, 40.0]), 0.6)
    30.0
    """
    return -latest_at_confidence(-member_duration_s, confidence)


def quantiles_of(member_duration_s: NDArray[np.float64]) -> Quantiles:
    """Give the 50, 90 and 95 % points of a sampled duration, each an order statistic on the long side.

    Examples
    --------
    >>> quantiles_of(np.arange(1.0, 101.0))
    Quantiles(p50_s=51.0, p90_s=91.0, p95_s=96.0)
    """
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

    The household can't know which fire it has, so a route is timed as chosen beforehand, never as if the best way
    for each member were known.

    Parameters
    ----------
    closing_s : ndarray of float64, shape (members, stretches)
        Closings of the route's stretches in travel order.
    edge_time_s : ndarray of float64, shape (stretches,)
        Travel time of each.
    margin_s : float
        0 or more.
    drive_factor : ndarray of float64, shape (members,)

    Returns
    -------
    ndarray of float64, shape (members,)
        inf where no stretch shuts.

    Examples
    --------
    >>> latest_on_route(
    ...     np.array([[1000.0, 900.0]]), np.array([60.0, 120.0]), margin_s=100.0, drive_factor=np.array([1.0])
    ... ).tolist()
    [620.0]
    """
    cleared_s = np.cumsum(edge_time_s)[None, :] * drive_factor[:, None]
    return np.asarray(np.min(closing_s - margin_s - cleared_s, axis=1, initial=np.inf), dtype=np.float64)
