"""A notebook panel over `speeds`: move the weather, the ground, the fuel and the minutes, and see the fire's speeds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from leaveby.notebook import widgets
from leaveby.notebook.fire_day import DRIVING_KM_H, DaySpeeds, FireDay, fuels_to_choose, model_speeds
from leaveby.notebook.speeds import describe_hitch_chart, describe_model_bars, hitch_chart, hitch_table, model_bars
from leaveby.units import local_words

_UNMAPPED_WORDS: Final = "not known: every model, the fastest counts"

_SPANS: Final = (
    ("air_temperature_c", "Temperature (°C)", 10.0, 48.0, 1.0),
    ("relative_humidity_percent", "Humidity (%)", 3.0, 80.0, 1.0),
    ("wind_km_h", "Mean wind in the open (km/h)", 0.0, 100.0, 5.0),
    ("drought_factor", "Drought factor (0 to 10)", 0.0, 10.0, 0.5),
    ("slope_deg", "Slope the fire runs up (degrees)", -20.0, 20.0, 1.0),
)


def notes(speeds: DaySpeeds) -> str:
    """Write under the chart where the models are used beyond what they were made for, and what was assumed (HTML)."""
    beyond = "<p>Each model is used within what it was made for. It is still often wrong by half or more.</p>"
    if speeds.outside:
        beyond = "<p>Outside what the models were made for; the fire may well be faster:</p>"
        beyond += widgets.listed(speeds.outside).text
    return beyond + widgets.folded(widgets.TAKEN, widgets.listed(speeds.assumptions).text)


def speed_panel(
    day: FireDay | None = None, *, minutes: float = 45.0, driving_km_h: Mapping[str, float] = DRIVING_KM_H
) -> Any:
    """Make a panel that shows how fast a fire runs on a day, and how far it gets while one hitches up.

    A change of the minutes computes no speed anew and leaves the chart of models as it is. `driving_km_h` has words and
    a mean speed for each way of driving. What `model_speeds` and `courses` refuse is an InputError.
    """
    begin = FireDay() if day is None else day
    asked = widgets.float_sliders([widgets.Slider(*span, float(getattr(begin, span[0]))) for span in _SPANS])
    fuel = widgets.control(
        "Dropdown",
        "What burns",
        options=[(_UNMAPPED_WORDS if name == "unmapped" else name, name) for name in fuels_to_choose()],
        value=begin.fuel,
    )
    hitching = widgets.Slider("minutes", "Minutes to hitch up", 5.0, 120.0, 5.0, minutes)
    (hitch,) = widgets.float_sliders((hitching,)).values()
    bars, table, chart, words = (widgets.import_lab().HTML() for _ in range(4))
    held: dict[str, DaySpeeds] = {}

    def redraw() -> None:
        speeds, minutes_now = held["speeds"], float(hitch.value)
        table.value = local_words(hitch_table(speeds, minutes_now), begin.measures)
        chart.value = widgets.shown(
            hitch_chart(speeds, minutes_now, driving_km_h=driving_km_h),
            "How far the fire gets while you hitch up",
            local_words(describe_hitch_chart(speeds, minutes_now, driving_km_h=driving_km_h), begin.measures),
        ).text

    def recompute() -> None:
        values: dict[str, Any] = {name: float(slider.value) for name, slider in asked.items()}
        held["speeds"] = speeds = model_speeds(replace(begin, fuel=fuel.value, **values))
        title = "How fast the fire runs, model by model"
        described = local_words(describe_model_bars(speeds), begin.measures)
        bars.value = widgets.shown(model_bars(speeds), title, described).text
        words.value = local_words(notes(speeds), begin.measures)
        redraw()

    recompute()
    made = widgets.panel(*asked.values(), fuel, hitch, bars, table, chart, words)
    widgets.answering(made, (*asked.values(), fuel), recompute)
    return widgets.answering(made, (hitch,), redraw)
