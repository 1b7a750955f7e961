"""The plan's bad day and the winds of bad days, from years of hourly weather by the index of the local rating."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta, timezone
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
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
_NAMES: Final[Mapping[str, str]] = {ours: name for name, (ours, _) in _TABLE["columns"].items()}
_UNITS: Final[Mapping[str, str]] = {name: unit.casefold() for name, (_, unit) in _TABLE["columns"].items()}
_HOURS: Final = slice(10, 20)
"""Hours of the clock whose winds count: those at which the rules look for word of a fire."""

_MOST_GAPS: Final = 0.05


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


def read_year(file: Path, *, year: int | None = None) -> pd.DataFrame:
    """Read a year of hourly weather as the archive sends it, by time in UTC; NaN where a value is missing.

    Raises InputError for a file that is cut, has other units or times, or other hours than those of the `year`.
    """
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
        told, head = content["parameters"], content["header"]
        frame = pd.DataFrame(content["properties"]["parameter"])[[*_NAMES.values()]].astype(float)
        frame = frame.set_axis([*_NAMES], axis=1).set_axis(pd.to_datetime(frame.index, format="%Y%m%d%H", utc=True))
        frame = frame.mask(frame == float(head["fill_value"])).sort_index()
        first = f"{year or frame.index[0].year}-01-01"
        units = {name: told[name]["units"].casefold() for name in _UNITS} | {"time": head["time_standard"]}
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        raise refused(file, "weather_year_broken", wrong=f"{type(error).__name__} {error}") from error
    hours = pd.date_range(first, periods=24 * (366 if pd.Timestamp(first).is_leap_year else 365), freq="h", tz="UTC")
    low, high = (pd.Series({name: LIMITS[name][at] for name in _NAMES}) for at in (2, 3))
    if not frame.index.equals(hours):
        wrong = f"{len(frame)} hours from {frame.index[0]:%d %b %Y} to {frame.index[-1]:%d %b %Y}"
    elif units != {**_UNITS, "time": "UTC"}:
        wrong = f"units {', '.join(units.values())}"
    elif (beyond := frame.lt(low) | frame.gt(high)).any(axis=None):
        wrong = f"a value of {frame.to_numpy()[beyond.to_numpy()][0]:g}"
    else:
        return frame
    raise refused(file, "weather_year_broken", wrong=wrong)


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
    hourly = _joined(files).tz_convert(timezone(timedelta(hours=utc_offset_h)))
    skip = (24 - hourly.index[0].hour) % 24
    count = (len(hourly) - skip) // 24
    days = {name: hourly[name].to_numpy()[skip : skip + 24 * count].reshape(count, 24).T for name in _NAMES}
    good = np.flatnonzero(np.isfinite([*days.values()]).all(axis=(0, 1)))
    if good.size < (1.0 - _MOST_GAPS) * count:
        gone = 100.0 * (count - good.size) / count
        raise refused("the years of weather", "weather_years_with_gaps", share=gone, most=100 * _MOST_GAPS)
    begins = hourly.index[skip + 24 * good]
    grid = Grid(x_min_m=0.0, y_max_m=1.0, cell_m=1.0, rows=1, cols=1, crs="EPSG:32755")
    district = district_of(uniform_fuel(grid, fuel), scale=scale, models=models, lat_deg=lat_deg)
    index = np.empty(good.size)
    for month in range(1, 13):
        if (at := begins.month == month).any():
            # the days of a month side by side, as places of one day's weather
            side_by_side = _places({name: column[:, good[at]] for name, column in days.items()}, begins[at][0])
            index[at] = danger_by_place(side_by_side, district, least=False)
    worst = int(np.argmax(index))
    names = np.array([rating_of_index(float(one), scale=scale) or "" for one in index])
    worst_days = np.argsort(-index, kind="stable")[: max(round(BAD_DAYS_SHARE.value * good.size), 1)]
    winds = days["wind_from_deg"][_HOURS, good]
    values = {"day": begins[worst], "good": good.size, "since": begins[0], "gone": count - good.size, "fuel": fuel}
    values |= {"index": index_name(scale) or "fireline intensity", "factor": REANALYSIS_WIND_FACTOR.value}
    values |= {"percent": 100 * BAD_DAYS_SHARE.value, "anywhere": 100 * WINDS_FROM_ANYWHERE_SHARE.value}
    said = tuple(line.format(**values) for line in _TABLE["said_of_bad_day"])
    rows = hourly.loc[begins[worst] : begins[worst] + timedelta(hours=35)]
    return BadDay(
        begins[worst].date(),
        float(index[worst]),
        str(names[worst]) or None,
        "".join(f"# {line}\n" for line in (OVERRIDE, *said)) + _table_text(rows),
        _shares(winds[:, worst_days]),
        {str(name): _shares(winds[:, names == name]) for name in np.unique(names) if name},
        Counter(str(name) for name in names if name),
        said,
    )


def _joined(files: Sequence[Path]) -> pd.DataFrame:
    """Years one after another, with winds at the strong side: the archive smooths them."""
    hourly = pd.concat([read_year(file) for file in files]).sort_index()
    first, last = hourly.index[0], hourly.index[-1]
    if missing := (last - first) / pd.Timedelta("1h") + 1.0 - len(hourly):
        raise refused("the years of weather", "weather_years_apart", first=first, last=last, missing=missing)
    wind_m_s = REANALYSIS_WIND_FACTOR.value * hourly["wind_speed_m_s"]
    return hourly.assign(wind_speed_m_s=wind_m_s.clip(upper=STRONGEST_WIND_M_S.value))


def _places(values: Mapping[str, Any], first: pd.Timestamp) -> Weather:
    shape = values["wind_speed_m_s"].shape
    every = {**values, **{name: np.full(shape, value) for name, (value, _) in NOT_GIVEN.items()}, "gust_m_s": None}
    place = np.arange(shape[1], dtype=np.int32)[np.newaxis]
    return Weather(first.to_pydatetime(), 3600.0 * np.arange(24.0), **every, place=place)


def _shares(from_deg: NDArray[np.float64]) -> tuple[float, ...]:
    """Percent from each of 16 directions; some from anywhere, since the next bad day may be another."""
    counts = np.bincount(np.round(from_deg.ravel() / 22.5).astype(int) % 16, minlength=16)
    anywhere = WINDS_FROM_ANYWHERE_SHARE.value
    return tuple(np.round(100.0 * ((1.0 - anywhere) * counts / counts.sum() + anywhere / 16.0), 2).tolist())


def _table_text(rows: pd.DataFrame) -> str:
    """Write hours as a weather table, rounded to the side of more fire, as far as no value is missing."""
    rows = rows[~rows.isna().any(axis=1).cummax()]
    columns = {
        "temperature_c": np.ceil(10.0 * rows["air_temperature_c"]) / 10.0,
        "relative_humidity_percent": np.floor(rows["relative_humidity_percent"]),
        "wind_speed_km_h": np.ceil(10.0 * km_h_from_m_s(rows["wind_speed_m_s"].to_numpy())) / 10.0,
        "wind_from_deg": rows["wind_from_deg"].round(),
    }
    return pd.DataFrame(columns).set_axis([at.isoformat() for at in rows.index]).to_csv(index_label="time")
