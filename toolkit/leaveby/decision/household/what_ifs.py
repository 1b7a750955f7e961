"""What if the fire is another one: the leave-bys under each model alone, more wind, and speeds set by hand.

And what if the day or the household is: an answer keeps what it was found by (`Held`), and `asked_anew` reads another
one off it at once, with no more fires.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from threadpoolctl import threadpool_limits

from leaveby.confidence import latest_at_confidence, longest_at_confidence
from leaveby.decision.fires.design import COMMON, PARTS, FireDesign, design_members, fire_numbers
from leaveby.decision.fires.members import MORNINGS, Draws, MemberFires, Members, first_of
from leaveby.decision.fires.scenario import CENTRAL_Z, Scenario, commonest_zone, first_start_s
from leaveby.decision.fires.smooth import LEAST_S
from leaveby.decision.household.timed import Timed
from leaveby.decision.ways.confidence import latest_start, precision_of, quantiles_of, share_clear
from leaveby.decision.ways.result import WayTiming, WhatIf
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.decision.ways.route_fires import latest_departures, share_burnt
from leaveby.decision.ways.sensitivity import moved
from leaveby.decision.ways.timing import (
    SHARE_SLACK,
    ChosenRoute,
    curve_moments,
    departures,
    described_route,
    held_up_on,
    mornings_of,
    why_unbounded,
)
from leaveby.errors import refuse
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FOREST_MODELS, flat_spread
from leaveby.household.plan_tables import Way
from leaveby.household.readiness import Mornings, ready_times
from leaveby.parameters import WEATHER_SHIFT_S, WIND_SPEED_ERROR
from leaveby.units import speed_words

SAMPLE: Final = 10
"""So many members' fires are solved under each other choice."""

MOVED: Final = 2 * MORNINGS
JUDGED_BY: Final = 500
"""So many members' fires are read off the functions anew, and so many without each part of the solved fires."""

MORE_WIND_M_S: Final = 10.0 / 3.6
MODEL_WORDS: Final[Mapping[str, str]] = {
    "dry_eucalypt": "dry eucalypt forest equation",
    "mark5": "Mark 5 forest equation",
    "rule_10_percent": "10 % of the wind",
}


def what_ifs(
    timed: Timed,
    sample: Members,
    *,
    solve: Callable[[str, Scenario, Draws], MemberFires],
    solve_all: Callable[[str, Scenario], MemberFires],
) -> tuple[WhatIf, ...]:
    """Set other fires beside the plan's own, with the same routes and the same draws.

    The sample's fires were solved under the plan's own choice; `solve` solves them under another, `solve_all` gives
    those of all members, at full cost.
    """
    scenario, members, chosen = timed.asked.scenario, timed.members, timed.chosen
    own_s = latest_departures(scenario, chosen, members=members)
    edges = sorted({edge for one in chosen.values() for edge in one.ruled_by.edges})

    def under(label: str, other: Scenario) -> Members:
        their = replace(sample, fires=solve(label, other, sample.draws))
        closing_s = moved_closings(scenario, members, edges=edges, sample=sample, other=their)
        if closing_s is None:
            return replace(members, fires=solve_all(label, other), left_out=())
        column_of = {edge: column for column, edge in enumerate(edges)}
        return Members(members.draws, replace(members.fires, closing_s=closing_s), column_of)

    found = []
    for label, other in other_fires(scenario):
        latest_s = latest_departures(scenario, chosen, members=under(label, other))
        found.append(_what_if(other, label=label, latest_s=latest_s, own_s=own_s, timings=timed.ways))
    return tuple(found)


def moved_closings(
    scenario: Scenario, members: Members, *, edges: Sequence[int], sample: Members, other: Members
) -> NDArray[np.float64] | None:
    """Move every member's closings of some edges by what another fire does to a sample of them.

    Of the sample each fire was solved under both choices. How many times as long fire takes under the other one is, by
    its logarithm, nearly linear in the numbers that the members share (`fires.design.fire_numbers`); least squares over
    the sample gives it for all. None where fire shuts a stretch that matters under one choice and not under the other
    in more than one of the sample: then the one can't be told from the other.
    """
    plan = scenario.inputs.plan
    own_s, their_s = (_since_s(scenario, one, edges) for one in (sample, other))
    differ = np.isfinite(own_s) != np.isfinite(their_s)
    if np.any(differ.sum(axis=0) > 1):
        return None
    numbers = np.column_stack([np.ones(sample.draws.members), fire_numbers(scenario, sample.draws)])
    both = np.isfinite(own_s) & np.isfinite(their_s)
    times = np.log(np.where(both, their_s, 1.0) / np.where(both, own_s, 1.0))
    moved_by = np.zeros((numbers.shape[1], times.shape[1]))  # without columns where no way leads out
    for column, here in enumerate(both.T):
        moved_by[:, column] = np.linalg.lstsq(numbers[here], times[here, column])[0]
    every = np.column_stack([np.ones(members.draws.members), fire_numbers(scenario, members.draws)])
    closing_s = every @ moved_by
    np.exp(closing_s, out=closing_s)
    closing_s *= _since_s(scenario, members, edges)
    closing_s += first_start_s(scenario, members.draws)[:, None]
    closing_s[closing_s > plan.horizon_s] = np.inf
    closing_s -= plan.roads.smoke_lead_s
    return closing_s


