"""What a map shows, made once: for each kind of thing a table with its symbol, name, words, moment, facts and shape.

Maps on paper and on screen, GeoPackage, KML and GPX only draw or write these tables, so that a thing has the same name,
time and sign wherever it stands. Everything lies in the terrain grid's reference system (a survey of streets: in that
of its streets).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas
import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.drill.result import Drill, Pause, Round
from leaveby.decision.ways.result import HouseholdResult, clock
from leaveby.roads.network.graph import RoadNetwork
from leaveby.roads.routing.itinerary import street
from leaveby.show import map_words, wording
from leaveby.show.ground import burnt_area, edge_lines, ignition_points, isochrones, to_grid
from leaveby.show.symbols import way_symbol

TOLD: Final = ("symbol", "title", "words", "at_s", "drawn")
"""Columns that every table begins with, before the facts of its kind and the geometry."""

MAIN_CLASSES: Final = ("motorway", "trunk", "primary", "secondary", "tertiary")
"""Roads drawn broader; their links begin with the same words."""

_FRONTS: Final = 16
_NAME_LETTERS: Final = 120

_FIRE: Final = ("The fire", "One computed fire, a middling day: a real one can be faster, or elsewhere.")
_PLACES: Final = "Home, safe points and places of last resort"

Rows = list[dict[str, Any]] | dict[str, Any]


@dataclass(frozen=True)
class Layer:
    """The things of one kind: what they are called together, what they mean, and a table of them.

    Its columns are `symbol` (a key of `leaveby.show.symbols.SYMBOLS`), `title` and `words` (plain text on one line),
    `at_s` (its moment in seconds from the first ignition; inf where it has none within the horizon), `drawn` (whether a
    map shows it); then its facts, with the unit in the name, missing where they are not known; and `geometry`.
    """

    title: str
    words: str
    things: geopandas.GeoDataFrame

    @property
    def facts(self) -> geopandas.GeoDataFrame:
        """The table without words: facts, symbol and shape."""
        kept = [name for name in self.things.columns if name not in (*TOLD, "geometry")]
        return self.things[[*kept, "symbol", "geometry"]]


@dataclass(frozen=True)
class Scene:
    """Everything that a map shows: its layers by name, without rows where there is none of a kind.

    `caution` has to be said before anything else, the override statement first; `words` is what was computed. `notices`
    are `OVERRIDE`, `PLANNING_AID` and, where it is due, `NOTICE` of whose map data the roads are. `crs`, in metres, is
    the reference system of every table.
    """

    title: str
    caution: str
    words: str
    notices: Mapping[str, str]
    crs: str
    layers: Mapping[str, Layer]

    def drawn(self, name: str, *, crs: str | None = None) -> geopandas.GeoDataFrame:
        """The things of a layer that a map shows; in another reference system when asked for."""
        things = self.layers[name].things
        things = things[things["drawn"].astype(bool)]
        return things if crs is None else things.to_crs(crs)


def household_scene(result: HouseholdResult, *, only: Collection[str] | None = None) -> Scene:
    """Lay out what the maps of a household's answer show; all layers, or those that are named in `only`."""
    makers: dict[str, Callable[[HouseholdResult], tuple[str, str, Rows]]] = {
        "home": _home,
        "safe_points": _safe_points,
        "ignitions": _ignitions,
        "routes": _routes,
        "streets": _streets,
        "isochrones": _isochrones,
        "triggers": _triggers,
        "which_way": _which_way,
        "shut_streets": _shut_streets,
    }
    made = {name: make(result) for name, make in makers.items() if only is None or name in only}
    return Scene(
        title=wording.clean(result.plan.name),
        caution=map_words.caution_words(result),
        words=f"{map_words.day_line(result)} {wording.every_road_shut_words(result)}",
        notices=notices_of(wording.map_notice(result.network)),
        crs=result.terrain.grid.crs,
        layers=tables_of(made, result.terrain.grid.crs),
    )


def drill_scene(drill: Drill, run: Round | None = None, *, only: Pause | None = None) -> Scene:
    """Lay out what the maps of a drill show: the place, and what has burnt at the pauses of a round that is given.

    Nothing of the other pauses is in the scene of one: what participants are shown must not tell how it ends.
    """
    made: dict[str, tuple[str, str, Rows]] = {
        "home": _home(drill),
        "safe_points": _safe_points(drill),
        "streets": ("Streets", "", _street_rows(drill)),
        "fronts": ("Burnt ground", "What has burnt by each pause.", _fronts(drill, run, only=only)),
    }
    crs = drill.terrain.grid.crs
    notices = notices_of(wording.map_notice(drill.network))
    return Scene(wording.clean(drill.name), OVERRIDE, "", notices, crs, tables_of(made, crs))


def _fronts(drill: Drill, run: Round | None, *, only: Pause | None) -> Rows:
    if run is None:
        return []
    return [
        thing(
            "burnt",
            f"P{pause.number}",
            f"Burnt by {wording.clock_words(drill, pause.at_s, step_min=1)}, as far as it is known.",
            burnt_area(drill.terrain.grid, run.arrival.time_s, by_s=pause.at_s),
            at_s=pause.at_s,
            number=pause.number,
        )
        for pause in run.pauses
        if math.isfinite(pause.front_m) and only in (None, pause)
    ]


