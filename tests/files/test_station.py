"""Weather stations' own exports: read as they are written, what was taken is said, and what may be meant is asked.

A knot is 1.852 km/h and a mile 1.609344 km exactly (from memory of the SI brochure and of the international yard);
degrees Fahrenheit and kelvin by their definitions; that east is 90 degrees and the 16 words of the compass go round by
22.5: common practice, no source. The first lines of a real export are those of a United States remote automated
weather station, public domain.
"""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.files.read.grids import read_weather
from leaveby.files.read.station import OWN, Station, likely, read_sheet
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.series import Weather

GRID = Grid(x_min_m=600_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=4, cols=4, crs="EPSG:32755")
ZONE = timezone(timedelta(hours=11))
CLOCK = "+11:00"
WORDS = ["N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"]
Kind = tuple[str, str, str, bool, dict[str, Callable[[dict[str, float]], str]]]
REAL = """\
datetime_utc,temperature,humidity,windSpeed,windDirection,maxGustSpeed,maxGustDirection,solarRadiation,fuelMoisture,\
fuelTemperature,station
2020-09-06 00:00:00+00:00,33.90,17.00,2.68,223.00,4.92,217.00,409.00,,,Wellpinit
2020-09-06 01:00:00+00:00,32.80,19.00,2.68,225.00,4.02,230.00,244.00,,,Wellpinit
2020-09-06 02:00:00+00:00,30.00,23.00,1.79,207.00,5.36,222.00,81.00,,,Wellpinit
"""


def when(form: str) -> Callable[[dict[str, float]], str]:
    return lambda row: f"{datetime(2026, 1, 17, 20, tzinfo=ZONE) + timedelta(hours=row['hour']):{form}}"


def number(key: str, times: float = 1.0, plus: float = 0.0, digits: int = 4) -> Callable[[dict[str, float]], str]:
    return lambda row: f"{row[key] * times + plus:.{digits}f}"


def word(row: dict[str, float]) -> str:
    return WORDS[round(row["from"] / 22.5) % 16]


KINDS: dict[str, Kind] = {
    # separator, encoding, mark of decimals, newest first, columns
    "knots and Fahrenheit": (
        ",", "utf-8", ".", False,
        {"valid (UTC)": lambda row: f"{datetime(2026, 1, 17, 9) + timedelta(hours=row['hour']):%Y-%m-%d %H:%M}",
         "tmpf": number("t", 1.8, 32.0), "dwpf": number("t", 1.0), "relh": number("h"),
         "drct": number("from"), "sknt": number("v", 3600 / 1852), "gust_mph": number("g", 3600 / 1609.344)},
    ),
    "semicolons and decimal commas in Windows letters": (
        ";", "cp1252", ",", False,
        {"Datum": when("%d.%m.%Y"), "Uhrzeit": when("%H:%M"), "Lufttemperatur [°C]": number("t"),
         "Relative Luftfeuchte [%]": number("h"), "Windgeschwindigkeit [km/h]": number("v", 3.6),
         "Windrichtung [°]": number("from"), "Böe [km/h]": number("g", 3.6), "Bodentemperatur [°C]": number("t")},
    ),
    "tabs in UTF-16, newest first": (
        "\t", "utf-16", ".", True,
        {"Timestamp": when("%Y/%m/%d %H:%M:%S"), "Air Temp (C)": number("t"), "RH (%)": number("h"),
         "Wind Speed (m/s)": number("v"), "Wind Direction (deg)": number("from"), "Dew Point (C)": number("t")},
    ),
    "with a mark at the head, month first, morning and evening": (
        ",", "utf-8-sig", ".", False,
        {"Date Time": when("%m/%d/%Y %I:%M %p"), "Temperature (F)": number("t", 1.8, 32.0), "Humidity": number("h"),
         "Wind Speed (mph)": number("v", 3600 / 1609.344), "Wind Dir": word, "Max Gust Dir": word},
    ),
    "camels and offsets": (
        ",", "utf-8", ".", False,
        {"dateTime": when("%Y-%m-%dT%H:%M:%S%z"), "temperatureC": number("t"), "humidity": number("h"),
         "windSpeedKmh": number("v", 3.6), "windDirection": number("from"), "windGustKmh": number("g", 3.6)},
    ),
    "Spanish": (
        ";", "cp1252", ",", False,
        {"Fecha": when("%d/%m/%Y %H:%M"), "Temperatura (°C)": number("t"), "Humedad (%)": number("h"),
         "Velocidad del viento (m/s)": number("v"), "Dirección del viento (°)": number("from"),
         "Ráfaga (m/s)": number("g")},
    ),
    "bars and digits alone": (
        "|", "utf-8", ".", False,
        {"station": lambda _: "X1", "time": when("%Y%m%d%H%M"), "TT (K)": number("t", 1.0, 273.15), "RF": number("h"),
         "FF (kt)": number("v", 3600 / 1852), "DD": number("from")},
    ),
}  # fmt: skip


