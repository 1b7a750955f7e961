"""Files that only name other files or servers: no reader follows them, whatever they are called."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pyogrio
import pytest

from leaveby.ask.streets import read_raster
from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_terrain
from leaveby.files.read.homes import read_homes
from leaveby.files.read.roads import read_roads
from leaveby.fire.terrain import Grid

HOME = {"home": (148.94, -36.13)}
GRID = Grid(x_min_m=674_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=20, cols=20, crs="EPSG:32755")


class Silent(BaseHTTPRequestHandler):
    """Notes whatever is asked of it."""

    asked: list[str]

    def do_GET(self) -> None:
        self.asked.append(self.path)
        self.send_error(404)

    do_HEAD = do_POST = do_GET  # noqa: N815

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def server() -> Iterator[tuple[str, list[str]]]:
    asked: list[str] = []
    held = ThreadingHTTPServer(("127.0.0.1", 0), type("Noting", (Silent,), {"asked": asked}))
    threading.Thread(target=held.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{held.server_port}", asked
    held.shutdown()
    held.server_close()


CRAFTED = {
    "raster of another file": (
        '<VRTDataset rasterXSize="50" rasterYSize="50"><SRS>EPSG:4326</SRS><GeoTransform>148.9,0.001,0,-36.1,0,-0.001'
        '</GeoTransform><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="0">'
        "/vsicurl/{url}/a.tif</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    ),
    "map server": (
        '<GDAL_WMS><Service name="WMS"><ServerUrl>{url}/wms</ServerUrl><Layers>x</Layers></Service><DataWindow>'
        "<UpperLeftX>148</UpperLeftX><UpperLeftY>-36</UpperLeftY><LowerRightX>149</LowerRightX><LowerRightY>-37"
        "</LowerRightY><SizeX>10</SizeX><SizeY>10</SizeY></DataWindow></GDAL_WMS>"
    ),
    "layer of another file": (
        '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/vsicurl/{url}/a.geojson</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>"
    ),
    "layer server": "<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
    "layer server behind a remark": "<!-- a remark --><OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
}
ENDINGS = (".tif", ".hgt", ".asc", ".nc", ".gpkg", ".geojson", ".shp", ".gml", ".kml", ".json", ".vrt", ".TIF")


def terrain(path: Path) -> None:
    read_terrain(path, HOME)


def streets_raster(path: Path) -> None:
    read_raster(path, crs="EPSG:32755", what="terrain")(np.array([674_000.0]), np.array([6_000_000.0]))


def fuel_raster(path: Path) -> None:
    read_fuel(GRID, path, legend=Path("world"))


def fuel_polygons(path: Path) -> None:
    read_fuel(GRID, path, column="cover")


def roads(path: Path) -> None:
    read_roads(path)


def homes(path: Path) -> None:
    read_homes(path, crs="EPSG:32755")


READERS: tuple[Callable[[Path], object], ...] = (terrain, streets_raster, fuel_raster, fuel_polygons, roads, homes)


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.__name__)
def test_no_reader_asks_a_server(
    reader: Callable[[Path], object], server: tuple[str, list[str]], tmp_path: Path
) -> None:
    url, asked = server
    for name, text in CRAFTED.items():
        for ending in ENDINGS:
            path = tmp_path / f"crafted{ending}"
            path.write_text(text.replace("{url}", url), encoding="utf-8")
            with pytest.raises(InputError):
                reader(path)
            assert asked == [], (name, ending)


def test_the_server_is_asked_where_nothing_stands_before_it(server: tuple[str, list[str]], tmp_path: Path) -> None:
    """So that the test above would see it."""
    url, asked = server
    path = tmp_path / "crafted.gpkg"
    path.write_text(CRAFTED["layer server"].replace("{url}", url), encoding="utf-8")
    with pytest.raises(pyogrio.errors.DataSourceError):
        pyogrio.read_info(path)
    assert asked != []
