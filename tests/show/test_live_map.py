"""The maps that can be moved: they hold what the answer holds, where it is, as text, and fetch nothing."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import matplotlib.image
import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

from leaveby.ask.household import demo_folder
from leaveby.ask.streets import read_raster, survey_streets
from leaveby.caution import OSM_NOTICE, OVERRIDE
from leaveby.decision.streets.result import StreetSurvey
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import InputError
from leaveby.fire.terrain import Grid
from leaveby.notebook.drives import RoadArea, drive_answer, our_roads
from leaveby.notebook.live.ground import (
    PANES,
    Layer,
    LiveSheet,
    Mark,
    Picture,
    hills,
    lon_lat,
    to_wgs84,
    window_and_zoom,
    window_around,
)
from leaveby.notebook.live.layers import (
    class_words,
    household_sheet,
    moment_layers,
    moment_words,
    moments_s,
    stretches,
)
from leaveby.notebook.live.map import legend_html, live_map, mark_html, words_down
from leaveby.notebook.live.roads import group_layer, road_sheet, survey_sheet
from leaveby.notebook.panel_streets import street_panel
from leaveby.notebook.road_words import edges_by_band
from leaveby.show.ground import ignition_points, isochrones, shown_triggers, shut_streets
from leaveby.show.plan.map import drawn_routes, last_that_matters_s
from leaveby.show.streets.scene import called
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import WAY_TITLES, clock_words
from smaller import Once

CRS = "EPSG:32755"
NASTY = "<img src=x onerror=alert(1)>&\u202eRow"


@pytest.fixture(scope="module")
def sheet(result: HouseholdResult) -> LiveSheet:
    return household_sheet(result)


@pytest.fixture(scope="module")
def area() -> RoadArea:
    return our_roads(demo_folder() / "plan.toml")


@pytest.fixture(scope="module")
def survey(once: Once) -> StreetSurvey:
    return once(survey_streets, demo_folder() / "roads.osm", terrain=demo_folder() / "terrain.tif")


def layer(sheet: LiveSheet, name: str) -> Layer:
    return next(one for one in sheet.layers if one.name.startswith(name))


def back_to_metres(geometry: Any, crs: str = CRS) -> Any:
    change = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    return shapely.transform(geometry, lambda points: np.column_stack(change.transform(points[:, 0], points[:, 1])))


def all_widgets(panel: Any) -> list[Any]:
    """The panel and everything in it: children, layers, controls, icons, popups."""
    found, waiting = [], [panel]
    while waiting:
        one = waiting.pop()
        if one in found:
            continue
        found.append(one)
        for name in ("children", "layers", "controls"):
            waiting.extend(getattr(one, name, ()))
        waiting.extend(
            inner for name in ("icon", "popup", "widget") if (inner := getattr(one, name, None)) and inner.comm
        )
    return found


# --- where things lie ----------------------------------------------------------------------------------------------


def test_a_place_comes_out_where_the_projection_says() -> None:
    """On the central meridian of zone 55 (147 degrees east) 500 km of false easting; its scale there is 0.9996, so the
    arc from the equator is 4,000,000 / 0.9996 m. Source: the definition of UTM; the arc from pyproj's geodesics."""
    lon_deg, lat_deg = lon_lat(500_000.0, 6_000_000.0, CRS)
    assert lon_deg == 147.0
    arc_m = Geod(ellps="WGS84").inv(147.0, 0.0, 147.0, lat_deg)[2]
    assert arc_m == pytest.approx((10_000_000.0 - 6_000_000.0) / 0.9996, abs=1.0)


