"""The page of the community question: `streets.html`, one file with a map and a table that sorts, for screen and paper.

It is read without its script as well, which only sorts the table; nothing is fetched.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final

from markupsafe import Markup

from leaveby.caution import OSM_NOTICE
from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.parameters import FEW_HOMES_PER_KM
from leaveby.roads.exits.links import Link
from leaveby.show.letters import page_text
from leaveby.show.streets.map import streets_map
from leaveby.show.wording import clean, distance_words, duration_words

ROWS_SHOWN: Final = 60
"""Groups in the page's table; the others stand in the files beside it."""


def streets_page(answer: StreetSurvey, *, made_at: datetime) -> str:
    """Lay out an answer as a page."""
    shown = answer.notable[:ROWS_SHOWN]
    return page_text(
        "streets/streets.html.j2",
        made_at=made_at,
        answer=answer,
        notice=OSM_NOTICE if answer.from_osm else "",
        sentences=survey_sentences(answer),
        map=Markup(streets_map(answer, labelled=[group.number for group in shown[:25]])),
        shown=shown,
        rows_shown=ROWS_SHOWN,
        fuel_known=math.isfinite(max(answer.facts.fuel_t_ha.tolist(), default=-math.inf)),
        homes_words=homes_words,
        clearance_words=clearance_words,
        timed=[group for group in shown if group.clearance and math.isfinite(group.shuts_s)],
        link_words=_link_words,
        after=answer.after_best,
        differences=_differences(answer),
        made_with=f"leaveby {clean(answer.inputs.get('leaveby', ''), 30)}".strip(),
    )


def _count(value: float, word: str) -> str:
    return f"{value:g} {word if value == 1 else word + 's'}"


def survey_sentences(answer: StreetSurvey) -> list[str]:
    """Say in a few sentences how many homes have one way out, where most hang on it, and which link would help most."""
    balance, notable = answer.balance, answer.notable
    missing = _missing_words(answer)
    first_of_all = [*_edge_words(answer), *(missing if answer.few_homes else [])]
    if not answer.groups:
        return [
            *first_of_all,
            f"None of {balance.homes:g} homes was found behind a single exit on this map. That says nothing about how "
            "long any street stays open.",
            *([] if answer.few_homes else missing),
        ]
    lines = [
        *first_of_all,
        f"{balance.behind_exit:g} of {_count(balance.homes, 'home')} have a street or junction that everyone there "
        "must pass to get out"
        + (", wherever the roads lead that the edge of the map cuts." if answer.maybe.size else "."),
    ]
    if answer.maybe.size:
        roads = "1 road that goes" if answer.maybe.size == 1 else f"{answer.maybe.size} roads that go"
        lines.append(
            f"{_count(balance.depends, 'home')} more may have only one way out, or none: that depends on {roads} on "
            "beyond the edge to somewhere unknown."
        )
    if notable:
        first = notable[0]
        most = "" if first.certain == first.homes else f", and up to {first.homes:g} if those roads lead nowhere"
        lines.append(f"The most hang on {clean(first.name, 80)}: {_count(first.certain, 'home')}{most}.")
    lines += [] if answer.few_homes else missing
    if answer.links:
        best = answer.links[0]
        verb = f"Opening {_link_words(best)}" if best.kind == "open" else f"Building {_link_words(best)}"
        lines.append(
            f"{verb} (L1 on the map) would relieve {_count(best.homes_relieved, 'home')}, the most of any found."
        )
    return lines


def _edge_words(answer: StreetSurvey) -> list[str]:
    """Where one group holds most homes because of the edge of the map, say so."""
    if not answer.notable:
        return []
    largest = max(answer.notable, key=lambda group: group.homes)
    if largest.homes <= answer.balance.homes / 2.0:
        return []
    name = clean(largest.name, 80)
    if largest.certain < largest.homes / 2.0:
        sure = f"only {largest.certain:g}" if largest.certain else "none"
        return [
            f"{largest.homes:g} of {_count(answer.balance.homes, 'home')} hang on {name} on this map, but {sure} for "
            "certain: the others because the map ends there. Take an extract that reaches to the next main "
            "roads before relying on these numbers."
        ]
    if answer.facts.at_edge[largest.row]:
        return [
            f"{largest.homes:g} of {_count(answer.balance.homes, 'home')} hang on {name}, and streets behind it end at "
            "the edge of the map: they may go on. Take an extract that reaches to the next main roads before relying "
            "on this."
        ]
    return []


def _missing_words(answer: StreetSurvey) -> list[str]:
    """Where homes are too few for the streets, no count of them is an all clear: say so, and what was done instead."""
    if not answer.by_length and not answer.few_homes:
        return []
    limit = f"fewer than {FEW_HOMES_PER_KM.value:g} to the kilometre (judgement)"
    first = ""
    if answer.by_length:
        longest = answer.by_length[0]
        first = (
            f" The longest: {distance_words(longest.streets_m)} with {_count(longest.homes, 'home')} behind "
            f"{clean(longest.name, 80)}."
        )
    if answer.few_homes:
        return [
            f"Only {_count(answer.balance.homes, 'home')} are known along {distance_words(answer.residential_m)} of "
            f"residential streets, {limit}: most homes are missing, and no count of homes here is an all clear. Single "
            f"exits are therefore ranked by the length of residential street behind them as well.{first}"
        ]
    return [
        f"Homes seem to be missing behind {_count(len(answer.by_length), 'single exit')}: {limit} of residential "
        f"street. These are listed by length of street as well.{first}"
    ]


def homes_words(group: StreetGroup) -> str:
    """How many homes hang on it: for certain, and at most where that depends on the edge of the map."""
    return f"{group.homes:g}" if group.certain == group.homes else f"{group.certain:g} to {group.homes:g}"


def clearance_words(group: StreetGroup) -> str:
    """From being told to leave to the last vehicle out, when people get going quickly and when slowly."""
    if not group.clearance:
        return "not computed"
    quick, slow = duration_words(group.clearance[0].last_out_s), duration_words(group.clearance[-1].last_out_s)
    return quick if len(group.clearance) == 1 else f"{quick} to {slow}"


def _link_words(link: Link) -> str:
    if link.kind == "open":
        why = ", ".join(clean(reason, 40) for reason in link.reasons)
        return f"{distance_words(link.open_m)} of way that is on the map ({why})"
    return f"{distance_words(link.build_m)} of street"


def _differences(answer: StreetSurvey) -> list[str]:
    """Where directed and undirected answers differ, by cause, with the streets on which the most homes hang."""
    lines = []
    for why in ("one-way streets", "ways that only residents use"):
        found = [item for item in answer.differences if item.why == why]
        if not found:
            continue
        names = dict.fromkeys(clean(answer.streets.name[item.street], 60) for item in found)
        most = ", ".join(name for name in list(names)[:6] if name)
        lines.append(
            f"{len(found)} stretches must be passed because of {why}, though on a map without directions and gates "
            f"there is another way{f' ({most})' if most else ''}."
        )
    return lines
