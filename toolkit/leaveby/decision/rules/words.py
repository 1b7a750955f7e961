"""What a rule says, in words for people who never heard of members or quantiles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from leaveby.decision.ways.result import WAY_WORDS
from leaveby.household.plan import LIKE_THE_PLANS
from leaveby.regions import assumed
from leaveby.units import METRIC, Measures, given_words

if TYPE_CHECKING:
    from leaveby.decision.ways.result import HourShare, Rule, Verdict
    from leaveby.household.plan_tables import Way

GOES: Final = {"tow": "the house goes", "car": "go by car", "foot": "go on foot"}
TIME_TO: Final = {"tow": "to tow the house away", "car": "to drive away", "foot": "to walk away"}

RULE_ASSUMPTIONS: Final = assumed("decision/rules/supposed", "rules")
"""What rules rest on, for the list of assumptions of a result."""


def verdict_of(share: float, *, told: bool, allowed: float) -> Verdict:
    """Give the rule for days of a rating: by the share of fires that leave too little time, or as the rating tells.

    >>> verdict_of(0.06, told=False, allowed=0.05), verdict_of(0.05, told=False, allowed=0.05)
    ('evening before', 'on word of fire')
    """
    return "evening before" if told or share > allowed else "on word of fire"


def rule_sentence(rule: Rule, *, radius_m: float, measures: Measures = METRIC) -> str:
    """Say a rule, and how many fires leave too little time for whoever waits for word of one."""
    inside = "on word of fire inside the line" if rule.verdict == "on word of fire" else ""
    within = f"within {given_words(radius_m, measures)}"
    hours = "" if rule.told else _other_hours(rule.hours)
    said = verdict_sentence(rule.rating, rule.way, share=rule.share, told=rule.told, where=within, inside=inside)
    said += hours if rule.verdict == "evening before" else ""
    if rule.beyond:
        said += " The line runs off the ground that was looked at: there, fire at any distance counts as inside it."
    return said


def verdict_sentence(rating: str, way: Way, *, share: float, told: bool, where: str, inside: str = "") -> str:
    """Say the rule for days of a rating: to go `inside` (on word of fire, and which), or else the evening before."""
    on = f"On {rating}" if rating == LIKE_THE_PLANS else f"On a day rated {rating}"
    fires = f"of 100 fires that start {where} on such a day"
    count, too_little = share_words(share), f"too little time {TIME_TO[way]}"
    if inside:
        return f"{on}, {GOES[way]} {inside}. Even so, {fires}, {count} may leave {too_little}."
    why = ", since the rating itself tells people to leave" if told else ""
    return (
        f"{on}, {GOES[way]} the evening before{why}. Whoever waits for word of fire takes a chance: {fires}, "
        f"{count} may leave {too_little}."
    )


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
