"""A gridded forecast in CF NetCDF, opened with xarray, to `Weather`.

Variables are found by their `standard_name` and converted by their `units`; both are required. The nearest forecast
point serves each cell of the analysis grid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj
from numpy.typing import NDArray

from leaveby.errors import Faults, refuse, refused
from leaveby.fire.terrain import Grid
from leaveby.fire.weather import series
from leaveby.fire.weather.series import Weather
from leaveby.regions import table_rows

if TYPE_CHECKING:
    import xarray as xr

_ROWS: Final = table_rows(__package__, "standard_names.csv")
_QUANTITIES: Final = {row["standard_name"]: row["quantity"] for row in _ROWS}
_UNITS: Final = {
    name: {row["units"]: series.to_ours(row) for row in _ROWS if row["standard_name"] == name} for name in _QUANTITIES
}
"""The units of each standard name with their factors and offsets, and whose limits hold for it."""

_HEIGHT_NAMES: Final = ("height", "height_above_ground", "level", "z")


def weather_from_dataset(
    ds: xr.Dataset,
    *,
    grid: Grid,
    where: str = "the forecast",
    drought_factor: float | None = None,
    curing_percent: float | None = None,
    utc_offset_h: float | None = None,
    use_gusts: bool = False,
) -> Weather:
    """Read a gridded (or single-point) forecast with decoded times, which CF counts in UTC.

    Needed by `standard_name`: `air_temperature`, `relative_humidity`, and the wind at 10 m as `eastward_wind` and
    `northward_wind`, or `wind_speed` with `wind_from_direction` or `wind_to_direction`; `wind_speed_of_gust` where
    there is one. Space: `latitude` and `longitude` in one or two dimensions, or `projection_x_coordinate` and
    `projection_y_coordinate` with a grid mapping that has `crs_wkt`; neither for a single point. Every cell of the
    analysis `grid` takes the nearest forecast point.

    The options are those of `weather_from_table`; `utc_offset_h` is local clock time, hours ahead of UTC: where
    missing, from the longitude, and listed.

    Raises InputError for missing variables or units, impossible or missing values (with variable, step and point), gaps
    in time, and a forecast that does not reach over the grid; all that can be found at once.
    """
    given = {"drought_factor": drought_factor, "curing_percent": curing_percent}
    cast = _Forecast(ds, where)
    cast.faults.extend(series.faults_of_values(f"{where}, the value for the whole forecast", given))
    times = _times(cast)
    fields, dims = _fields(cast)
    _note_missing(fields, cast, use_gusts=use_gusts)
    cast.faults.refuse()

    place, used, longitude = _places(cast, dims, grid=grid)
    fields = {name: values.reshape(len(times), -1)[:, used] for name, values in fields.items()}
    _note_bad_values(fields, cast, used=used)
    cast.faults.refuse()
    lines = [series.HOLDS_ON, f"{where}: each cell takes the weather of the nearest forecast point."]
    wind = _wind(fields)
    if use_gusts:
        wind["wind_speed_m_s"] = wind["gust_m_s"]
        lines.append(f"{where}: {series.GUSTS_STAND_IN}.")
    if utc_offset_h is None:
        utc_offset_h = float(np.round(longitude / 15.0))
        lines.append(f"{where}: local time is taken to be UTC{utc_offset_h:+g} h, from the longitude.")
    completed, missing = series.taken_where_missing(wind, given)
    every: dict[str, Any] = {"gust_m_s": None, **completed}
    return Weather(
        start=times[0].astimezone(timezone(timedelta(hours=utc_offset_h))),
        time_s=np.array([(time - times[0]).total_seconds() for time in times]),
        air_temperature_c=fields["air_temperature"],
        relative_humidity_percent=np.minimum(fields["relative_humidity"], 100.0),
        **every,
        place=place,
        assumptions=(*lines, *missing),
    )


@dataclass(frozen=True)
class _Forecast:
    """A forecast while it is read: what it is called, and the faults found so far."""

    ds: xr.Dataset
    where: str
    faults: Faults = field(default_factory=Faults)

    def fault(self, place: str, wrong: str, expected: str, mend: str) -> None:
        """Note a fault at a place in the forecast, or of the forecast as such."""
        self.faults.add(f"{self.where}{place}", wrong, expected, mend)


def _fields(cast: _Forecast) -> tuple[dict[str, NDArray[np.float64]], tuple[str, ...]]:
    """Every variable that is known by its standard name, and the dimensions in space that all must share."""
    fields: dict[str, NDArray[np.float64]] = {}
    shared: tuple[str, ...] = ()
    for name in _QUANTITIES:
        array = _variable(cast, name)
        if array is None:
            continue
        dims, values = array
        if fields and dims != shared:
            cast.faults.tell(f"{cast.where}, {name}", "dimensions_differ", dims=dims, shared=shared)
            continue
        shared = dims
        fields[name] = values
    return fields, shared


def _wind(fields: Mapping[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """Speed, direction and, where given, gusts (never below the speed), from components or from a direction."""
    if "eastward_wind" in fields and "northward_wind" in fields:
        u, v = fields["eastward_wind"], fields["northward_wind"]
        speed, direction = np.hypot(u, v), np.mod(np.rad2deg(np.arctan2(-u, -v)), 360.0)
    else:
        speed = fields["wind_speed"]
        towards = "wind_from_direction" not in fields
        direction = np.mod(fields["wind_to_direction"] + 180.0 if towards else fields["wind_from_direction"], 360.0)
    wind = {"wind_speed_m_s": speed, "wind_from_deg": direction}
    if "wind_speed_of_gust" in fields:
        wind["gust_m_s"] = np.maximum(fields["wind_speed_of_gust"], speed)
    return wind


def _times(cast: _Forecast) -> list[datetime]:
    ds = cast.ds
    if "time" not in ds.coords or ds["time"].ndim > 1:
        cast.fault("", "there is no time axis", "a coordinate time", "add it")
        return []
    values = np.atleast_1d(ds["time"].values)
    if not np.issubdtype(values.dtype, np.datetime64):
        cast.fault(", time", "its times are not decoded", "CF times in UTC", "open it with decode_times")
        return []
    if np.any(np.isnat(values)):
        cast.fault(", time", "a time is missing", "a time for each step", "complete the forecast")
        return []
    seconds = values.astype("datetime64[s]").astype(np.int64)
    lengths = np.diff(seconds)
    if np.any(lengths <= 0):
        k = int(np.flatnonzero(lengths <= 0)[0])
        cast.fault(f", time, step {k + 2}", "it is not later than the step before", "rising times", "sort it")
    elif lengths.size:
        steps, counts = np.unique(lengths, return_counts=True)
        usual = int(steps[np.argmax(counts)])
        for late in np.flatnonzero(lengths > max(usual, 3600)):
            wrong, wanted = f"there is a gap of {lengths[late] / 3600.0:g} h before it", f"{usual / 3600.0:g} h"
            cast.fault(f", time, step {int(late) + 2}", wrong, f"a step every {wanted}", "complete it")
        if usual > 6 * 3600:
            cast.fault(", time", f"its steps are {usual / 3600.0:g} h apart", "6 h at the most", "take a finer one")
    return [datetime.fromtimestamp(int(s), tz=UTC) for s in seconds]


def _variable(cast: _Forecast, name: str) -> tuple[tuple[str, ...], NDArray[np.float64]] | None:
    """Dimensions in space and values of a standard name in our unit, with time first; None where something is wrong."""
    ds, place = cast.ds, f", {name}"
    found = [key for key in ds.data_vars if ds[key].attrs.get("standard_name") == name]
    if not found:
        return None
    if len(found) > 1:
        names = ", ".join(str(key) for key in found)
        cast.fault(place, f"several variables have it: {names}", "one", "keep the one at 2 m (wind: 10 m)")
        return None
    array = ds[found[0]]
    units = array.attrs.get("units")
    known = _UNITS[name]
    if units is None or str(units).strip() not in known:
        wrong = "it has no attribute units" if units is None else f"its unit {units!r} is not known"
        cast.fault(place, wrong, "one of " + ", ".join(known), "add the unit" if units is None else "convert it")
        return None
    extra = [str(dim) for dim in array.dims if dim in _HEIGHT_NAMES and array.sizes[dim] == 1]
    array = array.squeeze(extra, drop=True)
    if "time" not in array.dims:
        if array.coords.get("time") is None or array.coords["time"].ndim != 0:
            cast.fault(place, "it has no time axis", "the dimension time", "add it")
            return None
        array = array.expand_dims("time")
    array = array.transpose("time", ...)
    if array.ndim > 3:
        cast.faults.tell(f"{cast.where}{place}", "forecast_of_many_heights", dims=array.dims)
        return None
    factor, offset = known[str(units).strip()]
    values = np.asarray(array.values, dtype=np.float64) * factor + offset
    return tuple(str(dim) for dim in array.dims[1:]), values


def _note_missing(fields: Mapping[str, NDArray[np.float64]], cast: _Forecast, *, use_gusts: bool) -> None:
    told = {fault.place.removeprefix(f"{cast.where}, ") for fault in cast.faults}
    absent = {name for name in _QUANTITIES if name not in fields and name not in told}
    for name in ("air_temperature", "relative_humidity"):
        if name in absent:
            cast.fault("", f"no variable has the standard_name {name}", "one variable", "add the attribute")
    components = absent.isdisjoint({"eastward_wind", "northward_wind"})
    polar = "wind_speed" not in absent and not absent >= {"wind_from_direction", "wind_to_direction"}
    if not components and not polar:
        cast.faults.tell(cast.where, "forecast_without_wind")
    if use_gusts and "wind_speed_of_gust" in absent:
        cast.fault("", "gusts are to be used, but there are none", "wind_speed_of_gust", "add it")


def _coordinate(ds: xr.Dataset, name: str) -> xr.DataArray | None:
    for key in ds.variables:
        if ds[key].attrs.get("standard_name") == name:
            return ds[key]
    short = {"latitude": ("latitude", "lat"), "longitude": ("longitude", "lon")}.get(name, ())
    return next((ds[key] for key in short if key in ds.variables), None)


def _places(
    cast: _Forecast, dims: tuple[str, ...], *, grid: Grid
) -> tuple[NDArray[np.int32] | None, NDArray[np.intp], float]:
    """Forecast point of each cell, the points in use (flat index), and a longitude."""
    from scipy.spatial import cKDTree  # slow to load

    geographic = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    longitude = float(geographic.transform(float(grid.x_m.mean()), float(grid.y_m.mean()))[0])
    if not dims:
        return None, np.zeros(1, dtype=np.intp), longitude
    points, transformer = _points(cast, dims, grid=grid)
    x, y = (np.asarray(a) for a in transformer.transform(*np.meshgrid(grid.x_m, grid.y_m)))
    cells = np.column_stack([x.ravel(), y.ravel()])
    stretch = np.ones(2)
    if transformer.target_crs is not None and transformer.target_crs.is_geographic:
        # Longitudes shrink towards the poles; the forecast may count them from 0 to 360.
        centre = np.median(points[:, 0])
        cells[:, 0] += 360.0 * np.round((centre - cells[:, 0]) / 360.0)
        stretch = np.array([np.cos(np.deg2rad(np.median(cells[:, 1]))), 1.0])
    tree = cKDTree(points * stretch)
    distance, nearest = tree.query(cells * stretch)
    # the largest distance from a forecast point to its nearest neighbour; no limit for a single one
    spacing = tree.query(points * stretch, k=2)[0][:, 1].max()
    if distance.max() > spacing:
        k = int(np.argmax(distance))
        at = f"cell row {k // grid.cols + 1}, column {k % grid.cols + 1} of the analysis grid"
        raise refused(f"{cast.where}, {at}", "forecast_too_small")
    used, place = np.unique(nearest, return_inverse=True)
    return place.reshape(grid.shape).astype(np.int32), used.astype(np.intp), longitude


def _points(cast: _Forecast, dims: tuple[str, ...], *, grid: Grid) -> tuple[NDArray[np.float64], pyproj.Transformer]:
    """Coordinates of all forecast points (flat), and the way from the analysis grid to their system."""
    ds, where = cast.ds, cast.where
    lon, lat = _coordinate(ds, "longitude"), _coordinate(ds, "latitude")
    if lon is not None and lat is not None:
        target, first, second = "EPSG:4326", lon, lat
    else:
        x, y = _coordinate(ds, "projection_x_coordinate"), _coordinate(ds, "projection_y_coordinate")
        wkt = next((ds[key].attrs["crs_wkt"] for key in ds.variables if "crs_wkt" in ds[key].attrs), None)
        if x is None or y is None or wkt is None:
            raise refused(where, "forecast_without_places")
        target, first, second = str(wkt), x, y
    if not set(dims) >= {str(d) for d in first.dims} | {str(d) for d in second.dims}:
        raise refused(where, "forecast_axes", dims=dims)
    every = [c.expand_dims({d: ds.sizes[d] for d in dims if d not in c.dims}) for c in (first, second)]
    points = np.column_stack([c.transpose(*dims).values.ravel() for c in every]).astype(np.float64)
    if not np.all(np.isfinite(points)):
        raise refuse(where, "a coordinate is missing", expected="coordinates of all points", mend="complete them")
    return points, pyproj.Transformer.from_crs(grid.crs, target, always_xy=True)


_SUPERSATURATION_PERCENT: Final = 5.0
"""Weather models give humidities slightly above 100 %; up to this much is cut, more is refused."""


def _note_bad_values(fields: Mapping[str, NDArray[np.float64]], cast: _Forecast, *, used: NDArray[np.intp]) -> None:
    for name, values in fields.items():
        _, unit, low, high = series.LIMITS[_QUANTITIES[name]]
        if name in ("eastward_wind", "northward_wind"):
            low = -high
        slack = _SUPERSATURATION_PERCENT if name == "relative_humidity" else 1e-9
        bad = ~np.isfinite(values) | (values < low - 1e-9) | (values > high + slack)
        count = int(bad.sum())
        if not count:
            continue
        step, point = (int(k[0]) for k in np.nonzero(bad))
        value = values[step, point]
        wrong = "there is no value" if np.isnan(value) else f"it is {value:g} {unit}"
        if name == "air_temperature" and 223.0 <= value <= 335.0:
            wrong += ", which looks like kelvin under the unit of degrees C"
        more = f" (and {count - 1} more such values)" if count > 1 else ""
        at = f", {name}, step {step + 1}, point {int(used[point]) + 1}"
        cast.fault(at, wrong + more, f"{low:g} to {high:g} {unit}", "complete or correct the forecast")
