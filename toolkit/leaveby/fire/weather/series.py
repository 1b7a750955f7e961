"""Fire weather: a series of steps at one station, or at the places of a gridded forecast.

Every value holds from its own time until the next step, the last one on and on. Reading never guesses: a gap, a
missing unit, a missing time zone or an impossible value is refused with its row and column, all of them at once.
What is filled in, because the plan asks for it or because nothing was given, stands in `Weather.assumptions`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, NotRequired, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import Faults, refuse, refused

LIMITS: Final[Mapping[str, tuple[str, str, float, float]]] = {
    "air_temperature_c": ("temperature", "degrees C", -30.0, 60.0),
    "relative_humidity_percent": ("relative humidity", "%", 0.0, 100.0),
    "wind_speed_m_s": ("wind speed", "m/s", 0.0, 45.0),
    "gust_m_s": ("gust", "m/s", 0.0, 75.0),
    "wind_from_deg": ("wind direction", "degrees", 0.0, 360.0),
    "drought_factor": ("drought factor", "", 0.0, 10.0),
    "curing_percent": ("grass curing", "%", 0.0, 100.0),
}
"""Each quantity in words, its unit, and the limits beyond which a reading is taken for a mistake: no air temperature
above 57 degrees C is on record, and a mean wind of 45 m/s (162 km/h) is well past hurricane force."""

HOLDS_ON: Final = "Each weather row is taken to hold from its own time until the next row, and the last row ever after."
GUSTS_STAND_IN: Final = "the gusts stand in for the mean wind, as the plan asks"
NOT_GIVEN: Final[Mapping[str, tuple[float, str]]] = {
    "drought_factor": (10.0, "No drought factor was given: 10, the highest, was taken."),
    "curing_percent": (100.0, "No grass curing was given: 100 % (all grass dead) was taken."),
}
"""What is taken where a quantity is missing, and how that is said."""


@dataclass(frozen=True)
class Weather:
    """Fire weather by step and place; shapes that differ and values that are not finite are refused (ValueError).

    - `start`: moment that `time_s` counts from, with its offset from UTC; the offset gives the local time of day.
    - `time_s`, shape (steps,): start of each step in seconds from `start`, increasing.
    - `air_temperature_c`, `relative_humidity_percent`, shape (steps, places): at screen height; 0 to 100 %.
    - `wind_speed_m_s`, `wind_from_deg`, shape (steps, places): mean wind in the open at 10 m, and where it blows from,
      clockwise from north.
    - `gust_m_s`, shape (steps, places): gusts at 10 m, kept for display; they take part only where `use_gusts` was
      asked for.
    - `drought_factor`, `curing_percent`, shape (steps, places): 0 to 10; dead share of the grass, 0 to 100 %.
    - `place`, shape (rows, cols): weather place of each grid cell; None for one station, whose weather holds
      everywhere.
    - `assumptions`: what was taken for granted, one sentence each.
    """

    start: datetime
    time_s: NDArray[np.float64]
    air_temperature_c: NDArray[np.float64]
    relative_humidity_percent: NDArray[np.float64]
    wind_speed_m_s: NDArray[np.float64]
    wind_from_deg: NDArray[np.float64]
    gust_m_s: NDArray[np.float64] | None
    drought_factor: NDArray[np.float64]
    curing_percent: NDArray[np.float64]
    place: NDArray[np.int32] | None = None
    assumptions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse shapes that differ and values that are not finite."""
        if self.start.utcoffset() is None:
            raise ValueError("start needs an offset from UTC")
        if self.time_s.ndim != 1 or self.time_s.size == 0 or not np.all(np.diff(self.time_s) > 0.0):
            raise ValueError("time_s must be one-dimensional and increasing, with at least one step")
        shape = self.air_temperature_c.shape
        if len(shape) != 2 or shape[0] != self.time_s.size or shape[1] == 0:
            raise ValueError(f"weather must have the shape (steps, places), not {shape}")
        if self.place is None and shape[1] != 1:
            raise ValueError("several weather places need a map of the place of each cell")
        if self.place is not None and (self.place.min() < 0 or self.place.max() >= shape[1]):
            raise ValueError("a cell points at a weather place that does not exist")
        for name in LIMITS:
            values = getattr(self, name)
            if name == "gust_m_s" and values is None:
                continue
            if values.shape != shape:
                raise ValueError(f"{name} has the shape {values.shape}, not {shape}")
            if not np.all(np.isfinite(values)):
                raise ValueError(f"{name} holds a value that is not finite")

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(self.time_s.size)

    @property
    def places(self) -> int:
        """Number of places."""
        return int(self.air_temperature_c.shape[1])


