"""The layers of the household's map: streets, ways out, what shuts, the fire's fronts, trigger lines, and a moment.

Everything is plain data in WGS 84; `live_map` puts it on the screen. The static `maps` draws the same with the same
signs, so that one legend fits both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiLineString, MultiPolygon, Point, box
from shapely.geometry.base import BaseGeometry

from leaveby.decision.household.phases import late_words
from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.fire.arrival.isochrones import isochrones
from leaveby.household.plan import Plan
from leaveby.notebook.live.ground import Layer, LiveSheet, Look, Mark, Shape, hills, lon_lat, to_wgs84, window_around
from leaveby.roads.network.graph import SEPARATOR, RoadNetwork
from leaveby.roads.routing.itinerary import compass_words, street
from leaveby.show.figure import INK, WAY_COLOURS, WAY_DASHES
from leaveby.show.ground import (
    arrival_s,
    burnt_area,
    clock_steps,
    ignition_points,
    shown_triggers,
    shut_streets,
    to_grid,
    trigger_edge,
)
from leaveby.show.map_labels import lines_of
from leaveby.show.map_legend import FIRE, ROUTE, ROUTE_LOOKS, trigger_words
from leaveby.show.plan.map import MAIN_CLASSES, describe_map, drawn_routes, last_that_matters_s
from leaveby.show.wording import (
    INSIDE_WORDS,
    WAY_TITLES,
    clean,
    clock_words,
    distance_words,
    every_road_shut_words,
    map_notice,
    shown_ways,
    street_words,
    why_words,
)

MOST_MOMENTS: Final = 60
"""No more clock times than this on the slider."""

BURNT: Final = Look("#b4551f", 2.5, fill=0.3)
SHUT: Final = Look(FIRE, 13.0, "2.5 5", opacity=0.85)
"""Rungs across the road, so that a shut street is told apart in black and white too."""

STREET_INK: Final = "#5c5c5c"
CASING: Final = "#ffffff"
TOUCHED: Final = Look("#ffd24a", 16.0, opacity=0.0)
"""An unseen broad band over each street, so that it is easily pointed at."""

_FRONTS: Final = 9
_NAMED: Final = 8
_TOLD: Final = 8
_BADGES: Final = 5
_CLASS_WORDS: Final = {
    "trunk": "main highway",
    "primary": "main road",
    "secondary": "through road",
    "tertiary": "connecting road",
    "residential": "residential street",
    "living_street": "living street",
    "unclassified": "minor road",
    "service": "service road",
    "track": "track",
    "": "kind of road not mapped",
}


@dataclass(frozen=True, eq=False)
class Stretches:
    """Each stretch of road once, ready for the map.

    Attributes
    ----------
    lines : ndarray of LineString, shape (n,)
        In WGS 84.
    name : tuple of str, length n
        As the street is called, on one line, untrusted.
    kind : tuple of str, length n
        Its class in plain words.
    main : ndarray of bool, shape (n,)
    length_m : ndarray of float64, shape (n,)
    closing_s : ndarray of float64, shape (n,)
        The sooner of its two directions; inf where none is known.
    named : ndarray of bool, shape (n,)
        Whether it has a name or a number.
    edge : ndarray of int64, shape (n,)
        Edge of the network that it stands for.
    """

    lines: NDArray[np.object_]
    name: tuple[str, ...]
    kind: tuple[str, ...]
    main: NDArray[np.bool_]
    length_m: NDArray[np.float64]
    closing_s: NDArray[np.float64]
    named: NDArray[np.bool_]
    edge: NDArray[np.int64]


def class_words(highway: str) -> str:
    """The class of a road in plain words.

    Examples
    --------
    >>> class_words("tertiary"), class_words("motorway_link"), class_words("track|path")
    ('connecting road', 'motorway link', 'track')
    """
    kind = highway.split(SEPARATOR)[0]
    return _CLASS_WORDS.get(kind, kind.replace("_", " "))


def stretches(network: RoadNetwork, closing_s: NDArray[np.float64] | None = None) -> Stretches:
    """Take each stretch of road once, with the sooner closing of its two directions.

    Parameters
    ----------
    network : RoadNetwork
    closing_s : ndarray of float64, shape (e,), optional
        Nothing shuts when left out.
    """
    shut = np.full(network.edge_count, np.inf) if closing_s is None else closing_s
    twin = network.twin
    sooner = np.minimum(shut, np.where(twin >= 0, shut[twin], np.inf))
    # Short joins from a home or a safe point to its road are no streets.
    once = np.flatnonzero(~((twin >= 0) & (twin < np.arange(network.edge_count))) & (network.way_id != 0))
    return Stretches(
        lines=to_wgs84(network.geometry[once], network.crs),
        name=tuple(street_words(street(network, edge), 80) for edge in once.tolist()),
        kind=tuple(class_words(network.highway[edge]) for edge in once.tolist()),
        main=np.array([network.highway[edge].startswith(MAIN_CLASSES) for edge in once.tolist()], dtype=np.bool_),
        length_m=network.length_m[once],
        closing_s=sooner[once],
        named=np.array([bool(network.name[edge] or network.ref[edge]) for edge in once.tolist()], dtype=np.bool_),
        edge=once.astype(np.int64),
    )


def svg_dashes(dashes: Any, width: float) -> str:
    """Dashes as drawn by figures (in line widths) as dashes of a web map (in pixels).

    Examples
    --------
    >>> svg_dashes((0, (6, 2)), 1.5), svg_dashes("-", 2.0)
    ('9 3', '')
    """
    return "" if isinstance(dashes, str) else " ".join(f"{part * width:g}" for part in dashes[1])


def street_shapes(roads: Stretches) -> tuple[Shape, ...]:
    """All streets as they are seen: a white casing and a grey line, the main roads broader."""
    shapes = []
    for main, width in ((False, 1.6), (True, 3.0)):
        lines = MultiLineString(list(roads.lines[roads.main == main]))
        if not lines.is_empty:
            shapes.append(Shape(lines, (), Look(CASING, width + 2.4), "lines"))
            shapes.append(Shape(lines, (), Look(STREET_INK, width), "lines"))
    return tuple(shapes)


def household_sheet(result: HouseholdResult) -> LiveSheet:
    """Everything that the household's map shows, but for the moment on the slider.

    Parameters
    ----------
    result : HouseholdResult

    Returns
    -------
    LiveSheet
    """
    roads = stretches(result.network, result.closing_s)
    window = household_window(result)
    return LiveSheet(
        title="Map of the ways out and the fire",
        picture=hills(result.terrain.grid, result.terrain.elevation_m),
        layers=(
            _streets(result, roads),
            *_ways_out(result),
            Layer("Street names", (), _names(result, roads)),
            _fronts(result),
            *_triggers(result),
            _closing_order(result),
            _starts(result),
            place_layer(result.plan, result.safe_point_xy_m, home_xy_m=result.home_xy_m, crs=result.terrain.grid.crs),
        ),
        window_deg=window_around(window, result.terrain.grid.crs),
        described=describe_map(result),
        notice=map_notice(result.network),
    )


def household_window(result: HouseholdResult) -> NDArray[np.float64]:
    """Places that are on the map to begin with, in the grid's reference system: shape (n, 2)."""
    points = [np.array([result.home_xy_m])]
    points += [shapely.get_coordinates(to_grid(result, route.line)) for _, route in drawn_routes(result)]
    points += [positions for _, positions in ignition_points(result)]
    return np.vstack(points)


