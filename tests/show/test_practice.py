"""What sheet, report, record, reminders and notebook say of practice runs, word for word."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from importlib.resources import files

import jsonschema
import pytest

from leaveby.decision.ways.result import HouseholdResult
from leaveby.files.write.reminders import reminders_ics
from leaveby.household.plan import Plan
from leaveby.household.practice.learned import planned_s
from leaveby.household.practice.runs import Practice, Run
from leaveby.notebook.leave_early import practised
from leaveby.show.plan.page import report_page
from leaveby.show.plan.practice import describe_bars, practice_bars, practice_record, practised_words, run_words
from leaveby.show.plan.record import result_record
from leaveby.show.plan.sheet import practised_line, sheet_page, task_columns

MADE_AT = datetime(2026, 11, 25, 9, 0, tzinfo=timezone(timedelta(hours=11)))


def run_at(day: datetime, total_min: float | None = 84.0, way: str = "tow", **times_min: float) -> Run:
    lasts_s = tuple((name, 60.0 * time_min) for name, time_min in times_min.items())
    return Run(day, way, lasts_s, None if total_min is None else 60.0 * total_min)  # type: ignore[arg-type]


def with_runs(result: HouseholdResult, *runs: Run) -> HouseholdResult:
    return replace(result, plan=replace(result.plan, practice=Practice("practice.csv", runs)))


def planned(plan: Plan, way: str = "tow") -> str:
    minutes = planned_s(plan, way) / 60.0  # type: ignore[arg-type]
    assert minutes == int(minutes)
    return f"{minutes:.0f}"


OCTOBER, YEARS_AGO = datetime(2026, 10, 3, 14, 0), datetime(2024, 9, 30, 14, 0)


@pytest.mark.parametrize(
    ("runs", "said", "short"),
    [
        ((run_at(OCTOBER),), "practised once, in October: 84 minutes; planned {0}", None),
        ((run_at(OCTOBER, 1.0),), "practised once, in October: 1 minute; planned {0}", None),
        ((run_at(OCTOBER, None),), "practised once, in October: no run was ended; planned {0}", None),
        (
            (run_at(YEARS_AGO, 90.0), run_at(YEARS_AGO, 70.0), run_at(OCTOBER)),
            "practised 3 times, last in October: 84 minutes; planned {0}",
            None,
        ),
        (
            (run_at(YEARS_AGO, 83.2), run_at(OCTOBER, None)),
            "practised 2 times, last in October: 84 minutes; planned {0}",
            None,
        ),
        (
            (run_at(YEARS_AGO),),
            "practised once, in September 2024: stale; 84 minutes; planned {0}",
            "practised once, in September 2024: stale",
        ),
        (
            (run_at(YEARS_AGO), run_at(YEARS_AGO)),
            "practised 2 times, last in September 2024: stale; 84 minutes; planned {0}",
            "practised 2 times, last in September 2024: stale",
        ),
        ((run_at(OCTOBER, way="car"),), "", None),
    ],
)
def test_how_often_it_was_practised(
    runs: tuple[Run, ...], said: str, short: str | None, result: HouseholdResult
) -> None:
    plan = with_runs(result, *runs).plan
    said = said.format(planned(plan))
    assert practised_words(plan, "tow", made_at=MADE_AT) == said
    assert practised_words(plan, "tow", made_at=MADE_AT, short=True) == (said if short is None else short)
    assert practised_words(result.plan, "tow", made_at=MADE_AT) == ""


def test_stale_begins_after_a_year(result: HouseholdResult) -> None:
    """A year and a day is stale, a year is not: the same day's practice counts in a leap year too."""
    for days, stale in ((365, False), (366, False), (367, True)):
        then = MADE_AT.replace(tzinfo=None) - timedelta(days=days)
        record = practice_record(with_runs(result, run_at(then)).plan, made_at=MADE_AT)
        assert record["tow"]["stale"] is stale


def test_the_sheet_says_it_on_a_line_that_a_line_of_tasks_makes_room_for(result: HouseholdResult) -> None:
    assert practised_line(result, made_at=MADE_AT) == []
    told = with_runs(result, run_at(OCTOBER), run_at(OCTOBER, 60.0, "car"))
    line = f"House: practised once, in October: 84 minutes; planned {planned(told.plan)}."
    assert practised_line(told, made_at=MADE_AT) == [line]
    assert practised_line(with_runs(result, run_at(OCTOBER, 60.0, "car")), made_at=MADE_AT) == [
        f"We: practised once, in October: 60 minutes; planned {planned(told.plan, 'car')}."
    ]
    assert practised_line(with_runs(result, run_at(OCTOBER, 60.0, "shelter")), made_at=MADE_AT) == []
    page = sheet_page(told, made_at=MADE_AT)
    assert f'<span class="l">{line}</span>' in page
    assert "height: 140pt" in page
    assert "height: 154pt" in sheet_page(result, made_at=MADE_AT)
    assert max(map(len, task_columns(told))) <= 10


