"""The invented answer, made once for all tests of this folder that only read it."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from leaveby.decision.ways.result import HouseholdResult
from leaveby.show.plan.page import plan_figures


def load_invented() -> ModuleType:
    name = "leaveby_tests_invented"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("invented.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def invented() -> ModuleType:
    return load_invented()


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
