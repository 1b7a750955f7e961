"""One registry of the values that are not inputs: each with unit, valid range, source and mark (`parameters.csv`).

Marks say how far a value can be trusted:

- ``read``      read in the named source, or in a copy of it;
- ``memory``    remembered from the named source, not read;
- ``practice``  common practice, no source;
- ``judgement`` ours, chosen on the side that makes people leave earlier.

A value that is marked ``judgement`` or ``memory`` and takes part in a result is listed among the result's assumptions.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib.resources import files
from typing import Final, Literal, get_args

Mark = Literal["read", "memory", "practice", "judgement"]


@dataclass(frozen=True)
class Parameter:
    """A value with its unit, valid range and origin.

    Examples
    --------
    >>> REACTION_TIME_S.value, REACTION_TIME_S.unit
    (2.5, 's')
    """

    value: float
    unit: str
    low: float
    high: float
    source: str
    mark: Mark

    def __post_init__(self) -> None:
        """Refuse a value outside its own range."""
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{self.value} {self.unit} lies outside {self.low} to {self.high}")


def _registry() -> dict[str, Parameter]:
    lines = files("leaveby").joinpath("parameters.csv").read_text(encoding="utf-8").splitlines()
    return {
        row["name"]: Parameter(
            float(row["value"]), row["unit"], float(row["low"]), float(row["high"]), row["source"], _MARKS[row["mark"]]
        )
        for row in csv.DictReader(lines)
    }


_MARKS: Final[dict[str, Mark]] = {mark: mark for mark in get_args(Mark)}

REGISTRY: Final = _registry()
"""All of them by name; each has its name in this module as well."""

# --- household --------------------------------------------------------------------------------------------------------

FLAME_TEMPERATURE_K: Final = REGISTRY["FLAME_TEMPERATURE_K"]
FLAME_EMISSIVITY: Final = REGISTRY["FLAME_EMISSIVITY"]
FLAME_FRONT_WIDTH_M: Final = REGISTRY["FLAME_FRONT_WIDTH_M"]
AIR_TEMPERATURE_K: Final = REGISTRY["AIR_TEMPERATURE_K"]
AIR_HUMIDITY_PERCENT: Final = REGISTRY["AIR_HUMIDITY_PERCENT"]
NEAREST_SAFE_POINT_KM: Final = REGISTRY["NEAREST_SAFE_POINT_KM"]
FARTHEST_PLACE_KM: Final = REGISTRY["FARTHEST_PLACE_KM"]

# --- fire -------------------------------------------------------------------------------------------------------------

CREEP_ROS_M_S: Final = REGISTRY["CREEP_ROS_M_S"]
DRIEST_FOREST_FUEL_PERCENT: Final = REGISTRY["DRIEST_FOREST_FUEL_PERCENT"]
HEAT_YIELD_KJ_KG: Final = REGISTRY["HEAT_YIELD_KJ_KG"]
GRASS_FLAME_FACTOR: Final = REGISTRY["GRASS_FLAME_FACTOR"]
LOWEST_ROS_FACTOR: Final = REGISTRY["LOWEST_ROS_FACTOR"]
HIGHEST_ROS_FACTOR: Final = REGISTRY["HIGHEST_ROS_FACTOR"]
SHORT_SPOTTING_M: Final = REGISTRY["SHORT_SPOTTING_M"]
LONGEST_SPOTTING_M: Final = REGISTRY["LONGEST_SPOTTING_M"]
WIND_ALOFT_FACTOR: Final = REGISTRY["WIND_ALOFT_FACTOR"]
SLOWEST_FLIGHT_M_S: Final = REGISTRY["SLOWEST_FLIGHT_M_S"]
EMBER_THROWING_S: Final = REGISTRY["EMBER_THROWING_S"]
EMBER_HALF_ANGLE_DEG: Final = REGISTRY["EMBER_HALF_ANGLE_DEG"]
MILD_AIR_TEMPERATURE_C: Final = REGISTRY["MILD_AIR_TEMPERATURE_C"]
MILD_HUMIDITY_PERCENT: Final = REGISTRY["MILD_HUMIDITY_PERCENT"]
MILD_WIND_M_S: Final = REGISTRY["MILD_WIND_M_S"]
STRONGEST_WIND_M_S: Final = REGISTRY["STRONGEST_WIND_M_S"]
YESTERDAY_FFMC: Final = REGISTRY["YESTERDAY_FFMC"]
YESTERDAY_DMC: Final = REGISTRY["YESTERDAY_DMC"]
YESTERDAY_DC: Final = REGISTRY["YESTERDAY_DC"]

# --- roads ------------------------------------------------------------------------------------------------------------

REACTION_TIME_S: Final = REGISTRY["REACTION_TIME_S"]
DECELERATION_M_S2: Final = REGISTRY["DECELERATION_M_S2"]
AIR_DENSITY_KG_M3: Final = REGISTRY["AIR_DENSITY_KG_M3"]
CAR_DRAG_COEFFICIENT: Final = REGISTRY["CAR_DRAG_COEFFICIENT"]
TOW_DRAG_COEFFICIENT: Final = REGISTRY["TOW_DRAG_COEFFICIENT"]
POWER_AT_WHEELS_SHARE: Final = REGISTRY["POWER_AT_WHEELS_SHARE"]
WALKING_SPEED_M_S: Final = REGISTRY["WALKING_SPEED_M_S"]
ASCENT_PER_HOUR_M: Final = REGISTRY["ASCENT_PER_HOUR_M"]
WALKING_PACE_KM_H: Final = REGISTRY["WALKING_PACE_KM_H"]
POSTED_SHARE: Final = REGISTRY["POSTED_SHARE"]
GATE_TIME_S: Final = REGISTRY["GATE_TIME_S"]
HEIGHT_SLACK_M: Final = REGISTRY["HEIGHT_SLACK_M"]
WIDTH_SLACK_M: Final = REGISTRY["WIDTH_SLACK_M"]
FEW_CUT_SHARE: Final = REGISTRY["FEW_CUT_SHARE"]
FAR_CUT_M: Final = REGISTRY["FAR_CUT_M"]
LEAST_HOME_FOOTPRINT_M2: Final = REGISTRY["LEAST_HOME_FOOTPRINT_M2"]
HOME_FLOOR_M2: Final = REGISTRY["HOME_FLOOR_M2"]
USUAL_LEVELS: Final = REGISTRY["USUAL_LEVELS"]
TWO_LANE_VEH_H: Final = REGISTRY["TWO_LANE_VEH_H"]
ONE_LANE_ONE_WAY_VEH_H: Final = REGISTRY["ONE_LANE_ONE_WAY_VEH_H"]
ONE_LANE_TWO_WAY_VEH_H: Final = REGISTRY["ONE_LANE_TWO_WAY_VEH_H"]
MOTORWAY_LANE_VEH_H: Final = REGISTRY["MOTORWAY_LANE_VEH_H"]
TRACK_VEH_H: Final = REGISTRY["TRACK_VEH_H"]
BREAKDOWN_SHARE: Final = REGISTRY["BREAKDOWN_SHARE"]
JAM_SPACING_M: Final = REGISTRY["JAM_SPACING_M"]
TWO_LANES_FROM_M: Final = REGISTRY["TWO_LANES_FROM_M"]
MOBILISATION_SPREAD: Final = REGISTRY["MOBILISATION_SPREAD"]
QUICK_MEDIAN_S: Final = REGISTRY["QUICK_MEDIAN_S"]
MIDDLE_MEDIAN_S: Final = REGISTRY["MIDDLE_MEDIAN_S"]
SLOW_MEDIAN_S: Final = REGISTRY["SLOW_MEDIAN_S"]
ATTACH_LIMIT_M: Final = REGISTRY["ATTACH_LIMIT_M"]
DRIVE_WINDING: Final = REGISTRY["DRIVE_WINDING"]
GRADE_SMOOTHING_M: Final = REGISTRY["GRADE_SMOOTHING_M"]
GRADE_CAP: Final = REGISTRY["GRADE_CAP"]
VOID_SHARE: Final = REGISTRY["VOID_SHARE"]
FRONTAL_FILL: Final = REGISTRY["FRONTAL_FILL"]
LOW_HEIGHT_M: Final = REGISTRY["LOW_HEIGHT_M"]
OTHER_CLASS_KM_H: Final = REGISTRY["OTHER_CLASS_KM_H"]
UNKNOWN_SURFACE_KM_H: Final = REGISTRY["UNKNOWN_SURFACE_KM_H"]
TOW_ON_LOOSE: Final = REGISTRY["TOW_ON_LOOSE"]
UNREADABLE_POSTED_KM_H: Final = REGISTRY["UNREADABLE_POSTED_KM_H"]
CRAWL_M_S: Final = REGISTRY["CRAWL_M_S"]
POCKET_M: Final = REGISTRY["POCKET_M"]
FAR_HOME_M: Final = REGISTRY["FAR_HOME_M"]
MAP_EDGE_M: Final = REGISTRY["MAP_EDGE_M"]
LINK_WINDING: Final = REGISTRY["LINK_WINDING"]
LINK_SPACING_M: Final = REGISTRY["LINK_SPACING_M"]
LINK_SLOPE_SPAN_M: Final = REGISTRY["LINK_SLOPE_SPAN_M"]
RELIEF_SHARE: Final = REGISTRY["RELIEF_SHARE"]
NEW_RELIEF_SHARE: Final = REGISTRY["NEW_RELIEF_SHARE"]

# --- decision ---------------------------------------------------------------------------------------------------------

WIND_SPEED_ERROR: Final = REGISTRY["WIND_SPEED_ERROR"]
WIND_TURN_ERROR_DEG: Final = REGISTRY["WIND_TURN_ERROR_DEG"]
WEATHER_SHIFT_S: Final = REGISTRY["WEATHER_SHIFT_S"]
TASKS_SLOW_TOGETHER: Final = REGISTRY["TASKS_SLOW_TOGETHER"]
DRIVE_TIME_FACTOR_HIGH: Final = REGISTRY["DRIVE_TIME_FACTOR_HIGH"]
DEFAULT_CAR_POWER_KW: Final = REGISTRY["DEFAULT_CAR_POWER_KW"]
SPOT_OVER_M: Final = REGISTRY["SPOT_OVER_M"]

# --- the community's streets ------------------------------------------------------------------------------------------

PEOPLE_PER_HOME: Final = REGISTRY["PEOPLE_PER_HOME"]
VEHICLES_PER_HOME: Final = REGISTRY["VEHICLES_PER_HOME"]
FEW_HOMES_PER_KM: Final = REGISTRY["FEW_HOMES_PER_KM"]
NOTABLE_HOMES: Final = REGISTRY["NOTABLE_HOMES"]
NOTABLE_SHARE: Final = REGISTRY["NOTABLE_SHARE"]
SHORTEST_LISTED_M: Final = REGISTRY["SHORTEST_LISTED_M"]
LINK_WITHIN_M: Final = REGISTRY["LINK_WITHIN_M"]
LINK_STEEPEST: Final = REGISTRY["LINK_STEEPEST"]

# --- a drill ----------------------------------------------------------------------------------------------------------

FASTEST_HEAD_M_S: Final = REGISTRY["FASTEST_HEAD_M_S"]
IN_SIGHT_M: Final = REGISTRY["IN_SIGHT_M"]
WIND_CHANGE_DEG: Final = REGISTRY["WIND_CHANGE_DEG"]
REPORTED_AFTER_S: Final = REGISTRY["REPORTED_AFTER_S"]

# --- rules for any fire -----------------------------------------------------------------------------------------------

LEARNS_SHORTEST_S: Final = REGISTRY["LEARNS_SHORTEST_S"]
LEARNS_LIKELY_S: Final = REGISTRY["LEARNS_LIKELY_S"]
LEARNS_LONGEST_S: Final = REGISTRY["LEARNS_LONGEST_S"]
RULES_RADIUS_M: Final = REGISTRY["RULES_RADIUS_M"]

# --- lines on the map -------------------------------------------------------------------------------------------------

TIE_S: Final = REGISTRY["TIE_S"]
NEAR_SHARE: Final = REGISTRY["NEAR_SHARE"]
NEAR_LEAST_M: Final = REGISTRY["NEAR_LEAST_M"]
