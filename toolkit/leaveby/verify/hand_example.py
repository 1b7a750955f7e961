"""The example worked by hand: one road, one rate of spread, fixed durations, every number from pencil and paper.

Level ground, no wind, one fuel, a rate of spread of 1 m/s: fire from a point is a circle, as many seconds from a place
as it is metres away. The question goes through the same computation as any household's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from itertools import pairwise
from math import hypot
from typing import Final

import numpy as np
import shapely
from pyproj import Transformer

from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.answer import answer_household
from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.errors import refuse
from leaveby.fire.fuel.zones import uniform_fuel
from leaveby.fire.terrain import Grid, Terrain
from leaveby.fire.weather.series import constant_weather
from leaveby.household.plan_file import plan_from_document
from leaveby.regions import table
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
_LEARNS_S: Final = 600.0
_SAMPLED: Final = 0.01
"""How far a hundred drawn drives may be off that factor."""

_EARLY_S: Final = 0.5 * CELL_M * 2.0**0.5
"""A cell is judged at its centre: a closing may come out early by half a cell's diagonal, at 1 m/s."""


def hand_example_inputs(*, members: int = 100) -> HouseholdInputs:
    """The example as the inputs of a household with 20 members or more, made without any file."""
    grid = Grid(HOME_M[0] - 525.0, HOME_M[1] + 6525.0, CELL_M, rows=142, cols=262, crs=CRS)
    town = {"name": "the town", "kind": "safe_point", "ways": ["car"], **_place(len(STREETS) * STRETCH_M, 0.0)}
    fire = {"name": "the fire", "at": _START, "lon_lat_deg": [list(_place(*FIRE_M).values())]}
    places = {"home": _place(0.0, 0.0), "safe_points": [town], "ignitions": [fire]}
    plan = replace(plan_from_document({**table("verify/hand_example"), **places}), members=members, assumptions=())
    ends = [(HOME_M[0] + STRETCH_M * number, HOME_M[1]) for number in range(len(STREETS) + 1)]
    lines = [list(pair) for pair in pairwise(ends)]
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
    """Every step of the example, in the order in which one works it out: what is computed beside the arithmetic."""
    car, fire = result.ways.get("car"), result.fire
    if fire is None or car is None or car.route is None or car.latest_departure_s is None or car.latest_start_s is None:
        raise refuse("result", "has no way by car", expected="the answer of `hand_example`", mend="compute it first")
    start_words = f"4,136 - 1,200, which is {clock_words(result, 2936.0, step_min=1)}"
    drawn_s = 450.0 * _SAMPLED
    drive = "Getting ready and driving, 95 % of the days"
    home = "the nearest of the nine cells about it: sqrt(6,700^2 + 6,050^2)"
    by_s, burnt_s = 450.0 * FACTOR, hypot(6700.0, 6050.0)
    steps: list[_Step] = [
        ("The drive", car.route.time_s, "12,000 m at 72 km/h, nine tenths of 80: 12,000 / 20", 600.0, 0.1),
        *_closings(result, car.route.edges),
        ("Ready after", car.ready_at_confidence_s, "one pair of hands: 900 + 300", 1200.0, 0.1),
        (
            "Latest departure",
            car.latest_departure_s,
            f"Hill Road binds: 5,400 - 600 - 450 x {FACTOR}",
            4800.0 - by_s,
            drawn_s,
        ),
        ("Latest start", car.latest_start_s, start_words, 3600.0 - by_s, drawn_s),
    ]
    last: list[_Step] = [
        (drive, car.required_s.p95_s, f"1,200 + 600 x {FACTOR}", 1200.0 + 600.0 * FACTOR, 600.0 * _SAMPLED),
        ("Fire at the home", fire.home_p50_s, home, burnt_s, 0.5),
    ]
    return (
        *(_seconds(step) for step in steps),
        *_clear(result, car),
        *(_seconds(step) for step in last),
        *_trigger_lines(result),
    )


_Step = tuple[str, float, str, float, float]
"""What, ours in seconds, the arithmetic, by hand, and how far off it may be; below 0: early only."""