def test_long_straight_lines_bend_as_they_do_on_the_web_map() -> None:
    line = shapely.LineString([(480_000.0, 6_000_000.0), (520_000.0, 6_000_000.0)])
    moved = to_wgs84(line, CRS)
    to_web = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    from_web = Transformer.from_crs("EPSG:3857", CRS, always_xy=True)
    # The middle of each straight piece as it is drawn, brought back to the ground.
    x, y = to_web.transform(*np.array(moved.coords).T)
    back = np.column_stack(from_web.transform((x[1:] + x[:-1]) / 2.0, (y[1:] + y[:-1]) / 2.0))
    assert np.abs(back[:, 1] - 6_000_000.0).max() < 0.05


def test_every_stretch_lies_within_a_metre_of_the_road(result: HouseholdResult) -> None:
    roads = stretches(result.network, result.closing_s)
    assert roads.lines.size == result.network.edge_count / 2
    for line, edge in zip(roads.lines, roads.edge.tolist(), strict=True):
        assert shapely.hausdorff_distance(back_to_metres(line), result.network.geometry[edge]) < 0.05


def test_home_and_safe_points_lie_on_their_places(result: HouseholdResult, sheet: LiveSheet) -> None:
    marks = {mark.text: mark for mark in layer(sheet, "Home").marks}
    wanted = {"Home": result.home_xy_m, **result.safe_point_xy_m}
    for name, place in wanted.items():
        at = back_to_metres(shapely.Point(marks[name].lon_deg, marks[name].lat_deg))
        assert at.distance(shapely.Point(place)) < 0.05
    assert {mark.sign for mark in marks.values()} == {"home", "safe_point", "last_resort"}
    (fire,) = layer(sheet, "Where the fire starts").marks
    assert fire.sign == "ignition"
    at = back_to_metres(shapely.Point(fire.lon_deg, fire.lat_deg))
    assert at.distance(shapely.Point(ignition_points(result)[0][1][0])) < 0.05
    # The invented home stands at the end of its street.
    street = layer(sheet, "Streets").shapes[0].geometry
    assert street.distance(shapely.Point(marks["Home"].lon_deg, marks["Home"].lat_deg)) < 1e-6


def test_ways_fronts_and_triggers_are_those_of_the_answer(result: HouseholdResult, sheet: LiveSheet) -> None:
    routes = drawn_routes(result)
    drawn = [one for one in sheet.layers if one.name.startswith("Way out")]
    assert len(drawn) == sum(len(names) for names, _ in routes) == 3
    assert {one.name.split(": to ")[1] for one in drawn} == {route.safe_point for _, route in routes}
    for names, route in routes:
        for name in names:
            shape = layer(sheet, f"Way out: {WAY_TITLES[name]}").shapes[-1]
            assert shapely.hausdorff_distance(back_to_metres(shape.geometry), route.line) < 1.0
            assert shape.look.colour == SYMBOLS[f"way_{name}"].colour
    fronts = layer(sheet, "Fire front")
    moments = [front.at_s for front in isochrones(result, most=16) if front.at_s <= last_that_matters_s(result)]
    assert [mark.text for mark in fronts.marks] == [clock_words(result, at_s, step_min=1) for at_s in moments]
    reached_s = result.fire.arrival.time_s
    grid = result.terrain.grid
    for shape, at_s in zip(fronts.shapes, moments, strict=True):
        points = shapely.get_coordinates(back_to_metres(shape.geometry))
        rows = ((grid.y_max_m - points[:, 1]) / grid.cell_m).astype(int)
        cols = ((points[:, 0] - grid.x_min_m) / grid.cell_m).astype(int)
        off_s = np.abs(reached_s[rows, cols] - at_s)
        # Within the cell of a point the fire passes at that moment: it needs at most minutes for a cell.
        assert np.median(off_s) < 200.0
    triggers = [one for one in sheet.layers if one.name.startswith("Trigger line")]
    assert len(triggers) == len(shown_triggers(result)) == 2
    for one, trigger in zip(triggers, shown_triggers(result), strict=True):
        line = back_to_metres(one.shapes[-1].geometry)
        assert shapely.hausdorff_distance(line, trigger.area.boundary.intersection(line.buffer(5.0))) < 1.0


