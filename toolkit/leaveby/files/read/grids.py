"""The door for ground and weather: terrain rasters, fuel rasters and polygons, weather tables and forecasts.

Everything is brought onto one north-up grid of square cells in a projected reference system. What had to be filled,
resampled or coarsened on the way is listed, never done in silence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pyproj
import rasterio.fill
import rasterio.warp
from numpy.typing import NDArray
from rasterio.enums import Resampling
from scipy import ndimage

from leaveby.errors import Faults, InputError, refuse, refused
from leaveby.files.read.guard import guarded, guarded_layer, regular, rows_of, text_of
from leaveby.files.read.legends import LEGENDS, fitting_raster, legend_rows
from leaveby.files.read.rasters import (
    Raster,
    metric_crs,
    onto,
    opened,
    project,
    refuse_points_off,
    tile_of,
)
from leaveby.files.read.station import FORECASTS, OWN, Station, in_our_words, likely, read_sheet
from leaveby.fire.fuel.types import plain_name
from leaveby.fire.fuel.zones import FuelMap, fuel_from_codes, fuel_from_polygons, uniform_fuel
from leaveby.fire.terrain import Grid, Terrain, gradients
from leaveby.fire.weather.forecast import weather_from_dataset
from leaveby.fire.weather.series import Weather
from leaveby.fire.weather.table import weather_from_table
from leaveby.household.plan_document import meant
from leaveby.parameters import HIGHEST_GROUND_M, LARGEST_GAP_M, LOWEST_GROUND_M, STEEPEST_GROUND_SHARE
from leaveby.roads.network.graph import utm_crs

MOST_CELLS = 40_000
"""Cells of the analysis grid when the plan does not set the cell: hundreds of fires are solved on it."""

MOST_GIVEN_CELLS = 500_000
"""Cells above which a plan's own cell is refused: 250 fires on them fill a gigabyte."""

SMALLEST_CELL_M = 20.0
AREA_BUFFER_M = 3_000.0
LEVEL = (
    "NO SLOPES ARE COUNTED: the ground is taken as level (terrain.flat). Fire runs about twice as fast up every 10 "
    "degrees of slope, so that where the ground is not level all times here are too late: give heights, terrain.file."
)
"""Doubling within 10 degrees: McArthur's rule, as in `leaveby.fire.spread.equations`."""

LARGEST_VOID_SHARE = 0.2
MOST_FORECAST_BYTES = 1_000_000_000
_CLIFF = float(np.tan(np.radians(60.0)))
_FEET = {"ft": 0.3048, "foot": 0.3048, "feet": 0.3048, "us survey foot": 1200.0 / 3937.0}
"""Metres in the units of height that rasters name: the international foot, and that of United States surveys."""


@dataclass(frozen=True)
class Ground:
    """Terrain as read, with what was taken for granted on the way."""

    terrain: Terrain
    assumptions: tuple[str, ...]


