"""A number of ours beside one from outside: one row for each, with where the outside one comes from and its mark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from leaveby.notebook.widgets import Html
from leaveby.show.figure import TABLE_OPEN

PLAIN_MATHEMATICS: Final = "plain mathematics, worked out beside it"
BY_HAND: Final = "worked out by hand beside it"

_COLUMNS: Final = (
    "What",
    "Computed here",
    "From outside",
    "Apart",
    "Agrees",
    "Where the outside value comes from",
    "How it was obtained",
)
_CELL: Final = "text-align: left; vertical-align: top"


@dataclass(frozen=True)
class Check:
    """One number of ours, held against one from outside.

    Attributes
    ----------
    what : str
    ours, outside : str
        With their unit.
    off : str
        How far they are apart, and how far they may be.
    agrees : bool
    source : str
        Where the outside number comes from.
    mark : str
        How it was obtained: "read in the source", "computed from a remembered equation", "from memory", ...
    """

    what: str
    ours: str
    outside: str
    off: str
    agrees: bool
    source: str
    mark: str


def checks_table(rows: Sequence[Check], *, folded: str = "") -> Html:
    """Lay checks out as a table.

    Parameters
    ----------
    rows : sequence of Check
    folded : str
        Words on which the table opens; open from the start where left out.

    Returns
    -------
    Html

    Examples
    --------
    >>> row = Check("2 + 2", "4", "4", "0, may be 0", True, "arithmetic", BY_HAND)
    >>> "arithmetic</td>" in checks_table([row]).text
    True
    """
    # JupyterLab sets cells of a table to the right, where words are hard to read.
    head = Markup(TABLE_OPEN + "<thead><tr>{}</tr></thead><tbody>").format(
        Markup("").join(Markup('<th scope="col" style="{}">{}</th>').format(_CELL, words) for words in _COLUMNS)
    )
    body = Markup("").join(
        Markup('<tr><th scope="row" style="{}">{}</th>{}</tr>').format(
            f"{_CELL}; font-weight: normal; min-width: 14em",
            row.what,
            Markup("").join(
                Markup('<td style="{}">{}</td>').format(_CELL, words)
                for words in (row.ours, row.outside, row.off, "yes" if row.agrees else "NO", row.source, row.mark)
            ),
        )
        for row in rows
    )
    table = Markup('<div role="group" aria-label="{}" tabindex="0" style="overflow-x: auto">{}</div>').format(
        folded or "Checks", head + body + Markup("</tbody></table>")
    )
    if folded:
        table = Markup("<details><summary>{}</summary>{}</details>").format(folded, table)
    return Html(str(table))


def agreement_words(rows: Sequence[Check]) -> str:
    """Say how many rows agree, and name those that do not.

    Examples
    --------
    >>> agreement_words([Check("2 + 2", "5", "4", "1, may be 0", False, "arithmetic", BY_HAND)])
    '0 of 1 agree. NOT: 2 + 2.'
    """
    wrong = [row.what for row in rows if not row.agrees]
    words = f"{len(rows) - len(wrong)} of {len(rows)} agree."
    return f"{words} NOT: {'; '.join(wrong)}." if wrong else words


def sentences(lines: Sequence[str]) -> Html:
    """Lay sentences out as a list; all of them are text.

    Examples
    --------
    >>> sentences(["a < b"]).text
    '<ul><li>a &lt; b</li></ul>'
    """
    items = Markup("").join(Markup("<li>{}</li>").format(line) for line in lines)
    return Html(str(Markup("<ul>{}</ul>").format(items)))
