"""The plan's bad day and the winds of bad days, from years of hourly weather by the index of the local rating."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leaveby.caution import OVERRIDE
from leaveby.errors import refused
from leaveby.fire.fuel.zones import uniform_fuel
from leaveby.fire.spread.series import DEFAULT_MODELS, district_of
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.ratings import Scale, danger_by_place, index_name, rating_of_index
from leaveby.fire.weather.series import LIMITS, NOT_GIVEN, Weather
from leaveby.parameters import BAD_DAYS_SHARE, REANALYSIS_WIND_FACTOR, STRONGEST_WIND_M_S, WINDS_FROM_ANYWHERE_SHARE
from leaveby.regions import table
from leaveby.units import km_h_from_m_s

_TABLE: Final = table("download/sources")["weather"]
_NAMES: Final[dict[str, tuple[str, str]]] = _TABLE["columns"]
_HOURS: Final = slice(10, 20)
"""Hours of the clock whose winds count: those at which the rules look for word of a fire."""

_MOST_GAPS: Final = 0.05
_AFTERWARDS_H: Final = 12
_HEAD: Final = "time,temperature_c,relative_humidity_percent,wind_speed_km_h,wind_from_deg"

Hourly = dict[str, NDArray[np.float64]]


@dataclass(frozen=True)
class BadDay:
    """The worst day of many years, and the winds of bad days.

    - `day`, `index`, `rating`: when it was, what its worst hour reaches, and how that is rated (None: no such words).
    - `table`: the text of its weather table, as `leaveby.files.read.grids.read_weather` reads it.
    - `wind_percent`: of the worst days, how often the wind blew from each of 16 directions, from north round by east,
      for `[rules] wind_percent`; `winds_by_rating`: the same for each rating, of which there were `days_by_rating`.
    - `said`: what was taken for granted.
    """

    day: date
    index: float
    rating: str | None
    table: str
    wind_percent: tuple[float, ...]
    winds_by_rating: Mapping[str, tuple[float, ...]]
    days_by_rating: Mapping[str, int]
    said: tuple[str, ...]


def read_year(file: Path, *, year: int | None = None) -> tuple[datetime, Hourly]:
    """Read hourly weather as the archive sends it: its first hour and the values, NaN where one is missing.

    Raises InputError for a file that is cut, has other units or times, or other hours than those of the `year`.
    """
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
        series, head, told = content["properties"]["parameter"], content["header"], content["parameters"]
        hours = sorted(series["T2M"])
        first, last = (datetime.strptime(hour, "%Y%m%d%H").replace(tzinfo=UTC) for hour in (hours[0], hours[-1]))
        values = {ours: np.array([series[name][at] for at in hours], dtype=float) for name, (ours, _) in _NAMES.items()}
        units = [told[name]["units"].casefold() for name in _NAMES]
        missing, clock = float(head["fill_value"]), head["time_standard"]
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        raise refused(file, "weather_year_broken", wrong=f"{type(error).__name__} {error}") from error
    wrong = ""
    whole = year is None or (first, last) == (datetime(year, 1, 1, tzinfo=UTC), datetime(year, 12, 31, 23, tzinfo=UTC))
    if not whole or (last - first).total_seconds() / 3600.0 + 1.0 != len(hours):
        wrong = f"{len(hours)} hours from {first:%d %b %Y} to {last:%d %b %Y}"
    elif units != [unit.casefold() for _, unit in _NAMES.values()] or clock != "UTC":
        wrong = f"units {', '.join(units)}, times in {clock}"
    for quantity, column in values.items():
        _, _, low, high = LIMITS[quantity]
        column[column == missing] = np.nan
        if np.any(beyond := (column < low) | (column > high)):
            wrong = f"{quantity} of {column[beyond][0]:g}"
    if wrong:
        raise refused(file, "weather_year_broken", wrong=wrong)
    return first, values


def bad_day_and_winds(
    files: Sequence[Path],
    *,
    scale: Scale,
    lat_deg: float,
    utc_offset_h: float,
    fuel: str = "dry eucalypt forest",
    models: Sequence[str] = DEFAULT_MODELS,
) -> BadDay:
    """Find the worst day of years of hourly weather by the index of a scale, and the winds of the worst days.

    - `files`: years that follow each other, as `fetch` stores them.
    - `scale`: ratings, and the index that days are ranked by (`leaveby.regions.rating_scale`); "own": fireline
      intensity, kW/m.
    - `utc_offset_h`: the home's clock in its fire season, hours ahead of UTC.
    - `fuel`: what stands for the district, the commonest fuel around.
    - `models`: rate-of-spread equations, as the plan names them.

    Raises InputError for files that can't be read, years that are not one after another, or too many gaps.
    """
    start, hourly = _joined(files)
    midnight = start.astimezone(timezone(timedelta(hours=utc_offset_h)))
    skip = (24 - midnight.hour) % 24
    midnight += timedelta(hours=skip)
    count = (hourly["wind_from_deg"].size - skip) // 24
    days = {name: column[skip : skip + 24 * count].reshape(count, 24).T for name, column in hourly.items()}
    good = np.flatnonzero(np.isfinite([*days.values()]).all(axis=(0, 1)))
    if good.size < (1.0 - _MOST_GAPS) * count or good.size == 0:
        gone = 100.0 * (count - good.size) / max(count, 1)
        raise refused("the years of weather", "weather_years_with_gaps", share=gone, most=100 * _MOST_GAPS)
    grid = Grid(x_min_m=0.0, y_max_m=1.0, cell_m=1.0, rows=1, cols=1, crs="EPSG:32755")
    district = district_of(uniform_fuel(grid, fuel), scale=scale, models=models, lat_deg=lat_deg)
    dates = [(midnight + timedelta(days=int(day))).date() for day in good]
    months, index = np.array([day.month for day in dates]), np.empty(good.size)
    for month in np.unique(months):
        # the days of a month side by side, as places of one day's weather
        first = midnight.replace(year=2001, month=int(month), day=15)
        side_by_side = _places({name: column[:, good[months == month]] for name, column in days.items()}, first)
        index[months == month] = danger_by_place(side_by_side, district, least=False)
    worst = int(np.argmax(index))
    names = np.array([rating_of_index(float(one), scale=scale) or "" for one in index])
    worst_days = good[np.argsort(-index, kind="stable")[: max(round(BAD_DAYS_SHARE.value * good.size), 1)]]
    winds = days["wind_from_deg"][_HOURS]
    values = {"day": dates[worst], "good": good.size, "since": dates[0], "fuel": fuel}
    values |= {"index": index_name(scale) or "fireline intensity", "factor": REANALYSIS_WIND_FACTOR.value}
    values |= {"percent": 100 * BAD_DAYS_SHARE.value, "anywhere": 100 * WINDS_FROM_ANYWHERE_SHARE.value}
    said = tuple(line.format(gone=count - good.size, **values) for line in _TABLE["said_of_bad_day"])
    from_hour = skip + 24 * int(good[worst])
    rows = {name: column[from_hour : from_hour + 24 + _AFTERWARDS_H] for name, column in hourly.items()}
    return BadDay(
        dates[worst],
        float(index[worst]),
        str(names[worst]) or None,
        _table_text(rows, midnight + timedelta(days=int(good[worst])), said),
        _shares(winds[:, worst_days]),
        {str(name): _shares(winds[:, good[names == name]]) for name in np.unique(names) if name},
        Counter(str(name) for name in names if name),
        said,
    )


def _joined(files: Sequence[Path]) -> tuple[datetime, Hourly]:
    """Years one after another, with winds at the strong side: the archive smooths them."""
    years = sorted((read_year(file) for file in files), key=lambda year: year[0])
    joined = {name: np.concatenate([values[name] for _, values in years]) for name in years[0][1]}
    first, last = years[0][0], years[-1][0] + timedelta(hours=years[-1][1]["wind_from_deg"].size)
    lack = (last - first).total_seconds() / 3600.0 - joined["wind_from_deg"].size
    if lack:
        raise refused("the years of weather", "weather_years_apart", first=first.date(), last=last.date(), missing=lack)
    wind_m_s = REANALYSIS_WIND_FACTOR.value * joined["wind_speed_m_s"]
    return first, joined | {"wind_speed_m_s": np.minimum(wind_m_s, STRONGEST_WIND_M_S.value)}


def _places(values: Mapping[str, Any], first: datetime) -> Weather:
    shape = values["wind_speed_m_s"].shape
    every = {**values, **{name: np.full(shape, value) for name, (value, _) in NOT_GIVEN.items()}, "gust_m_s": None}
    place = np.arange(shape[1], dtype=np.int32)[np.newaxis]
    return Weather(first, 3600.0 * np.arange(24.0), **every, place=place)


def _shares(from_deg: NDArray[np.float64]) -> tuple[float, ...]:
    """Percent from each of 16 directions, in tenths that sum to 100; some from anywhere."""
    counts = np.bincount(np.round(from_deg.ravel() / 22.5).astype(int) % 16, minlength=16)
    anywhere = WINDS_FROM_ANYWHERE_SHARE.value
    exact = 1000.0 * ((1.0 - anywhere) * counts / counts.sum() + anywhere / 16.0)
    tenths = np.floor(exact).astype(int)
    tenths[np.argsort(tenths - exact, kind="stable")[: 1000 - tenths.sum()]] += 1
    return tuple(float(tenth) / 10.0 for tenth in tenths)


def _table_text(rows: Hourly, first: datetime, said: Sequence[str]) -> str:
    """Write hours as a weather table, rounded to the side of more fire, as far as no value is missing."""
    lines = [*(f"# {line}" for line in (OVERRIDE, *said)), _HEAD]
    for hour, (T, RH, U, turn) in enumerate(zip(*rows.values(), strict=True)):
        if not np.isfinite([T, RH, U, turn]).all():
            break
        at, km_h = (first + timedelta(hours=hour)).isoformat(), np.ceil(10.0 * km_h_from_m_s(U)) / 10.0
        lines.append(f"{at},{np.ceil(10.0 * T) / 10.0:.1f},{np.floor(RH):.0f},{km_h:.1f},{turn:.0f}")
    return "\n".join([*lines, ""])
