"""A weather station's table: columns of text, with the unit in each column's name, to `Weather`.

Rows are counted as a spreadsheet counts them: the names are row 1, the first values row 2; or as the caller says.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import Fault, InputError, refuse
from leaveby.fire.weather.series import CURING_NOT_GIVEN, DROUGHT_NOT_GIVEN, HOLDS_ON, Weather, faults_of_values


class Columns(Protocol):
    """Named columns: a mapping of sequences of text, or a pandas data frame of text."""

    def __getitem__(self, name: Any, /) -> Any:
        """Return one column."""

    def __iter__(self) -> Iterator[Any]:
        """Go over the names."""


@dataclass(frozen=True)
class _Unit:
    suffix: str
    factor: float
    offset: float = 0.0


@dataclass(frozen=True)
class _Column:
    name: str
    quantity: str
    unit: _Unit


_SPEEDS: Final = (
    _Unit("km_h", 1.0 / 3.6),
    _Unit("m_s", 1.0),
    _Unit("kn", 1852.0 / 3600.0),
    _Unit("mph", 1609.344 / 3600.0),
)
_TEMPERATURES: Final = (_Unit("c", 1.0), _Unit("k", 1.0, -273.15), _Unit("f", 5.0 / 9.0, -160.0 / 9.0))
_SHARES: Final = (_Unit("percent", 1.0),)
_STEMS: Final[Mapping[str, tuple[str, tuple[_Unit, ...]]]] = {
    "temperature": ("air_temperature_c", _TEMPERATURES),
    "air_temperature": ("air_temperature_c", _TEMPERATURES),
    "relative_humidity": ("relative_humidity_percent", _SHARES),
    "wind_speed": ("wind_speed_m_s", _SPEEDS),
    "wind_from": ("wind_from_deg", (_Unit("deg", 1.0),)),
    "gust": ("gust_m_s", _SPEEDS),
    "drought_factor": ("drought_factor", (_Unit("", 1.0),)),
    "curing": ("curing_percent", _SHARES),
}
_KNOWN: Final[Mapping[str, tuple[str, _Unit]]] = {
    f"{stem}_{unit.suffix}".rstrip("_"): (quantity, unit)
    for stem, (quantity, units) in _STEMS.items()
    for unit in units
}
_NEEDED: Final[Mapping[str, str]] = {
    "air_temperature_c": "temperature_c (or _k, _f)",
    "relative_humidity_percent": "relative_humidity_percent",
    "wind_speed_m_s": "wind_speed_km_h (or _m_s, _kn, _mph)",
    "wind_from_deg": "wind_from_deg",
}
_WATCHED: Final = ("temp", "air", "hum", "rel", "rh", "wind", "gust", "drought", "cur", "dir", "time", "date")
"""Beginnings of names that look like weather this reader needs: unknown ones are faults, all others are passed over."""

_WILDER: Final[Mapping[str, int]] = {
    "air_temperature_c": 1,
    "relative_humidity_percent": -1,
    "wind_speed_m_s": 1,
    "gust_m_s": 1,
    "drought_factor": 1,
    "curing_percent": 1,
}
"""Sign of the change that makes a fire faster."""

_LONGEST_ROWS: Final = 100_000
_LONGEST_STEP_S: Final = 6.0 * 3600.0


def weather_from_table(
    columns: Columns,
    *,
    where: str,
    drought_factor: float | None = None,
    curing_percent: float | None = None,
    fill_gaps: bool = False,
    use_gusts: bool = False,
    row_numbers: Sequence[int] | None = None,
) -> Weather:
    """Read a station's weather from columns of text.

    Columns (the unit is part of the name): `time` (ISO 8601 with its offset from UTC), `temperature_c` (or `_k`, `_f`),
    `relative_humidity_percent`, `wind_speed_km_h` (or `_m_s`, `_kn`, `_mph`; mean wind in the open at 10 m),
    `wind_from_deg`; and, where there are any, `gust_km_h` (or the like), `drought_factor`, `curing_percent`.

    Parameters
    ----------
    columns : mapping of str to sequence of str, or DataFrame of text
        Numbers are taken too; an empty text, None or a float NaN is an empty cell.
    where : str
        Name of the table, for the faults.
    drought_factor, curing_percent : float, optional
        For the whole series, where the table has no such column. Where neither is given, 10 and 100 %, and listed.
    fill_gaps : bool
        Fill missing rows and empty cells from the hotter, drier, windier neighbour, and list it. Otherwise they are
        refused.
    use_gusts : bool
        Let the gusts stand in for the mean wind, and list it.
    row_numbers : sequence of int, optional
        Number of each row for the faults, where comments or empty lines stand between them in the file.

    Returns
    -------
    Weather
        With `start` at the first row.

    Raises
    ------
    InputError
        With every fault: row and column, what was expected, how to mend it.

    Examples
    --------
    >>> weather = weather_from_table({
    ...     "time": ["2026-01-17T12:00:00+11:00", "2026-01-17T13:00:00+11:00"],
    ...     "temperature_c": ["38", "40"], "relative_humidity_percent": ["12", "9"],
    ...     "wind_speed_km_h": ["36", "54"], "wind_from_deg": ["315", "315"]}, where="weather.csv", drought_factor=10)
    >>> weather.time_s, weather.wind_speed_m_s.ravel()
    (array([   0., 3600.]), array([10., 15.]))
    """
    names = [str(name) for name in columns]
    faults, found = _columns_of(names, where, use_gusts=use_gusts)
    faults += faults_of_values(
        place=f"{where}, the value for the whole series", drought_factor=drought_factor, curing_percent=curing_percent
    )
    lengths = {name: len(columns[name]) for name in names}
    if names and len(set(lengths.values())) > 1:
        raise InputError(
            [*faults, Fault(where, f"the columns differ in length: {lengths}", "one length", "complete them")]
        )
    if not names or not 1 <= lengths[names[0]] <= _LONGEST_ROWS:
        rows = lengths[names[0]] if names else 0
        raise InputError(
            [*faults, Fault(where, f"it has {rows} rows", f"1 to {_LONGEST_ROWS} rows", "give the weather")]
        )

    numbers = list(row_numbers) if row_numbers is not None else list(range(2, lengths[names[0]] + 2))
    if len(numbers) != lengths[names[0]]:
        raise ValueError(f"there are {len(numbers)} row numbers for {lengths[names[0]]} rows")
    times: list[datetime | None] = []
    if "time" in names:
        more, times = _times_of(list(columns["time"]), where, rows=numbers)
        faults += more
    values: dict[str, NDArray[np.float64]] = {}
    for column in found:
        more, values[column.quantity] = _values_of(
            list(columns[column.name]), column=column, where=where, fill_gaps=fill_gaps, rows=numbers
        )
        faults += more
    faults += _mix_ups(values, times, where=where, rows=numbers)
    more, step_s = _step_of(times, where=where, fill_gaps=fill_gaps, rows=numbers)
    faults += more
    if faults:
        raise InputError(faults)

    known = [time for time in times if time is not None]
    time_s, values, lines = _filled(known, values, step_s=step_s, where=where)
    passed = [name for name in names if name != "time" and name not in {column.name for column in found}]
    if passed:
        lines.append(f"{where}: these columns take no part: {', '.join(passed)}.")
    lines += _doubts(values, where)
    constants = (
        ("drought_factor", drought_factor, 10.0, DROUGHT_NOT_GIVEN),
        ("curing_percent", curing_percent, 100.0, CURING_NOT_GIVEN),
    )
    for quantity, given, dangerous, said in constants:
        if quantity in values:
            continue
        values[quantity] = np.full(time_s.shape, dangerous if given is None else given, dtype=np.float64)
        if given is None:
            lines.append(said)
    wind = values["wind_speed_m_s"]
    if use_gusts:
        wind = np.maximum(wind, values["gust_m_s"])
        lines.append(
            f"{where}: the gusts stand in for the mean wind, as the plan asks; equations are made for the mean."
        )
    return Weather(
        start=known[0],
        time_s=time_s,
        air_temperature_c=values["air_temperature_c"][:, np.newaxis],
        relative_humidity_percent=values["relative_humidity_percent"][:, np.newaxis],
        wind_speed_m_s=wind[:, np.newaxis],
        wind_from_deg=values["wind_from_deg"][:, np.newaxis],
        gust_m_s=values["gust_m_s"][:, np.newaxis] if "gust_m_s" in values else None,
        drought_factor=values["drought_factor"][:, np.newaxis],
        curing_percent=values["curing_percent"][:, np.newaxis],
        assumptions=(HOLDS_ON, *lines),
    )


def _columns_of(names: Sequence[str], where: str, *, use_gusts: bool) -> tuple[list[Fault], list[_Column]]:
    faults: list[Fault] = []
    found: dict[str, _Column] = {}
    if names.count("time") > 1:
        raise refuse(where, "has the column 'time' twice", expected="each column once", mend="rename or remove one")
    if "time" not in names:
        faults.append(Fault(where, "there is no column time", "ISO 8601 times with their offset from UTC", "add it"))
    for name in names:
        place = f"{where}, column {name}"
        if name in _KNOWN:
            quantity, unit = _KNOWN[name]
            if quantity in found:
                wrong = f"it gives the same as {found[quantity].name}"
                faults.append(Fault(place, wrong, "one column for each quantity", "remove one"))
            else:
                found[quantity] = _Column(name, quantity, unit)
        elif name in _STEMS:
            units = [key for key in _KNOWN if key.startswith(name + "_")]
            faults.append(Fault(place, "its name has no unit", " or ".join(units), "put the unit into the name"))
        elif name != "time" and name.strip().lower().startswith(_WATCHED):
            faults.append(Fault(place, "the name is not known", "one of " + ", ".join(_KNOWN), "rename or remove it"))
    for quantity, wanted in _NEEDED.items():
        stem_given = any(name in _STEMS and _STEMS[name][0] == quantity for name in names)
        if quantity not in found and not stem_given:
            faults.append(Fault(where, f"there is no column {wanted}", "one such column", "add it"))
    if use_gusts and "gust_m_s" not in found:
        faults.append(
            Fault(where, "gusts are to be used, but there are none", "a column gust_km_h or the like", "add it")
        )
    return faults, list(found.values())


def _times_of(texts: Sequence[Any], where: str, *, rows: Sequence[int]) -> tuple[list[Fault], list[datetime | None]]:
    faults: list[Fault] = []
    times: list[datetime | None] = []
    expected = "an ISO 8601 time with its offset from UTC, such as 2026-01-17T13:00:00+11:00"
    for row, text in zip(rows, texts, strict=True):
        place = f"{where} row {row}, column time"
        try:
            moment = text if isinstance(text, datetime) else datetime.fromisoformat(str(text).strip())
        except ValueError:
            faults.append(Fault(place, f"{text!r} is not a time", expected, "correct it"))
            times.append(None)
            continue
        if moment.utcoffset() is None:
            faults.append(Fault(place, f"{text} has no offset from UTC", expected, "add the offset"))
            times.append(None)
            continue
        previous = next((time for time in reversed(times) if time is not None), None)
        if previous is not None and moment <= previous:
            wrong, mend = f"{moment.isoformat()} is not later than the time before it", "sort the rows"
            if moment.utcoffset() != previous.utcoffset():
                mend = f"correct the offset from UTC; the time before it is {previous.isoformat()}"
            elif moment == previous:
                wrong, mend = f"{moment.isoformat()} stands there twice", "remove one of the two rows"
            faults.append(Fault(place, wrong, "times in order, none twice", mend))
            times.append(None)
            continue
        times.append(moment)
    return faults, times


def _values_of(
    texts: Sequence[Any], *, column: _Column, where: str, fill_gaps: bool, rows: Sequence[int]
) -> tuple[list[Fault], NDArray[np.float64]]:
    faults: list[Fault] = []
    out = np.full(len(texts), np.nan)
    for index, text in enumerate(texts):
        place = f"{where} row {rows[index]}, column {column.name}"
        shown = "" if text is None else str(text).strip()
        if shown == "" or (isinstance(text, float) and math.isnan(text)):
            if not fill_gaps:
                faults.append(
                    Fault(place, "the cell is empty", "a number", "give the value, or let the plan fill gaps")
                )
            continue
        try:
            value = float(shown)
        except ValueError:
            hint = "write the number with a decimal point and nothing else"
            faults.append(Fault(place, f"{shown!r} is not a number", "a number", hint))
            continue
        if not math.isfinite(value):
            faults.append(Fault(place, f"{shown!r} is not a number that can be used", "a number", "give the value"))
            continue
        si = value * column.unit.factor + column.unit.offset
        told = f"{place} ({shown})"
        bad = faults_of_values(place=told, **{column.quantity: si})
        faults += bad
        if not bad:
            out[index] = si
    if not faults and len(texts) and np.all(np.isnan(out)):
        faults.append(Fault(f"{where}, column {column.name}", "all its cells are empty", "numbers", "give the values"))
    return faults, out


def _mix_ups(
    values: Mapping[str, NDArray[np.float64]], times: Sequence[datetime | None], *, where: str, rows: Sequence[int]
) -> list[Fault]:
    """Find columns that look swapped, or in another unit than their name says, though each value is possible."""
    faults: list[Fault] = []
    temperature, humidity = values.get("air_temperature_c"), values.get("relative_humidity_percent")
    wind, gust, turn = values.get("wind_speed_m_s"), values.get("gust_m_s"), values.get("wind_from_deg")
    if humidity is not None and np.any(humidity > 0.0) and np.nanmax(humidity) <= 1.0:
        faults.append(
            Fault(
                f"{where}, column relative_humidity_percent",
                f"no value is above {np.nanmax(humidity):g} %, which looks like a fraction",
                "percent, 0 to 100",
                "multiply by 100",
            )
        )
    if temperature is not None and humidity is not None and _swapped(temperature, humidity, times):
        faults.append(
            Fault(
                f"{where}, columns temperature and relative_humidity_percent",
                "the temperature falls and the humidity rises towards the afternoon: the two look swapped",
                "the temperature highest in the afternoon",
                "swap the names of the two columns",
            )
        )
    if wind is not None and turn is not None and np.any(np.isfinite(turn)):
        # An impossible wind is already a fault and NaN here; the ones that are left tell whether it is a direction.
        fast = np.all(np.isnan(wind) | (wind > 28.0))
        if fast and np.nanmax(turn) <= 120.0:
            faults.append(_wind_swapped(where))
    if wind is not None and gust is not None:
        for index in np.flatnonzero(gust < wind - 1e-9):
            faults += faults_of_values(
                place=f"{where} row {rows[int(index)]}, columns gust and wind_speed",
                wind_speed_m_s=float(wind[index]),
                gust_m_s=float(gust[index]),
            )
    return faults


def _wind_swapped(where: str) -> Fault:
    return Fault(
        f"{where}, columns wind_speed and wind_from_deg",
        "the wind is above 100 km/h throughout and its direction below 120 degrees: the two look swapped",
        "speeds in wind_speed and directions in wind_from_deg",
        "swap the names of the two columns",
    )


def _swapped(temperature: NDArray[np.float64], humidity: NDArray[np.float64], times: Sequence[datetime | None]) -> bool:
    """Whether the day's course belongs to the other column, and the values would do there.

    A cool change also makes temperature fall and humidity rise in an afternoon, but not with all humidities within the
    range of hot air and above all temperatures.
    """
    if not times or any(time is None for time in times):
        return False
    good = np.isfinite(temperature) & np.isfinite(humidity)
    if good.sum() < 3:
        return False
    T, RH = temperature[good], humidity[good]
    if not (np.all(T < RH) and RH.max() <= 50.0 and RH.max() >= 25.0 and T.min() >= 1.0):
        return False
    hour = np.array([time.hour + time.minute / 60.0 for time in times if time is not None])[good]
    warmth = np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
    if np.ptp(warmth) < 1e-6 or np.ptp(T) < 1e-6 or np.ptp(RH) < 1e-6:
        return False
    with_T = float(np.corrcoef(warmth, T)[0, 1])
    with_RH = float(np.corrcoef(warmth, RH)[0, 1])
    return with_T < -0.6 and with_RH > 0.6


def _doubts(values: Mapping[str, NDArray[np.float64]], where: str) -> list[str]:
    """Say where values are possible but would hide a far worse day, were two columns swapped."""
    T, RH = values["air_temperature_c"], values["relative_humidity_percent"]
    if np.all(T < RH) and RH.max() <= 48.0 and RH.max() >= 30.0 and T.max() <= 25.0:
        return [
            f"{where}: no temperature is above {T.max():g} degrees C and no humidity above {RH.max():g} %. Were the "
            "two columns swapped, the day would be far more dangerous: make sure that they are not."
        ]
    return []


def _step_of(
    times: Sequence[datetime | None], *, where: str, fill_gaps: bool, rows: Sequence[int]
) -> tuple[list[Fault], float]:
    """Usual step of the series (the commonest, the shortest of several), and the longer ones as faults."""
    if len(times) < 2 or any(time is None for time in times):
        return [], 3600.0
    known = [time for time in times if time is not None]
    lengths = np.array([(b - a).total_seconds() for a, b in itertools.pairwise(known)])
    steps, counts = np.unique(np.round(lengths), return_counts=True)
    usual = float(steps[np.argmax(counts)])
    faults: list[Fault] = []
    if usual > _LONGEST_STEP_S:
        wrong = f"its rows are {usual / 3600.0:g} h apart"
        faults.append(Fault(where, wrong, "6 h at the most, better 1 h or less", "give a finer series"))
        return faults, usual
    # Clocks are put forward and back without a gap: where the offset changes with one, a row has a wrong offset.
    turned = np.array([a.utcoffset() != b.utcoffset() for a, b in itertools.pairwise(known)])
    for index in np.flatnonzero(np.where(turned, np.abs(lengths - usual) > 1.0, lengths > usual + 1.0)):
        mend = "give the missing rows, or let the plan fill gaps"
        if turned[index]:
            mend = f"correct the offset from UTC; the time before it is {known[int(index)].isoformat()}"
        elif fill_gaps:
            continue
        faults.append(
            Fault(
                f"{where} row {rows[int(index) + 1]}, column time",
                f"there is a gap of {lengths[index] / 60.0:g} min before it",
                f"a row every {usual / 60.0:g} min",
                mend,
            )
        )
    return faults, usual


def _filled(
    times: Sequence[datetime], values: Mapping[str, NDArray[np.float64]], *, step_s: float, where: str
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]], list[str]]:
    """Put rows into the gaps, fill every empty cell from its wilder neighbour, and say so."""
    lines: list[str] = []
    at: list[float] = []
    source: list[int] = []
    for index, time in enumerate(times):
        seconds = (time - times[0]).total_seconds()
        if at:
            missing = 0
            while seconds - at[-1] > step_s + 1.0:
                at.append(at[-1] + step_s)
                source.append(-1)
                missing += 1
            if missing:
                first = times[0] + timedelta(seconds=at[-missing])
                lines.append(
                    f"{where}: {missing} missing rows from {first.isoformat()} are filled from the hotter, drier and "
                    "windier neighbour."
                )
        at.append(seconds)
        source.append(index)
    rows = np.array(source)
    out: dict[str, NDArray[np.float64]] = {}
    for quantity, series in values.items():
        spread = np.where(rows >= 0, series[np.maximum(rows, 0)], np.nan)
        empty = int(np.isnan(series).sum())
        if empty:
            lines.append(f"{where}: {empty} empty cells of {quantity} are filled from the neighbour that burns faster.")
        out[quantity] = spread
    wind_before = out["wind_speed_m_s"]
    for quantity, sign in _WILDER.items():
        if quantity in out:
            before, after = _neighbours(out[quantity])
            wilder = np.fmax(before, after) if sign > 0 else np.fmin(before, after)
            out[quantity] = np.where(np.isnan(out[quantity]), wilder, out[quantity])
    if "gust_m_s" in out:
        out["gust_m_s"] = np.maximum(out["gust_m_s"], out["wind_speed_m_s"])
    out["wind_from_deg"] = _direction_of_windier(out["wind_from_deg"], wind_before)
    return np.array(at), out, lines


def _neighbours(series: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Last value known before each place and first known after it; NaN where there is none."""
    index = np.arange(series.size)
    known = np.isfinite(series)
    last = np.maximum.accumulate(np.where(known, index, -1))
    first = np.minimum.accumulate(np.where(known, index, series.size)[::-1])[::-1]
    before = np.where(last >= 0, series[np.maximum(last, 0)], np.nan)
    after = np.where(first < series.size, series[np.minimum(first, series.size - 1)], np.nan)
    return before, after


def _direction_of_windier(direction: NDArray[np.float64], wind: NDArray[np.float64]) -> NDArray[np.float64]:
    out = direction.copy()
    known = np.flatnonzero(np.isfinite(direction))
    for index in np.flatnonzero(np.isnan(direction)):
        sides = [int(side[k]) for side, k in ((known[known < index], -1), (known[known > index], 0)) if side.size]
        out[index] = direction[max(sides, key=lambda k: float(np.nan_to_num(wind[k], nan=-1.0)))]
    return out