def read_terrain(
    path: Path | Sequence[Path] | None,
    points: Mapping[str, tuple[float, float]],
    *,
    cell_m: float | None = None,
    key: str = "terrain.file",
    crs: str | None = None,
    around_m: float = AREA_BUFFER_M,
    at_most: int | None = None,
) -> Ground:
    """Read terrain rasters onto a grid: all named points and some ground around them, as far as the rasters go.

    - `path`: a raster in one of the forms of `rasters.DRIVERS` with a reference system, or several side by side (the
      first counts where they overlap); heights in metres. None: level ground.
    - `points`: longitude and latitude of what must lie on the terrain: the home, the safe points, the ignitions.
    - `cell_m`: of the grid; left out, the raster's own, coarsened to keep to `MOST_CELLS`, or to `at_most`.
    - `key`: where the file is named, for messages.
    - `crs`: of the grid, projected with metre axes; left out, the raster's own where its lengths and its north are
      true at the first point, or the UTM zone of that point.
    - `around_m`, `at_most`: ground that is read around the points; cells above which a `cell_m` is refused.

    Raises InputError with every point that lies off the terrain or on a void too large to fill, a raster without a
    reference system or that can't be read, or a cell too large or too small for the area.
    """
    if path is None:
        return _level(points, cell_m=cell_m, crs=crs, around_m=around_m, at_most=at_most)
    with opened(path, key, "write the reference system into it, with gdal_edit -a_srs for example") as raster:
        crs = crs or metric_crs(raster, next(iter(points.values())))
        x_m, y_m = project(points, crs=crs)
        refuse_points_off(raster, points, key=key)
        own_m = raster.own_cell_m(crs)
        west, south, east, north = _area(raster, x_m, y_m=y_m, crs=crs, around_m=around_m)
        notes: list[str] = []
        if cell_m is None:
            cell_m = max(
                own_m, SMALLEST_CELL_M, float(np.sqrt((east - west) * (north - south) / (at_most or MOST_CELLS)))
            )
            if cell_m > 1.05 * own_m:
                notes.append(f"The terrain was coarsened from cells of {own_m:.0f} m to {cell_m:.0f} m.")
        elif cell_m < own_m / 1.5:
            notes.append(f"The terrain has cells of {own_m:.0f} m; cells of {cell_m:.0f} m add no detail to it.")
        grid = _grid(west, south, east=east, north=north, cell_m=cell_m, crs=crs, key=key, at_most=at_most)
        how = Resampling.average if grid.cell_m > 1.5 * own_m else Resampling.bilinear
        elevation = onto(grid, raster, missing=np.nan, how=how, lowest=LOWEST_GROUND_M.value)
        foot_m, files = _foot_m(raster), raster.name
    if foot_m is not None:
        elevation *= foot_m
        notes.append(f"The heights of {files} are in feet, as the file says, and were turned to metres.")
    terrain = Terrain(grid, _filled(grid, elevation, key=key, files=files, notes=notes))
    _refuse_implausible(terrain, key=key, files=files)
    return Ground(terrain, tuple(notes))


def _foot_m(raster: Raster) -> float | None:
    """Metres in the unit of the heights where a raster says that they are in feet."""
    source = raster.sources[0]
    axes = pyproj.CRS.from_wkt(source.crs.to_wkt()).axis_info
    up = [axis.unit_name for axis in axes if axis.direction == "up"]
    return next((_FEET[unit.lower()] for unit in (*source.units, *up) if unit and unit.lower() in _FEET), None)


def _filled(
    grid: Grid, elevation: NDArray[np.float64], *, key: str, files: str, notes: list[str]
) -> NDArray[np.float64]:
    """Fill voids from the heights around them, sea from nothing, and note both; refuse what is too large (InputError).

    A void that only heights of 0 m border is a tile of sea, which world-wide models leave out.
    """
    void = ~np.isfinite(elevation)
    if not void.any():
        return elevation
    filled = np.where(void, 0.0, elevation)
    gap_m = 2.0 * grid.cell_m * ndimage.distance_transform_edt(void) if not void.all() else np.full(void.shape, np.inf)
    number, count = ndimage.label(void, structure=np.ones((3, 3)))
    widest_m = np.asarray(ndimage.maximum(gap_m, number, range(1, count + 1)))
    wide = [one for one in range(1, count + 1) if widest_m[one - 1] > LARGEST_GAP_M.value]
    for one in wide:
        rim = ndimage.binary_dilation(number == one, np.ones((3, 3))) & ~void
        if rim.any() and not elevation[rim].any():
            void &= number != one
            notes.append(
                f"{int((number == one).sum())} terrain cells without elevation that only sea (0 m) borders were taken "
                "for sea: if there is land, its slopes are missing."
            )
    if not void.any():
        return filled
    gap_m[~void] = 0.0
    row, col = np.unravel_index(int(gap_m.argmax()), gap_m.shape)
    lon, lat = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(
        grid.x_m[col], grid.y_m[row]
    )
    tile, share = tile_of(lon, lat), 100.0 * void.mean()
    if share > 100.0 * LARGEST_VOID_SHARE:
        most = 100.0 * LARGEST_VOID_SHARE
        raise refused(key, "terrain_of_voids", share=share, most=most, path=files, lat=lat, lon=lon, tile=tile)
    if gap_m.max() > LARGEST_GAP_M.value:
        wide_m, most_m = gap_m.max(), LARGEST_GAP_M.value
        raise refused(key, "terrain_gap", wide_m=wide_m, most_m=most_m, path=files, lat=lat, lon=lon, tile=tile)
    notes.append(
        f"{int(void.sum())} of {void.size} terrain cells had no elevation and were filled from those around them; the "
        f"largest gap is {gap_m.max():.0f} m wide."
    )
    from_around = rasterio.fill.fillnodata(filled.astype(np.float32), mask=~void, max_search_distance=max(void.shape))
    return np.where(void, from_around, filled)


