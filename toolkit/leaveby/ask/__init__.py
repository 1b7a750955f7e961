"""Every question, from files to its answer."""

from leaveby.ask.household import (
    check_household,
    check_roads,
    demo_folder,
    load_plan,
    notebooks_folder,
    plan_household,
    read_inputs,
)

__all__ = [
    "check_household",
    "check_roads",
    "demo_folder",
    "load_plan",
    "notebooks_folder",
    "plan_household",
    "read_inputs",
]
