"""How times, durations and names are said to a person; distances and speeds are in `leaveby.units`.

Every rounding goes to the side that makes people leave earlier: clock times down, durations up, savings down.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal, Protocol

from leaveby.caution import OSM_NOTICE
from leaveby.decision.household.phases import late_words
from leaveby.decision.rules.words import share_words
from leaveby.decision.ways.result import WAY_WORDS as LEAVING
from leaveby.decision.ways.result import FirstAnswer, HouseholdResult, Precision, Rule, WayRoute, WayTiming
from leaveby.decision.ways.timing import NO_FIRE
from leaveby.errors import clean as clean
from leaveby.errors import refuse
from leaveby.household.plan import LIKE_THE_PLANS, Plan, asked_ways
from leaveby.regions import sentences, table_rows
from leaveby.units import given_words

WAYS: Final = ("tow", "car", "foot")
"""Ways of leaving in the order in which they are shown: the slowest to make ready first."""

WAY_TITLES: Final[Mapping[str, str]] = {
    "tow": "Towing the house",
    "car": "By car, without the house",
    "foot": "On foot",
}

WAY_WORDS: Final[Mapping[str, str]] = {"tow": "towing", "car": "car", "foot": "foot"}

INSIDE_WORDS: Final[Mapping[str, str]] = {
    "tow": "fire inside: leave the house",
    "car": "fire inside: go at once",
    "foot": "fire inside: go at once",
}
"""What to do when fire is inside a way's trigger line, on a map: one is late then, not cut off."""

LINE_WORDS: Final = {"go": "Go line", "late": "Too late line"}
LINE_MEANS: Final = {
    "go": "with fire inside, or word of it, leave this way at once",
    "late": "with fire inside, it is too near to start getting ready for this way of leaving",
}
"""What the two lines of a rule mean."""

MODEL_WORDS: Final = {row["model"]: row["words"] for row in table_rows("leaveby.show", "model_words.csv")}
"""Governing models in words; another name stands as it is."""

FLAT: Final = "No slopes are counted: where the ground is not level, fire comes sooner."
_SLACK: Final = 1e-6
"""Absorbs the last bits of a float before a duration is rounded up, far below a second."""


class Clocked(Protocol):
    """An answer that counts its seconds from a moment: the household's, or a drill."""

    @property
    def start(self) -> datetime:
        """The moment, with UTC offset."""
        ...


def check_made_at(made_at: datetime) -> None:
    """Refuse a moment of writing that has no UTC offset.

    >>> check_made_at(datetime(2026, 1, 17, 12, 0))
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: made_at: has no UTC offset. Expected a moment with UTC offset. ...
    """
    if made_at.tzinfo is None:
        raise refuse("made_at", "has no UTC offset", expected="a moment with UTC offset", mend="give it a time zone")


def floor_clock(moment: datetime, minutes: int) -> datetime:
    """Round a clock time down to whole minutes, or to a step of minutes that divides the hour.

    >>> floor_clock(datetime(2026, 1, 17, 13, 9, 59), 5).strftime("%H:%M:%S")
    '13:05:00'
    """
    return moment.replace(minute=moment.minute - moment.minute % minutes, second=0, microsecond=0)


def _clock(result: Clocked, time_s: float) -> datetime:
    return result.start + timedelta(seconds=float(time_s))


def iso_minute(result: Clocked, time_s: float | None) -> str | None:
    """ISO 8601 clock time with offset, rounded down to the whole minute; None for None and for times without end."""
    if time_s is None or not math.isfinite(time_s):
        return None
    return floor_clock(_clock(result, time_s), 1).isoformat(timespec="minutes")