def plausible_heights(band: NDArray[np.float64], *, key: str, files: str) -> NDArray[np.float64]:
    """Heights with NaN for what is too low for any ground, and so marks a void; InputError for what is too high."""
    highest = float(np.nanmax(band, initial=-np.inf))
    if highest > HIGHEST_GROUND_M.value:
        raise refused(key, "heights_of_no_ground", path=files, highest=highest, most=HIGHEST_GROUND_M.value)
    return np.where(band < LOWEST_GROUND_M.value, np.nan, band)


def _refuse_implausible(terrain: Terrain, *, key: str, files: str) -> None:
    """Refuse heights that no ground has, or slopes: they are in another unit."""
    highest = float(terrain.elevation_m.max())
    steep = float((np.hypot(*gradients(terrain)) > _CLIFF).mean())
    if highest > HIGHEST_GROUND_M.value or steep > STEEPEST_GROUND_SHARE.value:
        raise refused(key, "heights_of_other_unit", path=files, highest=highest, share=100.0 * steep)


def _level(
    points: Mapping[str, tuple[float, float]],
    *,
    cell_m: float | None,
    crs: str | None,
    around_m: float,
    at_most: int | None,
) -> Ground:
    lon_deg, lat_deg = next(iter(points.values()))
    crs = crs or utm_crs(lon_deg, lat_deg=lat_deg)
    x_m, y_m = project(points, crs=crs)
    west, east = float(x_m.min()) - around_m, float(x_m.max()) + around_m
    south, north = float(y_m.min()) - around_m, float(y_m.max()) + around_m
    cell_m = cell_m or max(SMALLEST_CELL_M, float(np.sqrt((east - west) * (north - south) / (at_most or MOST_CELLS))))
    grid = _grid(west, south, east=east, north=north, cell_m=cell_m, crs=crs, key="terrain", at_most=at_most)
    return Ground(Terrain(grid, np.zeros(grid.shape)), (LEVEL,))


def _area(
    raster: Raster, x_m: NDArray[np.float64], *, y_m: NDArray[np.float64], crs: str, around_m: float
) -> tuple[float, float, float, float]:
    # Turned corners of the raster's outline leave slivers without elevation: they are filled and counted as voids.
    west, south, east, north = rasterio.warp.transform_bounds(raster.crs, crs, *raster.bounds)
    return (
        max(float(x_m.min()) - around_m, west),
        max(float(y_m.min()) - around_m, south),
        min(float(x_m.max()) + around_m, east),
        min(float(y_m.max()) + around_m, north),
    )


def _grid(
    west: float, south: float, *, east: float, north: float, cell_m: float, crs: str, key: str, at_most: int | None
) -> Grid:
    cols, rows = int(np.floor((east - west) / cell_m)), int(np.floor((north - south) / cell_m))
    few, at_most = cols < 2 or rows < 2, at_most or MOST_GIVEN_CELLS
    fits_m = float(np.sqrt((east - west) * (north - south) / at_most))
    if few or cols * rows > at_most:
        raise refused(
            key,
            "cells_that_fit_not",
            cell_m=cell_m,
            make="leave" if few else "make",
            cols=cols,
            rows=rows,
            wanted="at least 2 x 2" if few else f"at most {at_most:,} in all",
            mend=f"give a {'smaller' if few else 'larger'} {key.partition('.')[0]}.cell_m"
            + ("" if few else f", {np.ceil(fits_m):g} or more"),
        )
    return Grid(x_min_m=west, y_max_m=north, cell_m=cell_m, rows=rows, cols=cols, crs=crs)


