"""Names for trigger lines: where roads cross them, which places lie just inside, checked by plain geometry."""

from __future__ import annotations

import re
from math import atan2, degrees, hypot
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.decision.lines.landmarks import (
    LANDMARK_ASSUMPTIONS,
    MOST,
    PER_DIRECTION,
    landmark_words,
    landmarks,
    places_inside,
    road_crossings,
)
from leaveby.decision.rules import rules
from leaveby.decision.ways.result import TriggerLine
from leaveby.fire.terrain import Grid
from leaveby.roads.network.graph import RoadNetwork, network_from_lines
from leaveby.roads.routing.itinerary import compass_words
from leaveby.units import MILES_AND_FEET

CRS = "EPSG:32755"
GRID = Grid(x_min_m=0.0, y_max_m=10_000.0, cell_m=50.0, rows=200, cols=200, crs=CRS)
HOME = (5000.0, 5000.0)


def a_line(*boxes: shapely.Polygon, way: str = "tow") -> TriggerLine:
    return TriggerLine(way, 0.95, 3600.0, shapely.MultiPolygon(list(boxes)), ())


def roads(**lines: list[tuple[float, float]]) -> RoadNetwork:
    return network_from_lines(list(lines.values()), crs=CRS, names=[name.replace("_", " ") for name in lines])


SQUARE = shapely.box(3000.0, 4000.0, 8000.0, 7000.0)


def test_a_crossing_is_where_the_road_leaves_the_area() -> None:
    network = roads(Hill_Road=[HOME, (9500.0, 5000.0)])
    (one,) = road_crossings(a_line(SQUARE), network, grid=GRID, home_xy_m=HOME)
    assert (one.kind, one.name, one.x_m, one.y_m) == ("road", "Hill Road", 8000.0, 5000.0)
    assert (one.bearing_deg, one.distance_m) == (90.0, 3000.0)
    assert one.sentence == "Fire at Hill Road, 3.0 km east of home, or nearer: leave the house behind."


def test_each_road_is_named_once_for_each_direction_with_its_farthest_crossing() -> None:
    notch = shapely.union_all([SQUARE, shapely.box(8000.0, 4900.0, 8600.0, 5100.0)]).difference(
        shapely.box(8200.0, 4900.0, 8400.0, 5100.0)
    )
    line = TriggerLine("car", 0.95, 1800.0, shapely.MultiPolygon(shapely.get_parts(notch).tolist()), ())
    network = roads(Hill_Road=[(1000.0, 5000.0), HOME, (9500.0, 5000.0)])
    found = road_crossings(line, network, grid=GRID, home_xy_m=HOME)
    assert [(one.x_m, round(one.bearing_deg)) for one in found] == [(3000.0, 270), (8600.0, 90)]
    assert all("by car" in one.sentence for one in found)


def test_roads_without_a_name_are_left_out_and_numbers_count() -> None:
    lines = [[HOME, (9500.0, 5000.0)], [HOME, (5000.0, 9500.0)]]
    network = network_from_lines(lines, crs=CRS, tags=[{"highway": "track"}, {"highway": "primary", "ref": "B72"}])
    found = road_crossings(a_line(SQUARE), network, grid=GRID, home_xy_m=HOME)
    assert [one.name for one in found] == ["B72"]


def test_the_edge_of_the_modelled_ground_is_no_crossing() -> None:
    wide = shapely.box(0.0, 0.0, 8000.0, 10_000.0)
    network = roads(Hill_Road=[(0.0, 5000.0), HOME, (9500.0, 5000.0)])
    assert [one.x_m for one in road_crossings(a_line(wide), network, grid=GRID, home_xy_m=HOME)] == [8000.0]


def test_a_lake_in_the_area_makes_no_line() -> None:
    lake = shapely.Polygon(SQUARE.exterior, [shapely.box(6000.0, 4800.0, 6500.0, 5200.0).exterior])
    network = roads(Hill_Road=[HOME, (9500.0, 5000.0)])
    found = road_crossings(a_line(lake), network, grid=GRID, home_xy_m=HOME)
    assert [one.x_m for one in found] == [8000.0]
    # A place in a hole counts as inside, and only the line itself, not the shore, makes it near.
    shore = [("Shore", 7300.0, 5000.0)]
    holed = shapely.Polygon(SQUARE.exterior, [shapely.box(7000.0, 4800.0, 7500.0, 5200.0).exterior])
    assert [one.name for one in places_inside(a_line(holed), shore, grid=GRID, home_xy_m=HOME)] == ["Shore"]


def test_places_count_inside_and_near_only() -> None:
    places = [("Far out", 8100.0, 5000.0), ("Rim", 7900.0, 5000.0), ("Middle", 5100.0, 5500.0), ("", 7900.0, 5100.0)]
    found = places_inside(a_line(SQUARE), places, grid=GRID, home_xy_m=HOME)
    assert [one.name for one in found] == ["Rim"]
    assert found[0].sentence == "Fire at Rim, 2.9 km east of home, or nearer: leave the house behind."


