"""Injects of a drill, from what was computed: what is seen, heard, measured and officially said, minute by minute.

Nothing here is made up beside the wording: each inject has its moment and its numbers from the central run of the
fire, the closings of the roads, the leave-by times, or the plan's weather table, and `Inject.basis` says from which.
Official messages are worded by this module and stand under "Exercise only" everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray
from shapely import Point

from leaveby.decision.drill.result import Inject, InjectKind, OwnInject, Pause, Reading, StreetShut
from leaveby.decision.fires.closing import closing_times, stretch_cells
from leaveby.decision.fires.scenario import Scenario, central_ignitions, district
from leaveby.decision.household.phases import EVERY_ROAD_SHUT
from leaveby.decision.household.timed import Timed
from leaveby.decision.ways.result import WAY_WORDS
from leaveby.fire.arrival.isochrones import arrival_near
from leaveby.fire.arrival.solve import Arrival
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.danger import forest_fire_danger_index
from leaveby.fire.weather.ratings import rating_of
from leaveby.fire.weather.series import Weather, step_at
from leaveby.parameters import IN_SIGHT_M, REPORTED_AFTER_S, WIND_CHANGE_DEG
from leaveby.regions import table_rows
from leaveby.roads.routing.itinerary import compass_words, shut_along, street
from leaveby.units import (
    METRES_PER_MILE,
    Measures,
    about_words,
    farther_words,
    given_words,
    speed_words,
    temperature_words,
)

DISTANCES_M: Final = (20_000.0, 10_000.0, 5_000.0, 3_000.0, 2_000.0, 1_000.0, 500.0)
DISTANCES_MILES_M: Final = tuple(METRES_PER_MILE * miles for miles in (12.0, 6.0, 3.0, 2.0, 1.0, 0.5, 0.25))
"""Distances of the front from the home at which it is heard of or seen; in miles where people count in them."""

_TOLD: Final = {row["name"]: row for row in table_rows(__package__, "injects.csv")}
"""Kind, words and basis of every computed inject, and whether it is kept from the participants."""

IGNITION: Final = _TOLD["reported"]["basis"]
"""What the first word of a fire rests on."""

MOST_STREETS: Final = 10
"""Crossed streets named in one round, the longest ones."""


def reading_at(weather: Weather, time_s: float) -> Reading:
    """Read the plan's weather at a moment, at its first place."""
    step = step_at(weather, time_s)
    values = (
        weather.air_temperature_c,
        weather.relative_humidity_percent,
        weather.wind_speed_m_s,
        weather.wind_from_deg,
        weather.drought_factor,
    )
    hot, dry, wind, wind_from, drought = (float(series[step, 0]) for series in values)
    return Reading(
        air_temperature_c=hot,
        relative_humidity_percent=dry,
        wind_speed_m_s=wind,
        wind_from_deg=wind_from,
        gust_m_s=None if weather.gust_m_s is None else float(weather.gust_m_s[step, 0]),
        danger_index=float(forest_fire_danger_index(hot, dry, wind_speed_m_s=wind, drought_factor=drought)),
    )


def reading_words(reading: Reading, measures: Measures) -> str:
    """Say a reading in one line.

    >>> from leaveby.units import METRIC
    >>> reading_words(Reading(40.0, 15.0, 55 / 3.6, 315.0, None, 103.265), METRIC)
    '40 °C, humidity 15 %, wind 55 km/h from the north-west; fire danger index 103'
    """
    return (
        f"{temperature_words(reading.air_temperature_c, measures)}, "
        f"humidity {reading.relative_humidity_percent:.0f} %, "
        f"wind {_wind_words(reading, measures)}{_gust_words(reading, measures)}; "
        f"fire danger index {reading.danger_index:.0f}"
    )


def _wind_words(reading: Reading, measures: Measures) -> str:
    return f"{speed_words(reading.wind_speed_m_s, measures, '.0f')} from the {compass_words(reading.wind_from_deg)}"


def _gust_words(reading: Reading, measures: Measures) -> str:
    return "" if reading.gust_m_s is None else f", gusts {speed_words(reading.gust_m_s, measures, '.0f')}"


