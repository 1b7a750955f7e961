"""The command line: `leaveby demo`, `new`, `plan`, `practise`, `streets`, `district`, `drill`, `check` and `lab`.

The result goes to standard output, progress and faults to standard error. Exit 0: computed; 2: the input can't be used;
3: computed, and a way of leaving is closed to this household (in a drill: none is in time in any round); 1: a fault of
ours.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import os
import re
import shlex
import signal
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from threading import current_thread, main_thread
from typing import TYPE_CHECKING, Any, Final

from leaveby import __version__
from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.errors import STOPPED, STOPPED_WORDS, InputError, NotWrittenError, clean, refuse, refused
from leaveby.regions import table
from leaveby.units import local_words

if TYPE_CHECKING:
    from rich.console import Console

    from leaveby.decision.drill.result import Drill
    from leaveby.decision.streets.result import StreetSurvey
    from leaveby.decision.ways.result import HouseholdResult

# Every command imports what it needs when it runs: asking for help, or checking a plan, waits for no solver and no map.

Run = Callable[[argparse.Namespace, "Console"], int]

COMPUTED: Final = 0
OUR_FAULT: Final = 1
BAD_INPUT: Final = 2
NO_WAY: Final = 3
ROADS_SAID: Final = 12
WIDTH: Final = 80


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the terminal when left out.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started this
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115
    wanted = _parser().parse_args(arguments)
    errors, pressed = _console(stderr=True), list[int]()
    try:
        with _stoppable(pressed) if wanted.run not in (_lab, _practise) else contextlib.nullcontext():
            code: int = wanted.run(wanted, errors)
        sys.stdout.flush()
    except BrokenPipeError:
        return _nobody_reads()
    except InputError as error:
        _say_faults(error, errors)
        return BAD_INPUT
    except MemoryError:
        _tell(errors, "There is not enough memory for this. Give a larger terrain.cell_m, or a smaller area.")
        return BAD_INPUT
    except KeyboardInterrupt:
        _tell(errors, STOPPED_WORDS)
        return STOPPED
    except Exception:
        if pressed:  # of which some library made a fault of its own
            _tell(errors, STOPPED_WORDS)
            return STOPPED
        _tell(errors, *traceback.format_exc().splitlines(), whole=True)
        _tell(errors, "This is a fault of leaveby, not of your input. Nothing half-written was left.")
        return OUR_FAULT
    return code


@contextmanager
def _stoppable(pressed: list[int]) -> Iterator[None]:
    """Raise Ctrl and C again until all is unwound: some libraries swallow it while they are loaded or call back.

    What these say as they are cut short is not said. What was heard is put into `pressed`.
    """

    def stop(heard: int, _: object) -> None:
        pressed.append(heard)
        sys.unraisablehook = lambda _: None
        signal.setitimer(signal.ITIMER_REAL, 0.25)
        if heard == signal.SIGINT or sys.exception() is None:
            raise KeyboardInterrupt

    # where whoever started this ignores it, it stays ignored; and only the main thread hears signals
    if (
        sys.platform == "win32"
        or current_thread() is not main_thread()
        or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    ):
        yield
        return
    before = {kind: signal.signal(kind, stop) for kind in (signal.SIGALRM, signal.SIGINT)}
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        for kind, held in before.items():
            signal.signal(kind, held)


def _console(*, stderr: bool = False) -> Console:
    from rich.console import Console

    class Piped(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    return Piped(stderr=stderr, highlight=False)


def _nobody_reads() -> int:
    """End quietly where whoever read the output has gone: the answer's files are written before anything is said."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        # else the flush at the end would fail once more
        os.dup2(nowhere, sys.stdout.fileno())
    return COMPUTED


