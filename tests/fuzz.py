"""Damages files of every kind that is read, without end, and looks whether each is read or refused in plain words.

    python tests/fuzz.py --cases 200000

A case is known by its group, the seed and its number, so that it can be made again: `--group weather --first 1234
--cases 1 --keep FOLDER` writes it. Anything but an answer or an `InputError` is wrong: a traceback, a warning, a
request to a server, more than 20 seconds of processor time or ten times as much by the clock (after which a case is
ended), more than 2 GiB of memory at any moment.
Half of the cases are damaged bytes and words, half well formed and odd (`grammars.py`). `tests/files/test_fuzz.py`
runs a share of it.
"""

from __future__ import annotations

import argparse
import faulthandler
import gzip
import itertools
import json
import os
import random
import re
import resource
import shutil
import signal
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

import grammars
from leaveby.ask.district import read_district
from leaveby.ask.drill import check_drill
from leaveby.ask.household import check_household, demo_folder
from leaveby.ask.streets import read_raster
from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_starts, read_terrain, read_weather
from leaveby.files.read.homes import read_exits, read_homes
from leaveby.files.read.legends import fitting_raster
from leaveby.files.read.places import read_gatherings, read_places
from leaveby.files.read.practice import read_practice
from leaveby.files.read.roads import read_roads
from leaveby.files.read.station import Station
from leaveby.fire.terrain import Grid

