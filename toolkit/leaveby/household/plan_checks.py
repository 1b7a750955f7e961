"""What has to hold between the keys of a plan file: names, orders, hands, places and times.

Works on the document as it was read, before its shape is known to be right, so that these faults are found together
with the faults of shape. Whatever is not of the right kind is passed over here: its shape is at fault and is reported
there. What is said of each fault stands in `plan_faults.toml`.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import PurePath

from leaveby.errors import Fault
from leaveby.household import plan_places
from leaveby.household.plan import can_do
from leaveby.household.plan_document import (
    NAMED_TABLES,
    Document,
    listed,
    meant,
    number_in,
    place_of,
    text_in,
    texts_in,
)
from leaveby.household.plan_tables import WAYS, skill_word
from leaveby.regions import REGION_PATTERN, rating_scale, region_faults

_BY = {"tow": "with the trailer", "car": "by car", "foot": "on foot"}
_RASTERS = (".tif", ".tiff", ".img", ".asc", ".nc")
_BY_HAND = ("wind_km_h", "temperature_c", "humidity_percent")
_WINDS = 16
_WIND_SUM_WITHIN = 0.5
_VECTORS = (".gpkg", ".geojson", ".json", ".shp", ".fgb", ".gml", ".kml")


def cross_faults(
    document: Mapping[str, object], *, where: str = "", fire_models: Collection[str] | None = None
) -> tuple[Fault, ...]:
    """Find everything that is wrong between the keys of a plan document."""
    at = Document(document, where)
    return (
        *plan_places.place_faults(at),
        *_same_names(at),
        *_vehicles(at),
        *_three_points(at),
        *_task_order(at),
        *_task_hands(at),
        *_task_ways(at),
        *_ways_without_tasks(at),
        *_safe_points(at),
        *_official_sources(at),
        *_members(at),
        *_neighbours(at),
        *_terrain(at),
        *_fuel(at, "fuel"),
        *_fire(at, fire_models),
        *plan_places.ignition_faults(at),
        *_region(at),
        *_ratings(at),
        *_rules(at),
    )


def _same_names(at: Document) -> Iterator[Fault]:
    for section in NAMED_TABLES:
        word = "groups of animals" if section == "animals" else section.replace("_", " ")
        seen: set[str] = set()
        for number, table in at.tables(section):
            name = text_in(table.get("name"))
            if name in seen:
                yield at.fault((section, number, "name"), "name_twice", word=word)
            if name is not None:
                seen.add(name)


def _vehicles(at: Document) -> Iterator[Fault]:
    tables = list(at.tables("vehicles"))
    cars = [name for _, table in tables if table.get("kind") == "car" and (name := text_in(table.get("name")))]
    known = f": {listed(cars)}" if cars else ""
    trailers = 0
    for number, table in tables:
        loc = ("vehicles", number, "towed_by")
        if table.get("kind") == "car" and "towed_by" in table:
            yield at.fault(loc, "towed_by_of_a_car")
        if table.get("kind") != "trailer":
            continue
        trailers += 1
        if trailers == 2:
            yield at.fault(loc[:2], "second_trailer")
        for key, why in (("seats", "; nobody rides in the trailer"), ("power_kw", "")):
            if key in table:
                yield at.fault((*loc[:2], key), "of_cars_only", key=key, why=why)
        if "towed_by" not in table:
            mend = f'add towed_by = "{cars[0]}"' if cars else "add a car under [[vehicles]] and name it in towed_by"
            yield at.fault(loc, "towed_by_nothing", mend=mend)
        name = text_in(table.get("towed_by"))
        if name is not None and name not in cars:
            mend = meant(name, cars, "name one of the cars" if cars else "add the car under [[vehicles]]")
            yield at.fault(loc, "towed_by_unknown", name=name, known=known, mend=mend)
    if trailers and "towing" not in at.content:
        yield at.fault(("towing",), "no_towing")


def _three_points(at: Document) -> Iterator[Fault]:
    for number, table in at.tables("tasks"):
        yield from _rising(at, ("tasks", number), table)
    for number, table in at.tables("people"):
        arrival = table.get("arrives_after_min")
        if isinstance(arrival, Mapping):
            yield from _rising(at, ("people", number, "arrives_after_min"), arrival)
    learns = at.section("rules").get("learns_after_min")
    if isinstance(learns, Mapping):
        yield from _rising(at, ("rules", "learns_after_min"), learns)


def _rising(at: Document, loc: tuple[str | int, ...], table: Mapping[str, object]) -> Iterator[Fault]:
    shortest, likely, longest = (number_in(table.get(f"{key}_min")) for key in ("shortest", "likely", "longest"))
    if shortest is not None and longest is not None and shortest > longest:
        yield at.fault((*loc, "shortest_min"), "shortest_above_longest", shortest=shortest, longest=longest)
    elif likely is not None and (
        (shortest is not None and likely < shortest) or (longest is not None and likely > longest)
    ):
        low, high = ("?" if one is None else f"{one:g}" for one in (shortest, longest))
        yield at.fault((*loc, "likely_min"), "likely_outside", likely=likely, low=low, high=high)


def _task_order(at: Document) -> Iterator[Fault]:
    tables = list(at.tables("tasks"))
    names = [name for _, table in tables if (name := text_in(table.get("name"))) is not None]
    before: dict[str, list[str]] = {}
    number_of: dict[str, int] = {}
    for number, table in tables:
        name = text_in(table.get("name"))
        for ahead in texts_in(table.get("after")):
            if ahead not in names:
                mend = meant(ahead, names, "correct the name, or add the task under [[tasks]]")
                yield at.fault(("tasks", number, "after"), "after_unknown", ahead=ahead, mend=mend)
            elif ahead == name:
                yield at.fault(("tasks", number, "after"), "after_itself")
            elif name is not None:
                before.setdefault(name, []).append(ahead)
        if name is not None:
            number_of.setdefault(name, number)
    while True:
        try:
            TopologicalSorter(before).prepare()
        except CycleError as error:
            # graphlib gives the ring with its first task repeated at the end, each before the next.
            ring: list[str] = list(error.args[1])
            last = min(ring[1:], key=lambda name: number_of[name])
            turn = ring.index(last) if last in ring[:-1] else 0
            ring = [*ring[turn:-1], *ring[: turn + 1]]
            said = " before ".join(f'"{name}"' for name in ring)
            yield at.fault(("tasks", number_of[last], "after"), "ring_of_tasks", ring=said)
            before[ring[1]].remove(ring[0])
        else:
            return


def _task_hands(at: Document) -> Iterator[Fault]:
    tables = list(at.tables("people"))
    people = [(text_in(table.get("name")), set(_skills(table, "can"))) for _, table in tables]
    # With a list of skills that can't be read, nothing can be said about who is missing.
    if not people or any(texts_in(table.get("can")) != table.get("can") for _, table in tables):
        return
    skills = sorted({skill for _, can in people for skill in can})
    for number, table in at.tables("tasks"):
        if table.get("done_before_season") is True:
            continue
        needs, hands, loc = _skills(table, "needs"), table.get("hands", 1), ("tasks", number, "hands")
        if isinstance(hands, bool) or not isinstance(hands, int) or hands < 1:
            hands = 1
        unknown = [need for need in needs if need not in skills]
        if unknown:
            mend = meant(unknown[0], skills, "add the word to can of those who can do it, or take it out of needs")
            known = f": {listed(skills)}" if skills else ""
            yield at.fault((*loc[:2], "needs"), "needs_unknown", unknown=listed(unknown), known=known, mend=mend)
            continue
        able = [name or "someone" for name, can in people if can_do(can, needs)]
        if len(able) >= hands:
            continue
        if not needs:
            most = f"at most {len(able)}" if able else "someone who can do tasks"
            yield at.fault(loc, "too_few_hands", hands=hands, able=len(able), most=most)
        else:
            most = f"at most {len(able)}" if able else "someone who can do all of it"
            who = f"only {listed(able)} can" if able else "nobody can"
            word = "people" if hands > 1 else "person"
            yield at.fault(loc, "too_few_able", hands=hands, people=word, needs=" and ".join(needs), who=who, most=most)


def _skills(table: Mapping[str, object], key: str) -> list[str]:
    return [skill_word(word) for word in texts_in(table.get(key))]


def _task_ways(at: Document) -> Iterator[Fault]:
    if "vehicles" in at.content and not isinstance(at.content["vehicles"], list):
        return
    kinds = [table.get("kind") for _, table in at.tables("vehicles")]
    for number, table in at.tables("tasks"):
        for way, kind in (("tow", "trailer"), ("car", "car")):
            if way in texts_in(table.get("ways")) and kind not in kinds:
                yield at.fault(("tasks", number, "ways"), "way_without_vehicle", way=way, kind=kind)


def _ways_without_tasks(at: Document) -> Iterator[Fault]:
    """Refuse a way of leaving that the plan asks for and gives nothing to do: it would read as ready at once."""
    tasks = list(at.tables("tasks"))
    if any(texts_in(table.get("ways")) != table.get("ways") for _, table in tasks):
        return
    left = {way for _, table in tasks if table.get("done_before_season") is not True for way in texts_in(table["ways"])}
    ends = [table for _, table in at.tables("safe_points") if table.get("kind") == "safe_point"]
    asked = {way for table in ends for way in texts_in(table.get("ways"))}
    kinds = [table.get("kind") for _, table in at.tables("vehicles")]
    can = {skill for _, table in at.tables("people") for skill in _skills(table, "can")}
    possible = {"tow": "trailer" in kinds and "tow" in can, "car": "car" in kinds and "drive" in can, "foot": True}
    for way in WAYS:
        if way in asked and possible[way] and way not in left:
            yield at.fault(("tasks",), "way_without_tasks", by=_BY[way], way=way)


def _safe_points(at: Document) -> Iterator[Fault]:
    kinds = {table.get("kind") == "place_of_last_resort" for _, table in at.tables("safe_points")}
    if kinds == {True}:
        yield at.fault(("safe_points",), "last_resorts_only")


def _official_sources(at: Document) -> Iterator[Fault]:
    for number, table in at.tables("official_sources"):
        if not {"radio", "number", "site"} & table.keys():
            yield at.fault(("official_sources", number), "source_without_means")


def _members(at: Document) -> Iterator[Fault]:
    plan = at.section("plan")
    confidence = number_in(plan.get("confidence", 0.95))
    members = number_in(plan.get("members", 500))
    if confidence is None or members is None or not 0.5 <= confidence < 1 or members < 1:
        return
    least = math.ceil(round(1 / (1 - confidence), 6))
    if members < least:
        yield at.fault(("plan", "members"), "too_few_members", members=members, confidence=confidence, least=least)


def _neighbours(at: Document) -> Iterator[Fault]:
    found = at.section("neighbours")
    if "neighbours" in at.content and ("homes" in found) == ("file" in found):
        yield at.fault(("neighbours",), "neighbours_twice" if "file" in found else "neighbours_uncounted")
    if "told_after_fire_min" in found:
        told = ("neighbours", "told_after_fire_min")
        if found.get("set_out", "at once") in ("at once", "gone before"):
            yield at.fault(told, "not_over_time")
        if not at.content.get("ignitions"):
            yield at.fault(told, "told_after_no_fire")


def _terrain(at: Document) -> Iterator[Fault]:
    found = at.content.get("terrain")
    if isinstance(found, Mapping) and ("file" in found) == (found.get("flat") is True):
        yield at.fault(("terrain",), "terrain_twice" if "file" in found else "no_terrain")


def _fuel(at: Document, section: str, of: str = "") -> Iterator[Fault]:
    """Find what is wrong between the keys that name the fuel; in `[rules]` each begins with `fuel_`."""
    found = at.content.get(section)
    if not isinstance(found, Mapping):
        return
    file, kind, legend, column = (f"{of}{key}" for key in ("file", "type", "legend", "column"))
    if (file in found) == (kind in found):
        yield at.fault((section,), "fuel_twice" if file in found else "no_fuel", of=of)
    if kind in found and file not in found:
        for key in (legend, column):
            if key in found:
                yield at.fault((section, key), "beside_one_type", key=key, of=of)
    name = text_in(found.get(file)) or ""
    suffix = PurePath(name).suffix.lower()
    if suffix in _RASTERS and legend not in found:
        yield at.fault((section, legend), "no_legend", name=name, of=of)
    if suffix in _RASTERS and column in found:
        yield at.fault((section, column), "column_of_a_raster", name=name, of=of)
    if suffix in _VECTORS and column not in found:
        yield at.fault((section, column), "no_column", name=name, of=of)


def _fire(at: Document, fire_models: Collection[str] | None) -> Iterator[Fault]:
    fire = at.section("fire")
    if "floor_km_h" in fire and "set_km_h" in fire:
        yield at.fault(("fire",), "floor_and_set")
    for name in texts_in(fire.get("models")):
        if fire_models is not None and name not in fire_models:
            mend, known = meant(name, fire_models, "name one of them"), listed(sorted(fire_models))
            yield at.fault(("fire", "models"), "model_unknown", name=name, known=known, mend=mend)


def _region(at: Document) -> Iterator[Fault]:
    region = text_in(at.section("roads").get("region"))
    if region is not None and re.fullmatch(REGION_PATTERN, region):
        yield from region_faults(region, place=place_of(at.content, ("roads", "region"), where=at.where))


def _ratings(at: Document) -> Iterator[Fault]:
    """Find ratings without a day, with half of one or with two, where the scale gives them none."""
    region = text_in(at.section("roads").get("region")) or "AU"
    own = (text_in(at.section("danger").get("scale")) or rating_scale(region)) == "own"
    for number, table in at.tables("ratings"):
        by_hand = [key for key in _BY_HAND if key in table]
        missing = [key for key in _BY_HAND if key not in table]
        if by_hand and missing:
            yield at.fault(
                ("ratings", number, by_hand[0]), "half_by_hand", given=listed(by_hand), missing=listed(missing)
            )
        if by_hand and "weather_file" in table:
            yield at.fault(("ratings", number, "weather_file"), "day_twice", given=listed(by_hand))
        if own and not by_hand and "weather_file" not in table:
            yield at.fault(("ratings", number), "no_day")
        if own and "stands_for" in table:
            yield at.fault(("ratings", number, "stands_for"), "stands_for_nothing")


def _rules(at: Document) -> Iterator[Fault]:
    rules = at.section("rules")
    winds = rules.get("wind_percent")
    if isinstance(winds, list):
        shares = [share for one in winds if (share := number_in(one)) is not None]
        if len(winds) != _WINDS:
            yield at.fault(("rules", "wind_percent"), "not_16_winds", count=len(winds))
        elif len(shares) == _WINDS and abs(sum(shares) - 100.0) > _WIND_SUM_WITHIN:
            yield at.fault(("rules", "wind_percent"), "winds_do_not_sum", total=sum(shares))
    hours = rules.get("hours")
    twice = (
        [f"{hour}" for hour, count in Counter(map(str, hours)).items() if count > 1] if isinstance(hours, list) else []
    )
    if twice:
        yield at.fault(("rules", "hours"), "hour_twice", hours=", ".join(twice))
    fuel = [key for key in rules if key.startswith("fuel_")]
    if fuel:
        yield from _fuel(at, "rules", "fuel_")
    if fuel and "terrain_file" not in rules and at.section("terrain").get("flat") is not True:
        yield at.fault(("rules", "terrain_file"), "ground_without_terrain", given=listed(fuel))
    if "terrain_file" in rules and not fuel:
        yield at.fault(("rules", "fuel_file"), "ground_without_fuel")
    if "cell_m" in rules and "terrain_file" not in rules and not fuel:
        yield at.fault(("rules", "cell_m"), "cell_of_no_ground")
