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
from dataclasses import dataclass, replace
from functools import cache
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


@dataclass(frozen=True)
class PublishedValue:
    """One value from outside, and what the equation gives here.

    Attributes
    ----------
    equation, title : str
        Key of `EQUATIONS`, and the same in words.
    inputs : mapping
        As published.
    expected, got, tolerance : float
        In `unit`.
    unit, source, where, mark : str
        `where` is the page, table or equation; `mark` one of `MARKS`.
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


def _dry_eucalypt(i: Mapping[str, Any]) -> Any:
    flat = rate_of_spread.dry_eucalypt_ros_m_s(
        i["U10_km_h"] / 3.6,
        i["MC_pct"],
        surface_hazard_score=i["FHS_surface"],
        near_surface_hazard_score=i["FHS_near_surface"],
        near_surface_height_cm=i["H_near_surface_cm"],
    )
    return flat * rate_of_spread.slope_factor(i["slope_deg"]) * 3600.0


def _moisture_function(i: Mapping[str, Any]) -> Any:
    # In calm air the model is 30 m/h times the moisture function.
    ros = rate_of_spread.dry_eucalypt_ros_m_s(
        0.0, i["MC_pct"], surface_hazard_score=3.5, near_surface_hazard_score=3.0, near_surface_height_cm=25.0
    )
    return ros * 3600.0 / 30.0


def _grass(i: Mapping[str, Any]) -> Any:
    state = rate_of_spread.GRASS_STATES.index(i["state"])
    wind_m_s = i["U10_km_h"] / 3.6
    return rate_of_spread.grass_ros_m_s(wind_m_s, i["MC_pct"], curing_percent=i["curing_pct"], state=state) * 3.6


def _shrubland(i: Mapping[str, Any]) -> Any:
    wind_m_s, factor = i["U10_km_h"] / 3.6, i["wind_factor"]
    ros = rate_of_spread.shrubland_ros_m_s(wind_m_s, i["dead_MC_pct"], height_m=i["height_m"], wind_factor=factor)
    return ros * 3.6


def _grass_danger(i: Mapping[str, Any], version: Any) -> Any:
    return danger.grass_fire_danger_index(
        i["T_C"],
        i["RH_pct"],
        wind_speed_m_s=i["wind_km_h"] / 3.6,
        curing_percent=i["curing_pct"],
        version=version,
        load_t_ha=i.get("load_t_ha", 4.5),
    )


def _heat_distance(i: Mapping[str, Any]) -> Any:
    ros = i["ROS_km_h"] / 3.6 * rate_of_spread.slope_factor(i["slope_deg"])
    flame_m = flames.fuel_flame_length_m(fuel_type(i["fuel"]), ros)
    # Flames lean over whatever is nearer than half their length.
    distance_m = np.arange(0.5 * float(flame_m) + 0.05, 150.0, 0.05)
    heat_kw_m2 = radiant_heat(distance_m, flame_length_m=flame_m, slope_deg=i["slope_deg"])
    return np.interp(-i["heat_kW_m2"], -heat_kw_m2, distance_m)


EQUATIONS: Final[Mapping[str, Callable[[Mapping[str, Any]], Any]]] = {
    "forest_fire_danger_index": lambda i: danger.forest_fire_danger_index(
        i["T_C"], i["RH_pct"], wind_speed_m_s=i["wind_km_h"] / 3.6, drought_factor=i["DF"]
    ),
    "grass_fire_danger_index_mark4": lambda i: _grass_danger(i, "mark4"),
    "grass_fire_danger_index_mark5": lambda i: _grass_danger(i, "mark5"),
    "grass_mark5_moisture": lambda i: danger._gfdi_mark5_moisture(i["T_C"], i["RH_pct"], i["curing_pct"]),
    "keetch_byram_drought_index": lambda i: danger.keetch_byram_drought_index_mm(
        i["rain_mm"], i["tmax_C"], annual_rain_mm=i["annual_rain_mm"], initial_mm=i["kbdi0_mm"]
    )[-1],
    "griffiths_drought_factor": lambda i: danger.griffiths_drought_factor(
        i["rain_mm"], [i["smd_mm"]] * len(i["rain_mm"])
    )[-1],
    "noble_drought_factor": lambda i: danger.noble_drought_factor(
        i["kbdi_mm"], i["days_since_rain"], last_rain_mm=i["last_rain_mm"]
    ),
    "mark5_ros": lambda i: (
        rate_of_spread.mark5_ros_m_s(i["FFDI"], i["fuel_t_ha"]) * rate_of_spread.slope_factor(i["slope_deg"]) * 3.6
    ),
    "dry_eucalypt_ros": _dry_eucalypt,
    "dry_eucalypt_moisture_function": _moisture_function,
    "forest_moisture": lambda i: moisture.forest_moisture_percent(i["T_C"], i["RH_pct"], period=_PERIODS[i["period"]]),
    "grass_moisture": lambda i: moisture.grass_moisture_percent(i["T_C"], i["RH_pct"]),
    "shrubland_moisture": lambda i: moisture.shrubland_moisture_percent(
        i["T_C"], i["RH_pct"], sunny_afternoon=i["sunny"]
    ),
    "curing_coefficient": lambda i: rate_of_spread.curing_coefficient(i["curing_pct"], curve=i["curve"]),
    "grass_ros": _grass,
    "grass_meter_ros": lambda i: rate_of_spread.grass_meter_ros_m_s(i["GFDI"]) * 3.6,
    "shrubland_ros": _shrubland,
    "rule_10_percent": lambda i: rate_of_spread.rule_10_percent_ros_m_s(i["U10_km_h"] / 3.6) * 3.6,
    "rule_20_percent": lambda i: rate_of_spread.rule_20_percent_ros_m_s(i["U10_km_h"] / 3.6) * 3.6,
    "slope_factor": lambda i: rate_of_spread.slope_factor(i["slope_deg"]),
    "spotting_distance": lambda i: embers.spotting_distance_m(i["ROS_km_h"] / 3.6, i["fuel_t_ha"]) / 1000.0,
    "flame_height": lambda i: flames.flame_height_m(i["ROS_km_h"] / 3.6, i["fuel_t_ha"]),
    "flame_length": lambda i: flames.flame_length_m(i["ROS_km_h"] / 3.6, i["overall_fuel_t_ha"]),
    "fireline_intensity": lambda i: flames.fireline_intensity_kw_m(
        i["ROS_km_h"] / 3.6, i["fuel_t_ha"], heat_yield_kj_kg=i["heat_yield_kJ_kg"]
    ),
    "heat_distance": _heat_distance,
}
"""What each equation of the table gives for the inputs of a row, in the row's unit."""


