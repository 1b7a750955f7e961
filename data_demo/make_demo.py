"""Make the demo: an invented locality, an invented household and a severe summer day.

    python make_demo.py            writes beside this script
    python make_demo.py FOLDER     writes into FOLDER

Same files on every run: the seeds are fixed and nothing depends on the clock. Needs numpy, scipy and rasterio.
"""

from __future__ import annotations

import csv
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import rasterio
from demo_ground import CELL_M, LEGEND, make_fuel, make_terrain
from demo_lines import Point
from demo_osm import osm_xml
from demo_roads import PLACES, SIZE_M, Home, Locality, make_locality
from demo_wide import BEYOND_M, WIDE_CELL_M, make_wide
from numpy.typing import NDArray
from rasterio.transform import from_origin
from rasterio.warp import transform

CRS = "EPSG:32755"
EAST_M, NORTH_M = 666_000.0, 5_997_000.0
"""Where the south-west corner is laid, for a plausible sun and climate. The ground is not that of the real spot."""

DAY = datetime(2026, 1, 17, tzinfo=timezone(timedelta(hours=11)))
HOME_ALONG_M = 4630.0
START: Point = (1300.0, 9000.0)
NORTH_START: Point = (3900.0, 8600.0)
NEAR_START: Point = (3650.0, 5450.0)


def degrees(points: list[Point]) -> list[Point]:
    """Longitude and latitude of local points."""
    xs, ys = [EAST_M + x for x, _ in points], [NORTH_M + y for _, y in points]
    lon, lat = transform(CRS, "EPSG:4326", xs, ys)
    return list(zip(lon, lat, strict=True))


def write_raster(
    path: Path,
    values: NDArray[np.float32] | NDArray[np.int16] | NDArray[np.uint8],
    *,
    nodata: float,
    predictor: int,
    cell_m: float = CELL_M,
    beyond_m: float = 0.0,
) -> None:
    """Write a north-up GeoTIFF of the locality and the ground beyond its sides."""
    rows, cols = values.shape
    grid = {
        "height": rows,
        "width": cols,
        "crs": CRS,
        "transform": from_origin(EAST_M - beyond_m, NORTH_M + SIZE_M + beyond_m, cell_m, cell_m),
    }
    packing = {"dtype": values.dtype.name, "nodata": nodata, "compress": "deflate", "predictor": predictor}
    with rasterio.open(path, "w", driver="GTiff", count=1, **grid, **packing) as out:
        out.write(values, 1)


HOURS = [6, 8, 9, 10, 11, 12, 13, 14, 15, 16, 16.5, 17, 17.5, 18, 19, 20, 22]
TEMPERATURE_C = [21, 25, 28, 31, 33.5, 36, 38, 39.5, 40.7, 41, 40.5, 33, 29.5, 28, 26, 24, 21]
HUMIDITY_PERCENT = [44, 36, 30, 25, 21, 17, 14, 11, 9.6, 9, 9.4, 22, 31, 36, 42, 48, 58]
WIND_KM_H = [6, 7, 8, 9, 11, 14, 20, 30, 43, 52, 54, 46, 40, 35, 28, 22, 15]
WIND_FROM_DEG = [340, 334, 330, 326, 322, 318, 315, 313, 312, 311, 308, 232, 226, 222, 218, 212, 205]
GUST_KM_H = [11, 12, 14, 16, 20, 26, 35, 49, 66, 78, 81, 82, 68, 58, 45, 36, 25]


def write_weather(path: Path) -> None:
    """A severe summer day: a rising hot north-westerly, then a south-westerly change about 17:00."""
    columns = {
        "temperature_c": (TEMPERATURE_C, 1),
        "relative_humidity_percent": (HUMIDITY_PERCENT, 0),
        "wind_speed_km_h": (WIND_KM_H, 0),
        "wind_from_deg": (WIND_FROM_DEG, 0),
        "gust_km_h": (GUST_KM_H, 0),
    }
    with path.open("w", newline="", encoding="utf-8") as out:
        table = csv.writer(out, lineterminator="\n")
        table.writerow(["time", *columns])
        for step in range(33):
            hour = 6.0 + 0.5 * step
            values = [f"{float(np.interp(hour, HOURS, series)):.{places}f}" for series, places in columns.values()]
            table.writerow([(DAY + timedelta(hours=hour)).isoformat(), *values])


