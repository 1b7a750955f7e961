"""From weather and fuel to the head rate of spread on flat ground, for every step and zone, and to the spread table.

A zone is a fuel type within one weather place. The map of zones is made once (`spread_zones`); the rates of another
member of an ensemble are then only (steps x zones) work (`table_for_member`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leaveby.errors import Fault, Faults, refused
from leaveby.fire.fuel import moisture
from leaveby.fire.fuel.types import FuelType
from leaveby.fire.fuel.zones import FuelMap, uniform_fuel
from leaveby.fire.spread import equations as rate_of_spread
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.flames import fireline_intensity_kw_m
from leaveby.fire.terrain import Grid
from leaveby.fire.weather import danger
from leaveby.fire.weather.ratings import YESTERDAY, District, Scale, Vegetation
from leaveby.fire.weather.series import Weather, local_hour, local_month, wind_towards
from leaveby.regions import assumed

MODELS: Final = ("dry_eucalypt", "mark5", "grass", "shrubland", "rule_10_percent", "rule_20_percent")
"""Keys of the rate-of-spread models."""

FOREST_MODELS: Final = ("dry_eucalypt", "mark5", "rule_10_percent")
"""Models that can govern in forest."""

DEFAULT_MODELS: Final = ("dry_eucalypt", "mark5")


@dataclass(frozen=True)
class FireChoice:
    """What makes a fire: models, of which the fastest governs (`models_for`), or a rate set by hand instead of all.

    Factors act on neither the floor, below which the rate never is in anything that burns, nor the rate by hand.
    """

    models: Sequence[str] = DEFAULT_MODELS
    floor_m_s: float | None = None
    set_m_s: float | None = None


@dataclass(frozen=True)
class SpreadZones:
    """Which fuel type and weather place each cell has.

    `zone`, shape (rows, cols), is the zone of each cell; -1 where nothing burns. Each zone has a fuel type, a weather
    place, and True under `grass` where the shape of grass fires applies; `assumptions` are those of fuel and weather.
    """

    grid: Grid
    zone: NDArray[np.int32]
    types: tuple[FuelType, ...]
    place: NDArray[np.int32]
    grass: NDArray[np.bool_]
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True)
class FlatSpread:
    """Head rates of spread on flat ground, and which model gave them.

    `by_model_m_s`, shape (models, steps, zones), has the rate of each model that takes part, with its factor; 0 where
    it does not apply to the zone. `head_ros_m_s`, shape (steps, zones), is the rate that counts, above 0, and
    `governing` an index into `governors`: the models, then "floor", "set by hand" and "creep".
    """

    zones: SpreadZones
    models: tuple[str, ...]
    by_model_m_s: NDArray[np.float64]
    head_ros_m_s: NDArray[np.float64]
    governing: NDArray[np.int8]
    governors: tuple[str, ...]


def spread_zones(fuel: FuelMap, weather: Weather) -> SpreadZones:
    """Cross the fuel map with the weather places: one zone for each pair that occurs.

    Raises InputError when nothing burns anywhere.
    """
    place = weather.place
    if place is not None and place.shape != fuel.grid.shape:
        raise ValueError(f"the weather's places have the shape {place.shape}, the fuel map {fuel.grid.shape}")
    burns = np.array([kind.burns for kind in fuel.types], dtype=np.bool_)
    pair = fuel.code.astype(np.int64) * weather.places
    if place is not None:
        pair += place
    counts = np.bincount(pair.ravel(), minlength=len(fuel.types) * weather.places)
    kept = np.flatnonzero((counts > 0) & np.repeat(burns, weather.places))
    if kept.size == 0:
        raise refused("the fuel map", "nothing_burns")
    number = np.full(counts.size, -1, dtype=np.int32)
    number[kept] = np.arange(kept.size, dtype=np.int32)
    types = tuple(fuel.types[int(k) // weather.places] for k in kept)
    return SpreadZones(
        grid=fuel.grid,
        zone=number[pair],
        types=types,
        place=(kept % weather.places).astype(np.int32),
        grass=np.array([kind.grass for kind in types], dtype=np.bool_),
        assumptions=fuel.assumptions + weather.assumptions,
    )


def check_models(models: Sequence[str], zones: SpreadZones) -> None:
    """Refuse model keys that are not known, and forest without a forest model (InputError)."""
    faults = Faults(
        Fault("models", f"{model!r} is not known", "some of " + ", ".join(MODELS), "name one of these")
        for model in models
        if model not in MODELS
    )
    forest = any(kind.equation in ("forest", "any") for kind in zones.types)
    if forest and not any(model in FOREST_MODELS for model in models):
        faults.tell("models", "forest_without_model", models=", ".join(FOREST_MODELS))
    faults.refuse()


def models_for(fuel: FuelType, models: Sequence[str]) -> tuple[str, ...]:
    """Models that take part in a fuel type, out of the plan's; the fastest of them governs.

    Forest takes the forest models of the plan; grass and shrubland their own model whatever the plan names, and beside
    it the rule of thumb where the plan names it; unmapped fuel takes all of these.
    """
    forest = tuple(model for model in FOREST_MODELS if model in models)
    grass = ("grass", *(("rule_20_percent",) if "rule_20_percent" in models else ()))
    shrubs = ("shrubland", *(("rule_10_percent",) if "rule_10_percent" in models else ()))
    chosen = {"forest": forest, "grass": grass, "shrubland": shrubs, "any": forest + grass + shrubs, "none": ()}
    return tuple(dict.fromkeys(chosen[fuel.equation]))


def _hours_of_steps(weather: Weather) -> NDArray[np.float64]:
    """Length of each step in hours, up to a day; the last is taken as long as the usual step, a lone one as a day."""
    lengths = np.diff(weather.time_s) / 3600.0
    last = float(np.median(lengths)) if lengths.size else 24.0
    return np.asarray(np.minimum(np.append(lengths, last), 24.0))


def fuel_moisture_percent(weather: Weather) -> dict[str, NDArray[np.float64]]:
    """Fine dead fuel moisture by step and place, under "forest", "grass" and "shrubland".

    Where a step is longer than an hour, the driest hour of it counts.
    """
    T, RH = weather.air_temperature_c, weather.relative_humidity_percent
    lengths = _hours_of_steps(weather)
    begin, month = local_hour(weather)[:, np.newaxis], local_month(weather)[:, np.newaxis]
    forest = np.full(T.shape, np.inf)
    shrubs = np.full(T.shape, np.inf)
    for offset in range(int(np.ceil(lengths.max() - 1e-9))):
        # An hour past a step's end is replaced by the step's first hour, so that it changes nothing.
        within = np.where(offset < lengths, offset, 0.0)[:, np.newaxis]
        hour = np.mod(begin + within, 24.0)
        forest_now = moisture.forest_moisture_by_hour_percent(T, RH, local_hour=hour, month=month)
        shrubs_now = moisture.shrubland_moisture_percent(T, RH, sunny_afternoon=moisture.sunny_afternoon(hour))
        forest = np.minimum(forest, forest_now)
        shrubs = np.minimum(shrubs, shrubs_now)
    return {"forest": forest, "grass": moisture.grass_moisture_percent(T, RH), "shrubland": shrubs}


def _rates(weather: Weather, zones: SpreadZones, models: tuple[str, ...]) -> NDArray[np.float64]:
    moist = fuel_moisture_percent(weather)
    index = fire_danger(weather)
    out = np.zeros((len(models), weather.steps, len(zones.types)), dtype=np.float64)
    for kind in dict.fromkeys(zones.types):
        which = np.array([k for k, other in enumerate(zones.types) if other == kind], dtype=np.intp)
        at = zones.place[which]
        wind, curing = weather.wind_speed_m_s[:, at], weather.curing_percent[:, at]
        for model in models_for(kind, models):
            if model == "dry_eucalypt":
                ros = rate_of_spread.dry_eucalypt_ros_m_s(
                    wind,
                    moist["forest"][:, at],
                    surface_hazard_score=kind.surface_hazard_score,
                    near_surface_hazard_score=kind.near_surface_hazard_score,
                    near_surface_height_cm=kind.near_surface_height_cm,
                )
            elif model == "mark5":
                ros = rate_of_spread.mark5_ros_m_s(index[:, at], kind.surface_load_t_ha)
            elif model == "grass":
                state = rate_of_spread.GRASS_STATES.index(kind.grass_state)
                grass = rate_of_spread.grass_ros_m_s(wind, moist["grass"][:, at], curing_percent=curing, state=state)
                ros = kind.grass_factor * grass
            elif model == "shrubland":
                ros = rate_of_spread.shrubland_ros_m_s(
                    wind, moist["shrubland"][:, at], height_m=kind.shrub_height_m, wind_factor=kind.shrub_wind_factor
                )
            elif model == "rule_10_percent":
                ros = rate_of_spread.rule_10_percent_ros_m_s(wind)
            else:
                ros = kind.grass_factor * rate_of_spread.rule_20_percent_ros_m_s(wind)
            out[models.index(model)][:, which] = ros
    return out


def fire_danger(weather: Weather) -> NDArray[np.float64]:
    """Forest fire danger index by step and place."""
    return danger.forest_fire_danger_index(
        weather.air_temperature_c,
        weather.relative_humidity_percent,
        wind_speed_m_s=weather.wind_speed_m_s,
        drought_factor=weather.drought_factor,
    )


def flat_spread(
    weather: Weather,
    fuel: FuelMap | SpreadZones,
    *,
    choice: FireChoice = FireChoice(),
    ros_factors: Mapping[str, float] | None = None,
) -> FlatSpread:
    """Head rate of spread on flat ground by step and zone: the fastest of the models that apply.

    Zones made before save making them again; `ros_factors` are factors on the models' rates, above 0, for instance from
    `model_error.ros_factors`. An InputError tells of models that are not known or missing, and impossible rates or
    factors.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> from leaveby.fire.fuel.zones import uniform_fuel
    >>> from leaveby.fire.weather.series import constant_weather
    >>> weather = constant_weather(datetime(2026, 1, 17, 13, tzinfo=UTC), air_temperature_c=40.0, hours=1,
    ...     relative_humidity_percent=10.0, wind_speed_m_s=15.0, wind_from_deg=270.0, drought_factor=10.0)
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> flat = flat_spread(weather, uniform_fuel(grid, "dry eucalypt forest"))
    >>> float((flat.head_ros_m_s[0, 0] * 3.6).round(1)), flat.governors[flat.governing[0, 0]]
    (7.5, 'dry_eucalypt')
    """
    zones = fuel if isinstance(fuel, SpreadZones) else spread_zones(fuel, weather)
    check_models(choice.models, zones)
    _check_rates(choice, ros_factors or {})
    taking_part = tuple(
        model
        for model in MODELS
        if any(model in models_for(kind, choice.models) for kind in dict.fromkeys(zones.types))
    )
    governors = (*taking_part, "floor", "set by hand", "creep")
    by_model = _rates(weather, zones, taking_part)
    for k, model in enumerate(taking_part):
        by_model[k] *= (ros_factors or {}).get(model, 1.0)
    if choice.set_m_s is not None:
        head = np.full(by_model.shape[1:], choice.set_m_s, dtype=np.float64)
        governing = np.full(head.shape, governors.index("set by hand"), dtype=np.int8)
        return FlatSpread(zones, taking_part, by_model, head, governing, governors)
    head = by_model.max(axis=0)
    governing = by_model.argmax(axis=0).astype(np.int8)
    for name, least in (("floor", choice.floor_m_s), ("creep", rate_of_spread.CREEP_M_S)):
        if least is not None:
            governing[head < least] = governors.index(name)
            head = np.maximum(head, least)
    return FlatSpread(zones, taking_part, by_model, head, governing, governors)


def district_of(fuel: FuelMap, *, scale: Scale, models: Sequence[str], lat_deg: float) -> District:
    """Let the commonest fuel that burns on a map stand for the district, to measure the danger of days by.

    Its head fire on flat ground runs by the equation that governs there, without model error. The load is that of the
    fuel on the ground: with more of it a rating would be reached on a milder day.
    """
    counts = np.bincount(fuel.code.ravel(), minlength=len(fuel.types))
    counts[[not kind.burns for kind in fuel.types]] = 0
    kind = fuel.types[int(counts.argmax())]
    vegetation: Vegetation = "forest" if kind.equation == "any" or kind.equation == "none" else kind.equation

    def flat(weather: Weather) -> FlatSpread:
        # One cell for each place of the weather.
        grid = Grid(x_min_m=0.0, y_max_m=1.0, cell_m=1.0, rows=1, cols=weather.places, crs=fuel.grid.crs)
        places = replace(weather, place=np.arange(weather.places, dtype=np.int32)[np.newaxis])
        return flat_spread(places, uniform_fuel(grid, kind), choice=FireChoice(models))

    def intensity_kw_m(weather: Weather) -> NDArray[np.float64]:
        return fireline_intensity_kw_m(flat(weather).head_ros_m_s, kind.surface_load_t_ha)

    def least_kw_m(weather: Weather) -> NDArray[np.float64]:
        return fireline_intensity_kw_m(flat(weather).by_model_m_s.min(axis=0), kind.surface_load_t_ha)

    told = "district_europe" if scale == "europe" else "district"
    ffmc, dmc, dc = YESTERDAY
    said = assumed("fire/assumptions", told, fuel=kind.name, ffmc=ffmc, dmc=dmc, dc=dc)
    return District(scale, vegetation, intensity_kw_m, least_kw_m, lat_deg, said)


def _check_rates(choice: FireChoice, ros_factors: Mapping[str, float]) -> None:
    faults = Faults(
        Fault(f"factor of {model}", f"it is {factor}", "a number above 0", "give a factor above 0")
        for model, factor in ros_factors.items()
        if not (np.isfinite(factor) and factor > 0.0)
    )
    for name, value in (("the floor of", choice.floor_m_s), ("the set", choice.set_m_s)):
        if value is not None and not 0.0 < value <= 30.0:
            faults.add(f"{name} rate of spread", f"it is {value} m/s", "above 0 to 30 m/s (108 km/h)", "correct it")
    faults.refuse()


def table_for_member(
    zones: SpreadZones,
    weather: Weather,
    *,
    gradients: tuple[ArrayLike, ArrayLike],
    choice: FireChoice = FireChoice(),
    ros_factors: Mapping[str, float] | None = None,
) -> SpreadTable:
    """Make the spread table of one member from zones that were made before, and the member's own weather.

    `gradients` are rise over run towards east and north, the rest as in `flat_spread`. Where the rate is set by hand it
    is the speed across the landscape, hills included: the table's ground is then flat.
    """
    flat = flat_spread(weather, zones, choice=choice, ros_factors=ros_factors)
    east, north = (np.asarray(component, dtype=np.float32) for component in gradients)
    if east.shape != zones.grid.shape or north.shape != zones.grid.shape:
        raise ValueError(f"gradients must have the grid's shape {zones.grid.shape}")
    if choice.set_m_s is not None:
        east, north = np.zeros_like(east), np.zeros_like(north)
    wind_east, wind_north = (component[:, zones.place] for component in wind_towards(weather))
    rates = flat.head_ros_m_s
    return SpreadTable(
        zones.grid, zones.zone, east, north, weather.time_s, rates, wind_east, wind_north, zones.grass.astype(np.int8)
    )
