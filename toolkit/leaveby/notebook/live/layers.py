"""The layers of the household's map: the scene that every map of it shares, the streets to point at, and a moment.

Everything is plain data in WGS 84; `live_map` puts it on the screen. Names, moments, words and signs are those of
`leaveby.show.scene`, so that one legend fits all maps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiLineString, MultiPolygon, Point, box
from shapely.geometry.base import BaseGeometry

from leaveby.decision.household.phases import late_words
from leaveby.decision.ways.result import HouseholdResult
from leaveby.fire.arrival.isochrones import isochrones
from leaveby.fire.arrival.solve import Arrival
from leaveby.notebook.live.ground import (
    Layer,
    LiveSheet,
    Look,
    Mark,
    Shape,
    hills,
    lon_lat,
    look_of,
    to_wgs84,
    window_around,
)
from leaveby.regions import table_rows
from leaveby.roads.network.graph import SEPARATOR, RoadNetwork
from leaveby.roads.routing.itinerary import compass_words, street
from leaveby.show import wording
from leaveby.show.ground import burnt_area, clock_steps, ignition_points, shown_triggers, shut_streets, trigger_edge
from leaveby.show.map_labels import lines_of
from leaveby.show.map_words import trigger_words
from leaveby.show.plan.map import describe_map, drawn_routes, last_that_matters_s
from leaveby.show.scene import Scene, household_scene, street_symbol
from leaveby.show.symbols import SYMBOLS, way_symbol
from leaveby.show.templates import sentences
from leaveby.units import Measures, distance_words

MOST_MOMENTS: Final = 60
"""No more clock times than this on the slider."""

BURNT: Final = look_of("burnt", width_px=2.5, fill=0.3)
SHUT: Final = Look(SYMBOLS["shut"].colour, 13.0, "2.5 5", opacity=0.85)
"""Rungs across the road, so that a shut street is told apart in black and white too."""

STREET_INK: Final = "#5c5c5c"
CASING: Final = "#ffffff"
TOUCHED: Final = Look("#ffd24a", 16.0, opacity=0.0)
"""An unseen broad band over each street, so that it is easily pointed at."""

_NAMED: Final = 8
_TOLD: Final = 8
_BADGES: Final = 5
_MOST_THINGS: Final = 200
_CLASS_WORDS: Final = {row["highway"]: row["words"] for row in table_rows(__package__, "class_words.csv")}


@dataclass(frozen=True, eq=False)
class Stretches:
    """Each of n stretches of road once, ready for the map: its line in WGS 84, and the edge that it stands for.

    The name is on one line and untrusted, the kind is its class in plain words; `main` ones are drawn broader, `named`
    ones have a name or a number. It shuts with the sooner of its two directions; inf where none is known.
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
    """The class of a road in plain words."""
    kind = highway.split(SEPARATOR)[0]
    return _CLASS_WORDS.get(kind, kind.replace("_", " "))


def stretches(network: RoadNetwork, closing_s: NDArray[np.float64] | None = None) -> Stretches:
    """Take each stretch of road once, with the sooner closing of its two directions; nothing shuts when left out."""
    shut = np.full(network.edge_count, np.inf) if closing_s is None else closing_s
    twin = network.twin
    sooner = np.minimum(shut, np.where(twin >= 0, shut[twin], np.inf))
    # Short joins from a home or a safe point to its road are no streets.
    once = np.flatnonzero(~((twin >= 0) & (twin < np.arange(network.edge_count))) & (network.way_id != 0))
    rows = once.tolist()
    return Stretches(
        lines=to_wgs84(network.geometry[once], network.crs),
        name=tuple(wording.street_words(street(network, edge), 80) for edge in rows),
        kind=tuple(class_words(network.highway[edge]) for edge in rows),
        main=np.array([street_symbol(network, edge) == "main_street" for edge in rows], dtype=np.bool_),
        length_m=network.length_m[once],
        closing_s=sooner[once],
        named=np.array([bool(network.name[edge] or network.ref[edge]) for edge in rows], dtype=np.bool_),
        edge=once.astype(np.int64),
    )


def street_shapes(roads: Stretches, words: Iterable[tuple[str, ...]]) -> tuple[Shape, ...]:
    """All streets as they are seen, with a white casing, and what is said when one points at each."""
    shapes = []
    for main, width in ((False, 1.6), (True, 3.0)):
        lines = MultiLineString(list(roads.lines[roads.main == main]))
        if not lines.is_empty:
            shapes.append(Shape(lines, (), Look(CASING, width + 2.4)))
            shapes.append(Shape(lines, (), Look(STREET_INK, width)))
    return (*shapes, *touched(roads.lines, words))


