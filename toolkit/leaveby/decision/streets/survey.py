"""The community question, answered: which streets have one way out, how many homes hang on each, what would help."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from leaveby.decision.streets.result import (
    FEW_HOMES_PER_KM,
    PEOPLE_PER_HOME,
    VEHICLES_PER_HOME,
    AfterLink,
    Balance,
    ClearedBy,
    LengthGroup,
    StreetGroup,
    StreetSurvey,
    SurveyOptions,
)
from leaveby.errors import Fault, InputError, refuse
from leaveby.roads.clearance.capacity import BREAKDOWN_SHARE, TWO_LANE_VEH_H
from leaveby.roads.clearance.queue import Clearance, Mobilisation, clearance, not_out
from leaveby.roads.clearance.tree import group_tree, quickest_out
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.facts import GroupFacts, group_facts, shared_way
from leaveby.roads.exits.groups import SingleExits, single_exits
from leaveby.roads.exits.homes import NOT_PLACED, PlacedHomes, homes_by_street
from leaveby.roads.exits.link_candidates import Elevation, links_to_build, links_to_open
from leaveby.roads.exits.links import Link, rank_links, with_link
from leaveby.roads.exits.street_table import StreetTable
from leaveby.roads.network.graph import SEPARATOR
from leaveby.roads.osm.access_rules import AccessRule, Measured, choose_rules, compare

NOTABLE_SHARE: Final = 0.75
"""A group inside another is notable when it has at most this share of its homes. Judgement."""
NOTABLE_HOMES: Final = 2.0
LIVED_ON: Final = frozenset({"residential", "living_street"})
"""Classes of street on which people live, by their definition: without homes on them the map lacks homes."""
SHORTEST_LISTED_M: Final = 300.0
"""Less residential street than this behind a single exit is not listed for lack of homes. Judgement."""
LINKS_UP_TO: Final = 100_000
"""Streets among which links are looked for: each of hundreds is computed exactly, with all streets."""

Progress = Callable[[str, int, int], None]


def survey(
    streets: StreetTable,
    homes: PlacedHomes,
    *,
    exits: NDArray[np.int32],
    maybe: NDArray[np.int32] | None = None,
    options: SurveyOptions | None = None,
    elevation: Elevation | None = None,
    closing_s: NDArray[np.float64] | None = None,
    outline: BaseGeometry | None = None,
    supposed: Sequence[str] = (),
    from_osm: bool = True,
    inputs: Mapping[str, str] | None = None,
    progress: Progress | None = None,
) -> StreetSurvey:
    """Answer the community question.

    Parameters
    ----------
    streets : StreetTable
        With m streets.
    homes : PlacedHomes
    exits : NDArray[np.int32]
        Junctions that count as out.
    maybe : NDArray[np.int32], optional
        Junctions from which a road that the edge of the map cuts goes on to somewhere unknown. Both is computed, that
        none of them leads out and that all do.
    options : SurveyOptions, optional
    elevation : callable, optional
        Height in m at (x_m, y_m), for the slope under links to build.
    closing_s : NDArray[np.float64], shape (m,), optional
        When each street shuts in a fire scenario, from the moment zero that `options.told_s` counts from.
    outline : shapely geometry, optional
        Outline of what the map holds.
    supposed : sequence of str
        Sentences to list with the assumptions.
    from_osm : bool
    inputs : mapping, optional
    progress : callable, optional
        Called with (what, done, total).

    Returns
    -------
    StreetSurvey

    Raises
    ------
    InputError
        When there is no exit, or options or closings can't be used.

    Examples
    --------
    >>> from leaveby.roads.exits.homes import homes_by_street
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> from leaveby.roads.exits.street_table import street_table
    >>> lines = [[(0.0, 0.0), (90.0, 0.0)], [(90.0, 0.0), (90.0, 90.0)], [(90.0, 90.0), (300.0, 90.0)]]
    >>> roads = network_from_lines(lines, crs="EPSG:32755", names=["Mill Road", "Mill Road", "Quarry Lane"])
    >>> streets = street_table(roads)
    >>> answer = survey(streets, homes_by_street(streets, np.array([0.0, 60.0, 12.0])), exits=np.array([0]))
    >>> [(group.name, group.homes, group.inside) for group in answer.groups]
    [('Mill Road', 72.0, None), ('Quarry Lane', 12.0, 1)]
    """
    chosen = SurveyOptions() if options is None else options
    rules = _checked(chosen)
    tell = progress or _silent
    tell("single exits", 0, 1)
    found = single_exits(streets, homes, exits=exits)
    facts = group_facts(streets, found, homes, outline=outline)
    unknown = np.zeros(0, dtype=np.int32) if maybe is None else np.setdiff1d(maybe, found.exits).astype(np.int32)
    best = None
    if unknown.size:
        every = np.union1d(found.exits, unknown)
        best = single_exits(streets, homes, exits=every, compare=False, known=found.exits)
    tell("single exits", 1, 1)
    balance = _balance(homes, found, best)
    groups = _groups(streets, found, facts, chosen, rules, best)
    groups = _cleared(streets, found, facts, homes, groups, chosen, closing_s, tell)
    residential_m, few, by_length = _by_length(streets, homes, found if best is None else best, found.exits, outline)
    links, after, sentences = _links(streets, homes, found, chosen, elevation, tell)
    return StreetSurvey(
        streets=streets,
        homes=homes,
        found=found,
        facts=facts,
        groups=groups,
        links=links,
        after_best=after,
        balance=balance,
        rules=rules,
        options=chosen,
        maybe=unknown,
        if_they_lead_on=best,
        residential_m=residential_m,
        few_homes=few,
        by_length=by_length,
        from_osm=from_osm,
        assumptions=tuple(
            dict.fromkeys(
                (
                    *supposed,
                    *streets.assumptions,
                    *homes.assumptions,
                    *_supposed(streets, chosen, balance, elevation, closing_s),
                    *sentences,
                )
            )
        ),
        inputs=dict(inputs or {}),
    )


def _silent(*_: object) -> None:
    return


def _checked(options: SurveyOptions) -> tuple[AccessRule, ...]:
    faults = [
        Fault(f"options.{what}", f"it is {value}", f"{low:g} to {high:g}", "correct it")
        for what, value, low, high in (
            ("people_per_home", options.people_per_home, PEOPLE_PER_HOME.low, PEOPLE_PER_HOME.high),
            ("vehicles_per_home", options.vehicles_per_home, VEHICLES_PER_HOME.low, VEHICLES_PER_HOME.high),
            ("link_within_m", options.link_within_m, 1.0, 5000.0),
            ("link_steepest", options.link_steepest, 0.001, 1.0),
            ("links", options.links, 0, 1000),
            ("clearance_groups", options.clearance_groups, 0, 100_000),
            ("parcel_acres", 0.0 if options.parcel_acres is None else options.parcel_acres, 0.0, 1e6),
        )
        if not low <= value <= high
    ]
    if faults:
        raise InputError(faults)
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
    streets: StreetTable,
    found: SingleExits,
    facts: GroupFacts,
    options: SurveyOptions,
    rules: tuple[AccessRule, ...],
    best: SingleExits | None,
) -> tuple[StreetGroup, ...]:
    notable = _notable(found, facts)
    pinch = np.where(facts.throat >= 0, facts.throat + streets.node_count, facts.mouth)
    certain = found.homes if best is None else best.homes_behind[pinch]
    order = np.lexsort((np.arange(found.group_count), -found.homes, -certain, ~notable))
    number = np.empty(found.group_count, dtype=np.int64)
    number[order] = np.arange(1, found.group_count + 1)
    meeting = _meeting(streets)
    groups = []
    for row in order.tolist():
        around = int(found.inside[row])
        while around >= 0 and not notable[around]:
            around = int(found.inside[around])
        throat, mouth = int(facts.throat[row]), int(facts.mouth[row])
        node = mouth if mouth < streets.node_count else int(found.tree.parent[mouth])
        measured = Measured(
            homes=float(found.homes[row]),
            dead_end_m=float(facts.dead_end_m[row]),
            streets_m=float(facts.streets_m[row]),
            narrowest_m=float(facts.narrowest_m[row]),
            steepest=float(facts.steepest[row]),
        )
        held = (compare(rule, measured, parcel_acres=options.parcel_acres) for rule in rules) if throat >= 0 else ()
        homes = float(found.homes[row])
        groups.append(
            StreetGroup(
                number=int(number[row]),
                row=row,
                kind="street" if throat >= 0 else "junction",
                name=_street_name(streets, throat) if throat >= 0 else _junction_name(meeting, mouth),
                x_m=float(streets.x_m[node]),
                y_m=float(streets.y_m[node]),
                homes=homes,
                people=homes * options.people_per_home,
                vehicles=homes * options.vehicles_per_home,
                inside=int(number[around]) if around >= 0 else None,
                notable=bool(notable[row]),
                certain=float(certain[row]),
                comparisons=tuple(item for item in held if item is not None),
            )
        )
    return tuple(groups)


def _notable(found: SingleExits, facts: GroupFacts) -> NDArray[np.bool_]:
    """The short list: first by streets, then junctions that no street within stands for."""
    count = found.group_count
    notable = np.zeros(count, dtype=np.bool_)
    above = np.full(count, np.inf)
    exits = set(found.exits.tolist())
    for row in range(count):
        around = int(found.inside[row])
        limit = above[around] if around >= 0 else np.inf
        homes = found.homes[row]
        if facts.throat[row] >= 0 and NOTABLE_HOMES <= homes <= NOTABLE_SHARE * limit:
            notable[row] = True
            limit = homes
        above[row] = limit
    within = np.where(notable, found.homes, 0.0)
    for row in range(count - 1, -1, -1):
        around = int(found.inside[row])
        if around >= 0:
            within[around] = max(within[around], within[row])
    limits = np.full(count, np.inf)
    for row in range(count):
        around = int(found.inside[row])
        limit = limits[around] if around >= 0 else np.inf
        homes = found.homes[row]
        stands_alone = within[row] < NOTABLE_SHARE * homes and int(found.head[row]) not in exits
        if notable[row]:
            limit = homes
        elif facts.throat[row] < 0 and stands_alone and NOTABLE_HOMES <= homes <= NOTABLE_SHARE * limit:
            notable[row] = True
            limit = homes
        limits[row] = limit
    return notable


def _by_length(
    streets: StreetTable,
    homes: PlacedHomes,
    found: SingleExits,
    known: NDArray[np.int32],
    outline: BaseGeometry | None,
) -> tuple[float, bool, tuple[LengthGroup, ...]]:
    """Length of residential streets, whether few homes are mapped for it, and single exits ranked by that length."""
    living = np.array([not LIVED_ON.isdisjoint(kind.split(SEPARATOR)) for kind in streets.highway], dtype=np.bool_)
    length_m = np.where(living & streets.driven, streets.length_m, 0.0)
    total_m, least = float(length_m.sum()), FEW_HOMES_PER_KM.value / 1000.0
    few = homes.count < least * total_m
    if total_m == 0.0:
        return 0.0, False, ()
    stretches = homes_by_street(streets, length_m)
    groups = single_exits(streets, stretches, exits=found.exits, compare=False, known=known)
    facts = group_facts(streets, groups, stretches, outline=outline)
    notable = _notable(groups, facts)
    meeting = _meeting(streets)
    listed = []
    for row in np.flatnonzero(notable & (groups.homes >= SHORTEST_LISTED_M)).tolist():
        throat, mouth = int(facts.throat[row]), int(facts.mouth[row])
        node = mouth if mouth < streets.node_count else int(groups.tree.parent[mouth])
        behind = float(found.homes_behind[throat + streets.node_count if throat >= 0 else mouth])
        if few or behind < least * groups.homes[row]:
            listed.append(
                LengthGroup(
                    kind="street" if throat >= 0 else "junction",
                    name=_street_name(streets, throat) if throat >= 0 else _junction_name(meeting, mouth),
                    x_m=float(streets.x_m[node]),
                    y_m=float(streets.y_m[node]),
                    streets_m=float(groups.homes[row]),
                    homes=behind,
                )
            )
    return total_m, bool(few), tuple(sorted(listed, key=lambda one: (-one.streets_m, one.name)))


def _street_name(streets: StreetTable, street: int) -> str:
    return (
        streets.name[street] or f"{streets.highway[street] or 'street'} without a name (way {streets.way_id[street]})"
    )


def _meeting(streets: StreetTable) -> dict[int, list[str]]:
    names: dict[int, list[str]] = {}
    for street in np.flatnonzero(streets.driven).tolist():
        for node in (int(streets.a[street]), int(streets.b[street])):
            names.setdefault(node, []).append(streets.name[street])
    return names


def _junction_name(meeting: Mapping[int, Sequence[str]], node: int) -> str:
    names = [name for name in dict.fromkeys(meeting.get(node, ())) if name]
    if not names:
        return "junction of streets without names"
    return "junction on " + names[0] if len(names) == 1 else "junction of " + " and ".join(names[:3])


def _cleared(
    streets: StreetTable,
    found: SingleExits,
    facts: GroupFacts,
    homes: PlacedHomes,
    groups: tuple[StreetGroup, ...],
    options: SurveyOptions,
    closing_s: NDArray[np.float64] | None,
    tell: Progress,
) -> tuple[StreetGroup, ...]:
    shuts = np.full(streets.street_count, np.inf)
    if closing_s is not None:
        shuts = np.asarray(closing_s, dtype=np.float64)
        if shuts.shape != (streets.street_count,) or np.isnan(shuts).any():
            raise refuse(
                "closing_s",
                "it is not one time for each street",
                expected=f"{streets.street_count} times in s, inf where a street stays open",
                mend="give them all",
            )
    wanted = {
        group.number
        for group in [
            group
            for group in groups
            if group.notable and group.kind == "street" and group.homes >= options.clearance_homes
        ][: options.clearance_groups]
    }
    if not wanted:
        return groups
    way = quickest_out(streets, found)
    done = 0
    answered = []
    for group in groups:
        if group.number not in wanted:
            answered.append(group)
            continue
        tree, _ = group_tree(
            streets,
            found,
            facts=facts,
            homes=homes,
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
            result = clearance(tree, curve, step_s=2.0 if tree.onward.size < 200 else 5.0)
            cleared.append(_cleared_by(result, curve, shut_s, options))
        answered.append(replace(group, clearance=tuple(cleared), shuts_s=shut_s))
        done += 1
        tell("clearance", done, len(wanted))
    return tuple(answered)


def _cleared_by(result: Clearance, curve: Mobilisation, shuts_s: float, options: SurveyOptions) -> ClearedBy:
    left = not_out(result, shuts_s=shuts_s, told_s=np.array(options.told_s)) if math.isfinite(shuts_s) else np.zeros(0)
    return ClearedBy(
        curve=curve,
        last_out_s=result.last_out_s,
        ninety_out_s=result.ninety_out_s,
        most_waiting_veh=result.longest_queue_veh,
        not_out=tuple(zip(options.told_s, left.tolist(), strict=False)),
    )


def _links(
    streets: StreetTable,
    homes: PlacedHomes,
    found: SingleExits,
    options: SurveyOptions,
    elevation: Elevation | None,
    tell: Progress,
) -> tuple[tuple[Link, ...], AfterLink | None, tuple[str, ...]]:
    if options.links == 0 or found.group_count == 0:
        return (), None, ()
    if streets.street_count > LINKS_UP_TO:
        return (
            (),
            None,
            (
                f"No links were looked for among {streets.street_count} streets (at most {LINKS_UP_TO}): survey a "
                "part of them for that.",
            ),
        )
    tell("links", 0, 2)
    links, sentences = _ranked(streets, homes, found, options, elevation, most=options.links)
    tell("links", 1, 2)
    if not links:
        return (), None, sentences
    joined, moved = with_link(streets, homes, link=links[0])
    again = single_exits(joined, moved, exits=found.exits, compare=False)
    then, _ = _ranked(joined, moved, again, options, elevation, most=min(options.links, 5))
    tell("links", 2, 2)
    after = AfterLink(
        behind_exit_before=_behind_streets(streets, homes, found),
        behind_exit=_behind_streets(joined, moved, again),
        largest_before=_largest(streets, found),
        largest=_largest(joined, again),
        links=then,
    )
    return links, after, sentences


def _ranked(
    streets: StreetTable,
    homes: PlacedHomes,
    found: SingleExits,
    options: SurveyOptions,
    elevation: Elevation | None,
    *,
    most: int,
) -> tuple[tuple[Link, ...], tuple[str, ...]]:
    candidates = links_to_open(streets, found, homes=homes) + links_to_build(
        streets,
        found,
        homes=homes,
        within_m=options.link_within_m,
        steepest=options.link_steepest,
        elevation=elevation,
    )
    return rank_links(streets, homes, exits=found.exits, candidates=candidates, most=most)


def _behind_streets(streets: StreetTable, homes: PlacedHomes, found: SingleExits) -> float:
    """Homes that must pass at least one street."""
    under = np.zeros(found.tree.parent.size, dtype=np.bool_)
    order, parent = found.tree.order.tolist(), found.tree.parent
    for vertex in order[1:]:
        under[vertex] = vertex >= streets.node_count or under[parent[vertex]]
    at = found.home_vertex
    return float(homes.dwellings[(at != NO_WAY_OUT) & under[np.maximum(at, 0)]].sum())


def _largest(streets: StreetTable, found: SingleExits) -> float:
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    return float(behind.max()) if behind.size else 0.0


def _supposed(
    streets: StreetTable,
    options: SurveyOptions,
    balance: Balance,
    elevation: Elevation | None,
    closing_s: NDArray[np.float64] | None,
) -> tuple[str, ...]:
    lines = [
        f"{options.people_per_home:g} people and {options.vehicles_per_home:g} vehicles were counted for each home "
        "(judgement unless you gave them).",
        "Private ways, ways behind gates and tracks are left by those who live there; nobody else was counted on them.",
        "Widths, gates and one-way signs are as mapped, and a map lacks many: look at each street before the season.",
    ]
    if options.clearance_groups:
        curves = ", ".join(f"{curve.name} {curve.median_s / 60.0:.0f} min" for curve in options.mobilisations)
        lines += [
            "When homes get going was not measured for wildfires anywhere that we know: the curves are judgement (half "
            f"of the homes rolling after: {curves}), and the range is shown.",
            f"Capacities are published ones ({TWO_LANE_VEH_H.value:.0f} vehicles an hour on a two-lane road in good "
            f"conditions, fewer on lesser ones), times {BREAKDOWN_SHARE.value:g} for a queue (from memory). Smoke, "
            "trailers, crashes and a full road beyond make it longer.",
            "Each group is timed by itself: where others share the road further out, both take longer.",
        ]
    if options.links:
        if elevation is None:
            lines.append("No terrain was given: links to build were not held against the slope of the ground.")
        lines.append("Water, railways, houses and rights of way between the ends of a link were not looked at.")
    if closing_s is None:
        lines.append("No fire scenario was given: nothing here says how long a street stays open.")
    if options.parcel_acres is None and any(rule.measure == "all_streets" for rule in choose_rules(options.rules)):
        lines.append("No parcel size was given: the shortest limit of the rules was taken.")
    if balance.no_way_out:
        lines.append(
            f"{balance.no_way_out:g} homes stand on streets from which no exit can be reached by car on this map: find "
            "out why."
        )
    if not np.isfinite(streets.steepest).any():
        lines.append("No terrain was given: grades are not known.")
    return tuple(lines)
