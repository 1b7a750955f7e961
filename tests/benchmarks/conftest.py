"""What takes the time runs only when it is asked for: `pytest tests/benchmarks --benchmark-enable`.

Times are ratios to a well-kept library in the same run, never seconds. Whatever else stands here (memory, answers that
agree) holds on any machine and always runs.
"""

from __future__ import annotations

from pathlib import Path

import pytest


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("benchmark_enable") or not config.getoption("benchmark_disable"):
        return
    timed = [
        item
        for item in items
        if Path(__file__).parent in item.path.parents
        and (item.get_closest_marker("benchmark") is not None or "benchmark" in getattr(item, "fixturenames", ()))
    ]
    items[:] = [item for item in items if item not in timed]
    config.hook.pytest_deselected(items=timed)