_TYPES: Final[Mapping[str, Callable[[str], Any]]] = {"path": Path, "int": int, "float": float}


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="leaveby",
        description="By when to be rolling, by which road, to where, and where the fire may be at the latest.",
        epilog=OVERRIDE,
    )
    parser.add_argument("--version", action="version", version=f"leaveby {__version__}")
    commands = parser.add_subparsers(required=True, metavar="command")
    runs: tuple[tuple[str, Run, str], ...] = (
        ("demo", _answer, "answer the household question for the demo"),
        ("new", _new, "make a plan for your own place: asks for what is missing"),
        ("plan", _answer, "answer the household question for a plan file"),
        ("practise", _practise, "practise with a watch: what is measured counts in the plan"),
        ("streets", _streets, "find streets with one way out, and what would help"),
        ("district", _district, "find which homes of a district have least time, over many fires"),
        ("drill", _drill, "make a table-top exercise for a community group"),
        ("check", _check, "say every fault of a plan, a drill or a district, and whether roads lead out"),
        ("lab", _lab, "open the notebooks in JupyterLab, or as plain pages"),
    )
    for command, run, words in runs:
        made = commands.add_parser(command, help=words, epilog=OVERRIDE)
        made.set_defaults(run=run)
        made._negative_number_matcher = re.compile(r"-\d")  # a point may begin with a minus, and is no option
        for option in table("cli")["options"]:
            if command in option["commands"]:
                settings = {name: value for name, value in option.items() if name not in ("commands", "name")}
                if "type" in settings:
                    settings["type"] = _TYPES[settings["type"]]
                if "nargs" in settings:
                    settings["metavar"] = tuple(settings["metavar"])
                made.add_argument(option["name"], **settings)
    return parser


