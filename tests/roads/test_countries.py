"""Countries and their units: the tables against what was transcribed, and the page for people.

Run with: python tests/roads/test_countries.py

to make the page anew, in the package, after a value has changed.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.errors import InputError
from leaveby.regions import (
    COUNTRIES,
    STATES,
    WITH_RULES,
    country_of,
    measures_of,
    rating_scale,
    rating_words,
    region_faults,
    table,
)
from leaveby.roads.network.graph import network_from_lines
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.roads.vehicle.restrictions import LEGAL_SIZES, legal_size
from leaveby.roads.vehicle.speeds import ZONE_KM_H, posted_speed_m_s, towing_limit_m_s
from leaveby.roads.vehicle.travel import travel
from leaveby.units import METRIC, MILES_AND_FEET, MILES_AND_YARDS, SYSTEMS

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "toolkit" / "leaveby" / "about" / "countries.md"
WORDS_OF_MARKS = {"read": "seen", "memory": "memory", "practice": "common practice, no source"}
"""Marks as the package writes them, and as people read them."""

TRANSCRIBED = list(csv.DictReader((HERE.parent / "data" / "countries.csv").read_text(encoding="utf-8").splitlines()))
SIZES: list[dict[str, Any]] = table("roads/vehicle/restrictions")["legal_size"]
TOWING: list[dict[str, Any]] = table("roads/vehicle/speeds")["towing"]
ASKED_FOR = ("AU", "NZ", "US", "CA", "PT", "ES", "FR", "GR")
MPH = 1609.344 / 3600.0
"""International yard and pound agreement, 1959: exact."""

HOUSE = RoadVehicle(name="house", mode="tow", width_m=2.5, height_m=4.0, length_m=13.0, mass_kg=7000.0, power_w=2e5)


def drives_left(region: str) -> bool:
    return country_of(region) in table("regions")["driving_side"]["left"]


def page() -> str:
    """What is known of each country, for people: in the units of its own signs, each value with its source and mark."""
    regions, speeds = table("regions"), table("roads/vehicle/speeds")
    lines = [
        "# Countries and their units",
        "",
        "What a plan's `region` changes. Local codes come first, and a plan's own values before these: the lower of",
        "its `speed_limit_km_h` and the limit here holds. Marks: seen (in a secondary page), memory (not read again),",
        "common practice (no source). Where pages differ the lower value is taken. Another country of ISO 3166-1 is",
        "accepted: its units are metric, its ratings those under `[[ratings]]`, and the plan's assumptions say that",
        "its rules are not known. Numbers in JSON records stay SI or metric, with the unit in the key, everywhere.",
        "",
        "| country | drives on the | distances, speeds, heat | ratings | where none is posted, km/h |",
        "|---|---|---|---|---|",
    ]
    for country in WITH_RULES:
        units = measures_of(country)
        scale, words = rating_scale(country), ", ".join(rating_words(country))
        ratings = {"own": f"own words ({words})" if words else "own words"}.get(scale, f"{scale} scale")
        zones = ", ".join(f"{zone.replace('_', ' ')} {limit:.4g}" for zone, limit in ZONE_KM_H[country].items())
        heat = "°F" if units.fahrenheit else "°C"
        side = "left" if drives_left(country) else "right"
        lines.append(
            f"| {country} | {side} | {units.far} and {units.near}, {units.fast}, {heat} | {ratings} | {zones} |"
        )
    marks = WORDS_OF_MARKS
    for name, what in (("driving_side", "Side"), ("measures", "Units"), ("rating_scales", "Rating scales")):
        seen = f"; seen for {', '.join(regions[name]['read'])}" if "read" in regions[name] else ""
        lines += ["", f"{what}: {regions[name]['source']} ({marks[regions[name]['mark']]}{seen})."]
    for country, told in regions["rating_words"].items():
        lines += ["", f"Rating words of {country}: {told['source']} ({marks[told['mark']]})."]
    lines += ["", f"Speeds: {speeds['zone']['source']} ({marks[speeds['zone']['mark']]})."]
    lines += ["", "| region | height without a permit, m | width, m | source | mark |", "|---|---|---|---|---|"]
    elsewhere = {"region": "elsewhere", **table("roads/vehicle/restrictions")["legal_size_elsewhere"]}
    for row in (*SIZES, elsewhere):
        told = f"{row['height_m']:g} | {row['width_m']:g} | {row['source']} | {marks[row['mark']]}"
        lines.append(f"| {row['region']} | {told} |")
    lines += ["", "| region | towing | on motorways | from, t together | source | mark |", "|---|---|---|---|---|---|"]
    for row in TOWING:
        unit = "km/h" if "km_h" in row else "mph"
        key = unit.replace("/", "_")
        motorway, above = row.get(f"motorway_{key}", row[key]), row.get("above_kg", 0.0) / 1000.0
        told = f"{row[key]:g} {unit} | {motorway:g} {unit} | {f'{above:g}' if above else ''}"
        lines.append(f"| {row['region']} | {told} | {row['source']} | {marks[row['mark']]} |")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("row", TRANSCRIBED, ids=lambda row: f"{row['region']} {row['quantity']}")
def test_the_tables_hold_what_was_transcribed(row: dict[str, str]) -> None:
    """Values and marks as transcribed from secondary pages; the lower where two are given."""
    region, what, taken = row["region"], row["quantity"], row["taken"]
    if what == "side":
        assert drives_left(region) is (taken == "left")
        assert country_of(region) in table("regions")["driving_side"]["read"]
        return
    if what in ("height", "width"):
        assert legal_size(region)[what == "width"] == float(taken)
        # a value that was read may stand in a row of which another part is remembered, never the other way
        marks = {one["region"]: one["mark"] for one in SIZES}
        assert row["mark"] == "seen" or marks.get(region, "memory") == "memory"
        return
    heavy = 3600.0 if "above 3.5" in what else 4600.0 if "above" in what else 3500.0
    limit = towing_limit_m_s(region, combined_mass_kg=heavy, motorway="motorway" in what)
    unit = MPH if row["unit"] == "mph" else 1.0 / 3.6
    assert limit == pytest.approx(math.inf if taken == "none" else float(taken) * unit)


def test_the_lower_of_two_printed_values_is_taken() -> None:
    for row in TRANSCRIBED:
        ends = [part for part in row["printed"].split(" ")[0].split("-") if part.isdigit()]
        if len(ends) == 2:
            assert float(row["taken"]) == min(map(float, ends)), row


def test_every_value_has_a_source_and_a_mark_and_every_region_exists() -> None:
    for row in (*SIZES, *TOWING):
        assert row["source"]
        assert row["mark"] in WORDS_OF_MARKS
        assert not region_faults(row["region"], place="here")
    regions = table("regions")
    for part in (regions["measures"], regions["driving_side"], *regions["rating_words"].values()):
        assert part["source"]
        assert part["mark"] in WORDS_OF_MARKS
    assert {country_of(region) for region in LEGAL_SIZES} <= set(WITH_RULES)
    assert set(ASKED_FOR) <= set(WITH_RULES)
    assert set(ASKED_FOR) <= set(LEGAL_SIZES)
    left, named = regions["driving_side"]["left"], regions["measures"]["values"]
    assert left == sorted(set(left))
    assert set(left) <= COUNTRIES
    assert set(named) < set(SYSTEMS)
    assert {country for of in named.values() for country in of} <= COUNTRIES


def test_units_of_signs_by_country() -> None:
    """Miles on the signs of the United States and the United Kingdom, degrees Fahrenheit in US forecasts.

    Common practice, no source.
    """
    assert [measures_of(region) for region in ("US", "US-CA", "VI")] == [MILES_AND_FEET] * 3
    assert [measures_of(region) for region in ("GB", "IM")] == [MILES_AND_YARDS] * 2
    others = ("AU-NSW", "NZ", "CA", "CA-BC", "PT", "ES", "FR", "GR", "CL")
    assert [measures_of(region) for region in others] == [METRIC] * len(others)
    assert posted_speed_m_s("US:55") == pytest.approx(55.0 * MPH)
    assert posted_speed_m_s("CA:80") == pytest.approx(80.0 / 3.6)


def test_motorways_have_their_own_towing_limit() -> None:
    """Portugal: 70 to 80 km/h towing, 100 on motorways (seen, two caravan pages)."""
    fast = replace(HOUSE, speed_limit_m_s=70.0 / 3.6, motorway_limit_m_s=100.0 / 3.6)

    def speed(vehicle: RoadVehicle, kind: str) -> float:
        tags = {"highway": kind, "maxspeed": "120"}
        network = network_from_lines([[(0.0, 0.0), (1000.0, 0.0)]], crs="EPSG:32629", tags=[tags])
        return 1000.0 / float(travel(network, vehicle, region="PT").time_s[0]) * 3.6

    assert speed(fast, "motorway") == pytest.approx(min(100.0, 0.9 * 120.0))
    assert speed(fast, "trunk") == pytest.approx(70.0)
    assert speed(fast, "motorway|trunk") == pytest.approx(70.0)
    assert speed(replace(fast, motorway_limit_m_s=None), "motorway") == pytest.approx(70.0)


@pytest.mark.parametrize(("region", "said"), [("AU", True), ("US-OH", False), ("CA-BC", False), ("CL", True)])
def test_a_house_wider_than_the_rules_allow_is_said(region: str, said: bool) -> None:
    """2.58 m: more than 2.5 m (AU) and 2.55 m (elsewhere), less than 102 in = 2.5908 m (US) and 2.6 m (CA-BC)."""
    wide = replace(HOUSE, width_m=2.58)
    network = network_from_lines([[(0.0, 0.0), (1000.0, 0.0)]], crs="EPSG:32755", tags=[{"highway": "primary"}])
    found = [line for line in travel(network, wide, region=region).assumptions if "without a permit" in line]
    assert len(found) == said


def test_unknown_countries_are_refused_with_the_nearest_and_others_accepted() -> None:
    [fault] = region_faults("PX", place="[roads] region")
    assert fault.mend == 'write "PT" if that was meant'
    assert "there is no such country" in fault.wrong
    assert all(name in fault.expected for name in ASKED_FOR)
    assert region_faults("UK", place="[roads] region")[0].mend == 'write "GB" if that was meant'
    assert not region_faults("CL", place="[roads] region")
    assert region_faults("CA-YX", place="[roads] region")[0].mend == 'write "CA-YT" if that was meant'
    assert legal_size("CL") == (4.0, 2.55)


@given(region=st.sampled_from([*sorted(COUNTRIES), *(state for states in STATES.values() for state in states)]))
def test_no_state_is_without_the_values_of_its_country(region: str) -> None:
    assert all(size > 2.0 for size in legal_size(region))
    assert towing_limit_m_s(region, combined_mass_kg=5000.0) <= towing_limit_m_s(
        region, combined_mass_kg=5000.0, motorway=True
    )
    assert measures_of(region) is measures_of(country_of(region))
    if region in COUNTRIES and region not in WITH_RULES:
        assert math.isinf(towing_limit_m_s(region, combined_mass_kg=5000.0))


def test_the_page_is_what_the_tables_hold() -> None:
    assert PAGE.read_text(encoding="utf-8") == page()


def test_a_motorway_limit_of_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="motorway_limit_m_s"):
        replace(HOUSE, motorway_limit_m_s=0.0)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
