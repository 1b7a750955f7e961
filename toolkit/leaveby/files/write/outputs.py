"""Writes an answer's files, all or none: record, pages, map layers, rasters, map file, route, tables, reminders."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.transform import Affine

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.district.result import DistrictSurvey
from leaveby.decision.drill.result import Drill
from leaveby.decision.streets.result import StreetSurvey
from leaveby.decision.ways.result import FireSummary, HouseholdResult
from leaveby.files.write.layers import write_geopackage
from leaveby.files.write.map_file import plan_kml, route_gpx
from leaveby.files.write.printed import find_browser, print_page
from leaveby.files.write.reminders import reminders_ics
from leaveby.files.write.whole import Made, write_whole
from leaveby.fire.terrain import Grid
from leaveby.show.district.page import district_page
from leaveby.show.district.record import district_record, flat_rows
from leaveby.show.district.scene import district_scene
from leaveby.show.drill.page import annex_page, participants_page
from leaveby.show.drill.record import drill_record
from leaveby.show.drill.run_card import run_card
from leaveby.show.plan.page import report_page
from leaveby.show.plan.record import result_record
from leaveby.show.plan.sheet import sheet_page
from leaveby.show.record import record_text
from leaveby.show.scene import household_scene
from leaveby.show.streets.page import streets_page
from leaveby.show.streets.record import survey_record
from leaveby.show.streets.scene import COLUMNS, group_rows, streets_scene
from leaveby.show.wording import clean, days_words, iso_minute, map_notice, minutes_down, today_words

NODATA: Final = -9999.0
"""Stands where the fire does not come within the horizon."""

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


def write_result(
    result: HouseholdResult, out_dir: Path, *, made_at: datetime, pdf: bool = False, browser: Path | None = None
) -> dict[str, Path]:
    """Write an answer's files under a folder, all or none; files of the same names are replaced.

    `made_at`, with UTC offset, stands in the files. `arrival.tif` and `timetable.csv` are written where the plan has a
    fire, `lead_time.tif` where it has rules, `plan.pdf` (the sheet, printed with `browser`) when asked for; an earlier
    one is taken away otherwise. InputError if there is nothing to print with, `NotWrittenError` as of `write_whole`.
    """
    if pdf:
        find_browser(browser)
    sheet = sheet_page(result, made_at=made_at)
    scene = household_scene(result)
    files: dict[str, Made] = {
        "result.json": record_text(result_record(result, made_at=made_at)),
        "plan.html": sheet,
        "report.html": report_page(result, made_at=made_at),
        "layers.gpkg": lambda path: write_geopackage(scene, path, made_at=made_at),
        "plan.kml": plan_kml(scene, made_at=made_at),
        "route.gpx": route_gpx(scene, made_at=made_at),
        "reminders.ics": reminders_ics(result, made_at=made_at),
    }
    fire = result.fire
    if fire is not None:
        files["arrival.tif"] = lambda path: write_arrival(result, fire, path)
        files["timetable.csv"] = timetable_csv(result)
    if result.rules.drawn:
        files["lead_time.tif"] = lambda path: write_lead_time(result, path)
    if pdf:
        files["plan.pdf"] = lambda path: print_page(sheet, path, browser=browser)
    # An older one beside the new answer would be read as belonging to it.
    stale = {"arrival.tif", "timetable.csv", "lead_time.tif", "plan.pdf"} - files.keys()
    return write_whole(files, out_dir, stale=sorted(stale), spare=["plan.pdf"])


def write_streets(answer: StreetSurvey, out_dir: Path, *, made_at: datetime) -> dict[str, Path]:
    """Write the answer to the community question: `streets.json`, `streets.html`, `streets.gpkg`, `streets.csv`.

    Parameters and errors as for `write_result`.
    """
    files: dict[str, Made] = {
        "streets.json": record_text(survey_record(answer, made_at=made_at)),
        "streets.html": streets_page(answer, made_at=made_at),
        "streets.gpkg": lambda path: write_geopackage(streets_scene(answer), path, made_at=made_at),
        "streets.csv": streets_csv(answer),
    }
    return write_whole(files, out_dir)


def write_district(survey: DistrictSurvey, out_dir: Path, *, made_at: datetime) -> dict[str, Path]:
    """Write the answer to a district's question: `district.json`, `district.html`, `district.gpkg`, `district.csv`.

    Parameters and errors as for `write_result`.
    """
    files: dict[str, Made] = {
        "district.json": record_text(district_record(survey, made_at=made_at)),
        "district.html": district_page(survey, made_at=made_at),
        "district.gpkg": lambda path: write_geopackage(district_scene(survey), path, made_at=made_at),
        "district.csv": district_csv(survey),
    }
    return write_whole(files, out_dir)


def write_drill(
    drill: Drill, out_dir: Path, *, made_at: datetime, pdf: bool = False, browser: Path | None = None
) -> dict[str, Path]:
    """Write a drill: its record, and for whoever leads it the run card `drill.html` and `drill_annex.html`.

    `drill_participants.html` has the sheets for the groups. With `pdf` each page is printed under its name too.
    Parameters and errors as for `write_result`.
    """
    if pdf:
        find_browser(browser)
    pages = {
        "drill": run_card(drill, made_at=made_at),
        "drill_annex": annex_page(drill, made_at=made_at),
        "drill_participants": participants_page(drill, made_at=made_at),
    }
    files: dict[str, Made] = {"drill.json": record_text(drill_record(drill, made_at=made_at))}
    files |= {f"{name}.html": page for name, page in pages.items()}
    prints: dict[str, Made] = {
        f"{name}.pdf": partial(print_page, page, browser=browser) for name, page in pages.items()
    }
    return write_whole(files | prints if pdf else files, out_dir, stale=() if pdf else tuple(prints), spare=[*prints])


def write_arrival(result: HouseholdResult, fire: FireSummary, path: Path) -> None:
    """Write the fire arrival time of the central run: one band, minutes from the scenario's start."""
    _write_grid(
        path,
        result.terrain.grid,
        [("fire arrival time, central run", fire.arrival.time_s)],
        tags={"scenario_start": result.start.isoformat(timespec="seconds"), "zero": "scenario_start"},
    )


