"""The directed road network as arrays, and the index that routing walks along.

Nodes are numbered 0..n-1 and edges 0..e-1. An edge is one direction of travel along one stretch of road. Parallel edges
and loops are kept. Lengths are great-circle lengths on the mean sphere; geometry is projected, in metres.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS
from scipy import sparse

from leaveby.errors import Fault, Faults, refused

SEPARATOR: Final = "|"
"""Stands between the values of a tag where one edge was merged from several ways."""

EARTH_RADIUS_M: Final = 6_371_009.0
"""Mean radius of the Earth (2a + b)/3 of the GRS 80 ellipsoid, rounded (Moritz 1980, Geodetic Reference System)."""

MOTORWAYS: Final = frozenset({"motorway", "motorway_link"})
FOOT_CLASSES: Final = frozenset(
    {"path", "footway", "steps", "pedestrian", "cycleway", "bridleway", "corridor", "via_ferrata"}
)
"""Classes that no car drives on, unless a tag says that it may."""

_LENGTH_AGAINST_GEOMETRY = 0.02
_SLACK_M = 2.0

K = TypeVar("K", bound=Hashable)
T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class RoadNetwork:
    """Roads as n nodes and e directed edges between them, in a projected reference system with metre axes.

    - `node_id`: identity of each node where the roads came from (negative for nodes added by `attach_points`).
    - `tail`, `head`: node where each edge starts and where it ends; `geometry` runs from one to the other.
    - `way_id`: identity of the way (the first, where several were merged); 0 for edges added by `attach_points`.
    - `twin`: the edge that runs the other way along the same stretch, or -1.
    - `foot_only`: the wrong direction of a one-way street, which only a person on foot may take.
    - `highway`, `name`, ...: raw tags, '' where absent, values joined by '|' where ways were merged. `barrier` holds
      the gates and other barriers that stand on the edge (`gate`, `lift_gate=yes`).
    - `from_osm`: whether OpenStreetMap's notice is due on what is drawn from them: true unless the source says whose
      they are. `credits`: few words and whole notice of other data that stands beside them.
    """

    crs: str
    node_id: NDArray[np.int64]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    tail: NDArray[np.int32]
    head: NDArray[np.int32]
    length_m: NDArray[np.float64]
    geometry: NDArray[np.object_]
    way_id: NDArray[np.int64]
    twin: NDArray[np.int32]
    foot_only: NDArray[np.bool_]
    highway: tuple[str, ...]
    name: tuple[str, ...]
    ref: tuple[str, ...]
    maxspeed: tuple[str, ...]
    surface: tuple[str, ...]
    smoothness: tuple[str, ...]
    tracktype: tuple[str, ...]
    service: tuple[str, ...]
    lanes: tuple[str, ...]
    width: tuple[str, ...]
    maxheight: tuple[str, ...]
    maxwidth: tuple[str, ...]
    maxweight: tuple[str, ...]
    maxlength: tuple[str, ...]
    access: tuple[str, ...]
    vehicle: tuple[str, ...]
    motor_vehicle: tuple[str, ...]
    motorcar: tuple[str, ...]
    trailer: tuple[str, ...]
    caravan: tuple[str, ...]
    foot: tuple[str, ...]
    four_wd_only: tuple[str, ...]
    oneway: tuple[str, ...]
    junction: tuple[str, ...]
    bridge: tuple[str, ...]
    tunnel: tuple[str, ...]
    barrier: tuple[str, ...]
    assumptions: tuple[str, ...]
    from_osm: bool = True
    credits: tuple[tuple[str, str], ...] = ()

    @property
    def node_count(self) -> int:
        """Number of nodes."""
        return int(self.node_id.shape[0])

    @property
    def edge_count(self) -> int:
        """Number of directed edges."""
        return int(self.tail.shape[0])

    def edge_tags(self, edge: int) -> dict[str, str]:
        """The tags of one edge that are not empty."""
        return {tag: value for tag in TAGS if (value := getattr(self, tag)[edge])}

    def place(self, edge: int) -> str:
        """Words that lead a person to the edge: its way, name and class."""
        name = self.name[edge] or self.ref[edge]
        named = f" ({name})" if name else ""
        return f"way {self.way_id[edge]}{named}, {self.highway[edge] or 'unclassed road'}"


TAGS: Final = tuple(
    name for name, kind in RoadNetwork.__annotations__.items() if kind == "tuple[str, ...]" and name != "assumptions"
)
"""The raw tags that every edge carries, as attributes of `RoadNetwork`; '' where absent."""

PER_EDGE: Final = ("tail", "head", "length_m", "geometry", "way_id", "foot_only", *TAGS)
"""Attributes of `RoadNetwork` that hold one value for each edge and stay true of it alone."""


def taken(table: object, columns: Iterable[str], rows: NDArray[np.int64]) -> dict[str, Any]:
    """Some rows of those attributes of a table that are columns: arrays, or tuples of text."""
    found: dict[str, Any] = {}
    numbers = rows.tolist()
    for name in columns:
        column = getattr(table, name)
        found[name] = column[rows] if isinstance(column, np.ndarray) else tuple(map(column.__getitem__, numbers))
    return found


def judged(
    network: RoadNetwork,
    judge: Callable[[int, dict[str, str]], T],
    *,
    tags: Sequence[str],
    beside: Sequence[NDArray[np.bool_]] = (),
) -> list[T]:
    """What `judge` says of each edge by its number and tags; edges that are equal in these, and `beside`, ask once."""
    known: dict[tuple[object, ...], T] = {}
    found: list[T] = []
    # most tags are nowhere stated
    columns = {tag: column for tag in tags if any(column := getattr(network, tag)) or tag == tags[0]}
    nothing = dict.fromkeys(tags, "")
    for edge, key in enumerate(zip(*columns.values(), *beside, strict=True)):
        if key not in known:
            known[key] = judge(edge, nothing | dict(zip(columns, key, strict=False)))
        found.append(known[key])
    return found


def where(values: Iterable[K], test: Callable[[K], bool]) -> NDArray[np.bool_]:
    """Which of many values, few of them different, pass a test.

    >>> where(["path", "track", "path"], MOTORWAYS.isdisjoint)
    array([ True,  True,  True])
    """
    given = list(values)
    known = {one: test(one) for one in set(given)}
    return np.array([known[one] for one in given], dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class RoutingGraph:
    """Which edges leave and enter each node, as compressed rows; made once, used for every routing.

    Edges that leave node u are `out_edge[out_start[u]:out_start[u + 1]]`, their heads stand in `out_head`; edges that
    enter it are found likewise, with their tails.
    """

    node_count: int
    edge_count: int
    tail: NDArray[np.int32]
    head: NDArray[np.int32]
    out_start: NDArray[np.int32]
    out_edge: NDArray[np.int32]
    out_head: NDArray[np.int32]
    in_start: NDArray[np.int32]
    in_edge: NDArray[np.int32]
    in_tail: NDArray[np.int32]


def routing_graph(node_count: int, tail: NDArray[np.int32], *, head: NDArray[np.int32]) -> RoutingGraph:
    """Index directed edges by the node they leave and by the node they enter."""
    start = np.ascontiguousarray(tail, dtype=np.int32)
    end = np.ascontiguousarray(head, dtype=np.int32)
    if start.shape != end.shape or start.ndim != 1:
        raise refused("road network", "starts_without_ends", shape=start.shape, ends=end.shape)
    if start.size and (min(start.min(), end.min()) < 0 or max(start.max(), end.max()) >= node_count):
        raise refused("road network", "no_such_node", last=node_count - 1)

    def rows(key: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        # a column of its own for each edge: compressing counts and never sorts, and edges stay in order
        each = np.arange(key.size, dtype=np.int32)
        table = sparse.coo_matrix((np.ones(key.size, dtype=np.int8), (key, each)), shape=(node_count, key.size)).tocsr()
        return table.indptr.astype(np.int32, copy=False), table.indices.astype(np.int32, copy=False)

    out_start, out_edge = rows(start)
    in_start, in_edge = rows(end)
    return RoutingGraph(
        node_count=node_count,
        edge_count=int(start.size),
        tail=start,
        head=end,
        out_start=out_start,
        out_edge=out_edge,
        out_head=end[out_edge],
        in_start=in_start,
        in_edge=in_edge,
        in_tail=start[in_edge],
    )


def csr(network: RoadNetwork) -> RoutingGraph:
    """Index a network for routing; edge and node numbers stay those of the network."""
    return routing_graph(network.node_count, network.tail, head=network.head)


def great_circle_m(
    lon_a_deg: NDArray[np.float64],
    lat_a_deg: NDArray[np.float64],
    *,
    lon_b_deg: NDArray[np.float64],
    lat_b_deg: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Great-circle distance on the mean sphere by the haversine formula; off by 0.56 % of the ellipsoid's at most."""
    lon_a, lat_a = np.radians(lon_a_deg), np.radians(lat_a_deg)
    lon_b, lat_b = np.radians(lon_b_deg), np.radians(lat_b_deg)
    h = np.sin((lat_b - lat_a) / 2.0) ** 2 + np.cos(lat_a) * np.cos(lat_b) * np.sin((lon_b - lon_a) / 2.0) ** 2
    return np.asarray(2.0 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(h, 0.0, 1.0))), dtype=np.float64)


