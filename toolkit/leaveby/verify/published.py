"""Every equation held against values from outside the project, with where each value comes from.

The values stand in `published_values.csv` beside this module. Its column `how_obtained` says how far a row can be
trusted: a row "computed from a remembered equation" only shows that the code does what the person who remembered it
meant; one "read in the source" or computed by a library was found outside.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final, Literal

import numpy as np

from leaveby.fire.arrival import embers
from leaveby.fire.fuel import moisture
from leaveby.fire.fuel.types import fuel_type
from leaveby.fire.spread import equations as rate_of_spread
from leaveby.fire.spread import flames
from leaveby.fire.weather import danger
from leaveby.household.heat import radiant_heat
from leaveby.verify.checks import Check

MARKS: Final = (
    "read in the source",
    "computed by library xclim 0.62.0",
    "computed from the seen equation",
    "computed from a remembered equation",
    "from memory",
)
"""How a value from outside was obtained, the most trustworthy first."""

_PERIODS: Final[Mapping[int, Literal["afternoon", "day", "night"]]] = {1: "afternoon", 2: "day", 3: "night"}

_TITLES: Final[Mapping[str, str]] = {
    "forest_fire_danger_index": "Forest fire danger index, Mark 5",
    "grass_fire_danger_index_mark4": "Grass fire danger index, Mark 4",
    "grass_fire_danger_index_mark5": "Grass fire danger index, Mark 5",
    "grass_mark5_moisture": "Grass moisture in the Mark 5 index",
    "keetch_byram_drought_index": "Keetch-Byram drought index",
    "griffiths_drought_factor": "Drought factor, Griffiths",
    "noble_drought_factor": "Drought factor, Noble",
    "mark5_ros": "Forest rate of spread, Mark 5",
    "dry_eucalypt_ros": "Dry eucalypt forest rate of spread",
    "dry_eucalypt_moisture_function": "Dry eucalypt forest, effect of moisture",
    "forest_moisture": "Fine dead fuel moisture, forest",
    "grass_moisture": "Fine dead fuel moisture, grass",
    "shrubland_moisture": "Fine dead fuel moisture, shrubland",
    "curing_coefficient": "Grass, effect of curing",
    "grass_ros": "Grassland rate of spread",
    "grass_meter_ros": "Grassland meter rate of spread",
    "shrubland_ros": "Shrubland rate of spread",
    "rule_10_percent": "Rule of 10 % of the wind speed",
    "rule_20_percent": "Rule of 20 % of the wind speed",
    "slope_factor": "Effect of slope",
    "spotting_distance": "Spotting distance, Mark 5",
    "flame_height": "Flame height, Mark 5",
    "flame_length": "Flame length, AS 3959",
    "fireline_intensity": "Fireline intensity",
    "heat_distance": "Distance from the vegetation at a radiant heat",
}

_INPUTS: Final[Mapping[str, str]] = {
    "T_C": "{} degrees C",
    "RH_pct": "humidity {} %",
    "wind_km_h": "wind {} km/h",
    "U10_km_h": "wind {} km/h",
    "DF": "drought factor {}",
    "FFDI": "danger index {}",
    "GFDI": "danger index {}",
    "fuel_t_ha": "fuel {} t/ha",
    "load_t_ha": "fuel {} t/ha",
    "overall_fuel_t_ha": "fuel {} t/ha",
    "slope_deg": "slope {} degrees",
    "MC_pct": "moisture {} %",
    "dead_MC_pct": "dead fuel moisture {} %",
    "curing_pct": "curing {} %",
    "ROS_km_h": "rate of spread {} km/h",
    "height_m": "height {} m",
    "heat_yield_kJ_kg": "heat yield {} kJ/kg",
    "FHS_surface": "surface hazard score {}",
    "FHS_near_surface": "near-surface hazard score {}",
    "H_near_surface_cm": "near-surface height {} cm",
    "rain_mm": "rain {} mm",
    "tmax_C": "highest temperature {} C",
    "annual_rain_mm": "yearly rain {} mm",
    "kbdi0_mm": "index at first {} mm",
    "kbdi_mm": "drought index {} mm",
    "smd_mm": "soil moisture deficit {} mm",
    "last_rain_mm": "last rain {} mm",
    "days_since_rain": "{} days since rain",
    "wind_factor": "wind factor {}",
    "sunny": "sunny afternoon {}",
    "state": "grass {}",
    "curve": "curve {}",
    "period": "period {}",
    "fuel": "{}",
    "heat_kW_m2": "{} kW/m2",
}


@dataclass(frozen=True)
class PublishedValue:
    """One value from outside, and what the equation gives here.

    Attributes
    ----------
    equation : str
        Key of `EQUATIONS`.
    title : str
        In words.
    inputs : mapping
        As published.
    expected, got, tolerance : float
        In `unit`.
    unit, source, where : str
        `where` is the page, table or equation.
    mark : str
        One of `MARKS`.
    """

    equation: str
    title: str
    inputs: Mapping[str, Any]
    expected: float
    got: float
    tolerance: float
    unit: str
    source: str
    where: str
    mark: str

    @property
    def off(self) -> float:
        """How far the equation is off."""
        return abs(self.got - self.expected)

    @property
    def agrees(self) -> bool:
        """Whether it is within the row's tolerance."""
        return math.isfinite(self.got) and self.off <= self.tolerance