def clock_words(result: Clocked, time_s: float, *, step_min: int = 5) -> str:
    """Clock time for a person, rounded down to 5 minutes, with the day where it is not the scenario's first day.

    A time that lies after the fire's start is not rounded down to before it, where it would read as a time before it.
    """
    moment = floor_clock(_clock(result, time_s), step_min)
    if time_s >= 0.0 and moment < result.start:
        moment = floor_clock(result.start, 1)
    if moment.date() == result.start.date():
        return moment.strftime("%H:%M")
    return moment.strftime("%a %H:%M")


def day_words(moment: datetime) -> str:
    """Day, date and UTC offset in words.

    >>> from datetime import timezone
    >>> day_words(datetime(2026, 1, 17, 12, 0, tzinfo=timezone(timedelta(hours=11))))
    'Saturday 17 January 2026 (clock times are UTC+11:00)'
    """
    offset = moment.strftime("%z")
    zone = f"UTC{offset[:3]}:{offset[3:5]}" if offset else "local"
    return f"{moment.strftime('%A')} {moment.day} {moment.strftime('%B %Y')} (clock times are {zone})"


def minutes_up(time_s: float) -> float | None:
    """Minutes, rounded up to a tenth; None where it is without end.

    >>> minutes_up(90.0), minutes_up(61.0), minutes_up(math.inf)
    (1.5, 1.1, None)
    """
    if not math.isfinite(time_s):
        return None
    return math.ceil(time_s / 6.0 - _SLACK) / 10.0


def minutes_down(time_s: float) -> float | None:
    """Minutes, rounded down to a tenth; None where it is without end.

    >>> minutes_down(90.0), minutes_down(65.0), minutes_down(math.inf)
    (1.5, 1.0, None)
    """
    if not math.isfinite(time_s):
        return None
    return math.floor(time_s / 6.0 + _SLACK) / 10.0


def duration_words(time_s: float) -> str:
    """Hours and minutes, rounded up to the whole minute.

    >>> duration_words(61.0), duration_words(5400.0), duration_words(7200.0), duration_words(math.inf)
    ('2 min', '1 h 30 min', '2 h', 'longer than was looked at')
    """
    if not math.isfinite(time_s):
        return "longer than was looked at"
    minutes = math.ceil(time_s / 60.0 - _SLACK)
    hours, rest = divmod(minutes, 60)
    if hours == 0:
        return f"{rest} min"
    return f"{hours} h" if rest == 0 else f"{hours} h {rest} min"


def street_words(street: str, limit: int | None = 60) -> str:
    """Name of a street, or words for one without a name.

    >>> street_words(""), street_words("Tannery Lane")
    ('a road without a name', 'Tannery Lane')
    """
    return clean(street, limit) or "a road without a name"


def percent_words(share: float) -> str:
    """A share as per cent, never rounded up.

    >>> percent_words(0.95), percent_words(0.999), percent_words(0.9999)
    ('95 %', '99.9 %', '99.9 %')
    """
    percent = math.floor(share * 1000.0 + _SLACK) / 10.0
    return f"{percent:g} %"


def near_words(known: Precision) -> str:
    """How nearly a time is known.

    >>> near_words(Precision(20000, 80, -100.0, 400.0)), near_words(Precision(20000, 80, -100.0, math.inf))
    ('known to within 5 min either way', 'how nearly it is known could not be told')
    """
    if not math.isfinite(known.high_s - known.low_s):
        return "" if known.low_s == known.high_s else "how nearly it is known could not be told"
    return f"known to within {math.ceil((known.high_s - known.low_s) / 120.0)} min either way"


def why_words(way: WayTiming) -> str:
    """Why a way of leaving has no time, as a sentence that is never empty."""
    return clean(way.why) or "No time could be computed for this way of leaving: do not count on it."


def shown_ways(result: HouseholdResult | FirstAnswer) -> tuple[WayTiming, ...]:
    """The ways of leaving of a result that are shown, in their order."""
    return ways_asked(result.plan, result.ways)


