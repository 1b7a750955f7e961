from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib import get_data_path

from leaveby.show.page_fit import fit_notes, list_mm, text_lines

NOTES = st.lists(st.text(min_size=1, max_size=300), max_size=60)


@given(NOTES, st.floats(0.0, 300.0))
def test_what_is_printed_fits_in_what_is_free(notes, free_mm):
    fit = fit_notes(notes, free_mm=free_mm)
    assert 0 <= fit.printed <= len(notes)
    if fit.printed:
        assert list_mm(notes[: fit.printed], size_pt=fit.size_pt, width_mm=88.0, gap_mm=0.3) / 2.0 <= free_mm


@given(NOTES, st.floats(0.0, 300.0), st.floats(0.0, 50.0))
def test_more_room_never_shows_less(notes, free_mm, more_mm):
    small, large = fit_notes(notes, free_mm=free_mm), fit_notes(notes, free_mm=free_mm + more_mm)
    assert large.printed >= small.printed
    assert large.size_pt >= small.size_pt


def test_notes_are_cut_only_in_the_smallest_type():
    fit = fit_notes(["a sentence of some length that takes two lines or so " * 2] * 60, free_mm=80.0)
    assert fit.printed < 60
    assert fit.size_pt == 6.2


# Advance widths of Helvetica, as Adobe's font metrics file in matplotlib gives them, in thousandths of the type size.
HELVETICA = {
    chr(int(code)): int(width) / 1000.0
    for code, width in re.findall(
        r"^C (\d+) ; WX (\d+) ;",
        (Path(get_data_path()) / "fonts" / "pdfcorefonts" / "Helvetica.afm").read_text(encoding="ascii"),
        re.MULTILINE,
    )
    if 32 <= int(code) < 127 and chr(int(code)) not in "'`"
}
PLAIN = (
    "Fire shuts a stretch of road 10 minutes before it comes within 100 m of any part of it; 10 minutes are kept "
    "before that. Each way of leaving is timed on one route, chosen beforehand; changing route is not counted on. "
)


@pytest.mark.parametrize("letter", sorted(HELVETICA))
def test_no_letter_is_taken_for_narrower_than_it_is_set(letter):
    assert len(HELVETICA) == 93
    # As many as would fill ten lines exactly by the metrics never count as fewer.
    em = 60.0 / (10.0 * 25.4 / 72.0)
    count = math.ceil(10.0 * em / HELVETICA[letter])
    assert text_lines(letter * count, size_pt=10.0, width_mm=60.0) >= 10


def test_plain_words_are_not_taken_for_much_wider_than_they_are_set():
    text = PLAIN * 20
    set_mm = sum(HELVETICA[letter] for letter in text) * 8.0 * 25.4 / 72.0
    assert set_mm / 88.0 <= text_lines(text, size_pt=8.0, width_mm=88.0) <= 1.08 * set_mm / 88.0 + 1.0


@pytest.mark.parametrize("text", ["森" * 40, "\U0001f525" * 40])
def test_letters_as_wide_as_high_are_counted_so(text):
    # 40 letters of 10 points are 141 mm.
    assert text_lines(text, size_pt=10.0, width_mm=60.0) == 3
