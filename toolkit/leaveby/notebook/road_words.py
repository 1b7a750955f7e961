"""What one vehicle can do, in words: drive times in bands, ways to the safe points, what stays shut to it and why."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from typing import Final

import numpy as np

from leaveby.notebook.drives import FREE_ROADS, ClosedStretch, Drive, DriveAnswer, RoadArea
from leaveby.notebook.widgets import laid_out
from leaveby.roads.routing.itinerary import Route
from leaveby.show.templates import sentences
from leaveby.show.wording import duration_words
from leaveby.units import Measures, distance_words, mass_words, size_words, speed_words

MOST_LISTED: Final = 12
"""Closed stretches that get a row in the table and a number on the map; the rest is counted."""

_STEPS_MIN: Final = (1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 240.0, 480.0)


def drive_bands(answer: DriveAnswer) -> tuple[float, ...]:
    """Upper ends of the bands of drive time in minutes: even steps, five at most, that hold every road reached.

    Roads farther off than twice the slowest way to a safe point share the last band, whose end is inf.
    """
    reached = answer.reached_s[np.isfinite(answer.reached_s)] / 60.0
    if not reached.size:
        return ()
    last = float(reached.max())
    slowest = max((drive.route.time_s / 60.0 for drive in answer.drives if drive.route is not None), default=math.inf)
    far = last > 2.0 * slowest
    wanted = 1.25 * slowest if far else last
    bands = 4 if far else 5
    step = next((step for step in _STEPS_MIN if step * bands >= wanted), math.ceil(wanted / bands))
    ends = [step * number for number in range(1, max(1, math.ceil(wanted / step - 1e-9)) + 1)]
    return (*ends, math.inf) if last > ends[-1] else tuple(ends)


def band_words(ends: Sequence[float], number: int) -> str:
    """One band of drive time in words."""
    low = ends[number - 1] if number else 0.0
    return f"over {low:g} min" if math.isinf(ends[number]) else f"{low:g} to {ends[number]:g} min"


def edges_by_band(area: RoadArea, answer: DriveAnswer) -> tuple[tuple[int, ...], ...]:
    """Edges of each band, and last those that can be used but not reached; each stretch once, by its sooner direction.

    As many as there are bands, and one more.
    """
    ends = np.array(drive_bands(answer))
    network = area.network
    twin = network.twin
    other = np.where(twin >= 0, answer.reached_s[twin], np.inf)
    usable_there = np.where(twin >= 0, answer.travel.usable[twin], False)
    at_min = np.minimum(answer.reached_s, other) / 60.0
    once = (answer.travel.usable | usable_there) & ~((twin >= 0) & (twin < np.arange(network.edge_count)))
    number = np.searchsorted(ends, at_min, side="left") if ends.size else np.zeros(at_min.size, dtype=np.intp)
    number = np.where(np.isfinite(at_min), number, ends.size)
    return tuple(tuple(int(edge) for edge in np.flatnonzero(once & (number == band))) for band in range(ends.size + 1))


def numbered(closed: Sequence[ClosedStretch]) -> tuple[tuple[int, ClosedStretch], ...]:
    """Stretches that get a number and a row: the first `MOST_LISTED`."""
    return tuple(enumerate(closed[:MOST_LISTED], start=1))


def vehicle_words(answer: DriveAnswer) -> str:
    """The vehicle in one line."""
    names = {"tow": "towing the house", "car": "the car without the house", "foot": "people on foot"}
    name = names.get(answer.way, answer.way)
    if answer.way == "foot":
        return name
    vehicle = answer.vehicle
    measures = answer.measures
    fastest_m_s = vehicle.speed_limit_m_s
    limit = "" if math.isinf(fastest_m_s) else f", at most {speed_words(fastest_m_s, measures, '.0f')}"
    size = f"{size_words(vehicle.height_m, measures)} high, {size_words(vehicle.width_m, measures)} wide"
    return f"{name} ({size}, {mass_words(vehicle.mass_kg, measures)} in all{limit})"


def way_words(way: Route | None, measures: Measures) -> str:
    """Length and time of a way, or that there is none."""
    return "no way" if way is None else f"{distance_words(way.length_m, measures)}, {duration_words(way.time_s)}"


def ours_words(answer: DriveAnswer, drive: Drive) -> str:
    """How this vehicle gets to an end, or why not."""
    return "not for this, by your plan" if answer.way not in drive.end.ways else way_words(drive.route, answer.measures)


def drives_table(answer: DriveAnswer) -> str:
    """Make the table of ways to the safe points, and what has to be known with it (HTML)."""
    named, words = any(answer.way in drive.end.ways for drive in answer.drives), sys.modules[__name__]
    told = {"answer": answer, "words": words, "named": named, "free_roads": FREE_ROADS}
    return laid_out("notebook/roads.html.j2", part="drives", **told)


def closed_table(answer: DriveAnswer) -> str:
    """Make the table of closed stretches with reasons, the numbers as on the map (HTML)."""
    return laid_out("notebook/roads.html.j2", part="closed", answer=answer, words=sys.modules[__name__])


def describe_roads(area: RoadArea, answer: DriveAnswer) -> str:
    """Say what the map shows: how long to each safe point, how much road lies in each band, what is shut and why."""
    ends = drive_bands(answer)
    length_m = area.network.length_m
    bands = [
        f"{band_words(ends, number)}: {distance_words(float(length_m[list(edges)].sum()), answer.measures)}"
        for number, edges in enumerate(edges_by_band(area, answer)[: len(ends)])
        if edges
    ]
    told = {"answer": answer, "bands": bands, "words": sys.modules[__name__], "free_roads": FREE_ROADS}
    return " ".join(sentences("notebook/roads.txt.j2", **told))
