"""What is said of each group, where out is, rules and links: by hand, by brute force, and against published numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.roads.exits import link_candidates
from leaveby.roads.exits.dominators import bridges
from leaveby.roads.exits.facts import group_facts, shared_way
from leaveby.roads.exits.groups import single_exits
from leaveby.roads.exits.homes import Homes, PlacedHomes, check_homes, homes_by_street, place_homes
from leaveby.roads.exits.link_candidates import links_to_build, links_to_open
from leaveby.roads.exits.links import Link, relieved_homes, with_link
from leaveby.roads.exits.places import at_outline, boundary_exits, exits_at, map_outline, neighbours, over_edge
from leaveby.roads.exits.relief import look_at_all, rank_links, relieved_by
from leaveby.roads.exits.street_table import StreetTable, street_passages, street_table
from leaveby.roads.network.graph import network_from_lines
from leaveby.roads.osm.access_rules import RULES, Measured, choose_rules, compare, limit_of

CRS = "EPSG:32755"
FOOT = 0.3048


def table(lines: list[list[tuple[float, float]]], **tags_of: dict[str, str]) -> StreetTable:
    """Streets by hand; `s3={...}` gives tags to the fourth."""
    tags = [tags_of.get(f"s{row}", {}) for row in range(len(lines))]
    return street_table(network_from_lines(lines, crs=CRS, tags=tags))


# a through road west to east with both ends out; a lane of 300 m north from its middle, with two branches at its end
LANE = [
    [(0.0, 0.0), (500.0, 0.0)],
    [(500.0, 0.0), (1000.0, 0.0)],
    [(500.0, 0.0), (500.0, 300.0)],
    [(500.0, 300.0), (400.0, 300.0)],
    [(500.0, 300.0), (700.0, 300.0)],
]


def lane(homes: list[float], **tags_of: dict[str, str]) -> tuple[StreetTable, PlacedHomes]:
    streets = table(LANE, **tags_of)
    return streets, homes_by_street(streets, np.array(homes))


# --- facts by hand ---------------------------------------------------------------------------------------------


def test_lengths_of_a_lane_with_two_branches() -> None:
    streets, placed = lane([2.0, 0.0, 0.0, 5.0, 7.0])
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    facts = group_facts(streets, found, placed)
    assert found.homes.tolist() == [12.0, 5.0, 7.0] or found.homes.tolist() == [12.0, 7.0, 5.0]
    assert facts.throat[0] == 2
    assert facts.shared_m[0] == 300.0
    assert facts.dead_end_m[0] == 500.0
    assert facts.streets_m[0] == 600.0
    assert facts.choice[0] == 1
    # the branch of 7 homes: its own 200 m and the 300 m to the junction where there is a choice
    branch = int(np.flatnonzero(found.homes == 7.0)[0])
    assert facts.shared_m[branch] == 500.0
    assert found.inside[branch] == 0
    assert shared_way(found, branch) == (streets.node_count + 4, 3, streets.node_count + 2, 1)
    assert found.home_vertex[0] == found.tree.outside


def test_widths_tracks_and_unstated_widths() -> None:
    streets, placed = lane([0.0, 0.0, 0.0, 5.0, 7.0], s2={"width": "4.5"}, s3={"width": "3"}, s4={"highway": "track"})
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    facts = group_facts(streets, found, placed)
    assert facts.narrowest_m[0] == 3.0
    assert facts.track_m[0] == 200.0
    assert facts.no_width_m[0] == 0.0
    seven = int(np.flatnonzero(found.homes == 7.0)[0])
    assert facts.narrowest_m[seven] == 4.5
    assert math.isinf(group_facts(*_found(lane([0.0, 0.0, 0.0, 5.0, 7.0]))).narrowest_m[0])


def _found(pair: tuple[StreetTable, PlacedHomes]) -> tuple[StreetTable, object, PlacedHomes]:
    return pair[0], single_exits(*pair, exits=np.array([0, 2])), pair[1]


def test_a_footpath_lets_people_out_where_no_car_can() -> None:
    lines = [*LANE, [(700.0, 300.0), (1000.0, 0.0)]]
    walled = street_table(network_from_lines(lines[:-1], crs=CRS))
    path = street_table(network_from_lines(lines, crs=CRS, tags=[*[{} for _ in LANE], {"highway": "path"}]))
    for streets, expected in ((walled, 0.0), (path, 12.0)):
        count = np.zeros(streets.street_count)
        count[[3, 4]] = (5.0, 7.0)
        placed = homes_by_street(streets, count)
        found = single_exits(streets, placed, exits=np.array([0, 2]))
        assert group_facts(streets, found, placed).foot_homes[0] == expected


def test_the_farthest_point_of_a_loop_counts() -> None:
    """A lane of 100 m to a loop of 400 m: the farthest point lies half way round."""
    lines = [
        [(0.0, 0.0), (100.0, 0.0)],
        [(100.0, 0.0), (100.0, 100.0), (200.0, 100.0)],
        [(200.0, 100.0), (200.0, 0.0), (100.0, 0.0)],
    ]
    streets = table(lines)
    placed = homes_by_street(streets, np.array([0.0, 3.0, 3.0]))
    found = single_exits(streets, placed, exits=np.array([0]))
    facts = group_facts(streets, found, placed)
    assert facts.dead_end_m[0] == 300.0
    assert facts.streets_m[0] == 500.0


# --- private ways, gates, tracks ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tags", "passes"),
    [
        ({}, True),
        ({"highway": "track"}, False),
        ({"access": "private"}, False),
        ({"barrier": "gate"}, False),
        ({"barrier": "gate=yes"}, True),
        ({"barrier": "bollard"}, False),
        ({"access": "permissive"}, True),
    ],
)
def test_nobody_counts_on_a_way_that_is_not_open_to_all(tags: dict[str, str], passes: bool) -> None:
    """A second way out of the lane, from its end to the road: it helps only where everyone may drive it."""
    lines = [*LANE, [(700.0, 300.0), (1000.0, 0.0)]]
    streets = street_table(network_from_lines(lines, crs=CRS, tags=[*[{} for _ in LANE], tags]))
    placed = homes_by_street(streets, np.array([0.0, 0.0, 0.0, 0.0, 7.0, 0.0]))
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    assert (found.group_count == 0) is passes


def test_people_on_a_private_way_leave_by_both_its_ends() -> None:
    lines = [*LANE, [(700.0, 300.0), (1000.0, 0.0)]]
    tags = [*[{} for _ in LANE], {"access": "private"}]
    streets = street_table(network_from_lines(lines, crs=CRS, tags=tags))
    placed = homes_by_street(streets, np.array([0.0, 0.0, 0.0, 0.0, 7.0, 4.0]))
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    assert found.homes.tolist() == [7.0]
    assert found.home_vertex[-1] == found.tree.outside


def test_one_way_streets_are_told_as_the_reason_why_bridges_differ() -> None:
    """In by one street, out by another: no bridge, and yet everyone must leave by the second."""
    lines = [
        [(0.0, 0.0), (100.0, 0.0)],
        [(0.0, 0.0), (0.0, 50.0), (100.0, 50.0), (100.0, 0.0)],
        [(100.0, 0.0), (200.0, 0.0)],
    ]
    streets = table(lines, s0={"oneway": "yes"})
    placed = homes_by_street(streets, np.array([0.0, 0.0, 9.0]))
    found = single_exits(streets, placed, exits=np.array([0]))
    behind = found.homes_behind[streets.node_count :]
    # the first street is driven inwards only: everyone leaves by the detour
    assert behind[1] == 9.0
    assert not found.bridge[1]
    assert [(item.street, item.why) for item in found.differences] == [(1, "one-way streets")]
    both_ways = table(lines)
    found = single_exits(both_ways, homes_by_street(both_ways, np.array([0.0, 0.0, 9.0])), exits=np.array([0]))
    assert found.differences == ()


def test_gates_and_tracks_are_told_as_the_reason_too() -> None:
    lines = [*LANE, [(700.0, 300.0), (1000.0, 0.0)]]
    streets = street_table(network_from_lines(lines, crs=CRS, tags=[*[{} for _ in LANE], {"highway": "track"}]))
    placed = homes_by_street(streets, np.array([0.0, 0.0, 0.0, 0.0, 7.0, 0.0]))
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    assert {(item.street, item.why) for item in found.differences} == {
        (2, "ways that only residents use"),
        (4, "ways that only residents use"),
    }


# --- where out is ---------------------------------------------------------------------------------------------


def grid(size: int, *, step: float = 100.0) -> list[list[tuple[float, float]]]:
    spots = [i * step for i in range(size)]
    across = [[(x, y), (x + step, y)] for x in spots[:-1] for y in spots]
    return across + [[(x, y), (x, y + step)] for x in spots for y in spots[:-1]]


def test_a_crossing_that_leads_nowhere_is_no_way_out() -> None:
    """Of three streets that leave the area only the one that comes to a main road beyond leads out."""
    lines = [
        [(0.0, 0.0), (1000.0, 0.0)],  # 0: main road across, cut at both ends
        [(1000.0, 0.0), (2000.0, 0.0)],
        [(1000.0, 0.0), (1000.0, 1000.0)],  # 2: side road into the area
        [(1000.0, 1000.0), (1000.0, 1500.0)],  # 3: ends beyond the area
        [(1000.0, 1000.0), (1800.0, 1000.0)],  # 4: leaves the area and comes to the main road
        [(1800.0, 1000.0), (2000.0, 0.0)],
        [(1000.0, 1500.0), (900.0, 1600.0)],
    ]
    main = {"highway": "primary"}
    streets = table(lines, s0=main, s1=main)
    area = shapely.box(900.0, 100.0, 1400.0, 1200.0)
    exits, said = boundary_exits(streets, area=area)
    at = {(float(streets.x_m[node]), float(streets.y_m[node])) for node in exits}
    assert (1800.0, 1000.0) in at
    assert (1000.0, 0.0) in at
    assert (1000.0, 1500.0) not in at
    assert "looked up" in said[0]
    placed = homes_by_street(streets, np.array([0.0, 0.0, 0.0, 4.0, 0.0, 0.0, 0.0]))
    assert single_exits(streets, placed, exits=exits).homes.tolist() == [4.0]


def test_dead_ends_at_the_edge_of_the_map_are_told() -> None:
    streets, placed = lane([0.0, 0.0, 0.0, 5.0, 7.0])
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    near = group_facts(streets, found, placed, outline=shapely.box(-10.0, -10.0, 1010.0, 320.0))
    far = group_facts(streets, found, placed, outline=shapely.box(-2000.0, -2000.0, 3000.0, 3000.0))
    assert near.at_edge.all()
    assert not far.at_edge.any()
    assert map_outline(streets).area > 0.0


def test_no_main_road_means_that_exits_have_to_be_named() -> None:
    streets = table(grid(4))
    with pytest.raises(InputError, match="no main road leads out"):
        boundary_exits(streets)


def test_exits_far_from_every_street_are_refused_by_name() -> None:
    streets = table(LANE)
    with pytest.raises(InputError, match=r"1 lie far from every junction \(bridge 4717 m\)"):
        exits_at(streets, np.array([0.0, 0.0]), y_m=np.array([3.0, 5000.0]), names=("hall", "bridge"))


# --- homes in = homes out -------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_no_home_is_lost(seed: int) -> None:
    rng = np.random.default_rng(seed)
    streets = table(LANE)
    count = int(rng.integers(1, 30))
    homes = Homes(
        tuple(f"h{i}" for i in range(count)),
        rng.uniform(-900.0, 2000.0, count),
        rng.uniform(-900.0, 1200.0, count),
        rng.integers(1, 5, count).astype(float),
    )
    placed = place_homes(homes, streets)
    assert placed.identity == homes.identity
    found = single_exits(streets, placed, exits=np.array([0]))
    far = placed.street < 0
    assert (placed.away_m[far] > 500.0).all()
    in_groups = found.homes[found.inside < 0].sum()
    free = placed.dwellings[found.home_vertex == found.tree.outside].sum()
    lost = placed.dwellings[found.home_vertex == -1].sum()
    assert in_groups + free + lost == placed.count


# --- rules ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("acres", "limit_ft"),
    # 14 CCR 1273 as copied in Butte County Code 20-133 and at firesaferoadregs.org (seen)
    [(0.5, 800.0), (1.0, 1320.0), (4.99, 1320.0), (5.0, 2640.0), (19.99, 2640.0), (20.0, 5280.0), (200.0, 5280.0)],
)
def test_california_dead_ends(acres: float, limit_ft: float) -> None:
    rule = RULES["california_1273_dead_end"]
    assert rule.mark == "read"
    assert limit_of(rule, acres).limit == pytest.approx(limit_ft * FOOT, abs=1e-9)
    within = Measured(homes=1.0, dead_end_m=10.0, streets_m=limit_ft * FOOT)
    assert compare(rule, within, parcel_acres=acres) is None
    beyond = compare(rule, Measured(homes=1.0, dead_end_m=10.0, streets_m=limit_ft * FOOT + 1.0), parcel_acres=acres)
    assert beyond is not None
    assert "longer than the rule" in beyond.sentence


def test_del_norte_prints_another_limit() -> None:
    # Del Norte County Code 19.08.090 (seen): 1,350 ft for 1-4.99 acres, 7,500 for 40-159.99, none above 160
    rule = RULES["del_norte_dead_end"]
    assert limit_of(rule, 2.0).limit == pytest.approx(1350.0 * FOOT)
    assert limit_of(rule, 100.0).limit == pytest.approx(7500.0 * FOOT)
    assert math.isinf(limit_of(rule, 160.0).limit)


@pytest.mark.parametrize(
    ("name", "homes", "ways"),
    [
        # IFC D107.1: more than 30 dwellings need two roads (seen)
        ("ifc_d107_ways_out", 30.0, 1.0),
        ("ifc_d107_ways_out", 31.0, 2.0),
        # NFPA 1141: 0-100 one, 101-600 two, over 600 three (memory)
        ("nfpa_1141_ways_out", 100.0, 1.0),
        ("nfpa_1141_ways_out", 101.0, 2.0),
        ("nfpa_1141_ways_out", 601.0, 3.0),
        # Cova 2005: 1-50 one, 51-300 two, 301-600 three, over 600 four (memory)
        ("cova_2005_ways_out", 50.0, 1.0),
        ("cova_2005_ways_out", 51.0, 2.0),
        ("cova_2005_ways_out", 301.0, 3.0),
        ("cova_2005_ways_out", 601.0, 4.0),
    ],
)
def test_ways_out_by_households(name: str, homes: float, ways: float) -> None:
    rule = RULES[name]
    assert limit_of(rule, homes).limit == ways
    found = compare(rule, Measured(homes=homes, dead_end_m=0.0, streets_m=0.0))
    assert (found is None) is (ways == 1.0)


def test_marks_are_kept() -> None:
    """A remembered value is never called read, and every rule names its source."""
    remembered = {name for name, rule in RULES.items() if rule.mark == "memory"}
    assert remembered == {
        "nfpa_1141_ways_out",
        "cova_2005_ways_out",
        "nsw_pbp_2019_dead_end",
        "nsw_pbp_2019_width",
        "victoria_5302_width",
        "victoria_5302_grade",
        "victoria_5302_turnaround",
    }
    for rule in RULES.values():
        assert rule.source
        assert ("memory" in rule.source) is (rule.mark == "memory")


def test_comparisons_never_speak_as_a_court() -> None:
    bad = Measured(homes=900.0, dead_end_m=9000.0, streets_m=90_000.0, narrowest_m=1.0, steepest=0.5)
    for name in RULES:
        found = compare(RULES[name], bad)
        assert found is not None, name
        assert "than the rule" in found.sentence or "the rule asks" in found.sentence
        assert not {"illegal", "violat", "breach", "unlawful", "comply"} & set(found.sentence.split())
    # IFC D103.4: 20 ft wide to 500 ft, 26 ft to 750 ft, above that special approval; turnaround from 151 ft (seen)
    assert limit_of(RULES["ifc_d103_width"], 500.0 * FOOT).limit == pytest.approx(20.0 * FOOT)
    assert limit_of(RULES["ifc_d103_width"], 501.0 * FOOT).limit == pytest.approx(26.0 * FOOT)
    assert RULES["ifc_d103_dead_end"].steps[0].limit == pytest.approx(750.0 * FOOT)
    assert RULES["ifc_d103_turnaround"].steps[0].limit == pytest.approx(150.0 * FOOT)


def test_an_unknown_rule_is_refused() -> None:
    with pytest.raises(InputError, match="there is no rule 'no_such'"):
        choose_rules(["no_such"])


# --- links ----------------------------------------------------------------------------------------------------


def must_m(streets: StreetTable, placed: PlacedHomes, exits: np.ndarray) -> np.ndarray:
    """Length of street that each home must pass, from the tree's own words."""
    found = single_exits(streets, placed, exits=exits, compare=False)
    lengths = []
    for vertex in found.home_vertex:
        total, at = 0.0, int(vertex)
        while at not in (-1, found.tree.outside):
            total += streets.length_m[at - streets.node_count] if at >= streets.node_count else 0.0
            at = int(found.tree.parent[at])
        lengths.append(math.inf if vertex == -1 else total)
    return np.array(lengths)