def ways_asked(plan: Plan, ways: Mapping[str, WayTiming]) -> tuple[WayTiming, ...]:
    """The ways of leaving that a plan asks for."""
    return tuple(ways[name] for name in asked_ways(plan, {name: way.route is not None for name, way in ways.items()}))


def shared_routes(result: HouseholdResult) -> tuple[tuple[tuple[str, ...], WayRoute], ...]:
    """Each different route once, with the names of the ways of leaving that share it."""
    found: dict[tuple[tuple[int, ...], str], tuple[tuple[str, ...], WayRoute]] = {}
    for way in shown_ways(result):
        if way.route is not None:
            key = (way.route.edges, way.route.safe_point)
            names, route = found.get(key, ((), way.route))
            found[key] = ((*names, way.way), route)
    return tuple(found.values())


def ways_words(names: Iterable[str]) -> str:
    """Ways of leaving in a few words.

    >>> ways_words(("tow", "car"))
    'towing and car'
    """
    return " and ".join(WAY_WORDS.get(name, name) for name in names)


def before_fire(way: WayTiming) -> bool:
    """Whether this way's latest start lies before the fire starts."""
    return way.latest_start_s is not None and way.latest_start_s < 0.0


def roll_label(way: WayTiming) -> str:
    """What one has to be doing by the latest departure."""
    return "be walking by" if way.way == "foot" else "be rolling by"


def leave_by_line(result: Clocked, way: WayTiming) -> str:
    """By when to start and to roll, or why there is no time; the same words on every output."""
    if way.route is None or way.latest_start_s is None or way.latest_departure_s is None:
        return why_words(way)
    start, leave = (clock_words(result, at_s) for at_s in (way.latest_start_s, way.latest_departure_s))
    early = f", before the fire starts ({result.start.strftime('%H:%M')})" if before_fire(way) else ""
    first = f"{STILL_THERE}, start" if goes_before(result, way.way) else "Start"
    return f"{first} getting ready by {start}{early}, {roll_label(way)} {leave}."


def by_when(result: HouseholdResult, way: WayTiming) -> str:
    """By when to go this way, as `leave_by_line`; "" where the plan has no fire, which is said once for all ways."""
    return "" if result.fire is None and way.route is not None else leave_by_line(result, way)


STILL_THERE: Final = "If you are still there"

_GO: Final = {"tow": "the house goes", "car": "you go by car", "foot": "you go on foot"}

_AT_LEAST: Final = "at the latest, and earlier where officials say so. "


def goes_before(result: Clocked, way: str) -> bool:
    """Whether the rule of the plan's own day says the evening before for a way of leaving."""
    if not isinstance(result, HouseholdResult) or result.fire is None:
        return False
    held = result.rules.of(result.rules.held.rating)
    return any(rule.way == way and (result.rules.held.tells or rule.verdict == "evening before") for rule in held)


def flat_words(result: HouseholdResult) -> str:
    """What stands over every answer of a plan whose ground is taken as level; "" for all others."""
    return FLAT if result.plan.terrain.flat else ""


def today_words(result: HouseholdResult) -> str:
    """What the rule of the plan's own day says against its clock times: to be said before any of them; "" if nothing.

    Where the plan has no day of its own there is nothing to say.
    """
    rules, held = result.rules, result.rules.held
    if result.fire is None or not rules.of(held.rating):
        return ""
    at = clean(str(held.rating), 60)
    lead, day = "", "On such a day"
    if held.rating == LIKE_THE_PLANS:
        day = "On a day like this plan's own,"
    elif rules.today == held.rating:
        day = f"This plan's own day is rated {at}, and on such a day"
    elif rules.today is None:
        none = "This plan's own day has none of the ratings that the rules are for"
        lead = f"{none}: leave as on a day rated {at} {_AT_LEAST}"
    else:
        rated = f"This plan's own day is rated {clean(rules.today, 60)}, for which it has no rule"
        highest = f"leave as on a day rated {at}, the highest it names, {_AT_LEAST}"
        lead = f"{rated}: {highest if held.above else f'that of the next higher rating it names, {at}, holds. '}"
    early = [way for way in WAYS if goes_before(result, way)]
    if not early:
        return lead.rstrip()
    goes, ways = (" and ".join(words[way] for way in early) for words in (_GO, LEAVING))
    day = "Its rating itself tells people to leave:" if held.tells else day
    times = f"Its clock times for leaving {ways} are only for if you are still there."
    return f"{lead}{day} {goes} the evening before. {times}"


