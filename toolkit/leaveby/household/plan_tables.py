"""The nouns that the sections and tables of the plan file fill, in SI units, each with the keys that it declares.

How a key is declared is said in `leaveby.household.plan_keys`; `leaveby.household.plan` puts the nouns together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag

from leaveby.household.plan_keys import (
    File,
    FireSpeed,
    Flag,
    Latitude,
    Listed,
    Longitude,
    Minutes,
    MinutesAboveZero,
    Moment,
    Name,
    Point,
    Read,
    Skill,
    Table,
    each_once,
    key,
    number,
    text,
)
from leaveby.parameters import LEARNS_LIKELY_S, LEARNS_LONGEST_S, LEARNS_SHORTEST_S, RULES_RADIUS_M
from leaveby.regions import REGION_PATTERN
from leaveby.units import METRES_PER_KM, m_s_from_km_h

Way = Literal["tow", "car", "foot"]
TaskWay = Literal["tow", "car", "foot", "shelter"]
Scale = Literal["australia", "europe", "own"]

WAYS: Final[tuple[Way, ...]] = ("tow", "car", "foot")
"""Ways of leaving, the slowest to make ready first."""

TASK_WAYS: Final[tuple[TaskWay, ...]] = ("tow", "car", "foot", "shelter")
"""What a task can be for: the ways of leaving, and closing the house as the last resort."""

NUMBER: Final = "(a number)"
THREE_POINTS: Final = "(three points)"
"""Marks of the two forms of an uncertain time; they stand in the place of a fault of shape and are no keys."""


def _time_form(value: object) -> str:
    return THREE_POINTS if isinstance(value, dict) else NUMBER


def skill_word(text: str) -> str:
    """Give the one form of a word for what someone can do: capitals and spaces make no other word of it.

    Examples
    --------
    >>> skill_word(" Lift "), skill_word("back  a trailer")
    ('lift', 'back a trailer')
    """
    return " ".join(text.split()).casefold()


def _skills(words: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(skill_word(word) for word in words))


@dataclass(frozen=True)
class Person:
    """Someone who has to get out.

    - `can`: someone who can do nothing takes no task: a child's hands are not counted.
    - `arrives_after_s`: seconds from the start of getting ready until this person is home, 0 or more; the likely time
      where it is not certain. Nobody leaves before everyone has arrived.
    - `arrives_soonest_s`, `arrives_latest_s`: the other two of a three-point arrival; None: as `arrives_after_s`.

    Examples
    --------
    >>> Person("Ines", can=("lift", "drive")).arrives_after_s
    0.0
    >>> fetching = Person("Bo", ("lift",), arrives_after_s=1800.0, arrives_latest_s=5400.0)
    >>> fetching.arrival_points_s, fetching.arrival_is_uncertain
    ((1800.0, 1800.0, 5400.0), True)
    """

    name: str
    can: tuple[str, ...] = ()
    arrives_after_s: float = 0.0
    arrives_soonest_s: float | None = None
    arrives_latest_s: float | None = None

    @property
    def arrival_points_s(self) -> tuple[float, float, float]:
        """Soonest, likely and latest arrival in seconds."""
        likely_s = self.arrives_after_s
        soonest_s, latest_s = self.arrives_soonest_s, self.arrives_latest_s
        return (likely_s if soonest_s is None else soonest_s, likely_s, likely_s if latest_s is None else latest_s)

    @property
    def arrival_is_uncertain(self) -> bool:
        """Whether the arrival has a spread, so that every member has its own."""
        soonest_s, _, latest_s = self.arrival_points_s
        return latest_s > soonest_s

    @property
    def is_away(self) -> bool:
        """Whether the household may have to wait for this person."""
        return self.arrival_points_s[-1] > 0.0


@dataclass(frozen=True)
class ThreePoints(Table):
    """Three points of a time that is not certain, in the keys of a task's durations."""

    shortest_s: Annotated[Minutes, key("when all goes well", "shortest_min")]
    likely_s: Annotated[Minutes, key("most likely", "likely_min")]
    longest_s: Annotated[Minutes, key("on a bad day", "longest_min")]


