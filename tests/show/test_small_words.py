"""The small words and signs that the notebooks are put together from; by hand, common practice, no source."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from leaveby.fire.spread.ellipse import length_to_breadth
from leaveby.notebook import road_words, speeds
from leaveby.notebook.checks import checks_table
from leaveby.notebook.drives import reason_words
from leaveby.notebook.fire_day import FireDay, courses, fuels_to_choose, model_speeds
from leaveby.notebook.live import ground, layers
from leaveby.notebook.live.map import legend_html, mark_html
from leaveby.notebook.panel_speeds import notes
from leaveby.notebook.widgets import Html, table
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.units import METRIC, MILES_AND_FEET, m_s_from_km_h
from leaveby.verify.checks import BY_HAND, Check, agreement_words
from leaveby.verify.exact_shapes import wind_for_ratio
from leaveby.verify.published import evaluated, published_rows

HOUSE = RoadVehicle(
    name="h",
    mode="tow",
    width_m=2.5,
    height_m=4.3,
    length_m=13.0,
    mass_kg=7e3,
    power_w=15e4,
    speed_limit_m_s=70.0 / 3.6,
)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (
            lambda: reason_words("maxheight=3.8 is too low for 4.2 m"),
            "posted height 3.8 m is too low for yours of 4.2 m",
        ),
        (lambda: reason_words("access=private"), "private"),
        (lambda: reason_words("barrier gate"), "gate across the road"),
        (lambda: layers.class_words("tertiary"), "connecting road"),
        (lambda: layers.class_words("motorway_link"), "motorway link"),
        (lambda: layers.class_words("track|path"), "track"),
        (lambda: road_words.band_words((5.0, 10.0, float("inf")), 1), "5 to 10 min"),
        (lambda: road_words.band_words((5.0, 10.0, float("inf")), 2), "over 10 min"),
        (
            lambda: road_words.vehicle_words(SimpleNamespace(way="tow", vehicle=HOUSE, measures=METRIC)),
            "towing the house (4.3 m high, 2.5 m wide, 7 t in all, at most 70 km/h)",
        ),
        (
            lambda: road_words.vehicle_words(SimpleNamespace(way="tow", vehicle=HOUSE, measures=MILES_AND_FEET)),
            "towing the house (14 ft 1 in high, 8 ft 2 in wide, 15 440 pounds in all, at most 44 mph)",
        ),
        (lambda: speeds.speed_words(m_s_from_km_h(3.01)), "3.1 km/h"),
        (lambda: speeds.speed_words(m_s_from_km_h(12.0)), "12 km/h"),
        (lambda: speeds.speed_words(m_s_from_km_h(12.2)), "13 km/h"),
        (
            lambda: speeds.day_words(FireDay(slope_deg=-5.0)),
            "dry eucalypt forest, 40 °C, humidity 12 %, wind 45 km/h, drought factor 10, 5 degrees downhill",
        ),
        (
            lambda: agreement_words([Check("2 + 2", "5", "4", "1, may be 0", False, "arithmetic", BY_HAND)]),
            "0 of 1 agree. NOT: 2 + 2.",
        ),
        (lambda: Html("<b>so</b>")._repr_html_(), "<b>so</b>"),
    ],
)
def test_things_are_said_as_they_are_read(said, expected):
    assert said() == expected


def test_what_is_not_ours_stays_text():
    row = '<tr><th scope="row">Mill &lt;Road&gt;</th><td>3</td></tr>'
    assert table(["Street", "Homes"], [["Mill <Road>", 3]]).endswith(f"<tbody>{row}</tbody></table>")
    assert "&lt;b&gt;" in mark_html(ground.Mark(147.0, -36.0, "safe", "<b>Hall</b>"))
    assert '">&lt;3</span>' in mark_html(ground.Mark(147.0, -36.0, "number", "<3"))
    assert "&lt;i&gt;" in legend_html([("home", "<i>Home")], "")
    assert "a &lt; b</td>" in checks_table([Check("2 + 2", "4", "4", "0, may be 0", True, "a < b", BY_HAND)])


def test_fuels_and_fires_to_choose_from():
    assert "heath" in fuels_to_choose()
    assert "water" not in fuels_to_choose()
    assert [course.label for course in courses(model_speeds(FireDay(fuel="heath")))][:3] == [
        "fire, shrubland equation",
        "fire, rule of 10 % of the wind speed",
        "fire, one run in 20 is faster",
    ]
    assert "outside 0 to 30 km/h" in notes(model_speeds(FireDay()))


def test_bands_of_drive_time_have_even_steps():
    answer = SimpleNamespace(reached_s=np.array([30.0, 400.0, np.inf]), drives=())
    assert road_words.drive_bands(answer) == (2.0, 4.0, 6.0, 8.0)


def test_labels_are_moved_as_little_as_can_be():
    assert speeds.spread_out([0.0, 0.02, 0.9], gap=0.1) == pytest.approx([0.0, 0.1, 0.9])
    assert speeds.spread_out([0.97, 1.0], gap=0.1) == pytest.approx([0.9, 1.0])


def test_looks_and_signs_come_from_the_one_table_of_symbols():
    assert ground.look_of("way_tow") == ground.Look("#0b3c8c", 5.0, "30 10")
    assert ground.Look("#111111", 3.0, "6 2").style()["dashArray"] == "6 2"
    assert ground.sign_url("home").startswith("data:image/png;base64,")
    assert ground.sign_url("7") == ""


def test_places_of_the_map_in_degrees():
    # The central meridian of zone 55 is 147 degrees east (the definition of UTM, common knowledge).
    place = ground.to_wgs84(shapely.Point(500_000.0, 6_000_000.0), "EPSG:32755")
    assert (place.x, place.y) == pytest.approx((147.0, -36.1447), abs=5e-5)
    assert ground.lon_lat(500_000.0, 6_000_000.0, "EPSG:32755") == pytest.approx((147.0, -36.1447181), abs=1e-7)
    west, south, east, north = ground.window_around(np.array([[500_000.0, 6_000_000.0]]), "EPSG:32755")
    assert west < 147.0 < east
    assert south < -36.1447 < north
    # At zoom 0 the whole Earth is 256 pixels wide (common practice of web maps, no source).
    whole = ground.window_and_zoom((-180.0, -85.0511, 180.0, 85.0511), width_px=256.0, height_px=256.0)
    assert whole == ((0.0, 0.0), 0.0)


def test_what_the_checks_are_made_of():
    assert float(length_to_breadth(3.6 * wind_for_ratio(3.0))) == pytest.approx(3.0, abs=1e-6)
    assert wind_for_ratio(1.0) == 0.0
    assert evaluated("rule_10_percent", {"U10_km_h": 50.0}) == pytest.approx(5.0, abs=1e-6)
    assert sorted(published_rows()[0])[:3] == ["equation", "expected", "how_obtained"]
