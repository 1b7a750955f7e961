"""The nouns of a drill: what a trainer asks for, and the rounds, injects, pauses and placed answers that come of it.

All times are seconds from the first ignition of the plan, as everywhere in the decision room; a negative time lies
before the fire starts, and a drill begins there as a rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath
from typing import Final, Literal

from leaveby.decision.ways.result import Phases, WayTiming, way_is_open
from leaveby.errors import Fault, fault_of
from leaveby.fire.arrival.solve import Arrival
from leaveby.fire.terrain import Terrain
from leaveby.household.plan import Plan
from leaveby.roads.network.graph import RoadNetwork
from leaveby.units import min_from_s

EXERCISE_ONLY: Final = "Exercise only"
"""Stands on every page and before every message of a drill, so that none is ever taken for a real one."""

INVENTED: Final = f"{EXERCISE_ONLY}, invented"
"""Stands before every official message of a drill."""

OwnKind = Literal["seen", "heard", "measured", "official", "wind", "smoke", "embers", "road", "power", "phone"]
InjectKind = OwnKind | Literal["leave-by", "end"]
DrillWay = Literal["tow", "car", "foot", "stay"]

DRILL_WAY_WORDS: Final[Mapping[str, str]] = {
    "tow": "tow the house",
    "car": "go by car, without the house",
    "foot": "go on foot",
    "stay": "stay, under official directions",
}


@dataclass(frozen=True)
class OwnInject:
    """An inject that the trainer wrote, for the rounds at its speeds only; without speeds, for every round."""

    at_s: float
    kind: OwnKind
    text: str
    speeds_m_s: tuple[float, ...] = ()
    where: str = "an inject"


@dataclass(frozen=True)
class Answer:
    """What a group wrote down at a pause.

    - `pause`: number of the pause, from 1.
    - `start_s`: when the group would start getting ready; None for staying.
    - `speed_m_s`: the round that it was given in; None: every round, since nobody knew the fire yet.
    """

    group: str
    pause: int
    way: DrillWay
    start_s: float | None
    speed_m_s: float | None = None
    where: str = "an answer"


@dataclass(frozen=True)
class DrillScript:
    """What a trainer asks for: a drill file, read.

    - `speeds_m_s`: mean speeds of the fire's run to the home, above 0.
    - `own_fire`: also run the plan's own fire, as its equations give it.
    - `begin_s`: when the exercise begins.
    - `pauses_s`: rising; empty where `every_s` is given.
    - `every_s`: a pause at the beginning and every so many seconds from there on.
    - `where`: the file, and `pauses_key` what says in it when the pauses are; for messages.
    """

    name: str
    plan: Plan
    speeds_m_s: tuple[float, ...]
    own_fire: bool
    begin_s: float
    pauses_s: tuple[float, ...]
    every_s: float | None
    members: int
    injects: tuple[OwnInject, ...] = ()
    answers: tuple[Answer, ...] = ()
    where: str = "drill"
    pauses_key: str = "after_fire_min"

    @property
    def file(self) -> str:
        """The name of the file alone, for what others read."""
        return PurePath(self.where).name


@dataclass(frozen=True)
class Inject:
    """One thing that the trainer gives out, or keeps.

    - `facilitator_only`: never given to the participants: it would give the end away.
    - `basis`: what it was computed from; "" for the trainer's own.
    """

    at_s: float
    kind: InjectKind
    text: str
    source: Literal["computed", "trainer"] = "computed"
    facilitator_only: bool = False
    basis: str = ""


@dataclass(frozen=True)
class Reading:
    """The weather of the plan at one moment; no gust where the weather has none."""

    air_temperature_c: float
    relative_humidity_percent: float
    wind_speed_m_s: float
    wind_from_deg: float
    gust_m_s: float | None
    danger_index: float


@dataclass(frozen=True)
class Pause:
    """A moment at which every group writes down when it would leave, and how.

    - `number`: from 1.
    - `front_m`, `front_bearing_deg`: distance from the home to the nearest ground that has burnt, and where it lies;
      inf and 0 while no fire has been reported.
    - `burnt_ha`: 0 while no fire has been reported.
    """

    number: int
    at_s: float
    reading: Reading
    front_m: float
    front_bearing_deg: float
    burnt_ha: float


@dataclass(frozen=True)
class StreetShut:
    """A street of a route and when it shuts in the central run: its stand-off reached, less the smoke lead."""

    street: str
    at_s: float
    ways: tuple[str, ...]


@dataclass(frozen=True)
class Placed:
    """An answer, placed on the clear-probability curve of its way of leaving in one round.

    - `clear_probability`: share of members that are clear when getting ready starts then; None for staying, which has
      no such curve.
    - `latest_start_s`: the leave-by of that way in that round; None where there is none.
    - `early_s`: how long before the leave-by (below 0: after it); None where there is no leave-by.
    - `shut_at_start`, `shut_at_rolling`: streets of that way's route that are shut by then in the central run; rolling
      is a usual ready time later.
    """

    answer: Answer
    clear_probability: float | None
    latest_start_s: float | None
    early_s: float | None
    shut_at_start: tuple[str, ...]
    shut_at_rolling: tuple[str, ...]


@dataclass(frozen=True)
class Round:
    """The same morning with one speed of the fire.

    - `number`: from 1; the only name that participants see.
    - `speed_m_s`: mean speed of the run to the home; None for the plan's own fire.
    - `scale`: factor on the plan's own head rate of spread; 1 for the plan's own fire.
    - `run_from`: name of the ignition whose fire runs to the home.
    - `run_m`: straight length of that run.
    - `phases`: of the household.
    - `arrival`: the central run.
    - `shuts`: streets of the routes, in the order in which they shut; those that do not are left out.
    - `home_s`, `ember_s`: the front at the home (the earliest cell about it) and the first ember there, in the central
      run.
    - `end_s`: the front at the home, or the plan's horizon.
    - `notes`: what was left out of this round or makes little sense in it, why, and how to mend it.
    """

    number: int
    speed_m_s: float | None
    scale: float
    run_from: str
    run_m: float
    ways: Mapping[str, WayTiming]
    phases: Phases
    arrival: Arrival
    shuts: tuple[StreetShut, ...]
    home_s: float
    ember_s: float
    end_s: float
    injects: tuple[Inject, ...]
    pauses: tuple[Pause, ...]
    placed: tuple[Placed, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Drill:
    """A whole drill.

    - `start`: the first ignition; times in seconds count from here.
    - `rounds`: in the order of the file; the plan's own fire last.
    - `members`: members of each round.
    - `reported_s`: when the first fire is reported: nobody knows of it before.
    - `notes`: what is to be mended in the whole of it; that of a round stands with the round.
    """

    name: str
    script: DrillScript
    plan: Plan
    start: datetime
    rounds: tuple[Round, ...]
    members: int
    assumptions: tuple[str, ...]
    outside_validity: tuple[str, ...]
    network: RoadNetwork
    terrain: Terrain
    home_xy_m: tuple[float, float]
    safe_point_xy_m: Mapping[str, tuple[float, float]]
    reported_s: float
    inputs: Mapping[str, str]
    notes: tuple[str, ...] = ()


def begin_fault(script: DrillScript, *, weather_from_s: float) -> list[Fault]:
    """Say where an exercise begins before the plan's weather does, if it does."""
    early_min = min_from_s(weather_from_s - script.begin_s)
    place = f"{script.where}: [drill]"
    return [fault_of(place, "drill_before_weather", early_min=early_min)] if early_min > 1e-6 else []


