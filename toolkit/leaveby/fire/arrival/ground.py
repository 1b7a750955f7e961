"""The ground and the weather as legs take them: cells, weather steps, and each cell's ellipse in a step; compiled.

Lengths are in cells, x to the east and y to the south, cell centres at whole numbers; slowness in seconds per cell.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from leaveby.fire.spread.ellipse import compiled, inlined, local_ellipse, shape_table

LEG_STEPS: Final = 100
"""Weather steps a leg may cross before its anchor moves up, by which neighbours come a little late."""

RECENT: Final = 8192  # how many ellipses of past steps are kept at hand

CELL: Final = np.dtype(
    [
        ("slowness", np.float32),  # of the step in `stamp`
        ("drift_x", np.float32),
        ("drift_y", np.float32),
        ("gradient_east", np.float32),
        ("gradient_north", np.float32),
        ("zone", np.int32),
        ("stamp", np.int16),
        ("alike", np.int16),
        ("edge", np.int8),  # 1 where a neighbour is of another zone
    ],
    align=True,
)
"""The ground of one cell, and the ellipse last worked out for it: all that legs look at, so that it stays at hand."""

STEP: Final = np.dtype(
    [
        ("head_m_s", np.float64),  # flat head rate of spread
        ("wind_east_m_s", np.float64),
        ("wind_north_m_s", np.float64),
        ("shape_row", np.int8),  # row of the table of ratios
    ],
    align=True,
)
"""The weather of one step in one zone."""

RECENT_ELLIPSE: Final = np.dtype(
    [("key", np.int64), ("slowness", np.float64), ("drift_x", np.float64), ("drift_y", np.float64)]
)

Cells = NDArray[Any]


class Ground(NamedTuple):
    """The cells of dtype `CELL`, in one row, and the ellipses of past steps that are kept at hand."""

    cells: Cells
    rows: int
    cols: int
    barriers: bool
    recent: NDArray[Any]


class Steps(NamedTuple):
    """The weather steps as legs take them.

    `rates` of dtype `STEP`, shape (steps, zones); `start_s` their starts, and inf after the last; `ratios` as from
    `shape_table`; `sense` of time is 1 for a fire that is followed forward and -1 backward; `parts` is room for the
    steps that one leg crosses (see `_bent`).
    """

    rates: NDArray[Any]
    start_s: NDArray[np.float64]
    ratios: NDArray[np.float64]
    cell_m: float
    sense: float
    parts: NDArray[np.float64]


class Ellipse(NamedTuple):
    """Slowness and drift of a cell in a weather step, seconds per cell."""

    slowness: float
    drift_x: float
    drift_y: float


def make_ground(
    zone: NDArray[np.int32], gradient_east: NDArray[np.float32], gradient_north: NDArray[np.float32]
) -> Ground:
    """The ground of all cells of a grid."""
    cells = np.zeros(zone.shape, dtype=CELL)
    cells["zone"] = zone
    cells["gradient_east"] = gradient_east
    cells["gradient_north"] = gradient_north
    cells["stamp"] = -1
    cells["alike"], cells["edge"] = _likeness(zone, (gradient_east, gradient_north))
    recent = np.zeros(RECENT, dtype=RECENT_ELLIPSE)
    recent["key"] = -1
    rows, cols = zone.shape
    return Ground(cells.ravel(), rows, cols, bool((zone < 0).any()), recent)


def fresh(ground: Ground) -> Ground:
    """The same ground without any ellipse, for another solve of its own."""
    cells, recent = ground.cells.copy(), ground.recent.copy()
    cells["stamp"] = recent["key"] = -1
    return ground._replace(cells=cells, recent=recent)


def make_steps(
    start_s: NDArray[np.float64],
    *,
    head_m_s: NDArray[np.float64],
    wind_m_s: tuple[NDArray[np.float64], NDArray[np.float64]],
    shape_row: NDArray[np.int8],
    cell_m: float,
    backward: bool = False,
) -> Steps:
    """The weather steps, from a spread table's rates and wind (east and north) by step and zone."""
    rates = np.empty(head_m_s.shape, dtype=STEP)
    rates["head_m_s"] = head_m_s
    rates["wind_east_m_s"], rates["wind_north_m_s"] = wind_m_s
    rates["shape_row"] = shape_row
    parts = np.empty((LEG_STEPS + 1, 8))
    sense = -1.0 if backward else 1.0
    return Steps(rates, np.append(start_s, np.inf), np.array(shape_table()), float(cell_m), sense, parts)


