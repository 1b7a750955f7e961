"""What every panel is made of: pieces of HTML, tables, controls, and how a panel is put together and answers.

`ipywidgets` and `ipyleaflet` come with the extra `lab` and are only looked for when a panel is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Final

from markupsafe import Markup, escape
from matplotlib.figure import Figure

from leaveby.caution import OVERRIDE
from leaveby.errors import InputError, refused
from leaveby.show.figure import TABLE_OPEN, as_svg
from leaveby.show.templates import filled
from leaveby.show.wording import clean

TAKEN: Final = "What was taken for granted"
WORDS_CELL: Final = "text-align: left; vertical-align: top"
"""For tables of words: JupyterLab sets cells to the right, where words are hard to read."""

_BANNER_STYLE: Final = (
    "border: 2px solid #1a1a1a; padding: 0.4em 0.7em; margin: 0; font-weight: bold; color: #1a1a1a; background: #fff"
)
_ONCE: Final = (
    "<style>.jp-Cell:has(.leaveby-banner) { position: sticky; top: 0; z-index: 20; }\n"
    ".jp-Notebook:has(.leaveby-banner) .leaveby-override { display: none; }</style>"
)
"""Where a notebook has the banner in a cell of its own it stays on top, and no panel below says it again."""


@dataclass(frozen=True)
class Html:
    """A piece of HTML that a notebook shows as it is."""

    text: str

    def _repr_html_(self) -> str:
        return self.text


@dataclass(frozen=True)
class Slider:
    """A slider whose move asks for a new answer; `name` is the key under which its value is handed on."""

    name: str
    label: str
    low: float
    high: float
    step: float
    value: float


def override_banner() -> Html:
    """Give the override statement as a banner that stays on top of the notebook, in place of those of its panels."""
    return Html(_ONCE + override_line().replace("leaveby-override", "leaveby-banner"))


def override_line() -> str:
    """Give the override statement in a frame (HTML)."""
    return str(Markup('<p role="note" class="leaveby-override" style="{}">{}</p>').format(_BANNER_STYLE, OVERRIDE))


def listed(sentences: Iterable[str]) -> Html:
    """Give sentences as a list, broken between words and not within them; all of them are text.

    >>> listed(["One.", "a < b"]).text
    '<ul><li>One.</li><li>a &lt; b</li></ul>'
    """
    items = Markup("").join(Markup("<li>{}</li>").format(clean(sentence)) for sentence in sentences)
    return Html(str(Markup("<ul>{}</ul>").format(items)))


def folded(title: str, text: str) -> str:
    """Fold a piece of HTML under a title, on which it opens."""
    return str(Markup("<details><summary>{}</summary>{}</details>").format(title, Markup(text)))


def table(head: Sequence[str], rows: Iterable[Sequence[object]], *, heading: int = 0, style: str = "") -> str:
    """Lay rows out as a table; all of it is text. The cell `heading` names its row, `style` is that of every cell."""
    opening = Markup(TABLE_OPEN)
    return filled("notebook/table.html.j2", opening=opening, head=head, rows=rows, heading=heading, style=style)


def laid_out(template: str, **values: Any) -> str:
    """Fill a template that lays out tables by `notebook/rows.html.j2`; all values are text."""
    return filled(template, opening=Markup(TABLE_OPEN), **values)


def scrolling(title: str, html: str) -> str:
    """Let what is wider than the page scroll, reached with the keyboard too."""
    return f'<div role="group" aria-label="{escape(title)}" tabindex="0" style="overflow-x: auto">{html}</div>'


def shown(figure: Figure, title: str, description: str) -> Html:
    """Give any figure as a picture with its text alternative.

    It fills a page's width as far as its letters stay of ordinary size; on a phone it scrolls instead of shrinking.
    """
    width_px = round(float(figure.get_size_inches()[0]) * 125.0)
    picture = f'<div style="min-width: {round(width_px * 0.75)}px">{as_svg(figure, title, description)}</div>'
    return Html(f'<div style="max-width: {width_px}px">{scrolling(title, picture)}</div>')


def import_lab(name: str = "ipywidgets") -> Any:
    """Give a library of the extra `lab`."""
    try:
        return import_module(name)
    except ImportError as error:
        raise refused(name, "no_notebook_library") from error


def control(kind: str, label: str, **settings: Any) -> Any:
    """Make a control of ipywidgets, by the name of its class, in the panels' look; a slider answers when let go."""
    widgets = import_lab()
    if kind in ("IntSlider", "FloatSlider"):
        settings = {"continuous_update": False, **settings}
    layout = widgets.Layout(width="34em")
    return getattr(widgets, kind)(
        description=label, style={"description_width": "16em"}, **{"layout": layout, **settings}
    )


def float_sliders(sliders: Sequence[Slider]) -> dict[str, Any]:
    """Make the widgets of some sliders, by their names, each wide enough for its own value."""
    return {
        slider.name: control(
            "FloatSlider",
            slider.label,
            value=slider.value,
            min=min(slider.low, slider.value),
            max=max(slider.high, slider.value),
            step=slider.step,
            readout_format=_readout(slider.step),
        )
        for slider in sliders
    }


def _readout(step: float) -> str:
    """As many decimals as a slider's steps have, two at the most."""
    return next((f".{places}f" for places in (0, 1) if abs(step * 10**places % 1.0) < 1e-9), ".2f")


def panel(*parts: Any, more: str = "") -> Any:
    """Put a panel together: the override banner with `more` HTML, then its parts from top to bottom."""
    widgets = import_lab()
    return widgets.VBox([widgets.HTML(override_line() + more), *parts])


def answering(made: Any, controls: Iterable[Any], work: Callable[[], None]) -> Any:
    """Do some work whenever a panel's control is moved; what can't be used is said under the banner, the rest stays."""
    banner = made.children[0]
    text = banner.value

    def moved(_change: object) -> None:
        banner.value = text
        try:
            work()
        except InputError as error:
            banner.value = text + str(Markup('<p role="alert"><strong>{}</strong></p>').format(clean(str(error))))

    for one in controls:
        one.observe(moved, names="value")
    return made
