"""Grid, gradients and voids against plain geometry, rasterio's own georeferencing and real terrain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rasterio.transform import from_origin, rowcol, xy

from leaveby.errors import InputError
from leaveby.fire.terrain import Grid, Terrain, cell_of, centre_of, check_grid, gradients, slope_deg

GRID = Grid(x_min_m=500_000.0, y_max_m=6_000_000.0, cell_m=25.0, rows=40, cols=60, crs="EPSG:32755")


@given(st.integers(0, 39), st.integers(0, 59))
def test_cells_and_centres_agree_with_rasterio(row: int, col: int) -> None:
    transform = from_origin(GRID.x_min_m, GRID.y_max_m, GRID.cell_m, GRID.cell_m)
    x, y = centre_of(GRID, row, col=col)
    assert (x, y) == pytest.approx(xy(transform, row, col))
    assert cell_of(GRID, x, y_m=y) == (row, col) == tuple(rowcol(transform, x, y))


@given(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6))
def test_a_plane_has_one_gradient_to_its_edges(east: float, north: float) -> None:
    x, y = np.meshgrid(np.arange(60) * 25.0, -np.arange(40) * 25.0)
    found_east, found_north = gradients(Terrain(GRID, 300.0 + east * x + north * y))
    assert found_east.dtype == np.float32
    assert np.allclose(found_east, east, atol=1e-5)
    assert np.allclose(found_north, north, atol=1e-5)
    steepness = np.degrees(np.arctan(np.hypot(east, north)))
    assert np.allclose(slope_deg(found_east, gradient_north=found_north), steepness, atol=1e-3)


def test_gradients_of_a_smooth_hill_follow_its_derivative() -> None:
    # Source: calculus. Horn's stencil is off by the second order of the cell size.
    x, y = np.meshgrid((np.arange(60) - 30) * 25.0, (20 - np.arange(40)) * 25.0)
    hill = 100.0 * np.exp(-(x**2 + y**2) / (2 * 300.0**2))
    east, north = gradients(Terrain(GRID, hill))
    inside = np.s_[2:-2, 2:-2]
    assert np.abs(east - -x / 300.0**2 * hill)[inside].max() < 0.004
    assert np.abs(north - -y / 300.0**2 * hill)[inside].max() < 0.004


@pytest.mark.parametrize(
    ("crs", "word"),
    [("EPSG:4326", "degrees"), ("", "no reference system"), ("EPSG:2263", "foot"), ("rubbish", "not known")],
)
def test_grids_that_are_not_in_metres_are_refused(crs: str, word: str) -> None:
    with pytest.raises(InputError, match=word):
        check_grid(Grid(x_min_m=0.0, y_max_m=0.0, cell_m=30.0, rows=5, cols=5, crs=crs))


def test_every_fault_of_a_grid_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        check_grid(Grid(x_min_m=np.nan, y_max_m=0.0, cell_m=0.0, rows=1, cols=5, crs="EPSG:4326"))
    assert len(caught.value.faults) == 4


def test_voids_and_wrong_shapes_are_refused() -> None:
    with pytest.raises(InputError, match="voids"):
        gradients(Terrain(GRID, np.full(GRID.shape, np.nan)))
    with pytest.raises(InputError, match="shape"):
        gradients(Terrain(GRID, np.zeros((3, 3))))


@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
def test_the_steepest_slope_of_a_plane_is_the_angle_of_its_normal(east: float, north: float) -> None:
    """The plane z = e x + n y leans by the angle between its normal (-e, -n, 1) and the vertical (school geometry)."""
    normal = np.array([-east, -north, 1.0])
    lean_deg = np.degrees(np.arccos(1.0 / np.linalg.norm(normal)))
    found = slope_deg(np.float32([[east]]), gradient_north=np.float32([[north]]))
    assert found[0, 0] == pytest.approx(lean_deg, abs=1e-3)
