"""The nouns of an answer to the household question: what the decision room makes and `show` lays out.

All times are seconds from `HouseholdResult.start`, the first ignition; a negative time lies before the fire starts,
`inf` is not within the horizon. Where the plan has no fire of its own, no time of the clock is known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiPolygon

from leaveby.fire.arrival.solve import Arrival
from leaveby.fire.terrain import Grid, Terrain
from leaveby.fire.weather.ratings import HeldRule, RatedDay
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import Way
from leaveby.household.readiness import Saving
from leaveby.household.scheduling import Schedule
from leaveby.household.shelter import LastResort
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import Step

WAY_WORDS: Mapping[str, str] = {
    "tow": "with the house",
    "car": "by car, without the house",
    "foot": "on foot",
}


@dataclass(frozen=True)
class Quantiles:
    """The middle, 90 % and 95 % points of a sampled duration, in seconds."""

    p50_s: float
    p90_s: float
    p95_s: float


@dataclass(frozen=True)
class WayRoute:
    """The one route a way of leaving is timed on, from the home to a safe point by its name in the plan.

    - `time_s`: likely drive (or walking) time.
    - `line`: in the network's reference system, in travel direction.
    - `closes_first`, `closes_first_s`: street of the stretch that shuts first in the scenario's central run, and when,
      smoke lead taken off; "" and inf when none does.
    """

    safe_point: str
    edges: tuple[int, ...]
    length_m: float
    time_s: float
    steps: tuple[Step, ...]
    line: LineString
    closes_first: str
    closes_first_s: float


@dataclass(frozen=True)
class Precision:
    """How well a leave-by is known: the interval it lies in with 90 %, from how many members and solved fires."""

    members: int
    fires: int
    low_s: float
    high_s: float


@dataclass(frozen=True)
class TaskCost:
    """How much earlier one must start when a task takes ten minutes longer, or someone comes home so much later.

    `task` is its name, or "waiting for" and the person's.
    """

    task: str
    earlier_s: float


@dataclass(frozen=True)
class HangsOn:
    """The share of the spread of the latest starts that one uncertainty explains alone."""

    what: str
    share: float


@dataclass(frozen=True)
class HeldUp:
    """What the neighbours' cars are worth on the way out.

    - `street`: the stretch behind which they queue; `cars` pass it, `passes_veh_h` an hour.
    - `at_once_s`: the wait where all of them leave when the household does, ahead of it.
    - `counted_s`: how much of a wait, at the longest, the times have.
    """

    street: str
    cars: int
    passes_veh_h: float
    at_once_s: float
    counted_s: float
    set_out: str


@dataclass(frozen=True)
class WayTiming:
    """One way of leaving, timed.

    - `ready_s`, `drive_s`, `required_s`: from starting to get ready to rolling; on the road, waits in queues with it;
      both together.
    - `ready_at_confidence_s`: ready time that the asked share of members does not exceed.
    - `ready_rounded_up_s`: how much of every ready time here is rounded up (`household.readiness`), 0 as a rule.
    - `latest_start_s`, `latest_departure_s`: one statement: starting to get ready by the first, the wheels roll by the
      second in at least the asked share of members, and rolling by the second clears the road in at least the asked
      share; and starting by the first, at least the asked share gets clear. Negative: before the fire starts. None,
      with `why`, when there is no route, or when the fire does not shut it within the horizon in so many members that
      no time can be named.
    - `fits`: False when no route suits the vehicle even with no fire anywhere.
    - `start_s`, `clear_probability`, shape (k,): share of members clear against the moment one starts getting ready.
    - `member_latest_start_s`, shape (members,): sorted; inf where the fire does not touch the route within the horizon,
      -inf where there is no way.
    - `member_latest_departure_s`, `member_ready_s`, shape (members,): in the order of the draws.
    - `schedule`: the list that is followed, at the likely durations.
    - `critical_share`: by task, the share of members in which it lies on the critical path.
    - `held_up_by`: by person who may be away at first, the share of members in which waiting makes the household ready
      later.
    - `precision`: of `latest_start_s`.
    - `delay_cost`: share of members that starting ten minutes after `latest_start_s` leaves caught; 0 when that is
      None.
    - `held_up`: by the neighbours' cars; None where none are counted, and on foot.
    - `savings`: what doing one task before the season saves at the asked confidence; like the rest, largest first.
    """

    way: str
    ready_s: Quantiles
    drive_s: Quantiles
    required_s: Quantiles
    ready_at_confidence_s: float
    ready_rounded_up_s: float
    latest_start_s: float | None
    latest_departure_s: float | None
    why: str
    fits: bool
    route: WayRoute | None
    start_s: NDArray[np.float64]
    clear_probability: NDArray[np.float64]
    member_latest_start_s: NDArray[np.float64]
    member_latest_departure_s: NDArray[np.float64]
    member_ready_s: NDArray[np.float64]
    schedule: Schedule
    critical_share: Mapping[str, float]
    held_up_by: Mapping[str, float]
    savings: tuple[Saving, ...]
    precision: Precision
    delay_cost: float
    task_costs: tuple[TaskCost, ...]
    hangs_on: tuple[HangsOn, ...]
    held_up: HeldUp | None = None


@dataclass(frozen=True)
class Phases:
    """The three phases of leaving, by one way or of the whole household: in time, late, every road shut.

    *In time*: getting ready can still be begun, or the wheels can still roll, with the asked confidence. *Late*: after
    that; some runs are lost with every minute, most still get clear. *Shut*: in more than half of the runs no road
    leads out any more. Only from there on can there be a last resort.

    - `start_by_s`, `roll_by_s`: until when one is in time: latest start and latest departure at the asked confidence;
      of a household, those of the way that can be left for latest. Inf where not bounded, -inf where there is no way.
    - `ten_minutes_cost`: the largest share of the members that any ten minutes of the late phase leave caught, when one
      rolls without packing; 0 where there is no late phase.
    - `shut_from_s`: from when in more than half of the members no road that was looked at gets one clear, nor any road
      at all in the central run: a whole five minutes of the clock, never before the computed moment. Inf where that
      does not come within the horizon, -inf where there is no way even with no fire.
    """

    start_by_s: float
    roll_by_s: float
    ten_minutes_cost: float
    shut_from_s: float


@dataclass(frozen=True)
class FireSummary:
    """The fire of the scenario.

    - `arrival`: the central run: likely weather, each model at its median error.
    - `home_p05_s`, `home_p50_s`, `ember_home_p05_s`: points over members of the front's arrival at the home, and of the
      earliest embers there, with the front at the latest.
    - `head_ros_m_s`: fastest head rate of spread on flat ground in the central run.
    - `governing`: per weather step: start in seconds, the model that governs, its head rate of spread in m/s.
    """

    arrival: Arrival
    home_p05_s: float
    home_p50_s: float
    ember_home_p05_s: float
    head_ros_m_s: float
    governing: tuple[tuple[float, str, float], ...]


@dataclass(frozen=True)
class TriggerLine:
    """Where the fire may be at the latest when getting ready starts: inside the area it is too late for this way.

    - `ready_s`: how long the household needs at the confidence before its wheels roll, margin and smoke lead with it.
    - `area`: fire anywhere in it reaches the route before the household is through; in the grid's reference system.
    - `distance_m`: bearing from the home in degrees and distance to the line, for 16 directions; inf where the line
      lies beyond the modelled ground.
    """

    way: str
    confidence: float
    ready_s: float
    area: MultiPolygon
    distance_m: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class WhatIf:
    """The leave-by under another assumption about the fire.

    - `latest_start_s`: the leave-by of all members, moved by the difference that the few tell. Each None has its
      sentence in `why`.
    - `earlier_s`: how much earlier that is than with the plan's own fire and the same members; None where either is not
      bounded.
    """

    label: str
    head_ros_m_s: float
    latest_start_s: Mapping[str, float | None]
    why: Mapping[str, str]
    earlier_s: Mapping[str, float | None]


@dataclass(frozen=True)
class WayOutArea:
    """Ground with one answer.

    - `safe_points`: the one that can be left for latest; several when they are equal within a minute; none when it is
      too late.
    - `area`: in the grid's reference system.
    """

    safe_points: tuple[str, ...]
    area: MultiPolygon
    sentence: str


Verdict = Literal["evening before", "on word of fire"]


@dataclass(frozen=True)
class HourShare:
    """How many fires that start between two clock hours leave too little time; `until` may pass 24.

    `share` is of all that may start within the radius, from 0 to 1.
    """

    from_hour: int
    until_hour: int
    share: float
    verdict: Verdict


@dataclass(frozen=True)
class Rule:
    """The rule for one way of leaving on days of one rating; grids have the shape (rows, cols).

    - `told`: whether the rating itself tells people to leave, whatever was computed.
    - `share`: of the fires that may start within the radius, those too near, at the hours when they are most.
    - `go`: with fire inside, or word of it, one goes; whatever the wind, and with the time until one knows.
    - `late`: with fire inside, it is too late to begin getting ready for this way; `landmarks` tell by names where it
      lies.
    - `beyond`: whether the ground ends before the line in some direction.
    - `equal_cells`, shape (routes, rows, cols): which of the household's routes leave most time for fire there, or as
      much within a minute; all where every one leaves enough.
    - `lead_s`: how long after a fire starts at a cell the wheels must roll, for a fire that is as fast as the
      confidence asks; inf beyond what matters, and where fire does not reach the way out.
    - `ways_out`: the ground where fire leaves too little time by some route, by the safe point that leaves most time.
    """

    rating: str
    way: Way
    verdict: Verdict
    told: bool
    share: float
    hours: tuple[HourShare, ...]
    go: TriggerLine
    late: TriggerLine
    go_cells: NDArray[np.bool_]
    late_cells: NDArray[np.bool_]
    equal_cells: NDArray[np.bool_]
    lead_s: NDArray[np.float64]
    landmarks: tuple[str, ...]
    beyond: bool
    ways_out: tuple[WayOutArea, ...]
    sentence: str


@dataclass(frozen=True)
class Rules:
    """The rules of a household for a fire that nobody knows yet.

    - `days`: the rated days, the mildest first.
    - `rules`: by rating and way of leaving.
    - `today`: the rating of the plan's own day; None below the lowest, or where days are described by hand.
    - `held`: the rating of the plan whose rules hold on that day.
    - `grid`: the ground that was looked at.
    - `radius_m`, `allowed_share`: starts within that distance of the home; with more too near it is the evening before.
    """

    days: tuple[RatedDay, ...]
    rules: Mapping[tuple[str, Way], Rule]
    today: str | None
    grid: Grid
    radius_m: float
    allowed_share: float
    assumptions: tuple[str, ...]
    held: HeldRule

    def of(self, rating: str | None) -> tuple[Rule, ...]:
        """Give the rules that hold on days of one rating."""
        return tuple(rule for (name, _), rule in self.rules.items() if name == rating)

    @property
    def drawn(self) -> tuple[Rule, ...]:
        """Give the rules whose lines maps show: of the highest rating that is waited out by any way, or the lowest."""
        waited = [rule.rating for rule in self.rules.values() if rule.verdict == "on word of fire"]
        return self.of(waited[-1] if waited else self.days[0].name)


@dataclass(frozen=True)
class TimetableRow:
    """One line of the timetable: from this moment on, this holds. `kind` groups rows for drawing."""

    at_s: float
    kind: str
    sentence: str


@dataclass(frozen=True)
class FirstAnswer:
    """What few fires say of each way of leaving, while more are solved; `start` is where the clock stands at 0 s."""

    plan: Plan
    start: datetime
    ways: Mapping[str, WayTiming]


@dataclass(frozen=True)
class HouseholdResult:
    """The whole answer to the household question.

    `rules` hold for any fire; the rest is for the plan's own. Where it has none, `fire` is None: then there are ready
    times, roads and tasks beside the rules, and nothing that has to do with the clock may be shown.
    `phases` are those of the household, `way_phases` those of each way of leaving; `held` is what the answer was found
    by (`decision.household.what_ifs.Held`), to ask it anew. `made_elsewhere` is to be said first: where the equations
    of the fire were made for other fuels.
    """

    plan: Plan
    start: datetime
    ways: Mapping[str, WayTiming]
    fire: FireSummary | None
    rules: Rules
    shelter: LastResort
    what_ifs: tuple[WhatIf, ...]
    timetable: tuple[TimetableRow, ...]
    assumptions: tuple[str, ...]
    outside_validity: tuple[str, ...]
    network: RoadNetwork
    closing_s: NDArray[np.float64]
    home_xy_m: tuple[float, float]
    safe_point_xy_m: Mapping[str, tuple[float, float]]
    terrain: Terrain
    members: int
    inputs: Mapping[str, str]
    phases: Phases
    way_phases: Mapping[str, Phases]
    held: object = None
    made_elsewhere: tuple[str, ...] = ()


def clock(result: HouseholdResult, time_s: float) -> datetime:
    """Clock time, with the scenario's UTC offset, of a finite time in seconds from the scenario's start."""
    return result.start + timedelta(seconds=float(time_s))


def opens(result: HouseholdResult) -> bool:
    """Whether any way of leaving is still in time when the fire starts: none may be, and most runs yet get clear."""
    return any(way_is_open(way) for way in result.ways.values())


def way_is_open(way: WayTiming) -> bool:
    """Whether a way of leaving can still be begun in time, with the asked confidence, when the fire starts.

    A way whose time is not bounded within the horizon counts as open; one with no route, or whose latest start
    lies before the first ignition, does not. A way that is not open is late (`Phases`), which is not yet shut.
    """
    return way.route is not None and (way.latest_start_s is None or way.latest_start_s >= 0.0)
