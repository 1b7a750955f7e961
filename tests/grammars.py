"""Files that are well formed and say odd things, one grammar for each form, for `fuzz.py`.

Damaged bytes seldom come past the libraries that take a file apart; these do, and so try what is done with them.
"""

from __future__ import annotations

import gzip
import itertools
import json
import math
import random
import tomllib
import warnings
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import geopandas
import networkx as nx
import numpy as np
import osmium
import rasterio
import shapely
import xarray as xr

Draws = random.Random
CRS = "EPSG:32755"
WEST, NORTH = 672_000.0, 6_002_000.0
LON, LAT = 148.94, -36.13
NUMBERS = (
    0.0, 1.0, -1.0, 0.5, 2.0, 10.0, 90.0, 100.0, 180.0, 255.0, 359.999, 360.0, -180.0, 1e3, 32767.0, -32768.0, 1e6,
    1e12, 1e300, -1e300, 1e-300, 5e-324, math.inf, -math.inf, math.nan, 2.0**31, 2.0**53 + 1, 2.0**63,
)  # fmt: skip
WORDS = (
    "", " ", "yes", "no", "none", "nan", "NULL", "-", "0", "1", "0.0", "1,5", "1;2", "50 mph", "walk", "50|60",
    "AU:urban", "+-3", "1e3", "٣", "é", "\u202eabc", "a" * 300, "<b>", "&amp;", "'", '"', "\\", "%s{0}", "water",
    "dry eucalypt forest", "2026-01-17T09:00:00+11:00", "../../etc/passwd", "http://127.0.0.1:9/", "Sallow",
    "/vsicurl/http://127.0.0.1:9/a.tif",
)  # fmt: skip
SYSTEMS = (
    "EPSG:4326",
    "EPSG:32755",
    "EPSG:3857",
    "EPSG:32756",
    "EPSG:2263",
    "EPSG:4978",
    "EPSG:5773",
    "EPSG:32661",
    "EPSG:7844",
)


def number(draws: Draws) -> float:
    """A number as it may stand, or as it may not."""
    kind = draws.randrange(4)
    if kind == 0:
        return draws.choice(NUMBERS)
    return draws.uniform(-200.0, 200.0) if kind == 1 else draws.gauss(0.0, 10.0 ** draws.uniform(-6.0, 9.0))


def value(draws: Draws, depth: int = 0) -> Any:
    """Any value that TOML and JSON know."""
    kind = draws.randrange(9 if depth < 3 else 6)
    if kind == 6:
        return [value(draws, depth + 1) for _ in range(draws.choice((0, 1, 2, 3, 30)))]
    if kind == 7:
        return {draws.choice(("a", "name", "lon_deg", "likely_min")): value(draws, depth + 1) for _ in range(2)}
    if kind == 8:
        moment = datetime(draws.choice((1, 1970, 2026, 9999)), draws.randint(1, 12), draws.randint(1, 28), 3, 4)
        return draws.choice((moment, moment.date(), moment.time()))
    return (draws.choice((True, False)), draws.randint(-5, 500), 10**30, number(draws), draws.choice(WORDS), 0)[kind]


def toml_of(held: Any) -> str:
    """A value as TOML writes it on one line."""
    if isinstance(held, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml_of(one)}" for key, one in held.items()) + "}"
    if isinstance(held, list):
        return "[" + ", ".join(map(toml_of, held)) + "]"
    if isinstance(held, bool | str):
        return json.dumps(held)
    if isinstance(held, datetime | date | time):
        return held.isoformat()
    return repr(held)


def spots_of(held: Any) -> list[tuple[Any, Any]]:
    """Every place of a document and of what lies in it: what holds it, and its key."""
    spots: list[tuple[Any, Any]] = []
    for key, one in list(held.items() if isinstance(held, dict) else enumerate(held)):
        spots.append((held, key))
        if isinstance(one, dict | list):
            spots += spots_of(one)
    return spots


