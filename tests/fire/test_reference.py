"""Every equation against values from outside the project: tests/reference/equations.csv.

The column `how_obtained` says how far a row can be trusted. A row "computed from a remembered equation" only shows that
the code does what the person who remembered it meant; one "read in the source" or "computed by library xclim 0.62.0"
was found outside. No tabulated value of the dry eucalypt model (Cheney et al. 2012) was found: its rows are of the
first kind, and tests/fire/test_spread_models.py adds a calculation by hand and its published statistics.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from leaveby.fire import danger, embers, flames, moisture, rate_of_spread

PERIODS = {1: "afternoon", 2: "day", 3: "night"}
HOW = {
    "read in the source",
    "computed by library xclim 0.62.0",
    "computed from the seen equation",
    "computed from a remembered equation",
    "from memory",
}


def _drought_index(i: dict[str, Any]) -> float:
    series = danger.keetch_byram_drought_index_mm(
        i["rain_mm"], i["tmax_C"], annual_rain_mm=i["annual_rain_mm"], initial_mm=i["kbdi0_mm"]
    )
    return float(series[-1])


def _griffiths(i: dict[str, Any]) -> float:
    return float(danger.griffiths_drought_factor(i["rain_mm"], [i["smd_mm"]] * len(i["rain_mm"]))[-1])


def _dry_eucalypt(i: dict[str, Any]) -> float:
    flat = rate_of_spread.dry_eucalypt_ros_m_s(
        i["U10_km_h"] / 3.6,
        i["MC_pct"],
        surface_hazard_score=i["FHS_surface"],
        near_surface_hazard_score=i["FHS_near_surface"],
        near_surface_height_cm=i["H_near_surface_cm"],
    )
    return float(flat * rate_of_spread.slope_factor(i["slope_deg"]) * 3600.0)


def _moisture_function(i: dict[str, Any]) -> float:
    # In calm air the model is 30 m/h times the moisture function.
    ros = rate_of_spread.dry_eucalypt_ros_m_s(
        0.0, i["MC_pct"], surface_hazard_score=3.5, near_surface_hazard_score=3.0, near_surface_height_cm=25.0
    )
    return float(ros * 3600.0 / 30.0)


def _grass(i: dict[str, Any]) -> float:
    state = rate_of_spread.GRASS_STATES.index(i["state"])
    ros = rate_of_spread.grass_ros_m_s(i["U10_km_h"] / 3.6, i["MC_pct"], curing_percent=i["curing_pct"], state=state)
    return float(ros * 3.6)


def _grass_danger(i: dict[str, Any], version: Any) -> float:
    return float(
        danger.grass_fire_danger_index(
            i["T_C"],
            i["RH_pct"],
            wind_speed_m_s=i["wind_km_h"] / 3.6,
            curing_percent=i["curing_pct"],
            version=version,
            load_t_ha=i.get("load_t_ha", 4.5),
        )
    )


EQUATIONS: dict[str, Callable[[dict[str, Any]], float]] = {
    "forest_fire_danger_index": lambda i: float(
        danger.forest_fire_danger_index(
            i["T_C"], i["RH_pct"], wind_speed_m_s=i["wind_km_h"] / 3.6, drought_factor=i["DF"]
        )
    ),
    "grass_fire_danger_index_mark4": lambda i: _grass_danger(i, "mark4"),
    "grass_fire_danger_index_mark5": lambda i: _grass_danger(i, "mark5"),
    "grass_mark5_moisture": lambda i: danger._gfdi_mark5_moisture(i["T_C"], i["RH_pct"], i["curing_pct"]),
    "keetch_byram_drought_index": _drought_index,
    "griffiths_drought_factor": _griffiths,
    "noble_drought_factor": lambda i: float(
        danger.noble_drought_factor(i["kbdi_mm"], i["days_since_rain"], last_rain_mm=i["last_rain_mm"])
    ),
    "mark5_ros": lambda i: float(
        rate_of_spread.mark5_ros_m_s(i["FFDI"], i["fuel_t_ha"]) * rate_of_spread.slope_factor(i["slope_deg"]) * 3.6
    ),
    "dry_eucalypt_ros": _dry_eucalypt,
    "dry_eucalypt_moisture_function": _moisture_function,
    "forest_moisture": lambda i: float(
        moisture.forest_moisture_percent(i["T_C"], i["RH_pct"], period=PERIODS[i["period"]])  # type: ignore[arg-type]
    ),
    "grass_moisture": lambda i: float(moisture.grass_moisture_percent(i["T_C"], i["RH_pct"])),
    "shrubland_moisture": lambda i: float(
        moisture.shrubland_moisture_percent(i["T_C"], i["RH_pct"], sunny_afternoon=i["sunny"])
    ),
    "curing_coefficient": lambda i: float(rate_of_spread.curing_coefficient(i["curing_pct"], curve=i["curve"])),
    "grass_ros": _grass,
    "grass_meter_ros": lambda i: float(rate_of_spread.grass_meter_ros_m_s(i["GFDI"]) * 3.6),
    "shrubland_ros": lambda i: float(
        rate_of_spread.shrubland_ros_m_s(
            i["U10_km_h"] / 3.6, i["dead_MC_pct"], height_m=i["height_m"], wind_factor=i["wind_factor"]
        )
        * 3.6
    ),
    "rule_10_percent": lambda i: float(rate_of_spread.rule_10_percent_ros_m_s(i["U10_km_h"] / 3.6) * 3.6),
    "rule_20_percent": lambda i: float(rate_of_spread.rule_20_percent_ros_m_s(i["U10_km_h"] / 3.6) * 3.6),
    "slope_factor": lambda i: float(rate_of_spread.slope_factor(i["slope_deg"])),
    "spotting_distance": lambda i: float(embers.spotting_distance_m(i["ROS_km_h"] / 3.6, i["fuel_t_ha"]) / 1000.0),
    "flame_height": lambda i: float(flames.flame_height_m(i["ROS_km_h"] / 3.6, i["fuel_t_ha"])),
    "flame_length": lambda i: float(flames.flame_length_m(i["ROS_km_h"] / 3.6, i["overall_fuel_t_ha"])),
    "fireline_intensity": lambda i: float(
        flames.fireline_intensity_kw_m(i["ROS_km_h"] / 3.6, i["fuel_t_ha"], heat_yield_kj_kg=i["heat_yield_kJ_kg"])
    ),
}


def _rows() -> list[dict[str, str]]:
    path = Path(__file__).parents[1] / "reference" / "equations.csv"
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


ROWS = _rows()


def test_the_table_is_complete_and_says_where_each_row_comes_from() -> None:
    assert len(ROWS) >= 90
    assert {row["how_obtained"] for row in ROWS} <= HOW
    assert all(row["source"] and row["page_or_table"] and row["unit"] for row in ROWS)
    assert {row["equation"] for row in ROWS} == set(EQUATIONS)


def test_no_row_of_the_dry_eucalypt_model_claims_to_be_read() -> None:
    own = [row for row in ROWS if row["equation"].startswith("dry_eucalypt")]
    assert own
    assert {row["how_obtained"] for row in own} == {"computed from a remembered equation"}


@pytest.mark.parametrize("row", ROWS, ids=[f"{n + 2}-{row['equation']}" for n, row in enumerate(ROWS)])
def test_equation_gives_the_reference_value(row: dict[str, str]) -> None:
    got = EQUATIONS[row["equation"]](json.loads(row["inputs"]))
    assert np.isfinite(got)
    assert got == pytest.approx(float(row["expected"]), rel=0.0, abs=float(row["tolerance"])), row["source"]
