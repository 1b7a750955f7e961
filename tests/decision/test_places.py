"""The two invented places are what they are said to be, on their own ground and on the wide one."""

from __future__ import annotations

from itertools import pairwise
from types import ModuleType

import networkx as nx
import numpy as np
import pytest

from leaveby.decision.fires.closing import lines_inside
from leaveby.decision.fires.scenario import prepare
from leaveby.fire.terrain import gradients


@pytest.mark.parametrize("name", ["one road out", "two roads out"])
def test_the_household_stands_on_both_grounds(places: ModuleType, name: str) -> None:
    inputs = places.PLACES[name]()
    wide = inputs.wide
    assert wide.terrain.grid.crs == inputs.terrain.grid.crs == inputs.network.crs
    assert wide.fuel.grid == wide.terrain.grid
    assert wide.terrain.grid.shape == (200, 200)
    for ground in (inputs, places.on_wide_ground(inputs)):
        made = prepare(ground)
        assert lines_inside(ground.terrain.grid, made.network.geometry).all()
        row, col = made.home_cell
        assert made.burnable[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2].any()


@pytest.mark.parametrize("name", ["one road out", "two roads out"])
def test_both_grounds_are_the_same_country(places: ModuleType, name: str) -> None:
    """Each wide cell holds the middle of four own cells: about as high, and mostly of the same fuel."""
    inputs = places.PLACES[name]()
    own, wide = inputs.terrain.grid, inputs.wide.terrain.grid
    row0 = round((wide.y_max_m - own.y_max_m) / wide.cell_m)
    col0 = round((own.x_min_m - wide.x_min_m) / wide.cell_m)
    part = np.s_[row0 : row0 + own.rows // 2, col0 : col0 + own.cols // 2]
    higher = inputs.terrain.elevation_m[::2, ::2] - inputs.wide.terrain.elevation_m[part]
    assert np.abs(higher).max() < 15.0
    named = [np.array([one.name for one in fuel.types])[fuel.code] for fuel in (inputs.fuel, inputs.wide.fuel)]
    assert (named[0][::2, ::2] == named[1][part]).mean() > 0.9
    shares = {kind: float((named[1] == kind).mean()) for kind in places.LEGEND.values()}
    assert min(shares.values()) > 0.0005
    assert 0.3 < shares["dry eucalypt forest"] < 0.9
    down = np.hypot(*gradients(inputs.wide.terrain))
    assert np.degrees(np.arctan(down)).max() < 10.0


def test_one_road_is_a_bridge_and_two_are_none(places: ModuleType) -> None:
    """Edges whose loss cuts the home off, by networkx."""
    for name, bridges in (("one road out", True), ("two roads out", False)):
        made = prepare(places.PLACES[name]())
        graph = nx.Graph(zip(made.network.tail.tolist(), made.network.head.tolist(), strict=True))
        ends = sorted(made.safe_nodes.values())
        ways = [nx.shortest_path(graph, made.home_node, end) for end in ends]
        shared = set.intersection(*({frozenset(edge) for edge in pairwise(way)} for way in ways))
        length_m = {
            frozenset((int(a), int(b))): float(far)
            for a, b, far in zip(made.network.tail, made.network.head, made.network.length_m, strict=True)
        }
        held_m = sum(length_m[edge] for edge in shared if edge in {frozenset(one) for one in nx.bridges(graph)})
        assert (held_m > 9_000.0) is bridges, name
        if not bridges:
            angles = [np.arctan2(*(np.subtract(made.safe_xy_m[one], made.home_xy_m)[::-1])) for one in made.safe_xy_m]
            assert abs(np.degrees(angles[0] - angles[1])) > 150.0
            assert held_m < 1_000.0
