"""A bottleneck: when vehicles that come to it get past, first in, first out, without steps of time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import refused


def pass_bottleneck(arrival_s: NDArray[np.float64], *, headway_s: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """When each vehicle is past a place that lets no two by sooner after one another than a headway.

    The queue with arrivals and service known, D/D/1 (common practice, no source): vehicle i is past at its arrival or
    a headway after the one before, whichever is later; written out, the latest over all j up to i of the arrival of j
    and the headways of those after it up to i. That is exact, and takes one pass.

    Parameters
    ----------
    arrival_s
        Shape (v,), rising (equal ones pass in the order given): when each comes to the place. Vehicles from several
        streets are put in one order of arrival first.
    headway_s
        Least time behind the vehicle before, 0 or more: 1 / capacity in vehicles a second. One for all or one for each
        vehicle, shape (v,); that of the first counts for nothing. A part w of a vehicle takes w of a headway.

    Returns
    -------
    NDArray[np.float64]
        Shape (v,), rising, on the clock of `arrival_s` and never before it; the wait is what lies between.

    Raises
    ------
    InputError
        For arrivals that fall or are not finite, and headways that are negative or not finite.

    Examples
    --------
    Four cars at once, one every 2 s past a junction, and a fifth when all are gone:

    >>> pass_bottleneck(np.array([0.0, 0.0, 0.0, 0.0, 60.0]), headway_s=2.0).tolist()
    [0.0, 2.0, 4.0, 6.0, 60.0]

    A trailer, third in line, that needs 10 s:

    >>> pass_bottleneck(np.zeros(4), headway_s=np.array([2.0, 2.0, 10.0, 2.0])).tolist()
    [0.0, 2.0, 12.0, 14.0]
    """
    arrival = np.asarray(arrival_s, dtype=np.float64)
    headway = np.broadcast_to(np.asarray(headway_s, dtype=np.float64), arrival.shape)
    if not np.isfinite(arrival).all() or (np.diff(arrival) < 0.0).any():
        raise refused("arrival_s", "arrivals_not_in_order")
    if not (np.isfinite(headway) & (headway >= 0.0)).all():
        raise refused("headway_s", "headway_not_a_time")
    taken = np.cumsum(headway)
    # rounding of the sums must not let anyone by before they came
    return np.maximum(taken + np.maximum.accumulate(arrival - taken), arrival)
