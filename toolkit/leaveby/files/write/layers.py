"""Writes a scene into one GeoPackage: the same tables for the same answer, the cautions in every layer's metadata.

Every layer brings its look along, from the one table of symbols, in the table `layer_styles` in which desktop programs
for maps look for it. It stands there twice: as Styled Layer Descriptor 1.1 with Symbology Encoding 1.1 (OGC 05-078r4
and 05-077r4), which is an open standard; and in the document that free desktop programs apply on opening. Both go by
the column `symbol`. Neither knows a house: a home is a pentagon.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

import pandas as pd
import pyogrio

from leaveby.caution import OVERRIDE
from leaveby.show.scene import Layer, Scene
from leaveby.show.symbols import SYMBOLS, Symbol
from leaveby.show.templates import xml

STYLES_TABLE: Final = "layer_styles"

_SPACES: Final = {
    "": "http://www.opengis.net/sld",
    "se": "http://www.opengis.net/se",
    "ogc": "http://www.opengis.net/ogc",
}
_WELL_KNOWN: Final = {"house": "pentagon", "ring": "circle", "dot": "circle", "cross": "x"}
_GROUND: Final = "255,255,255,0"


def write_geopackage(scene: Scene, path: Path, *, made_at: datetime) -> None:
    """Write the tables of a scene: plain columns, units in their names, the override statement describes each."""
    # Streets that shut are for maps for people: here every stretch stands in `streets` with its own moment.
    layers = {name: layer for name, layer in scene.layers.items() if len(layer.things) and name != "shut_streets"}
    tables = {name: layer.facts for name, layer in layers.items()}
    tables[STYLES_TABLE] = _style_table(layers)
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


def _style_table(layers: Mapping[str, Layer]) -> pd.DataFrame:
    """One row for each layer, with the columns in which desktop programs look for a style."""
    for prefix, space in _SPACES.items():
        ElementTree.register_namespace(prefix, space)
    rows = []
    for name, layer in layers.items():
        kinds = [SYMBOLS[kind] for kind in layer.things["symbol"].drop_duplicates()]
        shown: dict[str, Any] = {"name": name, "kinds": kinds, "painter_of": _painter_of, "dash_words": _dash_words}
        shown |= {"px_per_pt": 4.0 / 3.0, "well_known": _WELL_KNOWN}
        shown["shapes"] = layer.things.geometry.geom_type.str.removeprefix("Multi").drop_duplicates().tolist()
        rows.append(
            {
                "f_table_catalog": "",
                "f_table_schema": "",
                "f_table_name": name,
                "f_geometry_column": "geom",
                "styleName": name,
                "styleQML": ElementTree.tostring(xml("files/write/layer_style.qml.j2", **shown), encoding="unicode"),
                "styleSLD": ElementTree.tostring(xml("files/write/layer_style.sld.j2", **shown), encoding="unicode"),
                "useAsDefault": True,
                "description": layer.title,
                "owner": "",
                "ui": "",
            }
        )
    return pd.DataFrame(rows)


def _dash_words(dashes: Iterable[float], width_px: float) -> str:
    return " ".join(f"{part * width_px:.1f}" for part in dashes)


def _painter_of(symbol: Symbol, shape: str) -> tuple[str, str, dict[str, str]]:
    edge = {"outline_color": _rgba(symbol.colour), "outline_width": f"{symbol.width_pt:g}"}
    edge["outline_width_unit"] = "Point"
    if shape == "Point":
        mark = {"name": _WELL_KNOWN.get(symbol.sign, symbol.sign), "color": _rgba(symbol.fill)}
        return "marker", "SimpleMarker", {**mark, **edge, "size": f"{symbol.size_pt:g}", "size_unit": "Point"}
    kind = "fill" if shape == "Polygon" else "line"
    if kind == "fill" and symbol.fill and not symbol.sign:
        return kind, "SimpleFill", {"color": _rgba(symbol.fill), "style": "solid", **edge}
    line = {"line_color": _rgba(symbol.ink), "line_width": f"{symbol.width_pt:g}", "line_width_unit": "Point"}
    if symbol.dashes:
        gaps = ";".join(f"{part * symbol.width_pt:g}" for part in symbol.dashes)
        line |= {"use_custom_dash": "1", "customdash": gaps, "customdash_unit": "Point"}
    return kind, "SimpleLine", line


def _rgba(colour: str) -> str:
    """`#rrggbb` as numbers, opaque; nothing as nothing."""
    if not colour:
        return _GROUND
    return ",".join(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5)) + ",255"
