"""Many fires over a district: each is drawn by its number alone, solved, and leaves one row of columns behind.

Fire number i is the (i // r)-th of rating i % r, of r ratings. All that is drawn for it comes from streams of chance
named by that number, so that any fire can be redone alone, on any machine, and more fires change none before them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri

from leaveby import parameters
from leaveby.chance import stream
from leaveby.decision.district.queues import Queues, roll_by_s
from leaveby.decision.district.result import Need
from leaveby.decision.district.roads import NOTHING_SHUTS, HomeGraph, latest_of_homes
from leaveby.decision.fires.closing import StretchCells, closing_times
from leaveby.fire.arrival.solve import Ignition, arrive
from leaveby.fire.spread.model_error import ros_factors
from leaveby.fire.spread.series import FireChoice, SpreadZones, table_for_member
from leaveby.fire.weather.series import Weather, local_hour, perturbed, rebased, shifted, step_at

WINDS = 16


@dataclass(frozen=True, eq=False)
class StartsOfFires:
    """Where, when and under which wind fires start.

    - `cells`, `up_to`: flat numbers of the cells where they may, and the rising share of fires up to each.
    - `wind_up_to`, shape (16,): the rising share of fires up to each direction, from north clockwise; empty: as the
      day's own wind blows.
    """

    cells: NDArray[np.int64]
    up_to: NDArray[np.float64]
    hours: tuple[float, ...]
    wind_up_to: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Variant:
    """The roads as one thing would make them.

    - `cells`: what shuts its own stretches; `take` is the place of each of its stretches in the closings of the first
      variant followed by its own, None where all are its own.
    """

    name: str
    homes: HomeGraph
    cells: StretchCells
    take: NDArray[np.int64] | None
    queues: Queues


@dataclass(frozen=True, eq=False)
class FireKit:
    """All that a worker needs to run any fire; the first variant is the district as it is.

    - `order`, `first`: homes by street, and where each street begins in that order.
    - `bus_queues`: when a share of the homes leaves by bus.
    """

    seed: int
    zones: SpreadZones
    gradients: tuple[NDArray[np.float32], NDArray[np.float32]]
    choice: FireChoice
    days: tuple[Weather, ...]
    starts: StartsOfFires
    horizon_s: float
    margin_s: float
    smoke_lead_s: float
    variants: tuple[Variant, ...]
    order: NDArray[np.int64]
    first: NDArray[np.int64]
    bus_queues: Queues

    @property
    def columns(self) -> tuple[str, ...]:
        """What each fire leaves for every street: alone, in the queue, with the bus, and with each further variant."""
        return ("alone", "queue", "bus", *(one.name for one in self.variants[1:]))


@dataclass(frozen=True)
class FireDraw:
    """One fire: its day, start, wind and errors."""

    rating: int
    hour: float
    cell: int
    wind_from_deg: float | None
    ros_z: float
    wind_factor: float
    wind_turn_deg: float
    weather_shift_s: float
    drive_factor: float


@dataclass(frozen=True, eq=False)
class FireRow:
    """What one fire leaves behind.

    - `latest_s`, shape (h,): latest departure of each home after the fire's start, with nobody else on the road.
    - `shuts`, shape (h,): the street whose closing sets it, -1 where none does.
    - `streets_s`, shape (columns, streets): the earliest of the latest departures of each street's homes.
    """

    latest_s: NDArray[np.float32]
    shuts: NDArray[np.int32]
    streets_s: NDArray[np.float32]


def draw_fire(kit: FireKit, number: int) -> FireDraw:
    """Draw a fire by its number; errors are distributed as those of a household's members."""
    rating, of_rating = number % len(kit.days), number // len(kit.days)

    def uniform(kind: str) -> float:
        return float(stream(kit.seed, f"{kind} of a district's fire", str(of_rating)).random())

    starts = kit.starts
    at = min(int(np.searchsorted(starts.up_to, uniform("start"), side="right")), starts.cells.size - 1)
    wind_from_deg = None
    if starts.wind_up_to.size:
        wind = uniform("wind")
        sector = min(int(np.searchsorted(starts.wind_up_to, wind, side="right")), WINDS - 1)
        wind_from_deg = (sector + uniform("wind within its sector") - 0.5) * 360.0 / WINDS
    return FireDraw(
        rating=rating,
        hour=starts.hours[of_rating % len(starts.hours)],
        cell=int(starts.cells[at]),
        wind_from_deg=wind_from_deg,
        ros_z=float(ndtri(uniform("rate of spread"))),
        wind_factor=float(np.exp(parameters.WIND_SPEED_ERROR.value * ndtri(uniform("wind speed")))),
        wind_turn_deg=float(parameters.WIND_TURN_ERROR_DEG.value * ndtri(uniform("wind direction"))),
        weather_shift_s=float(parameters.WEATHER_SHIFT_S.value * ndtri(uniform("when the weather comes"))),
        drive_factor=1.0 + (parameters.DRIVE_TIME_FACTOR_HIGH.value - 1.0) * uniform("drive"),
    )


