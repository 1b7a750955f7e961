"""One registry of the values that are not inputs: each with unit, valid range, source and mark.

Marks say how far a value can be trusted:

- ``read``      read in the named source, or in a copy of it;
- ``memory``    remembered from the named source, not read;
- ``practice``  common practice, no source;
- ``judgement`` ours, chosen on the side that makes people leave earlier.

A value that is marked ``judgement`` or ``memory`` and takes part in a result is listed among the result's assumptions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

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


# --- household -------------------------------------------------------------------------------------------------

FLAME_TEMPERATURE_K: Final = Parameter(1090.0, "K", 800.0, 1400.0, "AS 3959:2009 Appendix B, flame", "memory")
FLAME_EMISSIVITY: Final = Parameter(0.95, "1", 0.5, 1.0, "AS 3959:2009 Appendix B, flame", "memory")
FLAME_FRONT_WIDTH_M: Final = Parameter(
    100.0, "m", 10.0, 1000.0, "AS 3959:2009 Appendix B, width of the front", "memory"
)
AIR_TEMPERATURE_K: Final = Parameter(308.0, "K", 273.0, 330.0, "AS 3959:2009 Appendix B, ambient air", "memory")
AIR_HUMIDITY_PERCENT: Final = Parameter(25.0, "%", 0.0, 100.0, "AS 3959:2009 Appendix B, relative humidity", "memory")

# --- fire ------------------------------------------------------------------------------------------------------

CREEP_ROS_M_S: Final = Parameter(
    0.001,
    "m/s",
    0.0,
    0.01,
    "slowest head rate of spread of a burning cell; no equation was made to say that a fire is out",
    "judgement",
)
DRIEST_FOREST_FUEL_PERCENT: Final = Parameter(
    2.0, "%", 1.0, 4.0, "lowest moisture of fine forest and shrubland fuel that equations are given", "judgement"
)
HEAT_YIELD_KJ_KG: Final = Parameter(18_600.0, "kJ/kg", 15_000.0, 20_000.0, "AS 3959:2009 Appendix B", "memory")
GRASS_FLAME_FACTOR: Final = Parameter(
    1.14,
    "-",
    1.0,
    2.0,
    "intensity in Byram's flame length for grass: fitted to the distances that AS 3959:2009 prints for grassland",
    "judgement",
)
LOWEST_ROS_FACTOR: Final = Parameter(
    0.25, "-", 0.1, 1.0, "least factor on a rate of spread in a member: four times too fast a model", "judgement"
)
HIGHEST_ROS_FACTOR: Final = Parameter(
    8.0, "-", 1.0, 20.0, "greatest factor on a rate of spread in a member: eight times too slow a model", "judgement"
)
SHORT_SPOTTING_M: Final = Parameter(
    100.0, "m", 0.0, 2000.0, "spotting from grass and shrubs, and the least from forest", "judgement"
)
LONGEST_SPOTTING_M: Final = Parameter(
    35_000.0, "m", 10_000.0, 50_000.0, "7 February 2009: spots to 33 km; the equation is cut here", "memory"
)
WIND_ALOFT_FACTOR: Final = Parameter(
    2.5,
    "-",
    1.0,
    5.0,
    "wind that carries embers over wind at 10 m: 1.7 at 500 m by a power of 1/7, more in the jets before a wind change",
    "judgement",
)
SLOWEST_FLIGHT_M_S: Final = Parameter(
    3.0, "m/s", 0.5, 20.0, "embers fly at least as fast as this, in calm air too: the fire makes wind", "judgement"
)
EMBER_THROWING_S: Final = Parameter(
    300.0,
    "s",
    0.0,
    3600.0,
    "a place throws embers for so long after the front: flames in forest last up to 5 minutes (Cheney and Sullivan, "
    "as quoted on a web page)",
    "read",
)
EMBER_HALF_ANGLE_DEG: Final = Parameter(
    45.0, "deg", 10.0, 180.0, "how far to either side of downwind embers land", "judgement"
)

# --- roads -----------------------------------------------------------------------------------------------------

REACTION_TIME_S: Final = Parameter(
    2.5, "s", 1.0, 4.0, "stopping sight distance of road design handbooks, brake reaction time", "memory"
)

DECELERATION_M_S2: Final = Parameter(
    3.4, "m/s2", 1.0, 6.0, "stopping sight distance of road design handbooks, comfortable deceleration", "memory"
)
AIR_DENSITY_KG_M3: Final = Parameter(
    1.2,
    "kg/m3",
    0.9,
    1.3,
    "dry air at sea level and 20 C; less on hot days and heights, so this is the slow side",
    "practice",
)
CAR_DRAG_COEFFICIENT: Final = Parameter(0.40, "-", 0.2, 0.6, "passenger cars and utilities, high side", "judgement")
TOW_DRAG_COEFFICIENT: Final = Parameter(
    0.90, "-", 0.5, 1.2, "bluff body behind a vehicle; box vans and caravans lie at 0.6 to 1.0", "judgement"
)
POWER_AT_WHEELS_SHARE: Final = Parameter(
    0.70, "-", 0.05, 1.0, "driveline loss, heat and height, and not holding full throttle for minutes", "judgement"
)
WALKING_SPEED_M_S: Final = Parameter(
    4.0 / 3.6, "m/s", 0.2, 2.0, "adults with a load, slow side of 4 to 5 km/h", "judgement"
)
ASCENT_PER_HOUR_M: Final = Parameter(
    600.0,
    "m/h",
    200.0,
    1000.0,
    "Naismith 1892, Scottish Mountaineering Club Journal 2:136: one hour per 2,000 ft",
    "memory",
)
WALKING_PACE_KM_H: Final = Parameter(
    5.0, "km/h", 3.0, 7.0, "a posted speed of 'walk'; rulings vary from 4 to 7", "judgement"
)
POSTED_SHARE: Final = Parameter(
    0.90, "-", 0.3, 1.0, "mean speed over the posted limit: bends, junctions, caution", "judgement"
)
GATE_TIME_S: Final = Parameter(60.0, "s", 0.0, 600.0, "stop, open, pass, and leave one gate", "judgement")
HEIGHT_SLACK_M: Final = Parameter(0.10, "m", 0.0, 0.5, "bounce and sag under a height limit", "judgement")
WIDTH_SLACK_M: Final = Parameter(0.20, "m", 0.0, 1.0, "room beside the vehicle within a width limit", "judgement")

# --- decision --------------------------------------------------------------------------------------------------

WIND_SPEED_ERROR: Final = Parameter(
    0.15,
    "-",
    0.0,
    0.5,
    "standard deviation of the logarithm of wind speed over forecast wind speed; no published figure was read",
    "judgement",
)
WIND_TURN_ERROR_DEG: Final = Parameter(
    12.0,
    "deg",
    0.0,
    45.0,
    "standard deviation of wind direction about the forecast; no published figure was read",
    "judgement",
)
WEATHER_SHIFT_S: Final = Parameter(
    3600.0,
    "s",
    0.0,
    10_800.0,
    "standard deviation of when the weather comes about when it was forecast; no published figure was read",
    "judgement",
)
TASKS_SLOW_TOGETHER: Final = Parameter(
    0.5,
    "-",
    0.0,
    1.0,
    "share of how slowly a task goes that all tasks of a morning have in common (correlation of normal scores): smoke, "
    "heat and fear slow every task; no measured figure was found",
    "judgement",
)
DRIVE_TIME_FACTOR_HIGH: Final = Parameter(
    1.5,
    "-",
    1.0,
    5.0,
    "longest drive over the computed drive on an evacuation day, before queues; no published figure was read",
    "judgement",
)
DEFAULT_CAR_POWER_KW: Final = Parameter(
    70.0, "kW", 20.0, 500.0, "a small car's engine, where the plan gives no power: the slow side", "judgement"
)
SPOT_OVER_M: Final = Parameter(
    500.0,
    "m",
    0.0,
    35_000.0,
    "barriers narrower than this are crossed by embers at once; spotting over kilometres is published for bad days",
    "judgement",
)

# --- the community's streets -----------------------------------------------------------------------------------

PEOPLE_PER_HOME: Final = Parameter(2.5, "people", 0.5, 10.0, "mean household, high side", "judgement")
VEHICLES_PER_HOME: Final = Parameter(
    2.0, "vehicles", 0.5, 5.0, "vehicles that a household takes when it leaves, high side", "judgement"
)
FEW_HOMES_PER_KM: Final = Parameter(
    5.0,
    "homes per km of residential street",
    1.0,
    20.0,
    "fewer than on any built-up street, where 20 m frontages on both sides give 100; low side, for acreage",
    "judgement",
)
NOTABLE_HOMES: Final = Parameter(2.0, "homes", 1.0, 20.0, "least homes of a group in the short list", "judgement")
NOTABLE_SHARE: Final = Parameter(
    0.75, "-", 0.1, 1.0, "most of the homes of the listed group around it that a listed group may have", "judgement"
)
SHORTEST_LISTED_M: Final = Parameter(
    300.0, "m", 0.0, 5000.0, "least residential street behind one exit that is listed for lack of homes", "judgement"
)
LINK_WITHIN_M: Final = Parameter(300.0, "m", 1.0, 5000.0, "longest straight line of a link to build", "judgement")
LINK_STEEPEST: Final = Parameter(
    0.16, "-", 0.001, 1.0, "steepest ground under a link to build, rise over run", "judgement"
)

# --- a drill ---------------------------------------------------------------------------------------------------

FASTEST_HEAD_M_S: Final = Parameter(
    30.0, "m/s", 1.0, 50.0, "greatest head rate on flat ground: the most that a plan may set by hand", "judgement"
)
IN_SIGHT_M: Final = Parameter(
    3000.0, "m", 500.0, 20_000.0, "flames this near are seen from the home; farther ones are heard of", "judgement"
)
WIND_CHANGE_DEG: Final = Parameter(
    40.0, "deg", 10.0, 180.0, "a turn by this much from one weather step to the next is a wind change", "judgement"
)
REPORTED_AFTER_S: Final = Parameter(
    300.0, "s", 0.0, 3600.0, "from a fire's start to its report, and from there to official word of it", "judgement"
)

# --- lines on the map ------------------------------------------------------------------------------------------

TIE_S: Final = Parameter(
    60.0, "s", 0.0, 600.0, "leads this near count as equal: nobody's morning is known to the minute", "judgement"
)
NEAR_SHARE: Final = Parameter(
    0.25, "-", 0.0, 1.0, "a place is near a trigger line within this share of its distance from the home", "judgement"
)
NEAR_LEAST_M: Final = Parameter(
    1000.0, "m", 0.0, 5000.0, "a place this near a trigger line is near it, wherever the home is", "judgement"
)
