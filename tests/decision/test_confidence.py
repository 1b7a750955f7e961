"""Order statistics against numpy, and the promise that the asked share of members is clear."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.decision.confidence import latest_at_confidence, latest_on_route, longest_at_confidence, share_clear
from leaveby.errors import InputError

times = st.lists(st.floats(-1e5, 1e5), min_size=1, max_size=60).map(np.array)


@given(times, st.floats(0.01, 0.999))
def test_at_least_the_asked_share_is_clear(latest_s: np.ndarray, confidence: float) -> None:
    at_s = latest_at_confidence(latest_s, confidence)
    assert share_clear(latest_s, np.array([at_s]))[0] >= confidence - 1e-9


@given(times, st.floats(0.01, 0.999))
def test_the_longest_duration_is_numpys_inverted_cdf_or_the_next_member(
    duration_s: np.ndarray, confidence: float
) -> None:
    """Source: numpy.quantile, method "inverted_cdf" (Hyndman and Fan 1996, definition 1)."""
    expected = np.quantile(duration_s, confidence, method="inverted_cdf")
    found = longest_at_confidence(duration_s, confidence)
    rank = int(np.searchsorted(np.sort(duration_s), expected))
    assert expected <= found <= np.sort(duration_s)[min(rank + 1 + np.sum(duration_s == expected), duration_s.size - 1)]


def test_a_new_member_misses_it_no_more_often_than_asked() -> None:
    """The expected coverage of order statistics is k / (n + 1) (David and Nagaraja 2003, memory), by simulation."""
    rng = np.random.default_rng(11)
    sets = rng.normal(size=(20_000, 200))
    at_s = np.array([latest_at_confidence(one, 0.95) for one in sets])
    missed = np.mean(rng.normal(size=20_000) < at_s)
    assert missed <= 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / 20_000)


@given(times, st.floats(0.01, 0.98), st.floats(0.0, 0.019))
def test_more_confidence_is_never_later(latest_s: np.ndarray, confidence: float, more: float) -> None:
    assert latest_at_confidence(latest_s, confidence + more) <= latest_at_confidence(latest_s, confidence)


@given(times)
def test_starting_later_never_raises_the_share_that_is_clear(latest_s: np.ndarray) -> None:
    curve = share_clear(latest_s, np.linspace(-2e5, 2e5, 50))
    assert np.all(np.diff(curve) <= 0.0)
    assert curve[0] == 1.0
    assert curve[-1] == 0.0


@pytest.mark.parametrize("confidence", [0.0, 1.0, 1.5, -0.1])
def test_certainty_is_refused(confidence: float) -> None:
    with pytest.raises(InputError, match="nothing computed can be certain"):
        latest_at_confidence(np.array([1.0]), confidence)


def test_latest_departure_with_pencil_and_paper() -> None:
    """Three stretches of 2, 3 and 5 minutes that shut at 60, 40 and 70 minutes, margin 10 minutes.

    By hand: 60 - 10 - 2 = 48; 40 - 10 - 5 = 25; 70 - 10 - 10 = 50. The second stretch governs: leave by minute 25.
    With the drive half as long again: 40 - 10 - 7.5 = 22.5.
    """
    closing_s = np.array([[60.0, 40.0, 70.0], [60.0, 40.0, 70.0]]) * 60.0
    found = latest_on_route(
        closing_s, np.array([120.0, 180.0, 300.0]), margin_s=600.0, drive_factor=np.array([1.0, 1.5])
    )
    assert (found / 60.0).tolist() == [25.0, 22.5]


def test_a_route_nothing_shuts_has_no_latest_departure() -> None:
    found = latest_on_route(np.full((1, 2), np.inf), np.array([1.0, 1.0]), margin_s=0.0, drive_factor=np.array([1.0]))
    assert np.isposinf(found).all()
