"""The one door of the notebooks: everything that a notebook uses is imported from here, or from `leaveby` itself.

Nothing is loaded before it is asked for.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any, Final

_ROOMS: Final = {
    "ask.household": ("demo_folder", "load_plan", "plan_household"),
    "ask.streets": ("survey_streets",),
    "ask.district": ("survey_district",),
    "ask.drill": ("run_drill",),
    "notebook.checks": (
        "checked_equations",
        "checked_exits",
        "checked_hand_example",
        "checked_replay",
        "checked_shapes",
        "ellipse_panel",
    ),
    "notebook.panel_district": ("district_panel", "homes_first"),
    "notebook.panel_drills": ("drill_panel",),
    "notebook.drives": ("our_roads",),
    "notebook.fire_day": ("FireDay", "reach_sentences"),
    "notebook.leave_early": ("answered", "leave_early_panel", "practised", "replayed", "shown_timetable"),
    "notebook.live.map": ("live_map",),
    "notebook.panel_roads": ("road_panel",),
    "notebook.panel_rules": ("rules_panel",),
    "notebook.panel_speeds": ("speed_panel",),
    "notebook.panel_streets": ("street_panel",),
    "notebook.place.day": ("place_day",),
    "notebook.place.desk": ("place_answer", "place_check", "your_place"),
    "notebook.place.lists": ("place_list",),
    "notebook.place.where": ("place_map", "place_roads"),
    "notebook.widgets": ("listed", "override_banner"),
}
_ROOM_OF: Final = {name: room for room, names in _ROOMS.items() for name in names}

__all__ = sorted(_ROOM_OF)


def __getattr__(name: str) -> Any:
    if name not in _ROOM_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"leaveby.{_ROOM_OF[name]}"), name)
