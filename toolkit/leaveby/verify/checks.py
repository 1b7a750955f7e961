"""A number of ours beside one from outside, with where the outside one comes from and how it was obtained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

PLAIN_MATHEMATICS: Final = "plain mathematics, worked out beside it"
BY_HAND: Final = "worked out by hand beside it"


@dataclass(frozen=True)
class Check:
    """One number of ours, held against one from outside.

    Attributes
    ----------
    what : str
    ours, outside : str
        With their unit.
    off : str
        How far they are apart, and how far they may be.
    agrees : bool
    source : str
        Where the outside number comes from.
    mark : str
        How it was obtained: "read in the source", "computed from a remembered equation", "from memory", ...
    """

    what: str
    ours: str
    outside: str
    off: str
    agrees: bool
    source: str
    mark: str


def agreement_words(rows: Sequence[Check]) -> str:
    """Say how many rows agree, and name those that do not.

    Examples
    --------
    >>> agreement_words([Check("2 + 2", "5", "4", "1, may be 0", False, "arithmetic", BY_HAND)])
    '0 of 1 agree. NOT: 2 + 2.'
    """
    wrong = [row.what for row in rows if not row.agrees]
    words = f"{len(rows) - len(wrong)} of {len(rows)} agree."
    return f"{words} NOT: {'; '.join(wrong)}." if wrong else words
