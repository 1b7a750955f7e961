"""The demo's invented place moved to hills of the western United States, its plan in miles, feet and pounds.

Every point and cell moves by the same metres from one UTM zone to another, so that nothing changes but where it lies,
in which units it is told and which country's rules hold. The roads stay invented: none of them is there.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import rasterio
from pyproj import Transformer
from rasterio.transform import Affine

from leaveby.ask.household import demo_folder

FROM, TO, SOUTH_M = "EPSG:32755", "EPSG:32610", 2_000_000.0
TO_GRID = Transformer.from_crs("EPSG:4326", FROM, always_xy=True)
TO_WGS84 = Transformer.from_crs(TO, "EPSG:4326", always_xy=True)
REGION = "US-CA"
IN_OTHER_UNITS = {
    "speed_limit_km_h = 70": "speed_limit_mph = 45",
    "what_if_km_h = [12, 50]": "what_if_mph = [7.5, 30]",
}
DRILL = {"5": "3", "12": "7.5", "50": "30"}
"""Speeds of the drill, km/h, and what stands for them, mph."""


def moved(lon: float, lat: float) -> tuple[float, float]:
    """A point of the demo where it lies in the moved one."""
    x_m, y_m = TO_GRID.transform(lon, lat)
    found: tuple[float, float] = TO_WGS84.transform(x_m, y_m - SOUTH_M)
    return found


def moved_demo(folder: Path) -> Path:
    """Write the moved demo into a folder that is not there yet, and give its plan; `drill.toml` lies beside it."""
    shutil.copytree(demo_folder(), folder)
    for raster in folder.glob("*.tif"):
        with rasterio.open(raster) as source:
            profile, values = source.profile, source.read()
        where = profile["transform"]
        profile |= {"crs": TO, "transform": Affine(where.a, where.b, where.c, where.d, where.e, where.f - SOUTH_M)}
        raster.unlink()
        with rasterio.open(raster, "w", **profile) as target:
            target.write(np.asarray(values))

    def node(found: re.Match[str]) -> str:
        lon, lat = moved(float(found[2]), float(found[1]))
        return f'lat="{lat:.7f}" lon="{lon:.7f}"'

    def bounds(found: re.Match[str]) -> str:
        south, west, north, east = (float(found[number]) for number in range(1, 5))
        (west, south), (east, north) = moved(west, south), moved(east, north)
        return f'minlat="{south:.6f}" minlon="{west:.6f}" maxlat="{north:.6f}" maxlon="{east:.6f}"'

    def pair(found: re.Match[str]) -> str:
        lon, lat = moved(float(found[1]), float(found[3]))
        return f"{lon:.7f}{found[2]}{lat:.7f}"

    _edit(folder / "roads.osm", (r'lat="([-\d.]+)" lon="([-\d.]+)"', node))
    _edit(
        folder / "roads.osm", (r'minlat="([-\d.]+)" minlon="([-\d.]+)" maxlat="([-\d.]+)" maxlon="([-\d.]+)"', bounds)
    )
    plan = folder / "plan.toml"
    _edit(plan, (r"(148\.\d+)(\s*\nlat_deg = |, )(-36\.\d+)", pair))
    text = plan.read_text(encoding="utf-8")
    for metric, other in IN_OTHER_UNITS.items():
        assert metric in text, metric
        text = text.replace(metric, other)
    text, sizes = re.subn(r"(?m)^(width|height|length)_m = ([\d.]+)", _in_feet, text)
    text, masses = re.subn(r"(?m)^mass_kg = (\d+)", lambda found: f"mass_lb = {float(found[1]) / 0.45359237:.6f}", text)
    assert (sizes, masses) == (6, 2)
    plan.write_text(text.replace("[roads]\n", f'[roads]\nregion = "{REGION}"\n'), encoding="utf-8")
    for name in ("plan.toml", "weather.csv", "drill.toml"):
        _edit(folder / name, (r"2026-01-17T([\d:]+)\+11:00", r"2026-07-17T\1-08:00"))
    for km_h, mph in DRILL.items():
        _edit(folder / "drill.toml", (rf"(?m)^speed_km_h = {km_h}$", f"speed_mph = {mph}"))
    _edit(folder / "drill.toml", (r"speeds_km_h = \[5, 12, 50\]", "speeds_mph = [3, 7.5, 30]"))
    _edit(folder / "drill.toml", (r"speeds_km_h = \[5\]", "speeds_mph = [3]"))
    return plan


def _in_feet(found: re.Match[str]) -> str:
    return f"{found[1]}_ft = {float(found[2]) / 0.3048:.6f}"


def _edit(path: Path, *changes: object) -> None:
    text = path.read_text(encoding="utf-8")
    for pattern, made in changes:
        text = re.sub(pattern, made, text)
    path.write_text(text, encoding="utf-8")
