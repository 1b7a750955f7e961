"""The door for road files: OpenStreetMap extracts, street graphs, and layers of lines.

Extracts are streamed through pyosmium, so that only roads are held in memory.
"""

from __future__ import annotations

import re
import warnings
from array import array
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final
from xml.parsers import expat

import numpy as np
import osmium
import shapely
from numpy.typing import NDArray

from leaveby.errors import Fault, InputError, refuse
from leaveby.roads.network import TAGS, RoadNetwork
from leaveby.roads.topology import Split, Ways, network_from_graph, network_from_ways

NOT_ROADS: Final = frozenset(
    {
        "abandoned",
        "bus_guideway",
        "bus_stop",
        "construction",
        "corridor",
        "elevator",
        "escalator",
        "no",
        "planned",
        "platform",
        "proposed",
        "raceway",
        "razed",
        "rest_area",
        "services",
        "via_ferrata",
    }
)
"""Values of the highway tag that nobody can leave by (yet, or any more)."""

OSM_ENDINGS: Final = (".osm", ".osm.bz2", ".osm.gz", ".osm.pbf", ".pbf")
_WAY_TAGS: Final = tuple(tag for tag in TAGS if tag != "barrier")
_OSM_KEYS: Final = {tag: ("4wd_only" if tag == "four_wd_only" else tag) for tag in _WAY_TAGS}
_POINT_LIMITS: Final = ("maxheight", "maxwidth", "maxweight")
_OPEN_WORDS: Final = frozenset({"yes", "permissive", "destination", "designated", "public", "official"})
_SOUND: Final = "a complete OpenStreetMap file (.osm, .osm.gz, .osm.bz2 or .osm.pbf)"


def read_roads(
    path: str | Path,
    *,
    crs: str | None = None,
    around_deg: tuple[float, float, float, float] | None = None,
    buffer_m: float = 0.0,
    classes: Collection[str] | None = None,
    split: Split = "ways",
    columns: dict[str, str] | None = None,
    layer: str | None = None,
) -> RoadNetwork:
    """Read roads from a file.

    Parameters
    ----------
    path : str or Path
        OpenStreetMap extract (.osm, .osm.bz2, .osm.gz, .osm.pbf), street graph of osmnx (.graphml), or a layer of lines
        (.gpkg, .shp, .geojson).
    crs : str, optional
        Projected reference system in metres; the UTM zone of the area when left out.
    around_deg : (west, south, east, north), optional
        Keep only roads that touch this box, in degrees. They are kept whole.
    buffer_m : float
        Widens the box on all sides. A dead end is only known for one when the roads beyond the box were read too.
    classes : collection of str, optional
        Keep only these values of the highway tag. All roads, tracks and paths when left out.
    split : {"ways", "junctions", "nodes"}
        Where edges end, see `network_from_ways`. For extracts and layers of lines.
    columns : dict, optional
        For a layer of lines: tag -> column that holds it, where the names differ.
    layer : str, optional
        For a layer of lines in a file with several.

    Returns
    -------
    RoadNetwork

    Raises
    ------
    InputError
        When the file is missing, broken, truncated, cut through its ways, declares entities, has coordinates out of
        range, holds no roads, or lacks lengths.

    Examples
    --------
    >>> read_roads("no_such_file.osm")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_file.osm: there is no such file. Expected ...
    """
    file = Path(path)
    if not file.is_file():
        raise refuse(
            str(file),
            "there is no such file",
            expected="a road file (.osm, .osm.bz2, .osm.gz, .osm.pbf, .graphml, .gpkg, .shp, .geojson)",
            mend="correct the path; relative paths start from the plan file",
        )
    box = _box(around_deg, buffer_m=buffer_m)
    ending = file.name.lower()
    if ending.endswith(OSM_ENDINGS):
        return network_from_ways(_read_osm(file, box=box, classes=classes), crs=crs, split=split)
    if ending.endswith((".graphml", ".xml")):
        network = _read_graphml(file, crs=crs)
        return network if box is None else _inside(network, box)
    if ending.endswith((".gpkg", ".shp", ".geojson")):
        from leaveby.files.road_lines import read_road_lines

        return read_road_lines(file, crs=crs, box=box, classes=classes, split=split, columns=columns, layer=layer)
    raise refuse(
        str(file),
        "the kind of file is not known from its ending",
        expected=".osm, .osm.bz2, .osm.gz, .osm.pbf, .graphml, .gpkg, .shp or .geojson",
        mend="rename or convert the file",
    )


