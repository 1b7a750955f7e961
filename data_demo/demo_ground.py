"""Terrain and fuel of the invented locality.

Ridges and waters are given as lines with heights; between them the ground is the smooth (harmonic) surface that meets
both, roughened with fractal noise and then worn by running water for a while, so that gullies join and drain outward.
Last, the roads get the cut and fill that real roads have.
"""

from __future__ import annotations

import heapq
from itertools import pairwise

import numpy as np
from demo_lines import lengths, point_at, wandering
from demo_roads import PLACES, SIZE_M, WATERS, Locality
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter, gaussian_filter1d, map_coordinates
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import spsolve

CELL_M = 30.0
N = int(SIZE_M / CELL_M)
Grid = NDArray[np.float64]

RIDGES: list[list[tuple[float, float, float]]] = [
    [(0, 9500, 885), (900, 8900, 912), (1900, 7800, 862), (2900, 6700, 812), (3800, 5600, 748), (4700, 4400, 690)],
    [(2900, 6700, 812), (3700, 7250, 780), (4600, 7520, 742), (5600, 7900, 728), (6600, 8050, 765), (7800, 8320, 745),
     (9600, 8750, 710)],
    [(2900, 6700, 812), (2150, 6000, 742), (1300, 5600, 715), (500, 5100, 695), (0, 4700, 670)],
    [(2150, 6000, 742), (2050, 5000, 668), (2000, 4000, 600), (1950, 3000, 522), (1850, 2450, 472)],
    [(4700, 4400, 690), (4000, 3700, 638), (3600, 3000, 575), (3600, 2200, 495), (3600, 1600, 430)],
    [(4750, 3950, 665), (4950, 3000, 560), (5100, 2200, 480), (5900, 1700, 440), (7100, 1380, 380)],
    [(5600, 7900, 728), (6300, 6900, 672), (7300, 6200, 612), (8600, 5600, 545), (9600, 5250, 500)],
    [(5500, 7300, 700), (5250, 6700, 650), (5300, 6200, 600)],
    [(0, 350, 640), (2000, 150, 665), (4500, 60, 630), (7000, 60, 605), (9600, 150, 560)],
    [(0, 3600, 610), (400, 3000, 555), (450, 2200, 500)],
    [(8000, 3270, 610), (8700, 2400, 470), (9300, 1900, 405)],
    [(7000, 3600, 640), (6950, 3000, 520), (7000, 2500, 425)],
    [(6000, 4000, 672), (6600, 4500, 560), (6900, 4800, 480)],
    [(7600, 3500, 625), (7900, 4000, 520), (8100, 4350, 425)],
    [(900, 8900, 912), (500, 8400, 830), (0, 8300, 760)],
    [(1900, 7800, 862), (1100, 7400, 770), (300, 7300, 660)],
    [(900, 8900, 912), (1900, 9500, 790), (2500, 9600, 720)],
    [(1900, 7800, 862), (2700, 8400, 760), (3400, 8900, 640)],
    [(3700, 7250, 780), (4700, 8400, 690), (5600, 9100, 650), (6000, 9600, 620)],
    [(7800, 8320, 745), (8000, 9000, 680), (8100, 9600, 630)],
    [(2900, 6700, 812), (3300, 5600, 720), (2900, 4800, 640), (2500, 4200, 585)],
]  # fmt: skip
SPUR_HEIGHTS = ([0, 350, 800, 1500, 2200, 2900, 3600, 4300, 4800], [690, 684, 704, 676, 662, 640, 622, 596, 548])
FLAT = [(1350, 1400, 448), (1850, 1320, 446), (2350, 1250, 443), (1430, 2030, 458), (1930, 1950, 455),
        (2400, 1880, 451), (1900, 1640, 451), (1400, 1720, 453), (2380, 1560, 447)]  # fmt: skip

LEGEND: dict[int, str] = {
    1: "dry eucalypt forest",
    2: "shrubland",
    3: "natural grassland",
    4: "grazed pasture",
    5: "houses and gardens",
    6: "bare ground",
    7: "water",
    8: "eaten-out pasture",
    9: "recently burnt forest",
}


