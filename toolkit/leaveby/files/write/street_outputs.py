"""Writes the answer to the community question: record, page, map layers and table, all or none."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
from shapely.geometry import Point

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import StreetSurvey
from leaveby.files.write.layers import write_geopackage
from leaveby.files.write.outputs import plain_cell
from leaveby.files.write.whole import write_whole
from leaveby.roads.exits.dominators import NO_WAY_OUT
from leaveby.show.streets.page import streets_page
from leaveby.show.streets.record import COLUMNS, group_rows, listed_values, survey_record, survey_text
from leaveby.show.wording import clean


def write_streets(answer: StreetSurvey, out_dir: Path, *, made_at: datetime) -> dict[str, Path]:
    """Write an answer's files under a folder, all or none.

    Parameters
    ----------
    answer : StreetSurvey
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
    record = survey_record(answer, made_at=made_at)
    writers: dict[str, Callable[[Path], object]] = {
        "streets.json": lambda path: path.write_text(survey_text(record), encoding="utf-8"),
        "streets.html": lambda path: path.write_text(streets_page(answer, made_at=made_at), encoding="utf-8"),
        "streets.gpkg": lambda path: write_street_layers(answer, path, made_at=made_at),
        "streets.csv": lambda path: path.write_text(streets_csv(answer), encoding="utf-8", newline=""),
    }
    return write_whole(writers, out_dir)


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
        writer.writerow([plain_cell(value) if isinstance(value, str) else value for value in listed_values(row)])
    return stream.getvalue()


def write_street_layers(answer: StreetSurvey, path: Path, *, made_at: datetime) -> None:
    """Write the GeoPackage: plain columns, units in their names, the override statement in each layer's metadata."""
    notes = {"OVERRIDE": OVERRIDE, "PLANNING_AID": PLANNING_AID}
    if answer.from_osm:
        notes["NOTICE"] = OSM_NOTICE
    write_geopackage(street_layers(answer), path, notes=notes, made_at=made_at)


def street_layers(answer: StreetSurvey) -> dict[str, geopandas.GeoDataFrame]:
    """Lay out the map layers as tables; a kind of which there is none is left out.

    `single_exit_streets` (each street that someone must pass, with the homes behind it), `groups` (a point at the outer
    end of what everyone must pass), `homes` (with what becomes of each), `exits`, `links`.
    """
    streets, found, homes = answer.streets, answer.found, answer.homes
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    must = np.flatnonzero(streets.driven & (behind > 0.0)).tolist()
    tables: dict[str, list[dict[str, Any]]] = {
        "single_exit_streets": [
            {
                "osm_way_id": int(streets.way_id[street]),
                "name": clean(streets.name[street]),
                "class": clean(streets.highway[street]),
                "homes_behind": float(behind[street]),
                "length_m": float(streets.length_m[street]),
                "why_not_open": clean(streets.reason[street]),
                "undirected_bridge": bool(found.bridge[street]),
                "geometry": streets.geometry[street],
            }
            for street in must
        ],
        "groups": [
            {**row, "geometry": Point(group.x_m, group.y_m)}
            for row, group in zip(group_rows(answer), answer.groups, strict=True)
        ],
        "homes": [
            {
                "identity": clean(homes.identity[row], 120),
                "dwellings": float(homes.dwellings[row]),
                "from_street_m": float(min(homes.away_m[row], 1e9)),
                "found": _fate(answer, row),
                "geometry": Point(float(homes.x_m[row]), float(homes.y_m[row])),
            }
            for row in range(len(homes.identity))
        ],
        "exits": [
            {
                "node": int(streets.node_id[node]),
                "leads_out": says,
                "geometry": Point(float(streets.x_m[node]), float(streets.y_m[node])),
            }
            for says, nodes in (("yes", found.exits), ("unknown", answer.maybe))
            for node in nodes.tolist()
        ],
        "links": [
            {
                "number": number,
                "kind": link.kind,
                "why_not_open": ", ".join(clean(reason) for reason in link.reasons),
                "metres_to_build": float(link.build_m),
                "metres_to_open": float(link.open_m),
                "homes_relieved": link.homes_relieved,
                "homes_freed": link.homes_freed,
                "geometry": link.line,
            }
            for number, link in enumerate(answer.links, start=1)
        ],
    }
    return {
        name: geopandas.GeoDataFrame(rows, geometry="geometry", crs=streets.crs)
        for name, rows in tables.items()
        if rows
    }


def _fate(answer: StreetSurvey, row: int) -> str:
    if answer.homes.street[row] < 0:
        return "too far from any street"
    vertex = int(answer.found.home_vertex[row])
    if vertex == NO_WAY_OUT:
        return "no way out by car on this map"
    best = answer.if_they_lead_on
    if best is not None and vertex != answer.found.tree.outside and best.home_vertex[row] == best.tree.outside:
        return "choice of ways only if roads lead out that the edge of the map cuts"
    return "choice of ways" if vertex == answer.found.tree.outside else "behind a single exit"
