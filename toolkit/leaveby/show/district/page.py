"""The page of a district for a meeting: `district.html`, with the map, one street a line, and what would help."""

from __future__ import annotations

from datetime import datetime
from functools import partial

from markupsafe import Markup

from leaveby.decision.district.result import DistrictSurvey
from leaveby.decision.rules.words import share_words
from leaveby.show.district import words
from leaveby.show.district.map import GOES, MARKED, district_map
from leaveby.show.symbols import SYMBOLS
from leaveby.show.templates import made_with, page_text
from leaveby.show.wording import map_notice

MOST_HOMES = 60
"""Homes that stand on the page by name; all of them are in the other files."""


def district_page(survey: DistrictSurvey, *, made_at: datetime) -> str:
    """Lay out a district's answer as a page."""
    asked = survey.question
    return page_text(
        "show/district/district.html.j2",
        made_at=made_at,
        survey=survey,
        asked=asked,
        measures=survey.measures,
        said=words.district_sentences(survey),
        map=Markup(district_map(survey)),
        notice=map_notice(survey),
        symbols=[SYMBOLS[kind] for kind in reversed(GOES)],
        last=asked.ratings[-1].name,
        ends=sorted({0, len(asked.ratings) - 1}),
        rolling=words.rolling_words,
        queued=words.QUEUED[asked.setting_out.how],
        gain_told=words.gain_told,
        share=share_words,
        starts=partial(words.from_words, survey),
        gains=words.best_exits,
        link=partial(words.link_words, survey, measures=survey.measures),
        marked=survey.cut_off[:MARKED],
        shown=survey.homes[:MOST_HOMES],
        made_with=made_with(asked.inputs, f"{asked.count} fires"),
    )