def days_words(rating: str) -> str:
    """Days of a rating, or those like the plan's own.

    >>> days_words("Extreme"), days_words(LIKE_THE_PLANS)
    ('days rated Extreme', "days like the plan's")
    """
    return "days like the plan's" if rating == LIKE_THE_PLANS else f"days rated {clean(rating, 60)}"


def rule_line(rule: Rule) -> str:
    """A rule on one line of a terminal, never wider than 80 columns: rating, way, verdict, how many are too near."""
    why = "the rating itself" if rule.told else share_words(rule.share)
    verdict = "on word of fire inside the line" if rule.verdict == "on word of fire" else "the evening before"
    return f"  {clean(rule.rating, 24)}, {rule.way}: {verdict} ({why})"


def rules_heading(result: HouseholdResult) -> str:
    """What stands over the rules on a terminal."""
    within = given_words(result.rules.radius_m, result.plan.measures)
    return f"The rules (in brackets: of 100 fires within {within}, those too near):"


def late_line(result: HouseholdResult, way: WayTiming) -> str:
    """What is left to do after a way's latest departure; "" where that is not bounded."""
    if way.route is None or way.latest_departure_s is None:
        return ""
    return f"After that you are late: {late_words(way.way, result.way_phases[way.way])}"


def need_line(way: WayTiming) -> str:
    """How long getting ready and the way take, as a rule and on a slow day."""
    slow_s = way.ready_at_confidence_s
    ready = (
        f"Getting ready takes {duration_words(way.ready_s.p50_s)}, on a slow day {duration_words(slow_s)}"
        if slow_s > 0.0
        else "There is nothing to get ready"
    )
    road = "the walk" if way.way == "foot" else "the drive"
    return f"{ready}; {road} {duration_words(way.drive_s.p50_s)}, on a slow day {duration_words(way.drive_s.p95_s)}."


def slower_line(result: HouseholdResult, way: WayTiming) -> str:
    """Say why the car goes a way that takes longer than that of the house, where it does; else ""."""
    tow = result.ways.get("tow")
    if way.way != "car" or result.fire is None or tow is None or tow.route is None or way.route is None:
        return ""
    if way.drive_s.p50_s <= tow.drive_s.p50_s:
        return ""
    return "It takes longer than the way with the house; it was chosen since fire cut it off later on such days."


def first_shut_line(result: HouseholdResult, route: WayRoute) -> str:
    """Which street of a route shuts first, and when; "" where none was computed to."""
    if not math.isfinite(route.closes_first_s):
        return ""
    at = clock_words(result, route.closes_first_s)
    return f"The first street to shut: {street_words(route.closes_first)}, from {at} on a middling day, or earlier."


def counts_words(result: HouseholdResult, way: WayTiming) -> str:
    """Say that the other way's time counts for this one, where that is the earlier or the only one; else ""."""
    other = {"tow": "car", "car": "tow"}.get(way.way)
    if other is None:
        return ""
    mine, its = _leave(result, way.way), _leave(result, other)
    sooner = its.has_time and (
        (mine.kind == "timed" and its.at_s < mine.at_s and its.clock != mine.clock and way.way == "tow")
        or (mine.kind == "unbounded" and (way.way == "tow" or its.kind == "timed"))
    )
    if not sooner:
        return ""
    return f"The earlier time counts: {its.clock}, as for {'going by car' if other == 'car' else 'towing the house'}."


