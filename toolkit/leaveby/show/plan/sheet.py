"""The sheet for the fridge: `plan.html`, one side of A4 or Letter, in a frame that no name and no font can burst.

Every text that is not ours is cut by count: so many lines of so many columns, a wide letter being two. What a line
still lacks in width ends in an ellipsis, so that each part of the sheet is as high as its lines are many. Nothing here
is about the plan's own day but what is known of the place of last resort.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

import numpy as np
import shapely
from markupsafe import Markup

from leaveby.decision.lines.landmarks import short_words
from leaveby.decision.ways.result import HouseholdResult, WayTiming
from leaveby.household.plan import LIKE_THE_PLANS
from leaveby.roads.routing.itinerary import COMPASS, compass_words
from leaveby.show import wording
from leaveby.show.figure import as_svg
from leaveby.show.letters import columns, lines
from leaveby.show.plan.last_resort import known_words
from leaveby.show.plan.map import describe_map, drawn_routes, sheet_map
from leaveby.show.plan.neighbours import sheet_line
from leaveby.show.plan.page import main_way
from leaveby.show.plan.practice import practised_words, runs_for
from leaveby.show.templates import page_text
from leaveby.units import Measures, broad_words, distance_words

MAP_MM: Final = (101.0, 62.0)
"""Width and height of the map on the sheet."""

_RULE_LETTERS, _RULE_LINES = 19, 3
_BOX_LETTERS, _SIDE_LETTERS, _WIDE_LETTERS = 41, 37, 78
_SIDE_LINES, _SOURCE_LINES, _AWAY_LETTERS = 12, 2, 34
_TASK_LINES: Final = 11
_TASK_LETTERS: Final = {2: 38, 3: 24}
_CONTINUED: Final = " (continued)"
_SOURCES_HERE: Final = "Official warnings here:"
_GOES: Final = {"tow": "The house goes", "car": "We go", "foot": "We go on foot"}
ONLY: Final = {"tow": ("*", "only if the house goes"), "car": ("+", "only by car"), "foot": ("", "")}
"""The mark of a task that only one of the ways has, and what it means."""

_WHOM: Final = {"tow": "House", "car": "We", "foot": "We"}
_COMPASS: Final = {name: "".join(part[0] for part in name.split("-")).upper() for name in COMPASS}


@dataclass(frozen=True)
class Box:
    """What starts one way of leaving: its title, the rule in large letters, and what else to know, line by line."""

    title: str
    rule: list[str]
    more: list[str]


def sheet_page(result: HouseholdResult, *, made_at: datetime) -> str:
    """Lay out the sheet of an answer."""
    ways = _sheet_ways(result)
    width_mm, height_mm = MAP_MM
    # Nothing of the plan's own day may come onto the map, nor into what is said of it to who can't see it.
    anew = replace(result.plan, ignitions=())
    shown = replace(result, plan=anew, fire=None, ways={way.way: way for way in ways})
    picture = sheet_map(shown, width_mm=width_mm, height_mm=height_mm)
    columns = task_columns(result)
    return page_text(
        "show/plan/plan.html.j2",
        made_at=made_at,
        result=result,
        lines=lines,
        season=season_words(result),
        flat=wording.flat_words(result).partition(":")[0],
        boxes=[rule_box(result, way) for way in ways],
        neighbours=sheet_line(ways),
        late=[line for way in ways for line in late_lines(result, way)],
        map=Markup(as_svg(picture, "Map of the ways out", describe_map(shown), name="sheet")),
        out=_way_out(shown),
        sources=_sources(result),
        sources_here=_SOURCES_HERE,
        tasks=columns,
        only=only_words(result, columns),
        room=_room(result),
        practised=practised_line(result, made_at=made_at),
        tell=tell_words(result),
        known=lines(known_words(result), _WIDE_LETTERS - 2, 3),
    )


def _sheet_ways(result: HouseholdResult) -> list[WayTiming]:
    """The ways with wheels that the plan has; on foot only where it has none."""
    wheels = [result.ways[name] for name in ("tow", "car") if name in result.ways]
    return wheels or list(wording.shown_ways(result))


def season_words(result: HouseholdResult) -> str:
    """The season that the sheet is for, and by when to look it over; "" where the plan does not say."""
    plan = result.plan
    if plan.season_starts is None or plan.looked_over_on is None:
        return ""
    starts, look = (
        f"{day} {date(2000, month, day).strftime('%B')}" for month, day in (plan.season_starts, plan.looked_over_on)
    )
    return f"Season from {starts}: look this over by {look} each year."


def rule_box(result: HouseholdResult, way: WayTiming) -> Box:
    """Say what starts a way of leaving, and how long getting ready takes; never a clock time of the plan's own day."""
    rules = [rule for rule in result.rules.rules.values() if rule.way == way.way]
    if way.route is None or not rules:
        if way.way == "tow":
            return Box("The house stays", lines("no way out for it", _RULE_LETTERS, _RULE_LINES), ["Go without it."])
        more = "No way out was found. Ask your fire agency." if way.route is None else "No rule was worked out."
        when = "the day before any day of fire danger"
        return Box(_GOES[way.way], lines(when, _RULE_LETTERS, _RULE_LINES), lines(more, _BOX_LETTERS, 2))
    need = _need(way)
    early = [rule for rule in rules if rule.verdict == "evening before"]
    word = _word_of_fire(result, way.way)
    if not early:
        return Box(
            _GOES[way.way],
            lines(f"on {word}", _RULE_LETTERS, _RULE_LINES),
            ["On any day, at once.", *lines(need, _BOX_LETTERS)],
        )
    first = early[0].rating
    day = first if first == LIKE_THE_PLANS else f"a day rated {first}"
    worse = "" if first in (LIKE_THE_PLANS, result.rules.days[-1].name) else " or worse"
    rule = _with_end(f"the evening before {day}", worse)
    return Box(_GOES[way.way], rule, [*lines(f"Other days: on {word}.", _BOX_LETTERS), *lines(need, _BOX_LETTERS)])


