"""The door for homes and exits: buildings of an extract, layers of footprints or points, tables of points or counts."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import geopandas
import numpy as np
import osmium
import pyogrio
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.errors import Faults, refuse, refused
from leaveby.files.read.guard import MOST_HOMES_BYTES, guarded, guarded_layer, regular, text_of
from leaveby.files.read.road_extracts import OSM_ENDINGS, identity, osm_file, without_editing
from leaveby.files.read.road_lines import read_layer
from leaveby.parameters import HOME_FLOOR_M2, LEAST_HOME_FOOTPRINT_M2, USUAL_LEVELS
from leaveby.regions import sentences, table
from leaveby.roads.exits.homes import FAR_M, Homes, PlacedHomes, check_homes, homes_by_street, place_homes
from leaveby.roads.exits.street_table import StreetTable

_KINDS: Final = table("files/read/kinds")["building"]
_LON: Final = ("lon_deg", "lon", "longitude", "x")
_LAT: Final = ("lat_deg", "lat", "latitude", "y")
_ID: Final = ("id", "osm_id", "osmid", "address_id", "gnaf_pid", "fid", "name")
_DWELLINGS: Final = ("dwellings", "homes", "households", "units", "building:flats")
_TABLES: Final = (".csv",)
_LAYERS: Final = (".gpkg", ".shp", ".geojson", ".json")


def read_homes(path: str | Path, *, crs: str, layer: str | None = None) -> Homes:
    """Read homes from a file, and bring them to the reference system of the roads.

    The file is an OpenStreetMap extract (its buildings; where it has none, its address points), a layer of footprints
    or points (.gpkg, .shp, .geojson; `layer` names one of several), or a table (.csv) with columns lon_deg, lat_deg
    and, if wished, id and dwellings. It is refused (InputError) when it is missing or broken, names no reference
    system, has no homes, or names homes more than once.
    """
    file = _there(path, "homes")
    ending = file.name.lower()
    if ending.endswith(OSM_ENDINGS):
        return check_homes(_buildings(file, crs=crs))
    if ending.endswith(_TABLES):
        rows = _table(file)
        x, y = _positions(file, rows, crs=crs)
        names = tuple(_value(row, _ID) or f"row {at + 2}" for at, row in enumerate(rows))
        return check_homes(Homes(names, x, y, _dwellings(file, [_value(row, _DWELLINGS) for row in rows])))
    return check_homes(_layer_homes(file, crs=crs, layer=layer))


def place_from_file(
    path: str | Path, streets: StreetTable, *, far_m: float = FAR_M, layer: str | None = None
) -> PlacedHomes:
    """Read homes, or a table of counts per way (columns way_id and homes), and join them to their streets.

    Errors as of `read_homes`; or when a way is counted twice, or has no street that cars drive.
    """
    file = _there(path, "homes")
    if file.name.lower().endswith(_TABLES):
        rows = _table(file)
        if rows and "way_id" in rows[0] and _value(rows[0], _LON) is None:
            return _counted(file, rows, streets)
    return place_homes(read_homes(file, crs=streets.crs, layer=layer), streets, far_m=far_m)


def read_exits(path: str | Path, *, crs: str) -> tuple[tuple[str, ...], NDArray[np.float64], NDArray[np.float64]]:
    """Read places that count as out: a layer of points, or a table with columns lon_deg, lat_deg and, if wished, name.

    Errors as of `read_homes`.
    """
    file = _there(path, "exits")
    if file.name.lower().endswith(_TABLES):
        rows = _table(file)
        x, y = _positions(file, rows, crs=crs)
        names = [_value(row, ("name", "id")) or f"row {at + 2}" for at, row in enumerate(rows)]
    else:
        frame = _frame(file, layer=None, what="exits").to_crs(crs)
        wrong = sorted(set(frame.geom_type) - {"Point"})
        if wrong:
            raise refuse(str(file), f"it holds {wrong}", expected="points", mend="give the exits as points")
        x, y = frame.geometry.x.to_numpy(np.float64), frame.geometry.y.to_numpy(np.float64)
        column = next((name for name in frame.columns if str(name).lower() in ("name", "id")), None)
        names = [f"row {at + 1}" for at in range(len(frame))] if column is None else [str(v) for v in frame[column]]
    if not names:
        raise refuse(str(file), "there is no exit in it", expected="at least one point", mend="name the exits")
    return tuple(names), x, y


def _there(path: str | Path, what: str) -> Path:
    file = regular(path, expected=f"a file of {what}", mend="correct the path; it is taken as it is")
    if not file.name.lower().endswith((*OSM_ENDINGS, *_TABLES, *_LAYERS)):
        raise refused(file, "unknown_ending", more=", or an OpenStreetMap extract" if what == "homes" else "")
    return file


def _table(file: Path) -> list[dict[str, str]]:
    text = text_of(file, place=str(file), most_bytes=MOST_HOMES_BYTES)
    with guarded(file, told="homes_table_unreadable"):
        rows = [
            {str(key).strip().lower(): (value or "").strip() for key, value in row.items() if key is not None}
            for row in csv.DictReader(io.StringIO(text, newline=""), strict=True)
        ]
    if not rows:
        raise refuse(str(file), "there is no row in it", expected="a header and at least one row", mend="fill it")
    return rows


def _value(row: dict[str, str], keys: Sequence[str]) -> str | None:
    return next((row[key] for key in keys if row.get(key)), None)


def _positions(
    file: Path, rows: Sequence[dict[str, str]], *, crs: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if not any(key in rows[0] for key in ("lon_deg", "lon", "longitude")):
        raise refused(f"{file} line 1", "no_longitude_column", columns=", ".join(rows[0]))
    faults = Faults()
    lon, lat = np.zeros(len(rows)), np.zeros(len(rows))
    for at, row in enumerate(rows):
        for keys, values, most in ((_LON, lon, 180.0), (_LAT, lat, 90.0)):
            text = _value(row, keys)
            number = _number(text)
            if number is None or abs(number) > most:
                expected, mend = (
                    f"degrees from -{most:g} to {most:g}",
                    "correct the row (are the two swapped, or projected?)",
                )
                faults.add(f"{file} line {at + 2}", f"{keys[0]} is {text!r}", expected, mend)
            else:
                values[at] = number
    faults.refuse(most=20)
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    return np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)


def _number(text: object) -> float | None:
    try:
        value = float(str(text))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _dwellings(file: Path, texts: Sequence[object]) -> NDArray[np.float64]:
    values = np.ones(len(texts))
    faults = Faults()
    for at, text in enumerate(texts):
        if text is None or text != text or str(text) == "":
            continue
        number = _number(text)
        if number is None or number <= 0.0:
            faults.add(f"{file} row {at + 1}", f"the number of dwellings is {text!r}", "a number above 0", "correct it")
        else:
            values[at] = number
    faults.refuse(most=20)
    return values


def _counted(file: Path, rows: Sequence[dict[str, str]], streets: StreetTable) -> PlacedHomes:
    """Spread the homes counted on each way over its streets, by length, in whole homes."""
    faults = Faults()
    of_way: dict[int, float] = {}
    for at, row in enumerate(rows):
        way, homes, place = _number(row.get("way_id")), _number(row.get("homes")), f"{file} line {at + 2}"
        if way is None or homes is None or homes < 0.0:
            faults.add(place, f"it reads {row}", "a way_id and homes of 0 or more", "correct the row")
        elif int(way) in of_way:
            faults.add(place, f"way {int(way)} stands twice", "each way once", "add them up")
        else:
            of_way[int(way)] = homes
    count = np.zeros(streets.street_count)
    takes = streets.driven & streets.takes_homes
    for way, homes in of_way.items():
        parts = np.flatnonzero((streets.way_id == way) & takes)
        if parts.size == 0:
            faults.tell(f"{file}, way {way}", "counted_on_no_street", homes=homes)
            continue
        share = homes * streets.length_m[parts] / max(float(streets.length_m[parts].sum()), 1e-9)
        whole = np.floor(share)
        rest = round(homes - float(whole.sum()))
        whole[np.argsort(-(share - whole), kind="stable")[:rest]] += 1.0
        count[parts] += whole
    faults.refuse(most=20)
    return homes_by_street(streets, count)


def _frame(file: Path, *, layer: str | None, what: str) -> geopandas.GeoDataFrame:
    with guarded_layer(file):
        names = [str(name) for name, _ in pyogrio.list_layers(file)]
        if layer is None and len(names) > 1:
            raise refused(file, "layers_to_choose_from", count=len(names), names=", ".join(names), what=what)
    return read_layer(
        file,
        layer=layer,
        none=(f"there are no {what} in it", "at least one"),
        shape=("it has no shape", "a point or an area", "draw it or delete the row"),
    )


def _layer_homes(file: Path, *, crs: str, layer: str | None) -> Homes:
    frame = _frame(file, layer=layer, what="homes").to_crs(crs)
    wrong = sorted(set(frame.geom_type) - {"Point", "Polygon", "MultiPolygon"})
    if wrong:
        raise refused(file, "homes_of_other_shapes", wrong=wrong)
    name, number = _column(frame, _ID), _column(frame, _DWELLINGS)
    names = tuple(f"row {row + 1}" for row in range(len(frame))) if name is None else tuple(map(str, frame[name]))
    said = () if number is not None else (f"{file.name}: each of {len(frame)} shapes was counted as one home.",)
    dwellings = np.ones(len(frame)) if number is None else _dwellings(file, list(frame[number]))
    return Homes(names, *_points(frame.geometry.to_numpy()), dwellings, said)


def _column(frame: geopandas.GeoDataFrame, keys: Sequence[str]) -> Any:
    """The column that is called by one of these, the first of them first."""
    lower = {str(name).lower(): name for name in frame.columns}
    return next((lower[key] for key in keys if key in lower), None)


def _points(shapes: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A point inside each shape."""
    at = shapely.point_on_surface(shapes)
    return np.asarray(shapely.get_x(at), dtype=np.float64), np.asarray(shapely.get_y(at), dtype=np.float64)


