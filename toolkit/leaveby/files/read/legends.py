"""Maps of land cover whose codes are known here, and what each class burns like: tables beside `leaveby.download`."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Final

import numpy as np

from leaveby.files.read.rasters import opened
from leaveby.regions import table_rows

_TABLES: Final = {
    "world": table_rows("leaveby.download", "land_cover.csv"),
    "corine": table_rows("leaveby.download", "corine.csv"),
    "nlcd": table_rows("leaveby.download", "nlcd.csv"),
}
LEGENDS: Final = ("world", "corine", "corine_44", "nlcd")
"""What `fuel.legend` may say instead of a file: the open world map of 10 m; CORINE Land Cover of Europe by its codes,
or, as its raster counts them, from 1 to 44; the National Land Cover Database of the United States."""

_LOOKED_AT: Final = 2_000


def legend_rows(name: str, country: str = "") -> tuple[dict[str, str], ...]:
    """The classes of a known map, each with its name and the fuel type that it is taken for in a country.

    Examples
    --------
    >>> [row["fuel_type"] for country in ("AU", "PT") for row in legend_rows("world", country) if row["value"] == "20"]
    ['shrubland', 'scrub']
    >>> [row["land_cover"] for row in legend_rows("corine_44")[22:24]]
    ['Broad-leaved forest', 'Coniferous forest']
    """
    if name == "corine_44":
        return tuple(row | {"value": str(number)} for number, row in enumerate(_TABLES["corine"], start=1))
    rows = {row["value"]: row for row in _TABLES[name] if not row["countries"]}
    return tuple((rows | {row["value"]: row for row in _TABLES[name] if country in row["countries"].split()}).values())


def fitting(codes: Collection[float]) -> tuple[str, ...]:
    """Name the known maps that have all of these codes.

    Examples
    --------
    >>> fitting([311, 112]), fitting([41, 90]), fitting([10, 30]), fitting([7.5])
    (('corine',), ('nlcd',), ('world', 'corine_44'), ())
    """
    if not codes:
        return ()
    return tuple(one for one in LEGENDS if {*codes} <= {float(row["value"]) for row in legend_rows(one)})


def fitting_raster(path: Path) -> tuple[str, ...]:
    """Name the known maps that a raster can be, by the codes in it: of a large one, by a pixel here and there.

    Raises InputError where it can't be read.
    """
    with opened(path, "fuel.file", "write the reference system into it") as raster:
        (source,) = raster.sources
        shape = min(source.height, _LOOKED_AT), min(source.width, _LOOKED_AT)
        band = source.read(1, out_shape=shape, masked=True)
        return fitting({float(code) for code in np.unique(band.compressed())})
