"""One table of symbols for every map, on paper, on screen and in files: the same sign means the same thing everywhere.

It is read from `symbols.csv` beside this module. Widths and sizes are points on paper; dashes are in widths of the
line, drawn and left out by turns; `screen_px` is the width of a line for programs that know only pixels.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from matplotlib.path import Path

from leaveby.regions import table_rows


@dataclass(frozen=True)
class Symbol:
    """How a kind of thing is drawn, with its key in `SYMBOLS` and what it means in words, for a legend.

    `sign` is the shape of the mark of a point, a key of `SIGNS`, "" where only lines and areas are drawn; `colour` and
    `fill` are `#rrggbb` of the line or edge and of what it encloses, "" for none; sizes are of the mark, widths of the
    line or edge; `screen_px` is 0 where no line is drawn on a screen.
    """

    kind: str
    words: str
    sign: str
    colour: str
    fill: str
    size_pt: float
    width_pt: float
    screen_px: float
    dashes: tuple[float, ...]

    @property
    def ink(self) -> str:
        """The colour that tells it apart: of the fill where the edge is white, which only keeps it off the ground."""
        return self.fill if self.colour == "#ffffff" else self.colour


def _read() -> dict[str, Symbol]:
    found = {}
    for row in table_rows("leaveby.show", "symbols.csv"):
        given: dict[str, Any] = {name: float(row[name] or 0.0) for name in ("size_pt", "width_pt", "screen_px")}
        given["dashes"] = tuple(float(part) for part in row["dashes"].split())
        found[row["kind"]] = Symbol(**{**row, **given})
    return found


SYMBOLS: Final[Mapping[str, Symbol]] = _read()

_HOUSE: Final = Path(
    [(-0.8, -0.8), (0.8, -0.8), (0.8, 0.15), (0.0, 1.0), (-0.8, 0.15), (-0.8, -0.8)],
    [Path.MOVETO, *[Path.LINETO] * 4, Path.CLOSEPOLY],
)
SIGNS: Final[Mapping[str, Any]] = {
    "house": _HOUSE,
    "ring": "o",
    "dot": "o",
    "square": "s",
    "star": "*",
    "triangle": "^",
    "cross": "x",
}
"""Signs as matplotlib draws them."""


def way_symbol(what: str, way: str) -> str:
    """Key of the symbol for a `way` out or a `trigger` line of a way of leaving; an unknown one is drawn as the car's.

    >>> way_symbol("way", "tow"), way_symbol("trigger", "raft")
    ('way_tow', 'trigger_car')
    """
    return f"{what}_{way}" if f"{what}_{way}" in SYMBOLS else f"{what}_car"


def mark_look(kind: str) -> dict[str, Any]:
    """The mark of a point as keywords for matplotlib's `plot`.

    >>> mark_look("safe_point")["markeredgecolor"], mark_look("last_resort")["marker"]
    ('#00614f', 's')
    """
    symbol = SYMBOLS[kind]
    return {
        "marker": SIGNS[symbol.sign],
        "markersize": symbol.size_pt,
        "color": symbol.fill,
        "markeredgecolor": symbol.colour,
        "markeredgewidth": symbol.width_pt,
        "linestyle": "none",
    }


def line_look(kind: str) -> dict[str, Any]:
    """A line as keywords for matplotlib's `plot`."""
    symbol = SYMBOLS[kind]
    dashes: Any = (0, symbol.dashes) if symbol.dashes else "-"
    return {"color": symbol.colour, "linewidth": symbol.width_pt, "linestyle": dashes}
