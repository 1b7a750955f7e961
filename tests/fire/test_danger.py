"""Fire danger and drought against the climate-index library xclim, on seasons of random daily weather."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from xclim.indices.fire import (
    griffiths_drought_factor as xclim_drought_factor,
)
from xclim.indices.fire import (
    keetch_byram_drought_index as xclim_drought_index,
)
from xclim.indices.fire import (
    mcarthur_forest_fire_danger_index as xclim_danger_index,
)

from leaveby.fire.weather.danger import (
    forest_fire_danger_index,
    grass_fire_danger_index,
    griffiths_drought_factor,
    keetch_byram_drought_index_mm,
    noble_drought_factor,
)

DAYS = 400


def _series(values: NDArray[np.float64], units: str) -> xr.DataArray:
    time = np.datetime64("2024-09-01", "ns") + np.arange(len(values)) * np.timedelta64(1, "D")
    return xr.DataArray(values, dims="time", coords={"time": time}, attrs={"units": units})


def _season(seed: int) -> dict[str, NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    wet = rng.random(DAYS) < rng.uniform(0.05, 0.45)
    return {
        "rain": np.where(wet, rng.gamma(0.7, 12.0, DAYS), 0.0),
        "temperature": rng.uniform(5.0, 46.0, DAYS),
        "humidity": rng.uniform(3.0, 95.0, DAYS),
        "wind_km_h": rng.uniform(0.0, 90.0, DAYS),
    }


@pytest.mark.parametrize("seed", range(4))
def test_drought_and_danger_agree_with_xclim_over_a_season(seed: int) -> None:
    # xclim 0.62.0: same definitions, run here.
    season = _season(seed)
    ours = keetch_byram_drought_index_mm(
        season["rain"], season["temperature"], annual_rain_mm=650.0, initial_mm=30.0 * seed
    )
    annual = xr.DataArray(650.0, attrs={"units": "mm/year"})
    initial = xr.DataArray(30.0 * seed, attrs={"units": "mm/day"})
    theirs = xclim_drought_index(
        _series(season["rain"], "mm/day"), _series(season["temperature"], "degC"), annual, initial
    ).values
    np.testing.assert_allclose(ours, theirs, rtol=0.0, atol=1e-6)
    assert np.ptp(ours) > 20.0

    factor = griffiths_drought_factor(season["rain"], ours)
    expected = xclim_drought_factor(_series(season["rain"], "mm/day"), _series(theirs, "mm/day")).values
    # xclim gives NaN for the first 19 days, for which there is no window of 20 days; this one gives no rows.
    assert np.all(np.isnan(expected[:19]))
    np.testing.assert_allclose(factor, expected[19:], rtol=0.0, atol=1e-6)

    index = forest_fire_danger_index(
        season["temperature"][19:],
        season["humidity"][19:],
        wind_speed_m_s=season["wind_km_h"][19:] / 3.6,
        drought_factor=factor,
    )
    danger = xclim_danger_index(
        _series(expected[19:], ""),
        _series(season["temperature"][19:], "degC"),
        _series(season["humidity"][19:], "%"),
        _series(season["wind_km_h"][19:], "km/h"),
    ).values
    # xclim has exp(0.243147) for 2 exp(-0.45) = exp(0.24314718...): 2e-7 of the index, all of the difference.
    np.testing.assert_allclose(index, danger, rtol=1e-6, atol=1e-6)


def test_the_danger_index_is_zero_without_drought() -> None:
    assert forest_fire_danger_index(45.0, 5.0, wind_speed_m_s=20.0, drought_factor=0.0) == 0.0
    assert grass_fire_danger_index(45.0, 5.0, wind_speed_m_s=20.0, curing_percent=0.0) == 0.0
    assert grass_fire_danger_index(45.0, 5.0, wind_speed_m_s=20.0, curing_percent=0.0, version="mark5") == 0.0


def test_drought_works_on_many_places_at_once() -> None:
    season, other = _season(5), _season(6)
    rain = np.stack([season["rain"], other["rain"]], axis=1)
    temperature = np.stack([season["temperature"], other["temperature"]], axis=1)
    both = keetch_byram_drought_index_mm(rain, temperature, annual_rain_mm=[650.0, 900.0])
    one = keetch_byram_drought_index_mm(other["rain"], other["temperature"], annual_rain_mm=900.0)
    np.testing.assert_array_equal(both[:, 1], one)
    np.testing.assert_array_equal(
        griffiths_drought_factor(rain, both)[:, 1], griffiths_drought_factor(other["rain"], one)
    )


def test_black_friday_is_about_100() -> None:
    # McArthur took the weather of Black Friday 1939 as 100, and small errors in wind and temperature there make about
    # 20 % of difference (read in encyclopaedia copies). The usual reading of that day is 44.7 C, 8 % and 40 km/h or a
    # little more with a drought factor of 10 (from memory).
    index = forest_fire_danger_index(44.7, 8.0, wind_speed_m_s=40.0 / 3.6, drought_factor=10.0)
    assert 80.0 <= index <= 120.0


def test_noble_and_griffiths_can_differ_by_units_soon_after_rain() -> None:
    # Known disagreement of the two published forms; neither is bent to the other.
    rain = [0.0] * 18 + [25.0, 0.0]
    newer = griffiths_drought_factor(rain, [150.0] * 20)[-1]
    older = noble_drought_factor(150.0, 1.0, last_rain_mm=25.0)
    assert abs(float(newer) - float(older)) > 0.5


@pytest.mark.parametrize(
    ("rain", "deficit"), [([0.0] * 19, [10.0] * 19), ([-1.0] + [0.0] * 19, [10.0] * 20), ([0.0] * 20, [250.0] * 20)]
)
def test_impossible_drought_input_is_refused(rain: list[float], deficit: list[float]) -> None:
    with pytest.raises(ValueError, match=r"rain|days"):
        griffiths_drought_factor(rain, deficit)


def test_rain_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        keetch_byram_drought_index_mm([0.0, np.nan], [30.0, 30.0], annual_rain_mm=600.0)


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
    for version in ("mark4", "mark5"):
        grass = grass_fire_danger_index(T, RH, wind_speed_m_s=U, curing_percent=80.0, version=version)
        windier = grass_fire_danger_index(T, RH, wind_speed_m_s=U + more, curing_percent=80.0, version=version)
        greener = grass_fire_danger_index(T, RH, wind_speed_m_s=U, curing_percent=70.0, version=version)
        assert windier >= grass >= greener
