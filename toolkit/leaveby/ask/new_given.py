"""What people write to describe their place, read: a point, a country, ways, names, fuel, a bad day.

What can't be used is refused with the one thing to change. Where it can't be told what is meant, nothing is guessed.
"""

from __future__ import annotations

import math
import re
import zoneinfo
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta, timezone, tzinfo
from functools import cache, partial
from importlib.util import find_spec
from itertools import chain
from pathlib import Path
from typing import Any, Final

from leaveby.errors import Faults, InputError, refused
from leaveby.files.read.guard import named_in
from leaveby.files.read.legends import LEGENDS, fitting_raster
from leaveby.files.read.station import COLUMNS, FORECASTS, OWN, Station, likely, read_sheet
from leaveby.fire.fuel.types import FUEL_TYPES, LAND_COVER, known_fuel_type
from leaveby.household.plan_document import meant, nearest_word
from leaveby.household.plan_places import Place, nearest_km
from leaveby.household.plan_tables import WAYS
from leaveby.parameters import NEW_COARSEST_DEG, NEW_COUNTRY_DOUBT_KM
from leaveby.regions import country_of, measures_of, region_faults, table
from leaveby.units import METRIC, MILES_AND_FEET, Measures

Ask = Callable[[str], str]

NEW: Final = table("ask/new_plan")
_SPLIT: Final = (
    r"([^,;/]+)[,;/]([^,;/]+)",
    r"([^NSEWO]+[NSEWO])([^NSEWO]+[NSEWO])",
    r"([NSEWO][^NSEWO]+)([NSEWO][^NSEWO]+)",
)
_HALF: Final = re.compile(
    r"(?P<ahead>[NSEWO]?) *(?P<deg>[-+]?\d+(?:\.\d*)?)(?: +(?P<min>\d+(?:\.\d*)?))?(?: +(?P<sec>\d+(?:\.\d*)?))?"
    r" *(?P<behind>[NSEWO]?)"
)


@dataclass(frozen=True)
class Wanted:
    """What a new plan is made from.

    - `people`: name, and whether that person takes tasks.
    - `terrain`: rasters side by side; None where the ground is to be taken as flat.
    - `fuel`: as the plan says it: `file` with `column` or `legend`, or `type`.
    - `weather`: a table, or a bad day by hand: temperature (C), humidity (%), wind (km/h), where it comes from (deg).
    - `station`, `station_said`: what is what in a weather station's own export, and what of that was taken.
    - `wind_percent`: how often bad days' wind blows from each of 16 directions; empty where that is not known.
    """

    home: Place
    region: str
    region_guessed: bool
    ways: tuple[str, ...]
    people: tuple[tuple[str, bool], ...]
    roads: Path
    terrain: tuple[Path, ...] | None
    fuel: Mapping[str, str | Path]
    weather: Path | tuple[float, ...]
    safe_points: tuple[tuple[str, Place], ...]
    wind_percent: tuple[float, ...] = ()
    station: Station = OWN
    station_said: tuple[str, ...] = ()


