"""OpenStreetMap extracts, XML (plain, gz, bz2) and PBF, streamed through pyosmium: only roads are held in memory."""

from __future__ import annotations

import bz2
import gzip
import re
import tempfile
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, Final, cast
from xml.parsers import expat

import numpy as np
import osmium

from leaveby.errors import Faults, refused
from leaveby.files.read.guard import guarded
from leaveby.household.plan_places import slips
from leaveby.parameters import FAR_CUT_M, FEW_CUT_SHARE, ROADS_FAR_KM
from leaveby.regions import table
from leaveby.roads.network.graph import TAGS, great_circle_m
from leaveby.roads.osm.osm_ways import OsmWays, barrier_words, osm_ways_kept, osm_ways_with_points_at

NOT_ROADS: Final = frozenset(table("files/read/kinds")["highway"]["not_roads"])

NOT_READ: Final = (
    "Turn restrictions, and closings that depend on the season or the hour, were not read from the map: look for them "
    "on the way out."
)
"""Said of every extract."""

OSM_ENDINGS: Final = (".osm", ".osm.bz2", ".osm.gz", ".osm.pbf", ".pbf")
WAY_TAGS: Final = tuple(tag for tag in TAGS if tag != "barrier")
TAG_KEYS: Final = {tag: ("4wd_only" if tag == "four_wd_only" else tag) for tag in WAY_TAGS}
_NEW: Final = 1 << 60
"""Numbers of new objects of map editors, below zero, are counted from here while a file is read."""

_ODD = re.compile(rb"""\b(?:id|ref)\s*=\s*["']-|\baction\s*=\s*["']delete""")
_POINT_LIMITS: Final = ("maxheight", "maxwidth", "maxweight")


def osm_file(file: Path) -> osmium.io.File:
    """An extract as pyosmium opens it, which alone would not know endings in capitals."""
    name = file.name.lower()
    return osmium.io.File(str(file), next(one[1:] for one in OSM_ENDINGS if name.endswith(one)))


def _opened(file: Path) -> IO[bytes]:
    """The XML of an extract, unpacked."""
    name = file.name.lower()
    if name.endswith(".gz"):
        return cast(IO[bytes], gzip.open(file))
    return cast(IO[bytes], bz2.open(file)) if name.endswith(".bz2") else file.open("rb")


@lru_cache(maxsize=8)
def _has_new_or_deleted(stamp: tuple[Path, int, int]) -> bool:
    """Whether an extract in XML holds ids below zero, or objects that are marked as deleted, as map editors save.

    The stamp is the file, its size and when it was changed: roads, homes and places are read from the same file.
    """
    rest = b""
    with _opened(stamp[0]) as source:
        while block := source.read(1 << 22):
            if _ODD.search(rest + block):
                return True
            rest = block[-64:]
    return False


@contextmanager
def without_editing(file: Path, *, odd: bool = False) -> Iterator[Path]:
    """Give an extract as a file that can be read in one go: what an editor marked as deleted left out, ids above zero.

    Most extracts are given as they stand. In one that a map editor saved, new objects have ids below zero, to which
    the reader finds no place: they are counted from a high number instead, see `identity`. `odd` says that a file is
    known to hold such ids: in XML they are looked for, in PBF they are not.
    """
    xml = not file.name.lower().endswith(".pbf")
    stat = file.stat()
    if not (odd or (xml and _has_new_or_deleted((file, stat.st_size, stat.st_mtime_ns)))):
        yield file
        return
    gone = _deleted(file) if xml else frozenset()
    with tempfile.TemporaryDirectory() as folder:
        mixed, made = Path(folder) / "mixed.osm.pbf", Path(folder) / "extract.osm.pbf"
        with osmium.io.Reader(osm_file(file)) as reader:
            header = reader.header()
        with osmium.SimpleWriter(str(mixed), header=header) as writer:
            for item in osmium.FileProcessor(osm_file(file)):
                if not isinstance(item, osmium.osm.Node | osmium.osm.Way | osmium.osm.Relation):
                    continue
                letter, number = item.type_str(), item.id
                if (letter, number) in gone or item.deleted:
                    continue
                changed: dict[str, Any] = {"id": _above_zero(number)}
                if isinstance(item, osmium.osm.Way):
                    changed["nodes"] = [_above_zero(point.ref) for point in item.nodes]
                if isinstance(item, osmium.osm.Relation):
                    changed["members"] = [(one.type, _above_zero(one.ref), one.role) for one in item.members]
                writer.add(item.replace(**changed))
        # editors save in any order, and areas are only put together in the order of ids
        in_order = osmium.MergeInputReader()
        in_order.add_file(str(mixed))
        with osmium.SimpleWriter(str(made), header=header) as writer:
            in_order.apply(writer)
        yield made


def _above_zero(number: int) -> int:
    return _NEW - number if number < 0 else number


