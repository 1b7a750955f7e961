"""Damaged, truncated, mislabelled, wrongly encoded and absurd files: each refused with its place and its mend.

What is damaged at random stands in `tests/fuzz.py`; here stands each group by name, and each case that was found.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import rasterio

import fuzz
from leaveby.ask.household import demo_folder, load_plan
from leaveby.ask.streets import read_raster
from leaveby.cli import main
from leaveby.errors import MOST_FAULTS, Fault, InputError
from leaveby.files.read.grids import read_fuel, read_terrain, read_weather
from leaveby.files.read.guard import MOST_PLAN_BYTES, guarded
from leaveby.files.read.homes import read_exits, read_homes
from leaveby.files.read.practice import read_practice
from leaveby.files.read.roads import read_roads

GRID, HOME, CRS = fuzz.GRID, fuzz.HOME, fuzz.CRS


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound")
    fuzz.sound_files(folder)
    return folder


@pytest.fixture
def folder(sound: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sound, tmp_path / "place"))


def refusal(read: Callable[[], object]) -> str:
    with pytest.raises(InputError) as told:
        read()
    assert all(fault.place and fault.expected and fault.mend for fault in told.value.faults)
    return str(told.value)


def raised_in(module: str, line: str) -> Callable[..., object]:
    """What raises in the lines of a module, whatever it is called with."""
    held: dict[str, Any] = {"__name__": module}
    exec(f"def raising(*_, **__):\n    {line}", held)
    return cast("Callable[..., object]", held["raising"])


SLIPS = {
    "{}['gone']": "KeyError", "None.gone": "AttributeError", "None + 1": "TypeError", "[][1]": "IndexError",
    "gone": "NameError", "1 / 0": "ZeroDivisionError", "assert 0": "AssertionError",
}  # fmt: skip


@pytest.mark.parametrize("line", SLIPS)
def test_a_slip_of_ours_is_no_fault_of_a_file(
    line: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    streets = ["streets", str(folder / "graph.graphml"), "--homes", str(folder / "homes.csv"), "--out"]
    for module, code in (("leaveby.roads.osm.street_graph", 1), ("osmnx.io", 2)):
        monkeypatch.setattr("leaveby.roads.osm.street_graph.network_from_graph", raised_in(module, line))
        assert main([*streets, str(folder / "out")]) == code
        said = " ".join(capsys.readouterr().err.split())
        assert ("This is a fault of leaveby, not of your input." in said and SLIPS[line] in said) == (code == 1), said
        assert ("To mend it" in said) == (code == 2)


def test_what_our_lines_make_of_a_number_that_is_none_stays_a_fault_of_the_file(folder: Path) -> None:
    with pytest.raises(InputError), guarded(folder / "fuel.tif"):
        raised_in("leaveby.files.read.homes", "float('many')")()


def test_every_sound_file_is_read(folder: Path) -> None:
    """So that what is refused below is refused for what was done to it."""
    for group, one in fuzz.GROUPS.items():
        for name in one.files:
            if name != "station.csv":  # whose columns a plan has to name
                fuzz.GROUPS[group].read(folder / name)


READERS: dict[str, Callable[[Path], object]] = {
    "plan": load_plan,
    "terrain": lambda path: read_terrain(path, HOME),
    "raster": lambda path: read_raster(path, crs=CRS, what="terrain"),
    "fuel": lambda path: read_fuel(GRID, path, legend=Path("world")),
    "legend": lambda path: read_fuel(GRID, path.with_name("fuel.tif"), legend=path),
    "cover": lambda path: read_fuel(GRID, path, column="cover"),
    "weather": lambda path: read_weather(path, GRID),
    "forecast": lambda path: read_weather(path, GRID),
    "roads": read_roads,
    "homes": lambda path: read_homes(path, crs=CRS),
    "exits": lambda path: read_exits(path, crs=CRS),
}
ENDINGS = {
    "plan": ".toml", "terrain": ".tif", "raster": ".tif", "fuel": ".tif", "legend": ".csv", "cover": ".gpkg",
    "weather": ".csv", "forecast": ".nc", "roads": ".osm", "homes": ".csv", "exits": ".geojson",
}  # fmt: skip


@pytest.mark.parametrize("reader", READERS)
def test_pipes_devices_folders_and_impossible_names_are_never_opened(reader: str, folder: Path) -> None:
    read, ending = READERS[reader], ENDINGS[reader]
    pipe = folder / f"pipe{ending}"
    os.mkfifo(pipe)
    (folder / f"folder{ending}").mkdir()
    (folder / f"device{ending}").symlink_to("/dev/zero")
    for path, said in (
        (pipe, "a device, a pipe or a socket"),
        (folder / f"device{ending}", "a device, a pipe or a socket"),
        (folder / f"folder{ending}", "is a folder"),
        (folder / f"a\0b{ending}", "no such file"),
        (folder / f"{'n' * 300}{ending}", "no such file"),
        (folder / "fuel.tif" / f"below{ending}", "no such file"),
        (folder / f"none{ending}", "no such file"),
    ):
        assert said in refusal(lambda path=path: read(path)), path  # type: ignore[misc]


def test_a_disk_that_fails_is_a_fault_of_the_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(path: Path) -> bytes:
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))

    monkeypatch.setattr(Path, "read_bytes", failing)
    for reader, name in (("plan", "demo/plan.toml"), ("weather", "weather.csv"), ("legend", "legend.csv")):
        assert "could not be read (Input/output error)" in refusal(lambda: READERS[reader](folder / name))  # noqa: B023


def test_a_record_of_practice_that_is_no_file_is_refused_and_one_that_can_not_be_is_none(folder: Path) -> None:
    """One that is passed over would leave the minutes guessed that were measured."""
    assert read_practice(folder / "demo" / "practice.csv") is None
    assert read_practice(Path("x/" * 3000) / "practice.csv") is None
    os.mkfifo(folder / "pipe.csv")
    assert "a device, a pipe or a socket" in refusal(lambda: read_practice(folder / "pipe.csv"))
    assert "is a folder" in refusal(lambda: read_practice(folder / "demo"))


@pytest.mark.parametrize("name", ["~nobody/terrain.tif", "a\\u0000b.tif", "n" * 300, "roads.osm/x.tif", "/dev/zero"])
def test_a_plan_that_names_what_is_no_file(name: str, folder: Path) -> None:
    plan = folder / "demo" / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace('"terrain.tif"', f'"{name}"'), "utf-8")
    said = refusal(lambda: load_plan(plan))
    assert "[terrain] file" in said
    assert "and there is no file" in said or "which is a device" in said


@pytest.mark.parametrize(
    ("spoiled", "said"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "too deep"),
        ("a = " + "9" * 5000, "too many digits"),
        ("#" * (MOST_PLAN_BYTES + 1), "at most 4 MB"),
        ("a = 2026-02-30", "toml"),
        ("\0", "toml"),
    ],
)
def test_absurd_plans(spoiled: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(spoiled, "utf-8")
    assert said in refusal(lambda: load_plan(path)).lower().replace("at most 4 mb", "at most 4 MB")


@pytest.mark.parametrize("year", ["9999", "0001", "1800"])
def test_years_that_no_clock_has(year: str, folder: Path) -> None:
    plan = folder / "demo" / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace("at = 2026-", f"at = {year}-"), "utf-8")
    assert year in refusal(lambda: load_plan(plan))
    weather = folder / "weather.csv"
    weather.write_text(weather.read_text("utf-8").replace("2026-", f"{year}-"), "utf-8")
    assert "a time from the year 1900 to 2200" in refusal(lambda: read_weather(weather, GRID))


def test_gaps_of_years_are_not_filled(folder: Path) -> None:
    weather = folder / "weather.csv"
    lines = weather.read_text("utf-8").splitlines()
    weather.write_text("\n".join([*lines[:-1], lines[-1].replace("2026-", "2126-")]), "utf-8")
    assert "would be filled with" in refusal(lambda: read_weather(weather, GRID, fill_gaps=True))


def test_more_tasks_than_any_household_has(folder: Path) -> None:
    plan = folder / "demo" / "plan.toml"
    task = '[[tasks]]\nname = "{0}"\nways = ["car"]\nshortest_min = 1\nlikely_min = 1\nlongest_min = 2\nhands = 1\n'
    chain = "\n".join(task.format(f"task {n}") + f'after = ["task {n - 1}"]' * (n > 0) for n in range(3000))
    plan.write_text(plan.read_text("utf-8") + chain, "utf-8")
    assert "[[tasks]]: stands there more often" in refusal(lambda: load_plan(plan))


def test_a_cell_too_small_is_refused_with_one_that_fits(folder: Path) -> None:
    said = refusal(lambda: read_terrain(folder / "terrain.tif", HOME, cell_m=1.0))
    assert "at most 500,000 in all" in said
    (fits,) = (float(word) for word in said.split("terrain.cell_m, ")[1].split(" or")[:1])
    ground = read_terrain(folder / "terrain.tif", HOME, cell_m=fits)
    assert ground.terrain.grid.rows * ground.terrain.grid.cols <= 500_000


def test_no_more_faults_are_listed_than_anybody_mends(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    error = InputError([Fault("a", "b", "c", "d")] * (MOST_FAULTS + 30))
    assert (len(error.faults), error.more) == (MOST_FAULTS, 30)
    plan = folder / "demo" / "plan.toml"
    plan.write_text(plan.read_text("utf-8") + "".join(f"[strange{n}]\n" for n in range(900)), "utf-8")
    assert main(["check", str(plan)]) == 2
    said = capsys.readouterr().err
    assert said.count("To mend it") == MOST_FAULTS
    assert "and 700 more" in said


def spoiled(path: Path, how: Callable[[bytearray], bytes | bytearray]) -> Path:
    path.write_bytes(how(bytearray(path.read_bytes())))
    return path


def flipped(raw: bytearray) -> bytearray:
    """The packed pixels turned, the head left as it is."""
    raw[600:] = bytes(255 - byte for byte in raw[600:])
    return raw


@pytest.mark.parametrize(
    "how",
    [lambda raw: raw[: len(raw) // 2], flipped, lambda _: b"", lambda _: b"II*\0" + bytes(40), lambda _: b"\x89PNG"],
    ids=["cut", "flipped", "empty", "hollow", "another form"],
)
@pytest.mark.parametrize("kind", ["terrain", "fuel"])
def test_spoiled_rasters(kind: str, how: Callable[[bytearray], bytes], folder: Path) -> None:
    path = spoiled(folder / f"{kind}.tif", how)
    said = refusal(lambda: READERS[kind](path))
    assert "can't be read as a raster" in said or "broken or truncated" in said or "codes" in said


def test_rasters_of_several_bands_or_none_are_not_chosen_from(folder: Path) -> None:
    path = folder / "picture.tif"
    with rasterio.open(folder / "fuel.tif") as source:
        band, profile = source.read(1), source.profile
    with rasterio.open(path, "w", **{**profile, "count": 3}) as out:
        out.write(np.stack([band] * 3))
    for kind in ("terrain", "fuel", "raster"):
        assert "has 3 bands, of which none is chosen unasked" in refusal(lambda kind=kind: READERS[kind](path))  # type: ignore[misc]


def test_a_raster_in_one_block_too_large_to_unpack_is_refused(folder: Path) -> None:
    path = folder / "wide.tif"
    size = {"width": 40_000, "height": 40_000, "count": 1, "dtype": "uint8", "tiled": True}
    at = rasterio.Affine(1.0, 0.0, fuzz.WEST, 0.0, -1.0, fuzz.NORTH)
    with rasterio.open(
        path, "w", driver="GTiff", crs=CRS, transform=at, SPARSE_OK=True, blockxsize=16_000, blockysize=16_000, **size
    ):
        pass
    assert "which have to be unpacked as a whole" in refusal(lambda: READERS["fuel"](path))


def test_a_national_raster_costs_what_the_place_costs(folder: Path) -> None:
    """200,000 x 200,000 pixels of 10 m, of which none but a few are stored: 40 GB, were it read whole."""
    path = folder / "national.tif"
    size = {"width": 200_000, "height": 200_000, "count": 1, "dtype": "uint8", "tiled": True}
    at = rasterio.Affine(10.0, 0.0, fuzz.WEST - 900_000.0, 0.0, -10.0, fuzz.NORTH + 900_000.0)
    wanted = {"SPARSE_OK": True, "BIGTIFF": "YES", "blockxsize": 512, "blockysize": 512, "nodata": 255}
    with rasterio.open(path, "w", driver="GTiff", crs=CRS, transform=at, compress="deflate", **size, **wanted) as out:
        band = np.full((1, 2048, 2048), 20, dtype=np.uint8)
        out.write(band, window=rasterio.windows.Window(89_900, 89_900, 2048, 2048))
    tracemalloc.start()
    READERS["terrain"](path)
    READERS["fuel"](path)
    box = (fuzz.WEST, fuzz.NORTH - 6000.0, fuzz.WEST + 6000.0, fuzz.NORTH)
    read_raster(path, crs=CRS, what="terrain", box_m=box)
    assert tracemalloc.get_traced_memory()[1] < 300e6
    tracemalloc.stop()
    assert "legend" in refusal(lambda: read_fuel(GRID, path))


@pytest.mark.parametrize(
    ("height", "said"), [(-32768.0, "terrain"), (32767.0, "no metres"), (-600.0, "terrain"), (9001.0, "no metres")]
)
def test_heights_that_no_ground_has(height: float, said: str, folder: Path) -> None:
    path = folder / "heights.tif"
    fuzz.raster(path, np.full((60, 60), height, dtype=np.float32))
    assert said in refusal(lambda: read_terrain(path, HOME))
    if height > 0.0:
        assert "heights in metres" in refusal(lambda: read_raster(path, crs=CRS, what="terrain"))
    else:
        assert np.isnan(read_raster(path, crs=CRS, what="terrain")(np.array([674_000.0]), np.array([6_000_000.0])))


def test_cliffs_everywhere_are_refused(folder: Path) -> None:
    path = folder / "cliffs.tif"
    fuzz.raster(path, np.where(np.arange(60) % 2, 3000.0, 100.0)[:, None].repeat(60, 1).astype(np.float32))
    assert "steeper than 60 degrees" in refusal(lambda: read_terrain(path, HOME))


def test_fuel_that_misses_the_area_is_refused(folder: Path) -> None:
    away = fuzz.Grid(x_min_m=600_000.0, y_max_m=5_900_000.0, cell_m=100.0, rows=20, cols=20, crs=CRS)
    assert "no fuel anywhere" in refusal(lambda: read_fuel(away, folder / "fuel.tif", legend=folder / "legend.csv"))
    assert "no fuel anywhere" in refusal(lambda: read_fuel(away, folder / "cover.gpkg", column="cover"))


def test_two_layers_are_not_chosen_from(folder: Path) -> None:
    path = folder / "cover.gpkg"
    import geopandas

    geopandas.read_file(folder / "points.gpkg").to_file(path, layer="second")
    assert "several layers: cover, second" in refusal(lambda: READERS["cover"](path))
    for read in (READERS["homes"], READERS["exits"]):
        assert "layers" in refusal(lambda read=read: read(path))  # type: ignore[misc]


@pytest.mark.parametrize("ending", [".gpkg", ".geojson", ".shp"])
@pytest.mark.parametrize("reader", ["cover", "roads", "homes", "exits"])
def test_vector_files_that_are_none(reader: str, ending: str, folder: Path) -> None:
    empty = folder / "empty.gpkg"
    sqlite3.connect(empty).execute("create table a (b)").connection.close()
    for number, raw in enumerate((b"", b"\0" * 200, b"{", b'{"type":"FeatureCollection"}', empty.read_bytes())):
        path = folder / f"none{number}{ending}"
        path.write_bytes(raw)
        refusal(lambda path=path: READERS[reader](path))  # type: ignore[misc]


@pytest.mark.parametrize("coding", ["latin-1", "utf-16", "utf-16-le", "utf-32"])
def test_tables_in_other_letters(coding: str, folder: Path) -> None:
    for name, reader in (("legend.csv", "legend"), ("homes.csv", "homes"), ("homes.csv", "exits")):
        path = folder / name
        text = path.read_text("utf-8").replace("h0", "é0").replace("water", "wäter")
        path.write_bytes(text.encode(coding))
        assert "UTF-8" in refusal(lambda path=path, reader=reader: READERS[reader](path))  # type: ignore[misc]
        path.write_text(text.replace("é", "h").replace("ä", "a"), "utf-8")
    weather = folder / "weather.csv"
    weather.write_bytes((weather.read_text("utf-8") + "# café\n").encode(coding))
    if coding in ("utf-16-le", "utf-32"):
        refusal(lambda: READERS["weather"](weather))


@pytest.mark.parametrize("put", ['"open', "x" * 200_000, '"a"b', "9" * 5000, "\0"])
@pytest.mark.parametrize(
    ("name", "reader"), [("legend.csv", "legend"), ("homes.csv", "homes"), ("weather.csv", "weather")]
)
def test_tables_with_open_quotes_or_fields_beyond_limits(put: str, name: str, reader: str, folder: Path) -> None:
    path = folder / name
    lines = path.read_text("utf-8").splitlines()
    cells = lines[-1].split(",")
    path.write_text("\n".join([*lines[:-1], ",".join([put, *cells[1:]])]), "utf-8")
    if not (reader == "homes" and put.isalnum()):  # a home may be called anything
        refusal(lambda: READERS[reader](path))


@pytest.mark.parametrize("name", ["forecast.nc", "forecast3.nc"])
def test_forecasts_that_are_none(name: str, folder: Path) -> None:
    raw = (folder / name).read_bytes()
    path = folder / "spoiled.nc"
    for part in (b"", raw[:3], raw[:200], raw[: len(raw) // 2], b"CDF\x01", b"\x89HDF\r\n\x1a\n", b"no forecast"):
        path.write_bytes(part)
        refusal(lambda: READERS["forecast"](path))


@pytest.mark.parametrize(
    "text",
    ["", "no xml", "<graphml/>", '<graphml xmlns="http://graphml.graphdrawing.org/xmlns"><graph/></graphml>',
     "<osm/>", "<graphml>" * 3000, '{"a": 1}'],
)  # fmt: skip
def test_street_graphs_that_are_none(text: str, folder: Path) -> None:
    path = folder / "none.graphml"
    path.write_text(text, "utf-8")
    refusal(lambda: read_roads(path))


def test_endings_in_capitals_are_read(folder: Path) -> None:
    for name in ("roads.osm", "roads.osm.gz", "roads.osm.pbf", "lines.gpkg", "lines.geojson", "graph.graphml"):
        stem, _, ending = name.partition(".")
        path = folder / f"{stem}.{ending.upper()}"
        shutil.copy(folder / name, path)
        assert read_roads(path).edge_count == read_roads(folder / name).edge_count
    for name, read in (("terrain.tif", READERS["terrain"]), ("forecast.nc", READERS["forecast"]),
                       ("weather.csv", READERS["weather"]), ("homes.csv", READERS["homes"])):  # fmt: skip
        path = folder / name.upper()
        shutil.copy(folder / name, path)
        read(path)


def as_program(*words: str) -> list[str]:
    return [sys.executable, "-c", "import sys; from leaveby.__main__ import main; sys.exit(main())", *words]


@pytest.mark.parametrize("stream", ["stdout", "stderr", "a pipe that nobody reads"])
def test_closed_streams_end_quietly(stream: str) -> None:
    words = as_program("check", str(demo_folder() / "plan.toml"))
    if stream.startswith("std"):
        closing = f"{' '.join(map(repr, words))} {'1' if stream == 'stdout' else '2'}>&-"
        done = subprocess.run(["bash", "-c", closing], capture_output=True, text=True, check=False)
    else:
        read, write = os.pipe()
        os.close(read)
        with subprocess.Popen(words, stdout=write, stderr=subprocess.PIPE, text=True) as held:
            os.close(write)
            done = subprocess.CompletedProcess(words, 0, "", held.communicate()[1])
            done.returncode = held.returncode
    assert done.returncode == 0
    assert not done.stderr


def test_any_time_zone_language_and_terminal() -> None:
    strange = {"TZ": "No/Where", "LANG": "xx_YY", "LC_ALL": "C", "TERM": "none", "PYTHONUTF8": "0"}
    done = subprocess.run(
        as_program("check", str(demo_folder() / "plan.toml")),
        env={**os.environ, **strange, "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii:backslashreplace"},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr
