"""Road files: what is read, and that bad files are refused with their place and how to mend them."""

from __future__ import annotations

import bz2
import gzip
import math
import re
import shutil
from pathlib import Path
from typing import Any

import geopandas
import networkx as nx
import numpy as np
import osmium
import osmnx
import pytest
import shapely

from leaveby.errors import InputError
from leaveby.files.read.homes import read_homes
from leaveby.files.read.places import read_places
from leaveby.files.read.road_extracts import extract_bounds
from leaveby.files.read.roads import read_roads
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.latest_departure import latest_departure

DATA = Path(__file__).parents[1] / "data"
ANDORRA = DATA / "andorra_drive.osm.bz2"
INF = float("inf")
EAST, NORTH = 500_000.0, 5_900_000.0

SMALL = """<?xml version='1.0' encoding='UTF-8'?>
<osm version="0.6">
  <node id="1" lat="-37.000" lon="147.000"/>
  <node id="2" lat="-37.001" lon="147.000"><tag k="barrier" v="gate"/></node>
  <node id="3" lat="-37.002" lon="147.000"/>
  <node id="4" lat="-37.002" lon="147.001"/>
  <node id="5" lat="-37.002" lon="147.002"><tag k="barrier" v="height_restrictor"/><tag k="maxheight" v="2.3"/></node>
  <node id="6" lat="-37.002" lon="147.003"/>
  <way id="10"><nd ref="1"/><nd ref="2"/><nd ref="3"/><tag k="highway" v="track"/><tag k="4wd_only" v="yes"/></way>
  <way id="11"><nd ref="3"/><nd ref="4"/><nd ref="5"/><nd ref="6"/><tag k="highway" v="tertiary"/>
    <tag k="name" v="Ridge Road"/><tag k="maxspeed" v="60"/></way>
  <way id="12"><nd ref="4"/><nd ref="1"/><tag k="highway" v="proposed"/></way>
  <way id="13"><nd ref="4"/><nd ref="6"/><nd ref="5"/><nd ref="4"/><tag k="highway" v="pedestrian"/>
    <tag k="area" v="yes"/></way>
  <way id="14"><nd ref="4"/><nd ref="1"/><tag k="waterway" v="stream"/></way>
</osm>
"""


def write(folder: Path, text: str, name: str = "roads.osm") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def same(a: RoadNetwork, b: RoadNetwork) -> bool:
    return (
        a.node_id.tolist() == b.node_id.tolist()
        and a.tail.tolist() == b.tail.tolist()
        and a.head.tolist() == b.head.tolist()
        and a.length_m.tolist() == b.length_m.tolist()
        and a.way_id.tolist() == b.way_id.tolist()
        and a.highway == b.highway
        and a.barrier == b.barrier
    )


def test_a_small_extract(tmp_path: Path) -> None:
    network = read_roads(write(tmp_path, SMALL))
    assert set(network.way_id.tolist()) == {10, 11}
    gated = [network.barrier[e] for e in range(network.edge_count) if network.way_id[e] == 10]
    assert sorted(gated) == ["", "", "gate", "gate"]
    assert set(network.four_wd_only) == {"yes", ""}
    low = [network.maxheight[e] for e in range(network.edge_count) if network.way_id[e] == 11]
    assert sorted(low) == ["", "", "2.3", "2.3"]
    assert set(network.name) == {"", "Ridge Road"}
    # one thousandth of a degree of latitude on a sphere of 6,371,009 m is 111.195 m
    assert network.length_m[network.way_id == 10].sum() == pytest.approx(4 * 111.195, abs=0.01)


def test_all_kinds_of_extract_give_the_same_network(tmp_path: Path) -> None:
    plain = write(tmp_path, SMALL)
    (tmp_path / "roads.osm.gz").write_bytes(gzip.compress(SMALL.encode()))
    (tmp_path / "roads.osm.bz2").write_bytes(bz2.compress(SMALL.encode()))
    with osmium.SimpleWriter(str(tmp_path / "roads.osm.pbf")) as writer:
        for item in osmium.FileProcessor(str(plain)):
            writer.add(item)
    first = read_roads(plain)
    for name in ("roads.osm.gz", "roads.osm.bz2", "roads.osm.pbf"):
        assert same(first, read_roads(tmp_path / name))


# --- bad extracts ----------------------------------------------------------------------------------------------


