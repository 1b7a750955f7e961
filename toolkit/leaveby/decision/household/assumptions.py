"""What an answer takes for granted: gathered from all rooms, never left unsaid."""

from __future__ import annotations

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
from leaveby.regions import sentences
from leaveby.units import km_h_from_m_s, min_from_s


def assumptions(timed: Timed) -> tuple[str, ...]:
    """List everything that was taken for granted, one sentence each, what matters most first."""
    scenario = timed.asked.scenario
    plan, choice, burnt_share = scenario.inputs.plan, scenario.choice, timed.burnt_share
    rounded_s = {way: timed.ways[way].ready_rounded_up_s for way in timed.chosen}
    said = [
        *sentences(
            "decision/household/assumptions.txt.j2",
            plan=plan,
            p=parameters,
            choice=choice,
            km_h=km_h_from_m_s,
            fuel=scenario.zones.types[commonest_zone(scenario)].name,
            bare=[name for name, cell in scenario.safe_cells.items() if not burns_about(scenario, cell)],
            burnt_share=burnt_share,
            ways=[(way, one, int(np.ceil(min_from_s(rounded_s[way])))) for way, one in timed.chosen.items()],
            timings=timed.ways,
            no_ways={way: why_no_way(plan, way) for way in WAYS},
            words=WAY_WORDS,
        )
    ]
    said += (*plan.assumptions, *scenario.inputs.assumptions, *scenario.zones.assumptions)
    said += (*scenario.network.assumptions, *model_assumptions(scenario.zones, models=choice.models))
    said += (*ERROR_ASSUMPTIONS, *EMBER_ASSUMPTIONS, *FLAME_ASSUMPTIONS, *SHAPE_ASSUMPTIONS, *ARRIVAL_ASSUMPTIONS)
    for found in timed.asked.roads.values():
        said += found.travel.assumptions
    return tuple(dict.fromkeys(said))