def computed_injects(
    scenario: Scenario,
    timed: Timed,
    *,
    shuts: Sequence[StreetShut],
    begin_s: float,
    end_s: float,
    ember_s: float,
    home_s: float,
) -> tuple[Inject, ...]:
    """Make every computed inject of a round, in order of time; the front is at the home at `home_s`."""
    start = scenario.inputs.plan.starts_at
    found = [
        *_forecast(scenario, start, begin_s=begin_s),
        *_reports(scenario),
        *_distances(scenario, timed.arrival),
        *_crossings(scenario, timed.arrival),
        *_wind_changes(scenario),
        *_at_home(scenario, timed.arrival, ember_s=ember_s, home_s=home_s),
        *_closings(shuts),
        *_leave_bys(timed, scenario, start=start),
    ]
    reported_s = reported_at(scenario)
    known = [(_not_before(one, reported_s, start=start), one.at_s) for one in found]
    kept = [(one, computed_s) for one, computed_s in known if begin_s <= one.at_s <= end_s and np.isfinite(one.at_s)]
    # What was held back comes after the first word of the fire, in the order in which it was computed.
    kept.sort(key=lambda pair: (pair[0].at_s, pair[0].at_s > pair[1], pair[1], pair[0].kind))
    return tuple(one for one, _ in kept)


def reported_at(scenario: Scenario) -> float:
    """Give the moment when the first fire is reported: nobody knows of it before."""
    return min(ignition.at_s for ignition in central_ignitions(scenario)) + REPORTED_AFTER_S.value


def _not_before(one: Inject, reported_s: float, *, start: datetime) -> Inject:
    """Keep what tells of the fire until it has been reported, and embers until it has been officially named."""
    if one.kind not in ("heard", "seen", "road", "smoke", "embers"):
        return one
    least_s = reported_s + (REPORTED_AFTER_S.value if one.kind == "embers" else 0.0)
    if one.at_s >= least_s:
        return one
    return replace(one, at_s=least_s, basis=f"{one.basis}; computed for {clock(start, one.at_s)}, given out later")


def own_injects(
    injects: Sequence[OwnInject], *, speed_m_s: float | None, begin_s: float, end_s: float
) -> tuple[tuple[Inject, ...], tuple[OwnInject, ...]]:
    """Pick the trainer's injects of one round; and those for it that lie outside its time."""
    meant = [one for one in injects if not one.speeds_m_s or speed_m_s in one.speeds_m_s]
    kept = tuple(Inject(one.at_s, one.kind, one.text, "trainer") for one in meant if begin_s <= one.at_s <= end_s)
    return kept, tuple(one for one in meant if not begin_s <= one.at_s <= end_s)


def pause_at(scenario: Scenario, arrival: Arrival, *, number: int, at_s: float, reported_s: float) -> Pause:
    """Say what can be known of weather and fire at a moment: of the central run, nothing before it is reported."""
    grid = arrival.grid
    burnt = (arrival.time_s <= at_s) & (at_s >= reported_s)
    front_m, bearing_deg = np.inf, 0.0
    if burnt.any():
        away_m, bearing = _from_home(grid, scenario.home_xy_m)
        nearest = int(np.argmin(np.where(burnt, away_m, np.inf)))
        front_m, bearing_deg = float(away_m.flat[nearest]), float(bearing.flat[nearest])
    return Pause(
        number=number,
        at_s=at_s,
        reading=reading_at(scenario.weather, at_s),
        front_m=front_m,
        front_bearing_deg=bearing_deg,
        burnt_ha=float(burnt.sum()) * grid.cell_m**2 / 1e4,
    )


def street_shuts(scenario: Scenario, timed: Timed) -> tuple[StreetShut, ...]:
    """Name the streets of all routes with the first moment at which a part of each shuts, those that shut only."""
    found: dict[str, tuple[float, list[str]]] = {}
    for way, candidate in timed.chosen.items():
        for name, _, at_s in shut_along(scenario.network, candidate.route.edges, timed.closing_s):
            known_s, names = found.setdefault(name, (at_s, []))
            found[name] = (min(known_s, at_s), [*names, str(way)])
    shut = [StreetShut(name, at_s, tuple(names)) for name, (at_s, names) in found.items()]
    # streets that shut at once stay in the order of travel
    return tuple(sorted(shut, key=lambda one: one.at_s))


