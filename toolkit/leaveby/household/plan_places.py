"""Places of a plan that lie too far apart or too near: which one was written wrongly, and how it may be meant."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from leaveby.errors import Fault
from leaveby.household.plan_document import Document, number_in
from leaveby.parameters import FARTHEST_PLACE_KM, NEAREST_SAFE_POINT_KM

FARTHEST_KM: Final = FARTHEST_PLACE_KM.value
NEAREST_KM: Final = NEAREST_SAFE_POINT_KM.value

_EARTH_RADIUS_KM: Final = 6371.0

Place = tuple[float, float]
"""Longitude and latitude, degrees."""


@dataclass(frozen=True)
class Slip:
    """Coordinates as they may have been meant."""

    place: Place | None
    """None when nothing that was looked for explains them."""
    key: str
    """The one key to change; "" when it is both."""
    mend: str


def slips(lon_deg: float, lat_deg: float) -> tuple[Slip, ...]:
    """Give what coordinates may have been meant for: a sign lost or too many, or the two exchanged."""
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
    """Tell whether the home is what was written wrongly, because it is far from what lies together otherwise."""

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
    """Distance from a place to the nearest of others, on a sphere."""
    return min(_great_circle_km(*place, *other) for other in others)


def _great_circle_km(lon_a_deg: float, lat_a_deg: float, lon_b_deg: float, lat_b_deg: float) -> float:
    lat_a, lat_b = math.radians(lat_a_deg), math.radians(lat_b_deg)
    half = (
        math.sin((lat_b - lat_a) / 2) ** 2
        + math.cos(lat_a) * math.cos(lat_b) * math.sin(math.radians(lon_b_deg - lon_a_deg) / 2) ** 2
    )
    return 2 * _EARTH_RADIUS_KM * math.asin(min(1.0, math.sqrt(half)))


def place_faults(at: Document) -> Iterator[Fault]:
    """Find places that are nowhere near the others, and safe points that are too near to the home."""
    home = at.section("home")
    places: list[tuple[tuple[str | int, ...], object, object]] = [
        (("safe_points", number), table.get("lon_deg"), table.get("lat_deg"))
        for number, table in at.tables("safe_points")
    ]
    for number, table in at.tables("ignitions"):
        listed = table.get("lon_lat_deg")
        for index, pair in enumerate(listed if isinstance(listed, list) else ()):
            if isinstance(pair, list) and len(pair) == 2:
                places.append((("ignitions", number, "lon_lat_deg", index), *pair))
    found = [(loc, place) for loc, lon, lat in places if (place := _on_earth(lon, lat)) is not None]
    at_home = _on_earth(home.get("lon_deg"), home.get("lat_deg"))
    if at_home is None:
        return
    # Each safe point and each fire has one voice, however many points a fire is drawn with.
    voices = list({loc[:2]: place for loc, place in reversed(found)}.values())
    slip = home_slip(at_home, voices)
    if slip is not None:
        at_fault, away_km = ("home", slip.key) if slip.key else ("home",), nearest_km(at_home, voices)
        yield at.fault(at_fault, "home_far", away_km=away_km, farthest_km=FARTHEST_KM, mend=slip.mend)
        if slip.place is None:
            return
        at_home = slip.place
    last_resorts = {
        ("safe_points", number)
        for number, table in at.tables("safe_points")
        if table.get("kind") == "place_of_last_resort"
    }
    for loc, place in found:
        away_km = nearest_km(at_home, [place])
        if loc[0] == "safe_points" and loc not in last_resorts and away_km < NEAREST_KM:
            yield at.fault(loc, "safe_point_near", away_m=1000.0 * away_km, nearest_m=1000.0 * NEAREST_KM)
        if away_km > FARTHEST_KM:
            near = [one.mend for one in slips(*place) if one.place and nearest_km(at_home, [one.place]) <= FARTHEST_KM]
            mend = near[0] if near else "check the coordinates of both"
            yield at.fault(loc, "place_far", away_km=away_km, farthest_km=FARTHEST_KM, mend=mend)


def _on_earth(lon: object, lat: object) -> Place | None:
    lon_deg, lat_deg = number_in(lon), number_in(lat)
    if lon_deg is None or lat_deg is None or abs(lat_deg) > 90 or abs(lon_deg) > 180:
        return None
    return lon_deg, lat_deg


def ignition_faults(at: Document) -> Iterator[Fault]:
    """Find points of fires that are nowhere on earth, and lines and perimeters that are none."""
    for number, table in at.tables("ignitions"):
        loc = ("ignitions", number, "lon_lat_deg")
        listed = table.get("lon_lat_deg")
        if not isinstance(listed, list):
            continue
        pairs: list[Place] = []
        for index, pair in enumerate(listed):
            if not isinstance(pair, list) or len(pair) != 2:
                continue
            lon_deg, lat_deg = number_in(pair[0]), number_in(pair[1])
            if lon_deg is None or lat_deg is None:
                continue
            pairs.append((lon_deg, lat_deg))
            if _on_earth(lon_deg, lat_deg) is None:
                swapped = abs(lon_deg) <= 90 and abs(lat_deg) <= 180
                mend = "longitude and latitude look exchanged: write longitude first" if swapped else "correct them"
                yield at.fault((*loc, index), "nowhere_on_earth", lon_deg=lon_deg, lat_deg=lat_deg, mend=mend)
        if len(pairs) != len(listed):
            continue
        corners = len(set(pairs))
        if table.get("ring") is True:
            if corners < 3:
                yield at.fault(loc, "perimeter_of_none", corners=corners)
        elif len(pairs) > 1 and corners == 1:
            yield at.fault(loc, "line_of_one_point")
