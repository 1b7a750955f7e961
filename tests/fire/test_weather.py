"""Reading weather: station tables and gridded forecasts, and every way in which they can be wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.forecast import weather_from_dataset
from leaveby.fire.weather.series import (
    Weather,
    constant_weather,
    local_hour,
    local_month,
    perturbed,
    rebased,
    shifted,
    step_at,
    wind_towards,
)
from leaveby.fire.weather.table import weather_from_table

GRID = Grid(x_min_m=500_000.0, y_max_m=5_950_000.0, cell_m=100.0, rows=20, cols=30, crs="EPSG:32755")


def _table(hours: int = 6, first: int = 9) -> dict[str, list[str]]:
    return {
        "time": [f"2026-01-17T{first + k:02d}:00:00+11:00" for k in range(hours)],
        "temperature_c": [str(30 + 2 * k) for k in range(hours)],
        "relative_humidity_percent": [str(25 - 3 * k) for k in range(hours)],
        "wind_speed_km_h": [str(18 + 3.6 * k) for k in range(hours)],
        "wind_from_deg": ["315"] * hours,
        "gust_km_h": [str(36 + 3.6 * k) for k in range(hours)],
    }


def _read(table: Any, **options: Any) -> Weather:
    return weather_from_table(table, where="weather.csv", **{"drought_factor": 9.0, "curing_percent": 90.0} | options)


def _refused(table: Any, **options: Any) -> list[str]:
    with pytest.raises(InputError) as caught:
        _read(table, **options)
    return [str(fault) for fault in caught.value.faults]


def test_a_good_table_is_read_in_si() -> None:
    weather = _read(_table())
    assert weather.start == datetime(2026, 1, 17, 9, tzinfo=timezone(timedelta(hours=11)))
    assert weather.time_s.tolist() == [0.0, 3600.0, 7200.0, 10800.0, 14400.0, 18000.0]
    assert weather.wind_speed_m_s[:, 0] == pytest.approx([5.0, 6.0, 7.0, 8.0, 9.0, 10.0])
    assert weather.gust_m_s is not None
    assert weather.gust_m_s[0, 0] == pytest.approx(10.0)
    assert weather.drought_factor[:, 0].tolist() == [9.0] * 6
    assert weather.place is None
    assert local_hour(weather).tolist() == [9.0, 10.0, 11.0, 12.0, 13.0, 14.0]
    assert len(weather.assumptions) == 1


def test_a_data_frame_of_text_does_as_well() -> None:
    frame = _read(pd.DataFrame(_table(), dtype=str))
    table = _read(_table())
    np.testing.assert_array_equal(frame.wind_speed_m_s, table.wind_speed_m_s)


@pytest.mark.parametrize(
    ("column", "values", "quantity", "expected"),
    [
        ("wind_speed_m_s", ["10"], "wind_speed_m_s", 10.0),
        ("wind_speed_kn", ["18"], "wind_speed_m_s", 9.26),  # 1 knot = 1852 m/h by definition
        ("wind_speed_mph", ["20"], "wind_speed_m_s", 8.9408),  # 1 mile = 1609.344 m by definition
        ("temperature_k", ["310.15"], "air_temperature_c", 37.0),
        ("temperature_f", ["104"], "air_temperature_c", 40.0),
    ],
)
def test_units_come_from_the_name(column: str, values: list[str], quantity: str, expected: float) -> None:
    table = _table(1)
    del table["gust_km_h"]
    del table["wind_speed_km_h" if column.startswith("wind") else "temperature_c"]
    table[column] = values
    assert getattr(_read(table), quantity)[0, 0] == pytest.approx(expected, abs=1e-6)


def test_all_faults_are_told_at_once_with_row_and_column() -> None:
    table = _table()
    table["relative_humidity_percent"][0] = "140"
    table["wind_speed_km_h"][1] = "-4"
    table["temperature_c"][2] = "313.2"
    table["wind_from_deg"][3] = "nan"
    table["gust_km_h"][4] = ""
    table["temperature_c"][5] = "38,5"
    faults = _refused(table)
    expected = [
        ("row 2, column relative_humidity_percent", "140 %"),
        ("row 3, column wind_speed_km_h", "-1.1"),
        ("row 4, column temperature_c", "looks like kelvin"),
        ("row 5, column wind_from_deg", "not a number"),
        ("row 6, column gust_km_h", "empty"),
        ("row 7, column temperature_c", "decimal point"),
    ]
    for place, what in expected:
        assert any(place in fault and what in fault for fault in faults), (place, faults)
    assert len(faults) == len(expected)


@pytest.mark.parametrize("value", ["nan", "NaN", "inf", "-inf", "", "x"])
@pytest.mark.parametrize(
    "column", ["temperature_c", "relative_humidity_percent", "wind_speed_km_h", "wind_from_deg", "gust_km_h"]
)
def test_a_value_that_is_no_number_is_refused_where_it_stands(column: str, value: str) -> None:
    table = _table()
    table[column][3] = value
    assert [fault.split(":")[0] for fault in _refused(table)] == [f"weather.csv row 5, column {column}"]


def test_rows_can_be_numbered_as_in_a_file_with_comments() -> None:
    table = _table()
    table["wind_from_deg"][3] = "nan"
    assert "weather.csv row 19, column wind_from_deg" in _refused(table, row_numbers=[4, 5, 6, 19, 20, 21])[0]


def test_missing_unit_and_missing_columns() -> None:
    table = _table()
    table["wind_speed"] = table.pop("wind_speed_km_h")
    del table["relative_humidity_percent"]
    faults = _refused(table)
    assert any("column wind_speed: its name has no unit" in fault for fault in faults)
    assert any("there is no column relative_humidity_percent" in fault for fault in faults)
    assert len(faults) == 2


def test_a_misspelt_column_is_a_fault_and_another_one_is_listed() -> None:
    table = _table() | {"gusts_kmh": ["1"] * 6}
    assert any("column gusts_kmh: the name is not known" in fault for fault in _refused(table))
    table = _table() | {"rain_mm": ["0"] * 6}
    assert any("rain_mm" in line for line in _read(table).assumptions)


@pytest.mark.parametrize("time", ["2026-01-17T10:00:00", "2026-01-17 10:00"])
def test_a_time_without_offset_is_refused(time: str) -> None:
    table = _table()
    table["time"][1] = time
    faults = _refused(table)
    assert len(faults) == 1
    assert "row 3, column time" in faults[0]
    assert "no offset from UTC" in faults[0]


def test_times_out_of_order_twice_or_unreadable() -> None:
    table = _table()
    table["time"][2] = table["time"][1]
    table["time"][4] = "noon"
    faults = _refused(table)
    assert any("row 4, column time" in fault and "twice" in fault for fault in faults)
    assert any("row 6, column time" in fault and "is not a time" in fault for fault in faults)


def test_offsets_may_change_with_daylight_saving() -> None:
    table = {name: values[:2] for name, values in _table().items()}
    table["time"] = ["2026-04-05T02:30:00+11:00", "2026-04-05T02:30:00+10:00"]
    assert _read(table).time_s.tolist() == [0.0, 3600.0]


def _gappy() -> dict[str, list[str]]:
    table = _table()
    for values in table.values():
        del values[3]
    return table


def test_a_gap_is_refused() -> None:
    faults = _refused(_gappy())
    assert len(faults) == 1
    assert "row 5, column time: there is a gap of 120 min before it" in faults[0]


def test_a_gap_is_filled_on_the_early_side_and_listed_when_the_plan_says_so() -> None:
    weather = _read(_gappy(), fill_gaps=True)
    assert weather.time_s.tolist() == [3600.0 * k for k in range(6)]
    before, filled, after = 2, 3, 4
    assert weather.air_temperature_c[filled, 0] == max(weather.air_temperature_c[[before, after], 0])
    assert weather.relative_humidity_percent[filled, 0] == min(weather.relative_humidity_percent[[before, after], 0])
    assert weather.wind_speed_m_s[filled, 0] == max(weather.wind_speed_m_s[[before, after], 0])
    assert any("1 missing rows from 2026-01-17T12:00:00+11:00" in line for line in weather.assumptions)


def test_an_empty_cell_is_filled_from_the_wilder_neighbour() -> None:
    table = _table()
    table["wind_speed_km_h"][2] = ""
    table["wind_from_deg"][1:4] = ["300", "", "350"]
    table["relative_humidity_percent"][5] = ""
    weather = _read(table, fill_gaps=True)
    assert weather.wind_speed_m_s[2, 0] == weather.wind_speed_m_s[3, 0]
    assert weather.wind_from_deg[2, 0] == 350.0
    assert weather.relative_humidity_percent[5, 0] == weather.relative_humidity_percent[4, 0]
    assert sum("empty cells" in line for line in weather.assumptions) == 3


@pytest.mark.parametrize("curing", [["60", "", "90"], ["90", "", "60"]])
@pytest.mark.parametrize("dryness", [["6", "", "9"], ["9", "", "6"]])
def test_more_cured_grass_and_a_drier_day_are_the_wilder_neighbour(curing: list[str], dryness: list[str]) -> None:
    weather = _read({**_table(3), "curing_percent": curing, "drought_factor": dryness}, fill_gaps=True)
    assert weather.curing_percent[1, 0] == 90.0
    assert weather.drought_factor[1, 0] == 9.0


def test_a_gust_that_is_filled_is_no_less_than_the_mean_wind_of_its_row() -> None:
    table = {**_table(3), "wind_speed_km_h": ["18", "72", "18"], "gust_km_h": ["36", "", "54"]}
    weather = _read(table, fill_gaps=True)
    assert weather.gust_m_s is not None
    assert weather.gust_m_s.ravel() == pytest.approx([10.0, 20.0, 15.0])


def test_rows_closer_than_usual_are_no_gap() -> None:
    table = _table(4)
    table["time"].insert(3, "2026-01-17T11:20:00+11:00")
    for name, values in table.items():
        if name != "time":
            values.insert(3, values[2])
    assert _read(table).time_s.tolist() == [0.0, 3600.0, 7200.0, 8400.0, 10800.0]


def test_rows_twelve_hours_apart_are_refused() -> None:
    table = {name: values[:2] for name, values in _table().items()}
    table["time"] = ["2026-01-17T06:00:00+11:00", "2026-01-17T18:00:00+11:00"]
    assert any("12 h apart" in fault for fault in _refused(table))


def test_swapped_temperature_and_humidity() -> None:
    table = _table()
    table["temperature_c"], table["relative_humidity_percent"] = (
        table["relative_humidity_percent"],
        table["temperature_c"],
    )
    assert any("look swapped" in fault for fault in _refused(table))


def test_a_cool_change_is_not_taken_for_swapped_columns() -> None:
    table = _table()
    table["temperature_c"] = ["36", "38", "39", "40", "24", "22"]
    table["relative_humidity_percent"] = ["15", "12", "11", "10", "45", "50"]
    assert _read(table).steps == 6


def test_a_cool_dry_day_is_read_but_the_doubt_is_listed() -> None:
    table = _table()
    table["temperature_c"] = ["9", "11", "13", "14", "15", "15"]
    table["relative_humidity_percent"] = ["42", "40", "38", "37", "36", "36"]
    assert any("swapped" in line for line in _read(table).assumptions)


def test_swapped_wind_speed_and_direction() -> None:
    table = _table()
    del table["gust_km_h"]
    table["wind_speed_km_h"], table["wind_from_deg"] = ["315"] * 6, ["40"] * 6
    assert any("look swapped" in fault for fault in _refused(table))
    table["wind_speed_km_h"] = ["135"] * 6
    assert any("look swapped" in fault for fault in _refused(table))


def test_swapped_gust_and_mean_wind() -> None:
    table = _table()
    table["gust_km_h"], table["wind_speed_km_h"] = table["wind_speed_km_h"], table["gust_km_h"]
    faults = _refused(table)
    assert len(faults) == 6
    assert all("below the mean wind" in fault for fault in faults)


def test_humidity_as_a_fraction() -> None:
    table = _table()
    table["relative_humidity_percent"] = ["0.2", "0.15", "0.1", "0.1", "0.08", "0.1"]
    assert any("looks like a fraction" in fault for fault in _refused(table))


def test_gusts_are_kept_and_used_only_where_asked_for() -> None:
    kept, used = _read(_table()), _read(_table(), use_gusts=True)
    assert kept.gust_m_s is not None
    np.testing.assert_array_equal(used.wind_speed_m_s, kept.gust_m_s)
    assert any("gusts stand in" in line for line in used.assumptions)
    table = _table()
    del table["gust_km_h"]
    assert any("gusts are to be used" in fault for fault in _refused(table, use_gusts=True))


def test_missing_drought_and_curing_are_the_worst_and_listed() -> None:
    weather = _read(_table(), drought_factor=None, curing_percent=None)
    assert weather.drought_factor.max() == weather.drought_factor.min() == 10.0
    assert weather.curing_percent.min() == 100.0
    assert sum("was given" in line for line in weather.assumptions) == 2
    table = _table() | {"drought_factor": ["7"] * 6, "curing_percent": ["80"] * 6}
    assert _read(table).drought_factor.max() == 7.0
    assert any("drought factor is 12" in fault for fault in _refused(_table(), drought_factor=12.0))


def test_columns_of_unequal_length_and_empty_tables() -> None:
    table = _table()
    table["gust_km_h"].pop()
    assert any("differ in length" in fault for fault in _refused(table))
    assert any("0 rows" in fault for fault in _refused({name: [] for name in _table()}))
    assert _refused({})


@settings(deadline=None, max_examples=50)
@given(
    st.lists(
        st.tuples(st.floats(-20.0, 55.0), st.floats(2.0, 100.0), st.floats(0.0, 100.0), st.floats(0.0, 360.0)),
        min_size=1,
        max_size=8,
    )
)
def test_km_h_and_m_s_give_the_same_weather(rows: list[tuple[float, float, float, float]]) -> None:
    base = {
        "time": [f"2026-01-17T{k:02d}:00:00Z" for k in range(len(rows))],
        "temperature_c": [repr(max(row[0], 26.0)) for row in rows],
        "relative_humidity_percent": [repr(row[1]) for row in rows],
        "wind_from_deg": [repr(max(row[3], 121.0)) for row in rows],
    }
    a = _read(base | {"wind_speed_km_h": [repr(row[2]) for row in rows]})
    b = _read(base | {"wind_speed_m_s": [repr(row[2] / 3.6) for row in rows]})
    np.testing.assert_allclose(a.wind_speed_m_s, b.wind_speed_m_s, rtol=1e-12)


def test_constant_weather_refuses_the_impossible_all_at_once() -> None:
    with pytest.raises(InputError) as caught:
        constant_weather(
            datetime(2026, 1, 17, tzinfo=UTC),
            air_temperature_c=314.0,
            relative_humidity_percent=-1.0,
            wind_speed_m_s=-2.0,
            wind_from_deg=float("nan"),
        )
    assert len(caught.value.faults) == 4
    with pytest.raises(InputError, match="offset"):
        constant_weather(
            datetime(2026, 1, 17),
            air_temperature_c=40.0,
            relative_humidity_percent=10.0,
            wind_speed_m_s=2.0,
            wind_from_deg=0.0,
        )


def test_rebased_counts_from_the_scenario_and_refuses_to_begin_before_the_weather() -> None:
    weather = _read(_table())
    noon = datetime(2026, 1, 17, 1, 30, tzinfo=UTC)  # 12:30 by the weather's clock
    later = rebased(weather, noon)
    assert later.time_s[:4].tolist() == [-12600.0, -9000.0, -5400.0, -1800.0]
    assert step_at(later, 0.0) == 3
    np.testing.assert_array_equal(local_hour(later), local_hour(weather))
    assert local_month(later).tolist() == [1] * 6
    with pytest.raises(InputError, match="after the scenario's start"):
        rebased(weather, datetime(2026, 1, 16, tzinfo=UTC))


def test_a_turned_and_stronger_wind() -> None:
    weather = _read(_table())
    member = perturbed(weather, wind_factor=1.5, wind_turn_deg=90.0)
    np.testing.assert_allclose(member.wind_speed_m_s, 1.5 * weather.wind_speed_m_s)
    assert member.wind_from_deg[0, 0] == 45.0
    east, north = wind_towards(member)
    # A wind from the north-east blows towards the south-west.
    assert east[0, 0] < 0.0
    assert north[0, 0] == pytest.approx(east[0, 0])
    assert weather.wind_from_deg[0, 0] == 315.0
    with pytest.raises(ValueError, match="wind_factor"):
        perturbed(weather, wind_factor=0.0)


def _field(values: Any, name: str | None, units: str | None, dims: tuple[str, ...] = ("time", "lat", "lon")) -> Any:
    attrs = {key: value for key, value in (("standard_name", name), ("units", units)) if value is not None}
    return (dims, values, attrs)


def _forecast(steps: int = 3, **changes: Any) -> xr.Dataset:
    lat, lon = np.linspace(-36.75, -36.45, 4), np.linspace(146.85, 147.25, 5)
    shape = (steps, lat.size, lon.size)
    fields: dict[str, Any] = {
        "t2m": _field(np.full(shape, 313.15) + np.arange(lon.size), "air_temperature", "K"),
        "rh": _field(np.full(shape, 0.1), "relative_humidity", "1"),
        "u10": _field(np.full(shape, 36.0), "eastward_wind", "km h-1"),
        "v10": _field(np.full(shape, 0.0), "northward_wind", "km h-1"),
    }
    fields.update(changes)
    time = np.datetime64("2026-01-17T01:00", "ns") + np.arange(steps) * np.timedelta64(1, "h")
    return xr.Dataset(
        {name: field for name, field in fields.items() if field is not None},
        {
            "time": time,
            "lat": ("lat", lat, {"standard_name": "latitude", "units": "degrees_north"}),
            "lon": ("lon", lon, {"standard_name": "longitude", "units": "degrees_east"}),
        },
    )


def test_a_gridded_forecast_gives_each_cell_its_nearest_point() -> None:
    weather = weather_from_dataset(_forecast(), grid=GRID, utc_offset_h=11.0, drought_factor=10.0, curing_percent=95.0)
    assert weather.place is not None
    assert weather.place.shape == GRID.shape
    # The grid reaches from longitude 147.0 to 147.03, so the third column of points (147.05) serves its east.
    assert weather.air_temperature_c[0, weather.place[5, -1]] == pytest.approx(42.0)
    assert weather.relative_humidity_percent[0, 0] == pytest.approx(10.0)
    assert weather.wind_speed_m_s[0, 0] == pytest.approx(10.0)
    assert weather.wind_from_deg[0, 0] == pytest.approx(270.0)
    assert weather.start.isoformat() == "2026-01-17T12:00:00+11:00"


def test_nearest_points_agree_with_great_circle_distances() -> None:
    wide = Grid(x_min_m=490_000.0, y_max_m=5_960_000.0, cell_m=2000.0, rows=8, cols=10, crs="EPSG:32755")
    weather = weather_from_dataset(_forecast(), grid=wide, utc_offset_h=11.0)
    import pyproj

    back = pyproj.Transformer.from_crs(wide.crs, "EPSG:4326", always_xy=True)
    geod = pyproj.Geod(ellps="WGS84")
    assert weather.place is not None
    lons = np.linspace(146.85, 147.25, 5)
    lats = np.linspace(-36.75, -36.45, 4)
    for row in range(wide.rows):
        for col in range(wide.cols):
            x, y = wide.x_min_m + (col + 0.5) * wide.cell_m, wide.y_max_m - (row + 0.5) * wide.cell_m
            lon, lat = back.transform(x, y)
            best = min(((geod.inv(lon, lat, a, b)[2], k) for b in lats for k, a in enumerate(lons)))
            # The temperature tells the column of the forecast point.
            got = weather.air_temperature_c[0, weather.place[row, col]] - 40.0
            assert got == pytest.approx(best[1], abs=1e-6)


def test_speed_and_direction_do_as_well_and_so_does_a_direction_towards() -> None:
    shape = (3, 4, 5)
    speed = _field(np.full(shape, 10.0), "wind_speed", "m s-1")
    from_ = _field(np.full(shape, 350.0), "wind_from_direction", "degree")
    to = _field(np.full(shape, 170.0), "wind_to_direction", "degree")
    for direction in (from_, to):
        ds = _forecast(u10=None, v10=None, ws=speed, wd=direction)
        assert weather_from_dataset(ds, grid=GRID).wind_from_deg[0, 0] == pytest.approx(350.0)


def test_local_time_comes_from_the_longitude_where_it_is_not_given() -> None:
    weather = weather_from_dataset(_forecast(), grid=GRID)
    assert weather.start.utcoffset() == timedelta(hours=10)
    assert any("UTC+10 h, from the longitude" in line for line in weather.assumptions)


def test_longitudes_beyond_180_are_the_same_places() -> None:
    grid = Grid(x_min_m=500_000.0, y_max_m=4_400_000.0, cell_m=100.0, rows=20, cols=30, crs="EPSG:32610")
    ds = _forecast().assign_coords(
        lat=("lat", np.linspace(39.5, 39.9, 4), {"standard_name": "latitude"}),
        lon=("lon", np.linspace(236.8, 237.2, 5), {"standard_name": "longitude"}),
    )
    assert weather_from_dataset(ds, grid=grid).places >= 1


def test_a_forecast_on_its_own_projection() -> None:
    import pyproj

    x = np.arange(495_000.0, 510_000.0, 2500.0)
    y = np.arange(5_940_000.0, 5_955_000.0, 2500.0)
    shape = (2, y.size, x.size)
    dims = ("time", "y", "x")
    ds = xr.Dataset(
        {
            "t": _field(np.full(shape, 40.0), "air_temperature", "degC", dims),
            "r": _field(np.full(shape, 10.0), "relative_humidity", "%", dims),
            "u": _field(np.full(shape, 5.0), "eastward_wind", "m s-1", dims),
            "v": _field(np.full(shape, 5.0), "northward_wind", "m s-1", dims),
            "crs": ((), 0, {"crs_wkt": pyproj.CRS("EPSG:32755").to_wkt()}),
        },
        {
            "time": np.array(["2026-01-17T01", "2026-01-17T02"], dtype="datetime64[ns]"),
            "y": ("y", y, {"standard_name": "projection_y_coordinate"}),
            "x": ("x", x, {"standard_name": "projection_x_coordinate"}),
        },
    )
    weather = weather_from_dataset(ds, grid=GRID)
    assert weather.wind_from_deg[0, 0] == pytest.approx(225.0)
    assert weather.places > 1
    with pytest.raises(InputError, match="places are not given"):
        weather_from_dataset(ds.drop_vars("crs"), grid=GRID)


def _forecast_faults(ds: xr.Dataset, **options: Any) -> list[str]:
    with pytest.raises(InputError) as caught:
        weather_from_dataset(ds, grid=GRID, **options)
    return [str(fault) for fault in caught.value.faults]


def test_forecast_faults_are_told_at_once() -> None:
    shape = (3, 4, 5)
    ds = _forecast(
        t2m=_field(np.full(shape, 40.0), "air_temperature", None),
        rh=_field(np.full(shape, 10.0), None, "%"),
        u10=_field(np.full(shape, 5.0), "eastward_wind", "furlong fortnight-1"),
    )
    faults = _forecast_faults(ds, drought_factor=11.0)
    assert any("air_temperature: it has no attribute units" in fault for fault in faults)
    assert any("no variable has the standard_name relative_humidity" in fault for fault in faults)
    assert any("furlong" in fault for fault in faults)
    assert any("drought factor" in fault for fault in faults)
    assert any("no complete wind" in fault for fault in _forecast_faults(_forecast(u10=None)))


def test_impossible_and_missing_forecast_values_are_placed() -> None:
    values = np.full((3, 4, 5), 40.0)
    values[1] = np.nan
    faults = _forecast_faults(_forecast(t2m=_field(values, "air_temperature", "degC")))
    assert len(faults) == 1
    assert "air_temperature, step 2, point" in faults[0]
    assert "there is no value" in faults[0]
    kelvin = _forecast(t2m=_field(np.full((3, 4, 5), 313.0), "air_temperature", "degC"))
    assert any("looks like kelvin" in fault for fault in _forecast_faults(kelvin))
    humid = _forecast(rh=_field(np.full((3, 4, 5), 130.0), "relative_humidity", "%"))
    assert any("130 %" in fault for fault in _forecast_faults(humid))


def test_a_forecast_that_does_not_reach_over_the_grid_is_refused() -> None:
    ds = _forecast()
    far = ds.assign_coords(lon=("lon", ds["lon"].values + 2.0, ds["lon"].attrs))
    assert any("more than a forecast spacing away" in fault for fault in _forecast_faults(far))


def test_a_gap_between_the_steps_of_a_forecast_is_refused() -> None:
    ds = _forecast(6).isel(time=[0, 1, 2, 5])
    assert any("gap of 3 h" in fault for fault in _forecast_faults(ds))


def test_weather_of_unequal_shapes_can_not_be_made() -> None:
    weather = _read(_table())
    fields = dict(weather.__dict__)
    with pytest.raises(ValueError, match="shape"):
        Weather(**fields | {"wind_from_deg": np.zeros((2, 1))})
    with pytest.raises(ValueError, match="not finite"):
        Weather(**fields | {"wind_from_deg": np.full((6, 1), np.nan)})
    with pytest.raises(ValueError, match="offset"):
        Weather(**fields | {"start": datetime(2026, 1, 17)})


@given(st.floats(-6.0 * 3600.0, 6.0 * 3600.0), st.integers(1, 30))
@settings(deadline=None)
def test_weather_that_comes_sooner_or_later_covers_all_that_was_forecast(shift_s: float, hours: int) -> None:
    """Every step moves, but the first never begins later than it did; the sun keeps its hours."""
    weather = _still(hours)
    member = shifted(weather, shift_s)
    assert np.array_equal(member.time_s[1:], weather.time_s[1:] + shift_s) or hours == 1
    assert member.time_s[0] == min(weather.time_s[0], weather.time_s[0] + shift_s)
    assert (member.start, member.assumptions) == (weather.start, weather.assumptions)
    with pytest.raises(ValueError, match="can't be taken"):
        shifted(weather, float("nan"))


def _still(hours: int) -> Weather:
    return constant_weather(
        datetime(2026, 1, 17, 3, tzinfo=UTC),
        hours=hours,
        air_temperature_c=40.0,
        relative_humidity_percent=10.0,
        wind_speed_m_s=10.0,
        wind_from_deg=350.0,
    )