def _with_end(text: str, end: str) -> list[str]:
    """Lines of a rule whose name may be cut, but never its end."""
    whole = lines(f"{text}{end}", _RULE_LETTERS, _RULE_LINES)
    if not whole[-1].endswith("…"):
        return whole
    return [*lines(text, _RULE_LETTERS, _RULE_LINES - 1), end.strip()] if end else whole


def _need(way: WayTiming) -> str:
    slow_s = way.ready_at_confidence_s
    return f"Slow day: ready in {wording.duration_words(slow_s)}." if slow_s > 0.0 else "Nothing to get ready."


def _word_of_fire(result: HouseholdResult, way: str) -> str:
    """Which word of fire counts: within the farthest that the go line lies from the home, rounded up, or of any."""
    rule = next((rule for rule in result.rules.drawn if rule.way == way), None)
    if rule is None or rule.beyond or rule.go.area.is_empty:
        return "word of any fire"
    away_m = shapely.get_coordinates(rule.go.area) - np.array(result.home_xy_m)
    far = broad_words(float(np.hypot(*away_m.T).max()), result.plan.measures, whole=True)
    return f"word of fire within {far}"


def late_lines(result: HouseholdResult, way: WayTiming) -> list[str]:
    """Say how far out fire is too near to start getting ready, on every side, and by roads and places that fit beside.

    Names alone would leave out the sides where no road or place lies at the line.
    """
    rule = next((rule for rule in result.rules.drawn if rule.way == way.way), None)
    if rule is None or way.route is None:
        return []
    near: dict[str, list[str]] = {}
    for name, where in filter(None, map(short_words, rule.landmarks)):
        near.setdefault(name, []).append(_short(where))
    sides = _sides_words(_main_directions(rule.late.distance_m), result.plan.measures)
    told = [sides, *(f"{name} {', '.join(where)}" for name, where in near.items())]
    count = 1
    while count < len(told) and columns(f"{_WHOM[way.way]}: {'; '.join(told[: count + 1])}") <= _WIDE_LETTERS:
        count += 1
    return lines(f"{_WHOM[way.way]}: {'; '.join(told[:count])}", _WIDE_LETTERS)