def write_lead_time(result: HouseholdResult, path: Path) -> None:
    """Write the lead-time map: one band per way of leaving, minutes by which one must be rolling for a fire there."""
    rules = result.rules.drawn
    bands = [(f"lead time for leaving, way: {rule.way}", rule.lead_s) for rule in rules]
    _write_grid(
        path,
        result.rules.grid,
        bands,
        tags={
            "zero": "the moment when a fire starts at the cell",
            "meaning": "minutes until the wheels must roll, whatever the wind",
            "days": days_words(rules[0].rating),
        },
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
    """Write the timetable as CSV, the override statement first: moment, minutes from the start, kind, sentence."""
    rows: list[list[Any]] = [["", "", "override", OVERRIDE]]
    if said := today_words(result):
        rows.append(["", "", "today", said])
    for row in result.timetable:
        minutes = minutes_down(row.at_s)
        after = None if minutes is None else math.floor(minutes)
        rows.append([iso_minute(result, row.at_s), after, row.kind, row.sentence])
    return _csv(["at_iso", "after_start_min", "kind", "sentence"], rows)


def streets_csv(answer: StreetSurvey) -> str:
    """Write all groups as CSV, the override statement in the first row after the header."""
    notice = f"{OVERRIDE} {PLANNING_AID} {map_notice(answer)}".strip()
    first = ["", "override", notice, *[""] * (len(COLUMNS) - 3)]
    return _csv(COLUMNS, [first, *(row.values() for row in group_rows(answer))])


def district_csv(survey: DistrictSurvey) -> str:
    """Write all homes as CSV, in the order in which they go; the override statement in the first row."""
    rows = flat_rows(survey)
    header = list(rows[0])
    notice = f"{OVERRIDE} {PLANNING_AID} {map_notice(survey)}".strip()
    return _csv(header, [["", "override", notice, *[""] * (len(header) - 3)], *(row.values() for row in rows)])


def _csv(header: Iterable[str], rows: Iterable[Iterable[Any]]) -> str:
    """A cell that a spreadsheet would take for a formula gets an apostrophe in front; None is an empty one."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(header)
    writer.writerows([plain_cell(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    return stream.getvalue()


def plain_cell(text: str) -> str:
    """Make a text that no spreadsheet reads as a formula.

    >>> plain_cell("=1+1"), plain_cell("  @sum"), plain_cell("from 13:05")
    ("'=1+1", "'@sum", 'from 13:05')
    """
    line = clean(text)
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line
