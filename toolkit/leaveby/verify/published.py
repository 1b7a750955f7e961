"""Every equation held against values from outside the project, with where each value comes from.

The values stand in `published_values.csv` beside this module. Its column `how_obtained` says how far a row can be
trusted: a row "computed from a remembered equation" only shows that the code does what the person who remembered it
meant; one "read in the source" or computed by a library was found outside.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np
from scipy.optimize import brentq

from leaveby.fire.arrival import embers
from leaveby.fire.fuel import moisture
from leaveby.fire.fuel.types import fuel_type
from leaveby.fire.spread import equations, flames
from leaveby.fire.weather import danger
from leaveby.household.heat import radiant_heat
from leaveby.regions import table_rows
from leaveby.verify.checks import Check

_WORTH: Final = {
    "read in the source": "found outside",
    "computed by library xclim 0.62.0": "found outside",
    "computed from the seen equation": "the equation was found outside, the value worked out from it",
    "computed from a remembered equation": "shows only that the code does what was remembered",
    "from memory": "as good as the memory",
}
MARKS: Final = tuple(_WORTH)
"""How a value from outside was obtained, the most trustworthy first, and what that is worth."""


@dataclass(frozen=True)
class PublishedValue:
    """One value from outside, and what the equation gives here, both in `unit`.

    `equation` is its key, `title` the same in words, `where` the page, table or equation, `mark` one of
    `MARKS`.
    """

    equation: str
    title: str
    inputs: Mapping[str, Any]
    expected: float
    got: float
    tolerance: float
    unit: str
    source: str
    where: str
    mark: str

    @property
    def off(self) -> float:
        """How far the equation is off."""
        return abs(self.got - self.expected)

    @property
    def agrees(self) -> bool:
        """Whether it is within the row's tolerance."""
        return math.isfinite(self.got) and self.off <= self.tolerance


def _calm_dry_eucalypt(moisture_percent: float, **scores: float) -> Any:
    """In calm air the model is 30 m/h times the moisture function."""
    return equations.dry_eucalypt_ros_m_s(0.0, moisture_percent, **scores)


def _steady_griffiths(rain_mm: Sequence[float], deficit_mm: float) -> Any:
    return danger.griffiths_drought_factor(rain_mm, [deficit_mm] * len(rain_mm))


def _heat_distance(fuel: str, ros_m_s: float, *, slope_deg: float, heat_kw_m2: float) -> Any:
    flame_m = flames.fuel_flame_length_m(fuel_type(fuel), ros_m_s * equations.slope_factor(slope_deg))
    # Flames lean over whatever is nearer than half their length.
    nearest_m = 0.5 * float(flame_m) + 0.05
    return brentq(
        lambda m: float(radiant_heat(m, flame_length_m=flame_m, slope_deg=slope_deg)) - heat_kw_m2, nearest_m, 150.0
    )


_HOLDERS: Final = (danger, embers, equations, flames, moisture)
_AS_TAKEN: Final[Mapping[str, Callable[[Any], Any]]] = {
    "period": lambda number: ("afternoon", "day", "night")[number - 1],
    "state": equations.GRASS_STATES.index,
}
"""Inputs that an equation takes in another form than the table has them."""


@cache
def _words(kind: str) -> Mapping[str, Mapping[str, str]]:
    """Rows on the equations ("equation"), and on how each input is told ("input"), by key.

    An equation's row names its function, the inputs that it takes in order or as `argument=input`, what else is passed,
    and the factor to the unit of its values; speeds in km/h are passed in m/s.
    """
    return {row["key"]: row for row in table_rows(__package__, "published_words.csv") if row["kind"] == kind}