def refused(file: Path, **options: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_roads(file, **options)
    for fault in caught.value.faults:
        assert str(file) in fault.place
        assert fault.expected
        assert fault.mend
    return caught.value


def test_broken_and_truncated_xml(tmp_path: Path) -> None:
    assert "broken or truncated" in str(refused(write(tmp_path, SMALL[: len(SMALL) // 2])))
    assert "broken or truncated" in str(refused(write(tmp_path, SMALL.replace("</way>", "</wya>", 1))))
    assert "broken or truncated" in str(refused(write(tmp_path, "no map at all")))
    assert "broken or truncated" in str(refused(write(tmp_path, "")))
    assert "broken or truncated" in str(refused(write(tmp_path, "<gpx></gpx>")))
    assert "line 4" in str(
        refused(write(tmp_path, SMALL.replace('<node id="2" lat="-37.001"', '<node id="2" lat=-37.001')))
    )


@pytest.mark.parametrize("kind", ["osm.bz2", "osm.gz", "osm.pbf"])
def test_truncated_and_damaged_compressed_files(tmp_path: Path, kind: str) -> None:
    whole = tmp_path / f"whole.{kind}"
    if kind == "osm.pbf":
        with osmium.SimpleWriter(str(whole)) as writer:
            for item in osmium.FileProcessor(str(ANDORRA)):
                writer.add(item)
    elif kind == "osm.gz":
        whole.write_bytes(gzip.compress(bz2.decompress(ANDORRA.read_bytes()), compresslevel=1))
    else:
        shutil.copy(ANDORRA, whole)
    content = whole.read_bytes()
    for share in (0.3, 0.9):
        cut = tmp_path / f"cut.{kind}"
        cut.write_bytes(content[: int(share * len(content))])
        assert "broken or truncated" in str(refused(cut))
    damaged = tmp_path / f"damaged.{kind}"
    damaged.write_bytes(content[:1000] + bytes(2000) + content[3000:])
    assert "broken or truncated" in str(refused(damaged))


BOMB = """<?xml version="1.0"?>
<!DOCTYPE bomb [
 <!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">
 <!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;&c;&c;">
]>
"""


def test_xml_bombs_are_refused_unread(tmp_path: Path) -> None:
    """The billion laughs (CVE-2003-1564 and after), and a file that reads other files."""
    osm = BOMB + '<osm version="0.6"><node id="1" lat="1" lon="1"><tag k="name" v="&d;"/></node></osm>'
    assert "entities" in str(refused(write(tmp_path, osm)))
    graph = BOMB + "<graphml><graph edgedefault='directed'><node id='&d;'/></graph></graphml>"
    assert "entities" in str(refused(write(tmp_path, graph, "roads.graphml")))
    other = '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><osm version="0.6"><note>&e;</note></osm>'
    assert "entities" in str(refused(write(tmp_path, other)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('lat="-37.001"', 'lat="-97.001"'),
        ('lon="147.001"', 'lon="187.001"'),
        ('lat="-37.001"', 'lat="1e9"'),
        ('lat="-37.001"', 'lat="nan"'),
        ('lat="-37.001"', 'lat="south"'),
    ],
)
def test_coordinates_out_of_range(tmp_path: Path, old: str, new: str) -> None:
    error = refused(write(tmp_path, SMALL.replace(old, new)))
    assert "out of range" in str(error) or "broken" in str(error)


def test_an_extract_cut_through_its_ways(tmp_path: Path) -> None:
    cut = SMALL.replace('  <node id="4" lat="-37.002" lon="147.001"/>\n', "")
    error = refused(write(tmp_path, cut))
    assert "way" in error.faults[0].place
    assert "11" in error.faults[0].place
    assert "cut through its ways" in str(error)
    assert "complete ways" in error.faults[0].mend


def test_a_real_extract_cut_at_a_box(tmp_path: Path) -> None:
    """All points east of a line taken out, as an extract by box without complete ways leaves it."""
    file = tmp_path / "cut.osm.pbf"
    with osmium.SimpleWriter(str(file)) as writer:
        for item in osmium.FileProcessor(str(ANDORRA)):
            if not isinstance(item, osmium.osm.Node) or item.location.lon < 1.6:
                writer.add(item)
    error = refused(file)
    assert "and " in error.faults[0].place
    assert " more" in error.faults[0].place
    assert "not in the file" in error.faults[0].wrong


def test_a_few_cut_roads_far_from_home_are_left_out_and_said(tmp_path: Path) -> None:
    """Ten points taken out of a real extract, of ten roads: today's editors and exports leave such files."""
    points: dict[int, list[tuple[int, bool]]] = {}
    places: dict[int, tuple[float, float]] = {}
    kinds = {"residential", "service", "track", "unclassified"}
    for item in osmium.FileProcessor(str(ANDORRA)):
        if isinstance(item, osmium.osm.Node):
            places[item.id] = (item.location.lon, item.location.lat)
        elif isinstance(item, osmium.osm.Way):
            for ref in item.nodes:
                points.setdefault(ref.ref, []).append((item.id, item.tags["highway"] in kinds))
    single = sorted(node for node, ways in points.items() if len(ways) == 1 and ways[0][1])
    gone = [int(node) for node in np.random.default_rng(7).choice(single, 10, replace=False)]
    file = tmp_path / "ten.osm.pbf"
    with osmium.SimpleWriter(str(file)) as writer:
        for item in osmium.FileProcessor(str(ANDORRA)):
            if not isinstance(item, osmium.osm.Node) or item.id not in gone:
                writer.add(item)
    cut = {points[node][0][0] for node in gone}
    whole, read = read_roads(ANDORRA), read_roads(file)
    assert set(whole.way_id.tolist()) - set(read.way_id.tolist()) == cut
    assert set(read.way_id.tolist()) <= set(whole.way_id.tolist())
    (said,) = [line for line in read.assumptions if "were left out" in line]
    assert said.startswith(f"{len(cut)} of ")
    assert "10 of their points are not in the file" in said
    far = max(places.values(), key=lambda at: min(math.dist(at, places[node]) for node in gone))
    assert read_roads(file, home_deg=far).edge_count == read.edge_count
    error = refused(file, home_deg=places[gone[0]])
    assert "within 2 km of the home" in error.faults[0].wrong
    assert str(points[gone[0]][0][0]) in error.faults[0].place or "more" in error.faults[0].place


EDITED = """<?xml version='1.0' encoding='UTF-8'?>
<osm version="0.6">
  <node id="-1" action="modify" lat="-37.000" lon="147.000"/>
  <node id="-2" action="modify" lat="-37.001" lon="147.000"><tag k="barrier" v="gate"/></node>
  <node id="3" action="modify" lat="-37.002" lon="147.000"/>
  <node id="4" lat="-37.002" lon="147.001"/>
  <node id="5" action="delete" lat="-37.002" lon="147.002"><tag k="barrier" v="bollard"/></node>
  <node id="-6" lat="-37.0005" lon="147.0005"><tag k="place" v="farm"/><tag k="name" v="Old Farm"/></node>
  <node id="-7" action="delete" lat="-37.0006" lon="147.0005"><tag k="place" v="farm"/><tag k="name" v="Gone"/></node>
  <way id="-10" action="modify"><nd ref="-1"/><nd ref="-2"/><nd ref="3"/><tag k="highway" v="track"/></way>
  <way id="11" action="modify"><nd ref="3"/><nd ref="4"/><tag k="highway" v="tertiary"/></way>
  <way id="12" action="delete"><nd ref="4"/><nd ref="5"/><tag k="highway" v="residential"/></way>
  <way id="13" visible="false"><nd ref="3"/><nd ref="4"/><tag k="highway" v="residential"/></way>
  <way id="-14"><nd ref="-1"/><nd ref="-2"/><nd ref="4"/><nd ref="-1"/><tag k="building" v="house"/></way>
  <way id="-15" action="delete"><nd ref="3"/><nd ref="4"/><nd ref="-1"/><nd ref="3"/><tag k="building" v="hut"/></way>
</osm>
"""


@pytest.mark.parametrize("ending", ["osm", "osm.gz", "osm.bz2", "osm.pbf"])
def test_what_a_map_editor_drew_is_read_and_what_it_deleted_is_not(tmp_path: Path, ending: str) -> None:
    """New objects have ids below zero and deleted ones stay in the file (format of a common editor, from memory)."""
    file = write(tmp_path, EDITED)
    if ending == "osm.pbf":
        text = re.sub(r"  <(node|way)[^>]* (action=.delete|visible).*\n", "", EDITED)
        plain = write(tmp_path, re.sub(r" action=\"modify\"", "", text), "plain.osm")
        file = tmp_path / "roads.osm.pbf"
        with osmium.SimpleWriter(str(file)) as writer:
            for item in osmium.FileProcessor(str(plain)):
                writer.add(item)
    elif ending != "osm":
        pack = gzip.compress if ending == "osm.gz" else bz2.compress
        file = tmp_path / f"roads.{ending}"
        file.write_bytes(pack(EDITED.encode()))
    network = read_roads(file)
    assert set(network.way_id.tolist()) == {-10, 11}
    assert set(network.node_id.tolist()) == {-1, -2, 3, 4}
    assert network.length_m[network.way_id == -10].sum() == pytest.approx(4 * 111.195, abs=0.01)
    assert sorted(set(network.barrier)) == ["", "gate"]
    if ending != "osm.pbf":
        assert read_homes(file, crs=network.crs).identity == ("way/-14",)
        assert [place.name for place in read_places(file)] == ["Old Farm"]


def test_deleted_things_behind_a_document_type_are_refused(tmp_path: Path) -> None:
    bomb = EDITED.replace("<osm", '<!DOCTYPE osm [<!ENTITY a "aaaaaaaaaa">]><osm', 1)
    assert "entities" in str(refused(write(tmp_path, bomb)))


def test_where_an_extract_ends(tmp_path: Path) -> None:
    bounds = '<bounds minlat="-37.01" minlon="146.99" maxlat="-36.99" maxlon="147.01"/>'
    head = '<osm version="0.6">'
    assert extract_bounds(write(tmp_path, SMALL)) is None
    assert extract_bounds(write(tmp_path, SMALL.replace(head, head + bounds))) == (146.99, -37.01, 147.01, -36.99)
    # an editor's file may hold several downloads: together they are no box
    assert extract_bounds(write(tmp_path, SMALL.replace(head, head + bounds + bounds))) is None


def test_files_without_roads_and_unknown_files(tmp_path: Path) -> None:
    assert "no road" in str(refused(write(tmp_path, '<osm version="0.6"></osm>')))
    assert "not known from its ending" in str(refused(write(tmp_path, "a,b", "roads.csv")))
    assert "no such file" in str(refused(tmp_path / "absent.osm"))


# --- graphs ----------------------------------------------------------------------------------------------------


def saved_graph(folder: Path, **edge: Any) -> Path:
    graph: nx.MultiDiGraph[Any] = nx.MultiDiGraph(crs="EPSG:4326", simplified=True)
    for node, lon in ((1, 147.0), (2, 147.001)):
        graph.add_node(node, x=lon, y=-37.0)
    given = {"length": 88.8, "highway": "residential", "osmid": 7, "oneway": False, "reversed": False, **edge}
    for u, v in ((1, 2), (2, 1)):
        graph.add_edge(u, v, **{key: value for key, value in given.items() if value is not None})
    osmnx.save_graphml(graph, folder / "roads.graphml")
    return folder / "roads.graphml"


def test_a_graph_is_read_and_one_without_lengths_refused(tmp_path: Path) -> None:
    network = read_roads(saved_graph(tmp_path))
    assert network.edge_count == 2
    assert network.twin.tolist() == [1, 0]
    error = refused(saved_graph(tmp_path, length=None))
    assert len(error.faults) == 2
    assert "its length is missing" in error.faults[0].wrong
    assert "add_edge_lengths" in error.faults[0].mend
    assert "length" in str(refused(saved_graph(tmp_path, length=float("nan"))))
    text = saved_graph(tmp_path).read_text(encoding="utf-8")
    assert "broken" in str(refused(write(tmp_path, text[: len(text) // 2], "roads.graphml")))
    assert "broken" in str(refused(write(tmp_path, text.replace("88.8", "long"), "roads.graphml")))


# --- layers of lines -------------------------------------------------------------------------------------------


def lines_frame(**columns: list[Any]) -> geopandas.GeoDataFrame:
    """A T of three streets in metres: 100 m, 200 m and 300 m from the junction."""
    lines = [
        shapely.LineString([(0, 0), (100, 0)]),
        shapely.LineString([(300, 0), (100, 0)]),
        shapely.LineString([(100, 0), (100, 150), (100, 300)]),
    ]
    there = shapely.transform(np.array(lines, dtype=object), lambda xy: xy + np.array([EAST, NORTH]))
    return geopandas.GeoDataFrame(columns, geometry=there, crs="EPSG:32755")


@pytest.mark.parametrize("ending", ["gpkg", "shp", "geojson"])
def test_lines_join_where_they_share_a_point(tmp_path: Path, ending: str) -> None:
    frame = lines_frame(highway=["tertiary"] * 3, oneway=["F", "B", "T"], name=["A", "B", None])
    file = tmp_path / f"roads.{ending}"
    (frame.to_crs("EPSG:4326") if ending == "geojson" else frame).to_file(file)
    network = read_roads(file, crs="EPSG:32755")
    assert network.node_count == 4
    lengths = sorted(np.round(network.length_m[~network.foot_only], 0).tolist())
    assert lengths == pytest.approx([100.0, 200.0, 200.0, 300.0], rel=0.006)
    assert network.foot_only.sum() == 2
    assert set(network.name) == {"A", "B", ""}
    # a street marked T may only be driven against its points: towards the junction
    marked = [e for e in range(network.edge_count) if network.name[e] == "" and not network.foot_only[e]]
    assert len(marked) == 1
    assert network.y_m[network.tail[marked[0]]] == pytest.approx(NORTH + 300.0, abs=0.01)


def test_tags_of_lines_and_what_is_supposed(tmp_path: Path) -> None:
    frame = lines_frame(HIGHWAY=["tertiary", "track", None], maxspeed=[60, 0, 40])
    file = tmp_path / "roads.gpkg"
    frame.to_file(file)
    network = read_roads(file)
    assert set(network.highway) == {"tertiary", "track", "road"}
    assert set(network.maxspeed) == {"60", "0", "40"}
    assert any("1 lines say no class" in sentence for sentence in network.assumptions)
    assert any("one-way" in sentence for sentence in network.assumptions)


def test_lines_that_cannot_be_used(tmp_path: Path) -> None:
    frame = lines_frame(highway=["tertiary"] * 3)
    frame.to_file(tmp_path / "bare.shp")
    (tmp_path / "bare.prj").unlink()
    assert "no reference system" in str(refused(tmp_path / "bare.shp"))
    empty = frame.copy()
    empty.loc[1, "geometry"] = None
    empty.to_file(tmp_path / "empty.gpkg")
    assert "row 2" in str(refused(tmp_path / "empty.gpkg"))
    frame.assign(highway="proposed").to_file(tmp_path / "paths.gpkg")
    told = str(refused(tmp_path / "paths.gpkg"))
    assert "none of its lines is a road or path in use (proposed)" in told
    assert "take a layer of roads, or the extract itself" in told
    frame.set_geometry(frame.geometry.centroid).to_file(tmp_path / "points.gpkg")
    assert "no layer of lines" in str(refused(tmp_path / "points.gpkg"))
    frame.to_file(tmp_path / "two.gpkg", layer="roads")
    frame.to_file(tmp_path / "two.gpkg", layer="rivers")
    assert "2 layers of lines" in str(refused(tmp_path / "two.gpkg"))
    assert "no such layer" in str(refused(tmp_path / "two.gpkg", layer="rails"))
    assert read_roads(tmp_path / "two.gpkg", layer="roads").node_count == 4
    (tmp_path / "junk.gpkg").write_bytes(b"SQLite format 3\0" + bytes(500))
    assert "broken" in str(refused(tmp_path / "junk.gpkg"))


def test_edges_saved_by_osmnx_come_back_directed(tmp_path: Path) -> None:
    file = tmp_path / "piedmont.graphml"
    file.write_bytes(gzip.decompress((DATA / "piedmont.graphml.gz").read_bytes()))
    graph = osmnx.load_graphml(file)
    osmnx.save_graph_geopackage(graph, filepath=tmp_path / "piedmont.gpkg", directed=True)
    direct, by_layer = read_roads(file), read_roads(tmp_path / "piedmont.gpkg", layer="edges")
    assert by_layer.edge_count == direct.edge_count
    assert sorted(by_layer.length_m.tolist()) == pytest.approx(sorted(direct.length_m.tolist()))
    number = {int(node): k for k, node in enumerate(by_layer.node_id)}
    goal = int(direct.node_id[0])
    never = np.full(direct.edge_count, INF)
    a = latest_departure(direct, direct.length_m, closing_s=never, targets=0).drive_s
    b = latest_departure(by_layer, by_layer.length_m, closing_s=never, targets=number[goal]).drive_s
    np.testing.assert_allclose([b[number[int(node)]] for node in direct.node_id], a)