def write_legend(path: Path) -> None:
    """What the numbers of the fuel grid stand for."""
    lines = ["value,fuel_type", *(f"{value},{name}" for value, name in LEGEND.items())]
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")


def household_home(locality: Locality) -> Home:
    """The house near the far end of the single-exit street."""
    along = [home for home in locality.homes if home.street == "Sallow Spur Road"]
    return min(along, key=lambda home: abs(home.along_m - HOME_ALONG_M))


def at(hour: int, minute: int) -> str:
    """A moment of the demo day as TOML writes it."""
    return (DAY + timedelta(hours=hour, minutes=minute)).isoformat()


def lon_lat(p: Point) -> str:
    """A pair of degrees as the plan's ignitions want it."""
    lon, lat = degrees([p])[0]
    return f"[{lon:.5f}, {lat:.5f}]"


def place(p: Point) -> str:
    """Two lines of a plan: where a point lies."""
    lon, lat = degrees([p])[0]
    return f"lon_deg = {lon:.5f}\nlat_deg = {lat:.5f}"


def plan_text(template: str, locality: Locality, *, name: str, ignitions: list[tuple[str, str, Point]]) -> str:
    """Fill the household's plan with what the map says."""
    home = household_home(locality)
    number = home.tags["addr:housenumber"]
    blocks = [
        f'[[ignitions]]\nname = "{label}"\nat = {moment}\nlon_lat_deg = [{lon_lat(p)}]'
        for label, moment, p in ignitions
    ]
    values = {
        "NAME": f"{name}, {number} Sallow Spur Road",
        "HOME": place(home.centre),
        "SHOWGROUND": place(PLACES["Quarrel Flat showground"]),
        "HALL": place(PLACES["Quarrel Flat hall car park"]),
        "GAP": place(PLACES["Hobbin Gap hall"]),
        "SPORTS": place(PLACES["Sallow Spur sports ground"]),
        "IGNITIONS": "\n\n".join(blocks),
    }
    for key, value in values.items():
        template = template.replace(f"<<{key}>>", value)
    return template


def main(folder: Path) -> None:
    """Write every file of the demo into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    locality = make_locality()
    (folder / "roads.osm").write_text(osm_xml(locality, degrees), encoding="utf-8", newline="\n")
    terrain = make_terrain(locality)
    write_raster(folder / "terrain.tif", terrain, nodata=-9999.0, predictor=3)
    fuel = make_fuel(locality, terrain)
    write_raster(folder / "fuel.tif", fuel, nodata=0, predictor=1)
    wide = {"cell_m": WIDE_CELL_M, "beyond_m": BEYOND_M}
    wide_terrain, wide_fuel = make_wide(terrain, fuel)
    write_raster(folder / "terrain_wide.tif", wide_terrain, nodata=-9999.0, predictor=2, **wide)
    write_raster(folder / "fuel_wide.tif", wide_fuel, nodata=0, predictor=1, **wide)
    write_legend(folder / "fuel_legend.csv")
    write_weather(folder / "weather.csv")

    template = (Path(__file__).parent / "plan_template.txt").read_text(encoding="utf-8")
    one = plan_text(
        template,
        locality,
        name="The Tolmer-Okafor place",
        ignitions=[("lightning strike on Tannery Ridge", at(9, 20), START)],
    )
    two = plan_text(
        template,
        locality,
        name="The Tolmer-Okafor place, fire on two sides",
        ignitions=[
            ("fire north of Hobbin Gap Road", at(10, 30), NORTH_START),
            ("slashing work beside Tannery Ridge Road", at(11, 30), NEAR_START),
        ],
    )
    (folder / "plan.toml").write_text(one, encoding="utf-8", newline="\n")
    (folder / "plan_two_fronts.toml").write_text(two, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
