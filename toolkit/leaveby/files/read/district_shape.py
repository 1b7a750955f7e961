"""The agreed shape of a district file: its own sections, and which sections are those of a plan file.

The keys are declared as those of the plan file are (`leaveby.household.plan_keys`), and checked one at a time;
`leaveby.ask.district` reads the file, and what it shares with a plan is read as a plan is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field

from leaveby.files.read.plan import has_any
from leaveby.household import plan_tables as shared
from leaveby.household.plan_keys import Flag, Listed, Point, Table, keys_from, keys_of
from leaveby.household.plan_tables import Hour, Percent, Vehicle
from leaveby.parameters import (
    LEARNS_LIKELY_S,
    LEARNS_LONGEST_S,
    LEARNS_SHORTEST_S,
    NEIGHBOURS_TOW_SHARE,
    PEOPLE_PER_HOME,
    QUICK_MEDIAN_S,
    VEHICLES_PER_HOME,
)

_WINDS: Final = 16

keyed = keys_from(__package__, "district_keys.csv")


def _box(corners: tuple[float, ...]) -> tuple[float, ...]:
    west, south, east, north = corners
    if not (-180.0 <= west < east <= 180.0 and -90.0 <= south < north <= 90.0):
        raise ValueError("write west, south, east and north in this order; south and west are negative")
    return corners


def _sixteen(shares: tuple[float, ...]) -> tuple[float, ...]:
    if shares and (len(shares) != _WINDS or not sum(shares) > 0.0):
        raise ValueError("give 16 shares, some of them above 0")
    return shares


_Degrees = Annotated[float, Field(strict=True)]
_Minutes = shared.MinutesOrPoints
LEARNS: Final = shared.ThreePoints(LEARNS_SHORTEST_S.value, LEARNS_LIKELY_S.value, LEARNS_LONGEST_S.value)
"""What stands where the file does not say when people know of a fire, as in a plan."""


@dataclass(frozen=True, kw_only=True)
@keyed
class DistrictSection(Table):
    """What is asked."""

    name: str
    seed: int = 1
    confidence: float = 0.95
    margin_min: float = 10.0
    horizon_h: float = 8.0
    allowed_percent: float | None = None
    vehicles_per_home: float = VEHICLES_PER_HOME.value
    people_per_home: float = PEOPLE_PER_HOME.value


@dataclass(frozen=True, kw_only=True)
@keyed
class HomesSection(Table):
    """Where people live."""

    file: str | None = None
    area_deg: Annotated[tuple[_Degrees, _Degrees, _Degrees, _Degrees], AfterValidator(_box)] | None = None


@dataclass(frozen=True, kw_only=True)
@keyed
class FiresSection(Table):
    """The fires: how many, and where, when and under which wind they start."""

    of_each_rating: int = 250
    hours: Annotated[tuple[Hour, ...], Listed(least=1)] = (13,)
    wind_percent: Annotated[tuple[Percent, ...], Listed(), AfterValidator(_sixteen)] = ()
    wind_as_forecast: Flag = False
    starts_file: str | None = None
    lon_lat_deg: Annotated[tuple[Point, ...], Listed(least=3)] | None = None


@dataclass(frozen=True, kw_only=True)
@keyed
class NeedSection(Table):
    """What the household that stands for all needs: times, or a plan that gives them."""

    learns_after_min: _Minutes | None = None
    ready_min: _Minutes | None = None
    plan: str | None = None
    way: Literal["car", "tow"] = "car"


@dataclass(frozen=True, kw_only=True)
@keyed
class NeighboursSection(Table):
    """How the people of the district set out, and so how long they queue: the keys of a plan's neighbours."""

    set_out: shared.SetOut = "at once"
    half_rolling_min: float = QUICK_MEDIAN_S.value / 60.0
    told_after_fire_min: float | None = None
    towing_percent: float = 100.0 * NEIGHBOURS_TOW_SHARE.value


@dataclass(frozen=True, kw_only=True)
@keyed
class HelpSection(Table):
    """What might give more time, and how much of it is looked at; 0 leaves it out."""

    siren_min: float = 10.0
    verge_m: float = 50.0
    bus_percent: float = 30.0
    second_exits: int = 3


@dataclass(frozen=True, kw_only=True)
@keyed
class SafePlace(Table):
    """Where leaving ends: as in a plan, but what it may leave out."""

    name: str
    lon_deg: float
    lat_deg: float
    kind: Literal["safe_point"] = "safe_point"
    ways: Annotated[tuple[shared.Way, ...], Listed(least=1)] = ("car", "tow")


@dataclass(frozen=True, kw_only=True)
class DistrictFile(Table):
    """The district file."""

    district: DistrictSection
    need: NeedSection
    safe_points: Annotated[tuple[SafePlace, ...], Listed(least=1)]
    roads: shared.RoadsInput
    terrain: shared.TerrainInput
    fuel: shared.FuelInput
    weather: shared.WeatherInput
    homes: HomesSection = HomesSection()
    fires: FiresSection = FiresSection()
    neighbours: NeighboursSection = NeighboursSection()
    help: HelpSection = HelpSection()
    fire: shared.FireInput | None = None
    danger: shared.DangerInput | None = None
    ratings: Annotated[tuple[shared.RatingInput, ...], Listed()] = ()
    vehicles: Annotated[tuple[Vehicle, ...], Listed()] = ()


OWN: Final[dict[str, type]] = {
    "district": DistrictSection,
    "homes": HomesSection,
    "fires": FiresSection,
    "need": NeedSection,
    "neighbours": NeighboursSection,
    "help": HelpSection,
}
"""Sections of its own."""

SECTIONS: Final = tuple(keys_of(DistrictFile))
"""All sections and tables; those that are not its own are read as a plan's are."""


def is_district(path: Path) -> bool:
    """Tell a district file from a plan, by its sections; what can't be read is taken for a plan."""
    return has_any(path, [name for name in OWN if name != "neighbours"])


def of_a_plan(document: dict[str, Any]) -> dict[str, Any]:
    """Take the sections that a plan has too; a safe point that says neither kind nor ways is one, for every vehicle."""
    found = {name: document[name] for name in SECTIONS if name not in OWN and name in document}
    points, vehicles = found.get("safe_points"), found.get("vehicles")
    if isinstance(points, list):
        usual = {"kind": "safe_point", "ways": ways_in(vehicles)}
        found["safe_points"] = [{**usual, **one} if isinstance(one, dict) else one for one in points]
    return found


def ways_in(vehicles: Any) -> list[str]:
    """The ways of leaving that tables of vehicles allow."""
    held = vehicles if isinstance(vehicles, list) else []
    return ["car", "tow"] if any(isinstance(one, dict) and one.get("kind") == "trailer" for one in held) else ["car"]
