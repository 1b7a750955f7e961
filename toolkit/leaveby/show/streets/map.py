"""The map of single exits, as SVG drawn by hand: it needs no network, no tiles and no script."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.decision.streets.result import StreetSurvey
from leaveby.show.figure import GREY, INK, MUTED, OVERRIDE_LINE
from leaveby.show.wording import clean

WIDTH: Final = 1000.0
MOST_STREETS: Final = 40_000
MOST_LABELS: Final = 25

CLASSES: Final = ((100.0, "#7a1020", 5.2), (30.0, "#b5482a", 3.8), (10.0, "#c9822b", 2.7), (0.0, "#8a7a3a", 1.8))
"""Least homes behind, colour, width of the line: dark and thick for many, so that it reads in black and white too."""

LINK_COLOUR: Final = "#0b3c8c"


@dataclass(frozen=True)
class Frame:
    """From metres to the picture.

    Attributes
    ----------
    west_m, north_m : float
    scale : float
        Picture units per metre.
    height : float
    """

    west_m: float
    north_m: float
    scale: float
    height: float


def streets_map(answer: StreetSurvey, *, labelled: Sequence[int] | None = None) -> str:
    """Draw the streets, those behind single exits thick by the number of homes behind, exits and links.

    Parameters
    ----------
    answer : StreetSurvey
    labelled : sequence of int, optional
        Numbers of the groups to write on the map; the first of the short list when left out.

    Returns
    -------
    str
        An `<svg role="img">` element.
    """
    streets, found = answer.streets, answer.found
    frame = _frame(answer)
    behind = found.homes_behind[streets.node_count : found.tree.outside]
    must = streets.driven & (behind > 0.0)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {frame.height:.0f}" role="img" '
        f'aria-labelledby="map-title" aria-describedby="map-desc">',
        f'<title id="map-title">{escape(map_title(answer))}</title>',
        f'<desc id="map-desc">{escape(describe_streets_map(answer))}</desc>',
        f'<rect width="{WIDTH:.0f}" height="{frame.height:.0f}" fill="#ffffff"/>',
        _lines(streets.geometry[_drawn(answer, must)], frame, colour=GREY, width=0.8),
    ]
    for at, (least, colour, width) in reversed(list(enumerate(CLASSES))):
        most = CLASSES[at - 1][0] if at else math.inf
        chosen = np.flatnonzero(must & (behind >= max(least, 1e-9)) & (behind < most))
        parts.append(_lines(streets.geometry[chosen], frame, colour=colour, width=width))
    for number, link in enumerate(answer.links, start=1):
        line = _path(np.array([link.line], dtype=object), frame)
        parts.append(f'<path d="{line}" fill="none" stroke="{LINK_COLOUR}" stroke-width="3" stroke-dasharray="5 3"/>')
        middle = (
            link.line.interpolate(0.5, normalized=True) if link.line.geom_type == "LineString" else link.line.centroid
        )
        x, y = _place(middle.x, middle.y, frame)
        parts.append(_label(f"L{number}", x + 5.0, y - 4.0, LINK_COLOUR, 11.0))
    for node in found.exits.tolist():
        x, y = _place(float(streets.x_m[node]), float(streets.y_m[node]), frame)
        parts.append(f'<path d="M{x - 7:.1f} {y + 6:.1f}h14l-7 -13z" fill="{INK}" stroke="#ffffff" stroke-width="1"/>')
    for node in answer.maybe.tolist():
        x, y = _place(float(streets.x_m[node]), float(streets.y_m[node]), frame)
        parts.append(f'<path d="M{x - 5:.1f} {y + 4:.1f}h10l-5 -9z" fill="#ffffff" stroke="{INK}" stroke-width="1"/>')
    wanted = set(labelled) if labelled is not None else {group.number for group in answer.notable[:MOST_LABELS]}
    taken: list[tuple[float, float]] = []
    for group in answer.groups:
        if group.number not in wanted:
            continue
        x, y = _place(group.x_m, group.y_m, frame)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="#ffffff" stroke="{INK}" stroke-width="1.4"/>')
        where = next(
            (
                (x + dx, y + dy)
                for dx, dy in ((6.0, -5.0), (6.0, 13.0), (-20.0, -5.0), (-20.0, 13.0), (6.0, -19.0), (-20.0, 25.0))
                if all(abs(x + dx - a) > 17.0 or abs(y + dy - b) > 13.0 for a, b in taken)
            ),
            None,
        )
        if where is not None:
            taken.append(where)
            parts.append(_label(str(group.number), *where, INK, 13.0))
    parts += [_scale_bar(frame), _label(OVERRIDE_LINE, WIDTH - 8.0, frame.height - 8.0, MUTED, 11.0, anchor="end")]
    return "".join([*parts, "</svg>"])


def map_title(answer: StreetSurvey) -> str:
    """Name of the map."""
    return f"Map of {len(answer.notable)} groups of homes behind single exits"


def describe_streets_map(answer: StreetSurvey) -> str:
    """What the map says, for a person who can't see it."""
    largest = "; ".join(
        f"{group.number}: {clean(group.name, 60)}, {group.homes:g} homes" for group in answer.notable[:10]
    )
    return (
        f"{answer.balance.behind_exit:g} of {answer.balance.homes:g} homes have a street or junction that everyone "
        f"there must pass. The largest groups are {largest or 'none'}. {len(answer.found.exits)} exits are marked with "
        f"triangles, {len(answer.links)} links that would help with dashed lines."
    )


