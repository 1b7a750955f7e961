"""Whose map data it is: OpenStreetMap's notice stands unless the head of the extract names another source.

OpenStreetMap's editing interface writes `attribution="http://www.openstreetmap.org/copyright"` on the root element
(from memory); export tools leave it out.
"""

from __future__ import annotations

import bz2
import gzip
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
import rasterio

from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.ask.streets import survey_streets
from leaveby.caution import OSM_NOTICE
from leaveby.files.read.licences import credits_of
from leaveby.files.read.road_extracts import drawn_from_osm
from leaveby.files.read.roads import read_roads
from leaveby.show.wording import map_notice

DATA = Path(__file__).parents[1] / "data"
BODY = """
  <node id="1" lat="42.50" lon="1.50"/><node id="2" lat="42.51" lon="1.50"/><node id="3" lat="42.52" lon="1.51"/>
  <way id="7"><nd ref="1"/><nd ref="2"/><nd ref="3"/><tag k="highway" v="residential"/></way>
</osm>
"""


@pytest.mark.parametrize(
    ("root", "due"),
    [
        ('<osm version="0.6">', True),
        ('<osm version="0.6" generator="a tool">', True),
        ('<osm version="0.6" attribution="">', True),
        ('<osm version="0.6" attribution="http://www.openstreetmap.org/copyright">', True),
        ('<osm version="0.6" attribution="(c) OpenStreetMap contributors, and the shire">', True),
        ('<osm version="0.6" attribution="an invented place">', False),
        ('<!-- attribution="an invented place" --><osm version="0.6">', True),
        ('<osm version="0.6"><note attribution="an invented place"/>', True),
    ],
)
@pytest.mark.parametrize("ending", [".osm", ".osm.gz", ".osm.bz2"])
def test_the_head_of_the_extract_decides(tmp_path: Path, root: str, due: bool, ending: str) -> None:
    text = f"<?xml version='1.0' encoding='UTF-8'?>\n{root}{BODY}".encode()
    file = tmp_path / f"roads{ending}"
    file.write_bytes({".osm": bytes, ".osm.gz": gzip.compress, ".osm.bz2": bz2.compress}[ending](text))
    assert drawn_from_osm(file) is due
    network = read_roads(file)
    assert network.from_osm is due
    assert map_notice(network) == (OSM_NOTICE if due else "")


@pytest.mark.parametrize("name", ["andorra_drive.osm.bz2", "andorra_streets.osm.pbf"])
def test_real_extracts_carry_the_notice(name: str) -> None:
    assert drawn_from_osm(DATA / name)


ROWS = """
["terrain.tif"]
attribution = "(c) the heights' makers"
credit = "heights (c) makers"

["fuel.tif"]
attribution = "(c) the cover's makers."

["weather_years"]
attribution = "the archive's words"

["roads.osm"]
attribution = "(c) OpenStreetMap contributors"
"""


def test_the_list_beside_files_says_whose_they_are_each_once(tmp_path: Path) -> None:
    (tmp_path / "LICENCE.txt").write_text(ROWS, encoding="utf-8")
    files = [tmp_path / name for name in ("terrain.tif", "fuel.tif", "bad_day.csv", "roads.osm", "mine.csv")]
    heights, cover, archive = (
        ("heights (c) makers", "(c) the heights' makers"),
        ("(c) the cover's makers", "(c) the cover's makers"),
        ("the archive's words", "the archive's words"),
    )
    assert credits_of([*files, (files[0], files[1]), None]) == (heights, cover, archive)
    (tmp_path / "LICENCE.txt").write_text("All rights reserved by somebody", encoding="utf-8")
    assert credits_of(files) == ()


def test_a_raster_that_says_whose_it_is_is_named_without_a_list(tmp_path: Path) -> None:
    shutil.copy(DATA / "andorra_dem.tif", tmp_path / "mine.tif")
    with rasterio.open(tmp_path / "mine.tif", "r+") as target:
        target.update_tags(attribution="(c) a land survey")
    found = credits_of([tmp_path / "mine.tif", DATA / "andorra_dem.tif"])
    assert found == (("(c) a land survey", "(c) a land survey"),)


def test_what_was_fetched_is_named_by_the_plan_that_uses_it(tmp_path: Path) -> None:
    folder = tmp_path / "place"
    shutil.copytree(demo_folder(), folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    (folder / "LICENCE.txt").write_text(ROWS, encoding="utf-8")
    network = read_inputs(load_plan(folder / "plan.toml")).network
    assert map_notice(network) == "(c) the heights' makers; (c) the cover's makers"
    assert map_notice(network, short=True) == "heights (c) makers; (c) the cover's makers"
    assert map_notice(replace(network, from_osm=True)).startswith(f"{OSM_NOTICE}; (c) the heights' makers")
    answer = survey_streets(folder / "roads.osm", terrain=folder / "terrain.tif")
    assert map_notice(answer) == "(c) the heights' makers"


def test_the_invented_demo_carries_none() -> None:
    assert not read_roads(demo_folder() / "roads.osm").from_osm
    assert not survey_streets(demo_folder() / "roads.osm").from_osm