def test_numbers_stand_in_the_order_of_closing(result: HouseholdResult, sheet: LiveSheet) -> None:
    order = [street.street for street in shut_streets(result, result.ways["tow"].route)]  # type: ignore[arg-type]
    numbers = layer(sheet, "What shuts first")
    assert [mark.text for mark in numbers.marks] == [str(number + 1) for number in range(len(order))]
    assert [words.split(" ", 1)[1] for _, words in numbers.meanings[1:]] == order


def test_streets_tell_their_name_class_and_closing(result: HouseholdResult, sheet: LiveSheet) -> None:
    touched = [shape for shape in layer(sheet, "Streets").shapes if shape.pane == "touch"]
    told = {shape.words[0]: shape.words for shape in touched}
    assert told["Old Hall Track"][1] == class_words("track") == "track"
    assert told["Hall Road"][1] == "connecting road"
    first = min(result.closing_s[[10, 11]])
    assert clock_words(result, float(first)) in told["Old Hall Track"][2]
    assert "may shut earlier" in told["Old Hall Track"][2]
    assert any("On the way out (towing and car)" in words for words in told["Tannery Lane"])
    unshut = [shape.words[2] for shape in touched if "Shuts at" not in shape.words[2]]
    assert all(words == "No closing was computed for it; it may shut at any time." for words in unshut)
    assert sum(len(shape.geometry.geoms) for shape in touched) == result.network.edge_count / 2


# --- the hills -----------------------------------------------------------------------------------------------------


def pixels(picture: Picture) -> Any:
    head, body = picture.url.split(",", 1)
    assert head == "data:image/png;base64"
    return matplotlib.image.imread(io.BytesIO(base64.b64decode(body)))


def test_hills_lie_under_their_lines() -> None:
    """A cone of known place: its bright north-west and dark south-east flank meet over it, in web-map projection."""
    grid = Grid(x_min_m=670_000.0, y_max_m=6_006_000.0, cell_m=50.0, rows=200, cols=160, crs=CRS)
    rows, cols = np.mgrid[0 : grid.rows, 0 : grid.cols]
    top = (677_025.0, 5_999_975.0)
    x_m, y_m = grid.x_min_m + (cols + 0.5) * 50.0, grid.y_max_m - (rows + 0.5) * 50.0
    cone = np.maximum(0.0, 500.0 - np.hypot(x_m - top[0], y_m - top[1]))
    picture = hills(grid, cone)
    seen = pixels(picture)
    to_web = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    west, south = to_web.transform(picture.west_deg, picture.south_deg)
    east, north = to_web.transform(picture.east_deg, picture.north_deg)
    shade = np.where(seen[..., 3] > 0.5, seen[..., 0], np.nan)
    flat = np.nanmedian(shade)
    steep = np.abs(shade - flat) > 0.05
    row, col = ((where.min() + where.max() + 1.0) / 2.0 for where in np.nonzero(steep))
    place = Transformer.from_crs("EPSG:3857", CRS, always_xy=True).transform(
        west + col / seen.shape[1] * (east - west), north - row / seen.shape[0] * (north - south)
    )
    assert np.hypot(place[0] - top[0], place[1] - top[1]) < 1.5 * grid.cell_m
    middle = np.array(np.nonzero(steep & (shade > flat))).mean(axis=1)
    assert middle[0] + 0.5 < row
    assert middle[1] + 0.5 < col
    # Nothing is drawn beyond the terrain, and its corners are on the picture.
    assert seen[..., 3].min() == 0.0
    for corner in ((670_000.0, 6_006_000.0), (678_000.0, 5_996_000.0)):
        lon_deg, lat_deg = lon_lat(*corner, CRS)
        assert picture.west_deg - 1e-6 <= lon_deg <= picture.east_deg + 1e-6
        assert picture.south_deg - 1e-6 <= lat_deg <= picture.north_deg + 1e-6


