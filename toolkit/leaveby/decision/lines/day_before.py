"""Day-before triggers: on a day of this fire danger, from this hour, is there enough lead at all?

For every forest fire danger index of a list and every hour of the plan's own day, the plan's fire is solved once in
weather that stays as it is at that hour, with the wind that gives that index. What is left between the fire's start and
the moment at which getting ready must begin says whether one can wait for a fire on such a day, or leaves the night
before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from leaveby.decision.fires.closing import closing_times, stretch_cells
from leaveby.decision.fires.scenario import FireChoice, Scenario
from leaveby.decision.fires.solved import solve_each
from leaveby.decision.ways.confidence import latest_on_route
from leaveby.decision.ways.result import WAY_WORDS, DayBefore, DayBeforeCell, Verdict, WayRoute, WayTiming
from leaveby.decision.ways.roads import WayRoads
from leaveby.errors import refuse
from leaveby.fire.arrival.solve import Ignition
from leaveby.fire.spread.ellipse import SpreadTable
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import table_for_member
from leaveby.fire.weather.danger import forest_fire_danger_index
from leaveby.fire.weather.series import Weather, step_at
from leaveby.parameters import DRIVE_TIME_FACTOR_HIGH
from leaveby.units import km_h_from_m_s, min_from_s

INDICES: Final = (25.0, 50.0, 75.0, 100.0, 150.0)
STRONGEST_WIND_M_S: Final = 100.0 / 3.6
_HOUR_S: Final = 3600.0

DAY_BEFORE_ASSUMPTIONS: Final = (
    "Day-before triggers: the plan's own fires, seen at the hour in question, having burnt unseen for as long as the "
    "plan allows, and along the whole of a line or area where the plan leaves the place open.",
    "Day-before triggers: temperature, humidity and wind direction as the plan's weather has them at that hour, and "
    "unchanging from then on; the wind that then gives the index (Noble, Bary and Gill 1980, solved for the wind).",
    "Where the index is passed in calm air already, calm air was taken, and the index is then higher than asked. Wind "
    "above 100 km/h was not looked at.",
    "Rate of spread, drive and ready time all stand at the asked confidence at once, which is on the early side.",
    "Once a fire danger leaves too little time at an hour, every higher one counts as leaving too little at that hour.",
    "A fire nearer than the plan's own leaves less time than this table says.",
)
"""What the table rests on, for the list of assumptions of a result."""


def _ffdi_mark5_wind(F: NDArray[np.float64], T: ArrayLike, H: ArrayLike, D: ArrayLike) -> NDArray[np.float64]:
    """F = 2 exp(-0.45 + 0.987 ln D - 0.0345 H + 0.0338 T + 0.0234 V) solved for V (Noble, Bary and Gill 1980); km/h."""
    T, H, D = (np.asarray(value, dtype=np.float64) for value in (T, H, D))
    V: NDArray[np.float64] = (np.log(F / 2.0) + 0.45 - 0.987 * np.log(D) + 0.0345 * H - 0.0338 * T) / 0.0234
    return V


def wind_for_index_m_s(
    index: ArrayLike,
    *,
    air_temperature_c: ArrayLike,
    relative_humidity_percent: ArrayLike,
    drought_factor: ArrayLike,
) -> NDArray[np.float64]:
    """Wind that gives a forest fire danger index above 0, in m/s; below 0 where calm air passes it already.

    With a drought factor of 0 no wind gives any index, and the wind is inf.

    References
    ----------
    Noble, Bary and Gill (1980), Australian Journal of Ecology 5:201-203, solved for the wind.
    """
    wanted = np.asarray(index, dtype=np.float64)
    if not bool(np.all(np.isfinite(wanted) & (wanted > 0.0))):
        raise refuse("fire danger index", f"is {wanted}", expected="above 0", mend="give 25, 50, 75 and so on")
    drought = np.asarray(drought_factor, dtype=np.float64)
    found = _ffdi_mark5_wind(
        wanted, air_temperature_c, relative_humidity_percent, np.where(drought > 0.0, drought, 1.0)
    )
    return np.asarray(np.where(drought > 0.0, found / 3.6, np.inf), dtype=np.float64)


def held_weather(
    weather: Weather, step: int, *, index: float, horizon_s: float, before_s: float = 0.0
) -> Weather | None:
    """Hold one step's weather, from so long before the clock starts at its hour, with the wind that gives an index.

    The time of day goes on. None where a place would need more than 100 km/h of wind.
    """
    row = slice(step, step + 1)
    wind_m_s = wind_for_index_m_s(
        index,
        air_temperature_c=weather.air_temperature_c[row],
        relative_humidity_percent=weather.relative_humidity_percent[row],
        drought_factor=weather.drought_factor[row],
    )
    if bool(np.any(wind_m_s > STRONGEST_WIND_M_S)):
        return None
    earlier = int(np.ceil(before_s / _HOUR_S))
    hours = earlier + max(int(np.ceil(horizon_s / _HOUR_S)), 1)

    def held(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.repeat(values, hours, axis=0)

    return replace(
        weather,
        start=weather.start + timedelta(seconds=float(weather.time_s[step])),
        time_s=(np.arange(hours, dtype=np.float64) - earlier) * _HOUR_S,
        air_temperature_c=held(weather.air_temperature_c[row]),
        relative_humidity_percent=held(weather.relative_humidity_percent[row]),
        wind_speed_m_s=held(np.maximum(wind_m_s, 0.0)),
        wind_from_deg=held(weather.wind_from_deg[row]),
        gust_m_s=None,
        drought_factor=held(weather.drought_factor[row]),
        curing_percent=held(weather.curing_percent[row]),
    )


def day_steps(weather: Weather) -> tuple[int, ...]:
    """Choose the weather steps that stand for the clock hours of the day on which the clock starts, one for each."""
    first: dict[int, int] = {}
    for step, time_s in enumerate(weather.time_s):
        moment = weather.start + timedelta(seconds=float(time_s))
        if moment.date() == weather.start.date():
            first.setdefault(moment.hour, step)
    return tuple(first.values()) or (step_at(weather, 0.0),)


@dataclass(frozen=True)
class DayFires:
    """The plan's fires on days of some fire danger, at the hours of its own day.

    Attributes
    ----------
    indices : tuple of float
        Rising.
    held : tuple of tuple of Weather or None
        A row for each index, a column for each hour; None where the wind would be stronger than is looked at.
    closing_s : ndarray of float64, shape (indices, hours, stretches)
        When each watched stretch shuts, smoke lead taken off; inf where no fire was looked at.
    column_of : mapping of edge to stretch
    """

    indices: tuple[float, ...]
    hours: tuple[datetime, ...]
    held: tuple[tuple[Weather | None, ...], ...]
    closing_s: NDArray[np.float64]
    column_of: Mapping[int, int]


def day_fires(
    scenario: Scenario,
    routes: Sequence[WayRoute],
    *,
    choice: FireChoice,
    indices: Sequence[float] = INDICES,
    workers: int = 1,
) -> DayFires:
    """Solve the plan's fires for each fire danger (above 0) at each hour, once for all routes asked about."""
    if not len(indices):
        raise refuse("fire danger indices", "are none", expected="one at least", mend="give 25, 50, 75 and so on")
    plan, weather = scenario.inputs.plan, scenario.weather
    grid = scenario.inputs.terrain.grid
    edges = sorted({edge for route in routes for edge in route.edges})
    column_of = {edge: column for column, edge in enumerate(edges)}
    lines = list(scenario.network.geometry[np.array(edges, dtype=np.int64)])
    watched = stretch_cells(grid, lines, standoff_m=plan.roads.standoff_m)
    errors = ros_factors(float(ndtri(plan.confidence)))
    unseen_s = max(start.unseen_up_to_s for start in scenario.starts)
    fires = [Ignition(start.shape, start.at_s - start.unseen_up_to_s) for start in scenario.starts]
    steps = day_steps(weather)
    rising = tuple(sorted(float(index) for index in dict.fromkeys(indices)))
    held = tuple(
        tuple(held_weather(weather, step, index=index, horizon_s=plan.horizon_s, before_s=unseen_s) for step in steps)
        for index in rising
    )
    # Where calm air passes several indices, they share one fire.
    cells_of: dict[tuple[int, bytes], list[tuple[int, int]]] = {}
    days: list[Weather] = []
    for row, of_index in enumerate(held):
        for column, day in enumerate(of_index):
            if day is not None:
                cells = cells_of.setdefault((column, day.wind_speed_m_s.tobytes()), [])
                if not cells:
                    days.append(day)
                cells.append((row, column))

    def table_of(number: int) -> SpreadTable:
        return table_for_member(
            scenario.zones,
            days[number],
            gradients=scenario.gradients,
            models=choice.models,
            ros_factors=errors,
            floor_m_s=choice.floor_m_s,
            set_m_s=choice.set_m_s,
        )

    closing_s = np.full((len(rising), len(steps), len(edges)), np.inf)
    every = list(cells_of.values())

    def keep(number: int, _: SpreadTable, time_s: NDArray[np.float64]) -> None:
        for row, column in every[number]:
            closing_s[row, column] = closing_times(watched, time_s, smoke_lead_s=plan.roads.smoke_lead_s)

    solve_each(len(days), table_of, ignitions_of=lambda _: fires, horizon_s=plan.horizon_s, keep=keep, workers=workers)
    hours = tuple(weather.start + timedelta(seconds=float(weather.time_s[step])) for step in steps)
    return DayFires(indices=rising, hours=hours, held=held, closing_s=closing_s, column_of=column_of)


