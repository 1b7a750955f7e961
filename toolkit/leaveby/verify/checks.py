"""A number of ours beside one from outside, with where the outside one comes from and how it was obtained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

PLAIN_MATHEMATICS: Final = "plain mathematics, worked out beside it"
BY_HAND: Final = "worked out by hand beside it"


@dataclass(frozen=True)
class Check:
    """One number of ours, held against one from outside, both with their unit.

    `off` says how far they are apart and may be, `source` where the outside number comes from, and `mark` how it was
    obtained: "read in the source", "computed from a remembered equation", "from memory", ...
    """

    what: str
    ours: str
    outside: str
    off: str
    agrees: bool
    source: str
    mark: str


def agreement_words(rows: Sequence[Check]) -> str:
    """Say how many rows agree, and name those that do not."""
    wrong = [row.what for row in rows if not row.agrees]
    words = f"{len(rows) - len(wrong)} of {len(rows)} agree."
    return f"{words} NOT: {'; '.join(wrong)}." if wrong else words
