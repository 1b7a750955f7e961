"""What is said first where the equations of the fire were made for other fuels, word for word.

Rules of thumb as published (read in abstracts): forest and shrubland 10 % of the wind speed in dry fuel and strong wind
(Cruz and Alexander 2019), grass 20 % (Cruz, Alexander and Kilinc 2022). Of which fuels and where equations were made is
from memory.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from leaveby.fire.fuel.types import FUEL_TYPES
from leaveby.fire.fuel.zones import fuel_from_codes
from leaveby.fire.spread import equations
from leaveby.fire.spread.series import MODELS, FireChoice, SpreadZones, spread_zones
from leaveby.fire.spread.validity import made_elsewhere
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.danger import forest_fire_danger_index
from leaveby.fire.weather.series import Weather, constant_weather
from leaveby.regions import table_rows

GRID = Grid(x_min_m=0.0, y_max_m=300.0, cell_m=30.0, rows=10, cols=10, crs="EPSG:32755")


def day(wind_m_s: float = 15.0) -> Weather:
    start = datetime(2026, 1, 17, 13, tzinfo=UTC)
    air = {"air_temperature_c": 40.0, "relative_humidity_percent": 10.0, "wind_from_deg": 315.0, "drought_factor": 10.0}
    return constant_weather(start, hours=2, wind_speed_m_s=wind_m_s, **air)


def ground(weather: Weather, cells: dict[str, int]) -> SpreadZones:
    """So many cells of a hundred of each fuel."""
    names = list(cells)
    code = np.repeat(np.arange(1, len(names) + 1), list(cells.values())).reshape(10, 10)
    return spread_zones(fuel_from_codes(GRID, code, legend=dict(enumerate(names, start=1))), weather)


def said(cells: dict[str, int], region: str, choice: FireChoice | None = None) -> tuple[str, ...]:
    weather = day()
    return made_elsewhere(weather, ground(weather, cells), choice=choice or FireChoice(("mark5",)), region=region)


def test_forest_abroad_word_for_word() -> None:
    """By the printed equation: 0.0012 F w km/h with w = 15 t/ha (`pine plantation`, by judgement)."""
    index = float(forest_fire_danger_index(40.0, 10.0, wind_speed_m_s=15.0, drought_factor=10.0))
    printed_km_h = 0.0012 * index * 15.0
    assert said({"pine plantation": 100}, "PT") == (
        "Fire speeds here come from equations made for dry eucalypt forest of Australia, not for forest and shrubland "
        "of PT: they may be far off. By the published rule of thumb for dry forest and shrubland in strong wind, 10 % "
        "of the wind speed (Cruz and Alexander 2019), fire runs at 5.4 km/h in this plan's strongest wind of 54 km/h; "
        f"the equations give {printed_km_h:.1f} km/h at most, on flat ground. Name rule_10_percent among the models of "
        "[fire], and the faster holds.",
    )


def test_grass_in_miles_an_hour_word_for_word() -> None:
    """15 m/s = 33.554 mph, of which 20 % are 6.711: both rounded up."""
    weather = day()
    zones = ground(weather, {"natural grassland": 100})
    moist = 9.58 - 0.205 * 40.0 + 0.138 * 10.0
    ros = float(equations.grass_ros_m_s(15.0, moist, curing_percent=100.0, state=0))
    mph = np.ceil(ros / 0.44704 * 10.0 - 1e-6) / 10.0
    assert made_elsewhere(weather, zones, choice=FireChoice(), region="US-CA") == (
        "Fire speeds here come from equations made for grassland of Australia, not for grass of US-CA: they may be far "
        "off. By the published rule of thumb for cured grass in strong wind, 20 % of the wind speed (Cruz, Alexander "
        "and Kilinc 2022), fire runs at 6.8 mph in this plan's strongest wind of 34 mph; the equations give "
        f"{mph:.1f} mph at most, on flat ground. Name rule_20_percent among the models of [fire], and the faster "
        "holds.",
    )


def test_both_are_said_where_both_burn() -> None:
    both = said({"shrubland": 50, "grazed pasture": 50}, "ES")
    assert [line.split(", not for ")[1].split(":")[0] for line in both] == ["forest and shrubland of ES", "grass of ES"]
    assert "made for shrubland of Australia and New Zealand" in both[0]


def test_at_home_fuels_that_no_equation_was_made_for_are_named() -> None:
    assert said({"dry eucalypt forest": 50, "shrubland": 25, "natural grassland": 25}, "AU-NSW") == ()
    (pines,) = said({"dry eucalypt forest": 50, "pine plantation": 50}, "AU-VIC")
    assert ", not for pine plantation: they may be far off." in pines
    assert said({"shrubland": 100}, "NZ") == ()
    assert len(said({"dry eucalypt forest": 100}, "NZ")) == 1


def test_a_small_patch_of_another_fuel_is_not_said() -> None:
    assert said({"dry eucalypt forest": 91, "pine plantation": 9}, "AU") == ()
    assert len(said({"dry eucalypt forest": 90, "pine plantation": 10}, "AU")) == 1


def test_nothing_is_said_where_no_equation_is_used_and_no_hint_where_the_rule_takes_part() -> None:
    assert said({"pine plantation": 100}, "PT", FireChoice(set_m_s=1.0)) == ()
    assert said({"pine plantation": 100}, "PT", FireChoice(("rule_10_percent",))) == ()
    (line,) = said({"pine plantation": 100}, "PT", FireChoice(("mark5", "rule_10_percent")))
    assert line.endswith("at most, on flat ground.")


def test_every_equation_says_what_it_was_made_for() -> None:
    rows = {row["model"]: row for row in table_rows("leaveby.fire.spread", "made_for.csv")}
    assert set(rows) == {model for model in MODELS if not model.startswith("rule_")}
    assert {name for row in rows.values() for name in row["fuels"].split(";")} <= set(FUEL_TYPES)
    assert all(row["mark"] == "memory" and row["source"] and row["told"] for row in rows.values())
    burning = {name for name, kind in FUEL_TYPES.items() if kind.burns}
    nobodys = burning - {name for row in rows.values() for name in row["fuels"].split(";")}
    assert nobodys == {"tall wet forest", "pine plantation"}


@given(
    region=st.sampled_from(["AU", "US-OR", "PT", "NZ", "CL", "CA-BC", "GB"]),
    cells=st.lists(st.sampled_from([name for name, kind in FUEL_TYPES.items() if kind.burns]), min_size=1, max_size=4),
    wind_m_s=st.floats(0.0, 30.0),
)
def test_abroad_it_is_always_said(region: str, cells: list[str], wind_m_s: float) -> None:
    weather = day(wind_m_s)
    names = list(dict.fromkeys(cells))
    counts = {name: 100 // len(names) for name in names}
    counts[names[0]] += 100 - sum(counts.values())
    found = made_elsewhere(weather, ground(weather, counts), choice=FireChoice(), region=region)
    if region not in ("AU", "NZ"):
        assert len(found) == len({FUEL_TYPES[name].equation == "grass" for name in names})
    for line in found:
        assert "they may be far off" in line
        assert " % of the wind speed (Cruz" in line
