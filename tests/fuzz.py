"""Damages files of every kind that is read, without end, and looks whether each is read or refused in plain words.

    python tests/fuzz.py --cases 200000

A case is known by its group, the seed and its number, so that it can be made again: `--group weather --first 1234
--cases 1 --keep FOLDER` writes it. Anything but an answer or an `InputError` is wrong: a traceback, a warning, a
request to a server, more than 20 seconds. `tests/files/test_fuzz.py` runs a share of it.
"""

from __future__ import annotations

import argparse
import gzip
import random
import re
import shutil
import sys
import tempfile
import threading
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import geopandas
import networkx as nx
import numpy as np
import osmnx
import pandas as pd
import rasterio
import shapely
import xarray as xr

from leaveby.ask.drill import check_drill
from leaveby.ask.household import check_household, demo_folder
from leaveby.ask.streets import read_raster
from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_starts, read_terrain, read_weather
from leaveby.files.read.homes import read_exits, read_homes
from leaveby.files.read.legends import fitting_raster
from leaveby.files.read.places import read_gatherings, read_places
from leaveby.files.read.roads import read_roads
from leaveby.fire.terrain import Grid

LONGEST_S = 20.0
HOME = {"home": (148.94, -36.13)}
CRS = "EPSG:32755"
GRID = Grid(x_min_m=674_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=20, cols=20, crs=CRS)
WEST, NORTH = 672_000.0, 6_002_000.0


def raster(path: Path, values: np.ndarray[Any, Any], *, nodata: float | None = None) -> None:
    """Write a raster of 100 m cells over the grid."""
    at = rasterio.Affine(100.0, 0.0, WEST, 0.0, -100.0, NORTH)
    size = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype.name}
    with rasterio.open(path, "w", driver="GTiff", crs=CRS, transform=at, nodata=nodata, compress="lzw", **size) as out:
        out.write(values, 1)


