"""A district file as read: its own sections, checked, and the plan that holds what it shares with one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from leaveby.ask.household import load_plan
from leaveby.errors import Faults, InputError
from leaveby.files.read.district_shape import OWN, SECTIONS, of_a_plan, ways_in
from leaveby.files.read.drill_shape import place_in, read_table
from leaveby.files.read.plan import plan_in, refuse_another, toml_document, toml_text, with_line
from leaveby.fire.spread.series import MODELS
from leaveby.household.plan import Plan
from leaveby.household.plan_document import meant
from leaveby.household.plan_file import assumed_of_ground, assumed_rules

_CAR: Final = {"name": "a car", "kind": "car", "width_m": 2.0, "height_m": 2.0, "length_m": 5.0, "mass_kg": 2500}


@dataclass(frozen=True, eq=False)
class DistrictFile:
    """A district file: its own sections by key, the plan that holds what it shares with one, and its text.

    - `need_plan`: of the household that stands for all, where the file names one.
    - `assumptions`: what was taken for granted of roads, weather and fire.
    """

    own: Mapping[str, Mapping[str, Any]]
    plan: Plan
    need_plan: Plan | None
    path: Path
    text: str
    assumptions: tuple[str, ...]

    def named(self, section: str, key: str) -> Path | None:
        """The file that a key of its own names."""
        name = self.own[section][key]
        return None if name is None else _beside(self.path, name)


def _beside(path: Path, name: str) -> Path:
    """A file that a district file names, relative to its own folder."""
    return path.parent / Path(name).expanduser()


def read_file(path: Path) -> DistrictFile:
    """The file, its own sections checked and the rest as a plan, every fault of both at once."""
    where, text = str(path), toml_text(path, what="a district file (TOML)")
    document = toml_document(text, where=where)
    refuse_another("district", document, where=where)
    faults = Faults()
    own: dict[str, dict[str, Any]] = {}
    for name in document:
        if name not in SECTIONS:
            mend = meant(name, SECTIONS, "take the section away")
            faults.tell(f"{where}: [{name}]", "no_section_of_districts", known=", ".join(SECTIONS), mend=mend)
    for name, noun in OWN.items():
        held = document.get(name, {})
        if not isinstance(held, dict):
            place = place_in(name, None, table={}, key="", where=where)
            faults.add(place, "is no section", "keys and values under it", "write it as a section")
            held = {}
        if name == "fires" and held.get("of_each_rating") == 0:
            faults.tell(f"{where}: [fires] of_each_rating", "no_fires", fires=0)
            held = {**held, "of_each_rating": 250}
        own[name] = read_table(name, held, where=where, faults=faults, noun=noun)
    need, need_plan = own["need"], None
    if need["plan"] is not None:
        need_plan = faults.gather(lambda: load_plan(_beside(path, need["plan"])))
    stated = document.get("need")
    if need["plan"] is None and need["ready_min"] is None and not (isinstance(stated, dict) and "ready_min" in stated):
        faults.add(f"{where}: [need]", "is missing", "ready_min, or a plan", 'add a line "ready_min = 25", say')
    for section, key in (("homes", "file"), ("fires", "starts_file")):
        name = own[section][key]
        if name is not None and not _beside(path, name).is_file():
            wanted = "a file, its name relative to the folder of the district file"
            wrong = "and there is no such file"
            place = f"{where}: [{section}] {key}"
            faults.tell(place, "named_file_missing", name=name, wrong=wrong, wanted=wanted)
    made = _as_plan(document, own)
    plan = faults.gather(lambda: plan_in(made, path, text=text, fire_models=MODELS))
    if faults or plan is None:
        raise InputError(with_line(fault, text, where=where) for fault in faults)
    if need_plan is not None:
        plan = replace(plan, rules=replace(plan.rules, learns_s=need_plan.rules.learns_s))
        if "vehicles" not in document:
            plan = replace(plan, vehicles=need_plan.vehicles, towing=need_plan.towing)
    said = (assumed_rules(plan), *assumed_of_ground(plan, made))
    return DistrictFile(own, plan, need_plan, path, text, said)


def _as_plan(document: dict[str, Any], own: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """What a district shares with a plan; its household stands near the safe points until homes are read."""
    shared = of_a_plan(document)
    asked = own["district"]
    listed = shared.get("safe_points")
    points = [one for one in (listed if isinstance(listed, list) else []) if isinstance(one, dict)]
    degrees = [[one.get("lon_deg"), one.get("lat_deg")] for one in points]
    known = [one for one in degrees if all(isinstance(deg, int | float) and abs(deg) <= 360.0 for deg in one)]
    lon_deg, lat_deg = np.mean(np.array(known, dtype=np.float64), axis=0).tolist() if known else (0.0, 0.0)
    vehicles = document.get("vehicles", [dict(_CAR)])
    given = {key: asked[key] for key in ("confidence", "margin_min", "horizon_h") if asked[key] is not None}
    plan = {"name": asked["name"] or "district", "members": 2000, "durations": "beta_pert", **given}
    task = {"name": "get ready", "ways": ways_in(vehicles), "shortest_min": 1, "likely_min": 1, "longest_min": 1}
    return {
        "plan": plan,
        "home": {"lon_deg": lon_deg, "lat_deg": min(lat_deg + 0.02, 90.0)},
        "people": [{"name": "whoever drives", "can": ["drive", "tow"]}],
        "tasks": [task],
        **shared,
        "vehicles": vehicles,
    }
