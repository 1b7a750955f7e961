"""What an answer takes for granted: gathered from all rooms, never left unsaid."""

from __future__ import annotations

import numpy as np

from leaveby.decision.fires.scenario import burns_about, commonest_zone
from leaveby.decision.household.timed import Timed
from leaveby.decision.ways.result import WAY_WORDS
from leaveby.fire.arrival.embers import EMBER_ASSUMPTIONS
from leaveby.fire.arrival.solve import ARRIVAL_ASSUMPTIONS
from leaveby.fire.spread.ellipse import SHAPE_ASSUMPTIONS
from leaveby.fire.spread.flames import FLAME_ASSUMPTIONS
from leaveby.fire.spread.model_error import ERROR_ASSUMPTIONS
from leaveby.fire.spread.validity import model_assumptions
from leaveby.household.plan import why_no_way
from leaveby.household.plan_tables import WAYS
from leaveby.parameters import (
    DRIVE_TIME_FACTOR_HIGH,
    SPOT_OVER_M,
    TASKS_SLOW_TOGETHER,
    WEATHER_SHIFT_S,
    WIND_SPEED_ERROR,
    WIND_TURN_ERROR_DEG,
)
from leaveby.units import km_h_from_m_s, min_from_s


def assumptions(timed: Timed) -> tuple[str, ...]:
    """List everything that was taken for granted, one sentence each, what matters most first."""
    scenario = timed.asked.scenario
    plan, choice, burnt_share = scenario.inputs.plan, scenario.choice, timed.burnt_share
    said = [
        f"Fire shuts a stretch of road {min_from_s(plan.roads.smoke_lead_s):g} minutes before it comes within "
        f"{plan.roads.standoff_m:g} m of any part of it; {min_from_s(plan.margin_s):g} minutes are kept before that.",
        "Each way of leaving is timed on one route, chosen beforehand; changing route on the way is not counted on.",
        f"The drive may take up to {DRIVE_TIME_FACTOR_HIGH.value:g} times as long as computed (judgement). Queues of "
        "other households are not counted: on a single-exit street leave earlier still.",
        f"On two days of three wind speed is off by {100 * WIND_SPEED_ERROR.value:.0f} % at most and wind direction by "
        f"{WIND_TURN_ERROR_DEG.value:.0f} degrees, on the third by more (judgement).",
        f"On two days of three the weather comes {min_from_s(WEATHER_SHIFT_S.value):.0f} minutes sooner or later than "
        "forecast at most, on the third more (judgement); what stands before and behind the forecast is held.",
        f"Tasks go slowly together: {100 * TASKS_SLOW_TOGETHER.value:.0f} % of how slowly a task goes is common to all "
        "tasks of the morning (judgement).",
        f"Ground that does not burn is crossed by embers at once where it is narrower than {SPOT_OVER_M.value:g} m "
        "(judgement): no creek, road or bare strip is counted on to stop a fire.",
        "The fire is at its full rate of spread from the first minute; no growth from a point is counted on.",
    ]
    if choice.set_m_s is None:
        fuel = scenario.zones.types[commonest_zone(scenario)].name
        said.append(f"Rates of spread are shown for {fuel}, the commonest fuel here; each fuel burns at its own.")
    else:
        said.append(f"The head rate of spread was set by hand: {km_h_from_m_s(choice.set_m_s):g} km/h.")
    if choice.floor_m_s is not None:
        said.append(f"The head rate of spread is never below {km_h_from_m_s(choice.floor_m_s):g} km/h, set by hand.")
    for name, cell in scenario.safe_cells.items():
        if not burns_about(scenario, cell):
            said.append(f"{name} is taken not to burn, by the fuel map; fire may pass all round it.")
    for name, share in burnt_share.items():
        if share > 0.0:
            said.append(
                f"Fire reaches {name} within {plan.horizon_s / 3600.0:g} hours in {100 * share:.0f} % of such days."
            )
    for way, candidate in timed.chosen.items():
        if burnt_share[candidate.route.safe_point] > 1.0 - plan.confidence + 1e-9:
            said.append(f"Every route {WAY_WORDS[way]} ends where fire may come later: be ready to go farther.")
            if candidate.ruled_by is not candidate.route:
                said.append(
                    f"Which of these ends the fire will leave can't be told, so times {WAY_WORDS[way]} go by the one "
                    f"that is cut off first, {candidate.ruled_by.safe_point}."
                )
        more_min = int(np.ceil(min_from_s(timed.ways[way].ready_rounded_up_s)))
        if more_min > 0:
            minutes = f"{more_min} minute" if more_min == 1 else f"{more_min} minutes"
            said.append(
                f"Getting ready to leave {WAY_WORDS[way]} is counted up to {minutes} longer than its list needs: "
                "rounded up so that more to do is never more time."
            )
    for way in WAYS:
        reason = why_no_way(plan, way)
        if reason is not None:
            said.append(f"Leaving {WAY_WORDS[way]} is not a way of this household. {reason}")
    said += [
        *plan.assumptions,
        *scenario.inputs.assumptions,
        *scenario.zones.assumptions,
        *scenario.network.assumptions,
    ]
    said += [*model_assumptions(scenario.zones, models=choice.models), *ERROR_ASSUMPTIONS, *EMBER_ASSUMPTIONS]
    said += FLAME_ASSUMPTIONS
    said += [*SHAPE_ASSUMPTIONS, *ARRIVAL_ASSUMPTIONS]
    for found in timed.asked.roads.values():
        said += found.travel.assumptions
    return tuple(dict.fromkeys(said))
