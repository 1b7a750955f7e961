"""One registry of the values that are not inputs: each with unit, valid range, source and mark (`parameters.csv`).

Marks say how far a value can be trusted:

- ``read``      read in the named source, or in a copy of it;
- ``memory``    remembered from the named source, not read;
- ``practice``  common practice, no source;
- ``judgement`` ours, chosen on the side that makes people leave earlier.

A value that is marked ``judgement`` or ``memory`` and takes part in a result is listed among the result's assumptions.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Final, Literal, get_args

Mark = Literal["read", "memory", "practice", "judgement"]


@dataclass(frozen=True)
class Parameter:
    """A value with its unit, valid range and origin.

    Examples
    --------
    >>> GATE_TIME_S.value, GATE_TIME_S.unit
    (60.0, 's')
    """

    value: float
    unit: str
    low: float
    high: float
    source: str
    mark: Mark

    def __post_init__(self) -> None:
        """Refuse a value outside its own range."""
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{self.value} {self.unit} lies outside {self.low} to {self.high}")


def _registry() -> dict[str, Parameter]:
    lines = files("leaveby").joinpath("parameters.csv").read_text(encoding="utf-8").splitlines()
    return {
        row["name"]: Parameter(
            float(row["value"]), row["unit"], float(row["low"]), float(row["high"]), row["source"], _MARKS[row["mark"]]
        )
        for row in csv.DictReader(lines)
    }


_MARKS: Final[dict[str, Mark]] = {mark: mark for mark in get_args(Mark)}

REGISTRY: Final = _registry()
"""All of them by name."""

# Each is an attribute of this module as well, so that a name that is not in the table can't be imported.
globals().update(REGISTRY)

if TYPE_CHECKING:

    def __getattr__(name: str) -> Parameter:
        """A value of the registry."""
