"""Fetching roads, without a connection: what is asked, what is stored, what happens when it fails."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import geopandas
import networkx as nx
import osmnx
import pytest
import requests
import shapely
from osmnx._errors import InsufficientResponseError

from leaveby import download
from leaveby.errors import InputError


@pytest.fixture(autouse=True)
def _no_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse_socket(*_: object, **__: object) -> None:
        raise AssertionError("a connection was opened")

    monkeypatch.setattr(socket.socket, "connect", refuse_socket)


class MapServer:
    """Stands in for the map servers: a street of two ways with a gate, and a town's outline."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.asked: list[shapely.Polygon] = []
        self.tags: list[list[str]] = []
        self.outline: Any = shapely.box(147.0, -37.1, 147.1, -37.0)
        monkeypatch.setattr(osmnx, "graph_from_polygon", self.graph)
        monkeypatch.setattr(osmnx, "geocode_to_gdf", self.place)

    def place(self, _name: str) -> geopandas.GeoDataFrame:
        return geopandas.GeoDataFrame(geometry=[self.outline], crs="EPSG:4326")

    def graph(self, polygon: shapely.Polygon, **options: Any) -> nx.MultiDiGraph[Any]:
        assert options == {"network_type": "all", "simplify": False, "retain_all": True, "truncate_by_edge": True}
        self.asked.append(polygon)
        self.tags.append(list(osmnx.settings.useful_tags_way))
        graph: nx.MultiDiGraph[Any] = nx.MultiDiGraph(crs="EPSG:4326")
        for node in range(1, 6):
            graph.add_node(node, x=147.0 + 0.001 * node, y=-37.05)
        graph.nodes[3]["barrier"] = "gate"
        for u, way in ((1, 10), (2, 10), (3, 10), (4, 11)):
            for a, b in ((u, u + 1), (u + 1, u)):
                graph.add_edge(
                    a, b, osmid=way, highway="residential", length=88.8, oneway=False, reversed=a > b, maxspeed="50"
                )
        return graph


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> MapServer:
    return MapServer(monkeypatch)


def test_a_place_is_fetched_with_its_surroundings_into_a_dated_folder(server: MapServer, tmp_path: Path) -> None:
    before = list(osmnx.settings.useful_tags_way)
    fetched = download.roads_by_place("Gum Ridge", folder=tmp_path, today="2025-11-25")
    assert fetched.file.parent.name.startswith("2025-11-25_gum_ridge")
    notice = (fetched.file.parent / "LICENCE.txt").read_text(encoding="utf-8")
    assert "(c) OpenStreetMap contributors" in notice
    assert "Open Database Licence" in notice
    assert "2025-11-25" in notice
    # asked for a wider area than the outline, by 2 km: 0.018 degrees of latitude (1 degree is 111.2 km)
    wide = server.asked[0]
    assert shapely.contains(wide, server.outline)
    assert wide.bounds[3] == pytest.approx(-37.0 + 0.018, abs=0.001)
    assert shapely.equals_exact(fetched.area_deg, server.outline, tolerance=1e-6)
    assert {"maxheight", "4wd_only", "surface", "access"} <= set(server.tags[0])
    assert list(osmnx.settings.useful_tags_way) == before


def test_ways_keep_their_own_tags_and_gates_are_kept(server: MapServer, tmp_path: Path) -> None:
    assert server.asked == []
    network = download.roads_by_place("Gum Ridge", folder=tmp_path).network
    assert sorted(network.node_id.tolist()) == [1, 3, 4, 5]
    assert set(network.maxspeed) == {"50"}
    assert sorted(network.barrier) == ["", "", "", "", "gate", "gate"]
    assert network.length_m.sum() == pytest.approx(8 * 88.8)


def test_the_same_place_on_the_same_day_is_not_fetched_again(server: MapServer, tmp_path: Path) -> None:
    for _ in range(2):
        download.roads_by_place("Gum Ridge", folder=tmp_path, today="2025-11-25")
    assert len(server.asked) == 1
    download.roads_by_place("Gum Ridge", folder=tmp_path, today="2025-11-26")
    download.roads_by_place("Gum Ridge", folder=tmp_path, today="2025-11-26", buffer_m=5000.0)
    assert len(server.asked) == 3


def test_a_point_and_its_radius(server: MapServer, tmp_path: Path) -> None:
    fetched = download.roads_by_point(-37.05, lon_deg=147.05, radius_m=1000.0, folder=tmp_path, buffer_m=500.0)
    low, high = fetched.area_deg.bounds[1], fetched.area_deg.bounds[3]
    assert (high - low) * 111_195.0 == pytest.approx(2000.0, rel=0.01)
    assert (server.asked[0].bounds[3] - server.asked[0].bounds[1]) * 111_195.0 == pytest.approx(3000.0, rel=0.01)
    # the folder's name does not give the home away to the metre
    assert "-37.05_147.05" in fetched.file.parent.name


def test_nothing_is_fetched_by_importing_or_without_surroundings(server: MapServer, tmp_path: Path) -> None:
    for bad in (0.0, -1.0, float("nan")):
        with pytest.raises(InputError, match="buffer_m"):
            download.roads_by_place("Gum Ridge", folder=tmp_path, buffer_m=bad)
    with pytest.raises(InputError, match="place"):
        download.roads_by_place("  ", folder=tmp_path)
    with pytest.raises(InputError, match="radius_m"):
        download.roads_by_point(-37.0, lon_deg=147.0, radius_m=0.0, folder=tmp_path)
    with pytest.raises(InputError, match="point"):
        download.roads_by_point(147.0, lon_deg=-37.0, radius_m=10.0, folder=tmp_path)
    assert server.asked == []
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (requests.ConnectionError("no route"), "can't be reached"),
        (requests.Timeout("slow"), "can't be reached"),
        (InsufficientResponseError("nothing"), "found nothing"),
        (TypeError("no polygon"), "found nothing"),
    ],
)
def test_failures_are_said_with_what_to_do_and_leave_nothing_behind(
    server: MapServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(osmnx, "geocode_to_gdf", fail)
    before = list(osmnx.settings.useful_tags_node)
    with pytest.raises(InputError, match=said) as caught:
        download.roads_by_place("Nowhere", folder=tmp_path)
    assert caught.value.faults[0].mend
    assert server.asked == []
    assert list(tmp_path.iterdir()) == []
    assert list(osmnx.settings.useful_tags_node) == before


def test_a_place_without_an_outline_is_refused(server: MapServer, tmp_path: Path) -> None:
    server.outline = shapely.Point(147.0, -37.0)
    with pytest.raises(InputError, match="no outline"):
        download.roads_by_place("Dot", folder=tmp_path)
