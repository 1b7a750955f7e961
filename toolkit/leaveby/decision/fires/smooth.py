"""From a hundred fires to any number of them: what a fire does, as smooth functions of the numbers that are drawn.

When fire shuts a stretch of road is a smooth function of the few numbers that make a member's fire: how wrong the
equation, the wind and the clock of the weather are, where and when it started. Radial basis functions through the
fires that were solved give it for any others, with an error that is measured by leaving out each fire in turn, and
that is drawn with every prediction. "Not within the horizon" is a class of its own: times are fitted through those
fires alone that came, and whether one comes at all is another function.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist

LEAST_S: Final = 60.0
"""Times are fitted by their logarithm; fire that is there within the first minute counts as there after one."""

NEAR: Final = 8
"""The error of a prediction is that of one of so many solved fires about it, drawn at random."""

LEAST_WEIGHT: Final = 0.25

Kernel = Literal["cubic", "linear"]


@dataclass(frozen=True)
class _Part:
    """Columns that the same fires reach, with their functions.

    `log_s` is None where too few fires came for a function: then the earliest of them stands for all. `comes` is which
    column of the function of that name tells whether they come, None where every fire came.
    """

    columns: NDArray[np.int64]
    earliest_s: NDArray[np.float64]
    log_s: RBFInterpolator | None
    log_error: NDArray[np.float64]
    came: KDTree | None
    comes: int | None


@dataclass(frozen=True)
class SmoothTimes:
    """Times as functions of a fire's numbers (`smooth_times` makes them, `times_at` reads them)."""

    columns: int
    parts: tuple[_Part, ...]
    solved: KDTree
    comes: RBFInterpolator | None
    comes_error: NDArray[np.float64]
    weight: NDArray[np.float64]


def smooth_times(numbers: NDArray[np.float64], since_s: NDArray[np.float64]) -> SmoothTimes:
    """Put smooth functions through solved fires.

    The logarithm of each time is a cubic radial basis function with a linear part, through every fire (scipy's
    `RBFInterpolator`); whether fire comes is a linear one through 1 and -1, which never leaves their range by much.
    What was drawn for each fire, shape (fires, numbers), is of about unit spread; times, shape (fires, columns), count
    from the fire's start and are inf where it does not come within the horizon.
    """
    came = np.isfinite(since_s)
    patterns, which = np.unique(came, axis=1, return_inverse=True)
    log_s = np.log(np.maximum(since_s, LEAST_S))
    weight = _weights(numbers, log_s, came)
    numbers = numbers * weight
    parts: list[_Part] = []
    unsure = patterns[:, patterns.any(axis=0) & ~patterns.all(axis=0)]
    for number in range(patterns.shape[1]):
        reached, columns = patterns[:, number], np.flatnonzero(np.ravel(which) == number)
        if reached.any():
            comes = None if reached.all() else sum(part.comes is not None for part in parts)
            parts.append(_part(numbers, log_s[:, columns], reached, columns=columns, comes=comes))
    class_of = np.where(unsure, 1.0, -1.0)
    return SmoothTimes(
        columns=since_s.shape[1],
        parts=tuple(parts),
        solved=KDTree(numbers),
        comes=RBFInterpolator(numbers, class_of, kernel="linear", degree=0) if unsure.size else None,
        comes_error=left_out_errors(numbers, class_of, kernel="linear") if unsure.size else class_of,
        weight=weight,
    )