def series(seed: int, rows: int = 30) -> list[dict[str, float]]:
    rng = random.Random(seed)
    made = []
    for hour in range(rows):
        wind = round(rng.uniform(1.0, 20.0), 2)
        gust = round(wind * rng.uniform(1.1, 1.8), 2)
        values = {"t": round(rng.uniform(12.0, 44.0), 1), "h": float(rng.randint(30, 90)), "v": wind, "g": gust}
        made.append({"hour": float(hour), "from": 22.5 * rng.randrange(16), **values})
    return made


def export(path: Path, kind: Kind, rows: list[dict[str, float]], *, seed: int) -> Path:
    mark, encoding, point, newest_first, columns = kind
    names = list(columns)
    random.Random(seed).shuffle(names)
    cells = [[columns[name](row) for name in names] for row in rows]
    if point == ",":
        cells = [[cell.replace(".", ",") if cell.count(".") == 1 else cell for cell in row] for row in cells]
    lines = [names, *(cells[::-1] if newest_first else cells)]
    path.write_bytes("\n".join(mark.join(line) for line in lines).encode(encoding))
    return path


def taken(path: Path, station: Station = OWN) -> tuple[Weather, Station, tuple[str, ...]]:
    """The weather as the plan would read it that holds what was proposed."""
    found, said = likely(read_sheet(path, where=str(path)), where=str(path), clock=CLOCK, given=station)
    return read_weather(path, GRID, station=found), found, said


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=15)
@given(seed=st.integers(0, 10**6))
def test_exports_of_many_kinds_are_read_as_they_were_meant(
    tmp_path_factory: pytest.TempPathFactory, kind: str, seed: int
) -> None:
    rows = series(seed)
    weather, station, said = taken(export(tmp_path_factory.mktemp("x") / "w.csv", KINDS[kind], rows, seed=seed))
    assert weather.start == datetime(2026, 1, 17, 20, tzinfo=ZONE)
    assert weather.time_s.tolist() == [3600.0 * row["hour"] for row in rows]
    for held, key, within in (
        (weather.air_temperature_c, "t", 0.001),
        (weather.relative_humidity_percent, "h", 0.001),
        (weather.wind_speed_m_s, "v", 0.001),
        (weather.wind_from_deg, "from", 0.001),
    ):
        assert held.ravel() == pytest.approx([row[key] for row in rows], abs=within)
    if weather.gust_m_s is not None:
        assert weather.gust_m_s.ravel() == pytest.approx([row["g"] for row in rows], abs=0.001)
    told = "; ".join(said)
    for ours, theirs in station.columns:
        assert f'{ours} is its column "{theirs}"' in told
        assert any(f'{ours} is its column "{theirs}"' in line for line in weather.assumptions)
    assert "whose unit it does not name" not in told


def test_what_a_plan_would_hold_is_toml(tmp_path: Path) -> None:
    for name, kind in KINDS.items():
        _, station, _ = taken(export(tmp_path / f"{len(name)}.csv", kind, series(1), seed=1))
        held = tomllib.loads(str(station).replace("; ", "\n"))
        assert tuple(held["columns"].items()) == station.columns
        assert (held.get("clock"), held.get("time_format")) == (station.clock, station.time_format)