def _streets(result: HouseholdResult, roads: Stretches) -> Layer:
    rows: dict[tuple[str, ...], list[int]] = {}
    along = _along(result)
    for row, edge in enumerate(roads.edge.tolist()):
        words = (
            roads.name[row],
            roads.kind[row],
            _shuts_words(result, float(roads.closing_s[row])),
            *along.get(edge, ()),
        )
        rows.setdefault(words, []).append(row)
    touched = tuple(
        Shape(MultiLineString(list(roads.lines[which])), words, TOUCHED, "touch") for words, which in rows.items()
    )
    return Layer(
        "Streets",
        (*street_shapes(roads), *touched),
        meanings=((Look(STREET_INK, 3.0), "Street: point at it for its name and when it shuts"),),
    )


def _along(result: HouseholdResult) -> dict[int, tuple[str, ...]]:
    """For each edge that ways out run along, whichever of its two directions, what to say of it."""
    found: dict[int, tuple[str, ...]] = {}
    for names, route in drawn_routes(result):
        words = f"On the way out ({ways_words(names)}) to {clean(route.safe_point, 34)}"
        for edge in route.edges:
            for one in {edge, int(result.network.twin[edge])} - {-1}:
                found[one] = (*found.get(one, ()), words)
    return found


def ways_words(names: Sequence[str]) -> str:
    """Ways of leaving in a few words.

    Examples
    --------
    >>> ways_words(("tow", "car"))
    'towing and car'
    """
    return " and ".join({"tow": "towing", "car": "car", "foot": "foot"}.get(name, name) for name in names)


