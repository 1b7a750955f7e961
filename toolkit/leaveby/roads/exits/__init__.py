"""Streets with one way out, the homes on them, and links that would help."""

from leaveby.roads.exits.groups import (
    Difference,
    SingleExits,
    home_vertices,
    single_exits,
    weights,
)

__all__ = [
    "Difference",
    "SingleExits",
    "home_vertices",
    "single_exits",
    "weights",
]
