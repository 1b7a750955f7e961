"""Common fuel types: load, hazard scores, and which rate-of-spread equation each one takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from leaveby.errors import refuse

Equation = Literal["forest", "grass", "shrubland", "any", "none"]
GrassState = Literal["natural", "grazed", "eaten_out"]


@dataclass(frozen=True)
class FuelType:
    """What burns in a cell, as the equations need it.

    Attributes
    ----------
    name : str
    equation : {"forest", "grass", "shrubland", "any", "none"}
        Which family of equations applies; "any" is the fastest of all, "none" does not burn.
    surface_load_t_ha, overall_load_t_ha : float
        Fine fuel on the ground, and with the shrubs, bark and canopy that burn with it, t/ha.
    surface_hazard_score, near_surface_hazard_score : float
        Fuel hazard scores, 0 to 4.
    near_surface_height_cm : float
        Height of the near-surface layer, cm.
    grass_state : {"natural", "grazed", "eaten_out"}
        Curve of the grassland model.
    grass_factor : float
        Share of the open-grassland rate of spread under trees, above 0 and up to 1.
    shrub_height_m : float
        Mean height of the shrubs, m.
    shrub_wind_factor : float
        Wind at the shrubs over open wind at 10 m: 0.67 in the open, 0.35 under trees.
    flames : {"forest", "grass", "shrubland", "any"}, optional
        Which family of flame lengths applies; that of `equation` when left out.
    origin : str
        Where the values come from.
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
    origin: str = "judgement"

    def __post_init__(self) -> None:
        """Refuse values that no equation can take."""
        numbers = (
            self.surface_load_t_ha,
            self.overall_load_t_ha,
            self.surface_hazard_score,
            self.near_surface_hazard_score,
            self.near_surface_height_cm,
            self.shrub_height_m,
        )
        if not all(np.isfinite(value) and value >= 0.0 for value in numbers):
            raise ValueError(f"{self.name}: loads, scores and heights must be finite and not below 0")
        if max(self.surface_hazard_score, self.near_surface_hazard_score) > 4.0:
            raise ValueError(f"{self.name}: hazard scores run from 0 to 4")
        if not 0.0 < self.grass_factor <= 1.0 or not 0.0 < self.shrub_wind_factor <= 1.0:
            raise ValueError(f"{self.name}: grass_factor and shrub_wind_factor must be above 0 and up to 1")
        needs: dict[str, tuple[float, ...]] = {
            "forest": (self.surface_load_t_ha, self.surface_hazard_score, self.near_surface_hazard_score),
            "shrubland": (self.shrub_height_m,),
        }
        needs["any"] = needs["forest"] + needs["shrubland"]
        if not all(value > 0.0 for value in needs.get(self.equation, ())):
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


_LOADS = "loads of AS 3959 Table B2 from memory; hazard scores and heights by judgement for long-unburnt fuel"
_GRASS = "load 4.5 t/ha of AS 3959 from memory; state by name"
_UNDER_TREES = (
    "share of open-grassland spread from Cheney and Sullivan (2008), from memory; overall load of woodland, AS 3959 "
    "Table B2 from memory, in flames as of shrubs by judgement: the trees burn too"
)

UNMAPPED: Final = FuelType(
    "unmapped",
    "any",
    surface_load_t_ha=25.0,
    overall_load_t_ha=35.0,
    surface_hazard_score=3.5,
    near_surface_hazard_score=3.0,
    near_surface_height_cm=25.0,
    shrub_height_m=2.0,
    origin="the fastest of dry eucalypt forest, natural grassland and open shrubland, by judgement",
)

_TYPES: Final = (
    FuelType(
        "dry eucalypt forest",
        "forest",
        surface_load_t_ha=25.0,
        overall_load_t_ha=35.0,
        surface_hazard_score=3.5,
        near_surface_hazard_score=3.0,
        near_surface_height_cm=25.0,
        origin=_LOADS,
    ),
    FuelType(
        "recently burnt forest",
        "forest",
        surface_load_t_ha=10.0,
        overall_load_t_ha=14.0,
        surface_hazard_score=2.5,
        near_surface_hazard_score=2.0,
        near_surface_height_cm=15.0,
        origin="judgement, for 2 to 5 years since fire",
    ),
    FuelType(
        "tall wet forest",
        "forest",
        surface_load_t_ha=25.0,
        overall_load_t_ha=35.0,
        surface_hazard_score=4.0,
        near_surface_hazard_score=3.5,
        near_surface_height_cm=30.0,
        origin=_LOADS + "; the dry eucalypt model was not made for it",
    ),
    FuelType(
        "woodland",
        "forest",
        surface_load_t_ha=15.0,
        overall_load_t_ha=25.0,
        surface_hazard_score=3.0,
        near_surface_hazard_score=2.5,
        near_surface_height_cm=20.0,
        origin=_LOADS,
    ),
    FuelType(
        "pine plantation",
        "forest",
        surface_load_t_ha=15.0,
        overall_load_t_ha=25.0,
        surface_hazard_score=3.5,
        near_surface_hazard_score=2.5,
        near_surface_height_cm=20.0,
        origin="judgement; the eucalypt equations stand in for a conifer model",
    ),
    FuelType(
        "grassy woodland",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=25.0,
        grass_factor=0.5,
        flames="shrubland",
        origin=_UNDER_TREES,
    ),
    FuelType(
        "grassy open forest",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=25.0,
        grass_factor=0.3,
        flames="shrubland",
        origin=_UNDER_TREES,
    ),
    FuelType("natural grassland", "grass", surface_load_t_ha=4.5, overall_load_t_ha=4.5, origin=_GRASS),
    FuelType("crop", "grass", surface_load_t_ha=4.5, overall_load_t_ha=4.5, origin="as natural grassland, judgement"),
    FuelType(
        "grazed pasture",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=4.5,
        grass_state="grazed",
        origin=_GRASS,
    ),
    FuelType(
        "eaten-out pasture",
        "grass",
        surface_load_t_ha=1.5,
        overall_load_t_ha=1.5,
        grass_state="eaten_out",
        origin="load by judgement; state by name",
    ),
    FuelType(
        "shrubland",
        "shrubland",
        surface_load_t_ha=15.0,
        overall_load_t_ha=15.0,
        shrub_height_m=1.5,
        origin="load of AS 3959 Table B2 from memory; height by judgement",
    ),
    FuelType(
        "heath",
        "shrubland",
        surface_load_t_ha=15.0,
        overall_load_t_ha=15.0,
        shrub_height_m=1.0,
        origin="as shrubland, lower",
    ),
    FuelType(
        "scrub",
        "shrubland",
        surface_load_t_ha=25.0,
        overall_load_t_ha=25.0,
        shrub_height_m=3.0,
        origin="load of AS 3959 Table B2 from memory; height by judgement",
    ),
    FuelType(
        "shrubs under trees",
        "shrubland",
        surface_load_t_ha=15.0,
        overall_load_t_ha=25.0,
        shrub_height_m=1.5,
        shrub_wind_factor=0.35,
        origin="wind factor of Anderson et al. (2015) from memory; overall load as of woodland, judgement",
    ),
    FuelType(
        "houses and gardens",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=15.0,
        grass_state="grazed",
        flames="shrubland",
        origin="judgement: gardens and houses carry fire; taken to spread it like grazed pasture, with flames as of "
        "shrubland: hedges and shrubs",
    ),
    UNMAPPED,
    FuelType("water", "none", origin="does not burn"),
    FuelType("bare ground", "none", origin="does not burn; for rock, scree, sand, quarries"),
    FuelType("sealed surface", "none", origin="does not burn; only for surfaces wider than a cell"),
)

