"""How fast, in which shape and how wrong: rate of spread, ellipse, flames, model error."""

from leaveby.fire.spread.series import (
    FlatSpread,
    SpreadZones,
    check_models,
    flat_spread,
    fuel_moisture_percent,
    models_for,
    spread_zones,
    table_for_member,
)

__all__ = [
    "FlatSpread",
    "SpreadZones",
    "check_models",
    "flat_spread",
    "fuel_moisture_percent",
    "models_for",
    "spread_zones",
    "table_for_member",
]
