"""The error of each model as a distribution: what is published must come out of it again."""

from __future__ import annotations

import math

import numpy as np
import pytest

from leaveby.fire.spread.model_error import (
    ERROR_ASSUMPTIONS,
    HIGHEST_FACTOR,
    LOWEST_FACTOR,
    MODEL_ERRORS,
    mape_of_sigma,
    ros_factor,
    ros_factors,
    share_cut,
    sigma_of_mape,
)
from leaveby.fire.spread.series import MODELS


def test_every_model_has_an_error_and_says_from_where() -> None:
    assert set(MODEL_ERRORS) == set(MODELS)
    assert all(len(error.source) > 20 for error in MODEL_ERRORS.values())


@pytest.mark.parametrize("sigma", [0.1, 0.5, 0.9])
def test_the_percentage_error_of_a_lognormal_ratio_by_sampling(sigma: float) -> None:
    z = np.random.default_rng(7).standard_normal(1_000_000)
    sampled = float(np.abs(np.exp(sigma * z) - 1.0).mean())
    assert mape_of_sigma(sigma) == pytest.approx(sampled, rel=5e-3)
    assert sigma_of_mape(mape_of_sigma(sigma)) == pytest.approx(sigma, abs=1e-9)


@pytest.mark.parametrize(
    ("model", "mape"),
    [
        ("dry_eucalypt", 0.46),  # 35 to 46 %, IJWF 31:81-95 (read in the abstract), the wider end
        # On 32 published wildfires: 41 % with the moisture published for each, 46 to 52 % with that computed here from
        # the weather. Both computed outside; the fires themselves are not in this project. The wider end.
        ("shrubland", 0.52),
        ("rule_10_percent", 0.50),  # under 50 %, Cruz and Alexander 2019 (read in the abstract)
    ],
)
def test_published_percentage_errors_come_out_of_the_samples(model: str, mape: float) -> None:
    z = np.random.default_rng(8).standard_normal(400_000)
    error = MODEL_ERRORS[model]
    # Predicted over observed, about its own middle.
    ratio = np.exp(-error.sigma * z)
    assert float(np.abs(ratio - 1.0).mean()) == pytest.approx(mape, rel=0.02)


def test_the_middle_of_each_model_is_its_published_bias() -> None:
    assert ros_factor("dry_eucalypt", 0.0) == pytest.approx(1.0 / 0.96)  # -4 %, Marsden-Smedley 2014 (read)
    # -73 % there, and 2.0 against 3.5 to 4.0 km/h at Bemm River (both read): between 1.9 and 3.7, never centred on 1.
    assert ros_factor("mark5", 0.0) == pytest.approx(math.sqrt(3.75 / 2.0 / 0.27))
    assert ros_factor("mark5", -1.0) > 1.0
    for model in ("grass", "shrubland", "rule_10_percent", "rule_20_percent"):
        assert ros_factor(model, 0.0) == 1.0


def test_a_third_of_predictions_or_more_lies_within_35_percent() -> None:
    # Cruz and Alexander (2013): +/-35 % is put forward as a fair standard, and just over half of 49 data sets have mean
    # errors of 51 to 75 % (read): no model here may look much better than that, nor hopeless.
    for error in MODEL_ERRORS.values():
        z = np.random.default_rng(9).standard_normal(100_000)
        within = float((np.abs(np.exp(-error.sigma * z) - 1.0) < 0.35).mean())
        assert 0.35 <= within <= 0.65, error.model


def test_factors_rise_with_z_and_stay_in_their_range() -> None:
    z = np.linspace(-6.0, 6.0, 121)
    for model in MODELS:
        factors = np.array([ros_factor(model, float(value)) for value in z])
        assert np.all(np.diff(factors) >= 0.0)
        assert factors[0] >= LOWEST_FACTOR
        assert factors[-1] == HIGHEST_FACTOR
    assert ros_factors(1.0)["mark5"] == ros_factor("mark5", 1.0)


def test_the_cut_is_among_the_assumptions_with_how_often_it_cuts() -> None:
    z = np.random.default_rng(11).standard_normal(1_000_000)
    for model, error in MODEL_ERRORS.items():
        counted = float((np.exp(error.mu + error.sigma * z) > HIGHEST_FACTOR).mean())
        assert share_cut(model) == pytest.approx(counted, abs=5e-4)
        assert share_cut(model) < 0.001 or model == "mark5"
    assert ERROR_ASSUMPTIONS[1] == (
        "No fire is taken to be more than 8 times as fast as a model says, nor slower than 0.25 times (judgement): "
        "faster fires are not counted. That cuts 2 of 100 fires of the forest Mark 5 model, and fewer than 1 of "
        "1,000 of any other."
    )


def test_what_can_not_be_taken_is_refused() -> None:
    with pytest.raises(KeyError):
        ros_factor("mark6", 0.0)
    with pytest.raises(ValueError, match="finite"):
        ros_factor("mark5", float("nan"))
    with pytest.raises(ValueError, match="percentage"):
        sigma_of_mape(-0.1)
