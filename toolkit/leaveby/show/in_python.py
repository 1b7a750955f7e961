"""An answer in Python: its map layers as tables to go on with, and what it says of itself in a notebook."""

from __future__ import annotations

import geopandas
from markupsafe import Markup

from leaveby.caution import OVERRIDE
from leaveby.decision.drill.result import Drill
from leaveby.decision.ways.result import HouseholdResult
from leaveby.show import wording
from leaveby.show.figure import TABLE_OPEN
from leaveby.show.scene import Scene, drill_scene, household_scene


def layers(answer: HouseholdResult | Drill | Scene) -> dict[str, geopandas.GeoDataFrame]:
    """The map layers of an answer as tables, to go on with in Python.

    Parameters
    ----------
    answer : HouseholdResult, Drill or Scene
        The scene of a street survey is `leaveby.show.streets.scene.streets_scene`.

    Returns
    -------
    dict of str to GeoDataFrame
        In the plan's projected system; a kind of which there is none is left out. `attrs` of each holds the override
        statement and the notices.
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
    rows = Markup("").join(
        Markup("<tr><th scope='row'>{}</th><td>{}</td></tr>").format(
            wording.WAY_TITLES.get(way.way, wording.clean(way.way)),
            " ".join(
                filter(
                    None,
                    (
                        wording.leave_by_line(result, way),
                        wording.counts_words(result, way),
                        wording.late_line(result, way),
                    ),
                )
            ),
        )
        for way in wording.shown_ways(result)
    )
    notice = wording.map_notice(result.network)
    return str(
        Markup("<div><p><strong>{}</strong></p><p><strong>{}</strong></p>{}{}</table><p>{}</p>{}</div>").format(
            OVERRIDE,
            wording.main_sentence(result),
            Markup(TABLE_OPEN),
            rows,
            wording.every_road_shut_words(result),
            Markup("<p>Map data {}.</p>").format(notice) if notice else "",
        )
    )
