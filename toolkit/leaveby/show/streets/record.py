"""The answer to the community question as plain data: what stands in `streets.json` and `streets.csv`."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import ClearedBy, StreetGroup, StreetSurvey
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.homes import NOT_PLACED
from leaveby.roads.exits.links import Link
from leaveby.roads.exits.places import roads_at
from leaveby.show.streets.page import survey_sentences
from leaveby.show.wording import check_made_at, clean, minutes_up

COLUMNS: Final = (
    "number",
    "kind",
    "everyone_must_pass",
    "homes",
    "homes_for_certain",
    "people",
    "vehicles",
    "inside_number",
    "short_list",
    "shared_way_m",
    "longest_dead_end_m",
    "streets_m",
    "narrowest_stated_m",
    "no_width_stated_m",
    "tracks_m",
    "steepest_percent",
    "fuel_t_ha",
    "homes_with_another_way_on_foot",
    "at_edge_of_map",
    "last_out_quick_min",
    "last_out_slow_min",
    "shuts_min",
    "longer_than",
    "lon_deg",
    "lat_deg",
)
"""Columns of `streets.csv`, and keys of each group in `streets.json`."""


def survey_record(answer: StreetSurvey, *, made_at: datetime) -> dict[str, Any]:
    """Lay out an answer as plain data.

    Parameters
    ----------
    answer : StreetSurvey
    made_at : datetime
        With UTC offset.

    Returns
    -------
    dict
        Fit for JSON: no infinities, no NaN.

    Raises
    ------
    InputError
        If `made_at` has no UTC offset.
    """
    check_made_at(made_at)
    homes, found, options = answer.homes, answer.found, answer.options
    change = Transformer.from_crs(answer.streets.crs, "EPSG:4326", always_xy=True)
    lost = (homes.street != NOT_PLACED) & (found.home_vertex == NO_WAY_OUT)
    return {
        "override": OVERRIDE,
        "planning_aid": PLANNING_AID,
        "notice": OSM_NOTICE if answer.from_osm else "",
        "made_at": made_at.isoformat(timespec="seconds"),
        "inputs": dict(answer.inputs),
        "homes": {
            "given": answer.balance.homes,
            "with_a_choice_of_ways": answer.balance.with_choice,
            "behind_a_single_exit": answer.balance.behind_exit,
            "depends_on_roads_cut_by_the_edge": answer.balance.depends,
            "no_way_out_by_car": answer.balance.no_way_out,
            "too_far_from_any_street": answer.balance.not_placed,
            "outside_the_area": answer.balance.outside_area,
        },
        "no_way_out_by_car": [clean(homes.identity[i], 80) for i in np.flatnonzero(lost)],
        "too_far_from_any_street": [clean(homes.identity[i], 80) for i in np.flatnonzero(homes.street == NOT_PLACED)],
        "exits": _places(answer, found.exits, change),
        "roads_out": [clean(name, 80) for name in roads_at(answer.streets, found.exits)],
        "go_on_to_somewhere_unknown": {
            "roads": [clean(name, 80) for name in roads_at(answer.streets, answer.maybe)],
            "at": _places(answer, answer.maybe, change),
        },
        "residential_streets_m": round(answer.residential_m, 1),
        "too_few_homes_for_the_streets": answer.few_homes,
        "ranked_by_street_length": [
            {"everyone_must_pass": clean(one.name, 120), "kind": one.kind, "streets_m": round(one.streets_m, 1)}
            | {"homes": one.homes}
            for one in answer.by_length
        ],
        "says": survey_sentences(answer),
        "supposed_for_each_home": {"people": options.people_per_home, "vehicles": options.vehicles_per_home},
        "rules": [
            {"name": rule.name, "title": rule.title, "source": rule.source, "mark": rule.mark, "note": rule.note}
            for rule in answer.rules
        ],
        "groups": [
            {**row, **_group_extra(answer, group)} for row, group in zip(group_rows(answer), answer.groups, strict=True)
        ],
        "links": [_link(link, change) for link in answer.links],
        "with_the_first_link": None
        if answer.after_best is None
        else {
            "homes_behind_a_single_street_before": answer.after_best.behind_exit_before,
            "homes_behind_a_single_street": answer.after_best.behind_exit,
            "largest_group_before": answer.after_best.largest_before,
            "largest_group": answer.after_best.largest,
            "links": [_link(link, change) for link in answer.after_best.links],
        },
        "streets_that_differ_from_the_undirected_bridges": [
            {
                "osm_way_id": int(answer.streets.way_id[item.street]),
                "name": clean(answer.streets.name[item.street]),
                "homes": item.homes,
                "why": item.why,
            }
            for item in answer.differences
        ],
        "undirected_bridges": int(found.bridge.sum()),
        "assumptions": [clean(line) for line in answer.assumptions],
    }


def _places(answer: StreetSurvey, nodes: NDArray[np.int32], change: Transformer) -> list[list[float]]:
    lon, lat = change.transform(answer.streets.x_m[nodes], answer.streets.y_m[nodes])
    return [[round(float(x), 6), round(float(y), 6)] for x, y in zip(lon, lat, strict=True)]


def survey_text(record: Mapping[str, Any]) -> str:
    """Write the record as JSON text.

    Examples
    --------
    >>> survey_text({"override": "x"})
    '{\\n  "override": "x"\\n}\\n'
    """
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def group_rows(answer: StreetSurvey) -> list[dict[str, Any]]:
    """One row for each group, with the columns of `COLUMNS`; None where a thing is not known."""
    facts = answer.facts
    change = Transformer.from_crs(answer.streets.crs, "EPSG:4326", always_xy=True)
    lon, lat = change.transform([group.x_m for group in answer.groups], [group.y_m for group in answer.groups])
    rows = []
    for group, x, y in zip(answer.groups, lon, lat, strict=True):
        row = group.row
        values = (
            group.number,
            group.kind,
            clean(group.name, 120),
            group.homes,
            group.certain,
            group.people,
            group.vehicles,
            group.inside,
            group.notable,
            round(float(facts.shared_m[row]), 1),
            round(float(facts.dead_end_m[row]), 1),
            round(float(facts.streets_m[row]), 1),
            finite_or_none(float(facts.narrowest_m[row])),
            round(float(facts.no_width_m[row]), 1),
            round(float(facts.track_m[row]), 1),
            finite_or_none(100.0 * float(facts.steepest[row]), 1),
            finite_or_none(float(facts.fuel_t_ha[row]), 1),
            float(facts.foot_homes[row]),
            bool(facts.at_edge[row]),
            minutes_up(group.clearance[0].last_out_s) if group.clearance else None,
            minutes_up(group.clearance[-1].last_out_s) if group.clearance else None,
            math.floor(group.shuts_s / 60.0) if math.isfinite(group.shuts_s) else None,
            "; ".join(f"{item.rule.name}: {item.sentence}" for item in group.comparisons),
            round(float(x), 6),
            round(float(y), 6),
        )
        rows.append(dict(zip(COLUMNS, values, strict=True)))
    return rows


def finite_or_none(value: float, digits: int = 2) -> float | None:
    """Rounded, or None for a value that is not known.

    Examples
    --------
    >>> finite_or_none(3.14159), finite_or_none(math.inf)
    (3.14, None)
    """
    return round(value, digits) if math.isfinite(value) else None


def _group_extra(answer: StreetSurvey, group: StreetGroup) -> dict[str, Any]:
    street = int(answer.facts.throat[group.row])
    return {
        "osm_way_id": int(answer.streets.way_id[street]) if street >= 0 else None,
        "clearance": [_cleared(item) for item in group.clearance],
        "longer_than": [
            {
                "rule": item.rule.name,
                "measured": round(item.measured, 3),
                "limit": round(item.limit, 3),
                "says": item.sentence,
                "mark": item.rule.mark,
            }
            for item in group.comparisons
        ],
    }


def _cleared(item: ClearedBy) -> dict[str, Any]:
    return {
        "curve": item.curve.name,
        "half_rolling_min": item.curve.median_s / 60.0,
        "ninety_percent_out_min": minutes_up(item.ninety_out_s),
        "last_out_min": minutes_up(item.last_out_s),
        "most_waiting_vehicles": math.ceil(item.most_waiting_veh),
        "not_out_when_it_shuts": [
            {"told_min": told_s / 60.0, "vehicles": math.ceil(vehicles - 1e-6)} for told_s, vehicles in item.not_out
        ],
    }


def _link(link: Link, change: Transformer) -> dict[str, Any]:
    west, south, east, north = link.line.bounds
    lon, lat = change.transform((west + east) / 2.0, (south + north) / 2.0)
    return {
        "kind": link.kind,
        "why_not_open": list(link.reasons),
        "metres_to_build": math.ceil(link.build_m),
        "metres_to_open": math.ceil(link.open_m),
        "steepest_percent": finite_or_none(100.0 * link.steepest, 1),
        "homes_relieved": link.homes_relieved,
        "homes_with_no_street_left_that_they_must_pass": link.homes_freed,
        "lon_deg": round(float(lon), 6),
        "lat_deg": round(float(lat), 6),
    }


def listed_values(row: Mapping[str, Any]) -> Sequence[Any]:
    """The values of a row in the order of `COLUMNS`, '' where a thing is not known.

    Examples
    --------
    >>> len(listed_values(dict.fromkeys(COLUMNS))) == len(COLUMNS)
    True
    """
    return ["" if row[name] is None else row[name] for name in COLUMNS]
