"""Latest departures on closing roads, and the way in words."""

from leaveby.roads.routing.latest_departure import (
    EarliestArrival,
    LatestDeparture,
    earliest_arrival,
    latest_departure,
)

__all__ = [
    "EarliestArrival",
    "LatestDeparture",
    "earliest_arrival",
    "latest_departure",
]
