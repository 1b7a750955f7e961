"""Places of a plan that lie too far apart: which one was written wrongly, and how it may have been meant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from leaveby.parameters import FARTHEST_PLACE_KM

FARTHEST_KM: Final = FARTHEST_PLACE_KM.value

_EARTH_RADIUS_KM: Final = 6371.0

Place = tuple[float, float]
"""Longitude and latitude, degrees."""


@dataclass(frozen=True)
class Slip:
    """Coordinates as they may have been meant.

    Attributes
    ----------
    place : (lon_deg, lat_deg) or None
        None when nothing that was looked for explains them.
    key : str
        The one key to change; "" when it is both.
    mend : str
        What to do about it.
    """

    place: Place | None
    key: str
    mend: str


def slips(lon_deg: float, lat_deg: float) -> tuple[Slip, ...]:
    """Give what coordinates may have been meant for: a sign lost or too many, or the two exchanged.

    Examples
    --------
    >>> slips(148.9, 36.1)[0].mend
    'write -36.1 instead of 36.1 for the latitude if that was meant: south is negative'
    """
    south = f"write {-lat_deg:.10g} instead of {lat_deg:.10g} for the latitude"
    west = f"write {-lon_deg:.10g} instead of {lon_deg:.10g} for the longitude"
    meant = " if that was meant: south and west are negative"
    found = [
        Slip((lon_deg, -lat_deg), "lat_deg", south + meant.replace("south and west are", "south is")),
        Slip((-lon_deg, lat_deg), "lon_deg", west + meant.replace("south and west are", "west is")),
        Slip((-lon_deg, -lat_deg), "", f"{south}, and {west}{meant}"),
    ]
    if abs(lon_deg) <= 90:
        told = f"longitude and latitude look exchanged: write longitude {lat_deg:.10g} and latitude {lon_deg:.10g}"
        found.append(Slip((lat_deg, lon_deg), "", told))
    return tuple(found)


def home_slip(home: Place, others: Sequence[Place]) -> Slip | None:
    """Tell whether the home is what was written wrongly, because it is far from what lies together otherwise.

    Examples
    --------
    >>> home_slip((148.9, 36.1), [(148.8, -36.2), (148.9, -36.0)]).place
    (148.9, -36.1)
    >>> home_slip((148.9, -36.1), [(148.8, 36.2), (148.9, -36.0)]) is None
    True
    """

    def near(place: Place) -> int:
        return sum(nearest_km(place, [other]) <= FARTHEST_KM for other in others)

    if len(others) < 2:
        return None
    most = len(others) / 2
    here = near(home)
    for slip in slips(*home):
        if slip.place is not None and near(slip.place) > max(most, here):
            return slip
    if here == 0 and max(near(other) for other in others) > most:
        return Slip(None, "", "correct the coordinates of the home")
    return None


def nearest_km(place: Place, others: Sequence[Place]) -> float:
    """Distance from a place to the nearest of others, on a sphere.

    Examples
    --------
    >>> round(nearest_km((0.0, 0.0), [(0.0, 1.0), (0.0, 2.0)]))
    111
    """
    return min(_great_circle_km(*place, *other) for other in others)


def _great_circle_km(lon_a_deg: float, lat_a_deg: float, lon_b_deg: float, lat_b_deg: float) -> float:
    lat_a, lat_b = math.radians(lat_a_deg), math.radians(lat_b_deg)
    half = (
        math.sin((lat_b - lat_a) / 2) ** 2
        + math.cos(lat_a) * math.cos(lat_b) * math.sin(math.radians(lon_b_deg - lon_a_deg) / 2) ** 2
    )
    return 2 * _EARTH_RADIUS_KM * math.asin(min(1.0, math.sqrt(half)))
