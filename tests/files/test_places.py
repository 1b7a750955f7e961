"""Named places of an extract: nodes with a name and a place tag, from whatever file the roads come from."""

from __future__ import annotations

import bz2
import gzip
from pathlib import Path

import osmium
import pytest

from leaveby.ask.household import demo_folder
from leaveby.errors import InputError
from leaveby.files.read.places import NamedPlace, read_gatherings, read_places
from leaveby.files.read.roads import read_roads

EXTRACT = """<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6" generator="test">
  <node id="1" lat="-36.10" lon="148.90"/>
  <node id="2" lat="-36.11" lon="148.91"/>
  <node id="3" lat="-36.12" lon="148.92"><tag k="place" v="hamlet"/><tag k="name" v="Sallow &amp; Spur"/></node>
  <node id="4" lat="-36.13" lon="148.93"><tag k="place" v="farm"/></node>
  <node id="5" lat="-36.14" lon="148.94"><tag k="place" v="state"/><tag k="name" v="Far too large"/></node>
  <node id="6" lat="-36.15" lon="148.95"><tag k="amenity" v="school"/><tag k="name" v="No place"/></node>
  <node id="7" lat="-36.16" lon="148.96"><tag k="place" v="locality"/><tag k="name" v=" Öd "/></node>
  <way id="1"><nd ref="1"/><nd ref="2"/><tag k="highway" v="residential"/></way>
</osm>
"""
FOUND = (NamedPlace("Sallow & Spur", "hamlet", 148.92, -36.12), NamedPlace("Öd", "locality", 148.96, -36.16))


@pytest.mark.parametrize("ending", [".osm", ".osm.gz", ".osm.bz2", ".osm.pbf"])
def test_places_with_a_name_are_read_from_every_kind_of_extract(ending: str, tmp_path: Path) -> None:
    plain = tmp_path / "plain.osm"
    plain.write_text(EXTRACT, encoding="utf-8")
    path = tmp_path / f"roads{ending}"
    if ending == ".osm.gz":
        path.write_bytes(gzip.compress(EXTRACT.encode()))
    elif ending == ".osm.bz2":
        path.write_bytes(bz2.compress(EXTRACT.encode()))
    elif ending == ".osm.pbf":
        with osmium.SimpleWriter(str(path)) as writer:
            for item in osmium.FileProcessor(str(plain)):
                writer.add(item)
    else:
        path.write_text(EXTRACT, encoding="utf-8")
    assert read_places(path) == FOUND
    assert read_roads(path).edge_count == 2


def test_ground_where_people_gather_is_read_with_its_kind_in_words(tmp_path: Path) -> None:
    """An area counts at the middle of its corners; what has no name, or another tag, is nobody's meeting place."""
    pitch = '<tag k="leisure" v="pitch"/>'
    ground = """
  <node id="8" lat="-36.20" lon="148.80"/><node id="9" lat="-36.20" lon="148.82"/>
  <node id="10" lat="-36.23" lon="148.81"/>
  <node id="11" lat="-36.3" lon="148.9"><tag k="amenity" v="townhall"/><tag k="name" v="Old Hall"/></node>
  <way id="2"><nd ref="8"/><nd ref="9"/><nd ref="10"/>
    <tag k="landuse" v="fairground"/><tag k="name" v="The Flat"/></way>
"""
    nameless = f'<way id="3"><nd ref="8"/><nd ref="9"/>{pitch}</way>'
    path = tmp_path / "roads.osm"
    path.write_text(EXTRACT.replace("</osm>", f"{ground}{nameless}</osm>"), encoding="utf-8")
    hall, flat = read_gatherings(path)
    assert hall == NamedPlace("Old Hall", "town hall", 148.9, -36.3)
    assert (flat.name, flat.kind) == ("The Flat", "showground")
    assert (flat.lon_deg, flat.lat_deg) == pytest.approx((148.81, -36.21))


def test_the_places_of_the_demo_are_those_of_its_file() -> None:
    """Counted in the text of the file itself."""
    path = demo_folder() / "roads.osm"
    text = path.read_text(encoding="utf-8")
    found = read_places(path)
    assert len(found) == text.count('k="place"') > 0
    assert all(f'v="{place.name}"' in text for place in found)


@pytest.mark.parametrize("ending", [".graphml", ".gpkg", ".geojson", ".shp"])
def test_street_graphs_and_layers_hold_no_places(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"roads{ending}"
    path.write_text("whatever stands here is for the roads to read", encoding="utf-8")
    assert read_places(path) == ()


def test_an_extract_without_places_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "roads.osm"
    path.write_text(EXTRACT.replace('k="place"', 'k="was"'), encoding="utf-8")
    assert read_places(path) == ()


def test_a_broken_or_missing_file_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "roads.osm"
    with pytest.raises(InputError, match="there is no such file"):
        read_places(path)
    path.write_text(EXTRACT[:400], encoding="utf-8")
    with pytest.raises(InputError, match="broken or truncated"):
        read_places(path)
