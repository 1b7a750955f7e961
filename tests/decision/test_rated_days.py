"""From a plan's ratings, as its file names them, to the days that the rules are made for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.decision.fires.scenario import HouseholdInputs, ratings_days
from leaveby.errors import InputError
from leaveby.household.plan_tables import DangerInput, RatingInput

HOT = """time,temperature_c,relative_humidity_percent,wind_speed_km_h,wind_from_deg
2026-01-05T09:00:00+11:00,30,25,20,300
2026-01-05T10:00:00+11:00,45,5,80,300
"""


@pytest.fixture(scope="module")
def demo() -> HouseholdInputs:
    return read_inputs(load_plan(demo_folder() / "plan.toml"))


def test_the_demo_has_a_day_for_each_australian_rating(demo: HouseholdInputs) -> None:
    days = ratings_days(demo)
    assert [day.name for day in days] == ["Moderate", "High", "Extreme", "Catastrophic"]
    assert [day.leave for day in days] == [False, False, False, True]
    # The demo's own day is past the lower edge of the highest rating: it stands for it as it is.
    assert days[-1].weather is demo.weather


def test_without_a_scale_the_plans_own_day_is_the_only_rating(demo: HouseholdInputs) -> None:
    (day,) = ratings_days(replace(demo, plan=replace(demo.plan, danger=DangerInput(scale="own"))))
    assert day.name == "a day like the plan's"
    assert day.index is None
    assert day.weather is demo.weather


def test_own_ratings_come_from_the_table_or_by_hand(demo: HouseholdInputs, tmp_path: Path) -> None:
    table = tmp_path / "hot.csv"
    table.write_text(HOT, encoding="utf-8")
    amber = RatingInput(name="amber", wind_m_s=5.0, air_temperature_c=28.0, relative_humidity_percent=35.0)
    red = RatingInput(name="red", weather_file=table, leave=True)
    own = replace(demo.plan, danger=DangerInput(scale="own"), ratings=(amber, red))
    with pytest.raises(InputError, match=r"hot\.csv, has no row for 13:00, 16:00, 19:00"):
        ratings_days(read_inputs(own))
    found = read_inputs(replace(own, rules=replace(own.rules, hours=(9, 10))))
    assert found.record["rating_2_weather"].startswith("hot.csv sha256:")
    by_hand, tabled = ratings_days(found)
    assert np.all(by_hand.weather.wind_speed_m_s == 5.0)
    np.testing.assert_array_equal(by_hand.weather.wind_from_deg, demo.weather.wind_from_deg)
    np.testing.assert_allclose(tabled.weather.wind_speed_m_s[:, 0], [20.0 / 3.6, 80.0 / 3.6])
    assert np.all(tabled.weather.drought_factor == own.weather.drought_factor)
    assert tabled.leave
    with pytest.raises(InputError, match=r'ratings\[2\] "amber": its day is no more dangerous than that of red'):
        ratings_days(read_inputs(replace(own, ratings=(red, amber), rules=replace(own.rules, hours=(9, 10)))))


def test_a_table_that_cannot_be_read_stands_among_the_faults(demo: HouseholdInputs, tmp_path: Path) -> None:
    table = tmp_path / "hot.csv"
    table.write_text(HOT.replace("45,5,80", "45,500,80"), encoding="utf-8")
    plan = replace(demo.plan, ratings=(RatingInput(name="red", weather_file=table),))
    with pytest.raises(InputError, match="relative humidity is 500 %"):
        read_inputs(plan)