def _sides_words(distances: Sequence[tuple[float, float]], measures: Measures) -> str:
    """Say how far out to each side, in few letters: sides without an end together where there are several.

    >>> from leaveby.units import METRIC
    >>> _sides_words([(0.0, 22_100.0), (90.0, math.inf)], METRIC)
    'N 23 km, E at any distance'
    >>> _sides_words([(0.0, math.inf), (90.0, 4000.0), (180.0, math.inf)], METRIC)
    'N, S at any distance, E 4 km'
    """
    open_sides = [_short(compass_words(bearing_deg)) for bearing_deg, at_m in distances if math.isinf(at_m)]
    together = len(open_sides) > 1
    told = [f"{', '.join(open_sides)} at any distance"] if together else []
    for bearing_deg, at_m in distances:
        side = _short(compass_words(bearing_deg))
        if math.isfinite(at_m):
            told.append(f"{side} {broad_words(at_m, measures)}")
        elif not together:
            told.append(f"{side} at any distance")
    return ", ".join(told)


def _short(where: str) -> str:
    """A direction in letters, where one stands at the end.

    >>> _short("5.5 km north-west"), _short("south")
    ('5.5 km NW', 'S')
    """
    *before, last = where.split(" ")
    return " ".join([*before, _COMPASS.get(last, last)])


