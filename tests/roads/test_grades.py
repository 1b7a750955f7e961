"""Grades from terrain: plane ground exactly, real ground sensibly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray
from pyproj import Transformer

from leaveby.errors import InputError
from leaveby.roads.network.grades import edge_grades
from leaveby.roads.network.graph import RoadNetwork, network_from_lines

DATA = Path(__file__).parents[1] / "data"
Heights = NDArray[np.float64]


def slope(x: Heights, y: Heights) -> Heights:
    return 100.0 + 0.08 * x - 0.05 * y


def test_a_plane_is_climbed_at_its_own_grade_whatever_the_smoothing() -> None:
    """On a plane the grade of a straight road is the gradient times its direction: 8 % east, -5 % north."""
    lines = [[(0.0, 0.0), (400.0, 0.0)], [(400.0, 0.0), (400.0, 700.0)], [(400.0, 0.0), (900.0, 0.0)]]
    network = network_from_lines(lines, crs="EPSG:32755")
    rough = edge_grades(network, slope, smoothing_m=0.0)
    np.testing.assert_allclose(rough.mean, [0.08, -0.05, 0.08, -0.08, 0.05, -0.08], atol=1e-9)
    # a bend of the ground at the junction is rounded, and little else
    smooth = edge_grades(network_from_lines(lines[:1], crs="EPSG:32755"), slope)
    np.testing.assert_allclose(smooth.grade, np.where(smooth.grade > 0, 0.08, -0.08), atol=1e-4)


def test_pieces_of_an_edge_add_up_and_the_twin_is_the_mirror() -> None:
    network = network_from_lines([[(0.0, 0.0), (1000.0, 0.0)]], crs="EPSG:32755")
    hill = edge_grades(network, lambda x, y: 50.0 * np.sin(x / 400.0) + 0.0 * y)
    there, back = (slice(hill.start[k], hill.start[k + 1]) for k in range(2))
    assert hill.share[there].sum() == pytest.approx(1.0)
    np.testing.assert_allclose(hill.grade[there], -hill.grade[back][::-1])
    assert hill.steepest[0] == hill.steepest[1] > abs(hill.mean[0])
    # the rise over the whole is that of the ground: 50 sin(2.5) = 29.9 m over 1000 m
    assert hill.mean[0] == pytest.approx(0.0299, abs=0.002)


def test_noise_is_smoothed_and_a_long_hill_is_kept() -> None:
    """Steps of +-5 m from sample to sample, as of a coarse terrain model, on a steady climb of 6 %."""
    network = network_from_lines([[(0.0, 0.0), (3000.0, 0.0)]], crs="EPSG:32755")
    noise = np.random.default_rng(2).normal(0.0, 5.0, 4000)

    def ground(x: Heights, y: Heights) -> Heights:
        return 0.06 * x + noise[(x / 30.0).astype(np.int64)] + 0.0 * y

    rough, smooth = (edge_grades(network, ground, smoothing_m=length, cap=1.0) for length in (0.0, 60.0))
    there = slice(0, smooth.start[1])
    assert np.std(rough.grade[there]) > 0.2
    assert np.std(smooth.grade[there]) < 0.06
    assert smooth.mean[0] == pytest.approx(0.06, abs=0.005)


def test_bridges_and_tunnels_are_carried_across() -> None:
    """A bridge 100 m above a gorge does not dive into it."""
    lines = [[(0.0, 0.0), (500.0, 0.0)], [(500.0, 0.0), (700.0, 0.0)], [(700.0, 0.0), (1200.0, 0.0)]]

    def gorge(x: Heights, y: Heights) -> Heights:
        return np.where((x > 510.0) & (x < 690.0), 0.0, 100.0) + 0.0 * y

    plain = network_from_lines(lines, crs="EPSG:32755")
    bridged = network_from_lines(lines, crs="EPSG:32755", tags=[{}, {"bridge": "viaduct"}, {}])
    assert edge_grades(plain, gorge).steepest[1] > 0.1
    assert edge_grades(bridged, gorge).steepest[1] < 1e-6


def test_steeper_than_the_cap_is_capped_and_said() -> None:
    network = network_from_lines([[(0.0, 0.0), (300.0, 0.0)]], crs="EPSG:32755")
    grades = edge_grades(network, lambda x, y: 0.6 * x + 0.0 * y)
    assert grades.mean.tolist() == pytest.approx([0.25, -0.25])
    assert "0.3 km of road came out steeper than 25 %" in grades.assumptions[0]


def test_small_voids_are_bridged_large_ones_refused_and_islands_taken_as_steep() -> None:
    lines = [[(0.0, 0.0), (6000.0, 0.0)], [(0.0, 900.0), (60.0, 900.0)]]
    network = network_from_lines(lines, crs="EPSG:32755")

    def holed(x: Heights, y: Heights) -> Heights:
        return np.where(((x > 1000.0) & (x < 1100.0)) | (y > 500.0), np.nan, 0.05 * x)

    grades = edge_grades(network, holed)
    assert grades.mean[0] == pytest.approx(0.05, abs=1e-3)
    assert (grades.mean[1], grades.mean[3]) == (0.25, 0.25)
    assert any("60 m of road lie in voids" in sentence for sentence in grades.assumptions)
    with pytest.raises(InputError, match=r"no height under 5\d % of the roads"):
        edge_grades(network, lambda x, y: np.where(x > 3000.0, np.nan, 0.0 * y))


def test_a_wrong_answer_of_the_terrain_is_refused() -> None:
    network = network_from_lines([[(0.0, 0.0), (300.0, 0.0)]], crs="EPSG:32755")
    with pytest.raises(InputError, match="elevation"):
        edge_grades(network, lambda x, y: np.zeros(x.size + y.size))
    with pytest.raises(InputError, match="spacing_m"):
        edge_grades(network, slope, spacing_m=0.0)


def test_real_mountain_roads_come_out_as_roads(andorra: RoadNetwork) -> None:
    """Andorra on 3 arc-second terrain (SRTM N42E001, public domain): raw steps make a third of it steeper than 12 %.

    Smoothed, main roads lie mostly below what such roads are built to, about 12 % (common practice, no source).
    """
    network = andorra
    back = Transformer.from_crs(network.crs, "EPSG:4326", always_xy=True)
    with rasterio.open(DATA / "andorra_dem.tif") as terrain:
        height = terrain.read(1).astype(np.float64)
        height[height == terrain.nodata] = np.nan
        inverse = ~terrain.transform

    def ground(x: Heights, y: Heights) -> Heights:
        lon, lat = back.transform(x, y)
        col, row = inverse @ (lon, lat)
        return height[np.floor(row).astype(np.int64), np.floor(col).astype(np.int64)]

    def share_above(limit: float, smoothing_m: float) -> float:
        grades = edge_grades(network, ground, smoothing_m=smoothing_m)
        of = np.repeat(np.arange(network.edge_count), np.diff(grades.start))
        main = np.isin(np.array(network.highway), ["primary", "trunk", "secondary"])[of]
        length = (network.length_m[of] * grades.share)[main]
        return float(length[np.abs(grades.grade[main]) > limit].sum() / length.sum())

    assert share_above(0.12, 0.0) > 0.25
    assert share_above(0.12, 120.0) < 0.15
