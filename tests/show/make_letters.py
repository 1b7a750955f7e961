"""Makes the letters that the pages carry, out of the DejaVu Sans that matplotlib ships.

Run with: python tests/show/make_letters.py

Needs fontTools with Brotli, which the extra `test` brings. What it writes is kept in the package, so that making a page
needs neither.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont
from matplotlib import get_data_path

FONTS = Path(get_data_path()) / "fonts" / "ttf"
PACKAGE = Path(__file__).resolve().parents[2] / "toolkit" / "leaveby" / "show"
SOURCES = {"regular": "DejaVuSans.ttf", "bold": "DejaVuSans-Bold.ttf"}
NAME = "Leaveby Letters"
"""How the letters call themselves, so that a print tells them from those of the machine."""

RANGES = (
    (0x20, 0x7E),  # ASCII
    (0xA0, 0x24F),  # Latin letters of Europe and beyond
    (0x2B9, 0x2DD),  # apostrophes and accents that stand alone
    (0x300, 0x331),  # accents that are put on any letter
    (0x370, 0x3FF),  # Greek
    (0x400, 0x4FF),  # Cyrillic
    (0x1E00, 0x1EFF),  # Latin letters with two accents, Vietnamese among them
    (0x2010, 0x203A),  # dashes, quotation marks, dots, primes
    (0x2070, 0x208E),  # raised and lowered digits
    (0x20AC, 0x20AC),  # euro
    (0x2116, 0x2122),  # number and trade marks
    (0x2190, 0x2199),  # arrows
    (0x2212, 0x2212),  # minus
    (0x221E, 0x221E),  # infinite
    (0x2248, 0x2248),  # nearly
    (0x2260, 0x2265),  # not equal, at most, at least
    (0x25A0, 0x25FF),  # squares, triangles, circles: the maps' signs
    (0xFFFD, 0xFFFD),  # what stands for a broken letter
)


def made(source: Path) -> TTFont:
    """The part of a font that the pages carry."""
    options = subset.Options()
    options.hinting = False  # hints move letters to the grid of one screen
    options.layout_features = ["ccmp", "locl", "mark", "mkmk", "kern"]
    options.notdef_outline = True
    options.drop_tables += ["FFTM"]
    options.name_IDs = [0, 1, 2, 4, 6, 13, 14]  # the licence travels in every copy
    font = subset.load_font(str(source), options)
    part = subset.Subsetter(options)
    part.populate(unicodes=[code for first, last in RANGES for code in range(first, last + 1)])
    part.subset(font)
    for record in font["name"].names:
        style = font["name"].getDebugName(2)
        if record.nameID in (1, 4, 6):
            record.string = {1: NAME, 4: f"{NAME} {style}", 6: f"{NAME.replace(' ', '')}-{style}"}[record.nameID]
    return font


def main() -> None:
    for name, file in SOURCES.items():
        font = made(FONTS / file)
        font["head"].modified = font["head"].created  # the same bytes whenever it is made
        font.recalcTimestamp = False
        font.flavor = "woff2"
        font.save(PACKAGE / f"letters_{name}.woff2")
    shutil.copyfile(FONTS / "LICENSE_DEJAVU", PACKAGE / "letters_licence.txt")


if __name__ == "__main__":
    main()