def toml(sound: str, draws: Draws) -> bytes:
    """A file of keys whose values, keys and tables are taken away, doubled, exchanged or replaced."""
    document = tomllib.loads(sound)
    spots = spots_of(document)
    for _ in range(draws.choice((1, 1, 2, 3, 8))):
        held, key = draws.choice(spots)
        other, there = draws.choice(spots)
        kind = draws.randrange(6)
        try:
            if kind == 0:
                del held[key]
            elif kind == 1:
                held[key] = other[there]
            elif kind == 2 and isinstance(held[key], int | float):
                held[key] = held[key] * draws.choice((-1, 0, 2, 1000, 1e-9, 1e12))
            elif kind == 3 and isinstance(held, list):
                held.extend(held[key : key + 1] * draws.choice((1, 2, 20)))
            elif kind == 4 and isinstance(held, dict):
                held[draws.choice((key + "s", key.upper(), "", "é", str(there)))] = held.pop(key)
            else:
                held[key] = value(draws)
            json.dumps(document, default=str)  # no value inside itself
        except (LookupError, OverflowError, TypeError, ValueError):
            return sound.encode("utf-8")
    lines = []
    for name, held in sorted(document.items(), key=lambda item: isinstance(item[1], dict | list)):
        if isinstance(held, list) and held and all(isinstance(one, dict) for one in held):
            for one in held:
                lines += [f"[[{json.dumps(name)}]]", *(f"{json.dumps(k)} = {toml_of(v)}" for k, v in one.items())]
        elif isinstance(held, dict):
            lines += [f"[{json.dumps(name)}]", *(f"{json.dumps(k)} = {toml_of(v)}" for k, v in held.items())]
        else:
            lines.append(f"{json.dumps(name)} = {toml_of(held)}")
    return "\n".join(lines).encode("utf-8")


def table(sound: str, draws: Draws) -> bytes:
    """A table whose columns and rows are turned round, whose separators, decimal marks, times and cells are others."""
    lines = [line for line in sound.splitlines() if line]
    mark = ";" if lines[-1].count(";") > lines[-1].count(",") else ","
    rows = [line.split(mark) for line in lines]
    for _ in range(draws.choice((1, 1, 2, 3))):
        kind, at = draws.randrange(10), draws.randrange(len(rows))
        column = draws.randrange(max(map(len, rows)))
        if kind == 0:
            rows = [[*row[:column], *row[column + 1 :]] for row in rows]
        elif kind == 1:
            order = draws.sample(range(max(map(len, rows))), max(map(len, rows)))
            rows = [[row[k] for k in order if k < len(row)] for row in rows]
        elif kind == 2:
            rows = [rows[0], *draws.sample(rows[1:], len(rows) - 1)]
        elif kind == 3:
            rows[at:at] = [rows[at]] * draws.choice((1, 3, 300))
        elif kind == 4:
            rows = [
                *rows[:1],
                *([draws.choice(WORDS) if k == column else one for k, one in enumerate(r)] for r in rows[1:]),
            ]
        elif kind == 5:
            rows = [[one.replace(".", ",") for one in row] for row in rows]
        elif kind == 6:
            rows[0] = [one + draws.choice((" ", "_", "(C)", " %", "")) for one in rows[0]]
        elif kind == 7:
            rows[at:at] = [[draws.choice(("#", "", " ", '"', "x")) * draws.choice((1, 5))]]
        elif kind == 8 and len(rows[at]) > column:
            rows[at][column] = draws.choice((repr(number(draws)), draws.choice(WORDS)))
        else:
            del rows[draws.randrange(len(rows)) :]
        if not rows:
            return b""
    mark = draws.choice((mark, mark, mark, ",", ";", "\t", "|"))
    end = draws.choice(("\n", "\r\n", "\r", "\n\n"))
    return end.join(mark.join(row) for row in rows).encode("utf-8", "replace")


def seldom(draws: Draws, usual: Any, *odd: Any) -> Any:
    """The usual, and one time in eight something odd, so that a file has one or two oddities and not all at once."""
    return draws.choice(odd) if draws.random() < 0.125 else usual


