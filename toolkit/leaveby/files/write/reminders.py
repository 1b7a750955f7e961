"""Writes yearly reminders as an iCalendar file (RFC 5545): check the plan, and do what is done before the season.

They fall eight weeks before the day on which the plan says that the local fire season starts; where it does not say, an
early day is taken. Every reminder says which.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Final
from uuid import UUID, uuid5

from icalendar import Alarm, Calendar, Event

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import refuse
from leaveby.household.plan import Plan
from leaveby.show.map_words import way_name
from leaveby.show.plan.page import ranked_savings
from leaveby.show.plan.practice import practice_lines
from leaveby.show.templates import sentences
from leaveby.show.wording import check_made_at, clean, today_words

_IDENTITIES: Final = UUID("6f0c2c52-7c0b-4c8e-9d53-2a4b8f3e5d17")
"""Fixed once: the same household gets the same identities in every run, so that a calendar replaces its reminders."""

_TITLES: Final = {
    "check": "check the leaving plan",
    "done-before": "do what the leaving plan counts as done",
    "save-time": "what would save the most time when leaving",
}

_ALARMS: Final = (timedelta(days=-7, hours=9), timedelta(hours=9))
"""Nine in the morning, a week before and on the day; counted from the midnight with which the day begins."""

_DAYS: Final = (
    # Judgement, on the early side, for want of a season in the plan file. South of 30 degrees south danger periods
    # begin from August on; nearer the equator fires burn in the dry season, from about April or May in the south and
    # October or November in the north; north of 30 degrees north spring fires come from February or March on.
    (-30.0, 7, 1),
    (0.0, 4, 1),
    (30.0, 10, 1),
    (90.0, 2, 1),
)


def season_day(lat_deg: float) -> tuple[int, int]:
    """Choose the month and day to be reminded on, early for the latitude (judgement).

    >>> season_day(-36.1), season_day(-12.5), season_day(10.0), season_day(42.5)
    ((7, 1), (4, 1), (10, 1), (2, 1))
    """
    if not -90.0 <= lat_deg <= 90.0:
        raise refuse("lat_deg", f"is {lat_deg}", expected="-90 to 90 degrees", mend="give degrees north")
    return next((month, day) for edge_deg, month, day in _DAYS if lat_deg <= edge_deg)


def _day_words(plan: Plan) -> str:
    """Say which day was taken, and that it is only a guess where the plan file names no season."""
    month, day = plan.season_starts or season_day(plan.home.lat_deg)
    said = f"{day} {date(2000, month, day).strftime('%B')}"
    guessed = plan.season_starts is None
    return " ".join(sentences("files/write/reminders.txt.j2", kind="day", guessed=guessed, day=said))


def reminders_ics(result: HouseholdResult, *, made_at: datetime) -> bytes:
    """Lay out the yearly reminders of a household.

    One to check the plan; one to do again what the plan counts as done before the season, where there is any; one with
    what would save the most, done beforehand, where anything would.
    """
    check_made_at(made_at)
    name = clean(result.plan.name, 90)
    calendar = Calendar()
    calendar.add("prodid", "-//leaveby//reminders//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", "Before the fire season")
    calendar.add("description", " ".join(line for line in (OVERRIDE, today_words(result), PLANNING_AID) if line))
    practised = practice_lines(result.plan, made_at=made_at)
    told = {"result": result, "way_name": way_name, "savings": ranked_savings(result), "practised": practised}
    for kind, title in _TITLES.items():
        lines = sentences("files/write/reminders.txt.j2", kind=kind, **told)
        if lines:
            title = f"Before the fire season: {title} ({name})"
            calendar.add_component(_event(result, kind, title=title, lines=lines, made_at=made_at))
    text: bytes = calendar.to_ical()
    return text


def _event(result: HouseholdResult, kind: str, *, title: str, lines: Sequence[str], made_at: datetime) -> Event:
    home = result.plan.home
    day = _next_day(made_at.date(), *(result.plan.looked_over_on or season_day(home.lat_deg)))
    stamp = made_at.astimezone(UTC)
    event = Event()
    household = f"{clean(result.plan.name)} {home.lon_deg:.5f} {home.lat_deg:.5f}"
    event.add("uid", str(uuid5(_IDENTITIES, f"{household} {kind}")))
    event.add("dtstamp", stamp)
    event.add("last-modified", stamp)
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("rrule", {"freq": "yearly"})
    event.add("summary", title)
    today = today_words(result)
    said = [OVERRIDE, *([today] if today else [])]
    event.add("description", "\n".join([*said, "", *lines, "", _day_words(result.plan), PLANNING_AID]))
    # It takes no time of the day away, and the address of a home is nobody else's business.
    event.add("transp", "TRANSPARENT")
    event.add("class", "PRIVATE")
    for before in _ALARMS:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", f"{title}. {OVERRIDE}")
        alarm.add("trigger", before)
        event.add_component(alarm)
    return event


def _next_day(today: date, month: int, day: int) -> date:
    this_year = date(today.year, month, day)
    return this_year if this_year > today else date(today.year + 1, month, day)
