"""A weather station's table: columns of text, with the unit in each column's name, to `Weather`.

Rows are counted as a spreadsheet counts them: the names are row 1, the first values row 2; or as the caller says.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leaveby.errors import Faults, refused
from leaveby.fire.weather import series
from leaveby.fire.weather.series import Weather
from leaveby.regions import table_rows

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class _Column:
    name: str
    stem: str
    quantity: str
    factor: float
    offset: float


_KNOWN: Final[Mapping[str, _Column]] = {
    row["name"]: _Column(row["name"], row["stem"], row["quantity"], *series.to_ours(row))
    for row in table_rows(__package__, "columns.csv")
}
KNOWN_COLUMNS: Final = tuple(_KNOWN)
_STEMS: Final = {column.stem: column.quantity for column in _KNOWN.values()}
_NEEDED: Final[Mapping[str, str]] = {
    "air_temperature_c": "temperature_c (or _k, _f)",
    "relative_humidity_percent": "relative_humidity_percent",
    "wind_speed_m_s": "wind_speed_km_h (or _m_s, _kn, _mph)",
    "wind_from_deg": "wind_from_deg",
}
_WATCHED: Final = ("temp", "air", "hum", "rel", "rh", "wind", "gust", "drought", "cur", "dir", "time", "date")
"""Beginnings of names that look like weather this reader needs: unknown ones are faults, all others are passed over."""

_YEARS: Final = (1900, 2200)
_LONGEST_ROWS: Final = 100_000
_LONGEST_STEP_S: Final = 6.0 * 3600.0


def weather_from_table(
    columns: Mapping[str, Sequence[Any]] | pd.DataFrame,
    *,
    where: str,
    drought_factor: float | None = None,
    curing_percent: float | None = None,
    fill_gaps: bool = False,
    use_gusts: bool = False,
    row_numbers: Sequence[int] | None = None,
) -> Weather:
    """Read a station's weather from columns of text; it starts at the first row.

    Columns (the unit is part of the name): `time` (ISO 8601 with its offset from UTC), `temperature_c` (or `_k`, `_f`),
    `relative_humidity_percent`, `wind_speed_km_h` (or `_m_s`, `_kn`, `_mph`; mean wind in the open at 10 m),
    `wind_from_deg`; and, where there are any, `gust_km_h` (or the like), `drought_factor`, `curing_percent`. An empty
    text, None or a float NaN is an empty cell.

    - `where`: name of the table, for the faults; `row_numbers`: of each row in its file, where comments stand between
      them.
    - `drought_factor`, `curing_percent`: for the whole series, without such a column. Where neither is given, 10 and
      100 %, and listed.
    - `fill_gaps`: fill missing rows and empty cells from the hotter, drier, windier neighbour, and list it. Otherwise
      they are refused.
    - `use_gusts`: let the gusts stand in for the mean wind, and list it.

    Raises InputError with every fault: row and column, what was expected, how to mend it.

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
    given = {"drought_factor": drought_factor, "curing_percent": curing_percent}
    lengths = {name: len(columns[name]) for name in names}
    size = lengths[names[0]] if names else 0
    sheet = _Sheet(where, range(2, size + 2) if row_numbers is None else row_numbers, fill_gaps, Faults())
    found = _columns_of(names, sheet, use_gusts=use_gusts)
    sheet.faults.extend(series.faults_of_values(f"{where}, the value for the whole series", given))
    if len(set(lengths.values())) > 1:
        sheet.fault("", f"the columns differ in length: {lengths}", "one length", "complete them")
        sheet.faults.refuse()
    if not 1 <= size <= _LONGEST_ROWS:
        sheet.fault("", f"it has {size} rows", f"1 to {_LONGEST_ROWS} rows", "give the weather")
        sheet.faults.refuse()
    if len(sheet.rows) != size:
        raise ValueError(f"there are {len(sheet.rows)} row numbers for {size} rows")
    times = _times_of(list(columns["time"]), sheet) if "time" in names else []
    values = {column.quantity: _values_of(list(columns[column.name]), column, sheet) for column in found}
    _mix_ups(values, times, sheet)
    step_s = _step_of(times, sheet)
    sheet.faults.refuse()

    known = [time for time in times if time is not None]
    if (rows := int((known[-1] - known[0]).total_seconds() / step_s)) > _LONGEST_ROWS:
        sheet.tell("", "rows_to_fill", rows=rows, most=_LONGEST_ROWS, usual_min=step_s / 60.0)
        sheet.faults.refuse()
    time_s, values, lines = _filled(known, values, step_s=step_s, where=where)
    passed = [name for name in names if name != "time" and name not in {column.name for column in found}]
    if passed:
        lines.append(f"{where}: these columns take no part: {', '.join(passed)}.")
    values, missing = series.taken_where_missing(values, given)
    lines += _doubts(values, where) + missing
    if use_gusts:
        values["wind_speed_m_s"] = np.maximum(values["wind_speed_m_s"], values["gust_m_s"])
        lines.append(f"{where}: {series.GUSTS_STAND_IN}; equations are made for the mean.")
    every: dict[str, Any] = {quantity: column[:, np.newaxis] for quantity, column in values.items()}
    return Weather(known[0], time_s, **{"gust_m_s": None, **every}, assumptions=(series.HOLDS_ON, *lines))


