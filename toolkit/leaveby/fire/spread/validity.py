"""Where weather and fuel lie outside what a rate-of-spread model was made for.

The result is given all the same, since the worst days are the ones that count; but it is listed. Ranges marked "seen"
were read in an abstract; the others are remembered and rough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.fuel.types import FUEL_TYPES, FuelType
from leaveby.fire.fuel.zones import FuelMap
from leaveby.fire.spread import series
from leaveby.fire.spread.series import DEFAULT_MODELS, FlatSpread, SpreadZones, models_for
from leaveby.fire.weather.series import Weather
from leaveby.parameters import OTHER_FUELS_SHARE
from leaveby.regions import assumed, country_of, measures_of, table_rows
from leaveby.units import speed_words

_MODELS: Final = {row["model"]: row for row in table_rows(__package__, "model_words.csv")}
"""Each model in words, and what one that was not read rests on."""


_MADE_FOR: Final = {row["model"]: row for row in table_rows(__package__, "made_for.csv")}
"""Of which fuels and countries each equation was made; the rules of thumb are of many."""

_RULES: Final = {
    "rule_10_percent": ("forest and shrubland", "dry forest and shrubland", "Cruz and Alexander 2019", 0.1),
    "rule_20_percent": ("grass", "cured grass", "Cruz, Alexander and Kilinc 2022", 0.2),
}
"""By rule of thumb: the fuels that it is for, in which state, who published it (read), and the share of the wind."""


@dataclass(frozen=True)
class ValidRange:
    """Range of one quantity that a model was made for, ends and all; `seen` where it was read, not remembered."""

    model: str
    quantity: str
    words: str
    unit: str
    low: float
    high: float
    seen: bool
    source: str


VALID_RANGES: Final = tuple(
    ValidRange(
        **{name: row[name] for name in ("model", "quantity", "words", "unit", "source")},
        low=float(row["low"]),
        high=float(row["high"]),
        seen=row["seen"] == "yes",
    )
    for row in table_rows(__package__, "valid_ranges.csv")
)
"""What each model was made for."""


def _quantities(weather: Weather, zones: SpreadZones) -> dict[str, NDArray[np.float64]]:
    """Each quantity by step and zone."""
    by_place = {
        "wind_km_h": weather.wind_speed_m_s * 3.6,
        "danger_index": series.fire_danger(weather),
        "curing_percent": weather.curing_percent,
        **{f"{fuel}_moisture_percent": percent for fuel, percent in series.fuel_moisture_percent(weather).items()},
    }
    by_fuel = {
        "load_t_ha": [kind.surface_load_t_ha for kind in zones.types],
        "shrub_height_m": [kind.shrub_height_m for kind in zones.types],
    }
    return {
        **{name: values[:, zones.place] for name, values in by_place.items()},
        **{name: np.tile(values, (weather.steps, 1)) for name, values in by_fuel.items()},
    }


def model_assumptions(zones: SpreadZones, *, models: Sequence[str] = DEFAULT_MODELS) -> tuple[str, ...]:
    """List what the rates of spread rest on, for the assumptions of a result; those of fuel and weather stand apart.

    One sentence for each model taking part that was not read, for fuel types out of the table, and for the sky.
    """
    kinds = tuple(dict.fromkeys(zones.types))
    taking_part = {model for kind in kinds for model in models_for(kind, models)}
    lines = [row["basis"] for model, row in _MODELS.items() if model in taking_part and row["basis"]]
    typical = [kind.name for kind in kinds if FUEL_TYPES.get(kind.name) == kind]
    if typical:
        lines.append(f"Loads, scores and heights are typical ones, not measured here, for: {', '.join(typical)}.")
    lines.append(
        "The sky is taken to be clear and the fuel free of rain and dew; where two of the daily periods of fuel "
        "moisture could hold, the drier one does. Fire once alight is never taken to go out."
    )
    return tuple(lines)


def made_elsewhere(weather: Weather, zones: SpreadZones, *, choice: series.FireChoice, region: str) -> tuple[str, ...]:
    """Say first of all where equations were made for other fuels than those here, and what the rule of thumb gives.

    One sentence for forest and shrubland and one for grass, where fuels or a country that an equation was not made for
    cover a tenth of the ground that burns; none where the speed is set by hand. Rates are those of the step with the
    strongest wind, the fastest of the fuels.
    """
    if choice.set_m_s is not None:
        return ()
    country, models = country_of(region), choice.models
    cells = np.bincount(zones.zone[zones.zone >= 0].ravel(), minlength=len(zones.types))
    head_m_s = series.flat_spread(weather, zones, choice=choice).head_ros_m_s
    said: list[str] = []
    for rule in _RULES:
        among = [number for number, kind in enumerate(zones.types) if _rule_of(kind) == rule]
        foreign = {number: rows for number in among if (rows := _foreign(zones.types[number], models, country))}
        if not foreign or sum(cells[list(foreign)]) < OTHER_FUELS_SHARE.value * cells.sum():
            continue
        wind_m_s = weather.wind_speed_m_s[:, zones.place[among]]
        step = int(wind_m_s.max(axis=1).argmax())
        rows = [row for found in foreign.values() for row in found]
        fuels = [zones.types[number].name for number in foreign]
        wind, ros = float(wind_m_s[step].max()), float(head_m_s[step, among].max())
        said += _elsewhere_words(rule, rows, fuels, (wind, ros), region=region, hint=rule not in models)
    return tuple(said)


def _elsewhere_words(
    rule: str, rows: list[dict[str, str]], fuels: list[str], rates: tuple[float, float], *, region: str, hint: bool
) -> tuple[str, ...]:
    """Put it in words: for which fuels the equations were made, and wind, rule of thumb and equations in figures."""
    measures, (of, dry, source, share) = measures_of(region), _RULES[rule]
    abroad = any(country_of(region) not in row["countries"].split(";") for row in rows)
    wind_m_s, ros_m_s = rates
    return assumed(
        "fire/assumptions",
        "made_elsewhere",
        made_for=" and ".join(dict.fromkeys(row["told"] for row in rows)),
        fuels=f"{of} of {region}" if abroad else " and ".join(dict.fromkeys(fuels)),
        dry=dry,
        share=f"{100.0 * share:g}",
        source=source,
        rule=speed_words(share * wind_m_s, measures, ".1f"),
        wind=speed_words(wind_m_s, measures, ".0f"),
        ros=speed_words(ros_m_s, measures, ".1f"),
        hint=f" Name {rule} among the models of [fire], and the faster holds." if hint else "",
    )


def _rule_of(kind: FuelType) -> str:
    return "rule_20_percent" if kind.equation == "grass" else "rule_10_percent"


def made_in(model: str) -> tuple[str, ...]:
    """Countries in whose fuels an equation was made.

    >>> made_in("dry_eucalypt"), made_in("shrubland")
    (('AU',), ('AU', 'NZ'))
    """
    return tuple(_MADE_FOR[model]["countries"].split(";"))


def _foreign(kind: FuelType, models: Sequence[str], country: str) -> list[dict[str, str]]:
    """The equations taking part in a fuel that were made for other fuels, or in other countries."""
    rows = [_MADE_FOR[model] for model in models_for(kind, models) if model in _MADE_FOR]
    return [
        row
        for row in rows
        if country not in made_in(row["model"])
        or (FUEL_TYPES.get(kind.name) == kind and kind.name not in row["fuels"].split(";"))
    ]


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
    zones = fuel if isinstance(fuel, SpreadZones) else series.spread_zones(fuel, weather)
    flat = series.flat_spread(weather, zones, choice=series.FireChoice(models))
    quantities = _quantities(weather, zones)
    lines: list[str] = []
    outside = np.zeros(flat.by_model_m_s.shape, dtype=np.bool_)
    for limit in VALID_RANGES:
        if limit.model not in flat.models:
            continue
        m = flat.models.index(limit.model)
        applies = np.array([limit.model in models_for(kind, models) for kind in zones.types])
        values = quantities[limit.quantity]
        below, above = (values < limit.low - 1e-9) & applies, (values > limit.high + 1e-9) & applies
        outside[m] |= below | above
        for side, worst_of in ((below, np.min), (above, np.max)):
            if side.any():
                steps = int(side.any(axis=1).sum())
                lines.append(_line(limit, float(worst_of(values[side])), steps, weather.steps))
    return tuple(lines) + _below_rule(weather, flat, outside, models)


def _line(limit: ValidRange, worst: float, bad: int, steps: int) -> str:
    verb = "falls to" if worst < limit.low else "reaches"
    shown = f"{worst:.0f}" if abs(worst) >= 20.0 else f"{worst:.1f}"
    mark = limit.source if limit.seen else f"{limit.source}, remembered"
    return (
        f"{_MODELS[limit.model]['name']}: the {limit.words} {verb} {shown} {limit.unit}".rstrip()
        + f", outside {limit.low:g} to {limit.high:g} {limit.unit}".rstrip()
        + f" ({mark}), in {bad} of {steps} steps."
    )


def _below_rule(
    weather: Weather, flat: FlatSpread, outside: NDArray[np.bool_], models: Sequence[str]
) -> tuple[str, ...]:
    zones = flat.zones
    moist = series.fuel_moisture_percent(weather)["forest"][:, zones.place]
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
                    f"{_MODELS[model]['name']}: {where} its range it gives as little as {ros_km_h.flat[k]:.1f} km/h on "
                    f"flat ground, where the {rule} rule gives {rule_km_h.flat[k]:.1f}."
                )
    return tuple(lines)
