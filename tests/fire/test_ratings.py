"""Official fire danger ratings and the days that stand for them: published points, and what holds for any bad day."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.fire.fuel.types import FUEL_TYPES
from leaveby.fire.fuel.zones import FuelMap, uniform_fuel
from leaveby.fire.spread.series import district_of
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.ratings import (
    District,
    RatedDay,
    Rating,
    Scale,
    Vegetation,
    day_by_hand,
    fire_behaviour_index,
    fire_weather_index,
    index_name,
    moved,
    rated_days,
    rating_of,
)
from leaveby.fire.weather.series import LIMITS, Weather, constant_weather
from leaveby.regions import table

EAST = timezone(timedelta(hours=11))
START = datetime(2026, 1, 17, 6, tzinfo=EAST)
GRID = Grid(x_min_m=0.0, y_max_m=90.0, cell_m=30.0, rows=3, cols=3, crs="EPSG:32755")
FUELS = ("dry eucalypt forest", "woodland", "pine plantation", "natural grassland", "grazed pasture", "heath", "scrub")
AUSTRALIA = ("Moderate", "High", "Extreme", "Catastrophic")
EUROPE = ("Very low", "Low", "Moderate", "High", "Very high", "Extreme")


def where(scale: Scale = "australia", fuel: str = "dry eucalypt forest", *, lat_deg: float = -36.0) -> District:
    models = ("dry_eucalypt", "mark5")
    return district_of(uniform_fuel(GRID, fuel), scale=scale, models=models, lat_deg=lat_deg)


def bad_day(
    hot_c: float = 40.0, dry_percent: float = 9.0, wind_km_h: float = 54.0, *, start: datetime = START, hours: int = 18
) -> Weather:
    """A day whose afternoon is as bad as asked and whose morning is cooler, damper and calmer."""
    flat = constant_weather(
        start,
        hours=hours,
        air_temperature_c=hot_c,
        relative_humidity_percent=dry_percent,
        wind_speed_m_s=wind_km_h / 3.6,
        wind_from_deg=315.0,
        drought_factor=10.0,
        curing_percent=100.0,
    )
    hour = (start.hour + np.arange(hours)) % 24
    rise = np.clip(1.0 - np.abs(hour - 15.0) / 10.0, 0.1, 1.0)[:, np.newaxis]
    return replace(
        flat,
        air_temperature_c=15.0 + (hot_c - 15.0) * rise,
        relative_humidity_percent=100.0 - (100.0 - dry_percent) * rise,
        wind_speed_m_s=wind_km_h / 3.6 * rise,
    )


BAD_DAYS = st.builds(
    bad_day, st.floats(24.0, 46.0), st.floats(4.0, 40.0), st.floats(12.0, 90.0), start=st.just(START), hours=st.just(18)
)


def faults_of(weather: Weather, district: District, ratings: tuple[Rating, ...] = (), **more: tuple[int, ...]) -> str:
    with pytest.raises(InputError) as caught:
        rated_days(weather, district=district, ratings=ratings, **more)
    for fault in caught.value.faults:
        assert fault.place
        assert fault.expected
        assert fault.mend
    return " | ".join(map(str, caught.value.faults))


# --- published ------------------------------------------------------------------------------------------------------


def test_ratings_and_their_words_are_the_published_ones() -> None:
    """Australian bands and words: read on public pages. European classes: read on the system's background page."""
    scales = table("fire/weather/ratings")["scales"]
    australia = [(one["name"], one["least"], one["told"]) for one in scales["australia"]["ratings"]]
    assert australia == [
        ("Moderate", 12.0, "plan and prepare"),
        ("High", 24.0, "be ready to act"),
        ("Extreme", 50.0, "take action now to protect your life and property"),
        ("Catastrophic", 100.0, "for your survival, leave bushfire risk areas"),
    ]
    assert [one["name"] for one in scales["australia"]["ratings"] if one.get("leave")] == ["Catastrophic"]
    assert [(one["name"], one["least"]) for one in scales["europe"]["ratings"]] == [
        ("Very low", 0.0),
        ("Low", 5.2),
        ("Moderate", 11.2),
        ("High", 21.3),
        ("Very high", 38.0),
        ("Extreme", 50.0),
    ]
    assert all(one["source"] and one["mark"] == "read" for one in scales.values())
    assert (index_name("australia"), index_name("europe"), index_name("own")) == (
        "Fire Behaviour Index",
        "Fire Weather Index",
        None,
    )


