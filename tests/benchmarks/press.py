"""Presses Ctrl and C on a terminal at random moments of whole commands, and times how long each goes on.

    python tests/benchmarks/press.py --moments 12                # all of them
    python tests/benchmarks/press.py demo drill --seed 4

A press is the letter that the key sends, on a terminal of the command's own, so that everything that it started hears
it as well. A third of the presses falls into the first three seconds from when leaveby is there, the others anywhere.
Each has to end with "Stopped" and 130, without a traceback, without an answer or a folder of its work, and with nothing
still running. What it took is told by the clock and, where other programs keep the machine busy, of the processor:
nothing can go on longer than it works, but for what it waits for.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import os
import pty
import re
import shutil
import signal
import struct
import sys
import tempfile
import termios
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from load import loaded
from towns import write_town

DATA = Path(__file__).resolve().parents[2] / "data_demo"
HERE = ("-m", "leaveby")
LONGEST_S = 3600.0
NEW = ("--home", "-36.1291, 148.9424", "--ways", "tow,car", "--people", "Ana, Bo, Wren*", "--region", "AU-NSW")
DAY = ("--bad-day", "42 C, 8 %, 60 km/h, NW", "--fuel", "dry eucalypt forest")
MAPS = ("--roads", str(DATA / "roads.osm"), "--terrain", str(DATA / "terrain.tif"))


@dataclass(frozen=True)
class Pressed:
    """One run: its code, what stood on the terminal, and what passed since the press (since the start without one)."""

    code: int
    said: str
    waited_s: float
    worked_s: float
    late: bool
    """It had ended by itself before the press."""
    running: list[str]


def _of_session(leader: int) -> list[str]:
    """The processes of a terminal's session that still run."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            name, rest = status.read_text().rsplit(")", 1)
            if int(rest.split()[3]) == leader and rest.split()[0] != "Z":
                found.append(name)
    return found


def _worked_s(leader: int) -> float:
    """What the processes of a session and their ended children have taken of the processor."""
    total = 0
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            rest = status.read_text().rsplit(")", 1)[1].split()
            if int(rest[3]) == leader:
                total += sum(map(int, rest[11:15]))
    return total / os.sysconf("SC_CLK_TCK")


