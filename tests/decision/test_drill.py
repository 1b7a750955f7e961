"""The drill: the same morning at set speeds of the fire, its injects, and answers placed on the curve.

Outside facts: a fire at v km/h needs distance over speed (pencil and paper), a wind change stands at its own time in
the weather, and the curve is that of the household question. Facts of the trade are marked where they are used.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from leaveby.decision.drill.fire import (
    drill_draws,
    fire_at_speed,
    home_run,
    own_fire,
    scaled_table,
)
from leaveby.decision.drill.injects import reading_at, reported_at
from leaveby.decision.drill.result import (
    Answer,
    Drill,
    DrillScript,
    OwnInject,
    Round,
    any_round_is_open,
    known_by,
    new_at,
    round_is_open,
)
from leaveby.decision.drill.rounds import answer_drill, pause_moments, place_answer
from leaveby.decision.fires.scenario import HouseholdInputs, prepare
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import InputError
from leaveby.household.plan_tables import DangerInput, FireInput
from leaveby.parameters import FASTEST_HEAD_M_S
from smaller import times_alone

CELL_M = 100.0
RUN_M = 6000.0
HOME = (3050.0, 1050.0)
FIRE = (3050.0, 7050.0)
MEMBERS = 40
SPEEDS_KM_H = (5.0, 12.0, 50.0)


def straight(valleys: ModuleType, **changes: Any) -> HouseholdInputs:
    """Level ground, one fuel, one steady wind from the fire straight to the home 6 km to the south.

    The forest Mark 5 rate takes no part of the hour, so every step has the same rate. The way out crosses in front of
    the fire: Mill Road runs north to the cross road, which leads away to the east.
    """
    weather = valleys.steady(wind_km_h=25.0, wind_from_deg=0.0, hours=16)
    given: dict[str, Any] = {
        "home": HOME,
        "safe_points": (valleys.safe("Ford hall", (7450.0, 3050.0), ("car", "tow")),),
        "ignitions": (valleys.point_fire(FIRE),),
        "weather": replace(weather, start=weather.start - timedelta(hours=3)),
        "fire": FireInput(models=("mark5",)),
        "members": MEMBERS,
        "horizon_s": 6 * 3600.0,
    }
    roads = {
        "Mill Road": [HOME, (3050.0, 3050.0)],
        "Cross Road": [(3050.0, 3050.0), (7450.0, 3050.0)],
    }
    return valleys.household(valleys.ground(8000.0, 8000.0, cell_m=CELL_M), roads, **{**given, **changes})


def script(inputs: HouseholdInputs, **changes: Any) -> DrillScript:
    given: dict[str, Any] = {
        "name": "An invented drill",
        "plan": inputs.plan,
        "speeds_m_s": tuple(speed / 3.6 for speed in SPEEDS_KM_H),
        "own_fire": True,
        "begin_s": -3600.0,
        "pauses_s": (-3600.0, -600.0, 600.0, 1800.0, 3600.0),
        "every_s": None,
        "members": inputs.plan.members,
        "injects": (),
        "answers": (),
    }
    return DrillScript(**{**given, **changes})


@pytest.fixture(scope="module")
def inputs(valleys: ModuleType) -> HouseholdInputs:
    made = straight(valleys)
    return replace(made, plan=replace(made.plan, danger=DangerInput(scale="australia")))


@pytest.fixture(scope="module")
def drill(inputs: HouseholdInputs) -> Drill:
    answers = (
        Answer("Mill Lane", 1, "car", -3000.0),
        Answer("Mill Lane", 3, "car", 900.0, 5.0 / 3.6),
        Answer("Weir", 5, "stay", None),
    )
    mine = (
        OwnInject(300.0, "phone", "The mast is down."),
        OwnInject(400.0, "power", "No power.", (5.0 / 3.6,)),
        OwnInject(5.0 * 3600.0, "heard", "Far too late."),
    )
    return answer_drill(inputs, script(inputs, answers=answers, injects=mine), workers=2)


def by_speed(drill: Drill, speed_km_h: float) -> Round:
    return next(run for run in drill.rounds if run.speed_m_s == speed_km_h / 3.6)


# --- the fire --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("speed_km_h", SPEEDS_KM_H)
def test_a_fire_at_v_takes_distance_over_v(drill: Drill, speed_km_h: float) -> None:
    """Pencil and paper: 6 km at 5, 12 and 50 km/h take 72, 30 and 7.2 minutes."""
    run = by_speed(drill, speed_km_h)
    assert run.run_m == RUN_M
    by_hand_s = RUN_M / (speed_km_h / 3.6)
    assert by_hand_s / 60.0 == pytest.approx({5.0: 72.0, 12.0: 30.0, 50.0: 7.2}[speed_km_h])
    row, col = int((8000.0 - HOME[1]) // CELL_M), int(HOME[0] // CELL_M)
    assert run.arrival.time_s[row, col] == pytest.approx(by_hand_s, rel=1e-3)
    # The home stands anywhere in its cell: the front counts from the next cell north, 100 m before.
    assert run.home_s == pytest.approx((RUN_M - CELL_M) / (speed_km_h / 3.6), rel=1e-3)
    assert run.end_s == run.home_s


def test_one_factor_scales_all_rates(inputs: HouseholdInputs, drill: Drill) -> None:
    """On even ground in a steady wind the speed goes with the factor: 12 km/h takes 2.4 times that of 5 km/h."""
    five, twelve, fifty = (by_speed(drill, speed).scale for speed in SPEEDS_KM_H)
    assert twelve / five == pytest.approx(2.4, rel=1e-3)
    assert fifty / five == pytest.approx(10.0, rel=1e-3)
    own = drill.rounds[-1]
    assert own.speed_m_s is None
    assert own.scale == 1.0
    scenario = prepare(inputs)
    run = home_run(scenario, own_fire(scenario).central)
    assert 5.0 / 3.6 / run.speed_m_s == pytest.approx(five, rel=1e-3)
    table = own_fire(scenario).central
    assert scaled_table(table, 1e9).flat_head_ros_m_s.max() == FASTEST_HEAD_M_S.value


def test_hours_keep_their_proportion(valleys: ModuleType) -> None:
    """A wind that doubles half way: the run still takes its time, and the plan's pattern of rates stays."""
    weather = valleys.turned(
        valleys.steady(wind_km_h=15.0, wind_from_deg=0.0, hours=16),
        after_s=4 * 3600.0,
        wind_from_deg=0.0,
        wind_factor=2.0,
    )
    inputs = straight(valleys, weather=replace(weather, start=weather.start - timedelta(hours=3)), members=20)
    drill = answer_drill(inputs, script(inputs, speeds_m_s=(3.0 / 3.6,), own_fire=False), workers=2)
    row, col = int((8000.0 - HOME[1]) // CELL_M), int(HOME[0] // CELL_M)
    assert drill.rounds[0].arrival.time_s[row, col] == pytest.approx(2 * 3600.0, rel=1e-3)
    halfway_s = drill.rounds[0].arrival.time_s[row - 30, col]
    # Slower in the first hour (wind 15 km/h) than after it (30 km/h): half the way takes more than half the time.
    assert 3600.0 < halfway_s < 2 * 3600.0
    # Its members share the speed: none has its weather, and with it the rates of its hours, sooner or later.
    scenario, draws = prepare(inputs), drill_draws(inputs.plan)
    run = home_run(scenario, own_fire(scenario).central)
    fire = fire_at_speed(scenario, run=run, speed_m_s=3.0 / 3.6)
    for member in range(5):
        table = fire.table_of(draws, member)
        assert np.array_equal(table.time_s, fire.central.time_s)
        assert np.array_equal(table.flat_head_ros_m_s, fire.central.flat_head_ros_m_s)
        assert not np.array_equal(own_fire(scenario).table_of(draws, member).time_s, table.time_s)


def test_a_home_behind_the_fire_is_refused(valleys: ModuleType) -> None:
    wind = valleys.steady(wind_km_h=45.0, wind_from_deg=180.0, hours=16)
    inputs = straight(valleys, weather=replace(wind, start=wind.start - timedelta(hours=3)))
    with pytest.raises(InputError, match=r"speeds_km_h 50.*flank or the back"):
        answer_drill(inputs, script(inputs, own_fire=False, speeds_m_s=(50.0 / 3.6,)))


def test_a_fire_at_the_home_is_refused(valleys: ModuleType) -> None:
    inputs = straight(valleys, ignitions=(valleys.point_fire(HOME),))
    with pytest.raises(InputError, match="starts at the home"):
        answer_drill(inputs, script(inputs))


def test_an_exercise_before_the_weather_is_refused(inputs: HouseholdInputs) -> None:
    with pytest.raises(InputError, match="60 minutes before the plan's weather"):
        answer_drill(inputs, script(inputs, begin_s=-4 * 3600.0))


# --- the curve -------------------------------------------------------------------------------------------------------


def household(inputs: HouseholdInputs, **fire: Any) -> HouseholdResult:
    plan = replace(inputs.plan, fire=replace(inputs.plan.fire, **fire))
    return times_alone(answer_household, replace(inputs, plan=plan), workers=2)


def test_answers_lie_on_the_curve_of_the_household_question(inputs: HouseholdInputs, drill: Drill) -> None:
    """The plan's own fire has the same members in both questions, so the curves are one."""
    own, asked = drill.rounds[-1], household(inputs)
    for way in ("tow", "car"):
        np.testing.assert_array_equal(own.ways[way].member_latest_start_s, asked.ways[way].member_latest_start_s)
        assert own.ways[way].latest_start_s == asked.ways[way].latest_start_s
        for at_s, share in zip(asked.ways[way].start_s, asked.ways[way].clear_probability, strict=True):
            placed = place_answer(own, Answer("x", 1, way, float(at_s)))  # type: ignore[arg-type]
            assert placed.clear_probability == share


def test_at_a_set_speed_the_curve_is_that_of_the_same_speed_set_by_hand(inputs: HouseholdInputs, drill: Drill) -> None:
    """On level ground in one fuel and a steady wind, one factor on all rates is the same fire as one rate by hand."""
    run, asked = by_speed(drill, 12.0), household(inputs, set_m_s=12.0 / 3.6)
    for way in ("tow", "car"):
        np.testing.assert_allclose(
            run.ways[way].member_latest_start_s, asked.ways[way].member_latest_start_s, rtol=0.0, atol=2.0
        )


def test_a_placed_answer_counts_the_members_that_are_clear(drill: Drill) -> None:
    run = by_speed(drill, 5.0)
    car = run.ways["car"]
    for at_s in (car.member_latest_start_s[0], float(np.median(car.member_latest_start_s)), 1e6):
        placed = place_answer(run, Answer("x", 1, "car", float(at_s)))
        assert placed.clear_probability == pytest.approx(np.mean(car.member_latest_start_s >= at_s), abs=1e-12)
        assert car.latest_start_s is not None
        assert placed.early_s == car.latest_start_s - at_s
    assert place_answer(run, Answer("x", 1, "car", 1e6)).shut_at_start == tuple(one.street for one in run.shuts)


def test_answers_go_to_their_rounds(drill: Drill) -> None:
    assert [len(run.placed) for run in drill.rounds] == [3, 1, 1, 2]
    five = by_speed(drill, 5.0)
    stay = five.placed[-1]
    assert (stay.clear_probability, stay.early_s) == (None, None)
    # 50 km/h is at the home after 7 minutes, before the third pause.
    assert any("of Weir is at pause 5, and round 3 ends before that" in note for note in by_speed(drill, 50.0).notes)


def test_a_way_that_the_household_lacks_is_refused(drill: Drill) -> None:
    run = replace(drill.rounds[0], ways={"car": drill.rounds[0].ways["car"]})
    with pytest.raises(InputError, match="no way of leaving"):
        place_answer(run, Answer("x", 1, "tow", 0.0))
    with pytest.raises(InputError, match="no time"):
        place_answer(run, Answer("x", 1, "car", None))


def test_a_faster_fire_never_leaves_more_time(drill: Drill) -> None:
    for way in ("tow", "car"):
        latest = [by_speed(drill, speed).ways[way].latest_start_s for speed in SPEEDS_KM_H]
        assert latest == sorted(latest, reverse=True)  # type: ignore[type-var]
    assert not round_is_open(by_speed(drill, 50.0))
    only = replace(drill, rounds=(by_speed(drill, 50.0),))
    assert not any_round_is_open(only)


# --- injects and pauses ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("words", "away_m"), [("about 5 km", 5000.0), ("about 2 km", 2000.0), ("500 m", 500.0)])
def test_the_front_is_heard_of_or_seen_at_its_distance(drill: Drill, words: str, away_m: float) -> None:
    """Pencil and paper: the front has `RUN_M - away` behind it, at 5 km/h; a cell counts at its centre."""
    (one,) = [one for one in by_speed(drill, 5.0).injects if words in one.text and one.kind in ("heard", "seen")]
    assert one.at_s == pytest.approx((RUN_M - away_m) / (5.0 / 3.6), abs=CELL_M / (5.0 / 3.6))
    assert "north" in one.text
    assert one.kind == ("seen" if away_m <= 3000.0 else "heard")


def test_the_front_crosses_a_road_when_it_gets_there(drill: Drill) -> None:
    """Cross Road lies 4 km south of the fire: 20 minutes at 12 km/h, and at most a cell earlier."""
    (one,) = [one for one in by_speed(drill, 12.0).injects if one.text.startswith("The fire has reached Cross Road")]
    assert 1200.0 - 1.5 * CELL_M / (12.0 / 3.6) <= one.at_s <= 1200.0 * 1.001
    # Its middle lies 2.2 km east and 2 km north of the home, 2.97 km off; the fire 6 km due north.
    assert one.text == "The fire has reached Cross Road, 3.0 km to the north-east."
    said = [one.text for one in by_speed(drill, 12.0).injects]
    assert "Smoke is reported to the north, about 6 km from your home." in said
    shut = next(one for one in by_speed(drill, 12.0).shuts if one.street == "Cross Road")
    # 100 m of stand-off and 10 minutes of smoke before that.
    assert shut.at_s == pytest.approx(1200.0 - 600.0 - 100.0 / (12.0 / 3.6), abs=1.5 * CELL_M / (12.0 / 3.6))


def test_the_wind_change_comes_at_its_time(valleys: ModuleType) -> None:
    weather = valleys.turned(
        valleys.steady(wind_km_h=25.0, wind_from_deg=0.0, hours=16), after_s=4 * 3600.0, wind_from_deg=240.0
    )
    inputs = straight(valleys, weather=replace(weather, start=weather.start - timedelta(hours=3)), members=20)
    drill = answer_drill(inputs, script(inputs, speeds_m_s=(5.0 / 3.6,), own_fire=False), workers=2)
    (one,) = [one for one in drill.rounds[0].injects if one.kind == "wind"]
    assert one.at_s == 3600.0
    assert "25 km/h from the south-west" in one.text
    assert any("wind change" in one.text and "13:00" in one.text for one in drill.rounds[0].injects if one.at_s < 0.0)


def test_nobody_hears_of_the_fire_before_it_is_reported(drill: Drill) -> None:
    for run in drill.rounds:
        early = [one for one in run.injects if one.at_s < 300.0 and not one.facilitator_only]
        assert {one.kind for one in early} <= {"official"}
        assert all("orecast" in one.text or "Fire danger" in one.text for one in early)
        for pause in run.pauses:
            assert np.isfinite(pause.front_m) == (pause.at_s >= 300.0)
            assert (pause.burnt_ha > 0.0) == (pause.at_s >= 300.0)


def test_the_first_of_several_fires_is_reported_first(valleys: ModuleType) -> None:
    """The scenario's clock starts with the first fire; it is reported 5 minutes later, whichever stands first."""
    fires = (valleys.point_fire((1050.0, 7050.0), after_min=10.0), valleys.point_fire(FIRE))
    assert reported_at(prepare(straight(valleys, ignitions=fires))) == 300.0


def test_what_gives_the_end_away_is_kept_from_the_groups(drill: Drill) -> None:
    for run in drill.rounds:
        for one in run.injects:
            if one.kind in ("leave-by", "end"):
                assert one.facilitator_only
        for pause in run.pauses:
            told = known_by(run, pause)
            assert all(one.at_s <= pause.at_s and not one.facilitator_only for one in told)
        together = [one for pause in run.pauses for one in new_at(run, pause)]
        assert len(together) == len(set(together))
        assert together == list(known_by(run, run.pauses[-1]))


def test_own_injects_go_to_their_rounds(drill: Drill) -> None:
    mine = {run.speed_m_s: [one.text for one in run.injects if one.source == "trainer"] for run in drill.rounds}
    assert mine[5.0 / 3.6] == ["The mast is down.", "No power."]
    assert mine[12.0 / 3.6] == ["The mast is down."]
    assert all(
        any("lies outside the time of round" in note for note in run.notes)
        for run in drill.rounds
        if np.isfinite(run.home_s)
    )


def test_pauses_end_with_the_round(inputs: HouseholdInputs, drill: Drill) -> None:
    for run in drill.rounds:
        assert all(pause.at_s < run.end_s for pause in run.pauses)
        assert [pause.number for pause in run.pauses] == list(range(1, len(run.pauses) + 1))
    every = script(inputs, pauses_s=(), every_s=600.0)
    assert pause_moments(every, end_s=0.0) == tuple(-3600.0 + 600.0 * k for k in range(6))
    assert pause_moments(every, end_s=1.0)[-1] == 0.0
    assert pause_moments(every, end_s=-7200.0) == ()


def test_the_front_at_a_pause(drill: Drill) -> None:
    """After 10 minutes at 12 km/h the front has run 2 km and is 4 km off (pencil and paper)."""
    pause = by_speed(drill, 12.0).pauses[2]
    assert pause.at_s == 600.0
    assert pause.front_m == pytest.approx(4000.0, abs=CELL_M)
    assert pause.front_bearing_deg == pytest.approx(0.0, abs=2.0)


def test_the_reading_is_that_of_the_weather(inputs: HouseholdInputs) -> None:
    reading = reading_at(prepare(inputs).weather, 600.0)
    assert (reading.air_temperature_c, reading.relative_humidity_percent) == (38.0, 12.0)
    assert reading.wind_speed_m_s == pytest.approx(25.0 / 3.6)
    # Noble, Bary and Gill 1980, by hand for 38 degrees, 12 %, 25 km/h and a drought factor of 10.
    by_hand = 2.0 * np.exp(-0.45 + 0.987 * np.log(10.0) - 0.0345 * 12.0 + 0.0338 * 38.0 + 0.0234 * 25.0)
    assert reading.danger_index == pytest.approx(by_hand, rel=1e-6)


def test_the_forecast_rates_the_day_in_the_words_of_today(inputs: HouseholdInputs, drill: Drill) -> None:
    """The Australian ratings since September 2022 (read on a public news page); the older words are gone."""
    said = [one.text for run in drill.rounds for one in run.injects if one.text.startswith("Fire danger for today")]
    assert said
    for text in said:
        # By hand: 38 degrees, 12 %, 25 km/h make an index of 53; 0.0012 x 53 x 25 t/ha = 1.6 km/h = 0.44 m/s, and with
        # 18,600 kJ/kg x 2.5 kg/m2 20,600 kW/m: between the 10,000 (50) and 30,000 (100) of forest.
        assert text.startswith("Fire danger for today: Extreme; the forest fire danger index reaches ")
    elsewhere = replace(inputs, plan=replace(inputs.plan, danger=DangerInput(scale="own")))
    other = answer_drill(elsewhere, script(elsewhere, members=20, own_fire=False, speeds_m_s=(12.0 / 3.6,)), workers=1)
    assert any(
        one.text.startswith("Fire danger for today: the forest fire danger index reaches ")
        for one in other.rounds[0].injects
    )


def test_the_assumptions_say_what_a_speed_means(drill: Drill) -> None:
    text = " ".join(drill.assumptions)
    for words in ("mean speed", "straight line", "published error", f"{MEMBERS} such days", "no source"):
        assert words in text
    slow = home_speed(drill) > 5.0 / 3.6
    assert ("don't plan by it" in text) == slow


def home_speed(drill: Drill) -> float:
    return (5.0 / 3.6) / by_speed(drill, 5.0).scale


def test_threads_do_not_change_a_drill(inputs: HouseholdInputs) -> None:
    few = script(inputs, members=20, own_fire=False, speeds_m_s=(12.0 / 3.6,))
    one, two = (answer_drill(inputs, few, workers=n).rounds[0] for n in (1, 2))
    np.testing.assert_array_equal(one.ways["car"].member_latest_start_s, two.ways["car"].member_latest_start_s)
    assert one.injects == two.injects
