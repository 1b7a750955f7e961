"""An invented town of any size, as an extract: blocks of streets, closes that are trees with one way out, and houses.

It lies in a valley: two thirds of the town have one road to the rest, and half of these again.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import osmium

BLOCK = 15
"""Junctions along the side of a quarter: every third quarter is a grid of blocks, the others are closes."""
APART_DEG = 0.001


def write_town(path: Path, *, side: int, homes: int, seed: int = 20261128) -> None:
    """Write side x side junctions and houses along their streets; main roads lead out in the south.

    Everything is invented, and drawn from the seed.
    """
    rng = np.random.default_rng(seed)
    first_lon, first_lat, rim = 147.0, -36.0, 0.4 * APART_DEG
    last_lon, last_lat = first_lon + (side - 1) * APART_DEG, first_lat + (side - 1) * APART_DEG
    rows, columns = np.divmod(np.arange(side * side), side)
    lon, lat = first_lon + columns * APART_DEG, first_lat + rows * APART_DEG
    lon = lon + rng.uniform(-0.1, 0.1, lon.size) * APART_DEG
    lat = lat + rng.uniform(-0.1, 0.1, lat.size) * APART_DEG
    pairs, kinds = _streets(side, rng)
    header = osmium.io.Header()
    header.add_box(osmium.osm.Box(first_lon - rim, first_lat - rim, last_lon + rim, last_lat + rim))
    with osmium.SimpleWriter(str(path), overwrite=True, header=header) as out:
        number = 1
        for x, y in zip(lon.tolist(), lat.tolist(), strict=True):
            out.add_node(osmium.osm.mutable.Node(id=number, location=(x, y)))
            number += 1
        beyond = []  # every main road goes on over the edge of the map
        for at in range(BLOCK // 2, side, BLOCK):
            out.add_node(osmium.osm.mutable.Node(id=number, location=(float(lon[at]), first_lat - 2.0 * APART_DEG)))
            beyond.append((at + 1, number))
            number += 1
        chosen = rng.integers(0, len(pairs), homes)
        along, away = rng.uniform(0.2, 0.8, homes), rng.choice([-0.2, 0.2], homes) * APART_DEG
        a, b = pairs[chosen, 0], pairs[chosen, 1]
        across = np.abs(lon[a] - lon[b]) < np.abs(lat[a] - lat[b])
        x = lon[a] + along * (lon[b] - lon[a]) + np.where(across, away, 0.0)
        y = lat[a] + along * (lat[b] - lat[a]) + np.where(across, 0.0, away)
        corner, half = number, 0.00005
        for mid_x, mid_y in zip(x.tolist(), y.tolist(), strict=True):
            for dx, dy in ((-half, -half), (half, -half), (half, half), (-half, half)):
                out.add_node(osmium.osm.mutable.Node(id=number, location=(mid_x + dx, mid_y + dy)))
                number += 1
        way = 1
        for (tail, head), kind in zip(pairs.tolist(), kinds, strict=True):
            name = f"Row {tail // side} Road" if abs(head - tail) == 1 else f"Line {tail % side} Lane"
            tags = {"highway": kind, "name": name}
            out.add_way(osmium.osm.mutable.Way(id=way, nodes=[tail + 1, head + 1], tags=tags))
            way += 1
        for ends in beyond:
            tags = {"highway": "secondary", "name": "Far Road"}
            out.add_way(osmium.osm.mutable.Way(id=way, nodes=list(ends), tags=tags))
            way += 1
        for house in range(homes):
            ring = [corner + 4 * house + k for k in (0, 1, 2, 3, 0)]
            out.add_way(osmium.osm.mutable.Way(id=way, nodes=ring, tags={"building": "house"}))
            way += 1


def _streets(side: int, rng: np.random.Generator) -> tuple[np.ndarray, list[str]]:
    """Which junctions are joined, and by what kind of street."""
    at = np.arange(side * side).reshape(side, side)
    pairs = np.concatenate(
        [np.column_stack([at[:, :-1].ravel(), at[:, 1:].ravel()]), np.column_stack([at[:-1].ravel(), at[1:].ravel()])]
    )
    row, column = np.divmod(pairs, side)
    narrows = (row[:, 0] != row[:, 1]) & np.isin(row[:, 1], (side // 3, 2 * side // 3))
    open_here = ~narrows | (column[:, 0] == BLOCK // 2 + BLOCK)
    pairs, row, column = pairs[open_here], row[open_here], column[open_here]
    main = ((row == row[:, :1]).all(axis=1) & (row[:, 0] % BLOCK == BLOCK // 2)) | (
        (column == column[:, :1]).all(axis=1) & (column[:, 0] % BLOCK == BLOCK // 2)
    )
    quarter = (row // BLOCK) + (column // BLOCK)
    blocks = (quarter % 3 == 0).all(axis=1)
    # the rest is a forest that hangs on the main roads and on the blocks: streets in a drawn order, none that closes
    kept = main | blocks
    group = np.arange(side * side)

    def root(node: int) -> int:
        while group[node] != node:
            group[node] = group[group[node]]
            node = int(group[node])
        return node

    for tail, head in pairs[kept].tolist():
        group[root(tail)] = root(head)
    for k in rng.permutation(np.flatnonzero(~kept)).tolist():
        tail, head = root(int(pairs[k, 0])), root(int(pairs[k, 1]))
        if tail != head:
            group[tail] = head
            kept[k] = True
    kinds = np.where(main, "secondary", "residential")
    return pairs[kept], kinds[kept].tolist()
