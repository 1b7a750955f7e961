"""Common fuel types: load, hazard scores, and which rate-of-spread equation each one takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from leaveby.errors import refuse
from leaveby.regions import table_rows

Equation = Literal["forest", "grass", "shrubland", "any", "none"]
GrassState = Literal["natural", "grazed", "eaten_out"]


@dataclass(frozen=True)
class FuelType:
    """What burns in a cell, as the equations need it.

    - `equation`: which family of equations applies; "any" is the fastest of all, "none" does not burn.
    - `surface_load_t_ha`, `overall_load_t_ha`: fine fuel on the ground, and with the shrubs, bark and canopy that burn
      with it.
    - `surface_hazard_score`, `near_surface_hazard_score`: 0 to 4.
    - `grass_factor`: share of the open-grassland rate of spread under trees, above 0 and up to 1.
    - `shrub_wind_factor`: wind at the shrubs over open wind at 10 m: 0.67 in the open, 0.35 under trees.
    - `flames`: which family of flame lengths applies; that of `equation` when left out.
    """

    name: str
    equation: Equation
    surface_load_t_ha: float = 0.0
    overall_load_t_ha: float = 0.0
    surface_hazard_score: float = 0.0
    near_surface_hazard_score: float = 0.0
    near_surface_height_cm: float = 0.0
    grass_state: GrassState = "natural"
    grass_factor: float = 1.0
    shrub_height_m: float = 0.0
    shrub_wind_factor: float = 0.67
    flames: Equation | None = None
    source: str = "judgement"

    def __post_init__(self) -> None:
        """Refuse values that no equation can take."""
        loads = (self.surface_load_t_ha, self.overall_load_t_ha)
        scores = (self.surface_hazard_score, self.near_surface_hazard_score)
        heights = (self.near_surface_height_cm, self.shrub_height_m)
        if not all(np.isfinite(value) and value >= 0.0 for value in (*loads, *scores, *heights)):
            raise ValueError(f"{self.name}: loads, scores and heights must be finite and not below 0")
        if max(scores) > 4.0:
            raise ValueError(f"{self.name}: hazard scores run from 0 to 4")
        if not 0.0 < self.grass_factor <= 1.0 or not 0.0 < self.shrub_wind_factor <= 1.0:
            raise ValueError(f"{self.name}: grass_factor and shrub_wind_factor must be above 0 and up to 1")
        forest, shrubs = (self.surface_load_t_ha, *scores), (self.shrub_height_m,)
        needs = {"forest": forest, "shrubland": shrubs, "any": forest + shrubs}.get(self.equation, ())
        if not all(value > 0.0 for value in needs):
            raise ValueError(f"{self.name}: a value that the {self.equation} equations need is missing")
        if self.burns and (self.flame_equation == "none" or self.overall_load_t_ha == 0.0):
            raise ValueError(f"{self.name}: it burns, so it needs flames and an overall load")

    @property
    def burns(self) -> bool:
        """Whether fire spreads in it."""
        return self.equation != "none"

    @property
    def flame_equation(self) -> Equation:
        """The family of flame lengths that applies."""
        return self.equation if self.flames is None else self.flames

    @property
    def grass(self) -> bool:
        """Whether the length-to-breadth relation of grass applies."""
        return self.equation == "grass"


_WORDS: Final = ("name", "equation", "grass_state", "flames", "source")
_TYPED: Final[tuple[dict[str, Any], ...]] = tuple(
    {key: value if key in _WORDS else float(value) for key, value in row.items() if value}
    for row in table_rows(__package__, "fuel_types.csv")
)

FUEL_TYPES: Final[Mapping[str, FuelType]] = {row["name"]: FuelType(**row) for row in _TYPED}
"""The table of common fuel types, by name."""

UNMAPPED: Final = FUEL_TYPES["unmapped"]
"""What stands in where a map says nothing: the fastest of all equations counts there."""

LAND_COVER: Final[Mapping[str, str]] = {
    row["land_cover"]: row["fuel_type"] for row in table_rows(__package__, "land_cover.csv")
}
"""OpenStreetMap values of `landuse`, `natural` and the like, with the fuel type each is taken for: the faster where in
doubt (grass stands uncut, wetlands are dry, industrial land burns)."""


def fuel_type(name: str) -> FuelType:
    """Look a fuel type up by its name, or by a land-cover value of OpenStreetMap.

    Capitals, spaces, underscores and hyphens don't matter; a whole tag (`natural=scree`) is read as its value.

    Raises InputError for an unknown name, with all known ones.

    Examples
    --------
    >>> fuel_type("Dry_Eucalypt_Forest").equation, fuel_type("natural=scree").burns
    ('forest', False)
    """
    found = known_fuel_type(name)
    if found is None:
        mend = "use one of these names, or map it to one"
        raise refuse("fuel type", f"{name!r} is not known", expected=known_names(), mend=mend)
    return found


def plain_name(name: str) -> str:
    """Write a name without capitals, underscores and hyphens."""
    # A whole tag such as `natural=wood` means what its value means.
    return " ".join(name.rpartition("=")[2].lower().replace("_", " ").replace("-", " ").split())


_BY_PLAIN_NAME: Final[Mapping[str, FuelType]] = {
    **{plain_name(cover): FUEL_TYPES[name] for cover, name in LAND_COVER.items()},
    **{plain_name(fuel.name): fuel for fuel in FUEL_TYPES.values()},
}


def known_fuel_type(name: str) -> FuelType | None:
    """Look a fuel type up as `fuel_type` does, or None."""
    return _BY_PLAIN_NAME.get(plain_name(name))


def known_names() -> str:
    """List all names of fuel types and land covers, for a fault."""
    return "one of: " + ", ".join(FUEL_TYPES) + "; or of the land covers " + ", ".join(LAND_COVER)
