"""Fire danger against the climate-index library xclim, on seasons of random daily weather."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from xclim.indices.fire import mcarthur_forest_fire_danger_index as xclim_danger_index

from leaveby.fire.weather.danger import forest_fire_danger_index

DAYS = 400


def _series(values: NDArray[np.float64], units: str) -> xr.DataArray:
    time = np.datetime64("2024-09-01", "ns") + np.arange(len(values)) * np.timedelta64(1, "D")
    return xr.DataArray(values, dims="time", coords={"time": time}, attrs={"units": units})


def _season(seed: int) -> dict[str, NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    return {
        "drought_factor": rng.uniform(0.0, 10.0, DAYS),
        "temperature": rng.uniform(5.0, 46.0, DAYS),
        "humidity": rng.uniform(3.0, 95.0, DAYS),
        "wind_km_h": rng.uniform(0.0, 90.0, DAYS),
    }


@pytest.mark.parametrize("seed", range(4))
def test_the_danger_index_agrees_with_xclim_over_a_season(seed: int) -> None:
    # xclim 0.62.0: same definition, run here, with drought factors that run from 0 to 10.
    season = _season(seed)
    index = forest_fire_danger_index(
        season["temperature"],
        season["humidity"],
        wind_speed_m_s=season["wind_km_h"] / 3.6,
        drought_factor=season["drought_factor"],
    )
    danger = xclim_danger_index(
        _series(season["drought_factor"], ""),
        _series(season["temperature"], "degC"),
        _series(season["humidity"], "%"),
        _series(season["wind_km_h"], "km/h"),
    ).values
    # xclim has exp(0.243147) for 2 exp(-0.45) = exp(0.24314718...): 2e-7 of the index, all of the difference.
    np.testing.assert_allclose(index, danger, rtol=1e-6, atol=1e-6)


def test_the_danger_index_is_zero_without_drought() -> None:
    assert forest_fire_danger_index(45.0, 5.0, wind_speed_m_s=20.0, drought_factor=0.0) == 0.0


def test_black_friday_is_about_100() -> None:
    # McArthur took the weather of Black Friday 1939 as 100, and small errors in wind and temperature there make about
    # 20 % of difference (read in encyclopaedia copies). The usual reading of that day is 44.7 C, 8 % and 40 km/h or a
    # little more with a drought factor of 10 (from memory).
    index = forest_fire_danger_index(44.7, 8.0, wind_speed_m_s=40.0 / 3.6, drought_factor=10.0)
    assert 80.0 <= index <= 120.0


temperature = st.floats(-5.0, 50.0)
humidity = st.floats(1.0, 100.0)
wind = st.floats(0.0, 30.0)


@settings(deadline=None)
@given(temperature, humidity, wind, st.floats(0.1, 10.0), st.floats(0.0, 10.0))
def test_wind_and_drought_raise_the_danger_and_humidity_lowers_it(
    T: float, RH: float, U: float, DF: float, more: float
) -> None:
    base = forest_fire_danger_index(T, RH, wind_speed_m_s=U, drought_factor=DF)
    assert forest_fire_danger_index(T, RH, wind_speed_m_s=U + more, drought_factor=DF) >= base
    assert forest_fire_danger_index(T, RH, wind_speed_m_s=U, drought_factor=min(DF + more, 10.0)) >= base
    assert forest_fire_danger_index(T, min(RH + more, 100.0), wind_speed_m_s=U, drought_factor=DF) <= base
