"""How long a thousand members' ready times take, against networkx's longest path of the same tasks in the same run.

Run with: pytest tests/benchmarks/test_readiness_speed.py --benchmark-enable
"""

from __future__ import annotations

import time
from typing import Any

import networkx as nx
import numpy as np

from leaveby.ask.household import demo_folder, load_plan
from leaveby.household.readiness import ready_times
from leaveby.household.sampling import sample_durations

MEMBERS = 1000


def test_ready_times_against_the_longest_path(benchmark: Any) -> None:
    home = load_plan(demo_folder() / "plan.toml").household
    drawn = sample_durations(home.tasks, rng=np.random.default_rng(1), members=MEMBERS)
    ours = benchmark.pedantic(ready_times, (home, "tow"), {"durations_s": drawn}, rounds=3, warmup_rounds=1)
    tasks = {task.name: (number, task) for number, task in enumerate(home.tasks) if "tow" in task.ways}
    begun = time.perf_counter()
    for member in range(MEMBERS):
        order: nx.DiGraph[str] = nx.DiGraph()
        order.add_node("ready")
        for name, (number, task) in tasks.items():
            order.add_edge(name, "ready", weight=drawn[member, number])
            for before in task.after:
                if before in tasks:
                    order.add_edge(before, name, weight=drawn[member, tasks[before][0]])
        # Whoever is short of hands is ready no sooner than the longest chain of tasks.
        assert ours[member] >= nx.dag_longest_path_length(order) - 1e-6
    times = benchmark.stats.stats.min / (time.perf_counter() - begun)
    benchmark.extra_info["times_networkx"] = round(times, 4)
    assert times <= 0.1
