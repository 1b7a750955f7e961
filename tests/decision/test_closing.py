"""Closing times against a direct reading of the definition with shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString

from leaveby.decision.fires.closing import StretchCells, closing_times, select, stretch_cells
from leaveby.errors import InputError
from leaveby.fire.terrain import Grid

GRID = Grid(x_min_m=1000.0, y_max_m=5000.0, cell_m=25.0, rows=40, cols=60, crs="EPSG:32755")


def squares(grid: Grid) -> np.ndarray:
    col, row = np.meshgrid(np.arange(grid.cols), np.arange(grid.rows))
    west = grid.x_min_m + col * grid.cell_m
    north = grid.y_max_m - row * grid.cell_m
    return shapely.box(west, north - grid.cell_m, west + grid.cell_m, north).ravel()


def points_on_grid() -> st.SearchStrategy[tuple[float, float]]:
    return st.tuples(st.floats(1005.0, 2495.0), st.floats(4005.0, 4995.0))


@given(
    corners=st.lists(points_on_grid(), min_size=2, max_size=5, unique=True),
    standoff_m=st.floats(0.0, 200.0),
    seed=st.integers(0, 2**31),
)
def test_never_later_than_the_definition_and_early_by_at_most_one_cell(
    corners: list[tuple[float, float]], standoff_m: float, seed: int
) -> None:
    """Source: the definition itself, measured square by square with shapely's distance."""
    line = LineString(corners)
    arrival = np.random.default_rng(seed).uniform(0.0, 3600.0, GRID.shape)
    found = closing_times(stretch_cells(GRID, [line], standoff_m=standoff_m), arrival, smoke_lead_s=0.0)[0]
    distance = shapely.distance(squares(GRID), line)
    assert found <= arrival.ravel()[distance <= standoff_m].min()
    assert found >= arrival.ravel()[distance <= standoff_m + GRID.cell_m].min()


def test_a_long_stretch_is_shut_by_fire_at_its_middle() -> None:
    """A stretch is never judged by its two ends (common practice, no source)."""
    line = LineString([(1010.0, 4500.0), (2490.0, 4500.0)])
    arrival = np.full(GRID.shape, np.inf)
    arrival[20, 30] = 1800.0
    cells = stretch_cells(GRID, [line], standoff_m=10.0)
    assert closing_times(cells, arrival, smoke_lead_s=600.0).tolist() == [1200.0]


def test_stretches_that_leave_the_grid_are_named() -> None:
    cells = stretch_cells(GRID, [LineString([(1010.0, 4500.0), (9000.0, 4500.0)])], standoff_m=10.0)
    assert cells.inside.tolist() == [False]


def test_selecting_keeps_each_stretch_its_own_cells() -> None:
    lines = [LineString([(1100.0 + 50 * k, 4100.0), (1150.0 + 50 * k, 4900.0)]) for k in range(6)]
    cells = stretch_cells(GRID, lines, standoff_m=30.0)
    arrival = np.random.default_rng(3).uniform(0.0, 3600.0, GRID.shape)
    whole = closing_times(cells, arrival, smoke_lead_s=0.0)
    order = np.array([4, 0, 5])
    assert closing_times(select(cells, order), arrival, smoke_lead_s=0.0).tolist() == whole[order].tolist()


@pytest.mark.parametrize("standoff_m", [-1.0, float("nan"), float("inf")])
def test_an_impossible_stand_off_is_refused(standoff_m: float) -> None:
    with pytest.raises(InputError, match="standoff_m"):
        stretch_cells(GRID, [LineString([(1010.0, 4500.0), (1020.0, 4500.0)])], standoff_m=standoff_m)


def test_a_stretch_without_cells_among_others_never_shuts() -> None:
    """By hand: three stretches with the cells 0, none, and 3; the middle one does not take the next one's time."""
    cells = StretchCells(np.array([0, 1, 1, 2]), np.array([0, 3]), np.array([True, True, True]))
    arrival_s = np.array([[900.0, 1.0], [2.0, 700.0]])
    assert closing_times(cells, arrival_s, smoke_lead_s=100.0).tolist() == [800.0, np.inf, 600.0]
