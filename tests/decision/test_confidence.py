"""Order statistics against numpy, and the promise that the asked share of members is clear."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.confidence import latest_at_confidence, longest_at_confidence, rank_at
from leaveby.decision.ways.confidence import latest_on_route, latest_start, share_clear
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


@pytest.mark.parametrize("members", [250, 350, 750])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99])
def test_the_rank_is_the_least_whose_expected_coverage_is_enough(members: int, confidence: float) -> None:
    """k / (n + 1) is what the k-th of n covers of one that is drawn anew (order statistics; from memory).

    In whole numbers, so that no rounding takes part. At 250, 350 and 750 members a rank of confidence (n - 1) is one
    too low for 0.95.
    """
    percent = round(100 * confidence)
    rank = rank_at(members, confidence)
    assert 100 * rank >= percent * (members + 1) > 100 * (rank - 1)
    times_s = np.random.default_rng(3).permutation(np.arange(1.0, members + 1.0))
    assert longest_at_confidence(times_s, confidence) == rank
    assert latest_at_confidence(times_s, confidence) == members + 1 - rank


@pytest.mark.parametrize("members", [250, 350, 750])
def test_who_is_ready_and_who_is_clear_are_ranked_alike(members: int) -> None:
    """Turned round, times to be ready are times to be clear: no room has a rank of its own."""
    times_s = np.random.default_rng(9).normal(size=members)
    for confidence in (0.5, 0.9, 0.95, 0.99):
        assert longest_at_confidence(times_s, confidence) == -latest_at_confidence(-times_s, confidence)


# --- start by, be rolling by ---------------------------------------------------------------------------------------

pairs = st.lists(st.tuples(st.floats(-1e4, 1e4) | st.just(np.inf), st.floats(0.0, 1e4)), min_size=1, max_size=80)


@given(pairs, st.sampled_from([0.5, 0.8, 0.9, 0.95]))
def test_start_by_and_rolling_by_are_one_statement(members: list[tuple[float, float]], confidence: float) -> None:
    """Counted on the members: starting by S rolls by R in the share, rolling by R is clear in the share, and both."""
    leave_s, ready_s = (np.array(column) for column in zip(*members, strict=True))
    roll_by_s = latest_at_confidence(leave_s, confidence)
    start_by_s = latest_start(leave_s, ready_s=ready_s, confidence=confidence)
    assert np.mean(leave_s >= roll_by_s) >= confidence - 1e-9
    assert start_by_s <= roll_by_s
    if np.isfinite(roll_by_s):
        assert np.mean(start_by_s + ready_s <= roll_by_s + 1e-6) >= confidence - 1e-9
        assert np.mean(start_by_s + ready_s <= leave_s + 1e-6) >= confidence - 1e-9


def test_the_latest_start_with_pencil_and_paper() -> None:
    """Ten members leave at 10, 20 ... 100 at the latest; at 0.8 nine of ten count, so R is 20.

    All ready within 5: S is 15. Two in ten need 50, and they are those with time: nine of ten need up to 50, S is -30.
    One in ten needs 90, the member that could leave at 30: nine of ten are ready within 5, but begun at 15 two are
    late, those of 10 and 30; begun at 5 only one is (10 - 5 is just made: S = 5, that of 30 is late).
    """
    leave_s = np.arange(10.0, 101.0, 10.0)
    quick = np.full(10, 5.0)
    assert latest_start(leave_s, ready_s=quick, confidence=0.8) == 15.0
    two = quick.copy()
    two[8:] = 50.0
    assert latest_start(leave_s, ready_s=two, confidence=0.8) == -30.0
    one = quick.copy()
    one[2] = 90.0
    assert latest_start(leave_s, ready_s=one, confidence=0.8) == 5.0


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