def _main_directions(distance_m: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The farthest of the line in each of four directions, from those on both sides of it too."""
    found = []
    for main_deg in (0.0, 90.0, 180.0, 270.0):
        near = [at_m for bearing, at_m in distance_m if abs((bearing - main_deg + 180.0) % 360.0 - 180.0) <= 45.0]
        found.append((main_deg, max(near, default=math.inf)))
    return found


def _way_out(result: HouseholdResult) -> list[tuple[list[str], list[str]]]:
    """For each different route its heading and a line a turn, so many that all fit."""
    routes = drawn_routes(result)[:2]
    found, room = [], _SIDE_LINES
    for number, (names, route) in enumerate(routes, start=1):
        time_s = max(result.ways[name].drive_s.p95_s for name in names)
        head = lines(f"{number} {_names(names)}: {route.safe_point}", _SIDE_LETTERS, 2)
        length = f"{distance_words(route.length_m, result.plan.measures)}, {wording.duration_words(time_s)}"
        # where one starts and arrives needs no turn
        steps = [step for step in route.steps if step.turn != "start" and step.street != f"drive of {route.safe_point}"]
        turns = (room if number == len(routes) else room // 2 + 1) - len(head) - 1
        shown = steps if len(steps) <= turns else steps[: turns - 1]
        told = [f"{step.turn.capitalize()}, {wording.street_words(step.street)}" for step in shown]
        rest = len(steps) - len(shown)
        told += [f"{rest} more turns: see report"] if rest else []
        found.append((head, [line for words in [length, *told] for line in lines(words, _SIDE_LETTERS)]))
        room -= len(head) + 1 + len(told)
    return found


def _names(names: Sequence[str]) -> str:
    said = " and ".join({"tow": "house", "foot": "on foot"}.get(name, name) for name in names)
    return said.capitalize()


def _sources(result: HouseholdResult) -> list[str]:
    """Where official warnings are heard; no line where the plan does not say."""
    told = [
        f"{one.name} {', '.join(words for words in (one.radio, one.number, one.site) if words)}"
        for one in result.plan.official_sources
    ]
    return lines(f"{_SOURCES_HERE} {'; '.join(told)}", _WIDE_LETTERS, _SOURCE_LINES) if told else []


def task_columns(result: HouseholdResult) -> list[list[tuple[str, str]]]:
    """Columns of lines, each with its kind: a person's name, a task with its box to tick, or how it goes on.

    Tasks stand in the order of the schedule under each who does them, those of one way alone with its mark. A person's
    list is kept together, or the name is said again where it goes on.
    """
    told: dict[str, list[str]] = {}
    ways, room = _ticked_ways(result), _room(result)
    for way in ways:
        for place in way.schedule.order:
            task = way.schedule.tasks[place]
            mark = "" if all(task in other.schedule.tasks for other in ways) else ONLY[way.way][0]
            for name in way.schedule.who[place] if mark or way is ways[0] else ():
                told.setdefault(name, []).append(f"{task}{mark}")
    people = [person.name for person in result.plan.people if person.name in told]
    count = 2 if len(people) <= 2 else 3
    if not people:
        return [[("name", "Nothing to do before leaving.")]]
    if len(people) in (2, 3):
        return [
            column for name in people for column in _columns({name: told[name]}, _TASK_LETTERS[count], 1, room=room)[0]
        ]
    lists = {name: told[name] for name in people}
    found, left = _columns(lists, _TASK_LETTERS[count], count, room=room, together=True)
    return _columns(lists, _TASK_LETTERS[count], count, room=room)[0] if left else found


def only_words(result: HouseholdResult, columns: Sequence[Sequence[tuple[str, str]]]) -> str:
    """Say what the marks of the tasks in these columns mean, as far as there are any."""
    ways = _ticked_ways(result)
    tasks = {way.way: set(way.schedule.tasks) for way in ways}
    marked = [ONLY[name] for name, mine in tasks.items() if any(mine - other for other in tasks.values())]
    ends = {line[-1:] for column in columns for kind, line in column if kind != "name"}
    said = [" ".join(words) for words in marked if words[0] in ends]
    return f" ({', '.join(said)})" if said else ""


def practised_line(result: HouseholdResult, *, made_at: datetime) -> list[str]:
    """How often the way with the most to do was practised, on one line; no line where no way on the sheet was."""
    told = [
        (way.way, practised_words(result.plan, way.way, made_at=made_at, short=True)) for way in _ticked_ways(result)
    ]
    return next((lines(f"{_WHOM[way]}: {words}.", _WIDE_LETTERS) for way, words in told if words), [])


def _room(result: HouseholdResult) -> int:
    """Lines for tasks: fewer where lines tell of neighbours' cars, or how often the tasks were practised."""
    practised = any(runs_for(result.plan, way.way) for way in _ticked_ways(result))
    return _TASK_LINES - practised - len(sheet_line(_sheet_ways(result)))


def _ticked_ways(result: HouseholdResult) -> list[WayTiming]:
    """The ways whose tasks are to be ticked, first the one with the most to do."""
    ways = _sheet_ways(result)
    main = main_way(result)
    return sorted([way for way in ways if way.route is not None] or ways, key=lambda way: way.way != main)


def _columns(
    lists: Mapping[str, Sequence[str]], letters: int, most: int, *, room: int, together: bool = False
) -> tuple[list[list[tuple[str, str]]], int]:
    """Lay people's lists out in so many columns at most, and give how many tasks found no room; the last line says it.

    A name never stands last in a column, nor a task's second line first; `together` begins a column for a list that
    does not fit below another one.
    """
    found: list[list[tuple[str, str]]] = [[]]
    left = 0
    for name, tasks in lists.items():
        head, again = lines(name, letters)[0], f"{lines(name, letters - len(_CONTINUED))[0]}{_CONTINUED}"
        units = [_task_lines(task, letters) for task in tasks]
        if together and found[-1] and len(found[-1]) + 1 + sum(map(len, units)) > room:
            found.append([])
        for number, unit in enumerate(units):
            block = [("name", head), *unit] if number == 0 else unit
            if len(found[-1]) + len(block) > room:
                found.append([])
                block = [("name", head if number == 0 else again), *unit]
            found[-1] += block
    left = sum(kind == "task" for column in found[most:] for kind, _ in column)
    if left:
        last = found[most - 1]
        while len(last) >= room or last[-1][0] == "name":
            left += last.pop()[0] == "task"
        last += [("name", line) for line in lines(f"and {left} more: see report", letters)]
    return found[:most], left


def _task_lines(task: str, letters: int) -> list[tuple[str, str]]:
    first, *more = lines(task, letters - 3, 2)
    return [("task", first), *(("on", line) for line in more)]


def tell_words(result: HouseholdResult) -> list[str]:
    """Who is away at first and has to be fetched or waited for, on one line; nobody where all are at home."""
    away = [person for person in result.plan.people if person.is_away]
    if not away:
        return []
    named = "; ".join(f"{one.name}, home in up to {math.ceil(one.arrival_points_s[-1] / 60.0)} min" for one in away)
    return lines(f"Away: {named}", _AWAY_LETTERS)
