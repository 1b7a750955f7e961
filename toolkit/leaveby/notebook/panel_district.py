"""A notebook panel over a district's fires: choose rating, wind and need; see homes, streets and what would help."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from leaveby.decision.district.result import DistrictSurvey
from leaveby.decision.district.summary import LEAST_FIRES, look
from leaveby.decision.rules.words import share_words
from leaveby.notebook.widgets import Html, answering, control, import_lab, listed, panel, scrolling, table
from leaveby.roads.routing.itinerary import compass_words
from leaveby.show.district.map import district_map
from leaveby.show.district.words import QUEUED, best_exits, district_sentences, gain_told, help_words, rolling_words

ANY_WIND: Final = "from anywhere"
LONGEST_MIN: Final = 240
MOST_STREETS: Final = 25
_QUARTERS: Final = 4


def told_of(survey: DistrictSurvey, *, rating: int, need_min: float, wind_from: int | None) -> str:
    """Lay out what the fires of one rating and wind leave a household with one need (HTML)."""
    found = look(survey, rating=rating, need_s=60.0 * need_min, wind_from=wind_from)
    if found is None:
        return (
            f"<p>Fewer than {LEAST_FIRES} fires were computed for that wind: too few to tell a share. Ask for more of "
            "each rating in the district file.</p>"
        )
    streets = found.streets[:MOST_STREETS]
    rows = (
        (one.name, f"{one.homes:g}", rolling_words(one.ratings[0].latest_s), share_words(one.ratings[0].share))
        for one in streets
    )
    # each street has a best second exit of its own, so the head of that column names none
    kinds = [
        "second exit" if gain.what == "second exit" else help_words(found, gain, found.measures)
        for gain in best_exits(streets[0])
    ]
    helps = ((one.name, *map(gain_told, best_exits(one))) for one in streets)
    picture = scrolling("Map of the district", f'<div style="min-width: 640px">{district_map(found)}</div>')
    return (
        listed(district_sentences(found)).text
        + picture
        + "<p>Homes in dark red go the evening before such a day, white ones on word of fire.</p>"
        + table(("Street", "Homes", "Roll by", "Of 100 fires, so many leave too little time"), rows)
        + "<p>What would give more time, on the same fires:</p>"
        + table(("Street", *(f"{one[0].upper()}{one[1:]}" for one in kinds)), helps)
    )


def district_panel(survey: DistrictSurvey) -> Any:
    """Make a panel over a district's fires. No fire is solved anew."""
    asked = survey.question
    rating = control(
        "Dropdown",
        "Rating of the day",
        options=[(one.name, number) for number, one in enumerate(asked.ratings)],
        value=len(asked.ratings) - 1,
    )
    directions = [(compass_words(90.0 * at), at) for at in range(_QUARTERS)]
    wind = control(
        "Dropdown", "Wind", options=[(ANY_WIND, -1), *((f"from the {name}", at) for name, at in directions)], value=-1
    )
    usual_min = float(np.median(asked.need.learns_s) + np.median(asked.need.ready_s)) / 60.0
    need = control(
        "IntSlider",
        "Minutes until you roll",
        value=min(math.ceil(usual_min), LONGEST_MIN),
        min=0,
        max=LONGEST_MIN,
    )
    said = import_lab().HTML()

    def redraw() -> None:
        # a list shows a value of None as nothing chosen
        blows = None if wind.value < 0 else wind.value
        said.value = told_of(survey, rating=rating.value, need_min=float(need.value), wind_from=blows)

    redraw()
    return answering(panel(rating, wind, need, said), (rating, wind, need), redraw)


def homes_first(survey: DistrictSurvey, most: int = 20) -> Html:
    """List the homes that go first, under the highest rating."""
    rows = (
        (
            number,
            one.identity,
            one.street,
            rolling_words(one.ratings[-1].alone_s),
            rolling_words(one.ratings[-1].latest_s),
            share_words(one.ratings[-1].share),
        )
        for number, one in enumerate(survey.homes[:most], start=1)
    )
    queued = QUEUED[survey.question.setting_out.how].capitalize()
    return Html(table(("", "Home", "Street", "Roll by, alone", queued, "Of 100 fires"), rows))