@pytest.mark.parametrize(
    ("vegetation", "points"),
    [
        # Hollis et al. 2024, International Journal of Wildland Fire 33; read as quoted, alike, in two other places.
        ("forest", [(0, 0), (100, 6), (750, 12), (4000, 24), (10000, 50), (30000, 100), (90000, 200)]),
        ("grass", [(0, 0), (100, 6), (3000, 12), (9000, 24), (17500, 50), (25000, 100)]),
        ("shrubland", [(0, 0), (50, 6), (500, 12), (4000, 24), (20000, 50), (40000, 100)]),
    ],
)
def test_the_index_runs_straight_between_the_published_points(
    vegetation: Vegetation, points: list[tuple[float, float]]
) -> None:
    at, index = np.array(points, dtype=float).T
    np.testing.assert_allclose(fire_behaviour_index(at, vegetation=vegetation), index)
    middle = (at[1:] + at[:-1]) / 2.0
    np.testing.assert_allclose(fire_behaviour_index(middle, vegetation=vegetation), (index[1:] + index[:-1]) / 2.0)
    # As far past the last point as the last two lie apart, the index has risen as much again.
    past = np.array([2.0 * at[-1] - at[-2]])
    np.testing.assert_allclose(fire_behaviour_index(past, vegetation=vegetation), 2.0 * index[-1] - index[-2])


@pytest.mark.parametrize(
    ("noon", "yesterday", "index"),
    [
        # The sample of Van Wagner (1987), April, days without rain: temperature, humidity, wind; codes of the day
        # before; index. All from memory.
        ((17.0, 42.0, 25.0), (85.0, 6.0, 15.0), 10.1),
        ((8.5, 40.0, 17.0), (86.2, 10.4, 23.6), 7.6),
        ((6.5, 25.0, 6.0), (87.0, 11.8, 26.1), 6.2),
    ],
)
def test_the_fire_weather_index_is_that_of_the_published_sample(
    noon: tuple[float, float, float], yesterday: tuple[float, float, float], index: float
) -> None:
    hot, damp, wind_km_h = noon
    weather = constant_weather(
        datetime(2025, 4, 13, 11, tzinfo=EAST),
        hours=3,
        air_temperature_c=hot,
        relative_humidity_percent=damp,
        wind_speed_m_s=wind_km_h / 3.6,
        wind_from_deg=0.0,
    )
    found = fire_weather_index(weather, lat_deg=46.0, yesterday=yesterday)
    # 0.1 of rounding in the sample, and as much of its codes.
    np.testing.assert_allclose(found, [[index]], atol=0.15)


def test_each_place_has_an_index_of_its_own() -> None:
    # the sample's second day stands at the second place; the first is calm and damp
    weather = constant_weather(
        datetime(2025, 4, 14, 11, tzinfo=EAST),
        hours=3,
        air_temperature_c=8.5,
        relative_humidity_percent=40.0,
        wind_speed_m_s=17.0 / 3.6,
        wind_from_deg=0.0,
    )
    both = {name: np.repeat(getattr(weather, name), 2, axis=1) for name in LIMITS if name != "gust_m_s"}
    both["wind_speed_m_s"][:, 0], both["relative_humidity_percent"][:, 0] = 0.0, 95.0
    found = fire_weather_index(
        replace(weather, place=np.array([[0, 1]], dtype=np.int32), **both), lat_deg=46.0, yesterday=(86.2, 10.4, 23.6)
    )
    assert found.shape == (1, 2)
    assert found[0, 1] == pytest.approx(7.6, abs=0.15)
    assert found[0, 0] < 4.0


