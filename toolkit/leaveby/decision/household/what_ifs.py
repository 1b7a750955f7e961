"""What if the fire is another one: the leave-bys under each model alone, more wind, and speeds set by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.fires.design import fire_numbers
from leaveby.decision.fires.members import Draws, MemberFires, Members
from leaveby.decision.fires.scenario import (
    CENTRAL_Z,
    FireChoice,
    Scenario,
    choice_weather,
    commonest_zone,
    first_start_s,
)
from leaveby.decision.fires.smooth import LEAST_S
from leaveby.decision.ways.result import WayTiming, WhatIf
from leaveby.decision.ways.route_fires import latest_departures
from leaveby.decision.ways.sensitivity import moved
from leaveby.decision.ways.timing import ChosenRoute
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FOREST_MODELS, flat_spread
from leaveby.household.plan import Way
from leaveby.units import km_h_from_m_s

SAMPLE: Final = 10
"""So many members' fires are solved under each other choice."""

MORE_WIND_M_S: Final = 10.0 / 3.6
MODEL_WORDS: Final[Mapping[str, str]] = {
    "dry_eucalypt": "dry eucalypt forest equation",
    "mark5": "Mark 5 forest equation",
    "rule_10_percent": "10 % of the wind",
}


def what_ifs(
    scenario: Scenario,
    choice: FireChoice,
    *,
    chosen: Mapping[Way, ChosenRoute],
    timings: Mapping[Way, WayTiming],
    members: Members,
    sample: Members,
    solve: Callable[[str, FireChoice, Draws], MemberFires],
    solve_all: Callable[[str, FireChoice], MemberFires],
) -> tuple[WhatIf, ...]:
    """Set other fires beside the plan's own, with the same routes and the same draws.

    Parameters
    ----------
    scenario : Scenario
    choice : FireChoice
        The plan's own.
    chosen : mapping of way to ChosenRoute
    timings : mapping of way to WayTiming
    members : Members
    sample : Members
        Some whose own fires were solved under the plan's choice.
    solve : callable
        From (label, choice, draws) to their fires under another choice, each solved.
    solve_all : callable
        From (label, choice) to the fires of all members under another choice, at full cost.
    """
    own_s = _words_of(latest_departures(scenario, chosen, members=members))
    edges = sorted({edge for one in chosen.values() for edge in one.ruled_by.edges})
    found = []
    for label, fire in other_fires(scenario, choice):
        few = replace(sample, fires=solve(label, fire, sample.draws))
        closing_s = moved_closings(scenario, members, sample=sample, other=few, edges=edges)
        fires = solve_all(label, fire) if closing_s is None else replace(members.fires, closing_s=closing_s)
        latest_s = _words_of(latest_departures(scenario, chosen, members=replace(members, fires=fires, left_out=())))
        found.append(_what_if(scenario, fire, label=label, latest_s=latest_s, own_s=own_s, timings=timings))
    return tuple(found)


def _words_of(latest_s: Mapping[Way, float | None]) -> dict[str, float | None]:
    return {str(way): at_s for way, at_s in latest_s.items()}


def moved_closings(
    scenario: Scenario, members: Members, *, sample: Members, other: Members, edges: Sequence[int]
) -> NDArray[np.float64] | None:
    """Move every member's closings by what another fire does to a sample of them.

    How many times as long fire takes under the other choice is, by its logarithm, nearly linear in the numbers that the
    members share (`fires.design.fire_numbers`); least squares over the sample gives it for all.

    Parameters
    ----------
    scenario : Scenario
    members : Members
        All of them, under the plan's own choice.
    sample, other : Members
        The same draws under the plan's own choice and under the other one, each fire solved.
    edges : sequence of int
        Those that matter.

    Returns
    -------
    ndarray of float64, shape (members, watched stretches), or None
        None where fire shuts a stretch that matters under one choice and not under the other in more than one of the
        sample: then the one can't be told from the other.
    """
    plan = scenario.inputs.plan
    own_s, their_s = (_since_s(scenario, one) for one in (sample, other))
    columns = [members.column_of[edge] for edge in edges]
    differ = np.isfinite(own_s[:, columns]) != np.isfinite(their_s[:, columns])
    if np.any(differ.sum(axis=0) > 1):
        return None
    numbers = np.column_stack([np.ones(sample.draws.members), fire_numbers(scenario, sample.draws)])
    both = np.isfinite(own_s) & np.isfinite(their_s)
    times = np.log(np.where(both, their_s, 1.0) / np.where(both, own_s, 1.0))
    moved_by = np.column_stack(
        [np.linalg.lstsq(numbers[here], times[here, column])[0] for column, here in enumerate(both.T)]
    )
    every = np.column_stack([np.ones(members.draws.members), fire_numbers(scenario, members.draws)])
    started_s = first_start_s(scenario, members.draws)[:, None]
    closing_s = started_s + _since_s(scenario, members) * np.exp(every @ moved_by)
    closing_s[closing_s > plan.horizon_s] = np.inf
    return np.asarray(closing_s - plan.roads.smoke_lead_s)


