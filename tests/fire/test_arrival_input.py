"""What arrival refuses and with which words; growth, lines and polygons; what is read off the solved field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyproj
import pytest
import rasterio
import shapely

from leaveby.caution import OVERRIDE
from leaveby.errors import InputError
from leaveby.fire.arrival.isochrones import arrival_near, isochrones
from leaveby.fire.arrival.solve import Ignition, arrive, check_spread, ignite_point, lead_time
from leaveby.fire.spread.ellipse import SpreadTable, eccentricity, length_to_breadth
from leaveby.fire.spread.flames import fireline_intensity_kw_m
from leaveby.fire.terrain import Grid, centre_of


def plain(crs: str = "EPSG:32755", *, cells: int = 40, wind: float = 0.0) -> SpreadTable:
    grid = Grid(x_min_m=1000.0, y_max_m=5000.0, cell_m=30.0, rows=cells, cols=cells, crs=crs)
    flat = np.zeros(grid.shape, dtype=np.float32)
    one = np.ones((1, 1))
    return SpreadTable(
        grid, np.zeros(grid.shape, np.int32), flat, flat, np.zeros(1), 0.5 * one, wind * one, 0 * one, np.zeros(1, bool)
    )


def refusal(spread: SpreadTable, *ignitions: Ignition, horizon_s: float = 3600.0) -> str:
    with pytest.raises(InputError) as caught:
        arrive(spread, list(ignitions), horizon_s=horizon_s)
    return str(caught.value)


MIDDLE = ignite_point(1600.0, 4400.0)


@pytest.mark.parametrize("rate", [0.0, -1.0, np.nan, np.inf])
def test_spread_must_be_a_rate_above_zero(rate: float) -> None:
    words = refusal(replace(plain(), flat_head_ros_m_s=np.array([[rate]])), MIDDLE)
    assert "step 0, zone 0" in words
    assert "To mend it" in words


@pytest.mark.parametrize("crs", ["EPSG:4326", "", "EPSG:2263", "nowhere", "EPSG:4978"])
def test_grid_must_be_in_projected_metres(crs: str) -> None:
    words = refusal(plain(crs), MIDDLE)
    assert words.startswith("grid:")
    assert "reference system" in words


def test_ignitions_outside_or_where_nothing_burns_are_refused_all_at_once() -> None:
    zone = np.zeros((40, 40), dtype=np.int32)
    zone[10:20, 10:20] = -1
    words = refusal(
        replace(plain(), zone=zone),
        ignite_point(0.0, 0.0),
        ignite_point(1450.0, 4550.0),
        MIDDLE,
        ignite_point(1600.0, 4400.0, at_s=4000.0),
        ignite_point(1600.0, 4400.0, at_s=np.nan),
    )
    assert "ignition 0: lies outside the grid" in words
    assert "ignition 1: lies on unburnable ground" in words
    assert "ignition 2" not in words
    assert "ignition 3: it starts at 4000.0 s, past the horizon" in words
    assert "ignition 4: its time is nan" in words


def test_other_faults_have_words() -> None:
    assert "at least one" in refusal(plain())
    assert "horizon" in refusal(plain(), MIDDLE, horizon_s=np.inf)
    assert "before the weather" in refusal(plain(), ignite_point(1600.0, 4400.0, at_s=-5.0))
    assert "crosses itself" in refusal(
        plain(), Ignition(shapely.Polygon([(1100, 4500), (1200, 4600), (1200, 4500), (1100, 4600)]))
    )
    base = plain()
    steep = base.gradient_east.copy()
    steep[3, 3] = np.nan
    for broken in (
        replace(base, gradient_east=steep),
        replace(base, zone=base.zone + 1),
        replace(base, zone=base.zone[:5]),
        replace(base, time_s=np.array([10.0])),
        replace(base, wind_east_m_s=np.zeros((2, 1))),
        replace(base, wind_east_m_s=np.array([[np.nan]])),
    ):
        with pytest.raises(InputError, match="To mend it"):
            check_spread(broken)


def test_lead_time_refuses_with_the_point() -> None:
    zone = np.zeros((40, 40), dtype=np.int32)
    zone[20] = -1  # a road that is a barrier
    spread = replace(plain(), zone=zone)
    on_road = centre_of(spread.grid, 20, col=20)
    with pytest.raises(InputError) as caught:
        lead_time(spread, [on_road, (0.0, 0.0), (1600.0, 4700.0)], value_s=[0.0, 0.0, np.nan])
    words = str(caught.value)
    assert "point 0" in words
    assert "lies on unburnable ground" in words
    assert "point 1" in words
    assert "outside the grid" in words
    assert "point 2" in words


def test_lines_and_polygons_start_where_they_are_drawn() -> None:
    # Plain geometry: at 0.5 m/s without wind, time is distance to the drawing over 0.5 m/s.
    spread = plain(cells=80)
    grid = spread.grid
    x = grid.x_min_m + (np.arange(80) + 0.5) * 30.0
    y = grid.y_max_m - (np.arange(80) + 0.5) * 30.0
    points = shapely.points(*np.meshgrid(x, y))
    for drawn in (
        shapely.LineString([(1500.0, 4600.0), (2100.0, 4000.0), (2500.0, 4100.0)]),
        shapely.Polygon([(1500.0, 4600.0), (2100.0, 4450.0), (1800.0, 3500.0)]),
        shapely.MultiPolygon(
            [shapely.box(1300.0, 4670.0, 1360.0, 4700.0), shapely.box(2800.0, 3770.0, 2830.0, 3800.0)]
        ),
    ):
        time = arrive(spread, [Ignition(drawn, 60.0)], horizon_s=1e6).time_s
        exact = shapely.distance(points, drawn) / 0.5 + 60.0
        assert np.abs(time - exact).max() < 6.0  # a tenth of the time a cell takes
        assert np.all(time[shapely.contains(drawn, points)] == 60.0)


def test_several_ignitions_with_their_own_times() -> None:
    spread = plain(cells=60, wind=4.0)
    first, second = centre_of(spread.grid, 15, col=5), centre_of(spread.grid, 45, col=20)
    both = arrive(spread, [ignite_point(*first), ignite_point(*second, at_s=700.0)], horizon_s=1e6).time_s
    alone = arrive(spread, [ignite_point(*first)], horizon_s=1e6).time_s
    other = arrive(spread, [ignite_point(*second, at_s=700.0)], horizon_s=1e6).time_s
    assert np.array_equal(both, np.minimum(alone, other))


def test_not_within_the_horizon_is_inf() -> None:
    arrival = arrive(plain(), [MIDDLE], horizon_s=300.0)
    assert np.isinf(arrival.time_s[0, 0])
    assert not np.isnan(arrival.time_s).any()
    assert arrival.time_s[np.isfinite(arrival.time_s)].max() <= 300.0
    assert np.isinf(arrival_near(arrival, 1015.0, y_m=4985.0, within_m=50.0))
    assert arrival_near(arrival, 1600.0, y_m=4400.0) < 60.0
    with pytest.raises(InputError, match="outside the grid"):
        arrival_near(arrival, 0.0, y_m=0.0)


def test_isochrones_are_nested_polygons_of_the_right_size() -> None:
    # Plain geometry: discs of radius 0.5 m/s x t.
    arrival = arrive(plain(cells=80), [ignite_point(2200.0, 3800.0)], horizon_s=2400.0)
    burnt = isochrones(arrival, [600.0, 1200.0, 2000.0])
    assert burnt.crs.to_epsg() == 32755
    assert (burnt["override"] == OVERRIDE).all()
    assert np.allclose(burnt.area, np.pi * (0.5 * burnt["time_s"]) ** 2, rtol=0.01)
    assert burnt.geometry.iloc[2].contains(burnt.geometry.iloc[1])
    assert burnt.is_valid.all()
    with pytest.raises(InputError, match="up to the horizon"):
        isochrones(arrival, [1e6])
    assert isochrones(arrival, [-5.0]).geometry.iloc[0].is_empty


def test_isochrones_leave_out_what_can_not_burn() -> None:
    zone = np.zeros((80, 80), dtype=np.int32)
    zone[:, 50:60] = -1
    arrival = arrive(replace(plain(cells=80), zone=zone), [ignite_point(2200.0, 3800.0)], horizon_s=2400.0)
    burnt = isochrones(arrival, [2400.0]).geometry.iloc[0]
    assert burnt.bounds[2] == pytest.approx(1000.0 + 50 * 30.0)


def test_speed_and_intensity_at_arrival() -> None:
    # Source: Byram 1959, I = H w r (memory); 18,600 kJ/kg, AS 3959 App. B (memory, confirmed).
    spread = plain(cells=80, wind=5.0)
    arrival = arrive(spread, [ignite_point(*centre_of(spread.grid, 40, col=20))], horizon_s=1e6)
    speed_m_s = 30.0 / np.abs(np.diff(arrival.time_s[40]))
    intensity = fireline_intensity_kw_m(speed_m_s, 20.0)  # 20 t/ha is 2 kg/m2
    assert intensity[70] == pytest.approx(18_600 * 2.0 * 0.5, rel=1e-4)
    e = float(eccentricity(length_to_breadth(18.0)))
    back = 18_600 * 2.0 * 0.5 * (1 - e) / (1 + e)
    assert intensity[5] == pytest.approx(back, rel=1e-3)


def test_layers_open_north_up_with_their_reference_system(tmp_path) -> None:
    arrival = arrive(plain(), [MIDDLE], horizon_s=600.0)
    layer = arrival.to_xarray()
    assert (layer.attrs["override"], layer.attrs["units"]) == (OVERRIDE, "s")
    layer.rio.to_raster(tmp_path / "arrival.tif")
    with rasterio.open(tmp_path / "arrival.tif") as written:
        assert written.crs.to_epsg() == 32755
        assert written.transform.e < 0
        assert (written.bounds.left, written.bounds.top) == (1000.0, 5000.0)
        assert np.array_equal(written.read(1), arrival.time_s)


def test_a_layer_in_another_reference_system_keeps_its_places_and_holds_no_gaps() -> None:
    spread = plain()
    grid = replace(spread.grid, x_min_m=500_000.0, y_max_m=5_800_000.0)
    arrival = arrive(replace(spread, grid=grid), [ignite_point(500_600.0, 5_799_400.0)], horizon_s=600.0)
    taken = arrival.to_xarray(crs="EPSG:4326")
    assert taken.rio.crs.to_epsg() == 4326
    assert not np.isnan(taken).any()
    # pyproj as the reference: the ignition's place is the first to burn, within a cell
    lon, lat = pyproj.Transformer.from_crs(32755, 4326, always_xy=True).transform(500_600.0, 5_799_400.0)
    assert float(taken.sel(x=lon, y=lat, method="nearest")) <= 90.0
    assert np.isfinite(taken).mean() == pytest.approx(np.isfinite(arrival.time_s).mean(), rel=0.2)