def _since_s(scenario: Scenario, members: Members, edges: Sequence[int]) -> NDArray[np.float64]:
    """From the first start of a member's fires to when they stand at each stretch; at least a minute."""
    since_s = members.closing_on(edges)
    since_s += scenario.inputs.plan.roads.smoke_lead_s
    since_s -= first_start_s(scenario, members.draws)[:, None]
    return np.maximum(since_s, LEAST_S, out=since_s)


def other_fires(scenario: Scenario) -> list[tuple[str, Scenario]]:
    """Name the fires that the sheet sets beside the plan's own: each model alone, and the speeds set by hand."""
    choice, found, measures = scenario.choice, [], scenario.inputs.plan.measures
    if choice.set_m_s is None:
        forest = [model for model in choice.models if model in FOREST_MODELS]
        others = tuple(model for model in choice.models if model not in FOREST_MODELS)
        for model in forest if len(choice.models) > 1 else ():
            alone = replace(choice, models=(model, *others))
            found.append((f"{MODEL_WORDS[model]} alone", replace(scenario, choice=alone)))
        stronger = replace(scenario.weather, wind_speed_m_s=scenario.weather.wind_speed_m_s + MORE_WIND_M_S)
        label = f"wind {speed_words(MORE_WIND_M_S, measures)} stronger"
        found.append((label, replace(scenario, weather=stronger)))
    for speed_m_s in scenario.inputs.plan.fire.what_if_m_s:
        label = f"fire at {speed_words(speed_m_s, measures)}, set by hand"
        found.append((label, replace(scenario, choice=replace(choice, floor_m_s=None, set_m_s=speed_m_s))))
    return found


def _what_if(
    other: Scenario,
    *,
    label: str,
    latest_s: Mapping[str, float | None],
    own_s: Mapping[str, float | None],
    timings: Mapping[str, WayTiming],
) -> WhatIf:
    """Set another fire beside the plan's own.

    Another fire moves the latest departure; getting ready takes as long as before, so the latest start moves as much.
    """
    earlier_s = moved(latest_s, own_s)
    found: dict[str, float | None] = {}
    for way, timing in timings.items():
        shift_s, at_s = earlier_s.get(way), latest_s.get(way)
        if timing.latest_start_s is not None and shift_s is not None:
            found[way] = timing.latest_start_s - shift_s
        else:
            found[way] = None if at_s is None else at_s - timing.ready_at_confidence_s
    not_shut = "Not shut within the hours looked at on enough such days to name a time, or there is no route."
    return WhatIf(
        label=label,
        head_ros_m_s=fastest_head(other)[0],
        latest_start_s=found,
        why={way: not_shut for way, at_s in found.items() if at_s is None},
        earlier_s=earlier_s,
    )


def fastest_head(scenario: Scenario) -> tuple[float, tuple[tuple[float, str, float], ...]]:
    """Find the fastest head rate of spread on the flat in the commonest fuel, and what governs it at each step."""
    factors = ros_factors(CENTRAL_Z)
    flat = flat_spread(scenario.weather, scenario.zones, choice=scenario.choice, ros_factors=factors)
    time_s = scenario.weather.time_s
    ends_s = np.append(time_s[1:], np.inf)
    steps = np.flatnonzero((time_s < scenario.inputs.plan.horizon_s) & (ends_s > 0.0))
    zone = commonest_zone(scenario)
    rows = tuple(
        (float(time_s[k]), flat.governors[int(flat.governing[k, zone])], float(flat.head_ros_m_s[k, zone]))
        for k in steps
    )
    return max(row[2] for row in rows), rows


