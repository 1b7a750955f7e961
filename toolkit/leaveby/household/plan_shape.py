"""The agreed shape of a plan file: every section and key, unit, valid range and what stands when it is left out.

These classes only describe the file. `leaveby.household.plan_file` checks a document against them and turns it into the
nouns of `leaveby.household.plan`. The `description` of a key is what a person is told that was expected there.
"""

from __future__ import annotations

from dataclasses import field
from datetime import datetime
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, BeforeValidator, ConfigDict, Discriminator, Field, Tag
from pydantic.dataclasses import dataclass

from leaveby.regions import REGION_PATTERN

LONGEST_MIN = 24 * 60.0
FASTEST_KM_H = 150.0

_SHAPE = ConfigDict(extra="forbid", allow_inf_nan=False)


def _moment(value: object) -> object:
    # A date-time in quotes is a text to TOML; it says the same, so it is read.
    if isinstance(value, str):
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            return value
    return value


Name = Annotated[str, Field(strict=True, min_length=1, max_length=120, pattern=r"\S", description="a name in quotes")]
File = Annotated[
    str, Field(strict=True, min_length=1, pattern=r"\S", description='a file name in quotes, for example "roads.osm"')
]
Flag = Annotated[bool, Field(strict=True, description="true or false, without quotes")]
Skill = Annotated[
    str, Field(strict=True, min_length=1, pattern=r"\S", description='a word in quotes, for example "lift"')
]
LeavingWay = Literal["tow", "car", "foot"]
Longitude = Annotated[float, Field(strict=True, ge=-180, le=180, description="degrees east, -180 to 180 (WGS 84)")]
Latitude = Annotated[
    float, Field(strict=True, ge=-90, le=90, description="degrees north, -90 to 90; south is negative")
]
Minutes = Annotated[float, Field(strict=True, ge=0, le=LONGEST_MIN, description="minutes, 0 to 1440")]
MinutesAboveZero = Annotated[
    float, Field(strict=True, gt=0, le=LONGEST_MIN, description="minutes, more than 0 and at most 1440")
]
FireSpeed = Annotated[
    float, Field(strict=True, gt=0, le=FASTEST_KM_H, description="a rate of spread in km/h, more than 0, at most 150")
]


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class PlanSection:
    """`[plan]`: what is asked of the computation."""

    name: Name
    confidence: Annotated[
        float,
        Field(strict=True, ge=0.5, le=0.999, description="a share of members from 0.5 to 0.999, for example 0.95"),
    ] = 0.95
    margin_min: Minutes = 10.0
    members: Annotated[
        int, Field(strict=True, ge=1, le=100_000, description="a whole number of members, 1 to 100000")
    ] = 500
    members_at_most: Annotated[
        int, Field(strict=True, ge=1, le=100_000, description="a whole number of members, 1 to 100000")
    ] = 2000
    precision_min: (
        Annotated[float, Field(strict=True, gt=0, le=120, description="minutes, more than 0 and at most 120")] | None
    ) = None
    seed: Annotated[int, Field(strict=True, ge=0, lt=2**63, description="a whole number, 0 or more")] = 1
    horizon_h: Annotated[float, Field(strict=True, gt=0, le=72, description="hours, more than 0 and at most 72")] = 8.0
    durations: Annotated[Literal["beta_pert", "triangular"], Field(description='"beta_pert" or "triangular"')] = (
        "beta_pert"
    )
    season_starts: (
        Annotated[
            str,
            Field(
                strict=True,
                pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])$",
                description='month and day in quotes, for example "10-01", with a day up to 28',
            ),
        ]
        | None
    ) = None


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class HomeSection:
    """`[home]`."""

    lon_deg: Longitude
    lat_deg: Latitude


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class HouseSection:
    """`[house]`: optional, what the owner states of the house."""

    heat_limit_kw_m2: (
        Annotated[
            float,
            Field(strict=True, gt=0, le=100, description="kW/m2 of radiant heat, more than 0 and at most 100"),
        ]
        | None
    ) = None
    clear_m: Annotated[float, Field(strict=True, ge=0, le=1000, description="metres, 0 to 1000")] | None = None


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class ArrivalTable:
    """Three points of an arrival that is not certain, in the keys of a task's durations."""

    shortest_min: Minutes
    likely_min: Minutes
    longest_min: Minutes


