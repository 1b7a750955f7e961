"""A notebook panel over the roads: choose the vehicle, move its height, mass and speed, and see where it gets to."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Final

from markupsafe import Markup

from leaveby.errors import refused
from leaveby.notebook import widgets
from leaveby.notebook.drives import RoadArea, drive_answer
from leaveby.notebook.live.ground import hills
from leaveby.notebook.live.map import open_map
from leaveby.notebook.live.roads import road_sheet
from leaveby.notebook.road_words import closed_table, drives_table, vehicle_words
from leaveby.regions import measures_of
from leaveby.roads.vehicle.pull import RoadVehicle
from leaveby.show.wording import WAY_TITLES
from leaveby.units import (
    KG_PER_POUND,
    KM_H_PER_MPH,
    METRES_PER_FOOT,
    METRIC,
    Measures,
    km_h_from_m_s,
    local_words,
    m_s_from_km_h,
)

FASTEST_KM_H: Final = 130.0
"""Top of the speed slider, and what it shows for a vehicle without a limit of its own."""


_IN_FEET: Final = {
    "height_m": ("Height (feet)", METRES_PER_FOOT),
    "mass_t": ("Mass of the whole, loaded (thousand pounds)", KG_PER_POUND),
    "speed_km_h": ("Fastest you go (mph)", KM_H_PER_MPH),
}
"""Labels and units of the sliders where people read feet and pounds."""


def vehicle_sliders(vehicle: RoadVehicle, measures: Measures = METRIC) -> tuple[widgets.Slider, ...]:
    """Sliders over a vehicle's height, mass and speed, wide enough for its own values, in people's units."""
    return tuple(_in_units(slider, measures) for slider in _metric_sliders(vehicle))


def _in_units(slider: widgets.Slider, measures: Measures) -> widgets.Slider:
    if not measures.pounds:
        return slider
    label, unit = _IN_FEET[slider.name]
    low, high, value = slider.low / unit, slider.high / unit, slider.value / unit
    return replace(slider, label=label, low=low, high=high, value=value)


def _metric_sliders(vehicle: RoadVehicle) -> tuple[widgets.Slider, ...]:
    height_m, mass_t, limit = vehicle.height_m, vehicle.mass_kg / 1000.0, vehicle.speed_limit_m_s
    speed = FASTEST_KM_H if math.isinf(limit) else round(km_h_from_m_s(limit), 6)
    return (
        widgets.Slider("height_m", "Height (m)", min(1.0, height_m), max(5.5, height_m), 0.05, height_m),
        widgets.Slider(
            "mass_t", "Mass of the whole, loaded (t)", min(0.5, mass_t), max(15.0, 2.0 * mass_t), 0.1, mass_t
        ),
        widgets.Slider("speed_km_h", "Fastest you go (km/h)", min(20.0, speed), max(FASTEST_KM_H, speed), 5.0, speed),
    )


def changed_vehicle(base: RoadVehicle, *, height_m: float, mass_t: float, speed_km_h: float) -> RoadVehicle:
    """The same vehicle with another height, mass of the whole and speed limit."""
    return replace(
        base,
        height_m=round(height_m, 3),
        mass_kg=round(mass_t * 1000.0, 1),
        speed_limit_m_s=m_s_from_km_h(speed_km_h),
        motorway_limit_m_s=None,
    )


def road_panel(area: RoadArea, *, way: str | None = None) -> Any:
    """Make a panel that shows where a vehicle gets to and what it can't use, for its height, mass and speed.

    The ground, the grades, the index of the roads and the car to compare with are taken from `area` and never computed
    anew; a change of the vehicle computes its travel times once.

    It begins with the way of leaving that is asked for ("tow", "car" or "foot"; InputError where the plan has no such
    one), or else with the plan's first.
    """
    first = next(iter(area.vehicles)) if way is None else way
    if first not in area.vehicles:
        raise refused("way of leaving", "way_of_no_plan", way=first, ways=", ".join(area.vehicles))
    chosen = widgets.control(
        "Dropdown",
        "How you leave",
        options=[(WAY_TITLES.get(name, name), name) for name in area.vehicles],
        value=first,
    )
    measures = measures_of(area.region)
    asked = widgets.float_sliders(vehicle_sliders(area.vehicles[first], measures))
    title, drives, closed, taken = (widgets.import_lab().HTML() for _ in range(4))
    picture, drawn = hills(area.terrain.grid, area.terrain.elevation_m), open_map()
    setting = {"on": False}

    def recompute() -> None:
        if setting["on"]:
            return
        base = area.vehicles[chosen.value]
        unit = {name: _IN_FEET[name][1] if measures.pounds else 1.0 for name in asked}
        values = {name: float(slider.value) * unit[name] for name, slider in asked.items()}
        vehicle = base if chosen.value == "foot" else changed_vehicle(base, **values)
        answer = drive_answer(area, chosen.value, vehicle=vehicle)
        title.value = str(Markup("<p><strong>For {}</strong></p>").format(vehicle_words(answer)))
        drives.value = drives_table(answer)
        drawn.show(road_sheet(area, answer, picture=picture))
        closed.value = closed_table(answer)
        lines = dict.fromkeys((*area.assumptions, *area.grades.assumptions, *answer.travel.assumptions))
        taken.value = widgets.folded(widgets.TAKEN, widgets.listed(local_words(one, measures) for one in lines).text)

    def choose() -> None:
        setting["on"] = True
        for slider in vehicle_sliders(area.vehicles[chosen.value], measures):
            moved = asked[slider.name]
            # The new span has to hold the old value until the new one stands.
            moved.min, moved.max = min(slider.low, moved.value), max(slider.high, moved.value)
            moved.value = slider.value
            moved.min, moved.max = slider.low, slider.high
            moved.disabled = chosen.value == "foot"
        setting["on"] = False
        recompute()

    choose()
    made = widgets.panel(chosen, *asked.values(), title, drives, drawn.box, closed, taken)
    widgets.answering(made, (chosen,), choose)
    return widgets.answering(made, asked.values(), recompute)
