"""What a district's pages, record and notebook say alike: when to roll, what a measure gives, who goes first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from leaveby.decision.district.result import AtRating, DistrictSurvey, Gain, StreetTimes, not_counted
from leaveby.decision.rules.words import share_words
from leaveby.household.plan_tables import SetOut
from leaveby.show.templates import sentences
from leaveby.show.wording import clean
from leaveby.units import Measures, rounded_words

QUEUED: Final[dict[SetOut, str]] = {
    "at once": "with everyone in the queue",
    "over time": "behind those who set out over time",
    "gone before": "with the neighbours gone before",
}
"""How the times with queues are meant, by how people set out."""
NO_LIMIT: Final = "no limit found"
"""Where in the asked share of fires nothing shuts the way within the hours looked at."""


def rolling_words(latest_s: float) -> str:
    """By when to roll, from the start of a fire; rounded down.

    >>> rolling_words(125.0), rolling_words(30.0), rolling_words(-5.0), rolling_words(math.inf)
    ('2 min after', 'at once', 'before it starts', 'no limit found')
    """
    if math.isinf(latest_s):
        return NO_LIMIT if latest_s > 0.0 else "before it starts"
    minutes = math.floor(latest_s / 60.0)
    return f"{minutes} min after" if minutes > 0 else "at once" if minutes == 0 else "before it starts"


def gain_words(gain_s: float) -> str:
    """What a measure gives, rounded down.

    >>> gain_words(125.0), gain_words(59.0), gain_words(-10.0), gain_words(math.inf)
    ('2 min', 'nothing', 'nothing', 'no limit found then')
    """
    if gain_s == math.inf:
        return f"{NO_LIMIT} then"
    minutes = math.floor(gain_s / 60.0 + 1e-6)
    return f"{minutes} min" if minutes >= 1 else "nothing"


def gain_told(gain: Gain) -> str:
    """What a measure gives under the highest rating; of second exits with the mark of the one that is meant."""
    gain_s = gain.gain_s[-1]
    return gain_words(gain_s) + (f" (L{gain.number + 1})" if gain.what == "second exit" and gain_s >= 60.0 else "")


def from_words(survey: DistrictSurvey, ratings: Sequence[AtRating]) -> str:
    """From which rating on the rule is the evening before."""
    asked = survey.question.ratings
    told = next((one.name for one, at in zip(asked, ratings, strict=True) if at.verdict == "evening before"), None)
    return "never: on word of fire" if told is None else f"from {told} on" if told != asked[-1].name else f"{told} only"


def goes_symbol(ratings: Sequence[AtRating]) -> str:
    """The sign of a home by the ratings under which it goes the evening before."""
    told = [one.verdict == "evening before" for one in ratings]
    if all(told):
        return "goes_always"
    return "goes_on_word" if not any(told) else "goes_last" if told.index(True) == len(told) - 1 else "goes_often"


def best_exits(street: StreetTimes) -> list[Gain]:
    """The gains of a street, one for each kind of measure: the best second exit under the highest rating first."""
    exits = [one for one in street.gains if one.what == "second exit"]
    best = max(exits, key=lambda one: one.gain_s[-1], default=None)
    return ([best] if best is not None else []) + [one for one in street.gains if one.what != "second exit"]


def link_words(survey: DistrictSurvey, number: int, measures: Measures) -> str:
    """Say which second exit has a number."""
    link = survey.question.help.links[number]
    streets = survey.question.roads.streets
    ends = [clean(streets.name[street], 40) for street, _ in link.ends] or [
        clean(streets.name[street], 40) for street in link.streets
    ]
    named = " and ".join(dict.fromkeys(name for name in ends if name))
    what = f"build about {rounded_words(link.build_m, measures)} of street"
    if link.kind == "open":
        what = f"open about {rounded_words(link.open_m, measures)} of way that is on the map"
    return f"{what}{f' at {named}' if named else ''}"


def district_sentences(survey: DistrictSurvey) -> list[str]:
    """Say in a few sentences who has least time, what would help there, and where most people are cut off."""
    last = survey.question.ratings[-1].name
    return sentences(
        "show/district/sentences.txt.j2",
        survey=survey,
        last=last,
        first=survey.streets[0],
        early=sum(one.dwellings for one in survey.homes if one.ratings[-1].verdict == "evening before"),
        early_by_share=sum(
            one.dwellings for one in survey.homes if one.ratings[-1].share > survey.question.allowed_share
        ),
        homes=sum(one.dwellings for one in survey.homes),
        rolling=rolling_words,
        no_limit=NO_LIMIT,
        not_counted=not_counted(survey.question.left_out, len(survey.question.no_way_out)),
        share=share_words,
        gain=gain_words,
        helps=[one for one in best_exits(survey.streets[0]) if one.gain_s[-1] >= 60.0],
        help_words=lambda one: help_words(survey, one, survey.measures),
    )


def help_words(survey: DistrictSurvey, gain: Gain, measures: Measures) -> str:
    """Name a measure, and how much of it."""
    asked = survey.question.help
    return {
        "second exit": f"second exit {gain.number + 1} ({link_words(survey, gain.number, measures)})"
        if gain.what == "second exit"
        else "",
        "cleared verge": f"verges cleared so that fire may come {rounded_words(asked.verge_m, measures)} nearer",
        "earlier siren": f"a siren {asked.siren_s / 60.0:g} min earlier",
        "bus": f"a bus for {100.0 * asked.bus_share:g} of 100 homes",
    }[gain.what]