def read_fuel(
    grid: Grid,
    path: Path | None,
    *,
    legend: Path | None = None,
    column: str | None = None,
    one_type: str | None = None,
    keys: str = "fuel.",
    country: str = "",
) -> FuelMap:
    """Read the fuel onto the grid: a raster with its legend, polygons with a column, or one type for all.

    The legend is a CSV with the columns `value,fuel_type`, or one of the words `legends.LEGENDS` for a known map, some
    classes of which burn otherwise in a `country`. It is needed for a raster and allowed for polygons, of which the
    column names the fuel or the land cover. `keys` is what the plan's keys of the fuel begin with, for messages. Raises
    InputError with every fault of the legend, the codes and the polygons.
    """
    if path is None:
        if one_type is None:
            raise refused(keys.rstrip("._"), "no_fuel_said")
        return uniform_fuel(grid, one_type)
    if column is not None:
        names = None if legend is None else _read_legend(legend, codes=False, keys=keys, country=country)
        return _read_polygons(grid, path, column=column, names=names, keys=keys)
    if legend is None:
        mend = "name the legend, or `column` if the file holds polygons"
        raise refused(f"{keys}legend", "codes_without_legend", path=path, mend=_meant(fitting_raster(path), mend))
    return _read_codes(grid, path, legend=legend, keys=keys, country=country)


def _meant(maps: Sequence[str], otherwise: str) -> str:
    """How to mend a legend by the known maps that a raster can be."""
    words = " or ".join(f'legend = "{one}"' for one in maps)
    if len(maps) == 1:
        return f"write {words}, the one known map that has all its codes; or {otherwise}"
    return f"write {words}, whichever map it is, for its codes are in each; or {otherwise}" if maps else otherwise


def _read_legend(path: Path, *, codes: bool, keys: str, country: str) -> dict[str, str]:
    """Read what each value stands for; with `codes`, whole numbers only."""
    if str(path) in LEGENDS:
        return {row["value"]: row["fuel_type"] for row in legend_rows(str(path), country)}
    where = f"{keys}legend {path}"
    columns, rows = _read_table(path, where=where)
    missing = {"value", "fuel_type"} - set(columns)
    if missing:
        raise refused(where, "legend_lacks_column", missing=", ".join(sorted(missing)))
    faults = Faults()
    first: dict[str, int] = {}
    names: dict[str, str] = {}
    for row, written, fuel in zip(rows, columns["value"], columns["fuel_type"], strict=True):
        place, value = f"{where} row {row}", _whole(written)
        a_code = value.removeprefix("-").isdecimal() and len(value) < 12
        if codes and not a_code:
            faults.add(place, f"{written.strip()!r} is no code", "a whole number", "write the raster's code")
        elif not value:
            faults.add(place, "it has no value", "a class of the polygons", "write it, or remove the row")
        if not fuel.strip():
            faults.add(place, "it has no fuel type", "one for each value", "write it, or remove the row")
        # Classes are told apart without capitals, spaces and underscores, as `fuel_from_polygons` does.
        same = value if a_code else plain_name(value)
        if same in first:
            again = f"{written.strip()!r} is the value of row {first[same]} once more"
            faults.add(place, again, "each value once", f"remove row {first[same]} or row {row}")
        elif value:
            first[same] = row
        names[value] = fuel.strip()
    faults.refuse()
    return names


def _whole(text: str) -> str:
    """Give one form to a whole number, which may be written 1, 01 or 1.0; anything else stays as it is."""
    try:
        number = float(text.replace("_", " "))
    except ValueError:
        return text.strip()
    return f"{number:.0f}" if number.is_integer() else text.strip()


def read_starts(path: Path, grid: Grid, *, key: str = "rules.starts_file") -> NDArray[np.float64]:
    """Read how likely fires start in each cell of a grid, in any unit; 0 where the raster says nothing.

    `key` names it. Raises InputError where it can't be read, holds a value below 0, or says of no cell that fires
    start there.
    """
    where = f"{key} {path}"
    with opened(path, key, "write the reference system into it") as raster:
        weight = onto(grid, raster, missing=np.nan, how=Resampling.average)
    weight = np.where(np.isfinite(weight), weight, 0.0)
    if float(weight.min()) < 0.0 or not bool(np.any(weight > 0.0)):
        raise refused(where, "starts_below_nothing", least=float(weight.min()))
    return weight