LONGEST_S = 20.0
MOST_BYTES = 2 * 1024**3
HOME = {"home": (148.94, -36.13)}
CRS = grammars.CRS
GRID = Grid(x_min_m=674_000.0, y_max_m=6_000_000.0, cell_m=100.0, rows=20, cols=20, crs=CRS)
WEST, NORTH = grammars.WEST, grammars.NORTH


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
    (folder / "practice.csv").write_text(
        "date,way,who,task,start,stop,note\n2026-10-03,tow,,(whole run),14:00,15:24,dark\n"
        "2026-10-03,tow,Ines + Bo,refit the wheels,14:10,14:50,\n2026-10-04 09:00,car,Bo,pack the car,09:02,09:07,\n",
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
    """What is damaged, and what reads it; `share` cases a round, fewer of what takes long."""

    files: tuple[str, ...]
    read: Callable[[Path], object]
    share: float = 1.0


def _fuel(path: Path) -> object:
    legend = path if path.suffix == ".csv" else path.with_name("legend.csv")
    return read_fuel(GRID, path.with_name("fuel.tif") if path.suffix == ".csv" else path, legend=legend)


def _raster(path: Path) -> object:
    read_raster(path, crs=CRS, what="terrain")(np.array([674_000.0]), np.array([6_000_000.0]))
    read_starts(path, GRID)
    return fitting_raster(path)


def _weather(path: Path) -> object:
    return read_weather(path, GRID, fill_gaps=True, drought_factor=8.0)


def _station(path: Path) -> object:
    columns = (
        ("time", "DateTime"),
        ("temperature_c", "Temp (C)"),
        ("relative_humidity_percent", "RH %"),
        ("wind_speed_km_h", "Wind Speed km/h"),
        ("wind_from_compass", "Wind Dir"),
    )
    held = Station(columns, clock="+11:00", time_format="%d/%m/%Y %H:%M")
    return read_weather(path, GRID, station=held, fill_gaps=True, drought_factor=8.0)


def _roads(path: Path) -> object:
    read_roads(path, home_deg=HOME["home"])
    return read_places(path), read_gatherings(path)


GROUPS: dict[str, Group] = {
    "plan": Group(("demo/plan.toml", "demo/plan_two_fronts.toml"), check_household, 0.8),
    "drill": Group(("demo/drill.toml",), check_drill, 0.1),
    "district": Group(("demo/district.toml",), read_district, 0.02),
    "practice": Group(("practice.csv",), read_practice, 6.0),
    "terrain": Group(("terrain.tif",), lambda path: read_terrain(path, HOME)),
    "raster": Group(("terrain.tif",), _raster, 0.7),
    "fuel": Group(("fuel.tif",), _fuel),
    "legend": Group(("legend.csv",), _fuel, 6.0),
    "cover": Group(
        ("cover.gpkg", "cover.geojson", "cover.shp"), lambda path: read_fuel(GRID, path, column="cover"), 0.4
    ),
    "weather": Group(("weather.csv", "station.csv"), _weather, 6.0),
    "station": Group(("station.csv",), _station, 6.0),
    "forecast": Group(("forecast.nc", "forecast3.nc"), _weather, 0.2),
    "roads": Group(("roads.osm", "roads.osm.gz", "roads.osm.pbf"), _roads, 6.0),
    "graph": Group(("graph.graphml",), read_roads, 6.0),
    "lines": Group(("lines.gpkg", "lines.geojson", "lines.shp"), read_roads, 0.5),
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
    sound = (path for path in sorted(folder.iterdir()) if path.is_file() and "case" not in path.name)
    return [path.read_bytes() for path in sound if path.name != "before.osm"]


def case(folder: Path, group: str, seed: int, number: int) -> Path:
    """Write a damaged or an odd file beside the sound ones, and give its path."""
    draws = random.Random(f"{group} {seed} {number}")
    name = draws.choice(GROUPS[group].files)
    sound = folder / name
    raw = sound.read_bytes()
    ending = "." + sound.name.split(".", 1)[1]
    path = sound.with_name(f"case{ending.upper() if draws.random() < 0.05 and group != 'plan' else ending}")
    others = others_in(folder)
    if draws.random() < 0.5:
        grammars.written(path, sound, draws)
        return path
    is_text = sound.suffix in (".toml", ".csv", ".osm", ".graphml", ".geojson")
    if ending == ".shp":
        spoiled = draws.choice((".shp", ".shx", ".dbf", ".prj"))
        for one in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
            path.with_suffix(one).unlink(missing_ok=True)
            beside = sound.with_suffix(one)
            if beside.is_file():
                held = beside.read_bytes()
                path.with_suffix(one).write_bytes(of_bytes(held, draws, others) if one == spoiled else held)
        return path.with_suffix(".shp")
    if is_text and draws.random() < 0.8:
        path.write_bytes(of_text(raw.decode("utf-8"), draws))
    else:
        path.write_bytes(of_bytes(raw, draws, others))
    return path


@contextmanager
def silent_server() -> Iterator[tuple[int, list[str]]]:
    """A server on this machine that notes whatever is asked of it: its port, and what was asked."""
    asked: list[str] = []

    class Noting(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        do_HEAD = do_POST = do_CONNECT = do_GET  # noqa: N815

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    held = ThreadingHTTPServer(("127.0.0.1", 0), Noting)
    threading.Thread(target=held.serve_forever, daemon=True).start()
    yield held.server_address[1], asked
    held.shutdown()
    held.server_close()


class TooLongError(BaseException):
    """A case took too long; nothing that a reader catches."""


@contextmanager
def bounded() -> Iterator[None]:
    """End what takes too long, and give this process no more memory than twice what a case may take.

    A library that lets no signal through is ended a little later, with all: the last line then tells where it was.
    """

    def stop(*_: object) -> None:
        raise TooLongError

    before = {kind: signal.signal(kind, stop) for kind in (signal.SIGALRM, signal.SIGPROF)}
    limits = resource.getrlimit(resource.RLIMIT_DATA)
    resource.setrlimit(resource.RLIMIT_DATA, (2 * MOST_BYTES, limits[1]))
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.setitimer(signal.ITIMER_REAL, 10.0 * LONGEST_S)
    faulthandler.dump_traceback_later(20.0 * LONGEST_S, exit=True)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
        for timer in (signal.ITIMER_PROF, signal.ITIMER_REAL):
            signal.setitimer(timer, 0.0)
        resource.setrlimit(resource.RLIMIT_DATA, limits)
        for kind, held in before.items():
            signal.signal(kind, held)


def peak_bytes(*, anew: bool = False) -> int:
    """The most memory that this process held since it was last asked anew, as Linux counts it; elsewhere 0."""
    if sys.platform != "linux":
        return 0
    if anew:
        Path("/proc/self/clear_refs").write_text("5")
    (line,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return 1024 * int(line.split()[1])


def outcome(group: str, path: Path) -> tuple[str, str]:
    """Read a damaged file: "read", "refused" or "wrong", and what went wrong."""
    begun, _ = time.process_time(), peak_bytes(anew=True)
    try:
        with bounded(), warnings.catch_warnings():
            warnings.simplefilter("error")
            # what libraries say to developers alone
            warnings.simplefilter("ignore", DeprecationWarning)
            warnings.simplefilter("ignore", PendingDeprecationWarning)
            GROUPS[group].read(path)
        how = ("read", "")
    except InputError as error:
        how = ("refused", "")
        if not all(fault.place and fault.wrong and fault.expected and fault.mend for fault in error.faults):
            how = ("wrong", f"a fault without its parts: {error}")
    except TooLongError:
        how = ("wrong", f"ended after {LONGEST_S:.0f} s: {traceback.format_exc()}")
    except Exception:
        how = ("wrong", traceback.format_exc())
    took_s, held = time.process_time() - begun, peak_bytes()
    if held > MOST_BYTES:
        return "wrong", f"it took {held / 1e9:.1f} GB"
    return how if took_s < LONGEST_S or how[0] == "wrong" else ("wrong", f"it took {took_s:.0f} s")


def numbered(groups: list[str], first: int) -> Iterator[tuple[str, int]]:
    """Groups and numbers of cases, round by round, without end; of one group by itself each number."""
    for turn in itertools.count(first):
        for group in groups:
            share = GROUPS[group].share if len(groups) > 1 else 1.0
            yield from ((group, number) for number in range(int(turn * share), int((turn + 1) * share)))


def main() -> int:
    """Run as many cases as asked for, and print what came of them by group."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--cases", type=int, default=2_000)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--group", choices=sorted(GROUPS), action="append")
    asked.add_argument("--minutes", type=float, default=1e6, help="stop after so many, and print what came until then")
    asked.add_argument("--state", type=Path, help="file of the counts so far; where it is there, go on from it")
    asked.add_argument("--keep", type=Path, help="folder for the cases that go wrong")
    wanted = asked.parse_args()
    groups = wanted.group or list(GROUPS)
    came: dict[str, Counter[str]] = {group: Counter() for group in groups}
    if wanted.state and wanted.state.is_file():
        came |= {group: Counter(held) for group, held in json.loads(wanted.state.read_text("utf-8")).items()}
    begun = sum(held.total() for held in came.values())
    seen: Counter[str] = Counter()
    until = time.monotonic() + 60.0 * wanted.minutes
    with tempfile.TemporaryDirectory() as made, silent_server() as (port, requests):
        folder = Path(made)
        sound_files(folder)
        for name in ("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
            os.environ[name] = f"http://127.0.0.1:{port}"  # whatever is asked of anybody comes here
        for name in ("no_proxy", "NO_PROXY"):
            os.environ.pop(name, None)
        for group in groups:  # what is compiled at the first call counts for no case
            GROUPS[group].read(folder / GROUPS[group].files[0])
        for group, number in itertools.islice(numbered(groups, wanted.first), begun, wanted.cases):
            if time.monotonic() > until:
                break
            path = case(folder, group, wanted.seed, number)
            how, told = outcome(group, path)
            if requests:
                how, told = "wrong", f"it asked for {requests}"
                requests.clear()
            came[group][how] += 1
            if how == "wrong" or wanted.cases == 1:
                last = (told.strip().splitlines() or [""])[-1][:150]
                seen[f"{group}: {last}"] += 1
                if seen[f"{group}: {last}"] == 1:
                    sys.stderr.write(f"{group} {number}: {told}\n")
                if wanted.keep and seen[f"{group}: {last}"] < 20:
                    wanted.keep.mkdir(parents=True, exist_ok=True)
                    shutil.copy(path, wanted.keep / f"{group}-{wanted.seed}-{number}-{path.name}")
            if wanted.state and sum(held.total() for held in came.values()) % 50 == 0:
                wanted.state.write_text(json.dumps(came), "utf-8")
    for group, counts in came.items():
        sys.stdout.write(f"{group:10} {counts.total():7} tried {counts['refused']:7} refused {counts['read']:7} read ")
        sys.stdout.write(f"{counts['wrong']:5} wrong\n")
    for words, count in seen.most_common(30):
        sys.stdout.write(f"  {count} x {words}\n")
    return 1 if any(counts["wrong"] for counts in came.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