MinutesOrPoints = Annotated[
    Annotated[Minutes, Tag(NUMBER)] | Annotated[ThreePoints, Tag(THREE_POINTS)], Discriminator(_time_form)
]


@dataclass(frozen=True, kw_only=True)
class PersonTable(Table):
    """Someone who has to get out."""

    name: Annotated[Name, key("as the list on the fridge says it")]
    can: Annotated[
        tuple[Skill, ...],
        Listed(then=_skills),
        key(
            "words that tasks need, and `drive` and `tow`; with none someone takes no task",
            told='a list of words, for example ["lift", "drive"], or []',
        ),
    ]
    arrival: Annotated[
        MinutesOrPoints,
        key(
            "from the start of getting ready until home; three points are sampled",
            "arrives_after_min",
            told="minutes, 0 to 1440, or three points: { shortest_min = 20, likely_min = 35, longest_min = 90 }",
        ),
    ] = 0.0

    def person(self) -> Person:
        """Give the person."""
        if not isinstance(self.arrival, ThreePoints):
            return Person(self.name, self.can, self.arrival)
        return Person(self.name, self.can, self.arrival.likely_s, self.arrival.shortest_s, self.arrival.longest_s)


@dataclass(frozen=True)
class Animal(Table):
    """An animal or a group of animals; loading them is a task like any other."""

    name: Annotated[Name, key("which animals")]
    note: Annotated[str, Field(strict=True), key("for whoever loads them", told="a text in quotes")] = ""


@dataclass(frozen=True)
class Vehicle(Table):
    """A car, or the trailer that carries the house."""

    name: Annotated[Name, key("what it is called")]
    kind: Annotated[Literal["car", "trailer"], key("at most one is a trailer", told='"car" or "trailer"')]
    width_m: Annotated[float, number("m", above=0.3, most=6), key("outer width, as it stands on the road")]
    height_m: Annotated[float, number("m", above=0.3, most=8), key("outer height, as it stands on the road")]
    length_m: Annotated[float, number("m", above=0.5, most=40), key("outer length, as it stands on the road")]
    mass_kg: Annotated[
        float,
        number("kg", "kilograms laden, more than 50 and at most 80000", above=50, most=80_000),
        key("laden mass"),
    ]
    seats: Annotated[
        int | None,
        number("seats", "a whole number of seats, 1 to 80", least=1, most=80),
        key("of a car, the driver's included; not stated: everyone is taken to fit in"),
    ] = None
    power_kw: Annotated[
        float | None,
        number("kW", "kilowatts, more than 0 and at most 1500", above=0, most=1500),
        key("engine power of a car"),
    ] = None
    towed_by: Annotated[str | None, text("the name of a car in quotes"), key("of a trailer, the car that tows it")] = (
        None
    )


@dataclass(frozen=True)
class Task(Table):
    """One thing to do before leaving, or before closing the house.

    Examples
    --------
    >>> Task("hitch", ways=("tow",), shortest_s=300.0, likely_s=600.0, longest_s=1200.0, hands=2).hands
    2
    """

    name: Annotated[Name, key("as the list on the fridge says it")]
    ways: Annotated[
        tuple[TaskWay, ...],
        Listed(least=1, then=each_once),
        key("what it is needed for", told='a list with one or more of "tow", "car", "foot", "shelter"'),
    ]
    shortest_s: Annotated[Minutes, key("duration when all goes well", "shortest_min")]
    likely_s: Annotated[Minutes, key("most likely duration", "likely_min")]
    longest_s: Annotated[MinutesAboveZero, key("duration on a bad day", "longest_min")]
    hands: Annotated[
        int, number("people", "a whole number of people at once, 1 or more", least=1, most=50), key("people at once")
    ] = 1
    needs: Annotated[
        tuple[Skill, ...],
        Listed(then=_skills),
        key("what every person on it has to be able to do", told='a list of words, for example ["lift"], or []'),
    ] = ()
    after: Annotated[
        tuple[Annotated[str, Field(strict=True)], ...],
        Listed(then=each_once),
        key("what has to be finished first", told="a list of names of other tasks, or []"),
    ] = ()
    done_before_season: Annotated[Flag, key("already done: takes no time and no hands today")] = False


