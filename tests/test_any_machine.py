"""The tests themselves on any machine: nothing is said of seconds, and a missing browser is said loudly."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from measured import run_measured

TESTS = Path(__file__).resolve().parent
ALONE = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
"""The environment without what the tests around these were asked for, such as to run side by side."""


def test_no_test_reads_a_stopwatch() -> None:
    """How long something takes is asked in `tests/benchmarks` alone, against another library in the same run.

    The long run of damaged files (`fuzz.py`) ends what takes 20 s of the processor: that hangs, on any machine.
    """
    reading = re.compile(r"\b(time\.perf_counter|process_time|thread_time|timeit)(_ns)?\b")
    found = [
        str(path.relative_to(TESTS))
        for path in TESTS.rglob("*.py")
        if path.parent.name != "benchmarks" and path not in (Path(__file__), TESTS / "fuzz.py")
        if reading.search(path.read_text("utf-8"))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("required", "said", "code"),
    [
        (
            "",
            r"NO BROWSER: \d+ tests in tests/browser did not run; install chromium",
            pytest.ExitCode.NO_TESTS_COLLECTED,
        ),
        (
            "required",
            r"no browser is installed, and the tests in tests/browser need one: install chromium",
            pytest.ExitCode.USAGE_ERROR,
        ),
    ],
)
@pytest.mark.parametrize("beside", [{}, {"PYTEST_ADDOPTS": "-n 2 --dist loadfile"}])
def test_a_missing_browser_is_said_loudly(
    required: str, said: str, code: int, beside: dict[str, str], tmp_path: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "tests/browser/test_jupyterlab.py"],
        cwd=TESTS.parent,
        env={**ALONE, "PATH": str(tmp_path), "LEAVEBY_BROWSER": required, **beside},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == code, done.stdout + done.stderr
    assert re.search(said, done.stdout + done.stderr)


def collected(*words: str) -> str:
    """What pytest says that it would run."""
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--collect-only", *words]
    done = subprocess.run(command, cwd=TESTS.parent, env=ALONE, capture_output=True, text=True, check=True)
    return done.stdout


def test_benchmarks_are_left_out_unless_asked_for() -> None:
    counts = []
    for asked in ((), ("--benchmark-enable",)):
        told = collected(*asked, "tests/benchmarks/test_spread_speed.py")
        counts.append(len(re.findall("::test_equation_on_ten_million_cells", told)))
    assert counts[0] == 0
    assert counts[1] > 20


def test_a_small_program_is_measured_small_beside_a_large_one(tmp_path: Path) -> None:
    """An interpreter alone takes some 10 MiB (common practice, no source); what stands in this process is not its."""
    held = np.ones(50_000_000)
    done, peak_kib = run_measured(["-c", "print(1)"], tmp_path)
    assert (done.returncode, done.stdout) == (0, "1\n")
    assert peak_kib < 100 * 1024 < held.nbytes / 1024


def test_notebooks_are_run_where_no_browser_test_runs_them() -> None:
    """JupyterLab's own test asks the same of the same cells, and once is enough; alone, the notebooks run."""
    names = ("test_runs_from_top_to_bottom", "test_opens_and_runs_all_cells")
    for files, runs in (((), (True, False)), (("tests/browser/test_jupyterlab.py",), (False, True))):
        told = collected("tests/test_notebooks.py", *files)
        assert tuple(f"::{name}[" in told for name in names) == runs