def _box(
    around_deg: tuple[float, float, float, float] | None, *, buffer_m: float
) -> tuple[float, float, float, float] | None:
    if not (np.isfinite(buffer_m) and buffer_m >= 0.0):
        raise refuse("buffer_m", f"it is {buffer_m}", expected="metres, 0 or more", mend="correct it")
    if around_deg is None:
        return None
    west, south, east, north = around_deg
    if not (-180.0 <= west < east <= 180.0 and -90.0 <= south < north <= 90.0):
        raise refuse(
            "around_deg",
            f"{around_deg} is no box",
            expected="(west, south, east, north) in degrees, west below east and south below north",
            mend="put the four numbers in this order",
        )
    metres_per_degree = 111_195.0
    tall = buffer_m / metres_per_degree
    wide = buffer_m / (metres_per_degree * max(0.01, float(np.cos(np.radians(max(abs(south), abs(north)))))))
    return (west - wide, south - tall, east + wide, north + tall)


@contextmanager
def _said_plainly(file: Path) -> Iterator[None]:
    """Turn what a reader throws at a broken file into a fault with its place and mend."""
    try:
        yield
    except InputError:
        raise
    except (RuntimeError, OSError, ValueError, SyntaxError, EOFError, KeyError, TypeError) as error:
        said = " ".join(str(error).split()) or type(error).__name__
        line = re.search(r"line (\d+)", said)
        place = f"{file} line {line.group(1)}" if line else str(file)
        if "entit" in said.lower():
            raise _entities(file) from error
        raise refuse(
            place,
            f"the file is broken or truncated ({said})",
            expected=_SOUND,
            mend="fetch or export the file once more and compare its size with the source",
        ) from error


def _entities(file: Path) -> InputError:
    return refuse(
        str(file),
        "the file declares XML entities or a document type, which can blow up without bound or read other files",
        expected="plain XML without a document type",
        mend="do not use this file; take the roads from their source",
    )


def _read_osm(
    file: Path, *, box: tuple[float, float, float, float] | None, classes: Collection[str] | None
) -> Ways:
    way_id, start = array("q"), array("q", [0])
    node, x, y = array("q"), array("i"), array("i")
    values: list[tuple[str, ...]] = []
    barriers: dict[int, str] = {}
    limits: dict[int, dict[str, str]] = {}
    keys = tuple(_OSM_KEYS.values())
    with _said_plainly(file):
        stream = (
            osmium.FileProcessor(str(file), osmium.osm.NODE | osmium.osm.WAY)
            .with_locations()
            .with_filter(osmium.filter.KeyFilter("highway", "barrier", *_POINT_LIMITS))
        )
        for item in stream:
            tags = item.tags
            if isinstance(item, osmium.osm.Node):
                if "barrier" in tags:
                    barriers[item.id] = _barrier_words(tags)
                found = {key: tags[key] for key in _POINT_LIMITS if key in tags}
                if found:
                    limits[item.id] = found
                continue
            if not isinstance(item, osmium.osm.Way):
                continue
            kind = tags.get("highway")
            if kind is None or kind in NOT_ROADS or (classes is not None and kind not in classes):
                continue
            if tags.get("area") == "yes":
                continue
            way_id.append(item.id)
            for point in item.nodes:
                node.append(point.ref)
                x.append(point.x)
                y.append(point.y)
            start.append(len(node))
            values.append(tuple(tags.get(key) or "" for key in keys))
    columns = list(zip(*values, strict=True)) if values else [()] * len(keys)
    ways = Ways(
        way_id=np.array(way_id, dtype=np.int64),
        start=np.array(start, dtype=np.int64),
        node=np.array(node, dtype=np.int64),
        lon_deg=np.array(x, dtype=np.int64) / 1e7,
        lat_deg=np.array(y, dtype=np.int64) / 1e7,
        tags=dict(zip(_WAY_TAGS, columns, strict=True)),
        barriers=barriers,
        limits=limits,
    )
    if not values:
        raise refuse(
            str(file),
            "there is no road in it" + (f" of the classes {sorted(classes)}" if classes is not None else ""),
            expected="ways with a highway tag",
            mend="take a larger area, or an extract that was not filtered",
        )
    ways = _within(ways, box) if box is not None else ways
    _check_points(file, ways)
    return ways


