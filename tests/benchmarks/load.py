"""Loads the household question: time against the small case, peak memory, progress, and how soon Ctrl-C is answered.

    python tests/benchmarks/load.py                                   # 400 x 400 cells with 2,000 members
    python tests/benchmarks/load.py --tasks 60 --safe-points 20 --starts 50
    python tests/benchmarks/load.py --cells 60 --members 40           # to see that it runs

The small case is the demo with 40 members. Each case is a process of its own, started as people start it.
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
from pathlib import Path

import numpy as np
import pyproj
import tomlkit

from leaveby.ask.household import demo_folder, load_plan, read_inputs

PROGRAM = "import sys; from leaveby.cli import main; sys.exit(main())"


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
        step = draws.normal(0.0, 0.01, 2)
        start["lon_lat_deg"] = [[float(x + step[0]), float(y + step[1])] for x, y in start["lon_lat_deg"]]
        starts.append(start)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return path


def measured(plan: Path, *, stop_after_s: float | None = None) -> tuple[float, float, int, int]:
    """Seconds, peak memory in MB, lines of progress, and the exit code; of one stopped, the seconds that it took."""
    command = [sys.executable, "-c", PROGRAM, "plan", str(plan), "--out", str(plan.parent / "out")]
    begun = time.monotonic()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as held:
        if stop_after_s is not None:
            time.sleep(stop_after_s)
            begun = time.monotonic()
            os.kill(held.pid, signal.SIGINT)  # also where it has just ended: nothing waited for it yet
        assert held.stderr is not None
        said = held.stderr.read().splitlines()
        _, status, used = os.wait4(held.pid, 0)
        held.returncode = os.waitstatus_to_exitcode(status)
    told = sum(line.startswith("Working out") for line in said)
    return time.monotonic() - begun, used.ru_maxrss / 1024.0, told, held.returncode


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
            took[name], most_mb, told, code = measured(plan)
            ratio = took[name] / took["small"]
            sys.stdout.write(
                f"{name}: {took[name]:.1f} s, {ratio:.1f} times the small case, {most_mb:.0f} MB at most, "
                f"{told} lines of progress, exit {code}\n"
            )
        for share in (0.2, 0.5, 0.8):
            waited_s, _, _, code = measured(plans["loaded"], stop_after_s=share * took["loaded"])
            sys.stdout.write(f"stopped after {share:.0%}: answered after {waited_s:.1f} s, exit {code}\n")


if __name__ == "__main__":
    main()
