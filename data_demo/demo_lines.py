"""Lines on a plane, as the demo draws them: smooth, swaying, measured, crossed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

Point = tuple[float, float]


def lengths(line: list[Point]) -> list[float]:
    """Distance along a line at each of its points."""
    out = [0.0]
    for (x0, y0), (x1, y1) in pairwise(line):
        out.append(out[-1] + math.hypot(x1 - x0, y1 - y0))
    return out


def point_at(line: list[Point], along_m: float) -> tuple[Point, Point]:
    """Point at a distance along a line, and the unit direction there."""
    marks = lengths(line)
    i = min(max(int(np.searchsorted(marks, along_m, side="right")) - 1, 0), len(line) - 2)
    (x0, y0), (x1, y1) = line[i], line[i + 1]
    step = marks[i + 1] - marks[i]
    t = (along_m - marks[i]) / step
    return (x0 + t * (x1 - x0), y0 + t * (y1 - y0)), ((x1 - x0) / step, (y1 - y0) / step)


def tenth(p: Point) -> Point:
    return (round(p[0], 1), round(p[1], 1))


def drawn(controls: list[Point], *, step_m: float = 70.0) -> list[Point]:
    """A smooth line through control points (corner cutting), with a point about every step."""
    line = [(float(x), float(y)) for x, y in controls]
    for _ in range(3):
        cut = [line[0]]
        for (x0, y0), (x1, y1) in pairwise(line):
            cut += [(0.75 * x0 + 0.25 * x1, 0.75 * y0 + 0.25 * y1), (0.25 * x0 + 0.75 * x1, 0.25 * y0 + 0.75 * y1)]
        line = [*cut, line[-1]]
    total = lengths(line)[-1]
    n = max(2, round(total / step_m))
    return [tenth(line[0]), *(tenth(point_at(line, total * k / n)[0]) for k in range(1, n)), tenth(line[-1])]


def wandering(line: list[Point], seed: int, *, sway_m: float, wave_m: float) -> list[Point]:
    """The same line, swaying to both sides as roads and creeks do; its ends stay."""
    rng = np.random.default_rng(seed)
    waves = [(wave_m * (0.6 + 1.2 * rng.random()), 2.0 * math.pi * rng.random()) for _ in range(3)]
    marks = lengths(line)
    out = []
    for s in marks:
        p, (dx, dy) = point_at(line, min(s, marks[-1] - 0.01))
        ends = min(1.0, s / 250.0, (marks[-1] - s) / 250.0)
        off = ends * sway_m * sum(math.sin(2.0 * math.pi * s / wave + phase) for wave, phase in waves) / 2.0
        out.append(tenth((p[0] - off * dy, p[1] + off * dx)))
    return [line[0], *out[1:-1], line[-1]]


def nearest(line: list[Point], p: Point) -> tuple[float, float]:
    """Distance along a line of its nearest point to p, and how far off p is."""
    marks = lengths(line)
    best = (0.0, math.inf)
    for i, ((x0, y0), (x1, y1)) in enumerate(pairwise(line)):
        step = marks[i + 1] - marks[i]
        t = min(max(((p[0] - x0) * (x1 - x0) + (p[1] - y0) * (y1 - y0)) / step**2, 0.0), 1.0)
        off = math.hypot(p[0] - x0 - t * (x1 - x0), p[1] - y0 - t * (y1 - y0))
        if off < best[1]:
            best = (marks[i] + t * step, off)
    return best


def crossings(line: list[Point], other: list[Point]) -> Iterator[float]:
    """Distances along a line at which it crosses another."""
    marks = lengths(line)
    for i, (a, b) in enumerate(pairwise(line)):
        for c, d in pairwise(other):
            r, s = (b[0] - a[0], b[1] - a[1]), (d[0] - c[0], d[1] - c[1])
            det = r[0] * s[1] - r[1] * s[0]
            if det == 0.0:
                continue
            t = ((c[0] - a[0]) * s[1] - (c[1] - a[1]) * s[0]) / det
            u = ((c[0] - a[0]) * r[1] - (c[1] - a[1]) * r[0]) / det
            if 0.0 <= t <= 1.0 and 0.0 <= u <= 1.0:
                yield marks[i] + t * (marks[i + 1] - marks[i])
