"""A notebook panel over `exact_shapes`: choose how long the fire's ellipse is, and see it beside the exact one."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from leaveby.fire.spread.ellipse import LENGTH_TO_BREADTH_LIMIT
from leaveby.notebook.widgets import import_widgets, override_banner, shown
from leaveby.verify.exact_shapes import describe_ellipse, ellipse_check, ellipse_figure


def ellipse_panel(*, ratio: float = 3.0, towards_deg: float = 30.0) -> Any:
    """Make a panel that solves the arrival anew for each length to breadth and wind direction.

    Parameters
    ----------
    ratio : float
        Length to breadth to begin with, 1 to 6.
    towards_deg : float
        Where the wind blows to, degrees from east, anticlockwise.

    Returns
    -------
    ipywidgets.VBox

    Raises
    ------
    InputError
        If `ipywidgets` is not installed.
    """
    widgets = import_widgets()
    wide, layout = {"description_width": "16em"}, widgets.Layout(width="34em")
    asked = [
        widgets.FloatSlider(
            value=value,
            min=low,
            max=high,
            step=step,
            readout_format=layout_format,
            description=words,
            continuous_update=False,
            style=wide,
            layout=layout,
        )
        for words, low, high, step, value, layout_format in (
            ("Times as long as broad", 1.0, LENGTH_TO_BREADTH_LIMIT, 0.5, ratio, ".1f"),
            ("Wind blows to (degrees from east)", 0.0, 345.0, 15.0, towards_deg, ".0f"),
        )
    ]
    words, picture = widgets.HTML(), widgets.HTML()

    def redraw(_change: object = None) -> None:
        length, towards = (float(slider.value) for slider in asked)
        check = ellipse_check(length, towards_deg=towards)
        said = describe_ellipse(check, length)
        words.value = str(Markup("<p>{}</p>").format(said))
        picture.value = shown(ellipse_figure(check), "Computed fire beside the exact ellipse", said).text

    for slider in asked:
        slider.observe(redraw, names="value")
    redraw()
    return widgets.VBox([widgets.HTML(override_banner().text), *asked, words, picture])
