"""Single exits on a small street graph, counted here and by networkx: take each street away and see who is cut off."""

from __future__ import annotations

from typing import Any, Final

import networkx as nx
import numpy as np

from leaveby.regions import table_rows
from leaveby.roads.exits.groups import single_exits
from leaveby.roads.exits.homes import homes_by_street
from leaveby.roads.exits.street_table import StreetTable, street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.verify.checks import Check

STREETS: Final = tuple(
    (row["name"], (int(row["from"]), int(row["to"])), float(row["homes"]))
    for row in table_rows(__package__, "exit_streets.csv")
)
"""Name, the two junctions, and homes. Junction 0 is out; there are two rings, and dead ends on them."""

_EAST_M: Final = (0, 300, 500, 800, 1100, 1300, 1500, 1800, 300, 300)
_NORTH_M: Final = (0, 0, 200, 0, 0, 200, 0, 0, -300, -600)


def example_streets() -> StreetTable:
    """The small street graph as a table of streets."""
    return street_table(
        network_from_lines(
            [[(float(_EAST_M[end]), float(_NORTH_M[end])) for end in ends] for _, ends, _ in STREETS],
            crs="EPSG:32755",
            names=[name for name, _, _ in STREETS],
            tags=[{"highway": "residential"}] * len(STREETS),
        )
    )


def homes_here() -> dict[str, float]:
    """Homes that have to pass each street, by the tree that the survey uses."""
    streets = example_streets()
    homes = np.array([next(homes for name, _, homes in STREETS if name == street) for street in streets.name])
    out = np.flatnonzero((streets.x_m == 0.0) & (streets.y_m == 0.0))
    found = single_exits(streets, homes_by_street(streets, homes), exits=out.astype(np.int32))
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    return dict(zip(streets.name, behind.tolist(), strict=True))


def homes_by_networkx() -> dict[str, float]:
    """The same, street by street: leave it out of the graph, and add up the homes that no longer reach junction 0.

    A home stands in the middle of its street, so it has to pass its own street only where one half alone leads out.
    """
    graph: nx.Graph[Any] = nx.Graph()
    for name, (a, b), homes in STREETS:
        graph.add_node(name, homes=homes)
        graph.add_edges_from(((a, name), (name, b)))
    counted = {}
    for name, (a, b), homes in STREETS:
        rest = graph.copy()
        rest.remove_node(name)
        out = nx.node_connected_component(rest, 0)
        lost = sum(rest.nodes[node].get("homes", 0.0) for node in rest if node not in out)
        # Its own homes are free to turn either way only where both ends lead out without it.
        counted[name] = lost + (0.0 if a in out and b in out else homes)
    return counted


def exit_checks() -> tuple[Check, ...]:
    """One row for each street."""
    ours, theirs = homes_here(), homes_by_networkx()
    return tuple(
        Check(
            what=f"Homes that have to pass {name} (junctions {a} and {b}, {homes:g} homes on it)",
            ours=f"{ours[name]:g}",
            outside=f"{theirs[name]:g}",
            off=f"{abs(ours[name] - theirs[name]):g}, may be 0",
            agrees=ours[name] == theirs[name],
            source="the street taken out of the graph, the parts left counted",
            mark=f"computed by library networkx {nx.__version__}",
        )
        for name, (a, b), homes in STREETS
    )