@dataclass(frozen=True)
class SafePoint(Table):
    """Where leaving ends: a safe point, or a place of last resort."""

    name: Annotated[Name, key("as the sheet says it")]
    lon_deg: Annotated[Longitude, key("longitude")]
    lat_deg: Annotated[Latitude, key("latitude")]
    kind: Annotated[
        Literal["safe_point", "place_of_last_resort"],
        key("a place of last resort is for when leaving is over", told='"safe_point" or "place_of_last_resort"'),
    ]
    ways: Annotated[
        tuple[Way, ...],
        Listed(least=1, then=each_once),
        key("ways of leaving that may end here", told='a list with one or more of "tow", "car", "foot"'),
    ]


@dataclass(frozen=True)
class OfficialSource(Table):
    """Where official warnings are heard here: a name, and at least one of radio, number and site."""

    name: Annotated[Name, key("who warns here")]
    radio: Annotated[str, text("a text in quotes", most=60), key("station and frequency")] = ""
    number: Annotated[str, text("a text in quotes", most=60), key("telephone number")] = ""
    site: Annotated[str, text("a text in quotes", most=120), key("address of a page, or the name of an app")] = ""


@dataclass(frozen=True)
class Home(Table):
    """Where the household starts from (WGS 84)."""

    lon_deg: Annotated[Longitude, key("longitude")]
    lat_deg: Annotated[Latitude, key("latitude")]


@dataclass(frozen=True)
class House(Table):
    """What the owner states of the house, for the last resort only."""

    heat_limit_kw_m2: Annotated[
        float | None,
        number("kW/m2", "kW/m2 of radiant heat, more than 0 and at most 100", above=0, most=100),
        key("radiant heat that the owner states the house was built for"),
    ] = None
    clear_m: Annotated[float | None, number("m", least=0, most=1000), key("from the house to unmanaged vegetation")] = (
        None
    )


@dataclass(frozen=True)
class Towing(Table):
    """How the household tows; needed with a trailer."""

    speed_limit_m_s: Annotated[
        float,
        number("km/h", "km/h, more than 0 and at most 130", above=0, most=130),
        AfterValidator(m_s_from_km_h),
        key("speed that the household will not exceed with the house on", "speed_limit_km_h"),
    ]


@dataclass(frozen=True)
class RoadsInput(Table):
    """The road extract and when a stretch of it counts as shut."""

    file: Annotated[File, key("the road extract, relative to the plan")]
    standoff_m: Annotated[
        float, number("m", least=0, most=5000), key("a stretch is shut once fire is this near to any part of it")
    ] = 100.0
    smoke_lead_s: Annotated[Minutes, key("and this long before that", "smoke_lead_min")] = 600.0
    region: Annotated[
        str,
        Field(strict=True, pattern=REGION_PATTERN),
        key(
            "country, or country and state (ISO 3166), whose road rules hold where the extract says nothing",
            told='country, or country and state, as in "AU" or "AU-NSW"',
        ),
    ] = "AU"
    open_gates: Annotated[
        tuple[Annotated[str, text('a way of the extract, for example "w123"')], ...],
        Listed(),
        key("ways whose gate the household may open", told='a list of ways of the extract, for example ["w123"]'),
    ] = ()


@dataclass(frozen=True)
class TerrainInput(Table):
    """The terrain file, or level ground."""

    file: Annotated[File | None, key("a raster of elevations, relative to the plan; this or `flat`")] = None
    flat: Annotated[Flag, key("no raster: the ground is taken as level, and no slope is counted")] = False
    cell_m: Annotated[
        float | None,
        number("m", least=1, most=1000),
        key("cell of the analysis grid; not stated: from the raster and the area"),
    ] = None


