"""What stands beside the map: what its signs mean, and what shuts first."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.path import Path
from shapely.geometry.base import BaseGeometry

from leaveby.decision.result import HouseholdResult
from leaveby.show.figure import INK, WAY_COLOURS, WAY_DASHES
from leaveby.show.ground import ShutStreet, shown_triggers, trigger_edge
from leaveby.show.wording import clean, clock_words, street_words

FIRE: Final = "#8a1c00"
ROUTE: Final = "#111111"

_HOUSE: Final = Path(
    [(-0.8, -0.8), (0.8, -0.8), (0.8, 0.15), (0.0, 1.0), (-0.8, 0.15), (-0.8, -0.8)],
    [Path.MOVETO, *[Path.LINETO] * 4, Path.CLOSEPOLY],
)
HOME_LOOK: Final[Mapping[str, Any]] = {
    "marker": _HOUSE,
    "markersize": 10,
    "color": INK,
    "markeredgecolor": "white",
    "linestyle": "none",
}
SAFE_LOOK: Final[Mapping[str, Any]] = {
    "marker": "o",
    "markersize": 9,
    "color": "white",
    "markeredgecolor": "#00614f",
    "markeredgewidth": 3,
    "linestyle": "none",
}
LAST_RESORT_LOOK: Final[Mapping[str, Any]] = {
    "marker": "s",
    "markersize": 8,
    "color": "white",
    "markeredgecolor": INK,
    "markeredgewidth": 1.6,
    "linestyle": "none",
}
IGNITION_LOOK: Final[Mapping[str, Any]] = {
    "marker": "*",
    "markersize": 13,
    "color": FIRE,
    "markeredgecolor": "white",
    "linestyle": "none",
}
ROUTE_LOOKS: Final = (("-", 3.2), ((0, (3, 1)), 2.4), ((0, (1, 1)), 2.4))


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
    """The legend beside the map, and what shuts first."""
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(1.0, 0.0)
    pen = _Pen(axes, share)
    pen.head("What you see")
    pen.row("Home", marker=HOME_LOOK)
    for number, (names, safe_point) in enumerate(ends):
        dashes, width = ROUTE_LOOKS[min(number, len(ROUTE_LOOKS) - 1)]
        whom = " and ".join({"tow": "towing", "car": "car", "foot": "foot"}.get(name, name) for name in names)
        pen.row(
            f"Way out ({whom}) to {clean(safe_point, 34)}",
            line={"color": ROUTE, "linewidth": width, "linestyle": dashes},
        )
    kinds = {point.kind for point in result.plan.safe_points if point.name in result.safe_point_xy_m}
    if "safe_point" in kinds:
        pen.row("Safe point of your plan", marker=SAFE_LOOK)
    if "place_of_last_resort" in kinds:
        pen.row("Place of last resort", marker=LAST_RESORT_LOOK)
    pen.row("Where the fire starts", marker=IGNITION_LOOK)
    if times:
        pen.row("Fire front at the time written on it", line={"color": FIRE, "linewidth": 0.9})
    for trigger in shown_triggers(result):
        words = {"tow": "tow", "car": "go by car", "foot": "go on foot"}.get(trigger.way, trigger.way)
        if trigger_edge(result, trigger, frame).is_empty:
            if trigger.area.intersects(frame):
                pen.row(f"Fire anywhere on this map is too near to start to {words}: there is no line to draw")
            else:
                pen.row(f"The trigger line for starting to {words} lies outside this map")
            continue
        pen.row(
            f"Trigger line: fire inside it is too near to start to {words}",
            line={
                "color": WAY_COLOURS.get(trigger.way, INK),
                "linewidth": 1.8,
                "linestyle": WAY_DASHES.get(trigger.way, "-"),
            },
        )
    if badges:
        pen.head("Shuts in this order (middle run, may be earlier)")
        for number, (street, on_map) in enumerate(badges, start=1):
            pen.row(
                f"{clock_words(result, street.at_s, step_min=1)} {street_words(street.street, 40)}",
                badge=number,
                on_map=on_map,
            )
    else:
        pen.head("No street of the way out was computed to shut; a road may still shut at any time.")


class _Pen:
    """Writes rows of a legend downwards."""

    def __init__(self, axes: Axes, share: float) -> None:
        self.axes = axes
        self.y = 0.0
        height_in = float(axes.figure.get_figure(root=True).get_size_inches()[1])
        self.line = 7.0 * 1.3 / (height_in * 72.0 * 0.93)
        width_in = float(axes.figure.get_figure(root=True).get_size_inches()[0])
        width_pt = width_in * 72.0 * (share - 0.02)
        # Symbols take as much as in a side of a quarter of the figure, however wide it is.
        self.symbol = 0.16 * 0.235 / (share - 0.02)
        self.letters = max(12, int(width_pt * (1.0 - 1.3 * self.symbol) / (6.6 * 0.55)))

    def head(self, text: str) -> None:
        """A heading."""
        if self.y > 0.0:
            self.y += 0.6 * self.line
        for part in textwrap.wrap(text, self.letters + 3):
            self.axes.text(0.0, self.y, part, va="top", fontsize=7.0, fontweight="bold")
            self.y += self.line
        self.y += 0.3 * self.line

    def row(
        self,
        text: str,
        *,
        marker: Mapping[str, Any] | None = None,
        line: Mapping[str, Any] | None = None,
        badge: int | None = None,
        on_map: bool = True,
    ) -> None:
        """A symbol and what it means."""
        middle = self.y + 0.45 * self.line
        if marker is not None:
            self.axes.plot(0.5 * self.symbol, middle, **marker)
        if line is not None:
            self.axes.plot([0.0, self.symbol], [middle, middle], **line)
        if badge is not None:
            if on_map:
                self.axes.plot(0.5 * self.symbol, middle, marker="o", markersize=9, color="white", markeredgecolor=INK)
            self.axes.text(
                0.5 * self.symbol,
                middle,
                str(badge),
                ha="center",
                va="center_baseline",
                fontsize=6.5,
                fontweight="bold",
            )
        for part in textwrap.wrap(text, self.letters, break_long_words=True):
            self.axes.text(1.3 * self.symbol, self.y, part, va="top", fontsize=6.6)
            self.y += self.line
        self.y += 0.35 * self.line