def _since_s(scenario: Scenario, members: Members) -> NDArray[np.float64]:
    """From the first start of a member's fires to when they stand at each stretch; at least a minute."""
    started_s = first_start_s(scenario, members.draws)[:, None]
    return np.maximum(members.fires.closing_s + scenario.inputs.plan.roads.smoke_lead_s - started_s, LEAST_S)


def other_fires(scenario: Scenario, choice: FireChoice) -> list[tuple[str, FireChoice]]:
    """Name the fires that the sheet sets beside the plan's own: each model alone, and the speeds set by hand."""
    plan = scenario.inputs.plan
    found = []
    if choice.set_m_s is None and len(choice.models) > 1:
        forest = [model for model in choice.models if model in FOREST_MODELS]
        others = tuple(model for model in choice.models if model not in FOREST_MODELS)
        for model in forest:
            label = f"{MODEL_WORDS[model]} alone"
            found.append((label, FireChoice(models=(model, *others), floor_m_s=choice.floor_m_s)))
    if choice.set_m_s is None:
        label = f"wind {km_h_from_m_s(MORE_WIND_M_S):.0f} km/h stronger"
        found.append((label, replace(choice, more_wind_m_s=MORE_WIND_M_S)))
    for speed_m_s in plan.fire.what_if_m_s:
        label = f"fire at {km_h_from_m_s(speed_m_s):g} km/h, set by hand"
        found.append((label, FireChoice(models=choice.models, set_m_s=speed_m_s)))
    return found


def _what_if(
    scenario: Scenario,
    choice: FireChoice,
    *,
    label: str,
    latest_s: Mapping[str, float | None],
    own_s: Mapping[str, float | None],
    timings: Mapping[Way, WayTiming],
) -> WhatIf:
    """Set another fire beside the plan's own.

    Another fire moves the latest departure; getting ready takes as long as before, so the latest start moves as much.
    """
    earlier_s = moved(latest_s, own_s)
    found: dict[str, float | None] = {}
    for way, timing in timings.items():
        shift_s, at_s = earlier_s.get(way), latest_s.get(way)
        if timing.latest_start_s is not None and shift_s is not None:
            found[str(way)] = timing.latest_start_s - shift_s
        else:
            found[str(way)] = None if at_s is None else at_s - timing.ready_at_confidence_s
    not_shut = "Not shut within the hours looked at in enough members to name a time, or there is no route."
    return WhatIf(
        label=label,
        head_ros_m_s=fastest_head(scenario, choice)[0],
        latest_start_s=found,
        why={way: not_shut for way, at_s in found.items() if at_s is None},
        earlier_s=earlier_s,
    )


def fastest_head(scenario: Scenario, choice: FireChoice) -> tuple[float, tuple[tuple[float, str, float], ...]]:
    """Find the fastest head rate of spread on the flat in the commonest fuel, and what governs it at each step."""
    flat = flat_spread(
        choice_weather(scenario, choice),
        scenario.zones,
        models=choice.models,
        ros_factors=ros_factors(CENTRAL_Z),
        floor_m_s=choice.floor_m_s,
        set_m_s=choice.set_m_s,
    )
    time_s = scenario.weather.time_s
    ends_s = np.append(time_s[1:], np.inf)
    steps = np.flatnonzero((time_s < scenario.inputs.plan.horizon_s) & (ends_s > 0.0))
    zone = commonest_zone(scenario)
    rows = tuple(
        (float(time_s[k]), flat.governors[int(flat.governing[k, zone])], float(flat.head_ros_m_s[k, zone]))
        for k in steps
    )
    return max(row[2] for row in rows), rows
