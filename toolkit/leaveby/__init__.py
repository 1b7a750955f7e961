"""Evacuation-versus-shelter decision timing for bushfire-prone land.

Official warnings and the directions of the emergency services override anything computed here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from leaveby.ask.drill import run_drill
    from leaveby.ask.household import plan_household
    from leaveby.ask.streets import survey_streets

__all__ = ["__version__", "plan_household", "run_drill", "survey_streets"]


def __getattr__(name: str) -> Any:
    """Load the questions when they are first asked for: importing one room stays quick."""
    if name == "plan_household":
        from leaveby.ask.household import plan_household

        return plan_household
    if name == "survey_streets":
        from leaveby.ask.streets import survey_streets

        return survey_streets
    if name == "run_drill":
        from leaveby.ask.drill import run_drill

        return run_drill
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
