"""The pages of keys: they are what the declarations say, and a plan file is read as the page says.

Run with: python tests/household/test_plan_keys.py

to make them anew, in the package, after a key has changed.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterator
from dataclasses import MISSING, replace
from pathlib import Path
from typing import Any, get_args, get_origin

import pytest

from leaveby.ask.household import demo_folder
from leaveby.errors import InputError
from leaveby.files.read.district_shape import DistrictFile
from leaveby.files.read.drill_shape import DrillFile
from leaveby.household.plan import PlanFile
from leaveby.household.plan_file import plan_from_document
from leaveby.household.plan_keys import TWINS, declared, defaults_of, keys_of

ABOUT = Path(__file__).resolve().parents[2] / "toolkit" / "leaveby" / "about"
PAGES = {"plan_keys.md": PlanFile, "drill_keys.md": DrillFile, "district_keys.md": DistrictFile}
PAGE = (ABOUT / "plan_keys.md").read_text(encoding="utf-8")
SI_PER_UNIT = {"min": 60.0, "h": 3600.0, "km/h": 1.0 / 3.6, "km": 1000.0, "%": 0.01}
HEADER = re.compile(r"## (\[\[?)(\w+)")
SPAN = re.compile(r"(more than )?(-?[\d.]+)(?: to| and at most) ([\d.]+)")


def keys_page(file: type) -> str:
    """The reference of all keys of a file (`plan.PlanFile`, or that of drills) for people, in Markdown."""
    lines = [
        f"# Keys of the {_first(file)[4:-1]}",
        "",
        "Every section and key with its unit and range, and what stands when it is left out.",
        "",
        "A key that ends in a metric unit may be written in another one, at the same place, not both at once: "
        + ", ".join(f"`{twin.ending}` ({twin.unit}) for `{twin.of}`" for twin in TWINS)
        + ". The ranges here hold as well.",
    ]
    defaults = defaults_of(file)
    for name, hint in keys_of(file).items():
        found = declared(hint)
        many = found.table is None
        table = declared(get_args(found.form)[0]).table if many else found.table
        assert table is not None
        needed = "needed" if defaults[name] is MISSING or found.told.startswith("at least one") else "may be left out"
        lines += ["", f"## {f'[[{name}]]' if many else f'[{name}]'}", "", f"{_first(table)} ({needed})", ""]
        lines += _rows(table)
    return "\n".join(lines) + "\n"


def _first(table: type) -> str:
    return (table.__doc__ or "").strip().splitlines()[0]


def _rows(table: type) -> Iterator[str]:
    defaults = defaults_of(table)
    yield "| key | unit | range | when left out | what it is |"
    yield "|---|---|---|---|---|"
    for name, hint in keys_of(table).items():
        found = declared(hint)
        listed = get_origin(found.form) in (tuple, list)
        unit = found.unit or (declared(get_args(found.form)[0]).unit if listed else "")
        span = found.told if found.table is not None else found.range or found.told
        yield f"| `{name}` | {unit} | {span} | {_shown(defaults[name], unit if found.name else '')} | {found.what} |"


def _shown(default: Any, unit: str) -> str:
    if default is MISSING:
        return "needed"
    if default is None:
        return "not stated"
    if isinstance(default, bool):
        return str(default).lower()
    if isinstance(default, str):
        return f'"{default}"' if default else "empty"
    if isinstance(default, tuple):
        return ", ".join(_shown(one, unit) for one in default) or "none"
    # A field that has another name than its key holds SI.
    return f"{default / SI_PER_UNIT.get(unit, 1.0):g}"


def rows() -> list[tuple[str, bool, list[str]]]:
    """Section, whether it stands any number of times, and the cells of each row of the page."""
    found: list[tuple[str, bool, list[str]]] = []
    section, many = "", False
    for line in PAGE.splitlines():
        if (header := HEADER.match(line)) is not None:
            section, many = header[2], header[1] == "[["
        elif line.startswith("| `"):
            found.append((section, many, [cell.strip().strip("`") for cell in line.strip("| ").split(" | ")]))
    return found


RANGED = [(section, many, cells) for section, many, cells in rows() if SPAN.fullmatch(cells[2])]


def document() -> dict[str, Any]:
    read = tomllib.loads((demo_folder() / "plan.toml").read_text(encoding="utf-8"))
    rating = {"name": "High", "wind_km_h": 30, "temperature_c": 33, "humidity_percent": 20}
    rules = {"terrain_file": "wide.tif", "fuel_type": "heath"}
    neighbours = {"homes": 40, "set_out": "over time"}
    given = {"house": {}, "fire": {}, "rules": rules, "ratings": [rating], "neighbours": neighbours}
    return {**given, **copy.deepcopy(read)}


def faults_at(section: str, many: bool, key: str, value: float) -> list[str]:
    """The words of faults of that key alone, and of no other, when it is written with this value."""
    changed = document()
    if section == "fire":
        changed["fire"] = {}
    table = changed[section]
    (table[0] if many else table)[key] = value
    try:
        plan_from_document(changed)
    except InputError as error:
        return [fault.expected for fault in error.faults if fault.place.endswith(key) and "is " in fault.wrong]
    return []


def test_the_pages_are_what_the_declarations_say() -> None:
    for name, file in PAGES.items():
        assert keys_page(file) == (ABOUT / name).read_text(encoding="utf-8")


def test_every_key_of_the_demo_stands_on_the_page_with_what_it_is() -> None:
    listed = {(section, cells[0]) for section, _, cells in rows()}
    for section, content in document().items():
        for table in content if isinstance(content, list) else [content]:
            assert {(section, key) for key in table} <= listed
    assert all(len(cells) == 5 and all(cells[k] for k in (0, 2, 3, 4)) for _, _, cells in rows())


@pytest.mark.parametrize(("section", "many", "cells"), RANGED, ids=[f"{one[0]}.{one[2][0]}" for one in RANGED])
def test_values_beyond_the_range_on_the_page_are_refused_and_those_within_are_not(
    section: str, many: bool, cells: list[str]
) -> None:
    key, span = cells[0], SPAN.fullmatch(cells[2])
    assert span is not None
    low, high = (float(end) for end in (span[2], span[3]))
    whole = cells[1] in ("members", "people", "seats", "homes")

    def shape_faults(value: float) -> list[str]:
        # What has to hold between keys (three points in order, a home near its fires) is no matter of the range.
        return [said for said in faults_at(section, many, key, int(value) if whole else value) if "<=" not in said]

    step = 1.0 if whole else (high - low) * 1e-6
    between = {"lon_deg", "lat_deg", "hands", "members"}
    if key not in between:
        assert shape_faults(high) == []
        assert shape_faults(low + step if span[1] else low) == []
    assert shape_faults(high + step)
    assert shape_faults(low if span[1] else low - step)


def test_what_is_left_out_stands_as_the_page_says() -> None:
    """Writing the default of the page changes nothing but the sentences on what was assumed."""
    stated = document()
    bare = document()
    for section, many, (key, _, _, default, _) in rows():
        if section not in bare or default in ("needed", "not stated", "none", "empty"):
            continue
        value: Any
        if key == "models":
            value = [word.strip('"') for word in default.split(", ")]
        elif key == "learns_after_min":
            value = dict(
                zip(("shortest_min", "likely_min", "longest_min"), map(float, default.split(", ")), strict=True)
            )
        else:
            value = tomllib.loads(f"x=[{default}]" if key == "hours" else f"x={default}")["x"]
        for table in stated[section] if many else [stated[section]]:
            table[key] = value
        for table in bare[section] if many else [bare[section]]:
            table.pop(key, None)
    one, other = plan_from_document(stated), plan_from_document(bare)
    assert replace(one, assumptions=()) == replace(other, assumptions=())
    assert one.assumptions != other.assumptions


if __name__ == "__main__":
    for written, holds in PAGES.items():
        (ABOUT / written).write_text(keys_page(holds), encoding="utf-8")
