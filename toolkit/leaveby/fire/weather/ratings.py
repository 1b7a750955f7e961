"""Official fire danger ratings, and a day of weather for each: what "a day rated so" means where the plan is made.

Scales, words and the index of each rating stand in `ratings.toml`. A rating's day lies on the line between a mild day
and the plan's own bad day, or past it, where its worst hour reaches the upper edge of the rating: whoever waits for
nothing worse leaves earlier. Which fuel stands for the district, and how fast it burns, the caller brings along
(`leaveby.fire.spread.series.district_of`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import Fault, Faults, fault_of
from leaveby.fire.weather.danger import forest_fire_danger_index
from leaveby.fire.weather.series import LIMITS, Weather, local_hour, local_month
from leaveby.parameters import (
    MILD_AIR_TEMPERATURE_C,
    MILD_HUMIDITY_PERCENT,
    MILD_WIND_M_S,
    STRONGEST_WIND_M_S,
    YESTERDAY_DC,
    YESTERDAY_DMC,
    YESTERDAY_FFMC,
)
from leaveby.regions import table
from leaveby.units import km_h_from_m_s

Scale = Literal["australia", "europe", "own"]
Vegetation = Literal["forest", "grass", "shrubland"]

YESTERDAY: Final = (YESTERDAY_FFMC.value, YESTERDAY_DMC.value, YESTERDAY_DC.value)
"""Codes of the day before, fine fuel moisture, duff moisture and drought: a dry season."""

_TABLE: Final = table("fire/weather/ratings")
_ROOT_WITHIN: Final = 1e-6
_NOON: Final = 12.0


@dataclass(frozen=True)
class District:
    """How the danger of a day is measured where the plan is made.

    - `vegetation`: kind of the fuel that stands for the district.
    - `intensity_kw_m`, `least_kw_m`: fireline intensity of a head fire on flat ground in that fuel, by step and place
      of a weather: by the fastest and by the slowest of the equations that apply.
    - `lat_deg`: latitude, degrees north.
    - `said`: what was taken for granted.
    """

    scale: Scale
    vegetation: Vegetation
    intensity_kw_m: Callable[[Weather], NDArray[np.float64]]
    least_kw_m: Callable[[Weather], NDArray[np.float64]]
    lat_deg: float
    said: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rating:
    """A rating that a plan names.

    - `name`: as the local forecast says it.
    - `stands_for`: its name in the scale, where that is another.
    - `weather`: a day rated so, where the plan brings one; None: the day is found on the line.
    - `leave`: the rating itself tells people to leave; so it is, too, where the scale says so.
    - `where`: its place in the plan, for messages.
    - `file`: the weather file of its day; empty where there is none.
    """

    name: str
    stands_for: str | None = None
    weather: Weather | None = None
    leave: bool = False
    where: str = "ratings"
    file: str = ""


@dataclass(frozen=True)
class RatedDay:
    """A day of weather that stands for a rating.

    - `name`: as the local forecast says it.
    - `weather`: clock and wind direction, drought factor and curing are those of the plan's weather, or the rating's
      own.
    - `index`: what its worst hour reaches on the scale; None where the scale is the plan's own.
    - `leave`: the rating itself tells people to leave.
    - `told`: what the public is told to do on such a day.
    - `said`: what was taken for granted for this day, one sentence each.
    """

    name: str
    weather: Weather
    index: float | None
    leave: bool
    told: str | None
    said: tuple[str, ...]


@dataclass(frozen=True)
class _Class:
    """A rating of a scale: from `least` up to, not with, `below` (None for the highest)."""

    name: str
    least: float
    below: float | None
    told: str | None
    leave: bool


def _classes(scale: Scale) -> tuple[_Class, ...]:
    if scale == "own":
        return ()
    rows = _TABLE["scales"][scale]["ratings"]
    below = [*(row["least"] for row in rows[1:]), None]
    return tuple(
        _Class(row["name"], row["least"], edge, row.get("told"), row.get("leave", False))
        for row, edge in zip(rows, below, strict=True)
    )


def index_name(scale: Scale) -> str | None:
    """Name the index that a scale goes by, or None for the plan's own words.

    Examples
    --------
    >>> index_name("australia")
    'Fire Behaviour Index'
    """
    return None if scale == "own" else str(_TABLE["scales"][scale]["index"])


def fire_behaviour_index(intensity_kw_m: NDArray[np.float64], *, vegetation: Vegetation) -> NDArray[np.float64]:
    """Index of the Australian rating: straight lines between published points; past the last the last slope goes on.

    Hollis et al. (2024), International Journal of Wildland Fire 33; points read as quoted, alike, in two other places.

    Examples
    --------
    >>> fire_behaviour_index(np.array([750.0, 7000.0, 60000.0]), vegetation="forest").tolist()
    [12.0, 37.0, 150.0]
    """
    points = np.array(_TABLE["fire_behaviour_index"][vegetation], dtype=np.float64)
    at, index = points[:, 0], points[:, 1]
    slope = (index[-1] - index[-2]) / (at[-1] - at[-2])
    return np.asarray(np.interp(intensity_kw_m, at, index) + slope * np.maximum(intensity_kw_m - at[-1], 0.0))


def fire_weather_index(
    weather: Weather, *, lat_deg: float, yesterday: tuple[float, float, float] = YESTERDAY
) -> NDArray[np.float64]:
    """Canadian Fire Weather Index of each noon of a weather, by noon and place (Van Wagner 1987, by xclim).

    Noon is the step that begins nearest to 12:00 by the clock; no rain falls. `yesterday` holds the fine fuel moisture,
    duff moisture and drought codes of the day before, the same before each noon.
    """
    # The import takes seconds, and only the European scale needs it.
    import xarray as xr
    from xclim.indices.fire import cffwis_indices

    noons = _noons(weather)
    months = local_month(weather)[noons]
    units = {
        "tas": ("degC", weather.air_temperature_c),
        "sfcWind": ("km/h", km_h_from_m_s(weather.wind_speed_m_s)),
        "hurs": ("%", weather.relative_humidity_percent),
        "pr": ("mm/day", np.zeros_like(weather.air_temperature_c)),
    }
    out = np.empty((noons.size, weather.places), dtype=np.float64)
    for row, (step, month) in enumerate(zip(noons, months, strict=True)):
        time = xr.DataArray([np.datetime64(f"2001-{month:02d}-15", "ns")], dims="time")
        series = {
            name: xr.DataArray(
                values[step][np.newaxis], dims=("time", "place"), coords={"time": time}, attrs={"units": unit}
            )
            for name, (unit, values) in units.items()
        }
        place = np.ones(weather.places)
        lat, ffmc, dmc, dc = (
            xr.DataArray(place * value, dims="place", attrs={"units": unit})
            for value, unit in (
                (lat_deg, "degrees_north"),
                *((code, "") for code in yesterday),
            )
        )
        fwi = cffwis_indices(**series, lat=lat, ffmc0=ffmc, dmc0=dmc, dc0=dc)[-1]
        out[row] = fwi.isel(time=0).values
    return out


def _noons(weather: Weather) -> NDArray[np.intp]:
    """The step nearest to noon of each day that has one; of a shorter series the one step nearest to it."""
    hour = local_hour(weather)
    day = np.floor((weather.time_s - weather.time_s[0] + 3600.0 * hour[0]) / 86400.0)
    away = np.abs(hour - _NOON)
    steps = [int(np.flatnonzero(day == one)[np.argmin(away[day == one])]) for one in np.unique(day)]
    near = [step for step in steps if away[step] <= 1.0]
    return np.array(near or [int(np.argmin(away))], dtype=np.intp)


def _danger(weather: Weather, district: District, *, least: bool = True) -> float:
    """The index that the worst hour reaches anywhere, see `danger_by_place`."""
    return float(danger_by_place(weather, district, least=least).max())


def danger_by_place(weather: Weather, district: District, *, least: bool = True) -> NDArray[np.float64]:
    """The index that the worst hour of each place reaches; on the plan's own scale the fireline intensity, kW/m.

    The least that is known of it, so that a day that is said to reach it does so by every measure: the slowest
    equation, and in forest the forest fire danger index too, whose classes went by the same numbers. Else the most.
    """
    if district.scale == "europe":
        return np.asarray(fire_weather_index(weather, lat_deg=district.lat_deg).max(axis=0))
    intensity = (district.least_kw_m if least else district.intensity_kw_m)(weather)
    if district.scale == "own":
        return np.asarray(intensity.max(axis=0))
    index = fire_behaviour_index(intensity, vegetation=district.vegetation)
    if least and district.vegetation == "forest":
        older = forest_fire_danger_index(
            weather.air_temperature_c,
            weather.relative_humidity_percent,
            wind_speed_m_s=weather.wind_speed_m_s,
            drought_factor=weather.drought_factor,
        )
        index = np.minimum(index, older)
    return np.asarray(index.max(axis=0))


def rating_of(weather: Weather, *, district: District) -> str | None:
    """Name the rating of a day's worst hour; None below the lowest, and where the scale is the plan's own."""
    own = district.scale == "own"
    return None if own else rating_of_index(_danger(weather, district, least=False), scale=district.scale)


def rating_of_index(index: float, *, scale: Scale) -> str | None:
    """Name the rating of an index; None below the lowest, and where the scale is the plan's own.

    Examples
    --------
    >>> rating_of_index(50.0, scale="australia"), rating_of_index(49.9, scale="australia")
    ('Extreme', 'High')
    """
    return next((one.name for one in reversed(_classes(scale)) if index >= one.least), None)


@dataclass(frozen=True)
class HeldRule:
    """Whose rule holds on a day: of the plan's ratings its own, else the next higher, else the highest.

    - `above`: the plan names no higher rating.
    - `tells`: a rating that the plan does not name, and that itself tells people to leave.
    """

    rating: str | None
    above: bool = False
    tells: bool = False


def held_rule(today: str | None, ratings: Sequence[Rating], *, scale: Scale) -> tuple[str | None, HeldRule]:
    """Call a day's rating, None below the lowest of the scale, as the plan calls it, and find whose rule holds then.

    A plan that names no ratings names all of the scale. A day that can't be set among them goes by the highest.

    Examples
    --------
    >>> named = (Rating("red day", stands_for="extreme"), Rating("Catastrophic"))
    >>> held_rule("Extreme", named, scale="australia")[0], held_rule("High", named, scale="australia")[1].rating
    ('red day', 'red day')
    """
    classes = _classes(scale)
    asked = tuple(ratings) or tuple(Rating(one.name) for one in classes)
    if not asked:
        return today, HeldRule(today)
    at = next((number for number, one in enumerate(classes) if one.name == today), -1)
    held = [(classes.index(found), one.name) for one in asked if (found := _class_of(one, classes)) is not None]
    for number, name in held:
        if number >= at:
            own = number == at
            return name if own else today, HeldRule(name, tells=not own and at >= 0 and classes[at].leave)
    return today, HeldRule(asked[-1].name, above=today is not None, tells=at >= 0 and classes[at].leave)


def _mild(weather: Weather) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Temperature, humidity and wind of the mild day, at no hour worse than the plan's: danger grows at every hour."""
    return (
        np.minimum(weather.air_temperature_c, MILD_AIR_TEMPERATURE_C.value),
        np.maximum(weather.relative_humidity_percent, MILD_HUMIDITY_PERCENT.value),
        np.minimum(weather.wind_speed_m_s, MILD_WIND_M_S.value),
    )


