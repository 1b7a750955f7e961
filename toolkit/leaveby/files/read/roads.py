"""The door for road files: OpenStreetMap extracts, street graphs, and layers of lines."""

from __future__ import annotations

import warnings
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final
from xml.parsers import expat

import numpy as np
import shapely
from pyproj import Transformer

from leaveby.errors import InputError, refuse, refused
from leaveby.files.read.road_extracts import OSM_ENDINGS, drawn_from_osm, read_extract, read_xml, said_plainly, there
from leaveby.roads.network.graph import RoadNetwork, select_edges
from leaveby.roads.osm.topology import Split, network_from_osm_ways
from leaveby.units import METRES_PER_DEGREE

_Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class RoadsWanted:
    """Which roads of a file are wanted; all roads, tracks and paths when nothing is said.

    - `around_deg`: (west, south, east, north): only roads that touch this box, in degrees. They are kept whole.
    - `buffer_m`: widens the box. A dead end is only known for one when the roads beyond the box were read too.
    - `classes`: only these values of the highway tag.
    - `columns`: for a layer of lines: tag -> column that holds it, where the names differ.
    - `layer`: for a layer of lines in a file with several.
    """

    around_deg: _Box | None = None
    buffer_m: float = 0.0
    classes: Collection[str] | None = None
    columns: Mapping[str, str] | None = None
    layer: str | None = None

    @property
    def box_deg(self) -> _Box | None:
        """The widened box."""
        if not (np.isfinite(self.buffer_m) and self.buffer_m >= 0.0):
            raise refuse("buffer_m", f"it is {self.buffer_m}", expected="metres, 0 or more", mend="correct it")
        if self.around_deg is None:
            return None
        west, south, east, north = self.around_deg
        if not (-180.0 <= west < east <= 180.0 and -90.0 <= south < north <= 90.0):
            raise refused("around_deg", "no_box", box=self.around_deg)
        tall = self.buffer_m / METRES_PER_DEGREE
        wide = self.buffer_m / (METRES_PER_DEGREE * max(0.01, float(np.cos(np.radians(max(abs(south), abs(north)))))))
        return (west - wide, south - tall, east + wide, north + tall)


ALL_ROADS: Final = RoadsWanted()


def read_roads(
    path: str | Path,
    *,
    crs: str | None = None,
    split: Split = "ways",
    wanted: RoadsWanted = ALL_ROADS,
    home_deg: tuple[float, float] | None = None,
    edge_deg: _Box | None = None,
) -> RoadNetwork:
    """Read roads from a file.

    Parameters
    ----------
    path : str or Path
        OpenStreetMap extract (.osm, .osm.bz2, .osm.gz, .osm.pbf), street graph of osmnx (.graphml), or a layer of lines
        (.gpkg, .shp, .geojson).
    crs : str, optional
        Projected reference system in metres; the UTM zone of the area when left out.
    split : {"ways", "junctions", "nodes"}
        Where edges end, see `network_from_osm_ways`. For extracts and layers of lines.
    home_deg : (lon, lat), optional
        For an extract: a road near this home that is cut through is refused; elsewhere a few are left out, and said.
    edge_deg : (west, south, east, north), optional
        For an extract: let every street end where it crosses the edge of this box, see `extract_bounds`.

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
    expected = "a road file (.osm, .osm.bz2, .osm.gz, .osm.pbf, .graphml, .gpkg, .shp, .geojson)"
    file = there(path, expected=expected, mend="correct the path; relative paths start from the plan file")
    box = wanted.box_deg
    ending = file.name.lower()
    if ending.endswith(OSM_ENDINGS):
        ways = read_extract(file, box=box, classes=wanted.classes, home_deg=home_deg, edge_deg=edge_deg)
        return replace(network_from_osm_ways(ways, crs=crs, split=split), from_osm=drawn_from_osm(file))
    if ending.endswith(".graphml"):
        network = _read_graphml(file, crs=crs)
        return network if box is None else _inside(network, box)
    if ending.endswith((".gpkg", ".shp", ".geojson")):
        from leaveby.files.read.road_lines import read_road_lines

        return read_road_lines(
            file, crs=crs, box=box, classes=wanted.classes, split=split, columns=wanted.columns, layer=wanted.layer
        )
    raise refused(file, "unknown_ending_of_roads")


def _read_graphml(file: Path, *, crs: str | None) -> RoadNetwork:
    import osmnx  # only here: it brings along far more than an extract needs

    from leaveby.roads.osm.street_graph import network_from_graph

    try:
        read_xml(file)
    except expat.ExpatError as error:
        raise refused(f"{file} line {error.lineno}", "broken_graphml", error=error) from error
    with said_plainly(file), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        graph = osmnx.load_graphml(file)
    try:
        return network_from_graph(graph, crs=crs)
    except InputError as error:
        raise InputError([replace(fault, place=f"{file}, {fault.place}") for fault in error.faults]) from error


def _inside(network: RoadNetwork, box: _Box) -> RoadNetwork:
    ring = shapely.segmentize(shapely.box(*box), max_segment_length=0.05)
    project = Transformer.from_crs("EPSG:4326", network.crs, always_xy=True)
    area = shapely.transform(ring, lambda xy: np.column_stack(project.transform(xy[:, 0], xy[:, 1])))
    keep = np.asarray(shapely.intersects(network.geometry, area), dtype=np.bool_)
    if not keep.any():
        raise refused("around_deg", "no_road_in_box", box=box)
    return select_edges(network, keep)