def evaluated(equation: str, inputs: Mapping[str, Any]) -> float:
    """Give what an equation of the table gives for the inputs of a row, in the row's unit."""
    row = _words("equation")[equation]
    holder, _, name = row["function"].partition(".")
    module = next((one for one in _HOLDERS if one.__name__.endswith(f".{holder}")), sys.modules[__name__])
    placed, named = [], json.loads(row["fixed"] or "{}")
    for word in row["inputs"].split():
        argument, _, key = word.rpartition("=")
        if key not in inputs:
            continue
        value = inputs[key] / 3.6 if key.endswith("_km_h") else _AS_TAKEN.get(key, lambda as_is: as_is)(inputs[key])
        if argument:
            named[argument] = value
        else:
            placed.append(value)
    uphill = equations.slope_factor(named.pop("uphill_deg", 0.0))
    # Of a series of days the last counts.
    return float(np.ravel(getattr(module, name)(*placed, **named))[-1] * uphill * float(row["factor"] or 1.0))


def published_rows() -> tuple[Mapping[str, str], ...]:
    """The table as it stands: one mapping of column to text for each row."""
    return table_rows(__package__, "published_values.csv")


@cache
def published_values() -> tuple[PublishedValue, ...]:
    """Compute every row of the table.

    Examples
    --------
    >>> all(value.agrees for value in published_values())
    True
    """
    found = []
    for row in published_rows():
        inputs = json.loads(row["inputs"])
        found.append(
            PublishedValue(
                equation=row["equation"],
                title=_words("equation")[row["equation"]]["words"],
                inputs=inputs,
                expected=float(row["expected"]),
                got=evaluated(row["equation"], inputs),
                tolerance=float(row["tolerance"]),
                unit=row["unit"],
                source=row["source"],
                where=row["page_or_table"],
                mark=row["how_obtained"],
            )
        )
    return tuple(found)


def marks_in_words(values: Sequence[PublishedValue]) -> tuple[str, ...]:
    """Say how many values agree, by how they were obtained, and what that is worth.

    Examples
    --------
    >>> print(marks_in_words(published_values())[0])
    157 of 157 values agree within the tolerance of their row.
    """
    agree = sum(value.agrees for value in values)
    lines = [f"{agree} of {len(values)} values agree within the tolerance of their row."]
    counts = {mark: sum(value.mark == mark for value in values) for mark in MARKS}
    return (*lines, *(f"{count} are {mark}: {_WORTH[mark]}." for mark, count in counts.items() if count))


def value_checks(values: Sequence[PublishedValue]) -> tuple[Check, ...]:
    """One row for each value."""
    return tuple(
        Check(
            what=f"{value.title}: {_inputs_words(value.inputs)}",
            ours=_with_unit(f"{value.got:.5g}", value.unit),
            outside=_with_unit(f"{value.expected:g}", value.unit),
            off=f"{value.off:.2g}, may be {value.tolerance:g}",
            agrees=value.agrees,
            source=f"{value.source}, {value.where}",
            mark=value.mark,
        )
        for value in values
    )


def equation_checks(values: Sequence[PublishedValue]) -> tuple[Check, ...]:
    """One row for each equation: its value that comes nearest to not agreeing."""
    found = []
    for equation in dict.fromkeys(value.equation for value in values):
        own = [value for value in values if value.equation == equation]
        worst = max(own, key=lambda value: value.off / value.tolerance if value.tolerance else value.off)
        counts = {mark: sum(value.mark == mark for value in own) for mark in MARKS}
        found.append(
            replace(
                *value_checks([worst]),
                what=f"{worst.title}, {len(own)} values; nearest to its limit: {_inputs_words(worst.inputs)}",
                agrees=all(value.agrees for value in own),
                mark="; ".join(f"{count} {mark}" for mark, count in counts.items() if count),
            )
        )
    return tuple(found)


def _inputs_words(inputs: Mapping[str, Any]) -> str:
    """The inputs in words; of a series only its length."""
    parts = []
    for name, value in inputs.items():
        told = f"({len(value)} days)" if isinstance(value, list) else str(value)
        parts.append(_words("input")[name]["words"].format(told))
    return ", ".join(parts)


def _with_unit(number: str, unit: str) -> str:
    return number if unit == "-" else f"{number} {unit}"
