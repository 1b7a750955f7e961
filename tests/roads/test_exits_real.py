"""Single exits on real streets: counts of networkx and igraph, and ten groups looked at by hand on the map."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import igraph
import networkx as nx
import numpy as np
import osmnx
import pytest
from pyproj import Transformer

from leaveby.files.read.homes import place_from_file
from leaveby.files.read.roads import read_roads
from leaveby.roads.exits.dominators import NO_WAY_OUT, bridges
from leaveby.roads.exits.facts import GroupFacts, group_facts
from leaveby.roads.exits.groups import SingleExits, home_vertices, single_exits
from leaveby.roads.exits.homes import Homes, PlacedHomes, place_homes
from leaveby.roads.exits.places import boundary_exits
from leaveby.roads.exits.street_table import StreetTable, street_table

DATA = Path(__file__).parents[1] / "data"
STREETS = DATA / "andorra_streets.osm.pbf"

Real = tuple[StreetTable, PlacedHomes, SingleExits, GroupFacts]


@pytest.fixture(scope="module")
def real() -> Real:
    streets = street_table(read_roads(STREETS), region="AD")
    homes = place_from_file(STREETS, streets)
    found = single_exits(streets, homes, exits=boundary_exits(streets)[0])
    return streets, homes, found, group_facts(streets, found, homes)


# --- bridges --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def largest(simplified: nx.MultiDiGraph) -> nx.MultiGraph:
    """Andorra without tracks, undirected, its largest component, as osmnx simplifies it."""
    graph = simplified.copy()
    graph.remove_edges_from([(u, v, k) for u, v, k, kind in graph.edges(keys=True, data="highway") if kind == "track"])
    undirected = osmnx.convert.to_undirected(graph)
    return undirected.subgraph(max(nx.connected_components(undirected), key=len)).copy()


def test_bridges_of_andorra_equal_networkx_and_igraph(largest: nx.MultiGraph) -> None:
    number = {node: row for row, node in enumerate(largest.nodes)}
    pairs = np.array([(number[u], number[v]) for u, v in largest.edges()], dtype=np.int32)
    ours = bridges(len(number), pairs[:, 0].copy(), b=pairs[:, 1].copy())
    # counts seen for this extract without tracks: 3,714 nodes, 4,625 edges, 1,584 bridges
    assert (len(number), len(pairs), int(ours.sum())) == (3714, 4625, 1584)
    assert np.flatnonzero(ours).tolist() == sorted(igraph.Graph(n=len(number), edges=pairs.tolist()).bridges())
    simple = nx.Graph(largest)
    parallel = {frozenset(edge[:2]) for edge in largest.edges() if largest.number_of_edges(*edge[:2]) > 1}
    by_networkx = {frozenset(edge) for edge in nx.bridges(simple)} - parallel
    nodes = list(largest.nodes)
    assert {frozenset((nodes[u], nodes[v])) for u, v in pairs[ours]} == by_networkx


def test_pockets_behind_one_cut_edge(largest: nx.MultiGraph) -> None:
    """Pockets of 483, 200, 180, 136 and 67 nodes were seen behind one cut edge of this extract."""
    simple = nx.Graph(largest)
    parallel = {frozenset(edge[:2]) for edge in largest.edges() if largest.number_of_edges(*edge[:2]) > 1}
    cut = [edge for edge in nx.bridges(simple) if frozenset(edge) not in parallel]
    core = nx.Graph(simple)
    core.remove_edges_from(cut)
    main = max(nx.connected_components(core), key=len)
    rest = simple.subgraph(set(simple) - main)
    sizes = sorted((len(part) for part in nx.connected_components(rest)), reverse=True)
    assert sizes[:5] == [483, 200, 180, 136, 67]


def test_a_must_pass_street_is_a_bridge_or_told_why_not(real: Real) -> None:
    streets, _, found, _ = real
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    must = np.flatnonzero((behind > 0.0) & streets.driven)
    odd = {item.street for item in found.differences}
    assert set(must[~found.bridge[must]].tolist()) == odd
    one_way = [item for item in found.differences if item.why == "one-way streets"]
    private = [item for item in found.differences if item.why == "ways that only residents use"]
    assert one_way
    assert private
    # the carriageways of the main road up to La Massana are one-way: by the undirected graph there are two ways
    assert "CG-3" in {streets.name[item.street] for item in one_way}


# --- ten groups by hand ---------------------------------------------------------------------------------------

PLACES = {
    "Arinsal": (1.4844, 42.5721),
    "Pal": (1.4760, 42.5458),
    "Erts": (1.4966, 42.5615),
    "el Serrat": (1.5389, 42.6196),
    "Llorts": (1.5262, 42.5963),
    "la Cortinada": (1.5193, 42.5756),
    "Engolasters": (1.5592, 42.5105),
    "Fontaneda": (1.4640, 42.4543),
    "Aixirivall": (1.5016, 42.4620),
    "Nagol": (1.4996, 42.4705),
    "Grau Roig": (1.7018, 42.5369),
    "Prats": (1.5937, 42.5606),
    "el Forn": (1.6028, 42.5621),
    "Ransol": (1.6375, 42.5817),
    "Aixàs": (1.4641, 42.4826),
    "Mas d'Alins": (1.4495, 42.4414),
    "La Massana": (1.5164, 42.5442),
    "Canillo": (1.5978, 42.5668),
    "Pas de la Casa": (1.7335, 42.5447),
    "Soldeu": (1.6683, 42.5769),
    "Sispony": (1.5156, 42.5339),
}
"""Places as the same map has them (degrees, WGS 84)."""


@pytest.fixture(scope="module")
def passed(real: Real) -> dict[str, list[str] | None]:
    """Named streets that must be passed from each place, from inside out; None where there is no way out."""
    streets, _, found, _ = real
    project = Transformer.from_crs("EPSG:4326", streets.crs, always_xy=True)
    x, y = project.transform(*zip(*PLACES.values(), strict=True))
    at = place_homes(Homes(tuple(PLACES), np.array(x), np.array(y), np.ones(len(PLACES))), streets)
    vertices = home_vertices(found.tree, at.street, passages=found.passages)
    ways: dict[str, list[str] | None] = {}
    for place, vertex in zip(PLACES, vertices.tolist(), strict=True):
        names: list[str] = []
        here = vertex
        while here not in (NO_WAY_OUT, found.tree.outside):
            if here >= streets.node_count:
                name = streets.name[here - streets.node_count]
                if name and (not names or names[-1] != name):
                    names.append(name)
            here = int(found.tree.parent[here])
        ways[place] = None if vertex == NO_WAY_OUT else names
    return ways


def test_exits_are_the_two_roads_out_of_the_country(real: Real) -> None:
    """The main roads to France (N-22, by Pas de la Casa) and to Spain (N-145) are cut by the border; no others are."""
    streets, _, found, _ = real
    touched = {
        streets.name[row]
        for node in found.exits
        for row in np.flatnonzero((streets.a == node) | (streets.b == node))
        if streets.driven[row]
    }
    assert touched == {"N 22", "CG-2a", "N-145"}


@pytest.mark.parametrize(
    ("place", "streets_in_order", "where"),
    [
        # valley heads: the road ends there, whatever the map's edge
        ("Arinsal", ["Carretera d'Arinsal", "CG-5", "Carretera d'Erts", "Avinguda del Ravell", "CG-4", "CG-3"], "real"),
        ("Erts", ["Avinguda del Ravell", "CG-4", "CG-3"], "real"),
        ("el Serrat", ["Carretera General 3", "Travessia d'Ordino"], "real"),
        ("Llorts", ["Carretera General 3", "Travessia d'Ordino"], "real"),
        ("Engolasters", ["Carretera d'Engolasters"], "real"),
        ("Aixirivall", ["Carretera de la Rabassa"], "real"),
        ("Nagol", ["CS-120"], "real"),
        ("Grau Roig", ["CS-280"], "real"),
        ("el Forn", ["Carretera del Forn", "Carretera de Prats"], "real"),
        ("Ransol", ["Carretera del Plans de Ransol", "CS-260", "CG-2"], "real"),
        # beyond the pass above Pal a road goes on into Spain: the map ends there
        ("Pal", ["CG-4", "Avinguda del Ravell", "CG-4", "CG-3"], "cut edge"),
        # a short stub behind the last houses; nothing goes on from there on the map
        ("Fontaneda", ["Carretera de Fontaneda"], "real"),
        # the valley road comes out at a village in Spain that has no other road
        ("Aixàs", ["CS-610", "CG-6"], "real"),
    ],
)
def test_groups_looked_at_by_hand(
    real: Real, passed: dict[str, list[str] | None], place: str, streets_in_order: list[str], where: str
) -> None:
    names = passed[place]
    assert names is not None
    rest = iter(names)
    assert all(any(name == wanted for name in rest) for wanted in streets_in_order), names
    if where == "cut edge":
        streets, _, found, facts = real
        groups = [
            row
            for row in range(found.group_count)
            if facts.throat[row] >= 0 and streets.name[facts.throat[row]] == streets_in_order[0]
        ]
        assert any(facts.at_edge[row] for row in groups)


@pytest.mark.parametrize("place", ["La Massana", "Canillo", "Pas de la Casa", "Soldeu", "Sispony"])
def test_places_on_through_roads_have_a_choice(passed: dict[str, list[str] | None], place: str) -> None:
    """Towns along the road from Spain to France, and La Massana, which a tunnel and two roads reach."""
    assert passed[place] == []


def test_people_on_tracks_leave_by_them_and_nobody_else_counts_on_them(
    real: Real, passed: dict[str, list[str] | None]
) -> None:
    """Mas d'Alins is reached by tracks only. Its people leave by them; who has a street does not count on them."""
    streets, _, found, _ = real
    assert passed["Mas d'Alins"] == ["Pista d'Arduix al Mas d'Alins", "Carretera de Mas d'Alins"]
    tracks = np.array([reason == "track" for reason in streets.reason])
    out_by_streets = (
        np.array([not reason for reason in streets.reason])
        & streets.driven
        & (found.tree.parent[streets.node_count : -1] != NO_WAY_OUT)
    )
    through = np.zeros(streets.node_count, dtype=bool)
    through[streets.a[out_by_streets]] = True
    assert tracks.sum() > 1000
    entered = (found.passages.bits & 1 > 0) & tracks & through[streets.a]
    # the few that are entered start where nobody gets out by streets alone
    assert entered.sum() < 0.05 * tracks.sum()