def moved(weather: Weather, x: float) -> Weather:
    """Move a bad day along the line from the mild day (x = 0) to itself (x = 1), or past it.

    Humidity is held at 1 to 100 %, the wind at 120 km/h or the day's own if that is more, the temperature at what a
    reading may be; wind direction, drought factor and curing stay.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> from leaveby.fire.weather.series import constant_weather
    >>> bad = constant_weather(datetime(2026, 1, 17, 3, tzinfo=UTC), air_temperature_c=40.0,
    ...     relative_humidity_percent=10.0, wind_speed_m_s=15.0, wind_from_deg=315.0)
    >>> half = moved(bad, 0.5)
    >>> float(half.air_temperature_c[0, 0]), float(half.relative_humidity_percent[0, 0])
    (30.0, 35.0)
    """
    if x == 1.0:
        return weather
    T, RH, U = weather.air_temperature_c, weather.relative_humidity_percent, weather.wind_speed_m_s
    mild_T, mild_RH, mild_U = _mild(weather)
    return replace(
        weather,
        air_temperature_c=np.minimum(T + (x - 1.0) * (T - mild_T), np.maximum(T, LIMITS["air_temperature_c"][3])),
        relative_humidity_percent=np.clip(RH + (x - 1.0) * (RH - mild_RH), np.minimum(RH, 1.0), 100.0),
        wind_speed_m_s=np.minimum(U + (x - 1.0) * (U - mild_U), np.maximum(U, STRONGEST_WIND_M_S.value)),
        gust_m_s=None,
    )