def test_noon_is_noon_by_the_clock_of_the_place() -> None:
    weather = bad_day(start=datetime(2026, 1, 17, 3, tzinfo=EAST), hours=48)
    only_noon = replace(weather, wind_speed_m_s=np.zeros_like(weather.wind_speed_m_s))
    only_noon.wind_speed_m_s[[9, 33]] = 15.0
    found = fire_weather_index(only_noon, lat_deg=-36.0)
    assert found.shape == (2, 1)
    calm = fire_weather_index(replace(only_noon, wind_speed_m_s=0.0 * only_noon.wind_speed_m_s), lat_deg=-36.0)
    assert np.all(found > 2.0 * calm)


def test_the_rating_of_a_day_by_hand() -> None:
    """Mark 5 at 38 degrees, 12 %, 25 km/h, drought 10, in 25 t/ha (Noble 1980), and Byram's intensity, by hand."""
    weather = constant_weather(
        START,
        hours=1,
        air_temperature_c=38.0,
        relative_humidity_percent=12.0,
        wind_speed_m_s=25.0 / 3.6,
        wind_from_deg=0.0,
        drought_factor=10.0,
    )
    district = district_of(
        uniform_fuel(GRID, "dry eucalypt forest"), scale="australia", models=("mark5",), lat_deg=-36.0
    )
    index = 2.0 * np.exp(-0.45 + 0.987 * np.log(10.0) - 0.0345 * 12.0 + 0.0338 * 38.0 + 0.0234 * 25.0)
    intensity = 18_600.0 * 2.5 * (0.0012 * index * 25.0 / 3.6)
    np.testing.assert_allclose(district.intensity_kw_m(weather), [[intensity]], rtol=1e-6)
    assert 10_000.0 < intensity < 30_000.0
    assert rating_of(weather, district=district) == "Extreme"
    assert rating_of(weather, district=replace(district, scale="own")) is None
    assert rating_of(moved(bad_day(12.0, 90.0, 4.0), 0.0), district=where(fuel="eaten-out pasture")) is None


def test_a_day_in_forest_is_rated_so_by_every_measure_that_is_known() -> None:
    """By the slowest equation and by the index of Noble, Bary and Gill 1980 (F = 2 exp(-0.45 + 0.987 ln D - 0.0345 H +
    0.0338 T + 0.0234 V), worked here by hand), whose classes went by the same numbers: common practice, no source.
    """
    for day, upper in zip(rated_days(bad_day(), district=where()), (24.0, 50.0, 100.0, 100.0), strict=True):
        T, H, V = (
            values[:, 0]
            for values in (
                day.weather.air_temperature_c,
                day.weather.relative_humidity_percent,
                day.weather.wind_speed_m_s * 3.6,
            )
        )
        older = 2.0 * np.exp(-0.45 + 0.987 * np.log(10.0) - 0.0345 * H + 0.0338 * T + 0.0234 * V)
        # Mark 5: R = 0.0012 F w in km/h, w in t/ha; Byram: I = 18600 w R, w in kg/m2, R in m/s.
        w = FUEL_TYPES["dry eucalypt forest"].surface_load_t_ha
        kw_m = 18_600.0 * (w / 10.0) * (0.0012 * older * w / 3.6)
        by_mark5 = fire_behaviour_index(kw_m, vegetation="forest")
        assert float(np.minimum(older, by_mark5).max()) >= upper * (1.0 - 1e-6)


def test_the_commonest_fuel_that_burns_stands_for_the_district() -> None:
    types = tuple(uniform_fuel(GRID, name).types[0] for name in ("water", "heath", "dry eucalypt forest"))
    code = np.array([[0, 0, 0], [0, 0, 1], [1, 2, 1]], dtype=np.int16)
    found = district_of(FuelMap(GRID, code, types), scale="australia", models=("mark5",), lat_deg=-36.0)
    assert found.vegetation == "shrubland"
    assert "in heath, the commonest fuel of the map" in found.said[0]
    alone = where(fuel="heath")
    np.testing.assert_array_equal(found.intensity_kw_m(bad_day()), alone.intensity_kw_m(bad_day()))