@dataclass(frozen=True)
class FuelInput(Table):
    """Fuel from a raster with a legend, from polygons with a column (and perhaps a legend), or one type for all."""

    file: Annotated[File | None, key("raster or polygons, relative to the plan; this or `type`")] = None
    legend: Annotated[File | None, key("table with the columns value,fuel_type")] = None
    column: Annotated[
        str | None, text("a column name in quotes"), key("of the polygons: what holds the fuel or land cover")
    ] = None
    type: Annotated[str | None, text("a fuel type in quotes"), key("one fuel type for everywhere")] = None


@dataclass(frozen=True)
class WeatherInput(Table):
    """The weather file and how to read it."""

    file: Annotated[File, key("a table or a gridded forecast, relative to the plan")]
    drought_factor: Annotated[
        float,
        number("", "a drought factor from 0 to 10; 10 is the driest", least=0, most=10),
        key("10 is the driest"),
    ] = 10.0
    use_gusts: Annotated[Flag, key("drive the fire by the gusts instead of the mean wind")] = False
    fill_gaps: Annotated[Flag, key("whether gaps may be filled at all")] = False


@dataclass(frozen=True)
class FireInput(Table):
    """Which rate-of-spread equations take part, and what is set by hand."""

    models: Annotated[
        tuple[Annotated[str, text("the name of a rate-of-spread equation")], ...],
        Listed(least=1, then=each_once),
        key("the fastest governs", told='a list of rate-of-spread equations, for example ["dry_eucalypt"]'),
    ] = ("dry_eucalypt", "mark5")
    floor_m_s: Annotated[
        FireSpeed | None, key("head rate of spread on the flat never below this in burnable fuel", "floor_km_h")
    ] = None
    set_m_s: Annotated[FireSpeed | None, key("the whole head rate of spread by hand", "set_km_h")] = None
    what_if_m_s: Annotated[
        tuple[FireSpeed, ...],
        Listed(),
        key(
            "head rates of spread for which the sheet also shows the leave-by",
            "what_if_km_h",
            told="a list of rates of spread in km/h, for example [12, 50]",
        ),
    ] = ()


@dataclass(frozen=True)
class IgnitionInput(Table):
    """A point, a line or a closed perimeter that burns from `at` on."""

    name: Annotated[Name, key("as the sheet says it")]
    at: Annotated[Moment, key("when it starts to burn")]
    lon_lat_deg: Annotated[
        tuple[Point, ...],
        Listed(least=1),
        key(
            "one point: a point; several: a line, or with `ring` a closed perimeter",
            told="a list of pairs, for example [[148.85, -36.05]]",
        ),
    ]
    ring: Annotated[Flag, key("the points are a closed perimeter; the first need not be repeated")] = False
    somewhere: Annotated[
        Flag, key("the fire starts at one unknown point of the line, or within the ring; each member has its own")
    ] = False
    unseen_up_to_s: Annotated[
        Minutes,
        key("it may have burnt unseen for up to this long before `at`; each member has its own", "unseen_up_to_min"),
    ] = 0.0


def ring_opened(ignition: IgnitionInput) -> IgnitionInput:
    """Take off a last point that repeats the first of a perimeter."""
    points = ignition.lon_lat_deg
    return replace(ignition, lon_lat_deg=points[:-1]) if ignition.ring and points[0] == points[-1] else ignition


# --- rules for a fire that nobody knows yet ------------------------------------------------------------------------


@dataclass(frozen=True)
class DangerInput(Table):
    """Which official fire danger ratings the local forecast gives."""

    scale: Annotated[
        Scale | None,
        key(
            "not stated: that of the region of the roads, `own` where none is known here",
            told='"australia", "europe" or "own"',
        ),
    ] = None


