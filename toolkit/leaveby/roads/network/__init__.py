"""The road network, its grades, and what is attached to it."""

from leaveby.roads.network.graph import (
    RoadNetwork,
    RoutingGraph,
    check_network,
    csr,
    great_circle_m,
    metric_crs,
    network_from_lines,
    routing_graph,
    select_edges,
    utm_crs,
    without_point_loops,
)

__all__ = [
    "RoadNetwork",
    "RoutingGraph",
    "check_network",
    "csr",
    "great_circle_m",
    "metric_crs",
    "network_from_lines",
    "routing_graph",
    "select_edges",
    "utm_crs",
    "without_point_loops",
]