def test_a_large_terrain_makes_a_small_picture() -> None:
    grid = Grid(x_min_m=600_000.0, y_max_m=6_100_000.0, cell_m=20.0, rows=2001, cols=1999, crs=CRS)
    picture = hills(grid, np.zeros(grid.shape))
    assert max(pixels(picture).shape) <= 1000
    assert len(picture.url) < 2_000_000


def test_the_first_view_shows_all_that_matters(result: HouseholdResult, sheet: LiveSheet) -> None:
    west, south, east, north = sheet.window_deg
    for one in (*layer(sheet, "Home").marks, *layer(sheet, "What shuts first").marks):
        if one.sign != "last_resort":
            assert west < one.lon_deg < east
            assert south < one.lat_deg < north
    middle, zoom = window_and_zoom(sheet.window_deg, width_px=800.0, height_px=560.0)
    assert south < middle[0] < north
    # Ground in one pixel at this zoom (equator 40,075,017 m over 256 px, common practice of web maps).
    metre_px = 40_075_017.0 * np.cos(np.radians(middle[0])) / 256.0 / 2.0**zoom
    high_m = Geod(ellps="WGS84").inv(west, south, west, north)[2]
    assert 0.7 * 560.0 < high_m / metre_px <= 561.0
    assert window_around(np.array([result.home_xy_m]), CRS)[0] < west + 1.0


# --- names are text ------------------------------------------------------------------------------------------------


def test_names_are_never_html(invented: ModuleType) -> None:
    result = invented.invented_result(street=NASTY, name=NASTY)
    points = tuple(replace(one, name=f"{NASTY}{number}") for number, one in enumerate(result.plan.safe_points))
    places = dict(zip([one.name for one in points], result.safe_point_xy_m.values(), strict=True))
    plan = replace(result.plan, safe_points=points, ignitions=(replace(result.plan.ignitions[0], name=NASTY),))
    ways = {
        name: replace(way, route=way.route and replace(way.route, safe_point=points[0].name), why=NASTY)
        for name, way in result.ways.items()
    }
    panel = live_map(replace(result, plan=plan, safe_point_xy_m=places, ways=ways))
    chart = next(one for one in all_widgets(panel) if type(one).__name__ == "Map")
    hovered = [one for group in chart.layers for one in getattr(group, "layers", ()) if hasattr(one, "data")]
    features = [feature for one in hovered for feature in one.data["features"]]
    nasty = next(feature for feature in features if "<img" in str(feature["properties"]["words"]))
    for one in hovered:
        one._handle_mouse_events(None, {"event": "mouseover", "feature": nasty, "coordinates": [0, 0]}, [])
        one._handle_mouse_events(None, {"event": "click", "feature": nasty, "coordinates": [0, 0]}, [])
    read_as_html = [
        str(getattr(one, name))
        for one in all_widgets(panel)
        for name in ("value", "html", "name", "prefix", "description")
        if isinstance(getattr(one, name, None), str)
    ]
    assert sum("&lt;img src=x" in text for text in read_as_html) >= 6
    assert not [text for text in read_as_html if "<img" in text or "\u202e" in text]


def test_marks_and_legend_escape() -> None:
    assert "&lt;img" in mark_html(Mark(0.0, 0.0, "safe_point", NASTY))
    assert "<img" not in mark_html(Mark(0.0, 0.0, "number", NASTY))
    assert "<img" not in legend_html([("1", NASTY)], NASTY)


# --- the panel -----------------------------------------------------------------------------------------------------