def touched(lines: NDArray[np.object_], words: Iterable[tuple[str, ...]]) -> list[Shape]:
    """What is said when one points at each of some lines; those of which the same is said are one thing."""
    rows: dict[tuple[str, ...], list[int]] = {}
    for row, told in enumerate(words):
        rows.setdefault(told, []).append(row)
    return [Shape(MultiLineString(list(lines[which])), told, TOUCHED, "touch") for told, which in rows.items()]


def written(scene: Scene, names: Iterable[str], *, title: str, named: bool = True) -> Layer:
    """Some of a scene's tables as one layer: signs, lines over a casing, their titles beside them, what they mean."""
    shapes, marks, kinds = [], [], dict[str, None]()
    for name in names:
        for thing in scene.drawn(name).head(_MOST_THINGS).itertuples(index=False):
            place, symbol = to_wgs84(thing.geometry, scene.crs), SYMBOLS[thing.symbol]
            kinds[thing.symbol] = None
            text, at = wording.clean(thing.title, 60) if named else "", place
            if place.geom_type == "Point":
                marks.append(Mark(at.x, at.y, thing.symbol, text, symbol.ink if thing.symbol == "ignition" else ""))
                continue
            line = place.boundary if place.geom_type == "Polygon" else place
            look = replace(look_of(thing.symbol), colour=symbol.ink)
            shapes.append(Shape(line, (), Look(CASING, look.width_px + 3.0), "over"))
            shapes.append(Shape(line, (thing.title, thing.words), look, "over"))
            at = line.interpolate(0.5, normalized=True) if line.geom_type == "LineString" else line.centroid
            marks.append(Mark(at.x, at.y, "", text, symbol.ink))
    meanings = [(kind if SYMBOLS[kind].sign else look_of(kind), SYMBOLS[kind].words) for kind in kinds]
    return Layer(title, tuple(shapes), tuple(marks), tuple(meanings))


def household_sheet(result: HouseholdResult) -> LiveSheet:
    """Everything that the household's map shows, but for the moment on the slider."""
    roads, window = stretches(result.network, result.closing_s), household_window(result)
    scene = household_scene(result, only=("home", "safe_points", "ignitions", "routes", "isochrones"))
    return LiveSheet(
        title="Map of the ways out and the fire",
        measures=result.plan.measures,
        picture=hills(result.terrain.grid, result.terrain.elevation_m),
        layers=(
            _streets(result, roads),
            *_ways_out(scene, result.plan.measures),
            Layer("Street names", (), _names(result, roads)),
            *([] if result.fire is None else [_fronts(result, result.fire.arrival, scene)]),
            *_triggers(result),
            *([] if result.fire is None else [_closing_order(result)]),
            *([] if result.fire is None else [written(scene, ("ignitions",), title="Where the fire starts")]),
            written(scene, ("safe_points", "home"), title="Home and safe points"),
        ),
        window_deg=window_around(window, result.terrain.grid.crs),
        described=describe_map(result),
        notice=wording.map_notice(result.network),
    )


def household_window(result: HouseholdResult) -> NDArray[np.float64]:
    """Places that are on the map to begin with, in the grid's reference system: shape (n, 2)."""
    scene = household_scene(result, only=("routes",))
    points = [np.array([result.home_xy_m]), shapely.get_coordinates(scene.drawn("routes").geometry.to_numpy())]
    return np.vstack([*points, *(positions for _, positions in ignition_points(result))])


def _streets(result: HouseholdResult, roads: Stretches) -> Layer:
    along = _along(result)
    words = (
        (name, kind, _shuts_words(result, at_s), *along.get(edge, ()))
        for name, kind, at_s, edge in zip(
            roads.name, roads.kind, roads.closing_s.tolist(), roads.edge.tolist(), strict=True
        )
    )
    shuts = "" if result.fire is None else " and when it shuts"
    meaning = (Look(STREET_INK, 3.0), f"Street: point at it for its name{shuts}")
    return Layer("Streets", street_shapes(roads, words), meanings=(meaning,))


def _along(result: HouseholdResult) -> dict[int, tuple[str, ...]]:
    """For each edge that ways out run along, whichever of its two directions, what to say of it."""
    found: dict[int, tuple[str, ...]] = {}
    for names, route in drawn_routes(result):
        words = f"On the way out ({wording.ways_words(names)}) to {wording.clean(route.safe_point, 34)}"
        for edge in route.edges:
            for one in {edge, int(result.network.twin[edge])} - {-1}:
                found[one] = (*found.get(one, ()), words)
    return found


