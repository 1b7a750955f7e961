"""What the neighbours' cars are worth on the way out, in words."""

from __future__ import annotations

import math

from leaveby.decision.ways.result import HeldUp, WayTiming
from leaveby.show import wording
from leaveby.show.letters import lines
from leaveby.show.templates import sentences

STREET_LETTERS = 23
"""So much of a street's name stands on one line of the sheet beside the rest of the sentence."""


def neighbours_words(way: WayTiming) -> list[str]:
    """Say what it costs if everyone leaves at once, and how much of that is counted; nothing where nobody is on it."""
    held = way.held_up
    return [] if held is None else _said(held, wording.street_words(held.street))


def sheet_line(ways: list[WayTiming]) -> list[str]:
    """Say on one line of the sheet what the neighbours are worth, on the way where that is most."""
    worst = max((way.held_up for way in ways if way.held_up), key=lambda held: held.at_once_s, default=None)
    return [] if worst is None else _said(worst, lines(wording.street_words(worst.street), STREET_LETTERS)[0])[:1]


def _said(held: HeldUp, street: str) -> list[str]:
    at_once, counted = _minutes(held.at_once_s), _minutes(held.counted_s)
    return sentences("show/plan/neighbours.txt.j2", held=held, street=street, at_once=at_once, counted=counted)


def _minutes(time_s: float) -> str:
    """Minutes in full, rounded up; hours as everywhere."""
    words = wording.duration_words(time_s)
    whole = math.ceil(time_s / 60.0 - 1e-9)
    return words if whole >= 60 else "1 minute" if whole == 1 else f"{whole} minutes"