def wind_of(kit: FireKit, number: int) -> int:
    """The quarter that was drawn for a fire's wind, from north clockwise; -1 where it is the day's own."""
    wind_from_deg = draw_fire(kit, number).wind_from_deg
    return -1 if wind_from_deg is None else round(wind_from_deg / 90.0) % 4


def needs_s(need: Need, *, seed: int, fires: int, siren_s: float = 0.0) -> NDArray[np.float64]:
    """Draw what the household needs in each fire of a rating, shape (fires,); a siren lets it know sooner, at once."""
    found = np.empty(fires)
    for number in range(fires):
        rng = stream(seed, "need in a district's fire", str(number))
        learns, ready = rng.random(2)
        learns_s = float(need.learns_s[int(learns * need.learns_s.size)])
        found[number] = max(learns_s - siren_s, 0.0) + float(need.ready_s[int(ready * need.ready_s.size)])
    return found


def day_of(weather: Weather, fire: FireDraw) -> Weather:
    """Give the weather of a fire, counted from its start, with its errors.

    It starts when the clock first shows its hour. Where a direction was drawn, the day's wind is turned as a whole, so
    that it blows from there at the start.
    """
    after_h = (fire.hour - float(local_hour(weather)[0])) % 24.0
    begun = rebased(weather, weather.start + timedelta(seconds=float(weather.time_s[0]) + 3600.0 * after_h))
    turn_deg = fire.wind_turn_deg
    if fire.wind_from_deg is not None:
        turn_deg += fire.wind_from_deg - float(begun.wind_from_deg[step_at(begun, 0.0), 0])
    own = shifted(begun, fire.weather_shift_s)
    return perturbed(own, wind_factor=fire.wind_factor, wind_turn_deg=turn_deg)


def arrival_of(kit: FireKit, fire: FireDraw) -> NDArray[np.float64]:
    """Solve a fire: its arrival at every cell, in seconds from its start, shape (rows, cols)."""
    table = table_for_member(
        kit.zones,
        day_of(kit.days[fire.rating], fire),
        gradients=kit.gradients,
        choice=kit.choice,
        ros_factors=ros_factors(fire.ros_z),
    )
    row, col = divmod(fire.cell, kit.zones.grid.cols)
    start = shapely.Point(kit.zones.grid.x_m[col], kit.zones.grid.y_m[row])
    return arrive(table, [Ignition(start, 0.0)], horizon_s=kit.horizon_s, fine=False).time_s


def run_fire(kit: FireKit, number: int) -> FireRow:
    """Run one fire: solve it, shut the roads, and find every home's latest departure under every variant."""
    fire = draw_fire(kit, number)
    return row_of(kit, arrival_of(kit, fire), drive_factor=fire.drive_factor)


def row_of(kit: FireKit, arrival_s: NDArray[np.float64], *, drive_factor: float) -> FireRow:
    """Give what a fire with this arrival leaves behind."""
    base, *others = kit.variants

    def routed(variant: Variant, closing_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
        return latest_of_homes(variant.homes, closing_s, margin_s=kit.margin_s, drive_factor=drive_factor)

    def by_street(latest_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.minimum.reduceat(latest_s[kit.order], kit.first), dtype=np.float64)

    whole_s = closing_times(base.cells, arrival_s, smoke_lead_s=kit.smoke_lead_s)
    latest_s, shuts = routed(base, whole_s)
    queued_s = (roll_by_s(queues, latest_s) for queues in (base.queues, kit.bus_queues))
    streets_s = [by_street(latest_s), *map(by_street, queued_s)]
    for one in others:
        closing_s = closing_times(one.cells, arrival_s, smoke_lead_s=kit.smoke_lead_s)
        if one.take is not None:
            closing_s = np.concatenate([whole_s, closing_s])[one.take]
        streets_s.append(by_street(roll_by_s(one.queues, routed(one, closing_s)[0])))
    return FireRow(
        latest_s=latest_s.astype(np.float32),
        shuts=np.where(np.isfinite(latest_s), shuts, NOTHING_SHUTS).astype(np.int32),
        streets_s=np.stack(streets_s).astype(np.float32),
    )


def street_rows(street_of: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Put homes in the order of their streets, and say where each street begins; every street has a home."""
    order = np.argsort(street_of, kind="stable")
    return order, np.flatnonzero(np.diff(street_of[order], prepend=-1))


def starts_in(weight: NDArray[np.float64], *, hours: Sequence[float], wind_shares: Sequence[float]) -> StartsOfFires:
    """Let fires start by a weight of each cell, shape (rows, cols), some of them above 0."""
    cells = np.flatnonzero(weight.ravel() > 0.0)
    up_to = np.cumsum(weight.ravel()[cells])
    winds = np.cumsum(np.asarray(wind_shares, dtype=np.float64))
    return StartsOfFires(cells, up_to / up_to[-1], tuple(hours), winds / winds[-1] if winds.size else winds)
