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

LOWEST_FACTOR: Final = LOWEST_ROS_FACTOR.value
HIGHEST_FACTOR: Final = HIGHEST_ROS_FACTOR.value
"""Factors are held within this range: mean errors of up to 310 % are published (Cruz and Alexander 2013), but a factor
of 8 on the fastest equations passes any fire on record. `ERROR_ASSUMPTIONS` says so, and how often it cuts."""


@dataclass(frozen=True)
class ModelError:
    """Distribution of observed over predicted rate of spread of one model.

    Attributes
    ----------
    model : str
        Key of the model.
    mu, sigma : float
        Mean and standard deviation of the logarithm of observed over predicted.
    origin : str
        Where they come from, and how.
    """

    model: str
    mu: float
    sigma: float
    origin: str


def mape_of_sigma(sigma: float) -> float:
    """Mean absolute percentage error, as a share, of a lognormal ratio centred on 1.

    Derived by integrating `abs(exp(sigma z) - 1)` over the standard normal density.

    Examples
    --------
    >>> round(mape_of_sigma(0.5), 3)
    0.434
    """
    phi = 0.5 * (1.0 + math.erf(sigma / math.sqrt(2.0)))
    return math.exp(0.5 * sigma * sigma) * (2.0 * phi - 1.0)


def sigma_of_mape(mape: float) -> float:
    """Standard deviation of the logarithm that gives a mean absolute percentage error, as a share from 0 to 3.

    Examples
    --------
    >>> round(sigma_of_mape(0.46), 2)
    0.53
    """
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


MARK5_ON_WILDFIRES: Final = (1.0 / (1.0 - 0.73), 0.5 * (3.5 + 4.0) / 2.0)
"""Observed over predicted by Mark 5: Tasmania, January 2013, 12 runs, predicted 73 % too slow on average
(Marsden-Smedley 2014); Bemm River, October 1988, 3.5 to 4.0 km/h observed and 2.0 predicted. Both read in abstracts."""

MODEL_ERRORS: Final[Mapping[str, ModelError]] = {
    error.model: error
    for error in (
        ModelError(
            "dry_eucalypt",
            mu=-math.log(1.0 - 0.04),
            sigma=sigma_of_mape(0.46),
            origin=(
                "centre: -4 % on 12 runs, Tasmania 2013 (Marsden-Smedley 2014); width: 35 to 46 % mean absolute error "
                "published for the later model on the same kind of fires (IJWF 31:81-95), the wider end; its 81 to 84 "
                "% on independent wildfires come from slow fires predicted too fast (under 30 % above 2 km/h)"
            ),
        ),
        ModelError(
            "mark5",
            mu=sum(math.log(ratio) for ratio in MARK5_ON_WILDFIRES) / len(MARK5_ON_WILDFIRES),
            sigma=sigma_of_mape(0.46),
            origin=(
                "centre: geometric mean of two published comparisons (3.7 in Tasmania 2013, 1.9 at Bemm River), a vote "
                "each since runs of one outbreak are not independent: 2.6 times too slow; width: not published, "
                "taken as for the dry eucalypt model"
            ),
        ),
        ModelError(
            "grass",
            mu=0.0,
            sigma=sigma_of_mape(0.51),
            origin=(
                "no error of its own is at hand: just over half of 49 data sets have mean errors of 51 to 75 % (Cruz "
                "and Alexander 2013), the lower end for a model used in the fuel it was made for"
            ),
        ),
        ModelError(
            "shrubland",
            mu=0.0,
            sigma=sigma_of_mape(0.52),
            origin=(
                "46 to 52 % mean absolute error on 32 published wildfires with fuel moisture as it is computed here, "
                "the wider end; with the moisture published for each fire 41 % and a bias of -0.01 km/h"
            ),
        ),
        ModelError(
            "rule_10_percent",
            mu=0.0,
            sigma=sigma_of_mape(0.50),
            origin="mean relative error under 50 % in dry fuel and strong wind, 118 runs (Cruz and Alexander 2019)",
        ),
        ModelError(
            "rule_20_percent",
            mu=0.0,
            sigma=sigma_of_mape(0.51),
            origin="no error of its own is at hand: as for the grass model",
        ),
    )
}
"""The error of each model, by its key."""


def share_cut(model: str) -> float:
    """Share of members whose factor on a model is cut at `HIGHEST_FACTOR`.

    Examples
    --------
    >>> round(share_cut("mark5"), 3), share_cut("grass") < 0.001
    (0.017, True)
    """
    error = MODEL_ERRORS[model]
    return 0.5 * math.erfc((math.log(HIGHEST_FACTOR) - error.mu) / (error.sigma * math.sqrt(2.0)))


ERROR_ASSUMPTIONS: Final = (
    "How far each rate-of-spread model is off is taken as a lognormal factor, from published mean errors; where none "
    "is published, from the common ones. Its centre for the forest Mark 5 model is 2.6, since that model is known to "
    "be slow on wildfires.",
    f"No fire is taken to be more than {HIGHEST_FACTOR:g} times as fast as a model says, nor slower than "
    f"{LOWEST_FACTOR:g} times (judgement): faster fires are in no member. That cuts {100 * share_cut('mark5'):.0f} of "
    "100 members of the forest Mark 5 model, and fewer than 1 of 1,000 of any other.",
)
"""What the factors rest on, for the list of assumptions of a result."""


def ros_factor(model: str, z: float) -> float:
    """Factor on a model's rate of spread for a standard normal number, within 0.25 to 8.

    Parameters
    ----------
    model : str
        Key of the model, as in `MODEL_ERRORS`.
    z : float
        Standard normal; above 0 for a fire faster than the middle one.

    Returns
    -------
    float
        Observed over predicted rate of spread.

    Raises
    ------
    KeyError
        For a model without a published error.

    References
    ----------
    Cruz and Alexander (2013), Environmental Modelling and Software 47:16-28; the sources named in each `origin`.

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
    """Factors of all models for one member's standard normal number.

    Examples
    --------
    >>> sorted(ros_factors(0.0))
    ['dry_eucalypt', 'grass', 'mark5', 'rule_10_percent', 'rule_20_percent', 'shrubland']
    """
    return {model: ros_factor(model, z) for model in MODEL_ERRORS}
