"""The letters that the pages carry, against the DejaVu Sans that matplotlib ships."""

from __future__ import annotations

import base64
import io
import re
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import pytest
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont

from leaveby.show.letters import letters_css

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "toolkit" / "leaveby"


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = spec_from_file_location("make_letters", Path(__file__).with_name("make_letters.py"))
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def carried() -> dict[str, TTFont]:
    """The fonts as a page carries them."""
    found = re.findall(r"font-weight: (\d+); src: url\(data:font/woff2;base64,([^)]+)\)", letters_css())
    names = {"400": "regular", "700": "bold"}
    return {names[weight]: TTFont(io.BytesIO(base64.b64decode(face))) for weight, face in found}


@pytest.mark.parametrize("name", ["regular", "bold"])
def test_each_letter_is_the_one_that_matplotlib_measures(
    name: str, maker: ModuleType, carried: dict[str, TTFont]
) -> None:
    whole, part = TTFont(maker.FONTS / maker.SOURCES[name]), carried[name]
    assert part["head"].unitsPerEm == whole["head"].unitsPerEm
    wanted = {code for first, last in maker.RANGES for code in range(first, last + 1)} & set(whole.getBestCmap())
    assert set(part.getBestCmap()) == wanted
    assert len(wanted) > 1300
    for code in sorted(wanted):
        drawn = []
        for font in (part, whole):
            glyphs, glyph = font.getGlyphSet(), font.getBestCmap()[code]
            pen = DecomposingRecordingPen(glyphs)
            glyphs[glyph].draw(pen)
            drawn.append((font["hmtx"][glyph][0], pen.value))
        assert drawn[0] == drawn[1], chr(code)


@pytest.mark.parametrize("name", ["regular", "bold"])
def test_every_copy_carries_its_licence(name: str, maker: ModuleType, carried: dict[str, TTFont]) -> None:
    licence = (maker.FONTS / "LICENSE_DEJAVU").read_text(encoding="utf-8")
    assert (PACKAGE / "show" / "letters_licence.txt").read_text(encoding="utf-8") == licence
    names = carried[name]["name"]
    assert "Bitstream" in names.getDebugName(0)
    assert "Permission is hereby granted" in names.getDebugName(13)
    # The licence: changed fonts take another name.
    assert names.getDebugName(1) == maker.NAME


def test_every_sign_that_the_package_writes_is_among_them(carried: dict[str, TTFont]) -> None:
    written = set()
    for path in PACKAGE.rglob("*"):
        if path.suffix in {".py", ".j2", ".css", ".html", ".csv"}:
            text = path.read_text(encoding="utf-8")
            written |= set(text) | {chr(int(number)) for number in re.findall(r"&#(\d+);", text)}
            written |= {chr(int(number, 16)) for number in re.findall(r"\\([0-9A-F]{4})\b", text)}
    # Plus, minus, equals and at in full width stand in `files.write.outputs` to be looked for, not to be shown.
    written -= set("＋－＝＠")
    for font in carried.values():
        missing = {sign for sign in written if sign.isprintable() and ord(sign) not in font.getBestCmap()}
        assert missing == set()
    assert {"\u25b2", "\u25bc", "\u25cb", "\u25cf", "\u2026"} <= written
