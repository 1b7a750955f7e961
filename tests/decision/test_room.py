"""What an answer takes of memory is estimated from above, before anything is solved, and refused where it is too much.

Nothing outside says so: held against what Python's own tracing of memory measured.
"""

from __future__ import annotations

import os
import random
import tracemalloc
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from leaveby.ask import household
from leaveby.ask.household import room_bytes
from leaveby.cli import main
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household import timed
from leaveby.decision.household.answer import answer_household
from leaveby.decision.household.timed import BASE_BYTES, made_ready, room_needed
from leaveby.errors import InputError


def long_road(valleys: ModuleType, *, corners: int, starts: int, members: int, tasks: int) -> HouseholdInputs:
    """A road with a stub at each corner, so that it has about as many stretches."""
    x = np.linspace(6000.0, 300.0, corners)
    road = [(float(at), 2000.0 + 200.0 * (number % 2)) for number, at in enumerate(x)]
    lines = {f"part {number}": list(ends) for number, ends in enumerate(pairwise(road))}
    lines |= {f"stub {number}": [at, (at[0], 1500.0)] for number, at in enumerate(road[1:-1])}
    inputs: HouseholdInputs = valleys.household(
        valleys.ground(8000.0, 8000.0, cell_m=400.0),
        lines,
        home=road[0],
        safe_points=(valleys.safe("the hall", road[-1], ("car",)),),
        ignitions=tuple(valleys.point_fire((1500.0 + 900.0 * number, 7000.0)) for number in range(starts)),
        weather=valleys.steady(wind_km_h=30.0, wind_from_deg=350.0),
        tasks=[valleys.task(f"task {number}", 1.0, 2.0, 4.0, ("car",)) for number in range(tasks)],
        vehicles=(valleys.UTE,),
    )
    return replace(inputs, plan=replace(inputs.plan, members=members, precision_s=np.inf))


@pytest.mark.parametrize("number", range(int(os.environ.get("LEAVEBY_ROOM", "1"))))
def test_no_answer_takes_more_than_was_reckoned_with(number: int, valleys: ModuleType) -> None:
    draws = random.Random(number)
    sizes = {"corners": draws.randint(10, 60), "starts": draws.randint(1, 4), "tasks": draws.randint(1, 12)}
    # what is compiled and loaded at first use is of the libraries, which are not traced here
    answer_household(long_road(valleys, corners=4, starts=1, tasks=1, members=260), workers=2)
    peaks, reckoned = [], []
    for members in (draws.randint(10_000, 15_000), draws.randint(40_000, 70_000)):
        inputs = long_road(valleys, members=members, **sizes)
        asked = made_ready(inputs, workers=2)
        assert len(asked.column_of) >= sizes["corners"] - 1
        fixed, each = room_needed(asked)
        tracemalloc.start()
        answer_household(inputs, workers=2)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        reckoned.append(fixed - BASE_BYTES + each * members)
        assert peaks[-1] < reckoned[-1], (members, sizes)
    # and not so far above it that what would fit is refused
    assert 0.25 * (reckoned[1] - reckoned[0]) < peaks[1] - peaks[0] < reckoned[1] - reckoned[0], (peaks, reckoned)


def test_more_members_than_memory_holds_are_refused_before_any_fire_with_those_that_fit(
    valleys: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("leaveby.decision.household.answer.solve_fires", lambda *_, **__: 1 / 0)
    inputs = long_road(valleys, corners=30, starts=2, tasks=3, members=100_000)
    fixed, each = room_needed(made_ready(inputs, workers=1))
    room = fixed + 12_345.0 * each
    with pytest.raises(InputError, match=r"plan\.members: is 100,000, .* at most 12,300 members .* members = 12300,"):
        answer_household(inputs, room_bytes=room)
    fitting = replace(inputs, plan=replace(inputs.plan, members=12_300))
    timed.refuse_too_large(made_ready(fitting, workers=1), room_bytes=room)
    with pytest.raises(InputError, match=r"terrain\.cell_m: leaves so many cells .* larger cell_m"):
        answer_household(inputs, room_bytes=fixed)


def test_the_memory_of_the_machine_or_the_container_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], small_plan: Path
) -> None:
    assert 1e9 < room_bytes() < 1e15
    monkeypatch.setattr(household, "room_bytes", lambda: 5e8)
    assert main(["plan", str(small_plan), "--out", str(tmp_path / "out")]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "where there are 0.5 GB" in said
    assert "Nothing was computed" in said
    assert not (tmp_path / "out").exists()
