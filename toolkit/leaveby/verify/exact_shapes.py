"""The arrival solver against shapes that plain mathematics gives: the ellipse, and any wind history on even ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from leaveby.errors import refuse
from leaveby.fire.arrival.solve import Arrival, arrive, ignite_point
from leaveby.fire.spread.ellipse import LENGTH_TO_BREADTH_LIMIT, SpreadTable, eccentricity, length_to_breadth
from leaveby.fire.terrain import Grid
from leaveby.regions import table
from leaveby.show.figure import INK, MUTED, blank_figure, figure_style
from leaveby.show.symbols import SYMBOLS
from leaveby.verify.checks import PLAIN_MATHEMATICS, Check

CELL_M: Final = 30.0
HEAD_M_S: Final = 0.5
NEAR_CELLS: Final = 15
"""Nearer to the ignition than this the grid is too coarse to be judged."""

ALLOWED: Final = 0.01
ALLOWED_NARROW: Final = 0.02
"""How far a time may be off, up to and beyond a length of four times the breadth."""

ALLOWED_HISTORY: Final = 0.01

WIND_HISTORIES: Final[Mapping[str, Mapping[str, Sequence[float]]]] = table("verify/wind_histories")


@dataclass(frozen=True, eq=False)
class ShapeCheck:
    """Arrival times on even ground against exact ones, shape (rows, cols), in seconds.

    Cells far enough from the ignition are compared; `worst` and `mean` are shares by which times are off there.
    """

    arrival: Arrival
    exact_s: NDArray[np.float64]
    compared: NDArray[np.bool_]
    worst: float
    mean: float


def wind_for_ratio(ratio: float) -> float:
    """Wind (m/s) at which fire in forest is so many times longer than broad, 1 to 6."""
    if not 1.0 <= ratio <= LENGTH_TO_BREADTH_LIMIT:
        expected = f"1 to {LENGTH_TO_BREADTH_LIMIT:g}"
        raise refuse("length to breadth", f"is {ratio}", expected=expected, mend="choose one of these")
    low, high = 0.0, 100.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(length_to_breadth(middle)) < ratio else (low, middle)
    return high / 3.6 if ratio > 1.0 else 0.0


def ellipse_check(ratio: float, *, towards_deg: float = 30.0, cells: int = 201) -> ShapeCheck:
    """Burn even ground from a point in steady wind, and hold it against the ellipse about its rear focus.

    In polar form about a focus, r = p / (1 - e cos phi), with p = head rate (1 - e) for each unit of time: so fire
    needs (distance - e distance cos phi) / p. The wind's direction is in degrees from east, anticlockwise.

    Examples
    --------
    >>> ellipse_check(2.0).worst < 0.001
    True
    """
    grid = _square(cells)
    wind_m_s = wind_for_ratio(ratio)
    along = np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg))])
    origin = 0.5 * cells * CELL_M + np.array([-20.0, 11.0])
    spread = _even(grid, np.zeros(1), head=np.array([HEAD_M_S]), wind=wind_m_s * along[None, :])
    arrival = arrive(spread, [ignite_point(float(origin[0]), float(origin[1]))], horizon_s=1e9)
    x_m, y_m = _offsets(grid, origin)
    away_m = np.hypot(x_m, y_m)
    e = float(eccentricity(ratio))
    exact_s = (away_m - e * (x_m * along[0] + y_m * along[1])) / (HEAD_M_S * (1.0 - e))
    return _compared(arrival, exact_s, away_m > NEAR_CELLS * CELL_M)


def history_check(name: str, *, cells: int = 401, sample: int = 400) -> ShapeCheck:
    """Burn even ground from a point under a changing wind, and hold it against the exact support function.

    The burnt region is the Minkowski sum of what burns in each step (Huygens' principle), and support functions add:
    an ellipse about its rear focus has a e cos phi + sqrt(a^2 (1 - e^2) + (a e cos phi)^2), a = head rate / (1 + e).
    A place burns when the region's edge passes it. `sample` cells are compared, spread evenly over the burnt ground.
    """
    time_s, head, wind_km_h, towards = (np.array(values) for values in WIND_HISTORIES[name].values())
    wind = wind_km_h[:, None] / 3.6 * np.column_stack([np.cos(np.radians(towards)), np.sin(np.radians(towards))])
    grid = _square(cells)
    origin = np.array([0.3, 0.3 if towards[-1] >= 0.0 else 0.7]) * cells * CELL_M
    last_s = 10_000.0
    spread = _even(grid, time_s, head=head, wind=wind)
    arrival = arrive(spread, [ignite_point(float(origin[0]), float(origin[1]))], horizon_s=last_s)
    x_m, y_m = _offsets(grid, origin)
    burnt = np.flatnonzero((arrival.time_s < 0.99 * last_s) & (np.hypot(x_m, y_m) > NEAR_CELLS * CELL_M))
    rows = burnt[:: max(1, burnt.size // sample)]
    # On a convex region's edge some direction's support line passes through the place.
    angle = np.linspace(0.0, 2.0 * np.pi, 1440, endpoint=False)
    ahead_m = x_m.flat[rows][:, None] * np.cos(angle) + y_m.flat[rows][:, None] * np.sin(angle)
    low, high = np.zeros(rows.size), np.full(rows.size, last_s)
    for _ in range(24):
        middle = 0.5 * (low + high)
        reach = _support(angle, middle, time_s=time_s, head=head, wind=wind)
        outside = (ahead_m > reach).any(axis=1)
        low, high = np.where(outside, middle, low), np.where(outside, high, middle)
    exact_s = np.full(grid.shape, np.inf)
    exact_s.flat[rows] = high
    return _compared(arrival, exact_s, np.isfinite(exact_s))


def ellipse_checks(*, directions: int = 4) -> tuple[Check, ...]:
    """Length to breadth 1 to 6, each with the wind in several directions, as rows of a table."""
    rows = []
    for ratio in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0):
        found = [ellipse_check(ratio, towards_deg=360.0 / directions * number + 7.0) for number in range(directions)]
        allowed = ALLOWED if ratio <= 4.0 else ALLOWED_NARROW
        what = f"Ellipse {ratio:g} times as long as broad, {directions} wind directions"
        rows.append(_row(what, found, allowed, "an ellipse"))
    return tuple(rows)


def history_checks() -> tuple[Check, ...]:
    """Every wind history, as rows of a table."""
    return tuple(
        _row(f"Wind history: {name}", [history_check(name)], ALLOWED_HISTORY, "the sum of the steps' support functions")
        for name in WIND_HISTORIES
    )


def ellipse_figure(check: ShapeCheck) -> Figure:
    """Draw the fire's front at five moments as computed, and as the exact ellipse has it."""
    grid = check.arrival.grid
    x_km = (np.arange(grid.cols) + 0.5) * grid.cell_m / 1000.0
    y_km = (grid.rows - np.arange(grid.rows) - 0.5) * grid.cell_m / 1000.0
    edge = np.concatenate([check.exact_s[0], check.exact_s[-1], check.exact_s[:, 0], check.exact_s[:, -1]])
    levels = float(edge.min()) * np.array([0.2, 0.4, 0.6, 0.8, 0.97])
    with figure_style():
        figure = blank_figure(120.0, 92.0)
        red = SYMBOLS["front"].colour
        axes = figure.subplots()
        axes.contour(x_km, y_km, check.exact_s, levels=levels, colors=[red], linewidths=3.2, alpha=0.45)
        axes.contour(x_km, y_km, check.arrival.time_s, levels=levels, colors=[INK], linewidths=0.8, linestyles="--")
        axes.plot([], [], color=red, linewidth=3.2, alpha=0.45, label="exact ellipse")
        axes.plot([], [], color=INK, linewidth=0.8, linestyle="--", label="computed")
        axes.set(aspect="equal", xlabel="km", ylabel="km")
        axes.tick_params(colors=MUTED)
        axes.legend(loc="upper left", fontsize=7.0)
    return figure


def describe_ellipse(check: ShapeCheck, ratio: float) -> str:
    """Say how far the computed fire is off the exact one."""
    return (
        f"Fire {ratio:g} times as long as broad, on even ground of {check.arrival.grid.cols} cells a side: computed "
        f"times are off by {100.0 * check.worst:.3f} % at most and {100.0 * check.mean:.3f} % on average, in "
        f"{int(check.compared.sum())} cells more than {NEAR_CELLS} cells from where it started."
    )


def _row(what: str, found: list[ShapeCheck], allowed: float, shape: str) -> Check:
    worst = max(check.worst for check in found)
    return Check(
        what=what,
        ours=f"{sum(int(check.compared.sum()) for check in found)} arrival times",
        outside="the exact time at each",
        off=f"{100.0 * worst:.3f} % at most, may be {100.0 * allowed:g} %",
        agrees=worst <= allowed,
        source=f"{shape}, see `leaveby.verify.exact_shapes`",
        mark=PLAIN_MATHEMATICS,
    )


def _square(cells: int) -> Grid:
    return Grid(x_min_m=0.0, y_max_m=cells * CELL_M, cell_m=CELL_M, rows=cells, cols=cells, crs="EPSG:32755")


def _even(grid: Grid, time_s: NDArray[np.float64], *, head: Any, wind: Any) -> SpreadTable:
    flat = np.zeros(grid.shape, dtype=np.float32)
    return SpreadTable(
        grid,
        np.zeros(grid.shape, dtype=np.int32),
        flat,
        flat,
        time_s,
        head.reshape(-1, 1),
        np.ascontiguousarray(wind[:, :1]),
        np.ascontiguousarray(wind[:, 1:]),
        np.zeros(1, dtype=np.bool_),
    )


def _offsets(grid: Grid, origin: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x_m, y_m = np.meshgrid(grid.x_m - origin[0], grid.y_m - origin[1])
    return x_m, y_m


def _support(
    angle: NDArray[np.float64], until_s: NDArray[np.float64], *, time_s: Any, head: Any, wind: Any
) -> NDArray[np.float64]:
    """How far the burnt region reaches in each direction at each moment: shape (moments, directions)."""
    ends_s = np.append(time_s[1:], np.inf)
    total = np.zeros((until_s.size, angle.size))
    for step in range(time_s.size):
        lasted_s = np.clip(until_s, time_s[step], ends_s[step]) - time_s[step]
        speed = float(np.hypot(*wind[step]))
        e = float(eccentricity(length_to_breadth(3.6 * speed)))
        a = head[step] / (1.0 + e)
        cosine = (wind[step, 0] * np.cos(angle) + wind[step, 1] * np.sin(angle)) / speed
        reach = a * e * cosine + np.sqrt(a**2 * (1.0 - e**2) + (a * e * cosine) ** 2)
        total += lasted_s[:, None] * reach
    return total


def _compared(arrival: Arrival, exact_s: NDArray[np.float64], compared: NDArray[np.bool_]) -> ShapeCheck:
    off = np.abs(arrival.time_s[compared] / exact_s[compared] - 1.0)
    return ShapeCheck(arrival, exact_s, compared, float(off.max()), float(off.mean()))
