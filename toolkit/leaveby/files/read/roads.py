"""The door for road files: OpenStreetMap extracts, street graphs, and layers of lines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from leaveby.errors import InputError, refused
from leaveby.files.read.guard import guarded, regular
from leaveby.files.read.road_extracts import OSM_ENDINGS, drawn_from_osm, read_extract, read_xml
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.osm.topology import network_from_osm_ways


def read_roads(
    path: str | Path,
    *,
    crs: str | None = None,
    layer: str | None = None,
    home_deg: tuple[float, float] | None = None,
    edge_deg: tuple[float, float, float, float] | None = None,
) -> RoadNetwork:
    """Read roads from a file.

    - `path`: OpenStreetMap extract (.osm, .osm.bz2, .osm.gz, .osm.pbf), street graph of osmnx (.graphml), or a layer of
      lines (.gpkg, .shp, .geojson), of which `layer` names one of several.
    - `crs`: projected, in metres; the UTM zone of the area when left out.
    - `home_deg`: longitude and latitude; a road of an extract near this home that is cut through is refused; elsewhere
      a few are left out, and said.
    - `edge_deg`: west, south, east, north; every street of an extract ends where it crosses this box, see
      `extract_bounds`.

    Raises InputError when the file is missing, broken, truncated, cut through its ways, declares entities, has
    coordinates out of range, holds no roads, or lacks lengths.

    Examples
    --------
    >>> read_roads("no_such_file.osm")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_file.osm: there is no such file. Expected ...
    """
    expected = "a road file (.osm, .osm.bz2, .osm.gz, .osm.pbf, .graphml, .gpkg, .shp, .geojson)"
    file = regular(path, expected=expected, mend="correct the path; relative paths start from the plan file")
    ending = file.name.lower()
    if ending.endswith(OSM_ENDINGS):
        ways = read_extract(file, home_deg=home_deg, edge_deg=edge_deg)
        return replace(network_from_osm_ways(ways, crs=crs), from_osm=drawn_from_osm(file))
    if ending.endswith(".graphml"):
        return _read_graphml(file, crs=crs)
    if ending.endswith((".gpkg", ".shp", ".geojson")):
        from leaveby.files.read.road_lines import read_road_lines

        return read_road_lines(file, crs=crs, layer=layer)
    raise refused(file, "unknown_ending_of_roads")


def _read_graphml(file: Path, *, crs: str | None) -> RoadNetwork:
    import osmnx  # only here: it brings along far more than an extract needs

    from leaveby.roads.osm.street_graph import network_from_graph

    with guarded(file, told="broken_graphml"):
        read_xml(file)
        graph = osmnx.load_graphml(file)
        try:
            return network_from_graph(graph, crs=crs)
        except InputError as error:
            raise InputError([replace(fault, place=f"{file}, {fault.place}") for fault in error.faults]) from error
