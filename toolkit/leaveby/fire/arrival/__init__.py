"""When fire comes: the solver, what is read off it, and embers ahead of it."""

from leaveby.fire.arrival.solve import (
    Arrival,
    Ignition,
    arrive,
    bridged_zones,
    check_spread,
    ignite_point,
    lead_time,
)

__all__ = [
    "Arrival",
    "Ignition",
    "arrive",
    "bridged_zones",
    "check_spread",
    "ignite_point",
    "lead_time",
]