def test_nothing_is_fetched_and_every_caution_stands(result: HouseholdResult) -> None:
    panel = live_map(result)
    widgets = all_widgets(panel)
    chart = next(one for one in widgets if type(one).__name__ == "Map")
    assert not [one for one in widgets if "Tile" in type(one).__name__]
    state = json.dumps([{k: v for k, v in one.get_state().items() if k != "url"} for one in widgets], default=str)
    state, signs = re.subn(r"url\(data:image/png;base64,[A-Za-z0-9+/=]+\)", "", state)
    assert signs >= 8
    assert re.findall(r"(?:https?:)?//[a-z]|url\(", state) == []
    assert "<svg" not in state
    urls = [one.url for one in widgets if hasattr(one, "url")]
    assert len(urls) == 1
    assert urls[0].startswith("data:image/png;base64,")
    controls = {type(one).__name__: one for one in chart.controls}
    assert {"ZoomControl", "LayersControl", "ScaleControl", "AttributionControl", "WidgetControl"} == set(controls)
    assert controls["AttributionControl"].prefix == OSM_NOTICE
    shown = [one.value for one in widgets if type(one).__name__ == "HTML"]
    assert OVERRIDE in shown[0] or any(OVERRIDE in text for text in shown)
    assert any("the same in words" in text and "Quarrel Flat showground" in text for text in shown)
    assert any("What you see" in text and OSM_NOTICE in text for text in shown)
    # The first holds the words of what is tapped and has no switch.
    assert [one.base for one in chart.layers] == [True] + [False] * 14
    names = [group.name for group in chart.layers[1:]]
    assert len(set(names)) == len(names) == 14
    assert chart.panes == {name: {"zIndex": level} for name, level in PANES.items()}
    lines = [one for one in widgets if type(one).__name__ == "GeoJSON"]
    # The pane has to be among what reaches the lines, or burnt ground would cover the streets after a move.
    assert all("pane" in one.options and one.pane in PANES for one in lines)


def test_pointing_and_tapping_say_what_it_is(result: HouseholdResult) -> None:
    panel = live_map(result)
    chart = next(one for one in all_widgets(panel) if type(one).__name__ == "Map")
    box = next(one for one in chart.controls if type(one).__name__ == "WidgetControl").widget
    streets = next(group for group in chart.layers if group.name == "Streets")
    touched = next(one for one in streets.layers if one.pane == "touch")
    feature = next(one for one in touched.data["features"] if one["properties"]["words"][0] == "Old Hall Track")
    touched._handle_mouse_events(None, {"event": "mouseover", "feature": feature}, [])
    assert "<b>Old Hall Track</b><br>track<br>Shuts at" in box.value
    touched._handle_mouse_events(None, {"event": "click", "feature": feature, "coordinates": [-36.5, 147.25]}, [])
    # A popup's content that leaves the page unseen is an error there ("Widget is not attached"): no layer that is
    # dropped may have one, so all share the one of the ground, which stays.
    holders = [one for one in all_widgets(panel) if getattr(one, "popup", None) is not None]
    assert holders == [chart.layers[0]]
    assert holders[0].popup.child.value == box.value
    assert holders[0].location == [-36.5, 147.25]


def test_the_slider_changes_data_and_words_and_nothing_else(
    result: HouseholdResult, nothing_more_is_solved: Callable[[], None]
) -> None:
    panel = live_map(result)
    widgets = all_widgets(panel)
    chart = next(one for one in widgets if type(one).__name__ == "Map")
    slider = next(one for one in widgets if type(one).__name__ == "SelectionSlider")
    burnt, shut = (next(group for group in chart.layers if group.name.startswith(word)) for word in ("Burnt", "Shut"))
    told = panel.children[1].children[2]
    before = list(chart.layers)
    moments = moments_s(result)
    slider.value = moments[0]
    assert shut.layers == ()
    nothing_more_is_solved()
    areas, lengths = [], []
    for at_s in moments[1:]:
        slider.value = at_s
        features = [feature for one in burnt.layers for feature in one.data["features"]]
        areas.append(shapely.geometry.shape(features[0]["geometry"]).area if features else 0.0)
        lines = [feature for one in shut.layers for feature in one.data["features"]]
        lengths.append(len(lines[0]["geometry"]["coordinates"]) if lines else 0)
        assert clock_words(result, at_s, step_min=1) in told.value
    assert np.all(np.diff(areas) >= 0.0)
    assert areas[-1] > areas[0] > 0.0
    assert np.all(np.diff(lengths) >= 0)
    roads = stretches(result.network, result.closing_s)
    assert lengths[-1] == int((roads.closing_s <= moments[-1]).sum()) > 0
    assert list(chart.layers) == before