def _read_codes(grid: Grid, path: Path, *, legend: Path, keys: str, country: str) -> FuelMap:
    read = _read_legend(legend, codes=True, keys=keys, country=country)
    names = {int(value): fuel for value, fuel in read.items()}
    missing = -9999.0
    with opened(path, f"{keys}file", "write the reference system into it") as raster:
        codes = onto(grid, raster, missing=missing, how=Resampling.nearest)
    if bool(np.all(codes == missing)):
        raise refused(f"{keys}file", "fuel_misses_ground", path=path)
    strange = {float(code) for code in np.unique(codes)} - {missing, *names}
    if strange and str(legend) in LEGENDS:
        # one fault, not one for each of many codes: the map is another than was said
        listed = ", ".join(f"{code:g}" for code in sorted(strange)[:5]) + (" ..." if len(strange) > 5 else "")
        otherwise = "make a table with the columns value,fuel_type and name it; what holds no value is to be nodata"
        mend = _meant(fitting_raster(path), otherwise)
        raise refused(f"{keys}legend", "codes_of_another_map", map=legend, path=path, codes=listed, mend=mend)
    made = fuel_from_codes(grid, codes, legend=names, where=f"{keys}file {path}", nodata=missing)
    if str(legend) not in LEGENDS:
        return made
    said = (
        f'What the classes of {path.name} burn like is taken from a table of judgement for the map "{legend}": it '
        "knows neither the kind of forest nor when it last burnt. Walk your ground, and make a table of your own."
    )
    return replace(made, assumptions=(said, *made.assumptions))


def _read_polygons(grid: Grid, path: Path, *, column: str, names: Mapping[str, str] | None, keys: str) -> FuelMap:
    import pyogrio

    with guarded_layer(path, place=f"{keys}file {path}"):
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
        if len(layers) > 1:
            raise refused(f"{keys}file", "fuel_of_several_layers", path=path, names=", ".join(layers))
        held = pyogrio.read_info(path)
    if column not in held["fields"]:
        mend = meant(column, held["fields"], "name the column that holds the fuel or the land cover")
        columns = ", ".join(held["fields"])
        raise refused(f"{keys}column", "no_fuel_column", path=path, column=column, columns=columns, mend=mend)
    if held["crs"] is None:
        raise refused(f"{keys}file", "polygons_without_crs", path=path)
    with guarded_layer(path, place=f"{keys}file {path}"):
        to_file = pyproj.Transformer.from_crs(grid.crs, held["crs"], always_xy=True)
        part = to_file.transform_bounds(*grid.bounds_m, densify_pts=64)
        # in the order of the file, which a spatial index does not keep
        frame = pyogrio.read_dataframe(path, bbox=part, fid_as_index=True).sort_index().to_crs(grid.crs)
        frame = frame.assign(geometry=frame.geometry.make_valid())
    east, south = grid.x_min_m + grid.cols * grid.cell_m, grid.y_max_m - grid.rows * grid.cell_m
    near = frame.cx[grid.x_min_m : east, south : grid.y_max_m]
    near = near[near.geometry.geom_type.isin(["Polygon", "MultiPolygon"])]
    if near.empty:
        raise refused(f"{keys}file", "fuel_misses_ground", path=path)
    return fuel_from_polygons(
        grid,
        list(near.geometry),
        classes=[
            None if none else _whole(str(name)) for name, none in zip(near[column], near[column].isna(), strict=True)
        ],
        legend=names,
        where=f"{keys}file {path}",
    )


