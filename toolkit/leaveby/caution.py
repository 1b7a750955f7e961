"""The override statement and the other cautions, worded once and carried by every output."""

from __future__ import annotations

from typing import Final

OVERRIDE: Final = (
    "Official warnings and the directions of the emergency services override anything here. "
    "Leave early. Do not use this during a fire to put off leaving."
)
"""Stands on every output: terminal, JSON, page, notebook, plot, exported layer."""

PLANNING_AID: Final = (
    "This is a planning aid for before the fire season, made from models that are often wrong "
    "by half or more. Local codes, fire agencies and licensed practitioners come before it. "
    "Roads may close earlier than computed, for reasons no model sees."
)

LAST_RESORT: Final = (
    "Shelter is a last resort for when leaving is no longer possible, under the directions of the "
    "emergency services. Nothing here says that a house, or any place, will keep people alive."
)

OSM_NOTICE: Final = "(c) OpenStreetMap contributors"
"""Stands on every map and export drawn from OpenStreetMap data (ODbL 1.0)."""
