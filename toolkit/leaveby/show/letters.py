"""How a page is made, and the letters that it carries, so that it is laid out alike whatever fonts a machine has.

They are DejaVu Sans, regular and bold, in which the figures are measured too: a part of it, for the scripts of Latin,
Greek and Cyrillic letters, made once by `tests/show/make_letters.py`; its licence lies beside this module. Other
letters are shown in fonts of the machine.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup
from matplotlib import get_data_path
from matplotlib.ft2font import FT2Font, LoadFlags

from leaveby.caution import LAST_RESORT, OVERRIDE, PLANNING_AID
from leaveby.show import wording

_WEIGHTS: Final = (("regular", 400), ("bold", 700))
_FILES: Final = {"normal": "DejaVuSans.ttf", "bold": "DejaVuSans-Bold.ttf"}
_EM: Final = 2048.0


def page_text(template: str, *, made_at: datetime, **values: Any) -> str:
    """Fill a template, by its path in the package, with what every page carries, the wordings, and its own values."""
    wording.check_made_at(made_at)
    return filled(
        template,
        letters=Markup(letters_css()),
        override=OVERRIDE,
        planning_aid=PLANNING_AID,
        last_resort=LAST_RESORT,
        made=made_at.strftime("%Y-%m-%d %H:%M"),
        **values,
    )


def filled(template: str, **values: Any) -> str:
    """Fill a template of HTML: names are shown as text, never as markup."""
    return _template(template, autoescape=True).render(**values)


def sentences(template: str, **values: Any) -> list[str]:
    """Fill a template that holds a sentence on each line; lines that stay empty go."""
    lines = (line.strip() for line in _template(template, autoescape=False).render(**values).split("\n"))
    return [line for line in lines if line]


def xml(template: str, **values: Any) -> ElementTree.Element:
    """Fill a template of XML, in which the space at the ends of lines means nothing."""
    lines = filled(template, **values).split("\n")
    return ElementTree.fromstring("".join(line.strip() for line in lines))


@cache
def _template(name: str, *, autoescape: bool) -> Template:
    environment = Environment(autoescape=autoescape, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["clean"] = wording.clean
    environment.globals |= {"w": wording, "math": math}
    return environment.from_string(files("leaveby").joinpath(name).read_text(encoding="utf-8"))


def made_with(inputs: Mapping[str, str], *computed: str) -> str:
    """Say at the foot of a page what it was computed from, and with which version and seed."""
    version, seed = (wording.clean(inputs.get(name, ""), 30) for name in ("leaveby", "seed"))
    return (
        ", ".join([*computed, *([f"leaveby {version}"] if version else []), *([f"seed {seed}"] if seed else [])]) + "."
    )


@cache
def letters_css() -> str:
    """Rules of a style sheet that bring the letters along, under the name that the figures ask for.

    A page with a Content-Security-Policy has to allow `font-src data:`.

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