def sound_files(folder: Path) -> None:
    """Write one small file of every kind that is read, all of one place, beside a copy of the demo."""
    shutil.copytree(demo_folder(), folder / "demo", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    draws = np.random.default_rng(1)
    heights = 900.0 + 50.0 * np.sin(np.arange(60) / 9.0)[:, None] + draws.normal(0.0, 2.0, (60, 60))
    raster(folder / "terrain.tif", heights.astype(np.float32), nodata=-9999.0)
    raster(folder / "fuel.tif", draws.integers(1, 4, (60, 60)).astype(np.uint8), nodata=0.0)
    (folder / "legend.csv").write_text("value,fuel_type\n1,dry eucalypt forest\n2,shrubland\n3,water\n", "utf-8")
    shutil.copy(folder / "demo" / "weather.csv", folder / "weather.csv")
    (folder / "station.csv").write_text(
        "Station 12\nDateTime;Temp (C);RH %;Wind Speed km/h;Wind Dir\n"
        + "".join(f"17/01/2026 {hour:02d}:00;3{hour % 10},5;2{hour % 10};4{hour % 10};NW\n" for hour in range(24)),
        "utf-8",
    )
    times = pd.date_range("2026-01-17", periods=6, freq="h")
    size = (6, 3, 3)
    forecast = xr.Dataset(
        {
            "t2m": (("time", "lat", "lon"), np.full(size, 308.0), {"standard_name": "air_temperature", "units": "K"}),
            "r": (("time", "lat", "lon"), np.full(size, 20.0), {"standard_name": "relative_humidity", "units": "%"}),
            "u": (("time", "lat", "lon"), np.full(size, 8.0), {"standard_name": "eastward_wind", "units": "m s-1"}),
            "v": (("time", "lat", "lon"), np.full(size, -3.0), {"standard_name": "northward_wind", "units": "m s-1"}),
        },
        coords={
            "time": times,
            "lat": ("lat", [-36.3, -36.1, -35.9], {"standard_name": "latitude", "units": "degrees_north"}),
            "lon": ("lon", [148.8, 149.0, 149.2], {"standard_name": "longitude", "units": "degrees_east"}),
        },
    )
    forecast.to_netcdf(folder / "forecast.nc", engine="h5netcdf")
    forecast.to_netcdf(folder / "forecast3.nc", engine="scipy")
    at = [(148.94 + 0.002 * number, -36.13 + 0.001 * (number % 2)) for number in range(6)]
    nodes = "".join(
        f'<node id="{n + 1}" version="1" lat="{lat:.5f}" lon="{lon:.5f}"/>' for n, (lon, lat) in enumerate(at)
    )
    refs = "".join(f'<nd ref="{number + 1}"/>' for number in range(6))
    (folder / "roads.osm").write_text(
        '<?xml version="1.0"?>\n<osm version="0.6">\n<bounds minlat="-36.14" minlon="148.93" maxlat="-36.12" '
        f'maxlon="148.96"/>\n{nodes}\n<node id="9" version="1" lat="-36.13" lon="148.94"><tag k="place" v="hamlet"/>'
        f'<tag k="name" v="Sallow"/></node>\n<way id="7" version="1">{refs}<tag k="highway" v="residential"/>'
        '<tag k="maxspeed" v="50"/><tag k="name" v="Mill Road"/></way>\n<way id="8" version="1"><nd ref="1"/>'
        '<nd ref="2"/><nd ref="3"/><nd ref="1"/><tag k="building" v="house"/></way>\n</osm>\n',
        "utf-8",
    )
    (folder / "roads.osm.gz").write_bytes(gzip.compress((folder / "roads.osm").read_bytes(), mtime=0))
    import osmium

    with osmium.SimpleWriter(str(folder / "roads.osm.pbf")) as writer:
        for item in osmium.FileProcessor(str(folder / "roads.osm")):
            writer.add(item)
    graph: nx.MultiDiGraph[Any] = nx.MultiDiGraph(crs="EPSG:4326")
    for number, (lon, lat) in enumerate(at):
        graph.add_node(number, x=lon, y=lat, street_count=2)
    for number in range(5):
        for u, v in ((number, number + 1), (number + 1, number)):
            graph.add_edge(u, v, osmid=7, highway="residential", oneway=False, reversed=u > v, length=220.0)
    osmnx.save_graphml(graph, folder / "graph.graphml")
    lines = geopandas.GeoDataFrame({"highway": ["residential"]}, geometry=[shapely.LineString(at)], crs="EPSG:4326")
    box = shapely.box(148.9, -36.2, 149.0, -36.1)
    cover = geopandas.GeoDataFrame({"cover": ["shrubland"]}, geometry=[box], crs="EPSG:4326")
    points = geopandas.GeoDataFrame({"name": list("abcdef")}, geometry=[*map(shapely.Point, at)], crs="EPSG:4326")
    for frame, name in ((lines, "lines"), (cover, "cover"), (points, "points")):
        frame.to_file(folder / f"{name}.gpkg")
        frame.to_file(folder / f"{name}.geojson")
        frame.to_file(folder / f"{name}.shp")
    (folder / "homes.csv").write_text(
        "id,lon_deg,lat_deg,dwellings\n" + "".join(f"h{n},{lon},{lat},1\n" for n, (lon, lat) in enumerate(at)), "utf-8"
    )


@dataclass(frozen=True)
class Group:
    """What is damaged, and what reads it."""

    files: tuple[str, ...]
    read: Callable[[Path], object]


def _fuel(path: Path) -> object:
    legend = path if path.suffix == ".csv" else path.with_name("legend.csv")
    return read_fuel(GRID, path.with_name("fuel.tif") if path.suffix == ".csv" else path, legend=legend)


def _raster(path: Path) -> object:
    read_raster(path, crs=CRS, what="terrain")(np.array([674_000.0]), np.array([6_000_000.0]))
    read_starts(path, GRID)
    return fitting_raster(path)


def _weather(path: Path) -> object:
    return read_weather(path, GRID, fill_gaps=True, drought_factor=8.0)


def _roads(path: Path) -> object:
    read_roads(path, home_deg=HOME["home"])
    return read_places(path), read_gatherings(path)


GROUPS: dict[str, Group] = {
    "plan": Group(("demo/plan.toml", "demo/plan_two_fronts.toml"), check_household),
    "drill": Group(("demo/drill.toml",), check_drill),
    "terrain": Group(("terrain.tif",), lambda path: read_terrain(path, HOME)),
    "raster": Group(("terrain.tif",), _raster),
    "fuel": Group(("fuel.tif",), _fuel),
    "legend": Group(("legend.csv",), _fuel),
    "cover": Group(("cover.gpkg", "cover.geojson", "cover.shp"), lambda path: read_fuel(GRID, path, column="cover")),
    "weather": Group(("weather.csv", "station.csv"), _weather),
    "forecast": Group(("forecast.nc", "forecast3.nc"), _weather),
    "roads": Group(("roads.osm", "roads.osm.gz", "roads.osm.pbf"), _roads),
    "graph": Group(("graph.graphml",), read_roads),
    "lines": Group(("lines.gpkg", "lines.geojson", "lines.shp"), read_roads),
    "homes": Group(("homes.csv", "points.gpkg", "points.geojson", "roads.osm"), lambda path: read_homes(path, crs=CRS)),
    "exits": Group(("homes.csv", "points.geojson"), lambda path: read_exits(path, crs=CRS)),
}

ABSURD = (
    "", "-1", "0", "1e400", "-1e308", "nan", "inf", "9" * 5000, "1e-320", "99999999999999999999", "-32768", "0x7f",
    "\0", '"', "'", '"""', "\\", "[" * 5000, "{ a = " * 300, "9999-12-31T23:59:59+14:00", "0001-01-01T00:00:00-14:00",
    "1970-01-01", "true", "x" * 200_000, "\u202e", "\x1b[2J", "é", "~nobody", "/dev/zero", "/dev/stdin/x", "..",
    "a/" * 3000, "n" * 300, "https://127.0.0.1:9/x.tif", "/vsicurl/https://127.0.0.1:9/x.tif", "٣", "1,5", ";", "<a>",
    "&x;", "]]>", "-->", "null", "[]", "{}", "1_0", "+11:00", "UTC", "EPSG:4326", "EPSG:0",
)  # fmt: skip
_TOKEN = re.compile(r"-?\d[\d.:T+-]*|\"[^\"\n]*\"|[A-Za-z_]+")


def of_text(text: str, draws: random.Random) -> bytes:
    """Damage a text as people and programs do: words, numbers, lines, and the letters that it is written in."""
    kind = draws.randrange(8)
    lines = text.split("\n")
    if kind < 4:
        for _ in range(draws.choice((1, 1, 1, 2, 5))):
            found = list(_TOKEN.finditer(text))
            if found:
                one = draws.choice(found)
                put = draws.choice(ABSURD)
                text = text[: one.start()] + (f'"{put}"' if one[0][0] == '"' else put) + text[one.end() :]
        return text.encode("utf-8")
    at, to = draws.randrange(len(lines)), draws.randrange(len(lines))
    if kind == 4:
        del lines[at]
    elif kind == 5:
        lines.insert(to, lines[at])
    elif kind == 6:
        lines[at], lines[to] = lines[to], lines[at]
    else:
        coding = draws.choice(("utf-16", "utf-16-le", "utf-32", "latin-1", "utf-8-sig"))
        return text.replace("a", "é", 3).encode(coding, "replace")
    return "\n".join(lines).encode("utf-8")


def of_bytes(raw: bytes, draws: random.Random, others: list[bytes]) -> bytes:
    """Damage bytes as transfers and disks do."""
    kind, held = draws.randrange(9), bytearray(raw)
    start, stop = sorted(draws.randrange(len(raw) + 1) for _ in range(2))
    if kind == 0:
        return raw[:start]
    if kind == 1:
        for _ in range(draws.choice((1, 3, 20, 200))):
            held[draws.randrange(len(held))] = draws.randrange(256)
    elif kind == 2:
        del held[start:stop]
    elif kind == 3:
        held[start:stop] = bytes(stop - start)
    elif kind == 4:
        held[start:start] = draws.randbytes(draws.choice((1, 16, 4096)))
    elif kind == 5:
        held[stop:stop] = held[start:stop]
    elif kind == 6:
        return draws.choice(others)
    elif kind == 7:
        head = min(len(held), 512)
        for _ in range(draws.choice((1, 4))):
            at = draws.randrange(head)
            held[at : at + 4] = draws.choice((b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff"))
    else:
        return draws.choice((b"", b"\0", bytes(4096), gzip.compress(raw, mtime=0)))
    return bytes(held)


@cache
def others_in(folder: Path) -> list[bytes]:
    """What sound files hold."""
    return [path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file() and "case" not in path.name]


def case(folder: Path, group: str, seed: int, number: int) -> Path:
    """Write a damaged file beside the sound ones, and give its path."""
    draws = random.Random(f"{group} {seed} {number}")
    name = draws.choice(GROUPS[group].files)
    sound = folder / name
    raw = sound.read_bytes()
    ending = "." + sound.name.split(".", 1)[1]
    path = sound.with_name(f"case{ending.upper() if draws.random() < 0.05 and group != 'plan' else ending}")
    is_text = sound.suffix in (".toml", ".csv", ".osm", ".graphml", ".geojson")
    if ending == ".shp":
        spoiled = draws.choice((".shp", ".shx", ".dbf", ".prj"))
        for one in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
            path.with_suffix(one).unlink(missing_ok=True)
            beside = sound.with_suffix(one)
            if beside.is_file():
                held = beside.read_bytes()
                path.with_suffix(one).write_bytes(of_bytes(held, draws, others_in(folder)) if one == spoiled else held)
        return path.with_suffix(".shp")
    if is_text and draws.random() < 0.8:
        path.write_bytes(of_text(raw.decode("utf-8"), draws))
    else:
        path.write_bytes(of_bytes(raw, draws, others_in(folder)))
    return path


@contextmanager
def silent_server() -> Iterator[list[str]]:
    """A server on this machine that notes whatever is asked of it."""
    asked: list[str] = []

    class Noting(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        do_HEAD = do_POST = do_GET  # noqa: N815

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    held = ThreadingHTTPServer(("127.0.0.1", 0), Noting)
    threading.Thread(target=held.serve_forever, daemon=True).start()
    yield asked
    held.shutdown()
    held.server_close()


def outcome(group: str, path: Path) -> tuple[str, str]:
    """Read a damaged file: "read", "refused" or "wrong", and what went wrong."""
    begun = time.monotonic()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.filterwarnings("ignore", message="Use .@. matmul", category=PendingDeprecationWarning)
            GROUPS[group].read(path)
        how = ("read", "")
    except InputError as error:
        how = ("refused", "")
        if not all(fault.place and fault.wrong and fault.expected and fault.mend for fault in error.faults):
            how = ("wrong", f"a fault without its parts: {error}")
    except Exception:
        how = ("wrong", traceback.format_exc())
    took_s = time.monotonic() - begun
    return how if took_s < LONGEST_S else ("wrong", f"it took {took_s:.0f} s")


def main() -> int:
    """Run as many cases as asked for, and print what came of them by group."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--cases", type=int, default=2_000)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--group", choices=sorted(GROUPS), action="append")
    asked.add_argument("--minutes", type=float, default=1e6, help="stop after so many, and print what came until then")
    asked.add_argument("--keep", type=Path, help="folder for the cases that go wrong")
    wanted = asked.parse_args()
    groups = wanted.group or list(GROUPS)
    came: dict[str, Counter[str]] = {group: Counter() for group in groups}
    seen: Counter[str] = Counter()
    until = time.monotonic() + 60.0 * wanted.minutes
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        sound_files(folder)
        for number in range(wanted.first, wanted.first + -(-wanted.cases // len(groups))):
            if time.monotonic() > until:
                break
            for group in groups:
                path = case(folder, group, wanted.seed, number)
                how, told = outcome(group, path)
                came[group][how] += 1
                if how == "wrong" or wanted.cases == 1:
                    last = (told.strip().splitlines() or [""])[-1][:150]
                    seen[f"{group}: {last}"] += 1
                    if seen[f"{group}: {last}"] == 1:
                        sys.stderr.write(f"{group} {number}: {told}\n")
                    if wanted.keep:
                        wanted.keep.mkdir(parents=True, exist_ok=True)
                        shutil.copy(path, wanted.keep / f"{group}-{wanted.seed}-{number}-{path.name}")
    for group, counts in came.items():
        sys.stdout.write(f"{group:10} {counts.total():7} tried {counts['refused']:7} refused {counts['read']:7} read ")
        sys.stdout.write(f"{counts['wrong']:5} wrong\n")
    for words, count in seen.most_common(30):
        sys.stdout.write(f"  {count} x {words}\n")
    return 1 if any(counts["wrong"] for counts in came.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
