"""Grades of roads from the terrain: sampled along each road, smoothed along the road, capped.

A terrain model with cells of 30 or 90 m steps by some metres from cell to cell, and a road on a hillside wanders over
those steps. Height differences between neighbouring samples therefore say little; the road itself is smooth. The
heights along all roads are taken together and smoothed so that they bend little: the sum of squared differences from
the samples, plus the fourth power of a length times the squared second differences along the roads, is made least (a
smoothing spline on the road network: Whittaker 1923, Proceedings of the Edinburgh Mathematical Society 41, 63-75, from
memory). A steady grade passes unchanged, also at dead ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from leaveby.errors import refuse, refused
from leaveby.parameters import GRADE_CAP, GRADE_SMOOTHING_M, VOID_SHARE
from leaveby.roads.network.graph import RoadNetwork

Elevation = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

SPACING_M: Final = 30.0


@dataclass(frozen=True, eq=False)
class EdgeGrades:
    """Grades along each edge, in pieces, rise over run in the direction of travel.

    Edge i has the pieces `start[i]` to `start[i + 1]`, at least one; each has its length as a `share` of the edge and
    its `grade`. `mean` and `steepest` are those of each edge, the latter its steepest piece, up or down, without sign.
    """

    start: NDArray[np.int64]
    share: NDArray[np.float64]
    grade: NDArray[np.float64]
    mean: NDArray[np.float64]
    steepest: NDArray[np.float64]
    assumptions: tuple[str, ...]


def constant_grades(mean: NDArray[np.float64]) -> EdgeGrades:
    """One grade for each edge as a whole."""
    value = np.asarray(mean, dtype=np.float64)
    if value.ndim != 1 or not np.isfinite(value).all():
        raise refuse("grade", "it has missing values", expected="one finite grade per edge", mend="give them all")
    return EdgeGrades(np.arange(value.size + 1), np.ones(value.size), value, value, np.abs(value), ())


def edge_grades(
    network: RoadNetwork,
    elevation: Elevation,
    *,
    spacing_m: float = SPACING_M,
    smoothing_m: float = GRADE_SMOOTHING_M.value,
    cap: float = GRADE_CAP.value,
) -> EdgeGrades:
    """Grades of all edges from a terrain, sampled every `spacing_m` at most, smoothed over a length (0: not), capped.

    Under bridges and above tunnels the ground is not the road: there the heights are carried through from both ends.
    `elevation` gives the height of the ground in m at `(x_m, y_m)`, arrays in the network's reference system; NaN where
    the terrain has a void. Voids under more than 5 % of the roads are refused (InputError).

    Examples
    --------
    >>> from leaveby.roads.network.graph import network_from_lines
    >>> network = network_from_lines([[(0.0, 0.0), (500.0, 0.0)]], crs="EPSG:32755")
    >>> edge_grades(network, lambda x, y: 100.0 + 0.08 * x).mean.round(6).tolist()
    [0.08, -0.08]
    """
    for what, value in (("spacing_m", spacing_m), ("cap", cap)):
        if not value > 0.0:
            raise refuse(what, f"it is {value}", expected="above 0", mend="correct it")
    if not smoothing_m >= 0.0:
        raise refuse("smoothing_m", f"it is {smoothing_m}", expected="0 or more", mend="correct it")
    s = _samples(network, spacing_m)
    height = np.asarray(elevation(s.x_m, s.y_m), dtype=np.float64)
    if height.shape != s.x_m.shape:
        raise refused("elevation", "heights_of_other_shape", shape=height.shape, wanted=s.x_m.shape)
    height[network.node_count :][~s.inner_on_ground] = np.nan
    part, blind = _unseen(height, s)
    height[blind[part]] = 0.0
    smooth = _smoothed(height, s, smoothing_m=smoothing_m)
    rise = smooth[s.end] - smooth[s.begin]
    grade = np.divide(rise, s.step_m, out=np.zeros_like(rise), where=s.step_m > 0.0)
    too_steep, unseen = np.abs(grade) > cap, blind[part][s.begin]
    sentences = []
    if too_steep.any():
        sentences.append(
            f"{float(s.step_m[too_steep].sum()) / 1000.0:.1f} km of road came out steeper than {100.0 * cap:.0f} % "
            "and were taken at that."
        )
    if unseen.any():
        sentences.append(
            f"{float(s.step_m[unseen].sum()):.0f} m of road lie in voids of the terrain and were taken for a climb "
            f"of {100.0 * cap:.0f} % both ways."
        )
    steep = np.where(unseen, cap, -1.0)
    return _both_ways(network, s, grade=np.clip(grade, -cap, cap), steep=steep, assumptions=tuple(sentences))


@dataclass(frozen=True, eq=False)
class _Samples:
    """Points along each stretch, evenly spaced: nodes first, then the points between them.

    `main` and `pieces` are the stretches and how many pieces each has; `begin`, `end` and `step_m` the samples at the
    ends of each piece and its length.
    """

    main: NDArray[np.int64]
    pieces: NDArray[np.int64]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    inner_on_ground: NDArray[np.bool_]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    on_ground: NDArray[np.bool_]
    step_m: NDArray[np.float64]


def _samples(network: RoadNetwork, spacing_m: float) -> _Samples:
    main = np.flatnonzero((network.twin < 0) | (np.arange(network.edge_count) <= network.twin))
    line_m = np.asarray(shapely.length(network.geometry[main]), dtype=np.float64)
    pieces = np.maximum(1, np.ceil(line_m / spacing_m)).astype(np.int64)
    inner = pieces - 1
    inner_start = network.node_count + np.concatenate([[0], np.cumsum(inner)])
    of_inner = np.repeat(np.arange(main.size), inner)
    step = 1 + np.arange(int(inner.sum())) - np.repeat(inner_start[:-1] - network.node_count, inner)
    spots = shapely.get_coordinates(
        shapely.line_interpolate_point(network.geometry[main[of_inner]], step * (line_m / pieces)[of_inner])
    ).reshape(-1, 2)
    on_ground = np.array([not (_off_ground(network.bridge[i]) or _off_ground(network.tunnel[i])) for i in main])
    of = np.repeat(np.arange(main.size), pieces)
    rank = np.arange(int(pieces.sum())) - np.concatenate([[0], np.cumsum(pieces)])[of]
    return _Samples(
        main=main,
        pieces=pieces,
        x_m=np.concatenate([network.x_m, spots[:, 0]]),
        y_m=np.concatenate([network.y_m, spots[:, 1]]),
        inner_on_ground=on_ground[of_inner],
        begin=np.where(rank == 0, network.tail[main][of], inner_start[of] + rank - 1),
        end=np.where(rank == pieces[of] - 1, network.head[main][of], inner_start[of] + rank),
        on_ground=on_ground[of],
        step_m=(network.length_m[main] / pieces)[of],
    )


def _unseen(height: NDArray[np.float64], s: _Samples) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Number the parts of the network that hang together, and say which of them no height is known of."""
    missing = np.isnan(height)
    lost_m = float(s.step_m[s.on_ground & (missing[s.begin] | missing[s.end])].sum())
    share = lost_m / max(float(s.step_m.sum()), 1.0)
    if share > VOID_SHARE.value:
        raise refused("terrain", "no_height_under_roads", percent=100.0 * share, most=100.0 * VOID_SHARE.value)
    links = sparse.coo_matrix((np.ones(s.begin.size), (s.begin, s.end)), shape=(height.size, height.size))
    part = np.asarray(sparse.csgraph.connected_components(links, directed=False)[1], dtype=np.int32)
    return part, np.bincount(part, weights=~missing) == 0


