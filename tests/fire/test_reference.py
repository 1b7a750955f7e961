"""Every equation against values from outside the project: `published_values.csv`, which ships with the package.

The column `how_obtained` says how far a row can be trusted. A row "computed from a remembered equation" only shows that
the code does what the person who remembered it meant; one "read in the source" or "computed by library xclim 0.62.0"
was found outside. No tabulated value of the dry eucalypt model (Cheney et al. 2012) was found: its rows are of the
first kind, and tests/fire/test_spread_models.py adds a calculation by hand and its published statistics.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
import pytest

from leaveby.verify.published import MARKS, _words, evaluated, published_rows

ROWS = published_rows()


def test_the_table_is_complete_and_says_where_each_row_comes_from() -> None:
    assert len(ROWS) >= 90
    assert {row["how_obtained"] for row in ROWS} <= set(MARKS)
    assert all(row["source"] and row["page_or_table"] and row["unit"] for row in ROWS)
    assert {row["equation"] for row in ROWS} == set(_words("equation"))


def test_no_row_of_the_dry_eucalypt_model_claims_to_be_read() -> None:
    own = [row for row in ROWS if row["equation"].startswith("dry_eucalypt")]
    assert own
    assert {row["how_obtained"] for row in own} == {"computed from a remembered equation"}


@pytest.mark.parametrize("row", ROWS, ids=[f"{n + 2}-{row['equation']}" for n, row in enumerate(ROWS)])
def test_equation_gives_the_reference_value(row: Mapping[str, str]) -> None:
    got = evaluated(row["equation"], json.loads(row["inputs"]))
    assert np.isfinite(got)
    assert got == pytest.approx(float(row["expected"]), rel=0.0, abs=float(row["tolerance"])), row["source"]
