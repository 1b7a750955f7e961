"""The letters that a page carries, so that it is laid out alike whatever fonts a machine has, and lines cut by count.

They are DejaVu Sans, regular and bold, in which the figures are measured too: a part of it, for the scripts of Latin,
Greek and Cyrillic letters, made once by `tests/show/make_letters.py`; its licence lies beside this module. Other
letters are shown in fonts of the machine.
"""

from __future__ import annotations

import base64
import unicodedata
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Final

from matplotlib import get_data_path
from matplotlib.ft2font import FT2Font, LoadFlags

from leaveby.errors import clean

_WEIGHTS: Final = (("regular", 400), ("bold", 700))
_FILES: Final = {"normal": "DejaVuSans.ttf", "bold": "DejaVuSans-Bold.ttf"}
_EM: Final = 2048.0


@cache
def letters_css() -> str:
    """Rules of a style sheet that bring the letters along, under the name that the figures ask for.

    A page with a Content-Security-Policy has to allow `font-src data:`.
    """
    folder = files("leaveby.show")
    faces = []
    for name, weight in _WEIGHTS:
        face = base64.b64encode(folder.joinpath(f"letters_{name}.woff2").read_bytes()).decode("ascii")
        faces.append(
            f'@font-face {{ font-family: "DejaVu Sans"; font-weight: {weight}; '
            f'src: url(data:font/woff2;base64,{face}) format("woff2"); }}'
        )
    # Without it the width of a letter may be rounded to the screen's grid, which differs from machine to machine.
    return "\n".join([*faces, "html, button, input, select { text-rendering: geometricPrecision; }"])


def text_width(text: str, *, size: float, weight: str = "normal") -> float:
    """How wide a text is set in these letters, in the unit of the type size; a letter that they lack is a square.

    >>> text_width("m", size=2048.0), text_width("mm", size=1024.0), text_width("\u68ee", size=10.0)
    (1995.0, 1995.0, 10.0)
    """
    return size / _EM * sum(_advance(letter, weight) for letter in text)


@cache
def _advance(letter: str, weight: str) -> float:
    face = _face(weight)
    if not face.get_char_index(ord(letter)):
        return _EM
    return float(face.load_char(ord(letter), flags=LoadFlags.NO_SCALE).horiAdvance)


@cache
def _face(weight: str) -> FT2Font:
    return FT2Font(str(Path(get_data_path(), "fonts", "ttf", _FILES[weight])))


def columns(text: str) -> int:
    """How many columns of a terminal a text takes: wide letters, as of East Asia, are two; marks on others none.

    >>> columns("\\u68ee\\u306e\\u5bb6"), columns("Öl"), columns("e\\u0301")
    (6, 2, 1)
    """
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def lines(text: str, letters: int, most: int = 1) -> list[str]:
    """Break a text into lines of so many columns, between words where it can; what is left over ends in an ellipsis.

    >>> lines("gather papers, medicines, water and wool", 16, 2)
    ['gather papers,', 'medicines, wate…']
    >>> lines("Ooooooooo", 4, 2)
    ['Oooo', 'ooo…']
    """
    found: list[str] = []
    rest = clean(text)
    while rest and len(found) < most:
        taken = _fitting(rest, letters)
        if taken < len(rest) and len(found) == most - 1:
            kept = rest[: _fitting(rest, letters - 1)].rstrip()
            return [*found, "…" if columns(kept) >= letters else f"{kept}…"]
        space = rest.rfind(" ", 0, taken + 1)
        end = space if taken < len(rest) and space > letters // 3 else taken
        found.append(rest[:end].rstrip())
        rest = rest[end:].lstrip()
    return found


def _fitting(text: str, letters: int) -> int:
    """How many letters of a text fit into so many columns; at least one."""
    width = 0
    for number, letter in enumerate(text):
        width += columns(letter)
        if width > letters:
            return max(number, 1)
    return len(text)
