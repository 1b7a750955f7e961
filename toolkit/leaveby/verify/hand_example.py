"""The example worked by hand: one road, one rate of spread, fixed durations, every number from pencil and paper.

Level ground, no wind, one fuel, a rate of spread of 1 m/s: fire from a point is a circle, as many seconds from a place
as it is metres away. The question goes through the same computation as any household's.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from math import hypot
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from pyproj import Transformer

from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import refuse
from leaveby.fire.fuel.zones import uniform_fuel
from leaveby.fire.terrain import Grid, Terrain
from leaveby.fire.weather.series import constant_weather
from leaveby.household.plan import (
    FireInput,
    FuelInput,
    Home,
    IgnitionInput,
    Person,
    Plan,
    RoadsInput,
    SafePoint,
    Task,
    TerrainInput,
    Vehicle,
    WeatherInput,
)
from leaveby.roads.network.graph import network_from_lines
from leaveby.show.wording import clock_words
from leaveby.verify.checks import BY_HAND, Check

CRS: Final = "EPSG:32755"
HOME_M: Final = (670_000.0, 6_000_000.0)
FIRE_M: Final = (6750.0, 6100.0)
"""Metres east and north of the home."""

STREETS: Final = ("Home Lane", "Ford Road", "Hill Road", "Town Road")
STRETCH_M: Final = 3000.0
CELL_M: Final = 50.0
FACTOR: Final = 1.475
"""Which 95 % of the drives do not exceed: 1 + 0.95 x 0.5, any from 1 to 1.5 being as likely as any other."""

_START: Final = datetime(2026, 1, 17, 12, 0, tzinfo=timezone(timedelta(hours=11)))
_SAMPLED: Final = 0.01
"""How far a hundred drawn drives may be off that factor."""

_EARLY_S: Final = 0.5 * CELL_M * 2.0**0.5
"""A cell is judged at its centre: a closing may come out early by half a cell's diagonal, at 1 m/s."""


def hand_example_inputs(*, members: int = 100) -> HouseholdInputs:
    """The example as the inputs of a household, made without any file.

    Parameters
    ----------
    members : int
        20 or more.
    """
    grid = Grid(HOME_M[0] - 525.0, HOME_M[1] + 6525.0, CELL_M, rows=142, cols=262, crs=CRS)
    fire_deg = _lon_lat(*FIRE_M)
    town_deg = _lon_lat(len(STREETS) * STRETCH_M, 0.0)
    plan = Plan(
        name="the hand-worked example",
        confidence=0.95,
        margin_s=600.0,
        members=members,
        seed=7,
        horizon_s=3 * 3600.0,
        durations="beta_pert",
        home=Home(*_lon_lat(0.0, 0.0)),
        people=(Person("Ines", can=("lift", "drive")),),
        tasks=(
            Task("pack the car", ("car",), 900.0, 900.0, 900.0),
            Task("load the dog", ("car",), 300.0, 300.0, 300.0),
        ),
        safe_points=(SafePoint("the town", *town_deg, kind="safe_point", ways=("car",)),),
        roads=RoadsInput(Path("roads.osm"), standoff_m=100.0, smoke_lead_s=600.0),
        terrain=TerrainInput(Path("terrain.tif")),
        fuel=FuelInput(type="dry eucalypt forest"),
        weather=WeatherInput(Path("weather.csv")),
        fire=FireInput(models=("dry_eucalypt",), set_m_s=1.0),
        ignitions=(IgnitionInput("the fire", _START, (fire_deg,)),),
        vehicles=(Vehicle("ute", "car", 1.9, 1.9, 5.4, 2400.0, seats=5, power_kw=140.0),),
        towing=None,
    )
    lines = [
        [(HOME_M[0] + STRETCH_M * number, HOME_M[1]), (HOME_M[0] + STRETCH_M * (number + 1), HOME_M[1])]
        for number in range(len(STREETS))
    ]
    posted = {"highway": "secondary", "surface": "asphalt", "maxspeed": "80"}
    return HouseholdInputs(
        plan=plan,
        terrain=Terrain(grid, np.zeros(grid.shape)),
        fuel=uniform_fuel(grid, "dry eucalypt forest"),
        weather=constant_weather(
            _START,
            air_temperature_c=38.0,
            relative_humidity_percent=12.0,
            wind_speed_m_s=0.0,
            wind_from_deg=0.0,
            drought_factor=10.0,
            curing_percent=100.0,
            hours=12,
        ),
        network=network_from_lines(lines, crs=CRS, names=list(STREETS), tags=[posted] * len(STREETS)),
        assumptions=(),
        record={},
    )


def hand_example(*, workers: int = 1) -> HouseholdResult:
    """The answer to the example, computed like any other."""
    return answer_household(hand_example_inputs(), workers=workers)


