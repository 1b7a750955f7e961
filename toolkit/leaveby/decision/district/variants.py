"""A district's roads as they are and as a second exit would make them, each with what shuts its stretches."""

from __future__ import annotations

import numpy as np

from leaveby.decision.district.fires import Variant
from leaveby.decision.district.queues import Queues, SettingOut, queues_of
from leaveby.decision.district.roads import (
    DistrictRoads,
    changed_stretches,
    check_exits,
    free_drive_s,
    home_graph,
    joined,
    some_homes,
    stretch_lines,
)
from leaveby.decision.fires.closing import lines_inside, stretch_cells
from leaveby.fire.terrain import Grid
from leaveby.roads.exits.groups import single_exits
from leaveby.roads.exits.link_candidates import Elevation, links_to_build, links_to_open
from leaveby.roads.exits.links import Link
from leaveby.roads.exits.relief import rank_links


def made_ready(
    roads: DistrictRoads, grid: Grid, *, standoff_m: float
) -> tuple[DistrictRoads, Variant, tuple[str, ...]]:
    """Index the roads and what shuts them, without the homes that have no way out; and the names of those.

    Queues are left at nothing. Raises InputError where no home stands on a street, or a safe point is reached by none.
    """
    cells = stretch_cells(grid, stretch_lines(roads), standoff_m=standoff_m)
    homes = home_graph(roads, inside=cells.inside)
    check_exits(roads, homes)
    out = np.isfinite(free_drive_s(homes))
    lost = tuple(roads.homes.identity[row] for row in np.flatnonzero(~out))
    if lost:
        roads = some_homes(roads, np.flatnonzero(out))
        cells = stretch_cells(grid, stretch_lines(roads), standoff_m=standoff_m)
        homes = home_graph(roads, inside=cells.inside)
    return roads, Variant("as it is", homes, cells, None, Queues(np.zeros(homes.home_count))), lost


def second_exits(roads: DistrictRoads, *, most: int, elevation: Elevation | None) -> tuple[Link, ...]:
    """Find the links that relieve most homes, as the community question ranks them; none where 0 are asked for."""
    if most == 0:
        return ()
    exits, homes, streets = roads.exit_nodes, roads.homes, roads.streets
    found = single_exits(streets, homes, exits=exits, compare=False)
    candidates = links_to_open(streets, found, homes=homes)
    candidates += links_to_build(streets, found, homes=homes, elevation=elevation)
    return rank_links(streets, homes, exits=exits, candidates=candidates, most=most)[0]


def link_variant(
    roads: DistrictRoads,
    link: Link,
    *,
    grid: Grid,
    standoff_m: float,
    vehicles_per_home: float,
    setting_out: SettingOut,
) -> Variant:
    """Give the roads with a link; only stretches that are new are held against the ground anew."""
    after = joined(roads, link)
    same, rows = changed_stretches(roads, after)
    cells = stretch_cells(grid, stretch_lines(after, rows), standoff_m=standoff_m)
    take = same.copy()
    take[rows] = roads.streets.street_count + 3 * len(roads.homes.identity) + np.arange(rows.size)
    kept = np.flatnonzero(same >= 0)
    inside = np.empty(take.size, dtype=np.bool_)
    inside[kept] = lines_inside(grid, np.asarray(stretch_lines(after, kept), dtype=object))
    inside[rows] = cells.inside
    homes = home_graph(after, inside=inside)
    queues = queues_of(after, free_drive_s(homes), vehicles_per_home=vehicles_per_home, setting_out=setting_out)
    return Variant("with a link", homes, cells, take, queues)
