"""The plan document: what a right one becomes, and what is said of a wrong one."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Callable
from datetime import date, datetime, timedelta, timezone
from importlib.resources import files
from pathlib import Path
from string import Formatter
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pyproj import Geod

from leaveby.errors import Fault, InputError
from leaveby.household.plan import Plan, towing_car, trailer, ways, why_no_way
from leaveby.household.plan_file import plan_from_document
from leaveby.regions import COUNTRIES, WITH_RULES, region_faults, table

EAST = timezone(timedelta(hours=11))

DOCUMENT: dict[str, Any] = {
    "plan": {
        "name": "The Marlow place, 9 Gannet Lane",
        "confidence": 0.95,
        "margin_min": 12,
        "members": 500,
        "seed": 7,
        "horizon_h": 6,
        "durations": "triangular",
    },
    "home": {"lon_deg": 148.9, "lat_deg": -36.1},
    "house": {"heat_limit_kw_m2": 12.5, "clear_m": 20},
    "people": [
        {"name": "Ines", "can": ["lift", "drive", "tow"], "arrives_after_min": 15},
        {"name": "Bo", "can": ["lift", "drive"]},
        {"name": "Wren", "can": []},
    ],
    "animals": [{"name": "two goats", "note": "in the tray"}],
    "vehicles": [
        {
            "name": "ute",
            "kind": "car",
            "seats": 5,
            "width_m": 1.9,
            "height_m": 1.9,
            "length_m": 5.4,
            "mass_kg": 2400,
            "power_kw": 140,
        },
        {
            "name": "the house",
            "kind": "trailer",
            "towed_by": "ute",
            "width_m": 2.5,
            "height_m": 4.2,
            "length_m": 8.4,
            "mass_kg": 3400,
        },
    ],
    "towing": {"speed_limit_km_h": 72},
    "tasks": [
        {
            "name": "wheels",
            "ways": ["tow"],
            "shortest_min": 25,
            "likely_min": 40,
            "longest_min": 80,
            "hands": 2,
            "needs": ["lift"],
        },
        {
            "name": "hitch",
            "ways": ["tow"],
            "shortest_min": 5,
            "likely_min": 10,
            "longest_min": 25,
            "hands": 2,
            "after": ["wheels"],
        },
        {
            "name": "shutters",
            "ways": ["car", "foot", "shelter"],
            "shortest_min": 0.5,
            "likely_min": 1,
            "longest_min": 2,
        },
    ],
    "safe_points": [
        {
            "name": "showground",
            "lon_deg": 148.8,
            "lat_deg": -36.2,
            "kind": "safe_point",
            "ways": ["tow", "car", "foot"],
        },
        {"name": "oval", "lon_deg": 148.91, "lat_deg": -36.1, "kind": "place_of_last_resort", "ways": ["foot"]},
    ],
    "roads": {"file": "roads.osm", "standoff_m": 100, "smoke_lead_min": 10},
    "terrain": {"file": "terrain.tif", "cell_m": 30},
    "fuel": {"file": "fuel.tif", "legend": "legend.csv"},
    "weather": {"file": "weather.csv", "drought_factor": 9.5},
    "fire": {"models": ["dry_eucalypt"], "what_if_km_h": [12, 50]},
    "ignitions": [
        {
            "name": "strike",
            "at": datetime(2026, 1, 17, 12, 40, tzinfo=EAST),
            "lon_lat_deg": [[148.85, -36.05]],
        },
        {
            "name": "burn",
            "at": datetime(2026, 1, 17, 11, 0, tzinfo=EAST),
            "lon_lat_deg": [[148.8, -36.0], [148.81, -36.0], [148.81, -36.01], [148.8, -36.0]],
            "ring": True,
        },
    ],
}


BY_HAND = {"name": "amber", "wind_km_h": 36, "temperature_c": 34, "humidity_percent": 18}


def arrival(shortest: float, likely: float, longest: float) -> dict[str, float]:
    return {"shortest_min": shortest, "likely_min": likely, "longest_min": longest}


def changed(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    document = copy.deepcopy(DOCUMENT)
    change(document)
    return document


def faults_of(document: dict[str, Any], **more: Any) -> tuple[Fault, ...]:
    with pytest.raises(InputError) as caught:
        plan_from_document(document, where="home.toml", **more)
    return caught.value.faults


def read(document: dict[str, Any]) -> Plan:
    return plan_from_document(document, where="home.toml")


def test_right_document_becomes_si() -> None:
    plan = read(DOCUMENT)
    assert plan.margin_s == 720.0
    assert plan.horizon_s == 21600.0
    assert plan.people[0].arrives_after_s == 900.0
    assert plan.tasks[0].likely_s == 2400.0
    assert plan.towing is not None
    assert plan.towing.speed_limit_m_s == pytest.approx(20.0)
    assert plan.roads.file == Path("roads.osm")
    assert plan.roads.smoke_lead_s == 600.0
    assert plan.fire.what_if_m_s == pytest.approx((12 / 3.6, 50 / 3.6))
    assert plan.starts_at == datetime(2026, 1, 17, 11, 0, tzinfo=EAST)
    # A perimeter closed by repeating its first point is the same perimeter.
    assert len(plan.ignitions[1].lon_lat_deg) == 3
    assert ways(plan) == ("tow", "car", "foot")
    assert trailer(plan) == plan.vehicles[1]
    assert towing_car(plan) == plan.vehicles[0]
    assert plan.where == "home.toml"


def test_input_is_left_alone() -> None:
    document = copy.deepcopy(DOCUMENT)
    read(document)
    assert document == DOCUMENT


def test_tuples_and_times_in_quotes_are_read_like_a_file() -> None:
    document = changed(
        lambda d: d["ignitions"][0].update(at="2026-01-17T12:40:00+11:00", lon_lat_deg=((148.85, -36.05),))
    )
    assert read(document) == read(DOCUMENT)


def test_a_home_in_the_wrong_place_is_one_fault_and_the_wrong_safe_point_beside_it_is_the_next() -> None:
    """The home is far from all else: it alone is blamed, and what is wrong for the home as meant comes after it."""

    def both(d: dict[str, Any]) -> None:
        d["home"]["lat_deg"] = 36.1
        d["safe_points"][1]["lon_deg"] = -148.91

    assert [fault.place for fault in faults_of(changed(lambda d: d["home"].update(lat_deg=36.1)))] == [
        "home.toml: [home] lat_deg"
    ]
    assert [fault.place for fault in faults_of(changed(both))] == [
        "home.toml: [home] lat_deg",
        'home.toml: safe_points[2] "oval"',
    ]


@given(
    lon_deg=st.floats(-170.0, 170.0).filter(lambda lon: abs(lon) > 5),
    lat_deg=st.floats(-60.0, 60.0).filter(lambda lat: abs(lat) > 5),
    wrong=st.sampled_from(["home", "safe point", "fire"]),
    slip=st.sampled_from(["lat", "lon", "both", "exchanged"]),
    number=st.integers(0, 3),
)
def test_whatever_place_was_written_wrongly_is_the_one_that_is_blamed(
    lon_deg: float, lat_deg: float, wrong: str, slip: str, number: int
) -> None:
    """A sign or an exchange put into one place of a plan anywhere on earth: that place alone, and what to write."""
    lon_deg, lat_deg = round(lon_deg, 3), round(lat_deg, 3)
    bad = {
        "lat": (lon_deg, -lat_deg),
        "lon": (-lon_deg, lat_deg),
        "both": (-lon_deg, -lat_deg),
        "exchanged": (lat_deg, lon_deg),
    }[slip]
    # Where two slips lead to nearly one place either may be named.
    assume(abs(bad[1]) <= 90 and abs(abs(lon_deg) - abs(lat_deg)) > 5)
    apart_km = Geod(ellps="sphere").inv(lon_deg, lat_deg, *bad)[2] / 1000.0
    assume(apart_km > 350.0)
    document = copy.deepcopy(DOCUMENT)
    points = [
        {**DOCUMENT["safe_points"][0], "name": f"point {n}", "lon_deg": lon_deg, "lat_deg": lat_deg + 0.03}
        for n in range(4)
    ]
    fires = [{**DOCUMENT["ignitions"][0], "name": f"fire {n}", "lon_lat_deg": [[lon_deg, lat_deg]]} for n in range(4)]
    document["home"] = {"lon_deg": lon_deg, "lat_deg": lat_deg}
    document["safe_points"], document["ignitions"] = points, fires
    if wrong == "home":
        document["home"] = {"lon_deg": bad[0], "lat_deg": bad[1]}
    elif wrong == "safe point":
        points[number].update(lon_deg=bad[0], lat_deg=bad[1])
    else:
        fires[number].update(lon_lat_deg=[list(bad)])
    (fault,) = faults_of(document)
    place = {"home": "[home]", "safe point": f'"point {number}"', "fire": f'"fire {number}"'}[wrong]
    assert place in fault.place
    for meant, was in zip((lon_deg, lat_deg), bad, strict=True):
        assert meant == was or f"{meant:.10g}" in fault.mend


@pytest.mark.parametrize("form", ["Lift", "LIFT", " lift ", "lift"])
def test_capitals_and_spaces_make_no_other_skill(form: str) -> None:
    """Two people can lift, however it is written, at the person or at the task: the plan reads the same."""

    def written(d: dict[str, Any]) -> None:
        d["people"][0]["can"] = [form, "Drive", "TOW"]
        d["tasks"][0]["needs"] = [form.upper()]

    assert read(changed(written)) == read(DOCUMENT)


def test_countries_are_those_of_the_published_list() -> None:
    """ISO 3166-1, as the time-zone database of IANA carries it (iso3166.tab of the tzdata package)."""
    listed = files("tzdata").joinpath("zoneinfo/iso3166.tab").read_text(encoding="utf-8")
    published = {line.split("\t")[0] for line in listed.splitlines() if line and not line.startswith("#")}
    assert published == COUNTRIES
    assert set(WITH_RULES) < published
    assert {country for country in published if region_faults(country, place="region")} == set()


def test_a_country_without_rules_here_is_not_said_to_have_some() -> None:
    def said(region: str) -> str:
        return " ".join(read(changed(lambda d: d["roads"].update(region=region))).assumptions)

    assert "the road rules of AU-WA are taken" in said("AU-WA")
    assert "The road rules of NO are not known here" in said("NO")


# --- one fault at a time: where it is said to be, and what is said -------------------------------------------

CASES: list[tuple[str, Callable[[dict[str, Any]], object], str, tuple[str, ...]]] = [
    (
        "confidence one",
        lambda d: d["plan"].update(confidence=1.0),
        "[plan] confidence",
        ("no computation can be certain",),
    ),
    ("confidence per cent", lambda d: d["plan"].update(confidence=95), "[plan] confidence", ("0.95",)),
    ("confidence low", lambda d: d["plan"].update(confidence=0.2), "[plan] confidence", ("0.5 to 0.999",)),
    ("too few members", lambda d: d["plan"].update(members=10), "[plan] members", ("at least 20",)),
    ("misspelt key", lambda d: d["plan"].update(confidnce=0.9), "[plan] confidnce", ('"confidence"',)),
    ("misspelt section", lambda d: d.update(wether={}), "[wether]", ('"weather"',)),
    ("misspelt key of a task", lambda d: d["tasks"][1].update(hand=2), 'tasks[2] "hitch": hand', ('"hands"',)),
    ("missing section", lambda d: d.pop("terrain"), "[terrain]", ("is missing", "[terrain]")),
    ("missing file", lambda d: d["roads"].pop("file"), "[roads] file", ("is missing",)),
    ("missing time", lambda d: d["tasks"][0].pop("likely_min"), 'tasks[1] "wheels": likely_min', ("minutes",)),
    ("no people", lambda d: d.update(people=[]), "[[people]]", ("at least one person",)),
    ("no safe point", lambda d: d.update(safe_points=[]), "[[safe_points]]", ("at least one safe point",)),
    (
        "only last resorts",
        lambda d: d.update(safe_points=[d["safe_points"][1]]),
        "[[safe_points]]",
        ("only places of last resort",),
    ),
    ("number in quotes", lambda d: d["tasks"][1].update(hands="2"), 'tasks[2] "hitch": hands', ("without quotes",)),
    ("half a person", lambda d: d["tasks"][1].update(hands=1.5), 'tasks[2] "hitch": hands', ("whole number",)),
    ("true is no number", lambda d: d["plan"].update(margin_min=True), "[plan] margin_min", ("minutes",)),
    ("not finite", lambda d: d["plan"].update(margin_min=float("nan")), "[plan] margin_min", ("not a finite number",)),
    ("negative margin", lambda d: d["plan"].update(margin_min=-5), "[plan] margin_min", ("is -5", "0 to 1440")),
    ("list in no brackets", lambda d: d["people"][1].update(can="lift"), 'people[2] "Bo": can', ('["lift"]',)),
    ("unknown way", lambda d: d["tasks"][1].update(ways=["tows"]), 'tasks[2] "hitch": ways[1]', ('"tow"',)),
    ("unknown kind", lambda d: d["vehicles"][0].update(kind="cars"), 'vehicles[1] "ute": kind', ('"car"',)),
    ("same name", lambda d: d["tasks"][1].update(name="wheels"), 'tasks[2] "wheels": name', ("two tasks",)),
    ("no such predecessor", lambda d: d["tasks"][1].update(after=["wheel"]), 'tasks[2] "hitch": after', ('"wheels"',)),
    ("itself", lambda d: d["tasks"][1].update(after=["hitch"]), 'tasks[2] "hitch": after', ("the task itself",)),
    (
        "ring",
        lambda d: d["tasks"][0].update(after=["hitch"]),
        'tasks[1] "wheels": after',
        ('"wheels" before "hitch" before "wheels"',),
    ),
    ("nobody can", lambda d: d["tasks"][1].update(needs=["fly"]), 'tasks[2] "hitch": needs', ('"fly"', "nobody")),
    (
        "too few can",
        lambda d: d["tasks"][1].update(needs=["tow"]),
        'tasks[2] "hitch": hands',
        ("takes 2 people", 'only "Ines" can'),
    ),
    ("a child's hands", lambda d: d["tasks"][1].update(hands=3), 'tasks[2] "hitch": hands', ("at most 2",)),
    (
        "likely beyond longest",
        lambda d: d["tasks"][1].update(likely_min=30),
        'tasks[2] "hitch": likely_min',
        ("is 30, outside", "5 to 25"),
    ),
    ("shortest beyond", lambda d: d["tasks"][1].update(shortest_min=26), 'tasks[2] "hitch": shortest_min', ("is 26",)),
    (
        "no such car",
        lambda d: d["vehicles"][1].update(towed_by="utes"),
        'vehicles[2] "the house": towed_by',
        ('"ute"',),
    ),
    (
        "towed by nothing",
        lambda d: d["vehicles"][1].pop("towed_by"),
        'vehicles[2] "the house": towed_by',
        ("is missing",),
    ),
    ("no towing speed", lambda d: d.pop("towing"), "[towing]", ("speed_limit_km_h",)),
    ("tow without trailer", lambda d: d["vehicles"].pop(1), 'tasks[1] "wheels": ways', ("there is no trailer",)),
    (
        "a second trailer",
        lambda d: d["vehicles"].append({**d["vehicles"][1], "name": "float"}),
        'vehicles[3] "float"',
        ("at most one trailer",),
    ),
    ("seats in a trailer", lambda d: d["vehicles"][1].update(seats=2), 'vehicles[2] "the house": seats', ("at a car",)),
    (
        "exchanged",
        lambda d: d["home"].update(lon_deg=-36.1, lat_deg=148.9),
        "[home] lat_deg",
        ("is 148.9", "look exchanged"),
    ),
    (
        "lost sign",
        lambda d: d["safe_points"][0].update(lat_deg=36.2),
        'safe_points[1] "showground"',
        ("write -36.2 instead of 36.2", "south is negative"),
    ),
    (
        "lost sign of the home",
        lambda d: d["home"].update(lat_deg=36.1291),
        "[home] lat_deg",
        ("puts the home 80", "write -36.1291 instead of 36.1291", "south is negative"),
    ),
    (
        "a sign too many at home",
        lambda d: d["home"].update(lon_deg=-148.9424),
        "[home] lon_deg",
        ("write 148.9424 instead of -148.9424",),
    ),
    (
        "a home elsewhere",
        lambda d: d["home"].update(lon_deg=14.89),
        "[home]",
        ("km from the nearest of the safe points and fires", "correct the coordinates of the home"),
    ),
    (
        "nothing to do before towing",
        lambda d: d.update(tasks=[{**one, "ways": ["car", "foot", "shelter"]} for one in d["tasks"]]),
        "[[tasks]]",
        ("nothing that is left to do before leaving with the trailer", '"tow" in ways', "add what has to be done"),
    ),
    (
        "nothing to do before leaving by car",
        lambda d: d["tasks"][2].update(ways=["tow", "foot", "shelter"]),
        "[[tasks]]",
        ("before leaving by car", '"car" in ways'),
    ),
    (
        "nothing left to do before leaving on foot",
        lambda d: d["tasks"].extend(
            [
                {**d["tasks"].pop(), "done_before_season": True},
                {"name": "shirts", "ways": ["car"], "shortest_min": 1, "likely_min": 1, "longest_min": 1},
            ]
        ),
        "[[tasks]]",
        ("before leaving on foot", "not done before the season"),
    ),
    ("no such country", lambda d: d["roads"].update(region="XQ"), "[roads] region", ("no such country", "AU, NZ, GB")),
    ("no such state", lambda d: d["roads"].update(region="AU-NWS"), "[roads] region", ("AU-TAS", '"AU-NSW" if')),
    ("another name", lambda d: d["roads"].update(region="UK"), "[roads] region", ("no such country", '"GB" if')),
    (
        "a state that means nothing",
        lambda d: d["roads"].update(region="NZ-CAN"),
        "[roads] region",
        ("no road rule known here differs within NZ", 'write "NZ"'),
    ),
    ("longitude", lambda d: d["home"].update(lon_deg=200), "[home] lon_deg", ("-180 to 180",)),
    (
        "no offset",
        lambda d: d["ignitions"][0].update(at=datetime(2026, 1, 17, 12, 40)),
        'ignitions[1] "strike": at',
        ("without a UTC offset", "+11:00"),
    ),
    ("no date", lambda d: d["ignitions"][0].update(at="noon"), 'ignitions[1] "strike": at', ("UTC offset",)),
    (
        "a date alone",
        lambda d: d["ignitions"][0].update(at=date(2026, 1, 17)),
        'ignitions[1] "strike": at',
        ("which is not a date with a time", "write date, time and offset"),
    ),
    (
        "a place in quotes",
        lambda d: d["home"].update(lon_deg="148.9"),
        "[home] lon_deg",
        ("write decimal degrees without quotes",),
    ),
    (
        "exchanged",
        lambda d: d["home"].update(lon_deg=-36.1, lat_deg=148.9),
        "[home] lat_deg",
        ("longitude and latitude look exchanged: exchange lon_deg and lat_deg",),
    ),
    (
        "not a pair",
        lambda d: d["ignitions"][0].update(lon_lat_deg=[[148.8]]),
        "lon_lat_deg[1]",
        ("[longitude, latitude]",),
    ),
    ("no point", lambda d: d["ignitions"][0].update(lon_lat_deg=[]), 'ignitions[1] "strike": lon_lat_deg', ("pairs",)),
    (
        "exchanged ignition",
        lambda d: d["ignitions"][0].update(lon_lat_deg=[[-36.05, 148.85]]),
        'ignitions[1] "strike": lon_lat_deg[1]',
        ("longitude first",),
    ),
    (
        "a perimeter of two points",
        lambda d: d["ignitions"][0].update(lon_lat_deg=[[148.8, -36.0], [148.9, -36.0]], ring=True),
        'ignitions[1] "strike": lon_lat_deg',
        ("at least 3",),
    ),
    ("a rating without a name", lambda d: d.update(ratings=[{}]), "ratings[1] (without a name): name", ("is missing",)),
    (
        "a rating twice",
        lambda d: d.update(ratings=[{"name": "High"}, {"name": "High"}]),
        'ratings[2] "High": name',
        ("is the name of two ratings",),
    ),
    (
        "a day by hand in part",
        lambda d: d.update(ratings=[{"name": "High", "wind_km_h": 40, "humidity_percent": 20}]),
        'ratings[1] "High": wind_km_h',
        ('"wind_km_h", "humidity_percent" without "temperature_c"', 'add "temperature_c"'),
    ),
    (
        "a day twice",
        lambda d: d.update(ratings=[{**BY_HAND, "weather_file": "high.csv"}]),
        'ratings[1] "amber": weather_file',
        ("stands beside a day by hand", "keep one of the two"),
    ),
    (
        "an own rating without a day",
        lambda d: d.update(danger={"scale": "own"}, ratings=[{"name": "amber"}]),
        'ratings[1] "amber"',
        ("has no day", "weather_file"),
    ),
    (
        "a region without a scale, and a rating without a day",
        lambda d: (d["roads"].update(region="US-CA"), d.update(ratings=[{"name": "Red Flag"}])),
        'ratings[1] "Red Flag"',
        ("has no day",),
    ),
    (
        "an own rating that stands for another",
        lambda d: d.update(danger={"scale": "own"}, ratings=[{**BY_HAND, "stands_for": "High"}]),
        'ratings[1] "amber": stands_for',
        ("the scale is the plan's own",),
    ),
    ("another scale", lambda d: d.update(danger={"scale": "canada"}), "[danger] scale", ('"australia", "europe"',)),
    ("15 winds", lambda d: d.update(rules={"wind_percent": [6] * 15}), "[rules] wind_percent", ("has 15 shares",)),
    (
        "winds that do not sum",
        lambda d: d.update(rules={"wind_percent": [6.29, *[6.25] * 14, 6.8]}),
        "[rules] wind_percent",
        ("sums to 100.59", "sum to 100"),
    ),
    ("no such hour", lambda d: d.update(rules={"hours": [10, 24]}), "[rules] hours[2]", ("is 24", "0 to 23")),
    ("half an hour", lambda d: d.update(rules={"hours": [10.5]}), "[rules] hours[1]", ("whole hour",)),
    ("no hour", lambda d: d.update(rules={"hours": []}), "[rules] hours", ("is empty",)),
    ("an hour twice", lambda d: d.update(rules={"hours": [13, 10, 13]}), "[rules] hours", ("twice: 13",)),
    (
        "word that comes too late to be likely",
        lambda d: d.update(rules={"learns_after_min": arrival(10, 70, 60)}),
        "[rules] learns_after_min.likely_min",
        ("is 70, outside",),
    ),
    (
        "word without a likely time",
        lambda d: d.update(rules={"learns_after_min": {"shortest_min": 10, "longest_min": 60}}),
        "[rules] learns_after_min.likely_min",
        ("is missing", "between the braces"),
    ),
    (
        "word as a list",
        lambda d: d.update(rules={"learns_after_min": [10, 30, 60]}),
        "[rules] learns_after_min",
        ("a list", "one number of minutes"),
    ),
    (
        "fuel of the rules without terrain",
        lambda d: d.update(rules={"fuel_type": "heath"}),
        "[rules] terrain_file",
        ("is missing", "terrain and fuel of that ground together"),
    ),
    (
        "terrain of the rules without fuel",
        lambda d: d.update(rules={"terrain_file": "wide.tif"}),
        "[rules] fuel_file",
        ("is missing", "terrain and fuel of that ground together"),
    ),
    (
        "fuel of the rules without a legend",
        lambda d: d.update(rules={"terrain_file": "wide.tif", "fuel_file": "wide_fuel.tif"}),
        "[rules] fuel_legend",
        ('"wide_fuel.tif" is a raster', "add fuel_legend"),
    ),
    (
        "fuel of the rules twice",
        lambda d: d.update(rules={"terrain_file": "wide.tif", "fuel_file": "f.gpkg", "fuel_type": "heath"}),
        "[rules]",
        ("both fuel_file and fuel_type",),
    ),
    ("a cell of no ground", lambda d: d.update(rules={"cell_m": 60}), "[rules] cell_m", ("only beside terrain_file",)),
    (
        "most fires too near",
        lambda d: d.update(rules={"allowed_percent": 60}),
        "allowed_percent",
        ("percent, 0 to 50",),
    ),
    ("raster without legend", lambda d: d["fuel"].pop("legend"), "[fuel] legend", ("raster",)),
    ("polygons without column", lambda d: d.update(fuel={"file": "c.gpkg"}), "[fuel] column", ("polygons",)),
    (
        "legend beside one type",
        lambda d: d.update(fuel={"type": "grass", "legend": "legend.csv"}),
        "[fuel] legend",
        ("stands beside type, which is for everywhere", "legend only beside file"),
    ),
    (
        "column of a raster",
        lambda d: d["fuel"].update(column="cover"),
        "[fuel] column",
        ('beside "fuel.tif", a raster',),
    ),
    ("towed by, of a car", lambda d: d["vehicles"][0].update(towed_by="ute"), ": towed_by", ("stands at a car",)),
    (
        "line of one point",
        lambda d: d["ignitions"][0].update(lon_lat_deg=[[148.85, -36.05], [148.85, -36.05]]),
        'ignitions[1] "strike": lon_lat_deg',
        ("gives the same point several times",),
    ),
    (
        "neighbours twice",
        lambda d: d.update(neighbours={"homes": 9, "file": "homes.csv"}),
        "[neighbours]",
        ("both homes and file",),
    ),
    ("neighbours uncounted", lambda d: d.update(neighbours={}), "[neighbours]", ("homes = 40",)),
    ("neighbours by halves", lambda d: d.update(neighbours={"homes": 1.5}), "[neighbours] homes", ("whole number",)),
    (
        "neighbours who set out in a way of their own",
        lambda d: d.update(neighbours={"homes": 9, "set_out": "over tim"}),
        "[neighbours] set_out",
        ('"over time"',),
    ),
    (
        "neighbours told and all at once",
        lambda d: d.update(neighbours={"homes": 9, "told_after_fire_min": 5}),
        "[neighbours] told_after_fire_min",
        ('set_out = "over time"',),
    ),
    (
        "neighbours told after no fire",
        lambda d: d.update(ignitions=[], neighbours={"homes": 9, "set_out": "over time", "told_after_fire_min": 5}),
        "[neighbours] told_after_fire_min",
        ("[[ignitions]]",),
    ),
    ("terrain twice", lambda d: d["terrain"].update(flat=True), "[terrain]", ("both file and flat",)),
    ("no terrain", lambda d: d.update(terrain={"flat": False}), "[terrain]", ("neither file nor flat",)),
    ("fuel twice", lambda d: d["fuel"].update(type="grass"), "[fuel]", ("both file and type",)),
    ("no fuel", lambda d: d.update(fuel={}), "[fuel]", ("neither file nor type",)),
    ("floor and set", lambda d: d["fire"].update(floor_km_h=5, set_km_h=12), "[fire]", ("both",)),
    ("no spread", lambda d: d["fire"].update(set_km_h=0), "[fire] set_km_h", ("more than 0",)),
    ("driest is ten", lambda d: d["weather"].update(drought_factor=11), "[weather] drought_factor", ("0 to 10",)),
    ("a section that is a number", lambda d: d.update(home=3), "[home]", ("section",)),
    ("an empty name", lambda d: d["plan"].update(name=""), "[plan] name", ("is empty",)),
    (
        "an arrival as a list",
        lambda d: d["people"][0].update(arrives_after_min=[20, 35, 90]),
        'people[1] "Ines": arrives_after_min',
        ("is [20, 35, 90], a list", "longest_min = 90 }", "one number of minutes"),
    ),
    (
        "an arrival in the past",
        lambda d: d["people"][0].update(arrives_after_min=-5),
        'people[1] "Ines": arrives_after_min',
        ("is -5", "0 to 1440"),
    ),
    (
        "an arrival in quotes",
        lambda d: d["people"][0].update(arrives_after_min="30"),
        'people[1] "Ines": arrives_after_min',
        ("without quotes",),
    ),
    (
        "likely outside the arrival",
        lambda d: d["people"][0].update(arrives_after_min=arrival(20, 95, 90)),
        'people[1] "Ines": arrives_after_min.likely_min',
        ("is 95, outside", "20 to 90", "take the longer time"),
    ),
    (
        "arrival the wrong way round",
        lambda d: d["people"][0].update(arrives_after_min=arrival(90, 35, 20)),
        'people[1] "Ines": arrives_after_min.shortest_min',
        ("is 90, more than longest_min, 20", "exchange"),
    ),
    (
        "an arrival of two points",
        lambda d: d["people"][0].update(arrives_after_min={"shortest_min": 5, "longest_min": 9}),
        'people[1] "Ines": arrives_after_min.likely_min',
        ("is missing", "between the braces"),
    ),
    (
        "a misspelt point",
        lambda d: d["people"][0].update(arrives_after_min={**arrival(5, 7, 9), "longest": 9}),
        'people[1] "Ines": arrives_after_min.longest',
        ('"longest_min"',),
    ),
    (
        "a point of an arrival below 0",
        lambda d: d["people"][0].update(arrives_after_min=arrival(-4, 35, 90)),
        'people[1] "Ines": arrives_after_min.shortest_min',
        ("is -4", "0 to 1440"),
    ),
    (
        "a source of warnings that says not how it is heard",
        lambda d: d.update(official_sources=[{"name": "Valley Radio"}]),
        'official_sources[1] "Valley Radio"',
        ("says nothing of how its warnings are heard", "radio, number and site", "add a station"),
    ),
    (
        "a safe point at the home",
        lambda d: d["safe_points"][0].update(lon_deg=148.9, lat_deg=-36.1),
        'safe_points[1] "showground"',
        ("lies 0 m from home", "at least 1000 m away", "place_of_last_resort"),
    ),
    (
        # 111.195 m to a thousandth of a degree of latitude on the mean sphere (Moritz 1980)
        "a safe point near the home",
        lambda d: d["safe_points"][0].update(lon_deg=148.9, lat_deg=-36.1089),
        'safe_points[1] "showground"',
        ("lies 990 m from home",),
    ),
]


@pytest.mark.parametrize(("change", "place", "said"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_each_fault_is_said_where_it_is(
    change: Callable[[dict[str, Any]], object], place: str, said: tuple[str, ...]
) -> None:
    faults = faults_of(changed(change))
    matching = [fault for fault in faults if fault.place.endswith(place)]
    assert matching, [str(fault) for fault in faults]
    for words in said:
        assert words in str(matching[0])
    assert all(fault.place.startswith("home.toml: ") for fault in faults)


def test_a_place_of_last_resort_may_lie_at_the_home_and_a_safe_point_a_little_farther() -> None:
    def near(document: dict[str, Any]) -> None:
        document["safe_points"][0].update(lon_deg=148.9, lat_deg=-36.1091)
        document["safe_points"][1].update(lon_deg=148.9, lat_deg=-36.1)

    assert plan_from_document(changed(near), where="home.toml").safe_points[1].kind == "place_of_last_resort"


def test_no_jargon_of_the_checker_reaches_the_person() -> None:
    jargon = (
        "Input should",
        "dataclass",
        "keyword",
        "pydantic",
        "NoneType",
        "literal",
        "validat",
        "Union",
        "str ",
        "loc",
    )
    for _, change, _, _ in CASES:
        for fault in faults_of(changed(change)):
            assert not any(word in str(fault).removeprefix("home.toml") for word in jargon), str(fault)


def test_every_row_of_the_table_of_faults_is_said_of_some_document() -> None:
    """A row that no check names, or a check that names no row, is found here: each is said, its blanks filled in."""
    faults = [fault for _, change, _, _ in CASES for fault in faults_of(changed(change))]
    faults += faults_of(changed(lambda d: d["fire"].update(models=["dry_eucalpt"])), fire_models=("dry_eucalypt",))
    for name, words in table("household/plan_faults").items():
        patterns = [
            "".join(
                re.escape(text) + (".*" if blank is not None else "") for text, blank, _, _ in Formatter().parse(one)
            )
            for one in (words["wrong"], words["expected"], words["mend"])
        ]
        said = ((fault.wrong, fault.expected, fault.mend) for fault in faults)
        assert any(all(map(re.fullmatch, patterns, parts)) for parts in said), name
    assert not any(re.search(r"\{\w+\}", str(fault)) for fault in faults)


def test_all_faults_at_once() -> None:
    def spoil(d: dict[str, Any]) -> None:
        d["plan"]["confidence"] = 1.0
        d["tasks"][1]["hands"] = 9
        d["tasks"][0]["after"] = ["hitch"]
        d["vehicles"][1]["towed_by"] = "utes"
        d["ignitions"][0]["at"] = datetime(2026, 1, 17, 12, 40)
        del d["weather"]["file"]
        d["extra"] = 1

    places = {fault.place.removeprefix("home.toml: ") for fault in faults_of(changed(spoil))}
    assert places == {
        "[plan] confidence",
        'tasks[2] "hitch": hands',
        'tasks[1] "wheels": after',
        'vehicles[2] "the house": towed_by',
        'ignitions[1] "strike": at',
        "[weather] file",
        "[extra]",
    }


def test_all_faults_of_an_arrival_at_once() -> None:
    def spoil(d: dict[str, Any]) -> None:
        d["people"][0]["arrives_after_min"] = {"shortest_min": "20", "likely_min": 95, "longest_min": 90, "mean": 3}
        d["people"][1]["arrives_after_min"] = arrival(90, 35, 2000)
        d["people"][2]["arrives_after_min"] = True

    places = sorted(fault.place.removeprefix("home.toml: ") for fault in faults_of(changed(spoil)))
    assert places == [
        'people[1] "Ines": arrives_after_min.likely_min',
        'people[1] "Ines": arrives_after_min.mean',
        'people[1] "Ines": arrives_after_min.shortest_min',
        'people[2] "Bo": arrives_after_min.likely_min',
        'people[2] "Bo": arrives_after_min.longest_min',
        'people[3] "Wren": arrives_after_min',
    ]


def test_an_arrival_has_one_point_or_three() -> None:
    def three(d: dict[str, Any]) -> None:
        d["people"][1]["arrives_after_min"] = arrival(20, 35, 90)
        d["people"][2]["arrives_after_min"] = arrival(30, 30, 30)

    plan = read(changed(three))
    assert [person.arrival_points_s for person in plan.people] == [
        (900.0, 900.0, 900.0),
        (1200.0, 2100.0, 5400.0),
        (1800.0, 1800.0, 1800.0),
    ]
    assert [person.arrival_is_uncertain for person in plan.people] == [False, True, False]
    said = " ".join(plan.assumptions)
    for words in (
        "waited for: Ines, Bo, Wren.",
        "Taken as certain: Ines is home 15 minutes after getting ready starts.",
        "Bo comes home 20 to 90 minutes after getting ready starts, likely 35: not certain",
        "Taken as certain: Wren is home 30 minutes after getting ready starts.",
    ):
        assert words in said, words
    at_home = " ".join(read(changed(lambda d: d["people"][0].update(arrives_after_min=0))).assumptions)
    assert "Taken as certain" not in at_home
    assert "waited for" not in at_home


def test_an_arrival_written_as_toml() -> None:
    text = """
    [[people]]
    name = "Ines"
    can = []
    arrives_after_min = { shortest_min = 20, likely_min = 35, longest_min = 90 }
    """
    people = [*tomllib.loads(text)["people"], *DOCUMENT["people"][1:]]
    plan = read(changed(lambda d: d.update(people=people, tasks=d["tasks"][2:])))
    assert plan.people[0].arrival_points_s == (1200.0, 2100.0, 5400.0)


def test_two_rings_are_both_named() -> None:
    def spoil(d: dict[str, Any]) -> None:
        more = {"ways": ["car"], "shortest_min": 1, "likely_min": 2, "longest_min": 3}
        d["tasks"] += [{"name": "a", "after": ["b"], **more}, {"name": "b", "after": ["a"], **more}]
        d["tasks"][0]["after"] = ["hitch"]

    rings = [fault for fault in faults_of(changed(spoil)) if "in a ring" in fault.wrong]
    assert len(rings) == 2


def test_names_of_equations_are_checked_when_they_are_known() -> None:
    document = changed(lambda d: d["fire"].update(models=["dry_eucalpt"]))
    assert read(document).fire.models == ("dry_eucalpt",)
    (fault,) = faults_of(document, fire_models=("dry_eucalypt", "mark5"))
    assert '"dry_eucalypt"' in fault.mend


@given(
    st.recursive(
        st.booleans() | st.integers() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3),
        max_leaves=5,
    ),
    st.sampled_from(sorted(DOCUMENT)),
)
def test_whatever_stands_in_a_section_is_a_fault_not_a_crash(value: object, section: str) -> None:
    document = changed(lambda d: d.update({section: value}))
    empty_is_right = value == [] and section in ("animals", "tasks", "ignitions")
    if empty_is_right:
        return
    assert faults_of(document)


@given(st.sampled_from(["people", "vehicles", "tasks", "safe_points", "ignitions"]), st.data())
def test_whatever_stands_in_a_table_is_a_fault_not_a_crash(section: str, data: st.DataObject) -> None:
    document = copy.deepcopy(DOCUMENT)
    table = document[section][0]
    key = data.draw(st.sampled_from(sorted(table)))
    table[key] = data.draw(
        st.lists(st.integers(), min_size=1, max_size=2)
        | st.dictionaries(st.text(max_size=3), st.integers(), max_size=2)
    )
    assert faults_of(document)


def test_none_is_a_key_left_out() -> None:
    plan = read(changed(lambda d: d["house"].update(clear_m=None)))
    assert plan.house.clear_m is None
    assert any(
        fault.place.endswith("towed_by")
        for fault in faults_of(changed(lambda d: d["vehicles"][1].update(towed_by=None)))
    )


@pytest.mark.parametrize("value", [{1: 2}, 10**400, b"x", [{"name": []}], {"name": {}}])
def test_values_that_no_file_holds_are_faults_too(value: object) -> None:
    for section in DOCUMENT:
        assert faults_of(changed(lambda d, section=section: d.update({section: value})))


# --- ways and assumptions ---------------------------------------------------------------------------------------------


def test_ways_depend_on_who_can_drive() -> None:
    nobody_tows = read(changed(lambda d: d["people"][0].update(can=["lift", "drive"])))
    assert ways(nobody_tows) == ("car", "foot")
    assert any("Nobody can drive with the trailer on." in said for said in nobody_tows.assumptions)
    nobody_drives = read(changed(lambda d: [one.update(can=["lift"]) for one in d["people"]]))
    assert ways(nobody_drives) == ("foot",)


def test_too_few_seats_are_no_way() -> None:
    plan = read(changed(lambda d: d["vehicles"][0].update(seats=2)))
    assert ways(plan) == ("foot",)
    assert why_no_way(plan, "car") == "The cars that can be driven at once have 2 seats for 3 people."


def test_a_second_car_counts_only_with_a_second_driver() -> None:
    def two_cars(d: dict[str, Any]) -> None:
        d["vehicles"][0]["seats"] = 2
        d["vehicles"].append({**d["vehicles"][0], "name": "hatch"})

    assert ways(read(changed(two_cars))) == ("tow", "car", "foot")
    alone = changed(two_cars)
    alone["people"][1]["can"] = ["lift"]
    assert ways(read(alone)) == ("foot",)


def test_whatever_was_left_open_and_could_save_minutes_is_said() -> None:
    def leave_open(d: dict[str, Any]) -> None:
        for key in ("confidence", "margin_min", "durations"):
            del d["plan"][key]
        del d["roads"]["standoff_m"], d["roads"]["smoke_lead_min"], d["weather"]["drought_factor"]
        del d["vehicles"][0]["power_kw"], d["vehicles"][0]["seats"], d["fire"]
        d["tasks"][0]["done_before_season"] = True
        for point in d["safe_points"]:
            point["ways"] = ["car"]

    plan = read(changed(leave_open))
    said = " ".join(plan.assumptions)
    for words in (
        "no confidence",
        "no margin; 10 minutes",
        "beta-PERT",
        "no stand-off",
        "no smoke lead",
        "no drought factor; 10",
        "no power of: ute",
        "no seats of: ute",
        "no rate-of-spread equation",
        "done before the season, so without time today: wheels",
        "At home from the start, since the plan says nothing else: Bo, Wren",
        "waited for: Ines",
        "Takes no task, since the plan lists nothing that they can do: Wren",
        "One person is enough, since the plan says nothing else, for: shutters",
        "No safe point takes tow",
        "mean wind",
    ):
        assert words in said, words
    assert "foot" not in said  # unless the plan asks for it
    assert plan.weather.drought_factor == 10.0


def test_what_is_stated_is_not_called_an_assumption() -> None:
    said = " ".join(read(DOCUMENT).assumptions)
    for words in ("confidence", "margin", "stand-off", "smoke lead", "drought", "power", "seats"):
        assert words not in said


def test_speed_set_by_hand_is_said() -> None:
    plan = read(changed(lambda d: d["fire"].update(set_km_h=12)))
    assert any("set by hand to 12 km/h" in said for said in plan.assumptions)
    assert plan.fire.set_m_s == pytest.approx(12 / 3.6)


NEIGHBOURS = {"homes": 40, "cars_per_home": 2, "towing_percent": 10}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            lambda d: d["roads"].update(closed_ways=["w12", "w7"]),
            ("No way out runs over the ways that the plan closes: w12, w7.",),
        ),
        (
            lambda d: d["roads"].update(open_gates=["w7", "w12"]),
            ("The household can open these gates at once: w7, w12.",),
        ),
        (lambda d: d["weather"].update(fill_gaps=True), ("Gaps in the weather may be filled.",)),
        (
            lambda d: d["weather"].update(use_gusts=False),
            ("The fire is driven by the mean wind; gusts carry it faster for short times.",),
        ),
        (
            lambda d: d.pop("neighbours", None),
            ("No neighbours' cars are counted on the road: on a single-exit street leave earlier still.",),
        ),
        (
            lambda d: d.update(neighbours=NEIGHBOURS),
            ("Neighbours leave when you do, ahead of you: 2 cars a home, of which 10 % tow.",),
        ),
        (
            lambda d: d.update(neighbours={**NEIGHBOURS, "set_out": "gone before"}),
            ("Neighbours are taken to be gone before you leave: 2 cars a home, of which 10 % tow.",),
        ),
        (
            lambda d: d.update(neighbours={**NEIGHBOURS, "set_out": "over time", "half_rolling_min": 8}),
            (
                "Neighbours set out over time, half of them within 8 minutes of being told: 2 cars a home, of which "
                "10 % tow.",
                "When neighbours are told to leave is not known: they are met when the queue is longest.",
            ),
        ),
        (
            lambda d: d["tasks"][2].update(after=["wheels", "hitch"]),
            tuple(
                f"For {way}, 'shutters' does not wait for 'wheels', 'hitch', which are not done then."
                for way in ("car", "foot", "shelter")
            ),
        ),
    ],
)
def test_what_the_plan_asks_is_said_word_for_word_and_only_where_it_does(
    change: Callable[[dict[str, Any]], object], said: tuple[str, ...]
) -> None:
    begins = tuple(" ".join(line.split()[:3]) for line in said)
    assert tuple(line for line in read(changed(change)).assumptions if line.startswith(begins)) == said


def test_who_is_told_at_a_stated_time_is_not_said_to_be_met_at_the_worst() -> None:
    told = {**NEIGHBOURS, "set_out": "over time", "told_after_fire_min": 20}
    said = read(changed(lambda d: d.update(neighbours=told))).assumptions
    assert not any(line.startswith(("When neighbours", "No neighbours")) for line in said)


# --- rules for a fire that nobody knows yet ---------------------------------------------------------------------------


def test_a_plan_needs_no_worked_day() -> None:
    for change in (lambda d: d.pop("ignitions"), lambda d: d.update(ignitions=[])):
        plan = read(changed(change))
        assert not plan.has_worked_day
        assert plan.starts_at < datetime(1900, 1, 1, tzinfo=EAST)
    worked = read(DOCUMENT)
    assert worked.has_worked_day
    assert worked.starts_at == datetime(2026, 1, 17, 11, 0, tzinfo=EAST)


def test_the_scale_of_ratings_is_that_of_the_region_unless_the_plan_names_one() -> None:
    for region, scale in (("AU-VIC", "australia"), ("PT", "europe"), ("US-CA", "own"), ("NZ", "own")):
        assert read(changed(lambda d, region=region: d["roads"].update(region=region))).rating_scale == scale
    assert read(changed(lambda d: d.update(danger={"scale": "europe"}))).rating_scale == "europe"
    own = [line for line in read(changed(lambda d: d["roads"].update(region="NZ"))).assumptions if "like the" in line]
    assert own == [
        'No scale of fire danger ratings is known here for NZ, and the plan names none: "a day like the plan\'s" is '
        "the only one that the rules are made for."
    ]
    assert not any("a day like the plan's" in line for line in read(DOCUMENT).assumptions)


def test_ratings_and_rules_come_in_si() -> None:
    winds = [0.0] * 12 + [60.0, 20.0, 20.2, 0.0]
    rules = {"learns_after_min": 45, "allowed_percent": 2, "radius_km": 12, "hours": [16, 9], "wind_percent": winds}
    plan = read(changed(lambda d: d.update(ratings=[{"name": "calm", "stands_for": "High"}, BY_HAND], rules=rules)))
    assert [(one.name, one.stands_for, one.leave) for one in plan.ratings] == [
        ("calm", "High", False),
        ("amber", None, False),
    ]
    amber = plan.ratings[1]
    assert (amber.wind_m_s, amber.air_temperature_c, amber.relative_humidity_percent) == (10.0, 34.0, 18.0)
    found = plan.rules
    assert (found.learns_s, found.allowed_share, found.radius_m) == ((2700.0, 2700.0, 2700.0), 0.02, 12_000.0)
    assert found.hours == (9, 16)
    assert sum(found.wind_shares) == pytest.approx(1.0, abs=1e-12)
    assert found.wind_shares[12] == pytest.approx(60.0 / 100.2)
    three = read(changed(lambda d: d.update(rules={"learns_after_min": arrival(5, 20, 90)}))).rules
    assert three.learns_s == (300.0, 1200.0, 5400.0)


def test_what_the_rules_take_for_granted_is_said() -> None:
    bare = read(DOCUMENT)
    assert (bare.rules.learns_s, bare.rules.hours) == ((600.0, 1800.0, 3600.0), (10, 13, 16, 19))
    assert bare.rules.wind_shares == (1.0 / 16.0,) * 16
    said = "after how long word of a fire reaches the household; 10 to 60 minutes, likely 30, are taken"
    assert any(said in line for line in bare.assumptions)
    stated = {
        "learns_after_min": 45,
        "radius_km": 12,
        "hours": [9],
        "wind_percent": [6.25] * 16,
        "starts_file": "starts.tif",
    }
    full = read(changed(lambda d: d.update(rules=stated)))
    left = set(bare.assumptions) - set(full.assumptions)
    assert len(left) == len(stated)
    assert set(full.assumptions) < set(bare.assumptions)