def notices_of(notice: str) -> dict[str, str]:
    """What every file of a scene carries; `notice` says whose map data the roads are, "" where none is due."""
    return {"OVERRIDE": OVERRIDE, "PLANNING_AID": PLANNING_AID, **({"NOTICE": notice} if notice else {})}


def thing(
    symbol: str,
    title: str,
    words: str,
    geometry: BaseGeometry,
    *,
    at_s: float = math.inf,
    drawn: bool = True,
    **facts: Any,
) -> dict[str, Any]:
    """One row of a table: what is told of every thing, its facts (`class_` is the column `class`), its shape."""
    told = dict(zip(TOLD, (symbol, wording.clean(title), words, at_s, drawn), strict=True))
    return {**told, **{name.rstrip("_"): fact for name, fact in facts.items()}, "geometry": geometry}


def things(symbol: Any, titles: Iterable[str], words: Any, geometry: Any, **facts: Any) -> Rows:
    """As `thing`, of very many at once: of each column what is the same for all, or a value for each."""
    columns = {**thing("", "", "", geometry, **facts), "symbol": symbol, "words": words}
    return {**columns, "title": list(map(wording.clean, titles))} if len(geometry) else []


def tables_of(made: Mapping[str, tuple[str, str, Rows]], crs: str) -> dict[str, Layer]:
    """Layers from title, words and rows by name."""
    return {
        name: Layer(
            title,
            words,
            geopandas.GeoDataFrame(rows, columns=None if rows else [*TOLD, "geometry"], geometry="geometry", crs=crs),
        )
        for name, (title, words, rows) in made.items()
    }


def _moment(result: HouseholdResult, name: str, time_s: float) -> dict[str, Any]:
    return {
        f"{name}_at_iso": wording.iso_minute(result, time_s),
        f"{name}_after_start_min": wording.minutes_down(time_s),
    }


def _home(result: HouseholdResult | Drill) -> tuple[str, str, Rows]:
    words = "Where the plan starts from."
    row = thing("home", "Home", words, Point(result.home_xy_m), name=wording.clean(result.plan.name))
    return _PLACES, "The places that the plan names.", [row]


def _safe_points(result: HouseholdResult | Drill) -> tuple[str, str, Rows]:
    rows = [
        thing(
            "safe_point" if point.kind == "safe_point" else "last_resort",
            wording.clean(point.name, _NAME_LETTERS),
            map_words.safe_point_line(point),
            Point(result.safe_point_xy_m[point.name]),
            name=wording.clean(point.name),
            kind=point.kind,
            ways=", ".join(point.ways),
        )
        for point in result.plan.safe_points
        if point.name in result.safe_point_xy_m
    ]
    return _PLACES, "The places that the plan names.", rows


def _ignitions(result: HouseholdResult) -> tuple[str, str, Rows]:
    rows = []
    for ignition, (name, positions) in zip(result.plan.ignitions, ignition_points(result), strict=True):
        at = ignition.at.astimezone(result.start.tzinfo)
        line = LineString if len(positions) > 1 else Point
        rows.append(
            thing(
                "ignition",
                f"Fire starts: {wording.clean(name, _NAME_LETTERS)}",
                f"Burns from {at.strftime('%H:%M')} in the computed day.",
                Polygon(positions) if ignition.ring else line(positions),
                at_s=(at - result.start).total_seconds(),
                name=wording.clean(name),
                burns_from_iso=at.isoformat(timespec="minutes"),
            )
        )
    return *_FIRE, rows


def _routes(result: HouseholdResult) -> tuple[str, str, Rows]:
    shown = [(way, way.route) for way in wording.shown_ways(result)]
    said = {way.way: " ".join(map_words.way_lines(result, way)) for way, _ in shown}
    without = [f"{map_words.way_name(way)}: {said[way.way]}" for way, route in shown if route is None]
    rows = [
        thing(
            way_symbol("way", way.way),
            map_words.way_name(way),
            said[way.way],
            to_grid(result, route.line),
            at_s=math.inf if way.latest_start_s is None else way.latest_start_s,
            drawn=not route.line.is_empty,
            way=way.way,
            safe_point=wording.clean(route.safe_point),
            length_m=float(route.length_m),
            likely_drive_min=wording.minutes_up(way.drive_s.p50_s),
            latest_start_iso=wording.iso_minute(result, way.latest_start_s),
            latest_departure_iso=wording.iso_minute(result, way.latest_departure_s),
            shuts_first_street=wording.clean(route.closes_first),
            **_moment(result, "shuts_first", route.closes_first_s),
        )
        for way, route in shown
        if route is not None
    ]
    return "Ways out", " ".join(["The road that each way of leaving is timed on.", *without]), rows