@dataclass(frozen=True)
class _Sheet:
    """A table while it is read: its name, the number of each row in its file, and the faults found so far."""

    where: str
    rows: Sequence[int]
    fill_gaps: bool
    faults: Faults

    def fault(self, place: str, wrong: str, expected: str, mend: str) -> None:
        """Note a fault at a place in the table, or of the table as such."""
        self.faults.add(f"{self.where}{place}", wrong, expected, mend)

    def tell(self, place: str, told: str, /, **values: object) -> None:
        """Note a fault in the words of `faults.toml`."""
        self.faults.tell(f"{self.where}{place}", told, **values)


def _columns_of(names: Sequence[str], sheet: _Sheet, *, use_gusts: bool) -> list[_Column]:
    found: dict[str, _Column] = {}
    if names.count("time") > 1:
        raise refused(sheet.where, "column_time_twice")
    if "time" not in names:
        sheet.fault("", "there is no column time", "ISO 8601 times with their offset from UTC", "add it")
    for name in names:
        place = f", column {name}"
        if name in _KNOWN:
            quantity = _KNOWN[name].quantity
            if quantity in found:
                wrong = f"it gives the same as {found[quantity].name}"
                sheet.fault(place, wrong, "one column for each quantity", "remove one")
            else:
                found[quantity] = _KNOWN[name]
        elif name in _STEMS:
            units = [key for key in _KNOWN if key.startswith(name + "_")]
            sheet.fault(place, "its name has no unit", " or ".join(units), "put the unit into the name")
        elif name != "time" and name.strip().lower().startswith(_WATCHED):
            sheet.fault(place, "the name is not known", "one of " + ", ".join(_KNOWN), "rename or remove it")
    for quantity, wanted in _NEEDED.items():
        stem_given = any(name in _STEMS and _STEMS[name] == quantity for name in names)
        if quantity not in found and not stem_given:
            sheet.fault("", f"there is no column {wanted}", "one such column", "add it")
    if use_gusts and "gust_m_s" not in found:
        sheet.fault("", "gusts are to be used, but there are none", "a column gust_km_h or the like", "add it")
    return list(found.values())


def _times_of(texts: Sequence[Any], sheet: _Sheet) -> list[datetime | None]:
    times: list[datetime | None] = []
    for row, text in zip(sheet.rows, texts, strict=True):
        previous = next((time for time in reversed(times) if time is not None), None)
        times.append(_time_of(text, previous, place=f" row {row}, column time", sheet=sheet))
    return times


def _time_of(text: Any, previous: datetime | None, *, place: str, sheet: _Sheet) -> datetime | None:
    try:
        moment = text if isinstance(text, datetime) else datetime.fromisoformat(str(text).strip())
    except ValueError:
        sheet.tell(place, "not_a_time", text=text)
        return None
    if moment.utcoffset() is None:
        sheet.tell(place, "time_without_offset", text=text)
        return None
    if not _YEARS[0] <= moment.year <= _YEARS[1]:
        sheet.tell(place, "year_out_of_range", text=text, first=_YEARS[0], last=_YEARS[1])
        return None
    if previous is None or moment > previous:
        return moment
    wrong, mend = f"{moment.isoformat()} is not later than the time before it", "sort the rows"
    if moment.utcoffset() != previous.utcoffset():
        mend = f"correct the offset from UTC; the time before it is {previous.isoformat()}"
    elif moment == previous:
        wrong, mend = f"{moment.isoformat()} stands there twice", "remove one of the two rows"
    sheet.fault(place, wrong, "times in order, none twice", mend)
    return None


def _values_of(texts: Sequence[Any], column: _Column, sheet: _Sheet) -> NDArray[np.float64]:
    out = np.full(len(texts), np.nan)
    before = len(sheet.faults)
    for index, text in enumerate(texts):
        place = f" row {sheet.rows[index]}, column {column.name}"
        shown = "" if text is None else str(text).strip()
        if shown == "" or (isinstance(text, float) and math.isnan(text)):
            if not sheet.fill_gaps:
                sheet.fault(place, "the cell is empty", "a number", "give the value, or let the plan fill gaps")
            continue
        try:
            value = float(shown)
        except ValueError:
            sheet.tell(place, "not_a_number", shown=shown)
            continue
        if not math.isfinite(value):
            sheet.fault(place, f"{shown!r} is not a number that can be used", "a number", "give the value")
            continue
        si = value * column.factor + column.offset
        bad = series.faults_of_values(f"{sheet.where}{place} ({shown})", {column.quantity: si})
        sheet.faults.extend(bad)
        if not bad:
            out[index] = si
    if len(sheet.faults) == before and len(texts) and np.all(np.isnan(out)):
        sheet.fault(f", column {column.name}", "all its cells are empty", "numbers", "give the values")
    return out


