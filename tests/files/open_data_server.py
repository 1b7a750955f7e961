"""An invented server of open data on this machine: roads, heights, land cover, weather, and what goes wrong."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlparse

import numpy as np
from rasterio.io import MemoryFile
from rasterio.transform import from_origin

LON, LAT = 148.03, -36.04
CLASSES = (10, 20, 30, 40, 50, 60, 80, 90)
PATCH_DEG = 0.05


def height_m(lon: Any, lat: Any) -> Any:
    """A tilted plane: bilinear resampling gives it back exactly."""
    return 100.0 + 500.0 * (lon - 147.0) + 300.0 * (lat + 37.0)


def cover(lon: Any, lat: Any) -> Any:
    """Square patches of classes."""
    at = np.floor(np.asarray(lon) / PATCH_DEG) * 7 + np.floor(np.asarray(lat) / PATCH_DEG) * 3
    return np.array(CLASSES, dtype=np.uint8)[(at % len(CLASSES)).astype(int)]


@cache
def tile(kind: str, west: int, south: int) -> bytes:
    size_deg, per_deg, of = (1, 480, height_m) if kind == "heights" else (3, 200, cover)
    pixels = size_deg * per_deg
    lon = west + (np.arange(pixels) + 0.5) / per_deg
    lat = south + size_deg - (np.arange(pixels) + 0.5) / per_deg
    values = of(lon[np.newaxis, :], lat[:, np.newaxis]).astype("float32" if kind == "heights" else "uint8")
    form = {"width": pixels, "height": pixels, "count": 1, "dtype": str(values.dtype), "crs": "EPSG:4326"}
    with MemoryFile() as memory:
        place = from_origin(west, south + size_deg, 1.0 / per_deg, 1.0 / per_deg)
        with memory.open(driver="COG", transform=place, compress="deflate", blocksize=128, **form) as target:
            target.write(values, 1)
        return bytes(memory.read())


ROADS = """<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6" generator="invented">
<note>An invented place.</note>
<meta osm_base="2026-01-01T00:00:00Z"/>
{nodes}
  <way id="10">{refs}<tag k="highway" v="residential"/><tag k="name" v="Gully Road"/></way>
  <way id="11"><nd ref="3"/><nd ref="40"/><tag k="highway" v="track"/></way>
