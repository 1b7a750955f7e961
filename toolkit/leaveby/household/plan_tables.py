"""The nouns that the sections and tables of the plan file fill, in SI units.

What each key is and how it is written stands in `plan_keys.csv`, which `leaveby.household.plan_keys` reads;
`leaveby.household.plan` puts the nouns together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag

from leaveby.household.plan_keys import (
    File,
    Files,
    FireSpeed,
    Flag,
    Listed,
    Minutes,
    Moment,
    Name,
    Point,
    Read,
    Skill,
    Table,
    each_once,
    keys_from,
    number,
    text,
)
from leaveby.parameters import (
    LEARNS_LIKELY_S,
    LEARNS_LONGEST_S,
    LEARNS_SHORTEST_S,
    NEIGHBOURS_TOW_SHARE,
    QUICK_MEDIAN_S,
    RULES_RADIUS_M,
    VEHICLES_PER_HOME,
)
from leaveby.regions import REGION_PATTERN

keyed = keys_from(__package__, "plan_keys.csv")

Way = Literal["tow", "car", "foot"]
TaskWay = Literal["tow", "car", "foot", "shelter"]
SetOut = Literal["at once", "over time", "gone before"]
Scale = Literal["australia", "europe", "own"]
WayOfExtract = Annotated[str, text('a way of the extract, for example "w123"')]
Hour = Annotated[int, number("h", "a whole hour of the day, 0 to 23", least=0, most=23)]
Percent = Annotated[float, number("%", least=0, most=100)]
Share = Annotated[float, number("%", least=0, most=50), AfterValidator(lambda percent: percent / 100.0)]

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
@keyed
class ThreePoints(Table):
    """Three points of a time that is not certain, in the keys of a task's durations."""

    shortest_s: float
    likely_s: float
    longest_s: float


MinutesOrPoints = Annotated[
    Annotated[Minutes, Tag(NUMBER)] | Annotated[ThreePoints, Tag(THREE_POINTS)], Discriminator(_time_form)
]


@dataclass(frozen=True, kw_only=True)
@keyed
class PersonTable(Table):
    """Someone who has to get out."""

    name: Name
    can: Annotated[tuple[Skill, ...], Listed(then=_skills)]
    arrival: MinutesOrPoints = 0.0

    def person(self) -> Person:
        """Give the person."""
        if not isinstance(self.arrival, ThreePoints):
            return Person(self.name, self.can, self.arrival)
        return Person(self.name, self.can, self.arrival.likely_s, self.arrival.shortest_s, self.arrival.longest_s)


@dataclass(frozen=True)
@keyed
class Animal(Table):
    """An animal or a group of animals; loading them is a task like any other."""

    name: Name
    note: Annotated[str, Field(strict=True)] = ""


@dataclass(frozen=True)
@keyed
class Vehicle(Table):
    """A car, or the trailer that carries the house."""

    name: Name
    kind: Literal["car", "trailer"]
    width_m: float
    height_m: float
    length_m: float
    mass_kg: float
    seats: int | None = None
    power_kw: float | None = None
    towed_by: str | None = None


@dataclass(frozen=True)
@keyed
class Task(Table):
    """One thing to do before leaving, or before closing the house.

    Examples
    --------
    >>> Task("hitch", ways=("tow",), shortest_s=300.0, likely_s=600.0, longest_s=1200.0, hands=2).hands
    2
    """

    name: Name
    ways: Annotated[tuple[TaskWay, ...], Listed(least=1, then=each_once)]
    shortest_s: float
    likely_s: float
    longest_s: float
    hands: int = 1
    needs: Annotated[tuple[Skill, ...], Listed(then=_skills)] = ()
    after: Annotated[tuple[Annotated[str, Field(strict=True)], ...], Listed(then=each_once)] = ()
    done_before_season: Flag = False


@dataclass(frozen=True)
@keyed
class SafePoint(Table):
    """Where leaving ends: a safe point, or a place of last resort."""

    name: Name
    lon_deg: float
    lat_deg: float
    kind: Literal["safe_point", "place_of_last_resort"]
    ways: Annotated[tuple[Way, ...], Listed(least=1, then=each_once)]


@dataclass(frozen=True)
@keyed
class OfficialSource(Table):
    """Where official warnings are heard here: a name, and at least one of radio, number and site."""

    name: Name
    radio: str = ""
    number: str = ""
    site: str = ""


@dataclass(frozen=True)
@keyed
class Home(Table):
    """Where the household starts from (WGS 84)."""

    lon_deg: float
    lat_deg: float


@dataclass(frozen=True)
@keyed
class House(Table):
    """What the owner states of the house, for the last resort only."""

    heat_limit_kw_m2: float | None = None
    clear_m: float | None = None


@dataclass(frozen=True)
@keyed
class Towing(Table):
    """How the household tows; needed with a trailer."""

    speed_limit_m_s: float


@dataclass(frozen=True)
@keyed
class RoadsInput(Table):
    """The road extract and when a stretch of it counts as shut."""

    file: File
    standoff_m: float = 100.0
    smoke_lead_s: float = 600.0
    region: Annotated[str, Field(strict=True, pattern=REGION_PATTERN)] = "AU"
    open_gates: Annotated[tuple[WayOfExtract, ...], Listed()] = ()
    closed_ways: Annotated[tuple[WayOfExtract, ...], Listed()] = ()