def _buildings(file: Path, *, crs: str) -> Homes:
    """Buildings of an extract that are homes; address points where it has no buildings."""
    found: list[tuple[str, dict[str, str]]] = []
    drawn: list[str] = []
    addresses: list[tuple[str, float, float]] = []
    shapes = osmium.geom.WKBFactory()
    broken = 0
    with guarded(file), without_editing(file) as sound:
        stream = (
            osmium.FileProcessor(osm_file(sound))
            .with_areas(osmium.filter.KeyFilter("building"))
            .with_filter(osmium.filter.KeyFilter("building", "addr:housenumber"))
        )
        for item in stream:
            if isinstance(item, osmium.osm.Area):
                if "building" in item.tags:
                    kind = "way" if item.from_way() else "relation"
                    try:
                        drawn.append(shapes.create_multipolygon(item))
                    except RuntimeError:
                        broken += 1
                        continue
                    found.append((f"{kind}/{identity(item.orig_id())}", _building_tags(item.tags)))
            elif isinstance(item, osmium.osm.Node) and not item.deleted:
                if "building" in item.tags:
                    drawn.append(shapes.create_point(item))
                    found.append((f"node/{identity(item.id)}", _building_tags(item.tags)))
                elif "addr:housenumber" in item.tags:
                    addresses.append((f"node/{identity(item.id)}", item.location.lon, item.location.lat))
    project = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    if not found:
        if not addresses:
            raise refused(file, "extract_without_homes")
        names, lon, lat = zip(*addresses, strict=True)
        x, y = (np.asarray(one, dtype=np.float64) for one in project.transform(lon, lat))
        counted = f"{file.name} has no buildings: its {len(addresses)} addresses were counted as one home each."
        return Homes(names, x, y, np.ones(len(addresses)), (counted,))
    geometry = np.asarray(shapely.from_wkb(np.array(drawn, dtype=object), on_invalid="fix"), dtype=object)
    metric = shapely.transform(geometry, lambda xy: np.column_stack(project.transform(xy[:, 0], xy[:, 1])))
    area_m2 = np.asarray(shapely.area(metric), dtype=np.float64)
    dwellings = np.array(
        [homes_in_building(tags, area_m2=size) for (_, tags), size in zip(found, area_m2.tolist(), strict=True)]
    )
    home = dwellings > 0.0
    names = tuple(found[i][0] for i in np.flatnonzero(home).tolist())
    said = _building_sentences(file, found, home, dwellings, broken)
    return Homes(names, *_points(metric[home]), dwellings[home], said)


