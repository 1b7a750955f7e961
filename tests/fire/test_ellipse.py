"""The local shape of spread against published relations and plain geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.fire.spread.ellipse import (
    SpreadTable,
    any_wind,
    eccentricity,
    length_to_breadth,
    local_ellipse,
    shape_table,
)
from leaveby.fire.terrain import Grid

# Alexander 1985, 1 + 0.0012 W^2.154; Taylor et al. 1997, forest; grass 1.1 W^0.464. All computed from equations that
# are remembered, not read.
RATIOS = [(0.0, 1.0, 1.0, 1.0), (10.0, 1.171, 1.476, 3.202), (30.0, 2.823, 3.835, 5.331), (40.0, 4.389, 5.032, 6.092)]


@pytest.mark.parametrize(("wind", "alexander", "taylor", "grass"), RATIOS)
def test_length_to_breadth(wind: float, alexander: float, taylor: float, grass: float) -> None:
    assert length_to_breadth(wind) == pytest.approx(min(alexander, taylor, 6.0), abs=6e-4)
    assert length_to_breadth(wind, grass=True) == pytest.approx(min(grass, 6.0), abs=6e-4)


# Back over head rate for a ratio: plain mathematics of the ellipse, (1 - e)/(1 + e).
@pytest.mark.parametrize(("ratio", "back"), [(1, 1.0), (1.5, 0.1459), (3, 0.02944), (5, 0.01021)])
def test_eccentricity(ratio: float, back: float) -> None:
    e = float(eccentricity(ratio))
    assert (1 - e) / (1 + e) == pytest.approx(back, rel=5e-4)


def local(head_ros_m_s: float, *, wind=(0.0, 0.0), gradient=(0.0, 0.0), grass: bool = False):
    return local_ellipse(head_ros_m_s, *wind, *gradient, shape_table()[int(grass)])


# Slope factor exp(0.069 deg): Noble et al. 1980 (memory), agrees with the seen AS 3959:2009 tables at 5 to 20 degrees.
@pytest.mark.parametrize("degrees", [-20.0, -10.0, -5.0, 5.0, 10.0, 15.0, 20.0])
def test_wind_straight_up_the_slope_gives_the_published_factor(degrees: float) -> None:
    rise = np.tan(np.radians(abs(degrees)))
    toward = np.sign(degrees)
    head, e, east, _ = local(0.4, wind=(20.0 * toward, 0.0), gradient=(rise, 0.0))
    if degrees > 0:
        assert head == pytest.approx(0.4 * np.exp(0.069 * degrees), rel=1e-9)
        assert east == 1.0
    # downhill with the wind: not below the published rate, whichever way the head points
    along_wind = head * (1 - e) / (1 - e * east * toward)
    assert along_wind >= 0.4 * np.exp(0.069 * degrees) * (1 - 1e-9)


def test_meter_value_downhill() -> None:
    # McArthur meter, FFDI 100, 15 t/ha, -5 degrees: 1.2748 km/h (computed from a remembered equation), 1.8 on the flat.
    # Wind of 60 km/h outweighs 5 degrees of slope, so the head still runs downhill with it.
    head, _, east, _ = local(0.5, wind=(60 / 3.6, 0.0), gradient=(-np.tan(np.radians(5.0)), 0.0))
    assert east == 1.0
    assert head * 3.6 == pytest.approx(1.2748, abs=1e-3)


def test_steeper_than_twenty_degrees_counts_as_twenty() -> None:
    at_limit = local(0.4, wind=(5.0, 0.0), gradient=(np.tan(np.radians(20)), 0.0))
    past = local(0.4, wind=(5.0, 0.0), gradient=(np.tan(np.radians(40)), 0.0))
    assert past == pytest.approx(at_limit, rel=1e-12)


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
    uphill = rise * np.array([np.cos(aspect), np.sin(aspect)])
    head, e, east, north = local(rate, wind=wind * blows, gradient=uphill, grass=grass)
    assert head > 0
    assert 0 <= e <= eccentricity(6.0) + 1e-12
    assert np.hypot(east, north) == pytest.approx(1.0)
    if wind > 1e-6:
        along = np.clip(np.degrees(np.arctan(rise * np.cos(aspect - bearing))), -20, 20)
        speed = head * (1 - e) / (1 - e * (east * blows[0] + north * blows[1]))
        assert speed >= rate * np.exp(0.069 * along) * (1 - 1e-6)


@given(st.floats(0.0, 25.0), st.floats(0.0, 2 * np.pi), st.floats(0.0, 0.5), st.floats(0.0, 2 * np.pi))
def test_a_quarter_turn_turns_the_head(wind, bearing, rise, aspect) -> None:
    def turned(turn):
        return local(
            0.5,
            wind=(wind * np.cos(bearing + turn), wind * np.sin(bearing + turn)),
            gradient=(rise * np.cos(aspect + turn), rise * np.sin(aspect + turn)),
        )

    one, two = turned(0.0), turned(np.pi / 2)
    assert two[0] == pytest.approx(one[0], rel=1e-6)
    if wind * 3.6 + rise > 0.1 and one[1] > 0.05:
        assert two[3] == pytest.approx(one[2], abs=1e-3)


def test_impossible_winds_and_ratios_are_refused() -> None:
    with pytest.raises(InputError):
        length_to_breadth(-1.0)
    with pytest.raises(InputError):
        eccentricity(0.5)


@given(
    st.floats(0.0, 60.0),
    st.floats(0.0, 2 * np.pi),
    st.floats(0.0, 120.0),
    st.floats(0.0, 2 * np.pi),
    st.booleans(),
    st.booleans(),
)
def test_no_wind_gives_more_than_wind_from_anywhere(slope_deg, aspect, wind_km_h, blows, against, grass) -> None:
    """In every direction. `against` draws the winds that blow downhill and are worth about as much as the slope."""
    if against:
        wind_km_h = 2.949 * min(slope_deg, 20.0) * (0.9 + wind_km_h / 600.0)
        blows = aspect + np.pi + 0.1 * (blows - np.pi)
    rise = np.tan(np.radians(slope_deg))
    gradient = (rise * np.cos(aspect), rise * np.sin(aspect))
    toward = np.linspace(0.0, 2 * np.pi, 61)

    def rates(ellipse):
        head, e, east, north = ellipse
        return head * (1 - e) / (1 - e * (np.cos(toward) * east + np.sin(toward) * north))

    wind = (wind_km_h / 3.6 * np.cos(blows), wind_km_h / 3.6 * np.sin(blows))
    one = rates(local(0.7, wind=wind, gradient=gradient, grass=grass))
    bound = rates(local_ellipse(0.7, 0.0, 0.0, *gradient, shape_table()[2]))
    assert np.all(one <= bound * (1 + 1e-9))


def test_wind_from_anywhere_is_no_wind_in_the_round_row() -> None:
    table = any_wind(scene_of_two_zones())
    assert not table.wind_east_m_s.any()
    assert not table.wind_north_m_s.any()
    assert table.shape_row.tolist() == [2, 2]
    assert np.all(shape_table()[2] == 1.0)


def scene_of_two_zones() -> SpreadTable:
    grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    flat, one = np.zeros((2, 2), dtype=np.float32), np.ones((1, 2))
    return SpreadTable(grid, flat.astype(np.int32), flat, flat, np.zeros(1), one, one, -one, np.array([0, 1], np.int8))
