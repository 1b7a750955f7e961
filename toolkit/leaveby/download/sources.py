"""What can be fetched for a home and what would be sent, said without opening a connection (`sources.toml`)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from leaveby.errors import Faults
from leaveby.regions import table
from leaveby.units import METRES_PER_DEGREE

TABLE: Final = table("download/sources")
_LEAST_M, _MOST_M, _FARTHEST_DEG = 1_000.0, 50_000.0, 75.0

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Source:
    """One kind of open data for a home.

    `name` is roads, heights, land_cover or weather, `file` what it becomes in the plan's folder. `sent` says all that
    leaves this computer: never the address, never the point itself. `addresses` are asked, one file each, `size_mb` in
    all (judgement); `by_hand` says what to get where that fails. `attribution` belongs on what is drawn from it, on a
    map in the few words of `credit`; address and licence are known as `mark` says (`leaveby.parameters`). `said` is
    taken for granted. `box_deg`: west, south, east, north of the area, or the point that is sent, twice.
    """

    name: str
    what: str
    file: str
    sent: str
    addresses: tuple[str, ...]
    size_mb: float
    licence: str
    attribution: str
    credit: str
    mark: str
    by_hand: str
    said: tuple[str, ...]
    box_deg: Box
    first_year: int

    def __str__(self) -> str:
        """Say before it is fetched what is asked of whom."""
        host = self.addresses[0].split("/")[2]
        return (
            f"{self.file}: {self.what}, about {self.size_mb:.0f} MB from {host}. Sent: {self.sent}. "
            f"Licence: {self.licence}. Attribution: {self.attribution}."
        )


def sources_for(
    lon_deg: float,
    lat_deg: float,
    *,
    last_year: int,
    radius_m: float = 20_000.0,
    addresses: Mapping[str, str] | None = None,
) -> tuple[Source, ...]:
    """Say what can be fetched for a home (WGS 84): roads, heights, land cover, weather. No connection is opened.

    - `last_year`: last whole year of weather, of 20.
    - `radius_m`: roads are wanted this far around, 1,000 to 50,000 m: past every safe point. Heights and land cover
      reach 30 km farther, for fires that start out there.
    - `addresses`: other base addresses by name of the source: a mirror, or a server for tests.

    Raises InputError for a place, radius or year out of range, or ground over the date line.

    Examples
    --------
    >>> roads, heights, cover, weather = sources_for(148.9424, -36.1291, last_year=2025)
    >>> roads.box_deg, heights.addresses[0][-45:]
    ((148.7, -36.4, 149.2, -35.9), '/Copernicus_DSM_COG_10_S37_00_E148_00_DEM.tif')
    >>> weather.sent
    "the nearest point of the archive's grid of about half a degree (148.75, -36), and the years 2006 to 2025"
    """
    first = max(last_year - TABLE["weather"]["years"] + 1, TABLE["weather"]["since"])
    faults = Faults()
    if not (-180.0 <= lon_deg <= 180.0 and abs(lat_deg) <= _FARTHEST_DEG):
        faults.tell("home", "no_place_to_fetch", lon=lon_deg, lat=lat_deg, most=_FARTHEST_DEG)
    if not _LEAST_M <= radius_m <= _MOST_M:
        faults.add("radius_m", f"it is {radius_m:g}", f"{_LEAST_M:,.0f} to {_MOST_M:,.0f} m", "correct it")
    if last_year < first:
        faults.add("last_year", f"it is {last_year}", f"{first} or later", "correct it")
    faults.refuse()
    years = range(first, last_year + 1)
    boxes = {name: _box((lon_deg, lat_deg), row, radius_m=radius_m) for name, row in TABLE.items()}
    if any(box[0] < -180.0 or box[2] > 180.0 for box in boxes.values()):
        faults.tell("home", "fetch_over_date_line", lon=lon_deg)
    faults.refuse()
    given = addresses or {}
    return tuple(
        _source(name, boxes[name], years=years, base=given.get(name, TABLE[name]["address"])) for name in TABLE
    )


def _source(name: str, box: Box, *, years: range, base: str) -> Source:
    row = TABLE[name]
    km2 = (box[2] - box[0]) * (box[3] - box[1]) * math.cos(math.radians(box[1])) * (METRES_PER_DEGREE / 1000.0) ** 2
    parts: list[dict[str, Any]] = [{}]
    if name == "weather":
        parts = [{"year": year} for year in years]
    elif "tile_deg" in row:
        parts = [
            {"ns": "NS"[lat < 0], "lat": abs(lat), "ew": "EW"[lon < 0], "lon": abs(lon)}
            for lon, lat in tiles(box, row["tile_deg"])
        ]
    where = {"west": box[0], "south": box[1], "east": box[2], "north": box[3], "first": years[0], "last": years[-1]}
    return Source(
        name=name,
        sent=row["sent"].format(**where),
        addresses=tuple(base.rstrip("/") + row["path"].format(**where, **part) for part in parts),
        size_mb=row.get("mb_per_km2", 0.0) * km2 + row.get("mb_per_year", 0.0) * len(years),
        said=tuple(row["said"]),
        box_deg=box,
        first_year=years[0],
        **{key: row[key] for key in ("what", "file", "licence", "attribution", "credit", "mark", "by_hand")},
    )


def _box(home: tuple[float, float], row: Any, *, radius_m: float) -> Box:
    """The area asked for, rounded outwards to tenths of a degree; of the weather the nearest point of its grid."""
    if "cell_deg" in row:
        lon, lat = (round(at / cell) * cell for at, cell in zip(home, row["cell_deg"], strict=True))
        return lon, lat, lon, lat
    high = (radius_m + 1000.0 * row["beyond_km"]) / METRES_PER_DEGREE
    wide = high / math.cos(math.radians(abs(home[1]) + high))
    west, south = (math.floor(10.0 * at) / 10.0 for at in (home[0] - wide, home[1] - high))
    east, north = (math.ceil(10.0 * at) / 10.0 for at in (home[0] + wide, home[1] + high))
    return west, south, east, north


def tiles(box_deg: Box, size_deg: int) -> list[tuple[int, int]]:
    """South-west corners (lon, lat) of the tiles that a box touches."""
    west, south, east, north = (at / size_deg for at in box_deg)
    return [
        (lon * size_deg, lat * size_deg)
        for lon in range(math.floor(west), math.ceil(east))
        for lat in range(math.floor(south), math.ceil(north))
    ]
