"""How times, durations, distances and names are said to a person.

Every rounding goes to the side that makes people leave earlier: clock times down, durations up, savings down.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final, Protocol

from leaveby.decision.result import HouseholdResult, WayTiming, opens, way_is_open
from leaveby.errors import refuse

WAYS: Final = ("tow", "car", "foot")
"""Ways of leaving in the order in which they are shown: the slowest to make ready first."""

WAY_TITLES: Final[Mapping[str, str]] = {
    "tow": "Towing the house",
    "car": "By car, without the house",
    "foot": "On foot",
}

WAY_VERBS: Final[Mapping[str, str]] = {
    "tow": "tow the house out",
    "car": "go by car without the house",
    "foot": "go on foot",
}

MODEL_WORDS: Final[Mapping[str, str]] = {
    "dry_eucalypt": "dry eucalypt forest equation",
    "mark5": "Mark 5 forest equation",
    "grass": "grassland equation",
    "shrubland": "shrubland equation",
    "rule_10_percent": "rule of 10 % of the wind speed",
    "rule_20_percent": "rule of 20 % of the wind speed",
    "floor": "lowest speed set by hand",
    "set by hand": "speed set by hand",
    "creep": "slowest spread assumed",
}
"""Governing models in words; another name stands as it is."""

_SLACK: Final = 1e-6
"""Absorbs the last bits of a float before a duration is rounded up, far below a second."""


class Clocked(Protocol):
    """An answer that counts its seconds from a moment: the household's, or a drill."""

    @property
    def start(self) -> datetime:
        """The moment, with UTC offset."""
        ...


def clean(text: str, limit: int | None = None) -> str:
    """Make a name fit to be shown on one line: no control characters, no line breaks, no more than `limit` letters.

    Characters that turn the direction of the text are taken out as well, since they can make a line read otherwise
    than it stands.

    Examples
    --------
    >>> clean("a\\x00b\\n  c"), clean("Sallow Spur Road", 8)
    ('ab c', 'Sallow …')
    """
    kept = []
    for letter in text:
        if letter.isspace():
            kept.append(" ")
        elif unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Co", "Cn"} or letter == "\u200d":
            kept.append(letter)
    line = " ".join("".join(kept).split())
    if limit is not None and len(line) > limit:
        return line[: limit - 1] + "…"
    return line


def check_made_at(made_at: datetime) -> None:
    """Refuse a moment of writing that has no UTC offset.

    Raises
    ------
    InputError

    Examples
    --------
    >>> check_made_at(datetime(2026, 1, 17, 12, 0))
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: made_at: has no UTC offset. Expected a moment with UTC offset. ...
    """
    if made_at.tzinfo is None:
        raise refuse("made_at", "has no UTC offset", expected="a moment with UTC offset", mend="give it a time zone")


def floor_clock(moment: datetime, minutes: int) -> datetime:
    """Round a clock time down to whole minutes, or to a step of minutes that divides the hour.

    Examples
    --------
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
    """Clock time for a person, rounded down to 5 minutes, with the day where it is not the scenario's first day."""
    moment = floor_clock(_clock(result, time_s), step_min)
    if moment.date() == result.start.date():
        return moment.strftime("%H:%M")
    return moment.strftime("%a %H:%M")


def day_words(moment: datetime) -> str:
    """Day, date and UTC offset in words.

    Examples
    --------
    >>> from datetime import timezone
    >>> day_words(datetime(2026, 1, 17, 12, 0, tzinfo=timezone(timedelta(hours=11))))
    'Saturday 17 January 2026 (clock times are UTC+11:00)'
    """
    offset = moment.strftime("%z")
    zone = f"UTC{offset[:3]}:{offset[3:5]}" if offset else "local"
    return f"{moment.strftime('%A')} {moment.day} {moment.strftime('%B %Y')} (clock times are {zone})"


def minutes_up(time_s: float) -> float | None:
    """Minutes, rounded up to a tenth; None where it is without end.

    Examples
    --------
    >>> minutes_up(90.0), minutes_up(61.0), minutes_up(math.inf)
    (1.5, 1.1, None)
    """
    if not math.isfinite(time_s):
        return None
    return math.ceil(time_s / 6.0 - _SLACK) / 10.0


def minutes_down(time_s: float) -> float | None:
    """Minutes, rounded down to a tenth; None where it is without end.

    Examples
    --------
    >>> minutes_down(90.0), minutes_down(65.0), minutes_down(math.inf)
    (1.5, 1.0, None)
    """
    if not math.isfinite(time_s):
        return None
    return math.floor(time_s / 6.0 + _SLACK) / 10.0


