"""Evacuation-versus-shelter decision timing for bushfire-prone land.

Official warnings and the directions of the emergency services override anything computed here.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from leaveby.ask.district import survey_district
    from leaveby.ask.drill import run_drill
    from leaveby.ask.household import plan_household
    from leaveby.ask.streets import survey_streets

__all__ = ["__version__", "plan_household", "run_drill", "survey_district", "survey_streets"]


_QUESTIONS = {
    "plan_household": "household",
    "survey_streets": "streets",
    "survey_district": "district",
    "run_drill": "drill",
}


def __getattr__(name: str) -> Any:
    """Load the questions when they are first asked for: importing one room stays quick."""
    if name in _QUESTIONS:
        return getattr(import_module(f"leaveby.ask.{_QUESTIONS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
