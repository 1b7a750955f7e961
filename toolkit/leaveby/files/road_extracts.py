"""OpenStreetMap extracts, XML (plain, gz, bz2) and PBF, streamed through pyosmium: only roads are held in memory."""

from __future__ import annotations

import bz2
import gzip
import re
from array import array
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final
from xml.parsers import expat

import numpy as np
import osmium
from numpy.typing import NDArray

from leaveby.errors import Fault, InputError, refuse
from leaveby.roads.network import TAGS
from leaveby.roads.ways import Ways, barrier_words, ways_within

_BAD_PLACE = osmium.InvalidLocationError

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

NOT_READ: Final = (
    "Turn restrictions, and closings that depend on the season or the hour, were not read from the map: look for them "
    "on the way out."
)
"""Said of every extract."""

OSM_ENDINGS: Final = (".osm", ".osm.bz2", ".osm.gz", ".osm.pbf", ".pbf")
WAY_TAGS: Final = tuple(tag for tag in TAGS if tag != "barrier")
TAG_KEYS: Final = {tag: ("4wd_only" if tag == "four_wd_only" else tag) for tag in WAY_TAGS}
_POINT_LIMITS: Final = ("maxheight", "maxwidth", "maxweight")
_OPEN_WORDS: Final = frozenset({"yes", "permissive", "destination", "designated", "public", "official"})
_SOUND: Final = "a complete OpenStreetMap file (.osm, .osm.gz, .osm.bz2 or .osm.pbf)"


@contextmanager
def said_plainly(file: Path) -> Iterator[None]:
    """Turn what a reader throws at a broken file into a fault with its place and mend.

    Examples
    --------
    >>> with said_plainly(Path("roads.osm.pbf")):
    ...     raise RuntimeError("PBF error: truncated data")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: roads.osm.pbf: the file is broken or truncated (PBF error: truncated data). Expected ...
    """
    try:
        yield
    except InputError:
        raise
    except (RuntimeError, OSError, ValueError, SyntaxError, EOFError, KeyError, TypeError, _BAD_PLACE) as error:
        said = " ".join(str(error).split()) or type(error).__name__
        line = re.search(r"line (\d+)", said)
        place = f"{file} line {line.group(1)}" if line else str(file)
        if "entit" in said.lower():
            raise entities_refused(file) from error
        raise refuse(
            place,
            f"the file is broken or truncated ({said})",
            expected=_SOUND,
            mend="fetch or export the file once more and compare its size with the source",
        ) from error


def entities_refused(file: Path) -> InputError:
    """The error for XML that declares entities or a document type.

    Examples
    --------
    >>> str(entities_refused(Path("roads.osm")))[:46]
    'roads.osm: the file declares XML entities or a'
    """
    return refuse(
        str(file),
        "the file declares XML entities or a document type, which can blow up without bound or read other files",
        expected="plain XML without a document type",
        mend="do not use this file; take the roads from their source",
    )


def read_extract(file: Path, *, box: tuple[float, float, float, float] | None, classes: Collection[str] | None) -> Ways:
    """Read the roads of an extract as raw ways; `leaveby.files.roads.read_roads` makes a network of them.

    Parameters
    ----------
    file : Path
        .osm, .osm.gz, .osm.bz2 or .osm.pbf.
    box : (west, south, east, north), optional
        Keep the roads that touch this box, in degrees.
    classes : collection of str, optional
        Keep these values of the highway tag; all but `NOT_ROADS` when left out.

    Raises
    ------
    InputError
        When the file is broken, cut through its ways, out of range, or has no roads.

    Examples
    --------
    >>> read_extract(Path("no_such_file.osm"), box=None, classes=None)
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_file.osm: the file is broken or truncated (...). Expected ...
    """
    way_id, start = array("q"), array("q", [0])
    node, x, y = array("q"), array("i"), array("i")
    values: list[tuple[str, ...]] = []
    barriers: dict[int, str] = {}
    limits: dict[int, dict[str, str]] = {}
    keys = tuple(TAG_KEYS.values())
    with said_plainly(file):
        stream = (
            osmium.FileProcessor(str(file), osmium.osm.NODE | osmium.osm.WAY)
            .with_locations()
            .with_filter(osmium.filter.KeyFilter("highway", "barrier", *_POINT_LIMITS))
        )
        for item in stream:
            tags = item.tags
            if isinstance(item, osmium.osm.Node):
                if "barrier" in tags:
                    barriers[item.id] = barrier_words(dict(tags))
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
        tags=dict(zip(WAY_TAGS, columns, strict=True)),
        barriers=barriers,
        limits=limits,
        assumptions=(NOT_READ,),
    )
    if not values:
        raise refuse(
            str(file),
            "there is no road in it" + (f" of the classes {sorted(classes)}" if classes is not None else ""),
            expected="ways with a highway tag",
            mend="take a larger area, or an extract that was not filtered",
        )
    ways = ways_within(ways, box) if box is not None else ways
    _check_points(file, ways)
    return ways


def drawn_from_osm(file: Path) -> bool:
    """Whether OpenStreetMap's notice is due on what is drawn from an extract: unless its head names another source.

    The root element of OpenStreetMap XML may carry an `attribution` (as the editing interface's own answers do). Where
    it has none, or the file is no XML, the notice is due.

    Parameters
    ----------
    file : Path
        .osm, .osm.gz, .osm.bz2 or .osm.pbf, which can be read.
    """
    kind = file.suffix.lower()
    if kind == ".pbf":
        return True
    stated: list[str] = []
    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda _name, attributes: stated.append(attributes.get("attribution", ""))
    with said_plainly(file), file.open("rb") as packed:
        source = gzip.GzipFile(fileobj=packed) if kind == ".gz" else bz2.BZ2File(packed) if kind == ".bz2" else packed
        while not stated and (part := source.read(4096)):
            parser.Parse(part)
    return not stated or not stated[0] or "openstreetmap" in stated[0].lower()


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
