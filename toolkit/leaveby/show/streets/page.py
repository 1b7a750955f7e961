"""The page of the community question: `streets.html`, two printed sides for a meeting and an annex with the rest.

What stands on the two sides is cut by count, so many lines of so many columns, as on the sheet for the fridge; the
annex flows. It is read without its script as well, which only sorts the annex's table; nothing is fetched.
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from functools import partial
from importlib.resources import files
from itertools import groupby
from string import ascii_uppercase
from typing import Final, TypeVar

from markupsafe import Markup

from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.parameters import FEW_HOMES_PER_KM
from leaveby.roads.exits.links import Link
from leaveby.roads.osm.access_rules import limit_of
from leaveby.show.letters import lines
from leaveby.show.streets.map import streets_map
from leaveby.show.streets.scene import behind_words, called
from leaveby.show.symbols import SYMBOLS
from leaveby.show.templates import page_text, sentences
from leaveby.show.wording import clean, duration_words, map_notice
from leaveby.units import METRES_PER_KM, Measures, rounded_words

LEAST_HOMES: Final = 5.0
"""Groups of fewer homes stand in the annex alone."""

_SORTING: Final = files("leaveby").joinpath("show/streets/sorted.js").read_text(encoding="utf-8")
"""The page's one script, whose digest stands in its head: no other runs on it."""

_Thing = TypeVar("_Thing")
_SAID_LETTERS, _SAID_LINES = 98, 11
_NAME_LETTERS, _UNDER_LETTERS, _GROUP_LINES = 35, 40, 22
_WIDE_LETTERS: Final = 108


def streets_page(answer: StreetSurvey, *, made_at: datetime) -> str:
    """Lay out an answer as a page."""
    small, large = ([one for one in answer.notable if (one.homes >= LEAST_HOMES) is many] for many in (False, True))
    said = survey_sentences(answer)
    shown = _that_fit(map(_row, large), _GROUP_LINES, lambda row: max(len(row[1]) + len(row[2]), 2))
    return page_text(
        "show/streets/streets.html.j2",
        made_at=made_at,
        answer=answer,
        lines=lines,
        wide=_WIDE_LETTERS,
        notice=map_notice(answer),
        # the first is in bold letters, which are wider
        said=_that_fit(
            (lines(sentence, _SAID_LETTERS - 12 * (not at), 5) for at, sentence in enumerate(said)), _SAID_LINES, len
        ),
        sentences=said,
        map=Markup(streets_map(answer, labelled=[group.number for group, _, _ in shown])),
        symbols=SYMBOLS,
        shown=shown,
        large=large,
        small=[(homes, _by_name(groups)) for homes, groups in groupby(small, key=homes_words)],
        least_homes=LEAST_HOMES,
        letters_of=lambda group: " ".join(ascii_uppercase[answer.rules.index(one.rule)] for one in group.comparisons),
        beyond=lambda rule: sum(any(one.rule is rule for one in group.comparisons) for group in large),
        limit_of=limit_of,
        called=called,
        about=partial(rounded_words, measures=answer.measures),
        measures=answer.measures,
        homes_words=homes_words,
        clearance_words=clearance_words,
        unsure=any(group.certain != group.homes for group in large),
        timed=[group for group in answer.notable if group.clearance and math.isfinite(group.shuts_s)],
        link_words=partial(_link_words, answer.measures),
        names_of=lambda found: [answer.streets.name[item.street] for item in found],
        sorting=Markup(_SORTING),
        script=f"sha256-{base64.b64encode(hashlib.sha256(_SORTING.encode('utf-8')).digest()).decode('ascii')}",
        made_with=f"leaveby {clean(answer.inputs.get('leaveby', ''), 30)}".strip(),
    )


def _row(group: StreetGroup) -> tuple[StreetGroup, list[str], list[str]]:
    """A group, its name in lines, and what is said under it."""
    part = f" (part of No. {group.inside})" if group.inside else ""
    return group, lines(group.name, _NAME_LETTERS, 2), lines(f"{behind_words(group)}{part}", _UNDER_LETTERS, 2)


def _that_fit(things: Iterable[_Thing], room: int, count: Callable[[_Thing], int]) -> list[_Thing]:
    """So many of the first things as there are lines for."""
    fit: list[_Thing] = []
    for thing in things:
        room -= count(thing)
        if room < 0:
            break
        fit.append(thing)
    return fit


def _by_name(groups: Iterable[StreetGroup]) -> list[tuple[str, list[int]]]:
    """Names, each once, with the numbers of the groups that are called so."""
    found: dict[str, list[int]] = {}
    for group in groups:
        found.setdefault(called(group), []).append(group.number)
    return list(found.items())


def survey_sentences(answer: StreetSurvey) -> list[str]:
    """Say in a few sentences how many homes have one way out, where most hang on it, and which link would help most."""
    return sentences(
        "show/streets/sentences.txt.j2",
        answer=answer,
        largest=max(answer.notable, key=lambda group: group.homes, default=None),
        few=f"{FEW_HOMES_PER_KM.value * answer.measures.far_m / METRES_PER_KM:.3g}",
        per="mile" if answer.measures.imperial else "kilometre",
        link_words=partial(_link_words, answer.measures),
        about=partial(rounded_words, measures=answer.measures),
    )


def homes_words(group: StreetGroup) -> str:
    """How many homes hang on it: for certain, and at most where that depends on the edge of the map."""
    return f"{group.homes:g}" if group.certain == group.homes else f"{group.certain:g} to {group.homes:g}"


def clearance_words(group: StreetGroup) -> str:
    """From being told to leave to the last vehicle out, when people get going quickly and when slowly."""
    if not group.clearance:
        return "not computed"
    quick, slow = duration_words(group.clearance[0].last_out_s), duration_words(group.clearance[-1].last_out_s)
    return quick if len(group.clearance) == 1 else f"{quick} to {slow}"


def _link_words(measures: Measures, link: Link, ends: Sequence[str] = ()) -> str:
    where = f" {'from' if ends[1:] else 'at'} {' to '.join(clean(name, 40) for name in ends)}" if ends else ""
    if link.kind == "open":
        why = ", ".join(clean(reason, 40) for reason in link.reasons)
        why = why.replace("barrier=", "closed by a ").replace("access=", "").replace("_", " ")
        return f"about {rounded_words(link.open_m, measures)} of way that is on the map ({why}){where}"
    return f"about {rounded_words(link.build_m, measures)} of street{where}"