def test_a_real_export_without_units_is_taken_in_those_that_burn_fastest_and_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text(REAL, encoding="utf-8")
    weather, station, said = taken(tmp_path / "w.csv")
    assert dict(station.columns) == {
        "time": "datetime_utc",
        "temperature_c": "temperature",
        "relative_humidity_percent": "humidity",
        "wind_speed_m_s": "windSpeed",
        "wind_from_deg": "windDirection",
        "gust_m_s": "maxGustSpeed",
    }
    assert station.clock is None
    assert weather.wind_speed_m_s.ravel().tolist() == [2.68, 2.68, 1.79]
    assert weather.start.isoformat() == "2020-09-06T00:00:00+00:00"
    fastest = "whose unit it does not name: the one that burns fastest of those that its numbers allow"
    assert sum(fastest in line for line in said) == 3
    passed = "these columns take no part: maxGustDirection, solarRadiation, fuelMoisture, fuelTemperature, station."
    assert any(passed in line for line in weather.assumptions)


@given(st.lists(st.floats(0.0, 100.0), min_size=3, max_size=20))
def test_a_wind_without_a_unit_is_the_fastest_that_can_be(
    tmp_path_factory: pytest.TempPathFactory, winds: list[float]
) -> None:
    lines = ["time,temp,rh,wind,wind_dir"]
    lines += [f"2026-01-17T{hour:02d}:00:00+11:00,30,20,{wind:.2f},315" for hour, wind in enumerate(winds)]
    path = tmp_path_factory.mktemp("x") / "w.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    weather, _, _ = taken(path)
    units = {"m/s": 1.0, "kn": 1852 / 3600, "mph": 1609.344 / 3600, "km/h": 1 / 3.6}
    most = max(round(wind, 2) for wind in winds)
    assert weather.wind_speed_m_s.max() == pytest.approx(
        max(most * one for one in units.values() if most * one <= 45.0)
    )


def refusal(path: Path, station: Station = OWN) -> str:
    with pytest.raises(InputError) as caught:
        taken(path, station)
    return str(caught.value)


def two_of_a_kind(folder: Path, first: str, again: str) -> Path:
    """The first kind with a column twice."""
    path = export(folder / "w.csv", KINDS["camels and offsets"], series(3), seed=3)
    lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    at = lines[0].index(first)
    rows = [[*line, line[at]] for line in lines]
    rows[0][-1] = again
    path.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("first", "again", "written"),
    [
        ("windSpeedKmh", "Wind (kt)", 'wind_speed_km_h = "windSpeedKmh" or wind_speed_kn = "Wind (kt)"'),
        ("temperatureC", "temp_2m (F)", 'temperature_c = "temperatureC" or temperature_f = "temp_2m (F)"'),
        ("humidity", "RH", 'relative_humidity_percent = "humidity" or relative_humidity_percent = "RH"'),
        ("dateTime", "time_local", 'time = "dateTime" or time = "time_local"'),
    ],
)
def test_of_several_columns_none_is_taken_and_what_to_write_is_said(
    tmp_path: Path, first: str, again: str, written: str
) -> None:
    path = two_of_a_kind(tmp_path, first, again)
    said = refusal(path)
    parts = written.split(" or ")
    assert written in said or " or ".join(parts[::-1]) in said
    ours, _, theirs = parts[0].partition(" = ")
    weather, _, _ = taken(path, Station(((ours, theirs.strip('"')),)))
    assert weather.steps == 30