def test_two_names_stand_for_a_direction_and_no_third() -> None:
    """Three farms east of the home, 2000, 2300 and 2600 m away, and one west: the two nearest in the east."""
    spots = [("Far", 7600.0, 5000.0), ("Mid", 7300.0, 5000.0), ("Near", 7000.0, 5000.0), ("West", 3100.0, 5000.0)]
    found = landmarks(a_line(SQUARE), roads(Far_Road=[(0, 0), (9, 0)]), grid=GRID, home_xy_m=HOME, places=spots)
    assert [one.name for one in found] == ["West", "Near", "Mid"]


def test_distances_are_rounded_to_the_early_side() -> None:
    box = shapely.box(4000.0, 4000.0, 5910.0, 8010.0)
    network = roads(Hill_Road=[HOME, (9500.0, 5000.0)], Gap_Road=[HOME, (5000.0, 9500.0)])
    said = [one.sentence for one in road_crossings(a_line(box), network, grid=GRID, home_xy_m=HOME)]
    assert "950 m east" in said[0]
    assert "3.1 km north" in said[1]


def test_nothing_to_cross_is_said_not_hidden() -> None:
    line = TriggerLine("car", 0.95, 1800.0, shapely.MultiPolygon(), ((0.0, np.inf), (22.0, np.inf), (180.0, 2000.0)))
    assert landmarks(line, roads(Hill_Road=[HOME, (9500.0, 5000.0)]), grid=GRID, home_xy_m=HOME) == ()
    said = landmark_words((), line)
    assert said[0].startswith("Towards north the line lies beyond")
    assert set(LANDMARK_ASSUMPTIONS) <= set(said)
    around = TriggerLine("car", 0.95, 1.0, shapely.MultiPolygon(), tuple((45.0 * k, np.inf) for k in range(8)))
    assert landmark_words((), around)[0].startswith("In every direction the line lies beyond")


rays = st.lists(
    st.tuples(st.floats(0.0, 359.0), st.floats(3000.0, 4800.0)), min_size=1, max_size=14, unique_by=lambda ray: ray[0]
)


@given(rays, st.floats(800.0, 2900.0), st.sampled_from(["tow", "car", "foot"]))
@settings(max_examples=60, deadline=None)
def test_every_landmark_lies_on_its_road_and_on_the_line(
    spokes: list[tuple[float, float]], radius_m: float, way: str
) -> None:
    """Spokes from the home, and a round line: every crossing is at the radius, in the spoke's own direction."""
    ends = [
        (HOME[0] + far * np.sin(np.radians(bearing)), HOME[1] + far * np.cos(np.radians(bearing)))
        for bearing, far in spokes
    ]
    names = [f"Spoke {number}" for number in range(len(ends))]
    network = network_from_lines([[HOME, end] for end in ends], crs=CRS, names=names)
    disc = shapely.Point(HOME).buffer(radius_m, quad_segs=64)
    line = a_line(disc, way=way)
    every = road_crossings(line, network, grid=GRID, home_xy_m=HOME)
    assert {one.name for one in every} == set(names)
    for one in every:
        bearing, _ = spokes[names.index(one.name)]
        assert one.distance_m == pytest.approx(radius_m, rel=2e-4)
        assert one.distance_m == pytest.approx(hypot(one.x_m - HOME[0], one.y_m - HOME[1]))
        assert one.bearing_deg == pytest.approx(degrees(atan2(one.x_m - HOME[0], one.y_m - HOME[1])) % 360.0)
        assert abs((one.bearing_deg - bearing + 180.0) % 360.0 - 180.0) < 0.01
        assert disc.exterior.distance(shapely.Point(one.x_m, one.y_m)) < 1e-6
    kept = landmarks(line, network, grid=GRID, home_xy_m=HOME)
    assert 1 <= len(kept) <= MOST
    assert list(kept) == sorted(kept, key=lambda one: one.distance_m)
    directions = [compass_words(one.bearing_deg) for one in kept]
    assert max(directions.count(word) for word in directions) <= PER_DIRECTION


def test_in_miles_a_landmark_is_never_nearer_than_the_line() -> None:
    """The rules hand on the units of the plan's country: 1 mile = 1609.344 m exactly (1959)."""
    network = roads(Hill_Road=[HOME, (9500.0, 5000.0)])
    line = a_line(SQUARE)
    plan = SimpleNamespace(measures=MILES_AND_FEET)
    scenario = SimpleNamespace(network=network, home_xy_m=HOME, places_m=(), inputs=SimpleNamespace(plan=plan))
    asked: Any = SimpleNamespace(scenario=scenario, ground=SimpleNamespace(grid=GRID))
    said = rules._landmarks(asked, line)[0]
    found = re.fullmatch(r"Fire at Hill Road, ([\d.]+) miles east of home, or nearer: leave the house behind\.", said)
    assert found is not None
    (one,) = road_crossings(line, network, grid=GRID, home_xy_m=HOME)
    assert one.distance_m <= float(found[1]) * 1609.344 < one.distance_m + 161.0