def day_before(
    scenario: Scenario,
    roads: WayRoads,
    *,
    timing: WayTiming,
    choice: FireChoice,
    fires: DayFires | None,
    needs_s: float = 0.0,
) -> DayBefore:
    """Tabulate, for one way of leaving with a route, whether a day of some fire danger leaves enough lead.

    `fires` are solved for its route too (`day_fires`); `needs_s`, 0 or more, is the least lead that counts as enough:
    time to see the fire, and to make up one's mind.
    """
    if timing.route is None or fires is None:
        raise ValueError(f"{roads.way} has no route to time")
    plan = scenario.inputs.plan
    edges = np.array(timing.route.edges, dtype=np.int64)
    factor = 1.0 + (DRIVE_TIME_FACTOR_HIGH.value - 1.0) * plan.confidence
    columns = [fires.column_of[int(edge)] for edge in edges]
    rows: list[tuple[DayBeforeCell, ...]] = []
    too_little = [False] * len(fires.hours)
    for number, index in enumerate(fires.indices):
        leave_s = latest_on_route(
            fires.closing_s[number][:, columns],
            roads.travel.time_s[edges],
            margin_s=plan.margin_s,
            drive_factor=np.full(len(fires.hours), factor),
        )
        row = []
        for column, held in enumerate(fires.held[number]):
            cell = _cell(
                held,
                index=index,
                at=fires.hours[column],
                lead_s=float(leave_s[column]) - timing.ready_at_confidence_s,
                needs_s=needs_s,
                lower_was_too_much=too_little[column],
                way=roads.way,
                horizon_s=plan.horizon_s,
            )
            too_little[column] |= cell.verdict == "night before"
            row.append(cell)
        rows.append(tuple(row))
    said = list(DAY_BEFORE_ASSUMPTIONS)
    if choice.set_m_s is not None:
        said.append(
            "The head rate of spread was set by hand: in this table the index changes only the shape of the fire."
        )
    return DayBefore(
        way=roads.way,
        confidence=plan.confidence,
        needs_s=needs_s,
        indices=fires.indices,
        hours=fires.hours,
        cells=tuple(rows),
        summary=summary_of(rows, way=roads.way),
        assumptions=tuple(said),
    )


