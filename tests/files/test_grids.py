"""Ground and weather through the door: what is wrong in a file is named where it stands, the rest is read right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
import xarray as xr
from geopandas import GeoDataFrame
from numpy.typing import NDArray
from scipy.io import netcdf_file

from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_terrain, read_weather
from leaveby.fire.terrain import Grid

GRID = Grid(x_min_m=600_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=4, cols=4, crs="EPSG:32755")
CODES = np.array([[1, 1, 2, 2]] * 4, dtype=np.int16)


@pytest.fixture
def raster(tmp_path: Path) -> Path:
    return write_raster(tmp_path / "fuel.tif", CODES)


def write_raster(path: Path, values: NDArray[np.int16], *, crs: str = GRID.crs) -> Path:
    transform = rasterio.Affine(GRID.cell_m, 0.0, GRID.x_min_m, 0.0, -GRID.cell_m, GRID.y_max_m)
    with rasterio.open(
        path, "w", driver="GTiff", height=4, width=4, count=1, dtype="int16", crs=crs, transform=transform
    ) as target:
        target.write(values, 1)
    return path


def text_file(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refused(reader: object, *args: object, **named: object) -> list[str]:
    with pytest.raises(InputError) as caught:
        reader(*args, **named)  # type: ignore[operator]
    return [str(fault) for fault in caught.value.faults]


# --- the legend ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("again", ["1", "01", "1.0", " 1 ", "+1", "1e0"])
def test_a_code_twice_in_the_legend_is_named_with_both_rows(tmp_path: Path, raster: Path, again: str) -> None:
    legend = text_file(tmp_path, "legend.csv", f"value,fuel_type\n1,heath\n2,water\n{again},natural grassland\n")
    (fault,) = refused(read_fuel, GRID, raster, legend=legend)
    assert f"legend.csv row 4: {again.strip()!r} is the value of row 2 once more" in fault
    assert "remove row 2 or row 4" in fault


@pytest.mark.parametrize(("written", "code"), [("1", 1), ("01", 1), ("1.0", 1), (" 1", 1), ("2.00", 2)])
def test_a_code_may_be_written_as_a_spreadsheet_writes_it(
    tmp_path: Path, raster: Path, written: str, code: int
) -> None:
    other = 3 - code
    legend = text_file(tmp_path, "legend.csv", f"# codes\nvalue,fuel_type\n\n{written},heath\n{other},water\n")
    fuel = read_fuel(GRID, raster, legend=legend)
    names = np.array([kind.name for kind in fuel.types])[fuel.code]
    assert ((names == "heath") == (code == CODES)).all()


@pytest.mark.parametrize("code", ["1.5", "one", "", "nan", "inf", "1_0"])
def test_what_is_no_code_is_named_with_its_row(tmp_path: Path, raster: Path, code: str) -> None:
    legend = text_file(tmp_path, "legend.csv", f"value,fuel_type\n1,heath\n2,water\n{code},shrubland\n")
    (fault,) = refused(read_fuel, GRID, raster, legend=legend)
    assert f"row 4: {code!r} is no code" in fault


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("value;fuel_type\n1;heath\n2;water\n", ["row 1", "semicolons", "commas between the columns"]),
        ("value\tfuel_type\n1\theath\n", ["row 1", "tabs"]),
        ("value,fuel_type,value\n1,heath,2\n", ["has the column 'value' twice"]),
        ("value,fuel_type\n1,heath\n2\n", ["row 3", "has 1 values"]),
        ("value,fuel_type\n1,heath\n2,\n", ["row 3", "no fuel type"]),
        ("code,fuel_type\n1,heath\n", ["lacks the column value"]),
        ("\n", ["is empty"]),
    ],
)
def test_a_legend_in_another_form_is_named(tmp_path: Path, raster: Path, text: str, said: list[str]) -> None:
    (fault,) = refused(read_fuel, GRID, raster, legend=text_file(tmp_path, "legend.csv", text))
    for words in said:
        assert words in fault


def polygons(path: Path, classes: list[object]) -> Path:
    boxes = [
        shapely.box(GRID.x_min_m + 100 * k, GRID.y_max_m - 400, GRID.x_min_m + 100 * (k + 1), GRID.y_max_m)
        for k in range(len(classes))
    ]
    GeoDataFrame({"c": classes}, geometry=boxes, crs=GRID.crs).to_file(path, driver="GPKG")
    return path


@pytest.mark.parametrize(("first", "again"), [("Heath", "heath"), ("heath_land", " heath-land"), ("7", "07.0")])
def test_a_class_of_polygons_twice_in_the_legend_is_named(tmp_path: Path, first: str, again: str) -> None:
    layer = polygons(tmp_path / "fuel.gpkg", ["heath"] * 4)
    legend = text_file(tmp_path, "legend.csv", f"value,fuel_type\n{first},heath\n{again},water\n")
    (fault,) = refused(read_fuel, GRID, layer, legend=legend, column="c")
    assert f"row 3: {again.strip()!r} is the value of row 2 once more" in fault


def test_numbers_of_a_column_with_gaps_are_found_in_the_legend(tmp_path: Path) -> None:
    """A column of whole numbers with a gap is read as 7.0, 8.0: the same classes as 7 and 8."""
    layer = polygons(tmp_path / "fuel.gpkg", [7.0, 8.0, None, 7.0])
    legend = text_file(tmp_path, "legend.csv", "value,fuel_type\n7,heath\n8,water\n")
    fuel = read_fuel(GRID, layer, legend=legend, column="c")
    row = [fuel.types[code].name for code in fuel.code[0]]
    assert [row[0], row[1], row[3]] == ["heath", "water", "heath"]
    assert any("1 fuel polygons have an unknown class (None)" in line for line in fuel.assumptions)


# --- the terrain --------------------------------------------------------------------------------------------------


def test_a_place_off_the_terrain_is_told_how_it_was_meant(tmp_path: Path) -> None:
    """All places of a plan without the minus sign lie together: only the terrain tells."""
    terrain = write_raster(tmp_path / "terrain.tif", np.full((4, 4), 300, dtype=np.int16))
    with rasterio.open(terrain) as source:
        west, south, east, north = rasterio.warp.transform_bounds(source.crs, "EPSG:4326", *source.bounds)
    lon, lat = round((west + east) / 2, 4), round((south + north) / 2, 4)
    assert lat < 0
    (fault,) = refused(read_terrain, terrain, {"home": (lon, -lat), "oval": (lon, lat)})
    assert f"write {lat} instead of {-lat} for the latitude" in fault
    (fault,) = refused(read_terrain, terrain, {"oval": (lon, lat), "home": (lat, lon)})
    assert f"exchanged: write longitude {lon} and latitude {lat}" in fault
    (fault,) = refused(read_terrain, terrain, {"home": (lon + 1, lat)})
    assert "correct the place, or give a terrain raster that covers it" in fault


# --- weather tables -----------------------------------------------------------------------------------------------

HEADER = "time,temperature_c,relative_humidity_percent,wind_speed_km_h,wind_from_deg"


def table(*rows: str, header: str = HEADER) -> str:
    return "\n".join([header, *rows]) + "\n"


GOOD = [f"2026-01-17T{hour}:00:00+11:00,38,12,36,315" for hour in (12, 13, 14)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (table(*GOOD).replace(",", ";"), ["row 1", "semicolons", "decimal points"]),
        (table(*GOOD).replace(",", ";").replace("38", "38,5"), ["row 1", "semicolons", "decimal commas"]),
        (table(*GOOD).replace(",", "\t"), ["row 1", "tabs"]),
        (table(GOOD[0], GOOD[1].replace("38", "38,5"), GOOD[2]), ["row 3", "has 6 values", "decimal points"]),
        (table(GOOD[0], GOOD[1].replace("38", '"38,5"'), GOOD[2]), ["row 3", "'38,5' is not a number", "point"]),
        (
            table(*(f"{row},40" for row in GOOD), header=f"{HEADER},temperature_c"),
            ["has the column 'temperature_c' twice"],
        ),
        (table(*(f"{row},40" for row in GOOD), header=f"{HEADER},temperature_k"), ["the same as temperature_c"]),
        (table(*(f"{row},x" for row in GOOD), header=f"{HEADER}, time"), ["has the column 'time' twice"]),
        (table(GOOD[0], GOOD[1], GOOD[1], GOOD[2]), ["row 4", "stands there twice", "remove one of the two rows"]),
        (table(GOOD[0], GOOD[2], GOOD[1]), ["row 4", "not later than the time before it", "sort the rows"]),
        (table(GOOD[0], GOOD[1].replace("38", ""), GOOD[2]), ["row 3", "column temperature_c", "is empty"]),
        (table(GOOD[0], ",38,12,36,315", GOOD[2]), ["row 3", "column time", "is not a time"]),
    ],
)
def test_a_weather_table_in_another_form_is_named(tmp_path: Path, text: str, said: list[str]) -> None:
    faults = refused(read_weather, text_file(tmp_path, "weather.csv", text), GRID)
    for words in said:
        assert words in faults[0]


@pytest.mark.parametrize("fill_gaps", [False, True])
@pytest.mark.parametrize(
    ("offsets", "row"),
    [
        (("+10:00", "+11:00", "+11:00", "+11:00"), 3),
        (("+11:00", "+11:00", "+10:00", "+11:00"), 5),
        (("+11:00", "+11:00", "+10:00", "+10:00"), 4),  # Never mended by filling the gap.
        (("+11:00", "+11:00", "+11:00", "-11:00"), 5),
        (("+11:00", "+12:00", "+11:00", "+11:00"), 3),
    ],
)
def test_an_offset_that_does_not_go_with_the_clock_is_named(
    tmp_path: Path, offsets: tuple[str, ...], row: int, fill_gaps: bool
) -> None:
    rows = [f"2026-01-17T{12 + k}:00:00{offset},38,12,36,315" for k, offset in enumerate(offsets)]
    faults = refused(read_weather, text_file(tmp_path, "weather.csv", table(*rows)), GRID, fill_gaps=fill_gaps)
    assert f"row {row}, column time" in faults[0]
    assert "correct the offset from UTC; the time before it is 2026-01-17T" in faults[0]


def test_clocks_that_are_put_back_in_the_night_are_read_right(tmp_path: Path) -> None:
    """Eastern Australia, 5 April 2026: 03:00 daylight time is 02:00 standard time (tz database, from memory)."""
    hours = ["01:00:00+11:00", "02:00:00+11:00", "02:00:00+10:00", "03:00:00+10:00"]
    rows = [f"2026-04-05T{hour},38,12,36,315" for hour in hours]
    weather = read_weather(text_file(tmp_path, "weather.csv", table(*rows)), GRID)
    assert weather.time_s.tolist() == [0.0, 3600.0, 7200.0, 10800.0]


# --- forecasts ----------------------------------------------------------------------------------------------------


def forecast() -> xr.Dataset:
    """Three steps, one place; values that differ in time, so that a shifted axis shows."""
    times = np.array(["2026-01-17T02", "2026-01-17T03", "2026-01-17T04"], dtype="datetime64[ns]")

    def field(values: list[float], name: str, units: str) -> tuple[tuple[str, ...], list[float], dict[str, str]]:
        return ("time",), values, {"standard_name": name, "units": units}

    return xr.Dataset(
        {
            "t2m": field([310.15, 311.15, 312.15], "air_temperature", "K"),
            "rh": field([15.0, 12.0, 9.0], "relative_humidity", "%"),
            "u10": field([10.0, 12.0, 14.0], "eastward_wind", "m s-1"),
            "v10": field([0.0, 0.0, 0.0], "northward_wind", "m s-1"),
        },
        coords={"time": times},
    )


@pytest.mark.parametrize("form", ["NETCDF4", "NETCDF4_CLASSIC", "NETCDF3_CLASSIC", "NETCDF3_64BIT"])
@pytest.mark.parametrize("ending", [".nc", ".nc4", ".cdf"])
def test_a_forecast_is_read_in_every_form_of_netcdf(tmp_path: Path, form: str, ending: str) -> None:
    path = tmp_path / f"forecast{ending}"
    if form.startswith("NETCDF4"):
        forecast().to_netcdf(path, engine="h5netcdf")
        assert (
            path.read_bytes()[:8] == b"\x89HDF\r\n\x1a\n"
        )  # NetCDF 4 is an HDF5 file (signature: HDF5 specification).
    else:
        forecast().to_netcdf(path, engine="scipy", format=form)
        assert path.read_bytes()[:3] == b"CDF"  # The classic forms (NetCDF file format specification).
    weather = read_weather(path, GRID, drought_factor=10.0)
    assert weather.time_s.tolist() == [0.0, 3600.0, 7200.0]
    assert weather.air_temperature_c.ravel() == pytest.approx([37.0, 38.0, 39.0], abs=1e-6)
    assert weather.wind_speed_m_s.ravel().tolist() == [10.0, 12.0, 14.0]
    assert weather.wind_from_deg.ravel().tolist() == [270.0] * 3
    assert weather.start.isoformat() == "2026-01-17T12:00:00+10:00"


def test_a_classic_file_of_another_library_is_read(tmp_path: Path) -> None:
    """Written field by field with scipy, without xarray: hours since a date, as forecasts are handed out."""
    path = tmp_path / "plain.nc"
    with netcdf_file(path, "w") as made:
        made.createDimension("time", 2)
        for name, values, attributes in (
            ("time", [0, 1], {"units": b"hours since 2026-01-17 02:00:00", "standard_name": b"time"}),
            ("t", [310.15, 312.15], {"units": b"K", "standard_name": b"air_temperature"}),
            ("r", [15.0, 12.0], {"units": b"%", "standard_name": b"relative_humidity"}),
            ("w", [10.0, 12.0], {"units": b"m s-1", "standard_name": b"wind_speed"}),
            ("d", [270.0, 280.0], {"units": b"degree", "standard_name": b"wind_from_direction"}),
        ):
            variable = made.createVariable(name, "d", ("time",))
            variable[:] = values
            for key, value in attributes.items():
                setattr(variable, key, value)
    weather = read_weather(path, GRID)
    assert weather.time_s.tolist() == [0.0, 3600.0]
    assert weather.wind_from_deg.ravel().tolist() == [270.0, 280.0]


@pytest.mark.parametrize("held", [b"", b"no forecast", b"\x89HDF\r\n\x1a\nbroken", b"CDF\x01broken"])
def test_what_is_no_forecast_is_named(tmp_path: Path, held: bytes) -> None:
    path = tmp_path / "forecast.nc"
    path.write_bytes(held)
    (fault,) = refused(read_weather, path, GRID)
    assert "forecast.nc can't be read as NetCDF" in fault.replace(": ", " ")