def hand_example_checks(result: HouseholdResult) -> tuple[Check, ...]:
    """Every step of the example: the arithmetic, its number, and what the computation gives.

    Parameters
    ----------
    result : HouseholdResult
        From `hand_example`.

    Returns
    -------
    tuple of Check
        In the order in which one works it out.

    Raises
    ------
    InputError
        If the result has no way by car: it is not the example's.
    """
    car = result.ways.get("car")
    if car is None or car.route is None or car.latest_departure_s is None or car.latest_start_s is None:
        raise refuse("result", "has no way by car", expected="the answer of `hand_example`", mend="compute it first")
    rows = [
        _seconds("The drive", car.route.time_s, "12,000 m at 72 km/h, nine tenths of 80: 12,000 / 20", 600.0, off=0.1)
    ]
    sides = (3750.0, 750.0, 0.0, 2250.0)
    for name, side_m, edge in zip(STREETS, sides, car.route.edges, strict=True):
        away_m = hypot(side_m, FIRE_M[1])
        sum_words = f"sqrt({side_m:,.0f}^2 + 6,100^2) = {away_m:,.1f} m, less 100 m, less 600 s"
        shut_s = float(result.closing_s[edge])
        rows.append(_seconds(f"{name} shuts after", shut_s, sum_words, away_m - 700.0, off=_EARLY_S, only_early=True))
    rows += [
        _seconds("Ready after", car.ready_at_confidence_s, "one pair of hands: 900 + 300", 1200.0, off=0.1),
        _seconds(
            "Latest departure",
            car.latest_departure_s,
            f"Hill Road binds: 5,400 - 600 - 450 x {FACTOR}",
            4800.0 - 450.0 * FACTOR,
            off=450.0 * _SAMPLED,
        ),
        _seconds(
            "Latest start",
            car.latest_start_s,
            f"4,136 - 1,200, which is {clock_words(result, 2936.0, step_min=1)}",
            3600.0 - 450.0 * FACTOR,
            off=450.0 * _SAMPLED,
        ),
    ]
    clear = dict(zip(car.start_s.tolist(), car.clear_probability.tolist(), strict=True))
    for at_s, share, words in (
        (2700.0, 1.0, "clear when the drive factor is at most (3,600 - 2,700) / 450 = 2: always"),
        (3000.0, 2.0 / 3.0, "(3,600 - 3,000) / 450 = 1.333, of factors between 1 and 1.5: two in three"),
        (3300.0, 0.0, "(3,600 - 3,300) / 450 = 0.667: never"),
    ):
        rows.append(_share(f"Clear when starting at {clock_words(result, at_s)}", clear[at_s], words, share))
    rows += [
        _seconds(
            "Getting ready and driving, 95 % of the days",
            car.required_s.p95_s,
            f"1,200 + 600 x {FACTOR}",
            1200.0 + 600.0 * FACTOR,
            off=600.0 * _SAMPLED,
        ),
        _seconds(
            "Fire at the home",
            result.fire.home_p50_s,
            "the nearest of the nine cells about it: sqrt(6,700^2 + 6,050^2)",
            hypot(6700.0, 6050.0),
            off=0.5,
        ),
    ]
    middle_m = (HOME_M[0] + 2.5 * STRETCH_M, HOME_M[1])
    north = shapely.LineString([middle_m, (middle_m[0], middle_m[1] + 6500.0)])
    for line in result.triggers:
        if line.way == "car":
            factor = 1.0 + 0.5 * line.confidence
            rows.append(
                _length(
                    f"Trigger line north of Hill Road, {100.0 * line.confidence:g} % sure",
                    float(line.area.intersection(north).length),
                    f"100 + 450 x {factor:g} + 600 + 600 + 1,200; drawn up to a cell and a half farther",
                    2500.0 + 450.0 * factor,
                )
            )
    return tuple(rows)


def _seconds(
    what: str, ours_s: float, arithmetic: str, by_hand_s: float, *, off: float, only_early: bool = False
) -> Check:
    apart_s = ours_s - by_hand_s
    agrees = -off <= apart_s <= (0.1 if only_early else off)
    allowed = f"may be up to {off:.3g} s early" if only_early else f"may be {off:.3g} s"
    return Check(
        what=what,
        ours=f"{ours_s:,.1f} s",
        outside=f"{by_hand_s:,.1f} s",
        off=f"{apart_s:+.1f} s, {allowed}",
        agrees=agrees,
        source=arithmetic,
        mark=BY_HAND,
    )


def _share(what: str, ours: float, arithmetic: str, by_hand: float) -> Check:
    allowed = 2.0 * _SAMPLED if 0.0 < by_hand < 1.0 else 0.0
    return Check(
        what=what,
        ours=f"{100.0 * ours:.1f} %",
        outside=f"{100.0 * by_hand:.1f} %",
        off=f"{100.0 * (ours - by_hand):+.1f} %, may be {100.0 * allowed:g} %",
        agrees=abs(ours - by_hand) <= allowed,
        source=arithmetic,
        mark=BY_HAND,
    )


def _length(what: str, ours_m: float, arithmetic: str, by_hand_m: float) -> Check:
    return Check(
        what=what,
        ours=f"{ours_m:,.0f} m",
        outside=f"{by_hand_m:,.0f} m",
        off=f"{ours_m - by_hand_m:+.0f} m, may be up to {1.5 * CELL_M:g} m farther",
        agrees=0.0 <= ours_m - by_hand_m <= 1.5 * CELL_M,
        source=arithmetic,
        mark=BY_HAND,
    )


def _lon_lat(east_m: float, north_m: float) -> tuple[float, float]:
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_degrees.transform(HOME_M[0] + east_m, HOME_M[1] + north_m)
    return float(lon_deg), float(lat_deg)