def _table(name: str) -> tuple[Mapping[str, str], ...]:
    text = files("leaveby.verify").joinpath(name).read_text(encoding="utf-8")
    return tuple(csv.DictReader(io.StringIO(text)))


@cache
def _words(kind: str) -> Mapping[str, str]:
    """Titles of the equations ("equation"), and how each input is told ("input")."""
    return {row["key"]: row["words"] for row in _table("published_words.csv") if row["kind"] == kind}


def published_rows() -> tuple[Mapping[str, str], ...]:
    """The table as it stands: one mapping of column to text for each row.

    Examples
    --------
    >>> sorted(published_rows()[0])[:3]
    ['equation', 'expected', 'how_obtained']
    """
    return _table("published_values.csv")


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
                title=_words("equation")[row["equation"]],
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
    """One row for each value."""
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
        counts = {mark: sum(value.mark == mark for value in own) for mark in MARKS}
        found.append(
            replace(
                *value_checks([worst]),
                what=f"{worst.title}, {len(own)} values; nearest to its limit: {_inputs_words(worst.inputs)}",
                agrees=all(value.agrees for value in own),
                mark="; ".join(f"{count} {mark}" for mark, count in counts.items() if count),
            )
        )
    return tuple(found)


def _inputs_words(inputs: Mapping[str, Any]) -> str:
    """The inputs in words; of a series only its length."""
    parts = []
    for name, value in inputs.items():
        told = f"({len(value)} days)" if isinstance(value, list) else str(value)
        parts.append(_words("input")[name].format(told))
    return ", ".join(parts)


def _with_unit(number: str, unit: str) -> str:
    return number if unit == "-" else f"{number} {unit}"
