"""Whose data a plan's files are: the list beside files that were fetched (`LICENCE.txt`), and what a raster says."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from leaveby.caution import OSM_NOTICE
from leaveby.files.read.guard import MOST_PLAN_BYTES, wrong_with
from leaveby.files.read.rasters import attribution_in

LICENCE_FILE: Final = "LICENCE.txt"
_MADE_FROM: Final = {"bad_day.csv": "weather_years"}

Credits = tuple[tuple[str, str], ...]
"""Of each source a few words for a map, and the whole notice for everything that is drawn from it."""


def listed_sources(folder: Path) -> dict[str, Any]:
    """What the list in a folder says of each file; empty where there is none. Raises ValueError for a torn one."""
    file = folder / LICENCE_FILE
    if wrong_with(file) or file.stat().st_size > MOST_PLAN_BYTES:
        return {}
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except RecursionError as error:
        raise ValueError(str(error)) from error


def credits_of(files: Iterable[Path | tuple[Path, ...] | None]) -> Credits:
    """Gather the notices that are due for files, each once; that of OpenStreetMap goes with the roads."""
    found: dict[str, str] = {}
    for path in (one for held in files for one in (held if isinstance(held, tuple) else (held,)) if one is not None):
        try:
            row = listed_sources(path.parent).get(_MADE_FROM.get(path.name, path.name), {})
        except ValueError:
            row = {}  # some other text of that name
        told = row.get("attribution", "") if isinstance(row, dict) else ""
        full = (told or attribution_in(path)).strip().rstrip(".")
        if full and full != OSM_NOTICE:
            found.setdefault(full, str(row.get("credit", full)) if told else full)
    return tuple((short, full) for full, short in found.items())