def utm_crs(lon_deg: float, *, lat_deg: float) -> str:
    """The UTM zone that holds a point, as an EPSG code on WGS 84."""
    zone = int(np.clip(np.floor((lon_deg + 180.0) / 6.0), 0, 59)) + 1
    return f"EPSG:{(32600 if lat_deg >= 0.0 else 32700) + zone}"


def metric_crs(crs: str, *, place: str) -> str:
    """Check that a reference system is projected with metre axes; return it."""
    try:
        known = CRS.from_user_input(crs)
    except Exception as error:
        raise refused(place, "crs_unknown", crs=crs) from error
    if not known.is_projected or any(abs(axis.unit_conversion_factor - 1.0) > 1e-9 for axis in known.axis_info[:2]):
        raise refused(place, "crs_not_in_metres", crs=crs)
    return crs


def check_network(network: RoadNetwork) -> RoadNetwork:
    """Refuse a network with missing, negative or contradictory values; return it unchanged when it is sound."""
    count = network.edge_count
    faults = Faults()
    if count == 0:
        raise refused("road network", "network_without_roads")
    faults.extend(
        Fault("road network", f"{what} has {size} entries for {count} edges", "one per edge", "give one per edge")
        for what in (*PER_EDGE, "twin")
        if (size := len(getattr(network, what))) != count
    )
    faults.refuse()
    line_m = shapely.length(network.geometry)
    known = np.isfinite(network.length_m) & (network.length_m >= 0.0)
    ends = np.stack([network.tail, network.head])

    def some(bad: ArrayLike) -> str:
        where = np.flatnonzero(bad)
        more = f" and {where.size - 3} more" if where.size > 3 else ""
        return "; ".join(network.place(int(edge)) for edge in where[:3]) + more

    shorter = known & (network.length_m < (1.0 - _LENGTH_AGAINST_GEOMETRY) * line_m - _SLACK_M)
    if places := some(~known):
        faults.tell(places, "road_without_length")
    if places := some(shorter):
        faults.tell(places, "road_shorter_than_drawn")
    if places := some(np.any((ends < 0) | (ends >= network.node_count), axis=0)):
        faults.tell(places, "road_to_no_node", last=network.node_count - 1)
    if not (np.isfinite(network.x_m).all() and np.isfinite(network.y_m).all()):
        faults.add("road network", "a node has no position", "finite coordinates", "correct or remove the node")
    faults.refuse()
    return network


