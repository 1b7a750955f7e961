"""The notebook of checks: every number of ours beside one from outside, and a fire beside its exact shape."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from leaveby.decision.ways.result import HouseholdResult
from leaveby.fire.spread.ellipse import LENGTH_TO_BREADTH_LIMIT
from leaveby.notebook import widgets
from leaveby.notebook.leave_early import replays
from leaveby.verify.checks import Check, agreement_words
from leaveby.verify.exact_shapes import describe_ellipse, ellipse_check, ellipse_checks, ellipse_figure, history_checks
from leaveby.verify.exit_check import exit_checks
from leaveby.verify.hand_example import hand_example, hand_example_checks
from leaveby.verify.published import equation_checks, marks_in_words, published_values, value_checks
from leaveby.verify.replay_figure import promises, replay_figure, replay_words

_COLUMNS: Final = (
    "What",
    "Computed here",
    "From outside",
    "Apart",
    "Agrees",
    "Where the outside value comes from",
    "How it was obtained",
)


def checks_table(rows: Sequence[Check], *, opens_on: str = "") -> str:
    """Lay checks out as a table, folded away under some words where they are given (HTML)."""
    cells = (
        (row.what, row.ours, row.outside, row.off, "yes" if row.agrees else "NO", row.source, row.mark) for row in rows
    )
    laid_out = widgets.scrolling(opens_on or "Checks", widgets.table(_COLUMNS, cells, style=widgets.WORDS_CELL))
    return widgets.folded(opens_on, laid_out) if opens_on else laid_out


def _told(rows: Sequence[Check]) -> widgets.Html:
    """How many rows agree, and all of them."""
    return widgets.Html(widgets.listed([agreement_words(rows)]).text + checks_table(rows))


def checked_replay(result: HouseholdResult, *, truths: int, seed: int = 20_260_117) -> widgets.Html:
    """Walk a household that follows the times through fires drawn anew, beside what the leave-by promises.

    Fewer fires than 100 can't tell much.
    """
    found = replays(result, truths=truths, seed=seed)
    made = promises(found, result, rng=np.random.default_rng(6))
    told = replay_words(found, made)
    picture = widgets.shown(replay_figure(made), "The replay beside what was promised", " ".join(told))
    return widgets.Html(widgets.listed(told).text + picture.text)


def checked_equations() -> widgets.Html:
    """Every equation beside the published value that comes nearest to not agreeing, and all values folded away."""
    values = published_values()
    return widgets.Html(
        widgets.listed(marks_in_words(values)).text
        + checks_table(equation_checks(values))
        + checks_table(value_checks(values), opens_on=f"All {len(values)} values")
    )


def checked_shapes() -> widgets.Html:
    """Computed fires beside the shapes that plain mathematics gives."""
    return _told((*ellipse_checks(), *history_checks()))


def checked_hand_example() -> widgets.Html:
    """The example worked with pencil and paper, step by step."""
    return _told(hand_example_checks(hand_example(workers=2)))


def checked_exits() -> widgets.Html:
    """Homes behind each street of a small graph, counted in two ways."""
    return _told(exit_checks())


def ellipse_panel(*, ratio: float = 3.0, towards_deg: float = 30.0) -> Any:
    """Make a panel that solves the arrival anew for each length to breadth (1 to 6) and wind direction.

    The wind blows to so many degrees from east, anticlockwise.
    """
    asked = widgets.float_sliders(
        (
            widgets.Slider("length", "Times as long as broad", 1.0, LENGTH_TO_BREADTH_LIMIT, 0.5, ratio),
            widgets.Slider("towards", "Blows to, degrees from east", 0.0, 345.0, 15.0, towards_deg),
        )
    )
    words, picture = (widgets.import_lab().HTML() for _ in range(2))

    def redraw() -> None:
        check = ellipse_check(float(asked["length"].value), towards_deg=float(asked["towards"].value))
        said = describe_ellipse(check, float(asked["length"].value))
        words.value = f"<p>{said}</p>"
        picture.value = widgets.shown(ellipse_figure(check), "Computed fire beside the exact ellipse", said).text

    redraw()
    return widgets.answering(widgets.panel(*asked.values(), words, picture), asked.values(), redraw)
