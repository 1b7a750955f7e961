"""What has to hold between the keys of a plan file: names, orders, hands, places and times.

Works on the document as it was read, before its shape is known to be right, so that these faults are found together
with the faults of shape. Whatever is not of the right kind is passed over here: its shape is at fault and is reported
there.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import PurePath

from leaveby.errors import Fault
from leaveby.household.plan import WAYS, can_do, skill_word
from leaveby.household.plan_places import FARTHEST_KM, Place, home_slip, nearest_km, slips
from leaveby.parameters import NEAREST_SAFE_POINT_KM
from leaveby.regions import REGION_PATTERN, region_faults

NEAREST_KM = NEAREST_SAFE_POINT_KM.value
_BY = {"tow": "with the trailer", "car": "by car", "foot": "on foot"}
_NAMED_TABLES = ("people", "animals", "vehicles", "tasks", "safe_points", "ignitions")
_RASTERS = (".tif", ".tiff", ".vrt", ".img", ".asc", ".nc")
_VECTORS = (".gpkg", ".geojson", ".json", ".shp", ".fgb", ".gml", ".kml")


def place_of(document: Mapping[str, object], loc: Sequence[str | int], *, where: str = "") -> str:
    """Say where a key stands, as the writer of the file would: with the name that the table carries.

    Tables of one kind are counted from 1, in the order of the file.

    Examples
    --------
    >>> place_of({"tasks": [{"name": "hitch"}]}, ("tasks", 0, "hands"), where="home.toml")
    'home.toml: tasks[1] "hitch": hands'
    >>> place_of({}, ("plan", "confidence"))
    '[plan] confidence'
    """
    section, rest = str(loc[0]), list(loc[1:])
    if rest and isinstance(rest[0], int) and section in _NAMED_TABLES:
        number = rest.pop(0)
        text = f"{section}[{int(number) + 1}]"
        tables = document.get(section)
        if isinstance(tables, Sequence) and int(number) < len(tables):
            table = tables[int(number)]
            name = table.get("name") if isinstance(table, Mapping) else None
            text += f' "{name}"' if isinstance(name, str) else " (without a name)"
        if rest:
            text += ": "
    elif section in _NAMED_TABLES:
        text = f"[[{section}]]"
    else:
        text = f"[{section}]" + (" " if rest else "")
    keys = [f"[{key + 1}]" if isinstance(key, int) else f".{key}" for key in rest]
    text += "".join(keys).removeprefix(".")
    return f"{where}: {text}" if where else text


def nearest_word(word: str, known: Iterable[str]) -> str | None:
    """Find the known word that was probably meant, or None.

    Examples
    --------
    >>> nearest_word("confidnce", ["confidence", "members"])
    'confidence'
    """
    by_folded = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def meant(word: object, known: Iterable[str], otherwise: str) -> str:
    """Say how to mend a word: by the known one that was probably meant, or otherwise.

    Examples
    --------
    >>> meant("confidnce", ["confidence", "members"], "take it away")
    'write "confidence" if that was meant'
    """
    near = nearest_word(word, known) if isinstance(word, str) else None
    return f'write "{near}" if that was meant' if near is not None else otherwise


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value.strip() else None


def _texts(value: object) -> list[str]:
    return [item for item in value if isinstance(item, str)] if isinstance(value, list) else []


def _section(document: Mapping[str, object], name: str) -> Mapping[str, object]:
    found = document.get(name)
    return found if isinstance(found, Mapping) else {}


def _tables(document: Mapping[str, object], name: str) -> Iterator[tuple[int, Mapping[str, object]]]:
    found = document.get(name)
    if isinstance(found, list):
        for number, table in enumerate(found):
            if isinstance(table, Mapping):
                yield number, table


@dataclass(frozen=True)
class _At:
    """Makes faults that carry the place of one key."""

    document: Mapping[str, object]
    where: str

    def fault(self, loc: Sequence[str | int], wrong: str, *, expected: str, mend: str) -> Fault:
        return Fault(place_of(self.document, loc, where=self.where), wrong, expected, mend)


def cross_faults(
    document: Mapping[str, object], *, where: str = "", fire_models: Collection[str] | None = None
) -> tuple[Fault, ...]:
    """Find everything that is wrong between the keys of a plan document.

    Examples
    --------
    >>> cross_faults({"people": [{"name": "Bo"}, {"name": "Bo"}], "safe_points": [{"kind": "safe_point"}]})[0].wrong
    'is the name of two people'
    """
    at = _At(document, where)
    return (
        *_places(at),
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
        *_ignitions(at),
        *_region(at),
    )


def _same_names(at: _At) -> Iterator[Fault]:
    words = {
        "people": "people",
        "animals": "groups of animals",
        "vehicles": "vehicles",
        "tasks": "tasks",
        "safe_points": "safe points",
        "ignitions": "ignitions",
    }
    for section, word in words.items():
        seen: set[str] = set()
        for number, table in _tables(at.document, section):
            name = _text(table.get("name"))
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


def _vehicles(at: _At) -> Iterator[Fault]:
    named = [(number, table, _text(table.get("name"))) for number, table in _tables(at.document, "vehicles")]
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
        towed_by = _text(table.get("towed_by"))
        if towed_by is not None and towed_by not in cars:
            yield at.fault(
                ("vehicles", number, "towed_by"),
                f'names "{towed_by}", and there is no car of that name',
                expected="the name of a car under [[vehicles]]" + (f": {_listed(cars)}" if cars else ""),
                mend=meant(towed_by, cars, "name one of the cars" if cars else "add the car under [[vehicles]]"),
            )
    if trailers and "towing" not in at.document:
        yield at.fault(
            ("towing",),
            "is missing, and the plan has a trailer",
            expected="a section [towing] with speed_limit_km_h",
            mend="add the speed in km/h that the household will not exceed with the house on",
        )


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _three_points(at: _At) -> Iterator[Fault]:
    for number, table in _tables(at.document, "tasks"):
        yield from _rising(at, ("tasks", number), table)
    for number, table in _tables(at.document, "people"):
        arrival = table.get("arrives_after_min")
        if isinstance(arrival, Mapping):
            yield from _rising(at, ("people", number, "arrives_after_min"), arrival)


def _rising(at: _At, loc: tuple[str | int, ...], table: Mapping[str, object]) -> Iterator[Fault]:
    shortest, likely, longest = (_number(table.get(f"{key}_min")) for key in ("shortest", "likely", "longest"))
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


def _task_order(at: _At) -> Iterator[Fault]:
    tables = list(_tables(at.document, "tasks"))
    names = [name for _, table in tables if (name := _text(table.get("name"))) is not None]
    before: dict[str, list[str]] = {}
    number_of: dict[str, int] = {}
    for number, table in tables:
        name = _text(table.get("name"))
        for ahead in _texts(table.get("after")):
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


def _task_hands(at: _At) -> Iterator[Fault]:
    tables = list(_tables(at.document, "people"))
    people = [
        (_text(table.get("name")), {skill_word(word) for word in _texts(table.get("can"))}) for _, table in tables
    ]
    # With a list of skills that can't be read, nothing can be said about who is missing.
    if not people or any(_texts(table.get("can")) != table.get("can") for _, table in tables):
        return
    skills = sorted({skill for _, can in people for skill in can})
    for number, table in _tables(at.document, "tasks"):
        if table.get("done_before_season") is True:
            continue
        needs = [skill_word(word) for word in _texts(table.get("needs"))]
        hands = table.get("hands", 1)
        if isinstance(hands, bool) or not isinstance(hands, int) or hands < 1:
            hands = 1
        unknown = [need for need in needs if need not in skills]
        if unknown:
            yield at.fault(
                ("tasks", number, "needs"),
                f"asks for {_listed(unknown)}, which nobody can do",
                expected="words that stand in can of at least one person" + (f": {_listed(skills)}" if skills else ""),
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
            who = f"only {_listed(able)} can" if able else "nobody can"
            yield at.fault(
                ("tasks", number, "hands"),
                f"takes {hands} {'people' if hands > 1 else 'person'} at once who can {' and '.join(needs)}, and {who}",
                expected=f"at most {len(able)}" if able else "someone who can do all of it",
                mend="lower the number, let others learn it, or add the people who would help",
            )


def _task_ways(at: _At) -> Iterator[Fault]:
    if "vehicles" in at.document and not isinstance(at.document["vehicles"], list):
        return
    kinds = [table.get("kind") for _, table in _tables(at.document, "vehicles")]
    for number, table in _tables(at.document, "tasks"):
        named = _texts(table.get("ways"))
        if "tow" in named and "trailer" not in kinds:
            yield at.fault(
                ("tasks", number, "ways"),
                'names "tow", and there is no trailer',
                expected='"tow" only with a vehicle of kind "trailer"',
                mend='add the trailer under [[vehicles]], or take "tow" out of the list',
            )
        if "car" in named and "car" not in kinds:
            yield at.fault(
                ("tasks", number, "ways"),
                'names "car", and there is no car',
                expected='"car" only with a vehicle of kind "car"',
                mend='add the car under [[vehicles]], or take "car" out of the list',
            )


def _ways_without_tasks(at: _At) -> Iterator[Fault]:
    """Refuse a way of leaving that the plan asks for and gives nothing to do: it would read as ready at once."""
    tasks = list(_tables(at.document, "tasks"))
    if any(_texts(table.get("ways")) != table.get("ways") for _, table in tasks):
        return
    left = {way for _, table in tasks if table.get("done_before_season") is not True for way in _texts(table["ways"])}
    ends = [table for _, table in _tables(at.document, "safe_points") if table.get("kind") == "safe_point"]
    asked = {way for table in ends for way in _texts(table.get("ways"))}
    kinds = [table.get("kind") for _, table in _tables(at.document, "vehicles")]
    can = {skill_word(word) for _, table in _tables(at.document, "people") for word in _texts(table.get("can"))}
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


def _safe_points(at: _At) -> Iterator[Fault]:
    tables = list(_tables(at.document, "safe_points"))
    kinds = [table.get("kind") for _, table in tables]
    if tables and all(kind == "place_of_last_resort" for kind in kinds):
        yield at.fault(
            ("safe_points",),
            "holds only places of last resort",
            expected='at least one of kind "safe_point", where leaving ends',
            mend="add a safe point well away from the bush",
        )


_Loc = tuple[str | int, ...]


def _places(at: _At) -> Iterator[Fault]:
    home = _section(at.document, "home")
    places: list[tuple[_Loc, object, object]] = [
        (("safe_points", number), table.get("lon_deg"), table.get("lat_deg"))
        for number, table in _tables(at.document, "safe_points")
    ]
    for number, table in _tables(at.document, "ignitions"):
        listed = table.get("lon_lat_deg")
        for index, pair in enumerate(listed if isinstance(listed, list) else ()):
            if isinstance(pair, list) and len(pair) == 2:
                places.append((("ignitions", number, "lon_lat_deg", index), *pair))
    found = [(loc, place) for loc, lon, lat in places if (place := _on_earth(lon, lat)) is not None]
    at_home = _on_earth(home.get("lon_deg"), home.get("lat_deg"))
    if at_home is None:
        return
    # Each safe point and each fire has one voice, however many points a fire is drawn with.
    voices = list({loc[:2]: place for loc, place in reversed(found)}.values())
    slip = home_slip(at_home, voices)
    if slip is not None:
        yield at.fault(
            ("home", slip.key) if slip.key else ("home",),
            f"puts the home {nearest_km(at_home, voices):.0f} km from the nearest of the safe points and fires",
            expected=f"a home within {FARTHEST_KM:.0f} km of them",
            mend=slip.mend,
        )
        if slip.place is None:
            return
        at_home = slip.place
    last_resorts = {
        ("safe_points", number)
        for number, table in _tables(at.document, "safe_points")
        if table.get("kind") == "place_of_last_resort"
    }
    for loc, place in found:
        away_km = nearest_km(at_home, [place])
        if loc[0] == "safe_points" and loc not in last_resorts and away_km < NEAREST_KM:
            yield at.fault(
                loc,
                f"lies {1000.0 * away_km:.0f} m from home",
                expected=f"a safe point at least {1000.0 * NEAREST_KM:g} m away, beyond the fire that threatens home",
                mend="name a place where the fire agency or council sends people; a shelter near the home is of kind "
                '"place_of_last_resort"',
            )
        if away_km > FARTHEST_KM:
            closer = [
                one.mend for one in slips(*place) if one.place and nearest_km(at_home, [one.place]) <= FARTHEST_KM
            ]
            yield at.fault(
                loc,
                f"lies {away_km:.0f} km from home",
                expected=f"a place within {FARTHEST_KM:.0f} km of home",
                mend=closer[0] if closer else "check the coordinates of both",
            )


def _on_earth(lon: object, lat: object) -> Place | None:
    lon_deg, lat_deg = _number(lon), _number(lat)
    if lon_deg is None or lat_deg is None or abs(lat_deg) > 90 or abs(lon_deg) > 180:
        return None
    return lon_deg, lat_deg


def _members(at: _At) -> Iterator[Fault]:
    plan = _section(at.document, "plan")
    confidence = _number(plan.get("confidence", 0.95))
    members = _number(plan.get("members", 500))
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


def _fuel(at: _At) -> Iterator[Fault]:
    found = at.document.get("fuel")
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
    name = _text(found.get("file"))
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


def _fire(at: _At, fire_models: Collection[str] | None) -> Iterator[Fault]:
    fire = _section(at.document, "fire")
    if "floor_km_h" in fire and "set_km_h" in fire:
        yield at.fault(
            ("fire",),
            "has both floor_km_h and set_km_h",
            expected="one of the two, or neither",
            mend="keep floor_km_h to raise slow results, or set_km_h to set the whole rate of spread by hand",
        )
    if fire_models is None:
        return
    for name in _texts(fire.get("models")):
        if name not in fire_models:
            yield at.fault(
                ("fire", "models"),
                f'names "{name}", and there is no such rate-of-spread equation',
                expected=f"names among {_listed(sorted(fire_models))}",
                mend=meant(name, fire_models, "name one of them"),
            )


def _region(at: _At) -> Iterator[Fault]:
    region = _text(_section(at.document, "roads").get("region"))
    if region is not None and re.fullmatch(REGION_PATTERN, region):
        yield from region_faults(region, place=place_of(at.document, ("roads", "region"), where=at.where))


def _ignitions(at: _At) -> Iterator[Fault]:
    for number, table in _tables(at.document, "ignitions"):
        listed = table.get("lon_lat_deg")
        if not isinstance(listed, list):
            continue
        pairs: list[tuple[float, float]] = []
        for index, pair in enumerate(listed):
            if not isinstance(pair, list) or len(pair) != 2:
                continue
            lon_deg, lat_deg = _number(pair[0]), _number(pair[1])
            if lon_deg is None or lat_deg is None:
                continue
            pairs.append((lon_deg, lat_deg))
            loc = ("ignitions", number, "lon_lat_deg", index)
            if abs(lat_deg) > 90 or abs(lon_deg) > 180:
                swapped = abs(lon_deg) <= 90 and abs(lat_deg) <= 180
                yield at.fault(
                    loc,
                    f"is [{lon_deg:g}, {lat_deg:g}], which is nowhere on earth",
                    expected="[longitude, latitude] with longitude -180 to 180 and latitude -90 to 90",
                    mend="longitude and latitude look exchanged: write longitude first" if swapped else "correct them",
                )
        if len(pairs) != len(listed):
            continue
        if table.get("ring") is True:
            corners = len(dict.fromkeys(pairs))
            if corners < 3:
                yield at.fault(
                    ("ignitions", number, "lon_lat_deg"),
                    f"has {corners} different points, and ring is true",
                    expected="at least 3 different points around a perimeter",
                    mend="add points, or take ring away for a point or a line",
                )
        elif len(pairs) > 1 and len(dict.fromkeys(pairs)) == 1:
            yield at.fault(
                ("ignitions", number, "lon_lat_deg"),
                "gives the same point several times",
                expected="one point, or a line of different points",
                mend="keep one of them",
            )
