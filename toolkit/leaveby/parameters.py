"""One registry of the values that are not inputs: each with unit, valid range, source and mark.

Marks say how far a value can be trusted:

- ``read``      read in the named source, or in a transcription of it;
- ``memory``    remembered from the named source, not read;
- ``practice``  common practice, no source;
- ``judgement`` ours, chosen on the side that makes people leave earlier.

A value that is marked ``judgement`` or ``memory`` and takes part in a result is listed among the result's assumptions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Mark = Literal["read", "memory", "practice", "judgement"]


@dataclass(frozen=True)
class Parameter:
    """A value with its unit, valid range and origin.

    Examples
    --------
    >>> REACTION_TIME_S.value, REACTION_TIME_S.unit
    (2.5, 's')
    """

    value: float
    unit: str
    low: float
    high: float
    source: str
    mark: Mark

    def __post_init__(self) -> None:
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{self.value} {self.unit} lies outside {self.low} to {self.high}")


# --- household -------------------------------------------------------------------------------------------------

# --- fire ------------------------------------------------------------------------------------------------------

# --- roads -----------------------------------------------------------------------------------------------------

REACTION_TIME_S: Final = Parameter(
    2.5, "s", 1.0, 4.0, "stopping sight distance of road design handbooks, brake reaction time", "memory"
)

# --- decision --------------------------------------------------------------------------------------------------