def _street_rows(drill: Drill) -> Rows:
    """Each stretch of road once, main roads apart."""
    network, lines = drill.network, edge_lines(drill.network, drill.terrain.grid.crs)
    return [
        thing(street_symbol(network, edge), street(network, edge), "", lines[edge])
        for edge in range(network.edge_count)
        if not 0 <= network.twin[edge] < edge
    ]


def street_symbol(network: RoadNetwork, edge: int) -> str:
    """Key of the symbol of a road: main roads are drawn broader."""
    return "main_street" if network.highway[edge].startswith(MAIN_CLASSES) else "street"


def _streets(result: HouseholdResult) -> tuple[str, str, Rows]:
    network, lines = result.network, edge_lines(result.network, result.terrain.grid.crs)
    on_route: dict[int, list[str]] = {}
    for way in wording.shown_ways(result):
        for edge in () if way.route is None else way.route.edges:
            on_route.setdefault(edge, []).append(way.way)
    rows = []
    for edge in range(network.edge_count):
        at_s = float(result.closing_s[edge])
        rows.append(
            thing(
                "shut" if math.isfinite(at_s) else street_symbol(network, edge),
                wording.street_words(street(network, edge)),
                map_words.shut_line(result, at_s) if math.isfinite(at_s) else "",
                lines[edge],
                at_s=at_s,
                edge=edge,
                osm_way_id=int(network.way_id[edge]),
                name=wording.clean(network.name[edge]),
                class_=wording.clean(network.highway[edge]),
                length_m=float(network.length_m[edge]),
                on_route_of=", ".join(on_route.get(edge, [])),
                **_moment(result, "shuts", at_s),
            )
        )
    return "Streets", "Every stretch, in each direction, and when it shuts on a middling day.", rows


def _isochrones(result: HouseholdResult) -> tuple[str, str, Rows]:
    rows = [
        thing(
            "front",
            f"Fire front at {wording.clock_words(result, front.at_s, step_min=1)}",
            map_words.front_line(result, front),
            front.area,
            at_s=front.at_s,
            drawn=not front.area.is_empty,
            **_moment(result, "reached", front.at_s),
        )
        for front in isochrones(result, most=_FRONTS)
    ]
    return *_FIRE, rows


def _triggers(result: HouseholdResult) -> tuple[str, str, Rows]:
    shown = result.rules.drawn
    rows = [
        thing(
            way_symbol("trigger", rule.way),
            f"{wording.LINE_WORDS[kind]}, {wording.clean(rule.rating, 60)}: {wording.WAY_TITLES[rule.way]}",
            map_words.trigger_line(rule, kind),
            line.area,
            drawn=any(rule is one for one in shown),
            way=rule.way,
            kind=kind,
            rating=wording.clean(rule.rating),
            confidence_share=float(line.confidence),
            needed_min=wording.minutes_up(line.ready_s),
            meaning=wording.LINE_MEANS[kind],
        )
        for rule in result.rules.rules.values()
        for kind, line in (("go", rule.go), ("late", rule.late))
        if not line.area.is_empty
    ]
    return "Trigger lines", "Where fire is too near, by rating and way of leaving, whatever the wind.", rows


def _which_way(result: HouseholdResult) -> tuple[str, str, Rows]:
    rows = [
        thing(
            "which_way",
            f"{wording.WAY_TITLES[way]}: {', '.join(area.safe_points)}",
            wording.clean(area.sentence),
            area.area,
            way=way,
            safe_points=wording.clean(", ".join(area.safe_points)),
            meaning=wording.clean(area.sentence),
        )
        for way, areas in ((rule.way, rule.ways_out) for rule in result.rules.drawn)
        for area in areas
    ]
    return "Which way out", "Which safe point leaves most time with fire inside, whatever the wind.", rows


def _shut_streets(result: HouseholdResult) -> tuple[str, str, Rows]:
    """All stretches of a street for which the same clock time is said are one thing, as are both directions.

    It has the moment of the first of them.
    """
    network, lines = result.network, edge_lines(result.network, result.terrain.grid.crs)
    stretches: dict[str, list[tuple[float, LineString]]] = {}
    for edge in np.flatnonzero(np.isfinite(result.closing_s)).tolist():
        twin = int(network.twin[edge])
        if 0 <= twin < edge and result.closing_s[twin] <= result.closing_s[edge]:
            continue
        # the whole minute of the clock, as it is written
        minute_s = 60.0 * wording.minutes_between(
            result, wording.floor_clock(clock(result, float(result.closing_s[edge])), 1)
        )
        name = wording.street_words(street(network, edge), _NAME_LETTERS)
        title = f"Shuts from {wording.clock_words(result, minute_s)}: {name}"
        stretches.setdefault(title, []).append((minute_s, lines[edge]))
    rows = []
    for title, parts in stretches.items():
        at_s, shape = min(at_s for at_s, _ in parts), shapely.MultiLineString([line for _, line in parts])
        words = map_words.shut_line(result, at_s)
        rows.append(thing("shut", title, words, shape, at_s=at_s, **_moment(result, "shuts", at_s)))
    rows.sort(key=lambda row: (row["at_s"], row["title"]))
    return "Streets that shut", "In the order in which they shut on a middling day, or earlier.", rows
