"""What rolls on the road for a plan: the house is never towed faster than the region publishes for towing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from leaveby.ask import demo_folder, load_plan
from leaveby.decision.ways_out import road_vehicle
from leaveby.household.plan import Towing


@pytest.mark.parametrize(
    ("region", "asked_km_h", "towed_km_h"), [("AU-WA", 130.0, 100.0), ("AU-WA", 70.0, 70.0), ("AU-NSW", 130.0, 100.0)]
)
def test_the_lower_of_the_plans_and_the_published_towing_limit_holds(
    region: str, asked_km_h: float, towed_km_h: float
) -> None:
    """100 km/h towing in Western Australia, and in New South Wales above 4.5 t combined: read in secondary pages."""
    plan = load_plan(demo_folder() / "plan.toml")
    asked = replace(plan, towing=Towing(asked_km_h / 3.6), roads=replace(plan.roads, region=region))
    vehicle, _ = road_vehicle(asked, "tow")
    assert vehicle.mass_kg > 4500.0
    assert vehicle.speed_limit_m_s * 3.6 == pytest.approx(towed_km_h)
