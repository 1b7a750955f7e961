"""Day-before triggers: fire danger against the hour, and whether there is enough lead at all."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from xclim import indices as other_indices

from leaveby.decision.fires.closing import stretch_cells
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario, plans_choice, prepare
from leaveby.decision.household.answer import answer_household
from leaveby.decision.lines.day_before import (
    DayBefore,
    DayBeforeCell,
    DayFires,
    day_before,
    day_fires,
    day_steps,
    held_weather,
    summary_of,
    wind_for_index_m_s,
)
from leaveby.decision.ways.result import WayTiming
from leaveby.decision.ways.roads import WayRoads, roads_for
from leaveby.errors import InputError
from leaveby.fire.arrival.solve import arrive, ignite_point
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import spread_zones, table_for_member
from leaveby.fire.terrain import gradients
from leaveby.fire.weather.series import constant_weather
from leaveby.household.plan import FireInput


@dataclass(frozen=True)
class Solved:
    """A household's question, answered, and its fires on days of some fire danger."""

    inputs: HouseholdInputs
    scenario: Scenario
    roads: WayRoads
    timing: WayTiming
    fires: DayFires


def solved(inputs: HouseholdInputs, *, indices: tuple[float, ...]) -> Solved:
    """Leaving by car."""
    timing = answer_household(inputs, workers=2).ways["car"]
    scenario = prepare(inputs)
    inside = stretch_cells(
        inputs.terrain.grid, list(scenario.network.geometry), standoff_m=inputs.plan.roads.standoff_m
    ).inside
    assert timing.route is not None
    fires = day_fires(scenario, [timing.route], choice=plans_choice(inputs.plan), indices=indices)
    return Solved(inputs, scenario, roads_for(scenario, "car", inside=inside), timing, fires)


def table_of(case: Solved, **more: Any) -> DayBefore:
    choice = plans_choice(case.inputs.plan)
    return day_before(case.scenario, case.roads, timing=case.timing, choice=choice, fires=case.fires, **more)


def a_day(valleys: ModuleType) -> Any:
    """Cool and damp at dawn, hot and dry in the afternoon: 24 hours from midnight on, the fire at noon."""
    weather = valleys.steady(wind_km_h=25.0, wind_from_deg=330.0, hours=24)
    hour = np.arange(24.0)[:, None]
    warmth = np.cos((hour - 15.0) / 24.0 * 2.0 * np.pi)
    return replace(
        weather,
        start=valleys.START - timedelta(hours=12),
        air_temperature_c=26.0 + 12.0 * warmth,
        relative_humidity_percent=40.0 - 28.0 * warmth,
    )


@pytest.fixture(scope="module")
def case(valleys: ModuleType) -> Solved:
    return solved(valleys.side_valley(weather=a_day(valleys), members=40), indices=(150.0, 12.0, 50.0, 100.0))


@pytest.fixture(scope="module")
def found(case: Solved) -> DayBefore:
    return table_of(case)


@given(st.floats(1.0, 200.0), st.floats(0.0, 48.0), st.floats(2.0, 95.0), st.floats(0.5, 10.0))
@settings(max_examples=60, deadline=None)
def test_the_wind_gives_the_index_back_in_another_library(
    index: float, hot_c: float, humid_percent: float, drought: float
) -> None:
    """Source: xclim, `mcarthur_forest_fire_danger_index`, a general climate library."""
    wind_m_s = float(
        wind_for_index_m_s(
            index, air_temperature_c=hot_c, relative_humidity_percent=humid_percent, drought_factor=drought
        )
    )

    def field(value: float, units: str) -> xr.DataArray:
        return xr.DataArray([value], dims="time", attrs={"units": units})

    back = other_indices.mcarthur_forest_fire_danger_index(
        drought_factor=field(drought, ""),
        tasmax=field(hot_c, "degC"),
        hurs=field(humid_percent, "%"),
        sfcWind=field(3.6 * wind_m_s, "km/h"),
    )
    assert float(back[0]) == pytest.approx(index, rel=1e-5)


def test_every_cell_has_the_wind_of_its_index(found: DayBefore) -> None:
    assert found.indices == (12.0, 50.0, 100.0, 150.0)
    assert [at.hour for at in found.hours] == list(range(24))
    for index, row in zip(found.indices, found.cells, strict=True):
        for cell, at in zip(row, found.hours, strict=True):
            assert (cell.index, cell.at) == (index, at)
            if np.isinf(cell.wind_m_s):
                assert "more than 100 km/h of wind" in cell.sentence
                assert cell.verdict in ("not that windy", "night before")
            elif cell.wind_m_s > 0.0:
                assert cell.index_taken == pytest.approx(index, rel=1e-6)
                assert f"wind {cell.wind_m_s * 3.6:.0f} km/h" in cell.sentence
            else:
                assert cell.index_taken >= index
                assert "calm air already" in cell.sentence


