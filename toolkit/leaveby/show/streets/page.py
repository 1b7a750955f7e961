"""The page of the community question: `streets.html`, one file with a map and a table that sorts, for screen and paper.

It is read without its script as well, which only sorts the table; nothing is fetched.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final

from markupsafe import Markup

from leaveby.caution import OSM_NOTICE
from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.parameters import FEW_HOMES_PER_KM
from leaveby.roads.exits.links import Link
from leaveby.show.streets.map import streets_map
from leaveby.show.templates import page_text, sentences
from leaveby.show.wording import clean, distance_words, duration_words

ROWS_SHOWN: Final = 60
"""Groups in the page's table; the others stand in the files beside it."""


def streets_page(answer: StreetSurvey, *, made_at: datetime) -> str:
    """Lay out an answer as a page."""
    shown = answer.notable[:ROWS_SHOWN]
    return page_text(
        "show/streets/streets.html.j2",
        made_at=made_at,
        answer=answer,
        notice=OSM_NOTICE if answer.from_osm else "",
        sentences=survey_sentences(answer),
        map=Markup(streets_map(answer, labelled=[group.number for group in shown[:25]])),
        shown=shown,
        rows_shown=ROWS_SHOWN,
        fuel_known=math.isfinite(max(answer.facts.fuel_t_ha.tolist(), default=-math.inf)),
        homes_words=homes_words,
        clearance_words=clearance_words,
        timed=[group for group in shown if group.clearance and math.isfinite(group.shuts_s)],
        link_words=_link_words,
        after=answer.after_best,
        names_of=lambda found: [answer.streets.name[item.street] for item in found],
        made_with=f"leaveby {clean(answer.inputs.get('leaveby', ''), 30)}".strip(),
    )


def survey_sentences(answer: StreetSurvey) -> list[str]:
    """Say in a few sentences how many homes have one way out, where most hang on it, and which link would help most."""
    return sentences(
        "show/streets/sentences.txt.j2",
        answer=answer,
        largest=max(answer.notable, key=lambda group: group.homes, default=None),
        few_per_km=FEW_HOMES_PER_KM.value,
        link_words=_link_words,
    )


def homes_words(group: StreetGroup) -> str:
    """How many homes hang on it: for certain, and at most where that depends on the edge of the map."""
    return f"{group.homes:g}" if group.certain == group.homes else f"{group.certain:g} to {group.homes:g}"


def clearance_words(group: StreetGroup) -> str:
    """From being told to leave to the last vehicle out, when people get going quickly and when slowly."""
    if not group.clearance:
        return "not computed"
    quick, slow = duration_words(group.clearance[0].last_out_s), duration_words(group.clearance[-1].last_out_s)
    return quick if len(group.clearance) == 1 else f"{quick} to {slow}"


def _link_words(link: Link) -> str:
    if link.kind == "open":
        why = ", ".join(clean(reason, 40) for reason in link.reasons)
        return f"{distance_words(link.open_m)} of way that is on the map ({why})"
    return f"{distance_words(link.build_m)} of street"