class Conditions(TypedDict):
    """Weather at one place and moment, as in `Weather`; drought and curing are taken at the worst where missing."""

    air_temperature_c: float
    relative_humidity_percent: float
    wind_speed_m_s: float
    wind_from_deg: float
    gust_m_s: NotRequired[float | None]
    drought_factor: NotRequired[float | None]
    curing_percent: NotRequired[float | None]


def faults_of_values(place: str, values: Mapping[str, Any]) -> Faults:
    """List what is impossible in one set of values, each under its name in `Weather`; None is passed over."""
    faults = Faults()
    for quantity, (name, unit, low, high) in LIMITS.items():
        value = values.get(quantity)
        if value is None:
            continue
        span = f"{low:g} to {high:g} {unit}".strip()
        if np.isnan(value):
            faults.add(place, f"the {name} is not a number", span, "give the value")
        elif not low <= value <= high:
            kelvin = quantity == "air_temperature_c" and 223.0 <= value <= 335.0
            mend = "subtract 273.15, or name the column temperature_k" if kelvin else "correct it"
            hint = ", which looks like kelvin" if kelvin else ""
            faults.add(place, f"the {name} is {f'{value:g} {unit}'.strip()}{hint}", span, mend)
        wind = values.get("wind_speed_m_s")
        if quantity == "gust_m_s" and wind is not None and value < wind:
            faults.tell(place, "gust_below_wind", gust=value, wind=wind)
    return faults


def to_ours(row: Mapping[str, str]) -> tuple[float, float]:
    """Factor and offset to the unit used here, of a row in a table of units: `times` and `plus` over `over`."""
    return float(row["times"]) / float(row["over"]), float(row["plus"]) / float(row["over"])


def taken_where_missing(
    series: Mapping[str, NDArray[np.float64]], given: Mapping[str, Any]
) -> tuple[dict[str, NDArray[np.float64]], list[str]]:
    """Add drought factor and curing to series that lack them: the value given, or else the worst, and say so."""
    out = dict(series)
    lines: list[str] = []
    for quantity, (worst, said) in NOT_GIVEN.items():
        if quantity not in out:
            value = given.get(quantity)
            out[quantity] = np.full(series["wind_speed_m_s"].shape, worst if value is None else value, dtype=np.float64)
            if value is None:
                lines.append(said)
    return out, lines


def constant_weather(start: datetime, *, hours: int = 24, **conditions: Unpack[Conditions]) -> Weather:
    """Make weather that stays the same for everyone and always; only the time of day goes on.

    `hours` is the number of hourly steps, so that the fuel moisture can follow the time of day. Where drought factor
    and curing are missing, 10 and 100 % are taken and listed.

    Raises InputError for impossible values, all at once, and a start without its offset from UTC.

    Examples
    --------
    >>> from datetime import UTC
    >>> weather = constant_weather(
    ...     datetime(2026, 1, 17, 3, tzinfo=UTC),
    ...     air_temperature_c=40.0, relative_humidity_percent=10.0, wind_speed_m_s=15.0, wind_from_deg=315.0)
    >>> weather.steps, weather.places, weather.assumptions[-1]
    (24, 1, 'No grass curing was given: 100 % (all grass dead) was taken.')
    """
    where = "the constant weather"
    if start.utcoffset() is None:
        raise refuse(where, "the start has no offset from UTC", expected="an offset", mend="write +11:00 or the like")
    faults = faults_of_values(where, conditions)
    if hours < 1:
        faults.add(where, f"it lasts {hours} hours", "1 or more", "give a longer time")
    faults.refuse()
    known: dict[str, Any] = {name: value for name, value in conditions.items() if value is not None}
    series, lines = taken_where_missing(
        {name: np.full((hours, 1), value, dtype=np.float64) for name, value in known.items()}, {}
    )
    every: dict[str, Any] = {"gust_m_s": None, **series}
    time_s = np.arange(hours, dtype=np.float64) * 3600.0
    return Weather(start, time_s, **every, assumptions=("The weather is taken to stay the same throughout.", *lines))