def _shuts_words(result: HouseholdResult, at_s: float) -> str:
    if result.fire is None:
        return "When it shuts was not worked out; it may shut at any time."
    if math.isfinite(at_s):
        return f"Shuts at {wording.clock_words(result, at_s)} on a middling day; it may shut earlier."
    return "No closing was computed for it; it may shut at any time."


def _names(result: HouseholdResult, roads: Stretches) -> tuple[Mark, ...]:
    """Names of the longest streets of the ways out."""
    on_route = _along(result)
    rows = [row for row, edge in enumerate(roads.edge.tolist()) if edge in on_route and result.network.name[edge]]
    least_m = 0.1 * float(np.ptp(household_window(result), axis=0).max())
    return name_marks(roads, rows, least_m=least_m, most=_NAMED)


def name_marks(roads: Stretches, among: Iterable[int], *, least_m: float, most: int) -> tuple[Mark, ...]:
    """Names of the longest streets among some stretches, in the middle of each.

    A name that is longer than its street would lie over its neighbours: shorter streets than `least_m` get none.
    """
    rows: dict[str, list[int]] = {}
    for row in among:
        rows.setdefault(roads.name[row], []).append(row)
    length_m = {name: float(roads.length_m[which].sum()) for name, which in rows.items()}
    marks = []
    for name in sorted((name for name in rows if length_m[name] >= least_m), key=lambda name: -length_m[name])[:most]:
        merged = shapely.line_merge(shapely.union_all(roads.lines[rows[name]]))
        middle = max(lines_of(merged), key=lambda part: part.length).interpolate(0.5, normalized=True)
        marks.append(Mark(middle.x, middle.y, "", wording.clean(name, 28), STREET_INK))
    return tuple(marks)


def _ways_out(scene: Scene, measures: Measures) -> list[Layer]:
    """One layer for each way of leaving; the first lies on top where they share a street."""
    layers = []
    for thing in scene.drawn("routes").itertuples(index=False):
        look, line = look_of(thing.symbol), to_wgs84(thing.geometry, scene.crs)
        casing = Shape(line, (), Look(CASING, look.width_px + 3.0), "lines")
        shape = Shape(line, (thing.title, f"{distance_words(thing.length_m, measures)} in all"), look, "over")
        name = f"Way out: {thing.title}"
        layers.append(Layer(name, (casing, shape), meanings=((look, name),)))
    return layers[::-1]


def _fronts(result: HouseholdResult, arrival: Arrival, scene: Scene) -> Layer:
    grid, look = result.terrain.grid, look_of("front")
    # Lines end where ground does not burn: they would crowd along its edge.
    bare = burnt_area(grid, np.where(arrival.burnable, np.inf, 0.0), by_s=1.0).buffer(0.8 * grid.cell_m)
    inside = box(*grid.bounds_m).buffer(-1.5 * grid.cell_m)
    (west, south), (east, north) = household_window(result).min(axis=0), household_window(result).max(axis=0)
    seen = box(west, south, east, north).buffer(grid.cell_m)
    shapes, marks = [], []
    fronts = scene.drawn("isochrones")
    fronts = fronts[fronts["at_s"] <= last_that_matters_s(result)]
    # Between the middles of cells, where a table of whole cells would draw steps.
    smooth = isochrones(arrival, fronts["at_s"].tolist()).geometry
    for thing, area in zip(fronts.itertuples(index=False), smooth, strict=True):
        front: BaseGeometry = area.boundary.intersection(inside).difference(bare)
        if front.is_empty:
            continue
        shapes.append(Shape(to_wgs84(front, grid.crs), (thing.title, thing.words), look, "over"))
        parts = lines_of(shapely.line_merge(front.intersection(seen))) or lines_of(front)
        at = parts[0].interpolate(0.5, normalized=True)
        when = wording.clock_words(result, thing.at_s, step_min=1)
        marks.append(Mark(*lon_lat(at.x, at.y, grid.crs), "", when, look.colour))
    meanings = ((look, "Fire front at the time written on it, on a middling day"),) if shapes else ()
    return Layer("Fire front by the clock", tuple(shapes), tuple(marks), meanings)


