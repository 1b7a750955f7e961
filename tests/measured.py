"""How much memory a program takes at most.

A process started from a large one begins its peak with what that one holds (until it becomes another program both are
one), which after some hundred tests is more than the demo takes; and this process's own peak is that of all tests
before. So a small one stands between, starts the program and measures.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

BETWEEN = """
import pathlib, resource, subprocess, sys
code = subprocess.call(sys.argv[2:])
pathlib.Path(sys.argv[1]).write_text(str(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss))
sys.exit(code)
"""


def run_measured(words: Sequence[str], folder: Path, **named: Any) -> tuple[subprocess.CompletedProcess[str], int]:
    """Run Python with these words in a folder: how it ended and what it said, and its peak in KiB (so on Linux)."""
    peak = folder / "peak_kib"
    done = subprocess.run(
        [sys.executable, "-c", BETWEEN, str(peak), sys.executable, *words],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        **named,
    )
    return done, int(peak.read_text(encoding="utf-8"))