def _mix_ups(values: Mapping[str, NDArray[np.float64]], times: Sequence[datetime | None], sheet: _Sheet) -> None:
    """Find columns that look swapped, or in another unit than their name says, though each value is possible."""
    temperature, humidity = values.get("air_temperature_c"), values.get("relative_humidity_percent")
    wind, gust, turn = values.get("wind_speed_m_s"), values.get("gust_m_s"), values.get("wind_from_deg")
    if humidity is not None and np.any(humidity > 0.0) and np.nanmax(humidity) <= 1.0:
        sheet.tell(", column relative_humidity_percent", "humidity_as_fraction", highest=np.nanmax(humidity))
    if temperature is not None and humidity is not None and _swapped(temperature, humidity, times):
        sheet.tell(", columns temperature and relative_humidity_percent", "humidity_swapped")
    if wind is not None and turn is not None and np.any(np.isfinite(turn)):
        # An impossible wind is already a fault and NaN here; the ones that are left tell whether it is a direction.
        fast = np.all(np.isnan(wind) | (wind > 28.0))
        if fast and np.nanmax(turn) <= 120.0:
            sheet.tell(", columns wind_speed and wind_from_deg", "direction_swapped")
    if wind is not None and gust is not None:
        for index in np.flatnonzero(gust < wind - 1e-9):
            place = f"{sheet.where} row {sheet.rows[int(index)]}, columns gust and wind_speed"
            both = {"wind_speed_m_s": wind[index], "gust_m_s": gust[index]}
            sheet.faults.extend(series.faults_of_values(place, both))


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


def _step_of(times: Sequence[datetime | None], sheet: _Sheet) -> float:
    """Usual step of the series (the commonest, the shortest of several), and the longer ones as faults."""
    if len(times) < 2 or any(time is None for time in times):
        return 3600.0
    known = [time for time in times if time is not None]
    lengths = np.array([(b - a).total_seconds() for a, b in itertools.pairwise(known)])
    steps, counts = np.unique(np.round(lengths), return_counts=True)
    usual = float(steps[np.argmax(counts)])
    if usual > _LONGEST_STEP_S:
        sheet.tell("", "rows_far_apart", apart_h=usual / 3600.0)
        return usual
    # Clocks are put forward and back without a gap: where the offset changes with one, a row has a wrong offset.
    turned = np.array([a.utcoffset() != b.utcoffset() for a, b in itertools.pairwise(known)])
    for index in np.flatnonzero(np.where(turned, np.abs(lengths - usual) > 1.0, lengths > usual + 1.0)):
        mend = "give the missing rows, or let the plan fill gaps"
        if turned[index]:
            mend = f"correct the offset from UTC; the time before it is {known[int(index)].isoformat()}"
        elif sheet.fill_gaps:
            continue
        gap_min, place = lengths[index] / 60.0, f" row {sheet.rows[int(index) + 1]}, column time"
        sheet.tell(place, "rows_missing", gap_min=gap_min, usual_min=usual / 60.0, mend=mend)
    return usual


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
    for quantity, column in values.items():
        if empty := int(np.isnan(column).sum()):
            lines.append(f"{where}: {empty} empty cells of {quantity} are filled from the neighbour that burns faster.")
    out = _from_the_wilder(values, source) if lines else dict(values)
    if "gust_m_s" in out:
        out["gust_m_s"] = np.maximum(out["gust_m_s"], out["wind_speed_m_s"])
    return np.array(at), out, lines


def _from_the_wilder(values: Mapping[str, NDArray[np.float64]], source: list[int]) -> dict[str, NDArray[np.float64]]:
    """Rows of a table by number, -1 for a missing one; each value that lacks from the neighbour that burns faster.

    A direction comes from the neighbour with more wind, the one before where both have the same.
    """
    import pandas as pd  # slow to load, and seldom needed

    table = pd.DataFrame(values).reindex(source).reset_index(drop=True)
    before, after = table.ffill(), table.bfill()
    out = {}
    for quantity in values:
        # The wilder is the higher, but for the air's humidity.
        wilder = np.fmin if quantity == "relative_humidity_percent" else np.fmax
        out[quantity] = wilder(before[quantity].to_numpy(), after[quantity].to_numpy())
    known = table.index.to_series().where(table["wind_from_deg"].notna())
    first, last = (side.to_numpy(np.intp) for side in (known.ffill().bfill(), known.bfill().ffill()))
    strength = table["wind_speed_m_s"].fillna(-1.0).to_numpy()
    windier = np.where(strength[first] >= strength[last], first, last)
    return {**out, "wind_from_deg": table["wind_from_deg"].to_numpy()[windier]}