def _shuts_words(result: HouseholdResult, at_s: float) -> str:
    if math.isfinite(at_s):
        return f"Shuts at {clock_words(result, at_s)} in the middle run; it may shut earlier."
    return "No closing was computed for it; it may shut at any time."


def _names(result: HouseholdResult, roads: Stretches) -> tuple[Mark, ...]:
    """Names of the longest streets of the ways out."""
    on_route = _along(result)
    rows = [row for row, edge in enumerate(roads.edge.tolist()) if edge in on_route and result.network.name[edge]]
    least_m = 0.1 * float(np.ptp(household_window(result), axis=0).max())
    return name_marks(roads, np.array(rows, dtype=np.int64), least_m=least_m, most=_NAMED)


def name_marks(roads: Stretches, among: NDArray[np.int64], *, least_m: float, most: int) -> tuple[Mark, ...]:
    """Names of the longest streets among some stretches, in the middle of each.

    A name that is longer than its street would lie over its neighbours: shorter streets than `least_m` get none.
    """
    rows: dict[str, list[int]] = {}
    for row in among.tolist():
        rows.setdefault(roads.name[row], []).append(row)
    length_m = {name: float(roads.length_m[which].sum()) for name, which in rows.items()}
    marks = []
    for name in sorted((name for name in rows if length_m[name] >= least_m), key=lambda name: -length_m[name])[:most]:
        line = max(
            lines_of(shapely.line_merge(shapely.union_all(roads.lines[rows[name]]))), key=lambda part: part.length
        )
        middle = line.interpolate(0.5, normalized=True)
        marks.append(Mark(middle.x, middle.y, "", clean(name, 28), STREET_INK))
    return tuple(marks)


def _ways_out(result: HouseholdResult) -> list[Layer]:
    layers = []
    for number, (names, route) in enumerate(drawn_routes(result)):
        dashes, width = ROUTE_LOOKS[min(number, len(ROUTE_LOOKS) - 1)]
        look = Look(ROUTE, width * 1.5, svg_dashes(dashes, width * 1.5))
        line = to_wgs84(route.line, result.network.crs)
        name = f"Way out ({ways_words(names)}) to {clean(route.safe_point, 34)}"
        told = (name, f"{distance_words(route.length_m)} in all")
        shapes = (Shape(line, told, Look(CASING, width * 1.5 + 3.0), "over"), Shape(line, told, look, "over"))
        layers.append(Layer(name, shapes, meanings=((look, name),)))
    # The first lies on top where they share a street, as on paper.
    return layers[::-1]


