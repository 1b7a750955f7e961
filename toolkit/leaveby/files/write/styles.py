"""The look of each layer of a GeoPackage, from the one table of symbols, for programs that draw it by themselves.

Twice for each layer: as Styled Layer Descriptor 1.1 with Symbology Encoding 1.1 (OGC 05-078r4 and 05-077r4), which is
an open standard; and in the document that free desktop programs keep in the table `layer_styles` and apply on opening.
Both go by the column `symbol`. Neither knows a house: a home is a pentagon.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final
from xml.etree import ElementTree

import pandas as pd

from leaveby.show.scene import Layer
from leaveby.show.symbols import SYMBOLS, Symbol

STYLES_TABLE: Final = "layer_styles"

_SLD: Final = "http://www.opengis.net/sld"
_SE: Final = "http://www.opengis.net/se"
_OGC: Final = "http://www.opengis.net/ogc"
_PX_PER_PT: Final = 4.0 / 3.0
_WELL_KNOWN: Final = {"house": "pentagon", "ring": "circle", "dot": "circle", "cross": "x"}
_GROUND: Final = "255,255,255,0"


def style_table(layers: Mapping[str, Layer]) -> pd.DataFrame:
    """One row for each layer, with the columns in which desktop programs look for a style."""
    rows = []
    for name, layer in layers.items():
        kinds = [SYMBOLS[kind] for kind in layer.things["symbol"].drop_duplicates()]
        shapes = layer.things.geometry.geom_type.str.removeprefix("Multi").drop_duplicates().tolist()
        rows.append(
            {
                "f_table_catalog": "",
                "f_table_schema": "",
                "f_table_name": name,
                "f_geometry_column": "geom",
                "styleName": name,
                "styleQML": _document(kinds, shapes[0]),
                "styleSLD": _descriptor(name, kinds, shapes),
                "useAsDefault": True,
                "description": layer.title,
                "owner": "",
                "ui": "",
            }
        )
    return pd.DataFrame(rows)


def _descriptor(name: str, kinds: Iterable[Symbol], shapes: Iterable[str]) -> str:
    for prefix, space in (("", _SLD), ("se", _SE), ("ogc", _OGC)):
        ElementTree.register_namespace(prefix, space)
    root = ElementTree.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.1.0"})
    layer = ElementTree.SubElement(root, f"{{{_SLD}}}NamedLayer")
    _text(layer, _SE, "Name", name)
    style = ElementTree.SubElement(ElementTree.SubElement(layer, f"{{{_SLD}}}UserStyle"), f"{{{_SE}}}FeatureTypeStyle")
    for symbol in kinds:
        rule = ElementTree.SubElement(style, f"{{{_SE}}}Rule")
        _text(rule, _SE, "Name", symbol.kind)
        _text(ElementTree.SubElement(rule, f"{{{_SE}}}Description"), _SE, "Title", symbol.words)
        chosen = ElementTree.SubElement(rule, f"{{{_OGC}}}Filter")
        equal = ElementTree.SubElement(chosen, f"{{{_OGC}}}PropertyIsEqualTo")
        _text(equal, _OGC, "PropertyName", "symbol")
        _text(equal, _OGC, "Literal", symbol.kind)
        for shape in shapes:
            _symbolizer(rule, symbol, shape)
    return ElementTree.tostring(root, encoding="unicode")


def _symbolizer(rule: ElementTree.Element, symbol: Symbol, shape: str) -> None:
    if shape == "Point":
        graphic = ElementTree.SubElement(ElementTree.SubElement(rule, f"{{{_SE}}}PointSymbolizer"), f"{{{_SE}}}Graphic")
        mark = ElementTree.SubElement(graphic, f"{{{_SE}}}Mark")
        _text(mark, _SE, "WellKnownName", _WELL_KNOWN.get(symbol.sign, symbol.sign))
        _painted(mark, "Fill", {"fill": symbol.fill})
        _painted(mark, "Stroke", {"stroke": symbol.colour, "stroke-width": f"{symbol.width_pt * _PX_PER_PT:.2f}"})
        _text(graphic, _SE, "Size", f"{symbol.size_pt * _PX_PER_PT:.1f}")
        return
    area = shape == "Polygon"
    drawn = ElementTree.SubElement(rule, f"{{{_SE}}}{shape.removesuffix('String')}Symbolizer")
    if area and symbol.fill and not symbol.sign:
        _painted(drawn, "Fill", {"fill": symbol.fill})
    width_px = symbol.width_pt * _PX_PER_PT
    stroke = {"stroke": symbol.ink, "stroke-width": f"{width_px:.2f}"}
    if symbol.dashes:
        stroke["stroke-dasharray"] = " ".join(f"{part * width_px:.1f}" for part in symbol.dashes)
    _painted(drawn, "Stroke", stroke)


def _painted(parent: ElementTree.Element, name: str, values: Mapping[str, str]) -> None:
    part = ElementTree.SubElement(parent, f"{{{_SE}}}{name}")
    for key, value in values.items():
        ElementTree.SubElement(part, f"{{{_SE}}}SvgParameter", {"name": key}).text = value


def _text(parent: ElementTree.Element, space: str, name: str, text: str) -> None:
    ElementTree.SubElement(parent, f"{{{space}}}{name}").text = text


def _document(kinds: Iterable[Symbol], shape: str) -> str:
    """One class for each symbol, by the column `symbol`; all lengths in points."""
    root = ElementTree.Element("qgis", {"version": "3.22.0", "styleCategories": "Symbology"})
    renderer = ElementTree.SubElement(root, "renderer-v2", {"type": "categorizedSymbol", "attr": "symbol"})
    classes, signs = (ElementTree.SubElement(renderer, part) for part in ("categories", "symbols"))
    for number, symbol in enumerate(kinds):
        ElementTree.SubElement(
            classes,
            "category",
            {"symbol": f"{number}", "value": symbol.kind, "label": symbol.words, "render": "true"},
        )
        kind, painter, look = _painter(symbol, shape)
        sign = ElementTree.SubElement(signs, "symbol", {"name": f"{number}", "type": kind, "alpha": "1"})
        layer = ElementTree.SubElement(sign, "layer", {"class": painter, "enabled": "1", "pass": "0", "locked": "0"})
        options = ElementTree.SubElement(layer, "Option", {"type": "Map"})
        for name, value in look.items():
            ElementTree.SubElement(options, "Option", {"name": name, "type": "QString", "value": value})
    return ElementTree.tostring(root, encoding="unicode")


def _painter(symbol: Symbol, shape: str) -> tuple[str, str, dict[str, str]]:
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
