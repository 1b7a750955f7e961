"""The country around the invented locality, coarser: ranges in the north-west, a plain with a town in the south-east.

Inside the locality the ground is the locality's own, resampled; outward it gives way within some kilometres to ground
whose valleys lie along the lines where a slow noise changes its sign.
"""

from __future__ import annotations

import numpy as np
from demo_ground import CELL_M, noise
from demo_roads import SIZE_M
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.transform import from_origin
from rasterio.warp import reproject
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter, label, minimum_filter

WIDE_CELL_M = 100.0
BEYOND_M = 25_200.0
"""How far the wide ground goes on beyond each side of the locality."""

N_WIDE = round((SIZE_M + 2.0 * BEYOND_M) / WIDE_CELL_M)
TOWN = (27_500.0, -7_500.0)
RESERVOIR = (-9_000.0, 17_000.0)
POND = (19_000.0, -16_500.0)
Grid = NDArray[np.float64]

_CENTRE = (np.arange(N_WIDE) + 0.5) * WIDE_CELL_M - BEYOND_M
X, Y = np.meshgrid(_CENTRE, SIZE_M - _CENTRE)
"""Centres of the cells, metres from the locality's south-west corner."""

INSIDE = (X > 0.0) & (X < SIZE_M) & (Y > 0.0) & (Y < SIZE_M)


def _resampled(values: NDArray[np.float32] | NDArray[np.uint8], *, how: Resampling, missing: float) -> Grid:
    """The locality's cells on the wide ground; NaN outside."""
    out = np.full((N_WIDE, N_WIDE), missing)
    reproject(
        values.astype(np.float64),
        out,
        src_transform=from_origin(0.0, SIZE_M, CELL_M, CELL_M),
        src_crs="EPSG:32755",
        dst_transform=from_origin(-BEYOND_M, SIZE_M + BEYOND_M, WIDE_CELL_M, WIDE_CELL_M),
        dst_crs="EPSG:32755",
        dst_nodata=missing,
        resampling=how,
    )
    return np.where(INSIDE, out, np.nan)


def _rough(rng: np.random.Generator, *, longest_m: float, shortest_m: float, steepness: float) -> Grid:
    return noise(rng, longest_m=longest_m, shortest_m=shortest_m, steepness=steepness, n=N_WIDE, cell_m=WIDE_CELL_M)


