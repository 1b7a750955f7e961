"""The rules as nouns: for each rating and way of leaving, when to go, where fire is too near, and by which way out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.ways.result import TriggerLine, WayOutArea
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.ratings import RatedDay
from leaveby.household.plan import Way

Verdict = Literal["evening before", "on word of fire"]


@dataclass(frozen=True)
class HourShare:
    """How many fires that start between two clock hours leave too little time; `until` may pass 24.

    `share` is of all that may start within the radius, from 0 to 1.
    """

    from_hour: int
    until_hour: int
    share: float
    verdict: Verdict


@dataclass(frozen=True)
class Rule:
    """The rule for one way of leaving on days of one rating.

    - `told`: whether the rating itself tells people to leave, whatever was computed.
    - `share`: of the fires that may start within the radius, those too near, at the hours when they are most.
    - `go`: with fire inside, or word of it, one goes; whatever the wind, and with the time until one knows.
    - `late`: with fire inside, it is too late to begin getting ready for this way.
    - `landmarks`: by roads and places, where `late` lies.
    - `beyond`: whether the ground ends before the line in some direction.
    - `go_cells`, `late_cells`, shape (rows, cols): the same two on the grid; `route_cells`: the number of the safe point,
      in the order of the household's routes, that leaves most time for fire there.
    - `ways_out`: the ground by the safe point that leaves most time, whatever the wind.
    """

    rating: str
    way: Way
    verdict: Verdict
    told: bool
    share: float
    hours: tuple[HourShare, ...]
    go: TriggerLine
    late: TriggerLine
    go_cells: NDArray[np.bool_]
    late_cells: NDArray[np.bool_]
    route_cells: NDArray[np.int64]
    landmarks: tuple[str, ...]
    beyond: bool
    ways_out: tuple[WayOutArea, ...]
    sentence: str


@dataclass(frozen=True)
class Rules:
    """The rules of a household for a fire that nobody knows yet.

    - `days`: the rated days, the mildest first.
    - `rules`: by rating and way of leaving.
    - `today`: the rating of the plan's own day; None below the lowest, or where days are described by hand.
    - `grid`: the ground that was looked at.
    - `radius_m`, `allowed_share`: starts within that distance of the home; with more too near it is the evening before.
    """

    days: tuple[RatedDay, ...]
    rules: Mapping[tuple[str, Way], Rule]
    today: str | None
    grid: Grid
    radius_m: float
    allowed_share: float
    assumptions: tuple[str, ...]

    def of_day(self) -> tuple[Rule, ...]:
        """Give the rules that hold on the plan's own day."""
        return tuple(rule for (rating, _), rule in self.rules.items() if rating == self.today)
