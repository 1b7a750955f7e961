"""The local shape of spread: wind and slope combined, length-to-breadth, flank and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leaveby.fire.terrain import Grid


@dataclass(frozen=True)
class SpreadTable:
    """What the arrival solver needs to know of fuel, weather and terrain, without a copy of it per cell and step.

    Every burnable cell belongs to a zone (a fuel type, or a fuel type within one cell of a weather grid). For each
    weather step and zone the table holds the head rate of spread on flat ground and the wind; the slope acts per cell.

    Attributes
    ----------
    grid : Grid
    zone : ndarray of int32, shape (rows, cols)
        Zone of each cell, 0 to zones-1; -1 where nothing burns.
    gradient_east, gradient_north : ndarray of float32, shape (rows, cols)
        Rise over run towards east and north (dimensionless, finite).
    time_s : ndarray of float64, shape (steps,)
        Start of each step in seconds from the scenario's start, increasing, the first at or before 0; the last holds on.
    flat_head_ros_m_s : ndarray of float64, shape (steps, zones)
        Head rate of spread on flat ground, in m/s, above 0.
    wind_east_m_s, wind_north_m_s : ndarray of float64, shape (steps, zones)
        Open wind at 10 m as the vector it blows towards, in m/s.
    grass : ndarray of bool, shape (zones,)
        True where the length-to-breadth relation of grass applies, else that of forest.
    """

    grid: Grid
    zone: NDArray[np.int32]
    gradient_east: NDArray[np.float32]
    gradient_north: NDArray[np.float32]
    time_s: NDArray[np.float64]
    flat_head_ros_m_s: NDArray[np.float64]
    wind_east_m_s: NDArray[np.float64]
    wind_north_m_s: NDArray[np.float64]
    grass: NDArray[np.bool_]