@dataclass(frozen=True)
class Held:
    """What an answer was found by: enough to ask it anew without any more fires.

    `design` is None where members had fires of their own: then the fire can't be moved.
    """

    timed: Timed
    design: FireDesign | None

    def read(self, draws: Draws, *, part: int = 0) -> Members:
        """Read members' fires off the functions."""
        if self.design is None:
            raise refuse("the fire", "can't be moved", expected="a design of fires", mend="ask for more members")
        fires = design_members(self.design, draws, part=part)
        return Members(draws, fires, self.timed.members.column_of, solved=self.design.solved)

    @cached_property
    def unmoved(self) -> Members:
        """The first members as they are before the fire is moved."""
        return self.read(first_of(self.timed.members.draws, MOVED))

    @cached_property
    def mornings(self) -> Mornings:
        """How long tasks take on the household's mornings, and when its people are home."""
        return mornings_of(self.timed.asked.scenario, first_of(self.timed.members.draws, MORNINGS))

    def roads(self) -> list[tuple[Way, CandidateRoute]]:
        """Give the other routes that were looked at and end where fire comes in no more members than is allowed."""
        timed, late = self.timed, 1.0 - self.timed.asked.scenario.inputs.plan.confidence
        return [
            (way, road)
            for way, chosen in timed.chosen.items()
            for road in timed.asked.candidates[way]
            if road is not chosen.route and timed.burnt_share[road.safe_point] <= late + SHARE_SLACK
        ]


@dataclass(frozen=True)
class Asking:
    """What is asked instead of the plan's own; what is left out stays as the plan has it.

    - `wind_factor`, `later_s`: wind over forecast wind, and by how much later all weather comes, on top of what each
      member drew.
    - `times_as_long`: by task, 0 or more.
    - `confidence`: above 0 and below 1.
    - `roads`: by way of leaving, another route that was looked at.
    """

    wind_factor: float = 1.0
    later_s: float = 0.0
    times_as_long: Mapping[str, float] = field(default_factory=dict)
    confidence: float | None = None
    roads: Mapping[Way, CandidateRoute] = field(default_factory=dict)


Span = tuple[float, float]


def furthest(design: FireDesign, confidence: float) -> tuple[Span, Span]:
    """Give the least and greatest wind factor, and shift of the weather in seconds, that the solved fires reach to.

    So far that the members that a leave-by at this confidence hangs on stay among the solved fires.
    """
    low, high = _solved_range(design)
    low, high = np.minimum(low + ndtri(confidence), 0.0), np.maximum(high - ndtri(confidence), 0.0)
    wind, later = WIND_SPEED_ERROR.value, WEATHER_SHIFT_S.value
    return (
        (float(np.exp(wind * low[1])), float(np.exp(wind * high[1]))),
        (float(later * low[3]), float(later * high[3])),
    )


def _solved_range(design: FireDesign) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """From where to where the fires of every ignition reach, in each of the numbers that all ignitions share."""
    every = [one.numbers[:, :COMMON] for one in design.ignitions]
    return np.max([one.min(axis=0) for one in every], axis=0), np.min([one.max(axis=0) for one in every], axis=0)


def asked_anew(held: Held, asking: Asking) -> dict[str, WayTiming]:
    """Time every way of leaving under another wind, clock, household or confidence, or on another road.

    The plan's lists of tasks and its other routes are held. While the fire is not moved these are all members, as in
    the answer. Once it is, the first `MOVED` of them are read off the same functions, and set off by what they differed
    from all members before the move. Raises InputError where the fire is moved beyond what the solved fires reach to
    (`furthest`).
    """
    timed, plan = held.timed, held.timed.asked.scenario.inputs.plan
    confidence = asking.confidence or plan.confidence
    still = asking.wind_factor == 1.0 and asking.later_s == 0.0
    members = timed.members if still else _moved(held, asking, confidence=confidence)
    burnt_share = timed.burnt_share if still else share_burnt(timed.asked.scenario, members.fires)
    found = {}
    for way in timed.asked.roads:
        road, chosen = asking.roads.get(way), timed.chosen.get(way)
        chosen = chosen if road is None else ChosenRoute(road, road)
        latest_of, why = departures(timed.asked.scenario, chosen), ""
        if chosen is not None and not still:
            end, late = chosen.route.safe_point, 1.0 - plan.confidence + SHARE_SLACK
            if timed.burnt_share[end] <= late < burnt_share[end]:
                why = f"Fire reaches {end} in {100.0 * burnt_share[end]:.0f} of 100 such days: take another road."
                latest_of = departures(timed.asked.scenario, None)
            else:
                every_s = timed.ways[way].member_latest_departure_s if road is None else latest_of(timed.members)
                latest_of = _set_off(latest_of, every_s, first=held.unmoved, confidence=confidence)
        timing = _timed_anew(held, way, chosen=chosen, members=members, latest_of=latest_of, asking=asking)
        found[str(way)] = replace(timing, why=why) if why else timing
    return found


