"""Writes the answer to the community question: record, page, map layers and table, all or none."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import StreetSurvey
from leaveby.files.write.layers import write_geopackage
from leaveby.files.write.outputs import plain_cell
from leaveby.files.write.whole import Made, write_whole
from leaveby.show.record import record_text
from leaveby.show.streets.page import streets_page
from leaveby.show.streets.record import survey_record
from leaveby.show.streets.scene import COLUMNS, group_rows, streets_scene


def write_streets(answer: StreetSurvey, out_dir: Path, *, made_at: datetime) -> dict[str, Path]:
    """Write an answer's files under a folder, all or none.

    Parameters
    ----------
    out_dir : Path
        Made when it is not there. Files of the same names are replaced.
    made_at : datetime
        With UTC offset; stands in the record, the page and the layers.

    Returns
    -------
    dict of file name to Path
        `streets.json`, `streets.html`, `streets.gpkg`, `streets.csv`.

    Raises
    ------
    InputError
        If the folder can't be made or written, or `made_at` has no offset.
    """
    files: dict[str, Made] = {
        "streets.json": record_text(survey_record(answer, made_at=made_at)),
        "streets.html": streets_page(answer, made_at=made_at),
        "streets.gpkg": lambda path: write_geopackage(streets_scene(answer), path, made_at=made_at),
        "streets.csv": streets_csv(answer),
    }
    return write_whole(files, out_dir)


def streets_csv(answer: StreetSurvey) -> str:
    """Write all groups as CSV, the override statement in the first row after the header.

    A cell that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    notice = f"{OVERRIDE} {PLANNING_AID} {OSM_NOTICE if answer.from_osm else ''}".strip()
    writer.writerow(["", "override", notice, *[""] * (len(COLUMNS) - 3)])
    for row in group_rows(answer):
        cells = ["" if value is None else value for value in row.values()]
        writer.writerow([plain_cell(cell) if isinstance(cell, str) else cell for cell in cells])
    return stream.getvalue()