NUMBER: Final = "(a number)"
THREE_POINTS: Final = "(three points)"
"""Marks of the two forms of an arrival; they stand in the place of a fault of shape and are no keys of the file."""


def _arrival_form(value: object) -> str:
    return THREE_POINTS if isinstance(value, dict) else NUMBER


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class PersonTable:
    """One `[[people]]`.

    `arrives_after_min` counts from the start of getting ready: a number is taken as certain, three points are sampled.
    """

    name: Name
    can: Annotated[list[Skill], Field(strict=True, description='a list of words, for example ["lift", "drive"], or []')]
    arrives_after_min: Annotated[
        Annotated[Minutes, Tag(NUMBER)] | Annotated[ArrivalTable, Tag(THREE_POINTS)],
        Discriminator(_arrival_form),
        Field(
            description="minutes, 0 to 1440, or three points: { shortest_min = 20, likely_min = 35, longest_min = 90 }"
        ),
    ] = 0.0


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class AnimalTable:
    """One `[[animals]]`."""

    name: Name
    note: Annotated[str, Field(strict=True, description="a text in quotes")] = ""


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class VehicleTable:
    """One `[[vehicles]]`."""

    name: Name
    kind: Annotated[Literal["car", "trailer"], Field(description='"car" or "trailer"')]
    width_m: Annotated[float, Field(strict=True, gt=0.3, le=6, description="metres, more than 0.3 and at most 6")]
    height_m: Annotated[float, Field(strict=True, gt=0.3, le=8, description="metres, more than 0.3 and at most 8")]
    length_m: Annotated[float, Field(strict=True, gt=0.5, le=40, description="metres, more than 0.5 and at most 40")]
    mass_kg: Annotated[
        float, Field(strict=True, gt=50, le=80_000, description="kilograms laden, more than 50 and at most 80000")
    ]
    seats: Annotated[int, Field(strict=True, ge=1, le=80, description="a whole number of seats, 1 to 80")] | None = None
    power_kw: (
        Annotated[float, Field(strict=True, gt=0, le=1500, description="kilowatts, more than 0 and at most 1500")]
        | None
    ) = None
    towed_by: (
        Annotated[str, Field(strict=True, min_length=1, pattern=r"\S", description="the name of a car in quotes")]
        | None
    ) = None


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class TowingSection:
    """`[towing]`."""

    speed_limit_km_h: Annotated[
        float, Field(strict=True, gt=0, le=130, description="km/h, more than 0 and at most 130")
    ]


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class TaskTable:
    """One `[[tasks]]`."""

    name: Name
    ways: Annotated[
        list[Literal["tow", "car", "foot", "shelter"]],
        Field(strict=True, min_length=1, description='a list with one or more of "tow", "car", "foot", "shelter"'),
    ]
    shortest_min: Minutes
    likely_min: Minutes
    longest_min: MinutesAboveZero
    hands: Annotated[
        int, Field(strict=True, ge=1, le=50, description="a whole number of people at once, 1 or more")
    ] = 1
    needs: Annotated[list[Skill], Field(strict=True, description='a list of words, for example ["lift"], or []')] = (
        field(default_factory=list)
    )
    after: Annotated[
        list[Annotated[str, Field(strict=True)]],
        Field(strict=True, description="a list of names of other tasks, or []"),
    ] = field(default_factory=list)
    done_before_season: Flag = False


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class SafePointTable:
    """One `[[safe_points]]`."""

    name: Name
    lon_deg: Longitude
    lat_deg: Latitude
    kind: Annotated[
        Literal["safe_point", "place_of_last_resort"], Field(description='"safe_point" or "place_of_last_resort"')
    ]
    ways: Annotated[
        list[LeavingWay],
        Field(strict=True, min_length=1, description='a list with one or more of "tow", "car", "foot"'),
    ]


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class RoadsSection:
    """`[roads]`."""

    file: File
    standoff_m: Annotated[float, Field(strict=True, ge=0, le=5000, description="metres, 0 to 5000")] = 100.0
    smoke_lead_min: Minutes = 10.0
    region: Annotated[
        str,
        Field(
            strict=True,
            pattern=REGION_PATTERN,
            description='country, or country and state, as in "AU" or "AU-NSW"',
        ),
    ] = "AU"
    open_gates: Annotated[
        list[
            Annotated[
                str,
                Field(strict=True, min_length=1, pattern=r"\S", description='a way of the extract, for example "w123"'),
            ]
        ],
        Field(strict=True, description='a list of ways of the extract, for example ["w123"]'),
    ] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class TerrainSection:
    """`[terrain]`."""

    file: File
    cell_m: Annotated[float, Field(strict=True, ge=1, le=1000, description="metres, 1 to 1000")] | None = None


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class FuelSection:
    """`[fuel]`: a raster with a legend, polygons with a column (and perhaps a legend), or one type for all."""

    file: File | None = None
    legend: File | None = None
    column: (
        Annotated[str, Field(strict=True, min_length=1, pattern=r"\S", description="a column name in quotes")] | None
    ) = None
    type: (
        Annotated[str, Field(strict=True, min_length=1, pattern=r"\S", description="a fuel type in quotes")] | None
    ) = None


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class WeatherSection:
    """`[weather]`."""

    file: File
    drought_factor: Annotated[
        float, Field(strict=True, ge=0, le=10, description="a drought factor from 0 to 10; 10 is the driest")
    ] = 10.0
    use_gusts: Flag = False
    fill_gaps: Flag = False


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class FireSection:
    """`[fire]`."""

    models: Annotated[
        list[
            Annotated[
                str,
                Field(strict=True, min_length=1, pattern=r"\S", description="the name of a rate-of-spread equation"),
            ]
        ],
        Field(
            strict=True,
            min_length=1,
            description='a list of rate-of-spread equations, for example ["dry_eucalypt"]',
        ),
    ] = field(default_factory=lambda: ["dry_eucalypt", "mark5"])
    floor_km_h: FireSpeed | None = None
    set_km_h: FireSpeed | None = None
    what_if_km_h: Annotated[
        list[FireSpeed], Field(strict=True, description="a list of rates of spread in km/h, for example [12, 50]")
    ] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class IgnitionTable:
    """One `[[ignitions]]`."""

    name: Name
    at: Annotated[
        AwareDatetime,
        BeforeValidator(_moment),
        Field(strict=True, description="a date and time with its UTC offset, for example 2026-01-17T12:40:00+11:00"),
    ]
    lon_lat_deg: Annotated[
        list[
            Annotated[
                list[Annotated[float, Field(strict=True, description="a number of degrees")]],
                Field(strict=True, min_length=2, max_length=2, description="a pair [longitude, latitude] in degrees"),
            ]
        ],
        Field(strict=True, min_length=1, description="a list of pairs, for example [[148.85, -36.05]]"),
    ]
    ring: Flag = False
    somewhere: Flag = False
    unseen_up_to_min: Minutes = 0.0


