from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

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


def test_lines_are_counted_in_the_width_of_common_sans_serif_letters():
    # Common practice, no source: lower-case text in a common sans-serif face runs to about 2.2 letters per em.
    line_of_88_mm_at_8_pt = 88.0 / (8.0 * 25.4 / 72.0) * 2.2
    assert text_lines("x" * int(line_of_88_mm_at_8_pt * 0.95), size_pt=8.0, width_mm=88.0) == 1
    assert text_lines("x" * int(line_of_88_mm_at_8_pt * 1.05), size_pt=8.0, width_mm=88.0) == 2
