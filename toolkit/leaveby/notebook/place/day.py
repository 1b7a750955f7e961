"""The panel over the bad day of one's own plan: its worst temperature, humidity, wind and where that comes from."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from leaveby.ask.own_place import Day, day_spans, with_day, worst_of
from leaveby.notebook.place.desk import Desk, keeping
from leaveby.notebook.widgets import Slider, control, float_sliders, import_lab, panel
from leaveby.roads.routing.itinerary import COMPASS, compass_words
from leaveby.show.templates import filled

_LABELS = (
    ("temperature_c", "Highest temperature (C)"),
    ("humidity_percent", "Lowest humidity (%)"),
    ("wind_km_h", "Strongest wind (km/h)"),
)


def place_day(desk: Desk) -> Any:
    """Make the sliders of the day. Every hour of the plan's weather moves along, and so does a change of the wind."""
    words = import_lab().HTML()
    at = SimpleNamespace(base=None, shows=False, held=None)
    sliders = float_sliders(
        [Slider(name, label, *span, 1.0, span[0]) for (name, label), span in zip(_LABELS, day_spans(), strict=True)]
    )
    turn = control("Dropdown", "The strongest wind comes from", options=[(_compass(at), 22.5 * at) for at in range(16)])
    parts = (*sliders.values(), turn)

    def moved(_change: object) -> None:
        if not at.shows and at.base is not None:
            day = Day(*(float(one.value) for one in parts))
            desk.change(lambda place: with_day(place, at.base, day))

    def show() -> None:
        weather = None if desk.checked.inputs is None else desk.checked.inputs.weather
        at.base = weather if not desk.place.weather or at.base is None else at.base
        fixed = weather is not None and weather.places > 1
        for one in parts:
            one.disabled = weather is None or fixed
        if weather is None:
            return
        at.shows = True
        day = worst_of(weather)
        for name, slider in sliders.items():
            value = getattr(day, name)
            slider.min, slider.max = min(slider.min, value), max(slider.max, value)
            slider.value = value
        nearest = round(day.wind_from_deg / 22.5) % 16
        turn.value = 22.5 * nearest
        words.value = filled(
            "notebook/place/words.html.j2",
            part="day",
            day=day,
            fixed=fixed,
            side=compass_words(day.wind_from_deg),
            desk=desk,
        )
        at.shows = False

    for one in parts:
        one.observe(moved, names="value")
    desk.listen(show)
    return panel(*parts, words, keeping(desk))


def _compass(at: int) -> str:
    """One of 16 points of the compass.

    >>> _compass(0), _compass(1), _compass(3), _compass(15)
    ('north', 'north-north-east', 'east-north-east', 'north-north-west')
    """
    if at % 2 == 0:
        return COMPASS[at // 2]
    main, between = sorted(((at - 1) // 2, (at + 1) // 2 % 8), key=lambda point: point % 2)
    return f"{COMPASS[main]}-{COMPASS[between]}"
