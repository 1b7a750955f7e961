"""A notebook panel over a survey of streets: choose how many homes there have to be, and see who has one way out."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from leaveby.ask.streets import read_raster
from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.notebook.live.map import open_map
from leaveby.notebook.live.roads import group_layer, survey_sheet
from leaveby.notebook.widgets import answering, control, import_lab, laid_out, listed, panel
from leaveby.show.streets.map import MOST_LABELS
from leaveby.show.streets.page import clearance_words, homes_words, survey_sentences
from leaveby.show.streets.scene import called


def groups_from(answer: StreetSurvey, least_homes: float) -> tuple[StreetGroup, ...]:
    """Groups worth a row of their own with at least so many homes, in the order of the answer: most homes first.

    Groups that hold nearly the same homes as the one they lie in are left out, as on the page `streets.html`.
    """
    return tuple(group for group in answer.notable if group.homes >= least_homes)


def street_table(answer: StreetSurvey, least_homes: float) -> str:
    """Make the table of groups with at least so many homes, or a sentence where there is none (HTML)."""
    return laid_out(
        "notebook/streets.html.j2",
        groups=groups_from(answer, least_homes),
        least_homes=least_homes,
        most=MOST_LABELS,
        called=called,
        homes_words=homes_words,
        clearance_words=clearance_words,
    )


def street_panel(answer: StreetSurvey, *, least_homes: int = 5, terrain: str | Path | None = None) -> Any:
    """Make a panel that shows the streets with one way out, from a number of homes on, over the hills of a raster.

    The survey is not computed anew. A terrain that can't be read is an InputError.
    """
    most = max((math.floor(group.homes) for group in answer.notable), default=1)
    least = control(
        "IntSlider", "Homes behind it, at least", value=min(max(least_homes, 1), most), min=1, max=max(most, 2)
    )
    said, rows = (import_lab().HTML() for _ in range(2))
    drawn = open_map()
    heights = None if terrain is None else read_raster(terrain, crs=answer.streets.crs, what="terrain")
    sheet = survey_sheet(answer, heights=heights)
    said.value = listed(survey_sentences(answer)).text

    def redraw() -> None:
        groups = groups_from(answer, float(least.value))
        drawn.show(replace(sheet, layers=(*sheet.layers[:-1], group_layer(answer, groups))))
        rows.value = street_table(answer, float(least.value))

    redraw()
    return answering(panel(said, least, drawn.box, rows), (least,), redraw)
