"""What the map of the community question shows, as tables: single exits, groups, homes, exits, links."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import lru_cache
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from pyproj import Transformer
from shapely import Point, points

from leaveby.caution import OVERRIDE
from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.facts import GroupFacts
from leaveby.show.record import finite_or_none
from leaveby.show.scene import Rows, Scene, notices_of, tables_of, thing, things
from leaveby.show.wording import clean, map_notice, minutes_up, street_words

_COLUMNS: Final[Mapping[str, Callable[[StreetGroup, Any], Any]]] = {
    "number": lambda one, _: one.number,
    "kind": lambda one, _: one.kind,
    "everyone_must_pass": lambda one, _: clean(one.name, 120),
    "homes": lambda one, _: one.homes,
    "homes_for_certain": lambda one, _: one.certain,
    "people": lambda one, _: one.people,
    "vehicles": lambda one, _: one.vehicles,
    "inside_number": lambda one, _: one.inside,
    "short_list": lambda one, _: one.notable,
    "called": lambda one, _: called(one),
    "streets_behind": lambda one, _: "; ".join(clean(name, 80) for name in one.streets_behind),
    "shared_way_m": lambda _, facts: round(facts.shared_m, 1),
    "longest_dead_end_m": lambda _, facts: round(facts.dead_end_m, 1),
    "streets_m": lambda _, facts: round(facts.streets_m, 1),
    "narrowest_stated_m": lambda _, facts: finite_or_none(facts.narrowest_m),
    "no_width_stated_m": lambda _, facts: round(facts.no_width_m, 1),
    "tracks_m": lambda _, facts: round(facts.track_m, 1),
    "steepest_percent": lambda _, facts: finite_or_none(100.0 * facts.steepest, 1),
    "fuel_t_ha": lambda _, facts: finite_or_none(facts.fuel_t_ha, 1),
    "homes_with_another_way_on_foot": lambda _, facts: facts.foot_homes,
    "at_edge_of_map": lambda _, facts: facts.at_edge,
    "last_out_quick_min": lambda one, _: minutes_up(one.clearance[0].last_out_s) if one.clearance else None,
    "last_out_slow_min": lambda one, _: minutes_up(one.clearance[-1].last_out_s) if one.clearance else None,
    "shuts_min": lambda one, _: math.floor(one.shuts_s / 60.0) if math.isfinite(one.shuts_s) else None,
    "longer_than": lambda one, _: "; ".join(f"{item.rule.name}: {item.sentence}" for item in one.comparisons),
}
_FATES: Final = (
    ("home_lost", "too far from any street"),
    ("home_lost", "no way out by car on this map"),
    ("home_unsure", "choice of ways only if roads lead out that the edge of the map cuts"),
    ("home_choice", "choice of ways"),
    ("home_behind", "behind a single exit"),
)
"""What becomes of a home: symbol and words; the first that holds."""

COLUMNS: Final = (*_COLUMNS, "lon_deg", "lat_deg")
"""Columns of `streets.csv`, and keys of each group in `streets.json`."""


def called(group: StreetGroup) -> str:
    """What people call a group: the street that it has to pass, and what lies behind."""
    return f"{clean(group.name, 120)}{behind_words(group)}"


def behind_words(group: StreetGroup) -> str:
    """What lies behind the street that a group is named after, to be said after its name; "" where it is alone.

    Behind a street without a name the first one that has any is named.
    """
    others = group.streets_behind
    if not others:
        return ""
    if len(others) > 1 and " without a name" not in group.name:
        return f" and {len(others)} streets behind it"
    more = f" and {len(others) - 1} more" if len(others) > 1 else ""
    return f" and {clean(others[0], 40)}{more} behind it"


@lru_cache(maxsize=1)
def streets_scene(answer: StreetSurvey) -> Scene:
    """Lay out what the map of the community question shows.

    `single_exit_streets` (each street that someone must pass, with the homes behind it), `groups` (a point at the outer
    end of what everyone must pass), `homes` (with what becomes of each), `exits`, `links`.
    """
    streets, found = answer.streets, answer.found
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    must = np.flatnonzero(streets.driven & (behind > 0.0))
    must_pass, rows, groups = behind[must].tolist(), must.tolist(), group_rows(answer)
    drawn = {name: [row[name] for row in groups] for name in COLUMNS} if groups else {}
    made: dict[str, tuple[str, str, Rows]] = {
        "single_exit_streets": (
            "Single exits",
            "Streets that somebody must pass to get out.",
            things(
                [f"single_exit_{next(least for least in (100, 30, 10, 0) if homes >= least)}" for homes in must_pass],
                [street_words(streets.name[at]) for at in rows],
                [f"Everyone in {homes:g} homes must pass here." for homes in must_pass],
                streets.geometry[must],
                osm_way_id=streets.way_id[must],
                name=[clean(streets.name[at]) for at in rows],
                class_=[clean(streets.highway[at]) for at in rows],
                homes_behind=behind[must],
                length_m=streets.length_m[must],
                why_not_open=[clean(streets.reason[at]) for at in rows],
                undirected_bridge=found.bridge[must],
            ),
        ),
        "groups": (
            "Groups of homes",
            "The outer end of what all of a group must pass.",
            things(
                "group",
                [f"{one.number}" for one in answer.groups],
                drawn.get("called"),
                points(np.array([(one.x_m, one.y_m) for one in answer.groups]).reshape(-1, 2)),
                **drawn,
            ),
        ),
        "homes": ("Homes", "What becomes of each.", _fates(answer)),
        "exits": (
            "Exits",
            "Where the streets lead out of the map.",
            [
                thing(
                    symbol,
                    "Exit" if says == "yes" else "Goes on beyond the edge of the map",
                    "",
                    Point(float(streets.x_m[node]), float(streets.y_m[node])),
                    node=int(streets.node_id[node]),
                    leads_out=says,
                )
                for symbol, says, nodes in (("exit", "yes", found.exits), ("maybe_exit", "unknown", answer.maybe))
                for node in nodes.tolist()
            ],
        ),
        "links": (
            "Links",
            "Missing links that would help, the most helpful first.",
            [
                thing(
                    "link",
                    f"L{number}",
                    f"Would relieve {link.homes_relieved:g} homes.",
                    link.line,
                    number=number,
                    kind=link.kind,
                    why_not_open=", ".join(clean(reason) for reason in link.reasons),
                    metres_to_build=float(link.build_m),
                    metres_to_open=float(link.open_m),
                    homes_relieved=link.homes_relieved,
                    homes_freed=link.homes_freed,
                )
                for number, link in enumerate(answer.links, start=1)
            ],
        ),
    }
    notices = notices_of(map_notice(answer))
    return Scene("Single exits", OVERRIDE, "", notices, str(streets.crs), tables_of(made, str(streets.crs)))


@lru_cache(maxsize=1)
def group_rows(answer: StreetSurvey) -> list[dict[str, Any]]:
    """One row for each group, with the columns of `COLUMNS`; None where a thing is not known."""
    change = Transformer.from_crs(answer.streets.crs, "EPSG:4326", always_xy=True)
    lon, lat = change.transform([group.x_m for group in answer.groups], [group.y_m for group in answer.groups])
    # as numbers of Python, which are far quicker one by one than those of arrays
    facts = {one.name: getattr(answer.facts, one.name).tolist() for one in fields(GroupFacts)}
    by_row = [SimpleNamespace(**dict(zip(facts, row, strict=True))) for row in zip(*facts.values(), strict=True)]
    return [
        {name: tell(group, by_row[group.row]) for name, tell in _COLUMNS.items()}
        | {"lon_deg": round(float(x), 6), "lat_deg": round(float(y), 6)}
        for group, x, y in zip(answer.groups, lon, lat, strict=True)
    ]


def _fates(answer: StreetSurvey) -> Rows:
    """The homes, and what becomes of each."""
    homes, vertex, outside = answer.homes, answer.found.home_vertex, answer.found.tree.outside
    best = answer.if_they_lead_on
    unsure = np.zeros(vertex.size, dtype=np.bool_) if best is None else best.home_vertex == best.tree.outside
    kind = np.select(
        [homes.street < 0, vertex == NO_WAY_OUT, unsure & (vertex != outside), vertex == outside], range(4), 4
    ).tolist()
    found = [_FATES[at][1] for at in kind]
    return things(
        [_FATES[at][0] for at in kind],
        homes.identity,
        found,
        points(homes.x_m, homes.y_m),
        identity=[clean(name, 120) for name in homes.identity],
        dwellings=homes.dwellings,
        from_street_m=np.minimum(homes.away_m, 1e9),
        found=found,
    )
