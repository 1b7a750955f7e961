"""Loads the household question: time against the small case, peak memory, progress, and how soon Ctrl-C is answered.

    python tests/benchmarks/load.py                                   # 400 x 400 cells with 2,000 members
    python tests/benchmarks/load.py --tasks 60 --safe-points 20 --starts 50
    python tests/benchmarks/load.py --cells 60 --members 40           # to see that it runs

The small case is the demo with 40 members. Each case is a process of its own, which notes twenty times a second whether
its main thread hears signals: the longest that it hears none, in processor time, is what Ctrl-C has to wait for on a
machine that does nothing else.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import tomlkit

from leaveby.ask.household import demo_folder, load_plan, read_inputs

PROGRAM = """
import signal, sys, time
from pathlib import Path
from leaveby.cli import main

last_s, deaf = time.thread_time(), (0.0, "")

def hear(_, frame):
    global last_s, deaf
    now_s = time.thread_time()
    deaf = max(deaf, (now_s - last_s, f"{Path(frame.f_code.co_filename).name} {frame.f_lineno}"))
    last_s = now_s

signal.signal(signal.SIGALRM, hear)
signal.setitimer(signal.ITIMER_REAL, 0.05, 0.05)
code = main()
signal.setitimer(signal.ITIMER_REAL, 0.0)
# as the kernel counts it for this program alone: what a parent sees begins with the parent's own peak
peak = [line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")][0]
print(f"MEASURED|{time.process_time()}|{int(peak) / 1024.0}|{deaf[0]}|{deaf[1]}", file=sys.stderr)
sys.exit(code)
"""


def loaded(folder: Path, wanted: argparse.Namespace) -> Path:
    """Write the demo's plan with as much in it as is wanted, into a copy of the demo."""
    shutil.copytree(demo_folder(), folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    path = folder / "plan.toml"
    inputs = read_inputs(load_plan(path))
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document["plan"]["members"] = wanted.members
    grid, draws = inputs.terrain.grid, np.random.default_rng(3)
    if wanted.cells:
        document["terrain"]["cell_m"] = round(grid.cell_m * (grid.rows * grid.cols) ** 0.5 / wanted.cells, 2)
    tasks = document["tasks"]
    while len(tasks) < wanted.tasks:
        task = tomlkit.parse(tasks[len(tasks) % 5].as_string())
        task["name"] = f"{task['name']} {len(tasks)}"
        tasks.append(task)
    network, to_deg = inputs.network, pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    nodes = draws.permutation(network.x_m.size)
    points = document["safe_points"]
    for node in nodes[: max(wanted.safe_points - len(points), 0)]:
        point = tomlkit.parse(points[0].as_string())
        lon, lat = to_deg.transform(float(network.x_m[node]), float(network.y_m[node]))
        point.update({"name": f"Place {node}", "lon_deg": lon, "lat_deg": lat})
        points.append(point)
    starts = document["ignitions"]
    while len(starts) < wanted.starts:
        start = tomlkit.parse(starts[0].as_string())
        start["name"] = f"start {len(starts)}"
        step = draws.uniform((0.0, -0.03), (0.05, 0.0))  # on the demo's ground
        start["lon_lat_deg"] = [[float(x + step[0]), float(y + step[1])] for x, y in start["lon_lat_deg"]]
        starts.append(start)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return path


@dataclass(frozen=True)
class Measured:
    """What a case took: by the clock, of the processor, of memory, and how long its main thread heard no signal."""

    waited_s: float
    processor_s: float
    most_mb: float
    deaf_s: float
    deaf_at: str
    told: int
    code: int


def measured(plan: Path, *, stop_after_s: float | None = None) -> Measured:
    """Run a case; one that is stopped after a while is timed from when it is told to."""
    command = [sys.executable, "-c", PROGRAM, "plan", str(plan), "--out", str(plan.parent / "out")]
    begun = time.monotonic()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as held:
        if stop_after_s is not None:
            time.sleep(stop_after_s)
            begun = time.monotonic()
            os.kill(held.pid, signal.SIGINT)  # also where it has just ended: nothing waited for it yet
        assert held.stderr is not None
        said = held.stderr.read().splitlines()
    told = sum(line.startswith("Working out") for line in said)
    noted = [line.split("|") for line in said if line.startswith("MEASURED|")]
    if not noted:
        raise SystemExit("\n".join(said[-20:]))
    _, processor_s, most_mb, deaf_s, deaf_at = noted[0]
    waited_s = time.monotonic() - begun
    return Measured(waited_s, float(processor_s), float(most_mb), float(deaf_s), deaf_at, told, held.returncode)


def main() -> None:
    """Measure the small case and the one that is asked for."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, usual in (("cells", 400), ("members", 2000), ("tasks", 0), ("safe-points", 0), ("starts", 0)):
        asked.add_argument(f"--{name}", type=int, default=usual)
    wanted = asked.parse_args()
    small = argparse.Namespace(cells=0, members=40, tasks=0, safe_points=0, starts=0)
    with tempfile.TemporaryDirectory() as made:
        plans = {"small": loaded(Path(made, "small"), small), "loaded": loaded(Path(made, "loaded"), wanted)}
        took = {}
        for name, plan in plans.items():
            took[name] = one = measured(plan)
            ratio = one.processor_s / took["small"].processor_s
            sys.stdout.write(
                f"{name}: {one.waited_s:.1f} s, of the processor {one.processor_s:.1f} s, {ratio:.1f} times the small "
                f"case, {one.most_mb:.0f} MB at most, {one.told} lines of progress, exit {one.code}; deaf for "
                f"{one.deaf_s:.2f} s of the processor at the longest ({one.deaf_at})\n"
            )
            sys.stdout.flush()
        for share in (0.1, 0.3, 0.5, 0.7, 0.9):
            one = measured(plans["loaded"], stop_after_s=share * took["loaded"].waited_s)
            sys.stdout.write(f"stopped after {share:.0%}: answered after {one.waited_s:.1f} s, exit {one.code}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
