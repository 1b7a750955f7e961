"""Single exits against brute force: take each street and each junction away, and see who can still get out."""

from __future__ import annotations

from collections import deque

import igraph
import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.roads.exits.dominators import bridges, exit_tree, sum_behind
from leaveby.roads.exits.groups import home_vertices
from leaveby.roads.exits.street_table import Passages, StreetTable, street_passages

Leaves = dict[object, list[object]]


def random_streets(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """A small street graph with one-way streets, parallel streets, loops, private streets and unreachable parts."""
    nodes = int(rng.integers(2, 14))
    streets = int(rng.integers(1, 22))
    kind = rng.random(streets)
    return {
        "nodes": nodes,
        "a": rng.integers(0, nodes, streets).astype(np.int32),
        "b": rng.integers(0, nodes, streets).astype(np.int32),
        "forward": kind < 0.85,
        "backward": (kind > 0.2) & (kind < 0.97),
        "own": rng.random(streets) < 0.2,
        "exits": rng.choice(nodes, int(rng.integers(1, 3)), replace=False).astype(np.int32),
    }


def as_table(graph: dict[str, np.ndarray]) -> StreetTable:
    """The streets as a table, 10 m long each, with nothing else known of them."""
    nodes, streets = int(graph["nodes"]), graph["a"].size
    words = ("",) * streets
    known = {"a": graph["a"], "b": graph["b"], "forward": graph["forward"], "backward": graph["backward"]}
    texts = dict.fromkeys(("name", "highway", "service", "lanes", "barrier"), words)
    unknown = dict.fromkeys(("speed_m_s", "width_m", "steepest", "fuel_t_ha"), np.full(streets, np.inf))
    return StreetTable(
        crs="EPSG:32755",
        node_id=np.arange(nodes),
        x_m=np.zeros(nodes),
        y_m=np.zeros(nodes),
        reason=tuple("track" if own else "" for own in graph["own"]),
        on_foot=np.ones(streets, np.bool_),
        length_m=np.full(streets, 10.0),
        takes_homes=np.ones(streets, np.bool_),
        geometry=np.empty(streets, object),
        way_id=np.arange(streets),
        assumptions=(),
        **known,
        **texts,
        **unknown,
    )


def moves(graph: dict[str, np.ndarray], *, home_on: int = -1) -> Leaves:
    """Places and where one can go on from each; the street with the home on it is two halves with the home between.

    A private street is entered only from a junction from which no way out leads over open streets alone.
    """
    open_at = {int(node) for node in graph["exits"]}
    for _ in range(graph["nodes"]):
        for s in np.flatnonzero(~graph["own"]):
            a, b = int(graph["a"][s]), int(graph["b"][s])
            if graph["forward"][s] and b in open_at:
                open_at.add(a)
            if graph["backward"][s] and a in open_at:
                open_at.add(b)
    onward: Leaves = {}

    def link(tail: object, head: object) -> None:
        onward.setdefault(tail, []).append(head)

    for s in range(graph["a"].size):
        a, b = int(graph["a"][s]), int(graph["b"][s])
        for tail, head, may, ends in (
            (a, b, graph["forward"][s], ("half a", "half b")),
            (b, a, graph["backward"][s], ("half b", "half a")),
        ):
            if not may:
                continue
            enters = not (graph["own"][s] and tail in open_at)
            if s == home_on:
                link("home", (ends[1], s))
                link((ends[1], s), head)
                if enters:
                    link(tail, (ends[0], s))
                    link((ends[0], s), "home")
            else:
                link(("street", s), head)
                if enters:
                    link(tail, ("street", s))
    return onward


def gets_out(onward: Leaves, start: object, *, without: object, exits: np.ndarray) -> bool:
    if start == without:
        return False
    goal = {int(node) for node in exits} - {without}
    seen, queue = {start}, deque([start])
    while queue:
        here = queue.popleft()
        if here in goal:
            return True
        for following in onward.get(here, []):
            if following != without and following not in seen:
                seen.add(following)
                queue.append(following)
    return False


def must_pass_brute(graph: dict[str, np.ndarray], home_on: int) -> set[object] | None:
    onward = moves(graph, home_on=home_on)
    exits = graph["exits"]
    if not gets_out(onward, "home", without=None, exits=exits):
        return None
    found: set[object] = {
        node for node in range(graph["nodes"]) if not gets_out(onward, "home", without=node, exits=exits)
    }
    for s in range(graph["a"].size):
        parts = [("half a", s), ("half b", s)] if s == home_on else [("street", s)]
        if any(not gets_out(onward, "home", without=part, exits=exits) for part in parts):
            found.add(("street", s))
    return found


def must_pass_tree(graph: dict[str, np.ndarray], home_on: int) -> set[object] | None:
    passages = street_passages(as_table(graph), graph["exits"])
    tree = exit_tree(passages, graph["exits"])
    at = home_vertices(tree, np.array([home_on], np.int32), passages=passages)[0]
    if at < 0:
        return None
    found: set[object] = set()
    while at != tree.outside:
        found.add(int(at) if at < graph["nodes"] else ("street", int(at) - graph["nodes"]))
        at = tree.parent[at]
    return found


@pytest.mark.parametrize("block", range(10))
def test_groups_equal_brute_force_on_300_random_graphs(block: int) -> None:
    for seed in range(30):
        graph = random_streets(np.random.default_rng(1000 * block + seed))
        for s in range(graph["a"].size):
            if graph["forward"][s] or graph["backward"][s]:
                assert must_pass_tree(graph, s) == must_pass_brute(graph, s), (block, seed, s)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_places_in_the_walk_hold_what_must_pass_each_vertex(seed: int) -> None:
    graph = random_streets(np.random.default_rng(seed))
    passages = street_passages(as_table(graph), graph["exits"])
    tree = exit_tree(passages, graph["exits"])
    reached = tree.order
    assert sorted(tree.first[reached].tolist()) == list(range(reached.size))
    ones = np.where(tree.size > 0, 1.0, 0.0)
    np.testing.assert_array_equal(sum_behind(tree, ones)[reached], tree.size[reached])
    for vertex in reached[1:]:
        up = tree.parent[vertex]
        assert tree.first[up] < tree.first[vertex] < tree.first[up] + tree.size[up]


@pytest.mark.parametrize("seed", range(40))
def test_bridges_equal_networkx_and_igraph(seed: int) -> None:
    rng = np.random.default_rng(seed)
    nodes, streets = int(rng.integers(1, 40)), int(rng.integers(0, 60))
    pairs = rng.integers(0, nodes, (streets, 2)).astype(np.int32)
    ours = bridges(nodes, pairs[:, 0].copy(), b=pairs[:, 1].copy())
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(nodes))
    graph.add_edges_from((int(u), int(v)) for u, v in pairs)
    by_networkx = {frozenset(edge[:2]) for edge in nx.bridges(graph) if graph.number_of_edges(*edge[:2]) == 1}
    assert {frozenset(pair.tolist()) for pair in pairs[ours]} == by_networkx
    assert np.flatnonzero(ours).tolist() == sorted(igraph.Graph(n=nodes, edges=pairs.tolist()).bridges())


def test_no_exit_is_refused() -> None:
    ends = np.array([0], np.int32), np.array([1], np.int32)
    with pytest.raises(InputError, match="no way out"):
        exit_tree(Passages(2, *ends, np.array([15], np.uint8)), np.array([], np.int32))
