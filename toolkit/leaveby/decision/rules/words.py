"""What a rule says, in words for people who never heard of members or quantiles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from leaveby.decision.ways.result import WAY_WORDS

if TYPE_CHECKING:
    from leaveby.decision.ways.result import HourShare, Rule

GOES: Final = {"tow": "the house goes", "car": "go by car", "foot": "go on foot"}
TIME_TO: Final = {"tow": "to tow the house away", "car": "to drive away", "foot": "to walk away"}

RULE_ASSUMPTIONS: Final = (
    "The rules take fire to be as likely to start anywhere on burnable ground within the radius, or by the plan's own "
    "map of starts, and at any hour; one fire at a time.",
    "Lines hold for wind from anywhere that may turn as it likes; how many fires leave too little time is counted for "
    "wind from 16 directions, and where the day's wind changes, before and after the change.",
    "The weather of an hour is the worst of that hour, of those up to the next one asked for, and of the time that "
    "the household then needs, as if it held throughout.",
    "Embers that start fires ahead of the front are not followed in the rules: fire can come sooner than they say.",
    "A higher rating's rule is never weaker than a lower one's, nor than what the rating itself tells people to do.",
    "Which safe point leaves most time is worked out for one fire, whatever its wind; another can turn that round.",
)
"""What rules rest on, for the list of assumptions of a result."""


def rule_sentence(rule: Rule, *, radius_m: float) -> str:
    """Say a rule in one sentence, and what to know of it after that."""
    on = f"On {rule.rating}" if rule.rating.startswith("a day ") else f"On a day rated {rule.rating}"
    when = "on word of fire inside the line" if rule.verdict == "on word of fire" else "the evening before"
    if rule.told:
        when += ", since the rating itself tells people to leave"
    count = share_words(rule.share)
    within = f"of 100 fires that start within {radius_m / 1000.0:g} km on such a day"
    leaves = "leaves" if count == "1" else "leave"
    said = f"{on}, {GOES[rule.way]} {when}: {within}, {count} {leaves} too little time {TIME_TO[rule.way]}."
    if rule.verdict == "evening before" and not rule.told:
        said += _other_hours(rule.hours)
    if rule.beyond:
        said += " The ground that was looked at ends before the line: a fire anywhere beyond it counts."
    return said


def share_words(share: float) -> str:
    """Count a share among a hundred, rounded up.

    Examples
    --------
    >>> [share_words(share) for share in (0.0, 0.001, 0.34, 0.341, 1.0)]
    ['none', '1', '34', '35', 'all']
    """
    count = int(np.ceil(100.0 * share - 1e-6))
    return {0: "none", 100: "all"}.get(count, str(count))


def _other_hours(hours: tuple[HourShare, ...]) -> str:
    """Name the hours whose fires leave enough time, if there are any."""
    enough = [one for one in hours if one.verdict == "on word of fire"]
    if not enough:
        return ""
    spans = [f"from {one.from_hour % 24}:00 to {one.until_hour % 24}:00 ({share_words(one.share)})" for one in enough]
    return f" Fewer of those that start {' and '.join(spans)}."


def way_out_sentence(safe_points: tuple[str, ...], way: str) -> str:
    """Say which safe point leaves most time for fire in an area."""
    if len(safe_points) == 1:
        return f"Fire here: {safe_points[0]} leaves most time, leaving {WAY_WORDS[way]}."
    named = f"{', '.join(safe_points[:-1])} and {safe_points[-1]}"
    return f"Fire here: {named} leave the same time within a minute, leaving {WAY_WORDS[way]}."
