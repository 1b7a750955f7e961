"""The three phases of leaving, in time, late and every road shut on most such days, and the timetable that they make.

Until the latest start one is in time, at the asked confidence. After it one is late: the runs in which one is caught
grow with every minute, and most still get clear. Only when in more than half of the runs no road leads out any more has
leaving ended: a household must neither be told to shelter while most runs get out, nor that any road will be open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.fires.members import Members
from leaveby.decision.fires.scenario import Scenario
from leaveby.decision.ways.neighbours import holds_everywhere
from leaveby.decision.ways.result import WAY_WORDS, FireSummary, Phases, TimetableRow, WayTiming
from leaveby.decision.ways.roads import CandidateRoute, WayRoads
from leaveby.decision.ways.sensitivity import DELAY_S
from leaveby.decision.ways.timing import ChosenRoute, route_latest_s
from leaveby.household.plan_tables import Way
from leaveby.household.shelter import LastResort
from leaveby.roads.network.graph import RoutingGraph
from leaveby.roads.routing.latest_departure import latest_departure

CLOCK_STEP_S: Final = 300.0

DO_WHEN_LATE: Final[Mapping[str, str]] = {
    "tow": "if it is not rolling, leave it behind, and go as officially directed",
    "car": "no packing, go at once and as officially directed",
    "foot": "no packing, go at once and as officially directed",
}
"""What is left to do in the late phase of each way of leaving."""

EVERY_ROAD_SHUT: Final = (
    "On more than half of such days every road out is shut from now on, or shuts before you are through. Only from "
    "here on, and only as officially directed, is there a last resort."
)


def phases_of(
    scenario: Scenario,
    timings: Mapping[str, WayTiming],
    *,
    candidates: Mapping[Way, Sequence[CandidateRoute]],
    chosen: Mapping[Way, ChosenRoute],
    members: Members,
    central_exit_s: Mapping[Way, float],
) -> tuple[dict[str, Phases], Phases]:
    """Find the phases of every way of leaving, and those of the household.

    Every route that was looked at counts, not only those that were timed: officials may direct along another one.
    """
    start = scenario.inputs.plan.starts_at

    def latest_s(candidate: CandidateRoute) -> NDArray[np.float64]:
        return route_latest_s(scenario, candidate, members=members)

    ways: dict[str, Phases] = {}
    last_s = np.full(members.draws.members, -np.inf)
    for way, exit_s in central_exit_s.items():
        timing = timings[way]
        mine_s = np.full(members.draws.members, -np.inf)
        for candidate in candidates.get(way, ()):
            mine_s = np.maximum(mine_s, latest_s(candidate))
        last_s = np.maximum(last_s, mine_s)
        ways[str(way)] = phases(
            latest_s(chosen[way].ruled_by) if way in chosen else mine_s,
            mine_s,
            start_by_s=_until_s(timing, timing.latest_start_s),
            roll_by_s=_until_s(timing, timing.latest_departure_s),
            central_exit_s=exit_s,
            start=start,
        )
    whole = phases(
        last_s,
        last_s,
        start_by_s=max((one.start_by_s for one in ways.values()), default=-np.inf),
        roll_by_s=max((one.roll_by_s for one in ways.values()), default=-np.inf),
        central_exit_s=max(central_exit_s.values(), default=-np.inf),
        start=start,
    )
    return ways, whole


def _until_s(timing: WayTiming, at_s: float | None) -> float:
    if timing.route is None:
        return -np.inf
    return np.inf if at_s is None else at_s


def phases(
    route_s: NDArray[np.float64],
    any_road_s: NDArray[np.float64],
    *,
    start_by_s: float,
    roll_by_s: float,
    central_exit_s: float,
    start: datetime,
) -> Phases:
    """Work out the phases from the members' latest departures, on the timed route and on the best of all looked at.

    `central_exit_s` is the last departure over all roads in the central run, `start` where the clock stands at 0 s.
    """
    shut_s = max(shut_in_most_s(any_road_s), central_exit_s, roll_by_s)
    return Phases(
        start_by_s=start_by_s,
        roll_by_s=roll_by_s,
        ten_minutes_cost=_ten_minutes_cost(route_s, from_s=roll_by_s, until_s=shut_s),
        shut_from_s=_whole_clock_step_s(shut_s, start),
    )


def shut_in_most_s(member_latest_s: NDArray[np.float64]) -> float:
    """Give the last moment at which at least half of the members still get clear: after it more than half do not."""
    return float(np.sort(member_latest_s)[member_latest_s.size // 2])


def _ten_minutes_cost(member_latest_s: NDArray[np.float64], *, from_s: float, until_s: float) -> float:
    """The largest share of members that ten minutes of delay leave caught, begun between two moments."""
    if not np.isfinite(from_s) or from_s > until_s:
        return 0.0
    ordered = np.sort(member_latest_s)
    begun_s = np.append(ordered[(ordered >= from_s) & (ordered <= until_s)], from_s)
    begun_s = begun_s[np.isfinite(begun_s)]
    caught = np.searchsorted(ordered, begun_s + DELAY_S) - np.searchsorted(ordered, begun_s)
    return float(caught.max()) / ordered.size


def _whole_clock_step_s(at_s: float, start: datetime) -> float:
    if not np.isfinite(at_s):
        return at_s
    past_s = start.minute * 60.0 + start.second + start.microsecond / 1e6
    # The small allowance keeps a moment on the step from being put off by the last bits of a float.
    return float(np.ceil((at_s + past_s) / CLOCK_STEP_S - 1e-9) * CLOCK_STEP_S - past_s)


def last_exits_s(
    scenario: Scenario, roads: Mapping[Way, WayRoads], *, graph: RoutingGraph, closing_s: NDArray[np.float64]
) -> dict[Way, float]:
    """Find from when on no road at all leads out in time, to any safe point, by each way of leaving.

    That is the last moment to be rolling, or walking, with the plan's margin kept; inf where some road stays open to
    the horizon, -inf where there is none even with no fire.
    """
    last_s: dict[Way, float] = {}
    for way, found in roads.items():
        last_s[way] = -np.inf
        if not found.why_none:
            left = latest_departure(
                graph,
                found.time_s,
                closing_s=closing_s,
                targets=list(found.targets),
                margin_s=scenario.inputs.plan.margin_s,
                holds=None if found.neighbours is None else holds_everywhere(found.neighbours, found.time_s),
            )
            last_s[way] = float(left.time_s[scenario.home_node])
    return last_s


def late_words(way: str, found: Phases) -> str:
    """Say what is left to do in the late phase of a way of leaving, and what every delay costs.

    Examples
    --------
    >>> late_words("tow", Phases(600.0, 900.0, 0.0, 6000.0))
    'if it is not rolling, leave it behind, and go as officially directed.'
    """
    caught = int(np.ceil(100.0 * found.ten_minutes_cost - 1e-9))
    more = f" Every ten minutes later you are caught on up to {caught} more of 100 such days." if caught else ""
    return f"{DO_WHEN_LATE[way]}.{more}"


def timetable(
    timings: Mapping[str, WayTiming],
    *,
    fire: FireSummary | None,
    way_phases: Mapping[str, Phases],
    phases: Phases,
    shelter: LastResort,
    confidence: float,
) -> tuple[TimetableRow, ...]:
    """Set leaving and the last resort side by side in time: what ends when, and that leaving comes first.

    Rows without a moment (nothing within the horizon) are left out; the assumptions and each way's `why` say so.
    Without a worked day there are none.
    """
    if fire is None:
        return ()
    rows: list[tuple[float | None, str, str]] = [(0.0, "fire", "The fire of this day starts.")]
    for way, timing in timings.items():
        words, found, route = WAY_WORDS[way], way_phases[way], timing.route
        sooner_s = found.shut_from_s if found.shut_from_s < phases.shut_from_s else None
        rows += [
            (timing.latest_start_s, f"start {way}", f"Latest start of getting ready to leave {words}."),
            (timing.latest_departure_s, f"late {way}", f"Late from now on {words}: {late_words(way, found)}"),
            (sooner_s, f"end {way}", f"On more than half of such days no road gets clear {words} from now on."),
        ]
        if route is not None:
            shuts = f"On a middling day, {route.closes_first} shuts on the way {words}."
            rows.append((route.closes_first_s, f"shut {way}", shuts))
    early = f"(in the earliest {100.0 * (1.0 - confidence):.3g} % of such days)"
    rows += [
        (phases.shut_from_s, "last resort", EVERY_ROAD_SHUT),
        (shelter.ember_arrival_s, "embers", f"Embers may reach the home from now on {early}."),
        (shelter.front_arrival_s, "front", f"The front may reach the home from now on {early}."),
        (fire.home_p50_s, "front", "The front has reached the home on half of such days."),
    ]
    known = [TimetableRow(at_s, kind, said) for at_s, kind, said in rows if at_s is not None and np.isfinite(at_s)]
    return tuple(sorted(known, key=lambda row: (row.at_s, row.kind)))