# --- what holds for any bad day ---------------------------------------------------------------------------------------


def rises(days: tuple[RatedDay, ...]) -> None:
    for lower, higher in pairwise(days):
        assert lower.index is not None
        assert higher.index is not None
        assert higher.index >= lower.index
        assert np.all(higher.weather.air_temperature_c >= lower.weather.air_temperature_c)
        assert np.all(higher.weather.wind_speed_m_s >= lower.weather.wind_speed_m_s)
        assert np.all(higher.weather.relative_humidity_percent <= lower.weather.relative_humidity_percent)


@given(BAD_DAYS, st.sampled_from(FUELS))
def test_a_higher_rating_never_has_a_milder_day(weather: Weather, fuel: str) -> None:
    district = where(fuel=fuel)
    assume(rating_of(weather, district=district) is not None)
    days = rated_days(weather, district=district)
    assert tuple(day.name for day in days) == AUSTRALIA
    rises(days)
    for day, upper in zip(days, (24.0, 50.0, 100.0), strict=False):
        assert day.index is not None
        if "does not reach" in day.said[-1]:
            assert day.index < upper
            assert day.weather.wind_speed_m_s.max() == pytest.approx(120.0 / 3.6)
        else:
            assert day.index >= upper
    most = [
        float(fire_behaviour_index(district.intensity_kw_m(day), vegetation=district.vegetation).max())
        for day in (days[-1].weather, weather)
    ]
    assert most[0] >= most[1] * (1.0 - 1e-12)
    for day in days:
        np.testing.assert_array_equal(day.weather.wind_from_deg, weather.wind_from_deg)
        np.testing.assert_array_equal(day.weather.drought_factor, weather.drought_factor)
        np.testing.assert_array_equal(day.weather.time_s, weather.time_s)
        assert day.weather.start == weather.start
        assert np.all((day.weather.relative_humidity_percent >= 1.0) & (day.weather.relative_humidity_percent <= 100.0))
        assert day.weather.wind_speed_m_s.max() <= max(120.0 / 3.6, weather.wind_speed_m_s.max()) + 1e-9
    assert [day.leave for day in days] == [False, False, False, True]


@pytest.mark.parametrize("weather", [bad_day(), bad_day(32.0, 22.0, 30.0)], ids=["very bad", "bad"])
def test_european_days_rise_too(weather: Weather) -> None:
    days = rated_days(weather, district=where("europe", lat_deg=39.5))
    assert tuple(day.name for day in days) == EUROPE
    rises(days)
    for day, upper in zip(days, (5.2, 11.2, 21.3, 38.0, 50.0), strict=False):
        assert day.index is not None
        assert day.index >= upper
    assert days[-1].index is not None
    assert days[-1].index >= 50.0
    assert not any(day.leave or day.told for day in days)


def test_a_gridded_forecast_counts_by_its_worst_place() -> None:
    one = bad_day()
    two = replace(
        one,
        place=np.array([[0, 0, 0], [1, 1, 1], [1, 1, 1]], dtype=np.int32),
        **{
            name: np.repeat(getattr(one, name), 2, axis=1)
            for name in ("air_temperature_c", "relative_humidity_percent", "wind_from_deg", "drought_factor")
        },
        curing_percent=np.repeat(one.curing_percent, 2, axis=1),
        wind_speed_m_s=np.hstack([one.wind_speed_m_s, 0.6 * one.wind_speed_m_s]),
    )
    district = where()
    alone = rated_days(one, district=district)
    both = rated_days(two, district=district)
    assert [day.index for day in both] == pytest.approx([day.index for day in alone], rel=1e-4)


# --- ratings that a plan names ----------------------------------------------------------------------------------------