@dataclass(frozen=True, kw_only=True, config=_SHAPE)
class PlanFile:
    """The whole file."""

    plan: Annotated[PlanSection, Field(description="a section [plan]")]
    home: Annotated[HomeSection, Field(description="a section [home] with lon_deg and lat_deg")]
    people: Annotated[
        list[PersonTable], Field(strict=True, min_length=1, description="at least one person, each under [[people]]")
    ]
    tasks: Annotated[list[TaskTable], Field(strict=True, description="the tasks, each under [[tasks]]")]
    safe_points: Annotated[
        list[SafePointTable],
        Field(strict=True, min_length=1, description="at least one safe point, each under [[safe_points]]"),
    ]
    roads: Annotated[RoadsSection, Field(description="a section [roads] with file")]
    terrain: Annotated[TerrainSection, Field(description="a section [terrain] with file")]
    fuel: Annotated[FuelSection, Field(description="a section [fuel] with file and legend, file and column, or type")]
    weather: Annotated[WeatherSection, Field(description="a section [weather] with file")]
    ignitions: Annotated[
        list[IgnitionTable],
        Field(strict=True, min_length=1, description="at least one ignition, each under [[ignitions]]"),
    ]
    fire: Annotated[FireSection, Field(description="a section [fire]")] = field(default_factory=FireSection)
    house: Annotated[HouseSection, Field(description="a section [house]")] = field(default_factory=HouseSection)
    animals: Annotated[list[AnimalTable], Field(strict=True, description="animals, each under [[animals]]")] = field(
        default_factory=list
    )
    vehicles: Annotated[list[VehicleTable], Field(strict=True, description="vehicles, each under [[vehicles]]")] = (
        field(default_factory=list)
    )
    towing: Annotated[TowingSection, Field(description="a section [towing] with speed_limit_km_h")] | None = None