def day_by_hand(
    weather: Weather, *, air_temperature_c: float, relative_humidity_percent: float, wind_speed_m_s: float
) -> Weather:
    """Keep one temperature, humidity and wind all day long, with the plan's clock, directions, drought and curing."""
    like = np.ones_like(weather.wind_speed_m_s)
    return replace(
        weather,
        air_temperature_c=air_temperature_c * like,
        relative_humidity_percent=relative_humidity_percent * like,
        wind_speed_m_s=wind_speed_m_s * like,
        gust_m_s=None,
        assumptions=(*weather.assumptions, "By hand, the worst of the day is taken to last all day."),
    )


def rated_days(
    weather: Weather, *, district: District, ratings: Sequence[Rating] = (), hours: Sequence[int] = ()
) -> tuple[RatedDay, ...]:
    """Make a day of weather for each rating, in rising order.

    - `weather`: the plan's own bad day.
    - `ratings`: those that the plan names, in rising order; none: all of the scale.
    - `hours`: hours of the clock that the weather files of ratings have to cover.

    Raises InputError for ratings that the scale lacks, that don't rise, that no wind up to 120 km/h reaches, or whose
    weather does not cover the hours; a plan's day that is no worse than the mild day or calmer than the lowest rating.
    """
    classes = _classes(district.scale)
    asked = tuple(ratings) or tuple(Rating(one.name) for one in classes)
    faults = Faults([*_unknown(asked, classes), *_uncovered(asked, hours)])
    if any(one.weather is None for one in asked):
        faults += _no_line(weather, district, classes)
    faults.refuse()
    days: list[RatedDay] = []
    for one in asked:
        held = _class_of(one, classes)
        leave, told = one.leave or (held is not None and held.leave), None if held is None else held.told
        if one.weather is not None:
            index = None if district.scale == "own" else _danger(one.weather, district)
            days.append(RatedDay(one.name, one.weather, index, leave, told, one.weather.assumptions))
            continue
        assert held is not None
        x, said, reached = _on_line(weather, held, district)
        if ratings and not reached:
            km_h, index_words = km_h_from_m_s(STRONGEST_WIND_M_S.value), index_name(district.scale)
            faults.tell(one.where, "rating_not_reached", km_h=km_h, index=index_words)
        day = moved(weather, x)
        said = f"A day rated {one.name} is taken to be {said}: {_worst_words(day)}."
        days.append(RatedDay(one.name, day, _danger(day, district), leave, told, (*district.said, said)))
    faults += _not_rising(asked, days, district)
    faults.refuse()
    return tuple(days)


