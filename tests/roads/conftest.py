"""Real roads that several files hold something against, read once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import networkx as nx
import osmnx
import pytest

from leaveby.files.read.roads import read_roads
from leaveby.roads.network.graph import RoadNetwork

ANDORRA = Path(__file__).parents[1] / "data" / "andorra_drive.osm.bz2"


@pytest.fixture(scope="session")
def andorra() -> RoadNetwork:
    return read_roads(ANDORRA)


@pytest.fixture(scope="session")
def unsimplified() -> nx.MultiDiGraph[Any]:
    return osmnx.graph_from_xml(ANDORRA, simplify=False, retain_all=True)


@pytest.fixture(scope="session")
def simplified(unsimplified: nx.MultiDiGraph[Any]) -> nx.MultiDiGraph[Any]:
    return osmnx.simplify_graph(unsimplified)
