"""What a map that can be moved and zoomed is made of, as plain data in WGS 84: layers, marks, the light on the hills.

The picture of the hills is warped to the projection in which web maps are drawn (EPSG:3857), so that it lies exactly
under the lines; it travels inside the page as a `data:` address. Nothing is fetched.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.figure import Figure
from matplotlib.image import imsave
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.enums import Resampling
from rasterio.transform import Affine, array_bounds
from rasterio.warp import calculate_default_transform, reproject
from shapely.geometry.base import BaseGeometry

from leaveby.fire.terrain import Grid
from leaveby.show.ground import hill_shade
from leaveby.show.symbols import SYMBOLS, mark_look
from leaveby.units import METRIC, Measures

WEB_CRS: Final = "EPSG:3857"
"""Projection of web maps."""

_DEGREES: Final = 7
"""Decimals of a degree that are kept: about a centimetre."""
_BEND_M: Final = 500.0
"""A straight line of a projected map bends on a web map by less than a centimetre over this length."""
_MOST_PIXELS: Final = 900
_UNTOLD: Final[dict[str, Any]] = {"Software": None}
"""matplotlib drops what is None; its stubs know only text."""
_SHADE: Final = np.array([[0.80, 0.79, 0.76], [0.985, 0.982, 0.972]])
"""Colour in full shade and in full light."""


@dataclass(frozen=True)
class Look:
    """How lines or areas are drawn: width in pixels, lengths of dashes and gaps in pixels, opacity of fill and line."""

    colour: str
    width_px: float
    dashes: str = ""
    fill: float = 0.0
    opacity: float = 1.0

    def style(self) -> dict[str, Any]:
        """Give it as the properties that web maps take."""
        return {
            "color": self.colour,
            "weight": self.width_px,
            "opacity": self.opacity,
            "dashArray": self.dashes or None,
            "lineCap": "butt" if self.dashes else "round",
            "fill": self.fill > 0.0,
            "fillColor": self.colour,
            "fillOpacity": self.fill,
        }


def look_of(kind: str, *, width_px: float | None = None, **changes: Any) -> Look:
    """The look of a kind of thing, as the one table of symbols has it."""
    symbol = SYMBOLS[kind]
    width = width_px or symbol.screen_px or 1.5 * symbol.width_pt
    dashes = " ".join(f"{part * width:g}" for part in symbol.dashes)
    return replace(Look(symbol.colour, width, dashes), **changes)


@dataclass(frozen=True)
class Shape:
    """One thing on the map, in WGS 84, longitude before latitude; `pane` is one of `PANES`: what lies over what.

    `words` are lines of plain text about it, shown as text: names in them are untrusted.
    """

    geometry: BaseGeometry
    words: tuple[str, ...]
    look: Look
    pane: str = "lines"

    def feature(self) -> dict[str, Any]:
        """Give it as a GeoJSON feature."""
        return {
            "type": "Feature",
            "geometry": shapely.geometry.mapping(self.geometry),
            "properties": {"words": list(self.words), "style": self.look.style()},
        }


@dataclass(frozen=True)
class Mark:
    """A sign with a few words beside it (inside it for "number"), which are shown as text: names are untrusted.

    The sign is a kind of point in the table of symbols, "number", or "" for words alone, in `colour` or else in ink.
    """

    lon_deg: float
    lat_deg: float
    sign: str
    text: str
    colour: str = ""


@dataclass(frozen=True)
class Layer:
    """What is switched on and off together, under plain words, with what the legend says of its lines and signs."""

    name: str
    shapes: tuple[Shape, ...] = ()
    marks: tuple[Mark, ...] = ()
    meanings: tuple[tuple[Look | str, str], ...] = ()


@dataclass(frozen=True)
class Picture:
    """The hills, as an image in web-map projection: the PNG itself as a `data:` address, and its outer edges."""

    url: str
    west_deg: float
    south_deg: float
    east_deg: float
    north_deg: float


@dataclass(frozen=True)
class LiveSheet:
    """Everything a map shows to begin with: its layers from the ground up, over a picture of the hills.

    `window_deg` is west, south, east and north of what is shown first, `described` what it says for a person who can't
    see it, `notice` whose data the roads are ("" where no notice is due), `measures` in what its scale is.
    """

    title: str
    picture: Picture | None
    layers: tuple[Layer, ...]
    window_deg: tuple[float, float, float, float]
    described: str
    notice: str
    measures: Measures = METRIC

    def under(self, layers: Iterable[Layer]) -> LiveSheet:
        """The same sheet with other layers under its own."""
        return replace(self, layers=(*layers, *self.layers))


PANES: Final[Mapping[str, int]] = {"area": 410, "under": 420, "lines": 430, "over": 440, "touch": 450}
"""Stacking order: burnt ground, bands under streets, streets, routes and trigger lines, what is pointed at."""


def collection(shapes: Iterable[Shape]) -> dict[str, Any]:
    """Give shapes as a GeoJSON feature collection."""
    return {"type": "FeatureCollection", "features": [shape.feature() for shape in shapes]}


def to_wgs84(geometry: Any, crs: str) -> Any:
    """Bring one geometry in metres, or an array of them, to WGS 84, within a centimetre: longitude before latitude.

    Long straight lines bend as they bend there.
    """
    change = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    return shapely.transform(
        shapely.segmentize(geometry, _BEND_M),
        lambda points: np.round(np.column_stack(change.transform(points[:, 0], points[:, 1])), _DEGREES),
    )


def lon_lat(x_m: float, y_m: float, crs: str) -> tuple[float, float]:
    """Longitude and latitude of a projected place, in degrees."""
    place = to_wgs84(shapely.Point(x_m, y_m), crs)
    return place.x, place.y


def hills(grid: Grid, elevation_m: NDArray[np.float64]) -> Picture:
    """Draw the light on the hills in the projection of web maps; clear where there is no terrain (NaN)."""
    shade = hill_shade(elevation_m, grid.cell_m)
    thin = max(1, math.ceil(max(shade.shape) / _MOST_PIXELS))
    rows, cols = (size - size % thin for size in shade.shape)
    # The mean of each block, and a picture that covers whole blocks only.
    shade = shade[:rows, :cols].reshape(rows // thin, thin, cols // thin, thin).mean(axis=(1, 3))
    cell_m = grid.cell_m * thin
    here = Affine(cell_m, 0.0, grid.x_min_m, 0.0, -cell_m, grid.y_max_m)
    left, bottom, right, top = array_bounds(*shade.shape, here)
    there, width, height = calculate_default_transform(
        grid.crs, WEB_CRS, shade.shape[1], shade.shape[0], left=left, bottom=bottom, right=right, top=top
    )
    light = np.full((height, width), np.nan)
    reproject(
        shade,
        light,
        src_transform=here,
        src_crs=grid.crs,
        src_nodata=np.nan,
        dst_transform=there,
        dst_crs=WEB_CRS,
        dst_nodata=np.nan,
        init_dest_nodata=True,
        resampling=Resampling.bilinear,
    )
    west, south, east, north = array_bounds(height, width, there)
    back = Transformer.from_crs(WEB_CRS, "EPSG:4326", always_xy=True)
    west_deg, south_deg = back.transform(west, south)
    east_deg, north_deg = back.transform(east, north)
    return Picture(_data_url(_png(light)), float(west_deg), float(south_deg), float(east_deg), float(north_deg))


def in_metres(lon_deg: float, lat_deg: float, crs: str) -> tuple[float, float]:
    """Where a longitude and latitude lie in a projected system."""
    x_m, y_m = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon_deg, lat_deg)
    return float(x_m), float(y_m)


@cache
def sign_url(sign: str) -> str:
    """The sign of a kind of point as a small clear picture, a `data:` address; "" for what is no kind of point."""
    if sign not in SYMBOLS or not SYMBOLS[sign].sign:
        return ""
    figure = Figure(figsize=(22.0 / 72.0, 22.0 / 72.0))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.plot(0.0, 0.0, **mark_look(sign))
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=216, transparent=True, metadata=_UNTOLD)
    return _data_url(stream)


def _data_url(stream: io.BytesIO) -> str:
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def _png(light: NDArray[np.float64]) -> io.BytesIO:
    """Light 0 to 1 as a pale grey picture; NaN is clear."""
    known = np.isfinite(light)
    share = np.clip((np.where(known, light, 0.0) - 0.1) / 0.85, 0.0, 1.0)[..., None]
    pixels = np.concatenate([_SHADE[0] + share * (_SHADE[1] - _SHADE[0]), known[..., None].astype(np.float64)], axis=2)
    stream = io.BytesIO()
    imsave(stream, np.round(pixels * 255.0).astype(np.uint8), format="png", metadata=_UNTOLD)
    return stream


def window_around(points_m: NDArray[np.float64], crs: str) -> tuple[float, float, float, float]:
    """West, south, east and north in degrees of the ground that holds projected points, with some room."""
    west, south = points_m.min(axis=0)
    east, north = points_m.max(axis=0)
    pad = 0.08 * max(east - west, north - south, 600.0)
    ring = to_wgs84(shapely.box(west - pad, south - pad, east + pad, north + pad), crs)
    return tuple(float(side) for side in ring.bounds)  # type: ignore[return-value]


def window_and_zoom(
    window_deg: tuple[float, float, float, float], *, width_px: float, height_px: float
) -> tuple[tuple[float, float], float]:
    """Middle (latitude, longitude) and zoom of a web map that shows a window whole.

    At zoom 0 the whole Earth is 256 pixels wide (common practice of web maps, no source).
    """
    west, south, east, north = window_deg
    turns = np.log(np.tan(np.pi / 4.0 + np.radians([south, north]) / 2.0)) / (2.0 * np.pi)
    wide, high = (east - west) / 360.0, float(turns[1] - turns[0])
    zoom = min(math.log2(width_px / 256.0 / wide), math.log2(height_px / 256.0 / high))
    middle = math.degrees(2.0 * math.atan(math.exp(float(turns.sum()) * math.pi)) - math.pi / 2.0)
    return (round(middle, 9) + 0.0, (west + east) / 2.0), math.floor(zoom * 4.0 + 1e-3) / 4.0