def _frame(answer: StreetSurvey) -> Frame:
    """The homes and the exits that matter, with some room around."""
    homes = answer.homes
    x = np.concatenate([homes.x_m, answer.streets.x_m[answer.found.exits[:200]]])
    y = np.concatenate([homes.y_m, answer.streets.y_m[answer.found.exits[:200]]])
    far = np.maximum(np.ptp(x), 500.0) * 0.03
    west, east = float(x.min() - far), float(x.max() + far)
    south, north = float(y.min() - far), float(y.max() + far)
    scale = WIDTH / (east - west)
    height = min(max(scale * (north - south), 300.0), 1400.0)
    scale = min(scale, height / (north - south))
    return Frame(west - (WIDTH / scale - (east - west)) / 2.0, north, scale, height)


def _drawn(answer: StreetSurvey, must: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The other streets, the longest where there are too many to draw."""
    rows = np.flatnonzero(answer.streets.driven & ~must)
    if rows.size > MOST_STREETS:
        rows = rows[np.argsort(-answer.streets.length_m[rows], kind="stable")[:MOST_STREETS]]
    return rows


def _place(x_m: float, y_m: float, frame: Frame) -> tuple[float, float]:
    return (x_m - frame.west_m) * frame.scale, (frame.north_m - y_m) * frame.scale


def _path(lines: NDArray[np.object_], frame: Frame) -> str:
    """All lines as one path in tenths of a unit; what lies outside the picture is left out."""
    if lines.size == 0:
        return ""
    tolerance = 0.4 / frame.scale
    parts = shapely.get_parts(shapely.simplify(lines, tolerance, preserve_topology=False))
    east, south = frame.west_m + WIDTH / frame.scale, frame.north_m - frame.height / frame.scale
    bounds = shapely.bounds(parts)
    seen = (
        (bounds[:, 2] >= frame.west_m)
        & (bounds[:, 0] <= east)
        & (bounds[:, 3] >= south)
        & (bounds[:, 1] <= frame.north_m)
    )
    xy, which = shapely.get_coordinates(parts[seen], return_index=True)
    x = np.round((xy[:, 0] - frame.west_m) * frame.scale, 1)
    y = np.round((frame.north_m - xy[:, 1]) * frame.scale, 1)
    first = np.ones(which.size, dtype=np.bool_)
    first[1:] = which[1:] != which[:-1]
    return "".join(f"{'M' if begins else 'L'}{a:g} {b:g}" for begins, a, b in zip(first, x, y, strict=True))


def _lines(lines: NDArray[np.object_], frame: Frame, *, colour: str, width: float) -> str:
    path = _path(lines, frame)
    return (
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}" stroke-linejoin="round" '
        f'stroke-linecap="round"/>'
        if path
        else ""
    )


def _label(text: str, x: float, y: float, colour: str, size: float, *, anchor: str = "start") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" font-weight="bold" '
        'font-family="DejaVu Sans, sans-serif" '
        f'fill="{colour}" text-anchor="{anchor}" paint-order="stroke" stroke="#ffffff" stroke-width="3" '
        f'stroke-linejoin="round">{escape(text)}</text>'
    )


def _scale_bar(frame: Frame) -> str:
    """A bar of a round length, about a sixth of the picture."""
    wanted = WIDTH / 6.0 / frame.scale
    power = 10.0 ** math.floor(math.log10(wanted))
    length = next(step * power for step in (5.0, 2.0, 1.0) if step * power <= wanted)
    words = f"{length / 1000.0:g} km" if length >= 1000.0 else f"{length:g} m"
    y = frame.height - 12.0
    return (
        f'<path d="M12 {y - 6:.0f}v6h{length * frame.scale:.1f}v-6" fill="none" stroke="{INK}" stroke-width="1.5"/>'
        + _label(words, 16.0, y - 5.0, INK, 11.0)
    )