</osm>
"""


def roads() -> bytes:
    ids = [*range(1, 30), 40]
    nodes = "\n".join(
        f'  <node id="{i}" lat="{LAT + 0.0001 * i}" lon="{LON + 0.001 * i}">'
        + ('<tag k="barrier" v="gate"/>' if i == 7 else "")
        + ('<tag k="place" v="hamlet"/><tag k="name" v="Gully"/>' if i == 40 else "")
        + "</node>"
        for i in ids
    )
    return ROADS.format(nodes=nodes, refs="".join(f'<nd ref="{i}"/>' for i in range(1, 30))).encode()


def hours_of(year: int) -> tuple[list[str], dict[str, np.ndarray]]:
    """A year of invented hourly weather: warm and dry in January, worst on 3 February 2002 from the north-west."""
    start, count = datetime(year, 1, 1, tzinfo=UTC), (datetime(year + 1, 1, 1) - datetime(year, 1, 1)).days * 24
    hours = [start + timedelta(hours=k) for k in range(count)]
    rng = np.random.default_rng(year)
    k = np.arange(count)
    warm = 12.0 * np.cos(2 * np.pi * k / count) + 8.0 * np.cos(2 * np.pi * (k + 10 - 15) / 24)
    values = {
        "T2M": 10.0 + warm + rng.normal(0, 2, count),
        "RH2M": np.clip(75.0 - 1.8 * warm + rng.normal(0, 4, count), 5, 100),
        "WS10M": np.abs(rng.normal(4, 1.5, count)),
        "WD10M": rng.uniform(0, 360, count),
    }
    for name, value in {"T2M": 43.0, "RH2M": 6.0, "WS10M": 14.0, "WD10M": 315.0}.items():
        if year == 2002:
            first = (datetime(2002, 2, 3, 0, tzinfo=UTC) - start).days * 24
            values[name][first : first + 8] = value  # 10:00 to 17:00 at ten hours ahead
    return [f"{hour:%Y%m%d%H}" for hour in hours], {name: np.round(column, 2) for name, column in values.items()}


@cache
def weather(year: int) -> bytes:
    hours, values = hours_of(year)
    return json.dumps(
        {
            "type": "Feature",
            "properties": {"parameter": {n: dict(zip(hours, c.tolist(), strict=True)) for n, c in values.items()}},
            "header": {"fill_value": -999.0, "time_standard": "UTC"},
            "parameters": {
                name: {"units": unit}
                for name, unit in (("T2M", "C"), ("RH2M", "%"), ("WS10M", "m/s"), ("WD10M", "Degrees"))
            },
        }
    ).encode()


@dataclass
class OpenData:
    """What the server does, and what it was asked."""

    asked: list[str] = field(default_factory=list)
    forms: list[str] = field(default_factory=list)
    sent_bytes: int = 0
    cut_after: int | None = None
    status: dict[str, int] = field(default_factory=dict)
    times: int = 10**9
    retry_after: str | None = None
    silent_s: float = 0.0
    page: bool = False
    no_parts: bool = False
    missing: set[str] = field(default_factory=set)
    missing_after: int = 10**9
    changed: Callable[[str, bytes], bytes] = lambda _path, content: content
    address: str = ""

    @property
    def addresses(self) -> dict[str, str]:
        return {name: f"{self.address}/{name}" for name in ("roads", "heights", "land_cover", "weather")}


def content_of(path: str) -> bytes | None:
    parts = urlparse(path)
    kind, name = parts.path.split("/")[1], parts.path.rpartition("/")[2]
    if kind == "roads":
        return roads()
    if kind == "weather":
        return weather(int(parse_qs(parts.query)["start"][0][:4]))
    if kind == "heights":
        words = name.split("_")
        ns, ew = words[4], words[6]
    else:
        ns, ew = name.split("_")[5][:3], name.split("_")[5][3:]
    south = int(ns[1:]) * (-1 if ns[0] == "S" else 1)
    west = int(ew[1:]) * (-1 if ew[0] == "W" else 1)
    return tile(kind, west, south)


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    state: OpenData

    def log_message(self, *_: object) -> None:
        """Say nothing."""

    def do_POST(self) -> None:
        self.state.forms.append(self.rfile.read(int(self.headers["Content-Length"])).decode())
        self.do_GET()

    def do_GET(self) -> None:
        state = self.state
        state.asked.append(self.path)
        time.sleep(state.silent_s)
        kind = self.path.split("/")[1].partition("?")[0]
        status = state.status.get(kind)
        if status is not None and state.times > 0:
            state.times -= 1
            headers = {} if state.retry_after is None else {"Retry-After": state.retry_after}
            self._answer(status, b"no", {**headers, "Location": "http://elsewhere.invalid/"})
            return
        if state.page:
            self._answer(200, b"<html><body>Please log in</body></html>", {"Content-Type": "text/html; charset=utf-8"})
            return
        if len(state.asked) > state.missing_after or any(name in self.path for name in state.missing):
            self._answer(404, b"none", {})
            return
        content = content_of(self.path)
        assert content is not None
        content = state.changed(self.path, content)
        wanted = self.headers.get("Range")
        if wanted is None or state.no_parts:
            # a map server streams: the end of what it sends is the end of the connection
            self._answer(200, content, {}, stated=kind != "roads")
            return
        first, last = (int(at) for at in wanted.removeprefix("bytes=").split("-"))
        part = content[first : last + 1]
        span = f"bytes {first}-{first + len(part) - 1}/{len(content)}"
        self._answer(206, part, {"Content-Range": span, "ETag": f'"{hash(content)}"'})

    def _answer(self, status: int, content: bytes, headers: dict[str, str], *, stated: bool = True) -> None:
        self.send_response(status)
        for key, value in ({"Content-Type": "application/octet-stream"} | headers).items():
            self.send_header(key, value)
        self.send_header("Content-Length" if stated else "Connection", str(len(content)) if stated else "close")
        self.end_headers()
        state = self.state
        left = len(content) if state.cut_after is None else min(len(content), state.cut_after - state.sent_bytes)
        self.wfile.write(content[: max(left, 0)])
        state.sent_bytes += max(left, 0)
        if left < len(content) or not stated:
            self.wfile.flush()
            self.close_connection = True
            self.connection.shutdown(socket.SHUT_RDWR)


class Quiet(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_: object) -> None:
        """A caller that has gone is no fault of the server."""


def started() -> tuple[OpenData, ThreadingHTTPServer]:
    state = OpenData()
    server = Quiet(("127.0.0.1", 0), type("Bound", (Handler,), {"state": state}))
    state.address = f"http://127.0.0.1:{server.server_port}"
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    return state, server