def test_all_three_kinds_of_wind_occur(found: DayBefore) -> None:
    """At 15:00 it is 38 degrees and 12 %: calm air already gives 2 exp(-0.45 + 2.273 - 0.414 + 1.284) = 29.6.

    At 03:00 it is 14 degrees and 68 %: 150 would need (ln 75 + 0.45 - 2.273 + 2.346 - 0.473) / 0.0234 = 187 km/h.
    """
    calm = found.cells[0][15]
    assert calm.wind_m_s == 0.0
    assert calm.index_taken == pytest.approx(29.6, abs=0.1)
    assert np.isinf(found.cells[3][3].wind_m_s)
    assert 0.0 < found.cells[2][15].wind_m_s < 100.0 / 3.6


def test_a_cell_is_one_solve_of_the_plans_own_fire(valleys: ModuleType, case: Solved, found: DayBefore) -> None:
    """The 15:00 cell at index 50, put together again from constant weather, and closings by brute force."""
    inputs, scenario, timing = case.inputs, case.scenario, case.timing
    cell = found.cells[1][15]
    weather = constant_weather(
        cell.at,
        air_temperature_c=38.0,
        relative_humidity_percent=12.0,
        wind_speed_m_s=cell.wind_m_s,
        wind_from_deg=330.0,
        drought_factor=10.0,
        curing_percent=100.0,
        hours=6,
    )
    table = table_for_member(
        spread_zones(inputs.fuel, weather),
        weather,
        gradients=gradients(inputs.terrain),
        models=inputs.plan.fire.models,
        ros_factors=ros_factors(float(norm.ppf(0.95))),
    )
    fire = ignite_point(valleys.WEST_M + 700.0, valleys.SOUTH_M + 7600.0)
    arrival_s = arrive(table, [fire], horizon_s=6 * 3600.0).time_s.ravel()
    assert timing.route is not None
    travel = roads_for(scenario, "car", inside=np.ones(scenario.network.edge_count, bool)).travel
    x_m, y_m = valleys.centres(inputs.terrain.grid)
    centres = shapely.points(x_m.ravel() + valleys.WEST_M, y_m.ravel() + valleys.SOUTH_M)
    cleared_s, latest_s = 0.0, np.inf
    for edge in timing.route.edges:
        cleared_s += float(travel.time_s[edge]) * (1.0 + 0.5 * 0.95)
        near = shapely.dwithin(centres, scenario.network.geometry[edge], 100.0 + 100.0 * 0.5**0.5)
        latest_s = min(latest_s, float(arrival_s[near].min()) - 600.0 - 600.0 - cleared_s)
    assert cell.lead_s == pytest.approx(latest_s - timing.ready_at_confidence_s, abs=1.0)


def test_what_one_fire_danger_forbids_no_higher_one_allows(found: DayBefore) -> None:
    for column in range(len(found.hours)):
        verdicts = [row[column].verdict for row in found.cells]
        if "night before" in verdicts:
            first = verdicts.index("night before")
            assert set(verdicts[first:]) == {"night before"}
            assert set(verdicts[:first]) <= {"enough", "not shut"}


def test_verdicts_follow_from_the_lead(found: DayBefore) -> None:
    seen = set()
    for row in found.cells:
        for cell in row:
            seen.add(cell.verdict)
            if cell.verdict == "enough":
                assert 0.0 <= cell.lead_s < np.inf
                assert f"no more than {int(cell.lead_s / 60)} minutes" in cell.sentence
            elif cell.verdict == "not shut":
                assert cell.lead_s == np.inf
                assert "no leave to stay" in cell.sentence
            elif cell.verdict == "night before":
                assert "leave by car, without the house the night before" in cell.sentence
    assert {"enough", "night before"} <= seen
    first = next(row for row in found.cells if any(cell.verdict == "night before" for cell in row))
    assert found.summary.startswith(f"When a fire danger index of {first[0].index:g} or more is forecast, leave")


def test_more_time_asked_for_never_allows_more(case: Solved, found: DayBefore) -> None:
    longer = table_of(case, needs_s=1800.0)
    assert longer.needs_s == 1800.0
    for before, after in zip(found.cells, longer.cells, strict=True):
        for one, other in zip(before, after, strict=True):
            assert other.lead_s == one.lead_s
            if one.verdict == "night before":
                assert other.verdict == "night before"
    assert longer.cells != found.cells


