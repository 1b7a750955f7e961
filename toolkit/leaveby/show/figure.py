"""What every figure shares: its look, its clock axis, and how it becomes a picture inside a page."""

from __future__ import annotations

import hashlib
import io
import math
import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import timedelta
from importlib.resources import files
from typing import Any, Final
from xml.etree import ElementTree

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from leaveby import regions
from leaveby.show.symbols import SYMBOLS
from leaveby.show.wording import WAYS, Clocked, clean, minutes_between

OVERRIDE_LINE: Final = "Official warnings override this figure. Leave early."
"""The override statement, short enough for the foot of a figure; the page carries the whole of it."""

INK: Final = "#1a1a1a"
MUTED: Final = "#595959"
PALE: Final = "#e9e9e6"

LIGHT: Final = "#f7f7f5"
GREY: Final = "#bdbdbd"
DARK: Final = "#3a3a3a"
"""Fills of bars, told apart in black and white too."""

WAY_COLOURS: Final[Mapping[str, str]] = {way: SYMBOLS[f"way_{way}"].colour for way in WAYS}
"""Told apart by colour-blind readers, and each dark enough on white; dashes and labels carry them in grey."""

WAY_DASHES: Final[Mapping[str, Any]] = {way: (0, SYMBOLS[f"way_{way}"].dashes) for way in WAYS}

TABLE_OPEN: Final = '<table style="text-align: left; border-spacing: 0.9em 0.3em; margin: 0.6em 0">'
"""Begins a table that stands beside a figure in a notebook, where no style sheet of ours reaches."""

LOOKS: Final[Mapping[str, Mapping[str, Any]]] = regions.table("show/figure_looks")
"""How letters and marks look, as keywords for matplotlib."""

_STYLE: Final = str(files("leaveby.show").joinpath("figure.mplstyle"))
_SVG: Final = "http://www.w3.org/2000/svg"
_XLINK: Final = "http://www.w3.org/1999/xlink"
_HALO_ID: Final = "halo-"
_HALO_STYLE: Final = "paint-order: stroke; stroke: #ffffff; stroke-width: 2.2px; stroke-linejoin: round"
_REFERENCE: Final = re.compile(r"url\(#([^)]+)\)")


@contextmanager
def figure_style() -> Iterator[None]:
    """Draw in the project's look, whatever the caller's settings are; text is never read as mathematics."""
    with mpl.rc_context(fname=_STYLE), warnings.catch_warnings():
        # A letter that the measuring font lacks is still written as text, and the reader's own font shows it.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font", category=UserWarning)
        yield


def blank_figure(width_mm: float, height_mm: float, *, foot: str = OVERRIDE_LINE) -> Figure:
    """Make an empty figure of a printed size, with the override line at its foot."""
    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
    if foot:
        figure.supxlabel(foot, fontsize=6.5, color=MUTED, x=0.995, ha="right", style="italic")
    return figure


def clock_axis(axes: Axes, result: Clocked, low_s: float, *, high_s: float, most: int = 12) -> None:
    """Label a time axis (in minutes from the scenario's start) with whole clock times.

    At most `most` labels; every label stands on a multiple of its step on the clock.
    """
    span_min = (high_s - low_s) / 60.0
    step_min = next((step for step in (5, 10, 15, 30, 60, 120, 180, 240, 360, 720) if span_min / step <= most), 1440)
    moment = (result.start + timedelta(seconds=low_s)).replace(minute=0, second=0, microsecond=0)
    moment -= timedelta(hours=moment.hour)
    ticks, labels = [], []
    while (at_min := minutes_between(result, moment)) <= high_s / 60.0 + 1e-9:
        if at_min >= low_s / 60.0 - 1e-9:
            ticks.append(at_min)
            labels.append(moment.strftime("%H:%M"))
        moment += timedelta(minutes=step_min)
    axes.set_xticks(ticks, labels)
    axes.set_xlim(low_s / 60.0, high_s / 60.0)


def whole_hours(result: Clocked, low_s: float, high_s: float) -> tuple[float, float]:
    """Widen a span of seconds to half hours on the clock."""
    low = result.start + timedelta(seconds=low_s)
    high = result.start + timedelta(seconds=high_s)
    low -= timedelta(minutes=low.minute % 30, seconds=low.second, microseconds=low.microsecond)
    high += timedelta(minutes=30 - high.minute % 30, seconds=-high.second, microseconds=-high.microsecond)
    return minutes_between(result, low) * 60.0, minutes_between(result, high) * 60.0


def as_svg(
    figure: Figure, title: str, description: str, *, name: str = "", base: str = "", rounded: bool = False
) -> str:
    """Turn a figure into SVG text for use inside a page.

    The same figure gives the same text: no date, and identifiers that depend on the content and the title only, so that
    several figures fit in one page; `name` tells those of the same title apart. Letters stay text; `title` and
    `description` are the text alternative. `base` is a drawing of `shared_svg` of the same size to be shown over it.
    `rounded` keeps no more than a tenth of a point, so that maps of whole towns stay small.

    >>> as_svg(blank_figure(40.0, 20.0), "A <b>", "Nothing")[:4]
    '<svg'
    """
    prefix = "f" + hashlib.sha256(f"{name}{title}".encode()).hexdigest()[:8]
    root = _drawn(figure, prefix)
    if rounded:
        _round_paths(root)
    if base:
        root.append(ElementTree.Element(f"{{{_SVG}}}use", {"href": f"#{base}"}))
    for part, text in (("desc", description), ("title", title)):
        element = ElementTree.Element(f"{{{_SVG}}}{part}", {"id": f"{prefix}-{part}"})
        element.text = clean(text)
        root.insert(0, element)
    root.set("role", "img")
    root.set("aria-labelledby", f"{prefix}-title")
    root.set("aria-describedby", f"{prefix}-desc")
    root.set("preserveAspectRatio", "xMidYMin meet")
    return ElementTree.tostring(root, encoding="unicode")