def wanted_from(given: Mapping[str, Any], *, ask: Ask | None) -> Wanted:
    """Read what was given by the names of the options, and ask for what is missing, one by one.

    - `ask`: puts a question and gives the answer; None: every missing option is a fault.

    Raises InputError with everything that is missing or can't be used.
    """
    faults, values = Faults(), dict[str, Any]()

    def take(name: str, read: Callable[[Any], Any], hint: str = "", example: str = "") -> None:
        told, text, option, wrong = NEW["asked"][name], given.get(name), f"--{name.replace('_', '-')}", ""
        question, example = f"{told['question']}{hint}", example or told["example"]
        while name not in values:
            try:
                if text is None and ask is None:
                    raise refused("", "option_missing", question=question, example=example)
                asked = f"{wrong}{question}, for example {example}\n> "
                values[name] = read(text if ask is None or text is not None else ask(asked))
            except InputError as error:
                if text is not None or ask is None:
                    faults.extend(replace(one, place=one.place or option) for one in error.faults)
                    return
                wrong = f"{error}\n"

    take("home", point_of)
    home = values.get("home")
    near = countries_near(home) if home is not None and given.get("region") is None else ()
    if len(near) == 1:
        values["region"] = near[0]
    elif home is not None or given.get("region") is not None:
        names = named_countries(near)
        take("region", region_of, f" (near the point: {names})" if names else "", " or ".join(near[:5]))
    take("ways", ways_of)
    take("people", people_of)
    take("roads", path_of)
    values["terrain"] = None
    if given.get("flat") and given.get("terrain"):
        faults.tell("--flat", "flat_beside_terrain")
    elif not given.get("flat"):
        del values["terrain"]
        take("terrain", paths_of)
    take("fuel", fuel_of)
    fuel: dict[str, str | Path] = values.get("fuel", {})
    for part, endings in NEW["endings"].items():
        if Path(fuel.get("file", "")).suffix.lower() in endings or given.get(f"fuel_{part}"):
            legend = part == "legend" and not given.get("fuel_legend") and "file" in fuel
            fits = fitting_raster(Path(fuel["file"])) if legend else ()
            hint = f"; its codes are all in the known map {' and in '.join(fits)}" if fits else ""
            take(f"fuel_{part}", str.strip if part == "column" else legend_of, hint, fits[0] if len(fits) == 1 else "")
            fuel[part] = values.pop(f"fuel_{part}", "")
    by_hand = given.get("weather") is None or given.get("bad_day") is not None
    # Where the country isn't known, which is a fault of its own, units aren't one too.
    told_so = MILES_AND_FEET if re.search(r"\bF\b|mph", str(given.get("bad_day", ""))) else METRIC
    measures = measures_of(values["region"]) if "region" in values else told_so
    day_example = NEW["asked"]["bad_day"]["example_in_f"] if measures.fahrenheit else ""
    if by_hand:
        take("bad_day", partial(day_of, measures=measures), example=day_example)
    else:
        take("weather", path_of)
    if given.get("safe_point"):
        take("safe_point", lambda texts: tuple(map(safe_point_of, texts)))
    faults.refuse()
    values["weather"] = values.pop("bad_day", values.get("weather"))
    points, winds = values.pop("safe_point", ()), given.get("wind_percent", ())
    wanted = Wanted(**values, region_guessed=len(near) == 1, safe_points=points, wind_percent=winds)
    return _with_station(wanted, given.get("weather_as"))


def _with_station(wanted: Wanted, told: str | None) -> Wanted:
    """Find what is what in a weather table that has not our own names, as far as it was not told."""
    path = wanted.weather
    if not isinstance(path, Path) or path.suffix.lower() in FORECASTS:
        return wanted
    try:
        sheet = read_sheet(path, where=str(path))
    except InputError:
        return wanted  # whoever reads it as our own table says what is wrong
    if sheet.ours and told is None:
        return wanted
    try:
        given = OWN if told is None else station_of(told)
        clock = clock_name(wanted.home, region=wanted.region)
        station, said = likely(sheet, where=str(path), clock=clock, given=given)
    except InputError as error:
        raise InputError(replace(one, place=one.place or "--weather-as") for one in error.faults) from error
    return replace(wanted, station=station, station_said=tuple(f"Of {path.name}, {line} (yours?)." for line in said))


