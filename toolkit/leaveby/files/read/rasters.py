"""Rasters as files: one, or several side by side, of which no more is read than lies under a grid.

Several are put together by rasterio's `merge`, each in the reference system of the first, which a `WarpedVRT` brings
the others to.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyproj
import rasterio
import rasterio.errors
import rasterio.merge
import rasterio.transform
import rasterio.warp
import rasterio.windows
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.enums import Resampling
from rasterio.io import DatasetReader
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from leaveby.errors import Faults, InputError, refused
from leaveby.files.read.guard import OFFLINE, guarded, regular, wrong_with
from leaveby.fire.terrain import Grid
from leaveby.household.plan_places import Slip, slips
from leaveby.roads.network.graph import utm_crs
from leaveby.units import METRES_PER_DEGREE

MOST_PIXELS: Final = 16_000_000
"""Pixels that are read one by one: of a larger part of a raster, a quarter of a grid's cell is the finest step."""

MOST_BLOCK_PIXELS: Final = 100_000_000
"""Pixels that are packed together, and so have to be unpacked for any one of them."""

LEAST_PIXEL: Final = 1e-18
"""Area of a pixel in square degrees or square metres: whatever is less, or more than one over it, is no ground's."""

SPARE_PIXELS: Final = 4
DRIVERS: Final = (
    "GTiff", "SRTMHGT", "AAIGrid", "HFA", "EHdr", "ENVI", "DTED", "USGSDEM", "JP2OpenJPEG", "GPKG", "netCDF",
)  # fmt: skip
"""Forms that are read; no other is tried, whatever a file begins with. None of them names other files or servers."""

_HGT_BYTES: Final = {2 * side**2: side for side in (1201, 3601)}
_MOST_STRETCHED, _MOST_TURNED_DEG = 0.01, 4.0
_DEGREE: Final = (0.9, 1.1)


@dataclass(frozen=True)
class Raster:
    """Opened rasters of one kind, side by side: `sources` in the reference system of the first, `paths` their files."""

    sources: tuple[Any, ...]
    paths: tuple[Path, ...]

    @property
    def crs(self) -> Any:
        """Of all of them."""
        return self.sources[0].crs

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right and top of them together."""
        left, bottom, right, top = zip(*(source.bounds for source in self.sources), strict=True)
        return min(left), min(bottom), max(right), max(top)

    @property
    def name(self) -> str:
        """The files, for messages."""
        return ", ".join(str(path) for path in self.paths)

    @property
    def of_degrees(self) -> bool:
        """Whether they are tiles of one degree, as world-wide models are handed out."""
        box = [rasterio.warp.transform_bounds(one.crs, "EPSG:4326", *one.bounds) for one in self.sources]
        return all(_DEGREE[0] < side < _DEGREE[1] for w, s, e, n in box for side in (e - w, n - s))

    def own_cell_m(self, crs: str) -> float:
        """The finest cell of them, in metres of a reference system."""
        return min(_own_cell_m(source, crs=crs) for source in self.sources)


@contextmanager
def opened(files: Path | Sequence[Path], key: str, mend: str) -> Iterator[Raster]:
    """Open rasters that say where they lie; InputError with every one that can't be used."""
    paths, faults = (files,) if isinstance(files, Path) else tuple(files), Faults()
    named = ", ".join(map(str, paths))
    with ExitStack() as held, rasterio.Env(**OFFLINE), guarded(paths[0], place=f"{key} {named}", told="broken_raster"):
        found = []
        for path in paths:
            try:
                found.append(held.enter_context(one_band(path, place=key, mend=mend)))
            except rasterio.errors.RasterioIOError:
                _tell_unreadable(faults, path, key)
            except InputError as error:
                faults.extend(error.faults)
        faults.refuse()
        upright = [
            source
            if len(found) == 1 or (source.crs == found[0].crs and _north_up(source))
            else held.enter_context(_warped(source, found[0].crs))
            for source in found
        ]
        yield Raster(tuple(upright), paths)


def one_band(path: Path, *, place: str, mend: str) -> Any:
    """Open a raster of one band (and perhaps one of what is seen through), whose blocks fit in memory.

    InputError for no file, no reference system, pixels without a size, and several bands or rasters in one file, of
    which none is chosen.
    """
    regular(path, expected="a raster", mend="correct the name", place=place)
    source = DatasetReader(str(path), driver=list(DRIVERS))
    kinds = [one for one in source.colorinterp if one.name != "alpha"]
    height, width = source.block_shapes[0] if kinds else (0, 0)
    if len(kinds) != 1:
        raise refused(place, "raster_of_several_bands", path=path, count=len(kinds) or len(source.subdatasets))
    if height * width > MOST_BLOCK_PIXELS:
        raise refused(place, "raster_of_large_blocks", path=path, rows=height, cols=width, most=MOST_BLOCK_PIXELS)
    if source.crs is None:
        raise refused(place, "raster_without_crs", path=path, mend=mend)
    laid = np.array(source.transform[:6])
    if not (np.isfinite(laid).all() and LEAST_PIXEL < abs(source.transform.determinant) < 1.0 / LEAST_PIXEL):
        raise refused(place, "broken_raster", said=f"its pixels lie by {laid.tolist()}")
    # raises, for whoever guards this, where it is of nowhere on the earth
    pyproj.Transformer.from_crs("EPSG:4326", source.crs.to_wkt(), always_xy=True)
    return source


