"""What reaches the house in an answer: the heat of the flames of its own fuel, and embers no sooner than they can fly."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import pytest

from leaveby.decision.last_resort import heat_on_house
from leaveby.decision.scenario import plans_choice, prepare
from leaveby.household.plan import FireInput, House


@pytest.mark.parametrize(
    ("fuel", "spread_km_h", "clear_m", "printed_kw_m2"),
    # AS 3959:2009 Method 1 on the flat. Grassland at an index of 50: read in a copy. Forest at 100: read in a copy.
    # Shrubland and scrub, and their spread 0.023 V^1.21 h^0.54 at 45 km/h: from memory. The distance of the house is the
    # printed one; half a metre of rounding is worth up to 1.5 kW/m2 so near.
    [
        ("natural grassland", 9.1, 20.0, 12.5),
        ("natural grassland", 9.1, 9.0, 29.0),
        ("dry eucalypt forest", 3.0, 48.0, 12.5),
        ("dry eucalypt forest", 3.0, 25.0, 29.0),
        ("shrubland", 2.866, 19.0, 12.5),
        ("scrub", 4.166, 27.0, 12.5),
    ],
)
def test_a_house_in_each_fuel_takes_the_printed_heat(
    valleys: ModuleType, fuel: str, spread_km_h: float, clear_m: float, printed_kw_m2: float
) -> None:
    inputs = valleys.side_valley(fuel=fuel, fire=FireInput(models=("mark5",), set_m_s=spread_km_h / 3.6))
    inputs = replace(inputs, plan=replace(inputs.plan, house=House(clear_m=clear_m)))
    scenario = prepare(inputs)
    assert heat_on_house(scenario, plans_choice(inputs.plan)) == pytest.approx(printed_kw_m2, abs=1.5)
