from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import datetime, timedelta
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, ValidationError

from leaveby.caution import OVERRIDE
from leaveby.decision.ways.result import HeldUp
from leaveby.errors import InputError
from leaveby.show.plan.record import result_record
from leaveby.show.record import record_text
from leaveby.show.wording import minutes_down, minutes_up

SCHEMA = json.loads(files("leaveby.show.plan").joinpath("result.schema.json").read_text(encoding="utf-8"))
CONTRACT = [
    "override",
    "today",
    "scenario",
    "confidence",
    "ways",
    "fire",
    "rules",
    "shelter",
    "assumptions",
    "outside_validity",
    "timetable",
    "what_if",
    "inputs",
]


@pytest.fixture(scope="module")
def record(result, invented):
    return result_record(result, made_at=invented.MADE_AT)


@pytest.fixture(scope="module")
def validator():
    return Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)


def closed_way(way):
    """A way that no route suits."""
    endless = replace(way.drive_s, p50_s=math.inf, p90_s=math.inf, p95_s=math.inf)
    return replace(
        way,
        latest_start_s=None,
        latest_departure_s=None,
        why="The house is 4.2 m high and every way out passes a bridge of 3.5 m.",
        fits=False,
        route=None,
        drive_s=endless,
        required_s=endless,
        clear_probability=np.zeros_like(way.clear_probability),
        member_latest_start_s=np.full(500, -np.inf),
    )


def endless_result(result):
    """Nothing arrives within the horizon."""
    shelter = replace(
        result.shelter,
        leaving_ends_s=math.inf,
        ember_arrival_s=math.inf,
        front_arrival_s=math.inf,
        latest_start_before_embers_s=math.inf,
        latest_start_before_front_s=math.inf,
        skin_pain_s=math.inf,
        place=replace(result.shelter.place, open_until_s=-math.inf, travel_s=math.inf, distance_m=math.inf),
    )
    fire = replace(result.fire, home_p05_s=math.inf, home_p50_s=math.inf, ember_home_p05_s=math.inf)
    car = replace(
        result.ways["car"],
        latest_start_s=None,
        latest_departure_s=None,
        why="The fire does not shut this way within 8 hours.",
        route=replace(result.ways["car"].route, closes_first="", closes_first_s=math.inf),
    )
    return replace(
        result,
        fire=fire,
        shelter=shelter,
        ways={"tow": closed_way(result.ways["tow"]), "car": car, "foot": result.ways["foot"]},
    )


def test_the_override_statement_comes_first_and_every_part_of_the_contract_is_there(record):
    assert next(iter(record)) == "override"
    assert record["override"] == OVERRIDE
    assert [name for name in record if name in CONTRACT] == CONTRACT


def test_the_schema_is_a_valid_2020_12_schema():
    # JSON Schema 2020-12 meta-schema, as shipped with the jsonschema library.
    Draft202012Validator.check_schema(SCHEMA)


def test_the_record_keeps_to_its_schema(record, validator):
    validator.validate(record)


def test_people_who_are_away_stand_in_the_record(result, invented, record, validator):
    assert all("waited_for" not in way for way in record["ways"].values())
    bo = replace(result.plan.people[1], arrives_after_s=2100.0, arrives_soonest_s=1205.0, arrives_latest_s=5401.0)
    plan = replace(result.plan, people=(result.plan.people[0], bo))
    tow = replace(result.ways["tow"], held_up_by={"Bo": 0.61999})
    made = result_record(replace(result, plan=plan, ways={**result.ways, "tow": tow}), made_at=invented.MADE_AT)
    validator.validate(made)
    # 1205 s are 20.08 minutes, 5401 s are 90.02.
    (row,) = made["ways"]["tow"]["waited_for"]
    assert row == {
        "person": "Bo",
        "shortest_min": 20.0,
        "likely_min": 35.0,
        "longest_min": 90.1,
        "held_up_share": 0.6199,
    }


def test_neighbours_on_the_way_stand_in_the_record(result, invented, record, validator):
    assert all("neighbours" not in way for way in record["ways"].values())
    held = HeldUp("Mill Road", cars=150, passes_veh_h=654.55, at_once_s=825.1, counted_s=61.0, set_out="over time")
    tow = replace(result.ways["tow"], held_up=held)
    made = result_record(replace(result, ways={**result.ways, "tow": tow}), made_at=invented.MADE_AT)
    validator.validate(made)
    # 825.1 s are 13.752 minutes, 61 s 1.017
    assert made["ways"]["tow"]["neighbours"] == {
        "street": "Mill Road",
        "cars": 150,
        "passes_veh_h": 654.5,
        "at_once_min": 13.8,
        "counted_min": 1.1,
        "set_out": "over time",
        "said": "If everyone behind Mill Road leaves when you do, add 14 minutes. The times here have up to 2 minutes "
        "of it, for neighbours who set out over time.",
    }