def fronts_s(result: HouseholdResult) -> tuple[float, ...]:
    """Clock steps at which the fire's front is drawn."""
    reached_s = arrival_s(result)
    return tuple(
        at_s
        for at_s in clock_steps(
            result, np.where(reached_s <= last_that_matters_s(result), reached_s, np.inf), most=_FRONTS
        )
        if at_s <= result.fire.arrival.horizon_s
    )


def _fronts(result: HouseholdResult) -> Layer:
    grid = result.terrain.grid
    times = fronts_s(result)
    look = Look(FIRE, 1.3)
    east_m, south_m = grid.x_min_m + grid.cols * grid.cell_m, grid.y_max_m - grid.rows * grid.cell_m
    # Lines end where ground does not burn: they would crowd along its edge.
    bare = burnt_area(grid, np.where(result.fire.arrival.burnable, np.inf, 0.0), by_s=1.0).buffer(0.8 * grid.cell_m)
    inside = box(grid.x_min_m, south_m, east_m, grid.y_max_m).buffer(-1.5 * grid.cell_m)
    (west, south), (east, north) = household_window(result).min(axis=0), household_window(result).max(axis=0)
    seen = box(west, south, east, north).buffer(grid.cell_m)
    shapes, marks = [], []
    for at_s, area in zip(times, isochrones(result.fire.arrival, times).geometry, strict=True):
        front: BaseGeometry = area.boundary.intersection(inside).difference(bare)
        if front.is_empty:
            continue
        words = clock_words(result, at_s, step_min=1)
        told = (f"Fire front at {words}", "in the middle run; it may come earlier")
        shapes.append(Shape(to_wgs84(front, grid.crs), told, look, "over"))
        parts = lines_of(shapely.line_merge(front.intersection(seen))) or lines_of(front)
        at = parts[0].interpolate(0.5, normalized=True)
        marks.append(Mark(*lon_lat(at.x, at.y, grid.crs), "", words, FIRE))
    meanings = ((look, "Fire front at the time written on it, in the middle run"),) if shapes else ()
    return Layer("Fire front by the clock", tuple(shapes), tuple(marks), meanings)


def _triggers(result: HouseholdResult) -> list[Layer]:
    grid = result.terrain.grid
    east_m, south_m = grid.x_min_m + grid.cols * grid.cell_m, grid.y_max_m - grid.rows * grid.cell_m
    ground = box(grid.x_min_m, south_m, east_m, grid.y_max_m)
    layers = []
    for trigger in shown_triggers(result):
        drawn, meaning = trigger_words(result, trigger, ground)
        whom = ways_words((trigger.way,))
        colour = WAY_COLOURS.get(trigger.way, INK)
        look = Look(colour, 3.0, svg_dashes(WAY_DASHES.get(trigger.way, "-"), 3.0))
        shapes: tuple[Shape, ...] = ()
        marks: tuple[Mark, ...] = ()
        if drawn:
            edge = trigger_edge(result, trigger, ground)
            line = to_wgs84(edge, grid.crs)
            casing = Look(CASING, 6.0, opacity=0.8)
            shapes = (Shape(line, (meaning,), casing, "over"), Shape(line, (meaning,), look, "over"))
            home = Point(result.home_xy_m)
            part = min(lines_of(shapely.line_merge(edge)), key=lambda piece: piece.distance(home))
            at = part.interpolate(0.3, normalized=True)
            marks = (Mark(*lon_lat(at.x, at.y, grid.crs), "", f"{whom}: {INSIDE_WORDS[trigger.way]}", colour),)
        layers.append(Layer(f"Trigger line ({whom})", shapes, marks, ((look if drawn else "", meaning),)))
    return layers


