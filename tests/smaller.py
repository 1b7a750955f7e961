"""Plans made small, answers without what a test does not look at, and whole ones worked out once for all processes.

For tests that read an answer. What asks whether two runs agree, or what one of them takes, works out its own.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar
from unittest.mock import patch

import pytest

from leaveby.household.plan import Plan

if TYPE_CHECKING:
    from leaveby.decision.fires.scenario import Scenario
    from leaveby.decision.ways.result import HouseholdResult, Rules

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")
RULES_CELL_M = 1000.0


def short_rules(plan: Plan) -> Plan:
    """The same plan with its rules, most of what its answer takes, on large cells: where no test looks at them."""
    return replace(plan, rules=replace(plan.rules, cell_m=RULES_CELL_M))


def coarse(plan: Plan, *, members: int) -> Plan:
    """A plan with few members on cells twice as large as the demo's, and its rules on large cells: as much is said."""
    return replace(short_rules(plan), members=members, terrain=replace(plan.terrain, cell_m=96.0))


def times_alone(work: Callable[Asked, HouseholdResult], *asked: Asked.args, **named: Asked.kwargs) -> HouseholdResult:
    """The answer to a household's question without rules and what-ifs, two thirds of what it takes.

    For tests that look at neither; no time hangs on them (`tests/decision/test_phases.py`).
    """
    # here, since every run of pytest loads this module
    from leaveby.decision.household import answer
    from leaveby.decision.ways.result import Rules
    from leaveby.fire.weather.ratings import HeldRule

    def none(scenario: Scenario, *_: object, **__: object) -> Rules:
        return Rules((), {}, None, scenario.inputs.terrain.grid, 0.0, 0.0, (), HeldRule(None))

    with patch.multiple(answer, household_rules=none, _tried=lambda *_: ()):
        return work(*asked, **named)


def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of this run that all its processes see: each has its own below it (as pytest-xdist's pages say)."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@dataclass(frozen=True)
class Once:
    """Reads an answer where a process has worked it out before, and works it out and keeps it where none has."""

    folder: Path

    def __call__(self, work: Callable[Asked, Answer], *asked: Asked.args, **named: Asked.kwargs) -> Answer:
        """Two that ask at the same moment both work it out, and keep the same."""
        question = repr((work.__module__, work.__qualname__, asked, sorted(named.items())))
        kept = self.folder / f"{work.__name__}_{hashlib.sha256(question.encode()).hexdigest()[:16]}.pickle"
        if not kept.exists():
            made = self.folder / f"{kept.name}.{os.getpid()}"
            made.write_bytes(pickle.dumps(work(*asked, **named)))
            made.replace(kept)
        answer: Answer = pickle.loads(kept.read_bytes())
        return answer
