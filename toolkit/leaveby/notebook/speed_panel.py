"""A notebook panel over `speeds`: move the weather, the ground, the fuel and the minutes, and see the fire's speeds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from markupsafe import Markup

from leaveby.notebook.fire_day import DRIVING_KM_H, DaySpeeds, FireDay, fuels_to_choose, model_speeds
from leaveby.notebook.speeds import describe_hitch_chart, describe_model_bars, hitch_chart, hitch_table, model_bars
from leaveby.notebook.widgets import Slider, float_sliders, import_widgets, override_banner, shown

_UNMAPPED_WORDS: Final = "not known: every model, the fastest counts"

_SPANS: Final = (
    ("air_temperature_c", "Temperature (°C)", 10.0, 48.0, 1.0),
    ("relative_humidity_percent", "Humidity (%)", 3.0, 80.0, 1.0),
    ("wind_km_h", "Mean wind in the open (km/h)", 0.0, 100.0, 5.0),
    ("drought_factor", "Drought factor (0 to 10)", 0.0, 10.0, 0.5),
    ("slope_deg", "Slope the fire runs up (degrees)", -20.0, 20.0, 1.0),
)


def day_sliders(day: FireDay) -> tuple[Slider, ...]:
    """Sliders over the numbers of a day, wide enough for its own values.

    Examples
    --------
    >>> [slider.name for slider in day_sliders(FireDay())][:2]
    ['air_temperature_c', 'relative_humidity_percent']
    """
    made = []
    for name, label, low, high, step in _SPANS:
        value = float(getattr(day, name))
        made.append(Slider(name, label, min(low, value), max(high, value), step, value))
    return tuple(made)


def notes(speeds: DaySpeeds) -> str:
    """Write under the chart where the models are used beyond what they were made for, and what was assumed.

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> from leaveby.notebook.fire_day import model_speeds
    >>> "outside 0 to 30 km/h" in notes(model_speeds(FireDay()))
    True
    """
    beyond = (
        _listed("Outside what the models were made for; the fire may well be faster:", speeds.outside)
        if speeds.outside
        else Markup("<p>Each model is used within what it was made for. It is still often wrong by half or more.</p>")
    )
    taken = Markup("<details><summary>What was taken for granted</summary>{}</details>").format(
        _listed("", speeds.assumptions)
    )
    return str(beyond + taken)


def _listed(head: str, lines: Sequence[str]) -> Markup:
    items = Markup("").join(Markup("<li>{}</li>").format(line) for line in lines)
    return Markup("<p>{}</p><ul>{}</ul>").format(head, items) if head else Markup("<ul>{}</ul>").format(items)


def speed_panel(
    day: FireDay | None = None, *, minutes: float = 45.0, driving_km_h: Mapping[str, float] = DRIVING_KM_H
) -> Any:
    """Make a panel that shows how fast a fire runs on a day, and how far it gets while one hitches up.

    A change of the minutes computes no speed anew and leaves the chart of models as it is.

    Parameters
    ----------
    day : FireDay, optional
        The day to begin with.
    minutes : float
        To hitch up, above 0.
    driving_km_h : mapping of str to float
        Words and mean speed of each way of driving.

    Returns
    -------
    ipywidgets.VBox
        Shown by a notebook as it is.

    Raises
    ------
    InputError
        If `ipywidgets` is not installed, and for what `model_speeds` and `courses` refuse.
    """
    widgets = import_widgets()
    begin = FireDay() if day is None else day
    wide, layout = {"description_width": "16em"}, widgets.Layout(width="34em")
    asked = float_sliders(day_sliders(begin), style=wide, layout=layout)
    fuel = widgets.Dropdown(
        options=[(_UNMAPPED_WORDS if name == "unmapped" else name, name) for name in fuels_to_choose()],
        value=begin.fuel,
        description="What burns",
        style=wide,
        layout=layout,
    )
    hitch = widgets.FloatSlider(
        value=minutes,
        min=min(5.0, minutes),
        max=max(120.0, minutes),
        step=5.0,
        readout_format=".0f",
        description="Minutes to hitch up",
        continuous_update=False,
        style=wide,
        layout=layout,
    )
    bars, table, chart, words = (widgets.HTML() for _ in range(4))
    held: dict[str, DaySpeeds] = {}

    def redraw(_change: object = None) -> None:
        speeds, minutes_now = held["speeds"], float(hitch.value)
        table.value = hitch_table(speeds, minutes_now)
        chart.value = shown(
            hitch_chart(speeds, minutes_now, driving_km_h=driving_km_h),
            "How far the fire gets while you hitch up",
            describe_hitch_chart(speeds, minutes_now, driving_km_h=driving_km_h),
        ).text

    def recompute(_change: object = None) -> None:
        values = {name: float(slider.value) for name, slider in asked.items()}
        speeds = model_speeds(FireDay(fuel=fuel.value, **values))
        held["speeds"] = speeds
        bars.value = shown(
            model_bars(speeds), "How fast the fire runs, model by model", describe_model_bars(speeds)
        ).text
        words.value = notes(speeds)
        redraw()

    for control in (*asked.values(), fuel):
        control.observe(recompute, names="value")
    hitch.observe(redraw, names="value")
    recompute()
    banner = widgets.HTML(override_banner().text)
    return widgets.VBox([banner, *asked.values(), fuel, hitch, bars, table, chart, words])