@dataclass(frozen=True)
@keyed
class NeighboursInput(Table):
    """The neighbours whose cars are on the road as well: how many homes, and how their people set out."""

    homes: int | None = None
    file: File | None = None
    cars_per_home: float = VEHICLES_PER_HOME.value
    towing_share: Annotated[Percent, AfterValidator(lambda percent: percent / 100.0)] = NEIGHBOURS_TOW_SHARE.value
    set_out: SetOut = "at once"
    half_rolling_s: float = QUICK_MEDIAN_S.value
    told_s: float | None = None


@dataclass(frozen=True)
@keyed
class TerrainInput(Table):
    """The terrain file or files, or level ground."""

    file: Files | None = None
    flat: Flag = False
    cell_m: float | None = None


@dataclass(frozen=True)
@keyed
class FuelInput(Table):
    """Fuel from a raster with a legend, from polygons with a column (and perhaps a legend), or one type for all."""

    file: File | None = None
    legend: File | None = None
    column: str | None = None
    type: str | None = None


@dataclass(frozen=True)
@keyed
class WeatherInput(Table):
    """The weather file and how to read it."""

    file: File
    columns: Annotated[
        tuple[tuple[str, str], ...],
        Read(
            Annotated[
                dict[str, Annotated[str, text("the name of a column in quotes")]],
                Field(
                    strict=True,
                    description='our names and its own: { time = "Date", wind_speed_kn = "Wind", ... }',
                ),
            ],
            lambda held: tuple(held.items()),
        ),
    ] = ()
    clock: str | None = None
    time_format: str | None = None
    drought_factor: float = 10.0
    use_gusts: Flag = False
    fill_gaps: Flag = False


@dataclass(frozen=True)
@keyed
class FireInput(Table):
    """Which rate-of-spread equations take part, and what is set by hand."""

    models: Annotated[
        tuple[Annotated[str, text("the name of a rate-of-spread equation")], ...], Listed(least=1, then=each_once)
    ] = ("dry_eucalypt", "mark5")
    floor_m_s: float | None = None
    set_m_s: float | None = None
    what_if_m_s: Annotated[tuple[FireSpeed, ...], Listed()] = ()


@dataclass(frozen=True)
@keyed
class IgnitionInput(Table):
    """A point, a line or a closed perimeter that burns from `at` on."""

    name: Name
    at: Moment
    lon_lat_deg: Annotated[tuple[Point, ...], Listed(least=1)]
    ring: Flag = False
    somewhere: Flag = False
    unseen_up_to_s: float = 0.0


def ring_opened(ignition: IgnitionInput) -> IgnitionInput:
    """Take off a last point that repeats the first of a perimeter."""
    points = ignition.lon_lat_deg
    return replace(ignition, lon_lat_deg=points[:-1]) if ignition.ring and points[0] == points[-1] else ignition


@dataclass(frozen=True)
@keyed
class DangerInput(Table):
    """Which official fire danger ratings the local forecast gives."""

    scale: Scale | None = None


@dataclass(frozen=True)
@keyed
class RatingInput(Table):
    """A fire danger rating, in rising order: one of the scale's, or one with a day of its own (table or by hand)."""

    name: Name
    stands_for: str | None = None
    weather_file: File | None = None
    wind_m_s: float | None = None
    air_temperature_c: float | None = None
    relative_humidity_percent: float | None = None
    leave: Flag = False


def _three_points(told: float | ThreePoints) -> tuple[float, float, float]:
    return (told.shortest_s, told.likely_s, told.longest_s) if isinstance(told, ThreePoints) else (told, told, told)


def _shares(percent: list[float]) -> tuple[float, ...]:
    return tuple(one / sum(percent) for one in percent) if sum(percent) > 0.0 else ()


@dataclass(frozen=True)
@keyed
class RulesInput(Table):
    """What the rules for a fire that nobody knows yet are made for."""

    learns_s: Annotated[tuple[float, float, float], Read(MinutesOrPoints, _three_points)] = (
        LEARNS_SHORTEST_S.value,
        LEARNS_LIKELY_S.value,
        LEARNS_LONGEST_S.value,
    )
    allowed_share: (
        Annotated[float, number("%", least=0, most=50), AfterValidator(lambda percent: percent / 100.0)] | None
    ) = None
    radius_m: float = RULES_RADIUS_M.value
    hours: Annotated[
        tuple[Annotated[int, number("h", "a whole hour of the day, 0 to 23", least=0, most=23)], ...],
        Listed(least=1, then=lambda hours: tuple(sorted(hours))),
    ] = (10, 13, 16, 19)
    wind_shares: Annotated[tuple[Annotated[float, number("%", least=0, most=100)], ...], Listed(then=_shares)] = field(
        default_factory=lambda: (1.0 / 16.0,) * 16
    )
    starts_file: File | None = None
    terrain_file: Files | None = None
    fuel_file: File | None = None
    fuel_legend: File | None = None
    fuel_column: str | None = None
    fuel_type: str | None = None
    cell_m: float | None = None