def _building_tags(tags: osmium.osm.TagList) -> dict[str, str]:
    keys = ("building", "building:flats", "building:levels", "amenity", "tourism")
    return {key: said for key in keys if (said := tags.get(key)) is not None}


def homes_in_building(tags: dict[str, str], *, area_m2: float) -> float:
    """How many homes a mapped building holds; 0 where it is none.

    The stated number of flats counts. Otherwise houses are one home; flats and rows of houses as many as their storeys
    (3 where not stated) give at 100 m2 each; what says no more than `yes` is one home from 30 m2 on. All judgement.

    >>> homes_in_building({"building": "house"}, area_m2=120.0), homes_in_building({"building": "garage"}, area_m2=40.0)
    (1.0, 0.0)
    >>> homes_in_building({"building": "apartments", "building:levels": "4"}, area_m2=500.0)
    20.0
    """
    kind = tags.get("building", "")
    flats = _number(tags.get("building:flats"))
    if flats is not None and flats > 0.0:
        return flats
    if kind in _KINDS["many_homes"]:
        levels = _number(tags.get("building:levels")) or USUAL_LEVELS.value
        return max(2.0, float(np.ceil(max(levels, 1.0) * area_m2 / HOME_FLOOR_M2.value)))
    if kind not in _KINDS["one_home"]:
        return 0.0
    if kind == "yes" and (0.0 < area_m2 < LEAST_HOME_FOOTPRINT_M2.value or "amenity" in tags or "tourism" in tags):
        return 0.0
    return 1.0


def _building_sentences(
    file: Path,
    found: Sequence[tuple[str, dict[str, str]]],
    home: NDArray[np.bool_],
    dwellings: NDArray[np.float64],
    broken: int,
) -> tuple[str, ...]:
    kinds = [tags["building"] for _, tags in found]
    others = Counter(kind for kind, counted in zip(kinds, home, strict=True) if not counted)
    return sentences(
        "files/read/homes.txt.j2",
        file=file.name,
        buildings=len(found),
        homes=int(home.sum()),
        dwellings=dwellings.sum(),
        plain=sum(kind == "yes" for kind, counted in zip(kinds, home, strict=True) if counted),
        others=others,
        people=sum(count for kind, count in others.items() if kind in _KINDS["people_inside"]),
        broken=broken,
    )
