"""Fetching from a server on this machine: what is sent, what is stored, and what happens when it goes wrong."""

from __future__ import annotations

import json
import random
import re
import socket
import tomllib
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import parse_qs

import numpy as np
import pyproj
import pytest
import rasterio

from leaveby.ask.household import check_household
from leaveby.cli import main
from leaveby.download import connection as doors
from leaveby.download.bad_day import bad_day_and_winds, read_year
from leaveby.download.connection import Connection, connection
from leaveby.download.fetch import Fetched, fetch
from leaveby.download.sources import Source, sources_for, tiles
from leaveby.errors import InputError
from leaveby.files.read.grids import read_fuel, read_terrain, read_weather
from leaveby.files.read.legends import legend_rows
from leaveby.files.read.places import read_places
from leaveby.files.read.road_extracts import extract_bounds
from leaveby.files.read.roads import read_roads
from leaveby.fire.fuel.types import known_fuel_type
from leaveby.fire.fuel.zones import uniform_fuel
from leaveby.fire.spread.series import DEFAULT_MODELS, district_of
from leaveby.fire.terrain import Grid
from leaveby.fire.weather.ratings import danger_by_place, rating_of, rating_of_index
from leaveby.fire.weather.series import Weather
from leaveby.regions import COUNTRIES

NAMES = ("roads", "heights", "land_cover", "weather")
LAND = ("S37_00_E147", "S36_00_E147", "S37_00_E148", "S36_00_E148")


@pytest.fixture(autouse=True)
def _nowhere_else(monkeypatch: pytest.MonkeyPatch) -> None:
    """A socket to anywhere but this machine fails the test; so does looking up a name."""
    connect = socket.socket.connect

    def here(self: socket.socket, address: Any) -> None:
        assert address[0] == "127.0.0.1", f"a connection to {address} was opened"
        connect(self, address)

    look_up = socket.getaddrinfo

    def here_too(host: Any, *rest: Any, **more: Any) -> Any:
        assert host == "127.0.0.1", f"the name {host} was looked up"
        return look_up(host, *rest, **more)

    monkeypatch.setattr(socket.socket, "connect", here)
    monkeypatch.setattr(socket, "getaddrinfo", here_too)
    monkeypatch.setenv("NO_PROXY", "*")
    # parts small enough for small tiles
    monkeypatch.setattr(doors, "BLOCK", 1 << 13)


@pytest.fixture
def server(invented_data: ModuleType) -> Iterator[Any]:
    state, running = invented_data.started()
    yield state
    running.shutdown()
    running.server_close()


def hasty(**options: float) -> Connection:
    return connection(**{"read_s": 5.0, "tries": 3, "wait_s": 0.0, **options})


def asked_of(server: Any, *names: str, last_year: int = 2002) -> list[Source]:
    found = sources_for(148.03, -36.04, radius_m=1000.0, last_year=last_year, addresses=server.addresses)
    return [source for source in found if source.name in (names or NAMES)]


def fetched(sources: list[Source], folder: Path, told: Callable[[str], None] = lambda _: None) -> Fetched:
    return fetch(sources, folder, progress=told, door=hasty(), today="2026-02-03")


