"""Where weather and fuel lie outside what a rate-of-spread model was made for.

The result is given all the same, since the worst days are the ones that count; but it is listed. Ranges marked "seen"
were read in an abstract; the others are remembered and rough.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.fuel.types import FUEL_TYPES, FuelType, table_rows
from leaveby.fire.fuel.zones import FuelMap
from leaveby.fire.spread.series import (
    DEFAULT_MODELS,
    FlatSpread,
    SpreadZones,
    fire_danger,
    flat_spread,
    fuel_moisture_percent,
    models_for,
    spread_zones,
)
from leaveby.fire.weather.series import Weather

MODEL_NAMES: Final[Mapping[str, str]] = {
    "dry_eucalypt": "dry eucalypt forest model",
    "mark5": "forest Mark 5 model",
    "grass": "grassland model",
    "shrubland": "shrubland model",
    "rule_10_percent": "10 % rule",
    "rule_20_percent": "20 % rule",
}
"""Each model in words, for display."""


@dataclass(frozen=True)
class ValidRange:
    """Range of one quantity that a model was made for.

    Attributes
    ----------
    model : str
        Key of the model.
    quantity : str
        "wind_km_h", "forest_moisture_percent", "grass_moisture_percent", "shrubland_moisture_percent",
        "danger_index", "load_t_ha", "curing_percent" or "shrub_height_m".
    low, high : float
        Both belong to the range.
    seen : bool
        True where the range was read, False where it is remembered.
    source : str
    """

    model: str
    quantity: str
    low: float
    high: float
    seen: bool
    source: str


VALID_RANGES: Final = tuple(
    ValidRange(
        row["model"], row["quantity"], float(row["low"]), float(row["high"]), row["seen"] == "yes", row["source"]
    )
    for row in table_rows(__package__, "valid_ranges.csv")
)
"""What each model was made for."""

_WORDS: Final[Mapping[str, tuple[str, str]]] = {
    "wind_km_h": ("wind", "km/h"),
    "forest_moisture_percent": ("fuel moisture", "%"),
    "grass_moisture_percent": ("grass moisture", "%"),
    "shrubland_moisture_percent": ("fuel moisture", "%"),
    "danger_index": ("forest fire danger index", ""),
    "load_t_ha": ("surface fuel", "t/ha"),
    "curing_percent": ("curing", "%"),
    "shrub_height_m": ("shrub height", "m"),
}


def _quantities(weather: Weather) -> dict[str, Callable[[FuelType, int], NDArray[np.float64]]]:
    """Each quantity as a function of fuel type and weather place, giving its course over the steps."""
    moist = fuel_moisture_percent(weather)
    index = fire_danger(weather)
    steps = weather.steps
    return {
        "wind_km_h": lambda _, place: weather.wind_speed_m_s[:, place] * 3.6,
        "forest_moisture_percent": lambda _, place: moist["forest"][:, place],
        "grass_moisture_percent": lambda _, place: moist["grass"][:, place],
        "shrubland_moisture_percent": lambda _, place: moist["shrubland"][:, place],
        "danger_index": lambda _, place: index[:, place],
        "load_t_ha": lambda fuel, _: np.full(steps, fuel.surface_load_t_ha),
        "curing_percent": lambda _, place: weather.curing_percent[:, place],
        "shrub_height_m": lambda fuel, _: np.full(steps, fuel.shrub_height_m),
    }


_BASIS: Final[Mapping[str, str]] = {
    "dry_eucalypt": "The dry eucalypt forest model (Cheney et al. 2012) and its fuel moisture are remembered, not "
    "read; no published table was found to check them against.",
    "mark5": "The forest Mark 5 rate of spread (Noble et al. 1980) is remembered, not read, and known to be slow on "
    "wildfires.",
    "grass": "The grassland model (Cheney et al. 1998, curing of Cruz et al. 2015) is remembered, not read; it is for "
    "heads wider than about 200 m.",
    "shrubland": "The shrubland model (Anderson et al. 2015) and its fuel moisture are remembered, not read; together "
    "they missed published wildfires by 46 to 52 % on average.",
}


def model_assumptions(zones: SpreadZones, *, models: Sequence[str] = DEFAULT_MODELS) -> tuple[str, ...]:
    """List what the rates of spread rest on, for the assumptions of a result; those of fuel and weather stand apart.

    One sentence for each model taking part that was not read, for fuel types out of the table, and for the sky.

    Examples
    --------
    >>> from leaveby.fire.fuel.types import fuel_type
    >>> from leaveby.fire.terrain import Grid
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> zones = SpreadZones(grid, np.zeros((2, 2), np.int32), (fuel_type("heath"),), np.zeros(1, np.int32),
    ...     np.zeros(1, np.bool_))
    >>> model_assumptions(zones)[0]
    'The shrubland model (Anderson et al. 2015) and its fuel moisture are remembered, not read; together they missed
    published wildfires by 46 to 52 % on average.'
    """
    kinds = tuple(dict.fromkeys(zones.types))
    taking_part = {model for kind in kinds for model in models_for(kind, models)}
    lines = [line for model, line in _BASIS.items() if model in taking_part]
    typical = [kind.name for kind in kinds if FUEL_TYPES.get(kind.name) == kind]
    if typical:
        lines.append(f"Loads, scores and heights are typical ones, not measured here, for: {', '.join(typical)}.")
    lines.append(
        "The sky is taken to be clear and the fuel free of rain and dew; where two of the daily periods of fuel "
        "moisture could hold, the drier one does. Fire once alight is never taken to go out."
    )
    return tuple(lines)


def outside_validity(
    weather: Weather, fuel: FuelMap | SpreadZones, *, models: Sequence[str] = DEFAULT_MODELS
) -> tuple[str, ...]:
    """List where the models are used beyond what they were made for, and where they then fall below the rule of thumb.

    One sentence for each model, quantity and end of its range, and one for each model that is slower than the rule of
    thumb (10 % of the wind in forest and shrubland, 20 % in grass, each under its own conditions) outside its range, or
    within it where no other model is faster.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> from leaveby.fire.fuel.zones import uniform_fuel
    >>> from leaveby.fire.terrain import Grid
    >>> from leaveby.fire.weather.series import constant_weather
    >>> weather = constant_weather(datetime(2026, 1, 17, 13, tzinfo=UTC), air_temperature_c=44.0, hours=2,
    ...     relative_humidity_percent=8.0, wind_speed_m_s=15.0, wind_from_deg=315.0, drought_factor=10.0)
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> for line in outside_validity(weather, uniform_fuel(grid, "woodland"), models=["mark5"]):
    ...     print(line)
    forest Mark 5 model: the forest fire danger index reaches 147, outside 0 to 100 (the meter's scale; Noble et al.
    (1980), remembered), in 2 of 2 steps.
    forest Mark 5 model: outside its range it gives as little as 2.6 km/h on flat ground, where the 10 % rule gives 5.4.
    """
    zones = fuel if isinstance(fuel, SpreadZones) else spread_zones(fuel, weather)
    flat = flat_spread(weather, zones, models=models)
    quantities = _quantities(weather)
    lines: list[str] = []
    outside = np.zeros(flat.by_model_m_s.shape, dtype=np.bool_)
    for limit in VALID_RANGES:
        if limit.model not in flat.models:
            continue
        m = flat.models.index(limit.model)
        below, above = [], []
        for z, kind in enumerate(zones.types):
            if limit.model not in models_for(kind, models):
                continue
            values = quantities[limit.quantity](kind, int(zones.place[z]))
            outside[m, :, z] |= (values < limit.low - 1e-9) | (values > limit.high + 1e-9)
            below.append(np.where(values < limit.low - 1e-9, values, np.nan))
            above.append(np.where(values > limit.high + 1e-9, values, np.nan))
        for side, worst_of in ((below, np.nanmin), (above, np.nanmax)):
            found = np.array(side)
            steps = np.isfinite(found).any(axis=0)
            if steps.any():
                lines.append(_line(limit, float(worst_of(found)), int(steps.sum()), weather.steps))
    return tuple(lines) + _below_rule(weather, flat, outside, models)


def _line(limit: ValidRange, worst: float, bad: int, steps: int) -> str:
    words, unit = _WORDS[limit.quantity]
    verb = "falls to" if worst < limit.low else "reaches"
    shown = f"{worst:.0f}" if abs(worst) >= 20.0 else f"{worst:.1f}"
    mark = limit.source if limit.seen else f"{limit.source}, remembered"
    return (
        f"{MODEL_NAMES[limit.model]}: the {words} {verb} {shown} {unit}".rstrip()
        + f", outside {limit.low:g} to {limit.high:g} {unit}".rstrip()
        + f" ({mark}), in {bad} of {steps} steps."
    )


def _below_rule(
    weather: Weather, flat: FlatSpread, outside: NDArray[np.bool_], models: Sequence[str]
) -> tuple[str, ...]:
    zones = flat.zones
    moist = fuel_moisture_percent(weather)["forest"][:, zones.place]
    wind_km_h = weather.wind_speed_m_s[:, zones.place] * 3.6
    curing = weather.curing_percent[:, zones.place]
    wooded = np.array([kind.equation in ("forest", "shrubland", "any") for kind in zones.types])
    share = np.where(wooded, 0.1, 0.2 * np.array([kind.grass_factor for kind in zones.types]))
    holds = np.where(wooded, (wind_km_h > 30.0) & (moist < 7.0), (wind_km_h >= 20.0) & (curing >= 90.0))
    lines: list[str] = []
    for m, model in enumerate(flat.models):
        if model.startswith("rule_"):
            continue
        applies = np.array([model in models_for(kind, models) for kind in zones.types])
        if model == "grass":
            applies &= ~wooded
        ros_km_h = flat.by_model_m_s[m] * 3.6
        rule_km_h = share * wind_km_h
        slow = holds & applies & (ros_km_h < rule_km_h)
        # A model within its range is listed only where no other one makes up for it.
        alone = flat.head_ros_m_s * 3.6 < rule_km_h
        for where, bad in (("outside", slow & outside[m]), ("within", slow & ~outside[m] & alone)):
            if bad.any():
                k = int(np.argmax(np.where(bad, rule_km_h - ros_km_h, -np.inf)))
                rule = "10 %" if wooded[k % len(zones.types)] else "20 %"
                lines.append(
                    f"{MODEL_NAMES[model]}: {where} its range it gives as little as {ros_km_h.flat[k]:.1f} km/h on "
                    f"flat ground, where the {rule} rule gives {rule_km_h.flat[k]:.1f}."
                )
    return tuple(lines)