def identity(number: int) -> int:
    """Give the id that an object has in the file that `without_editing` was made from.

    >>> identity(_above_zero(-12)), identity(12)
    (-12, 12)
    """
    return _NEW - number if number > _NEW else number


def _deleted(file: Path) -> frozenset[tuple[str, int]]:
    """Kind and id of what a map editor marked as deleted."""
    found: set[tuple[str, int]] = set()

    def begin(name: str, attributes: dict[str, str]) -> None:
        if attributes.get("action") == "delete" and name in ("node", "way", "relation"):
            found.add((name[0], int(attributes["id"])))

    try:
        read_xml(file, begin=begin)
    except expat.ExpatError as error:
        raise ValueError(f"line {error.lineno}: {error}") from error
    return frozenset(found)


def read_xml(file: Path, *, begin: Callable[[str, dict[str, str]], None] | None = None) -> None:
    """Read XML once without building anything; stop at the first declaration of a document type or entity."""

    def stop(*_: object) -> None:
        raise refused(file, "xml_entities")

    parser = expat.ParserCreate()
    parser.StartElementHandler = begin
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = stop
    with _opened(file) as source:
        try:
            parser.ParseFile(source)
        except LookupError as error:  # of the encoding that the file says it is in
            raise expat.ExpatError(str(error)) from error


def extract_bounds(file: Path) -> tuple[float, float, float, float] | None:
    """Where an extract ends, (west, south, east, north) in degrees, by its header (`<bounds>`); None for no box, or
    several.
    """
    with guarded(file):
        with osmium.io.Reader(osm_file(file)) as reader:
            box = reader.header().box()
        if not box.valid():
            return None
        if not file.name.lower().endswith(".pbf"):
            with _opened(file) as source:
                head = source.read(1 << 16).partition(b"<node")[0]
            if head.count(b"<bounds") > 1:
                return None
        west, south = box.bottom_left.lon, box.bottom_left.lat
        east, north = box.top_right.lon, box.top_right.lat
    return (west, south, east, north) if west < east and south < north else None


def read_extract(
    file: Path,
    *,
    home_deg: tuple[float, float] | None = None,
    edge_deg: tuple[float, float, float, float] | None = None,
) -> OsmWays:
    """Read the roads of an extract as raw ways; `read_roads` makes a network of them, and explains the parameters.

    A file that is broken, out of range, or without roads, and one in which many roads, or some near the home, are cut
    through, is an InputError.
    """
    with guarded(file), without_editing(file) as sound:
        ways = _raw_ways(sound)
    if (ways.node < 0).any():
        with guarded(file), without_editing(file, odd=True) as sound:
            ways = _raw_ways(sound)
    if ways.way_id.size == 0:
        raise refused(file, "extract_without_roads")
    if home_deg is not None:
        _refuse_elsewhere(file, ways, home_deg)
    ways = _without_cut_ways(file, ways, home_deg=home_deg)
    return ways if edge_deg is None else osm_ways_with_points_at(ways, edge_deg)


def drawn_from_osm(file: Path) -> bool:
    """Whether OpenStreetMap's notice is due on what is drawn from an extract: unless its head names another source.

    The root element of OpenStreetMap XML may carry an `attribution` (as the editing interface's own answers do). Where
    it has none, or the file is no XML, the notice is due.
    """
    if file.suffix.lower() == ".pbf":
        return True
    stated: list[str] = []
    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda _name, attributes: stated.append(attributes.get("attribution", ""))
    with guarded(file), _opened(file) as source:
        while not stated and (part := source.read(4096)):
            parser.Parse(part)
    return not stated or not stated[0] or "openstreetmap" in stated[0].lower()


def _raw_ways(file: Path) -> OsmWays:
    way_id, start = array("q"), array("q", [0])
    node, x, y = array("q"), array("i"), array("i")
    stated: dict[str, dict[int, str]] = {key: {} for key in TAG_KEYS.values()}
    barriers: dict[int, str] = {}
    limits: dict[int, dict[str, str]] = {}
    stream = (
        osmium.FileProcessor(osm_file(file), osmium.osm.NODE | osmium.osm.WAY)
        .with_locations()
        .with_filter(osmium.filter.KeyFilter("highway", "barrier", *_POINT_LIMITS))
    )
    for item in stream:
        if not isinstance(item, osmium.osm.Node | osmium.osm.Way) or item.deleted:
            continue
        tags = item.tags
        if isinstance(item, osmium.osm.Node):
            if "barrier" in tags:
                barriers[identity(item.id)] = barrier_words(dict(tags))
            found = {key: tags[key] for key in _POINT_LIMITS if key in tags}
            if found:
                limits[identity(item.id)] = found
            continue
        kind = tags.get("highway")
        if kind is None or kind in NOT_ROADS:
            continue
        if tags.get("area") == "yes":
            continue
        for tag in tags:
            if (said := stated.get(tag.k)) is not None:
                said[len(way_id)] = tag.v
        way_id.append(identity(item.id))
        for point in item.nodes:
            node.append(point.ref)
            x.append(point.x)
            y.append(point.y)
        start.append(len(node))
    number, nothing = np.array(node, dtype=np.int64), ("",) * len(way_id)
    return OsmWays(
        way_id=np.array(way_id, dtype=np.int64),
        start=np.array(start, dtype=np.int64),
        node=np.where(number > _NEW, _NEW - number, number),
        lon_deg=np.array(x, dtype=np.int64) / 1e7,
        lat_deg=np.array(y, dtype=np.int64) / 1e7,
        tags={
            tag: tuple(map(said.get, range(len(way_id)), nothing)) if (said := stated[key]) else nothing
            for tag, key in TAG_KEYS.items()
        },
        barriers=barriers,
        limits=limits,
        assumptions=(NOT_READ,),
    )