def pause_fault(script: DrillScript) -> list[Fault]:
    """Say where no pause falls after the fire's start, when the groups would know of it."""
    if script.every_s is not None or max(script.pauses_s, default=0.0) > 0.0:
        return []
    place = f"{script.file}: [pauses] {script.pauses_key}"
    return [fault_of(place, "no_pause_after_fire", starts_at=script.plan.starts_at)]


def round_is_open(run: Round) -> bool:
    """Whether any way of leaving can be begun in time, at the asked confidence, when the fire of a round starts."""
    return any(way_is_open(way) for way in run.ways.values())


def any_round_is_open(drill: Drill) -> bool:
    """Whether any way of leaving can be begun in time, in any round, when its fire starts."""
    return any(round_is_open(run) for run in drill.rounds)


def known_by(run: Round, pause: Pause) -> tuple[Inject, ...]:
    """Give what participants have been told up to a pause, and nothing that comes later or is kept from them."""
    return tuple(one for one in run.injects if one.at_s <= pause.at_s and not one.facilitator_only)


def new_at(run: Round, pause: Pause) -> tuple[Inject, ...]:
    """Give what is new at a pause: known by it, and not known by the one before."""
    before_s = max((other.at_s for other in run.pauses if other.number < pause.number), default=float("-inf"))
    return tuple(one for one in known_by(run, pause) if one.at_s > before_s)