def _new(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.ask.new_given import wanted_from
    from leaveby.ask.new_place import new_plan, refuse_what_is_there

    refuse_what_is_there(wanted.folder)
    given, fetched = vars(wanted), list[str]()
    if wanted.fetch:
        from leaveby.ask.new_fetched import fetched_for

        now = datetime.now().astimezone()
        given, fetched = fetched_for(given, wanted.folder, today=now, progress=lambda words: _tell(errors, words))
    try:
        asked = wanted_from(given, ask=input if sys.stdin.isatty() and not wanted.json else None)
    except EOFError:
        raise KeyboardInterrupt from None
    written, said = new_plan(asked, wanted.folder, progress=lambda words: _tell(errors, words))
    if wanted.json:
        _write_json(
            {"override": OVERRIDE, "files": [str(path) for path in written.values()], "said": [*fetched, *said]}
        )
    else:
        _say((PLANNING_AID, "", *(f"  {words}" for words in (*fetched, *said))), written=written)
        _say(("", "Put right what is marked (yours?), by hand or by clicking, and answer it:"), first=())
        plan = shlex.quote(str(written["plan.toml"]))
        # never broken: they are there to be copied
        sys.stdout.write(f"leaveby lab --simple --plan {plan}\nleaveby plan {plan}\n")
    return COMPUTED


def _answer(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.ask.household import demo_folder, load_plan, plan_household
    from leaveby.files.write.whole import try_folder

    _check_options(wanted)
    try_folder(wanted.out)
    # The demo names no plan.
    plan = load_plan(wanted.plan if "plan" in wanted else demo_folder() / "plan.toml")
    with _progress(errors) as tell:
        # nothing is asked anew here, so the members' fires make room for what writes
        result = replace(plan_household(plan, workers=wanted.workers, progress=tell), held=None)
    _give_back()
    from leaveby.files.write.outputs import write_result
    from leaveby.show.plan.record import result_record

    printed = {"pdf": wanted.pdf, "browser": wanted.browser}
    _give(wanted, result, write=partial(write_result, **printed), record=result_record, say=_say_result)
    return exit_code(result)


def _give(
    wanted: argparse.Namespace,
    answer: Any,
    *,
    write: Callable[..., Mapping[str, Path]],
    record: Callable[..., dict[str, Any]],
    say: Callable[[Any, Mapping[str, Path]], None],
) -> None:
    """Write an answer, say what it is though some of it, or all, could not be written, and then say that."""
    made_at, missed = datetime.now().astimezone(), None
    try:
        written = write(answer, wanted.out, made_at=made_at)
    except NotWrittenError as error:
        missed, written = error, error.written
    if wanted.json:
        _write_json(record(answer, made_at=made_at))
    else:
        say(answer, written)
    if missed is not None:
        raise missed


def _give_back() -> None:
    """Give freed memory back to the machine, which glibc keeps for itself; Python can't use it for what it loads."""
    if sys.platform == "linux":
        getattr(ctypes.CDLL(None), "malloc_trim", int)(0)


def _check_options(wanted: argparse.Namespace) -> None:
    """Refuse before the computation, so that nobody waits for what can't be made."""
    from leaveby.files.write.printed import find_browser

    if wanted.workers is not None and wanted.workers < 1:
        raise refuse("--workers", f"is {wanted.workers}", expected="1 or more", mend="leave it out")
    if "pdf" not in wanted:
        return
    if wanted.pdf:
        find_browser(wanted.browser)
    elif wanted.browser is not None:
        raise refuse("--browser", "is only for printing", expected="--pdf beside it", mend="add --pdf, or leave it out")


def exit_code(result: HouseholdResult) -> int:
    """Give 3 when no way is in time once the fire starts, or no route takes one of the household's vehicles; else 0."""
    from leaveby.decision.ways.result import opens

    closed = not opens(result) or any(not way.fits and way.way != "foot" for way in result.ways.values())
    return NO_WAY if closed else COMPUTED


def _tell(console: Console, *lines: str, style: str = "", whole: bool = False) -> None:
    """Print lines, each broken at its blanks to 80 columns and as far in as it begins, without control characters.

    Only a path is left longer than a line is wide; `whole` leaves every line as it is.
    """
    from rich.cells import cell_len
    from rich.text import Text

    for line in lines:
        inset = len(line) - len(line.lstrip(" "))
        width = max(min(console.width, WIDTH) - inset, 1)
        text = clean(line)
        kept = any(cell_len(word) > width and (os.sep in word or "/" in word) for word in text.split(" "))
        parts = Text(text).wrap(console, width, overflow="ignore" if kept else "fold", no_wrap=whole or not text)
        for part in parts or [Text()]:
            console.print(" " * inset + part.plain.rstrip(), style=style, markup=False, soft_wrap=True)


def _say(
    lines: Iterable[str], *, written: Mapping[str, Path] | None = None, first: Sequence[str] = (OVERRIDE,)
) -> None:
    """Print to standard output: the cautions, then what there is to say, then where which files were written."""
    out = _console()
    _tell(out, *first, style="bold")
    _tell(out, *lines)
    for folder in {path.parent: None for path in (written or {}).values()}:
        names = ", ".join(path.name for path in (written or {}).values() if path.parent == folder)
        _tell(out, "", f"Written to {folder}:", f"  {names}")


def _say_result(result: HouseholdResult, written: Mapping[str, Path]) -> None:
    from leaveby.show import wording
    from leaveby.show.map_words import way_lines

    rules = [wording.rule_line(rule) for rule in result.rules.rules.values()]
    ways = (
        line
        for way in wording.shown_ways(result)
        for line in ("", wording.WAY_TITLES[way.way], *(f"  {told}" for told in way_lines(result, way)))
    )
    told = (OVERRIDE, wording.today_words(result), wording.flat_words(result), *result.made_elsewhere)
    first = [line for line in told if line]
    said = [wording.rules_heading(result), *rules, ""] if rules else []
    worked = (wording.main_sentence(result), *ways, "", wording.every_road_shut_words(result))
    _say((PLANNING_AID, "", result.plan.name, "", *said, *worked), written=written, first=first)


def _streets(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.ask.streets import StreetOptions, survey_streets
    from leaveby.files.write.outputs import write_streets
    from leaveby.files.write.whole import try_folder
    from leaveby.show.streets.record import survey_record

    try_folder(wanted.out)
    with _progress(errors) as tell:
        answer = survey_streets(
            wanted.roads,
            wanted.homes,
            exits=wanted.exits,
            terrain=wanted.terrain,
            fuel=wanted.fuel,
            arrival=wanted.arrival,
            options=StreetOptions(
                area_deg=tuple(wanted.area) if wanted.area else None,
                count_tracks=wanted.count_tracks,
                region=wanted.region,
            ),
            progress=lambda what, done, total: tell(what, done, total, ""),
        )
    _give(wanted, answer, write=write_streets, record=survey_record, say=_say_streets)
    return COMPUTED


def _say_streets(answer: StreetSurvey, written: Mapping[str, Path]) -> None:
    from leaveby.roads.exits.places import roads_at
    from leaveby.show.streets.page import survey_sentences

    lines = [
        *survey_sentences(answer),
        f"{len(answer.groups)} groups of homes behind one street or junction.",
        f"Ways out: {', '.join(roads_at(answer.streets, answer.found.exits))}.",
    ]
    if answer.maybe.size:
        names = roads_at(answer.streets, answer.maybe)
        rest = f" and {len(names) - ROADS_SAID} more (streets.json has all)" if len(names) > ROADS_SAID else ""
        lines.append(f"Go on beyond the edge of the map, unknown to where: {', '.join(names[:ROADS_SAID])}{rest}.")
    _say((PLANNING_AID, "", *lines), written=written)


def _district(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.ask.district import read_district, survey_district
    from leaveby.ask.many_fires import forget_fires
    from leaveby.files.write.outputs import write_district
    from leaveby.files.write.whole import try_folder
    from leaveby.show.district.record import district_record
    from leaveby.show.district.words import district_sentences
    from leaveby.show.wording import duration_words

    _check_options(wanted)
    try_folder(wanted.out)
    with _progress(errors) as tell:

        def told(done: int, total: int, left_s: float) -> None:
            # the first fires tell nothing of the pace: the workers are starting
            words = "less than a minute" if left_s < 60.0 else f"about {duration_words(left_s)}"
            tell(f"fires; {words} left" if 20 * done > total else "fires", done, total, "")

        ready = read_district(wanted.district)
        _give_back()
        survey = survey_district(
            ready, workers=wanted.workers, scheduler=wanted.scheduler, folder=wanted.out, progress=told
        )
    made_at = datetime.now().astimezone()
    written = write_district(survey, wanted.out, made_at=made_at)
    forget_fires(wanted.out)
    if wanted.json:
        _write_json(district_record(survey, made_at=made_at))
    else:
        _say((PLANNING_AID, "", survey.question.name, "", *district_sentences(survey)), written=written)
    return COMPUTED


def _drill(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.ask.drill import read_drill, run_drill
    from leaveby.decision.drill.result import any_round_is_open
    from leaveby.files.write.outputs import write_drill
    from leaveby.files.write.whole import try_folder
    from leaveby.show.drill.record import drill_record

    _check_options(wanted)
    try_folder(wanted.out)
    script = read_drill(wanted.drill)
    with _progress(errors) as tell:
        drill = run_drill(script, workers=wanted.workers, progress=tell)
    printed = {"pdf": wanted.pdf, "browser": wanted.browser}
    _give(wanted, drill, write=partial(write_drill, **printed), record=drill_record, say=_say_drill)
    return COMPUTED if any_round_is_open(drill) else NO_WAY


def _say_drill(drill: Drill, written: Mapping[str, Path]) -> None:
    from leaveby.show.drill.words import EXERCISE_BANNER, drill_lines

    _say((PLANNING_AID, "", *drill_lines(drill)), written=written, first=(OVERRIDE, EXERCISE_BANNER))


def _check(wanted: argparse.Namespace, _: Console) -> int:
    from leaveby.ask.check import check_file

    try:
        kind, found, checked, measures = check_file(wanted.plan)
    except InputError as error:
        if not wanted.json:
            raise
        faults = [{"place": f.place, "wrong": f.wrong, "expected": f.expected, "mend": f.mend} for f in error.faults]
        _write_json({"override": OVERRIDE, "faults": faults})
        return BAD_INPUT
    if wanted.json:
        own = {kind: found} if found else {}
        _write_json({"override": OVERRIDE, "faults": [], **own, **vars(checked)})
    else:
        local = partial(local_words, measures=measures)
        parts = (
            ("", [*found, *checked.roads.values(), *map(local, checked.changes)]),
            ("How far the files reach:", map(local, checked.reach)),
            ("Taken for granted:", map(local, checked.assumptions)),
        )
        told = ((head, list(lines)) for head, lines in parts)
        said = (line for head, lines in told if lines for line in (head, *(f"  {one}" for one in lines)) if line)
        _say((f"{wanted.plan}: no fault found. No fire was computed.", *said))
    return COMPUTED


def _write_json(record: dict[str, Any]) -> None:
    from leaveby.show.record import record_text

    sys.stdout.write(record_text(record))


def _lab(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.lab import open_lab, open_pages, own_notebooks

    if wanted.plan is not None and not wanted.simple:
        raise refused("--plan", "plan_without_simple")
    folder = own_notebooks(wanted.folder)
    if wanted.json:
        _write_json({"override": OVERRIDE, "notebooks": [str(path) for path in sorted(folder.glob("*.ipynb"))]})
        return COMPUTED
    _tell(errors, OVERRIDE, style="bold")
    if wanted.simple:
        open_pages(
            folder,
            port=wanted.port,
            browser=not wanted.no_browser,
            say=lambda words: _tell(errors, words),
            plan=wanted.plan,
        )
        return COMPUTED
    return COMPUTED if open_lab(folder, port=wanted.port, browser=not wanted.no_browser) else OUR_FAULT


def _practise(wanted: argparse.Namespace, errors: Console) -> int:
    from leaveby.ask.household import load_plan
    from leaveby.practise.watch import open_watch, practise_in_terminal

    if wanted.json:
        from leaveby.show.plan.practice import practice_record

        plan, made_at = load_plan(wanted.plan), datetime.now().astimezone()
        _write_json({"override": OVERRIDE, "practice": practice_record(plan, made_at=made_at)})
        return COMPUTED
    watch = open_watch(wanted.plan, wanted.way)
    _tell(errors, OVERRIDE, style="bold")
    if wanted.terminal:
        from rich.console import Console

        out = Console(highlight=False)
        practise_in_terminal(watch, ask=input, say=lambda words: _tell(out, words))
        return COMPUTED
    from leaveby.lab import needed

    needed("tornado", "Tornado, which serves the page (--terminal does without),", place="leaveby practise")
    from leaveby.practise.page import serve

    with contextlib.suppress(KeyboardInterrupt):
        serve(
            watch,
            address=wanted.home_network,
            port=wanted.port,
            browser=not wanted.no_browser,
            say=lambda words: _tell(errors, words),
        )
    return COMPUTED


def _say_faults(error: InputError, errors: Console) -> None:
    many = len(error.faults) + error.more
    head = f"The input can't be used: {many} fault{'s' if many > 1 else ''}. Nothing was computed."
    if isinstance(error, NotWrittenError):
        head = "The answer was computed" + (
            f" and written, without {many} of its files:" if error.written else ", but could not be written:"
        )
    _tell(errors, head)
    _tell(errors, *(f"  - {fault}" for fault in error.faults))
    if error.more:
        _tell(errors, f"  - and {error.more} more, of which these are the first.")


@contextmanager
def _progress(errors: Console) -> Iterator[Callable[[str, int, int, str], None]]:
    """Say on one line of standard error what is worked out, and the leave-by so far; the line is wiped at the end.

    Where standard error is no terminal, each thing is named once, on a plain line.
    """
    from rich.live import Live
    from rich.text import Text

    if not sys.stderr.isatty():
        named: set[str] = set()

        def name(what: str, _done: int, _total: int, _present: str) -> None:
            if what not in named:
                _tell(errors, f"Working out: {what}")
            named.add(what)

        yield name
        return
    with Live(console=errors, transient=True) as line:

        def tell(what: str, done: int, total: int, present: str) -> None:
            words = f"{done} of {total} {what}" + (f"; be rolling by, so far: {present}" if present else "")
            line.update(Text(words, no_wrap=True, overflow="ellipsis"))

        yield tell


if __name__ == "__main__":
    sys.exit(main())
