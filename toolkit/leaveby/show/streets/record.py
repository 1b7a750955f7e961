"""The answer to the community question as plain data: what stands in `streets.json` and `streets.csv`."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.decision.streets.result import ClearedBy, StreetGroup, StreetSurvey
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.roads.exits.homes import NOT_PLACED
from leaveby.roads.exits.links import Link
from leaveby.roads.exits.places import roads_at
from leaveby.show.record import finite_or_none, laid_out, record_head
from leaveby.show.streets.page import survey_sentences
from leaveby.show.streets.scene import group_rows
from leaveby.show.wording import clean, map_notice, minutes_up


def survey_record(answer: StreetSurvey, *, made_at: datetime) -> dict[str, Any]:
    """Lay out an answer as plain data, fit for JSON; refuses a `made_at` without UTC offset."""
    found, options = answer.found, answer.options
    change = Transformer.from_crs(answer.streets.crs, "EPSG:4326", always_xy=True)
    return {
        **record_head(made_at, notice=map_notice(answer)),
        "inputs": dict(answer.inputs),
        **_homes(answer),
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
        "rules": [laid_out("street rule", rule) for rule in answer.rules],
        "groups": [
            {**row, **_group_extra(answer, group)} for row, group in zip(group_rows(answer), answer.groups, strict=True)
        ],
        "links": [
            {**_link(link, change), "joins": [clean(name, 80) for name in ends]}
            for link, ends in zip(answer.links, answer.link_ends, strict=True)
        ],
        "with_the_first_link": _after_best(answer, change),
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


def _after_best(answer: StreetSurvey, change: Transformer) -> dict[str, Any] | None:
    after = answer.after_best
    if after is None:
        return None
    return laid_out("after links", after, links=[_link(link, change) for link in after.links])


def _homes(answer: StreetSurvey) -> dict[str, Any]:
    """Where every home stands, and by name those that nothing can be said of."""
    homes = answer.homes
    lost = (homes.street != NOT_PLACED) & (answer.found.home_vertex == NO_WAY_OUT)
    far = homes.street == NOT_PLACED
    return {
        "homes": laid_out("homes", answer.balance),
        "no_way_out_by_car": [clean(homes.identity[i], 80) for i in np.flatnonzero(lost)],
        "too_far_from_any_street": [clean(homes.identity[i], 80) for i in np.flatnonzero(far)],
    }


def _places(answer: StreetSurvey, nodes: NDArray[np.int32], change: Transformer) -> list[list[float]]:
    lon, lat = change.transform(answer.streets.x_m[nodes], answer.streets.y_m[nodes])
    return [[round(float(x), 6), round(float(y), 6)] for x, y in zip(lon, lat, strict=True)]


def _group_extra(answer: StreetSurvey, group: StreetGroup) -> dict[str, Any]:
    street = int(answer.facts.throat[group.row])
    return {
        "osm_way_id": int(answer.streets.way_id[street]) if street >= 0 else None,
        "clearance": [_cleared(item) for item in group.clearance],
        "longer_than": [laid_out("comparison", item) for item in group.comparisons],
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
    return laid_out(
        "link",
        link,
        steepest_percent=finite_or_none(100.0 * link.steepest, 1),
        lon_deg=round(float(lon), 6),
        lat_deg=round(float(lat), 6),
    )