def contents(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def left_in(folder: Path) -> set[str]:
    """Files that a reader could find: what is unfinished lies apart."""
    return {file for file in contents(folder) if not file.startswith(".fetching/")}


def test_sources_are_said_without_a_connection_and_give_neither_address_nor_point_away() -> None:
    rng = random.Random(5)
    for _ in range(200):
        lon, lat = rng.uniform(-175, 175), rng.uniform(-70, 70)
        sources = sources_for(lon, lat, radius_m=rng.uniform(1000, 50_000), last_year=2025)
        assert [source.name for source in sources] == list(NAMES)
        for source in sources:
            said = str(source)
            assert all(part in said for part in (source.sent, source.licence, source.attribution, source.file))
            assert source.size_mb > 0.0
            # whole tenths of a degree, or the weather's own grid (0.5 by 0.625): the home is in none of them
            west, south, east, north = source.box_deg
            if source.name == "weather":
                assert (west % 0.625, south % 0.5) == (0.0, 0.0)
                assert abs(west - lon) <= 0.3125
                assert abs(south - lat) <= 0.25
                assert len(source.addresses) == 20
            else:
                assert all(abs(10 * at - round(10 * at)) < 1e-9 for at in source.box_deg)
                assert west < lon < east
                assert south < lat < north
            sent = " ".join([source.sent, *source.addresses])
            decimals = [len(number.partition(".")[2]) for number in re.findall(r"\d+\.\d+", sent)]
            assert max(decimals, default=0) <= 3


def test_the_public_addresses_are_reached_by_fetching_alone(tmp_path: Path) -> None:
    sources = sources_for(148.03, -36.04, last_year=2025)
    for source in sources:
        assert all(address.startswith("https://") for address in source.addresses)
        with pytest.raises(AssertionError, match="was looked up"):
            fetched([source], tmp_path)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"lon_deg": 200.0}, "longitude"),
        ({"lat_deg": 148.0, "lon_deg": -36.0}, "swap them"),
        ({"lat_deg": float("nan")}, "longitude"),
        ({"lon_deg": 179.99}, "date line"),
        ({"lon_deg": -179.9}, "date line"),
        ({"radius_m": 0.0}, "radius_m"),
        ({"radius_m": 50_001.0}, "radius_m"),
        ({"radius_m": float("nan")}, "radius_m"),
        ({"last_year": 2000}, "last_year"),
    ],
)
def test_places_that_can_not_be_asked_for_are_refused(values: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        sources_for(**{"lon_deg": 148.0, "lat_deg": -36.0, "last_year": 2025, **values})


def test_the_area_reaches_as_far_as_is_said() -> None:
    geod = pyproj.Geod(ellps="WGS84")
    rng = random.Random(6)
    for _ in range(100):
        lon, lat, radius_m = rng.uniform(-170, 170), rng.uniform(-65, 65), rng.uniform(1000, 50_000)
        roads, heights, cover, _ = sources_for(lon, lat, radius_m=radius_m, last_year=2025)
        for source, reach_m in ((roads, radius_m), (heights, radius_m + 30_000), (cover, radius_m + 30_000)):
            west, south, east, north = source.box_deg
            for bearing in range(0, 360, 15):
                x, y, _ = geod.fwd(lon, lat, bearing, 0.99 * reach_m)  # a sphere is 0.5 % off the ellipsoid
                assert west <= x <= east
                assert south <= y <= north


def test_tiles_are_named_by_their_south_west_corner_on_every_side_of_the_globe() -> None:
    # names of tiles as on the pages of both data sets, read
    for lon, lat, height, cover in (
        (148.5, -36.5, "S37_00_E148_00", "S39E147"),
        (-8.5, 39.5, "N39_00_W009_00", "N39W009"),
        (-70.5, -33.5, "S34_00_W071_00", "S36W072"),
        (0.6, 0.6, "N00_00_E000_00", "N00E000"),
    ):
        _, heights, covers, _ = sources_for(lon, lat, radius_m=1000.0, last_year=2025)
        assert any(f"_10_{height}_DEM/" in address for address in heights.addresses)
        assert any(f"_v200_{cover}_Map" in address for address in covers.addresses)
    assert tiles((-0.1, -0.1, 0.1, 0.1), 1) == [(-1, -1), (-1, 0), (0, -1), (0, 0)]


def test_everything_is_fetched_into_the_forms_that_the_readers_read(
    server: Any, invented_data: ModuleType, tmp_path: Path
) -> None:
    lines: list[str] = []
    sources = asked_of(server)
    answer = fetched(sources, tmp_path, lines.append)
    home = {"home": (148.03, -36.04)}
    # each source is said, with what is sent, before it is asked
    assert [line for line in lines if "Sent:" in line] == [str(source) for source in sources]
    ground = read_terrain(answer.files["heights"], home, around_m=25_000.0)
    assert ground.assumptions[1:] == ()
    grid = ground.terrain.grid
    assert grid.crs == "EPSG:32755"
    to_deg = pyproj.Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    x = grid.x_min_m + (np.arange(grid.cols) + 0.5) * grid.cell_m
    y = grid.y_max_m - (np.arange(grid.rows) + 0.5) * grid.cell_m
    lon, lat = to_deg.transform(*np.meshgrid(x, y))
    expected = invented_data.height_m(lon, lat)
    assert np.abs(ground.terrain.elevation_m - expected).max() < 1.0  # a plane of 5 mm a metre, cells of 250 m
    fuel = read_fuel(grid, answer.files["land_cover"], legend=tmp_path / "fuel_legend.csv")
    inner = invented_data.PATCH_DEG
    away = np.minimum(lon % inner, lat % inner), np.maximum(lon % inner, lat % inner)
    sure = (away[0] > 0.006) & (away[1] < inner - 0.006)  # a pixel of the invented tiles is 0.005 degrees
    names = {int(row["value"]): known_fuel_type(row["fuel_type"]) for row in legend_rows("world", "AU")}
    for value in invented_data.CLASSES:
        at = sure & (invented_data.cover(lon, lat) == value)
        assert at.any()
        kinds = {fuel.types[code] for code in np.unique(fuel.code[at])}
        assert kinds == {names[value]}
    roads = read_roads(answer.files["roads"])
    assert "Gully Road" in set(roads.name)
    assert "gate" in set(roads.barrier)
    assert [place.name for place in read_places(answer.files["roads"])] == ["Gully"]
    assert extract_bounds(answer.files["roads"]) == sources[0].box_deg
    assert [file.name for file in sorted(answer.files["weather"].iterdir())] == ["2001.json", "2002.json"]
    form = parse_qs(server.forms[0])["data"][0]
    assert form.count("-36.1,148.0,-36.0,148.1") == 2


def test_the_list_holds_date_address_licence_and_attribution_and_is_kept(server: Any, tmp_path: Path) -> None:
    answer = fetched(asked_of(server), tmp_path)
    text = (tmp_path / "LICENCE.txt").read_text(encoding="utf-8")
    rows = tomllib.loads(text)
    sources = asked_of(server)
    assert list(rows) == [source.file for source in sources]
    for source in sources:
        row = rows[source.file]
        assert (row["fetched"], row["asked"]) == ("2026-02-03", list(source.addresses))
        assert (row["licence"], row["attribution"], row["sent"]) == (source.licence, source.attribution, source.sent)
        assert row["credit"] == source.credit
    assert "Official warnings" in text
    assert "(c) OpenStreetMap contributors" in text
    assert "Contains modified Copernicus Sentinel data (2021)" in text
    assert not (tmp_path / ".fetching").exists()
    # the same again: nothing is asked, and what was taken for granted is still said
    before, asked = contents(tmp_path), len(server.asked)
    assert fetched(sources, tmp_path) == answer
    assert (contents(tmp_path), len(server.asked)) == (before, asked)
    assert any("surface model" in line for line in answer.said)
    assert any("smooths strong winds" in line for line in answer.said)


@pytest.mark.parametrize("name", NAMES)
def test_cut_off_anywhere_nothing_half_is_left_and_a_second_run_goes_on(server: Any, tmp_path: Path, name: str) -> None:
    sources = asked_of(server, name)
    fetched(sources, tmp_path / "whole")
    whole, every = contents(tmp_path / "whole"), server.sent_bytes
    rng = random.Random(name)
    for run in range(10):
        folder = tmp_path / str(run)
        server.sent_bytes, server.cut_after = 0, rng.randrange(every)
        with pytest.raises(InputError) as caught:
            fetched(sources, folder)
        (fault,) = caught.value.faults
        assert fault.place == sources[0].file
        assert server.address in fault.wrong
        assert "by hand" in fault.mend
        assert not left_in(folder)
        first = server.sent_bytes
        server.cut_after = None
        fetched(sources, folder)
        assert contents(folder) == whole
        # what came whole is not asked for again: at most one file, or one part of one, comes twice
        once_more = {"roads": every, "weather": max(len(content) for content in whole.values())}.get(name, doors.BLOCK)
        assert server.sent_bytes <= every + once_more
        assert first <= every


def test_a_tile_missing_at_sea_is_taken_for_sea_and_said(server: Any, tmp_path: Path) -> None:
    # no land cover north of 36 degrees south, and heights there only west of 148 degrees east: the rest is sea
    server.missing = {"S36_00_E148", "S36E147"}
    answer = fetched(asked_of(server, "heights", "land_cover"), tmp_path)
    said = [line for line in answer.said if "taken for sea" in line]
    assert len(said) == 2
    assert "S36_00_E148_00" in said[0]
    with rasterio.open(answer.files["heights"]) as heights, rasterio.open(answer.files["land_cover"]) as cover:
        to = pyproj.Transformer.from_crs("EPSG:4326", heights.crs.to_wkt(), always_xy=True)

        def at(source: Any, lon: float, lat: float) -> float:
            return float(next(source.sample([to.transform(lon, lat)]))[0])

        assert (at(heights, 148.2, -35.9), at(cover, 148.2, -35.9)) == (0.0, 80.0)
        # land without a tile of land cover is unmapped, which burns fastest, and no water
        assert at(heights, 147.8, -35.9) > 100.0
        assert at(cover, 147.8, -35.9) == cover.nodata == 0.0
        assert at(cover, 147.8, -36.2) in (10, 20, 30, 40, 50, 60, 80, 90)


def test_land_cover_without_heights_is_never_taken_for_water(server: Any, tmp_path: Path) -> None:
    server.missing = {"S36E147"}
    answer = fetched(asked_of(server, "land_cover"), tmp_path)
    with rasterio.open(answer.files["land_cover"]) as cover:
        to = pyproj.Transformer.from_crs("EPSG:4326", cover.crs.to_wkt(), always_xy=True)
        assert next(cover.sample([to.transform(148.2, -35.9)]))[0] == 0


def test_a_tile_that_vanishes_half_way_is_no_tile_at_sea(server: Any, tmp_path: Path) -> None:
    server.missing_after = 2
    with pytest.raises(InputError, match="only a part of the file"):
        fetched(asked_of(server, "heights"), tmp_path)


def test_years_of_one_point_are_not_gone_on_with_for_another(server: Any, tmp_path: Path) -> None:
    sources = asked_of(server, "weather")
    server.cut_after = 1_000_000  # the first year is whole, the second is not
    with pytest.raises(InputError, match="cut off"):
        fetched(sources, tmp_path)
    server.cut_after, server.asked[:] = None, []
    moved = sources_for(150.03, -36.04, radius_m=1000.0, last_year=2002, addresses=server.addresses)
    fetched([source for source in moved if source.name == "weather"], tmp_path)
    assert len(server.asked) == 2
    assert all("longitude=150" in path for path in server.asked)


def test_no_tile_at_all_is_no_sea(server: Any, tmp_path: Path) -> None:
    server.missing = {"heights"}
    with pytest.raises(InputError, match="no tile at all"):
        fetched(asked_of(server, "heights"), tmp_path)
    assert not (tmp_path / "terrain.tif").exists()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    ("trouble", "said"),
    [
        ({"status": 404}, "404"),
        ({"status": 403}, "status 403"),
        ({"status": 302}, "status 302"),
        ({"status": 503}, "too busy"),
        ({"status": 429, "retry_after": "0"}, "too busy"),
        ({"page": True}, "a page"),
    ],
)
def test_every_trouble_is_said_with_what_to_get_by_hand(
    server: Any, tmp_path: Path, name: str, trouble: dict[str, Any], said: str
) -> None:
    for key, value in trouble.items():
        setattr(server, key, {name: value} if key == "status" else value)
    with pytest.raises(InputError, match=said) as caught:
        fetched(asked_of(server, name), tmp_path)
    (fault,) = caught.value.faults
    assert "by hand" in fault.mend
    assert server.address in fault.wrong
    assert len(server.asked) <= 4  # of the tiles that are missing each once; of a busy server three tries
    assert not left_in(tmp_path)


