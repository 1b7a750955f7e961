"""Fetch roads from OpenStreetMap; the only module that opens a connection, and only when one calls its functions.

What is asked for (a place name, or a point and its surroundings) is sent to the public map servers that osmnx uses. A
household that does not want that reads a file instead.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import networkx as nx
import osmnx
import requests
import shapely
from osmnx._errors import InsufficientResponseError, ResponseStatusCodeError
from osmnx.utils_geo import buffer_geometry

from leaveby.caution import OSM_NOTICE
from leaveby.errors import InputError, refuse, refused
from leaveby.files.read.road_extracts import TAG_KEYS
from leaveby.files.read.roads import read_roads
from leaveby.roads.network.graph import RoadNetwork

Area = shapely.Polygon | shapely.MultiPolygon

BUFFER_M: Final = 2000.0
"""Roads are fetched this far around what was asked, since at a cut edge every road looks like a dead end. Judgement."""

LICENCE_FILE: Final = "LICENCE.txt"
_ROADS_FILE: Final = "roads.graphml"
_NODE_TAGS: Final = ("highway", "barrier", "access", "motor_vehicle", "locked")


@dataclass(frozen=True, eq=False)
class DownloadedRoads:
    """Roads of an area and its surroundings, the area asked for in longitude and latitude, and the file they lie in."""

    network: RoadNetwork
    area_deg: Area
    file: Path


def roads_by_place(
    place: str, *, folder: str | Path, buffer_m: float = BUFFER_M, today: str | None = None
) -> DownloadedRoads:
    """Fetch the roads of a named place and its surroundings.

    Parameters
    ----------
    place : str
        Name that the public place-name server finds with an outline, such as a town or shire.
    folder : str or Path
        Cache. The roads go into a folder in it that is named by date and place, with the licence notice. The same place
        on the same day is read from there and not fetched again.
    buffer_m : float
        How far around the outline roads are fetched too.
    today : str, optional
        Date (YYYY-MM-DD) that names the folder; the present one in UTC when left out.

    Raises
    ------
    InputError
        Without a connection, for an unknown place, or where there are no roads.
    """
    name = place.strip()
    if not name:
        raise refuse("place", "it is empty", expected="the name of a place", mend="name one, or give a point")

    def outline() -> Area:
        return _area(osmnx.geocode_to_gdf(name).geometry.union_all())

    return _fetched(name, outline=outline, folder=Path(folder), buffer_m=buffer_m, today=today)


def roads_by_point(
    lat_deg: float,
    *,
    lon_deg: float,
    radius_m: float,
    folder: str | Path,
    buffer_m: float = BUFFER_M,
    today: str | None = None,
) -> DownloadedRoads:
    """Fetch the roads around a point; the point itself is rounded to about a kilometre in the folder's name.

    Parameters
    ----------
    lat_deg, lon_deg : float
        The point, WGS 84.
    radius_m : float
        The area asked for, above 0 to 100,000 m.
    folder, buffer_m, today
        As for `roads_by_place`.
    """
    if not (-90.0 < lat_deg < 90.0 and -180.0 <= lon_deg <= 180.0):
        raise refuse("point", f"{lat_deg}, {lon_deg}", expected="latitude and longitude in degrees", mend="swap them?")
    if not 0.0 < radius_m <= 100_000.0:
        raise refuse("radius_m", f"it is {radius_m}", expected="above 0 to 100,000 m", mend="correct it")

    def outline() -> Area:
        return _area(buffer_geometry(shapely.Point(lon_deg, lat_deg), radius_m))

    name = f"{lat_deg:.2f}_{lon_deg:.2f}_{radius_m:.0f}m"
    return _fetched(name, outline=outline, folder=Path(folder), buffer_m=buffer_m, today=today)


def _area(shape: Any) -> Area:
    if not isinstance(shape, shapely.Polygon | shapely.MultiPolygon) or shape.is_empty:
        raise ValueError("it has no outline")
    return shape


def _fetched(name: str, *, outline: Any, folder: Path, buffer_m: float, today: str | None) -> DownloadedRoads:
    if not buffer_m > 0.0:
        raise refused("buffer_m", "download_buffer", buffer_m=buffer_m)
    day = today if today is not None else datetime.now(UTC).date().isoformat()
    slug = re.sub(r"[^a-z0-9.-]+", "_", name.lower()).strip("_")
    store = folder / f"{day}_{slug}_{buffer_m:.0f}m"
    file, shape = store / _ROADS_FILE, store / "area.wkt"
    if not (file.is_file() and shape.is_file()):
        with _said_plainly(name):
            area = outline()
            graph = _graph(_area(buffer_geometry(area, buffer_m)))
        store.mkdir(parents=True, exist_ok=True)
        (store / LICENCE_FILE).write_text(_notice(name, day=day), encoding="utf-8")
        osmnx.save_graphml(graph, file)
        shape.write_text(shapely.to_wkt(area, rounding_precision=7), encoding="utf-8")
    return DownloadedRoads(read_roads(file), _area(shapely.from_wkt(shape.read_text(encoding="utf-8"))), file)


def _graph(area_deg: Area) -> nx.MultiDiGraph[Any]:
    with _settings(useful_tags_way=[*TAG_KEYS.values()], useful_tags_node=[*_NODE_TAGS], use_cache=False):
        graph = osmnx.graph_from_polygon(
            area_deg, network_type="all", simplify=False, retain_all=True, truncate_by_edge=True
        )
    # every way keeps its own tags, and gates stay nodes
    return osmnx.simplify_graph(graph, node_attrs_include=["barrier"], edge_attrs_differ=["osmid"], remove_rings=False)


@contextmanager
def _settings(**wanted: Any) -> Iterator[None]:
    before = {key: getattr(osmnx.settings, key) for key in wanted}
    for key, value in wanted.items():
        setattr(osmnx.settings, key, value)
    try:
        yield
    finally:
        for key, value in before.items():
            setattr(osmnx.settings, key, value)


@contextmanager
def _said_plainly(name: str) -> Iterator[None]:
    try:
        yield
    except InputError:
        raise
    except requests.RequestException as error:
        raise refused(f"roads of {name}", "server_not_reached", error=type(error).__name__) from error
    except (InsufficientResponseError, ResponseStatusCodeError, TypeError, ValueError) as error:
        raise refused(f"roads of {name}", "server_found_nothing", error=error) from error


def _notice(name: str, *, day: str) -> str:
    return (
        f"Roads around {name}, fetched on {day}.\n\n{OSM_NOTICE}\n"
        "This data is made available under the Open Database Licence (ODbL) 1.0:\n"
        "https://opendatacommons.org/licenses/odbl/1-0/\n"
        "https://www.openstreetmap.org/copyright\n\n"
        "The notice must stand on every map and export drawn from this data.\n"
    )
