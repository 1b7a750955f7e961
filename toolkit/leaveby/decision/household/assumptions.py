"""What an answer takes for granted: gathered from all rooms, never left unsaid."""

import numpy as np

from leaveby import parameters
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
from leaveby.regions import assumed
from leaveby.units import km_h_from_m_s, min_from_s


def assumptions(timed: Timed) -> tuple[str, ...]:
    """List everything that was taken for granted, one sentence each, what matters most first."""
    scenario = timed.asked.scenario
    plan, choice, burnt_share = scenario.inputs.plan, scenario.choice, timed.burnt_share
    values = {
        "smoke_lead_min": min_from_s(plan.roads.smoke_lead_s),
        "standoff_m": plan.roads.standoff_m,
        "margin_min": min_from_s(plan.margin_s),
        "drive_factor": parameters.DRIVE_TIME_FACTOR_HIGH.value,
        "wind_percent": 100.0 * parameters.WIND_SPEED_ERROR.value,
        "wind_deg": parameters.WIND_TURN_ERROR_DEG.value,
        "shift_min": min_from_s(parameters.WEATHER_SHIFT_S.value),
        "together_percent": 100.0 * parameters.TASKS_SLOW_TOGETHER.value,
        "spot_over_m": parameters.SPOT_OVER_M.value,
    }
    said = [*assumed("decision/household/assumptions", "every", **values)]
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
    said += [
        f"On the way out {WAY_WORDS[name]} {held.cars} neighbours' cars pass {held.street}, "
        f"{held.passes_veh_h:.0f} an hour once they queue, and keep to that way to its end."
        for name, held in ((name, timing.held_up) for name, timing in timed.ways.items())
        if held is not None
    ]
    for way in WAYS:
        reason = why_no_way(plan, way)
        if reason is not None:
            said.append(f"Leaving {WAY_WORDS[way]} is not a way of this household. {reason}")
    said += (*plan.assumptions, *scenario.inputs.assumptions, *scenario.zones.assumptions)
    said += (*scenario.network.assumptions, *model_assumptions(scenario.zones, models=choice.models))
    said += (*ERROR_ASSUMPTIONS, *EMBER_ASSUMPTIONS, *FLAME_ASSUMPTIONS, *SHAPE_ASSUMPTIONS, *ARRIVAL_ASSUMPTIONS)
    for found in timed.asked.roads.values():
        said += found.travel.assumptions
    return tuple(dict.fromkeys(said))
