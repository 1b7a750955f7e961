"""Files that only name other files or servers: no reader follows them, whatever they are called."""

from __future__ import annotations

import atexit
import contextlib
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio

from leaveby.ask.streets import closings, read_raster
from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_starts, read_terrain, read_weather
from leaveby.files.read.homes import read_exits, read_homes
from leaveby.files.read.legends import fitting_raster
from leaveby.files.read.roads import read_roads
from leaveby.fire.terrain import Grid
from leaveby.roads.exits.street_table import street_table

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


# "arrival" asks for streets: one road will do.
DATA = Path(tempfile.mkdtemp(prefix="leaveby-test-"))
(DATA / "lines.geojson").write_text(
    '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"highway":"residential"},"geometry":'
    '{"type":"LineString","coordinates":[[148.94,-36.13],[148.95,-36.13]]}}]}',
    encoding="utf-8",
)
atexit.register(shutil.rmtree, DATA, ignore_errors=True)


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


def streets_fuel(path: Path) -> None:
    read_raster(path, crs="EPSG:32755", what="fuel")


def starts(path: Path) -> None:
    read_starts(path, GRID)


def likely_legend(path: Path) -> None:
    fitting_raster(path)


def weather(path: Path) -> None:
    read_weather(path, GRID)


def exits(path: Path) -> None:
    read_exits(path, crs="EPSG:32755")


def arrival(path: Path) -> None:
    network = read_roads(DATA / "lines.geojson")
    closings(street_table(network), path, standoff_m=100.0, smoke_lead_s=0.0)


READERS: tuple[Callable[[Path], object], ...] = (
    terrain, streets_raster, streets_fuel, fuel_raster, fuel_polygons, roads, homes, starts, likely_legend, weather,
    exits, arrival,
)  # fmt: skip


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


def sound_raster(path: Path, **tags: str) -> None:
    at = rasterio.Affine(100.0, 0.0, 673_000.0, 0.0, -100.0, 6_001_000.0)
    size = {"height": 40, "width": 40, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", driver="GTiff", crs="EPSG:32755", transform=at, nodata=-1.0, **size) as out:
        out.write(np.full((1, 40, 40), 20.0, dtype=np.float32))
        if tags:
            out.update_tags(ns="OVERVIEWS", **tags)


@pytest.mark.parametrize("where", ["in the raster", "beside it"])
def test_smaller_pictures_of_a_raster_that_lie_elsewhere_are_not_fetched(
    where: str, server: tuple[str, list[str]], tmp_path: Path
) -> None:
    url, asked = server
    path, elsewhere = tmp_path / "t.tif", f"/vsicurl/{url}/small.tif"
    if where == "in the raster":
        sound_raster(path, OVERVIEW_FILE=elsewhere)
    else:
        sound_raster(path)
        path.with_name("t.tif.aux.xml").write_text(
            f'<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">{elsewhere}</MDI></Metadata>'
            "</PAMDataset>",
            encoding="utf-8",
        )
    for reader in (terrain, streets_raster, streets_fuel, fuel_raster, starts, likely_legend, arrival):
        with contextlib.suppress(InputError):
            reader(path)
        assert asked == [], reader.__name__
    with rasterio.open(path) as opened:
        opened.read(1, out_shape=(4, 4))
    assert asked != []  # as it would have been


@pytest.mark.parametrize("no_proxy", ["", "*"])
def test_a_reference_system_that_lies_elsewhere_is_not_fetched(
    no_proxy: str, server: tuple[str, list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("no_proxy", no_proxy)
    url, asked = server
    path = tmp_path / "a.geojson"
    text = (DATA / "lines.geojson").read_text(encoding="utf-8")
    link = f'{{"crs":{{"type":"link","properties":{{"href":"{url}/crs","type":"proj4"}}}},'
    path.write_text(text.replace("{", link, 1), encoding="utf-8")
    for reader in (fuel_polygons, roads, homes, exits):
        with contextlib.suppress(InputError):
            reader(path)
        assert asked == [], reader.__name__
    pyogrio.read_info(path)
    assert asked != []  # as it would have been


def test_no_name_of_a_file_is_an_address(server: tuple[str, list[str]]) -> None:
    url, asked = server
    for reader in READERS:
        for name in (f"{url}/a.tif", f"/vsicurl/{url}/a.tif", f"NETCDF:{url}/a.nc", f"WFS:{url}", f"{url}/a.osm"):
            with pytest.raises(InputError):
                reader(Path(name))
    assert asked == []


def test_the_server_is_asked_where_nothing_stands_before_it(server: tuple[str, list[str]], tmp_path: Path) -> None:
    """So that the test above would see it."""
    url, asked = server
    path = tmp_path / "crafted.gpkg"
    path.write_text(CRAFTED["layer server"].replace("{url}", url), encoding="utf-8")
    with pytest.raises(pyogrio.errors.DataSourceError):
        pyogrio.read_info(path)
    assert asked != []
