"""How many vehicles an hour a road passes, by its type: published values."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from leaveby.parameters import Parameter
from leaveby.roads.network.graph import SEPARATOR

TWO_LANE_VEH_H: Final = Parameter(
    1700.0,
    "veh/h",
    800.0,
    2000.0,
    "two-lane highway, one direction, base conditions (course notes on the Highway Capacity Manual, edition taken to "
    "be 2000); FHWA HPMS Field Manual, Appendix N, has 3,200 for both directions",
    "read",
)
ONE_LANE_ONE_WAY_VEH_H: Final = Parameter(
    1600.0, "veh/h", 800.0, 2000.0, "one-lane one-way road: FHWA HPMS Field Manual, Appendix N", "read"
)
ONE_LANE_TWO_WAY_VEH_H: Final = Parameter(
    800.0,
    "veh/h",
    300.0,
    1000.0,
    "one lane for both ways, half of a one-lane one-way road: FHWA HPMS Field Manual, Appendix N",
    "read",
)
MOTORWAY_LANE_VEH_H: Final = Parameter(
    1900.0, "veh/h", 1500.0, 2400.0, "motorway lane, low side of handbook values of 2,000 to 2,400", "judgement"
)
TRACK_VEH_H: Final = Parameter(400.0, "veh/h", 100.0, 800.0, "unsealed single track in dust", "judgement")
BREAKDOWN_SHARE: Final = Parameter(
    0.90, "1", 0.5, 1.0, "flow once a queue has formed, over capacity: practice under NUREG/CR-7002", "memory"
)
JAM_SPACING_M: Final = Parameter(7.5, "m", 6.0, 10.0, "road taken by a vehicle standing in a queue", "practice")
TWO_LANES_FROM_M: Final = Parameter(
    5.5, "m", 4.5, 6.5, "carriageway on which two vehicles pass; narrower counts as one lane for both ways", "judgement"
)

_TWO_LANE: Final = frozenset({"trunk", "primary", "secondary", "tertiary"})
_MOTORWAY: Final = frozenset({"motorway", "motorway_link"})
_LANES = re.compile(r"^\d+$")


def lanes_out(lanes: str, *, one_way: bool) -> int:
    """Lanes in the direction of leaving, from the `lanes` tag: all of a one-way street, else half, at least 1.

    Values of merged ways are joined by '|': the least counts. Nothing stated counts as one.
    """
    stated = [int(value) for value in re.split(r"[;|]", lanes) if _LANES.match(value.strip())]
    if not stated:
        return 1
    return max(1, min(stated) if one_way else min(stated) // 2)


def capacity_veh_h(highway: str, *, lanes: str = "", one_way: bool = False, width_m: float = float("inf")) -> float:
    """Vehicles an hour that a road passes in the direction of leaving, in base conditions.

    Trunk to tertiary roads: 1,700 a lane (one-way with one lane 1,600). Lesser roads: 1,600 when one-way; else 800, as
    a road with one lane for both ways, unless at least 5.5 m or two lanes are stated, which makes them two-lane roads.
    Tracks: 400, judgement.

    Examples
    --------
    >>> capacity_veh_h("primary"), capacity_veh_h("residential"), capacity_veh_h("residential", width_m=6.0)
    (1700.0, 800.0, 1700.0)
    >>> capacity_veh_h("residential", lanes="2"), capacity_veh_h("track"), capacity_veh_h("secondary", width_m=3.0)
    (1700.0, 400.0, 800.0)
    """
    return min(_capacity(kind, lanes=lanes, one_way=one_way, width_m=width_m) for kind in highway.split(SEPARATOR))


def _capacity(kind: str, *, lanes: str, one_way: bool, width_m: float) -> float:
    out = lanes_out(lanes, one_way=one_way)
    if kind == "track":
        return TRACK_VEH_H.value
    if kind in _MOTORWAY:
        return MOTORWAY_LANE_VEH_H.value * out
    if one_way:
        return ONE_LANE_ONE_WAY_VEH_H.value * out
    stated = [int(value) for value in re.split(r"[;|]", lanes) if _LANES.match(value.strip())]
    if width_m < TWO_LANES_FROM_M.value or (stated and min(stated) < 2):
        return ONE_LANE_TWO_WAY_VEH_H.value
    if kind.removesuffix("_link") in _TWO_LANE or np.isfinite(width_m) or stated:
        return TWO_LANE_VEH_H.value * out
    return ONE_LANE_TWO_WAY_VEH_H.value