def _drought_index(i: Mapping[str, Any]) -> float:
    series = danger.keetch_byram_drought_index_mm(
        i["rain_mm"], i["tmax_C"], annual_rain_mm=i["annual_rain_mm"], initial_mm=i["kbdi0_mm"]
    )
    return float(series[-1])


def _griffiths(i: Mapping[str, Any]) -> float:
    return float(danger.griffiths_drought_factor(i["rain_mm"], [i["smd_mm"]] * len(i["rain_mm"]))[-1])


def _dry_eucalypt(i: Mapping[str, Any]) -> float:
    flat = rate_of_spread.dry_eucalypt_ros_m_s(
        i["U10_km_h"] / 3.6,
        i["MC_pct"],
        surface_hazard_score=i["FHS_surface"],
        near_surface_hazard_score=i["FHS_near_surface"],
        near_surface_height_cm=i["H_near_surface_cm"],
    )
    return float(flat * rate_of_spread.slope_factor(i["slope_deg"]) * 3600.0)


def _moisture_function(i: Mapping[str, Any]) -> float:
    # In calm air the model is 30 m/h times the moisture function.
    ros = rate_of_spread.dry_eucalypt_ros_m_s(
        0.0, i["MC_pct"], surface_hazard_score=3.5, near_surface_hazard_score=3.0, near_surface_height_cm=25.0
    )
    return float(ros * 3600.0 / 30.0)


def _grass(i: Mapping[str, Any]) -> float:
    state = rate_of_spread.GRASS_STATES.index(i["state"])
    ros = rate_of_spread.grass_ros_m_s(i["U10_km_h"] / 3.6, i["MC_pct"], curing_percent=i["curing_pct"], state=state)
    return float(ros * 3.6)


def _grass_danger(i: Mapping[str, Any], version: Any) -> float:
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


def _heat_distance(i: Mapping[str, Any]) -> float:
    ros = i["ROS_km_h"] / 3.6 * rate_of_spread.slope_factor(i["slope_deg"])
    flame_m = flames.fuel_flame_length_m(fuel_type(i["fuel"]), ros)
    # Flames lean over whatever is nearer than half their length.
    distance_m = np.arange(0.5 * float(flame_m) + 0.05, 150.0, 0.05)
    heat_kw_m2 = radiant_heat(distance_m, flame_length_m=flame_m, slope_deg=i["slope_deg"])
    return float(np.interp(-i["heat_kW_m2"], -heat_kw_m2, distance_m))


EQUATIONS: Final[Mapping[str, Callable[[Mapping[str, Any]], float]]] = {
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
        moisture.forest_moisture_percent(i["T_C"], i["RH_pct"], period=_PERIODS[i["period"]])
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
    "heat_distance": _heat_distance,
}
"""What each equation of the table gives for the inputs of a row, in the row's unit."""