FUEL_TYPES: Final[Mapping[str, FuelType]] = {fuel.name: fuel for fuel in _TYPES}
"""The table of common fuel types, by name."""

LAND_COVER: Final[Mapping[str, str]] = {
    "wood": "dry eucalypt forest",
    "forest": "dry eucalypt forest",
    "tree_row": "woodland",
    "orchard": "woodland",
    "vineyard": "natural grassland",
    "plantation": "pine plantation",
    "grassland": "natural grassland",
    "grass": "natural grassland",
    "meadow": "natural grassland",
    "fell": "natural grassland",
    "farmland": "natural grassland",
    "farmyard": "natural grassland",
    "pasture": "natural grassland",
    "wetland": "natural grassland",
    "park": "natural grassland",
    "recreation_ground": "natural grassland",
    "cemetery": "natural grassland",
    "golf_course": "grazed pasture",
    "brownfield": "natural grassland",
    "greenfield": "natural grassland",
    "landfill": "natural grassland",
    "shrubbery": "shrubland",
    "residential": "houses and gardens",
    "commercial": "houses and gardens",
    "retail": "houses and gardens",
    "industrial": "houses and gardens",
    "bare_rock": "bare ground",
    "rock": "bare ground",
    "scree": "bare ground",
    "shingle": "bare ground",
    "sand": "bare ground",
    "beach": "bare ground",
    "quarry": "bare ground",
    "glacier": "bare ground",
    "reservoir": "water",
    "basin": "water",
    "bay": "water",
    "lake": "water",
    "river": "water",
    "aerodrome": "natural grassland",
    "parking": "sealed surface",
    "road": "sealed surface",
}
"""OpenStreetMap values of `landuse`, `natural` and the like, with the fuel type each is taken for: the faster where in
doubt (grass stands uncut, wetlands are dry, industrial land burns)."""


def fuel_type(name: str) -> FuelType:
    """Look a fuel type up by its name, or by a land-cover value of OpenStreetMap.

    Capitals, spaces, underscores and hyphens don't matter; a whole tag (`natural=scree`) is read as its value.

    Raises
    ------
    InputError
        For an unknown name, with all known ones.

    Examples
    --------
    >>> fuel_type("Dry_Eucalypt_Forest").equation, fuel_type("natural=scree").burns
    ('forest', False)
    """
    found = known_fuel_type(name)
    if found is None:
        raise refuse(
            "fuel type",
            f"{name!r} is not known",
            expected=known_names(),
            mend="use one of these names, or map it to one",
        )
    return found


def plain_name(name: str) -> str:
    """Write a name without capitals, underscores and hyphens.

    Examples
    --------
    >>> plain_name("Bare_Rock")
    'bare rock'
    """
    # A whole tag such as `natural=wood` means what its value means.
    return " ".join(name.rpartition("=")[2].lower().replace("_", " ").replace("-", " ").split())


_BY_PLAIN_NAME: Final[Mapping[str, FuelType]] = {
    **{plain_name(cover): FUEL_TYPES[name] for cover, name in LAND_COVER.items()},
    **{plain_name(fuel.name): fuel for fuel in _TYPES},
}


def known_fuel_type(name: str) -> FuelType | None:
    """Look a fuel type up as `fuel_type` does, or None.

    Examples
    --------
    >>> known_fuel_type("triffids") is None
    True
    """
    return _BY_PLAIN_NAME.get(plain_name(name))


def known_names() -> str:
    """List all names of fuel types and land covers, for a fault.

    Examples
    --------
    >>> known_names()[:27]
    'one of: dry eucalypt forest'
    """
    return "one of: " + ", ".join(FUEL_TYPES) + "; or of the land covers " + ", ".join(LAND_COVER)