def _closing_order(result: HouseholdResult) -> Layer:
    """Numbers on the streets of the first way out, in the order in which they shut."""
    routes = drawn_routes(result)
    marks = []
    meanings = [("", "Shuts in this order (middle run, may be earlier):")]
    for number, shut in enumerate(shut_streets(result, routes[0][1])[:_BADGES] if routes else (), start=1):
        at = shut.line.interpolate(0.5, normalized=True)
        marks.append(Mark(*lon_lat(at.x, at.y, result.terrain.grid.crs), "number", str(number)))
        when = clock_words(result, shut.at_s)
        meanings.append((str(number), f"{when} {street_words(shut.street, 40)}"))
    if not marks:
        meanings = [("", "No street of the way out was computed to shut; a road may still shut at any time")]
    return Layer("What shuts first", (), tuple(marks), tuple(meanings))


def place_layer(
    plan: Plan, safe_xy_m: Mapping[str, tuple[float, float]], *, home_xy_m: tuple[float, float], crs: str
) -> Layer:
    """The home, the safe points and the places of last resort of a plan."""
    marks = [Mark(*lon_lat(*home_xy_m, crs), "home", "Home")]
    signs = {"home": "Home"}
    for point in plan.safe_points:
        place = safe_xy_m.get(point.name)
        if place is None:
            continue
        last = point.kind == "place_of_last_resort"
        signs["last" if last else "safe"] = "Place of last resort" if last else "Safe point of your plan"
        marks.append(Mark(*lon_lat(*place, crs), "last" if last else "safe", clean(point.name, 30)))
    return Layer("Home and safe points", (), tuple(marks), tuple(signs.items()))


def _starts(result: HouseholdResult) -> Layer:
    """Where the fire starts, and when."""
    crs, marks, shapes = result.terrain.grid.crs, [], []
    for ignition, (name, positions) in zip(result.plan.ignitions, ignition_points(result), strict=True):
        at = ignition.at.astimezone(result.start.tzinfo).strftime("%H:%M")
        words = f"{clean(name, 40)}, {at}"
        middle = positions.mean(axis=0)
        if len(positions) > 1:
            line = shapely.linearrings(positions) if ignition.ring else shapely.linestrings(positions)
            shapes.append(Shape(to_wgs84(line, crs), (words,), Look(FIRE, 4.0), "over"))
        sign = "fire" if len(positions) == 1 else ""
        marks.append(Mark(*lon_lat(float(middle[0]), float(middle[1]), crs), sign, words, FIRE))
    return Layer("Where the fire starts", tuple(shapes), tuple(marks), (("fire", "Where the fire starts"),))


def moments_s(result: HouseholdResult) -> tuple[float, ...]:
    """Clock times for the slider: from the start of the fire until an hour after it has shut the ways out.

    Parameters
    ----------
    result : HouseholdResult

    Returns
    -------
    tuple of float
        Seconds from the scenario's start, rising; the first is the start itself.
    """
    last_s = min(last_that_matters_s(result), result.fire.arrival.horizon_s, result.plan.horizon_s)
    steps = clock_steps(result, np.array([0.0, last_s]), most=MOST_MOMENTS)
    return (0.0, *(at_s for at_s in steps if at_s <= last_s))


def burnt_shapes(result: HouseholdResult, at_s: float) -> tuple[Shape, ...]:
    """The ground that has burnt by a moment, in the middle run."""
    area = isochrones(result.fire.arrival, [at_s]).geometry.iloc[0]
    if area.is_empty:
        return ()
    told = (f"Burnt by {clock_words(result, at_s, step_min=1)}", "in the middle run; the fire may be faster")
    return (Shape(to_wgs84(area, result.terrain.grid.crs), told, BURNT, "area"),)


def shut_shapes(result: HouseholdResult, roads: Stretches, *, at_s: float) -> tuple[Shape, ...]:
    """The stretches that are shut at a moment, in the middle run."""
    rows = np.flatnonzero(roads.closing_s <= at_s)
    if not rows.size:
        return ()
    told = (f"Shut by {clock_words(result, at_s, step_min=1)}", "in the middle run; others may be shut as well")
    return (Shape(MultiLineString(list(roads.lines[rows])), told, SHUT, "under"),)


