"""What "at confidence" means, once for every room: the time of a member, by rank, on the side that leaves earlier.

An order statistic, never interpolated. With n members drawn alike, a new one falls beyond the k-th of them in one of
n + 1 places, so the k-th is passed with a chance of k / (n + 1) (expected coverage of order statistics, David and
Nagaraja 2003, Order Statistics; from memory). The rank is the least k for which that is no less than the confidence.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import refuse, refused


def rank_at(members: int, confidence: float) -> int:
    """Give how many of the members have to be in time: ceil(confidence (members + 1)), all of them at most.

    Raises InputError for no members, or a confidence outside 0 to 1: no number of members can promise 1.

    Examples
    --------
    >>> [rank_at(members, 0.95) for members in (4, 250, 350, 750)]
    [4, 239, 334, 714]
    """
    if not 0.0 < confidence < 1.0:
        raise refused("plan.confidence", "certainty", confidence=confidence)
    if members < 1:
        raise refuse("members", "are none", expected="at least one", mend="draw members first")
    # The small allowance keeps 0.95 * 100 = 95.00000000000001 from asking for 96 members.
    return min(math.ceil(confidence * (members + 1) - 1e-9), members)


def latest_at_confidence(member_latest_s: NDArray[np.float64], confidence: float) -> float:
    """Give the latest time by which at least the asked share of members is clear, and a new member in that share too.

    It is the time of a member, each of which has its own latest time (which may be inf or -inf); inf when that many
    members are not bounded at all. Where the confidence asks for more members than there are, the earliest of all.

    Examples
    --------
    >>> latest_at_confidence(np.array([10.0, 20.0, 30.0, 40.0]), 0.6)
    20.0
    """
    late = member_latest_s.size - rank_at(member_latest_s.size, confidence)
    return float(np.partition(member_latest_s, late)[late])


def longest_at_confidence(member_duration_s: NDArray[np.float64], confidence: float) -> float:
    """Give the duration that at least the asked share of members does not exceed.

    Examples
    --------
    >>> longest_at_confidence(np.array([10.0, 20.0, 30.0, 40.0]), 0.6)
    30.0
    """
    rank = rank_at(member_duration_s.size, confidence)
    return float(np.partition(member_duration_s, rank - 1)[rank - 1])
