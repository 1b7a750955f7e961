"""Time and memory of a whole district on real roads and terrain: every home of Andorra.

    python tests/benchmarks/district_andorra.py [FIRES [WORKERS]]

Wanted: 1,000 fires of 300 x 300 cells within 5 minutes on two cores and 2 GiB, twice the fires twice the time. Says how
long reading and making ready took, how long the fires, and the largest memory of this process and its workers together.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from pathlib import Path

import psutil

from leaveby.ask.district import read_district, survey_district

DISTRICT = Path(__file__).parents[1] / "data" / "andorra_district.toml"


def main(fires: int, workers: int) -> None:
    text = DISTRICT.read_text(encoding="utf-8").replace("of_each_rating = 250", f"of_each_rating = {fires}")
    most, done = [0], threading.Event()

    def watch() -> None:
        me = psutil.Process()
        while not done.wait(0.2):
            held = 0
            for one in (me, *me.children(recursive=True)):
                try:
                    held += one.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            most[0] = max(most[0], held)

    watching = threading.Thread(target=watch)
    watching.start()
    with tempfile.TemporaryDirectory() as folder:
        path = DISTRICT.with_name(f".andorra_{fires}.toml")
        path.write_text(text, encoding="utf-8")
        try:
            began = time.perf_counter()
            ready = read_district(path)
        finally:
            path.unlink()
        made = time.perf_counter()
        survey = survey_district(ready, workers=workers, folder=Path(folder))
        ended = time.perf_counter()
    done.set()
    watching.join()
    rows, cols = ready.kit.zones.grid.shape
    sys.stdout.write(
        f"{len(survey.homes)} homes, {ready.question.count} fires of {rows} x {cols} cells, {workers} workers:\n"
    )
    sys.stdout.write(
        f"ready after {made - began:.1f} s, fires and answer {ended - made:.1f} s, {most[0] / 2**20:.0f} MiB at most\n"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, int(sys.argv[2]) if len(sys.argv) > 2 else 2)