_Kind = Literal["absent", "closed", "unbounded", "before", "timed"]


@dataclass(frozen=True)
class _Leave:
    """How one way of leaving stands: not in the plan, without a route, without a time, or with one."""

    kind: _Kind
    at_s: float = math.inf
    clock: str = ""

    @property
    def has_time(self) -> bool:
        return self.kind in ("before", "timed")


def _leave(result: HouseholdResult, name: str) -> _Leave:
    way = result.ways.get(name)
    if way is None:
        return _Leave("absent")
    if way.route is None:
        return _Leave("closed")
    if way.latest_start_s is None:
        return _Leave("unbounded")
    kind: _Kind = "before" if before_fire(way) else "timed"
    return _Leave(kind, way.latest_start_s, clock_words(result, way.latest_start_s))


_ON_WHEELS: Final = {
    (row["tow"], row["car"], row["order"]): row["words"] for row in table_rows("leaveby.show", "main_sentence.csv")
}
"""What to do by how towing and the car stand, and which of them has to start first."""


def main_sentence(result: HouseholdResult) -> str:
    """Say in one or two sentences what to do, from the ways of leaving; never that there is time left.

    Where one time is named for several ways it is the earliest of them, and a time before the fire starts is named as
    such.
    """
    tow, car, foot = (_leave(result, name) for name in WAYS)
    words, named_s = _on_wheels(tow, car) if result.fire is not None and (tow.has_time or car.has_time) else ("", 0.0)
    return " ".join(
        sentences(
            "show/main_sentence.txt.j2",
            worked=result.fire is not None,
            no_fire=NO_FIRE,
            tow=tow,
            car=car,
            foot=foot,
            words=words,
            sooner=foot.has_time and foot.at_s < named_s and foot.clock not in words,
            by_foot=_by(foot),
        )
    )


def _by(leave: _Leave) -> str:
    return f"{leave.clock}, before the fire starts" if leave.kind == "before" else f"{leave.clock} at the latest"


def _on_wheels(tow: _Leave, car: _Leave) -> tuple[str, float]:
    """What to do where towing or the car has a time, and the time up to which that is said."""
    order = ""
    if tow.has_time and car.has_time and (tow.kind, car.kind) != ("before", "before"):
        order = "same" if tow.clock == car.clock else "tow first" if tow.at_s < car.at_s else "car first"
    words = _ON_WHEELS[tow.kind, car.kind, order].format(tow=tow.clock, by_tow=_by(tow), by_car=_by(car))
    times_s = [leave.at_s for leave in (tow, car) if leave.has_time]
    return words, max(times_s) if order == "tow first" else min(times_s)


def every_road_shut_words(result: HouseholdResult) -> str:
    """From when on every road out is shut on most days, and the last resort begins; never that a road stays open."""
    at_s = result.phases.shut_from_s
    clock = clock_words(result, at_s) if math.isfinite(at_s) else ""
    told = {"at_s": at_s, "clock": clock, "worked": result.fire is not None, "inf": math.inf}
    return " ".join(sentences("show/every_road.txt.j2", **told))


class Drawn(Protocol):
    """Roads, or an answer about them, with whose data they and the ground are."""

    @property
    def from_osm(self) -> bool:
        """Whether OpenStreetMap's notice is due."""
        ...

    @property
    def credits(self) -> tuple[tuple[str, str], ...]:
        """Few words and notice of each other source."""
        ...


def map_notice(drawn: Drawn, *, short: bool = False) -> str:
    """Whose data a map or page is drawn from, where a notice is due; "" where none is. In few words for a picture."""
    others = (few if short else whole for few, whole in drawn.credits)
    return "; ".join((*([OSM_NOTICE] if drawn.from_osm else []), *others))


def minutes_between(result: Clocked, moment: datetime) -> float:
    """Minutes from the scenario's start to a clock time."""
    return (moment - result.start) / timedelta(minutes=1)
