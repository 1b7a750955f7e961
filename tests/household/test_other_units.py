"""Keys in miles, feet, pounds and degrees Fahrenheit: the same plan as the metric ones, held against exact definitions.

International yard and pound agreement (1959): 1 mile = 1609.344 m, 1 ft = 0.3048 m, 1 in = 0.0254 m, 1 lb =
0.45359237 kg. 1 hp = 550 ft lbf/s under standard gravity. Degrees F = 1.8 degrees C + 32.
"""

from __future__ import annotations

import copy
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leaveby.ask.household import demo_folder
from leaveby.errors import InputError
from leaveby.files.read.drill_shape import DrillFile, read_table
from leaveby.household.plan import Plan, PlanFile
from leaveby.household.plan_file import plan_from_document
from leaveby.household.plan_keys import TWINS, declared, keys_of, twins_of

EXACT: dict[str, Callable[[float], float]] = {
    # from the metric value as the file has it to the other unit, by exact definitions, not by what is tested
    "_mph": lambda km_h: km_h * 1000.0 / 1609.344,
    "_miles": lambda km: km * 1000.0 / 1609.344,
    "_ft": lambda m: m / 0.3048,
    "_in": lambda m: m / 0.0254,
    "_lb": lambda kg: kg / 0.45359237,
    "_hp": lambda kw: kw * 1000.0 / (550.0 * 0.3048 * 0.45359237 * 9.80665),
    "_f": lambda c: 1.8 * c + 32.0,
}


def document() -> dict[str, Any]:
    read = tomllib.loads((demo_folder() / "plan.toml").read_text(encoding="utf-8"))
    rating = {"name": "High", "wind_km_h": 30, "temperature_c": 33, "humidity_percent": 20}
    return {"ratings": [rating], **copy.deepcopy(read)}


def metric_keys(file: type, content: dict[str, Any]) -> Iterator[tuple[dict[str, Any], str]]:
    """Every table of a document and every key there that has a twin."""
    for name, hint in keys_of(file).items():
        found, value = declared(hint), content.get(name)
        many = found.table is None
        table = declared(get_args(found.form)[0]).table if many else found.table
        for one in value if isinstance(value, list) else [value]:
            if table is not None and isinstance(one, dict):
                yield from ((one, key) for key in keys_of(table) if key in one and twins_of(key))


def in_other_units(value: Any, ending: str) -> Any:
    return [in_other_units(one, ending) for one in value] if isinstance(value, list) else EXACT[ending](float(value))


