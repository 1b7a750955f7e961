"""Published access rules, chosen by name, each with its source: what a single exit is longer, narrower or steeper than.

A rule is held against what the map says and nothing more: whether it applies to a street, and what it asks of one that
was there before it, is for the local authority. So a comparison says "longer than the rule", never "against the law".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from leaveby.errors import Fault, Faults, refuse
from leaveby.parameters import Mark
from leaveby.regions import table
from leaveby.units import METRES_PER_FOOT

Measure = Literal["ways_out", "dead_end", "all_streets", "width", "grade", "turnaround"]

INFINITE: Final = float("inf")


@dataclass(frozen=True)
class Step:
    """One step of a rule: up to so many households, acres of parcel, or metres of dead end, the limit is this.

    It is a number of ways out, metres, or rise over run, with its words as printed; inf where the rule sets none.
    """

    up_to: float
    limit: float
    printed: str


@dataclass(frozen=True)
class AccessRule:
    """One published rule, with its mark as in `leaveby.parameters`; `note`: what the comparison leaves out.

    - `measure`: what it limits: `ways_out` (the least number, by households), `dead_end` (its length), `all_streets`
      (dead end with all its branches added up, by parcel size), `width` (the least), `grade` (the greatest),
      `turnaround` (length from which one is asked for).
    - `steps`: in rising order of `up_to`.
    - `whose`, `region`: who made it, and country and state in which it is in force; "" where that is none by itself.
    """

    name: str
    title: str
    measure: Measure
    steps: tuple[Step, ...]
    whose: str
    region: str
    source: str
    mark: Mark
    note: str = ""


def _rule(name: str, given: dict[str, Any]) -> AccessRule:
    """One rule of the file, in metres."""
    of, limit = (METRES_PER_FOOT if given.pop(unit, "") == "ft" else 1.0 for unit in ("up_to_unit", "limit_unit"))
    steps = tuple(Step(up_to * of, most * limit, printed) for up_to, most, printed in given.pop("steps"))
    return AccessRule(name=name, steps=steps, **given)


RULES: Final[Mapping[str, AccessRule]] = {
    name: _rule(name, dict(given)) for name, given in table("roads/osm/access_rules").items()
}
"""All rules by name, as they stand in `access_rules.toml` beside this."""

DEFAULT_RULES: Final = ("california_1273_dead_end", "ifc_d107_ways_out", "nfpa_1141_ways_out")
"""Held against every group when none are named: the length of the dead end, and the number of ways out."""


@dataclass(frozen=True)
class Comparison:
    """A rule held against one group of homes, in its own measure, with what a person is told."""

    rule: AccessRule
    measured: float
    limit: float
    sentence: str


@dataclass(frozen=True)
class Measured:
    """What rules are held against, of one group: the dwellings behind its one way out, and their streets.

    `narrowest_m` is the least stated width, inf where none is stated; `steepest` is -inf where it is not known.
    """

    homes: float
    dead_end_m: float
    streets_m: float
    narrowest_m: float = INFINITE
    steepest: float = -INFINITE


def choose_rules(names: Sequence[str]) -> tuple[AccessRule, ...]:
    """Take rules by their names; InputError for all unknown ones."""
    known = ", ".join(sorted(RULES))
    Faults(
        Fault("rules", f"there is no rule {name!r}", f"some of {known}", "correct the name")
        for name in names
        if name not in RULES
    ).refuse()
    return tuple(RULES[name] for name in dict.fromkeys(names))


def limit_of(rule: AccessRule, by: float) -> Step:
    """Find the step of a rule for a number of households, acres or metres.

    Steps by parcel size hold below their bound (a parcel of exactly 1 acre has the limit of 1 to 4.99 acres); the
    others up to it.
    """
    if not by >= 0.0:
        raise refuse(rule.name, f"it was asked for {by}", expected="0 or more", mend="correct the number")
    for step in rule.steps:
        if by < step.up_to or (rule.measure != "all_streets" and by == step.up_to) or step.up_to == INFINITE:
            return step
    return rule.steps[-1]


def compare(rule: AccessRule, measured: Measured, *, parcel_acres: float | None = None) -> Comparison | None:
    """Hold a rule against a group; nothing where it lies within the rule or the map does not say.

    `parcel_acres` is the smallest parcel on the streets; where it is not known the shortest limit is taken.

    >>> group = Measured(homes=85.0, dead_end_m=900.0, streets_m=1500.0)
    >>> compare(RULES["ifc_d107_ways_out"], group).sentence
    '85 homes on one way out: more than the rule has for one (30 dwellings).'
    >>> compare(RULES["california_1273_dead_end"], group).sentence
    '1,500 m of dead end: longer than the rule for parcels of unknown size (800 ft, 244 m).'
    >>> compare(RULES["california_width"], group) is None
    True
    """
    match rule.measure:
        case "ways_out":
            step = limit_of(rule, measured.homes)
            if step.limit <= 1.0:
                return None
            one = max((item for item in rule.steps if item.limit <= 1.0), key=lambda item: item.up_to)
            words = f"{measured.homes:g} homes on one way out: more than the rule has for one ({one.printed})."
            return Comparison(rule, measured.homes, one.up_to, words)
        case "all_streets":
            step = limit_of(rule, 0.0 if parcel_acres is None else parcel_acres)
            size = "of unknown size" if parcel_acres is None else f"of {parcel_acres:g} acres"
            return _above(rule, measured.streets_m, step, f"m of dead end: longer than the rule for parcels {size}")
        case "dead_end":
            step = limit_of(rule, measured.dead_end_m)
            return _above(rule, measured.dead_end_m, step, "m of dead end: longer than the rule")
        case "turnaround":
            step = limit_of(rule, measured.dead_end_m)
            return _above(rule, measured.dead_end_m, step, "m of dead end: so long that the rule asks for a turnaround")
        case "width":
            step = limit_of(rule, measured.dead_end_m)
            if not measured.narrowest_m < step.limit:
                return None
            words = f"{measured.narrowest_m:g} m wide: narrower than the rule ({step.printed})."
            return Comparison(rule, measured.narrowest_m, step.limit, words)
        case "grade":
            step = rule.steps[-1]
            if not measured.steepest > step.limit:
                return None
            words = f"grade of {100.0 * measured.steepest:.0f} %: steeper than the rule ({step.printed})."
            return Comparison(rule, measured.steepest, step.limit, words)


def _above(rule: AccessRule, length_m: float, step: Step, words: str) -> Comparison | None:
    if length_m <= step.limit:
        return None
    metres = "" if step.printed.endswith(" m") else f", {step.limit:.0f} m"
    return Comparison(rule, length_m, step.limit, f"{length_m:,.0f} {words} ({step.printed}{metres}).")