def _cell(
    held: Weather | None,
    *,
    index: float,
    at: datetime,
    lead_s: float,
    needs_s: float,
    lower_was_too_much: bool,
    way: str,
    horizon_s: float,
) -> DayBeforeCell:
    when = f"Fire danger index {index:g} at {at:%H:%M}"
    leave = f"leave {WAY_WORDS[way]} the night before"
    if held is None:
        verdict: Verdict = "night before" if lower_was_too_much else "not that windy"
        sentence = f"{when} would need more than 100 km/h of wind: not looked at; leave early."
        if lower_was_too_much:
            sentence = f"{when} would need more than 100 km/h of wind, and a lower index was too much: {leave}."
        return DayBeforeCell(index, at, np.inf, index, np.inf, verdict, sentence)
    wind_m_s = float(held.wind_speed_m_s[0].max())
    taken = float(
        forest_fire_danger_index(
            held.air_temperature_c[0],
            held.relative_humidity_percent[0],
            wind_speed_m_s=held.wind_speed_m_s[0],
            drought_factor=held.drought_factor[0],
        ).max()
    )
    if wind_m_s == 0.0:
        when += f", passed in calm air already ({taken:.0f})"
    else:
        when += f" (wind {km_h_from_m_s(wind_m_s):.0f} km/h)"
    if lead_s < needs_s:
        how = "before it starts" if lead_s < 0.0 else f"{int(min_from_s(lead_s))} minutes after it starts"
        sentence = f"{when}: a fire leaves too little time, getting ready would have to begin {how}; {leave}."
        verdict = "night before"
    elif lower_was_too_much:
        sentence = f"{when}: a lower index was too much already at this hour; {leave}."
        verdict = "night before"
    elif np.isinf(lead_s):
        sentence = (
            f"{when}: the fire does not shut this way within {horizon_s / _HOUR_S:g} hours. That is no leave to stay."
        )
        verdict = "not shut"
    else:
        minutes = int(min_from_s(lead_s))
        sentence = f"{when}: getting ready must begin no more than {minutes} minutes after the fire starts."
        verdict = "enough"
    return DayBeforeCell(index, at, wind_m_s, taken, lead_s, verdict, sentence)


def summary_of(rows: Sequence[Sequence[DayBeforeCell]], *, way: str) -> str:
    """Say in one sentence from which fire danger on to leave the night before, at whatever hour it comes."""
    for row in rows:
        if any(cell.verdict == "night before" for cell in row):
            return (
                f"When a fire danger index of {row[0].index:g} or more is forecast, leave {WAY_WORDS[way]} the night "
                f"before: {_hours_words(row)} a fire can leave too little time."
            )
    return f"No fire danger that was looked at leaves too little time {WAY_WORDS[way]}; leave early all the same."


def _hours_words(row: Sequence[DayBeforeCell]) -> str:
    """Name the hours that leave too little time, joined only where no hour between leaves enough."""
    runs: list[list[DayBeforeCell]] = []
    joined = False
    for cell in row:
        bad = cell.verdict == "night before"
        if bad and joined:
            runs[-1].append(cell)
        elif bad:
            runs.append([cell])
        joined = bad
    said = [
        f"at {run[0].at:%H:%M}" if len(run) == 1 else f"from {run[0].at:%H:%M} to {run[-1].at:%H:%M}" for run in runs
    ]
    return said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}"