def shared_svg(figure: Figure, name: str) -> str:
    """Turn a figure into a drawing that shows nothing by itself, for other figures of a page to be drawn under."""
    root = _drawn(figure, name)
    _round_paths(root)
    hidden = ElementTree.Element(f"{{{_SVG}}}svg", {"width": "0", "height": "0", "aria-hidden": "true"})
    hidden.set("style", "position: absolute")
    drawing = ElementTree.SubElement(ElementTree.SubElement(hidden, f"{{{_SVG}}}defs"), f"{{{_SVG}}}g", {"id": name})
    drawing.extend(list(root))
    return ElementTree.tostring(hidden, encoding="unicode")


def _drawn(figure: Figure, prefix: str) -> ElementTree.Element:
    stream = io.BytesIO()
    with figure_style(), _halos_left_to_svg(figure):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    root = ElementTree.fromstring(stream.getvalue())
    for child in list(root):
        if child.tag.endswith("metadata"):
            root.remove(child)
    for group in root.iter(f"{{{_SVG}}}g"):
        if group.get("id", "").startswith(_HALO_ID):
            for letters in group.iter(f"{{{_SVG}}}text"):
                letters.set("style", f"{letters.get('style', '')}; {_HALO_STYLE}")
    _make_ids_own(root, prefix)
    for side in ("width", "height"):
        root.attrib.pop(side, None)
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    return root


def _round_paths(root: ElementTree.Element) -> None:
    """Keep tenths of a point, finer than any print."""
    for path in root.iter(f"{{{_SVG}}}path"):
        parts = path.get("d", "").split()
        path.set("d", " ".join(part if part.isalpha() else f"{float(part):.1f}".removesuffix(".0") for part in parts))


@contextmanager
def _halos_left_to_svg(figure: Figure) -> Iterator[None]:
    """Take the halo of letters off while the SVG is written, since it would turn letters into outlines; mark them."""
    taken = [(text, text.get_path_effects()) for text in figure.findobj(Text) if text.get_path_effects()]
    for number, (text, _) in enumerate(taken):
        text.set_path_effects([])
        text.set_gid(f"{_HALO_ID}{number}")
    try:
        yield
    finally:
        for text, effects in taken:
            text.set_path_effects(effects or [])
            text.set_gid(None)


def _make_ids_own(root: ElementTree.Element, prefix: str) -> None:
    """Keep only the identifiers that something refers to, and give them the figure's own prefix."""
    used: set[str] = set()
    for element in root.iter():
        for name, value in element.attrib.items():
            if name.endswith("href") and value.startswith("#"):
                used.add(value[1:])
            used.update(_REFERENCE.findall(value))
    for element in root.iter():
        for name, value in list(element.attrib.items()):
            if name == "id":
                if value in used:
                    element.set(name, f"{prefix}-{value}")
                else:
                    del element.attrib[name]
            elif name.endswith("href") and value.startswith("#"):
                element.set(name, f"#{prefix}-{value[1:]}")
            elif "url(#" in value:
                element.set(name, _REFERENCE.sub(rf"url(#{prefix}-\1)", value))


def finite(*times_s: float | None) -> list[float]:
    """The times that are there and have an end."""
    return [time_s for time_s in times_s if time_s is not None and math.isfinite(time_s)]


def write_beside(
    axes: Axes, at_min: float, row: float, text: str, *, size: float = 6.8, side: int = 1, colour: str = INK
) -> None:
    """Write just after a place on the clock, or just before it (`side` -1)."""
    look: dict[str, Any] = {"ha": "left" if side > 0 else "right", "fontsize": size, "color": colour, **LOOKS["beside"]}
    axes.annotate(text, (at_min, row), xytext=(3.0 * side, 0.0), **look)


def name_rows(axes: Axes, names: Sequence[str], *, low: float, high: float, size: float = 7.2) -> None:
    """Name the rows of a chart of bars, from above, and take its frame away but the clock."""
    axes.set_yticks(range(len(names)), names, fontsize=size)
    axes.set_ylim(low, high)
    axes.tick_params(axis="y", length=0)
    axes.spines[["top", "right", "left"]].set_visible(False)


def key_above(axes: Axes, at: float, **look: Any) -> None:
    """Put the key of a figure above it, on one line, without a frame."""
    axes.legend(loc="lower center", bbox_to_anchor=(at, 1.0), ncols=3, frameon=False, **look)


def bar(
    axes: Axes, row: float, low_s: float, high_s: float, *, fill: str, hatch: str | None = None, **look: Any
) -> None:
    """Draw a piece of a bar between two moments, where it has any length."""
    if high_s > low_s:
        edge = {"edgecolor": INK, "linewidth": 0.8, **look}
        axes.barh(row, (high_s - low_s) / 60.0, left=low_s / 60.0, facecolor=fill, hatch=hatch, **edge)
