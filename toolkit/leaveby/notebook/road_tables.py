"""The drives of one vehicle as tables and words: to each safe point, and what stays shut to it and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from markupsafe import Markup

from leaveby.notebook.drives import FREE_ROADS, ClosedStretch, Drive, DriveAnswer
from leaveby.roads.routing.itinerary import Route
from leaveby.show.figure import TABLE_OPEN
from leaveby.show.wording import WAY_TITLES, clean, distance_words, duration_words

MOST_LISTED: Final = 12
"""Closed stretches that get a row in the table; the rest is counted."""


def numbered(closed: Sequence[ClosedStretch]) -> tuple[tuple[int, ClosedStretch], ...]:
    """Stretches that get a number and a row: the first `MOST_LISTED`."""
    return tuple(enumerate(closed[:MOST_LISTED], start=1))


def vehicle_words(answer: DriveAnswer) -> str:
    """The vehicle in one line.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from leaveby.roads.vehicle.pull import RoadVehicle
    >>> house = RoadVehicle(name="h", mode="tow", width_m=2.5, height_m=4.3, length_m=13.0, mass_kg=7e3, power_w=15e4,
    ...     speed_limit_m_s=70.0 / 3.6)
    >>> vehicle_words(SimpleNamespace(way="tow", vehicle=house))
    'towing the house (4.3 m high, 2.5 m wide, 7 t in all, at most 70 km/h)'
    """
    names = {"tow": "towing the house", "car": "the car without the house", "foot": "people on foot"}
    name = names.get(answer.way, answer.way)
    if answer.way == "foot":
        return name
    vehicle = answer.vehicle
    limit = "" if math.isinf(vehicle.speed_limit_m_s) else f", at most {vehicle.speed_limit_m_s * 3.6:.0f} km/h"
    size = f"{vehicle.height_m:g} m high, {vehicle.width_m:g} m wide"
    return f"{name} ({size}, {vehicle.mass_kg / 1000.0:g} t in all{limit})"


def way_words(way: Route | None) -> str:
    """Length and time of a way, or that there is none."""
    return "no way" if way is None else f"{distance_words(way.length_m)}, {duration_words(way.time_s)}"


def drives_table(answer: DriveAnswer) -> str:
    """Make the table of ways to the safe points, beside those of the car without the house.

    Returns
    -------
    str
        An HTML table and what has to be known with it.
    """
    beside = answer.way == "tow"
    head = Markup(
        TABLE_OPEN + '<thead><tr><th scope="col">Safe point</th><th scope="col">{}</th>{}{}</tr></thead><tbody>'
    ).format(
        WAY_TITLES.get(answer.way, answer.way),
        Markup('<th scope="col">Car without the house</th>') if beside else "",
        Markup('<th scope="col">What is shut on the quickest way by car</th>')
        if answer.way != "foot"
        else Markup('<th scope="col">What is shut on the shortest way</th>'),
    )
    rows = Markup("").join(
        Markup('<tr><th scope="row">{}</th><td>{}</td>{}<td>{}</td></tr>').format(
            clean(drive.end.name, 80),
            ours_words(answer, drive),
            Markup("<td>{}</td>").format(way_words(drive.car_route)) if beside else "",
            "; ".join(drive.shut) or ("nothing known" if answer.way in drive.end.ways else ""),
        )
        for drive in answer.drives
    )
    return str(head + rows + Markup("</tbody></table><p>{}</p>").format(FREE_ROADS) + _gates(answer))


def ours_words(answer: DriveAnswer, drive: Drive) -> str:
    """How this vehicle gets to an end, or why not."""
    return "not for this, by your plan" if answer.way not in drive.end.ways else way_words(drive.route)


def _gates(answer: DriveAnswer) -> Markup:
    if any(drive.route is not None for drive in answer.drives):
        return Markup("")
    if not any(answer.way in drive.end.ways for drive in answer.drives):
        return Markup("<p><strong>Your plan names no safe point for leaving this way.</strong></p>")
    if answer.open_first:
        names = ", ".join(str(way) for way in answer.open_first)
        return Markup(
            "<p>There is no way out unless you may and can open gates or private roads, ways {} of the map. If so, "
            "name them under open_gates in your plan.</p>"
        ).format(names)
    return Markup("<p><strong>No safe point can be reached with this vehicle, even with no fire.</strong></p>")


def closed_table(answer: DriveAnswer) -> str:
    """Make the table of closed stretches with reasons, the numbers as on the map.

    Returns
    -------
    str
        An HTML table, or a sentence where nothing is shut.
    """
    if not answer.closed:
        return str(
            Markup("<p>No mapped road is shut to this vehicle. Limits that nobody has mapped are not known.</p>")
        )
    head = Markup(
        TABLE_OPEN + '<thead><tr><th scope="col">Number</th><th scope="col">Street</th><th scope="col">Length</th>'
        '<th scope="col">Why this vehicle can\'t use it</th><th scope="col">The car alone</th></tr></thead><tbody>'
    )
    rows = Markup("").join(
        Markup('<tr><th scope="row">{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>').format(
            number,
            stretch.street,
            distance_words(stretch.length_m),
            stretch.reason,
            "passes" if stretch.car_passes else "can't either",
        )
        for number, stretch in numbered(answer.closed)
    )
    rest = answer.closed[MOST_LISTED:]
    more = (
        Markup("<p>And {} more, {} in all.</p>").format(
            len(rest), distance_words(sum(stretch.length_m for stretch in rest))
        )
        if rest
        else Markup("")
    )
    unknown = Markup(
        "<p>A number that is not on the map lies outside it. Limits that nobody has mapped are not known: drive your "
        "way out with the house before the season.</p>"
    )
    return str(head + rows + Markup("</tbody></table>") + more + unknown)
