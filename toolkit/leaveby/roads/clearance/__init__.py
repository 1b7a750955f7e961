"""How long homes behind one exit need to clear."""

from leaveby.roads.clearance.queue import (
    Clearance,
    Mobilisation,
    StreetTree,
    clearance,
    not_out,
    rolling_share,
    street_tree,
)

__all__ = [
    "Clearance",
    "Mobilisation",
    "StreetTree",
    "clearance",
    "not_out",
    "rolling_share",
    "street_tree",
]
