"""Fetch sources into a plan's folder: whole or not at all; what is there is kept; all is listed in `LICENCE.txt`."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

from leaveby.caution import OVERRIDE
from leaveby.download.bad_day import read_year
from leaveby.download.connection import Connection, ask, connection, not_fetched
from leaveby.download.ground import write_ground
from leaveby.download.sources import TABLE, Source
from leaveby.errors import Fault, InputError, refused
from leaveby.files.read.legends import legend_rows
from leaveby.files.read.licences import LICENCE_FILE, listed_sources
from leaveby.files.read.road_extracts import read_extract

LEGEND_FILE: Final = "fuel_legend.csv"
_UNFINISHED: Final = ".fetching"
_HEAD: Final = "# What was fetched, from where and when, and under which licence: keep it with the files.\n# {}\n"
_BOUNDS: Final = '<bounds minlon="{}" minlat="{}" maxlon="{}" maxlat="{}"/>'


@dataclass(frozen=True)
class Fetched:
    """Files by name of their source, what was taken for granted with them, and the notices that they come under."""

    files: dict[str, Path]
    said: tuple[str, ...]
    attributions: tuple[str, ...]


def fetch(
    sources: Iterable[Source],
    folder: str | Path,
    *,
    progress: Callable[[str], None],
    country: str = "AU",
    door: Connection | None = None,
    today: str | None = None,
) -> Fetched:
    """Fetch sources, as from `sources_for`, into a plan's folder, which is made where there is none.

    A file that is there already is kept, a person's own too; what was begun is gone on with.

    - `progress`: is told each source, with all that is sent, before it is asked, and then how far it is.
    - `country`: for the table that turns land cover to fuel, `fuel_legend.csv`.
    - `door`: how patiently servers are asked, see `leaveby.download.connection.connection`.
    - `today`: date (YYYY-MM-DD) for the list; the present one in UTC when left out.

    Raises InputError with every source that could not be fetched, and what to get by hand; the others are there then.
    """
    store, wanted, faults = Path(folder), tuple(sources), list[Fault]()
    unfinished, door = store / _UNFINISHED, door or connection()
    unfinished.mkdir(parents=True, exist_ok=True)
    for source in wanted:
        file, row = store / source.file, _listed(store).get(source.file)
        try:
            if not file.exists():
                progress(str(source))
                said = _MAKERS[source.name](unfinished / source.file, source, door=door, progress=progress)
                if source.name == "land_cover" and not (store / LEGEND_FILE).exists():
                    rows = legend_rows("world", country)
                    lines = [",".join(rows[0]), *(",".join(f'"{cell}"' for cell in row.values()) for row in rows), ""]
                    (store / LEGEND_FILE).write_text("\n".join(lines), encoding="utf-8")
                _list(source, store, day=today or datetime.now(UTC).date().isoformat(), said=[*source.said, *said])
                (unfinished / source.file).replace(file)
            elif row is not None and row["sent"] != source.sent:
                raise refused(file, "fetch_other_place", before=row["sent"], now=source.sent)
            progress(f"{source.file} is there.")
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    shutil.rmtree(unfinished)
    listed = [row for source in wanted if (row := _listed(store).get(source.file))]
    return Fetched(
        {source.name: store / source.file for source in wanted},
        tuple(line for row in listed for line in row["taken_for_granted"]),
        tuple(row["attribution"] for row in listed),
    )


def _whole(
    part: Path, address: str, *, source: Source, door: Connection, check: Callable[[], object], query: str = ""
) -> None:
    """Fetch a file, and keep nothing of it where the check refuses it."""
    with part.open("w+b") as into:
        if ask(address, into, source=source, door=door, form={"data": query} if query else None) is None:
            raise not_fetched(source, "fetch_refused", address=address, status=404, kind="no such file")
    try:
        check()
    except InputError as error:
        part.unlink()
        fault = error.faults[0]
        raise not_fetched(
            source, "fetch_wrong_file", address=address, error=fault.wrong, expected=fault.expected
        ) from error


def _roads(out: Path, source: Source, *, door: Connection, progress: Callable[[str], None]) -> list[str]:
    part = out.with_name(f"part_{out.name}")

    def check() -> None:
        text = part.read_text(encoding="utf-8", errors="replace")
        head, root, rest = text.partition("<osm ")
        remark = rest.partition("<remark>")[2].partition("</remark>")[0].strip()
        if remark or not rest.rstrip().endswith("</osm>"):
            raise refused(part, "fetched_map_broken", error=remark or "its end is missing")
        if "<bounds" not in rest[:4096]:  # roads that run on over the edge of the map are no dead ends
            opening, _, rest = rest.partition(">")
            part.write_text(f"{head}{root}{opening}>{_BOUNDS.format(*source.box_deg)}{rest}", encoding="utf-8")
        read_extract(part)

    west, south, east, north = source.box_deg
    query = TABLE["roads"]["query"].format(box=f"{south},{west},{north},{east}")
    progress(f"{source.file}: asked")
    _whole(part, source.addresses[0], source=source, door=door, check=check, query=query)
    part.replace(out)
    return []


def _weather(out: Path, source: Source, *, door: Connection, progress: Callable[[str], None]) -> list[str]:
    years = out.with_name("{}_{:g}_{:g}".format(out.name, *source.box_deg))  # of one point only
    years.mkdir(exist_ok=True)
    part = out.with_name("part.json")
    for year, address in enumerate(source.addresses, source.first_year):
        if not (years / f"{year}.json").is_file():
            progress(f"{source.file}: {year}")
            _whole(part, address, source=source, door=door, check=partial(read_year, part, year=year))
            part.replace(years / f"{year}.json")
    years.replace(out)
    return []


_MAKERS: Final = {"roads": _roads, "heights": write_ground, "land_cover": write_ground, "weather": _weather}


def _listed(store: Path) -> dict[str, Any]:
    """What the list says of each file."""
    try:
        return listed_sources(store)
    except ValueError as error:
        raise refused(store / LICENCE_FILE, "fetch_list_broken", error=error) from error


def _list(source: Source, store: Path, *, day: str, said: list[str]) -> None:
    """Write a source into the list beside the others, readable as text and as TOML."""
    row = {"what": source.what, "fetched": day, "asked": [*source.addresses], "sent": source.sent}
    row |= {"licence": source.licence, "attribution": source.attribution, "credit": source.credit}
    row |= {"known_from": source.mark}
    text = _HEAD.format(OVERRIDE)
    for name, cells in (_listed(store) | {source.file: row | {"taken_for_granted": said}}).items():
        text += f"\n[{json.dumps(name)}]\n"
        text += "".join(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in cells.items())
    part = store / _UNFINISHED / LICENCE_FILE
    part.write_text(text, encoding="utf-8")
    part.replace(store / LICENCE_FILE)