def duration_words(time_s: float) -> str:
    """Hours and minutes, rounded up to the whole minute.

    Examples
    --------
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


def distance_words(length_m: float) -> str:
    """Metres to the next ten, or kilometres to the next tenth.

    Examples
    --------
    >>> distance_words(143.0), distance_words(12345.0)
    ('140 m', '12.3 km')
    """
    if length_m < 995.0:
        return f"{max(10, round(length_m / 10.0) * 10)} m"
    return f"{length_m / 1000.0:.1f} km"


def street_words(street: str, limit: int | None = 60) -> str:
    """Name of a street, or words for one without a name.

    Examples
    --------
    >>> street_words(""), street_words("Tannery Lane")
    ('a road without a name', 'Tannery Lane')
    """
    return clean(street, limit) or "a road without a name"


def percent_words(share: float) -> str:
    """A share as per cent, never rounded up.

    Examples
    --------
    >>> percent_words(0.95), percent_words(0.999), percent_words(0.9999)
    ('95 %', '99.9 %', '99.9 %')
    """
    percent = math.floor(share * 1000.0 + _SLACK) / 10.0
    return f"{percent:g} %"


def why_words(way: WayTiming) -> str:
    """Why a way of leaving has no time, as a sentence that is never empty."""
    return clean(way.why) or "No time could be computed for this way of leaving: do not count on it."


def shown_ways(result: HouseholdResult) -> tuple[WayTiming, ...]:
    """The ways of leaving that the result holds, in the order in which they are shown."""
    known = [result.ways[name] for name in WAYS if name in result.ways]
    return (*known, *(way for name, way in result.ways.items() if name not in WAYS))


def before_fire(way: WayTiming) -> bool:
    """Whether this way's latest start lies before the fire starts."""
    return way.latest_start_s is not None and way.latest_start_s < 0.0


def main_sentence(result: HouseholdResult) -> str:
    """One sentence that says what to do, from the ways of leaving that have a time; never that there is time left."""
    timed = {
        name: way.latest_start_s
        for name, way in result.ways.items()
        if way.latest_start_s is not None and not before_fire(way)
    }
    if not timed:
        return _sentence_without_times(result)
    tow_s, car_s = timed.get("tow"), timed.get("car")
    if tow_s is not None and car_s is not None:
        if tow_s < car_s:
            return (
                f"On a day like this, start getting ready by {clock_words(result, tow_s)} to tow the house out; if you "
                f"have not started by then, leave the house behind and start getting ready to go by car by "
                f"{clock_words(result, car_s)} at the latest. Earlier is better."
            )
        return (
            f"On a day like this, start getting ready by {clock_words(result, car_s)} at the latest, with or without "
            f"the house. Earlier is better."
        )
    if car_s is not None:
        tow = result.ways.get("tow")
        behind = "leave the house behind and " if tow is not None and not way_is_open(tow) else ""
        return (
            f"On a day like this, {behind}start getting ready to go by car by {clock_words(result, car_s)} at the "
            f"latest. Earlier is better."
        )
    if tow_s is not None:
        return (
            f"On a day like this, start getting ready to tow the house out by {clock_words(result, tow_s)} at the "
            f"latest. Earlier is better."
        )
    name, at_s = min(timed.items(), key=lambda item: item[1])
    verb = WAY_VERBS.get(name, f"leave ({name})")
    return (
        f"On a day like this, start getting ready to {verb} by {clock_words(result, at_s)} at the latest. "
        f"Earlier is better."
    )


def _sentence_without_times(result: HouseholdResult) -> str:
    if any(before_fire(way) for way in result.ways.values()):
        return "On a day like this it is too late once the fire has started: be away before such a day begins."
    if not opens(result):
        return (
            "No way out was found for you: talk to your fire agency before the season, and be away before a day "
            "like this begins."
        )
    return (
        "No leave-by time was found for this day, which does not mean that the fire stays away: leave early, and go "
        "at once when you are told to go."
    )


def no_way_out_words(result: HouseholdResult) -> str:
    """From when on there is no way out at all, in the scenario's central run; never that a road stays open."""
    at_s = result.no_way_out_s
    if at_s == -math.inf:
        return "No road leads from the home to a safe point of your plan, even with no fire."
    if not math.isfinite(at_s):
        return (
            "In the middle run of this scenario some road out was not shut within the hours looked at. That is no "
            "leave to wait: in others it was."
        )
    return (
        f"Even in the middle run of this scenario there is no way out after {clock_words(result, at_s)}: whoever is "
        "not on the way by then finds every road to every safe point shut. In one run of two that comes earlier."
    )


def minutes_between(result: Clocked, moment: datetime) -> float:
    """Minutes from the scenario's start to a clock time."""
    return (moment - result.start) / timedelta(minutes=1)
