"""What has to hold between the keys of a plan file: names, orders, hands, places and times.

Works on the document as it was read, before its shape is known to be right, so that these faults are found together
with the faults of shape. Whatever is not of the right kind is passed over here: its shape is at fault and is reported
there.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import PurePath

from leaveby.errors import Fault
from leaveby.household import plan_places
from leaveby.household.plan import WAYS, can_do, skill_word
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
from leaveby.regions import REGION_PATTERN, region_faults

_BY = {"tow": "with the trailer", "car": "by car", "foot": "on foot"}
_RASTERS = (".tif", ".tiff", ".vrt", ".img", ".asc", ".nc")
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
        *_members(at),
        *_fuel(at),
        *_fire(at, fire_models),
        *plan_places.ignition_faults(at),
        *_region(at),
    )


def _same_names(at: Document) -> Iterator[Fault]:
    words = {"animals": "groups of animals"}
    for section in NAMED_TABLES:
        word = words.get(section, section.replace("_", " "))
        seen: set[str] = set()
        for number, table in at.tables(section):
            name = text_in(table.get("name"))
            if name is None:
                continue
            if name in seen:
                yield at.fault(
                    (section, number, "name"),
                    f"is the name of two {word}",
                    expected="a name that stands once",
                    mend="give one of them another name",
                )
            seen.add(name)


def _vehicles(at: Document) -> Iterator[Fault]:
    named = [(number, table, text_in(table.get("name"))) for number, table in at.tables("vehicles")]
    cars = [name for _, table, name in named if table.get("kind") == "car" and name is not None]
    trailers = 0
    for number, table, _ in named:
        if table.get("kind") == "car":
            if "towed_by" in table:
                yield at.fault(
                    ("vehicles", number, "towed_by"),
                    "stands at a car",
                    expected='towed_by at a vehicle of kind "trailer" only',
                    mend='take the key away, or write kind = "trailer"',
                )
            continue
        if table.get("kind") != "trailer":
            continue
        trailers += 1
        if trailers == 2:
            yield at.fault(
                ("vehicles", number),
                "is a second trailer",
                expected="at most one trailer, the one that would be towed away",
                mend="keep the trailer that would be taken and make a second plan for the other",
            )
        for key in ("seats", "power_kw"):
            if key in table:
                yield at.fault(
                    ("vehicles", number, key),
                    "stands at a trailer",
                    expected=f"{key} at a car only",
                    mend="take the key away; nobody rides in the trailer" if key == "seats" else "take the key away",
                )
        if "towed_by" not in table:
            yield at.fault(
                ("vehicles", number, "towed_by"),
                "is missing",
                expected="the name of the car that tows the trailer",
                mend=f'add towed_by = "{cars[0]}"' if cars else "add a car under [[vehicles]] and name it in towed_by",
            )
        towed_by = text_in(table.get("towed_by"))
        if towed_by is not None and towed_by not in cars:
            yield at.fault(
                ("vehicles", number, "towed_by"),
                f'names "{towed_by}", and there is no car of that name',
                expected="the name of a car under [[vehicles]]" + (f": {listed(cars)}" if cars else ""),
                mend=meant(towed_by, cars, "name one of the cars" if cars else "add the car under [[vehicles]]"),
            )
    if trailers and "towing" not in at.content:
        yield at.fault(
            ("towing",),
            "is missing, and the plan has a trailer",
            expected="a section [towing] with speed_limit_km_h",
            mend="add the speed in km/h that the household will not exceed with the house on",
        )


def _three_points(at: Document) -> Iterator[Fault]:
    for number, table in at.tables("tasks"):
        yield from _rising(at, ("tasks", number), table)
    for number, table in at.tables("people"):
        arrival = table.get("arrives_after_min")
        if isinstance(arrival, Mapping):
            yield from _rising(at, ("people", number, "arrives_after_min"), arrival)


def _rising(at: Document, loc: tuple[str | int, ...], table: Mapping[str, object]) -> Iterator[Fault]:
    shortest, likely, longest = (number_in(table.get(f"{key}_min")) for key in ("shortest", "likely", "longest"))
    if shortest is not None and longest is not None and shortest > longest:
        yield at.fault(
            (*loc, "shortest_min"),
            f"is {shortest:g}, more than longest_min, {longest:g}",
            expected="shortest_min <= likely_min <= longest_min",
            mend="exchange the two, or correct the one that is wrong",
        )
    elif likely is not None and (
        (shortest is not None and likely < shortest) or (longest is not None and likely > longest)
    ):
        low = "?" if shortest is None else f"{shortest:g}"
        high = "?" if longest is None else f"{longest:g}"
        yield at.fault(
            (*loc, "likely_min"),
            f"is {likely:g}, outside shortest_min to longest_min, {low} to {high}",
            expected="shortest_min <= likely_min <= longest_min",
            mend="correct the one of the three that is wrong; if in doubt take the longer time",
        )


def _task_order(at: Document) -> Iterator[Fault]:
    tables = list(at.tables("tasks"))
    names = [name for _, table in tables if (name := text_in(table.get("name"))) is not None]
    before: dict[str, list[str]] = {}
    number_of: dict[str, int] = {}
    for number, table in tables:
        name = text_in(table.get("name"))
        for ahead in texts_in(table.get("after")):
            if ahead not in names:
                yield at.fault(
                    ("tasks", number, "after"),
                    f'names "{ahead}", and there is no task of that name',
                    expected="names of other tasks",
                    mend=meant(ahead, names, "correct the name, or add the task under [[tasks]]"),
                )
            elif ahead == name:
                yield at.fault(
                    ("tasks", number, "after"),
                    "names the task itself",
                    expected="names of other tasks",
                    mend="take it out of the list",
                )
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
            yield at.fault(
                ("tasks", number_of[last], "after"),
                "the tasks wait for each other in a ring: " + " before ".join(f'"{name}"' for name in ring),
                expected="an order in which every task can be reached",
                mend="take one of these names out of one of the after lists",
            )
            before[ring[1]].remove(ring[0])
        else:
            return


def _task_hands(at: Document) -> Iterator[Fault]:
    tables = list(at.tables("people"))
    people = [
        (text_in(table.get("name")), {skill_word(word) for word in texts_in(table.get("can"))}) for _, table in tables
    ]
    # With a list of skills that can't be read, nothing can be said about who is missing.
    if not people or any(texts_in(table.get("can")) != table.get("can") for _, table in tables):
        return
    skills = sorted({skill for _, can in people for skill in can})
    for number, table in at.tables("tasks"):
        if table.get("done_before_season") is True:
            continue
        needs = [skill_word(word) for word in texts_in(table.get("needs"))]
        hands = table.get("hands", 1)
        if isinstance(hands, bool) or not isinstance(hands, int) or hands < 1:
            hands = 1
        unknown = [need for need in needs if need not in skills]
        if unknown:
            yield at.fault(
                ("tasks", number, "needs"),
                f"asks for {listed(unknown)}, which nobody can do",
                expected="words that stand in can of at least one person" + (f": {listed(skills)}" if skills else ""),
                mend=meant(unknown[0], skills, "add the word to can of those who can do it, or take it out of needs"),
            )
            continue
        able = [name or "someone" for name, can in people if can_do(can, needs)]
        if len(able) >= hands:
            continue
        if not needs:
            yield at.fault(
                ("tasks", number, "hands"),
                f"takes {hands} at once, and {len(able)} of the household can do tasks",
                expected=f"at most {len(able)}" if able else "someone who can do tasks",
                mend="lower the number, add the people who would help, or say in can what those at home can do",
            )
        else:
            who = f"only {listed(able)} can" if able else "nobody can"
            yield at.fault(
                ("tasks", number, "hands"),
                f"takes {hands} {'people' if hands > 1 else 'person'} at once who can {' and '.join(needs)}, and {who}",
                expected=f"at most {len(able)}" if able else "someone who can do all of it",
                mend="lower the number, let others learn it, or add the people who would help",
            )


def _task_ways(at: Document) -> Iterator[Fault]:
    if "vehicles" in at.content and not isinstance(at.content["vehicles"], list):
        return
    kinds = [table.get("kind") for _, table in at.tables("vehicles")]
    for number, table in at.tables("tasks"):
        named = texts_in(table.get("ways"))
        for way, kind in (("tow", "trailer"), ("car", "car")):
            if way in named and kind not in kinds:
                yield at.fault(
                    ("tasks", number, "ways"),
                    f'names "{way}", and there is no {kind}',
                    expected=f'"{way}" only with a vehicle of kind "{kind}"',
                    mend=f'add the {kind} under [[vehicles]], or take "{way}" out of the list',
                )


def _ways_without_tasks(at: Document) -> Iterator[Fault]:
    """Refuse a way of leaving that the plan asks for and gives nothing to do: it would read as ready at once."""
    tasks = list(at.tables("tasks"))
    if any(texts_in(table.get("ways")) != table.get("ways") for _, table in tasks):
        return
    left = {way for _, table in tasks if table.get("done_before_season") is not True for way in texts_in(table["ways"])}
    ends = [table for _, table in at.tables("safe_points") if table.get("kind") == "safe_point"]
    asked = {way for table in ends for way in texts_in(table.get("ways"))}
    kinds = [table.get("kind") for _, table in at.tables("vehicles")]
    can = {skill_word(word) for _, table in at.tables("people") for word in texts_in(table.get("can"))}
    possible = {"tow": "trailer" in kinds and "tow" in can, "car": "car" in kinds and "drive" in can, "foot": True}
    for way in WAYS:
        if way in asked and possible[way] and way not in left:
            yield at.fault(
                ("tasks",),
                f"hold nothing that is left to do before leaving {_BY[way]}, as if everyone were ready at once",
                expected=f'at least one task with "{way}" in ways, and not done before the season',
                mend="add what has to be done, if only getting everyone and the animals out of the house; "
                f'or take "{way}" out of ways of the safe points',
            )


def _safe_points(at: Document) -> Iterator[Fault]:
    tables = list(at.tables("safe_points"))
    kinds = [table.get("kind") for _, table in tables]
    if tables and all(kind == "place_of_last_resort" for kind in kinds):
        yield at.fault(
            ("safe_points",),
            "holds only places of last resort",
            expected='at least one of kind "safe_point", where leaving ends',
            mend="add a safe point well away from the bush",
        )


def _members(at: Document) -> Iterator[Fault]:
    plan = at.section("plan")
    confidence = number_in(plan.get("confidence", 0.95))
    members = number_in(plan.get("members", 500))
    if confidence is None or members is None or not 0.5 <= confidence < 1 or members < 1:
        return
    least = math.ceil(round(1 / (1 - confidence), 6))
    if members < least:
        yield at.fault(
            ("plan", "members"),
            f"is {members:g}, too few to tell a share of {confidence:g}",
            expected=f"at least {least}, better 500 or more",
            mend="raise members or lower confidence",
        )


def _fuel(at: Document) -> Iterator[Fault]:
    found = at.content.get("fuel")
    if not isinstance(found, Mapping):
        return
    both = [key for key in ("file", "type") if key in found]
    if len(both) != 1:
        yield at.fault(
            ("fuel",),
            "has both file and type" if both else "has neither file nor type",
            expected="file with legend (raster), file with column (polygons), or type alone",
            mend="keep one of the two" if both else 'add file = "..." or type = "..."',
        )
    if "type" in found and "file" not in found:
        for key in ("legend", "column"):
            if key in found:
                yield at.fault(
                    ("fuel", key),
                    "stands beside type, which is for everywhere",
                    expected=f"{key} only beside file",
                    mend="take the key away, or name the file",
                )
    name = text_in(found.get("file"))
    if name is None:
        return
    suffix = PurePath(name).suffix.lower()
    if suffix in _RASTERS and "legend" not in found:
        yield at.fault(
            ("fuel", "legend"),
            f'is missing, and "{name}" is a raster',
            expected="a table that says which fuel type each value is",
            mend='add legend = "..." with the columns value,fuel_type',
        )
    if suffix in _RASTERS and "column" in found:
        yield at.fault(
            ("fuel", "column"),
            f'stands beside "{name}", a raster',
            expected="column only beside polygons",
            mend="take the key away",
        )
    if suffix in _VECTORS and "column" not in found:
        yield at.fault(
            ("fuel", "column"),
            f'is missing, and "{name}" holds polygons',
            expected="the column that holds the fuel or land cover",
            mend='add column = "..."',
        )


def _fire(at: Document, fire_models: Collection[str] | None) -> Iterator[Fault]:
    fire = at.section("fire")
    if "floor_km_h" in fire and "set_km_h" in fire:
        yield at.fault(
            ("fire",),
            "has both floor_km_h and set_km_h",
            expected="one of the two, or neither",
            mend="keep floor_km_h to raise slow results, or set_km_h to set the whole rate of spread by hand",
        )
    if fire_models is None:
        return
    for name in texts_in(fire.get("models")):
        if name not in fire_models:
            yield at.fault(
                ("fire", "models"),
                f'names "{name}", and there is no such rate-of-spread equation',
                expected=f"names among {listed(sorted(fire_models))}",
                mend=meant(name, fire_models, "name one of them"),
            )


def _region(at: Document) -> Iterator[Fault]:
    region = text_in(at.section("roads").get("region"))
    if region is not None and re.fullmatch(REGION_PATTERN, region):
        yield from region_faults(region, place=place_of(at.content, ("roads", "region"), where=at.where))