def published_rows() -> tuple[Mapping[str, str], ...]:
    """The table as it stands: one mapping of column to text for each row.

    Examples
    --------
    >>> sorted(published_rows()[0])[:3]
    ['equation', 'expected', 'how_obtained']
    """
    text = files("leaveby.verify").joinpath("published_values.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(io.StringIO(text)))


def published_values() -> tuple[PublishedValue, ...]:
    """Compute every row of the table.

    Examples
    --------
    >>> all(value.agrees for value in published_values())
    True
    """
    found = []
    for row in published_rows():
        inputs = json.loads(row["inputs"])
        found.append(
            PublishedValue(
                equation=row["equation"],
                title=_TITLES.get(row["equation"], row["equation"]),
                inputs=inputs,
                expected=float(row["expected"]),
                got=float(EQUATIONS[row["equation"]](inputs)),
                tolerance=float(row["tolerance"]),
                unit=row["unit"],
                source=row["source"],
                where=row["page_or_table"],
                mark=row["how_obtained"],
            )
        )
    return tuple(found)


def marks_in_words(values: Sequence[PublishedValue]) -> tuple[str, ...]:
    """Say how many values agree, by how they were obtained, and what that is worth.

    Examples
    --------
    >>> print(marks_in_words(published_values())[0])
    157 of 157 values agree within the tolerance of their row.
    """
    worth = {
        "read in the source": "found outside",
        "computed by library xclim 0.62.0": "found outside",
        "computed from the seen equation": "the equation was found outside, the value worked out from it",
        "computed from a remembered equation": "shows only that the code does what was remembered",
        "from memory": "as good as the memory",
    }
    agree = sum(value.agrees for value in values)
    lines = [f"{agree} of {len(values)} values agree within the tolerance of their row."]
    for mark in MARKS:
        own = [value for value in values if value.mark == mark]
        if own:
            lines.append(f"{len(own)} are {mark}: {worth[mark]}.")
    return tuple(lines)


def value_checks(values: Sequence[PublishedValue]) -> tuple[Check, ...]:
    """One row for each value, for `checks_table`."""
    return tuple(
        Check(
            what=f"{value.title}: {_inputs_words(value.inputs)}",
            ours=_with_unit(f"{value.got:.5g}", value.unit),
            outside=_with_unit(f"{value.expected:g}", value.unit),
            off=f"{value.off:.2g}, may be {value.tolerance:g}",
            agrees=value.agrees,
            source=f"{value.source}, {value.where}",
            mark=value.mark,
        )
        for value in values
    )


def equation_checks(values: Sequence[PublishedValue]) -> tuple[Check, ...]:
    """One row for each equation: its value that comes nearest to not agreeing."""
    found = []
    for equation in dict.fromkeys(value.equation for value in values):
        own = [value for value in values if value.equation == equation]
        worst = max(own, key=lambda value: value.off / value.tolerance if value.tolerance else value.off)
        (row,) = value_checks([worst])
        marks = [f"{sum(value.mark == mark for value in own)} {mark}" for mark in MARKS]
        found.append(
            Check(
                what=f"{worst.title}, {len(own)} values; nearest to its limit: {_inputs_words(worst.inputs)}",
                ours=row.ours,
                outside=row.outside,
                off=row.off,
                agrees=all(value.agrees for value in own),
                source=row.source,
                mark="; ".join(words for words in marks if not words.startswith("0 ")),
            )
        )
    return tuple(found)


def _inputs_words(inputs: Mapping[str, Any]) -> str:
    """The inputs in words; of a series only its length."""
    parts = []
    for name, value in inputs.items():
        told = f"({len(value)} days)" if isinstance(value, list) else str(value)
        parts.append(_INPUTS[name].format(told) if name in _INPUTS else f"{name.replace('_', ' ')} {told}")
    return ", ".join(parts)


def _with_unit(number: str, unit: str) -> str:
    return number if unit == "-" else f"{number} {unit}"