def point_of(text: str, *, where: str = "") -> Place:
    """Read a point as maps and people write it: latitude, longitude; decimal degrees, or degrees, minutes and seconds.

    Gives longitude and latitude. Letters say which is which whatever the order.

    Raises
    ------
    InputError
        Where it can't be told what is meant, with the one thing to change.

    Examples
    --------
    >>> point_of("-36.1291, 148.9424")
    (148.9424, -36.1291)
    >>> point_of("148.9424 E; 36.1291 S")
    (148.9424, -36.1291)
    """
    plain = text.strip()
    for pattern, instead in NEW["point"].items():
        plain = re.sub(pattern, instead, plain, flags=re.IGNORECASE)
    plain = plain.strip(" ,;/").upper()
    commas = re.findall(r"\d,\d", plain)
    if "." not in plain and len(commas) == 2 and re.search(r"\d[^\d,.]*[;/ ]", plain):
        plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    found = next((match.groups() for split in _SPLIT if (match := re.fullmatch(split, plain))), None)
    words = plain.split()
    middle = len(words) // 2
    halves = found or (" ".join(words[:middle]), " ".join(words[middle:]))
    parts = [_HALF.fullmatch(half.strip()) for half in halves]
    if not re.search(r"\d", plain):
        raise refused(where, "point_in_words", text=text)
    if parts[0] is None or parts[1] is None or (not found and len(words) % 2):
        if len(commas) > 1:
            raise refused(where, "decimal_commas", text=text)
        raise refused(where, "no_point", text=text)
    values, fine, sides = zip(*(_degrees(part, text=text, where=where) for part in parts if part), strict=True)
    across = [side in ("E", "W") if side else None for side in sides]
    if across[0] == across[1] if sides[0] and sides[1] else sides[0] or sides[1]:
        raise refused(where, "letters_of_one", text=text, sides=" and ".join(side for side in sides if side))
    lat_deg, lon_deg = values[::-1] if across[0] else values
    if abs(lat_deg) > 90.0 or abs(lon_deg) > 180.0:
        swapped = abs(lon_deg) <= 90.0 and abs(lat_deg) <= 180.0
        mend = f'latitude comes first: write "{lon_deg:.10g}, {lat_deg:.10g}"' if swapped else "correct it"
        raise refused(where, "off_the_earth", text=text, lat_deg=lat_deg, lon_deg=lon_deg, mend=mend)
    if min(fine) > NEW_COARSEST_DEG.value:
        raise refused(where, "point_too_coarse", text=text, off_km=111.0 * min(fine) / 2.0)
    return lon_deg, lat_deg


def safe_point_of(text: str) -> tuple[str, Place]:
    """Read a safe point given by hand, `NAME: LAT, LON`."""
    name, _, point = (part.strip() for part in text.partition(":"))
    if not name or not point:
        raise refused("", "safe_point_without_name", text=text)
    return name, point_of(point, where=f'--safe-point "{name}"')


def _degrees(part: re.Match[str], *, text: str, where: str) -> tuple[float, float, str]:
    """Degrees, how fine they were written, and their letter."""
    side, written = part["ahead"] or part["behind"], [one for one in part.group("deg", "min", "sec") if one]
    if "O" in (part["ahead"], part["behind"]):
        raise refused(where, "letter_o", text=text)
    if side and written[0][0] in "+-":
        raise refused(where, "sign_and_letter", text=text, part=written[0], side=side, plain=written[0][1:])
    if any("." in one for one in written[:-1]) or any(float(one) >= 60.0 for one in written[1:]):
        raise refused(where, "no_such_minutes", text=text)
    size = sum(abs(float(one)) / 60.0**power for power, one in enumerate(written))
    fine = 10.0 ** -len(written[-1].partition(".")[2]) / 60.0 ** (len(written) - 1)
    return (-size if written[0][0] == "-" or side in ("S", "W") else size), fine, side


def _zone_rows(name: str) -> Iterator[list[str]]:
    """Rows of a table that comes with the time zones of the machine, or of the package `tzdata`; none without both."""
    package = find_spec("tzdata")
    inside = [Path(folder) / "zoneinfo" for folder in (package.submodule_search_locations or ())] if package else []
    for folder in (*map(Path, zoneinfo.TZPATH), *inside):
        if (folder / name).is_file():
            lines = (folder / name).read_text(encoding="utf-8").splitlines()
            yield from (line.split("\t") for line in lines if line and not line.startswith("#"))
            return