def _weights(numbers: NDArray[np.float64], log_s: NDArray[np.float64], came: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Say how much each number counts in how far apart two fires are: as much as it moves the times."""
    heard = came.any(axis=1)
    if heard.sum() <= 2 * numbers.shape[1] + 1:
        return np.ones(numbers.shape[1])
    mean = np.mean(log_s[heard], axis=1, where=came[heard])
    terms = np.column_stack([np.ones(heard.sum()), numbers[heard], numbers[heard] ** 2])
    moves = np.abs(np.linalg.lstsq(terms, mean)[0][1:]).reshape(2, -1).sum(axis=0)
    return np.maximum(moves / moves.max(), LEAST_WEIGHT) if moves.max() > 0.0 else np.ones(numbers.shape[1])


def _part(
    numbers: NDArray[np.float64],
    log_s: NDArray[np.float64],
    reached: NDArray[np.bool_],
    *,
    columns: NDArray[np.int64],
    comes: int | None,
) -> _Part:
    here, known = numbers[reached], log_s[reached]
    enough = len(here) > 2 * (numbers.shape[1] + 1)
    return _Part(
        columns=columns,
        earliest_s=np.exp(known.min(axis=0)),
        log_s=RBFInterpolator(here, known, kernel="cubic", degree=1) if enough else None,
        log_error=left_out_errors(here, known, kernel="cubic") if enough else np.zeros((0, columns.size)),
        came=KDTree(here) if enough else None,
        comes=comes,
    )


def left_out_errors(
    numbers: NDArray[np.float64], values: NDArray[np.float64], *, kernel: Kernel
) -> NDArray[np.float64]:
    """Give by how much each value lies above what the function through all the others says.

    In closed form: the coefficient of the left-out point over its entry in the inverse of the interpolation matrix
    (Rippa 1999, Advances in Computational Mathematics 11:193-210; from memory), so that no function is fitted anew. The
    cubic kernel has a linear part, the linear one a constant.
    """
    count = len(numbers)
    apart = cdist(numbers, numbers)
    tail = np.column_stack([np.ones(count), numbers]) if kernel == "cubic" else np.ones((count, 1))
    blank = np.zeros((tail.shape[1], tail.shape[1]))
    whole = np.block([[apart**3 if kernel == "cubic" else -apart, tail], [tail.T, blank]])
    inverse = np.linalg.inv(whole)[:count, :count]
    return np.asarray((inverse @ values) / np.diag(inverse)[:, None], dtype=np.float64)


def times_at(
    smooth: SmoothTimes, numbers: NDArray[np.float64], *, rng: np.random.Generator | None = None
) -> NDArray[np.float64]:
    """Read the times of other fires off the functions, shape (members, columns); inf where fire does not come.

    With a generator, each prediction's error is drawn: that of one of the solved fires about it, the same fire for all
    columns. Without, the functions themselves are read.
    """
    numbers = numbers * smooth.weight
    found = np.full((len(numbers), smooth.columns), np.inf)
    near = None if rng is None or smooth.comes is None else _nearest(smooth.solved, numbers)
    sure = None if smooth.comes is None else smooth.comes(numbers)
    for part in smooth.parts:
        if part.log_s is None or part.came is None:
            since_s = np.tile(part.earliest_s, (len(numbers), 1))
        else:
            since_s = part.log_s(numbers)
            if rng is not None:
                drawn = _drawn(_nearest(part.came, numbers), rng)
                for log_s, error in zip(since_s.T, part.log_error.T, strict=True):
                    log_s += error[drawn]
            np.exp(since_s, out=since_s)
        if part.comes is not None and sure is not None:
            comes = sure[:, part.comes]
            if rng is not None and near is not None:
                comes = comes + smooth.comes_error[_drawn(near, rng), part.comes]
            since_s[~(comes > 0.0)] = np.inf
        found[:, part.columns] = since_s
    return found


def _nearest(solved: KDTree, numbers: NDArray[np.float64]) -> NDArray[np.int64]:
    """The solved fires nearest to each row, shape (members, up to `NEAR`)."""
    _, near = solved.query(numbers, k=min(NEAR, solved.n))
    return np.asarray(near, dtype=np.int64).reshape(len(numbers), -1)


def _drawn(near: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw one of the nearest for each row."""
    return near[np.arange(len(near)), rng.integers(near.shape[1], size=len(near))]