def _step(values: Grid, start: float, end: float) -> Grid:
    """From 0 at the start to 1 at the end, smoothly."""
    t = np.clip((values - start) / (end - start), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _plain(rng: np.random.Generator) -> Grid:
    """1 on the plain of the south-east, 0 in the hills."""
    along = (X - 0.45 * Y) / np.hypot(1.0, 0.45) + 2_200.0 * _rough(
        rng, longest_m=16_000.0, shortest_m=3_000.0, steepness=1.6
    )
    return _step(along, 13_000.0, 21_000.0)


def _carried_outward(own: Grid, ground: Grid) -> Grid:
    """The ground, lifted or sunk beside the locality so that both meet: less and smoother the farther out."""
    off = np.where(INSIDE, np.nan_to_num(own) - ground, 0.0)
    far = distance_transform_edt(~INSIDE)
    lift, done = np.zeros_like(ground), np.zeros_like(ground)
    for sigma in (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0):
        # each smoothing counts most at a distance of as many cells as it is wide
        weight = np.exp(-(np.log2(np.maximum(far, 1.0) / sigma) ** 2))
        part = gaussian_filter(off, sigma, truncate=8.0) / np.maximum(
            gaussian_filter(INSIDE.astype(float), sigma, truncate=8.0), 1e-9
        )
        lift += weight * part
        done += weight
    lift *= np.exp(-((far * WIDE_CELL_M / 7_000.0) ** 2)) / np.maximum(done, 1e-9)
    return np.where(INSIDE, np.nan_to_num(own), ground + lift)


def _near(place: tuple[float, float]) -> Grid:
    return np.hypot(X - place[0], Y - place[1])


def _filled(z: Grid, place: tuple[float, float], *, reach_m: float, depth_m: float) -> tuple[Grid, NDArray[np.bool_]]:
    """Standing water: ground near a place that lies low and hangs together, and the ground with its level surface."""
    near = _near(place) < reach_m
    level = float(np.round(z[near].min())) + depth_m
    parts, _ = label(near & (z < level))
    lake = parts == parts[np.unravel_index(np.argmin(np.where(near, z, np.inf)), z.shape)]
    return np.where(lake, level, z), lake


def make_wide(terrain: NDArray[np.float32], fuel: NDArray[np.uint8]) -> tuple[NDArray[np.int16], NDArray[np.uint8]]:
    """Elevation in whole metres and fuel type of the wide ground, north-west cell first.

    Both are given for the locality as `demo_ground` makes them.
    """
    rng = np.random.default_rng(20260120)
    own = _resampled(terrain, how=Resampling.average, missing=-9999.0)
    plain = _plain(rng)
    uphill = _step((Y - X) / np.sqrt(2.0), -16_000.0, 26_000.0)
    # Ridged: the valleys lie where the noise is 0, each with side valleys of the next finer noise.
    slow = np.abs(_rough(rng, longest_m=22_000.0, shortest_m=2_400.0, steepness=2.1))
    side = np.abs(_rough(rng, longest_m=5_000.0, shortest_m=1_000.0, steepness=1.9))
    fine = _rough(rng, longest_m=1_600.0, shortest_m=350.0, steepness=2.0)
    rise = 170.0 * np.tanh(1.3 * slow) + 120.0 * np.tanh(1.6 * slow) * np.tanh(side)
    hills = 370.0 + 430.0 * uphill + (0.6 + 0.6 * uphill) * rise + 7.0 * fine
    flat = 250.0 + 22.0 * np.tanh(slow) + 2.0 * fine
    z = _carried_outward(own, (1.0 - plain) * hills + plain * flat)
    z, reservoir = _filled(z, RESERVOIR, reach_m=3_500.0, depth_m=60.0)
    z, pond = _filled(z, POND, reach_m=1_600.0, depth_m=11.0)
    z = np.where(INSIDE, np.nan_to_num(own), z)
    return np.round(z).astype(np.int16), _fuel(rng, z, plain=plain, water=reservoir | pond, fuel=fuel)


def _fuel(
    rng: np.random.Generator, z: Grid, *, plain: Grid, water: NDArray[np.bool_], fuel: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """Forest on the hills, scrub on steep sunny ground, farmland along the valleys and over the plain, a town in it."""
    down_south, down_east = np.gradient(z, WIDE_CELL_M)
    slope = np.hypot(down_south, down_east)
    above = gaussian_filter(z - minimum_filter(z, 15), 1.0)
    patchy = _rough(rng, longest_m=4_500.0, shortest_m=500.0, steepness=1.4)
    other = _rough(rng, longest_m=2_200.0, shortest_m=300.0, steepness=1.0)
    out = np.full(z.shape, 1, dtype=np.uint8)
    north_west = (down_south - down_east) / np.maximum(slope, 1e-6) > 0.7
    out[(other > 1.0) & (slope > 0.12) & north_west] = 2
    low = gaussian_filter(z, 2.0) < 500.0 + 45.0 * patchy
    out[low & (slope < 0.15) & (above < 45.0 + 10.0 * other)] = 3
    out[low & (slope < 0.10) & (above < 30.0 + 8.0 * patchy)] = 4
    out[(slope < 0.07) & (patchy < -1.6)] = 3
    farmland = plain + 0.12 * patchy > 0.55
    out[farmland] = np.where(other > 0.35, 3, np.where(other < -1.5, 8, 4))[farmland]
    out[farmland & (patchy > 1.9)] = 1  # woods that were left standing
    # the planned burn across Tannery Ridge goes on for a while beyond the locality; two more lie in the west and south
    down, across = 0.594 * (X - 1300.0) - 0.804 * (Y - 9000.0), 0.804 * (X - 1300.0) + 0.594 * (Y - 9000.0)
    out[(np.abs(down - 2600.0) < 1150.0 + 130.0 * patchy) & (np.abs(across) < 3300.0 + 150.0 * patchy) & (out == 1)] = 9
    for place, reach_m in (((-17_000.0, 4_000.0), 2_300.0), ((2_000.0, -15_500.0), 1_700.0)):
        out[(_near(place) < reach_m + 450.0 * patchy) & (out == 1)] = 9
    town = _near(TOWN) < 1_700.0 + 350.0 * other
    out[binary_dilation(town, iterations=6) & ~town] = 4
    out[town] = 5
    out[water] = 7
    detailed = _resampled(fuel, how=Resampling.mode, missing=0.0)
    return np.where(INSIDE, np.nan_to_num(detailed), out).astype(np.uint8)
