"""The invented valleys, for all tests of this folder."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def load_beside(name: str) -> ModuleType:
    """Load a module of this folder by its file, once."""
    known = f"leaveby_tests_{name}"
    if known not in sys.modules:
        spec = importlib.util.spec_from_file_location(known, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[known] = module
        spec.loader.exec_module(module)
    return sys.modules[known]


@pytest.fixture(scope="session")
def valleys() -> ModuleType:
    return load_beside("invented_valley")


@pytest.fixture(scope="session")
def harder() -> ModuleType:
    return load_beside("harder_plans")


@pytest.fixture(scope="session")
def places() -> ModuleType:
    return load_beside("places")
