"""How templates are filled: pages, pieces of HTML, XML files, and lists of sentences."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any
from xml.etree import ElementTree

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from leaveby import units
from leaveby.caution import LAST_RESORT, OVERRIDE, PLANNING_AID
from leaveby.show import wording
from leaveby.show.letters import letters_css


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
    return _environment(autoescape=True).get_template(template).render(**values)


def sentences(template: str, **values: Any) -> list[str]:
    """Fill a template that holds a sentence on each line; lines that stay empty go."""
    return [said for line in text_of(template, **values).split("\n") if (said := line.strip())]


def text_of(template: str, **values: Any) -> str:
    """Fill a template of plain text, such as TOML; its filter `quoted` is the function of that name."""
    return _environment(autoescape=False).get_template(template).render(**values)


def quoted(value: Any) -> str:
    """Write a text, a path, a number or a list of them as TOML has it."""
    return json.dumps(value, ensure_ascii=False, default=str).replace("\x7f", "\\u007f")


def xml(template: str, **values: Any) -> ElementTree.Element:
    """Fill a template of XML, in which the space at the ends of lines means nothing."""
    lines = filled(template, **values).split("\n")
    return ElementTree.fromstring("".join(line.strip() for line in lines))


@cache
def _environment(*, autoescape: bool) -> Environment:
    loader = FunctionLoader(lambda name: files("leaveby").joinpath(name).read_text(encoding="utf-8"))
    environment = Environment(
        loader=loader, autoescape=autoescape, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"clean": wording.clean, "quoted": quoted}
    environment.globals |= {"w": wording, "u": units, "math": math}
    return environment


def made_with(inputs: Mapping[str, str], *computed: str) -> str:
    """Say at the foot of a page what it was computed from, and with which version and seed."""
    version, seed = (wording.clean(inputs.get(name, ""), 30) for name in ("leaveby", "seed"))
    return (
        ", ".join([*computed, *([f"leaveby {version}"] if version else []), *([f"seed {seed}"] if seed else [])]) + "."
    )
