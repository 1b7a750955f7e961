"""The local shape of spread against published relations and plain geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.fire.ellipse import (
    back_to_head,
    combine_wind_and_slope,
    eccentricity,
    flank_to_head,
    growth_from_point,
    length_to_breadth,
)

# Alexander 1985, 1 + 0.0012 W^2.154; Taylor et al. 1997, forest; grass 1.1 W^0.464. All computed from equations that
# are remembered, not read.
RATIOS = [(0.0, 1.0, 1.0, 1.0), (10.0, 1.171, 1.476, 3.202), (30.0, 2.823, 3.835, 5.331), (40.0, 4.389, 5.032, 6.092)]


@pytest.mark.parametrize(("wind", "alexander", "taylor", "grass"), RATIOS)
def test_length_to_breadth(wind: float, alexander: float, taylor: float, grass: float) -> None:
    assert length_to_breadth(wind) == pytest.approx(min(alexander, taylor, 6.0), abs=6e-4)
    assert length_to_breadth(wind, grass=True) == pytest.approx(min(grass, 6.0), abs=6e-4)


# Back over head rate for a ratio: plain mathematics of the ellipse, (1 - e)/(1 + e).
@pytest.mark.parametrize(("ratio", "back"), [(1, 1.0), (1.5, 0.1459), (3, 0.02944), (5, 0.01021)])
def test_back_and_flank(ratio: float, back: float) -> None:
    assert back_to_head(ratio) == pytest.approx(back, rel=5e-4)
    # half the breadth of an ellipse whose length is head plus back
    assert flank_to_head(ratio) == pytest.approx((1 + back) / 2 / ratio, rel=5e-4)


# Growth from a point, 1 - exp(-0.115 t), t in minutes (computed from a remembered equation).
@pytest.mark.parametrize(("minutes", "share"), [(5, 0.4373), (10, 0.6834), (20, 0.8997), (30, 0.9683)])
def test_growth(minutes: float, share: float) -> None:
    assert growth_from_point(60.0 * minutes) == pytest.approx(share, abs=6e-5)


# Slope factor exp(0.069 deg): Noble et al. 1980 (memory), agrees with the seen AS 3959:2009 tables at 5 to 20 degrees.
@pytest.mark.parametrize("degrees", [-20.0, -10.0, -5.0, 5.0, 10.0, 15.0, 20.0])
def test_wind_straight_up_the_slope_gives_the_published_factor(degrees: float) -> None:
    rise = np.tan(np.radians(abs(degrees)))
    toward = np.sign(degrees)
    shape = combine_wind_and_slope(0.4, wind_east_m_s=20.0 * toward, wind_north_m_s=0.0, gradient_east=rise)
    if degrees > 0:
        assert shape.head_ros_m_s == pytest.approx(0.4 * np.exp(0.069 * degrees), rel=1e-9)
        assert shape.head_east == 1.0
    # downhill with the wind: not below the published rate, whichever way the head points
    e, cosine = shape.eccentricity, shape.head_east * toward
    along_wind = shape.head_ros_m_s * (1 - e) / (1 - e * cosine)
    assert along_wind >= 0.4 * np.exp(0.069 * degrees) * (1 - 1e-9)


def test_meter_value_downhill() -> None:
    # McArthur meter, FFDI 100, 15 t/ha, -5 degrees: 1.2748 km/h (computed from a remembered equation), 1.8 on the flat.
    # Wind of 60 km/h outweighs 5 degrees of slope, so the head still runs downhill with it.
    shape = combine_wind_and_slope(
        0.5, wind_east_m_s=60 / 3.6, wind_north_m_s=0.0, gradient_east=-np.tan(np.radians(5.0))
    )
    assert shape.head_east == 1.0
    assert shape.head_ros_m_s * 3.6 == pytest.approx(1.2748, abs=1e-3)


def test_steeper_than_twenty_degrees_counts_as_twenty() -> None:
    at_limit = combine_wind_and_slope(0.4, wind_east_m_s=5.0, wind_north_m_s=0.0, gradient_east=np.tan(np.radians(20)))
    past = combine_wind_and_slope(0.4, wind_east_m_s=5.0, wind_north_m_s=0.0, gradient_east=np.tan(np.radians(40)))
    assert past.head_ros_m_s == pytest.approx(at_limit.head_ros_m_s, rel=1e-12)
    assert past.eccentricity == pytest.approx(at_limit.eccentricity, rel=1e-12)


@given(
    st.floats(0.01, 5.0),
    st.floats(0.0, 30.0),
    st.floats(0.0, 2 * np.pi),
    st.floats(0.0, 1.0),
    st.floats(0.0, 2 * np.pi),
    st.booleans(),
)
def test_never_slower_along_the_wind_than_published(rate, wind, bearing, rise, aspect, grass) -> None:
    blows = np.array([np.cos(bearing), np.sin(bearing)])
    shape = combine_wind_and_slope(
        rate,
        wind_east_m_s=wind * blows[0],
        wind_north_m_s=wind * blows[1],
        gradient_east=rise * np.cos(aspect),
        gradient_north=rise * np.sin(aspect),
        grass=grass,
    )
    assert 0 < shape.back_ros_m_s <= shape.flank_ros_m_s <= shape.head_ros_m_s
    assert 0 <= shape.eccentricity <= eccentricity(6.0) + 1e-12
    if wind > 1e-6:
        along = np.clip(np.degrees(np.arctan(rise * np.cos(aspect - bearing))), -20, 20)
        cosine = shape.head_east * blows[0] + shape.head_north * blows[1]
        speed = shape.head_ros_m_s * (1 - shape.eccentricity) / (1 - shape.eccentricity * cosine)
        assert speed >= rate * np.exp(0.069 * along) * (1 - 1e-6)


@given(st.floats(0.0, 25.0), st.floats(0.0, 2 * np.pi), st.floats(0.0, 0.5), st.floats(0.0, 2 * np.pi))
def test_a_quarter_turn_turns_the_head(wind, bearing, rise, aspect) -> None:
    def shape(turn):
        return combine_wind_and_slope(
            0.5,
            wind_east_m_s=wind * np.cos(bearing + turn),
            wind_north_m_s=wind * np.sin(bearing + turn),
            gradient_east=rise * np.cos(aspect + turn),
            gradient_north=rise * np.sin(aspect + turn),
        )

    one, two = shape(0.0), shape(np.pi / 2)
    assert two.head_ros_m_s == pytest.approx(float(one.head_ros_m_s), rel=1e-6)
    if wind * 3.6 + rise > 0.1 and one.eccentricity > 0.05:
        assert two.head_north == pytest.approx(float(one.head_east), abs=1e-3)


@pytest.mark.parametrize("rate", [0.0, -1.0, np.nan])
def test_bad_rates_are_refused(rate: float) -> None:
    with pytest.raises(InputError, match="head rate of spread"):
        combine_wind_and_slope(rate, wind_east_m_s=1.0, wind_north_m_s=0.0)
    with pytest.raises(InputError):
        length_to_breadth(-1.0)
    with pytest.raises(InputError):
        eccentricity(0.5)
    with pytest.raises(InputError):
        growth_from_point(-1.0)
    with pytest.raises(InputError, match="gradient"):
        combine_wind_and_slope(1.0, wind_east_m_s=1.0, wind_north_m_s=0.0, gradient_east=np.nan)
