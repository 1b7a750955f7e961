"""Named places of an OpenStreetMap extract: towns, villages, hamlets, farms and fields that people call by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import osmium

from leaveby.files.read.guard import guarded, regular
from leaveby.files.read.road_extracts import OSM_ENDINGS, osm_file, without_editing
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

    Only OpenStreetMap extracts hold places: for street graphs and layers of lines the answer is empty. Raises
    InputError when the file is missing or broken.

    Examples
    --------
    >>> read_places("no_such_file.osm")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_file.osm: there is no such file. Expected ...
    """
    return _named(path, lambda key, value: value if key == "place" and value not in LARGER else None, keys=["place"])


def read_gatherings(path: str | Path) -> tuple[NamedPlace, ...]:
    """Read where people gather, as `read_places` does: named grounds, halls, middles of towns; the kind is in words."""
    kinds: dict[str, str] = table("files/read/kinds")["gathering"]
    keys = [tag.partition("=")[0] for tag in kinds]
    return _named(path, lambda key, value: kinds.get(f"{key}={value}"), keys=keys, areas=True)


def _named(
    path: str | Path, kind_of: Callable[[str, str], str | None], *, keys: list[str], areas: bool = False
) -> tuple[NamedPlace, ...]:
    """Read nodes, and `areas` at the middle of their corners, that have a name and a tag of a kind."""
    file = regular(path, expected="the file that holds the roads", mend="correct its path")
    if not file.name.lower().endswith(OSM_ENDINGS):
        return ()
    found = []
    with guarded(file), without_editing(file) as sound:
        stream = osmium.FileProcessor(osm_file(sound), osmium.osm.NODE | osmium.osm.WAY if areas else osmium.osm.NODE)
        stream = stream.with_locations() if areas else stream
        for item in stream.with_filter(osmium.filter.KeyFilter(*keys)):
            name = (item.tags.get("name") or "").strip()
            kind = next((kind for tag in item.tags if (kind := kind_of(tag.k, tag.v))), None)
            corners = [item] if isinstance(item, osmium.osm.Node) else [*getattr(item, "nodes", ())]
            placed = [(one.lon, one.lat) for one in corners if one.location.valid()]
            if kind and name and placed and not getattr(item, "deleted", False):
                lon_deg, lat_deg = (sum(axis) / len(placed) for axis in zip(*placed, strict=True))
                found.append(NamedPlace(name, kind, lon_deg, lat_deg))
    return tuple(found)