def _warped(source: Any, crs: Any) -> WarpedVRT:
    # what lies outside of a raster without a mark for voids is told by an alpha band
    return WarpedVRT(source, crs=crs, resampling=Resampling.bilinear, add_alpha=source.nodata is None)


def _tell_unreadable(faults: Faults, path: Path, key: str) -> None:
    size = path.stat().st_size if path.is_file() else 0
    if path.suffix.lower() == ".hgt":
        named = "" if size in _HGT_BYTES else f" of {size:,} bytes"
        faults.tell(key, "hgt_unreadable", path=path, named=named, sizes=" or ".join(f"{one:,}" for one in _HGT_BYTES))
    else:
        faults.tell(key, "no_terrain_raster", path=path)


def _north_up(source: Any) -> bool:
    at = source.transform
    return bool(at.a > 0.0 and at.e < 0.0 and at.b == 0.0 == at.d)


def attribution_in(path: Path) -> str:
    """Whose data a GeoTIFF says that it is; "" where it says nothing, or is none."""
    if path.suffix.lower() not in (".tif", ".tiff") or wrong_with(path):
        return ""
    try:
        with rasterio.Env(**OFFLINE), DatasetReader(str(path), driver=["GTiff"]) as source:
            return str(source.tags().get("attribution", ""))
    except rasterio.errors.RasterioIOError:
        return ""


def onto(
    grid: Grid, raster: Raster, *, missing: float, how: Resampling, lowest: float = -np.inf
) -> NDArray[np.float64]:
    """Bring the first band onto the grid, `missing` where there is none, reading no more of it than the grid needs.

    Below `lowest` nothing is a value, though the file does not say so.
    """
    values = np.full(grid.shape, missing)
    part = part_under(raster, grid.bounds_m, crs=grid.crs)
    if part is None:
        return values
    fine = min(part.height / grid.rows, part.width / grid.cols) / 4.0
    shrink = max(fine, 1.0) if part.height * part.width > MOST_PIXELS else 1.0
    shape = (round(part.height / shrink), round(part.width / shrink))
    first = raster.sources[0]
    at, wider, higher = first.window_transform(part), part.width / shape[1], part.height / shape[0]
    at = rasterio.Affine(at.a * wider, at.b * higher, at.c, at.d * wider, at.e * higher, at.f)
    if len(raster.sources) == 1:
        band = np.ma.getdata(first.read(1, window=part, out_shape=shape, resampling=how)).astype(np.float64)
        band[first.read_masks(1, window=part, out_shape=shape, resampling=how) == 0] = missing
    else:
        # of pixels that lie on one another, none is to be mixed with its neighbours
        just = shrink == 1.0 and _of_one_grid(raster)
        box = rasterio.windows.bounds(part, first.transform)
        made, at = rasterio.merge.merge(
            raster.sources,
            bounds=box,
            res=(at.a, -at.e),
            nodata=np.nan,
            dtype="float64",
            indexes=[1],
            resampling=Resampling.nearest if just else how,
        )
        band = np.where(np.isnan(made[0]), missing, made[0])
    band[~(np.isfinite(band) & (band >= lowest))] = missing
    rasterio.warp.reproject(
        band,
        values,
        src_transform=at,
        src_crs=raster.crs,
        src_nodata=missing,
        dst_transform=rasterio.Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m),
        dst_crs=CRS.from_user_input(grid.crs),
        dst_nodata=missing,
        resampling=how,
    )
    return values


def _of_one_grid(raster: Raster) -> bool:
    """Whether the pixels of all of them are pixels of one large raster."""
    first = raster.sources[0].transform
    off = [~first * (one.transform.c, one.transform.f) for one in raster.sources]
    return all(np.allclose(one.transform[:6:4], first[:6:4], rtol=1e-6) for one in raster.sources) and np.allclose(
        off, np.round(off), atol=0.01
    )


def part_under(raster: Raster, box_m: tuple[float, float, float, float], *, crs: str) -> Window | None:
    """Find the pixels under a box and a few around them, as the first raster counts them; None where it has none."""
    bounds = raster.bounds
    west, south, east, north = rasterio.warp.transform_bounds(
        CRS.from_user_input(crs), raster.crs, *box_m, densify_pts=65
    )
    if west > east:  # over the date line: its whole breadth
        west, east = bounds[0], bounds[2]
    if not np.isfinite([west, south, east, north]).all():
        return None
    # all four corners, since the rows of a raster may be turned
    rows, cols = _pixels(raster, (west, south, east, north))
    if len(raster.sources) == 1:
        limits = (0, raster.sources[0].height), (0, raster.sources[0].width)
    else:
        limits = tuple((int(min(one)), int(max(one))) for one in _pixels(raster, bounds))  # type: ignore[assignment]
    (top, bottom), (left, right) = (
        (max(int(min(at)) - SPARE_PIXELS, low), min(int(max(at)) + SPARE_PIXELS + 1, high))
        for at, (low, high) in zip((rows, cols), limits, strict=True)
    )
    return Window(left, top, right - left, bottom - top) if bottom > top and right > left else None