def _moved(held: Held, asking: Asking, *, confidence: float) -> Members:
    """Read the first members under the other wind and clock; nobody is moved out of the solved fires by it."""
    every = held.timed.members.draws
    if held.design is None:
        return held.unmoved
    spans, low, high = furthest(held.design, confidence), *_solved_range(held.design)
    for what, at, (least, most) in zip(
        ("wind_factor", "later_s"), (asking.wind_factor, asking.later_s), spans, strict=True
    ):
        if not least <= at <= most:
            expected = f"{least:.3g} to {most:.3g}, as far as the solved fires reach"
            raise refuse(what, f"is {at:g}", expected=expected, mend="move it less")

    def kept(z: NDArray[np.float64], by: float, *, number: int) -> NDArray[np.float64]:
        return np.clip(z + by, np.minimum(z, low[number]), np.maximum(z, high[number]))

    def moved_draws(most: int) -> Draws:
        own, wind, shift_s = first_of(every, most), WIND_SPEED_ERROR.value, WEATHER_SHIFT_S.value
        windier = kept(np.log(own.wind_factor) / wind, np.log(asking.wind_factor) / wind, number=1)
        later = kept(own.weather_shift_s / shift_s, asking.later_s / shift_s, number=3)
        return replace(own, wind_factor=np.exp(wind * windier), weather_shift_s=shift_s * later)

    few = moved_draws(JUDGED_BY)
    with threadpool_limits(1, user_api="blas"):
        parts = tuple(held.read(few, part=part) for part in range(PARTS + 1))
        return replace(held.read(moved_draws(MOVED)), left_out=parts)


LatestOf = Callable[[Members], NDArray[np.float64]]


def _set_off(latest_of: LatestOf, every_s: NDArray[np.float64], *, first: Members, confidence: float) -> LatestOf:
    """Set departures off by what those of all members are later than those of the first, before the fire is moved."""
    by_s = latest_at_confidence(every_s, confidence) - latest_at_confidence(latest_of(first), confidence)
    return lambda members: latest_of(members) + (by_s if np.isfinite(by_s) else 0.0)


def _timed_anew(
    held: Held, way: Way, *, chosen: ChosenRoute | None, members: Members, latest_of: LatestOf, asking: Asking
) -> WayTiming:
    timed, draws = held.timed, members.draws
    scenario, timing = timed.asked.scenario, timed.ways[way]
    plan, ready_s = scenario.inputs.plan, timing.member_ready_s[: draws.members]
    confidence = asking.confidence or plan.confidence
    if asking.times_as_long:
        longer = np.array([asking.times_as_long.get(task.name, 1.0) for task in plan.tasks])
        mornings = replace(held.mornings, durations_s=held.mornings.durations_s * longer)
        by_list_s = ready_times(mornings, way, policy=timing.schedule)
        ready_s = np.resize(by_list_s + timing.ready_rounded_up_s, draws.members)
    leave_s = latest_of(members)
    start_s, leave_by_s = leave_s - ready_s, latest_at_confidence(leave_s, confidence)
    start_by_s = latest_start(leave_s, ready_s=ready_s, confidence=confidence)
    moments_s = curve_moments(start_s)
    why = timing.why if chosen is None else why_unbounded(scenario, way, leave_s)
    if way in asking.roads and chosen is not None:
        drive_s, roads = chosen.route.drive_s(draws.drive_factor, leave_s=leave_by_s), timed.asked.roads[way]
        timing = replace(
            timing,
            drive_s=quantiles_of(drive_s),
            required_s=quantiles_of(ready_s + drive_s),
            route=described_route(scenario, chosen.route, travel_time_s=roads.time_s, closing_s=timed.closing_s),
            held_up=held_up_on(scenario, roads, chosen.route),
        )
    return replace(
        timing,
        ready_s=quantiles_of(ready_s),
        ready_at_confidence_s=longest_at_confidence(ready_s, confidence),
        latest_start_s=start_by_s if np.isfinite(start_by_s) else None,
        latest_departure_s=leave_by_s if np.isfinite(leave_by_s) else None,
        why="" if np.isfinite(start_by_s) else why,
        start_s=moments_s,
        clear_probability=share_clear(start_s, moments_s),
        member_latest_start_s=np.sort(start_s),
        member_latest_departure_s=leave_s,
        member_ready_s=ready_s,
        precision=precision_of(members, latest_of, ready_s=ready_s, confidence=confidence),
    )
