"""Heights and land cover: the parts of world-wide tiles under a box, brought onto one grid in the home's UTM zone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.transform import from_origin
from rasterio.warp import reproject, transform
from rasterio.windows import Window, from_bounds

from leaveby.download.connection import Connection, ask_for_parts, forget, not_fetched
from leaveby.download.sources import TABLE, Box, Source, tiles
from leaveby.errors import InputError
from leaveby.files.read.legends import legend_rows
from leaveby.roads.network.graph import utm_crs

_SPARE_DEG: Final = 0.01
_EXPECTED: Final = "a cloud-optimised GeoTIFF in longitude and latitude that covers the tile, of what was asked for"
_CLASSES: Final = [0, *(int(row["value"]) for row in legend_rows("world"))]


def write_ground(out: Path, source: Source, *, door: Connection, progress: Callable[[str], None]) -> list[str]:
    """Fetch heights or land cover, write them as a GeoTIFF and say what was taken for granted.

    Parts of tiles stay beside it, from where a later call goes on.
    """
    row, box, heights = TABLE[source.name], source.box_deg, source.name == "heights"
    crs = utm_crs((box[0] + box[2]) / 2.0, lat_deg=(box[1] + box[3]) / 2.0)
    # upright and inside the box as its corners lie, so that hardly a cell is empty
    xs, ys = (np.sort(at) for at in transform("EPSG:4326", crs, np.take(box, [0, 0, 2, 2]), np.take(box, [1, 3, 1, 3])))
    cell_m, onto = row["cell_m"], from_origin(xs[1], ys[2], row["cell_m"], row["cell_m"])
    shape, kind = (int((ys[2] - ys[1]) // cell_m), int((xs[2] - xs[1]) // cell_m)), "float32" if heights else "uint8"
    nodata = -9999.0 if heights else 0.0
    values = np.full(shape, nodata, dtype=kind)
    said: list[str] = []
    for corner, address in zip(tiles(box, row["tile_deg"]), source.addresses, strict=True):
        name = address.rpartition("/")[2]
        progress(f"{source.file}: {name}")
        found = _tile(address, out.with_name(name), corner, source=source, door=door)
        if found is None:
            said.append(row["no_tile"].format(name=name))
            # many small pixels: of a single large one GDAL is slow
            pixel_deg = row["tile_deg"] / 64.0
            at = from_origin(corner[0], corner[1] + row["tile_deg"], pixel_deg, pixel_deg)
            found = np.full((64, 64), row["at_sea"], dtype=kind), at, None
        reproject(
            found[0],
            values,
            src_transform=found[1],
            src_crs="EPSG:4326",
            src_nodata=found[2],
            dst_transform=onto,
            dst_crs=crs,
            dst_nodata=nodata,
            init_dest_nodata=False,
            resampling=Resampling.bilinear if heights else Resampling.nearest,
        )
    if len(said) == len(source.addresses):
        raise not_fetched(source, "fetch_refused", address=source.addresses[0], status=404, kind="no tile at all")
    if not heights and (unsure := values == row["at_sea"]).any():
        # what does not burn must not come from a gap of the server: only where the heights say sea too
        low = np.full(shape, np.nan, dtype="float32")
        ground = out.parent.parent / TABLE["heights"]["file"]
        if ground.exists():
            with rasterio.open(ground) as read:
                reproject(rasterio.band(read, 1), low, dst_transform=onto, dst_crs=crs, dst_nodata=np.nan)
        values[unsure] = np.where(low[unsure] == 0.0, row["water"], nodata)
    form: dict[str, Any] = {"driver": "GTiff", "count": 1, "dtype": kind, "nodata": nodata, "compress": "deflate"}
    size = {"height": shape[0], "width": shape[1]}
    with rasterio.open(out, "w", crs=crs, transform=onto, tiled=True, **size, **form) as target:
        target.write(values, 1)
        target.update_tags(attribution=source.attribution)
    return said


def _tile(
    address: str, file: Path, corner: tuple[int, int], *, source: Source, door: Connection
) -> tuple[NDArray[Any], Any, float | None] | None:
    """The values of a tile under the source's box, where they lie, and what means none; None for no such tile."""
    if not ask_for_parts(address, file, source=source, door=door, spans=[(0, 1)]):
        return None
    try:
        with rasterio.open(file, driver="GTiff") as head:
            _check(head, corner, TABLE[source.name])
            part = _part(head, source.box_deg)
            spans = list(_spans(head, part))
        if not ask_for_parts(address, file, source=source, door=door, spans=spans):
            raise not_fetched(source, "fetch_refused", address=address, status=404, kind="only a part of the file")
        with rasterio.open(file, driver="GTiff") as whole:
            values = whole.read(1, window=part)
            if source.name == "land_cover" and not np.isin(values, _CLASSES).all():
                raise ValueError("it holds classes that the map does not have")
            return values, whole.window_transform(part), whole.nodata
    except (RasterioError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        forget(file)
        raise not_fetched(source, "fetch_wrong_file", address=address, error=error, expected=_EXPECTED) from error


def _check(raster: Any, corner: tuple[int, int], row: Any) -> None:
    """Refuse a raster that is not the tile that was asked for."""
    wanted = (*corner, corner[0] + row["tile_deg"], corner[1] + row["tile_deg"])
    if raster.crs is None or raster.crs.to_epsg() != 4326 or not np.allclose(raster.bounds, wanted, atol=_SPARE_DEG):
        raise ValueError(f"a raster of {raster.crs} that lies at {', '.join(f'{at:g}' for at in raster.bounds)}")


def _part(raster: Any, box: Box) -> Window:
    """Rows and columns of a raster under a box and a little around it."""
    wide = from_bounds(*np.add(box, np.multiply(_SPARE_DEG, (-1, -1, 1, 1))), transform=raster.transform)
    return wide.intersection(Window(0, 0, raster.width, raster.height)).round_offsets().round_lengths()


def _spans(raster: Any, part: Window) -> Iterator[tuple[int, int]]:
    """First byte and length of each block of a raster under a window, as its head tells."""
    high, wide = raster.block_shapes[0]
    for row in range(part.row_off // high, (part.row_off + part.height - 1) // high + 1):
        for col in range(part.col_off // wide, (part.col_off + part.width - 1) // wide + 1):
            first, size = (
                raster.get_tag_item(f"BLOCK_{key}_{col}_{row}", "TIFF", bidx=1) for key in ("OFFSET", "SIZE")
            )
            if first is not None and size is not None:  # blocks of nothing are not stored
                yield int(first), max(int(size), 1)