def run(words: Sequence[str], *, settings: Mapping[str, str], after_s: float | None, folder: Path) -> Pressed:
    """Run a command on a terminal of its own and press Ctrl and C after a while."""
    pid, screen = pty.fork()
    if pid == 0:
        os.chdir(folder)
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # a script's job in the background inherits that it is ignored
        os.execve(sys.executable, [sys.executable, *HERE, *words], {**os.environ, **settings})
    fcntl.ioctl(screen, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    os.set_blocking(screen, False)
    begun, said, since_s, pressed, worked_s, late = time.monotonic(), b"", time.monotonic(), False, 0.0, False
    while True:
        with contextlib.suppress(OSError):
            said += os.read(screen, 65536)
        ended, status, used = os.wait4(pid, os.WNOHANG)
        if ended:
            break
        now_s = time.monotonic()
        if after_s is not None and not pressed and now_s - begun >= after_s:
            worked_s, since_s, pressed = _worked_s(pid), now_s, True
            os.write(screen, b"\x03")
        if now_s - begun > LONGEST_S:
            os.killpg(pid, signal.SIGKILL)
        time.sleep(0.005)
    waited_s = time.monotonic() - since_s
    with contextlib.suppress(OSError):
        while more := os.read(screen, 65536):
            said += more
    running = _of_session(pid)
    os.close(screen)
    late = after_s is not None and not pressed
    whole_s = used.ru_utime + used.ru_stime
    code = os.waitstatus_to_exitcode(status)
    return Pressed(code, said.decode("utf-8", "replace"), waited_s, whole_s - worked_s, late, running)


def faults(one: Pressed, made: Path, temporary: Path) -> list[str]:
    """What is wrong with how a command ended: nothing where all is as it should be."""
    # ended by the signal itself is 130 in a shell: Python does so where a library was making code of text
    wrong = [f"exit {one.code}"] if one.code not in (130, -signal.SIGINT) else []
    words = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", one.said)
    if "Stopped. Nothing half-written was left." not in " ".join(words.split()):
        wrong.append(f"not said: {words[-300:]!r}")
    if re.search("Traceback|Error|ignored|Exception", words):
        wrong.append(f"a traceback: {words[-2000:]}")
    wrong += [f"still running: {name}" for name in one.running]
    left = [path for folder in (made, temporary) for path in folder.rglob("*")]
    return wrong + [f"left: {path.name}" for path in left if not _kept(path)]


def _kept(path: Path) -> bool:
    """What may stay: what a district's run goes on with, and machine code that was kept on purpose."""
    return any(part.startswith(".district_fires") for part in path.parts) or path.name == "out"


def cases(folder: Path, wanted: Sequence[str]) -> dict[str, list[str]]:
    """The commands by name, with what they read written into a folder."""
    given = {
        "demo": ["demo"],
        "load": ["plan", "{load}"],
        "many": ["plan", "{many}"],
        "streets": ["streets", "{town}"],
        "district": ["district", str(DATA / "district.toml")],
        "drill": ["drill", str(DATA / "drill.toml")],
        "new": ["new", "out", *NEW, *DAY, *MAPS],
        "check": ["check", str(DATA / "plan.toml")],
        "cold": ["demo"],
    }
    settings = {"members": 40, "cells": 0, "tasks": 0, "safe_points": 0, "starts": 0}
    sizes = {"load": {"members": 2000, "cells": 400}, "many": {"tasks": 60, "safe_points": 20, "starts": 50}}
    for name in set(sizes) & set(wanted):
        plan = loaded(folder / name, argparse.Namespace(**{**settings, **sizes[name]}))
        given[name][1] = str(plan)
    if "streets" in wanted:
        write_town(folder / "town.osm.pbf", side=548, homes=200_000)
        given["streets"][1] = str(folder / "town.osm.pbf")
    return {name: given[name] for name in (wanted or given)}


def main() -> int:
    """Press at random moments of each command, and say what came of it."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names = ("demo", "load", "many", "streets", "district", "drill", "new", "check", "cold")
    asked.add_argument("commands", nargs="*", default=[], metavar="command", help=", ".join(names))
    asked.add_argument("--moments", type=int, default=12)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--lasts", type=float, help="seconds that the command is known to take, instead of a whole run")
    wanted = asked.parse_args()
    draws, wrong = np.random.default_rng(wanted.seed), 0
    with tempfile.TemporaryDirectory(prefix="press-") as kept:
        for name, words in cases(Path(kept), wanted.commands or names).items():
            cold = name == "cold"
            out = Path(kept, "run")

            def once(after_s: float | None, *, words: list[str] = words, cold: bool = cold, out: Path = out) -> Pressed:
                shutil.rmtree(out, ignore_errors=True)
                for part in ("work", "tmp", *(["code"] if cold else [])):
                    (out / part).mkdir(parents=True)
                settings = {"TMPDIR": str(out / "tmp"), "TERM": "xterm"}
                settings |= {"NUMBA_CACHE_DIR": str(out / "code")} if cold else {}
                given = words if words[0] in ("new", "check") else [*words, "--out", "out"]
                return run(given, settings=settings, after_s=after_s, folder=out / "work")

            whole_s = wanted.lasts or once(None).waited_s
            early = wanted.moments // 3
            # what the interpreter says of a press before it has come to leaveby is its own
            first_s = 2.0 * run(["--version"], settings={}, after_s=None, folder=Path(kept)).waited_s
            last_s = max(whole_s - 0.5, first_s)
            moments = [*draws.uniform(first_s, min(first_s + 3.0, last_s), early)]
            moments += [*draws.uniform(first_s, last_s, wanted.moments - early)]
            took = []
            for after_s in sorted(moments):
                one = once(after_s)
                if one.late:
                    continue
                found = faults(one, out / "work", out / "tmp")
                took.append((one.waited_s, one.worked_s, after_s))
                wrong += bool(found)
                for words_of in found:
                    sys.stdout.write(f"  {name} after {after_s:.2f} s: {words_of}\n")
                    sys.stdout.flush()
            waits = ", ".join(f"{after:.1f}: {wait:.2f}/{work:.2f}" for wait, work, after in took)
            most = [max((one[kind] for one in took), default=0.0) for kind in (0, 1)]
            sys.stdout.write(
                f"{name}: {whole_s:.1f} s whole, {len(took)} presses, gone after at most {most[0]:.2f} s, of the "
                f"processor {most[1]:.2f} s ({waits})\n"
            )
            sys.stdout.flush()
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
