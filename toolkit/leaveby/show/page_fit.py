"""Keeps the page within two sides of A4: how large the notes can be set, and how many of them fit in print.

The reckoning is on the large side; on the screen, and in `result.json`, every note stands.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

SIDE_MM: Final = 278.0
"""Height that the second side has for its content, a little kept back."""

_COLUMN_MM: Final = 88.0
_MM_PER_PT: Final = 0.3528
_WIDTHS: Final = (
    ("ijl'`", 0.23),
    (" !,./:;I[]\\ft|", 0.28),
    ('r()-{}"*°', 0.40),
    ("cksvxyzJ^", 0.50),
    ("+<=>~", 0.59),
    ("ABEKPSVXY&FTZ", 0.67),
    ("CDHNRUw", 0.73),
    ("GOQ", 0.78),
    ("mM", 0.84),
    ("W@%—…", 1.02),
)
_LETTER: Final = 0.56
"""Widths of letters over the type size: those of Helvetica, rounded up, by groups; letters of East Asian scripts and
pictures as wide as they are high; all others as its lower-case letters."""

_UNEVEN: Final = 0.97
"""Part of a line that words fill at most, for those that go over to the next line whole."""

_LEAD: Final = 1.2
_SIZES_PT: Final = (8.0, 7.5, 7.0, 6.5, 6.2)


@dataclass(frozen=True)
class NotesFit:
    """How the notes are set.

    Attributes
    ----------
    size_pt : float
    printed : int
        How many of them, from the first, stand in print.
    """

    size_pt: float
    printed: int


def text_lines(text: str, *, size_pt: float, width_mm: float) -> int:
    """Count the lines that a text takes, on the large side.

    Examples
    --------
    >>> text_lines("x" * 100, size_pt=8.0, width_mm=88.0), text_lines("", size_pt=8.0, width_mm=88.0)
    (2, 1)
    """
    if not text:
        return 1
    widths = [_letter_width(letter) for letter in text]
    # No less than a letter stands on a line, however narrow it is.
    line = max(width_mm / (size_pt * _MM_PER_PT) * _UNEVEN, max(widths))
    return math.ceil(sum(widths) / line)


def _letter_width(letter: str) -> float:
    if unicodedata.east_asian_width(letter) in ("W", "F"):
        return 1.0
    return next((width for letters, width in _WIDTHS if letter in letters), _LETTER)


def list_mm(
    texts: Sequence[str], *, size_pt: float, width_mm: float, lead: float = _LEAD, gap_mm: float = 0.0
) -> float:
    """Height of a list of texts set below each other.

    Examples
    --------
    >>> round(list_mm(["one", "two"], size_pt=10.0, width_mm=88.0), 2)
    8.47
    """
    lines = sum(text_lines(text, size_pt=size_pt, width_mm=width_mm) for text in texts)
    return lines * size_pt * lead * _MM_PER_PT + gap_mm * len(texts)


def columns_mm(
    texts: Sequence[str], *, size_pt: float, width_mm: float, lead: float = _LEAD, gap_mm: float = 0.0
) -> float:
    """Height of a list set in two columns that break between its texts only, as evenly as that allows.

    Examples
    --------
    >>> round(columns_mm(["one", "two", "three"], size_pt=10.0, width_mm=88.0), 2)
    8.47
    """
    heights = [list_mm([text], size_pt=size_pt, width_mm=width_mm, lead=lead, gap_mm=gap_mm) for text in texts]
    whole = sum(heights)
    best = upper = 0.0
    for number, height in enumerate(heights):
        upper += height
        taller = max(upper, whole - upper)
        best = taller if number == 0 else min(best, taller)
    return best


def fit_notes(notes: Sequence[str], *, free_mm: float) -> NotesFit:
    """Choose the largest type in which all notes fit in two columns, or the smallest and as many as fit.

    Parameters
    ----------
    notes : sequence of str
    free_mm : float
        Height that is left for them.

    Examples
    --------
    >>> fit_notes(["short"], free_mm=40.0)
    NotesFit(size_pt=8.0, printed=1)
    >>> fit_notes(["a rather long note " * 20] * 30, free_mm=40.0).printed < 30
    True
    """
    for size_pt in _SIZES_PT:
        line_mm = size_pt * _LEAD * _MM_PER_PT
        # One line more is kept, since browsers balance columns less well than this.
        if columns_mm(notes, size_pt=size_pt, width_mm=_COLUMN_MM, gap_mm=0.3) + line_mm <= free_mm:
            return NotesFit(size_pt, len(notes))
    size_pt = _SIZES_PT[-1]
    line_mm = size_pt * _LEAD * _MM_PER_PT
    printed = 0
    while (
        printed < len(notes)
        and columns_mm(notes[: printed + 1], size_pt=size_pt, width_mm=_COLUMN_MM, gap_mm=0.3) + 2.0 * line_mm
        <= free_mm
    ):
        printed += 1
    return NotesFit(size_pt, printed)