def test_what_the_moment_shows_is_what_the_answer_holds(result: HouseholdResult) -> None:
    roads = stretches(result.network, result.closing_s)
    late_s = moments_s(result)[-1]
    area = back_to_metres(moment_layers(result, roads, at_s=late_s)[0].shapes[0].geometry)
    burnt = result.fire.arrival.time_s <= late_s
    assert area.area == pytest.approx(burnt.sum() * result.terrain.grid.cell_m**2, rel=0.01)
    words = moment_words(result, roads, at_s=late_s)
    assert "the fire may be faster" in words[0]
    assert "Towing the house: shut on more than half of such days." in words
    assert moment_layers(result, roads, at_s=-1e9)[1].shapes == ()
    early = moment_words(result, roads, at_s=600.0)
    assert "which does not mean that all are open" in early[1]
    assert "to the north" in early[0]
    assert "Nothing has burnt yet" in moment_words(result, roads, at_s=0.0)[0]
    closed = replace(result, ways={"foot": replace(result.ways["foot"], latest_start_s=None, why="No path is mapped.")})
    assert moment_words(closed, roads, at_s=0.0)[-2] == "On foot: No path is mapped."


def test_a_fire_that_never_comes(result: HouseholdResult) -> None:
    never = replace(result.fire.arrival, time_s=np.full(result.terrain.grid.shape, np.inf))
    calm = replace(
        result, fire=replace(result.fire, arrival=never), closing_s=np.full(result.network.edge_count, np.inf)
    )
    assert moment_layers(calm, stretches(calm.network), at_s=600.0)[0].shapes == ()
    sheet = household_sheet(calm)
    assert layer(sheet, "Fire front").shapes == ()
    assert "may still shut" in layer(sheet, "What shuts first").meanings[0][1]
    assert live_map(calm).children


# --- roads and single exits ----------------------------------------------------------------------------------------


def test_the_map_of_the_roads_holds_every_stretch(area: RoadArea) -> None:
    answer = drive_answer(area, "tow", vehicle=area.vehicles["tow"])
    sheet = road_sheet(area, answer)
    bands = edges_by_band(area, answer)
    drawn = [one for one in sheet.layers if "from home" in one.name or "no way leads" in one.name]
    assert len(drawn) == sum(bool(edges) for edges in bands)
    for one, edges in zip(drawn, [edges for edges in bands if edges], strict=True):
        assert len(one.shapes[1].geometry.geoms) == len(edges)
    closed = layer(sheet, "Shut to this vehicle")
    assert sum(len(shape.geometry.geoms) for shape in closed.shapes if shape.pane == "under") == sum(
        len(stretch.edges) for stretch in answer.closed
    )
    assert any("3.8" in words for _, words in closed.meanings)
    assert sheet.notice == ""  # the demo's place is invented, and its road file says so
    assert road_sheet(replace(area, network=replace(area.network, from_osm=True)), answer).notice == OSM_NOTICE