def read_weather(
    path: Path,
    grid: Grid,
    *,
    drought_factor: float | None = None,
    fill_gaps: bool = False,
    use_gusts: bool = False,
    station: Station = OWN,
    clock: str = "UTC",
) -> Weather:
    """Read a weather table (CSV, unit in each column name), a station's export or a gridded forecast (CF NetCDF).

    `station` says what is what in an export; where it says nothing, that is proposed in the fault, with `clock` for
    times that have none. A table with our own names is read as that.

    Raises
    ------
    InputError
        With every fault, by row and column.
    """
    where = f"weather.file {path}"
    if path.suffix.lower() in FORECASTS:
        import xarray as xr  # only here: a table does without

        regular(path, expected="a forecast (NetCDF)", mend="correct the name", place=where)
        with guarded(path, place=where, told="forecast_unreadable"):
            with xr.open_dataset(path, engine=_engine_of(path), decode_timedelta=False) as opened:
                if opened.nbytes > MOST_FORECAST_BYTES:
                    most = MOST_FORECAST_BYTES / 1e6
                    raise refused(where, "file_too_large", size=opened.nbytes / 1e6, most=most)
                forecast = opened.load()
            return weather_from_dataset(
                forecast, grid=grid, where=where, drought_factor=drought_factor, use_gusts=use_gusts
            )
    columns, row_numbers, said = _weather_columns(path, where=where, station=station, clock=clock)
    weather = weather_from_table(
        columns,
        where=where,
        drought_factor=drought_factor,
        fill_gaps=fill_gaps,
        use_gusts=use_gusts,
        row_numbers=row_numbers,
    )
    return replace(weather, assumptions=(*said, *weather.assumptions))


def _engine_of(path: Path) -> Literal["h5netcdf", "scipy"]:
    """What reads a NetCDF file, by how it begins."""
    import h5netcdf  # only here: a table does without

    # a default for what it forgets of a file that it could not open, and complains of when it throws that away
    h5netcdf.File._writable = False
    with path.open("rb") as begun:
        return "scipy" if begun.read(3) == b"CDF" else "h5netcdf"


def _weather_columns(
    path: Path, *, where: str, station: Station, clock: str
) -> tuple[dict[str, list[str]], list[int], tuple[str, ...]]:
    """The columns of a weather table in our own names, the lines of its rows, and what was taken for granted."""
    try:
        sheet = read_sheet(path, where=where)
    except InputError:
        if station.columns:
            raise
        sheet = None
    if sheet is None or (sheet.ours and not {theirs for _, theirs in station.columns} <= {*sheet.names}):
        return (*_read_table(path, where=where), ())
    if station.columns:
        columns, lines, said = in_our_words(sheet, station, where=where)
        held = ", ".join(f'{ours} is its column "{theirs}"' for ours, theirs in station.columns)
        passed = [name for name in sheet.names if name and name not in dict(station.columns).values()]
        left = f"; these columns take no part: {', '.join(passed)}" if passed else ""
        return columns, lines, (f"{path.name}: {'; '.join((held, *said))}{left}.",)
    if sheet.ours:
        return (*_read_table(path, where=where), ())
    found, told = likely(sheet, where=where, clock=clock, given=station)
    raise refused(where, "columns_of_a_station", said="; ".join(told), write=str(found))


def _read_table(path: Path, *, where: str) -> tuple[dict[str, list[str]], list[int]]:
    """Read a CSV as text by column, with the line of the file that each row stands on; comments start with #."""
    text = text_of(path, place=where)
    kept = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not kept:
        raise refuse(where, "is empty", expected="a line of column names, then one line per step", mend="fill it")
    for mark, said in ((";", "semicolons"), ("\t", "tabs")):
        if mark in kept[0][1] and "," not in kept[0][1]:
            raise refused(f"{where} row {kept[0][0]}", "csv_separated_otherwise", said=said)
    rows = rows_of(kept, where=where)
    names = [name.strip() for name in rows[0]]
    faults, mend = Faults(), "add or remove commas in that row; numbers have decimal points"
    for (number, _), row in zip(kept[1:], rows[1:], strict=True):
        if len(row) != len(names):
            faults.add(f"{where} row {number}", f"has {len(row)} values", f"{len(names)}, one for each column", mend)
    for name in sorted({name for name in names if names.count(name) > 1}):
        faults.add(where, f"has the column {name!r} twice", "each column once", "rename or remove one")
    faults.refuse(most=20)
    columns = {name: [row[k] for row in rows[1:]] for k, name in enumerate(names)}
    return columns, [number for number, _ in kept[1:]]