def test_no_task_for_closing_the_house_never_reads_as_closed_at_once(result, invented, validator):
    none = replace(
        result.shelter,
        tasks=(),
        ready_s=math.inf,
        closed_before_embers=0.0,
        closed_before_front=0.0,
        latest_start_before_embers_s=-math.inf,
        latest_start_before_front_s=-math.inf,
    )
    made = result_record(replace(result, shelter=none), made_at=invented.MADE_AT)
    validator.validate(made)
    assert made["shelter"]["ready_min"] is None
    assert made["shelter"]["latest_start_before_embers"] is None
    said = "The plan names no task for closing the house."
    assert made["shelter"]["why"]["latest_start_before_embers"] == said
    assert made["shelter"]["why"]["latest_start_before_front"] == said


def test_every_field_of_the_schema_says_what_it_is():
    def walk(schema, path):
        if not isinstance(schema, dict):
            return
        for name, part in schema.get("properties", {}).items():
            described = "description" in part or part.get("type") == "array" or "anyOf" in part
            assert described or "properties" in part or "$ref" in part, f"{path}.{name}"
            walk(part, f"{path}.{name}")
        for key in ("items", "additionalProperties"):
            walk(schema.get(key), f"{path}[]")
        for part in schema.get("anyOf", []):
            walk(part, path)

    walk(SCHEMA, "")
    for name, part in SCHEMA["$defs"].items():
        walk(part, name)


def test_a_result_without_ends_keeps_to_the_schema_and_says_why(result, invented, validator):
    record = result_record(endless_result(result), made_at=invented.MADE_AT)
    validator.validate(record)
    text = record_text(record)
    assert "Infinity" not in text
    assert "NaN" not in text
    for way in ("tow", "car"):
        assert record["ways"][way]["latest_start"] is None
        assert record["ways"][way]["why"]
    assert record["ways"]["tow"]["drive_min"] == {"p50": None, "p90": None, "p95": None}
    assert record["ways"]["car"]["route"]["closes_first"]["why"]
    assert record["fire"]["arrival_home"]["why"]
    assert record["fire"]["ember_why"]
    assert record["shelter"]["why"].keys() >= {"leaving_ends", "ember_arrival", "front_arrival"}


def test_a_way_that_is_null_always_has_a_reason(result, invented):
    silent = replace(closed_way(result.ways["tow"]), why="")
    record = result_record(replace(result, ways={"tow": silent}), made_at=invented.MADE_AT)
    assert record["ways"]["tow"]["why"]


def test_the_same_result_gives_the_same_text(invented):
    texts = {record_text(result_record(invented.invented_result(), made_at=invented.MADE_AT)) for _ in range(2)}
    assert len(texts) == 1


def test_only_the_moment_it_was_made_differs_between_two_makings(result, invented):
    later = result_record(result, made_at=invented.MADE_AT + timedelta(days=3))
    first = result_record(result, made_at=invented.MADE_AT)
    assert {name for name in first if first[name] != later[name]} == {"made_at"}


def test_a_moment_without_offset_is_refused(result):
    with pytest.raises(InputError, match="no UTC offset"):
        result_record(result, made_at=datetime(2025, 1, 1))


def test_clock_times_carry_the_scenarios_offset_and_are_never_late(result, record):
    # ISO 8601 as read by the standard library's datetime.fromisoformat.
    for name, way in result.ways.items():
        for key, time_s in (("latest_start", way.latest_start_s), ("latest_departure", way.latest_departure_s)):
            at = datetime.fromisoformat(record["ways"][name][key])
            exact = result.start + timedelta(seconds=time_s)
            assert at.utcoffset() == result.start.utcoffset()
            assert timedelta(0) <= exact - at < timedelta(minutes=1)


@given(st.floats(0.0, 1e6))
def test_durations_are_never_rounded_to_the_late_side(time_s):
    up, down = minutes_up(time_s), minutes_down(time_s)
    assert up is not None
    assert down is not None
    assert up * 60.0 >= time_s - 1e-3
    assert down * 60.0 <= time_s + 1e-3
    assert up - down <= 0.1 + 1e-9


def test_the_curve_never_rises_in_the_record(record):
    for way in record["ways"].values():
        shares = [share for _, share in way["clear_probability"]]
        assert shares == sorted(shares, reverse=True)


def test_no_empty_list_of_warnings_looks_like_no_warning(record, validator):
    """Nothing here hears public warnings, so the record names them only in the override statement, which stays."""
    assert "official" not in record
    assert record["override"] == OVERRIDE
    with pytest.raises(ValidationError):
        validator.validate({**record, "official": []})


def test_the_schema_refuses_a_record_with_a_number_that_is_not_a_time(record, validator):
    broken = json.loads(record_text(record))
    broken["ways"]["tow"]["latest_start"] = "soon"
    with pytest.raises(ValidationError):
        validator.validate(broken)


def test_text_refuses_numbers_that_json_does_not_know():
    with pytest.raises(ValueError, match="Out of range"):
        record_text({"a": math.inf})
