"""What a person sees on a terminal of 80 columns, through a pseudo-terminal, and what a pipe is handed.

Names are drawn at random with the characters that terminals obey: the control characters of ISO/IEC 6429 (from memory),
and those that Unicode's bidirectional algorithm (UAX 9) turns text by.
"""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import shutil
import struct
import sys
import termios
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from leaveby import __main__, cli
from leaveby.ask.drill import read_drill, run_drill
from leaveby.ask.household import demo_folder
from leaveby.decision.drill.result import Drill
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import Fault, InputError
from leaveby.show import wording
from smaller import Once

COLUMNS = 80
OBEYED = ["\x1b[31m", "\x1b]0;owned\x07", "\x1b[2J", "\r", "\x9b5m", "\x07", "\x08", "\u202e", "\u2066", "\u200f", "\n"]
HOSTILE = st.lists(
    st.one_of(st.sampled_from(OBEYED), st.sampled_from(["Mill", " ", "\u68ee", "é", "x" * 97]), st.characters()),
    min_size=1,
    max_size=12,
).map(lambda parts: "Road " + "".join(parts).replace("\ud800", ""))
OURS = {"\x1b[1m", "\x1b[0m", "\x1b[2K", "\x1b[1A", "\x1b[?25l", "\x1b[?25h"}
"""Bold and its end, and what wipes the line of progress."""


def seen(written: str) -> list[str]:
    """The lines that stand on the screen at the end; every sequence has to be one of ours."""
    rows, at = [""], 0
    for part in re.findall(r"\x1b(?:\[[0-9;?]*[A-Za-z])?|\r|\n|[^\x1b\r\n]+", written):
        if part == "\n":
            at += 1
            rows += [""] * (at + 1 - len(rows))
        elif part == "\x1b[2K":
            rows[at] = ""
        elif part == "\x1b[1A":
            at -= 1
        elif part.startswith("\x1b"):
            assert part in OURS, part
        elif part != "\r":
            rows[at] += part
    return rows


def fits(lines: list[str]) -> None:
    for line in lines:
        assert line.isprintable(), line
        words = line.split()
        assert cell_len(line) <= COLUMNS or len(words) == 1 or any("/" in word for word in words), line


def on_a_terminal(work: Callable[[], object]) -> str:
    """Do some work with a terminal of 80 columns for both outputs, and give everything that was written to it."""
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
    got: list[bytes] = []

    def listen() -> None:
        while True:
            try:
                more = os.read(leader, 65536)
            except OSError:  # the other end is shut
                return
            if not more:
                return
            got.append(more)

    listener = threading.Thread(target=listen)
    listener.start()
    held = sys.stdout, sys.stderr
    with os.fdopen(follower, "w", encoding="utf-8") as screen:
        sys.stdout = sys.stderr = screen
        try:
            work()
        finally:
            sys.stdout, sys.stderr = held
    listener.join()
    os.close(leader)
    return b"".join(got).decode("utf-8").replace("\r\n", "\n")


def in_a_pipe(work: Callable[[], object]) -> tuple[str, str]:
    held = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = out, err = io.StringIO(), io.StringIO()
    try:
        work()
    finally:
        sys.stdout, sys.stderr = held
    return out.getvalue(), err.getvalue()


@pytest.fixture(autouse=True)
def a_plain_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")


def answered(monkeypatch: pytest.MonkeyPatch, result: HouseholdResult, *, out: Path) -> None:
    """Put an answer in the place of one that is worked out, with its progress and the files that it writes."""

    def worked_out(*_: object, progress: Callable[[str, int, int, str], None], **__: object) -> HouseholdResult:
        for done in range(0, 101, 10):
            progress("fires", done, 100, "tow 12:55, car 13:30" if done else "")
        progress("rules", 8, 8, "")
        return result

    files = {name: out / name for name in ("result.json", "plan.html", "report.html", "layers.gpkg", "plan.kml")}
    monkeypatch.setattr("leaveby.ask.household.load_plan", lambda _: result.plan)
    monkeypatch.setattr("leaveby.ask.household.plan_household", worked_out)
    monkeypatch.setattr("leaveby.files.write.outputs.write_result", lambda *_, **__: files)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=HOSTILE, street=HOSTILE, place=HOSTILE, rating=HOSTILE)
def test_a_plan_of_hostile_names_is_said_in_80_columns(
    result: HouseholdResult, invented: ModuleType, name: str, street: str, place: str, rating: str
) -> None:
    ways = {
        key: replace(way, route=way.route and replace(way.route, closes_first=street, safe_point=place))
        for key, way in result.ways.items()
    }
    rules = invented.invented_rules(before=("tow",), milder=rating, today=rating)
    made = replace(result, plan=replace(result.plan, name=name), ways=ways, rules=rules)
    with pytest.MonkeyPatch.context() as patched:
        answered(patched, made, out=Path("/somewhere with blanks") / ("deep/" * 30))
        for more in ((), ("--json",)):
            lines = seen(on_a_terminal(lambda more=more: cli.main(["plan", "p.toml", *more])))  # type: ignore[misc]
            assert all(line.isprintable() for line in lines)
            if not more:
                fits(lines)
                text = " ".join(" ".join(lines).split())
                assert wording.main_sentence(made) in text
                assert not re.search("so far|of 100 fires;|Working", text)
        out, err = in_a_pipe(lambda: cli.main(["plan", "p.toml"]))
        fits(out.split("\n"))
        assert "\x1b" not in out + err
        assert err == "Working out: fires\nWorking out: rules\n"


