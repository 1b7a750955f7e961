"""What the tests of printed pages share: papers, names that burst a line, and every letter of a print."""

from __future__ import annotations

import math
from ctypes import byref, c_double
from pathlib import Path

import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from playwright.sync_api import Browser, Page

from leaveby.files.write.printed import _A4

PAPERS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}
"""Width and height in points."""

EDGE_PT = 24.0
"""Nearer to a paper's edge than that stands nothing."""

LONG = "Extraordinarily Long and Winding Road " * 3
WIDE = "WWWWWWWW MMMMMMMM WWWWWWWW " * 5
UNBROKEN = "Wm" * 60
SCRIPTS = {
    "cjk": "森の家と川の向こうの学校 東側の道路 避難場所 " * 4,
    "arabic": "طريق الوادي القديم إلى المدرسة الجديدة " * 4,
    "thai": "หมู่บ้านริมแม่น้ำทางทิศเหนือ ถนนสายเก่า " * 4,
    "devanagari": "नदी के पार का पुराना रास्ता और विद्यालय " * 4,
    "mixed": "Ḥafāʾir Ưu-Điện, Ἀκρόπολις, Річка, Ğöl; 森の家 🔥 ﷽ طريق الوادي หมู่บ้าน " * 2,
}

Box = tuple[float, float, float, float]


def print_out(tab: Page, path: Path, paper: str) -> int:
    """Print a page with margins of 10 mm, and give how many sides it took."""
    margin = dict.fromkeys(("top", "right", "bottom", "left"), "10mm")
    tab.pdf(path=path, format=paper, prefer_css_page_size=False, print_background=True, margin=margin)
    with pypdfium2.PdfDocument(path) as printed:
        assert printed[0].get_size() == pytest.approx(PAPERS[paper], abs=1.5)
        return len(printed)


def print_in(browser: Browser, page: str, path: Path) -> None:
    """Print a page as `print_page` does, in a browser that is open already: starting one takes a second."""
    path.with_suffix(".html").write_text(page.replace("</head>", f"{_A4}</head>", 1), encoding="utf-8")
    tab = browser.new_page()
    tab.goto(path.with_suffix(".html").as_uri())
    tab.pdf(path=path, prefer_css_page_size=True, print_background=True)
    tab.close()


def letters(path: Path) -> list[list[tuple[str, float, Box]]]:
    """Each visible letter of every side of a print: the letter, its size in points, its box.

    There are millions in all tests, so pdfium is asked letter by letter without what its helpers do around that.
    """
    left, right, bottom, top, matrix = c_double(), c_double(), c_double(), c_double(), pdfium.FS_MATRIX()
    edges = byref(left), byref(right), byref(bottom), byref(top)
    with pypdfium2.PdfDocument(path) as printed:
        sides = []
        for side in printed:
            words, found = side.get_textpage(), []
            for at in range(words.count_chars()):
                letter = chr(pdfium.FPDFText_GetUnicode(words.raw, at))
                if letter == "\0" or letter.isspace():
                    continue
                assert pdfium.FPDFText_GetCharBox(words.raw, at, *edges)
                if right.value > left.value:
                    assert pdfium.FPDFText_GetMatrix(words.raw, at, byref(matrix))
                    size = pdfium.FPDFText_GetFontSize(words.raw, at) * math.hypot(matrix.c, matrix.d)
                    found.append((letter, size, (left.value, bottom.value, right.value, top.value)))
            sides.append(found)
        return sides


def too_near_the_edge(box: Box, paper: str) -> bool:
    """Whether a letter stands nearer to the edge of its paper than anything should."""
    width_pt, height_pt = PAPERS[paper]
    return min(box[0], box[1], width_pt - box[2], height_pt - box[3]) < EDGE_PT
