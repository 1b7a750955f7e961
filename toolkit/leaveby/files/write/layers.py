"""Writes layers into one GeoPackage: the same bytes for the same answer, and the cautions in every layer's metadata."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import geopandas
import pyogrio

from leaveby.caution import OVERRIDE


def write_geopackage(
    frames: Mapping[str, geopandas.GeoDataFrame], path: Path, *, notes: Mapping[str, str], made_at: datetime
) -> None:
    """Write layers with plain columns; the override statement describes each.

    Parameters
    ----------
    frames : mapping of layer name to GeoDataFrame
    path : Path
        A file that is not there yet.
    notes : mapping of str to str
        Metadata of the file and of every layer.
    made_at : datetime
        With UTC offset; the library would write the clock's time.
    """
    stamp = made_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp})
    try:
        for number, (layer, frame) in enumerate(frames.items()):
            pyogrio.write_dataframe(
                frame,
                path,
                layer=layer,
                driver="GPKG",
                append=number > 0,
                dataset_metadata={**notes, "MADE_AT": made_at.isoformat(timespec="seconds")},
                layer_metadata={**notes, "DESCRIPTION": OVERRIDE},
                layer_options={"DESCRIPTION": OVERRIDE},
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