def alike(one: Any, other: Any) -> bool:
    """Equal to rounding, numbers within 1e-9 of each other."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    if isinstance(one, tuple | list) and isinstance(other, tuple | list):
        return len(one) == len(other) and all(map(alike, one, other))
    if hasattr(one, "__dataclass_fields__"):
        return type(one) is type(other) and all(alike(getattr(one, at), getattr(other, at)) for at in vars(one))
    return bool(one == other)


@given(st.data())
def test_any_mixture_of_twins_gives_the_same_plan(data: st.DataObject) -> None:
    plain, changed = document(), document()
    values = {"width_m": 2.0, "length_m": 6.0, "height_m": 3.0, "mass_kg": 2000.0, "wind_km_h": 40.0}
    for (one, key), (other, _) in zip(
        list(metric_keys(PlanFile, plain)), list(metric_keys(PlanFile, changed)), strict=True
    ):
        if key in values:
            one[key] = other[key] = data.draw(st.floats(0.8 * values[key], 1.2 * values[key]), label=key)
        written = data.draw(st.sampled_from([key, *twins_of(key)]), label="written")
        if written != key:
            other[written] = in_other_units(
                other.pop(key), next(one.ending for one in TWINS if written.endswith(one.ending))
            )
    metric, imperial = plan_from_document(plain), plan_from_document(changed)
    said = [re.sub(r"\d+(?:\.\d+)?", "#", line) for line in metric.assumptions]
    assert [re.sub(r"\d+(?:\.\d+)?", "#", line) for line in imperial.assumptions] == said
    assert alike(replace(metric, assumptions=()), replace(imperial, assumptions=()))


def test_the_demo_has_every_kind_of_twin_and_none_is_a_key_already() -> None:
    keys = [key for _, key in metric_keys(PlanFile, document())]
    assert {one.of for one in TWINS} - {"_km"} == {one.of for one in TWINS for key in keys if key.endswith(one.of)}
    assert {one.ending for one in TWINS} == set(EXACT)
    for file in (PlanFile, DrillFile):
        for hint in keys_of(file).values():
            found = declared(hint)
            table = found.table or declared(get_args(found.form)[0]).table
            names = list(keys_of(table)) if table is not None else []
            twins = [twin for name in names for twin in twins_of(name)]
            assert not set(twins) & set(names)
            assert len(twins) == len(set(twins))


def read(change: Callable[[dict[str, Any]], object]) -> Plan:
    changed = document()
    change(changed)
    return plan_from_document(changed, where="home.toml")


def test_values_that_people_know() -> None:
    """Common practice, no source: 102 in wide, 13 ft 6 in high, 55 mph; 15 miles; water boils at 212 F."""

    def american(plan: dict[str, Any]) -> None:
        house = plan["vehicles"][1]
        for key in ("width_m", "height_m", "mass_kg"):
            del house[key]
        house |= {"width_in": 102, "height_ft": 13.5, "mass_lb": 10_000}
        plan["towing"] = {"speed_limit_mph": 55}
        plan["rules"] = {**plan.get("rules", {}), "radius_miles": 15}
        plan["ratings"] = [{"name": "High", "wind_mph": 25, "temperature_f": 95, "humidity_percent": 15}]

    plan = read(american)
    house = plan.vehicles[1]
    assert house.width_m == pytest.approx(2.5908)
    assert house.height_m == pytest.approx(4.1148)
    assert house.mass_kg == pytest.approx(4535.9237)
    assert plan.towing is not None
    assert plan.towing.speed_limit_m_s == pytest.approx(55.0 * 0.44704)
    assert plan.rules.radius_m == pytest.approx(24_140.16)
    assert plan.ratings[0].air_temperature_c == pytest.approx(35.0)
    assert plan.ratings[0].wind_m_s == pytest.approx(11.176)


def swap(table: dict[str, Any], key: str, **given: object) -> None:
    del table[key]
    table.update(given)


FAULTS: list[tuple[Callable[[dict[str, Any]], object], str]] = [
    (
        lambda d: swap(d["towing"], "speed_limit_km_h", speed_limit_mph=140),
        "home.toml: [towing] speed_limit_mph: is 140. Expected mph, more than 0 and at most 80.7783. "
        "To mend it: write mph, more than 0 and at most 80.7783.",
    ),
    (
        lambda d: swap(d["towing"], "speed_limit_km_h", speed_limit_mph="fast"),
        'home.toml: [towing] speed_limit_mph: is "fast", a text. Expected mph, more than 0 and at most 80.7783. '
        "To mend it: write it without quotes, the number or true/false alone.",
    ),
    (
        lambda d: d["towing"].update(speed_limit_mph=40),
        "home.toml: [towing] speed_limit_mph: says in another unit what speed_limit_km_h says. "
        "Expected speed_limit_km_h or speed_limit_mph, not both. To mend it: take one of the two away.",
    ),
    (
        lambda d: swap(d["vehicles"][1], "width_m", width_ft=8, width_in=102),
        'home.toml: vehicles[2] "the house": width_in: says in another unit what width_m says. '
        "Expected width_m or width_in, not both. To mend it: take one of the two away.",
    ),
    (
        lambda d: swap(d["vehicles"][1], "mass_kg", mass_lb=10),
        'home.toml: vehicles[2] "the house": mass_lb: is 10. Expected pounds laden, more than 110.231 and at most '
        "176370. To mend it: write pounds laden, more than 110.231 and at most 176370.",
    ),
    (
        lambda d: swap(d["fire"], "what_if_km_h", what_if_mph=[10, 200]),
        "home.toml: [fire] what_if_mph[2]: is 200. Expected a rate of spread in mph, more than 0, at most 93.2057. "
        "To mend it: write a rate of spread in mph, more than 0, at most 93.2057.",
    ),
    (
        lambda d: swap(d["ratings"][0], "temperature_c", temperature_f=300),
        'home.toml: ratings[1] "High": temperature_f: is 300. Expected degrees F, -4 to 131. '
        "To mend it: write degrees F, -4 to 131.",
    ),
]


@pytest.mark.parametrize(("change", "said"), FAULTS)
def test_faults_are_told_as_they_were_written(change: Callable[[dict[str, Any]], object], said: str) -> None:
    with pytest.raises(InputError) as found:
        read(change)
    assert said in [str(fault) for fault in found.value.faults]


def test_a_slip_in_a_twin_is_mended_to_the_twin() -> None:
    with pytest.raises(InputError, match='write "speed_limit_mph" if that was meant'):
        read(lambda d: swap(d["towing"], "speed_limit_km_h", speed_limit_mhp=40))


def test_drills_take_miles_an_hour() -> None:
    faults: list[Any] = []
    table = {"name": "x", "plan": "plan.toml", "speeds_mph": [5, 12]}
    found = read_table("drill", table, where="drill.toml", faults=faults)
    assert not faults
    assert found["speeds_km_h"] == pytest.approx((5 * 1.609344, 12 * 1.609344))
    read_table("drill", {**table, "speeds_km_h": [5]}, where="drill.toml", faults=faults)
    assert str(faults[0]) == (
        "drill.toml: [drill] speeds_mph: says in another unit what speeds_km_h says. "
        "Expected speeds_km_h or speeds_mph, not both. To mend it: take one of the two away."
    )
    read_table("drill", {**table, "speeds_mph": [70]}, where="drill.toml", faults=faults)
    assert faults[1].place == "drill.toml: [drill] speeds_mph"
    assert "mph, more than 0 and at most 62.1371" in faults[1].expected
