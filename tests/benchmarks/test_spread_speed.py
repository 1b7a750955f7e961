"""Ten million cells of each equation. Run with: pytest tests/benchmarks --benchmark-enable

Wanted: no more time than numpy takes for ten powers of the same cells in the same run, with no more than three
temporary arrays, which a test here counts in every run.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from timeit import Timer
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from leaveby.fire.arrival import embers
from leaveby.fire.fuel import moisture
from leaveby.fire.spread import equations as rate_of_spread
from leaveby.fire.spread import flames
from leaveby.fire.weather import danger

FULL_CELLS = 10_000_000
POWERS = 10

Inputs = dict[str, NDArray[np.float64]]

EQUATIONS: dict[str, Callable[[Inputs], NDArray[np.float64]]] = {
    "forest_fire_danger_index": lambda i: danger.forest_fire_danger_index(
        i["T"], i["RH"], wind_speed_m_s=i["U"], drought_factor=9.0
    ),
    "grass_fire_danger_index": lambda i: danger.grass_fire_danger_index(
        i["T"], i["RH"], wind_speed_m_s=i["U"], curing_percent=90.0
    ),
    "mark5": lambda i: rate_of_spread.mark5_ros_m_s(i["U"], i["MC"]),
    "dry_eucalypt": lambda i: rate_of_spread.dry_eucalypt_ros_m_s(
        i["U"], i["MC"], surface_hazard_score=3.5, near_surface_hazard_score=3.0, near_surface_height_cm=i["H"]
    ),
    "grass": lambda i: rate_of_spread.grass_ros_m_s(i["U"], i["MC"], curing_percent=i["RH"]),
    "shrubland": lambda i: rate_of_spread.shrubland_ros_m_s(i["U"], i["MC"], height_m=i["H"]),
    "rule_10_percent": lambda i: rate_of_spread.rule_10_percent_ros_m_s(i["U"]),
    "rule_20_percent": lambda i: rate_of_spread.rule_20_percent_ros_m_s(i["U"]),
    "grass_meter": lambda i: rate_of_spread.grass_meter_ros_m_s(i["RH"]),
    "curing_coefficient": lambda i: rate_of_spread.curing_coefficient(i["RH"]),
    "slope_factor": lambda i: rate_of_spread.slope_factor(i["U"]),
    "grass_fire_danger_index_mark5": lambda i: danger.grass_fire_danger_index(
        i["T"], i["RH"], wind_speed_m_s=i["U"], curing_percent=i["RH"], version="mark5"
    ),
    "keetch_byram_drought_index": lambda i: danger.keetch_byram_drought_index_mm(
        i["H"].reshape(10, -1), i["T"].reshape(10, -1), annual_rain_mm=650.0, initial_mm=50.0
    ),
    "griffiths_drought_factor": lambda i: danger.griffiths_drought_factor(
        i["MC"].reshape(20, -1), i["RH"].reshape(20, -1)
    ),
    "noble_drought_factor": lambda i: danger.noble_drought_factor(i["RH"], i["U"], last_rain_mm=i["H"]),
    "forest_moisture_by_hour": lambda i: moisture.forest_moisture_by_hour_percent(
        i["T"], i["RH"], local_hour=i["MC"], month=1
    ),
    "shrubland_moisture": lambda i: moisture.shrubland_moisture_percent(i["T"], i["RH"], sunny_afternoon=True),
    "spotting_distance": lambda i: embers.spotting_distance_m(i["U"], i["MC"]),
    "flame_height": lambda i: flames.flame_height_m(i["U"], i["MC"]),
    "flame_length": lambda i: flames.flame_length_m(i["U"], i["MC"]),
    "fireline_intensity": lambda i: flames.fireline_intensity_kw_m(i["U"], i["MC"]),
    "forest_moisture": lambda i: moisture.forest_moisture_percent(i["T"], i["RH"], period="afternoon"),
    "grass_moisture": lambda i: moisture.grass_moisture_percent(i["T"], i["RH"]),
}


def _inputs(cells: int) -> Inputs:
    rng = np.random.default_rng(1)
    return {
        "T": rng.uniform(5.0, 45.0, cells),
        "RH": rng.uniform(5.0, 95.0, cells),
        "U": rng.uniform(0.0, 25.0, cells),
        "MC": rng.uniform(3.0, 20.0, cells),
        "H": rng.uniform(0.5, 25.0, cells),
    }


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    return _inputs(FULL_CELLS)


@pytest.mark.parametrize("name", list(EQUATIONS))
def test_equation_on_ten_million_cells(benchmark: Any, inputs: Inputs, name: str) -> None:
    equation = EQUATIONS[name]
    equation({key: values[:20] for key, values in inputs.items()})  # compile before the clock runs
    out = benchmark.pedantic(equation, args=(inputs,), rounds=3, iterations=1)
    assert out.size in (inputs["T"].size, inputs["T"].size // 20)
    assert np.all(np.isfinite(out))
    assert np.all(out >= 0.0)
    power_s = min(Timer(lambda: np.power(inputs["U"], 0.904)).repeat(3, 1))
    powers = benchmark.stats.stats.min / power_s
    benchmark.extra_info["powers"] = round(powers, 2)
    assert powers <= POWERS


@pytest.mark.parametrize("name", list(EQUATIONS))
def test_no_more_than_three_temporary_arrays(name: str) -> None:
    cells = 200_000
    few = _inputs(cells)
    equation = EQUATIONS[name]
    equation(few)  # compiled before memory is counted
    tracemalloc.start()
    out = equation(few)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak <= out.nbytes + 3 * cells * 8 + 100_000