def clock(start: datetime, time_s: float, *, step_min: int = 1) -> str:
    """Say a moment by the clock, rounded down; the day beside it where it is another than the fire's."""
    moment = start + timedelta(seconds=float(time_s))
    moment -= timedelta(minutes=moment.minute % step_min, seconds=moment.second, microseconds=moment.microsecond)
    if time_s >= 0.0 and moment < start:
        moment = start  # a time after the start must not read as one before it
    return moment.strftime("%H:%M") if moment.date() == start.date() else moment.strftime("%a %H:%M")


def _from_home(grid: Grid, home_xy_m: tuple[float, float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance of every cell's centre from the home, and its bearing from there."""
    east = grid.x_min_m + (np.arange(grid.cols) + 0.5) * grid.cell_m - home_xy_m[0]
    north = grid.y_max_m - (np.arange(grid.rows) + 0.5) * grid.cell_m - home_xy_m[1]
    away = np.hypot(east[None, :], north[:, None])
    return away, np.degrees(np.arctan2(*np.broadcast_arrays(east[None, :], north[:, None]))) % 360.0


def _forecast(scenario: Scenario, start: datetime, *, begin_s: float) -> Iterator[Inject]:
    """The day's forecast and fire danger, as known when the exercise begins: from the plan's own weather table."""
    weather = scenario.weather
    day = np.flatnonzero(weather.time_s >= begin_s - 1e-6)
    readings = {int(step): reading_at(weather, float(weather.time_s[step])) for step in day}
    if not readings:
        return
    worst = max(readings, key=lambda step: readings[step].danger_index)
    hottest = max(one.air_temperature_c for one in readings.values())
    driest = min(one.relative_humidity_percent for one in readings.values())
    windiest = max(readings.values(), key=lambda one: one.wind_speed_m_s)
    changes = [
        f" A wind change, to the {compass_words(readings[step].wind_from_deg)}, is expected about "
        f"{clock(start, float(weather.time_s[step]), step_min=5)}."
        for step in _change_steps(weather)
        if step in readings
    ]
    measures = scenario.inputs.plan.measures
    wind, at = _wind_words(windiest, measures), clock(start, float(weather.time_s[worst]), step_min=5)
    yield _told(
        "forecast", begin_s, hot=temperature_words(hottest, measures), dry=driest, wind=wind, changes="".join(changes)
    )
    yield _told("danger", begin_s, rating=_rating_words(scenario), index=readings[worst].danger_index, at=at)


def _told(name: str, at_s: float, /, **values: object) -> Inject:
    """Word an inject as its row has it."""
    row = _TOLD[name]
    kind, text, basis = cast("InjectKind", row["kind"]), row["text"].format(**values), row["basis"].format(**values)
    return Inject(at_s, kind, text, facilitator_only=bool(row["kept"]), basis=basis)


def _rating_words(scenario: Scenario) -> str:
    """The day's official rating as a forecast says it; nothing where no scale is known."""
    where = district(scenario.inputs)
    return "" if where.scale == "own" else f"{rating_of(scenario.weather, district=where) or 'no rating'}; "


def _where(scenario: Scenario, point: Point) -> tuple[str, float]:
    """The direction of a point from the home in words, and its distance."""
    east, north = point.x - scenario.home_xy_m[0], point.y - scenario.home_xy_m[1]
    return compass_words(float(np.degrees(np.arctan2(east, north)))), float(np.hypot(east, north))


def _reports(scenario: Scenario) -> Iterator[Inject]:
    for source, ignition in zip(scenario.inputs.plan.ignitions, central_ignitions(scenario), strict=True):
        where, away_m = _where(scenario, ignition.geometry.centroid)
        away = about_words(away_m, scenario.inputs.plan.measures)
        heard_s, named_s = ignition.at_s + REPORTED_AFTER_S.value, ignition.at_s + 2.0 * REPORTED_AFTER_S.value
        yield _told("reported", heard_s, where=where, away=away)
        yield _told("named", named_s, where=where, away=away, name=source.name)


def _distances(scenario: Scenario, arrival: Arrival) -> Iterator[Inject]:
    """When the nearest ground that burns comes within each distance, seen near by and heard of from afar."""
    away_m, bearing_deg = _from_home(arrival.grid, scenario.home_xy_m)
    order = np.argsort(away_m, axis=None)
    earliest_s = np.minimum.accumulate(arrival.time_s.flat[order])
    first_s = float(earliest_s[-1])
    measures = scenario.inputs.plan.measures
    for within_m in DISTANCES_MILES_M if measures.imperial else DISTANCES_M:
        inside = int(np.searchsorted(away_m.flat[order], within_m, side="right")) - 1
        if inside < 0 or not first_s < earliest_s[inside] < np.inf:
            continue
        at_s = float(earliest_s[inside])
        cell = order[int(np.argmax(arrival.time_s.flat[order] <= at_s))]
        where = compass_words(float(bearing_deg.flat[cell]))
        away = given_words(within_m, measures)
        yield _told("in sight" if within_m <= IN_SIGHT_M.value else "near", at_s, where=where, away=away)


def _crossings(scenario: Scenario, arrival: Arrival) -> Iterator[Inject]:
    """When the front comes to each named street, for the longest ones."""
    network = scenario.network
    named = np.array([edge for edge in range(network.edge_count) if network.name[edge]], dtype=np.int64)
    if not named.size:
        return
    cells = stretch_cells(arrival.grid, [network.geometry[edge] for edge in named], standoff_m=0.0)
    reached_s = closing_times(cells, arrival.time_s, smoke_lead_s=0.0)
    first: dict[str, tuple[float, int]] = {}
    length: dict[str, float] = {}
    for edge, at_s in zip(named.tolist(), reached_s.tolist(), strict=True):
        name = street(network, edge)
        length[name] = length.get(name, 0.0) + float(network.length_m[edge])
        if np.isfinite(at_s) and at_s < first.get(name, (np.inf, 0))[0]:
            first[name] = (at_s, edge)
    for name in sorted(first, key=lambda name: (-length[name], name))[:MOST_STREETS]:
        at_s, edge = first[name]
        where, away_m = _where(scenario, network.geometry[edge].interpolate(0.5, normalized=True))
        away = farther_words(away_m, scenario.inputs.plan.measures)
        yield _told("crossed", at_s, name=name, away=away, where=where)


def _change_steps(weather: Weather) -> list[int]:
    turn = np.abs((np.diff(weather.wind_from_deg[:, 0]) + 180.0) % 360.0 - 180.0)
    return [int(step) + 1 for step in np.flatnonzero(turn >= WIND_CHANGE_DEG.value)]


def _wind_changes(scenario: Scenario) -> Iterator[Inject]:
    weather, measures = scenario.weather, scenario.inputs.plan.measures
    for step in _change_steps(weather):
        at_s = float(weather.time_s[step])
        now = reading_at(weather, at_s)
        yield _told("wind change", at_s, now=f"{_wind_words(now, measures)}{_gust_words(now, measures)}")


def _at_home(scenario: Scenario, arrival: Arrival, *, ember_s: float, home_s: float) -> Iterator[Inject]:
    plan = scenario.inputs.plan
    x_m, y_m = scenario.home_xy_m
    near_s = arrival_near(arrival, x_m, y_m=y_m, within_m=plan.roads.standoff_m)
    yield _told("smoke", near_s - plan.roads.smoke_lead_s)
    if ember_s < home_s:
        yield _told("embers", ember_s)
    yield _told("at home", home_s)


def _closings(shuts: Sequence[StreetShut]) -> Iterator[Inject]:
    for one in shuts:
        # Nobody says over the radio that a nameless road is shut.
        if one.street != "roundabout" and not one.street.startswith("unnamed "):
            yield _told("shut", one.at_s, name=one.street)


def _leave_bys(timed: Timed, scenario: Scenario, *, start: datetime) -> Iterator[Inject]:
    share = f"{100.0 * scenario.inputs.plan.confidence:g} of 100 such days"
    for way, timing in timed.ways.items():
        for name, at_s in (("start by", timing.latest_start_s), ("roll by", timing.latest_departure_s)):
            if at_s is not None:
                yield _told(name, at_s, way=WAY_WORDS[way], at=clock(start, at_s, step_min=5), share=share)
    yield _told("every road", timed.phases.shut_from_s, words=EVERY_ROAD_SHUT)
