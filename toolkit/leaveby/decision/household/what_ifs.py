"""What if the fire is another one: the leave-bys under each model alone, more wind, and speeds set by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np

from leaveby.decision.fires.closing import StretchCells
from leaveby.decision.fires.members import Draws, Members, pick_draws, pick_fires, run_closings
from leaveby.decision.fires.scenario import (
    CENTRAL_Z,
    FireChoice,
    Scenario,
    choice_weather,
    commonest_zone,
    member_ignitions,
    member_table,
)
from leaveby.decision.ways.result import WayTiming, WhatIf
from leaveby.decision.ways.route_fires import latest_departures
from leaveby.decision.ways.sensitivity import moved
from leaveby.decision.ways.timing import ChosenRoute
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FOREST_MODELS, flat_spread
from leaveby.household.plan import Way
from leaveby.units import km_h_from_m_s

WHAT_IF_MEMBERS: Final = 40
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
    watched: StretchCells,
    workers: int,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[WhatIf, ...]:
    """Set other fires beside the plan's own, with the same routes and the first members' draws.

    Parameters
    ----------
    scenario : Scenario
    choice : FireChoice
        The plan's own.
    chosen : mapping of way to ChosenRoute
    timings : mapping of way to WayTiming
        Of all members.
    members : Members
    watched : StretchCells
        The stretches whose closings are asked, in the order of the members' columns.
    workers : int
    progress : callable, optional
        Called with (what, members done, members).
    """
    plan = scenario.inputs.plan
    first = np.arange(min(WHAT_IF_MEMBERS, members.draws.members))
    few = pick_draws(members.draws, first)
    own = Members(few, pick_fires(members.fires, first), members.column_of)
    own_s = latest_departures(scenario, chosen, members=own)
    found = []
    for label, fire in other_fires(scenario, choice):
        closing_s = run_closings(
            few.members,
            partial(_table, scenario, fire, few),
            ignitions_of=lambda member: member_ignitions(scenario, draws=few, member=member),
            horizon_s=plan.horizon_s,
            watched=watched,
            smoke_lead_s=plan.roads.smoke_lead_s,
            workers=workers,
            progress=None if progress is None else partial(progress, label),
        )
        other = replace(own, fires=replace(own.fires, closing_s=closing_s))
        latest_s = latest_departures(scenario, chosen, members=other)
        found.append(_what_if(scenario, fire, label=label, draws=few, latest_s=latest_s, own_s=own_s, timings=timings))
    return tuple(found)


def _table(scenario: Scenario, fire: FireChoice, draws: Draws, member: int) -> SpreadTable:
    return member_table(scenario, fire, draws=draws, member=member)


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
    draws: Draws,
    latest_s: Mapping[Way, float | None],
    own_s: Mapping[Way, float | None],
    timings: Mapping[Way, WayTiming],
) -> WhatIf:
    """Set another fire beside the plan's own: the leave-by of all members, moved by the difference the few tell.

    The few members have the same draws under both fires, so their difference is not luck; their own leave-by would be.
    Another fire moves the latest departure; getting ready takes as long as before, so the latest start moves as much.
    """
    earlier_s = moved({str(way): at_s for way, at_s in latest_s.items()}, {str(way): s for way, s in own_s.items()})
    found: dict[str, float | None] = {}
    for way, at_s in latest_s.items():
        whole_s, shift_s = timings[way].latest_start_s, earlier_s[way]
        if whole_s is not None and shift_s is not None:
            found[way] = whole_s - shift_s
        else:
            found[way] = None if at_s is None else at_s - timings[way].ready_at_confidence_s
    not_shut = "Not shut within the hours looked at in enough members to name a time, or there is no route."
    return WhatIf(
        label=label,
        members=draws.members,
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
