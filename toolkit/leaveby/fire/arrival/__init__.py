"""When fire comes: the solver, what is read off it, and embers ahead of it.

Words of the solver:

- cell: a square of the grid, addressed by its centre; lengths in cells, y to the south;
- ellipse: how fast fire leaves a cell in a weather step, as slowness and drift (`spread.ellipse`);
- leg: a line along which fire runs from an anchor to a point, across cells and weather steps;
- anchor: the point and time from which a leg starts; any point, not only a cell's centre;
- seed: an ignition point; the first anchors;
- front: how the fire came to a cell: its leg, and the anchor before that one's;
- settle: take the cell that is next in time, and move its anchor to where it is best;
- offer: what a settled cell hands its neighbours: its own anchor, itself, or a turn on the way, as a new one;
- edge: the border between two fuels in which fire runs differently; barrier: cells where nothing burns;
- bend: where a leg turns, at an edge, at a corner or in changing ground, and the moving of an anchor to it.
"""

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
