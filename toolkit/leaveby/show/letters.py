"""The letters that every page carries, so that it is laid out alike whatever fonts a machine has.

They are DejaVu Sans, regular and bold, in which the figures are measured too: a part of it, for the scripts of Latin,
Greek and Cyrillic letters, made once by `tests/show/make_letters.py`; its licence lies beside this module. Other
letters are shown in fonts of the machine.
"""

from __future__ import annotations

import base64
from functools import cache
from importlib.resources import files
from typing import Final

_WEIGHTS: Final = (("regular", 400), ("bold", 700))


@cache
def letters_css() -> str:
    """Rules of a style sheet that bring the letters along, under the name that the figures ask for.

    A page with a Content-Security-Policy has to allow `font-src data:`.

    Examples
    --------
    >>> letters_css()[:84]
    '@font-face { font-family: "DejaVu Sans"; font-weight: 400; src: url(data:font/woff2;'
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
    return "\n".join([*faces, "html { text-rendering: geometricPrecision; }"])
