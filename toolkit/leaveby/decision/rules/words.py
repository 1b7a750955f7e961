"""What a rule says, in words for people who never heard of members or quantiles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from leaveby.decision.ways.result import WAY_WORDS
from leaveby.household.plan import LIKE_THE_PLANS
from leaveby.regions import assumed
from leaveby.units import METRIC, Measures, given_words

if TYPE_CHECKING:
    from leaveby.decision.ways.result import HourShare, Rule

GOES: Final = {"tow": "the house goes", "car": "go by car", "foot": "go on foot"}
TIME_TO: Final = {"tow": "to tow the house away", "car": "to drive away", "foot": "to walk away"}

RULE_ASSUMPTIONS: Final = assumed("decision/rules/supposed", "rules")
"""What rules rest on, for the list of assumptions of a result."""


def rule_sentence(rule: Rule, *, radius_m: float, measures: Measures = METRIC) -> str:
    """Say a rule, and how many fires leave too little time for whoever waits for word of one."""
    on = f"On {rule.rating}" if rule.rating == LIKE_THE_PLANS else f"On a day rated {rule.rating}"
    fires = f"of 100 fires that start within {given_words(radius_m, measures)} on such a day"
    count, too_little = share_words(rule.share), f"too little time {TIME_TO[rule.way]}"
    if rule.verdict == "on word of fire":
        said = (
            f"{on}, {GOES[rule.way]} on word of fire inside the line. Even so, {fires}, {count} may leave {too_little}."
        )
    else:
        why = ", since the rating itself tells people to leave" if rule.told else ""
        said = (
            f"{on}, {GOES[rule.way]} the evening before{why}. Whoever waits for word of fire takes a chance: {fires}, "
            f"{count} may leave {too_little}."
        )
        if not rule.told:
            said += _other_hours(rule.hours)
    if rule.beyond:
        said += " The line runs off the ground that was looked at: there, fire at any distance counts as inside it."
    return said


def share_words(share: float) -> str:
    """Count a share among a hundred, rounded up; never none, for nothing computed is certain.

    Examples
    --------
    >>> [share_words(share) for share in (0.0, 0.001, 0.01, 0.34, 0.341, 1.0)]
    ['fewer than 1', '1', '1', '34', '35', 'all']
    """
    count = int(np.ceil(100.0 * share - 1e-6))
    return {0: "fewer than 1", 100: "all"}.get(count, str(count))


def _other_hours(hours: tuple[HourShare, ...]) -> str:
    """Name the hours whose fires more often leave enough time, if there are any."""
    spans = [
        f"{share_words(one.share)} from {one.from_hour % 24}:00 to {one.until_hour % 24}:00"
        for one in hours
        if one.verdict == "on word of fire"
    ]
    if not spans:
        return ""
    return f" At some hours it is fewer ({', '.join(spans)}), but nobody knows the evening before when a fire starts."


def way_out_sentence(safe_points: tuple[str, ...], way: str) -> str:
    """Say which safe point leaves most time for fire in an area."""
    here = f"Fire here: {WAY_WORDS[way]}"
    if len(safe_points) == 1:
        return f"{here}, the way to {safe_points[0]} leaves most time."
    named = f"{', '.join(safe_points[:-1])} and {safe_points[-1]}"
    return f"{here}, the ways to {named} leave the same time within a minute."
