"""How well a leave-by is known from a finite number of members, and how many would be needed to know it better."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.ways.confidence import latest_start
from leaveby.decision.ways.result import Precision

WANTED_S: Final = 300.0
"""How near a leave-by should be known where the plan does not say: half the interval's width, 5 minutes."""

RESAMPLES: Final = 400
INTERVAL: Final = (0.05, 0.95)


def bootstrap_precision(
    latest_departure_s: NDArray[np.float64],
    confidence: float,
    *,
    ready_s: NDArray[np.float64] | None = None,
    rng: np.random.Generator,
    wanted_s: float | None = None,
) -> Precision:
    """Estimate the interval a leave-by lies in by resampling the members (Efron 1979, Annals of Statistics 7:1-26).

    Parameters
    ----------
    latest_departure_s : ndarray of float64, shape (members,)
        May hold inf and -inf.
    confidence : float
    ready_s : ndarray of float64, shape (members,), optional
        Of the same members; when left out, the interval is that of the latest departure, else of the latest start.
    rng : numpy.random.Generator
    wanted_s : float, optional
        How near it should be known, half the interval's width; `WANTED_S` when left out.

    Returns
    -------
    Precision
        The middle 90 % of the resampled leave-bys; bounds may be infinite.

    Examples
    --------
    >>> found = bootstrap_precision(np.linspace(0.0, 3600.0, 401), 0.95, rng=np.random.default_rng(1))
    >>> bool(found.low_s <= 180.0 <= found.high_s), found.members
    (True, 401)
    """
    members = latest_departure_s.size
    ready_s = np.zeros(members) if ready_s is None else ready_s
    picks = rng.integers(0, members, size=(RESAMPLES, members))
    found = np.sort(
        [latest_start(latest_departure_s[pick], ready_s=ready_s[pick], confidence=confidence) for pick in picks]
    )
    low, high = (found[min(int(share * RESAMPLES), RESAMPLES - 1)] for share in INTERVAL)
    precision = Precision(members=members, low_s=float(low), high_s=float(high), wanted_s=wanted_s or WANTED_S)
    return replace(precision, needed=members_needed(precision, wanted_s=precision.wanted_s))


def half_width_s(precision: Precision) -> float:
    """Give half the width of the interval; 0 when both bounds are the same infinity, inf when only one is bounded.

    Examples
    --------
    >>> half_width_s(Precision(members=100, low_s=0.0, high_s=600.0))
    300.0
    """
    if precision.low_s == precision.high_s:
        return 0.0
    return (precision.high_s - precision.low_s) / 2.0


def members_needed(precision: Precision, *, wanted_s: float) -> float:
    """Estimate how many members would bring the half width down to what is wanted: it falls with their square root.

    Examples
    --------
    >>> members_needed(Precision(members=100, low_s=0.0, high_s=600.0), wanted_s=150.0)
    400.0
    """
    half_s = half_width_s(precision)
    return float(np.ceil(precision.members * (half_s / wanted_s) ** 2)) if np.isfinite(half_s) else np.inf
