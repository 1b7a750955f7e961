"""What the tests of printed pages share: papers, names that burst a line, and every letter of a print."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from playwright.sync_api import Page

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


def letters(path: Path) -> list[list[tuple[str, float, Box]]]:
    """Each visible letter of every side of a print: the letter, its size in points, its box."""
    with pypdfium2.PdfDocument(path) as printed:
        sides = []
        for side in printed:
            words, found = side.get_textpage(), []
            for at in range(words.count_chars()):
                letter, box = words.get_text_range(at, 1), words.get_charbox(at)
                if letter.strip() and box[2] > box[0]:
                    matrix = pdfium.FS_MATRIX()
                    assert pdfium.FPDFText_GetMatrix(words, at, matrix)
                    scale = float(np.hypot(matrix.c, matrix.d))
                    found.append((letter, float(pdfium.FPDFText_GetFontSize(words, at)) * scale, box))
            sides.append(found)
        return sides


def too_near_the_edge(box: Box, paper: str) -> bool:
    """Whether a letter stands nearer to the edge of its paper than anything should."""
    width_pt, height_pt = PAPERS[paper]
    return min(box[0], box[1], width_pt - box[2], height_pt - box[3]) < EDGE_PT