def _likeness(
    zone: NDArray[np.int32], gradients: tuple[NDArray[np.float32], NDArray[np.float32]]
) -> tuple[NDArray[np.int16], NDArray[np.bool_]]:
    """How many cells around each cell, in every direction (a square), are like it, and which touch another zone."""
    differs = np.zeros(zone.shape, dtype=bool)
    edge = np.zeros(zone.shape, dtype=bool)
    rows, cols = zone.shape
    for down, right in ((0, 1), (1, -1), (1, 0), (1, 1)):
        one = (slice(0, rows - down), slice(max(-right, 0), cols - max(right, 0)))
        other = (slice(down, rows), slice(max(right, 0), cols - max(-right, 0)))
        borders = zone[one] != zone[other]
        unlike = borders.copy()
        for gradient in gradients:
            unlike |= np.abs(gradient[other] - gradient[one]) > 1e-6
        for at in (one, other):
            edge[at] |= borders
            differs[at] |= unlike
    limit = min(max(rows, cols), 32000)
    if not differs.any():
        return np.full(zone.shape, limit, dtype=np.int16), edge
    away = ndimage.distance_transform_cdt(~differs, metric="chessboard")
    return np.minimum(away, limit).astype(np.int16), edge


@compiled
def _work_out(
    steps: Steps, step: int, zone: int, gradient_east: float, gradient_north: float
) -> tuple[float, float, float]:
    now = steps.rates[step, zone]
    head, e, east, north = local_ellipse(
        now["head_m_s"],
        now["wind_east_m_s"],
        now["wind_north_m_s"],
        gradient_east,
        gradient_north,
        steps.ratios[now["shape_row"]],
    )
    slowness = steps.cell_m / (head * (1.0 - e))
    drift = steps.sense * (e * slowness)
    return slowness, drift * east, -drift * north


@compiled
def _ellipse_before(ground: Ground, steps: Steps, cell: int, step: int) -> tuple[float, float, float]:
    """Work out a cell's ellipse, or find it among the recent ones; the newest step of a cell is kept with the cell."""
    key = cell * steps.rates.shape[0] + step
    found = ground.recent[key % RECENT]
    if found["key"] == key:
        return found["slowness"], found["drift_x"], found["drift_y"]
    here = ground.cells[cell]
    slowness, drift_x, drift_y = _work_out(steps, step, here["zone"], here["gradient_east"], here["gradient_north"])
    if step > here["stamp"]:
        here["slowness"] = slowness
        here["drift_x"] = drift_x
        here["drift_y"] = drift_y
        here["stamp"] = step
    else:
        found["key"] = key
        found["slowness"] = slowness
        found["drift_x"] = drift_x
        found["drift_y"] = drift_y
    return slowness, drift_x, drift_y


@inlined
def cell_ellipse(ground: Ground, steps: Steps, cell: int, step: int) -> Ellipse:
    """The ellipse of a cell in a weather step."""
    here = ground.cells[cell]
    slowness = 1.0 * here["slowness"]
    drift_x = 1.0 * here["drift_x"]
    drift_y = 1.0 * here["drift_y"]
    if here["stamp"] != step:
        slowness, drift_x, drift_y = _ellipse_before(ground, steps, cell, step)
    return Ellipse(slowness, drift_x, drift_y)
