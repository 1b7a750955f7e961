"""Raw ways as they stand in a file, and the rules that read their tags: direction, barriers, several values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import compress
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leaveby.roads.network.graph import SEPARATOR

_ONE_WAY: Final = frozenset({"yes", "true", "1", "-1", "reverse", "T", "F"})
REVERSED: Final = frozenset({"-1", "reverse", "T"})
_LESSER: Final = frozenset({"service", "track", "path", "footway", "cycleway", "bridleway", "steps", "pedestrian"})


@dataclass(frozen=True, eq=False)
class OsmWays:
    """Raw ways as they stand in a file, before any topology; way i has the points `start[i]` to `start[i + 1]`.

    - `node`, `lon_deg`, `lat_deg`: identity of each point (ways that share it meet there), and its position on WGS 84.
    - `tags`: for each of `TAGS` but `barrier`, the value on each way ('' where absent).
    - `barriers`, `limits`: those that stand on a point: kind, with `=access` where the point says so; height, width and
      weight.
    - `ends`: points at which streets end though nothing meets there: where the edge of the map cuts a road.
    """

    way_id: NDArray[np.int64]
    start: NDArray[np.int64]
    node: NDArray[np.int64]
    lon_deg: NDArray[np.float64]
    lat_deg: NDArray[np.float64]
    tags: Mapping[str, tuple[str, ...]]
    barriers: Mapping[int, str] = field(default_factory=dict)
    limits: Mapping[int, Mapping[str, str]] = field(default_factory=dict)
    ends: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    assumptions: tuple[str, ...] = ()


def is_one_way(tags: Mapping[str, str]) -> bool:
    """Whether cars may take a way in one direction only.

    A roundabout is one-way without saying so, and so is a motorway.
    """
    value = tags.get("oneway", "")
    if value in _ONE_WAY:
        return True
    if tags.get("junction", "") == "roundabout":
        return True
    return value == "" and tags.get("highway", "") == "motorway"


def join_values(values: list[str]) -> str:
    """One string for the values of a tag where several are merged, each once; '' stays among them."""
    return SEPARATOR.join(dict.fromkeys(values))


def osm_ways_with_points_at(raw: OsmWays, box: tuple[float, float, float, float]) -> OsmWays:
    """The ways with a point more wherever they cross the edge of a box (west, south, east, north) in degrees.

    The new points, and those that lie on the edge already, stand in `ends`, so that every street ends there. Stretches
    that lie wholly outside are left as they are.
    """
    west, south, east, north = box
    lon, lat = raw.lon_deg, raw.lat_deg
    inside = (lon > west) & (lon < east) & (lat > south) & (lat < north)
    on_edge = ~inside & (lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)
    way_of = np.repeat(np.arange(raw.way_id.size), np.diff(raw.start))
    steps = np.flatnonzero((way_of[1:] == way_of[:-1]) & (inside[1:] != inside[:-1]))
    within = np.where(inside[steps], steps, steps + 1)
    beyond = np.where(inside[steps], steps + 1, steps)
    keep = ~on_edge[beyond]
    steps, within, beyond = steps[keep], within[keep], beyond[keep]
    x, y = lon[within], lat[within]
    over_x, over_y = lon[beyond] - x, lat[beyond] - y
    share = np.ones(steps.size)
    for over, at, low, high in ((over_x, x, west, east), (over_y, y, south, north)):
        room = np.where(over > 0.0, high - at, low - at)
        share = np.minimum(share, np.divide(room, over, out=np.ones(steps.size), where=over != 0.0))
    lowest = min(0, int(raw.node.min())) if raw.node.size else 0
    added = lowest - 1 - np.arange(steps.size, dtype=np.int64)
    new_x, new_y = np.clip(x + share * over_x, west, east), np.clip(y + share * over_y, south, north)
    before = np.bincount(way_of[steps], minlength=raw.way_id.size)
    return replace(
        raw,
        start=(raw.start + np.concatenate([[0], np.cumsum(before)])).astype(np.int64),
        node=np.insert(raw.node, steps + 1, added),
        lon_deg=np.insert(lon, steps + 1, new_x),
        lat_deg=np.insert(lat, steps + 1, new_y),
        ends=np.concatenate([raw.ends, added, np.unique(raw.node[on_edge])]).astype(np.int64),
    )


def osm_ways_kept(raw: OsmWays, keep: NDArray[np.bool_]) -> OsmWays:
    """The ways where `keep` is true, shape (w,), each whole."""
    if keep.all():
        return raw
    size = np.diff(raw.start)
    points = np.repeat(keep, size)
    return replace(
        raw,
        way_id=raw.way_id[keep],
        start=np.concatenate([[0], np.cumsum(size[keep])]).astype(np.int64),
        node=raw.node[points],
        lon_deg=raw.lon_deg[points],
        lat_deg=raw.lat_deg[points],
        tags={tag: tuple(compress(values, keep.tolist())) for tag, values in raw.tags.items()},
    )


def barrier_words(tags: Mapping[str, Any]) -> str:
    """The kind of a barrier, and what is said of passing it."""
    kind = str(tags["barrier"])
    said = [str(tags[key]) for key in ("motorcar", "motor_vehicle", "vehicle", "access") if key in tags]
    if said:
        return f"{kind}={said[0]}"
    return f"{kind}=yes" if "locked" in tags and tags["locked"] == "no" else kind


def shut_by_end(ends: list[int], *, length_m: list[float], highway: list[str]) -> list[int]:
    """Which of the stretches that meet at a barrier it shuts.

    None where the road ends there, for nothing lies behind. Of two the shorter, so that homes on the longer are not
    shut in by mistake. At a junction the lesser roads, for a gate does not stand across the main road; all where none
    is lesser.

    >>> shut_by_end([5, 6], length_m=[80.0, 20.0], highway=["service", "service"])
    [6]
    >>> shut_by_end([5, 6, 7], length_m=[80.0, 20.0, 5.0], highway=["tertiary", "tertiary", "track"])
    [7]
    """
    if len(ends) <= 1:
        return []
    if len(ends) == 2:
        return [min(zip(length_m, ends, strict=True))[1]]
    lesser = [end for end, kind in zip(ends, highway, strict=True) if kind.split(SEPARATOR)[0] in _LESSER]
    return lesser or ends
