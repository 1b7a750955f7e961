"""The layers of a drill's map: the place, and what has burnt as far as it is known.

The whole of the modelled ground is shown, whatever burns: a frame around the fire would give it away before it starts.
"""

import math
from typing import Final

import numpy as np

from leaveby.decision.drill.result import Drill, Pause, Round
from leaveby.notebook.live.ground import Layer, LiveSheet, Shape, hills, to_wgs84, window_around
from leaveby.notebook.live.layers import BURNT, name_marks, street_shapes, stretches, written
from leaveby.show.drill.words import EXERCISE_BANNER
from leaveby.show.ground import burnt_area
from leaveby.show.scene import drill_scene
from leaveby.show.wording import clock_words, map_notice

MOST_NAMES: Final = 18


def drill_sheet(drill: Drill) -> LiveSheet:
    """What the map shows in every round: streets with their names, the home and the safe points."""
    grid, roads, scene = drill.terrain.grid, stretches(drill.network), drill_scene(drill)
    corners = np.reshape(grid.bounds_m, (2, 2))
    named, least_m = np.flatnonzero(roads.named).tolist(), 0.1 * float(np.ptp(corners[:, 0]))
    return LiveSheet(
        title=EXERCISE_BANNER,
        picture=hills(grid, drill.terrain.elevation_m),
        layers=(
            Layer("Streets", street_shapes(roads, zip(roads.name, roads.kind, strict=True))),
            Layer("Street names", (), name_marks(roads, named, least_m=least_m, most=MOST_NAMES)),
            written(scene, ("safe_points", "home"), title="Home and safe points"),
        ),
        window_deg=window_around(corners, grid.crs),
        measures=drill.plan.measures,
        described="Map of the place: streets, your home and the safe points of the plan, and what is known to burn.",
        notice=map_notice(drill.network),
    )


def burnt_layer(drill: Drill, run: Round, moment: Pause) -> Layer:
    """What has burnt by a moment, as far as it is known then, and nothing of what comes later."""
    name = "Burnt by now"
    if not math.isfinite(moment.front_m):
        return Layer(name)
    grid = drill.terrain.grid
    area = to_wgs84(burnt_area(grid, run.arrival.time_s, by_s=moment.at_s), grid.crs)
    told = (f"Burnt by {clock_words(drill, moment.at_s, step_min=1)}",)
    return Layer(name, (Shape(area, told, BURNT, "area"),), meanings=((BURNT, "Burnt by now, exercise only"),))
