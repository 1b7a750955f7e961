"""A notebook panel over `streets`: choose how many homes there have to be, and see who has one way out."""

from __future__ import annotations

import math
from typing import Any, Final

from markupsafe import Markup

from leaveby.caution import OSM_NOTICE
from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.notebook.widgets import boxed, import_widgets, override_banner
from leaveby.show.figure import TABLE_OPEN
from leaveby.show.streets.map import CLASSES, LINK_COLOUR, map_title, streets_map
from leaveby.show.streets.page import clearance_words, homes_words, survey_sentences
from leaveby.show.wording import clean

MOST_ROWS: Final = 25
"""Groups in the table, and numbers on the map; more would lie over each other."""

_MAP_PX: Final = 900


def groups_from(answer: StreetSurvey, least_homes: float) -> tuple[StreetGroup, ...]:
    """Groups worth a row of their own with at least so many homes, in the order of the answer: most homes first.

    Groups that hold nearly the same homes as the one they lie in are left out, as on the page `streets.html`.
    """
    return tuple(group for group in answer.notable if group.homes >= least_homes)


def street_table(answer: StreetSurvey, least_homes: float) -> str:
    """Make the table of groups with at least so many homes.

    Parameters
    ----------
    answer : StreetSurvey
    least_homes : float

    Returns
    -------
    str
        An HTML table, or a sentence where there is none.
    """
    groups = groups_from(answer, least_homes)
    if not groups:
        return str(
            Markup(
                "<p>No group of {} or more homes was found behind one street or junction. That says nothing about how "
                "long any street stays open.</p>"
            ).format(f"{least_homes:g}")
        )
    head = Markup(
        TABLE_OPEN
        + '<thead><tr><th scope="col">No.</th><th scope="col">Everyone must pass</th><th scope="col">Homes</th>'
        '<th scope="col">Vehicles</th><th scope="col">Last vehicle out after</th><th scope="col">Lies in No.</th></tr>'
        "</thead><tbody>"
    )
    rows = Markup("").join(
        Markup('<tr><th scope="row">{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>').format(
            group.number,
            clean(group.name, 80) + (", a junction" if group.kind == "junction" else ""),
            homes_words(group),
            math.ceil(group.vehicles),
            clearance_words(group),
            "" if group.inside is None else group.inside,
        )
        for group in groups[:MOST_ROWS]
    )
    more = len(groups) - MOST_ROWS
    rest = Markup("<p>And {} more with fewer homes.</p>").format(more) if more > 0 else Markup("")
    note = Markup(
        "<p>Last vehicle out: from being told to leave, when people get going quickly and when slowly. A street may "
        "shut long before.</p>"
    )
    return str(head + rows + Markup("</tbody></table>") + rest + note)


def map_key(answer: StreetSurvey) -> str:
    """Say what the lines of the map mean.

    Returns
    -------
    str
        HTML.
    """
    said = []
    for at, (least, colour, width) in enumerate(CLASSES):
        words = (
            f"{max(least, 1.0):g} homes or more behind"
            if at == 0
            else f"{max(least, 1.0):g} to {CLASSES[at - 1][0] - 1:g}"
        )
        said.append(_key_item(words, f"{width:g}px solid {colour}"))
    if answer.links:
        said.append(_key_item("a link that would help (L1 the most)", f"3px dashed {LINK_COLOUR}"))
    said.append(Markup('<span style="white-space: nowrap">&#9650; an exit</span>'))
    notice = Markup("<br>Map data {}.").format(OSM_NOTICE) if answer.from_osm else ""
    return str(Markup('<p style="line-height: 1.9">{}{}</p>').format(Markup(" &nbsp; ").join(said), notice))


def _key_item(words: str, line: str) -> Markup:
    return Markup(
        '<span style="white-space: nowrap"><span style="display: inline-block; width: 2.2em; vertical-align: middle; '
        'border-top: {}"></span> {}</span>'
    ).format(line, words)


def street_panel(answer: StreetSurvey, *, least_homes: int = 5) -> Any:
    """Make a panel that shows the streets with one way out, from a number of homes on.

    The survey is not computed anew.

    Parameters
    ----------
    answer : StreetSurvey
    least_homes : int
        To begin with.

    Returns
    -------
    ipywidgets.VBox
        Shown by a notebook as it is.

    Raises
    ------
    InputError
        If `ipywidgets` is not installed.
    """
    widgets = import_widgets()
    most = max((math.floor(group.homes) for group in answer.notable), default=1)
    least = widgets.IntSlider(
        value=min(max(least_homes, 1), most),
        min=1,
        max=max(most, 2),
        description="Homes behind it, at least",
        continuous_update=False,
        style={"description_width": "16em"},
        layout=widgets.Layout(width="34em"),
    )
    said, picture, table = (widgets.HTML() for _ in range(3))

    def redraw(_change: object = None) -> None:
        shown = groups_from(answer, float(least.value))
        numbers = [group.number for group in shown[:MOST_ROWS]]
        picture.value = boxed(streets_map(answer, labelled=numbers), map_title(answer), width_px=_MAP_PX) + map_key(
            answer
        )
        table.value = street_table(answer, float(least.value))

    said.value = str(Markup("").join(Markup("<p>{}</p>").format(line) for line in survey_sentences(answer)))
    least.observe(redraw, names="value")
    redraw()
    banner = widgets.HTML(override_banner().text)
    return widgets.VBox([banner, said, least, picture, table])