def said(link: Link) -> tuple[str, float, float, float, str]:
    return link.kind, link.homes_relieved, link.build_m, link.open_m, link.line.wkt


def ranked_by_trying_all(
    streets: StreetTable, placed: PlacedHomes, exits: np.ndarray, candidates: tuple[Link, ...], most: int
) -> list[Link]:
    """Every candidate computed, then ordered as the words of `rank_links` say, without any bound."""
    tried = [relieved_homes(streets, placed, link=link, exits=exits) for link in candidates]
    tried = sorted((item for item in tried if item[0].homes_relieved > 0.0), key=lambda item: said(item[0])[2:])
    tried.sort(key=lambda item: -item[0].homes_relieved)
    kept: list[Link] = []
    helped: dict[str, set[int]] = {}
    for link, relieved in tried:
        already = helped.setdefault(link.kind, set())
        if placed.dwellings[sorted(set(relieved.tolist()) - already)].sum() >= 0.2 * link.homes_relieved:
            kept.append(link)
            already.update(relieved.tolist())
    return kept[:most]


def test_joins_looked_at_few_at_a_time_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is bounded by looking at some joins at a time; which ones are found must not hang on how many."""
    most = []
    ways = link_candidates._bound

    def counted(*given: Any) -> Any:
        found = ways(*given)
        most.append(found.most.size)
        return found

    monkeypatch.setattr(link_candidates, "_bound", counted)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        spots = rng.uniform(-20.0, 20.0, (9, 9, 2)) + 90.0 * np.stack(np.meshgrid(range(9), range(9)), axis=-1)
        lines = [[tuple(spots[j, i]), tuple(spots[j, i + 1])] for j in range(9) for i in range(8)]
        lines += [[tuple(spots[j, 0]), tuple(spots[j + 1, 0])] for j in range(8)]
        streets = street_table(network_from_lines(lines, crs=CRS))
        placed = homes_by_street(streets, rng.integers(0, 9, streets.street_count).astype(float))
        found = single_exits(streets, placed, exits=np.array([0]))
        told = []
        for at_first, at_once in ((10_000, 10_000_000), (5, 100)):
            monkeypatch.setattr(link_candidates, "SPOTS_AT_FIRST", at_first)
            monkeypatch.setattr(link_candidates, "JOINS_AT_ONCE", at_once)
            most.clear()
            links = links_to_build(streets, found, homes=placed)
            # of two that are as long, as one straight line from either end, whichever is met first is kept
            told.append(sorted((link.most_homes, round(link.build_m, 6), link.between) for link in links))
            held = max(most)
        assert told[0] == told[1]
        assert len(told[0]) > 5
        assert held < 20_000


@pytest.mark.parametrize("seed", range(30))
def test_no_link_relieves_more_than_its_bound_and_the_ranking_is_that_of_trying_them_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lines = grid(5, step=120.0)
    rng.shuffle(lines)
    kept = lines[: int(rng.integers(20, 30))]
    tags = [{"highway": "track"} if rng.random() < 0.25 else {} for _ in kept]
    streets = street_table(network_from_lines(kept, crs=CRS, tags=tags))
    placed = homes_by_street(streets, rng.integers(0, 9, streets.street_count).astype(float))
    exits = np.array([int(rng.integers(0, streets.node_count))])
    found = single_exits(streets, placed, exits=exits)
    candidates = links_to_open(streets, found, homes=placed) + links_to_build(
        streets, found, homes=placed, within_m=150.0, least_homes=1.0
    )
    tried = [relieved_homes(streets, placed, link=link, exits=exits)[0] for link in candidates]
    for link in tried:
        assert link.homes_relieved <= link.most_homes + 1e-9
        before = must_m(*with_link(streets, placed, link=link, joined=False)[:2], exits)
        joined, moved, piece_of = with_link(streets, placed, link=link)
        after = must_m(joined, moved, exits)
        # what was cut is all there, in pieces that lie on it
        cut = piece_of >= 0
        lengths_m = np.bincount(piece_of[cut], weights=joined.length_m[cut], minlength=streets.street_count)
        assert lengths_m == pytest.approx(streets.length_m)
        whole = streets.geometry[piece_of[cut]]
        assert shapely.dwithin(
            whole, shapely.line_interpolate_point(joined.geometry[cut], 0.5, normalized=True), 1e-6
        ).all()
        assert (~cut).sum() == (link.kind == "build")
        gone = np.isfinite(after) & (after < before) & (after <= 0.5 * before)
        assert link.homes_relieved == placed.dwellings[gone].sum()
    for most in (1, 2, 3, 5, 8):
        ranked, sentences = rank_links(streets, placed, exits=exits, candidates=candidates, most=most)
        assert sentences == ()
        expected = ranked_by_trying_all(streets, placed, exits, candidates, most)
        assert [said(link) for link in ranked] == [said(link) for link in expected]


@pytest.mark.parametrize("block", range(10))
def test_what_a_link_relieves_equals_solving_anew_with_it_on_300_random_graphs(block: int) -> None:
    """One-way streets, tracks, parts without a way out, several exits: counted on two branches, and on all streets."""
    tried = helped = 0
    for seed in range(30):
        rng = np.random.default_rng(100 * block + seed)
        side = int(rng.integers(3, 8))
        lines = grid(side, step=float(rng.choice([90.0, 120.0, 123.4])))
        rng.shuffle(lines)
        kept = lines[: int(rng.uniform(0.45, 0.95) * len(lines))]
        drawn = rng.random((len(kept), 2))
        tags = [
            ({"highway": "track"} if track < 0.1 else {}) | ({"oneway": "yes"} if one_way < 0.15 else {})
            for track, one_way in drawn
        ]
        streets = street_table(network_from_lines(kept, crs=CRS, tags=tags))
        placed = homes_by_street(streets, rng.integers(0, 4, streets.street_count).astype(float))
        shift = np.where(placed.street >= 0, rng.uniform(0.0, 1.0, placed.street.size), 0.0)
        placed = replace(placed, along_m=shift * streets.length_m[placed.street])
        exits = rng.choice(streets.node_count, int(rng.integers(1, 4)), replace=False).astype(np.int32)
        found = single_exits(streets, placed, exits=exits)
        candidates = links_to_open(streets, found, homes=placed) + links_to_build(
            streets, found, homes=placed, within_m=200.0, least_homes=1.0
        )
        whole = look_at_all(streets, placed, exits)
        for link in (candidates[k] for k in rng.permutation(len(candidates))[:25]):
            here, whom = relieved_by(whole, link)
            anew, everyone = relieved_homes(streets, placed, link=link, exits=exits)
            assert whom.tolist() == everyone.tolist(), (block, seed)
            assert (said(here), here.homes_freed, here.ends) == (said(anew), anew.homes_freed, link.ends)
            tried, helped = tried + 1, helped + (here.homes_relieved > 0.0)
    assert tried > 100
    assert helped > tried / 4


@pytest.mark.parametrize("seed", range(40))
def test_joins_left_out_unmeasured_change_no_link(seed: int) -> None:
    """Over level ground every join is measured; regular grids have as many that are as long as one another."""
    rng = np.random.default_rng(seed)
    side, off_m = int(rng.integers(4, 9)), float(rng.choice([0.0, 30.0]))
    moved = rng.uniform(-off_m, off_m, (side, side, 2))
    step = float(rng.choice([90.0, 123.4]))
    bent = [
        [tuple(moved[round(x / step), round(y / step)] + (x, y)) for x, y in line] for line in grid(side, step=step)
    ]
    rng.shuffle(bent)
    kept = bent[: int(rng.uniform(0.45, 0.9) * len(bent))]
    tags = [
        ({"highway": "track"} if track < 0.1 else {}) | ({"oneway": "yes"} if one_way < 0.15 else {})
        for track, one_way in rng.random((len(kept), 2))
    ]
    streets = street_table(network_from_lines(kept, crs=CRS, tags=tags))
    placed = homes_by_street(streets, rng.integers(0, 4, streets.street_count) * rng.choice([1.0, 0.7]))
    exits = rng.choice(streets.node_count, int(rng.integers(1, 4)), replace=False).astype(np.int32)
    found = single_exits(streets, placed, exits=exits)
    asked = {"homes": placed, "within_m": float(rng.choice([150.0, 300.0])), "least_homes": 1.0}
    pruned = links_to_build(streets, found, **asked)
    every = links_to_build(streets, found, **asked, elevation=lambda x, y: 0.0 * (x + y))
    facts = [(link.line.wkb, link.ends, link.build_m, link.between, link.most_homes) for link in pruned]
    assert facts == [(link.line.wkb, link.ends, link.build_m, link.between, link.most_homes) for link in every]


def test_it_is_told_how_far_the_search_for_links_is() -> None:
    """On every ten thousand places, and on every eighth link: whoever waits can stop there."""
    streets = table(grid(6)[::2])
    placed = homes_by_street(streets, np.full(streets.street_count, 3.0))
    exits, told = np.array([0]), list[tuple[int, int]]()
    found = single_exits(streets, placed, exits=exits)
    candidates = links_to_build(streets, found, homes=placed, progress=lambda *at: told.append(at))
    assert told[0] == (0, told[0][1])
    assert told[0][1] > 0
    told.clear()
    rank_links(streets, placed, exits=exits, candidates=candidates, most=0, progress=lambda *at: told.append(at))
    assert told == [(at, len(candidates)) for at in range(0, len(candidates), 8)]

    def stop(*_: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rank_links(streets, placed, exits=exits, candidates=candidates, progress=stop)


def test_a_link_over_ground_that_is_too_steep_is_not_proposed() -> None:
    streets, placed = lane([0.0, 0.0, 0.0, 0.0, 7.0])
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    flat = links_to_build(streets, found, homes=placed, within_m=310.0, elevation=lambda x, y: 0.0 * (x + y))
    steep = links_to_build(streets, found, homes=placed, within_m=310.0, elevation=lambda x, y: 0.3 * y + 0.0 * x)
    unknown = links_to_build(streets, found, homes=placed, within_m=310.0, elevation=lambda x, y: (x + y) * np.nan)
    assert flat
    assert not any(link.steepest > 0.16 for link in steep)
    assert {link.line.wkt for link in flat} - {link.line.wkt for link in steep}
    assert not unknown


def test_gated_and_private_ways_on_the_map_are_found_as_links() -> None:
    lines = [*LANE, [(700.0, 300.0), (800.0, 300.0)], [(800.0, 300.0), (1000.0, 0.0)]]
    tags = [*[{} for _ in LANE], {"access": "private"}, {"barrier": "bollard"}]
    streets = street_table(network_from_lines(lines, crs=CRS, tags=tags))
    placed = homes_by_street(streets, np.array([0.0, 0.0, 0.0, 0.0, 7.0, 0.0, 0.0]))
    found = single_exits(streets, placed, exits=np.array([0, 2]))
    (link,) = links_to_open(streets, found, homes=placed)
    assert set(link.reasons) == {"access=private", "barrier=bollard"}
    assert link.open_m == pytest.approx(100.0 + math.hypot(200.0, 300.0))
    ranked, _ = rank_links(streets, placed, exits=found.exits, candidates=(link,))
    assert ranked[0].homes_relieved == 7.0


def test_bridges_with_exits_joined_outside() -> None:
    streets = table(LANE)
    alone = bridges(streets.node_count, streets.a, b=streets.b)
    joined = bridges(streets.node_count, streets.a, b=streets.b, joined=np.array([0, 2]))
    assert alone.tolist() == [True] * 5
    assert joined.tolist() == [False, False, True, True, True]


def test_ends_at_the_outline_of_the_map_are_told() -> None:
    lines = [[(0.0, 0.0), (900.0, 0.0)], [(900.0, 0.0), (900.0, 900.0)]]
    streets = street_table(network_from_lines(lines, crs=CRS))
    assert neighbours(streets, streets.driven).tolist() == [1, 2, 1]
    assert at_outline(streets, shapely.box(-2000.0, -2000.0, 1000.0, 1000.0)).tolist() == [False, False, True]
    bent = street_table(network_from_lines([[(0.0, 0.0), (900.0, 0.0)], [(0.0, 0.0), (0.0, 900.0)]], crs=CRS))
    assert map_outline(bent).area == pytest.approx(405_000.0)


def test_homes_that_stand_twice_or_nowhere_are_refused_together() -> None:
    homes = Homes(("a", "a", "b"), np.array([0.0, 0.0, np.nan]), np.zeros(3), np.array([1.0, 0.0, 1.0]))
    with pytest.raises(InputError) as caught:
        check_homes(homes)
    said = [fault.wrong for fault in caught.value.faults]
    assert said == [
        "1 of 3 identities stand more than once (a)",
        "1 have no position (b)",
        "1 have no usable number of dwellings (a)",
    ]


def test_a_track_is_not_entered_from_where_one_gets_out_without_it() -> None:
    tags = [{}, {"highway": "track"}]
    lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)]]
    streets = street_table(network_from_lines(lines, crs=CRS, tags=tags))
    assert street_passages(streets, np.array([0])).bits.tolist() == [15, 14]


def test_what_lies_beyond_the_edge_is_told_by_the_middle_of_a_street() -> None:
    """147 degrees east is the middle of zone 55, where a degree of longitude at 37 S is some 88,800 m; by hand."""
    lines = [[(5e5, 5.9e6), (5e5 + 90.0, 5.9e6)], [(5e5 + 90.0, 5.9e6), (5e5 + 900.0, 5.9e6)]]
    streets = street_table(network_from_lines(lines, crs="EPSG:32755"))
    assert over_edge(streets, (146.9, -38.0, 147.0 + 90.0 / 88_000.0, -36.0)).tolist() == [False, True]