def _barrier_words(tags: Any) -> str:
    """The kind of a barrier, and what is said of passing it."""
    kind = str(tags["barrier"])
    said = [tags[key] for key in ("motorcar", "motor_vehicle", "vehicle", "access") if key in tags]
    if said:
        return f"{kind}={said[0]}"
    return f"{kind}=yes" if tags.get("locked") == "no" else kind


def _within(ways: Ways, box: tuple[float, float, float, float]) -> Ways:
    west, south, east, north = box
    inside = (ways.lon_deg >= west) & (ways.lon_deg <= east) & (ways.lat_deg >= south) & (ways.lat_deg <= north)
    size = np.diff(ways.start)
    way_of = np.repeat(np.arange(size.size), size)
    keep = np.bincount(way_of[inside], minlength=size.size) > 0
    if not keep.any():
        raise refuse(
            "around_deg",
            f"no road of the file touches {box}",
            expected="a box (west, south, east, north) over the roads",
            mend="check the order and sign of the four numbers",
        )
    points = keep[way_of]
    chosen = np.flatnonzero(keep)
    return replace(
        ways,
        way_id=ways.way_id[keep],
        start=np.concatenate([[0], np.cumsum(size[keep])]).astype(np.int64),
        node=ways.node[points],
        lon_deg=ways.lon_deg[points],
        lat_deg=ways.lat_deg[points],
        tags={tag: tuple(values[i] for i in chosen) for tag, values in ways.tags.items()},
    )


def _check_points(file: Path, ways: Ways) -> None:
    missing = (ways.lon_deg > 200.0) & (ways.lat_deg > 200.0)
    outside = ~missing & ((np.abs(ways.lon_deg) > 180.0) | (np.abs(ways.lat_deg) > 90.0))
    way_of = np.repeat(ways.way_id, np.diff(ways.start))
    faults: list[Fault] = []
    if missing.any():
        cut: NDArray[np.int64] = np.unique(way_of[missing])
        named = ", ".join(str(way) for way in cut[:3])
        faults.append(
            Fault(
                f"{file}, ways {named}" + (f" and {cut.size - 3} more" if cut.size > 3 else ""),
                f"{int(missing.sum())} points of these roads are not in the file: it was cut through its ways",
                "an extract with complete ways, wider than the area asked about",
                "cut the extract with complete ways (osmium extract does so by default) and with room around the area",
            )
        )
    if outside.any():
        at = int(np.flatnonzero(outside)[0])
        faults.append(
            Fault(
                f"{file}, node {ways.node[at]} of way {way_of[at]}",
                f"longitude {ways.lon_deg[at]}, latitude {ways.lat_deg[at]} lie out of range",
                "longitude -180 to 180 and latitude -90 to 90 degrees",
                "correct the coordinates, or fetch the file once more",
            )
        )
    if faults:
        raise InputError(faults)


def _refuse_entities(file: Path) -> None:
    """Read XML once without building anything; stop at the first declaration of a document type or entity."""

    def stop(*_: object) -> None:
        raise _entities(file)

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = stop
    parser.EntityDeclHandler = stop
    with file.open("rb") as source:
        try:
            parser.ParseFile(source)
        except expat.ExpatError as error:
            raise refuse(
                f"{file} line {error.lineno}",
                f"the file is broken or truncated ({error})",
                expected="complete XML",
                mend="fetch or export the file once more and compare its size with the source",
            ) from error


def _read_graphml(file: Path, *, crs: str | None) -> RoadNetwork:
    import osmnx

    _refuse_entities(file)
    with _said_plainly(file), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        graph = osmnx.load_graphml(file)
    try:
        return network_from_graph(graph, crs=crs)
    except InputError as error:
        raise InputError([replace(fault, place=f"{file}, {fault.place}") for fault in error.faults]) from error


def _inside(network: RoadNetwork, box: tuple[float, float, float, float]) -> RoadNetwork:
    from pyproj import Transformer

    from leaveby.roads.topology import select_edges

    ring = shapely.segmentize(shapely.box(*box), max_segment_length=0.05)
    project = Transformer.from_crs("EPSG:4326", network.crs, always_xy=True)
    area = shapely.transform(ring, lambda xy: np.column_stack(project.transform(xy[:, 0], xy[:, 1])))
    keep = np.asarray(shapely.intersects(network.geometry, area), dtype=np.bool_)
    if not keep.any():
        raise refuse(
            "around_deg",
            f"no road of the file touches {box}",
            expected="a box (west, south, east, north) over the roads",
            mend="check the order and sign of the four numbers",
        )
    return select_edges(network, keep)
