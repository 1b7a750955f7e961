"""A whole answer on the demo: how many fires it solves, its time beside scikit-fmm, and flat memory."""

from __future__ import annotations

import time
import tracemalloc
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import skfmm

from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.decision.fires import solved
from leaveby.decision.household.answer import answer_household
from leaveby.fire.arrival.solve import arrive
from smaller import coarse, times_alone

MOST_FIRES = 250
"""Fires that a whole answer on the demo may solve: the design's, the what-ifs' and those of the day-before table."""


def test_a_whole_answer_costs_no_more_than_its_solves(benchmark: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against as many of scikit-fmm's first-order solves of the same grid in the same run."""
    plan = load_plan(demo_folder() / "plan.toml")
    inputs = read_inputs(plan)
    few = replace(inputs, plan=replace(inputs.plan, members=20))
    benchmark.pedantic(answer_household, (few,), {"workers": 2}, rounds=1)
    answer_household(inputs, workers=2)
    grid = inputs.terrain.grid
    start = np.ones(grid.shape)
    start[grid.rows // 2, grid.cols // 2] = -1.0
    begun = time.process_time()
    for _ in range(20):
        skfmm.travel_time(start, np.ones(grid.shape), dx=grid.cell_m, order=1)
    peer_s = (time.process_time() - begun) / 20.0
    counted: list[int] = []
    monkeypatch.setattr(solved, "arrive", lambda *given, **named: counted.append(1) or arrive(*given, **named))
    begun = time.process_time()
    answer_household(inputs, workers=2)
    ours_s = time.process_time() - begun
    times = ours_s / (len(counted) * peer_s)
    benchmark.extra_info.update(times_scikit_fmm=round(times, 2), fires=len(counted), processor_s=round(ours_s, 1))
    assert len(counted) <= MOST_FIRES
    assert times <= 20.0


def test_memory_does_not_grow_with_the_members() -> None:
    """Of what is worked out for members: rules on large cells would hide it, and so would code that is compiled."""
    inputs = read_inputs(coarse(load_plan(demo_folder() / "plan.toml"), members=30))
    peaks = []
    times_alone(answer_household, inputs, workers=2)
    for members in (30, 120):
        tracemalloc.start()
        times_alone(answer_household, replace(inputs, plan=replace(inputs.plan, members=members)), workers=2)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]
