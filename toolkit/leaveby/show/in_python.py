"""An answer in Python: its map layers as tables to go on with, and what it says of itself in a notebook."""

from __future__ import annotations

from typing import Final

import geopandas
from markupsafe import Markup

from leaveby.caution import OVERRIDE
from leaveby.decision.drill.result import Drill
from leaveby.decision.ways.result import HouseholdResult
from leaveby.show.figure import TABLE_OPEN
from leaveby.show.scene import Scene, drill_scene, household_scene
from leaveby.show.templates import filled

STAND_HERE: Final = "document.querySelector('.leaveby-answer, .leaveby-place')?.scrollIntoView();"
"""Running all cells leaves one at the last; this script brings one back to the answer, or to what the check says."""


def layers(answer: HouseholdResult | Drill | Scene) -> dict[str, geopandas.GeoDataFrame]:
    """The map layers of an answer as tables in the plan's projected system, to go on with in Python.

    The scene of a street survey is `leaveby.show.streets.scene.streets_scene`. A kind of which there is none is left
    out; `attrs` of each table holds the override statement and the notices.
    """
    if isinstance(answer, Scene):
        scene = answer
    else:
        scene = drill_scene(answer) if isinstance(answer, Drill) else household_scene(answer)
    tables = {name: layer.things.copy() for name, layer in scene.layers.items() if len(layer.things)}
    for table in tables.values():
        table.attrs.update(scene.notices)
    return tables


def html_of(result: HouseholdResult) -> str:
    """Say an answer in a few lines of HTML, for a notebook that shows it where it stands.

    The override statement comes first and stays with the times; names are shown as text, never as markup.
    """
    return filled("show/answer.html.j2", result=result, override=OVERRIDE, table_open=Markup(TABLE_OPEN))