def raster(path: Path, draws: Draws, *, codes: bool) -> None:
    """A raster of any kind of number, size, place, reference system, packing and mark for voids."""
    chance = np.random.default_rng(draws.randrange(2**32))
    kinds = ("uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "complex64")
    kind = draws.choice(kinds[:7]) if draws.random() < 0.5 else seldom(draws, "uint8" if codes else "float32", *kinds)
    rows, cols = (seldom(draws, draws.choice((60, 90, 300)), 1, 2, 7) for _ in range(2))
    count = seldom(draws, 1, 2, 4)
    if codes:
        values = chance.integers(1, seldom(draws, 4, 2, 5, 256), (count, rows, cols)).astype(np.float64)
    else:
        middle, spread = seldom(draws, 900.0, 0.0, -600.0, 8900.0, 1e5), seldom(draws, 20.0, 0.0, 500.0, 1e4, 1e30)
        values = chance.normal(middle, spread, (count, rows, cols))
    values[chance.random(values.shape) < seldom(draws, 0.0, 0.01, 0.5, 1.0)] = draws.choice(NUMBERS)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cells = values.astype(kind)
    cell = seldom(draws, 100.0, 30.0, 250.0, 0.01, 1e-6, 1e5, 1e9)
    at, system = rasterio.Affine(cell, 0.0, WEST, 0.0, -cell, NORTH), CRS
    if draws.random() < 0.3:
        step = seldom(draws, 0.0015, 0.001, 0.01, 1.0, 10.0)
        at, system = rasterio.Affine(step, 0.0, LON - 0.04, 0.0, -step, LAT + 0.04), "EPSG:4326"
    at = seldom(
        draws,
        at,
        at @ rasterio.Affine.rotation(draws.uniform(0.0, 360.0)),
        at @ rasterio.Affine.scale(1.0, -1.0) @ rasterio.Affine.translation(0.0, -rows),
        at @ rasterio.Affine.shear(30.0, 10.0),
        rasterio.Affine(*(number(draws) for _ in range(6))),
        rasterio.Affine.identity(),
    )
    system = seldom(draws, system, *SYSTEMS, None)
    nodata = (
        seldom(draws, 0.0, 255.0, None) if np.dtype(kind).kind in "ui" else seldom(draws, -9999.0, math.nan, 0.0, None)
    )
    more: dict[str, Any] = draws.choice(
        ({}, {}, {"compress": "deflate"}, {"tiled": True, "blockxsize": 16, "blockysize": 16}, {"photometric": "rgb"})
    )
    size = {"height": rows, "width": cols, "count": count, "dtype": kind}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(path, "w", driver="GTiff", crs=system, transform=at, nodata=nodata, **size, **more) as out:
            out.write(cells)
            if draws.random() < 0.1:
                out.scales, out.offsets = (number(draws),) * count, (number(draws),) * count
            if draws.random() < 0.1:
                out.write_mask(draws.random() < 0.5)
            if draws.random() < 0.1 and min(rows, cols) > 4:
                out.build_overviews([2])
            if draws.random() < 0.1:
                out.update_tags(attribution=draws.choice(WORDS), AREA_OR_POINT="Point")


FIELDS = {
    "t2m": ("air_temperature", "K", ("degC", "degF", "Celsius", "1", ""), 300.0, 8.0),
    "r": ("relative_humidity", "%", ("1", "kg kg-1"), 20.0, 4.0),
    "u": ("eastward_wind", "m s-1", ("m/s", "km/h", "knots", "furlong"), 8.0, 3.0),
    "v": ("northward_wind", "m s-1", ("m/s", "km h-1"), -3.0, 3.0),
    "d": ("dew_point_temperature", "K", ("degC",), 280.0, 2.0),
    "g": ("wind_speed_of_gust", "m s-1", ("kt",), 20.0, 2.0),
    "w": ("wind_speed", "m s-1", ("km/h",), 9.0, 2.0),
    "wd": ("wind_from_direction", "degree", ("degrees", "rad"), 180.0, 40.0),
}


def forecast(path: Path, draws: Draws) -> None:
    """A gridded forecast whose variables, dimensions, units, calendars, voids and axes are others, or missing."""
    chance = np.random.default_rng(draws.randrange(2**32))
    steps, rows, cols = (seldom(draws, draws.choice((3, 6)), 1, 2, 0) for _ in range(3))
    dims = seldom(draws, ("time", "lat", "lon"), ("lat", "lon", "time"), ("time", "lat"), ("time",), ("lat", "lon"))
    sizes = {"time": steps, "lat": rows, "lon": cols}
    held: dict[str, Any] = {}
    for name, (standard, unit, units, middle, spread) in FIELDS.items():
        if draws.random() < (0.98 if name in ("t2m", "r", "u", "v") else 0.15):
            own = dims if draws.random() < 0.98 else ("time",)
            values = chance.normal(middle, spread, tuple(sizes[dim] for dim in own))
            if draws.random() < 0.1 and values.size:
                values.flat[draws.randrange(values.size)] = number(draws)
            told: dict[str, Any] = {"standard_name": standard, "units": seldom(draws, unit, *units)}
            for key in [key for key in told if draws.random() < 0.03]:
                told[key] = draws.choice(WORDS)
            if draws.random() < 0.03:
                told |= {"add_offset": number(draws), "scale_factor": number(draws)}
            held[name] = (own, values.astype(draws.choice(("f4", "f8"))), told)
    lats = np.linspace(LAT - 0.2, LAT + 0.2, rows)[:: draws.choice((1, -1))]
    lons = np.linspace(LON - 0.2, LON + 0.2, cols) + seldom(draws, 0.0, 360.0, -360.0, 50.0, math.nan)
    unit = seldom(
        draws, "hours since 2026-01-17", "seconds since 1970-01-01", "days since 0001-01-01", "hours", "x since y"
    )
    times = np.arange(steps) * seldom(draws, 1, -1, 0, 3, 10**6) + seldom(draws, 0, 0.5, 500000)
    calendar = seldom(draws, "standard", "noleap", "360_day", "julian", "moon")
    axes: dict[str, Any] = {
        "lat": ("lat", lats, {"standard_name": "latitude", "units": "degrees_north"}),
        "lon": ("lon", lons, {"standard_name": "longitude", "units": "degrees_east"}),
        "time": ("time", times, {"standard_name": "time", "units": unit, "calendar": calendar}),
    }
    kept = {key: axis for key, axis in axes.items() if draws.random() < 0.98}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made = xr.Dataset(held, coords=kept)
        made.to_netcdf(path, engine="scipy" if draws.random() < 0.3 else "h5netcdf")


def _point(draws: Draws) -> tuple[float, float]:
    if draws.random() < 0.05:
        return draws.choice(NUMBERS), draws.choice(NUMBERS)
    return LON + draws.gauss(0.0, 0.02), LAT + draws.gauss(0.0, 0.02)


def shape(draws: Draws, kind: int) -> Any:
    """A shape: sound, empty, missing, crossing itself, with heights, or of another kind than those beside it."""
    points = [_point(draws) for _ in range(draws.choice((1, 2, 3, 4, 4, 8)))]
    try:
        if kind == 0:
            return shapely.Point(points[0])
        if kind == 1:
            return shapely.LineString(points if len(points) > 1 else points * 2)
        if kind == 2:
            return (
                shapely.Polygon(points) if len(points) > 3 else shapely.box(LON - 0.1, LAT - 0.1, LON + 0.1, LAT + 0.1)
            )
        if kind == 3:
            return draws.choice((None, shapely.Point(), shapely.Polygon(), shapely.LineString()))
        if kind == 4:
            return draws.choice(
                (
                    shapely.MultiPoint(points),
                    shapely.MultiLineString([points * 2, points * 2]),
                    shapely.MultiPolygon([shapely.box(LON, LAT, LON + 1, LAT + 1)] * 2),
                )
            )
        return draws.choice(
            (
                shapely.GeometryCollection([shapely.Point(points[0])]),
                shapely.force_3d(shapely.LineString(points * 2), 7.0),
            )
        )
    except (ValueError, shapely.errors.GEOSException):
        return None


def layer(path: Path, draws: Draws, usual: int, columns: tuple[str, ...]) -> None:
    """A layer of mostly one kind of shape whose columns hold words, numbers, nothing, or something of each."""
    count = seldom(draws, 6, 0, 1, 2, 40)
    kinds = [usual if draws.random() < 0.95 else draws.randrange(6) for _ in range(count)]
    if path.suffix == ".shp":
        kinds = [usual] * count
    shapes = [shape(draws, kind) for kind in kinds]
    held: dict[str, Any] = {}
    for name in (*columns, "lanes", "oneway"):
        if draws.random() < 0.95:
            sound: Callable[[], Any] = {
                "highway": lambda: draws.choice(("residential", "track", "primary")),
                "cover": lambda: draws.choice(("shrubland", "natural grassland", "water")),
                "maxspeed": lambda: "50",
                "dwellings": lambda: draws.randint(1, 9),
                "lanes": lambda: 1,
                "oneway": lambda: "no",
            }.get(name, lambda: draws.choice(WORDS))
            odd: Callable[[], Any] = draws.choice(
                (lambda: draws.choice(WORDS), lambda: draws.randint(-3, 300), lambda: number(draws), lambda: None)
            )
            held[name] = [seldom(draws, sound, odd)() for _ in range(count)]
            held[name] = seldom(draws, held[name], [odd() for _ in range(count)])
    frame = geopandas.GeoDataFrame(
        held,
        geometry=geopandas.GeoSeries(shapes, dtype="geometry"),
        crs=seldom(draws, "EPSG:4326", *SYSTEMS, None),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame.to_file(path)
        if path.suffix == ".gpkg" and draws.random() < 0.1:
            frame.to_file(path, layer=draws.choice(("more", "a b", "é")))


TAGS = {
    "highway": ("residential", "residential", "track", "primary", "path", "footway", "motorway", "steps", "proposed"),
    "oneway": ("yes", "-1", "no", "reversible", "1"), "lanes": ("1", "2", "0", "1.5", "a"), "ref": ("B72",),
    "maxspeed": ("50", "30 mph", "none", "walk", "0", "-5", "50;60", "1e9", "AU:rural"), "maxspeed:forward": ("60",),
    "width": ("3", "3 m", "10'6\"", "3,5", "-1", "0"), "maxheight": ("4.5", "default", "14'", "0"),
    "maxweight": ("3.5", "10 t", "20000 lbs"), "access": ("yes", "no", "private", "destination", "emergency"),
    "barrier": ("gate", "bollard", "fence"), "surface": ("asphalt", "gravel", "mud"), "ford": ("yes",),
    "bridge": ("yes",), "tunnel": ("yes",), "layer": ("1", "-1", "x"), "junction": ("roundabout",), "area": ("yes",),
    "noexit": ("yes",), "smoothness": ("impassable",), "tracktype": ("grade5",), "locked": ("yes",),
    "incline": ("up", "10%"), "building": ("house", "yes", "apartments"), "building:flats": ("3", "-1", "x", "9" * 8),
    "place": ("hamlet", "town", "locality"), "name": WORDS, "emergency": ("assembly_point",), "amenity": ("school",),
    "addr:housenumber": ("1", "1-9"), "landuse": ("residential",), "capacity": ("20", "x"), "vehicle": ("no",),
    "motor_vehicle:conditional": ("no @ (22:00-06:00)",), "type": ("multipolygon",),
}  # fmt: skip


def _tags(draws: Draws, most: int) -> str:
    keys = draws.sample(sorted(TAGS), draws.randint(0, most))
    held = {key: draws.choice(TAGS[key]) if draws.random() < 0.9 else draws.choice(WORDS) for key in keys}
    return "".join(f"<tag k={quoteattr(key)} v={quoteattr(one)}/>" for key, one in held.items())


def extract(path: Path, draws: Draws) -> None:
    """An extract of the map: nodes, ways and relations with tags of any value, points missing, doubled or far away."""
    count = draws.choice((2, 4, 6, 9, 9, 25))
    places = [
        (LON + 0.002 * n, LAT + draws.choice((0.0, 0.001 * (n % 3), draws.gauss(0.0, 0.05)))) for n in range(count)
    ]
    if draws.random() < 0.1:
        places[draws.randrange(count)] = draws.choice(
            ((180.0, -90.0), (-180.0, 90.0), (0.0, 0.0), places[0], (LON + 3, LAT))
        )
    shift = draws.choice((0, 0, 0, 10**9, -100))
    body = []
    for n, (lon, lat) in enumerate(places):
        held = _tags(draws, 2) if draws.random() < 0.3 else ""
        body.append(f'<node id="{n + 1 + shift}" version="1" lat="{lat:.7f}" lon="{lon:.7f}">{held}</node>')
    for way in range(draws.choice((0, 1, 2, 5, 5, 12))):
        refs = [draws.randrange(count) for _ in range(draws.choice((0, 1, 2, 3, 5)))]
        if draws.random() < 0.7:
            first = draws.randrange(count)
            refs = list(range(first, min(first + draws.randint(2, 6), count)))
        if draws.random() < 0.2 and refs:
            refs.append(refs[0])
        named = "".join(f'<nd ref="{ref + 1 + shift + (500 if draws.random() < 0.02 else 0)}"/>' for ref in refs)
        road = '<tag k="highway" v="residential"/>' if draws.random() < 0.6 else ""
        more = _tags(draws, 5)
        more = more if not road else "".join(f"<tag{one}" for one in more.split("<tag")[1:] if 'k="highway"' not in one)
        body.append(f'<way id="{way + 1}" version="1">{named}{road}{more}</way>')
    if draws.random() < 0.3:
        kinds = draws.choice((("way", "from"), ("way", "outer"), ("node", "via"), ("relation", "x")))
        members = "".join(
            f'<member type="{kinds[0]}" ref="{draws.randint(1, 9)}" role="{kinds[1]}"/>' for _ in range(3)
        )
        body.append(
            f'<relation id="1" version="1">{members}{_tags(draws, 4)}<tag k="restriction" v="no_left_turn"/></relation>'
        )
    bounds = seldom(
        draws,
        draws.choice(("", '<bounds minlat="-36.14" minlon="148.93" maxlat="-36.12" maxlon="148.96"/>')),
        '<bounds minlat="1" minlon="2" maxlat="-1" maxlon="x"/>',
        '<bounds minlat="91" minlon="-999" maxlat="95" maxlon="999"/>',
    )
    text = f'<?xml version="1.0" encoding="UTF-8"?>\n<osm version="0.6">{bounds}\n' + "\n".join(body) + "\n</osm>\n"
    raw = text.encode("utf-8", "replace")
    if path.name.lower().endswith(".osm.pbf"):
        plain = path.with_name("before.osm")
        plain.write_bytes(raw)
        try:
            with (
                osmium.SimpleWriter(str(path), filetype=None)
                if path.suffix == ".pbf"
                else osmium.SimpleWriter(osmium.io.File(str(path), "pbf")) as writer
            ):
                for item in osmium.FileProcessor(str(plain)):
                    writer.add(item)
        except RuntimeError:  # what not even the library writes
            path.write_bytes(raw)
        return
    path.write_bytes(gzip.compress(raw, mtime=0) if path.name.lower().endswith(".gz") else raw)


def graph(path: Path, draws: Draws) -> None:
    """A graph of roads whose nodes and edges lack what they should have, or say it otherwise."""
    made: Any = seldom(draws, nx.MultiDiGraph, nx.DiGraph, nx.Graph, nx.MultiGraph)()
    if draws.random() < 0.98:
        made.graph["crs"] = seldom(draws, "EPSG:4326", *SYSTEMS, "x", "")
    count = seldom(draws, 6, 1, 2, 12)
    for node in range(count):
        lon, lat = LON + 0.002 * node, LAT + 0.001 * (node % 3)
        held: dict[str, Any] = {"x": lon, "y": lat, "street_count": 2}
        for key in [key for key in held if draws.random() < 0.02]:
            held[key] = draws.choice((number(draws), draws.choice(WORDS)))
        if draws.random() < 0.02:
            held.pop(draws.choice(sorted(held)))
        made.add_node(node if draws.random() < 0.98 else f"n{node}", **held)
    nodes = list(made)
    for one, other in itertools.pairwise(nodes):
        for u, v in ((one, other), (other, one)):
            edge: dict[str, Any] = {
                "osmid": 7,
                "highway": "residential",
                "oneway": False,
                "reversed": u is other,
                "length": 220.0,
            }
            if draws.random() < 0.3:
                key = draws.choice(
                    (*edge, "maxspeed", "lanes", "width", "name", "geometry", "access", "bridge", "grade")
                )
                edge[key] = draws.choice(
                    (
                        number(draws),
                        draws.choice(WORDS),
                        "[1, 2]",
                        "['a', 'b']",
                        "LINESTRING (0 0, 1 1)",
                        "POINT (1 1)",
                        True,
                        "False",
                        "[1, 'x'",
                    )
                )
            if draws.random() < 0.01:
                edge.pop(draws.choice(sorted(edge)))
            made.add_edge(u, v, **edge)
    if draws.random() < 0.1:
        made.add_edge(nodes[0], nodes[0], osmid=9, highway="service", oneway=False, reversed=False, length=0.0)
    if draws.random() < 0.1:
        made = nx.relabel_nodes(
            made, {node: draws.choice((10**25 + k, -k - 1, f"{k}.5")) for k, node in enumerate(made)}
        )
    if draws.random() < 0.95:  # all in letters, as such graphs are saved
        for held in (*(one for _, one in made.nodes(data=True)), *(one for *_, one in made.edges(data=True))):
            held.update({key: str(one) for key, one in held.items()})
    try:
        nx.write_graphml(made, path)
    except (ValueError, nx.NetworkXError):  # letters that XML has none of
        path.write_bytes(b"<graphml/>")


COLUMNS = {"cover": ("cover",), "lines": ("highway", "name", "maxspeed"), "points": ("name", "id", "dwellings")}
SHAPES = {"cover": 2, "lines": 1, "points": 0}


def geojson(sound: str, draws: Draws) -> bytes:
    """GeoJSON whose members are taken away, doubled, exchanged or replaced."""
    document = json.loads(sound)
    spots = spots_of(document)
    for _ in range(draws.choice((1, 1, 2, 4))):
        held, key = draws.choice(spots)
        held[key] = draws.choice((value(draws), None, json.loads(sound), [], {}))
    return json.dumps(document, default=str).encode("utf-8")


def written(path: Path, sound: Path, draws: Draws) -> None:
    """Write an odd file in the form of a sound one; the sound one where a library refuses to write so odd a file."""
    for beside in (
        path,
        *(path.with_suffix(one) for one in (".shp", ".shx", ".dbf", ".prj", ".cpg") if path.suffix == ".shp"),
    ):
        beside.unlink(missing_ok=True)
    try:
        _write(path, sound, draws)
    except Exception:
        path.write_bytes(sound.read_bytes())


def _write(path: Path, sound: Path, draws: Draws) -> None:
    form = sound.name.partition(".")[2].lower()
    if form in ("toml", "csv"):
        path.write_bytes((toml if form == "toml" else table)(sound.read_text("utf-8"), draws))
    elif form == "geojson" and draws.random() < 0.5:
        path.write_bytes(geojson(sound.read_text("utf-8"), draws))
    elif form == "tif":
        raster(path, draws, codes=sound.stem == "fuel")
    elif form == "nc":
        forecast(path, draws)
    elif form.startswith("osm"):
        extract(path, draws)
    elif form == "graphml":
        graph(path, draws)
    else:
        layer(path, draws, SHAPES[sound.stem], COLUMNS[sound.stem])