@cache
def _zones() -> tuple[tuple[str, str, Place], ...]:
    """Country, name and place of the city of every time zone."""

    def degrees(text: str, whole: int) -> float:
        return float(f"{text[0]}1") * (int(text[1 : 1 + whole]) + int(text[1 + whole : 3 + whole]) / 60.0)

    placed = ((row, re.findall(r"[-+]\d+", row[1])) for row in _zone_rows("zone.tab"))
    return tuple((row[0], row[2], (degrees(lon, 3), degrees(lat, 2))) for row, (lat, lon) in placed)


@cache
def country_names() -> Mapping[str, str]:
    """Names of countries by their two letters; empty where the machine has no table of them."""
    return {row[0]: row[1] for row in _zone_rows("iso3166.tab")}


def named_countries(near: Sequence[str]) -> str:
    """The likeliest of some countries by their letters and names."""
    return ", ".join(f"{one} ({country_names()[one]})" for one in near[:5])


def countries_near(home_deg: Place) -> tuple[str, ...]:
    """Countries that a point may lie in, the likeliest first, by the cities of the time zones; empty without them.

    Examples
    --------
    >>> countries_near((148.9424, -36.1291))
    ('AU',)
    """
    far: dict[str, float] = {}
    for country, _, place in _zones():
        far[country] = min(nearest_km(home_deg, [place]), far.get(country, math.inf))
    limit_km = max(3.0 * min(far.values(), default=0.0), NEW_COUNTRY_DOUBT_KM.value)
    near = sorted(far, key=lambda country: far[country])
    return tuple(one for one in near if one == near[0] or far[one] <= limit_km)


def clock_of(home_deg: Place, *, region: str) -> tzinfo:
    """The clock of the country's zone whose city is nearest; by the longitude where none is known."""
    own = [(nearest_km(home_deg, [place]), name) for code, name, place in _zones() if code == country_of(region)]
    return zoneinfo.ZoneInfo(min(own)[1]) if own else timezone(timedelta(hours=round(home_deg[0] / 15.0)))


def clock_name(home_deg: Place, *, region: str) -> str:
    """Name the clock of a place as `[weather] clock` has it.

    Examples
    --------
    >>> clock_name((148.9424, -36.1291), region="AU")
    'Australia/Sydney'
    """
    return str(clock_of(home_deg, region=region)).removeprefix("UTC") or "UTC"


def station_of(text: str) -> Station:
    """Read what is known of a station's export: `time = Date; wind_speed_kn = Wind; clock = +11:00`."""
    pairs = [one.partition("=") for one in text.split(";") if one.strip()]
    told = {name.strip(' "'): held.strip(' "') for name, _, held in pairs}
    for name, held in told.items():
        if not held or name not in (*COLUMNS, "clock", "time_format"):
            mend = meant(name, COLUMNS, "write each as NAME = COLUMN, with semicolons between")
            raise refused("", "no_such_column_of_ours", ours=name, known=", ".join(COLUMNS), mend=mend)
    clock, time_format = told.pop("clock", None), told.pop("time_format", None)
    return Station(tuple(told.items()), clock, time_format)


def region_of(text: str) -> str:
    """Read a country, or country and state, by its letters or its name."""
    named = {name.casefold(): code for code, name in country_names().items()}
    region = named.get(text.strip().casefold(), text.strip().upper())
    Faults(region_faults(region, place="")).refuse()
    return region


def path_of(text: str) -> Path:
    """Read the name of a file that is there."""
    path, wrong = named_in(Path(), text.strip())
    if not wrong:
        return path
    near = nearest_word(path.name, [one.name for one in path.parent.iterdir()] if path.parent.is_dir() else [])
    mend = f'write "{path.parent / near}" if that was meant' if near else "correct the name, or the folder"
    found = "is not there" if wrong.startswith("and") else wrong.removeprefix("which ")
    raise refused("", "no_file_given", path=path, found=found, mend=mend)


def paths_of(texts: str | Sequence[str]) -> tuple[Path, ...]:
    """Read the names of files that are there, and say all that are not."""
    faults = Faults()
    found = [faults.gather(partial(path_of, text)) for text in ([texts] if isinstance(texts, str) else texts)]
    faults.refuse()
    return tuple(one for one in found if one is not None)


