from __future__ import annotations

import warnings
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from shapely.geometry import MultiPolygon, Point, box

from leaveby.caution import OSM_NOTICE
from leaveby.household.readiness import schedule_for
from leaveby.show.figure import OVERRIDE_LINE, as_svg, blank_figure
from leaveby.show.ground import burnt_area, hill_shade, isochrones, shut_streets, trigger_edge
from leaveby.show.plan.map import describe_map, plan_map
from leaveby.show.plan.plots import clear_curve, describe_tasks, task_bars
from leaveby.show.plan.timetable import describe_timetable, timetable_bar

SVG = "{http://www.w3.org/2000/svg}"


def letters(text: str) -> list[str]:
    return [
        "".join(element.itertext()).strip()
        for element in ElementTree.fromstring(text).iter()
        if element.tag == f"{SVG}text"
    ]


@pytest.fixture(params=["clear", "tasks", "timetable", "map"])
def drawing(request):
    return {
        "clear": clear_curve,
        "tasks": lambda result: task_bars(result, "tow"),
        "timetable": timetable_bar,
        "map": plan_map,
    }[request.param]


def test_every_figure_carries_the_override_line_and_its_alternative(drawing, result):
    text = as_svg(drawing(result), "A title & more", "What it says <b>")
    assert OVERRIDE_LINE in letters(text)
    root = ElementTree.fromstring(text)
    assert root.get("role") == "img"
    assert root[0].tag == f"{SVG}title"
    assert root[0].text == "A title & more"
    assert root[1].tag == f"{SVG}desc"
    assert root[1].text == "What it says <b>"
    assert not [element for element in root.iter() if element.tag.endswith("metadata")]


def test_the_same_answer_gives_the_same_picture(drawing, invented):
    pictures = {as_svg(drawing(invented.invented_result()), "t", "d") for _ in range(2)}
    assert len(pictures) == 1


def test_drawing_leaves_the_callers_settings_alone(drawing, result):
    before = dict(mpl.rcParams)
    as_svg(drawing(result), "t", "d")
    assert dict(mpl.rcParams) == before


def test_figures_can_be_shown_as_pixels_too(drawing, result):
    figure = drawing(result)
    canvas = FigureCanvasAgg(figure)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        canvas.draw()
    assert np.asarray(canvas.buffer_rgba())[..., :3].min() < 60


def test_two_figures_in_one_page_share_no_identifier(result):
    first = as_svg(clear_curve(result), "one", "d")
    second = as_svg(clear_curve(result), "two", "d")
    ids = [
        {element.get("id") for element in ElementTree.fromstring(text).iter() if element.get("id")}
        for text in (first, second)
    ]
    assert ids[0]
    assert not ids[0] & ids[1]


def test_references_inside_a_figure_still_find_their_target(result):
    root = ElementTree.fromstring(as_svg(plan_map(result), "map", "d"))
    ids = {element.get("id") for element in root.iter()}
    for element in root.iter():
        for name, value in element.attrib.items():
            if name.endswith("href") and value.startswith("#"):
                assert value[1:] in ids
            if value.startswith("url(#"):
                assert value[5:-1] in ids


def test_text_with_markup_or_mathematics_stays_text():
    figure = blank_figure(40.0, 20.0)
    figure.text(0.1, 0.5, "<b>$x_1$</b> & \\frac", parse_math=False)
    assert "<b>$x_1$</b> & \\frac" in letters(as_svg(figure, "t", "d"))


def test_the_map_names_home_fire_places_streets_and_the_source(result):
    written = letters(as_svg(plan_map(result), "map", "d"))
    for words in (
        "Home",
        "Quarrel Flat showground",
        "Sallow hall oval",
        "Lightning on Tannery Ridge, 12:40",
        OSM_NOTICE,
        "N",
    ):
        assert words in written
    assert "Valley Road" in written
    assert any(words.endswith("km") for words in written)
    assert {"1", "2", "3"} <= set(written)
    assert {"14:00", "15:00"} <= set(written)
    assert "towing: fire inside: leave the house" in written


