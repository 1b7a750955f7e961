"""How fast and how lean the rules for any fire are: 40 x 40 km of ground in cells of 100 m, against scikit-fmm.

Three ratings, 16 winds, four hours and two ways of leaving are 384 answers; as many first-order solves of scikit-fmm on
the same grid are the measure, in processor time. Run with: pytest tests/benchmarks --benchmark-enable
"""

from __future__ import annotations

import time
import tracemalloc
from types import ModuleType
from typing import Any

import numpy as np
import skfmm

from leaveby.decision.fires.scenario import ratings_days
from leaveby.decision.household.timed import made_ready
from leaveby.decision.rules.rules import Asked, asked_of, rules_for
from leaveby.decision.ways.result import Rules

RATINGS, WINDS, HOURS, WAYS = 3, 16, 4, 2


def asked_on(places: ModuleType, cell_m: float) -> Asked:
    ready = made_ready(places.two_roads_out(wide_cell_m=cell_m), workers=2)
    return asked_of(ready.scenario, ready.candidates, workers=2)


def made(asked: Asked) -> Rules:
    return rules_for(asked, ratings_days(asked.scenario.inputs)[:RATINGS], today=None)


def processor_s(work: Any, *, times: int = 1) -> float:
    begun = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - begun) / times


def test_rules_of_three_ratings_on_forty_kilometres(places: ModuleType, benchmark: Any) -> None:
    made(asked_on(places, 2000.0))
    asked = asked_on(places, 100.0)
    assert asked.ground.grid.shape == (400, 400)
    rules = benchmark.pedantic(made, (asked,), rounds=1)
    assert len(rules.rules) == RATINGS * WAYS
    assert len(asked.scenario.inputs.plan.rules.hours) == HOURS
    front = np.ones((400, 400))
    front[200, 200] = -1
    one_s = processor_s(lambda: skfmm.travel_time(front, np.ones((400, 400)), order=1), times=5)
    times = processor_s(lambda: made(asked)) / (RATINGS * WINDS * HOURS * WAYS * one_s)
    benchmark.extra_info["times_scikit_fmm"] = round(times, 2)
    assert times <= 4


def test_memory_grows_with_the_winds_of_one_hour_and_no_more(places: ModuleType) -> None:
    """Winds by routes of four bytes a cell are kept at once, and as much again for a moment, beside the ground."""
    made(asked_on(places, 2000.0))
    asked = asked_on(places, 250.0)
    cells = asked.ground.grid.rows * asked.ground.grid.cols
    routes = max(len(found) for found in asked.routes.values())
    tracemalloc.start()
    made(asked)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak / cells <= 3 * 4 * WINDS * routes + 800
