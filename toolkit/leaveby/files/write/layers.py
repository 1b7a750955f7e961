"""Writes a scene into one GeoPackage: the same tables for the same answer, the cautions in every layer's metadata.

Every layer brings its look along, in the table `layer_styles` in which desktop programs for maps look for it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pyogrio

from leaveby.caution import OVERRIDE
from leaveby.files.write.styles import STYLES_TABLE, style_table
from leaveby.show.scene import Scene


def write_geopackage(scene: Scene, path: Path, *, made_at: datetime) -> None:
    """Write the tables of a scene: plain columns, units in their names, the override statement describes each."""
    # Streets that shut are for maps for people: here every stretch stands in `streets` with its own moment.
    layers = {name: layer for name, layer in scene.layers.items() if len(layer.things) and name != "shut_streets"}
    tables = {name: layer.facts for name, layer in layers.items()}
    tables[STYLES_TABLE] = style_table(layers)
    stamp = made_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp})
    try:
        for number, (name, table) in enumerate(tables.items()):
            pyogrio.write_dataframe(
                table,
                path,
                layer=name,
                driver="GPKG",
                append=number > 0,
                dataset_metadata={**scene.notices, "MADE_AT": made_at.isoformat(timespec="seconds")},
                layer_metadata={**scene.notices, "DESCRIPTION": OVERRIDE},
                layer_options={"DESCRIPTION": OVERRIDE},
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