def test_while_it_works_one_line_says_the_leave_by_so_far(result: HouseholdResult, tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patched:
        answered(patched, result, out=tmp_path)
        written = on_a_terminal(lambda: cli.main(["plan", "p.toml"]))
    assert re.search(r"\d+ of 100 fires; be rolling by, so far: tow 12:55, car 13:30|8 of 8 rules", written)
    lines = seen(written)
    assert lines[0].startswith("Official warnings")
    told = " ".join(" ".join(lines).split())
    assert told.endswith(f"Written to {tmp_path}: result.json, plan.html, report.html, layers.gpkg, plan.kml")
    assert "\n".join(lines).count(str(tmp_path)) == 1


def test_no_word_is_broken_but_one_that_no_line_could_hold(result: HouseholdResult) -> None:
    out, _ = in_a_pipe(lambda: cli._say_result(result, {}))
    told = {word for line in cli_lines(result) for word in line.split()}
    assert set(out.split()) == told


def test_level_ground_is_said_before_any_time(result: HouseholdResult) -> None:
    level = replace(result, plan=replace(result.plan, terrain=replace(result.plan.terrain, file=None, flat=True)))
    said = "No slopes are counted: where the ground is not level, fire comes sooner."
    told = cli_lines(level)
    assert told.index(said) < next(number for number, line in enumerate(told) if re.search(r"\d\d:\d\d", line))
    assert said not in cli_lines(result)


def cli_lines(result: HouseholdResult) -> list[str]:
    """The same, on lines as wide as they like."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(cli, "WIDTH", 100_000)
        patched.setenv("COLUMNS", "100000")
        return in_a_pipe(lambda: cli._say_result(result, {}))[0].split("\n")


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(names=st.lists(HOSTILE, min_size=3, max_size=3), exits=st.lists(HOSTILE, min_size=1, max_size=14))
def test_faults_and_a_drill_of_hostile_names(drill: Drill, names: list[str], exits: list[str]) -> None:
    def refused(*_: object) -> None:
        raise InputError(
            [Fault(names[0], f"has {names[1]}", "another", names[2]), Fault("/a/" + "b" * 90, "is", "a", "b")]
        )

    drill = replace(
        drill,
        name=names[0],
        rounds=tuple(
            replace(
                one, ways={key: replace(way, route=None, why=names[1]) for key, way in one.ways.items()}, notes=exits
            )
            for one in drill.rounds
        ),
    )
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("leaveby.ask.household.load_plan", refused)
        for work in (
            lambda: cli.main(["check", "p.toml"]),
            lambda: cli.main(["check", "p.toml", "--json"]),
            lambda: cli.main(["plan", "p.toml"]),
            lambda: cli._say_drill(drill, {}),
            lambda: cli._say([*exits, *names]),
        ):
            fits([line for line in seen(on_a_terminal(work)) if not line.lstrip().startswith(("{", '"'))])
            out, err = in_a_pipe(work)
            assert all(line.isprintable() for line in (out + err).split("\n"))


def test_streets_and_check_of_hostile_roads(tmp_path: Path) -> None:
    """The whole way from files whose names hold what XML and TOML let through."""
    folder = tmp_path / "demo"
    shutil.copytree(demo_folder(), folder)
    for name, turned in (
        ("roads.osm", "Mill&#13;&#155;31m&#8238;Road &#8294;"),
        ("plan.toml", "Mill\\r\\u009b31m\\u202eRoad \\u2066"),
    ):
        text = (folder / name).read_text(encoding="utf-8")
        (folder / name).write_text(
            re.sub(r"(Road|Lane|Track|Street)\b", lambda _, put=turned: put * 6, text), encoding="utf-8"
        )
    for words in (
        ["check", str(folder / "plan.toml")],
        ["streets", str(folder / "roads.osm"), "--out", str(tmp_path / "o")],
    ):
        written = on_a_terminal(lambda words=words: cli.main(words))  # type: ignore[misc]
        fits(seen(written))
        assert "Mill" in written


def test_every_page_of_help_fits(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ((), ("demo",), ("plan",), ("practise",), ("streets",), ("drill",), ("check",), ("lab",)):
        with pytest.raises(SystemExit):
            cli.main([*command, "--help"])
        fits(capsys.readouterr().out.split("\n"))


@pytest.fixture(scope="module")
def result(invented: Any) -> HouseholdResult:
    made: HouseholdResult = invented.invented_result()
    return made


@pytest.fixture(scope="module")
def drill(once: Once) -> Drill:
    return once(run_drill, replace(read_drill(demo_folder() / "drill.toml"), members=20), workers=2)


class Stops(ModuleType):
    """Ctrl and C while the program is loaded, at whatever is asked of it first."""

    def __getattr__(self, _: str) -> object:
        raise KeyboardInterrupt


def test_ctrl_c_is_said_while_the_program_is_loaded_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    codes: list[int] = []
    monkeypatch.setitem(sys.modules, "leaveby.cli", Stops("leaveby.cli"))
    assert in_a_pipe(lambda: codes.append(__main__.main())) == ("", "Stopped. Nothing half-written was left.\n")
    monkeypatch.setattr(sys, "stderr", None)  # closed by whoever started this
    assert [*codes, __main__.main()] == [130, 130]