def _closings(result: HouseholdResult, edges: Sequence[int]) -> list[_Step]:
    """When each street shuts: the fire's distance from the nearest point of it, less the stand-off and the smoke."""
    steps: list[_Step] = []
    for name, side_m, edge in zip(STREETS, (3750.0, 750.0, 0.0, 2250.0), edges, strict=True):
        away_m = hypot(side_m, FIRE_M[1])
        words = f"sqrt({side_m:,.0f}^2 + 6,100^2) = {away_m:,.1f} m, less 100 m, less 600 s"
        steps.append((f"{name} shuts after", float(result.closing_s[edge]), words, away_m - 700.0, -_EARLY_S))
    return steps


def _seconds(step: _Step) -> Check:
    what, ours_s, arithmetic, by_hand_s, off_s = step
    apart_s, early = ours_s - by_hand_s, off_s < 0.0
    return Check(
        what=what,
        ours=f"{ours_s:,.1f} s",
        outside=f"{by_hand_s:,.1f} s",
        off=f"{apart_s:+.1f} s, may be {f'up to {-off_s:.3g} s early' if early else f'{off_s:.3g} s'}",
        agrees=-abs(off_s) <= apart_s <= (0.1 if early else off_s),
        source=arithmetic,
        mark=BY_HAND,
    )


def _clear(result: HouseholdResult, car: WayTiming) -> list[Check]:
    """The share of days that get clear, for three moments of starting."""
    clear = dict(zip(car.start_s.tolist(), car.clear_probability.tolist(), strict=True))
    rows = []
    for at_s, by_hand, arithmetic in (
        (2700.0, 1.0, "clear when the drive factor is at most (3,600 - 2,700) / 450 = 2: always"),
        (3000.0, 2.0 / 3.0, "(3,600 - 3,000) / 450 = 1.333, of factors between 1 and 1.5: two in three"),
        (3300.0, 0.0, "(3,600 - 3,300) / 450 = 0.667: never"),
    ):
        apart, allowed = clear[at_s] - by_hand, 2.0 * _SAMPLED if 0.0 < by_hand < 1.0 else 0.0
        rows.append(
            Check(
                what=f"Clear when starting at {clock_words(result, at_s)}",
                ours=f"{100.0 * clear[at_s]:.1f} %",
                outside=f"{100.0 * by_hand:.1f} %",
                off=f"{100.0 * apart:+.1f} %, may be {100.0 * allowed:g} %",
                agrees=abs(apart) <= allowed,
                source=arithmetic,
                mark=BY_HAND,
            )
        )
    return rows


def _trigger_lines(result: HouseholdResult) -> list[Check]:
    """How far north of Hill Road's middle fire is too near for the car."""
    middle_m = (HOME_M[0] + 2.5 * STRETCH_M, HOME_M[1])
    north = shapely.LineString([middle_m, (middle_m[0], middle_m[1] + 6500.0)])
    rows = []
    for rule in (one for one in result.rules.rules.values() if one.way == "car"):
        for line, learns_s, what in (
            (rule.late, 0.0, "Too late with fire this far"),
            (rule.go, _LEARNS_S, "Go with word of fire this far"),
        ):
            ours_m = float(line.area.intersection(north).length)
            by_hand_m = 2500.0 + 450.0 * FACTOR + learns_s
            rows.append(
                Check(
                    what=f"{what} north of Hill Road",
                    ours=f"{ours_m:,.0f} m",
                    outside=f"{by_hand_m:,.0f} m",
                    off=f"{ours_m - by_hand_m:+.0f} m, may be up to {1.5 * CELL_M:g} m farther",
                    agrees=0.0 <= ours_m - by_hand_m <= 1.5 * CELL_M,
                    source=f"100 + 450 x {FACTOR} + 600 + 600 + 1,200{' + 600' * (line is rule.go)}; drawn up to a "
                    "cell and a half farther",
                    mark=BY_HAND,
                )
            )
    return rows


def _place(east_m: float, north_m: float) -> dict[str, float]:
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_degrees.transform(HOME_M[0] + east_m, HOME_M[1] + north_m)
    return {"lon_deg": float(lon_deg), "lat_deg": float(lat_deg)}