@dataclass(frozen=True)
class RatingInput(Table):
    """A fire danger rating, in rising order: one of the scale's, or one with a day of its own (table or by hand)."""

    name: Annotated[Name, key("as the local forecast says it")]
    stands_for: Annotated[
        str | None,
        text("the name that the scale has for it, in quotes"),
        key("where the local forecast has another name than the scale"),
    ] = None
    weather_file: Annotated[File | None, key("a day rated so, as a weather table, relative to the plan")] = None
    wind_m_s: Annotated[
        Annotated[float, number("km/h", "km/h, 0 to 120", least=0, most=120), AfterValidator(m_s_from_km_h)] | None,
        key("mean wind of a day rated so", "wind_km_h"),
    ] = None
    air_temperature_c: Annotated[
        float | None,
        number("degrees C", "degrees C, -20 to 55", least=-20, most=55),
        key("temperature of a day rated so", "temperature_c"),
    ] = None
    relative_humidity_percent: Annotated[
        float | None,
        number("%", least=1, most=100),
        key("relative humidity of a day rated so", "humidity_percent"),
    ] = None
    leave: Annotated[Flag, key("the rating itself tells people to leave; so it is where the scale says so")] = False


def _three_points(told: float | ThreePoints) -> tuple[float, float, float]:
    return (told.shortest_s, told.likely_s, told.longest_s) if isinstance(told, ThreePoints) else (told, told, told)


def _shares(percent: list[float]) -> tuple[float, ...]:
    return tuple(one / sum(percent) for one in percent) if sum(percent) > 0.0 else ()


@dataclass(frozen=True)
class RulesInput(Table):
    """What the rules for a fire that nobody knows yet are made for."""

    learns_s: Annotated[
        tuple[float, float, float],
        Read(MinutesOrPoints, _three_points),
        key(
            "from the start of a fire until word of it reaches the household; three points are sampled",
            "learns_after_min",
            told="minutes, 0 to 1440, or three points: { shortest_min = 10, likely_min = 30, longest_min = 60 }",
        ),
    ] = (LEARNS_SHORTEST_S.value, LEARNS_LIKELY_S.value, LEARNS_LONGEST_S.value)
    allowed_share: Annotated[
        Annotated[float, number("%", least=0, most=50), AfterValidator(lambda percent: percent / 100.0)] | None,
        key(
            "of the fires that may start, as many may be too near to wait for; not stated: 100 less the confidence",
            "allowed_percent",
        ),
    ] = None
    radius_m: Annotated[
        Annotated[float, number("km", least=1, most=100), AfterValidator(lambda far_km: far_km * METRES_PER_KM)],
        key("starts of fire are looked at up to this far from the home", "radius_km"),
    ] = RULES_RADIUS_M.value
    hours: Annotated[
        tuple[Annotated[int, number("h", "a whole hour of the day, 0 to 23", least=0, most=23)], ...],
        Listed(least=1, then=lambda hours: tuple(sorted(hours))),
        key("hours of the clock at which word of a fire may come", told="a list of whole hours, 0 to 23"),
    ] = (10, 13, 16, 19)
    wind_shares: Annotated[
        tuple[Annotated[float, number("%", least=0, most=100)], ...],
        Listed(then=_shares),
        key(
            "how often the wind of such days blows from each of 16 directions; not stated: from all alike",
            "wind_percent",
            told="a list of 16 shares in percent that sum to 100, from north round by east",
        ),
    ] = field(default_factory=lambda: (1.0 / 16.0,) * 16)
    starts_file: Annotated[
        File | None, key("raster of how likely fires start, relative to the plan; not stated: everywhere alike")
    ] = None
    terrain_file: Annotated[
        File | None, key("raster of elevations of the ground as far as `radius_km`; not stated: the plan's own ground")
    ] = None
    fuel_file: Annotated[File | None, key("raster or polygons for that ground; this or `fuel_type`")] = None
    fuel_legend: Annotated[File | None, key("table with the columns value,fuel_type")] = None
    fuel_column: Annotated[
        str | None, text("a column name in quotes"), key("of the polygons: what holds the fuel or land cover")
    ] = None
    fuel_type: Annotated[str | None, text("a fuel type in quotes"), key("one fuel type for that ground")] = None
    cell_m: Annotated[
        float | None, number("m", least=1, most=1000), key("cell of that ground; not stated: from the raster")
    ] = None
