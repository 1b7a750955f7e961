"""`practice.csv`: written press by press or edited by hand, it is read the same, and its faults are named by line."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leaveby.ask.household import demo_folder, file_record, load_plan
from leaveby.errors import InputError
from leaveby.files.read.practice import read_practice, read_rows
from leaveby.files.write.practice import append_row
from leaveby.household.practice.runs import Row, standing

HEAD = "date,way,who,task,start,stop,note\n"
BY_HAND = (
    HEAD
    + "2026-10-03,tow,,(whole run),14:00,15:24,dark\n"
    + "2026-10-03,tow,Ines + Bo,refit the wheels,14:10,14:50,\n"
    + '2026-10-03,tow,Bo,"gather papers, medicines, water and wool clothes",14:00,14:07:30\n'
)


def test_what_is_written_by_hand_is_read(tmp_path: Path) -> None:
    path = tmp_path / "practice.csv"
    path.write_text(BY_HAND, encoding="utf-8")
    found = read_practice(path)
    assert found is not None
    (run,) = found.runs
    assert run.began == datetime(2026, 10, 3, 14, 0)
    assert run.times_s == {"gather papers, medicines, water and wool clothes": 450.0, "refit the wheels": 2400.0}
    assert (run.total_s, run.noted, run.who) == (84.0 * 60.0, frozenset({"dark"}), ("Bo", "Ines"))


@pytest.mark.parametrize(
    "turned",
    [
        lambda text: "\ufeff" + text.replace("\n", "\r\n"),
        lambda text: text.rstrip("\n"),
        lambda text: text + "\n,,,,,,\n",
        lambda text: text.replace("14:07:30", "14:07:30,").replace(
            "date,way,who,task,start,stop,note", "Date , WAY,who,task,start,stop,note"
        ),
        lambda text: "\n".join(";".join(cells) for cells in swapped(text)) + "\n",
    ],
    ids=["by a spreadsheet", "without a last end", "with empty lines", "with capitals", "other columns and semicolons"],
)
def test_other_hands_write_the_same(turned: Callable[[str], str], tmp_path: Path) -> None:
    path, other = tmp_path / "practice.csv", tmp_path / "other.csv"
    path.write_text(BY_HAND, encoding="utf-8")
    other.write_text(turned(BY_HAND), encoding="utf-8", newline="")
    one, two = read_practice(path), read_practice(other)
    assert one is not None
    assert two is not None
    assert (one.runs, one.said) == (two.runs, two.said)


def swapped(text: str) -> list[list[str]]:
    cells = [row + [""] * (7 - len(row)) for row in csv.reader(text.splitlines())]
    return [[row[3], *row[:3], *row[4:]] for row in cells]


def test_every_fault_is_named_by_its_line_and_together_with_those_of_the_plan(tmp_path: Path) -> None:
    plan = tmp_path / "demo" / "plan.toml"
    shutil.copytree(demo_folder(), plan.parent)
    sure = plan.read_text(encoding="utf-8").replace("confidence = 0.95", "confidence = 1.95")
    plan.write_text(sure, encoding="utf-8")
    path = plan.parent / "practice.csv"
    path.write_text(
        HEAD
        + "2026-13-03,tow,,(whole run),14:00,15:24,\n"
        + "2026-10-03,tov,Bo,wheels,14:70,1450,\n"
        + "2026-10-03,tow,Bo,,,,\n"
        + "2026-10-03,tow,Bo,wheels,14:50,14:00,\n"
        + "2026-10-03 14:00,tow,Bo,wheels,13:50,14:00,\n"
        + "2026-10-03,tow,Bo,a, b,14:50,14:55,,\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as raised:
        load_plan(plan)
    said = [str(fault) for fault in raised.value.faults]
    assert any("confidence" in line for line in said)
    own = [line.removeprefix(f"{path} ") for line in said if line.startswith(str(path))]
    assert [line.partition(". Expected")[0] for line in own] == [
        'line 2: date: is "2026-13-03"',
        'line 3: way: is "tov"',
        'line 3: start: is "14:70"',
        'line 3: stop: is "1450"',
        "line 4: task: is empty",
        "line 4: start: is empty",
        "line 5: stop: is 14:00, before its start, 14:50:00",
        "line 6: start: is 13:50, before the run began, 14:00:00",
        "line 7: has 9 cells",
    ]
    assert own[6].endswith("To mend it: correct one of the two.")


def test_another_file_of_that_name_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "practice.csv"
    path.write_text("day,what\n1,2\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 1: lacks date, way, who, task, start, stop, note"):
        read_rows(path)
    path.write_bytes(HEAD.encode() + b"2026-10-03,tow,B\xf6,wheels,14:50,14:55,\n")
    with pytest.raises(InputError, match="line 2: is not UTF-8"):
        read_rows(path)
    path.write_text(HEAD + '2026-10-03,tow,"Bo,wheels,14:50,14:55,\n', encoding="utf-8")
    with pytest.raises(InputError, match="line 2: can't be taken apart"):
        read_rows(path)
    path.write_text("", encoding="utf-8")
    assert read_practice(path) is None
    assert read_practice(tmp_path / "nowhere.csv") is None


def test_a_line_cut_off_by_the_machine_is_left_out_said_and_written_over(tmp_path: Path) -> None:
    """Every length at which the last line may have been cut: all lines before it stay, and the next press is whole."""
    path, last = (
        tmp_path / "practice.csv",
        '2026-10-03,tow,Bo,"bags, two of them, and all that goes beside the driver",14:51:07,14:59:42,wet',
    )
    whole = BY_HAND.encode()
    at = datetime(2026, 10, 3, 14, 0)
    for length in range(1, len(last)):
        path.write_bytes(whole + last[:length].encode())
        told = read_rows(path)
        assert list(told.rows[:3]) == list(read_rows_of(whole, tmp_path))
        assert len(told.rows) == 4 or [line[:46] for line in told.said] == [
            "The last line of practice.csv was cut off whil"
        ]
        append_row(path, Row(at, "tow", ("Bo",), "hitch", at.replace(minute=55)))
        assert (read_rows(path).rows[-1].task, read_rows(path).said) == ("hitch", ())
        assert path.read_bytes().startswith(whole)


def read_rows_of(held: bytes, folder: Path) -> tuple[Row, ...]:
    path = folder / "held.csv"
    path.write_bytes(held)
    return read_rows(path).rows


words = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp", "Cf")), min_size=1, max_size=12
)


@given(
    told=st.lists(
        st.tuples(
            words,
            words,
            st.integers(0, 11 * 3600),
            st.none() | st.integers(0, 12 * 3600),
            st.sampled_from(["", "dark wet"]),
        ),
        min_size=1,
        max_size=6,
    ),
    began=st.datetimes(datetime(2020, 1, 1), datetime(2040, 1, 1)),
)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_written_is_read_back_over_midnight_too(
    told: list[tuple[str, str, int, int | None, str]], began: datetime, tmp_path: Path
) -> None:
    path, began = tmp_path / "practice.csv", began.replace(microsecond=0)
    path.unlink(missing_ok=True)
    rows = []
    for who, task, after_s, lasts_s, note in told:
        start = began + timedelta(seconds=after_s)
        stop = None if lasts_s is None else start + timedelta(seconds=lasts_s)
        rows.append(Row(began, "car", (who.replace("+", "-"),), task, start, stop, note))
        append_row(path, rows[-1])
    assert list(read_rows(path).rows) == rows
    assert standing(read_rows(path).rows) == standing(rows)


def test_lines_are_added_in_the_files_own_columns(tmp_path: Path) -> None:
    path = tmp_path / "practice.csv"
    path.write_text("\n".join(";".join(cells) for cells in swapped(BY_HAND)), encoding="utf-8")
    at = datetime(2026, 10, 3, 14, 0)
    row = Row(at, "tow", ("Ines", "Bo"), "hitch; lights, brakes", at.replace(minute=51), None, "")
    append_row(path, row)
    assert (
        path.read_text(encoding="utf-8").splitlines()[-1].startswith('"hitch; lights, brakes";2026-10-03 14:00:00;tow;')
    )
    assert read_rows(path).rows[-1] == row


def test_a_folder_that_can_not_be_written_is_said(tmp_path: Path) -> None:
    at = datetime(2026, 10, 3, 14, 0)
    with pytest.raises(InputError, match="can't be written"):
        append_row(tmp_path / "nowhere" / "practice.csv", Row(at, "tow", (), "hitch", at))


def test_the_runs_beside_a_plan_come_with_it_and_are_among_its_inputs(tmp_path: Path) -> None:
    plan = tmp_path / "demo" / "plan.toml"
    shutil.copytree(demo_folder(), plan.parent)
    without = load_plan(plan)
    assert without.practice is None
    (plan.parent / "practice.csv").write_text(BY_HAND, encoding="utf-8")
    found = load_plan(plan)
    assert found.practice is not None
    assert found.assumptions[: len(without.assumptions)] == without.assumptions
    assert found.assumptions[len(without.assumptions)].startswith("Practice runs count beside")
    assert replace(found, practice=None, assumptions=without.assumptions) == without
    assert file_record(practice=found.practice.file)["practice"].startswith("practice.csv sha256:")
