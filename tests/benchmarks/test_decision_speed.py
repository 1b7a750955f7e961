"""A thousand members on 200 x 200 cells with three ways of leaving: time beside scikit-fmm, and flat memory."""

from __future__ import annotations

import time
import tracemalloc
from dataclasses import replace
from typing import Any

import numpy as np
import skfmm

from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.decision.household.answer import answer_household

SOLVES_BESIDES_MEMBERS = 400
"""Pilots, other fires, trigger lines and day-before fires that an answer solves beside its members, at the most."""


def test_members_cost_no_more_than_their_solves(benchmark: Any) -> None:
    """Against scikit-fmm's first-order solve of the same grid in the same run, per fire, as for the solver itself."""
    plan = load_plan(demo_folder() / "plan.toml")
    inputs = read_inputs(replace(plan, fire=replace(plan.fire, what_if_m_s=())))
    few = replace(inputs, plan=replace(inputs.plan, members=20))
    benchmark.pedantic(answer_household, (few,), {"workers": 2}, rounds=1)
    grid = inputs.terrain.grid
    start = np.ones(grid.shape)
    start[grid.rows // 2, grid.cols // 2] = -1.0
    begun = time.process_time()
    for _ in range(20):
        skfmm.travel_time(start, np.ones(grid.shape), dx=grid.cell_m, order=1)
    peer_s = (time.process_time() - begun) / 20.0
    begun = time.process_time()
    answer_household(replace(inputs, plan=replace(inputs.plan, members=250)), workers=2)
    ours_s = time.process_time() - begun
    times = ours_s / ((250 + SOLVES_BESIDES_MEMBERS) * peer_s)
    benchmark.extra_info["times_scikit_fmm"] = round(times, 2)
    assert times <= 20.0


def test_memory_does_not_grow_with_the_members() -> None:
    plan = load_plan(demo_folder() / "plan.toml")
    inputs = read_inputs(replace(plan, fire=replace(plan.fire, models=("dry_eucalypt",), what_if_m_s=())))
    peaks = []
    for members in (30, 120):
        tracemalloc.start()
        answer_household(replace(inputs, plan=replace(inputs.plan, members=members)), workers=2)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]
