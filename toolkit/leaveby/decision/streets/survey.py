"""The community question, answered: which streets have one way out, how many homes hang on each, what would help."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby import parameters
from leaveby.decision.streets import result
from leaveby.decision.streets.result import Balance, StreetGroup, StreetQuestion, StreetSurvey, SurveyOptions
from leaveby.errors import Fault, Faults, refused
from leaveby.parameters import BREAKDOWN_SHARE, TWO_LANE_VEH_H
from leaveby.regions import measures_of, table
from leaveby.roads.clearance.queue import clearance, not_out
from leaveby.roads.clearance.tree import group_tree, quickest_out
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.facts import GroupFacts, group_facts, shared_way
from leaveby.roads.exits.groups import SingleExits, single_exits
from leaveby.roads.exits.homes import NOT_PLACED, PlacedHomes, homes_by_street
from leaveby.roads.exits.link_candidates import links_to_build, links_to_open
from leaveby.roads.exits.links import Link, must_m, with_link
from leaveby.roads.exits.relief import rank_links
from leaveby.roads.exits.street_table import StreetTable, nameless
from leaveby.roads.network.graph import SEPARATOR, where
from leaveby.roads.osm.access_rules import AccessRule, Measured, choose_rules, compare
from leaveby.units import Measures, far_words

LIVED_ON: Final = frozenset({"residential", "living_street"})
"""Classes of street on which people live, by their definition: without homes on them the map lacks homes."""
NEAR_M: Final = 300.0
"""How far off a street may be after which a nameless one, or the end of a link, is called."""

Progress = Callable[[str, int, int], None]


def survey(asked: StreetQuestion, *, progress: Progress | None = None) -> StreetSurvey:
    """Answer the community question; `progress` is called with (what, done, total).

    Without an exit, or with options or closings that can't be used, it is an InputError.

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> from leaveby.roads.exits.street_table import street_table
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)], [(90.0, 90.0), (300.0, 90.0)]]
    >>> roads = network_from_lines(lines, crs="EPSG:32755", names=["Mill Road", "Mill Road", "Quarry Lane"])
    >>> streets = street_table(roads)
    >>> homes = homes_by_street(streets, np.array([0.0, 60.0, 12.0]))
    >>> answer = survey(StreetQuestion(streets, homes, exits=np.array([0])))
    >>> [(group.name, group.homes, group.inside) for group in answer.groups]
    [('Mill Road', 72.0, None), ('Quarry Lane', 12.0, 1)]
    """
    streets, homes = asked.streets, asked.homes
    rules = _checked(asked.options)
    tell = progress or (lambda *_: None)
    tell("single exits", 0, 1)
    found = single_exits(streets, homes, exits=asked.exits)
    facts = group_facts(streets, found, homes, outline=asked.outline)
    unknown = np.setdiff1d(asked.maybe, found.exits).astype(np.int32)
    best = None
    if unknown.size:
        every = np.union1d(found.exits, unknown)
        best = single_exits(streets, homes, exits=every, compare=False, known=found.exits)
    tell("single exits", 1, 1)
    balance = _balance(homes, found, best)
    names = _names(streets, measures_of(asked.options.region))
    groups = _groups(asked, found, facts, rules, best, names)
    groups = _cleared(asked, found, facts, groups, tell)
    residential_m, few, by_length = _by_length(
        asked, found if best is None else best, found.exits, replace(names, taken={})
    )
    links, after, sentences = _links(asked, found, tell)
    said = (*asked.supposed, *streets.assumptions, *homes.assumptions, *_supposed(asked, balance), *sentences)
    return StreetSurvey(
        streets=streets,
        homes=homes,
        found=found,
        facts=facts,
        groups=groups,
        links=links,
        link_ends=_link_ends(names, links),
        after_best=after,
        balance=balance,
        rules=rules,
        options=asked.options,
        maybe=unknown,
        if_they_lead_on=best,
        residential_m=residential_m,
        few_homes=few,
        by_length=by_length,
        from_osm=asked.from_osm,
        credits=asked.credits,
        assumptions=tuple(dict.fromkeys(said)),
        inputs=asked.inputs,
    )


def _checked(options: SurveyOptions) -> tuple[AccessRule, ...]:
    people, vehicles = parameters.PEOPLE_PER_HOME, parameters.VEHICLES_PER_HOME
    within, steepest = parameters.LINK_WITHIN_M, parameters.LINK_STEEPEST
    Faults(
        Fault(f"options.{what}", f"it is {value}", f"{low:g} to {high:g}", "correct it")
        for what, value, low, high in (
            ("people_per_home", options.people_per_home, people.low, people.high),
            ("vehicles_per_home", options.vehicles_per_home, vehicles.low, vehicles.high),
            ("link_within_m", options.link_within_m, within.low, within.high),
            ("link_steepest", options.link_steepest, steepest.low, steepest.high),
            ("links", options.links, 0, 1000),
            ("clearance_groups", options.clearance_groups, 0, 100_000),
            ("parcel_acres", 0.0 if options.parcel_acres is None else options.parcel_acres, 0.0, 1e6),
        )
        if not low <= value <= high
    ).refuse()
    return choose_rules(options.rules)


def _balance(homes: PlacedHomes, found: SingleExits, best: SingleExits | None) -> Balance:
    placed = homes.street != NOT_PLACED
    lost = placed & (found.home_vertex == NO_WAY_OUT)
    free = placed & (found.home_vertex == found.tree.outside)
    behind = placed & ~lost & ~free
    if best is not None:
        lost &= best.home_vertex == NO_WAY_OUT
        behind &= best.home_vertex != best.tree.outside
    depends = placed & ~lost & ~free & ~behind
    parts = [float(homes.dwellings[part].sum()) for part in (free, behind, lost, ~placed, depends)]
    if not math.isclose(sum(parts), homes.count, rel_tol=1e-9):
        raise AssertionError("a home was lost on the way")
    return Balance(homes.count, *parts)


def _groups(
    asked: StreetQuestion,
    found: SingleExits,
    facts: GroupFacts,
    rules: tuple[AccessRule, ...],
    best: SingleExits | None,
    names: _Names,
) -> tuple[StreetGroup, ...]:
    streets, options = asked.streets, asked.options
    notable = _notable(found, facts)
    pinch = np.where(facts.throat >= 0, facts.throat + streets.node_count, facts.mouth)
    certain = found.homes if best is None else best.homes_behind[pinch]
    order = np.lexsort((np.arange(found.group_count), -found.homes, -certain, ~notable))
    number = np.empty(found.group_count, dtype=np.int64)
    number[order] = np.arange(1, found.group_count + 1)
    behind = _streets_behind(streets, found, facts, np.flatnonzero(notable).tolist(), names)
    # numbers of Python, which are far quicker one by one than those of arrays
    inside, listed, numbers, sure, throat = (
        column.tolist() for column in (found.inside, notable, number, certain, facts.throat)
    )
    columns = (found.homes, facts.dead_end_m, facts.streets_m, facts.narrowest_m, facts.steepest)
    measures = list(map(Measured, *(column.tolist() for column in columns)))
    groups = []
    for row in order.tolist():
        around = inside[row]
        while around >= 0 and not listed[around]:
            around = inside[around]
        measured, homes = measures[row], measures[row].homes
        by_rules = rules if throat[row] >= 0 else ()
        held = (compare(rule, measured, parcel_acres=options.parcel_acres) for rule in by_rules)
        groups.append(
            StreetGroup(
                *_pinch(streets, found, facts, row, names),
                number=numbers[row],
                streets_behind=behind.get(row, ()),
                row=row,
                homes=homes,
                people=homes * options.people_per_home,
                vehicles=homes * options.vehicles_per_home,
                inside=numbers[around] if around >= 0 else None,
                notable=listed[row],
                certain=sure[row],
                comparisons=tuple(item for item in held if item is not None),
            )
        )
    return tuple(groups)


def _notable(found: SingleExits, facts: GroupFacts) -> NDArray[np.bool_]:
    """The short list: first by streets, then junctions that no street within stands for.

    A group stands in it when it has at most a share of the homes of the nearest listed one that it lies in.
    """
    least, share = parameters.NOTABLE_HOMES.value, parameters.NOTABLE_SHARE.value
    count, exits = found.group_count, set(found.exits.tolist())
    homes, inside, head, throat = (column.tolist() for column in (found.homes, found.inside, found.head, facts.throat))
    notable = [False] * count
    above = [math.inf] * (count + 1)  # the last is that of groups inside none, whose `inside` is -1
    for row in range(count):
        notable[row] = throat[row] >= 0 and least <= homes[row] <= share * above[inside[row]]
        above[row] = homes[row] if notable[row] else above[inside[row]]
    within = [homes[row] if notable[row] else 0.0 for row in range(count)] + [0.0]
    for row in range(count - 1, -1, -1):
        within[inside[row]] = max(within[inside[row]], within[row])
    for row in range(count):
        stands_alone = within[row] < share * homes[row] and head[row] not in exits
        if throat[row] < 0 and stands_alone and least <= homes[row] <= share * above[inside[row]]:
            notable[row] = True
        above[row] = homes[row] if notable[row] else above[inside[row]]
    return np.array(notable, dtype=np.bool_)


def _by_length(
    asked: StreetQuestion, found: SingleExits, known: NDArray[np.int32], names: _Names
) -> tuple[float, bool, tuple[result.LengthGroup, ...]]:
    """Length of residential streets, whether few homes are mapped for it, and single exits ranked by that length."""
    streets, homes = asked.streets, asked.homes
    living = where(streets.highway, lambda kind: not LIVED_ON.isdisjoint(kind.split(SEPARATOR)))
    length_m = np.where(living & streets.driven, streets.length_m, 0.0)
    total_m, least = float(length_m.sum()), parameters.FEW_HOMES_PER_KM.value / 1000.0
    few = homes.count < least * total_m
    if total_m == 0.0:
        return 0.0, False, ()
    stretches = homes_by_street(streets, length_m)
    groups = single_exits(streets, stretches, exits=found.exits, compare=False, known=known)
    facts = group_facts(streets, groups, stretches, outline=asked.outline)
    long = groups.homes >= parameters.SHORTEST_LISTED_M.value
    listed = []
    for row in np.flatnonzero(_notable(groups, facts) & long).tolist():
        throat = int(facts.throat[row])
        behind = float(found.homes_behind[throat + streets.node_count if throat >= 0 else int(facts.mouth[row])])
        if few or behind < least * groups.homes[row]:
            pinch = _pinch(streets, groups, facts, row, names)
            listed.append(result.LengthGroup(*pinch, streets_m=float(groups.homes[row]), homes=behind))
    return total_m, bool(few), tuple(sorted(listed, key=lambda one: (-one.streets_m, one.name)))


@dataclass(frozen=True, eq=False)
class _Names:
    """The names of streets that meet at each junction, and where any named street lies.

    `taken` grows: how far from an exit the part of a street begins that has each name already.
    """

    meeting: dict[int, list[str]]
    named: tuple[str, ...]
    lines: shapely.STRtree
    measures: Measures
    taken: dict[str, float] = field(default_factory=dict)

    def nearest(self, place: shapely.Point) -> str:
        """The street with a name that is nearest to a place; "" where none is near."""
        found = self.lines.query_nearest(place, max_distance=NEAR_M, all_matches=False)
        return self.named[found[0]] if found.size else ""


def _names(streets: StreetTable, measures: Measures) -> _Names:
    rows = [row for row in np.flatnonzero(streets.driven).tolist() if streets.name[row]]
    meeting: dict[int, list[str]] = {}
    for row in rows:
        for node in (int(streets.a[row]), int(streets.b[row])):
            meeting.setdefault(node, []).append(streets.name[row])
    named = tuple(streets.name[row] for row in rows)
    return _Names(meeting, named, shapely.STRtree(streets.geometry[rows]), measures)


def _pinch(
    streets: StreetTable, found: SingleExits, facts: GroupFacts, row: int, names: _Names
) -> tuple[Literal["street", "junction"], str, float, float]:
    """What everyone of a group must pass: whether it is a street or a junction, its name, x and y of its outer end.

    Of groups on one street those named later say which part of it.
    """
    throat, mouth = int(facts.throat[row]), int(facts.mouth[row])
    node = mouth if mouth < streets.node_count else int(found.tree.parent[mouth])
    x_m, y_m, out_m = float(streets.x_m[node]), float(streets.y_m[node]), float(found.distance_m[node])
    met = list(dict.fromkeys(names.meeting.get(node, ())))
    if throat < 0:
        said = f"{'of' if met[1:] else 'on'} {' and '.join(met[:3])}" if met else "of streets without names"
        return "junction", f"junction {said}", x_m, y_m
    name = streets.name[throat]
    if not name:
        kind = nameless(streets.highway[throat])
        near = "" if met else names.nearest(shapely.Point(x_m, y_m))
        where = f" off {met[0]}" if met else f" near {near}" if near else ""
        return "street", f"{kind} without a name{where}", x_m, y_m
    corner = [other for other in met if other != name]
    if name in names.taken and corner:
        name = f"{name} beyond {corner[0]}"
    elif name in names.taken and 100.0 <= out_m - names.taken[name] < math.inf:
        name = f"{name}, {far_words(out_m - names.taken[name], names.measures)} farther in"
    names.taken.setdefault(name, out_m)
    return "street", name, x_m, y_m


def _streets_behind(
    streets: StreetTable, found: SingleExits, facts: GroupFacts, rows: list[int], names: _Names
) -> dict[int, tuple[str, ...]]:
    """For some groups the names of the streets that lead out by theirs alone, without its own, from outside inwards."""
    tree, nodes = found.tree, found.tree.node_count
    walk = tree.order[np.argsort(tree.first[tree.order])]
    behind = {}
    for row in rows:
        throat, mouth = int(facts.throat[row]), int(facts.mouth[row])
        own = {streets.name[throat]} if throat >= 0 else {*names.meeting.get(mouth, ())}
        pinch = throat + nodes if throat >= 0 else mouth
        inside = walk[tree.first[pinch] :][: tree.size[pinch]]
        told = (streets.name[at - nodes] for at in inside[inside >= nodes].tolist())
        behind[row] = tuple(name for name in dict.fromkeys(told) if name and name not in own)
    return behind


def _link_ends(names: _Names, links: tuple[Link, ...]) -> tuple[tuple[str, ...], ...]:
    """Names of the streets that each link joins, as far as they have any."""
    ends = ([shapely.Point(xy) for xy in shapely.get_coordinates(link.line)[[0, -1]]] for link in links)
    return tuple(tuple(dict.fromkeys(filter(None, map(names.nearest, two)))) for two in ends)


def _cleared(
    asked: StreetQuestion, found: SingleExits, facts: GroupFacts, groups: tuple[StreetGroup, ...], tell: Progress
) -> tuple[StreetGroup, ...]:
    streets, options = asked.streets, asked.options
    shuts = np.full(streets.street_count, np.inf)
    if asked.closing_s is not None:
        shuts = np.asarray(asked.closing_s, dtype=np.float64)
        if shuts.shape != (streets.street_count,) or np.isnan(shuts).any():
            raise refused("closing_s", "closings_not_by_street", street_count=streets.street_count)
    listed = (group for group in groups if group.notable and group.kind == "street")
    wanted = [group for group in listed if group.homes >= options.clearance_homes][: options.clearance_groups]
    if not wanted:
        return groups
    way = quickest_out(streets, found)
    answered = list(groups)
    for done, group in enumerate(wanted, start=1):
        tree, _ = group_tree(
            streets,
            found,
            facts=facts,
            homes=asked.homes,
            group=group.row,
            way=way,
            vehicles_per_home=options.vehicles_per_home,
        )
        passed = [
            vertex - streets.node_count for vertex in shared_way(found, group.row) if vertex >= streets.node_count
        ]
        shut_s = float(shuts[passed].min()) if passed else math.inf
        cleared = []
        for curve in options.mobilisations:
            one = clearance(tree, curve)
            told_s = options.told_s if math.isfinite(shut_s) else ()
            left = tuple(zip(told_s, not_out(one, shuts_s=shut_s, told_s=np.array(told_s)).tolist(), strict=True))
            cleared.append(result.ClearedBy(curve, one.last_out_s, one.ninety_out_s, one.longest_queue_veh, left))
        answered[group.number - 1] = replace(group, clearance=tuple(cleared), shuts_s=shut_s)
        tell("clearance", done, len(wanted))
    return tuple(answered)


def _links(
    asked: StreetQuestion, found: SingleExits, tell: Progress
) -> tuple[tuple[Link, ...], result.AfterLink | None, tuple[str, ...]]:
    """The links that help most, what the best of them would change, and what was supposed about them."""
    options = asked.options
    if options.links == 0 or found.group_count == 0:
        return (), None, ()
    links, sentences = _ranked(asked, found, most=options.links, tell=tell)
    if not links:
        return (), None, sentences
    joined, moved, _ = with_link(asked.streets, asked.homes, link=links[0])
    again = single_exits(joined, moved, exits=found.exits, compare=False)
    then, _ = _ranked(replace(asked, streets=joined, homes=moved), again, most=min(options.links, 5), tell=tell)
    after = result.AfterLink(
        behind_exit_before=_behind_streets(asked.streets, asked.homes, found),
        behind_exit=_behind_streets(joined, moved, again),
        largest_before=_largest(asked.streets, found),
        largest=_largest(joined, again),
        links=then,
    )
    return links, after, sentences


def _ranked(
    asked: StreetQuestion, found: SingleExits, *, most: int, tell: Progress
) -> tuple[tuple[Link, ...], tuple[str, ...]]:
    streets, homes = asked.streets, asked.homes
    candidates = links_to_open(streets, found, homes=homes) + links_to_build(
        streets,
        found,
        homes=homes,
        within_m=asked.options.link_within_m,
        steepest=asked.options.link_steepest,
        elevation=asked.elevation,
        progress=partial(tell, "places where a link could begin"),
    )
    tried = partial(tell, "links")
    return rank_links(streets, homes, exits=found.exits, candidates=candidates, most=most, progress=tried)


def _behind_streets(streets: StreetTable, homes: PlacedHomes, found: SingleExits) -> float:
    """Homes that must pass at least one street."""
    passed = must_m(found.tree, np.ones(streets.street_count))
    at = found.home_vertex
    return float(homes.dwellings[(at != NO_WAY_OUT) & (passed[np.maximum(at, 0)] > 0.0)].sum())


def _largest(streets: StreetTable, found: SingleExits) -> float:
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    return float(behind.max()) if behind.size else 0.0


def _supposed(asked: StreetQuestion, balance: Balance) -> tuple[str, ...]:
    options, timed = asked.options, asked.options.clearance_groups > 0
    by_parcel = any(rule.measure == "all_streets" for rule in choose_rules(options.rules))
    holds = {
        **dict.fromkeys(("get_going", "capacities", "alone"), timed),
        "link_slopes": options.links > 0 and asked.elevation is None,
        "link_ground": options.links > 0,
        "no_fire": asked.closing_s is None,
        "parcels": options.parcel_acres is None and by_parcel,
        "no_way_out": balance.no_way_out > 0.0,
        "no_grades": not np.isfinite(asked.streets.steepest).any(),
    }
    given = {"people": options.people_per_home, "vehicles": options.vehicles_per_home, "lost": balance.no_way_out}
    given |= {"two_lane": TWO_LANE_VEH_H.value, "breakdown": BREAKDOWN_SHARE.value}
    after = ", ".join(f"{curve.name} {curve.median_s / 60.0:.0f} min" for curve in options.mobilisations)
    told = table("decision/streets/supposed").items()
    return tuple(words.format(after=after, **given) for name, words in told if holds.get(name, True))