def cell(x: float, y: float) -> tuple[int, int]:
    """Row and column of a local point."""
    return min(max(int((SIZE_M - y) // CELL_M), 0), N - 1), min(max(int(x // CELL_M), 0), N - 1)


def _along(line: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    out = []
    for (x0, y0, z0), (x1, y1, z1) in pairwise(line):
        n = max(1, int(np.hypot(x1 - x0, y1 - y0) / 12.0))
        out += [(x0 + (x1 - x0) * k / n, y0 + (y1 - y0) * k / n, z0 + (z1 - z0) * k / n) for k in range(n + 1)]
    return out


def _bent(ridge: list[tuple[float, float, float]], seed: int) -> list[tuple[float, float, float]]:
    """The ridge line, swaying."""
    flat = [(float(x), float(y)) for x, y, _ in ridge]
    fine = [point_at(flat, s)[0] for s in np.linspace(0.0, lengths(flat)[-1] - 0.01, int(lengths(flat)[-1] // 60) + 2)]
    heights = np.interp(lengths(fine), lengths(flat), [z for _, _, z in ridge])
    line = wandering(fine, seed, sway_m=60.0, wave_m=600.0)
    return [(x, y, float(z)) for (x, y), z in zip(line, heights, strict=True)]


def _harmonic(fixed: Grid) -> Grid:
    """The surface without bumps of its own between cells of fixed height (NaN elsewhere)."""
    index = np.arange(N * N).reshape(N, N)
    rows, cols, values = [], [], []
    degree = np.zeros(N * N)
    for a, b in ((index[:, :-1], index[:, 1:]), (index[:-1], index[1:])):
        p, q = a.ravel(), b.ravel()
        rows += [p, q]
        cols += [q, p]
        values += [-np.ones(p.size), -np.ones(p.size)]
        degree += np.bincount(p, minlength=N * N) + np.bincount(q, minlength=N * N)
    r, c, v = np.concatenate(rows), np.concatenate(cols), np.concatenate(values)
    laplace = csr_matrix((np.append(v, degree), (np.append(r, index.ravel()), np.append(c, index.ravel()))))
    known = np.isfinite(fixed.ravel())
    z = np.where(known, fixed.ravel(), 0.0)
    free = np.flatnonzero(~known)
    z[free] = spsolve(laplace[free][:, free].tocsc(), -(laplace[free] @ z))
    return z.reshape(N, N)


def noise(
    rng: np.random.Generator,
    *,
    longest_m: float,
    shortest_m: float,
    steepness: float,
    n: int = N,
    cell_m: float = CELL_M,
) -> Grid:
    """Fractal noise of mean 0 and deviation 1 with wavelengths within a band, on n x n cells."""
    f = np.fft.fftfreq(2 * n, cell_m)
    k = np.hypot(f[:, None], f[None, :])
    band = (k > 1.0 / longest_m) & (k < 1.0 / shortest_m)
    shape = np.where(band, np.where(band, k, 1.0) ** -steepness, 0.0)
    field = np.real(np.fft.ifft2(np.fft.fft2(rng.random((2 * n, 2 * n)) - 0.5) * shape))[:n, :n]
    return (field - field.mean()) / field.std()


def _drainage(z: Grid) -> tuple[list[int], list[int], list[float]]:
    """Cells from the outlets upward, the cell each drains to (itself at an outlet), and the step's length.

    Water that is caught in a hollow leaves it by the lowest rim (the hollow is flooded in order of height).
    """
    flat, wide = z.ravel().tolist(), N
    target = [-1] * (N * N)
    step = [0.0] * (N * N)
    order: list[int] = []
    border = [r * wide + c for r in range(N) for c in range(N) if r in (0, N - 1) or c in (0, N - 1)]
    queue = [(flat[i], i) for i in border]
    for i in border:
        target[i] = i
    heapq.heapify(queue)
    around = [(dr, dc, float(np.hypot(dr, dc)) * CELL_M) for dr in (-1, 0, 1) for dc in (-1, 0, 1) if dr or dc]
    while queue:
        level, i = heapq.heappop(queue)
        order.append(i)
        r, c = divmod(i, wide)
        for dr, dc, far in around:
            rr, cc = r + dr, c + dc
            if 0 <= rr < N and 0 <= cc < N and target[j := rr * wide + cc] < 0:
                target[j], step[j] = i, far
                heapq.heappush(queue, (max(level, flat[j]), j))
    return order, target, step


def _worn(z: Grid, *, rounds: int, strength: float) -> Grid:
    """Wear by running water: each cell is lowered towards the one it drains to, the more the more water passes."""
    for _ in range(rounds):
        order, target, step = _drainage(z)
        area = [CELL_M * CELL_M] * (N * N)
        for i in reversed(order):
            if target[i] != i:
                area[target[i]] += area[i]
        flat = z.ravel().tolist()
        for i in order:
            j = target[i]
            if j != i:
                pull = strength * np.sqrt(area[i]) / step[i]
                flat[i] = max((flat[i] + pull * flat[j]) / (1.0 + pull), flat[j] + 0.05)
        z = np.round(gaussian_filter(np.array(flat).reshape(N, N), 0.45), 3)
    return z


def _benched(z: Grid, locality: Locality) -> Grid:
    """Cut and fill along the roads: the ground near a road takes the road's smoothed profile."""
    weight, total, most = np.zeros((N, N)), np.zeros((N, N)), np.zeros((N, N))
    for road in locality.roads.values():
        main = road.tags["highway"] not in ("residential", "service")
        far = lengths(road.line)[-1]
        along = np.arange(0.0, far, 15.0)
        points = np.array([point_at(road.line, a)[0] for a in along])
        rows, cols = (SIZE_M - points[:, 1]) / CELL_M - 0.5, points[:, 0] / CELL_M - 0.5
        profile = map_coordinates(z, [rows, cols], order=1, mode="nearest")
        profile = gaussian_filter1d(profile, 11.0 if main else 4.0, mode="nearest")
        for r, c, h in zip(rows, cols, profile, strict=True):
            r0, c0 = max(int(r) - 2, 0), max(int(c) - 2, 0)
            rr, cc = np.mgrid[r0 : min(r0 + 6, N), c0 : min(c0 + 6, N)]
            w = np.exp(-((rr - r) ** 2 + (cc - c) ** 2) / 0.9**2) * (1.0 if main else 0.2)
            part = np.s_[r0 : r0 + rr.shape[0], c0 : c0 + rr.shape[1]]
            weight[part] += w
            total[part] += w * h
            most[part] = np.maximum(most[part], np.minimum(1.0, 1.3 * w))
    target = np.where(weight > 1e-9, total / np.maximum(weight, 1e-9), z)
    return z + most * (target - z)


def make_terrain(locality: Locality) -> NDArray[np.float32]:
    """Elevation in metres, rounded to 0.1 m, north-west cell first."""
    rng = np.random.default_rng(20260118)
    fixed, count = np.zeros((N, N)), np.zeros((N, N))
    river = np.zeros((N, N), dtype=bool)
    spur = locality.roads["Sallow Spur Road"].line
    crest = [(x, y, float(np.interp(s, *SPUR_HEIGHTS))) for (x, y), s in zip(spur, lengths(spur), strict=True)]
    for line in [*(_bent(ridge, 300 + k) for k, ridge in enumerate(RIDGES)), crest, *WATERS.values()]:
        for x, y, h in _along(line):
            fixed[cell(x, y)] += h
            count[cell(x, y)] += 1
    for x, y, h in FLAT:
        fixed[cell(x, y)] += h
        count[cell(x, y)] += 1
    for line in WATERS.values():
        for x, y, _ in _along(line):
            river[cell(x, y)] = True
    z = _harmonic(np.where(count > 0, fixed / np.maximum(count, 1), np.nan))
    z = gaussian_filter(z, 1.5)
    from_river = distance_transform_edt(~river) * CELL_M
    rough = 12.0 * noise(rng, longest_m=1500.0, shortest_m=200.0, steepness=2.0)
    calm = np.exp(-(((np.hypot(*_offsets((1880.0, 1650.0)))) / 750.0) ** 4))
    z = z + rough * np.clip(from_river / 320.0, 0.05, 1.0) * (1.0 - 0.92 * calm)
    z = _worn(np.round(z, 3), rounds=12, strength=0.045)
    z = _benched(_benched(z, locality), locality)
    for place in PLACES.values():  # levelled ground
        weight = np.exp(-((np.hypot(*_offsets(place)) / 85.0) ** 4))
        z = z + weight * ((weight * z).sum() / weight.sum() - z)
    return np.round(z, 1).astype(np.float32)


def _offsets(p: tuple[float, float]) -> tuple[Grid, Grid]:
    centre = (np.arange(N) + 0.5) * CELL_M
    return centre[None, :] - p[0], (SIZE_M - centre)[:, None] - p[1]


def make_fuel(locality: Locality, z: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Fuel type of each cell, as a number of the legend."""
    rng = np.random.default_rng(20260119)
    z = z.astype(np.float64)
    river, stream = np.zeros((N, N), dtype=bool), np.zeros((N, N), dtype=bool)
    for name, line in WATERS.items():
        for x, y, _ in _along(line):
            (river if name == "Lantern River" else stream)[cell(x, y)] = True
    near = distance_transform_edt(~(river | stream), return_distances=False, return_indices=True)
    above = z - z[near[0], near[1]]
    down_south, down_east = np.gradient(z, CELL_M)
    slope = np.hypot(down_south, down_east)
    patchy = noise(rng, longest_m=1800.0, shortest_m=200.0, steepness=1.4)
    other = noise(rng, longest_m=900.0, shortest_m=120.0, steepness=1.0)
    low = gaussian_filter(z, 3.0) < 500.0 + 25.0 * patchy

    fuel = np.full((N, N), 1, dtype=np.uint8)
    north_west = (down_south + -down_east) / np.maximum(slope, 1e-6) > 0.7  # ground that falls to the north-west
    fuel[(other > 1.15) & (slope > 0.14) & north_west] = 2
    fuel[(other > 2.1) & (slope > 0.2)] = 2
    fuel[low & (slope < 0.22) & (above < 45.0 + 10.0 * other)] = 3
    fuel[low & (slope < 0.16) & (above < 28.0 + 8.0 * patchy)] = 4
    fuel[(slope < 0.09) & (patchy < -1.25) & (z > 560.0)] = 3
    # a planned burn of three years ago lies across Tannery Ridge
    east, north = _offsets((1300.0, 9000.0))
    down, across = 0.594 * east - 0.804 * north, 0.804 * east + 0.594 * north
    inside = (down > 1450.0 + 130.0 * patchy) & (down < 3750.0 + 130.0 * other) & (across < 3300.0 + 150.0 * patchy)
    fuel[inside & (other < 1.6) & (fuel == 1)] = 9
    clearing = np.zeros((N, N), dtype=bool)
    village = np.zeros((N, N), dtype=bool)
    for home in locality.homes:
        r, c = cell(*home.centre)
        x, y = home.centre
        in_village = 1150 < x < 2560 and 1150 < y < 2300
        hamlet = (6600 < x < 7650 and 7950 < y < 8500) or (5900 < x < 6750 and 1000 < y < 1450)
        (village if in_village or hamlet else clearing)[r, c] = True
    ring = np.ones((3, 3), dtype=bool)
    east, north = _offsets((1800.0, 1750.0))  # the drought has left little on the commons around the village
    fuel[(np.hypot(east, north) < 1150.0 + 120.0 * other) & (fuel == 4)] = 8
    fuel[binary_dilation(clearing, ring) & (fuel != 1)] = 4
    fuel[clearing] = 4
    fuel[binary_dilation(village, ring, iterations=5) & (fuel != 8)] = 4
    fuel[binary_dilation(village, ring, iterations=2)] = 5
    east, north = _offsets(PLACES["Sallow Spur sports ground"])
    fuel[(np.abs(east) < 95.0) & (np.abs(north) < 80.0)] = 4
    fuel[(np.abs(east) < 62.0) & (np.abs(north) < 48.0)] = 6
    east, north = _offsets(PLACES["Quarrel Flat showground"])
    fuel[(np.abs(east) < 200.0) & (np.abs(north) < 170.0)] = 8
    fuel[(np.abs(east) < 110.0) & (np.abs(north) < 80.0)] = 6
    east, north = _offsets(PLACES["Quarrel Flat hall car park"])
    fuel[(np.abs(east) < 40.0) & (np.abs(north) < 40.0)] = 6
    east, north = _offsets(PLACES["Hobbin Gap hall"])
    fuel[(np.abs(east) < 60.0) & (np.abs(north) < 45.0)] = 6
    east, north = _offsets((3900.0, 1560.0))
    fuel[np.hypot(east, north) < 110.0] = 6  # an old quarry
    fuel[river] = 7
    east, north = _offsets((6200.0, 950.0))
    fuel[(np.hypot(east / 2.6, north) < 85.0)] = 7  # the weir pool
    return fuel
