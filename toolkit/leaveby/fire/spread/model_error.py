"""How far each rate-of-spread model is off, as a distribution to sample from.

A member of an ensemble multiplies a model's rate of spread by `ros_factor(model, z)`, with `z` a standard normal number
drawn for that member. The factor is observed over predicted rate of spread and lognormal, `exp(mu + sigma z)`.

Published are mean percentage errors, not distributions, so `sigma` is derived: for a lognormal ratio centred on 1 the
mean absolute percentage error is `exp(sigma**2 / 2) * (2 Phi(sigma) - 1)`, with `Phi` the standard normal distribution
function, and that is solved for `sigma`. Within one member it is the same fire, the same day and the same map that
make a model wrong, so one `z` should serve all models of a member.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from leaveby.parameters import HIGHEST_ROS_FACTOR, LOWEST_ROS_FACTOR
from leaveby.regions import assumed, table_rows

LOWEST_FACTOR: Final = LOWEST_ROS_FACTOR.value
HIGHEST_FACTOR: Final = HIGHEST_ROS_FACTOR.value
"""Factors are held within this range: mean errors of up to 310 % are published (Cruz and Alexander 2013), but a factor
of 8 on the fastest equations passes any fire on record. `ERROR_ASSUMPTIONS` says so, and how often it cuts."""


@dataclass(frozen=True)
class ModelError:
    """Mean and standard deviation of the logarithm of observed over predicted rate of spread of one model."""

    model: str
    mu: float
    sigma: float
    source: str


def mape_of_sigma(sigma: float) -> float:
    """Mean absolute percentage error, as a share, of a lognormal ratio centred on 1: see the module's words."""
    phi = 0.5 * (1.0 + math.erf(sigma / math.sqrt(2.0)))
    return math.exp(0.5 * sigma * sigma) * (2.0 * phi - 1.0)


def sigma_of_mape(mape: float) -> float:
    """Standard deviation of the logarithm that gives a mean absolute percentage error, as a share from 0 to 3."""
    if not 0.0 <= mape <= 3.0:
        raise ValueError(f"a mean absolute percentage error of {mape:.0%} can't be taken")
    low, high = 0.0, 3.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if mape_of_sigma(middle) < mape:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


MODEL_ERRORS: Final[Mapping[str, ModelError]] = {
    row["model"]: ModelError(
        row["model"], float(row["mu"]), sigma_of_mape(float(row["mean_absolute_error"])), row["source"]
    )
    for row in table_rows(__package__, "model_errors.csv")
}
"""The error of each model, by its key."""


def share_cut(model: str) -> float:
    """Share of members whose factor on a model is cut at `HIGHEST_FACTOR`."""
    error = MODEL_ERRORS[model]
    return 0.5 * math.erfc((math.log(HIGHEST_FACTOR) - error.mu) / (error.sigma * math.sqrt(2.0)))


ERROR_ASSUMPTIONS: Final = assumed(
    "fire/assumptions", "model_error", highest=HIGHEST_FACTOR, lowest=LOWEST_FACTOR, cut=100.0 * share_cut("mark5")
)
"""What the factors rest on, for the list of assumptions of a result."""


def ros_factor(model: str, z: float) -> float:
    """Factor on a model's rate of spread for a standard normal number, within 0.25 to 8.

    `z` is above 0 for a fire faster than the middle one; a model without a published error raises KeyError. Cruz and
    Alexander (2013), Environmental Modelling and Software 47:16-28, and the sources named in `model_errors.csv`.

    Examples
    --------
    >>> round(ros_factor("mark5", 0.0), 2), round(ros_factor("dry_eucalypt", 1.645), 2)
    (2.64, 2.47)
    """
    if not math.isfinite(z):
        raise ValueError(f"z must be finite, not {z}")
    error = MODEL_ERRORS[model]
    return min(max(math.exp(error.mu + error.sigma * z), LOWEST_FACTOR), HIGHEST_FACTOR)


def ros_factors(z: float) -> dict[str, float]:
    """Factors of all models for one member's standard normal number."""
    return {model: ros_factor(model, z) for model in MODEL_ERRORS}