def moment_layers(result: HouseholdResult, roads: Stretches, *, at_s: float) -> tuple[Layer, ...]:
    """What changes with the clock: the ground that has burnt and the streets that are shut by a moment."""
    return (
        Layer(
            "Burnt by the clock time below",
            burnt_shapes(result, at_s),
            meanings=((BURNT, "Burnt by the clock time on the slider"),),
        ),
        Layer(
            "Shut by the clock time below",
            shut_shapes(result, roads, at_s=at_s),
            meanings=((SHUT, "Shut by the clock time on the slider"),),
        ),
    )


def moment_words(result: HouseholdResult, roads: Stretches, *, at_s: float) -> tuple[str, ...]:
    """Say what the map shows at a moment: where the fire is, what is shut, which start is past.

    Parameters
    ----------
    result : HouseholdResult
    roads : Stretches
        Of the result's network, with its closings.
    at_s : float
        Seconds from the scenario's start.

    Returns
    -------
    tuple of str
        Sentences of plain text; names in them are untrusted.
    """
    now = clock_words(result, at_s, step_min=1)
    return (
        f"{now}, in the middle run; the fire may be faster than that. {_front_words(result, at_s)}",
        _shut_words(result, roads, at_s),
        *(_start_words(result, way, at_s) for way in shown_ways(result)),
        every_road_shut_words(result),
    )


def _front_words(result: HouseholdResult, at_s: float) -> str:
    area: MultiPolygon = isochrones(result.fire.arrival, [at_s]).geometry.iloc[0]
    if area.is_empty:
        return "Nothing has burnt yet on the ground that was computed."
    home = Point(result.home_xy_m)
    near = shapely.get_coordinates(shapely.shortest_line(home, area))[1]
    away_m = float(home.distance(area))
    if away_m < result.terrain.grid.cell_m:
        return "The fire is at your home."
    # Down to the next hundred metres: nearer, not farther.
    shown_m = math.floor(away_m / 100.0) * 100.0
    far = distance_words(shown_m) if shown_m >= 100.0 else "less than 100 m"
    towards = math.degrees(math.atan2(near[0] - result.home_xy_m[0], near[1] - result.home_xy_m[1]))
    return f"The front is {far} from your home, to the {compass_words(towards)}."


def _shut_words(result: HouseholdResult, roads: Stretches, at_s: float) -> str:
    shut = roads.closing_s <= at_s
    first: dict[str, float] = {}
    for row in np.flatnonzero(shut & roads.named).tolist():
        first[roads.name[row]] = min(first.get(roads.name[row], math.inf), float(roads.closing_s[row]))
    if not shut.any():
        return "No street was computed to be shut by then, which does not mean that all are open."
    order = sorted(first, key=lambda name: (first[name], name))
    told = ", ".join(f"{name} ({clock_words(result, first[name])})" for name in order[:_TOLD])
    more = f" and {len(order) - _TOLD} more streets with a name" if len(order) > _TOLD else ""
    return f"Shut somewhere along them: {told or 'roads without a name'}{more}."


def _start_words(result: HouseholdResult, way: WayTiming, at_s: float) -> str:
    """In which phase of leaving one is at a moment: in time, late, or with every road shut in most runs."""
    title, latest_s = WAY_TITLES.get(way.way, way.way), way.latest_start_s
    found = result.way_phases[way.way]
    if way.route is None or latest_s is None:
        return f"{title}: {why_words(way)}"
    if at_s >= found.shut_from_s:
        return f"{title}: shut in more than half of the runs."
    if at_s < latest_s:
        return f"{title}: start by {clock_words(result, latest_s)}."
    if at_s < found.roll_by_s:
        return f"{title}: past the latest start; be rolling by {clock_words(result, found.roll_by_s)}, without packing."
    return f"{title}: late; {late_words(way.way, found)}"