def test_the_map_of_single_exits_counts_as_the_survey(survey: StreetSurvey) -> None:
    heights = read_raster(demo_folder() / "terrain.tif", crs=survey.streets.crs, what="terrain")
    sheet = survey_sheet(survey, heights=heights)
    assert sheet.picture is not None
    assert sheet.picture.west_deg < sheet.window_deg[0]
    # The demo's terrain ends before the picture does: it is clear there, and dark and light where it is.
    seen = pixels(sheet.picture)
    assert seen[..., 3].min() == 0.0
    assert np.ptp(seen[..., 0][seen[..., 3] > 0.5]) > 0.05
    streets, found = survey.streets, survey.found
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    drawn = [one for one in sheet.layers if "have to pass here" in one.name or one.name == "Other streets"]
    assert sum(len(one.shapes[1].geometry.geoms) for one in drawn) == int(streets.driven.sum())
    for one in drawn[1:]:
        least = min(float(shape.words[2].split(" ")[0]) for shape in one.shapes if shape.pane == "touch")
        most = max(float(shape.words[2].split(" ")[0]) for shape in one.shapes if shape.pane == "touch")
        assert 0.0 < least <= most <= behind.max()
    groups = layer(sheet, "Groups")
    assert [mark.text for mark in groups.marks] == [str(group.number) for group in survey.notable[:25]]
    first = survey.notable[0]
    assert groups.meanings[0] == ("1", f"{called(first)}: {first.homes:g} homes")
    at = back_to_metres(shapely.Point(groups.marks[0].lon_deg, groups.marks[0].lat_deg), streets.crs)
    assert at.distance(shapely.Point(first.x_m, first.y_m)) < 0.05
    assert survey_sheet(replace(survey, from_osm=False)).notice == ""
    panel = street_panel(survey, terrain=demo_folder() / "terrain.tif")
    assert OVERRIDE in panel.children[0].value
    assert "homes have a street or junction" in panel.children[3].children[-1].value


def test_a_legend_of_many_groups_says_where_the_others_are(survey: StreetSurvey) -> None:
    """Twelve signs on the map, ten in the legend: the eleventh's meaning is the table."""
    one = survey.groups[0]
    few, many = (group_layer(survey, [replace(one, number=at + 1) for at in range(count)]) for count in (10, 12))
    assert [sign for sign, _ in few.meanings] == [str(at) for at in range(1, 11)]
    assert [mark.text for mark in many.marks] == [str(at) for at in range(1, 13)]
    assert many.meanings[10:] == (("11", "This and what comes after it: see the table"),)


def test_without_the_libraries_it_says_how_to_get_them(
    result: HouseholdResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> ModuleType:
        raise ImportError(name)

    monkeypatch.setattr("leaveby.notebook.widgets.import_module", missing)
    with pytest.raises(InputError, match=r"leaveby\[lab\]"):
        live_map(result)


def test_notebooks_carry_the_maps() -> None:
    folder = Path(__file__).resolve().parents[2] / "notebooks"
    for name, call in (
        ("01_leave_early", "live_map(result)"),
        ("02_our_roads", "road_panel(area, way=WAY)"),
        ("04_dead_end_streets", "street_panel(answer"),
        ("05_drill", "drill_panel(drill)"),
    ):
        assert call in (folder / f"{name}.py").read_text(encoding="utf-8")


def test_words_move_up_or_down_where_a_sign_stands_in_their_way() -> None:
    """At zoom 12 a degree of longitude is 256 x 2^12 / 360 = 2,913 pixels (common practice of web maps, no source)."""
    hall, green = Mark(147.0, -36.0, "safe_point", "The hall"), Mark(147.01, -36.0, "safe_point", "Green")
    north, south = replace(green, lat_deg=-35.997), replace(green, lat_deg=-36.01)
    assert words_down(hall, (hall, green), zoom=12.0) == -1
    assert words_down(hall, (hall, north), zoom=12.0) == 1
    assert words_down(green, (hall, green), zoom=12.0) == 0
    assert words_down(hall, (hall, south, replace(green, lon_deg=147.1)), zoom=12.0) == 0
    assert words_down(hall, (hall, replace(green, lon_deg=147.1)), zoom=8.0) == -1
    assert words_down(hall, (hall, replace(green, sign="number"), replace(green, sign="")), zoom=12.0) == 0
    tops = [re.search(r"left:12px;top:(-?[0-9.]+)em", mark_html(hall, lines_down=down)) for down in (-1, 0, 1)]
    assert [found[1] for found in tops if found] == ["-1.55", "-0.6", "0.35"]
