"""What stands beside the map: what its signs mean, and what shuts first."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from matplotlib.axes import Axes
from shapely.geometry.base import BaseGeometry

from leaveby.decision.ways.result import HouseholdResult, TriggerLine
from leaveby.show.figure import INK, WAY_COLOURS, WAY_DASHES
from leaveby.show.ground import ShutStreet, shown_triggers, trigger_edge
from leaveby.show.symbols import SYMBOLS, mark_look
from leaveby.show.wording import clean, clock_words, days_words, street_words, ways_words

FIRE: Final = SYMBOLS["front"].colour
ROUTE: Final = "#111111"

_SIZE: Final = 6.7
_SMALLEST: Final = 0.75
_ROW_GAP: Final = 0.35
_HEADING_GAP: Final = 0.9

ROUTE_LOOKS: Final = (("-", 3.2), ((0, (3, 1)), 2.4), ((0, (1, 1)), 2.4))


@dataclass(frozen=True)
class _Row:
    """One entry: a heading, or a symbol and what it means."""

    text: str
    heading: bool = False
    marker: Mapping[str, Any] | None = None
    line: Mapping[str, Any] | None = None
    badge: int | None = None
    badge_on_map: bool = True


def draw_legend(
    axes: Axes,
    result: HouseholdResult,
    *,
    frame: BaseGeometry,
    share: float,
    badges: Sequence[tuple[ShutStreet, bool]],
    ends: Sequence[tuple[tuple[str, ...], str]],
    times: Sequence[float],
) -> None:
    """Write the legend beside the map, and what shuts first; smaller where there is much to say."""
    axes.set(xlim=(0.0, 1.0), ylim=(1.0, 0.0))
    rows = [*_sign_rows(result, ends=ends, times=times), *_trigger_rows(result, frame), *_shut_rows(result, badges)]
    width_in, height_in = (float(side) for side in axes.figure.get_figure(root=True).get_size_inches())
    width_pt, height_pt = width_in * 72.0 * (share - 0.02), height_in * 72.0 * 0.93
    # Symbols take as much as in a side of a quarter of the figure, however wide it is.
    symbol = 0.16 * 0.235 / (share - 0.02)
    scale = 1.0
    while True:
        letters = max(12, int(width_pt * (1.0 - 1.3 * symbol) / (_SIZE * scale * 0.55)))
        wrapped = [textwrap.wrap(row.text, letters, break_long_words=True) for row in rows]
        lines = sum(
            len(parts) + (_HEADING_GAP if row.heading else _ROW_GAP) for parts, row in zip(wrapped, rows, strict=True)
        )
        line = _SIZE * scale * 1.38 / height_pt
        if lines * line <= 1.0 or scale < _SMALLEST:
            break
        scale -= 0.04
    y = 0.0
    for parts, row in zip(wrapped, rows, strict=True):
        if row.heading and y > 0.0:
            y += 0.6 * line
        _draw_sign(axes, row, 0.5 * symbol, y + 0.45 * line)
        for part in parts:
            axes.text(
                0.0 if row.heading else 1.3 * symbol,
                y,
                part,
                va="top",
                fontsize=_SIZE * scale,
                fontweight="bold" if row.heading else "normal",
            )
            y += line
        y += (0.3 if row.heading else _ROW_GAP) * line


def _sign_rows(
    result: HouseholdResult, *, ends: Sequence[tuple[tuple[str, ...], str]], times: Sequence[float]
) -> list[_Row]:
    rows = [_Row("What you see", heading=True), _Row("Home", marker=mark_look("home"))]
    for number, (names, safe_point) in enumerate(ends):
        dashes, width = ROUTE_LOOKS[min(number, len(ROUTE_LOOKS) - 1)]
        look = {"color": ROUTE, "linewidth": width, "linestyle": dashes}
        rows.append(_Row(f"Way out ({ways_words(names)}) to {clean(safe_point, 34)}", line=look))
    kinds = {point.kind for point in result.plan.safe_points if point.name in result.safe_point_xy_m}
    if "safe_point" in kinds:
        rows.append(_Row("Safe point of your plan", marker=mark_look("safe_point")))
    if "place_of_last_resort" in kinds:
        rows.append(_Row("Place of last resort", marker=mark_look("last_resort")))
    if result.fire is not None:
        rows.append(_Row("Where the fire starts", marker=mark_look("ignition")))
    if times:
        rows.append(_Row("Fire front at the time written on it", line={"color": FIRE, "linewidth": 0.9}))
    return rows


def trigger_words(result: HouseholdResult, trigger: TriggerLine, frame: BaseGeometry) -> tuple[bool, str]:
    """Whether a trigger line runs through a map's ground, `frame` in the grid's system, and what it says there."""
    words = {"tow": "tow", "car": "go by car", "foot": "go on foot"}.get(trigger.way, trigger.way)
    days = f"On {days_words(result.rules.drawn[0].rating)}"
    if not trigger_edge(result, trigger, frame).is_empty:
        return True, f"{days}: fire inside this line is too near to start to {words}"
    if trigger.area.intersects(frame):
        return False, f"{days}, fire anywhere on this map is too near to start to {words}"
    return False, f"{days}, the line for starting to {words} lies outside this map"


def _trigger_rows(result: HouseholdResult, frame: BaseGeometry) -> list[_Row]:
    rows = []
    for trigger in shown_triggers(result):
        look = {"color": WAY_COLOURS.get(trigger.way, INK), "linestyle": WAY_DASHES.get(trigger.way, "-")}
        drawn, words = trigger_words(result, trigger, frame)
        rows.append(_Row(words, line={"linewidth": 1.8, **look} if drawn else None))
    return rows


def _shut_rows(result: HouseholdResult, badges: Sequence[tuple[ShutStreet, bool]]) -> list[_Row]:
    if result.fire is None:
        return []
    if not badges:
        return [_Row("No street of the way out was computed to shut; a road may still shut at any time.", heading=True)]
    rows = [_Row("Shuts in this order (middle run, may be earlier)", heading=True)]
    for number, (shut, on_map) in enumerate(badges, start=1):
        at = clock_words(result, shut.at_s)
        rows.append(_Row(f"{at} {street_words(shut.street, 40)}", badge=number, badge_on_map=on_map))
    return rows


def _draw_sign(axes: Axes, row: _Row, x: float, y: float) -> None:
    if row.marker is not None:
        axes.plot(x, y, **row.marker)
    if row.line is not None:
        axes.plot([0.0, 2.0 * x], [y, y], **row.line)
    if row.badge is not None:
        if row.badge_on_map:
            axes.plot(x, y, marker="o", markersize=9, color="white", markeredgecolor=INK)
        axes.text(x, y, str(row.badge), ha="center", va="center_baseline", fontsize=6.5, fontweight="bold")