def step_at(weather: Weather, time_s: float) -> int:
    """Index of the step that holds at a time: the last that has begun, the first before all, the last after all."""
    return max(int(np.searchsorted(weather.time_s, time_s, side="right")) - 1, 0)


def rebased(weather: Weather, start: datetime) -> Weather:
    """Count the same weather from another moment, for a scenario that starts later than the weather does.

    `start` has its offset from UTC and lies at or after the first step; else InputError.
    """
    where = "the weather"
    if start.utcoffset() is None:
        raise refuse(where, "the scenario's start has no offset from UTC", expected="an offset", mend="write one")
    shift_s = (start - weather.start).total_seconds()
    time_s = weather.time_s - shift_s
    if time_s[0] > 0.0:
        begins = weather.start + timedelta(seconds=float(weather.time_s[0]))
        raise refused(where, "weather_begins_late", begins=begins.isoformat(), start=start.isoformat())
    return replace(weather, start=start.astimezone(weather.start.tzinfo), time_s=time_s)


def perturbed(weather: Weather, *, wind_factor: float = 1.0, wind_turn_deg: float = 0.0) -> Weather:
    """Return the same weather with the wind (and gusts) scaled and turned clockwise, for one uncertain member."""
    if not (np.isfinite(wind_factor) and wind_factor > 0.0 and np.isfinite(wind_turn_deg)):
        raise ValueError(f"wind_factor must be above 0 and wind_turn_deg finite: {wind_factor}, {wind_turn_deg}")
    if wind_factor == 1.0 and wind_turn_deg == 0.0:
        return weather
    return replace(
        weather,
        wind_speed_m_s=weather.wind_speed_m_s * wind_factor,
        wind_from_deg=np.mod(weather.wind_from_deg + wind_turn_deg, 360.0),
        gust_m_s=None if weather.gust_m_s is None else weather.gust_m_s * wind_factor,
    )


def shifted(weather: Weather, shift_s: float) -> Weather:
    """Return the same weather come sooner or later by the clock, for one uncertain member.

    Every step begins `shift_s` later (sooner where that is negative); the sun keeps its hours. What lies before the
    first step or after the last is held, so that the member's weather covers all that the forecast covers.
    """
    if not np.isfinite(shift_s):
        raise ValueError(f"a shift of {shift_s} s can't be taken")
    time_s = weather.time_s + shift_s
    time_s[0] = min(time_s[0], weather.time_s[0])
    return replace(weather, time_s=time_s)


def local_hour(weather: Weather) -> NDArray[np.float64]:
    """Local clock hour (0 to 24) at the start of each step, by the offset of `start`."""
    first = weather.start
    hour = first.hour + first.minute / 60.0 + first.second / 3600.0
    return np.mod(hour + weather.time_s / 3600.0, 24.0)


def local_month(weather: Weather) -> NDArray[np.int64]:
    """Local calendar month (1 to 12) at the start of each step."""
    return np.array([(weather.start + timedelta(seconds=float(t))).month for t in weather.time_s], dtype=np.int64)


def wind_towards(weather: Weather) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wind as the vector it blows towards: east and north components, m/s, shape (steps, places)."""
    angle = np.deg2rad(weather.wind_from_deg)
    return -weather.wind_speed_m_s * np.sin(angle), -weather.wind_speed_m_s * np.cos(angle)