def _class_of(rating: Rating, classes: Sequence[_Class]) -> _Class | None:
    name = (rating.stands_for or rating.name).casefold()
    return next((one for one in classes if one.name.casefold() == name), None)


def _on_line(weather: Weather, rating: _Class, district: District) -> tuple[float, str, bool]:
    """Find a rating's day on the line: how far along it, in words, and whether the wanted index is reached."""

    def over(x: float) -> float:
        return _danger(moved(weather, x), district) - edge

    # SciPy's optimisers bring half of SciPy with them; reading and checking a plan does without.
    from scipy.optimize import brentq

    edge = rating.least if rating.below is None else rating.below
    farthest = _farthest(weather)
    if over(0.0) >= 0.0:
        x, said, reached = 0.0, "the mild day, which already reaches its upper edge", True
    elif over(farthest) < 0.0:
        x, said, reached = farthest, "the worst there can be here, which does not reach its upper edge", False
    else:
        # A step up of the equations within the root's width must not leave the day below the edge.
        x = min(float(brentq(over, 0.0, farthest, xtol=_ROOT_WITHIN)) + _ROOT_WITHIN, farthest)
        said, reached = "as bad as its upper edge", True
    if rating.below is None:
        said = "as bad as its lower edge" if x > 1.0 else "the plan's own day"
        x = max(x, 1.0)
    return x, said, reached


