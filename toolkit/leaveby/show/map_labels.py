"""What is drawn on every map on paper, and where words go: never over each other or the frame."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
import shapely.affinity
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path
from numpy.typing import NDArray
from shapely.geometry import LineString, box
from shapely.geometry.base import BaseGeometry

from leaveby.show.figure import INK, LOOKS
from leaveby.show.letters import text_width
from leaveby.show.scene import Scene
from leaveby.show.symbols import SYMBOLS, mark_look
from leaveby.show.wording import clean
from leaveby.units import Measures, distance_words

HALO: Final[list[patheffects.AbstractPathEffect]] = [patheffects.withStroke(linewidth=2.2, foreground="white")]
"""White around letters, so that they stay readable over lines."""

_PLAIN_PT: Final = 8.2
_MORE_SHARES: Final = (0.1, 0.9, 0.28, 0.72, 0.43, 0.57, 0.16, 0.84)

_WORDS: Final[dict[str, Any]] = {"va": "center", "path_effects": HALO, "clip_on": True}


class Sheet:
    """A map being drawn: its axes, its ground, and what is already covered with words and symbols.

    The window is west, south, east, north in metres; its printed width in points is rather too small than too large, so
    that labels keep apart. `plain` is for a sheet that is read from afar: black alone, no letters below 8 points.
    """

    def __init__(
        self, axes: Axes, *, window: tuple[float, float, float, float], width_pt: float, plain: bool = False
    ) -> None:
        """Begin with nothing covered."""
        self.plain = plain
        self.axes = axes
        self.window = window
        self.frame = box(*window)
        self.m_per_pt = (window[2] - window[0]) / width_pt
        self.taken: list[BaseGeometry] = []

    def size(self, points: float) -> float:
        """The size of letters that are this large on other maps."""
        return max(points, _PLAIN_PT) if self.plain else points

    def take(self, x_m: float, y_m: float, *, radius_pt: float) -> None:
        """Keep words off a symbol."""
        self.taken.append(shapely.Point(x_m, y_m).buffer(radius_pt * self.m_per_pt))

    def write_beside(
        self,
        text: str,
        at_m: tuple[float, float],
        *,
        size: float = 7.0,
        weight: str = "bold",
        colour: str = INK,
        only_free: bool = False,
    ) -> bool:
        """Write beside a symbol, on that of eight sides where the least is covered; pushed in off the frame.

        Where it has to be free, nothing may be covered; gives whether it was written.
        """
        size = self.size(size)
        gap = 7.5 * self.m_per_pt
        x_m, y_m = at_m
        sides = (
            (gap, 0.0, "left"),
            (-gap, 0.0, "right"),
            (0.0, gap * 1.3, "center"),
            (0.0, -gap * 1.3, "center"),
            (gap * 0.8, gap, "left"),
            (gap * 0.8, -gap, "left"),
            (-gap * 0.8, gap, "right"),
            (-gap * 0.8, -gap, "right"),
        )
        best, least = sides[0], math.inf
        covered: BaseGeometry = self.frame
        for right_m, up_m, anchor in sides:
            area = self._label_area(text, x_m + right_m, y_m + up_m, size=size, weight=weight, anchor=anchor)
            in_m = self._way_in(area)
            area = shapely.affinity.translate(area, *in_m)
            cost = sum(float(area.intersection(other).area) for other in self.taken)
            cost += 4.0 * float(area.difference(self.frame).area)
            if cost < least - 1e-9:
                best, least, covered = (right_m + in_m[0], up_m + in_m[1], anchor), cost, area
        if only_free and least > 0.0:
            return False
        self.taken.append(covered)
        look: dict[str, Any] = {"ha": best[2], "fontsize": size, "fontweight": weight, "color": colour, "zorder": 15}
        self.axes.text(x_m + best[0], y_m + best[1], text, **look, **_WORDS)
        return True

    def holds(self, text: str, x_m: float, y_m: float, *, size: float, angle_deg: float = 0.0) -> bool:
        """Tell whether a word about this place would stand whole within the frame."""
        return bool(self.frame.covers(self._label_area(text, x_m, y_m, size=size, angle_deg=angle_deg)))

    def _way_in(self, area: BaseGeometry) -> tuple[float, float]:
        """How far, east and north, an area has to be pushed to lie within the frame, where it fits into it at all."""
        west, south, east, north = area.bounds
        left, low, right, high = self.window
        across = max(0.0, left - west) - max(0.0, east - right) if east - west <= right - left else 0.0
        upward = max(0.0, low - south) - max(0.0, north - high) if north - south <= high - low else 0.0
        return across, upward

    def write_along(
        self, text: str, line: LineString, *, size: float, off: float, weight: str = "normal", colour: str = INK
    ) -> bool:
        """Write along a line where there is room, `off` letter heights beside it; say whether there was any."""
        size = self.size(size)
        half = text_width(text, size=size, weight=weight) * self.m_per_pt / 2.0
        if line.length < 1.3 * half:
            return False
        for share in (0.5, 0.35, 0.65, 0.22, 0.78, *(_MORE_SHARES if self.plain else ())):
            middle = share * line.length
            start = line.interpolate(max(0.0, middle - half))
            end = line.interpolate(min(line.length, middle + half))
            if start.distance(end) < 0.85 * 2.0 * half:
                continue  # The line bends too much here to carry straight words.
            angle_deg = math.degrees(math.atan2(end.y - start.y, end.x - start.x))
            angle_deg = (angle_deg + 90.0) % 180.0 - 90.0
            at = line.interpolate(middle)
            # Above the line, so that the line itself stays readable.
            turn = math.radians(angle_deg + 90.0)
            reach = size * off * self.m_per_pt
            x_m, y_m = at.x + math.cos(turn) * reach, at.y + math.sin(turn) * reach
            area = self._label_area(text, x_m, y_m, size=size, weight=weight, angle_deg=angle_deg)
            if not self.frame.covers(area) or any(area.intersects(other) for other in self.taken):
                continue
            look: dict[str, Any] = {"ha": "center", "fontsize": size, "fontweight": weight, "color": colour}
            self.axes.text(x_m, y_m, text, rotation=angle_deg, zorder=8, **look, **_WORDS)
            self.taken.append(area)
            return True
        return False

    def _label_area(
        self,
        text: str,
        x_m: float,
        y_m: float,
        *,
        size: float,
        weight: str = "normal",
        angle_deg: float = 0.0,
        anchor: str = "center",
    ) -> BaseGeometry:
        width = text_width(text, size=size, weight=weight) * self.m_per_pt
        height = size * 1.25 * self.m_per_pt
        left = {"center": -width / 2.0, "left": 0.0, "right": -width}[anchor]
        area: Any = box(x_m + left, y_m - height / 2.0, x_m + left + width, y_m + height / 2.0)
        turned: BaseGeometry = shapely.affinity.rotate(area, angle_deg, origin=(x_m, y_m))
        return turned


def draw_lines(axes: Axes, lines: Iterable[BaseGeometry], **look: Any) -> None:
    """Draw lines as one path, and the edges of areas; the look in the words of a matplotlib patch."""
    found = [line for geometry in lines for line in lines_of(geometry)]
    if found:
        corners, of_line = shapely.get_coordinates(found, return_index=True)
        codes = np.where(np.diff(of_line, prepend=-1) > 0, Path.MOVETO, Path.LINETO)
        path = Path(corners, codes)
        # the map's window is set: looking at every corner for it takes longest
        axes.add_artist(PathPatch(path, **{"facecolor": "none", "joinstyle": "round", **look}))


def draw_places(sheet: Sheet, scene: Scene) -> None:
    """Home, safe points and where the fire starts, each with its name beside it."""
    marks = pd.concat([scene.drawn(name) for name in ("home", "safe_points")])
    labels: list[tuple[str, tuple[float, float], str]] = []
    for mark in marks.itertuples():
        place = (float(mark.geometry.x), float(mark.geometry.y))
        if mark.symbol != "home" and not sheet.frame.covers(mark.geometry):
            continue
        ink = {"markeredgecolor": INK} if sheet.plain and mark.symbol != "home" else {}
        sheet.axes.plot(*place, **{**mark_look(mark.symbol), **ink}, zorder=14 if mark.symbol == "home" else 13)
        labels.append((clean(mark.title, 30), place, INK))
    fire = SYMBOLS["ignition"].ink
    for start in scene.drawn("ignitions").itertuples() if "ignitions" in scene.layers else ():
        corners = shapely.get_coordinates(start.geometry)
        if start.geometry.geom_type == "Point":
            sheet.axes.plot(*corners[0], **mark_look("ignition"), zorder=13)
        elif start.geometry.geom_type == "Polygon":
            corners = corners[:-1]
            outline = Polygon(corners, closed=True, facecolor="none", edgecolor=fire, linewidth=2, zorder=12)
            sheet.axes.add_patch(outline)
        else:
            sheet.axes.plot(*corners.T, color=fire, linewidth=2.4, zorder=12)
        x_m, y_m = corners.mean(axis=0)
        at = start.burns_from_iso.split("T")[1][:5]
        labels.append((f"{clean(start.name, 40)}, {at}", (float(x_m), float(y_m)), fire))
    for _, place, _ in labels:
        sheet.take(*place, radius_pt=6.0)
    for text, place, colour in labels:
        sheet.write_beside(text, place, colour=colour)


def name_streets(
    sheet: Sheet, lines: Mapping[str, Sequence[LineString]], *, most: int, first: Collection[str] = ()
) -> None:
    """Names along the streets that come first, then along the longest, where there is room."""
    order = sorted(lines, key=lambda name: (name not in first, -sum(line.length for line in lines[name]), name))
    written = 0
    for name in order:
        if written >= most:
            break
        merged = shapely.line_merge(shapely.unary_union(lines[name]).intersection(sheet.frame))
        size, off = (6.5, 1.15) if name in first else (5.6, 0.85)
        text = clean(name, 28)
        along = any(sheet.write_along(text, part, size=size, off=off) for part in lines_of(merged)[:2])
        if not along and sheet.plain and name in first and not merged.is_empty:
            middle = lines_of(merged)[0].interpolate(0.5, normalized=True)
            along = sheet.write_beside(text, (middle.x, middle.y), weight="normal", only_free=True)
        written += along


def lines_of(geometry: BaseGeometry) -> list[LineString]:
    """Lines of any geometry, and edges of areas, longest first.

    >>> from shapely.geometry import MultiLineString
    >>> [line.length for line in lines_of(MultiLineString([[(0, 0), (1, 0)], [(0, 1), (5, 1)]]))]
    [5.0, 1.0]
    """
    if isinstance(geometry, LineString):
        return [] if geometry.is_empty else [geometry]
    if isinstance(geometry, shapely.Polygon):
        return lines_of(geometry.boundary)
    if hasattr(geometry, "geoms"):
        found = [line for part in geometry.geoms for line in lines_of(part)]
        return sorted(found, key=lambda line: -line.length)
    return []


def _round_length(most_m: float, measures: Measures) -> float:
    """The longest of 1, 2 and 5 times a power of ten that fits, as it is said: in feet (yards) where miles are not."""

    def within(room: float) -> float:
        step = 10.0 ** math.floor(math.log10(room))
        return step * next(factor for factor in (5.0, 2.0, 1.0) if step * factor <= room)

    if not measures.imperial:
        return within(most_m)
    most_near = measures.near_most - 6.0  # what is said in the short unit
    far_m = within(most_m / measures.far_m) * measures.far_m
    return (
        far_m
        if far_m > most_near * measures.near_m
        else within(min(most_m / measures.near_m, most_near)) * measures.near_m
    )


def draw_scale(sheet: Sheet, measures: Measures) -> None:
    """A scale bar of a round length and an arrow to grid north."""
    axes = sheet.axes
    west, south, east, north = sheet.window
    height, span = north - south, east - west
    length = _round_length(0.3 * span, measures)
    x_m, y_m = west + 0.03 * span, south + 0.05 * (north - south)
    tick = 0.012 * (north - south)
    corners_m = [x_m, x_m, x_m + length, x_m + length], [y_m + tick, y_m, y_m, y_m + tick]
    axes.plot(*corners_m, path_effects=HALO, **LOOKS["scale_bar"])
    words: dict[str, Any] = {"fontsize": sheet.size(6.5), "path_effects": HALO, **LOOKS["scale_words"]}
    axes.text(x_m + length / 2.0, y_m + tick, distance_words(length, measures).replace(".0 km", " km"), **words)
    sheet.taken.append(box(x_m, y_m - tick, x_m + length, y_m + 0.05 * height))
    sheet.taken.append(box(west, north - 0.14 * height, west + 0.07 * span, north))
    sheet.taken.append(box(east - 0.42 * span, south, east, south + 0.03 * height))
    axes.annotate("N", fontsize=sheet.size(8), path_effects=HALO, **LOOKS["north"])


def write_foot(sheet: Sheet, words: str, *, size: float) -> None:
    """Write at the foot of a map, on the right."""
    look: dict[str, Any] = {"transform": sheet.axes.transAxes, "path_effects": HALO, **LOOKS["foot_of_map"]}
    west, _, east, _ = sheet.window
    broad = max(int(0.95 * (east - west) / sheet.m_per_pt / (0.55 * size)), 20)
    sheet.axes.text(0.995, 0.006, "\n".join(textwrap.wrap(words, broad)), fontsize=size, **look)


def widened(low: NDArray[np.float64], high: NDArray[np.float64], *, aspect: float) -> tuple[float, float, float, float]:
    """Widen a window about its middle to a picture's shape, width over height: west, south, east, north.

    >>> widened(np.array([0.0, 0.0]), np.array([10.0, 10.0]), aspect=2.0)
    (-5.0, 0.0, 15.0, 10.0)
    """
    width, height = high - low
    more = np.array([max(height * aspect - width, 0.0), max(width / aspect - height, 0.0)]) / 2.0
    (west, south), (east, north) = low - more, high + more
    return float(west), float(south), float(east), float(north)
