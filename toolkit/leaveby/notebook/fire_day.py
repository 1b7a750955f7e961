"""The rate-of-spread models on one day, each with its published error, and the speeds to hold them against."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, Literal

import numpy as np

from leaveby.errors import refuse, refused
from leaveby.fire.fuel.types import FUEL_TYPES, FuelType, fuel_type
from leaveby.fire.fuel.zones import uniform_fuel
from leaveby.fire.spread import equations as rate_of_spread
from leaveby.fire.spread.ellipse import SLOPE_LIMIT_DEG
from leaveby.fire.spread.model_error import ERROR_ASSUMPTIONS, ros_factor
from leaveby.fire.spread.series import MODELS, FireChoice, flat_spread, fuel_moisture_percent, spread_zones
from leaveby.fire.spread.validity import VALID_RANGES, model_assumptions, outside_validity
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.series import Weather, constant_weather
from leaveby.parameters import WALKING_SPEED_M_S
from leaveby.regions import measures_of
from leaveby.show.templates import sentences
from leaveby.show.wording import MODEL_WORDS
from leaveby.units import Measures, km_h_from_m_s, local_words, m_s_from_km_h

SET_KM_H: Final = (5.0, 12.0, 50.0)
"""Speeds set by hand: 12 km/h is the fastest forest run reported in Victoria up to 2003 (Packham, read second hand);
forest runs near 50 km/h are told of (common practice, no source)."""

BAND_Z: Final = 1.645
"""Ends of the error bands: one run in twenty is faster than the upper one, one in twenty slower than the lower one."""

WALKING_KM_H: Final = km_h_from_m_s(WALKING_SPEED_M_S.value)

DRIVING_KM_H: Final[Mapping[str, float]] = {"towing": 60.0, "by car": 80.0}
"""Mean speeds on a free country road with nothing in the way, by judgement."""

_START: Final = datetime(2026, 1, 17, 14, tzinfo=UTC)
_SPOT: Final = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")


@dataclass(frozen=True)
class FireDay:
    """The weather of one summer day, the ground and the fuel, in a person's units.

    The wind is the mean wind in the open at 10 m, the drought factor 0 to 10, the slope that of the ground in the
    direction of the fire's run (above 0 uphill), the fuel the name of a type that burns. In a region where people read
    other units, these stand beside the metric ones in what is said.
    """

    air_temperature_c: float = 40.0
    relative_humidity_percent: float = 12.0
    wind_km_h: float = 45.0
    drought_factor: float = 10.0
    slope_deg: float = 0.0
    fuel: str = "dry eucalypt forest"
    region: str = "AU"

    @property
    def measures(self) -> Measures:
        """The units that people read there."""
        return measures_of(self.region)


@dataclass(frozen=True)
class ModelSpeed:
    """Head rate of spread by one model on one day: as the equation gives it, slope included, and with its error.

    By the model's published error one run in twenty is slower than `low_m_s`, half are slower than `middle_m_s`, and
    one in twenty is faster than `high_m_s`.
    """

    model: str
    printed_m_s: float
    low_m_s: float
    middle_m_s: float
    high_m_s: float


@dataclass(frozen=True)
class DaySpeeds:
    """Every model that applies to a day's fuel side by side, and where one is used beyond what it was made for."""

    day: FireDay
    models: tuple[ModelSpeed, ...]
    outside: tuple[str, ...]
    assumptions: tuple[str, ...]


@dataclass(frozen=True)
class Course:
    """One steady speed in the chart of distance against time; `model` is '' where it is no model's."""

    label: str
    speed_m_s: float
    kind: Literal["model", "band", "set", "people"]
    model: str = ""


def fuels_to_choose() -> tuple[str, ...]:
    """Names of the fuel types in which fire spreads."""
    return tuple(name for name, fuel in FUEL_TYPES.items() if fuel.burns)


def model_speeds(day: FireDay) -> DaySpeeds:
    """Compute what every model that applies to the fuel gives for a day, with its published error.

    The driest hour of a clear summer day counts. Where a model says that fire does not spread, the slowest spread
    assumed stands for it. Impossible weather, and a fuel type that is unknown or does not burn, is an InputError.

    >>> speeds = model_speeds(FireDay(wind_km_h=50.0))
    >>> [(speed.model, round(km_h_from_m_s(speed.printed_m_s), 1)) for speed in speeds.models]
    [('dry_eucalypt', 5.9), ('mark5', 3.1), ('rule_10_percent', 5.0)]
    """
    fuel = _burning(day.fuel)
    if not math.isfinite(day.slope_deg) or abs(day.slope_deg) >= 90.0:
        raise refuse("slope", f"it is {day.slope_deg:g} degrees", expected="above -90 and below 90", mend="correct it")
    weather = _weather(day)
    zones = spread_zones(uniform_fuel(_SPOT, fuel), weather)
    flat = flat_spread(weather, zones, choice=FireChoice(MODELS))
    slope = float(rate_of_spread.slope_factor(day.slope_deg))
    speeds = []
    for model, rates in zip(flat.models, flat.by_model_m_s, strict=True):
        printed = max(float(rates[0, 0]), rate_of_spread.CREEP_M_S) * slope
        low, middle, high = (printed * ros_factor(model, z) for z in (-BAND_Z, 0.0, BAND_Z))
        speeds.append(ModelSpeed(model, printed_m_s=printed, low_m_s=low, middle_m_s=middle, high_m_s=high))
    equations = tuple(model for model in MODELS if not model.startswith("rule_"))
    # With the rules of thumb among them no equation is ever the fastest too slow one, so both lists are asked for.
    lines = (
        *outside_validity(weather, zones, models=MODELS),
        *outside_validity(weather, zones, models=equations),
    )
    outside = [line.replace(", in 1 of 1 steps", "") for line in dict.fromkeys(lines)]
    if abs(day.slope_deg) > SLOPE_LIMIT_DEG:
        outside.append(f"The slope factor is used to {SLOPE_LIMIT_DEG:g} degrees: steeper ground counts as that.")
    grassy = fuel.equation in ("grass", "any")
    return DaySpeeds(
        day=day,
        models=tuple(speeds),
        outside=tuple(outside),
        assumptions=(
            *(line for line in weather.assumptions if grassy or "curing" not in line),
            "The driest hour of a clear summer day counts, and the fire runs at its full speed from the first minute.",
            *model_assumptions(zones, models=MODELS),
            *ERROR_ASSUMPTIONS,
        ),
    )