def _triggers(result: HouseholdResult) -> list[Layer]:
    crs, ground = result.terrain.grid.crs, box(*result.terrain.grid.bounds_m)
    layers = []
    for trigger in shown_triggers(result):
        drawn, meaning = trigger_words(result, trigger, ground)
        whom, look = wording.ways_words((trigger.way,)), look_of(way_symbol("trigger", trigger.way))
        shapes: tuple[Shape, ...] = ()
        marks: tuple[Mark, ...] = ()
        if drawn:
            edge = trigger_edge(result, trigger, ground)
            line, casing = to_wgs84(edge, crs), Look(CASING, 6.0, opacity=0.8)
            shapes = (Shape(line, (meaning,), casing, "over"), Shape(line, (meaning,), look, "over"))
            home = Point(result.home_xy_m)
            part = min(lines_of(shapely.line_merge(edge)), key=lambda piece: piece.distance(home))
            at = part.interpolate(0.3, normalized=True)
            marks = (Mark(*lon_lat(at.x, at.y, crs), "", f"{whom}: {wording.INSIDE_WORDS[trigger.way]}", look.colour),)
        layers.append(Layer(f"Trigger line ({whom})", shapes, marks, ((look if drawn else "", meaning),)))
    return layers


def _closing_order(result: HouseholdResult) -> Layer:
    """Numbers on the streets of the first way out, in the order in which they shut."""
    routes = drawn_routes(result)
    marks = []
    meanings = [("", "Shuts in this order (a middling day, may be earlier):")]
    for number, shut in enumerate(shut_streets(result, routes[0][1])[:_BADGES] if routes else (), start=1):
        at = shut.line.interpolate(0.5, normalized=True)
        marks.append(Mark(*lon_lat(at.x, at.y, result.terrain.grid.crs), "number", str(number)))
        when = wording.clock_words(result, shut.at_s)
        meanings.append((str(number), f"{when} {wording.street_words(shut.street, 40)}"))
    if not marks:
        meanings = [("", "No street of the way out was computed to shut; a road may still shut at any time")]
    return Layer("What shuts first", (), tuple(marks), tuple(meanings))


def moments_s(result: HouseholdResult) -> tuple[float, ...]:
    """Clock times for the slider, in seconds from the scenario's start, which is the first of them.

    Until an hour after the fire has shut the ways out.
    """
    if result.fire is None:
        return (0.0,)
    last_s = min(last_that_matters_s(result), result.fire.arrival.horizon_s, result.plan.horizon_s)
    steps = clock_steps(result, np.array([0.0, last_s]), most=MOST_MOMENTS)
    return (0.0, *(at_s for at_s in steps if at_s <= last_s))


def moment_layers(result: HouseholdResult, roads: Stretches, *, at_s: float) -> tuple[Layer, ...]:
    """What changes with the clock: the ground that has burnt and the streets that are shut, on a middling day."""
    if result.fire is None:
        return ()
    when = wording.clock_words(result, at_s, step_min=1)
    burnt = to_wgs84(isochrones(result.fire.arrival, [at_s]).geometry.iloc[0], result.terrain.grid.crs)
    shut = MultiLineString(list(roads.lines[roads.closing_s <= at_s]))
    layers = []
    for what, place, rest, look, pane in (
        ("Burnt", burnt, "the fire may be faster", BURNT, "area"),
        ("Shut", shut, "others may be shut as well", SHUT, "under"),
    ):
        told = (f"{what} by {when}", f"on a middling day; {rest}")
        shapes = () if place.is_empty else (Shape(place, told, look, pane),)
        meaning = (look, f"{what} by the clock time on the slider")
        layers.append(Layer(f"{what} by the clock time below", shapes, (), (meaning,)))
    return tuple(layers)


def moment_words(result: HouseholdResult, roads: Stretches, *, at_s: float) -> tuple[str, ...]:
    """Say what the map shows at a moment: where the fire is, what is shut, which start is past.

    Sentences of plain text; names in them are untrusted.
    """
    values: dict[str, Any] = {"result": result, "at_s": at_s, "told": _TOLD, "late_words": late_words}
    if result.fire is not None:
        area: MultiPolygon = isochrones(result.fire.arrival, [at_s]).geometry.iloc[0]
        home, shut, first = Point(result.home_xy_m), roads.closing_s <= at_s, dict[str, float]()
        for row in np.flatnonzero(shut & roads.named).tolist():
            first[roads.name[row]] = min(first.get(roads.name[row], math.inf), float(roads.closing_s[row]))
        values |= {"away_m": math.inf, "any_shut": shut.any(), "shut": sorted(first.items(), key=lambda row: row[::-1])}
        if not area.is_empty:
            near = shapely.get_coordinates(shapely.shortest_line(home, area))[1] - result.home_xy_m
            towards = compass_words(math.degrees(math.atan2(*near)))
            values |= {"away_m": float(home.distance(area)), "towards": towards}
    return tuple(sentences("notebook/live/moment.txt.j2", **values))
