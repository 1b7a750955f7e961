"""Named places of an OpenStreetMap extract: towns, villages, hamlets, farms and fields that people call by name."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import osmium

from leaveby.files.read.road_extracts import OSM_ENDINGS, said_plainly, there, without_editing
from leaveby.regions import table

LARGER: Final = frozenset(table("files/read/kinds")["place"]["larger"])


@dataclass(frozen=True)
class NamedPlace:
    """A place with its name; its kind is the value of the place tag: `town`, `hamlet`, `isolated_dwelling`, ..."""

    name: str
    kind: str
    lon_deg: float
    lat_deg: float


def read_places(path: str | Path) -> tuple[NamedPlace, ...]:
    """Read the named places of the file that the roads come from, in its order: nodes with a name, no larger areas.

    Only OpenStreetMap extracts hold places: for street graphs and layers of lines the answer is empty.

    Raises
    ------
    InputError
        When the file is missing or broken.

    Examples
    --------
    >>> read_places("no_such_file.osm")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_file.osm: there is no such file. Expected ...
    """
    file = there(path, expected="the file that holds the roads", mend="correct its path")
    if not file.name.lower().endswith(OSM_ENDINGS):
        return ()
    found = []
    with said_plainly(file), without_editing(file) as sound:
        stream = osmium.FileProcessor(str(sound), osmium.osm.NODE).with_filter(osmium.filter.KeyFilter("place"))
        for node in stream:
            if not isinstance(node, osmium.osm.Node) or node.deleted:
                continue
            kind, name = node.tags.get("place"), node.tags.get("name")
            if not kind or not name or kind in LARGER or not node.location.valid():
                continue
            found.append(NamedPlace(name.strip(), kind, float(node.location.lon), float(node.location.lat)))
    return tuple(place for place in found if place.name)


def read_gatherings(path: str | Path) -> tuple[NamedPlace, ...]:
    """Read where people gather from an extract, as `read_places` does: named grounds, halls and middles of towns.

    The kind is in words, such as "showground"; an area stands at the middle of its corners.
    """
    kinds: dict[str, str] = table("files/read/kinds")["gathering"]
    file = there(path, expected="the file that holds the roads", mend="correct its path")
    if not file.name.lower().endswith(OSM_ENDINGS):
        return ()
    found = []
    with said_plainly(file), without_editing(file) as sound:
        stream = osmium.FileProcessor(str(sound), osmium.osm.NODE | osmium.osm.WAY).with_locations()
        for item in stream.with_filter(osmium.filter.KeyFilter(*{tag.partition("=")[0] for tag in kinds})):
            kind = next((kinds[one] for tag in item.tags if (one := f"{tag.k}={tag.v}") in kinds), None)
            name = (item.tags.get("name") or "").strip()
            corners = [item] if isinstance(item, osmium.osm.Node) else [*getattr(item, "nodes", ())]
            placed = [(one.lon, one.lat) for one in corners if one.location.valid()]
            if kind is not None and name and placed:
                lon_deg, lat_deg = (sum(axis) / len(placed) for axis in zip(*placed, strict=True))
                found.append(NamedPlace(name, kind, lon_deg, lat_deg))
    return tuple(found)