def test_a_column_that_is_missing_and_times_in_doubt_are_asked(tmp_path: Path) -> None:
    text = "time;Lufttemperatur;Wind (m/s);Windrichtung\n03/04/2026 12:00;30,5;4;90\n03/04/2026 13:00;30,5;4;90\n"
    (tmp_path / "w.csv").write_text(text, encoding="utf-8")
    said = refusal(tmp_path / "w.csv")
    assert (
        "no column of it is known to hold the relative humidity: time, Lufttemperatur, Wind (m/s), Windrichtung" in said
    )
    assert 'relative_humidity_percent = "its name"' in said
    (tmp_path / "w.csv").write_text(text.replace("Wind (m/s)", "Feuchte;Wind (m/s)").replace(";4;", ";20;4;"), "utf-8")
    said = refusal(tmp_path / "w.csv")
    assert 'time_format = "%d/%m/%Y %H:%M" or time_format = "%m/%d/%Y %H:%M"' in said
    weather, _, _ = taken(tmp_path / "w.csv", Station(time_format="%d/%m/%Y %H:%M"))
    assert weather.start.isoformat() == "2026-04-03T12:00:00+11:00"


@pytest.mark.parametrize(
    ("columns", "clock", "said"),
    [
        ((("time", "dateTime"), ("wind_speed_knots", "windSpeedKmh")), None, 'write "wind_speed_kn" if that was meant'),
        ((("time", "datetime"),), None, 'write "dateTime" if that was meant'),
        ((("time", "dateTime"),), "Sydney", 'write one, for example "+11:00"'),
        ((("temperature_c", "temperatureC"),), None, "no column of it is known to hold the time"),
        (
            (("time", "dateTime"), ("temperature_c", "temperatureC")),
            None,
            "there is no column relative_humidity_percent",
        ),
    ],
)
def test_a_plan_that_says_it_wrongly_is_told_what_to_write(
    tmp_path: Path, columns: tuple[tuple[str, str], ...], clock: str | None, said: str
) -> None:
    path = export(tmp_path / "w.csv", KINDS["camels and offsets"], series(3), seed=3)
    with pytest.raises(InputError) as caught:
        read_weather(path, GRID, station=Station(columns, clock))
    assert said in str(caught.value)


def test_without_a_word_in_the_plan_an_export_is_refused_with_the_lines_to_write(tmp_path: Path) -> None:
    path = export(tmp_path / "w.csv", KINDS["tabs in UTF-16, newest first"], series(3), seed=3)
    with pytest.raises(InputError) as caught:
        read_weather(path, GRID, clock="Australia/Sydney")
    (fault,) = caught.value.faults
    assert "its columns have a station's own names" in fault.wrong
    assert 'wind_speed_m_s = "Wind Speed (m/s)"' in fault.mend
    assert 'clock = "Australia/Sydney"; time_format = "%Y/%m/%d %H:%M:%S"' in fault.mend


def test_units_under_the_names_and_lines_before_them_are_understood(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text(
        "Station: Sallow Spur\nHeight: 700 m\n\ntime,temperature,humidity,wind speed,wind direction\n"
        "local,°F,%,kt,°\n2026-01-17 12:00,104,10,27,315\n2026-01-17 13:00,104,10,27,315\n",
        encoding="utf-8",
    )
    weather, station, _ = taken(path)
    assert {"temperature_f", "wind_speed_kn"} <= {ours for ours, _ in station.columns}
    assert weather.air_temperature_c.ravel() == pytest.approx([40.0, 40.0])
    assert weather.wind_speed_m_s.ravel() == pytest.approx([27 * 1852 / 3600] * 2)


def test_empty_cells_and_marks_of_missing_values_are_named_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    rows = ["time,temp (C),rh,wind (km/h),wind dir"]
    rows += [f"2026-01-17T{12 + k}:00:00+11:00,38,12,{wind},NW" for k, wind in enumerate(("36", "--", "NA"))]
    path.write_text("\n".join(rows), encoding="utf-8")
    said = refusal(path)
    assert "row 3, column wind_speed_km_h: the cell is empty" in said
    assert "row 4, column wind_speed_km_h: the cell is empty" in said
    found, _ = likely(read_sheet(path, where=""), where="", clock=CLOCK)
    filled = read_weather(path, GRID, station=found, fill_gaps=True)
    assert np.all(filled.wind_speed_m_s == 10.0)