def test_a_fire_seen_late_leaves_less(valleys: ModuleType) -> None:
    """Half an hour unseen takes half an hour of the lead; the weather holds from before it is seen."""
    inputs = valleys.seen_late(members=40)
    (ignition,) = inputs.plan.ignitions
    at_once = valleys.seen_late(members=40, ignitions=(replace(ignition, unseen_up_to_s=0.0),))
    unseen, seen = (table_of(solved(given_, indices=(30.0,))) for given_ in (inputs, at_once))
    pairs = [(a.lead_s, b.lead_s) for a, b in zip(unseen.cells[0], seen.cells[0], strict=True)]
    bounded = [(a, b) for a, b in pairs if np.isfinite(a) and np.isfinite(b)]
    assert bounded
    # The ready times are the same draws; only the fire starts earlier.
    for a, b in bounded:
        assert a == pytest.approx(b - 1800.0, abs=400.0)


def test_a_rate_set_by_hand_is_said(valleys: ModuleType) -> None:
    inputs = valleys.side_valley(members=20, fire=FireInput(models=("mark5",), set_m_s=0.5))
    found = table_of(solved(inputs, indices=(50.0,)))
    assert any("set by hand" in sentence for sentence in found.assumptions)


def test_hours_are_those_of_the_ignitions_day(valleys: ModuleType) -> None:
    weather = replace(a_day(valleys), start=valleys.START, time_s=np.arange(24.0) * 1800.0 - 7200.0)
    assert [weather.time_s[step] for step in day_steps(weather)] == [-7200.0 + 3600.0 * k for k in range(12)]


def test_held_weather_stays_as_it_was(valleys: ModuleType) -> None:
    weather = a_day(valleys)
    held = held_weather(weather, 15, index=80.0, horizon_s=3 * 3600.0, before_s=1800.0)
    assert held is not None
    assert held.time_s.tolist() == [-3600.0, 0.0, 3600.0, 7200.0]
    assert held.start == weather.start + timedelta(hours=15)
    assert np.all(held.air_temperature_c == weather.air_temperature_c[15])
    assert np.all(held.wind_from_deg == 330.0)


def test_no_drought_gives_no_index_at_any_wind(valleys: ModuleType) -> None:
    weather = a_day(valleys)
    wet = replace(weather, drought_factor=np.zeros_like(weather.drought_factor))
    assert held_weather(wet, 15, index=25.0, horizon_s=3600.0) is None


def test_nothing_too_much_is_still_no_leave_to_stay(valleys: ModuleType) -> None:
    cell = DayBeforeCell(25.0, valleys.START, 1.0, 25.0, 9000.0, "enough", "")
    said = "No fire danger that was looked at leaves too little time with the house; leave early all the same."
    assert summary_of([[cell]], way="tow") == summary_of((), way="tow") == said


def test_hours_are_joined_only_where_none_between_is_enough(valleys: ModuleType) -> None:
    """By hand: too little at 06:00, 07:00 and 08:00, enough at 09:00, too little again at 17:00."""

    def row(index: float, bad: set[int]) -> list[DayBeforeCell]:
        return [
            DayBeforeCell(
                index,
                valleys.START.replace(hour=hour),
                1.0,
                index,
                0.0,
                "night before" if hour in bad else "enough",
                "",
            )
            for hour in (6, 7, 8, 9, 16, 17)
        ]

    said = "When a fire danger index of 50 or more is forecast, leave with the house the night before: "
    for bad, hours in (
        ({6, 7, 8, 17}, "from 06:00 to 08:00 and at 17:00"),
        ({6, 7, 8, 9, 16, 17}, "from 06:00 to 17:00"),
        ({16}, "at 16:00"),
        ({6, 8, 9, 17}, "at 06:00, from 08:00 to 09:00 and at 17:00"),
    ):
        cells = [row(25.0, set()), row(50.0, bad), row(75.0, {6, 7, 8, 9, 16, 17})]
        assert summary_of(cells, way="tow") == f"{said}{hours} a fire can leave too little time."


@pytest.mark.parametrize("index", [0.0, -5.0, float("nan"), float("inf")])
def test_an_index_that_is_none_is_refused_in_words(index: float) -> None:
    with pytest.raises(InputError, match="above 0"):
        wind_for_index_m_s(index, air_temperature_c=40.0, relative_humidity_percent=10.0, drought_factor=10.0)