def _pixels(raster: Raster, box: tuple[float, float, float, float]) -> tuple[Any, Any]:
    west, south, east, north = box
    xs, ys = [west, east, west, east], [south, south, north, north]
    rows, cols = rasterio.transform.rowcol(raster.sources[0].transform, xs, ys)
    return rows, cols


def metric_crs(raster: Raster, at_deg: tuple[float, float]) -> str:
    """The raster's own reference system where lengths at a place are true and north is up in it; else its UTM zone."""
    own = pyproj.CRS.from_wkt(raster.crs.to_wkt())
    if own.is_projected and all(axis.unit_conversion_factor == 1.0 for axis in own.axis_info[:2]):
        scale = pyproj.Proj(own).get_factors(*at_deg)
        stretched = max(abs(scale.meridional_scale - 1.0), abs(scale.parallel_scale - 1.0))
        if stretched <= _MOST_STRETCHED and abs(scale.meridian_convergence) <= _MOST_TURNED_DEG:
            return own.to_string() if own.to_epsg() is None else f"EPSG:{own.to_epsg()}"
    return utm_crs(at_deg[0], lat_deg=at_deg[1])


def project(points: Mapping[str, tuple[float, float]], *, crs: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Longitudes and latitudes in a reference system."""
    lon_lat = np.array(list(points.values()), dtype=np.float64)
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    x_m, y_m = to_grid.transform(lon_lat[:, 0], lon_lat[:, 1])
    return np.asarray(x_m), np.asarray(y_m)


def tile_of(lon_deg: float, lat_deg: float) -> str:
    """Name the tile of one degree that holds a place, by its south-west corner, as world-wide models do.

    Examples
    --------
    >>> tile_of(148.94, -36.13), tile_of(-0.5, 42.5)
    ('S37E148', 'N42W001')
    """
    lon, lat = math.floor(lon_deg), math.floor(lat_deg)
    return f"{'S' if lat < 0 else 'N'}{abs(lat):02d}{'W' if lon < 0 else 'E'}{abs(lon):03d}"


def refuse_points_off(raster: Raster, points: Mapping[str, tuple[float, float]], *, key: str) -> None:
    """Refuse places that lie on none of the rasters (InputError), each with how it, or the raster, may be meant."""
    to_source = pyproj.Transformer.from_crs("EPSG:4326", raster.crs.to_wkt(), always_xy=True)
    box = rasterio.warp.transform_bounds(raster.crs, "EPSG:4326", *raster.bounds)

    def on_it(at_deg: tuple[float, float], to: pyproj.Transformer = to_source) -> bool:
        x, y = to.transform(*at_deg)
        return any(one.bounds.left < x < one.bounds.right and one.bounds.bottom < y < one.bounds.top for one in sources)

    sources, faults = raster.sources, Faults()
    off = {name: at for name, at in points.items() if not on_it(at)}
    for name, at in off.items():
        found = [slip for slip in slips(*at) if slip.place is not None and on_it(slip.place)]
        zone = utm_crs(at[0], lat_deg=at[1])
        in_zone = on_it(at, pyproj.Transformer.from_crs("EPSG:4326", zone, always_xy=True))
        if raster.crs.is_projected and in_zone and raster.crs != CRS.from_user_input(zone):
            mend = (
                f"its reference system, {raster.crs.to_string()}, is of another zone: write {zone}, or your country's "
            )
            mend += "for that zone, into the raster (gdal_edit -a_srs) if its numbers are of this place"
        else:
            mend = _mend_of(found, at, raster)
        faults.tell(name, "off_the_terrain", place=at, path=raster.name, key=key, box=box, mend=mend)
    faults.refuse()


def _mend_of(found: Sequence[Slip], at: tuple[float, float], raster: Raster) -> str:
    tile = f"the tile {tile_of(*at)}" if raster.of_degrees else ""
    if found:
        return found[0].mend + (f"; or, if the place is right, give {tile} instead" if tile else "")
    return f"correct the place, or add {tile}" if tile else "correct the place, or give a terrain raster that covers it"


def _own_cell_m(source: Any, *, crs: str) -> float:
    if pyproj.CRS.from_wkt(source.crs.to_wkt()).is_geographic:
        middle = (source.bounds.top + source.bounds.bottom) / 2.0
        size = (abs(source.res[0]) * METRES_PER_DEGREE * np.cos(np.radians(middle)), source.res[1] * METRES_PER_DEGREE)
        return float(min(size))
    transform, _, _ = rasterio.warp.calculate_default_transform(
        source.crs, crs, source.width, source.height, *source.bounds
    )
    return float(min(abs(transform.a), abs(transform.e)))
