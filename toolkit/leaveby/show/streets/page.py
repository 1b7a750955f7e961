"""The page of the community question: `streets.html`, one file with a map and a table that sorts, for screen and paper.

It is read without its script as well, which only sorts the table; nothing is fetched.
"""

from __future__ import annotations

import math
from datetime import datetime
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from leaveby.caution import OSM_NOTICE, OVERRIDE, PLANNING_AID
from leaveby.decision.streets.result import StreetGroup, StreetSurvey
from leaveby.parameters import FEW_HOMES_PER_KM
from leaveby.roads.exits.links import Link
from leaveby.show.letters import letters_css
from leaveby.show.streets.map import streets_map
from leaveby.show.wording import check_made_at, clean, distance_words, duration_words

ROWS_SHOWN: Final = 60
"""Groups in the page's table; the others stand in the files beside it."""


def streets_page(answer: StreetSurvey, *, made_at: datetime) -> str:
    """Lay out an answer as a page."""
    check_made_at(made_at)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(
        files("leaveby.show.streets").joinpath("streets.html.j2").read_text(encoding="utf-8")
    )
    shown = answer.notable[:ROWS_SHOWN]
    timed = [group for group in shown if group.clearance and math.isfinite(group.shuts_s)]
    after = answer.after_best
    return template.render(
        letters=Markup(letters_css()),
        override=OVERRIDE,
        planning_aid=PLANNING_AID,
        notice=OSM_NOTICE if answer.from_osm else "",
        made=made_at.strftime("%Y-%m-%d %H:%M"),
        sentences=survey_sentences(answer),
        balance=_balance(answer),
        map=Markup(streets_map(answer, labelled=[group.number for group in answer.notable[:25]])),
        rows=[_row(answer, group) for group in shown],
        more=len(answer.groups) - len(shown),
        columns=_columns(answer),
        lengths=[
            {"name": clean(one.name, 90), "length": distance_words(one.streets_m), "homes": f"{one.homes:g}"}
            for one in answer.by_length[:ROWS_SHOWN]
        ],
        timed=[_timed(group) for group in timed],
        told=[f"{told_s / 60.0:g}" for told_s, _ in (timed[0].clearance[0].not_out if timed else ())],
        links=[_link(f"L{number}", link) for number, link in enumerate(answer.links, start=1)],
        after=None
        if after is None
        else {
            "before": f"{after.behind_exit_before:g}",
            "now": f"{after.behind_exit:g}",
            "links": [_link(f"{number}", link) for number, link in enumerate(after.links[:3], start=1)],
        },
        rules=[
            {
                "title": rule.title,
                "source": rule.source,
                "mark": "read" if rule.mark == "read" else "",
                "note": rule.note,
            }
            for rule in answer.rules
        ],
        differences=_differences(answer),
        notes=[clean(line) for line in answer.assumptions],
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


def _balance(answer: StreetSurvey) -> list[tuple[str, str]]:
    balance = answer.balance
    rows = [
        ("homes given", balance.homes),
        ("have a choice of ways all along", balance.with_choice),
        ("are behind a single exit", balance.behind_exit),
        ("have a choice, one way or none, as roads lead on that the edge of the map cuts", balance.depends),
        ("stand where no exit can be reached by car on this map", balance.no_way_out),
        ("are too far from any street to be placed", balance.not_placed),
        ("lie outside the area asked about", balance.outside_area),
    ]
    return [(words, f"{value:g}") for words, value in rows if value or words == "homes given"]


def _columns(answer: StreetSurvey) -> list[dict[str, str]]:
    labels = [
        ("No.", "n"),
        ("Everyone must pass", ""),
        ("Homes", "n"),
        ("Lies in No.", "n"),
        ("People / vehicles", "n"),
        ("One way shared", "n"),
        ("Longest dead end", "n"),
        ("Narrowest stated", "n"),
        ("Steepest", "n"),
        ("Another way on foot", "n"),
        ("Last vehicle out", "n"),
        ("Longer than a rule", "rules"),
    ]
    if math.isfinite(max((float(value) for value in answer.facts.fuel_t_ha), default=-math.inf)):
        labels.insert(9, ("Mean fuel", "n"))
    return [{"label": label, "kind": kind} for label, kind in labels]


def _row(answer: StreetSurvey, group: StreetGroup) -> dict[str, Any]:
    facts, row = answer.facts, group.row
    narrow, steep, fuel = (
        float(facts.narrowest_m[row]),
        float(facts.steepest[row]),
        float(facts.fuel_t_ha[row]),
    )
    around = next((other for other in answer.groups[: group.number] if other.number == group.inside), None)
    slow = group.clearance[-1].last_out_s if group.clearance else math.inf
    cells: list[dict[str, Any]] = [
        {"text": f"{group.number}", "sort": group.number},
        {"text": clean(group.name, 90), "sort": clean(group.name, 90), "small": _remarks(answer, group)},
        {"text": homes_words(group), "sort": group.certain},
        {
            "text": "" if around is None else f"{around.number}",
            "sort": 0 if around is None else around.number,
            "small": "" if around is None else f"with {around.homes:g} homes",
        },
        {"text": f"{math.ceil(group.people)} / {math.ceil(group.vehicles)}", "sort": group.people},
        _length(float(facts.shared_m[row])),
        _length(float(facts.dead_end_m[row])),
        {"text": f"{narrow:g} m" if math.isfinite(narrow) else "not stated", "sort": min(narrow, 1e9)},
        {"text": f"{100.0 * steep:.0f} %" if math.isfinite(steep) else "not known", "sort": max(steep, -1.0)},
        {
            "text": "all" if facts.foot_homes[row] >= group.homes else f"{facts.foot_homes[row]:g} homes",
            "sort": float(facts.foot_homes[row]),
        },
        {"text": clearance_words(group), "sort": min(slow, 1e12) if group.clearance else -1.0},
        {
            "text": "",
            "sort": len(group.comparisons),
            "lines": [
                clean(item.sentence) + ("" if item.rule.mark == "read" else " (rule from memory)")
                for item in group.comparisons
            ],
        },
    ]
    if len(_columns(answer)) > len(cells):
        cells.insert(9, {"text": f"{fuel:.0f} t/ha" if math.isfinite(fuel) else "not known", "sort": max(fuel, -1.0)})
    return {"cells": cells}


def homes_words(group: StreetGroup) -> str:
    """How many homes hang on it: for certain, and at most where that depends on the edge of the map."""
    return f"{group.homes:g}" if group.certain == group.homes else f"{group.certain:g} to {group.homes:g}"


def _length(length_m: float) -> dict[str, Any]:
    return {"text": distance_words(length_m) if length_m > 0.0 else "none", "sort": round(length_m)}


def _remarks(answer: StreetSurvey, group: StreetGroup) -> str:
    remarks = []
    if group.kind == "junction":
        remarks.append("a junction: several streets behind it")
    if answer.facts.at_edge[group.row]:
        remarks.append("a dead end behind lies at the edge of the map and may go on")
    if answer.facts.track_m[group.row] > 0.0:
        remarks.append(f"{distance_words(float(answer.facts.track_m[group.row]))} of tracks behind")
    return "; ".join(remarks)


def clearance_words(group: StreetGroup) -> str:
    """From being told to leave to the last vehicle out, when people get going quickly and when slowly."""
    if not group.clearance:
        return "not computed"
    quick, slow = duration_words(group.clearance[0].last_out_s), duration_words(group.clearance[-1].last_out_s)
    return quick if len(group.clearance) == 1 else f"{quick} to {slow}"


def _timed(group: StreetGroup) -> dict[str, Any]:
    return {
        "number": f"{group.number}",
        "name": clean(group.name, 60),
        "vehicles": f"{math.ceil(group.vehicles)}",
        "shuts": f"{math.floor(group.shuts_s / 60.0)} min",
        "lines": [
            {"curve": item.curve.name, "left": [f"{math.ceil(vehicles - 1e-6)}" for _, vehicles in item.not_out]}
            for item in group.clearance
        ],
    }


def _link_words(link: Link) -> str:
    if link.kind == "open":
        why = ", ".join(clean(reason, 40) for reason in link.reasons)
        return f"{distance_words(link.open_m)} of way that is on the map ({why})"
    return f"{distance_words(link.build_m)} of street"


def _link(name: str, link: Link) -> dict[str, str]:
    return {
        "name": name,
        "what": f"Open {_link_words(link)}" if link.kind == "open" else f"Build {_link_words(link)}",
        "slope": f"{100.0 * link.steepest:.0f} %" if math.isfinite(link.steepest) else "not known",
        "relieved": f"{link.homes_relieved:g}",
        "freed": f"{link.homes_freed:g}",
    }


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
