"""Writes an answer: record, page, map layers, rasters, map file, route, timetable, reminders; printed when asked for.

Every file is first written whole in a temporary folder inside the chosen one; only when all are there are they moved to
their names, so that no half-written file is left behind and an earlier answer stays until the new one is complete.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.transform import Affine

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HouseholdResult
from leaveby.files.write.layers import write_geopackage
from leaveby.files.write.map_file import plan_kml, route_gpx
from leaveby.files.write.printed import find_browser, print_page
from leaveby.files.write.reminders import reminders_ics
from leaveby.files.write.whole import Made, write_whole
from leaveby.fire.terrain import Grid
from leaveby.show.ground import arrival_s
from leaveby.show.plan.page import plan_page
from leaveby.show.plan.record import result_record
from leaveby.show.record import record_text
from leaveby.show.scene import household_scene
from leaveby.show.wording import WAYS, clean, iso_minute, minutes_down

NODATA: Final = -9999.0
"""Stands where the fire does not come within the horizon."""

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


def write_result(
    result: HouseholdResult, out_dir: Path, *, made_at: datetime, pdf: bool = False, browser: Path | None = None
) -> dict[str, Path]:
    """Write an answer's files under a folder, all or none.

    Parameters
    ----------
    out_dir : Path
        Made when it is not there. Files of the same names are replaced.
    made_at : datetime
        With UTC offset; stands in the record, the page and the layers.
    pdf : bool
        Whether to print the page as `plan.pdf` too. When not, a `plan.pdf` that is there is taken away.
    browser : Path, optional
        What to print with; as for `leaveby.files.write.printed.find_browser`.

    Returns
    -------
    dict of file name to Path
        `result.json`, `plan.html`, `layers.gpkg`, `arrival.tif`, `lead_time.tif` (where a way has a lead time),
        `plan.kml`, `route.gpx`, `timetable.csv`, `reminders.ics`, `plan.pdf` (when asked for).

    Raises
    ------
    InputError
        If the folder can't be made or written, `made_at` has no offset, or there is nothing to print with.
    """
    if pdf:
        find_browser(browser)
    page = plan_page(result, made_at=made_at)
    scene = household_scene(result)
    files: dict[str, Made] = {
        "result.json": record_text(result_record(result, made_at=made_at)),
        "plan.html": page,
        "layers.gpkg": lambda path: write_geopackage(scene, path, made_at=made_at),
        "arrival.tif": lambda path: write_arrival(result, path),
        "plan.kml": plan_kml(scene, made_at=made_at),
        "route.gpx": route_gpx(scene, made_at=made_at),
        "timetable.csv": timetable_csv(result),
        "reminders.ics": reminders_ics(result, made_at=made_at),
    }
    if result.lead_time_s:
        files["lead_time.tif"] = lambda path: write_lead_time(result, path)
    if pdf:
        files["plan.pdf"] = lambda path: print_page(page, path, browser=browser)
    # An older one beside the new answer would be read as belonging to it.
    stale = {"lead_time.tif", "plan.pdf"} - files.keys()
    return write_whole(files, out_dir, stale=sorted(stale))


def write_arrival(result: HouseholdResult, path: Path) -> None:
    """Write the fire arrival time of the central run: one band, minutes from the scenario's start."""
    _write_grid(
        path,
        result.terrain.grid,
        [("fire arrival time, central run", arrival_s(result))],
        tags={"scenario_start": result.start.isoformat(timespec="seconds"), "zero": "scenario_start"},
    )


def write_lead_time(result: HouseholdResult, path: Path) -> None:
    """Write the lead-time map: one band per way of leaving, minutes by which one must be rolling for a fire there."""
    names = sorted(result.lead_time_s, key=(*WAYS, *result.lead_time_s).index)
    bands = [(f"lead time for leaving, way: {name}", result.lead_time_s[name]) for name in names]
    _write_grid(
        path,
        result.terrain.grid,
        bands,
        tags={"zero": "the moment when the fire is at the cell", "meaning": "minutes left to clear the route"},
    )


def _write_grid(
    path: Path, grid: Grid, bands: Sequence[tuple[str, NDArray[np.float64]]], *, tags: Mapping[str, str]
) -> None:
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": len(bands),
        "height": grid.rows,
        "width": grid.cols,
        "crs": CRS.from_user_input(grid.crs),
        "transform": Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m),
        "nodata": NODATA,
        "compress": "deflate",
        "tiled": False,
    }
    with rasterio.open(path, "w", **profile) as raster:
        for number, (description, values_s) in enumerate(bands, start=1):
            minutes = np.asarray(values_s, dtype=np.float64) / 60.0
            kept = np.isfinite(minutes)
            # Towards minus infinity, so that no cell gains seconds by the narrower number.
            narrow = np.where(kept, minutes, NODATA).astype(np.float32)
            high = kept & (narrow.astype(np.float64) > minutes)
            narrow = np.where(high, np.nextafter(narrow, np.float32(-np.inf)), narrow)
            raster.write(narrow, number)
            raster.set_band_description(number, description)
            raster.update_tags(number, units="minutes", nodata_means="not within the hours that were computed")
            raster.set_band_unit(number, "min")
        raster.update_tags(OVERRIDE=OVERRIDE, PLANNING_AID=PLANNING_AID, units="minutes", **tags)


def timetable_csv(result: HouseholdResult) -> str:
    """Write the timetable as CSV, the override statement first: moment, minutes from the start, kind, sentence.

    A cell that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(["at_iso", "after_start_min", "kind", "sentence"])
    writer.writerow(["", "", "override", OVERRIDE])
    for row in result.timetable:
        minutes = minutes_down(row.at_s)
        after = "" if minutes is None else f"{math.floor(minutes)}"
        writer.writerow([iso_minute(result, row.at_s) or "", after, plain_cell(row.kind), plain_cell(row.sentence)])
    return stream.getvalue()


def plain_cell(text: str) -> str:
    """Make a text that no spreadsheet reads as a formula.

    Examples
    --------
    >>> plain_cell("=1+1"), plain_cell("  @sum"), plain_cell("from 13:05")
    ("'=1+1", "'@sum", 'from 13:05')
    """
    line = clean(text)
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line