def _weather(day: FireDay) -> Weather:
    """One hour of it, from the north."""
    return constant_weather(
        _START,
        air_temperature_c=day.air_temperature_c,
        relative_humidity_percent=day.relative_humidity_percent,
        wind_speed_m_s=m_s_from_km_h(day.wind_km_h),
        wind_from_deg=0.0,
        drought_factor=day.drought_factor,
        hours=1,
    )


def _burning(name: str) -> FuelType:
    fuel = fuel_type(name)
    if not fuel.burns:
        raise refused("fuel type", "fuel_that_burns_not", name=name, fuels=", ".join(fuels_to_choose()))
    return fuel


def courses(speeds: DaySpeeds, *, driving_km_h: Mapping[str, float] = DRIVING_KM_H) -> tuple[Course, ...]:
    """List every speed that the chart of distance against time compares; those of driving are above 0."""
    for words, speed_km_h in driving_km_h.items():
        if not 0.0 < speed_km_h < math.inf:
            raise refuse(words, f"its speed is {speed_km_h} km/h", expected="above 0", mend="correct it")
    fires = [
        Course(f"fire, {MODEL_WORDS[speed.model]}", speed.middle_m_s, "model", speed.model) for speed in speeds.models
    ]
    top = Course("fire, one run in 20 is faster", max(speed.high_m_s for speed in speeds.models), "band")
    by_hand = [Course(f"fire at {set_km_h:g} km/h", m_s_from_km_h(set_km_h), "set") for set_km_h in SET_KM_H]
    people = {f"walking, {WALKING_KM_H:g} km/h": WALKING_KM_H}
    people |= {f"{words}, {speed_km_h:g} km/h": speed_km_h for words, speed_km_h in driving_km_h.items()}
    moving = [Course(label, m_s_from_km_h(speed_km_h), "people") for label, speed_km_h in people.items()]
    return (*fires, top, *by_hand, *moving)


def reach_sentences(day: FireDay, *, to_km_h: float = 12.0) -> tuple[str, ...]:
    """Say which forest models can reach a speed on flat ground, and what each would need for it.

    Of the day, the dryness and the fuel's hazard scores count; its own wind and slope are left aside.

    Examples
    --------
    >>> for sentence in reach_sentences(FireDay()):
    ...     print(sentence)
    Mark 5 forest equation: can't reach 12 km/h on the flat. At the top of its scale, an index of 100 in 25 t/ha, it
    gives 3 km/h as printed; it would need an index of 400.
    Rule of 10 % of the wind speed: can't reach 12 km/h within the winds it was tested in. At 100 km/h, the most, it
    gives 10 km/h; it would need a mean wind of 120 km/h.
    Dry eucalypt forest equation: reaches 12 km/h in a mean wind of 109 km/h, in dry eucalypt forest as dry as on this
    day; it was made for winds to 30 km/h.
    """
    fuel = _burning(day.fuel)
    if fuel.equation not in ("forest", "any"):
        raise refuse("fuel type", f"{day.fuel!r} is no forest", expected="a forest", mend="choose a forest")
    top = {(limit.model, limit.quantity): limit.high for limit in VALID_RANGES}
    index, load = top["mark5", "danger_index"], top["mark5", "load_t_ha"]
    wind = top["rule_10_percent", "wind_km_h"]
    mark5 = km_h_from_m_s(float(rate_of_spread.mark5_ros_m_s(index, load)))
    rule = km_h_from_m_s(float(rate_of_spread.rule_10_percent_ros_m_s(m_s_from_km_h(wind))))
    winds_km_h = np.arange(0.0, 151.0)
    rates = rate_of_spread.dry_eucalypt_ros_m_s(
        m_s_from_km_h(winds_km_h),
        fuel_moisture_percent(_weather(day))["forest"][0, 0],
        surface_hazard_score=fuel.surface_hazard_score,
        near_surface_hazard_score=fuel.near_surface_hazard_score,
        near_surface_height_cm=fuel.near_surface_height_cm,
    )
    values: dict[str, Any] = {"to_km_h": to_km_h, "index": index, "load": load, "wind": wind, "mark5": mark5}
    values |= {"rule": rule, "made_to": top["dry_eucalypt", "wind_km_h"], "fuel": fuel.name}
    enough = winds_km_h[rates >= m_s_from_km_h(to_km_h)].tolist()
    told = sentences("notebook/reach.txt.j2", enough=enough, **values)
    return tuple(local_words(sentence, day.measures) for sentence in told)
