"""How well a leave-by is known: from how many members it is ranked, and how well their fires are known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence, rank_at
from leaveby.decision.fires.design import SURE, left_out_error_s
from leaveby.decision.fires.members import Members
from leaveby.decision.ways.confidence import latest_start
from leaveby.decision.ways.result import Precision


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
