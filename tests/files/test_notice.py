"""Whose map data it is: OpenStreetMap's notice stands unless the head of the extract names another source.

OpenStreetMap's editing interface writes `attribution="http://www.openstreetmap.org/copyright"` on the root element
(from memory); export tools leave it out.
"""

from __future__ import annotations

import bz2
import gzip
from pathlib import Path

import pytest

from leaveby.ask.household import demo_folder
from leaveby.ask.streets import survey_streets
from leaveby.caution import OSM_NOTICE
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


def test_the_invented_demo_carries_none() -> None:
    assert not read_roads(demo_folder() / "roads.osm").from_osm
    assert not survey_streets(demo_folder() / "roads.osm").from_osm