def select_edges(network: RoadNetwork, keep: NDArray[np.bool_]) -> RoadNetwork:
    """The network with only the edges where `keep` is true; nodes stay as they are numbered."""
    kept = np.flatnonzero(keep)
    number = np.full(network.edge_count + 1, -1, dtype=np.int32)
    number[kept] = np.arange(kept.size, dtype=np.int32)
    return replace(network, twin=number[network.twin[kept]], **taken(network, PER_EDGE, kept))


def without_point_loops(network: RoadNetwork) -> RoadNetwork:
    """The network without loops of no length, which lead nowhere and take no time."""
    useless = (network.tail == network.head) & (network.length_m == 0.0)
    if not useless.any():
        return network
    dropped = select_edges(network, ~useless)
    sentence = f"{int(useless.sum())} road loops of no length were left out."
    return replace(dropped, assumptions=(*dropped.assumptions, sentence))


def network_from_lines(
    lines: list[list[tuple[float, float]]],
    *,
    crs: str,
    names: list[str] | None = None,
    tags: list[dict[str, str]] | None = None,
) -> RoadNetwork:
    """Make a network by hand from lines in metres that meet at their ends, each open both ways unless tagged one-way.

    Ends with the same coordinates are one node. `tags` are raw tags of each line; `highway` is `unclassified` where
    left out. A line of fewer than two points, or an unknown tag, is an InputError.

    Examples
    --------
    >>> network = network_from_lines([[(0.0, 0.0), (3.0, 4.0)], [(3.0, 4.0), (3.0, 10.0)]], crs="EPSG:32755")
    >>> network.node_count, network.edge_count, network.length_m.tolist()
    (3, 4, [5.0, 6.0, 5.0, 6.0])
    """
    node_of: dict[tuple[float, float], int] = {}
    ends: list[tuple[int, int]] = []
    raw: list[dict[str, str]] = []
    for index, points in enumerate(lines):
        raw.append({"highway": "unclassified", **(tags[index] if tags is not None else {})})
        if names is not None:
            raw[-1]["name"] = names[index]
        unknown = sorted(set(raw[-1]) - set(TAGS))
        if len(points) < 2 or unknown:
            raise refused(
                f"lines[{index}]", "line_of_no_road", points=len(points), unknown=unknown, tags=", ".join(TAGS)
            )
        first, last = ((float(x), float(y)) for x, y in (points[0], points[-1]))
        ends.append((node_of.setdefault(first, len(node_of)), node_of.setdefault(last, len(node_of))))
    count = len(lines)
    there = np.arange(count)
    one_way = np.array([tag.get("oneway", "") == "yes" for tag in raw], dtype=np.bool_)
    shapes = [shapely.LineString(points) for points in lines]
    geometry = np.array([*shapes, *(shape.reverse() for shape in shapes)], dtype=object)
    x_m, y_m = np.array(list(node_of), dtype=np.float64).reshape(-1, 2).T.copy()
    tail, head = np.array(ends, dtype=np.int32).reshape(-1, 2).T
    return check_network(
        RoadNetwork(
            from_osm=True,
            credits=(),
            crs=metric_crs(crs, place="road network"),
            node_id=np.arange(1, len(node_of) + 1, dtype=np.int64),
            x_m=x_m,
            y_m=y_m,
            tail=np.concatenate([tail, head]),
            head=np.concatenate([head, tail]),
            length_m=np.asarray(shapely.length(geometry), dtype=np.float64),
            geometry=geometry,
            way_id=np.tile(there + 1, 2),
            twin=np.concatenate([there + count, there]).astype(np.int32),
            foot_only=np.concatenate([np.zeros(count, dtype=np.bool_), one_way]),
            assumptions=(),
            **{tag: tuple(given.get(tag, "") for given in (*raw, *raw)) for tag in TAGS},
        )
    )