def _refuse_elsewhere(file: Path, ways: OsmWays, home_deg: tuple[float, float]) -> None:
    """Refuse an extract of another place than the home's, and say how the home may be meant where that explains it."""
    known = np.flatnonzero((np.abs(ways.lon_deg) <= 180.0) & (np.abs(ways.lat_deg) <= 90.0))
    if not known.size:
        return

    def away_km(at: tuple[float, float]) -> float:
        lon, lat = ways.lon_deg[known], ways.lat_deg[known]
        far_m = great_circle_m(lon, lat, lon_b_deg=np.array(at[0]), lat_b_deg=np.array(at[1]))
        return float(far_m.min()) / 1000.0

    far_km = away_km(home_deg)
    if far_km <= ROADS_FAR_KM.value:
        return
    meant = [one.mend for one in slips(*home_deg) if one.place is not None and away_km(one.place) <= ROADS_FAR_KM.value]
    lon, lat = ways.lon_deg[known], ways.lat_deg[known]
    box, mend = (
        (lon.min(), lat.min(), lon.max(), lat.max()),
        "take the extract that holds the home, or correct the home",
    )
    raise refused("home", "roads_far_from_home", away_km=far_km, path=file, box=box, mend=meant[0] if meant else mend)


def _without_cut_ways(file: Path, ways: OsmWays, *, home_deg: tuple[float, float] | None) -> OsmWays:
    """Leave out the roads of which points are missing, where they are few and far from home; refuse the file else."""
    missing = (ways.lon_deg > 200.0) & (ways.lat_deg > 200.0)
    outside = ~missing & ((np.abs(ways.lon_deg) > 180.0) | (np.abs(ways.lat_deg) > 90.0))
    way_of = np.repeat(np.arange(ways.way_id.size), np.diff(ways.start))
    cut = np.bincount(way_of[missing], minlength=ways.way_id.size) > 0
    faults = Faults()
    few = cut.sum() <= FEW_CUT_SHARE.value * ways.way_id.size
    near = np.zeros(cut.size, dtype=np.bool_)
    if cut.any() and home_deg is not None:
        known = np.flatnonzero(~missing & cut[way_of])
        away = great_circle_m(
            ways.lon_deg[known], ways.lat_deg[known], lon_b_deg=np.array(home_deg[0]), lat_b_deg=np.array(home_deg[1])
        )
        near[way_of[known[away <= FAR_CUT_M.value]]] = True
    if not few or near.any():
        named = ways.way_id[near if few else cut]
        where = f", and some of them lie within {FAR_CUT_M.value / 1000.0:g} km of the home" if few else ""
        more = f" and {named.size - 3} more" if named.size > 3 else ""
        place = f"{file}, ways {', '.join(str(way) for way in named[:3])}{more}"
        most = 100 * FEW_CUT_SHARE.value
        faults.tell(place, "cut_through_ways", points=missing.sum(), roads=cut.sum(), where=where, most=most)
    if outside.any():
        at = int(np.flatnonzero(outside)[0])
        place = f"{file}, node {ways.node[at]} of way {ways.way_id[way_of[at]]}"
        faults.tell(place, "extract_out_of_range", lon_deg=ways.lon_deg[at], lat_deg=ways.lat_deg[at])
    faults.refuse()
    if not cut.any():
        return ways
    named = ways.way_id[cut]
    said = (
        f"{int(cut.sum())} of {cut.size} roads of {file.name} were left out, for {int(missing.sum())} of their points "
        f"are not in the file (ways {', '.join(str(way) for way in named[:5])}{' ...' if named.size > 5 else ''}): "
        "whoever needs them to get out has fewer ways here than on the ground."
    )
    kept = osm_ways_kept(ways, ~cut)
    return replace(kept, assumptions=(*kept.assumptions, said))