def test_a_busy_server_is_waited_for_as_long_as_it_asks(server: Any, tmp_path: Path) -> None:
    server.status, server.times, server.retry_after = {"roads": 429}, 2, "0"
    fetched(asked_of(server, "roads"), tmp_path)
    assert len(server.asked) == 3
    # a wait that no one would sit through is cut short
    again = connection().session.get_adapter("https://x").max_retries
    assert again.get_retry_after(type("Answer", (), {"headers": {"Retry-After": "86400"}})()) == 120.0


def test_a_silent_server_and_none_at_all(server: Any, tmp_path: Path) -> None:
    server.silent_s = 0.5
    with pytest.raises(InputError, match="can't be reached"):
        fetch(asked_of(server, "roads"), tmp_path, progress=lambda _: None, door=hasty(read_s=0.05, tries=2))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{free.getsockname()[1]}"
    nowhere = sources_for(148.03, -36.04, last_year=2002, radius_m=1000.0, addresses=dict.fromkeys(NAMES, address))
    # all that could not be fetched is said at once
    with pytest.raises(InputError) as caught:
        fetched(list(nowhere), tmp_path)
    assert [fault.place for fault in caught.value.faults] == [source.file for source in nowhere]
    assert all("can't be reached" in fault.wrong for fault in caught.value.faults)