def _farthest(weather: Weather) -> float:
    """How far the line is followed: until the windiest hour has the strongest wind, and at least to the plan's day."""
    _, _, mild = _mild(weather)
    windier = float((weather.wind_speed_m_s - mild).max())
    return max(1.0, (STRONGEST_WIND_M_S.value - MILD_WIND_M_S.value) / windier) if windier > 0.0 else 1.0


def _no_line(weather: Weather, district: District, classes: Sequence[_Class]) -> Iterator[Fault]:
    worst = _danger(weather, district, least=False)
    _, _, mild = _mild(weather)
    mend = "give the weather of a bad day of the season, or a day of its own for each of [[ratings]]"
    if worst <= _danger(moved(weather, 0.0), district, least=False) or not np.any(weather.wind_speed_m_s > mild):
        T, RH, km_h = MILD_AIR_TEMPERATURE_C.value, MILD_HUMIDITY_PERCENT.value, km_h_from_m_s(MILD_WIND_M_S.value)
        yield fault_of(
            "the weather", "day_no_worse_than_mild", temperature_c=T, humidity_percent=RH, km_h=km_h, mend=mend
        )
    elif classes and worst < classes[0].least:
        index, lowest = index_name(district.scale), classes[0]
        yield fault_of("the weather", "day_below_every_rating", index=index, worst=worst, lowest=lowest, mend=mend)


def _unknown(ratings: Sequence[Rating], classes: Sequence[_Class]) -> Iterator[Fault]:
    names = [one.name for one in classes]
    last = -1
    for one in ratings:
        held = _class_of(one, classes)
        if held is None:
            if one.weather is None:
                expected = "one of " + ", ".join(names) if names else "a day of its own"
                yield fault_of(one.where, "no_such_rating", name=one.stands_for or one.name, expected=expected)
            continue
        at = names.index(held.name)
        if at <= last:
            yield Fault(one.where, f"stands after {names[last]}", "ratings in rising order", "sort them")
        last = max(last, at)


def _uncovered(ratings: Sequence[Rating], hours: Sequence[int]) -> Iterator[Fault]:
    for one in ratings:
        if one.weather is None or not one.file:
            continue
        time_s = one.weather.time_s
        first_hour = float(local_hour(one.weather)[0])
        usual_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 3600.0
        span_h = (time_s[-1] - time_s[0] + usual_s) / 3600.0
        left = [hour for hour in hours if (hour - first_hour) % 24.0 >= span_h]
        if left:
            hours_left = ", ".join(f"{hour}:00" for hour in left)
            yield fault_of(one.where, "hours_without_weather", file=one.file, hours=hours_left)


def _not_rising(ratings: Sequence[Rating], days: Sequence[RatedDay], district: District) -> Iterator[Fault]:
    danger = [_danger(day.weather, district) for day in days]
    for k in range(1, len(days)):
        given = ratings[k].weather is not None or ratings[k - 1].weather is not None
        if given and danger[k] <= danger[k - 1]:
            unit = " kW/m" if district.scale == "own" else ""
            where, before, than = ratings[k].where, ratings[k - 1].name, danger[k - 1]
            yield fault_of(where, "ratings_that_fall", before=before, danger=danger[k], than=than, unit=unit)


def _worst_words(weather: Weather) -> str:
    step, place = np.unravel_index(int(np.argmax(weather.wind_speed_m_s)), weather.wind_speed_m_s.shape)
    at = weather.start + timedelta(seconds=float(weather.time_s[step]))
    return (
        f"{weather.air_temperature_c[step, place]:.0f} °C, {weather.relative_humidity_percent[step, place]:.0f} % and "
        f"{km_h_from_m_s(float(weather.wind_speed_m_s[step, place])):.0f} km/h at its windiest, {at:%H:%M}"
    )