def _off_ground(value: str) -> bool:
    return any(part not in ("", "no") for part in value.split("|"))


def _smoothed(height: NDArray[np.float64], s: _Samples, *, smoothing_m: float) -> NDArray[np.float64]:
    """Heights that bend little and stay near the samples; voids are bridged."""
    count = height.size
    known = np.isfinite(height)
    real = s.begin != s.end
    a, b, h = s.begin[real], s.end[real], np.maximum(s.step_m[real], 1.0)
    if smoothing_m == 0.0 and known.all():
        return height
    weight = sparse.coo_matrix((1.0 / h, (a, b)), shape=(count, count))
    weight = (weight + weight.T).tocsr()
    degree, total = (np.asarray(each.sum(axis=1)).ravel() for each in (weight > 0, weight))
    # a trace of first differences keeps voids at dead ends from being thrown up or down
    level = sparse.diags(total) - weight
    # second difference at every sample between others; none at dead ends, so that a steady grade may run out there
    spacing = np.divide(total, degree, out=np.ones(count), where=degree > 0)
    bend = sparse.diags(np.where(degree >= 2, spacing, 0.0)) @ level
    strength = max(smoothing_m, 1.0) ** 4
    system = (
        sparse.diags(np.where(known, 1.0, 0.0)) + strength * (bend.T @ bend) + 1e-3 * level + 1e-9 * sparse.eye(count)
    ).tocsc()
    middle = float(height[known].mean())
    return np.asarray(splu(system).solve(np.where(known, height - middle, 0.0)) + middle, dtype=np.float64)


def _both_ways(
    network: RoadNetwork,
    s: _Samples,
    *,
    grade: NDArray[np.float64],
    steep: NDArray[np.float64],
    assumptions: tuple[str, ...],
) -> EdgeGrades:
    """Hand the pieces of each stretch to both its directions; where `steep` is above 0 it is a climb in both."""
    source = np.full(network.edge_count, -1, dtype=np.int64)
    source[s.main] = np.arange(s.main.size)
    against = source < 0
    source[against] = source[network.twin[against]]
    count = s.pieces[source]
    start = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    of = np.repeat(np.arange(network.edge_count), count)
    rank = np.arange(start[-1]) - start[of]
    first = np.concatenate([[0], np.cumsum(s.pieces)])[:-1]
    at = np.where(against[of], first[source[of]] + count[of] - 1 - rank, first[source[of]] + rank)
    value = np.asarray(np.where(against[of], -grade[at], grade[at]), dtype=np.float64)
    value = np.where(steep[at] > 0.0, steep[at], value)
    share = np.asarray(1.0 / count[of], dtype=np.float64)
    mean = np.bincount(of, weights=value * share, minlength=network.edge_count).astype(np.float64)
    steepest = np.maximum.reduceat(np.abs(value), start[:-1])
    return EdgeGrades(start, share, value, mean, steepest, assumptions)
