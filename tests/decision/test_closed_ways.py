"""Ways that a plan closes: no way of leaving runs over them, and nothing gets sooner by closing one (by definition)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leaveby.ask.household import check_household, demo_folder
from leaveby.decision.fires.closing import lines_inside
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, prepare
from leaveby.decision.ways.roads import road_sentence, roads_for, with_no_fire
from leaveby.errors import InputError
from leaveby.roads.routing.itinerary import route


@pytest.fixture(scope="module")
def inputs() -> HouseholdInputs:
    return check_household(demo_folder() / "plan.toml")


def closing(inputs: HouseholdInputs, ways: list[int]) -> Scenario:
    roads = replace(inputs.plan.roads, closed_ways=tuple(f"w{way}" for way in ways))
    return prepare(replace(inputs, plan=replace(inputs.plan, roads=roads)))


@given(data=st.data())
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_way_out_runs_over_a_closed_way(data: st.DataObject, inputs: HouseholdInputs) -> None:
    known = sorted({int(way) for way in inputs.network.way_id if way > 0})
    shut = data.draw(st.lists(st.sampled_from(known), min_size=1, max_size=8, unique=True))
    for way in ("tow", "car"):
        found = []
        for scenario in (closing(inputs, []), closing(inputs, shut)):
            inside = lines_inside(scenario.inputs.terrain.grid, scenario.network.geometry)
            found.append((scenario, roads_for(scenario, way, inside=inside)))
        (_, before), (scenario, roads) = found
        closed = np.isin(scenario.network.way_id, shut)
        assert not roads.travel.usable[closed].any()
        assert {roads.travel.why_not[edge] for edge in np.flatnonzero(closed)} == {"closed in the plan"}
        assert (roads.travel.time_s[~closed] >= before.travel.time_s[~closed]).all()
        free = with_no_fire(scenario.network, roads.travel.time_s, targets=list(roads.targets))
        way_out = route(scenario.network, free, scenario.home_node)
        assert way_out is None or not closed[list(way_out.edges)].any()


def test_closing_the_first_public_road_is_told_with_its_reason(inputs: HouseholdInputs) -> None:
    network = inputs.network
    spur = {int(way) for way, name in zip(network.way_id, network.name, strict=True) if name == "Sallow Spur Road"}
    scenario = closing(inputs, sorted(spur))
    inside = lines_inside(inputs.terrain.grid, scenario.network.geometry)
    said = road_sentence(scenario, roads_for(scenario, "car", inside=inside))
    assert "no route" in said
    assert "Sallow Spur Road: closed in the plan" in said


@pytest.mark.parametrize("way", ["w999999999", "w0", "the bridge"])
def test_a_way_that_is_not_there_is_refused(inputs: HouseholdInputs, way: str) -> None:
    roads = replace(inputs.plan.roads, closed_ways=(way,))
    with pytest.raises(InputError, match=r"no such way, so no road would be closed"):
        prepare(replace(inputs, plan=replace(inputs.plan, roads=roads)))