def test_ratings_can_be_chosen_and_renamed() -> None:
    asked = (Rating("Alerta", stands_for="high", leave=True), Rating("Catastrophic"))
    days = rated_days(bad_day(), district=where(), ratings=asked)
    assert [(day.name, day.leave, day.told) for day in days] == [
        ("Alerta", True, "be ready to act"),
        ("Catastrophic", True, "for your survival, leave bushfire risk areas"),
    ]
    plain = rated_days(bad_day(), district=where())
    assert days[0].index == plain[1].index


def test_own_ratings_keep_the_days_that_the_plan_gives_them() -> None:
    weather = bad_day()
    orange = day_by_hand(weather, air_temperature_c=30.0, relative_humidity_percent=30.0, wind_speed_m_s=8.0)
    asked = (Rating("amber", weather=orange), Rating("worst", weather=weather, leave=True))
    days = rated_days(weather, district=where("own"), ratings=asked)
    assert [(day.name, day.index, day.leave, day.told) for day in days] == [
        ("amber", None, False, None),
        ("worst", None, True, None),
    ]
    assert days[0].weather is orange
    assert np.all(orange.air_temperature_c == 30.0)
    assert np.all(orange.wind_speed_m_s == 8.0)
    assert orange.start == weather.start
    assert any("all day" in line for line in days[0].said)


def test_faults_of_ratings_are_said_with_their_mend() -> None:
    weather = bad_day()
    mild = day_by_hand(weather, air_temperature_c=20.0, relative_humidity_percent=60.0, wind_speed_m_s=2.0)
    own = where("own")
    falling = (Rating("a", weather=weather), Rating("b", weather=mild, where='ratings[2] "b"'))
    said = faults_of(weather, own, falling)
    assert 'ratings[2] "b"' in said
    assert "no more dangerous than that of a" in said
    # The same day twice does not rise either.
    assert "no more dangerous" in faults_of(weather, own, (Rating("a", weather=mild), Rating("b", weather=mild)))
    said = faults_of(weather, where(), (Rating("Extreme"), Rating("High"), Rating("Severe")))
    assert "stands after Extreme" in said
    assert '"Severe" is no rating of the scale' in said
    assert "one of Moderate, High, Extreme, Catastrophic" in said
    late = bad_day(start=START + timedelta(hours=6), hours=6)
    said = faults_of(weather, own, (Rating("a", weather=late, file="a.csv"),), hours=(10, 13, 17, 18))
    assert "a.csv, has no row for 10:00, 18:00" in said
    assert rated_days(weather, district=own, ratings=(Rating("a", weather=late, file="a.csv"),), hours=(12, 17))


def test_a_rating_that_no_wind_reaches_is_refused_where_the_plan_names_it() -> None:
    weather, district = bad_day(32.0, 20.0, 60.0), where(fuel="eaten-out pasture")
    plain = rated_days(weather, district=district)
    rises(plain)
    assert "does not reach its upper edge" in plain[2].said[-1]
    assert "not reached by any wind up to 120 km/h" in faults_of(weather, district, (Rating("Extreme"),))


def test_a_plans_day_that_is_no_bad_day_is_refused() -> None:
    assert "no worse than a mild day" in faults_of(bad_day(12.0, 90.0, 4.0), where())
    calm = bad_day(21.0, 58.0, 6.0)
    assert "below every rating" in faults_of(calm, where(fuel="grazed pasture"))
    # With days of their own for all ratings the plan's day is not asked for.
    given_day = bad_day()
    assert rated_days(calm, district=where("own"), ratings=(Rating("bad", weather=given_day),))[0].weather is given_day


def test_far_past_the_plans_day_every_value_is_held() -> None:
    far = moved(bad_day(), 50.0)
    assert far.wind_speed_m_s.max() == pytest.approx(120.0 / 3.6)
    assert far.relative_humidity_percent.min() == 1.0
    assert far.air_temperature_c.max() == 60.0
