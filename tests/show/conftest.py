"""The invented answer, made once for all tests of this folder that only read it."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest

from leaveby.decision.ways.result import HouseholdResult
from leaveby.show.plan.page import plan_figures


@pytest.fixture(scope="session")
def result(invented: ModuleType) -> HouseholdResult:
    return invented.invented_result()


@pytest.fixture
def nothing_more_is_solved(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """From its call on, working out a fire's arrival is a fault: what moves with a clock has to be there by then."""

    def solved(*_: object, **__: object) -> None:
        raise AssertionError("a fire's arrival was worked out")

    return lambda: monkeypatch.setattr("leaveby.fire.arrival.solve.burn", solved)


@pytest.fixture(scope="session")
def figures(result: HouseholdResult) -> dict[str, str]:
    return plan_figures(result)
