"""What can burn: fuel types, the map of them, and how moist they are."""

from leaveby.fire.fuel.zones import (
    FuelMap,
    fuel_from_codes,
    fuel_from_polygons,
    uniform_fuel,
)

__all__ = [
    "FuelMap",
    "fuel_from_codes",
    "fuel_from_polygons",
    "uniform_fuel",
]