def test_the_map_says_the_same_in_words(result):
    words = describe_map(result)
    assert "north-west of your home" in words
    assert "Sallow Spur Road" in words
    assert "fire inside this line is too near to start to tow" in words


def test_streets_are_listed_in_the_order_in_which_they_shut(result):
    shut = shut_streets(result, result.ways["tow"].route)
    assert [street.at_s for street in shut] == sorted(street.at_s for street in shut)
    assert shut[0].street == result.ways["tow"].route.closes_first
    assert shut[0].at_s == result.ways["tow"].route.closes_first_s


def test_isochrones_grow_and_stand_on_whole_clock_steps(result):
    areas = isochrones(result, most=8)
    assert 2 <= len(areas) <= 9
    for inner, outer in pairwise(areas):
        assert outer.at_s > inner.at_s
        assert outer.area.buffer(0.01).covers(inner.area)
    assert all((12 * 60 + 40 + area.at_s / 60.0) % 5 == 0 for area in areas)


def test_a_round_fire_has_the_area_of_a_circle(invented):
    # Geometry: a fire of even speed without wind has burnt pi r^2; cells of 50 m make it 1 % uneven at r = 3 km.
    grid = invented.GRID
    rows, cols = np.mgrid[0 : grid.rows, 0 : grid.cols]
    distance_m = np.hypot((cols - 100) * grid.cell_m, (rows - 100) * grid.cell_m)
    area = burnt_area(grid, distance_m / 1.0, by_s=3000.0)
    assert area.area == pytest.approx(np.pi * 3000.0**2, rel=0.01)
    middle = Point(grid.x_min_m + 100.5 * grid.cell_m, grid.y_max_m - 100.5 * grid.cell_m)
    assert area.centroid.distance(middle) < 1.0


def test_slopes_that_face_the_light_are_brighter():
    # Lambert's cosine law with the light in the north-west, 45 degrees up: a slope of 45 degrees that faces it is lit
    # in full, one that faces away not at all.
    rows, cols = np.mgrid[0:9, 0:9] * 30.0
    towards = (rows + cols) / np.sqrt(2.0)
    assert hill_shade(towards, 30.0)[4, 4] == pytest.approx(1.0)
    assert hill_shade(-towards, 30.0)[4, 4] == pytest.approx(0.0, abs=1e-12)
    assert hill_shade(np.zeros((9, 9)), 30.0)[4, 4] == pytest.approx(np.sqrt(0.5))


def test_critical_tasks_are_marked_and_told(result):
    written = letters(as_svg(task_bars(result, "tow"), "t", "d"))
    assert "refit the wheels ●" in written
    assert "drain the water" in written
    assert "refit the wheels: 0 to 40, Ines, Bo, decides when you can go." in describe_tasks(result, "tow")


def test_who_is_waited_for_is_drawn_and_told(result):
    ines, bo, wren = result.plan.people
    away = replace(bo, arrives_after_s=2100.0, arrives_soonest_s=1200.0, arrives_latest_s=5400.0)
    people = (ines, away, replace(wren, arrives_after_s=1500.0))
    tow = replace(result.ways["tow"], held_up_by={"Bo": 0.9, "Wren (child)": 0.02})
    waiting = replace(result, plan=replace(result.plan, people=people), ways={**result.ways, "tow": tow})
    written = letters(as_svg(task_bars(waiting, "tow"), "t", "d"))
    for words in ("Bo comes home ●", "in 20 to 90 min", "Wren (child) comes home", "in 25 min"):
        assert words in written
    told = describe_tasks(waiting, "tow")
    assert "Bo comes home in 20 to 90 min, likely 35, and that decides when you can go." in told
    assert "Wren (child) comes home in 25 min, seldom the last thing to wait for." in told
    assert told.endswith("and everyone comes home at the likely time.")
    assert "comes home" not in describe_tasks(result, "tow")
    idle = replace(tow, schedule=schedule_for(replace(waiting.plan, tasks=()), "tow"), critical_share={})
    alone = letters(as_svg(task_bars(replace(waiting, ways={"tow": idle}), "tow"), "t", "d"))
    assert "Bo comes home ●" in alone
    assert "nothing to do before leaving" not in alone


