"""What the map of one's own place shows: the extract's streets, what is marked on them, and the plan's places."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiLineString

from leaveby.ask.own_place import OwnPlace
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.household.plan import way_numbers
from leaveby.household.plan_document import number_in
from leaveby.household.plan_places import Place
from leaveby.notebook.live.ground import Layer, LiveSheet, Look, Mark, Picture, Shape, hills, in_metres, window_around
from leaveby.notebook.live.layers import STREET_INK, Stretches, class_words, name_marks, street_shapes, stretches
from leaveby.notebook.live.roads import CLOSED
from leaveby.notebook.place.desk import Desk
from leaveby.notebook.place.fields import point_words
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import street
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import clean, map_notice, street_words
from leaveby.units import Measures, distance_words

NEAREST_ROADS: Final = 12
"""As many roads near the chosen point are offered to be marked."""

OURS: Final = Look("#00614f", 7.0, opacity=0.55)
POINT_INK: Final = "#8a1c00"
_NAMED: Final = 12
_ORDER: Final = ("home", "safe_point", "last_resort", "ignition")
_SIGNS: Final = {"safe_point": "safe_point", "place_of_last_resort": "last_resort"}


@dataclass(frozen=True, eq=False)
class Ground:
    """What of the map stays as it is: the roads of the extract, drawn with their names, and the hills."""

    network: RoadNetwork
    roads: Stretches
    layers: tuple[Layer, ...]
    picture: Picture
    measures: Measures


def ground_of(inputs: HouseholdInputs) -> Ground:
    """Draw what the plan's files say of the ground."""
    network = inputs.network
    roads = stretches(network)
    words = [
        (name, kind, *_hindered(network, edge), f"way w{network.way_id[edge]} of the extract")
        for name, kind, edge in zip(roads.name, roads.kind, roads.edge.tolist(), strict=True)
    ]
    drawn = street_shapes(roads, words)
    named = np.flatnonzero(roads.named).tolist()
    layers = (
        Layer("Streets", drawn, meanings=((Look(STREET_INK, 3.0), "Street: point at it for its name and way"),)),
        Layer("Street names", (), name_marks(roads, named, least_m=500.0, most=_NAMED)),
    )
    return Ground(network, roads, layers, hills(inputs.terrain.grid, inputs.terrain.elevation_m), inputs.plan.measures)


def _hindered(network: RoadNetwork, edge: int) -> Iterator[str]:
    barrier, access = network.barrier[edge], network.access[edge]
    if barrier:
        yield f"on it: {barrier.replace('|', ', ').replace('_', ' ')}"
    if access in ("private", "no"):
        yield "private"


def place_sheet(desk: Desk, ground: Ground) -> LiveSheet:
    """Everything that the map shows for the plan as it stands now."""
    marks = tuple(marks_of(desk.place))
    lon_deg, lat_deg = desk.chosen
    roads, crs = desk.place.section("roads"), ground.network.crs
    window = np.array([in_metres(mark.lon_deg, mark.lat_deg, crs) for mark in marks] or [in_metres(*desk.chosen, crs)])
    return LiveSheet(
        title="Map of the place",
        picture=ground.picture,
        layers=(
            _marked(ground, roads.get("open_gates"), "Gates and private ways that are ours", look=OURS),
            *ground.layers,
            _marked(ground, roads.get("closed_ways"), "Closed by the plan", look=CLOSED),
            Layer("Home, safe points and fire starts", (), marks, tuple(_meanings(marks))),
            Layer("The chosen point", (), (Mark(lon_deg, lat_deg, "number", "+"),), (("+", "The chosen point"),)),
        ),
        window_deg=window_around(window, crs),
        described=" ".join(f"{mark.text}: {point_words(mark.lat_deg, mark.lon_deg)}." for mark in marks),
        notice=map_notice(ground.network),
    )


def marks_of(place: OwnPlace) -> Iterator[Mark]:
    """The plan's places that have coordinates, whatever else is wrong with it."""
    for one in place.tables("safe_points"):
        yield from _mark(one.get("lon_deg"), one.get("lat_deg"), _SIGNS.get(str(one.get("kind")), "safe_point"), one)
    for one in place.tables("ignitions"):
        points = one.get("lon_lat_deg")
        for point in points if isinstance(points, list) else ():
            if isinstance(point, list) and len(point) == 2:
                yield from _mark(point[0], point[1], "ignition", one)
    home = place.section("home")
    yield from _mark(home.get("lon_deg"), home.get("lat_deg"), "home", {"name": "Home"})


def _mark(lon: Any, lat: Any, sign: str, one: dict[str, Any]) -> Iterator[Mark]:
    lon_deg, lat_deg = number_in(lon), number_in(lat)
    if lon_deg is not None and lat_deg is not None and abs(lon_deg) <= 180.0 and abs(lat_deg) < 85.0:
        ink = POINT_INK if sign == "ignition" else ""
        yield Mark(lon_deg, lat_deg, sign, clean(str(one.get("name", "")), 40), ink)


def _meanings(marks: Iterable[Mark]) -> Iterator[tuple[Look | str, str]]:
    present = {mark.sign for mark in marks}
    yield from ((sign, SYMBOLS[sign].words) for sign in _ORDER if sign in present)


def _marked(ground: Ground, named: Any, title: str, *, look: Look) -> Layer:
    numbers = way_numbers([str(one) for one in named]) if isinstance(named, list) else frozenset[int]()
    rows = np.isin(ground.network.way_id[ground.roads.edge], list(numbers))
    if not rows.any():
        return Layer(title)
    lines = MultiLineString(list(ground.roads.lines[rows]))
    return Layer(title, (Shape(lines, (), look, "under"),), meanings=((look, title),))


def roads_near(ground: Ground, point: Place) -> list[tuple[str, int]]:
    """Give the ways nearest to a point, in words and by number."""
    network, edges = ground.network, ground.roads.edge
    at = shapely.Point(in_metres(*point, network.crs))
    far_m: NDArray[np.float64] = shapely.distance(network.geometry[edges], at)
    found: dict[int, str] = {}
    for row in np.argsort(far_m, kind="stable").tolist():
        way = int(network.way_id[edges[row]])
        if way > 0 and way not in found:
            name, kind = street_words(street(network, int(edges[row])), 40), class_words(network.highway[edges[row]])
            found[way] = f"{name}, {kind}, {distance_words(float(far_m[row]), ground.measures)} off (w{way})"
        if len(found) == NEAREST_ROADS:
            break
    return [(words, way) for way, words in found.items()]