@pytest.mark.parametrize("count", [1, 99])
@pytest.mark.parametrize("day", [OCTOBER.replace(month=9), YEARS_AGO])
def test_the_longest_line_of_it_is_whole(count: int, day: datetime, result: HouseholdResult) -> None:
    (line,) = practised_line(with_runs(result, *[run_at(day, 999.0)] * count), made_at=MADE_AT)
    assert not line.endswith("…")


def test_report_record_and_reminders_carry_it(result: HouseholdResult, figures: dict[str, str]) -> None:
    told = with_runs(result, run_at(OCTOBER, 300.0, **{result.plan.tasks[0].name: 9.0}), run_at(OCTOBER, None, "car"))
    page = report_page(told, made_at=MADE_AT, figures=figures)
    assert f"<li>Towing the house: practised once, in October: 300 minutes; planned {planned(told.plan)}. In" in page
    assert "<li>By car, without the house: practised once, in October: no run was ended; planned" in page
    record = result_record(told, made_at=MADE_AT)
    schema = json.loads(files("leaveby").joinpath("show/plan/result.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(record, schema)
    assert record["practice"]["tow"]["runs"][0]["total_min"] == 300.0
    assert record["practice"]["tow"]["runs"][0]["tasks"] == [{"task": result.plan.tasks[0].name, "lasted_min": 9.0}]
    assert record["practice"]["car"]["runs"][0]["total_min"] is None
    assert "practice" not in result_record(result, made_at=MADE_AT)
    text = reminders_ics(told, made_at=MADE_AT).decode().replace("\r\n ", "").replace("\\", "")
    assert "Practise twice with a watch (leaveby practise), one run of them in the dark. Towing the house: prac" in text
    plain = reminders_ics(result, made_at=MADE_AT).decode().replace("\r\n ", "").replace("\\", "")
    assert "- Practise twice with a watch (leaveby practise), one run of them in the dark.n- " in plain


def test_what_a_run_came_to_is_said(result: HouseholdResult) -> None:
    """Every task of the way at its likely time but one at 30 minutes: by hand, the planned total and what was more."""
    plan = result.plan
    tasks = [task for task in plan.tasks if "tow" in task.ways]
    times = {task.name: task.likely_s / 60.0 for task in tasks}
    whole = float(planned(plan))
    assert run_words(plan, run_at(OCTOBER, whole, **times)) == (
        f"{whole:.0f} minutes in all; planned {whole:.0f}.",
        "A run by day and without fear is quicker than the day itself: answer the plan anew, and leave earlier.",
    )
    assert run_words(plan, run_at(OCTOBER, whole + 1.0, **times))[1] == (
        f"1 minute of your {whole + 1:.0f} was in no task. Name in the plan what was done then; until you do, that "
        "time is added."
    )
    slow = times | {tasks[0].name: times[tasks[0].name] + 30.0}
    del slow[tasks[1].name]
    said = run_words(plan, run_at(OCTOBER, whole, **slow))
    assert f"{tasks[0].name}: {slow[tasks[0].name]:.0f} minutes; planned {times[tasks[0].name]:.0f}." in said
    assert f"Not done in this run: {tasks[1].name}." in said


def test_the_notebook_shows_runs_beside_the_planned_bars(result: HouseholdResult) -> None:
    assert "Nothing was practised yet: leaveby practise takes the time of each task" in practised(result).text
    first, second = [task.name for task in result.plan.tasks if "tow" in task.ways][:2]
    told = with_runs(result, run_at(OCTOBER, **{first: 9.0}), run_at(OCTOBER, **{first: 12.0}))
    drawn = practised(told).text
    assert "<svg" in drawn
    assert "Practised: Towing the house" in drawn
    planned_min = {task.name: round(task.likely_s / 60.0) for task in result.plan.tasks}
    assert describe_bars(told.plan, "tow", [first, second]) == (
        f"{first}: planned {planned_min[first]} minutes, in practice 9, 12. "
        f"{second}: planned {planned_min[second]} minutes, not practised."
    )
    axes = practice_bars(told.plan, "tow", [first, second]).axes[0]
    dots = [line.get_xdata() for line in axes.lines if line.get_marker() == "o"]
    assert [list(one) for one in dots] == [[9.0, 12.0], []]  # type: ignore[arg-type]