def test_streets_that_the_map_leaves_apart_are_listed_not_dropped(real: Real) -> None:
    _, homes, found, _ = real
    apart = (homes.street >= 0) & (found.home_vertex == NO_WAY_OUT)
    assert 0 < apart.sum() < 0.01 * apart.size


@pytest.fixture(scope="module")
def valley(real: Real) -> list[int]:
    """Groups on the main road up the valley of Ordino that hold el Serrat, the outermost first."""
    streets, _, found, facts = real
    project = Transformer.from_crs("EPSG:4326", streets.crs, always_xy=True)
    x, y = project.transform(*PLACES["el Serrat"])
    at = place_homes(Homes(("el Serrat",), np.array([x]), np.array([y]), np.ones(1)), streets)
    vertex = int(home_vertices(found.tree, at.street, passages=found.passages)[0])
    spot = found.tree.first[vertex]
    return [
        row
        for row in range(found.group_count)
        if found.tree.first[found.head[row]]
        <= spot
        < found.tree.first[found.head[row]] + found.tree.size[found.head[row]]
        and facts.throat[row] >= 0
        and streets.name[facts.throat[row]] == "Carretera General 3"
    ]


def test_nested_groups_up_the_valley(real: Real, valley: list[int]) -> None:
    """La Cortinada, Llorts and el Serrat lie one behind the other on the same road: each group inside the next."""
    _, homes, found, facts = real
    assert len(valley) > 20
    for outer, inner in pairwise(valley):
        around = int(found.inside[inner])
        while around not in (outer, -1):
            around = int(found.inside[around])
        assert around == outer
    assert (np.diff(found.homes[valley]) < 0.0).all()
    # the way that all share grows up the valley, until a loop of streets gives a choice and it starts anew
    growing = np.diff(facts.shared_m[valley]) > 0.0
    assert growing[: len(valley) // 2].all()
    fates = [homes.dwellings[found.home_vertex == fate].sum() for fate in (NO_WAY_OUT, found.tree.outside)]
    assert homes.count == found.homes[found.inside < 0].sum() + sum(fates)


def test_lengths_of_the_ordino_valley(real: Real, valley: list[int]) -> None:
    """By road it is a good 10 km from Ordino to el Serrat, and some more to the end of the road at the ski area.

    Common knowledge of the place, no source.
    """
    _, _, _, facts = real
    outermost = valley[0]
    assert 12_000.0 < facts.dead_end_m[outermost] < 18_000.0
    assert facts.shared_m[valley].max() > 7000.0