def test_a_server_that_gives_no_parts_is_refused(server: Any, tmp_path: Path) -> None:
    server.no_parts = True
    with pytest.raises(InputError, match="no part of a file"):
        fetched(asked_of(server, "heights"), tmp_path)


def other_tile(invented_data: ModuleType, kind: str) -> Callable[[str, bytes], bytes]:
    return lambda _path, _content: invented_data.tile(kind, 12, 45)


def test_wrong_files_are_refused_and_not_kept(server: Any, invented_data: ModuleType, tmp_path: Path) -> None:
    text = b"not what was asked for " * 5000
    cases: list[tuple[str, Callable[[str, bytes], bytes], str]] = [
        ("heights", lambda _path, _content: text, "not recognized"),
        ("land_cover", lambda _path, content: text[: len(content)], "not recognized"),
        ("heights", other_tile(invented_data, "heights"), "lies at"),
        ("land_cover", lambda _path, _content: invented_data.tile("heights", 147, -39), "lies at"),
        ("heights", lambda _path, content: content[:3000] + bytes(len(content) - 3000), "."),
        ("roads", lambda _path, content: content.replace(b"</osm>", b""), "end is missing"),
        ("roads", lambda _path, content: content.replace(b"</osm>", b"<remark>timed out</remark></osm>"), "timed out"),
        ("roads", lambda _path, _content: text, "end is missing"),
        ("roads", lambda _path, content: content.replace(b'k="highway"', b'k="river"'), "road"),
        ("weather", lambda _path, content: content[: len(content) // 2], "JSONDecodeError"),
        ("weather", lambda _path, _content: b"[]", "TypeError"),
        ("weather", lambda _path, content: content.replace(b'"WS10M"', b'"WS2M"'), "KeyError"),
        ("weather", lambda _path, content: content.replace(b'"m/s"', b'"km/h"'), "km/h"),
        ("weather", lambda _path, content: content.replace(b'"UTC"', b'"LST"'), "LST"),
        ("weather", lambda _path, _content: invented_data.weather(2003), "2003"),
        ("weather", lambda _path, content: re.sub(rb'"2001070112": [-\d.]+, ', b"", content), "8759 hours"),
        ("weather", lambda _path, content: re.sub(rb'("2001070112": )[-\d.]+', rb"\g<1>400", content), "of 400"),
    ]
    for number, (name, changed, said) in enumerate(cases):
        server.changed = changed
        folder = tmp_path / str(number)
        with pytest.raises(InputError, match=said) as caught:
            fetched(asked_of(server, name), folder)
        assert "nothing of it was kept" in caught.value.faults[0].mend, (name, said)
        assert not left_in(folder)
        server.changed = lambda _path, content: content
        fetched(asked_of(server, name), folder)


def test_a_file_that_changes_on_the_server_is_begun_anew(
    server: Any, invented_data: ModuleType, tmp_path: Path
) -> None:
    sources = asked_of(server, "heights")
    server.cut_after = 3 * doors.BLOCK + 10
    with pytest.raises(InputError, match="cut off"):
        fetched(sources, tmp_path)
    server.cut_after = None
    server.changed = lambda _path, content: content + b" "
    with pytest.raises(InputError, match="has changed"):
        fetched(sources, tmp_path)
    server.changed = lambda _path, content: content
    fetched(sources, tmp_path)
    fetched(sources, tmp_path / "whole")
    assert contents(tmp_path / "whole")["terrain.tif"] == (tmp_path / "terrain.tif").read_bytes()
    assert invented_data.LON == 148.03


def test_files_larger_than_the_bound_are_not_taken(
    server: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "MOST_BYTES", 1000)
    for name in ("roads", "weather"):
        with pytest.raises(InputError, match="would send"):
            fetched(asked_of(server, name), tmp_path)
    assert not left_in(tmp_path)


def test_only_the_parts_under_the_box_are_asked_for(server: Any, invented_data: ModuleType, tmp_path: Path) -> None:
    fetched(asked_of(server, "heights"), tmp_path)
    every = sum(len(invented_data.tile("heights", lon, lat)) for lon in (147, 148) for lat in (-37, -36))
    assert server.sent_bytes < 0.6 * every


def test_a_file_of_the_persons_own_is_kept_and_another_place_is_refused(server: Any, tmp_path: Path) -> None:
    (tmp_path / "terrain.tif").write_text("mine")
    (tmp_path / "fuel_legend.csv").write_text("value,fuel_type\n10,woodland\n")
    answer = fetched(asked_of(server), tmp_path)
    assert (tmp_path / "terrain.tif").read_text() == "mine"
    assert (tmp_path / "fuel_legend.csv").read_text() == "value,fuel_type\n10,woodland\n"
    assert not any("heights" in path for path in server.asked)
    assert not any("surface model" in line for line in answer.said)
    before = contents(tmp_path)
    moved = sources_for(149.03, -36.04, radius_m=1000.0, last_year=2003, addresses=server.addresses)
    with pytest.raises(InputError, match="another place") as caught:
        fetched(list(moved), tmp_path)
    assert [Path(fault.place).name for fault in caught.value.faults] == ["roads.osm", "fuel.tif", "weather_years"]
    assert contents(tmp_path) == before
    (tmp_path / "LICENCE.txt").write_text("torn")
    with pytest.raises(InputError, match="list of what was fetched"):
        fetched(asked_of(server, "roads"), tmp_path)


def test_the_land_cover_table_names_fuels_that_exist_and_countries_that_exist(invented_data: ModuleType) -> None:
    # the eleven classes of the map, read on its page
    classes = {"10", "20", "30", "40", "50", "60", "70", "80", "90", "95", "100"}
    for country in sorted(COUNTRIES):
        rows = legend_rows("world", country)
        assert {row["value"] for row in rows} == classes
        assert all(known_fuel_type(row["fuel_type"]) is not None for row in rows)
        assert all(row["mark"] == "judgement" and row["why"] for row in rows)
        assert {country} >= {one for row in rows for one in row["countries"].split() if one == country}
    assert set(map(str, invented_data.CLASSES)) <= classes


@pytest.fixture
def years(server: Any, tmp_path: Path) -> list[Path]:
    return sorted(fetched(asked_of(server, "weather"), tmp_path).files["weather"].iterdir())


def a_day(invented_data: ModuleType, day: date, *, offset_h: int) -> Weather:
    """One day of the invented weather by itself, winds at the strong side, built here from the server's own numbers."""
    zone = datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(hours=offset_h)
    columns = {"T2M": [], "RH2M": [], "WS10M": [], "WD10M": []}  # type: dict[str, list[float]]
    tables = {year: dict(zip(*invented_hours(invented_data, year), strict=True)) for year in {zone.year, day.year}}
    for hour in range(24):
        at = zone + timedelta(hours=hour)
        for name, value in zip(columns, tables[at.year][f"{at:%Y%m%d%H}"], strict=True):
            columns[name].append(value)
    T, RH, U, turn = (np.array(column)[:, np.newaxis] for column in columns.values())
    from datetime import timezone

    start = datetime(2001, day.month, 15, tzinfo=timezone(timedelta(hours=offset_h)))
    same = np.ones_like(T)
    return Weather(
        start, 3600.0 * np.arange(24), T, RH, np.minimum(1.4 * U, 120 / 3.6), turn, None, 10 * same, 100 * same
    )


def invented_hours(invented_data: ModuleType, year: int) -> tuple[list[str], list[tuple[float, ...]]]:
    hours, values = invented_data.hours_of(year)
    return hours, list(zip(*(values[name] for name in ("T2M", "RH2M", "WS10M", "WD10M")), strict=True))


def test_the_worst_day_is_found_and_read_back(years: list[Path], invented_data: ModuleType, tmp_path: Path) -> None:
    bad = bad_day_and_winds(years, scale="australia", lat_deg=-36.0, utc_offset_h=10.0)
    # the server's invented worst day
    assert (bad.day, bad.rating) == (date(2002, 2, 3), "Catastrophic")
    file = tmp_path / "weather.csv"
    file.write_text(bad.table, encoding="utf-8")
    grid = Grid(x_min_m=0.0, y_max_m=100.0, cell_m=50.0, rows=2, cols=2, crs="EPSG:32755")
    weather = read_weather(file, grid)
    assert weather.start == datetime(2002, 2, 2, 14, tzinfo=UTC)
    assert weather.steps == 36
    at_noon = slice(10, 18)
    assert weather.air_temperature_c[at_noon].tolist() == [[43.0]] * 8
    assert weather.relative_humidity_percent[at_noon].tolist() == [[6.0]] * 8
    # 14 m/s by 1.4 is 70.56 km/h, rounded up to a tenth
    assert weather.wind_speed_m_s[at_noon] * 3.6 == pytest.approx(70.6)
    assert weather.wind_from_deg[at_noon].tolist() == [[315.0]] * 8
    # what is rounded is rounded to more fire: every hour at least as hot, as dry and as windy as the server's
    own = a_day(invented_data, bad.day, offset_h=10)
    for name, sign, most in (
        ("air_temperature_c", 1, 0.1),
        ("relative_humidity_percent", -1, 1.0),
        ("wind_speed_m_s", 1, 0.1 / 3.6),
    ):
        more = sign * (getattr(weather, name)[:24] - getattr(own, name))
        assert more.min() >= -1e-9
        assert 0.0 < more.max() <= most + 1e-9
    assert "Official warnings" in bad.table.splitlines()[0]
    assert any("multiplied by 1.4" in line for line in bad.said)
    # half an hour off whole hours, as in South Australia
    half = bad_day_and_winds(years, scale="australia", lat_deg=-36.0, utc_offset_h=10.5)
    assert half.day == bad.day
    assert "2002-02-03T00:30:00+10:30" in half.table


@pytest.mark.parametrize("scale", ["australia", "europe", "own"])
def test_days_side_by_side_are_rated_as_each_alone(years: list[Path], invented_data: ModuleType, scale: Any) -> None:
    grid = Grid(x_min_m=0.0, y_max_m=1.0, cell_m=1.0, rows=1, cols=1, crs="EPSG:32755")
    kind = uniform_fuel(grid, "dry eucalypt forest")
    district = district_of(kind, scale=scale, models=DEFAULT_MODELS, lat_deg=-36.0)
    bad = bad_day_and_winds(years, scale=scale, lat_deg=-36.0, utc_offset_h=10.0)
    rng = random.Random(scale)
    days = [date(2001, 1, 2) + timedelta(days=rng.randrange(700)) for _ in range(8)]
    for day in [*days, bad.day]:
        alone = a_day(invented_data, day, offset_h=10)
        index = float(danger_by_place(alone, district, least=False)[0])
        assert index <= bad.index + 1e-9
        assert rating_of(alone, district=district) == rating_of_index(index, scale=scale)
    assert index == pytest.approx(bad.index)
    if scale == "own":
        assert (bad.rating, bad.days_by_rating) == (None, {})
    else:
        # every whole day of local time once: 730 days of UTC hold 729
        assert sum(bad.days_by_rating.values()) <= 729
        assert set(bad.winds_by_rating) == set(bad.days_by_rating)


def test_winds_are_shares_of_the_hours_of_bad_days(years: list[Path]) -> None:
    bad = bad_day_and_winds(years, scale="australia", lat_deg=-36.0, utc_offset_h=10.0)
    for shares in (bad.wind_percent, *bad.winds_by_rating.values()):
        assert len(shares) == 16
        # a plan takes 16 shares that sum to 100 within half a percent
        assert sum(shares) == pytest.approx(100.0, abs=0.1)
        # a fifth comes from anywhere: 1.25 % from each direction
        assert min(shares) >= 1.25
    # the Catastrophic day alone: 8 of its 10 hours from 10 to 20 o'clock from the north-west (14th from north by east)
    assert bad.days_by_rating["Catastrophic"] == 1
    assert bad.winds_by_rating["Catastrophic"][14] == pytest.approx(80.0 * 0.8 + 1.25)


def test_the_plans_winds_are_those_of_the_worst_days(years: list[Path]) -> None:
    for file in years:
        content = json.loads(file.read_text())
        series = content["properties"]["parameter"]
        # hot air comes from the east, all other from the west
        series["WD10M"] = {hour: 90.0 if hot > 18.0 else 270.0 for hour, hot in series["T2M"].items()}
        file.write_text(json.dumps(content))
    shares = bad_day_and_winds(years, scale="australia", lat_deg=-36.0, utc_offset_h=10.0).wind_percent
    assert shares[4] > 60.0
    assert shares[4] + shares[12] == pytest.approx(82.5, abs=0.2)  # four fifths, and 1.25 % twice


def test_missing_values_are_passed_over_said_and_bounded(years: list[Path]) -> None:
    text = years[1].read_text()
    # nine hours of the worst day are missing: it can't be the worst, and it is said that a day was passed over
    gone = re.sub(r'("200202030[0-8]": )[-\d.]+', r"\g<1>-999.0", text)
    years[1].write_text(gone)
    assert int(np.isnan(read_year(years[1])["wind_speed_m_s"]).sum()) == 9
    bad = bad_day_and_winds(years, scale="australia", lat_deg=-36.0, utc_offset_h=10.0)
    assert bad.day != date(2002, 2, 3)
    assert any("1 days lack a value" in line for line in bad.said)
    years[1].write_text(re.sub(r'("2002(0[1-3])\d\d\d\d": )[-\d.]+', r"\g<1>-999.0", text))
    with pytest.raises(InputError, match="lack a value"):
        bad_day_and_winds(years, scale="australia", lat_deg=-36.0, utc_offset_h=10.0)


def test_years_that_stand_apart_are_refused(years: list[Path], invented_data: ModuleType) -> None:
    later = years[0].with_name("2004.json")
    later.write_bytes(invented_data.weather(2004))
    with pytest.raises(InputError, match="lack 8760 hours"):
        bad_day_and_winds([*years, later], scale="australia", lat_deg=-36.0, utc_offset_h=10.0)


# --- the command that fetches --------------------------------------------------------------------------------------


NEW_HOME = "-36.03985, 148.03152"
LAST_YEAR = 2004
FLAT = "Gully Flat: -36.0371, 148.059"


def new_words(folder: Path, *more: str) -> list[str]:
    return ["new", str(folder), "--fetch", "--ways", "car", "--people", "Ana, Bo", "--safe-point", FLAT, *more]


@pytest.fixture
def public(server: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The invented server in the place of the public ones, in a year whose twenty before hold its bad day."""

    def here(*home: float, last_year: int) -> tuple[Source, ...]:
        assert last_year >= 2025
        return sources_for(*home, last_year=LAST_YEAR, addresses=server.addresses)

    monkeypatch.setattr("leaveby.ask.new_fetched.sources_for", here)
    return server


def test_a_plan_is_made_from_what_was_fetched(public: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "ours"
    assert main(new_words(folder, "--home", NEW_HOME, "--region", "AU-NSW")) == 0
    said = capsys.readouterr()
    told, out = (" ".join(text.split()) for text in (said.err, said.out))
    for source in sources_for(148.03152, -36.03985, last_year=LAST_YEAR, addresses=public.addresses):
        assert str(source) in told
        assert source.attribution in out
    asked = " ".join((*public.asked, *public.forms))
    assert "36.03" not in asked
    assert "148.03" not in asked
    plan = check_household(folder / "plan.toml").plan
    assert (plan.home.lon_deg, plan.home.lat_deg) == (148.03152, -36.03985)
    assert len(plan.rules.wind_shares) == 16
    assert len(set(plan.rules.wind_shares)) > 1
    named = {path.name for path in (plan.roads.file, plan.terrain.file, plan.fuel.file, plan.weather.file) if path}
    assert named == {"roads.osm", "terrain.tif", "fuel.tif", "bad_day.csv"}
    assert left_in(folder) >= {"plan.toml", "LICENCE.txt", "fuel_legend.csv"}


def test_what_an_option_names_is_not_fetched(public: Any, tmp_path: Path) -> None:
    given = ("--bad-day", "40 C, 10 %, 50 km/h, NW", "--flat", "--fuel", "natural grassland")
    assert main(new_words(tmp_path / "ours", "--home", NEW_HOME, "--region", "AU", *given)) == 0
    assert {path.split("/")[1].partition("?")[0] for path in public.asked} == {"roads"}


def test_a_run_that_was_cut_off_makes_no_plan_and_goes_on(
    public: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, words = tmp_path / "ours", new_words(tmp_path / "ours", "--home", NEW_HOME, "--region", "AU-NSW")
    public.cut_after = 40_000
    assert main(words) == 2
    assert "by hand" in capsys.readouterr().err
    assert not (folder / "plan.toml").exists()
    public.cut_after = None
    assert main(words) == 0
    assert (folder / "plan.toml").exists()


@pytest.mark.parametrize(
    ("given", "wrong"),
    [
        ([], "--home: is missing, so there is nothing to fetch for"),
        (["--home", "46.51234, 10.45678"], "--region: is missing, and the country can't be told from the point"),
        (["--home", "Gully"], "--home: "),
    ],
)
def test_nothing_is_asked_for_where_the_place_is_in_doubt(
    public: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], wrong: str
) -> None:
    assert main(new_words(tmp_path / "ours", *given)) == 2
    assert wrong in " ".join(capsys.readouterr().err.split())
    assert not public.asked
    assert not (tmp_path / "ours").exists()