def test_a_way_with_nothing_to_do_can_be_drawn(result):
    idle = replace(
        result.ways["foot"].schedule,
        tasks=(),
        start_s=(),
        finish_s=(),
        who=(),
        ready_s=0.0,
        float_s=(),
        critical=(),
        order=(),
        waits_for=(),
    )
    ways = {"foot": replace(result.ways["foot"], schedule=idle, critical_share={})}
    assert "nothing to do before leaving" in letters(as_svg(task_bars(replace(result, ways=ways), "foot"), "t", "d"))


def trigger_over(result, invented, area):
    lines = [replace(line, area=area) for line in invented.invented_triggers()]
    return replace(result, rules=invented.invented_rules(lines=lines))


def test_a_trigger_area_that_covers_the_map_is_told_in_words(result, invented):
    grid = invented.GRID
    everywhere = MultiPolygon(
        [
            box(
                grid.x_min_m,
                grid.y_max_m - grid.rows * grid.cell_m,
                grid.x_min_m + grid.cols * grid.cell_m,
                grid.y_max_m,
            )
        ]
    )
    words = describe_map(trigger_over(result, invented, everywhere))
    assert "On days rated Extreme, fire anywhere on this map is too near to start to tow" in words
    assert "inside this line" not in words


def test_ponds_inside_a_trigger_area_draw_no_line(result, invented):
    grid = invented.GRID
    home = Point(invented.HOME)
    pond = home.buffer(60.0, quad_segs=2)
    line = invented.invented_triggers()[0]
    whole = trigger_edge(result, replace(line, area=MultiPolygon([home.buffer(900.0)])), home.buffer(1e5))
    holed = MultiPolygon([home.buffer(900.0).difference(pond)])
    assert pond.area < 30 * grid.cell_m**2
    assert trigger_edge(result, replace(line, area=holed), home.buffer(1e5)).equals(whole)


def test_the_first_streets_to_shut_are_all_listed_even_without_room_on_the_map(result):
    first = shut_streets(result, result.ways["tow"].route)[0]
    along = [first.line.interpolate(share, normalized=True) for share in np.linspace(0.0, 1.0, 41)]
    crowded = result.safe_point_xy_m | {str(number): (point.x, point.y) for number, point in enumerate(along)}
    crowd = replace(result, safe_point_xy_m=crowded)
    written = letters(as_svg(plan_map(crowd), "map", "d"))
    assert "1 Sallow Spur Road at 14:30" in describe_map(crowd)
    assert "1" not in written
    assert written.count("2") == 1


def test_the_timetable_names_both_sides_of_the_decision(result):
    written = letters(as_svg(timetable_bar(result), "t", "d"))
    assert any(words.startswith("LEAVE towing") for words in written)
    assert any(words.startswith("SHELTER") for words in written)
    words = describe_timetable(result)
    for row in result.timetable:
        assert row.sentence in words


def test_clock_labels_stand_on_whole_steps(result):
    # Common practice, no source: hours and their even parts on a clock axis.
    figure = clear_curve(result)
    labels = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    minutes = [int(label[:2]) * 60 + int(label[3:]) for label in labels]
    steps = {after - before for before, after in pairwise(minutes)}
    assert len(steps) == 1
    step = steps.pop()
    assert 60 % step == 0 or step % 60 == 0
    assert all(minute % step == 0 for minute in minutes)


def test_the_curve_is_drawn_through_the_shares_it_was_given(result):
    figure = clear_curve(result)
    lines = {line.get_label(): line for line in figure.axes[0].get_lines()}
    for name, label in (("tow", "towing"), ("car", "car"), ("foot", "foot")):
        x_min, y = lines[label].get_data()
        assert np.allclose(x_min * 60.0, result.ways[name].start_s)
        assert np.allclose(y / 100.0, result.ways[name].clear_probability)
