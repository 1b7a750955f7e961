"""What if the fire is another one: the leave-bys under each model alone, more wind, and speeds set by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.fires.design import fire_numbers
from leaveby.decision.fires.members import Draws, MemberFires, Members
from leaveby.decision.fires.scenario import CENTRAL_Z, Scenario, commonest_zone, first_start_s
from leaveby.decision.fires.smooth import LEAST_S
from leaveby.decision.household.timed import Timed
from leaveby.decision.ways.result import WayTiming, WhatIf
from leaveby.decision.ways.route_fires import latest_departures
from leaveby.decision.ways.sensitivity import moved
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FOREST_MODELS, flat_spread
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
    found = []
    for label, other in other_fires(scenario):
        few = replace(sample, fires=solve(label, other, sample.draws))
        closing_s = moved_closings(scenario, members, sample=sample, other=few, edges=edges)
        fires = solve_all(label, other) if closing_s is None else replace(members.fires, closing_s=closing_s)
        latest_s = latest_departures(scenario, chosen, members=replace(members, fires=fires, left_out=()))
        found.append(_what_if(other, label=label, latest_s=latest_s, own_s=own_s, timings=timed.ways))
    return tuple(found)


def moved_closings(
    scenario: Scenario, members: Members, *, sample: Members, other: Members, edges: Sequence[int]
) -> NDArray[np.float64] | None:
    """Move every member's closings by what another fire does to a sample of them, each of whose fires was solved.

    How many times as long fire takes under the other choice is, by its logarithm, nearly linear in the numbers that the
    members share (`fires.design.fire_numbers`); least squares over the sample gives it for all. None where fire shuts a
    stretch that matters under one choice and not under the other in more than one of the sample: then the one can't be
    told from the other.
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
    moved_by = np.zeros((numbers.shape[1], times.shape[1]))  # without columns where no way leads out
    for column, here in enumerate(both.T):
        moved_by[:, column] = np.linalg.lstsq(numbers[here], times[here, column])[0]
    every = np.column_stack([np.ones(members.draws.members), fire_numbers(scenario, members.draws)])
    started_s = first_start_s(scenario, members.draws)[:, None]
    closing_s = started_s + _since_s(scenario, members) * np.exp(every @ moved_by)
    closing_s[closing_s > plan.horizon_s] = np.inf
    return np.asarray(closing_s - plan.roads.smoke_lead_s)


def _since_s(scenario: Scenario, members: Members) -> NDArray[np.float64]:
    """From the first start of a member's fires to when they stand at each stretch; at least a minute."""
    started_s = first_start_s(scenario, members.draws)[:, None]
    return np.maximum(members.fires.closing_s + scenario.inputs.plan.roads.smoke_lead_s - started_s, LEAST_S)


def other_fires(scenario: Scenario) -> list[tuple[str, Scenario]]:
    """Name the fires that the sheet sets beside the plan's own: each model alone, and the speeds set by hand."""
    choice, found = scenario.choice, []
    if choice.set_m_s is None:
        forest = [model for model in choice.models if model in FOREST_MODELS]
        others = tuple(model for model in choice.models if model not in FOREST_MODELS)
        for model in forest if len(choice.models) > 1 else ():
            alone = replace(choice, models=(model, *others))
            found.append((f"{MODEL_WORDS[model]} alone", replace(scenario, choice=alone)))
        stronger = replace(scenario.weather, wind_speed_m_s=scenario.weather.wind_speed_m_s + MORE_WIND_M_S)
        label = f"wind {km_h_from_m_s(MORE_WIND_M_S):.0f} km/h stronger"
        found.append((label, replace(scenario, weather=stronger)))
    for speed_m_s in scenario.inputs.plan.fire.what_if_m_s:
        label = f"fire at {km_h_from_m_s(speed_m_s):g} km/h, set by hand"
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
    not_shut = "Not shut within the hours looked at in enough members to name a time, or there is no route."
    return WhatIf(
        label=label,
        head_ros_m_s=fastest_head(other)[0],
        latest_start_s=found,
        why={way: not_shut for way, at_s in found.items() if at_s is None},
        earlier_s=earlier_s,
    )


def fastest_head(scenario: Scenario) -> tuple[float, tuple[tuple[float, str, float], ...]]:
    """Find the fastest head rate of spread on the flat in the commonest fuel, and what governs it at each step."""
    flat = flat_spread(
        scenario.weather,
        scenario.zones,
        models=scenario.choice.models,
        ros_factors=ros_factors(CENTRAL_Z),
        floor_m_s=scenario.choice.floor_m_s,
        set_m_s=scenario.choice.set_m_s,
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