def legend_of(text: str) -> str | Path:
    """Read the word for a known map, or the name of a table that is there."""
    return text.strip() if text.strip() in LEGENDS else path_of(text)


def ways_of(text: str) -> tuple[str, ...]:
    """Read ways of leaving, in the order of the plan's own words."""
    words = re.findall(r"[^\s,;/+]+", text.lower())
    for word in words or [""]:
        if word not in WAYS:
            mend = meant(word, WAYS, "take it out, or write one of them instead")
            raise refused("", "way_unknown", word=word, known=", ".join(WAYS), mend=mend)
    return tuple(way for way in WAYS if way in words)


def people_of(text: str) -> tuple[tuple[str, bool], ...]:
    """Read names; a * behind one says that this person takes no task."""
    names = [name.strip() for name in re.split(r"[,;]", text) if name.strip(" *")]
    if all(name.endswith("*") for name in names):
        raise refused("", "nobody_takes_tasks", text=text)
    return tuple((name.rstrip("* "), not name.endswith("*")) for name in names)


def fuel_of(text: str) -> dict[str, str | Path]:
    """Read a file of fuel, or the name of one fuel type for everywhere."""
    known = known_fuel_type(text)
    if known is not None:
        return {"type": known.name}
    if Path(text).suffix.lower() in {*chain(*NEW["endings"].values())} or Path(text).exists():
        return {"file": path_of(text)}
    mend = meant(text, [*FUEL_TYPES, *LAND_COVER], "write one of them, or the name of a file")
    raise refused("", "fuel_unknown", text=text, known=", ".join(FUEL_TYPES), mend=mend)


def day_of(text: str, *, measures: Measures = METRIC) -> tuple[float, ...]:
    """Read a bad day by hand: temperature, humidity, wind, and where it comes from; in C, %, km/h and degrees.

    Where people read degrees Fahrenheit or miles an hour a number has to have its unit, of either kind.

    Examples
    --------
    >>> day_of("38 C, 12 %, 45 km/h, NW")
    (38.0, 12.0, 45.0, 315.0)
    >>> from leaveby.units import MILES_AND_FEET
    >>> day_of("104 F, 12 %, 40 mph from NW", measures=MILES_AND_FEET)
    (40.0, 12.0, 64.37376, 315.0)
    """
    parts = [part.strip() for part in re.split(";" if ";" in text else r",|(?<=mph) from ", text)]
    faults, values = Faults(), []
    if len(parts) != len(NEW["day"]):
        example = NEW["asked"]["bad_day"]["example_in_f" if measures.fahrenheit else "example"]
        raise refused("", "day_of_four", text=text, count=len(parts), example=example)
    for part, told in zip(parts, NEW["day"], strict=True):
        side = re.sub(r"[\s-]|from", "", re.sub(r"(north|south|east|west)", lambda word: word[0][0], part.lower()))
        found = re.fullmatch(r"([-+]?\d+(?:[.,]\d+)?)\s*(\D*)", part)
        value, unit = (float(found[1].replace(",", ".")), found[2].strip().lower()) if found else (math.nan, "")
        if side in told.get("compass", ()):
            value = told["compass"].index(side) * 22.5
        name, span = told["name"], f"{told['least']} to {told['most']} {told['unit']}"
        own = told["own"] if "own" in told and getattr(measures, told["own"]["where"]) else None
        if own is not None and unit in own["units"]:
            factor, shift = told["others"][unit]
            value, unit = round(factor * value + shift, 9), told["units"][1]
        if own is not None:
            span = own["told"]
        if unit in told["others"]:
            factor, shift = told["others"][unit]
            write = f"{math.ceil(factor * value + shift)} {told['unit']}"
            faults.tell("", "day_other_unit", name=name, part=part, span=span, write=write)
        elif (own and not unit) or unit not in told["units"] or not told["least"] <= value <= told["most"]:
            faults.tell("", "day_unreadable", name=name, part=part, span=span)
        values.append(value)
    faults.refuse()
    return tuple(values)
